//! A whole series, hour by hour: deficit and reference evapotranspiration.
//!
//! The equations are those of [`humidity`](super::humidity), [`radiation`](super::radiation),
//! [`reference`](mod@super::reference) and [`asce`], fused so that one exponential and one
//! square root serve an hour; a test holds the two ways equal.

use super::asce::{self, Surface};
use super::radiation::{
    ABSORBED, RelativeShortwave, SIGMA_HOUR, clear_sky_share, fourth_power, net_emissivity,
};
use super::reference::Coefficients;
use super::sun::{Light, SunBetween, SunTrack};
use crate::units::{Kilopascal, Millimetres, Place};
use crate::weather::{Hour, Series, Span};
use chrono::{DateTime, NaiveDate, NaiveTime, Timelike, Utc};

/// How high the sun must stand at mid-hour for Rs/Rso to tell of clouds: sin(0.3 rad), some 17
/// degrees (ASCE-EWRI 2005, hourly time step).
const SINE_OF_HIGH_SUN: f64 = 0.295_520_206_661_339_6;

/// Longest time from a high sun for which its clouds stand for other hours (judgement: a night, and
/// one dark day; FAO-56 carries them through one night).
pub const CLOUDS_LAST_HOURS: i64 = 48;

/// Clouds are not carried over a longer gap in the series than this (judgement).
pub const CLOUDS_BRIDGE_HOURS: i64 = 24;

const CLOUDS_LAST_MS: Millis = CLOUDS_LAST_HOURS * 3_600_000;
const CLOUDS_BRIDGE_MS: Millis = CLOUDS_BRIDGE_HOURS * 3_600_000;

/// Which reference evapotranspiration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reference {
    /// FAO-56, eq. 53: grass, the same resistance day and night; night by the sun.
    Fao56,
    /// ASCE-EWRI (2005), short surface (grass); night where net radiation is negative.
    AsceShort,
    /// ASCE-EWRI (2005), tall surface (alfalfa).
    AsceTall,
}

/// The air's pull over one hour of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EvapoHour {
    /// Span of the hour, as in the series.
    pub span: Span,
    /// Mean vapour pressure deficit.
    pub deficit: Kilopascal,
    /// Reference evapotranspiration over the whole span; below 0 where dew forms.
    pub reference_et: Millimetres,
    /// Is the sun's centre above the geometric horizon at the middle of the span?
    pub light: Light,
}

/// Deficit and reference evapotranspiration of every hour of a series, in its order.
///
/// `Delta`, `Rn`, `G` and eq. 53 per hour, as a rate times the length of the span, which may start
/// at any minute and be shorter than an hour. The sun is taken at the span's middle in UTC from the
/// longitude, on days that begin at mean solar midnight.
///
/// Clouds: Rs/Rso is that of the hour where the sun stands at least 0.3 rad high at its middle;
/// other hours carry the last such ratio. Before the first of them its ratio is used backward. No
/// ratio stands for hours more than [`CLOUDS_LAST_HOURS`] away from its own, or beyond a gap longer
/// than [`CLOUDS_BRIDGE_HOURS`]: those take [`RelativeShortwave::ASSUMED`], as does a series without
/// a high sun, and poleward of some 50 degrees midwinter, its first two days apart.
///
/// FAO-56 chapter 4, eq. 53; ASCE-EWRI (2005), eq. 1. Spans of up to a day.
///
/// ```
/// # use xylocast::{evapo::{humidity::*, sequence::*}, units::*, weather::*};
/// // FAO-56 example 19, 14:00-15:00 on 1 October, UTC - 1 h: 0.63 mm
/// let place = Place {
///     latitude: Latitude::new(16.0 + 13.0 / 60.0)?,
///     longitude: Longitude::new(-16.25)?,
///     elevation: Metres::new(8.0)?,
/// };
/// let air = Celsius::new(38.0)?;
/// let hour = Hour {
///     span: Span::hour_from("2026-10-01T15:00:00Z".parse()?),
///     air,
///     vapour_pressure: vapour_pressure(air, Percent::new(52.0)?),
///     wind_2m: MetresPerSecond::new(3.3)?,
///     shortwave: WattsPerSquareMetre::new(2.45 / 0.0036)?,
///     rain: Millimetres::new(0.0)?,
///     pressure: atmospheric_pressure(place.elevation),
///     soil_water_m3_m3: None,
///     flags: Flags::default(),
/// };
/// let hours = hour_by_hour(&Series::new(vec![hour])?, place, Reference::Fao56);
/// assert!((hours[0].reference_et.value() - 0.63).abs() < 0.005);
/// assert!((hours[0].deficit.value() - 3.180).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn hour_by_hour(series: &Series, place: Place, reference: Reference) -> Vec<EvapoHour> {
    let method = Method::of(reference);
    let clear_share = clear_sky_share(place.elevation);
    let mut track = SunTrack::new(place);
    let mut clouds = Clouds::opening(series, track.clone(), clear_share);
    let mut clock = Midnight::default();
    let walk = |hour: &Hour| {
        let (from, to) = clock.millis(hour.span);
        let sun = track.between(from, to);
        let ratio = clouds.over(from, to, ratio_under_high_sun(hour, &sun, clear_share));
        let light = if sun.sine_of_elevation() > 0.0 { Light::Day } else { Light::Night };
        let (deficit, rate_mm_h) = method.deficit_and_rate(hour, ratio, light);
        EvapoHour {
            span: hour.span,
            deficit: Kilopascal::computed(deficit),
            reference_et: Millimetres::computed(rate_mm_h * sun.hours),
            light,
        }
    };
    series.hours().iter().map(walk).collect()
}

