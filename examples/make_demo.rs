//! Writes the demo grove: a place, trees, weather and a season of draws, all invented.
//!
//! ```text
//! cargo run --example make_demo
//! ```
//!
//! The files go to `data/demo`, or to the folder named as the one argument. They are the same at
//! every run; a test holds the ones in `data/demo` to what is made here.

mod demo;

use std::path::PathBuf;

fn main() -> anyhow::Result<()> {
    let here = || PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("data/demo");
    let folder = std::env::args_os().nth(1).map_or_else(here, PathBuf::from);
    std::fs::create_dir_all(folder.join("weather"))?;
    for (name, text) in demo::files() {
        std::fs::write(folder.join(name), text)?;
        println!("{name}");
    }
    Ok(())
}
