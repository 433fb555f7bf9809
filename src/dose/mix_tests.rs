use super::*;
use crate::dose::allot::{Area, Basis, Trunk, allot};
use crate::dose::flaw::Refusal;
use crate::dose::rate::{LabelFigures, LabelRate, Per, Typed};
use chrono::NaiveDate;
use proptest::prelude::*;

fn day(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, day).unwrap()
}

fn trunk(id: &str, dbh_cm: f64) -> Trunk {
    Trunk {
        id: id.to_owned(),
        dbh: Centimetres::new(dbh_cm).unwrap(),
        at_most: None,
        given_this_season: Some(0.0),
        last_treated: None,
    }
}

fn ml(value: f64) -> Typed {
    Typed { ml: Some(value), g: None }
}

/// Figures of an invented label.
fn label() -> LabelFigures {
    LabelFigures {
        rate: Some(LabelRate::new(1.0, Counted::Millilitres, Per::CentimetreDbh).unwrap()),
        min_water_ml: ml(9.0),
        ..LabelFigures::default()
    }
}

fn vessels() -> Vessels {
    Vessels {
        product_mark: 1.0,
        water_mark_ml: 10.0,
        pour_mark_ml: 5.0,
        can: Millilitres::new(10_000.0).unwrap(),
        bag: Millilitres::new(250.0).unwrap(),
        bags_at_once: 1,
    }
}

const LEAST: Mixing = Mixing { water: Water::LeastOnLabel, spare: 0.0 };

fn by_tree(trunks: &[Trunk], label: &LabelFigures) -> Result<Allotted, DoseFlaw> {
    allot(trunks, label, Basis::ByTree, Area::default(), day(14))
}

fn refusals(plan: &DosePlan) -> Vec<String> {
    plan.refused.iter().map(|refused| format!("{}: {}", refused.id, refused.why)).collect()
}

#[test]
fn a_missing_figure_is_asked_for_and_never_filled_in() {
    let message = |label| by_tree(&[trunk("A", 30.0)], &label).unwrap_err().to_string();
    let no_rate = message(LabelFigures { rate: None, ..label() });
    assert!(no_rate.starts_with("no label rate is set, and none is ever filled in. It stands in"));
    assert!(no_rate.contains("directions for use"));
    let no_water = message(LabelFigures { min_water_ml: Typed::default(), ..label() });
    assert!(no_water.contains("min_water_ml_per_ml_product"), "{no_water}");
}

#[test]
fn a_maximum_in_the_other_unit_is_not_passed_over() {
    let in_grams = Typed { ml: None, g: Some(20.0) };
    let figures = LabelFigures { max_per_tree: in_grams, ..label() };
    assert_eq!(
        by_tree(&[trunk("A", 30.0)], &figures).unwrap_err().to_string(),
        "maximum per tree is typed in g (20) and the rate in mL; type both in the unit of the \
         label's rate"
    );
}

#[test]
fn product_goes_down_water_goes_up_and_the_error_is_shown() {
    let trees = [trunk("A", 30.4), trunk("B", 40.5)];
    let plan = mix(by_tree(&trees, &label()).unwrap(), &vessels(), LEAST).unwrap();
    let batch = &plan.batches[0];
    // 70.9 mL wanted, 70 measured; 9 x 70 = 630 of water.
    assert_eq!((batch.product_wanted.value(), batch.product.value()), (70.9, 70.0));
    assert_eq!((batch.rounding.value(), batch.water_ml.value()), (0.9, 630.0));
    assert_eq!(batch.product_per_litre.value(), 100.0);
    // 30.4 of 70.9 of 700 mL is 300.1; 40.5 of it is 399.9, poured as 395.
    let poured: Vec<_> = batch.pours.iter().map(|pour| pour.mix_ml.value()).collect();
    assert_eq!(poured, [300.0, 395.0]);
    assert_eq!(batch.left_over_ml.value(), 5.0);
    assert_eq!((plan.trees[0].product.value(), plan.trees[0].water_ml.value()), (30.0, 270.0));
    assert_eq!(plan.trees[1].product.value(), 39.5);
    assert!((plan.trees[1].off_label_dose + 1.0 / 40.5).abs() < 1e-9);
    // 300 mL in bags of 250: one bag, filled again once, with 50 mL.
    let bags = plan.trees[0].bags;
    assert_eq!((bags.bags, bags.refills, bags.last_fill_ml.value()), (1, 1, 50.0));
}

