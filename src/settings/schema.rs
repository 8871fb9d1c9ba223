//! The typed tree of all settings. Each field's comment says what it is, its unit, default and
//! range, and what goes wrong at each extreme; `config/reference.md` is made from these comments.

use crate::units::Quantity;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::PathBuf;

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
    /// Id of this daemon on the bus (`[a-z0-9-]`). Two daemons with one id shut each other out.
    pub id: String,
    /// Folder for journal and snapshots. One daemon at a time; it is locked.
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
    /// TCP port, 1 to 65535; usually 1883, with TLS 8883.
    pub port: u16,
    /// Login name; empty for none.
    pub user: String,
    /// File that holds the password (one trailing newline is dropped). Never world-readable.
    pub password_file: Option<PathBuf>,
    /// TLS; absent for plain TCP.
    pub tls: Option<Tls>,
    /// Keep-alive of the main connection in seconds, 5 to 600.
    pub keep_alive_secs: u16,
    /// Keep-alive of each guard connection in seconds, 5 to 60. The broker fires the will after 1.5
    /// times this; shorter costs traffic and survives fewer Wi-Fi retries, longer leaves the valve
    /// open longer when the link hangs.
    pub guard_keep_alive_secs: u16,
    /// First level of every topic of ours.
    pub root: String,
    /// Discovery prefix of the hub.
    pub discovery_prefix: String,
    /// Whether to announce the plants to the hub.
    pub discovery: bool,
    /// Largest packet accepted or sent, in bytes, 1024 to 16777216.
    pub packet_max_bytes: u32,
    /// Messages a second that one sensor may send for long, 0.1 to 1000. What comes above is counted
    /// and dropped before it costs anything.
    pub sensor_rate_per_sec: f64,
    /// Messages that one sensor may send at once above its rate, 1 to 10000.
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
    /// PEM file with the authority that signed the broker's certificate.
    pub ca_file: PathBuf,
    /// PEM file with our certificate, if the broker asks for one.
    pub certificate_file: Option<PathBuf>,
    /// PEM file with the key of that certificate.
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
    /// File that holds the token.
    pub token_file: Option<PathBuf>,
    /// Longest time for one request in seconds, 1 to 120.
    pub timeout_secs: u64,
    /// Most lines in one request, 1 to 50000.
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
    /// Address and port; empty for no page. Anything but loopback is refused in this version.
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
    /// Scale on which this plant's dissolved solids are shown, in ppm per µS/cm, 0.4 to 0.9.
    pub ppm_factor: f64,
    /// The sensors, by id.
    pub sensors: BTreeMap<String, Sensor>,
    /// The things that can be told to close: valves and the pump, by id.
    pub actuators: BTreeMap<String, Actuator>,
    /// The parts that wear, by id.
    pub parts: BTreeMap<String, Part>,
    /// Who asks for water.
    pub demand: Demand,
    /// The container.
    pub store: Store,
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
    /// What leaves the membrane with the salt.
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
    /// MQTT topic, without wildcards.
    pub topic: String,
    /// JSON pointer (RFC 6901) to the number inside the payload; empty for a plain payload.
    pub pointer: String,
    /// JSON pointer to the sensor's own time stamp; empty if it sends none.
    pub time_pointer: String,
    /// Topic on which the sensor says that it is online or offline; empty for none.
    pub availability_topic: String,
    /// What it measures. Required.
    pub quantity: Option<Quantity>,
    /// Where. Required.
    pub point: Option<Point>,
    /// Unit of the payload, such as `ppm`, `uS/cm`, `bar`. Required but for states and pulses.
    pub unit: String,
    /// Scale of a ppm display, in ppm per µS/cm, 0.4 to 0.9; 0: the plant's.
    pub ppm_factor: f64,
    /// Temperature compensation of a conductivity probe.
    pub compensation: Compensation,
    /// Display step in `unit`; 0 when it is far finer than anything that matters.
    pub step: f64,
    /// How the display rounds.
    pub rounding: Rounding,
    /// Litres for each pulse, for `quantity = "pulses"`.
    pub litres_per_pulse: f64,
    /// Where a pulse counter turns over to 0; 0: it does not.
    pub wraps_at: f64,
    /// Usual time between messages in seconds while water flows, 0.1 to 3600. Learned from there.
    pub interval_secs: f64,
    /// Sleeps on a battery: silent for hours when nothing changes.
    pub battery: bool,
    /// Smallest reading in `unit` that the sensor can give.
    pub min: Option<f64>,
    /// Largest reading in `unit` that the sensor can give.
    pub max: Option<f64>,
    /// Relative standard uncertainty of its gain, 0 to 0.5; shared by probes of one make.
    pub gain_u: f64,
    /// Standard uncertainty of its zero, in `unit`.
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
            min: None,
            max: None,
            gain_u: 0.03,
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
    /// The booster pump: `close` means stop.
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
    /// Command topic, without wildcards; never a sensor's. Required.
    pub topic: String,
    /// Payload that closes (stops). Required.
    pub close: String,
    /// Payload that opens (starts); empty if the daemon never opens it.
    pub open: String,
    /// Whether the close is retained. An open never is.
    pub retain_close: bool,
    /// Id of the sensor (`quantity = "open"`) that reports its state; empty for none.
    pub state_sensor: String,
    /// Where it goes when its power fails.
    pub fails: Fails,
    /// How it moves.
    pub kind: ValveKind,
    /// Time a motor valve takes, in seconds, 0 to 120.
    pub travel_secs: f64,
    /// Where the supply valve sits.
    pub place: ValvePlace,
    /// Its own off-timer in seconds: the relay switches off by itself after this; 0 for none. The
    /// strongest protection there is, since it needs nobody.
    pub off_timer_secs: f64,
    /// How often `open` is repeated while permitted and demanded, in seconds, to re-arm the
    /// off-timer; 0 for never. At most a third of the off-timer.
    pub open_renew_secs: f64,
    /// For `role = "custom"`: ids of the alarms on which it is told to close.
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
    /// Order among its kind in the direction of flow, 1 to 9: lead is 1, lag is 2.
    pub position: u8,
    /// When it was fitted (date, `2026-03-01`); empty when unknown.
    pub fitted: String,
    /// Resin: litres of bed.
    pub bed_litres: f64,
    /// Resin: declared capacity in equivalents per litre of bed, 0.1 to 2.
    pub capacity_eq_per_litre: f64,
    /// Resin: relative standard uncertainty of that, 0 to 1.
    pub capacity_u: f64,
    /// Carbon and sediment: rated litres at `rated_mg_per_litre`.
    pub rated_litres: f64,
    /// Carbon: oxidant in the rating, in mg/L.
    pub rated_mg_per_litre: f64,
    /// Longest service in days; 0 for no limit.
    pub service_days: f64,
    /// Membrane: active area in m²; 0 when unknown.
    pub area_m2: f64,
    /// Membrane: rated flow in L/min at the reference pressure and 25 °C; 0 when unknown.
    pub rated_litres_per_min: f64,
    /// Membrane: pressure at which it is rated, in bar.
    pub rated_bar: f64,
    /// What a new one costs.
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
            capacity_u: 0.3,
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
    /// For `mode = "topic"`: the topic.
    pub topic: String,
    /// For `mode = "level"`: opens below this many litres in the store.
    pub start_below_litres: f64,
    /// For `mode = "level"`: closes at this many litres.
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
    /// Volume up to the stop, in litres; 0 when there is none.
    pub litres: f64,
    /// Water below the outlet that cannot be drawn, in litres.
    pub dead_litres: f64,
}

