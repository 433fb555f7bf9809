//! Groves for these tests, as folders and as databases.

use crate::means::postgres;
use chrono::{DateTime, TimeDelta, Utc};
use rusqlite::types::Value;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::LazyLock;
use std::sync::atomic::{AtomicUsize, Ordering};
use tempfile::TempDir;
use xylocast::grove::Seen;
use xylocast::journal::{Act, Entry, Start};
use xylocast::store::db::{By, Database, Imported, StoreError};
use xylocast::store::demo;
use xylocast::units::Millilitres;

pub fn now() -> DateTime<Utc> {
    "2026-01-14T03:00:00Z".parse().unwrap()
}

pub fn by() -> By<'static> {
    By { who: "anna", at: now() }
}

/// A folder of files.
pub fn folder(files: &[(&str, &[u8])]) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in files {
        put(folder.path(), name, bytes);
    }
    folder
}

pub fn put(folder: &Path, name: &str, bytes: impl AsRef<[u8]>) {
    let path = folder.join(name);
    fs::create_dir_all(path.parent().unwrap()).unwrap();
    fs::write(path, bytes).unwrap();
}

/// The demo as a folder, with its model.
pub fn demo_folder() -> TempDir {
    let files = demo::files();
    let mut files: Vec<(&str, &[u8])> = files.into_iter().collect();
    files.push((demo::MODEL, demo::MODEL_TEXT.as_bytes()));
    folder(&files)
}

const TOML: &str = "# kept as typed: \"über\"\nname = \"Home\"\ntime_zone = \"Australia/Adelaide\"\n\
                    latitude_deg = -34.5\nlongitude_deg = 138.7\nelevation_m = 120\n\
                    [label]\nmin_interval_days = 365\n";

/// A folder with every file, unknown columns, and notes that a CSV has to quote.
pub fn full_folder() -> TempDir {
    let pulled = "hour_starting,hour_ending,air_temp_c,vapour_pressure_kpa,wind_2m_m_s,\
                  shortwave_w_m2,rain_mm,pressure_kpa,soil_water_m3_m3,estimated,member,source,\
                  provider_reference_et_mm,provider_vpd_kpa\n\
                  2026-01-13T00:00:00Z,2026-01-13T01:00:00Z,21.12345,1.2,2.5,700.0,0.0,101.3,,4,0,\
                  open-meteo,0.51,1.1\n";
    folder(&[
        ("grove.toml", TOML.as_bytes()),
        (
            "trees.csv",
            "tree_id,block,species,circumference_cm,dbh_cm,ports,flares,latitude_deg,longitude_deg,\
             row,position,root_depth_m,charge_ml,last_treated,hang,note,colour,\"a,b\"\n\
             A1,North,elm,94.2,30,8,7,-34.5,138.7,3,12,0.9,1500,2025-11-02,yes,\
             \"by \"\"the\"\" gate,\nsecond line\",rot,1\n\
             Ä2,South,,,40,6,,,,,,,,,,日本 – ½,,\n"
                .as_bytes(),
        ),
        ("blocks.csv", b"block,leaf_on_from,leaf_off_from,bloom_from,bloom_to\nNorth,09-15,2026-05-20,10-01,10-20\n"),
        (
            "draws.csv",
            b"draw_id,tree_id,started,charge_ml,ports,head_m,last_wet,first_empty,stripped,left_ml,\
              crew,kit_id,note,van\n\
              d1,A1,2026-01-12T09:00:00+10:30,1000,8,1.5,2026-01-12T10:00:00+10:30,\
              2026-01-12T11:30:00+10:30,2026-01-12T12:00:00+10:30,0,anna,K1,fine,7\n\
              d2,\xc3\x842,2026-01-13T22:30:00Z,800.25,,,,,,,,K1,,\n",
        ),
        (
            "readings.csv",
            b"draw_id,time,left_ml,state,added_ml,by,note,thumb\n\
              d2,2026-01-14T10:00:00+10:30,500.5,,,ben,,up\n\
              d1,2026-01-12T09:30:00+10:30,600,,,anna,\"a, b\",\n\
              d1,2026-01-12T09:40:00+10:30,,refill,200,,,\n\
              d2,2026-01-14T10:30:00+10:30,,wet,,,,\n\
              d2,2026-01-14T10:30:00+10:30,,wet,,ben,again,\n\
              d2,2026-01-14T11:00:00+10:30,400,leak,,,,\n",
        ),
        (
            "pauses.csv",
            b"draw_id,from,to,why\nd1,2026-01-12T09:10:00+10:30,2026-01-12T09:20:00+10:30,wind\n\
              d2,2026-01-14T11:10:00+10:30,,\n",
        ),
        ("hang.csv", b"draw_id,tree_id,start,charge_ml,ports,head_m\nh1,A1,2026-01-15T08:00:00+10:30,1000,8,1.4\n"),
        ("ports.csv", b"tree_id,date,hole,height_cm,azimuth_deg,note\nA1,2026-01-12,1,15.5,90,\nA1,2026-01-12,2,16,,deep\n"),
        ("kits.csv", b"kit_id,capacity_ml,tips,bought,note\nK1,1000,8,2024-05-01,patched\nK2,,,,\n"),
        (
            "applications.csv",
            b"application_id,tree_id,draw_id,applied,product_name,registration_number,lot,product_ml,\
              product_g,water_ml,recovered_ml,leaked_ml,applicator,licence,re_entry_until,\
              pre_harvest_until,note,weather\n\
              r1,A1,d1,2026-01-12T09:00:00+10:30,Invented,0-0,L7,100,,900,0,20,Anna A.,X1,\
              2026-01-13T09:00:00+10:30,2026-07-11,=1+1,dry\n",
        ),
        (
            "weather/observed.csv",
            b"hour_ending,air_temp_instant_c,air_temp_c,rel_humidity_pct,wind_m_s,shortwave_w_m2,\
              rain_mm,cloud_cover_pct,sky\n\
              2026-01-13T10:00:00+10:30,22,21.5,45,2,600,0,10,blue\n\
              2026-01-13T11:00:00+10:30,24,23.25,40,2.5,,0,30,\n\
              2026-01-13T13:00:00+10:30,26,25,38,3,800,0.2,,grey\n",
        ),
        (
            "weather/forecast.csv",
            b"hour_starting,issued_at,member,air_temp_c,dew_point_c,wind_m_s,shortwave_w_m2,rain_mm\n\
              2026-01-14T10:00:00+10:30,2026-01-14T06:00:00+10:30,m1,22,9,2,600,0\n\
              2026-01-14T10:00:00+10:30,2026-01-14T06:00:00+10:30,m2,23,9.5,2,550,0\n\
              2026-01-14T11:00:00+10:30,2026-01-14T06:00:00+10:30,m1,24,9,2,650,0\n\
              2026-01-13T10:00:00+10:30,2026-01-13T06:00:00+10:30,m1,20,8,2,500,0\n",
        ),
        ("weather/pulled.csv", pulled.as_bytes()),
        ("weather/forecasts/2026-01-13T000000Z_open-meteo.csv", pulled.as_bytes()),
        ("models/2025-12-22T073000Z.json", demo::MODEL_TEXT.as_bytes()),
    ])
}

