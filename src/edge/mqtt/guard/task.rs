//! What one guard connection does between its first beat and its goodbye.

use super::link::{Identity, Link, LinkError};
use super::{Ending, GuardHandle, OPEN_AGE_MAX, QUEUE_MAX, Queued, SENT_MAX, SILENCE_MAX};
use crate::edge::mqtt::backoff::Backoff;
use crate::edge::mqtt::options::Dial;
use crate::engine::event::Event;
use crate::engine::setup::{ActuatorIx, ActuatorSetup};
use crate::engine::time::Wall;
use crate::intake::{Intake, Item, Lane};
use rumqttc::{LastWill, Packet, QoS};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::time::{MissedTickBehavior, interval, sleep};

/// How often the sign of life is looked at.
const LOOK: Duration = Duration::from_millis(100);
/// Longest wait between attempts. Shorter than the main connection's: a close may be waiting.
pub(super) const WAIT_MAX: Duration = Duration::from_secs(5);

/// The broker must have answered for an open within this time. TCP takes no byte back: if the open
/// is held up on its way it may still arrive, and the sooner this link is given up, the sooner the
/// broker ends it and a close follows.
const OPEN_PROVEN_IN: Duration = Duration::from_millis(OPEN_AGE_MAX.millis() as u64);

/// What a guard task needs to know.
pub(in crate::edge::mqtt) struct GuardSetup {
    /// First level of our topics: two daemons with trees of their own may have plants of one id.
    pub(in crate::edge::mqtt) root: String,
    /// Id of the plant.
    pub(in crate::edge::mqtt) plant: String,
    /// Index of the actuator.
    pub(in crate::edge::mqtt) actuator: ActuatorIx,
    /// Its facts.
    pub(in crate::edge::mqtt) facts: ActuatorSetup,
    /// Keep-alive.
    pub(in crate::edge::mqtt) keep_alive: Duration,
    /// How to reach the broker.
    pub(in crate::edge::mqtt) dial: Arc<Dial>,
    /// Where events go.
    pub(in crate::edge::mqtt) intake: Intake,
    /// The wall clock.
    pub(in crate::edge::mqtt) clock: Arc<dyn Fn() -> Option<Wall> + Send + Sync>,
}

impl GuardSetup {
    fn identity(&self) -> Identity {
        Identity {
            // A second daemon of the same plant in the same tree takes it over, on purpose.
            client_id: format!("{}-{}-{}", self.root, self.plant, self.facts.id),
            keep_alive: self.keep_alive,
            will: LastWill::new(
                &self.facts.topic,
                self.facts.close.clone(),
                QoS::AtLeastOnce,
                self.facts.retain_close,
            ),
        }
    }

    fn tell(&self, event: Event) {
        self.intake.put(Lane::Control, Item { event, arrived: (self.clock)() });
    }
}

/// How a connection ended.
enum End {
    /// The guard is to end, and the link is still there.
    Asked(Link),
    /// The engine is silent or broken.
    Silent,
    /// The link.
    Lost(LinkError),
}

