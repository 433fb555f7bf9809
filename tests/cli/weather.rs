//! Weather of every sort, and what the first lines then say.

use super::folder::{ALL, Folder, Sky, TREES, fair, settings};

fn with(sky: &Sky) -> Folder {
    Folder::bare().with("weather/forecast.csv", &sky.csv())
}

fn says(folder: &Folder, code: i32, words: &[&str]) -> String {
    let ran = folder.run(&["tomorrow"]);
    assert_eq!(ran.code, code, "{}{}", ran.out, ran.err);
    let flat = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for word in words {
        assert!(flat.contains(word), "{word}\nin {}", ran.out);
    }
    ran.out
}

#[test]
fn no_weather_says_what_cannot_be_done_and_what_to_do() {
    let out = says(
        &Folder::bare(),
        1,
        &[
            "no start, no time and no overnight call can be given",
            "No weather at all",
            "put weather/forecast.csv into the grove folder",
            "3 trees on the list, none started: no weather for that day",
        ],
    );
    assert!(out.starts_with("Not known: there is no weather for 2026-01-15"), "{out}");
    for command in ["outlook", "window", "times"] {
        assert_eq!(Folder::bare().run(&[command]).code, 1, "{command}");
    }
}

#[test]
fn observed_weather_alone_reaches_no_further_than_itself() {
    let sky = Sky { hours: 42, issued: None, ..fair() };
    let grove = Folder::bare().with("weather/observed.csv", &sky.csv());
    says(&grove, 1, &["Not known", "No forecast: nothing can be said beyond"]);
    let exact = Sky { issued: None, ..fair() };
    let grove = Folder::bare().with("weather/observed.csv", &exact.csv());
    says(&grove, 1, &["Not known"]);
    let exact = grove.run(&["tomorrow", "--exact-weather"]);
    assert_eq!(exact.code, 0, "{}", exact.out);
    assert!(exact.out.contains("weather ahead taken as known"));
}

#[test]
fn the_age_of_the_forecast_is_said_once_it_matters() {
    for (issued, first, words) in [
        ("2026-01-14T17:00:00+10:30", "Good day", None),
        ("2026-01-14T12:00:00+10:30", "Good day", Some("The forecast is 6 h old")),
        ("2026-01-13T17:00:00+10:30", "STALE weather", Some("25 h old")),
    ] {
        let grove = with(&Sky { issued: Some(issued), ..fair() });
        let out = says(&grove, 0, &words.into_iter().collect::<Vec<_>>());
        assert!(out.starts_with(first), "{out}");
        for command in ["window", "outlook", "overnight", "times"] {
            let ran = grove.run(&[command]);
            assert_eq!(ran.out.starts_with("STALE"), first.starts_with("STALE"), "{command}");
        }
    }
    let silent = with(&Sky { issued: None, ..fair() });
    says(&silent, 0, &["does not say when it was issued"]);
    let stale = with(&Sky { issued: Some("2026-01-13T17:00:00+10:30"), ..fair() });
    let json = stale.run(&["tomorrow", "--json"]).json();
    assert_eq!(json["outlook"]["source"]["stale"], true);
    let rows = stale.run(&["times", "--csv"]).rows();
    assert!(rows[1][12].contains("STALE weather"), "{:?}", rows[1]);
}

#[test]
fn an_ensemble_is_used_as_it_is() {
    let sky = Sky { members: 7, ..fair() };
    says(&with(&sky), 0, &["the service's own ensemble members"]);
}

#[test]
fn holes_and_ends_are_named_and_nothing_is_guessed() {
    let hole = Sky { hole: 57..66, ..fair() };
    says(&with(&hole), 1, &["Not known: the weather has a hole from 09:00 to 18:00", "?????"]);
    let short = Sky { hours: 60, ..fair() };
    says(&with(&short), 1, &["Not known: the weather ends at 12:00"]);
    let bridged = Sky { hole: 57..59, ..fair() };
    says(&with(&bridged), 0, &["missing hours bridged"]);
    let outlook = with(&hole).run(&["outlook"]).out;
    assert!(outlook.contains("no weather") && outlook.contains("62 % of the day"), "{outlook}");
}

#[test]
fn absent_columns_are_estimated_and_said() {
    let columns: [(&'static [&'static str], &[&str]); 3] = [
        (
            &["air_temp_c", "rel_humidity_pct", "wind_m_s", "shortwave_w_m2"],
            &["rain is not in the weather"],
        ),
        (&["air_temp_c", "rel_humidity_pct", "wind_m_s", "rain_mm"], &["shortwave estimated"]),
        (&["air_temp_c"], &["2 m/s assumed", "humidity estimated"]),
    ];
    for (columns, words) in columns {
        says(&with(&Sky { columns, ..fair() }), 0, words);
    }
    assert_eq!(ALL.len(), 5);
}

