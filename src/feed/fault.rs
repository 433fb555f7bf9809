//! What can go wrong between a question and its answer, and whether asking again may help.

use crate::weather::services::ServiceError;
use std::time::Duration;

/// Why an address gave no usable answer.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The encrypted client cannot be built.
    #[error(
        "no secure connections on this machine ({reason}): install the ca-certificates package; \
         stored weather is used until then"
    )]
    NoClient {
        /// Why.
        reason: String,
    },
    /// Not reached, or the connection broke.
    #[error("{host} was not reached ({reason}); stored weather is used")]
    Connection {
        /// Which host.
        host: String,
        /// Why.
        reason: String,
    },
    /// Nothing came in time.
    #[error("{host} did not answer within {seconds} s")]
    TimeOut {
        /// Which host.
        host: String,
        /// How long was waited.
        seconds: u64,
    },
    /// More bytes than any weather answer has.
    #[error("{host} sent more than {most_bytes} bytes; the answer was dropped")]
    TooLarge {
        /// Which host.
        host: String,
        /// The cap.
        most_bytes: usize,
    },
    /// An answer that says no, or not what the service documents.
    #[error("{host}: {error}")]
    Answer {
        /// Which host.
        host: String,
        /// What is wrong.
        error: ServiceError,
        /// How long the host asks to be left alone.
        wait: Option<Duration>,
    },
    /// Left alone after repeated failure.
    #[error("{host} failed {failures} times in a row and is left alone for {minutes} min more")]
    CircuitOpen {
        /// Which host.
        host: String,
        /// Failures in a row.
        failures: u32,
        /// Minutes until it is asked again.
        minutes: i64,
    },
    /// An address that cannot be.
    #[error("{address} cannot be asked: {reason}")]
    Address {
        /// What was configured.
        address: String,
        /// Why not.
        reason: String,
    },
}

impl Fault {
    /// May the same question get an answer a little later?
    pub fn retryable(&self) -> bool {
        match self {
            Fault::Connection { .. } | Fault::TimeOut { .. } => true,
            Fault::Answer { error, .. } => error.retryable(),
            _ => false,
        }
    }

    /// Does it speak against the host, rather than against the question?
    pub fn blames_host(&self) -> bool {
        self.retryable()
    }

    /// How long the host asked to be left alone.
    pub fn asked_wait(&self) -> Option<Duration> {
        match self {
            Fault::Answer { wait, .. } => *wait,
            _ => None,
        }
    }
}
