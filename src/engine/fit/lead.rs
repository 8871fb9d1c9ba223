//! Breakthrough of the lead vessel: `C(V) = Cin / (1 + exp((V50 - V)/w))`.
//!
//! The logistic is what Bohart and Adams' exact solution becomes for long beds, and the same curve
//! as those named after Thomas and after Yoon and Nelson (Chu, J. Hazard. Mater. 177 (2010) 1006).
//! Fitted by damped Gauss-Newton with Cin known; interval of the forecast by the delta method
//! (JCGM 100:2008 5.1.2) with Student's t.
//!
//! Invariant: before the curve has risen clear of the display's steps the fit is empty and is
//! refused; the capacity forecast must serve until then.

use super::NoFit;
use super::least::{STEPS_MAX, levenberg};
use super::special::student_quantile;
use super::washout::Sample;
use serde::{Deserialize, Serialize};

/// A fitted breakthrough.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Breakthrough {
    /// What enters the vessel, in ppm.
    pub inlet: f64,
    /// Litres at which half of it leaves again.
    pub middle: f64,
    /// Width of the front in litres.
    pub width: f64,
    /// Covariance of middle and width.
    pub covariance: [[f64; 2]; 2],
    /// Root mean square of the residuals, in ppm.
    pub rmse: f64,
    /// Readings used.
    pub points: usize,
    /// Readings above zero.
    pub above_zero: usize,
}

/// When a curve reaches a limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// Litres treated by then.
    pub litres: f64,
    /// Lower end of the 90 % interval.
    pub low: f64,
    /// Upper end of the 90 % interval.
    pub high: f64,
}

impl Breakthrough {
    /// The curve at `litres`, in ppm.
    pub fn at(&self, litres: f64) -> f64 {
        logistic(self.inlet, self.middle, self.width, litres)
    }

    /// When the curve reaches `limit` ppm, with its 90 % interval. `None` for a limit that is not
    /// between zero and the inlet.
    pub fn reach(&self, limit: f64) -> Option<Reach> {
        if limit <= 0.0 || limit >= self.inlet || self.points < 3 {
            return None;
        }
        let odds = (self.inlet / limit - 1.0).ln();
        let litres = self.middle - self.width * odds;
        let c = &self.covariance;
        let variance = c[0][0] - 2.0 * odds * c[0][1] + odds * odds * c[1][1];
        let half = student_quantile(0.95, (self.points - 2) as f64) * variance.max(0.0).sqrt();
        Some(Reach { litres, low: litres - half, high: litres + half })
    }
}

/// Fits a breakthrough without guards; `samples` are litres treated and ppm at the outlet.
pub fn plain(samples: &[Sample], inlet: f64) -> Option<Breakthrough> {
    let end = samples.last()?.x;
    if samples.len() < 4 || inlet <= 0.0 || end <= 0.0 {
        return None;
    }
    // Start from the best of a coarse grid: the middle of the front may lie far behind the end.
    let rss = |middle: f64, width: f64| -> f64 {
        samples.iter().map(|s| (logistic(inlet, middle, width, s.x) - s.y).powi(2)).sum()
    };
    let mut best = (f64::MAX, end, 0.05 * end);
    for i in 0..40 {
        let middle = end * (0.6 + 0.05 * i as f64);
        for j in 0..12 {
            let width = middle * 0.01 * 1.4f64.powi(j);
            let now = rss(middle, width);
            if now < best.0 {
                best = (now, middle, width);
            }
        }
    }
    let minimum = levenberg([best.1, best.2.ln()], samples.len(), STEPS_MAX, |p, i| {
        if p[1].abs() > 30.0 || p[0].abs() > 1e9 {
            return None;
        }
        let width = p[1].exp();
        let along = (p[0] - samples[i].x) / width;
        let share = 1.0 / (1.0 + along.clamp(-700.0, 700.0).exp());
        let slope = inlet * share * (1.0 - share);
        Some((inlet * share - samples[i].y, [-slope / width, slope * along]))
    })?;
    let [middle, log_width] = minimum.parameters;
    let width = log_width.exp();
    let variance = minimum.rss / (samples.len() - 2) as f64;
    let m = minimum.inverse;
    Some(Breakthrough {
        inlet,
        middle,
        width,
        covariance: [
            [m[0][0] * variance, m[0][1] * width * variance],
            [m[1][0] * width * variance, m[1][1] * width * width * variance],
        ],
        rmse: (minimum.rss / samples.len() as f64).sqrt(),
        points: samples.len(),
        above_zero: samples.iter().filter(|s| s.y > 0.0).count(),
    })
}

/// Fits a breakthrough and says when it reaches `limit` ppm.
///
/// # Errors
/// [`NoFit::TooFewPoints`]; [`NoFit::TooFewAbove`] with fewer than five readings above zero;
/// [`NoFit::Uncertain`] when half the 90 % interval exceeds a quarter of the forecast (reference
/// sheet 5.7); [`NoFit::NoMinimum`].
pub fn fit(samples: &[Sample], inlet: f64, limit: f64) -> Result<(Breakthrough, Reach), NoFit> {
    if samples.len() < 10 {
        return Err(NoFit::TooFewPoints);
    }
    if samples.iter().filter(|s| s.y > 0.0).count() < 5 {
        return Err(NoFit::TooFewAbove);
    }
    let curve = plain(samples, inlet).ok_or(NoFit::NoMinimum)?;
    let reach = curve.reach(limit).ok_or(NoFit::NoMinimum)?;
    let half = 0.5 * (reach.high - reach.low);
    if reach.litres <= 0.0 || !half.is_finite() || half > 0.25 * reach.litres {
        return Err(NoFit::Uncertain);
    }
    Ok((curve, reach))
}

fn logistic(inlet: f64, middle: f64, width: f64, litres: f64) -> f64 {
    inlet / (1.0 + ((middle - litres) / width).clamp(-700.0, 700.0).exp())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace(end: f64) -> Vec<Sample> {
        (1..=(end / 50.0) as usize)
            .map(|i| {
                let x = 50.0 * i as f64;
                Sample { x, y: logistic(8.0, 3000.0, 250.0, x).round() }
            })
            .collect()
    }

    #[test]
    fn a_front_that_is_half_through_gives_its_middle() {
        let (curve, reach) = fit(&trace(3000.0), 8.0, 1.0).expect("half through");
        assert!((curve.middle - 3000.0).abs() < 100.0, "{curve:?}");
        assert!(reach.low < 2514.0 && 2514.0 < reach.high, "{reach:?}");
    }

    #[test]
    fn a_front_that_has_only_begun_is_refused() {
        assert_eq!(fit(&trace(2400.0), 8.0, 1.0), Err(NoFit::TooFewAbove));
    }
}
