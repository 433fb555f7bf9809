//! A day plan as a picture: a lane for each person and each tree over the hours. Readable on a
//! telephone and in black and white: every shade is doubled by a shape or a word.

use crate::app::dayplan::{DayPlan, Doing, TreeDay};
use crate::app::words::time_of_day;
use chrono::{DateTime, TimeDelta, Timelike, Utc};
use chrono_tz::Tz;
use maud::{Markup, html};

const WIDE: f64 = 360.0;
/// Where the hours begin and end.
const LEFT: f64 = 48.0;
const RIGHT: f64 = 354.0;
const TOP: f64 = 16.0;
const PERSON: f64 = 20.0;
const TREE: f64 = 13.0;
const LEGEND: f64 = 46.0;

/// The picture as a file of its own.
pub fn file(plan: &DayPlan) -> String {
    let mut text = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    text.push_str(&picture(plan).into_string());
    text.push('\n');
    text
}

struct Scale {
    from: DateTime<Utc>,
    to: DateTime<Utc>,
}

impl Scale {
    fn of(plan: &DayPlan) -> Self {
        let acts = || plan.people.iter().flat_map(|person| &person.acts);
        let from = acts().map(|doing| doing.at[0]).min().unwrap_or_default();
        let last = acts().map(|doing| doing.at[1]).max().unwrap_or_default();
        Self { from, to: last.max(from + TimeDelta::hours(1)) }
    }

    fn x(&self, at: DateTime<Utc>) -> f64 {
        let share = (at - self.from).as_seconds_f64() / (self.to - self.from).as_seconds_f64();
        LEFT + share.clamp(0.0, 1.0) * (RIGHT - LEFT)
    }

    /// Full hours of the grove's clock, as many as have room.
    fn hours(&self, zone: Tz) -> Vec<(f64, String)> {
        let every = if self.to - self.from > TimeDelta::hours(9) { 2 } else { 1 };
        let mut hours = Vec::new();
        let mut at = self.from;
        while at <= self.to {
            let local = at.with_timezone(&zone);
            if local.minute() == 0 && local.second() == 0 && local.hour().is_multiple_of(every) {
                hours.push((self.x(at), local.format("%H:%M").to_string()));
            }
            at += TimeDelta::minutes(1);
        }
        hours
    }
}

fn px(value: f64) -> String {
    format!("{:.1}", value)
}

/// The picture, for a page or a file.
pub fn picture(plan: &DayPlan) -> Markup {
    let scale = Scale::of(plan);
    let zone: Tz = plan.time_zone.parse().unwrap_or(Tz::UTC);
    let trees_top = TOP + PERSON * plan.people.len() as f64 + 8.0;
    let legend_top = trees_top + TREE * plan.trees.len() as f64 + 6.0;
    let high = legend_top + LEGEND;
    html! {
        svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="lanes-title lanes-desc"
            viewBox=(format!("0 0 {WIDE:.0} {high:.0}")) font-family="sans-serif" font-size="9"
            fill="#000" {
            title id="lanes-title" { "Day plan for " (plan.date) ", " (plan.grove) }
            desc id="lanes-desc" { (plan.answer) }
            rect width=(WIDE) height=(px(high)) fill="#fff" {}
            @for shut in &plan.closed {
                @let (a, b) = (scale.x(shut.at[0]), scale.x(shut.at[1]));
                @if b > a {
                    rect x=(px(a)) y=(px(TOP)) width=(px(b - a)) height=(px(legend_top - TOP)) fill="#ececec" {
                        title { "no start: " (shut.why) }
                    }
                }
            }
            @for (x, words) in scale.hours(zone) {
                line x1=(px(x)) x2=(px(x)) y1=(px(TOP)) y2=(px(legend_top)) stroke="#999" stroke-width="0.4" {}
                // At the edge it would be cut off, or run into the hour before.
                @if x <= RIGHT - 8.0 { text x=(px(x)) y="10" text-anchor="middle" { (words) } }
            }
            @for (row, person) in plan.people.iter().enumerate() {
                @let y = TOP + PERSON * row as f64;
                text x="2" y=(px(y + 13.0)) { (person.person) }
                @for doing in &person.acts { (act(&scale, doing, y + 2.0)) }
            }
            @for (row, tree) in plan.trees.iter().enumerate() {
                (lane(&scale, tree, trees_top + TREE * row as f64))
            }
            (legend(legend_top))
        }
    }
}

