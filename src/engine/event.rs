//! Everything that can happen to an engine. Each event is a record of the journal, so the words
//! here are a file format: append variants and fields, never rename or renumber them.

use super::setup::{ActuatorIx, SensorIx};
use super::time::{Span, Wall};
use super::value::NoReading;
use serde::{Deserialize, Serialize};

/// What a new engine hears first where clock, broker and the guards of so many actuators are all there.
pub fn beginning(actuators: usize) -> impl Iterator<Item = Event> {
    let started = Started { found: Found::New, away: None, clean: true };
    let first = [
        Event::Started(started),
        Event::Clock { sane: true, stepped: Span::ZERO },
        Event::BrokerReady,
    ];
    first.into_iter().chain((0..actuators).map(|actuator| Event::GuardConnected { actuator }))
}

/// Everything that can happen to one plant's engine. Events are past tense.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "e", rename_all = "kebab-case")]
pub enum Event {
    /// The daemon has started; the first event of every run.
    Started(Started),
    /// A sensor gave a reading.
    Reading(Reading),
    /// A sensor's message could not be turned into a reading, or the sensor went offline.
    NoReading {
        /// The sensor.
        #[serde(rename = "s")]
        sensor: SensorIx,
        /// Why.
        reason: NoReading,
    },
    /// The main connection is up: subscribed, and the broker granted every subscription.
    BrokerReady,
    /// The main connection is gone, or its echo stays away.
    BrokerLost,
    /// A guard connection got its CONNACK. The valve counts as closed, unconfirmed.
    GuardConnected {
        /// Which actuator.
        actuator: ActuatorIx,
    },
    /// A guard connection is gone.
    GuardLost {
        /// Which actuator.
        actuator: ActuatorIx,
    },
    /// The broker has acknowledged a close that we published.
    CloseAcknowledged {
        /// Which actuator.
        actuator: ActuatorIx,
    },
    /// Somebody else published a command on an actuator's topic. Retained copies do not come here.
    SeenOnTopic {
        /// Which actuator.
        actuator: ActuatorIx,
        /// True for its open payload, false for its close payload.
        open: bool,
    },
    /// Somebody asks for something.
    Command(Command),
    /// The demand topic spoke.
    Demand {
        /// Water is wanted.
        wanted: bool,
    },
    /// All records up to this token are on disk.
    Persisted {
        /// The token of `Output::Persist`.
        token: u64,
    },
    /// Our own echo came back from the broker.
    Echo,
    /// Another live daemon that guards this plant, or has our id, is on the bus, or has gone again.
    OtherInstance {
        /// It is there.
        present: bool,
    },
    /// The system clock became sane, ceased to be, or stepped.
    Clock {
        /// It can be believed.
        sane: bool,
        /// How far it stepped; zero for none.
        stepped: Span,
    },
    /// Civil times of the plan, worked out by who knows the zone; at start, and when they change.
    Calendar(Calendar),
    /// The history cannot be written (disk full, read-only), or can again.
    HistoryWritable {
        /// It can be written.
        ok: bool,
    },
    /// The database lacks what the history holds (it cannot be reached, or refuses), or has it all
    /// again. The history itself is complete.
    DatabaseBehind {
        /// It lacks something.
        behind: bool,
    },
    /// The driver woke at a deadline and nothing else happened.
    Tick,
    /// A clean stop was asked for.
    StopRequested,
}

/// Civil times of one plant's plan. The engine knows no zone, so that it replays alike everywhere.
#[derive(Clone, Debug, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Calendar {
    /// The next changes, soonest first; a few.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub changes: Vec<ChangeAt>,
    /// Seconds by which civil time is ahead of UTC now.
    pub offset_secs: i32,
    /// When that changes next, and to what; within the horizon of `changes`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub then: Option<(Wall, i32)>,
}

/// A planned change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChangeAt {
    /// When the water must be ready.
    pub at: Wall,
    /// Millilitres that it takes from the container: whole, so that records compare.
    pub millilitres: i64,
}

