//! The typed tree of all settings. Each field's comment says what it is, its unit, default and
//! range, and what goes wrong at each extreme; `config/reference.md` is made from these comments.

use crate::units::Quantity;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

mod plan;
mod tunables;

pub use plan::{Batch, Change, Plan, Reuse, Weekday};
pub use tunables::{
    FloorLimits, GuardLimits, HouseholdLimits, LeakByLimits, Limits, PressureLimits, Prices,
    ProductLimits, ProofLimits, StageLimits, StoreLimits, TemperatureLimits, WearLimits,
};

/// Everything that a user may set.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Settings {
    /// The daemon itself: its name on the bus, where it keeps its state.
    pub daemon: Daemon,
    /// The MQTT broker.
    pub broker: Broker,
    /// Replication to a time-series database. Off unless a URL is given.
    pub database: Database,
    /// The read-only status page.
    pub web: Web,
    /// The plants, by id (`[a-z0-9-]`).
    pub plants: BTreeMap<String, Plant>,
}

/// The daemon itself.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Daemon {
    /// Id of this daemon on the bus (`[a-z0-9-]`): part of its topics and of its client id. Two
    /// daemons with one id shut each other out; a plant may not have the same id.
    pub id: String,
    /// Folder for journal and snapshots. One daemon at a time; it is locked. On a disk that is lost
    /// at power-off every start begins with the hold `state-lost`.
    pub state_dir: PathBuf,
    /// IANA time zone of schedules and reports, such as `Europe/Lisbon`.
    pub zone: String,
    /// What a clean stop does with the valves.
    pub on_stop: OnStop,
}

impl Default for Daemon {
    fn default() -> Self {
        Self {
            id: "permeated".into(),
            state_dir: "/var/lib/permeated".into(),
            zone: "UTC".into(),
            on_stop: OnStop::Close,
        }
    }
}

/// What a clean stop does with the valves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum OnStop {
    /// Close and wait for the confirmation.
    #[default]
    Close,
    /// Leave as it is; permit and log say so.
    Leave,
}

/// The MQTT broker.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Broker {
    /// Host name or address.
    pub host: String,
    /// TCP port; usually 1883, with TLS 8883.
    #[schemars(range(min = 1, max = 65535))]
    #[schemars(extend("x-unit" = ""))]
    pub port: u16,
    /// Login name; empty for none.
    pub user: String,
    /// File that holds the password (one trailing newline is dropped); a relative path starts at the
    /// credentials folder of the service manager. Never world-readable. Example: `broker-password`.
    pub password_file: Option<PathBuf>,
    /// TLS; absent for plain TCP.
    pub tls: Option<Tls>,
    /// Keep-alive of the main connection. Lower: needless traffic, and a short Wi-Fi pause cuts the
    /// connection. Higher: a dead link is noticed late, which the hold `broker-lost` waits for.
    #[schemars(range(min = 5, max = 600))]
    pub keep_alive_secs: u16,
    /// Keep-alive of each guard connection. When the link hangs, the broker closes the valve after
    /// 1.5 times this and a few seconds more. Lower: more traffic, and a short Wi-Fi pause closes the
    /// valve. Higher: the valve stays open longer with nobody watching.
    #[schemars(range(min = 5, max = 60))]
    pub guard_keep_alive_secs: u16,
    /// First level of every topic of ours; one level, without `/` and wildcards.
    pub root: String,
    /// Discovery prefix of the hub.
    pub discovery_prefix: String,
    /// Whether to announce the plants to the hub.
    pub discovery: bool,
    /// Largest packet accepted or sent. Lower: one larger retained message on a topic of ours cuts
    /// the connection again and again. Higher: one sender can fill that much memory.
    #[schemars(range(min = 1024, max = 16777216))]
    pub packet_max_bytes: u32,
    /// Messages that one sensor may send for long; what comes above is counted and dropped before it
    /// costs anything. Lower: a lively sensor loses readings. Higher: a sensor gone mad costs
    /// processor time.
    #[schemars(range(min = 0.1, max = 1000))]
    #[schemars(extend("x-unit" = "messages per s"))]
    pub sensor_rate_per_sec: f64,
    /// Messages that one sensor may send at once above its rate. Lower: readings sent in a bunch
    /// after a radio gap are lost. Higher: a sensor gone mad costs more before it is slowed.
    #[schemars(range(min = 1, max = 10000))]
    #[schemars(extend("x-unit" = "messages"))]
    pub sensor_burst: u32,
}

