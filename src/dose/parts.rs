//! What N kits are made of: line, tips, tees, stopcock, and how high to hang.

use super::hydraulics::line_volume;
use crate::units::{Bore, Circumference, Head, LineLength, Millilitres};
use serde::Serialize;

/// What cannot be asked of a kit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum PartsFlaw {
    #[error("{count} {what} are outside {low} to {high}")]
    Count { what: &'static str, count: u32, low: u32, high: u32 },
    #[error("{what} of {value} {unit} is outside {low} to {high} {unit}")]
    Size { what: &'static str, value: f64, unit: &'static str, low: f64, high: f64 },
    #[error("{what} of {share} is outside 0 to 1")]
    Share { what: &'static str, share: f64 },
    #[error("the line of a kit would be {length_m} m long, more than 200 m; check the sizes")]
    TooLong { length_m: f64 },
}

/// How a kit is built. The line falls from the bag to the trunk and runs round it; at each port but
/// the last a tee lets a leg off, and the last leg ends the run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KitDesign {
    /// The thickest trunk that the kit is to go round.
    pub around: Circumference,
    /// Ports, 1 to 40.
    pub ports: u32,
    /// Bore of the line.
    pub bore: Bore,
    /// Head of a full bag above the ports.
    pub head: Head,
    /// Height of the ports above ground, -50 to 300 cm.
    pub port_height_cm: f64,
    /// From the liquid's surface in a full bag up to its hook, 0 to 100 cm.
    pub hook_above_surface_cm: f64,
    /// From the liquid's surface in a full bag down to its outlet, 0 to 200 cm.
    pub bag_depth_cm: f64,
    /// Leg from the run to one tip, 0 to 100 cm.
    pub leg_cm: f64,
    /// Put on top of the line for knots, cuts and trees off round, as a share, 0 to 1.
    pub slack: f64,
}

/// One kit.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = KitParts)]
pub struct Kit {
    /// Fall from the bag's outlet to the ports.
    pub fall_m: f64,
    /// Run round the trunk, from the first port to the last.
    pub run_m: f64,
    /// All legs together.
    pub legs_m: f64,
    /// Line to cut for it, slack included, up to the next 0.1 m.
    pub line_m: LineLength,
    /// The longest way from bag to tip, slack included: the one to check the flow for.
    pub longest_way_m: LineLength,
    /// Tips, one to a port.
    pub tips: u32,
    /// Tees.
    pub tees: u32,
    /// Stopcocks, below the bag.
    pub stopcocks: u32,
    /// Bags.
    pub bags: u32,
    /// Volume of the line: to purge, catch and pour back.
    pub purge_ml: Millilitres,
    /// Height of the hook above ground.
    pub hook_above_ground_m: f64,
}

/// Parts of N kits, with spare small parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Parts {
    /// Kits.
    pub kits: u32,
    /// One of them.
    pub kit: Kit,
    /// Bore of the line.
    pub bore_mm: Bore,
    /// Line for all, m.
    pub line_m: f64,
    /// Tips, with spares.
    pub tips: u32,
    /// Tees, with spares.
    pub tees: u32,
    /// Stopcocks, with spares.
    pub stopcocks: u32,
    /// Bags.
    pub bags: u32,
    /// Hangers.
    pub hangers: u32,
    /// Liquid that purging all of them brings out: to catch and pour back.
    pub purge_ml: Millilitres,
}

impl KitDesign {
    /// What one kit takes.
    ///
    /// `line = (fall + run + legs) (1 + slack)`: the fall is the head less what stands in the bag,
    /// the run is `circumference (ports - 1) / ports`, since the ring stays open.
    ///
    /// # Errors
    /// [`PartsFlaw`] for sizes outside their ranges.
    pub fn kit(&self) -> Result<Kit, PartsFlaw> {
        self.check()?;
        let fall_m = (self.head.value() - self.bag_depth_cm / 100.0).max(0.0);
        let ports = f64::from(self.ports);
        let run_m = self.around.value() / 100.0 * (ports - 1.0) / ports;
        let leg_m = self.leg_cm / 100.0;
        let with_slack = |length_m: f64| length_m * (1.0 + self.slack);
        let legs_m = leg_m * ports;
        let line_m = length(up_to_tenth(with_slack(fall_m + run_m + legs_m)))?;
        Ok(Kit {
            fall_m,
            run_m,
            legs_m,
            line_m,
            longest_way_m: length(with_slack(fall_m + run_m + leg_m))?,
            tips: self.ports,
            tees: self.ports - 1,
            stopcocks: 1,
            bags: 1,
            purge_ml: line_volume(self.bore, line_m),
            hook_above_ground_m: self.head.value()
                + (self.port_height_cm + self.hook_above_surface_cm) / 100.0,
        })
    }

