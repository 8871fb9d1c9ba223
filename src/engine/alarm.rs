//! Alarms with the states of ISA-18.2 / IEC 62682.
//!
//! Invariants: missing data clears nothing (whoever calls [`Alarms::set`] with `None` leaves the cause
//! as it was); a return to normal never removes an unacknowledged record; a latched alarm stays
//! until [`Alarms::reset`]; shelving ends by itself; what is hidden goes on doing what it does.
//!
//! The diagram stands at [`AlarmState`], every transition in [`table`]. On-delay, off-delay and deadband
//! belong to the conditions that feed the alarms ([`super::condition`]); here a *fleeting* alarm asks
//! nobody to take note of it, and a *chattering* one stands through until it has been quiet: told
//! once, with how often it came.

pub(in crate::engine) mod digest;
pub mod family;
pub mod household;
mod known;
pub mod table;

use super::catalogue::{AlarmId, Class, Consequence};
use super::output::{AlarmKey, AlarmState, AlarmUpdate};
use super::time::{Mono, Now, Span, Wall};
use known::Known;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};

/// The longest that an alarm which only tells may lie on the shelf.
pub const SHELF_TELL_MAX: Span = Span::from_secs(7 * 86_400);
/// The longest that an alarm which acts may lie on the shelf.
pub const SHELF_ACT_MAX: Span = Span::from_secs(86_400);

/// An alarm that only tells and was there for less than this asks nobody for anything any more
/// (ISA-18.2: fleeting).
pub const FLEETING_MAX: Span = Span::from_secs(10);
/// So many times in [`CHATTER_WINDOW`] is chattering. ISA-18.2 counts three in a minute; conditions
/// with off-delays of a minute cannot reach that, so the window is wider. Common practice, no source.
pub const CHATTER_COUNT: usize = 3;
/// See [`CHATTER_COUNT`].
pub const CHATTER_WINDOW: Span = Span::from_secs(600);
/// A chattering alarm stands until its cause has been away for so long.
pub const CHATTER_QUIET: Span = Span::from_secs(600);
/// Standing for longer than this is stale (EEMUA 191 as cited in the reference sheet: a day).
pub const STALE_AFTER: Span = Span::from_secs(86_400);
/// For how long the alarm performance looks back.
const MONTH: Span = Span::from_secs(30 * 86_400);
/// Hours of alarm performance that are kept: all that have an alarm in them.
const HOURS_MAX: usize = 31 * 24;

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
    /// When the cause last came.
    #[serde(default)]
    came: Option<Mono>,
    /// When it came lately.
    #[serde(default)]
    lately: VecDeque<Mono>,
    /// Chattering: stands until then, unless the cause comes again.
    #[serde(default)]
    quiet_at: Option<Mono>,
    #[serde(default)]
    chattering: u32,
    /// The alarm under which it is shown.
    #[serde(default)]
    under: Option<AlarmId>,
    #[serde(default)]
    respond_secs: Option<f64>,
    /// How often it was told, and when last, since nobody has taken note.
    #[serde(default)]
    notices: u32,
    #[serde(default)]
    noticed: Option<Mono>,
    /// Last of what was told beside the state.
    #[serde(default)]
    told_beside: Option<(Class, Option<AlarmId>, u32)>,
}

/// Alarms that came in one hour.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Hour {
    since: Mono,
    #[serde(with = "pairs")]
    came: BTreeMap<AlarmKey, u32>,
    fleeting: u32,
}

/// How busy the alarms are (ISA-18.2, alarm system performance).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Performance {
    /// Came in the last day.
    pub day: u32,
    /// Came in the last 30 days.
    pub month: u32,
    /// Ask for somebody now.
    pub standing: u32,
    /// Of these, for longer than a day.
    pub stale: u32,
    /// Come and go now.
    pub chattering: u32,
    /// Were gone before anybody could act, in the last 30 days.
    pub fleeting: u32,
    /// Came most often in the last 30 days, and how often.
    pub worst: Option<(AlarmKey, u32)>,
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
    alarms: Known,
    #[serde(default)]
    hours: VecDeque<Hour>,
    /// When the last digest was made.
    #[serde(default)]
    digested: Option<Mono>,
    /// Sums over the hours, while they stand.
    #[serde(skip)]
    looked_back: LookedBack,
}

/// Sums over the hours that are kept, until another alarm comes or an hour becomes too old. Made
/// from the hours alone, so it is no state: it is equal to any other.
#[derive(Clone, Debug, Default)]
struct LookedBack(Option<(Mono, Performance)>);

