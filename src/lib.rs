//! xylocast: how long each infused tree will take to draw down its bag, from the weather.
//!
//! # The tour
//!
//! A functional core, pure and synchronous:
//!
//! - [`units`]: quantities that know their unit and refuse what cannot be;
//! - [`text`]: what a user typed, turned into rows, times and numbers, with every flaw in one go;
//! - [`weather`]: hours as intervals, series of hours with their gaps, forecasts as issued, answers
//!   of weather services;
//! - [`evapo`]: FAO-56, one function a numbered equation; the almanac;
//! - [`grove`]: a place, its trees, draws and looks, from text to checked values;
//! - [`journal`]: what happened to bags entry by entry, and what may be noted next;
//! - [`demand`]: weather to the pull on a tree, and the demand clock with its inverse;
//! - [`belief`]: what is believed of a finishing time, alone and of many together;
//! - [`uptake`]: looks at bags to intervals of thirst, the regression on them, predictions;
//! - [`dose`]: trunks to product, water, mix, ports and parts; multiplies the user's label rate;
//! - [`record`]: the working record of what was put into which tree, its sums and its gaps;
//! - [`plan`]: the start window, the crew's rhythm, the overnight call, the day plan and its checker.
//!
//! An imperative shell around it: [`store`] (grove folders, databases, the demo), [`feed`]
//! (weather services), [`app`] (one file a use case), [`pages`] (sheets,
//! pictures, calendars, screens), [`rows`] (answers as CSV), [`http`] (the service), [`cli`]
//! (arguments, tables).
//!
//! Arrows point up the page: `units <- text <- weather <- evapo <- grove`,
//! `grove <- journal, record`, `evapo <- demand <- uptake`, `units <- belief <- uptake, plan`. Nothing in the core names
//! anything in the shell; a test reads the sources to hold it so.
//!
//! # The main job
//!
//! ```
//! use xylocast::app::desk::{Desk, Request};
//! use xylocast::app::tomorrow::tomorrow;
//!
//! // No folder is named, so this is the embedded demo grove, as of its own evening.
//! let desk = Desk::lay(&Request::default(), chrono::Utc::now())?;
//! let answer = tomorrow(&desk, desk.tomorrow())?;
//!
//! println!("{}", answer.answer);
//! assert!(answer.worth_it);
//! assert!(answer.counts.surely_empty <= answer.counts.hung);
//! for tree in &answer.trees {
//!     println!("{}: {:?} because {}", tree.tree_id, tree.call, tree.because);
//! }
//! # Ok::<(), xylocast::app::desk::DeskError>(())
//! ```

pub mod app;
pub mod belief;
pub mod cli;
pub mod demand;
pub mod dose;
pub mod evapo;
pub mod feed;
pub mod grove;
pub mod http;
pub mod journal;
pub mod pages;
pub mod plan;
pub mod record;
pub mod rows;
pub mod store;
pub mod text;
pub mod units;
pub mod uptake;
pub mod weather;
