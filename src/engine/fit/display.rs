//! What a display with steps really says: an interval, not a number.
//!
//! A reading of 4 on a 1-ppm display means "somewhere from 3.5 to 4.5". Taking it for 4 with some
//! noise is harmless while the signal moves and wrong where it stands still: the tail of a wash-out
//! then pulls the settled value to the nearest whole step (reference sheet 4.2: 4.49 instead of
//! 4.40). The remedy here is the standard one for interval-censored normal data: expectation and
//! maximisation (Dempster, Laird & Rubin, J. R. Stat. Soc. B 39 (1977) 1), which replaces each
//! reading by its expected value within its interval and repeats.
//!
//! Invariant: a level without dither (all readings alike) is never claimed finer than one step.

use super::special::{normal_between, normal_density};
use crate::settings::schema::Rounding;
use serde::{Deserialize, Serialize};

/// Passes of the expectation-maximisation; converged to a hundredth of a step long before.
const PASSES: usize = 40;

/// How a probe shows its value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Display {
    /// Step, in the unit of the readings; 0 for a display far finer than anything that matters.
    pub step: f64,
    /// How it rounds.
    pub rounding: Rounding,
}

/// A level with its standard uncertainty.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Level {
    /// The level.
    pub value: f64,
    /// Standard uncertainty from scatter and step; gain and zero of the probe are not in it.
    pub u: f64,
    /// Scatter of single readings.
    pub sigma: f64,
    /// Readings.
    pub count: usize,
}

impl Display {
    /// A display that rounds to the nearest step.
    pub const fn nearest(step: f64) -> Self {
        Self { step, rounding: Rounding::Nearest }
    }

    /// The step, or a small number for a display without one: the least difference that counts.
    pub fn least(&self) -> f64 {
        self.step.max(0.05)
    }

    /// The interval of true values that is shown as `shown`. Displays do not show negative numbers,
    /// so 0 also stands for everything below.
    pub fn interval(&self, shown: f64) -> (f64, f64) {
        let (down, up) = match self.rounding {
            Rounding::Nearest => (0.5, 0.5),
            Rounding::Down => (0.0, 1.0),
            Rounding::Unknown => (0.5, 1.0),
        };
        let low = if shown <= 0.0 { f64::NEG_INFINITY } else { shown - down * self.step };
        (low, shown + up * self.step)
    }

    /// Variance of a value spread evenly over one interval (GUM 4.3.7).
    pub fn variance(&self) -> f64 {
        let width = match self.rounding {
            Rounding::Nearest | Rounding::Down => self.step,
            Rounding::Unknown => 1.5 * self.step,
        };
        width * width / 12.0
    }

    /// Middle of the interval.
    pub fn middle(&self, shown: f64) -> f64 {
        let shift = match self.rounding {
            Rounding::Nearest => 0.0,
            Rounding::Down => 0.5,
            Rounding::Unknown => 0.25,
        };
        if shown <= 0.0 { 0.0 } else { shown + shift * self.step }
    }

    /// Mean and variance of the true value behind `shown`, when it is expected about `model` with
    /// scatter `sigma`: the truncated normal distribution.
    pub fn expected(&self, shown: f64, model: f64, sigma: f64) -> (f64, f64) {
        if self.step <= 0.0 {
            return (shown, 0.0);
        }
        let (low, high) = self.interval(shown);
        let a = (low - model) / sigma;
        let b = (high - model) / sigma;
        let mass = normal_between(a, b);
        if mass < 1e-12 {
            // The model is far from the interval: its nearer edge is the best there is.
            let edge = if model < low { low } else { high };
            return (edge, 0.0);
        }
        let (density_a, density_b) = (normal_density(a), normal_density(b));
        let mean = (density_a - density_b) / mass;
        let edge_a = if low.is_finite() { a * density_a } else { 0.0 };
        let variance = (1.0 + (edge_a - b * density_b) / mass - mean * mean).max(0.0);
        (model + sigma * mean, sigma * sigma * variance)
    }
}

