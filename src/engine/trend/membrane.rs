//! What the membrane does: rejection, recovery, balances, values at standard conditions, and the
//! plant's own baselines to compare them with.
//!
//! Invariants: a value is good only in settled water, before that it is flagged; a value of the last
//! settled water rests as it was when the water stops; baselines come from measured values alone and
//! begin anew with a new membrane.

use super::starts::median;
use super::water::Flow;
use super::{Results, Trend, of_plant};
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::output::AlarmKey;
use crate::engine::process::membrane::{self as process, Flows};
use crate::engine::process::normalise::{Forms, Inputs, State, TemperatureFactor};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::{self, Basis, Flag, Input, NoReading, Reason, Valued};
use crate::settings::schema::{PartKind, Point};
use crate::units::{Bar, Celsius, LitresPerMinute, Quantity, Tds};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Group of a probe that was set right by a handheld reading: its gain is the handheld's by now, and what
/// it shared with the other probes of its make no longer cancels against theirs.
const BY_HAND: u8 = u8::MAX - 1;
/// Relative standard uncertainty of a gain that a handheld reading set right: a pocket meter against its
/// own standard (common practice, no source).
const BY_HAND_U: f64 = 0.02;

/// Feed below this many display steps supports no rejection (reference sheet 3).
const FEED_STEPS_MIN: f64 = 20.0;
/// Values of a run that a judgement needs.
const VALUES_MIN: usize = 10;
/// Values of a run that are kept.
const VALUES_MAX: usize = 64;
/// Runs that make a baseline of the salt passage, and of the recovery.
const BASELINE_RUNS: usize = 5;
/// Running time of a new membrane before its baseline begins (DEFAULTS: 24 to 48 h).
const RUN_IN_SECS: f64 = 24.0 * 3600.0;
/// Salt passage over baseline that is told, and from which it is gone.
const PASSAGE_HIGH: f64 = 2.0;
const PASSAGE_BACK: f64 = 1.5;
/// Settled runs in a row that it takes.
const PASSAGE_RUNS: u32 = 3;
/// Concentrate over its usual from which a low recovery is the restrictor's doing: what a quarter less
/// recovery takes beyond what meters err is a third more (DEFAULTS: 25 %), half of which is asked for.
const CONCENTRATE_MORE: f64 = 1.15;
/// Recovery must be off for so long.
const RECOVERY_OFF: Span = Span::from_secs(600);
/// Recovery is taken over so much time.
const RECOVERY_WINDOW: Span = Span::from_secs(600);
/// ... and after so much of a run: three feed-side volumes of a home membrane at its usual flow.
const RECOVERY_FROM: Span = Span::from_secs(180);
/// Rejection must be above its limit by this to be back, in as many runs in a row.
const REJECTION_BACK: f64 = 0.005;
/// Flow below this share of the run's own leaves the statistics: a float closes bit by bit, and the same
/// salt in a sixth less water is a sixth more passage. Above it what a run's flow moves by of itself
/// stays in (judgement).
const THROTTLED: f64 = 0.85;
/// Values are made anew at most this often.
const EVERY: Span = Span::from_secs(5);

/// Signals of the membrane, in the order in which they are made.
const SIGNALS: [SignalId; 8] = [
    SignalId::Rejection,
    SignalId::SaltPassage,
    SignalId::Recovery,
    SignalId::ConcentrateRatio,
    SignalId::ConcentrateTds,
    SignalId::NetDrivingPressure,
    SignalId::PermeateFlowNormalised,
    SignalId::SaltPassageNormalised,
];

/// Litres of the three streams at an instant.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Mark {
    at: Mono,
    litres: [f64; 3],
}

