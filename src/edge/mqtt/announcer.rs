//! When to announce what to the hub.
//!
//! The announcements that the broker still holds are looked at first: components that we no longer
//! have must be sent once with their platform alone before they are left out, and devices of plants
//! that are gone are cleared. A device that the user deletes in the hub is not announced again before
//! the next start.

use super::discovery;
use super::outbox::Outbox;
use super::receive::PlantParts;
use super::topics::Topics;
use crate::settings::Settings;
use serde_json::Value;
use std::time::{Duration, Instant};

/// Stored announcements have come by then.
const LISTEN: Duration = Duration::from_secs(2);
/// The hub has taken the first version by then.
const BETWEEN: Duration = Duration::from_secs(2);

struct Device {
    topic: String,
    new: Value,
    gone: Vec<(String, String)>,
    stage: Stage,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stage {
    /// Listening for what the broker holds.
    Waiting,
    /// The version that removes what is gone was sent; the final one follows then.
    Removing(Instant),
    /// The final version was sent.
    Announced,
    /// The user deleted the device in the hub.
    Withdrawn,
}

/// Announces the plants.
pub(super) struct Announcer {
    topics: Topics,
    devices: Vec<Device>,
    enabled: bool,
    listening_until: Option<Instant>,
}

impl Announcer {
    pub(super) fn new(settings: &Settings, plants: &[PlantParts], topics: &Topics) -> Self {
        let devices = plants
            .iter()
            .map(|parts| {
                let setup = &parts.bus.setup;
                let name = &settings.plants[&setup.plant].name;
                Device {
                    topic: topics.discovery(&discovery::device_id(topics, &setup.plant)),
                    new: discovery::announcement(setup, name, topics),
                    gone: Vec::new(),
                    stage: Stage::Waiting,
                }
            })
            .collect();
        Self {
            topics: topics.clone(),
            devices,
            enabled: settings.broker.discovery,
            listening_until: None,
        }
    }

    /// The broker has answered our subscriptions: what it holds comes now.
    pub(super) fn subscribed(&mut self, now: Instant) {
        self.listening_until.get_or_insert(now + LISTEN);
    }

    /// A message on a topic that may be an announcement.
    pub(super) fn stored(&mut self, topic: &str, payload: &[u8], retained: bool, outbox: &Outbox) {
        let Some(device) = self.topics.device_of(topic) else {
            return;
        };
        if !self.enabled || !discovery::is_ours(&self.topics, device) {
            return;
        }
        match self.devices.iter_mut().find(|known| known.topic == topic) {
            None if !payload.is_empty() => outbox.publish(topic, "", true),
            None => {}
            Some(known)
                if payload.is_empty()
                    && !retained
                    && known.stage != Stage::Waiting
                    && known.stage != Stage::Withdrawn =>
            {
                tracing::info!(topic, "announcement deleted in the hub");
                known.stage = Stage::Withdrawn;
                outbox.forget(topic);
            }
            Some(known) if retained && known.stage == Stage::Waiting => {
                if let Ok(stored) = serde_json::from_slice(payload) {
                    known.gone = discovery::removed(&stored, &known.new);
                }
            }
            Some(_) => {}
        }
    }

    /// What time brings.
    pub(super) fn tick(&mut self, now: Instant, outbox: &Outbox) {
        if !self.enabled || self.listening_until.is_none_or(|until| now < until) {
            return;
        }
        for device in &mut self.devices {
            let is_final = match device.stage {
                Stage::Waiting => device.gone.is_empty(),
                Stage::Removing(until) if now >= until => true,
                Stage::Removing(_) | Stage::Announced | Stage::Withdrawn => continue,
            };
            if is_final {
                outbox.publish(&device.topic, device.new.to_string(), true);
                device.stage = Stage::Announced;
            } else {
                let gone =
                    device.gone.iter().map(|(id, platform)| (id.as_str(), platform.as_str()));
                let first = discovery::with_removed(&device.new, gone);
                outbox.publish(&device.topic, first.to_string(), true);
                device.stage = Stage::Removing(now + BETWEEN);
            }
        }
    }
}
