//! What waits to be published: the latest value of each retained topic, and a short stream of
//! events.
//!
//! Invariants: nothing here ever blocks; a newer value of a topic replaces the older one that still
//! waits; after every connection the whole table goes out again, so that a broker which forgot
//! everything knows everything. The table is bounded by the catalogue (and by [`TOPICS_MAX`]), the
//! stream by [`EVENTS_MAX`]; when the stream is full its oldest entry goes and is counted. The
//! history keeps every event; the stream is for those who listen live.

use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::Notify;

/// Most retained topics; beyond it new ones are refused and counted.
pub const TOPICS_MAX: usize = 8192;
/// Most events that wait.
pub const EVENTS_MAX: usize = 256;

/// One message on its way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Where.
    pub topic: String,
    /// What.
    pub payload: Arc<[u8]>,
    /// Whether the broker keeps it.
    pub retain: bool,
}

/// Counters for health.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OutboxCounts {
    /// Events dropped because the stream was full.
    pub events_dropped: u64,
    /// Retained topics refused because the table was full.
    pub topics_refused: u64,
    /// Messages larger than the packet limit, not sent.
    pub too_large: u64,
}

#[derive(Debug, Default)]
struct State {
    table: BTreeMap<String, Entry>,
    waiting: VecDeque<String>,
    events: VecDeque<Message>,
    counts: OutboxCounts,
}

#[derive(Debug)]
struct Entry {
    payload: Arc<[u8]>,
    waits: bool,
}

/// What waits to be published. Clones share it.
#[derive(Clone, Debug, Default)]
pub struct Outbox {
    shared: Arc<(Mutex<State>, Notify)>,
}

impl Outbox {
    /// An empty outbox.
    pub fn new() -> Self {
        Self::default()
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.shared.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Publishes, now or as soon as there is a connection. Never blocks. A retained message replaces
    /// the one of its topic; one that changes nothing is not sent again. An empty retained payload
    /// clears the topic.
    pub fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>, retain: bool) {
        let payload: Arc<[u8]> = payload.into().into();
        let mut state = self.state();
        if retain {
            let state = &mut *state;
            let is_full = state.table.len() >= TOPICS_MAX;
            match state.table.get_mut(topic) {
                Some(entry) if entry.payload == payload => return,
                Some(entry) => {
                    entry.payload = payload;
                    if !entry.waits {
                        entry.waits = true;
                        state.waiting.push_back(topic.to_owned());
                    }
                }
                None if is_full => {
                    state.counts.topics_refused += 1;
                    return;
                }
                None => {
                    state.table.insert(topic.to_owned(), Entry { payload, waits: true });
                    state.waiting.push_back(topic.to_owned());
                }
            }
        } else {
            if state.events.len() >= EVENTS_MAX {
                state.events.pop_front();
                state.counts.events_dropped += 1;
            }
            state.events.push_back(Message { topic: topic.to_owned(), payload, retain });
        }
        drop(state);
        self.shared.1.notify_one();
    }

    /// Publishes a retained value even if it is the one that was there: the sign that it still holds.
    pub fn renew(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.publish(topic, payload, true);
        self.assert_again(topic);
    }

    /// Publishes a retained value where nothing has been said yet.
    pub(super) fn publish_first(&self, topic: &str, payload: &str) {
        if !self.state().table.contains_key(topic) {
            self.publish(topic, payload, true);
        }
    }

    /// Somebody else cleared a retained topic, and so it shall be.
    pub(super) fn forget(&self, topic: &str) {
        if let Some(entry) = self.state().table.get_mut(topic) {
            entry.payload = Arc::default();
        }
    }

    /// Sends a topic's value again although it has not changed; somebody else wrote there.
    pub fn assert_again(&self, topic: &str) {
        let mut state = self.state();
        let state = &mut *state;
        if let Some(entry) = state.table.get_mut(topic)
            && !entry.waits
        {
            entry.waits = true;
            state.waiting.push_back(topic.to_owned());
            self.shared.1.notify_one();
        }
    }

    /// Puts the whole table on its way again: announcements to the hub first, then values, and the
    /// `$state` topics last, since what is shown as live must be there before.
    pub fn assert_all(&self) {
        let mut state = self.state();
        let state = &mut *state;
        let mut topics: Vec<String> = state.table.keys().cloned().collect();
        topics.sort_by_key(|topic| match () {
            () if topic.ends_with("/config") => 0,
            () if topic.ends_with("/$state") => 2,
            () => 1,
        });
        state.waiting = topics.into();
        for entry in state.table.values_mut() {
            entry.waits = true;
        }
        self.shared.1.notify_one();
    }

