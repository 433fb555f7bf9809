//! What comes out of a printer: every figure that the page shows is on the paper, on as few sheets
//! as it needs, and buttons are not.

use super::offline::copy_the_demo;
use super::service::Service;
use super::tools::{Tools, pdftotext};
use super::window::Window;
use std::collections::HashMap;
use std::env;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Words with a digit in them that the screen shows and paper must, each as often as it is there.
/// What is tapped is left out; the page is not to be used any more then.
const FIGURES: &str = "document.querySelectorAll('header, form, .days, .button, details, #aged')
    .forEach((one) => { one.style.display = 'none'; })
    ?? document.body.innerText.split(/\\s+/).filter((word) => /\\d/.test(word))";

/// Puts pages on paper.
struct Press {
    window: Window,
    pdftotext: PathBuf,
    folder: PathBuf,
}

impl Press {
    /// Prints the page that is open on at most so many sheets, and gives what can be read there.
    async fn print(&self, name: &str, sheets: usize) -> String {
        let file = self.folder.join(format!("{name}.pdf"));
        std::fs::write(&file, self.window.print().await).unwrap();
        let output = Command::new(&self.pdftotext).arg(&file).arg("-").output().unwrap();
        assert!(output.status.success(), "{name}");
        let text = String::from_utf8(output.stdout).unwrap();
        let count = text.matches('\u{c}').count();
        assert!((1..=sheets).contains(&count), "{name}: {count} sheets");
        let shown = self.window.value(FIGURES).await;
        let shown = shown.as_array().unwrap().iter().map(|word| word.as_str().unwrap());
        let (shown, printed) = (counted(shown), counted(text.split_whitespace()));
        // Where a line ends within a word at its hyphen, it is there all the same.
        let squeezed: String = text.split_whitespace().collect();
        let torn = |word: &str| if word.contains('-') { squeezed.matches(word).count() } else { 0 };
        let times = |word: &str| printed.get(word).copied().unwrap_or(0).max(torn(word));
        let lost: Vec<_> = shown.iter().filter(|(word, count)| times(word) < **count).collect();
        assert!(shown.len() > 5 && lost.is_empty(), "{name}: not on paper: {lost:?}\n{text}");
        text
    }
}

/// How often each word is there.
fn counted<'w>(words: impl Iterator<Item = &'w str>) -> HashMap<&'w str, usize> {
    words.fold(HashMap::new(), |mut counts, word| {
        *counts.entry(word).or_default() += 1;
        counts
    })
}

#[tokio::test]
async fn what_is_printed_holds_the_figures() {
    let (Some(tools), Some(pdftotext)) = (Tools::find(), pdftotext()) else { return };
    let profile = tempfile::tempdir().unwrap();
    let service = Service::open();
    let window = Window::open(&tools, profile.path(), None).await;
    copy_the_demo(&window, &service).await;
    let kept = tempfile::tempdir().unwrap();
    let folder = env::var_os("XYLOCAST_PICTURES").map_or(kept.path().to_owned(), PathBuf::from);
    std::fs::create_dir_all(&folder).unwrap();
    let press = Press { window, pdftotext, folder };
    let to = |path: &str| service.to(&format!("/g/my-demo/{path}"));
    for (name, path, sheets, words) in [
        ("tomorrow", "tomorrow", 4, "Good day to hang"),
        ("records", "records", 2, "not a legal form"),
        ("records-sheet", "records/sheet", 2, "Checked by"),
        ("plan", "plan", 7, "person 1"),
        // A page for the day, one or two for each of three people, one or two for the trees.
        ("plan-sheet", "plan/sheet", 9, "person 1"),
    ] {
        press.window.go(&to(path)).await;
        let text = press.print(name, sheets).await;
        assert!(text.contains(words), "{name}: {text}");
        assert!(text.contains("licensed practice prevail"), "{name}: {text}");
        assert!(!text.contains("Show feet") && !text.contains("Day after"), "{name}: {text}");
    }

    let sheets = press.folder.join("dose.html");
    dose_sheets(kept.path(), &sheets);
    press.window.go(&format!("file://{}", sheets.display())).await;
    // Dose, mix and checklist of two blocks, and the parts of the kits: a page each.
    let text = press.print("dose", 7).await;
    assert!(text.contains("The label is the law"), "{text}");
}

/// Dose sheets of a bench with an invented label.
fn dose_sheets(folder: &Path, file: &Path) {
    let settings = "name = \"Bench\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -35.0\n\
                    longitude_deg = 138.8\nelevation_m = 380\n[bag]\ncapacity_ml = 250\n\
                    [label]\nproduct_name = \"Invented\"\nlabel_rate_ml_per_cm_dbh = 1\n\
                    min_water_ml_per_ml_product = 9\n";
    let trees = "tree_id,block,species,dbh_cm,ports\nT1,north,elm,30.4,6\nT2,north,elm,40.5,8\n\
                 T3,south,elm,60,9\n";
    std::fs::write(folder.join("grove.toml"), settings).unwrap();
    std::fs::write(folder.join("trees.csv"), trees).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    command.env_remove("XYLOCAST_GROVE").args(["dose", "--html"]).arg(file);
    let output = command.arg("--grove").arg(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}
