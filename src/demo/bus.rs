//! A plain MQTT client for the demonstration: subscribe, publish, say when the broker comes and goes.
//!
//! Invariants: one client and one event loop per connection, so nothing stale is sent again; the
//! queue to the broker and the queue of arrivals are bounded, and what does not fit is counted.

use rumqttc::{Client, Event, MqttOptions, Packet, QoS};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, TrySendError, sync_channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Requests that may wait for the broker; more are refused and counted.
const WAITING_MAX: usize = 1024;
/// Arrivals that may wait for their reader; more are dropped and counted.
const ARRIVED_MAX: usize = 16_384;
/// Pause after a failed connection.
const PAUSE: Duration = Duration::from_millis(200);

/// What happened on the bus.
#[derive(Clone, Debug, PartialEq)]
pub enum Arrival {
    /// Connected, and the subscriptions are asked for.
    Up,
    /// The connection is gone.
    Down,
    /// A message.
    Message {
        /// Topic.
        topic: String,
        /// Payload.
        payload: Vec<u8>,
        /// The broker's stored copy.
        retained: bool,
        /// When it came.
        at: Instant,
    },
}

#[derive(Default)]
struct Shared {
    client: Mutex<Option<Client>>,
    stop: AtomicBool,
    refused: AtomicU64,
    dropped: AtomicU64,
}

impl Shared {
    fn client(&self) -> std::sync::MutexGuard<'_, Option<Client>> {
        // Nothing panics while the lock is held.
        self.client.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A connection that comes back by itself. Dropping it ends it cleanly.
pub struct Bus {
    shared: Arc<Shared>,
    thread: Option<JoinHandle<()>>,
}

impl Bus {
    /// Connects as `id` and subscribes to `filters` on every connection.
    ///
    /// # Errors
    /// When no thread can be started.
    pub fn connect(
        broker: SocketAddr,
        id: &str,
        filters: Vec<String>,
    ) -> std::io::Result<(Self, Receiver<Arrival>)> {
        let (sender, receiver) = sync_channel(ARRIVED_MAX);
        let shared = Arc::new(Shared::default());
        let thread = std::thread::Builder::new().name(format!("bus {id}")).spawn({
            let shared = Arc::clone(&shared);
            let id = id.to_owned();
            move || {
                while !shared.stop.load(Ordering::Relaxed) {
                    connection(&shared, broker, &id, &filters, &sender);
                    std::thread::sleep(PAUSE);
                }
            }
        })?;
        Ok((Self { shared, thread: Some(thread) }, receiver))
    }

    /// Publishes without waiting. False when it was refused: not connected, or too much is waiting.
    pub fn publish(&self, topic: &str, payload: &[u8], qos: QoS) -> bool {
        let sent = self
            .shared
            .client()
            .as_ref()
            .is_some_and(|client| client.try_publish(topic, qos, false, payload).is_ok());
        if !sent {
            self.shared.refused.fetch_add(1, Ordering::Relaxed);
        }
        sent
    }

    /// Publications refused so far.
    pub fn refused(&self) -> u64 {
        self.shared.refused.load(Ordering::Relaxed)
    }

    /// Arrivals dropped so far, because nobody read them.
    pub fn dropped(&self) -> u64 {
        self.shared.dropped.load(Ordering::Relaxed)
    }
}

impl Drop for Bus {
    fn drop(&mut self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        if let Some(client) = self.shared.client().take() {
            // Refused only when the queue is full; then the socket's end does the same.
            drop(client.try_disconnect());
        }
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

fn connection(
    shared: &Shared,
    broker: SocketAddr,
    id: &str,
    filters: &[String],
    sender: &SyncSender<Arrival>,
) {
    let tell = |arrival: Arrival| match sender.try_send(arrival) {
        Ok(()) => {}
        Err(TrySendError::Full(_)) => {
            shared.dropped.fetch_add(1, Ordering::Relaxed);
        }
        Err(TrySendError::Disconnected(_)) => shared.stop.store(true, Ordering::Relaxed),
    };
    let mut options = MqttOptions::new(id, broker.ip().to_string(), broker.port());
    options.set_keep_alive(Duration::from_secs(15));
    options.set_clean_session(true);
    options.set_max_packet_size(1 << 20, 1 << 20);
    let (client, mut connection) = Client::new(options, WAITING_MAX);
    let mut was_up = false;
    loop {
        match connection.recv() {
            Ok(Ok(Event::Incoming(Packet::ConnAck(_)))) => {
                for filter in filters {
                    // The queue is empty here and holds more than there are filters.
                    drop(client.try_subscribe(filter, QoS::AtLeastOnce));
                }
                *shared.client() = Some(client.clone());
                was_up = true;
                tell(Arrival::Up);
                if shared.stop.load(Ordering::Relaxed) {
                    break;
                }
            }
            Ok(Ok(Event::Incoming(Packet::Publish(publish)))) => tell(Arrival::Message {
                topic: publish.topic,
                payload: publish.payload.to_vec(),
                retained: publish.retain,
                at: Instant::now(),
            }),
            Ok(Ok(_)) => {}
            Ok(Err(_)) | Err(_) => break,
        }
    }
    *shared.client() = None;
    if was_up {
        tell(Arrival::Down);
    }
}
