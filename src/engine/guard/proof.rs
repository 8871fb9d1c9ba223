//! Proofs: that what protects would work if it were needed.
//!
//! ```text
//!  never proven / proven ──interval over──> overdue (told) ──proof passed──> proven
//!        │ command, or on schedule                              ^
//!        └──> under way (no water) ──seen in time───────────────┘
//!                   │ not seen in time ──> failed (told until it passes)
//! ```
//!
//! * **valve**: after a close under flow the water stands still once the housings have decompressed.
//!   Every natural stop by the valve counts; when that does not happen in time a run is interrupted
//!   on schedule, where the daemon opens by itself.
//! * **will**: the guard connection is dropped without goodbye, and the broker's close must be seen
//!   on the valve's topic: an access rule can swallow a will in silence.
//! * **probe**: a product probe shows something other than zero, or a handheld beside it agrees.
//! * **leak**, **float**: a person makes it wet or lifts it, and it must be seen.
//!
//! Invariants: a proof never opens anything; no water is permitted while one is under way; a sensor
//! that is made wet for its proof does not trip, and does if it is still wet when its time is over.
//! Absent on purpose: a proof of a valve that nothing but its own relay's state can show; that is
//! no proof of water.

use super::flow::by_meters;
use super::valve::Known;
use super::{Context, Guard, opens_itself};
use crate::engine::alarm::Evidence;
use crate::engine::catalogue::AlarmId;
use crate::engine::output::{AlarmKey, Output};
use crate::engine::setup::{ActuatorIx, SensorIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::engine::words as sentence;
use crate::settings::schema::{Point, Role};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// The broker's will is to be seen within this time after the drop.
const WILL_WITHIN: Span = Span::from_secs(20);
/// A close of our own may come back from the broker for this long, and would pass for the will's.
const OWN_CLOSE: Span = Span::from_secs(5);
/// A run is interrupted for a proof no earlier than this after it began: settled, and not the
/// first water of a start.
const RUN_FIRST: Span = Span::from_secs(300);
/// After an attempt of its own the daemon waits this long.
const AGAIN: Span = Span::from_secs(86_400);
/// For the proof of a will it has so long before somebody is asked.
const OWN_TIME: Span = Span::from_secs(86_400);
/// A closed valve's pressure must fall below this share of what it was.
const PRESSURE_SHARE: f64 = 0.5;
/// And one that keeps this share of it for so long has not closed: a small home plant decompresses
/// through restrictor and permeate within a minute. Common practice, no source.
const PRESSURE_STAYS: f64 = 0.8;
const PRESSURE_WAITS: Span = Span::from_secs(60);
/// Less than this tells nothing, bar: the sender's zero and a hose that hangs high are as much.
const PRESSURE_LEAST: f64 = 1.0;
/// A product probe that shows this much, in ppm, is alive.
const SHOWN_PPM: f64 = 2.0;
/// And as much is asked of it in a guided proof: a cup of tap water.
const SHOWN_GUIDED_PPM: f64 = 10.0;
/// A handheld agrees within two steps or this share.
const HANDHELD_SHARE: f64 = 0.2;

/// What is proven.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Subject {
    Valve(ActuatorIx),
    Will(ActuatorIx),
    Probe(SensorIx),
    Leak(SensorIx),
    Float(SensorIx),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Proven {
    subject: Subject,
    at: Mono,
    /// From the order to what was seen.
    took: Span,
    /// When the journal last said so.
    #[serde(default)]
    written: Option<Mono>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Running {
    subject: Subject,
    since: Mono,
    until: Mono,
    /// It has been seen; a sensor may still be wet.
    passed: bool,
    /// Who asked; empty: the schedule.
    id: String,
}

/// A supply valve that was closed under flow.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Stop {
    actuator: ActuatorIx,
    at: Mono,
    /// Feed pressure then, where it is measured.
    bar: Option<f64>,
    /// Since when nothing flows.
    still: Option<Mono>,
    /// Start of the window in which nothing may pass, and the litres then.
    window: Option<(Mono, f64)>,
}

/// State of all proofs.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Proofs {
    /// What was never proven is counted from here.
    since: Option<Mono>,
    /// At most one for each subject.
    proven: Vec<Proven>,
    failed: Vec<Subject>,
    running: Option<Running>,
    stop: Option<Stop>,
    not_before: Option<Mono>,
    /// What the alarms of overdue and of failed proofs say.
    #[serde(default)]
    told: (Vec<Subject>, Vec<Subject>),
    /// When each proof becomes overdue, while `since` and `proven` stand: whoever changes one of the
    /// two forgets it.
    #[serde(skip)]
    dues: Dues,
}