/// Constants for what is not measured.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Assumed {
    /// Dissolved solids of the tap, ppm on the plant's scale.
    pub feed_tds_ppm: Option<f64>,
    /// Permeate flow in L/min.
    pub permeate_litres_per_min: Option<f64>,
    /// Recovery, 0.05 to 0.95.
    pub recovery: Option<f64>,
    /// Water temperature in °C.
    pub temperature_c: Option<f64>,
    /// Feed pressure in bar.
    pub feed_pressure_bar: Option<f64>,
    /// Alkalinity of the tap in mg/L as CaCO3, for the carbon-dioxide load.
    pub alkalinity_mg_per_litre: Option<f64>,
    /// pH of the tap.
    pub ph: Option<f64>,
    /// Total chlorine of the tap in mg/L.
    pub chlorine_mg_per_litre: Option<f64>,
    /// Volume between the last vessel and the product probe, in litres.
    pub tube_litres: Option<f64>,
}

/// Limits and delays.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Limits {
    /// Product quality.
    pub product: ProductLimits,
    /// The guard's own times.
    pub guard: GuardLimits,
    /// Container: litres and level.
    pub store: StoreLimits,
    /// Pressures.
    pub pressure: PressureLimits,
    /// Temperatures.
    pub temperature: TemperatureLimits,
    /// Water that passes a closed valve.
    pub leak_by: LeakByLimits,
    /// Leak sensor and floats.
    pub floor: FloorLimits,
    /// Wear and quality of the stages.
    pub stages: StageLimits,
}

