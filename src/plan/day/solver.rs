//! Local search over sequences of visits, a bounded number of moves from a fixed seed.

use super::keep::kept;
use super::opening::{completed, openings, visits};
use super::plan::{Act, Deed, Plan, Score};
use super::problem::Problem;
use super::rota::{Proposal, Rota, Visit};
use super::small::{self, FEW_VISITS};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// How hard to search.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Effort {
    /// Moves tried.
    pub moves: usize,
    /// Seed of their choice.
    pub seed: u64,
}

impl Effort {
    /// Enough for a problem of this size: many moves on small ones, fewer where each costs more.
    pub fn for_size(problem: &Problem) -> Self {
        let visits = 2 * problem.trees.len().max(1);
        let work = if problem.trees.len() <= MANY { 5_000_000 } else { 2_500_000 };
        let most = work / (visits * problem.people.len().max(1));
        let each = if visits <= FEW_VISITS { 3000 } else { 8000 };
        Self { moves: (each * visits).min(most).clamp(300, 120_000), seed: 7 }
    }
}

/// Moves for each visit from which on there is time for annealing.
const WORTH_ANNEALING: usize = 6;
/// Of the moves, those of the annealing.
const ANNEALING_PERCENT: usize = 80;
/// Temperature of its first and last moves, in minutes on foot.
const WARM: f64 = 200.0;
const COLD: f64 = 3.0;
/// What a tree weighs in it, in minutes on foot.
const TREE: i64 = 3000;
/// Moves after which visits may overtake those that have to wait, and how long these may.
const REORDERED_PERCENT: usize = 25;
const PATIENCE_MIN: [i32; 3] = [0, 5, 15];
/// Comparisons with what was accepted so many moves ago let the search leave a hollow.
const MEMORY: usize = 60;
/// A day is kept at every so many visits, so that a move late in the day is cheap.
const STRIDE: usize = 16;

/// Beyond so many trees a move is dear.
const MANY: usize = 100;

/// Up to so many trees, the search sets out from several openings; beyond, from the best alone.
const FEW: usize = 30;
/// From so many.
const STARTS: usize = 2;

/// Visits tried in a complete search of a small day, for each move of the search before it.
const TRIES_A_MOVE: usize = 8;

/// Visits among which the next is chosen where a move lets them overtake each other.
const AHEAD: usize = 3;

/// A plan made afresh takes the place of a mended one where it saves more than one tree in so many, and more than one.
const WORTH_A_CHANGE: usize = 20;

/// Plans a day. `earlier` is a plan for the same trees that is to be kept as far as it still goes: a
/// visit is moved only where that saves a tree or a night, and the whole is made afresh only where
/// that saves more than one tree in twenty, and more than one.
pub fn solve(problem: &Problem, effort: Effort, earlier: Option<&Plan>) -> Plan {
    let opened = openings(problem).into_iter().map(|sequence| Course::new(problem, sequence));
    let mut starts: Vec<Course> = opened.collect();
    starts.sort_by_key(Course::key);
    starts.dedup_by_key(|course| course.key());
    starts.truncate(if problem.trees.len() > FEW { 1 } else { STARTS });
    let each = Effort { moves: effort.moves / starts.len(), ..effort };
    let mut best = starts
        .into_iter()
        .zip(effort.seed..)
        .map(|(start, seed)| search(problem, start, Effort { seed, ..each }))
        .min_by_key(|course| (course.failed, course.score))
        .expect("there is always an opening");
    let all: usize = (0..problem.trees.len()).map(|tree| visits(problem, tree)).sum();
    if all <= FEW_VISITS && best.failed == 0 {
        let better = small::bettered(problem, best.score, TRIES_A_MOVE * effort.moves);
        best = better.map_or(best, |sequence| Course::new(problem, completed(problem, sequence)));
    }
    if let Some(earlier) = earlier {
        let kept = kept(problem, earlier, best.score, effort.seed);
        let worth = (problem.trees.len() / WORTH_A_CHANGE).max(1);
        if kept.failed == 0 && kept.score.not_empty <= best.score.not_empty + worth {
            return written(problem, &kept.sequence);
        }
    }
    settled(problem, best)
}

/// A plan searched on from another one, of which nothing need be kept.
pub fn bettered(problem: &Problem, effort: Effort, plan: &Plan) -> Plan {
    let start = Course::new(problem, sequence_of(problem, plan));
    settled(problem, search(problem, start, effort))
}

