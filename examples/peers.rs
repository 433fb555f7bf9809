//! Our side of `benches/peers/peers.py`: reads the inputs that it wrote, answers, and says how long
//! the answers took, without reading and writing.
//!
//!     cargo run --release --example peers -- FOLDER

use chrono::{DateTime, TimeDelta};
use ndarray::Array2;
use std::error::Error;
use std::fs;
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Instant;
use xylocast::belief::Residual;
use xylocast::evapo::asce::{Surface, daily_reference_et, net_radiation_of_day};
use xylocast::evapo::humidity::{TemperatureRange, atmospheric_pressure};
use xylocast::evapo::radiation::{Shortwave, clear_sky};
use xylocast::evapo::reference::{DayAir, wind_at_2m};
use xylocast::evapo::sequence::{Reference, hour_by_hour};
use xylocast::evapo::sun::{DayOfYear, extraterrestrial_radiation};
use xylocast::units::*;
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::regress::regress;
use xylocast::weather::{Flags, Hour, Series, Span};

/// The best of so many runs counts: the machine may have other work.
const RUNS: usize = 15;

type Answer<T> = Result<T, Box<dyn Error>>;

fn main() -> Answer<()> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name the folder of inputs")?);
    let mut times = serde_json::Map::new();
    for name in ["hours", "stations"] {
        let groves = groves(&numbers(&folder.join(format!("{name}.csv")))?)?;
        let (seconds, answers) = best(|| {
            let of = |(series, place): &(Series, Place)| {
                hour_by_hour(black_box(series), *place, Reference::AsceShort)
            };
            groves.iter().map(of).collect::<Vec<_>>()
        });
        let answers: Vec<f64> =
            answers.iter().flatten().map(|hour| hour.reference_et.value()).collect();
        write(&folder, name, &answers)?;
        times.insert(name.into(), seconds.into());
        for (what, cosine) in [("floor", true), ("own floor", false)] {
            let (seconds, _) =
                best(|| groves.iter().map(|(series, _)| floor(series, cosine)).sum::<f64>());
            times.insert(format!("{name} {what}"), seconds.into());
        }
    }
    let days = days(&numbers(&folder.join("days.csv"))?)?;
    let (seconds, answers) = best(|| days.iter().map(DayIn::reference_et_mm).collect::<Vec<_>>());
    write(&folder, "days", &answers)?;
    times.insert("days".into(), seconds.into());
    for entry in fs::read_dir(&folder)? {
        let path = entry?.path();
        let stem = path.file_stem().unwrap_or_default().to_string_lossy().into_owned();
        if stem.starts_with("draws_") && !stem.ends_with("_ours") {
            let (x, seen) = draws(&numbers(&path)?)?;
            let (seconds, fitted) = best(|| regress(black_box(&x), &seen, Residual::Normal));
            let fitted = fitted?;
            let scale = std::iter::once(fitted.ln_scale.exp());
            write(
                &folder,
                &stem,
                &fitted.coefficients.iter().copied().chain(scale).collect::<Vec<_>>(),
            )?;
            times.insert(stem, seconds.into());
        }
    }
    println!("{}", serde_json::Value::from(times));
    Ok(())
}

/// Seconds of the quickest of some runs, and the answer.
fn best<T>(mut run: impl FnMut() -> T) -> (f64, T) {
    let mut timed = || {
        let began = Instant::now();
        let answer = run();
        (began.elapsed().as_secs_f64(), answer)
    };
    let mut quickest = timed();
    for _ in 1..RUNS {
        let next = timed();
        if next.0 < quickest.0 {
            quickest = next;
        }
    }
    quickest
}

fn numbers(path: &Path) -> Answer<Vec<Vec<f64>>> {
    let mut reader = csv::Reader::from_path(path)?;
    reader
        .records()
        .map(|record| Ok(record?.iter().map(str::parse).collect::<Result<_, _>>()?))
        .collect()
}

fn write(folder: &Path, name: &str, answers: &[f64]) -> Answer<()> {
    let lines: Vec<String> = answers.iter().map(f64::to_string).collect();
    Ok(fs::write(folder.join(format!("{name}_ours.csv")), lines.join("\n"))?)
}

