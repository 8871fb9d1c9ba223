//! The driver of one plant's engine: takes one event, lets the engine handle it, drains its outputs,
//! gives the guards their sign of life, waits.
//!
//! Invariants: commands go out first and wait for nothing; every event is a record; what the bus and
//! the page are told about a protective step waits until that step is on disk (two seconds at
//! most), so that nothing that was seen can be forgotten; a panic drops this plant's guard sockets
//! at once and touches no other plant.

use super::restore;
use crate::board::Board;
use crate::clock::PlantClock;
use crate::edge::history::{Body, Journal, Keep, PlantNo, Restore};
use crate::edge::mqtt::{DeviceState, PlantBus};
use crate::engine::Engine;
use crate::engine::catalogue::SignalId;
use crate::engine::event::{Event, Found, Started};
use crate::engine::output::Output;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Span};
use crate::intake::{Intake, Item, Lane, Taken};
use std::collections::VecDeque;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::mpsc;
use std::time::Duration;

/// The engine is looked after at least this often, so that the guards get their sign of life.
const WAIT_MAX: Duration = Duration::from_millis(500);
/// A snapshot after so many events, or so much time.
const SNAPSHOT_EVENTS: usize = 5_000;
const SNAPSHOT_EVERY: Span = Span::from_secs(600);
/// What is to be drawn goes to the page this often.
const DRAW_EVERY: Span = Span::from_secs(5);
/// What is told waits at most this long for the disk.
const HOLD_MAX: Span = Span::from_secs(2);
/// An engine that panics more often than this in an hour stays down.
const PANICS_MAX: usize = 4;

/// Something that only tests ask for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Hook {
    /// The engine's thread stops moving.
    Hang = 1,
    /// The engine panics.
    Panic = 2,
}

/// Test hooks; dead unless PERMEATED_TEST_HOOKS=1.
#[derive(Clone, Debug)]
pub(super) struct Hooks {
    armed: bool,
    hook: Arc<AtomicU8>,
}

impl Hooks {
    pub(super) fn from_environment() -> Self {
        let armed = std::env::var("PERMEATED_TEST_HOOKS").is_ok_and(|value| value == "1");
        Self { armed, hook: Arc::default() }
    }

    pub(super) fn set(&self, hook: Hook) {
        if self.armed {
            self.hook.store(hook as u8, Ordering::Relaxed);
        }
    }

    /// The first plant takes the hook.
    fn take(&self, plant: usize) -> u8 {
        if self.armed && plant == 0 { self.hook.swap(0, Ordering::Relaxed) } else { 0 }
    }
}

/// The driver of one plant's engine.
pub(super) struct Driver {
    pub(super) plant: usize,
    pub(super) number: PlantNo,
    pub(super) setup: Arc<Setup>,
    pub(super) intake: Intake,
    pub(super) journal: Journal,
    pub(super) board: Board,
    pub(super) bus: PlantBus,
    /// Told once when the engine has stopped: whether every close was acknowledged.
    pub(super) stopped: mpsc::Sender<bool>,
    pub(super) hooks: Hooks,
}

/// State of the driver beside the engine.
struct Running {
    clock: PlantClock,
    keep: Keep,
    /// Told outputs that wait for the disk.
    held: VecDeque<Output>,
    /// Number of the last protective step, and when it was taken.
    barrier: u64,
    barrier_at: Mono,
    on_disk: Arc<AtomicU64>,
    last_seq: u64,
    snapshot: String,
    snapshot_at: Mono,
    recent: Recent,
    /// What the board last got to be drawn, and when.
    drawn: u64,
    drawn_at: Mono,
    /// When the engine panicked in the last hour.
    panics: VecDeque<Mono>,
}

/// Events since the snapshot, to come back after a panic.
#[derive(Debug, Default)]
struct Recent {
    events: Vec<(Now, Event)>,
    /// The last one is with the engine, which has not finished it.
    in_hand: bool,
}

impl Recent {
    /// The engine is about to handle this.
    fn begin(&mut self, now: Now, event: Event) {
        self.events.push((now, event));
        self.in_hand = true;
    }

    /// The engine has handled it.
    fn done(&mut self) {
        self.in_hand = false;
    }

    /// A snapshot holds them all.
    fn clear(&mut self) {
        self.events.clear();
        self.in_hand = false;
    }

    /// What the engine survived: without the event that was in its hands, and only without that.
    fn survived(&mut self) -> &[(Now, Event)] {
        if std::mem::take(&mut self.in_hand) {
            self.events.pop();
        }
        &self.events
    }
}