/// The plan of a course, its visits in the order in which they begin where that is no worse: then it
/// stays the same when it is taken up again.
fn settled<'p>(problem: &'p Problem, course: Course<'p>) -> Plan {
    let mut now = course;
    for _ in 0..8 {
        let again = Course::new(problem, sequence_of(problem, &written(problem, &now.sequence)));
        if (again.failed, again.score) > (now.failed, now.score) {
            break;
        }
        let same = again.sequence == now.sequence;
        now = again;
        if same {
            break;
        }
    }
    written(problem, &now.sequence)
}

/// A sequence with the days on its way.
#[derive(Debug, Clone)]
pub(super) struct Course<'p> {
    pub sequence: Vec<Visit>,
    /// The day before every [`STRIDE`]th visit.
    kept: Vec<Rota<'p>>,
    /// Begin of each visit, or of the one before it where it was not made.
    pub begins: Vec<i32>,
    pub failed: usize,
    pub score: Score,
    slope: i64,
    is_strict: bool,
}

type Key = (usize, usize, usize, usize, i64);

impl<'p> Course<'p> {
    pub fn new(problem: &'p Problem, sequence: Vec<Visit>) -> Self {
        let mut course = Self {
            begins: vec![0; sequence.len()],
            sequence,
            kept: vec![Rota::new(problem, false)],
            failed: 0,
            score: Score { not_empty: 0, due_left: 0, overnight: 0, end: 0, walking_min: 0 },
            slope: 0,
            is_strict: false,
        };
        course.play(0);
        course
    }

    /// Plays the day again from a visit on.
    pub fn play(&mut self, from: usize) {
        let place = (from / STRIDE).min(self.kept.len() - 1);
        self.kept.truncate(place + 1);
        let mut rota = self.kept[place].clone();
        for index in place * STRIDE..self.sequence.len() {
            if index % STRIDE == 0 && index > place * STRIDE {
                self.kept.push(rota.clone());
            }
            rota.make(self.sequence[index]);
            self.begins[index] = rota.floor();
        }
        self.close(rota);
    }

    /// As [`Self::tried`], with visits that have to wait longer than `patience_min` overtaken by the
    /// next ones: the sequence is changed to the order in which they come to be made.
    fn reordered(
        &self,
        sequence: &mut [Visit],
        from: usize,
        patience_min: i32,
        most: (usize, usize),
    ) -> Option<(Key, Score)> {
        let place = (from / STRIDE).min(self.kept.len() - 1);
        let mut rota = self.kept[place].clone();
        sequence[place * STRIDE..from].iter().for_each(|visit| rota.make(*visit));
        for at in from..sequence.len() {
            let mut chosen: Option<(i32, usize, Proposal)> = None;
            for ahead in at..(at + AHEAD).min(sequence.len()) {
                let visit = sequence[ahead];
                if sequence[at..ahead].iter().any(|earlier| earlier.tree == visit.tree) {
                    continue;
                }
                let Some(proposal) = rota.propose(visit) else {
                    if ahead == at { break } else { continue }
                };
                let begin = proposal.begin();
                let waits = chosen.as_ref().is_none_or(|it| begin + patience_min < it.0);
                if waits {
                    chosen = Some((begin, ahead, proposal));
                }
            }
            match chosen {
                Some((_, ahead, proposal)) => {
                    sequence[at..=ahead].rotate_right(1);
                    rota.accept(proposal);
                }
                None => rota.make(sequence[at]),
            }
            if (rota.failed, rota.lost) > most {
                return None;
            }
        }
        rota.end();
        let score = rota.score();
        Some((self.key_of(rota.failed, &score, rota.slope()), score))
    }

