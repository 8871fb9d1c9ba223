//! What can be seen on the bus: an ordinary MQTT client that keeps what it heard.
//!
//! Invariant: bounded; knows nothing but topics and payloads.

use super::settings::{DAEMON, PLANT};
use crate::demo::bus::{Arrival, Bus};
use rumqttc::QoS;
use serde_json::{Value, json};
use std::collections::{BTreeMap, VecDeque};
use std::net::SocketAddr;
use std::sync::mpsc::{Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

/// First levels of every topic of the daemon.
const BASE: &str = "permeated/5";
/// Entries of the event stream kept.
const LOG_MAX: usize = 2_000;
/// Topics kept; a plant has some two hundred.
const TOPICS_MAX: usize = 5_000;
/// Commands on the valve's topic kept.
const COMMANDS_MAX: usize = 10_000;

/// An entry of the event stream.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    /// When it came.
    pub(super) at: Instant,
    /// Kind.
    pub(super) kind: String,
    /// Words.
    pub(super) text: String,
    /// Details.
    pub(super) data: Value,
}

/// A command seen on the valve's topic.
#[derive(Clone, Copy, Debug)]
pub(super) struct Seen {
    /// When it came.
    pub(super) at: Instant,
    /// It opens.
    pub(super) open: bool,
    /// The broker had stored it.
    pub(super) retained: bool,
}

/// What was heard.
pub(super) struct World {
    bus: Bus,
    arrivals: Receiver<Arrival>,
    valve_topic: String,
    /// First level of the probes' topics.
    probes: String,
    /// What each probe last said, and when it last changed.
    said: BTreeMap<String, (String, Instant)>,
    valve_open: Option<bool>,
    topics: BTreeMap<String, String>,
    log: VecDeque<Entry>,
    commands: VecDeque<Seen>,
    refused: u64,
    opened: u64,
    closed: u64,
    asked: u64,
    is_up: bool,
}

impl World {
    /// Listens.
    ///
    /// # Errors
    /// When no thread can be started.
    pub(super) fn listen(
        broker: SocketAddr,
        valve_topic: String,
        probes: &str,
    ) -> std::io::Result<Self> {
        let filters = vec![format!("{BASE}/#"), valve_topic.clone(), format!("{probes}/+")];
        let (bus, arrivals) = Bus::connect(broker, "onlooker", filters)?;
        Ok(Self {
            bus,
            arrivals,
            valve_topic,
            probes: format!("{probes}/"),
            said: BTreeMap::new(),
            valve_open: None,
            topics: BTreeMap::new(),
            log: VecDeque::new(),
            commands: VecDeque::new(),
            refused: 0,
            opened: 0,
            closed: 0,
            asked: 0,
            is_up: false,
        })
    }

    /// Takes what has come, waiting for the first arrival no longer than `wait`.
    pub(super) fn hear(&mut self, wait: Duration) {
        match self.arrivals.recv_timeout(wait) {
            Ok(arrival) => self.take(arrival),
            Err(RecvTimeoutError::Timeout | RecvTimeoutError::Disconnected) => return,
        }
        while let Ok(arrival) = self.arrivals.try_recv() {
            self.take(arrival);
        }
    }

    fn take(&mut self, arrival: Arrival) {
        let (topic, payload, retained, at) = match arrival {
            Arrival::Up => {
                self.is_up = true;
                return;
            }
            Arrival::Down => {
                self.is_up = false;
                return;
            }
            Arrival::Message { topic, payload, retained, at } => (topic, payload, retained, at),
        };
        let text = String::from_utf8_lossy(&payload).into_owned();
        if topic == self.valve_topic {
            let open = text == "ON";
            if self.commands.len() >= COMMANDS_MAX {
                self.commands.pop_front();
            }
            self.commands.push_back(Seen { at, open, retained });
            return;
        }
        if let Some(probe) = topic.strip_prefix(&self.probes) {
            if probe == "supply-open" {
                self.valve_said(text == "ON");
            }
            let changed_at = match self.said.get(probe) {
                Some((before, changed_at)) if *before == text => *changed_at,
                _ => at,
            };
            if self.said.len() < TOPICS_MAX || self.said.contains_key(probe) {
                self.said.insert(probe.to_owned(), (text, changed_at));
            }
            return;
        }
        if topic == format!("{BASE}/{PLANT}/event/log") {
            self.note(at, &text);
            return;
        }
        if text.is_empty() {
            self.topics.remove(&topic);
        } else if self.topics.len() < TOPICS_MAX || self.topics.contains_key(&topic) {
            self.topics.insert(topic, text);
        }
    }

