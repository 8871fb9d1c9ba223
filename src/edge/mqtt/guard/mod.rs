//! The guard connections: one for each closing topic, whose last will is the close command.
//!
//! ```text
//!            beat                CONNACK: GuardConnected
//!  waiting ───────> connecting ──────────────────────────> up ── goodbye ──> gone
//!     ^ ^               │ refused, timed out, no network    │
//!     │ └── back-off ───┘                                   │ link lost, no beat, panic:
//!     └──────────── socket dropped, GuardLost <─────────────┘ the broker fires the will
//! ```
//!
//! Invariants: a link lives for one connection and nothing is carried over but the wish to close.
//! An open exists only on the connection that the engine knew when it decided, is never retained,
//! never queued and dead when 2 s old. A close is wanted until the broker has acknowledged it.
//! DISCONNECT is sent only after that, or when the user has set `on_stop = leave`. The guards run on
//! a thread of their own, so that nothing else of the daemon delays them.

mod alive;
mod link;
mod task;

pub use alive::{Alive, SILENCE_MAX};
pub use link::LinkError;
pub(super) use task::{GuardSetup, run};

use crate::engine::output::Action;
use crate::engine::output::Send as Command;
use crate::engine::time::{Mono, Span};
use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::Notify;

/// A guard is back, and says close first, within this time of its broker's return: the longest pause
/// between two attempts, and a second for the connection.
pub const BACK_WITHIN: Duration = task::WAIT_MAX.saturating_add(Duration::from_secs(1));
/// An open that was decided this long ago is dropped.
pub const OPEN_AGE_MAX: Span = Span::from_secs(2);
/// Our own publish is expected back on the main connection within this time.
const ECHO_WINDOW: Duration = Duration::from_secs(5);
/// Most commands between engine and link while it is up. The engine repeats closes seconds apart, so
/// more than a few means that the link does not take them.
const QUEUE_MAX: usize = 8;
/// Most own publishes remembered for their echo.
const SENT_MAX: usize = 32;

/// Why an open was not sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotSent {
    /// There is no connection.
    NotConnected,
    /// There is one, but the engine decided before it knew of it.
    OtherConnection,
    /// It was decided too long ago.
    TooOld,
    /// The link takes nothing.
    Stuck,
    /// The daemon never opens this actuator, or is stopping.
    Never,
}

/// Counters for health and tests.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct GuardCounts {
    /// Connections made.
    pub connections: u64,
    /// Closes written.
    pub closes: u64,
    /// Opens written.
    pub opens: u64,
    /// Opens dropped.
    pub opens_dropped: u64,
    /// Connections dropped because the engine was silent or broken.
    pub dropped_silent: u64,
    /// Bytes of MQTT read, without TLS and TCP.
    pub bytes_in: u64,
    /// Bytes of MQTT written, without TLS and TCP.
    pub bytes_out: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Queued {
    Close,
    Open { until: Instant },
}

/// How the guard ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Ending {
    /// DISCONNECT if the close is acknowledged, else drop.
    IfClosed,
    /// DISCONNECT whatever the valve does: the user wants it so.
    Leave,
}

#[derive(Debug, Default)]
struct State {
    /// Number of the connection, counted from 1; also how many were announced.
    epoch: u64,
    up: bool,
    /// How many announcements the driver has taken from the intake.
    seen: u64,
    close_wanted: bool,
    close_acknowledged: bool,
    queue: VecDeque<Queued>,
    sent: VecDeque<(Instant, bool)>,
    ending: Option<Ending>,
    /// The link is to be dropped without goodbye, to see the broker fire the will.
    drop_asked: bool,
    said_goodbye: bool,
    counts: GuardCounts,
}

#[derive(Debug)]
struct Shared {
    name: String,
    opens: bool,
    alive: Alive,
    state: Mutex<State>,
    wake: Notify,
}

/// The engine's side of one guard connection. Clones share it.
#[derive(Clone, Debug)]
pub struct GuardHandle {
    shared: Arc<Shared>,
}

