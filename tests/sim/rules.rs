//! What must always hold. Each rule has a name; a breach is kept with the plant time.

use permeated::engine::catalogue::{ALARMS, AlarmId, Consequence, SignalId};
use permeated::engine::output::{Action, AlarmKey, Datum, Output, Permit, ValueKey, ValueUpdate};
use permeated::engine::time::{Mono, Span, Wall};
use permeated::engine::value::Reason;
use std::collections::{BTreeMap, BTreeSet, VecDeque};

pub const OPEN_WITHOUT_PERMIT: &str = "an open is sent only with a permit";
pub const OPEN_WITHOUT_GUARD: &str = "an open is sent only over a guard connection that is up";
pub const OPEN_WITHOUT_RECORD: &str = "an open is sent only after its record is durable";
pub const TRIP_WITHOUT_CAUSE: &str = "no trip without its cause in the record";
pub const TRIP_CLEARED: &str = "a trip never clears itself";
pub const TOTAL_FELL: &str = "totals never fall";
pub const STAMP_FELL: &str = "stamps of a value strictly rise";
pub const NOT_FINITE: &str = "no number that is not finite leaves";
pub const LEAK_SLOW: &str = "a wet floor withholds at once";
pub const BAD_WATER: &str = "bad water that a working probe sees is stopped";
pub const BAD_LONG: &str = "bad water does not run into the store for longer than its bound";
pub const BAD_DOSE: &str = "no more than a few limits of dose reach the store";
pub const UNWATCHED: &str = "no water runs unwatched";
pub const PERMIT_SILENT: &str = "the permit is renewed in time";
pub const STATE_DISAGREES: &str = "commands and state agree in the end";
pub const REPLAY_DIFFERS: &str = "live equals replay";
pub const FORGOTTEN: &str = "a trip survives a crash";
pub const SILENT_IS_FRESH: &str = "a silent probe gives no fresh value";
pub const RESET_EARLY: &str = "a reset is accepted only when its cause is gone";
pub const STORED_GRANTS: &str = "a stored copy never grants the permit";
pub const OFF_TIME: &str = "the minimum off-time lies between a close and the next open";
pub const SILENCE_CLEARED: &str = "a silence ends by a word of its probe alone";
pub const TOTAL_ABOVE: &str = "no total counts water that never flowed";

/// What `plant_toml` sets as the minimum off-time.
pub const OFF_MIN: Span = Span::from_secs(120);

/// Longer than anything that is lost with the process: what came of a deadline has no record, and while the
/// broker is away minutes pass without one.
const LOST_MAX: Span = Span::from_secs(900);

#[derive(Debug, Default)]
pub struct Rules {
    broken: BTreeMap<&'static str, String>,
    trips: BTreeSet<AlarmId>,
    /// Resets that were answered with yes and have not cleared their alarm yet.
    resets: BTreeSet<String>,
    /// A test run has passed since the last product trip.
    test_passed: bool,
    /// We opened last; else when we closed after that.
    opened: bool,
    closed_at: Option<Mono>,
    causes: BTreeSet<String>,
    totals: BTreeMap<ValueKey, f64>,
    stamps: BTreeMap<ValueKey, Wall>,
    /// The latest stamp ever told, lost or not.
    latest: BTreeMap<ValueKey, Wall>,
    /// What `stamps` held before, of all that may still be lost.
    lately: VecDeque<(Mono, ValueKey, Option<Wall>)>,
    readings: BTreeMap<u16, bool>,
    /// Holds of a silent product probe, and when they came; and when such a probe last said something.
    silences: BTreeMap<AlarmId, Mono>,
    product_said: Option<Mono>,
    permit: Option<(Mono, Permit)>,
}

impl Rules {
    pub fn broken(&self) -> Vec<String> {
        self.broken.iter().map(|(rule, text)| format!("{rule}: {text}")).collect()
    }

    pub fn breach(&mut self, rule: &'static str, now: Mono, text: String) {
        self.broken
            .entry(rule)
            .or_insert_with(|| format!("at {:.1} s: {text}", now.millis() as f64 / 1000.0));
    }