impl Driver {
    pub(super) fn run(self, restore: Restore) {
        let (mut engine, started) = restore::engine(&self.setup, &restore);
        let mut running = Running {
            clock: super::clock_after(restore.last),
            keep: Keep::new(),
            held: VecDeque::new(),
            barrier: 0,
            barrier_at: Mono::ZERO,
            on_disk: Arc::default(),
            last_seq: 0,
            snapshot: restore::wrap(&engine),
            snapshot_at: engine.evaluated(),
            recent: Recent::default(),
            panics: VecDeque::new(),
            drawn: 0,
            drawn_at: Mono::ZERO,
        };
        self.board.change(self.plant, |board| board.plots = Arc::new(engine.plots().clone()));
        drop(restore);
        self.say_how_it_was_found(&started);
        self.board.change(self.plant, |board| board.running = true);
        self.bus.alive().beat();
        // After damage every start would find the state lost, until a snapshot is newer than it.
        let mut settle = started.found == Found::Lost;
        let mut next = Some(Event::Started(started));
        let mut is_ready = false;
        loop {
            let result = catch_unwind(AssertUnwindSafe(|| {
                self.turn(&mut engine, &mut running, next.take())
            }));
            match result {
                Ok(true) if is_ready => {}
                // The first turn has told everything there is to tell.
                Ok(true) => {
                    is_ready = true;
                    self.bus.state(DeviceState::Ready);
                    if std::mem::take(&mut settle) {
                        let body = restore::wrap(&engine);
                        self.journal.snapshot(self.number, running.last_seq, body);
                    }
                }
                Ok(false) => break,
                Err(_) => match self.after_panic(&mut running) {
                    Some(again) => {
                        is_ready = false;
                        engine = again;
                        next = Some(Event::Started(Started {
                            found: Found::Restored,
                            away: Some(Span::ZERO),
                            clean: false,
                        }));
                    }
                    // A broken engine leaves no snapshot; the records say how far it came.
                    None => {
                        self.tell_held(&mut running, true);
                        return;
                    }
                },
            }
        }
        self.tell_held(&mut running, true);
        self.journal.snapshot(self.number, running.last_seq, restore::wrap(&engine));
    }

    fn say_how_it_was_found(&self, started: &Started) {
        tracing::info!(
            plant = self.setup.plant,
            found = ?started.found,
            clean = started.clean,
            away_secs = started.away.map(Span::secs),
            "engine started"
        );
    }

    /// One event, or one deadline. False when no more will come.
    fn turn(&self, engine: &mut Engine, running: &mut Running, first: Option<Event>) -> bool {
        match self.hooks.take(self.plant) {
            1 => loop {
                std::thread::park_timeout(Duration::from_secs(3600));
            },
            2 => panic!("a test hook asked for this"),
            _ => {}
        }
        let event = match first {
            Some(event) => event,
            None => {
                let now = running.clock.now().mono;
                let wait = engine.poll_timeout().map_or(WAIT_MAX, |(due, _)| {
                    let millis = due.since(now).millis().max(0);
                    Duration::from_millis(u64::try_from(millis).unwrap_or(0)).min(WAIT_MAX)
                });
                match self.intake.take(wait) {
                    Taken::Item(Item { event, .. }) => event,
                    Taken::TimedOut => Event::Tick,
                    Taken::Closed => return false,
                }
            }
        };
        let now = running.clock.now();
        self.bus.taken(&event);
        if event != Event::Tick {
            running.last_seq = self.journal.append(self.number, now, Body::Event(event.clone()));
            running.recent.begin(now, event.clone());
        }
        engine.handle(now, event);
        while let Some(output) = engine.poll_output() {
            self.carry_out(running, now, output);
        }
        running.recent.done();
        self.tell_held(running, now.mono.since(running.barrier_at) >= HOLD_MAX);
        self.draw(engine, running, now.mono);
        self.bus.alive().beat();
        let due = running.recent.events.len() >= SNAPSHOT_EVENTS
            || now.mono.since(running.snapshot_at) >= SNAPSHOT_EVERY;
        if due && !running.recent.events.is_empty() {
            running.snapshot = restore::wrap(engine);
            running.snapshot_at = now.mono;
            running.recent.clear();
            self.journal.snapshot(self.number, running.last_seq, running.snapshot.clone());
        }
        true
    }

    /// The page gets what is to be drawn, now and then and only when all that was told is told.
    fn draw(&self, engine: &Engine, running: &mut Running, now: Mono) {
        let revision = engine.plots().revision();
        if revision == running.drawn
            || !running.held.is_empty()
            || now.since(running.drawn_at) < DRAW_EVERY
        {
            return;
        }
        (running.drawn, running.drawn_at) = (revision, now);
        let plots = Arc::new(engine.plots().clone());
        self.board.change(self.plant, |board| board.plots = plots);
    }

