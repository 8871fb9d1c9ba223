//! Litres of the four streams: how much supply, permeate, concentrate and product there was.
//!
//! Each stream takes its litres from the best source that lives: its own counter, its own flow
//! meter, the difference of two others, a declared recovery, a declared flow. Invariants: totals
//! never fall, whatever a meter says or whichever source takes over; a source that returns after a
//! silence does not count again what its stand-in has counted; the basis says whether a constant
//! was used.

use super::meter::{Meter, Word};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Span, Wall};
use crate::engine::value::{Basis, Flag, Reason, Valued};
use crate::settings::schema::Point;
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// The four streams.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Flow {
    Supply,
    Permeate,
    Concentrate,
    Product,
}

const STREAMS: [Flow; 4] = [Flow::Supply, Flow::Permeate, Flow::Concentrate, Flow::Product];

impl Flow {
    fn of(point: Point) -> Option<Self> {
        match point {
            Point::Supply | Point::Feed => Some(Self::Supply),
            Point::Permeate => Some(Self::Permeate),
            Point::Concentrate => Some(Self::Concentrate),
            Point::Between | Point::Product => Some(Self::Product),
            Point::Store | Point::Reuse | Point::Room => None,
        }
    }
}

/// Where a stream's litres come from, best first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Source {
    Counter,
    FlowMeter,
    /// Another stream through the same pipe.
    Same,
    /// Sum or difference of two metered streams.
    Balance,
    /// A declared recovery and one metered stream.
    Recovery,
    /// A declared flow while water is made.
    Constant,
}

const SOURCES: [Source; 6] = [
    Source::Counter,
    Source::FlowMeter,
    Source::Same,
    Source::Balance,
    Source::Recovery,
    Source::Constant,
];

impl Source {
    const fn basis(self) -> Basis {
        match self {
            Self::Counter | Self::FlowMeter | Self::Same | Self::Balance => Basis::Measured,
            Self::Recovery | Self::Constant => Basis::Assumed,
        }
    }
}

/// One stream.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Stream {
    /// Litres in all.
    total: f64,
    /// Of these by declared constants.
    assumed: f64,
    /// What to add to a source's own total to get the stream's, by source.
    offsets: [Option<f64>; SOURCES.len()],
    /// Source in charge.
    charge: Option<Source>,
    /// The total with what must have passed since the last word of a counter.
    live: f64,
    /// The same without the promise that it never falls: the best estimate, for flows over a window.
    #[serde(default)]
    estimate: f64,
    /// The last word covered a gap.
    gap: bool,
}

/// Litres, run time and starts.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Water {
    meters: Vec<Meter>,
    streams: [Stream; 4],
    /// Integrated until here.
    at: Mono,
    /// Water is being made.
    making: bool,
    /// Water flows (also while flushing).
    flowing: bool,
    /// Permeate goes to the drain before the resin.
    diverted: bool,
    /// Minutes of making, for the declared flow; restarts with it.
    making_minutes: f64,
    /// Seconds that water has flowed.
    pub(super) run_secs: f64,
    /// Starts.
    pub(super) starts: u64,
    /// Most that may have passed unseen, litres of permeate.
    pub(super) unseen: f64,
    /// Part of the permeate that went through the resin, live litres.
    pub(super) to_resin: f64,
}

impl Water {
    pub(super) fn new(setup: &Setup) -> Self {
        Self {
            meters: setup
                .meters()
                .map(|sensor| Meter::new(&setup.sensors[sensor], sensor))
                .collect(),
            streams: Default::default(),
            at: Mono::ZERO,
            making: false,
            flowing: false,
            diverted: false,
            making_minutes: 0.0,
            run_secs: 0.0,
            starts: 0,
            unseen: 0.0,
            to_resin: 0.0,
        }
    }

    /// Brings the declared flow and the live volumes up to `now`.
    pub(super) fn advance(&mut self, setup: &Setup, now: Mono) {
        let span = now.since(self.at);
        if span <= Span::ZERO {
            return;
        }
        self.at = now;
        if self.flowing {
            self.run_secs += span.secs();
        }
        if self.making {
            self.making_minutes += span.minutes();
        }
        self.settle(setup, now);
    }