/// A database with a folder in it: a file, or a grove at a server.
pub struct Kept {
    pub at: TempDir,
    pub file: PathBuf,
}

impl Kept {
    pub fn of(folder: &Path) -> Self {
        let at = tempfile::tempdir().unwrap();
        let file = place(at.path());
        import(&file, folder).unwrap();
        Self { at, file }
    }

    pub fn full() -> Self {
        Self::of(full_folder().path())
    }

    /// A grove with trees and nothing else.
    pub fn bare() -> Self {
        let trees = "tree_id,block,species,dbh_cm,ports\nA1,n,,30,8\nA2,n,,40,8\nA3,n,,50,8\n";
        let trees = (4..=200).fold(trees.to_owned(), |rows, n| rows + &format!("A{n},n,,30,8\n"));
        Self::of(folder(&[("grove.toml", TOML.as_bytes()), ("trees.csv", trees.as_bytes())]).path())
    }

    pub fn open(&self) -> Database {
        Database::open(&self.file, now()).unwrap()
    }
}

/// Where nothing is kept yet. Groves at a server share one database, as they do in use.
pub fn place(at: &Path) -> PathBuf {
    static SHARED: LazyLock<Option<PathBuf>> = LazyLock::new(postgres::new_place);
    static COUNT: AtomicUsize = AtomicUsize::new(0);
    let number = COUNT.fetch_add(1, Ordering::Relaxed);
    match &*SHARED {
        Some(shared) => format!("{}&grove=g{number}", shared.display()).into(),
        None => at.join(format!("grove{number}.db")),
    }
}

pub fn import(file: &Path, folder: &Path) -> Result<Imported, StoreError> {
    Database::open_or_create(file, now())?.import(folder, by(), false, &mut |_, _, _| {})
}

pub fn entry(key: &str, at: DateTime<Utc>, act: Act) -> Entry {
    Entry { key: key.into(), at, noted: now(), by: Some("ben".into()), note: None, act }
}

pub fn ml(value: f64) -> Millilitres {
    Millilitres::new(value).unwrap()
}

pub fn start(draw_id: &str, tree_id: &str) -> Start {
    Start {
        draw_id: draw_id.into(),
        tree_id: tree_id.into(),
        charge: ml(1000.0),
        ports: 8,
        head: None,
        kit: None,
        second_bag: true,
    }
}

pub fn wet(draw_id: &str) -> Act {
    Act::Seen { draw_id: draw_id.into(), seen: Seen::Wet }
}

/// So many minutes before now.
pub fn ago(minutes: i64) -> DateTime<Utc> {
    now() - TimeDelta::minutes(minutes)
}

/// A number that SQL gives.
pub fn count(database: &Database, sql: &str) -> i64 {
    let rows = database.look(sql).unwrap();
    let [row] = rows.as_slice() else { panic!("{sql}: {rows:?}") };
    let Value::Integer(number) = row[0] else { panic!("{sql}: {row:?}") };
    number
}
