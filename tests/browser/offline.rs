//! The phone in the grove without signal: the service is killed, the link is cut, the browser is
//! killed too. What was typed is sent exactly once, in the order of typing, under the name of who
//! typed it; the database is compared with it row by row.

use super::ledger::{Row, rows};
use super::service::{PASSWORD, Service, log_at_terminal};
use super::tools::Tools;
use super::window::Window;
use serde_json::{Value, json};
use std::path::Path;

const GROVE: &str = "/g/my-demo";

/// Keeps each batch that the page sends, and loses the answer to as many of them as it is told to:
/// the service has them then, and the page does not know.
const WITNESS: &str = "(() => {
    const send = window.fetch;
    window.batches = JSON.parse(sessionStorage.getItem('batches') ?? '[]');
    window.fetch = async (address, options) => {
        const answer = await send(address, options);
        if (options?.method === 'POST') {
            window.batches.push(options.body);
            sessionStorage.setItem('batches', JSON.stringify(window.batches));
            const losses = Number(localStorage.getItem('losses') ?? 0);
            localStorage.setItem('losses', String(Math.max(0, losses - 1)));
            if (losses > 0) throw new TypeError('the answer is lost');
        }
        return answer;
    };
})()";

/// A copy of the demo, by the page.
pub async fn copy_the_demo(window: &Window, service: &Service) {
    window.go(&service.to("/new")).await;
    window.tap("Copy the demo", None).await;
    window.until("location.pathname === '/g/my-demo/tomorrow'").await;
}

/// Waits until Today says that all three screens are kept.
pub async fn until_kept(window: &Window) {
    window.until("navigator.serviceWorker.controller").await;
    window.says("Kept on this device for want of signal: today, tomorrow, plan.").await;
}

/// What was typed after `before`, as rows tell it.
fn told_after<'r>(before: &[Row], now: &'r [Row]) -> Vec<(&'r str, &'r str, Option<f64>)> {
    assert_eq!(&now[..before.len()], before, "what was there stays as it was");
    now[before.len()..].iter().map(Row::told).collect()
}

/// A second goes by on every clock, so that two looks are not of the same one.
pub async fn next_second(window: &Window) {
    let now = window.value("Date.now()").await;
    window.until(&format!("Date.now() > {now} + 1000")).await;
}

async fn waits(window: &Window, count: usize) {
    window.says(&format!("Waiting to be sent: {count}")).await;
}

async fn nothing_waits(window: &Window) {
    window.until("document.getElementById('waiting')?.hidden").await;
}

/// Sends a batch as the page would, and gives the outcome of each entry.
async fn replay(window: &Window, batch: &Value) -> Vec<String> {
    let body = format!(
        "const {{ csrf }} = await (await fetch('/who')).json();
         const answer = await fetch('{GROVE}/log/batch', {{method: 'POST', body: {},
             headers: {{'content-type': 'application/json', 'x-csrf-token': csrf}}}});
         return (await answer.json()).map((one) => one.outcome);",
        json!(batch.to_string())
    );
    let outcomes = window.settled(&body).await;
    let all = outcomes.as_array().unwrap().iter();
    all.map(|one| one.as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn what_is_typed_without_signal_is_there_once_and_in_order() {
    let Some(tools) = Tools::find() else { return };
    let profile = tempfile::tempdir().unwrap();
    let mut service = Service::open();
    let database = service.database("my-demo");
    let window = Window::open(&tools, profile.path(), None).await;
    // The first page is left while its plan is still being made.
    copy_the_demo(&window, &service).await;
    window.go(&service.to(&format!("{GROVE}/today"))).await;
    until_kept(&window).await;
    let before = rows(&database);

    service.kill();
    window.go(&service.to(&format!("{GROVE}/today"))).await;
    window.says("No signal, or a slow one.").await;
    window.type_in("ml", "250", Some("E05")).await;
    window.tap("Log what is left", Some("E05")).await;
    waits(&window, 1).await;
    next_second(&window).await;
    window.tap("Wet", Some("W12")).await;
    waits(&window, 2).await;
    next_second(&window).await;
    window.tap("Empty", Some("E05")).await;
    waits(&window, 3).await;
    for (screen, words) in
        [("tomorrow", "No signal"), ("plan", "No signal"), ("trees", "was not kept")]
    {
        window.go(&service.to(&format!("{GROVE}/{screen}"))).await;
        window.says(words).await;
    }
    assert_eq!(rows(&database), before, "nothing can have come through");
    window.kill();

    let window = Window::open(&tools, profile.path(), None).await;
    window.always_run(WITNESS).await;
    window.go(&service.to(&format!("{GROVE}/today"))).await;
    waits(&window, 3).await;
    window.type_in("ml", "600", Some("W12")).await;
    window.tap("Log what is left", Some("W12")).await;
    waits(&window, 4).await;
    window.value("localStorage.setItem('losses', '2')").await;
    service.come_back();
    // Twice the service has all of it and the page does not hear so; then it does. It sends by itself
    // too, so that there may be nothing left to be sent by hand.
    waits(&window, 4).await;
    let sends = "(() => {
        const box = document.getElementById('waiting');
        if (localStorage.getItem('losses') !== '0') box.querySelector('button')?.click();
        return window.batches.length >= 3 && box.hidden;
    })()";
    window.until(sends).await;

    let typed = [
        ("wet", "E05", Some(250.0)),
        ("wet", "W12", None),
        ("empty", "E05", None),
        ("wet", "W12", Some(600.0)),
    ];
    compare(&before, &database, &typed);
    let batches = window.value("window.batches").await;
    let batch: Value = serde_json::from_str(batches[0].as_str().unwrap()).unwrap();
    assert_eq!(batch.as_array().unwrap().len(), 4);
    let reversed: Value = batch.as_array().unwrap().iter().rev().cloned().collect();
    let shuffled = json!([batch[2], batch[0], batch[2], batch[3], batch[1], batch[0]]);
    for batch in [&batch, &batch, &reversed, &shuffled] {
        let outcomes = replay(&window, batch).await;
        assert!(outcomes.iter().all(|one| one == "repeated"), "{outcomes:?}");
    }
    compare(&before, &database, &typed);

    overtaken(&window, &mut service, &database).await;
}

