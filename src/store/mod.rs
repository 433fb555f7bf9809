//! What is kept on disk, and how it comes in and goes out.

pub mod db;
pub mod demo;
pub mod folder;
pub mod folder_log;
pub mod home;
pub mod office;
pub mod pulled;
pub mod sql;

pub use folder::{read, read_hang, read_named, write_atomically};
