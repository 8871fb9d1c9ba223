//! What asks for attention beside water and wear: standing plants, short runs, long flushes, probes
//! that nobody has compared for long, concentrate that is kept.

use super::samples::Summary;
use crate::engine::catalogue::{AlarmId, SignalId};
use crate::engine::output::AlarmKey;
use crate::engine::phase::Phase;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Span, Wall};
use crate::engine::trend::starts::median;
use crate::engine::trend::water::Flow;
use crate::engine::trend::{Results, Trend, of_plant};
use crate::engine::value::{NoReading, Valued};
use crate::settings::schema::Point;
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

const DAY: Span = Span::from_secs(86_400);
/// Runs that are remembered.
const RUNS: usize = 32;
/// Runs in a day from which short ones are worth telling.
const RUNS_SHORT: usize = 6;
/// Standing longer than this asks for more water to be thrown away (DEFAULTS).
const IDLE_LONG_DAYS: f64 = 30.0;

/// A run that is over.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
pub(super) struct RunLitres {
    ended: Mono,
    litres: f64,
    throttled: f64,
}

/// When a probe was last compared with something else.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Compared {
    sensor: String,
    at: Mono,
    wall: Option<Wall>,
}

impl Trend {
    /// Looks after everything that time alone brings.
    pub(super) fn step_checks(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        self.judge_idle(setup, now, out);
        self.judge_flush(setup, now, out);
        self.judge_calibration(setup, now, out);
        self.publish_reuse(setup, now, out);
    }

