//! The house rules, read off the sources: who may use whom, what the core may not name, and sizes.
//!
//! Sources are read as tokens, so that comments and strings count for nothing; parts under
//! `#[cfg(test)]`, and the files they name, are left out.

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::fs;
use std::path::{Path, PathBuf};

/// A room, and what it may use of the crate: whole rooms, or single names as `grove::Label`. A room
/// stands below all those that it uses, so that no two can use each other.
type Room = (&'static str, &'static [&'static str]);

const CORE: [Room; 12] = [
    ("units", &[]),
    ("text", &["units"]),
    ("weather", &["units", "text"]),
    ("evapo", &["units", "weather"]),
    ("grove", &["units", "text", "weather", "evapo"]),
    ("journal", &["units", "text", "grove"]),
    ("belief", &["units"]),
    // `belief` for the quantiles of a normal law.
    ("demand", &["units", "weather", "evapo", "belief"]),
    ("uptake", &["units", "weather", "evapo", "demand", "belief"]),
    ("plan", &["units", "weather", "belief"]),
    ("dose", &["units", "grove::Label", "grove::LabelRate", "grove::RateOf", "grove::RatePer"]),
    ("record", &["units", "text", "weather", "evapo", "grove"]),
];

const SHELL: [Room; 7] = [
    ("store", &["units", "text", "weather", "grove", "journal", "uptake"]),
    ("feed", &["units", "weather", "evapo", "grove", "store"]),
    (
        "app",
        &[
            "units", "text", "weather", "evapo", "grove", "journal", "belief", "demand", "uptake",
            "plan", "dose", "record", "feed", "store",
        ],
    ),
    // Pages see what `app` gives, and the records and calls in it.
    ("pages", &["app", "record", "plan::overnight::Call"]),
    ("rows", &["text", "app", "record"]),
    ("http", &["text", "grove", "journal", "store", "app", "pages", "rows", "record"]),
    // Of the core, single names that `app` takes and gives.
    (
        "cli",
        &[
            "http",
            "text",
            "store",
            "app",
            "pages",
            "rows",
            "record",
            "weather::Span",
            "grove::Grove",
            "grove::Hang",
            "grove::FlawKind",
            "journal::Refusal",
            "grove::Refused",
            "plan::percent",
            "plan::overnight::Call",
        ],
    ),
];

/// Names that reach a file, a socket, the environment, a clock, a thread or a random source.
const OUTSIDE: [&str; 24] = [
    "std::*",
    "std::fs",
    "std::net",
    "std::env",
    "std::process",
    "std::thread",
    "std::time::*",
    "std::time::SystemTime",
    "std::time::Instant",
    "std::io::stdin",
    "std::io::stdout",
    "std::io::stderr",
    "SystemTime::now",
    "Instant::now",
    "Utc::now",
    "Local::now",
    "chrono::Local",
    "tokio",
    "reqwest",
    "rayon",
    "rand::rng",
    "rand::thread_rng",
    "OsRng",
    "from_os_rng",
];

/// Names by which a database is spoken to: SQL stands in `store` alone.
const ENGINES: [&str; 3] = ["rusqlite", "tokio_postgres", "deadpool_postgres"];

const MOST_LINES_OF_A_FILE: usize = 700;
const MOST_LINES_OF_MAIN: usize = 40;

/// A path as it is used, from the crate's root or from an extern crate.
#[derive(Debug, Clone, PartialEq)]
struct Used {
    of_the_crate: bool,
    names: Vec<String>,
}

/// What one source tells: the paths that it uses, its functions, and the files it has for tests.
#[derive(Debug, Default)]
struct Source {
    paths: Vec<Used>,
    functions: Vec<String>,
    test_files: Vec<String>,
}

impl Source {
    /// Reads a source that stands at `module`, as `["weather", "parse"]`.
    fn read(text: &str, module: &[String]) -> Self {
        let tokens: TokenStream = text.parse().unwrap_or_else(|error| {
            panic!("{} cannot be read as Rust: {error}", module.join("::"))
        });
        let mut source = Self::default();
        source.walk(&tokens.into_iter().collect::<Vec<_>>(), module);
        source
    }

    fn walk(&mut self, tokens: &[TokenTree], module: &[String]) {
        let mut at = 0;
        while at < tokens.len() {
            let rest = &tokens[at..];
            at += if is_cfg_test(rest) {
                self.pass_over_tests(rest)
            } else if is_word(&rest[0], "use") {
                let end = rest.iter().position(|token| is_mark(token, ';')).unwrap_or(rest.len());
                self.tree(&rest[1..end], &[], module);
                end
            } else if let [TokenTree::Ident(word), TokenTree::Ident(name), ..] = rest
                && word == "fn"
            {
                self.functions.push(name.to_string());
                2
            } else if let [
                TokenTree::Ident(word),
                TokenTree::Ident(name),
                TokenTree::Group(body),
                ..,
            ] = rest
                && word == "mod"
            {
                let inner = [module, &[name.to_string()]].concat();
                self.walk(&body.stream().into_iter().collect::<Vec<_>>(), &inner);
                3
            } else if let TokenTree::Ident(_) = rest[0] {
                let (names, taken) = path(rest);
                self.note(names, module);
                taken
            } else {
                if let TokenTree::Group(group) = &rest[0] {
                    self.walk(&group.stream().into_iter().collect::<Vec<_>>(), module);
                }
                1
            };
        }
    }

    /// The item behind `#[cfg(test)]`, to its body or its semicolon.
    fn pass_over_tests(&mut self, tokens: &[TokenTree]) -> usize {
        let (mut at, mut named) = (2, None);
        while let [TokenTree::Punct(_), TokenTree::Group(attribute), ..] = &tokens[at..] {
            let attribute: Vec<TokenTree> = attribute.stream().into_iter().collect();
            if let [name, _, TokenTree::Literal(file)] = attribute.as_slice()
                && is_word(name, "path")
            {
                named = Some(file.to_string().trim_matches('"').to_owned());
            }
            at += 2;
        }
        let is_use = tokens[at..].first().is_some_and(|token| is_word(token, "use"));
        let ends = |token: &TokenTree| {
            is_mark(token, ';')
                || !is_use
                    && matches!(token, TokenTree::Group(body) if body.delimiter() == Delimiter::Brace)
        };
        let item = &tokens[at..];
        let end = item.iter().position(ends).map_or(item.len(), |end| end + 1);
        if let [word, TokenTree::Ident(name), mark, ..] = item
            && is_word(word, "mod")
            && is_mark(mark, ';')
        {
            self.test_files.push(named.unwrap_or_else(|| format!("{name}.rs")));
        }
        at + end
    }

    /// A tree of `use`, to all its paths.
    fn tree(&mut self, tokens: &[TokenTree], before: &[String], module: &[String]) {
        let mut names = before.to_vec();
        for token in tokens {
            match token {
                TokenTree::Ident(word) if word == "as" => break,
                TokenTree::Ident(name) => names.push(name.to_string()),
                TokenTree::Punct(mark) if mark.as_char() == '*' => names.push("*".to_owned()),
                TokenTree::Group(branches) => {
                    let branches: Vec<TokenTree> = branches.stream().into_iter().collect();
                    for branch in branches.split(|token| is_mark(token, ',')) {
                        self.tree(branch, &names, module);
                    }
                    return;
                }
                _ => {}
            }
        }
        self.note(names, module);
    }

    /// Puts a path down as it looks from the crate's root.
    fn note(&mut self, mut names: Vec<String>, module: &[String]) {
        if names.last().is_some_and(|last| last == "self") && names.len() > 1 {
            names.pop();
        }
        let supers = names.iter().take_while(|name| *name == "super").count();
        let (of_the_crate, names) = match names.first().map(String::as_str) {
            Some("crate" | "xylocast") => (true, names[1..].to_vec()),
            Some("self") => (true, [module, &names[1..]].concat()),
            Some("super") => {
                let above = &module[..module.len().saturating_sub(supers)];
                (true, [above, &names[supers..]].concat())
            }
            _ => (false, names),
        };
        if !names.is_empty() {
            self.paths.push(Used { of_the_crate, names });
        }
    }
}

/// A path at the head of tokens, and the number of tokens it takes.
fn path(tokens: &[TokenTree]) -> (Vec<String>, usize) {
    let (mut names, mut at) = (Vec::new(), 0);
    while let Some(TokenTree::Ident(name)) = tokens.get(at) {
        names.push(name.to_string());
        at += 1;
        match &tokens[at..] {
            [first, second, TokenTree::Ident(_), ..]
                if is_mark(first, ':') && is_mark(second, ':') =>
            {
                at += 2;
            }
            _ => break,
        }
    }
    (names, at)
}

fn is_word(token: &TokenTree, word: &str) -> bool {
    matches!(token, TokenTree::Ident(name) if name == word)
}

fn is_mark(token: &TokenTree, mark: char) -> bool {
    matches!(token, TokenTree::Punct(punct) if punct.as_char() == mark)
}

fn is_cfg_test(tokens: &[TokenTree]) -> bool {
    matches!(tokens, [mark, TokenTree::Group(attribute), ..]
        if is_mark(mark, '#') && attribute.stream().to_string().replace(' ', "") == "cfg(test)")
}

/// Does a path lead through these names?
fn leads_through(names: &[String], through: &str) -> bool {
    let through: Vec<&str> = through.split("::").collect();
    names.windows(through.len()).any(|part| part == through.as_slice())
}

/// What a source at `module` does against the rules.
fn breaches(text: &str, module: &[String]) -> Vec<String> {
    let source = Source::read(text, module);
    let own = module[0].as_str();
    let mut rooms = CORE.iter().chain(&SHELL);
    let Some((_, may_use)) = rooms.find(|(room, _)| *room == own) else {
        return vec![format!("`{own}` is not among the rooms of this test: say what it may use")];
    };
    let in_core = CORE.iter().any(|(room, _)| *room == own);
    let mut breaches = Vec::new();
    for Used { of_the_crate, names } in source.paths {
        let path = names.join("::");
        let allowed = |may: &&str| path == **may || path.starts_with(&format!("{may}::"));
        if of_the_crate && names[0] != own && !may_use.iter().any(allowed) {
            breaches.push(format!("{} uses {path}", module.join("::")));
        }
        let outside = |name: &&&str| leads_through(&names, name);
        if let Some(name) = OUTSIDE.iter().find(outside).filter(|_| in_core && !of_the_crate) {
            breaches.push(format!("{} reaches outside: {name}", module.join("::")));
        }
        if own != "store" && ENGINES.contains(&names[0].as_str()) {
            breaches.push(format!("{} speaks to a database: {path}", module.join("::")));
        }
    }
    let named = |name: &&String| name.starts_with("get_") || name.starts_with("calc_");
    for name in source.functions.iter().filter(named) {
        breaches.push(format!("{}: fn {name} wants a better name", module.join("::")));
    }
    breaches
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// All Rust files below a folder, in order.
fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let mut files = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files.extend(rust_files(&path));
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            files.push(path);
        }
    }
    files.sort();
    files
}