    /// Flow or its way changed. Call after [`Self::advance`].
    pub(super) fn standing(&mut self, now: Mono, making: bool, flowing: bool, diverted: bool) {
        if making != self.making {
            for meter in &mut self.meters {
                meter.run_changed(now, making);
            }
        }
        self.making = making;
        self.flowing = flowing;
        self.diverted = diverted;
    }

    /// Takes a word of a meter; `None` when the sensor is none.
    pub(super) fn word(
        &mut self,
        setup: &Setup,
        now: Mono,
        sensor: SensorIx,
        value: f64,
        stamp: Option<Wall>,
    ) -> Option<Word> {
        let flowed = self.run_secs;
        let meter = self.meters.iter_mut().find(|meter| meter.sensor == sensor)?;
        let word = meter.word(&setup.sensors[sensor], now, value, stamp, flowed);
        if let Some(flow) = Flow::of(setup.sensors[sensor].point)
            && !word.rejected
            && word.litres > 0.0
        {
            self.streams[flow as usize].gap = word.gap;
            if matches!(flow, Flow::Permeate | Flow::Product) {
                self.unseen += word.unseen;
            }
        }
        self.settle(setup, now);
        Some(word)
    }

    /// Running litres of a meter.
    pub(super) fn meter_total(&self, sensor: SensorIx) -> Option<f64> {
        self.meters.iter().find(|meter| meter.sensor == sensor).map(|meter| meter.total)
    }

    /// Chooses the sources and adds what they have counted.
    fn settle(&mut self, setup: &Setup, now: Mono) {
        let before = self.live(Flow::Permeate);
        for flow in STREAMS {
            let charge =
                SOURCES.iter().copied().find(|&source| self.lives(setup, now, flow, source));
            let Some(charge) = charge else { continue };
            let Some(own) = self.own_total(setup, flow, charge) else { continue };
            let stream = &mut self.streams[flow as usize];
            // Set once, when it takes over: a difference of two streams moves back and forth, and
            // must not be counted forth each time.
            let here = stream.total - own;
            let offset = *stream.offsets[charge as usize].get_or_insert(here);
            let added = (own + offset - stream.total).max(0.0);
            stream.total += added;
            if charge.basis() == Basis::Assumed {
                stream.assumed += added;
            }
            stream.charge = Some(charge);
            // Only the source in charge and better ones keep their mark: a better one that returns
            // goes on from where it left, a worse one that takes over begins here.
            for &source in &SOURCES {
                if source > charge {
                    stream.offsets[source as usize] = None;
                }
            }
            let since = self.since_word(setup, now, flow, charge);
            let stream = &mut self.streams[flow as usize];
            stream.estimate = stream.total + since;
            stream.live = stream.live.max(stream.estimate);
        }
        if !self.diverted {
            self.to_resin += self.live(Flow::Permeate) - before;
        }
    }

    fn meter(&self, setup: &Setup, now: Mono, flow: Flow, counter: bool) -> Option<&Meter> {
        let candidates = |alive: bool| {
            self.meters.iter().find(|meter| {
                let sensor = &setup.sensors[meter.sensor];
                Flow::of(sensor.point) == Some(flow)
                    && (sensor.quantity != Quantity::Flow) == counter
                    && (!alive || self.usable(setup, now, meter))
            })
        };
        candidates(true).or_else(|| candidates(false))
    }

    /// A meter may be in charge. A silent one stays in charge while no water is made: nothing has to
    /// be counted then.
    fn usable(&self, setup: &Setup, now: Mono, meter: &Meter) -> bool {
        meter.is_fresh() && (!self.making || meter.alive(&setup.sensors[meter.sensor], now))
    }

    fn metered(&self, setup: &Setup, now: Mono, flow: Flow) -> bool {
        [true, false].iter().any(|&counter| {
            self.meter(setup, now, flow, counter)
                .is_some_and(|meter| self.usable(setup, now, meter))
        })
    }

