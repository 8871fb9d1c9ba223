//! What a vessel is thought to hold: a belief that starts from the declared figure and learns from
//! every charge.
//!
//! The logarithm of the capacity, in *counted* equivalents, is normally distributed: a declared
//! figure is good to a factor, and capacities are never negative. Updates are the conjugate ones for
//! a normal mean; a charge that was changed before its end only says "at least this much" and enters
//! by matching the moments of the truncated distribution (assumed-density filtering; the formulas are
//! those of the probit model, Minka, "Expectation Propagation", UAI 2001).
//!
//! Counted means: as the account counts. Where carbon dioxide is not known the account takes twice
//! the visible load, and the belief then learns what twice the visible load is worth on this tap; so
//! two observed exhaustions help even where nobody ever measured pH or alkalinity.
//!
//! Invariants: evidence never widens the belief about the vessel type; the forecast for a charge that
//! is still holding never lies below what it has already taken up.

use crate::engine::fit::special::{normal_below, normal_density, normal_quantile};
use crate::units::Equivalents;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// Spread from one charge of a vessel to the next: packing, resin lot, where the change was made.
/// Common practice gives 10 %, no source.
const CHARGE_SPREAD: f64 = 0.10;
/// ln-spread of the invisible load when it is taken as equal to the visible one: the declared +100 to
/// -40 % about twice the visible load, read as a 90 % interval of the total.
const FACTOR_SPREAD: f64 = 0.366;
/// Width of the breakthrough as a share of its middle, and what that is good to: 6 to 15 % between a
/// few per cent and half passing (common practice, no source).
const FRONT_WIDTH: f64 = 0.08;
const FRONT_WIDTH_U: f64 = 0.035;
/// Share of the salt that passes a vessel which is to be changed (DEFAULTS).
const SPENT_SHARE: f64 = 0.3;
/// Shift of the ln-mean that this lopsided interval brings: the middle of ln(1.2/2) and ln(4/2).
const FACTOR_SHIFT: f64 = -0.091;

/// How the account counts what does not conduct.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counting {
    /// Carbon dioxide from alkalinity and pH.
    Chemistry,
    /// Twice the visible load.
    Factor,
}

/// Belief about what vessels of this kind hold on this tap.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Capacity {
    ln_mean: f64,
    ln_variance: f64,
    exhaustions: u32,
}

/// A figure with its 90 % interval.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// 5 % lie below.
    pub low: f64,
    /// Half lie below.
    pub middle: f64,
    /// 5 % lie above.
    pub high: f64,
}

/// What one charge will hold, given that it still holds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Charge {
    ln_mean: f64,
    ln_spread: f64,
    ln_used: f64,
}

impl Capacity {
    /// From the declared figure of the vessel and its relative standard uncertainty.
    pub fn declared(capacity: Equivalents, relative_u: f64, counting: Counting) -> Self {
        let own = relative_u.clamp(0.01, 1.0).powi(2).ln_1p();
        let (shift, extra) = match counting {
            Counting::Chemistry => (0.0, 0.15f64.powi(2)),
            Counting::Factor => (FACTOR_SHIFT, FACTOR_SPREAD.powi(2)),
        };
        Self {
            ln_mean: capacity.get().max(1e-9).ln() + shift,
            ln_variance: own + extra,
            exhaustions: 0,
        }
    }

    /// A charge was exhausted after `used` counted equivalents, known to a relative `u` (how sharply
    /// the end was seen, outages, meters).
    pub fn exhausted(&mut self, used: Equivalents, u: f64) {
        self.seen_passing(used, SPENT_SHARE, u);
    }

    /// A charge let this share of the salt through after `used` counted equivalents: where on its
    /// front it stands tells where its end is, at which three tenths pass (logistic front, reference
    /// sheet 5.5).
    pub fn seen_passing(&mut self, used: Equivalents, share: f64, u: f64) {
        if used.get() <= 0.0 {
            return;
        }
        let (place, end) = (logit(share.clamp(0.02, 0.98)), logit(SPENT_SHARE));
        let along = (1.0 + FRONT_WIDTH * place) / (1.0 + FRONT_WIDTH * end);
        let front = FRONT_WIDTH_U * (place - end);
        let noise = CHARGE_SPREAD.powi(2) + u.max(0.0).powi(2) + front.powi(2);
        self.learn((used.get() / along).ln(), noise);
        self.exhaustions += 1;
    }

