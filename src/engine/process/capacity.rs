//! What a vessel is thought to hold: a belief that starts from the declared figure and learns from
//! every charge.
//!
//! Two things are unknown: the capacity, whose logarithm is normally distributed (a declared figure is
//! good to a factor, and capacities are never negative), and the factor by which the carbon dioxide of
//! the tap differs from what the account counts (`process/gas_load.rs`). The factor stands on a small
//! grid of its logarithm; at each of its values the capacity is a normal of its own, so every update is
//! the conjugate one and the grid's weights take the likelihood (Rao-Blackwellised quadrature; the
//! moments of a charge changed before its end are those of the probit model, Minka, "Expectation
//! Propagation", UAI 2001). What is left of a charge is the quantile of the whole mixture: its median is
//! no ratio of two middles, for the litres that a load may allow are far from symmetrical, and a charge
//! that still holds has ruled the greater loads out.
//!
//! Equivalents are *counted* ones: as the account counts, with the factor at its middle. Exhaustions
//! teach what a counted equivalent is worth on this tap, even where nobody ever measured pH.
//!
//! Invariants: evidence never widens the belief about the vessel type; the forecast for a charge that
//! is still holding never lies below what it has already taken up.

use super::resin::Load;
use crate::engine::fit::least::crossing;
use crate::engine::fit::special::{
    ln_normal_above, normal_below, normal_density, normal_quantile, scaled_normal_above,
};
use crate::units::Equivalents;
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// Spread from one charge of a vessel to the next: how full it was filled and the lot of the resin, 5 %
/// each (common practice, no source).
const CHARGE_SPREAD: f64 = 0.07;
/// ln-spread of what turns readings into equivalents: 110 to 120 µS/cm per meq/L (reference sheet 5.2)
/// and the gains of probe and meter, which a charge has in common with the next.
const COUNT_SPREAD: f64 = 0.06;
/// Width of the breakthrough as a share of its middle, and what that is good to: 6 to 15 % between a
/// few per cent and half passing (common practice, no source).
const FRONT_WIDTH: f64 = 0.08;
const FRONT_WIDTH_U: f64 = 0.035;
/// Share of the salt that passes a vessel which is to be changed (DEFAULTS).
const SPENT_SHARE: f64 = 0.3;
/// Most that the height of a plateau speaks against a factor, ln.
const SHOWN_MOST: f64 = 4.5;
/// Values of the factor: so many, half a standard deviation apart. The rule of equal weights is exact to
/// 1e-4 for what is as smooth as these (checked below against four times as many).
const FACTORS: usize = 13;
const APART: f64 = 0.5;
/// Least ln-spread of the factor: a grid needs a width.
const SPREAD_LEAST: f64 = 0.02;
/// A quantile is found to so much of the charge.
const QUANTILE_WITHIN: f64 = 1e-6;

/// What was taken up, in equivalents: what the probes saw and what was counted of carbon dioxide.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Taken {
    /// Seen by the probes.
    pub visible: f64,
    /// Carbon dioxide and silica, as counted.
    pub invisible: f64,
}

impl Taken {
    /// The same composition as a load, of so many equivalents.
    pub fn of(used: Equivalents, load: Load) -> Self {
        let share = used.get() / load.total().max(1e-12);
        Self { visible: share * load.visible, invisible: share * load.invisible }
    }

    /// Both together.
    #[must_use]
    pub fn with(&self, other: Self) -> Self {
        Self { visible: self.visible + other.visible, invisible: self.invisible + other.invisible }
    }

    /// So many times it.
    #[must_use]
    pub fn times(&self, share: f64) -> Self {
        Self { visible: share * self.visible, invisible: share * self.invisible }
    }

    /// As counted, eq.
    pub fn counted(&self) -> f64 {
        self.visible + self.invisible
    }

    fn at(&self, factor: f64) -> f64 {
        self.visible + factor * self.invisible
    }
}

/// The capacity at one value of the factor.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct At {
    ln_mean: f64,
    ln_variance: f64,
    /// ln-likelihood of what was seen.
    ln_seen: f64,
}

