//! Units of services -> ours. What is not listed is not known, and refused.

use super::super::parse::{
    AIR, CLOUD_COVER, DEW_POINT, Measure, PRESSURE, RAIN, REL_HUMIDITY, SHORTWAVE, SOIL_WATER, WIND,
};
use super::error::ServiceError;
use crate::text::shown;

/// A straight line from a service's unit to ours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    factor: f64,
    zero: f64,
}

impl Scale {
    pub(super) const ONE: Scale = times(1.0);
    pub(super) const KM_PER_HOUR: Scale = times(1.0 / 3.6);
    pub(super) const MILES_PER_HOUR: Scale = times(0.447_04);
    pub(super) const KNOTS: Scale = times(1852.0 / 3600.0);
    pub(super) const INCHES: Scale = times(25.4);
    pub(super) const FAHRENHEIT: Scale = Scale { factor: 1.0 / 1.8, zero: 32.0 };
    pub(super) const HECTOPASCAL: Scale = times(0.1);
    pub(super) const KWH_PER_M2: Scale = times(1000.0);
    pub(super) const TENTHS: Scale = times(10.0);

    pub(super) fn bring(self, value: f64) -> f64 {
        (value - self.zero) * self.factor
    }
}

const fn times(factor: f64) -> Scale {
    Scale { factor, zero: 0.0 }
}

/// The unit of a measure as the metric services write it, with or without the prefix of a register.
///
/// # Errors
/// [`ServiceError::UnknownUnit`] for all others, those of another system among them: we ask for
/// metric units, and an answer in others is not the one that was asked for.
pub(super) fn metric(measure: Measure, variable: &str, unit: &str) -> Result<Scale, ServiceError> {
    let bare =
        ["wmoUnit:", "unit:", "nwsUnit:"].iter().find_map(|prefix| unit.strip_prefix(prefix));
    let scale = match (measure, bare.unwrap_or(unit)) {
        (AIR | DEW_POINT, "°C" | "celsius" | "degC" | "Grad C" | "C") => Scale::ONE,
        (REL_HUMIDITY | CLOUD_COVER, "%" | "percent") => Scale::ONE,
        (CLOUD_COVER, "tenths") => Scale::TENTHS,
        (WIND, "m/s" | "m_s-1") => Scale::ONE,
        (WIND, "km/h" | "km_h-1") => Scale::KM_PER_HOUR,
        (SHORTWAVE, "W/m²" | "W/m2" | "W/m^2") => Scale::ONE,
        (RAIN, "mm" | "kg_m-2") => Scale::ONE,
        (RAIN, "m") => times(1000.0),
        (PRESSURE, "hPa" | "mbar") => Scale::HECTOPASCAL,
        (PRESSURE, "Pa") => times(0.001),
        (PRESSURE, "kPa") => Scale::ONE,
        (SOIL_WATER, "m³/m³" | "m3/m3") => Scale::ONE,
        _ => {
            let (variable, unit) = (shown(variable), shown(unit));
            return Err(ServiceError::UnknownUnit { variable, unit, wanted: wanted(measure) });
        }
    };
    Ok(scale)
}

/// The unit of a measure in a logger's file, as its owner declares it.
pub(super) fn declared(measure: Measure, unit: &str) -> Result<Scale, ServiceError> {
    let scale = match (measure, unit) {
        (AIR | DEW_POINT, "degF" | "°F" | "F") => Scale::FAHRENHEIT,
        (AIR | DEW_POINT, "K") => Scale { factor: 1.0, zero: 273.15 },
        (REL_HUMIDITY | CLOUD_COVER, "fraction" | "1") => times(100.0),
        (WIND, "mph") => Scale::MILES_PER_HOUR,
        (WIND, "kn" | "knots") => Scale::KNOTS,
        (SHORTWAVE, "MJ/m2/h") => times(1.0 / 0.0036),
        (SHORTWAVE, "kWh/m2/h" | "kW/m2") => Scale::KWH_PER_M2,
        (SHORTWAVE, "Langley/h" | "ly/h") => times(11.63),
        (RAIN, "in" | "inch") => Scale::INCHES,
        (PRESSURE, "inHg") => times(3.386_389),
        (SOIL_WATER, "%" | "percent") => times(0.01),
        _ => return metric(measure, measure, unit),
    };
    Ok(scale)
}

fn wanted(measure: Measure) -> &'static str {
    match measure {
        AIR | DEW_POINT => "degC",
        REL_HUMIDITY | CLOUD_COVER => "percent",
        WIND => "m/s or km/h",
        SHORTWAVE => "W/m2",
        RAIN => "mm",
        PRESSURE => "hPa",
        SOIL_WATER => "m3/m3",
        _ => "metric units",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn units_old_and_new_are_known_and_others_refused() {
        for (measure, unit, given, ours) in [
            (AIR, "unit:degC", 21.5, 21.5),
            (WIND, "wmoUnit:km_h-1", 36.0, 10.0),
            (RAIN, "wmoUnit:m", 0.0023, 2.3),
            (RAIN, "wmoUnit:mm", 2.3, 2.3),
            (PRESSURE, "wmoUnit:Pa", 101_300.0, 101.3),
        ] {
            assert!(
                (metric(measure, "x", unit).unwrap().bring(given) - ours).abs() < 1e-9,
                "{unit}"
            );
        }
        for (measure, unit) in [(WIND, "mp/h"), (AIR, "°F"), (RAIN, "inch"), (RAIN, ""), (AIR, "%")]
        {
            let error = metric(measure, "x", unit).unwrap_err();
            assert!(!error.retryable() && error.to_string().contains("not known here"), "{error}");
        }
        assert!((declared(AIR, "degF").unwrap().bring(212.0) - 100.0).abs() < 1e-9);
        assert!((declared(SHORTWAVE, "Langley/h").unwrap().bring(60.0) - 697.8).abs() < 1e-9);
        assert!((declared(SHORTWAVE, "MJ/m2/h").unwrap().bring(3.6) - 1000.0).abs() < 1e-9);
    }
}
