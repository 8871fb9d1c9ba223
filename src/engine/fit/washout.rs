//! Wash-out of the first permeate after standing: `C(V) = settled + A1 exp(-V/V1) [+ A2 exp(-V/V2)]`.
//!
//! In permeate **volume**, because flow varies with temperature and pressure and volumes do not
//! (reference sheet 4.2); in minutes only where no flow is known. The search is variable projection
//! (Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413): for given constants the rest is linear, so
//! a grid over the constants finds the region, damped Gauss-Newton steps the minimum. It needs no
//! start values and cannot diverge. Display steps are taken as intervals ([`super::display`]).
//!
//! Invariants: the first term falls (A1 >= 0, V1 > 0); a second term is kept only when an F-test at
//! 1 % wants it, V2 > 3 V1 and the trace is longer than V2; what the guards refuse is a [`NoFit`].

use super::NoFit;
use super::display::Display;
use super::least::{STEPS_MAX, bisect, levenberg};
use super::special::fisher_above;
use serde::{Deserialize, Serialize};

/// Constants tried on the grid.
const GRID: usize = 48;
/// Passes in which readings are replaced by their expected value within the display's interval.
const PASSES: usize = 12;
/// Steps of the search within one such pass: any that lower the sum of squares will do (generalised
/// expectation-maximisation), and the readings are replaced again right after.
const STEPS_BETWEEN: usize = 5;

/// One reading of a start.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Sample {
    /// Permeate since the start in litres, or minutes since the start where no flow is known.
    pub x: f64,
    /// Reading as displayed, in ppm.
    pub y: f64,
}

/// One falling term.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Term {
    /// Height at the origin, in ppm.
    pub amplitude: f64,
    /// Constant in litres (minutes).
    pub constant: f64,
}

/// A fitted wash-out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Washout {
    /// Where the curve begins; before it the water in front of the probe stood still (plug flow).
    pub origin: f64,
    /// Level to which it falls, in ppm.
    pub settled: f64,
    /// Its standard error, never below what the display's step allows.
    pub settled_u: f64,
    /// The wash-out itself.
    pub first: Term,
    /// Standard error of its constant.
    pub constant_u: f64,
    /// Warming, settling, dead ends.
    pub second: Option<Term>,
    /// Root mean square of the residuals against the displayed readings, in ppm.
    pub rmse: f64,
    /// Share of the readings' variance that the curve explains.
    pub r2: f64,
    /// Readings used.
    pub points: usize,
    /// Where the trace ends.
    pub end: f64,
}

impl Washout {
    /// A curve that is known and not fitted: one term from the start on.
    pub fn known(settled: f64, first: Term) -> Self {
        Self {
            origin: 0.0,
            settled,
            settled_u: 0.0,
            first,
            constant_u: 0.0,
            second: None,
            rmse: 0.0,
            r2: 1.0,
            points: 0,
            end: f64::INFINITY,
        }
    }

    /// The curve at `x` (litres or minutes since the start), in ppm.
    pub fn at(&self, x: f64) -> f64 {
        let along = x - self.origin;
        self.settled
            + self.first.at(along)
            + self.second.as_ref().map_or(0.0, |term| term.at(along))
    }

    /// Height of the curve above its settled level at the start (x = 0), in ppm.
    pub fn amplitude(&self) -> f64 {
        self.at(0.0) - self.settled
    }

    /// Area between the curve and its settled level from `from` to `to`: mg of extra salt when the
    /// axis is litres (ppm x L on the meter's scale).
    pub fn excess(&self, from: f64, to: f64) -> f64 {
        let (from, to) = (from - self.origin, to - self.origin);
        self.first.area(from, to) + self.second.as_ref().map_or(0.0, |term| term.area(from, to))
    }

    /// Where the curve comes within `margin` ppm of its settled level; 0 when it begins there.
    pub fn within(&self, margin: f64) -> Option<f64> {
        let above = |x: f64| self.at(x) - self.settled - margin;
        if above(0.0) <= 0.0 {
            return Some(0.0);
        }
        let longest =
            self.second.map_or(self.first.constant, |t| t.constant.max(self.first.constant));
        bisect(0.0, self.origin + 60.0 * longest, above)
    }
}

