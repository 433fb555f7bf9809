//! The answer in one sentence, and why.

use super::ahead::Ahead;
use super::desk::Desk;
use super::outlook::{Outlook, OutlookHour, RAIN_MM};
use super::tomorrow::Counts;
use super::window::{NO_WEATHER, Starts, clock_time};
use crate::plan::percent;
use crate::weather::{Flag, Span};
use chrono::{DateTime, Utc};

/// What to do where weather is missing.
/// What to do where the weather does not reach.
pub const RENEW: &str = "Bring weather/forecast.csv up to date and ask again.";

/// What a sentence is about.
pub struct Subject<'a> {
    /// The grove.
    pub desk: &'a Desk,
    /// Its weather.
    pub ahead: &'a Ahead,
    /// The day.
    pub outlook: &'a Outlook,
    /// Its starts.
    pub starts: &'a Starts,
    /// Its trees.
    pub counts: &'a Counts,
}

impl Subject<'_> {
    /// The answer in one sentence.
    pub fn answer(&self) -> String {
        match self.starts.window {
            Some(window) if self.counts.hung > 0 => self.good(window),
            Some(window) => format!(
                "Not a day to hang: a start {} would do for the typical tree, but no tree on the \
                 list can be hung{}.",
                self.between(window),
                self.rest()
            ),
            None => self.no_window(),
        }
    }

    fn good(&self, window: Span) -> String {
        let (sure, hung) = (self.counts.surely_empty, self.counts.hung);
        let lead = if 2 * sure >= hung { "Good day to hang" } else { "Day with a catch" };
        let done = self.clock(self.starts.latest_done);
        let bags = match (sure, hung) {
            (1, 1) => "the one bag empty".into(),
            (0, 1) => "the one bag not surely empty".into(),
            (0, hung) => format!("none of {hung} bags surely empty"),
            (sure, hung) if sure == hung => format!("all {hung} empty"),
            (sure, hung) => format!("at least {sure} of {hung} empty"),
        };
        let together = if hung == 1 { "" } else { ", all together" };
        let wish = (100.0 * self.starts.sure).round();
        format!(
            "{lead}: start {}; {bags} before {done} ({wish} % sure{together}){}.",
            self.between(window),
            self.rest()
        )
    }

    /// What becomes of the others.
    fn rest(&self) -> String {
        let counts = self.counts;
        let rest = [
            (counts.overnight, "may stay overnight"),
            (counts.strip, "to strip at dusk if still wet"),
            (counts.do_not_hang, "not to hang"),
            (counts.not_reached, "not reached by people or kits"),
            (counts.not_known, "not known: the weather ends first"),
        ];
        rest.iter()
            .filter(|(count, _)| *count > 0)
            .map(|(count, words)| format!(", {count} {words}"))
            .collect()
    }

    fn no_window(&self) -> String {
        let (starts, done) = (self.starts, self.clock(self.starts.latest_done));
        let Some(first) = starts.starts.first() else {
            return format!("Not a day to hang: no bag can run before {done}.");
        };
        let bars = starts.bars();
        let unknown = |start: &&crate::plan::window::Start| {
            start.barred.contains(&NO_WEATHER) || (start.barred.is_empty() && start.sure.is_none())
        };
        if starts.starts.iter().any(|start| unknown(&start)) {
            return self.not_known(Span { from: first.at, to: starts.latest_done });
        }
        if !bars.is_empty() {
            return format!(
                "Not a day to hang: no start from {} to {done} is allowed ({}).",
                self.clock(first.at),
                bars.join(", ")
            );
        }
        let best = starts.best().map_or(String::new(), |best| {
            let sure = percent(best.sure.unwrap_or_default());
            format!("; the best, {}, gives {sure}", self.clock(best.at))
        });
        format!(
            "Not a day to hang: no start makes the typical tree empty before {done} with {:.0} % \
             sureness{best}.",
            100.0 * starts.sure
        )
    }

    /// Which weather is missing, what cannot be done without it, and what to do.
    fn not_known(&self, wanted: Span) -> String {
        let series = &self.ahead.series;
        let holes = series.gaps();
        let hole = holes.iter().find(|gap| gap.span.from < wanted.to && gap.span.to > wanted.from);
        let missing = match (series.within(wanted), hole) {
            ([], _) => {
                return format!(
                    "Not known: there is no weather for {}, so no start, no time and no overnight \
                     call can be given. {RENEW}",
                    self.outlook.date
                );
            }
            (_, Some(hole)) => format!(
                "the weather has a hole from {} to {}",
                self.clock(hole.span.from),
                self.clock(hole.span.to)
            ),
            ([first, ..], None) if first.span.from > wanted.from => {
                format!("the weather begins at {}", self.clock(first.span.from))
            }
            ([.., last], None) => format!("the weather ends at {}", self.clock(last.span.to)),
        };
        let done = self.clock(wanted.to);
        format!("Not known: {missing}, so nobody can tell what is empty by {done}. {RENEW}")
    }

    fn between(&self, window: Span) -> String {
        match window.from == window.to {
            true => format!("at {}", self.clock(window.from)),
            false => format!("{}-{}", self.clock(window.from), self.clock(window.to)),
        }
    }

    fn clock(&self, at: DateTime<Utc>) -> String {
        clock_time(self.desk, at)
    }
}

