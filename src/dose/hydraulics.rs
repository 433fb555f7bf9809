//! What head and line do to the flow: pressure of the head, viscosity, resistance of the line.
//!
//! All of it is for water, standing in for a thin mix. Flow in the line is laminar at the rates of
//! an infusion; a port lets through 0.01 to 3 mL/min/kPa, so that a clear line of 2 mm bore or more
//! is seldom the limit, and a line of 1 mm can be.

use crate::units::{
    Bore, Conductance, Head, Kilopascal, LineLength, Millilitres, MillilitresPerMinute,
    WaterCelsius,
};
use serde::Serialize;
use std::f64::consts::PI;

/// Standard gravity, m/s2.
const GRAVITY: f64 = 9.806_65;

/// Reynolds number above which flow in a tube may stop being laminar.
pub const LAMINAR_TO: f64 = 2000.0;

/// From this share of the head lost in the line it is worth a word (judgement).
const FELT: f64 = 0.1;

/// Density of air-free water at ordinary pressure, kg/m3.
///
/// `rho = 999.974950 (1 - (t - 3.983035)^2 (t + 301.797) / (522528.9 (t + 69.34881)))`.
/// Tanaka et al. (2001), Metrologia 38:301-309; 0 to 40 degC.
///
/// ```
/// use xylocast::dose::hydraulics::water_density_kg_m3;
/// use xylocast::units::WaterCelsius;
/// let density = water_density_kg_m3(WaterCelsius::new(20.0).unwrap());
/// assert!((density - 998.207).abs() < 0.001);
/// ```
pub fn water_density_kg_m3(water: WaterCelsius) -> f64 {
    let t = water.value();
    let from_densest = t - 3.983_035;
    let drop = from_densest * from_densest * (t + 301.797) / (522_528.9 * (t + 69.348_81));
    999.974_950 * (1.0 - drop)
}

/// Viscosity of water, mPa s.
///
/// `mu = 0.02414 x 10^(247.8 / (T - 140))`, T in kelvin, a common engineering fit of tabled values;
/// 0 to 40 degC, within 2.5 % of them (1.753 at 0 degC where tables have 1.79).
///
/// ```
/// use xylocast::dose::hydraulics::water_viscosity_mpa_s;
/// use xylocast::units::WaterCelsius;
/// let viscosity = water_viscosity_mpa_s(WaterCelsius::new(20.0).unwrap());
/// assert!((viscosity - 1.002).abs() < 0.001);
/// ```
pub fn water_viscosity_mpa_s(water: WaterCelsius) -> f64 {
    0.02414 * 10f64.powf(247.8 / (water.value() + 273.15 - 140.0))
}

/// Flow at this temperature against that at 20 degC, all else equal: the inverse of the viscosities.
///
/// ```
/// use xylocast::dose::hydraulics::flow_against_20_degc;
/// use xylocast::units::WaterCelsius;
/// let cold = flow_against_20_degc(WaterCelsius::new(5.0).unwrap());
/// assert!((cold - 0.67).abs() < 0.005);
/// ```
pub fn flow_against_20_degc(water: WaterCelsius) -> f64 {
    water_viscosity_mpa_s(WaterCelsius::computed(20.0)) / water_viscosity_mpa_s(water)
}

/// Pressure of a head: `p = rho g h`.
///
/// ```
/// use xylocast::dose::hydraulics::pressure_of_head;
/// use xylocast::units::{Head, WaterCelsius};
/// let water = WaterCelsius::new(20.0).unwrap();
/// let pressure = pressure_of_head(Head::new(1.5).unwrap(), water);
/// assert!((pressure.value() - 14.68).abs() < 0.005);
/// ```
pub fn pressure_of_head(head: Head, water: WaterCelsius) -> Kilopascal {
    Kilopascal::computed(water_density_kg_m3(water) * GRAVITY * head.value() / 1000.0)
}

/// Head that gives a pressure: `h = p / (rho g)`, the inverse of [`pressure_of_head`].
///
/// ```
/// use xylocast::dose::hydraulics::head_of_pressure;
/// use xylocast::units::{Kilopascal, WaterCelsius};
/// let head = head_of_pressure(Kilopascal::new(9.79).unwrap(), WaterCelsius::new(20.0).unwrap());
/// assert!((head.value() - 1.0).abs() < 0.001);
/// ```
pub fn head_of_pressure(pressure: Kilopascal, water: WaterCelsius) -> Head {
    Head::computed(1000.0 * pressure.value() / (water_density_kg_m3(water) * GRAVITY))
}

