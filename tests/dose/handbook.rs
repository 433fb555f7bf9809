//! Handbook and derived values, through the command. Sources: shared/design/trade-facts.md, with
//! the work that each figure comes from named beside it.

use super::{BENCH, Folder, grove, ran};
use serde_json::Value;

fn json(end: &str, trees: &str) -> Value {
    grove(end, trees).run(&["dose", "--json"]).json()
}

fn near(value: &Value, wanted: f64, within: f64) {
    let value = value.as_f64().unwrap_or_else(|| panic!("{value} is no number"));
    assert!((value - wanted).abs() <= within, "{value}, wanted {wanted}");
}

#[test]
fn a_circumference_of_94_2_is_a_dbh_of_29_98() {
    // dbh = circumference / pi (derived).
    let measured = ran(&["dose", "measure", "94.2", "94.2", "--json"]).json();
    near(&measured["mean_dbh_cm"], 29.98, 0.006);
}

#[test]
fn twelve_ports_round_1760_mm_are_147_mm_apart() {
    // Elm trials of July 1976, J. Arboriculture, table of trunks and sites.
    let trees = "tree_id,block,species,circumference_cm,ports\nelm,a,,176,12\n";
    let json = json("", trees);
    near(&json["blocks"][0]["set_up"]["trees"][0]["ports"]["spacing_cm"], 14.7, 0.05);
}

#[test]
fn the_elm_of_56_cm_gets_26_4_litres() {
    // The same trials: 15 mL per mm round, derived as 471 mL per cm dbh.
    let label = "[label]\nlabel_rate_ml_per_cm_dbh = 471\nmin_water_ml_per_ml_product = 0\n";
    let trees = "tree_id,block,species,dbh_cm,ports\nelm,a,,56.0,12\n";
    let json = json(&format!("{label}{BENCH}"), trees);
    let tree = &json["blocks"][0]["doses"]["trees"][0];
    near(&tree["label_dose"]["product_ml"], 26_400.0, 50.0);
    near(&tree["product"]["product_ml"], 26_400.0, 50.0);
}

#[test]
fn a_head_of_1_5_m_is_14_68_kpa_and_a_2_mm_line_carries_15_7() {
    // Head: rho g h at 20 degC (derived); line: Hagen-Poiseuille, 1.5 m of 2 mm bore (derived).
    let kit = "[kit]\nbore_mm = 2\nslack = 0\n[bag]\nhead_m = 1.5\n";
    let json = json(kit, "tree_id,block,species,dbh_cm,ports\nelm,a,,30,8\n");
    near(&json["kits"]["head_kpa"], 14.68, 0.006);
    let longest = json["kits"]["parts"]["kit"]["longest_way_m"].as_f64().unwrap();
    let line = json["kits"]["line"].as_f64().unwrap();
    near(&Value::from(line * longest / 1.5), 15.7, 0.05);
}

#[test]
fn cold_mix_runs_as_the_viscosity_table_says() {
    // Ratios to 20 degC of two handbooks' viscosities (trade facts, section 3).
    let trees = "tree_id,block,species,dbh_cm,ports\nelm,a,,30,8\n";
    let line = |degc: u32| {
        let json = json(&format!("[kit]\nmix_temp_c = {degc}\n"), trees);
        json["kits"]["line"].as_f64().unwrap()
    };
    let at_20 = line(20);
    for (degc, ratio) in [(0, 0.57), (10, 0.77), (30, 1.26), (40, 1.54)] {
        near(&Value::from(line(degc) / at_20), ratio, 0.006);
    }
}

#[test]
fn a_fill_of_32_fluid_ounces_is_946_ml() {
    // US gallon of 231 cubic inches, 128 fl oz; the fill is common practice, no source.
    let label = "[label]\nper_tree_ml = 100\nmin_water_ml_per_ml_product = 9\n\
                 [mixing]\npour_mark_fl_oz = 1\nwater_mark_fl_oz = 0.1\nproduct_mark_fl_oz = 0.1\n";
    let folder = grove(label, "tree_id,block,species,dbh_cm,ports\nelm,a,,30,8\n");
    let json = folder.run(&["dose", "--json"]).json();
    let mix_ml = json["blocks"][0]["doses"]["trees"][0]["mix_ml"].as_f64().unwrap();
    let rows = folder.run(&["dose", "--csv", "--units", "us"]).rows();
    let at = rows[0].iter().position(|name| name == "mix_fl_oz").unwrap();
    let fl_oz: f64 = rows[1][at].parse().unwrap();
    near(&Value::from(32.0 * mix_ml / fl_oz), 946.0, 0.5);
}

#[test]
fn small_middle_and_large_trees_take_6_8_and_12_ports() {
    // One to 15 cm of bark (Reil 1979, California Agriculture 33(6)), 6 to 12 (common practice).
    let trees = "tree_id,block,species,circumference_cm,ports\n\
                 s,a,,90,1\nm,a,,120,1\nl,a,,180,1\n";
    let json = json("", trees);
    let trees = json["blocks"][0]["set_up"]["trees"].as_array().unwrap();
    let ports: Vec<u64> =
        trees.iter().map(|tree| tree["by_practice"]["ports"].as_u64().unwrap()).collect();
    assert_eq!(ports, [6, 8, 12]);
}

#[test]
fn a_sample_of_ten_as_students_t_has_it() {
    // t(0.975, 9) = 2.262 (Student's table); half width 2.262 s / sqrt(10), worked out here apart.
    let list = [94.2, 88.0, 101.0, 97.0, 92.5, 99.0, 90.0, 95.5, 103.0, 86.0];
    let text: Vec<String> = list.iter().map(f64::to_string).collect();
    let line: Vec<&str> = text.iter().map(String::as_str).collect();
    let json = ran(&[&["dose", "measure", "--json"], &line[..]].concat()).json();
    let mean = list.iter().sum::<f64>() / 10.0;
    let sd = (list.iter().map(|c| (c - mean) * (c - mean)).sum::<f64>() / 9.0).sqrt();
    let half = 2.262 * sd / 10f64.sqrt() / std::f64::consts::PI;
    let spread = &json["spread"];
    let (low, high) = (spread["low_cm"].as_f64().unwrap(), spread["high_cm"].as_f64().unwrap());
    near(&Value::from((high - low) / 2.0), half, 0.001);
    assert_eq!(json["large_enough"], true);
}

#[test]
fn settings_say_how_sure_a_sample_is_to_be() {
    let folder = Folder::bare()
        .with("grove.toml", &super::toml("[wishes]\ndbh_precision = 0.02\n"))
        .with("list.txt", "94 96 101 88");
    let path = folder.path("list.txt");
    let json = folder.run(&["dose", "measure", path.to_str().unwrap(), "--json"]).json();
    assert_eq!((&json["wished_precision"], &json["large_enough"]), (&0.02.into(), &false.into()));
}
