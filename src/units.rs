//! Quantities that know their unit and refuse what cannot be: one newtype per physical quantity.
//!
//! A number crosses a module border as one of these, or bare with its unit in its name
//! (`vpd_kpa`). `new` checks the range and refuses NaN; `computed` is for results of our own
//! equations, whose inputs were checked already.

use std::fmt;

/// A value outside the range that its quantity can have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{quantity} {value} {unit} is outside {low} to {high} {unit}")]
pub struct OutOfRange {
    /// What was given, in words.
    pub quantity: &'static str,
    /// The value given (may be NaN).
    pub value: f64,
    /// Its unit.
    pub unit: &'static str,
    /// Lowest value allowed.
    pub low: f64,
    /// Highest value allowed.
    pub high: f64,
}

macro_rules! quantities {
    ($($(#[$doc:meta])* $name:ident, $words:literal, $unit:literal, $low:literal, $high:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, serde::Serialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Unit, as printed.
            pub const UNIT: &'static str = $unit;
            /// Lowest value allowed.
            pub const LOW: f64 = $low;
            /// Highest value allowed.
            pub const HIGH: f64 = $high;

            /// A checked value.
            ///
            /// # Errors
            /// [`OutOfRange`] where the value is NaN or outside `LOW..=HIGH`.
            pub fn new(value: f64) -> Result<Self, OutOfRange> {
                if ($low..=$high).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(OutOfRange { quantity: $words, value, unit: $unit, low: $low, high: $high })
                }
            }

            /// A result of our own arithmetic on checked values; finite, but not held to the range
            /// of what can be measured.
            #[inline]
            pub fn computed(value: f64) -> Self {
                debug_assert!(value.is_finite(), concat!($words, " computed as {}"), value);
                Self(value)
            }

            /// The bare number, in the unit of the type.
            #[inline]
            pub fn value(self) -> f64 {
                self.0
            }
        }

        impl utoipa::PartialSchema for $name {
            fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
                quantity(concat!($words, ", ", $unit), $low, $high)
            }
        }

        impl utoipa::ToSchema for $name {
            fn name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)?;
                write!(f, " {}", $unit)
            }
        }
    )*};
}

/// A number with its range, as the API's document shows it.
fn quantity(words: &str, low: f64, high: f64) -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
    use utoipa::openapi::{KnownFormat, ObjectBuilder, SchemaFormat, Type};
    let number = ObjectBuilder::new()
        .schema_type(Type::Number)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Double)))
        .description(Some(words))
        .minimum(Some(low))
        .maximum(Some(high));
    number.into()
}

quantities! {
    /// Air temperature.
    Celsius, "air temperature", "degC", -60.0, 60.0;
    /// Pressure of air or of the water vapour in it.
    Kilopascal, "pressure", "kPa", 0.0, 110.0;
    /// Relative humidity.
    Percent, "relative humidity", "%", 0.0, 100.0;
    /// Wind speed.
    MetresPerSecond, "wind speed", "m/s", 0.0, 75.0;
    /// Radiation as a mean flux.
    WattsPerSquareMetre, "shortwave", "W/m2", 0.0, 1500.0;
    /// Radiation as energy over a stated interval (an hour or a day).
    Megajoules, "radiation", "MJ/m2", -20.0, 60.0;
    /// Rain, or evaporation, over a stated interval.
    Millimetres, "water depth", "mm", -5.0, 500.0;
    /// Elevation above the sea, or another height.
    Metres, "elevation", "m", -430.0, 6000.0;
    /// Change of vapour pressure with temperature: a slope, or the psychrometric constant.
    KilopascalPerDegree, "slope", "kPa/degC", 0.0, 10.0;
    /// A length of time, or a time of day, in hours.
    Hours, "time", "h", 0.0, 25.0;
    /// An angle.
    Radians, "angle", "rad", -6.3, 6.3;
    /// Latitude, positive north.
    Latitude, "latitude", "deg", -90.0, 90.0;
    /// Longitude, positive east.
    Longitude, "longitude", "deg", -180.0, 180.0;
    /// Diameter at breast height.
    Centimetres, "dbh", "cm", 3.0, 478.0;
    /// Volume of liquid.
    Millilitres, "volume", "mL", 0.0, 200_000.0;
    /// Circumference of a trunk at breast height.
    Circumference, "circumference", "cm", 10.0, 1500.0;
    /// Mass of product.
    Grams, "mass", "g", 0.0, 200_000.0;
    /// Inner diameter of a line.
    Bore, "bore", "mm", 0.2, 25.0;
    /// Length of a line.
    LineLength, "line length", "m", 0.01, 200.0;
    /// Flow of liquid.
    MillilitresPerMinute, "flow", "mL/min", 0.0, 10_000.0;
    /// Flow of liquid per pressure that drives it.
    Conductance, "conductance", "mL/min/kPa", 0.0, 1_000_000.0;
    /// Temperature of liquid water.
    WaterCelsius, "water temperature", "degC", 0.0, 40.0;
    /// Height of the liquid surface above the ports.
    Head, "head", "m", 0.1, 10.0;
    /// Demand accumulated since the start of a draw; 1 is an hour of fair weather.
    DemandHours, "demand clock", "demand-hours", 0.0, 100_000.0;
}

