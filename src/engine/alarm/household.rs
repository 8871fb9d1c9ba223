//! Household classes from the time to respond and from what is left in the store; when a standing
//! alarm is told again.
//!
//! *Now* is for what does harm at any hour. What has stopped the plant is already safe, so it waits
//! until the day, unless the store will not last that long. Own judgement throughout; the pauses are
//! those of the starting values ("repeat notice").

use crate::engine::catalogue::{AlarmRow, Class, Consequence};
use crate::engine::time::{Span, Wall};
use crate::settings::schema::HouseholdLimits;

/// A store that is empty within this asks for somebody today.
pub const DAY_HOURS: f64 = 24.0;

/// How long a person has, by class, when nothing else bounds it.
pub const fn respond_within(class: Class) -> Span {
    match class {
        Class::Now => Span::from_secs(10 * 60),
        Class::Today => Span::from_secs(86_400),
        Class::Soon => Span::from_secs(7 * 86_400),
    }
}

/// Hours until morning while it is night; `None` by day and where there is no night. `offset_secs`: by
/// how much civil time is ahead of UTC. Without clock or zone it may be the beginning of a night.
pub fn until_morning(
    wall: Option<Wall>,
    offset_secs: Option<i32>,
    limits: &HouseholdLimits,
) -> Option<f64> {
    let night = limits.quiet_hours();
    if night <= 0.0 {
        return None;
    }
    let (Some(wall), Some(offset)) = (wall, offset_secs) else {
        return Some(night);
    };
    let secs = (wall.millis().div_euclid(1000) + i64::from(offset)).rem_euclid(86_400);
    let since_evening = (secs as f64 / 3600.0 - limits.quiet_from_hour).rem_euclid(24.0);
    (since_evening < night).then_some(night - since_evening)
}

/// The class of a standing alarm. `hours_left`: how long the store lasts; `None` when nobody knows,
/// which raises and lowers nothing. `until_morning`: see the function of that name.
pub fn class(row: &AlarmRow, hours_left: Option<f64>, until_morning: Option<f64>) -> Class {
    let stops = matches!(row.consequence, Consequence::Trip | Consequence::Hold);
    match hours_left {
        Some(hours) if stops && until_morning.is_some_and(|night| hours < night) => Class::Now,
        Some(hours) if stops && hours < DAY_HOURS => row.class.max(Class::Today),
        _ => row.class,
    }
}

/// How long a person has: the class's time, or until the store is empty.
pub fn time_to_respond(row: &AlarmRow, class: Class, hours_left: Option<f64>) -> Span {
    let stops = matches!(row.consequence, Consequence::Trip | Consequence::Hold);
    let own = respond_within(row.class);
    match hours_left {
        // What stops the plant gives time until the store is empty, whatever that made of its class.
        Some(hours) if stops && row.class < Class::Now => {
            own.min(Span::from_secs_f64((hours * 3600.0).max(600.0)))
        }
        _ => respond_within(class),
    }
}

