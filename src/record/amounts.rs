//! What was loaded, came back, ran out and went in: counted in whole thousandths, so that sums
//! over trees are exact.

use crate::grove::{Application, Draw, Seen};
use serde::{Serialize, Serializer};
use std::fmt;
use std::iter::Sum;
use std::ops::{Add, Sub};

/// A count of thousandths of a mL or of a g.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct Thousandths(i64);

impl Thousandths {
    /// The nearest count to a finite value.
    pub fn of(value: f64) -> Self {
        Self((value * 1e3).round() as i64)
    }

    /// The value.
    pub fn value(self) -> f64 {
        self.0 as f64 / 1e3
    }

    /// Is it below nothing?
    pub fn is_negative(self) -> bool {
        self.0 < 0
    }

    /// This times `part / whole`, to the nearest; none where the whole is nothing.
    pub fn share(self, part: Self, whole: Self) -> Option<Self> {
        let (own, part, whole) = (i128::from(self.0), i128::from(part.0), i128::from(whole.0));
        let twice = 2 * own * part + whole;
        (whole > 0).then(|| Self((twice.div_euclid(2 * whole)) as i64))
    }
}

impl Add for Thousandths {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl Sub for Thousandths {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl Sum for Thousandths {
    fn sum<I: Iterator<Item = Self>>(counts: I) -> Self {
        counts.fold(Self::default(), Add::add)
    }
}

impl fmt::Display for Thousandths {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(&self.value(), f)
    }
}

impl Serialize for Thousandths {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.value())
    }
}

impl utoipa::PartialSchema for Thousandths {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::Schema> {
        utoipa::openapi::ObjectBuilder::new()
            .schema_type(utoipa::openapi::Type::Number)
            .description(Some("An amount, exact to the thousandth."))
            .into()
    }
}

impl utoipa::ToSchema for Thousandths {}

/// The amounts of one application; none where nobody knows.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, utoipa::ToSchema)]
pub struct Amounts {
    /// Product loaded, mL.
    pub product_ml: Option<Thousandths>,
    /// Product loaded, g.
    pub product_g: Option<Thousandths>,
    /// Water loaded, mL.
    pub water_ml: Option<Thousandths>,
    /// Mix loaded, refills included, mL.
    pub loaded_ml: Option<Thousandths>,
    /// Mix taken back, mL.
    pub recovered_ml: Option<Thousandths>,
    /// Mix that ran out beside the tree, mL.
    pub leaked_ml: Option<Thousandths>,
    /// Mix that went into the tree: loaded - recovered - leaked, mL.
    pub delivered_ml: Option<Thousandths>,
    /// Product in what went in, mL: its share of the mix, taken as well mixed.
    pub delivered_product_ml: Option<Thousandths>,
    /// The same by mass, g.
    pub delivered_product_g: Option<Thousandths>,
}

/// The charge of a draw and what was mixed for it may differ by this share before it is told: a
/// bag is filled to a mark.
const MIX_AGREES_WITHIN: f64 = 0.02;

impl Amounts {
    /// Amounts of an application, with those of its draw where the application is silent; and what
    /// does not go together.
    pub fn of(application: &Application, draw: Option<&Draw>) -> (Self, Vec<String>) {
        let mut odd = Vec::new();
        let product_ml = application.product.map(|ml| Thousandths::of(ml.value()));
        let product_g = application.product_mass.map(|g| Thousandths::of(g.value()));
        let water_ml = application.water.map(|ml| Thousandths::of(ml.value()));
        let charge = draw.map(|draw| Thousandths::of(draw.total_charge().value()));
        // Product by mass takes up no volume that anybody measured.
        let mixed = water_ml.map(|water| water + product_ml.unwrap_or_default());
        if let (Some(mixed), Some(charge)) = (mixed, charge)
            && (mixed.value() - charge.value()).abs() > MIX_AGREES_WITHIN * charge.value()
        {
            odd.push(format!(
                "product and water come to {mixed} mL, but the draw was loaded with {charge} mL"
            ));
        }
        let loaded = mixed.or(charge);
        let recovered = application.recovered.map(|ml| Thousandths::of(ml.value()));
        let recovered = recovered.or_else(|| draw.and_then(left_at_the_end));
        let leaked = application.leaked.map(|ml| Thousandths::of(ml.value()));
        let leaked = match (leaked, draw) {
            (None, Some(draw)) if draw.leaked() => {
                odd.push("a leak was seen, and how much ran out is not known (leaked_ml)".into());
                None
            }
            (leaked, _) => Some(leaked.unwrap_or_default()),
        };
        let delivered = match (loaded, recovered, leaked) {
            (Some(loaded), Some(recovered), Some(leaked)) => Some(loaded - recovered - leaked),
            _ => None,
        };
        if delivered.is_some_and(Thousandths::is_negative) {
            odd.push("more came back and ran out than was loaded; correct the amounts".into());
        }
        let share = |product: Option<Thousandths>| {
            product?.share(delivered.filter(|ml| !ml.is_negative())?, loaded?)
        };
        let amounts = Self {
            product_ml,
            product_g,
            water_ml,
            loaded_ml: loaded,
            recovered_ml: recovered,
            leaked_ml: leaked,
            delivered_ml: delivered,
            delivered_product_ml: share(product_ml),
            delivered_product_g: share(product_g),
        };
        (amounts, odd)
    }
}

/// What was left in the bag: read at the strip, or nothing where the bag was seen empty.
fn left_at_the_end(draw: &Draw) -> Option<Thousandths> {
    let read = draw.left.map(|left| Thousandths::of(left.value()));
    let emptied = || draw.first_empty.map(|_| Thousandths::default());
    let refilled_since = draw.readings.iter().any(|reading| {
        matches!(reading.seen, Seen::Refill { .. })
            && draw.first_empty.is_some_and(|emptied| reading.at > emptied)
    });
    read.or_else(|| emptied().filter(|_| !refilled_since))
}
