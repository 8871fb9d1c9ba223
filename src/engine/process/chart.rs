//! Sequential tests: a CUSUM that watches a level, and how long it runs before it cries wolf.
//!
//! Before a breakthrough curve shows, count and do not fit. One-sided CUSUM `S = max(0, S + x - K)`,
//! signal at `S > H` (Page, Biometrika 41 (1954) 100). Average run lengths: integral equation by
//! Gauss-Legendre quadrature for normal data (Brook & Evans, Biometrika 59 (1972) 539; Lucas &
//! Saccucci, Technometrics 32 (1990) 1 for the EWMA), and the exact Markov chain for displays of
//! whole steps, to which the normal tables do **not** apply.
//!
//! Validity: independent samples. Feed one value for each litre of permeate or each five minutes, not
//! every poll; halve a run length where that is not so.

use crate::engine::fit::special::{normal_below, normal_density};
use serde::{Deserialize, Serialize};

/// Nodes of the quadrature.
const NODES: usize = 60;
/// A display's steps taken into account above zero.
const STEPS: usize = 60;
/// Parts of a step in which K and H of a stepped chart are counted.
const PARTS: usize = 4;

/// A one-sided upper CUSUM.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cusum {
    /// Allowance taken off each value.
    pub allowance: f64,
    /// Signal above this.
    pub limit: f64,
    sum: f64,
}

impl Cusum {
    /// A chart at its start.
    pub fn new(allowance: f64, limit: f64) -> Self {
        Self { allowance, limit, sum: 0.0 }
    }

    /// Takes a value; true while the chart signals. It goes on counting after a signal: what resets
    /// it is a new vessel, not a good reading.
    pub fn step(&mut self, value: f64) -> bool {
        self.sum = (self.sum + value - self.allowance).clamp(0.0, 100.0 * self.limit.max(1e-9));
        self.signals()
    }

    /// Whether it signals.
    pub fn signals(&self) -> bool {
        self.sum > self.limit
    }

    /// The sum.
    pub fn sum(&self) -> f64 {
        self.sum
    }

    /// Starts anew.
    pub fn restart(&mut self) {
        self.sum = 0.0;
    }
}

/// Average run length of a one-sided CUSUM for values normally distributed about `shift` with
/// standard deviation 1. `None` for a limit that is not positive.
pub fn cusum_run_length(allowance: f64, limit: f64, shift: f64) -> Option<f64> {
    if limit <= 0.0 {
        return None;
    }
    let (nodes, weights) = gauss_legendre(NODES, 0.0, limit);
    // State 0 holds the mass at zero; the others are the nodes.
    let mut from = vec![0.0];
    from.extend(&nodes);
    let size = from.len();
    let mut a = vec![vec![0.0; size]; size];
    for (row, z) in from.iter().enumerate() {
        a[row][0] = -normal_below(allowance - z - shift);
        for column in 1..size {
            let step = nodes[column - 1] + allowance - z - shift;
            a[row][column] = -weights[column - 1] * normal_density(step);
        }
        a[row][row] += 1.0;
    }
    solve(a, vec![1.0; size]).map(|run| run[0])
}

/// The same for a pair of charts, one upward and one downward.
pub fn cusum_two_sided_run_length(allowance: f64, limit: f64, shift: f64) -> Option<f64> {
    let up = cusum_run_length(allowance, limit, shift)?;
    let down = cusum_run_length(allowance, limit, -shift)?;
    Some(1.0 / (1.0 / up + 1.0 / down))
}

/// Average run length of a two-sided EWMA `z = weight x + (1 - weight) z` with constant limits at
/// `width` of its own asymptotic standard deviations. `None` outside 0 < weight <= 1.
pub fn ewma_run_length(weight: f64, width: f64, shift: f64) -> Option<f64> {
    if !(0.0..=1.0).contains(&weight) || weight <= 0.0 || width <= 0.0 {
        return None;
    }
    let limit = width * (weight / (2.0 - weight)).sqrt();
    let (nodes, weights) = gauss_legendre(NODES + 20, -limit, limit);
    let size = nodes.len();
    let density =
        |to: f64, from: f64| normal_density((to - (1.0 - weight) * from) / weight - shift) / weight;
    let mut a = vec![vec![0.0; size]; size];
    for (row, from) in nodes.iter().enumerate() {
        for column in 0..size {
            a[row][column] = -weights[column] * density(nodes[column], *from);
        }
        a[row][row] += 1.0;
    }
    let run = solve(a, vec![1.0; size])?;
    Some(1.0 + (0..size).map(|i| weights[i] * density(nodes[i], 0.0) * run[i]).sum::<f64>())
}

/// A chart for a display of whole steps: allowance and limit in quarters of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Stepped {
    /// Allowance in quarters of a step.
    pub allowance: u16,
    /// Limit in quarters of a step.
    pub limit: u16,
}

impl Stepped {
    /// As a chart in the unit of the readings.
    pub fn chart(self, step: f64) -> Cusum {
        let part = step / PARTS as f64;
        Cusum::new(f64::from(self.allowance) * part, f64::from(self.limit) * part)
    }

