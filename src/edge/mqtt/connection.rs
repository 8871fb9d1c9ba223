//! The main connection: everything but the guards' commands.
//!
//! ```text
//!  waiting ──> connecting ── CONNACK ──> subscribing ── every SUBACK granted ──> ready: BrokerReady
//!     ^             │                        │   │ refused: named, asked again later         │
//!     └─ back-off ──┴────────────────────────┴───┴──── error, no echo, no PUBACK ────────────┘
//!                                                       (BrokerLost if it was ready)
//! ```
//!
//! Invariants: one client and one event loop per connection; after any error both are dropped and
//! new ones are built, so nothing stale is re-sent and the client's known wedge (one lost PUBACK
//! stops it for ever) cannot outlive the watchdog. The event loop is polled by a task of its own that
//! never awaits anything else. Liveness is our own heartbeat coming back through the broker.

use super::backoff::Backoff;
use super::options::{CONNECT_TIMEOUT, Dial};
use super::outbox::Outbox;
use super::receive::{Filter, HEARTBEAT, Receiver};
use super::topics::{DeviceState, Topics};
use crate::board::Board;
use rumqttc::{
    AsyncClient, ConnectionError, EventLoop, LastWill, Packet, QoS, StateError, SubAck,
    SubscribeFilter, SubscribeReasonCode,
};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{Notify, mpsc, watch};
use tokio::time::{MissedTickBehavior, interval, sleep};

/// Longest wait between attempts.
const WAIT_MAX: Duration = Duration::from_secs(30);
/// How often time is looked at: held readings, heartbeat, watchdog.
const LOOK: Duration = Duration::from_millis(50);
/// Our heartbeat must come back within this time of the last one that did.
const ECHO_MAX: Duration = Duration::from_secs(6);
/// Publishes wait for acknowledgement, and none comes, for this long: the client is wedged.
const ACK_MAX: Duration = Duration::from_secs(10);
/// Refused subscriptions are asked for again after this time.
const SUBSCRIBE_AGAIN: Duration = Duration::from_secs(30);
/// Publishes handed to the client and not acknowledged. Below its own limit, so that it never stops
/// taking our heartbeat.
const IN_FLIGHT_MAX: u64 = 100;
/// Requests between us and the event loop.
const REQUESTS: usize = 128;
/// A clean stop waits this long for what is still to be published.
const FLUSH_MAX: Duration = Duration::from_secs(2);

/// What the polling task reports. Few: the channel is far larger than what one connection can send
/// without us taking part.
enum Signal {
    Connected,
    Subscribed(SubAck),
    Lost(ConnectionError),
}

/// Why a connection ended.
#[derive(Debug, thiserror::Error)]
enum End {
    #[error("{0}")]
    Client(ConnectionError),
    #[error(
        "a message larger than broker.packet_max_bytes ({0} bytes allowed) is on one of our topics"
    )]
    TooLarge(usize),
    #[error("no answer to our subscriptions")]
    NoSubAck,
    #[error("our own echo stays away (if the broker has access rules: may we read {0}?)")]
    NoEcho(String),
    #[error("publishes are no longer acknowledged")]
    NoAck,
    #[error("stopped")]
    Stopped,
}

#[derive(Default)]
struct Progress {
    handed: AtomicU64,
    acknowledged: AtomicU64,
    refused: AtomicU64,
    moved: Notify,
}

impl Progress {
    fn in_flight(&self) -> u64 {
        self.handed
            .load(Ordering::Acquire)
            .saturating_sub(self.acknowledged.load(Ordering::Acquire))
    }
}

/// Everything that the main connection needs.
pub(super) struct Main {
    pub(super) dial: Arc<Dial>,
    pub(super) topics: Topics,
    pub(super) client_id: String,
    /// What our heartbeats say: the number of this run and the daemon's id.
    pub(super) beat: String,
    pub(super) keep_alive: Duration,
    pub(super) outbox: Outbox,
    pub(super) receiver: Arc<Mutex<Receiver>>,
    pub(super) board: Board,
    pub(super) stop: watch::Receiver<bool>,
}

