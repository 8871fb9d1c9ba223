//! The engine of one plant: pure, deterministic, without I/O and without a clock.
//!
//! Purpose: one mutation at a time ([`Engine::handle`]), then all outputs are drained
//! ([`Engine::poll_output`]), then the driver waits until [`Engine::poll_timeout`] or the next event.
//!
//! Invariants: the same events at the same times give the same outputs, so *live equals replay*; a
//! late driver gives the same states as a punctual one, because every deadline that is due fires,
//! in order, before the event is applied; missing data clears nothing; a trip never clears itself.
//!
//! Absent on purpose: `await`, threads, clocks, files, environment, randomness, and maps whose order
//! depends on chance.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod alarm;
pub mod catalogue;
pub mod causes;
pub mod condition;
pub mod event;
pub mod fit;
pub mod guard;
pub mod output;
pub mod phase;
pub mod plots;
pub mod process;
pub mod setup;
pub mod signal;
pub mod snapshot;
pub mod time;
pub mod trend;
pub mod value;
pub mod words;

use alarm::digest::Moment;
use alarm::{Alarms, Evidence};
use event::{Ask, Event};
use guard::{Context, Guard};
use output::{AlarmKey, Output, ValueUpdate};
use serde::{Deserialize, Serialize};
use setup::Setup;
use std::collections::VecDeque;
use std::sync::Arc;
use time::{Mono, Now, Span, Wall};
use trend::emit::Emitter;
use trend::{Observation, Results, Standing, Trend};

/// More deadlines than this in a row without an event are a bug of ours, not of the plant.
const DEADLINES_MAX: usize = 1_000_000;

/// Everything that survives a restart.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct State {
    guard: Guard,
    alarms: Alarms,
    trend: Trend,
    /// The gate of the guard's own values.
    emitter: Emitter,
    /// How the trend path was last told that things stand.
    standing: Standing,
    /// Time of the last evaluation.
    evaluated: Mono,
    /// How long the store lasts, as the trend path last said.
    #[serde(default)]
    hours_left: Option<f64>,
    /// By how much civil time is ahead of UTC, once somebody has said so.
    #[serde(default)]
    offset_secs: Option<i32>,
    /// Hours until morning at the last evaluation; `None` by day.
    #[serde(default)]
    until_morning: Option<f64>,
    /// The wall clock at the last event: what a deadline is stamped by, since the clock may have
    /// stepped before the driver takes the next event, and a replay knows only events.
    #[serde(default)]
    clock: Option<(Mono, Wall)>,
    /// What is kept to be drawn.
    #[serde(default)]
    plots: plots::Plots,
}

impl State {
    /// The first deadline after the last evaluation, and why; of equals the first that is named.
    fn due(&self, setup: &Setup) -> Option<(Mono, &'static str)> {
        let after = self.evaluated;
        let mut first: Option<(Mono, &'static str)> = None;
        let mut add = |at: Option<Mono>, why| {
            if let Some(at) = at.filter(|at| *at > after)
                && first.is_none_or(|(earliest, _)| at < earliest)
            {
                first = Some((at, why));
            }
        };
        self.guard.deadlines(setup, &mut add);
        add(self.alarms.deadline(after, self.until_morning), "an alarm's shelf, quiet or notice");
        add(self.trend.timeout(), "the trend path");
        add(self.emitter.next_beat(), "a value's heartbeat");
        if self.guard.accepted_gas().is_some() {
            self.trend.gas_deadlines(setup, &mut add);
        }
        first
    }
}

/// The engine of one plant.
#[derive(Clone, Debug)]
pub struct Engine {
    setup: Arc<Setup>,
    state: State,
    outputs: VecDeque<Output>,
    /// Longest time from spoiled product to the close command; from the setup alone.
    worst_delay: Option<Span>,
    /// What [`Engine::poll_timeout`] answers: from the state alone, and found anew with every
    /// evaluation, since nothing else changes it.
    due: Option<(Mono, &'static str)>,
    /// The alarm that came most often, how often, and how that is told: told at every event, and new
    /// when that alarm comes again.
    worst: Option<((AlarmKey, u32), String)>,
}

impl Engine {
    /// A new plant.
    pub fn new(setup: Arc<Setup>) -> Self {
        let guard = Guard::new(&setup);
        let state = State {
            standing: standing(&guard, &setup),
            guard,
            alarms: Alarms::default(),
            trend: Trend::new(&setup),
            emitter: Emitter::default(),
            evaluated: Mono::ZERO,
            hours_left: None,
            offset_secs: None,
            until_morning: None,
            clock: None,
            plots: plots::Plots::default(),
        };
        Self::from_state(setup, state)
    }