    /// Parts of `kits` such kits; `spare` is the share of tips, tees and stopcocks to take along on
    /// top, 0 to 1, up to whole ones.
    ///
    /// ```
    /// use xylocast::dose::parts::KitDesign;
    /// use xylocast::units::{Bore, Circumference, Head};
    /// let design = KitDesign {
    ///     around: Circumference::new(120.0).unwrap(),
    ///     ports: 8,
    ///     bore: Bore::new(4.0).unwrap(),
    ///     head: Head::new(1.5).unwrap(),
    ///     port_height_cm: 20.0,
    ///     hook_above_surface_cm: 10.0,
    ///     bag_depth_cm: 30.0,
    ///     leg_cm: 10.0,
    ///     slack: 0.0,
    /// };
    /// let parts = design.parts(12, 0.1).unwrap();
    /// // Fall 1.20 m, run 1.05 m, legs 0.80 m: 3.05 m, cut at 3.1 m.
    /// assert_eq!(parts.kit.line_m.value(), 3.1);
    /// assert!((parts.kit.hook_above_ground_m - 1.8).abs() < 1e-12);
    /// assert!((parts.line_m - 37.2).abs() < 1e-9);
    /// // 96 tips and a tenth, 84 tees and a tenth, 12 stopcocks and a tenth.
    /// assert_eq!((parts.tips, parts.tees, parts.stopcocks), (106, 93, 14));
    /// ```
    ///
    /// # Errors
    /// [`PartsFlaw`] for counts and sizes outside their ranges.
    pub fn parts(&self, kits: u32, spare: f64) -> Result<Parts, PartsFlaw> {
        count("kits", kits, 1, 10_000)?;
        share("a share of spare parts", spare)?;
        let kit = self.kit()?;
        let with_spare = |one: u32| {
            let all = kits * one;
            all + (f64::from(all) * spare - 1e-9).ceil().max(0.0) as u32
        };
        Ok(Parts {
            kits,
            kit,
            bore_mm: self.bore,
            line_m: f64::from(kits) * kit.line_m.value(),
            tips: with_spare(kit.tips),
            tees: with_spare(kit.tees),
            stopcocks: with_spare(kit.stopcocks),
            bags: kits * kit.bags,
            hangers: kits,
            purge_ml: Millilitres::computed(f64::from(kits) * kit.purge_ml.value()),
        })
    }

    fn check(&self) -> Result<(), PartsFlaw> {
        count("ports", self.ports, 1, 40)?;
        size("a port height", self.port_height_cm, "cm", -50.0, 300.0)?;
        size("a hook above the surface", self.hook_above_surface_cm, "cm", 0.0, 100.0)?;
        size("a bag's depth", self.bag_depth_cm, "cm", 0.0, 200.0)?;
        size("a leg", self.leg_cm, "cm", 0.0, 100.0)?;
        share("a share of slack", self.slack)
    }
}

fn up_to_tenth(length_m: f64) -> f64 {
    ((length_m * 10.0 - 1e-9).ceil() / 10.0).max(0.1)
}

fn length(length_m: f64) -> Result<LineLength, PartsFlaw> {
    LineLength::new(length_m.max(LineLength::LOW)).map_err(|_| PartsFlaw::TooLong { length_m })
}

fn count(what: &'static str, count: u32, low: u32, high: u32) -> Result<(), PartsFlaw> {
    let allowed = (low..=high).contains(&count);
    if allowed { Ok(()) } else { Err(PartsFlaw::Count { what, count, low, high }) }
}

fn share(what: &'static str, share: f64) -> Result<(), PartsFlaw> {
    if (0.0..=1.0).contains(&share) { Ok(()) } else { Err(PartsFlaw::Share { what, share }) }
}

fn size(
    what: &'static str,
    value: f64,
    unit: &'static str,
    low: f64,
    high: f64,
) -> Result<(), PartsFlaw> {
    let allowed = (low..=high).contains(&value);
    if allowed { Ok(()) } else { Err(PartsFlaw::Size { what, value, unit, low, high }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn design() -> KitDesign {
        KitDesign {
            around: Circumference::new(94.2).unwrap(),
            ports: 1,
            bore: Bore::new(3.0).unwrap(),
            head: Head::new(0.3).unwrap(),
            port_height_cm: 20.0,
            hook_above_surface_cm: 5.0,
            bag_depth_cm: 40.0,
            leg_cm: 10.0,
            slack: 0.1,
        }
    }

    #[test]
    fn one_port_has_no_run_and_no_tee() {
        let kit = design().kit().unwrap();
        assert_eq!((kit.run_m, kit.tees, kit.tips, kit.fall_m), (0.0, 0, 1, 0.0));
        assert_eq!(kit.line_m.value(), 0.2);
    }

    #[test]
    fn nonsense_is_refused() {
        for broken in [
            KitDesign { ports: 0, ..design() },
            KitDesign { leg_cm: f64::NAN, ..design() },
            KitDesign { slack: -0.1, ..design() },
            KitDesign { port_height_cm: 1e9, ..design() },
        ] {
            assert!(broken.kit().is_err(), "{broken:?}");
        }
        assert!(design().parts(0, 0.1).is_err());
        assert!(design().parts(12, f64::NAN).is_err());
    }
}