fn compare(before: &[Row], database: &Path, typed: &[(&str, &str, Option<f64>)]) {
    let now = rows(database);
    let told: Vec<_> = told_after(before, &now)
        .into_iter()
        .map(|(what, bag, ml)| if what == "reading" { ("wet", bag, ml) } else { (what, bag, ml) })
        .collect();
    assert_eq!(told, typed);
    let times: Vec<i64> = now[before.len()..].iter().map(|row| row.at_utc).collect();
    assert!(times.is_sorted(), "each at the time of its typing: {times:?}");
}

/// Somebody strips a bag while a phone without signal says that it is wet: the phone is told, and
/// nothing is lost without somebody's wish.
async fn overtaken(window: &Window, service: &mut Service, database: &Path) {
    let now = window.value("document.querySelector('[data-live]').dataset.live").await;
    service.kill();
    let before = rows(database);
    window.go(&service.to(&format!("{GROVE}/today"))).await;
    window.says("No signal, or a slow one.").await;
    next_second(window).await;
    window.tap("Wet", Some("W12")).await;
    waits(window, 1).await;
    log_at_terminal(database, &["strip", "W12", "--as-of", now.as_str().unwrap(), "--by", "Bo"]);
    service.come_back();
    window.says("Not taken: 1").await;
    window.says("Send again").await;
    let said = window.value("document.getElementById('waiting').innerText").await;
    let said = said.as_str().unwrap();
    assert!(said.contains("W12 wet"), "{said}");
    window.value("document.querySelector('#waiting li').dataset.before = true").await;
    window.tap("Send again", None).await;
    window.until("!document.querySelector('#waiting [data-before]')").await;
    window.says("Not taken: 1").await;
    window.tap("Drop it", None).await;
    nothing_waits(window).await;
    assert_eq!(told_after(&before, &rows(database)), [("strip", "W12", None)]);
}

#[tokio::test]
async fn what_one_person_typed_is_never_sent_by_another() {
    let Some(tools) = Tools::find() else { return };
    let profile = tempfile::tempdir().unwrap();
    let mut service = Service::with(&[("Ada", "manager"), ("Bo", "crew")], "127.0.0.1:0", &[]);
    let database = service.database("my-demo");
    let window = Window::open(&tools, profile.path(), None).await;
    let today = format!("{GROVE}/today");
    window.log_in(&service.origin, "Ada", PASSWORD, "/new").await;
    window.until("location.pathname === '/new'").await;
    copy_the_demo(&window, &service).await;
    window.go(&service.to(&today)).await;
    window.until("navigator.serviceWorker.controller").await;
    let before = rows(&database);

    service.kill();
    window.tap("Wet", Some("E05")).await;
    waits(&window, 1).await;
    window.says("No signal: kept on this device").await;
    window.go("about:blank").await;
    // Her session runs out meanwhile.
    window.command("Network.clearBrowserCookies", json!({})).await;
    service.come_back();

    window.log_in(&service.origin, "Bo", PASSWORD, &today).await;
    window.says("Some of it was typed by somebody else").await;
    window.tap("Wet", Some("W12")).await;
    window.says("Noted. W12").await;
    waits(&window, 1).await;
    let now = rows(&database);
    assert_eq!(told_after(&before, &now), [("wet", "W12", None)], "{:?}", &now[before.len()..]);
    assert_eq!(now.last().unwrap().by.as_deref(), Some("Bo"));

    window.tap("Log out", None).await;
    window.until("location.pathname === '/log-in'").await;
    // The next one reads nothing on.
    let gone = "const held = async () => (await (await caches.open('kept-1')).keys())
                    .some((one) => new URL(one.url).pathname.startsWith('/g/'));
                while (await held()) await new Promise((soon) => setTimeout(soon, 40));";
    window.settled(gone).await;
    window.log_in(&service.origin, "Ada", PASSWORD, &today).await;
    window.until("location.pathname.endsWith('/today')").await;
    nothing_waits(&window).await;
    window.until("document.querySelector('main').innerText.includes('E05: still wet')").await;
    let now = rows(&database);
    assert_eq!(told_after(&before, &now), [("wet", "W12", None), ("wet", "E05", None)]);
    assert_eq!(now.last().unwrap().by.as_deref(), Some("Ada"));
}
