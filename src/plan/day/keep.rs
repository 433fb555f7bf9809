//! An earlier plan taken up again: what of it still goes stays where it was, the rest finds room
//! between, and no more is moved than that.
//!
//! A visit that is kept is pinned: it begins no earlier than it did. Visits of people who are gone,
//! with kits that are gone, and at bags that come ready later than believed are loose, and are put
//! where fewest trees are lost, and then where fewest of the other starts move.

use super::opening::visits;
use super::plan::{Deed, Draw, Plan, Score};
use super::problem::{Person, Problem};
use super::rota::{Rota, Stage, Visit};
use super::solver::{Course, moved, visits_of};
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

/// A start that moves by no more is kept.
pub const UNMOVED_MIN: i32 = 5;
/// So much later than a plan made afresh the crew may be done, where fewer starts move thereby.
pub const LATER_MIN: i32 = 60;
/// Visits played to find room, at most.
const PLAYED: usize = 100_000;
/// Random moves, at most.
const MOVES: usize = 1200;
/// Places tried for each loose tree at least.
const PLACES: usize = 12;

/// How good a day is that keeps to an earlier one; the smaller the better.
pub(super) type Merit = ([usize; 4], i32, usize, i64, i32, i32);

/// What of an earlier plan still goes on this problem.
pub(super) struct Keeper<'p> {
    problem: &'p Problem,
    /// Starts and people of the trees that wait, as they were planned.
    planned: Vec<Option<(i32, usize)>>,
    /// Trees that need a new place: their moves are no one's fault.
    is_loose: Vec<bool>,
    /// Until when the crew may be done.
    until: i32,
    played: usize,
}

/// The earlier plan with as little changed as needed; `afresh` is what a plan made without it comes to.
pub(super) fn kept<'p>(
    problem: &'p Problem,
    earlier: &Plan,
    afresh: Score,
    seed: u64,
) -> Course<'p> {
    let mut keeper = Keeper::new(problem, earlier, afresh.end);
    let (sequence, loose) = keeper.pinned(earlier);
    let mut now = Course::new(problem, sequence);
    let still_goes = now.failed == 0 && loose.iter().all(|&tree| keeper.planned[tree].is_none());
    loose.iter().for_each(|&tree| keeper.is_loose[tree] = true);
    for tree in loose {
        now = keeper.with_tree(now, tree);
    }
    now = keeper.put_off(now);
    if still_goes && keeper.changes(&now.lived(&now.sequence, 0)).0 == 0 {
        return now;
    }
    keeper.searched(now, seed)
}

impl<'p> Keeper<'p> {
    fn new(problem: &'p Problem, earlier: &Plan, end: i32) -> Self {
        let mut planned = vec![None; problem.trees.len()];
        for Draw { tree, start, person, .. } in &earlier.draws {
            if problem.trees[*tree].hung.is_none() {
                planned[*tree] = Some((*start, *person));
            }
        }
        let acts = earlier.people.iter().flatten().filter(|act| act.deed != Deed::Break);
        let was = acts.map(|act| act.to).max().unwrap_or(i32::MIN);
        Self {
            problem,
            is_loose: vec![false; planned.len()],
            planned,
            until: was.max(end.saturating_add(LATER_MIN)),
            played: 0,
        }
    }

    fn is_here(&self, who: usize) -> bool {
        self.problem.people.get(who).is_some_and(Person::is_here)
    }

    /// The visits that stay where they were, and the trees whose visits need a new place, those first
    /// that were to start first.
    fn pinned(&self, earlier: &Plan) -> (Vec<Visit>, Vec<usize>) {
        let problem = self.problem;
        let mut loose: Vec<usize> = Vec::new();
        for (tree, it) in problem.trees.iter().enumerate() {
            let draw = earlier.draws.iter().find(|draw| draw.tree == tree);
            let goes = draw.is_some_and(|draw| {
                let serves =
                    |kit: usize| problem.kits.get(kit).is_some_and(|kit| kit.ports >= it.ports);
                let may = self.is_here(draw.person) && problem.people[draw.person].may_set;
                it.hung.is_some() || (serves(draw.kit) && may)
            });
            if !goes {
                loose.push(tree);
            }
        }
        let mut sequence: Vec<Visit> = Vec::new();
        let mut made = vec![0; problem.trees.len()];
        for (begin, visit) in visits_of(problem, earlier) {
            let needs = visits(problem, visit.tree);
            if loose.contains(&visit.tree) || made[visit.tree] == needs {
                continue;
            }
            made[visit.tree] += 1;
            let who = visit.who.filter(|&who| self.is_here(who));
            sequence.push(Visit { who, pin: begin, ..visit });
        }
        // A bag that was to stay overnight was to have no strip; one is there for it all the same, last.
        for draw in earlier.draws.iter().filter(|draw| draw.overnight) {
            while made[draw.tree] > 0 && made[draw.tree] < visits(problem, draw.tree) {
                made[draw.tree] += 1;
                sequence.push(Visit::new(draw.tree, None));
            }
        }
        // A tree of which a visit is missing is placed as a whole.
        let short = |tree: usize| made[tree] < visits(problem, tree);
        sequence.retain(|visit| !short(visit.tree));
        loose.extend((0..problem.trees.len()).filter(|&tree| made[tree] > 0 && short(tree)));
        let hung_first = |tree: &usize| problem.trees[*tree].hung.is_none();
        let was = |tree: &usize| self.planned[*tree].map_or(i32::MAX, |it| it.0);
        loose.retain(|&tree| visits(problem, tree) > 0);
        loose.sort_by_key(|tree| (hung_first(tree), was(tree), *tree));
        loose.dedup();
        (sequence, loose)
    }

