//! The overnight call: finish today, leave overnight, strip at dusk, or do not hang.
//!
//! Leaving a bag needs two words typed by the user: the label allows unattended bags, and the
//! public has no access. Either missing means no. The program proposes no top-up for a bag that was
//! stripped: it is recorded as under-delivered.

use super::percent;
use serde::Serialize;

/// At or below this air temperature a line may freeze and split, degC (common practice, no source).
pub const FREEZING_RISK_C: f64 = 2.0;
/// Below this chance of finishing in time a bag is not worth its holes.
const EVEN_CHANCE: f64 = 0.5;

/// What to do with one bag.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Call {
    /// It will be empty before the crew goes, as sure as wished.
    FinishToday,
    /// It may hang through the night.
    LeaveOvernight,
    /// Hang it, or let it hang; take it off at dusk if it is still wet, and record what it lacked.
    StripAtDusk,
    /// Choose another day.
    DoNotHang,
    /// People or kits do not reach it that day.
    NotReached,
    /// The weather does not reach far enough to tell.
    NotKnown,
}

impl Call {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Call::FinishToday => "finish today",
            Call::LeaveOvernight => "leave overnight",
            Call::StripAtDusk => "strip at dusk",
            Call::DoNotHang => "do not hang",
            Call::NotReached => "not reached",
            Call::NotKnown => "not known",
        }
    }
}

/// What the user has said about leaving bags alone; nothing is assumed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Leave {
    /// Does the label allow unattended bags?
    pub unattended_allowed: Option<bool>,
    /// Can the public reach the trees?
    pub public_access: Option<bool>,
}

impl Leave {
    /// Why no bag may be left; none where one may.
    pub fn refusal(self) -> Option<&'static str> {
        match (self.unattended_allowed, self.public_access) {
            (Some(true), Some(false)) => None,
            (None, _) => Some("unattended_allowed is not set in grove.toml: missing means no"),
            (Some(false), _) => Some("the label does not allow unattended bags"),
            (Some(true), Some(true)) => Some("the public can reach the trees"),
            (Some(true), None) => Some("public_access is not set in grove.toml: missing means no"),
        }
    }
}

/// The night that follows a draw, and how likely the draw is to be over by then.
#[derive(Debug, Clone, PartialEq)]
pub struct Night {
    /// Probability of an empty bag when the crew goes; none beyond the weather.
    pub empty_by_crew_end: Option<f64>,
    /// Probability of an empty bag when the crew comes back.
    pub empty_by_morning: Option<f64>,
    /// Lowest air temperature until then, degC.
    pub lowest_air_c: Option<f64>,
    /// Is the bag hanging already?
    pub hanging: bool,
}

/// The call, with its reason.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Decision {
    /// What to do.
    pub call: Call,
    /// Why.
    pub because: String,
}

/// Decides for one bag.
pub fn decide(night: &Night, leave: Leave, sure: f64) -> Decision {
    let Some(today) = night.empty_by_crew_end else {
        let because = "the weather ends, or has a hole, before the crew's day ends".into();
        return Decision { call: Call::NotKnown, because };
    };
    if today >= sure {
        let because = format!("{} sure to be empty before the crew goes", percent(today));
        return Decision { call: Call::FinishToday, because };
    }
    match may_stay(night, leave, sure) {
        Ok(morning) => Decision {
            call: Call::LeaveOvernight,
            because: format!(
                "{} by the crew's end, {} by morning; leaving is allowed",
                percent(today),
                percent(morning)
            ),
        },
        Err(refusal) => Decision {
            call: match night.hanging || today >= EVEN_CHANCE {
                true => Call::StripAtDusk,
                false => Call::DoNotHang,
            },
            because: format!("{} by the crew's end, and {refusal}", percent(today)),
        },
    }
}

fn may_stay(night: &Night, leave: Leave, sure: f64) -> Result<f64, String> {
    if let Some(refusal) = leave.refusal() {
        return Err(refusal.into());
    }
    let (Some(morning), Some(lowest)) = (night.empty_by_morning, night.lowest_air_c) else {
        return Err("the weather ends before morning".into());
    };
    if lowest <= FREEZING_RISK_C {
        return Err(format!("the night falls to {lowest:.0} degC: a line may freeze and split"));
    }
    if morning < sure {
        return Err(format!("only {} by morning", percent(morning)));
    }
    Ok(morning)
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALLOWED: Leave = Leave { unattended_allowed: Some(true), public_access: Some(false) };

    fn night(today: f64, morning: f64) -> Night {
        Night {
            empty_by_crew_end: Some(today),
            empty_by_morning: Some(morning),
            lowest_air_c: Some(12.0),
            hanging: false,
        }
    }

    #[test]
    fn a_missing_word_means_no() {
        for unattended_allowed in [None, Some(false), Some(true)] {
            for public_access in [None, Some(false), Some(true)] {
                let leave = Leave { unattended_allowed, public_access };
                let call = decide(&night(0.6, 0.99), leave, 0.9).call;
                let both = unattended_allowed == Some(true) && public_access == Some(false);
                assert_eq!(call == Call::LeaveOvernight, both);
            }
        }
    }

    #[test]
    fn the_four_calls() {
        assert_eq!(decide(&night(0.95, 1.0), ALLOWED, 0.9).call, Call::FinishToday);
        assert_eq!(decide(&night(0.3, 0.93), ALLOWED, 0.9).call, Call::LeaveOvernight);
        assert_eq!(decide(&night(0.7, 0.8), ALLOWED, 0.9).call, Call::StripAtDusk);
        assert_eq!(decide(&night(0.3, 0.5), ALLOWED, 0.9).call, Call::DoNotHang);
        let hanging = Night { hanging: true, ..night(0.3, 0.5) };
        assert_eq!(decide(&hanging, ALLOWED, 0.9).call, Call::StripAtDusk);
    }

    #[test]
    fn frost_and_an_unknown_morning_forbid_leaving() {
        let frost = Night { lowest_air_c: Some(2.0), ..night(0.3, 0.95) };
        assert_eq!(decide(&frost, ALLOWED, 0.9).call, Call::DoNotHang);
        let unknown = Night { empty_by_morning: None, ..night(0.3, 0.95) };
        assert_eq!(decide(&unknown, ALLOWED, 0.9).call, Call::DoNotHang);
        let nothing = Night { empty_by_crew_end: None, ..night(0.3, 0.95) };
        assert_eq!(decide(&nothing, ALLOWED, 0.9).call, Call::NotKnown);
    }
}
