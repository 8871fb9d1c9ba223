//! The trend path: cleaning, process values, starts, resin, totals. Never in the guard's way.
//!
//! Purpose: what a person wants to know beside whether the water is good. The engine tells it every
//! reading together with how the plant stands, and passes on what comes back.
//!
//! Invariants: nothing here closes or opens anything; findings become told alarms at most; missing
//! data raises no finding about water and clears none; totals never fall; the same calls at the same
//! times give the same results, and a snapshot goes on as if nothing had happened.
//!
//! Absent on purpose: the guard's medians and delays (it trusts nothing from here), forecasts from
//! many starts, and any wall-clock arithmetic but for stamps.

mod channel;
mod early;
pub(in crate::engine) mod emit;
mod gas;
mod lessons;
mod membrane;
mod meter;
mod resin;
mod run;
pub mod solids;
mod starts;
mod told;
mod upkeep;
mod values;
mod vessels;
mod water;

use self::channel::Channel;
use self::emit::Emitter;
use self::gas::GasLook;
use self::lessons::Lessons;
use self::membrane::Membrane;
use self::resin::Resin;
use self::run::Run;
use self::told::Told;
use self::upkeep::Upkeep;
use self::vessels::Outlets;
use self::water::{Flow, Water};
use super::catalogue::{AlarmId, Of, SignalId};
use super::event::{Found, ServiceEntry, Started};
use super::output::{AlarmKey, LogEntry, ValueKey, ValueUpdate};
use super::phase::Phase;
use super::process::learned::Learned;
use super::setup::{PartIx, SensorIx, Setup};
use super::time::{Mono, Now, Span, Wall};
use super::value::NoReading;
use crate::settings::schema::{PartKind, Point};
use crate::units::{Litres, LitresPerMinute, Quantity};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// How things stand when the trend path is told something.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Standing {
    /// What the plant is doing.
    pub phase: Phase,
    /// Water flows through the membrane, by the best evidence there is.
    pub flowing: bool,
    /// What the supply valve is known to be.
    pub valve_open: Option<bool>,
    /// Product goes to the drain (divert, test run).
    pub to_drain: bool,
}

/// A reading for the trend path, in the canonical unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// The number.
    pub value: f64,
    /// The sensor's own time stamp, if it sends one and the clock is sane.
    pub stamp: Option<Wall>,
    /// The broker's stored copy.
    pub retained: bool,
}

/// A condition that the trend path has found, or found gone. Only told alarms come from here.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Which alarm.
    pub key: AlarmKey,
    /// Whether its cause is present.
    pub active: bool,
    /// The value that shows it.
    pub value: Option<f64>,
    /// The limit it passed.
    pub limit: Option<f64>,
    /// What is wrong, with its numbers.
    pub text: String,
}

/// What the trend path answers with; the engine passes it on in order.
#[derive(Clone, Debug, Default)]
pub struct Results {
    /// Values of the tree.
    pub values: Vec<ValueUpdate>,
    /// Start records and the like.
    pub logs: Vec<LogEntry>,
    /// Told alarms.
    pub findings: Vec<Finding>,
    /// The product probe cannot be believed any more: the guard stops the plant.
    pub contradicted: Option<String>,
}

/// A handheld reading this many combined uncertainties away corrects its probe (judgement: chance
/// does that once in twenty; calibration is asked for from 3 on, DEFAULTS).
const CORRECTED_FROM: f64 = 2.0;

/// Standard uncertainty of a handheld of which nobody said any, in canonical units: a display of whole ppm (2 µS/cm)
/// and 2 % of its reading, for solids (judgement).
fn handheld_u(quantity: Quantity, value: f64) -> f64 {
    let step = match quantity {
        Quantity::Tds => 0.29,
        Quantity::Conductivity => 0.58,
        _ => return 0.0,
    };
    (0.02 * value).hypot(step)
}
/// Totals leave at most this often.
const TOTALS_EVERY: Span = Span::from_secs(5);
/// What is left of the resin leaves at most this often, beside what an entry or a start changes: of a
/// charge of months a minute uses nothing that could be told.
const RESIN_EVERY: Span = Span::from_secs(60);
/// Deadlines between messages while water flows: the declared flow goes on without a word.
const FLOWING_EVERY: Span = Span::from_secs(30);

