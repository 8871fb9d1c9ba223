//! Everything that an engine can ask for. Outputs are imperative; the driver carries them out in
//! order.

use super::catalogue::{AlarmId, Class, SignalId};
use super::setup::ActuatorIx;
use super::time::{Mono, Wall};
use super::value::{Basis, Flag, NoReading, Reason};
use serde::{Deserialize, Serialize};

/// Everything that an engine can ask for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "o", rename_all = "kebab-case")]
pub enum Output {
    /// Publish a command on an actuator's topic through its guard connection.
    Send(Send),
    /// Make every record so far durable, then answer with `Event::Persisted`.
    Persist {
        /// To be repeated in the answer.
        token: u64,
    },
    /// A value of the tree changed, or its heartbeat is due.
    Value(ValueUpdate),
    /// An alarm changed its state or its detail.
    Alarm(AlarmUpdate),
    /// The permit changed or was renewed.
    Permit(Permit),
    /// Something for the event stream and the journal.
    Log(LogEntry),
    /// Drop a guard connection without DISCONNECT, so that the broker fires its will: a proof.
    DropGuard {
        /// Which actuator's.
        actuator: ActuatorIx,
    },
    /// A clean stop is complete: valves confirmed closed, or left as configured.
    Stopped {
        /// Every close was acknowledged: the guards may DISCONNECT.
        closed: bool,
    },
}

/// A command for an actuator.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// QoS 1. Repeated by the engine until confirmed.
    Close,
    /// QoS 0, never retained, never queued; the guard task drops it when it is 2 s old or the
    /// connection is not the one of `connection`.
    Open,
}

/// Publish a command on an actuator's topic.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Send {
    /// Which actuator.
    pub actuator: ActuatorIx,
    /// What.
    pub action: Action,
    /// When it was decided; an open that is 2 s old is dropped.
    #[serde(with = "super::time::plain_mono")]
    pub decided: Mono,
    /// How often this close has been repeated.
    pub attempt: u32,
}

/// What a value of the tree is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Datum {
    /// A number in the unit of its kind.
    Number(f64),
    /// A state, with the code under which the database keeps it. Codes are never renumbered.
    State {
        /// Number for the database.
        code: u16,
        /// Word for people and the bus.
        word: std::borrow::Cow<'static, str>,
    },
    /// A yes or a no.
    Flag(bool),
    /// A text.
    Text(String),
}

/// Which value of the tree.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
pub struct ValueKey {
    /// Row of the catalogue.
    pub signal: SignalId,
    /// Sensor or part it belongs to, where the row says that there are several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<u16>,
}

/// A value of the tree with its quality.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ValueUpdate {
    /// Which.
    pub key: ValueKey,
    /// What it is, or why it is absent.
    pub datum: std::result::Result<Datum, NoReading>,
    /// Standard uncertainty, where it says something.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u: Option<f64>,
    /// Worst flag.
    pub flag: Flag,
    /// Why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub reasons: Vec<Reason>,
    /// Measured, or partly assumed.
    pub basis: Basis,
    /// Time of the oldest input on the wall clock; strictly rising per key. `None` while the clock is
    /// not sane.
    pub stamp: Option<Wall>,
    /// Worth storing (left its deadband, or the heartbeat is due); else only for display.
    pub store: bool,
}

/// One word for the quality topic.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quality {
    /// Measured and good.
    Good,
    /// Usable with care, or a test has not run yet.
    Suspect,
    /// Rests on a declared constant.
    Assumed,
    /// There is no value.
    Absent,
}

impl ValueUpdate {
    /// The one word for the quality topic.
    pub fn quality(&self) -> Quality {
        match (&self.datum, self.flag, self.basis) {
            (Err(_), _, _) => Quality::Absent,
            (Ok(_), Flag::Suspect | Flag::NotEvaluated, _) => Quality::Suspect,
            (Ok(_), Flag::Good, Basis::Assumed) => Quality::Assumed,
            (Ok(_), Flag::Good, Basis::Measured) => Quality::Good,
        }
    }
}

