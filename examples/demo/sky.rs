//! The weather that was: fronts that cross every five or so days, clouds that come and go between
//! them, and the sun of the place.

use super::dice::Dice;
use super::table::Air;
use super::{ZONE, as_of, at, date, first_day, place, standard_hour};
use chrono::{DateTime, NaiveDate, TimeDelta, Timelike, Utc};
use std::collections::{BTreeMap, BTreeSet};
use xylocast::evapo::humidity::saturation_vapour_pressure;
use xylocast::evapo::radiation::clear_sky;
use xylocast::evapo::sun::SunTrack;
use xylocast::units::Celsius;
use xylocast::weather::Span;

/// When fronts crossed: month, day, hour. The last one is still to come.
const FRONTS: [(u32, u32, i64); 17] = [
    (9, 22, 6),
    (9, 28, 14),
    (10, 3, 20),
    (10, 9, 10),
    (10, 16, 4),
    (10, 21, 17),
    (10, 28, 9),
    (11, 2, 22),
    (11, 9, 13),
    (11, 14, 5),
    (11, 20, 18),
    (11, 27, 3),
    (12, 2, 15),
    (12, 8, 21),
    (12, 13, 11),
    (12, 17, 7),
    (12, 23, 15),
];

/// Where an hour stands between two fronts.
struct Phase {
    /// 0 at the front that was, 1 at the one to come.
    share: f64,
    /// How near either is, 0 to 1.
    near: f64,
}

/// Every hour from the first midnight to [`as_of`].
pub fn hours() -> Vec<Air> {
    let mut sky = Sky::new();
    let mut ends = at(first_day(), 60);
    let mut hours = Vec::new();
    while ends <= as_of() {
        hours.push(sky.hour(ends));
        ends += TimeDelta::hours(1);
    }
    hours
}

/// The same as the station kept it: two hours lost one morning, five in one night.
pub fn with_gaps(mut hours: Vec<Air>) -> Vec<Air> {
    let short = (at(date(2025, 10, 26), 9 * 60), at(date(2025, 10, 26), 10 * 60));
    let long = (at(date(2025, 11, 16), 60), at(date(2025, 11, 16), 5 * 60));
    let lost = |hour: &Air| {
        [short, long].iter().any(|(first, last)| (*first..=*last).contains(&hour.ends))
    };
    hours.retain(|hour| !lost(hour));
    hours
}

/// Dates with 1 mm or more between 7:00 and noon, when nobody starts a bag.
pub fn rainy_mornings(hours: &[Air]) -> BTreeSet<NaiveDate> {
    let mut fell_mm: BTreeMap<NaiveDate, f64> = BTreeMap::new();
    for hour in hours {
        let shown = hour.ends.with_timezone(&ZONE);
        if (8..=12).contains(&shown.hour()) {
            *fell_mm.entry(shown.date_naive()).or_default() += hour.rain_mm;
        }
    }
    fell_mm.into_iter().filter(|(_, mm)| *mm >= 1.0).map(|(date, _)| date).collect()
}

/// Mean shortwave of a clear hour, W/m2 (FAO-56 eq. 28 and 37).
pub fn clear_w_m2(span: Span) -> f64 {
    let above = SunTrack::new(place()).over(span).extraterrestrial;
    clear_sky(above, place().elevation).value() / 0.0036
}

/// Swing of air temperature about the day's mean, -1 to 1: warmest at 14:30 by the sun's clock.
pub fn swing(middle: DateTime<Utc>) -> f64 {
    (std::f64::consts::TAU * (standard_hour(middle) - 14.5) / 24.0).cos()
}

/// What the weather remembers from one hour to the next.
struct Sky {
    dice: Dice,
    /// Share of a clear sky's shortwave that comes through.
    through: f64,
    overcast: bool,
    /// Cloudiness of the last hours, 0 to 1.
    lately: f64,
    /// Odd warmth, odd damp and odd wind of the hour.
    odd: [f64; 3],
}