    /// A person's reset has been answered with yes. `gone`: whether its cause may be gone, by what
    /// the sensors said.
    pub fn reset_was_accepted(&mut self, now: Mono, alarm: &str, gone: bool) {
        self.resets.insert(alarm.to_owned());
        let tested = alarm != AlarmId::ProductTdsHigh.name() || self.test_passed;
        if !gone || !tested {
            self.breach(RESET_EARLY, now, alarm.to_owned());
        }
    }

    /// Litres of permeate as last told.
    pub fn permeate(&self) -> Option<f64> {
        let mut totals = self.totals.iter();
        totals.find(|(key, _)| key.signal == SignalId::PermeateLitres).map(|(_, litres)| *litres)
    }

    /// The guard connection is new, or the daemon: the valve counts as closed, by nobody's command.
    pub fn link_is_new(&mut self) {
        self.opened = false;
    }

    /// Looks at the pause between a close and an open. A test run may begin at once.
    fn pause(&mut self, now: Mono, send: &permeated::engine::output::Send, test_run: bool) {
        match send.action {
            Action::Close if self.opened => {
                self.opened = false;
                self.closed_at = Some(now);
            }
            Action::Open => {
                let early = self.closed_at.is_some_and(|at| now.since(at) < OFF_MIN);
                if early && !test_run && !self.opened {
                    self.breach(OFF_TIME, now, format!("closed at {:?}", self.closed_at));
                }
                self.opened = true;
            }
            Action::Close => {}
        }
    }

    pub fn is_permitted(&self) -> bool {
        self.permit.as_ref().is_some_and(|(_, permit)| permit.permitted)
    }

    /// Last published reading of a sensor exists.
    pub fn reads(&self, sensor: usize) -> bool {
        self.readings.get(&(sensor as u16)).copied().unwrap_or(false)
    }

    pub fn standing(&self) -> &BTreeSet<AlarmId> {
        &self.trips
    }

    /// A live message of a product probe is on its way to the engine.
    pub fn product_says(&mut self, now: Mono) {
        self.product_said = Some(now);
    }

    /// Looks at a hold of a silent product probe.
    fn silence(&mut self, now: Mono, alarm: AlarmId, stands: bool) {
        if stands {
            self.silences.entry(alarm).or_insert(now);
        } else if let Some(since) = self.silences.remove(&alarm)
            && self.product_said.is_none_or(|said| said < since)
        {
            let text = format!("{} since {since:?}, {:?}", alarm.name(), self.product_said);
            self.breach(SILENCE_CLEARED, now, text);
        }
    }

    /// The daemon is away: what was told before is not expected to be renewed.
    pub fn away(&mut self) {
        self.permit = None;
    }

    /// Looks at the time alone.
    pub fn time(&mut self, now: Mono, is_up: bool) {
        let Some((at, _)) = &self.permit else { return };
        if is_up && now.since(*at) > Span::from_secs(25) {
            let at = at.millis() as f64 / 1000.0;
            self.breach(PERMIT_SILENT, now, format!("last at {at:.1} s"));
        }
    }

