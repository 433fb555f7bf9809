//! The sun as FAO-56 sees it: chapter 3, eq. 21 to 34.
//!
//! Geometric, without refraction, with a declination up to 1 degree off (mid October): right for
//! radiation, wrong for sunrise times, which are [`almanac`](super::almanac)'s. The paper counts
//! longitudes positive west; here they are positive east, and clock time is UTC.

use super::EvapoError;
use crate::units::{Hours, Latitude, Longitude, Megajoules, Place, Radians};
use crate::weather::Span;
use chrono::{Datelike, NaiveDate};
use std::f64::consts::{PI, TAU};
use std::sync::LazyLock;

/// Solar constant, MJ m-2 min-1.
const GSC: f64 = 0.0820;
const DAY_MS: i64 = 86_400_000;
const HOUR_MS: i64 = 3_600_000;

/// Number of a day in its year, 1 January being 1.
///
/// FAO-56 annex 2, table 2.5. In leap years it follows the calendar to 366, while the equations keep
/// 365 as their divisor.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct DayOfYear(u16);

impl DayOfYear {
    /// A checked number.
    ///
    /// # Errors
    /// [`EvapoError::NoSuchDayOfYear`] outside 1 to 366.
    pub fn new(number: u32) -> Result<Self, EvapoError> {
        u16::try_from(number)
            .ok()
            .filter(|number| (1..=366).contains(number))
            .map(Self)
            .ok_or(EvapoError::NoSuchDayOfYear { number })
    }

    /// Of a date.
    ///
    /// ```
    /// # use xylocast::evapo::sun::DayOfYear;
    /// // Example 8: 3 September
    /// let date = chrono::NaiveDate::from_ymd_opt(2026, 9, 3).unwrap();
    /// assert_eq!(DayOfYear::of(date).number(), 246);
    /// ```
    pub fn of(date: NaiveDate) -> Self {
        Self(date.ordinal() as u16)
    }

    /// As a number.
    pub fn number(self) -> u32 {
        self.0.into()
    }

    fn j(self) -> f64 {
        self.0.into()
    }
}

/// Is the sun up?
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Light {
    /// Between sunrise and sunset.
    Day,
    /// The rest.
    Night,
}

/// Latitude in radians: `phi = pi / 180 (degrees)`.
///
/// FAO-56 chapter 3, eq. 22.
///
/// ```
/// # use xylocast::{evapo::sun::latitude_in_radians, units::Latitude};
/// // Example 7: 22 degrees 54 minutes south
/// let phi = latitude_in_radians(Latitude::new(-(22.0 + 54.0 / 60.0))?);
/// assert!((phi.value() + 0.400).abs() < 0.0005);
/// # Ok::<(), xylocast::units::OutOfRange>(())
/// ```
pub fn latitude_in_radians(latitude: Latitude) -> Radians {
    Radians::computed(latitude.value().to_radians())
}

/// Inverse relative distance Earth-Sun.
///
/// `dr = 1 + 0.033 cos(2 pi J / 365)`
///
/// FAO-56 chapter 3, eq. 23.
///
/// ```
/// # use xylocast::evapo::sun::{DayOfYear, inverse_relative_distance};
/// // Example 8: day 246
/// assert!((inverse_relative_distance(DayOfYear::new(246)?) - 0.985).abs() < 0.0005);
/// # Ok::<(), xylocast::evapo::EvapoError>(())
/// ```
pub fn inverse_relative_distance(day: DayOfYear) -> f64 {
    1.0 + 0.033 * (TAU / 365.0 * day.j()).cos()
}

/// Solar declination.
///
/// `delta = 0.409 sin(2 pi J / 365 - 1.39)`
///
/// FAO-56 chapter 3, eq. 24; up to 1.0 degree off in October.
///
/// ```
/// # use xylocast::evapo::sun::{DayOfYear, solar_declination};
/// // Example 8: day 246
/// assert!((solar_declination(DayOfYear::new(246)?).value() - 0.120).abs() < 0.0005);
/// # Ok::<(), xylocast::evapo::EvapoError>(())
/// ```
pub fn solar_declination(day: DayOfYear) -> Radians {
    Radians::computed(0.409 * (TAU / 365.0 * day.j() - 1.39).sin())
}

