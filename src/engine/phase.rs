//! What the plant is doing.

use serde::{Deserialize, Serialize};

/// What the plant is doing, from the best evidence there is.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Default, Hash,
)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// No water flows and none is due.
    #[default]
    Idle,
    /// Water flows; first water is leaving.
    Starting,
    /// Water flows and the product goes where it should.
    Producing,
    /// The membrane is being flushed.
    Flushing,
    /// Waiting for a hold to return.
    Held,
    /// A trip stands.
    Tripped,
}

impl Phase {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::Starting => "starting",
            Self::Producing => "producing",
            Self::Flushing => "flushing",
            Self::Held => "held",
            Self::Tripped => "tripped",
        }
    }

    /// The number in the database. Never renumbered.
    pub const fn code(self) -> u16 {
        match self {
            Self::Idle => 0,
            Self::Starting => 1,
            Self::Producing => 2,
            Self::Flushing => 3,
            Self::Held => 4,
            Self::Tripped => 5,
        }
    }

    /// Water flows through the membrane towards the product.
    pub const fn is_flowing(self) -> bool {
        matches!(self, Self::Starting | Self::Producing)
    }
}