impl PartialEq for LookedBack {
    fn eq(&self, _: &Self) -> bool {
        true
    }
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
            came: None,
            lately: VecDeque::new(),
            quiet_at: None,
            chattering: 0,
            under: None,
            respond_secs: None,
            notices: 0,
            noticed: None,
            told_beside: None,
        }
    }

    /// As far as the telling goes: a chattering alarm stands through.
    const fn is_raised(&self) -> bool {
        self.active || self.latched || self.quiet_at.is_some()
    }

    /// Asks somebody for something.
    fn asks(&self) -> bool {
        matches!(self.state(), AlarmState::Unacknowledged | AlarmState::Acknowledged)
    }

    /// What is wrong, and that it comes and goes.
    fn told_text(&self) -> String {
        if self.chattering == 0 {
            return self.text.clone();
        }
        format!(
            "{} It has come {} times in {:.0} min: it is told once and stands until it has been quiet for {:.0} min.",
            self.text,
            self.chattering,
            CHATTER_WINDOW.minutes(),
            CHATTER_QUIET.minutes()
        )
    }

    /// Counts a coming of the cause, and finds out whether it chatters.
    fn count(&mut self, now: Mono) {
        self.came = Some(now);
        self.lately.push_back(now);
        while self.lately.len() > 16
            || self.lately.front().is_some_and(|at| now.since(*at) > CHATTER_WINDOW)
        {
            self.lately.pop_front();
        }
        if self.lately.len() >= CHATTER_COUNT || self.quiet_at.is_some() {
            self.chattering = u32::try_from(self.lately.len()).unwrap_or(u32::MAX);
        }
    }

    /// The ISA-18.2 state.
    pub fn state(&self) -> AlarmState {
        if self.out_of_service {
            AlarmState::OutOfService
        } else if self.shelved_until.is_some() {
            AlarmState::Shelved
        } else if (self.suppressed || self.under.is_some()) && self.is_raised() {
            AlarmState::SuppressedByDesign
        } else if self.is_raised() {
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
    #[inline]
    pub fn set(
        &mut self,
        now: Now,
        key: AlarmKey,
        active: Option<bool>,
        evidence: impl FnOnce() -> Evidence,
    ) -> bool {
        // Nearly always it is as it was, and most have never been.
        active.is_some_and(|active| {
            self.is_active(key) != active && self.change(now, key, active, evidence)
        })
    }

    /// The cause came or went.
    fn change(
        &mut self,
        now: Now,
        key: AlarmKey,
        active: bool,
        evidence: impl FnOnce() -> Evidence,
    ) -> bool {
        let row = key.alarm.row();
        let alarm = self.alarms.or_insert(key, || Alarm::new(row.class));
        alarm.active = active;
        if active {
            let anew = !alarm.latched;
            // A chattering alarm that comes again is the same one: nobody is to note it again.
            let again = alarm.quiet_at.is_some();
            if row.consequence == Consequence::Tell {
                alarm.count(now.mono);
            }
            alarm.quiet_at = None;
            if anew {
                let Evidence { value, limit, text } = evidence();
                alarm.value = value;
                alarm.limit = limit;
                alarm.text = text;
                if !again {
                    alarm.acknowledged = false;
                    alarm.since = now.wall;
                    alarm.notices = 0;
                }
            }
            alarm.came = Some(now.mono);
            alarm.pending = !alarm.acknowledged;
            // What has latched stays latched, whoever latched it: only a reset ends that.
            alarm.latched |= row.consequence == Consequence::Trip;
            self.note_hour(now.mono, key, false);
            return anew;
        }
        if alarm.latched {
            return false;
        }
        alarm.first_out = false;
        if alarm.chattering > 0 {
            alarm.quiet_at = Some(now.mono + CHATTER_QUIET);
            return false;
        }
        alarm.since = now.wall;
        let fleeting = row.consequence == Consequence::Tell
            && alarm.class < Class::Now
            && alarm.came.is_some_and(|came| now.mono.since(came) < FLEETING_MAX);
        alarm.pending =
            !alarm.acknowledged && !fleeting && alarm.under.is_none() && !alarm.suppressed;
        if fleeting {
            self.note_hour(now.mono, key, true);
        }
        false
    }

    /// Keeps count for the alarm performance.
    fn note_hour(&mut self, now: Mono, key: AlarmKey, fleeting: bool) {
        self.looked_back = LookedBack::default();
        let hour = Span::from_secs(3600);
        while self.hours.len() >= HOURS_MAX
            || self.hours.front().is_some_and(|first| now.since(first.since) > MONTH)
        {
            self.hours.pop_front();
        }
        if self.hours.back().is_none_or(|last| now.since(last.since) >= hour) {
            self.hours.push_back(Hour { since: now, came: BTreeMap::new(), fleeting: 0 });
        }
        if let Some(last) = self.hours.back_mut() {
            if fleeting {
                last.fleeting = last.fleeting.saturating_add(1);
            } else {
                let count = last.came.entry(key).or_insert(0);
                *count = count.saturating_add(1);
            }
        }
    }

    /// How busy the alarms are, at this moment and looking back.
    pub fn performance(&mut self, now: Now) -> Performance {
        let mut found = match self.looked_back.0 {
            Some((until, found)) if now.mono <= until => found,
            _ => {
                let (until, found) = self.look_back(now.mono);
                self.looked_back.0 = Some((until, found));
                found
            }
        };
        for alarm in self.alarms.values().filter(|alarm| alarm.asks()) {
            found.standing += 1;
            let old = alarm.came.is_some_and(|came| now.mono.since(came) > STALE_AFTER);
            found.stale += u32::from(old);
            found.chattering += u32::from(alarm.chattering > 0);
        }
        found
    }

    /// What came in the last day and month, and until when that stays so if nothing comes.
    fn look_back(&self, now: Mono) -> (Mono, Performance) {
        let day = Span::from_secs(86_400);
        let mut found = Performance::default();
        let mut came: BTreeMap<AlarmKey, u32> = BTreeMap::new();
        let mut until = now + MONTH;
        for hour in self.hours.iter().filter(|hour| now.since(hour.since) <= MONTH) {
            let count: u32 = hour.came.values().sum();
            found.month += count;
            let in_day = now.since(hour.since) <= day;
            if in_day {
                found.day += count;
            }
            until = until.min(hour.since + if in_day { day } else { MONTH });
            found.fleeting += hour.fleeting;
            for (key, count) in &hour.came {
                *came.entry(*key).or_insert(0) += count;
            }
        }
        // Of equals the first in the catalogue.
        found.worst = came.into_iter().max_by_key(|(key, count)| (*count, std::cmp::Reverse(*key)));
        (until, found)
    }

    /// Gives every standing alarm the class that its time to respond makes it, and says which of them
    /// are to be told again because nobody has taken note.
    pub(in crate::engine) fn judge(
        &mut self,
        now: Now,
        hours_left: Option<f64>,
        until_morning: Option<f64>,
    ) -> Vec<(AlarmKey, u32, String)> {
        let mut again = Vec::new();
        for (key, alarm) in self.alarms.iter_mut() {
            let row = key.alarm.row();
            if !alarm.is_raised() {
                alarm.class = row.class;
                alarm.respond_secs = None;
                continue;
            }
            alarm.class = household::class(row, hours_left, until_morning);
            let within = household::time_to_respond(row, alarm.class, hours_left);
            // Coarse, so that a store that empties does not tell the alarm anew each minute.
            alarm.respond_secs = Some((within.secs() / 600.0).round() * 600.0);
            if alarm.state() != AlarmState::Unacknowledged {
                alarm.noticed = None;
                alarm.notices = 0;
                continue;
            }
            let Some(noticed) = alarm.noticed else {
                alarm.noticed = Some(now.mono);
                alarm.notices = 1;
                continue;
            };
            let Some(pause) = household::again_after(alarm.class, alarm.notices) else { continue };
            let waits = alarm.class < Class::Now && until_morning.is_some();
            if now.mono.since(noticed) >= pause && !waits {
                alarm.noticed = Some(now.mono);
                alarm.notices = alarm.notices.saturating_add(1);
                again.push((key, alarm.notices, alarm.text.clone()));
            }
        }
        again
    }

    /// When the next alarm is to be told again, or the digest. `until_morning` as in [`household::until_morning`].
    fn next_notice(&self, now: Mono, until_morning: Option<f64>) -> Option<Mono> {
        let morning = now + Span::from_secs_f64(until_morning.unwrap_or(0.0) * 3600.0 + 1.0);
        self.alarms
            .values()
            .filter(|alarm| alarm.state() == AlarmState::Unacknowledged)
            .filter_map(|alarm| {
                if alarm.class == Class::Soon && alarm.notices <= 1 && until_morning.is_some() {
                    return Some(morning);
                }
                let due = alarm.noticed? + household::again_after(alarm.class, alarm.notices)?;
                Some(if alarm.class < Class::Now && until_morning.is_some() {
                    due.max(morning)
                } else {
                    due
                })
            })
            .min()
    }

    /// An alarm that stands for several things at once says which those are now. With `more`, something
    /// has come to them that nobody can have taken note of.
    pub(in crate::engine) fn restate(&mut self, key: AlarmKey, more: bool, evidence: Evidence) {
        let Some(alarm) = self.alarms.get_mut(key).filter(|alarm| alarm.active) else { return };
        let Evidence { value, limit, text } = evidence;
        (alarm.value, alarm.limit, alarm.text) = (value, limit, text);
        alarm.told = None;
        if more {
            alarm.acknowledged = false;
            alarm.pending = true;
            alarm.notices = 0;
            alarm.noticed = None;
        }
    }

    /// Latches an alarm that usually does not (the third hold of one cause in a day).
    pub fn latch(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(key) {
            alarm.latched = true;
        }
    }

    /// Marks the first of those that closed the plant.
    pub fn mark_first_out(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(key) {
            alarm.first_out = true;
        }
    }

    /// Means nothing in the present phase, or follows from another alarm; or does again.
    pub fn suppress(&mut self, key: AlarmKey, suppressed: bool) {
        if let Some(alarm) = self.alarms.get_mut(key) {
            alarm.suppressed = suppressed;
        }
    }

    /// Unlatches an alarm. Whether its cause is gone is for the caller to have checked; a cause that
    /// is still present keeps the alarm.
    pub fn reset(&mut self, now: Now, key: AlarmKey) {
        // A reset takes no note of what does not stand latched.
        if let Some(alarm) = self.alarms.get_mut(key).filter(|alarm| alarm.latched) {
            alarm.latched = false;
            alarm.first_out = false;
            alarm.quiet_at = None;
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
        for (_, alarm) in self.alarms.iter_mut().filter(|(key, _)| matches(*key)) {
            if alarm.pending {
                alarm.pending = false;
                alarm.acknowledged = alarm.is_raised();
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
        let alarm = self.alarms.or_insert(key, || Alarm::new(row.class));
        alarm.shelved_until = Some(now.mono + span);
        Ok(())
    }

    /// Takes an alarm off the shelf.
    pub fn unshelve(&mut self, key: AlarmKey) {
        if let Some(alarm) = self.alarms.get_mut(key) {
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
        let alarm = self.alarms.or_insert(key, || Alarm::new(row.class));
        alarm.out_of_service = out;
        Ok(())
    }

    /// Ends shelving that is over.
    pub fn tick(&mut self, now: Mono) {
        for (_, alarm) in self.alarms.iter_mut() {
            if alarm.shelved_until.is_some_and(|until| until <= now) {
                alarm.shelved_until = None;
            }
            if alarm.quiet_at.is_some_and(|until| until <= now) {
                alarm.quiet_at = None;
                alarm.chattering = 0;
                alarm.lately.clear();
                alarm.pending = !alarm.acknowledged;
            }
        }
    }

    /// When the next shelving or chattering ends, or an alarm is to be told again.
    pub fn deadline(&self, now: Mono, until_morning: Option<f64>) -> Option<Mono> {
        self.alarms
            .values()
            .flat_map(|alarm| [alarm.shelved_until, alarm.quiet_at])
            .flatten()
            .chain(self.next_notice(now, until_morning))
            .min()
    }

    /// The cause is present.
    #[inline]
    pub fn is_active(&self, key: AlarmKey) -> bool {
        self.alarms.get(key).is_some_and(|alarm| alarm.active)
    }

    /// Stands: its cause is present or it is latched, whatever a person did about the telling.
    pub fn stands(&self, key: AlarmKey) -> bool {
        self.alarms.get(key).is_some_and(|alarm| alarm.active || alarm.latched)
    }

    /// The plant's alarms of a consequence that stand, in the catalogue's order.
    pub fn standing(&self, consequence: Consequence) -> impl Iterator<Item = AlarmId> + '_ {
        self.all_standing().filter(move |alarm| alarm.row().consequence == consequence)
    }

    /// The plant's alarms that stand, in the catalogue's order, which is that of their ids.
    pub(in crate::engine) fn all_standing(&self) -> impl Iterator<Item = AlarmId> + '_ {
        self.alarms
            .iter()
            .filter(|(key, alarm)| key.of.is_none() && (alarm.active || alarm.latched))
            .map(|(key, _)| key.alarm)
    }

    /// Latched: stays until it is reset.
    pub fn is_latched(&self, key: AlarmKey) -> bool {
        self.alarms.get(key).is_some_and(|alarm| alarm.latched)
    }

    /// The first of those that closed the plant.
    pub fn is_first_out(&self, key: AlarmKey) -> bool {
        self.alarms.get(key).is_some_and(|alarm| alarm.first_out)
    }

    /// Since when it stands, and what raised it.
    pub fn evidence(&self, key: AlarmKey) -> Option<(Option<Wall>, &str)> {
        self.alarms.get(key).map(|alarm| (alarm.since, alarm.text.as_str()))
    }

    /// Alarms whose state has changed since the last call; with `all`, every alarm that is known.
    pub fn changes(&mut self, all: bool) -> Vec<AlarmUpdate> {
        let mut updates = Vec::new();
        for (key, alarm) in self.alarms.iter_mut() {
            let state = alarm.state();
            let beside = Some((alarm.class, alarm.under, alarm.chattering));
            let is_new =
                alarm.told != Some(state) || (alarm.is_raised() && alarm.told_beside != beside);
            // Telling everything again after a start is no event: what a replay cannot know of must
            // leave no trace.
            if is_new {
                alarm.told = Some(state);
                alarm.told_beside = beside;
            }
            if all || is_new {
                updates.push(AlarmUpdate {
                    key,
                    state,
                    active: alarm.active,
                    latched: alarm.latched,
                    since: alarm.since,
                    value: alarm.value,
                    limit: alarm.limit,
                    class: alarm.class,
                    first_out: alarm.first_out,
                    text: alarm.told_text(),
                    under: alarm.under,
                    chattering: alarm.chattering,
                    respond_secs: alarm.respond_secs,
                });
            }
        }
        updates
    }
}

/// JSON has no maps with keys like ours; a list of pairs keeps the order too.
mod pairs {
    use super::{AlarmKey, BTreeMap};
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<V: Serialize, S: Serializer>(
        map: &BTreeMap<AlarmKey, V>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        serializer.collect_seq(map.iter())
    }

    pub fn deserialize<'de, V: Deserialize<'de>, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<AlarmKey, V>, D::Error> {
        Vec::<(AlarmKey, V)>::deserialize(deserializer).map(|list| list.into_iter().collect())
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
        alarms.alarms.get(key).map(Alarm::state).unwrap_or_default()
    }

    const HOLD: AlarmKey = AlarmKey::plant(AlarmId::BrokerLost);

    fn clear(alarms: &mut Alarms, secs: i64, key: AlarmKey) {
        alarms.set(at(secs), key, Some(false), Evidence::default);
    }

    /// The third hold of a day is latched, and the cause comes a fourth time: it once was forgotten then.
    #[test]
    fn a_latched_hold_stays_latched_when_its_cause_comes_and_goes_again() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, HOLD);
        assert!(alarms.stands(HOLD) && !alarms.is_latched(HOLD));
        alarms.latch(HOLD);
        for secs in [100, 300] {
            clear(&mut alarms, secs, HOLD);
            assert!(!alarms.is_active(HOLD), "{secs}");
            assert!(alarms.stands(HOLD) && alarms.is_latched(HOLD), "{secs}");
            raise(&mut alarms, secs + 100, HOLD);
        }
        clear(&mut alarms, 500, HOLD);
        alarms.reset(at(600), HOLD);
        assert!(!alarms.stands(HOLD) && !alarms.is_latched(HOLD));
    }

    /// A hold that was there for a moment stopped the plant: it is to be noted, and it is no fleeting one; no
    /// more is what asks for somebody now.
    #[test]
    fn what_acts_or_is_urgent_is_to_be_noted_however_short_it_was() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, HOLD);
        clear(&mut alarms, 5, HOLD);
        assert!(alarms.alarms.get(HOLD).expect("raised").pending);
        raise(&mut alarms, 20, TELL);
        alarms.alarms.get_mut(TELL).expect("raised").class = Class::Now;
        clear(&mut alarms, 25, TELL);
        assert!(alarms.alarms.get(TELL).expect("raised").pending);
        assert_eq!(alarms.performance(at(30)).fleeting, 0);
        raise(&mut alarms, 40, TELL);
        alarms.alarms.get_mut(TELL).expect("raised").class = Class::Soon;
        clear(&mut alarms, 45, TELL);
        assert!(!alarms.alarms.get(TELL).expect("raised").pending);
        assert_eq!(alarms.performance(at(50)).fleeting, 1);
    }

    /// An hour's count is that of the hour: what comes at its end begins the next.
    #[test]
    fn alarms_are_counted_by_the_hour() {
        let mut alarms = Alarms::default();
        for secs in [0, 3599, 3600, 7199, 7200] {
            raise(&mut alarms, secs, HOLD);
            clear(&mut alarms, secs, HOLD);
        }
        let counts: Vec<u32> =
            alarms.hours.iter().map(|hour| hour.came.values().sum::<u32>()).collect();
        assert_eq!(counts, [2, 2, 1]);
    }

    #[test]
    fn what_stands_is_told_by_consequence_and_a_sensors_own_alarms_apart() {
        let mut alarms = Alarms::default();
        let of_sensor = AlarmKey { alarm: AlarmId::LeakSensorSilent, of: Some(0) };
        for key in [TELL, TRIP, HOLD, of_sensor] {
            raise(&mut alarms, 1, key);
        }
        clear(&mut alarms, 100, TRIP);
        clear(&mut alarms, 100, TELL);
        let mut standing: Vec<AlarmId> = alarms.all_standing().collect();
        standing.sort();
        let mut both = vec![TRIP.alarm, HOLD.alarm];
        both.sort();
        assert_eq!(standing, both);
        assert_eq!(alarms.standing(Consequence::Trip).collect::<Vec<_>>(), [TRIP.alarm]);
        assert_eq!(alarms.standing(Consequence::Hold).collect::<Vec<_>>(), [HOLD.alarm]);
    }

    #[test]
    fn the_first_out_and_its_evidence_are_kept_until_the_reset() {
        let mut alarms = Alarms::default();
        assert_eq!(alarms.evidence(TRIP), None);
        let evidence = || Evidence { text: "Wet.".to_owned(), ..Evidence::default() };
        alarms.set(at(5), TRIP, Some(true), evidence);
        assert!(!alarms.is_first_out(TRIP));
        alarms.mark_first_out(TRIP);
        clear(&mut alarms, 50, TRIP);
        assert!(alarms.is_first_out(TRIP));
        assert_eq!(alarms.evidence(TRIP), Some((at(5).wall, "Wet.")));
        alarms.reset(at(60), TRIP);
        assert!(!alarms.is_first_out(TRIP));
    }

    #[test]
    fn two_that_somebody_takes_note_of_are_two() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, TELL);
        raise(&mut alarms, 0, HOLD);
        assert_eq!(alarms.acknowledge(|_| true), 2);
        assert_eq!(alarms.acknowledge(|_| true), 0);
    }

    #[test]
    fn a_shelf_has_a_longest_time_by_what_the_alarm_does() {
        let mut alarms = Alarms::default();
        let trip = AlarmKey::plant(AlarmId::ProductTdsHigh);
        let more = Span::from_millis(1);
        for (key, most) in [(TELL, SHELF_TELL_MAX), (trip, SHELF_ACT_MAX)] {
            assert_eq!(alarms.shelve(at(0), key, most), Ok(()));
            assert!(alarms.shelve(at(0), key, most + more).is_err());
            assert!(alarms.shelve(at(0), key, Span::ZERO).is_err());
        }
        assert_eq!(SHELF_TELL_MAX, Span::from_secs(604_800));
    }

    #[test]
    fn it_chatters_when_it_comes_three_times_within_the_window() {
        let chatters = |every: i64| {
            let mut alarms = Alarms::default();
            for turn in 0..3 {
                raise(&mut alarms, turn * every, TELL);
                clear(&mut alarms, turn * every + 20, TELL);
            }
            raise(&mut alarms, 4000, TELL);
            alarms.performance(at(4001)).chattering == 1
        };
        let half = CHATTER_WINDOW.millis() / 2000;
        assert!(chatters(half));
        assert!(!chatters(half + 1));
    }

    #[test]
    fn a_chattering_alarm_says_how_often_it_came() {
        let mut alarms = Alarms::default();
        let mut told = Vec::new();
        for turn in 0..20 {
            let text = || Evidence { text: "Low.".to_owned(), ..Evidence::default() };
            alarms.set(at(turn * 25), TELL, Some(true), text);
            told.extend(alarms.changes(false).pop().map(|one| (one.text, one.chattering)));
            clear(&mut alarms, turn * 25 + 12, TELL);
        }
        assert_eq!(told[0], ("Low.".to_owned(), 0));
        let says = |times: u32| {
            let text = format!(
                "Low. It has come {times} times in 10 min: it is told once and stands until it has been quiet for 10 min."
            );
            (text, times)
        };
        assert_eq!(told[1], says(3), "the second coming changed nothing that is told");
        // No more than sixteen are remembered.
        assert_eq!(told.last(), Some(&says(16)));
    }

    #[test]
    fn what_lasted_ten_seconds_is_not_fleeting() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, TELL);
        clear(&mut alarms, 10, TELL);
        assert_eq!(state(&alarms, TELL), AlarmState::ReturnedUnacknowledged);
        let performance = alarms.performance(at(11));
        assert_eq!((performance.fleeting, performance.standing), (0, 0), "it asks nobody to act");
    }

    #[test]
    fn stale_is_more_than_a_day() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, TELL);
        assert_eq!(alarms.performance(at(86_400)).stale, 0);
        assert_eq!(alarms.performance(at(86_401)).stale, 1);
    }

    #[test]
    fn the_next_word_of_what_can_wait_comes_after_its_pause_and_not_at_night() {
        let mut alarms = Alarms::default();
        let warm = AlarmKey::plant(AlarmId::FeedTemperatureHigh);
        raise(&mut alarms, 0, warm);
        alarms.judge(at(100), None, None);
        assert_eq!(alarms.deadline(at(100).mono, None), Some(at(86_500).mono));
        // Two hours before morning, and long overdue.
        let night = at(90_000).mono;
        assert_eq!(alarms.deadline(night, Some(2.0)), Some(at(90_000 + 7_201).mono));
    }

    /// What came in the night and can wait is told in the morning; what was told there is not awaited any more.
    #[test]
    fn the_digest_of_the_morning_has_its_moment() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, AlarmKey::plant(AlarmId::RejectionLow));
        alarms.judge(at(100), None, Some(2.0));
        assert_eq!(alarms.deadline(at(100).mono, Some(2.0)), Some(at(100 + 7_201).mono));
        assert_eq!(alarms.digest(at(7_301).mono, digest::Moment::Morning).len(), 1);
        assert_eq!(alarms.deadline(at(90_000).mono, Some(2.0)), None, "not each morning");
    }

    #[test]
    fn the_time_to_respond_is_coarse() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, AlarmKey::plant(AlarmId::ProductTdsHigh));
        alarms.judge(at(0), Some(6.13), None);
        // 22,068 s are 36.8 times ten minutes.
        assert_eq!(alarms.changes(true)[0].respond_secs, Some(22_200.0));
    }

    #[test]
    fn a_change_is_told_once() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        assert_eq!(alarms.changes(false).len(), 1);
        assert!(alarms.changes(false).is_empty(), "told once");
    }

    /// One alarm that stands for several things says which those are.
    #[test]
    fn what_an_alarm_stands_for_is_told_as_it_is_now() {
        let mut alarms = Alarms::default();
        let says = |text: &str| Evidence { text: text.to_owned(), ..Evidence::default() };
        alarms.restate(TELL, true, says("nothing stands"));
        assert!(alarms.changes(false).is_empty());
        raise(&mut alarms, 0, TELL);
        assert_eq!(alarms.acknowledge(|key| key == TELL), 1);
        alarms.changes(false);
        alarms.restate(TELL, false, says("one less"));
        let told = alarms.changes(false);
        assert_eq!(told.iter().map(|told| told.text.as_str()).collect::<Vec<_>>(), ["one less"]);
        assert_eq!(state(&alarms, TELL), AlarmState::Acknowledged);
        assert!(alarms.changes(false).is_empty(), "once");
        alarms.restate(TELL, true, says("one more"));
        assert_eq!(state(&alarms, TELL), AlarmState::Unacknowledged);
        alarms.judge(at(10), None, None);
        assert_eq!(alarms.changes(false).len(), 1);
        clear(&mut alarms, 20, TELL);
        assert_eq!(state(&alarms, TELL), AlarmState::ReturnedUnacknowledged, "nobody has noted it");
    }

    #[test]
    fn a_fleeting_alarm_asks_nobody_and_is_counted() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 1, TELL);
        alarms.set(at(5), TELL, Some(false), Evidence::default);
        assert_eq!(state(&alarms, TELL), AlarmState::Normal);
        let performance = alarms.performance(at(6));
        assert_eq!((performance.fleeting, performance.day), (1, 1));
        // What trips is never fleeting.
        raise(&mut alarms, 10, TRIP);
        alarms.set(at(11), TRIP, Some(false), Evidence::default);
        assert_eq!(state(&alarms, TRIP), AlarmState::Unacknowledged);
    }

    #[test]
    fn a_chattering_alarm_is_told_once_and_stands_until_it_is_quiet() {
        let mut alarms = Alarms::default();
        let mut told = 0;
        for turn in 0..6 {
            raise(&mut alarms, turn * 90, TELL);
            told += alarms.changes(false).iter().filter(|one| one.chattering == 0).count();
            alarms.acknowledge(|_| turn == 3);
            alarms.set(at(turn * 90 + 60), TELL, Some(false), Evidence::default);
            alarms.tick(at(turn * 90 + 60).mono);
            alarms.changes(false);
        }
        assert!(told <= 3, "told {told} times");
        assert_eq!(state(&alarms, TELL), AlarmState::Acknowledged, "noted once, noted for all");
        assert!(!alarms.is_active(TELL), "its cause is away all the same");
        assert_eq!(alarms.performance(at(520)).chattering, 1);
        let quiet = alarms.deadline(at(520).mono, None).expect("an end");
        assert_eq!(quiet, at(5 * 90 + 60).mono + CHATTER_QUIET);
        alarms.tick(quiet);
        assert_eq!(state(&alarms, TELL), AlarmState::Normal);
        assert_eq!(alarms.performance(at(2000)).worst, Some((TELL, 6)));
    }

    #[test]
    fn the_performance_forgets_after_a_month_and_knows_what_is_stale() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, 0, TELL);
        let day = 86_400;
        let performance = alarms.performance(at(2 * day));
        assert_eq!((performance.day, performance.month), (0, 1));
        assert_eq!((performance.standing, performance.stale), (1, 1));
        assert_eq!(alarms.performance(at(31 * day)).month, 0);
    }

    /// What is kept between two looks equals what is found anew: by a copy from a snapshot, that
    /// looks for the first time.
    #[test]
    fn the_performance_is_the_same_whenever_it_was_last_looked_at() {
        let mut alarms = Alarms::default();
        for hours in 0..2_000 {
            if hours % 17 == 0 {
                raise(&mut alarms, hours * 3600, TELL);
            } else if hours % 17 == 5 {
                alarms.set(at(hours * 3600), TELL, Some(false), Evidence::default);
            }
            let text = serde_json::to_string(&alarms).expect("serialises");
            let fresh: Alarms = serde_json::from_str(&text).expect("reads");
            for secs in [0, 1, 3599] {
                let now = at(hours * 3600 + secs);
                assert_eq!(alarms.performance(now), fresh.clone().performance(now), "{hours} h");
            }
            assert_eq!(alarms, fresh);
        }
        assert!(alarms.performance(at(2_000 * 3600)).month > 20);
    }

    #[test]
    fn what_nobody_notes_is_told_again_and_at_night_only_what_cannot_wait() {
        let mut alarms = Alarms::default();
        let warm = AlarmKey::plant(AlarmId::FeedTemperatureHigh);
        raise(&mut alarms, 0, TRIP);
        raise(&mut alarms, 0, warm);
        assert!(alarms.judge(at(0), None, Some(8.0)).is_empty(), "the first word is the alarm");
        assert_eq!(alarms.deadline(at(0).mono, Some(8.0)), Some(at(900).mono));
        let again = alarms.judge(at(900), None, Some(7.75));
        assert_eq!(again.iter().map(|one| (one.0, one.1)).collect::<Vec<_>>(), [(TRIP, 2)]);
        let late = at(2 * 86_400);
        let night = alarms.judge(late, None, Some(1.0));
        assert!(night.iter().all(|one| one.0 == TRIP), "{night:?}");
        let day = alarms.judge(late, None, None);
        assert!(day.iter().any(|one| one.0 == warm), "{day:?}");
        alarms.acknowledge(|_| true);
        assert!(alarms.judge(at(9 * 86_400), None, None).is_empty());
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
        assert_eq!(alarms.deadline(at(2).mono, None), Some(at(62).mono));
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