/// Belief about what vessels of this kind hold on this tap.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Capacity {
    at: Vec<At>,
    /// ln-spread of the factor before anything was seen.
    spread: f64,
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

/// One charge at one value of the factor.
#[derive(Clone, Copy, Debug, PartialEq)]
struct ChargeAt {
    ln_weight: f64,
    factor: f64,
    ln_mean: f64,
    ln_spread: f64,
    /// Really taken up, eq.
    used: f64,
    /// Of which it was seen to hold, eq.
    held: f64,
}

impl ChargeAt {
    /// ln of the probability that the charge holds at least this, eq.
    fn ln_holds(&self, eq: f64) -> f64 {
        if eq <= 0.0 { 0.0 } else { ln_normal_above((eq.ln() - self.ln_mean) / self.ln_spread) }
    }
}

/// What one charge will hold, given that it still holds.
#[derive(Clone, Debug, PartialEq)]
pub struct Charge {
    at: Vec<ChargeAt>,
    taken: Taken,
}

fn ln_factor(index: usize, spread: f64) -> f64 {
    (index as f64 - 0.5 * (FACTORS - 1) as f64) * APART * spread
}

impl Capacity {
    /// From the declared figure of the vessel and its relative standard uncertainty, and the ln-spread of
    /// the factor on the invisible load.
    pub fn declared(capacity: Equivalents, relative_u: f64, gas_spread: f64) -> Self {
        let own = relative_u.clamp(0.01, 1.0).powi(2).ln_1p();
        let at = At {
            ln_mean: capacity.get().max(1e-9).ln(),
            ln_variance: own + COUNT_SPREAD.powi(2),
            ln_seen: 0.0,
        };
        Self { at: vec![at; FACTORS], spread: gas_spread.max(SPREAD_LEAST), exhaustions: 0 }
    }

    /// The carbon dioxide is known otherwise than it was: what was counted as one is now counted as
    /// `ratio`, and its factor has this ln-spread.
    pub fn recounted(&mut self, ratio: f64, gas_spread: f64) {
        let spread = gas_spread.max(SPREAD_LEAST);
        let shift = ratio.max(1e-9).ln();
        let old = std::mem::take(&mut self.at);
        let before = self.spread;
        let last = (FACTORS - 1) as f64;
        let look = |index: usize| {
            // The new factor 1 is the old factor `ratio`.
            let x = (ln_factor(index, spread) + shift) / (APART * before) + 0.5 * last;
            let x = x.clamp(0.0, last);
            let low = (x.floor() as usize).min(FACTORS - 2);
            let part = x - low as f64;
            let mix =
                |pick: fn(&At) -> f64| (1.0 - part) * pick(&old[low]) + part * pick(&old[low + 1]);
            At {
                ln_mean: mix(|at| at.ln_mean),
                ln_variance: mix(|at| at.ln_variance),
                ln_seen: mix(|at| at.ln_seen),
            }
        };
        self.at = (0..FACTORS).map(look).collect();
        self.spread = spread;
    }

    fn factors(&self) -> impl Iterator<Item = (f64, f64)> + use<> {
        let spread = self.spread;
        (0..FACTORS).map(move |index| {
            let ln = ln_factor(index, spread);
            (ln.exp(), -0.5 * (ln / spread).powi(2))
        })
    }

    /// A charge let this share of the salt through after it had taken up so much, known to a relative
    /// `u` (how sharply it was seen, outages, meters): where on its front it stands tells where its end
    /// is, at which three tenths pass (logistic front, reference sheet 5.5).
    pub fn seen_passing(&mut self, taken: Taken, share: f64, u: f64) {
        if taken.counted() <= 0.0 {
            return;
        }
        let (place, end) = (logit(share.clamp(0.02, 0.98)), logit(SPENT_SHARE));
        let along = (1.0 + FRONT_WIDTH * place) / (1.0 + FRONT_WIDTH * end);
        let front = FRONT_WIDTH_U * (place - end);
        let noise = CHARGE_SPREAD.powi(2) + u.max(0.0).powi(2) + front.powi(2);
        for ((factor, _), at) in self.factors().zip(&mut self.at) {
            let seen = (taken.at(factor) / along).max(1e-12).ln();
            let all = at.ln_variance + noise;
            let off = seen - at.ln_mean;
            at.ln_seen -= 0.5 * (off * off / all + all.ln());
            let gain = at.ln_variance / all;
            at.ln_mean += gain * off;
            at.ln_variance *= 1.0 - gain;
        }
        self.exhaustions += 1;
    }

