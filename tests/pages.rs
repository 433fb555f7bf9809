//! The service's pages: what they show of the demo and of a grove with hanging bags, that every text
//! is escaped, that no page carries a script or a style of its own, that every chart can be read
//! without seeing it. With `XYLOCAST_PAGES=DIR` they are written there, to be looked at.
#![allow(missing_docs)]

#[path = "cli/folder.rs"]
#[allow(dead_code)]
mod folder;

use chrono::{DateTime, Utc};
use folder::{Folder, Sky, fair};
use std::sync::LazyLock;
use xylocast::app::compare::compare;
use xylocast::app::dayplan::dayplan;
use xylocast::app::desk::{Desk, Request};
use xylocast::app::draws::{self, draws};
use xylocast::app::parts::Part;
use xylocast::app::record::{self, record};
use xylocast::app::refit::refit;
use xylocast::app::today::today_drawn;
use xylocast::app::tomorrow::tomorrow;
use xylocast::app::trees::{tree, trees};
use xylocast::app::weather_known::weather_known;
use xylocast::pages;
use xylocast::pages::charts::drawdown;
use xylocast::pages::figures::Figures;
use xylocast::pages::site::{Place, Tab};

/// A tree that a user may well have named so.
const EVIL: &str = "<b>\"&";
const EVIL_SHOWN: &str = "&lt;b&gt;&quot;&amp;";
const NOW: &str = "2026-01-14T14:00:00+10:30";

fn place(tab: Tab, is_demo: bool, customary: bool) -> Place {
    Place {
        base: "/g/west".into(),
        grove: if is_demo { "Brindlewick demo grove (invented)".into() } else { EVIL.into() },
        is_demo,
        tab,
        person: None,
        may_log: !is_demo,
        may_manage: !is_demo,
        csrf: "a-token".into(),
        offline: false,
        customary,
    }
}

