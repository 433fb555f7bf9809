//! Which trees share a mixing can, and what goes into it.

use super::allot::{Allotment, Refused};
use super::exact::Millionths;
use super::flaw::{DoseFlaw, Refusal};
use super::mix::{Mixing, Vessels, Water};
use super::rate::{Counted, Label, figure};
use crate::units::Millilitres;

/// Vessels, spare and dilution, counted in millionths.
#[derive(Debug, Clone, Copy)]
pub(super) struct Measures {
    pub(super) of: Counted,
    pub(super) product_mark: Millionths,
    pub(super) pour_mark: Millionths,
    pub(super) bag: Millionths,
    pub(super) bags_at_once: u32,
    pub(super) water_per_product: Millionths,
    water_mark: Millionths,
    can: Millionths,
    spare: Millionths,
}

/// Product for one tree out of one can.
#[derive(Debug, Clone, Copy)]
pub(super) struct Portion {
    pub(super) tree: usize,
    pub(super) product: Millionths,
}

/// One mixing can before it is mixed.
#[derive(Debug, Clone)]
pub(super) struct Can {
    pub(super) portions: Vec<Portion>,
    /// Mix to fill up to; nothing where the dilution alone rules.
    fill_to: Millionths,
}

/// What goes into a can, rounded to the vessels' marks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mixed {
    pub(super) wanted: Millionths,
    pub(super) product: Millionths,
    pub(super) water: Millionths,
    pub(super) mix: Millionths,
}

impl Measures {
    pub(super) fn checked(
        label: &Label,
        vessels: &Vessels,
        mixing: Mixing,
    ) -> Result<Self, DoseFlaw> {
        let of = label.rate.of();
        let within = |vessel, value: f64, unit, low, high| {
            let allowed = (low..=high).contains(&value);
            let flaw = DoseFlaw::Vessel { vessel, value, unit, low, high };
            if allowed { Ok(value) } else { Err(flaw) }
        };
        let mark = |vessel, value, unit| within(vessel, value, unit, 0.001, 10_000.0);
        let water_mark = mark("a mark for water", vessels.water_mark_ml, "mL")?;
        let product_mark = mark("a mark for product", vessels.product_mark, of.unit())?;
        let pour_mark = mark("a mark for pouring", vessels.pour_mark_ml, "mL")?;
        let least_can = (2.0 * vessels.water_mark_ml).max(100.0);
        let can = vessels.can.value();
        within("a mixing can", can, "mL", least_can, Millilitres::HIGH)?;
        let bag = within("a bag", vessels.bag.value(), "mL", 10.0, Millilitres::HIGH)?;
        let bags_at_once = f64::from(vessels.bags_at_once);
        within("a number of bags at once", bags_at_once, "bags", 1.0, 40.0)?;
        if !(0.0..=0.5).contains(&mixing.spare) {
            return Err(DoseFlaw::Spare { share: mixing.spare });
        }
        let water_per_product = water_per_product(label, mixing.water)?;
        if of == Counted::Grams && water_per_product == Millionths::default() {
            return Err(DoseFlaw::PowderWithoutWater);
        }
        Ok(Self {
            of,
            // A mark in fl oz is no whole number of millionths: product and pours are counted a
            // trace too large and water a trace too small, so that the true mix errs on thin.
            product_mark: Millionths::up(product_mark),
            pour_mark: Millionths::up(pour_mark),
            bag: Millionths::down(bag),
            bags_at_once: vessels.bags_at_once,
            water_per_product,
            water_mark: Millionths::down(water_mark),
            can: Millionths::down(can),
            spare: Millionths::down(mixing.spare),
        })
    }

    /// Mix that this much product makes at the least, before any rounding.
    fn least_mix(&self, product: Millionths) -> Millionths {
        self.of.volume(product) + product.times_up(self.water_per_product)
    }

    fn water_for(&self, product: Millionths, fill_to: Millionths) -> Millionths {
        let thin_enough = product.times_up(self.water_per_product);
        thin_enough.max(fill_to.less(self.of.volume(product))).up_to(self.water_mark)
    }

    /// The most product, in whole marks, that a can takes with its water.
    fn most_product(&self) -> Result<Millionths, DoseFlaw> {
        let mix = |marks: u128| {
            let product = Millionths(marks * self.product_mark.0);
            self.of.volume(product) + self.water_for(product, Millionths::default())
        };
        if mix(1) > self.can {
            return Err(DoseFlaw::CanTooSmall {
                can_ml: self.can.value(),
                mark: self.of.product(self.product_mark),
                needed_ml: mix(1).value(),
            });
        }
        // A can of powder in next to no water is bounded by the largest dose, not by volume.
        let (mut low, mut high) = (1, Millionths::down(Millilitres::HIGH).0 / self.product_mark.0);
        while low < high {
            let middle = low + (high - low).div_ceil(2);
            if mix(middle) <= self.can { low = middle } else { high = middle - 1 }
        }
        Ok(Millionths(low * self.product_mark.0))
    }
}

