//! The use case under anything that a folder can hold: no tree over its label rate or a maximum, no
//! mix stronger than the label's, totals that are sums, and the same sheet worked out a second way.

use proptest::prelude::*;
use std::fmt::Write;
use xylocast::app::dose::{Asked, Dose, Units, without_model};
use xylocast::app::sheet::Part;
use xylocast::grove::{Files, Grove};

/// A grove with a label, all in whole tenths and thousandths, so that a second way can be exact.
#[derive(Debug, Clone)]
struct Typed {
    /// dbh of each tree, tenths of a cm, with what it may get at most and was given, mL.
    trees: Vec<(u32, Option<u32>, Option<u32>)>,
    rate_key: &'static str,
    /// Thousandths.
    rate: u32,
    /// Tenths of mL to one of product.
    water: u32,
    max_per_tree: Option<u32>,
    max_per_tree_season: Option<u32>,
    max_per_hectare: Option<u32>,
    mean_allowed: Option<bool>,
    by_mean: bool,
    us: bool,
    /// Tenths of mL.
    marks: [u32; 3],
    can_ml: u32,
    bag_ml: u32,
    /// Percent.
    spare: u32,
}

fn typed() -> impl Strategy<Value = Typed> {
    let most = || prop_oneof![3 => Just(None), 1 => (1_u32..3000).prop_map(Some)];
    let tree = (30_u32..2000, most(), most());
    let rate_key = prop::sample::select(vec![
        "label_rate_ml_per_cm_dbh",
        "label_rate_ml_per_inch_dbh",
        "per_cm_circumference_ml",
        "per_cm2_basal_area_ml",
        "per_tree_ml",
    ]);
    let label = (rate_key, 1_u32..20_000, 0_u32..400, most(), most(), most());
    let allowed = prop::sample::select(vec![None, Some(false), Some(true)]);
    let vessels = ([1_u32..50, 1..500, 1..500], 500_u32..50_000, 100_u32..5000, 0_u32..=50);
    (prop::collection::vec(tree, 1..8), label, allowed, any::<[bool; 2]>(), vessels).prop_map(
        |(trees, label, mean_allowed, [by_mean, us], (marks, can_ml, bag_ml, spare))| Typed {
            trees,
            rate_key: label.0,
            rate: label.1,
            water: label.2,
            max_per_tree: label.3,
            max_per_tree_season: label.4,
            max_per_hectare: label.5,
            mean_allowed,
            by_mean,
            us,
            marks,
            can_ml,
            bag_ml,
            spare,
        },
    )
}

fn tenths(value: u32) -> String {
    format!("{}.{}", value / 10, value % 10)
}

impl Typed {
    fn grove(&self) -> Grove {
        let mut toml = format!(
            "name = 'P'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -35\n\
             longitude_deg = 138.8\nelevation_m = 100\n[label]\n{} = {}.{:03}\n\
             min_water_ml_per_ml_product = {}\n",
            self.rate_key,
            self.rate / 1000,
            self.rate % 1000,
            tenths(self.water)
        );
        for (key, most) in [
            ("max_per_tree_ml", self.max_per_tree),
            ("max_per_tree_season_ml", self.max_per_tree_season),
            ("max_per_hectare_season_ml", self.max_per_hectare),
        ] {
            let _ = most.map(|most| writeln!(toml, "{key} = {most}"));
        }
        let _ = self.mean_allowed.map(|allowed| writeln!(toml, "mean_dose_allowed = {allowed}"));
        let [product, water, pour] = self.marks.map(tenths);
        let _ = write!(
            toml,
            "[mixing]\nproduct_mark_ml = {product}\nwater_mark_ml = {water}\npour_mark_ml = {pour}\n\
             can_ml = {}\nspare = {}\n[bag]\ncapacity_ml = {}\n",
            self.can_ml,
            f64::from(self.spare) / 100.0,
            self.bag_ml
        );
        let mut trees = String::from(
            "tree_id,block,species,dbh_cm,ports,product_at_most_ml,given_this_season_ml\n",
        );
        let cell = |value: &Option<u32>| value.map_or(String::new(), |value| value.to_string());
        for (number, (dbh, at_most, given)) in self.trees.iter().enumerate() {
            let (at_most, given) = (cell(at_most), cell(given));
            let _ = writeln!(trees, "T{number},a,,{},8,{at_most},{given}", tenths(*dbh));
        }
        let files = Files::from([
            ("grove.toml", toml.as_bytes()),
            ("trees.csv", trees.as_bytes()),
            ("blocks.csv", b"block,area_ha\na,1\n".as_slice()),
        ]);
        Grove::read(&files).unwrap_or_else(|refused| panic!("{refused}"))
    }