/// Made from what was proven and the setup alone, so it is no state: it is equal to any other.
#[derive(Clone, Debug, Default)]
struct Dues(Option<Vec<(Subject, Mono)>>);

impl PartialEq for Dues {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Proofs {
    /// The daemon has started after being away for so long: intervals go on meanwhile.
    pub(super) fn started(&mut self, now: Mono, away: Option<Span>) {
        self.dues = Dues::default();
        let away = away.unwrap_or(Span::ZERO).max(Span::ZERO);
        self.since = Some(self.since.map_or(now, |since| since - away));
        for proven in &mut self.proven {
            proven.at = proven.at - away;
            proven.written = proven.written.map(|at| at - away);
        }
        self.running = None;
        self.stop = None;
    }

    /// This sensor is made wet, or lifted, for its proof.
    pub(super) fn tests(&self, sensor: SensorIx) -> bool {
        self.running.as_ref().is_some_and(|running| {
            matches!(running.subject, Subject::Leak(at) | Subject::Float(at) if at == sensor)
        })
    }

    /// A proof is under way that needs the water shut.
    pub(super) fn is_under_way(&self) -> bool {
        self.running.as_ref().is_some_and(|running| !matches!(running.subject, Subject::Will(_)))
    }

    fn is_running(&self, subject: Subject) -> bool {
        self.running.as_ref().is_some_and(|running| running.subject == subject && !running.passed)
    }

