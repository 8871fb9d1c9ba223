//! An independent MQTT client that records what it hears, with times.

use super::wait;
use rumqttc::{Client, Event, MqttOptions, Packet, QoS, SubscribeFilter};
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

static NUMBER: AtomicU32 = AtomicU32::new(0);

/// One message heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heard {
    pub at: Instant,
    pub topic: String,
    pub payload: String,
    pub retained: bool,
}

/// A client that subscribes, records and publishes.
pub struct Witness {
    client: Client,
    heard: Arc<Mutex<Vec<Heard>>>,
    acknowledged: Arc<AtomicU32>,
    published: AtomicU32,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Witness {
    /// Connects and waits until the subscriptions are granted.
    pub fn new(port: u16, filters: &[&str]) -> Self {
        let id =
            format!("witness-{}-{}", std::process::id(), NUMBER.fetch_add(1, Ordering::SeqCst));
        let mut options = MqttOptions::new(id, "127.0.0.1", port);
        options.set_keep_alive(Duration::from_secs(60)).set_max_packet_size(1 << 22, 1 << 22);
        options.set_inflight(1000);
        let (client, mut connection) = Client::new(options, 4096);
        let wanted: Vec<SubscribeFilter> = filters
            .iter()
            .map(|filter| SubscribeFilter::new((*filter).to_owned(), QoS::AtLeastOnce))
            .collect();
        let heard = Arc::new(Mutex::new(Vec::new()));
        let subscribed = Arc::new(AtomicBool::new(wanted.is_empty()));
        let acknowledged = Arc::new(AtomicU32::new(0));
        let ending = Arc::new(AtomicBool::new(false));
        let thread = std::thread::spawn({
            let (client, heard, subscribed, acknowledged, ending) = (
                client.clone(),
                Arc::clone(&heard),
                Arc::clone(&subscribed),
                Arc::clone(&acknowledged),
                Arc::clone(&ending),
            );
            move || {
                for event in connection.iter() {
                    match event {
                        Ok(Event::Incoming(Packet::ConnAck(_))) if !wanted.is_empty() => {
                            let _ = client.try_subscribe_many(wanted.clone());
                        }
                        Ok(Event::Incoming(Packet::SubAck(_))) => {
                            subscribed.store(true, Ordering::SeqCst);
                        }
                        Ok(Event::Incoming(Packet::PubAck(_))) => {
                            acknowledged.fetch_add(1, Ordering::SeqCst);
                        }
                        Ok(Event::Incoming(Packet::Publish(publish))) => {
                            heard.lock().expect("whole").push(Heard {
                                at: Instant::now(),
                                topic: publish.topic,
                                payload: String::from_utf8_lossy(&publish.payload).into_owned(),
                                retained: publish.retain,
                            });
                        }
                        Ok(_) => {}
                        Err(_) if ending.load(Ordering::SeqCst) => return,
                        Err(_) => std::thread::park_timeout(Duration::from_millis(50)),
                    }
                }
            }
        });
        wait::until("the witness is subscribed", Duration::from_secs(20), || {
            subscribed.load(Ordering::SeqCst)
        });
        Self {
            client,
            heard,
            acknowledged,
            published: AtomicU32::new(0),
            ending,
            thread: Some(thread),
        }
    }

    /// Publishes with QoS 1.
    pub fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>, retain: bool) {
        self.published.fetch_add(1, Ordering::SeqCst);
        self.client.publish(topic, QoS::AtLeastOnce, retain, payload.into()).expect("queued");
    }

    /// Publishes with QoS 0.
    pub fn publish_fast(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client.publish(topic, QoS::AtMostOnce, false, payload.into()).expect("queued");
    }

    /// Waits until every QoS 1 publish is acknowledged.
    pub fn settle(&self) {
        wait::until("the witness's publishes are acknowledged", Duration::from_secs(20), || {
            self.acknowledged.load(Ordering::SeqCst) >= self.published.load(Ordering::SeqCst)
        });
    }

    /// Everything heard so far.
    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().expect("whole").clone()
    }

    /// What was heard on a topic.
    pub fn on(&self, topic: &str) -> Vec<Heard> {
        self.heard().into_iter().filter(|heard| heard.topic == topic).collect()
    }

    /// How many messages were heard on a topic.
    pub fn count(&self, topic: &str) -> usize {
        self.heard.lock().expect("whole").iter().filter(|heard| heard.topic == topic).count()
    }

    /// The last payload heard on a topic.
    pub fn last(&self, topic: &str) -> Option<String> {
        self.on(topic).pop().map(|heard| heard.payload)
    }

    /// Forgets what was heard.
    pub fn forget(&self) {
        self.heard.lock().expect("whole").clear();
    }

    /// Waits for a message.
    pub fn wait_for(&self, topic: &str, payload: &str, within: Duration) -> Heard {
        wait::until_some(&format!("'{payload}' on {topic}"), within, || {
            self.on(topic).into_iter().find(|heard| heard.payload == payload)
        })
    }
}

impl Drop for Witness {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        let _ = self.client.disconnect();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The retained messages under a filter, as a newcomer sees them.
pub fn retained(port: u16, filter: &str) -> Vec<(String, String)> {
    let mark = "witness/mark";
    let witness = Witness::new(port, &[filter, mark]);
    // Retained copies come before what is published after the subscription was granted.
    witness.publish(mark, "end", false);
    witness.wait_for(mark, "end", Duration::from_secs(20));
    witness
        .heard()
        .into_iter()
        .filter(|heard| heard.retained)
        .map(|heard| (heard.topic, heard.payload))
        .collect()
}
