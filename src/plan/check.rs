//! Holds a day plan to its problem: derives every rule again, and scores the plan.
//!
//! Shares no code with the planner, only the plain data of problem and plan; a plan that it refuses
//! never leaves `app`. The rules in words stand in `plan::day`.

use super::day::plan::{Act, Deed, Draw, Plan, Score, Why};
use super::day::problem::{Knot, Problem};

/// A rule that a plan breaks.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum Breach {
    #[error("the plan has {plan} people, the crew {crew}")]
    People { plan: usize, crew: usize },
    #[error("person {person} does something at place {at}, which is nowhere")]
    Nowhere { person: usize, at: usize },
    #[error("person {person}: an act at minute {from} ends before it begins")]
    Backwards { person: usize, from: i32 },
    #[error("person {person} does two things at minute {from}")]
    TwoAtOnce { person: usize, from: i32 },
    #[error("person {person} works at minute {minute}, outside the working day")]
    OutsideDay { person: usize, minute: i32 },
    #[error("person {person} is at place {at} at minute {from} without having walked there")]
    NotThere { person: usize, at: usize, from: i32 },
    #[error("person {person} walks to place {to} in {took} min instead of {takes}")]
    WalkTime { person: usize, to: usize, took: i32, takes: i32 },
    #[error("person {person} works past the break that begins by minute {latest}")]
    NoBreak { person: usize, latest: i32 },
    #[error("person {person} rests at minute {from}, where no break is")]
    WrongBreak { person: usize, from: i32 },
    #[error("tree {tree} is neither hung nor left, or more than once")]
    TreeCount { tree: usize },
    #[error("tree {tree} is left although its bag hangs")]
    HungLeft { tree: usize },
    #[error("tree {tree}: what is said of its draw is not what is done ({what})")]
    Misreported { tree: usize, what: &'static str },
    #[error("person {person} may not set trees, and sets tree {tree}")]
    MayNotSet { person: usize, tree: usize },
    #[error("tree {tree} is set in {took} min instead of {takes}")]
    SetTime { tree: usize, took: i32, takes: i32 },
    #[error("tree {tree}: no leak check of {needs} min follows its start")]
    LeakCheck { tree: usize, needs: i32 },
    #[error("tree {tree} is started at minute {start}, closed: {why}")]
    ClosedStart { tree: usize, start: i32, why: String },
    #[error("tree {tree} has {ports} ports, its kit serves {serves}")]
    KitTooSmall { tree: usize, ports: u32, serves: u32 },
    #[error("kit {kit} is on trees {one} and {other} at once")]
    KitTwice { kit: usize, one: usize, other: usize },
    #[error("no kit {kit} is on the van")]
    NoSuchKit { kit: usize },
    #[error("tree {tree}: a visit at minute {from} before its filling counts as empty")]
    TooEarly { tree: usize, from: i32 },
    #[error("tree {tree}: a visit takes {took} min instead of {takes}")]
    VisitTime { tree: usize, took: i32, takes: i32 },
    #[error("tree {tree}: {refills} refills instead of {needs}")]
    Refills { tree: usize, refills: usize, needs: usize },
    #[error("tree {tree}: its bag is neither stripped nor meant to stay")]
    NotStripped { tree: usize },
    #[error("tree {tree}: its bag may not stay overnight ({why})")]
    MayNotStay { tree: usize, why: &'static str },
    #[error("tree {tree} is not surely empty by minute {by}")]
    NotEmpty { tree: usize, by: i32 },
    #[error("tree {tree}: {gap} min without a look from minute {from}; {most} are allowed")]
    NoLook { tree: usize, from: i32, gap: i32, most: i32 },
    #[error("tree {tree}: a look at minute {at} at a bag that does not hang")]
    LookAtNothing { tree: usize, at: i32 },
    #[error("person {person} goes without a last look at the bag that stays on tree {tree}")]
    NoLastLook { person: usize, tree: usize },
    #[error("tree {tree} is left for a reason that does not hold: {}", why.words())]
    WrongReason { tree: usize, why: Why },
}

/// Every breach of a rule, or how good the plan is.
///
/// # Errors
/// All breaches found.
pub fn check(problem: &Problem, plan: &Plan) -> Result<Score, Vec<Breach>> {
    let mut it = Inspector { problem, plan, breaches: Vec::new() };
    it.people();
    if it.breaches.is_empty() {
        it.trees();
        it.kits();
        it.reasons();
    }
    if it.breaches.is_empty() { Ok(it.score()) } else { Err(it.breaches) }
}

struct Inspector<'a> {
    problem: &'a Problem,
    plan: &'a Plan,
    breaches: Vec<Breach>,
}

