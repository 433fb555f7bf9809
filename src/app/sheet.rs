//! A sheet to read from, print and take along: one description that the terminal, the pages and
//! JSON show alike. Every cell is ready to be read; nobody further down rounds or converts.

use crate::dose::cautions::{self, Act, Caution, PREVAIL};
use serde::Serialize;

/// What stands at the foot of every sheet.
pub const FOOTER: &str =
    "Planning aid. The product label, local rules and licensed practice prevail.";

/// One sheet.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Sheet {
    /// What it is.
    pub title: String,
    /// Grove, day and the like: a name and its value each.
    pub facts: Vec<Fact>,
    /// What has to be read before anything is done, as trees that are refused.
    pub first: Vec<String>,
    /// Cautions of the acts that the sheet is for.
    pub cautions: Vec<CautionLine>,
    /// The body.
    pub parts: Vec<Part>,
}

/// A name and its value.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Fact {
    /// The name.
    pub name: String,
    /// The value.
    pub value: String,
    /// Is it a figure to be acted on, set in large type?
    pub large: bool,
}

/// A caution as a sheet shows it; local rules and the label prevail over each.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct CautionLine {
    /// Is people's safety at stake?
    pub people: bool,
    /// Its words, in full.
    #[serde(rename = "in_full")]
    pub words: String,
}

/// A piece of a sheet's body.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Rows under a header.
    Table(Table),
    /// Figures to act on.
    Facts {
        /// What they are.
        title: String,
        /// The figures.
        facts: Vec<Fact>,
    },
    /// Steps to tick off, in order.
    Steps {
        /// What they do together.
        title: String,
        /// The steps.
        steps: Vec<Step>,
    },
    /// Remarks.
    Notes {
        /// What they are about.
        title: String,
        /// The remarks.
        lines: Vec<String>,
    },
}

/// A step, with the cautions that begin to matter there.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[schema(as = SheetStep)]
pub struct Step {
    /// What to do.
    pub words: String,
    /// What to mind.
    pub cautions: Vec<CautionLine>,
}

/// Rows under a header.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Table {
    /// What it shows.
    pub title: String,
    /// The columns; a line end parts the unit from the name.
    pub columns: Vec<Column>,
    /// The rows, a cell to each column.
    pub rows: Vec<Vec<String>>,
    /// A row of totals.
    pub total: Option<Vec<String>>,
}

/// A column's head.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct Column {
    /// Its name.
    pub name: String,
    /// Does it hold numbers, set to the right?
    pub number: bool,
    /// Is it what people act on, set in bold?
    pub act_on: bool,
}

impl Sheet {
    /// Does it say the same as another, but for its title?
    pub fn is_like(&self, other: &Self) -> bool {
        self.facts == other.facts && self.first == other.first && self.parts == other.parts
    }

    /// The tables of its body.
    pub fn tables(&self) -> impl Iterator<Item = &Table> {
        self.parts.iter().filter_map(|part| match part {
            Part::Table(table) => Some(table),
            _ => None,
        })
    }
}

impl Fact {
    /// A fact in ordinary type.
    pub fn new(name: &str, value: impl Into<String>) -> Self {
        Self { name: name.to_owned(), value: value.into(), large: false }
    }

    /// A figure to act on.
    pub fn large(name: &str, value: impl Into<String>) -> Self {
        Self { large: true, ..Self::new(name, value) }
    }
}

impl Column {
    /// A column of words.
    pub fn words(name: &str) -> Self {
        Self { name: name.to_owned(), number: false, act_on: false }
    }

    /// A column of numbers.
    pub fn number(name: impl Into<String>) -> Self {
        Self { name: name.into(), number: true, act_on: false }
    }

    /// A column of numbers to act on.
    pub fn act_on(name: impl Into<String>) -> Self {
        Self { act_on: true, ..Self::number(name) }
    }
}

impl CautionLine {
    /// The words without what prevails over them, for a list that says so at its head.
    pub fn short(&self) -> &str {
        self.words.strip_suffix(PREVAIL).map_or(self.words.as_str(), str::trim_end)
    }
}

impl From<&Caution> for CautionLine {
    fn from(caution: &Caution) -> Self {
        Self { people: caution.people, words: caution.in_full() }
    }
}

/// What stands at the head of a list of cautions.
pub const OVER_CAUTIONS: &str = "Cautions - local rules and the label prevail over each";

/// Cautions of an act.
pub fn cautions_at(act: Act) -> Vec<CautionLine> {
    cautions::at(act).map(CautionLine::from).collect()
}
