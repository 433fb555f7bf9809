//! Vapour pressure deficit and reference evapotranspiration of one hour.
//!
//! ```text
//! cargo run --example vpd_and_et
//! ```
//!
//! The hour is FAO-56's example 19: N'Diaye, Senegal, 1 October, 14:00 to 15:00 by a clock one hour
//! behind UTC. The paper prints 3.180 kPa and 0.63 mm.

use xylocast::evapo::humidity::{atmospheric_pressure, vapour_pressure};
use xylocast::evapo::sequence::{Reference, hour_by_hour};
use xylocast::units::{
    Celsius, Latitude, Longitude, Metres, MetresPerSecond, Millimetres, Percent, Place,
    WattsPerSquareMetre,
};
use xylocast::weather::{Flags, Hour, Series, Span};

fn main() -> anyhow::Result<()> {
    let place = Place {
        latitude: Latitude::new(16.0 + 13.0 / 60.0)?,
        longitude: Longitude::new(-16.25)?,
        elevation: Metres::new(8.0)?,
    };
    let air = Celsius::new(38.0)?;
    let hour = Hour {
        span: Span::hour_from("2026-10-01T15:00:00Z".parse()?),
        air,
        vapour_pressure: vapour_pressure(air, Percent::new(52.0)?),
        wind_2m: MetresPerSecond::new(3.3)?,
        shortwave: WattsPerSquareMetre::new(680.6)?,
        rain: Millimetres::new(0.0)?,
        pressure: atmospheric_pressure(place.elevation),
        soil_water_m3_m3: None,
        flags: Flags::default(),
    };
    let series = Series::new(vec![hour])?;

    for reference in [Reference::Fao56, Reference::AsceShort, Reference::AsceTall] {
        let pull = hour_by_hour(&series, place, reference)[0];
        println!(
            "{:<10} VPD {:.3} kPa, reference ET {:.3} mm",
            format!("{reference:?}"),
            pull.deficit.value(),
            pull.reference_et.value(),
        );
    }
    Ok(())
}
