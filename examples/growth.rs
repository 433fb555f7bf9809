//! How time grows with the work: draws of one grove, hours of weather, groves. Prints a table with the
//! slopes on log-log axes, and draws them.
//!
//!     cargo run --release --example growth -- benches/growth.svg
//!
//! A word after the file, as in `fit`, leaves out the curves that do not name it, and the picture.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::error::Error;
use std::fmt::Write;
use std::fs;
use std::hint::black_box;
use std::time::Instant;
use xylocast::app::desk::{Desk, Request};
use xylocast::app::tomorrow::tomorrow;
use xylocast::evapo::humidity::{atmospheric_pressure, vapour_pressure};
use xylocast::evapo::sequence::{Reference, hour_by_hour};
use xylocast::store::db::{By, Database};
use xylocast::store::demo;
use xylocast::store::home::Home;
use xylocast::units::*;
use xylocast::uptake::fit::{CoefficientPrior, Row, fit};
use xylocast::uptake::likelihood::Seen;
use xylocast::uptake::model::{ModelFile, covariates};
use xylocast::weather::{Flags, Hour, Series, Span};

/// Time is taken until this much has passed, at least once.
const LEAST_S: f64 = 0.4;
const DRAWS_OF_A_TREE: usize = 10;
/// Draws of a working day: more draws are more days, up to a season of years.
const DRAWS_OF_A_DAY: usize = 40;

/// More decades than any curve has.
const WHOLE: i32 = 9;

/// One curve: what grows, and seconds for each size.
struct Curve {
    name: &'static str,
    unit: &'static str,
    points: Vec<(f64, f64)>,
}

fn main() -> Result<(), Box<dyn Error>> {
    let file = std::env::args().nth(1).ok_or("name the file of the picture")?;
    let only = std::env::args().nth(2).unwrap_or_default();
    let mut curves = Vec::new();
    let mut add = |name: &'static str, unit, sizes: &[usize], work: Work| {
        if name.contains(&only) {
            curves.push(curve(name, unit, sizes, work));
        }
    };
    add("reference ET", "hours", &[24, 240, 2_400, 24_000, 87_600], hours);
    add("fit of one grove", "draws", &[10, 100, 1_000, 10_000, 100_000], draws);
    add("tomorrow of each grove", "groves", &[1, 10, 100, 1_000], groves);
    for curve in &curves {
        let (whole, last) = (curve.slope(WHOLE), curve.slope(2));
        println!("{} (slope {whole:.2}, {last:.2} over the last two decades)", curve.name);
        for (size, seconds) in &curve.points {
            println!(
                "  {size:>8} {:8} {:>12.6} s {:>12.3} us each",
                curve.unit,
                seconds,
                1e6 * seconds / size
            );
        }
    }
    match curves.len() {
        0 => Err(format!("no curve names '{only}'").into()),
        3 => Ok(fs::write(file, picture(&curves))?),
        _ => Ok(()),
    }
}

/// What is timed, made ready for a size.
type Work = fn(usize) -> Box<dyn FnMut()>;

fn curve(name: &'static str, unit: &'static str, sizes: &[usize], work: Work) -> Curve {
    let timed = |size: &usize| {
        let mut run = work(*size);
        let (began, mut runs) = (Instant::now(), 0);
        while runs == 0 || began.elapsed().as_secs_f64() < LEAST_S {
            run();
            runs += 1;
        }
        (*size as f64, began.elapsed().as_secs_f64() / f64::from(runs))
    };
    Curve { name, unit, points: sizes.iter().map(timed).collect() }
}

