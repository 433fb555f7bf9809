//! From an empty folder to a draw that was learned from, by taps alone.

use super::ledger::rows;
use super::offline::{copy_the_demo, next_second};
use super::service::Service;
use super::tools::Tools;
use super::window::Window;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};

fn demo_files() -> Vec<PathBuf> {
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data/demo");
    ["grove.toml", "blocks.csv", "trees.csv", "draws.csv", "pauses.csv", "readings.csv"]
        .map(|name| demo.join(name))
        .to_vec()
}

/// The cells of the first table of a page, row by row.
async fn cells(window: &Window) -> Value {
    let script = "[...document.querySelector('main table').rows].map((row) =>
        [...row.cells].map((cell) => cell.innerText.trim()))";
    window.value(script).await
}

#[tokio::test]
async fn a_grove_is_begun_by_a_form_and_by_files() {
    let Some(tools) = Tools::find() else { return };
    let profile = tempfile::tempdir().unwrap();
    let service = Service::open();
    let window = Window::open(&tools, profile.path(), None).await;
    window.go(&service.to("/")).await;
    window.says("Welcome").await;
    window.tap("Begin a grove", None).await;
    window.says("Type where it is").await;
    window.until("document.querySelector('[name=time_zone]').value !== ''").await;
    window.value("document.querySelector('[name=time_zone]').value = ''").await;
    for (field, text) in [
        ("name", "West wood"),
        ("latitude_deg", "40.42"),
        ("longitude_deg", "-3.70"),
        ("elevation_m", "2133 ft"),
        ("time_zone", "Europe/Madrid"),
    ] {
        window.type_in(field, text, None).await;
    }
    window.tap("Make the grove", None).await;
    window.says("Add to the grove").await;
    let tree =
        [("tree_id", "A1"), ("block", "north"), ("circumference_cm", "40 in"), ("ports", "6")];
    for (field, text) in tree {
        window.type_in(field, text, None).await;
    }
    window.tap("Add the tree", None).await;
    window.says("Added: tree A1.").await;
    window.tap("See the trees", None).await;
    window.until("location.pathname.endsWith('/trees')").await;
    let trees = cells(&window).await;
    let row: Vec<&str> = trees[1].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    // 40 in round: 40 x 2.54 / pi = 32.3 cm through.
    assert_eq!((row[0], row[1], row[4], row[5]), ("A1", "north", "32.3", "6"));

    // The demo's own files, brought in, are the demo; but its last bags hang no more, months later.
    window.go(&service.to("/new")).await;
    let files: Vec<String> = demo_files().iter().map(|file| file.display().to_string()).collect();
    window.type_in("files", &files.join("\n"), None).await;
    window.tap("Bring them in", None).await;
    window.until("!location.pathname.startsWith('/new')").await;
    let path = window.path().await;
    let grove = path.trim_end_matches("/tomorrow").to_owned();
    for question in ["draws?page=2", "draws?page=6"] {
        window.go(&service.to(&format!("{grove}/{question}"))).await;
        let brought = cells(&window).await;
        window.go(&service.to(&format!("/g/demo/{question}"))).await;
        assert_eq!(brought, cells(&window).await, "{question}");
        assert!(brought.as_array().unwrap().len() > 4);
    }
}