    fn lives(&self, setup: &Setup, now: Mono, flow: Flow, source: Source) -> bool {
        let metered = |flow| self.metered(setup, now, flow);
        let recovery = setup.assumed.recovery.is_some();
        match (flow, source) {
            (_, Source::Counter | Source::FlowMeter) => self
                .meter(setup, now, flow, source == Source::Counter)
                .is_some_and(|meter| self.usable(setup, now, meter)),
            (Flow::Permeate, Source::Same) => !has_divert(setup) && metered(Flow::Product),
            (Flow::Product, Source::Same) => true,
            (Flow::Supply, Source::Balance) => {
                metered(Flow::Permeate) && metered(Flow::Concentrate)
            }
            (Flow::Permeate, Source::Balance) => {
                metered(Flow::Supply) && metered(Flow::Concentrate)
            }
            (Flow::Concentrate, Source::Balance) => {
                metered(Flow::Supply) && metered(Flow::Permeate)
            }
            (Flow::Permeate, Source::Recovery) => recovery && metered(Flow::Supply),
            (Flow::Supply | Flow::Concentrate, Source::Recovery) => recovery,
            (Flow::Permeate, Source::Constant) => setup.assumed.permeate_litres_per_min.is_some(),
            (Flow::Supply | Flow::Concentrate, Source::Same)
            | (Flow::Product, Source::Balance | Source::Recovery | Source::Constant)
            | (Flow::Supply | Flow::Concentrate, Source::Constant) => false,
        }
    }

    /// A source's own running total; the stream adds its offset.
    fn own_total(&self, setup: &Setup, flow: Flow, source: Source) -> Option<f64> {
        let total = |flow: Flow| self.streams[flow as usize].total;
        let recovery = setup.assumed.recovery;
        Some(match (flow, source) {
            (_, Source::Counter | Source::FlowMeter) => {
                self.meter(setup, self.at, flow, source == Source::Counter)?.total
            }
            (Flow::Permeate, Source::Same) => total(Flow::Product),
            (Flow::Product, Source::Same) => self.to_resin,
            (Flow::Supply, Source::Balance) => total(Flow::Permeate) + total(Flow::Concentrate),
            (Flow::Permeate, Source::Balance) => total(Flow::Supply) - total(Flow::Concentrate),
            (Flow::Concentrate, Source::Balance) => total(Flow::Supply) - total(Flow::Permeate),
            (Flow::Permeate, Source::Recovery) => total(Flow::Supply) * recovery?,
            (Flow::Supply, Source::Recovery) => total(Flow::Permeate) / recovery?,
            (Flow::Concentrate, Source::Recovery) => {
                total(Flow::Permeate) * (1.0 / recovery? - 1.0)
            }
            (Flow::Permeate, Source::Constant) => {
                setup.assumed.permeate_litres_per_min? * self.making_minutes
            }
            _ => return None,
        })
    }

    /// Litres since the last word of the source in charge.
    fn since_word(&self, setup: &Setup, now: Mono, flow: Flow, source: Source) -> f64 {
        if !self.making {
            return 0.0;
        }
        match source {
            Source::Counter | Source::FlowMeter => self
                .meter(setup, now, flow, source == Source::Counter)
                .map_or(0.0, |meter| meter.since_word(&setup.sensors[meter.sensor], now)),
            _ => 0.0,
        }
    }

    /// Running litres with what must have passed since the last word; never falls.
    pub(super) fn live(&self, flow: Flow) -> f64 {
        self.streams[flow as usize].live
    }

    /// The best estimate of the running litres: unlike [`Self::live`] it comes back when a rate was taken
    /// on for too long.
    pub(super) fn estimate(&self, flow: Flow) -> f64 {
        self.streams[flow as usize].estimate
    }

    /// No meter in use is overdue: the estimates rest on words.
    pub(super) fn is_sure(&self, setup: &Setup, now: Mono) -> bool {
        STREAMS.into_iter().all(|flow| {
            [true, false].into_iter().all(|counter| {
                self.meter(setup, now, flow, counter)
                    .filter(|meter| self.usable(setup, now, meter))
                    .is_none_or(|meter| meter.is_recent(&setup.sensors[meter.sensor], now))
            })
        })
    }

