//! What the water is for: planned changes, salt water, and the concentrate that is kept.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What the water is for.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Plan {
    /// Planned water changes, by id (`[a-z0-9-]`).
    pub changes: BTreeMap<String, Change>,
    /// Salt water for them. Off while `salinity` is 0.
    pub batch: Batch,
}

/// A day of the week.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Weekday {
    /// Monday.
    Monday,
    /// Tuesday.
    Tuesday,
    /// Wednesday.
    Wednesday,
    /// Thursday.
    Thursday,
    /// Friday.
    Friday,
    /// Saturday.
    Saturday,
    /// Sunday.
    Sunday,
}

/// A water change that comes again: a day of the week, a civil time in `daemon.zone`, litres.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Change {
    /// Day of the week. Required.
    pub weekday: Option<Weekday>,
    /// Civil time at which the water must be ready, such as `"10:00"`. Where summer time skips it, an
    /// hour later counts; where it comes twice, the first.
    pub at: String,
    /// Water that it takes from the container: fresh water, or salt water if `plan.batch` makes it.
    /// Lower than true: the container runs short. Higher: it is filled earlier than it must be.
    #[schemars(range(min = 0.1, max = 100000))]
    pub litres: f64,
    /// Every so many weeks. Lower than true: water is made that nobody takes and grows old. Higher: a
    /// change is not planned for.
    #[schemars(range(min = 1, max = 12))]
    #[schemars(extend("x-unit" = "weeks"))]
    pub every_weeks: u8,
    /// A day of a week in which it takes place, for `every_weeks` above 1, such as `"2026-03-01"`.
    pub from: String,
}

impl Default for Change {
    fn default() -> Self {
        Self {
            weekday: None,
            at: "10:00".into(),
            litres: 10.0,
            every_weeks: 1,
            from: String::new(),
        }
    }
}

/// Salt water made from the container's water.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Batch {
    /// Practical salinity wanted (35 is the sea); 0 for no salt water. Lower or higher than what the
    /// aquarium has: each change moves its salinity.
    #[schemars(range(min = 0, max = 42))]
    #[schemars(extend("x-unit" = "practical salinity"))]
    pub salinity: f64,
    /// Temperature wanted. Lower or higher than the aquarium's: the change cools or warms it.
    #[schemars(range(min = 5, max = 40))]
    pub temperature_c: f64,
    /// Temperature of the water before it is heated. Lower than true: heating is planned too long.
    /// Higher: it is not warm in time.
    #[schemars(range(min = 0, max = 40))]
    pub from_c: f64,
    /// Power of the heater; 0 for none. Lower than true: heating is planned too long. Higher: it is
    /// not warm in time.
    #[schemars(range(min = 0, max = 10000))]
    #[schemars(extend("x-unit" = "W"))]
    pub heater_watts: f64,
    /// Heat that the mixing container loses for each degree above its surroundings; 0 when unknown.
    /// Lower than true: it is not warm in time. Higher: heating is planned too long.
    #[schemars(range(min = 0, max = 200))]
    #[schemars(extend("x-unit" = "W/K"))]
    pub loss_watts_per_k: f64,
    /// Grams of your salt for one gram of dry sea salt: bagged salt carries 3 to 10 % of water.
    /// Weigh a batch, measure it, and set this. Lower than true: the mix is too weak. Higher: too
    /// strong.
    #[schemars(range(min = 1, max = 1.3))]
    #[schemars(extend("x-unit" = "1"))]
    pub weigh_factor: f64,
    /// Mixing and airing until the water may be used. Lower: salt is not dissolved and pH not settled.
    /// Higher: the mix stands longer than it must.
    #[schemars(range(min = 0, max = 168))]
    #[schemars(extend("x-unit" = "h"))]
    pub mixing_hours: f64,
}

impl Default for Batch {
    fn default() -> Self {
        Self {
            salinity: 0.0,
            temperature_c: 25.0,
            from_c: 18.0,
            heater_watts: 0.0,
            loss_watts_per_k: 0.0,
            weigh_factor: 1.05,
            mixing_hours: 24.0,
        }
    }
}

/// Concentrate that is kept and used again: for plants, for cleaning.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Reuse {
    /// Volume of the container for concentrate; 0 for none. Lower than true: it is called full early.
    /// Higher: it runs over.
    #[schemars(range(min = 0, max = 100000))]
    pub litres: f64,
    /// Conductivity at 25 °C up to which the water may go on plants. The default is what irrigation
    /// guidelines call without restriction (FAO 29, table 1: 0.7 dS/m); salt-tolerant plants take more.
    /// Lower: good water is poured away. Higher: salt gathers in the soil.
    #[schemars(range(min = 50, max = 10000))]
    #[schemars(extend("x-unit" = "µS/cm"))]
    pub limit_us_per_cm: f64,
}

impl Default for Reuse {
    fn default() -> Self {
        Self { litres: 0.0, limit_us_per_cm: 700.0 }
    }
}