/// The day in figures, from dawn to dusk; all of it where the sun stays down.
pub fn why(outlook: &Outlook, desk: &Desk) -> Vec<String> {
    let light = |hour: &&OutlookHour| outlook.turns.polar_night || !hour.night;
    let day: Vec<&OutlookHour> = outlook.hours.iter().filter(light).collect();
    if day.is_empty() {
        return vec!["no weather by daylight".into()];
    }
    let time = |hour: &OutlookHour| clock_time(desk, hour.span.middle());
    let top = |value: fn(&OutlookHour) -> f64| {
        day.iter().copied().max_by(|a, b| value(a).total_cmp(&value(b))).unwrap_or(day[0])
    };
    let (warm, dry, pull) = (top(|h| h.air_temp_c), top(|h| h.vpd_kpa), top(|h| h.demand));
    let cool = day.iter().map(|hour| hour.air_temp_c).fold(f64::INFINITY, f64::min);
    let mut why = vec![
        format!(
            "demand peaks at {:.2} about {} (1 = fair weather: 700 W/m2 and 1.5 kPa)",
            pull.demand,
            time(pull)
        ),
        format!("VPD up to {:.1} kPa about {}", dry.vpd_kpa, time(dry)),
        format!("air {:.0} to {:.0} degC, warmest about {}", cool, warm.air_temp_c, time(warm)),
    ];
    if let Some(et) = outlook.reference_et_mm {
        why.push(format!("reference ET {et:.1} mm over the day (FAO-56)"));
    }
    why.push(rain(outlook, desk));
    if outlook.coverage < 0.999 {
        why.push(format!("weather for {:.0} % of the day only", 100.0 * outlook.coverage));
    }
    why
}

fn rain(outlook: &Outlook, desk: &Desk) -> String {
    let wet: Vec<_> = outlook.hours.iter().filter(|hour| hour.rain_mm >= RAIN_MM).collect();
    if let (Some(first), Some(last)) = (wet.first(), wet.last()) {
        return format!(
            "rain {:.1} mm between {} and {}",
            outlook.rain_mm,
            clock_time(desk, first.span.from),
            clock_time(desk, last.span.to)
        );
    }
    let unknown = Flag::RainUnknown.words();
    match outlook.hours.iter().any(|hour| hour.estimated.contains(&unknown)) {
        true => "rain is not in the weather: look at another forecast".into(),
        false => "no rain".into(),
    }
}
