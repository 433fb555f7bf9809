//! The day as it unfolds from a sequence of visits: each goes to the person who can make it first,
//! or to the one named, as early as the rules allow.

use super::course::{Ends, finish};
use super::hand::{Hand, Job, Slot, Watched};
use super::plan::{Deed, Draw, Left, Plan, Score, Why};
use super::problem::Problem;

/// One visit to a tree: the first sets it, the last strips it, those between refill its bag.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Visit {
    /// Which tree.
    pub tree: usize,
    /// By whom; none: whoever can make it first.
    pub who: Option<usize>,
    /// With a kit of so many ports, where it serves the tree; none: the smallest that is there first.
    pub size: Option<u32>,
    /// It begins no earlier, though it could.
    pub pin: i32,
}

impl Visit {
    /// A visit with whatever kit comes first, as early as can be.
    pub fn new(tree: usize, who: Option<usize>) -> Self {
        Self { tree, who, size: None, pin: i32::MIN }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stage {
    Waits,
    Hangs,
    Stays,
    Gone,
    Left,
    /// A visit that cannot be made: no plan.
    Stuck,
}

/// One tree's bag.
#[derive(Debug, Clone, Copy)]
pub(super) struct Bag {
    pub stage: Stage,
    pub person: usize,
    pub kit: usize,
    pub start: i32,
    pub filled: i32,
    pub fillings_left: u32,
    pub ready: i32,
}

/// A day so far.
#[derive(Debug, Clone)]
pub(super) struct Rota<'p> {
    pub(super) problem: &'p Problem,
    pub(super) hands: Vec<Hand>,
    pub(super) kits_free: Vec<i32>,
    pub(super) bags: Vec<Bag>,
    pub(super) floor: i32,
    /// Visits that cannot be made: a day with any is no plan.
    pub failed: usize,
    /// Trees that are surely not empty in time: left so far, or staying.
    pub lost: usize,
}

/// A visit that can be made.
#[derive(Debug)]
pub(super) struct Proposal {
    tree: usize,
    person: usize,
    hand: Hand,
    slot: Slot,
    kit: usize,
    job: Job,
}

impl Proposal {
    /// When it begins.
    pub fn begin(&self) -> i32 {
        self.slot.begin
    }
}

/// What a minute that a tree lacks weighs against a minute on foot, in the search.
const LACK: i64 = 10;
/// What a minute of the end weighs so.
const END: i64 = 5;

/// A kit that hangs.
pub(super) const TAKEN: i32 = i32::MAX;

impl<'p> Rota<'p> {
    /// The day before its first act; `writes`: are acts written down?
    pub fn new(problem: &'p Problem, writes: bool) -> Self {
        let mut hands: Vec<Hand> =
            (0..problem.people.len()).map(|it| Hand::new(problem, it, writes)).collect();
        let mut kits_free = vec![i32::MIN; problem.kits.len()];
        let bags = problem
            .trees
            .iter()
            .enumerate()
            .map(|(tree, it)| {
                let mut bag = Bag {
                    stage: Stage::Waits,
                    person: 0,
                    kit: 0,
                    start: 0,
                    filled: 0,
                    fillings_left: it.fillings - 1,
                    ready: 0,
                };
                if let Some(hung) = &it.hung {
                    kits_free[hung.kit] = TAKEN;
                    let stays = hung.strip_from.is_none();
                    hands[hung.person].watch(Watched { due: hung.look_by, tree, stays });
                    bag.stage = if stays { Stage::Stays } else { Stage::Hangs };
                    (bag.person, bag.kit) = (hung.person, hung.kit);
                    (bag.start, bag.filled) = (hung.started, hung.started);
                    bag.ready = hung.strip_from.unwrap_or(0);
                }
                bag
            })
            .collect();
        let floor = problem.people.iter().map(|it| it.from).min().unwrap_or(0);
        Self { problem, hands, kits_free, bags, floor, failed: 0, lost: 0 }
    }

    /// Takes a tree off the list.
    pub fn leave(&mut self, tree: usize) {
        if self.bags[tree].stage == Stage::Waits {
            self.bags[tree].stage = Stage::Left;
            self.lost += 1;
        }
    }

