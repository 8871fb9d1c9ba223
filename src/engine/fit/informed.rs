//! Wash-out of the first permeate with everything that is known beside the readings.
//!
//! `C(V) = settled g(V) + A1 exp(-V/V1) + A2 exp(-V/V2)` as in [`super::washout`] (reference sheet
//! 4.2), but
//! - a reading on a stepped display is an interval: its likelihood is the probability of that interval
//!   (censored normal data; Tobin, Econometrica 26 (1958) 24), so a level between two steps is found
//!   where noise carries readings over the edge and is left open where it does not;
//! - `g` is how feed, flow and temperature move what the membrane lets through, 1 at the end of the
//!   trace: a mains that dips in the evening is no wash-out;
//! - what earlier starts of the same plant taught enters as normal distributions of the logarithms.
//!
//! The answer is the most probable curve (Fisher scoring on the posterior) with the spread of the
//! posterior about it. Single wild readings count no more than three of their deviations (Huber,
//! Ann. Math. Stat. 35 (1964) 73). Invariants: all of settled value, amplitudes and volumes are
//! positive; the iterations are bounded; what is left at the end comes with its own uncertainty.

use super::display::Display;
use super::least::{invert, solve};
use super::washout::{Term, Washout};
use serde::{Deserialize, Serialize};

/// Scoring steps.
const STEPS: usize = 40;
/// Largest step of a logarithm in one go.
const STEP_MAX: f64 = 0.7;
/// What the shape of the curve is good to, as a share of the height: lag of the probe, times of the
/// messages, bubbles (judgement).
const SHAPE_U: f64 = 0.05;
/// Readings of one cell that count as independent at most.
const COUNT_MAX: f64 = 25.0;
/// Deviations beyond which a reading counts no more than so many.
const HUBER: f64 = 3.0;
/// Deviations off what was known from which the settled value, and the shape, contradict it.
const SURPRISE: f64 = 2.5;
const STRAIN: f64 = 3.0;
/// Readings that the prior of the scatter is worth.
const SIGMA_READINGS: f64 = 12.0;

/// Readings of about the same place in the run that show the same.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Cell {
    /// Permeate since the start in litres (or minutes).
    pub x: f64,
    /// What the membrane lets through here over what it lets through at the end.
    pub shape: f64,
    /// As displayed, ppm.
    pub shown: f64,
    /// How many readings.
    pub count: f64,
}

/// Normal distribution of a logarithm.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Belief {
    /// Mean of the logarithm.
    pub mean: f64,
    /// Its standard deviation.
    pub sd: f64,
}

impl Belief {
    /// About `middle`, good to a factor of `e` to the `sd`.
    pub fn about(middle: f64, sd: f64) -> Self {
        Self { mean: middle.max(1e-9).ln(), sd }
    }
}

/// What is known before the readings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// Settled value, ppm; `None` where nothing is known.
    pub settled: Option<Belief>,
    /// Fast constant, litres (minutes).
    pub first: Belief,
    /// Slow over fast constant.
    pub ratio: Belief,
    /// Slow over fast amplitude.
    pub share: Belief,
    /// Scatter of single readings, ppm.
    pub sigma: f64,
}

impl Known {
    /// What holds for home membranes where nothing was learned yet: a fast volume of a few dl, a slow
    /// one some times larger with less than a tenth of the height (reference sheet 4.2; common
    /// practice, no source). `scale`: 1 for litres, litres per minute turned round for minutes.
    pub fn usual(scale: f64, step: f64) -> Self {
        Self {
            settled: None,
            first: Belief::about(0.25 * scale, 0.8),
            ratio: Belief::about(6.0, 0.5),
            share: Belief::about(0.06, 1.0),
            sigma: 0.3 * step.max(0.1),
        }
    }
}

/// A curve with what is not known of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// Logarithms of settled value, fast amplitude, fast constant, slow over fast constant, slow over
    /// fast amplitude.
    pub ln: [f64; 5],
    /// Their covariance.
    pub covariance: [[f64; 5]; 5],
    /// Scatter of single readings.
    pub sigma: f64,
    /// The prior of the settled value stood against the readings and was left out.
    pub surprised: bool,
    /// Readings used.
    pub readings: f64,
}

impl Fitted {
    /// Settled value at the end of the trace, ppm.
    pub fn settled(&self) -> f64 {
        self.ln[0].exp()
    }

    /// Standard uncertainty of it from the readings and what was known, ppm.
    pub fn settled_u(&self) -> f64 {
        self.settled() * self.covariance[0][0].max(0.0).sqrt()
    }

    /// The fast term.
    pub fn first(&self) -> Term {
        Term { amplitude: self.ln[1].exp(), constant: self.ln[2].exp() }
    }

    /// The slow term.
    pub fn second(&self) -> Term {
        let first = self.first();
        Term {
            amplitude: first.amplitude * self.ln[4].exp(),
            constant: first.constant * self.ln[3].exp(),
        }
    }

