//! Writes `models/prior.json` and `models/demo.json`: the model before any draw, and the one that
//! the demo grove's own draws make of it. Run it after the demo or the prior has changed:
//! `cargo run --release --example make_models`.

use xylocast::app::past::Past;
use xylocast::store::{demo, write_atomically};
use xylocast::uptake::model::ModelFile;
use xylocast::weather::Span;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let models = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("models");
    let prior = ModelFile::prior();
    write_atomically(&models.join("prior.json"), prior.to_json().as_bytes())?;

    let (grove, as_of) = (demo::grove()?, demo::as_of());
    let known = Span { from: chrono::DateTime::<chrono::Utc>::MIN_UTC, to: as_of };
    let observed = grove.observed.bridged().clipped(known);
    let fitted = Past::new(&grove, &observed, as_of).learn(&prior)?;
    let fitted = fitted.named(&grove.settings.name, as_of);
    write_atomically(&models.join("demo.json"), fitted.file().to_json().as_bytes())?;
    println!("prior and demo model written; the demo rests on {} draws", fitted.file().rests_on.draws);
    Ok(())
}