/// Sunset hour angle.
///
/// `ws = arccos(-tan(phi) tan(delta))`, limited to 0 in polar night and pi in polar day.
///
/// FAO-56 chapter 3, eq. 25 (eq. 26 and 27 are the same without an arccosine).
///
/// ```
/// # use xylocast::{evapo::sun::{DayOfYear, sunset_hour_angle}, units::Latitude};
/// // Example 8: 20 degrees south, day 246
/// let ws = sunset_hour_angle(Latitude::new(-20.0)?, DayOfYear::new(246)?);
/// assert!((ws.value() - 1.527).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn sunset_hour_angle(latitude: Latitude, day: DayOfYear) -> Radians {
    Radians::computed(SunDay::new(latitude, day).sunset().w)
}

/// Extraterrestrial radiation of a day.
///
/// `Ra = 24 60 / pi Gsc dr (ws sin(phi) sin(delta) + cos(phi) cos(delta) sin(ws))`
///
/// FAO-56 chapter 3, eq. 21.
///
/// ```
/// # use xylocast::{evapo::sun::{DayOfYear, extraterrestrial_radiation}, units::Latitude};
/// // Example 8: 20 degrees south, day 246
/// let ra = extraterrestrial_radiation(Latitude::new(-20.0)?, DayOfYear::new(246)?);
/// assert!((ra.value() - 32.2).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn extraterrestrial_radiation(latitude: Latitude, day: DayOfYear) -> Megajoules {
    let sun @ SunDay { ss, cc, scale, .. } = SunDay::new(latitude, day);
    let sunset = sun.sunset();
    Megajoules::computed(2.0 * scale * (sunset.w * ss + cc * sunset.sin))
}

/// Seasonal correction of solar time, in hours (the equation of time).
///
/// `Sc = 0.1645 sin(2b) - 0.1255 cos(b) - 0.025 sin(b)`, `b = 2 pi (J - 81) / 364`
///
/// FAO-56 chapter 3, eq. 32 and 33.
///
/// ```
/// # use xylocast::evapo::sun::{DayOfYear, seasonal_correction_h};
/// // Example 19: day 274
/// assert!((seasonal_correction_h(DayOfYear::new(274)?) - 0.1889).abs() < 0.0005);
/// # Ok::<(), xylocast::evapo::EvapoError>(())
/// ```
pub fn seasonal_correction_h(day: DayOfYear) -> f64 {
    let b = TAU * (day.j() - 81.0) / 364.0;
    0.1645 * (2.0 * b).sin() - 0.1255 * b.cos() - 0.025 * b.sin()
}

/// Solar time angle at the middle of a period, between -pi and pi, 0 at solar noon.
///
/// `w = pi / 12 (t + Lon / 15 + Sc - 12)`, with `t` in UTC and `Lon` positive east
///
/// FAO-56 chapter 3, eq. 31, whose `0.06667 (Lz - Lm)` is the same for a zone centred at 0, with
/// 1/15 rounded.
///
/// ```
/// # use xylocast::evapo::sun::{DayOfYear, solar_time_angle};
/// # use xylocast::units::{Hours, Longitude};
/// // Example 19: 14:30 in the zone centred at 15 degrees west is 15:30 UTC; 16.25 degrees west
/// let w = solar_time_angle(Hours::new(15.5)?, Longitude::new(-16.25)?, DayOfYear::new(274)?);
/// assert!((w.value() - 0.682).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn solar_time_angle(middle_utc: Hours, longitude: Longitude, day: DayOfYear) -> Radians {
    let t = middle_utc.value() + longitude.value() / 15.0 + seasonal_correction_h(day);
    Radians::computed((PI / 12.0 * (t - 12.0) + PI).rem_euclid(TAU) - PI)
}