impl Default for Broker {
    fn default() -> Self {
        Self {
            host: "127.0.0.1".into(),
            port: 1883,
            user: String::new(),
            password_file: None,
            tls: None,
            keep_alive_secs: 15,
            guard_keep_alive_secs: 5,
            root: "permeated".into(),
            discovery_prefix: "homeassistant".into(),
            discovery: true,
            packet_max_bytes: 1_048_576,
            sensor_rate_per_sec: 5.0,
            sensor_burst: 50,
        }
    }
}

/// TLS towards the broker.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Tls {
    /// PEM file with the authority that signed the broker's certificate. Required. Example:
    /// `/etc/permeated/ca.pem`.
    pub ca_file: PathBuf,
    /// PEM file with our certificate, if the broker asks for one. Example:
    /// `/etc/permeated/client.pem`.
    pub certificate_file: Option<PathBuf>,
    /// PEM file with the key of that certificate. Never world-readable. Example:
    /// `/etc/permeated/client.key`.
    pub key_file: Option<PathBuf>,
}

/// Replication to a database with an InfluxDB-v2 write endpoint.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Database {
    /// Base URL without a path, such as `http://127.0.0.1:8428`; empty for no database.
    pub url: String,
    /// Organisation; some servers ignore it.
    pub org: String,
    /// Bucket; some servers ignore it.
    pub bucket: String,
    /// File that holds the token; a relative path starts at the credentials folder of the service
    /// manager. Never world-readable. Example: `database-token`.
    pub token_file: Option<PathBuf>,
    /// Longest time for one request. Lower: a slow disk on the other side looks like a fault and
    /// everything is sent twice. Higher: an outage is noticed late.
    #[schemars(range(min = 1, max = 120))]
    pub timeout_secs: u64,
    /// Most lines in one request. Lower: catching up after an outage takes long. Higher: servers
    /// refuse the request as too large.
    #[schemars(range(min = 1, max = 50000))]
    pub batch_lines: usize,
}

impl Default for Database {
    fn default() -> Self {
        Self {
            url: String::new(),
            org: "home".into(),
            bucket: "permeated".into(),
            token_file: None,
            timeout_secs: 10,
            batch_lines: 5000,
        }
    }
}

/// The read-only status page.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Web {
    /// Address and port; empty for no page. Anything but loopback is refused in this version: whoever
    /// is to see it from elsewhere needs a proxy with a login in front.
    pub listen: String,
}

impl Default for Web {
    fn default() -> Self {
        Self { listen: "127.0.0.1:8479".into() }
    }
}

/// One plant.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Plant {
    /// Name shown to people; empty: the id.
    pub name: String,
    /// Scale on which this plant's dissolved solids are shown. Meters use 0.5, 0.64 or 0.7; take that
    /// of the meter that you compare with. Lower or higher than your meter's: every ppm figure, and
    /// each ppm limit, is off by the same share.
    #[schemars(range(min = 0.4, max = 0.9))]
    #[schemars(extend("x-unit" = "ppm per µS/cm"))]
    pub ppm_factor: f64,
    /// The sensors, by id (`[a-z0-9-]`).
    pub sensors: BTreeMap<String, Sensor>,
    /// The things that can be told to close: valves and the pump, by id (`[a-z0-9-]`).
    pub actuators: BTreeMap<String, Actuator>,
    /// The parts that wear, by id (`[a-z0-9-]`).
    pub parts: BTreeMap<String, Part>,
    /// Who asks for water.
    pub demand: Demand,
    /// The container.
    pub store: Store,
    /// What the water is for: changes and salt water.
    pub plan: Plan,
    /// Concentrate that is kept and used again.
    pub reuse: Reuse,
    /// Constants for what is not measured. A value that rests on one says `assumed`.
    pub assumed: Assumed,
    /// Limits and delays.
    pub limits: Limits,
    /// Prices, for what creep, waste and changes cost.
    pub prices: Prices,
}