    /// A charge was exhausted after it had taken up so much.
    pub fn exhausted(&mut self, taken: Taken, u: f64) {
        self.seen_passing(taken, SPENT_SHARE, u);
    }

    /// A charge was changed while it still held.
    pub fn survived(&mut self, taken: Taken) {
        if taken.counted() <= 0.0 {
            return;
        }
        for ((factor, _), at) in self.factors().zip(&mut self.at) {
            let spread = (at.ln_variance + CHARGE_SPREAD.powi(2)).sqrt();
            let t = (at.ln_mean - taken.at(factor).max(1e-12).ln()) / spread;
            let ratio = mills(t);
            at.ln_seen += ln_normal_above(-t);
            at.ln_mean += at.ln_variance / spread * ratio;
            at.ln_variance -= at.ln_variance.powi(2) / spread.powi(2) * ratio * (ratio + t);
        }
    }

    /// Carbon dioxide that a vessel let through stood at so many ppm behind it, known to `u`: how much of it
    /// there is, wherever nobody has measured it. `plateau` gives the ppm of a factor.
    pub fn gas_shows(&mut self, shown: f64, u: f64, plateau: impl Fn(f64) -> Option<f64>) {
        if !(shown.is_finite() && u > 0.0) {
            return;
        }
        for ((factor, _), at) in self.factors().zip(&mut self.at) {
            if let Some(wanted) = plateau(factor) {
                let off = (shown - wanted) / u;
                // Something else may have shown there.
                at.ln_seen -= (0.5 * off * off).min(SHOWN_MOST);
            }
        }
    }

    /// The factor by which carbon dioxide is thought to differ from what is counted: the mean of its
    /// logarithm.
    pub fn factor(&self) -> f64 {
        let weights = || self.factors().zip(&self.at).map(|((f, base), at)| (f, base + at.ln_seen));
        let most = weights().map(|(_, ln)| ln).fold(f64::NEG_INFINITY, f64::max);
        let (sum, ln) = weights().fold((0.0, 0.0), |(sum, mean), (factor, ln)| {
            let weight = (ln - most).exp();
            (sum + weight, mean + weight * factor.ln())
        });
        if sum > 0.0 { (ln / sum).exp() } else { 1.0 }
    }

    /// Exhaustions seen.
    pub fn exhaustions(&self) -> u32 {
        self.exhaustions
    }

    /// The capacity of a new charge in counted equivalents, under this load.
    pub fn of_new_charge(&self, load: Load) -> Interval {
        self.charge(Taken::default()).capacity(load)
    }

    /// What is believed of a charge that has taken up so much and still holds.
    pub fn charge(&self, taken: Taken) -> Charge {
        self.charge_seen(taken, taken, 0.0)
    }

    /// What is believed of a charge to which so much was counted, while it is known only of `held` that
    /// a charge of this kind holds it: behind a vessel that no probe sees nobody has seen that it still
    /// does. `held` may be more than was counted to this one, where others of its kind have shown it.
    /// `u`: standard uncertainty of what was counted, eq, beside that of the factor and of the readings,
    /// which all charges have in common.
    pub fn charge_seen(&self, taken: Taken, held: Taken, u: f64) -> Charge {
        let mut all: Vec<ChargeAt> = self
            .factors()
            .zip(&self.at)
            .map(|((factor, ln_base), at)| {
                let (used, held) = (taken.at(factor), held.at(factor));
                // What is left is a difference: it is as uncertain as both together.
                let counted = u.max(0.0) / at.ln_mean.exp();
                let mut one = ChargeAt {
                    ln_weight: 0.0,
                    factor,
                    ln_mean: at.ln_mean,
                    ln_spread: (at.ln_variance + CHARGE_SPREAD.powi(2) + counted.powi(2)).sqrt(),
                    used,
                    held,
                };
                one.ln_weight = ln_base + at.ln_seen + one.ln_holds(held);
                one
            })
            .collect();
        normalise(&mut all);
        Charge { at: all, taken }
    }
}