    fn dose(&self) -> Dose {
        let units = if self.us { Units::Us } else { Units::Metric };
        let asked = Asked { by_mean: self.by_mean, units: Some(units), ..Asked::default() };
        let all: Vec<usize> = (0..self.trees.len()).collect();
        let day = chrono::NaiveDate::from_ymd_opt(2026, 1, 15).unwrap();
        without_model(&self.grove(), &all, day, &asked)
    }

    /// Size of a trunk in what the rate is counted by, in plain arithmetic.
    fn size(&self, dbh_cm: f64) -> f64 {
        use std::f64::consts::PI;
        match self.rate_key {
            "label_rate_ml_per_cm_dbh" => dbh_cm,
            "label_rate_ml_per_inch_dbh" => dbh_cm / 2.54,
            "per_cm_circumference_ml" => PI * dbh_cm,
            "per_cm2_basal_area_ml" => PI / 4.0 * dbh_cm * dbh_cm,
            _ => 1.0,
        }
    }
}

fn at_most(value: f64, most: f64) -> bool {
    value <= most * (1.0 + 1e-9) + 1e-6
}

fn millionths(value: f64) -> i64 {
    (value * 1e6).round() as i64
}

fn hold(typed: &Typed) -> Result<usize, TestCaseError> {
    let dose = typed.dose();
    let Some(doses) = &dose.blocks[0].doses else { return Ok(0) };
    let (mut block, mut poured) = (0.0, 0);
    for tree in &doses.trees {
        let number: usize = tree.id[1..].parse().unwrap();
        let (dbh, wish, given) = typed.trees[number];
        let product = tree.product.value();
        let own = f64::from(typed.rate) / 1000.0 * typed.size(f64::from(dbh) / 10.0);
        prop_assert!(product > 0.0 && product.is_finite());
        if !(typed.by_mean && typed.mean_allowed == Some(true)) {
            prop_assert!(at_most(product, own), "{product} over its own rate {own}");
        }
        let unlimited = |most: Option<u32>| most.map_or(f64::INFINITY, f64::from);
        prop_assert!(at_most(product, unlimited(typed.max_per_tree)));
        prop_assert!(at_most(product, unlimited(wish)));
        let season = product + f64::from(given.unwrap_or(0));
        prop_assert!(at_most(season, unlimited(typed.max_per_tree_season)));
        block += product;
        poured += millionths(tree.mix_ml.value());
    }
    let given: u32 = typed.trees.iter().filter_map(|tree| tree.2).sum();
    if let Some(most) = typed.max_per_hectare.filter(|_| !doses.trees.is_empty()) {
        prop_assert!(at_most(block + f64::from(given), f64::from(most)));
    }
    let mut sums = [0; 3];
    for sheet in &dose.blocks[0].mixing {
        let batch = &sheet.batch;
        let least = f64::from(typed.water) / 10.0 * batch.product.value();
        prop_assert!(at_most(least, batch.water_ml.value()), "stronger than the label's dilution");
        prop_assert!(at_most(batch.mix_ml.value(), f64::from(typed.can_ml)));
        for (sum, part) in sums.iter_mut().zip([
            batch.product.value(),
            batch.water_ml.value(),
            batch.mix_ml.value(),
        ]) {
            *sum += millionths(part);
        }
    }
    let totals = &doses.totals;
    prop_assert_eq!(
        sums,
        [totals.product.value(), totals.water_ml.value(), totals.mix_ml.value()].map(millionths)
    );
    prop_assert_eq!(millionths(totals.poured_ml.value()), poured);
    shown_is_poured(&dose)?;
    Ok(doses.trees.len())
}

