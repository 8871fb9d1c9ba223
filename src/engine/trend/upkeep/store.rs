//! What the container holds, how old it is, and what is drawn from it.
//!
//! Content comes from the level sensor, or by balance: full at the float, plus what was made, less
//! the declared or learned use, until the doubt is as large as half the container. Draws are the
//! difference between what was made and how the content changed, so that noise of the level sensor
//! never adds up. Invariants: noise of the level makes water neither younger nor older (the parcels
//! follow the level with a deadband); a silent sensor counts nothing and clears nothing.

use crate::engine::process::storage::Ages;
use crate::engine::time::{Mono, Span, Wall};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::units::{Days, Litres};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Hours of draws that are remembered: four weeks.
const HOURS: usize = 28 * 24;
/// Hours that a quantile of draws needs: one week, so that each weekday was seen.
const HOURS_MIN: usize = 7 * 24;
/// Days of draws that are remembered, and that a use per day needs.
const DAYS: usize = 28;
const DAYS_MIN: usize = 3;
/// A planned change is over when so much of it has been taken and nothing more for as long, or far more than it.
const TAKEN_SHARE: f64 = 0.8;
const TAKEN_PAUSE: Span = Span::from_secs(900);
const TAKEN_MOST: f64 = 1.5;
/// Marks of the last hours for the search of an abnormal draw.
const MARKS: usize = 128;
/// Readings as they came that are remembered, at most one a minute: as long as the marks.
const RAWS: usize = 400;
const RAW_EVERY: Span = Span::from_secs(60);
/// Parts of a window that must all show the draw, and the share of its mean that each must show: the
/// noise of a level sensor takes a third of the least draw in a part, a draw at once leaves most empty.
const PARTS: usize = 5;
const PART_SHARE: f64 = 0.6;
/// A mark each minute of the last hour, then each fifth minute.
const MARK_EVERY: Span = Span::from_secs(60);
const MARK_AGE_MAX: Span = Span::from_secs(6 * 3600);
/// The parcels follow the level so often.
const PARCELS_EVERY: Span = Span::from_secs(900);
/// A gap in the level longer than this ends the search windows.
const GAP: Span = Span::from_secs(600);
/// Relative standard uncertainty of a use that is declared.
const USE_U: f64 = 0.3;

/// What the step sees.
#[derive(Clone, Debug)]
pub(super) struct Look {
    pub(super) now: Mono,
    /// Litres that went into the container, running.
    pub(super) inflow: f64,
    /// Relative standard uncertainty of the inflow, and what it rests on.
    pub(super) inflow_u: f64,
    pub(super) inflow_basis: Basis,
    /// Level sensor.
    pub(super) level: Option<Valued<f64>>,
    /// The same as it came, and when: cleaning and smoothing keep a sudden change back for a while.
    pub(super) raw: Option<(Mono, f64)>,
    /// By how much a difference of two levels may be wrong: the gain cancels, step and waves do not.
    pub(super) noise: f64,
    /// The container's stop float is up.
    pub(super) full: Option<bool>,
    /// Volume up to the stop; 0 unknown.
    pub(super) volume: f64,
    /// Use per day, declared.
    pub(super) declared_use: Option<f64>,
    /// A planned change is near, its time and its litres: what it takes is no usual use.
    pub(super) change: Option<(Wall, f64)>,
}

/// How far a planned change has come.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Taking {
    of: Wall,
    taken: f64,
    /// When it last went on, and how far it had come.
    goes_on: (Mono, f64),
    over: bool,
}

/// Content by balance since the float was up.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Balance {
    litres: f64,
    variance: f64,
    assumed: bool,
}

/// Running litres at an instant: what went in less what is there, so that a difference is a draw.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Mark {
    at: Mono,
    drawn: f64,
    inflow: f64,
    level: f64,
}

/// The container.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Store {
    ages: Option<Ages>,
    /// Brought up to here, at this running inflow.
    at: Option<Mono>,
    inflow: f64,
    parcels_at: Option<Mono>,
    balance: Option<Balance>,
    was_full: bool,
    /// When the float was up last, and the running inflow then.
    full_at: Option<(Mono, f64)>,
    marks: VecDeque<Mark>,
    /// Readings as they came: when, and what had gone in less what was there.
    raws: VecDeque<(Mono, f64)>,
    /// The last mark, over gaps.
    last: Option<Mark>,
    hour_began: Option<Mono>,
    hour: f64,
    hours: VecDeque<f64>,
    day_hours: u32,
    day: f64,
    days: VecDeque<f64>,
    taking: Option<Taking>,
    /// Uses per day between two full containers, for plants without a level sensor.
    between_fulls: VecDeque<f64>,
}