/// The running trend path of one plant.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct Trend {
    channels: Vec<Channel>,
    /// Ids of the parts, to find their values again after the settings changed.
    parts: Vec<String>,
    emitter: Emitter,
    told: Told,
    water: Water,
    standing: Standing,
    /// State of a divert valve before the resin, by its own word: true is to the resin.
    divert_open: Option<bool>,
    run: Option<Run>,
    /// First run of all.
    #[serde(default)]
    began: Option<Mono>,
    /// Flow stopped then; a short pause does not end a run.
    paused: Option<Mono>,
    /// Water stands since then, where that is known.
    idle_since: Option<Mono>,
    /// A run was under way when the daemon went away; it may still be, since this start.
    resumed: Option<Mono>,
    /// What the starts have taught about the membrane.
    #[serde(default)]
    learned: Learned,
    /// What many starts together teach.
    #[serde(default)]
    lessons: Lessons,
    /// Settled values of the last starts, in ppm.
    settled_values: VecDeque<f64>,
    /// Starts in a row that ended before the permeate had settled.
    unsettled: u32,
    totals_at: Option<Mono>,
    #[serde(default)]
    resin_at: Option<Mono>,
    membrane: Membrane,
    resin: Resin,
    outlets: Outlets,
    #[serde(default)]
    gas: GasLook,
    #[serde(default)]
    upkeep: Upkeep,
    /// When [`Trend::tick`] has something to do next.
    due: Option<Mono>,
}

impl Trend {
    /// The newest first water of the run under way: when it began, seconds since then, and the
    /// permeate (ppm) as it came, cleaned and not smoothed. Ends with the record of the start.
    pub(super) fn first_water(&self) -> Option<(Wall, f64, f64)> {
        self.run.as_ref()?.first_water()
    }

    /// The trend path of a plant that has never been seen.
    pub fn new(setup: &Setup) -> Self {
        Self {
            channels: setup.sensors.iter().map(|sensor| Channel::new(setup, sensor)).collect(),
            parts: setup.parts.iter().map(|part| part.id.clone()).collect(),
            emitter: Emitter::default(),
            told: Told::default(),
            water: Water::new(setup),
            standing: Standing {
                phase: Phase::Idle,
                flowing: false,
                valve_open: None,
                to_drain: false,
            },
            divert_open: None,
            run: None,
            began: None,
            paused: None,
            idle_since: None,
            resumed: None,
            learned: Learned::default(),
            lessons: Lessons::default(),
            settled_values: VecDeque::new(),
            unsettled: 0,
            totals_at: None,
            resin_at: None,
            membrane: Membrane::default(),
            resin: Resin::new(setup),
            outlets: Outlets::default(),
            gas: GasLook::default(),
            upkeep: Upkeep::default(),
            due: None,
        }
    }

    /// Takes a reading.
    pub fn reading(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        observation: Observation,
        standing: Standing,
        out: &mut Results,
    ) {
        self.observe(setup, now, standing, out);
        if sensor >= self.channels.len() || !observation.value.is_finite() {
            return;
        }
        if observation.retained {
            self.seed(setup, now, sensor, observation.value, out);
            return;
        }
        self.take(setup, now, sensor, observation, out);
        self.publish_reading(setup, now, sensor, out);
        self.after(setup, now, out);
    }

    /// A message that was no reading, or a sensor that says it is offline. Clears nothing.
    pub fn missing(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        why: NoReading,
        standing: Standing,
        out: &mut Results,
    ) {
        self.observe(setup, now, standing, out);
        if sensor >= self.channels.len() {
            return;
        }
        self.channels[sensor].missing(why, now.mono, self.standing.flowing);
        self.publish_reading(setup, now, sensor, out);
        self.after(setup, now, out);
    }

