//! Questions that take options: the day plan, several days, and doses.

use super::query::{Asked, counted, in_range};
use super::reply::{Want, csv, json};
use crate::app::dayplan::{self, Campaign, DayPlan, Kept, campaign};
use crate::app::desk::Desk;
use crate::app::dose::{self, Dose, SheetKind, Units};
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::{pages, rows};
use axum::Json;
use axum::response::Response;
use chrono::NaiveDate;
use serde::Deserialize;

/// Most days of a campaign.
const MOST_DAYS: u32 = 16;
/// Most people of a crew.
const MOST_PEOPLE: u32 = 100;
/// Most kits.
const MOST_KITS: u32 = 10_000;

/// Options of a plan.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct PlanAsked {
    /// Tomorrow where none is given; 1900 to 2199.
    date: Option<NaiveDate>,
    /// Trees of this block only; may stand more than once.
    #[serde(default)]
    block: Vec<String>,
    /// This tree, whatever the list says; may stand more than once.
    #[serde(default)]
    tree: Vec<String>,
    /// So many people instead of the crew's.
    #[param(minimum = 1, maximum = 100)]
    people: Option<u32>,
    /// So many kits instead of the crew's, those that hang already included.
    #[param(minimum = 1, maximum = 10_000)]
    kits: Option<u32>,
    /// Without this person, by the number that the plan gives them; may stand more than once.
    #[serde(default)]
    #[param(minimum = 1, maximum = 100)]
    gone: Vec<u32>,
    /// Without this kit, by its number in the plan; may stand more than once.
    #[serde(default)]
    #[param(minimum = 1, maximum = 10_000)]
    broken: Vec<u32>,
}

impl PlanAsked {
    fn read(self) -> Result<(Option<NaiveDate>, dayplan::Asked), Fault> {
        let asked = dayplan::Asked {
            blocks: self.block,
            trees: self.tree,
            people: counted("people", self.people, MOST_PEOPLE)?,
            kits: counted("kits", self.kits, MOST_KITS)?,
            gone: self.gone,
            broken: self.broken,
            ..dayplan::Asked::default()
        };
        Ok((in_range(self.date)?, asked))
    }
}

/// A plan as JSON, as rows by person, and as a calendar of the acts.
fn told(here: &Here, want: &Want, plan: &DayPlan) -> Result<Response, Fault> {
    let made = here.server.now(&here.kept);
    let calendar = || pages::calendar::calendar(plan, made).into_bytes();
    want.reply(vec![
        json(plan),
        csv(|| rows::dayplan::day(plan)),
        ("text/calendar", Box::new(calendar)),
    ])
}

/// Who sets, looks at and strips which tree when.
#[utoipa::path(get, path = "/groves/{grove}/dayplan", tag = "plan", params(PlanAsked), responses(
    (status = 200, description = "The plan; as CSV its acts; as a calendar (RFC 5545) an event each",
        content((DayPlan = "application/json"), (String = "text/csv"), (String = "text/calendar"))),
))]
pub async fn dayplan(
    here: Here,
    want: Want,
    Asked(asked): Asked<PlanAsked>,
) -> Result<Response, Fault> {
    let (date, asked) = asked.read()?;
    let key = format!("{date:?} {asked:?}");
    let ask =
        move |desk: &Desk| dayplan::dayplan(desk, date.unwrap_or_else(|| desk.tomorrow()), &asked);
    let plan = here.at_length().answer(&key, ask).await?;
    told(&here, &want, &plan)
}

/// Options of a plan, with an earlier one.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Replan {
    /// That of the earlier plan where none is given, else tomorrow.
    date: Option<NaiveDate>,
    /// Trees of these blocks only.
    #[serde(default)]
    blocks: Vec<String>,
    /// These trees, whatever the list says.
    #[serde(default)]
    trees: Vec<String>,
    /// So many people instead of the crew's.
    #[schema(minimum = 1, maximum = 100)]
    people: Option<u32>,
    /// So many kits instead of the crew's, those that hang already included.
    #[schema(minimum = 1, maximum = 10_000)]
    kits: Option<u32>,
    /// Without these people, by the numbers that the plan gives them, 1 to 100.
    #[serde(default)]
    gone: Vec<u32>,
    /// Without these kits, by their numbers in the plan, 1 to 10,000.
    #[serde(default)]
    broken: Vec<u32>,
    /// `kept` of an earlier plan, to be held to as far as it still goes from now on.
    earlier: Option<Kept>,
}

/// A plan that holds to an earlier one as far as it still goes from now on, and says what changes.
#[utoipa::path(post, path = "/groves/{grove}/dayplan", tag = "plan",
    request_body(content = Replan, example = json!({"people": 1, "kits": 11})),
    responses((status = 200, description = "The plan; as CSV its acts; as a calendar an event each",
        content((DayPlan = "application/json"), (String = "text/csv"), (String = "text/calendar")))))]