fn lock(receiver: &Mutex<Receiver>) -> MutexGuard<'_, Receiver> {
    // Only this thread takes it, and nothing in it panics half-way.
    receiver.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Main {
    /// Runs until stopped.
    pub(super) async fn run(mut self) {
        let mut backoff = Backoff::new(WAIT_MAX);
        let mut last = String::new();
        loop {
            let since = Instant::now();
            let end = self.connection().await;
            self.board.change_health(|health| health.broker_ready = false);
            if matches!(end, End::Stopped) {
                return;
            }
            // A fault that repeats is named once.
            let text = end.to_string();
            if text != last {
                tracing::warn!(why = %text, "no connection to the broker");
                last = text;
            }
            backoff.lasted(since.elapsed());
            let wait = backoff.step();
            let until = Instant::now() + wait;
            while Instant::now() < until {
                tokio::select! {
                    () = sleep(LOOK) => lock(&self.receiver).tick(Instant::now()),
                    () = stopped(&mut self.stop) => return,
                }
            }
        }
    }

    async fn connection(&mut self) -> End {
        let mut options = self.dial.options(&self.client_id, self.keep_alive);
        options.set_last_will(LastWill::new(
            self.topics.daemon_state(),
            DeviceState::Lost.word(),
            QoS::AtLeastOnce,
            true,
        ));
        let (client, mut event_loop) = AsyncClient::new(options, REQUESTS);
        event_loop.set_network_options(self.dial.network());
        let progress = Arc::new(Progress::default());
        let (signals, mut reports) = mpsc::channel(64);
        let poller = tokio::spawn(poll(
            event_loop,
            Arc::clone(&self.receiver),
            Arc::clone(&progress),
            signals,
        ));
        let mut session = Session {
            main: self,
            client,
            progress,
            ready: false,
            subscribed: None,
            asked: None,
            heartbeat_due: Instant::now(),
            acknowledged: (0, Instant::now()),
        };
        let end = session.serve(&mut reports).await;
        if session.ready {
            lock(&session.main.receiver).ready(false);
        }
        if matches!(end, End::Stopped) {
            session.goodbye(&mut reports).await;
        }
        // Dropping the event loop closes the socket; only a clean stop has said goodbye before.
        poller.abort();
        let _ = poller.await;
        end
    }
}

/// Polls one event loop to its end. Awaits nothing else.
async fn poll(
    mut event_loop: EventLoop,
    receiver: Arc<Mutex<Receiver>>,
    progress: Arc<Progress>,
    signals: mpsc::Sender<Signal>,
) {
    loop {
        match event_loop.poll().await {
            Ok(rumqttc::Event::Incoming(Packet::Publish(publish))) => {
                lock(&receiver).incoming(&publish, Instant::now());
            }
            Ok(rumqttc::Event::Incoming(Packet::PubAck(_))) => {
                progress.acknowledged.fetch_add(1, Ordering::AcqRel);
                progress.moved.notify_one();
            }
            Ok(rumqttc::Event::Incoming(Packet::ConnAck(_))) => {
                if signals.try_send(Signal::Connected).is_err() {
                    return;
                }
            }
            Ok(rumqttc::Event::Incoming(Packet::SubAck(ack))) => {
                if signals.try_send(Signal::Subscribed(ack)).is_err() {
                    return;
                }
            }
            Ok(_) => {}
            Err(error) => {
                // The other side sees the closed channel if this cannot be delivered.
                let _ = signals.try_send(Signal::Lost(error));
                return;
            }
        }
    }
}

struct Session<'a> {
    main: &'a mut Main,
    client: AsyncClient,
    progress: Arc<Progress>,
    ready: bool,
    /// When a SUBACK came, granted or not.
    subscribed: Option<Instant>,
    /// When we last asked for subscriptions.
    asked: Option<Instant>,
    heartbeat_due: Instant,
    /// Acknowledgements at the last look, and when they last moved (or nothing waited).
    acknowledged: (u64, Instant),
}