/// Draw over a window that is faster than any usual one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Abnormal {
    pub(super) litres: f64,
    pub(super) minutes: f64,
    /// Usual fastest litres an hour.
    pub(super) usual: f64,
}

impl Store {
    /// Brings everything up to now.
    pub(super) fn step(&mut self, look: &Look) {
        let Some(before) = self.at.replace(look.now) else {
            self.inflow = look.inflow;
            self.follow(look);
            return;
        };
        let span = look.now.since(before).max(Span::ZERO);
        let added = (look.inflow - self.inflow).max(0.0);
        self.inflow = look.inflow;
        if let Some(ages) = &mut self.ages {
            ages.pass(Days::new(span.days()));
            ages.add(Litres::new(added));
        }
        self.carry_balance(look, added, span);
        self.take_full(look);
        self.follow(look);
        self.count_draws(look);
    }

    /// The daemon was away for so long: water grew older.
    pub(super) fn away(&mut self, away: Option<Span>) {
        if let (Some(ages), Some(away)) = (&mut self.ages, away) {
            ages.pass(Days::new(away.days().max(0.0)));
        }
        self.marks.clear();
        self.raws.clear();
        // What was drawn meanwhile belongs to no hour.
        self.last = None;
        self.hour_began = None;
        if away.is_none() {
            self.balance = None;
        } else if let (Some(balance), Some(away)) = (&mut self.balance, away) {
            // Unseen use: as large as itself.
            let unseen = self.days.iter().copied().fold(0.0, f64::max) * away.days();
            balance.variance += unseen * unseen;
        }
    }

    fn carry_balance(&mut self, look: &Look, added: f64, span: Span) {
        let day_use = self.use_per_day(look.now, look.declared_use);
        let Some(balance) = &mut self.balance else { return };
        balance.variance += (look.inflow_u * added).powi(2);
        balance.litres += added;
        balance.assumed |= look.inflow_basis == Basis::Assumed;
        match day_use {
            Ok(day_use) => {
                let drawn = day_use.value * span.days();
                balance.litres = (balance.litres - drawn).max(0.0);
                // The use of a day is wrong in one direction for the day: errors add, not squares.
                let u = balance.variance.sqrt() + day_use.u * span.days();
                balance.variance = u * u;
                balance.assumed = true;
            }
            // Nobody knows what is drawn: after a day nothing is known.
            Err(_) => {
                let u = balance.variance.sqrt() + 0.5 * look.volume.max(1.0) * span.days();
                balance.variance = u * u;
            }
        }
        if look.volume > 0.0 {
            balance.litres = balance.litres.min(look.volume);
        }
    }

    fn take_full(&mut self, look: &Look) {
        let Some(full) = look.full else { return };
        let rises = full && !self.was_full;
        self.was_full = full;
        if !full || look.volume <= 0.0 {
            return;
        }
        // Half a litre: a float has a band of its own.
        self.balance = Some(Balance { litres: look.volume, variance: 0.25, assumed: true });
        if rises {
            if let Some((at, inflow)) = self.full_at {
                let days = look.now.since(at).days();
                // Below half a day a float that bounces would teach nonsense.
                if days >= 0.5 {
                    keep(&mut self.between_fulls, (look.inflow - inflow).max(0.0) / days, DAYS);
                }
            }
            self.full_at = Some((look.now, look.inflow));
        }
    }

    /// The parcels follow what is known of the content.
    fn follow(&mut self, look: &Look) {
        let Ok(content) = self.content(look) else { return };
        let Some(ages) = &mut self.ages else {
            self.ages = Some(Ages::new(Litres::new(content.value.max(0.0))));
            self.parcels_at = Some(look.now);
            return;
        };
        if self.parcels_at.is_some_and(|at| look.now.since(at) < PARCELS_EVERY) {
            return;
        }
        self.parcels_at = Some(look.now);
        let apart = content.value - ages.litres().get();
        // Without a band the noise of the sensor would draw old water and add fresh at each step.
        if apart < -(content.u.clamp(0.2, 1.0)) || apart > (3.0 * content.u).clamp(1.0, 5.0) {
            ages.correct(Litres::new(content.value.max(0.0)));
        }
    }