#[test]
fn the_spare_is_mixed_and_never_poured() {
    let trees = [trunk("A", 30.0), trunk("B", 40.0)];
    let spare = Mixing { spare: 0.1, ..LEAST };
    let plan = mix(by_tree(&trees, &label()).unwrap(), &vessels(), spare).unwrap();
    assert_eq!(plan.totals.product.value(), 77.0);
    // 77 mL and 9 x 77 = 693 of water, shown as 700, make 777; 300 and 400 of it are poured.
    assert_eq!((plan.totals.mix_ml.value(), plan.totals.poured_ml.value()), (777.0, 700.0));
    assert_eq!(plan.totals.left_over_ml.value(), 77.0);
    // 300 / 777 and 400 / 777 of 77 mL, each to the millionth.
    assert_eq!(plan.totals.product_given.value(), 69.369_37);
}

#[test]
fn a_thick_elm_gets_the_published_volume_in_several_cans() {
    let figures = LabelFigures {
        rate: Some(LabelRate::new(471.0, Counted::Millilitres, Per::CentimetreDbh).unwrap()),
        min_water_ml: ml(0.0),
        ..LabelFigures::default()
    };
    let plan = mix(by_tree(&[trunk("elm", 56.0)], &figures).unwrap(), &vessels(), LEAST).unwrap();
    assert_eq!(plan.trees[0].product.value(), 26_375.0);
    let measured: Vec<_> = plan.batches.iter().map(|batch| batch.product.value()).collect();
    assert_eq!(measured, [10_000.0, 10_000.0, 6376.0]);
}

#[test]
fn a_fixed_mix_per_tree_makes_each_tree_a_batch() {
    let trees = [trunk("A", 30.0), trunk("B", 40.0), trunk("C", 60.0)];
    let fixed = Water::MixPerTree(Millilitres::new(500.0).unwrap());
    let mixing = Mixing { water: fixed, spare: 0.0 };
    let plan = mix(by_tree(&trees, &label()).unwrap(), &vessels(), mixing).unwrap();
    assert_eq!(plan.batches.len(), 2);
    assert_eq!(plan.batches[1].product_per_litre.value(), 80.0);
    assert_eq!(plan.trees[1].mix_ml.value(), 500.0);
    assert_eq!(
        refusals(&plan),
        [
            "C: 500 mL of mix is wished, and its 60 mL needs at least 600 mL by the label's dilution; \
          wish for more mix or a lower dose"
        ]
    );
}

#[test]
fn a_powder_is_weighed_and_counts_as_no_volume() {
    let figures = LabelFigures {
        rate: Some(LabelRate::new(0.1, Counted::Grams, Per::InchDbh).unwrap()),
        min_water_ml: Typed { ml: None, g: Some(100.0) },
        ..LabelFigures::default()
    };
    let finer = Vessels { product_mark: 0.1, ..vessels() };
    let plan = mix(by_tree(&[trunk("A", 50.8)], &figures).unwrap(), &finer, LEAST).unwrap();
    assert_eq!(plan.batches[0].product.to_string(), "2 g");
    assert_eq!(plan.batches[0].mix_ml.value(), 200.0);
    let dry = LabelFigures { min_water_ml: Typed { ml: None, g: Some(0.0) }, ..figures };
    let allotted = by_tree(&[trunk("A", 50.8)], &dry).unwrap();
    assert_eq!(mix(allotted, &finer, LEAST), Err(DoseFlaw::PowderWithoutWater));
}