/// State of the membrane's values.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct Membrane {
    made: Option<Mono>,
    marks: VecDeque<Mark>,
    /// Last values of settled water, in the order of [`SIGNALS`], and whether they are of this run.
    settled: Vec<value::Result<f64>>,
    #[serde(default)]
    settled_now: bool,
    /// Salt passages (at standard conditions where they exist) and rejections of this run.
    passages: VecDeque<f64>,
    rejections: VecDeque<f64>,
    recoveries: VecDeque<f64>,
    /// Every so many values of the recovery is kept, so that those kept are spread over the run.
    #[serde(default)]
    recovery_stride: u32,
    #[serde(default)]
    recovery_count: u32,
    /// Largest permeate of this run over a window, L/min.
    #[serde(default)]
    run_flow: f64,
    /// Runs that make the baselines.
    passage_base: Vec<f64>,
    recovery_base: Vec<f64>,
    /// Concentrate of this run, and of the runs that make the baseline, L/min.
    #[serde(default)]
    concentrates: VecDeque<f64>,
    #[serde(default)]
    concentrate_base: Vec<f64>,
    /// Passages are those at standard conditions: one that is not is none beside them.
    pub(super) normalised: bool,
    high_runs: u32,
    /// Runs in a row in which it was back.
    #[serde(default)]
    passage_back_runs: u32,
    /// Settled runs in a row with a rejection above its limit.
    #[serde(default)]
    back_runs: u32,
    /// Recovery has been off since, or right since.
    off_since: Option<Mono>,
    right_since: Option<Mono>,
    /// Running time at which a new membrane was fitted.
    fitted_at_secs: Option<f64>,
    /// Conditions to which flow and passage are referred.
    reference: Option<State>,
}

impl Membrane {
    pub(super) fn run_began(&mut self) {
        self.marks.clear();
        self.passages.clear();
        self.rejections.clear();
        self.recoveries.clear();
        self.concentrates.clear();
        self.recovery_stride = 1;
        self.recovery_count = 0;
        self.run_flow = 0.0;
        self.settled_now = false;
        self.off_since = None;
        self.right_since = None;
    }

    /// A new membrane: nothing of the old one is a measure for it.
    pub(super) fn changed(&mut self, run_secs: f64) {
        *self = Self { fitted_at_secs: Some(run_secs), ..Self::default() };
    }

    pub(super) fn restarted(&mut self) {
        self.run_began();
        self.made = None;
    }

    /// A value of the last settled water of this run that rests on measurements alone.
    pub(super) fn good(&self, signal: SignalId) -> Option<f64> {
        if !self.settled_now {
            return None;
        }
        let at = SIGNALS.iter().position(|known| *known == signal)?;
        let valued = self.settled.get(at)?.as_ref().ok()?;
        (valued.basis == Basis::Measured && valued.flag == Flag::Good).then_some(valued.value)
    }

    /// A value of the last settled water, whatever it rests on.
    pub(super) fn last(&self, signal: SignalId) -> Option<Valued<f64>> {
        let at = SIGNALS.iter().position(|known| *known == signal)?;
        self.settled.get(at)?.as_ref().ok().cloned()
    }

    pub(super) fn running_in(&self, run_secs: f64) -> bool {
        self.fitted_at_secs.is_some_and(|at| run_secs - at < RUN_IN_SECS)
    }

    fn passage_baseline(&self) -> Option<f64> {
        (self.passage_base.len() >= BASELINE_RUNS)
            .then(|| median(self.passage_base.iter().copied()))
            .flatten()
    }

    fn recovery_baseline(&self) -> Option<f64> {
        (self.recovery_base.len() >= 3)
            .then(|| median(self.recovery_base.iter().copied()))
            .flatten()
    }

    fn mark(&mut self, at: Mono, litres: [f64; 3]) {
        self.marks.push_back(Mark { at, litres });
        while self.marks.len() > 2 && at.since(self.marks[1].at) >= RECOVERY_WINDOW {
            self.marks.pop_front();
        }
        if self.marks.len() > 2 * VALUES_MAX {
            let mut index = 0;
            self.marks.retain(|_| {
                index += 1;
                index % 2 == 1
            });
        }
    }

    /// Mean flows over the window, L/min; `None` while it is short.
    fn mean_flows(&self) -> Option<[f64; 3]> {
        let (first, last) = (self.marks.front()?, self.marks.back()?);
        let span = last.at.since(first.at);
        (span >= RECOVERY_FROM).then(|| {
            std::array::from_fn(|stream| {
                (last.litres[stream] - first.litres[stream]) / span.minutes()
            })
        })
    }
}

fn keep(values: &mut VecDeque<f64>, value: f64) {
    if values.len() == VALUES_MAX {
        values.pop_front();
    }
    values.push_back(value);
}

