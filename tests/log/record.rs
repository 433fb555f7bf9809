//! The working record in all its forms.

use super::folder::{Sky, fair, settings};
use super::{Folder, shows};

const LABEL: &str = "[label]\nproduct_name = \"Invented Mix\"\nregistration_number = \"R-000\"\n\
                     label_rate_ml_per_cm_dbh = 0.7\nre_entry_h = 24\npre_harvest_days = 180\n\
                     min_interval_days = 365\n[season]\nleaf_on_from = \"09-15\"\n\
                     leaf_off_from = \"05-20\"\n[record]\ncustomer = \"Invented Parks\"\n\
                     size_ha = 0.4\napplicator = \"A. Example\"\nsupervised = \"none\"";

fn recorded() -> Folder {
    let observed = Sky { from: "2026-01-12T13:30:00", hours: 48, issued: None, ..fair() };
    let day = "2026-01-13T";
    let draws = format!(
        "draw_id,tree_id,started,charge_ml,first_empty,stripped,left_ml,kit_id\n\
         d1,T1,{day}08:00+10:30,1000,,{day}11:10+10:30,120,K1\n\
         d2,T2,{day}08:30+10:30,1000,,{day}11:20+10:30,,\n\
         d3,T3,{day}08:40+10:30,900,{day}11:30+10:30,,,\n\
         d4,T3,{day}12:40+10:30,900,,,,\n"
    );
    let applications = format!(
        "application_id,tree_id,draw_id,applied,product_ml,water_ml,leaked_ml,lot,licence,note\n\
         a1,T1,d1,{day}08:00+10:30,17.8,982.2,,L7,LIC-9,\"<script>alert(1)</script> & more\"\n\
         a2,T2,d2,{day}08:30+10:30,18.9,981.1,,L7,,=1+1\n\
         a3,T3,d3,{day}08:40+10:30,20,880,30,-5,LIC-9,\"-2+3, \"\"so\"\"\"\n"
    );
    Folder::bare()
        .with("grove.toml", &settings("Australia/Adelaide", -35.0, 138.8, "", LABEL))
        .with("weather/observed.csv", &observed.csv())
        .with("draws.csv", &draws)
        .with("readings.csv", &format!("draw_id,time,left_ml\nd1,{day}09:00+10:30,700\n"))
        .with("applications.csv", &applications)
}

const NOTICE: &str = "Working record, not a legal form.";

#[test]
fn as_a_table() {
    let ran = recorded().run(&["record"]);
    assert_eq!(ran.code, 0, "{}", ran.err);
    shows("record", &ran.out);
}

#[test]
fn amounts_in_the_rows_add_up_and_say_the_same_as_json() {
    let folder = recorded();
    let rows = folder.run(&["record", "--csv"]).rows();
    let json = folder.run(&["record", "--json"]).json();
    let column = |name: &str| rows[0].iter().position(|column| column == name).unwrap();
    let value = |row: &Vec<String>, name: &str| row[column(name)].parse::<f64>().ok();
    let mut sums = [0.0; 4];
    for (row, line) in rows[1..].iter().zip(json["lines"].as_array().unwrap()) {
        let names = ["loaded_ml", "recovered_ml", "leaked_ml", "delivered_ml"];
        let amounts = names.map(|name| value(row, name));
        assert_eq!(amounts, names.map(|name| line[name].as_f64()));
        if let [Some(loaded), Some(recovered), Some(leaked), Some(delivered)] = amounts {
            assert!((loaded - recovered - leaked - delivered).abs() < 1e-9);
            for (sum, amount) in sums.iter_mut().zip([loaded, recovered, leaked, delivered]) {
                *sum += amount;
            }
        }
        assert!(row[column("notice")].starts_with(NOTICE));
    }
    let totals = json["totals"].as_array().unwrap();
    for (sum, name) in sums.iter().zip(["loaded_ml", "recovered_ml", "leaked_ml", "delivered_ml"]) {
        let total: f64 = totals.iter().map(|total| total[name].as_f64().unwrap()).sum();
        assert!((sum - total).abs() < 1e-9, "{name}");
    }
    assert_eq!(sums, [1900.0, 120.0, 30.0, 1750.0]);
    assert!(json["notice"].as_str().unwrap().starts_with(NOTICE));
    assert_eq!(json["draws_without"], serde_json::json!(["d4"]));
}

#[test]
fn no_cell_is_a_formula_and_numbers_stay_numbers() {
    let folder = recorded();
    let rows = folder.run(&["record", "--csv"]).rows();
    let column = |name: &str| rows[0].iter().position(|column| column == name).unwrap();
    assert_eq!(rows[2][column("note")], "'=1+1");
    assert_eq!(rows[3][column("note")], "'-2+3, \"so\"");
    assert_eq!(rows[3][column("lot")], "-5");
    for cell in rows.iter().flatten() {
        let formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
        assert!(!formula || cell.parse::<f64>().is_ok(), "{cell}");
    }
}

#[test]
fn the_sheet_escapes_what_users_wrote_and_carries_no_script() {
    let folder = recorded();
    let sheet = folder.path("record.html");
    let ran = folder.run(&["record", "--html", sheet.to_str().unwrap()]);
    assert_eq!((ran.code, ran.out.as_str()), (0, ""), "{}", ran.err);
    let html = std::fs::read_to_string(sheet).unwrap();
    assert!(html.starts_with("<!DOCTYPE html>") && html.contains("@page"));
    assert!(html.contains("&lt;script&gt;alert(1)&lt;/script&gt; &amp; more"));
    for word in ["<script", "javascript:", "http://", "https://", "onload", "<link", "<img"] {
        assert!(!html.contains(word), "{word}");
    }
    assert_eq!(html.matches(NOTICE).count(), 2);
    let words = html.replace("not a legal form", "").to_lowercase();
    for claim in ["complies", "compliant", "compliance", "legal form"] {
        assert!(!words.contains(claim), "{claim}");
    }
    for fact in ["Invented Mix", "R-000", "0.7 mL per cm dbh", "LIC-9", "17.8 mL", "880 mL"] {
        assert!(html.contains(fact), "{fact}");
    }
}

#[test]
fn days_and_trees_can_be_picked() {
    let folder = recorded();
    let lines = |line: &[&str]| {
        let ran = folder.run(&[&["record", "--json"], line].concat());
        (ran.code, ran.json()["lines"].as_array().unwrap().len())
    };
    assert_eq!(lines(&["--tree", "T1"]), (0, 1));
    assert_eq!(lines(&["--from", "2026-01-13", "--to", "2026-01-13"]), (0, 3));
    assert_eq!(lines(&["--from", "2026-01-14"]), (1, 0));
    let none = folder.run(&["record", "--tree", "T9"]);
    assert!(none.code == 2 && none.err.contains("tree 'T9' is not in trees.csv"), "{}", none.err);
}