#[test]
fn label_temperatures_frost_rain_and_dark_bar_a_start() {
    let label = "[label]\nmax_air_temp_c = 18\n";
    let zone = |end: &str| settings("Australia/Adelaide", -35.0, 138.8, "", end);
    let hot = with(&Sky { coldest_c: 22.0, ..fair() }).with("grove.toml", &zone(label));
    says(
        &hot,
        1,
        &["is allowed (above the label's temperature)", "none started: no start is allowed"],
    );
    let frost = with(&Sky { coldest_c: -18.0, ..fair() });
    says(&frost, 1, &["frost", "may freeze"]);
    let wet = with(&Sky { rain: 48..72, ..fair() });
    says(&wet, 1, &["is allowed (rain)", "rain: start no bag in it"]);
    let cold = with(&fair()).with("grove.toml", &zone("[label]\nmin_air_temp_c = 20\n"));
    let json = cold.run(&["tomorrow", "--json"]).json();
    let barred = |start: &serde_json::Value| !start["barred"].as_array().unwrap().is_empty();
    let starts = json["start_to_finish"].as_array().unwrap();
    assert!(barred(&starts[0]), "colder than 20 degC at dawn");
    let first_open = starts.iter().find(|start| !barred(start)).unwrap();
    for tree in json["trees"].as_array().unwrap() {
        assert!(tree["start"].as_str() >= first_open["start"].as_str(), "nobody starts before");
    }
    says(&cold, 0, &["outside the label's temperatures"]);
}

#[test]
fn mixing_is_cautioned_where_a_product_is_typed_and_not_with_water() {
    let water =
        says(&Folder::good(), 0, &["drilling: eye protection", "buried and overhead lines"]);
    assert!(!water.contains("mixing:"));
    let label = "[label]\nproduct_name = \"As typed\"\nlabel_rate_ml_per_cm_dbh = 1\n";
    let toml = settings("Australia/Adelaide", -35.0, 138.8, "", label);
    says(&Folder::good().with("grove.toml", &toml), 0, &["mixing: the label says"]);
}

#[test]
fn seasons_are_cautioned() {
    says(&Folder::good(), 0, &["leaf season not in grove.toml"]);
    let season = "[season]\nleaf_on_from = \"09-01\"\nleaf_off_from = \"12-15\"\n\
                  bloom_from = \"01-10\"\nbloom_to = \"01-20\"\n";
    let toml = settings("Australia/Adelaide", -35.0, 138.8, "", season);
    let bare = Folder::good().with("grove.toml", &toml);
    says(&bare, 0, &["out of leaf", "in bloom"]);
}

#[test]
fn leaving_needs_two_words_typed() {
    let slow = TREES.replace(",6\n", ",1\n").replace(",7\n", ",1\n").replace(",8\n", ",1\n");
    let label = "[label]\nunattended_allowed = true\n";
    for (top, reason) in [
        ("", "public_access is not set"),
        ("public_access = true", "the public can reach the trees"),
    ] {
        let toml = settings("Australia/Adelaide", -35.0, 138.8, top, label);
        let grove = Folder::good().with("grove.toml", &toml).with("trees.csv", &slow);
        let ran = grove.run(&["overnight"]);
        assert!(ran.out.contains(reason), "{}", ran.out);
        assert!(!ran.out.contains("leave overnight"), "{}", ran.out);
    }
}

#[test]
fn too_few_kits_leave_trees_unreached_and_late_ones_marked() {
    let mut trees = String::from("tree_id,block,species,circumference_cm,ports\n");
    for tree in 1..=12 {
        trees += &format!("T{tree},north,elm,80,8\n");
    }
    let toml =
        settings("Australia/Adelaide", -35.0, 138.8, "", "").replace("kits = 40", "kits = 2");
    let grove = Folder::good().with("grove.toml", &toml).with("trees.csv", &trees);
    let out = says(&grove, 0, &["not reached by people or kits", "* outside the start window"]);
    assert!(out.contains("not reached"), "{out}");
}

#[test]
fn one_bag_is_spoken_of_in_the_singular() {
    let one =
        Folder::good().with("trees.csv", &TREES.lines().take(2).collect::<Vec<_>>().join("\n"));
    let out = says(&one, 0, &["the one bag empty before 18:00 (90 % sure)."]);
    assert!(!out.contains("1 of 1") && !out.contains("all together)."), "{out}");
}