    /// The begin of the last act so far.
    pub fn floor(&self) -> i32 {
        self.floor
    }

    /// When the next visit to a tree whose bag hangs may begin.
    pub fn ready(&self, tree: usize) -> Option<i32> {
        (self.bags[tree].stage == Stage::Hangs).then_some(self.bags[tree].ready)
    }

    /// Does a tree still wait to be set?
    pub fn waits(&self, tree: usize) -> bool {
        self.bags[tree].stage == Stage::Waits
    }

    /// Is some kit that serves a tree on the van, or about to be?
    pub fn has_kit(&self, tree: usize) -> bool {
        let ports = self.problem.trees[tree].ports;
        self.problem
            .kits
            .iter()
            .zip(&self.kits_free)
            .any(|(kit, free)| kit.ports >= ports && *free < TAKEN)
    }

    /// Makes a visit; a tree that cannot be set is left.
    pub fn make(&mut self, visit: Visit) {
        let tree = visit.tree;
        match self.bags[tree].stage {
            Stage::Waits => match self.set(visit) {
                Some(proposal) => self.accept(proposal),
                None => self.leave(tree),
            },
            Stage::Hangs => match self.call_on(visit) {
                Some(proposal) => self.accept(proposal),
                None => self.stuck(tree),
            },
            Stage::Stays | Stage::Gone | Stage::Left | Stage::Stuck => {}
        }
    }

    fn stuck(&mut self, tree: usize) {
        self.failed += 1;
        let bag = &mut self.bags[tree];
        bag.stage = Stage::Stuck;
        let person = bag.person;
        self.hands[person].release(tree);
    }

    /// The next visit to a tree, where it can be made.
    pub fn propose(&self, visit: Visit) -> Option<Proposal> {
        match self.bags[visit.tree].stage {
            Stage::Waits => self.set(visit),
            Stage::Hangs => self.call_on(visit),
            _ => None,
        }
    }

    fn set(&self, visit: Visit) -> Option<Proposal> {
        let (problem, tree) = (self.problem, visit.tree);
        let floor = self.floor.max(visit.pin);
        let mut best: Option<Proposal> = None;
        for person in self.asked(visit.who) {
            let hand = &self.hands[person];
            if !problem.people[person].may_set {
                continue;
            }
            let there = (hand.free + problem.walk(hand.at, tree)).max(floor);
            let (kit, kit_free) = self.kit_for(visit, there + problem.steps.set_min[tree])?;
            let job = Job { tree, ready: kit_free, floor, deed: Deed::Set, stays: false };
            let mut after = hand.clone();
            let Some(mut slot) = after.take(problem, &job) else { continue };
            let mut job = job;
            match problem.ends(tree, slot.done) {
                Some(Ends::Empty) => {}
                Some(Ends::Overnight) => {
                    job.stays = true;
                    after = hand.clone();
                    let Some(again) = after.take(problem, &job) else { continue };
                    if problem.ends(tree, again.done) != Some(Ends::Overnight) {
                        continue;
                    }
                    slot = again;
                }
                None => continue,
            }
            let new = Proposal { tree, person, hand: after, slot, kit, job };
            if best.as_ref().is_none_or(|best| self.key(&new) < self.key(best)) {
                best = Some(new);
            }
        }
        best
    }

    fn call_on(&self, visit: Visit) -> Option<Proposal> {
        let tree = visit.tree;
        let bag = &self.bags[tree];
        let deed = if bag.fillings_left > 0 { Deed::Refill } else { Deed::Strip };
        let floor = self.floor.max(visit.pin);
        let job = Job { tree, ready: bag.ready, floor, deed, stays: false };
        let mut best: Option<Proposal> = None;
        for person in self.asked(visit.who) {
            let mut after = self.hands[person].clone();
            let Some(slot) = after.take(self.problem, &job) else { continue };
            let new = Proposal { tree, person, hand: after, slot, kit: bag.kit, job };
            if best.as_ref().is_none_or(|best| self.key(&new) < self.key(best)) {
                best = Some(new);
            }
        }
        best
    }