    fn valve_said(&mut self, open: bool) {
        match (self.valve_open, open) {
            (Some(false) | None, true) => self.opened += 1,
            (Some(true), false) => self.closed += 1,
            _ => {}
        }
        self.valve_open = Some(open);
    }

    fn note(&mut self, at: Instant, text: &str) {
        let Ok(document) = serde_json::from_str::<Value>(text) else { return };
        let word = |name: &str| document[name].as_str().unwrap_or_default().to_owned();
        let entry =
            Entry { at, kind: word("kind"), text: word("text"), data: document["data"].clone() };
        if entry.kind == "answer" && entry.data["accepted"] == Value::Bool(false) {
            self.refused += 1;
        }
        if self.log.len() >= LOG_MAX {
            self.log.pop_front();
        }
        self.log.push_back(entry);
    }

    /// Connected to the broker.
    pub(super) const fn is_up(&self) -> bool {
        self.is_up
    }

    /// Last value of a topic of the plant.
    pub(super) fn value(&self, rest: &str) -> Option<&str> {
        self.topics.get(&format!("{BASE}/{PLANT}/{rest}")).map(String::as_str)
    }

    /// The same as a number.
    pub(super) fn number(&self, rest: &str) -> Option<f64> {
        self.value(rest)?.parse().ok()
    }

    /// What a probe itself last said, as a number.
    pub(super) fn probe(&self, id: &str) -> Option<f64> {
        let (text, _) = self.said.get(id)?;
        serde_json::from_str::<Value>(text).ok()?["value"].as_f64()
    }

    /// Since when a probe that knows only yes and no has been saying yes.
    pub(super) fn yes_since(&self, id: &str) -> Option<Instant> {
        self.said.get(id).filter(|(text, _)| text == "ON").map(|(_, since)| *since)
    }

    /// `$state` of the daemon.
    pub(super) fn daemon_state(&self) -> Option<&str> {
        self.topics.get(&format!("{BASE}/{DAEMON}/$state")).map(String::as_str)
    }

    /// The permit.
    pub(super) fn permit(&self) -> Option<Value> {
        serde_json::from_str(self.value("guard/permit")?).ok()
    }

    /// Water may run.
    pub(super) fn is_permitted(&self) -> bool {
        self.permit().is_some_and(|permit| permit["permitted"] == Value::Bool(true))
    }

    /// What the valve's relay says.
    pub(super) const fn valve_open(&self) -> Option<bool> {
        self.valve_open
    }

    /// Commands seen on the valve's topic since a moment.
    pub(super) fn commands_since(&self, since: Instant) -> impl Iterator<Item = &Seen> {
        self.commands.iter().filter(move |seen| seen.at >= since)
    }

    /// Entries of the event stream since a moment.
    pub(super) fn log_since(&self, since: Instant) -> impl Iterator<Item = &Entry> {
        self.log.iter().filter(move |entry| entry.at >= since)
    }

    /// Answers that said no.
    pub(super) const fn refused(&self) -> u64 {
        self.refused
    }

    /// How often the valve opened and closed, by its relay's word.
    pub(super) const fn moves(&self) -> (u64, u64) {
        (self.opened, self.closed)
    }

    /// Sends a command to the guard; gives the id by which its answer is known.
    pub(super) fn ask(&mut self, command: &str, mut fields: Value) -> String {
        self.asked += 1;
        let id = format!("demo-{}", self.asked);
        fields["id"] = json!(id);
        let topic = format!("{BASE}/{PLANT}/guard/{command}/set");
        self.bus.publish(&topic, fields.to_string().as_bytes(), QoS::AtLeastOnce);
        id
    }

    /// The answer to a command: accepted, and its words.
    pub(super) fn answer(&self, id: &str) -> Option<(bool, String)> {
        self.log
            .iter()
            .find(|entry| entry.kind == "answer" && entry.data["id"] == id)
            .map(|entry| (entry.data["accepted"] == Value::Bool(true), entry.text.clone()))
    }
}