impl Membrane {
    /// Keeps a recovery. Those kept are spread over the whole run, so that its end, where a float may
    /// throttle the plant, is no more of it than it is.
    fn keep_recovery(&mut self, recovery: f64) {
        self.recovery_stride = self.recovery_stride.max(1);
        self.recovery_count = self.recovery_count.wrapping_add(1);
        if !self.recovery_count.is_multiple_of(self.recovery_stride) {
            return;
        }
        if self.recoveries.len() == VALUES_MAX {
            let mut index = 0;
            self.recoveries.retain(|_| {
                index += 1;
                index % 2 == 0
            });
            self.recovery_stride = self.recovery_stride.saturating_mul(2);
        }
        self.recoveries.push_back(recovery);
    }

    /// Whether a closing float or valve throttles the plant: the permeate, now or over the window, is
    /// below so much of the run's own. What it is at an instant is no measure: at the opening, before
    /// the tap's pressure has fallen, it may be twice as much for a moment.
    fn is_throttled(&mut self, now: f64, mean: Option<f64>) -> bool {
        let Some(window) = mean else { return false };
        self.run_flow = self.run_flow.max(window);
        now.min(window) < THROTTLED * self.run_flow
    }
}

fn flagged(value: value::Result<f64>, settled: bool) -> value::Result<f64> {
    value.map(
        |valued| {
            if settled { valued } else { valued.doubt(Flag::Suspect, Reason::NotSettled) }
        },
    )
}

/// Standard uncertainty of a back pressure of the permeate that is taken for none, bar.
const BACK_PRESSURE_U: f64 = 0.2;

impl Trend {
    /// Level of the feed in flowing water, ppm with the probe's own uncertainty: measured at the
    /// membrane's inlet, at the tap, or declared.
    pub(super) fn feed_level(&self, setup: &Setup, now: Now) -> Option<Valued<f64>> {
        let probe = self.feed_probe(setup);
        if let Some(sensor) = probe {
            let channel = &self.channels[sensor];
            let probe = &setup.sensors[sensor];
            let level = channel.settled_level(probe);
            // A feed that is read once an hour is still the feed.
            let recent = || channel.recent(now.mono, Span::from_secs(7200)).cloned();
            if let Some(level) = level.or_else(recent) {
                return Some(level);
            }
        }
        let declared = setup.assumed.feed_tds_ppm?;
        Some(Valued::assumed(declared, 0.1 * declared, now.mono))
    }

    /// Group and relative uncertainty of a sensor's gain.
    fn gain(&self, setup: &Setup, sensor: SensorIx) -> (u8, f64) {
        if self.channels[sensor].correction() != 1.0 {
            return (BY_HAND, BY_HAND_U);
        }
        (setup.sensors[sensor].gain_group, setup.sensors[sensor].gain_u)
    }

    fn feed_probe(&self, setup: &Setup) -> Option<SensorIx> {
        setup.solids_at(Point::Feed).chain(setup.solids_at(Point::Supply)).next()
    }

    /// Permeate in this run: level once settled, else the last reading, doubted.
    fn permeate_level(&self, setup: &Setup, now: Now, settled: bool) -> Option<Valued<f64>> {
        let sensor = setup.solids_at(Point::Permeate).next()?;
        let channel = &self.channels[sensor];
        if settled && let Some(level) = channel.settled_level(&setup.sensors[sensor]) {
            return Some(level);
        }
        let longest = setup.sensors[sensor].interval * 6;
        let last = channel.recent(now.mono, longest.max(Span::from_secs(60)))?.clone();
        Some(last.doubt(Flag::Suspect, Reason::NotSettled))
    }

    /// Three flows, measured where a meter lives: mean over the window, or now.
    fn three_flows(&self, setup: &Setup, now: Now) -> [Option<Valued<f64>>; 3] {
        let streams = [Flow::Supply, Flow::Permeate, Flow::Concentrate];
        let mean = self.membrane.mean_flows();
        std::array::from_fn(|index| {
            let flow = streams[index];
            if !self.water.is_metered(setup, now.mono, flow) {
                return None;
            }
            let direct = self.water.flow(setup, now.mono, flow)?;
            let value = mean.map_or(direct.value, |mean| mean[index]);
            let relative = if direct.value > 0.0 { direct.u / direct.value } else { 0.03 };
            Some(Valued { value, u: value * relative, ..direct })
        })
    }

