use super::*;
use crate::grove::{RateOf, RatePer};
use proptest::prelude::*;

const LEAST: &str = "name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\n\
                     longitude_deg = 138.7\nelevation_m = 120\n";

fn read(text: &str) -> (Option<Settings>, Vec<String>, Vec<String>) {
    let mut findings = Findings::default();
    let settings = Settings::read(text, &mut findings);
    let flaws = findings.flaws.iter().map(ToString::to_string).collect();
    (settings, flaws, findings.notes.iter().map(ToString::to_string).collect())
}

fn flaws(more: &str) -> Vec<String> {
    let (settings, flaws, _) = read(&format!("{LEAST}{more}"));
    assert_eq!(settings.is_some(), flaws.is_empty());
    flaws
}

#[test]
fn the_least_takes_the_habits_of_the_trade_and_nothing_from_a_label() {
    let (settings, flaws, notes) = read(LEAST);
    assert_eq!((flaws, notes), (vec![], vec![]));
    let settings = settings.unwrap();
    assert_eq!(settings.label, Label::default());
    assert_eq!(settings.season, Season::default());
    assert_eq!(settings.public_access, None);
    assert_eq!(settings.wishes, Wishes { sure: 0.9, latest_done: None, dbh_precision: None });
    assert_eq!((settings.bag.capacity.value(), settings.bag.charge.value()), (1000.0, 1000.0));
    assert_eq!(
        settings.defaulted,
        [
            "anemometer_height_m",
            "crew.people",
            "crew.kits",
            "crew.day_starts",
            "crew.day_ends",
            "crew.set_min",
            "crew.per_port_min",
            "crew.strip_min",
            "crew.walk_min",
            "crew.check_every_min",
            "plan.leak_check_min",
            "plan.second_look_min",
            "plan.look_slack_min",
            "plan.look_min",
            "plan.refill_min",
            "plan.walk_blocks_min",
            "plan.break_slack_min",
            "plan.heat_rest_min_per_h",
            "plan.walk_m_per_min",
            "plan.breaks",
            "bag.capacity_ml",
            "bag.charge_ml",
            "bag.head_m",
            "wishes.sure",
        ]
    );
}

#[test]
fn everything_typed_is_kept() {
    let (settings, flaws, _) = read(&format!(
        "{LEAST}anemometer_height_m = 10\npublic_access = false\n\
         [crew]\npeople = 3\nkits = 40\nday_starts = \"07:30\"\nday_ends = 17:45:00\nset_min = 9.5\n\
         per_port_min = 1\nstrip_min = 4\nwalk_min = 1\ncheck_every_min = 30\n\
         [plan]\nleak_check_min = 6\nsecond_look_min = 25\nlook_slack_min = 10\nlook_min = 2\n\
         refill_min = 6\nwalk_blocks_min = 8\nwalk_m_per_min = 50\nbreaks = []\n\
         break_slack_min = 20\nheat_rest_min_per_h = 15\n\
         [label]\nproduct_name = \"P\"\nregistration_number = \"12-3\"\n\
         label_rate_ml_per_cm_dbh = 0.7\nmin_water_ml_per_ml_product = 9\nmax_per_tree_ml = 60\n\
         unattended_allowed = true\nmean_dose_allowed = false\nre_entry_h = 12\n\
         pre_harvest_days = 180\nmin_interval_days = 365\nmax_air_temp_c = 32\nmin_air_temp_c = 5\n\
         [bag]\ncapacity_ml = 2000\ncharge_ml = 1500\nhead_m = 1.2\n\
         [season]\nleaf_on_from = \"09-15\"\nleaf_off_from = 2026-05-20\nbloom_from = \"10-01\"\n\
         bloom_to = \"10-20\"\n[wishes]\nsure = 0.8\nlatest_done = \"18:00\"\n"
    ));
    assert_eq!(flaws, [] as [&str; 0]);
    let settings = settings.unwrap();
    assert_eq!(settings.defaulted, [] as [&str; 0]);
    assert_eq!(settings.public_access, Some(false));
    assert_eq!(settings.crew.day_ends.to_string(), "17:45:00");
    let per = RatePer::CentimetreDbh;
    let rate = LabelRate { amount: 0.7, of: RateOf::Millilitres, per };
    assert_eq!(settings.label.rate, Some(rate));
    assert_eq!(settings.label.unattended_allowed, Some(true));
    assert_eq!(settings.label.pre_harvest_days, Some(180));
    assert_eq!(settings.label.max_air_temp.unwrap().value(), 32.0);
    assert_eq!(settings.bag.charge.value(), 1500.0);
    assert!(settings.season.bloom.is_some());
    assert_eq!(settings.wishes.latest_done.unwrap().to_string(), "18:00:00");
}

