//! The one table of everything that the engine tells: values and alarms.
//!
//! Topics, hub entities, history series, dashboards, `config/reference.md` and texts are made from
//! it; edges map [`Kind`] to unit text, hub class and precision by an exhaustive `match`. Codes are
//! append-only: a row may be added, none may be renumbered or reused.

use serde::{Deserialize, Serialize};

/// What sort of number a value is. The edges know the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// Dissolved solids, ppm on the plant's scale.
    Solids,
    /// Conductivity, µS/cm at 25 °C.
    Conductivity,
    /// A ratio from 0 to 1; percent when shown.
    Share,
    /// A ratio that is not a share (resistance ratio).
    Ratio,
    /// L/min.
    Flow,
    /// L.
    Volume,
    /// Running total, L.
    Total,
    /// bar.
    Pressure,
    /// °C.
    Temperature,
    /// Seconds.
    Duration,
    /// Hours.
    Hours,
    /// Days.
    Days,
    /// A point in time: seconds since 1970-01-01T00:00:00Z.
    Instant,
    /// Grams, weighed.
    Grams,
    /// mg on the meter's scale.
    Mass,
    /// Equivalents.
    Charge,
    /// A count.
    Count,
    /// Money in the user's currency.
    Money,
    /// W.
    Power,
    /// A word with a code.
    State,
    /// Yes or no.
    Flag,
    /// Free text.
    Text,
}

/// What several values of one row belong to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Of {
    /// There is one per plant.
    Plant,
    /// One per sensor.
    Sensor,
    /// One per part.
    Part,
}

/// One row of the value tree.
#[derive(Clone, Copy, Debug)]
pub struct SignalRow {
    /// Which.
    pub id: SignalId,
    /// Number for files. Append-only.
    pub code: u16,
    /// Node on the bus; for [`Of::Part`] `-<part id>` follows. For [`SignalId::Reading`] the point.
    pub node: &'static str,
    /// Property on the bus. For [`SignalId::Reading`] the quantity.
    pub property: &'static str,
    /// What sort of number.
    pub kind: Kind,
    /// One per plant, sensor or part.
    pub of: Of,
    /// Values are rounded to this before they leave the engine; 0: not.
    pub step: f64,
    /// A change smaller than this is not stored.
    pub deadband: f64,
    /// A value is stored and published at least this often, in seconds, while it exists.
    pub heartbeat_secs: u32,
    /// Shown by default in the hub.
    pub main: bool,
    /// What it is, for people.
    pub help: &'static str,
}

macro_rules! signals {
    ($($(#[$doc:meta])* $id:ident = $code:literal, $node:literal, $property:literal, $kind:ident, $of:ident,
        $step:literal, $deadband:literal, $heartbeat:literal, $main:literal, $help:literal;)*) => {
        /// Which value. See [`SIGNALS`].
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash,
        )]
        #[serde(rename_all = "kebab-case")]
        pub enum SignalId {
            $(#[doc = $help] $id,)*
        }

        /// Every value of the tree.
        pub const SIGNALS: &[SignalRow] = &[
            $(SignalRow {
                id: SignalId::$id,
                code: $code,
                node: $node,
                property: $property,
                kind: Kind::$kind,
                of: Of::$of,
                step: $step,
                deadband: $deadband,
                heartbeat_secs: $heartbeat,
                main: $main,
                help: $help,
            },)*
        ];

        impl SignalId {
            /// Its row.
            #[inline]
            pub fn row(self) -> &'static SignalRow {
                &SIGNALS[self as usize]
            }
        }
    };
}