    /// By how many deviations the shape lies off what was known of it, at the most.
    fn strain(&self, known: &Known) -> f64 {
        [(2, known.first), (3, known.ratio), (4, known.share)]
            .into_iter()
            .map(|(at, belief)| ((self.ln[at] - belief.mean) / belief.sd).abs())
            .fold(0.0, f64::max)
    }

    /// What is left of the standing water at `x`, ppm, with its standard uncertainty.
    pub fn left(&self, x: f64) -> (f64, f64) {
        let (value, slope) = self.excess_at(x);
        let mut variance = 0.0;
        for i in 1..5 {
            for j in 1..5 {
                variance += slope[i] * slope[j] * self.covariance[i][j];
            }
        }
        (value, variance.max(0.0).sqrt())
    }

    fn excess_at(&self, x: f64) -> (f64, [f64; 5]) {
        let (first, second) = (self.first(), self.second());
        let fast = first.amplitude * (-x / first.constant).exp();
        let slow = second.amplitude * (-x / second.constant).exp();
        let (along, along_slow) = (x / first.constant, x / second.constant);
        (fast + slow, [0.0, fast + slow, fast * along + slow * along_slow, slow * along_slow, slow])
    }

    /// The same as a wash-out from the start on.
    pub fn curve(&self, end: f64) -> Washout {
        let first = self.first();
        Washout {
            origin: 0.0,
            settled: self.settled(),
            settled_u: self.settled_u(),
            constant_u: first.constant * self.covariance[2][2].max(0.0).sqrt(),
            first,
            second: Some(self.second()),
            rmse: self.sigma,
            r2: 1.0,
            points: self.readings as usize,
            end,
        }
    }
}

/// Fits. `None` for less than four cells or where the readings lead nowhere.
pub fn fit(cells: &[Cell], known: &Known, display: Display) -> Option<Fitted> {
    if cells.len() < 4 {
        return None;
    }
    let with = search(cells, known, known.settled, display)?;
    let Some(belief) = known.settled else { return Some(with) };
    let pulled = ((with.ln[0] - belief.mean) / belief.sd).abs() > SURPRISE;
    if !pulled && with.strain(known) <= STRAIN {
        return Some(with);
    }
    // The readings pull the settled value away from what was known against its whole weight, or bend
    // the wash-out out of its shape to keep it: the membrane, the feed or a probe is not what it was.
    let without = search(cells, known, None, display)?;
    if !pulled && without.strain(known) >= with.strain(known) {
        return Some(with);
    }
    Some(Fitted { surprised: true, ..without })
}

fn search(
    cells: &[Cell],
    known: &Known,
    settled: Option<Belief>,
    display: Display,
) -> Option<Fitted> {
    let tail = cells.len() - cells.len() / 4 - 1;
    let weight: f64 = cells[tail..].iter().map(|cell| cell.count).sum();
    let level =
        cells[tail..].iter().map(|c| c.count * display.middle(c.shown)).sum::<f64>() / weight;
    let floor = 0.3 * display.least();
    let level = level.max(floor);
    let vague = Belief::about(level, 1.5);
    let high = cells.iter().map(|cell| cell.shown).fold(0.0, f64::max);
    let height = (high - level).max(2.0 * display.least());
    let priors = [
        settled.unwrap_or(vague),
        Belief::about(height, 2.0),
        known.first,
        known.ratio,
        known.share,
    ];
    let start = settled.map_or(level, |belief| belief.mean.exp());
    let mut at: [f64; 5] = std::array::from_fn(|i| priors[i].mean);
    at[0] = start.max(floor).ln();
    // Where the readings have come down by a third, the fast constant is about that far.
    let down = cells.iter().find(|cell| cell.shown - level < 0.35 * height);
    if let Some(cell) = down.filter(|_| height > 5.0 * display.least()) {
        let seen = cell.x.max(1e-3).ln();
        at[2] = seen.clamp(
            known.first.mean - 2.0 * known.first.sd,
            known.first.mean + 2.0 * known.first.sd,
        );
    }
    let least = 0.1 * display.least();
    let mut sigma = known.sigma.max(least);
    let count: f64 = cells.iter().map(|cell| cell.count).sum();
    let mut information = [[0.0; 5]; 5];
    for step in 0..STEPS {
        let mut score = [0.0; 5];
        information = [[0.0; 5]; 5];
        for i in 0..5 {
            let weight = priors[i].sd.powi(-2);
            score[i] += weight * (priors[i].mean - at[i]);
            information[i][i] += weight;
        }
        let here =
            Fitted { ln: at, covariance: [[0.0; 5]; 5], sigma, surprised: false, readings: count };
        let base = here.settled();
        let (mut square, mut square_count) = (SIGMA_READINGS * known.sigma.powi(2), SIGMA_READINGS);
        for cell in cells {
            let (excess, mut slope) = here.excess_at(cell.x);
            slope[0] = base * cell.shape;
            let model = base * cell.shape + excess;
            let spread = sigma.hypot(SHAPE_U * excess).hypot(0.01 * model);
            let (mean, variance) = display.expected(cell.shown, model, spread);
            let residual = mean - model;
            let wild = (HUBER * spread / residual.abs().max(1e-12)).min(1.0);
            let count = cell.count.min(COUNT_MAX) * wild;
            let unit = count / (spread * spread);
            let info = unit * (1.0 - variance / (spread * spread)).clamp(0.02, 1.0);
            for i in 0..5 {
                score[i] += unit * residual * slope[i];
                for j in 0..5 {
                    information[i][j] += info * slope[i] * slope[j];
                }
            }
            if excess < sigma {
                let seen = (variance + residual * residual).min((HUBER * spread).powi(2));
                square += cell.count * seen;
                square_count += cell.count;
            }
        }
        sigma = (square / square_count).sqrt().max(least);
        let mut delta = solve(information, score)?;
        let largest = delta.iter().fold(0.0f64, |most, d| most.max(d.abs()));
        if largest > STEP_MAX {
            delta.iter_mut().for_each(|d| *d *= STEP_MAX / largest);
        }
        // Late steps are shortened, so that two states do not take turns.
        let share = if step < 15 { 1.0 } else { 0.5 };
        for i in 0..5 {
            at[i] += share * delta[i];
        }
        if largest < 1e-4 {
            break;
        }
    }
    let covariance = invert(information)?;
    let fitted = Fitted { ln: at, covariance, sigma, surprised: false, readings: count };
    (at.iter().all(|value| value.is_finite()) && fitted.settled() < 1e6).then_some(fitted)
}