impl Calendar {
    /// Weekday, hour and minute of an instant, for texts: `Thu 22:00`.
    pub fn civil(&self, at: Wall) -> String {
        const DAYS: [&str; 7] = ["Thu", "Fri", "Sat", "Sun", "Mon", "Tue", "Wed"];
        let offset = match self.then {
            Some((from, offset)) if at >= from => offset,
            _ => self.offset_secs,
        };
        let minutes = (at.millis().div_euclid(1000) + i64::from(offset)).div_euclid(60);
        let day = minutes.div_euclid(1440).rem_euclid(7);
        let (hour, minute) = (minutes.rem_euclid(1440) / 60, minutes.rem_euclid(60));
        let day = usize::try_from(day).map_or(DAYS[0], |day| DAYS[day]);
        format!("{day} {hour:02}:{minute:02}")
    }
}

/// How the state was found at start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Found {
    /// No journal: a new plant.
    New,
    /// Snapshot and records were good.
    Restored,
    /// State existed and could not be used; it was kept aside.
    Lost,
}

/// The daemon has started.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Started {
    /// How the state was found.
    pub found: Found,
    /// How long the daemon was away by the wall clock, if both ends are known.
    pub away: Option<Span>,
    /// Whether the last run stopped cleanly.
    pub clean: bool,
}

/// One reading in the canonical unit of its quantity.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reading {
    /// The sensor.
    #[serde(rename = "s")]
    pub sensor: SensorIx,
    /// The number; states are 0 or 1. Always finite.
    #[serde(rename = "v")]
    pub value: f64,
    /// The broker's stored copy: of unknown age. May withhold a permit, never grant one.
    #[serde(rename = "r", default, skip_serializing_if = "std::ops::Not::not")]
    pub retained: bool,
    /// When it arrived at the socket, on the wall clock.
    #[serde(rename = "a", default, skip_serializing_if = "Option::is_none")]
    pub arrived: Option<Wall>,
    /// The sensor's own time stamp.
    #[serde(rename = "t", default, skip_serializing_if = "Option::is_none")]
    pub stamp: Option<Wall>,
}

/// Somebody asks for something.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// The asker's own id, repeated in the answer.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub id: String,
    /// When it was asked; a late command is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<Wall>,
    /// What is asked.
    pub what: Ask,
}

/// What can be asked of an engine.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "ask", rename_all = "kebab-case")]
pub enum Ask {
    /// Close now and stay closed until `release`.
    Close,
    /// Take back `close`.
    Release,
    /// Water is wanted: so many litres (`DemandMode::Litres`).
    Litres {
        /// How much.
        litres: f64,
    },
    /// Reset a trip, named by its alarm.
    Reset {
        /// Alarm name, such as `product-tds-high`.
        cause: String,
        /// Why the person thinks it is gone.
        #[serde(default)]
        reason: String,
    },
    /// Go on for a short time in spite of one cause.
    Bypass {
        /// Alarm name.
        cause: String,
        /// Why.
        reason: String,
    },
    /// End a bypass early.
    BypassEnd,
    /// Accept a steady level of gas in the product for some time. Refused unless the settings allow
    /// it (`limits.product.gas_accept_max_ppm`) and the readings support it.
    AcceptGas {
        /// The level that the readings show, ppm.
        ppm: f64,
        /// Why.
        #[serde(default)]
        reason: String,
    },
    /// Accept it no more.
    AcceptGasEnd,
    /// Let a few litres run to a proven drain, so that quality can be seen in flowing water.
    TestRun {
        /// The person says that the outlet leads to the drain. Refused without it.
        outlet_to_drain: bool,
    },
    /// End a test run early.
    TestRunEnd,
    /// Confirm that the plant may start after its state was lost.
    ConfirmState,
    /// Acknowledge an alarm.
    Acknowledge {
        /// Alarm name, with `-<part or sensor id>` where there are several; `all` for all.
        alarm: String,
    },
    /// Put an alarm on a shelf for a while.
    Shelve {
        /// Alarm name.
        alarm: String,
        /// For how long.
        secs: f64,
        /// Why.
        reason: String,
    },
    /// Take it off the shelf.
    Unshelve {
        /// Alarm name.
        alarm: String,
    },
    /// Take an alarm out of service, or put it back.
    OutOfService {
        /// Alarm name.
        alarm: String,
        /// Out or back.
        out: bool,
    },
    /// Prove that something works.
    Proof {
        /// `valve`, `will`, `leak`, `float` or a probe's id.
        what: String,
    },
    /// Something was done to the plant or measured by hand.
    Service(ServiceEntry),
}