    /// The visits of a tree put in where they serve best.
    fn with_tree(&mut self, now: Course<'p>, tree: usize) -> Course<'p> {
        let problem = self.problem;
        let length = now.sequence.len();
        let setters: Vec<usize> = (0..problem.people.len())
            .filter(|&who| self.is_here(who) && problem.people[who].may_set)
            .collect();
        let each = (length + 1) * length.max(1) / 2 * setters.len().max(1);
        let stride = (each / (PLAYED / 8)).clamp(1, (length / PLACES).max(1));
        let mut best: Option<(Merit, Vec<Visit>)> = None;
        for place in (0..=length).step_by(stride).chain([length]) {
            for &who in &setters {
                let sequence = inserted(problem, &now, tree, place, Some(who));
                let merit = self.merit(&now, &sequence, place);
                if best.as_ref().is_none_or(|best| merit < best.0) {
                    best = Some((merit, sequence));
                }
            }
        }
        best.map_or(now, |(_, sequence)| Course::new(problem, sequence))
    }

    /// Visits that begin later than they were to because their bag is not ready are put off, past the
    /// visits that they would hold up.
    fn put_off(&mut self, now: Course<'p>) -> Course<'p> {
        let mut now = now;
        let mut merit = self.merit(&now, &now.sequence, 0);
        for _ in 0..now.sequence.len() {
            let late = |at: &usize| {
                let pin = now.sequence[*at].pin;
                pin > i32::MIN && now.begins[*at] > pin.saturating_add(UNMOVED_MIN)
            };
            let Some(first) = (0..now.sequence.len()).find(late) else { break };
            if self.played > PLAYED {
                break;
            }
            let mut best: Option<(Merit, Vec<Visit>)> = None;
            for place in first + 1..now.sequence.len() {
                for who in [now.sequence[first].who, None] {
                    let mut sequence = now.sequence.clone();
                    let visit = Visit { who, ..sequence.remove(first) };
                    let visit = if sequence[first..place].iter().any(|it| it.tree == visit.tree) {
                        continue;
                    } else {
                        visit
                    };
                    sequence.insert(place, visit);
                    let new = self.merit(&now, &sequence, first);
                    if best.as_ref().is_none_or(|best| new < best.0) {
                        best = Some((new, sequence));
                    }
                }
            }
            match best {
                Some((new, sequence)) if new < merit => {
                    merit = new;
                    now = Course::new(self.problem, sequence);
                }
                _ => break,
            }
        }
        now
    }

    /// Single random moves that serve, and no others.
    fn searched(&mut self, now: Course<'p>, seed: u64) -> Course<'p> {
        let mut now = now;
        if now.sequence.len() < 2 {
            return now;
        }
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut merit = self.merit(&now, &now.sequence, 0);
        for _ in 0..MOVES {
            if self.played > PLAYED {
                break;
            }
            let mut sequence = now.sequence.clone();
            let Some(from) = moved(self.problem, &now, &mut sequence, &mut random) else {
                continue;
            };
            let new = self.merit(&now, &sequence, from);
            if new <= merit {
                merit = new;
                now.sequence = sequence;
                now.play(from);
            }
        }
        now
    }

    /// What a sequence that differs from a course's from a place on comes to.
    fn merit(&mut self, course: &Course<'p>, sequence: &[Visit], from: usize) -> Merit {
        self.played += sequence.len() - from.min(sequence.len());
        let day = course.lived(sequence, from);
        let score = day.score();
        let (changed, moved) = self.changes(&day);
        (
            [day.failed, score.not_empty, score.due_left, score.overnight],
            (score.end - self.until).max(0),
            changed,
            moved,
            score.end,
            score.walking_min,
        )
    }

    /// Trees that could stay and start at another time or by somebody else than planned; minutes moved,
    /// those of all trees.
    fn changes(&self, day: &Rota) -> (usize, i64) {
        let (mut changed, mut moved) = (0, 0);
        for (tree, bag) in day.bags.iter().enumerate() {
            let Some((start, person)) = self.planned[tree] else { continue };
            let is_left = matches!(bag.stage, Stage::Left | Stage::Stuck | Stage::Waits);
            let by = if is_left { 0 } else { (bag.start - start).abs() };
            let is_changed = is_left || by > UNMOVED_MIN || bag.person != person;
            changed += usize::from(is_changed && !self.is_loose[tree]);
            moved += i64::from(by);
        }
        (changed, moved)
    }
}

/// A sequence with the visits of one more tree: the first at a place, the others where its bag will
/// come ready, by whoever can come first.
fn inserted(
    problem: &Problem,
    now: &Course,
    tree: usize,
    place: usize,
    who: Option<usize>,
) -> Vec<Visit> {
    let begin = |at: usize| now.begins.get(at).copied();
    let is_hung = problem.trees[tree].hung.is_some();
    let mut runs = begin(place).or(now.begins.last().copied()).unwrap_or(0);
    if !is_hung {
        runs += problem.steps.set_min[tree];
    }
    let mut sequence = now.sequence.clone();
    let mut places = vec![place];
    for _ in 1..visits(problem, tree) {
        let ready = problem.sure(tree, runs).unwrap_or(i32::MAX / 4);
        places.push(now.begins.partition_point(|it| *it < ready).max(place));
        runs = ready.saturating_add(problem.steps.refill_min);
    }
    for (nth, place) in places.into_iter().enumerate() {
        let who = who.filter(|_| nth == 0);
        sequence.insert((place + nth).min(sequence.len()), Visit::new(tree, who));
    }
    sequence
}