    fn count_draws(&mut self, look: &Look) {
        let Some(level) = &look.level else {
            return;
        };
        if let Some((at, raw)) = look.raw
            && self.raws.back().is_none_or(|(last, _)| at.since(*last) >= RAW_EVERY)
        {
            keep(&mut self.raws, (at, look.inflow - raw), RAWS);
        }
        let mark = Mark {
            at: look.now,
            drawn: look.inflow - level.value,
            inflow: look.inflow,
            level: level.value,
        };
        let Some(last) = self.last.replace(mark) else {
            self.marks.clear();
            self.marks.push_back(mark);
            self.hour_began = Some(look.now);
            return;
        };
        if look.now.since(last.at) > GAP {
            self.marks.clear();
        }
        if self.marks.back().is_none_or(|back| look.now.since(back.at) >= MARK_EVERY) {
            self.marks.push_back(mark);
        }
        while self.marks.front().is_some_and(|front| look.now.since(front.at) > MARK_AGE_MAX) {
            self.marks.pop_front();
        }
        if self.marks.len() > MARKS {
            self.thin_marks(look.now);
        }
        let drawn = mark.drawn - last.drawn;
        if self.is_changing(look, drawn) {
            // A planned change is no usual use: this hour does not count.
            self.marks.clear();
            self.raws.clear();
            self.hour_began = None;
            self.hour = 0.0;
            return;
        }
        let began = *self.hour_began.get_or_insert(last.at);
        self.hour += drawn;
        self.day += drawn;
        let hours = look.now.since(began).secs() / 3600.0;
        if hours >= 1.0 {
            keep(&mut self.hours, self.hour / hours, HOURS);
            self.hour = 0.0;
            self.hour_began = Some(look.now);
            self.day_hours += hours.round().clamp(1.0, 24.0) as u32;
            if self.day_hours >= 24 {
                keep(&mut self.days, self.day * 24.0 / f64::from(self.day_hours), DAYS);
                self.day_hours = 0;
                self.day = 0.0;
            }
        }
    }

    /// Whether the water of a planned change is still to come or being taken. What runs after it is its own, and
    /// so is what takes far more than was planned.
    fn is_changing(&mut self, look: &Look, drawn: f64) -> bool {
        let Some((of, litres)) = look.change else {
            self.taking = None;
            return false;
        };
        let begun = Taking { of, taken: 0.0, goes_on: (look.now, 0.0), over: false };
        let taking = self.taking.get_or_insert(begun);
        if taking.of != of {
            *taking = begun;
        }
        taking.taken += drawn;
        if taking.taken - taking.goes_on.1 > 5.0 * look.noise {
            taking.goes_on = (look.now, taking.taken);
        }
        let whole = litres > 0.0 && taking.taken >= TAKEN_SHARE * litres;
        taking.over |= whole
            && (look.now.since(taking.goes_on.0) >= TAKEN_PAUSE
                || taking.taken > TAKEN_MOST * litres);
        !taking.over
    }

    fn thin_marks(&mut self, now: Mono) {
        let mut index = 0;
        self.marks.retain(|mark| {
            index += 1;
            now.since(mark.at) <= Span::from_secs(1800) || index % 2 == 0
        });
        while self.marks.len() > MARKS {
            self.marks.pop_front();
        }
    }

    /// Water in the container, measured or by balance.
    pub(super) fn content(&self, look: &Look) -> value::Result<f64> {
        if let Some(level) = &look.level {
            return Ok(level.clone());
        }
        let Some(balance) = &self.balance else { return Err(NoReading::NeverSeen) };
        let u = balance.variance.sqrt();
        if look.volume <= 0.0 || u > 0.5 * look.volume {
            return Err(NoReading::Unsupported);
        }
        let valued = if balance.assumed {
            Valued::assumed(balance.litres, u, look.now)
        } else {
            Valued::measured(balance.litres, u, look.now)
        };
        Ok(if u > 0.25 * look.volume {
            valued.doubt(Flag::Suspect, Reason::FewSamples)
        } else {
            valued
        })
    }

