//! The trend path: cleaning, process values, starts, resin, totals. Never in the guard's way.
//!
//! Invariant: nothing here closes or opens anything; findings become told alarms at most.

use super::output::{AlarmKey, LogEntry, ValueUpdate};
use super::phase::Phase;
use super::time::Wall;

/// How things stand when the trend path is told something.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Standing {
    /// What the plant is doing.
    pub phase: Phase,
    /// Water flows through the membrane, by the best evidence there is.
    pub flowing: bool,
    /// What the supply valve is known to be.
    pub valve_open: Option<bool>,
    /// Product goes to the drain (divert, test run).
    pub to_drain: bool,
}

/// A reading for the trend path, in the canonical unit of its quantity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Observation {
    /// The number.
    pub value: f64,
    /// The sensor's own time stamp, if it sends one and the clock is sane.
    pub stamp: Option<Wall>,
    /// The broker's stored copy.
    pub retained: bool,
}

/// A condition that the trend path has found, or found gone. Only told alarms come from here.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// Which alarm.
    pub key: AlarmKey,
    /// Whether its cause is present.
    pub active: bool,
    /// The value that shows it.
    pub value: Option<f64>,
    /// The limit it passed.
    pub limit: Option<f64>,
    /// What is wrong, with its numbers.
    pub text: String,
}

/// What the trend path answers with; the engine passes it on in order.
#[derive(Clone, Debug, Default)]
pub struct Results {
    /// Values of the tree.
    pub values: Vec<ValueUpdate>,
    /// Start records and the like.
    pub logs: Vec<LogEntry>,
    /// Told alarms.
    pub findings: Vec<Finding>,
}
