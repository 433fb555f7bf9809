//! Amounts counted in whole millionths of a mL or a g: sums are exact, and "not more than" has no
//! float noise in it.

/// Share of a value that is taken for float noise: 0.7 x 10.1 is 7.069999999999999 in binary, and
/// a dose of 7.07 must not lose a mark to that.
const NOISE: f64 = 1e-12;
const MILLION: u128 = 1_000_000;

/// A count of millionths.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Millionths(pub(super) u128);

impl Millionths {
    /// Rounded down; what is negative or not a number is nothing.
    pub(super) fn down(value: f64) -> Self {
        Self(snapped(value).unwrap_or((value * 1e6).floor()) as u128)
    }

    /// Rounded up; what is negative or not a number is nothing.
    pub(super) fn up(value: f64) -> Self {
        Self(snapped(value).unwrap_or((value * 1e6).ceil()) as u128)
    }

    /// The amount.
    pub(super) fn value(self) -> f64 {
        self.0 as f64 / 1e6
    }

    /// Down to a whole number of marks.
    pub(super) fn down_to(self, mark: Self) -> Self {
        Self(self.0 - self.0 % mark.0.max(1))
    }

    /// Up to a whole number of marks.
    pub(super) fn up_to(self, mark: Self) -> Self {
        Self(self.0.next_multiple_of(mark.0.max(1)))
    }

    /// Times `numerator / denominator`, rounded down.
    pub(super) fn share_down(self, numerator: Self, denominator: Self) -> Self {
        Self(self.0 * numerator.0 / denominator.0.max(1))
    }

    /// Times `numerator / denominator`, rounded to the nearest.
    pub(super) fn share_nearest(self, numerator: Self, denominator: Self) -> Self {
        let denominator = denominator.0.max(1);
        Self((self.0 * numerator.0 + denominator / 2) / denominator)
    }

    /// Times a bare factor that is itself counted in millionths, rounded up.
    pub(super) fn times_up(self, factor: Self) -> Self {
        Self((self.0 * factor.0).div_ceil(MILLION))
    }

    /// With a share of itself on top, the share counted in millionths, rounded down.
    pub(super) fn with_share(self, share: Self) -> Self {
        Self(self.0 * (MILLION + share.0) / MILLION)
    }

    /// The least that, with the share on top, comes to this: it then is this, or a millionth more.
    pub(super) fn without_share(self, share: Self) -> Self {
        Self((self.0 * MILLION).div_ceil(MILLION + share.0))
    }

    /// What is left, or nothing.
    pub(super) fn less(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// One of `parts` equal parts; early ones take a millionth of the remainder.
    pub(super) fn part(self, index: u128, parts: u128) -> Self {
        Self(self.0 / parts + u128::from(index < self.0 % parts))
    }
}

fn snapped(value: f64) -> Option<f64> {
    let count = value * 1e6;
    let nearest = count.round();
    ((count - nearest).abs() <= (NOISE * count.abs()).min(0.5)).then_some(nearest)
}

impl std::ops::Add for Millionths {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl std::iter::Sum for Millionths {
    fn sum<I: Iterator<Item = Self>>(parts: I) -> Self {
        parts.fold(Self::default(), |sum, part| sum + part)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Circumference, Millilitres};
    use proptest::prelude::*;

    #[test]
    fn float_noise_costs_no_mark() {
        let mark = Millionths::down(0.01);
        assert_eq!(Millionths::down(0.7 * 10.1).down_to(mark).value(), 7.07);
        assert_eq!(Millionths::down(0.1 + 0.2).down_to(Millionths::down(0.1)).value(), 0.3);
        assert_eq!(Millionths::up(0.1 + 0.2).up_to(Millionths::down(0.1)).value(), 0.3);
        assert_eq!(Millionths::down(7.069_99).down_to(mark).value(), 7.06);
    }

    #[test]
    fn what_is_no_amount_is_nothing() {
        for value in [f64::NAN, -1.0, f64::NEG_INFINITY] {
            assert_eq!((Millionths::down(value).0, Millionths::up(value).0), (0, 0), "{value}");
        }
    }

    proptest! {
        #[test]
        fn round_trips_through_us_units_keep_the_mark(count in 0_u32..100_000, mark in 1_u32..1000) {
            // Marks from a thousandth of a mL to 1 mL, as far as a volume may go.
            let mark = Millionths(u128::from(mark) * 1000);
            let volume = Millionths(u128::from(count) * mark.0);
            let there = Millilitres::new(volume.value()).unwrap();
            let back = Millilitres::from_us_fluid_ounces(there.us_fluid_ounces()).unwrap();
            prop_assert_eq!(Millionths::down(back.value()).down_to(mark), volume);
            prop_assert_eq!(Millionths::up(back.value()).up_to(mark), volume);
        }

        #[test]
        fn round_trips_through_inches_keep_the_millimetre(tenths in 100_u32..=15_000) {
            let there = Circumference::new(f64::from(tenths) / 10.0).unwrap();
            let back = there.inches() * Circumference::CM_PER_INCH;
            prop_assert_eq!(Millionths::down(back), Millionths(u128::from(tenths) * 100_000));
        }

        #[test]
        fn parts_sum_to_the_whole(whole in any::<u64>(), parts in 1_u128..50) {
            let whole = Millionths(u128::from(whole));
            prop_assert_eq!((0..parts).map(|i| whole.part(i, parts)).sum::<Millionths>(), whole);
        }

        #[test]
        fn a_share_taken_off_and_put_on_is_the_same(whole in any::<u64>(), share in 0_u128..=500_000) {
            let (whole, share) = (Millionths(u128::from(whole)), Millionths(share));
            let again = whole.without_share(share).with_share(share);
            prop_assert!(again == whole || again.0 == whole.0 + 1);
        }
    }
}
