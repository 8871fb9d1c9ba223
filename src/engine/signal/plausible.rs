//! Whether a number can be a reading at all.
//!
//! Invariants: a number outside what the sensor can measure, or one that devices send in place of a
//! reading, is [`NoReading`] and goes no further, because it would spoil its neighbours in every
//! other test; a *high* reading within the range is never doubted away, only marked; nothing here
//! makes a reading better.
//!
//! A dead probe looks pure: out of the water it reads next to nothing, and on a line where low is
//! good that is the dangerous direction. [`TooGood`] is the hook for whoever knows what the reading
//! should at least be (the stage before it, the account of the resin, a proof).

use crate::engine::setup::SensorSetup;
use crate::engine::time::{Mono, Span};
use crate::engine::value::NoReading;
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// Range and sentinels of one sensor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Plausible {
    low: f64,
    high: f64,
    sentinels: Vec<f64>,
}

/// A reading that lies within the range.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Somewhere inside.
    Inside,
    /// Exactly at the top of the range: saturated or a broken input, at least as high as shown.
    Ceiling,
}

/// What devices send when they have no reading, in the declared unit. Only those that could lie
/// within a generous range: common practice, no source, but for the two of one-wire thermometers,
/// whose data sheet gives 85 °C as the power-on value and whose drivers give -127 °C.
fn sentinels(quantity: Quantity) -> &'static [f64] {
    match quantity {
        Quantity::Temperature => &[85.0, -127.0, -999.0, -9999.0],
        Quantity::Tds | Quantity::Conductivity | Quantity::Level | Quantity::Power => {
            &[-9999.0, -999.0, 9999.0, 32_767.0, 65_535.0]
        }
        Quantity::Resistivity | Quantity::Pressure | Quantity::Flow => &[-9999.0, -999.0],
        Quantity::Volume | Quantity::Pulses => &[-9999.0, -999.0, 4_294_967_295.0],
        Quantity::Full | Quantity::Leak | Quantity::Open => &[],
    }
}

impl Plausible {
    /// Range in canonical units, limits inside; given backwards they are sorted.
    pub fn new(range: (f64, f64), sentinels: &[f64]) -> Self {
        let (low, high) = if range.0 <= range.1 { range } else { (range.1, range.0) };
        Self { low, high, sentinels: sentinels.to_vec() }
    }

    /// Range and sentinels of a sensor.
    pub fn of(sensor: &SensorSetup) -> Self {
        let sentinels: Vec<f64> = sentinels(sensor.quantity)
            .iter()
            .map(|&number| sensor.unit.to_canonical(number))
            .filter(|number| number.is_finite())
            .collect();
        Self::new(sensor.range, &sentinels)
    }

    /// Judges a number in canonical units.
    ///
    /// # Errors
    /// [`NoReading::Unparsable`] for what is not finite, [`NoReading::OutOfRange`] beyond the range or
    /// for a sentinel.
    pub fn check(&self, value: f64) -> Result<Place, NoReading> {
        if !value.is_finite() {
            return Err(NoReading::Unparsable);
        }
        if value < self.low || value > self.high || self.sentinels.contains(&value) {
            return Err(NoReading::OutOfRange);
        }
        Ok(if value == self.high { Place::Ceiling } else { Place::Inside })
    }
}

/// What a reading is worth beside what is known otherwise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Belief {
    /// Nothing speaks against it.
    Believed,
    /// Nothing is known that could speak for or against it.
    CannotTell,
    /// Too good for too long while it should not be: as good as no reading.
    Doubted,
}

/// Watches for readings that are too good while they should not be.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TooGood {
    readings_min: u32,
    time: Span,
    margin: f64,
    since: Option<Mono>,
    readings: u32,
}

impl TooGood {
    /// Doubts after so many consecutive readings and so much time below what is expected by more
    /// than `margin` (step and uncertainty of both sides, canonical unit).
    pub fn new(readings_min: u32, time: Span, margin: f64) -> Self {
        Self { readings_min, time, margin, since: None, readings: 0 }
    }

    /// Takes a reading of flowing water together with what it should at least be; `None` when nothing
    /// is known, which neither confirms nor clears.
    pub fn observe(&mut self, now: Mono, value: f64, expected_min: Option<f64>) -> Belief {
        let Some(expected) = expected_min else {
            return if self.is_doubted(now) { Belief::Doubted } else { Belief::CannotTell };
        };
        if value >= expected - self.margin {
            self.since = None;
            self.readings = 0;
            return Belief::Believed;
        }
        self.since.get_or_insert(now);
        self.readings = self.readings.saturating_add(1);
        if self.is_doubted(now) { Belief::Doubted } else { Belief::Believed }
    }

    fn is_doubted(&self, now: Mono) -> bool {
        self.readings >= self.readings_min
            && self.since.is_some_and(|since| now.since(since) >= self.time)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_inside_and_what_is_outside_is_no_reading() {
        let temperature = Plausible::new((-5.0, 80.0), &[25.5]);
        assert_eq!(temperature.check(-5.0), Ok(Place::Inside));
        assert_eq!(temperature.check(80.0), Ok(Place::Ceiling));
        assert_eq!(temperature.check(80.1), Err(NoReading::OutOfRange));
        assert_eq!(temperature.check(25.5), Err(NoReading::OutOfRange));
        assert_eq!(temperature.check(f64::NAN), Err(NoReading::Unparsable));
        assert_eq!(temperature.check(f64::INFINITY), Err(NoReading::Unparsable));
        assert_eq!(Plausible::new((5.0, 0.0), &[]).check(3.0), Ok(Place::Inside));
    }

    #[test]
    fn a_dead_probe_is_doubted_only_with_a_reason() {
        let at = |secs: i64| Mono::from_millis(secs * 1000);
        let mut probe = TooGood::new(3, Span::from_secs(60), 1.0);
        assert_eq!(probe.observe(at(0), 0.0, None), Belief::CannotTell);
        assert_eq!(probe.observe(at(10), 0.0, Some(4.0)), Belief::Believed);
        assert_eq!(probe.observe(at(20), 0.0, Some(4.0)), Belief::Believed);
        assert_eq!(probe.observe(at(70), 0.0, Some(4.0)), Belief::Doubted);
        assert_eq!(probe.observe(at(80), 0.0, None), Belief::Doubted, "silence does not clear it");
        assert_eq!(probe.observe(at(90), 3.0, Some(4.0)), Belief::Believed);
    }
}
