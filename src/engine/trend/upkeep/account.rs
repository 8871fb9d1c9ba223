//! What each filter and membrane has done since it was fitted, and how it has changed.
//!
//! Invariants: an account begins anew with its part and is never carried over; values of a run-in
//! enter nothing; one point a day goes into a trend, so that many short runs do not outvote one long
//! one; a trend compares water of like temperature only, because no form of the temperature factor
//! is right to better than the wear it should show (reference sheet 3.4 and 12). Bound: a year and a
//! bit of days.

use crate::engine::process::prefilter::CarbonLoad;
use crate::engine::process::trend::{Forecast, Point, forecast, theil_sen};
use crate::engine::time::{Mono, Span, Wall};
use crate::engine::trend::starts::median;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Runs that make a baseline.
const BASE_RUNS: usize = 5;
/// Runs that make the present value.
const RECENT_RUNS: usize = 5;
/// Days kept.
const DAYS: usize = 400;
/// Days within this of the present temperature are like.
const LIKE_K: f64 = 4.0;
const MILLIS_PER_DAY: i64 = 86_400_000;

/// One day of a wearing quantity, as a ratio to its baseline.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Day {
    day: i64,
    sum: f64,
    count: u32,
    celsius: Option<f64>,
}

/// A quantity that wears, run by run.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Series {
    base: Vec<f64>,
    base_celsius: Vec<f64>,
    recent: VecDeque<f64>,
    days: VecDeque<Day>,
}

impl Series {
    /// Takes the middle of a run.
    pub(super) fn push(&mut self, at: Mono, value: f64, celsius: Option<f64>) {
        if !(value.is_finite() && value > 0.0) {
            return;
        }
        let Some(base) = self.baseline() else {
            self.base.push(value);
            self.base_celsius.extend(celsius);
            return;
        };
        let ratio = value / base;
        if self.recent.len() == RECENT_RUNS {
            self.recent.pop_front();
        }
        self.recent.push_back(ratio);
        let day = at.millis().div_euclid(MILLIS_PER_DAY);
        match self.days.back_mut().filter(|last| last.day == day) {
            Some(last) => {
                last.sum += ratio;
                last.count += 1;
            }
            None => {
                if self.days.len() == DAYS {
                    self.days.pop_front();
                }
                self.days.push_back(Day { day, sum: ratio, count: 1, celsius });
            }
        }
    }

    /// Middle of the first runs.
    pub(super) fn baseline(&self) -> Option<f64> {
        (self.base.len() >= BASE_RUNS).then(|| median(self.base.iter().copied())).flatten()
    }

    /// Temperature of the first runs.
    pub(super) fn base_celsius(&self) -> Option<f64> {
        median(self.base_celsius.iter().copied())
    }

    /// Present value over the baseline: middle of the last three runs.
    pub(super) fn ratio(&self) -> Option<f64> {
        (self.recent.len() >= 3)
            .then(|| median(self.recent.iter().rev().take(3).copied()))
            .flatten()
    }

    /// Half of the span of the runs that make the ratio: how sure it is.
    pub(super) fn spread(&self) -> f64 {
        let last = || self.recent.iter().rev().take(3).copied();
        let (high, low) = (last().fold(f64::MIN, f64::max), last().fold(f64::MAX, f64::min));
        if high < low { 0.0 } else { (high - low) / 2.0 }
    }

    /// The last three runs all lie beyond a limit.
    pub(super) fn beyond(&self, limit: impl Fn(f64) -> bool) -> bool {
        self.recent.len() >= 3 && self.recent.iter().rev().take(3).all(|ratio| limit(*ratio))
    }

    /// It changed from one day to the next by a third, rather than over weeks.
    pub(super) fn is_sudden(&self) -> bool {
        let mean = |day: &Day| day.sum / f64::from(day.count);
        self.days
            .iter()
            .zip(self.days.iter().skip(1))
            .rev()
            .take(30)
            .any(|(a, b)| (mean(b) / mean(a) - 1.0).abs() > 0.33)
    }

    fn points(&self, celsius: Option<f64>) -> Vec<Point> {
        self.days
            .iter()
            .filter(|day| match (day.celsius, celsius) {
                (Some(then), Some(now)) => (then - now).abs() <= LIKE_K,
                _ => true,
            })
            .map(|day| Point { x: day.day as f64, y: day.sum / f64::from(day.count) })
            .collect()
    }

    /// Change in a month, as a share of the baseline, with its standard uncertainty (Theil-Sen with
    /// Sen's interval).
    pub(super) fn trend(&self, celsius: Option<f64>) -> Option<(f64, f64)> {
        let points = self.points(celsius);
        if points.len() < 10 {
            return None;
        }
        let slope = theil_sen(&points, 0.95)?;
        Some((30.0 * slope.slope, 30.0 * (slope.high - slope.low) / 3.92))
    }