    /// The day of a sequence that is the same up to a visit.
    pub fn lived(&self, sequence: &[Visit], from: usize) -> Rota<'p> {
        let place = (from / STRIDE).min(self.kept.len() - 1);
        let mut rota = self.kept[place].clone();
        sequence[place * STRIDE..].iter().for_each(|visit| rota.make(*visit));
        rota.end();
        rota
    }

    fn close(&mut self, mut rota: Rota) {
        rota.end();
        (self.failed, self.score, self.slope) = (rota.failed, rota.score(), rota.slope());
    }

    /// What a changed sequence would come to; none where it fails or leaves more trees than `most`.
    fn tried(&self, sequence: &[Visit], from: usize, most: (usize, usize)) -> Option<(Key, Score)> {
        let place = (from / STRIDE).min(self.kept.len() - 1);
        let mut rota = self.kept[place].clone();
        for visit in &sequence[place * STRIDE..] {
            rota.make(*visit);
            if (rota.failed, rota.lost) > most {
                return None;
            }
        }
        rota.end();
        let score = rota.score();
        Some((self.key_of(rota.failed, &score, rota.slope()), score))
    }

    fn key(&self) -> Key {
        self.key_of(self.failed, &self.score, self.slope)
    }

    fn key_of(&self, failed: usize, score: &Score, slope: i64) -> Key {
        let below = match self.is_strict {
            true => i64::from(score.end) * 1_000_000 + i64::from(score.walking_min),
            false => slope,
        };
        (failed, score.not_empty, score.due_left, score.overnight, below)
    }
}

fn search<'p>(problem: &'p Problem, start: Course<'p>, effort: Effort) -> Course<'p> {
    if start.sequence.len() < 2 {
        return start;
    }
    let mut random = ChaCha8Rng::seed_from_u64(effort.seed);
    if effort.moves < WORTH_ANNEALING * start.sequence.len() {
        let half = effort.moves / 2;
        let better = improved(problem, start, half, &mut random);
        return improved(problem, Course { is_strict: true, ..better }, half, &mut random);
    }
    let annealing = effort.moves * ANNEALING_PERCENT / 100;
    let best = annealed(problem, start, annealing, &mut random);
    let strict = Course { is_strict: true, ..best };
    improved(problem, strict, effort.moves - annealing, &mut random)
}

/// Simulated annealing: a day may become worse, ever less so. Gives the best one that was met.
fn annealed<'p>(
    problem: &'p Problem,
    start: Course<'p>,
    moves: usize,
    random: &mut ChaCha8Rng,
) -> Course<'p> {
    let mut now = start;
    let mut best = ((now.failed, now.score), now.sequence.clone());
    for turn in 0..moves {
        let mut sequence = now.sequence.clone();
        let Some(from) = moved(problem, &now, &mut sequence, random) else { continue };
        let gone = turn as f64 / moves as f64;
        let warmth = WARM * (COLD / WARM).powf(gone);
        let worse = -warmth * random.random_range(1e-12_f64..1.0).ln();
        let limit = (now.failed, now.score.not_empty + 1);
        let tried = match random.random_range(0..100) {
            share if share < REORDERED_PERCENT => {
                let patience_min = PATIENCE_MIN[random.random_range(0..PATIENCE_MIN.len())];
                now.reordered(&mut sequence, from, patience_min, limit)
            }
            _ => now.tried(&sequence, from, limit),
        };
        let Some((key, score)) = tried else { continue };
        if energy(&key) <= energy(&now.key()) + worse as i64 {
            now.sequence = sequence;
            now.play(from);
            if (now.failed, score) < best.0 {
                best = ((now.failed, score), now.sequence.clone());
            }
        }
    }
    Course::new(problem, best.1)
}

/// All levels in one number: a tree is worth some five hours of the end.
fn energy(key: &Key) -> i64 {
    let [failed, not_empty, due_left, overnight] = [key.0, key.1, key.2, key.3].map(|it| it as i64);
    TREE * (100 * failed + not_empty) + TREE / 4 * due_left + TREE / 8 * overnight + key.4
}

/// What is no worse than now, or than it was some moves ago; where strict, by the score itself, which the
/// slope blurs.
fn improved<'p>(
    problem: &'p Problem,
    start: Course<'p>,
    moves: usize,
    random: &mut ChaCha8Rng,
) -> Course<'p> {
    let mut now = start;
    let mut best = ((now.failed, now.score), now.sequence.clone());
    let mut memory = vec![now.key(); MEMORY];
    for turn in 0..moves {
        let mut sequence = now.sequence.clone();
        let Some(from) = moved(problem, &now, &mut sequence, random) else { continue };
        let worst = now.key().max(memory[turn % MEMORY]);
        let tried = now.tried(&sequence, from, (worst.0, worst.1));
        memory[turn % MEMORY] = now.key();
        let Some((key, score)) = tried else { continue };
        if key <= worst {
            now.sequence = sequence;
            now.play(from);
            if (now.failed, score) < best.0 {
                best = ((now.failed, score), now.sequence.clone());
            }
            memory[turn % MEMORY] = now.key();
        }
    }
    Course::new(problem, best.1)
}

