//! How each cause comes about, with the settings that differ from `config/full.toml`.

use crate::cellar::{Cellar, Water};
use permeated::engine::catalogue::AlarmId;
use std::time::Instant;

/// One way to bring a cause about on a plant of its own.
pub struct Exercise {
    pub alarm: AlarmId,
    /// Id of its plant, and of its topics.
    pub plant: &'static str,
    pub how: &'static str,
    /// Below `[plants.<plant>]`; `@` stands for that.
    pub settings: &'static str,
    /// Before the cause.
    pub water: fn() -> Water,
    pub state: State,
    pub cause: fn(&Cellar) -> Instant,
    /// Actuators that stand closed before the cause.
    pub closed: &'static [&'static str],
}

impl Exercise {
    /// Takes ten minutes and more: only with `PERMEATED_MEASURE=1`. Before anybody doubts a probe at
    /// zero, 50 L must have passed it, which no setting shortens.
    pub fn is_long(&self) -> bool {
        self.alarm == AlarmId::ProductProbeContradicted
    }
}

/// What the plant is doing when the cause comes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// Making water, its rinse-in over.
    Producing,
    /// Shut, because nobody asks.
    Shut,
}

const NOTHING: &[&str] = &[];
/// Never opened, because nobody vouches for the product.
const WASTE: &[&str] = &["waste"];
const SHUT: &[&str] = &["valve", "pump", "waste"];

fn usual() -> Water {
    Water::default()
}

macro_rules! exercise {
    ($alarm:ident, $plant:literal, $how:literal, $state:ident, $closed:ident, $settings:literal,
     $water:expr, $change:expr) => {
        Exercise {
            alarm: AlarmId::$alarm,
            plant: $plant,
            how: $how,
            settings: $settings,
            water: $water,
            state: State::$state,
            cause: |cellar| cellar.cause($change),
            closed: $closed,
        }
    };
}

pub fn all() -> Vec<Exercise> {
    vec![
        exercise!(Leak, "leak", "the floor is wet", Producing, NOTHING, "", usual, |w| w.wet =
            true),
        exercise!(
            ProductTdsHigh,
            "gross",
            "both probes read 60 ppm",
            Producing,
            NOTHING,
            "",
            usual,
            |w| (w.product, w.second) = (Some(60.0), Some(60.0))
        ),
        exercise!(
            ProductTdsHigh,
            "one-of-two",
            "one of two probes reads 60 ppm",
            Producing,
            NOTHING,
            "",
            usual,
            |w| w.second = Some(60.0)
        ),
        // One of two is silent long before; the last one is missed.
        exercise!(
            ProductProbeStale,
            "silent",
            "the second of two probes falls silent too",
            Producing,
            NOTHING,
            "",
            || Water { second: None, ..usual() },
            |w| w.product = None
        ),
        exercise!(
            NotProven,
            "unproven",
            "both probes are silent from the opening on",
            Shut,
            WASTE,
            "@.limits.guard]\nprove_in_secs = 10\n",
            usual,
            |w| (w.product, w.second, w.permeate, w.level) = (None, None, 0.5, 40.0)
        ),
        exercise!(
            StoreOverfull,
            "brim",
            "the float above the stop",
            Producing,
            NOTHING,
            "",
            usual,
            |w| w.brim = true
        ),
        exercise!(
            StoreOverfull,
            "over",
            "a level above the stop",
            Producing,
            NOTHING,
            "",
            usual,
            |w| w.level = 84.0
        ),
        exercise!(StoreFull, "float", "the float", Producing, NOTHING, "", usual, |w| w.float =
            true),
        exercise!(StoreFull, "full", "the level", Producing, NOTHING, "", usual, |w| w.level =
            80.2),
        exercise!(
            RunLitresHigh,
            "elsewhere",
            "the level stands still while water is made",
            Producing,
            NOTHING,
            "@.limits.guard]\nprove_in_litres = 20\n@.store]\nlitres = 50\n@.demand]\nmode = \"level\"\nstart_below_litres = 45\nstop_at_litres = 49\n",
            || Water { permeate: 8.0, level: 48.0, ..usual() },
            |_| {}
        ),
        exercise!(FeedPressureHighHigh, "high", "7.5 bar", Producing, NOTHING, "", usual, |w| w
            .feed_bar =
            7.5),
        exercise!(
            SuctionLow,
            "dry",
            "0.1 bar before the pump",
            Producing,
            NOTHING,
            "",
            usual,
            |w| w.suction_bar = 0.1
        ),
        exercise!(FeedHot, "hot", "48 °C", Producing, NOTHING, "", usual, |w| w.celsius = 48.0),
        exercise!(
            ValveLeaksBy,
            "leaks-by",
            "1 L/min past the closed valve",
            Shut,
            SHUT,
            "@.limits.leak_by]\nwait_secs = 5\nwindow_secs = 30\n",
            usual,
            |w| w.leaks_by = 1.0
        ),
        exercise!(
            ProductProbeContradicted,
            "dead",
            "zero behind resin that must be spent",
            Producing,
            NOTHING,
            "@.parts.lead]\nbed_litres = 0.05\n@.parts.lag]\nbed_litres = 0.05\n@.store]\nlitres = 1000\n@.limits.guard]\nprove_in_litres = 20\n",
            || Water { permeate: 5.5, permeate_ppm: 300.0, ..usual() },
            |_| {}
        ),
    ]
}
