//! The sun as FAO-56 sees it: chapter 3, eq. 21 to 34.
//!
//! Geometric, without refraction, with a declination up to 1 degree off (mid October): right for
//! radiation, wrong for sunrise times, which are [`almanac`](super::almanac)'s. The paper counts
//! longitudes positive west; here they are positive east, and clock time is UTC.

use super::EvapoError;
use crate::units::{Hours, Latitude, Longitude, Megajoules, Place, Radians};
use crate::weather::Span;
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use std::f64::consts::{PI, TAU};

/// Solar constant, MJ m-2 min-1.
const GSC: f64 = 0.0820;
const DAY_MS: i64 = 86_400_000;

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
    Radians::computed(SunDay::new(latitude, day).ws)
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
    let SunDay { ss, cc, ws, scale, .. } = SunDay::new(latitude, day);
    Megajoules::computed(2.0 * scale * (ws * ss + cc * ws.sin()))
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
    let half = PI / 24.0 * length.value();
    let w = middle.value();
    Megajoules::computed(SunDay::new(latitude, day).radiation(w, w.cos(), half, half.sin()))
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
    Hours::computed(24.0 / PI * SunDay::new(latitude, day).ws)
}

/// All that eq. 21 to 34 need of one latitude and day.
#[derive(Debug, Clone, Copy)]
struct SunDay {
    /// sin(phi) sin(delta)
    ss: f64,
    /// cos(phi) cos(delta)
    cc: f64,
    ws: f64,
    /// 12 60 / pi Gsc dr
    scale: f64,
    sc: f64,
}

impl SunDay {
    fn new(latitude: Latitude, day: DayOfYear) -> Self {
        let (sin_phi, cos_phi) = latitude.value().to_radians().sin_cos();
        let (sin_delta, cos_delta) = solar_declination(day).value().sin_cos();
        let (ss, cc) = (sin_phi * sin_delta, cos_phi * cos_delta);
        Self {
            ss,
            cc,
            ws: (-ss / cc).clamp(-1.0, 1.0).acos(),
            scale: 12.0 * 60.0 / PI * GSC * inverse_relative_distance(day),
            sc: seasonal_correction_h(day),
        }
    }

    #[inline]
    fn sine_of_elevation(&self, cos_w: f64) -> f64 {
        self.ss + self.cc * cos_w
    }

    /// Eq. 28 over `w - half .. w + half`. Takes the cosine and the sine that its callers have.
    #[inline]
    fn radiation(&self, w: f64, cos_w: f64, half: f64, sin_half: f64) -> f64 {
        let Self { ss, cc, ws, scale, .. } = *self;
        if w.abs() + half <= ws {
            // sin(w2) - sin(w1) = 2 cos(w) sin(half)
            return (scale * 2.0 * (half * ss + cc * cos_w * sin_half)).max(0.0);
        }
        if w.abs() - half >= ws && w.abs() + half <= TAU - ws {
            return 0.0;
        }
        self.radiation_at_edges(w - half, w + half)
    }

    #[cold]
    fn radiation_at_edges(&self, from: f64, to: f64) -> f64 {
        let arc = |noon: f64| {
            let w1 = from.max(noon - self.ws);
            let w2 = to.min(noon + self.ws);
            if w1 < w2 { (w2 - w1) * self.ss + self.cc * (w2.sin() - w1.sin()) } else { 0.0 }
        };
        (self.scale * (arc(-TAU) + arc(0.0) + arc(TAU))).max(0.0)
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
/// Eq. 23 to 25 and 32 are worked out once per day. A day begins at mean solar midnight, so that no
/// time zone is needed and the day number never changes while the sun is high.
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
    latitude: Latitude,
    east_h: f64,
    day: i64,
    sun: SunDay,
    sin_half_hour: f64,
}

impl SunTrack {
    /// Over a place.
    pub fn new(place: Place) -> Self {
        let latitude = place.latitude;
        Self {
            latitude,
            east_h: place.longitude.value() / 15.0,
            day: 0,
            sun: SunDay::new(latitude, day_of_year(0)),
            sin_half_hour: (PI / 24.0).sin(),
        }
    }

    /// Over a span of up to a day.
    #[inline]
    pub fn over(&mut self, span: Span) -> SunOverSpan {
        let (from, to) = (span.from.timestamp_millis(), span.to.timestamp_millis());
        let hours = (to - from) as f64 / 3_600_000.0;
        let middle = from + (to - from) / 2;
        let utc_day = middle.div_euclid(DAY_MS);
        let mut day = utc_day;
        let mut mean_solar_h = (middle - utc_day * DAY_MS) as f64 / 3_600_000.0 + self.east_h;
        if mean_solar_h < 0.0 {
            (day, mean_solar_h) = (day - 1, mean_solar_h + 24.0);
        } else if mean_solar_h >= 24.0 {
            (day, mean_solar_h) = (day + 1, mean_solar_h - 24.0);
        }
        if day != self.day {
            (self.day, self.sun) = (day, SunDay::new(self.latitude, day_of_year(day)));
        }
        let w = PI / 12.0 * (mean_solar_h + self.sun.sc - 12.0);
        let cos_w = w.cos();
        let half = PI / 24.0 * hours;
        let sin_half = if hours == 1.0 { self.sin_half_hour } else { half.sin() };
        SunOverSpan {
            sine_of_elevation: self.sun.sine_of_elevation(cos_w),
            extraterrestrial: Megajoules::computed(self.sun.radiation(w, cos_w, half, sin_half)),
            hours,
        }
    }
}

/// Day of the year of a day counted from 1 January 1970.
fn day_of_year(day: i64) -> DayOfYear {
    let at = DateTime::<Utc>::from_timestamp(day * (DAY_MS / 1000), 0).unwrap_or_default();
    DayOfYear::of(at.date_naive())
}
