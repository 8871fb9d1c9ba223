//! What a display step hides.
//!
//! A reading shown in whole steps stands for an interval of true values. Rectangular distribution,
//! JCGM 100:2008 4.3.7: the standard uncertainty is the width over √12, the best estimate the middle.
//!
//! Invariants: no step, no uncertainty; the interval always holds the reading as shown.
//!
//! Absent on purpose: averaging away the step. Readings divide it only where their own noise is at
//! least half a step (reference sheet, section 10.7).

use crate::engine::setup::SensorSetup;
use crate::settings::schema::Rounding;
use serde::{Deserialize, Serialize};

/// The step of a display and how it rounds.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Quantise {
    step: f64,
    rounding: Rounding,
}

impl Quantise {
    /// A display step in the unit of the readings, 0 for none, and its rounding.
    pub fn new(step: f64, rounding: Rounding) -> Self {
        let step = if step.is_finite() { step.max(0.0) } else { 0.0 };
        Self { step, rounding }
    }

    /// The step of a sensor, in its canonical unit.
    pub fn of(sensor: &SensorSetup) -> Self {
        Self::new(sensor.step, sensor.rounding)
    }

    /// The step.
    pub fn step(&self) -> f64 {
        self.step
    }

    /// True values below and above the reading, in steps.
    fn sides(&self) -> (f64, f64) {
        match self.rounding {
            Rounding::Nearest => (0.5, 0.5),
            Rounding::Down => (0.0, 1.0),
            // Either of both: the union.
            Rounding::Unknown => (0.5, 1.0),
        }
    }

    /// Smallest and largest true value that a reading may stand for, not below `least` (0 for what
    /// cannot be negative).
    pub fn interval(&self, reading: f64, least: f64) -> (f64, f64) {
        let (below, above) = self.sides();
        ((reading - below * self.step).max(least.min(reading)), reading + above * self.step)
    }

    /// What to add to a reading to get the best estimate.
    pub fn bias(&self) -> f64 {
        let (below, above) = self.sides();
        (above - below) / 2.0 * self.step
    }

    /// Standard uncertainty of the best estimate.
    pub fn u(&self) -> f64 {
        let (below, above) = self.sides();
        (above + below) * self.step / 12f64.sqrt()
    }

    /// Standard uncertainty of the reading as shown, where it is used without adding the bias (as
    /// everything that guards does): JCGM 100:2008 F.2.4.5.
    pub fn u_as_shown(&self) -> f64 {
        self.u().hypot(self.bias())
    }

    /// Best estimate and its standard uncertainty for a reading of something that cannot be below
    /// `least`. At the bottom of the scale only part of the interval is possible: a shown 0 ppm of a
    /// display that rounds to whole ppm stands for 0 to 0.5 ppm.
    pub fn estimate(&self, reading: f64, least: f64) -> (f64, f64) {
        let (low, high) = self.interval(reading, least);
        (f64::midpoint(low, high), (high - low) / 12f64.sqrt())
    }
}

/// Standard uncertainty of a reading from what is its own: the zero and the display step. The gain
/// is left out because probes of one make share it; it enters once, in
/// [`derive`](crate::engine::value::derive).
pub fn u_own(sensor: &SensorSetup) -> f64 {
    sensor.zero_u.hypot(Quantise::of(sensor).u_as_shown())
}

/// Standard uncertainty of a reading as it stands alone: zero, display step and gain.
pub fn u_alone(sensor: &SensorSetup, reading: f64) -> f64 {
    u_own(sensor).hypot(sensor.gain_u * reading)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn each_rounding() {
        let near = |got: f64, want: f64| assert!((got - want).abs() < 1e-12, "{got} {want}");
        let nearest = Quantise::new(1.0, Rounding::Nearest);
        near(nearest.u(), 0.288_675_134_594_812_9);
        near(nearest.bias(), 0.0);
        let down = Quantise::new(1.0, Rounding::Down);
        near(down.u(), 0.288_675_134_594_812_9);
        near(down.bias(), 0.5);
        let unknown = Quantise::new(1.0, Rounding::Unknown);
        near(unknown.u(), 1.5 / 12f64.sqrt());
        near(unknown.bias(), 0.25);
        near(unknown.u_as_shown(), 0.5);
        near(Quantise::new(0.0, Rounding::Unknown).u_as_shown(), 0.0);
    }

    #[test]
    fn a_shown_zero_is_not_zero() {
        let probe = Quantise::new(1.0, Rounding::Nearest);
        assert_eq!(probe.interval(0.0, 0.0), (0.0, 0.5));
        let (value, u) = probe.estimate(0.0, 0.0);
        assert_eq!(value, 0.25);
        assert!((u - 0.5 / 12f64.sqrt()).abs() < 1e-12);
    }

    proptest! {
        /// Rounding a true value and asking for its interval gives the true value back.
        #[test]
        fn the_interval_holds_the_truth(truth in 0f64..1000.0, step in 0.01f64..10.0) {
            let shown = [
                (Rounding::Nearest, (truth / step).round() * step),
                (Rounding::Down, (truth / step).floor() * step),
                (Rounding::Unknown, (truth / step).round() * step),
                (Rounding::Unknown, (truth / step).floor() * step),
            ];
            for (rounding, reading) in shown {
                let (low, high) = Quantise::new(step, rounding).interval(reading, 0.0);
                prop_assert!(low <= truth + 1e-9 && truth <= high + 1e-9);
                prop_assert!(low <= reading && reading <= high);
            }
        }
    }
}