    fn recovery(
        &self,
        setup: &Setup,
        now: Now,
        flows: &[Option<Valued<f64>>; 3],
    ) -> value::Result<f64> {
        let input = |index: usize| flows[index].as_ref().map(Input::own);
        let measured =
            process::recovery(Flows { feed: input(0), permeate: input(1), concentrate: input(2) });
        match (measured, setup.assumed.recovery) {
            (Err(NoReading::NotConfigured), Some(declared)) => {
                Ok(Valued::assumed(declared, 0.2 * declared, now.mono))
            }
            (measured, _) => measured,
        }
    }

    /// Makes the membrane's values and judges them; only while water is made.
    pub(super) fn make_membrane(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let Some(run) = &self.run else { return };
        // While the valve closes, flow and pressure fall together: what is worked out from them then
        // is about the valve.
        if !self.water.is_making() || self.standing.valve_open == Some(false) {
            return;
        }
        if self.membrane.made.is_some_and(|made| now.mono.since(made) < EVERY) {
            return;
        }
        self.membrane.made = Some(now.mono);
        let age = now.mono.since(run.began);
        let settled = run.settled.is_some();
        let flow_steady = age >= RECOVERY_FROM;
        let litres =
            [Flow::Supply, Flow::Permeate, Flow::Concentrate].map(|flow| self.water.estimate(flow));
        // What rests on a rate that was taken on over a lost word is no mark to measure from.
        if age >= Span::from_secs(30) && self.water.is_sure(setup, now.mono) {
            self.membrane.mark(now.mono, litres);
        }
        let flows = self.three_flows(setup, now);
        let recovery = flagged(self.recovery(setup, now, &flows), flow_steady);
        let feed = self.feed_level(setup, now);
        // Nothing beside a feed, and a tenth of a good permeate: what the zero of the probe adds.
        let permeate = self.permeate_level(setup, now, settled).map(|level| {
            match setup.solids_at(Point::Permeate).next() {
                Some(sensor) => self.channels[sensor].without_zero(&setup.sensors[sensor], level),
                None => level,
            }
        });
        let feed_gain = self.feed_probe(setup).map(|sensor| self.gain(setup, sensor));
        let (permeate_group, permeate_gain) =
            setup.solids_at(Point::Permeate).next().map_or((u8::MAX, 0.0), |s| self.gain(setup, s));
        let weak = feed.as_ref().is_some_and(|feed| self.is_weak(setup, feed.value));
        let absent = |reason| value::Result::<f64>::Err(reason);
        let (mut passage, mut rejection, mut concentrate) = (
            absent(NoReading::NotConfigured),
            absent(NoReading::NotConfigured),
            absent(NoReading::NotConfigured),
        );
        if let (Some(feed), Some(permeate)) = (&feed, &permeate) {
            let feed_input = match feed_gain.filter(|_| feed.basis == Basis::Measured) {
                Some((group, gain)) => Input::shared(feed, group, gain),
                None => Input::own(feed),
            };
            let permeate_input = Input::shared(permeate, permeate_group, permeate_gain);
            if weak {
                passage = absent(NoReading::Unsupported);
                rejection = absent(NoReading::Unsupported);
            } else {
                match process::salt_passage(feed_input, permeate_input) {
                    Ok(bounded) => {
                        rejection = Ok(process::rejection(&bounded).value);
                        passage = Ok(bounded.value);
                    }
                    Err(why) => {
                        passage = absent(why);
                        rejection = absent(why);
                    }
                }
            }
            concentrate = match &recovery {
                Ok(recovery) => process::concentrate(feed_input, permeate_input, recovery),
                Err(why) => absent(*why),
            };
        } else if setup.solids_at(Point::Permeate).next().is_some() {
            let why = if feed.is_none() { NoReading::NotConfigured } else { NoReading::Stale };
            passage = absent(why);
            rejection = absent(why);
        }
        let ratio = match &recovery {
            Ok(recovery) => process::concentrate_ratio(recovery),
            Err(why) => absent(*why),
        };
        let [driving, flow_25, mut passage_25] =
            self.standard(setup, now, feed.as_ref(), permeate.as_ref(), &recovery, settled);
        // What a probe may have drifted is in none of the readings' own uncertainties.
        let doubt = self.drift_doubt(now);
        if doubt > 0.0 {
            let part = passage.as_ref().map_or(0.0, |passage| doubt * passage.value);
            for of_it in [&mut passage, &mut rejection].into_iter().flatten() {
                of_it.u = of_it.u.hypot(part);
            }
            if let Ok(passage_25) = &mut passage_25 {
                passage_25.u = passage_25.u.hypot(doubt * passage_25.value);
            }
        }
        let values: Vec<value::Result<f64>> = vec![
            flagged(rejection, settled),
            flagged(passage, settled),
            recovery,
            ratio,
            flagged(concentrate, settled),
            driving,
            flow_25,
            flagged(passage_25, settled),
        ];
        for (signal, value) in SIGNALS.into_iter().zip(&values) {
            self.emitter.number(setup, now, of_plant(signal), value.clone(), &mut out.values);
        }
        let closure = self.closure(setup, now, &flows, settled && flow_steady);
        let key = of_plant(SignalId::BalanceError);
        self.emitter.number(setup, now, key, closure, &mut out.values);
        let mean = self.membrane.mean_flows().map(|mean| mean[1]);
        let direct = self.water.flow(setup, now.mono, Flow::Permeate).map(|flow| flow.value);
        let throttled = direct.is_some_and(|direct| self.membrane.is_throttled(direct, mean));
        if settled && !throttled {
            self.judge_passage(setup, &values, out);
            self.membrane.settled = values.clone();
            self.membrane.settled_now = true;
        }
        if flow_steady && !throttled {
            self.judge_recovery(setup, now, &values[2], &flows, out);
        }
    }

