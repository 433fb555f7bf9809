//! Grove folders made for a test, and the program run on them.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex, OnceLock};
use tempfile::TempDir;

pub const AS_OF: &str = "2026-01-14T18:00:00+10:30";
pub const TREES: &str = "tree_id,block,species,circumference_cm,ports\n\
                         T1,north,elm,80,6\nT2,north,elm,85,7\nT3,south,elm,90,8\n";

/// What the program left.
#[derive(Clone)]
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {}", self.out))
    }

    pub fn rows(&self) -> Vec<Vec<String>> {
        let mut reader =
            csv::ReaderBuilder::new().has_headers(false).from_reader(self.out.as_bytes());
        let rows = reader.records().map(|row| row.expect("CSV"));
        rows.map(|row| row.iter().map(str::to_owned).collect()).collect()
    }
}

fn program() -> Command {
    let mut program = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    program.env_remove("XYLOCAST_GROVE").env("NO_COLOR", "1").stdin(Stdio::null());
    program
}

pub fn ran(line: &[&str]) -> Ran {
    let output = program().args(line).output().expect("the program starts");
    let text = |bytes| String::from_utf8(bytes).expect("UTF-8");
    let code = output.status.code().unwrap_or(-1);
    Ran { code, out: text(output.stdout), err: text(output.stderr) }
}

/// The demo's answer. A line is run once for all tests; `ran` runs it anew.
pub fn demo(line: &[&str]) -> Ran {
    static RUN: Mutex<BTreeMap<String, Arc<OnceLock<Ran>>>> = Mutex::new(BTreeMap::new());
    let once = RUN.lock().unwrap().entry(line.join(" ")).or_default().clone();
    once.get_or_init(|| ran(line)).clone()
}

/// The program with its output read by a shell command that may stop early.
pub fn piped_into(reader: &str, line: &[&str]) -> Ran {
    let mut reading = Command::new("sh")
        .args(["-c", reader])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .spawn()
        .expect("a shell");
    let pipe = reading.stdin.take().expect("piped");
    let output = program().args(line).stdout(pipe).stderr(Stdio::piped()).output().unwrap();
    reading.wait().unwrap();
    let err = String::from_utf8(output.stderr).unwrap();
    Ran { code: output.status.code().unwrap_or(-1), out: String::new(), err }
}

pub fn to_full_disk(line: &[&str]) -> Ran {
    let full = fs::OpenOptions::new().write(true).open("/dev/full").unwrap();
    let output = program().args(line).stdout(full).stderr(Stdio::piped()).output().unwrap();
    let err = String::from_utf8(output.stderr).unwrap();
    Ran { code: output.status.code().unwrap_or(-1), out: String::new(), err }
}

/// Weather of one kind: 24 hours a day alike, from a start on.
pub struct Sky {
    /// First hour, UTC, RFC 3339 without offset.
    pub from: &'static str,
    pub hours: usize,
    pub columns: &'static [&'static str],
    pub coldest_c: f64,
    /// Hours after UTC at which the sun stands highest, less twelve.
    pub noon_shift_h: f64,
    pub rain: std::ops::Range<usize>,
    pub hole: std::ops::Range<usize>,
    pub issued: Option<&'static str>,
    pub members: usize,
}

pub const ALL: &[&str] =
    &["air_temp_c", "rel_humidity_pct", "wind_m_s", "shortwave_w_m2", "rain_mm"];

/// Fair weather in the hills of Adelaide from midnight on 13 January 2026.
pub fn fair() -> Sky {
    Sky {
        from: "2026-01-12T13:30:00",
        hours: 150,
        columns: ALL,
        coldest_c: 12.0,
        noon_shift_h: 9.25,
        rain: 0..0,
        hole: 0..0,
        issued: Some("2026-01-14T17:00:00+10:30"),
        members: 1,
    }
}

