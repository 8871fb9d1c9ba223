//! A flow meter of any kind as the guard path sees it: running litres and the present rate.
//!
//! Counters (pulses, volume) give litres exactly and the rate as a mean since the last message; a
//! rate sensor gives the rate and litres by the trapezoid, with a limit on gaps. The rate is unknown
//! when the sensor is silent for too long: silence is not standstill.

use crate::engine::event::Reading;
use crate::engine::setup::SensorSetup;
use crate::engine::signal::totaliser::{Decision, Totaliser};
use crate::engine::time::{Mono, Span};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// No meter of a home plant runs faster, in L/min: what exceeds it is no count of water.
const CEILING_LITRES_PER_MIN: f64 = 30.0;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Pulses(Totaliser),
    Volume(Totaliser),
    Rate,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Meter {
    kind: Kind,
    litres: f64,
    rate: Option<f64>,
    at: Option<Mono>,
    /// Where the stretch begins of which `rate` is the mean; a rate sensor's is its own moment.
    #[serde(default)]
    began: Option<Mono>,
}

impl Meter {
    /// `None` for a sensor that is no flow meter.
    pub(super) fn new(sensor: &SensorSetup) -> Option<Self> {
        let ceiling = CEILING_LITRES_PER_MIN;
        let kind = match sensor.quantity {
            Quantity::Pulses => {
                Kind::Pulses(Totaliser::pulses(sensor.litres_per_pulse, sensor.wraps_at, ceiling))
            }
            Quantity::Volume => {
                Kind::Volume(Totaliser::volume(sensor.step, sensor.wraps_at, ceiling))
            }
            Quantity::Flow => Kind::Rate,
            _ => return None,
        };
        Some(Self { kind, litres: 0.0, rate: None, at: None, began: None })
    }

    /// Takes a live, plausible reading.
    pub(super) fn reading(&mut self, now: Mono, reading: &Reading, gap_most: Span) {
        let since = self.at.map(|at| now.since(at));
        let step = match &mut self.kind {
            Kind::Pulses(total) => total.push_count(now, reading.value, reading.stamp, false),
            Kind::Volume(total) => total.push_litres(now, reading.value, reading.stamp, false),
            Kind::Rate => {
                if let (Some(rate), Some(since)) = (self.rate, since) {
                    let since = since.min(gap_most);
                    self.litres += (rate + reading.value) / 2.0 * since.minutes();
                }
                self.rate = Some(reading.value);
                self.at = Some(now);
                self.began = Some(now);
                return;
            }
        };
        // A copy of what was counted says nothing about the present; a count that cannot be
        // believed is no reading.
        if matches!(step.decision, Decision::Stale | Decision::Retained | Decision::Rejected) {
            return;
        }
        self.litres += step.litres;
        if let Some(since) = since.filter(|since| *since > Span::ZERO) {
            self.rate = Some(step.litres / since.minutes());
            self.began = self.at;
        }
        self.at = Some(now);
    }

    /// The daemon has started after being away for so long: the counter may have moved, the rate is
    /// unknown.
    pub(super) fn started(&mut self, away: Option<Span>) {
        if let Kind::Pulses(total) | Kind::Volume(total) = &mut self.kind {
            total.away(away);
        }
        self.rate = None;
        self.at = None;
        self.began = None;
    }

    /// Running litres since this meter was first seen. Never falls.
    pub(super) fn litres(&self) -> f64 {
        self.litres
    }

    /// L/min, if the last message is not older than it may be.
    pub(super) fn rate(&self, now: Mono, silence_most: Span) -> Option<f64> {
        let at = self.at?;
        (now.since(at) <= silence_most).then_some(self.rate).flatten()
    }

    /// When the last message came.
    pub(super) fn at(&self) -> Option<Mono> {
        self.at
    }

    /// Whether water flows, by messages later than `after` alone: "none" by any of them, "flows" only
    /// by one whose stretch lies wholly after it, for the first count after a close tells what had
    /// flowed before. `None`: it does not say.
    pub(super) fn flows(
        &self,
        now: Mono,
        silence_most: Span,
        none: f64,
        after: Option<Mono>,
    ) -> Option<bool> {
        let flows = self.rate(now, silence_most)? > none;
        let Some(after) = after else { return Some(flows) };
        let speaks = if flows {
            self.began.is_some_and(|began| began >= after) && self.at > Some(after)
        } else {
            self.at > Some(after)
        };
        speaks.then_some(flows)
    }
}