    /// A charge was changed while it still held, after `used` counted equivalents.
    pub fn survived(&mut self, used: Equivalents) {
        if used.get() <= 0.0 {
            return;
        }
        let spread = (self.ln_variance + CHARGE_SPREAD.powi(2)).sqrt();
        let t = (self.ln_mean - used.get().ln()) / spread;
        let ratio = mills(t);
        self.ln_mean += self.ln_variance / spread * ratio;
        self.ln_variance -= self.ln_variance.powi(2) / spread.powi(2) * ratio * (ratio + t);
    }

    fn learn(&mut self, ln_seen: f64, noise: f64) {
        let gain = self.ln_variance / (self.ln_variance + noise);
        self.ln_mean += gain * (ln_seen - self.ln_mean);
        self.ln_variance *= 1.0 - gain;
    }

    /// Exhaustions seen.
    pub fn exhaustions(&self) -> u32 {
        self.exhaustions
    }

    /// The capacity of a new charge.
    pub fn of_new_charge(&self) -> Interval {
        self.charge(Equivalents::new(0.0)).capacity()
    }

    /// What is believed of a charge that has taken up `used` and still holds.
    pub fn charge(&self, used: Equivalents) -> Charge {
        Charge {
            ln_mean: self.ln_mean,
            ln_spread: (self.ln_variance + CHARGE_SPREAD.powi(2)).sqrt(),
            ln_used: if used.get() > 0.0 { used.get().ln() } else { f64::NEG_INFINITY },
        }
    }
}

impl Charge {
    /// Adds an observation of the charge itself, such as the colour of an indicating resin: `share`
    /// of it is spent after `used`, known to `share_u`.
    pub fn seen(self, share: f64, share_u: f64, used: Equivalents) -> Self {
        if used.get() <= 0.0 || !(0.02..=1.0).contains(&share) {
            return self;
        }
        let noise = (share_u.max(0.02) / share).powi(2);
        let variance = self.ln_spread.powi(2);
        let gain = variance / (variance + noise);
        Self {
            ln_mean: self.ln_mean + gain * ((used.get() / share).ln() - self.ln_mean),
            ln_spread: (variance * (1.0 - gain)).sqrt(),
            ..self
        }
    }

    /// Capacity below which the share `p` of all charges lies that have held until now.
    pub fn quantile(&self, p: f64) -> f64 {
        self.quantiles([p])[0]
    }

    fn quantiles<const N: usize>(&self, shares: [f64; N]) -> [f64; N] {
        let from = (self.ln_used - self.ln_mean) / self.ln_spread;
        let still = normal_below(-from);
        shares.map(|p| {
            let z = -normal_quantile((1.0 - p) * still);
            (self.ln_mean + self.ln_spread * z.max(from)).exp()
        })
    }

    /// Capacity with its 90 % interval.
    pub fn capacity(&self) -> Interval {
        let [low, middle, high] = self.quantiles([0.05, 0.5, 0.95]);
        Interval { low, middle, high }
    }

    /// Equivalents that it can still take up.
    pub fn remaining(&self) -> Interval {
        self.left_of(self.capacity())
    }

    /// The same for whom its capacity is at hand.
    pub fn left_of(&self, capacity: Interval) -> Interval {
        capacity.less(self.ln_used.exp())
    }

    /// Probability that a charge of this kind would have been exhausted by now.
    pub fn spent_by_now(&self) -> f64 {
        normal_below((self.ln_used - self.ln_mean) / self.ln_spread)
    }
}

/// Standard deviations within which the upper end of a 90 % interval lies.
static WIDE: LazyLock<f64> = LazyLock::new(|| normal_quantile(0.95));

impl Interval {
    /// What is left of it after so much was taken.
    pub fn less(&self, taken: f64) -> Self {
        let left = |whole: f64| (whole - taken).max(0.0);
        Self { low: left(self.low), middle: left(self.middle), high: left(self.high) }
    }

    /// Divides by a figure that is itself uncertain by a relative `u`: the two spreads add in
    /// quadrature on the logarithmic scale.
    pub fn divided(&self, by: f64, u: f64) -> Option<Self> {
        if by <= 0.0 || self.middle <= 0.0 {
            return None;
        }
        let extra = *WIDE * u.max(0.0);
        let down = (self.middle / self.low.max(1e-12)).ln().hypot(extra);
        let up = (self.high / self.middle).ln().hypot(extra);
        let middle = self.middle / by;
        Some(Self { low: middle * (-down).exp(), middle, high: middle * up.exp() })
    }
}

