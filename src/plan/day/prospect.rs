//! What a day so far may still come to: bounds, and when two days are as good as one.

use super::plan::Score;
use super::rota::{Rota, Stage, TAKEN};

impl Rota<'_> {
    /// Does any bag still need a visit?
    pub(super) fn is_any_hanging(&self) -> bool {
        self.bags.iter().any(|bag| bag.stage == Stage::Hangs)
    }

    /// Does a person before this one stand in the same place with the same day ahead?
    pub(super) fn has_twin_before(&self, who: usize) -> bool {
        let key = |who: usize| {
            let (hand, it) = (&self.hands[who], &self.problem.people[who]);
            (hand.at, hand.free, hand.next_break, it.to, it.may_set, hand.watched.is_empty())
        };
        key(who).5 && (0..who).any(|other| key(other) == key(who))
    }

    /// The bags, and where people are; then all instants and walks, of which less is never worse.
    pub(super) fn state(&self) -> (Vec<u64>, Vec<i32>) {
        let mut bags = Vec::with_capacity(self.bags.len() + self.hands.len());
        let mut times = vec![self.floor, self.hands.iter().map(|hand| hand.walked).sum()];
        for bag in &self.bags {
            let is_hung = matches!(bag.stage, Stage::Hangs | Stage::Stays);
            let hung = if is_hung { bag.kit as u64 * 8 + u64::from(bag.fillings_left) } else { 0 };
            let person = if bag.stage == Stage::Stays { bag.person as u64 } else { 0 };
            bags.push(bag.stage as u64 | hung << 8 | person << 40);
            if bag.stage == Stage::Hangs {
                times.push(bag.ready);
            }
        }
        times.extend(self.kits_free.iter().filter(|free| **free < TAKEN));
        for hand in &self.hands {
            bags.push((hand.at as u64) << 8 | hand.next_break as u64);
            times.extend([hand.free, hand.ended.unwrap_or(i32::MIN)]);
            // Bags are looked at anew only where that binds: a later due look leaves more room.
            for watched in &hand.watched {
                bags.push(watched.tree as u64);
                times.push(-watched.due);
            }
        }
        (bags, times)
    }

    /// No day that goes on from here is better than this. `holds`: least minutes that each tree
    /// holds a kit.
    pub(super) fn bound(&self, holds: &[i32], best: Score) -> Score {
        let (problem, steps) = (self.problem, &self.problem.steps);
        let free = self.hands.iter().map(|hand| hand.free).min().unwrap_or(0).max(self.floor);
        let mut bound = self.score();
        (bound.not_empty, bound.due_left) = (0, 0);
        let mut held: i32 = 0;
        let mut work: i32 = self.hands.iter().map(|hand| hand.free).sum();
        let mut ahead: Vec<[i32; 4]> = Vec::new();
        for (tree, bag) in self.bags.iter().enumerate() {
            let it = &problem.trees[tree];
            let more = i32::try_from(bag.fillings_left).unwrap_or(0) * steps.refill_min;
            match bag.stage {
                Stage::Gone | Stage::Hangs => {
                    let is_wet = it.hung.as_ref().is_some_and(|hung| hung.wet);
                    bound.not_empty += usize::from(is_wet);
                    if bag.stage == Stage::Hangs {
                        let over = bag.ready.max(self.floor) + more + steps.strip_min;
                        work += steps.strip_min + more;
                        held += over - free;
                        bound.end = bound.end.max(over);
                    }
                }
                Stage::Waits => {
                    let start = free + steps.set_min[tree];
                    match problem.surely_empty(tree, start).filter(|at| *at <= problem.done_by) {
                        Some(at) => {
                            let visits = steps.set_min[tree] + steps.leak_check_min;
                            let own = visits + more + steps.strip_min;
                            let walk = self.least_walk(tree);
                            ahead.push([at + steps.strip_min, own + walk, holds[tree], walk]);
                        }
                        None => bound.not_empty += 1,
                    }
                }
                _ => {
                    bound.not_empty += 1;
                    bound.due_left += usize::from(bag.stage == Stage::Left && it.due);
                }
            }
        }
        held += self
            .kits_free
            .iter()
            .filter(|it| **it < TAKEN)
            .map(|it| it.saturating_sub(free).max(0))
            .sum::<i32>();
        let kits = problem.kits.len() as i32;
        let by = problem.done_by + steps.strip_min - free;
        let fit = fitting(&ahead, held, kits * by);
        bound.not_empty += ahead.len() - fit;
        if bound.not_empty < best.not_empty {
            // Trees may still be dropped: then neither end nor walking is bound.
            (bound.end, bound.walking_min) = (0, 0);
            return bound;
        }
        let people = self.hands.len() as i32;
        let least = |which: usize| -> Vec<i32> {
            let mut all: Vec<i32> = ahead.iter().map(|it| it[which]).collect();
            all.sort_unstable();
            all.truncate(fit);
            all
        };
        if let Some(last) = least(0).last() {
            bound.end = bound.end.max(*last);
        }
        work += least(1).iter().sum::<i32>();
        held += least(2).iter().sum::<i32>();
        bound.end =
            bound.end.max((work + people - 1) / people).max(free + (held + kits - 1) / kits);
        bound.walking_min += least(3).iter().sum::<i32>();
        bound
    }

    fn least_walk(&self, tree: usize) -> i32 {
        let others = (0..=self.problem.trees.len()).filter(|&from| from != tree);
        others.map(|from| self.problem.walk(from, tree)).min().unwrap_or(0)
    }
}

/// How many of the trees ahead the kits can still serve at most.
fn fitting(ahead: &[[i32; 4]], held: i32, room: i32) -> usize {
    let mut holds: Vec<i32> = ahead.iter().map(|it| it[2]).collect();
    holds.sort_unstable();
    let mut sum = held;
    holds
        .iter()
        .take_while(|hold| {
            sum += **hold;
            sum <= room
        })
        .count()
}