// id = code, node, property, kind, of, step, deadband, heartbeat_secs, main, help
signals! {
    Reading = 1, "", "", Solids, Sensor, 0.0, 0.0, 300, true, "Cleaned reading of a sensor";
    Phase = 2, "plant", "phase", State, Plant, 0.0, 0.0, 300, true, "What the plant is doing";
    RunTime = 3, "plant", "run-time", Duration, Plant, 1.0, 60.0, 3600, false, "Time that water has flowed, in all";
    Starts = 4, "plant", "starts", Count, Plant, 1.0, 1.0, 3600, false, "Starts, in all";
    PermeateLitres = 5, "plant", "permeate-litres", Total, Plant, 0.001, 0.1, 3600, true, "Permeate made, in all";
    ProductLitres = 6, "plant", "product-litres", Total, Plant, 0.001, 0.1, 3600, false, "Product made, in all";
    ConcentrateLitres = 7, "plant", "concentrate-litres", Total, Plant, 0.001, 0.1, 3600, false, "Concentrate sent away, in all";
    SupplyLitres = 8, "plant", "supply-litres", Total, Plant, 0.001, 0.1, 3600, false, "Tap water taken, in all";
    UnseenLitres = 9, "plant", "unseen-litres", Total, Plant, 0.001, 0.1, 3600, false, "Most that may have flowed while nobody watched, in all";

    Rejection = 20, "membrane", "rejection", Share, Plant, 0.0001, 0.0005, 600, true, "Share of the feed's dissolved solids that the membrane keeps back";
    SaltPassage = 21, "membrane", "salt-passage", Share, Plant, 0.0001, 0.0005, 600, false, "Share of the feed's dissolved solids that passes the membrane";
    Recovery = 22, "membrane", "recovery", Share, Plant, 0.001, 0.005, 600, true, "Share of the feed that becomes permeate";
    ConcentrateRatio = 23, "membrane", "concentrate-ratio", Ratio, Plant, 0.01, 0.05, 600, false, "Litres of concentrate for one litre of permeate";
    ConcentrateTds = 24, "membrane", "concentrate-tds", Solids, Plant, 1.0, 5.0, 600, false, "Dissolved solids of the concentrate";
    NetDrivingPressure = 25, "membrane", "net-driving-pressure", Pressure, Plant, 0.01, 0.05, 600, false, "Pressure that drives water through the membrane";
    PermeateFlowNormalised = 26, "membrane", "permeate-flow-normalised", Flow, Plant, 0.0001, 0.002, 600, false, "Permeate flow at 25 °C and reference pressure (ASTM D4516 form)";
    SaltPassageNormalised = 27, "membrane", "salt-passage-normalised", Share, Plant, 0.0001, 0.0005, 600, false, "Salt passage at 25 °C and reference flow (ASTM D4516 form)";
    BalanceError = 28, "membrane", "balance-error", Share, Plant, 0.001, 0.005, 600, false, "What is missing in the salt balance, as a share of the feed";

    CreepPeak = 40, "creep", "peak", Solids, Plant, 0.1, 0.0, 0, false, "Dissolved solids of the first permeate of the last start";
    CreepSettled = 41, "creep", "settled", Solids, Plant, 0.01, 0.0, 0, false, "Dissolved solids at which the last start settled";
    CreepSettleVolume = 42, "creep", "settle-volume", Volume, Plant, 0.01, 0.0, 0, false, "Permeate until nine tenths of the last start's first excess of salt were washed out (or all but two display steps)";
    CreepSettleTime = 43, "creep", "settle-time", Duration, Plant, 1.0, 0.0, 0, false, "Time until the last start had settled";
    CreepExtraSalt = 44, "creep", "extra-salt", Mass, Plant, 0.1, 0.0, 0, true, "Salt that the last start carried beyond the settled value";
    CreepResinCost = 45, "creep", "resin-cost", Money, Plant, 0.0001, 0.0, 0, false, "What that salt cost in resin";
    CreepDivertAdvice = 46, "creep", "divert-advice", Volume, Plant, 0.01, 0.0, 0, false, "First permeate that is better sent to the drain";

    CreepStandingTime = 47, "creep", "standing-time", Duration, Plant, 1.0, 60.0, 3600, false, "Standing time in which the creep grows to two thirds of its most, learned from this plant's starts";
    CreepFirstNow = 48, "creep", "first-water-now", Solids, Plant, 0.1, 1.0, 3600, false, "Dissolved solids of the first permeate to be expected if the plant started now";
    CreepDivertNow = 49, "creep", "divert-now", Volume, Plant, 0.01, 0.05, 3600, false, "First permeate that would be better sent to the drain if the plant started now";
    CreepBestRun = 50, "creep", "best-run-litres", Volume, Plant, 0.1, 0.5, 3600, false, "Permeate of the run length that costs least: as long as the container and the water's age allow";

    ResinUsed = 60, "resin", "used", Charge, Part, 0.000001, 0.0001, 3600, false, "Charge that this vessel has taken up";
    ResinCapacity = 61, "resin", "capacity", Charge, Part, 0.0001, 0.001, 3600, false, "Charge that this vessel is thought to hold";
    ResinRemainingLitres = 62, "resin", "remaining-litres", Volume, Part, 1.0, 5.0, 3600, true, "Permeate that this vessel can still polish before salt passes it; carbon dioxide may pass earlier";
    ResinRemainingDays = 63, "resin", "remaining-days", Days, Part, 1.0, 1.0, 3600, false, "Days at the present use until salt passes this vessel; carbon dioxide may pass earlier";
    ResinVisibleLoad = 64, "resin", "visible-salt", Mass, Part, 0.1, 10.0, 3600, false, "Conducting salt that this vessel has taken up, on the meter's scale";
    ResinLitres = 65, "resin", "litres", Volume, Part, 0.01, 1.0, 3600, false, "Water that this vessel has treated";
    ResinPasses = 152, "resin", "first-passes", Text, Plant, 0.0, 0.0, 86400, false, "What the first vessel lets through, by the course of its outlet: nothing, carbon dioxide, salt, or that it cannot be told";

    ResinChargeAt1 = 66, "resin", "charge-litres-at-1-ppm", Volume, Plant, 1.0, 5.0, 86400, false, "Permeate of 1 ppm that a new charge of the first vessel would polish";
    ResinChargeAt3 = 67, "resin", "charge-litres-at-3-ppm", Volume, Plant, 1.0, 5.0, 86400, false, "Permeate of 3 ppm that a new charge of the first vessel would polish";
    ResinChargeAt8 = 68, "resin", "charge-litres-at-8-ppm", Volume, Plant, 1.0, 5.0, 86400, false, "Permeate of 8 ppm that a new charge of the first vessel would polish";
    ResinChargeAt25 = 69, "resin", "charge-litres-at-25-ppm", Volume, Plant, 1.0, 5.0, 86400, false, "Permeate of 25 ppm that a new charge of the first vessel would polish";

    StoreLitres = 80, "store", "litres", Volume, Plant, 0.1, 0.5, 600, true, "Water in the container";
    StoreFree = 81, "store", "free-litres", Volume, Plant, 0.1, 0.5, 600, false, "Room left in the container";

    StoreAge = 82, "store", "age", Days, Plant, 0.1, 0.2, 3600, false, "Mean age of the water in the container, as if all of it mixed";
    StoreOldest = 83, "store", "oldest-age", Days, Plant, 0.1, 0.2, 3600, false, "Age of the oldest water in the container, first in first out";
    StoreNeed = 84, "store", "litres-for-next-change", Volume, Plant, 0.1, 0.5, 3600, false, "Water that the next planned change takes from the container";
    StoreStartBy = 85, "store", "start-by", Instant, Plant, 60.0, 300.0, 3600, false, "Last moment at which the plant must start for the next planned change";
    StoreShortfall = 86, "store", "shortfall", Volume, Plant, 0.1, 0.5, 3600, false, "Water that the next planned change will lack if nothing more is made";
    StoreHoursLeft = 87, "store", "hours-left", Hours, Plant, 0.1, 1.0, 3600, false, "Hours that the container lasts at the present use";
    StoreUse = 88, "store", "use-per-day", Volume, Plant, 0.1, 0.5, 3600, false, "Water drawn from the container in a usual day, without planned changes";
    StoreRate = 89, "store", "production-rate", Flow, Plant, 0.001, 0.005, 3600, false, "Water that the plant makes a minute at the present temperature and pressure";

    BatchSalt = 90, "batch", "salt-mass", Grams, Plant, 1.0, 5.0, 3600, false, "Salt to weigh for the next planned change";
    BatchWater = 91, "batch", "water-litres", Volume, Plant, 0.01, 0.1, 3600, false, "Fresh water for the salt water of the next planned change";
    BatchHeating = 92, "batch", "heating-hours", Hours, Plant, 0.1, 0.1, 3600, false, "Hours that heating the salt water takes";
    BatchMixBy = 93, "batch", "mix-by", Instant, Plant, 60.0, 300.0, 3600, false, "Last moment at which mixing must begin for the next planned change";
    BatchReadyBy = 94, "batch", "ready-by", Instant, Plant, 60.0, 600.0, 3600, false, "When salt water whose mixing begins now is ready";

    PrefilterRatio = 110, "prefilter", "resistance-ratio", Ratio, Part, 0.01, 0.05, 3600, false, "Resistance of the filters before the membrane over that of new ones, with flow and temperature taken out";
    PrefilterDrop = 111, "prefilter", "pressure-drop", Pressure, Part, 0.01, 0.05, 3600, false, "Pressure that the filters before the membrane cost";
    PrefilterLitres = 112, "prefilter", "litres", Volume, Part, 1.0, 10.0, 3600, false, "Feed that went through this filter";
    PrefilterOxidant = 113, "prefilter", "oxidant-load", Grams, Part, 1.0, 1.0, 3600, false, "Chlorine that this carbon has met";
    PrefilterContact = 114, "prefilter", "contact-time", Duration, Part, 0.1, 1.0, 3600, false, "Time that the water stays in this carbon";
    PrefilterRemaining = 115, "prefilter", "remaining-days", Days, Part, 1.0, 1.0, 3600, false, "Days until this filter is due, whichever of pressure, litres, load and days comes first";

    MembraneRemaining = 116, "membrane", "remaining-days", Days, Plant, 1.0, 1.0, 3600, false, "Days until the membrane is due by its flow, its salt passage or its age, whichever comes first";
    WearTrend = 117, "wear", "trend", Share, Part, 0.001, 0.005, 3600, false, "Change in a month, as a share of the baseline (Theil-Sen); with its standard uncertainty";
    WearRemaining = 118, "wear", "remaining-days", Days, Part, 1.0, 1.0, 3600, false, "Days until this part is due";
    WearBinds = 119, "wear", "binds", Text, Part, 0.0, 0.0, 3600, false, "Which limit comes first";
    WearCause = 120, "wear", "cause", Text, Part, 0.0, 0.0, 3600, false, "Likely cause with its evidence, or that none can be told";
    WearRunIn = 121, "wear", "run-in-litres", Volume, Part, 0.1, 0.5, 3600, false, "Water of this new part that still belongs to the drain";

    CostWater = 122, "cost", "water", Money, Plant, 0.001, 0.01, 3600, false, "Tap water and drain for 100 litres";
    CostResin = 123, "cost", "resin", Money, Plant, 0.001, 0.01, 3600, false, "Resin for 100 litres";
    CostFilters = 124, "cost", "filters", Money, Plant, 0.001, 0.01, 3600, false, "Filters and membrane for 100 litres";
    CostCreep = 125, "cost", "creep", Money, Plant, 0.001, 0.01, 3600, false, "What the first water of the starts costs in resin, for 100 litres";
    CostRecovery = 126, "cost", "recovery", Money, Plant, 0.001, 0.01, 3600, false, "What five points more of recovery would save for 100 litres";
    CostWear = 127, "cost", "wear", Money, Plant, 0.001, 0.01, 3600, false, "What the membrane's wear costs in resin, for 100 litres";
    CostEarly = 128, "cost", "early-change", Money, Plant, 0.01, 0.05, 3600, false, "Resin that would be thrown away if the first vessel were changed today";

    FeedUsual = 129, "feed", "usual-tds", Solids, Plant, 1.0, 2.0, 3600, false, "Usual dissolved solids of the tap (last four weeks)";
    FeedLow = 130, "feed", "season-low", Solids, Plant, 1.0, 2.0, 3600, false, "Low of the tap over the seasons (5 % of the days)";
    FeedHigh = 131, "feed", "season-high", Solids, Plant, 1.0, 2.0, 3600, false, "High of the tap over the seasons (95 % of the days)";
    FeedTemperature = 132, "feed", "usual-temperature", Temperature, Plant, 0.1, 0.3, 3600, false, "Usual temperature of the feed (last four weeks)";
    FeedPressure = 133, "feed", "usual-pressure", Pressure, Plant, 0.01, 0.05, 3600, false, "Usual pressure of the feed (last four weeks)";

    ReuseLitres = 134, "reuse", "litres", Volume, Plant, 0.1, 0.5, 3600, false, "Concentrate that is kept";
    ReuseTds = 135, "reuse", "tds", Solids, Plant, 1.0, 5.0, 3600, false, "Dissolved solids of the concentrate that is kept";
    ReuseLimit = 136, "reuse", "limit", Solids, Plant, 1.0, 1.0, 3600, false, "Dissolved solids up to which it may go on plants";

    RunLitres = 137, "plant", "run-litres", Volume, Plant, 0.1, 0.2, 3600, false, "Permeate of a usual run (middle of the last)";

    FlushSaves = 138, "flush", "saves", Share, Plant, 0.01, 0.05, 86400, false, "Share of the first water's salt that a flush before the start saves on this plant";
    FlushFinding = 139, "flush", "finding", Text, Plant, 0.0, 0.0, 86400, false, "Whether a flush before the start helps on this plant";

    SupplyValve = 100, "guard", "supply-valve", State, Plant, 0.0, 0.0, 300, true, "What the supply valve is known to be";
    TrippedBy = 101, "guard", "tripped-by", Text, Plant, 0.0, 0.0, 300, true, "The trip that came first, or none";
    HeldBy = 102, "guard", "held-by", Text, Plant, 0.0, 0.0, 300, false, "The hold that came first, or none";
    BypassUntil = 103, "guard", "bypass-until", Text, Plant, 0.0, 0.0, 300, false, "Until when a cause is bypassed, or none";
    WorstDelay = 104, "guard", "worst-delay", Duration, Plant, 0.1, 0.1, 3600, false, "Longest time from spoiled product to the close command";
    Permitted = 105, "guard", "permitted", Flag, Plant, 0.0, 0.0, 20, true, "Water may run";
    ProductDose = 106, "guard", "product-dose", Ratio, Plant, 0.001, 0.05, 600, false, "Dissolved solids times litres that reached the store since the product was last pure, in ppm·L";
    ProofOverdueIn = 150, "guard", "proof-overdue-in", Days, Plant, 0.1, 0.5, 3600, false, "Days until the first proof is overdue; below zero: since when it is";
    GasAccepted = 151, "guard", "gas-accepted", Text, Plant, 0.0, 0.0, 300, false, "Level of gas in the product that a person has accepted, and for how long, or none";
    CloseTime = 107, "guard", "close-time", Duration, Plant, 0.1, 0.0, 0, false, "Time from the last close command to its confirmation";

    AlarmsDay = 160, "alarms", "came-in-a-day", Count, Plant, 1.0, 1.0, 86400, false, "Alarms that came in the last day";
    AlarmsMonth = 161, "alarms", "came-in-a-month", Count, Plant, 1.0, 1.0, 86400, false, "Alarms that came in the last 30 days";
    AlarmsStanding = 162, "alarms", "standing", Count, Plant, 1.0, 1.0, 86400, false, "Alarms that ask for somebody now";
    AlarmsStale = 163, "alarms", "stale", Count, Plant, 1.0, 1.0, 86400, false, "Of these, standing for longer than a day";
    AlarmsChattering = 164, "alarms", "chattering", Count, Plant, 1.0, 1.0, 86400, false, "Alarms that come and go now";
    AlarmsFleeting = 165, "alarms", "fleeting-in-a-month", Count, Plant, 1.0, 1.0, 86400, false, "Alarms that were gone before anybody could act, in the last 30 days";
    AlarmsWorst = 166, "alarms", "worst-offender", Text, Plant, 0.0, 0.0, 86400, false, "The alarm that came most often in the last 30 days, or none";
}