/// Weights that sum to one, without those that matter to nobody.
fn normalise(all: &mut Vec<ChargeAt>) {
    let most = all.iter().map(|at| at.ln_weight).fold(f64::NEG_INFINITY, f64::max);
    all.retain(|at| at.ln_weight > most - 16.0);
    let sum: f64 = all.iter().map(|at| (at.ln_weight - most).exp()).sum();
    for at in all {
        at.ln_weight -= most + sum.ln();
    }
}

impl Charge {
    /// Adds an observation of the charge itself, such as the colour of an indicating resin: `share`
    /// of it is spent now, known to `share_u`.
    pub fn seen(mut self, share: f64, share_u: f64) -> Self {
        if self.taken.counted() <= 0.0 || !(0.02..=1.0).contains(&share) {
            return self;
        }
        let noise = (share_u.max(0.02) / share).powi(2);
        for at in &mut self.at {
            let off = (at.used / share).ln() - at.ln_mean;
            let all = at.ln_spread.powi(2) + noise;
            at.ln_weight -= at.ln_holds(at.held);
            at.ln_weight -= 0.5 * (off * off / all + all.ln());
            let gain = at.ln_spread.powi(2) / all;
            at.ln_mean += gain * off;
            at.ln_spread *= (1.0 - gain).sqrt();
            at.ln_weight += at.ln_holds(at.held);
        }
        normalise(&mut self.at);
        self
    }

    /// Litres of this load (meq/L) that 5, 50 and 95 % of such charges cannot treat any more.
    fn litres_quantiles(&self, load: Load) -> Interval {
        let ready: Vec<(f64, f64, &ChargeAt)> = self
            .at
            .iter()
            .map(|at| {
                let per_litre = (load.visible + at.factor * load.invisible) / 1000.0;
                (at.ln_weight - at.ln_holds(at.held), per_litre, at)
            })
            .collect();
        // Probability to hold for so many litres more, all values of the factor together.
        let holds = |litres: f64| -> f64 {
            let each = ready.iter().map(|(base, per_litre, at)| {
                let eq = (at.used + litres * per_litre).max(at.held);
                let x = if eq > 0.0 { (eq.ln() - at.ln_mean) / at.ln_spread } else { f64::MIN };
                scaled_normal_above(*base, x)
            });
            each.sum()
        };
        let scale =
            self.at.iter().map(|at| at.ln_mean.exp()).fold(0.0, f64::max) * 1000.0 / load.total();
        let mut end = scale;
        while holds(end) > 0.05 {
            end *= 4.0;
        }
        let tolerance = QUANTILE_WITHIN * scale;
        let at = |low: f64, high: f64, p: f64| {
            // What holds for nothing more now does not hold at all: no end has the other sign.
            crossing(low, high, tolerance, |litres| holds(litres) - (1.0 - p)).unwrap_or(low)
        };
        let middle = at(0.0, end, 0.5);
        Interval { low: at(0.0, middle, 0.05), middle, high: at(middle, end, 0.95) }
    }

    /// Litres of this load that it can still treat; `None` without load.
    pub fn litres(&self, load: Load) -> Option<Interval> {
        if load.total() <= 0.0 {
            return None;
        }
        Some(self.litres_quantiles(load))
    }

    /// Capacity in counted equivalents, when the rest of it is used up by this load.
    pub fn capacity(&self, load: Load) -> Interval {
        // Where nothing loads it, what was counted was all visible.
        let some = load.total() > 0.0;
        let load = if some { load } else { Load { visible: 1.0, invisible: 0.0 } };
        self.capacity_with(self.litres_quantiles(load), load)
    }

