//! What is to be planned: plain data, whole minutes after an instant that is the same for all.

use serde::{Deserialize, Serialize};

/// A crew's day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Problem {
    /// Who works.
    pub people: Vec<Person>,
    /// The kits on the van.
    pub kits: Vec<Kit>,
    /// The trees on the list.
    pub trees: Vec<Tree>,
    /// Breaks and rests of everybody, by time.
    pub breaks: Vec<Break>,
    /// When no bag may be started, by time, apart from each other.
    pub closed: Vec<Closed>,
    /// What each act takes.
    pub steps: Steps,
    /// Walking minutes between places, row by row: the trees in their order, then the van.
    pub walks_min: Vec<i32>,
    /// By when bags should be empty.
    pub done_by: i32,
}

/// One of the crew.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Person {
    /// From when.
    pub from: i32,
    /// Until when.
    pub to: i32,
    /// Where from: a place, as in [`Problem::walks_min`].
    pub at: usize,
    /// May set trees? Others refill, strip and carry.
    pub may_set: bool,
}

impl Person {
    /// Has this person any time that day? Who is gone keeps their number.
    pub fn is_here(&self) -> bool {
        self.from < self.to
    }
}

/// One kit; a broken one keeps its number and serves no port.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Kit {
    /// Most ports that it serves.
    pub ports: u32,
}

/// One tree.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Tree {
    /// Its ports.
    pub ports: u32,
    /// Must it be treated soon? Others wait for a day on which they are surely empty in time.
    pub due: bool,
    /// Fillings of the bag that its charge takes, at least 1; of a bag that hangs, those from the one
    /// in it on.
    pub fillings: u32,
    /// When a filling is empty, by its start; none beyond. Knots rise, finishes never fall.
    pub drawdown: Vec<Knot>,
    /// Latest start from which the bag may stay overnight; none where it may not.
    pub overnight_until: Option<i32>,
    /// Its bag, where it hangs already.
    pub hung: Option<Hung>,
}

/// When a filling that starts at an instant will be empty.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Knot {
    /// Its start.
    pub start: i32,
    /// Even chance; none beyond the weather.
    pub p50: Option<i32>,
    /// With probability 0.9.
    pub p90: Option<i32>,
    /// With the wished sureness.
    pub sure: Option<i32>,
}

/// A bag that hangs already when the plan is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hung {
    /// Its kit.
    pub kit: usize,
    /// Who looks after it.
    pub person: usize,
    /// When its filling was started.
    pub started: i32,
    /// When the next look is due at the latest.
    pub look_by: i32,
    /// When it may be refilled, or stripped on its last filling; none where it stays overnight.
    pub strip_from: Option<i32>,
    /// Will it be stripped wet?
    pub wet: bool,
}

/// A break, or a rest in the heat.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Break {
    /// Begins here at the earliest.
    pub from: i32,
    /// Begins here at the latest.
    pub latest: i32,
    /// How long.
    pub length_min: i32,
    /// Why, in words.
    pub why: String,
}

/// A span, its end left out, in which no bag may be started.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Closed {
    /// From here.
    pub from: i32,
    /// To here.
    pub to: i32,
    /// Why, in words.
    pub why: String,
}

/// What each act takes, and how far looks may lie apart.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Steps {
    /// To set each tree until its bag runs, ports included.
    pub set_min: Vec<i32>,
    /// The leak check after the start, by the person who set it.
    pub leak_check_min: i32,
    /// From the start to the second look.
    pub second_look_min: i32,
    /// From look to look after it.
    pub check_every_min: i32,
    /// What a look may be later than that.
    pub look_slack_min: i32,
    /// One look at one bag.
    pub look_min: i32,
    /// One refill.
    pub refill_min: i32,
    /// Taking a kit off.
    pub strip_min: i32,
}