#[test]
fn label_maxima_refuse_with_the_figure() {
    let figures = LabelFigures {
        max_per_tree: ml(45.0),
        max_per_tree_season: ml(50.0),
        min_interval_days: Some(365),
        ..label()
    };
    let trees = [
        trunk("fits", 30.0),
        trunk("thick", 60.0),
        Trunk { at_most: Some(45.0), ..trunk("less", 60.0) },
        Trunk { given_this_season: Some(25.0), ..trunk("again", 30.0) },
        Trunk { given_this_season: None, ..trunk("unknown", 30.0) },
        Trunk { last_treated: Some(day(1)), ..trunk("soon", 30.0) },
        Trunk { last_treated: Some(day(15)), ..trunk("later", 30.0) },
        Trunk { at_most: Some(f64::NAN), ..trunk("nan", 30.0) },
    ];
    let plan = mix(by_tree(&trees, &figures).unwrap(), &vessels(), LEAST).unwrap();
    let dosed: Vec<_> = plan.trees.iter().map(|tree| tree.id.as_str()).collect();
    assert_eq!(dosed, ["fits", "less"]);
    insta::assert_snapshot!(refusals(&plan).join("\n"), @r"
    thick: 60 mL is over the label's maximum of 45 mL per tree; where the label allows less than its rate, write 45 mL into trees.csv as product_at_most_ml of this tree; else leave it out
    again: 30 mL with 25 mL given this season is over the label's maximum of 50 mL per tree and season
    unknown: it was treated this season, how much it was given is not on record, and the label's maximum is 50 mL per tree and season; write the amount into trees.csv as given_this_season_ml
    soon: last treated on 2026-03-01, 13 days before; the label asks for 365 days, so not before 2027-03-01
    later: last treated on 2026-03-15, which is after the day planned; correct one of the dates
    nan: 'NaN' is no amount of product: it must be a number from 0
    ");
    let unknown = ["fits", "thick", "less", "again", "unknown", "nan"].map(str::to_owned).to_vec();
    assert_eq!(plan.notes, [DoseNote::LastTreatmentUnknown { ids: unknown }]);
}

#[test]
fn the_area_maximum_holds_over_all_trees() {
    let figures = LabelFigures { max_per_hectare_season: ml(100.0), ..label() };
    let trees = [trunk("A", 30.0), trunk("B", 40.0)];
    let on = |area| allot(&trees, &figures, Basis::ByTree, area, day(14));
    assert_eq!(on(Area::default()), Err(DoseFlaw::NoArea));
    let area = |hectares, given| Area { hectares: Some(hectares), given_this_season: Some(given) };
    assert!(on(area(0.7, 0.0)).is_ok());
    assert!(matches!(on(area(0.7, 0.1)), Err(DoseFlaw::OverArea { .. })));
    let treated = Area { hectares: Some(9.0), given_this_season: None };
    assert_eq!(on(treated), Err(DoseFlaw::AreaGivenUnknown));
    assert!(matches!(on(area(f64::NAN, 0.0)), Err(DoseFlaw::Area { .. })));
    assert!(matches!(on(area(0.7, f64::NAN)), Err(DoseFlaw::Figure { .. })));
}

#[test]
fn a_mean_dose_is_refused_for_thinner_trees_unless_allowed() {
    let trees = [trunk("thin", 20.0), trunk("thick", 40.0)];
    let mean = Basis::ByMean { mean_dbh_cm: Centimetres::new(30.0).unwrap() };
    let plan = |allowed| {
        let figures = LabelFigures { mean_dose_allowed: allowed, ..label() };
        let allotted = allot(&trees, &figures, mean, Area::default(), day(14)).unwrap();
        mix(allotted, &vessels(), LEAST).unwrap()
    };
    for not_typed in [None, Some(false)] {
        let plan = plan(not_typed);
        assert_eq!(plan.trees.len(), 1);
        assert_eq!(plan.trees[0].off_label_dose, -0.25);
        assert!(matches!(plan.refused[0].why, Refusal::MeanOverOwn { .. }));
    }
    let allowed = plan(Some(true));
    assert_eq!(allowed.trees[0].off_label_dose, 0.5);
    let far = ["thin", "thick"].map(str::to_owned).to_vec();
    assert_eq!(allowed.notes, [DoseNote::FarFromMean { ids: far }]);
}

#[test]
fn vessels_too_coarse_or_too_small_are_refused() {
    let attempt = |vessels: Vessels, mixing| {
        mix(by_tree(&[trunk("A", 30.0)], &label()).unwrap(), &vessels, mixing)
    };
    let coarse = Vessels { product_mark: 50.0, ..vessels() };
    assert!(matches!(attempt(coarse, LEAST), Err(DoseFlaw::BelowMark { .. })));
    let small = Millilitres::new(100.0).unwrap();
    let small = Vessels { can: small, product_mark: 20.0, ..vessels() };
    assert!(matches!(attempt(small, LEAST), Err(DoseFlaw::CanTooSmall { .. })));
    let bucket = Vessels { pour_mark_ml: 1000.0, ..vessels() };
    assert!(matches!(attempt(bucket, LEAST), Err(DoseFlaw::BelowPour { .. })));
    let noted = attempt(Vessels { product_mark: 16.0, ..vessels() }, LEAST).unwrap();
    assert!(matches!(noted.notes[0], DoseNote::CoarseVessel { batch: 1, .. }));
    for broken in [
        Vessels { product_mark: 0.0, ..vessels() },
        Vessels { water_mark_ml: f64::NAN, ..vessels() },
        Vessels { bags_at_once: 0, ..vessels() },
        Vessels { water_mark_ml: 6000.0, ..vessels() },
    ] {
        assert!(matches!(attempt(broken, LEAST), Err(DoseFlaw::Vessel { .. })), "{broken:?}");
    }
    for spare in [-0.1, 0.51, f64::NAN] {
        let mixing = Mixing { spare, ..LEAST };
        assert!(matches!(attempt(vessels(), mixing), Err(DoseFlaw::Spare { .. })), "{spare}");
    }
    let strong = Mixing { water: Water::PerProduct(8.9), ..LEAST };
    let flaw = DoseFlaw::TooStrong { wished: 8.9, least: 9.0 };
    assert_eq!(attempt(vessels(), strong), Err(flaw));
}

#[test]
fn the_same_tree_twice_or_no_tree_is_refused() {
    let twice = by_tree(&[trunk("A", 30.0), trunk("A", 30.0)], &label());
    assert_eq!(twice, Err(DoseFlaw::Twice { id: "A".into() }));
    assert_eq!(by_tree(&[], &label()), Err(DoseFlaw::NoTrees));
}

/// Everything that a user can bring, sensible or not.
#[derive(Debug, Clone)]
struct Brought {
    trunks: Vec<Trunk>,
    figures: LabelFigures,
    basis: Basis,
    vessels: Vessels,
    mixing: Mixing,
}

fn odd() -> impl Strategy<Value = f64> {
    prop_oneof![
        Just(0.0),
        Just(f64::NAN),
        Just(f64::INFINITY),
        Just(-1.0),
        Just(1e-9),
        Just(1e300),
        any::<f64>(),
    ]
}

/// Mostly within the range, over several powers of ten; sometimes anything at all.
fn about(low: f64, high: f64) -> impl Strategy<Value = f64> {
    prop_oneof![60 => (low.ln()..high.ln()).prop_map(f64::exp), 1 => odd()]
}

fn maybe(low: f64, high: f64) -> impl Strategy<Value = Option<f64>> {
    prop_oneof![3 => Just(None), 1 => about(low, high).prop_map(Some)]
}

fn trunks() -> impl Strategy<Value = Vec<Trunk>> {
    let one = (3.0..478.0_f64, maybe(0.1, 1e4), prop_oneof![4 => Just(0.0), 1 => about(0.1, 1e4)]);
    prop::collection::vec(one, 1..12).prop_map(|trees| {
        let tree = |(index, (dbh, at_most, given)): (usize, (f64, Option<f64>, f64))| Trunk {
            at_most,
            given_this_season: Some(given),
            ..trunk(&index.to_string(), dbh)
        };
        trees.into_iter().enumerate().map(tree).collect()
    })
}

fn figures() -> impl Strategy<Value = LabelFigures> {
    let of = prop::sample::select(vec![Counted::Millilitres, Counted::Grams]);
    let per = prop::sample::select(vec![
        Per::CentimetreDbh,
        Per::InchDbh,
        Per::CentimetreCircumference,
        Per::SquareCentimetreBasalArea,
        Per::Tree,
    ]);
    let water = prop_oneof![1 => Just(0.0), 9 => about(0.01, 1000.0)];
    let most = (maybe(0.1, 1e4), maybe(0.1, 1e4));
    let allowed = prop::sample::select(vec![None, Some(false), Some(true)]);
    (about(0.001, 500.0), of, per, water, most, allowed).prop_map(
        |(rate, of, per, water, most, mean_dose_allowed)| {
            let typed = |value| match of {
                Counted::Millilitres => Typed { ml: value, g: None },
                Counted::Grams => Typed { ml: None, g: value },
            };
            LabelFigures {
                rate: LabelRate::new(rate, of, per).ok(),
                min_water_ml: typed(Some(water)),
                max_per_tree: typed(most.0),
                max_per_tree_season: typed(most.1),
                mean_dose_allowed,
                ..LabelFigures::default()
            }
        },
    )
}

fn brought() -> impl Strategy<Value = Brought> {
    let basis = prop_oneof![
        Just(Basis::ByTree),
        (3.0..478.0_f64)
            .prop_map(|dbh| Basis::ByMean { mean_dbh_cm: Centimetres::new(dbh).unwrap() }),
    ];
    let marks = (about(0.001, 10.0), about(0.001, 50.0), about(0.001, 50.0));
    let sizes = (100.0..200_000.0_f64, 10.0..5000.0_f64, 1_u32..4);
    let vessels =
        (marks, sizes).prop_map(|((product, water, pour), (can, bag, bags_at_once))| Vessels {
            product_mark: product,
            water_mark_ml: water,
            pour_mark_ml: pour,
            can: Millilitres::new(can).unwrap(),
            bag: Millilitres::new(bag).unwrap(),
            bags_at_once,
        });
    let water = prop_oneof![
        Just(Water::LeastOnLabel),
        about(0.1, 2000.0).prop_map(Water::PerProduct),
        (10.0..100_000.0_f64).prop_map(|mix| Water::MixPerTree(Millilitres::new(mix).unwrap())),
        about(1.0, 1000.0).prop_map(Water::MixPerCentimetreDbh),
    ];
    let spare = prop_oneof![2 => Just(0.0), 2 => 0.0..0.5_f64, 1 => odd()];
    let mixing = (water, spare).prop_map(|(water, spare)| Mixing { water, spare });
    (trunks(), figures(), basis, vessels, mixing).prop_map(
        |(trunks, figures, basis, vessels, mixing)| Brought {
            trunks,
            figures,
            basis,
            vessels,
            mixing,
        },
    )
}

/// Not more than, but for the noise of multiplying two floats.
fn at_most(value: f64, most: f64) -> bool {
    value <= most * (1.0 + 1e-12)
}

/// Checks a plan against what was brought, from the plan's printed figures alone.
fn check_doses(plan: &DosePlan, brought: &Brought) -> Result<(), TestCaseError> {
    let Brought { trunks, figures, basis, .. } = brought;
    let rate = figures.rate.unwrap();
    let most = |typed: Typed| typed.ml.or(typed.g).unwrap_or(f64::INFINITY);
    for dose in &plan.trees {
        let tree = trunks.iter().find(|trunk| trunk.id == dose.id).unwrap();
        let given = dose.product.value();
        let own = rate.for_trunk(tree.dbh);
        let allowed = match (basis, figures.mean_dose_allowed) {
            (Basis::ByMean { mean_dbh_cm }, Some(true)) => own.max(rate.for_trunk(*mean_dbh_cm)),
            _ => own,
        };
        prop_assert!(at_most(given, allowed), "{given} over the rate's {allowed}");
        prop_assert!(at_most(given, most(figures.max_per_tree)));
        prop_assert!(at_most(given, tree.at_most.unwrap_or(f64::INFINITY)));
        let season = given + tree.given_this_season.unwrap_or(0.0);
        prop_assert!(at_most(season, most(figures.max_per_tree_season)));
        prop_assert!(given.is_finite() && dose.off_label_dose.is_finite());
    }
    Ok(())
}

fn check_batches(plan: &DosePlan, brought: &Brought) -> Result<(), TestCaseError> {
    let least = brought.figures.min_water_ml.ml.or(brought.figures.min_water_ml.g).unwrap();
    for batch in &plan.batches {
        let (product, water) = (batch.product.value(), batch.water_ml.value());
        prop_assert!(at_most(product * least, water), "{water} is too little for {product}");
        prop_assert!(product > 0.0 && at_most(product, batch.product_wanted.value()));
        prop_assert!(batch.mix_ml.value() <= brought.vessels.can.value());
        let poured: f64 = batch.pours.iter().map(|pour| pour.mix_ml.value()).sum();
        prop_assert!((poured + batch.left_over_ml.value() - batch.mix_ml.value()).abs() < 1e-6);
        let whole = product / brought.vessels.product_mark;
        // A mark typed with more digits than millionths is held to the next millionth.
        let held_to = 1e-6 * whole / brought.vessels.product_mark + 1e-9;
        prop_assert!((whole - whole.round()).abs() <= held_to.max(1e-9 * whole));
    }
    Ok(())
}

fn check_totals(plan: &DosePlan) -> Result<(), TestCaseError> {
    // In millionths, as they are counted: sums must be exact.
    let count = |value: f64| (value * 1e6).round() as i128;
    let sum = |values: &mut dyn Iterator<Item = f64>| values.map(count).sum::<i128>();
    let (totals, batches, trees) = (&plan.totals, &plan.batches, &plan.trees);
    let product = sum(&mut batches.iter().map(|batch| batch.product.value()));
    prop_assert_eq!(count(totals.product.value()), product);
    let water = sum(&mut batches.iter().map(|batch| batch.water_ml.value()));
    prop_assert_eq!(count(totals.water_ml.value()), water);
    let made = sum(&mut batches.iter().map(|batch| batch.mix_ml.value()));
    prop_assert_eq!(count(totals.mix_ml.value()), made);
    let poured = sum(&mut trees.iter().map(|tree| tree.mix_ml.value()));
    prop_assert_eq!(count(totals.poured_ml.value()), poured);
    prop_assert_eq!(count(totals.left_over_ml.value()), made - poured);
    let given = sum(&mut trees.iter().map(|tree| tree.product.value()));
    prop_assert_eq!(count(totals.product_given.value()), given);
    let pours = batches.iter().flat_map(|batch| &batch.pours);
    prop_assert_eq!(sum(&mut pours.map(|pour| pour.mix_ml.value())), poured);
    Ok(())
}

#[test]
fn most_of_what_the_property_brings_can_be_mixed() {
    use proptest::strategy::ValueTree;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mixed = (0..500).filter(|_| {
        let brought = brought().new_tree(&mut runner).unwrap().current();
        let Brought { trunks, figures, basis, vessels, mixing } = &brought;
        let allotted = allot(trunks, figures, *basis, Area::default(), day(14));
        let plan = allotted.and_then(|allotted| mix(allotted, vessels, *mixing));
        plan.is_ok_and(|plan| !plan.trees.is_empty())
    });
    let mixed = mixed.count();
    assert!(mixed > 100, "{mixed} of 500");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn no_input_can_exceed_the_label_and_totals_are_sums(brought in brought()) {
        let Brought { trunks, figures, basis, vessels, mixing } = &brought;
        let allotted = allot(trunks, figures, *basis, Area::default(), day(14));
        let plan = allotted.and_then(|allotted| mix(allotted, vessels, *mixing));
        if let Ok(plan) = plan {
            prop_assert_eq!(plan.trees.len() + plan.refused.len(), trunks.len());
            check_doses(&plan, &brought)?;
            check_batches(&plan, &brought)?;
            check_totals(&plan)?;
        }
    }
}
