//! Runs begin and end; the record of a start.

use super::run::{Gains, Record, Run};
use super::water::Flow;
use super::{Results, Standing, Trend, of_plant};
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::fit::display::Display;
use crate::engine::output::{AlarmKey, LogEntry};
use crate::engine::phase::Phase;
use crate::engine::process::start::{Axis, NotReached};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span};
use crate::engine::value::{self, NoReading, Valued};
use crate::engine::words;
use crate::settings::schema::{Point, Role};
use serde_json::json;

/// A pause in the flow no longer than this is not the end of a run: a meter missed a word, a float
/// bounced.
const PAUSE_MAX: Span = Span::from_secs(20);
/// ... and of a meter that shows a trickle only now and then: the time that one count takes at this share
/// of the usual flow.
const TRICKLE: f64 = 0.1;
/// ... but no longer than this. Water that stood for some minutes carries next to nothing more.
const TRICKLE_PAUSE_MAX: Span = Span::from_secs(600);
/// A start has made at least this many counts of the meter, and litres between these. Less is what a
/// float that does not quite close lets through (judgement).
const START_COUNTS: f64 = 3.0;
const START_LITRES: (f64, f64) = (0.02, 0.1);
/// A run that was under way when the daemon went away is the same run if water flows again, or
/// still, within this time after the start.
const RESUMES_WITHIN: Span = Span::from_secs(60);
/// Starts in a row without a settled value that are told.
const UNSETTLED_TOLD: u32 = 3;
/// Settled values remembered.
const REMEMBERED: usize = 9;

impl Trend {
    /// Brings everything up to `now` under the standing of before, then takes the new one.
    pub(super) fn observe(&mut self, setup: &Setup, now: Now, is: Standing, out: &mut Results) {
        self.water.advance(setup, now.mono);
        let was = self.standing;
        self.standing = is;
        let making = is.flowing && is.phase != Phase::Flushing;
        if is.phase == Phase::Flushing {
            self.lessons.flush_seen();
        }
        let diverted = self.is_diverted(setup);
        let was_making = self.water.is_making();
        let was_flowing = was.flowing;
        if making != was_making || is.flowing != was_flowing || diverted != self.water.is_diverted()
        {
            self.water.standing(now.mono, making, is.flowing, diverted);
        }
        if making && !was_making {
            self.flow_began(setup, now, out);
        }
        if !making && was_making {
            self.flow_ended(setup, now, out);
        }
        if let Some(paused) = self.paused
            && now.mono >= paused + self.pause_max(setup)
        {
            self.run_ended(setup, now, paused, out);
        }
    }

    /// Permeate goes to the drain before the resin, by the divert valve's own word. Without one all
    /// water counts as having gone through: the resin may be better than its account, not worse.
    fn is_diverted(&self, setup: &Setup) -> bool {
        self.divert_open == Some(false) && setup.actuators_of(Role::Divert).next().is_some()
    }

    /// A valve told its state.
    pub(super) fn valve_word(&mut self, setup: &Setup, sensor: SensorIx, open: bool) {
        let divert = setup
            .actuators_of(Role::Divert)
            .any(|actuator| setup.actuators[actuator].state_sensor == Some(sensor));
        if divert {
            self.divert_open = Some(open);
        }
    }

    /// How long flow may pause within a run. Where a valve is known to be closed there is no trickle.
    pub(super) fn pause_max(&self, setup: &Setup) -> Span {
        if self.standing.valve_open == Some(false) {
            return PAUSE_MAX;
        }
        self.water
            .count_at(setup, TRICKLE)
            .map_or(PAUSE_MAX, |count| count.clamp(PAUSE_MAX, TRICKLE_PAUSE_MAX))
    }

    /// Counts the run as a start as soon as enough has flowed; at once where nothing measures it.
    pub(super) fn prove_run(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let total = self.water.total(Flow::Permeate);
        let count = self.water.permeate_resolution(setup, now.mono);
        let Some(run) = self.run.as_mut().filter(|run| !run.proven) else { return };
        let needed =
            count.map(|count| (START_COUNTS * count).clamp(START_LITRES.0, START_LITRES.1));
        if needed.is_some_and(|needed| total - run.from_total < needed) {
            return;
        }
        run.proven = true;
        if !run.joined {
            self.water.starts += 1;
            self.publish_totals(setup, now, out);
        }
    }