/// Series of hours, one for each place that follows another in the rows: latitude, longitude,
/// elevation, start as seconds of the epoch, air, vapour pressure, wind and shortwave.
fn groves(rows: &[Vec<f64>]) -> Answer<Vec<(Series, Place)>> {
    rows.chunk_by(|a, b| a[..3] == b[..3])
        .map(|rows| {
            let place = Place {
                latitude: Latitude::new(rows[0][0])?,
                longitude: Longitude::new(rows[0][1])?,
                elevation: Metres::new(rows[0][2])?,
            };
            let hours = rows.iter().map(|row| hour(row, place)).collect::<Answer<Vec<_>>>()?;
            Ok((Series::new(hours)?, place))
        })
        .collect()
}

fn hour(row: &[f64], place: Place) -> Answer<Hour> {
    let start = DateTime::UNIX_EPOCH + TimeDelta::seconds(row[3] as i64);
    Ok(Hour {
        span: Span::hour_from(start),
        air: Celsius::new(row[4])?,
        vapour_pressure: Kilopascal::new(row[5])?,
        wind_2m: wind_at_2m(MetresPerSecond::new(row[6])?, Metres::new(2.0)?)?,
        shortwave: WattsPerSquareMetre::new(row[7])?,
        rain: Millimetres::new(0.0)?,
        pressure: atmospheric_pressure(place.elevation),
        soil_water_m3_m3: None,
        flags: Flags::default(),
    })
}

/// One exponential and one square root an hour, and the cosine of its sun, which a walk from hour to
/// hour can do without.
fn floor(series: &Series, cosine: bool) -> f64 {
    let mut sum = 0.0;
    for (index, hour) in series.hours().iter().enumerate() {
        let t = hour.air.value();
        sum += black_box((17.27 * t / (t + 237.3)).exp());
        if cosine {
            sum += black_box((0.261_8 * (index % 24) as f64 - 3.1).cos());
        }
        sum += black_box(hour.vapour_pressure.value().sqrt());
    }
    sum
}

/// Latitude, elevation, day of the year, lowest and highest air, vapour pressure, wind, radiation.
struct DayIn {
    latitude: Latitude,
    elevation: Metres,
    number: DayOfYear,
    air: DayAir,
    received: Megajoules,
}

fn days(rows: &[Vec<f64>]) -> Answer<Vec<DayIn>> {
    rows.iter()
        .map(|row| {
            let elevation = Metres::new(row[1])?;
            let air = DayAir {
                temperature: TemperatureRange::new(Celsius::new(row[3])?, Celsius::new(row[4])?)?,
                vapour_pressure: Kilopascal::new(row[5])?,
                wind_2m: wind_at_2m(MetresPerSecond::new(row[6])?, Metres::new(2.0)?)?,
                pressure: atmospheric_pressure(elevation),
            };
            Ok(DayIn {
                latitude: Latitude::new(row[0])?,
                elevation,
                number: DayOfYear::new(row[2] as u32)?,
                air,
                received: Megajoules::new(row[7])?,
            })
        })
        .collect()
}

impl DayIn {
    fn reference_et_mm(&self) -> f64 {
        let extraterrestrial = extraterrestrial_radiation(self.latitude, self.number);
        let shortwave = Shortwave {
            received: self.received,
            clear_sky: clear_sky(extraterrestrial, self.elevation),
        };
        let DayAir { temperature, vapour_pressure, .. } = self.air;
        let net = net_radiation_of_day(temperature, vapour_pressure, shortwave);
        daily_reference_et(self.air, net, Surface::Short).value()
    }
}

/// Ends of the interval in hours, the later one empty as -1 where nobody saw it; then covariates.
fn draws(rows: &[Vec<f64>]) -> Answer<(Array2<f64>, Vec<Seen>)> {
    let late = |end: f64| if end < 0.0 { f64::INFINITY } else { end.ln() };
    let seen = rows.iter().map(|row| Seen::Between { low: row[0].ln(), high: late(row[1]) });
    let x = rows.iter().flat_map(|row| std::iter::once(1.0).chain(row[2..].iter().copied()));
    let columns = rows.first().map_or(1, |row| row.len() - 1);
    Ok((Array2::from_shape_vec((rows.len(), columns), x.collect())?, seen.collect()))
}