    /// Use per day without planned changes: learned from the level, from one full container to the
    /// next, or declared.
    pub(super) fn use_per_day(&self, now: Mono, declared: Option<f64>) -> value::Result<f64> {
        let learned = if self.days.len() >= DAYS_MIN {
            Some(&self.days)
        } else if self.between_fulls.len() >= DAYS_MIN {
            Some(&self.between_fulls)
        } else {
            None
        };
        if let Some(days) = learned {
            let count = days.len() as f64;
            let mean = days.iter().sum::<f64>() / count;
            let square = days.iter().map(|day| (day - mean).powi(2)).sum::<f64>() / (count - 1.0);
            // One day differs from the next: that is the doubt of a forecast over days.
            return Ok(Valued::measured(mean.max(0.0), square.sqrt().max(0.02 * mean.abs()), now));
        }
        declared
            .map(|declared| Valued::assumed(declared, USE_U * declared, now))
            .ok_or(NoReading::NotConfigured)
    }

    /// Fastest usual draw, litres an hour: the 99 % quantile of the hours of the last four weeks;
    /// before a week has been seen a quarter of the declared use of a day.
    pub(super) fn usual_hour(&self, declared: Option<f64>) -> Option<f64> {
        if self.hours.len() >= HOURS_MIN {
            let mut hours: Vec<f64> = self.hours.iter().copied().collect();
            let at = (0.99 * (hours.len() - 1) as f64).round() as usize;
            let (_, usual, _) = hours.select_nth_unstable_by(at, f64::total_cmp);
            return Some(usual.max(0.0));
        }
        declared.map(|declared| declared / 4.0)
    }

    /// A draw that no usual hour explains and that goes on: what is over needs nobody to run, and a
    /// water change of which nobody told is over after some minutes. By readings as they come, for
    /// cleaning keeps a sudden change back. Every part of the window must show it: one draw at once
    /// stays in two parts of it, however large it is and however long the window.
    pub(super) fn abnormal(
        &self,
        factor: f64,
        least: f64,
        over: Span,
        declared: Option<f64>,
        noise: f64,
    ) -> Option<Abnormal> {
        let usual = self.usual_hour(declared)?;
        let &(last, drawn) = self.raws.back()?;
        let mut gap = Span::ZERO;
        let mut later = last;
        for (back, &(from, before)) in self.raws.iter().enumerate().rev().skip(1) {
            gap = gap.max(later.since(from));
            later = from;
            let span = last.since(from);
            if span > MARK_AGE_MAX {
                break;
            }
            // Of what was drawn between two readings nobody knows when, so that a pause between them
            // may be the smaller part of the window at most.
            if span < over + gap * 2 {
                continue;
            }
            let litres = drawn - before;
            let hourly = litres / (span.secs() / 3600.0);
            // The shortest window says best how fast it runs now.
            if litres >= least.max(3.0 * noise)
                && hourly > factor * usual
                && self.goes_on(back, litres)
                && !self.never_arrived(span, litres, noise)
            {
                return Some(Abnormal { litres, minutes: span.minutes(), usual });
            }
        }
        None
    }

    /// What the meter made over this time is what is missing, while the level stood: it never came into the container,
    /// which is another alarm's (a hose beside it, not a siphon out of it).
    fn never_arrived(&self, span: Span, litres: f64, noise: f64) -> bool {
        let Some(last) = self.marks.back() else { return false };
        let Some(mark) = self.marks.iter().rev().find(|mark| last.at.since(mark.at) >= span) else {
            return false;
        };
        let inflow = last.inflow - mark.inflow;
        let stood = (last.level - mark.level).abs() <= (3.0 * noise).max(0.15 * litres);
        stood && inflow > 0.0 && (litres / inflow - 1.0).abs() <= 0.2
    }

