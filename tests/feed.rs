//! Pulling weather over real sockets through the real binary: a stand-in on loopback replays
//! answers and faults; what was asked, how often and with which manners is asserted.

#[path = "stand_in/mod.rs"]
mod stand_in;

use chrono::{DateTime, DurationRound, TimeDelta, Utc};
use serde_json::{Value, json};
use stand_in::{Reply, StandIn, four_days};
use std::fs;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// A grove that pulls from stand-ins, with short waits.
fn grove(open_meteo: &str, met_norway: &str) -> TempDir {
    let folder = TempDir::new().unwrap();
    write_grove(folder.path(), open_meteo, met_norway, 48.123_456_7);
    folder
}

fn write_grove(folder: &Path, open_meteo: &str, met_norway: &str, latitude: f64) {
    let settings = format!(
        "name = \"invented\"\ntime_zone = \"Europe/Vienna\"\nlatitude_deg = {latitude}\n\
         longitude_deg = 16.4\nelevation_m = 190\n\n[weather]\ncontact = \"crew@example.org\"\n\
         open_meteo_url = \"{open_meteo}\"\nmet_norway_url = \"{met_norway}\"\n\
         first_wait_ms = 5\nrequest_timeout_s = 2\ndeadline_s = 8\nmost_bytes = 1000000\n"
    );
    fs::create_dir_all(folder).unwrap();
    fs::write(folder.join("grove.toml"), settings).unwrap();
    let trees = "tree_id,block,species,circumference_cm,ports\nA,b,Tilia cordata,120,8\n";
    fs::write(folder.join("trees.csv"), trees).unwrap();
}

fn pull(folder: &Path, more: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(["pull", "--json", "--grove"])
        .arg(folder)
        .args(more)
        .output()
        .unwrap()
}

/// Every file of a folder with its size, but for what is known of hosts that fail.
fn files(folder: &Path) -> Vec<(String, u64)> {
    let mut found = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        match entry.path().is_dir() {
            true => found.extend(files(&entry.path())),
            false => {
                let size = entry.metadata().unwrap().len();
                found.push((entry.path().display().to_string(), size));
            }
        }
    }
    found.retain(|(path, _)| !path.ends_with("hosts.json"));
    found.sort();
    found
}

fn said(output: &Output) -> String {
    let (out, err) = (&output.stdout, &output.stderr);
    format!("{}\n{}", String::from_utf8_lossy(out), String::from_utf8_lossy(err))
}

fn hour() -> DateTime<Utc> {
    Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap()
}

fn good() -> Reply {
    Reply::ok(four_days(48.12, 16.4, 191.0).to_string()).with("content-type", "application/json")
}

/// The Norwegian form: hours that begin at their stamp, no radiation; all values invented.
fn norwegian() -> Reply {
    let step = |step: i64| {
        let at = (hour() + TimeDelta::hours(step)).format("%Y-%m-%dT%H:%M:%SZ").to_string();
        json!({"time": at, "data": {
            "instant": {"details": {
                "air_temperature": 17.0, "relative_humidity": 60.0, "wind_speed": 2.5,
                "cloud_area_fraction": 40.0, "air_pressure_at_sea_level": 1015.0,
                "dew_point_temperature": 9.2
            }},
            "next_1_hours": {"summary": {"symbol_code": "cloudy"},
                             "details": {"precipitation_amount": 0.0}}
        }})
    };
    let body = json!({"type": "Feature",
        "geometry": {"type": "Point", "coordinates": [16.4, 48.1234, 190]},
        "properties": {
            "meta": {"updated_at": hour().format("%Y-%m-%dT%H:%M:%SZ").to_string(), "units": {
                "air_temperature": "celsius", "relative_humidity": "%", "wind_speed": "m/s",
                "cloud_area_fraction": "%", "precipitation_amount": "mm",
                "air_pressure_at_sea_level": "hPa", "dew_point_temperature": "celsius"
            }},
            "timeseries": (0..48).map(step).collect::<Vec<_>>()
        }
    });
    Reply::ok(body.to_string())
}

