//! Figures as people read them: metric, or US customary where the reader asked for it. What is stored
//! stays metric.

use super::site::Place;
use crate::app::verify::Variable;

/// Millilitres in a US fluid ounce.
pub const ML_PER_FL_OZ: f64 = 29.573_529_562_5;
/// Millimetres in an inch.
const MM_PER_INCH: f64 = 25.4;
/// Metres in a foot.
const M_PER_FOOT: f64 = 0.3048;
/// Degrees Fahrenheit in a degree Celsius of difference.
const F_PER_DEGC: f64 = 1.8;
/// Metres per second in a mile per hour.
const M_S_PER_MPH: f64 = 0.447_04;

/// In which units.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Figures {
    customary: bool,
}

impl Figures {
    /// As the reader of a page asked.
    pub const fn of(place: &Place) -> Self {
        Self { customary: place.customary }
    }

    /// Metric or US customary.
    pub const fn new(customary: bool) -> Self {
        Self { customary }
    }

    const fn either(self, metric: &'static str, us: &'static str) -> &'static str {
        if self.customary { us } else { metric }
    }

    /// Unit of what is in a bag.
    pub const fn volume_unit(self) -> &'static str {
        self.either("mL", "fl oz")
    }

    /// mL in that unit.
    pub fn in_volume(self, ml: f64) -> f64 {
        if self.customary { ml / ML_PER_FL_OZ } else { ml }
    }

    /// A volume without its unit.
    pub fn volume_value(self, ml: f64) -> String {
        if self.customary { format!("{:.1}", self.in_volume(ml)) } else { format!("{ml:.0}") }
    }

    /// A volume.
    pub fn volume(self, ml: f64) -> String {
        format!("{} {}", self.volume_value(ml), self.volume_unit())
    }

    /// Unit of dbh and of heights on the trunk.
    pub const fn small_length_unit(self) -> &'static str {
        self.either("cm", "in")
    }

    /// Centimetres in that unit.
    pub fn small_length_value(self, cm: f64) -> String {
        format!("{:.1}", if self.customary { cm * 10.0 / MM_PER_INCH } else { cm })
    }

    /// The same with its unit.
    pub fn small_length(self, cm: f64) -> String {
        format!("{} {}", self.small_length_value(cm), self.small_length_unit())
    }

    /// Unit of rain and reference ET.
    pub const fn depth_unit(self) -> &'static str {
        self.either("mm", "in")
    }

    /// Millimetres in that unit.
    pub fn depth_value(self, mm: f64) -> String {
        let mm = if mm.abs() < 0.005 { 0.0 } else { mm };
        if self.customary { format!("{:.2}", mm / MM_PER_INCH) } else { format!("{mm:.1}") }
    }

    /// The same with its unit.
    pub fn depth(self, mm: f64) -> String {
        format!("{} {}", self.depth_value(mm), self.depth_unit())
    }

    /// Unit of air temperature.
    pub const fn temperature_unit(self) -> &'static str {
        self.either("degC", "F")
    }

    /// Degrees Celsius in that unit.
    pub fn temperature_value(self, celsius: f64) -> String {
        let value = if self.customary { celsius * 1.8 + 32.0 } else { celsius };
        let text = format!("{value:.0}");
        if text == "-0" { "0".into() } else { text }
    }

    /// Unit of wind.
    pub const fn wind_unit(self) -> &'static str {
        self.either("m/s", "mph")
    }

    /// Metres per second in that unit.
    pub fn wind_value(self, m_s: f64) -> String {
        format!("{:.1}", if self.customary { m_s / M_S_PER_MPH } else { m_s })
    }

    /// The score of a variable of the weather in the reader's units: its name, and a difference of it
    /// as a factor of the metric one.
    pub const fn of_variable(self, variable: Variable) -> (&'static str, f64) {
        match (variable, self.customary) {
            (Variable::AirTempC, true) => ("air temperature, F", F_PER_DEGC),
            (Variable::WindMS, true) => ("wind at 6.6 ft, mph", 1.0 / M_S_PER_MPH),
            (variable, _) => (variable.words(), 1.0),
        }
    }

    /// Sentences, each as [`Figures::sentence`].
    pub fn sentences(self, lines: &[String]) -> Vec<String> {
        lines.iter().map(|line| self.sentence(line)).collect()
    }

    /// A sentence whose figures are metric, each before its unit; a difference has `+-` before it.
    pub fn sentence(self, words: &str) -> String {
        if !self.customary {
            return words.to_owned();
        }
        let mut out: Vec<String> = words.split(' ').map(str::to_owned).collect();
        for at in 1..out.len() {
            let end = out[at].trim_end_matches([',', ';', '.', ')', ':']).len();
            let (unit, rest) = out[at].split_at(end);
            let (unit, rest) = (unit.to_owned(), rest.to_owned());
            let Some((us, convert)) = self.customary_of(&unit) else { continue };
            let difference = |value: f64| {
                let value =
                    if unit == "degC" { value * F_PER_DEGC } else { return convert(value) };
                format!("{value:.1}")
            };
            let Some(converted) =
                differs(&out[at - 1], difference).or_else(|| ranged(&out[at - 1], convert))
            else {
                continue;
            };
            // "14 to 24 degC": the first figure has the unit of the second.
            if at >= 3
                && out[at - 2] == "to"
                && let Some(first) = ranged(&out[at - 3], convert)
            {
                out[at - 3] = first;
            }
            out[at - 1] = converted;
            out[at] = format!("{us}{rest}");
        }
        out.join(" ")
    }

    fn customary_of(self, unit: &str) -> Option<Conversion> {
        Some(match unit {
            "degC" => ("F", |value| Self::new(true).temperature_value(value)),
            "mm" => ("in", |value| Self::new(true).depth_value(value)),
            "mL" => ("fl oz", |value| Self::new(true).volume_value(value)),
            "cm" => ("in", |value| Self::new(true).small_length_value(value)),
            "m/s" => ("mph", |value| Self::new(true).wind_value(value)),
            "m" => ("ft", |value| format!("{:.1}", value / M_PER_FOOT)),
            _ => return None,
        })
    }
}

