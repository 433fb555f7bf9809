//! A whole series, hour by hour: deficit and reference evapotranspiration.
//!
//! The equations are those of [`humidity`](super::humidity), [`radiation`](super::radiation),
//! [`reference`](mod@super::reference) and [`asce`], fused so that one exponential, one
//! square root and one cosine serve an hour; a test holds the two ways equal.

use super::asce::{self, Surface};
use super::radiation::{
    ABSORBED, RelativeShortwave, SIGMA_HOUR, clear_sky_share, fourth_power, net_emissivity,
};
use super::reference::Coefficients;
use super::sun::{Light, SunOverSpan, SunTrack};
use crate::units::{Kilopascal, Millimetres, Place};
use crate::weather::{Hour, Series, Span};

/// How high the sun must stand at mid-hour for Rs/Rso to tell of clouds: sin(0.3 rad), some 17
/// degrees (ASCE-EWRI 2005, hourly time step).
const SINE_OF_HIGH_SUN: f64 = 0.295_520_206_661_339_6;

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
/// other hours carry the last such ratio. Before the first of them its ratio is used backward, and a
/// series without any takes [`RelativeShortwave::ASSUMED`]. Poleward of some 50 degrees a whole
/// midwinter carries the ratio of its last high sun.
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
    let mut ratio = opening_ratio(series, place);
    let walk = |hour: &Hour| {
        let sun = track.over(hour.span);
        if let Some(seen) = ratio_under_high_sun(hour, &sun, clear_share) {
            ratio = seen;
        }
        let light = if sun.sine_of_elevation > 0.0 { Light::Day } else { Light::Night };
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

fn opening_ratio(series: &Series, place: Place) -> RelativeShortwave {
    let clear_share = clear_sky_share(place.elevation);
    let mut track = SunTrack::new(place);
    series
        .hours()
        .iter()
        .find_map(|hour| ratio_under_high_sun(hour, &track.over(hour.span), clear_share))
        .unwrap_or(RelativeShortwave::ASSUMED)
}

#[inline]
fn ratio_under_high_sun(
    hour: &Hour,
    sun: &SunOverSpan,
    clear_share: f64,
) -> Option<RelativeShortwave> {
    if sun.sine_of_elevation < SINE_OF_HIGH_SUN {
        return None;
    }
    let rso = clear_share * sun.extraterrestrial.value();
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
        let slope = self.slope * e / (above * above);
        let longwave = fourth_power(hour.air) * net_emissivity(hour.vapour_pressure);
        let rn =
            ABSORBED * 0.0036 * hour.shortwave.value() - self.sigma * longwave * ratio.cloudiness();
        let night = if self.night_by_the_sun { light == Light::Night } else { rn < 0.0 };
        let (Coefficients { numerator: cn, denominator: cd }, soil) = if night {
            (self.by_night, self.soil_by_night)
        } else {
            (self.by_day, self.soil_by_day)
        };
        let energy = 0.408 * slope * (rn - soil * rn);
        let air = gamma * cn / (t + 273.0) * u2 * vpd;
        (vpd, (energy + air) / (slope + gamma * (1.0 + cd * u2)))
    }
}
