//! Sunrise, sunset and civil twilight, from the `solar-positioning` crate.
//!
//! It follows the sun to 0.0003 degrees and counts refraction at the horizon, while FAO-56's day
//! ([`sun`](super::sun)) is up to half an hour too short. At sea level, without hills or weather.

use super::EvapoError;
use super::daily::span_of_date;
use crate::units::Place;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use solar_positioning::{Horizon, Location, SolarEvents, SolarPositions, delta_t};

/// When the sun crosses a horizon on its way to and from the solar noon of a date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Crossing {
    /// Up and down, as on nearly every day; `set` may fall after midnight.
    UpAndDown {
        /// Last upward crossing before noon.
        rise: DateTime<Tz>,
        /// First downward crossing after noon.
        set: DateTime<Tz>,
    },
    /// Up, and not down before the next midnight of the sun: the polar day begins.
    UpOnly {
        /// The upward crossing.
        rise: DateTime<Tz>,
    },
    /// Down, after a midnight with the sun up: the polar day ends.
    DownOnly {
        /// The downward crossing.
        set: DateTime<Tz>,
    },
    /// Above all the time.
    AlwaysAbove,
    /// Below all the time.
    AlwaysBelow,
}

impl Crossing {
    /// Upward crossing, where there is one.
    pub fn rise(self) -> Option<DateTime<Tz>> {
        match self {
            Crossing::UpAndDown { rise, .. } | Crossing::UpOnly { rise } => Some(rise),
            _ => None,
        }
    }

    /// Downward crossing, where there is one.
    pub fn set(self) -> Option<DateTime<Tz>> {
        match self {
            Crossing::UpAndDown { set, .. } | Crossing::DownOnly { set } => Some(set),
            _ => None,
        }
    }
}

/// The sun on one local date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Almanac {
    /// Solar noon.
    pub noon: DateTime<Tz>,
    /// Sunrise and sunset: the upper limb on the horizon, refraction included (centre 50' below).
    pub sun: Crossing,
    /// Civil dawn and dusk: the centre 6 degrees below.
    pub civil: Crossing,
}

/// Sunrise, sunset, civil dawn and dusk around the solar noon of a local date.
///
/// Crossings are looked for in the twelve hours on either side of that noon, so that a dusk after
/// midnight belongs to the date whose evening it ends.
///
/// Solar position of Reda & Andreas (2004) with a numerical search; agrees with an independent
/// program within 60 s up to 66 degrees of latitude. Elevation above the sea is left out.
///
/// ```
/// # use xylocast::{evapo::almanac::*, units::*};
/// let place = Place {
///     latitude: Latitude::new(52.52)?,
///     longitude: Longitude::new(13.405)?,
///     elevation: Metres::new(34.0)?,
/// };
/// let date = chrono::NaiveDate::from_ymd_opt(2026, 6, 21).unwrap();
/// let almanac = almanac(place, date, chrono_tz::Europe::Berlin)?;
/// let Crossing::UpAndDown { rise, set } = almanac.sun else { panic!("no polar day in Berlin") };
/// assert_eq!(rise.format("%H:%M").to_string(), "04:43");
/// assert_eq!(set.format("%H:%M").to_string(), "21:33");
/// assert!(almanac.civil.set().unwrap() > set);
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
///
/// # Errors
/// [`EvapoError::NoSuchDate`] where the zone has no such date, [`EvapoError::NoAlmanac`] outside the
/// years -2000 to 6000.
pub fn almanac(place: Place, date: NaiveDate, zone: Tz) -> Result<Almanac, EvapoError> {
    let span = span_of_date(date, zone)?;
    let sky = Sky::over(place, date).map_err(|cause| EvapoError::NoAlmanac { date, cause })?;
    let noon = sky
        .noon_after(span.from)
        .map_err(|cause| EvapoError::NoAlmanac { date, cause })?
        .ok_or(EvapoError::NoSuchDate { date, zone })?;
    let crossing = |horizon| {
        let found =
            sky.crossing(noon, horizon).map_err(|cause| EvapoError::NoAlmanac { date, cause })?;
        Ok(found.in_zone(zone))
    };
    Ok(Almanac {
        noon: noon.with_timezone(&zone),
        sun: crossing(Horizon::SunriseSunset)?,
        civil: crossing(Horizon::CivilTwilight)?,
    })
}

struct Found {
    rise: Option<DateTime<Utc>>,
    set: Option<DateTime<Utc>>,
    above_at_noon: bool,
}

impl Found {
    fn in_zone(self, zone: Tz) -> Crossing {
        let local = |at: DateTime<Utc>| at.with_timezone(&zone);
        match (self.rise.map(local), self.set.map(local)) {
            (Some(rise), Some(set)) => Crossing::UpAndDown { rise, set },
            (Some(rise), None) => Crossing::UpOnly { rise },
            (None, Some(set)) => Crossing::DownOnly { set },
            (None, None) if self.above_at_noon => Crossing::AlwaysAbove,
            (None, None) => Crossing::AlwaysBelow,
        }
    }
}

struct Sky {
    location: Location,
    delta_t: f64,
}

impl Sky {
    fn over(place: Place, date: NaiveDate) -> solar_positioning::Result<Self> {
        Ok(Self {
            location: Location {
                latitude: place.latitude.value(),
                longitude: place.longitude.value(),
            },
            delta_t: delta_t::estimate_from_date_like(&date)?,
        })
    }

    fn noon_after(&self, from: DateTime<Utc>) -> solar_positioning::Result<Option<DateTime<Utc>>> {
        // from one noon to the next it may be half a minute more than 24 h
        let to = from + TimeDelta::hours(25);
        SolarEvents::new().next_transit(&from, &to, self.location.longitude, self.delta_t)
    }

    fn crossing(&self, noon: DateTime<Utc>, horizon: Horizon) -> solar_positioning::Result<Found> {
        let events = SolarEvents::new();
        let half_day = TimeDelta::hours(12);
        let (before, after) = (noon - half_day, noon + half_day);
        let at_noon = SolarPositions::new().at(&noon, self.location, 0.0, self.delta_t, None)?;
        Ok(Found {
            rise: events.next_rise(&before, &noon, self.location, self.delta_t, horizon)?,
            set: events.next_set(&noon, &after, self.location, self.delta_t, horizon)?,
            above_at_noon: at_noon.elevation_angle() > horizon.elevation_angle(),
        })
    }
}
