//! The exact optimum of a small day without looks, by exhaustive search: every sequence of visits in
//! the order in which they begin, each by every person and with every size of kit, each as early as
//! the rules allow. Branches that cannot beat the best known are cut; nothing else is. Own code, on
//! the rules as `plan::day` states them.

use xylocast::plan::day::{Problem, Score};

#[derive(Debug, Clone, Copy, PartialEq)]
enum Bag {
    Waits,
    Hangs { kit: usize, ready: i32, refills: u32 },
    Stays,
    Done,
}

#[derive(Debug, Clone)]
struct Person {
    at: usize,
    free: i32,
    walked: i32,
    ended: i32,
    rested: usize,
    stays: Vec<usize>,
}

#[derive(Debug, Clone)]
struct Day {
    people: Vec<Person>,
    kits: Vec<i32>,
    bags: Vec<Bag>,
    floor: i32,
}

/// A search for anything better than a score.
pub struct Search<'p> {
    problem: &'p Problem,
    /// The best score so far.
    pub best: Score,
    /// Days looked at.
    pub nodes: u64,
    most: u64,
}

impl<'p> Search<'p> {
    /// Searches; none where `most` days were not enough to prove anything.
    pub fn run(problem: &'p Problem, known: Score, most: u64) -> Option<Score> {
        let people = problem
            .people
            .iter()
            .map(|it| Person {
                at: it.at,
                free: it.from,
                walked: 0,
                ended: 0,
                rested: 0,
                stays: Vec::new(),
            })
            .collect();
        let day = Day {
            people,
            kits: vec![i32::MIN; problem.kits.len()],
            bags: vec![Bag::Waits; problem.trees.len()],
            floor: 0,
        };
        let mut search = Self { problem, best: known, nodes: 0, most };
        search.branch(&day);
        (search.nodes < most).then_some(search.best)
    }

    fn branch(&mut self, day: &Day) {
        self.nodes += 1;
        if self.nodes >= self.most || self.bound(day) >= self.best {
            return;
        }
        self.leaf(day);
        let mut next: Vec<(i32, Day)> = Vec::new();
        for tree in 0..day.bags.len() {
            for person in 0..day.people.len() {
                match day.bags[tree] {
                    Bag::Waits => self.sets(day, tree, person, &mut next),
                    Bag::Hangs { kit, ready, refills } => {
                        next.extend(self.visit(day, tree, person, (kit, ready, refills)));
                    }
                    Bag::Stays | Bag::Done => {}
                }
            }
        }
        next.sort_by_key(|(begin, _)| *begin);
        for (_, day) in next {
            self.branch(&day);
        }
    }

    fn walk(&self, from: usize, to: usize) -> i32 {
        self.problem.walks_min[from * (self.problem.trees.len() + 1) + to]
    }

    fn sure(&self, tree: usize, start: i32) -> Option<i32> {
        let knots = &self.problem.trees[tree].drawdown;
        let above = knots.iter().position(|knot| knot.start >= start)?;
        if knots[above].start == start {
            return knots[above].sure;
        }
        let (low, high) = (&knots[above.checked_sub(1)?], &knots[above]);
        let (from, to) = (low.sure?, high.sure?);
        let part = (to - from) * (start - low.start);
        let whole = high.start - low.start;
        Some(from + part / whole + i32::from(part % whole > 0))
    }

    fn all_empty(&self, tree: usize, start: i32) -> Option<i32> {
        let mut at = self.sure(tree, start)?;
        for _ in 1..self.problem.trees[tree].fillings {
            at = self.sure(tree, at + self.problem.steps.refill_min)?;
        }
        Some(at)
    }

    /// With the break that must come before an act that ends then.
    fn after_break(&self, person: &Person, end: i32) -> Option<Option<Person>> {
        let Some(pause) = self.problem.breaks.get(person.rested) else { return Some(None) };
        if end <= pause.latest {
            return Some(None);
        }
        let begin = person.free.max(pause.from);
        let mut after = person.clone();
        after.free = begin + pause.length_min;
        after.rested += 1;
        (begin <= pause.latest).then_some(Some(after))
    }

    fn sets(&self, day: &Day, tree: usize, who: usize, next: &mut Vec<(i32, Day)>) {
        let (problem, person) = (self.problem, &day.people[who]);
        if !problem.people[who].may_set {
            return;
        }
        let mut sizes: Vec<u32> = problem.kits.iter().map(|kit| kit.ports).collect();
        sizes.sort_unstable();
        sizes.dedup();
        for size in sizes.into_iter().filter(|size| *size >= problem.trees[tree].ports) {
            let of_size = (0..day.kits.len()).filter(|&kit| problem.kits[kit].ports == size);
            let Some(kit) = of_size.min_by_key(|&kit| day.kits[kit]) else { continue };
            if day.kits[kit] == i32::MAX {
                continue;
            }
            let timed = |person: &Person| {
                let arrive = person.free + self.walk(person.at, tree);
                let set = problem.steps.set_min[tree];
                let mut runs = (arrive.max(day.floor) + set).max(day.kits[kit]);
                for shut in &problem.closed {
                    if shut.from <= runs && runs < shut.to {
                        runs = shut.to;
                    }
                }
                (runs - set, runs, runs + problem.steps.leak_check_min)
            };
            let mut person = person.clone();
            match self.after_break(&person, timed(&person).2) {
                Some(Some(rested)) => person = rested,
                Some(None) => {}
                None => continue,
            }
            let (begin, runs, end) = timed(&person);
            if end > problem.people[who].to {
                continue;
            }
            let it = &problem.trees[tree];
            let in_time = self.all_empty(tree, runs).is_some_and(|at| at <= problem.done_by);
            let may_stay =
                it.due && it.fillings == 1 && it.overnight_until.is_some_and(|until| runs <= until);
            let bag = match (in_time, may_stay) {
                (true, _) => {
                    let Some(ready) = self.sure(tree, runs) else { continue };
                    Bag::Hangs { kit, ready, refills: it.fillings - 1 }
                }
                (false, true) => Bag::Stays,
                (false, false) => continue,
            };
            person.walked += self.walk(person.at, tree);
            (person.at, person.free, person.ended) = (tree, end, end);
            if bag == Bag::Stays {
                person.stays.push(tree);
            }
            let mut after = day.clone();
            after.people[who] = person;
            after.kits[kit] = i32::MAX;
            after.bags[tree] = bag;
            after.floor = begin;
            next.push((begin, after));
        }
    }

