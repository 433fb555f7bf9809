//! `xylocast pull`: the terminal's side of asking weather services.

use super::{Answer, args, json};
use crate::app::desk::{Desk, DeskError};
use crate::app::pull::{Pulled, Wanted, dry_run, pull};
use crate::app::verify::{Verification, verify};
use crate::grove::Grove;
use crate::store::home::Home;
use chrono::Utc;
use std::fmt::Write;
use std::path::PathBuf;
use std::time::Duration;

/// Pulls for the grove named with `--grove` and those named after it.
pub fn answer(
    grove: Option<&PathBuf>,
    args: &args::Pull,
    as_json: bool,
) -> Result<Answer, DeskError> {
    let groves = groves(grove, args)?;
    let wanted = Wanted {
        source: args.source.clone(),
        from: args.from,
        to: args.to,
        members: args.ensemble,
    };
    if args.dry_run {
        let lines = dry_run(&groves, &wanted, Utc::now())?;
        let text = if as_json { json(&lines) } else { lines.join("\n") + "\n" };
        return Ok(Answer { text, no: false });
    }
    if let Some(spread_s) = args.spread_s {
        std::thread::sleep(Duration::from_secs_f64(fastrand::f64() * f64::from(spread_s)));
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| DeskError::Unanswerable(format!("no runtime for the network: {error}")))?;
    let pulled = runtime.block_on(pull(&groves, &wanted, &super::who(), Utc::now))?;
    let text = if as_json { json(&pulled) } else { table(&groves, &pulled) };
    Ok(Answer { text, no: false })
}

fn groves(grove: Option<&PathBuf>, args: &args::Pull) -> Result<Vec<(Home, Grove)>, DeskError> {
    let folders: Vec<&PathBuf> = grove.into_iter().chain(&args.more).collect();
    if folders.is_empty() {
        return Err(DeskError::Unanswerable(
            "the demo's weather is invented and is not pulled: name a grove with --grove".into(),
        ));
    }
    let now = Utc::now();
    folders
        .into_iter()
        .map(|path| {
            let home = Home::of(Some(path));
            let grove = home.grove(now)?;
            Ok((home, grove))
        })
        .collect()
}

fn table(groves: &[(Home, Grove)], pulled: &[Pulled]) -> String {
    let mut out = String::new();
    for ((_, grove), pulled) in groves.iter().zip(pulled) {
        let cached = if pulled.from_cache { ", as kept (nothing newer is due)" } else { "" };
        let _ = writeln!(out, "{}: {}{cached}", grove.settings.name, pulled.source);
        let _ = writeln!(
            out,
            "  {} observed hours, {} of them new; {} forecast hours{}",
            pulled.observed_hours,
            pulled.observed_new,
            pulled.forecast_hours,
            match pulled.members {
                0 | 1 => String::new(),
                members => format!(" in {members} members"),
            }
        );
        match &pulled.forecast_file {
            Some(path) => drop(writeln!(out, "  forecast kept in {}", path.display())),
            None => out += "  forecast unchanged since the last pull\n",
        }
        for gap in &pulled.gaps {
            let _ = writeln!(out, "  gap: {gap}; it is asked for again at the next pull");
        }
        if let Some(against) = &pulled.against_provider {
            let _ = writeln!(
                out,
                "  ours against the provider's own over {} hours: reference ET {:+.3} mm/h on \
                 average, {:.3} at most; VPD {:+.3} kPa, {:.3} at most (ours are means of the hour, \
                 theirs stand at its end)",
                against.hours,
                against.reference_et_mean_mm,
                against.reference_et_most_mm,
                against.vpd_mean_kpa,
                against.vpd_most_kpa
            );
        }
        for note in pulled.failed.iter().chain(&pulled.notes) {
            let _ = writeln!(out, "  note: {note}");
        }
        let _ = writeln!(out, "  {}", pulled.attribution);
    }
    out
}

/// `pull --verify`: forecast against observed.
pub fn verified(desk: &Desk, as_json: bool) -> Result<Answer, DeskError> {
    let answer = verify(desk)?;
    let text = if as_json { json(&answer) } else { scores(&answer) };
    Ok(Answer { text, no: false })
}

fn scores(verification: &Verification) -> String {
    let skill = |skill: Option<f64>| {
        skill.map_or_else(|| "-".to_owned(), |skill| format!("{:.0} %", 100.0 * skill))
    };
    let rows = verification.scores.iter().map(|score| {
        vec![
            score.variable.words().to_owned(),
            format!("to {:.0} h", score.lead_to_h),
            score.hours.to_string(),
            format!("{:+.2}", score.bias),
            format!("{:.2}", score.rmse),
            skill(score.skill_against_persistence),
            skill(score.skill_against_climatology),
        ]
    });
    let header =
        ["", "lead", "hours", "bias", "rms error", "skill: persistence", "skill: climatology"];
    let mut out = super::words::table(&header, 1, rows);
    let _ = writeln!(out, "\n{}", verification.words);
    out
}
