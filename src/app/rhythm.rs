//! Who of the list is hung when, and what each bag then comes to: the day plan's forerunner.

use super::ahead::{Ahead, Foreseen, Thirsts};
use super::desk::Desk;
use super::overnight::{self, Overnight};
use super::times::{Turns, in_minutes};
use super::window::{List, NO_WEATHER, Starts, barred, crew};
use crate::belief::Finish;
use crate::grove::Hang;
use crate::plan::cadence;
use crate::plan::overnight::Call;
use chrono::{DateTime, Utc};

/// One tree of the list with its start, what is believed of it, and the call.
#[derive(Debug, Clone)]
pub struct Hung {
    /// The draw; its `start` is the planned one where there is one.
    pub hang: Hang,
    /// Start and belief; none where nobody starts it. A tree that is not to be hung keeps the start
    /// that it was judged at, and takes no kit and nobody's time.
    pub start: Option<(DateTime<Utc>, Foreseen)>,
    /// What to do with it.
    pub call: Overnight,
}

impl Hung {
    /// Is it hung?
    pub fn is_hung(&self) -> bool {
        self.start.is_some() && self.call.call != Call::DoNotHang
    }
}

/// A day on which a list is hung.
pub struct Rhythm<'a> {
    /// The grove.
    pub desk: &'a Desk,
    /// Its weather.
    pub ahead: &'a Ahead,
    /// Dusk and morning.
    pub turns: &'a Turns,
    /// How thirsty the trees of the list are.
    pub thirsts: &'a Thirsts,
    /// The start window.
    pub starts: &'a Starts,
}

impl Rhythm<'_> {
    /// The list, hung: at the starts that the user typed, else in the list's order at the crew's
    /// rhythm. Trees that had better not be hung are taken out, and the others planned once more.
    pub fn hang(&self, list: &List) -> Vec<Hung> {
        let all: Vec<usize> = (0..list.hangs.len()).collect();
        if list.typed {
            return all.into_iter().map(|tree| self.as_typed(list, tree)).collect();
        }
        let mut hung = self.planned(list, &all);
        let kept: Vec<usize> =
            all.into_iter().filter(|&tree| hung[tree].call.call != Call::DoNotHang).collect();
        if kept.len() < hung.len() {
            for (&tree, again) in kept.iter().zip(self.planned(list, &kept)) {
                hung[tree] = again;
            }
        }
        hung
    }

    fn as_typed(&self, list: &List, tree: usize) -> Hung {
        let hang = &list.hangs[tree];
        self.judged(hang, Some((hang.start, self.foreseen(tree, hang.start))))
    }

    /// Some trees of the list at the crew's rhythm. The first bag runs when the window opens; a kit
    /// is counted on again when its bag is empty with the wished sureness.
    fn planned(&self, list: &List, trees: &[usize]) -> Vec<Hung> {
        let crew = crew(self.desk);
        let ports: Vec<u32> = trees.iter().map(|&tree| list.hangs[tree].ports).collect();
        let opening = self.opening();
        let first_setting = in_minutes(crew.setting_min(ports.first().copied().unwrap_or(1)));
        let from = opening.map_or(self.turns.day_starts, |at| at - first_setting);
        let opens = |at: DateTime<Utc>| self.opens(opening.map_or(at, |opening| at.max(opening)));
        let mut seen: Vec<Option<Foreseen>> = vec![None; trees.len()];
        let held_min = |index: usize, start: DateTime<Utc>| {
            let foreseen = seen[index].insert(self.foreseen(trees[index], start));
            match foreseen.as_ref().ok()?.quantile(self.starts.sure) {
                Finish::At(minutes) => Some(minutes),
                Finish::After(_) => None,
            }
        };
        let from = from.max(self.turns.day_starts);
        let planned =
            cadence::starts(&crew, &ports, from, self.starts.latest_done, opens, held_min);
        trees
            .iter()
            .zip(planned.into_iter().zip(seen))
            .map(|(&tree, (start, seen))| self.judged(&list.hangs[tree], start.zip(seen)))
            .collect()
    }

    fn foreseen(&self, tree: usize, start: DateTime<Utc>) -> Foreseen {
        Ok(self.thirsts.belief(tree, self.ahead.course(start)?))
    }

    /// When the first bag is to run: the window's opening, else the best start.
    fn opening(&self) -> Option<DateTime<Utc>> {
        let window = self.starts.window.map(|window| window.from);
        window.or_else(|| self.starts.best().map(|start| start.at))
    }

    /// The first instant from another one on at which nothing speaks against starting a bag.
    fn opens(&self, at: DateTime<Utc>) -> Option<DateTime<Utc>> {
        if barred(self.desk, self.ahead, self.turns, at).is_empty() {
            return Some(at);
        }
        let later = |start: &&crate::plan::window::Start| start.at > at && start.barred.is_empty();
        self.starts.starts.iter().find(later).map(|start| start.at)
    }

    fn judged(&self, hang: &Hang, start: Option<(DateTime<Utc>, Foreseen)>) -> Hung {
        let call = match &start {
            Some((at, seen)) => {
                overnight::planned(self.desk, self.ahead, self.turns, hang, *at, seen)
            }
            None => self.unstarted(hang),
        };
        let planned = start.as_ref().map_or(hang.start, |(at, _)| *at);
        Hung { hang: Hang { start: planned, ..hang.clone() }, start, call }
    }

    fn unstarted(&self, hang: &Hang) -> Overnight {
        let bars = self.starts.bars();
        let (call, because) = if bars.is_empty() {
            (Call::NotReached, "people or kits do not reach it that day".into())
        } else if bars.contains(&NO_WEATHER) {
            (Call::NotKnown, "no weather for that day".into())
        } else {
            (Call::DoNotHang, format!("no start is allowed: {}", bars.join(", ")))
        };
        Overnight::unstarted(self.desk, hang, call, because)
    }
}