impl Default for Plant {
    fn default() -> Self {
        Self {
            name: String::new(),
            ppm_factor: 0.5,
            sensors: BTreeMap::new(),
            actuators: BTreeMap::new(),
            parts: BTreeMap::new(),
            demand: Demand::default(),
            store: Store::default(),
            plan: Plan::default(),
            reuse: Reuse::default(),
            assumed: Assumed::default(),
            limits: Limits::default(),
            prices: Prices::default(),
        }
    }
}

/// A place in the plant.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema, Hash,
)]
#[serde(rename_all = "kebab-case")]
pub enum Point {
    /// The tap.
    Supply,
    /// The membrane's inlet.
    Feed,
    /// What leaves the membrane with the salt; a sensor of quantity `open` there is the flush valve.
    Concentrate,
    /// What passed the membrane.
    Permeate,
    /// Outlet of the first vessel.
    Between,
    /// After the last vessel.
    Product,
    /// The container.
    Store,
    /// The container for concentrate that is used again.
    Reuse,
    /// The floor, the cabinet.
    Room,
}

impl Point {
    /// The word used in topics and settings.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Supply => "supply",
            Self::Feed => "feed",
            Self::Concentrate => "concentrate",
            Self::Permeate => "permeate",
            Self::Between => "between",
            Self::Product => "product",
            Self::Store => "store",
            Self::Reuse => "reuse",
            Self::Room => "room",
        }
    }
}

/// How a display rounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Rounding {
    /// To the nearest step.
    Nearest,
    /// Cuts off.
    Down,
    /// Not known: counted as the wider of both.
    #[default]
    Unknown,
}

/// What a conductivity probe does about temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Compensation {
    /// The probe refers its readings to 25 °C itself.
    #[default]
    Compensated,
    /// Raw: we compensate with the temperature at the same point, natural-water curve (ISO 7888).
    Raw,
    /// Raw and close to pure: water and salt are compensated apart.
    RawPure,
}