/// Household class, from the time to respond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// For the digest.
    Soon,
    /// Today, in waking hours.
    Today,
    /// At any hour.
    Now,
}

impl Class {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Soon => "soon",
            Self::Today => "today",
            Self::Now => "now",
        }
    }
}

/// What an alarm does beside telling.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Consequence {
    /// Latched protective stop; a person resets it when its cause is gone.
    Trip,
    /// Stops, and returns by itself when good again.
    Hold,
    /// Blocks while it lasts, clears by itself.
    Interlock,
    /// Tells and does nothing.
    Tell,
}

/// One alarm of the catalogue.
#[derive(Clone, Copy, Debug)]
pub struct AlarmRow {
    /// Which.
    pub id: AlarmId,
    /// Number for files. Append-only.
    pub code: u16,
    /// Name on the bus, quantity-condition; `-<sensor or part id>` follows where there are several.
    pub name: &'static str,
    /// What it does.
    pub consequence: Consequence,
    /// Household class when nothing raises or lowers it.
    pub class: Class,
    /// One per plant, sensor or part.
    pub of: Of,
    /// May never be bypassed.
    pub no_bypass: bool,
    /// May never be shelved.
    pub no_shelve: bool,
    /// What it means for the animals or the house.
    pub means: &'static str,
    /// What to look at first, in order.
    pub advice: &'static str,
    /// What clears it.
    pub clears: &'static str,
}

