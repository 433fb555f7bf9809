//! The cautions that apply to a day, and no others.

use super::desk::Desk;
use super::outlook::{COLD_C, HOT_C, Outlook, OutlookHour, WINDY_M_S};
use super::tomorrow::TreeDay;
use super::window::clock_time;
use crate::plan::overnight::{Call, FREEZING_RISK_C};
use serde::Serialize;

/// A short sentence that stands where the act is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Caution {
    /// Where it matters.
    pub at: &'static str,
    /// What to mind.
    pub words: String,
}

/// Cautions for a day's list.
pub fn of_day(desk: &Desk, outlook: &Outlook, trees: &[TreeDay]) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut say = |at: &'static str, words: String| cautions.push(Caution { at, words });
    let working = || outlook.hours.iter().filter(|hour| !hour.night);
    let hottest = working().map(|hour| hour.air_temp_c).fold(f64::NEG_INFINITY, f64::max);
    let coldest = working().map(|hour| hour.air_temp_c).fold(f64::INFINITY, f64::min);
    of_label(desk, outlook, trees, &mut say);
    if hottest > HOT_C {
        say(
            "hanging",
            format!(
                "{hottest:.0} degC: leaf injury was seen above 32 degC after trunk injection; shade \
                 the bags, and give the crew water, shade and rest"
            ),
        );
    }
    if coldest <= FREEZING_RISK_C {
        say("hanging", format!("{coldest:.0} degC: lines and bags may freeze and split"));
    } else if coldest < COLD_C {
        say("hanging", format!("{coldest:.0} degC at the coldest working hour: uptake is slow"));
    }
    if working().any(|hour| hour.rain_mm >= super::outlook::RAIN_MM) {
        say("hanging", "rain: start no bag in it, and let the crowns dry first".into());
    }
    if working().any(|hour| hour.wind_m_s >= WINDY_M_S) {
        say("hanging", "strong wind: tie bags down; keep poles away from overhead lines".into());
    }
    if trees.iter().any(|tree| tree.call == Call::LeaveOvernight) {
        say(
            "overnight",
            "a bag left alone: out of reach of people, children and animals, labelled with \
             contents, tree, date and contact; name who returns and when"
                .into(),
        );
    }
    if trees.iter().any(|tree| tree.call == Call::StripAtDusk) {
        say(
            "stripping",
            "a stripped bag is under-delivered: record what came back; no top-up is proposed"
                .into(),
        );
    }
    season(desk, outlook, trees, &mut say);
    say(
        "always",
        "planning estimate: the product label, local law and licensed practice prevail".into(),
    );
    cautions
}

/// Cautions at the acts themselves, and those that the user typed from a label.
fn of_label(
    desk: &Desk,
    outlook: &Outlook,
    trees: &[TreeDay],
    say: &mut impl FnMut(&'static str, String),
) {
    let label = &desk.grove.settings.label;
    let hung = |tree: &TreeDay| tree.start.is_some() && tree.call != Call::DoNotHang;
    if !trees.iter().any(hung) {
        return;
    }
    if label.product_name.is_some() || label.registration_number.is_some() || label.rate.is_some() {
        say(
            "mixing",
            "the label says how much, with what protection, and who may; mix no more than is hung \
             that day"
                .into(),
        );
    }
    say(
        "drilling",
        "eye protection; look for buried and overhead lines before the first hole".into(),
    );
    let breach = |hour: &OutlookHour| {
        label.max_air_temp.is_some_and(|most| hour.air_temp_c > most.value())
            || label.min_air_temp.is_some_and(|least| hour.air_temp_c < least.value())
    };
    let outside: Vec<_> = outlook.hours.iter().filter(|hour| !hour.night && breach(hour)).collect();
    if let (Some(first), Some(last)) = (outside.first(), outside.last()) {
        say(
            "hanging",
            format!(
                "air outside the label's temperatures in {} of the day's hours, between {} and {}: \
                 start no bag then",
                outside.len(),
                clock_time(desk, first.span.from),
                clock_time(desk, last.span.to)
            ),
        );
    }
}

fn season(
    desk: &Desk,
    outlook: &Outlook,
    trees: &[TreeDay],
    say: &mut impl FnMut(&'static str, String),
) {
    let listed = |tree: &&crate::grove::Tree| trees.iter().any(|day| day.tree_id == tree.id);
    let seasons: Vec<_> =
        desk.grove.trees.iter().filter(listed).map(|tree| desk.grove.season(tree)).collect();
    if seasons.iter().any(|season| season.in_bloom(outlook.date) == Some(true)) {
        say("hanging", "trees on the list are in bloom: nothing that harms pollinators".into());
    }
    if seasons.iter().any(|season| season.leaf_on(outlook.date) == Some(false)) {
        say("hanging", "trees on the list are out of leaf: the model is of trees in leaf".into());
    }
    if seasons.iter().any(|season| season.leaf_on(outlook.date).is_none()) {
        say(
            "hanging",
            "leaf season not in grove.toml: the times hold for trees in full leaf only".into(),
        );
    }
}
