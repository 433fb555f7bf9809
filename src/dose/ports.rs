//! How many ports, and where: at flares or evenly around the trunk, away from old holes.
//!
//! Counts are common practice; where the label gives a number or a spacing, the label prevails.

use crate::units::Circumference;
use serde::Serialize;

/// Fewest ports that common practice puts in a tree.
pub const FEWEST: u32 = 6;

/// Most ports that common practice puts in a tree.
pub const MOST: u32 = 12;

/// Usual distance between ports along the circumference, cm (6 in: UC Berkeley forest pathology
/// extension; Reil 1979, California Agriculture 33(6), for trunks over 40 cm).
pub const USUAL_SPACING_CM: f64 = 15.0;

/// Closer than this, ports crowd a thin trunk: fewer may do (judgement).
pub const CLOSE_SPACING_CM: f64 = 10.0;

/// A new hole above or below an old one stays this far from it, cm. Wood above and below a hole is
/// stained and dead to flow (university research on maple tapholes: about 30 cm, 12 in).
pub const CLEAR_ALONG_CM: f64 = 30.0;

/// A new hole beside an old one stays this far from it, cm (2 in: UC Berkeley extension; 2 to 3 in
/// on citrus: UF/IFAS).
pub const CLEAR_SIDEWAYS_CM: f64 = 5.0;

/// What cannot be asked of ports.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum PortsFlaw {
    #[error("{ports} ports are outside 1 to 40")]
    Ports { ports: u32 },
    #[error("a spacing of {spacing_cm} cm is outside 5 to 100 cm")]
    Spacing { spacing_cm: f64 },
    #[error("a hole at {height_cm} cm above ground is outside -50 to 300 cm")]
    Height { height_cm: f64 },
    #[error("an azimuth of {azimuth_deg} deg is outside 0 to 360 deg")]
    Azimuth { azimuth_deg: f64 },
}

/// What a port count rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Because {
    /// One port to each root flare.
    OnePerFlare,
    /// Fewer than six flares: by spacing, the wide flares with two ports.
    FewFlares,
    /// More than twelve flares: the twelve largest.
    ManyFlares,
    /// Flares were not counted: by spacing along the circumference.
    Spacing,
    /// The user's own number.
    Typed,
}

impl Because {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::OnePerFlare => "one to each flare",
            Self::FewFlares => "by spacing: fewer than 6 flares, wide ones take two",
            Self::ManyFlares => "the 12 largest flares",
            Self::Spacing => "by spacing: flares not counted",
            Self::Typed => "as typed",
        }
    }
}

/// A number of ports for one tree.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct PortCount {
    /// How many.
    pub ports: u32,
    /// Mean distance between them along the circumference.
    pub spacing_cm: f64,
    /// What it rests on.
    pub because: Because,
    /// Closer than [`CLOSE_SPACING_CM`]: fewer may do.
    pub close: bool,
}

/// Mean distance between ports: `circumference / ports`.
///
/// ```
/// use xylocast::dose::ports::spacing_cm;
/// use xylocast::units::Circumference;
/// // Published elm trial: 1760 mm round, 12 ports, 147 mm apart.
/// let spacing = spacing_cm(Circumference::new(176.0).unwrap(), 12).unwrap();
/// assert_eq!((spacing * 10.0).round(), 147.0);
/// ```
///
/// # Errors
/// [`PortsFlaw::Ports`] outside 1 to 40.
pub fn spacing_cm(around: Circumference, ports: u32) -> Result<f64, PortsFlaw> {
    if !(1..=40).contains(&ports) {
        return Err(PortsFlaw::Ports { ports });
    }
    Ok(around.value() / f64::from(ports))
}

/// How many ports: one to each root flare, or by spacing where flares were not counted; always
/// [`FEWEST`] to [`MOST`] (common practice).
///
/// `ports = round(circumference / spacing)`, held to 6 to 12.
///
/// ```
/// use xylocast::dose::ports::{USUAL_SPACING_CM, count};
/// use xylocast::units::Circumference;
/// let ports = |cm| {
///     let around = Circumference::new(cm).unwrap();
///     count(around, None, USUAL_SPACING_CM).unwrap().ports
/// };
/// // A small, a middle and a large tree: 29, 38 and 57 cm dbh.
/// assert_eq!([ports(90.0), ports(120.0), ports(180.0)], [6, 8, 12]);
/// ```
///
/// # Errors
/// [`PortsFlaw::Spacing`] outside 5 to 100 cm.
pub fn count(
    around: Circumference,
    flares: Option<u32>,
    spacing_cm: f64,
) -> Result<PortCount, PortsFlaw> {
    if !(5.0..=100.0).contains(&spacing_cm) {
        return Err(PortsFlaw::Spacing { spacing_cm });
    }
    let by_spacing = ((around.value() / spacing_cm).round() as u32).clamp(FEWEST, MOST);
    let (ports, because) = match flares {
        None => (by_spacing, Because::Spacing),
        Some(flares) if flares < FEWEST => (by_spacing, Because::FewFlares),
        Some(flares) if flares > MOST => (MOST, Because::ManyFlares),
        Some(flares) => (flares, Because::OnePerFlare),
    };
    let spacing_cm = around.value() / f64::from(ports);
    Ok(PortCount { ports, spacing_cm, because, close: spacing_cm < CLOSE_SPACING_CM })
}

