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
    use super::*;
    use crate::engine::catalogue::Consequence;
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
}
