//! The board: what every plant last said, for those who only look (page, bus, hub, demo).
//!
//! Drivers write to it; edges read it or subscribe to its changes. It holds last values and
//! the engine's own plots, so it is bounded by the catalogue and never in anyone's way.

use crate::engine::output::{
    AlarmKey, AlarmUpdate, LogEntry, Output, Permit, ValueKey, ValueUpdate,
};
use crate::engine::plots::Plots;
use crate::engine::setup::Setup;
use std::collections::{BTreeMap, VecDeque};
use std::sync::{Arc, PoisonError, RwLock};

/// A database that lacks no more records than this has caught up: so many may be on their way.
const CAUGHT_UP: u64 = 1000;

/// Log entries kept for the page.
pub const LOG_MAX: usize = 200;

/// What one plant last said.
#[derive(Clone, Debug, Default)]
pub struct PlantBoard {
    /// May water run.
    pub permit: Option<Permit>,
    /// Values of the tree.
    pub values: BTreeMap<ValueKey, ValueUpdate>,
    /// Alarms that have ever left `normal`.
    pub alarms: BTreeMap<AlarmKey, AlarmUpdate>,
    /// The last log entries, oldest first.
    pub log: VecDeque<LogEntry>,
    /// What is kept to be drawn.
    pub plots: Arc<Plots>,
    /// The engine is running; false after a panic until it is restarted.
    pub running: bool,
}

/// How the daemon itself is.
#[derive(Clone, Debug, Default)]
pub struct Health {
    /// The main connection is subscribed.
    pub broker_ready: bool,
    /// The journal can be written.
    pub history_writable: bool,
    /// Journal sequence number on disk.
    pub history_sequence: u64,
    /// Records that the database still lacks; `None` without a database.
    pub database_behind: Option<u64>,
    /// What the database last complained about.
    pub database_fault: Option<String>,
    /// What is known about the database: whether written points were read back.
    pub database_note: Option<String>,
    /// Lines that the database refused for themselves since the daemon started. They stay in the
    /// history.
    pub database_refused: u64,
    /// Bad payloads, counted by sensor (`plant/sensor`).
    pub bad_payloads: BTreeMap<String, u64>,
    /// Messages dropped by the token buckets, by sensor.
    pub rate_limited: BTreeMap<String, u64>,
    /// Messages dropped from a full lane, by plant.
    pub lane_dropped: BTreeMap<String, u64>,
}

impl Health {
    /// Whether the database lacks something for another reason than that it was recorded just now;
    /// `None`: it is catching up, or nothing is known yet.
    pub fn is_database_behind(&self) -> Option<bool> {
        if self.database_fault.is_some() {
            return Some(true);
        }
        self.database_behind.filter(|records| *records <= CAUGHT_UP).map(|_| false)
    }
}

/// The board. Clones share it.
#[derive(Clone, Debug)]
pub struct Board {
    plants: Arc<Vec<(Arc<Setup>, RwLock<PlantBoard>)>>,
    health: Arc<RwLock<Health>>,
}

impl Board {
    /// An empty board for these plants, in their order.
    pub fn new(setups: &[Arc<Setup>]) -> Self {
        Self {
            plants: Arc::new(
                setups.iter().map(|setup| (Arc::clone(setup), RwLock::default())).collect(),
            ),
            health: Arc::default(),
        }
    }

    /// The plants' setups, in their order.
    pub fn setups(&self) -> impl Iterator<Item = &Arc<Setup>> {
        self.plants.iter().map(|(setup, _)| setup)
    }

    /// Notes an output of a plant's engine.
    pub fn note(&self, plant: usize, output: &Output) {
        self.change(plant, |board| match output {
            Output::Value(update) => {
                board.values.insert(update.key, update.clone());
            }
            Output::Alarm(update) => {
                board.alarms.insert(update.key, update.clone());
            }
            Output::Permit(permit) => board.permit = Some(permit.clone()),
            Output::Log(entry) => {
                if board.log.len() >= LOG_MAX {
                    board.log.pop_front();
                }
                board.log.push_back(entry.clone());
            }
            Output::Send(_)
            | Output::Persist { .. }
            | Output::DropGuard { .. }
            | Output::Stopped { .. } => {}
        });
    }

    /// Changes a plant's board.
    pub fn change(&self, plant: usize, change: impl FnOnce(&mut PlantBoard)) {
        change(&mut self.plants[plant].1.write().unwrap_or_else(PoisonError::into_inner));
    }

    /// Reads a plant's board.
    pub fn read<T>(&self, plant: usize, read: impl FnOnce(&PlantBoard) -> T) -> T {
        read(&self.plants[plant].1.read().unwrap_or_else(PoisonError::into_inner))
    }

    /// Changes the daemon's health.
    pub fn change_health(&self, change: impl FnOnce(&mut Health)) {
        change(&mut self.health.write().unwrap_or_else(PoisonError::into_inner));
    }

    /// A copy of the daemon's health.
    pub fn health(&self) -> Health {
        self.health.read().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

#[cfg(test)]
mod tests {
    use super::Health;

    #[test]
    fn a_database_is_behind_by_its_fault_and_has_caught_up_by_its_count() {
        let health = |behind, fault: Option<&str>| Health {
            database_behind: behind,
            database_fault: fault.map(str::to_owned),
            ..Health::default()
        };
        assert_eq!(health(None, None).is_database_behind(), None, "nothing is known yet");
        assert_eq!(health(Some(0), Some("refused")).is_database_behind(), Some(true));
        assert_eq!(health(Some(50_000), None).is_database_behind(), None, "catching up");
        assert_eq!(health(Some(3), None).is_database_behind(), Some(false));
    }
}