/// A US customary unit, and how a metric figure is shown in it.
type Conversion = (&'static str, fn(f64) -> String);

/// A difference, converted; what opens before it stays.
fn differs(word: &str, convert: impl Fn(f64) -> String) -> Option<String> {
    let (before, figure) = word.split_once("+-")?;
    let value = figure.parse::<f64>().ok().filter(|value| value.is_finite())?;
    Some(format!("{before}+-{}", convert(value)))
}

/// A figure or a range of two, converted; what opens before it stays.
fn ranged(word: &str, convert: fn(f64) -> String) -> Option<String> {
    let opens = word.len() - word.trim_start_matches('(').len();
    let (before, figure) = word.split_at(opens);
    let number = |text: &str| text.parse::<f64>().ok().filter(|value| value.is_finite());
    if let Some(value) = number(figure) {
        return Some(format!("{before}{}", convert(value)));
    }
    let dash = figure.get(1..)?.find('-')? + 1;
    let (low, high) = (number(&figure[..dash])?, number(&figure[dash + 1..])?);
    Some(format!("{before}{}-{}", convert(low), convert(high)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_change_their_units_and_nothing_else() {
        let us = Figures::new(true);
        for (metric, customary) in [
            ("air 14 to 24 degC, warmest", "air 57 to 75 F, warmest"),
            ("rain 8.5 mm between 14:00 and 00:00", "rain 0.33 in between 14:00 and 00:00"),
            (
                "(1 = fair weather: 700 W/m2 and 1.5 kPa)",
                "(1 = fair weather: 700 W/m2 and 1.5 kPa)",
            ),
            ("-5 degC: lines may freeze", "23 F: lines may freeze"),
            ("take 500-1000 mL.", "take 16.9-33.8 fl oz."),
            ("look at m", "look at m"),
            ("errors (+-1.5 degC, +-20 mm) of it", "errors (+-2.7 F, +-0.79 in) of it"),
        ] {
            assert_eq!(us.sentence(metric), customary);
            assert_eq!(Figures::new(false).sentence(metric), metric);
        }
    }
}
