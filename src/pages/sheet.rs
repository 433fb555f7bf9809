//! Sheets as one HTML file to print or to read on a telephone: A4 and Letter, black and white, no
//! script, large type for what is acted on. The frame is the same for every kind of sheet.

use crate::app::sheet::{CautionLine, FOOTER, Fact, OVER_CAUTIONS, Part, Sheet, Step, Table};
use maud::{Markup, html};

const STYLE: &str = include_str!("sheet.css");

/// A whole file of sheets, each on a page of its own when printed. All text is escaped.
///
/// ```
/// use xylocast::app::sheet::Sheet;
/// let sheet = Sheet {
///     title: "<North>".into(),
///     facts: Vec::new(),
///     first: Vec::new(),
///     cautions: Vec::new(),
///     parts: Vec::new(),
/// };
/// let page = xylocast::pages::sheet::file("Sheets", &[&sheet]);
/// assert!(page.contains("&lt;North&gt;") && !page.contains("<North>"));
/// ```
pub fn file(title: &str, sheets: &[&Sheet]) -> String {
    let body = html! {
        @if sheets.len() > 1 { (contents(sheets)) }
        main { @for (number, sheet) in (1..).zip(sheets) { (one(number, sheet)) } }
    };
    super::whole(title, STYLE, body)
}

fn contents(sheets: &[&Sheet]) -> Markup {
    html! {
        nav aria-label="Sheets" {
            ol {
                @for (number, sheet) in (1..).zip(sheets) {
                    li { a href=(format!("#sheet-{number}")) { (sheet.title) } }
                }
            }
        }
    }
}

fn one(number: usize, sheet: &Sheet) -> Markup {
    html! {
        article id=(format!("sheet-{number}")) {
            header {
                h1 { (sheet.title) }
                (facts(&sheet.facts))
            }
            @if !sheet.first.is_empty() {
                section.first aria-label="Read first" {
                    ul { @for line in &sheet.first { li { (line) } } }
                }
            }
            @for part in &sheet.parts { (body(part)) }
            @if !sheet.cautions.is_empty() {
                section {
                    h2 { (OVER_CAUTIONS) }
                    (cautions(&sheet.cautions))
                }
            }
            footer { (FOOTER) }
        }
    }
}

fn facts(facts: &[Fact]) -> Markup {
    html! {
        dl {
            @for fact in facts {
                div class=[fact.large.then_some("large")] {
                    dt { (fact.name) }
                    @if fact.value.is_empty() { dd.blank {} } @else { dd { (fact.value) } }
                }
            }
        }
    }
}

fn body(part: &Part) -> Markup {
    match part {
        Part::Table(it) => table(it),
        Part::Facts { title, facts: it } => html! { section { h2 { (title) } (facts(it)) } },
        Part::Notes { title, lines } => html! {
            section { h2 { (title) } ul { @for line in lines { li { (line) } } } }
        },
        Part::Steps { title, steps } => html! {
            section {
                h2 { (title) }
                p.over { (OVER_CAUTIONS) "." }
                ol.steps { @for it in steps { (step(it)) } }
            }
        },
    }
}

fn step(step: &Step) -> Markup {
    html! {
        li {
            span.box aria-hidden="true" {}
            strong { (step.words) }
            @if !step.cautions.is_empty() { (cautions(&step.cautions)) }
        }
    }
}

/// Those for people stand out by a word, not by a colour alone.
fn cautions(lines: &[CautionLine]) -> Markup {
    html! {
        ul.cautions {
            @for line in lines {
                li class=[line.people.then_some("people")] {
                    @if line.people { b { "People: " } }
                    (line.short())
                }
            }
        }
    }
}

fn table(table: &Table) -> Markup {
    let classes = |at: usize| -> Option<&'static str> {
        let column = table.columns.get(at)?;
        match (column.number, column.act_on) {
            (_, true) => Some("number act"),
            (true, false) => Some("number"),
            (false, false) => None,
        }
    };
    html! {
        section {
            h2 { (table.title) }
            div.wide tabindex="0" role="region" aria-label=(table.title) {
                table {
                    thead {
                        tr {
                            @for (at, column) in table.columns.iter().enumerate() {
                                th scope="col" class=[classes(at)] { (head(&column.name)) }
                            }
                        }
                    }
                    tbody { @for row in &table.rows { (cells(row, &classes)) } }
                    @if let Some(total) = &table.total { tfoot { (cells(total, &classes)) } }
                }
            }
        }
    }
}

/// A name over several lines as one that breaks by itself, the last line, its unit, apart; a word
/// cut at a hyphen is joined again.
fn head(name: &str) -> Markup {
    let name = name.replace("-\n", "");
    match name.rsplit_once('\n') {
        Some((words, unit)) => html! { (words.replace('\n', " ")) br; small { (unit) } },
        None => html! { (name) },
    }
}

fn cells(row: &[String], classes: &impl Fn(usize) -> Option<&'static str>) -> Markup {
    html! {
        tr {
            @for (at, cell) in row.iter().enumerate() {
                @if at == 0 {
                    th scope="row" { (cell) }
                } @else if cell.is_empty() {
                    td.blank {}
                } @else {
                    td class=[classes(at)] { (cell) }
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::sheet::Column;

    #[test]
    fn what_users_type_is_text_wherever_it_stands() {
        let evil = "<script>alert('x')</script>\"&".to_owned();
        let sheet = Sheet {
            title: evil.clone(),
            facts: vec![Fact::new(&evil, evil.as_str())],
            first: vec![evil.clone()],
            cautions: vec![CautionLine { people: true, words: evil.clone() }],
            parts: vec![
                Part::Table(Table {
                    title: evil.clone(),
                    columns: vec![Column::words(&evil)],
                    rows: vec![vec![evil.clone()]],
                    total: Some(vec![evil.clone()]),
                }),
                Part::Notes { title: evil.clone(), lines: vec![evil.clone()] },
                Part::Facts { title: evil.clone(), facts: Vec::new() },
                Part::Steps {
                    title: evil.clone(),
                    steps: vec![Step { words: evil.clone(), cautions: Vec::new() }],
                },
            ],
        };
        let page = file(&evil, &[&sheet, &sheet]);
        assert!(!page.contains("<script"), "{page}");
        assert!(!page.contains("alert('x')</"), "{page}");
        assert!(page.contains("&lt;script&gt;"));
        for outside in ["http://", "https://", "url(", "@import", "src="] {
            assert!(!page.contains(outside), "{outside}");
        }
    }
}
