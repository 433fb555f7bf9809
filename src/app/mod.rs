//! Use cases: what a command or a page asks for, from loading to the answer. One file each; all
//! share the [`Desk`](desk::Desk), a grove with its clock and its model.

pub mod access;
pub mod ahead;
pub mod backtest;
pub mod cautions;
pub mod check;
pub mod compare;
pub mod dayplan;
pub mod desk;
pub mod diagnosis;
pub mod dose;
pub mod exchange;
pub mod founding;
pub mod hanging;
pub mod log;
pub mod measure;
pub mod members;
pub mod out_of_time;
pub mod outlook;
pub mod overnight;
pub mod past;
pub mod pull;
pub mod record;
pub mod refit;
pub mod rests;
pub mod rhythm;
pub mod rivals;
pub mod sentence;
pub mod sheet;
pub mod times;
pub mod today;
pub mod tomorrow;
pub mod verdicts;
pub mod verify;
pub mod walk;
pub mod window;
