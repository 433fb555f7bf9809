//! All draws as entries tell them, and the entries themselves.

use super::entry::{Act, Entry};
use super::told::{Event, Strip, Told, What};
use crate::grove::{Draw, Tree};
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;

/// Draws and entries as known so far.
///
/// A store need not bring all of a grove: trees, the draws that hang, the draw in question and the
/// entries about these are enough to admit one more entry.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct State {
    pub(super) trees: BTreeMap<String, usize>,
    pub(super) draws: BTreeMap<String, Told>,
    pub(super) entries: BTreeMap<String, Entry>,
    /// Keys of entries that were undone, with those of the undos.
    pub(super) undone: BTreeMap<String, String>,
}

impl State {
    /// Draws as a grove has them, from wherever; no entry is known yet.
    pub fn of<'g>(trees: &'g [Tree], draws: impl IntoIterator<Item = &'g Draw>) -> Self {
        let roll = trees.iter().enumerate().map(|(at, tree)| (tree.id.clone(), at)).collect();
        let told = |draw: &Draw| (draw.id.clone(), Told::of(draw, &trees[draw.tree].id));
        Self { trees: roll, draws: draws.into_iter().map(told).collect(), ..Self::default() }
    }

    /// What entries make of a grove of these trees with these draws, none of which comes from the
    /// entries: the same in whatever order they came, and however often.
    pub fn fold<'g>(
        trees: &'g [Tree],
        draws: impl IntoIterator<Item = &'g Draw>,
        entries: impl IntoIterator<Item = Entry>,
    ) -> Self {
        let mut state = Self::of(trees, draws);
        let entries = state.keep(entries);
        let starts = entries.iter().filter(|entry| matches!(entry.act, Act::Start(_)));
        let others = entries.iter().filter(|entry| !matches!(entry.act, Act::Start(_)));
        starts.chain(others).for_each(|entry| state.take_effect(entry));
        state
    }

    /// Makes entries known whose effects the draws of this state hold already.
    pub fn recall(&mut self, entries: impl IntoIterator<Item = Entry>) {
        for entry in self.keep(entries) {
            self.attach(&entry);
        }
    }

    /// Puts in an entry that was admitted.
    pub fn put(&mut self, entry: Entry) {
        if self.entries.contains_key(&entry.key) {
            return;
        }
        self.take_effect(&entry);
        if let Act::Undo { of } = &entry.act {
            self.undone.insert(of.clone(), entry.key.clone());
        }
        self.entries.insert(entry.key.clone(), entry);
    }

    /// Keeps entries, and gives those back that count: each once, none undone, no undo.
    fn keep(&mut self, entries: impl IntoIterator<Item = Entry>) -> Vec<Entry> {
        let mut sent: Vec<Entry> = entries.into_iter().collect();
        sent.sort_by(|a, b| (a.noted, a.at, &a.key).cmp(&(b.noted, b.at, &b.key)));
        let mut fresh = Vec::new();
        for entry in sent {
            if self.entries.contains_key(&entry.key) {
                continue;
            }
            if let Act::Undo { of } = &entry.act {
                self.undone.entry(of.clone()).or_insert_with(|| entry.key.clone());
            } else {
                fresh.push(entry.clone());
            }
            self.entries.insert(entry.key.clone(), entry);
        }
        fresh.retain(|entry| !self.undone.contains_key(&entry.key));
        fresh
    }

    fn take_effect(&mut self, entry: &Entry) {
        match &entry.act {
            Act::Start(start) => {
                let tree = self.trees.get(&start.tree_id).copied();
                if let (Some(tree), false) = (tree, self.draws.contains_key(&start.draw_id)) {
                    let told = Told::started_by(entry, start, tree);
                    self.draws.insert(start.draw_id.clone(), told);
                }
            }
            Act::Undo { of } => self.take_out(of),
            act => {
                let told = act.draw_id().and_then(|draw_id| self.draws.get_mut(draw_id));
                if let Some(told) = told {
                    told.hear(entry);
                }
            }
        }
    }

    fn take_out(&mut self, key: &str) {
        let Some(entry) = self.entries.get(key) else { return };
        let Some(draw_id) = entry.act.draw_id() else { return };
        if matches!(entry.act, Act::Start(_)) {
            self.draws.remove(draw_id);
        } else if let Some(told) = self.draws.get_mut(draw_id) {
            told.forget(key);
        }
    }

    /// Finds what an entry did in its draw, and marks it as the entry's own.
    fn attach(&mut self, entry: &Entry) {
        let told = entry.act.draw_id().and_then(|draw_id| self.draws.get_mut(draw_id));
        let Some(told) = told else { return };
        match &entry.act {
            Act::Start(start) => {
                told.start.second_bag = start.second_bag;
                if told.start == *start && told.started == entry.at {
                    told.key = Some(entry.key.clone());
                }
            }
            Act::Strip { left, .. } => {
                let same = |strip: &&mut Strip| strip.at == entry.at && strip.left == *left;
                if let Some(strip) = told.strip.as_mut().filter(same) {
                    strip.key = Some(entry.key.clone());
                }
            }
            act => {
                let Some(what) = What::of(act) else { return };
                let same = |event: &&mut Event| {
                    event.key.is_none() && event.at == entry.at && event.what == what
                };
                let own = (Some(entry.key.clone()), Some(entry.noted));
                if let Some(event) = told.events.iter_mut().find(same) {
                    (event.key, event.noted) = own;
                } else if let Some(twin) = told.twin(entry.at, &what) {
                    // Of looks that say the same, a grove keeps one.
                    let (key, noted) = own;
                    told.events.push(Event { key, noted, ..twin });
                }
                told.sort();
            }
        }
    }

    /// A draw.
    pub fn draw(&self, draw_id: &str) -> Option<&Told> {
        self.draws.get(draw_id)
    }

    /// All draws, in order of their ids.
    pub fn draws(&self) -> impl Iterator<Item = &Told> {
        self.draws.values()
    }

    /// An entry.
    pub fn entry(&self, key: &str) -> Option<&Entry> {
        self.entries.get(key)
    }

    /// All entries, in the order of noting.
    pub fn entries(&self) -> Vec<&Entry> {
        let mut entries: Vec<&Entry> = self.entries.values().collect();
        entries.sort_by(|a, b| (a.noted, &a.key).cmp(&(b.noted, &b.key)));
        entries
    }

    /// Key of the undo that took an entry out; none where it counts.
    pub fn undone_by(&self, key: &str) -> Option<&str> {
        self.undone.get(key).map(String::as_str)
    }

    /// Kits that are on a tree, each with the draw that it hangs at.
    pub fn kits_in_use(&self) -> BTreeMap<&str, &Told> {
        let hanging = self.draws.values().filter(|told| told.hangs());
        hanging.filter_map(|told| Some((told.start.kit.as_deref()?, told))).collect()
    }
}