/// What is done at one tree.
#[derive(Debug, Default)]
struct Story<'a> {
    set: Vec<(usize, &'a Act)>,
    leak_checks: Vec<(usize, &'a Act)>,
    looks: Vec<&'a Act>,
    refills: Vec<&'a Act>,
    strips: Vec<&'a Act>,
}

impl<'a> Inspector<'a> {
    fn say(&mut self, breach: Breach) {
        self.breaches.push(breach);
    }

    /// Each person: one thing after the other, within the day, where they are, with their breaks.
    fn people(&mut self) {
        let (plan, crew) = (self.plan.people.len(), self.problem.people.len());
        if plan != crew {
            return self.say(Breach::People { plan, crew });
        }
        for person in 0..crew {
            self.person(person);
            self.breaks(person);
        }
    }

    fn person(&mut self, person: usize) {
        let places = self.problem.trees.len() + 1;
        let day = &self.problem.people[person];
        let (mut at, mut free) = (day.at, day.from);
        for act in &self.plan.people[person] {
            let Act { deed, from, to, at: place } = *act;
            let lonely = place == places - 1 && !matches!(deed, Deed::Walk | Deed::Break);
            if place >= places || lonely {
                return self.say(Breach::Nowhere { person, at: place });
            }
            if to < from {
                self.say(Breach::Backwards { person, from });
            }
            if from < day.from || to > day.to {
                self.say(Breach::OutsideDay {
                    person,
                    minute: if from < day.from { from } else { to },
                });
            } else if from < free {
                self.say(Breach::TwoAtOnce { person, from });
            }
            if deed == Deed::Walk {
                let takes = self.problem.walks_min[at * places + place];
                if to - from != takes {
                    self.say(Breach::WalkTime { person, to: place, took: to - from, takes });
                }
            } else if place != at && self.problem.walks_min[at * places + place] > 0 {
                self.say(Breach::NotThere { person, at: place, from });
            }
            (at, free) = (place, to);
        }
    }

    fn breaks(&mut self, person: usize) {
        let acts = &self.plan.people[person];
        let mut rests = acts.iter().filter(|act| act.deed == Deed::Break).peekable();
        let works_until = acts.iter().filter(|act| act.deed != Deed::Break).map(|act| act.to).max();
        let here = self.problem.people[person].from;
        let mut breaches = Vec::new();
        for pause in self.problem.breaks.iter().filter(|pause| pause.latest >= here) {
            let fits = |act: &&&Act| {
                (pause.from..=pause.latest).contains(&act.from)
                    && act.to - act.from == pause.length_min
            };
            if rests.next_if(|act| fits(&act)).is_none()
                && works_until.is_some_and(|until| until > pause.latest)
            {
                breaches.push(Breach::NoBreak { person, latest: pause.latest });
            }
        }
        if let Some(rest) = rests.next() {
            breaches.push(Breach::WrongBreak { person, from: rest.from });
        }
        self.breaches.extend(breaches);
    }

    fn stories(&self) -> Vec<Story<'a>> {
        let mut stories: Vec<Story> = self.problem.trees.iter().map(|_| Story::default()).collect();
        for (person, acts) in self.plan.people.iter().enumerate() {
            for act in acts {
                let Some(story) = stories.get_mut(act.at) else { continue };
                match act.deed {
                    Deed::Set => story.set.push((person, act)),
                    Deed::LeakCheck => story.leak_checks.push((person, act)),
                    Deed::Look => story.looks.push(act),
                    Deed::Refill => story.refills.push(act),
                    Deed::Strip => story.strips.push(act),
                    Deed::Walk | Deed::Break => {}
                }
            }
        }
        for story in &mut stories {
            story.looks.sort_by_key(|act| act.from);
            story.refills.sort_by_key(|act| act.from);
        }
        stories
    }

    fn trees(&mut self) {
        let stories = self.stories();
        let mut draws: Vec<Option<&Draw>> = vec![None; stories.len()];
        let mut told = vec![0; stories.len()];
        for draw in &self.plan.draws {
            if draw.tree < told.len() {
                told[draw.tree] += 1;
                draws[draw.tree] = Some(draw);
            }
        }
        for left in self.plan.left.iter().filter(|left| left.tree < stories.len()) {
            told[left.tree] += 1;
        }
        for (tree, story) in stories.iter().enumerate() {
            if told[tree] != 1 {
                self.say(Breach::TreeCount { tree });
                continue;
            }
            match draws[tree] {
                Some(draw) => self.draw(tree, draw, story),
                None => self.left_alone(tree, story),
            }
        }
    }

    fn left_alone(&mut self, tree: usize, story: &Story) {
        if self.problem.trees[tree].hung.is_some() {
            self.say(Breach::HungLeft { tree });
        }
        let visits = story.set.len() + story.refills.len() + story.strips.len();
        if visits + story.leak_checks.len() > 0 {
            self.say(Breach::Misreported { tree, what: "left, and visited" });
        }
        if let Some(look) = story.looks.first() {
            self.say(Breach::LookAtNothing { tree, at: look.from });
        }
    }

    fn draw(&mut self, tree: usize, draw: &Draw, story: &Story) {
        let it = &self.problem.trees[tree];
        match &it.hung {
            Some(hung) => {
                if !story.set.is_empty() {
                    self.say(Breach::TreeCount { tree });
                }
                let same = draw.kit == hung.kit
                    && draw.person == hung.person
                    && draw.start == hung.started;
                if !same {
                    self.say(Breach::Misreported { tree, what: "kit, person or start" });
                }
                if draw.overnight != hung.strip_from.is_none() {
                    self.say(Breach::Misreported { tree, what: "overnight" });
                }
            }
            None => self.setting(tree, draw, story),
        }
        let last_filled = self.fillings(tree, draw, story);
        self.finishes(tree, draw, last_filled);
        self.looks(tree, draw, story);
    }

    fn setting(&mut self, tree: usize, draw: &Draw, story: &Story) {
        let [(person, set)] = story.set[..] else {
            return self.say(Breach::TreeCount { tree });
        };
        let (steps, took) = (&self.problem.steps, set.to - set.from);
        if person != draw.person || set.to != draw.start {
            self.say(Breach::Misreported { tree, what: "person or start" });
        }
        if !self.problem.people[person].may_set {
            self.say(Breach::MayNotSet { person, tree });
        }
        let takes = steps.set_min[tree];
        if took != takes {
            self.say(Breach::SetTime { tree, took, takes });
        }
        let needs = steps.leak_check_min;
        let stays = story
            .leak_checks
            .iter()
            .any(|(who, act)| *who == person && act.from == set.to && act.to - act.from == needs);
        if needs > 0 && !(stays && story.leak_checks.len() == 1) {
            self.say(Breach::LeakCheck { tree, needs });
        }
        let shut = self.problem.closed.iter().find(|it| it.from <= set.to && set.to < it.to);
        if let Some(shut) = shut {
            self.say(Breach::ClosedStart { tree, start: set.to, why: shut.why.clone() });
        }
    }

    /// Refills and the strip; gives the start of the last filling.
    fn fillings(&mut self, tree: usize, draw: &Draw, story: &Story) -> i32 {
        let it = &self.problem.trees[tree];
        let needs = it.fillings as usize - 1;
        if story.refills.len() != needs {
            let refills = story.refills.len();
            self.say(Breach::Refills { tree, refills, needs });
        }
        let mut filled = draw.start;
        let mut ready = match &it.hung {
            Some(hung) => hung.strip_from,
            None => self.empty_at(tree, filled, |knot| knot.sure),
        };
        for refill in &story.refills {
            self.visit(tree, refill, ready, self.problem.steps.refill_min);
            filled = refill.to;
            ready = self.empty_at(tree, filled, |knot| knot.sure);
        }
        match story.strips[..] {
            [] if draw.overnight => self.staying(tree, draw),
            [strip] if !draw.overnight => {
                self.visit(tree, strip, ready, self.problem.steps.strip_min);
                let by = self.problem.done_by;
                if it.hung.is_none() && ready.is_none_or(|ready| ready > by) {
                    self.say(Breach::NotEmpty { tree, by });
                }
            }
            _ => self.say(Breach::NotStripped { tree }),
        }
        filled
    }

    fn visit(&mut self, tree: usize, act: &Act, ready: Option<i32>, takes: i32) {
        if ready.is_none_or(|ready| act.from < ready) {
            self.say(Breach::TooEarly { tree, from: act.from });
        }
        if act.to - act.from != takes {
            self.say(Breach::VisitTime { tree, took: act.to - act.from, takes });
        }
    }

    fn staying(&mut self, tree: usize, draw: &Draw) {
        let it = &self.problem.trees[tree];
        if it.hung.is_some() {
            return;
        }
        let in_time = self.empty_at(tree, draw.start, |knot| knot.sure);
        let why = if it.overnight_until.is_none_or(|until| draw.start > until) {
            Some("not from that start on")
        } else if !it.due {
            Some("it is not due")
        } else if it.fillings > 1 {
            Some("it needs a refill")
        } else if in_time.is_some_and(|at| at <= self.problem.done_by) {
            Some("it will be empty in time")
        } else {
            None
        };
        if let Some(why) = why {
            self.say(Breach::MayNotStay { tree, why });
        }
    }

    fn finishes(&mut self, tree: usize, draw: &Draw, filled: i32) {
        let told = [draw.p50, draw.p90, draw.sure];
        let found = [
            self.empty_at(tree, filled, |knot| knot.p50),
            self.empty_at(tree, filled, |knot| knot.p90),
            self.empty_at(tree, filled, |knot| knot.sure),
        ];
        if told != found {
            self.say(Breach::Misreported { tree, what: "finishing times" });
        }
    }

    /// No bag goes without a look for longer than allowed, and none is looked at that does not hang.
    fn looks(&mut self, tree: usize, draw: &Draw, story: &Story) {
        let steps = &self.problem.steps;
        let later = steps.check_every_min + steps.look_slack_min;
        let strip = story.strips.first().map(|act| act.from);
        let (hung_from, mut seen, mut within) = match &self.problem.trees[tree].hung {
            Some(hung) => (hung.started, hung.look_by, 0),
            None => (draw.start, draw.start, steps.second_look_min + steps.look_slack_min),
        };
        let mut sights: Vec<(i32, i32)> =
            story.looks.iter().map(|act| (act.from, act.from)).collect();
        sights.extend(story.refills.iter().map(|act| (act.from, act.to)));
        sights.sort_unstable();
        let until = strip.unwrap_or_else(|| self.last_act());
        for (from, to) in sights {
            if from < hung_from || strip.is_some_and(|strip| from > strip) {
                self.say(Breach::LookAtNothing { tree, at: from });
            }
            if from - seen > within {
                self.say(Breach::NoLook { tree, from: seen, gap: from - seen, most: within });
            }
            (seen, within) = (to, later);
        }
        if until - seen > within {
            self.say(Breach::NoLook { tree, from: seen, gap: until - seen, most: within });
        }
        if draw.overnight {
            self.last_look(tree, draw.person);
        }
    }

    /// After the last look at a bag that stays, its person does nothing but look at others.
    fn last_look(&mut self, tree: usize, person: usize) {
        let acts = &self.plan.people[person];
        let round = acts.iter().rev().take_while(|act| matches!(act.deed, Deed::Look | Deed::Walk));
        if !round.clone().any(|act| act.deed == Deed::Look && act.at == tree) {
            self.say(Breach::NoLastLook { person, tree });
        }
    }

    /// A kit serves its tree, and hangs on one at a time: from the start to the end of the strip.
    fn kits(&mut self) {
        let stories = self.stories();
        let mut uses: Vec<(usize, i32, i32, usize)> = Vec::new();
        for draw in &self.plan.draws {
            let Some(kit) = self.problem.kits.get(draw.kit) else {
                self.say(Breach::NoSuchKit { kit: draw.kit });
                continue;
            };
            let ports = self.problem.trees[draw.tree].ports;
            let is_hung = self.problem.trees[draw.tree].hung.is_some();
            if kit.ports < ports && !is_hung {
                self.say(Breach::KitTooSmall { tree: draw.tree, ports, serves: kit.ports });
            }
            let until = stories[draw.tree].strips.first().map_or(i32::MAX, |act| act.to);
            uses.push((draw.kit, draw.start, until, draw.tree));
        }
        uses.sort_unstable();
        for pair in uses.windows(2) {
            let ((kit, _, until, one), (same, from, _, other)) = (pair[0], pair[1]);
            if kit == same && from < until {
                self.say(Breach::KitTwice { kit, one, other });
            }
        }
    }

    /// Two of the reasons can be told from the problem alone.
    fn reasons(&mut self) {
        let serves = self.problem.kits.iter().map(|kit| kit.ports).max().unwrap_or(0);
        for left in &self.plan.left {
            let no_kit = self.problem.trees[left.tree].ports > serves;
            if no_kit != (left.why == Why::NoSuchKit) {
                self.say(Breach::WrongReason { tree: left.tree, why: left.why });
            }
        }
    }

    /// When a filling is empty, read off the table: straight between two knots, rounded up.
    fn empty_at(
        &self,
        tree: usize,
        start: i32,
        chance: impl Fn(&Knot) -> Option<i32>,
    ) -> Option<i32> {
        let knots = &self.problem.trees[tree].drawdown;
        if let Some(knot) = knots.iter().find(|knot| knot.start == start) {
            return chance(knot);
        }
        let below = knots.iter().rev().find(|knot| knot.start < start)?;
        let above = knots.iter().find(|knot| knot.start > start)?;
        let (low, high) = (f64::from(chance(below)?), f64::from(chance(above)?));
        let share = f64::from(start - below.start) / f64::from(above.start - below.start);
        // Whole minutes over at most some hundreds: a millionth is rounding, not time.
        Some((low + share * (high - low) - 1e-6).ceil() as i32)
    }

    fn last_act(&self) -> i32 {
        let working = |act: &&Act| act.deed != Deed::Break;
        self.plan.people.iter().flatten().filter(working).map(|act| act.to).max().unwrap_or(0)
    }

    fn score(&self) -> Score {
        let stripped_wet =
            |draw: &Draw| self.problem.trees[draw.tree].hung.as_ref().is_some_and(|hung| hung.wet);
        let empty = self.plan.draws.iter().filter(|it| !it.overnight && !stripped_wet(it)).count();
        let walks = self.plan.people.iter().flatten().filter(|act| act.deed == Deed::Walk);
        Score {
            not_empty: self.problem.trees.len() - empty,
            due_left: self.plan.left.iter().filter(|it| self.problem.trees[it.tree].due).count(),
            overnight: self.plan.draws.iter().filter(|draw| draw.overnight).count(),
            end: self.last_act(),
            walking_min: walks.map(|act| act.to - act.from).sum(),
        }
    }
}
