//! Weather that may come instead of the one forecast: members that differ by errors of a stated
//! size, and the night floors that go with them.

use crate::evapo::humidity::saturation_vapour_pressure;
use crate::units::{Celsius, Kilopascal, Percent, WattsPerSquareMetre};
use crate::weather::{Hour, Series, Span};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Sizes of forecast errors, each following the hour before.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, utoipa::ToSchema)]
pub struct ForecastError {
    /// Standard deviation of air temperature, degC.
    pub air_c: f64,
    /// Standard deviation of relative humidity, points of %.
    pub humidity_pct: f64,
    /// Standard deviation of ln shortwave.
    pub shortwave_ln: f64,
    /// Correlation of one hour's error with the next.
    pub hourly_correlation: f64,
}

impl Default for ForecastError {
    /// A stated default for a day ahead (judgement), until this grove's own forecasts have been
    /// compared with what came.
    fn default() -> Self {
        Self { air_c: 1.5, humidity_pct: 8.0, shortwave_ln: 0.2, hourly_correlation: 0.9 }
    }
}

/// `count` series that the weather may follow instead of `forecast`, in pairs with opposite errors
/// so that their middle stays the forecast; `error_of` tells the sizes for a span of it. An odd
/// count ends in the forecast itself.
pub fn members(
    forecast: &Series,
    error_of: impl Fn(Span) -> ForecastError,
    count: usize,
    seed: u64,
) -> Vec<Series> {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let sizes: Vec<_> = forecast.hours().iter().map(|hour| error_of(hour.span)).collect();
    let mut all = Vec::with_capacity(count);
    for _ in 0..count / 2 {
        let errors = error_path(forecast.hours(), &sizes, &mut random);
        for sign in [1.0, -1.0] {
            all.push(forecast.map_hours(|index, hour| {
                shifted(hour, &sizes[index], errors[index].map(|e| e * sign))
            }));
        }
    }
    if count % 2 == 1 {
        all.push(forecast.clone());
    }
    all
}

/// Factors on a night floor whose logarithm is known to `ln_sd`: the middles of `count` equal
/// slices of probability, shuffled so that they do not go with the weather.
pub fn night_floor_factors(ln_sd: f64, count: usize, seed: u64) -> Vec<f64> {
    let mut random = ChaCha8Rng::seed_from_u64(seed ^ 0x9e37_79b9_7f4a_7c15);
    let quantile =
        |k: usize| crate::belief::Residual::Normal.quantile((k as f64 + 0.5) / count as f64);
    let mut factors: Vec<f64> = (0..count).map(|k| (ln_sd * quantile(k)).exp()).collect();
    for i in (1..factors.len()).rev() {
        factors.swap(i, rand::Rng::random_range(&mut random, 0..=i));
    }
    factors
}

/// Standard errors of temperature, humidity and shortwave, hour after hour.
fn error_path(hours: &[Hour], sizes: &[ForecastError], random: &mut ChaCha8Rng) -> Vec<[f64; 3]> {
    let mut errors: Vec<[f64; 3]> = Vec::with_capacity(hours.len());
    for (hour, size) in hours.iter().zip(sizes) {
        let fresh: [f64; 3] = std::array::from_fn(|_| StandardNormal.sample(random));
        let carried = size.hourly_correlation.powf(hour.span.hours());
        errors.push(match errors.last() {
            Some(last) => std::array::from_fn(|k| {
                carried * last[k] + (1.0 - carried * carried).sqrt() * fresh[k]
            }),
            None => fresh,
        });
    }
    errors
}

fn shifted(hour: &Hour, error: &ForecastError, [air, humidity, shortwave]: [f64; 3]) -> Hour {
    let warm = (hour.air.value() + error.air_c * air).clamp(Celsius::LOW, Celsius::HIGH);
    let warm = Celsius::computed(warm);
    let relative =
        100.0 * hour.vapour_pressure.value() / saturation_vapour_pressure(hour.air).value();
    let relative = (relative + error.humidity_pct * humidity).clamp(1.0, Percent::HIGH);
    // The mean of the logarithm is lowered so that the mean of the flux stays.
    let factor = (error.shortwave_ln * shortwave - 0.5 * error.shortwave_ln.powi(2)).exp();
    let flux = (hour.shortwave.value() * factor).min(WattsPerSquareMetre::HIGH);
    Hour {
        air: warm,
        vapour_pressure: Kilopascal::computed(
            relative / 100.0 * saturation_vapour_pressure(warm).value(),
        ),
        shortwave: WattsPerSquareMetre::computed(flux),
        ..*hour
    }
}