/// Changes a sequence by one move; gives the first place that it changed.
pub(super) fn moved(
    problem: &Problem,
    now: &Course,
    sequence: &mut Vec<Visit>,
    random: &mut ChaCha8Rng,
) -> Option<usize> {
    let picked = random.random_range(0..sequence.len());
    match random.random_range(0..100) {
        0..30 => relocated(problem, now, sequence, picked, random),
        30..55 => exchanged(problem, now, sequence, picked, random),
        55..80 => shifted(sequence, picked, random),
        _ => handed_over(problem, sequence, picked, random),
    }
}

/// A place not far from another one, now and then any.
fn near(at: usize, length: usize, random: &mut ChaCha8Rng) -> usize {
    let reach = [2, 6, 20, length][random.random_range(0..4)];
    let (low, high) = (at.saturating_sub(reach), (at + reach + 1).min(length));
    random.random_range(low..high)
}

/// All visits of one tree: its set elsewhere, the others where they will come ready.
fn relocated(
    problem: &Problem,
    now: &Course,
    sequence: &mut Vec<Visit>,
    picked: usize,
    random: &mut ChaCha8Rng,
) -> Option<usize> {
    let tree = sequence[picked].tree;
    if problem.trees[tree].hung.is_some() {
        return shifted(sequence, picked, random);
    }
    let first = sequence.iter().position(|visit| visit.tree == tree)?;
    let Visit { who, size, .. } = sequence[first];
    let others: Vec<(usize, i32)> = (0..sequence.len())
        .filter(|&place| sequence[place].tree != tree)
        .map(|place| (place, now.begins[place]))
        .collect();
    let target = near(first, others.len() + 1, random);
    let begin = others.get(target).map_or_else(|| *now.begins.last().unwrap_or(&0), |it| it.1);
    let mut inserts = vec![target];
    let mut runs = begin + problem.steps.set_min[tree];
    for _ in 1..visits(problem, tree) {
        let ready = problem.sure(tree, runs).unwrap_or(i32::MAX / 4);
        let place = others.partition_point(|it| it.1 < ready).max(target);
        inserts.push(place);
        runs = ready + problem.steps.refill_min;
    }
    let old = sequence.clone();
    sequence.clear();
    let mut pending = inserts.into_iter().peekable();
    let mut is_first = true;
    for place in 0..=others.len() {
        while pending.next_if(|it| *it == place).is_some() {
            sequence.push(Visit { size, ..Visit::new(tree, who.filter(|_| is_first)) });
            is_first = false;
        }
        if let Some((from, _)) = others.get(place) {
            sequence.push(old[*from]);
        }
    }
    changed(&old, sequence)
}

/// Two trees change places: their sets do, and their later visits follow where they will come ready.
fn exchanged(
    problem: &Problem,
    now: &Course,
    sequence: &mut Vec<Visit>,
    picked: usize,
    random: &mut ChaCha8Rng,
) -> Option<usize> {
    let one = sequence[picked].tree;
    let other = sequence[near(picked, sequence.len(), random)].tree;
    let is_hung = |tree: usize| problem.trees[tree].hung.is_some();
    let alike = visits(problem, one) == visits(problem, other) && is_hung(one) == is_hung(other);
    if one == other || !alike {
        return None;
    }
    let mut from = None;
    for (place, visit) in sequence.iter_mut().enumerate() {
        let new = match visit.tree {
            tree if tree == one => other,
            tree if tree == other => one,
            _ => continue,
        };
        visit.tree = new;
        from = from.or(Some(place));
    }
    if is_hung(one) || visits(problem, one) != 2 || random.random_bool(0.3) {
        return from;
    }
    let old = now.sequence.clone();
    let mut begins = now.begins.clone();
    for tree in [one, other] {
        let set = sequence.iter().position(|visit| visit.tree == tree)?;
        let strip = sequence.iter().rposition(|visit| visit.tree == tree)?;
        let runs = begins[set] + problem.steps.set_min[tree];
        let ready = problem.sure(tree, runs).unwrap_or(i32::MAX / 4);
        let visit = sequence.remove(strip);
        begins.remove(strip);
        let place = begins.partition_point(|begin| *begin < ready).max(set + 1);
        sequence.insert(place, visit);
        begins.insert(place, ready.min(*begins.last().unwrap_or(&ready)));
    }
    changed(&old, sequence)
}