    fn judge_idle(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::IdleLong);
        if self.water.is_making() {
            self.told.clear(key, "Water flows again.".to_owned(), out);
            return;
        }
        let Some(since) = self.idle_since else { return };
        let days = now.mono.since(since).days();
        if days >= setup.limits.stages.idle_days {
            let discard = if days >= IDLE_LONG_DAYS { 20.0 } else { 2.0 };
            let text = format!(
                "The plant has stood for {days:.0} days, and what stands in it holds no disinfectant. Send the first {discard:.0} L of the next run to the drain; after {IDLE_LONG_DAYS:.0} days it would be 20 L."
            );
            self.told.raise(key, Some(days), Some(setup.limits.stages.idle_days), text, out);
        }
    }

    /// The flush valve is open, by its own word or by the phase.
    fn is_flushing(&self, setup: &Setup, now: Now) -> bool {
        let by_valve = setup
            .sensors_of(Point::Concentrate, Quantity::Open)
            .next()
            .and_then(|sensor| self.channels[sensor].recent(now.mono, DAY))
            .is_some_and(|valued| valued.value > 0.5);
        by_valve || self.standing.phase == Phase::Flushing
    }

    fn judge_flush(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let key = AlarmKey::plant(AlarmId::FlushLong);
        if !self.is_flushing(setup, now) {
            self.upkeep.flush_since = None;
            self.told.clear(key, "The flush is over.".to_owned(), out);
            return;
        }
        let since = *self.upkeep.flush_since.get_or_insert(now.mono);
        let most = setup.limits.stages.flush_max_secs;
        let secs = now.mono.since(since).secs();
        // Without flow an open flush valve wastes nothing.
        if secs >= most && self.standing.flowing {
            let text = format!(
                "The membrane has been flushed for {:.0} min; {:.0} min are plenty. Tap water runs to the drain and hardly any permeate is made: look at the flush valve and its timer.",
                secs / 60.0,
                most / 60.0,
            );
            self.told.raise(key, Some(secs), Some(most), text, out);
        }
    }

    fn judge_calibration(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let limit = setup.limits.wear.calibration_days;
        self.upkeep
            .compared
            .retain(|known| setup.sensors.iter().any(|sensor| sensor.id == known.sensor));
        for (ix, sensor) in setup.sensors.iter().enumerate() {
            if !sensor.is_solids() {
                continue;
            }
            let known = self.upkeep.compared.iter().find(|known| known.sensor == sensor.id);
            let Some(known) = known else {
                let fresh = Compared { sensor: sensor.id.clone(), at: now.mono, wall: now.wall };
                self.upkeep.compared.push(fresh);
                continue;
            };
            let days = match (known.wall, now.wall) {
                (Some(then), Some(wall)) => wall.since(then).days(),
                _ => now.mono.since(known.at).days(),
            };
            let key = AlarmKey { alarm: AlarmId::CalibrationOverdue, of: u16::try_from(ix).ok() };
            if days >= limit {
                let text = format!(
                    "Probe {} at {} has not been compared with anything for {days:.0} days; they drift. Hold a handheld beside it in flowing water and enter the reading; calibrate it if they differ.",
                    sensor.id,
                    sensor.point.word(),
                );
                self.told.raise(key, Some(days), Some(limit), text, out);
            }
        }
    }

    /// A handheld reading stands beside a probe.
    pub(super) fn probe_compared(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: &str,
        agrees: Option<bool>,
        out: &mut Results,
    ) {
        let Some(ix) = setup.sensors.iter().position(|known| known.id == sensor) else { return };
        self.upkeep.compared.retain(|known| known.sensor != sensor);
        self.upkeep.compared.push(Compared {
            sensor: sensor.to_owned(),
            at: now.mono,
            wall: now.wall,
        });
        let of = u16::try_from(ix).ok();
        let text = || format!("{sensor} was compared with a handheld.");
        self.told.clear(AlarmKey { alarm: AlarmId::CalibrationOverdue, of }, text(), out);
        self.told.clear(AlarmKey { alarm: AlarmId::SensorContradicted, of }, text(), out);
        self.upkeep.suspects.retain(|known| known != sensor);
        self.drift_begins_anew(setup, now, Some(ix), out);
        if setup.sensors[ix].point == Point::Product && agrees != Some(false) {
            self.product_proven(setup, out);
        }
    }

    /// A run is over: was it long enough to be worth its start?
    pub(super) fn judge_short_runs(
        &mut self,
        setup: &Setup,
        now: Now,
        litres: f64,
        summary: Option<&Summary>,
        out: &mut Results,
    ) {
        let throttled = summary.map_or(0.0, |summary| summary.throttled);
        if self.upkeep.runs.len() == RUNS {
            self.upkeep.runs.pop_front();
        }
        self.upkeep.runs.push_back(RunLitres { ended: now.mono, litres, throttled });
        let middle = median(self.upkeep.runs.iter().map(|run| run.litres)).unwrap_or(litres);
        let known = if self.water.basis(Flow::Permeate).is_some() {
            Ok(Valued::measured(middle, 0.05 * middle, now.mono))
        } else {
            Err(NoReading::NotConfigured)
        };
        let key = of_plant(SignalId::RunLitres);
        self.emitter.number(setup, now, key, known.clone(), &mut out.values);
        let (Ok(_), key) = (known, AlarmKey::plant(AlarmId::StartsHigh)) else { return };
        let today: Vec<&RunLitres> =
            self.upkeep.runs.iter().filter(|run| now.mono.since(run.ended) <= DAY).collect();
        let middle = median(today.iter().map(|run| run.litres)).unwrap_or(litres);
        let least = setup.limits.stages.run_min_litres;
        if today.len() >= RUNS_SHORT && middle < least {
            let throttled = today.iter().filter(|run| run.throttled > 0.2).count();
            let float = if throttled * 2 > today.len() {
                " In most of them the flow had sunk below 70 % of its own: a float that closes slowly throttles the plant."
            } else {
                ""
            };
            let salt = self.extra_salt();
            let cost = match (salt, self.resin.costs(setup)) {
                (Some(mg), Some(costs)) if mg > 0.0 => format!(
                    " Each start carried {mg:.0} mg of extra salt into the resin, worth {:.3} in your money.",
                    mg * costs.resin_per_mg
                ),
                (Some(mg), _) if mg > 0.0 => {
                    format!(" Each start carried {mg:.0} mg of extra salt.")
                }
                _ => String::new(),
            };
            let text = format!(
                "{} runs in a day made {middle:.1} L each: nearly all of it was first water.{cost}{float} Widen the band between start and stop so that a run makes {least:.0} L or more.",
                today.len(),
            );
            self.told.raise(key, Some(middle), Some(least), text, out);
        } else if middle >= least {
            self.told.clear(key, format!("Runs make {middle:.1} L again."), out);
        }
    }

    /// Middle of the extra salt of the last starts, mg.
    pub(super) fn extra_salt(&self) -> Option<f64> {
        median(self.upkeep.extra.iter().copied())
    }

    fn publish_reuse(&mut self, setup: &Setup, now: Now, out: &mut Results) {
        let level = setup.sensors_of(Point::Reuse, Quantity::Level).next();
        let float = setup.sensors_of(Point::Reuse, Quantity::Full).next();
        let kept = level.is_some() || float.is_some() || setup.reuse.litres > 0.0;
        if !kept {
            return;
        }
        let litres = match level {
            Some(level) => self.channels[level].recent(now.mono, DAY).cloned(),
            None => None,
        };
        let full = float
            .and_then(|float| self.channels[float].recent(now.mono, DAY))
            .map(|valued| valued.value > 0.5);
        // Its water is the concentrate of the last settled run.
        let solids = self.membrane.last(SignalId::ConcentrateTds).ok_or(NoReading::NeverSeen);
        let limit = setup.reuse.limit_us_per_cm * setup.ppm_factor;
        let over = match (&solids, &litres) {
            (_, Some(litres)) if setup.reuse.litres > 0.0 => {
                Some(litres.value >= setup.reuse.litres)
            }
            _ => None,
        };
        let text = |what: &str, solids: &Option<f64>| {
            let use_it = match solids {
                Some(ppm) if *ppm <= limit => {
                    format!("at {ppm:.0} ppm it may go on plants")
                }
                Some(ppm) => format!(
                    "at {ppm:.0} ppm it is saltier than the {limit:.0} ppm for plants: use it for cleaning, or thin it with rain water"
                ),
                None => "how salty it is, is not known".to_owned(),
            };
            format!(
                "The container for concentrate is {what}: {use_it}. Empty it before the next run, or it goes to the drain or the floor."
            )
        };
        let ppm = solids.as_ref().ok().map(|valued| valued.value);
        let key = AlarmKey::plant(AlarmId::ReuseFull);
        match full.or(over) {
            Some(true) => {
                let held = litres.as_ref().map(|litres| litres.value);
                self.told.raise(key, held, Some(setup.reuse.litres), text("full", &ppm), out);
            }
            Some(false) => {
                self.told.clear(key, "The container for concentrate has room.".to_owned(), out);
            }
            None => {}
        }
        let limit = Ok(Valued::assumed(limit, 0.0, now.mono));
        let values = [
            (SignalId::ReuseLitres, litres.ok_or(NoReading::NotConfigured)),
            (SignalId::ReuseTds, solids),
            (SignalId::ReuseLimit, limit),
        ];
        for (signal, value) in values {
            self.emitter.number(setup, now, of_plant(signal), value, &mut out.values);
        }
    }
}