    /// The next message, retained ones first.
    pub(super) fn next(&self) -> Option<Message> {
        let mut state = self.state();
        let state = &mut *state;
        if let Some(topic) = state.waiting.pop_front() {
            let entry = state.table.get_mut(&topic).expect("what waits is in the table");
            entry.waits = false;
            return Some(Message { topic, payload: Arc::clone(&entry.payload), retain: true });
        }
        state.events.pop_front()
    }

    /// Puts back what the client refused. A newer value of the topic stays.
    pub(super) fn put_back(&self, message: Message) {
        let mut state = self.state();
        let state = &mut *state;
        if message.retain {
            let entry = state.table.get_mut(&message.topic).expect("the table only grows");
            if !entry.waits {
                entry.waits = true;
                state.waiting.push_front(message.topic);
            }
        } else if state.events.len() < EVENTS_MAX {
            state.events.push_front(message);
        } else {
            state.counts.events_dropped += 1;
        }
    }

    /// A message was larger than the packet limit and is not sent.
    pub(super) fn refuse(&self, message: &Message) {
        let mut state = self.state();
        state.counts.too_large += 1;
        if state.counts.too_large == 1 {
            let (topic, bytes) = (&message.topic, message.payload.len());
            tracing::error!(topic, bytes, "larger than broker.packet_max_bytes: not sent");
        }
    }

    /// Waits until something was put in.
    pub(super) async fn changed(&self) {
        self.shared.1.notified().await;
    }

    /// Nothing waits.
    pub fn is_empty(&self) -> bool {
        let state = self.state();
        state.waiting.is_empty() && state.events.is_empty()
    }

    /// What the table holds for a topic.
    pub fn retained(&self, topic: &str) -> Option<Arc<[u8]>> {
        self.state().table.get(topic).map(|entry| Arc::clone(&entry.payload))
    }

    /// Counters.
    pub fn counts(&self) -> OutboxCounts {
        self.state().counts
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drain(outbox: &Outbox) -> Vec<(String, String)> {
        std::iter::from_fn(|| outbox.next())
            .map(|message| {
                (message.topic, String::from_utf8(message.payload.to_vec()).expect("text"))
            })
            .collect()
    }

    fn pairs(all: &[(&str, &str)]) -> Vec<(String, String)> {
        all.iter().map(|(topic, payload)| ((*topic).to_owned(), (*payload).to_owned())).collect()
    }

    #[test]
    fn the_latest_value_of_a_topic_replaces_the_one_that_waits() {
        let outbox = Outbox::new();
        outbox.publish("a", "1", true);
        outbox.publish("b", "1", true);
        outbox.publish("a", "2", true);
        assert_eq!(drain(&outbox), pairs(&[("a", "2"), ("b", "1")]));
        outbox.publish("a", "2", true);
        assert!(outbox.is_empty(), "an unchanged value is not sent again");
    }

    #[test]
    fn after_a_connection_everything_goes_out_again_and_the_state_last() {
        let outbox = Outbox::new();
        for topic in ["r/5/d/$state", "r/5/d/a/b", "r/5/p/$state", "r/5/p/z/z"] {
            outbox.publish(topic, "x", true);
        }
        drain(&outbox);
        outbox.assert_all();
        let topics: Vec<String> = drain(&outbox).into_iter().map(|(topic, _)| topic).collect();
        assert_eq!(topics, ["r/5/d/a/b", "r/5/p/z/z", "r/5/d/$state", "r/5/p/$state"]);
    }

    #[test]
    fn a_full_stream_drops_its_oldest_and_counts() {
        let outbox = Outbox::new();
        for index in 0..EVENTS_MAX + 2 {
            outbox.publish("log", index.to_string(), false);
        }
        assert_eq!(outbox.counts().events_dropped, 2);
        assert_eq!(drain(&outbox)[0].1, "2");
    }

    #[test]
    fn what_was_put_back_does_not_overwrite_what_is_newer() {
        let outbox = Outbox::new();
        outbox.publish("a", "old", true);
        let refused = outbox.next().expect("waits");
        outbox.publish("a", "new", true);
        outbox.put_back(refused);
        assert_eq!(drain(&outbox), pairs(&[("a", "new")]));
    }

    #[test]
    fn a_full_table_refuses_new_topics_and_keeps_the_known_ones_current() {
        let outbox = Outbox::new();
        for index in 0..TOPICS_MAX {
            outbox.publish(&index.to_string(), "x", true);
        }
        outbox.publish("one too many", "x", true);
        outbox.publish("7", "y", true);
        assert_eq!(outbox.counts().topics_refused, 1);
        assert_eq!(outbox.retained("7").as_deref(), Some(b"y".as_slice()));
    }
}
