//! When each plant's calendar has to be told again.
//!
//! Invariant: a plant is told once after each start, once when its calendar changes, and never while
//! the clock is not sane.

use crate::calendar;
use crate::engine::event::Calendar;
use crate::engine::time::Wall;
use crate::settings::Settings;
use crate::settings::schema::Plan;
use jiff::tz::TimeZone;

/// Calendars of all plants, in their order.
pub(super) struct Almanac {
    zone: TimeZone,
    plants: Vec<Entry>,
}

struct Entry {
    plan: Plan,
    told: Option<Calendar>,
}

impl Almanac {
    pub(super) fn new(settings: &Settings) -> Self {
        let zone = TimeZone::get(&settings.daemon.zone).unwrap_or(TimeZone::UTC);
        let plants = settings
            .plants
            .values()
            .map(|plant| Entry { plan: plant.plan.clone(), told: None })
            .collect();
        Self { zone, plants }
    }

    /// The clock stepped: everything is looked at anew.
    pub(super) fn forget(&mut self) {
        for entry in &mut self.plants {
            entry.told = None;
        }
    }

    /// Calendars that are due now, by plant.
    pub(super) fn look(&mut self, now: Option<Wall>) -> Vec<(usize, Calendar)> {
        let Some(now) = now else { return Vec::new() };
        let mut due = Vec::new();
        for (plant, entry) in self.plants.iter_mut().enumerate() {
            let stands = entry
                .told
                .as_ref()
                .is_some_and(|told| calendar::until(told).is_none_or(|until| now < until));
            if stands {
                continue;
            }
            let fresh = calendar::calendar(&entry.plan, &self.zone, now);
            entry.told = Some(fresh.clone());
            due.push((plant, fresh));
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::schema::{Change, Weekday};

    #[test]
    fn a_calendar_is_told_once_and_again_when_its_change_is_over() {
        let mut settings = Settings::default();
        let plant = settings.plants.entry("home".to_owned()).or_default();
        let change = Change { weekday: Some(Weekday::Monday), ..Change::default() };
        plant.plan.changes.insert("weekly".to_owned(), change);
        let mut almanac = Almanac::new(&settings);
        assert!(almanac.look(None).is_empty(), "not without a sane clock");
        // 1970-01-01 was a Thursday; Monday 10:00 is 4 days and 10 hours later.
        let monday = Wall::from_millis((4 * 24 + 10) * 3_600_000);
        let first = almanac.look(Some(Wall::from_millis(0)));
        assert_eq!(first[0].1.changes[0].at, monday);
        assert!(almanac.look(Some(Wall::from_millis(1))).is_empty());
        let second = almanac.look(Some(monday));
        assert_eq!(second[0].1.changes[0].at.since(monday).days(), 7.0);
        almanac.forget();
        assert_eq!(almanac.look(Some(monday)).len(), 1);
    }
}