impl Term {
    fn at(&self, along: f64) -> f64 {
        self.amplitude * (-along / self.constant).exp()
    }

    fn area(&self, from: f64, to: f64) -> f64 {
        self.constant * (self.at(from) - self.at(to))
    }
}

/// Which shape to fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Terms {
    /// One falling term.
    One,
    /// A fast and a slow term.
    Two,
}

/// Fits a wash-out with all guards of the reference sheet (4.2). `samples` in rising order of `x`,
/// from the peak on; one lone outlier in ten is left out.
///
/// # Errors
/// The [`NoFit`] that says why not.
pub fn fit(samples: &[Sample], display: Display) -> Result<Washout, NoFit> {
    let step = display.least();
    if samples.len() < 10 {
        return Err(NoFit::TooFewPoints);
    }
    let (low, high) = samples
        .iter()
        .fold((f64::MAX, f64::MIN), |(low, high), sample| (low.min(sample.y), high.max(sample.y)));
    if high - low < 3.0 * step {
        return Err(NoFit::NoChange);
    }
    let first = plain(samples, Terms::One).ok_or(NoFit::NoMinimum)?;
    let kept = without_outliers(samples, &first, step);
    let one = if kept.len() < samples.len() {
        plain(&kept, Terms::One).ok_or(NoFit::NoMinimum)?
    } else {
        first
    };
    let two = plain(&kept, Terms::Two)
        .filter(|two| wants_second(&one, two, kept.len(), step))
        .map(|two| between_steps(&kept, two, display))
        .filter(|two| supports_second(two, step));
    let fitted = two.unwrap_or_else(|| between_steps(&kept, one, display));
    guard(&kept, fitted, step)
}

/// Whether a second term still holds when the steps are taken as intervals. Rounding of a steady
/// tail looks like a small slow term: one that is not clearly larger than the step, that the trace
/// does not see the end of, or that leaves the settled value less sure than half of itself is none.
fn supports_second(two: &Washout, step: f64) -> bool {
    two.second.is_some_and(|slow| {
        slow.amplitude.abs() >= 1.5 * step
            && slow.constant > 3.0 * two.first.constant
            && two.end - two.origin > slow.constant
            && two.settled_u <= step.max(0.5 * slow.amplitude)
    })
}

/// Plain unweighted least squares over all samples, without guards and taking the display at its
/// word: what other programs compute, for comparison.
pub fn plain(samples: &[Sample], terms: Terms) -> Option<Washout> {
    let start = project(samples, terms)?;
    let y: Vec<f64> = samples.iter().map(|sample| sample.y).collect();
    polish(samples, &y, &start, STEPS_MAX)
}

fn wants_second(one: &Washout, two: &Washout, points: usize, step: f64) -> bool {
    let Some(slow) = two.second else { return false };
    let n = points as f64;
    let (rss_one, rss_two) = (one.rmse.powi(2) * n, two.rmse.powi(2) * n);
    let f = (rss_one - rss_two) / 2.0 / (rss_two / (n - 5.0)).max(1e-12);
    // Residuals no larger than rounding makes them cannot ask for a second term.
    one.rmse > 0.33 * step
        && points > 10
        && fisher_above(f, 2.0, n - 5.0) < 0.01
        && slow.constant > 3.0 * two.first.constant
        && two.first.amplitude > 0.0
        && two.end - two.origin > slow.constant
        && two.settled >= 0.0
}

fn guard(samples: &[Sample], fitted: Washout, step: f64) -> Result<Washout, NoFit> {
    let length = fitted.end - fitted.origin;
    if fitted.first.amplitude <= 0.0 || !fitted.settled.is_finite() {
        return Err(NoFit::NoMinimum);
    }
    if length < 3.0 * fitted.first.constant {
        return Err(NoFit::CutShort);
    }
    let above = samples.iter().filter(|sample| sample.y > fitted.settled + 3.0 * step).count();
    if above < 8 {
        return Err(NoFit::TooFewAbove);
    }
    if fitted.rmse > step.max(0.05 * fitted.first.amplitude) {
        return Err(NoFit::Rough);
    }
    if fitted.r2 <= 0.97 {
        return Err(NoFit::Poor);
    }
    Ok(fitted)
}