impl Told {
    /// Takes in what an entry of this draw tells.
    pub(super) fn hear(&mut self, entry: &Entry) {
        if let Act::Strip { left, .. } = &entry.act {
            let strip = Strip { at: entry.at, left: *left, key: Some(entry.key.clone()) };
            // Two strips are never admitted; of two that are folded, the first one holds.
            let first = |old: &Strip| (old.at, &old.key) <= (strip.at, &strip.key);
            if !self.strip.as_ref().is_some_and(first) {
                self.strip = Some(strip);
            }
        } else if let Some(what) = What::of(&entry.act) {
            self.events.push(Event {
                at: entry.at,
                noted: Some(entry.noted),
                key: Some(entry.key.clone()),
                what,
                by: entry.by.clone(),
                note: entry.note.clone(),
            });
            self.sort();
        }
    }

    /// Leaves out what an entry told; is there anything of it?
    pub(super) fn forget(&mut self, key: &str) -> bool {
        let before = self.events.len();
        self.events.retain(|event| event.key.as_deref() != Some(key));
        let stripped = self.strip.take_if(|strip| strip.key.as_deref() == Some(key)).is_some();
        stripped || self.events.len() < before
    }
}

impl Told {
    fn twin(&self, at: DateTime<Utc>, what: &What) -> Option<Event> {
        let same = |event: &&Event| event.at == at && event.what == *what;
        self.events.iter().find(same).filter(|_| matches!(what, What::Seen(_))).cloned()
    }
}

impl What {
    /// What an entry tells between start and strip; none of start, strip and undo.
    pub fn of(act: &Act) -> Option<Self> {
        match act {
            Act::Seen { seen, .. } => Some(Self::Seen(*seen)),
            Act::Pause { why, .. } => Some(Self::Pause(why.clone())),
            Act::Resume { .. } => Some(Self::Resume),
            Act::Start(_) | Act::Strip { .. } | Act::Undo { .. } => None,
        }
    }
}