/// One sensor: one quantity at one point from one topic.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Sensor {
    /// MQTT topic, without wildcards. Required.
    pub topic: String,
    /// JSON pointer (RFC 6901) to the number inside the payload, such as `/value`; empty for a plain
    /// payload. States (`full`, `leak`, `open`) may be 1 and 0 or words in any case: on, true, yes, open, full,
    /// wet, leak, high, active, detected, alarm; off, false, no, closed, empty, dry, low, inactive, clear, ok.
    pub pointer: String,
    /// JSON pointer to the sensor's own time stamp; empty if it sends none.
    pub time_pointer: String,
    /// Topic on which the sensor says that it is online or offline; empty for none.
    pub availability_topic: String,
    /// What it measures. Required.
    pub quantity: Option<Quantity>,
    /// Where. Required.
    pub point: Option<Point>,
    /// Unit of the payload, such as `ppm`, `uS/cm`, `bar`. Required but for states and pulses; it is
    /// never guessed.
    pub unit: String,
    /// Scale of a ppm display, 0.4 to 0.9; 0: the plant's. Lower than the display's own: readings
    /// count as more than they are. Higher: as less, so that a limit is met late.
    #[schemars(range(min = 0, max = 0.9))]
    #[schemars(extend("x-unit" = "ppm per µS/cm"))]
    pub ppm_factor: f64,
    /// Temperature compensation of a conductivity probe.
    pub compensation: Compensation,
    /// Display step in `unit`; 0 when it is far finer than anything that matters. Lower than the true
    /// step: a display that stands still looks like a dead probe. Higher: small changes count as
    /// nothing.
    #[schemars(range(min = 0, max = 1000000))]
    #[schemars(extend("x-unit" = "of `unit`"))]
    pub step: f64,
    /// How the display rounds.
    pub rounding: Rounding,
    /// Litres for each pulse, for `quantity = "pulses"`. Lower than true: the container is fuller
    /// than the daemon thinks. Higher: runs are stopped early.
    #[schemars(range(min = 0, max = 1000))]
    pub litres_per_pulse: f64,
    /// Where a pulse counter or a running total turns over to 0; 0: it does not. Lower than true:
    /// true counts look like resets. Higher: one turn-over is lost and counted as a reset.
    #[schemars(range(min = 0, max = 1e15))]
    #[schemars(extend("x-unit" = "of `unit`"))]
    pub wraps_at: f64,
    /// Usual time between messages while water flows; learned from there. Lower than true: the sensor
    /// looks silent until learned. Higher: silence is noticed late until learned. Of a switch only what it
    /// repeats without a change counts, at rest as well, and one that never does may be silent for hours.
    #[schemars(range(min = 0.1, max = 3600))]
    pub interval_secs: f64,
    /// Sleeps on a battery: silent for hours when nothing changes.
    pub battery: bool,
    /// For `quantity = "full"` at the store: this float sits above the stop, so it trips instead of
    /// making production wait. Default false: a float is the stop itself. True on the stop's own
    /// float makes every full container a trip.
    pub overfull: bool,
    /// Smallest reading in `unit` that the sensor can give; below it is a fault and no water. Absent:
    /// the usual one of its quantity. Lower than true: a broken probe passes for a reading. Higher:
    /// true readings count as faults. Example: `0.0`.
    #[schemars(range(min = -1e6, max = 1e12))]
    #[schemars(extend("x-unit" = "of `unit`"))]
    pub min: Option<f64>,
    /// Largest reading in `unit` that the sensor can give; above it is a fault and no water. Absent:
    /// the usual one of its quantity. Lower than true: true readings count as faults. Higher: a
    /// broken probe passes for a reading. Example: `2000.0`.
    #[schemars(range(min = -1e6, max = 1e12))]
    #[schemars(extend("x-unit" = "of `unit`"))]
    pub max: Option<f64>,
    /// Relative standard uncertainty of its gain (0.03: three of a hundred); 0: the usual one, 0.05 for
    /// a probe of dissolved solids and 0.03 for all else. Lower than true: rejection and balance look
    /// surer than they are. Higher: real changes drown.
    #[schemars(range(min = 0, max = 0.5))]
    #[schemars(extend("x-unit" = "1"))]
    pub gain_u: f64,
    /// Probes with the same name here were calibrated together, or hang on one meter: their gains err
    /// alike, which cancels in a ratio. Empty: its gain errs on its own. Wrongly the same: rejection
    /// looks surer than it is.
    pub gain_group: String,
    /// Standard uncertainty of its zero, in `unit`; 0: not known, and rejection then reckons with 0.6 ppm
    /// of a probe in the permeate until a handheld reading has set it. Lower than true: differences between two probes
    /// near zero are believed. Higher: they say nothing.
    #[schemars(range(min = 0, max = 1000000))]
    #[schemars(extend("x-unit" = "of `unit`"))]
    pub zero_u: f64,
}

impl Default for Sensor {
    fn default() -> Self {
        Self {
            topic: String::new(),
            pointer: String::new(),
            time_pointer: String::new(),
            availability_topic: String::new(),
            quantity: None,
            point: None,
            unit: String::new(),
            ppm_factor: 0.0,
            compensation: Compensation::default(),
            step: 0.0,
            rounding: Rounding::default(),
            litres_per_pulse: 0.0,
            wraps_at: 0.0,
            interval_secs: 10.0,
            battery: false,
            overfull: false,
            min: None,
            max: None,
            gain_u: 0.0,
            gain_group: String::new(),
            zero_u: 0.0,
        }
    }
}

/// What a closing thing is for.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// The valve that lets tap water in. Every plant with a guard has one.
    SupplyValve,
    /// The booster pump: `close` means stop. Where a hub opens, it may switch pump and valve together, in any
    /// order; a pump that runs for 10 s (and the valve's travel) without a valve that is known to be open is
    /// stopped.
    Pump,
    /// Sends permeate to the drain instead of through the resin. `close` means: to the drain.
    Divert,
    /// Sends product to the drain instead of into the store. `close` means: to the drain.
    ProductDivert,
    /// A further output that follows the causes named in `causes`.
    Custom,
}

