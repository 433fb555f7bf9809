//! All that the service shows of a grove, and what must not be in it.

use super::*;

/// No page has a tag or an attribute that was typed, and nothing that is shown commands a terminal.
pub fn hold_to_text(place: &str, answer: &Answer) {
    let text = &answer.text;
    let odd = text.chars().find(|letter| {
        letter.is_control() && !matches!(letter, '\n' | '\r' | '\t')
            || !answer.status.is_client_error() && *letter == '\u{202e}'
    });
    assert_eq!(odd, None, "{place}: {text}");
    for value in answer.headers.values() {
        let bytes = value.as_bytes();
        assert!(!bytes.iter().any(u8::is_ascii_control), "{place}: {value:?}");
    }
    assert!(answer.headers.get("set-cookie").is_none_or(|set| set != "a=b"), "{place}");
    if answer.header("content-type").starts_with("text/html") {
        for word in NASTY.iter().filter(|word| word.contains(['<', '"'])) {
            assert!(!text.contains(word), "{place} has {word} as it was typed: {text}");
        }
        assert!(!text.contains("<script>") && !text.contains("<img src=x"), "{place}: {text}");
    }
}

pub fn escaped(word: &str) -> String {
    let word = word.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    word.replace('"', "&quot;")
}

pub fn hold_to_cells(place: &str, answer: &Answer) -> usize {
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).from_reader(answer.text.as_bytes());
    let mut count = 0;
    for row in reader.records() {
        for cell in &row.unwrap_or_else(|error| panic!("{place}: {error}: {}", answer.text)) {
            let runs = cell.starts_with(['=', '@', '\t', '\r'])
                || cell.starts_with(['+', '-']) && cell.parse::<f64>().is_err();
            assert!(!runs, "{place}: a spreadsheet would run {cell:?}");
            count += 1;
        }
    }
    count
}

/// Every line is one of ours, or goes on with the one before.
pub fn hold_to_calendar(place: &str, answer: &Answer) {
    const OURS: [&str; 13] = [
        "BEGIN:VCALENDAR",
        "END:VCALENDAR",
        "BEGIN:VEVENT",
        "END:VEVENT",
        "VERSION:2.0",
        "PRODID:-//xylocast",
        "CALSCALE:GREGORIAN",
        "METHOD:PUBLISH",
        "UID:",
        "DTSTAMP:",
        "DTSTART:",
        "DTEND:",
        "SUMMARY:",
    ];
    let text = &answer.text;
    assert!(text.ends_with("END:VCALENDAR\r\n"), "{place}: {text}");
    for line in text.split_terminator("\r\n") {
        assert!(!line.contains(['\r', '\n']), "{place}: {line:?}");
        let ours = OURS.iter().chain(&["DESCRIPTION:", "CATEGORIES:", " "]);
        assert!(ours.into_iter().any(|own| line.starts_with(own)), "{place}: {line:?}");
    }
    let events = |mark: &str| text.lines().filter(|line| *line == mark).count();
    assert!(events("BEGIN:VEVENT") > 0, "{place} has no act to look at");
    assert_eq!(events("BEGIN:VEVENT"), events("END:VEVENT"), "{place}");
}

/// The addresses that the service's sources say it answers.
pub fn addresses() -> BTreeSet<String> {
    fn sources(folder: &Path, all: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                sources(&path, all);
            } else {
                all.push(path);
            }
        }
    }
    let mut all = Vec::new();
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http/site"), &mut all);
    sources(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/http/access"), &mut all);
    let texts = all.iter().map(|path| fs::read_to_string(path).unwrap());
    let mut addresses = BTreeSet::new();
    for text in texts {
        for route in text.split(".route(\"").skip(1) {
            let (address, rest) = route.split_once('"').unwrap();
            if rest.trim_start_matches([',', ' ']).starts_with("get(") {
                addresses.insert(address.to_owned());
            }
        }
    }
    addresses
}

pub fn encoded(text: &str) -> String {
    let byte = |byte: u8| match byte {
        b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' => char::from(byte).to_string(),
        other => format!("%{other:02X}"),
    };
    text.bytes().map(byte).collect()
}