    /// Looks at an output.
    pub fn output(
        &mut self,
        now: Mono,
        output: &Output,
        guard_up: bool,
        durable: bool,
        test_run: bool,
    ) {
        if let Output::Send(send) = output {
            self.pause(now, send, test_run);
        }
        match output {
            Output::Send(send) if send.action == Action::Open => {
                if !self.is_permitted() {
                    self.breach(OPEN_WITHOUT_PERMIT, now, format!("{send:?}"));
                }
                if !guard_up {
                    self.breach(OPEN_WITHOUT_GUARD, now, format!("{send:?}"));
                }
                if !durable {
                    self.breach(OPEN_WITHOUT_RECORD, now, format!("{send:?}"));
                }
            }
            Output::Log(entry) => {
                if entry.kind == "trip"
                    && let Some(cause) = entry.data.get("cause").and_then(|cause| cause.as_str())
                {
                    self.causes.insert(cause.to_owned());
                    self.test_passed &= cause != AlarmId::ProductTdsHigh.name();
                }
                self.test_passed |= entry.data["test-run"] == "passed";
            }
            Output::Alarm(update) => {
                let row = update.key.alarm.row();
                if matches!(row.id, AlarmId::ProductProbeStale | AlarmId::NotProven) {
                    self.silence(now, row.id, update.active || update.latched);
                }
                if row.consequence != Consequence::Trip {
                    return;
                }
                let stands = update.active || update.latched;
                if stands && self.trips.insert(row.id) && !self.causes.contains(row.name) {
                    self.breach(TRIP_WITHOUT_CAUSE, now, row.name.to_owned());
                }
                if !stands && self.trips.remove(&row.id) && !self.resets.remove(row.name) {
                    self.breach(TRIP_CLEARED, now, row.name.to_owned());
                }
            }
            Output::Permit(permit) => self.permit = Some((now, permit.clone())),
            Output::Value(update) => {
                if let Some(stamp) = update.stamp {
                    self.stamp(now, update, stamp);
                }
                if update.key.signal == SignalId::Reading
                    && let Some(of) = update.key.of
                {
                    self.readings.insert(of, update.datum.is_ok());
                }
                let Ok(Datum::Number(number)) = &update.datum else { return };
                if !number.is_finite() || update.u.is_some_and(|u| !u.is_finite()) {
                    self.breach(NOT_FINITE, now, format!("{update:?}"));
                }
                let is_total = matches!(
                    update.key.signal,
                    SignalId::PermeateLitres
                        | SignalId::ProductLitres
                        | SignalId::ConcentrateLitres
                        | SignalId::SupplyLitres
                        | SignalId::RunTime
                        | SignalId::Starts
                );
                if is_total {
                    let before = self.totals.insert(update.key, *number);
                    if before.is_some_and(|before| *number < before) {
                        self.breach(TOTAL_FELL, now, format!("{before:?} to {number}"));
                    }
                }
            }
            Output::Send(_)
            | Output::Persist { .. }
            | Output::DropGuard { .. }
            | Output::Stopped { .. } => {}
        }
    }

    /// Looks at the stamp of a value. What died unwritten may be told again as it was; where the clock
    /// was set back and stamps are counted on, they never meet those that were lost.
    fn stamp(&mut self, now: Mono, update: &ValueUpdate, stamp: Wall) {
        let before = self.stamps.insert(update.key, stamp);
        let latest = self.latest.get(&update.key).copied();
        let counted = update.reasons.contains(&Reason::Clock);
        let bound = if counted { latest } else { before };
        if bound.is_some_and(|bound| stamp <= bound) {
            let text = format!("{:?}: {bound:?}, then {stamp:?}", update.key);
            self.breach(STAMP_FELL, now, text);
        }
        self.latest.insert(update.key, latest.map_or(stamp, |latest| latest.max(stamp)));
        self.lately.push_back((now, update.key, before));
        let lost = |(at, ..): &(Mono, ValueKey, Option<Wall>)| now.since(*at) <= LOST_MAX;
        while self.lately.front().is_some_and(|front| !lost(front)) {
            self.lately.pop_front();
        }
    }

    /// The daemon was killed, and of what came from `kept` on some died unwritten: totals and stamps.
    pub fn crashed(&mut self, kept: Mono) {
        self.totals.clear();
        self.silences.clear();
        while let Some((at, key, before)) = self.lately.pop_back() {
            if at < kept {
                break;
            }
            match before {
                Some(before) => self.stamps.insert(key, before),
                None => self.stamps.remove(&key),
            };
        }
        self.link_is_new();
        self.away();
    }
}

/// Trips that an engine says stand.
pub fn trips(alarms: &permeated::engine::alarm::Alarms) -> BTreeSet<AlarmId> {
    ALARMS
        .iter()
        .filter(|row| row.consequence == Consequence::Trip)
        .map(|row| row.id)
        .filter(|alarm| alarms.stands(AlarmKey { alarm: *alarm, of: None }))
        .collect()
}