    fn from_state(setup: Arc<Setup>, state: State) -> Self {
        let worst_delay = causes::product_delay(&setup);
        let due = state.due(&setup);
        Self { setup, state, outputs: VecDeque::new(), worst_delay, due, worst: None }
    }

    /// What it was built from.
    pub fn setup(&self) -> &Arc<Setup> {
        &self.setup
    }

    /// The guard, to look at.
    pub fn guard(&self) -> &Guard {
        &self.state.guard
    }

    /// The alarms, to look at.
    pub fn alarms(&self) -> &Alarms {
        &self.state.alarms
    }

    /// What is kept to be drawn, to look at.
    pub fn plots(&self) -> &plots::Plots {
        &self.state.plots
    }

    /// Time of the last evaluation; `handle` counts an earlier one as this.
    pub fn evaluated(&self) -> Mono {
        self.state.evaluated
    }

    /// Fires every deadline up to `now`, in order and each at its own time, then applies the event. A start
    /// tells every known alarm and value again, as they are once what was due before it has fired: a trip
    /// that was told and then lost with the process must not be told to be gone before it comes again.
    ///
    /// # Panics
    /// When a deadline does not move although it has fired: a bug of ours. The driver then drops the
    /// guard sockets, so that the wills close.
    pub fn handle(&mut self, now: Now, event: Event) {
        let now = Now { mono: now.mono.max(self.state.evaluated), wall: now.wall };
        if matches!(event, Event::Started(_)) {
            self.state.emitter.died(now);
            self.state.trend.died(now);
        }
        let mut fired = 0;
        while let Some((due, _)) = self.poll_timeout().filter(|(due, _)| *due <= now.mono) {
            fired += 1;
            assert!(fired < DEADLINES_MAX, "a deadline does not move");
            let wall = self.state.clock.map(|(mono, wall)| wall + due.since(mono));
            self.evaluate(Now { mono: due, wall }, None);
        }
        // A tick only lets deadlines fire: an evaluation at a time of the driver's choosing would
        // make a late driver differ from a punctual one.
        if event != Event::Tick {
            self.state.clock = now.wall.map(|wall| (now.mono, wall));
            self.evaluate(now, Some(&event));
        }
    }

    /// The next output, in order.
    pub fn poll_output(&mut self) -> Option<Output> {
        self.outputs.pop_front()
    }

    /// When the engine wants to be woken, and why.
    pub fn poll_timeout(&self) -> Option<(Mono, &'static str)> {
        self.due
    }

