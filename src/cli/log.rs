//! `xylocast log`: what was typed to an entry, and the day's entries as a table.

use super::args::Cli;
use super::log_args::{Log, Seen, Told};
use super::words::{bullets, day_clock, hours, table, wrapped};
use super::{Answer, shown};
use crate::app::desk::DeskError;
use crate::app::log::{Noted, Shown, What, Wish, log, show};
use crate::rows;
use crate::store::home::Home;
use chrono::{DateTime, Utc};

/// Notes an entry, or shows those of today. `--as-of` stands for the clock.
pub fn answer(cli: &Cli, asked: &Log, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let now = cli.common.as_of.unwrap_or(now);
    let home = Home::of(cli.common.grove.as_deref());
    match wish(asked) {
        Some(wish) => noted(cli, &home, &wish, now),
        None => {
            let answer = show(&home, now)?;
            shown(cli, &answer, false, || today(&answer), || rows::entries(&answer))
        }
    }
}

fn noted(cli: &Cli, home: &Home, wish: &Wish, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    if cli.common.csv.is_some() {
        let words = "an entry has no rows: `xylocast log show --csv` gives those of today";
        return Err(DeskError::Unanswerable(words.into()));
    }
    let answer = log(home, wish, now, fastrand::u32(..))?;
    shown(cli, &answer, false, || line(&answer), Vec::new)
}

fn line(noted: &Noted) -> String {
    let said = if noted.repeated {
        format!("Noted before, nothing was changed. {}", noted.says)
    } else {
        format!("Noted. {}", noted.says)
    };
    let mut out = wrapped(&said, 2);
    for words in &noted.mind {
        out += &wrapped(&format!("Mind: {words}"), 2);
    }
    out
}

fn today(shown: &Shown) -> String {
    let date = shown.date.format("%A %-d %B %Y");
    let mut out = format!("{}, {date}, times of {}\n\n", shown.grove, shown.time_zone);
    if shown.bags.is_empty() {
        out += "No bag hangs.\n";
    } else {
        out += "Bags that hang\n";
        let header = ["tree", "last look", "kit", "draw", "since", "hangs", "loaded"];
        let rows = shown.bags.iter().map(|bag| {
            let state = match (bag.empty, bag.shut) {
                (true, _) => format!("{}: strip", bag.last),
                (false, true) => format!("{}, shut", bag.last),
                (false, false) => bag.last.clone(),
            };
            vec![
                bag.tree_id.clone(),
                state,
                bag.kit.clone().unwrap_or_else(|| "-".into()),
                bag.draw_id.clone(),
                day_clock(&bag.started),
                hours(bag.minutes as f64),
                format!("{} mL", bag.loaded_ml),
            ]
        });
        out += &table(&header, 4, rows);
    }
    let lines = shown.entries.iter().map(|line| {
        let mark = if line.undone { "[undone] " } else { "" };
        let by = line.by.as_ref().map_or_else(String::new, |by| format!(", {by}"));
        let note = line.note.as_ref().map_or_else(String::new, |note| format!(" \"{note}\""));
        format!("{mark}{}{note} (noted {}{by}; key {})", line.says, &line.noted[11..16], line.key)
    });
    bullets(&mut out, "Noted today", lines);
    if shown.entries.is_empty() {
        out += "\nNothing was noted today.\n";
    }
    out
}

/// None of what only shows.
fn wish(asked: &Log) -> Option<Wish> {
    let (told, what) = what(asked)?;
    let Told { at, by, note, key } = told;
    // An empty XYLOCAST_BY names nobody.
    let by = by.clone().filter(|by| !by.is_empty());
    let (at, note, key) = (at.clone(), note.clone(), key.clone());
    Some(Wish { at, by, note, key, what })
}

fn what(asked: &Log) -> Option<(&Told, What)> {
    Some(match asked {
        Log::Start { tree, charge_ml, ports, head_m, kit, draw, second_bag, told } => {
            let what = What::Start {
                tree_id: tree.clone(),
                charge_ml: *charge_ml,
                ports: *ports,
                head_m: *head_m,
                kit: kit.clone(),
                draw_id: draw.clone(),
                second_bag: *second_bag,
            };
            (told, what)
        }
        Log::Reading { on, seen, told } => {
            let on = on.clone();
            let what = match *seen {
                Seen::Wet => What::Wet { on },
                Seen::Empty => What::Empty { on },
                Seen::Left(left_ml) => What::Left { on, left_ml },
            };
            (told, what)
        }
        Log::Refill { on, added_ml, told } => {
            (told, What::Refill { on: on.clone(), added_ml: *added_ml })
        }
        Log::Leak { on, left_ml, told } => (told, What::Leak { on: on.clone(), left_ml: *left_ml }),
        Log::Pause { on, why, told } => (told, What::Pause { on: on.clone(), why: why.clone() }),
        Log::Resume { on, told } => (told, What::Resume { on: on.clone() }),
        Log::Strip { on, left_ml, told } => {
            (told, What::Strip { on: on.clone(), left_ml: *left_ml })
        }
        Log::Undo { of, told } => (told, What::Undo { of: of.clone() }),
        Log::Show => return None,
    })
}
