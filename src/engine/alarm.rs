//! Alarms with the states of ISA-18.2 / IEC 62682.
//!
//! Invariants: missing data clears nothing (whoever calls [`Alarms::set`] with `None` leaves the cause
//! as it was); a return to normal never removes an unacknowledged record; a latched alarm stays
//! until [`Alarms::reset`]; shelving ends by itself.
//!
//! The diagram stands at [`AlarmState`]. Absent on purpose: delays and deadbands, which belong to the
//! conditions that feed the alarms.

use super::catalogue::{ALARMS, AlarmId, Class, Consequence};
use super::output::{AlarmKey, AlarmState, AlarmUpdate};
use super::time::{Mono, Now, Span, Wall};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The longest that an alarm which only tells may lie on the shelf.
pub const SHELF_TELL_MAX: Span = Span::from_secs(7 * 86_400);
/// The longest that an alarm which acts may lie on the shelf.
pub const SHELF_ACT_MAX: Span = Span::from_secs(86_400);

/// One alarm.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    active: bool,
    latched: bool,
    acknowledged: bool,
    /// Something happened that nobody has taken note of.
    pending: bool,
    shelved_until: Option<Mono>,
    out_of_service: bool,
    suppressed: bool,
    first_out: bool,
    since: Option<Wall>,
    value: Option<f64>,
    limit: Option<f64>,
    class: Class,
    text: String,
    /// Last state that was told.
    told: Option<AlarmState>,
}

/// What raised an alarm.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Evidence {
    /// The value that shows it.
    pub value: Option<f64>,
    /// The limit that it passed.
    pub limit: Option<f64>,
    /// What is wrong, with its numbers.
    pub text: String,
}

/// All alarms of one plant.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Alarms {
    #[serde(with = "pairs")]
    alarms: BTreeMap<AlarmKey, Alarm>,
}

/// Why an answer to a person is no.
pub type Refusal = String;

impl Alarm {
    fn new(class: Class) -> Self {
        Self {
            active: false,
            latched: false,
            acknowledged: false,
            pending: false,
            shelved_until: None,
            out_of_service: false,
            suppressed: false,
            first_out: false,
            since: None,
            value: None,
            limit: None,
            class,
            text: String::new(),
            told: None,
        }
    }

    /// The ISA-18.2 state.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service {
            AlarmState::OutOfService
        } else if self.shelved_until.is_some() {
            AlarmState::Shelved
        } else if self.suppressed {
            AlarmState::SuppressedByDesign
        } else if self.active || self.latched {
            if self.acknowledged { AlarmState::Acknowledged } else { AlarmState::Unacknowledged }
        } else if self.pending {
            AlarmState::ReturnedUnacknowledged
        } else {
            AlarmState::Normal
        }
    }
}

impl Alarms {
    /// Says whether the cause of an alarm is present; `None` when nobody can tell, which changes
    /// nothing. A trip latches. Returns true when the alarm has just been raised.
    pub fn set(
        &mut self,
        now: Now,
        key: AlarmKey,
        active: Option<bool>,
        evidence: impl FnOnce() -> Evidence,
    ) -> bool {
        let Some(active) = active else { return false };
        let row = key.alarm.row();
        if !active && !self.alarms.contains_key(&key) {
            return false;
        }
        let alarm = self.alarms.entry(key).or_insert_with(|| Alarm::new(row.class));
        if active == alarm.active {
            return false;
        }
        alarm.active = active;
        if active {
            let anew = !alarm.latched;
            if anew {
                let Evidence { value, limit, text } = evidence();
                alarm.value = value;
                alarm.limit = limit;
                alarm.text = text;
                alarm.acknowledged = false;
                alarm.since = now.wall;
            }
            alarm.pending = !alarm.acknowledged;
            alarm.latched = row.consequence == Consequence::Trip;
            return anew;
        }
        if !alarm.latched {
            alarm.since = now.wall;
            alarm.pending = !alarm.acknowledged;
            alarm.first_out = false;
        }
        false
    }