    /// The draw of the window that begins with reading `from` is in every part of it.
    fn goes_on(&self, from: usize, litres: f64) -> bool {
        let window: Vec<(Mono, f64)> = self.raws.iter().skip(from).copied().collect();
        let (Some(first), Some(last)) = (window.first(), window.last()) else { return false };
        let span = last.0.since(first.0).secs();
        let least = PART_SHARE * litres / PARTS as f64;
        let mut next = 0;
        let mut before = first.1;
        (1..=PARTS).all(|part| {
            let wanted = span * part as f64 / PARTS as f64;
            let age = |at: Mono| at.since(first.0).secs();
            while next + 1 < window.len() && age(window[next].0) < wanted - 1e-9 {
                next += 1;
            }
            let (low, high) = (window[next.saturating_sub(1)], window[next]);
            let apart = age(high.0) - age(low.0);
            let share = if apart > 0.0 { (wanted - age(low.0)) / apart } else { 1.0 };
            let here = low.1 + (high.1 - low.1) * share;
            let shown = here - before;
            before = here;
            shown >= least
        })
    }

    /// Litres drawn over the last `over`; `None` while that is not known.
    pub(super) fn drawn_over(&self, over: Span) -> Option<f64> {
        let last = self.marks.back()?;
        let mark = self.marks.iter().rev().find(|mark| last.at.since(mark.at) >= over)?;
        Some(last.drawn - mark.drawn)
    }

    /// Litres that went in and by how much the level rose, over the latest window in which at least
    /// so many litres went in and nobody drew at once: a level that falls by more than `noise` explains
    /// from one mark to the next shows that it moves and that water was taken.
    pub(super) fn filled(&self, least: f64, noise: f64) -> Option<(f64, f64)> {
        let last = self.marks.back()?;
        let mut later = last;
        for mark in self.marks.iter().rev() {
            if mark.level - later.level > 5.0 * noise {
                return None;
            }
            later = mark;
            if last.inflow - mark.inflow >= least {
                return Some((last.inflow - mark.inflow, last.level - mark.level));
            }
        }
        None
    }

    /// Mean age of the water if all of it mixes, and of the oldest parcel, days.
    pub(super) fn ages(&self) -> Option<(f64, f64)> {
        let ages = self.ages.as_ref().filter(|ages| ages.litres().get() > 0.0)?;
        Some((ages.mixed().get(), ages.oldest().get()))
    }
}

