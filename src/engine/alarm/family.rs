//! Which alarms follow from which: the child is shown under its parent while that stands; and which
//! mean nothing in some phase of the plant.
//!
//! Invariants: what is answered at any hour is never hidden; what may not be shelved is never hidden;
//! the table has no circle and is one level deep; a child goes on doing what it does (a hold holds).

use super::Alarms;
use crate::engine::catalogue::{ALARMS, AlarmId, Class, Of};
use crate::engine::output::AlarmKey;
use crate::engine::phase::Phase;
use crate::engine::setup::Setup;
use crate::settings::schema::Point;

/// Child, and the alarms that it follows from.
pub(crate) const UNDER: &[(AlarmId, &[AlarmId])] = {
    use AlarmId as A;
    &[
        // Without the broker nothing speaks.
        (A::ProductProbeStale, &[A::BrokerLost]),
        (A::NotProven, &[A::BrokerLost]),
        (A::LeakSensorSilent, &[A::BrokerLost]),
        (A::SensorFault, &[A::BrokerLost, A::ProductProbeStale, A::NotProven]),
        // The milder of two limits on one quantity.
        (A::FeedPressureHigh, &[A::FeedPressureHighHigh]),
        (A::FeedTemperatureHigh, &[A::FeedHot]),
        (A::StoreFull, &[A::StoreOverfull]),
        (A::LeadBegun, &[A::LeadSpent]),
        // No water, no pressure.
        (A::FeedPressureLow, &[A::SuctionLow, A::FlowMissing, A::ValveLeaksBy]),
        (A::FlowUnexpected, &[A::ValveLeaksBy, A::OpenedUnpermitted]),
        (A::ProductReadingSuspect, &[A::ProductTdsHigh]),
        (A::RejectionLow, &[A::SaltPassageHigh]),
    ]
};

/// What means nothing while the plant is in one of these phases (suppressed by design, ISA-18.2).
pub(crate) const BY_PHASE: &[(AlarmId, &[Phase])] = {
    use AlarmId as A;
    // An open flush valve takes the pressure off the membrane, and next to nothing becomes permeate.
    const FLUSH: &[Phase] = &[Phase::Flushing];
    &[(A::FeedPressureLow, FLUSH), (A::FlowMissing, FLUSH), (A::StoreNotFilling, FLUSH)]
};

/// A sensor's own alarm follows from an alarm about the product probe only if it is such a probe.
fn concerns(setup: &Setup, child: AlarmKey, parent: AlarmId) -> bool {
    if child.alarm.row().of != Of::Sensor || parent == AlarmId::BrokerLost {
        return true;
    }
    child
        .of
        .and_then(|ix| setup.sensors.get(usize::from(ix)))
        .is_some_and(|sensor| sensor.point == Point::Product && sensor.is_solids())
}

impl Alarms {
    /// Suppresses what means nothing in this phase, and only that.
    pub(in crate::engine) fn in_phase(&mut self, phase: Phase) {
        for (alarm, phases) in BY_PHASE {
            self.suppress(AlarmKey::plant(*alarm), phases.contains(&phase));
        }
    }