/// Reference evapotranspiration within a span, hours at its ends shared out by time.
pub fn reference_et_within(hours: &[EvapoHour], span: Span) -> Millimetres {
    let share = |hour: &EvapoHour| {
        let hours = hour.span.hours();
        if hours > 0.0 { hour.span.overlap_hours(span) / hours } else { 0.0 }
    };
    let first = hours.partition_point(|hour| hour.span.to <= span.from);
    let within = hours[first..].iter().take_while(|hour| hour.span.from < span.to);
    Millimetres::computed(within.map(|hour| hour.reference_et.value() * share(hour)).sum())
}

/// An instant in milliseconds: arithmetic at every hour of a walk must be cheap.
type Millis = i64;

/// No hour starts in here.
const NEVER: (Millis, Millis) = (Millis::MAX, Millis::MIN);

/// Clouds as the last high sun showed them, and the hours for which they stand.
struct Clouds {
    ratio: RelativeShortwave,
    /// Starts of the first hour and the last one that may use the ratio.
    usable: (Millis, Millis),
    /// End of the hour before.
    before: Millis,
}

impl Clouds {
    /// Those of the first high sun, which stand for the hours before it.
    fn opening(series: &Series, mut track: SunTrack, clear_share: f64) -> Self {
        let mut clock = Midnight::default();
        let start = series.span().map_or(0, |span| span.from.timestamp_millis());
        let (mut since, mut before) = (start, start);
        for hour in series.hours() {
            let (from, to) = clock.millis(hour.span);
            since = if is_long(before, from) { from } else { since };
            if let Some(ratio) = ratio_under_high_sun(hour, &track.between(from, to), clear_share) {
                let usable = (since.max(from - CLOUDS_LAST_MS), to + CLOUDS_LAST_MS);
                return Self { ratio, usable, before: start };
            }
            before = to;
        }
        Self { ratio: RelativeShortwave::ASSUMED, usable: NEVER, before: start }
    }

    /// The ratio to use for an hour, given its own where it has one.
    #[inline]
    fn over(
        &mut self,
        from: Millis,
        to: Millis,
        own: Option<RelativeShortwave>,
    ) -> RelativeShortwave {
        if let Some(own) = own {
            (self.ratio, self.usable) = (own, (from, to + CLOUDS_LAST_MS));
        } else if is_long(self.before, from) && self.usable.0 < from {
            self.usable = NEVER;
        }
        self.before = to;
        let usable = self.usable.0 <= from && from <= self.usable.1;
        if usable { self.ratio } else { RelativeShortwave::ASSUMED }
    }
}

