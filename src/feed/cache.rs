//! Answers kept on disk with their validators, so that a service is asked again only when it may
//! have something new.

use crate::store::write_atomically;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use std::fs;
use std::path::{Path, PathBuf};

/// A folder of answers, one file an address.
#[derive(Debug, Clone)]
pub struct Cache {
    folder: PathBuf,
}

/// One answer and when it may be asked for again.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Kept {
    /// The address.
    pub address: String,
    /// When it came, or was last confirmed.
    pub fetched_at: DateTime<Utc>,
    /// Not to be asked for again before.
    pub expires: Option<DateTime<Utc>>,
    /// To be repeated to the letter.
    pub last_modified: Option<String>,
    /// To be repeated to the letter.
    pub etag: Option<String>,
    /// The body, text in every service known.
    pub body: String,
}

impl Cache {
    /// A cache in a folder, made when the first answer is kept.
    pub fn new(folder: &Path) -> Self {
        Self { folder: folder.to_path_buf() }
    }

    /// The answer kept for an address. One that cannot be read counts as none: it is asked for
    /// again.
    pub fn find(&self, address: &str) -> Option<Kept> {
        let text = fs::read_to_string(self.file(address)).ok()?;
        let kept: Kept = serde_json::from_str(&text).ok()?;
        (kept.address == address).then_some(kept)
    }

    /// Keeps an answer. A full disk costs the cache, not the answer.
    pub fn keep(&self, kept: &Kept) {
        let Ok(text) = serde_json::to_vec(kept) else { return };
        let _ = fs::create_dir_all(&self.folder);
        let _ = write_atomically(&self.file(&kept.address), &text);
    }

    /// Where the state of hosts is kept.
    pub fn hosts_file(&self) -> PathBuf {
        self.folder.join("hosts.json")
    }

    fn file(&self, address: &str) -> PathBuf {
        let name = Sha256::digest(address.as_bytes());
        let name: String = name[..12].iter().map(|byte| format!("{byte:02x}")).collect();
        self.folder.join(format!("{name}.json"))
    }
}