    fn flow_began(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.windows_apart(setup);
        if self.paused.take().is_some() && self.run.is_some() {
            return;
        }
        let resumed = self.resumed.take().is_some_and(|at| now.mono.since(at) <= RESUMES_WITHIN);
        let mut run = Run::new(now.mono, now.wall, self.water.live(Flow::Permeate));
        run.idle = self.idle_since.map(|since| now.mono.since(since));
        run.joined = resumed;
        run.first_diverted = self.water.is_diverted();
        run.flushed = self.lessons.run_began();
        run.from_total = self.water.total(Flow::Permeate);
        // What the daemon found under way was a run before.
        run.proven = resumed;
        self.idle_since = None;
        self.run = Some(run);
        self.membrane.run_began();
        // What fell silent while the water stood has to speak now.
        for channel in self.channels.iter_mut().filter(|channel| channel.is_silent()) {
            channel.missing(NoReading::Stale, now.mono, true);
        }
        // So has what was never heard; a switch that tells changes alone has a day and more to show one.
        let began = *self.began.get_or_insert(now.mono);
        let patience = Span::from_secs_f64(setup.limits.guard.battery_max_secs);
        let long = now.mono.since(began) >= patience;
        for (channel, sensor) in self.channels.iter_mut().zip(&setup.sensors) {
            let waits = sensor.battery || sensor.quantity.is_state();
            if channel.was_never_heard() && (long || !waits) {
                channel.missing(NoReading::NeverSeen, now.mono, true);
            }
        }
        // What a late word of the counter added to the run before belongs to its last reading.
        self.resin_close(setup, now);
        self.resin.run_began();
        self.prove_run(setup, now, out);
        self.publish_totals(setup, now, out);
    }

    fn flow_ended(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.paused = Some(now.mono);
        self.resin_close(setup, now);
        self.windows_apart(setup);
        self.publish_all_readings(setup, now, out);
        self.publish_totals(setup, now, out);
        for (channel, sensor) in self.channels.iter_mut().zip(&setup.sensors) {
            channel.forgive_silence(sensor, now.mono);
        }
    }

    fn windows_apart(&mut self, setup: &Setup) {
        for (channel, sensor) in self.channels.iter_mut().zip(&setup.sensors) {
            channel.run_changed(sensor);
        }
    }

    /// The run is over since `ended`.
    fn run_ended(&mut self, setup: &Setup, now: Now, ended: Mono, out: &mut Results) {
        self.paused = None;
        self.idle_since = Some(ended);
        self.resin_close(setup, now);
        self.prove_run(setup, now, out);
        if let Some(run) = self.run.take_if(|run| !run.proven) {
            // No start: the water stands as long as it has stood, and its drop is in the totals.
            self.idle_since = run.idle.map(|idle| run.began - idle);
            if run.flushed {
                self.lessons.flush_seen();
            }
        } else {
            self.write_record(setup, now, out);
        }
        if let Some(run) = self.run.take() {
            self.judge_run(setup, now, &run, out);
            self.upkeep_run_ended(setup, now, &run, out);
        }
        self.rest_membrane(setup, now, out);
        self.publish_resin(setup, now, out);
    }

    /// Writes the record of the run's start, once.
    pub(super) fn write_record(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        if self.run.as_ref().is_none_or(|run| run.recorded) {
            return;
        }
        let probe = setup.solids_at(Point::Permeate).next();
        let display = probe.map_or(Display::nearest(0.0), |sensor| {
            self.channels[sensor].display(&setup.sensors[sensor])
        });
        let gains = Gains {
            probe: probe.map_or(0.0, |sensor| setup.sensors[sensor].gain_u),
            meter: self.permeate_meter_gain(setup),
            litres: self.water.basis(Flow::Permeate).unwrap_or_default(),
        };
        let feed = self.feed_level(setup, now).map(|feed| feed.value);
        let Some(run) = &mut self.run else { return };
        run.recorded = true;
        let run = run.clone();
        let record = run.record(setup, now.mono, (display, &self.learned), feed, gains);
        let reached = record.as_ref().map(|record| record.start.settled.is_ok());
        if let Some(record) = &record {
            self.learn(setup, now, &run, record, display);
            self.publish_start(setup, now, &run, record, out);
            self.lessons_of(setup, now, &run, record, out);
        }
        out.logs.push(entry(now, &run, record.as_ref(), probe.is_some()));
        if !run.joined
            && let Some(reached) = reached
        {
            self.tell_unsettled(reached, &run, out);
        }
    }

