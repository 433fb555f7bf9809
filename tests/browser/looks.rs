//! Every page as it is seen: on a phone and a wide screen, by day and by night. axe-core finds
//! nothing against WCAG 2.2 A and AA, text keeps the contrast of 7:1 that glare asks for, nothing is
//! wider than the phone, and whatever is tapped is as large as a thumb in a glove.

use super::service::{PASSWORD, Service};
use super::tools::{Tools, axe};
use super::window::{Screen, Window};
use serde_json::Value;
use std::env;
use std::path::{Path, PathBuf};

/// All looks; the first is the phone by day.
const SCREENS: [Screen; 4] = [
    Screen { width: 360, dark: false },
    Screen { width: 360, dark: true },
    Screen { width: 1280, dark: false },
    Screen { width: 1280, dark: true },
];

/// WCAG 2.2 A and AA; beyond them targets of 24 px, which axe does not look at by itself, and the
/// contrast of AAA, which is our own goal.
const RULES: &str = "{
    runOnly: {type: 'tag', values: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22a', 'wcag22aa']},
    rules: {'target-size': {enabled: true}, 'color-contrast-enhanced': {enabled: true}},
    resultTypes: ['violations'],
}";

/// What can be tapped and is smaller than 44 px; links within a sentence are as high as its line.
const SMALL_TARGETS: &str = "[...document.querySelectorAll(
    'a[href], button, input:not([type=hidden]), select, textarea, summary')]
    .filter((one) => one.checkVisibility() && !one.matches('.skip'))
    .filter((one) => !(one.matches('a') && getComputedStyle(one).display === 'inline'
        && one.closest('p, li')?.textContent.trim() !== one.textContent.trim()))
    .map((one) => [one, (one.matches('input[type=checkbox], input[type=radio]')
        ? one.closest('label') : one).getBoundingClientRect()])
    .filter(([, box]) => box.width > 0 && (box.width < 43.9 || box.height < 43.9))
    .map(([one, box]) => `${one.outerHTML.slice(0, 120)} is ${Math.round(box.width)} x ${Math.round(box.height)} px`)";

/// What sticks out of a page that is as wide as its window.
const TOO_WIDE: &str = "document.scrollingElement.scrollWidth <= innerWidth ? [] : [
    `the page is ${document.scrollingElement.scrollWidth} px wide in ${innerWidth} px`,
    ...[...document.querySelectorAll('main *, header *, footer *')]
        .filter((one) => one.getBoundingClientRect().right > innerWidth + 0.5 && !one.closest('.wide'))
        .slice(0, 5).map((one) => `${one.outerHTML.slice(0, 120)} sticks out`)]";

/// Looks at pages, and remembers all that is wrong.
struct Looker {
    window: Window,
    faults: Vec<String>,
    pictures: Option<PathBuf>,
    seen: usize,
}

impl Looker {
    async fn open(tools: &Tools, profile: &Path, axe: &str) -> Self {
        let window = Window::open(tools, profile, None).await;
        window.always_run(axe).await;
        let pictures = env::var_os("XYLOCAST_PICTURES").map(PathBuf::from);
        if let Some(folder) = &pictures {
            std::fs::create_dir_all(folder).unwrap();
        }
        Self { window, faults: Vec::new(), pictures, seen: 0 }
    }

    /// Opens a page and looks at it in all ways.
    async fn page(&mut self, name: &str, address: &str) {
        self.window.go(address).await;
        self.look(name).await;
    }

    /// Looks at the page that is open.
    async fn look(&mut self, name: &str) {
        self.seen += 1;
        for screen in SCREENS {
            self.window.show(screen).await;
            let faults = self.faults_of(screen).await;
            let where_it_is = format!("{name}, {screen:?}");
            self.faults.extend(faults.into_iter().map(|fault| format!("{where_it_is}: {fault}")));
            if let Some(folder) = &self.pictures {
                let light = if screen.dark { "dark" } else { "light" };
                let file = folder.join(format!("{name}-{}-{light}.png", screen.width));
                self.window.picture(&file).await;
            }
        }
    }

    async fn faults_of(&self, screen: Screen) -> Vec<String> {
        let found = format!(
            "const {{ violations }} = await axe.run(document, {RULES});
             return violations.flatMap((rule) => rule.nodes.map((node) =>
                 `${{rule.id}}: ${{node.html.slice(0, 160)}}: ${{node.failureSummary}}`));"
        );
        let mut faults = lines(&self.window.settled(&found).await);
        if screen.width == 360 {
            faults.extend(lines(&self.window.value(TOO_WIDE).await));
            faults.extend(lines(&self.window.value(SMALL_TARGETS).await));
        }
        faults
    }

    /// What was found on all pages.
    fn done(self, least: usize) {
        assert!(self.seen >= least, "{} pages were looked at", self.seen);
        assert!(self.faults.is_empty(), "{}:\n{}", self.faults.len(), self.faults.join("\n"));
    }
}

fn lines(found: &Value) -> Vec<String> {
    let all = found.as_array().expect("a list").iter();
    all.map(|line| line.as_str().expect("words").to_owned()).collect()
}