/// Elevation of the sun above the horizon, negative below it.
///
/// `sin(beta) = sin(phi) sin(delta) + cos(phi) cos(delta) cos(w)`
///
/// FAO-56 does not number it; ASCE-EWRI (2005), eq. 62, uses it to tell a high sun (0.3 rad).
/// Geometric: refraction, up to half a degree at the horizon, is left out.
///
/// ```
/// # use xylocast::{evapo::sun::*, units::{Latitude, Radians}};
/// // at noon it is 90 degrees - latitude + declination
/// let day = DayOfYear::new(172)?;
/// let beta = sun_elevation(Latitude::new(40.0)?, day, Radians::new(0.0)?);
/// let noon = 50.0_f64.to_radians() + solar_declination(day).value();
/// assert!((beta.value() - noon).abs() < 1e-12);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn sun_elevation(latitude: Latitude, day: DayOfYear, angle: Radians) -> Radians {
    let sine = SunDay::new(latitude, day).sine_of_elevation(angle.value().cos());
    Radians::computed(sine.clamp(-1.0, 1.0).asin())
}

/// Extraterrestrial radiation over a period of up to a day.
///
/// `Ra = 12 60 / pi Gsc dr ((w2 - w1) sin(phi) sin(delta) + cos(phi) cos(delta) (sin(w2) - sin(w1)))`,
/// `w1 = w - pi t / 24`, `w2 = w + pi t / 24`, both held within sunrise and sunset
///
/// FAO-56 chapter 3, eq. 28 to 30. A period that reaches across solar midnight may meet the sun of
/// both days (the white nights); both parts are counted, while programs that clamp the two angles
/// once lose one.
///
/// ```
/// # use xylocast::{evapo::sun::*, units::{Hours, Latitude, Radians}};
/// // Example 19, 14:00-15:00: 16 degrees 13 minutes north, day 274, w = 0.682
/// let latitude = Latitude::new(16.0 + 13.0 / 60.0)?;
/// let (angle, hour) = (Radians::new(0.68215)?, Hours::new(1.0)?);
/// let ra = hourly_extraterrestrial_radiation(latitude, DayOfYear::new(274)?, angle, hour);
/// assert!((ra.value() - 3.543).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn hourly_extraterrestrial_radiation(
    latitude: Latitude,
    day: DayOfYear,
    middle: Radians,
    length: Hours,
) -> Megajoules {
    let half = Angle::new(PI / 24.0 * length.value());
    Megajoules::computed(SunDay::new(latitude, day).radiation(Angle::new(middle.value()), half))
}

/// Daylight hours.
///
/// `N = 24 / pi ws`, 0 in polar night and 24 in polar day
///
/// FAO-56 chapter 3, eq. 34: the yardstick for sunshine hours; up to half an hour short of the
/// almanac's day below 60 degrees of latitude.
///
/// ```
/// # use xylocast::{evapo::sun::{DayOfYear, daylight_hours}, units::Latitude};
/// // Example 9: 20 degrees south, day 246
/// let n = daylight_hours(Latitude::new(-20.0)?, DayOfYear::new(246)?);
/// assert!((n.value() - 11.7).abs() < 0.05);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
pub fn daylight_hours(latitude: Latitude, day: DayOfYear) -> Hours {
    Hours::computed(24.0 / PI * SunDay::new(latitude, day).sunset().w)
}

/// What the number of a day alone decides of its sun.
#[derive(Debug, Clone, Copy)]
struct Season {
    sin_delta: f64,
    cos_delta: f64,
    /// 12 60 / pi Gsc dr
    scale: f64,
    sc: f64,
}

/// One a day of the year: a walk over years, or over many places, meets the same days again.
static SEASONS: LazyLock<Vec<Season>> =
    LazyLock::new(|| (1..=366).map(|number| Season::worked_out(DayOfYear(number))).collect());

impl Season {
    fn of(day: DayOfYear) -> Self {
        SEASONS[usize::from(day.0) - 1]
    }

    fn worked_out(day: DayOfYear) -> Self {
        let (sin_delta, cos_delta) = solar_declination(day).value().sin_cos();
        let scale = 12.0 * 60.0 / PI * GSC * inverse_relative_distance(day);
        Self { sin_delta, cos_delta, scale, sc: seasonal_correction_h(day) }
    }
}

/// An angle with its sine and its cosine.
#[derive(Debug, Clone, Copy, Default)]
struct Angle {
    w: f64,
    sin: f64,
    cos: f64,
}

