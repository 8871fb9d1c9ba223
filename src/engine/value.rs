//! A value that knows how good it is, and the one helper that combines such values.
//!
//! Invariants: nobody sets the flag of a derived value by hand, `derive` does; a reading that
//! fails or is missing is a [`NoReading`] with its reason and never a number; when values are
//! combined, the worst flag wins.

use super::time::Mono;
use serde::{Deserialize, Serialize};

/// QARTOD's flags for values that exist; *fail* and *missing* are [`NoReading`]. Ordered from best
/// to worst.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash, Default,
)]
#[serde(rename_all = "kebab-case")]
pub enum Flag {
    /// Passed every test that applies.
    #[default]
    Good,
    /// A test that applies could not run yet.
    NotEvaluated,
    /// Usable with care.
    Suspect,
}

/// Why a value is less than good. Small, ordered, without text: texts belong to the edges.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum Reason {
    /// Lies beyond the span that is usual for this sensor.
    Unusual,
    /// Deviates from its neighbours in time.
    Spike,
    /// Changed faster than the process can.
    Rate,
    /// Has not moved although it should have.
    FlatLine,
    /// Contradicts another sensor.
    Contradiction,
    /// Not settled since the last start.
    NotSettled,
    /// Rests on fewer samples than usual.
    FewSamples,
    /// Covers a gap in the data.
    Gap,
    /// Arrived late or out of order.
    Late,
    /// Temperature compensation missing or doubtful.
    Compensation,
    /// Close to the resolution of the probe.
    Resolution,
    /// Stored message of unknown age.
    Retained,
    /// Clock was not sane or stepped.
    Clock,
    /// The part is in its run-in.
    RunIn,
    /// The standard test that needs the next sample has not run.
    Pending,
}

/// Whether all inputs were measured.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash, Default,
)]
#[serde(rename_all = "kebab-case")]
pub enum Basis {
    /// Every input was measured.
    #[default]
    Measured,
    /// At least one input is a declared constant.
    Assumed,
}

/// Why there is no value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum NoReading {
    /// Nothing has come since the daemon first knew this sensor.
    NeverSeen,
    /// Nothing live has come since the last start of the daemon.
    NotSinceStart,
    /// The last reading is older than it may be.
    Stale,
    /// The sensor says that it is offline.
    Offline,
    /// The payload could not be read.
    Unparsable,
    /// The reading lies outside what the sensor can measure.
    OutOfRange,
    /// The value says nothing in the present phase (a probe in standing water).
    NotApplicable,
    /// An input that this value needs is not configured.
    NotConfigured,
    /// The inputs exist but do not support the value.
    Unsupported,
}

/// A value with its quality.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Valued<Q> {
    /// The value itself.
    pub value: Q,
    /// Standard uncertainty in the unit of the value (GUM, k = 1).
    pub u: f64,
    /// Worst flag of all that it rests on.
    pub flag: Flag,
    /// Why the flag is not good; sorted, without doubles.
    pub reasons: Vec<Reason>,
    /// Whether a declared constant went in.
    pub basis: Basis,
    /// Time of the oldest input.
    pub as_of: Mono,
}

/// A value, or why there is none.
pub type Result<Q> = std::result::Result<Valued<Q>, NoReading>;

impl<Q> Valued<Q> {
    /// A measured, good value.
    pub fn measured(value: Q, u: f64, as_of: Mono) -> Self {
        Self { value, u, flag: Flag::Good, reasons: Vec::new(), basis: Basis::Measured, as_of }
    }

    /// A declared constant.
    pub fn assumed(value: Q, u: f64, as_of: Mono) -> Self {
        Self { basis: Basis::Assumed, ..Self::measured(value, u, as_of) }
    }

    /// Adds a doubt: the flag becomes at least `flag`.
    pub fn doubt(mut self, flag: Flag, reason: Reason) -> Self {
        self.flag = self.flag.max(flag);
        if let Err(at) = self.reasons.binary_search(&reason) {
            self.reasons.insert(at, reason);
        }
        self
    }

    /// Changes the type of the value and nothing of its quality. For relabelling only; arithmetic
    /// goes through `derive`.
    pub fn relabel<R>(self, f: impl FnOnce(Q) -> R) -> Valued<R> {
        Valued {
            value: f(self.value),
            u: self.u,
            flag: self.flag,
            reasons: self.reasons,
            basis: self.basis,
            as_of: self.as_of,
        }
    }
}

/// One input of `derive`.
#[derive(Clone, Copy, Debug)]
pub struct Input<'a> {
    /// The value, in the unit in which `f` takes it.
    pub value: &'a Valued<f64>,
    /// Relative gain error shared by every input of the same group (probes of one type, one meter
    /// used twice): enters once. `None`: the input's whole uncertainty is its own.
    pub shared_gain: Option<(u8, f64)>,
}

impl<'a> Input<'a> {
    /// An input whose uncertainty is its own.
    pub fn own(value: &'a Valued<f64>) -> Self {
        Self { value, shared_gain: None }
    }

    /// An input with a relative gain error (k = 1) shared by its group; `value.u` must not contain it.
    pub fn shared(value: &'a Valued<f64>, group: u8, gain: f64) -> Self {
        Self { value, shared_gain: Some((group, gain)) }
    }
}