    /// Phase, flow or valve changed.
    pub fn standing(
        &mut self,
        setup: &Setup,
        now: Now,
        _was: Standing,
        is: Standing,
        out: &mut Results,
    ) {
        // The own memory is what counts: a change that came with a reading must not count twice.
        self.observe(setup, now, is, out);
        self.after(setup, now, out);
    }

    /// When [`Self::tick`] has something to do.
    pub fn timeout(&self) -> Option<Mono> {
        self.due
    }

    fn next_due(&self, setup: &Setup) -> Option<Mono> {
        let flowing = self.standing.flowing;
        let channels = self.channels.iter().zip(&setup.sensors).enumerate();
        let waits = channels.flat_map(|(sensor, (channel, probe))| {
            let stale = channel.stale_at(setup, probe, flowing).filter(|_| !channel.is_silent());
            let key = AlarmKey { alarm: AlarmId::SensorFault, of: Some(sensor as u16) };
            let trouble = channel.trouble_due(probe).filter(|_| !self.told.stands(key));
            [stale, trouble]
        });
        let paused = self.paused.map(|at| at + self.pause_max(setup));
        let totals = self.totals_at.filter(|_| flowing).map(|at| at + FLOWING_EVERY);
        let upkeep = self.upkeep.due(flowing);
        waits.chain([paused, totals, upkeep, self.emitter.next_beat()]).flatten().min()
    }

    /// Deadlines are due.
    pub fn tick(&mut self, setup: &Setup, now: Now, standing: Standing, out: &mut Results) {
        self.observe(setup, now, standing, out);
        for (sensor, probe) in setup.sensors.iter().enumerate() {
            let flowing = self.standing.flowing;
            let stale = self.channels[sensor]
                .stale_at(setup, probe, flowing)
                .is_some_and(|at| now.mono >= at);
            if stale && !self.channels[sensor].is_silent() {
                self.channels[sensor].fell_silent(now.mono, flowing);
                self.publish_reading(setup, now, sensor, out);
            }
        }
        self.after(setup, now, out);
        self.emitter.beat(now, &mut out.values);
        self.due = self.next_due(setup);
    }

    /// Something was done to the plant or measured by hand. Gives the answer for the person.
    ///
    /// # Errors
    /// A sentence that says why the entry was refused.
    pub fn service(
        &mut self,
        setup: &Setup,
        now: Now,
        entry: &ServiceEntry,
        out: &mut Results,
    ) -> std::result::Result<String, String> {
        self.water.advance(setup, now.mono);
        let answer = self.serve(setup, now, entry, out);
        if answer.is_ok() {
            self.gas.service(setup, entry);
            self.upkeep_service(setup, now, entry, out);
        }
        answer
    }

    fn serve(
        &mut self,
        setup: &Setup,
        now: Now,
        entry: &ServiceEntry,
        out: &mut Results,
    ) -> std::result::Result<String, String> {
        match entry {
            ServiceEntry::PartChanged { part, .. } => self.part_changed(setup, now, part, out),
            ServiceEntry::LagToLead { lead, fresh } => {
                self.resin_close(setup, now);
                let line = self.resin.swapped(setup, lead, fresh)?;
                self.lead_is_new(out);
                for part in setup.vessels() {
                    let key = AlarmKey { alarm: AlarmId::ResinLow, of: Some(part as u16) };
                    self.told.clear(key, "The vessels were changed.".to_owned(), out);
                }
                self.publish_resin(setup, now, out);
                Ok(format!("Swap recorded. {line}."))
            }
            ServiceEntry::TapAnalysis { alkalinity_mg_per_litre, ph, .. } => {
                self.resin_close(setup, now);
                self.resin.analysis(*alkalinity_mg_per_litre, *ph);
                self.publish_resin(setup, now, out);
                Ok("Analysis recorded; the resin's load is counted with it from now on.".to_owned())
            }
            ServiceEntry::Handheld { sensor, value, u } => {
                self.handheld(setup, now, sensor, *value, *u)
            }
            ServiceEntry::CarbonTest { chlorine_mg_per_litre } => {
                self.carbon_tested(setup, *chlorine_mg_per_litre, out)
            }
            ServiceEntry::ValveServiced { .. }
            | ServiceEntry::Checked { .. }
            | ServiceEntry::Note { .. } => Ok("Recorded.".to_owned()),
        }
    }