fn keep<T>(values: &mut VecDeque<T>, value: T, most: usize) {
    if values.len() == most {
        values.pop_front();
    }
    values.push_back(value);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn look(minutes: i64, inflow: f64, level: Option<f64>) -> Look {
        let now = Mono::from_millis(minutes * 60_000);
        Look {
            now,
            inflow,
            inflow_u: 0.03,
            inflow_basis: Basis::Measured,
            level: level.map(|level| Valued::measured(level, 0.2, now)),
            raw: level.map(|level| (now, level)),
            noise: 0.2,
            full: None,
            volume: 80.0,
            declared_use: None,
            change: None,
        }
    }

    /// Ten litres a day, made in the night and drawn by day, under a level sensor with a noise of
    /// 0.2 L. Use 10 L/d. Ages at midnight by hand: mixed, a = (a + 2 h) 50/60 + 22 h, so 5.92 days
    /// (reference sheet 8, dilution at each filling); first in first out, five fillings of 10 L of
    /// which the oldest came 4 days and 22 h ago.
    #[test]
    fn use_and_age_of_a_steady_store_in_spite_of_noise() {
        let mut store = Store::default();
        let (mut inflow, mut content, mut seed) = (0.0, 50.0, 1u64);
        for minute in 0..60 * 24 * 40 {
            let hour = minute / 60 % 24;
            if hour == 2 {
                inflow += 10.0 / 60.0;
                content += 10.0 / 60.0;
            } else if (8..18).contains(&hour) {
                content -= 1.0 / 60.0;
            }
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let noise = ((seed >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 0.7;
            store.step(&look(minute, inflow, Some(content + noise)));
        }
        let used = store.use_per_day(Mono::ZERO, None).expect("learned");
        assert!((used.value - 10.0).abs() < 0.2, "{used:?}");
        let (mixed, oldest) = store.ages().expect("known");
        assert!((mixed - 5.92).abs() < 0.2, "mixed mean {mixed}");
        assert!((oldest - 4.92).abs() < 0.3, "first in first out {oldest}");
        assert!(store.abnormal(3.0, 5.0, Span::from_secs(900), None, 0.2).is_none());
    }

    /// A change of which nobody told: 40 L in five minutes, and then a siphon of 27 L an hour. Both
    /// under cleaning that holds a step back for ten minutes.
    #[test]
    fn a_change_that_is_over_calls_nobody_and_a_siphon_does() {
        for (litres, minutes, called) in [(40.0, 5, false), (27.0, 60, true)] {
            let mut store = Store::default();
            let mut content = Vec::new();
            for minute in 0..60 * 24 * 8 {
                let day = minute % (60 * 24);
                let before = content.last().copied().unwrap_or(70.0);
                let usual = if day == 600 { 0.3 } else { 0.0 };
                let drawn = if (11_000..11_000 + minutes).contains(&minute) {
                    litres / minutes as f64
                } else {
                    0.0
                };
                content.push(before - usual - drawn);
            }
            let mut was_called = false;
            for minute in 0..content.len() {
                // A resting sensor speaks each five minutes; what is cleaned lags behind it.
                let spoke = minute - minute % 5;
                let mut at = look(minute as i64, 0.0, Some(content[spoke.saturating_sub(10)]));
                at.raw = Some((Mono::from_millis(spoke as i64 * 60_000), content[spoke]));
                store.step(&at);
                let found = store.abnormal(3.0, 5.0, Span::from_secs(900), None, 0.2);
                was_called |= found.is_some();
            }
            assert_eq!(was_called, called, "{litres} L in {minutes} min");
        }
    }

    /// Changes of 26 L and of 90 L at 8 L/min, then the plant refills for six hours at 20 L/h under a
    /// meter that reads 3 % too much and a level with a noise of 0.2 L; and a siphon during the same.
    #[test]
    fn refilling_after_a_change_calls_nobody_and_a_siphon_during_it_does() {
        for (litres, siphon, called) in [(26.0, 0.0, false), (90.0, 0.0, false), (26.0, 27.0, true)]
        {
            let mut store = Store::default();
            let (mut inflow, mut content, mut seed) = (0.0, 150.0, 1u64);
            let mut was_called = false;
            for minute in 0..60 * 24 * 9 {
                let since = minute - 60 * 24 * 8;
                if minute % (60 * 24) == 600 {
                    content -= 0.3;
                }
                if since >= 0 && since < (litres / 8.0) as i64 {
                    content -= 8.0;
                }
                if (5..365).contains(&since) {
                    inflow += 1.03 * 20.0 / 60.0;
                    content += 20.0 / 60.0;
                }
                if (60..120).contains(&since) {
                    content -= siphon / 60.0;
                }
                seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let noise = ((seed >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 0.7;
                store.step(&look(minute, inflow, Some(content + noise)));
                was_called |= store.abnormal(3.0, 5.0, Span::from_secs(900), None, 0.2).is_some();
            }
            assert_eq!(was_called, called, "{litres} L, siphon {siphon} L/h");
        }
    }

    #[test]
    fn without_a_level_the_content_is_balanced_from_the_float_on_and_its_doubt_grows() {
        let mut store = Store::default();
        let mut at = look(0, 0.0, None);
        at.declared_use = Some(8.0);
        store.step(&at);
        assert!(store.content(&at).is_err(), "nothing is known before the float was up");
        at.full = Some(true);
        at.now = Mono::from_millis(60_000);
        store.step(&at);
        at.full = Some(false);
        for hour in 1..=24 {
            at.now = Mono::from_millis(hour * 3_600_000);
            store.step(&at);
        }
        let day = store.content(&at).expect("balanced");
        assert!((day.value - 72.0).abs() < 0.2, "{day:?}");
        assert_eq!(day.basis, Basis::Assumed);
        assert!(day.u > 2.0 && day.u < 4.0, "{day:?}");
        for hour in 25..=24 * 20 {
            at.now = Mono::from_millis(hour * 3_600_000);
            store.step(&at);
        }
        assert_eq!(store.content(&at), Err(NoReading::Unsupported), "nobody knows any more");
    }

    #[test]
    fn the_use_is_learned_from_one_full_container_to_the_next() {
        let mut store = Store::default();
        let mut inflow = 0.0;
        for hour in 0..24 * 12 {
            let mut at = look(hour * 60, inflow, None);
            at.full = Some(hour % 48 == 0);
            store.step(&at);
            if hour % 48 >= 40 {
                inflow += 2.0;
            }
        }
        let used = store.use_per_day(Mono::ZERO, None).expect("learned");
        assert!((used.value - 8.0).abs() < 0.5, "{used:?}");
    }
}