/// The constant level behind readings of a stepped display. `None` without readings.
pub fn level(shown: &[f64], display: Display) -> Option<Level> {
    if shown.is_empty() {
        return None;
    }
    let count = shown.len() as f64;
    let mut value = shown.iter().map(|&y| display.middle(y)).sum::<f64>() / count;
    let spread = shown.iter().map(|&y| (display.middle(y) - value).powi(2)).sum::<f64>() / count;
    let floor = 0.1 * display.least();
    let mut sigma = spread.sqrt().max(floor);
    // A stepped display shows few different numbers: each is worked out once.
    let groups = grouped(shown);
    if display.step > 0.0 {
        for _ in 0..PASSES {
            let (mut sum, mut square) = (0.0, 0.0);
            for &(y, times) in &groups {
                let (mean, variance) = display.expected(y, value, sigma);
                sum += times * mean;
                square += times * (variance + (mean - value).powi(2));
            }
            let moved = (sum / count - value).abs();
            value = sum / count;
            sigma = (square / count).sqrt().max(floor);
            if moved < 1e-4 * display.step {
                break;
            }
        }
    }
    let value = value.max(0.0);
    let variance = spread.max(sigma * sigma) + display.variance();
    let independent = effective_count(shown);
    // Averaging divides the step only where noise carries the reading over its edges; what dithers
    // is at least a tenth of the readings.
    let common = groups.iter().map(|group| group.1).fold(0.0, f64::max);
    let u = if display.step > 0.0 && common > 0.9 * count {
        display.variance().sqrt().max((variance / independent).sqrt())
    } else {
        (variance / independent).sqrt()
    };
    Some(Level { value, u, sigma, count: shown.len() })
}

/// Number of independent readings worth as much as these: lag-one correlation (first-order
/// autoregressive rule), between 1 and all of them.
pub fn effective_count(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    if values.len() < 4 {
        return n.max(1.0);
    }
    let mean = values.iter().sum::<f64>() / n;
    let square: f64 = values.iter().map(|y| (y - mean).powi(2)).sum();
    if square <= 0.0 {
        return n;
    }
    let lag: f64 = values.windows(2).map(|w| (w[0] - mean) * (w[1] - mean)).sum();
    let rho = (lag / square).clamp(0.0, 0.99);
    (n * (1.0 - rho) / (1.0 + rho)).clamp(1.0, n)
}

/// The different values with how often each stands there.
fn grouped(values: &[f64]) -> Vec<(f64, f64)> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.chunk_by(|a, b| a == b).map(|group| (group[0], group.len() as f64)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A fifth of the readings one step higher: the level lies above the middle, and by how much
    /// follows from the normal distribution, not from the mean of the numbers.
    #[test]
    fn dither_carries_the_level_between_two_steps() {
        let shown: Vec<f64> = (0..50).map(|i| if i % 5 == 0 { 5.0 } else { 4.0 }).collect();
        let level = level(&shown, Display::nearest(1.0)).expect("readings");
        assert!(level.value > 4.1 && level.value < 4.4, "{level:?}");
        assert!(level.u < 0.12, "{level:?}");
    }

    #[test]
    fn without_dither_one_step_is_all_that_is_known() {
        let level = level(&[4.0; 200], Display::nearest(1.0)).expect("readings");
        assert!((level.value - 4.0).abs() < 0.01, "{level:?}");
        assert!(level.u >= 0.288, "{level:?}");
    }

    #[test]
    fn a_display_that_cuts_off_reads_half_a_step_low() {
        let cut = Display { step: 1.0, rounding: Rounding::Down };
        assert!((level(&[4.0; 50], cut).expect("readings").value - 4.5).abs() < 0.01);
    }

    #[test]
    fn nothing_comes_from_nothing() {
        assert_eq!(level(&[], Display::nearest(1.0)), None);
    }
}