/// Spans in milliseconds, one after another: instants of a date share its midnight.
#[derive(Debug, Default)]
struct Midnight {
    date: NaiveDate,
    ms: Millis,
}

impl Midnight {
    fn millis(&mut self, span: Span) -> (Millis, Millis) {
        (self.millis_at(span.from), self.millis_at(span.to))
    }

    #[inline]
    fn millis_at(&mut self, at: DateTime<Utc>) -> Millis {
        let at = at.naive_utc();
        if at.date() != self.date {
            self.date = at.date();
            self.ms = at.date().and_time(NaiveTime::MIN).and_utc().timestamp_millis();
        }
        let time = at.time();
        let seconds = Millis::from(time.num_seconds_from_midnight());
        self.ms + seconds * 1000 + Millis::from(time.nanosecond() / 1_000_000)
    }
}

/// Is it too long from the end of one hour to the start of the next for clouds to be carried?
fn is_long(before: Millis, from: Millis) -> bool {
    from - before > CLOUDS_BRIDGE_MS
}

#[inline]
fn ratio_under_high_sun(
    hour: &Hour,
    sun: &SunBetween<'_>,
    clear_share: f64,
) -> Option<RelativeShortwave> {
    if sun.sine_of_elevation() < SINE_OF_HIGH_SUN {
        return None;
    }
    let rso = clear_share * sun.extraterrestrial().value();
    let rs = hour.shortwave.value() * 0.0036 * sun.hours;
    (rso > 0.0).then(|| RelativeShortwave::held(rs / rso))
}

/// One of the three hourly equations, as numbers.
struct Method {
    sigma: f64,
    slope: f64,
    by_day: Coefficients,
    by_night: Coefficients,
    soil_by_day: f64,
    soil_by_night: f64,
    night_by_the_sun: bool,
}

impl Method {
    fn of(reference: Reference) -> Self {
        match reference {
            Reference::Fao56 => Self {
                sigma: SIGMA_HOUR,
                slope: 4098.0 * 0.6108,
                by_day: Coefficients::FAO56_HOUR,
                by_night: Coefficients::FAO56_HOUR,
                soil_by_day: 0.1,
                soil_by_night: 0.5,
                night_by_the_sun: true,
            },
            Reference::AsceShort => Self::asce(Surface::Short),
            Reference::AsceTall => Self::asce(Surface::Tall),
        }
    }

    fn asce(surface: Surface) -> Self {
        Self {
            sigma: asce::SIGMA_HOUR,
            slope: asce::SLOPE,
            by_day: surface.hourly_by_day(),
            by_night: surface.hourly_by_night(),
            soil_by_day: surface.soil_share_by_day(),
            soil_by_night: surface.soil_share_by_night(),
            night_by_the_sun: false,
        }
    }

    /// kPa, and mm per hour.
    #[inline]
    fn deficit_and_rate(&self, hour: &Hour, ratio: RelativeShortwave, light: Light) -> (f64, f64) {
        let t = hour.air.value();
        let u2 = hour.wind_2m.value();
        let gamma = 0.665e-3 * hour.pressure.value();
        let above = t + 237.3;
        let e = (17.27 * t / above).exp();
        let vpd = (0.6108 * e - hour.vapour_pressure.value()).max(0.0);
        let longwave = fourth_power(hour.air) * net_emissivity(hour.vapour_pressure);
        let rn =
            ABSORBED * 0.0036 * hour.shortwave.value() - self.sigma * longwave * ratio.cloudiness();
        let night = if self.night_by_the_sun { light == Light::Night } else { rn < 0.0 };
        let (Coefficients { numerator: cn, denominator: cd }, soil) = if night {
            (self.by_night, self.soil_by_night)
        } else {
            (self.by_day, self.soil_by_day)
        };
        // eq. 53 with both sides of its fraction times (T + 237.3)^2 (T + 273): one division for three
        let (square, kelvin) = (above * above, t + 273.0);
        let slope = self.slope * e;
        let energy = 0.408 * slope * (rn - soil * rn) * kelvin;
        let air = gamma * cn * u2 * vpd * square;
        (vpd, (energy + air) / ((slope + gamma * (1.0 + cd * u2) * square) * kelvin))
    }
}