impl GuardHandle {
    pub(super) fn new(name: String, opens: bool, alive: Alive) -> Self {
        Self {
            shared: Arc::new(Shared {
                name,
                opens,
                alive,
                state: Mutex::default(),
                wake: Notify::new(),
            }),
        }
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.shared.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Takes a command of the engine. Never blocks. `now` is the time at which the engine made the
    /// output or later, on the clock of `command.decided`.
    ///
    /// # Errors
    /// Why an open will not be sent. A close is always taken.
    pub fn send(&self, command: &Command, now: Mono) -> Result<(), NotSent> {
        let mut state = self.state();
        let outcome = match command.action {
            Action::Close => {
                state.close_wanted = true;
                state.close_acknowledged = false;
                state.queue.retain(|queued| *queued == Queued::Close);
                if state.up && state.queue.is_empty() {
                    state.queue.push_back(Queued::Close);
                }
                Ok(())
            }
            Action::Open => self.take_open(&mut state, now.since(command.decided)),
        };
        drop(state);
        self.shared.wake.notify_one();
        outcome
    }

    fn take_open(&self, state: &mut State, age: Span) -> Result<(), NotSent> {
        let outcome = if !self.shared.opens || state.ending.is_some() {
            Err(NotSent::Never)
        } else if age >= OPEN_AGE_MAX {
            Err(NotSent::TooOld)
        } else if !state.up {
            Err(NotSent::NotConnected)
        } else if state.seen != state.epoch {
            Err(NotSent::OtherConnection)
        } else if state.queue.len() >= QUEUE_MAX {
            Err(NotSent::Stuck)
        } else {
            let left = OPEN_AGE_MAX - age;
            let left = Duration::from_millis(left.millis().clamp(0, OPEN_AGE_MAX.millis()) as u64);
            state.queue.push_back(Queued::Open { until: Instant::now() + left });
            Ok(())
        };
        if let Err(why) = outcome {
            state.counts.opens_dropped += 1;
            tracing::warn!(guard = %self.shared.name, ?why, "open dropped");
        }
        outcome
    }

    /// The driver has taken `Event::GuardConnected` of this guard from its intake: what the engine
    /// decides from now on is decided with this connection in mind.
    pub fn connection_seen(&self) {
        let mut state = self.state();
        state.seen += 1;
        debug_assert!(state.seen <= state.epoch, "seen before it was announced");
    }

    /// Somebody published on the topic. True when that is the echo of our own publish, which is then
    /// used up.
    pub fn take_echo(&self, open: bool) -> bool {
        let mut state = self.state();
        let now = Instant::now();
        state.sent.retain(|(at, _)| now.duration_since(*at) <= ECHO_WINDOW);
        match state.sent.iter().position(|(_, sent)| *sent == open) {
            Some(index) => {
                state.sent.remove(index);
                true
            }
            None => false,
        }
    }

    /// The main connection was away: no echo of what was sent before will come.
    pub fn forget_echoes(&self) {
        self.state().sent.clear();
    }

    /// Drops the link without DISCONNECT, so that the broker fires the will; a new one follows. Own
    /// publishes are forgotten: the next close on the topic is the broker's.
    pub fn drop_for_proof(&self) {
        let mut state = self.state();
        state.drop_asked = state.up;
        state.sent.clear();
        drop(state);
        self.shared.wake.notify_one();
    }

    /// The link is up.
    pub fn is_up(&self) -> bool {
        self.state().up
    }

    /// The last close has been acknowledged and no open followed.
    pub fn is_closed(&self) -> bool {
        self.state().close_acknowledged
    }

    /// Counters.
    pub fn counts(&self) -> GuardCounts {
        self.state().counts
    }

    /// Ends the guard: DISCONNECT if its close was acknowledged, else the socket is dropped and the
    /// broker closes the valve by the will. With `leave` it says goodbye whatever the valve does.
    /// Returns at once.
    pub fn end(&self, leave: bool) {
        self.state().ending = Some(if leave { Ending::Leave } else { Ending::IfClosed });
        self.shared.wake.notify_one();
    }

    /// The guard has ended, and said goodbye to the broker.
    pub fn said_goodbye(&self) -> bool {
        self.state().said_goodbye
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::time::Mono;

    fn command(action: Action, decided: i64) -> Command {
        Command { actuator: 0, action, decided: Mono::from_millis(decided), attempt: 0 }
    }

    fn handle() -> GuardHandle {
        GuardHandle::new("plant-valve".into(), true, Alive::new())
    }

    fn connected() -> GuardHandle {
        let handle = handle();
        handle.state().epoch = 1;
        handle.state().up = true;
        handle
    }

    #[test]
    fn an_open_without_a_connection_is_gone_for_good() {
        let handle = handle();
        let outcome = handle.send(&command(Action::Open, 0), Mono::ZERO);
        assert_eq!(outcome, Err(NotSent::NotConnected));
        assert!(handle.state().queue.is_empty());
        assert_eq!(handle.counts().opens_dropped, 1);
    }

    #[test]
    fn an_open_decided_before_the_engine_knew_the_connection_is_dropped() {
        let handle = connected();
        let outcome = handle.send(&command(Action::Open, 0), Mono::ZERO);
        assert_eq!(outcome, Err(NotSent::OtherConnection));
        handle.connection_seen();
        assert_eq!(handle.send(&command(Action::Open, 0), Mono::ZERO), Ok(()));
    }

    #[test]
    fn an_open_is_dead_at_two_seconds_and_not_before() {
        let handle = connected();
        handle.connection_seen();
        let at = |millis| handle.send(&command(Action::Open, 0), Mono::from_millis(millis));
        assert_eq!(at(1_999), Ok(()));
        assert_eq!(at(2_000), Err(NotSent::TooOld));
    }

    #[test]
    fn a_close_takes_back_every_open_that_waits() {
        let handle = connected();
        handle.connection_seen();
        handle.send(&command(Action::Open, 0), Mono::ZERO).expect("taken");
        handle.send(&command(Action::Close, 0), Mono::ZERO).expect("taken");
        assert_eq!(handle.state().queue, [Queued::Close]);
    }

    #[test]
    fn a_close_without_a_connection_stays_wanted() {
        let handle = handle();
        handle.send(&command(Action::Close, 0), Mono::ZERO).expect("taken");
        assert!(handle.state().close_wanted);
    }

    #[test]
    fn the_echo_of_our_own_publish_is_used_up_once() {
        let handle = connected();
        handle.state().sent.push_back((Instant::now(), true));
        assert!(!handle.take_echo(false), "a foreign close is not our open");
        assert!(handle.take_echo(true));
        assert!(!handle.take_echo(true), "the second open is somebody else's");
    }

    #[test]
    fn a_stopping_guard_opens_nothing() {
        let handle = connected();
        handle.connection_seen();
        handle.end(false);
        assert_eq!(handle.send(&command(Action::Open, 0), Mono::ZERO), Err(NotSent::Never));
    }
}
