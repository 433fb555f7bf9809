//! Measuring trunks: mean dbh, how far it can be trusted, how many trees that takes, and which
//! trees stand apart.

use super::student;
use crate::units::Centimetres;
use serde::Serialize;

/// A tree further from the mean than this share of it should be dosed by its own dbh (judgement:
/// at 25 % off, a dose by the mean is a quarter wrong).
pub const FAR_FROM_MEAN: f64 = 0.25;

/// Most trees that a sample size is worked out for.
const MOST_TREES: u32 = 100_000;

/// What cannot be worked out from the trunks measured.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum SampleFlaw {
    #[error("no trunk was measured; 8 to 10 trees make a first sample")]
    NoTrunks,
    #[error(
        "{trunks} trunk was measured; spread and interval need at least 2, better 8 to 10 trees"
    )]
    TooFew { trunks: usize },
    #[error("a confidence of {confidence} is outside 0.5 to 0.99")]
    Confidence { confidence: f64 },
    #[error("a precision of {precision} of the mean is outside 0.005 to 0.5")]
    Precision { precision: f64 },
    #[error("{measured} trunks were measured in a block said to hold {block}; correct one of them")]
    MoreThanBlock { measured: usize, block: u32 },
}

/// A sample of trunks summed up.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = Trunks)]
pub struct Spread {
    /// Trunks measured.
    pub trunks: usize,
    /// Mean dbh.
    pub mean_dbh_cm: Centimetres,
    /// Standard deviation of the dbh, with one less than the trunks as divisor.
    pub sd_cm: f64,
    /// Confidence of the interval.
    pub confidence: f64,
    /// Lower end of the interval of the mean.
    pub low_cm: f64,
    /// Upper end of the interval of the mean.
    pub high_cm: f64,
    /// Half the interval as a share of the mean: the precision reached.
    pub precision: f64,
}

/// A tree that the mean does not describe.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Apart {
    /// Its place in the list given, from 0.
    pub index: usize,
    /// Its dbh.
    pub dbh_cm: Centimetres,
    /// How far from the mean, as a share of it; negative where thinner.
    pub off: f64,
}

/// Mean dbh of the trunks.
///
/// `mean = sum(dbh) / n`, each `dbh = circumference / pi`.
///
/// ```
/// use xylocast::dose::measure::mean_dbh;
/// use xylocast::units::Circumference;
/// // 94.2 cm round is 29.98 cm through.
/// let trunk = Circumference::new(94.2).unwrap().dbh();
/// assert!((mean_dbh(&[trunk]).unwrap().value() - 29.98).abs() < 0.01);
/// ```
///
/// # Errors
/// [`SampleFlaw::NoTrunks`].
pub fn mean_dbh(trunks: &[Centimetres]) -> Result<Centimetres, SampleFlaw> {
    if trunks.is_empty() {
        return Err(SampleFlaw::NoTrunks);
    }
    let sum: f64 = trunks.iter().map(|dbh| dbh.value()).sum();
    Ok(Centimetres::computed(sum / trunks.len() as f64))
}