macro_rules! alarms {
    ($($id:ident = $code:literal, $name:literal, $consequence:ident, $class:ident, $of:ident,
        $no_bypass:literal, $no_shelve:literal, $means:literal, $advice:literal, $clears:literal;)*) => {
        /// Which alarm. See [`ALARMS`].
        #[derive(
            Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash,
        )]
        #[serde(rename_all = "kebab-case")]
        pub enum AlarmId {
            $(#[doc = $means] $id,)*
        }

        /// Every alarm.
        pub const ALARMS: &[AlarmRow] = &[
            $(AlarmRow {
                id: AlarmId::$id,
                code: $code,
                name: $name,
                consequence: Consequence::$consequence,
                class: Class::$class,
                of: Of::$of,
                no_bypass: $no_bypass,
                no_shelve: $no_shelve,
                means: $means,
                advice: $advice,
                clears: $clears,
            },)*
        ];

        impl AlarmId {
            /// Its row.
            #[inline]
            pub fn row(self) -> &'static AlarmRow {
                &ALARMS[self as usize]
            }

            /// Its name on the bus.
            pub fn name(self) -> &'static str {
                self.row().name
            }

            /// Finds an alarm by its name.
            pub fn by_name(name: &str) -> Option<Self> {
                ALARMS.iter().find(|row| row.name == name).map(|row| row.id)
            }
        }
    };
}

