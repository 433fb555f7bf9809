//! The working record as a sheet to print, A4 or Letter: one file, its own style, no scripts.

use crate::app::record::Record;
use crate::app::words::time_of_day;
use crate::record::{Amounts, Line, Missing, Thousandths, Total, Weather};
use maud::{Markup, html};

const STYLE: &str = include_str!("record.css");

/// The sheet.
pub fn sheet(record: &Record) -> String {
    let days = match (record.from, record.to) {
        (Some(from), Some(to)) => format!("{from} to {to}"),
        (Some(from), None) => format!("from {from}"),
        (None, Some(to)) => format!("to {to}"),
        (None, None) => "all days".to_owned(),
    };
    let body = html! {
        header {
            h1 { "Working record" }
            p.grove { (record.grove) ", " (days) ". Times of " (record.time_zone) "." }
            p.notice { (record.notice) }
            @if record.is_demo { p.notice { "All of this is invented." } }
        }
        main {
            @if record.lines.is_empty() {
                p { "No application is recorded in applications.csv for these days." }
            } @else {
                (totals(&record.totals))
                @for line in &record.lines { (application(line)) }
            }
            (gaps(record))
        }
        footer {
            p { (record.kept) }
            p.notice { (record.notice) }
            p.signed { "Checked by" span.blank {} "Date" span.blank {} }
        }
    };
    super::whole(&format!("Working record - {}", record.grove), STYLE, body)
}

fn totals(totals: &[Total]) -> Markup {
    html! {
        section {
            h2 { "Totals" }
            table.totals {
                thead {
                    tr {
                        th scope="col" { "Day" }
                        th scope="col" { "Block" }
                        th scope="col" { "Product (registration number)" }
                        th.n scope="col" { "Trees" }
                        th.n scope="col" { "Product loaded" }
                        th.n scope="col" { "Mix loaded mL" }
                        th.n scope="col" { "back mL" }
                        th.n scope="col" { "leaked mL" }
                        th.n scope="col" { "delivered mL" }
                    }
                }
                tbody {
                    @for total in totals {
                        tr {
                            td { (total.date) }
                            td { (total.block) }
                            td {
                                (or_dash(&total.product_name))
                                " (" (or_dash(&total.registration_number)) ")"
                            }
                            td.n {
                                (total.applications)
                                @if total.not_known > 0 { " (" (total.not_known) " not known)" }
                            }
                            td.n { (product(Some(total.product_ml), Some(total.product_g))) }
                            td.n { (total.loaded_ml) }
                            td.n { (total.recovered_ml) }
                            td.n { (total.leaked_ml) }
                            td.n { (total.delivered_ml) }
                        }
                    }
                }
            }
            p.small {
                "Loaded - back - leaked = delivered, over those applications of which every amount \
                 is known."
            }
        }
    }
}

fn application(line: &Line) -> Markup {
    let facts = facts(line);
    html! {
        section.application {
            h2 { "Tree " (line.tree_id) ", " (line.date) " (" (line.application_id) ")" }
            dl {
                @for (name, value) in &facts {
                    @if let Some(value) = value {
                        div { dt { (name) } dd { (value) } }
                    }
                }
            }
            @if !line.looks.is_empty() {
                p.small {
                    b { "Readings: " }
                    @for (at, look) in line.looks.iter().enumerate() {
                        @if at > 0 { "; " }
                        (time_of_day(&look.at)) " " (look.seen)
                    }
                }
            }
            @for odd in &line.odd { p.odd { b { "Does not go together: " } (odd) } }
            (missing(&line.missing))
        }
    }
}