    fn last(&self, subject: Subject) -> Option<Mono> {
        let found = self.proven.iter().find(|proven| proven.subject == subject);
        found.map(|proven| proven.at).or(self.since)
    }
}

impl Guard {
    /// Everything on this plant that can be proven.
    fn subjects<'a>(&self, setup: &'a Setup) -> impl Iterator<Item = Subject> + use<'a> {
        let shows_water = self.meters.iter().any(Option::is_some)
            || setup.sensors_of(Point::Feed, Quantity::Pressure).next().is_some();
        let of_valve = move |valve| {
            let own = shows_water.then_some(Subject::Valve(valve));
            own.into_iter().chain([Subject::Will(valve)])
        };
        setup
            .actuators_of(Role::SupplyValve)
            .flat_map(of_valve)
            .chain(setup.solids_at(Point::Product).map(Subject::Probe))
            .chain(setup.sensors_of(Point::Room, Quantity::Leak).map(Subject::Leak))
            .chain(setup.sensors_of(Point::Store, Quantity::Full).map(Subject::Float))
    }

    /// How long a proof of it is good for; `None`: the user does not want to be reminded.
    fn good_for(setup: &Setup, subject: Subject) -> Option<Span> {
        let limits = &setup.limits.proof;
        let days = match subject {
            Subject::Valve(_) => limits.valve_days,
            Subject::Will(_) => limits.will_days,
            Subject::Probe(_) if setup.solids_at(Point::Product).count() == 1 => {
                limits.sole_probe_days
            }
            Subject::Probe(_) => limits.probe_days,
            Subject::Leak(_) => limits.leak_days,
            Subject::Float(_) => limits.float_days,
        };
        (days > 0.0).then(|| Span::from_secs_f64(days * 86_400.0))
    }

    fn proof_due(&self, setup: &Setup, subject: Subject) -> Option<Mono> {
        Some(self.proofs.last(subject)? + Self::good_for(setup, subject)?)
    }

    /// When each proof becomes overdue, in the order of [`Self::subjects`].
    fn proof_dues(&self, setup: &Setup) -> Cow<'_, [(Subject, Mono)]> {
        match &self.proofs.dues.0 {
            Some(dues) => Cow::Borrowed(dues),
            None => Cow::Owned(self.work_out_dues(setup)),
        }
    }

    fn work_out_dues(&self, setup: &Setup) -> Vec<(Subject, Mono)> {
        let due = |subject| Some((subject, self.proof_due(setup, subject)?));
        self.subjects(setup).filter_map(due).collect()
    }

    /// Time until the first proof becomes overdue; negative when one is.
    pub(in crate::engine) fn proof_overdue_in(&self, setup: &Setup, now: Mono) -> Option<Span> {
        let first = self.proof_dues(setup).iter().map(|(_, due)| *due).min();
        first.map(|at| at.since(now))
    }

    /// Begins a proof that a person asked for.
    pub(super) fn ask_proof(
        &mut self,
        cx: &mut Context<'_>,
        what: &str,
        id: &str,
    ) -> Result<String, String> {
        let subject = self.proof_named(cx.setup, what)?;
        if let Some(why) = self.proof_refusal(cx, subject) {
            return Err(why);
        }
        self.begin_proof(cx, subject, id);
        let minutes = cx.setup.limits.proof.guided_secs / 60.0;
        let name = words(cx.setup, subject);
        Ok(match subject {
            Subject::Valve(_) => format!(
                "{name}: closing while water runs; the answer comes when the housings have decompressed."
            ),
            Subject::Will(_) => {
                format!("{name}: the guard connection is dropped; its close must be seen.")
            }
            Subject::Probe(_) => {
                format!("{name}: hold the probe into tap water within {minutes:.0} min.")
            }
            Subject::Leak(_) => format!("{name}: wet the sensor within {minutes:.0} min."),
            Subject::Float(_) => format!("{name}: lift the float within {minutes:.0} min."),
        })
    }

    fn proof_named(&self, setup: &Setup, what: &str) -> Result<Subject, String> {
        let subjects: Vec<Subject> = self.subjects(setup).collect();
        let found = subjects.iter().copied().find(|subject| match subject {
            Subject::Valve(valve) => what == "valve" || what == setup.actuators[*valve].id,
            Subject::Will(valve) => {
                what == "will"
                    || what.strip_prefix("will-") == Some(setup.actuators[*valve].id.as_str())
            }
            Subject::Probe(sensor) => what == "probe" || what == setup.sensors[*sensor].id,
            Subject::Leak(sensor) => what == "leak" || what == setup.sensors[*sensor].id,
            Subject::Float(sensor) => what == "float" || what == setup.sensors[*sensor].id,
        });
        found.ok_or_else(|| {
            let names: Vec<String> =
                subjects.iter().map(|subject| words(setup, *subject)).collect();
            format!("'{what}' cannot be proven on this plant; there is: {}", names.join(", "))
        })
    }

    fn proof_refusal(&self, cx: &Context<'_>, subject: Subject) -> Option<String> {
        if self.proofs.running.is_some() {
            return Some("a proof is under way".to_owned());
        }
        if self.test_run.is_some() {
            return Some("a test run is under way".to_owned());
        }
        match subject {
            Subject::Valve(_) if !self.shows_flow(cx.setup, cx.now.mono) => {
                Some("a valve is proven while water runs: ask again then".to_owned())
            }
            Subject::Will(valve) if !self.valves[valve].is_connected() => {
                Some("the guard connection is not up".to_owned())
            }
            Subject::Will(_) if self.broker_lost_since.is_some() => {
                Some("the broker is not reachable".to_owned())
            }
            Subject::Will(valve)
                if self.valves[valve]
                    .closed_at()
                    .is_some_and(|at| cx.now.mono.since(at) < OWN_CLOSE) =>
            {
                Some("our own close was sent a moment ago: ask again".to_owned())
            }
            Subject::Will(_) if self.flow.is_flowing() => {
                Some("the will closes the valve: ask again when no water runs".to_owned())
            }
            _ => None,
        }
    }

    fn begin_proof(&mut self, cx: &mut Context<'_>, subject: Subject, id: &str) {
        let now = cx.now.mono;
        let secs = Span::from_secs_f64;
        let leak_by = &cx.setup.limits.leak_by;
        let time = match subject {
            // A minute for the close itself and the last message of the meter.
            Subject::Valve(_) => {
                secs(leak_by.wait_secs + leak_by.window_secs) + Span::from_secs(60)
            }
            Subject::Will(_) => WILL_WITHIN,
            _ => secs(cx.setup.limits.proof.guided_secs),
        };
        self.proofs.running = Some(Running {
            subject,
            since: now,
            until: now + time,
            passed: false,
            id: id.to_owned(),
        });
        if let Subject::Will(actuator) = subject {
            cx.out.push(Output::DropGuard { actuator });
        }
        let by = if id.is_empty() { "on schedule" } else { "on request" };
        let text = format!("Proof of {} begins, {by}.", words(cx.setup, subject));
        cx.log("proof", true, text, serde_json::json!({ "of": words(cx.setup, subject) }));
    }

    /// Water flows, by what a valve's proof rests on.
    fn shows_flow(&self, setup: &Setup, now: Mono) -> bool {
        match by_meters(setup, &self.meters, &self.probes, now, None) {
            Some(flows) => flows,
            None => {
                self.flow.is_running() && self.feed_bar(setup, now).is_some_and(|bar| bar > 1.0)
            }
        }
    }

    fn feed_bar(&self, setup: &Setup, now: Mono) -> Option<f64> {
        self.median_at(setup, now, Quantity::Pressure, &[Point::Feed])
    }

    /// Feed pressure when this valve was closed under flow, and when that was.
    pub(super) fn pressure_at_close(&self, actuator: ActuatorIx) -> Option<(Mono, f64)> {
        let stop = self.proofs.stop.as_ref().filter(|stop| stop.actuator == actuator)?;
        stop.bar.filter(|bar| *bar >= PRESSURE_LEAST).map(|bar| (stop.at, bar))
    }

    /// Where neither a state sensor nor a meter speaks of a valve, the feed pressure does: it falls when
    /// the valve has closed. One that stays up until the housings had time to decompress is an open one.
    pub(super) fn open_by_pressure(
        &self,
        setup: &Setup,
        actuator: ActuatorIx,
        now: Mono,
    ) -> Option<bool> {
        let config = &setup.actuators[actuator];
        if config.state_sensor.is_some() || self.meters.iter().any(Option::is_some) {
            return None;
        }
        let (closed, before) = self.pressure_at_close(actuator)?;
        let moved = closed + config.travel;
        let sensor = setup
            .sensors_of(Point::Feed, Quantity::Pressure)
            .find(|sensor| self.probes[*sensor].last().is_some_and(|(at, _)| at > moved))?;
        let (_, bar) = self.probes[sensor].last()?;
        if bar < PRESSURE_SHARE * before {
            Some(false)
        } else if bar >= PRESSURE_STAYS * before && now >= moved + PRESSURE_WAITS {
            Some(true)
        } else {
            None
        }
    }

    /// A supply valve is told to close, by us or by others.
    pub(super) fn proof_of_stop_begins(&mut self, setup: &Setup, actuator: ActuatorIx, now: Mono) {
        if self.shows_flow(setup, now) {
            let bar = self.feed_bar(setup, now);
            self.proofs.stop = Some(Stop { actuator, at: now, bar, still: None, window: None });
        }
    }

    /// The valve's topic said "close", and not by us.
    pub(super) fn proof_saw_close(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx) {
        let subject = Subject::Will(actuator);
        if self.proofs.is_running(subject) {
            let since = self.proofs.running.as_ref().map_or(cx.now.mono, |running| running.since);
            self.proven(cx, subject, cx.now.mono.since(since));
        }
    }

    /// A live reading: a probe that shows something, a floor sensor that is wet, a float that is up.
    pub(super) fn proof_reading(&mut self, cx: &mut Context<'_>, sensor: SensorIx, value: f64) {
        let setup = cx.setup;
        let facts = &setup.sensors[sensor];
        let subject = match (facts.quantity, facts.point) {
            (Quantity::Leak, Point::Room) => Subject::Leak(sensor),
            (Quantity::Full, Point::Store) => Subject::Float(sensor),
            (_, Point::Product) if facts.is_solids() => Subject::Probe(sensor),
            _ => return,
        };
        let guided = self.proofs.is_running(subject);
        let shown = if let Subject::Probe(_) = subject {
            let Some(median) = self.probes[sensor].median() else { return };
            let step = self.solids(setup, sensor, 2.0 * facts.step);
            let least = if guided { SHOWN_GUIDED_PPM } else { SHOWN_PPM };
            self.solids(setup, sensor, median) >= least.max(step)
        } else {
            value >= 0.5
        };
        let passed = self.proofs.tests(sensor)
            && self.proofs.running.as_ref().is_some_and(|running| running.passed);
        if shown && passed {
            // Wet or lifted still: its time was that of the first word.
        } else if shown {
            let now = cx.now.mono;
            let since = self.proofs.running.as_ref().filter(|_| guided).map(|run| run.since);
            self.proven(cx, subject, since.map_or(Span::ZERO, |since| now.since(since)));
        } else if passed {
            self.proofs.running = None;
        }
    }

    /// A handheld reading beside a product probe, in its canonical unit.
    pub(super) fn proof_handheld(&mut self, cx: &mut Context<'_>, sensor: SensorIx, value: f64) {
        let facts = &cx.setup.sensors[sensor];
        let most = self.probes[sensor].silence_standby(facts, &cx.setup.limits.guard);
        let Some(shown) = self.probes[sensor].fresh(cx.now.mono, most) else { return };
        let most = (2.0 * facts.step).max(HANDHELD_SHARE * shown.abs().max(value.abs()));
        if (shown - value).abs() <= most {
            self.proven(cx, Subject::Probe(sensor), Span::ZERO);
        }
    }

    fn proven(&mut self, cx: &mut Context<'_>, subject: Subject, took: Span) {
        let now = cx.now.mono;
        let asked = self.proofs.running.as_ref().is_some_and(|run| run.subject == subject);
        self.proofs.failed.retain(|failed| *failed != subject);
        self.proofs.dues = Dues::default();
        let known = self.proofs.proven.iter().position(|proven| proven.subject == subject);
        let written = known.and_then(|index| self.proofs.proven[index].written);
        // What proves itself with every run, or with every reading, is written once a day.
        let writes = asked || written.is_none_or(|at| now.since(at) >= AGAIN);
        let written = if writes { Some(now) } else { written };
        let proven = Proven { subject, at: now, took, written };
        match known {
            Some(index) => self.proofs.proven[index] = proven,
            None => self.proofs.proven.push(proven),
        }
        if asked && let Some(running) = &mut self.proofs.running {
            // Wet or lifted it must still get dry, before it may speak for itself again.
            if matches!(subject, Subject::Leak(_) | Subject::Float(_)) {
                running.passed = true;
            } else {
                self.proofs.running = None;
            }
        }
        if !writes {
            return;
        }
        let name = words(cx.setup, subject);
        let text = format!("Proven: {name}, {:.1} s.", took.secs());
        let data = serde_json::json!({ "of": name, "passed": true, "secs": took.secs() });
        cx.log("proof", true, text, data);
    }

    /// Looks at what is under way, and begins what is due.
    pub(super) fn prove(&mut self, cx: &mut Context<'_>) {
        if self.proofs.dues.0.is_none() {
            self.proofs.dues = Dues(Some(self.work_out_dues(cx.setup)));
        }
        self.watch_stop(cx);
        self.end_proof(cx);
        self.begin_due(cx);
        self.tell_proofs(cx);
    }

    fn watch_stop(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let Some(mut stop) = self.proofs.stop.take() else { return };
        let valve = &self.valves[stop.actuator];
        if valve.is_told_open() || matches!(valve.known(), Known::Open | Known::Opening) {
            return;
        }
        let limits = &setup.limits.leak_by;
        let settled = now.since(stop.at) >= Span::from_secs_f64(limits.wait_secs);
        let flows = by_meters(setup, &self.meters, &self.probes, now, Some(stop.at));
        let has_meter = self.meters.iter().any(Option::is_some);
        let bar = self.feed_bar(setup, now);
        let still = match (flows, stop.bar, bar) {
            (Some(flows), ..) => Some(!flows),
            (None, Some(before), Some(bar)) if !has_meter => Some(bar < PRESSURE_SHARE * before),
            _ => None,
        };
        match still {
            Some(true) => {
                stop.still.get_or_insert(now);
            }
            Some(false) => (stop.still, stop.window) = (None, None),
            None => {}
        }
        let Some(since) = stop.still.filter(|_| settled) else {
            self.proofs.stop = Some(stop);
            return;
        };
        let took = since.since(stop.at);
        let subject = Subject::Valve(stop.actuator);
        let Some((meter, litres, spoke)) = self.supply_litres(setup) else {
            // The pressure has fallen and stayed down until the housings had decompressed.
            self.proven(cx, subject, took);
            return;
        };
        let silence =
            self.probes[meter].silence_returning(&setup.sensors[meter], &setup.limits.guard);
        match stop.window {
            None => stop.window = Some((now, litres)),
            // A meter that has not spoken in the window, or has fallen silent since, proves nothing.
            Some((begun, first))
                if now.since(begun) >= Span::from_secs_f64(limits.window_secs)
                    && spoke > begun
                    && now.since(spoke) <= silence =>
            {
                if litres - first < limits.litres {
                    self.proven(cx, subject, took);
                }
                return;
            }
            Some(_) => {}
        }
        self.proofs.stop = Some(stop);
    }

    fn end_proof(&mut self, cx: &mut Context<'_>) {
        let Some(running) = self.proofs.running.take_if(|run| cx.now.mono >= run.until) else {
            return;
        };
        // Still wet when its time is over: from now on it speaks for itself.
        if let Subject::Leak(sensor) = running.subject
            && let Some((_, value)) = self.probes[sensor].last()
            && value >= 0.5
        {
            self.wet.insert(sensor, cx.now.mono);
            self.dry.remove(&sensor);
        }
        if running.passed {
            return;
        }
        let name = words(cx.setup, running.subject);
        if !self.proofs.failed.contains(&running.subject) {
            self.proofs.failed.push(running.subject);
        }
        let secs = running.until.since(running.since).secs();
        let text = format!("Not proven: {name}; nothing was seen within {secs:.0} s.");
        let data =
            serde_json::json!({ "of": name, "passed": false, "secs": secs, "id": running.id });
        cx.log("proof", true, text, data);
    }

    /// What the daemon proves by itself: the will while nothing runs; the valve in the middle of a
    /// run, where it may open again by itself.
    fn begin_due(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        if self.proofs.not_before.is_some_and(|at| now < at) {
            return;
        }
        let settled = self.run.as_ref().is_some_and(|run| now.since(run.since) >= RUN_FIRST);
        let due = self.proof_dues(setup).iter().copied().find(|(subject, due)| {
            let wanted = match subject {
                Subject::Valve(_) => opens_itself(setup.demand) && settled,
                Subject::Will(_) => self.stopping.is_none(),
                _ => false,
            };
            wanted && now >= *due && self.proof_refusal(cx, *subject).is_none()
        });
        if let Some((subject, _)) = due {
            self.proofs.not_before = Some(now + AGAIN);
            self.begin_proof(cx, subject, "");
        }
    }

    /// Their lists stand in one alarm each: it says at any time which proofs those are.
    fn tell_proofs(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let overdue: Vec<Subject> = (self.proof_dues(setup).iter())
            .filter(|(subject, due)| now >= told_from(*subject, *due))
            .map(|(subject, _)| *subject)
            .collect();
        let failed = self.proofs.failed.clone();
        let (told_overdue, told_failed) = std::mem::take(&mut self.proofs.told);
        tell_list(cx, AlarmId::ProofOverdue, "Due: the proof of", &told_overdue, &overdue);
        tell_list(cx, AlarmId::ProofFailed, "Not proven when it was tried:", &told_failed, &failed);
        self.proofs.told = (overdue, failed);
    }

    /// When something is due.
    pub(super) fn proof_deadlines(
        &self,
        setup: &Setup,
        add: &mut impl FnMut(Option<Mono>, &'static str),
    ) {
        add(self.proofs.running.as_ref().map(|running| running.until), "the end of a proof");
        add(self.proofs.not_before, "the next proof on schedule");
        if let Some(stop) = &self.proofs.stop {
            let limits = &setup.limits.leak_by;
            let wait = Span::from_secs_f64(limits.wait_secs);
            add(Some(stop.at + wait), "decompression after a stop");
            let window = Span::from_secs_f64(limits.window_secs);
            add(stop.window.map(|(since, _)| since + window), "a valve's proof");
        }
        if let Some(run) = &self.run {
            add(Some(run.since + RUN_FIRST), "a settled run");
        }
        for (subject, due) in self.proof_dues(setup).iter() {
            add(Some(*due), "a proof that is due");
            add(Some(told_from(*subject, *due)), "an overdue proof");
        }
    }
}

