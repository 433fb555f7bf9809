//! A day as text for people: tomorrow, its start window, its outlook; today.

use super::picture;
use super::words::{bullets, clock, day_clock, percent, span, table, wrapped};
use crate::app::desk::Desk;
use crate::app::outlook::{Outlook, Source};
use crate::app::rests::{counted, estimated};
use crate::app::today::{BagNow, Pace, Today};
use crate::app::tomorrow::{StartFinish, Tomorrow, TreeDay};
use crate::app::window::NO_WEATHER;
use crate::app::words::odd;
use crate::plan::overnight::Call;
use chrono::NaiveDate;
use std::fmt::Write;

pub(super) const DEMO: &str = "Demo grove: place, weather and draws are invented.\n";

/// What is amiss with the weather.
pub fn warned(source: &Source) -> String {
    source.warning.as_ref().map_or(String::new(), |words| wrapped(words, 0) + "\n")
}

/// The answer first; only stale weather stands before it.
fn head(answer: &Tomorrow) -> String {
    let source = &answer.outlook.source;
    let mut out = wrapped(&answer.answer, 0);
    match &source.warning {
        Some(_) if source.stale => out = warned(source) + &out,
        Some(warning) => out += &wrapped(warning, 0),
        None => {}
    }
    let _ = writeln!(
        out,
        "{}, {}, times in {}",
        answer.grove,
        answer.date.format("%A %Y-%m-%d"),
        answer.time_zone
    );
    if answer.is_demo {
        out += DEMO;
    }
    out
}

pub fn tomorrow(answer: &Tomorrow) -> String {
    let mut out = head(answer);
    bullets(&mut out, "Why", answer.why.iter().cloned());
    if !answer.outlook.hours.is_empty() {
        let _ = write!(out, "\n{}", picture::day(answer));
    }
    let hourly =
        |start: &&StartFinish| start.barred.is_empty() && start.start.get(14..16) == Some("00");
    out += &curve(answer, answer.start_to_finish.iter().filter(hourly));
    out += &trees(answer);
    let cautions = answer.cautions.iter().map(|c| format!("{}: {}", c.at, c.words));
    bullets(&mut out, "Cautions for this day", cautions);
    bullets(&mut out, "Out of the ordinary", answer.diagnosis.iter().map(odd));
    bullets(&mut out, "What this rests on", answer.rests_on.iter().cloned());
    out
}

/// The bags that hang now.
pub fn today(desk: &Desk, answer: &Today) -> String {
    let mut out = wrapped(&answer.answer, 0);
    let _ = writeln!(
        out,
        "{}, {}, times in {}",
        answer.grove,
        day_clock(&answer.as_of),
        answer.time_zone
    );
    if answer.is_demo {
        out += DEMO;
    }
    if answer.bags.is_empty() {
        return out;
    }
    let date = desk.local_date(desk.as_of);
    let band = |three: &[Option<String>; 3]| match three {
        [Some(low), Some(_), Some(high)] => {
            format!("{}-{}", clock(Some(low), date), clock(Some(high), date))
        }
        [Some(low), ..] => format!("{} or later", clock(Some(low), date)),
        _ => "-".into(),
    };
    let header = [
        "tree",
        "",
        "start",
        "last look",
        "empty at",
        "80 % band\nnow",
        "at start\nthought",
        "empty\nnow?",
        "call",
    ];
    let rows = answer.bags.iter().map(|bag| {
        vec![
            bag.tree_id.clone(),
            match bag.pace {
                Pace::Slow => "slow".into(),
                Pace::Fast => "fast".into(),
                Pace::AsExpected => String::new(),
            },
            clock(Some(&bag.start), date),
            look(bag, date),
            clock(bag.now[1].as_deref(), date),
            band(&bag.now),
            clock(bag.at_start[1].as_deref(), date),
            percent(bag.p_empty_now),
            bag.call.words().to_owned(),
        ]
    });
    let _ = write!(out, "\n{}", table(&header, 2, rows));
    let wet = answer.bags.iter().filter(|bag| bag.call != Call::FinishToday);
    bullets(&mut out, "Because", wet.map(|bag| format!("{}: {}", bag.tree_id, bag.because)));
    let mut mind: Vec<String> = answer.order_of_suspicion.iter().map(ToString::to_string).collect();
    mind.push(answer.night_words.clone());
    mind.push("the label, local law and licensed practice prevail".into());
    bullets(&mut out, "Mind", mind);
    out
}

