//! Circumferences as people type them: `94.2, 101 cm; 37 in`, `3 ft 1 1/2 in`, `37½"`.
//!
//! Tolerant of how a list is set out, never of what a number could mean twice: a wrong unit would
//! be a dose two and a half times wrong.

use crate::units::{Circumference, OutOfRange};
use serde::Serialize;

/// Most circumferences read from one text.
pub const MOST: usize = 10_000;

/// Longest number that is read, in digits.
const MOST_DIGITS: usize = 12;

/// What is wrong with a list of circumferences. `item` counts from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum TapeFlaw {
    #[error("no circumference was typed; write them as 94.2, 101 cm; 37 in")]
    Nothing,
    #[error("circumference {item}: '{found}' is neither a number nor a unit (cm, mm, m, in, ft)")]
    Unreadable { item: usize, found: String },
    #[error("circumference {item}: the unit {unit} stands without a number before it")]
    UnitAlone { item: usize, unit: &'static str },
    #[error("circumference {item}: '{found}' is no fraction of an inch; write it as 37 1/2 in")]
    Fraction { item: usize, found: String },
    #[error(
        "'{found}' may be one number or two; write {whole}.{part} or put a \
         blank after the comma"
    )]
    Comma { found: String, whole: String, part: String },
    #[error(
        "circumference {item}: {number} has no unit, a number near it is in '{beside}', and numbers \
         without a unit are read in '{tape}'; write the unit after it"
    )]
    WhichUnit { item: usize, number: f64, beside: &'static str, tape: &'static str },
    #[error("circumference {item}, {number} {unit}: {flaw}; measure and type it again")]
    Range { item: usize, number: f64, unit: &'static str, flaw: OutOfRange },
    #[error("more than {MOST} circumferences were typed; read them from a file")]
    TooMany,
}

/// The tape that numbers without a unit were read from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Tape {
    /// Centimetres.
    Centimetres,
    /// Inches.
    Inches,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Unit {
    Millimetre,
    Centimetre,
    Metre,
    Inch,
    Foot,
}

impl Unit {
    fn named(word: &str) -> Option<Self> {
        Some(match word.to_ascii_lowercase().as_str() {
            "mm" | "millimetre" | "millimetres" | "millimeter" | "millimeters" => Self::Millimetre,
            "cm" | "centimetre" | "centimetres" | "centimeter" | "centimeters" => Self::Centimetre,
            "m" | "metre" | "metres" | "meter" | "meters" => Self::Metre,
            "in" | "inch" | "inches" | "\"" | "″" | "”" | "''" => Self::Inch,
            "ft" | "foot" | "feet" | "'" | "′" | "’" => Self::Foot,
            _ => return None,
        })
    }

    fn word(self) -> &'static str {
        match self {
            Self::Millimetre => "mm",
            Self::Centimetre => "cm",
            Self::Metre => "m",
            Self::Inch => "in",
            Self::Foot => "ft",
        }
    }

    fn checked(self, number: f64) -> Result<Circumference, OutOfRange> {
        match self {
            Self::Millimetre => Circumference::new(number / 10.0),
            Self::Centimetre => Circumference::new(number),
            Self::Metre => Circumference::new(number * 100.0),
            Self::Inch => Circumference::from_inches(number),
            Self::Foot => Circumference::from_inches(number * 12.0),
        }
    }
}

impl From<Tape> for Unit {
    fn from(tape: Tape) -> Self {
        match tape {
            Tape::Centimetres => Self::Centimetre,
            Tape::Inches => Self::Inch,
        }
    }
}

/// Circumferences from text, in the order typed.
///
/// Items are parted by commas, semicolons, blanks or new lines; a full stop is the decimal mark.
/// A number may carry `mm`, `cm`, `m`, `in` or `ft`, a fraction of an inch (`37 1/2`, `37½`), or
/// feet with inches (`3 ft 1 in`, `3'1"`). One without a unit is read in `tape`, and refused where
/// the nearest unit typed before or after it is another one. `94,2` is refused: it may be a decimal
/// comma or two trees. `94,101,88` is a list.
///
/// ```
/// use xylocast::dose::tape::{Tape, read};
/// let read = read("94.2, 101 cm; 37 in", Tape::Centimetres).unwrap();
/// let cm: Vec<_> = read.iter().map(|c| (c.value() * 100.0).round() / 100.0).collect();
/// assert_eq!(cm, [94.2, 101.0, 93.98]);
/// ```
///
/// # Errors
/// [`TapeFlaw`] with the item it is about; never a guess.
pub fn read(text: &str, tape: Tape) -> Result<Vec<Circumference>, TapeFlaw> {
    check_commas(text)?;
    let typed = measures(&pieces(text)?)?;
    if typed.is_empty() {
        return Err(TapeFlaw::Nothing);
    }
    let units = with_units(&typed, tape.into())?;
    let checked = typed.iter().zip(units).enumerate().map(|(index, (measure, unit))| {
        unit.checked(measure.number).map_err(|flaw| TapeFlaw::Range {
            item: index + 1,
            number: measure.number,
            unit: unit.word(),
            flaw,
        })
    });
    checked.collect()
}

