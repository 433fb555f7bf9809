//! Figures as people read them, metric or US customary.
//!
//! What is measured out is shown in the unit that its vessel is marked in, on the mark: a converted
//! figure between two marks could not be measured.

use crate::dose::rate::{Counted, Product};
use crate::grove::{Mark, Units};
use crate::units::{Bore, Centimetres, Circumference, Millilitres};

/// A US customary foot, in m.
const M_PER_FOOT: f64 = 0.3048;
/// A pound-force per square inch, in kPa.
const KPA_PER_PSI: f64 = 6.894_757;
/// A US gallon has so many fluid ounces.
const FL_OZ_PER_GALLON: f64 = 128.0;
/// More decimals of a mark than anybody can read.
const MOST_DECIMALS: usize = 4;

/// How amounts of one vessel are shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The unit, as printed.
    pub unit: &'static str,
    /// The unit in a key.
    pub key: &'static str,
    /// mL or g in one unit.
    per_unit: f64,
    mark: f64,
    decimals: usize,
}

impl Scale {
    /// Of a vessel with this mark.
    pub fn of(mark: Mark) -> Self {
        let (unit, key, per_unit, mark) = match mark {
            Mark::Millilitres(mark) => ("mL", "ml", 1.0, mark),
            Mark::UsFluidOunces(mark) => ("fl oz", "fl_oz", Millilitres::PER_US_FLUID_OUNCE, mark),
            Mark::Grams(mark) => ("g", "g", 1.0, mark),
        };
        let decimals = mark.to_string().split_once('.').map_or(0, |(_, part)| part.len());
        Self { unit, key, per_unit, mark, decimals: decimals.min(MOST_DECIMALS) }
    }

    /// The mark in mL or g.
    pub fn mark(self) -> f64 {
        self.mark * self.per_unit
    }

    /// An amount that stands on a mark.
    pub fn on_mark(self, amount: f64) -> String {
        let marks = (amount / self.mark()).round();
        format!("{:.*}", self.decimals, marks * self.mark)
    }

    /// The same with its unit.
    pub fn measured(self, amount: f64) -> String {
        format!("{} {}", self.on_mark(amount), self.unit)
    }

    /// An amount between two marks, to a tenth of the mark.
    pub fn between(self, amount: f64) -> String {
        let finer = usize::from(self.mark < 10.0);
        let text = format!("{:.*}", self.decimals + finer, amount / self.per_unit);
        if text.trim_matches(['-', '0', '.']).is_empty() { text.replace('-', "") } else { text }
    }

    /// The same with its unit.
    pub fn amount(self, amount: f64) -> String {
        format!("{} {}", self.between(amount), self.unit)
    }

    /// The mark with its unit.
    pub fn mark_words(self) -> String {
        format!("{} {}", self.mark, self.unit)
    }
}

/// Units of a sheet, and the vessels' scales.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figures {
    /// Units of lengths and the like.
    pub units: Units,
    /// The vessel or scale for product.
    pub product: Scale,
    /// The vessel for water.
    pub water: Scale,
    /// The vessel that mix is poured with.
    pub pour: Scale,
}

/// The mark taken for a product where the user typed none (common practice, no source).
pub fn usual_product_mark(of: Counted, units: Units) -> Mark {
    match (of, units) {
        (Counted::Grams, _) => Mark::Grams(1.0),
        (Counted::Millilitres, Units::Metric) => Mark::Millilitres(1.0),
        (Counted::Millilitres, Units::Us) => Mark::UsFluidOunces(0.1),
    }
}

/// The mark taken for water where the user typed none (common practice, no source).
pub fn usual_water_mark(units: Units) -> Mark {
    match units {
        Units::Metric => Mark::Millilitres(10.0),
        Units::Us => Mark::UsFluidOunces(1.0),
    }
}

/// The mark taken for pouring where the user typed none (common practice, no source).
pub fn usual_pour_mark(units: Units) -> Mark {
    match units {
        Units::Metric => Mark::Millilitres(10.0),
        Units::Us => Mark::UsFluidOunces(0.5),
    }
}

/// Figures with the usual marks.
pub fn usual(of: Counted, units: Units) -> Figures {
    Figures {
        units,
        product: Scale::of(usual_product_mark(of, units)),
        water: Scale::of(usual_water_mark(units)),
        pour: Scale::of(usual_pour_mark(units)),
    }
}

impl Figures {
    fn us(&self) -> bool {
        self.units == Units::Us
    }

