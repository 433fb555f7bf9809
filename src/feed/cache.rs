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
    /// The address, without the key of a paying user.
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
        (kept.address == without_key(address)).then_some(kept)
    }

    /// Keeps an answer. A full disk costs the cache, not the answer.
    pub fn keep(&self, kept: &Kept) {
        let kept_aside = Kept { address: without_key(&kept.address), ..kept.clone() };
        let Ok(text) = serde_json::to_vec(&kept_aside) else { return };
        let _ = fs::create_dir_all(&self.folder);
        let _ = write_atomically(&self.file(&kept.address), &text);
    }

    /// Where the state of hosts is kept.
    pub fn hosts_file(&self) -> PathBuf {
        self.folder.join("hosts.json")
    }

    fn file(&self, address: &str) -> PathBuf {
        let name = Sha256::digest(without_key(address).as_bytes());
        let name: String = name[..12].iter().map(|byte| format!("{byte:02x}")).collect();
        self.folder.join(format!("{name}.json"))
    }
}

/// A key is a secret: grove folders are copied and sent around.
fn without_key(address: &str) -> String {
    let (path, query) = address.split_once('?').unwrap_or((address, ""));
    let open = query.split('&').filter(|part| !part.is_empty() && !part.starts_with("apikey="));
    format!("{path}?{}", open.collect::<Vec<_>>().join("&"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_never_reaches_the_disk_and_costs_no_answer() {
        let folder = tempfile::tempdir().unwrap();
        let cache = Cache::new(folder.path());
        let address = "https://example.org/v1/forecast?latitude=1&apikey=SECRET&hourly=a";
        cache.keep(&Kept {
            address: address.into(),
            fetched_at: DateTime::UNIX_EPOCH,
            expires: None,
            last_modified: None,
            etag: None,
            body: "{}".into(),
        });
        assert_eq!(cache.find(address).unwrap().body, "{}");
        assert!(cache.find("https://example.org/v1/forecast?latitude=2&apikey=SECRET").is_none());
        for entry in fs::read_dir(folder.path()).unwrap() {
            assert!(!fs::read_to_string(entry.unwrap().path()).unwrap().contains("SECRET"));
        }
    }
}