/// One visit comes earlier or later.
fn shifted(sequence: &mut Vec<Visit>, picked: usize, random: &mut ChaCha8Rng) -> Option<usize> {
    let target = near(picked, sequence.len(), random);
    if target == picked {
        return None;
    }
    let visit = sequence.remove(picked);
    sequence.insert(target, visit);
    Some(picked.min(target))
}

/// One visit, or all of a tree, is somebody else's, or takes another kit.
fn handed_over(
    problem: &Problem,
    sequence: &mut [Visit],
    picked: usize,
    random: &mut ChaCha8Rng,
) -> Option<usize> {
    if random.random_bool(0.2) {
        let kit = random.random_range(0..=problem.kits.len());
        sequence[picked].size = problem.kits.get(kit).map(|kit| kit.ports);
        return Some(picked);
    }
    let people = problem.people.len();
    let who = Some(random.random_range(0..=people)).filter(|&who| who < people);
    if people == 1 || sequence[picked].who == who {
        return None;
    }
    let (tree, whole) = (sequence[picked].tree, random.random_bool(0.4));
    sequence[picked].who = who;
    if !whole {
        return Some(picked);
    }
    let own = sequence.iter_mut().filter(|visit| visit.tree == tree);
    own.for_each(|visit| visit.who = who);
    sequence.iter().position(|visit| visit.tree == tree)
}

fn changed(old: &[Visit], new: &[Visit]) -> Option<usize> {
    old.iter().zip(new).position(|(old, new)| old != new)
}

/// The sequence of a plan: its visits in the order in which they begin.
pub(super) fn sequence_of(problem: &Problem, plan: &Plan) -> Vec<Visit> {
    completed(problem, visits_of(problem, plan).into_iter().map(|it| it.1).collect())
}

/// The visits of a plan that are still to be made, by their begin. Of a bag that hangs the last ones
/// are: those before were made.
pub(super) fn visits_of(problem: &Problem, plan: &Plan) -> Vec<(i32, Visit)> {
    let is_hung = |tree: usize| problem.trees.get(tree).is_none_or(|it| it.hung.is_some());
    let is_visit = |act: &&Act| match act.deed {
        Deed::Set => !is_hung(act.at),
        Deed::Refill | Deed::Strip => act.at < problem.trees.len(),
        _ => false,
    };
    let mut acts: Vec<(i32, bool, usize, usize)> = plan
        .people
        .iter()
        .enumerate()
        .flat_map(|(who, acts)| {
            acts.iter()
                .filter(is_visit)
                .map(move |act| (act.from, act.deed == Deed::Set, act.at, who))
        })
        .collect();
    // Of visits at one minute a strip first: it may free the kit of a set.
    acts.sort_unstable();
    let mut over: Vec<usize> = vec![0; problem.trees.len()];
    acts.iter().for_each(|act| over[act.2] += 1);
    acts.retain(|(_, _, tree, _)| {
        let is_made = is_hung(*tree) && over[*tree] > visits(problem, *tree);
        over[*tree] -= usize::from(is_made);
        !is_made
    });
    let known = |who: usize| Some(who).filter(|&who| who < problem.people.len());
    let size = |tree: usize| {
        let draw = plan.draws.iter().find(|draw| draw.tree == tree)?;
        problem.kits.get(draw.kit).map(|kit| kit.ports)
    };
    let visit = |tree, who| Visit { size: size(tree), ..Visit::new(tree, known(who)) };
    acts.into_iter().map(|(begin, _, tree, who)| (begin, visit(tree, who))).collect()
}

/// The plan of a sequence; trees whose later visits cannot be made are taken off the list.
pub(super) fn written(problem: &Problem, sequence: &[Visit]) -> Plan {
    let mut banned: Vec<usize> = Vec::new();
    loop {
        let mut rota = Rota::new(problem, true);
        banned.iter().for_each(|&tree| rota.leave(tree));
        sequence.iter().for_each(|visit| rota.make(*visit));
        rota.end();
        let stuck: Vec<usize> =
            rota.stuck_trees().into_iter().filter(|tree| !banned.contains(tree)).collect();
        if rota.failed == 0 || stuck.is_empty() {
            return rota.plan();
        }
        banned.extend(stuck);
    }
}