    /// Litres of the least growth that the meter of the permeate can show; `None` where no meter of
    /// permeate or product lives.
    pub(super) fn permeate_resolution(&self, setup: &Setup, now: Mono) -> Option<f64> {
        [Flow::Permeate, Flow::Product].into_iter().find_map(|flow| {
            [true, false].into_iter().find_map(|counter| {
                let meter = self.meter(setup, now, flow, counter)?;
                let resolution = meter.resolution(&setup.sensors[meter.sensor]);
                self.usable(setup, now, meter).then_some(resolution)
            })
        })
    }

    /// How long one count of the permeate's meter takes at this share of its usual flow; `None` where
    /// there is no counter or its flow is not known yet.
    pub(super) fn count_at(&self, setup: &Setup, share: f64) -> Option<Span> {
        [Flow::Permeate, Flow::Product].into_iter().find_map(|flow| {
            let meter = self.meter(setup, self.at, flow, true)?;
            let usual = meter.usual_rate().filter(|rate| *rate > 0.0)?;
            let count = meter.resolution(&setup.sensors[meter.sensor]);
            Some(Span::from_secs_f64((60.0 * count / (share * usual)).min(86_400.0)))
        })
    }

    /// Running litres as proven.
    pub(super) fn total(&self, flow: Flow) -> f64 {
        self.streams[flow as usize].total
    }

    /// Running litres with their quality; `None` while nothing says anything about this stream.
    pub(super) fn valued(&self, flow: Flow, now: Mono) -> Option<Valued<f64>> {
        let stream = &self.streams[flow as usize];
        stream.charge?;
        // Declared constants are good to a fifth (judgement); meters to 3 % (reference sheet 0).
        let u = (stream.total - stream.assumed) * 0.03 + stream.assumed * 0.2;
        let mut valued = if stream.assumed > 0.0 {
            Valued::assumed(stream.total, u, now)
        } else {
            Valued::measured(stream.total, u, now)
        };
        if stream.gap {
            valued = valued.doubt(Flag::Suspect, Reason::Gap);
        }
        Some(valued)
    }

    /// Basis of the source in charge; `None` while there is none.
    pub(super) fn basis(&self, flow: Flow) -> Option<Basis> {
        match self.streams[flow as usize].charge? {
            Source::Same if flow == Flow::Product => self.basis(Flow::Permeate),
            charge => Some(charge.basis()),
        }
    }

    /// Flow now in L/min with its quality; zero while no water is made; `None` when unknown.
    pub(super) fn flow(&self, setup: &Setup, now: Mono, flow: Flow) -> Option<Valued<f64>> {
        let gain = |meter: &Meter| setup.sensors[meter.sensor].gain_u;
        if let Some((rate, gain)) = [true, false].iter().find_map(|&counter| {
            let meter = self.meter(setup, now, flow, counter)?;
            Some((meter.flow_now(&setup.sensors[meter.sensor], now)?, gain(meter)))
        }) {
            let rate = if self.flowing { rate } else { 0.0 };
            return Some(Valued::measured(rate, rate * gain, now));
        }
        if !self.flowing {
            return Some(Valued::measured(0.0, 0.0, now));
        }
        let other = |flow| self.flow_metered(setup, now, flow);
        let recovery = setup.assumed.recovery;
        let constant = setup.assumed.permeate_litres_per_min;
        let measured = |rate: f64| Some(Valued::measured(rate, rate.abs() * 0.05, now));
        let assumed = |rate: f64| Some(Valued::assumed(rate, rate.abs() * 0.2, now));
        match flow {
            Flow::Permeate => {
                if let Some(product) = other(Flow::Product).filter(|_| !has_divert(setup)) {
                    return measured(product);
                }
                if let (Some(supply), Some(waste)) = (other(Flow::Supply), other(Flow::Concentrate))
                {
                    return measured((supply - waste).max(0.0));
                }
                if let (Some(supply), Some(recovery)) = (other(Flow::Supply), recovery) {
                    return assumed(supply * recovery);
                }
                constant.and_then(assumed)
            }
            Flow::Product => self.flow(setup, now, Flow::Permeate),
            Flow::Supply => {
                if let (Some(permeate), Some(waste)) =
                    (other(Flow::Permeate), other(Flow::Concentrate))
                {
                    return measured(permeate + waste);
                }
                let permeate = self.flow(setup, now, Flow::Permeate)?.value;
                assumed(permeate / recovery?)
            }
            Flow::Concentrate => {
                if let (Some(supply), Some(permeate)) = (other(Flow::Supply), other(Flow::Permeate))
                {
                    return measured((supply - permeate).max(0.0));
                }
                let permeate = self.flow(setup, now, Flow::Permeate)?.value;
                assumed(permeate * (1.0 / recovery? - 1.0))
            }
        }
    }