    fn part_changed(
        &mut self,
        setup: &Setup,
        now: Now,
        part: &str,
        out: &mut Results,
    ) -> std::result::Result<String, String> {
        let Some(ix) = setup.parts.iter().position(|known| known.id == part) else {
            let known: Vec<&str> = setup.parts.iter().map(|part| part.id.as_str()).collect();
            return Err(format!("there is no part {part}; the parts are {}", known.join(", ")));
        };
        if setup.parts[ix].kind.is_vessel() {
            self.resin_close(setup, now);
            let was_lead = self.resin.lead(setup) == Some(ix);
            let line = self.resin.changed(setup, part).unwrap_or_default();
            if was_lead {
                self.lead_is_new(out);
            }
            let key = AlarmKey { alarm: AlarmId::ResinLow, of: Some(ix as u16) };
            self.told.clear(key, "The resin was changed.".to_owned(), out);
            self.publish_resin(setup, now, out);
            return Ok(format!("Change recorded. {line}."));
        }
        if setup.parts[ix].kind == PartKind::Membrane {
            self.membrane.changed(self.water.run_secs);
            self.learned.changed();
            self.lessons.membrane_changed();
            self.settled_values.clear();
            for alarm in [AlarmId::RejectionLow, AlarmId::SaltPassageHigh, AlarmId::RecoveryOff] {
                let key = AlarmKey::plant(alarm);
                self.told.clear(key, "The membrane was changed.".to_owned(), out);
            }
            return Ok("Change recorded; baselines begin anew after 24 h of running.".to_owned());
        }
        Ok("Change recorded.".to_owned())
    }

    /// Compares a handheld reading with the probe beside it.
    fn handheld(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: &str,
        value: f64,
        u: f64,
    ) -> std::result::Result<String, String> {
        let Some(ix) = setup.sensors.iter().position(|known| known.id == sensor) else {
            return Err(format!("there is no sensor {sensor}"));
        };
        if !value.is_finite() || !u.is_finite() || u < 0.0 {
            return Err("the handheld value must be a number".to_owned());
        }
        let probe = &setup.sensors[ix];
        let (making, flowing) = (self.water.is_making(), self.standing.flowing);
        let shown = self.channels[ix].published(setup, probe, now.mono, making, flowing);
        let by_hand = probe.unit.to_canonical(value);
        let by_hand = match probe.quantity {
            // A handheld beside a ppm probe shows the probe's scale; published is the plant's.
            Quantity::Tds => by_hand * setup.ppm_factor / probe.ppm_factor,
            _ => by_hand,
        };
        if probe.point == Point::Product && probe.is_solids() {
            self.gas.handheld(ix, now.mono, by_hand);
        }
        let Ok(shown) = shown else {
            return Ok("Recorded; the probe shows nothing to compare it with now.".to_owned());
        };
        let apart = (shown.value - by_hand).abs();
        let u = match probe.unit.difference_to_canonical(u) {
            none if none <= 0.0 => handheld_u(probe.quantity, by_hand),
            own => own,
        };
        let together = shown.u.hypot(u).max(1e-9);
        let times = apart / together;
        // Calibrated since it was corrected? As it came from its maker it may share its gain with the
        // other probe of a ratio, where that cancels; what was needed against a drift must not stay.
        let before = self.channels[ix].correction();
        let plain = shown.value / before;
        let label = (plain - by_hand).abs() / (shown.u / before).hypot(u).max(1e-9);
        if before != 1.0 && label <= CORRECTED_FROM {
            if setup.sees_permeate(ix) || matches!(probe.point, Point::Feed | Point::Supply) {
                self.learned.rescaled();
            }
            self.channels[ix].calibrated();
            return Ok(format!(
                "Recorded. The probe itself shows {plain:.2}, the handheld {by_hand:.2}: they agree, so it has been calibrated, and its readings count once again, not {before:.3} times."
            ));
        }
        // Where the passage has drifted that way, less is needed: the reading is the second witness.
        let from = match self.drifts_towards(setup, ix, shown.value > by_hand) {
            true => CORRECTED_FROM / 2.0,
            false => CORRECTED_FROM,
        };
        let corrected = if times > from && probe.is_solids() && u > 0.0 {
            if setup.sees_permeate(ix) || matches!(probe.point, Point::Feed | Point::Supply) {
                self.learned.rescaled();
            }
            self.channels[ix].corrected(shown.value, by_hand, u)
        } else {
            None
        };
        Ok(if times > from {
            let more = match corrected {
                Some(factor) => format!(
                    " Until then its readings count {factor:.3} times for the calculations; limits go on looking at what it shows."
                ),
                None => String::new(),
            };
            format!(
                "Recorded. The probe shows {:.2}, the handheld {by_hand:.2}: they differ by {times:.1} combined uncertainties ({together:.2}); above {from:.0} a probe wants calibration. Clean and calibrate it, then measure by hand again.{more}",
                shown.value
            )
        } else {
            format!(
                "Recorded. The probe shows {:.2}, the handheld {by_hand:.2}: they agree.",
                shown.value
            )
        })
    }