    /// Time until the ratio meets a limit.
    pub(super) fn until(&self, limit: f64, now: Mono, celsius: Option<f64>) -> Forecast {
        let today = now.millis() as f64 / MILLIS_PER_DAY as f64;
        forecast(&self.points(celsius), limit, today)
    }
}

/// One part.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Account {
    pub(super) part: String,
    /// Fitted then, by an entry.
    pub(super) fitted: Option<Wall>,
    /// Plant time at which the account began.
    pub(super) since: Mono,
    /// Feed that went through.
    pub(super) load: CarbonLoad,
    /// Litres of the run-in that are still to come, and how much of it went where it should not.
    pub(super) run_in: f64,
    pub(super) not_drained: f64,
    /// Resistance of a filter, or flow of a membrane at standard conditions.
    pub(super) main: Series,
    /// Salt passage of a membrane.
    pub(super) passage: Series,
    /// Flow and resistance of the first run: what drops are referred to.
    pub(super) reference: Option<(f64, f64)>,
    /// Last pressure drop, bar, with its standard uncertainty.
    pub(super) drop: Option<(f64, f64)>,
}

impl Account {
    pub(super) fn new(part: &str, now: Mono) -> Self {
        Self {
            part: part.to_owned(),
            fitted: None,
            since: now,
            load: CarbonLoad::default(),
            run_in: 0.0,
            not_drained: 0.0,
            main: Series::default(),
            passage: Series::default(),
            reference: None,
            drop: None,
        }
    }

    /// Days since it was fitted: by an entry, by the settings, else since it is known.
    pub(super) fn days(&self, declared: &str, now: Mono, wall: Option<Wall>) -> f64 {
        let known = now.since(self.since).days();
        match (self.fitted.or_else(|| midnight(declared)), wall) {
            (Some(fitted), Some(wall)) => wall.since(fitted).days().max(0.0),
            _ => known,
        }
    }

    /// Feed litres a day over the life of the account; `None` below three days.
    pub(super) fn litres_per_day(&self, now: Mono) -> Option<f64> {
        let days = now.since(self.since).days();
        (days >= 3.0).then(|| self.load.litres().get() / days).filter(|litres| *litres > 0.0)
    }
}

/// Midnight UTC of a date such as `2026-03-01` (proleptic Gregorian calendar). `None` for what is no
/// date.
pub(super) fn midnight(date: &str) -> Option<Wall> {
    let mut parts = date.split('-').map(str::parse::<i64>);
    let (Some(Ok(year)), Some(Ok(month)), Some(Ok(day)), None) =
        (parts.next(), parts.next(), parts.next(), parts.next())
    else {
        return None;
    };
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    // Days of the years before, counted from March, so that the leap day comes last.
    let year = if month <= 2 { year - 1 } else { year };
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    let days =
        365 * year + year.div_euclid(4) - year.div_euclid(100) + year.div_euclid(400) + of_year
            - 719_468;
    Some(Wall::from_millis(0) + Span::from_secs(days * 86_400))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_are_days_since_1970() {
        // By hand and by any calendar: 2000-03-01 is day 11017, 2026-11-25 is day 20782.
        for (date, day) in [("1970-01-01", 0), ("2000-03-01", 11_017), ("2026-11-25", 20_782)] {
            let at = midnight(date).expect("a date");
            assert_eq!(at.millis(), day * 86_400_000, "{date}");
        }
        assert_eq!(midnight(""), None);
        assert_eq!(midnight("1.3.2026"), None);
    }

    fn at(day: f64) -> Mono {
        Mono::from_millis((day * 86_400_000.0) as i64)
    }

    /// A filter that clogs by 2 % of its clean resistance a day reaches three times that after 100
    /// days from its baseline on.
    #[test]
    fn a_clogging_filter_is_forecast() {
        let mut series = Series::default();
        for run in 0..100 {
            let day = 0.5 * f64::from(run);
            series.push(at(day), 0.04 * (1.0 + 0.02 * day), Some(12.0));
        }
        let (monthly, u) = series.trend(Some(12.0)).expect("enough days");
        // The baseline is the middle of the first two days: 1.02 of clean.
        assert!((monthly - 30.0 * 0.02 / 1.02).abs() < 0.02, "{monthly} {u}");
        match series.until(3.0, at(50.0), Some(12.0)) {
            Forecast::Within { early, middle, .. } => {
                let truth = (3.0 * 1.02 - 1.0) / 0.02 - 50.0;
                assert!((middle - truth).abs() < 3.0 && early <= middle, "{middle} {truth}");
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn winter_is_no_trend() {
        let mut series = Series::default();
        // A healthy membrane whose temperature factor is 10 % wrong in cold water.
        for day in 0..180 {
            let celsius = 20.0 - 14.0 * f64::from(day) / 180.0;
            let wrong = 1.0 - 0.1 * (20.0 - celsius) / 14.0;
            series.push(at(f64::from(day)), 0.15 * wrong, Some(celsius));
        }
        let fitting = series.until(0.8, at(180.0), Some(6.0));
        assert!(!matches!(fitting, Forecast::Reached), "{fitting:?}");
    }
}