    fn flow_metered(&self, setup: &Setup, now: Mono, flow: Flow) -> Option<f64> {
        [true, false].iter().find_map(|&counter| {
            let meter = self.meter(setup, now, flow, counter)?;
            meter.flow_now(&setup.sensors[meter.sensor], now)
        })
    }

    /// A stream has a meter of its own that lives.
    pub(super) fn is_metered(&self, setup: &Setup, now: Mono, flow: Flow) -> bool {
        self.metered(setup, now, flow)
    }

    /// Water is being made.
    pub(super) fn is_making(&self) -> bool {
        self.making
    }

    /// Until when the volumes are brought up.
    pub(super) fn at(&self) -> Mono {
        self.at
    }

    /// Permeate goes to the drain before the resin.
    pub(super) fn is_diverted(&self) -> bool {
        self.diverted
    }

    /// The daemon starts again after `away`, if that is known. Nothing is fresh, totals stay. A
    /// counter will prove what passed; without one it is bounded by the last flow over the time
    /// away if water was flowing. Gives the bound in litres and whether there is one.
    pub(super) fn restarted(
        &mut self,
        setup: &Setup,
        away: Option<Span>,
        was_running: bool,
    ) -> (f64, bool) {
        let counter = self.meters.iter().any(|meter| {
            let sensor = &setup.sensors[meter.sensor];
            matches!(Flow::of(sensor.point), Some(Flow::Permeate | Flow::Product))
                && sensor.quantity != Quantity::Flow
        });
        let rate = self
            .meters
            .iter()
            .filter(|meter| {
                matches!(
                    Flow::of(setup.sensors[meter.sensor].point),
                    Some(Flow::Permeate | Flow::Product)
                )
            })
            .filter_map(Meter::last_rate)
            .chain(setup.assumed.permeate_litres_per_min)
            .fold(0.0, f64::max);
        for meter in &mut self.meters {
            meter.restarted(away);
        }
        self.making = false;
        self.flowing = false;
        if counter || !was_running {
            return (0.0, true);
        }
        let Some(away) = away else { return (0.0, false) };
        let bound = rate * away.minutes().max(0.0);
        self.unseen += bound;
        (bound, true)
    }

    /// Fits the meters to changed settings.
    pub(super) fn refit(&mut self, setup: &Setup, old: impl Fn(SensorIx) -> Option<SensorIx>) {
        self.meters.retain_mut(|meter| match old(meter.sensor) {
            Some(new) => {
                meter.sensor = new;
                true
            }
            None => false,
        });
        let mut changed = false;
        for sensor in setup.meters() {
            if !self.meters.iter().any(|meter| meter.sensor == sensor) {
                self.meters.push(Meter::new(&setup.sensors[sensor], sensor));
                changed = true;
            }
        }
        self.meters.retain(|meter| setup.meters().any(|sensor| sensor == meter.sensor));
        self.meters.sort_by_key(|meter| meter.sensor);
        if changed {
            // A new meter begins at zero: marks of before mean nothing to it.
            for stream in &mut self.streams {
                stream.offsets = Default::default();
            }
        }
    }
}

fn has_divert(setup: &Setup) -> bool {
    setup.actuators_of(crate::settings::schema::Role::Divert).next().is_some()
}