/// The user's own number of ports, with the spacing that it makes.
///
/// # Errors
/// [`PortsFlaw::Ports`] outside 1 to 40.
pub fn typed(around: Circumference, ports: u32) -> Result<PortCount, PortsFlaw> {
    let spacing_cm = spacing_cm(around, ports)?;
    let close = ports > 1 && spacing_cm < CLOSE_SPACING_CM;
    Ok(PortCount { ports, spacing_cm, because: Because::Typed, close })
}

/// A hole drilled before.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OldHole {
    /// Its height above ground, cm, -50 (on a root) to 300.
    pub height_cm: f64,
    /// Its direction from the trunk's middle, 0 to 360 deg clockwise from north, if recorded.
    pub azimuth_deg: Option<f64>,
}

/// Where one new hole goes.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct NewHole {
    /// Direction from the trunk's middle, deg clockwise from north.
    pub azimuth_deg: f64,
    /// The same along the bark, cm clockwise from the north side.
    pub along_cm: f64,
}

/// An even ring of new holes.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Ring {
    /// The holes, clockwise.
    pub holes: Vec<NewHole>,
    /// Least distance sideways from an old hole at about this height; none where there is none.
    pub clearance_cm: Option<f64>,
    /// Does every new hole stay [`CLEAR_SIDEWAYS_CM`] from those?
    pub clear: bool,
    /// Old holes at about this height whose direction is not on record: look for them.
    pub unplaced: usize,
}

/// An even ring of ports at one height, turned so that it stays as far as it can from old holes.
///
/// Only old holes within [`CLEAR_ALONG_CM`] above or below count. Each stands somewhere between
/// two ports; taken modulo the spacing, the ring belongs in the middle of the widest gap, which is
/// the best that an even ring can do. A ring that is still not clear asks for fewer ports, or for
/// another height. On a tree with flares the ring is a start: flares come first, valleys never.
///
/// ```
/// use xylocast::dose::ports::{OldHole, place};
/// use xylocast::units::Circumference;
/// let around = Circumference::new(120.0).unwrap();
/// let last_year = |azimuth| OldHole { height_cm: 20.0, azimuth_deg: Some(azimuth) };
/// let old: Vec<_> = (0..8).map(|hole| last_year(45.0 * f64::from(hole))).collect();
/// let ring = place(8, around, 20.0, &old).unwrap();
/// // Half-way between the old ones: 7.5 cm from each.
/// assert!(ring.clear && (ring.holes[0].along_cm - 7.5).abs() < 1e-9);
/// ```
///
/// # Errors
/// [`PortsFlaw`] for numbers outside their ranges.
pub fn place(
    ports: u32,
    around: Circumference,
    height_cm: f64,
    old: &[OldHole],
) -> Result<Ring, PortsFlaw> {
    let spacing = spacing_cm(around, ports)?;
    check_height(height_cm)?;
    let mut near = Vec::new();
    let mut unplaced = 0;
    for hole in old {
        check_height(hole.height_cm)?;
        let azimuth = hole.azimuth_deg.map(checked_azimuth).transpose()?;
        if (hole.height_cm - height_cm).abs() > CLEAR_ALONG_CM {
            continue;
        }
        match azimuth {
            Some(azimuth) => near.push((azimuth / 360.0 * around.value()).rem_euclid(spacing)),
            None => unplaced += 1,
        }
    }
    let (first, clearance_cm) = middle_of_widest_gap(near, spacing);
    let hole = |index: u32| {
        let along_cm = first + spacing * f64::from(index);
        NewHole { azimuth_deg: along_cm / around.value() * 360.0, along_cm }
    };
    Ok(Ring {
        holes: (0..ports).map(hole).collect(),
        clearance_cm,
        clear: unplaced == 0 && clearance_cm.is_none_or(|clear| clear >= CLEAR_SIDEWAYS_CM - 1e-9),
        unplaced,
    })
}

