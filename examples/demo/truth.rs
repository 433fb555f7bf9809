//! What the trees really do, which no file of the demo tells.
//!
//! Demand is that of the library's shape, with parameters of the demo's own. A bag of `V` mL is
//! empty once the demand clock since its start has reached `V / thirst`, and
//!
//! ```text
//! ln thirst = intercept + ln ports + 0.1 ln (dbh / 30 cm) + block + tree + the tree's drift
//!           + day + crew + residual
//! ```

use super::dice::Dice;
use super::trees::{SLOW, Tree};
use super::{first_day, place};
use chrono::{DateTime, NaiveDate, Utc};
use xylocast::app::past::drives;
use xylocast::demand::{Clock, Kind, Shape, When};
use xylocast::grove::{Files, Grove};
use xylocast::units::DemandHours;
use xylocast::weather::{Series, Span};

/// How the demo's trees answer the weather.
pub const SHAPE: Shape = Shape {
    pull: Kind::LightAndDeficit { half_light_w_m2: 220.0, deficit_slope: 0.65 },
    lag_h: 0.8,
    night_floor: 0.07,
    lead_h: 0.0,
};

/// Thirst of one port in mL per demand-hour, before all that makes trees differ.
const PORT_ML: f64 = 76.0;
const PER_LN_DBH: f64 = 0.1;
const ELMS: f64 = 0.1;
const WALNUTS: f64 = -0.15;
/// How far trees of a block differ for good; none is nearly as slow as the slow ones.
const TREE_SD: f64 = 0.33;
const TREE_MOST: f64 = 0.35;
/// How much slower than their block the slow trees are.
const SLOW_TIMES: f64 = 2.2;
const DRIFT_SD: f64 = 0.12;
const DRIFT_DAYS: f64 = 20.0;
const DAY_SD: f64 = 0.2;
const DAY_CORRELATION: f64 = 0.6;
/// The south crew seats its tips a little less well.
const SOUTH: f64 = -0.1;
const RESIDUAL_SCALE: f64 = 0.12;
const DAYS: usize = 100;

/// The demand clock of the season, and every effect.
pub struct Truth {
    clock: Clock,
    steady: Vec<f64>,
    drifts: Vec<Vec<f64>>,
    days: Vec<f64>,
}

impl Truth {
    /// From the trees, and from the files as a user's program would read them; `observed` is
    /// without gaps.
    pub fn new(trees: &[Tree], settings: &str, list: &str, observed: &str) -> Self {
        let files = Files::from([
            ("grove.toml", settings.as_bytes()),
            ("trees.csv", list.as_bytes()),
            ("weather/observed.csv", observed.as_bytes()),
        ]);
        let grove = Grove::read(&files).expect("the demo's own files are sound");
        let mut dice = Dice::new(3);
        let steady = trees.iter().map(|tree| steady(tree, &mut dice)).collect();
        let kept = (-1.0 / DRIFT_DAYS).exp();
        let drifts = trees.iter().map(|_| dice.walk(DAYS, DRIFT_SD, kept)).collect();
        let days = dice.walk(DAYS, DAY_SD, DAY_CORRELATION);
        Self { clock: clock(&grove.observed), steady, drifts, days }
    }

    /// mL per demand-hour of a tree on a date, in the hands of a crew, but for the residual.
    pub fn expected_thirst(&self, tree: usize, date: NaiveDate, crew: &str) -> f64 {
        let day = (date - first_day()).num_days() as usize;
        let crew = if crew == "south" { SOUTH } else { 0.0 };
        (self.steady[tree] + self.drifts[tree][day] + self.days[day] + crew).exp()
    }

    /// When a bag is empty; none where the weather ends before.
    pub fn empty(
        &self,
        start: DateTime<Utc>,
        charge_ml: f64,
        thirst: f64,
        pauses: &[Span],
    ) -> Option<DateTime<Utc>> {
        let wanted = DemandHours::computed(charge_ml / thirst);
        match self.clock.when(start, wanted, pauses).expect("weather at every start") {
            When::At(at) => Some(at),
            When::After(_) => None,
        }
    }

    /// mL taken up between two instants.
    pub fn uptake_ml(&self, span: Span, thirst: f64, pauses: &[Span]) -> f64 {
        let clock = self.clock.between(span.from, span.to, pauses);
        thirst * clock.expect("weather at every look").value()
    }
}

/// The residual of one draw, as a factor on thirst.
pub fn residual(dice: &mut Dice) -> f64 {
    (RESIDUAL_SCALE * dice.logistic()).exp()
}

/// The demand clock of a series under the demo's shape.
pub fn clock(series: &Series) -> Clock {
    Clock::new(&SHAPE, &SHAPE.pulls(&drives(series, place())))
}

/// All of `ln thirst` that does not change with the days.
fn steady(tree: &Tree, dice: &mut Dice) -> f64 {
    let block = if tree.is_elm { ELMS } else { WALNUTS };
    let own = tree_effect(dice);
    let own = if SLOW.contains(&tree.id.as_str()) { -SLOW_TIMES.ln() } else { own };
    let trunk = PER_LN_DBH * (tree.dbh_cm() / 30.0).ln();
    PORT_ML.ln() + f64::from(tree.ports).ln() + trunk + block + own
}

/// Normal, cast again where it lies too far out.
fn tree_effect(dice: &mut Dice) -> f64 {
    loop {
        let effect = TREE_SD * dice.normal();
        if effect.abs() <= TREE_MOST {
            return effect;
        }
    }
}