    /// Unit of dbh, circumference and spacing.
    pub fn small_length_unit(&self) -> &'static str {
        if self.us() { "in" } else { "cm" }
    }

    /// A dbh.
    pub fn dbh(&self, dbh: Centimetres) -> String {
        self.small_length(dbh.value())
    }

    /// A length in cm, to a tenth of the unit.
    pub fn small_length(&self, cm: f64) -> String {
        format!("{:.1}", if self.us() { cm / Circumference::CM_PER_INCH } else { cm })
    }

    /// The same with its unit.
    pub fn small_length_words(&self, cm: f64) -> String {
        format!("{} {}", self.small_length(cm), self.small_length_unit())
    }

    /// A length in m.
    pub fn length(&self, m: f64) -> String {
        if self.us() { format!("{:.1} ft", m / M_PER_FOOT) } else { format!("{m:.1} m") }
    }

    /// A length in m that must not come out short.
    pub fn length_up(&self, m: f64) -> String {
        let (length, unit) = if self.us() { (m / M_PER_FOOT, "ft") } else { (m, "m") };
        format!("{:.1} {unit}", (length * 10.0 - 1e-9).ceil() / 10.0)
    }

    /// A height in m, to the centimetre or tenth of a foot.
    pub fn height(&self, m: f64) -> String {
        if self.us() { self.length(m) } else { format!("{m:.2} m") }
    }

    /// A bore.
    pub fn bore(&self, bore: Bore) -> String {
        let mm = bore.value();
        if self.us() {
            format!("{:.3} in ({mm} mm)", mm / (10.0 * Circumference::CM_PER_INCH))
        } else {
            format!("{mm} mm")
        }
    }

    /// A pressure in kPa.
    pub fn pressure(&self, kpa: f64) -> String {
        if self.us() { format!("{:.2} psi", kpa / KPA_PER_PSI) } else { format!("{kpa:.1} kPa") }
    }

    /// What a vessel holds.
    pub fn capacity(&self, ml: f64) -> String {
        let fl_oz = ml / Millilitres::PER_US_FLUID_OUNCE;
        match self.us() {
            true if fl_oz >= 2.0 * FL_OZ_PER_GALLON => {
                format!("{:.1} gal", fl_oz / FL_OZ_PER_GALLON)
            }
            true => format!("{fl_oz:.1} fl oz"),
            false if ml >= 10_000.0 => format!("{:.1} L", ml / 1000.0),
            false => format!("{ml:.0} mL"),
        }
    }

    /// A flow.
    pub fn flow(&self, ml_per_min: f64) -> String {
        if self.us() {
            format!("{:.2} fl oz/min", ml_per_min / Millilitres::PER_US_FLUID_OUNCE)
        } else {
            format!("{ml_per_min:.1} mL/min")
        }
    }

    /// A flow for each unit of pressure that drives it.
    pub fn conductance(&self, ml_per_min_per_kpa: f64) -> String {
        if self.us() {
            format!("{} for each psi", self.flow(ml_per_min_per_kpa * KPA_PER_PSI))
        } else {
            format!("{} for each kPa", self.flow(ml_per_min_per_kpa))
        }
    }

    /// A temperature.
    pub fn temperature(&self, degc: f64) -> String {
        if self.us() { format!("{:.0} degF", 1.8 * degc + 32.0) } else { format!("{degc} degC") }
    }

    /// Product as it is measured out.
    pub fn product(&self, product: Product) -> String {
        self.product.measured(product.value())
    }

    /// Strength: product in a litre, or in a gallon.
    pub fn strength(&self, per_litre: Product) -> String {
        if !self.us() {
            return format!("{:.1} {} in 1 L of mix", per_litre.value(), per_litre.unit());
        }
        let per_gallon = per_litre.value() * FL_OZ_PER_GALLON * Millilitres::PER_US_FLUID_OUNCE
            / 1000.0
            / self.product.per_unit;
        format!("{per_gallon:.2} {} in 1 gal of mix", self.product.unit)
    }
}

/// A share as signed percent.
pub fn signed_percent(share: f64) -> String {
    let text = format!("{:+.1} %", 100.0 * share);
    if text == "-0.0 %" || text == "+0.0 %" { "0.0 %".into() } else { text }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_is_measured_out_stands_on_its_mark() {
        let quarter = Scale::of(Mark::UsFluidOunces(0.25));
        // 946 mL is 32 fl oz (common practice: a fill of 32 US fl oz).
        assert_eq!(quarter.measured(946.352_946), "32.00 fl oz");
        assert_eq!(Scale::of(Mark::Millilitres(10.0)).measured(450.0), "450 mL");
        assert_eq!(Scale::of(Mark::Millilitres(0.5)).measured(48.5), "48.5 mL");
        assert_eq!(Scale::of(Mark::Grams(0.1)).between(-0.001), "0.00");
    }

    #[test]
    fn lengths_are_never_cut_short() {
        let scale = Scale::of(Mark::Millilitres(1.0));
        let us = Figures { units: Units::Us, product: scale, water: scale, pour: scale };
        assert_eq!(us.length_up(3.1), "10.2 ft");
        assert_eq!(Figures { units: Units::Metric, ..us }.length_up(3.1), "3.1 m");
        assert_eq!(us.pressure(14.68), "2.13 psi");
        assert_eq!(us.capacity(946.35), "32.0 fl oz");
        assert_eq!(us.capacity(18_927.06), "5.0 gal");
    }

    proptest! {
        #[test]
        fn a_shown_amount_reads_back_to_the_same_mark(marks in 0_u32..100_000, digits in 1_u32..1000) {
            // Marks from 0.01 to 9.99 in each unit; what is shown, read back, is the same mark.
            let mark = f64::from(digits) / 100.0;
            for mark in [Mark::Millilitres(mark), Mark::UsFluidOunces(mark), Mark::Grams(mark)] {
                let scale = Scale::of(mark);
                let shown: f64 = scale.on_mark(f64::from(marks) * scale.mark()).parse().unwrap();
                let back = shown * scale.per_unit;
                prop_assert_eq!((back / scale.mark()).round(), f64::from(marks));
                prop_assert!((back / scale.mark() - f64::from(marks)).abs() < 1e-6);
            }
        }
    }
}
