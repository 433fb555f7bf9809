//! Forecasts as they were issued, and the one that was the latest at a given time.

use super::Series;
use chrono::{DateTime, Utc};

/// One forecast as issued: one series, or one per ensemble member.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecast {
    /// When it was issued; none where the file does not say.
    pub issued_at: Option<DateTime<Utc>>,
    /// The service that it was pulled from; none where the user brought it.
    pub source: Option<String>,
    /// Its members, at least one.
    pub members: Vec<Series>,
}

/// All forecasts of a grove, in order of issue.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Forecasts {
    issues: Vec<Forecast>,
}

impl Forecasts {
    /// Forecasts in any order.
    pub fn new(mut issues: Vec<Forecast>) -> Self {
        issues.sort_by_key(|issue| issue.issued_at);
        Self { issues }
    }

    /// The forecasts in order of issue; those that do not say when come first.
    pub fn issues(&self) -> &[Forecast] {
        &self.issues
    }

    /// The latest one issued at or before `as_of`, so that no result knows the future. One that
    /// does not say when it was issued is taken where no other is.
    pub fn latest(&self, as_of: DateTime<Utc>) -> Option<&Forecast> {
        let known = |issue: &&Forecast| issue.issued_at.is_none_or(|at| at <= as_of);
        self.issues.iter().rev().find(known)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn issued(hour: Option<i64>) -> Forecast {
        let at = |hour: i64| DateTime::from_timestamp(hour * 3600, 0).unwrap();
        Forecast { issued_at: hour.map(at), source: None, members: vec![Series::default()] }
    }

    #[test]
    fn the_latest_issue_that_was_out_by_then() {
        let forecasts = Forecasts::new(vec![issued(Some(12)), issued(Some(6)), issued(Some(18))]);
        let latest = |hour: i64| {
            let as_of = DateTime::from_timestamp(hour * 3600, 0).unwrap();
            Some(forecasts.latest(as_of)?.issued_at?.timestamp() / 3600)
        };
        assert_eq!([5, 6, 11, 12, 99].map(latest), [None, Some(6), Some(6), Some(12), Some(18)]);
    }

    #[test]
    fn an_issue_without_time_is_taken_where_no_other_is() {
        let forecasts = Forecasts::new(vec![issued(None)]);
        assert!(forecasts.latest(DateTime::<Utc>::MIN_UTC).is_some());
    }
}