impl Curve {
    /// Least squares of ln seconds on ln size, over the whole curve or its last decades.
    fn slope(&self, decades: i32) -> f64 {
        let last = self.points[self.points.len() - 1].0;
        let least = last / 10f64.powi(decades) / 1.5;
        let points: Vec<(f64, f64)> = self
            .points
            .iter()
            .filter(|(size, _)| *size >= least)
            .map(|(size, seconds)| (size.ln(), seconds.ln()))
            .collect();
        let n = points.len() as f64;
        let (x, y) = points.iter().fold((0.0, 0.0), |(a, b), (x, y)| (a + x / n, b + y / n));
        let (up, across) = points.iter().fold((0.0, 0.0), |(up, across), (a, b)| {
            (up + (a - x) * (b - y), across + (a - x).powi(2))
        });
        up / across
    }
}

fn hours(n: usize) -> Box<dyn FnMut()> {
    let place = Place {
        latitude: Latitude::computed(-35.1),
        longitude: Longitude::computed(138.6),
        elevation: Metres::computed(48.0),
    };
    let start: DateTime<Utc> = DateTime::UNIX_EPOCH;
    let hour = |h: usize| {
        let wave = (h as f64 * 0.261_8).sin();
        let air = Celsius::computed(16.0 + 8.0 * wave);
        Hour {
            span: Span::hour_from(start + TimeDelta::hours(h as i64)),
            air,
            vapour_pressure: vapour_pressure(air, Percent::computed(60.0 - 25.0 * wave)),
            wind_2m: MetresPerSecond::computed(2.0 + wave),
            shortwave: WattsPerSquareMetre::computed((800.0 * wave).max(0.0)),
            rain: Millimetres::computed(0.0),
            pressure: atmospheric_pressure(place.elevation),
            soil_water_m3_m3: None,
            flags: Flags::default(),
        }
    };
    let series = Series::new((0..n).map(hour).collect()).expect("hours in order");
    Box::new(move || {
        black_box(hour_by_hour(black_box(&series), place, Reference::Fao56));
    })
}

fn draws(n: usize) -> Box<dyn FnMut()> {
    let model = ModelFile::prior();
    let random = &mut ChaCha8Rng::seed_from_u64(n as u64);
    let days = (n / DRAWS_OF_A_DAY).clamp(1, 1_000) as u64;
    let first = NaiveDate::from_ymd_opt(2016, 1, 5).expect("a date");
    let rows: Vec<Row> = (0..n)
        .map(|row| {
            let tree = row / DRAWS_OF_A_TREE;
            let dbh = Centimetres::computed(random.random_range(20.0..90.0));
            let covariates = covariates(random.random_range(4..14), dbh, None);
            let expected: f64 =
                covariates.iter().zip(&model.coefficients).map(|(x, b)| x * b.mean).sum();
            let y = expected + random.random_range(-0.5..0.5);
            Row {
                draw_id: row.to_string(),
                tree_id: format!("tree {tree}"),
                block: format!("block {}", tree % 6),
                species: String::new(),
                date: first + Days::new(random.random_range(0..days)),
                covariates,
                seen: Seen::Between {
                    low: y - random.random_range(0.02..0.4),
                    high: y + random.random_range(0.02..0.4),
                },
            }
        })
        .collect();
    let priors: Vec<CoefficientPrior> =
        model.coefficients.iter().map(|coefficient| coefficient.prior.clone()).collect();
    let variances = model.variances;
    Box::new(move || {
        black_box(fit(black_box(&rows), &priors, &variances).expect("a fit"));
    })
}

/// Each grove is read from its own database, fitted and answered, one after the other.
fn groves(n: usize) -> Box<dyn FnMut()> {
    let folder = tempfile::tempdir().expect("a folder");
    let (files, now) = (folder.path().join("files"), demo::as_of());
    Home::Demo.export(&files, false, now).expect("the demo as files");
    let place = |number: usize| folder.path().join(format!("{number}.db"));
    let by = By { who: "growth", at: now };
    let mut first = Database::open_or_create(&place(0), now).expect("a database");
    first.import(&files, by, false, &mut |_, _, _| {}).expect("the demo");
    drop(first);
    for number in 1..n {
        fs::copy(place(0), place(number)).expect("a copy");
    }
    Box::new(move || {
        for number in 0..n {
            let grove = Some(folder.path().join(format!("{number}.db")));
            let asked = Request { grove, as_of: Some(now), ..Request::default() };
            let desk = Desk::lay(&asked, now).expect("the demo");
            black_box(tomorrow(&desk, desk.tomorrow()).expect("an answer"));
        }
    })
}