#[tokio::test]
async fn every_page_of_a_grove_can_be_read_and_tapped() {
    let (Some(tools), Some(axe)) = (Tools::find(), axe()) else { return };
    let profile = tempfile::tempdir().unwrap();
    let service = Service::open();
    let mut looker = Looker::open(&tools, profile.path(), &axe).await;
    looker.page("welcome", &service.to("/")).await;
    looker.page("new", &service.to("/new")).await;
    looker.window.tap("Copy the demo", None).await;
    looker.window.until("location.pathname === '/g/my-demo/tomorrow'").await;
    for screen in ["tomorrow", "today", "trees", "draws", "records", "weather", "add", "compare"] {
        looker.page(screen, &service.to(&format!("/g/my-demo/{screen}"))).await;
    }
    looker.page("plan", &service.to("/g/my-demo/plan")).await;
    looker.page("plan-without", &service.to("/g/my-demo/plan?gone=2&broken=1")).await;
    looker.page("tree", &service.to("/g/my-demo/trees/E05")).await;
    looker.page("draws-of-a-tree", &service.to("/g/my-demo/draws?tree=E05")).await;
    looker.page("compare-refit", &service.to("/g/my-demo/compare?refit=1")).await;
    looker.page("plan-sheet", &service.to("/g/my-demo/plan/sheet")).await;
    looker.page("records-sheet", &service.to("/g/my-demo/records/sheet")).await;
    looker.page("demo-today", &service.to("/g/demo/today")).await;
    looker.page("not-found", &service.to("/g/nowhere/today")).await;
    looker.page("bad-date", &service.to("/g/my-demo/tomorrow?date=soon")).await;

    // A fold that is open, and something that is not taken.
    let window = &looker.window;
    window.go(&service.to("/g/my-demo/today")).await;
    window.tap("Clamp, refill, leak, strip, an earlier time", Some("E05")).await;
    window.type_in("ml", "much", Some("E05")).await;
    window.tap("Log what is left", Some("E05")).await;
    window.says("Not taken: 1").await;
    looker.look("today-not-taken").await;

    // In other units, once: the widest words.
    looker.window.tap("Show feet, fluid ounces and \u{b0}F", None).await;
    looker
        .window
        .until("document.querySelector('footer button')?.innerText.includes('metres')")
        .await;
    looker.page("tomorrow-us", &service.to("/g/my-demo/tomorrow")).await;
    looker.page("trees-us", &service.to("/g/my-demo/trees")).await;
    looker.done(20);
}

#[tokio::test]
async fn every_page_of_people_and_beginnings_can_be_read_and_tapped() {
    let (Some(tools), Some(axe)) = (Tools::find(), axe()) else { return };
    let profile = tempfile::tempdir().unwrap();
    let people = [("Ada", "manager"), ("Bo of the long name", "crew"), ("Cy", "reader")];
    let service = Service::with(&people, "127.0.0.1:0", &[]);
    let mut looker = Looker::open(&tools, profile.path(), &axe).await;
    let to = |path: &str| service.to(path);
    looker.page("log-in", &to("/log-in")).await;
    looker.window.log_in(&service.origin, "Ada", "not the one", "/").await;
    looker.window.says("Log in").await;
    looker.look("log-in-wrong").await;
    looker.window.log_in(&service.origin, "Ada", PASSWORD, "/").await;
    looker.window.says("Welcome").await;
    looker.look("welcome-manager").await;
    looker.page("password", &to("/password")).await;
    looker.page("people", &to("/people")).await;
    looker.window.type_in("token", "the logger at the gate", None).await;
    looker.window.tap("Make a token", None).await;
    looker.window.says("The new token").await;
    looker.look("people-token").await;

    // A form that comes back.
    looker.window.go(&to("/new")).await;
    looker
        .window
        .value("document.querySelectorAll('#form form').forEach((form) => form.noValidate = true)")
        .await;
    looker.window.type_in("latitude_deg", "north", None).await;
    looker.window.tap("Make the grove", None).await;
    looker.window.says("Not made yet").await;
    looker.look("new-again").await;
    for (field, text) in [
        ("name", "West wood, the long one behind the river"),
        ("longitude_deg", "-3.70"),
        ("elevation_m", "650"),
        ("time_zone", "Europe/Madrid"),
    ] {
        looker.window.value(&format!("document.querySelector('[name={field}]').value = ''")).await;
        looker.window.type_in(field, text, None).await;
    }
    looker.window.value("document.querySelector('[name=latitude_deg]').value = '40.4'").await;
    looker.window.tap("Make the grove", None).await;
    looker.window.says("Add to the grove").await;
    looker.look("add-manager").await;
    let grove = looker.window.path().await.trim_end_matches("/add").to_owned();
    looker.page("groves", &to("/")).await;
    // A grove with neither trees nor weather.
    for screen in ["tomorrow", "today", "plan", "trees", "draws", "compare", "records", "weather"] {
        looker.page(&format!("bare-{screen}"), &to(&format!("{grove}/{screen}"))).await;
    }
    looker.done(17);
}