impl Angle {
    /// Half of what the sun moves on in an hour.
    const HALF_HOUR: Self =
        Self { w: PI / 24.0, sin: 0.130_526_192_220_051_6, cos: 0.991_444_861_373_810_4 };

    /// What the sun moves on in an hour.
    const HOUR: Self =
        Self { w: PI / 12.0, sin: 0.258_819_045_102_520_74, cos: 0.965_925_826_289_068_3 };

    fn new(w: f64) -> Self {
        let (sin, cos) = w.sin_cos();
        Self { w, sin, cos }
    }

    /// Between 0 and pi.
    fn of_cosine(cos: f64) -> Self {
        Self { w: cos.acos(), sin: ((1.0 - cos) * (1.0 + cos)).sqrt(), cos }
    }

    #[inline]
    fn plus(self, other: Self) -> Self {
        Self {
            w: self.w + other.w,
            sin: self.sin * other.cos + self.cos * other.sin,
            cos: self.cos * other.cos - self.sin * other.sin,
        }
    }

    fn negative(self) -> Self {
        Self { w: -self.w, sin: -self.sin, cos: self.cos }
    }
}

/// All that eq. 21 to 34 need of one latitude and day.
#[derive(Debug, Clone, Copy, Default)]
struct SunDay {
    /// sin(phi) sin(delta)
    ss: f64,
    /// cos(phi) cos(delta)
    cc: f64,
    /// 12 60 / pi Gsc dr
    scale: f64,
    sc: f64,
}

impl SunDay {
    fn new(latitude: Latitude, day: DayOfYear) -> Self {
        Self::at(Angle::new(latitude.value().to_radians()), day)
    }

    fn at(phi: Angle, day: DayOfYear) -> Self {
        let Season { sin_delta, cos_delta, scale, sc } = Season::of(day);
        Self { ss: phi.sin * sin_delta, cc: phi.cos * cos_delta, scale, sc }
    }

    /// Eq. 25.
    fn sunset(&self) -> Angle {
        Angle::of_cosine((-self.ss / self.cc).clamp(-1.0, 1.0))
    }

    /// Eq. 31.
    fn angle_at(&self, mean_solar_h: f64) -> Angle {
        Angle::new(PI / 12.0 * (mean_solar_h + self.sc - 12.0))
    }

    #[inline]
    fn sine_of_elevation(&self, cos_w: f64) -> f64 {
        self.ss + self.cc * cos_w
    }

    /// Eq. 28 from half a period before an angle to half a period after it.
    #[inline]
    fn radiation(&self, middle: Angle, half: Angle) -> f64 {
        let far_from_noon = middle.cos * half.cos - middle.sin.abs() * half.sin;
        if middle.w.abs() + half.w <= PI && self.sine_of_elevation(far_from_noon) >= 0.0 {
            // sin(w2) - sin(w1) = 2 cos(w) sin(half)
            let Self { ss, cc, scale, .. } = self;
            return (scale * 2.0 * (half.w * ss + cc * middle.cos * half.sin)).max(0.0);
        }
        self.radiation_at_edges(middle.plus(half.negative()), middle.plus(half))
    }

    #[cold]
    fn radiation_at_edges(&self, from: Angle, to: Angle) -> f64 {
        let Self { ss, cc, scale, .. } = self;
        let sunset = self.sunset();
        let arc = |noon: f64| {
            let (rise, set) = (noon - sunset.w, noon + sunset.w);
            let (w1, sin_1) = if from.w > rise { (from.w, from.sin) } else { (rise, -sunset.sin) };
            let (w2, sin_2) = if to.w < set { (to.w, to.sin) } else { (set, sunset.sin) };
            if w1 < w2 { (w2 - w1) * ss + cc * (sin_2 - sin_1) } else { 0.0 }
        };
        (scale * (arc(-TAU) + arc(0.0) + arc(TAU))).max(0.0)
    }
}

/// What the sun does over one span of time at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunOverSpan {
    /// Sine of the sun's elevation at the middle.
    pub sine_of_elevation: f64,
    /// Extraterrestrial radiation over the whole span.
    pub extraterrestrial: Megajoules,
    /// Length of the span in hours.
    pub hours: f64,
}