macro_rules! limits {
    ($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident: $ty:ty = $default:expr,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(default)]
        pub struct $name {
            $($(#[$fdoc])* pub $field: $ty,)*
        }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }
    };
}

limits!(
    /// Product quality, judged by dose in flowing water.
    ProductLimits {
        /// Reading that counts as not pure, in ppm.
        limit_ppm: f64 = 1.0,
        /// Dose (ppm above zero times litres) that closes, in ppm·L.
        dose_ppm_litres: f64 = 0.5,
        /// Least readings at or above the limit before a close.
        readings_min: u32 = 3,
        /// Least time at or above the limit before a close, in seconds.
        duration_min_secs: f64 = 15.0,
        /// Litres of flowing water below the limit that take the dose back to zero.
        clear_litres: f64 = 1.0,
        /// Rinse-in after a start, in litres: standing water in the last vessel is not judged by
        /// dose until this much has passed.
        rinse_in_litres: f64 = 0.5,
        /// Ceiling during the rinse-in, in ppm.
        rinse_in_ceiling_ppm: f64 = 5.0,
        /// Longest rinse-in, in seconds.
        rinse_in_max_secs: f64 = 600.0,
        /// Gross failure: closes without a dose, in ppm.
        fast_ppm: f64 = 20.0,
        /// Readings for that.
        fast_readings: u32 = 3,
    }
);

limits!(
    /// The guard's own times.
    GuardLimits {
        /// Readings in the guard path's median, odd, 1 to 9; 0: 3, or 5 when the sensor's interval
        /// is below 5 s.
        median_readings: u32 = 0,
        /// Stale while flowing: this many usual intervals.
        stale_factor: f64 = 3.0,
        /// ... but at least this, in seconds.
        stale_min_secs: f64 = 15.0,
        /// ... and at most this, in seconds.
        stale_max_secs: f64 = 60.0,
        /// Stale on standby, in seconds.
        standby_min_secs: f64 = 600.0,
        /// Stale for a battery sensor, in seconds.
        battery_max_secs: f64 = 93_600.0,
        /// After opening the product probe must prove itself alive within this time, in seconds.
        prove_in_secs: f64 = 60.0,
        /// ... or this volume, in litres.
        prove_in_litres: f64 = 0.2,
        /// A hold returns after its cause has been good for this long, in seconds.
        hold_return_secs: f64 = 60.0,
        /// The hold of one cause that latches within 24 h.
        holds_per_day: u32 = 3,
        /// Shortest time between a close and the next open, in seconds.
        off_min_secs: f64 = 600.0,
        /// Most starts in an hour.
        starts_per_hour: u32 = 2,
        /// Most starts in a day.
        starts_per_day: u32 = 12,
        /// How long a permit is valid, in seconds.
        permit_valid_secs: f64 = 60.0,
        /// How often it is renewed, in seconds.
        permit_renew_secs: f64 = 20.0,
        /// A close must be confirmed within this time, in seconds (motor: its travel on top).
        confirm_secs: f64 = 5.0,
        /// Not confirmed after this long: second barrier, in seconds.
        barrier_secs: f64 = 20.0,
        /// The main connection to the broker may be gone this long, in seconds, before the hold.
        broker_lost_secs: f64 = 5.0,
        /// A bypass lasts at most this long, in seconds.
        bypass_secs: f64 = 1200.0,
        /// ... or this much water, in litres.
        bypass_litres: f64 = 10.0,
        /// A test run lasts at most this long, in seconds.
        test_run_secs: f64 = 1200.0,
        /// ... or this much water, in litres.
        test_run_litres: f64 = 5.0,
        /// Pump first, valve this much later, in seconds.
        pump_lead_secs: f64 = 1.0,
        /// Longest time from event to command that the user accepts, in seconds; `check` warns.
        delay_wanted_secs: f64 = 20.0,
    }
);