/// Mean, spread and confidence interval of the dbh of a random sample.
///
/// `mean +- t(confidence, n - 1) s / sqrt(n) sqrt(1 - n / N)`, with the last factor only where the
/// number of trees in the block, `N`, is given: a block measured whole has no sampling error.
/// Student (1908); the finite factor as in Cochran, Sampling Techniques (1977), chapter 2. Trees
/// are taken as a random sample of a block, not as the nearest to the gate.
///
/// ```
/// use xylocast::dose::measure::spread;
/// use xylocast::units::Centimetres;
/// // By hand: mean 30, deviations -2 -1 0 1 2, s = sqrt(10 / 4) = 1.5811, t(4) = 2.7764,
/// // half width 2.7764 x 1.5811 / sqrt(5) = 1.963.
/// let trunks: Vec<_> =
///     [28.0, 29.0, 30.0, 31.0, 32.0].iter().map(|&d| Centimetres::new(d).unwrap()).collect();
/// let sample = spread(&trunks, 0.95, None).unwrap();
/// assert!((sample.sd_cm - 1.5811).abs() < 1e-4);
/// assert!((sample.high_cm - 31.963).abs() < 1e-3 && (sample.low_cm - 28.037).abs() < 1e-3);
/// ```
///
/// # Errors
/// [`SampleFlaw`] for fewer than two trunks, a confidence outside 0.5 to 0.99, or more trunks than
/// the block has trees.
pub fn spread(
    trunks: &[Centimetres],
    confidence: f64,
    block_trees: Option<u32>,
) -> Result<Spread, SampleFlaw> {
    check_confidence(confidence)?;
    let mean = mean_dbh(trunks)?;
    let count = trunks.len();
    if count < 2 {
        return Err(SampleFlaw::TooFew { trunks: count });
    }
    if let Some(block) = block_trees.filter(|&block| count > block as usize) {
        return Err(SampleFlaw::MoreThanBlock { measured: count, block });
    }
    let squares: f64 = trunks.iter().map(|dbh| (dbh.value() - mean.value()).powi(2)).sum();
    let sd_cm = (squares / (count - 1) as f64).sqrt();
    let half = half_width(sd_cm, count as u32, confidence, block_trees);
    Ok(Spread {
        trunks: count,
        mean_dbh_cm: mean,
        sd_cm,
        confidence,
        low_cm: mean.value() - half,
        high_cm: mean.value() + half,
        precision: half / mean.value(),
    })
}

/// Trees to measure so that the mean is known to `precision`, a share of it, if the spread stays
/// what it was in the sample.
///
/// The smallest `n >= 2` with `t(confidence, n - 1) s / sqrt(n) <= precision x mean`: the t itself
/// depends on n, so it is searched for and not divided out. None where more than 100,000 trees, or
/// more than the block has, would be needed; with the block's number given, that cannot happen.
///
/// ```
/// use xylocast::dose::measure::{spread, trees_needed};
/// use xylocast::units::Centimetres;
/// // By hand, CV = 1.5811 / 30 = 5.27 %, wished 2.5 %: at n = 19 t(18) = 2.1009 gives 2.540 %, at
/// // n = 20 t(19) = 2.0930 gives 2.467 %.
/// let trunks: Vec<_> =
///     [28.0, 29.0, 30.0, 31.0, 32.0].iter().map(|&d| Centimetres::new(d).unwrap()).collect();
/// let sample = spread(&trunks, 0.95, None).unwrap();
/// assert_eq!(trees_needed(&sample, 0.025, None).unwrap(), Some(20));
/// ```
///
/// # Errors
/// [`SampleFlaw::Precision`] outside 0.005 to 0.5.
pub fn trees_needed(
    sample: &Spread,
    precision: f64,
    block_trees: Option<u32>,
) -> Result<Option<u32>, SampleFlaw> {
    if !(0.005..=0.5).contains(&precision) {
        return Err(SampleFlaw::Precision { precision });
    }
    check_confidence(sample.confidence)?;
    let wished = precision * sample.mean_dbh_cm.value();
    let enough =
        |trees: u32| half_width(sample.sd_cm, trees, sample.confidence, block_trees) <= wished;
    let (mut low, mut high) = (2, block_trees.unwrap_or(MOST_TREES).clamp(2, MOST_TREES));
    if !enough(high) {
        return Ok(None);
    }
    while low < high {
        let middle = low + (high - low) / 2;
        if enough(middle) { high = middle } else { low = middle + 1 }
    }
    Ok(Some(low))
}

/// Trees more than [`FAR_FROM_MEAN`] off the mean: those to dose one by one.
pub fn far_from_mean(trunks: &[Centimetres], mean: Centimetres) -> Vec<Apart> {
    let off = |dbh: Centimetres| dbh.value() / mean.value() - 1.0;
    let apart = trunks.iter().enumerate().filter(|(_, dbh)| off(**dbh).abs() > FAR_FROM_MEAN);
    apart.map(|(index, &dbh)| Apart { index, dbh_cm: dbh, off: off(dbh) }).collect()
}