    fn carry_out(&self, running: &mut Running, now: Now, output: Output) {
        match &output {
            Output::Send(_) => self.bus.carry_out(&output, now.mono),
            Output::DropGuard { .. } => {
                self.bus.carry_out(&output, now.mono);
                return;
            }
            Output::Persist { token } => {
                let token = *token;
                let intake = self.intake.clone();
                self.journal.persist(move |result| {
                    if result.is_ok() {
                        let arrived = crate::clock::wall();
                        let event = Event::Persisted { token };
                        intake.put(Lane::Control, Item { event, arrived });
                    }
                });
                return;
            }
            Output::Stopped { closed } => {
                let _ = self.stopped.send(*closed);
                return;
            }
            Output::Log(_) | Output::Value(_) | Output::Alarm(_) | Output::Permit(_) => {}
        }
        if running.keep.wants(&output) {
            running.last_seq = self.journal.append(self.number, now, Body::Output(output.clone()));
        }
        if must_last(&output) {
            running.barrier += 1;
            running.barrier_at = now.mono;
            let barrier = running.barrier;
            let on_disk = Arc::clone(&running.on_disk);
            let intake = self.intake.clone();
            self.journal.persist(move |_| {
                // On a fault too: a full disk must not silence the bus.
                on_disk.fetch_max(barrier, Ordering::Release);
                intake.put(Lane::Control, Item { event: Event::Tick, arrived: None });
            });
        }
        if !matches!(output, Output::Send(_)) {
            running.held.push_back(output);
        }
        if running.on_disk.load(Ordering::Acquire) >= running.barrier {
            self.tell_held(running, true);
        }
    }

    /// Tells bus and page what waited for the disk.
    fn tell_held(&self, running: &mut Running, anyway: bool) {
        if !anyway && running.on_disk.load(Ordering::Acquire) < running.barrier {
            return;
        }
        let now = running.clock.now().mono;
        while let Some(output) = running.held.pop_front() {
            self.board.note(self.plant, &output);
            self.bus.carry_out(&output, now);
        }
    }

    /// A panic: the guards' sockets drop, so that their wills close. The engine comes back from its
    /// snapshot and the events after it, without the one that it did not survive.
    fn after_panic(&self, running: &mut Running) -> Option<Engine> {
        self.bus.alive().poison();
        self.bus.state(DeviceState::Lost);
        self.board.change(self.plant, |board| board.running = false);
        let now = running.clock.now().mono;
        running.panics.push_back(now);
        while running.panics.front().is_some_and(|at| now.since(*at) > Span::from_secs(3600)) {
            running.panics.pop_front();
        }
        tracing::error!(
            plant = self.setup.plant,
            "the engine has panicked; its guards are dropped"
        );
        if running.panics.len() > PANICS_MAX {
            tracing::error!(
                plant = self.setup.plant,
                "the engine panics again and again; it stays down"
            );
            return None;
        }
        let events = running.recent.survived().to_vec();
        let snapshot = running.snapshot.clone();
        let rebuilt = catch_unwind(AssertUnwindSafe(|| {
            let mut engine = restore::from_wrapped(&self.setup, &snapshot)?;
            for (now, event) in events {
                engine.handle(now, event);
                while engine.poll_output().is_some() {}
            }
            Some(engine)
        }));
        let engine = rebuilt.ok().flatten()?;
        self.bus.alive().revive();
        self.board.change(self.plant, |board| board.running = true);
        Some(engine)
    }
}

/// What must not have been seen and then be forgotten by a kill: protective steps, and the count of
/// starts, the one total that does not creep but jumps.
fn must_last(output: &Output) -> bool {
    match output {
        Output::Log(entry) => entry.protective,
        Output::Value(update) => update.key.signal == SignalId::Starts && update.store,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(millis: i64) -> Now {
        Now { mono: Mono::from_millis(millis), wall: None }
    }

    #[test]
    fn a_panic_between_two_events_loses_neither() {
        let mut recent = Recent::default();
        recent.begin(at(1), Event::BrokerReady);
        recent.done();
        assert_eq!(recent.survived(), [(at(1), Event::BrokerReady)]);
    }

    #[test]
    fn the_event_that_the_engine_did_not_survive_is_left_out_once() {
        let mut recent = Recent::default();
        recent.begin(at(1), Event::BrokerReady);
        recent.done();
        recent.begin(at(2), Event::Echo);
        assert_eq!(recent.survived(), [(at(1), Event::BrokerReady)]);
        assert_eq!(recent.survived(), [(at(1), Event::BrokerReady)], "a second look takes nothing");
    }
}