    /// The process has died: values may have left that are not known here. Comes before anything else of a
    /// start, overdue deadlines included.
    pub fn died(&mut self, now: Now) {
        self.emitter.died(now);
    }

    /// The daemon has started: nothing is fresh, totals and accounts are kept, and what may have
    /// passed unseen is bounded.
    pub fn started(&mut self, setup: &Setup, now: Now, started: &Started, out: &mut Results) {
        self.refit(setup);
        // Plant time stands still while the daemon is away: what has passed of it, it saw.
        self.water.advance(setup, now.mono);
        // A standing that was told in the same breath is that of the new daemon, which has seen no
        // flow yet.
        let was_running = self.run.is_some() && self.paused.is_none_or(|paused| paused >= now.mono);
        for (channel, probe) in self.channels.iter_mut().zip(&setup.sensors) {
            channel.restarted(probe);
        }
        let restored = started.found == Found::Restored;
        if restored {
            self.close_restarted_run(setup, now, was_running, out);
            let (bound, known) = self.water.restarted(setup, started.away, was_running);
            self.resin.unseen(setup, bound);
            if bound > 0.0 || !known {
                out.logs.push(unseen_entry(now, bound, started.away));
            }
            self.resumed = was_running.then_some(now.mono);
        }
        // How long the water has stood is known only if the time away is.
        self.idle_since = match (self.idle_since, started.away) {
            (Some(since), Some(away)) if restored && !was_running => Some(since - away),
            _ => None,
        };
        self.membrane.restarted();
        self.outlets.restarted();
        self.gas.restarted(started.away);
        self.upkeep_started(started.away);
        self.emitter.repeat_all();
        for sensor in 0..setup.sensors.len() {
            self.publish_reading(setup, now, sensor, out);
        }
        self.publish_totals(setup, now, out);
        self.rest_membrane(setup, now, out);
        self.publish_resin(setup, now, out);
        self.publish_store(setup, now, out);
        self.due = self.next_due(setup);
    }