/// `src/weather/parse.rs` -> `["weather", "parse"]`, `src/weather/mod.rs` -> `["weather"]`.
fn module_of(file: &Path) -> Vec<String> {
    let inside = file.strip_prefix(root().join("src")).unwrap().with_extension("");
    let names = inside.iter().map(|name| name.to_str().unwrap().to_owned());
    names.filter(|name| name != "mod").collect()
}

#[test]
fn arrows_point_one_way_and_the_core_stays_inside() {
    let src = root().join("src");
    let crate_files = [src.join("lib.rs"), src.join("main.rs")];
    let files: Vec<PathBuf> =
        rust_files(&src).into_iter().filter(|file| !crate_files.contains(file)).collect();
    let text = |file: &Path| fs::read_to_string(file).unwrap();
    let tests: Vec<PathBuf> = files
        .iter()
        .flat_map(|file| {
            let beside = file.parent().unwrap().to_owned();
            let named = Source::read(&text(file), &module_of(file)).test_files;
            named.into_iter().map(move |name| beside.join(name))
        })
        .collect();
    let all: Vec<String> = files
        .iter()
        .filter(|file| !tests.contains(file))
        .flat_map(|file| breaches(&text(file), &module_of(file)))
        .collect();
    assert!(all.is_empty(), "{}", all.join("\n"));
    let seen: Vec<String> = files.iter().map(|file| module_of(file)[0].clone()).collect();
    for room in ["units", "weather", "evapo", "uptake", "app"] {
        assert!(seen.iter().any(|seen| seen == room), "{room} was not looked at");
    }
}

