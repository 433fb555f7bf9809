use super::*;
use proptest::prelude::*;

const TOML: &str = "name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\n\
                    longitude_deg = 138.7\nelevation_m = 120\npublic_access = false\n";
const TREES_CSV: &str = "tree_id,block,species,circumference_cm,ports\nA1,North,avocado,94.2,8\n";

fn files<'b>(more: &[(&'static str, &'b str)]) -> Files<'b> {
    let least = [(SETTINGS, TOML), (TREES, TREES_CSV)];
    least.iter().chain(more).map(|(name, text)| (*name, text.as_bytes())).collect()
}

fn flaws(files: &Files) -> Vec<String> {
    let refused = Grove::read(files).expect_err("flaws are expected");
    refused.flaws.iter().map(ToString::to_string).collect()
}

#[test]
fn two_files_make_a_grove() {
    let grove = Grove::read(&files(&[])).unwrap();
    assert_eq!(grove.trees.len(), 1);
    assert_eq!((grove.draws.len(), grove.hang, grove.observed.span()), (0, None, None));
    assert!(grove.notes.is_empty());
}

#[test]
fn a_folder_without_either_is_told_what_to_write() {
    assert_eq!(
        flaws(&Files::new()),
        [
            "grove.toml: the file is missing; write at least name, time_zone, latitude_deg, \
             longitude_deg and elevation_m into it",
            "trees.csv: the file is missing; write the columns tree_id, block, species, \
             circumference_cm or dbh_cm, and ports into it",
        ]
    );
}

#[test]
fn flaws_of_all_files_are_told_at_once_and_bring_no_others() {
    let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,,30,0\nA2,South,,30,8\n";
    let draws = "draw_id,tree_id,started,charge_ml\nd1,A1,2026-01-14T09:00,1000\n\
                 d2,A2,2026-01-14T09:00,1\n";
    let readings = "draw_id,time,left_ml\nd1,2026-01-14T10:00,-1\nd2,2026-01-14T10:00,500\n";
    let told = flaws(&files(&[
        (TREES, trees),
        (BLOCKS, "block\nNorth\nSouth\n"),
        (DRAWS, draws),
        (READINGS, readings),
        (HANG, "draw_id,tree_id,start,charge_ml\nh1,A1,soon,1000\n"),
        (OBSERVED, "hour_ending,air_temp_c\n2026-01-14T09:00,hot\n"),
        (FORECAST, "hour_ending,air_temp_c\n2026-01-14T09:00,cold\n"),
    ]));
    let places: Vec<&str> = told.iter().map(|flaw| flaw.split(": ").next().unwrap()).collect();
    assert_eq!(
        places,
        [
            "trees.csv row 2",
            "draws.csv row 3",
            "readings.csv row 2",
            "hang.csv row 2",
            "weather/observed.csv row 2",
            "weather/forecast.csv row 2",
        ],
        "{told:#?}"
    );
}

#[test]
fn readings_without_draws_are_no_story() {
    assert_eq!(
        flaws(&files(&[(READINGS, "draw_id,time,state\nd1,2026-01-14T10:00,wet\n")])),
        ["draws.csv: the file is missing; readings.csv and pauses.csv tell of the draws in it"]
    );
}

#[test]
fn notes_of_all_files_go_with_the_grove() {
    let draws = "draw_id,tree_id,started,charge_ml,colour\nd1,A1,2026-01-14T09:00,1000,red\n";
    let grove = Grove::read(&files(&[(DRAWS, draws)])).unwrap();
    let notes: Vec<String> = grove.notes.iter().map(ToString::to_string).collect();
    assert_eq!(
        notes,
        [
            "draws.csv: columns not known here are kept aside: colour",
            "draws.csv: times without offset, read in the grove's zone Australia/Adelaide: 1",
        ]
    );
}

#[test]
fn intended_draws_may_stand_outside() {
    let toml = format!("{TOML}[bag]\ncapacity_ml = 1000\n");
    let grove = Grove::read(&files(&[(SETTINGS, &toml)])).unwrap();
    let text = "draw_id,tree_id,start,charge_ml\nh1,A1,2026-01-14T09:00+10:30,1500\n";
    let (hangs, notes) = grove.read_hang("tomorrow.csv", text.as_bytes()).unwrap();
    assert_eq!(hangs.len(), 1);
    let notes: Vec<String> = notes.iter().map(ToString::to_string).collect();
    assert_eq!(
        notes,
        ["tomorrow.csv row 2: charge_ml 1500 mL is above the bag's capacity_ml 1000 mL; one draw \
             is one bag",]
    );
    let refused = grove.read_hang("tomorrow.csv", &text.as_bytes()[..20]).unwrap_err();
    assert!(refused.to_string().starts_with("tomorrow.csv: start is missing"), "{refused}");
}

#[test]
fn a_block_may_have_a_season_of_its_own() {
    let toml = format!(
        "{TOML}[season]\nleaf_on_from = \"09-15\"\nbloom_from = \"10-01\"\nbloom_to = \"10-20\"\n"
    );
    let blocks = "block,leaf_on_from,leaf_off_from\nNorth,08-01,05-01\n";
    let grove = Grove::read(&files(&[(SETTINGS, &toml), (BLOCKS, blocks)])).unwrap();
    let season = grove.season(&grove.trees[0]);
    assert_eq!(season.leaf_on_from, Some(SeasonDay::Yearly { month: 8, day: 1 }));
    assert_eq!(season.bloom, grove.settings.season.bloom);
    let without = Grove::read(&files(&[(SETTINGS, &toml)])).unwrap();
    assert_eq!(without.season(&without.trees[0]), without.settings.season);
}

proptest! {
    #[test]
    fn no_bytes_panic(
        at in 0..FILES.len(),
        bytes in prop::collection::vec(any::<u8>(), 0..300),
        tail in "[a-z0-9,:.\"\n\r+-]{0,200}",
    ) {
        let headers = ["", "tree_id,block,species,dbh_cm,ports\n", "block,bloom_from\n",
            "draw_id,tree_id,started,charge_ml,last_wet\n", "draw_id,time,left_ml,state\n",
            "draw_id,from,to\n", "draw_id,tree_id,start,charge_ml\n",
            "tree_id,date,hole,height_cm\n", "kit_id,tips\n",
            "application_id,tree_id,applied,product_ml\n",
            "hour_ending,air_temp_c\n", "hour_starting,air_temp_c,issued_at,member\n"];
        let mut all = files(&[]);
        all.insert(FILES[at], &bytes);
        let _ = Grove::read(&all);
        let text = format!("{}{tail}", headers[at]);
        all.insert(FILES[at], text.as_bytes());
        let _ = Grove::read(&all);
    }
}