    fn learn(&mut self, setup: &Setup, now: Now, run: &Run, record: &Record, display: Display) {
        if let Some(passage) = record.start.fitted.as_ref().filter(|_| !run.joined) {
            let reached = record.start.settled.is_ok();
            let of = (record.start.axis, record.start.kind);
            self.learned.take(now.mono, of, display.least(), passage, reached);
        }
        if let Ok(settled) = &record.settled {
            remember(&mut self.settled_values, settled.value);
        }
        if let Ok(extra) = &record.extra {
            self.upkeep_extra(extra.value);
        }
        if !run.first_diverted {
            self.resin.first_water(setup, record.before_first);
        }
    }

    fn tell_unsettled(&mut self, reached: bool, run: &Run, out: &mut Results) {
        self.unsettled = if reached { 0 } else { self.unsettled.saturating_add(1) };
        let key = AlarmKey::plant(AlarmId::SettleNotReached);
        if reached {
            self.told.clear(key, "The permeate settled again.".to_owned(), out);
        } else if self.unsettled >= UNSETTLED_TOLD {
            let text = format!(
                "{} starts in a row ended before the permeate had settled, so most of what they made was first water; {} came in the last of them. Let the plant run longer at a time: a wider band between start and stop does that.",
                self.unsettled,
                words::count(run.readings() as u64, "reading"),
            );
            let (value, limit) = (Some(f64::from(self.unsettled)), Some(f64::from(UNSETTLED_TOLD)));
            self.told.raise(key, value, limit, text, out);
        }
    }

    fn publish_start(
        &mut self,
        setup: &Setup,
        now: Now,
        run: &Run,
        record: &Record,
        out: &mut Results,
    ) {
        let costs = self.resin.costs(setup);
        let cost = match (&costs, &record.extra) {
            (None, _) => Err(NoReading::NotConfigured),
            (_, Err(why)) => Err(*why),
            (Some(costs), Ok(extra)) => {
                let factor = costs.resin_per_mg;
                let u = (extra.u * factor).hypot(0.3 * extra.value * factor);
                Ok(Valued { u, ..extra.clone().relabel(|mg| mg * factor) })
            }
        };
        let advice = match (&costs, &record.start.fit, record.start.axis) {
            _ if run.joined => Err(NoReading::Unsupported),
            (None, ..) => Err(NoReading::NotConfigured),
            (Some(costs), Ok(curve), Axis::Litres) if costs.water_per_litre > 0.0 => {
                let litres = crate::engine::process::creep::divert(curve, *costs).litres.get();
                Ok(Valued::measured(litres, 0.2 * litres, now.mono))
            }
            _ => Err(NoReading::Unsupported),
        };
        let facts: [(SignalId, value::Result<f64>); 7] = [
            (SignalId::CreepPeak, record.peak.clone()),
            (SignalId::CreepSettled, record.settled.clone()),
            (SignalId::CreepSettleVolume, record.settle_volume.clone()),
            (SignalId::CreepSettleTime, record.settle_secs.clone()),
            (SignalId::CreepExtraSalt, record.extra.clone()),
            (SignalId::CreepResinCost, cost),
            (SignalId::CreepDivertAdvice, advice),
        ];
        for (signal, value) in facts {
            self.emitter.fact(setup, now, of_plant(signal), value, &mut out.values);
        }
    }

    fn permeate_meter_gain(&self, setup: &Setup) -> f64 {
        setup
            .sensors
            .iter()
            .filter(|sensor| matches!(sensor.point, Point::Permeate | Point::Product))
            .filter(|sensor| sensor.quantity.is_meter())
            .map(|sensor| sensor.gain_u)
            .next()
            // A declared flow is good to a fifth (judgement).
            .unwrap_or(0.2)
    }
}

fn remember(values: &mut std::collections::VecDeque<f64>, value: f64) {
    if values.len() == REMEMBERED {
        values.pop_front();
    }
    values.push_back(value);
}

/// Middle of some values; `None` for none.
pub(super) fn median(values: impl Iterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    let middle = sorted.len() / 2;
    let upper = *sorted.get(middle)?;
    if sorted.len() % 2 == 1 { Some(upper) } else { Some(f64::midpoint(sorted[middle - 1], upper)) }
}

/// Numbers in a record carry four digits: more would be the arithmetic's, not the water's.
fn short(value: f64) -> f64 {
    if value == 0.0 || !value.is_finite() {
        return 0.0;
    }
    let digits = 3 - value.abs().log10().floor() as i32;
    let scale = 10f64.powi(digits.abs());
    if digits >= 0 { (value * scale).round() / scale } else { (value / scale).round() * scale }
}