#[test]
fn no_two_rooms_use_each_other() {
    let rooms: Vec<Room> = CORE.into_iter().chain(SHELL).collect();
    for (at, (room, may_use)) in rooms.iter().enumerate() {
        for may in *may_use {
            let other = may.split("::").next().unwrap();
            assert!(rooms[..at].iter().any(|(below, _)| *below == other), "{room} uses {may}");
        }
    }
}

/// The checker of day plans names nothing but units, beliefs, and the plain data of problem and plan.
fn checkers_breaches(text: &str) -> Vec<String> {
    let module = ["plan".to_owned(), "check".to_owned()];
    let plain = ["units", "belief", "plan::day::problem", "plan::day::plan", "plan::check"];
    let paths = Source::read(text, &module).paths.into_iter().filter(|used| used.of_the_crate);
    let names = paths.map(|used| used.names.join("::"));
    names
        .filter(|path| {
            !plain.iter().any(|may| path == may || path.starts_with(&format!("{may}::")))
        })
        .collect()
}

#[test]
fn the_checker_of_plans_shares_no_code_with_the_planner() {
    let text = fs::read_to_string(root().join("src/plan/check.rs")).unwrap();
    assert_eq!(checkers_breaches(&text), [] as [&str; 0]);
    for planted in [
        "use super::day::solve;",
        "use super::day::{Problem, rota};",
        "fn f() { crate::plan::day::solver::solve(x) }",
        "use super::day::*;",
    ] {
        assert!(!checkers_breaches(planted).is_empty(), "{planted}");
    }
}

