//! What is remembered of each host between runs: failures in a row, and until when it is left
//! alone.

use super::fault::Fault;
use crate::store::write_atomically;
use chrono::{DateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Duration;

/// Failed questions in a row (each already tried several times) after which a host is left alone.
const OPENS_AFTER: u32 = 3;
/// How long the first time, and at most.
const FIRST_REST_MIN: i64 = 10;
const LONGEST_REST_MIN: i64 = 6 * 60;

/// One host's record.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
struct Record {
    failures: u32,
    left_alone_until: Option<DateTime<Utc>>,
}

/// All hosts' records, kept in a small file.
#[derive(Debug, Default)]
pub struct Hosts {
    records: BTreeMap<String, Record>,
}

impl Hosts {
    /// As kept; nothing where there is no such file, or none that can be read.
    pub fn read(file: &Path) -> Self {
        let records =
            fs::read_to_string(file).ok().and_then(|text| serde_json::from_str(&text).ok());
        Self { records: records.unwrap_or_default() }
    }

    /// May the host be asked now?
    pub fn admit(&self, host: &str, now: DateTime<Utc>) -> Result<(), Fault> {
        match self.records.get(host) {
            Some(Record { failures, left_alone_until: Some(until) }) if *until > now => {
                let minutes = ((*until - now).num_seconds() + 59) / 60;
                Err(Fault::CircuitOpen { host: host.into(), failures: *failures, minutes })
            }
            _ => Ok(()),
        }
    }

    /// It answered.
    pub fn answered(&mut self, host: &str) {
        self.records.remove(host);
    }

    /// It failed, after all tries; it may have asked to be left alone for a while.
    pub fn failed(&mut self, host: &str, now: DateTime<Utc>, asked_wait: Option<Duration>) {
        let record = self.records.entry(host.into()).or_default();
        record.failures += 1;
        let over = record.failures.saturating_sub(OPENS_AFTER);
        let rest = TimeDelta::minutes((FIRST_REST_MIN << over.min(6)).min(LONGEST_REST_MIN));
        if record.failures >= OPENS_AFTER {
            record.left_alone_until = Some(now + rest);
        }
        if let Some(wait) = asked_wait.and_then(|wait| TimeDelta::from_std(wait).ok()) {
            record.left_alone_until = record.left_alone_until.max(Some(now + wait));
        }
    }

    /// Keeps the records. A full disk costs the memory, not the answer.
    pub fn keep(&self, file: &Path) {
        if let Some(folder) = file.parent() {
            let _ = fs::create_dir_all(folder);
        }
        if let Ok(text) = serde_json::to_vec(&self.records) {
            let _ = write_atomically(file, &text);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_host_is_left_alone_after_three_failures_and_forgiven_after_an_answer() {
        let now = DateTime::UNIX_EPOCH;
        let mut hosts = Hosts::default();
        for _ in 0..OPENS_AFTER {
            assert!(hosts.admit("a", now).is_ok());
            hosts.failed("a", now, None);
        }
        assert!(hosts.admit("a", now).is_err() && hosts.admit("b", now).is_ok());
        assert!(hosts.admit("a", now + TimeDelta::minutes(FIRST_REST_MIN)).is_ok());
        hosts.failed("a", now, None);
        assert!(hosts.admit("a", now + TimeDelta::minutes(FIRST_REST_MIN)).is_err(), "longer now");
        hosts.answered("a");
        assert!(hosts.admit("a", now).is_ok());
    }

    #[test]
    fn a_host_that_asks_for_rest_gets_it() {
        let now = DateTime::UNIX_EPOCH;
        let mut hosts = Hosts::default();
        hosts.failed("a", now, Some(Duration::from_secs(90)));
        assert!(hosts.admit("a", now + TimeDelta::seconds(89)).is_err());
        assert!(hosts.admit("a", now + TimeDelta::seconds(90)).is_ok());
    }
}