/// Two digits for a sentence; the details have more.
fn said(value: f64) -> String {
    if value.abs() >= 9.95 { format!("{value:.0}") } else { format!("{value:.1}") }
}

fn not_reached(why: NotReached) -> &'static str {
    match why {
        NotReached::CutShort => "the run ended before the first water was out",
        NotReached::StillMoving => "the reading was still changing when the run ended",
        NotReached::TooFewReadings => "too few readings came",
    }
}

/// The record as an entry of the event stream.
fn entry(now: Now, run: &Run, record: Option<&Record>, has_probe: bool) -> LogEntry {
    let number = |value: &value::Result<f64>| value.as_ref().ok().map(|v| short(v.value));
    let spread = |value: &value::Result<f64>| value.as_ref().ok().map(|v| short(v.u));
    let idle = run.idle.map(|idle| short(idle.secs()));
    let text;
    let data;
    match record {
        None => {
            let why = if has_probe {
                "no reading of the permeate came while water flowed"
            } else {
                "there is no probe in the permeate"
            };
            text = format!("Start without a record: {why}.");
            data = json!({
                "began": run.wall.map(|wall| wall.millis()),
                "idle-secs": idle,
                "settled-reached": false,
                "no-record": why,
            });
        }
        Some(record) => {
            let start = &record.start;
            let standing = match run.idle {
                Some(idle) if idle >= Span::from_secs(5400) => {
                    format!("after {:.1} h standing", idle.minutes() / 60.0)
                }
                Some(idle) => format!("after {:.0} min standing", idle.minutes()),
                None => "after standing for an unknown time".to_owned(),
            };
            let peak = number(&record.peak).map_or("first water not seen".to_owned(), |peak| {
                format!("first water {} ppm", said(peak))
            });
            let settled = match (&start.settled, number(&record.settled)) {
                (Ok(_), Some(settled)) => {
                    // Nine tenths of the first excess are out then; the rest takes longer.
                    let after = number(&record.settle_volume)
                        .map(|litres| format!("{} L", said(litres)))
                        .or(number(&record.settle_secs)
                            .map(|secs| words::span(Span::from_secs_f64(secs))))
                        .map(|after| {
                            format!(", nine tenths of the first salt washed out after {after}")
                        })
                        .unwrap_or_default();
                    format!("goes towards {} ppm{after}", said(settled))
                }
                (Err(why), _) => format!("not settled: {}", not_reached(*why)),
                (Ok(_), None) => "not settled".to_owned(),
            };
            let extra = number(&record.extra)
                .map(|mg| format!(", {} mg of extra salt", said(mg)))
                .unwrap_or_default();
            text = format!("Start {standing}: {peak}, {settled}{extra}.");
            let fit = match &start.fit {
                Ok(curve) => json!({
                    "origin": short(curve.origin),
                    "settled-ppm": short(curve.settled),
                    "amplitude-ppm": short(curve.first.amplitude),
                    "constant": short(curve.first.constant),
                    "constant-u": short(curve.constant_u),
                    "second-amplitude-ppm": curve.second.map(|term| short(term.amplitude)),
                    "second-constant": curve.second.map(|term| short(term.constant)),
                    "rmse-ppm": short(curve.rmse),
                    "r2": short(curve.r2),
                    "readings": curve.points,
                }),
                Err(why) => json!({ "refused": why, "because": why.text() }),
            };
            data = json!({
                "began": run.wall.map(|wall| wall.millis()),
                "idle-secs": idle,
                "joined": run.joined,
                "axis": start.axis,
                "readings": start.readings,
                "end": short(start.end),
                "peak-ppm": number(&record.peak),
                "settled-reached": start.settled.is_ok(),
                "settled-ppm": number(&record.settled),
                "settled-u": spread(&record.settled),
                "not-reached": start.settled.err(),
                "settle-litres": number(&record.settle_volume),
                "settle-secs": number(&record.settle_secs),
                "extra-mg": number(&record.extra),
                "extra-u": spread(&record.extra),
                "extra-so-far": start.extra.map(|extra| extra.so_far),
                "first-reading-misses-mg": short(record.before_first),
                "to-drain": run.first_diverted,
                "fit": fit,
            });
        }
    }
    LogEntry { at: now.wall, kind: "start-record".into(), text, data, protective: false }
}
