//! The alarms that were ever raised, found by their keys at once: some dozens are asked for at every
//! event, and all are gone through several times.
//!
//! Invariants: sorted by key, each key once; nothing is ever taken out; in a snapshot a list of pairs.

use super::Alarm;
use crate::engine::catalogue::ALARMS;
use crate::engine::output::AlarmKey;
use serde::{Deserialize, Serialize};

/// No alarm of this row was ever raised.
const NOWHERE: u16 = u16::MAX;

/// Alarms by key.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(from = "Vec<(AlarmKey, Alarm)>", into = "Vec<(AlarmKey, Alarm)>")]
pub(super) struct Known {
    list: Vec<(AlarmKey, Alarm)>,
    /// Where the plant's alarm of a row is. Made from the list alone.
    plant: [u16; ALARMS.len()],
}

impl Default for Known {
    fn default() -> Self {
        Self { list: Vec::new(), plant: [NOWHERE; ALARMS.len()] }
    }
}

impl PartialEq for Known {
    fn eq(&self, other: &Self) -> bool {
        self.list == other.list
    }
}

impl From<Vec<(AlarmKey, Alarm)>> for Known {
    fn from(list: Vec<(AlarmKey, Alarm)>) -> Self {
        let mut known = Self::default();
        for (key, alarm) in list {
            known.or_insert(key, || alarm);
        }
        known
    }
}

impl From<Known> for Vec<(AlarmKey, Alarm)> {
    fn from(known: Known) -> Self {
        known.list
    }
}

impl Known {
    #[inline]
    fn find(&self, key: AlarmKey) -> Option<usize> {
        if key.of.is_none() {
            let at = self.plant[key.alarm as usize];
            return (at != NOWHERE).then_some(usize::from(at));
        }
        self.list.binary_search_by_key(&key, |(known, _)| *known).ok()
    }

    #[inline]
    pub(super) fn get(&self, key: AlarmKey) -> Option<&Alarm> {
        self.find(key).map(|at| &self.list[at].1)
    }

    pub(super) fn get_mut(&mut self, key: AlarmKey) -> Option<&mut Alarm> {
        self.find(key).map(|at| &mut self.list[at].1)
    }

    /// The alarm of the key; `new` where it was never raised.
    pub(super) fn or_insert(&mut self, key: AlarmKey, new: impl FnOnce() -> Alarm) -> &mut Alarm {
        let at = self.find(key).unwrap_or_else(|| {
            let at = self.list.partition_point(|(known, _)| *known < key);
            self.list.insert(at, (key, new()));
            self.plant = [NOWHERE; ALARMS.len()];
            for (at, (key, _)) in self.list.iter().enumerate() {
                if key.of.is_none() {
                    self.plant[key.alarm as usize] = u16::try_from(at).unwrap_or(NOWHERE);
                }
            }
            at
        });
        &mut self.list[at].1
    }

    /// All of them, in the order of their keys.
    pub(super) fn iter(&self) -> impl Iterator<Item = (AlarmKey, &Alarm)> {
        self.list.iter().map(|(key, alarm)| (*key, alarm))
    }

    pub(super) fn iter_mut(&mut self) -> impl Iterator<Item = (AlarmKey, &mut Alarm)> {
        self.list.iter_mut().map(|(key, alarm)| (*key, alarm))
    }

    pub(super) fn values(&self) -> impl Iterator<Item = &Alarm> {
        self.list.iter().map(|(_, alarm)| alarm)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::catalogue::{AlarmId, Class};

    fn key(alarm: AlarmId, of: Option<u16>) -> AlarmKey {
        AlarmKey { alarm, of }
    }

    /// Raised in any order, they are found, and gone through in the order of their keys.
    #[test]
    fn alarms_are_found_and_in_order_whenever_they_came() {
        let keys = [
            key(AlarmId::SensorFault, Some(3)),
            key(AlarmId::RejectionLow, None),
            key(AlarmId::SensorFault, Some(1)),
            key(AlarmId::Leak, None),
            key(AlarmId::SensorFault, None),
            key(AlarmId::ProductTdsHigh, None),
        ];
        let mut known = Known::default();
        for (turn, one) in keys.iter().enumerate() {
            let alarm = known.or_insert(*one, || Alarm::new(Class::Soon));
            alarm.notices = turn as u32;
            // Raised once more it is the same one.
            assert_eq!(known.or_insert(*one, || Alarm::new(Class::Now)).notices, turn as u32);
        }
        let mut sorted = keys.to_vec();
        sorted.sort();
        let order: Vec<AlarmKey> = known.iter().map(|(key, _)| key).collect();
        assert_eq!(order, sorted);
        for (turn, one) in keys.iter().enumerate() {
            assert_eq!(known.get(*one).map(|alarm| alarm.notices), Some(turn as u32), "{one:?}");
        }
        assert!(known.get(key(AlarmId::SensorFault, Some(2))).is_none());
        assert!(known.get(key(AlarmId::BrokerLost, None)).is_none());
    }

    #[test]
    fn a_list_is_what_it_holds() {
        let mut one = Known::default();
        one.or_insert(key(AlarmId::Leak, None), || Alarm::new(Class::Now));
        assert_ne!(one, Known::default());
        let again = Known::from(Vec::<(AlarmKey, Alarm)>::from(one.clone()));
        assert_eq!(one, again);
        one.or_insert(key(AlarmId::Leak, None), || Alarm::new(Class::Now)).notices = 7;
        assert_ne!(one, again);
    }
}