/// Leaves out readings that stand far off the curve, but never more than one in ten: a curve that
/// misses more than that is the wrong curve.
fn without_outliers(samples: &[Sample], curve: &Washout, step: f64) -> Vec<Sample> {
    let mut sizes: Vec<f64> = samples.iter().map(|s| (s.y - curve.at(s.x)).abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let typical = sizes[sizes.len() / 2] / 0.674_49;
    let limit = (5.0 * typical).max(3.0 * step);
    let allowed = samples.len() / 10;
    let far = sizes.iter().filter(|&&size| size > limit).count();
    if far == 0 || far > allowed {
        return samples.to_vec();
    }
    samples.iter().copied().filter(|s| (s.y - curve.at(s.x)).abs() <= limit).collect()
}

/// Best constants on a logarithmic grid; the linear part solved exactly for each.
fn project(samples: &[Sample], terms: Terms) -> Option<Washout> {
    let n = samples.len();
    let origin = samples.first()?.x;
    let length = samples.last()?.x - origin;
    if n < 4 || length <= 0.0 {
        return None;
    }
    let low = (length / (n - 1) as f64 / 2.0).ln();
    let high = (3.0 * length).ln();
    let constants: Vec<f64> =
        (0..GRID).map(|i| (low + (high - low) * i as f64 / (GRID - 1) as f64).exp()).collect();
    // Columns without their mean: the settled level then drops out, and near-constant columns stay apart.
    let centred = |values: Vec<f64>| -> (Vec<f64>, f64) {
        let mean = values.iter().sum::<f64>() / n as f64;
        (values.into_iter().map(|v| v - mean).collect(), mean)
    };
    let (y, y_mean) = centred(samples.iter().map(|s| s.y).collect());
    let columns: Vec<(Vec<f64>, f64)> = constants
        .iter()
        .map(|c| centred(samples.iter().map(|s| (-(s.x - origin) / c).exp()).collect()))
        .collect();
    let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(a, b)| a * b).sum() };
    let with_y: Vec<f64> = columns.iter().map(|(column, _)| dot(column, &y)).collect();
    let square: Vec<f64> = columns.iter().map(|(column, _)| dot(column, column)).collect();
    let mut best: Option<(f64, Washout)> = None;
    let mut offer = |gain: f64, first: Term, second: Option<Term>, settled: f64| {
        if best.as_ref().is_none_or(|(most, _)| gain > *most) {
            let curve = Washout {
                origin,
                settled,
                settled_u: 0.0,
                first,
                constant_u: 0.0,
                second,
                rmse: 0.0,
                r2: 0.0,
                points: n,
                end: origin + length,
            };
            best = Some((gain, curve));
        }
    };
    for i in 0..GRID {
        if square[i] <= 1e-12 {
            continue;
        }
        let term = |amplitude: f64, at: usize| Term { amplitude, constant: constants[at] };
        match terms {
            Terms::One => {
                let amplitude = with_y[i] / square[i];
                if amplitude > 0.0 {
                    let settled = y_mean - amplitude * columns[i].1;
                    offer(amplitude * with_y[i], term(amplitude, i), None, settled);
                }
            }
            Terms::Two => {
                for j in i + 1..GRID {
                    if constants[j] < 2.0 * constants[i] {
                        continue;
                    }
                    let cross = dot(&columns[i].0, &columns[j].0);
                    let determinant = square[i] * square[j] - cross * cross;
                    if determinant <= 1e-9 * square[i] * square[j] {
                        continue;
                    }
                    let fast = (with_y[i] * square[j] - with_y[j] * cross) / determinant;
                    let slow = (with_y[j] * square[i] - with_y[i] * cross) / determinant;
                    if fast > 0.0 && slow.abs() < 3.0 * fast {
                        let settled = y_mean - fast * columns[i].1 - slow * columns[j].1;
                        let gain = fast * with_y[i] + slow * with_y[j];
                        offer(gain, term(fast, i), Some(term(slow, j)), settled);
                    }
                }
            }
        }
    }
    best.map(|(_, curve)| curve)
}