/// Where on `0..spacing` it is farthest from all `taken`, and how far; 0 where nothing is taken.
fn middle_of_widest_gap(mut taken: Vec<f64>, spacing: f64) -> (f64, Option<f64>) {
    taken.sort_by(f64::total_cmp);
    let Some(&first) = taken.first() else { return (0.0, None) };
    let ends = taken.iter().skip(1).copied().chain([first + spacing]);
    let gaps = taken.iter().zip(ends).map(|(&start, end)| (start, end - start));
    let (start, gap) = gaps.fold((first, 0.0), |best, gap| if gap.1 > best.1 { gap } else { best });
    ((start + 0.5 * gap).rem_euclid(spacing), Some(0.5 * gap))
}

fn check_height(height_cm: f64) -> Result<(), PortsFlaw> {
    if (-50.0..=300.0).contains(&height_cm) { Ok(()) } else { Err(PortsFlaw::Height { height_cm }) }
}

fn checked_azimuth(azimuth_deg: f64) -> Result<f64, PortsFlaw> {
    if (0.0..=360.0).contains(&azimuth_deg) {
        Ok(azimuth_deg)
    } else {
        Err(PortsFlaw::Azimuth { azimuth_deg })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn round(cm: f64) -> Circumference {
        Circumference::new(cm).unwrap()
    }

    #[test]
    fn flares_rule_within_six_to_twelve() {
        let count = |flares| {
            let count = count(round(120.0), Some(flares), USUAL_SPACING_CM).unwrap();
            (count.ports, count.because)
        };
        assert_eq!(count(7), (7, Because::OnePerFlare));
        assert_eq!(count(4), (8, Because::FewFlares));
        assert_eq!(count(15), (12, Because::ManyFlares));
    }

    #[test]
    fn the_ends_of_the_range_are_kept() {
        let count = |cm| count(round(cm), None, USUAL_SPACING_CM).unwrap();
        assert_eq!((count(10.0).ports, count(10.0).close), (6, true));
        assert_eq!((count(1500.0).ports, count(1500.0).close), (12, false));
        assert_eq!((count(94.2).ports, count(176.0).ports), (6, 12));
    }

    #[test]
    fn a_crowded_ring_is_not_clear_and_another_height_is() {
        let old: Vec<_> = (0..24)
            .map(|hole| OldHole { height_cm: 20.0, azimuth_deg: Some(15.0 * f64::from(hole)) })
            .collect();
        let crowded = place(8, round(120.0), 25.0, &old).unwrap();
        assert!(!crowded.clear && (crowded.clearance_cm.unwrap() - 2.5).abs() < 1e-9);
        assert!(!place(8, round(120.0), 50.0, &old).unwrap().clear);
        let above = place(8, round(120.0), 50.1, &old).unwrap();
        assert!(above.clear && above.clearance_cm.is_none());
    }

    #[test]
    fn holes_without_a_direction_are_counted_and_leave_nothing_clear() {
        let old = [OldHole { height_cm: 20.0, azimuth_deg: None }];
        let ring = place(6, round(94.2), 20.0, &old).unwrap();
        assert_eq!((ring.unplaced, ring.clear, ring.holes.len()), (1, false, 6));
    }

    #[test]
    fn nonsense_is_refused() {
        assert!(spacing_cm(round(90.0), 0).is_err());
        assert!(place(41, round(90.0), 20.0, &[]).is_err());
        assert!(place(6, round(90.0), f64::NAN, &[]).is_err());
        assert!(count(round(90.0), None, f64::NAN).is_err());
        for azimuth_deg in [f64::NAN, -1.0, 361.0] {
            let old = [OldHole { height_cm: 20.0, azimuth_deg: Some(azimuth_deg) }];
            assert!(place(6, round(90.0), 20.0, &old).is_err(), "{azimuth_deg}");
        }
    }

    proptest! {
        #[test]
        fn the_clearance_told_is_the_clearance_there(
            cm in 10.0..1500.0_f64,
            ports in 1_u32..=40,
            azimuths in prop::collection::vec(0.0..=360.0_f64, 0..20),
        ) {
            let old: Vec<_> = azimuths
                .iter()
                .map(|&azimuth| OldHole { height_cm: 0.0, azimuth_deg: Some(azimuth) })
                .collect();
            let ring = place(ports, round(cm), 0.0, &old).unwrap();
            prop_assert_eq!(ring.holes.len(), ports as usize);
            let apart = |a: f64, b: f64| {
                let around = (a - b).rem_euclid(360.0);
                around.min(360.0 - around) / 360.0 * cm
            };
            let least = ring
                .holes
                .iter()
                .flat_map(|new| azimuths.iter().map(|old| apart(new.azimuth_deg, *old)))
                .fold(f64::INFINITY, f64::min);
            match ring.clearance_cm {
                Some(told) => prop_assert!((told - least).abs() < 1e-6),
                None => prop_assert!(azimuths.is_empty()),
            }
        }
    }
}