/// The documents of the United States' service in the order in which they are asked for: the point,
/// its layers, its stations, reports of each; all values invented.
fn american(reports: Vec<Value>) -> Vec<Reply> {
    let named = |path: &str| format!("https://api.weather.gov{path}");
    let point = json!({"properties": {
        "forecastGridData": named("/gridpoints/XYZ/10,20"),
        "forecastHourly": named("/gridpoints/XYZ/10,20/forecast/hourly"),
        "observationStations": named("/gridpoints/XYZ/10,20/stations"),
        "timeZone": "America/Chicago"
    }});
    let six_ago =
        (hour() - TimeDelta::hours(6)).format("%Y-%m-%dT%H:%M:%S+00:00/PT48H").to_string();
    let layer = |unit: &str, value: f64| json!({"uom": unit, "values": [{"validTime": six_ago, "value": value}]});
    let grid = json!({"properties": {
        "updateTime": hour().to_rfc3339(),
        "elevation": {"unitCode": "wmoUnit:m", "value": 200.0},
        "temperature": layer("wmoUnit:degC", 25.0), "dewpoint": layer("wmoUnit:degC", 12.0),
        "relativeHumidity": layer("wmoUnit:percent", 45.0),
        "skyCover": layer("wmoUnit:percent", 50.0),
        "windSpeed": layer("wmoUnit:km_h-1", 10.8),
        "quantitativePrecipitation": layer("wmoUnit:mm", 0.0)
    }});
    let station = |id: &str| json!({"properties": {"stationIdentifier": id}});
    let stations = json!({"features": [station("KAAA"), station("KBBB")]});
    let documents = [point, grid, stations].into_iter().chain(reports);
    documents.map(|document| Reply::ok(document.to_string())).collect()
}

/// Reports seven minutes before each of the last full hours, the newest first.
fn american_reports(hours: i64) -> Value {
    let value = |unit: &str, value: f64| json!({"unitCode": unit, "value": value});
    let report = |ago: i64| {
        let at = hour() - TimeDelta::hours(ago) - TimeDelta::minutes(7);
        json!({"geometry": {"coordinates": [16.5, 48.1]}, "properties": {
            "timestamp": at.to_rfc3339(),
            "temperature": value("wmoUnit:degC", 20.0), "dewpoint": value("wmoUnit:degC", 10.0),
            "relativeHumidity": value("wmoUnit:percent", 52.0),
            "windSpeed": value("wmoUnit:km_h-1", 7.2),
            "barometricPressure": value("wmoUnit:Pa", 99000.0),
            "precipitationLastHour": value("wmoUnit:mm", 0.0),
            "cloudLayers": [{"base": {"value": 800}, "amount": "FEW"},
                            {"base": {"value": 2000}, "amount": "BKN"}]
        }})
    };
    json!({"features": (0..hours).map(report).collect::<Vec<_>>()})
}

/// Nothing listens here.
const NOWHERE: &str = "http://127.0.0.1:9";

