//! Effects shared between trees, and what is believed of them before any draw: one state per block,
//! one per species, one per level of a grouping, one per date.

use super::fit::{Grouping, Row, Variances};
use super::linear::LinearError;
use chrono::NaiveDate;
use ndarray::Array2;

/// Effects shared between trees: one state per block, one per species, one per level of a
/// grouping, one per date.
#[derive(Debug, Clone)]
pub(super) struct Shared {
    pub blocks: Vec<String>,
    pub species: Vec<String>,
    /// Standard deviations of the levels of all groupings, one after the other.
    levels: Vec<f64>,
    pub dates: Vec<NaiveDate>,
    /// Lower factor of the dates' prior covariance.
    pub date_factor: Array2<f64>,
    /// Upper factor `U` of the prior precision `U^T U` of all states.
    pub root: Array2<f64>,
    /// That precision.
    pub precision: Array2<f64>,
    /// `ln det` of their prior covariance.
    pub ln_determinant: f64,
}

impl Shared {
    /// Of the blocks, species and dates of these rows, and of the groupings.
    pub fn new(
        rows: &[Row],
        variances: &Variances,
        groupings: &[Grouping],
    ) -> Result<Self, LinearError> {
        let blocks = named(rows.iter().map(|row| row.block.as_str()));
        let species = named(rows.iter().map(|row| row.species.as_str()));
        let dates = distinct(rows.iter().map(|row| row.date));
        let levels: Vec<f64> = groupings.iter().flat_map(|g| vec![g.sd; g.levels()]).collect();
        let mut sds = vec![variances.block_sd; blocks.len()];
        sds.extend(vec![variances.species_sd; species.len()]);
        sds.extend(&levels);
        let (own, d) = (sds.len(), dates.len());
        let mut root = Array2::zeros((own + d, own + d));
        for (i, sd) in sds.iter().enumerate() {
            root[[i, i]] = 1.0 / sd;
        }
        // A day knows of the days before only through the last of them, so that the factor of their
        // covariance and its inverse are written down at once.
        let mut date_factor = Array2::<f64>::zeros((d, d));
        let mut ln_determinant = 2.0 * sds.iter().map(|sd| sd.ln()).sum::<f64>();
        for i in 0..d {
            let carried = match i {
                0 => 0.0,
                _ => variances.day_covariance(dates[i - 1], dates[i]) / variances.day_sd.powi(2),
            };
            let fresh = variances.day_sd * (1.0 - carried * carried).sqrt();
            if !(fresh > 0.0 && fresh.is_finite()) {
                return Err(LinearError::NotPositiveDefinite { what: "covariance of the days" });
            }
            for j in 0..i {
                date_factor[[i, j]] = carried * date_factor[[i - 1, j]];
            }
            date_factor[[i, i]] = fresh;
            let at = own + i;
            root[[at, at]] = 1.0 / fresh;
            if i > 0 {
                root[[at, at - 1]] = -carried / fresh;
            }
            ln_determinant += 2.0 * fresh.ln();
        }
        Ok(Self {
            precision: banded_square(&root),
            ln_determinant,
            root,
            blocks,
            species,
            levels,
            dates,
            date_factor,
        })
    }

    /// Where the dates begin among the states.
    pub fn first_date(&self) -> usize {
        self.first_level() + self.levels.len()
    }

    /// Where the levels of the groupings begin among the states.
    pub fn first_level(&self) -> usize {
        self.blocks.len() + self.species.len()
    }

    /// Number of states.
    pub fn len(&self) -> usize {
        self.first_date() + self.dates.len()
    }

    /// The states of a row, the one at `index`.
    pub fn states(&self, row: &Row, groupings: &[Grouping], index: usize) -> Vec<usize> {
        let block = self.blocks.partition_point(|block| *block < row.block);
        let species = self.species.partition_point(|species| *species < row.species);
        let date = self.dates.partition_point(|date| *date < row.date);
        let mut states = vec![block, self.blocks.len() + species, self.first_date() + date];
        let mut first = self.first_level();
        for grouping in groupings {
            states.extend(grouping.level[index].map(|level| first + level));
            first += grouping.levels();
        }
        states
    }
}

/// `U^T U` of a root with nothing but its diagonal and the cells left of it.
fn banded_square(root: &Array2<f64>) -> Array2<f64> {
    let mut square = Array2::zeros(root.dim());
    for i in 0..root.nrows() {
        square[[i, i]] += root[[i, i]] * root[[i, i]];
        if i > 0 {
            let left = root[[i, i - 1]];
            square[[i - 1, i - 1]] += left * left;
            square[[i, i - 1]] += left * root[[i, i]];
            square[[i - 1, i]] = square[[i, i - 1]];
        }
    }
    square
}

fn named<'a>(names: impl Iterator<Item = &'a str>) -> Vec<String> {
    distinct(names).into_iter().map(str::to_owned).collect()
}

fn distinct<T: Ord>(items: impl Iterator<Item = T>) -> Vec<T> {
    items.collect::<std::collections::BTreeSet<T>>().into_iter().collect()
}