    /// Puts each child under its parent, or takes it out again.
    pub(in crate::engine) fn relate(&mut self, setup: &Setup) {
        let mut standing = [false; ALARMS.len()];
        for alarm in self.all_standing() {
            standing[alarm as usize] = true;
        }
        for (key, alarm) in self.alarms.iter_mut() {
            let Some((_, parents)) = UNDER.iter().find(|(child, _)| *child == key.alarm) else {
                continue;
            };
            let under = parents
                .iter()
                .copied()
                .find(|parent| standing[*parent as usize] && concerns(setup, key, *parent));
            alarm.under = under.filter(|_| alarm.class < Class::Now);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Evidence;
    use super::*;
    use crate::engine::catalogue::Consequence;
    use crate::engine::time::{Mono, Now};
    use std::collections::BTreeSet;

    #[test]
    fn nothing_that_acts_or_is_urgent_is_suppressed_by_a_phase() {
        for (alarm, phases) in BY_PHASE {
            let row = alarm.row();
            assert_eq!(row.consequence, Consequence::Tell, "{}", row.name);
            assert!(row.class < Class::Now && !row.no_shelve, "{}", row.name);
            assert_eq!(row.of, Of::Plant, "{}", row.name);
            assert!(!phases.is_empty(), "{}", row.name);
        }
    }

    #[test]
    fn no_parent_is_a_child_of_its_child_and_nothing_urgent_is_ever_hidden() {
        let children: BTreeSet<AlarmId> = UNDER.iter().map(|(child, _)| *child).collect();
        assert_eq!(children.len(), UNDER.len(), "a child twice");
        for (child, parents) in UNDER {
            let row = child.row();
            assert!(row.class < Class::Now && !row.no_shelve, "{}", row.name);
            for parent in *parents {
                let back = UNDER.iter().find(|(one, _)| one == parent);
                assert!(back.is_none_or(|(_, above)| !above.contains(child)), "{}", row.name);
                assert_eq!(parent.row().of, Of::Plant, "{}", row.name);
            }
        }
    }

    fn setup() -> Setup {
        let text = r#"
[plants.main.sensors.product]
topic = "p"
quantity = "tds"
point = "product"
unit = "ppm"
[plants.main.sensors.feed]
topic = "f"
quantity = "tds"
point = "feed"
unit = "ppm"
[plants.main.sensors.floor]
topic = "l"
quantity = "leak"
point = "room"
"#;
        let settings = crate::settings::load::from_str("site.toml", text).expect("in order");
        let (id, plant) = settings.plants.first_key_value().expect("one plant");
        Setup::resolve(id, plant, settings.daemon.on_stop, 5)
    }

    fn of(setup: &Setup, alarm: AlarmId, sensor: &str) -> AlarmKey {
        let at = setup.sensors.iter().position(|known| known.id == sensor).expect("it is there");
        AlarmKey { alarm, of: u16::try_from(at).ok() }
    }

    fn set(alarms: &mut Alarms, secs: i64, key: AlarmKey, active: bool) {
        let now = Now { mono: Mono::from_millis(secs * 1000), wall: None };
        alarms.set(now, key, Some(active), Evidence::default);
        alarms.judge(now, None, None);
    }

    fn under(alarms: &Alarms, key: AlarmKey) -> Option<AlarmId> {
        alarms.alarms.get(key).expect("it was raised").under
    }

    #[test]
    fn a_child_is_shown_under_its_parent_while_that_stands() {
        let setup = setup();
        let mut alarms = Alarms::default();
        let child = AlarmKey::plant(AlarmId::FeedPressureHigh);
        set(&mut alarms, 0, child, true);
        alarms.relate(&setup);
        assert_eq!(under(&alarms, child), None, "nothing stands above it");
        let parent = AlarmKey::plant(AlarmId::FeedPressureHighHigh);
        set(&mut alarms, 10, parent, true);
        // Another that stands is no parent of it.
        set(&mut alarms, 10, AlarmKey::plant(AlarmId::RecoveryOff), true);
        alarms.relate(&setup);
        assert_eq!(under(&alarms, child), Some(AlarmId::FeedPressureHighHigh));
        assert_eq!(under(&alarms, parent), None);
        set(&mut alarms, 100, parent, false);
        alarms.relate(&setup);
        assert_eq!(under(&alarms, child), None, "the parent is gone");
    }

    #[test]
    fn a_sensors_fault_follows_from_the_product_probes_silence_only_at_that_probe() {
        let setup = setup();
        let mut alarms = Alarms::default();
        let product = of(&setup, AlarmId::SensorFault, "product");
        let others = ["feed", "floor"].map(|sensor| of(&setup, AlarmId::SensorFault, sensor));
        for key in others.into_iter().chain([product]) {
            set(&mut alarms, 0, key, true);
        }
        set(&mut alarms, 1, AlarmKey::plant(AlarmId::ProductProbeStale), true);
        alarms.relate(&setup);
        assert_eq!(under(&alarms, product), Some(AlarmId::ProductProbeStale));
        for other in others {
            assert_eq!(under(&alarms, other), None, "{other:?}");
        }
        // A sensor that is gone from the settings is nobody's child of a probe.
        let gone = AlarmKey { alarm: AlarmId::SensorFault, of: Some(99) };
        set(&mut alarms, 2, gone, true);
        set(&mut alarms, 2, AlarmKey::plant(AlarmId::BrokerLost), true);
        alarms.relate(&setup);
        for key in others.into_iter().chain([product, gone]) {
            assert_eq!(under(&alarms, key), Some(AlarmId::BrokerLost), "without it nothing speaks");
        }
        set(&mut alarms, 90, AlarmKey::plant(AlarmId::BrokerLost), false);
        alarms.relate(&setup);
        assert_eq!(under(&alarms, gone), None);
    }

    #[test]
    fn what_asks_for_somebody_now_is_shown_beside_its_parent() {
        let setup = setup();
        let mut alarms = Alarms::default();
        let full = AlarmKey::plant(AlarmId::StoreFull);
        set(&mut alarms, 0, full, true);
        set(&mut alarms, 0, AlarmKey::plant(AlarmId::StoreOverfull), true);
        alarms.alarms.get_mut(full).expect("raised").class = Class::Now;
        alarms.relate(&setup);
        assert_eq!(under(&alarms, full), None);
        alarms.alarms.get_mut(full).expect("raised").class = Class::Today;
        alarms.relate(&setup);
        assert_eq!(under(&alarms, full), Some(AlarmId::StoreOverfull));
    }

    #[test]
    fn a_phase_suppresses_what_means_nothing_in_it_and_ends_that_again() {
        let mut alarms = Alarms::default();
        let (low, broker) =
            (AlarmKey::plant(AlarmId::FeedPressureLow), AlarmKey::plant(AlarmId::BrokerLost));
        set(&mut alarms, 0, low, true);
        set(&mut alarms, 0, broker, true);
        let suppressed =
            |alarms: &Alarms, key| alarms.alarms.get(key).expect("it was raised").suppressed;
        alarms.in_phase(Phase::Flushing);
        assert!(suppressed(&alarms, low) && !suppressed(&alarms, broker));
        alarms.in_phase(Phase::Producing);
        assert!(!suppressed(&alarms, low) && !suppressed(&alarms, broker));
    }
}