/// A page with its name.
type Page = (&'static str, String);

fn rendered(desk: &Desk, tree_id: &str, customary: bool) -> Vec<Page> {
    let at = |tab: Tab| place(tab, desk.is_demo, customary);
    let date = desk.tomorrow();
    let drawn = today_drawn(desk).unwrap().1;
    let charts: Vec<String> = drawn
        .iter()
        .map(|one| drawdown::chart(one, Figures::new(customary)).into_string())
        .collect();
    let charts = maud::PreEscaped(format!("<h1>Drawdowns</h1>{}", charts.concat()));
    let comparison = compare(desk).unwrap();
    let refitted = refit(desk, false).unwrap();
    let asked = draws::Asked::default();
    let listed = record(&desk.home, &record::Asked::default(), desk.as_of).unwrap();
    vec![
        ("tomorrow", pages::tomorrow::page(&at(Tab::Tomorrow), &tomorrow(desk, date).unwrap())),
        ("weather", pages::weather::page(&at(Tab::Weather), &weather_known(desk).unwrap())),
        ("trees", pages::trees::page(&at(Tab::Trees), &trees(desk))),
        ("tree", pages::tree::page(&at(Tab::Trees), &tree(desk, tree_id).unwrap())),
        ("draws", pages::draws::page(&at(Tab::Draws), &draws(desk, &asked).unwrap())),
        ("compare", pages::compare::page(&at(Tab::Compare), &comparison, None)),
        ("compare_refit", pages::compare::page(&at(Tab::Compare), &comparison, Some(&refitted))),
        ("records", pages::records::page(&at(Tab::Records), &listed)),
        (
            "plan",
            pages::plan::page(
                &at(Tab::Plan),
                &dayplan(desk, date, &xylocast::app::dayplan::Asked::default()).unwrap(),
                &pages::plan::Missing::default(),
            ),
        ),
        ("drawdowns", pages::site::page(&at(Tab::Today), "Drawdowns", &charts)),
    ]
}

static DEMO: LazyLock<Vec<Page>> = LazyLock::new(|| {
    let pages = rendered(&Desk::lay(&Request::default(), Utc::now()).unwrap(), "E09", false);
    written("demo", &pages);
    pages
});

static HANGING: LazyLock<Vec<Page>> = LazyLock::new(|| {
    let folder = hanging_folder();
    let request = Request {
        grove: Some(folder.path("")),
        as_of: Some(DateTime::parse_from_rfc3339(NOW).unwrap().to_utc()),
        ..Request::default()
    };
    let pages = rendered(&Desk::lay(&request, Utc::now()).unwrap(), EVIL, true);
    written("hanging", &pages);
    pages
});

/// Three trees, one oddly named, drawn on three days and hanging now.
fn hanging_folder() -> Folder {
    let observed = Sky { from: "2026-01-08T13:30:00", hours: 134, issued: None, ..fair() };
    let early = Sky { issued: Some("2026-01-14T12:00:00+10:30"), ..fair() };
    let id = "\"<b>\"\"&\"";
    let trees = format!(
        "tree_id,block,species,circumference_cm,ports,last_treated,note\n{id},north,elm,80,6,\
         2025-01-20,<script>alert(1)</script>\nT2,north,elm,85,7,,\nT3,south,elm,90,8,,\n"
    );
    let mut drawn =
        String::from("draw_id,tree_id,started,charge_ml,last_wet,first_empty,stripped,note\n");
    for day in [10, 11, 12, 13] {
        for (at, tree) in [(1, id), (2, "T2"), (3, "T3")] {
            drawn += &format!(
                "d{day}-{at},{tree},2026-01-{day}T09:00:00+10:30,1000,2026-01-{day}T10:{at}0:00+10:30,\
                 2026-01-{day}T10:{at}9:00+10:30,,<i>\n"
            );
        }
    }
    drawn += &format!("h1,{id},2026-01-14T09:00:00+10:30,2500,,,,\n");
    drawn += "h2,T2,2026-01-14T10:30:00+10:30,2500,,,,\n";
    let readings = "draw_id,time,left_ml,state,by,note\n\
                    h1,2026-01-14T11:00:00+10:30,1700,,,\nh1,2026-01-14T13:30:00+10:30,,wet,,\n";
    let applications = format!(
        "application_id,tree_id,draw_id,applied,product_ml,water_ml,recovered_ml,leaked_ml\n\
         a1,{id},d13-1,2026-01-13T10:20:00+10:30,50,950,0,0\n"
    );
    Folder::good()
        .with("trees.csv", &trees)
        .with("weather/forecast.csv", &early.csv())
        .with("weather/observed.csv", &observed.csv())
        .with("draws.csv", &drawn)
        .with("readings.csv", readings)
        .with("applications.csv", &applications)
        .with(
            "ports.csv",
            &format!("tree_id,date,hole,height_cm,azimuth_deg\n{id},2025-01-20,1,30,90\n"),
        )
        .seen_at(NOW)
}

/// Beside the style sheet, where somebody wishes to look at them.
fn written(kind: &str, pages: &[Page]) {
    let Ok(folder) = std::env::var("XYLOCAST_PAGES") else { return };
    let folder = std::path::Path::new(&folder);
    std::fs::write(folder.join("style.css"), include_str!("../src/pages/style.css")).unwrap();
    for (name, page) in pages {
        let page = page.replace("\"/assets/style.css\"", "\"style.css\"");
        std::fs::write(folder.join(format!("{kind}_{name}.html")), page).unwrap();
    }
}

fn all() -> impl Iterator<Item = &'static Page> {
    DEMO.iter().chain(HANGING.iter())
}

/// The text between tags, a line each.
fn text(page: &str) -> String {
    let mut out = String::new();
    let mut inside = false;
    for letter in page.chars() {
        match letter {
            '<' => {
                inside = true;
                if !out.ends_with('\n') {
                    out.push('\n');
                }
            }
            '>' => inside = false,
            letter if !inside => out.push(letter),
            _ => {}
        }
    }
    out
}

/// Word for word: a change here is a change that people see.
#[test]
fn the_demo_reads_so() {
    let mut settings = insta::Settings::clone_current();
    settings.set_prepend_module_to_snapshot(false);
    for (name, page) in DEMO.iter().filter(|(name, _)| *name != "compare") {
        settings.bind(|| insta::assert_snapshot!(format!("page_{name}"), text(page)));
    }
}

#[test]
fn no_page_carries_a_script_or_a_style() {
    for (name, page) in all() {
        for wrong in ["<script", "<style", " style=", " onclick=", " onload=", "javascript:", "<i>"]
        {
            assert!(!page.contains(wrong), "{name}: {wrong}");
        }
    }
}

