//! What each fuzz target does with its bytes. `tests/fuzz_found.rs` of the crate above includes this
//! file and runs all that was ever found through it, so that what is found once stays mended.

pub mod folder;
pub mod seeds;
pub mod service;
pub mod typed;
pub mod weather;
pub mod written;

use xylocast::uptake::model::{Model, ModelFile};

/// A model file: what is read can be written and read again, and a model that stands predicts.
pub fn model_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(file) = ModelFile::from_json(text) else { return };
    let again = ModelFile::from_json(&file.to_json()).expect("what was read is written so");
    assert_eq!(again.to_json(), file.to_json());
    if file.rows.len() < 50 {
        drop(Model::from_file(file));
    }
}

/// What could not be read says why.
fn in_words(refused: &impl ToString) {
    assert!(!refused.to_string().is_empty(), "refused without a word");
}