fn half_width(sd_cm: f64, trees: u32, confidence: f64, block_trees: Option<u32>) -> f64 {
    let sampled = block_trees.map_or(0.0, |block| f64::from(trees) / f64::from(block.max(1)));
    let finite = (1.0 - sampled).max(0.0).sqrt();
    student::two_sided(confidence, trees - 1) * sd_cm / f64::from(trees).sqrt() * finite
}

fn check_confidence(confidence: f64) -> Result<(), SampleFlaw> {
    if (0.5..=0.99).contains(&confidence) {
        Ok(())
    } else {
        Err(SampleFlaw::Confidence { confidence })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn trunks(dbhs: &[f64]) -> Vec<Centimetres> {
        dbhs.iter().map(|&dbh| Centimetres::new(dbh).unwrap()).collect()
    }

    #[test]
    fn one_trunk_has_a_mean_and_no_spread() {
        let one = trunks(&[30.0]);
        assert_eq!(mean_dbh(&one).unwrap().value(), 30.0);
        assert_eq!(spread(&one, 0.95, None), Err(SampleFlaw::TooFew { trunks: 1 }));
        assert_eq!(mean_dbh(&[]), Err(SampleFlaw::NoTrunks));
    }

    #[test]
    fn a_block_measured_whole_has_no_sampling_error() {
        let all = trunks(&[28.0, 32.0, 36.0]);
        let whole = spread(&all, 0.95, Some(3)).unwrap();
        assert_eq!((whole.low_cm, whole.high_cm, whole.precision), (32.0, 32.0, 0.0));
        assert_eq!(trees_needed(&whole, 0.005, Some(3)).unwrap(), Some(3));
        let flaw = spread(&all, 0.95, Some(2)).unwrap_err();
        assert_eq!(flaw, SampleFlaw::MoreThanBlock { measured: 3, block: 2 });
    }

    #[test]
    fn only_trees_beyond_a_quarter_off_stand_apart() {
        let block = trunks(&[30.0, 22.5, 37.5, 22.4, 37.6]);
        let apart = far_from_mean(&block, Centimetres::new(30.0).unwrap());
        assert_eq!(apart.iter().map(|tree| tree.index).collect::<Vec<_>>(), [3, 4]);
        assert!(apart[0].off < -0.25 && apart[1].off > 0.25);
    }

    #[test]
    fn nonsense_is_refused() {
        let two = trunks(&[30.0, 31.0]);
        for confidence in [0.0, 1.0, f64::NAN, 0.999] {
            assert!(spread(&two, confidence, None).is_err(), "{confidence}");
        }
        let sample = spread(&two, 0.9, None).unwrap();
        for precision in [0.0, f64::NAN, 1.0] {
            assert!(trees_needed(&sample, precision, None).is_err(), "{precision}");
        }
        let wild = spread(&trunks(&[3.0, 478.0]), 0.99, None).unwrap();
        assert_eq!(trees_needed(&wild, 0.005, None).unwrap(), None);
    }

    proptest! {
        #[test]
        fn the_sample_size_is_the_smallest_that_reaches_the_precision(
            dbhs in prop::collection::vec(10.0..80.0_f64, 2..15),
            precision in 0.02..0.5_f64,
        ) {
            let sample = spread(&trunks(&dbhs), 0.95, None).unwrap();
            let needed = trees_needed(&sample, precision, None).unwrap().unwrap();
            let reached = |trees| half_width(sample.sd_cm, trees, 0.95, None) / sample.mean_dbh_cm.value();
            prop_assert!(reached(needed) <= precision);
            prop_assert!(needed == 2 || reached(needed - 1) > precision);
        }
    }
}