#[test]
fn a_tree_of_any_name_is_text_and_can_be_reached() {
    for (name, page) in HANGING.iter() {
        assert!(page.contains(EVIL_SHOWN), "{name}");
        assert!(!page.contains("<b>\"&"), "{name}");
    }
    let of = |wanted: &str| &HANGING.iter().find(|(name, _)| *name == wanted).unwrap().1;
    for name in ["tomorrow", "trees", "draws", "compare", "records"] {
        assert!(of(name).contains("/g/west/trees/%3Cb%3E%22%26"), "{name}");
    }
}

#[test]
fn every_chart_has_words_and_a_table() {
    let mut charts = 0;
    for (name, page) in all() {
        for svg in page.split("<svg").skip(1) {
            charts += 1;
            let end = svg.find("</svg>").unwrap();
            let (drawn, after) = svg.split_at(end);
            assert!(drawn.contains("role=\"img\"") && drawn.contains("aria-labelledby"), "{name}");
            for element in ["title", "desc"] {
                let open =
                    drawn.find(&format!("<{element} id=")).unwrap_or_else(|| panic!("{name}"));
                let words = drawn[open..].split('>').nth(1).unwrap().split('<').next().unwrap();
                assert!(words.trim().len() > 5, "{name}: {element} {words:?}");
            }
            assert!(after.contains("<table"), "{name}");
            assert!(!drawn.contains("NaN") && !drawn.contains("inf"), "{name}");
        }
        let ids: Vec<&str> =
            page.split(" id=\"").skip(1).filter_map(|rest| rest.split('"').next()).collect();
        let mut once = ids.clone();
        once.sort_unstable();
        once.dedup();
        assert_eq!(once.len(), ids.len(), "{name}: an id stands twice");
    }
    // Day and finish, scatter and calibration, the plan, and two bags that hang.
    assert!(charts >= 2 * (2 + 2 + 2 + 1 + 1) + 2, "{charts}");
}

#[test]
fn us_customary_units_are_shown_where_asked_for() {
    let of = |pages: &'static [Page], wanted: &str| {
        let found = pages.iter().find(|(name, _)| *name == wanted);
        text(&found.unwrap().1)
    };
    for (name, us, metric) in [
        ("weather", "air F", "air degC"),
        ("trees", "dbh in", "dbh cm"),
        ("draws", "charge fl oz", "charge mL"),
        ("tomorrow", "rain in", "rain mm"),
    ] {
        assert!(of(&HANGING, name).contains(us) && !of(&HANGING, name).contains(metric), "{name}");
        assert!(of(&DEMO, name).contains(metric) && !of(&DEMO, name).contains(us), "{name}");
    }
    assert!(of(&HANGING, "drawdowns").contains("84.5 fl oz"));
}

/// A page of numbers comes from the use case: the sentence on it is the terminal's.
#[test]
fn the_answer_is_the_commands_own() {
    let desk = Desk::lay(&Request::default(), Utc::now()).unwrap();
    let answer = tomorrow(&desk, desk.tomorrow()).unwrap();
    let page = &DEMO.iter().find(|(name, _)| *name == "tomorrow").unwrap().1;
    assert!(text(page).contains(&answer.answer));
    for tree in &answer.trees {
        assert!(page.contains(&format!("trees/{}\"", tree.tree_id)));
    }
    assert!(page.len() < 100_000, "{}", page.len());
}

#[test]
fn pages_of_draws_are_bounded() {
    let desk = Desk::lay(&Request::default(), Utc::now()).unwrap();
    let asked = |page| draws::Asked { part: Part::Page(page), ..Default::default() };
    let first = draws(&desk, &asked(1)).unwrap();
    let pages = first.page.unwrap().of;
    let last = draws(&desk, &asked(pages)).unwrap();
    let shown: usize = (1..=pages).map(|p| draws(&desk, &asked(p)).unwrap().draws.len()).sum();
    assert_eq!(shown, first.total);
    assert!(first.draws[0].start > last.draws[0].start);
    for wrong in [0, pages + 1] {
        assert!(draws(&desk, &asked(wrong)).unwrap_err().to_string().contains("is outside 1 to"));
    }
    let unknown = draws::Asked { tree_id: Some("nobody".into()), ..Default::default() };
    assert!(draws(&desk, &unknown).unwrap_err().to_string().contains("there is no tree"));
}