/// Damped Gauss-Newton from a curve near the minimum. Constants move as logarithms, so they stay
/// positive.
fn polish(samples: &[Sample], y: &[f64], start: &Washout, steps: usize) -> Option<Washout> {
    let origin = start.origin;
    let slope = |p_log: f64, amplitude: f64, x: f64| -> (f64, f64) {
        let along = (x - origin) / p_log.exp();
        let fall = (-along).exp();
        (fall, amplitude * fall * along)
    };
    let bounds = |log: f64| log.abs() < 30.0;
    let first = start.first;
    let (parameters, rss, u_settled, u_log) = match start.second {
        None => {
            let begin = [start.settled, first.amplitude, first.constant.ln()];
            let minimum = levenberg(begin, samples.len(), steps, |p, i| {
                let (fall, by_log) = slope(p[2], p[1], samples[i].x);
                bounds(p[2]).then(|| (p[0] + p[1] * fall - y[i], [1.0, fall, by_log]))
            })?;
            let variance = variance(minimum.rss, samples.len(), 3);
            let p = minimum.parameters;
            (
                [p[0], p[1], p[2], 0.0, 0.0],
                minimum.rss,
                minimum.standard_error(0, variance),
                minimum.standard_error(2, variance),
            )
        }
        Some(second) => {
            let begin = [
                start.settled,
                first.amplitude,
                first.constant.ln(),
                second.amplitude,
                second.constant.ln(),
            ];
            let minimum = levenberg(begin, samples.len(), steps, |p, i| {
                let (fall, by_log) = slope(p[2], p[1], samples[i].x);
                let (slow, by_slow) = slope(p[4], p[3], samples[i].x);
                (bounds(p[2]) && bounds(p[4])).then(|| {
                    let model = p[0] + p[1] * fall + p[3] * slow;
                    (model - y[i], [1.0, fall, by_log, slow, by_slow])
                })
            })?;
            let variance = variance(minimum.rss, samples.len(), 5);
            (
                minimum.parameters,
                minimum.rss,
                minimum.standard_error(0, variance),
                minimum.standard_error(2, variance),
            )
        }
    };
    let n = samples.len() as f64;
    let mean = samples.iter().map(|s| s.y).sum::<f64>() / n;
    let total: f64 = samples.iter().map(|s| (s.y - mean).powi(2)).sum();
    let constant = parameters[2].exp();
    Some(Washout {
        origin,
        settled: parameters[0],
        settled_u: u_settled,
        first: Term { amplitude: parameters[1], constant },
        constant_u: u_log * constant,
        second: start
            .second
            .map(|_| Term { amplitude: parameters[3], constant: parameters[4].exp() }),
        rmse: (rss / n).sqrt(),
        r2: if total > 0.0 { 1.0 - rss / total } else { 0.0 },
        points: samples.len(),
        end: start.end,
    })
}

fn variance(rss: f64, points: usize, parameters: usize) -> f64 {
    rss / points.saturating_sub(parameters).max(1) as f64
}