#[cfg(test)]
mod tests {
    use super::*;

    const DISPLAY: Display = Display::nearest(1.0);

    /// A start of `litres` with a slow second term, scatter of 0.25 ppm, a passage that moves along.
    fn start(litres: f64, settled: f64, shape: impl Fn(f64) -> f64) -> Vec<Cell> {
        let noise = [0.2, -0.3, 0.1, 0.35, -0.15, -0.25, 0.05];
        let mut cells = Vec::new();
        let mut x = 0.02;
        let mut index = 0;
        while x < litres {
            let excess = 90.0 * (-x / 0.25f64).exp() + 8.0 * (-x / 1.6f64).exp();
            let truth = settled * shape(x) + excess + noise[index % noise.len()];
            cells.push(Cell { x, shape: shape(x), shown: truth.round().max(0.0), count: 1.0 });
            x += 0.02;
            index += 1;
        }
        cells
    }

    #[test]
    fn a_level_between_two_steps_is_found_with_its_slow_term() {
        let known = Known::usual(1.0, 1.0);
        let fitted = fit(&start(12.0, 4.4, |_| 1.0), &known, DISPLAY).expect("a clear start");
        assert!((fitted.settled() - 4.4).abs() < 0.15, "{fitted:?}");
        assert!((fitted.second().constant - 1.6).abs() < 0.3, "{fitted:?}");
        assert!(fitted.left(12.0).0 < 0.05, "{fitted:?}");
    }

    #[test]
    fn what_is_left_of_a_start_cut_short_is_told_with_the_passage_of_earlier_ones() {
        let known = Known { settled: Some(Belief::about(4.4, 0.04)), ..Known::usual(1.0, 1.0) };
        let fitted = fit(&start(1.5, 4.4, |_| 1.0), &known, DISPLAY).expect("readings");
        let truth = 90.0 * (-1.5f64 / 0.25).exp() + 8.0 * (-1.5f64 / 1.6).exp();
        let (left, u) = fitted.left(1.5);
        assert!((left - truth).abs() < 0.4 && u < 1.0, "{left} {u} {truth}");
        assert!(!fitted.surprised);
    }

    #[test]
    fn readings_that_contradict_what_was_known_drop_it() {
        let known = Known { settled: Some(Belief::about(4.4, 0.04)), ..Known::usual(1.0, 1.0) };
        let fitted = fit(&start(12.0, 11.3, |_| 1.0), &known, DISPLAY).expect("a clear start");
        assert!(fitted.surprised && (fitted.settled() - 11.3).abs() < 0.2, "{fitted:?}");
    }

    #[test]
    fn an_evening_mains_is_no_wash_out() {
        // From the sixth litre on the pressure falls and a fifth more salt passes.
        let shape = |x: f64| if x < 6.0 { 1.0 / 1.2 } else { 1.0 };
        let known = Known::usual(1.0, 1.0);
        let fitted = fit(&start(12.0, 9.0, shape), &known, DISPLAY).expect("a clear start");
        assert!((fitted.settled() - 9.0).abs() < 0.3, "{fitted:?}");
        assert!(fit(&start(12.0, 9.0, shape)[..3], &known, DISPLAY).is_none());
    }
}