/// Sets are full, rounds are thin lines in the middle, visits are open boxes, breaks are crossed.
fn act(scale: &Scale, doing: &Doing, y: f64) -> Markup {
    let (a, b) = (scale.x(doing.at[0]), scale.x(doing.at[1]));
    let width = (b - a).max(0.8);
    let clock = |text: &str| time_of_day(text).to_owned();
    let words = format!(
        "{}-{} {} {}",
        clock(&doing.from),
        clock(&doing.to),
        doing.what,
        doing.trees.join(", ")
    );
    let (a, width) = (px(a), px(width));
    match doing.what {
        "set" => {
            html! { rect x=(a) y=(px(y)) width=(width) height="14" fill="#333" stroke="#fff" stroke-width="0.4" { title { (words) } } }
        }
        "check round" => {
            html! { rect x=(a) y=(px(y + 5.0)) width=(width) height="4" fill="#777" { title { (words) } } }
        }
        "break" => html! {
            g {
                title { (words) }
                rect x=(a) y=(px(y)) width=(width) height="14" fill="none" stroke="#000" stroke-width="0.5" stroke-dasharray="2 1.5" {}
            }
        },
        _ => {
            html! { rect x=(a) y=(px(y + 1.0)) width=(width) height="12" fill="#fff" stroke="#000" stroke-width="0.7" { title { (words) } } }
        }
    }
}

/// A bag from its start to its sure finish, a bar at even chance, a dot at the strip, an arrow where
/// it stays.
fn lane(scale: &Scale, tree: &TreeDay, y: f64) -> Markup {
    let [start, p50, sure, strip] = tree.span.map(|at| at.map(|at| scale.x(at)));
    let a = start.unwrap_or(LEFT);
    let b = sure.or(strip).unwrap_or(RIGHT).max(a + 0.8);
    let middle = y + TREE / 2.0;
    let stays = tree.strip.is_none();
    let clock = |text: &Option<String>| match text {
        Some(text) => time_of_day(text).to_owned(),
        None => "-".to_owned(),
    };
    let words = format!(
        "{}: kit {}, start {}, sure empty {}, strip {}",
        tree.tree_id,
        tree.kit,
        clock(&Some(tree.start.clone())),
        clock(&tree.empty_sure),
        if stays { "not today: stays overnight".into() } else { clock(&tree.strip) }
    );
    html! {
        g {
            title { (words) }
            text x="2" y=(px(middle + 3.0)) { (shortened(&tree.tree_id)) }
            rect x=(px(a)) y=(px(middle - 3.5)) width=(px(b - a)) height="7" fill="#c4c4c4" stroke="#000" stroke-width="0.4" {}
            @if let Some(p50) = p50.filter(|p50| *p50 < RIGHT) {
                line x1=(px(p50)) x2=(px(p50)) y1=(px(middle - 3.5)) y2=(px(middle + 3.5)) stroke="#000" stroke-width="1" {}
            }
            @if let Some(strip) = strip {
                circle cx=(px(strip)) cy=(px(middle)) r="2.4" fill="#000" {}
            }
            @if stays {
                path d=(format!("M{} {} l-6 -4 v8 z", px(RIGHT), px(middle))) fill="#000" {}
            }
        }
    }
}

fn shortened(id: &str) -> String {
    match id.chars().count() {
        ..10 => id.to_owned(),
        _ => id.chars().take(8).chain(['…']).collect(),
    }
}

fn legend(y: f64) -> Markup {
    html! {
        g {
            rect x="2" y=(px(y + 4.0)) width="14" height="8" fill="#333" {}
            text x="19" y=(px(y + 11.0)) { "set" }
            rect x="42" y=(px(y + 6.0)) width="14" height="4" fill="#777" {}
            text x="59" y=(px(y + 11.0)) { "check round" }
            rect x="118" y=(px(y + 4.0)) width="14" height="8" fill="#fff" stroke="#000" stroke-width="0.7" {}
            text x="135" y=(px(y + 11.0)) { "refill, strip" }
            rect x="194" y=(px(y + 4.0)) width="14" height="8" fill="none" stroke="#000" stroke-width="0.5" stroke-dasharray="2 1.5" {}
            text x="211" y=(px(y + 11.0)) { "break" }
            rect x="244" y=(px(y + 4.0)) width="14" height="8" fill="#ececec" {}
            text x="261" y=(px(y + 11.0)) { "no bag starts" }
            rect x="2" y=(px(y + 18.0)) width="14" height="7" fill="#c4c4c4" stroke="#000" stroke-width="0.4" {}
            text x="19" y=(px(y + 25.0)) { "bag: start to sure finish" }
            line x1="130" x2="130" y1=(px(y + 18.0)) y2=(px(y + 25.0)) stroke="#000" {}
            text x="135" y=(px(y + 25.0)) { "even chance" }
            circle cx="199" cy=(px(y + 21.5)) r="2.4" {}
            text x="205" y=(px(y + 25.0)) { "strip" }
            path d=(format!("M252 {} l-6 -4 v8 z", px(y + 21.5))) {}
            text x="258" y=(px(y + 25.0)) { "stays overnight" }
            text x="2" y=(px(y + 39.0)) { "Planning estimate: label, local law and licensed practice prevail." }
        }
    }
}