fn logit(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

/// Density over probability of the standard normal; for far tails by its asymptote.
fn mills(t: f64) -> f64 {
    let below = normal_below(t);
    if below > 1e-280 { normal_density(t) / below } else { -t }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn eq(x: f64) -> Equivalents {
        Equivalents::new(x)
    }

    #[test]
    fn two_exhaustions_find_the_capacity_within_fifteen_per_cent_and_four_within_ten() {
        // What the tap makes of it: 40 % less than declared.
        let truth = 0.18;
        let charges = [1.07, 0.94, 1.02, 0.96];
        let mut capacity = Capacity::declared(eq(0.3), 0.3, Counting::Factor);
        for (index, charge) in charges.iter().enumerate() {
            capacity.exhausted(eq(truth * charge), 0.05);
            let middle = capacity.of_new_charge().middle;
            match index {
                1 => assert!((middle / truth - 1.0).abs() < 0.15, "{middle}"),
                3 => assert!((middle / truth - 1.0).abs() < 0.10, "{middle}"),
                _ => {}
            }
        }
        let interval = capacity.of_new_charge();
        assert!(interval.low < truth && truth < interval.high, "{interval:?}");
    }

    #[test]
    fn unknown_carbon_dioxide_makes_the_first_interval_wider_and_lower() {
        let known = Capacity::declared(eq(0.3), 0.3, Counting::Chemistry).of_new_charge();
        let unknown = Capacity::declared(eq(0.3), 0.3, Counting::Factor).of_new_charge();
        assert!(unknown.high / unknown.low > known.high / known.low);
        assert!(unknown.middle < known.middle);
    }

    #[test]
    fn a_charge_that_held_raises_the_belief_and_never_widens_it() {
        let mut capacity = Capacity::declared(eq(0.3), 0.3, Counting::Chemistry);
        let before = capacity;
        capacity.survived(eq(0.35));
        assert!(capacity.ln_mean > before.ln_mean);
        assert!(capacity.ln_variance < before.ln_variance && capacity.ln_variance > 0.0);
        let mut early = before;
        early.survived(eq(0.02));
        assert!((early.ln_mean - before.ln_mean).abs() < 1e-3);
    }

    #[test]
    fn a_charge_beyond_its_rating_still_has_a_little_left_and_never_less_than_nothing() {
        let capacity = Capacity::declared(eq(0.3), 0.2, Counting::Chemistry);
        for used in [0.0, 0.1, 0.3, 0.6, 1.5, 10.0] {
            let remaining = capacity.charge(eq(used)).remaining();
            assert!(remaining.low >= 0.0 && remaining.low <= remaining.middle, "{remaining:?}");
            assert!(remaining.middle <= remaining.high && remaining.high.is_finite());
        }
        let late = capacity.charge(eq(0.6));
        assert!(late.remaining().middle < 0.1 && late.spent_by_now() > 0.9);
    }

    /// The same vessel seen at a tenth, a third and nine tenths passing ends at the same charge.
    #[test]
    fn where_on_its_front_a_vessel_stands_tells_its_end() {
        let at = |share: f64| 0.24 * (1.0 + 0.08 * (share / (1.0 - share)).ln());
        for share in [0.1f64, 0.3, 0.5, 0.9] {
            let mut capacity = Capacity::declared(eq(0.3), 0.5, Counting::Chemistry);
            for _ in 0..6 {
                capacity.seen_passing(eq(at(share)), share, 0.05);
            }
            let middle = capacity.of_new_charge().middle;
            assert!((middle / at(0.3) - 1.0).abs() < 0.05, "{share} {middle}");
        }
    }

    #[test]
    fn colour_moves_the_charge_by_as_much_as_it_is_trusted() {
        let capacity = Capacity::declared(eq(0.3), 0.3, Counting::Factor);
        let charge = capacity.charge(eq(0.1));
        let seen = charge.seen(0.5, 0.1, eq(0.1));
        let (before, after) = (charge.capacity(), seen.capacity());
        assert!(after.middle < before.middle && after.middle > 0.2, "{after:?}");
        assert!(after.high - after.low < before.high - before.low);
    }
}
