//! The wash-out of the first permeate after standing as a curve:
//! `C(V) = settled + A1 exp(-V/V1) [+ A2 exp(-V/V2)]`.
//!
//! In permeate **volume**, because flow varies with temperature and pressure and volumes do not
//! (reference sheet 4.2); in minutes only where no flow is known. [`super::informed`] finds it.

use super::least::bisect;
use serde::{Deserialize, Serialize};

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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn excess_is_the_area_under_the_curve() {
        let curve = Washout::known(6.0, Term { amplitude: 90.0, constant: 0.25 });
        assert!((curve.excess(0.0, f64::INFINITY) - 22.5).abs() < 1e-9);
        let half = 22.5 * (1.0 - (-0.5f64 / 0.25).exp());
        assert!((curve.excess(0.0, 0.5) - half).abs() < 1e-9);
    }

    #[test]
    fn a_margin_is_reached_where_the_curve_is_that_high() {
        let mut curve = Washout::known(6.0, Term { amplitude: 90.0, constant: 0.25 });
        let litres = curve.within(9.0).expect("falls");
        assert!((litres - 0.25 * 10f64.ln()).abs() < 1e-6, "{litres}");
        assert_eq!(curve.within(90.0), Some(0.0));
        curve.second = Some(Term { amplitude: 12.0, constant: 1.6 });
        let later = curve.within(9.0).expect("falls");
        assert!((curve.at(later) - 15.0).abs() < 1e-6 && later > litres, "{later}");
    }
}
