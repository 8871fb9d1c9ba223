//! Whether water flows, and how much product has been made, by the best evidence there is.
//!
//! Evidence in order: meters; the valve's own state; what was seen on its topic. Once the valve should
//! be shut, only what a meter says later shows that water flows: probes and meters that speak seldom
//! while they are idle fall silent together with the close. Litres come from a
//! meter on the product or permeate, else from one on the feed side times the declared recovery, else
//! from the declared flow. Between two words of a meter the litres go on at the mean rate of its last
//! two, up to what they brought: judged by the minutes of a slow counter, bad water would pass until
//! it speaks. A meter that is silent for longer than it may be while water flows is bridged by the
//! declared flow or that rate. What was bridged is taken off again when its counter comes back:
//! litres are never silently zero and never counted twice.

use super::meter::Meter;
use super::probe::Probe;
use crate::engine::condition::Delayed;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};

/// Flow that stops for less than this does not end a run: a float valve that flutters must not begin
/// a rinse-in again and again.
const RUN_END_DELAY: Span = Span::from_secs(30);

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Flow {
    flowing: Delayed,
    made: f64,
    /// The meter's litres, and our clock when they last grew.
    seen: Option<(f64, Mono)>,
    /// What the meter brought when they last grew, and in which time.
    #[serde(default)]
    brought: Option<(f64, Span)>,
    bridged: f64,
    last_rate: Option<f64>,
    at: Option<Mono>,
}

/// Where product litres come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Source {
    /// A meter, times a factor.
    Meter(SensorIx, f64),
    /// A declared flow in L/min.
    Declared(f64),
    /// Nothing.
    Unknown,
}

/// What changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    None,
    Started,
    Ended,
}

pub(super) fn source(setup: &Setup) -> Source {
    let meter_at = |points: &[Point]| {
        points
            .iter()
            .find_map(|point| setup.meters().find(|sensor| setup.sensors[*sensor].point == *point))
    };
    if let Some(sensor) = meter_at(&[Point::Product, Point::Permeate, Point::Between]) {
        return Source::Meter(sensor, 1.0);
    }
    if let (Some(sensor), Some(recovery)) =
        (meter_at(&[Point::Feed, Point::Supply]), setup.assumed.recovery)
    {
        return Source::Meter(sensor, recovery);
    }
    match setup.assumed.permeate_litres_per_min {
        Some(rate) if rate > 0.0 => Source::Declared(rate),
        _ => Source::Unknown,
    }
}

/// What the meters say: water flows, none flows, or nobody can tell. With `after`, only what they
/// said later than that counts ([`Meter::flows`]).
pub(super) fn by_meters(
    setup: &Setup,
    meters: &[Option<Meter>],
    probes: &[Probe],
    now: Mono,
    after: Option<Mono>,
) -> Option<bool> {
    let none = setup.limits.stages.flow_none_litres_per_min;
    let mut quiet = None;
    for index in setup.meters() {
        let Some(meter) = &meters[index] else { continue };
        let silence = probes[index].silence_flowing(&setup.sensors[index], &setup.limits.guard);
        match meter.flows(now, silence, none, after) {
            Some(true) => return Some(true),
            Some(false) => quiet = Some(false),
            None => {}
        }
    }
    quiet
}

impl Flow {
    pub(super) const fn new() -> Self {
        Self {
            flowing: Delayed::new(),
            made: 0.0,
            seen: None,
            brought: None,
            bridged: 0.0,
            last_rate: None,
            at: None,
        }
    }

    pub(super) fn started(&mut self) {
        self.flowing = Delayed::new();
        self.seen = None;
        self.brought = None;
        self.bridged = 0.0;
        self.at = None;
    }

    pub(super) fn is_flowing(&self) -> bool {
        self.flowing.is_active()
    }

    /// Water flows at this moment: a run whose end is only being waited for has standing water.
    pub(super) fn is_running(&self) -> bool {
        self.flowing.is_active() && self.flowing.is_steady()
    }

    /// L/min of product when water last flowed: declared, else as a meter last showed it.
    pub(super) fn rate(&self, setup: &Setup) -> Option<f64> {
        setup.assumed.permeate_litres_per_min.or(self.last_rate).filter(|rate| *rate > 0.0)
    }

    /// Running litres of product, for differences.
    pub(super) fn made(&self) -> f64 {
        self.made
    }

    pub(super) fn deadline(&self) -> Option<Mono> {
        self.flowing.deadline(Span::ZERO, RUN_END_DELAY)
    }

    /// Takes the evidence as it is now.
    pub(super) fn update(&mut self, now: Mono, evident: Option<bool>) -> Change {
        let before = self.flowing.is_active();
        let after = self.flowing.update(now, evident, Span::ZERO, RUN_END_DELAY);
        match (before, after) {
            (false, true) => Change::Started,
            (true, false) => Change::Ended,
            _ => Change::None,
        }
    }

    /// Adds litres that no meter has shown yet, up to so many.
    fn bridge(&mut self, litres: f64, most: f64) {
        let litres = litres.min(most - self.bridged).max(0.0);
        self.made += litres;
        self.bridged += litres;
    }

    /// Adds what was made since the last look.
    pub(super) fn count(
        &mut self,
        setup: &Setup,
        source: Source,
        meters: &[Option<Meter>],
        probes: &[Probe],
        now: Mono,
    ) {
        let elapsed = self.at.map_or(Span::ZERO, |at| now.since(at));
        self.at = Some(now);
        match source {
            Source::Meter(sensor, factor) => {
                let Some(meter) = &meters[sensor] else { return };
                let litres = meter.litres() * factor;
                let silence =
                    probes[sensor].silence_flowing(&setup.sensors[sensor], &setup.limits.guard);
                if let Some(rate) = meter.rate(now, silence) {
                    self.last_rate = Some(rate * factor);
                }
                let Some((seen, at)) = self.seen else {
                    self.seen = Some((litres, now));
                    return;
                };
                if litres > seen {
                    let brought = litres - seen;
                    self.made += (brought - self.bridged).max(0.0);
                    // Ahead of the meter by no more than one word of it.
                    self.bridged = (self.bridged - brought).clamp(0.0, brought);
                    self.seen = Some((litres, now));
                    let time = now.since(at);
                    self.brought = (time <= silence).then_some((brought, time));
                } else if now.since(at) > silence {
                    if self.is_flowing() {
                        let rate = setup.assumed.permeate_litres_per_min.or(self.last_rate);
                        self.bridge(rate.unwrap_or(0.0) * elapsed.minutes(), f64::INFINITY);
                    }
                } else if let Some((brought, time)) = self.brought
                    && self.is_running()
                    && time > Span::ZERO
                {
                    self.bridge(brought * (elapsed.secs() / time.secs()), brought);
                }
            }
            Source::Declared(rate) => {
                if self.is_running() {
                    self.made += rate * elapsed.minutes();
                }
            }
            Source::Unknown => {}
        }
    }
}