    fn is_weak(&self, setup: &Setup, feed: f64) -> bool {
        let step = self
            .feed_probe(setup)
            .map_or(0.0, |sensor| self.channels[sensor].display(&setup.sensors[sensor]).step);
        feed <= 0.0 || feed < FEED_STEPS_MIN * step
    }

    /// Net driving pressure, flow and passage at standard conditions.
    fn standard(
        &mut self,
        setup: &Setup,
        now: Now,
        feed: Option<&Valued<f64>>,
        permeate: Option<&Valued<f64>>,
        recovery: &value::Result<f64>,
        settled: bool,
    ) -> [value::Result<f64>; 3] {
        let absent = [NoReading::NotConfigured; 3].map(Err);
        let (Some(feed), Some(permeate), Ok(recovery)) = (feed, permeate, recovery) else {
            return absent;
        };
        let pressure = self.at_point(setup, now, Point::Feed, Quantity::Pressure).or_else(|| {
            setup.assumed.feed_pressure_bar.map(|bar| Valued::assumed(bar, 0.3, now.mono))
        });
        let temperature = self.temperature_near(setup, now.mono, Point::Feed);
        let flow = self.water.flow(setup, now.mono, Flow::Permeate);
        let (Some(pressure), Some(temperature), Some(flow)) = (pressure, temperature, flow) else {
            return absent;
        };
        if flow.value <= 0.0 || recovery.value <= 0.0 {
            return [NoReading::Unsupported; 3].map(Err);
        }
        // Vessels and a float valve hold 0.1 to 0.3 bar against the permeate where nobody measures it (judgement).
        let nought = Valued::measured(0.0, BACK_PRESSURE_U, now.mono);
        let back = self
            .at_point(setup, now, Point::Permeate, Quantity::Pressure)
            .unwrap_or_else(|| nought.clone());
        let drop = Valued::measured(0.0, 0.1, now.mono);
        let Ok(feed_flow) =
            value::derive(&[Input::own(&flow), Input::own(recovery)], |x| Some(x[0] / x[1]))
        else {
            return [NoReading::Unsupported; 3].map(Err);
        };
        let inputs = Inputs {
            feed_flow: Input::own(&feed_flow),
            permeate_flow: Input::own(&flow),
            feed: Input::own(feed),
            permeate: Input::own(permeate),
            feed_pressure: Input::own(&pressure),
            pressure_drop: Input::own(&drop),
            permeate_pressure: Input::own(&back),
            temperature: Input::own(&temperature),
        };
        let forms = Forms::default();
        let driving = inputs.net_driving_pressure(forms.osmotic);
        if self.membrane.reference.is_none() && settled {
            self.membrane.reference =
                reference(setup, feed, permeate, &flow, &feed_flow).filter(|_| driving.is_ok());
        }
        let Some(reference) = self.membrane.reference else {
            return [driving, Err(NoReading::Unsupported), Err(NoReading::Unsupported)];
        };
        [driving, inputs.flow(&reference, forms), inputs.passage(&reference, forms)]
    }

