//! `xylocast backtest`: how good is the model here, as tables and rows.

use super::words::{bullets, table, width, wrapped};
use super::{Answer, args, shown};
use crate::app::backtest::{Asked, Backtest, FEWEST_DAYS, FEWEST_DRAWS, Group};
use crate::app::desk::DeskError;
use crate::app::rests::counted;
use crate::app::verdicts::Score;
use crate::app::walk::Way;
use crate::rows;
use chrono::{DateTime, TimeDelta, Utc};
use std::io::{IsTerminal, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Mutex;

/// Walks and scores.
pub fn answer(
    cli: &args::Cli,
    args: &args::Backtest,
    now: DateTime<Utc>,
) -> Result<Answer, DeskError> {
    let folders: Vec<&Path> =
        cli.common.grove.iter().chain(&args.more).map(PathBuf::as_path).collect();
    let asked = Asked {
        folders: &folders,
        model: cli.common.model.as_deref(),
        truth: args.truth.as_deref(),
        reference_et: cli.reference_et(),
        as_of: cli.common.as_of,
        way: Way {
            forecast: args.forecast,
            withhold_trees: args.withhold_trees,
            before: TimeDelta::seconds(args.before_h.map_or(60.0, |hours| 3600.0 * hours) as i64),
            rivals: !args.no_rivals,
        },
        known_within_min: args.known_within_min,
    };
    let progress = Progress::new();
    let answer = asked.answered(now, &|done, all| progress.tell(done, all));
    progress.clear();
    let answer = answer?;
    shown(cli, &answer, answer.all.is_none(), || text(&answer), || rows::backtest::rows(&answer))
}

/// Days done, on a terminal that somebody watches.
struct Progress {
    shown: Option<Mutex<usize>>,
}

impl Progress {
    fn new() -> Self {
        Self { shown: std::io::stderr().is_terminal().then(Mutex::default) }
    }

    fn tell(&self, done: usize, all: usize) {
        let Some(shown) = &self.shown else { return };
        let Ok(mut shown) = shown.try_lock() else { return };
        if done > *shown {
            *shown = done;
            let _ = write!(std::io::stderr(), "\r{done} of {all} days walked ");
        }
    }

    fn clear(&self) {
        if self.shown.is_some() {
            let _ = write!(std::io::stderr(), "\r{:40}\r", "");
        }
    }
}

const HEADER: [&str; 10] = [
    "",
    "draws",
    "median\nerror %",
    "within\n30 min %",
    "within\n25 %",
    "inside\nband %",
    "P90:\nP10",
    "log\nscore",
    "CRPS\nmin",
    "Brier\ndusk",
];

fn text(answer: &Backtest) -> String {
    let Some(all) = &answer.all else {
        return wrapped(
            &format!(
                "Nothing to score: {} predicted, none with an outcome and weather. Log looks at \
                 bags, and weather for their hours.",
                counted(answer.draws, "draw", "draws")
            ),
            0,
        );
    };
    let mut out = String::new();
    if answer.too_little {
        out += &wrapped(
            &format!(
                "Too little to score: {} on {}. It takes {FEWEST_DRAWS} draws and {FEWEST_DAYS} \
                 days before these figures say much.",
                counted(all.draws, "draw", "draws"),
                counted(answer.days, "day", "days")
            ),
            0,
        );
        out.push('\n');
    }
    out += &wrapped(&headline(answer, all), 0);
    out += "\nBeside simpler ways, on the same draws\n";
    out += &table(&HEADER, 1, answer.rivals.iter().map(row));
    for part in answer.groups.chunk_by(|a, b| a.by == b.by) {
        let worst = if part[0].by == "grove" { ", worst first" } else { "" };
        out += &format!("\nBy {}{worst}\n", part[0].by);
        out += &table(&HEADER, 1, part.iter().map(row));
    }
    out += &chances(answer);
    bullets(&mut out, "What this rests on", answer.rests_on.iter().cloned());
    out
}

fn headline(answer: &Backtest, all: &Score) -> String {
    let unscored = match answer.unscored {
        0 => String::new(),
        some => format!(" ({some} more without an outcome or without weather)"),
    };
    let between = |interval: Option<(f64, f64)>, digits: usize| match interval {
        Some((low, high)) => format!(" [{low:.digits$} to {high:.digits$}]"),
        None => String::new(),
    };
    let inside = all.inside_pct.map_or(String::new(), |(surely, possibly)| {
        format!(
            "; the 80 % band held {surely:.1} %{} surely, {possibly:.1} %{} possibly; it is {:.0} \
             min wide{}, P90:P10 {:.2}",
            between(all.surely_interval_pct, 1),
            between(all.possibly_interval_pct, 1),
            all.band_width_min.unwrap_or(f64::NAN),
            between(all.band_width_interval_min, 0),
            all.band_ratio.unwrap_or(f64::NAN)
        )
    });
    let known = if all.error_at_most_pct.is_some_and(|most| most > all.error_pct + 0.05) {
        " at least"
    } else {
        ""
    };
    format!(
        "{} on {}{unscored}: median error {:.1} %{}{known}{inside}; log score {}. In brackets 95 \
         % intervals with days as clusters.",
        counted(all.draws, "draw", "draws"),
        counted(all.days, "day", "days"),
        all.error_pct,
        between(all.error_interval_pct, 1),
        all.log_score.map_or("-".into(), |score| format!("{score:.3}")),
    )
}

/// A pair as one number where its two say the same.
fn pair((surely, possibly): (f64, f64)) -> String {
    if (possibly - surely).abs() < 0.5 {
        format!("{surely:.0}")
    } else {
        format!("{surely:.0}-{possibly:.0}")
    }
}

fn row(group: &Group) -> Vec<String> {
    let score = &group.score;
    let error = match score.error_at_most_pct {
        Some(most) if most > score.error_pct + 0.05 => format!("{:.1}-{most:.0}", score.error_pct),
        _ => format!("{:.1}", score.error_pct),
    };
    let or_dash = |value: Option<f64>, digits: usize| {
        value.map_or("-".into(), |value| format!("{value:.digits$}"))
    };
    let most = width() / 3;
    vec![
        group.name.chars().take(most).collect(),
        score.draws.to_string(),
        error,
        pair(score.within_30_min_pct),
        pair(score.within_25_pct),
        score.inside_pct.map_or("-".into(), pair),
        or_dash(score.band_ratio, 2),
        or_dash(score.log_score, 2),
        or_dash(score.crps_min, 0),
        or_dash(score.brier_dusk, 3),
    ]
}

fn chances(answer: &Backtest) -> String {
    let mut out = String::new();
    let all = [&answer.by_dusk, &answer.by_morning];
    let header = ["probability of", "draws", "happened %", "Brier", "Brier of\nthe share", "AUC"];
    let rows = all.into_iter().flatten().map(|chance| {
        vec![
            chance.of.to_owned(),
            chance.draws.to_string(),
            format!("{:.0}", chance.happened_pct),
            format!("{:.4}", chance.brier),
            format!("{:.4}", chance.brier_of_share),
            chance.auc.map_or("-".into(), |auc| format!("{auc:.3}")),
        ]
    });
    out += "\nProbabilities\n";
    out += &table(&header, 1, rows);
    let header = ["calibration", "told %", "draws", "mean told %", "happened %"];
    let rows = answer.calibration.iter().map(|bin| {
        vec![
            bin.of.to_owned(),
            format!("{:.0}-{:.0}", bin.from_pct, bin.to_pct),
            bin.draws.to_string(),
            format!("{:.0}", bin.told_pct),
            format!("{:.0}", bin.happened_pct),
        ]
    });
    out += "\n";
    out + &table(&header, 1, rows)
}