/// Hectares in one acre: 43,560 square feet.
pub const HECTARES_PER_ACRE: f64 = 0.404_685_642_24;

impl WattsPerSquareMetre {
    /// Energy of this mean flux over one hour: 1 W/m2 for an hour is 0.0036 MJ/m2.
    #[inline]
    pub fn over_one_hour(self) -> Megajoules {
        Megajoules::computed(self.0 * 0.0036)
    }
}

impl Centimetres {
    /// Diameter of a trunk from its circumference, both in cm: `dbh = circumference / pi`.
    ///
    /// ```
    /// let dbh = xylocast::units::Centimetres::from_circumference_cm(94.2).unwrap();
    /// assert!((dbh.value() - 29.98).abs() < 0.01);
    /// ```
    ///
    /// # Errors
    /// [`OutOfRange`] for a circumference outside 10 to 1500 cm.
    pub fn from_circumference_cm(circumference_cm: f64) -> Result<Self, OutOfRange> {
        Circumference::new(circumference_cm).map(Circumference::dbh)
    }
}

impl Circumference {
    /// Centimetres in one inch, by definition.
    pub const CM_PER_INCH: f64 = 2.54;

    /// From inches, as an inch tape shows it.
    ///
    /// # Errors
    /// [`OutOfRange`] for what is outside 10 to 1500 cm; the error is in cm.
    pub fn from_inches(inches: f64) -> Result<Self, OutOfRange> {
        Self::new(inches * Self::CM_PER_INCH)
    }

    /// In inches.
    pub fn inches(self) -> f64 {
        self.0 / Self::CM_PER_INCH
    }

    /// Diameter of a round trunk of this circumference: `dbh = circumference / pi`.
    pub fn dbh(self) -> Centimetres {
        Centimetres::computed(self.0 / std::f64::consts::PI)
    }
}

impl Millilitres {
    /// Millilitres in one US fluid ounce: 231 cubic inches to the gallon, 128 ounces to it.
    pub const PER_US_FLUID_OUNCE: f64 = 29.573_529_562_5;

    /// From US fluid ounces.
    ///
    /// ```
    /// use xylocast::units::Millilitres;
    /// let fill = Millilitres::from_us_fluid_ounces(32.0).unwrap();
    /// assert_eq!(fill.value().round(), 946.0);
    /// ```
    ///
    /// # Errors
    /// [`OutOfRange`] for what is outside 0 to 200,000 mL; the error is in mL.
    pub fn from_us_fluid_ounces(ounces: f64) -> Result<Self, OutOfRange> {
        Self::new(ounces * Self::PER_US_FLUID_OUNCE)
    }

    /// In US fluid ounces.
    pub fn us_fluid_ounces(self) -> f64 {
        self.0 / Self::PER_US_FLUID_OUNCE
    }
}

/// Where something stands on the globe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Latitude, positive north.
    pub latitude: Latitude,
    /// Longitude, positive east.
    pub longitude: Longitude,
    /// Height above the sea.
    pub elevation: Metres,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn refuses_nan_and_out_of_range_with_all_five_facts() {
        assert!(Celsius::new(f64::NAN).is_err());
        assert!(Percent::new(f64::INFINITY).is_err());
        let error = WattsPerSquareMetre::new(2554.0).unwrap_err();
        assert_eq!(error.to_string(), "shortwave 2554 W/m2 is outside 0 to 1500 W/m2");
    }
}
