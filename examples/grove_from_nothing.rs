//! A grove folder from nothing: three small files written, read back, and asked how long two
//! intended draws would take. All of it is invented.
//!
//! `cargo run --example grove_from_nothing -- FOLDER` keeps the folder; without one a temporary
//! folder is used.

use std::fs;
use std::path::PathBuf;
use xylocast::app::desk::{Desk, Request};
use xylocast::app::times::times;

const SETTINGS: &str = r#"name = "Three apples (invented)"
time_zone = "Europe/Vienna"
latitude_deg = 48.2
longitude_deg = 16.4
elevation_m = 190
"#;

const TREES: &str = "tree_id,block,species,circumference_cm,ports
A1,orchard,Malus domestica,63,6
A2,orchard,Malus domestica,88,8
A3,orchard,Malus domestica,71,6
";

const HANG: &str = "draw_id,tree_id,start,charge_ml
first,A1,2026-06-20T09:00+02:00,1000
second,A2,2026-06-20T09:15+02:00,1000
";

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let kept = std::env::args_os().nth(1).map(PathBuf::from);
    let folder = kept.unwrap_or_else(|| {
        std::env::temp_dir().join(format!("xylocast-example-{}", std::process::id()))
    });
    fs::create_dir_all(folder.join("weather"))?;
    fs::write(folder.join("grove.toml"), SETTINGS)?;
    fs::write(folder.join("trees.csv"), TREES)?;
    fs::write(folder.join("hang.csv"), HANG)?;
    fs::write(folder.join("weather/forecast.csv"), forecast())?;

    let request = Request {
        grove: Some(folder.clone()),
        as_of: Some("2026-06-19T18:00:00+02:00".parse()?),
        ..Request::default()
    };
    let desk = Desk::lay(&request, chrono::Utc::now())?;
    let (hangs, _) = desk.hangs(None)?;
    for time in times(&desk, &hangs)? {
        println!(
            "{} on {}: {} to {} min, even chance at {} ({})",
            time.draw_id,
            time.tree_id,
            time.p10_min,
            time.p90_min,
            time.p50_min,
            time.warnings.join("; ")
        );
    }
    println!("folder: {}", folder.display());
    Ok(())
}

/// Two invented June days.
fn forecast() -> String {
    let mut csv = String::from("hour_ending,air_temp_c,rel_humidity_pct,wind_m_s,shortwave_w_m2,rain_mm\n");
    for hour in 1..=60 {
        let of_day = f64::from(hour % 24);
        let sun = (std::f64::consts::PI * (of_day - 4.5) / 16.0).sin().max(0.0);
        let warmth = (std::f64::consts::TAU * (of_day - 15.0) / 24.0).cos();
        let (day, clock) = (19 + hour / 24, hour % 24);
        csv += &format!(
            "2026-06-{day:02}T{clock:02}:00+02:00,{:.1},{:.0},2.0,{:.0},0\n",
            20.0 + 7.0 * warmth,
            60.0 - 20.0 * warmth,
            820.0 * sun
        );
    }
    csv
}