/// Where days, numbers and words of ours alone are taken.
pub const CLOSED: [&str; 19] = [
    "applications.csv pre_harvest_until",
    "blocks.csv bloom_from",
    "blocks.csv bloom_to",
    "blocks.csv leaf_off_from",
    "blocks.csv leaf_on_from",
    "entry wet at",
    "form new elevation_m",
    "form new latitude_deg",
    "form new longitude_deg",
    "form new time_zone",
    "form tree circumference_cm",
    "form tree ports",
    "journal.csv act",
    "journal.csv state",
    "kits.csv bought",
    "ports.csv date",
    "readings.csv state",
    "trees.csv hang",
    "trees.csv last_treated",
];

/// That all was refused would prove nothing: each text takes what can be read, but for those that are
/// no texts.
pub fn hold_to_what_was_stored(sent: &Sent) {
    let stored = |place: &String| sent.stored.get(place).copied().unwrap_or_default();
    let places: BTreeSet<&String> = sent.stored.keys().chain(sent.refused.keys()).collect();
    let (settings, others): (Vec<&String>, _) =
        places.into_iter().partition(|place| place.starts_with("grove.toml"));
    for place in others {
        let least = if CLOSED.contains(&place.as_str()) { 0..=0 } else { 6..=NASTY.len() };
        assert!(least.contains(&stored(place)), "{place}: {} were stored", stored(place));
    }
    // A key takes texts or none.
    let readable = NASTY.len() - 2;
    assert!(
        settings.iter().all(|place| [0, readable].contains(&stored(place))),
        "{:?}",
        sent.stored
    );
    let texts = settings.iter().filter(|place| stored(place) > 0).count();
    assert!(texts >= 19, "{texts} texts of grove.toml: {:?}", sent.stored);
}

/// Every page, calendar and question of the API about a grove.
pub async fn walk((service, _, grove): Asking<'_>, words: &[&str]) -> usize {
    let at = format!("/api/v1/groves/{grove}/trees?per_page=200");
    let trees: Value =
        serde_json::from_str(&get(service, &at, "application/json").await.text).unwrap();
    let trees: Vec<&str> = trees["trees"]
        .as_array()
        .unwrap()
        .iter()
        .map(|tree| tree["tree_id"].as_str().unwrap())
        .collect();
    // Of those with sound names one is enough.
    let odd = trees.iter().copied().filter(|id| NASTY.iter().any(|word| word.trim() == *id));
    let trees: Vec<&str> = odd.chain(["T1"]).collect();
    let (mut shown, addresses) = (0, addresses());
    for known in ["/g/{grove}/plan/calendar", "/g/{grove}/trees/{tree}", "/people", "/new"] {
        assert!(addresses.contains(known), "{addresses:?}");
    }
    for address in addresses {
        // The stream of changes has no end.
        if address.ends_with("/events") {
            continue;
        }
        for tree in trees.iter().take(if address.contains("{tree}") { trees.len() } else { 1 }) {
            let path = address.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            let answer = get(service, &path, "text/html, */*;q=0.5").await;
            assert!(
                answer.status.is_success() || answer.status.is_redirection(),
                "{path}: {} {}",
                answer.status,
                answer.text
            );
            hold_to_text(&path, &answer);
            match answer.header("content-type").split(';').next().unwrap() {
                "text/csv" => assert!(hold_to_cells(&path, &answer) > 0),
                "text/calendar" => hold_to_calendar(&path, &answer),
                _ => {
                    shown +=
                        words.iter().filter(|word| answer.text.contains(&escaped(word))).count()
                }
            }
        }
    }
    let document = get(service, "/api/v1/openapi.json", "application/json").await;
    let document: Value = serde_json::from_str(&document.text).unwrap();
    for (route, about) in document["paths"].as_object().unwrap() {
        let Some(about) = about.get("get") else { continue };
        for tree in trees.iter().take(if route.contains("{tree}") { trees.len() } else { 1 }) {
            let path = route.replace("{grove}", grove).replace("{tree}", &encoded(tree));
            for media in about["responses"]["200"]["content"].as_object().unwrap().keys() {
                let answer = get(service, &path, media).await;
                // Whom to ask for weather is a nasty word too.
                let may_refuse = route.ends_with("/pull") && answer.status.is_client_error();
                let (status, text) = (answer.status, &answer.text);
                assert!(status.is_success() || may_refuse, "{path}: {status} {text}");
                hold_to_text(&path, &answer);
                match answer.header("content-type").split(';').next().unwrap() {
                    "text/csv" => assert!(hold_to_cells(&path, &answer) > 0),
                    "text/calendar" => hold_to_calendar(&path, &answer),
                    _ => {
                        serde_json::from_str::<Value>(&answer.text).unwrap();
                    }
                }
            }
        }
    }
    shown
}
