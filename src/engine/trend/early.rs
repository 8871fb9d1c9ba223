//! A breakthrough that begins where single readings do not show it yet: counted litre by litre.
//!
//! One reading for each litre goes to a one-sided CUSUM in whole ppm (reference sheet 5.6). What is
//! usual for this vessel is taken from its own first litres; the chart is then the quickest one for a
//! rise of 1 ppm among those that cry wolf once in [`CALM_LITRES`] on average, by the exact chain for
//! displays of whole steps (`process::chart`).
//!
//! Invariants: it learns only while the account says that the charge is young; a vessel of which
//! nothing calm was seen has no chart and is never told by it; a good reading does not take the count
//! back, a new vessel does.

use crate::engine::process::chart::{Cusum, Stepped};
use serde::{Deserialize, Serialize};

/// Litres between two readings that are counted: closer ones are not independent (sheet 5.6).
const EVERY_LITRES: f64 = 1.0;
/// Readings that tell what is usual, and the share of a charge in which they are taken (sheet 5.6:
/// the vessel's own first third).
const LEARN: usize = 30;
const LEARN_SHARE: f64 = 1.0 / 3.0;
/// Fewer than these are no picture of the usual.
const LEARN_LEAST: usize = 8;
/// One false signal in so many litres on average: some twenty years of a vessel.
const CALM_LITRES: f64 = 100_000.0;
/// What a display of whole ppm that shows 0 throughout may hide: mean and scatter (sheet 5.6).
const HIDDEN_MEAN: f64 = 0.2;
const HIDDEN_SIGMA: f64 = 0.3;
/// The rise that is to be found soonest, ppm.
const RISE: f64 = 1.0;

/// What has been counted behind the first vessel.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Early {
    /// Litres at the last reading that was counted.
    fed: Option<f64>,
    /// Readings of the young charge, whole ppm.
    learned: Vec<f64>,
    /// Mean of these, once the chart stands.
    usual: Option<f64>,
    chart: Option<Cusum>,
    /// Since the chart last stood at zero: sum and number of the readings.
    rise: (f64, u32),
}

/// The chart signals.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rise {
    /// Mean of the readings since the chart last stood at zero, ppm.
    pub(super) mean: f64,
    /// Litres over which that is.
    pub(super) litres: f64,
    /// Mean while the charge was young, ppm.
    pub(super) usual: f64,
}

impl Early {
    /// Takes a settled reading at these running litres; `spent`: share of the charge that the account
    /// holds for used. Gives the rise while the chart signals.
    pub(super) fn take(&mut self, litres: f64, shown: f64, spent: f64) -> Option<Rise> {
        if self.fed.is_some_and(|fed| litres >= fed && litres - fed < EVERY_LITRES) {
            return None;
        }
        self.fed = Some(litres);
        let whole = shown.max(0.0).round();
        if self.usual.is_none() {
            let young = spent < LEARN_SHARE;
            if young {
                self.learned.push(whole);
            }
            if !young || self.learned.len() >= LEARN {
                self.begin();
            }
            return None;
        }
        let chart = self.chart.as_mut()?;
        // One reading is no rise, however high: it takes three.
        let signals = chart.step(whole.min(chart.allowance + 0.5 * chart.limit));
        if chart.sum() > 0.0 {
            self.rise = (self.rise.0 + whole, self.rise.1 + 1);
        } else {
            self.rise = (0.0, 0);
        }
        let count = f64::from(self.rise.1.max(1));
        signals.then_some(Rise {
            mean: self.rise.0 / count,
            litres: count * EVERY_LITRES,
            usual: self.usual.unwrap_or_default(),
        })
    }

    /// The charge is no longer young: the chart begins, if its beginning was seen.
    fn begin(&mut self) {
        let count = self.learned.len() as f64;
        let mean = self.learned.iter().sum::<f64>() / count.max(1.0);
        self.usual = Some(mean);
        if self.learned.len() >= LEARN_LEAST {
            let square = self.learned.iter().map(|y| (y - mean).powi(2)).sum::<f64>();
            let sigma = (square / (count - 1.0)).sqrt().max(HIDDEN_SIGMA);
            let hidden = mean.max(HIDDEN_MEAN);
            let design = Stepped::design(hidden, sigma, hidden + RISE, CALM_LITRES / EVERY_LITRES);
            self.chart = design.map(|design| design.chart(1.0));
        }
        self.learned = Vec::new();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whole ppm that a display shows of water at `mean` with normal scatter `sigma`; a fixed
    /// sequence (Weyl's, through the normal quantile), so that the same is shown each time.
    fn shown(mean: f64, sigma: f64, count: usize) -> impl Iterator<Item = f64> {
        (0..count).map(move |i| {
            let part = (0.5 + i as f64 * 0.618_033_988_749_894_9).fract().clamp(0.001, 0.999);
            (mean + sigma * crate::engine::fit::special::normal_quantile(part)).round().max(0.0)
        })
    }

    fn young(values: impl Iterator<Item = f64>) -> (Early, f64) {
        let (mut early, mut litres) = (Early::default(), 0.0);
        for value in values {
            assert_eq!(early.take(litres, value, 0.01 * litres), None);
            litres += 1.0;
        }
        (early, litres)
    }

    /// Reference sheet 5.6 (`arl_quantised.csv`): charts for whole ppm see 1 ppm within 5 to 13
    /// samples where the usual is 0.2 ppm with a scatter of 0.3.
    #[test]
    fn a_rise_that_flickers_is_found_within_a_dozen_litres() {
        let (mut early, mut litres) = young(shown(0.2, 0.3, 30));
        let mut found = None;
        for value in shown(1.0, 0.3, 30) {
            litres += 1.0;
            if let Some(rise) = early.take(litres, value, 0.5) {
                found.get_or_insert((litres, rise));
            }
        }
        let (at, rise) = found.expect("found");
        assert!((33.0..=46.0).contains(&at), "{at}");
        assert!((rise.mean - 1.0).abs() < 0.3 && rise.usual < 0.4, "{rise:?}");
    }

    #[test]
    fn a_calm_vessel_is_quiet_for_the_rest_of_its_charge() {
        let (mut early, litres) = young(shown(0.2, 0.3, 30));
        for (i, value) in shown(0.2, 0.3, 5_000).enumerate() {
            assert_eq!(early.take(litres + i as f64, value, 0.5), None, "at {i} L");
        }
    }

    /// A probe whose zero is one step off, or a gas that was there from the first litre, is usual.
    #[test]
    fn what_stood_there_from_the_beginning_is_no_rise() {
        let (mut early, litres) = young(std::iter::repeat_n(1.0, 30));
        for i in 0..1_000 {
            assert_eq!(early.take(litres + f64::from(i), 1.0, 0.5), None);
        }
    }

    #[test]
    fn without_a_calm_beginning_nothing_is_told() {
        let mut early = Early::default();
        for litre in 0..200 {
            assert_eq!(early.take(f64::from(litre), 3.0, 0.9), None);
        }
    }

    #[test]
    fn many_readings_of_one_litre_count_once() {
        let (mut early, litres) = young(shown(0.2, 0.3, 30));
        for part in 0..500 {
            assert_eq!(early.take(litres + 0.001 * f64::from(part), 5.0, 0.5), None);
        }
    }
}