impl Role {
    /// The word used in settings.
    pub const fn word(self) -> &'static str {
        match self {
            Self::SupplyValve => "supply-valve",
            Self::Pump => "pump",
            Self::Divert => "divert",
            Self::ProductDivert => "product-divert",
            Self::Custom => "custom",
        }
    }
}

/// Where a valve goes when its power fails.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Fails {
    /// Closes.
    Closed,
    /// Opens.
    Open,
    /// Stays where it is.
    Stays,
    /// Not declared: counted as the worst.
    #[default]
    Unknown,
}

/// How a valve moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ValveKind {
    /// Solenoid with a pilot; needs some pressure to close.
    Pilot,
    /// Direct solenoid.
    #[default]
    Direct,
    /// Motor; takes `travel_secs`.
    Motor,
}

/// Where the supply valve sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum ValvePlace {
    /// Before the filters: they lose pressure when it closes.
    #[default]
    BeforeFilters,
    /// After the filters: they stay under pressure.
    AfterFilters,
}

/// A valve or a pump: one topic that can be told to close.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Actuator {
    /// What it is for. Required.
    pub role: Option<Role>,
    /// Command topic, without wildcards; never a sensor's, never one of ours. Required.
    pub topic: String,
    /// Payload that closes (stops). Required.
    pub close: String,
    /// Payload that opens (starts); empty if the daemon never opens it. With `demand.mode = "hub"` it
    /// only serves to recognise and, with an off-timer, to renew an opening.
    pub open: String,
    /// Whether the close is retained: a relay that was away then gets it when it returns. An open
    /// never is retained, and no key makes it so.
    pub retain_close: bool,
    /// Id of the sensor (`quantity = "open"`) that reports its state; empty for none: then a close is
    /// confirmed by the flow, or not at all.
    pub state_sensor: String,
    /// Where it goes when its power fails.
    pub fails: Fails,
    /// How it moves.
    pub kind: ValveKind,
    /// Time a motor valve takes. Lower than true: a close that is on its way counts as failed.
    /// Higher: a valve that does not close is found late.
    #[schemars(range(min = 0, max = 120))]
    pub travel_secs: f64,
    /// Where the supply valve sits.
    pub place: ValvePlace,
    /// Its own off-timer: the relay switches off by itself after this; 0 for none. The strongest
    /// protection there is, since it needs nobody. Lower: a few lost renewals close the valve in the
    /// middle of a run. Higher: the valve stays open that long when everything else is dead.
    #[schemars(range(min = 0, max = 86400))]
    pub off_timer_secs: f64,
    /// How often `open` is repeated while permitted and demanded, to re-arm the off-timer; 0 for
    /// never. At most a third of the off-timer, so that two lost ones do no harm. Lower: needless
    /// traffic. Higher: the off-timer ends runs.
    #[schemars(range(min = 0, max = 28800))]
    pub open_renew_secs: f64,
    /// For `role = "custom"`: names of the alarms on which it is told to close.
    pub causes: Vec<String>,
}

impl Default for Actuator {
    fn default() -> Self {
        Self {
            role: None,
            topic: String::new(),
            close: String::new(),
            open: String::new(),
            retain_close: false,
            state_sensor: String::new(),
            fails: Fails::default(),
            kind: ValveKind::default(),
            travel_secs: 0.0,
            place: ValvePlace::default(),
            off_timer_secs: 0.0,
            open_renew_secs: 0.0,
            causes: Vec::new(),
        }
    }
}

/// What wears.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum PartKind {
    /// Sediment filter.
    Sediment,
    /// Carbon block.
    Carbon,
    /// Reverse-osmosis membrane.
    Membrane,
    /// Mixed-bed vessel.
    Mixed,
    /// Cation vessel.
    Cation,
    /// Anion vessel.
    Anion,
}

impl PartKind {
    /// The word used in settings.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Sediment => "sediment",
            Self::Carbon => "carbon",
            Self::Membrane => "membrane",
            Self::Mixed => "mixed",
            Self::Cation => "cation",
            Self::Anion => "anion",
        }
    }

    /// True for a vessel of resin.
    pub const fn is_vessel(self) -> bool {
        matches!(self, Self::Mixed | Self::Cation | Self::Anion)
    }
}