impl Sky {
    /// As a CSV; `issued_at` and `member` only where there is something to say.
    pub fn csv(&self) -> String {
        let mut header: Vec<&str> = Vec::new();
        header.extend(self.issued.map(|_| "issued_at"));
        header.extend((self.members > 1).then_some("member"));
        header.push("hour_starting");
        header.extend(self.columns);
        let mut text = header.join(",") + "\n";
        let from = self.from.parse::<chrono::NaiveDateTime>().unwrap();
        for member in 0..self.members {
            for index in (0..self.hours).filter(|index| !self.hole.contains(index)) {
                let at = from + chrono::TimeDelta::hours(index as i64);
                let mut cells: Vec<String> = Vec::new();
                cells.extend(self.issued.map(str::to_owned));
                cells.extend((self.members > 1).then(|| member.to_string()));
                cells.push(at.format("%Y-%m-%dT%H:%M:%SZ").to_string());
                cells.extend(
                    self.columns.iter().map(|column| self.value(column, at, index, member)),
                );
                text += &(cells.join(",") + "\n");
            }
        }
        text
    }

    fn value(
        &self,
        column: &str,
        at: chrono::NaiveDateTime,
        index: usize,
        member: usize,
    ) -> String {
        use chrono::Timelike;
        let hour = f64::from(at.hour()) + f64::from(at.minute()) / 60.0 + self.noon_shift_h;
        let height = ((hour - 6.0) / 12.0 * std::f64::consts::PI).sin();
        let light = if height > 0.0 { 900.0 * height * (1.0 - 0.04 * member as f64) } else { 0.0 };
        match column {
            "air_temp_c" => format!("{:.1}", self.coldest_c + 8.0 + 8.0 * height),
            "rel_humidity_pct" => "50".into(),
            "wind_m_s" => "2".into(),
            "shortwave_w_m2" => format!("{light:.1}"),
            "rain_mm" => if self.rain.contains(&index) { "1.5" } else { "0" }.into(),
            other => panic!("no value for {other}"),
        }
    }
}

/// A grove folder that goes away with the test.
pub struct Folder {
    folder: TempDir,
    as_of: String,
}

impl Folder {
    /// Settings and trees, no weather: what a beginner has.
    pub fn bare() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let bare = Self { folder, as_of: AS_OF.into() };
        bare.with("grove.toml", &settings("Australia/Adelaide", -35.0, 138.8, "", ""))
            .with("trees.csv", TREES)
    }

    /// With a forecast of fair weather, an hour old.
    pub fn good() -> Self {
        Self::bare().with("weather/forecast.csv", &fair().csv())
    }

    /// With six draws of three trees in observed weather.
    pub fn with_draws() -> Self {
        let observed = Sky { from: "2026-01-08T13:30:00", hours: 140, issued: None, ..fair() };
        let mut draws = String::from("draw_id,tree_id,started,charge_ml,last_wet,first_empty\n");
        for (id, (tree, day)) in
            [(1, 10), (2, 10), (3, 11), (1, 12), (2, 13), (3, 13)].iter().enumerate()
        {
            draws += &format!(
                "d{id},T{tree},2026-01-{day}T08:{id}0:00+10:30,1000,2026-01-{day}T10:0{tree}:00+10:30,\
                 2026-01-{day}T10:4{tree}:00+10:30\n"
            );
        }
        Self::good().with("weather/observed.csv", &observed.csv()).with("draws.csv", &draws)
    }

    pub fn with(self, name: &str, text: &str) -> Self {
        self.with_bytes(name, text.as_bytes())
    }

    pub fn with_bytes(self, name: &str, bytes: &[u8]) -> Self {
        let path = self.path(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, bytes).unwrap();
        self
    }

    pub fn seen_at(mut self, as_of: &str) -> Self {
        self.as_of = as_of.into();
        self
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn run(&self, line: &[&str]) -> Ran {
        let folder = self.folder.path().to_str().unwrap();
        let asked: &[&str] =
            if line.contains(&"--as-of") { &[] } else { &["--as-of", &self.as_of] };
        ran(&[line, &["--grove", folder], asked].concat())
    }
}

/// A `grove.toml`: `top` goes before the tables, `end` after them.
pub fn settings(zone: &str, latitude: f64, longitude: f64, top: &str, end: &str) -> String {
    format!(
        "name = \"Test grove\"\ntime_zone = \"{zone}\"\nlatitude_deg = {latitude}\n\
         longitude_deg = {longitude}\nelevation_m = 100\n{top}\n[crew]\npeople = 1\nkits = 40\n\
         day_starts = \"07:30\"\nday_ends = \"18:00\"\nset_min = 6\nper_port_min = 0.8\n\
         strip_min = 4\nwalk_min = 1.5\n{end}\n"
    )
}
