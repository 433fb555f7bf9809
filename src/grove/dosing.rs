//! What product, water and mix are measured with, and how kits are built: `[mixing]` and `[kit]` of
//! `grove.toml`.
//!
//! Nothing is filled in here: whoever doses states the habits of the trade that it takes instead.

use super::typed::{Check, Typed};
use crate::text::FlawKind;
use crate::units::{Bore, Millilitres, WaterCelsius};
use serde::{Deserialize, Serialize};

/// Units that people read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Units {
    /// cm, m, mL.
    #[default]
    Metric,
    /// US customary: in, ft, US fl oz.
    Us,
}

/// The smallest mark of a vessel or scale, in the unit that it is marked in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Mark {
    /// In mL.
    Millilitres(f64),
    /// In US fluid ounces.
    UsFluidOunces(f64),
    /// In g.
    Grams(f64),
}

/// How much water is wished for, where not the label's least.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WishedWater {
    /// mL to one mL of product.
    PerMillilitre(f64),
    /// mL to one g of product.
    PerGram(f64),
    /// mL of mix for every tree.
    MixPerTree(f64),
    /// mL of mix per cm dbh.
    MixPerCentimetreDbh(f64),
}

/// `[mixing]`: what is measured, mixed and hung with.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MixBench {
    /// Mark of the vessel or scale for product.
    pub product_mark: Option<Mark>,
    /// Mark of the vessel for water.
    pub water_mark: Option<Mark>,
    /// Mark of the vessel that mix is poured with.
    pub pour_mark: Option<Mark>,
    /// What the mixing can holds, 100 to 200,000 mL.
    pub can: Option<Millilitres>,
    /// Bags that hang on one tree at once, 1 to 40.
    pub bags_at_once: Option<u32>,
    /// Mixed on top of what is poured, as a share of it, 0 to 0.5; never applied.
    pub spare: Option<f64>,
    /// Water wished for.
    pub water: Option<WishedWater>,
}

/// `[kit]`: how kits are built.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct KitBuild {
    /// Bore of the line.
    pub bore: Option<Bore>,
    /// Height of the ports above ground, -50 to 300 cm.
    pub port_height_cm: Option<f64>,
    /// From the liquid's surface in a full bag up to its hook, 0 to 100 cm.
    pub hook_above_surface_cm: Option<f64>,
    /// From the liquid's surface in a full bag down to its outlet, 0 to 200 cm.
    pub bag_depth_cm: Option<f64>,
    /// Leg from the run to one tip, 0 to 100 cm.
    pub leg_cm: Option<f64>,
    /// Put on top of the line, as a share, 0 to 1.
    pub slack: Option<f64>,
    /// Share of tips, tees and stopcocks to take along on top, 0 to 1.
    pub spare_parts: Option<f64>,
    /// Distance between ports along the circumference, 5 to 100 cm.
    pub port_spacing_cm: Option<f64>,
    /// Temperature of the mix in the line.
    pub mix_temp: Option<WaterCelsius>,
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct RawBench {
    product_mark_ml: Typed<f64>,
    product_mark_fl_oz: Typed<f64>,
    product_mark_g: Typed<f64>,
    water_mark_ml: Typed<f64>,
    water_mark_fl_oz: Typed<f64>,
    pour_mark_ml: Typed<f64>,
    pour_mark_fl_oz: Typed<f64>,
    can_ml: Typed<f64>,
    bags_at_once: Typed<i64>,
    spare: Typed<f64>,
    water_ml_per_ml_product: Typed<f64>,
    water_ml_per_g_product: Typed<f64>,
    mix_per_tree_ml: Typed<f64>,
    mix_per_cm_dbh_ml: Typed<f64>,
}

/// Of several keys that say one thing: the first that is typed.
struct OneOf<'k, T>(Vec<Key<'k, T>>);

type Key<'k, T> = (&'static str, Typed<f64>, (&'static str, f64, f64), &'k dyn Fn(f64) -> T);