/// Combines values: the result of `f`, its standard uncertainty, the worst flag, the union of the
/// reasons, `assumed` if any input is, and the oldest `as_of`.
///
/// Uncertainty after JCGM 100:2008 (GUM) 5.1.2: each input is moved by its `u` and the changes add
/// in quadrature; numerically, by the mean of the steps up and down, so that curvature does not
/// hide. A shared gain moves all inputs of its group together (GUM 5.2.4, correlation 1).
///
/// # Errors
/// [`NoReading::Unsupported`] when `f` gives `None` or a number that is not finite for the inputs
/// as they are.
pub fn derive(inputs: &[Input<'_>], f: impl Fn(&[f64]) -> Option<f64>) -> Result<f64> {
    let at: Vec<f64> = inputs.iter().map(|input| input.value.value).collect();
    let finite = |x: &[f64]| f(x).filter(|y| y.is_finite());
    let value = finite(&at).ok_or(NoReading::Unsupported)?;
    let spread = |shift: &dyn Fn(usize) -> f64| -> f64 {
        let moved = |sign: f64| -> Vec<f64> {
            at.iter().enumerate().map(|(index, x)| x + sign * shift(index)).collect()
        };
        match (finite(&moved(1.0)), finite(&moved(-1.0))) {
            (Some(up), Some(down)) => ((up - value).abs() + (down - value).abs()) / 2.0,
            (Some(one), None) | (None, Some(one)) => (one - value).abs(),
            // The value exists but neither neighbour does: as uncertain as it is large.
            (None, None) => value.abs(),
        }
    };
    let mut variance = 0.0;
    for (index, input) in inputs.iter().enumerate() {
        if input.value.u > 0.0 {
            let one = spread(&|other| if other == index { input.value.u } else { 0.0 });
            variance += one * one;
        }
    }
    let mut groups: Vec<u8> =
        inputs.iter().filter_map(|input| input.shared_gain.map(|(group, _)| group)).collect();
    groups.sort_unstable();
    groups.dedup();
    for group in groups {
        let one = spread(&|index| match inputs[index].shared_gain {
            Some((own, gain)) if own == group => at[index] * gain,
            _ => 0.0,
        });
        variance += one * one;
    }
    let mut reasons: Vec<Reason> =
        inputs.iter().flat_map(|input| input.value.reasons.iter().copied()).collect();
    reasons.sort_unstable();
    reasons.dedup();
    Ok(Valued {
        value,
        u: variance.sqrt(),
        flag: inputs.iter().map(|input| input.value.flag).max().unwrap_or_default(),
        reasons,
        basis: inputs.iter().map(|input| input.value.basis).max().unwrap_or_default(),
        as_of: inputs.iter().map(|input| input.value.as_of).min().unwrap_or_default(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rejection(x: &[f64]) -> Option<f64> {
        (x[0] > 0.0).then(|| 1.0 - x[1] / x[0])
    }

    /// Worked example of the reference sheet, section 10.7: feed 300 +- 15 ppm, permeate 9 +- 0.45
    /// ppm with 0.29 ppm of display step: u(R) 0.0023 independent, 0.0010 with the gain in common.
    #[test]
    fn rejection_uncertainty_as_in_the_worked_example() {
        let step = 1.0 / 12f64.sqrt();
        let feed = Valued::measured(300.0, 15.0, Mono::ZERO);
        let permeate = Valued::measured(9.0, (0.45f64.powi(2) + step * step).sqrt(), Mono::ZERO);
        let alone = derive(&[Input::own(&feed), Input::own(&permeate)], rejection).expect("exists");
        assert!((alone.u - 0.0023).abs() < 0.000_06, "{}", alone.u);

        let feed = Valued::measured(300.0, step, Mono::ZERO);
        let permeate = Valued::measured(9.0, step, Mono::ZERO);
        let common =
            derive(&[Input::shared(&feed, 1, 0.05), Input::shared(&permeate, 1, 0.05)], rejection)
                .expect("exists");
        assert!((common.u - 0.0010).abs() < 0.000_06, "{}", common.u);
    }

    #[test]
    fn the_worst_flag_the_oldest_time_and_assumed_win() {
        let old =
            Valued::measured(1.0, 0.0, Mono::from_millis(1)).doubt(Flag::Suspect, Reason::Gap);
        let constant = Valued::assumed(2.0, 0.0, Mono::from_millis(5));
        let sum = derive(&[Input::own(&old), Input::own(&constant)], |x| Some(x[0] + x[1]))
            .expect("exists");
        assert_eq!(sum.flag, Flag::Suspect);
        assert_eq!(sum.reasons, vec![Reason::Gap]);
        assert_eq!(sum.basis, Basis::Assumed);
        assert_eq!(sum.as_of, Mono::from_millis(1));
    }

    #[test]
    fn what_the_inputs_do_not_support_is_absent() {
        let zero = Valued::measured(0.0, 0.0, Mono::ZERO);
        let some = Valued::measured(5.0, 0.0, Mono::ZERO);
        let result = derive(&[Input::own(&zero), Input::own(&some)], rejection);
        assert_eq!(result, Err(NoReading::Unsupported));
    }
}
