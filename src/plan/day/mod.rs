//! The day plan: who sets, looks at and strips which tree when, with which kit.
//!
//! [`Problem`] and [`Plan`] are plain data in whole minutes after an instant, so that a change of
//! clocks cannot hurt. [`solve`] makes a plan from a problem; `plan::check`, which shares no code with
//! it, derives every rule again.
//!
//! # The exact problem, in plain words
//!
//! - **Set.** One person stands at one tree for the setting time (more for each port), then the bag
//!   runs, and the same person stays for the leak check. Measuring and drilling need no kit: the kit
//!   must be there when the bag runs. No bag starts in a closed span (rain, dark, frost, outside the
//!   label's temperatures).
//! - **Empty.** A filling counts as empty when it is empty with the wished sureness. That time
//!   depends on its start by a table, straight between knots, rounded up; a later start never
//!   finishes earlier (first in, first out), so that doing the same acts earlier never hurts.
//! - **Refill, strip.** A visit by anybody, not before the filling counts as empty. A charge larger
//!   than the bag takes several fillings, each of which starts when the refill ends. The kit is free
//!   when the strip ends.
//! - **Looks.** Who sets a bag looks after it. From its start to the second look at most
//!   `second_look_min + look_slack_min` pass, from look to look at most
//!   `check_every_min + look_slack_min`; a refill is a look. This holds until the strip begins; for
//!   a bag that stays overnight, until its person goes, whose last acts are looks at all such bags.
//!   Looks made on one way are a check round. The planner makes them as late as allowed, the bag
//!   that waits longest first, so that looks are never a choice but follow from the other acts.
//! - **Breaks.** Each begins within its slack; who has finished by then need not take it.
//! - **Overnight.** A bag that is not surely empty by `done_by` is set only where its tree is due, it may
//!   stay from that start on, and it needs no refill.
//! - **Order of wishes.** Rules first; then most trees surely empty in time; then fewest due trees
//!   left for another day; then fewest bags overnight; then the earliest end; then least walking.
//!
//! A solution is a sequence of visits in the order in which they begin, each with its person; every
//! visit begins as early as the rules allow. The solver makes such sequences by simple rules, then
//! moves, exchanges and hands over visits, a bounded number of times from a fixed seed: simulated
//! annealing first, then only what is better by the score itself.

mod course;
mod hand;
mod keep;
mod opening;
pub mod plan;
pub mod problem;
mod prospect;
mod replay;
mod rota;
mod small;
mod solver;

pub use keep::UNMOVED_MIN;
pub use plan::{Act, Deed, Draw, Left, Plan, Score, Why};
pub use problem::{Break, Closed, Hung, Kit, Knot, Person, Problem, Steps, Tree};
pub use replay::{Manner, replayed};
pub use solver::{Effort, bettered, solve};