/// The pause before an alarm that nobody has taken note of is told again; `told` counts how often it
/// was told already. `None`: it waits for the digest.
pub const fn again_after(class: Class, told: u32) -> Option<Span> {
    match class {
        Class::Now if told <= 4 => Some(Span::from_secs(15 * 60)),
        Class::Now => Some(Span::from_secs(3600)),
        Class::Today => Some(Span::from_secs(86_400)),
        Class::Soon => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::catalogue::AlarmId;

    #[test]
    fn a_product_trip_is_for_the_day_unless_the_store_will_not_last_until_morning() {
        let row = AlarmId::ProductTdsHigh.row();
        let night = Some(8.0);
        assert_eq!(class(row, Some(60.0), night), Class::Today);
        assert_eq!(class(row, None, night), Class::Today);
        assert_eq!(class(row, Some(6.0), night), Class::Now);
        assert_eq!(class(row, Some(6.0), None), Class::Today, "by day somebody is awake");
        assert_eq!(time_to_respond(row, Class::Today, Some(60.0)), Span::from_secs(86_400));
        assert_eq!(time_to_respond(row, Class::Now, Some(6.0)), Span::from_secs(6 * 3600));
    }

    #[test]
    fn what_does_harm_is_now_however_full_the_store_is_and_what_only_tells_is_not_raised() {
        assert_eq!(class(AlarmId::Leak.row(), Some(500.0), None), Class::Now);
        let leak = time_to_respond(AlarmId::Leak.row(), Class::Now, Some(500.0));
        assert_eq!(leak, Span::from_secs(600));
        assert_eq!(class(AlarmId::RejectionLow.row(), Some(1.0), Some(9.0)), Class::Soon);
    }

    /// Each limit itself, each consequence, and what has a class above that of the day.
    #[test]
    fn the_store_makes_a_stop_urgent_only_below_its_limits() {
        let stops = [AlarmId::ProductTdsHigh, AlarmId::BrokerLost, AlarmId::ValveLeaksBy];
        for row in stops.map(AlarmId::row) {
            let stopping = matches!(row.consequence, Consequence::Trip | Consequence::Hold);
            let own = row.class;
            assert_eq!(class(row, Some(9.0), Some(9.0)).max(own), class(row, Some(9.0), None));
            if stopping && own < Class::Now {
                assert_eq!(class(row, Some(8.99), Some(9.0)), Class::Now, "{}", row.name);
                assert_eq!(class(row, Some(DAY_HOURS), None), own, "{}", row.name);
                assert_eq!(class(row, Some(23.99), None), own.max(Class::Today), "{}", row.name);
                assert_eq!(class(row, Some(9.0), Some(9.0)), own.max(Class::Today));
            }
        }
        let hold = crate::engine::catalogue::ALARMS
            .iter()
            .find(|row| row.consequence == Consequence::Hold && row.class == Class::Soon);
        if let Some(row) = hold {
            assert_eq!(class(row, Some(23.0), None), Class::Today, "{}", row.name);
        }
        let tell = AlarmId::RecoveryOff.row();
        assert_eq!(class(tell, Some(0.5), Some(9.0)), tell.class);
    }

    #[test]
    fn there_is_as_much_time_as_the_class_gives_or_the_store() {
        let secs = |secs: i64| Span::from_secs(secs);
        assert_eq!(respond_within(Class::Now), secs(600));
        assert_eq!(respond_within(Class::Today), secs(86_400));
        assert_eq!(respond_within(Class::Soon), secs(604_800));
        let tell = AlarmId::RecoveryOff.row();
        assert_eq!(time_to_respond(tell, Class::Soon, Some(2.0)), secs(604_800));
        assert_eq!(time_to_respond(tell, Class::Soon, None), secs(604_800));
        let stop = AlarmId::ProductTdsHigh.row();
        // An empty store leaves ten minutes, a full one no more than the class.
        assert_eq!(time_to_respond(stop, Class::Now, Some(0.0)), secs(600));
        assert_eq!(time_to_respond(stop, Class::Now, Some(0.2)), secs(720));
        assert_eq!(time_to_respond(stop, Class::Today, Some(500.0)), secs(86_400));
        assert_eq!(time_to_respond(stop, Class::Now, None), secs(600));
        let harm = AlarmId::StoreOverfull.row();
        assert_eq!(harm.class, Class::Now);
        assert_eq!(time_to_respond(harm, Class::Now, Some(100.0)), secs(600));
    }

    #[test]
    fn the_night_is_that_of_the_plant_and_an_unknown_clock_is_night() {
        let at = |hour: i64| Some(Wall::from_millis(1_780_012_800_000 + hour * 3_600_000));
        let usual = HouseholdLimits::default();
        // 2026-05-29T00:00:00Z; an hour later in Lisbon.
        assert_eq!(until_morning(at(0), Some(0), &usual), Some(7.0));
        assert_eq!(until_morning(at(0), Some(3600), &usual), Some(6.0));
        assert_eq!(until_morning(at(12), Some(3600), &usual), None);
        assert_eq!(until_morning(at(23), Some(0), &usual), Some(8.0));
        assert_eq!(until_morning(at(7), Some(0), &usual), None);
        assert_eq!(until_morning(None, Some(0), &usual), Some(9.0));
        assert_eq!(until_morning(at(12), None, &usual), Some(9.0));
    }

    #[test]
    fn who_works_at_night_sleeps_by_day_and_who_wants_no_quiet_has_none() {
        let at = |hour: i64| Some(Wall::from_millis(1_780_012_800_000 + hour * 3_600_000));
        let by_day = HouseholdLimits { quiet_from_hour: 8.0, quiet_until_hour: 15.5 };
        assert_eq!(until_morning(at(8), Some(0), &by_day), Some(7.5));
        assert_eq!(until_morning(at(15), Some(0), &by_day), Some(0.5));
        assert_eq!(until_morning(at(16), Some(0), &by_day), None);
        assert_eq!(until_morning(at(23), Some(0), &by_day), None);
        let never = HouseholdLimits { quiet_from_hour: 5.0, quiet_until_hour: 5.0 };
        assert_eq!(until_morning(at(5), Some(0), &never), None);
        assert_eq!(until_morning(None, None, &never), None);
        let from_midnight = HouseholdLimits { quiet_from_hour: 24.0, quiet_until_hour: 6.0 };
        assert_eq!(until_morning(at(0), Some(0), &from_midnight), Some(6.0));
        assert_eq!(until_morning(at(23), Some(0), &from_midnight), None);
    }

    /// Reference: the starting values, "now: 15 min, 4 x, then hourly; today: daily; soon: digest".
    #[test]
    fn what_nobody_notes_is_told_again_by_its_class() {
        let pauses: Vec<i64> = (1..=6)
            .filter_map(|told| again_after(Class::Now, told))
            .map(|pause| pause.millis() / 60_000)
            .collect();
        assert_eq!(pauses, [15, 15, 15, 15, 60, 60]);
        assert_eq!(again_after(Class::Today, 1), Some(Span::from_secs(86_400)));
        assert_eq!(again_after(Class::Soon, 1), None);
    }
}