    fn visit(
        &self,
        day: &Day,
        tree: usize,
        who: usize,
        (kit, ready, refills): (usize, i32, u32),
    ) -> Option<(i32, Day)> {
        let (problem, steps) = (self.problem, &self.problem.steps);
        let takes = if refills > 0 { steps.refill_min } else { steps.strip_min };
        let mut person = day.people[who].clone();
        let begins =
            |person: &Person| (person.free + self.walk(person.at, tree)).max(day.floor).max(ready);
        if let Some(rested) = self.after_break(&person, begins(&person) + takes)? {
            person = rested;
        }
        let begin = begins(&person);
        let end = begin + takes;
        if end > problem.people[who].to || (refills == 0 && ready > problem.done_by) {
            return None;
        }
        person.walked += self.walk(person.at, tree);
        (person.at, person.free, person.ended) = (tree, end, end);
        let mut after = day.clone();
        after.people[who] = person;
        after.floor = begin;
        after.bags[tree] = match refills {
            0 => Bag::Done,
            _ => Bag::Hangs { kit, ready: self.sure(tree, end)?, refills: refills - 1 },
        };
        if refills == 0 {
            after.kits[kit] = end;
        }
        Some((begin, after))
    }

    fn leaf(&mut self, day: &Day) {
        if day.bags.iter().any(|bag| matches!(bag, Bag::Hangs { .. })) {
            return;
        }
        let goes = day.people.iter().map(|person| person.ended).max().unwrap_or(0);
        let mut people = day.people.clone();
        for (who, person) in people.iter_mut().enumerate() {
            let length = |person: &Person| {
                let (mut at, mut minutes, mut walks) = (person.at, 0, 0);
                for &tree in &person.stays {
                    walks += self.walk(at, tree);
                    minutes += self.walk(at, tree) + self.problem.steps.look_min;
                    at = tree;
                }
                (minutes, walks)
            };
            if person.stays.is_empty() {
                continue;
            }
            let (minutes, walks) = length(person);
            match self.after_break(person, person.free.max(goes - minutes) + minutes) {
                Some(Some(rested)) => *person = rested,
                Some(None) => {}
                None => return,
            }
            let end = person.free.max(goes - minutes) + minutes;
            if end > self.problem.people[who].to {
                return;
            }
            person.walked += walks;
            person.ended = end;
        }
        let count = |wanted: Bag| day.bags.iter().filter(|bag| **bag == wanted).count();
        let left = |tree: usize| day.bags[tree] == Bag::Waits && self.problem.trees[tree].due;
        let score = Score {
            not_empty: day.bags.len() - count(Bag::Done),
            due_left: (0..day.bags.len()).filter(|&tree| left(tree)).count(),
            overnight: count(Bag::Stays),
            end: people.iter().map(|person| person.ended).max().unwrap_or(0),
            walking_min: people.iter().map(|person| person.walked).sum(),
        };
        self.best = self.best.min(score);
    }

    /// No day that goes on from here is better than this.
    fn bound(&self, day: &Day) -> Score {
        let (problem, steps) = (self.problem, &self.problem.steps);
        let free = day.people.iter().map(|person| person.free).min().unwrap_or(0);
        let mut bound = Score {
            not_empty: 0,
            due_left: 0,
            overnight: 0,
            end: day.people.iter().map(|person| person.ended).max().unwrap_or(0),
            walking_min: day.people.iter().map(|person| person.walked).sum(),
        };
        let mut work: i32 = day.people.iter().map(|person| person.free).sum();
        for (tree, bag) in day.bags.iter().enumerate() {
            match *bag {
                Bag::Done => {}
                Bag::Stays => {
                    bound.not_empty += 1;
                    bound.overnight += 1;
                }
                Bag::Hangs { ready, refills, .. } => {
                    work += steps.strip_min + refills as i32 * steps.refill_min;
                    let end = ready.max(day.floor) + steps.strip_min;
                    bound.end = bound.end.max(end + refills as i32 * steps.refill_min);
                }
                Bag::Waits => {
                    let start = free.max(day.floor) + steps.set_min[tree];
                    match self.all_empty(tree, start).filter(|at| *at <= problem.done_by) {
                        // Only a day that has it empty can be as good in the levels above.
                        Some(at) => {
                            bound.end = bound.end.max(at + steps.strip_min);
                            work += steps.set_min[tree] + steps.leak_check_min + steps.strip_min;
                            let places = (0..=problem.trees.len()).filter(|&from| from != tree);
                            bound.walking_min +=
                                places.map(|from| self.walk(from, tree)).min().unwrap_or(0);
                        }
                        None => bound.not_empty += 1,
                    }
                }
            }
        }
        let people = day.people.len() as i32;
        bound.end = bound.end.max((work + people - 1) / people);
        let counts = |score: &Score| (score.not_empty, score.due_left, score.overnight);
        if counts(&bound) < counts(&self.best) {
            // Trees may still be dropped: then neither end nor walking is bound.
            (bound.end, bound.walking_min) = (0, 0);
        }
        bound
    }
}