/// Laminar conductance of a clear line: `K = pi d^4 / (128 mu L)`.
///
/// Hagen-Poiseuille, for Reynolds numbers up to about [`LAMINAR_TO`]; kinks, tees and half-shut
/// clamps come on top.
///
/// ```
/// use xylocast::dose::hydraulics::line_conductance;
/// use xylocast::units::{Bore, LineLength, WaterCelsius};
/// let (length, water) = (LineLength::new(1.5).unwrap(), WaterCelsius::new(20.0).unwrap());
/// let of_2_mm = line_conductance(Bore::new(2.0).unwrap(), length, water).value();
/// assert!((of_2_mm - 15.7).abs() < 0.05);
/// // Half the bore, a sixteenth of the flow.
/// let of_1_mm = line_conductance(Bore::new(1.0).unwrap(), length, water).value();
/// assert!((of_1_mm - 0.98).abs() < 0.005);
/// ```
pub fn line_conductance(bore: Bore, length: LineLength, water: WaterCelsius) -> Conductance {
    let bore_m = bore.value() / 1000.0;
    let viscosity_pa_s = water_viscosity_mpa_s(water) / 1000.0;
    let m3_per_s_per_pa = PI * bore_m.powi(4) / (128.0 * viscosity_pa_s * length.value());
    // 1 m3/s is 6e7 mL/min, and 1 kPa is 1000 Pa.
    Conductance::computed(m3_per_s_per_pa * 6.0e10)
}

/// Pressure lost along the line at a flow: `dp = Q / K`.
///
/// ```
/// use xylocast::dose::hydraulics::head_loss;
/// use xylocast::units::{Bore, LineLength, MillilitresPerMinute, WaterCelsius};
/// let (bore, length) = (Bore::new(2.0).unwrap(), LineLength::new(1.5).unwrap());
/// let flow = MillilitresPerMinute::new(15.7).unwrap();
/// let lost = head_loss(flow, bore, length, WaterCelsius::new(20.0).unwrap());
/// assert!((lost.value() - 1.0).abs() < 0.005);
/// ```
pub fn head_loss(
    flow: MillilitresPerMinute,
    bore: Bore,
    length: LineLength,
    water: WaterCelsius,
) -> Kilopascal {
    Kilopascal::computed(flow.value() / line_conductance(bore, length, water).value())
}

/// Reynolds number of a flow in the line: `Re = 4 rho Q / (pi d mu)`.
pub fn reynolds(flow: MillilitresPerMinute, bore: Bore, water: WaterCelsius) -> f64 {
    let m3_per_s = flow.value() / 6.0e7;
    let viscosity_pa_s = water_viscosity_mpa_s(water) / 1000.0;
    4.0 * water_density_kg_m3(water) * m3_per_s / (PI * bore.value() / 1000.0 * viscosity_pa_s)
}

/// Volume of the line: what to purge through it, catch, and pour back. `V = pi d^2 L / 4`.
///
/// ```
/// use xylocast::dose::hydraulics::line_volume;
/// use xylocast::units::{Bore, LineLength};
/// let volume = line_volume(Bore::new(4.0).unwrap(), LineLength::new(3.0).unwrap());
/// assert!((volume.value() - 37.7).abs() < 0.05);
/// ```
pub fn line_volume(bore: Bore, length: LineLength) -> Millilitres {
    // mm2 times m is mL.
    Millilitres::computed(PI * bore.value() * bore.value() / 4.0 * length.value())
}

/// What holds the flow back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Limit {
    /// The tree: the line takes less than a tenth of the head.
    Tree,
    /// The line takes a tenth to a half of the head: a wider or shorter one would be faster.
    LineIsFelt,
    /// The line takes more than half of the head: what is timed is the line, not the tree.
    Line,
}

impl Limit {
    /// In words, with what to do about it.
    pub fn words(self) -> &'static str {
        match self {
            Self::Tree => "the tree sets the pace, not the line",
            Self::LineIsFelt => "the line takes part of the head; a wider or shorter one is faster",
            Self::Line => {
                "the line, not the tree, sets the pace: take a wider bore or a shorter line"
            }
        }
    }
}

/// Line and ports together under a head.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct LineCheck {
    /// Pressure of the head.
    pub head_kpa: Kilopascal,
    /// Flow through line and ports.
    pub flow_ml_per_min: MillilitresPerMinute,
    /// Pressure lost along the line at that flow.
    pub lost_kpa: Kilopascal,
    /// That loss as a share of the head.
    pub lost: f64,
    /// Reynolds number in the line.
    pub reynolds: f64,
    /// Is the flow laminar, as the equations take it to be? If not, the line takes even more.
    pub laminar: bool,
    /// What holds the flow back.
    pub limit: Limit,
}