/// Refits with each reading replaced by its expected value within its display interval, so that
/// a tail that stands between two steps does not pull the level to one of them. Goodness keeps
/// referring to the readings as displayed.
fn between_steps(samples: &[Sample], plain: Washout, display: Display) -> Washout {
    if display.step <= 0.0 {
        return plain;
    }
    let parameters = if plain.second.is_some() { 5 } else { 3 };
    let freedom = samples.len().saturating_sub(parameters).max(1) as f64;
    let floor = 0.1 * display.step;
    let rss = plain.rmse.powi(2) * samples.len() as f64;
    let mut sigma = (rss / freedom - display.variance()).max(floor * floor).sqrt();
    let mut curve = plain.clone();
    for _ in 0..PASSES {
        let mut spread = 0.0;
        let mut y = Vec::with_capacity(samples.len());
        for sample in samples {
            let (mean, variance) = display.expected(sample.y, curve.at(sample.x), sigma);
            spread += variance;
            y.push(mean);
        }
        let Some(next) = polish(samples, &y, &curve, STEPS_BETWEEN) else { break };
        if next.first.amplitude <= 0.0 {
            break;
        }
        let rss: f64 = samples.iter().zip(&y).map(|(s, y)| (next.at(s.x) - y).powi(2)).sum();
        sigma = ((rss + spread) / freedom).sqrt().max(floor);
        let moved = (next.settled - curve.settled).abs();
        curve = next;
        if moved < 1e-3 * display.step {
            break;
        }
    }
    let tail = samples.iter().filter(|s| s.x - curve.origin > 3.0 * curve.first.constant).count();
    let least = (display.variance() / (tail.max(1) as f64)).sqrt();
    Washout {
        settled: curve.settled.max(0.0),
        settled_u: plain.settled_u.max(curve.settled_u).max(least),
        constant_u: plain.constant_u.max(curve.constant_u),
        rmse: plain.rmse,
        r2: plain.r2,
        ..curve
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace(n: usize, dv: f64, curve: impl Fn(f64) -> f64) -> Vec<Sample> {
        (1..=n)
            .map(|i| {
                let x = i as f64 * dv;
                Sample { x, y: curve(x).round().max(0.0) }
            })
            .collect()
    }

    #[test]
    fn a_plain_wash_out_is_found_again() {
        let samples = trace(80, 0.025, |v| 6.3 + 90.0 * (-v / 0.25).exp());
        let fit = fit(&samples, Display::nearest(1.0)).expect("a clear curve");
        assert!((fit.settled - 6.3).abs() < 0.3, "{fit:?}");
        assert!((fit.first.constant - 0.25).abs() < 0.01, "{fit:?}");
        assert!((fit.amplitude() - 90.0).abs() < 2.0, "{fit:?}");
        assert!(fit.second.is_none(), "{fit:?}");
    }

    #[test]
    fn a_slow_second_term_is_seen_for_what_it_is() {
        let samples =
            trace(240, 0.025, |v| 6.0 + 90.0 * (-v / 0.25).exp() + 12.0 * (-v / 1.6).exp());
        let fit = fit(&samples, Display::nearest(1.0)).expect("a clear curve");
        let slow = fit.second.expect("two terms");
        assert!((fit.settled - 6.0).abs() < 0.35, "{fit:?}");
        assert!((slow.constant - 1.6).abs() < 0.3, "{fit:?}");
    }

    #[test]
    fn a_start_cut_short_is_refused() {
        let samples = trace(20, 0.025, |v| 6.0 + 90.0 * (-v / 0.25).exp());
        assert_eq!(fit(&samples, Display::nearest(1.0)), Err(NoFit::CutShort));
    }

    #[test]
    fn a_flat_trace_and_a_short_one_are_refused() {
        let flat = trace(80, 0.025, |_| 6.0);
        assert_eq!(fit(&flat, Display::nearest(1.0)), Err(NoFit::NoChange));
        assert_eq!(fit(&flat[..5], Display::nearest(1.0)), Err(NoFit::TooFewPoints));
    }

    #[test]
    fn readings_that_do_not_follow_a_wash_out_are_refused() {
        let samples = trace(80, 0.025, |v| 40.0 + 30.0 * (v * 9.0).sin());
        assert!(fit(&samples, Display::nearest(1.0)).is_err());
    }

    #[test]
    fn one_wild_reading_changes_nothing() {
        let mut samples = trace(80, 0.025, |v| 6.0 + 90.0 * (-v / 0.25).exp());
        samples[40].y = 400.0;
        let fit = fit(&samples, Display::nearest(1.0)).expect("one in eighty");
        assert!((fit.settled - 6.0).abs() < 0.3, "{fit:?}");
    }

    #[test]
    fn excess_is_the_area_under_the_curve() {
        let samples = trace(80, 0.025, |v| 6.0 + 90.0 * (-v / 0.25).exp());
        let fit = fit(&samples, Display::nearest(1.0)).expect("a clear curve");
        assert!((fit.excess(0.0, f64::INFINITY) - 22.5).abs() < 0.5, "{fit:?}");
        let litres = fit.within(9.0).expect("falls");
        assert!((litres - 0.25 * 10f64.ln()).abs() < 0.02, "{litres}");
    }
}
