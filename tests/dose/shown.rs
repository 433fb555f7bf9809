//! Sheets as they are printed: word for word, the same numbers in every form, and safe in all.

use super::{BENCH, Folder, LABEL, TREES, grove, labelled, ran};

fn shows(name: &str, out: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.bind(|| insta::assert_snapshot!(name, out));
}

#[test]
fn the_demo_asks_for_the_label() {
    let demo = ran(&["dose", "--sheet", "dose"]);
    assert_eq!(demo.code, 1);
    shows("dose_demo", &demo.out);
}

#[test]
fn all_sheets_metric() {
    shows("dose_metric", &labelled().run(&["dose"]).out);
}

#[test]
fn all_sheets_us() {
    shows("dose_us", &grove(LABEL, TREES).run(&["dose", "--units", "us", "--block", "north"]).out);
}

#[test]
fn a_sample() {
    shows("dose_measure", &ran(&["dose", "measure", "94.2", "88", "101", "97", "150", "60"]).out);
}

#[test]
fn the_same_numbers_on_the_terminal_in_csv_json_and_html() {
    let folder = labelled();
    let rows = folder.run(&["dose", "--csv"]).rows();
    let cell =
        |row: &[String], name: &str| row[rows[0].iter().position(|it| it == name).unwrap()].clone();
    let text = folder.run(&["dose", "--sheet", "dose"]).out;
    let html = folder.run(&["dose", "--html", "-"]).out;
    let json = folder.run(&["dose", "--json"]).json();
    assert_eq!(rows.len(), 4);
    for row in &rows[1..] {
        let id = cell(row, "tree_id");
        let line = text.lines().find(|line| line.trim_start().starts_with(&id)).unwrap();
        for name in ["product_ml", "water_ml", "mix_ml", "label_dose_ml"] {
            let figure = cell(row, name);
            assert!(line.split_whitespace().any(|it| it == figure), "{name} {figure}: {line}");
            assert!(html.contains(&format!(">{figure}</td>")), "{name} {figure}");
        }
        let blocks = json["blocks"].as_array().unwrap();
        let mut trees = blocks.iter().flat_map(|it| it["doses"]["trees"].as_array().unwrap());
        let tree = trees.find(|tree| tree["id"] == id.as_str()).unwrap();
        assert_eq!(tree["mix_ml"].as_f64().unwrap(), cell(row, "mix_ml").parse::<f64>().unwrap());
    }
    // 70.9 mL wanted in the north, 70 measured; 9 x 70 = 630 of water.
    let mixing = folder.run(&["dose", "--sheet", "mixing", "--csv"]).rows();
    assert_eq!(mixing[1][..5], ["north", "1", "70", "630", "700.0"]);
    for kind in ["set-up", "kit"] {
        assert!(folder.run(&["dose", "--sheet", kind, "--csv"]).rows().len() > 3, "{kind}");
    }
}

#[test]
fn no_cell_becomes_a_formula_and_no_number_is_spoiled() {
    let trees = "tree_id,block,species,dbh_cm,ports\n=1+1,@north,elm,30.4,6\n\
                 \"-2+3,\"\"x\",+south,elm,40.5,6\n";
    let folder = grove(&format!("{LABEL}{BENCH}"), trees);
    let rows = folder.run(&["dose", "--csv"]).rows();
    assert_eq!(rows[1][..2], ["'@north", "'=1+1"]);
    assert_eq!(rows[2][..2], ["'+south", "'-2+3,\"x"]);
    let at = rows[0].iter().position(|it| it == "off_label_dose_pct").unwrap();
    assert!(rows[1][at].starts_with('-') && rows[1][at].parse::<f64>().is_ok(), "{}", rows[1][at]);
    for kind in ["mixing", "set-up"] {
        let rows = folder.run(&["dose", "--sheet", kind, "--csv"]).rows();
        assert_eq!(rows[1][0], "'@north", "{kind}");
    }
}

#[test]
fn html_is_one_safe_file_and_a_bad_path_is_an_error() {
    let label = LABEL.replace("Invented", "<script>x</script> & Co");
    let trees = TREES.replace("T1,north", "<img src=x>,north");
    let folder = grove(&format!("{label}{BENCH}"), &trees);
    let path = folder.path("sheets.html");
    let written = folder.run(&["dose", "--html", path.to_str().unwrap()]);
    assert_eq!((written.code, written.out.as_str()), (0, ""), "{}", written.err);
    let html = std::fs::read_to_string(&path).unwrap();
    assert!(html.starts_with("<!DOCTYPE html>") && html.ends_with("</html>"));
    for outside in ["<script", "<img", "http://", "https://", "url("] {
        assert!(!html.contains(outside), "{outside}");
    }
    for wanted in [
        "&lt;script&gt;",
        "break-after: page",
        "local rules and the label prevail",
        "<th scope=\"col\"",
    ] {
        assert!(html.contains(wanted), "{wanted}");
    }
    // One article a sheet: doses of two blocks, two batches, two checklists, one list of parts.
    assert_eq!(html.matches("<article").count(), 7);
    assert_eq!(
        html.matches("The product label, local rules and licensed practice prevail").count(),
        7
    );
    let bad = folder.run(&["dose", "--html", "no/such/folder/x.html"]);
    assert_eq!(bad.code, 2);
    assert!(bad.err.contains("no/such/folder/x.html"), "{}", bad.err);
}

#[test]
fn cautions_stand_where_the_act_is() {
    let json = labelled().run(&["dose", "--json"]).json();
    let sheets = json["sheets"].as_array().unwrap();
    let text = |kind: &str| {
        let of_kind = sheets.iter().filter(|sheet| sheet["kind"] == kind);
        of_kind.map(ToString::to_string).collect::<String>()
    };
    for (kind, told) in [
        ("dose", "The label is the law"),
        ("dose", "Treat a food crop only"),
        ("mixing", "eye protection"),
        ("mixing", "absorbent"),
        ("mixing", "never for a tree"),
        ("set_up", "buried cables"),
        ("set_up", "power lines"),
        ("set_up", "Protect the eyes when drilling"),
        ("set_up", "Disinfect"),
        ("set_up", "cannot reach them"),
        ("set_up", "re-entry interval"),
        ("kit", "Catch what the purge brings out"),
    ] {
        assert!(text(kind).contains(told), "{kind}: {told}");
    }
    let each = serde_json::to_string(sheets).unwrap();
    let cautions = each.matches("\"in_full\":").count();
    assert!(cautions > 30);
    assert_eq!(each.matches("Local rules and the label prevail.\"").count(), cautions);
}

#[test]
fn no_line_of_prose_is_wider_than_a_hundred_and_no_colour_is_used() {
    let long = Folder::bare()
        .with("grove.toml", &super::toml(&format!("{LABEL}max_per_tree_ml = 5\n{BENCH}")))
        .with("trees.csv", TREES);
    for folder in [labelled(), long] {
        let out = folder.run(&["dose"]).out;
        assert!(!out.contains('\u{1b}') && !out.contains("NaN"));
        for line in out.lines() {
            assert!(line.chars().count() <= 100, "{line}");
        }
    }
}
