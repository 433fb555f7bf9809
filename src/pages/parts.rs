//! Parts that the pages share: tables, lists, links from page to page.

use maud::{Markup, html};

/// A column: its name, and whether it holds numbers.
#[derive(Debug, Clone, Copy)]
pub struct Column<'a>(pub &'a str, pub bool);

/// Columns of words.
pub const fn words(name: &str) -> Column<'_> {
    Column(name, false)
}

/// Columns of numbers.
pub const fn number(name: &str) -> Column<'_> {
    Column(name, true)
}

/// A table in a frame that scrolls by itself where it is wider than the telephone. The first cell of
/// a row is its head.
pub fn table(caption: &str, columns: &[Column], rows: &[Vec<Markup>]) -> Markup {
    let class = |at: usize| columns.get(at).and_then(|column| column.1.then_some("n"));
    html! {
        div.wide tabindex="0" role="region" aria-label=(caption) {
            table {
                caption { (caption) }
                thead { tr {
                    @for (at, column) in columns.iter().enumerate() {
                        th scope="col" class=[class(at)] { (column.0) }
                    }
                } }
                tbody { @for row in rows { tr {
                    @for (at, cell) in row.iter().enumerate() {
                        @if at == 0 { th scope="row" { (cell) } }
                        @else { td class=[class(at)] { (cell) } }
                    }
                } } }
            }
        }
    }
}

/// A cell of text.
pub fn cell(text: impl AsRef<str>) -> Markup {
    html! { (text.as_ref()) }
}

/// A cell of text, a dash where there is none.
pub fn or_dash(text: Option<&str>) -> Markup {
    html! { (text.filter(|text| !text.is_empty()).unwrap_or("-")) }
}

/// A section of lines; nothing where there is none.
pub fn lines(title: &str, lines: &[String]) -> Markup {
    html! {
        @if !lines.is_empty() {
            section { h2 { (title) } ul { @for line in lines { li { (line) } } } }
        }
    }
}

/// What can be opened, shut at first.
pub fn folded(title: &str, body: &Markup) -> Markup {
    html! { details { summary { (title) } (body) } }
}

/// Text that stands for itself in an address.
pub fn in_address(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' => {
                out.push(char::from(byte));
            }
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

/// A link to a tree's page.
pub fn tree_link(base: &str, tree_id: &str) -> Markup {
    html! { a href=(format!("{base}/trees/{}", in_address(tree_id))) { (tree_id) } }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_id_of_any_letters_makes_an_address() {
        assert_eq!(in_address("E01"), "E01");
        assert_eq!(in_address("<b>\"&/é"), "%3Cb%3E%22%26%2F%C3%A9");
    }
}