type Fact = (&'static str, Option<String>);

fn facts(line: &Line) -> Vec<Fact> {
    let Amounts { product_ml, product_g, water_ml, .. } = line.amounts;
    let a = &line.amounts;
    let own = |text: &Option<String>| text.clone();
    let ml = |amount: Option<Thousandths>| amount.map(|ml| format!("{ml} mL"));
    let yes = |is: Option<bool>, yes: &str, no: &str| is.map(|is| if is { yes } else { no }.into());
    let stands = [("row", &line.row), ("position", &line.position)];
    let stands: Vec<String> =
        stands.iter().filter_map(|(name, at)| Some(format!("{name} {}", at.as_ref()?))).collect();
    let stands = if stands.is_empty() { String::new() } else { format!(", {}", stands.join(", ")) };
    let season =
        [yes(line.in_leaf, "in leaf", "out of leaf"), yes(line.in_bloom, "in bloom", "no bloom")];
    let season: Vec<String> = season.into_iter().flatten().chain(own(&line.growth_stage)).collect();
    let delivered = match (ml(a.delivered_ml), a.delivered_product_ml, a.delivered_product_g) {
        (Some(mix), None, None) => Some(mix),
        (Some(mix), product_ml, product_g) => {
            Some(format!("{mix} ({} of product, as mixed)", product(product_ml, product_g)))
        }
        (None, ..) => Some("not known".into()),
    };
    vec![
        ("Product", own(&line.product_name)),
        ("Registration number", own(&line.registration_number)),
        ("Active ingredient", own(&line.active_ingredient)),
        ("Lot", own(&line.lot)),
        ("Label rate, as typed", own(&line.label_rate)),
        ("Product loaded", product_ml.or(product_g).map(|_| product(product_ml, product_g))),
        ("Water", ml(water_ml)),
        ("Mix loaded", ml(a.loaded_ml)),
        ("Mix back", ml(a.recovered_ml)),
        ("Mix leaked", ml(a.leaked_ml)),
        ("Delivered", delivered),
        ("Place", Some(line.place.clone())),
        ("Customer", own(&line.customer)),
        ("Treated area", line.size_ha.map(|ha| format!("{ha} ha"))),
        ("Block, tree", Some(format!("{}, {}{stands}", line.block, line.tree_id))),
        ("Species, crop", joined([&line.species, &line.crop, &line.crop_code])),
        ("dbh", Some(format!("{} cm", line.dbh_cm))),
        ("Ports", line.ports.map(|ports| ports.to_string())),
        ("Head", line.head_m.map(|head| format!("{head} m"))),
        ("Kit", own(&line.kit_id)),
        ("Draw", own(&line.draw_id)),
        ("Applied", Some(minute(&line.applied))),
        ("Start", line.started.as_deref().map(minute)),
        ("End", line.ended.as_deref().map(minute)),
        ("Leak seen", yes(line.leak_seen, "yes", "no")),
        ("Weather", line.weather.as_ref().map(weather)),
        ("Season", (!season.is_empty()).then(|| season.join(", "))),
        ("Applicator, licence", joined([&line.applicator, &line.licence, &None])),
        ("Supervised", own(&line.supervised)),
        ("Re-entry from", line.re_entry_until.as_deref().map(minute)),
        ("Harvest from", line.pre_harvest_until.map(|day| day.to_string())),
        ("Next treatment not before", line.next_earliest.map(|day| day.to_string())),
        ("Note", own(&line.note)),
    ]
}

fn missing(missing: &[Missing]) -> Markup {
    html! {
        @if !missing.is_empty() {
            p.missing {
                b { "Not recorded: " }
                @for (at, one) in missing.iter().enumerate() {
                    @if at > 0 { "; " }
                    (one.field) " [" (one.asked_by.join(", ")) "]"
                }
                "."
            }
        }
    }
}

fn gaps(record: &Record) -> Markup {
    html! {
        @if !record.draws_without.is_empty() {
            section {
                h2 { "Draws without an application" }
                p.small { (record.draws_without.join(", ")) }
            }
        }
    }
}

fn product(ml: Option<Thousandths>, g: Option<Thousandths>) -> String {
    let some = |amount: Option<Thousandths>| amount.filter(|a| *a != Thousandths::default());
    match (some(ml), some(g)) {
        (Some(ml), Some(g)) => format!("{ml} mL, {g} g"),
        (Some(ml), None) => format!("{ml} mL"),
        (None, Some(g)) => format!("{g} g"),
        (None, None) => "0 mL".into(),
    }
}

fn weather(weather: &Weather) -> String {
    let Weather { air_temp_c: air, vpd_kpa: vpd, wind_2m_m_s: wind, rain_mm, .. } = *weather;
    let mut out = format!(
        "{} to {} degC, VPD {} to {} kPa, wind {} to {} m/s, rain {rain_mm} mm",
        air.low, air.high, vpd.low, vpd.high, wind.low, wind.high
    );
    if let Some(soil) = weather.soil_water_m3_m3 {
        out += &format!(", soil water {} to {} m3/m3", soil.low, soil.high);
    }
    if weather.known < 1.0 {
        out += &format!(" (of {:.0} % of the time)", weather.known * 100.0);
    }
    if weather.estimated {
        out += " (partly estimated)";
    }
    out
}

fn joined(parts: [&Option<String>; 3]) -> Option<String> {
    let parts: Vec<&str> = parts.into_iter().filter_map(|part| part.as_deref()).collect();
    (!parts.is_empty()).then(|| parts.join(", "))
}

fn or_dash(text: &Option<String>) -> &str {
    text.as_deref().unwrap_or("-")
}

/// Date and clock of a local time as answers have it.
fn minute(time: &str) -> String {
    time.get(..16).unwrap_or(time).replace('T', " ")
}
