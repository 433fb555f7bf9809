//! Use cases: what a command or a page asks for, from loading to the answer. One file each; all
//! share the [`Desk`](desk::Desk), a grove with its clock and its model.

pub mod ahead;
pub mod cautions;
pub mod check;
pub mod compare;
pub mod dayplan;
pub mod desk;
pub mod outlook;
pub mod overnight;
pub mod past;
pub mod pull;
pub mod refit;
pub mod rests;
pub mod rhythm;
pub mod sentence;
pub mod times;
pub mod tomorrow;
pub mod verify;
pub mod window;