/// A part that wears. Accounts follow the part, not the place.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Part {
    /// What it is. Required.
    pub kind: Option<PartKind>,
    /// Place in the direction of flow: lead is 1, lag is 2. Vessels are counted together, other parts
    /// among their kind. Lower is nearer to the tap, higher nearer to the store; wrong way round,
    /// each account goes to the wrong vessel.
    #[schemars(range(min = 1, max = 9))]
    #[schemars(extend("x-unit" = ""))]
    pub position: u8,
    /// When it was fitted (a date in quotes, `"2026-03-01"`); empty when unknown.
    pub fitted: String,
    /// Resin and carbon: litres of bed. Required for a vessel; for carbon it gives the contact time.
    /// Lower than true: resin is called spent early, and contact looks shorter. Higher: spent late,
    /// and contact looks longer.
    #[schemars(range(min = 0, max = 1000))]
    pub bed_litres: f64,
    /// Resin: declared capacity of a litre of bed, until the first exhaustion teaches it. Lower:
    /// resin is ordered early. Higher: it is ordered late.
    #[schemars(range(min = 0.1, max = 2))]
    pub capacity_eq_per_litre: f64,
    /// Resin: relative standard uncertainty of that. Lower: the interval of the remaining days is too
    /// narrow, and what the plant teaches is believed late. Higher: it is so wide that it says
    /// little.
    #[schemars(range(min = 0, max = 1))]
    #[schemars(extend("x-unit" = "1"))]
    pub capacity_u: f64,
    /// Carbon and sediment: rated litres at `rated_mg_per_litre`; 0 when unknown. Lower than true:
    /// changed early. Higher: chlorine may reach the membrane.
    #[schemars(range(min = 0, max = 10000000))]
    pub rated_litres: f64,
    /// Carbon: oxidant in the rating. Lower than true: the load is reached early. Higher: it is
    /// reached late and chlorine may pass.
    #[schemars(range(min = 0.01, max = 20))]
    pub rated_mg_per_litre: f64,
    /// Longest service; 0 for no limit. Lower: changed early. Higher: germs and fines are left to
    /// grow.
    #[schemars(range(min = 0, max = 10000))]
    pub service_days: f64,
    /// Membrane: active area; 0 when unknown. Lower or higher than true: flow for each square metre
    /// is off by the same share.
    #[schemars(range(min = 0, max = 1000))]
    pub area_m2: f64,
    /// Membrane: rated flow at its reference pressure and 25 °C; 0 when unknown. Lower than true: a
    /// worn membrane looks healthy. Higher: a healthy one looks worn.
    #[schemars(range(min = 0, max = 1000))]
    pub rated_litres_per_min: f64,
    /// Membrane: pressure at which it is rated. Lower than true: a healthy membrane looks worn.
    /// Higher: a worn one looks healthy.
    #[schemars(range(min = 0.5, max = 80))]
    pub rated_bar: f64,
    /// What a new one costs, in any one currency; 0 when unknown. Lower or higher than true: costs
    /// are off by the same share.
    #[schemars(range(min = 0, max = 1000000))]
    #[schemars(extend("x-unit" = "money"))]
    pub price: f64,
}

impl Default for Part {
    fn default() -> Self {
        Self {
            kind: None,
            position: 1,
            fitted: String::new(),
            bed_litres: 0.0,
            capacity_eq_per_litre: 0.5,
            capacity_u: 0.2,
            rated_litres: 0.0,
            rated_mg_per_litre: 2.0,
            service_days: 0.0,
            area_m2: 0.0,
            rated_litres_per_min: 0.0,
            rated_bar: 3.45,
            price: 0.0,
        }
    }
}

/// Who asks for water.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DemandMode {
    /// The hub opens and closes; the daemon permits and closes.
    #[default]
    Hub,
    /// By level: opens below the band, closes above.
    Level,
    /// A topic says on or off.
    Topic,
    /// Litres on command.
    Litres,
}

