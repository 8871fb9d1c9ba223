//! Civil times of a plant's plan, for an engine that knows no zone.
//!
//! Purpose: turns "every Saturday at 10:00 in Lisbon" into instants, across both changes of summer
//! time. Invariants: the instants rise and lie in the future; the same settings at the same time give
//! the same calendar. Absent on purpose: any clock (`now` is given), and any judgement of the plan.

use crate::engine::event::{Calendar, ChangeAt};
use crate::engine::time::Wall;
use crate::settings::schema::{Change, Plan, Weekday};
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use jiff::{Span, Timestamp};

/// Changes that the engine is told.
const CHANGES_MAX: usize = 8;
/// Occurrences of one change that are looked for: more than `CHANGES_MAX` never count.
const OCCURRENCES: i64 = CHANGES_MAX as i64;

/// What is to come after `now`.
pub fn calendar(plan: &Plan, zone: &TimeZone, now: Wall) -> Calendar {
    let stamp = Timestamp::from_millisecond(now.millis()).unwrap_or(Timestamp::UNIX_EPOCH);
    let today = stamp.to_zoned_datetime(zone.clone()).date();
    let mut changes: Vec<ChangeAt> = plan
        .changes
        .values()
        .flat_map(|change| occurrences(change, zone, today))
        .filter(|change| change.at > now)
        .collect();
    changes.sort_by_key(|change| (change.at, change.millilitres));
    changes.truncate(CHANGES_MAX);
    let then = zone.following(stamp).next().map(|transition| {
        let offset = transition.offset().seconds();
        (Wall::from_millis(transition.timestamp().as_millisecond()), offset)
    });
    Calendar { changes, offset_secs: zone.to_offset(stamp).seconds(), then }
}

/// When the calendar has to be made anew: its first change is over, or summer time has changed.
pub fn until(calendar: &Calendar) -> Option<Wall> {
    let change = calendar.changes.first().map(|change| change.at);
    let then = calendar.then.map(|(at, _)| at);
    change.into_iter().chain(then).min()
}

fn occurrences(change: &Change, zone: &TimeZone, today: Date) -> Vec<ChangeAt> {
    let (Some(weekday), Ok(at)) = (change.weekday, change.at.parse::<Time>()) else {
        return Vec::new();
    };
    let every = i64::from(change.every_weeks.max(1));
    let anchor = change.from.parse::<Date>().unwrap_or(today);
    // Weeks begin on Monday; the one of the anchor counts.
    let monday =
        |date: Date| date.saturating_sub(days(i64::from(date.weekday().to_monday_zero_offset())));
    let weeks = (monday(today) - monday(anchor)).get_days() / 7;
    let behind = i64::from(weeks).rem_euclid(every);
    let first = monday(today).saturating_sub(days(7 * behind));
    (0..=OCCURRENCES)
        .filter_map(|round| {
            let date = first.saturating_add(days(7 * every * round + offset(weekday)));
            // Skipped by summer time: an hour later; twice: the first.
            let instant = zone.to_timestamp(date.to_datetime(at)).ok()?;
            Some(ChangeAt {
                at: Wall::from_millis(instant.as_millisecond()),
                millilitres: (change.litres * 1000.0).round() as i64,
            })
        })
        .collect()
}

fn days(count: i64) -> Span {
    Span::new().days(count)
}

const fn offset(weekday: Weekday) -> i64 {
    match weekday {
        Weekday::Monday => 0,
        Weekday::Tuesday => 1,
        Weekday::Wednesday => 2,
        Weekday::Thursday => 3,
        Weekday::Friday => 4,
        Weekday::Saturday => 5,
        Weekday::Sunday => 6,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wall(text: &str) -> Wall {
        Wall::from_millis(text.parse::<Timestamp>().expect("a time").as_millisecond())
    }

    fn plan(change: Change) -> Plan {
        Plan { changes: [("c".to_owned(), change)].into(), ..Plan::default() }
    }

    fn saturday(at: &str) -> Change {
        Change {
            weekday: Some(Weekday::Saturday),
            at: at.into(),
            litres: 40.0,
            ..Change::default()
        }
    }

    fn lisbon() -> TimeZone {
        TimeZone::get("Europe/Lisbon").expect("known")
    }

    /// Lisbon is at UTC in winter and an hour ahead from 29 March to 25 October 2026 (EU directive
    /// 2000/84/EC: last Sundays, 01:00 UTC).
    #[test]
    fn ten_oclock_stays_ten_oclock_over_both_changes_of_summer_time() {
        let plan = plan(saturday("10:00"));
        let spring = calendar(&plan, &lisbon(), wall("2026-03-27T12:00:00Z"));
        assert_eq!(spring.changes[0].at, wall("2026-03-28T10:00:00Z"));
        assert_eq!(spring.changes[1].at, wall("2026-04-04T09:00:00Z"));
        assert_eq!(spring.offset_secs, 0);
        assert_eq!(spring.then, Some((wall("2026-03-29T01:00:00Z"), 3600)));
        assert_eq!(spring.civil(spring.changes[0].at), "Sat 10:00");
        assert_eq!(spring.civil(spring.changes[1].at), "Sat 10:00");
        let autumn = calendar(&plan, &lisbon(), wall("2026-10-20T12:00:00Z"));
        assert_eq!(autumn.changes[0].at, wall("2026-10-24T09:00:00Z"));
        assert_eq!(autumn.changes[1].at, wall("2026-10-31T10:00:00Z"));
        assert_eq!(autumn.civil(autumn.changes[1].at), "Sat 10:00");
        assert_eq!(until(&autumn), Some(autumn.changes[0].at));
    }

    #[test]
    fn a_time_that_is_skipped_or_comes_twice_is_one_instant() {
        let sunday = Change { weekday: Some(Weekday::Sunday), ..saturday("01:30") };
        let spring = calendar(&plan(sunday.clone()), &lisbon(), wall("2026-03-28T12:00:00Z"));
        assert_eq!(spring.changes[0].at, wall("2026-03-29T01:30:00Z"), "02:30 in summer time");
        let autumn = calendar(&plan(sunday), &lisbon(), wall("2026-10-24T12:00:00Z"));
        assert_eq!(autumn.changes[0].at, wall("2026-10-25T00:30:00Z"), "the first 01:30");
    }

    #[test]
    fn every_second_week_is_counted_from_the_anchor() {
        let change = Change { every_weeks: 2, from: "2026-01-05".into(), ..saturday("10:00") };
        let found = calendar(&plan(change), &TimeZone::UTC, wall("2026-01-11T00:00:00Z"));
        assert_eq!(found.changes[0].at, wall("2026-01-24T10:00:00Z"));
        assert_eq!(found.changes[1].at, wall("2026-02-07T10:00:00Z"));
    }

    #[test]
    fn changes_of_several_entries_come_in_order_and_only_the_next_few() {
        let mut plan = plan(saturday("10:00"));
        let wednesday = Change { weekday: Some(Weekday::Wednesday), ..saturday("08:00") };
        plan.changes.insert("w".to_owned(), wednesday);
        let found = calendar(&plan, &TimeZone::UTC, wall("2026-01-10T10:00:00Z"));
        assert_eq!(found.changes.len(), CHANGES_MAX);
        assert_eq!(found.changes[0].at, wall("2026-01-14T08:00:00Z"), "the one of now is over");
        assert!(found.changes.windows(2).all(|pair| pair[0].at < pair[1].at));
    }
}