    /// Average run length in samples when the water stands at `mean` steps with scatter `sigma`
    /// steps and the display rounds to whole steps, never below zero: the exact Markov chain.
    pub fn run_length(self, mean: f64, sigma: f64) -> Option<f64> {
        if sigma <= 0.0 {
            return None;
        }
        let size = usize::from(self.limit) + 1;
        let chance: Vec<f64> = (0..STEPS)
            .map(|shown| {
                let upper = normal_below((shown as f64 + 0.5 - mean) / sigma);
                let lower = if shown == 0 {
                    0.0
                } else {
                    normal_below((shown as f64 - 0.5 - mean) / sigma)
                };
                upper - lower
            })
            .collect();
        let all: f64 = chance.iter().sum();
        let mut a = vec![vec![0.0; size]; size];
        for (sum, row) in a.iter_mut().enumerate() {
            for (shown, chance) in chance.iter().enumerate() {
                let next = (sum + PARTS * shown).saturating_sub(usize::from(self.allowance));
                if next < size {
                    row[next] -= chance / all;
                }
            }
            row[sum] += 1.0;
        }
        solve(a, vec![1.0; size]).map(|run| run[0])
    }

    /// The chart with the shortest delay at `shifted` steps among those that run at least
    /// `samples_min` on average at `mean`. `None` when none does.
    pub fn design(mean: f64, sigma: f64, shifted: f64, samples_min: f64) -> Option<Self> {
        let mut best: Option<(f64, Self)> = None;
        for allowance in 1..=8 {
            for limit in 2..=24 {
                let chart = Self { allowance, limit };
                let Some(calm) = chart.run_length(mean, sigma) else { continue };
                // A singular chain means that the chart can hardly ever signal: calm enough.
                if calm.is_finite() && calm > 0.0 && calm < samples_min {
                    continue;
                }
                let Some(delay) = chart.run_length(shifted, sigma).filter(|d| *d >= 1.0) else {
                    continue;
                };
                if best.as_ref().is_none_or(|(least, _)| delay < *least) {
                    best = Some((delay, chart));
                }
            }
        }
        best.map(|(_, chart)| chart)
    }
}

/// Nodes and weights of Gauss-Legendre quadrature on `low` to `high`: roots of Legendre's polynomial
/// by Newton's method (Abramowitz & Stegun 25.4.29).
fn gauss_legendre(count: usize, low: f64, high: f64) -> (Vec<f64>, Vec<f64>) {
    let n = count as f64;
    (0..count)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..50 {
                let (mut before, mut here) = (1.0, x);
                for k in 2..=count {
                    let k = k as f64;
                    (before, here) = (here, ((2.0 * k - 1.0) * x * here - (k - 1.0) * before) / k);
                }
                slope = n * (x * here - before) / (x * x - 1.0);
                let step = here / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            let weight = 2.0 / ((1.0 - x * x) * slope * slope);
            (0.5 * (low + high) - 0.5 * (high - low) * x, 0.5 * (high - low) * weight)
        })
        .unzip()
}

/// Gaussian elimination with partial pivoting. `None` for a singular matrix.
fn solve(mut a: Vec<Vec<f64>>, mut b: Vec<f64>) -> Option<Vec<f64>> {
    let size = b.len();
    for column in 0..size {
        let pivot =
            (column..size).max_by(|&i, &j| a[i][column].abs().total_cmp(&a[j][column].abs()))?;
        if a[pivot][column].abs() < 1e-300 {
            return None;
        }
        a.swap(column, pivot);
        b.swap(column, pivot);
        let (upper, lower) = a.split_at_mut(column + 1);
        let top = &upper[column];
        for (offset, row) in lower.iter_mut().enumerate() {
            let factor = row[column] / top[column];
            if factor != 0.0 {
                for (value, above) in row[column..].iter_mut().zip(&top[column..]) {
                    *value -= factor * above;
                }
                b[column + 1 + offset] -= factor * b[column];
            }
        }
    }
    for row in (0..size).rev() {
        let known: f64 = (row + 1..size).map(|k| a[row][k] * b[k]).sum();
        b[row] = (b[row] - known) / a[row][row];
    }
    b.iter().all(|x| x.is_finite()).then_some(b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chart_counts_up_and_does_not_forget_after_its_signal() {
        let mut chart = Stepped { allowance: 2, limit: 8 }.chart(1.0);
        assert_eq!((chart.allowance, chart.limit), (0.5, 2.0));
        for _ in 0..100 {
            assert!(!chart.step(0.0));
        }
        let seen: Vec<bool> = (0..6).map(|_| chart.step(1.0)).collect();
        assert_eq!(seen, [false, false, false, false, true, true]);
        assert!(chart.step(0.0), "one zero does not take it back");
        chart.restart();
        assert!(!chart.signals());
    }

    /// A year of one vessel is some 5000 litres: one false signal in twenty such years.
    #[test]
    fn the_design_keeps_its_false_alarm_rate_and_sees_one_ppm_soon() {
        let chart = Stepped::design(0.2, 0.3, 1.0, 100_000.0).expect("exists");
        let calm = chart.run_length(0.2, 0.3).expect("regular");
        let delay = chart.run_length(1.0, 0.3).expect("regular");
        assert!(calm >= 100_000.0 && delay < 15.0, "{chart:?} {calm} {delay}");
    }

    #[test]
    fn limits_that_make_no_chart_are_refused() {
        assert_eq!(cusum_run_length(0.5, 0.0, 0.0), None);
        assert_eq!(ewma_run_length(0.0, 3.0, 0.0), None);
        assert_eq!(Stepped { allowance: 2, limit: 8 }.run_length(0.2, 0.0), None);
    }
}
