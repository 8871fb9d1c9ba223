//! Named faults of plant and probes.

use super::plant::VirtualPlant;
use super::probes::{Broken, Probes};
use serde::{Deserialize, Serialize};

macro_rules! faults {
    ($($(#[doc = $doc:literal])* $id:ident = $name:literal, $is:literal;)*) => {
        /// A fault.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Fault {
            $(#[doc = $is] $id,)*
        }

        impl Fault {
            /// Every fault.
            pub const ALL: &[Self] = &[$(Self::$id,)*];

            /// Its name.
            pub const fn name(self) -> &'static str {
                match self {
                    $(Self::$id => $name,)*
                }
            }

            /// What is broken, in words.
            pub const fn is(self) -> &'static str {
                match self {
                    $(Self::$id => $is,)*
                }
            }
        }
    };
}

faults! {
    SpoiledProduct = "spoiled-product", "a third of the permeate goes round the resin";
    TubesSwapped = "tubes-swapped", "the tubes are swapped: feed flows where product should";
    ProductProbeStuck = "product-probe-stuck-at-zero", "the product probe shows 0 whatever flows by";
    ProductProbeSilent = "product-probe-silent", "the product probe sends nothing";
    PermeateProbeStuck = "permeate-probe-stuck", "the permeate probe shows 6 ppm whatever flows by";
    FeedProbeDrifts = "feed-probe-drifts", "the feed probe loses 1 % of its gain a day";
    Leak = "leak", "a tube behind the valve has burst: half a litre a minute";
    LeadSpent = "lead-spent", "the first vessel is spent";
    VesselsSpent = "vessels-spent", "both vessels are spent";
    ValveStuckOpen = "valve-stuck-open", "the supply valve no longer moves";
    ValveLeaksBy = "valve-leaks-by", "grit under the valve's seat: 0.05 L/min pass it when closed";
    FloatStuck = "float-stuck", "the float switch never says full";
    LevelStuck = "level-stuck", "the level sender stands still";
    MembraneWorn = "membrane-worn", "the membrane passes three times its salt and a tenth more water";
    MembraneFouled = "membrane-fouled", "the membrane passes two thirds of its water";
    RestrictorBlocked = "restrictor-blocked", "the restrictor passes a third of its flow";
    HotSupply = "hot-supply", "the tap gives hot water: 30 K more";
    WeakMains = "weak-mains", "the mains have half of their pressure";
}

impl Fault {
    /// Finds a fault by its name.
    pub fn by_name(name: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|fault| fault.name() == name)
    }

    /// Breaks it.
    pub fn apply(self, plant: &mut VirtualPlant, probes: &mut Probes) {
        self.set(plant, probes, true);
    }

    /// Mends it as a person would. What wore out is replaced.
    pub fn mend(self, plant: &mut VirtualPlant, probes: &mut Probes) {
        self.set(plant, probes, false);
    }

    fn set(self, plant: &mut VirtualPlant, probes: &mut Probes, on: bool) {
        let mut probe = |id: &str, broken: Broken| {
            if let Some(index) = probes.find(id) {
                probes.set_broken(index, if on { broken } else { Broken::No });
            }
        };
        let level = plant.truth().store_litres.round();
        let pick = |broken: f64, well: f64| if on { broken } else { well };
        match self {
            Self::SpoiledProduct => plant.controls.bypass_share = pick(1.0 / 3.0, 0.0),
            Self::TubesSwapped => plant.controls.raw_share = pick(1.0, 0.0),
            Self::ProductProbeStuck => probe("product-tds", Broken::Stuck(0.0)),
            Self::ProductProbeSilent => probe("product-tds", Broken::Silent),
            Self::PermeateProbeStuck => probe("permeate-tds", Broken::Stuck(6.0)),
            Self::FloatStuck => probe("store-full", Broken::Stuck(0.0)),
            Self::LevelStuck => probe("store-level", Broken::Stuck(level)),
            Self::FeedProbeDrifts => {
                let now = plant.truth().at_secs;
                if let Some(index) = probes.find("feed-tds") {
                    probes.change(index, |p| {
                        p.drift_per_day = pick(-0.01, 0.0);
                        p.drift_from_secs = now;
                    });
                }
            }
            Self::Leak => plant.controls.leak = pick(0.5, 0.0),
            Self::LeadSpent => spend(plant, 0, pick(1.3, 0.0)),
            Self::VesselsSpent => {
                spend(plant, 0, pick(1.3, 0.0));
                spend(plant, 1, pick(1.3, 0.0));
            }
            Self::ValveStuckOpen => plant.controls.valve_stuck = on,
            Self::ValveLeaksBy => plant.controls.leak_by = pick(0.05, 0.0),
            Self::MembraneWorn if on => plant.membrane_mut().scale(1.1, 3.0),
            Self::MembraneFouled if on => plant.membrane_mut().scale(0.67, 1.0),
            Self::MembraneWorn | Self::MembraneFouled => plant.membrane_mut().renew(),
            Self::RestrictorBlocked => plant.controls.restrictor_share = pick(1.0 / 3.0, 1.0),
            Self::HotSupply => plant.controls.tap_heat_k = pick(30.0, 0.0),
            Self::WeakMains => plant.controls.pressure_share = pick(0.5, 1.0),
        }
    }
}

fn spend(plant: &mut VirtualPlant, place: usize, share: f64) {
    if let Some(vessel) = plant.vessel_mut(place) {
        vessel.set_used_share(share);
    }
}