impl Session<'_> {
    async fn serve(&mut self, reports: &mut mpsc::Receiver<Signal>) -> End {
        let mut look = interval(LOOK);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let began = Instant::now();
        let progress = Arc::clone(&self.progress);
        let outbox = self.main.outbox.clone();
        let mut stop = self.main.stop.clone();
        loop {
            tokio::select! {
                signal = reports.recv() => match signal {
                    Some(Signal::Connected) => self.connected(),
                    Some(Signal::Subscribed(ack)) => self.subscribed(&ack),
                    Some(Signal::Lost(error)) => return self.name(error),
                    None => return End::NoSubAck,
                },
                () = outbox.changed(), if self.subscribed.is_some() => {}
                () = progress.moved.notified() => {}
                _ = look.tick() => {}
                () = stopped(&mut stop) => return End::Stopped,
            }
            let now = Instant::now();
            lock(&self.main.receiver).tick(now);
            if self.asked.is_none() {
                if now.duration_since(began) > CONNECT_TIMEOUT * 2 {
                    return End::Client(ConnectionError::NetworkTimeout);
                }
                continue;
            }
            if let Some(end) = self.check(now) {
                return end;
            }
            if self.subscribed.is_some() {
                if lock(&self.main.receiver).take_hub_came() {
                    self.main.outbox.assert_all();
                }
                self.pump();
            }
        }
    }

    fn name(&self, error: ConnectionError) -> End {
        match error {
            ConnectionError::MqttState(StateError::Deserialization(
                rumqttc::mqttbytes::Error::PayloadSizeLimitExceeded(_),
            )) => End::TooLarge(self.main.dial.packet_max),
            error => End::Client(error),
        }
    }

    fn connected(&mut self) {
        lock(&self.main.receiver).connection_began();
        self.subscribe();
        self.acknowledged.1 = Instant::now();
    }

    /// One packet for everything.
    fn subscribe(&mut self) {
        let filters: Vec<SubscribeFilter> = lock(&self.main.receiver)
            .filters()
            .iter()
            .map(|filter| SubscribeFilter::new(filter.topic.clone(), QoS::AtLeastOnce))
            .collect();
        self.asked = Some(Instant::now());
        if self.client.try_subscribe_many(filters).is_err() {
            self.progress.refused.fetch_add(1, Ordering::AcqRel);
        }
    }

    fn subscribed(&mut self, ack: &SubAck) {
        let now = Instant::now();
        let first = self.subscribed.replace(now).is_none();
        let mut refused = 0;
        {
            let receiver = lock(&self.main.receiver);
            let answers = ack.return_codes.iter().map(Some).chain(std::iter::repeat(None));
            for (filter, answer) in receiver.filters().iter().zip(answers) {
                if !matches!(answer, Some(SubscribeReasonCode::Success(_))) {
                    refused += u32::from(filter.required);
                    name_refusal(filter);
                }
            }
        }
        if first {
            lock(&self.main.receiver).subscribed(now);
            self.heartbeat_due = now;
            self.main.outbox.assert_all();
        }
        if refused == 0 && !self.ready {
            self.ready = true;
            tracing::info!("broker ready");
            self.main.board.change_health(|health| health.broker_ready = true);
            lock(&self.main.receiver).ready(true);
        }
    }

    fn check(&mut self, now: Instant) -> Option<End> {
        let asked = self.asked?;
        match self.subscribed {
            None if now.duration_since(asked) > CONNECT_TIMEOUT => return Some(End::NoSubAck),
            None => return None,
            Some(answered) if !self.ready => {
                if now.duration_since(answered) >= SUBSCRIBE_AGAIN && asked <= answered {
                    self.subscribe();
                }
            }
            Some(answered) => {
                let echoed = lock(&self.main.receiver).echoed().unwrap_or(answered);
                if now.duration_since(echoed.max(answered)) > ECHO_MAX {
                    return Some(End::NoEcho(self.main.topics.instance()));
                }
            }
        }
        if lock(&self.main.receiver).take_beat_now() || now >= self.heartbeat_due {
            self.heartbeat_due = now + HEARTBEAT;
            self.beat();
        }
        let acknowledged = self.progress.acknowledged.load(Ordering::Acquire);
        if acknowledged != self.acknowledged.0 || self.progress.in_flight() == 0 {
            self.acknowledged = (acknowledged, now);
        } else if now.duration_since(self.acknowledged.1) > ACK_MAX {
            return Some(End::NoAck);
        }
        None
    }

    fn beat(&self) {
        for topic in lock(&self.main.receiver).beat_topics() {
            let beat = self.main.beat.as_str();
            if self.client.try_publish(topic, QoS::AtMostOnce, false, beat).is_err() {
                self.progress.refused.fetch_add(1, Ordering::AcqRel);
            }
        }
    }

    /// Hands on what waits, as much as the client takes.
    fn pump(&self) {
        while self.progress.in_flight() < IN_FLIGHT_MAX {
            let Some(message) = self.main.outbox.next() else {
                return;
            };
            // Head and packet id: at most 9 bytes.
            if message.topic.len() + message.payload.len() + 9 > self.main.dial.packet_max {
                self.main.outbox.refuse(&message);
                continue;
            }
            let handed = self.client.try_publish(
                message.topic.as_str(),
                QoS::AtLeastOnce,
                message.retain,
                message.payload.to_vec(),
            );
            match handed {
                Ok(()) => {
                    self.progress.handed.fetch_add(1, Ordering::AcqRel);
                }
                Err(_) => {
                    self.progress.refused.fetch_add(1, Ordering::AcqRel);
                    self.main.outbox.put_back(message);
                    return;
                }
            }
        }
    }

    /// Publishes what waits and says DISCONNECT.
    async fn goodbye(&mut self, reports: &mut mpsc::Receiver<Signal>) {
        if self.subscribed.is_none() {
            return;
        }
        let until = Instant::now() + FLUSH_MAX;
        loop {
            self.pump();
            let done = self.main.outbox.is_empty() && self.progress.in_flight() == 0;
            let left = until.saturating_duration_since(Instant::now());
            if done || left.is_zero() {
                break;
            }
            tokio::select! {
                () = self.progress.moved.notified() => {}
                () = sleep(left.min(LOOK)) => {}
            }
        }
        if self.client.try_disconnect().is_err() {
            return;
        }
        // The broker closes; the polling task then reports the end.
        let ended = async {
            while let Some(signal) = reports.recv().await {
                if matches!(signal, Signal::Lost(_)) {
                    return;
                }
            }
        };
        let _ = tokio::time::timeout(Duration::from_secs(1), ended).await;
    }
}

/// Waits for the stop; a daemon that is gone counts as one.
async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

fn name_refusal(filter: &Filter) {
    tracing::error!(
        topic = %filter.topic,
        purpose = %filter.purpose,
        "the broker refused a subscription"
    );
}