fn look(bag: &BagNow, date: NaiveDate) -> String {
    let Some(looked) = &bag.looked else { return "none".into() };
    let (at, what) = looked.split_once(' ').unwrap_or((looked, ""));
    let what = what.trim_end_matches(" left");
    let clamped = if bag.clamped { ", clamped" } else { "" };
    format!("{} {what}{clamped}", clock(Some(at), date))
}

fn trees(answer: &Tomorrow) -> String {
    if answer.trees.iter().all(|tree| tree.start.is_none()) {
        return unstarted(answer);
    }
    let title = match answer.worth_it {
        true => "Trees (each alone)",
        false => "Trees, if they were hung all the same (each alone)",
    };
    format!("\n{title}\n{}", started(answer))
}

/// No tree can be started: the reason is one for all of them.
fn unstarted(answer: &Tomorrow) -> String {
    let reason = answer.trees.first().map_or("none", |tree| tree.because.as_str());
    let trees = counted(answer.trees.len(), "tree", "trees");
    "\n".to_owned() + &wrapped(&format!("{trees} on the list, none started: {reason}"), 0)
}

fn started(answer: &Tomorrow) -> String {
    let date = answer.date;
    let by = format!("by\n{}", clock(Some(&answer.latest_done), date));
    let header = ["tree", "block", "call", "start", "takes", "empty between\n(80 %)", &by];
    let marks = answer.start_window.is_some();
    let rows = answer.trees.iter().map(|tree| {
        vec![
            tree.tree_id.clone(),
            tree.block.clone(),
            tree.call.words().to_owned(),
            start(tree, marks, date),
            span(tree.p50_min),
            band(tree, date),
            percent(tree.p_in_time),
        ]
    });
    let mut out = table(&header, 3, rows);
    if marks && answer.trees.iter().any(is_late) {
        out += "  * outside the start window of the typical tree\n";
    }
    if answer.trees.iter().any(|tree| tree.call == Call::DoNotHang && tree.start.is_some()) {
        out += "  ( ) if it were hung: it takes no kit and nobody's time\n";
    }
    out
}

fn is_late(tree: &TreeDay) -> bool {
    tree.in_window == Some(false) && tree.call != Call::DoNotHang
}

fn start(tree: &TreeDay, marks: bool, date: NaiveDate) -> String {
    let at = clock(tree.start.as_deref(), date);
    match tree.call {
        Call::DoNotHang if tree.start.is_some() => format!("({at})"),
        _ if marks && is_late(tree) => format!("{at}*"),
        _ => at,
    }
}

/// The 80 % band of the finish on the clock; open where the weather ends first.
fn band(tree: &TreeDay, date: NaiveDate) -> String {
    match (&tree.empty_p10, &tree.empty_p90) {
        (Some(p10), Some(p90)) => format!("{}-{}", clock(Some(p10), date), clock(Some(p90), date)),
        (Some(p10), None) => format!("{} or later", clock(Some(p10), date)),
        _ => "-".into(),
    }
}

pub fn window(answer: &Tomorrow) -> String {
    let mut out = head(answer);
    out += &curve(answer, answer.start_to_finish.iter());
    bullets(&mut out, "What this rests on", answer.rests_on.iter().cloned());
    out
}