/// Who asks for water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Demand {
    /// How water is asked for.
    pub mode: DemandMode,
    /// For `mode = "topic"`: the topic that says on or off, without wildcards.
    pub topic: String,
    /// For `mode = "level"`: opens below this much in the store. Lower: the store may run short.
    /// Higher: many short starts, and each brings salty first water.
    #[schemars(range(min = 0, max = 100000))]
    pub start_below_litres: f64,
    /// For `mode = "level"`: closes at this much in the store. Lower: short runs, and each start
    /// brings salty first water. Higher: closer to running over; never above the container's volume.
    #[schemars(range(min = 0, max = 100000))]
    pub stop_at_litres: f64,
}

impl Default for Demand {
    fn default() -> Self {
        Self {
            mode: DemandMode::Hub,
            topic: String::new(),
            start_below_litres: 0.0,
            stop_at_litres: 0.0,
        }
    }
}

/// The container.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Store {
    /// Volume up to the stop; 0 when there is none or it is unknown. Lower than true: runs are
    /// stopped early. Higher: more may run than fits.
    #[schemars(range(min = 0, max = 100000))]
    pub litres: f64,
    /// Water below the outlet that cannot be drawn. Lower than true: the store seems to last longer
    /// than it does. Higher: it seems to last shorter.
    #[schemars(range(min = 0, max = 100000))]
    pub dead_litres: f64,
}

/// Constants for what is not measured.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Assumed {
    /// Dissolved solids of the tap on the plant's scale. Example: `240.0`. Lower or higher than true:
    /// rejection and what the resin still holds are off.
    #[schemars(range(min = 1, max = 5000))]
    pub feed_tds_ppm: Option<f64>,
    /// Permeate flow. Example: `0.2`. Lower or higher than true: litres, doses and the resin account
    /// are off by the same share.
    #[schemars(range(min = 0.001, max = 1000))]
    pub permeate_litres_per_min: Option<f64>,
    /// Share of the feed that becomes permeate. Example: `0.25`. Lower or higher than true:
    /// concentrate and waste are off.
    #[schemars(range(min = 0.05, max = 0.95))]
    #[schemars(extend("x-unit" = "1"))]
    pub recovery: Option<f64>,
    /// Water temperature. Example: `15.0`. Lower or higher than true: flow and salt passage seem to
    /// change with the seasons.
    #[schemars(range(min = 0, max = 50))]
    pub temperature_c: Option<f64>,
    /// Feed pressure. Example: `4.0`. Lower or higher than true: the normalised flow is off by about
    /// the same share.
    #[schemars(range(min = 0.1, max = 80))]
    pub feed_pressure_bar: Option<f64>,
    /// Alkalinity of the tap, as CaCO3, for the carbon-dioxide load of the resin. Example: `120.0`.
    /// Lower or higher than true: resin is ordered late or early.
    #[schemars(range(min = 0, max = 1000))]
    pub alkalinity_mg_per_litre: Option<f64>,
    /// pH of the tap. Example: `7.6`. Lower or higher than true: the carbon-dioxide load of the resin
    /// is off, by tenfold for one unit.
    #[schemars(range(min = 4, max = 11))]
    #[schemars(extend("x-unit" = "pH"))]
    pub ph: Option<f64>,
    /// Total chlorine of the tap. Example: `0.3`. Lower or higher than true: the load of the carbon
    /// is off by the same share.
    #[schemars(range(min = 0, max = 20))]
    pub chlorine_mg_per_litre: Option<f64>,
    /// Water drawn from the container in a day, without changes, until it is learned. Example: `6.0`.
    /// Lower than true: the container seems to last longer than it does, and starts come late. Higher:
    /// starts come early.
    #[schemars(range(min = 0, max = 100000))]
    #[schemars(extend("x-unit" = "L/d"))]
    pub use_litres_per_day: Option<f64>,
    /// Volume between the last vessel and the product probe. Example: `0.05`. Lower than true: water
    /// that stood there is judged as product. Higher: the rinse-in lasts longer than it must.
    #[schemars(range(min = 0, max = 100))]
    pub tube_litres: Option<f64>,
}
