//! Use cases: what a command or a page asks for, from loading to the answer. One file each; all
//! share the [`Desk`], a grove with its clock and its model.

pub mod ahead;
pub mod desk;
pub mod past;
pub mod times;