/// ISA-18.2 states of an alarm.
///
/// ```text
///            cause                     acknowledge
///  normal ─────────> unacknowledged ───────────────> acknowledged
///    ^  ^                  │ cause gone                  │ cause gone
///    │  └── acknowledge ── returned-unacknowledged       │ (latched: stays until reset)
///    └──────────────────────────────────────────────────┘
///  acknowledged ──more comes behind the cause──> unacknowledged
///  any ──shelve──> shelved ──time or unshelve──> as the cause then is
///  any ──design──> suppressed-by-design     any ──person──> out-of-service
/// ```
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Default, Hash,
)]
#[serde(rename_all = "kebab-case")]
pub enum AlarmState {
    /// No cause, nothing to acknowledge.
    #[default]
    Normal,
    /// Cause present, nobody has taken note.
    Unacknowledged,
    /// Cause present (or latched), taken note of.
    Acknowledged,
    /// Cause gone, nobody has taken note.
    ReturnedUnacknowledged,
    /// Put aside by a person for a limited time.
    Shelved,
    /// Means nothing in the present phase, or follows from another alarm.
    SuppressedByDesign,
    /// Taken out by a person without a limit; listed.
    OutOfService,
}

impl AlarmState {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Normal => "normal",
            Self::Unacknowledged => "unacknowledged",
            Self::Acknowledged => "acknowledged",
            Self::ReturnedUnacknowledged => "returned-unacknowledged",
            Self::Shelved => "shelved",
            Self::SuppressedByDesign => "suppressed-by-design",
            Self::OutOfService => "out-of-service",
        }
    }

    /// The number in the database. Never renumbered.
    pub const fn code(self) -> u16 {
        match self {
            Self::Normal => 0,
            Self::Unacknowledged => 1,
            Self::Acknowledged => 2,
            Self::ReturnedUnacknowledged => 3,
            Self::Shelved => 4,
            Self::SuppressedByDesign => 5,
            Self::OutOfService => 6,
        }
    }
}

/// Which alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
pub struct AlarmKey {
    /// Row of the catalogue.
    pub alarm: AlarmId,
    /// Sensor or part it belongs to, where there are several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub of: Option<u16>,
}

impl AlarmKey {
    /// The alarm of a row that there is once per plant.
    #[inline]
    pub const fn plant(alarm: AlarmId) -> Self {
        Self { alarm, of: None }
    }
}

/// An alarm changed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct AlarmUpdate {
    /// Which.
    pub key: AlarmKey,
    /// Its state now.
    pub state: AlarmState,
    /// The cause is present.
    pub active: bool,
    /// Latched: stays until a person resets it.
    pub latched: bool,
    /// Since when the state holds.
    pub since: Option<Wall>,
    /// The value that raised it.
    pub value: Option<f64>,
    /// The limit it passed.
    pub limit: Option<f64>,
    /// Household class now.
    pub class: Class,
    /// It was the first of those that closed the plant.
    pub first_out: bool,
    /// What is wrong, with its numbers.
    pub text: String,
    /// The standing alarm that it follows from and under which it is shown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub under: Option<AlarmId>,
    /// It comes and goes: so many times in a short while; 0: it does not.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub chattering: u32,
    /// How long a person has to respond, in seconds, counted from `since`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub respond_secs: Option<f64>,
}

#[allow(clippy::trivially_copy_pass_by_ref)] // the signature that serde wants
const fn is_zero(count: &u32) -> bool {
    *count == 0
}

/// Why water may not run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Missing {
    /// Name of the condition: an alarm name, or a permissive.
    pub cause: String,
    /// `trip`, `hold`, `interlock` or `permissive`.
    pub kind: std::borrow::Cow<'static, str>,
    /// What clears it, in words.
    pub clears: String,
}

/// The permit: may water run, and why not.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Permit {
    /// Water may run.
    pub permitted: bool,
    /// Since when.
    pub since: Option<Wall>,
    /// The condition that came first, while not permitted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub first_cause: Option<String>,
    /// Everything that is missing.
    #[serde(default)]
    pub missing: Vec<Missing>,
    /// What the supply valve is known to be.
    pub valve: std::borrow::Cow<'static, str>,
    /// Counts up with every change and renewal.
    pub sequence: u64,
    /// Good until this time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_until: Option<Wall>,
    /// Good for this many seconds, while the clock is not sane.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub valid_secs: Option<f64>,
    /// Remarks: `on_stop = leave`, a bypass, commanded but not confirmed.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<String>,
}

/// Something for the event stream and the journal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LogEntry {
    /// When.
    pub at: Option<Wall>,
    /// Kind: `phase`, `alarm`, `command`, `answer`, `close`, `open`, `confirmed`, `start-record`,
    /// `service`, `trip`, `hold`, `reset`, `proof`, `note`, `notice`, `digest`.
    pub kind: std::borrow::Cow<'static, str>,
    /// One line for people.
    pub text: String,
    /// Details for programs.
    #[serde(default, skip_serializing_if = "serde_json::Value::is_null")]
    pub data: serde_json::Value,
    /// Never dropped, synced at once.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub protective: bool,
}