#[test]
fn a_pull_is_asked_for_politely_and_kept() {
    let hour = || Utc::now().timestamp() / 3600;
    let began = hour();
    let service = StandIn::serving(vec![good()]);
    let folder = grove(&service.base, NOWHERE);
    let output = pull(folder.path(), &[]);
    assert!(output.status.success(), "{}", said(&output));
    let asked = service.asked();
    assert_eq!(asked.len(), 1);
    let question = &asked[0];
    for part in [
        "/v1/forecast?",
        "latitude=48.1234&",
        "longitude=16.4000",
        "timezone=GMT",
        "timeformat=unixtime",
        "wind_speed_unit=ms",
    ] {
        assert!(question.path.contains(part), "{part} in {}", question.path);
    }
    let hourly = question.path.split("hourly=").nth(1).unwrap().split('&').next().unwrap();
    assert!(hourly.split("%2C").count() <= 10, "{hourly}");
    let agent = question.header("user-agent").unwrap();
    assert!(agent.starts_with("xylocast/") && agent.contains("crew@example.org"), "{agent}");
    assert!(question.header("accept-encoding").unwrap().contains("gzip"));

    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answer[0]["source"], "open-meteo");
    assert!(answer[0]["observed_hours"].as_u64().unwrap() >= 46, "{answer}");
    assert!(answer[0]["attribution"].as_str().unwrap().contains("CC BY"));
    let kept = fs::read_to_string(folder.path().join("weather/pulled.csv")).unwrap();
    assert!(kept.lines().count() >= 47);

    let again = pull(folder.path(), &[]);
    assert!(again.status.success());
    if hour() != began {
        // With the full hour there is an hour more to be had.
        return a_pull_is_asked_for_politely_and_kept();
    }
    assert_eq!(fs::read_to_string(folder.path().join("weather/pulled.csv")).unwrap(), kept);
    let issues = fs::read_dir(folder.path().join("weather/forecasts")).unwrap().count();
    assert_eq!(issues, 1, "the same forecast is kept once");

    let tomorrow = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(["outlook", "--grove"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert!(said(&tomorrow).contains("open-meteo"), "{}", said(&tomorrow));
}

#[test]
fn what_has_not_expired_is_not_asked_for_and_what_has_not_changed_is_not_sent() {
    let later = (Utc::now() + TimeDelta::hours(1)).to_rfc2822();
    let service = StandIn::serving(vec![good().with("expires", later)]);
    let folder = grove(&service.base, NOWHERE);
    assert!(pull(folder.path(), &[]).status.success());
    assert!(pull(folder.path(), &[]).status.success());
    assert_eq!(service.asked().len(), 1);

    let stamp = "Wed, 14 Jan 2026 05:00:00 GMT";
    let script =
        vec![good().with("last-modified", stamp).with("etag", "\"a1\""), Reply::status(304, "")];
    let service = StandIn::serving(script);
    let folder = grove(&service.base, NOWHERE);
    assert!(pull(folder.path(), &[]).status.success());
    assert!(pull(folder.path(), &[]).status.success());
    let asked = service.asked();
    assert_eq!(asked.len(), 2);
    assert_eq!(asked[1].header("if-modified-since"), Some(stamp));
    assert_eq!(asked[1].header("if-none-match"), Some("\"a1\""));
}

#[test]
fn passing_faults_are_asked_again_at_most_four_times() {
    let cut = four_days(48.12, 16.4, 191.0).to_string();
    let after_200 =
        format!("{}\nsomething failed while streaming", cut.chars().take(800).collect::<String>());
    let faults = [
        Reply::status(503, "{\"error\":true,\"reason\":\"The service is overloaded\"}"),
        Reply::CutShort(cut.chars().take(200).collect()),
        Reply::ok(after_200),
        Reply::ok("<html><head><title>Log in</title></head></html>"),
        Reply::HangUp,
        Reply::status(429, "{\"error\":true,\"reason\":\"Too many concurrent requests\"}")
            .with("retry-after", "1"),
    ];
    for fault in faults {
        let service = StandIn::serving(vec![fault.clone(), good()]);
        let folder = grove(&service.base, NOWHERE);
        let output = pull(folder.path(), &["--source", "open-meteo"]);
        assert!(output.status.success(), "{fault:?}: {}", said(&output));
        assert_eq!(service.asked().len(), 2, "{fault:?}");
        assert_eq!(service.most_at_once(), 1, "one question at a time");
    }
    let service = StandIn::serving(vec![Reply::status(500, "no")]);
    let folder = grove(&service.base, NOWHERE);
    assert_eq!(pull(folder.path(), &["--source", "open-meteo"]).status.code(), Some(2));
    assert_eq!(service.asked().len(), 4);
}

/// An answer that always breaks off, be it behind all that it has to say: the pull fails, and nothing
/// of it is kept, not even as an answer to be used again.
#[test]
fn an_answer_that_always_breaks_off_is_a_failed_pull_and_nothing_is_kept() {
    let whole = four_days(48.12, 16.4, 191.0).to_string();
    for part in [1, whole.len() / 2, whole.len()] {
        let service = StandIn::serving(vec![Reply::CutShort(whole[..part].to_owned())]);
        let folder = grove(&service.base, NOWHERE);
        let before = files(folder.path());
        let output = pull(folder.path(), &["--source", "open-meteo"]);
        assert_eq!(output.status.code(), Some(2), "{part} bytes: {}", said(&output));
        assert!(said(&output).contains("127.0.0.1"), "{}", said(&output));
        assert_eq!(service.asked().len(), 4, "{part} bytes");
        assert_eq!(files(folder.path()), before, "{part} bytes");
    }
}

#[test]
fn refusals_are_not_asked_again_and_another_service_stands_in() {
    for status in [400, 403, 404, 422] {
        let refusing = StandIn::serving(vec![Reply::status(
            status,
            "{\"error\":true,\"reason\":\"Data corrupted at path ''. Cannot initialize\"}",
        )]);
        let standing_in = StandIn::serving(vec![norwegian()]);
        let folder = grove(&refusing.base, &standing_in.base);
        let output = pull(folder.path(), &[]);
        assert!(output.status.success(), "{status}: {}", said(&output));
        assert_eq!(refusing.asked().len(), 1, "{status}");
        assert_eq!(standing_in.asked().len(), 1, "{status}");
        let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(answer[0]["source"], "met-norway");
        assert!(answer[0]["failed"][0].as_str().unwrap().contains("Data corrupted"));
        let outlook = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(["outlook", "--grove"])
            .arg(folder.path())
            .output()
            .unwrap();
        assert!(said(&outlook).contains("shortwave estimated"), "{}", said(&outlook));
    }
}

#[test]
fn what_a_station_reported_is_observed_and_what_a_gridpoint_says_is_forecast() {
    let with_nws = |base: &str| {
        let folder = grove(NOWHERE, NOWHERE);
        let file = folder.path().join("grove.toml");
        let settings = fs::read_to_string(&file).unwrap() + &format!("nws_url = \"{base}\"\n");
        fs::write(file, settings).unwrap();
        folder
    };
    let pulled = |folder: &TempDir| {
        let output = pull(folder.path(), &["--source", "nws"]);
        assert!(output.status.success(), "{}", said(&output));
        let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
        let kept = fs::read_to_string(folder.path().join("weather/pulled.csv"));
        (answer[0].clone(), kept.unwrap_or_default(), said(&output))
    };

    // The nearest station is silent; the next one has thirty hours.
    let silent = json!({"features": []});
    let service = StandIn::serving(american(vec![silent.clone(), american_reports(30)]));
    let folder = with_nws(&service.base);
    let (answer, kept, said) = pulled(&folder);
    let paths: Vec<String> = service.asked().into_iter().map(|it| it.path).collect();
    let two_days_ago = (Utc::now() - TimeDelta::days(2)).date_naive();
    let reports =
        |id: &str| format!("/stations/{id}/observations?start={two_days_ago}T00%3A00%3A00Z");
    let wanted = [
        "/points/48.1234,16.4000".to_owned(),
        "/gridpoints/XYZ/10,20".into(),
        "/gridpoints/XYZ/10,20/stations".into(),
        reports("KAAA"),
        reports("KBBB"),
    ];
    assert_eq!(paths, wanted);
    assert_eq!(answer["observed_hours"], 29, "an hour needs a report at both ends: {said}");
    assert_eq!(answer["forecast_hours"], 42, "{said}");
    assert!(kept.lines().skip(1).all(|line| line.contains(",20.0,")), "{kept}");

    // No station has anything: the layers' past hours are a forecast still.
    let service = StandIn::serving(american(vec![silent.clone(), silent]));
    let folder = with_nws(&service.base);
    let (answer, kept, said) = pulled(&folder);
    assert_eq!((&answer["observed_hours"], kept.as_str()), (&json!(0), ""), "{said}");
    assert_eq!(answer["forecast_hours"], 48);
    assert!(said.contains("no station reports"), "{said}");

    // A fault at the stations costs the observations only.
    let mut broken = american(Vec::new());
    broken[2] = Reply::status(404, "{\"title\": \"Not Found\", \"status\": 404}");
    let folder = with_nws(&StandIn::serving(broken).base);
    let (answer, _, said) = pulled(&folder);
    assert_eq!(answer["forecast_hours"], 48);
    assert!(said.contains("no station reports"), "{said}");
}

#[test]
fn a_host_that_keeps_failing_is_left_alone() {
    let service = StandIn::serving(vec![Reply::status(500, "no")]);
    let folder = grove(&service.base, NOWHERE);
    for _ in 0..3 {
        assert_eq!(pull(folder.path(), &["--source", "open-meteo"]).status.code(), Some(2));
    }
    assert_eq!(service.asked().len(), 12);
    let output = pull(folder.path(), &["--source", "open-meteo"]);
    assert_eq!(service.asked().len(), 12);
    assert!(said(&output).contains("left alone"), "{}", said(&output));
}

#[test]
fn answers_without_end_or_without_a_word_end_in_time() {
    let service = StandIn::serving(vec![Reply::Endless]);
    let folder = grove(&service.base, NOWHERE);
    let output = pull(folder.path(), &["--source", "open-meteo"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(service.asked().len(), 1, "{}", said(&output));
    assert!(said(&output).contains("more than 1000000 bytes"), "{}", said(&output));

    let service = StandIn::serving(vec![Reply::Silent(Duration::from_secs(20))]);
    let folder = grove(&service.base, NOWHERE);
    let began = std::time::Instant::now();
    assert_eq!(pull(folder.path(), &["--source", "open-meteo"]).status.code(), Some(2));
    assert!(began.elapsed() < Duration::from_secs(15));
}

#[test]
fn odd_answers_never_touch_what_is_stored() {
    let mut unknown_unit = four_days(48.12, 16.4, 191.0);
    unknown_unit["hourly_units"]["temperature_2m"] = json!("°R");
    let mut wrong_length = four_days(48.12, 16.4, 191.0);
    wrong_length["hourly"]["temperature_2m"].as_array_mut().unwrap().pop();
    let mut empty = four_days(48.12, 16.4, 191.0);
    empty["hourly"]["time"] = json!([]);
    for odd in [unknown_unit, wrong_length, empty, json!({"a": 1}), json!([]), json!(null)] {
        let service = StandIn::serving(vec![good(), Reply::ok(odd.to_string())]);
        let folder = grove(&service.base, NOWHERE);
        assert!(pull(folder.path(), &[]).status.success());
        let file = folder.path().join("weather/pulled.csv");
        let before = fs::read(&file).unwrap();
        let output = pull(folder.path(), &["--source", "open-meteo"]);
        assert_eq!(output.status.code(), Some(2), "{odd}: {}", said(&output));
        assert!(said(&output).contains("open-meteo"), "{}", said(&output));
        assert_eq!(fs::read(&file).unwrap(), before);
    }
}

#[test]
fn missing_values_become_gaps_and_are_asked_for_again() {
    let mut holes = four_days(48.12, 16.4, 191.0);
    for index in [20, 21, 22, 23, 24, 25] {
        holes["hourly"]["temperature_2m"][index] = Value::Null;
    }
    let service = StandIn::serving(vec![Reply::ok(holes.to_string()), good()]);
    let folder = grove(&service.base, NOWHERE);
    let first = pull(folder.path(), &[]);
    assert!(first.status.success(), "{}", said(&first));
    let gaps = |output: &Output| {
        let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
        answer[0]["gaps"].as_array().unwrap().len()
    };
    assert!(gaps(&first) > 0, "{}", said(&first));
    let second = pull(folder.path(), &[]);
    assert_eq!(gaps(&second), 0, "{}", said(&second));
}

#[test]
fn a_dry_run_asks_nobody_and_several_groves_share_one_question() {
    let service = StandIn::serving(vec![Reply::ok(
        json!([four_days(48.12, 16.4, 191.0), four_days(48.12, 16.4, 191.0)]).to_string(),
    )]);
    let both = TempDir::new().unwrap();
    let (one, two) = (both.path().join("one"), both.path().join("two"));
    write_grove(&one, &service.base, NOWHERE, 48.1);
    write_grove(&two, &service.base, NOWHERE, 47.9);
    let two_path = two.to_str().unwrap();
    let dry = pull(&one, &[two_path, "--dry-run"]);
    assert!(dry.status.success(), "{}", said(&dry));
    assert!(said(&dry).contains("latitude=48.1000%2C47.9000"), "{}", said(&dry));
    assert!(service.asked().is_empty());
    let output = pull(&one, &[two_path]);
    assert!(output.status.success(), "{}", said(&output));
    assert_eq!(service.asked().len(), 1);
    assert!(one.join("weather/pulled.csv").exists() && two.join("weather/pulled.csv").exists());
}

#[test]
fn a_killed_pull_leaves_a_whole_series() {
    let service = StandIn::serving(vec![good()]);
    let folder = grove(&service.base, NOWHERE);
    for round in 0..50_u64 {
        // Files that a pull would find changed, so that each one writes.
        let _ = fs::remove_file(folder.path().join("weather/pulled.csv"));
        let mut child = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(["pull", "--grove"])
            .arg(folder.path())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(round * 2));
        let _ = child.kill();
        let _ = child.wait();
        let check = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(["check", "--grove"])
            .arg(folder.path())
            .output()
            .unwrap();
        assert!(check.status.success(), "round {round}: {}", said(&check));
        if let Ok(text) = fs::read_to_string(folder.path().join("weather/pulled.csv")) {
            assert!(text.ends_with('\n') && text.lines().count() >= 47, "round {round}");
        }
    }
}

#[test]
fn a_logger_is_read_as_declared_and_its_clock_held_against_the_sun() {
    let folder = TempDir::new().unwrap();
    write_grove(folder.path(), NOWHERE, NOWHERE, 48.1);
    let mut settings = fs::read_to_string(folder.path().join("grove.toml")).unwrap();
    settings += "\n[weather.station]\nfile = \"logger.csv\"\nclock = \"+01:00\"\nlabel = \"end\"\n\
                 time_column = \"t\"\ntime_format = \"%d.%m.%Y %H:%M\"\nmissing = [\"---\"]\n\
                 separator = \";\"\ndecimal_comma = true\n";
    for (name, measure, unit) in [
        ("temp", "air_temp_c", "degF"),
        ("rh", "rel_humidity_pct", "%"),
        ("sun", "shortwave_w_m2", "MJ/m2/h"),
    ] {
        settings += &format!(
            "[[weather.station.columns]]\nname = \"{name}\"\nmeasure = \"{measure}\"\n\
             unit = \"{unit}\"\n"
        );
    }
    fs::write(folder.path().join("grove.toml"), settings).unwrap();
    let mut csv = String::from("t;temp;rh;sun\n");
    for step in -40..=0 {
        let at = hour() + TimeDelta::hours(step + 1);
        let temp = if step == -5 { "---" } else { "64,4" };
        csv += &format!("{};{temp};55,0;0,9\n", at.format("%d.%m.%Y %H:%M"));
    }
    fs::write(folder.path().join("logger.csv"), csv).unwrap();
    let output = pull(folder.path(), &["--source", "station"]);
    assert!(output.status.success(), "{}", said(&output));
    let kept = fs::read_to_string(folder.path().join("weather/pulled.csv")).unwrap();
    let first = kept.lines().nth(1).unwrap();
    assert!(first.contains(",18.0,") && first.contains(",250.0,"), "64.4 F, 0.9 MJ/h: {first}");

    fs::remove_file(folder.path().join("logger.csv")).unwrap();
    let output = pull(folder.path(), &["--source", "station"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(said(&output).contains("logger.csv"), "{}", said(&output));
}

#[test]
fn old_hours_come_from_the_archive_and_members_from_the_ensemble() {
    let service = StandIn::serving(vec![Reply::status(400, "{\"error\":true,\"reason\":\"no\"}")]);
    let folder = grove(&service.base, NOWHERE);
    let mut settings = fs::read_to_string(folder.path().join("grove.toml")).unwrap();
    settings += &format!(
        "open_meteo_archive_url = \"{0}\"\nopen_meteo_ensemble_url = \"{0}\"\n",
        service.base
    );
    fs::write(folder.path().join("grove.toml"), settings).unwrap();
    let old = [
        "--source",
        "open-meteo",
        "--from",
        "2024-01-01T00:00+01:00",
        "--to",
        "2024-02-01T00:00+01:00",
    ];
    assert_eq!(pull(folder.path(), &old).status.code(), Some(2));
    pull(folder.path(), &["--source", "open-meteo", "--ensemble"]);
    let asked = service.asked();
    assert!(asked[0].path.starts_with("/v1/archive?"), "{}", asked[0].path);
    assert!(asked[0].path.contains("start_date=2023-12-31&end_date=2024-01-31"));
    assert!(asked[1].path.starts_with("/v1/ensemble?"), "{}", asked[1].path);
}

#[test]
fn members_of_an_ensemble_are_kept_and_mixed() {
    let mut body = four_days(48.12, 16.4, 191.0);
    let hourly = body["hourly"].as_object().unwrap().clone();
    for (name, values) in &hourly {
        if name == "time" {
            continue;
        }
        for member in 1..=7 {
            // The light of member 7 is a quarter of the control's.
            let share = 1.0 - 0.75 * f64::from(member) / 7.0;
            let of_member = |value: &Value| match name.as_str() {
                "shortwave_radiation" => json!(value.as_f64().unwrap() * share),
                _ => value.clone(),
            };
            let values: Vec<Value> = values.as_array().unwrap().iter().map(of_member).collect();
            let key = format!("{name}_member{member:02}");
            body["hourly_units"][&key] = body["hourly_units"][name].clone();
            body["hourly"][&key] = json!(values);
        }
    }
    let forecast = StandIn::serving(vec![good()]);
    let ensemble = StandIn::serving(vec![Reply::ok(body.to_string())]);
    let folder = grove(&forecast.base, NOWHERE);
    let file = folder.path().join("grove.toml");
    let settings = fs::read_to_string(&file).unwrap()
        + &format!("open_meteo_ensemble_url = \"{}\"\n", ensemble.base);
    fs::write(file, settings).unwrap();
    let start = (hour() + TimeDelta::hours(2)).to_rfc3339();
    fs::write(
        folder.path().join("hang.csv"),
        format!("draw_id,tree_id,start,charge_ml\nd1,A,{start},900\n"),
    )
    .unwrap();
    assert!(pull(folder.path(), &[]).status.success());
    let output = pull(folder.path(), &["--ensemble"]);
    assert!(output.status.success(), "{}", said(&output));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(answer[0]["members"], 8, "{answer}");
    assert_eq!(answer[0]["observed_hours"], 0, "an ensemble observes nothing");

    let times = |more: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(["times", "--json", "--grove"])
            .arg(folder.path())
            .args(more)
            .output()
            .unwrap();
        assert!(output.status.success(), "{}", said(&output));
        serde_json::from_slice::<Value>(&output.stdout).unwrap()
    };
    let words = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args(["tomorrow", "--grove"])
        .arg(folder.path())
        .output()
        .unwrap();
    assert!(said(&words).contains("own ensemble members"), "{}", said(&words));
    // What is uncertain in the weather must widen what is known of the time.
    let probability = |answer: &Value| answer.to_string();
    assert_ne!(probability(&times(&[])), probability(&times(&["--exact-weather"])));
}

#[test]
fn forecasts_are_verified_against_what_came() {
    let folder = grove(NOWHERE, NOWHERE);
    let weather = folder.path().join("weather");
    fs::create_dir_all(&weather).unwrap();
    let header = "hour_ending,air_temp_c,rel_humidity_pct,wind_m_s,shortwave_w_m2,rain_mm";
    let mut observed = format!("{header}\n");
    let mut forecast = format!("{header},issued_at\n");
    let start: DateTime<Utc> = "2026-06-01T00:00:00Z".parse().unwrap();
    for step in 1..=24 * 20 {
        let at = (start + TimeDelta::hours(step)).to_rfc3339();
        let warmth =
            18.0 + 5.0 * (step as f64 / 24.0 * std::f64::consts::TAU).sin() + (step % 7) as f64;
        observed += &format!("{at},{warmth:.2},60,2,300,0\n");
        if step > 24 * 10 && step <= 24 * 14 {
            forecast += &format!("{at},{:.2},60,2,300,0,2026-06-11T00:00:00Z\n", warmth + 1.0);
        }
    }
    fs::write(weather.join("observed.csv"), observed).unwrap();
    fs::write(weather.join("forecast.csv"), forecast).unwrap();
    let output = pull(folder.path(), &["--verify", "--as-of", "2026-06-20T00:00:00Z"]);
    assert!(output.status.success(), "{}", said(&output));
    let answer: Value = serde_json::from_slice(&output.stdout).unwrap();
    let first = &answer["scores"][0];
    assert_eq!(first["variable"], "air_temp_c");
    assert!((first["bias"].as_f64().unwrap() - 1.0).abs() < 0.01, "{first}");
    assert!((first["rmse"].as_f64().unwrap() - 1.0).abs() < 0.01, "{first}");
    assert!(first["skill_against_persistence"].as_f64().unwrap() > 0.0, "{first}");
    assert_eq!(answer["learned"]["pairs"], 96);
}
