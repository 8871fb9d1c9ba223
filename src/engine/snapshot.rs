//! The state of an engine as text, versioned.
//!
//! Invariants: a snapshot holds ages, never instants; it names the sensors, actuators and parts by
//! their ids, so that a changed setup is seen; one file per released version is kept under `tests/`
//! and must load.

use super::setup::Setup;
use super::time::{Mono, as_ages};
use super::{Engine, State};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Version of the format.
pub const VERSION: u32 = 1;

#[derive(Serialize)]
struct Written<'a> {
    version: u32,
    sensors: Vec<&'a str>,
    actuators: Vec<&'a str>,
    parts: Vec<&'a str>,
    state: &'a State,
}

#[derive(Deserialize)]
struct Head {
    version: u32,
    sensors: Vec<String>,
    actuators: Vec<String>,
    parts: Vec<String>,
}

#[derive(Deserialize)]
struct Body {
    state: State,
}

/// A snapshot cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SnapshotError {
    /// It is not text of ours.
    #[error("the snapshot cannot be read: {0}")]
    Unreadable(String),
    /// It was written by a later version.
    #[error("the snapshot has version {0}; this program knows versions up to {VERSION}")]
    Version(u32),
    /// Sensors, actuators or parts have changed since.
    #[error("the snapshot belongs to another setup: {0}")]
    Setup(String),
}

fn ids(setup: &Setup) -> (Vec<&str>, Vec<&str>, Vec<&str>) {
    (
        setup.sensors.iter().map(|sensor| sensor.id.as_str()).collect(),
        setup.actuators.iter().map(|actuator| actuator.id.as_str()).collect(),
        setup.parts.iter().map(|part| part.id.as_str()).collect(),
    )
}

impl Engine {
    /// The state as text. Instants become ages against the time of the last evaluation.
    pub fn snapshot(&self) -> String {
        let (sensors, actuators, parts) = ids(&self.setup);
        let written = Written { version: VERSION, sensors, actuators, parts, state: &self.state };
        as_ages(self.state.evaluated, || {
            serde_json::to_string(&written)
                .expect("the state has no maps with keys that JSON lacks")
        })
    }

    /// An engine from a snapshot, its ages counted back from `at`.
    ///
    /// # Errors
    /// [`SnapshotError`] when it cannot be used; nothing is guessed.
    pub fn restore(setup: Arc<Setup>, text: &str, at: Mono) -> Result<Self, SnapshotError> {
        let head: Head = serde_json::from_str(text)
            .map_err(|error| SnapshotError::Unreadable(error.to_string()))?;
        if head.version > VERSION {
            return Err(SnapshotError::Version(head.version));
        }
        let (sensors, actuators, parts) = ids(&setup);
        for (what, written, present) in [
            ("sensors", &head.sensors, &sensors),
            ("actuators", &head.actuators, &actuators),
            ("parts", &head.parts, &parts),
        ] {
            if written.iter().ne(present.iter()) {
                return Err(SnapshotError::Setup(format!(
                    "{what} were {written:?} and are {present:?}"
                )));
            }
        }
        let body: Body = as_ages(at, || serde_json::from_str(text))
            .map_err(|error: serde_json::Error| SnapshotError::Unreadable(error.to_string()))?;
        if !body.state.guard.fits(&setup) {
            return Err(SnapshotError::Setup("the guard's lists have another length".to_owned()));
        }
        Ok(Self::from_state(setup, body.state))
    }
}