/// Runs one guard until it is told to end.
pub(in crate::edge::mqtt) async fn run(setup: GuardSetup, handle: GuardHandle) {
    let identity = setup.identity();
    let mut backoff = Backoff::new(WAIT_MAX);
    let mut failing = false;
    let said_goodbye = loop {
        if handle.state().ending.is_some() {
            break false;
        }
        // Counted before the look: a panic in between ends the link that is about to be made.
        let panics = handle.shared.alive.panics();
        if !handle.shared.alive.is_fresh() {
            pause(&handle, LOOK).await;
            continue;
        }
        let link = match Link::open(&setup.dial, &identity).await {
            Ok(link) => link,
            Err(error) => {
                if !failing {
                    failing = true;
                    tracing::warn!(guard = %handle.shared.name, %error, "guard cannot connect");
                }
                pause(&handle, backoff.step()).await;
                continue;
            }
        };
        failing = false;
        let since = Instant::now();
        begin(&setup, &handle);
        let end = Session { setup: &setup, handle: &handle, will: &identity.will, panics, link }
            .run()
            .await;
        {
            let mut state = handle.state();
            state.up = false;
            state.queue.clear();
        }
        match end {
            End::Asked(link) => break goodbye(&handle, link).await,
            End::Silent => {
                handle.state().counts.dropped_silent += 1;
                tracing::error!(
                    guard = %handle.shared.name,
                    "engine silent: guard connection dropped, the broker closes the valve"
                );
            }
            End::Lost(error) => {
                tracing::warn!(guard = %handle.shared.name, %error, "guard connection lost");
            }
        }
        setup.tell(Event::GuardLost { actuator: setup.actuator });
        backoff.lasted(since.elapsed());
        pause(&handle, backoff.step()).await;
    };
    handle.state().said_goodbye = said_goodbye;
}

/// Notes the new connection and announces it.
fn begin(setup: &GuardSetup, handle: &GuardHandle) {
    let mut state = handle.state();
    state.epoch += 1;
    state.up = true;
    state.close_acknowledged = false;
    state.drop_asked = false;
    state.counts.connections += 1;
    state.queue.clear();
    if state.close_wanted {
        state.queue.push_back(Queued::Close);
    }
    drop(state);
    tracing::info!(guard = %handle.shared.name, "guard connected");
    setup.tell(Event::GuardConnected { actuator: setup.actuator });
}

/// Waits, unless the guard is told to end.
async fn pause(handle: &GuardHandle, time: Duration) {
    let until = Instant::now() + time;
    while handle.state().ending.is_none() {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        tokio::select! {
            () = sleep(left) => return,
            () = handle.shared.wake.notified() => {}
        }
    }
}

/// Says goodbye, or drops the socket when the close was not acknowledged.
async fn goodbye(handle: &GuardHandle, link: Link) -> bool {
    let (ending, closed) = {
        let state = handle.state();
        (state.ending, state.close_acknowledged)
    };
    if ending == Some(Ending::Leave) || closed {
        match link.disconnect().await {
            Ok(()) => return true,
            Err(error) => tracing::warn!(guard = %handle.shared.name, %error, "no goodbye"),
        }
    } else {
        tracing::warn!(
            guard = %handle.shared.name,
            "close not acknowledged: dropped without goodbye, the broker closes the valve"
        );
    }
    false
}

struct Session<'a> {
    setup: &'a GuardSetup,
    handle: &'a GuardHandle,
    will: &'a LastWill,
    /// Panics of the engine when the link was made.
    panics: u64,
    link: Link,
}