/// Start -> finish of the typical tree; left out where there is no weather for any start.
fn curve<'a>(answer: &Tomorrow, starts: impl Iterator<Item = &'a StartFinish>) -> String {
    let date = answer.date;
    let by = format!("by {}", clock(Some(&answer.latest_done), date));
    let header = ["start", "meets the wish", "P10", "P50", "P90", &by];
    let rows: Vec<Vec<String>> = starts
        .filter(|start| !start.barred.contains(&NO_WEATHER))
        .map(|start| {
            let [p10, p50, p90] = start.finish.each_ref().map(|at| clock(at.as_deref(), date));
            vec![
                clock(Some(&start.start), date),
                start.meets(answer.sure),
                p10,
                p50,
                p90,
                percent(start.sure),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    format!(
        "\nStart -> finish of the typical tree, {}: when it is empty\n{}",
        answer.typical_tree,
        table(&header, 2, rows)
    )
}

pub fn outlook(outlook: &Outlook) -> String {
    let mut out = warned(&outlook.source);
    let _ = writeln!(
        out,
        "Outlook for {}, times in {}",
        outlook.date.format("%A %Y-%m-%d"),
        outlook.time_zone
    );
    if outlook.hours.is_empty() {
        out += "There is no weather for this day: bring weather/forecast.csv up to date.\n";
    } else {
        let _ = write!(out, "\n{}\n{}", hours(outlook), whole_day(outlook));
    }
    let rests = std::iter::once(format!("weather: {}", outlook.source.words));
    let estimated = estimated(outlook).into_iter().map(|words| format!("estimated: {words}"));
    bullets(&mut out, "What this rests on", rests.chain(estimated));
    out
}

fn hours(outlook: &Outlook) -> String {
    let header = [
        "from",
        "",
        "air\ndegC",
        "RH\n%",
        "VPD\nkPa",
        "wind\nm/s",
        "sun\nW/m2",
        "rain\nmm",
        "ref. ET\nmm",
        "demand\n",
    ];
    let mut rows = Vec::new();
    let mut until = None;
    for hour in &outlook.hours {
        if until.is_some_and(|until| until < hour.span.from) {
            rows.push(vec!["-".into(), "no weather".into()]);
        }
        until = Some(hour.span.to);
        let night = hour.night.then(|| "night".to_owned());
        rows.push(vec![
            hour_from(outlook, &hour.hour_starting),
            night.into_iter().chain(hour.hazards.iter().cloned()).collect::<Vec<_>>().join(", "),
            format!("{:.1}", hour.air_temp_c),
            format!("{:.0}", hour.rel_humidity_pct),
            format!("{:.2}", hour.vpd_kpa),
            format!("{:.1}", hour.wind_m_s),
            format!("{:.0}", hour.shortwave_w_m2),
            format!("{:.1}", hour.rain_mm),
            hundredths(hour.reference_et_mm),
            format!("{:.2}", hour.demand),
        ]);
    }
    table(&header, 2, rows)
}

/// The hour's clock time, with its offset from UTC on a day with two.
fn hour_from(outlook: &Outlook, starting: &str) -> String {
    let offset = |time: &str| time.get(19..).unwrap_or_default().to_owned();
    let (first, last) = (outlook.hours.first(), outlook.hours.last());
    let changes = first.map(|h| offset(&h.hour_starting)) != last.map(|h| offset(&h.hour_starting));
    let clock = clock(Some(starting), outlook.date);
    if changes { format!("{clock} {}", offset(starting)) } else { clock }
}

/// Two digits, and no minus before nothing.
fn hundredths(value: f64) -> String {
    let text = format!("{value:.2}");
    if text == "-0.00" { "0.00".into() } else { text }
}

fn whole_day(outlook: &Outlook) -> String {
    let et = outlook.reference_et_mm.map_or("not known".into(), |et| format!("{et:.1} mm"));
    format!(
        "Day: reference ET {et} (FAO-56 eq. 6), rain {:.1} mm, weather for {:.0} % of the day\n",
        outlook.rain_mm,
        100.0 * outlook.coverage
    )
}
