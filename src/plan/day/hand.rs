//! One person's day as it grows: acts are added at its end, and looks and breaks fall due by
//! themselves.

use super::plan::{Act, Deed};
use super::problem::{Break, Problem};

/// A bag that a person looks after.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Watched {
    /// Latest next look.
    pub due: i32,
    /// Its tree.
    pub tree: usize,
    /// Does it stay overnight?
    pub stays: bool,
}

/// A person so far.
#[derive(Debug, Clone)]
pub(super) struct Hand {
    person: usize,
    /// Where they are.
    pub at: usize,
    /// From when they are free.
    pub free: i32,
    /// End of the last act that is no break.
    pub ended: Option<i32>,
    /// Minutes walked.
    pub walked: i32,
    /// Which break is next.
    pub next_break: usize,
    /// The bags that they look after; the most urgent first.
    pub watched: Vec<Watched>,
    /// The acts, where they are written down.
    pub acts: Option<Vec<Act>>,
}

/// What a person is to do at a tree.
#[derive(Debug, Clone, Copy)]
pub(super) struct Job {
    /// Where.
    pub tree: usize,
    /// Not before; of a set, when the bag may run at the earliest for want of a kit.
    pub ready: i32,
    /// No act begins before this one: the order of begins is the order of the sequence.
    pub floor: i32,
    /// What: a set, a refill or a strip.
    pub deed: Deed,
    /// Will the bag stay overnight? Looked at for a set only.
    pub stays: bool,
}

/// When it is done.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slot {
    /// Begin of the act.
    pub begin: i32,
    /// The bag runs, or the visit is over.
    pub done: i32,
    /// The person is free again.
    pub end: i32,
}

impl Hand {
    /// A person at the begin of the day.
    pub fn new(problem: &Problem, person: usize, writes: bool) -> Self {
        let it = &problem.people[person];
        let missed = problem.breaks.partition_point(|pause| pause.latest < it.from);
        Self {
            person,
            at: it.at,
            free: it.from,
            ended: None,
            walked: 0,
            next_break: missed,
            watched: Vec::new(),
            acts: writes.then(Vec::new),
        }
    }

    /// Puts a bag under this person's eyes.
    pub fn watch(&mut self, new: Watched) {
        let place = self.watched.partition_point(|bag| bag.due <= new.due);
        self.watched.insert(place, new);
    }

    /// Takes a bag from under them.
    pub fn release(&mut self, tree: usize) {
        self.watched.retain(|bag| bag.tree != tree);
    }