impl Sky {
    fn new() -> Self {
        Self { dice: Dice::new(1), through: 0.9, overcast: false, lately: 0.3, odd: [0.0; 3] }
    }

    fn hour(&mut self, ends: DateTime<Utc>) -> Air {
        let span = Span { from: ends - TimeDelta::hours(1), to: ends };
        let phase = phase(span.middle());
        self.drift();
        self.cloud(&phase);
        let spring = days_in(span.middle()) / 90.0;
        let air_c = 12.0
            + 7.5 * spring
            + warmth(&phase)
            + (7.0 - 4.0 * self.lately) * swing(span.middle())
            + self.odd[0];
        let dew_c = 6.0 + 3.5 * spring - 3.5 * phase.share + 4.0 * phase.near + self.odd[1];
        Air {
            ends,
            air_c,
            vapour_kpa: vapour_kpa(air_c, dew_c),
            wind_m_s: self.wind(&phase, span.middle()),
            shortwave_w_m2: self.through * clear_w_m2(span),
            rain_mm: self.rain(&phase),
            pressure_kpa: 96.9 - 0.7 * phase.near + 0.25 * self.odd[1] / 2.0,
        }
    }

    fn drift(&mut self) {
        for (value, sd) in self.odd.iter_mut().zip([0.7, 0.9, 0.5]) {
            *value = 0.9 * *value + sd * 0.436 * self.dice.normal();
        }
    }

    /// Clouds stay as they are for a few hours, then are cast anew.
    fn cloud(&mut self, phase: &Phase) {
        if self.dice.chance(0.3) {
            let overcast = 0.08 + 0.75 * phase.near;
            let broken = overcast + 0.35 * (1.0 - overcast);
            let cast = self.dice.even();
            self.overcast = cast < overcast;
            self.through = match cast {
                _ if self.overcast => self.dice.between(0.14, 0.34),
                cast if cast < broken => self.dice.between(0.5, 0.85),
                _ => self.dice.between(0.92, 0.99),
            };
        }
        self.lately = 0.9 * self.lately + 0.1 * (1.0 - self.through);
    }

    fn rain(&mut self, phase: &Phase) -> f64 {
        let rains = self.overcast && phase.near > 0.3 && self.dice.chance(0.55);
        if rains { -1.4 * self.dice.even().ln() } else { 0.0 }
    }

    fn wind(&mut self, phase: &Phase, middle: DateTime<Utc>) -> f64 {
        let breeze = 1.6 + 0.9 * swing(middle) + 1.8 * phase.near;
        (breeze * (1.0 + 0.5 * self.odd[2])).max(0.2)
    }
}

/// Vapour pressure from a dew point, held below saturation.
pub fn vapour_kpa(air_c: f64, dew_c: f64) -> f64 {
    let saturated = |celsius| saturation_vapour_pressure(Celsius::computed(celsius)).value();
    saturated(dew_c).min(0.97 * saturated(air_c))
}

/// Cold behind a front, then warmer from day to day until the next.
fn warmth(phase: &Phase) -> f64 {
    -3.5 + 11.0 * phase.share * phase.share - 3.0 * phase.near * phase.share
}

fn phase(middle: DateTime<Utc>) -> Phase {
    let fronts: Vec<DateTime<Utc>> =
        FRONTS.iter().map(|&(month, day, hour)| at(date(2025, month, day), hour * 60)).collect();
    let next = fronts.partition_point(|front| *front <= middle);
    let hours = |span: TimeDelta| span.num_minutes() as f64 / 60.0;
    let (since, until) = (hours(middle - fronts[next - 1]), hours(fronts[next] - middle));
    let near = (-until / 7.0).exp() + (-since / 11.0).exp();
    Phase { share: since / (since + until), near: near.min(1.0) }
}

fn days_in(at: DateTime<Utc>) -> f64 {
    (at - super::at(first_day(), 0)).num_minutes() as f64 / 1440.0
}
