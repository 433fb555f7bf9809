use super::super::{Files, Grove, SETTINGS};
use super::*;

const TOML: &str = "name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\n\
                    longitude_deg = 138.7\nelevation_m = 120\n[label]\nmin_interval_days = 365\n";
const TREE_ROWS: &str = "tree_id,block,species,dbh_cm,ports,last_treated\nA1,North,,30,8,\n\
                         A2,North,,40,8,2025-03-01\n";
const DRAW_ROWS: &str = "draw_id,tree_id,started,charge_ml,stripped,kit_id\n\
                         d1,A1,2026-01-14T09:00+10:30,1000,2026-01-14T12:00+10:30,K1\n";

fn read(more: &[(&str, &str)]) -> Result<Grove, Vec<String>> {
    let mut files = Files::from([
        (SETTINGS, TOML.as_bytes()),
        (TREES, TREE_ROWS.as_bytes()),
        ("draws.csv", DRAW_ROWS.as_bytes()),
    ]);
    files.extend(more.iter().map(|(name, text)| (*name, text.as_bytes())));
    Grove::read(&files).map_err(|refused| refused.flaws.iter().map(ToString::to_string).collect())
}

#[test]
fn full_rows() {
    let ports =
        "tree_id,date,hole,height_cm,azimuth_deg,note\nA1,2026-01-14,1,15.5,90,by the gate\n";
    let kits = "kit_id,capacity_ml,tips,bought,note\nK1,1000,8,2024-05-01,\nK2,,,,\n";
    let applications = "application_id,tree_id,draw_id,applied,lot,product_ml,water_ml,re_entry_until,\
         pre_harvest_until\nr1,A1,d1,2026-01-14T09:00+10:30,L7,100,900,2026-01-15T09:00+10:30,\
         2026-07-13\n";
    let grove = read(&[(PORTS, ports), (KITS, kits), (APPLICATIONS, applications)]).unwrap();
    assert_eq!((grove.ports[0].hole, grove.ports[0].height_cm), (1, 15.5));
    assert_eq!((grove.kits[0].tips, grove.kits[1].capacity), (Some(8), None));
    assert_eq!(grove.applications[0].product.unwrap().value(), 100.0);
    assert_eq!(grove.draws[0].kit.as_deref(), Some("K1"));
    let next = |tree: usize| grove.earliest_next(&grove.trees[tree]).map(|day| day.to_string());
    assert_eq!(next(0).as_deref(), Some("2027-01-14"), "by the application");
    assert_eq!(next(1).as_deref(), Some("2026-03-01"), "by last_treated");
}

#[test]
fn every_bad_cell_is_told() {
    let ports = "tree_id,date,hole,height_cm,azimuth_deg\nA9,,1,15,\nA1,2026-01-14,1,1500,400\n\
                 A1,2026-01-15,2,15,\nA1,2026-01-15,2,15,\n";
    let kits = "kit_id,tips\nK1,55\nK1,\n";
    let applications = "application_id,tree_id,draw_id,applied,product_ml,re_entry_until\n\
                        r1,A2,d1,2026-01-14T09:00+10:30,,2026-01-13T09:00+10:30\n\
                        r2,A1,d9,,5,\n";
    assert_eq!(
        read(&[(PORTS, ports), (KITS, kits), (APPLICATIONS, applications)]).unwrap_err(),
        [
            "ports.csv row 2: tree_id 'A9' is not in trees.csv; correct it, or add it there",
            "ports.csv row 2: date is empty; every row needs it",
            "ports.csv row 3: height_cm 1500 cm is outside 0 to 300 cm; if this is in mm, divide \
             by 10",
            "ports.csv row 3: azimuth_deg 400 deg is outside 0 to 360 deg; north is 0, east 90, \
             south 180, west 270",
            "ports.csv row 5: hole 'A1 2026-01-15 hole 2' stands already in row 4; each may stand \
             once",
            "kits.csv row 2: tips 55 is outside 1 to 40; correct the count",
            "kits.csv row 3: kit_id 'K1' stands already in row 2; each may stand once",
            "applications.csv row 2: draw_id 'd1' hangs on tree 'A1'; correct one of the two",
            "applications.csv row 2: product_ml and product_g are both empty; fill one of them",
            "applications.csv row 2: re_entry_until 2026-01-13T09:00:00+10:30 must not be before \
             applied 2026-01-14T09:00:00+10:30; correct one of the two",
            "applications.csv row 3: draw_id 'd9' is not in draws.csv; correct it, or add it there",
            "applications.csv row 3: applied is empty; every row needs it",
        ]
    );
}

#[test]
fn a_kit_hangs_on_one_tree_at_a_time() {
    let draws = |rows: &str| format!("draw_id,tree_id,started,charge_ml,stripped,kit_id\n{rows}");
    let later = "d2,A2,2026-01-14T12:00+10:30,1000,,K1\n";
    let earlier =
        |stripped: &str| format!("{later}d1,A1,2026-01-14T09:00+10:30,1000,{stripped},K1\n");
    assert!(read(&[("draws.csv", &draws(&earlier("2026-01-14T12:00+10:30")))]).is_ok());
    let flaws = read(&[("draws.csv", &draws(&earlier("2026-01-14T12:01+10:30")))]).unwrap_err();
    assert_eq!(
        flaws,
        ["draws.csv row 2: kit_id 'K1' hangs from 2026-01-14T09:00:00+10:30 to \
          2026-01-14T12:01:00+10:30 in draw 'd1': one kit on one tree at a time; correct the kit, \
          or write when it was stripped there"]
    );
    let flaws = read(&[("draws.csv", &draws(&earlier("")))]).unwrap_err();
    assert!(flaws[0].contains("+10:30 on, with no strip in draw 'd1'"), "{flaws:?}");
    let late_note = "d1,A1,2026-01-14T09:00+10:30,1000,,K1\n\
                     d2,A2,2026-01-14T12:00+10:30,1000,2026-01-14T13:00+10:30,K1\n";
    assert!(read(&[("draws.csv", &draws(late_note))]).is_ok(), "its strip is still to come");
}
