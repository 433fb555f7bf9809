//! Long lists by cursor: each part names the next ones in its `Link` header (RFC 8288). A cursor is a
//! place in the list, so that what is added meanwhile neither skips nor repeats anything.

use crate::app::parts::{MOST_PER_PAGE, Part};
use crate::http::fault::Fault;
use crate::text::hex;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use chrono::{DateTime, Utc};

/// A place as the lists have it: an instant and a name.
type Place = (DateTime<Utc>, String);

/// Longest cursor that is read, letters.
const LONGEST: usize = 2_000;

/// The part that a cursor names; the newest lines without one.
pub fn part(cursor: Option<&str>) -> Result<Part<Place>, Fault> {
    let Some(cursor) = cursor else { return Ok(Part::default()) };
    let unknown =
        || Fault::bad_request("the cursor is none that was given here; begin again without one");
    let text = unhex(cursor).ok_or_else(unknown)?;
    let mut parts = text.splitn(3, ' ');
    let (way, at, name) = (parts.next(), parts.next(), parts.next());
    let at = at.and_then(|at| at.parse().ok()).ok_or_else(unknown)?;
    let place = (at, name.ok_or_else(unknown)?.to_owned());
    match way {
        Some("older") => Ok(Part::Older(place)),
        Some("newer") => Ok(Part::Newer(place)),
        _ => Err(unknown()),
    }
}

/// A list's cursors, put into an answer's head; `asked` are the other questions of the address.
pub fn linked(
    mut response: Response,
    address: &str,
    asked: &[(&str, String)],
    (newer, older): (Option<&Place>, Option<&Place>),
) -> Response {
    let cursor =
        |way: &str, (at, name): &Place| hex(format!("{way} {} {name}", at.to_rfc3339()).as_bytes());
    let link = |rel: &str, cursor: Option<String>| {
        let cursor = cursor.map(|cursor| ("cursor", cursor));
        let pairs: Vec<(&str, String)> = asked.iter().cloned().chain(cursor).collect();
        let query = serde_urlencoded::to_string(pairs).unwrap_or_default();
        let mark = if query.is_empty() { "" } else { "?" };
        format!("<{address}{mark}{query}>; rel=\"{rel}\"")
    };
    let mut links = vec![link("first", None)];
    links.extend(newer.map(|place| link("prev", Some(cursor("newer", place)))));
    links.extend(older.map(|place| link("next", Some(cursor("older", place)))));
    if let Ok(links) = HeaderValue::from_str(&links.join(", ")) {
        response.headers_mut().insert(header::LINK, links);
    }
    response
}

/// Refuses a part of no size, or of more lines than any list gives at once.
pub fn per_page(asked: Option<u32>) -> Result<Option<usize>, Fault> {
    let most = u32::try_from(MOST_PER_PAGE).unwrap_or(u32::MAX);
    Ok(super::query::counted("per_page", asked, most)?.map(|count| count as usize))
}

fn unhex(text: &str) -> Option<String> {
    if text.len() > LONGEST || !text.len().is_multiple_of(2) || !text.is_ascii() {
        return None;
    }
    let byte = |at: usize| u8::from_str_radix(text.get(at..at + 2)?, 16).ok();
    let bytes: Option<Vec<u8>> = (0..text.len()).step_by(2).map(byte).collect();
    String::from_utf8(bytes?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::response::IntoResponse;

    #[test]
    fn a_cursor_comes_back_as_the_place_it_was() {
        let place =
            (DateTime::from_timestamp_millis(1_768_400_000_123).unwrap(), "A 1 \u{e9}".into());
        let asked = [("per_page", "3".to_owned())];
        let response = linked("".into_response(), "/draws", &asked, (None, Some(&place)));
        let link = response.headers()[header::LINK].to_str().unwrap().to_owned();
        assert!(link.starts_with("</draws?per_page=3>; rel=\"first\", </draws?per_page=3&cursor="));
        let cursor = link.split("cursor=").nth(1).unwrap().split('>').next().unwrap();
        assert_eq!(part(Some(cursor)).unwrap(), Part::Older(place));
        for wrong in ["", "0", "zz", "+1", &hex(b"older 1"), &hex(b"older x y"), &hex(b"up 1 y")] {
            assert!(part(Some(wrong)).is_err(), "{wrong}");
        }
    }
}