#[test]
fn files_are_short() {
    let lines = |file: &Path| fs::read_to_string(file).unwrap().lines().count();
    let folders = ["src", "tests", "examples", "benches"];
    let files = folders.iter().flat_map(|folder| rust_files(&root().join(folder)));
    let long: Vec<String> = files
        .map(|file| (lines(&file), file))
        .filter(|(lines, _)| *lines > MOST_LINES_OF_A_FILE)
        .map(|(lines, file)| format!("{}: {lines} lines", file.display()))
        .collect();
    assert!(long.is_empty(), "{}", long.join("\n"));
    assert!(lines(&root().join("src/main.rs")) <= MOST_LINES_OF_MAIN, "main.rs only starts");
}

/// The breaches of a planted source.
fn planted(module: &str, text: &str) -> Vec<String> {
    let module: Vec<String> = module.split("::").map(str::to_owned).collect();
    breaches(text, &module)
}

#[test]
fn a_planted_arrow_is_caught() {
    for (module, text, told) in [
        ("weather::parse", "use crate::evapo;", "weather::parse uses evapo"),
        (
            "evapo::sun",
            "fn f() { crate::grove::Grove::read(x) }",
            "evapo::sun uses grove::Grove::read",
        ),
        ("uptake::fit", "use crate::{units, grove::Draw};", "uptake::fit uses grove::Draw"),
        ("uptake::fit", "use crate::app::{self as desk};", "uptake::fit uses app"),
        ("units", "pub use super::weather::Hour;", "units uses weather::Hour"),
        ("belief::law", "use super::super::uptake::*;", "belief::law uses uptake::*"),
        (
            "belief::law",
            "mod inner { fn f(x: super::super::super::app::Desk) {} }",
            "belief::law uses app::Desk",
        ),
        ("plan", "type T = Vec<xylocast::store::Folder>;", "plan uses store::Folder"),
        ("demand", "macro_rules! m { () => { $crate::cli::run() } }", "demand uses cli::run"),
        ("dose", "use crate::grove::Settings;", "dose uses grove::Settings"),
        ("cli", "use crate::uptake::fit::fit;", "cli uses uptake::fit::fit"),
        ("store", "use crate::app::desk;", "store uses app::desk"),
    ] {
        assert_eq!(planted(module, text), [told], "{text}");
    }
    assert_eq!(planted("pages::sheet", "use crate::dose::mix;"), ["pages::sheet uses dose::mix"]);
    let unknown = planted("cellar::today", "");
    assert!(unknown[0].starts_with("`cellar` is not among the rooms"), "{unknown:?}");
}