    fn asked(&self, who: Option<usize>) -> std::ops::Range<usize> {
        who.map_or(0..self.hands.len(), |who| who..who + 1)
    }

    /// First come, first served; then who cannot set anyway, who walks least, who waited least.
    fn key(&self, proposal: &Proposal) -> (i32, bool, i32, i32) {
        let hand = &self.hands[proposal.person];
        let sets = self.problem.people[proposal.person].may_set;
        (proposal.slot.done, sets, proposal.hand.walked - hand.walked, -hand.free)
    }

    /// The smallest kit that serves a tree and is there by an instant, else the first that comes;
    /// one of the size wished before all others, where there is one that serves the tree.
    fn kit_for(&self, visit: Visit, by: i32) -> Option<(usize, i32)> {
        let ports = self.problem.trees[visit.tree].ports;
        let kits = self.problem.kits.iter().zip(&self.kits_free).enumerate();
        let size = visit.size.filter(|size| *size >= ports);
        kits.filter(|(_, (kit, free))| kit.ports >= ports && **free < TAKEN)
            .min_by_key(|(index, (kit, free))| {
                let other = size.is_some_and(|size| kit.ports != size);
                (other, (**free).max(by), kit.ports, *index)
            })
            .map(|(index, (_, free))| (index, *free))
    }

    /// Carries a proposal out.
    pub fn accept(&mut self, proposal: Proposal) {
        let Proposal { tree, person, hand, slot, kit, job } = proposal;
        self.floor = slot.begin;
        self.hands[person] = hand;
        let problem = self.problem;
        if job.deed == Deed::Set {
            self.kits_free[kit] = TAKEN;
            let bag = &mut self.bags[tree];
            (bag.person, bag.kit) = (person, kit);
            (bag.start, bag.filled) = (slot.done, slot.done);
            bag.stage = if job.stays { Stage::Stays } else { Stage::Hangs };
            self.lost += usize::from(job.stays);
            bag.ready = problem.sure(tree, slot.done).unwrap_or(i32::MAX / 4);
            return;
        }
        let owner = self.bags[tree].person;
        if owner != person && self.hands[owner].idle_until(problem, slot.begin).is_none() {
            self.failed += 1;
        }
        self.hands[owner].release(tree);
        let bag = &mut self.bags[tree];
        if job.deed == Deed::Refill {
            bag.fillings_left -= 1;
            bag.filled = slot.done;
            bag.ready = problem.sure(tree, slot.done).unwrap_or(i32::MAX / 4);
            let due = slot.done + problem.look_within();
            self.hands[owner].watch(Watched { due, tree, stays: false });
        } else {
            self.kits_free[kit] = slot.done;
            bag.stage = Stage::Gone;
            let is_late = bag.ready > problem.done_by;
            if is_late && problem.trees[tree].hung.is_none() {
                self.failed += 1;
                bag.stage = Stage::Stuck;
            }
        }
    }

    /// Ends the day: last rounds past the bags that stay.
    pub fn end(&mut self) {
        let end = self.ended();
        for hand in &mut self.hands {
            if hand.last_round(self.problem, end).is_none() {
                self.failed += 1;
                let staying: Vec<usize> = hand.watched.iter().map(|bag| bag.tree).collect();
                for tree in staying {
                    self.bags[tree].stage = Stage::Stuck;
                }
            }
        }
    }

    fn ended(&self) -> i32 {
        self.hands.iter().filter_map(|hand| hand.ended).max().unwrap_or(0)
    }

    /// How good the day is.
    pub fn score(&self) -> Score {
        let mut score = Score {
            not_empty: 0,
            due_left: 0,
            overnight: 0,
            end: self.ended(),
            walking_min: self.hands.iter().map(|hand| hand.walked).sum(),
        };
        for (bag, tree) in self.bags.iter().zip(&self.problem.trees) {
            let is_wet = tree.hung.as_ref().is_some_and(|hung| hung.wet);
            score.not_empty += usize::from(bag.stage != Stage::Gone || is_wet);
            score.overnight += usize::from(bag.stage == Stage::Stays);
            let is_left = matches!(bag.stage, Stage::Left | Stage::Stuck | Stage::Waits);
            score.due_left += usize::from(is_left && tree.due);
        }
        score
    }