    fn close_restarted_run(
        &mut self,
        setup: &Setup,
        now: Now,
        was_running: bool,
        out: &mut Results,
    ) {
        if was_running || self.paused.is_some() {
            self.resin_close(setup, now);
        }
        match self.run.take_if(|run| !run.proven) {
            // Whether it was a drop or a start nobody saw: sooner one start too many.
            Some(_) if was_running => self.water.starts += 1,
            Some(_) => {}
            None => self.write_record(setup, now, out),
        }
        self.paused = None;
        if let Some(run) = self.run.take() {
            self.judge_run(setup, now, &run, out);
            self.upkeep_run_ended(setup, now, &run, out);
        }
    }

    /// Fits everything that is numbered to changed settings.
    fn refit(&mut self, setup: &Setup) {
        let sensors: Vec<String> = self.channels.iter().map(|channel| channel.id.clone()).collect();
        if !setup.sensors.iter().map(|sensor| &sensor.id).eq(&sensors) {
            self.gas.renumbered();
        }
        let parts = std::mem::take(&mut self.parts);
        self.parts = setup.parts.iter().map(|part| part.id.clone()).collect();
        let new_sensor = |old: usize| {
            let id = sensors.get(old)?;
            setup.sensors.iter().position(|sensor| sensor.id == *id)
        };
        let new_part = |old: usize| {
            let id = parts.get(old)?;
            setup.parts.iter().position(|part| part.id == *id)
        };
        let renumber = |of: Of, old: u16| -> Option<u16> {
            let new = match of {
                Of::Plant => return Some(old),
                Of::Sensor => new_sensor(usize::from(old)),
                Of::Part => new_part(usize::from(old)),
            };
            new.and_then(|new| u16::try_from(new).ok())
        };
        self.emitter.renumber(|signal, of| renumber(signal.row().of, of));
        self.told.renumber(|alarm, of| renumber(alarm.row().of, of));
        self.water.refit(setup, new_sensor);
        let mut old = std::mem::take(&mut self.channels);
        self.channels = setup
            .sensors
            .iter()
            .map(|sensor| match old.iter().position(|channel| channel.id == sensor.id) {
                Some(at) => old.swap_remove(at).refitted(setup, sensor),
                None => Channel::new(setup, sensor),
            })
            .collect();
        self.resin.refit(setup);
    }

    /// Permeate made in all, through resets of its meter.
    pub fn permeate_total(&self) -> Litres {
        Litres::new(self.water.total(Flow::Permeate))
    }

    /// Flow of tap water now; `None` when nothing tells it.
    pub fn supply_flow(&self, setup: &Setup, now: Mono) -> Option<LitresPerMinute> {
        LitresPerMinute::checked(self.water.flow(setup, now, Flow::Supply)?.value)
    }

    /// Flow of permeate now; `None` when nothing tells it.
    pub fn permeate_flow(&self, setup: &Setup, now: Mono) -> Option<LitresPerMinute> {
        LitresPerMinute::checked(self.water.flow(setup, now, Flow::Permeate)?.value)
    }
}

fn of_plant(signal: SignalId) -> ValueKey {
    ValueKey { signal, of: None }
}

fn of_sensor(signal: SignalId, sensor: SensorIx) -> ValueKey {
    ValueKey { signal, of: u16::try_from(sensor).ok() }
}

fn of_part(signal: SignalId, part: PartIx) -> ValueKey {
    ValueKey { signal, of: u16::try_from(part).ok() }
}

/// What may have passed while the daemon was away, for the record.
fn unseen_entry(now: Now, bound: f64, away: Option<Span>) -> LogEntry {
    let text = match away {
        Some(away) => format!(
            "While the daemon was away for {:.0} min at most {bound:.1} L may have passed unseen; totals keep to what was seen.",
            away.minutes()
        ),
        None => "The daemon was away for an unknown time, so litres that passed unseen cannot be bounded; totals keep to what was seen.".to_owned(),
    };
    LogEntry {
        at: now.wall,
        kind: "note".into(),
        text,
        data: serde_json::json!({
            "unseen-litres-max": away.is_some().then_some(bound),
            "away-secs": away.map(Span::secs),
        }),
        protective: false,
    }
}