    /// Latches an alarm that usually does not (the third hold of one cause in a day).
    pub fn latch(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.latched = true;
        }
    }

    /// Marks the first of those that closed the plant.
    pub fn mark_first_out(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.first_out = true;
        }
    }

    /// Changes the household class of a standing alarm (a product trip at night is *today* unless the
    /// store will not last until morning).
    pub fn set_class(&mut self, key: AlarmKey, class: Class) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.class = class;
        }
    }

    /// Means nothing in the present phase, or follows from another alarm; or does again.
    pub fn suppress(&mut self, key: AlarmKey, suppressed: bool) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.suppressed = suppressed;
        }
    }

    /// Unlatches an alarm. Whether its cause is gone is for the caller to have checked; a cause that
    /// is still present keeps the alarm.
    pub fn reset(&mut self, now: Now, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.latched = false;
            alarm.first_out = false;
            if !alarm.active {
                alarm.pending = false;
                alarm.acknowledged = false;
                alarm.since = now.wall;
            }
        }
    }

    /// A person has taken note. Returns how many alarms that changed.
    pub fn acknowledge(&mut self, matches: impl Fn(AlarmKey) -> bool) -> usize {
        let mut changed = 0;
        for (_, alarm) in self.alarms.iter_mut().filter(|(key, _)| matches(**key)) {
            if alarm.pending {
                alarm.pending = false;
                alarm.acknowledged = alarm.active || alarm.latched;
                changed += 1;
            }
        }
        changed
    }

    /// Puts an alarm on the shelf for a while.
    ///
    /// # Errors
    /// Alarms that may not be shelved, and times beyond the limit, are refused in words.
    pub fn shelve(&mut self, now: Now, key: AlarmKey, span: Span) -> Result<(), Refusal> {
        let row = key.alarm.row();
        if row.no_shelve {
            return Err(format!("{} may not be shelved: {}", row.name, row.means));
        }
        let most =
            if row.consequence == Consequence::Tell { SHELF_TELL_MAX } else { SHELF_ACT_MAX };
        if span <= Span::ZERO || span > most {
            return Err(format!(
                "{} may be shelved for at most {} hours",
                row.name,
                most.millis() / 3_600_000
            ));
        }
        let alarm = self.alarms.entry(key).or_insert_with(|| Alarm::new(row.class));
        alarm.shelved_until = Some(now.mono + span);
        Ok(())
    }

    /// Takes an alarm off the shelf.
    pub fn unshelve(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(&key) {
            alarm.shelved_until = None;
        }
    }

    /// Takes an alarm out of service, or puts it back. What it does is not taken out: a trip trips.
    ///
    /// # Errors
    /// Alarms that may not be shelved may not be taken out either.
    pub fn out_of_service(&mut self, key: AlarmKey, out: bool) -> Result<(), Refusal> {
        let row = key.alarm.row();
        if out && row.no_shelve {
            return Err(format!("{} may not be taken out of service: {}", row.name, row.means));
        }
        let alarm = self.alarms.entry(key).or_insert_with(|| Alarm::new(row.class));
        alarm.out_of_service = out;
        Ok(())
    }

    /// Ends shelving that is over.
    pub fn tick(&mut self, now: Mono) {
        for alarm in self.alarms.values_mut() {
            if alarm.shelved_until.is_some_and(|until| until <= now) {
                alarm.shelved_until = None;
            }
        }
    }

    /// When the next shelving ends.
    pub fn deadline(&self) -> Option<Mono> {
        self.alarms.values().filter_map(|alarm| alarm.shelved_until).min()
    }

    /// The cause is present.
    pub fn is_active(&self, key: AlarmKey) -> bool {
        self.alarms.get(&key).is_some_and(|alarm| alarm.active)
    }

    /// Stands: its cause is present or it is latched, whatever a person did about the telling.
    pub fn stands(&self, key: AlarmKey) -> bool {
        self.alarms.get(&key).is_some_and(|alarm| alarm.active || alarm.latched)
    }

    /// The plant's alarms of a consequence that stand, in the catalogue's order.
    pub fn standing(&self, consequence: Consequence) -> impl Iterator<Item = AlarmId> + '_ {
        ALARMS
            .iter()
            .filter(move |row| row.consequence == consequence)
            .map(|row| row.id)
            .filter(|alarm| self.stands(AlarmKey::plant(*alarm)))
    }

    /// Latched: stays until it is reset.
    pub fn is_latched(&self, key: AlarmKey) -> bool {
        self.alarms.get(&key).is_some_and(|alarm| alarm.latched)
    }

    /// The first of those that closed the plant.
    pub fn is_first_out(&self, key: AlarmKey) -> bool {
        self.alarms.get(&key).is_some_and(|alarm| alarm.first_out)
    }

    /// Since when it stands, and what raised it.
    pub fn evidence(&self, key: AlarmKey) -> Option<(Option<Wall>, &str)> {
        self.alarms.get(&key).map(|alarm| (alarm.since, alarm.text.as_str()))
    }

    /// Alarms whose state has changed since the last call; with `all`, every alarm that is known.
    pub fn changes(&mut self, all: bool) -> Vec<AlarmUpdate> {
        let mut updates = Vec::new();
        for (key, alarm) in &mut self.alarms {
            let state = alarm.state();
            if all || alarm.told != Some(state) {
                alarm.told = Some(state);
                updates.push(AlarmUpdate {
                    key: *key,
                    state,
                    active: alarm.active,
                    latched: alarm.latched,
                    since: alarm.since,
                    value: alarm.value,
                    limit: alarm.limit,
                    class: alarm.class,
                    first_out: alarm.first_out,
                    text: alarm.text.clone(),
                });
            }
        }
        updates
    }
}

/// JSON has no maps with keys like ours; a list of pairs keeps the order too.
mod pairs {
    use super::{Alarm, AlarmKey, BTreeMap};
    use serde::{Deserialize, Deserializer, Serializer};