pub async fn replan(here: Here, want: Want, Json(replan): Json<Replan>) -> Result<Response, Fault> {
    let Replan { date, blocks, trees, people, kits, gone, broken, earlier } = replan;
    let asked = PlanAsked { date, block: blocks, tree: trees, people, kits, gone, broken };
    let (date, asked) = asked.read()?;
    let date = date.or(earlier.as_ref().map(|kept| kept.date));
    let date = in_range(date)?;
    let asked = dayplan::Asked { earlier, ..asked };
    let ask =
        move |desk: &Desk| dayplan::dayplan(desk, date.unwrap_or_else(|| desk.tomorrow()), &asked);
    let plan = here.at_length().ask(ask).await?;
    told(&here, &want, &plan)
}

/// Days from a date on.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Days {
    /// The first; tomorrow where none is given.
    date: Option<NaiveDate>,
    /// How many; 7 where none is given.
    #[param(minimum = 1, maximum = 16)]
    days: Option<u32>,
    /// Trees of this block only; may stand more than once.
    #[serde(default)]
    block: Vec<String>,
    /// This tree, whatever the list says; may stand more than once.
    #[serde(default)]
    tree: Vec<String>,
    /// So many people instead of the crew's.
    #[param(minimum = 1, maximum = 100)]
    people: Option<u32>,
    /// So many kits instead of the crew's.
    #[param(minimum = 1, maximum = 10_000)]
    kits: Option<u32>,
}

/// How many trees on which days, and which days not to go.
#[utoipa::path(get, path = "/groves/{grove}/days", tag = "plan", params(Days), responses(
    (status = 200, description = "Day by day",
        content((Campaign = "application/json"), (String = "text/csv"))),
))]
pub async fn days(here: Here, want: Want, Asked(days): Asked<Days>) -> Result<Response, Fault> {
    let Days { date, days, block, tree, people, kits } = days;
    let count = counted("days", days, MOST_DAYS)?.unwrap_or(7);
    let (date, asked) =
        PlanAsked { date, block, tree, people, kits, gone: vec![], broken: vec![] }.read()?;
    let key = format!("{date:?} {count} {asked:?}");
    let ask =
        move |desk: &Desk| campaign(desk, date.unwrap_or_else(|| desk.tomorrow()), count, &asked);
    let answer = here.at_length().answer(&key, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::dayplan::days(&answer))])
}

/// Options of doses.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct DoseAsked {
    /// Tomorrow where none is given; 1900 to 2199.
    date: Option<NaiveDate>,
    /// This tree; may stand more than once. With no tree and no block: the date's list.
    #[serde(default)]
    tree: Vec<String>,
    /// All trees of this block that do not say hang = no; may stand more than once.
    #[serde(default)]
    block: Vec<String>,
    /// Dose by the block's mean dbh, where the label allows it.
    #[serde(default)]
    by_mean: bool,
    /// List parts for so many kits; for as many as bags hang where none is given.
    #[param(minimum = 1, maximum = 10_000)]
    kits: Option<u32>,
    /// Units of sheets and rows; the grove's own where none are given.
    #[param(inline)]
    units: Option<UnitsAsked>,
    /// Which sheet the rows are of; doses where none is named. JSON has them all.
    #[param(inline)]
    sheet: Option<SheetAsked>,
}

/// Units of sheets.
#[derive(Debug, Clone, Copy, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum UnitsAsked {
    /// cm, m, mL.
    Metric,
    /// in, ft, US fl oz.
    Us,
}

/// Kinds of sheet.
#[derive(Debug, Clone, Copy, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SheetAsked {
    /// Doses of a block.
    Dose,
    /// What to measure out and pour.
    Mixing,
    /// Setting up.
    SetUp,
    /// Parts of the kits.
    Kit,
}

impl From<SheetAsked> for SheetKind {
    fn from(asked: SheetAsked) -> Self {
        match asked {
            SheetAsked::Dose => Self::Dose,
            SheetAsked::Mixing => Self::Mixing,
            SheetAsked::SetUp => Self::SetUp,
            SheetAsked::Kit => Self::Kit,
        }
    }
}

/// What to measure, mix and load, by the rate typed from the label.
#[utoipa::path(get, path = "/groves/{grove}/dose", tag = "dose", params(DoseAsked), responses(
    (status = 200, description = "Doses, batches, setting up, parts; as CSV one kind of sheet",
        content((Dose = "application/json"), (String = "text/csv"))),
))]
pub async fn dose(
    here: Here,
    want: Want,
    Asked(asked): Asked<DoseAsked>,
) -> Result<Response, Fault> {
    let sheet = asked.sheet.map(SheetKind::from);
    let asked = dose::Asked {
        trees: asked.tree,
        blocks: asked.block,
        day: in_range(asked.date)?,
        by_mean: asked.by_mean,
        kits: counted("kits", asked.kits, MOST_KITS)?,
        units: asked.units.map(|units| match units {
            UnitsAsked::Metric => Units::Metric,
            UnitsAsked::Us => Units::Us,
        }),
    };
    let key = format!("{asked:?}");
    let answer = here.answer(&key, move |desk: &Desk| dose::dose(desk, &asked)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::dose::rows(&answer, sheet))])
}