#[test]
fn a_planted_way_outside_is_caught() {
    for text in [
        "use std::{cmp, fs::File};",
        "fn f() { ::std::env::var(\"HOME\") }",
        "use std::time::{Duration, Instant};",
        "let now = Utc::now();",
        "let now = chrono::Local::now();",
        "use rayon::prelude::*;",
        "#[tokio::test] async fn f() {}",
        "let rng = StdRng::from_os_rng();",
        "let rng = rand::rng();",
        "std::thread::spawn(|| ());",
        "macro_rules! m { () => { std::net::TcpStream } }",
        "use std::*;",
    ] {
        assert_eq!(planted("weather", text).len(), 1, "{text}");
        assert!(planted("store", text).is_empty(), "{text}: the shell may");
    }
}

#[test]
fn planted_sql_is_caught() {
    for text in ["use rusqlite::Connection;", "fn f() { tokio_postgres::connect(x, NoTls) }"] {
        assert_eq!(planted("app", text).len(), 1, "{text}");
        assert!(planted("store", text).is_empty(), "{text}");
    }
}

#[test]
fn what_is_said_or_tested_is_no_breach() {
    for text in [
        "// use crate::app;\n/* std::fs */",
        "/// [`crate::app`] std::env::var\nfn f() {}",
        "const A: &str = \"use crate::app\"; const B: &str = r#\"std::fs\"#;",
        "#[cfg(test)] mod tests { use crate::app; use std::fs; }",
        "#[cfg(test)] use crate::{app::desk};",
        "#[cfg(test)] #[allow(x)] fn f() { std::env::var(x) }",
        "fn f<'a>(fs: &'a str) -> char { 'a' }",
        "use std::{fmt, time::Duration}; use crate::weather::hour; use self::cadence; use super::units;",
    ] {
        assert_eq!(planted("weather", text), [] as [&str; 0], "{text}");
    }
    // What stands behind the tests still counts.
    assert_eq!(planted("weather", "#[cfg(test)] mod tests { }\nuse crate::app;").len(), 1);
    let named = "#[cfg(test)] #[path = \"a_tests.rs\"] mod tests;\n#[cfg(test)] mod more;";
    let module = ["weather".to_owned()];
    assert_eq!(Source::read(named, &module).test_files, ["a_tests.rs", "more.rs"]);
}

#[test]
fn planted_names_are_caught() {
    assert_eq!(planted("weather", "fn get_rain() {}  impl X { fn calc_wind(&self) {} }").len(), 2);
    assert_eq!(planted("weather", "fn getting() {}"), [] as [&str; 0]);
}