    /// The same from what [`Charge::litres`] gave for this load.
    pub fn capacity_with(&self, litres: Interval, load: Load) -> Interval {
        let eq = |litres: f64| self.taken.counted() + litres * load.total() / 1000.0;
        Interval { low: eq(litres.low), middle: eq(litres.middle), high: eq(litres.high) }
    }

    /// Probability that a charge of this kind would have been exhausted by now.
    pub fn spent_by_now(&self) -> f64 {
        // Weights are of what still holds: take that off again.
        let prior: Vec<f64> =
            self.at.iter().map(|at| at.ln_weight - at.ln_holds(at.held)).collect();
        let most = prior.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let sum: f64 = prior.iter().map(|ln| (ln - most).exp()).sum();
        let holds: f64 = prior
            .iter()
            .zip(&self.at)
            .map(|(ln, at)| (ln - most + at.ln_holds(at.used)).exp())
            .sum();
        (1.0 - holds / sum).clamp(0.0, 1.0)
    }
}

/// Standard deviations within which the upper end of a 90 % interval lies.
static WIDE: LazyLock<f64> = LazyLock::new(|| normal_quantile(0.95));

impl Interval {
    /// Divides by a figure that is itself uncertain by a relative `u`: the two spreads add in
    /// quadrature on the logarithmic scale. A middle of nothing stays nothing. `None` by nothing.
    pub fn divided(&self, by: f64, u: f64) -> Option<Self> {
        if by <= 0.0 || self.middle < 0.0 {
            return None;
        }
        if self.middle == 0.0 {
            return Some(Self { low: 0.0, middle: 0.0, high: self.high.max(0.0) / by });
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

    const LOAD: Load = Load { visible: 0.08, invisible: 0.12 };
    const UNKNOWN: f64 = 0.9;
    const TOLD: f64 = 0.25;

    fn eq(x: f64) -> Equivalents {
        Equivalents::new(x)
    }

    fn taken(x: f64) -> Taken {
        Taken::of(eq(x), LOAD)
    }

    #[test]
    fn two_exhaustions_find_the_capacity_within_fifteen_per_cent_and_four_within_ten() {
        // What the tap makes of it: 40 % less than declared.
        let truth = 0.18;
        let charges = [1.07, 0.94, 1.02, 0.96];
        let mut capacity = Capacity::declared(eq(0.3), 0.3, UNKNOWN);
        for (index, charge) in charges.iter().enumerate() {
            capacity.exhausted(taken(truth * charge), 0.05);
            let middle = capacity.of_new_charge(LOAD).middle;
            match index {
                1 => assert!((middle / truth - 1.0).abs() < 0.15, "{middle}"),
                3 => assert!((middle / truth - 1.0).abs() < 0.10, "{middle}"),
                _ => {}
            }
        }
        let interval = capacity.of_new_charge(LOAD);
        assert!(interval.low < truth && truth < interval.high, "{interval:?}");
    }

    #[test]
    fn unknown_carbon_dioxide_makes_the_first_interval_wider() {
        let known = Capacity::declared(eq(0.3), 0.3, TOLD).of_new_charge(LOAD);
        let unknown = Capacity::declared(eq(0.3), 0.3, UNKNOWN).of_new_charge(LOAD);
        assert!(unknown.high / unknown.low > 1.5 * known.high / known.low);
    }

    /// Litres that have passed rule the greater loads out: what is left is more than the rest of the
    /// middle, and far more than where the load is known.
    #[test]
    fn a_charge_that_still_holds_has_ruled_the_greater_loads_out() {
        let rest = |spread: f64, used: f64| {
            let capacity = Capacity::declared(eq(0.3), 0.3, spread);
            capacity.charge(taken(used)).litres(LOAD).expect("load").middle
        };
        let new = Capacity::declared(eq(0.3), 0.3, UNKNOWN).charge(taken(0.0)).litres(LOAD);
        let plain = new.expect("load").middle - 0.25 / (LOAD.total() / 1000.0);
        assert!(rest(UNKNOWN, 0.25) > 1.3 * plain, "{} {plain}", rest(UNKNOWN, 0.25));
        assert!(rest(UNKNOWN, 0.4) > rest(TOLD, 0.4));
    }

    /// The grid of 13 factors against one of 49 by hand: quantiles of litres for a charge at half life.
    #[test]
    fn the_grid_is_fine_enough() {
        let capacity = Capacity::declared(eq(0.3), 0.3, UNKNOWN);
        let used = taken(0.15);
        let found = capacity.charge(used).litres(LOAD).expect("load");
        let spread = (0.3f64.powi(2).ln_1p() + COUNT_SPREAD.powi(2) + CHARGE_SPREAD.powi(2)).sqrt();
        let holds = |litres: f64| {
            let (mut all, mut held) = (0.0, 0.0);
            for index in -24..=24 {
                let z = f64::from(index) / 8.0;
                let factor = (UNKNOWN * z).exp();
                let weight = (-0.5 * z * z).exp();
                let above = |eq: f64| 1.0 - normal_below((eq / 0.3).ln() / spread);
                let more = litres * (LOAD.visible + factor * LOAD.invisible) / 1000.0;
                all += weight * above(used.at(factor));
                held += weight * above(used.at(factor) + more);
            }
            held / all
        };
        for (litres, p) in [(found.low, 0.95), (found.middle, 0.5), (found.high, 0.05)] {
            assert!((holds(litres) - p).abs() < 0.005, "{litres} {} {p}", holds(litres));
        }
    }

    /// An analysis that comes late finds what was learned: the belief in litres stays where it was.
    #[test]
    fn an_analysis_recounts_and_narrows() {
        let mut capacity = Capacity::declared(eq(0.3), 0.3, UNKNOWN);
        capacity.exhausted(taken(0.18), 0.05);
        let litres = capacity.charge(taken(0.0)).litres(LOAD).expect("load");
        // The tap has 1.7 times the carbon dioxide that was counted.
        let load = Load { visible: LOAD.visible, invisible: 1.7 * LOAD.invisible };
        capacity.recounted(1.7, TOLD);
        let after = capacity.charge(taken(0.0)).litres(load).expect("load");
        assert!((after.middle / litres.middle - 1.0).abs() < 0.1, "{after:?} {litres:?}");
        assert!(after.high / after.low <= 1.001 * litres.high / litres.low);
        let mut fresh = Capacity::declared(eq(0.3), 0.3, UNKNOWN);
        fresh.recounted(1.7, TOLD);
        let told = Capacity::declared(eq(0.3), 0.3, TOLD);
        let (fresh, told) = (fresh.of_new_charge(load), told.of_new_charge(load));
        assert!((fresh.middle / told.middle - 1.0).abs() < 1e-3, "{fresh:?} {told:?}");
    }

    #[test]
    fn a_charge_that_held_raises_the_belief_and_never_widens_it() {
        let before = Capacity::declared(eq(0.3), 0.3, TOLD);
        let mut capacity = before.clone();
        capacity.survived(taken(0.35));
        let (was, is) = (before.of_new_charge(LOAD), capacity.of_new_charge(LOAD));
        assert!(is.middle > was.middle && is.high / is.low < was.high / was.low, "{was:?} {is:?}");
        let mut early = before;
        early.survived(taken(0.02));
        assert!((early.of_new_charge(LOAD).middle / was.middle - 1.0).abs() < 1e-3);
    }

    #[test]
    fn a_charge_beyond_its_rating_still_has_a_little_left_and_never_less_than_nothing() {
        let capacity = Capacity::declared(eq(0.3), 0.2, TOLD);
        for used in [0.0, 0.1, 0.3, 0.6, 1.5, 10.0] {
            let litres = capacity.charge(taken(used)).litres(LOAD).expect("load");
            assert!(litres.low >= 0.0 && litres.low <= litres.middle, "{litres:?}");
            assert!(litres.middle <= litres.high && litres.high.is_finite());
        }
        let late = capacity.charge(taken(0.6));
        assert!(late.capacity(LOAD).middle < 0.7 && late.spent_by_now() > 0.9);
        assert!(capacity.charge(taken(0.05)).spent_by_now() < 0.01);
    }

    /// What nobody saw a charge hold proves nothing: twice its rating leaves nothing by the middle, and the
    /// capacity is believed as before. Where one of its kind was seen to hold more, it is believed too.
    #[test]
    fn a_charge_that_nobody_watches_proves_nothing() {
        let capacity = Capacity::declared(eq(0.3), 0.2, TOLD);
        let unseen = capacity.charge_seen(taken(0.6), Taken::default(), 0.0);
        let left = unseen.litres(LOAD).expect("load");
        assert_eq!((left.low, left.middle), (0.0, 0.0), "{left:?}");
        let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-4, "{a} {b}");
        near(unseen.capacity(LOAD).middle, 0.6);
        near(unseen.spent_by_now(), capacity.charge(taken(0.6)).spent_by_now());
        let little = capacity.charge_seen(taken(0.1), Taken::default(), 0.0);
        near(little.capacity(LOAD).middle, capacity.of_new_charge(LOAD).middle);
        // One that was seen to hold it all is believed to hold more, and one beside it likewise.
        let seen = capacity.charge(taken(0.6));
        assert!(seen.litres(LOAD).expect("load").middle > 0.0);
        let beside = capacity.charge_seen(taken(0.1), taken(0.6), 0.0);
        near(beside.capacity(LOAD).middle, seen.capacity(LOAD).middle);
    }

    /// What was counted to a charge of 0.3 eq is uncertain by a fifth of it: so is what is left, and where the
    /// capacity is known well by little else.
    #[test]
    fn what_is_left_is_as_uncertain_as_what_was_counted() {
        let mut capacity = Capacity::declared(eq(0.3), 0.2, TOLD);
        for _ in 0..8 {
            capacity.exhausted(taken(0.3), 0.02);
        }
        let left = |u: f64| {
            let litres = capacity.charge_seen(taken(0.1), taken(0.1), u).litres(LOAD);
            litres.expect("a load")
        };
        let (known, doubted) = (left(0.0), left(0.06));
        let eq = |litres: f64| litres * LOAD.total() / 1000.0;
        assert!((eq(known.middle) / eq(doubted.middle) - 1.0).abs() < 0.05);
        // 0.06 eq and what one charge differs from the next (7 %), 1.645 times.
        let below = eq(doubted.middle - doubted.low);
        assert!((below / (1.645 * 0.06f64.hypot(0.021)) - 1.0).abs() < 0.2, "{below}");
        assert!(eq(known.middle - known.low) < 0.5 * below);
    }

    /// The same vessel seen at a tenth, a third and nine tenths passing ends at the same charge.
    #[test]
    fn where_on_its_front_a_vessel_stands_tells_its_end() {
        let at = |share: f64| 0.24 * (1.0 + 0.08 * (share / (1.0 - share)).ln());
        for share in [0.1f64, 0.3, 0.5, 0.9] {
            let mut capacity = Capacity::declared(eq(0.3), 0.5, TOLD);
            for _ in 0..6 {
                capacity.seen_passing(taken(at(share)), share, 0.05);
            }
            let middle = capacity.of_new_charge(LOAD).middle;
            assert!((middle / at(0.3) - 1.0).abs() < 0.05, "{share} {middle}");
        }
    }

    #[test]
    fn colour_moves_the_charge_by_as_much_as_it_is_trusted() {
        let capacity = Capacity::declared(eq(0.3), 0.3, UNKNOWN);
        let charge = capacity.charge(taken(0.1));
        let seen = charge.clone().seen(0.5, 0.1);
        let (before, after) = (charge.capacity(LOAD), seen.capacity(LOAD));
        assert!(after.middle < before.middle && after.middle > 0.2, "{after:?}");
        assert!(after.high - after.low < before.high - before.low);
    }
}