#[test]
fn a_list_of_nothing_is_said() {
    let none = "tree_id,block,species,circumference_cm,ports,hang\nA,b,elm,80,6,no\n";
    for (trees, words) in [
        (none, "every tree in trees.csv says hang = no"),
        ("tree_id,block,species,circumference_cm,ports\n", "trees.csv holds no tree"),
    ] {
        let ran = Folder::good().with("trees.csv", trees).run(&["tomorrow"]);
        assert_eq!(ran.code, 2);
        assert!(ran.err.contains(words), "{}", ran.err);
    }
}

/// Days of 23, 25, 23.5 and 24.5 hours, each with its hours under the right columns.
#[test]
fn days_of_every_length_are_drawn_and_planned() {
    for (zone, place, from, as_of, columns, labels) in [
        (
            "Europe/Berlin",
            (52.0, 13.0),
            "2026-03-26T23:00:00",
            "2026-03-28T18:00:00Z",
            46,
            "00  03    06",
        ),
        (
            "Europe/Berlin",
            (52.0, 13.0),
            "2026-10-22T22:00:00",
            "2026-10-24T18:00:00Z",
            50,
            "00      03    06",
        ),
        (
            "Australia/Lord_Howe",
            (-31.5, 159.0),
            "2026-10-01T13:00:00",
            "2026-10-03T08:00:00Z",
            47,
            "00   03    06",
        ),
        (
            "Australia/Lord_Howe",
            (-31.5, 159.0),
            "2026-04-02T13:00:00",
            "2026-04-04T08:00:00Z",
            49,
            "00     03    06",
        ),
        (
            "Asia/Kolkata",
            (20.0, 77.0),
            "2026-05-01T00:00:00",
            "2026-05-02T12:00:00Z",
            48,
            "00    03    06",
        ),
    ] {
        let (latitude, longitude) = place;
        let sky = Sky { from, issued: Some(as_of), noon_shift_h: longitude / 15.0, ..fair() };
        let grove = with(&sky)
            .with("grove.toml", &settings(zone, latitude, longitude, "", ""))
            .seen_at(as_of);
        let out = says(&grove, 0, &["07:45"]);
        let drawn = out.lines().find(|line| line.starts_with("  demand  |")).unwrap();
        assert_eq!(drawn.chars().count(), columns + 12, "{zone}\n{out}");
        assert!(!drawn.contains('?'), "{zone}\n{out}");
        assert!(out.contains(&format!("           {labels}")), "{zone}\n{out}");
        let json = grove.run(&["outlook", "--json"]).json();
        assert!((json["coverage"].as_f64().unwrap() - 1.0).abs() < 1e-9, "{zone}");
    }
}

#[test]
fn tomorrow_is_the_next_date_also_in_the_first_hour_of_a_long_day() {
    let sky = Sky { from: "2026-10-22T22:00:00", issued: Some("2026-10-24T21:00:00Z"), ..fair() };
    let grove = with(&sky)
        .with("grove.toml", &settings("Europe/Berlin", 52.0, 13.0, "", ""))
        .seen_at("2026-10-24T22:30:00Z");
    let json = grove.run(&["outlook", "--json"]).json();
    assert_eq!(json["date"], "2026-10-26");
}

#[test]
fn polar_day_and_polar_night() {
    let svalbard = |from, as_of| {
        with(&Sky { from, issued: Some(as_of), noon_shift_h: 1.0, ..fair() })
            .with("grove.toml", &settings("Europe/Oslo", 78.2, 15.6, "", ""))
            .seen_at(as_of)
    };
    let summer = svalbard("2026-06-20T00:00:00", "2026-06-21T20:00:00Z");
    says(&summer, 0, &["Good day"]);
    assert_eq!(summer.run(&["overnight"]).code, 0);
    let winter = svalbard("2026-12-20T00:00:00", "2026-12-21T20:00:00Z");
    says(&winter, 1, &["is allowed (dark)"]);
}

#[test]
fn a_bag_that_hangs_is_judged_from_its_last_look() {
    let draws = "draw_id,tree_id,started,charge_ml,last_wet,first_empty\n\
                 d0,T2,2026-01-13T08:00:00+10:30,1000,2026-01-13T10:00:00+10:30,2026-01-13T10:30:00+10:30\n\
                 d1,T1,2026-01-14T15:00:00+10:30,1000,2026-01-14T17:00:00+10:30,\n";
    let observed = Sky { hours: 42, issued: None, ..fair() };
    let grove =
        Folder::good().with("weather/observed.csv", &observed.csv()).with("draws.csv", draws);
    let json = grove.run(&["overnight", "--json"]).json();
    assert_eq!(json["bags"][0]["draw_id"], "d1");
    assert_eq!(json["bags"][0]["hanging"], true);
    assert_eq!(json["bags"][0]["call"], "strip_at_dusk");
    assert_eq!(json["bags"][1]["hanging"], false);
}
