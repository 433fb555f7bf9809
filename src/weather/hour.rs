//! One hour of weather, and the interval that it belongs to.

use crate::units::{Celsius, Kilopascal, MetresPerSecond, Millimetres, WattsPerSquareMetre};
use chrono::{DateTime, TimeDelta, Utc};

/// A half-open interval of time, `[from, to)`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Span {
    /// First instant inside.
    pub from: DateTime<Utc>,
    /// First instant after.
    pub to: DateTime<Utc>,
}

impl Span {
    /// The hour that starts at `from`.
    pub fn hour_from(from: DateTime<Utc>) -> Self {
        Self { from, to: from + TimeDelta::hours(1) }
    }

    /// Length in hours; zero or negative where empty.
    pub fn hours(self) -> f64 {
        (self.to - self.from).num_milliseconds() as f64 / 3_600_000.0
    }

    /// The instant in the middle.
    pub fn middle(self) -> DateTime<Utc> {
        self.from + (self.to - self.from) / 2
    }

    /// Hours shared with another span.
    pub fn overlap_hours(self, other: Span) -> f64 {
        Span { from: self.from.max(other.from), to: self.to.min(other.to) }.hours().max(0.0)
    }

    /// Is the instant inside?
    pub fn contains(self, at: DateTime<Utc>) -> bool {
        self.from <= at && at < self.to
    }
}

/// What of an hour was not measured but estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Flag {
    /// Shortwave from the day's temperature range (FAO-56 eq. 50) or from cloud cover.
    ShortwaveEstimated,
    /// Wind taken as 2 m/s (FAO-56 chapter 3).
    WindAssumed,
    /// Pressure from elevation (FAO-56 eq. 7).
    PressureFromElevation,
    /// Vapour pressure from the night's minimum temperature (FAO-56 eq. 48).
    HumidityEstimated,
    /// Mean temperature from instants at the hour's ends.
    TemperatureFromInstants,
    /// Rain not given: taken as none.
    RainUnknown,
    /// The whole hour bridged between its neighbours.
    Bridged,
}

impl Flag {
    /// All flags, in the order in which they are reported.
    pub const ALL: [Flag; 7] = [
        Flag::ShortwaveEstimated,
        Flag::WindAssumed,
        Flag::PressureFromElevation,
        Flag::HumidityEstimated,
        Flag::TemperatureFromInstants,
        Flag::RainUnknown,
        Flag::Bridged,
    ];

    /// In words, for every result that the estimate touches.
    pub fn words(self) -> &'static str {
        match self {
            Flag::ShortwaveEstimated => "shortwave estimated",
            Flag::WindAssumed => "wind not measured: 2 m/s assumed (FAO-56 ch. 3)",
            Flag::PressureFromElevation => "pressure from elevation (FAO-56 eq. 7)",
            Flag::HumidityEstimated => {
                "humidity estimated from the night minimum temperature (FAO-56 eq. 48)"
            }
            Flag::TemperatureFromInstants => "hourly mean temperature from instants",
            Flag::RainUnknown => "rain not given: a dry reading here proves nothing",
            Flag::Bridged => "missing hours bridged between their neighbours",
        }
    }
}

/// A set of [`Flag`]s.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Flags(u8);

impl Flags {
    /// With one more.
    pub fn with(self, flag: Flag) -> Self {
        Self(self.0 | 1 << flag as u8)
    }

    /// Of both.
    pub fn union(self, other: Flags) -> Self {
        Self(self.0 | other.0)
    }

    /// Is it set?
    pub fn has(self, flag: Flag) -> bool {
        self.0 & 1 << flag as u8 != 0
    }

    /// As a number, one bit a flag in the order of [`Flag::ALL`].
    pub fn bits(self) -> u8 {
        self.0
    }

    /// From such a number.
    pub fn from_bits(bits: u8) -> Self {
        Self(bits)
    }

    /// How many are set.
    pub fn count(self) -> u32 {
        self.0.count_ones()
    }

    /// Those that are set.
    pub fn iter(self) -> impl Iterator<Item = Flag> {
        Flag::ALL.into_iter().filter(move |flag| self.has(*flag))
    }
}

/// The weather of one span, usually an hour; every value checked, every estimate flagged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hour {
    /// The interval that the values belong to.
    pub span: Span,
    /// Mean air temperature.
    pub air: Celsius,
    /// Mean actual vapour pressure.
    pub vapour_pressure: Kilopascal,
    /// Mean wind speed, brought to 2 m.
    pub wind_2m: MetresPerSecond,
    /// Mean global shortwave radiation.
    pub shortwave: WattsPerSquareMetre,
    /// Rain over the span.
    pub rain: Millimetres,
    /// Air pressure.
    pub pressure: Kilopascal,
    /// Volumetric soil water, m3/m3, where measured.
    pub soil_water_m3_m3: Option<f64>,
    /// What of this was estimated.
    pub flags: Flags,
}

impl Hour {
    /// The mean of several hours that share a span, at least one.
    pub(super) fn mean(hours: &[Hour]) -> Hour {
        let mean =
            |value: fn(&Hour) -> f64| hours.iter().map(value).sum::<f64>() / hours.len() as f64;
        let soil: Option<Vec<f64>> = hours.iter().map(|hour| hour.soil_water_m3_m3).collect();
        Hour {
            span: hours[0].span,
            air: Celsius::computed(mean(|hour| hour.air.value())),
            vapour_pressure: Kilopascal::computed(mean(|hour| hour.vapour_pressure.value())),
            wind_2m: MetresPerSecond::computed(mean(|hour| hour.wind_2m.value())),
            shortwave: WattsPerSquareMetre::computed(mean(|hour| hour.shortwave.value())),
            rain: Millimetres::computed(mean(|hour| hour.rain.value())),
            pressure: Kilopascal::computed(mean(|hour| hour.pressure.value())),
            soil_water_m3_m3: soil.map(|soil| soil.iter().sum::<f64>() / soil.len() as f64),
            flags: hours.iter().fold(Flags::default(), |flags, hour| flags.union(hour.flags)),
        }
    }

    /// The part of this hour inside `span`: means stay, rain is shared out by time.
    pub fn clipped(self, span: Span) -> Option<Hour> {
        let part = Span { from: self.span.from.max(span.from), to: self.span.to.min(span.to) };
        let share = part.hours() / self.span.hours();
        (share > 0.0).then(|| Hour {
            span: part,
            rain: Millimetres::computed(self.rain.value() * share),
            ..self
        })
    }
}