    /// What the search follows below the levels that count trees. Where a tree was left that could be
    /// empty in time, did kit and people come to it earlier: by how many minutes they come too late;
    /// else the end. Then whatever makes an earlier one likely.
    pub fn slope(&self) -> i64 {
        let ends: i64 = self.hands.iter().filter_map(|hand| hand.ended).map(i64::from).sum();
        let walked: i64 = self.hands.iter().map(|hand| i64::from(hand.walked)).sum();
        let below = walked + ends / self.hands.len() as i64;
        let left = (0..self.bags.len()).filter(|&tree| self.bags[tree].stage == Stage::Left);
        match left.filter_map(|tree| self.lacks(tree)).min() {
            Some(least) => LACK * i64::from(least) + below,
            None => END * i64::from(self.ended()) + below,
        }
    }

    /// By how many minutes a bag is too late to be empty in time with the kit that is free for good
    /// first, wherever people are.
    fn lacks(&self, tree: usize) -> Option<i32> {
        let (problem, ports) = (self.problem, self.problem.trees[tree].ports);
        let kits = problem.kits.iter().zip(&self.kits_free);
        let serves = kits.filter(|(kit, free)| kit.ports >= ports && **free < TAKEN);
        let first = problem.people.iter().map(|it| it.from).min()? + problem.steps.set_min[tree];
        let runs = serves.map(|it| *it.1).min()?.max(first);
        Some((problem.surely_empty(tree, problem.opens(runs))? - problem.done_by).max(0))
    }

    /// The trees that a day fails for.
    pub fn stuck_trees(&self) -> Vec<usize> {
        (0..self.bags.len()).filter(|&tree| self.bags[tree].stage == Stage::Stuck).collect()
    }

    /// The day as a plan.
    pub fn plan(self) -> Plan {
        let problem = self.problem;
        let mut draws = Vec::new();
        let mut left = Vec::new();
        for (tree, bag) in self.bags.iter().enumerate() {
            let knots = &problem.trees[tree].drawdown;
            if bag.stage == Stage::Left || bag.stage == Stage::Waits {
                left.push(Left { tree, why: why(problem, tree) });
                continue;
            }
            draws.push(Draw {
                tree,
                kit: bag.kit,
                person: bag.person,
                start: bag.start,
                p50: finish(knots, bag.filled, |knot| knot.p50),
                p90: finish(knots, bag.filled, |knot| knot.p90),
                sure: finish(knots, bag.filled, |knot| knot.sure),
                overnight: bag.stage == Stage::Stays,
            });
        }
        draws.sort_by_key(|draw| (draw.start, draw.tree));
        let people = self.hands.into_iter().map(|hand| hand.acts.unwrap_or_default()).collect();
        Plan { people, draws, left }
    }
}

/// Why a tree is left for another day: finishes never fall, so that its earliest start is its best.
fn why(problem: &Problem, tree: usize) -> Why {
    let ports = problem.trees[tree].ports;
    if problem.kits.iter().all(|kit| kit.ports < ports) {
        return Why::NoSuchKit;
    }
    let job = Job { tree, ready: i32::MIN, floor: i32::MIN, deed: Deed::Set, stays: false };
    let setters = (0..problem.people.len()).filter(|&it| problem.people[it].may_set);
    let (mut open, mut earliest) = (false, None);
    for person in setters {
        let it = &problem.people[person];
        open |= problem.opens(it.from) < it.to;
        let first = Hand::new(problem, person, false).take(problem, &job).map(|slot| slot.done);
        earliest = [earliest, first].into_iter().flatten().min();
    }
    match earliest {
        _ if !open => Why::NoStart,
        None => Why::TooLong,
        Some(start) if problem.ends(tree, start).is_none() => Why::TooSlow,
        Some(_) => Why::NotReached,
    }
}