    /// Applies an event and looks at everything anew: the guard first and whole, then the trend path.
    fn evaluate(&mut self, now: Now, event: Option<&Event>) {
        if let Some(Event::Calendar(calendar)) = event {
            self.state.offset_secs = Some(calendar.offset_secs);
        }
        let until_morning = {
            let limits = &self.setup.limits.household;
            alarm::household::until_morning(now.wall, self.state.offset_secs, limits)
        };
        let has_quiet_hours = self.setup.limits.household.has_quiet_hours();
        let was_until_morning = self.state.until_morning;
        let State { guard, alarms, trend, emitter, standing: told, hours_left, .. } =
            &mut self.state;
        let setup: &Setup = &self.setup;
        let mut out = Vec::new();
        alarms.tick(now.mono);
        let mut cx = Context { setup, now, alarms, out: &mut out };
        let mut taken = true;
        match event {
            Some(Event::Command(command)) => {
                taken = guard.command(&mut cx, command, || trend.gas_plateau(setup, now.mono));
            }
            Some(other) => guard.event(&mut cx, other),
            None => {}
        }
        guard.evaluate(&mut cx);

        let mut results = Results::default();
        let is = standing(guard, setup);
        if is != *told {
            trend.standing(setup, now, *told, is, &mut results);
            *told = is;
        }
        match event {
            Some(Event::Reading(reading)) => {
                let observation = Observation {
                    value: reading.value,
                    stamp: reading.stamp,
                    retained: reading.retained,
                };
                trend.reading(setup, now, reading.sensor, observation, is, &mut results);
            }
            Some(Event::NoReading { sensor, reason }) => {
                trend.missing(setup, now, *sensor, *reason, is, &mut results);
            }
            Some(Event::Calendar(calendar)) => {
                trend.calendar(setup, now, calendar, &mut results);
            }
            Some(Event::Started(started)) => trend.started(setup, now, started, &mut results),
            Some(Event::Command(command)) => {
                if let (true, Ask::Service(entry)) = (taken, &command.what) {
                    let answer = trend.service(setup, now, entry, &mut results);
                    cx.log(
                        "service",
                        true,
                        "A service entry was made.".to_owned(),
                        serde_json::to_value(entry).unwrap_or_default(),
                    );
                    guard.answer(&mut cx, &command.id, answer);
                }
            }
            _ => {}
        }
        if trend.timeout().is_some_and(|due| due <= now.mono) {
            trend.tick(setup, now, is, &mut results);
        }
        // What a person accepted stands only as long as the readings support it.
        if guard.accepted_gas().is_some()
            && let Err(why) = trend.gas_still(setup, now.mono)
        {
            guard.drop_gas(&mut cx, &why);
            guard.evaluate(&mut cx);
        }
        if let Some(text) = results.contradicted.take() {
            guard.contradicted(&mut cx, text);
            guard.evaluate(&mut cx);
        }
        for finding in results.findings {
            cx.alarms.set(now, finding.key, Some(finding.active), || Evidence {
                value: finding.value,
                limit: finding.limit,
                text: finding.text,
            });
        }
        for update in &results.values {
            if update.key.signal == catalogue::SignalId::StoreHoursLeft {
                *hours_left = match &update.datum {
                    Ok(output::Datum::Number(hours)) => Some(*hours),
                    _ => None,
                };
            }
        }
        cx.alarms.relate(setup);
        cx.alarms.in_phase(guard.phase());
        for (key, notices, text) in cx.alarms.judge(now, *hours_left, until_morning) {
            let name = key.alarm.name();
            let data = serde_json::json!({ "alarm": name, "of": key.of, "notice": notices });
            cx.log("notice", false, format!("Still so, and nobody has taken note: {text}"), data);
        }
        let moment = Moment::of(until_morning, was_until_morning, has_quiet_hours);
        let digest = cx.alarms.digest(now.mono, moment);
        if !digest.is_empty() {
            let (text, data) = told_together(&digest);
            cx.log("digest", false, text, data);
        }
        let mut values = Vec::new();
        alarm_values(cx.alarms, &mut self.worst, emitter, setup, now, &mut values);
        guard_values(guard, cx.alarms, self.worst_delay, emitter, setup, now, &mut values);
        let started = matches!(event, Some(Event::Started(_)));
        if started {
            emitter.repeat_all();
        }
        emitter.beat(now, &mut values);
        out.extend(self.state.alarms.changes(started).into_iter().map(Output::Alarm));
        out.extend(values.into_iter().chain(results.values).map(Output::Value));
        out.extend(results.logs.into_iter().map(Output::Log));
        for output in &out {
            self.state.plots.note(output);
        }
        if let (Some(Event::Reading(_)), Some(first_water)) =
            (event, self.state.trend.first_water())
        {
            self.state.plots.first_water(first_water);
        }
        self.state.evaluated = now.mono;
        self.state.until_morning = until_morning;
        self.due = self.state.due(&self.setup);
        self.outputs.extend(out);
    }
}

/// The digest in words and as data.
fn told_together(digest: &[(output::AlarmKey, String)]) -> (String, serde_json::Value) {
    let texts: Vec<&str> = digest.iter().map(|(_, text)| text.as_str()).collect();
    let things = if texts.len() == 1 { "one thing" } else { "some things" };
    let text = format!("For the coming days, {things}: {}", texts.join(" "));
    let alarms: Vec<_> = digest
        .iter()
        .map(|(key, text)| {
            serde_json::json!({ "alarm": key.alarm.name(), "of": key.of, "text": text })
        })
        .collect();
    (text, serde_json::json!({ "alarms": alarms }))
}

fn standing(guard: &Guard, setup: &Setup) -> Standing {
    Standing {
        phase: guard.phase(),
        flowing: guard.is_flowing(),
        valve_open: guard.supply_open(setup),
        to_drain: guard.is_test_run(),
    }
}

/// How busy the alarms are, as values of the tree.
fn alarm_values(
    alarms: &mut Alarms,
    worst: &mut Option<((AlarmKey, u32), String)>,
    emitter: &mut Emitter,
    setup: &Setup,
    now: Now,
    out: &mut Vec<ValueUpdate>,
) {
    use catalogue::SignalId;
    use output::ValueKey;
    let key = |signal| ValueKey { signal, of: None };
    let performance = alarms.performance(now);
    for (signal, count) in [
        (SignalId::AlarmsDay, performance.day),
        (SignalId::AlarmsMonth, performance.month),
        (SignalId::AlarmsStanding, performance.standing),
        (SignalId::AlarmsStale, performance.stale),
        (SignalId::AlarmsChattering, performance.chattering),
        (SignalId::AlarmsFleeting, performance.fleeting),
    ] {
        let count = value::Valued::measured(f64::from(count), 0.0, now.mono);
        emitter.number(setup, now, key(signal), Ok(count), out);
    }
    let told =
        |(alarm, count): (AlarmKey, u32)| format!("{}, {count} times", setup.alarm_id(alarm));
    if worst.as_ref().map(|(of, _)| *of) != performance.worst {
        *worst = performance.worst.map(|found| (found, told(found)));
    }
    let text = worst.as_ref().map_or("none", |(_, text)| text);
    emitter.text(setup, now, key(SignalId::AlarmsWorst), text, out);
}

/// The guard's values of the tree.
fn guard_values(
    guard: &mut Guard,
    alarms: &Alarms,
    worst_delay: Option<Span>,
    emitter: &mut Emitter,
    setup: &Setup,
    now: Now,
    out: &mut Vec<ValueUpdate>,
) {
    use catalogue::{Consequence, SignalId};
    use output::{Datum, ValueKey};
    use std::borrow::Cow;
    use value::Valued;
    let key = |signal| ValueKey { signal, of: None };
    let phase = guard.phase();
    let valve = guard.supply_known(setup);
    let standing = |wanted: Consequence| {
        // The alarms that closed the plant, the first of them in front.
        let mut names: Vec<(bool, &str)> = alarms
            .standing(wanted)
            .map(|alarm| (!alarms.is_first_out(AlarmKey::plant(alarm)), alarm.name()))
            .collect();
        names.sort();
        let names: Vec<&str> = names.into_iter().map(|(_, name)| name).collect();
        if names.is_empty() { Cow::Borrowed("none") } else { Cow::Owned(names.join(", ")) }
    };
    let bypass = guard.bypass().map_or(Cow::Borrowed("none"), |(cause, until)| {
        let left = until.since(now.mono);
        Cow::Owned(format!("{} for {:.0} min", cause.name(), left.minutes().ceil()))
    });
    for (signal, datum) in [
        (SignalId::Phase, Datum::State { code: phase.code(), word: phase.word().into() }),
        (SignalId::SupplyValve, Datum::State { code: valve.code(), word: valve.word().into() }),
    ] {
        emitter.word(setup, now, key(signal), datum, out);
    }
    for (signal, text) in [
        (SignalId::TrippedBy, standing(Consequence::Trip)),
        (SignalId::HeldBy, standing(Consequence::Hold)),
        (SignalId::BypassUntil, bypass),
        (SignalId::GasAccepted, guard.gas_word(now.mono)),
    ] {
        emitter.text(setup, now, key(signal), &text, out);
    }
    let permitted = Datum::Flag(guard.is_permitted());
    emitter.word(setup, now, key(SignalId::Permitted), permitted, out);
    if let Some(dose) = guard.product_dose() {
        let dose = Valued::measured(dose, 0.0, now.mono);
        emitter.number(setup, now, key(SignalId::ProductDose), Ok(dose), out);
    }
    if let Some(left) = guard.proof_overdue_in(setup, now.mono) {
        let left = Valued::measured(left.days(), 0.0, now.mono);
        emitter.number(setup, now, key(SignalId::ProofOverdueIn), Ok(left), out);
    }
    if let Some(delay) = worst_delay {
        let delay = Valued::measured(delay.secs(), 0.0, now.mono);
        emitter.number(setup, now, key(SignalId::WorstDelay), Ok(delay), out);
    }
    if let Some(time) = guard.take_close_time(setup) {
        let time = Valued::measured(time.secs(), 0.0, now.mono);
        emitter.fact(setup, now, key(SignalId::CloseTime), Ok(time), out);
        emitter.rest(key(SignalId::CloseTime));
    }
}