#[test]
fn one_key_for_each_unit_of_a_label_rate() {
    use RateOf::{Grams, Millilitres};
    for (key, of, per) in [
        ("label_rate_ml_per_cm_dbh", Millilitres, RatePer::CentimetreDbh),
        ("label_rate_g_per_cm_dbh", Grams, RatePer::CentimetreDbh),
        ("label_rate_ml_per_inch_dbh", Millilitres, RatePer::InchDbh),
        ("label_rate_g_per_inch_dbh", Grams, RatePer::InchDbh),
        ("per_cm_circumference_ml", Millilitres, RatePer::CentimetreCircumference),
        ("per_cm_circumference_g", Grams, RatePer::CentimetreCircumference),
        ("per_cm2_basal_area_ml", Millilitres, RatePer::SquareCentimetreBasalArea),
        ("per_cm2_basal_area_g", Grams, RatePer::SquareCentimetreBasalArea),
        ("per_tree_ml", Millilitres, RatePer::Tree),
        ("per_tree_g", Grams, RatePer::Tree),
    ] {
        let (settings, flaws, _) = read(&format!("{LEAST}[label]\n{key} = 2\n"));
        assert_eq!(flaws, [] as [&str; 0], "{key}");
        let rate = LabelRate { amount: 2.0, of, per };
        assert_eq!(settings.unwrap().label.rate, Some(rate), "{key}");
    }
    assert_eq!(
        flaws("[label]\nper_tree_ml = 2\nlabel_rate_ml_per_cm_dbh = 3\n"),
        ["grove.toml line 7: label.per_tree_ml is a second label rate beside \
             label.label_rate_ml_per_cm_dbh; keep the one that the label uses",]
    );
}

#[test]
fn every_missing_key_and_bad_value_is_told_at_once_with_its_line() {
    let (settings, flaws, _) = read(
        "name = \"Home\"\ntime_zone = \"Adelaide\"\nlatitude_deg = -134.5\n\n[crew]\npeople = 0\n\
         day_starts = \"7am\"\n[wishes]\nsure = 95\n",
    );
    assert_eq!(settings, None);
    assert_eq!(
        flaws,
        [
            "grove.toml line 2: time_zone 'Adelaide' is no IANA time zone; write one such as \
             \"Europe/Madrid\"",
            "grove.toml: longitude_deg is missing; add a line such as `longitude_deg = 138.7`",
            "grove.toml: elevation_m is missing; add a line such as `elevation_m = 120`",
            "grove.toml line 3: latitude_deg -134.5 deg is outside -90 to 90 deg; correct the value \
             or its unit",
            "grove.toml line 6: crew.people 0 is outside 1 to 100; correct the value",
            "grove.toml line 7: crew.day_starts '7am' is not a time of day; write it as 07:30",
            "grove.toml line 9: wishes.sure 95 is outside 0.5 to 0.99; correct the value or its \
             unit",
        ]
    );
}