#[derive(Debug, Clone, PartialEq)]
enum Piece {
    /// A decimal number.
    Number(f64),
    /// Two whole numbers with a slash, or a vulgar fraction: below 1.
    Fraction(f64),
    Unit(Unit),
    /// Anything that ends an item for certain.
    Break,
}

struct Measure {
    number: f64,
    unit: Option<Unit>,
    /// With a fraction and no unit: from a tape in inches.
    in_fractions: bool,
}

/// Cuts text into numbers, fractions, units and breaks.
fn pieces(text: &str) -> Result<Vec<Piece>, TapeFlaw> {
    let mut pieces = Vec::new();
    let mut rest = text;
    let mut item = 1;
    while let Some(letter) = rest.chars().next() {
        if matches!(letter, ',' | ';' | '\n' | '\r') {
            pieces.push(Piece::Break);
            rest = &rest[letter.len_utf8()..];
            continue;
        }
        if letter.is_whitespace() || letter == '\u{feff}' {
            rest = &rest[letter.len_utf8()..];
            continue;
        }
        if letter.is_ascii_digit() || letter == '.' {
            let (piece, length) = number(rest, item)?;
            item += usize::from(matches!(piece, Piece::Number(_)));
            pieces.push(piece);
            rest = &rest[length..];
        } else if let Some(share) = vulgar(letter) {
            pieces.push(Piece::Fraction(share));
            rest = &rest[letter.len_utf8()..];
        } else {
            let (unit, length) = unit(rest, item)?;
            pieces.push(Piece::Unit(unit));
            rest = &rest[length..];
        }
        if pieces.len() > 8 * MOST {
            return Err(TapeFlaw::TooMany);
        }
    }
    Ok(pieces)
}

fn number(text: &str, item: usize) -> Result<(Piece, usize), TapeFlaw> {
    let length = text.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(text.len());
    let unreadable = |end: usize| TapeFlaw::Unreadable { item, found: shown(&text[..end]) };
    let digits = &text[..length];
    if digits.len() > MOST_DIGITS {
        return Err(unreadable(length));
    }
    let Some(below) = text[length..].strip_prefix('/') else {
        let number = digits.parse().map_err(|_| unreadable(length))?;
        return Ok((Piece::Number(number), length));
    };
    let below_length = below.find(|c: char| !c.is_ascii_digit()).unwrap_or(below.len());
    let end = length + 1 + below_length;
    let whole = |digits: &str| digits.parse::<u32>().ok();
    match (whole(digits), whole(&below[..below_length])) {
        (Some(over), Some(under)) if over < under => {
            Ok((Piece::Fraction(f64::from(over) / f64::from(under)), end))
        }
        _ => Err(TapeFlaw::Fraction { item, found: shown(&text[..end]) }),
    }
}

fn unit(text: &str, item: usize) -> Result<(Unit, usize), TapeFlaw> {
    let is_letter = |c: char| c.is_alphabetic();
    let length = match text.find(|c: char| !is_letter(c)) {
        Some(0) if text.starts_with("''") => 2,
        Some(0) => text.chars().next().map_or(0, char::len_utf8),
        Some(length) => length,
        None => text.len(),
    };
    let unreadable = || {
        let word = text.split([',', ';', ' ', '\n']).next().unwrap_or(text);
        TapeFlaw::Unreadable { item, found: shown(word) }
    };
    let unit = Unit::named(&text[..length]).ok_or_else(unreadable)?;
    // "37 in." is how many people write it; the stop is no decimal mark.
    let stop = text[length..].starts_with('.') && !text[length + 1..].starts_with(digit);
    Ok((unit, length + usize::from(stop)))
}

/// Refuses one tight comma with one or two digits behind it, as in `94,2`: half the world's decimal
/// mark. Several in a row, or a full stop on either side, can only be a list: nobody writes decimal
/// commas and list commas alike.
fn check_commas(text: &str) -> Result<(), TapeFlaw> {
    for chain in text.split(|c: char| !digit(c) && c != ',' && c != '.') {
        let chain = chain.trim_matches(',');
        let Some((whole, part)) = chain.split_once(',') else { continue };
        let bare = |digits: &str| digits.chars().all(digit);
        if bare(whole) && bare(part) && part.len() <= 2 {
            let (whole, part) = (shown(whole), part.to_owned());
            return Err(TapeFlaw::Comma { found: shown(chain), whole, part });
        }
    }
    Ok(())
}