/// Panels side by side, decades on both axes, with the dashed line of slope 1 through the last point.
fn picture(curves: &[Curve]) -> String {
    const WIDE: f64 = 300.0;
    const HIGH: f64 = 260.0;
    let whole = WIDE * curves.len() as f64;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {whole} {HIGH}\" role=\"img\" \
         font-family=\"sans-serif\" font-size=\"11\"><title>Time against size</title>\n\
         <rect width=\"{whole}\" height=\"{HIGH}\" fill=\"#fff\"/>\n"
    );
    for (place, curve) in curves.iter().enumerate() {
        let log = |value: f64| value.log10();
        let (low_x, high_x) =
            (log(curve.points[0].0).floor(), log(curve.points[curve.points.len() - 1].0).ceil());
        let seconds = || curve.points.iter().map(|point| log(point.1));
        let low_y = seconds().fold(f64::INFINITY, f64::min).floor();
        let high_y = seconds().fold(f64::NEG_INFINITY, f64::max).ceil();
        let left = WIDE * place as f64 + 52.0;
        let x = |size: f64| left + (log(size) - low_x) / (high_x - low_x) * (WIDE - 72.0);
        let y = |s: f64| HIGH - 40.0 - (log(s) - low_y) / (high_y - low_y) * (HIGH - 80.0);
        let _ = writeln!(
            svg,
            "<text x=\"{left}\" y=\"18\" font-weight=\"bold\">{}, slope {:.2}</text>",
            curve.name,
            curve.slope(WHOLE)
        );
        for decade in low_x as i32..=high_x as i32 {
            let (at, size) = (x(10f64.powi(decade)), 10f64.powi(decade));
            let _ = writeln!(
                svg,
                "<line x1=\"{at}\" x2=\"{at}\" y1=\"40\" y2=\"{}\" stroke=\"#ddd\"/>\
                 <text x=\"{at}\" y=\"{}\" text-anchor=\"middle\">{size}</text>",
                HIGH - 40.0,
                HIGH - 26.0
            );
        }
        for decade in low_y as i32..=high_y as i32 {
            let at = y(10f64.powi(decade));
            let _ = writeln!(
                svg,
                "<line x1=\"{left}\" x2=\"{}\" y1=\"{at}\" y2=\"{at}\" stroke=\"#ddd\"/>\
                 <text x=\"{}\" y=\"{}\" text-anchor=\"end\">1e{decade} s</text>",
                left + WIDE - 72.0,
                left - 4.0,
                at + 4.0
            );
        }
        let (size, s) = curve.points[curve.points.len() - 1];
        let first = curve.points[0].0;
        let straight = (s * first / size).max(10f64.powf(low_y));
        let _ = writeln!(
            svg,
            "<line x1=\"{}\" y1=\"{}\" x2=\"{}\" y2=\"{}\" stroke=\"#888\" stroke-dasharray=\"4 3\"/>",
            x(straight / s * size),
            y(straight),
            x(size),
            y(s)
        );
        let line: Vec<String> =
            curve.points.iter().map(|(size, s)| format!("{:.1},{:.1}", x(*size), y(*s))).collect();
        let _ = writeln!(
            svg,
            "<polyline points=\"{}\" fill=\"none\" stroke=\"#1b6\" stroke-width=\"2\"/>\
             <text x=\"{}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
            line.join(" "),
            left + (WIDE - 72.0) / 2.0,
            HIGH - 8.0,
            curve.unit
        );
    }
    svg + "</svg>\n"
}