fn water_per_product(label: &Label, water: Water) -> Result<Millionths, DoseFlaw> {
    let Water::PerProduct(wished) = water else { return Ok(label.min_water) };
    let per_product = Millionths::up(figure("water to one of product", wished, 0.0)?);
    if per_product < label.min_water {
        return Err(DoseFlaw::TooStrong { wished, least: label.min_water.value() });
    }
    Ok(per_product)
}

impl Can {
    pub(super) fn mixed(&self, measures: &Measures) -> Mixed {
        let portions: Millionths = self.portions.iter().map(|portion| portion.product).sum();
        let wanted = portions.with_share(measures.spare);
        let product = wanted.down_to(measures.product_mark);
        let water = measures.water_for(product, self.fill_to);
        Mixed { wanted, product, water, mix: measures.of.volume(product) + water }
    }
}

/// Puts trees into cans. Trees whose mix cannot be are moved to `refused`.
pub(super) fn fill(
    trees: Vec<Allotment>,
    measures: &Measures,
    water: Water,
    refused: &mut Vec<Refused>,
) -> Result<(Vec<Allotment>, Vec<Can>), DoseFlaw> {
    let fill_to = |tree: &Allotment| match water {
        Water::LeastOnLabel | Water::PerProduct(_) => None,
        Water::MixPerTree(mix) => Some(mix.value()),
        Water::MixPerCentimetreDbh(rate) => Some(rate * tree.dbh.value()),
    };
    if let Water::MixPerCentimetreDbh(rate) = water {
        figure("mix per cm dbh", rate, 0.001)?;
    }
    let (mut mixable, mut targets) = (Vec::new(), Vec::new());
    for tree in trees {
        match check_mix(&tree, measures, fill_to(&tree)) {
            Ok(target) => {
                mixable.push(tree);
                targets.push(target);
            }
            Err(why) => refused.push(Refused { id: tree.id, why }),
        }
    }
    let cans = match water {
        Water::LeastOnLabel | Water::PerProduct(_) => shared(&mixable, measures)?,
        Water::MixPerTree(_) | Water::MixPerCentimetreDbh(_) => {
            let pairs = mixable.iter().zip(&targets).enumerate();
            pairs.flat_map(|(index, (tree, &to))| own(index, tree.dose, to, measures)).collect()
        }
    };
    Ok((mixable, cans))
}

/// The mix to fill up to, or nothing; refused where it is beyond reason or would be too strong.
fn check_mix(
    tree: &Allotment,
    measures: &Measures,
    fill_to: Option<f64>,
) -> Result<Millionths, Refusal> {
    let least = measures.least_mix(tree.dose);
    let mix_ml = fill_to.unwrap_or(least.value());
    if mix_ml > Millilitres::HIGH {
        return Err(Refusal::MixTooLarge { mix_ml });
    }
    let Some(fill_to) = fill_to.map(Millionths::down) else { return Ok(Millionths::default()) };
    if fill_to < least {
        let product = measures.of.product(tree.dose);
        return Err(Refusal::MixTooStrong { mix_ml, product, least_ml: least.value() });
    }
    Ok(fill_to)
}

/// One strength for all: cans are filled in the order of the trees.
fn shared(trees: &[Allotment], measures: &Measures) -> Result<Vec<Can>, DoseFlaw> {
    let most = measures.most_product()?.without_share(measures.spare);
    let mut cans: Vec<Can> = Vec::new();
    let mut room = Millionths::default();
    for (index, tree) in trees.iter().enumerate() {
        let full_cans = tree.dose.0 / most.0;
        let rest = Millionths(tree.dose.0 % most.0);
        // A rest below the first mark cannot be measured; the tree goes without it.
        let rest = Some(rest).filter(|rest| full_cans == 0 || *rest >= measures.product_mark);
        for product in (0..full_cans).map(|_| most).chain(rest) {
            let portion = Portion { tree: index, product };
            match cans.last_mut() {
                Some(can) if product <= room => can.portions.push(portion),
                _ => {
                    let fill_to = Millionths::default();
                    cans.push(Can { portions: vec![portion], fill_to });
                    room = most;
                }
            }
            room = room.less(product);
        }
    }
    Ok(cans)
}

/// One strength for one tree: as few equal cans as hold it.
fn own(tree: usize, dose: Millionths, fill_to: Millionths, measures: &Measures) -> Vec<Can> {
    let mix = fill_to.with_share(measures.spare);
    let split = |parts: u128| -> Vec<Can> {
        let can = |index| Can {
            portions: vec![Portion { tree, product: dose.part(index, parts) }],
            fill_to: fill_to.part(index, parts).with_share(measures.spare),
        };
        (0..parts).map(can).collect()
    };
    let fits = |cans: &[Can]| cans.iter().all(|can| can.mixed(measures).mix <= measures.can);
    // Rounding water up may need one mark more than the mix alone.
    let sure = measures.can.less(measures.water_mark).less(Millionths(4));
    let tight = split(mix.0.div_ceil(measures.can.0).max(1));
    if fits(&tight) { tight } else { split(mix.0.div_ceil(sure.0.max(1)).max(1)) }
}
