//! How a crew goes about its day: the `[plan]` table of `grove.toml`. All defaults are common
//! practice, without a source.

use super::typed::{Check, Typed};
use crate::text::{FlawKind, read_time_of_day, shown};
use chrono::NaiveTime;
use serde::Deserialize;
use std::collections::BTreeMap;
use toml::Spanned;

/// A crew's habits.
#[derive(Debug, Clone, PartialEq)]
pub struct Habits {
    /// Stay after the start for the leak check, 0 to 60 min. Default 5.
    pub leak_check_min: f64,
    /// From a start to the second look, 5 to 240 min. Default 30.
    pub second_look_min: f64,
    /// What a look may be late, 0 to 120 min. Default 15.
    pub look_slack_min: f64,
    /// One look at one bag, 0 to 30 min. Default 1.
    pub look_min: f64,
    /// Filling a bag again, 0 to 120 min. Default 5.
    pub refill_min: f64,
    /// Walk between two blocks, 0 to 240 min. Default 5.
    pub walk_blocks_min: f64,
    /// Walking pace where trees have coordinates, 10 to 200 m/min. Default 60.
    pub walk_m_per_min: f64,
    /// Breaks of everybody. Default one, 12:00 to 12:30.
    pub breaks: Vec<(NaiveTime, NaiveTime)>,
    /// What a break may begin late, 0 to 120 min. Default 30.
    pub break_slack_min: f64,
    /// Rest in each working hour above 32 degC, 0 to 60 min. Default 10.
    pub heat_rest_min_per_h: f64,
    /// How many of the crew set trees, 1 to 100; the others look after kits. Default: all.
    pub setters: Option<u32>,
    /// Kits by the most ports that they serve; instead of `crew.kits`, which serve any tree.
    pub kits_by_ports: BTreeMap<u32, u32>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct RawHabits {
    leak_check_min: Typed<f64>,
    second_look_min: Typed<f64>,
    look_slack_min: Typed<f64>,
    look_min: Typed<f64>,
    refill_min: Typed<f64>,
    walk_blocks_min: Typed<f64>,
    walk_m_per_min: Typed<f64>,
    breaks: Option<Vec<Spanned<String>>>,
    break_slack_min: Typed<f64>,
    heat_rest_min_per_h: Typed<f64>,
    setters: Typed<i64>,
    kits_by_ports: Option<BTreeMap<Spanned<String>, Spanned<i64>>>,
}

impl RawHabits {
    pub(super) fn checked(self, check: &mut Check) -> Habits {
        let breaks = self
            .breaks
            .map(|typed| typed.into_iter().filter_map(|span| pause(span, check)).collect());
        let noon = |minute| NaiveTime::from_hms_opt(12, minute, 0).unwrap_or_default();
        let mut minutes = |key, typed, low, high, default| {
            check.number_or(key, typed, ("min", low, high), default)
        };
        let leak_check_min = minutes("plan.leak_check_min", self.leak_check_min, 0.0, 60.0, 5.0);
        let second_look_min =
            minutes("plan.second_look_min", self.second_look_min, 5.0, 240.0, 30.0);
        let look_slack_min = minutes("plan.look_slack_min", self.look_slack_min, 0.0, 120.0, 15.0);
        let look_min = minutes("plan.look_min", self.look_min, 0.0, 30.0, 1.0);
        let refill_min = minutes("plan.refill_min", self.refill_min, 0.0, 120.0, 5.0);
        let walk_blocks_min =
            minutes("plan.walk_blocks_min", self.walk_blocks_min, 0.0, 240.0, 5.0);
        let break_slack_min =
            minutes("plan.break_slack_min", self.break_slack_min, 0.0, 120.0, 30.0);
        let heat_rest_min_per_h =
            minutes("plan.heat_rest_min_per_h", self.heat_rest_min_per_h, 0.0, 60.0, 10.0);
        Habits {
            leak_check_min,
            second_look_min,
            look_slack_min,
            look_min,
            refill_min,
            walk_blocks_min,
            walk_m_per_min: check.number_or(
                "plan.walk_m_per_min",
                self.walk_m_per_min,
                ("m/min", 10.0, 200.0),
                60.0,
            ),
            breaks: breaks.unwrap_or_else(|| {
                check.defaulted.push("plan.breaks");
                vec![(noon(0), noon(30))]
            }),
            break_slack_min,
            heat_rest_min_per_h,
            setters: check.whole("plan.setters", self.setters, ("", 1, 100)),
            kits_by_ports: kits(self.kits_by_ports.unwrap_or_default(), check),
        }
    }
}

/// `12:00-12:30`.
fn pause(typed: Spanned<String>, check: &mut Check) -> Option<(NaiveTime, NaiveTime)> {
    let text = typed.get_ref();
    let span = text.split_once('-').and_then(|(from, to)| {
        let (from, to) = (read_time_of_day(from).ok()?, read_time_of_day(to).ok()?);
        (from < to).then_some((from, to))
    });
    if span.is_none() {
        let message = format!("'{}' is not a break; write it as \"12:00-12:30\"", shown(text));
        check.flaw("plan.breaks", Some(typed.span().start), FlawKind::Toml { message });
    }
    span
}

fn kits(typed: BTreeMap<Spanned<String>, Spanned<i64>>, check: &mut Check) -> BTreeMap<u32, u32> {
    let mut kits = BTreeMap::new();
    for (ports, count) in typed {
        let offset = ports.span().start;
        let most = f64::from(super::MOST_PORTS);
        let whole =
            ports.get_ref().parse::<u32>().ok().filter(|it| (1..=super::MOST_PORTS).contains(it));
        let Some(whole) = whole else {
            let value = ports.get_ref().parse().unwrap_or(f64::NAN);
            let remedy = "name the most ports that these kits serve, as \"8\" = 10";
            let problem =
                FlawKind::OutOfRange { value, unit: "ports", low: 1.0, high: most, remedy };
            check.flaw("plan.kits_by_ports", Some(offset), problem);
            continue;
        };
        if let Some(count) = check.whole("plan.kits_by_ports", Some(count), ("kits", 0, 10_000)) {
            kits.insert(whole, count);
        }
    }
    kits
}