#[tokio::test]
async fn a_whole_draw_is_logged_and_learned_from() {
    let Some(tools) = Tools::find() else { return };
    let profile = tempfile::tempdir().unwrap();
    let service = Service::open();
    let database = service.database("my-demo");
    let window = Window::open(&tools, profile.path(), None).await;
    copy_the_demo(&window, &service).await;
    window.says("Good day to hang: start").await;
    budget(&window).await;
    let before = rows(&database);

    window.tap("Today", None).await;
    window.until("document.querySelector('[data-live]')").await;
    // Hang: the first tree of the list is chosen already.
    window.tap("Hung and started", None).await;
    window.says("Noted. E01: started").await;
    next_second(&window).await;
    window.tap("Wet", Some("E01")).await;
    window.says("Noted. E01: still wet").await;
    next_second(&window).await;
    window.type_in("ml", "400", Some("E01")).await;
    window.tap("Log what is left", Some("E01")).await;
    window.says("Noted. E01: 400 mL left").await;
    next_second(&window).await;
    window.tap("Empty", Some("E01")).await;
    window.says("Noted. E01: empty").await;
    next_second(&window).await;
    window.tap("Clamp, refill, leak, strip, an earlier time", Some("E01")).await;
    window.tap("Stripped", Some("E01")).await;
    window.says("Noted. E01: stripped").await;
    window
        .until("![...document.querySelectorAll('.card h2 a')].some((a) => a.innerText === 'E01')")
        .await;
    let now = rows(&database);
    assert_eq!(now[..before.len()], before);
    let told: Vec<_> = now[before.len()..].iter().map(|row| row.told()).collect();
    assert_eq!(told[0].0, "start");
    assert!(told.iter().all(|row| row.1 == "E01"), "{told:?}");
    assert_eq!(told[2].2, Some(400.0));
    let acts: Vec<&str> = now[before.len()..].iter().map(|row| row.act.as_str()).collect();
    assert_eq!(acts, ["start", "reading", "reading", "reading", "strip"]);
    assert_eq!(told[3].0, "empty");

    window.tap("Compare", None).await;
    window.says("Predicted against actual").await;
    window.tap("Show what a refit would change", None).await;
    window.says("Put this refit in use").await;
    if window.text().await.contains("worse than the model in use") {
        window.value("document.querySelector('[name=all_the_same]').click()").await;
    }
    let models = models(&database);
    window.tap("Put this refit in use", None).await;
    window.until("location.search === '' && document.querySelector('#refit a')").await;
    window.says("In use: the model fitted").await;
    assert_eq!(self::models(&database), models + 1);
    assert_eq!(window.value("document.querySelectorAll('.wrong').length").await, json!(0));
}

/// What a first visit to Tomorrow brings over the wire: under 100 kB, style and script included.
async fn budget(window: &Window) {
    window.command("Network.setCacheDisabled", json!({"cacheDisabled": true})).await;
    window.command("Network.setBypassServiceWorker", json!({"bypass": true})).await;
    window.value("location.reload()").await;
    window
        .until(
            "performance.getEntriesByType('navigation')[0]?.loadEventEnd > 0 \
        && performance.getEntriesByType('navigation')[0].type === 'reload'",
        )
        .await;
    let sizes = "[...performance.getEntriesByType('navigation'),
        ...performance.getEntriesByType('resource').filter((one) => one.initiatorType !== 'fetch')]
        .map((one) => [new URL(one.name).pathname, one.transferSize,
            Math.round(one.responseStart - one.requestStart)])";
    let sizes = window.value(sizes).await;
    let all = sizes.as_array().unwrap();
    let bytes: u64 = all.iter().map(|one| one[1].as_u64().unwrap()).sum();
    println!("Tomorrow over the wire: {bytes} bytes; name, bytes, ms to the first byte: {sizes}");
    assert!(all.len() >= 3, "page, style and script: {sizes}");
    assert!((1_000..100_000).contains(&bytes), "{bytes} bytes: {sizes}");
    window.command("Network.setBypassServiceWorker", json!({"bypass": false})).await;
    window.command("Network.setCacheDisabled", json!({"cacheDisabled": false})).await;
}

/// How many models the grove has.
fn models(database: &Path) -> i64 {
    let flags = rusqlite::OpenFlags::SQLITE_OPEN_READ_ONLY;
    let file = rusqlite::Connection::open_with_flags(database, flags).unwrap();
    file.query_row("SELECT count(*) FROM models", [], |row| row.get(0)).unwrap()
}