/// What the sheet shows to pour is what the plan says, to the mark.
fn shown_is_poured(dose: &Dose) -> Result<(), TestCaseError> {
    let doses = dose.blocks[0].doses.as_ref().unwrap();
    let tables = dose.sheets[0].sheet.parts.iter().filter_map(|part| match part {
        Part::Table(table) => Some(table),
        _ => None,
    });
    for table in tables {
        let at = table.columns.iter().position(|column| column.act_on).unwrap();
        for (row, tree) in table.rows.iter().zip(&doses.trees) {
            prop_assert_eq!(&row[0], &tree.id);
            let shown: f64 = row[at].parse().unwrap();
            prop_assert!((shown - tree.mix_ml.value()).abs() < 1e-6, "{} {shown}", tree.mix_ml);
        }
    }
    Ok(())
}

/// The same batch by whole numbers, searched for mark by mark: product as much as the marks allow,
/// water as little, each pour as much as keeps its tree at its dose. In tenths, hundredths and so on
/// of mL, as whole numbers.
fn second_way(typed: &Typed) -> Option<(u128, u128, Vec<u128>)> {
    const MICRO: u128 = 1_000_000;
    // rate (1e-3) x dbh (1e-1) = 1e-4 mL: exact in millionths.
    let own = |dbh: u32| u128::from(typed.rate) * u128::from(dbh) * 100;
    let doses: Vec<u128> = typed
        .trees
        .iter()
        .map(|(dbh, wish, _)| {
            wish.map_or(own(*dbh), |wish| own(*dbh).min(u128::from(wish) * MICRO))
        })
        .collect();
    let wanted = doses.iter().sum::<u128>() * u128::from(100 + typed.spare) / 100;
    let [product_mark, water_mark, pour_mark] =
        typed.marks.map(|mark| u128::from(mark) * MICRO / 10);
    let mut product = 0;
    while product + product_mark <= wanted {
        product += product_mark;
    }
    let mut water = 0;
    while water * 10 < product * u128::from(typed.water) {
        water += water_mark;
    }
    let mix = product + water;
    if product == 0 || mix > u128::from(typed.can_ml) * MICRO {
        return None;
    }
    let pour = |dose: &u128| {
        let mut poured = 0;
        while (poured + pour_mark) * wanted <= dose * mix {
            poured += pour_mark;
        }
        poured
    };
    Some((product, water, doses.iter().map(pour).collect()))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn no_folder_makes_a_dose_exceed_its_label(typed in typed()) {
        hold(&typed)?;
    }

    #[test]
    fn a_second_way_by_whole_numbers_comes_to_the_same_sheet(typed in typed()) {
        let typed = Typed {
            rate_key: "label_rate_ml_per_cm_dbh",
            rate: typed.rate % 1500 + 1,
            max_per_tree: None,
            max_per_tree_season: None,
            max_per_hectare: None,
            by_mean: false,
            can_ml: 50_000,
            marks: typed.marks.map(|mark| mark.max(10)),
            ..typed
        };
        let dose = typed.dose();
        let block = &dose.blocks[0];
        let Some((product, water, pours)) = second_way(&typed) else { return Ok(()) };
        if block.mixing.len() != 1 {
            // Nothing but a pour below the first mark stops a batch that fits its can, or the last
            // marks of spare and water do not fit beside it.
            let stopped = block.stopped.as_deref().unwrap_or("more than one can");
            let told = stopped.contains("first mark") || stopped == "more than one can";
            prop_assert!(told, "{stopped}");
            return Ok(());
        }
        let batch = &block.mixing[0].batch;
        let micro = |value: f64| (value * 1e6).round() as u128;
        prop_assert_eq!(micro(batch.product.value()), product);
        prop_assert_eq!(micro(batch.water_ml.value()), water);
        let poured: Vec<u128> =
            batch.pours.iter().map(|pour| micro(pour.mix_ml.value())).collect();
        prop_assert_eq!(poured, pours);
    }
}

#[test]
fn most_of_what_the_properties_bring_is_dosed() {
    use proptest::strategy::ValueTree;
    use proptest::test_runner::TestRunner;
    let mut runner = TestRunner::deterministic();
    let drawn: Vec<Typed> =
        (0..100).map(|_| typed().new_tree(&mut runner).unwrap().current()).collect();
    let dosed = drawn.iter().filter(|typed| hold(typed).unwrap() > 0).count();
    assert!(dosed >= 30, "only {dosed} of 100 dose a tree");
    let alike = drawn.iter().filter(|typed| second_way(typed).is_some()).count();
    assert!(alike >= 20, "only {alike} of 100 have a second way");
}