/// Puts pieces together into measures.
fn measures(pieces: &[Piece]) -> Result<Vec<Measure>, TapeFlaw> {
    let mut measures: Vec<Measure> = Vec::new();
    let mut rest = pieces;
    while let Some((first, after)) = rest.split_first() {
        let item = measures.len() + 1;
        rest = after;
        let mut number = match first {
            Piece::Break => continue,
            Piece::Unit(unit) => return Err(TapeFlaw::UnitAlone { item, unit: unit.word() }),
            Piece::Fraction(share) => {
                return Err(TapeFlaw::Fraction { item, found: format!("{share}") });
            }
            Piece::Number(number) => *number,
        };
        let share = fraction(number, &mut rest, item)?;
        number += share;
        let mut unit = next_unit(&mut rest);
        if share > 0.0 && !matches!(unit, None | Some(Unit::Inch)) {
            return Err(TapeFlaw::Fraction { item, found: format!("{number}") });
        }
        if let (Some(Unit::Foot), [Piece::Number(inches), after @ ..]) = (unit, rest) {
            let mut after = after;
            let share = fraction(*inches, &mut after, item)?;
            if next_unit(&mut after) == Some(Unit::Inch) {
                (number, unit, rest) = (number * 12.0 + inches + share, Some(Unit::Inch), after);
            }
        }
        if measures.len() == MOST {
            return Err(TapeFlaw::TooMany);
        }
        let in_fractions = share > 0.0 && unit.is_none();
        measures.push(Measure { number, unit, in_fractions });
    }
    Ok(measures)
}

/// The fraction that may follow a whole number, or 0.
fn fraction(whole: f64, rest: &mut &[Piece], item: usize) -> Result<f64, TapeFlaw> {
    let [Piece::Fraction(share), after @ ..] = *rest else { return Ok(0.0) };
    if whole.fract() != 0.0 {
        return Err(TapeFlaw::Fraction { item, found: format!("{whole} {share}") });
    }
    *rest = after;
    Ok(*share)
}

fn next_unit(rest: &mut &[Piece]) -> Option<Unit> {
    let [Piece::Unit(unit), after @ ..] = *rest else { return None };
    *rest = after;
    Some(*unit)
}

/// The unit of each measure; one without is read in the tape's, unless a neighbour differs.
fn with_units(typed: &[Measure], tape: Unit) -> Result<Vec<Unit>, TapeFlaw> {
    let mut after = vec![None; typed.len()];
    for index in (0..typed.len().saturating_sub(1)).rev() {
        after[index] = typed[index + 1].unit.or(after[index + 1]);
    }
    let mut before = None;
    let mut units = Vec::with_capacity(typed.len());
    for (index, measure) in typed.iter().enumerate() {
        let beside = [before, after[index]].into_iter().flatten().find(|&unit| unit != tape);
        // A bare fraction is an inch tape's; under a tape in cm it is not read as cm.
        let beside = beside.or((measure.in_fractions && tape != Unit::Inch).then_some(Unit::Inch));
        if let (None, Some(beside)) = (measure.unit, beside) {
            let (number, beside, tape) = (measure.number, beside.word(), tape.word());
            return Err(TapeFlaw::WhichUnit { item: index + 1, number, beside, tape });
        }
        units.push(measure.unit.unwrap_or(tape));
        before = measure.unit.or(before);
    }
    Ok(units)
}

fn digit(letter: char) -> bool {
    letter.is_ascii_digit()
}

fn vulgar(letter: char) -> Option<f64> {
    Some(match letter {
        '¼' => 0.25,
        '½' => 0.5,
        '¾' => 0.75,
        '⅛' => 0.125,
        '⅜' => 0.375,
        '⅝' => 0.625,
        '⅞' => 0.875,
        _ => return None,
    })
}

/// A piece of the user's text as a message repeats it: short, and without control characters.
fn shown(text: &str) -> String {
    const MOST_SHOWN: usize = 24;
    let mut out: String = text.chars().take(MOST_SHOWN).flat_map(char::escape_debug).collect();
    if text.chars().nth(MOST_SHOWN).is_some() {
        out.push_str("...");
    }
    out
}

#[cfg(test)]
#[path = "tape_tests.rs"]
mod tests;