#[test]
fn values_that_contradict_each_other() {
    assert_eq!(
        flaws("[bag]\ncapacity_ml = 500\ncharge_ml = 800\n"),
        ["grove.toml line 8: bag.charge_ml 800 mL is above capacity_ml 500 mL; correct one of \
             them",]
    );
    assert_eq!(
        flaws("[crew]\nday_starts = \"18:00\"\n"),
        ["grove.toml: crew.day_ends 17:00 is not after crew.day_starts 18:00; correct one of them"]
    );
    assert_eq!(
        flaws("[label]\nmin_air_temp_c = 20\nmax_air_temp_c = 10\n"),
        ["grove.toml line 7: label.min_air_temp_c 20 degC is above max_air_temp_c 10 degC; \
             correct one of them",]
    );
    assert_eq!(
        flaws("[season]\nbloom_from = \"10-01\"\n"),
        ["grove.toml line 7: season.bloom_from is given without bloom_to; fill both or neither",]
    );
    assert_eq!(
        flaws("[season]\nleaf_on_from = \"spring\"\n"),
        ["grove.toml line 7: season.leaf_on_from 'spring' is not a day of the season; write it \
             as 09-15 (every year) or 2026-09-15",]
    );
}

#[test]
fn keys_that_are_not_known_are_refused_with_their_line() {
    let flaw = flaws("[crew]\npeople = 2\npeeple = 3\n").join("|");
    assert!(flaw.starts_with("grove.toml line 8: unknown field `peeple`"), "{flaw}");
    let flaw = flaws("[wishes]\nsure = 0.9\npublic_access = true\n").join("|");
    assert!(flaw.ends_with("public_access stands above the first [table]"), "{flaw}");
    let flaw = flaws("elevation_m = 3\n").join("|");
    assert!(flaw.starts_with("grove.toml line 6: duplicate key"), "{flaw}");
    let flaw = flaws("[bag]\ncapacity_ml = \"big\"\n").join("|");
    assert!(flaw.starts_with("grove.toml line 7: invalid type: string"), "{flaw}");
    assert!(flaws("[bag]\nhead_m = nan\n").join("|").starts_with("grove.toml line 7: bag.head_m"));
    assert!(flaws("[bag]\nhead_m = inf\n").join("|").starts_with("grove.toml line 7: bag.head_m"));
    assert!(flaws("[label]\nper_tree_ml = 0\n").len() == 1);
}

#[test]
fn a_forgotten_minus_sign_is_noticed() {
    let (_, flaws, notes) = read(&LEAST.replace("138.7", "-138.7"));
    assert!(flaws.is_empty());
    assert_eq!(
        notes,
        ["grove.toml: longitude_deg -138.7 deg is far from where Australia/Adelaide is kept; \
             check its sign (east is positive)",]
    );
    let kiritimati = LEAST.replace("138.7", "-157.4");
    let (_, _, notes) = read(&kiritimati.replace("Australia/Adelaide", "Pacific/Kiritimati"));
    assert!(notes.is_empty());
}

proptest! {
    #[test]
    fn no_text_panics(text in "\\PC*", value in "\\PC{0,12}", key in 0_usize..5) {
        let _ = read(&text);
        let keys = ["elevation_m", "name", "time_zone", "latitude_deg", "season.leaf_on_from"];
        let _ = read(&format!("{} = {value}", keys[key]));
    }
}

#[test]
fn the_habits_of_a_day_are_read_and_held_to_their_ranges() {
    let (settings, flaws, _) = read(&format!(
        "{LEAST}[plan]\nleak_check_min = 8\nbreaks = [\"09:30-09:45\", \"12:30-13:00\"]\n\
         setters = 2\nkits_by_ports = {{ 8 = 10, \"12\" = 6 }}\n"
    ));
    assert_eq!(flaws, [] as [&str; 0]);
    let habits = settings.unwrap().habits;
    assert_eq!((habits.leak_check_min, habits.setters, habits.breaks.len()), (8.0, Some(2), 2));
    assert_eq!(habits.kits_by_ports.into_iter().collect::<Vec<_>>(), [(8, 10), (12, 6)]);
    let (_, flaws, _) = read(&format!(
        "{LEAST}[plan]\nlook_min = -1\nbreaks = [\"13:00-12:00\"]\nkits_by_ports = {{ 80 = 1 }}\n"
    ));
    assert_eq!(flaws.len(), 3, "{flaws:?}");
}