/// Does the line hold the tree back?
///
/// Ports in parallel add, the line comes in series: `Q = p / (1 / K_line + 1 / K_tree)`, and the
/// line takes the share `K_tree / (K_line + K_tree)` of the head. `tree` is the conductance of all
/// its ports together; the pull of the wood itself is left out.
///
/// ```
/// use xylocast::dose::hydraulics::{Limit, check_line};
/// use xylocast::units::{Bore, Conductance, Head, LineLength, WaterCelsius};
/// let (head, length) = (Head::new(1.5).unwrap(), LineLength::new(1.5).unwrap());
/// let (tree, water) = (Conductance::new(1.6).unwrap(), WaterCelsius::new(20.0).unwrap());
/// let with_bore = |mm| check_line(head, Bore::new(mm).unwrap(), length, tree, water).limit;
/// assert_eq!(with_bore(1.0), Limit::Line);
/// assert_eq!(with_bore(2.0), Limit::Tree);
/// ```
pub fn check_line(
    head: Head,
    bore: Bore,
    length: LineLength,
    tree: Conductance,
    water: WaterCelsius,
) -> LineCheck {
    let head_kpa = pressure_of_head(head, water);
    let line = line_conductance(bore, length, water).value();
    let lost = tree.value() / (line + tree.value());
    let lost_kpa = Kilopascal::computed(lost * head_kpa.value());
    let flow = MillilitresPerMinute::computed(line * lost_kpa.value());
    let reynolds = reynolds(flow, bore, water);
    LineCheck {
        head_kpa,
        flow_ml_per_min: flow,
        lost_kpa,
        lost,
        reynolds,
        laminar: reynolds <= LAMINAR_TO,
        limit: match lost {
            lost if lost > 0.5 => Limit::Line,
            lost if lost > FELT => Limit::LineIsFelt,
            _ => Limit::Tree,
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;
    use proptest::prelude::*;

    fn water(degc: f64) -> WaterCelsius {
        WaterCelsius::new(degc).unwrap()
    }

    #[test]
    fn viscosity_and_flow_follow_the_table() {
        // Tabled viscosities (two handbooks), and the ratios derived from the fit.
        for (degc, tabled_mpa_s, flow) in [
            (0.0, 1.79, 0.57),
            (5.0, 1.52, 0.67),
            (10.0, 1.31, 0.77),
            (15.0, 1.14, 0.88),
            (20.0, 1.00, 1.00),
            (25.0, 0.89, 1.13),
            (30.0, 0.80, 1.26),
            (35.0, 0.72, 1.39),
            (40.0, 0.65, 1.54),
        ] {
            assert_abs_diff_eq!(flow_against_20_degc(water(degc)), flow, epsilon = 0.006);
            let off = water_viscosity_mpa_s(water(degc)) / tabled_mpa_s - 1.0;
            assert!(off.abs() < 0.025, "{degc}: {off}");
        }
    }

    #[test]
    fn heads_and_lines_are_those_of_the_handbook() {
        for (head_m, kpa) in [(0.5, 4.89), (1.0, 9.79), (1.5, 14.68), (2.0, 19.58)] {
            let pressure = pressure_of_head(Head::new(head_m).unwrap(), water(20.0));
            assert_abs_diff_eq!(pressure.value(), kpa, epsilon = 0.006);
        }
        let length = LineLength::new(1.5).unwrap();
        for (bore_mm, conductance) in [(1.0, 0.98), (2.0, 15.7), (3.0, 79.0), (4.0, 251.0)] {
            let line = line_conductance(Bore::new(bore_mm).unwrap(), length, water(20.0));
            assert!((line.value() / conductance - 1.0).abs() < 0.006, "{bore_mm}");
        }
    }

    #[test]
    fn a_felt_line_is_told_and_fast_flow_is_not_called_laminar() {
        let check = |bore_mm, tree| {
            let (head, length) = (Head::new(1.5).unwrap(), LineLength::new(1.5).unwrap());
            let (bore, tree) = (Bore::new(bore_mm).unwrap(), Conductance::new(tree).unwrap());
            check_line(head, bore, length, tree, water(20.0))
        };
        assert_eq!(check(2.0, 8.0).limit, Limit::LineIsFelt);
        let gushing = check(4.0, 200.0);
        assert!(!gushing.laminar && gushing.reynolds > LAMINAR_TO);
        assert_eq!(check(2.0, 0.0).flow_ml_per_min.value(), 0.0);
    }

    proptest! {
        #[test]
        fn head_and_pressure_are_inverse(head_m in 0.1..10.0_f64, degc in 0.0..40.0_f64) {
            let there = pressure_of_head(Head::new(head_m).unwrap(), water(degc));
            let back = head_of_pressure(there, water(degc)).value();
            prop_assert!((back - head_m).abs() < 1e-12 * head_m.max(1.0));
        }

        #[test]
        fn losses_along_line_and_tree_sum_to_the_head(
            bore_mm in 0.2..25.0_f64, length_m in 0.01..200.0_f64, tree in 0.001..100.0_f64,
            degc in 0.0..40.0_f64,
        ) {
            let bore = Bore::new(bore_mm).unwrap();
            let length = LineLength::new(length_m).unwrap();
            let check = check_line(
                Head::new(1.5).unwrap(), bore, length, Conductance::new(tree).unwrap(), water(degc),
            );
            let flow = check.flow_ml_per_min.value();
            let at_tree = flow / tree;
            let head = check.head_kpa.value();
            prop_assert!((at_tree + check.lost_kpa.value() - head).abs() < 1e-9 * head);
            let lost = head_loss(check.flow_ml_per_min, bore, length, water(degc)).value();
            prop_assert!((lost - check.lost_kpa.value()).abs() < 1e-9 * head);
        }
    }
}
