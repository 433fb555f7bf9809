//! Which texts there are, as the program says it, and what is sound to send beside one.

use super::*;

/// Tables that hold no text of a user's, or one that another way here brings in, with which.
pub const ELSEWHERE: [(&str, &str); 9] = [
    ("groves", "grove.toml"),
    ("weather_files", "names of our own files and columns"),
    ("weather_pulled", "names of the program's own sources"),
    ("forecasts", "names of the program's own sources"),
    ("forecast_pulled_hours", "names of the program's own sources"),
    ("models", "a model file is held to its digest; tests/cli.rs"),
    ("batches", "words of ours"),
    ("audit", "the rows of all others, as JSON; shown nowhere"),
    ("acting", "who is logged in; see people"),
];

/// Trees on which bags come and go; the others of the grove are to be hung.
pub const TREES_OF_ONE_BAG: i64 = 60;

/// From here on the numbers of rows that have a column of a nasty name.
pub const NAMES: i64 = 100 * TREES_OF_ONE_BAG + TREES_OF_ONE_BAG / 2;

pub const ZONE: &str = "Australia/Adelaide";

pub fn hour() -> DateTime<Utc> {
    Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap()
}

pub fn stamp(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// The text columns of a new database, table by table.
pub fn text_columns() -> Vec<(String, String)> {
    let at = tempfile::tempdir().unwrap();
    let database = Database::open_or_create(&at.path().join("grove.db"), Utc::now()).unwrap();
    let question = "SELECT t.name, c.name FROM sqlite_schema t, pragma_table_info(t.name) c
                    WHERE t.type = 'table' AND c.type = 'TEXT' ORDER BY t.name = 'trees' DESC, t.rowid, c.cid";
    let text = |cell: &Cell| match cell {
        Cell::Text(text) => text.clone(),
        other => panic!("{other:?}"),
    };
    let rows = database.look(question).unwrap();
    rows.iter().map(|row| (text(&row[0]), text(&row[1]))).collect()
}

/// The file of a table, and a row of it that is sound: the `number`-th, unlike all others.
pub fn sound_row(table: &str, column: &str, number: i64) -> Option<(&'static str, Row)> {
    let now = hour();
    let ago = |minutes: i64| stamp(now - TimeDelta::minutes(minutes));
    let within = |minutes: i64, seconds: i64| {
        stamp(now - TimeDelta::minutes(minutes) + TimeDelta::seconds(seconds))
    };
    let id = format!("{table}-{number}");
    let tree = format!("S{:02}", number % TREES_OF_ONE_BAG);
    let (file, cells): (_, Vec<(&str, String)>) = match table {
        "trees" => (
            "trees.csv",
            vec![
                ("tree_id", id),
                ("block", "north".into()),
                ("species", "elm".into()),
                ("circumference_cm", "90".into()),
                ("ports", "6".into()),
            ],
        ),
        "blocks" => {
            let block = format!("b{:02}", number % TREES_OF_ONE_BAG);
            ("blocks.csv", vec![("block", block), ("area_ha", "1".into())])
        }
        "ports" => (
            "ports.csv",
            vec![
                ("tree_id", "S00".into()),
                ("date", (now - TimeDelta::days(number + 1)).date_naive().to_string()),
                ("hole", "1".into()),
                ("height_cm", "20".into()),
            ],
        ),
        "kits" => ("kits.csv", vec![("kit_id", id), ("tips", "8".into())]),
        "draws" => (
            "draws.csv",
            vec![
                ("draw_id", id),
                ("tree_id", tree),
                ("started", ago(500 + 40 * number)),
                ("charge_ml", "1000".into()),
                // Those hang still, so that Today shows them and readings can tell of them.
                (
                    "stripped",
                    if matches!(column, "crew" | "draw_id") {
                        String::new()
                    } else {
                        ago(470 + 40 * number)
                    },
                ),
            ],
        ),
        "readings" => (
            "readings.csv",
            vec![("draw_id", "D1".into()), ("time", within(60, number)), ("left_ml", "900".into())],
        ),
        "pauses" => (
            "pauses.csv",
            vec![
                ("draw_id", "D1".into()),
                ("from", within(190, 4 * number)),
                ("to", within(190, 4 * number + 2)),
            ],
        ),
        "intended" => (
            "hang.csv",
            vec![
                ("draw_id", id),
                ("tree_id", "S00".into()),
                ("start", ago(-24 * 60)),
                ("charge_ml", "1000".into()),
            ],
        ),
        "applications" => (
            "applications.csv",
            vec![
                ("application_id", id),
                ("tree_id", "S00".into()),
                ("applied", ago(5000)),
                ("product_ml", "1".into()),
            ],
        ),
        "entries" => {
            let act = match column {
                "tree_id" | "kit_id" => "start",
                "why" => "pause",
                "of_key" => "undo",
                _ => "reading",
            };
            let mut cells = vec![
                ("key", id.clone()),
                ("noted", ago(20)),
                ("at", ago(20)),
                ("act", act.to_owned()),
            ];
            match act {
                "start" => cells.extend([
                    ("draw_id", id),
                    ("tree_id", tree),
                    ("charge_ml", "1000".into()),
                    ("ports", "8".into()),
                ]),
                "pause" => cells.push(("draw_id", "D1".into())),
                "reading" => cells.extend([("draw_id", "D1".into()), ("state", "wet".into())]),
                _ => {}
            }
            ("journal.csv", cells)
        }
        "weather_observed" => (
            "weather/observed.csv",
            vec![
                ("hour_ending", ago(60 * (200 + number))),
                ("air_temp_c", "20".into()),
                ("rel_humidity_pct", "50".into()),
            ],
        ),
        "forecast_hours" => (
            "weather/forecast.csv",
            vec![
                ("issued_at", ago(60 * (300 + number))),
                ("hour_ending", ago(-60)),
                ("air_temp_c", "20".into()),
                ("rel_humidity_pct", "50".into()),
            ],
        ),
        _ => return None,
    };
    Some((file, cells.into_iter().map(|(name, cell)| (name.to_owned(), cell)).collect()))
}

pub type Row = BTreeMap<String, String>;

/// Rows of one form as a file, with the line at which each begins.
pub fn csv(rows: &[&Row]) -> (Vec<u8>, Vec<usize>) {
    let mut text = String::new();
    let mut lines = Vec::new();
    let mut write = |cells: Vec<&String>| {
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(cells).unwrap();
        lines.push(text.matches('\n').count() + 1);
        text += std::str::from_utf8(&writer.into_inner().unwrap()).unwrap();
    };
    write(rows[0].keys().collect());
    rows.iter().for_each(|row| write(row.values().collect()));
    (text.into_bytes(), lines.split_off(1))
}

/// `grove.toml` of the least with one more text, or with none.
pub fn settings(texts: &[((String, String), &str)]) -> String {
    let mut whole: toml::Table = toml::from_str(&format!(
        "name = 'plain'\ntime_zone = '{ZONE}'\nlatitude_deg = -34.9\nlongitude_deg = 138.6\n\
         elevation_m = 45\n[label]\nlabel_rate_ml_per_cm_dbh = 1\n[crew]\npeople = 3\n"
    ))
    .unwrap();
    for ((section, key), text) in texts {
        let table = match section.as_str() {
            "" => &mut whole,
            section => {
                let empty = || toml::Value::Table(toml::Table::new());
                whole.entry(section).or_insert_with(empty).as_table_mut().unwrap()
            }
        };
        table.insert(key.clone(), (*text).into());
    }
    whole.to_string()
}

pub const TREES: &str = "tree_id,block,species,circumference_cm,ports\n";

pub fn read_with(settings: &str) -> Result<Grove, String> {
    let files = Files::from([("grove.toml", settings.as_bytes()), ("trees.csv", TREES.as_bytes())]);
    Grove::read(&files).map_err(|refused| refused.to_string())
}

/// The keys that `grove.toml` may have, with their table, as the program tells them to whoever writes
/// one that it does not know.
pub fn keys() -> Vec<(String, String)> {
    let names = |text: &str| -> Option<Vec<String>> {
        let told = toml::from_str::<toml::Table>(text).is_ok().then(|| read_with(text))?;
        let told = told.unwrap_err();
        let list = told.split("unknown field `zz`, expected one of ").nth(1)?.split(';').next()?;
        let names = list.split(", ").map(|name| name.trim_matches('`').to_owned());
        Some(names.collect())
    };
    let mut keys = Vec::new();
    for key in names("zz = 1").expect("an unknown key is told with those that are known") {
        match names(&format!("[{key}]\nzz = 1")) {
            Some(within) => keys.extend(within.into_iter().map(|name| (key.clone(), name))),
            None => keys.push((String::new(), key)),
        }
    }
    keys
}

/// A grove with enough in it that all pages have something to show: trees, a bag that hangs, weather
/// about now.
pub fn grove(settings: &str, trees_of_one_bag: i64) -> Vec<(&'static str, String)> {
    let now = hour();
    let hours = |from: i64, to: i64, issued: &str| {
        let mut text = String::from("hour_ending,air_temp_c,rel_humidity_pct,shortwave_w_m2");
        text += if issued.is_empty() { "\n" } else { ",issued_at\n" };
        for hour in from..to {
            text += &format!("{},22,50,400{issued}\n", stamp(now + TimeDelta::hours(hour)));
        }
        text
    };
    let issued = format!(",{}", stamp(now - TimeDelta::hours(1)));
    let trees: String =
        (0..trees_of_one_bag).map(|tree| format!("S{tree:02},b{tree:02},elm,90,6,no\n")).collect();
    let ago = |hours: i64| stamp(now - TimeDelta::hours(hours));
    let started = ago(4);
    vec![
        ("grove.toml", settings.to_owned()),
        (
            "trees.csv",
            format!(
                "tree_id,block,species,circumference_cm,ports,hang\nT1,north,elm,90,6,yes\nT2,north,elm,95,6,yes\n{trees}"
            ),
        ),
        (
            "draws.csv",
            format!(
                "draw_id,tree_id,started,charge_ml,last_wet,first_empty,stripped\n\
                 D0,T2,{},1000,{},{},{}\nD1,T1,{started},1000,,,\n",
                ago(30),
                ago(28),
                ago(27),
                ago(26)
            ),
        ),
        ("weather/observed.csv", hours(-40, 1, "")),
        ("weather/forecast.csv", hours(1, 40, &issued)),
    ]
}

pub fn fields_of(page: &str, action: &str) -> Vec<String> {
    let form = page.split("<form").find(|form| form.contains(&format!("action=\"{action}\"")));
    let form = form.unwrap_or_else(|| panic!("no form leads to {action}: {page}"));
    let form = form.split("</form>").next().unwrap();
    let names = form.split(" name=\"").skip(1).map(|rest| rest.split('"').next().unwrap());
    names.map(str::to_owned).collect()
}

/// The kinds of entries that the document describes, with the fields of each that are text.
pub async fn acts(service: &Service) -> Vec<(String, Vec<String>)> {
    let answer = get(service, "/api/v1/openapi.json", "application/json").await;
    let document: Value = serde_json::from_str(&answer.text).unwrap();
    let kinds = document["components"]["schemas"]["What"]["oneOf"].as_array().cloned().unwrap();
    let is_text = |about: &Value| {
        about["type"] == "string"
            || about["type"].as_array().is_some_and(|all| all.contains(&json!("string")))
    };
    let told = kinds.iter().map(|kind| {
        let parts = kind["allOf"].as_array().cloned().unwrap_or_else(|| vec![kind.clone()]);
        let own: Vec<(String, Value)> = parts
            .iter()
            .filter_map(|part| part["properties"].as_object())
            .flat_map(|own| own.clone())
            .collect();
        let word =
            own.iter().find(|(name, _)| name == "kind").map(|(_, about)| about["enum"][0].clone());
        let word = word.unwrap().as_str().unwrap().to_owned();
        let texts = own.iter().filter(|(name, about)| name != "kind" && is_text(about));
        let mut texts: Vec<String> = texts.map(|(name, _)| name.clone()).collect();
        // The draw of a nasty name stays, for what is noted of it.
        texts.sort_by_key(|name| name == "draw_id");
        (word, texts)
    });
    let mut acts: Vec<(String, Vec<String>)> = told.collect();
    // So that each of them can still be: what ends a bag comes last.
    let last = ["empty", "strip", "undo"];
    acts.sort_by_key(|(kind, _)| last.iter().position(|own| own == kind).map_or(0, |at| at + 1));
    acts
}
