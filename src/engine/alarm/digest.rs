//! What can wait, told together: the alarms of class *soon* that nobody has taken note of.

use super::Alarms;
use crate::engine::catalogue::{Class, Consequence};
use crate::engine::output::{AlarmKey, AlarmState};
use crate::engine::time::{Mono, Span};

/// A household without quiet hours has its digest so long after the last.
const DAY: Span = Span::from_secs(86_400);
/// Without anything new it comes so long after the last. Own judgement.
const WEEK: Span = Span::from_secs(7 * 86_400);

/// Where a moment lies in the day of the household.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::engine) enum Moment {
    /// Quiet hours; or nobody knows, which may be.
    Quiet,
    /// The first look after the quiet hours.
    Morning,
    /// Any other.
    Day,
    /// The household has no quiet hours.
    NeverQuiet,
}

impl Moment {
    /// From what [`super::household::until_morning`] gives now and gave before.
    pub(in crate::engine) const fn of(now: Option<f64>, before: Option<f64>, quiet: bool) -> Self {
        match (quiet, now, before) {
            (false, ..) => Self::NeverQuiet,
            (true, Some(_), _) => Self::Quiet,
            (true, None, Some(_)) => Self::Morning,
            (true, None, None) => Self::Day,
        }
    }
}

impl Alarms {
    /// The digest, if this is its moment and there is something to say: in the morning, when something
    /// is new in it, else once a week for as long as something stands. Each with its key and words, in
    /// the catalogue's order.
    pub(in crate::engine) fn digest(&mut self, now: Mono, at: Moment) -> Vec<(AlarmKey, String)> {
        let since = self.digested.map(|last| now.since(last));
        let is_time = match at {
            Moment::Quiet | Moment::Day => false,
            Moment::Morning => true,
            Moment::NeverQuiet => since.is_none_or(|since| since >= DAY),
        };
        if !is_time {
            return Vec::new();
        }
        let mut soon: Vec<_> = self
            .alarms
            .iter_mut()
            // An interlock is how the plant works: a full container needs nobody.
            .filter(|(key, alarm)| {
                alarm.class == Class::Soon
                    && alarm.state() == AlarmState::Unacknowledged
                    && key.alarm.row().consequence != Consequence::Interlock
            })
            .collect();
        // Told once: when it came.
        let is_new = soon.iter().any(|(_, alarm)| alarm.notices <= 1);
        if soon.is_empty() || !(is_new || since.is_none_or(|since| since >= WEEK)) {
            return Vec::new();
        }
        self.digested = Some(now);
        for (_, alarm) in &mut soon {
            alarm.notices = alarm.notices.max(1).saturating_add(1);
            alarm.noticed = Some(now);
        }
        soon.into_iter().map(|(key, alarm)| (key, alarm.text.clone())).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::super::Evidence;
    use super::*;
    use crate::engine::catalogue::AlarmId;
    use crate::engine::time::{Now, Wall};

    fn at(secs: i64) -> Now {
        Now { mono: Mono::from_millis(secs * 1000), wall: Some(Wall::from_millis(secs * 1000)) }
    }

    fn raise(alarms: &mut Alarms, now: Now, alarm: AlarmId) {
        let evidence = || Evidence { text: alarm.name().to_owned(), ..Evidence::default() };
        alarms.set(now, AlarmKey::plant(alarm), Some(true), evidence);
        alarms.judge(now, None, None);
    }

    fn names(digest: &[(AlarmKey, String)]) -> Vec<&str> {
        digest.iter().map(|(_, text)| text.as_str()).collect()
    }

    const DAY_SECS: i64 = 86_400;

    #[test]
    fn what_can_wait_is_told_together_in_the_morning_and_again_after_a_week() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, at(0), AlarmId::RejectionLow);
        raise(&mut alarms, at(10), AlarmId::RecoveryOff);
        raise(&mut alarms, at(20), AlarmId::ProductTdsHigh);
        let mono = |secs| at(secs).mono;
        assert!(alarms.digest(mono(60), Moment::Day).is_empty(), "it was just told");
        assert!(alarms.digest(mono(70), Moment::Quiet).is_empty());
        let first = alarms.digest(mono(80), Moment::Morning);
        assert_eq!(first.len(), 2, "what asks for somebody today is not in it: {first:?}");
        assert!(alarms.digest(mono(80 + DAY_SECS), Moment::Morning).is_empty(), "nothing new");
        let week = alarms.digest(mono(80 + 7 * DAY_SECS), Moment::Morning);
        assert_eq!(week.len(), 2, "it still stands after a week");
    }

    #[test]
    fn something_new_brings_the_old_with_it_and_what_was_noted_is_out() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, at(0), AlarmId::RejectionLow);
        assert_eq!(alarms.digest(at(80).mono, Moment::Morning).len(), 1);
        raise(&mut alarms, at(1000), AlarmId::RecoveryOff);
        let both = alarms.digest(at(80 + DAY_SECS).mono, Moment::Morning);
        assert_eq!(both.len(), 2, "{:?}", names(&both));
        assert!(alarms.acknowledge(|key| key.alarm == AlarmId::RejectionLow) == 1);
        raise(&mut alarms, at(2 * DAY_SECS), AlarmId::FeedStep);
        let left = alarms.digest(at(80 + 2 * DAY_SECS).mono, Moment::Morning);
        assert_eq!(left.len(), 2, "{:?}", names(&left));
        assert!(!names(&left).contains(&AlarmId::RejectionLow.name()));
    }

    #[test]
    fn a_full_container_needs_nobody() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, at(0), AlarmId::StoreFull);
        assert!(alarms.digest(at(80).mono, Moment::Morning).is_empty());
        raise(&mut alarms, at(100), AlarmId::RejectionLow);
        let told = alarms.digest(at(80 + DAY_SECS).mono, Moment::Morning);
        assert_eq!(names(&told), [AlarmId::RejectionLow.name()]);
    }

    #[test]
    fn who_has_no_quiet_hours_has_it_a_day_after_the_last() {
        let mut alarms = Alarms::default();
        raise(&mut alarms, at(0), AlarmId::RejectionLow);
        assert_eq!(alarms.digest(at(10).mono, Moment::NeverQuiet).len(), 1);
        raise(&mut alarms, at(20), AlarmId::RecoveryOff);
        assert!(alarms.digest(at(30).mono, Moment::NeverQuiet).is_empty());
        assert_eq!(alarms.digest(at(10 + DAY_SECS).mono, Moment::NeverQuiet).len(), 2);
    }

    #[test]
    fn the_morning_is_the_end_of_the_quiet_hours_and_an_unknown_clock_has_none() {
        assert_eq!(Moment::of(None, Some(0.1), true), Moment::Morning);
        assert_eq!(Moment::of(None, None, true), Moment::Day);
        assert_eq!(Moment::of(Some(9.0), None, true), Moment::Quiet);
        assert_eq!(Moment::of(None, None, false), Moment::NeverQuiet);
    }
}
