//! What an answer rests on: the age of the weather, what was estimated, and the model.

use super::ahead::{Ahead, Spread};
use super::desk::Desk;
use super::outlook::Outlook;
use super::times::PROVEN_NIGHTS;
use crate::uptake::model::RestsOn;

/// Age of the weather, what was estimated, and what the model rests on.
pub fn rests_on(desk: &Desk, ahead: &Ahead, outlook: &Outlook, typed_starts: bool) -> Vec<String> {
    let mut lines = vec![format!("weather: {}", outlook.source.words)];
    lines.extend(estimated(outlook).into_iter().map(|words| format!("estimated: {words}")));
    lines.extend(spread_words(desk, ahead));
    lines.extend(model_words(desk));
    let starts = match typed_starts {
        true => "starts are those typed in hang.csv",
        false => "starts follow the list's order at the crew's rhythm",
    };
    lines.push(format!(
        "{starts}; \"all together\" is a simulation of 2000 days in which the trees share day and \
         weather; the column per tree is that tree alone"
    ));
    lines
}

/// What was estimated in a day's weather, each said once.
pub fn estimated(outlook: &Outlook) -> Vec<&'static str> {
    let mut estimated: Vec<&str> =
        outlook.hours.iter().flat_map(|hour| hour.estimated.iter().copied()).collect();
    estimated.sort_unstable();
    estimated.dedup();
    estimated
}

fn spread_words(desk: &Desk, ahead: &Ahead) -> Option<String> {
    match &ahead.spread {
        Spread::Exact => desk.exact_weather.then(|| "weather ahead taken as known".into()),
        Spread::Ensemble => Some("weather spread: the service's own ensemble members".into()),
        Spread::Learned(learned) => Some(format!(
            "weather spread: errors of this grove's own forecasts by lead time (+-{:.1} degC, \
             {:.0} % humidity, {:.0} % shortwave over all, from {} hours)",
            learned.error.air_c,
            learned.error.humidity_pct,
            100.0 * learned.error.shortwave_ln,
            learned.pairs
        )),
        Spread::Stated(error) => Some(format!(
            "weather spread: stated default errors (+-{} degC, {} % humidity, {:.0} % shortwave), \
             until this grove's own forecasts have been compared",
            error.air_c,
            error.humidity_pct,
            100.0 * error.shortwave_ln
        )),
    }
}

/// What the model rests on, in words.
pub fn model_words(desk: &Desk) -> Vec<String> {
    let file = desk.model.file();
    let mut lines = vec![draws_words(&file.rests_on)];
    if desk.model_as_it_stands {
        lines.push("the model file named is used as it stands: no later draw is in it".into());
    } else if desk.since_refit > 0 && file.fitted_at.is_some() {
        lines.push(format!(
            "{} since the last refit used, but its demand shape and spreads are older: \
             a refit learns them again",
            counted(desk.since_refit, "draw", "draws")
        ));
    }
    if let Some(why) = &file.unsettled {
        lines.push(format!(
            "the search for the demand shape stopped early ({why}): the best that it had tried is used"
        ));
    }
    if let Some(coverage) = file.coverage {
        lines.push(format!(
            "coverage of the 80 % band when walked forward: {:.0}-{:.0} % of {}",
            coverage.surely_pct,
            coverage.possibly_pct,
            counted(coverage.draws, "draw", "draws")
        ));
    }
    if file.rests_on.after_dusk < PROVEN_NIGHTS {
        lines.push(format!(
            "night uptake is unproven here: {} of {PROVEN_NIGHTS} looks after dusk",
            file.rests_on.after_dusk
        ));
    }
    lines
}

fn draws_words(rests: &RestsOn) -> String {
    let (draws, Some(from), Some(to)) = (rests.draws, rests.from, rests.to) else {
        return "model: prior only - no reading from this grove yet, so the bands are wide".into();
    };
    if draws == 0 {
        return "model: prior only - no reading from this grove yet, so the bands are wide".into();
    }
    let silent = match rests.silent {
        0 => String::new(),
        1 => "; 1 more tells nothing (see `check`)".into(),
        silent => format!("; {silent} more tell nothing (see `check`)"),
    };
    format!(
        "model: {} of {}, {from} to {to}{silent}",
        counted(draws, "draw", "draws"),
        counted(rests.trees, "tree", "trees")
    )
}

/// So many things, in words.
pub fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