    /// A reading at a point, if it is fresh.
    pub(super) fn at_point(
        &self,
        setup: &Setup,
        now: Now,
        point: Point,
        quantity: Quantity,
    ) -> Option<Valued<f64>> {
        let sensor = setup.sensors_of(point, quantity).next()?;
        let longest = (setup.sensors[sensor].interval * 12).max(Span::from_secs(300));
        self.channels[sensor].recent(now.mono, longest).cloned()
    }

    /// Salt that is missing in the balance; only with all six measured.
    fn closure(
        &self,
        setup: &Setup,
        now: Now,
        flows: &[Option<Valued<f64>>; 3],
        steady: bool,
    ) -> value::Result<f64> {
        let solids = |point: Point| -> Option<Valued<f64>> {
            let sensor = setup.solids_at(point).next()?;
            self.channels[sensor].settled_level(&setup.sensors[sensor])
        };
        let concentrate_gain =
            setup.solids_at(Point::Concentrate).next().map(|s| self.gain(setup, s));
        let feed_gain = self.feed_probe(setup).map(|s| self.gain(setup, s));
        let permeate_gain = setup.solids_at(Point::Permeate).next().map(|s| self.gain(setup, s));
        let (Some(gf), Some(gp), Some(gc)) = (feed_gain, permeate_gain, concentrate_gain) else {
            return Err(NoReading::NotConfigured);
        };
        let [Some(qf), Some(qp), Some(qc)] = flows else { return Err(NoReading::NotConfigured) };
        if !steady {
            return Err(NoReading::NotApplicable);
        }
        let feed = self.feed_level(setup, now).filter(|feed| feed.basis == Basis::Measured);
        let (Some(feed), Some(permeate), Some(concentrate)) =
            (feed, solids(Point::Permeate), solids(Point::Concentrate))
        else {
            return Err(NoReading::Stale);
        };
        process::closure(
            [Input::own(qf), Input::own(qp), Input::own(qc)],
            [
                Input::shared(&feed, gf.0, gf.1),
                Input::shared(&permeate, gp.0, gp.1),
                Input::shared(&concentrate, gc.0, gc.1),
            ],
        )
    }

    /// The water stands: what the last settled water showed rests as it was; nothing else stays.
    pub(super) fn rest_membrane(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        for (index, signal) in SIGNALS.into_iter().enumerate() {
            let value =
                self.membrane.settled.get(index).cloned().unwrap_or(Err(NoReading::NotApplicable));
            let key = of_plant(signal);
            self.emitter.number(setup, now, key, value, &mut out.values);
            self.emitter.rest(key);
        }
        self.emitter.rest(of_plant(SignalId::BalanceError));
    }

    /// Rejection against its limit, in settled water.
    fn judge_passage(&mut self, setup: &Setup, values: &[value::Result<f64>], out: &mut Results) {
        let (Ok(rejection), Ok(passage)) = (&values[0], &values[1]) else { return };
        keep(&mut self.membrane.rejections, rejection.value);
        let best = match &values[7] {
            Ok(standard) if standard.basis == Basis::Measured => {
                self.membrane.normalised = true;
                standard.value
            }
            _ if self.membrane.normalised => return,
            _ => passage.value,
        };
        keep(&mut self.membrane.passages, best);
        let recent = &self.membrane.rejections;
        if recent.len() < VALUES_MIN {
            return;
        }
        let last = recent.len() - VALUES_MIN;
        let limit = setup.limits.stages.rejection_low;
        let key = AlarmKey::plant(AlarmId::RejectionLow);
        let middle = median(recent.iter().skip(last).copied()).unwrap_or(rejection.value);
        if recent.iter().skip(last).all(|&value| value < limit) {
            // Only runs that come after it can say that it is back.
            self.membrane.back_runs = 0;
            let life = self.resin_life_text(setup);
            let text = format!(
                "In settled water the membrane keeps back {:.1} % of what the feed carries; {:.0} % is the limit.{life} Test total chlorine after the carbon first, then the membrane's seal, before you buy a membrane.",
                100.0 * middle,
                100.0 * limit,
            );
            self.told.raise(key, Some(middle), Some(limit), text, out);
        }
    }