/// From when on somebody is asked for a proof that is due: the will the daemon proves by itself while nothing runs.
fn told_from(subject: Subject, due: Mono) -> Mono {
    if matches!(subject, Subject::Will(_)) { due + OWN_TIME } else { due }
}

/// Raises the alarm of a list, clears it, or says what is in it now. `told`: what it has said.
fn tell_list(
    cx: &mut Context<'_>,
    alarm: AlarmId,
    begin: &str,
    told: &[Subject],
    list: &[Subject],
) {
    let key = AlarmKey::plant(alarm);
    let setup = cx.setup;
    let evidence = || {
        let names: Vec<String> = list.iter().map(|subject| spoken(setup, *subject)).collect();
        Evidence { text: format!("{begin} {}.", names.join(", ")), ..Evidence::default() }
    };
    if told != list && cx.alarms.is_active(key) && !list.is_empty() {
        let is_more = list.iter().any(|subject| !told.contains(subject));
        cx.alarms.restate(key, is_more, evidence());
    } else {
        cx.alarms.set(cx.now, key, Some(!list.is_empty()), evidence);
    }
}

/// A subject in a sentence; [`words`] is its name in records.
fn spoken(setup: &Setup, subject: Subject) -> String {
    let (kind, id) = match subject {
        Subject::Valve(valve) => ("valve", &setup.actuators[valve].id),
        Subject::Will(valve) => return format!("the will of {}", setup.actuators[valve].id),
        Subject::Probe(sensor) => ("probe", &setup.sensors[sensor].id),
        Subject::Leak(sensor) => ("leak", &setup.sensors[sensor].id),
        Subject::Float(sensor) => ("float", &setup.sensors[sensor].id),
    };
    sentence::called(kind, id)
}

fn words(setup: &Setup, subject: Subject) -> String {
    match subject {
        Subject::Valve(valve) => format!("valve {}", setup.actuators[valve].id),
        Subject::Will(valve) => format!("will-{}", setup.actuators[valve].id),
        Subject::Probe(sensor) => format!("probe {}", setup.sensors[sensor].id),
        Subject::Leak(sensor) => format!("leak sensor {}", setup.sensors[sensor].id),
        Subject::Float(sensor) => format!("float {}", setup.sensors[sensor].id),
    }
}
