//! One tree from weather to finishing time: a bright day made by hand, the model before any local
//! draw, and a bag of one litre hung at nine.

use chrono::{DateTime, TimeDelta, Utc};
use std::sync::Arc;
use xylocast::app::past::drives;
use xylocast::belief::{Belief, Course, Law};
use xylocast::demand::Clock;
use xylocast::evapo::humidity::{atmospheric_pressure, vapour_pressure};
use xylocast::units::{
    Celsius, Centimetres, Head, Latitude, Longitude, Metres, MetresPerSecond, Millimetres, Percent,
    Place, WattsPerSquareMetre,
};
use xylocast::uptake::model::{Model, covariates};
use xylocast::uptake::predict::Target;
use xylocast::weather::{Flags, Hour, Series, Span};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let place = Place {
        latitude: Latitude::new(48.2)?,
        longitude: Longitude::new(16.4)?,
        elevation: Metres::new(190.0)?,
    };
    let midnight: DateTime<Utc> = "2026-06-20T00:00:00Z".parse()?;
    let hours: Result<Vec<Hour>, _> = (0..48).map(|hour| bright_hour(midnight, hour, place)).collect();
    let series = Series::new(hours?)?;

    // Weather -> pull of each hour -> demand accumulated since the start.
    let model = Model::prior()?;
    let shape = model.file().demand;
    let clock = Clock::new(&shape, &shape.pulls(&drives(&series, place)));
    let start = midnight + TimeDelta::hours(9);
    let minutes: Vec<f64> = (1..=360).map(|step| 5.0 * f64::from(step)).collect();
    let course = Course::new(minutes.clone(), vec![clock.along(start, &minutes, &[])?]);

    // Tree -> thirst, with what is not known of it.
    let target = Target {
        tree_id: "lime 1".into(),
        block: "avenue".into(),
        species: "Tilia cordata".into(),
        date: start.date_naive(),
        covariates: covariates(8, Centimetres::from_circumference_cm(126.0)?, Some(Head::new(1.5)?)),
    };
    let (mean, sd) = model.posterior().thirst(&[target])[0];
    let variances = model.posterior().variances();
    let law = Law::new(sd, variances.residual, variances.scale);

    let belief = Belief::new(Arc::new(course), Arc::new(law), 1000f64.ln() - mean);
    for (name, p) in [("P10", 0.1), ("P50", 0.5), ("P90", 0.9)] {
        println!("{name}: {:?} min", belief.quantile(p));
    }
    println!("empty by 18:00: {:.0} %", 100.0 * belief.empty_by(540.0).unwrap_or(0.0));
    println!("(prior only: no reading of this grove yet, so the band is wide)");
    Ok(())
}

/// A clear June hour: half a sine of sun between four and twenty, warmest in the afternoon.
fn bright_hour(
    midnight: DateTime<Utc>,
    hour: i64,
    place: Place,
) -> Result<Hour, Box<dyn std::error::Error>> {
    let of_day = (hour % 24) as f64 + 0.5;
    let sun = (std::f64::consts::PI * (of_day - 4.0) / 16.0).sin().max(0.0);
    let warmth = (std::f64::consts::TAU * (of_day - 15.0) / 24.0).cos();
    let air = Celsius::new(20.0 + 7.0 * warmth)?;
    Ok(Hour {
        span: Span::hour_from(midnight + TimeDelta::hours(hour)),
        air,
        vapour_pressure: vapour_pressure(air, Percent::new(60.0 - 20.0 * warmth)?),
        wind_2m: MetresPerSecond::new(2.0)?,
        shortwave: WattsPerSquareMetre::new(850.0 * sun)?,
        rain: Millimetres::new(0.0)?,
        pressure: atmospheric_pressure(place.elevation),
        soil_water_m3_m3: None,
        flags: Flags::default(),
    })
}