    /// Rejection is back when some settled runs in a row say so: readings of whole ppm swing over the band
    /// within minutes, and an alarm that comes and goes with them is told again each time.
    fn judge_rejection_run(&mut self, setup: &Setup, out: &mut Results) {
        let values = &self.membrane.rejections;
        if values.len() < VALUES_MIN {
            return;
        }
        let Some(middle) = median(values.iter().copied()) else { return };
        if middle <= setup.limits.stages.rejection_low + REJECTION_BACK {
            self.membrane.back_runs = 0;
            return;
        }
        self.membrane.back_runs = self.membrane.back_runs.saturating_add(1);
        if self.membrane.back_runs >= PASSAGE_RUNS {
            let text = format!("Rejection is back at {:.1} %.", 100.0 * middle);
            self.told.clear(AlarmKey::plant(AlarmId::RejectionLow), text, out);
        }
    }

    fn resin_life_text(&self, setup: &Setup) -> String {
        if setup.vessels().is_empty() {
            String::new()
        } else {
            " Each charge of resin lasts shorter for it.".to_owned()
        }
    }

    /// Recovery against the plant's own baseline, with the water's temperature taken out.
    fn judge_recovery(
        &mut self,
        setup: &Setup,
        now: Now,
        recovery: &value::Result<f64>,
        flows: &[Option<Valued<f64>>; 3],
        out: &mut Results,
    ) {
        let Ok(recovery) = recovery else { return };
        let measured = flows.iter().filter(|flow| flow.is_some()).count() >= 2;
        if !measured || recovery.basis != Basis::Measured {
            return;
        }
        let at_25 = self.recovery_at_25(setup, now, recovery.value);
        self.membrane.keep_recovery(at_25);
        // Two of the three flows give it, whichever they are.
        let [feed, permeate, waste] = flows;
        let concentrate = match (feed, permeate, waste) {
            (_, _, Some(waste)) => waste.value,
            (Some(feed), Some(permeate), None) => feed.value - permeate.value,
            _ => return,
        };
        keep(&mut self.membrane.concentrates, concentrate);
        let Some(base) = self.membrane.recovery_baseline() else { return };
        let share = setup.limits.stages.recovery_share;
        // Less permeate beside the same concentrate is no matter of the restrictor: a closing float, low
        // pressure or the membrane makes it, and the normalised flow is what tells.
        let usual = median(self.membrane.concentrate_base.iter().copied());
        let restrictor = usual.is_none_or(|usual| concentrate > CONCENTRATE_MORE * usual);
        let off = if at_25 < base && !restrictor { 0.0 } else { (at_25 / base - 1.0).abs() };
        let key = AlarmKey::plant(AlarmId::RecoveryOff);
        if off > share {
            self.membrane.right_since = None;
            let since = *self.membrane.off_since.get_or_insert(now.mono);
            if now.mono.since(since) >= RECOVERY_OFF {
                let more = if at_25 > base { "more" } else { "less" };
                let hazard = if at_25 > base {
                    "Too little concentrate scales the membrane."
                } else {
                    "More tap water than before goes down the drain."
                };
                let text = format!(
                    "With temperature taken out {:.0} % of the feed becomes permeate, usual here is {:.0} %: clearly {more}. {hazard} Look at the flow restrictor, then the drain line, then the sediment filter.",
                    100.0 * at_25,
                    100.0 * base,
                );
                self.told.raise(key, Some(at_25), Some(base), text, out);
            }
        } else {
            self.membrane.off_since = None;
            if off < 0.8 * share {
                let since = *self.membrane.right_since.get_or_insert(now.mono);
                if now.mono.since(since) >= RECOVERY_OFF {
                    let text = format!("Recovery is back at {:.0} %.", 100.0 * at_25);
                    self.told.clear(key, text, out);
                }
            } else {
                self.membrane.right_since = None;
            }
        }
    }