limits!(
    /// Container: litres and level.
    StoreLimits {
        /// A run that makes more than this share of the free volume closes.
        run_factor: f64 = 1.1,
        /// Without a meter: a run longer than this many times the expected time closes.
        run_time_factor: f64 = 1.5,
        /// Overfull must hold this long, in seconds.
        overfull_secs: f64 = 2.0,
        /// The float must hold this long, in seconds.
        full_secs: f64 = 5.0,
        /// Band below the stop that counts as not full, in litres.
        band_litres: f64 = 10.0,
    }
);

limits!(
    /// Pressures, gauge, while water flows.
    PressureLimits {
        /// Low, in bar.
        low_bar: f64 = 2.8,
        /// ... for this long, in seconds.
        low_secs: f64 = 300.0,
        /// High, told, in bar.
        high_bar: f64 = 5.5,
        /// ... for this long, in seconds.
        high_secs: f64 = 30.0,
        /// High, holds, in bar.
        high_hold_bar: f64 = 6.2,
        /// ... for this long, in seconds.
        high_hold_secs: f64 = 10.0,
        /// Pump suction low, holds, in bar.
        suction_low_bar: f64 = 0.3,
        /// ... for this long, in seconds.
        suction_low_secs: f64 = 10.0,
        /// Deadband, in bar.
        deadband_bar: f64 = 0.2,
    }
);

limits!(
    /// Temperatures of the feed.
    TemperatureLimits {
        /// Warm, told, in °C.
        warm_c: f64 = 35.0,
        /// ... for this long, in seconds.
        warm_secs: f64 = 60.0,
        /// Hot, trips, in °C.
        hot_c: f64 = 40.0,
        /// ... for this long, in seconds.
        hot_secs: f64 = 15.0,
        /// A hot trip may be reset below this, in °C.
        reset_below_c: f64 = 30.0,
        /// Frost near, told, in °C.
        cold_c: f64 = 4.0,
        /// Deadband, in °C.
        deadband_c: f64 = 1.0,
    }
);

limits!(
    /// Water that passes a closed valve.
    LeakByLimits {
        /// Housings decompress this long after a close, in seconds.
        wait_secs: f64 = 300.0,
        /// Volume that counts, in litres.
        litres: f64 = 0.05,
        /// ... in this window, in seconds; two windows in a row trip.
        window_secs: f64 = 600.0,
    }
);

limits!(
    /// Leak sensor and floats.
    FloorLimits {
        /// The floor must be dry this long before a leak may be reset, in seconds.
        dry_secs: f64 = 600.0,
    }
);

limits!(
    /// Wear and quality of the stages.
    StageLimits {
        /// Rejection below this is told, 0 to 1.
        rejection_low: f64 = 0.93,
        /// Recovery off its baseline by this share is told.
        recovery_share: f64 = 0.25,
        /// Lead vessel: begun at this outlet reading, in ppm.
        lead_begun_ppm: f64 = 1.0,
        /// Lead vessel: spent at this outlet reading, in ppm.
        lead_spent_ppm: f64 = 3.0,
        /// ... or at this share of the permeate, whichever is higher.
        lead_spent_share: f64 = 0.3,
        /// Settled: slope below this over `settled_litres`, in ppm.
        settled_slope_ppm: f64 = 0.5,
        /// Settled: litres over which the slope is taken.
        settled_litres: f64 = 2.0,
        /// Supply flow below this counts as none, in L/min.
        flow_none_litres_per_min: f64 = 0.02,
        /// Flow without demand lasts this long before it is told, in seconds.
        flow_unexpected_secs: f64 = 60.0,
        /// No flow although open: this long before it is told, in seconds.
        flow_missing_secs: f64 = 60.0,
    }
);

limits!(
    /// Prices in any one currency.
    Prices {
        /// A litre of tap water with its drain fee.
        water_per_litre: f64 = 0.0,
        /// Resin for one litre of bed.
        resin_per_litre: f64 = 0.0,
    }
);