/// Every service entry as it is published on `service/entry/set`, and what it is for. Ids are those of
/// `config/full.toml`; `config/reference.md` shows this table.
pub const SERVICE_ENTRIES: [(&str, &str); 8] = [
    (
        r#"{"entry":"part-changed","part":"sediment"}"#,
        "A part was replaced by a new one, a vessel's resin by fresh resin in the same place. `note` is optional.",
    ),
    (
        r#"{"entry":"lag-to-lead","lead":"lead","fresh":"lag"}"#,
        "The second vessel went to the first place and fresh resin stands behind it. Where ids name places, `lead` is the first place and `fresh` the second. Where they name vessels, `lead` is the one that was second and `fresh` the one that was first. The account goes with the resin either way; the answer says what stands where.",
    ),
    (
        r#"{"entry":"handheld","sensor":"permeate-tds","value":7.5}"#,
        "A reading by hand beside a probe, in its unit. `u` (optional) is the handheld's standard uncertainty.",
    ),
    (
        r#"{"entry":"tap-analysis","alkalinity_mg_per_litre":120,"ph":7.6,"chlorine_mg_per_litre":0.3}"#,
        "Analysis of the tap: alkalinity in mg/L as CaCO3, pH, total chlorine in mg/L; what is unknown is left out.",
    ),
    (
        r#"{"entry":"carbon-test","chlorine_mg_per_litre":0.0}"#,
        "Total chlorine in mg/L behind the carbon.",
    ),
    (r#"{"entry":"valve-serviced","actuator":"valve"}"#, "A valve was cleaned or changed."),
    (
        r#"{"entry":"checked","cause":"leak","note":"dried the floor"}"#,
        "A person looked: what a trip needs whose sensor cannot say that its cause is gone.",
    ),
    (r#"{"entry":"note","text":"new hose at the drain"}"#, "Anything else worth keeping."),
];

/// Something was done to the plant or measured by hand.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "entry", rename_all = "kebab-case")]
pub enum ServiceEntry {
    /// A part was replaced by a new one.
    PartChanged {
        /// Part id.
        part: String,
        /// Litres of bed or other facts may have changed; free text.
        #[serde(default)]
        note: String,
    },
    /// Two vessels changed places: the lag went to the lead place and a new one behind it.
    LagToLead {
        /// Which is now first (its account goes with it).
        lead: String,
        /// Which place holds a fresh vessel.
        fresh: String,
    },
    /// A handheld reading beside a probe.
    Handheld {
        /// Sensor id beside which it was taken.
        sensor: String,
        /// In the sensor's declared unit.
        value: f64,
        /// Standard uncertainty of the handheld in that unit; left out: that of a display of whole ppm and 2 %.
        #[serde(default)]
        u: f64,
    },
    /// Analysis of the tap.
    TapAnalysis {
        /// Alkalinity in mg/L as CaCO3.
        alkalinity_mg_per_litre: Option<f64>,
        /// pH.
        ph: Option<f64>,
        /// Total chlorine in mg/L.
        chlorine_mg_per_litre: Option<f64>,
    },
    /// Water behind the carbon was tested for chlorine.
    CarbonTest {
        /// Total chlorine in mg/L.
        chlorine_mg_per_litre: f64,
    },
    /// The valve was cleaned or changed.
    ValveServiced {
        /// Actuator id.
        actuator: String,
    },
    /// The container was emptied below its stop, or the floor was dried: what a level or leak trip
    /// without a sensor of its own needs.
    Checked {
        /// Alarm name.
        cause: String,
        /// What the person saw.
        note: String,
    },
    /// Anything else worth keeping.
    Note {
        /// The text.
        text: String,
    },
}