/// The sun over a place, span after span.
///
/// Eq. 23, 24 and 32 are worked out once per day, and on one day the sun is turned from an hour to the
/// next by the sine and cosine of 15 degrees. A day begins at mean solar midnight, so that no time zone
/// is needed and the day number never changes while the sun is high.
///
/// ```
/// # use xylocast::{evapo::sun::SunTrack, units::*, weather::Span};
/// // Example 19, 14:00-15:00 on 1 October, 15 degrees west
/// let place = Place {
///     latitude: Latitude::new(16.0 + 13.0 / 60.0)?,
///     longitude: Longitude::new(-16.25)?,
///     elevation: Metres::new(8.0)?,
/// };
/// let hour = Span::hour_from("2026-10-01T15:00:00Z".parse()?);
/// let sun = SunTrack::new(place).over(hour);
/// assert!((sun.extraterrestrial.value() - 3.543).abs() < 0.0005);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone)]
pub struct SunTrack {
    phi: Angle,
    east_ms: f64,
    /// Number of the day whose sun is at hand; none before the first span.
    day: Option<i64>,
    sun: SunDay,
    /// Middle of the span before, and the sun's angle then.
    middle_ms: i64,
    angle: Angle,
}

impl SunTrack {
    /// Over a place.
    pub fn new(place: Place) -> Self {
        Self {
            phi: Angle::new(place.latitude.value().to_radians()),
            east_ms: place.longitude.value() / 15.0 * HOUR_MS as f64,
            day: None,
            sun: SunDay::default(),
            middle_ms: 0,
            angle: Angle::default(),
        }
    }

    /// Over a span of up to a day.
    pub fn over(&mut self, span: Span) -> SunOverSpan {
        let sun = self.between(span.from.timestamp_millis(), span.to.timestamp_millis());
        SunOverSpan {
            sine_of_elevation: sun.sine_of_elevation(),
            extraterrestrial: sun.extraterrestrial(),
            hours: sun.hours,
        }
    }

    /// Over a span of up to a day, given in milliseconds.
    #[inline]
    pub(super) fn between(&mut self, from: i64, to: i64) -> SunBetween<'_> {
        let hours = (to - from) as f64 / HOUR_MS as f64;
        let middle_ms = from + (to - from) / 2;
        let utc_day = middle_ms.div_euclid(DAY_MS);
        let mut day = utc_day;
        let mut mean_solar_ms = (middle_ms - utc_day * DAY_MS) as f64 + self.east_ms;
        if mean_solar_ms < 0.0 {
            (day, mean_solar_ms) = (day - 1, mean_solar_ms + DAY_MS as f64);
        } else if mean_solar_ms >= DAY_MS as f64 {
            (day, mean_solar_ms) = (day + 1, mean_solar_ms - DAY_MS as f64);
        }
        let same_day = self.day == Some(day);
        if !same_day {
            (self.day, self.sun) = (Some(day), SunDay::at(self.phi, day_of_year(day)));
        }
        self.angle = if same_day && middle_ms - self.middle_ms == HOUR_MS {
            self.angle.plus(Angle::HOUR)
        } else {
            self.sun.angle_at(mean_solar_ms / HOUR_MS as f64)
        };
        self.middle_ms = middle_ms;
        SunBetween { sun: &self.sun, angle: self.angle, hours }
    }
}

/// What the sun does over a span, each answer worked out when it is asked for.
pub(super) struct SunBetween<'a> {
    sun: &'a SunDay,
    angle: Angle,
    /// Length of the span.
    pub hours: f64,
}

impl SunBetween<'_> {
    #[inline]
    pub(super) fn sine_of_elevation(&self) -> f64 {
        self.sun.sine_of_elevation(self.angle.cos)
    }

    #[inline]
    pub(super) fn extraterrestrial(&self) -> Megajoules {
        let half = match self.hours {
            1.0 => Angle::HALF_HOUR,
            hours => Angle::new(PI / 24.0 * hours),
        };
        Megajoules::computed(self.sun.radiation(self.angle, half))
    }
}

/// Day of the year of a day counted from 1 January 1970.
fn day_of_year(day: i64) -> DayOfYear {
    let date = i32::try_from(day).ok().and_then(NaiveDate::from_epoch_days);
    DayOfYear::of(date.unwrap_or_default())
}
