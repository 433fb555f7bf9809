//! Vessels, kit and dilution as the user typed them, with the habits of the trade where nothing was
//! typed. Each habit that is taken is said. A label figure is never among them.

use super::figures::{Figures, Scale, usual_pour_mark, usual_product_mark, usual_water_mark};
use crate::dose::mix::{Mixing, Vessels, Water};
use crate::dose::parts::KitDesign;
use crate::dose::ports::USUAL_SPACING_CM;
use crate::dose::rate::Counted;
use crate::grove::{Mark, Settings, Units, WishedWater};
use crate::units::{Bore, Circumference, Millilitres, WaterCelsius};

/// What was taken because nothing was typed.
#[derive(Debug, Clone, Default)]
pub struct Taken(Vec<String>);

impl Taken {
    fn or<T: Copy>(&mut self, typed: Option<T>, key: &str, usual: T, words: &str) -> T {
        typed.unwrap_or_else(|| {
            self.0.push(format!("{key}: {words}"));
            usual
        })
    }

    /// One line each.
    pub fn lines(self) -> Vec<String> {
        self.0
    }
}

/// What is measured, mixed and hung with.
#[derive(Debug, Clone, Copy)]
pub struct Bench {
    /// The vessels.
    pub vessels: Vessels,
    /// Water and spare.
    pub mixing: Mixing,
    /// How amounts are shown.
    pub figures: Figures,
}

/// The bench for a product counted so, in the sheet's units.
///
/// # Errors
/// In words, where what was typed counts product in another unit than the label's rate.
pub fn bench(
    settings: &Settings,
    of: Counted,
    units: Units,
    taken: &mut Taken,
) -> Result<Bench, String> {
    let typed = &settings.bench;
    let mut mark = |typed: Option<Mark>, key, usual: Mark| {
        taken.or(typed, key, usual, &format!("a mark every {}", Scale::of(usual).mark_words()))
    };
    let product = mark(typed.product_mark, "mixing.product_mark", usual_product_mark(of, units));
    let water = mark(typed.water_mark, "mixing.water_mark", usual_water_mark(units));
    let pour = mark(typed.pour_mark, "mixing.pour_mark", usual_pour_mark(units));
    if matches!(product, Mark::Grams(_)) != (of == Counted::Grams) {
        return Err(format!(
            "mixing.product_mark is typed in {} and the label rate in {}; give the mark of the \
             vessel or scale that this product is measured with",
            Scale::of(product).unit,
            of.unit()
        ));
    }
    let figures = Figures {
        units,
        product: Scale::of(product),
        water: Scale::of(water),
        pour: Scale::of(pour),
    };
    let can = match units {
        Units::Metric => Millilitres::computed(10_000.0),
        Units::Us => Millilitres::computed(640.0 * Millilitres::PER_US_FLUID_OUNCE),
    };
    let can = taken.or(
        typed.can,
        "mixing.can_ml",
        can,
        &format!("a can of {}", figures.capacity(can.value())),
    );
    let spare = taken.or(typed.spare, "mixing.spare", 0.05, "5 % mixed on top, never applied");
    let bags_at_once = typed.bags_at_once.unwrap_or(1);
    if settings.defaulted.contains(&"bag.capacity_ml") {
        let holds = figures.capacity(settings.bag.capacity.value());
        taken.0.push(format!("bag.capacity_ml: a bag that holds {holds}"));
    }
    let vessels = Vessels {
        product_mark: figures.product.mark(),
        water_mark_ml: figures.water.mark(),
        pour_mark_ml: figures.pour.mark(),
        can,
        bag: settings.bag.capacity,
        bags_at_once,
    };
    let mixing = Mixing { water: water_wished(typed.water, of)?, spare };
    Ok(Bench { vessels, mixing, figures })
}

fn water_wished(typed: Option<WishedWater>, of: Counted) -> Result<Water, String> {
    let other = |key: &str| {
        Err(format!("{key} is typed and the label rate counts {}; type the other key", of.unit()))
    };
    match (typed, of) {
        (None, _) => Ok(Water::LeastOnLabel),
        (Some(WishedWater::PerMillilitre(ml)), Counted::Millilitres)
        | (Some(WishedWater::PerGram(ml)), Counted::Grams) => Ok(Water::PerProduct(ml)),
        (Some(WishedWater::PerMillilitre(_)), _) => other("mixing.water_ml_per_ml_product"),
        (Some(WishedWater::PerGram(_)), _) => other("mixing.water_ml_per_g_product"),
        (Some(WishedWater::MixPerTree(ml)), _) => Ok(Water::MixPerTree(Millilitres::computed(ml))),
        (Some(WishedWater::MixPerCentimetreDbh(ml)), _) => Ok(Water::MixPerCentimetreDbh(ml)),
    }
}

/// How kits are built, but for the trunk and its ports.
#[derive(Debug, Clone, Copy)]
pub struct KitHabits {
    /// Distance between ports.
    pub port_spacing_cm: f64,
    /// Height of the ports above ground.
    pub port_height_cm: f64,
    /// Share of small parts on top.
    pub spare_parts: f64,
    /// Temperature of the mix in the line.
    pub mix_temp: WaterCelsius,
    bore: Bore,
    hook_above_surface_cm: f64,
    bag_depth_cm: f64,
    leg_cm: f64,
    slack: f64,
}

/// The kit as typed, with common practice where nothing was.
pub fn kit_habits(settings: &Settings, taken: &mut Taken) -> KitHabits {
    let typed = &settings.kit;
    if settings.defaulted.contains(&"bag.head_m") {
        taken.0.push("bag.head_m: the liquid's surface 1.5 m above the ports".into());
    }
    let usual_temp = WaterCelsius::computed(20.0);
    KitHabits {
        bore: taken.or(typed.bore, "kit.bore_mm", Bore::computed(4.0), "a line of 4 mm bore"),
        port_spacing_cm: taken.or(
            typed.port_spacing_cm,
            "kit.port_spacing_cm",
            USUAL_SPACING_CM,
            "15 cm between ports where flares are not counted",
        ),
        port_height_cm: taken.or(
            typed.port_height_cm,
            "kit.port_height_cm",
            20.0,
            "ports 20 cm above ground",
        ),
        hook_above_surface_cm: taken.or(
            typed.hook_above_surface_cm,
            "kit.hook_above_surface_cm",
            10.0,
            "hook 10 cm above the surface in a full bag",
        ),
        bag_depth_cm: taken.or(
            typed.bag_depth_cm,
            "kit.bag_depth_cm",
            30.0,
            "30 cm from that surface down to the outlet",
        ),
        leg_cm: taken.or(typed.leg_cm, "kit.leg_cm", 10.0, "legs of 10 cm from line to tip"),
        slack: taken.or(typed.slack, "kit.slack", 0.1, "10 % of line on top"),
        spare_parts: taken.or(
            typed.spare_parts,
            "kit.spare_parts",
            0.1,
            "10 % of tips, tees and stopcocks on top",
        ),
        mix_temp: taken.or(typed.mix_temp, "kit.mix_temp_c", usual_temp, "mix at 20 degC"),
    }
}

impl KitHabits {
    /// A kit for a trunk and its ports.
    pub fn design(&self, settings: &Settings, around: Circumference, ports: u32) -> KitDesign {
        KitDesign {
            around,
            ports,
            bore: self.bore,
            head: settings.bag.head,
            port_height_cm: self.port_height_cm,
            hook_above_surface_cm: self.hook_above_surface_cm,
            bag_depth_cm: self.bag_depth_cm,
            leg_cm: self.leg_cm,
            slack: self.slack,
        }
    }
}