// id = code, name, consequence, class, of, no_bypass, no_shelve, means, advice, clears
alarms! {
    Leak = 1, "leak", Trip, Now, Plant, true, true,
        "Water is on the floor: it damages the house, and it may reach mains electricity.",
        "Go now: shut the tap by hand and keep away from wet sockets. Then look at tube joints, filter housings and the drain clamp, in this order.",
        "The floor sensor dry for ten minutes and a reset.";
    StoreOverfull = 2, "store-level-high-high", Trip, Now, Plant, true, true,
        "The container is about to run over.",
        "Shut the tap by hand. Then look whether the float moves freely and the hose is in the container.",
        "The level below the stop again (or a checked entry) and a reset.";
    RunLitresHigh = 3, "run-litres-high", Trip, Now, Plant, true, true,
        "This run made more water than the container has room for: it went somewhere else.",
        "Look within the hour whether the hose is in the container and whether the float moves freely.",
        "The level below the stop again (or a checked entry) and a reset.";
    ProductTdsHigh = 4, "product-tds-high", Trip, Today, Plant, false, false,
        "The water after the last vessel is not pure. The valve is closed, so what is in the store stays as it is.",
        "Check the product with a handheld, then the vessels. After changing resin start a test run to the drain.",
        "A test run to the drain that ends pure, and a reset.";
    ValveLeaksBy = 5, "supply-flow-unstopped", Trip, Now, Plant, true, true,
        "Water runs although the valve was told to close: it leaks or is stuck.",
        "Shut the tap by hand now. Grit under the seat is the usual cause; test again after cleaning.",
        "Two tight windows, or a valve-serviced entry, and a reset.";
    FeedHot = 6, "feed-temperature-high-high", Trip, Now, Plant, true, true,
        "The water is too hot for filters and membrane.",
        "Shut the tap by hand and look at the mixer or the crossed supply.",
        "Feed below 30 °C at a flush started by hand, and a reset.";
    ProductProbeContradicted = 7, "product-probe-contradicted", Trip, Today, Plant, false, false,
        "The product probe cannot be believed, so nobody knows what the water is.",
        "Measure the product with a handheld and enter the value.",
        "A handheld entry or a new probe, then a reset.";

    ProductProbeStale = 20, "product-probe-silent", Hold, Today, Plant, false, false,
        "The product probe is silent, so the quality of the water is unknown and the plant waits.",
        "It goes on by itself when the probe has been good for a minute. If this repeats, look at its power and Wi-Fi.",
        "The probe good for a minute.";
    BrokerLost = 21, "broker-lost", Hold, Today, Plant, false, false,
        "The message broker is not reachable: nothing can be seen and nothing can be told.",
        "Look at the broker and the network.",
        "The connection back for a minute.";
    ClockNotSane = 22, "clock-not-sane", Hold, Today, Plant, false, false,
        "The clock of this machine is wrong, so records would carry wrong times.",
        "Look at the network time service.",
        "A sane clock.";
    FeedPressureHighHigh = 23, "feed-pressure-high-high", Hold, Today, Plant, true, false,
        "The pressure is above what housings are rated for.",
        "Look at the pressure reducer and the pump's pressure switch.",
        "Pressure in its band for a minute.";
    SuctionLow = 24, "pump-suction-low", Hold, Today, Plant, false, false,
        "The pump gets no water and would run dry.",
        "Look at the tap and the sediment filter.",
        "Suction pressure back for a minute.";
    NotProven = 25, "product-probe-unproven", Hold, Today, Plant, false, false,
        "After opening the product probe did not report, so the water was not watched.",
        "Look at the probe's power and Wi-Fi.",
        "The probe good for a minute.";
    StateLost = 26, "state-lost", Hold, Today, Plant, true, true,
        "The daemon's record could not be read, so trips and totals from before are unknown.",
        "Look at plant and store, then confirm the state. The old record was kept aside.",
        "A person's confirmation.";
    HistoryUnwritable = 27, "history-unwritable", Hold, Today, Plant, false, false,
        "The record cannot be written, so an opening could not be recorded.",
        "Free some space on the disk, or look at its rights.",
        "A record that can be written.";
    SecondInstance = 28, "second-instance", Hold, Now, Plant, true, false,
        "Another daemon guards this plant, or has the id of this one; two of them would contradict each other.",
        "Stop one of the two. Its log names the other; each plant has one daemon, each daemon an id of its own.",
        "The other one gone.";
    LeakSensorSilent = 29, "leak-sensor-silent", Tell, Soon, Sensor, false, false,
        "A leak sensor is silent: a leak there would not be seen.",
        "Look at its battery and its radio.",
        "A message from the sensor.";

    StoreFull = 40, "store-full", Interlock, Soon, Plant, true, false,
        "The container is full; production waits for room.",
        "Nothing needs doing.",
        "Room in the container.";

    FeedPressureHigh = 60, "feed-pressure-high", Tell, Today, Plant, false, false,
        "The pressure is above the membrane's band.",
        "Look at the pressure reducer.",
        "Pressure back in its band.";
    FeedPressureLow = 61, "feed-pressure-low", Tell, Soon, Plant, false, false,
        "The pressure is below the membrane's band: less water, and saltier.",
        "Look at the sediment filter, the tap and the time of day before you buy a pump.",
        "Pressure back in its band.";
    FeedTemperatureHigh = 62, "feed-temperature-high", Tell, Today, Plant, false, false,
        "The water is warm: the membrane lets more salt through and ages faster.",
        "Look at the mixer.",
        "Temperature back in its band.";
    FeedTemperatureLow = 63, "feed-temperature-low", Tell, Today, Plant, false, false,
        "Frost is near: water that freezes bursts housings.",
        "Warm the place or drain the unit.",
        "Temperature back in its band.";
    OpenedUnpermitted = 64, "supply-valve-opened-unpermitted", Tell, Today, Plant, false, false,
        "Somebody opened the valve although it is not permitted; it was closed again.",
        "Look at the hub's automations and at who pressed the button.",
        "Nothing more of it for ten minutes.";
    FlowUnexpected = 65, "supply-flow-unexpected", Tell, Today, Plant, false, false,
        "Water flows although nobody asked for it.",
        "Look at the valve's own switch and at the tap.",
        "The flow gone.";
    FlowMissing = 66, "supply-flow-low", Tell, Today, Plant, false, false,
        "The valve is open and no water flows.",
        "Look at the tap, the valve's coil and the sediment filter.",
        "Flow again.";
    CloseUnconfirmed = 67, "supply-valve-unconfirmed", Tell, Now, Plant, false, false,
        "The valve was told to close and nothing shows that it did.",
        "Look at the valve and shut the tap by hand if water still runs.",
        "A confirmation.";
    ProofOverdue = 110, "proof-overdue", Tell, Soon, Plant, false, false,
        "Something that protects you has not shown for long that it works.",
        "Prove what the alarm names: the command `proof`, a handheld entry beside a probe, or a run that ends by the valve.",
        "The proof passed.";
    ProofFailed = 111, "proof-failed", Tell, Today, Plant, false, false,
        "Something that protects you did not work when it was tried.",
        "For the will look at the broker's access rules, for a valve at its seat, for a sensor at its battery and radio. Then prove it again.",
        "The proof passed.";
    ProductGasAccepted = 112, "product-gas-accepted", Tell, Soon, Plant, false, false,
        "Water that does not read zero is let through, because a person accepted a steady level of gas. Only water that reads zero belongs to the animals.",
        "Change the resin for one with a fresh anion part, or air the permeate before it; then end the acceptance.",
        "The command `accept-gas-end`, a vessel that is changed, or the end of its time.";
    OpenLate = 113, "supply-open-late", Tell, Today, Plant, false, false,
        "Water is wanted and may run, but the record of the opening is not on the disk in time, so the valve stays closed.",
        "Look whether the disk of the history is failing, nearly full or busy with something else.",
        "An opening that was recorded in time, or water no longer wanted.";
    RejectionLow = 68, "rejection-low", Tell, Soon, Plant, false, false,
        "The membrane lets more salt through than it should; each charge of resin lasts shorter.",
        "Test total chlorine after the carbon first, then the membrane's seal, before you buy a membrane.",
        "Rejection back.";
    LeadBegun = 69, "lead-breakthrough-begun", Tell, Soon, Plant, false, false,
        "The first vessel begins to let salt through; the second still holds.",
        "Order resin.",
        "The service entry `lag-to-lead`, once the vessels are swapped, or `part-changed` for the first vessel.";
    LeadSpent = 70, "lead-spent", Tell, Today, Plant, false, false,
        "The first vessel is spent; the second does all the work.",
        "Move the second into first place, fit fresh resin behind it and record the swap.",
        "The service entry `lag-to-lead`, or `part-changed` for the first vessel.";
    SensorFault = 71, "sensor-fault", Tell, Soon, Sensor, false, false,
        "A sensor gives nothing that can be used.",
        "Look at its power, its cable and its topic.",
        "Readings again.";
    ProductReadingSuspect = 72, "product-gas-likely", Tell, Soon, Plant, false, false,
        "The product stands at 1 to 2 ppm while the permeate is unchanged: typical of carbon dioxide from the tap.",
        "Stir a cup for an hour and read again. If it falls, plan airing of the permeate rather than new resin.",
        "Product back at zero.";
    StartsHigh = 73, "starts-high", Tell, Soon, Plant, false, false,
        "The plant starts too often: each start brings salty first water.",
        "Widen the band between start and stop.",
        "Fewer starts.";
    HistoryBehind = 74, "history-behind", Tell, Soon, Plant, false, false,
        "The database is behind; the daemon's own record is complete and will catch up.",
        "Look at the database.",
        "The database caught up.";
    StoreShort = 75, "store-short", Tell, Today, Plant, false, false,
        "The container will not hold enough for the next change.",
        "Let the plant run earlier.",
        "Enough water.";
    SettleNotReached = 76, "creep-unsettled", Tell, Soon, Plant, false, false,
        "Several starts in a row ended before the permeate had settled.",
        "Let the plant run longer at a time.",
        "A start that settles.";
    ResinLow = 77, "resin-remaining-low", Tell, Soon, Part, false, false,
        "A vessel will be spent soon.",
        "Order resin.",
        "A part-changed entry.";
    SaltPassageHigh = 78, "salt-passage-high", Tell, Soon, Plant, false, false,
        "With temperature and pressure taken out, the membrane lets twice as much through as it used to.",
        "Test total chlorine after the carbon first, then the membrane's O-rings, before you buy a membrane.",
        "Salt passage back, or a part-changed entry.";
    RecoveryOff = 79, "recovery-deviation", Tell, Soon, Plant, false, false,
        "The plant wastes clearly more or less water than it used to.",
        "Look at the flow restrictor, then the drain line, then the sediment filter.",
        "Recovery back.";

    StoreAgeHigh = 90, "store-age-high", Tell, Soon, Plant, false, false,
        "Water in the container grows old: purified water holds no disinfectant.",
        "Use it for a change or the plants before more is made; look whether the container is closed, dark and clean.",
        "Water that is not old.";
    DrawAbnormal = 91, "store-draw-abnormal", Tell, Now, Plant, false, false,
        "The container empties faster than any usual hour explains. Fresh water that runs into the aquarium lowers its salinity.",
        "Look for a siphon, a burst tube or a stuck top-off, in this order.",
        "Draws as usual.";
    StoreNotFilling = 92, "store-not-filling", Tell, Today, Plant, false, false,
        "Water is made and the container's level does not rise.",
        "Look whether the hose is in the container, whether the product goes to the drain, and whether the level sensor moves.",
        "A level that rises with what is made.";
    StoreTdsHigh = 93, "store-tds-high", Tell, Today, Plant, false, false,
        "The stored water holds more than air alone can bring into it.",
        "Look at what hangs into the container, at salt spray, and at the product's readings since the last change.",
        "Stored water that reads no more than air makes of it.";
    IdleLong = 94, "idle-long", Tell, Soon, Plant, false, false,
        "The plant has stood for long: its water holds no disinfectant.",
        "Send the first litres of the next run to the drain.",
        "Water flows.";
    FlushLong = 95, "flush-open-long", Tell, Today, Plant, false, false,
        "The membrane is flushed for too long: tap water runs to the drain.",
        "Look at the flush valve and its timer.",
        "The flush valve closed.";
    CalibrationOverdue = 96, "calibration-overdue", Tell, Soon, Sensor, false, false,
        "Nobody has compared this probe with anything for long; probes drift.",
        "Hold a handheld beside it in flowing water and enter the reading.",
        "A handheld entry.";
    ReuseFull = 97, "reuse-full", Tell, Today, Plant, false, false,
        "The container for concentrate is full.",
        "Empty it before the next run.",
        "Room in it.";
    PrefilterResistanceHigh = 98, "prefilter-resistance-high", Tell, Soon, Part, false, false,
        "The filters before the membrane cost so much pressure that it lacks it.",
        "Change the sediment filter and record the change.",
        "A part-changed entry, or a lower resistance.";
    CarbonLoadHigh = 99, "carbon-load-high", Tell, Today, Part, false, false,
        "The carbon has met as much chlorine, or twice as much water, as it is rated for: what passes oxidises the membrane.",
        "Test total chlorine behind it today, and change it.",
        "A part-changed entry.";
    ChlorineAfterCarbon = 100, "chlorine-after-carbon", Tell, Today, Plant, false, false,
        "Chlorine passes the carbon and oxidises the membrane, for good.",
        "Stop making water until the carbon is changed, then test again.",
        "A clean test, or a part-changed entry.";
    PartDue = 101, "part-due", Tell, Soon, Part, false, false,
        "A part is at the end of the days or litres that it is meant for.",
        "Change it and record the change.",
        "A part-changed entry.";
    MembraneFlowLow = 102, "membrane-flow-low", Tell, Soon, Plant, false, false,
        "With temperature and pressure taken out the membrane gives clearly less than it used to.",
        "Look at prefilters and pressure first, then flush or clean, then change it.",
        "Its flow back, or a part-changed entry.";
    FeedStep = 103, "feed-step", Tell, Soon, Plant, false, false,
        "The tap gives another water than before: resin lasts longer or shorter for it.",
        "Ask the supplier, and enter a new tap analysis.",
        "Four weeks of steady water.";
    SensorContradicted = 104, "sensor-contradicted", Tell, Soon, Sensor, false, false,
        "This sensor contradicts others in settled water.",
        "Hold a handheld beside it and enter the reading.",
        "A handheld entry, or sensors that agree in a settled run.";
    FlowBalanceOff = 105, "flow-balance-off", Tell, Soon, Plant, false, false,
        "What goes in does not come out: a meter is wrong, or water leaves between the meters.",
        "Measure each stream with a bucket and a clock.",
        "Flows that add up over a run.";
    ProductProbeDoubtful = 106, "product-probe-doubtful", Tell, Today, Plant, false, false,
        "The product probe stays at zero although all resin should be spent, or although it used to show the first water of starts: a dead probe looks like this.",
        "Measure the product by hand and enter the value, or hold the probe into tap water, as its text says.",
        "A reading other than zero; for resin that should be spent also a handheld entry.";
    RunInNotDrained = 107, "run-in-not-drained", Tell, Today, Part, false, false,
        "The first water of a new part does not go to the drain.",
        "Lead it to the drain by a test run, a divert or a hose.",
        "The end of the run-in.";
    ProbeDrift = 108, "probe-drift", Tell, Soon, Sensor, false, false,
        "This probe of the membrane seems to drift: the salt passage moves steadily and the flow does not.",
        "Hold a handheld beside it and enter the reading.",
        "A handheld entry.";
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn rows_stand_where_their_ids_say_and_codes_are_unique() {
        let mut codes = BTreeSet::new();
        for (index, row) in SIGNALS.iter().enumerate() {
            assert_eq!(row.id as usize, index);
            assert!(codes.insert(row.code), "code {} twice", row.code);
        }
        let mut codes = BTreeSet::new();
        let mut names = BTreeSet::new();
        for (index, row) in ALARMS.iter().enumerate() {
            assert_eq!(row.id as usize, index);
            assert!(codes.insert(row.code), "code {} twice", row.code);
            assert!(names.insert(row.name), "name {} twice", row.name);
        }
    }

    #[test]
    fn every_alarm_asks_for_a_response_and_says_what_clears_it() {
        for row in ALARMS {
            assert!(!row.means.is_empty() && !row.advice.is_empty() && !row.clears.is_empty());
        }
    }

    #[test]
    fn what_floods_or_scalds_can_be_neither_bypassed_nor_shelved() {
        for id in [AlarmId::Leak, AlarmId::StoreOverfull, AlarmId::RunLitresHigh, AlarmId::FeedHot]
        {
            assert!(id.row().no_bypass && id.row().no_shelve, "{}", id.name());
        }
    }
}
