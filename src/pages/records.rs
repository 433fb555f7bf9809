//! The working record as a list; the sheet to print is `record`.

use super::figures::Figures;
use super::parts::{cell, number, or_dash, table, tree_link, words};
use super::site::{Place, page as whole};
use crate::app::record::Record;
use crate::record::{Line, Thousandths, Total};
use maud::{Markup, html};

/// Most draws that are named.
const NAMED: usize = 12;

/// The page.
pub fn page(place: &Place, record: &Record) -> String {
    let figures = Figures::of(place);
    let asked = asked(record);
    let sheet = format!("{}/records/sheet{asked}", place.base);
    let csv = format!("{}/records/csv{asked}", place.base);
    let body = html! {
        h1 { "Records" }
        p.warning { (record.notice) }
        (choose(place, record))
        p.days { a.button href=(sheet) { "Sheet to print" } a.button href=(csv) { "CSV" } }
        @if record.lines.is_empty() {
            p { "No application is recorded for these days." }
        } @else {
            section { h2 { "Totals" } (totals(&record.totals, figures)) }
            section { h2 { "Applications" } (applications(place, &record.lines, figures)) }
        }
        (gaps(record))
        p.small { (record.kept) }
        p.small { "Times in " (record.time_zone) "." }
    };
    whole(place, "Records", &body)
}

/// The same question in an address.
fn asked(record: &Record) -> String {
    let from = record.from.map(|day| format!("from={day}"));
    let to = record.to.map(|day| format!("to={day}"));
    let parts: Vec<String> = from.into_iter().chain(to).collect();
    if parts.is_empty() { String::new() } else { format!("?{}", parts.join("&")) }
}

fn choose(place: &Place, record: &Record) -> Markup {
    html! {
        form.days method="get" action=(format!("{}/records", place.base)) {
            span.field { label for="from" { "From" }
                input id="from" type="date" name="from" value=[record.from]; }
            span.field { label for="to" { "to" }
                input id="to" type="date" name="to" value=[record.to]; }
            button type="submit" { "Show" }
        }
    }
}

fn volume(ml: Option<Thousandths>, figures: Figures) -> Markup {
    or_dash(ml.map(|ml| figures.volume_value(ml.value())).as_deref())
}

fn totals(totals: &[Total], figures: Figures) -> Markup {
    let unit = figures.volume_unit();
    let names = ["product", "mix loaded", "back", "leaked", "delivered"];
    let names = names.map(|name| format!("{name} {unit}"));
    let mut columns =
        vec![words("day"), words("block"), words("product (registration)"), number("trees")];
    columns.push(number(&names[0]));
    columns.push(number("product g"));
    columns.extend(names[1..].iter().map(|name| number(name)));
    let rows: Vec<Vec<Markup>> = totals
        .iter()
        .map(|total| {
            let product = total.product_name.as_deref().unwrap_or("-");
            let number = total.registration_number.as_deref().unwrap_or("-");
            let unknown = match total.not_known {
                0 => String::new(),
                some => format!(" ({some} not known)"),
            };
            let ml = |ml: Thousandths| volume(Some(ml), figures);
            vec![
                cell(total.date.to_string()),
                cell(&total.block),
                cell(format!("{product} ({number})")),
                cell(format!("{}{unknown}", total.applications)),
                ml(total.product_ml),
                cell(total.product_g.to_string()),
                ml(total.loaded_ml),
                ml(total.recovered_ml),
                ml(total.leaked_ml),
                ml(total.delivered_ml),
            ]
        })
        .collect();
    table("Totals by day, block and product", &columns, &rows)
}

fn applications(place: &Place, lines: &[Line], figures: Figures) -> Markup {
    let delivered = format!("delivered {}", figures.volume_unit());
    let columns = [
        words("day"),
        words("tree"),
        words("product"),
        number(&delivered),
        words("applicator"),
        words("re-entry until"),
        words("next earliest"),
        number("missing"),
        words("does not go together"),
    ];
    let rows: Vec<Vec<Markup>> = lines
        .iter()
        .rev()
        .map(|line| {
            let next = line.next_earliest.map(|day| day.to_string());
            vec![
                cell(line.date.to_string()),
                tree_link(&place.base, &line.tree_id),
                or_dash(line.product_name.as_deref()),
                volume(line.amounts.delivered_ml, figures),
                or_dash(line.applicator.as_deref()),
                or_dash(line.re_entry_until.as_deref().and_then(|at| at.get(..16))),
                or_dash(next.as_deref()),
                cell(line.missing.len().to_string()),
                cell(figures.sentence(&line.odd.join("; "))),
            ]
        })
        .collect();
    table("Applications, the newest first", &columns, &rows)
}

fn gaps(record: &Record) -> Markup {
    let without = &record.draws_without;
    html! {
        @if !without.is_empty() {
            section { h2 { "Draws without an application" }
                p { (without.iter().take(NAMED).map(String::as_str).collect::<Vec<_>>().join(", "))
                    @if without.len() > NAMED { " and " (without.len() - NAMED) " more" } "." }
            }
        }
    }
}
