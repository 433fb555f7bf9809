//! The bytes of an answer -> JSON or text, and everything else that may come instead.

use super::error::{ServiceError, in_words};
use crate::text::{read_time, shown};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use serde_json::Value;

const BYTE_ORDER_MARK: &[u8] = b"\xEF\xBB\xBF";

/// The JSON of an answer that is no error of the service's own.
pub(super) fn json(bytes: &[u8]) -> Result<Value, ServiceError> {
    let value = any_json(bytes)?;
    match own_reason(&value) {
        Some(reason) => Err(in_words(&reason)),
        None => Ok(value),
    }
}

fn any_json(bytes: &[u8]) -> Result<Value, ServiceError> {
    let bytes = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
    let bytes = bytes.trim_ascii();
    match bytes.first() {
        None => return Err(ServiceError::Empty),
        Some(b'<') => return Err(html(bytes)),
        Some(_) => {}
    }
    serde_json::from_slice(bytes).map_err(|error| {
        if error.is_eof() {
            return ServiceError::CutOff { bytes: bytes.len() };
        }
        let byte = offset(bytes, error.line(), error.column());
        ServiceError::Broken {
            byte: byte + 1,
            text: shown(&String::from_utf8_lossy(tail(bytes, byte))),
        }
    })
}

/// Byte that a line and a column, from 1, lead to.
fn offset(bytes: &[u8], line: usize, column: usize) -> usize {
    let line_starts = bytes.split_inclusive(|&byte| byte == b'\n').map(<[u8]>::len);
    let start: usize = line_starts.take(line.saturating_sub(1)).sum();
    (start + column.saturating_sub(1)).min(bytes.len())
}

/// Some bytes from `at` on, enough for a message.
fn tail(bytes: &[u8], at: usize) -> &[u8] {
    const ENOUGH: usize = 200;
    let rest = &bytes[at..];
    &rest[..rest.len().min(ENOUGH)]
}

fn html(bytes: &[u8]) -> ServiceError {
    let text = String::from_utf8_lossy(bytes);
    let lower = text.to_ascii_lowercase();
    let title = lower.find("<title>").and_then(|at| {
        let from = at + "<title>".len();
        let length = lower[from..].find('<')?;
        Some(shown(text[from..from + length].trim()))
    });
    ServiceError::Html { title: title.unwrap_or_default() }
}

/// What the service itself says is wrong, in any of the forms that services use.
fn own_reason(value: &Value) -> Option<String> {
    let text = |key: &str| value.get(key).and_then(Value::as_str).map(str::to_owned);
    if value.get("error").and_then(Value::as_bool) == Some(true) {
        return Some(text("reason").unwrap_or_else(|| "no reason given".to_owned()));
    }
    if value.get("status").is_some_and(Value::is_number) && value.get("title").is_some() {
        let parts = [text("title"), text("detail")];
        return Some(parts.into_iter().flatten().collect::<Vec<_>>().join(": "));
    }
    let detail = value.get("detail")?;
    Some(detail.as_str().map_or_else(|| detail.to_string(), str::to_owned))
}

/// Why a request was refused, as far as its body says so.
pub(super) fn reason(bytes: &[u8]) -> Option<String> {
    match any_json(bytes) {
        Ok(value) => own_reason(&value),
        Err(ServiceError::Html { title }) => Some(title).filter(|title| !title.is_empty()),
        Err(ServiceError::Broken { .. }) => {
            Some(shown(String::from_utf8_lossy(tail(bytes, 0)).trim()))
        }
        Err(_) => None,
    }
}

/// The text of a table.
pub(super) fn text(bytes: &[u8]) -> Result<&str, ServiceError> {
    let bytes = bytes.strip_prefix(BYTE_ORDER_MARK).unwrap_or(bytes);
    match bytes.trim_ascii_start().first() {
        None => Err(ServiceError::Empty),
        Some(b'<') => Err(html(bytes)),
        Some(b'{') => Err(json(bytes).err().unwrap_or(ServiceError::Missing { place: "a table" })),
        Some(_) => std::str::from_utf8(bytes)
            .map_err(|error| ServiceError::NotText { byte: error.valid_up_to() + 1 }),
    }
}

/// What stands at the end of a path of keys.
pub(super) fn at<'v>(value: &'v Value, path: &[&str]) -> Option<&'v Value> {
    path.iter().try_fold(value, |value, key| value.get(key))
}

/// A cell that may hold a number: none where it holds null, NaN where it holds what is no number.
pub(super) fn number(value: Option<&Value>) -> Option<f64> {
    value.filter(|value| !value.is_null()).map(|value| value.as_f64().unwrap_or(f64::NAN))
}

/// A time with its offset, or in UTC where it has none.
pub(super) fn time(
    value: Option<&Value>,
    place: &'static str,
) -> Result<DateTime<Utc>, ServiceError> {
    let bad = |text: &str| ServiceError::BadTime { place, text: shown(text) };
    let text = value.ok_or_else(|| bad("none"))?;
    let text = text.as_str().ok_or_else(|| bad(&text.to_string()))?;
    read_time(text, Tz::UTC).map(|read| read.at).map_err(|_| bad(text))
}