    fn pending<'p>(&self, problem: &'p Problem) -> Option<&'p Break> {
        problem.breaks.get(self.next_break)
    }

    /// Does the job as early as can be, with the looks and breaks that must come before it; none
    /// where it cannot be done.
    pub fn take(&mut self, problem: &Problem, job: &Job) -> Option<Slot> {
        let mut in_a_row = 0;
        loop {
            let slot = self.timed(problem, job);
            if slot.end > problem.people[self.person].to {
                return None;
            }
            if self.pending(problem).is_some_and(|pause| slot.end > pause.latest) {
                self.rest(problem)?;
                continue;
            }
            if self.can_follow(problem, job, &slot) {
                self.commit(problem, job, &slot);
                return Some(slot);
            }
            in_a_row =
                if self.look(problem, Some((job.tree, slot.begin)))? { 0 } else { in_a_row + 1 };
            if in_a_row > self.watched.len() {
                return None;
            }
        }
    }

    fn timed(&self, problem: &Problem, job: &Job) -> Slot {
        let arrive = self.free + problem.walk(self.at, job.tree);
        let steps = &problem.steps;
        if job.deed == Deed::Set {
            let setting = steps.set_min[job.tree];
            let runs = problem.opens((arrive.max(job.floor) + setting).max(job.ready));
            let end = runs + steps.leak_check_min;
            return Slot { begin: runs - setting, done: runs, end };
        }
        let takes = if job.deed == Deed::Refill { steps.refill_min } else { steps.strip_min };
        let begin = arrive.max(job.floor).max(job.ready);
        Slot { begin, done: begin + takes, end: begin + takes }
    }

    /// Are all bags still looked at in time if this comes next?
    fn can_follow(&self, problem: &Problem, job: &Job, slot: &Slot) -> bool {
        let mut bags: Vec<Watched> = Vec::with_capacity(self.watched.len() + 1);
        let mut own = false;
        for bag in &self.watched {
            if bag.tree == job.tree {
                own = true;
                if slot.begin > bag.due {
                    return false;
                }
            } else {
                bags.push(*bag);
            }
        }
        let new = match job.deed {
            Deed::Set => Some(slot.done + problem.second_look_within()),
            Deed::Refill if own => Some(slot.done + problem.look_within()),
            _ => None,
        };
        if let Some(due) = new {
            let place = bags.partition_point(|bag| bag.due <= due);
            bags.insert(place, Watched { due, tree: job.tree, stays: job.stays });
        }
        self.safe(problem, &bags, slot.end, job.tree)
    }

    /// Can all these bags be looked at in time from a place and an instant on, with the break that
    /// comes next, and those that stay once more before the person goes?
    fn safe(&self, problem: &Problem, bags: &[Watched], from: i32, at: usize) -> bool {
        let to = problem.people[self.person].to;
        let stay = bags.iter().filter(|bag| bag.stays);
        if bags.iter().any(|bag| bag.stays) && round(problem, stay, from, at).0 > to {
            return false;
        }
        if in_time(problem, bags, from, at).is_none() {
            return false;
        }
        let Some(pause) = self.pending(problem) else { return true };
        if bags.is_empty() || pause.from - from >= problem.second_look_within() {
            return true;
        }
        (0..=bags.len()).any(|first| {
            let (looked, place) = round(problem, bags[..first].iter(), from, at);
            let again = looked.max(pause.from) + pause.length_min;
            looked <= pause.latest && in_time(problem, &bags[first..], again, place).is_some()
        })
    }

    /// Takes the next break as early as it may be, after the looks that could not wait for its end.
    fn rest(&mut self, problem: &Problem) -> Option<()> {
        let pause = self.pending(problem)?;
        for _ in 0..=2 * self.watched.len() {
            let begin = self.free.max(pause.from);
            if begin > pause.latest {
                return None;
            }
            let end = begin + pause.length_min;
            if end > problem.people[self.person].to {
                return None;
            }
            if in_time(problem, &self.watched, end, self.at).is_some() {
                self.write(Deed::Break, begin, end, self.at);
                (self.free, self.next_break) = (end, self.next_break + 1);
                return Some(());
            }
            self.look(problem, Some((self.at, begin)))?;
        }
        None
    }

    /// Looks at the most urgent bag, on the way to where the person is to be next, as late as
    /// allowed. Tells whether they waited before; none where it would be too late.
    fn look(&mut self, problem: &Problem, toward: Option<(usize, i32)>) -> Option<bool> {
        let bag = *self.watched.first()?;
        let latest = in_time(problem, &self.watched, self.free, self.at)? + self.free;
        let there = problem.walk(self.at, bag.tree);
        let leaves = match toward {
            Some((place, begin)) => {
                begin - there - problem.steps.look_min - problem.walk(bag.tree, place)
            }
            None => latest,
        };
        let leaves = leaves.min(latest).max(self.free);
        let waited = leaves > self.free;
        let begin = leaves + there;
        let end = begin + problem.steps.look_min;
        let late = self.pending(problem).is_some_and(|pause| end > pause.latest);
        if late || end > problem.people[self.person].to {
            return None;
        }
        self.go(problem, bag.tree, begin);
        self.act(Deed::Look, begin, end, bag.tree);
        self.watched.remove(0);
        self.watch(Watched { due: begin + problem.look_within(), ..bag });
        Some(waited)
    }

    /// Makes the looks that fall due before an instant at which somebody else visits a bag of this
    /// person's.
    pub fn idle_until(&mut self, problem: &Problem, until: i32) -> Option<()> {
        while self.watched.first().is_some_and(|bag| bag.due < until) {
            let latest = in_time(problem, &self.watched, self.free, self.at)? + self.free;
            let rests = self.pending(problem).is_some_and(|pause| pause.from <= latest);
            if rests {
                self.rest(problem)?;
            } else {
                self.look(problem, None)?;
            }
        }
        Some(())
    }

    /// The last round, past all bags that stay, so that it ends with the crew's day where it can.
    pub fn last_round(&mut self, problem: &Problem, end: i32) -> Option<()> {
        if !self.watched.iter().any(|bag| bag.stays) {
            return Some(());
        }
        self.idle_until(problem, end)?;
        let length = round(problem, self.watched.iter(), self.free, self.at).0 - self.free;
        if self
            .pending(problem)
            .is_some_and(|pause| (end - length).max(self.free) + length > pause.latest)
        {
            self.rest(problem)?;
        }
        let length = round(problem, self.watched.iter(), self.free, self.at).0 - self.free;
        self.free = self.free.max(end - length);
        in_time(problem, &self.watched, self.free, self.at)?;
        for _ in 0..self.watched.len() {
            let leaves = self.free;
            let bag = self.watched[0];
            self.look(problem, Some((bag.tree, leaves)))?;
        }
        Some(())
    }

    fn commit(&mut self, problem: &Problem, job: &Job, slot: &Slot) {
        self.go(problem, job.tree, slot.begin);
        self.act(job.deed, slot.begin, slot.done, job.tree);
        if job.deed == Deed::Set {
            if slot.end > slot.done {
                self.act(Deed::LeakCheck, slot.done, slot.end, job.tree);
            }
            let due = slot.done + problem.second_look_within();
            self.watch(Watched { due, tree: job.tree, stays: job.stays });
        }
    }

    fn go(&mut self, problem: &Problem, to: usize, arrive: i32) {
        let walk = problem.walk(self.at, to);
        if walk > 0 {
            self.write(Deed::Walk, arrive - walk, arrive, to);
            self.walked += walk;
        }
        self.at = to;
    }

    fn act(&mut self, deed: Deed, from: i32, to: i32, at: usize) {
        self.write(deed, from, to, at);
        self.free = to;
        self.ended = Some(to);
    }

    fn write(&mut self, deed: Deed, from: i32, to: i32, at: usize) {
        if let Some(acts) = &mut self.acts {
            acts.push(Act { deed, from, to, at });
        }
    }
}

/// When a round past some bags ends, and where.
fn round<'b>(
    problem: &Problem,
    bags: impl Iterator<Item = &'b Watched>,
    from: i32,
    at: usize,
) -> (i32, usize) {
    bags.fold((from, at), |(from, at), bag| {
        (from + problem.walk(at, bag.tree) + problem.steps.look_min, bag.tree)
    })
}

/// How much later than `from` a round past all these bags could begin with no look too late; none
/// where one is.
fn in_time(problem: &Problem, bags: &[Watched], from: i32, at: usize) -> Option<i32> {
    let (mut now, mut place, mut spare) = (from, at, i32::MAX / 4);
    for bag in bags {
        now += problem.walk(place, bag.tree);
        spare = spare.min(bag.due - now);
        if spare < 0 {
            return None;
        }
        now += problem.steps.look_min;
        place = bag.tree;
    }
    Some(spare)
}
