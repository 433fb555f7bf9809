//! A page as it is sent: written and compressed once, for all who stand at the same place.

use super::assets::{is_held, tag};
use axum::body::Bytes;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use flate2::Compression;
use flate2::write::GzEncoder;
use std::io::Write;

/// The bytes of a page, plain and compressed, with their validator.
#[derive(Debug)]
pub struct SentPage {
    plain: Bytes,
    gzip: Option<Bytes>,
    tag: String,
}

impl SentPage {
    /// A page from its text.
    pub fn new(text: String) -> Self {
        // Weak, since one validator stands for both forms (RFC 9110, section 8.8.1).
        let tag = format!("W/{}", tag(text.as_bytes()));
        let mut gzip = GzEncoder::new(Vec::new(), Compression::default());
        let gzip = gzip.write_all(text.as_bytes()).and_then(|()| gzip.finish());
        // Into boxes, so that no room to grow is kept with them.
        let gzip = gzip.ok().map(|bytes| bytes.into_boxed_slice().into());
        Self { gzip, plain: text.into_bytes().into_boxed_slice().into(), tag }
    }

    /// The page in a form that the asker takes; one who has it is told that nothing changed.
    pub fn reply(&self, asked: &Takes) -> Response {
        let head = [(header::ETAG, self.tag.as_str()), (header::VARY, "accept-encoding, cookie")];
        if is_held(asked.has.as_deref(), &self.tag) {
            return (StatusCode::NOT_MODIFIED, head).into_response();
        }
        match self.gzip.as_ref().filter(|_| asked.gzip) {
            Some(gzip) => {
                (head, [(header::CONTENT_ENCODING, "gzip")], Html(gzip.clone())).into_response()
            }
            None => (head, Html(self.plain.clone())).into_response(),
        }
    }
}

/// What a browser takes and what it has.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Takes {
    gzip: bool,
    has: Option<String>,
}

impl Takes {
    /// As its headers say.
    pub fn of(headers: &HeaderMap) -> Self {
        let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
        let encodings = text(header::ACCEPT_ENCODING).unwrap_or_default();
        let gzip = encodings.split(',').any(|one| {
            let (name, weight) = one.split_once(';').unwrap_or((one, "q=1"));
            let weight = weight.trim().strip_prefix("q=").and_then(|q| q.parse::<f64>().ok());
            name.trim().eq_ignore_ascii_case("gzip") && weight.is_some_and(|weight| weight > 0.0)
        });
        Self { gzip, has: text(header::IF_NONE_MATCH).map(str::to_owned) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;
    use flate2::read::GzDecoder;
    use std::io::Read;

    fn takes(name: header::HeaderName, value: &str) -> Takes {
        Takes::of(&HeaderMap::from_iter([(name, HeaderValue::from_str(value).unwrap())]))
    }

    #[tokio::test]
    async fn it_comes_plain_or_compressed_or_not_again() {
        let page = SentPage::new("<p>wet</p>".repeat(200));
        let plain = page.reply(&Takes::default());
        assert!(!plain.headers().contains_key(header::CONTENT_ENCODING));
        let tag = plain.headers()[header::ETAG].to_str().unwrap().to_owned();
        let plain = axum::body::to_bytes(plain.into_body(), 10_000).await.unwrap();

        let asked = takes(header::ACCEPT_ENCODING, "br;q=1, gzip;q=0.8");
        let packed = page.reply(&asked);
        assert_eq!(packed.headers()[header::CONTENT_ENCODING], "gzip");
        assert_eq!(packed.headers()[header::ETAG].to_str().unwrap(), tag);
        let packed = axum::body::to_bytes(packed.into_body(), 10_000).await.unwrap();
        assert!(packed.len() < plain.len() / 10);
        let mut text = Vec::new();
        GzDecoder::new(&packed[..]).read_to_end(&mut text).unwrap();
        assert_eq!(text, plain);

        let known = page.reply(&takes(header::IF_NONE_MATCH, &format!("\"other\", {tag}")));
        assert_eq!(known.status(), StatusCode::NOT_MODIFIED);
        let other = SentPage::new("<p>empty</p>".to_owned());
        assert_eq!(other.reply(&takes(header::IF_NONE_MATCH, &tag)).status(), StatusCode::OK);
    }

    #[test]
    fn an_encoding_of_no_weight_is_not_taken() {
        for (value, gzip) in [
            ("gzip", true),
            ("deflate, GZIP ; q=0.5", true),
            ("gzip;q=0, br", false),
            ("gzip;q=lots", false),
            ("x-gzip-not", false),
            ("", false),
        ] {
            assert_eq!(takes(header::ACCEPT_ENCODING, value).gzip, gzip, "{value}");
        }
    }
}