impl Session<'_> {
    async fn run(mut self) -> End {
        match self.serve().await {
            Ok(true) => End::Asked(self.link),
            Ok(false) => End::Silent,
            Err(error) => End::Lost(error),
        }
    }

    /// True: asked to end. False: the engine is silent.
    async fn serve(&mut self) -> Result<bool, LinkError> {
        // The broker waits 1.5 keep-alives; we ask early enough to lose a moment to the network, and
        // give up in time to be back before its patience ends.
        let ping_every = self.setup.keep_alive * 3 / 4;
        let answer_within = self.setup.keep_alive / 2;
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let mut ping_due = Instant::now() + ping_every;
        let mut waiting_since: Option<Instant> = None;
        let mut pkid: u16 = 0;
        let mut unacknowledged: Option<(u16, Instant)> = None;
        let mut pings_out: u32 = 0;
        // An open that nobody has answered for by then must not be waited for any longer.
        let mut open_due: Option<Instant> = None;
        loop {
            self.count_traffic();
            let alive = &self.handle.shared.alive;
            if !alive.is_fresh() || alive.panics() != self.panics {
                return Ok(false);
            }
            if std::mem::take(&mut self.handle.state().drop_asked) {
                return Err(LinkError::Proof);
            }
            while let Some(command) = self.next_command() {
                match command {
                    Queued::Close => {
                        pkid = pkid.checked_add(1).unwrap_or(1);
                        self.link.close(self.will, pkid).await?;
                        unacknowledged = Some((pkid, Instant::now()));
                    }
                    Queued::Open { until } => {
                        let left = until.saturating_duration_since(Instant::now());
                        if left.is_zero() {
                            self.handle.state().counts.opens_dropped += 1;
                            continue;
                        }
                        let facts = &self.setup.facts;
                        self.link.open_valve(&facts.topic, &facts.open, left).await?;
                        // The answer to a ping proves that the open arrived; an acknowledgement of an
                        // earlier close says nothing any more.
                        self.link.ping().await?;
                        pings_out += 1;
                        unacknowledged = None;
                        waiting_since.get_or_insert_with(Instant::now);
                        open_due.get_or_insert_with(|| Instant::now() + OPEN_PROVEN_IN);
                        ping_due = Instant::now() + ping_every;
                    }
                }
            }
            if self.handle.state().ending.is_some() && unacknowledged.is_none() {
                return Ok(true);
            }
            let now = Instant::now();
            let overdue = |since: Instant| now.duration_since(since) > answer_within;
            if waiting_since.is_some_and(overdue)
                || open_due.is_some_and(|due| now > due)
                || unacknowledged.is_some_and(|(_, since)| overdue(since))
            {
                return Err(LinkError::Timeout);
            }
            if now >= ping_due {
                self.link.ping().await?;
                pings_out += 1;
                waiting_since.get_or_insert(now);
                ping_due = now + ping_every;
            }
            tokio::select! {
                packet = self.link.packet() => match packet? {
                    Packet::PingResp => {
                        pings_out = pings_out.saturating_sub(1);
                        if pings_out == 0 {
                            waiting_since = None;
                            open_due = None;
                            self.link.delivered(self.setup.keep_alive)?;
                        }
                    }
                    Packet::PubAck(ack) => {
                        if unacknowledged.is_some_and(|(last, _)| last == ack.pkid) {
                            unacknowledged = None;
                            self.acknowledged();
                        }
                    }
                    other => return Err(LinkError::Protocol(format!("{other:?}"))),
                },
                () = self.handle.shared.wake.notified() => {}
                () = self.handle.shared.alive.panicked() => {}
                _ = look.tick() => {}
            }
        }
    }

    fn count_traffic(&mut self) {
        let (read, written) = std::mem::take(&mut self.link.traffic);
        if read + written > 0 {
            let mut state = self.handle.state();
            state.counts.bytes_in += read;
            state.counts.bytes_out += written;
        }
    }

    /// Takes the next command and notes it as sent: the echo may be back before the write returns.
    fn next_command(&self) -> Option<Queued> {
        let mut state = self.handle.state();
        debug_assert!(state.queue.len() <= QUEUE_MAX);
        let command = state.queue.pop_front()?;
        let open = matches!(command, Queued::Open { .. });
        if let Queued::Open { until } = command {
            if Instant::now() < until {
                state.counts.opens += 1;
                state.close_wanted = false;
                state.close_acknowledged = false;
            } else {
                return Some(command);
            }
        } else {
            state.counts.closes += 1;
        }
        if state.sent.len() >= SENT_MAX {
            state.sent.pop_front();
        }
        state.sent.push_back((Instant::now(), open));
        Some(command)
    }

    fn acknowledged(&self) {
        let mut state = self.handle.state();
        // A close that was asked for meanwhile is still on its way.
        if !state.queue.contains(&Queued::Close) {
            state.close_wanted = false;
            state.close_acknowledged = true;
        }
        drop(state);
        self.setup.tell(Event::CloseAcknowledged { actuator: self.setup.actuator });
    }
}

const _: () = assert!(SILENCE_MAX.as_millis() > 2 * LOOK.as_millis());