impl<T> OneOf<'_, T> {
    fn checked(self, check: &mut Check) -> Option<T> {
        let mut first: Option<(&'static str, Option<T>)> = None;
        for (key, typed, range, of) in self.0 {
            let Some(offset) = typed.as_ref().map(|typed| typed.span().start) else { continue };
            if let Some((other, _)) = first {
                check.flaw(key, Some(offset), FlawKind::ColumnsExclude { other });
                continue;
            }
            first = Some((key, check.number(key, typed, range).map(of)));
        }
        first?.1
    }
}

impl RawBench {
    pub(super) fn checked(self, check: &mut Check) -> MixBench {
        let (ml, fl_oz, g) =
            (("mL", 0.001, 10_000.0), ("fl oz", 0.0001, 300.0), ("g", 0.001, 10_000.0));
        let per_product = ("mL", 0.0, 100_000.0);
        let product_mark = OneOf(vec![
            ("mixing.product_mark_ml", self.product_mark_ml, ml, &Mark::Millilitres),
            ("mixing.product_mark_fl_oz", self.product_mark_fl_oz, fl_oz, &Mark::UsFluidOunces),
            ("mixing.product_mark_g", self.product_mark_g, g, &Mark::Grams),
        ]);
        let water_mark = OneOf(vec![
            ("mixing.water_mark_ml", self.water_mark_ml, ml, &Mark::Millilitres),
            ("mixing.water_mark_fl_oz", self.water_mark_fl_oz, fl_oz, &Mark::UsFluidOunces),
        ]);
        let pour_mark = OneOf(vec![
            ("mixing.pour_mark_ml", self.pour_mark_ml, ml, &Mark::Millilitres),
            ("mixing.pour_mark_fl_oz", self.pour_mark_fl_oz, fl_oz, &Mark::UsFluidOunces),
        ]);
        let water = OneOf(vec![
            (
                "mixing.water_ml_per_ml_product",
                self.water_ml_per_ml_product,
                per_product,
                &WishedWater::PerMillilitre,
            ),
            (
                "mixing.water_ml_per_g_product",
                self.water_ml_per_g_product,
                per_product,
                &WishedWater::PerGram,
            ),
            (
                "mixing.mix_per_tree_ml",
                self.mix_per_tree_ml,
                ("mL", 1.0, Millilitres::HIGH),
                &WishedWater::MixPerTree,
            ),
            (
                "mixing.mix_per_cm_dbh_ml",
                self.mix_per_cm_dbh_ml,
                ("mL", 0.001, 100_000.0),
                &WishedWater::MixPerCentimetreDbh,
            ),
        ]);
        let can = ("mL", 100.0, Millilitres::HIGH);
        MixBench {
            product_mark: product_mark.checked(check),
            water_mark: water_mark.checked(check),
            pour_mark: pour_mark.checked(check),
            can: check.number("mixing.can_ml", self.can_ml, can).map(Millilitres::computed),
            bags_at_once: check.whole("mixing.bags_at_once", self.bags_at_once, ("", 1, 40)),
            spare: check.number("mixing.spare", self.spare, ("", 0.0, 0.5)),
            water: water.checked(check),
        }
    }
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub(super) struct RawKit {
    bore_mm: Typed<f64>,
    port_height_cm: Typed<f64>,
    hook_above_surface_cm: Typed<f64>,
    bag_depth_cm: Typed<f64>,
    leg_cm: Typed<f64>,
    slack: Typed<f64>,
    spare_parts: Typed<f64>,
    port_spacing_cm: Typed<f64>,
    mix_temp_c: Typed<f64>,
}

impl RawKit {
    pub(super) fn checked(self, check: &mut Check) -> KitBuild {
        let cm = |low, high| ("cm", low, high);
        let share = ("", 0.0, 1.0);
        KitBuild {
            bore: check.quantity("kit.bore_mm", self.bore_mm, Bore::new),
            port_height_cm: check.number(
                "kit.port_height_cm",
                self.port_height_cm,
                cm(-50.0, 300.0),
            ),
            hook_above_surface_cm: check.number(
                "kit.hook_above_surface_cm",
                self.hook_above_surface_cm,
                cm(0.0, 100.0),
            ),
            bag_depth_cm: check.number("kit.bag_depth_cm", self.bag_depth_cm, cm(0.0, 200.0)),
            leg_cm: check.number("kit.leg_cm", self.leg_cm, cm(0.0, 100.0)),
            slack: check.number("kit.slack", self.slack, share),
            spare_parts: check.number("kit.spare_parts", self.spare_parts, share),
            port_spacing_cm: check.number(
                "kit.port_spacing_cm",
                self.port_spacing_cm,
                cm(5.0, 100.0),
            ),
            mix_temp: check.quantity("kit.mix_temp_c", self.mix_temp_c, WaterCelsius::new),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Settings;
    use super::*;
    use crate::text::Findings;

    fn read(more: &str) -> (Option<Settings>, Vec<String>) {
        let least = "name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\n\
                     longitude_deg = 138.7\nelevation_m = 120\n";
        let mut findings = Findings::default();
        let settings = Settings::read(&format!("{least}{more}"), &mut findings);
        (settings, findings.flaws.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn nothing_is_filled_in() {
        let settings = read("").0.unwrap();
        assert_eq!(settings.bench, MixBench::default());
        assert_eq!(settings.kit, KitBuild::default());
        assert_eq!(settings.units, Units::Metric);
    }

    #[test]
    fn what_is_typed_is_kept_in_its_unit() {
        let (settings, flaws) = read(
            "units = \"us\"\n[mixing]\nproduct_mark_fl_oz = 0.25\nwater_mark_ml = 50\n\
             pour_mark_ml = 5\ncan_ml = 18000\nbags_at_once = 2\nspare = 0.1\nmix_per_tree_ml = 946\n\
             [kit]\nbore_mm = 3\nport_height_cm = 20\nleg_cm = 12\nslack = 0.2\nmix_temp_c = 8\n\
             [label]\nmax_per_acre_season_ml = 404.68564224\nmax_per_tree_season_ml = 80\n\
             season_from = \"07-01\"\n",
        );
        assert_eq!(flaws, [] as [&str; 0]);
        let settings = settings.unwrap();
        assert_eq!(settings.units, Units::Us);
        assert_eq!(settings.bench.product_mark, Some(Mark::UsFluidOunces(0.25)));
        assert_eq!(settings.bench.water_mark, Some(Mark::Millilitres(50.0)));
        assert_eq!(settings.bench.water, Some(WishedWater::MixPerTree(946.0)));
        assert_eq!(settings.kit.bore.unwrap().value(), 3.0);
        // An acre is 0.40468564224 ha.
        assert_eq!(settings.label.max_per_hectare_season_ml, Some(1000.0));
    }

    #[test]
    fn one_thing_is_typed_once_and_within_its_range() {
        let (settings, flaws) = read(
            "[mixing]\nproduct_mark_ml = 1\nproduct_mark_g = 1\ncan_ml = 10\nspare = 10\n\
             [kit]\nbore_mm = 40\n[label]\nmax_per_hectare_season_g = 3\nmax_per_acre_season_g = 2\n",
        );
        assert!(settings.is_none());
        assert_eq!(
            flaws,
            [
                "grove.toml line 15: label.max_per_acre_season_g and \
                 label.max_per_hectare_season_g are both there; keep the one that is true and take \
                 the other out",
                "grove.toml line 8: mixing.product_mark_g and mixing.product_mark_ml are both \
                 there; keep the one that is true and take the other out",
                "grove.toml line 9: mixing.can_ml 10 mL is outside 100 to 200000 mL; correct the \
                 value or its unit",
                "grove.toml line 10: mixing.spare 10 is outside 0 to 0.5; correct the value or its \
                 unit",
                "grove.toml line 12: kit.bore_mm 40 mm is outside 0.2 to 25 mm; correct the value \
                 or its unit",
            ]
        );
    }
}
