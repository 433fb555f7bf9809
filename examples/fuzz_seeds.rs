//! Writes what fuzzing begins with to `fuzz/corpus`, before `cargo fuzz run TARGET`.
//!
//!     cargo run --example fuzz_seeds

#[path = "../fuzz/src/lib.rs"]
#[allow(dead_code, missing_docs)]
mod fuzz;

use std::fs;
use std::path::Path;

fn main() -> std::io::Result<()> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    for target in fuzz::seeds::TARGETS {
        let folder = root.join("fuzz/corpus").join(target);
        fs::create_dir_all(&folder)?;
        for (number, seed) in fuzz::seeds::of(target, root).iter().enumerate() {
            fs::write(folder.join(number.to_string()), seed)?;
        }
    }
    Ok(())
}