    /// Recovery if the water had 25 °C: the permeate follows the temperature, the restrictor's flow
    /// hardly does.
    fn recovery_at_25(&self, setup: &Setup, now: Now, recovery: f64) -> f64 {
        let factor = self
            .temperature_near(setup, now.mono, Point::Feed)
            .and_then(|t| TemperatureFactor::default().at(Celsius::checked(t.value)?));
        match factor {
            Some(factor) if factor > 0.0 && recovery < 1.0 => {
                let permeate = recovery / (1.0 - recovery) / factor;
                permeate / (1.0 + permeate)
            }
            _ => recovery,
        }
    }

    /// A run is over: its middle values join or meet the baselines.
    pub(super) fn judge_membrane_run(&mut self, setup: &Setup, out: &mut Results) {
        self.judge_rejection_run(setup, out);
        let run_secs = self.water.run_secs;
        let running_in = self.membrane.running_in(run_secs);
        if self.membrane.recoveries.len() >= VALUES_MIN && !running_in {
            let middle = median(self.membrane.recoveries.iter().copied());
            if let Some(middle) = middle
                && self.membrane.recovery_base.len() < BASELINE_RUNS
            {
                self.membrane.recovery_base.push(middle);
                let concentrate = median(self.membrane.concentrates.iter().copied());
                self.membrane.concentrate_base.extend(concentrate);
            }
        }
        if self.membrane.passages.len() < VALUES_MIN || running_in {
            return;
        }
        let Some(middle) = median(self.membrane.passages.iter().copied()) else { return };
        let Some(base) = self.membrane.passage_baseline() else {
            self.membrane.passage_base.push(middle);
            return;
        };
        let key = AlarmKey::plant(AlarmId::SaltPassageHigh);
        if middle >= PASSAGE_HIGH * base {
            self.membrane.high_runs = self.membrane.high_runs.saturating_add(1);
        } else {
            self.membrane.high_runs = 0;
        }
        if middle < PASSAGE_BACK * base {
            self.membrane.passage_back_runs = self.membrane.passage_back_runs.saturating_add(1);
        } else {
            self.membrane.passage_back_runs = 0;
        }
        if self.membrane.high_runs >= PASSAGE_RUNS {
            let out_of = if self.membrane.normalised {
                "With temperature and pressure taken out, the"
            } else {
                "The"
            };
            let text = format!(
                "{out_of} membrane lets {:.1} % through instead of {:.1} %, in {} settled runs in a row. Test total chlorine after the carbon first, then the membrane's O-rings, before you buy a membrane.",
                100.0 * middle,
                100.0 * base,
                self.membrane.high_runs,
            );
            self.told.raise(key, Some(middle), Some(PASSAGE_HIGH * base), text, out);
        } else if self.membrane.passage_back_runs >= PASSAGE_RUNS {
            // Not before the rejection that says the same: it would be told anew.
            let text = format!("Salt passage is back at {:.1} %.", 100.0 * middle);
            self.told.clear(key, text, out);
        }
    }
}

/// Conditions of reference: those of the first settled water, at 25 °C and the membrane's rated
/// pressure.
fn reference(
    setup: &Setup,
    feed: &Valued<f64>,
    permeate: &Valued<f64>,
    flow: &Valued<f64>,
    feed_flow: &Valued<f64>,
) -> Option<State> {
    let rated = setup
        .parts
        .iter()
        .find(|part| part.kind == PartKind::Membrane)
        .map_or(3.45, |part| part.declared.rated_bar);
    Some(State {
        feed_flow: LitresPerMinute::checked(feed_flow.value)?,
        permeate_flow: LitresPerMinute::checked(flow.value)?,
        feed: Tds::checked(feed.value)?,
        permeate: Tds::checked(permeate.value)?,
        feed_pressure: Bar::checked(rated)?,
        pressure_drop: Bar::new(0.0),
        permeate_pressure: Bar::new(0.0),
        temperature: Celsius::new(25.0),
    })
}