    pub fn serialize<S: Serializer>(
        map: &BTreeMap<AlarmKey, Alarm>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(map.iter())
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<AlarmKey, Alarm>, D::Error> {
        Vec::<(AlarmKey, Alarm)>::deserialize(deserializer).map(|list| list.into_iter().collect())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TELL: AlarmKey = AlarmKey::plant(AlarmId::FeedPressureLow);
    const TRIP: AlarmKey = AlarmKey::plant(AlarmId::Leak);

    fn at(secs: i64) -> Now {
        Now::new(Mono::from_millis(secs * 1000), Wall::from_millis(secs * 1000))
    }

    fn raise(alarms: &mut Alarms, secs: i64, key: AlarmKey) {
        alarms.set(at(secs), key, Some(true), Evidence::default);
    }

    fn state(alarms: &Alarms, key: AlarmKey) -> AlarmState {
        alarms.alarms.get(&key).map(Alarm::state).unwrap_or_default()
    }

    #[test]
    fn normal_to_unacknowledged_when_the_cause_comes() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        assert_eq!(state(&alarms, TELL), AlarmState::Unacknowledged);
        assert_eq!(alarms.changes(false).len(), 1);
        assert!(alarms.changes(false).is_empty(), "told once");
    }

    #[test]
    fn unacknowledged_to_acknowledged_by_a_person() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        assert_eq!(alarms.acknowledge(|key| key == TELL), 1);
        assert_eq!(state(&alarms, TELL), AlarmState::Acknowledged);
    }

    #[test]
    fn acknowledged_to_normal_when_the_cause_goes() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.acknowledge(|_| true);
        alarms.set(at(2), TELL, Some(false), Evidence::default);
        assert_eq!(state(&alarms, TELL), AlarmState::Normal);
    }

    #[test]
    fn unacknowledged_to_returned_when_the_cause_goes_first() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.set(at(2), TELL, Some(false), Evidence::default);
        assert_eq!(state(&alarms, TELL), AlarmState::ReturnedUnacknowledged);
        alarms.acknowledge(|_| true);
        assert_eq!(state(&alarms, TELL), AlarmState::Normal);
    }

    #[test]
    fn returned_to_unacknowledged_when_the_cause_comes_back() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.set(at(2), TELL, Some(false), Evidence::default);
        raise(&mut alarms, 3, TELL);
        assert_eq!(state(&alarms, TELL), AlarmState::Unacknowledged);
    }

    #[test]
    fn a_trip_stays_without_its_cause_until_it_is_reset() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TRIP);
        alarms.set(at(2), TRIP, Some(false), Evidence::default);
        alarms.acknowledge(|_| true);
        assert_eq!(state(&alarms, TRIP), AlarmState::Acknowledged);
        assert!(alarms.stands(TRIP));
        alarms.reset(at(3), TRIP);
        assert_eq!(state(&alarms, TRIP), AlarmState::Normal);
    }

    #[test]
    fn a_reset_while_the_cause_is_present_keeps_the_alarm() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TRIP);
        alarms.reset(at(2), TRIP);
        assert!(alarms.stands(TRIP));
    }

    #[test]
    fn missing_data_changes_nothing() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        let before = alarms.clone();
        alarms.set(at(2), TELL, None, Evidence::default);
        assert_eq!(alarms, before);
    }

    #[test]
    fn a_shelf_ends_by_itself_and_shows_the_cause_again() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.shelve(at(2), TELL, Span::from_secs(60)).expect("may be shelved");
        assert_eq!(state(&alarms, TELL), AlarmState::Shelved);
        assert_eq!(alarms.deadline(), Some(at(62).mono));
        alarms.tick(at(62).mono);
        assert_eq!(state(&alarms, TELL), AlarmState::Unacknowledged);
    }

    #[test]
    fn a_leak_can_be_neither_shelved_nor_taken_out() {
        let mut alarms = Alarms::default();
        assert!(alarms.shelve(at(1), TRIP, Span::from_secs(60)).is_err());
        assert!(alarms.out_of_service(TRIP, true).is_err());
    }

    #[test]
    fn out_of_service_and_suppression_hide_the_telling_and_come_back() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.out_of_service(TELL, true).expect("may be taken out");
        assert_eq!(state(&alarms, TELL), AlarmState::OutOfService);
        alarms.out_of_service(TELL, false).expect("may be put back");
        alarms.suppress(TELL, true);
        assert_eq!(state(&alarms, TELL), AlarmState::SuppressedByDesign);
        alarms.suppress(TELL, false);
        assert_eq!(state(&alarms, TELL), AlarmState::Unacknowledged);
    }

    #[test]
    fn a_snapshot_keeps_every_state() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TRIP);
        raise(&mut alarms, 2, TELL);
        let text = serde_json::to_string(&alarms).expect("serialises");
        assert_eq!(serde_json::from_str::<Alarms>(&text).expect("reads"), alarms);
    }
}
