//! Smoothing whose time constant is in seconds, whatever the sampling interval. For display and
//! trends; totals, alarms and fits take the data before it.
//!
//! Invariants: the output lies within the range of the readings; equal times change nothing; after a
//! gap of more than five time constants it starts again, because nothing of the old value is left.

use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// What the signal is taken to have done between two readings (Mueller, as the reference sheet,
/// section 10.2, gives it). The three differ by the whole step after a long gap.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// The new value has held since the last reading: right for averages reported at the end of an
    /// interval, and the usual form.
    #[default]
    NextPoint,
    /// The old value has held until now: right for reports on change.
    PreviousPoint,
    /// Straight from the old to the new value.
    Linear,
}

/// Exponentially weighted mean for irregular sampling.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ewma {
    tau: Span,
    form: Form,
    last: Option<Last>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Last {
    at: Mono,
    x: f64,
    y: f64,
}

impl Ewma {
    /// Time constant `tau`, at least 1 ms; next-point form.
    pub fn new(tau: Span) -> Self {
        Self::with_form(tau, Form::default())
    }

    /// Time constant `tau`, at least 1 ms.
    pub fn with_form(tau: Span, form: Form) -> Self {
        Self { tau: tau.max(Span::from_millis(1)), form, last: None }
    }

    /// Takes a reading and gives the smoothed value. A value that is not finite is no reading and
    /// gives `None`.
    pub fn push(&mut self, now: Mono, x: f64) -> Option<f64> {
        if !x.is_finite() {
            return None;
        }
        let y = match self.last {
            None => x,
            Some(last) if now.since(last.at) > self.tau * 5 => x,
            Some(last) => self.step(last, now.since(last.at).max(Span::ZERO), x),
        };
        self.last = Some(Last { at: now, x, y });
        Some(y)
    }

    fn step(&self, last: Last, dt: Span, x: f64) -> f64 {
        let a = dt.secs() / self.tau.secs();
        let u = (-a).exp();
        match self.form {
            Form::NextPoint => u * last.y + (1.0 - u) * x,
            Form::PreviousPoint => u * last.y + (1.0 - u) * last.x,
            Form::Linear => {
                // (1 - u) / a tends to 1 - a/2; below 1e-6 the quotient loses its digits.
                let v = if a < 1e-6 { 1.0 - a / 2.0 } else { -(-a).exp_m1() / a };
                u * last.y + (v - u) * last.x + (1.0 - v) * x
            }
        }
    }

    /// The smoothed value and its time.
    pub fn value(&self) -> Option<(Mono, f64)> {
        self.last.map(|last| (last.at, last.y))
    }

    /// Starts again with the next reading.
    pub fn clear(&mut self) {
        self.last = None;
    }
}

/// Low-pass whose cut-off rises with the speed of the signal (Casiez, Roussel and Vogel, CHI 2012).
/// Good to look at: quiet when the signal rests, without lag when it moves. Never for totals or
/// alarms.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct OneEuro {
    cutoff_min: f64,
    beta: f64,
    last: Option<(Mono, f64, f64, f64)>,
}

impl OneEuro {
    /// Cut-off at rest in Hz, and by how much it rises for each unit per second.
    pub fn new(cutoff_min: f64, beta: f64) -> Self {
        Self { cutoff_min, beta, last: None }
    }

    /// Takes a reading and gives the value for display. A value that is not finite is no reading.
    pub fn push(&mut self, now: Mono, x: f64) -> Option<f64> {
        if !x.is_finite() {
            return None;
        }
        let Some((at, x_before, y_before, slope_before)) = self.last else {
            self.last = Some((now, x, x, 0.0));
            return Some(x);
        };
        let dt = now.since(at).secs();
        if dt <= 0.0 {
            return Some(y_before);
        }
        let weight = |cutoff: f64| 1.0 / (1.0 + 1.0 / (std::f64::consts::TAU * cutoff * dt));
        let a = weight(1.0);
        let slope = a * (x - x_before) / dt + (1.0 - a) * slope_before;
        let a = weight(self.cutoff_min + self.beta * slope.abs());
        let y = a * x + (1.0 - a) * y_before;
        self.last = Some((now, x, y, slope));
        Some(y)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Reference sheet, section 10.2: dt 10 s, tau 60 s has the weight 0.1535.
    #[test]
    fn weight_of_the_worked_example() {
        let mut ewma = Ewma::new(Span::from_secs(60));
        ewma.push(Mono::ZERO, 0.0);
        let y = ewma.push(Mono::from_millis(10_000), 1.0).expect("a reading");
        assert!((y - 0.1535).abs() < 0.000_05, "{y}");
    }

    #[test]
    fn equal_times_change_nothing_and_a_long_gap_starts_again() {
        for form in [Form::NextPoint, Form::PreviousPoint, Form::Linear] {
            let mut ewma = Ewma::with_form(Span::from_secs(10), form);
            ewma.push(Mono::ZERO, 1.0);
            assert_eq!(ewma.push(Mono::ZERO, 9.0), Some(1.0));
            assert_eq!(ewma.push(Mono::from_millis(50_001), 9.0), Some(9.0));
            assert_eq!(ewma.push(Mono::from_millis(50_002), f64::NAN), None);
        }
    }

    /// The same time constant at 1 s and at 10 s sampling.
    #[test]
    fn the_interval_does_not_change_the_time_constant() {
        let after_60_s = |step: i64| {
            let mut ewma = Ewma::new(Span::from_secs(60));
            ewma.push(Mono::ZERO, 0.0);
            let mut y = 0.0;
            for millis in (step..=60_000).step_by(step as usize) {
                y = ewma.push(Mono::from_millis(millis), 1.0).expect("a reading");
            }
            y
        };
        assert!((after_60_s(1_000) - after_60_s(10_000)).abs() < 1e-12);
    }

    proptest! {
        #[test]
        fn stays_within_the_readings(
            readings in prop::collection::vec((0i64..100_000, -1e6f64..1e6), 1..60),
            tau in 1i64..100_000,
        ) {
            for form in [Form::NextPoint, Form::PreviousPoint, Form::Linear] {
                let mut ewma = Ewma::with_form(Span::from_millis(tau), form);
                let mut euro = OneEuro::new(0.05, 0.02);
                let (mut low, mut high, mut now) = (f64::INFINITY, f64::NEG_INFINITY, 0);
                for &(step, x) in &readings {
                    now += step;
                    low = low.min(x);
                    high = high.max(x);
                    let slack = 1e-9 * (1.0 + high.abs().max(low.abs()));
                    let y = ewma.push(Mono::from_millis(now), x).expect("finite");
                    prop_assert!(y >= low - slack && y <= high + slack);
                    let y = euro.push(Mono::from_millis(now), x).expect("finite");
                    prop_assert!(y >= low - slack && y <= high + slack);
                }
            }
        }
    }
}
