//! Whether the product probe still shows the first water that it used to show.
//!
//! Water that stands in the last vessel takes up carbon dioxide and what the resin gives off, so on
//! many plants the first product after hours reads a step or more, and then zero. A probe that is
//! stuck at zero shows nothing of it, long before any resin is spent. How often starts showed it
//! after as long a rest is learned; so many starts in a row without it that chance explains them less
//! than once in ten thousand ask for a cup of tap water. Where first water shows seldom or never,
//! nothing can be said, and nothing is.
//!
//! Invariants: only a reading clears it, never a zero beside another zero; fresh resin, or another
//! order of the vessels, begins anew; nothing is closed for it.

use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Now, Span};
use crate::engine::trend::run::Run;
use crate::engine::trend::{Results, Trend};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Starts that are remembered.
const STARTS_MOST: usize = 64;
/// What chance does less often than this is not chance.
const CHANCE: f64 = 1e-4;
/// Fewer starts than this after as long a rest teach nothing.
const STARTS_LEAST: usize = 8;
/// "As long a rest": from this share of it up to the whole. A longer rest shows more, not less.
const REST_SHARE: f64 = 0.3;
/// Shorter rests leave nothing to show.
const REST_LEAST: Span = Span::from_secs(1800);
/// A run must have lasted so long for its first water to have come by.
const RUN_LEAST: Span = Span::from_secs(300);
/// What comes later is no first water.
const FIRST: Span = Span::from_secs(900);
/// Standard deviations below the mean at which the learned share is taken.
const BELOW: f64 = 1.64;

/// One start: how long the water stood before it, and whether the probe showed more than zero.
#[derive(Clone, Copy, Debug, Serialize, Deserialize)]
struct Start {
    rest: Span,
    shown: bool,
}

/// What the starts showed.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct FirstWater {
    starts: VecDeque<Start>,
    /// The probe spoke in this run, and whether it showed more than zero.
    heard: Option<bool>,
    doubted: bool,
}

impl FirstWater {
    /// It was asked for a cup of tap water.
    pub(super) const fn is_doubted(&self) -> bool {
        self.doubted
    }

    /// Starts at the end that showed nothing.
    fn silent(&self) -> usize {
        self.starts.iter().rev().take_while(|start| !start.shown).count()
    }

    /// How many starts before those at the end showed it, of how many, and the probability that a
    /// living probe shows none of those at the end.
    fn chance(&self) -> (usize, usize, f64) {
        let known = self.starts.len() - self.silent();
        let before = self.starts.iter().take(known);
        let chance = self.starts.iter().skip(known).map(|start| {
            let alike = before.clone().filter(|other| {
                other.rest <= start.rest && other.rest.secs() >= REST_SHARE * start.rest.secs()
            });
            let (count, shown) = alike.fold((0usize, 0usize), |(count, shown), other| {
                (count + 1, shown + usize::from(other.shown))
            });
            1.0 - share_at_least(count, shown)
        });
        (before.clone().filter(|start| start.shown).count(), known, chance.product())
    }
}

/// The share of starts that show it, at the low end of what so many starts leave open: mean less
/// [`BELOW`] standard deviations of a beta distribution (Laplace's rule of succession); 0 for too few.
fn share_at_least(count: usize, shown: usize) -> f64 {
    if count < STARTS_LEAST {
        return 0.0;
    }
    let (count, shown) = (count as f64, shown as f64);
    let mean = (shown + 1.0) / (count + 2.0);
    (mean - BELOW * (mean * (1.0 - mean) / (count + 3.0)).sqrt()).max(0.0)
}

impl Trend {
    /// The product probe spoke: `clean` is what became of it.
    pub(in crate::engine::trend) fn product_spoke(
        &mut self,
        setup: &Setup,
        now: Now,
        sensor: SensorIx,
        clean: f64,
        out: &mut Results,
    ) {
        if setup.solids_at(Point::Product).next() != Some(sensor) {
            return;
        }
        let channel = &self.channels[sensor];
        let least = 0.5 * channel.display(&setup.sensors[sensor]).step.max(0.2);
        let first = &mut self.upkeep.first_water;
        // Learned from what is left of spikes; any reading shows that it lives.
        if let Some(run) = self.run.as_ref().filter(|_| self.water.is_making())
            && now.mono.since(run.began) <= FIRST
        {
            first.heard = Some(clean >= least || first.heard == Some(true));
        }
        if channel.raw().is_some_and(|(_, raw)| raw >= least) && std::mem::take(&mut first.doubted)
        {
            first.starts.clear();
            self.product_believed(out);
        }
    }

    /// A run is over: did the product probe show its first water?
    pub(super) fn judge_first_water(
        &mut self,
        setup: &Setup,
        now: Now,
        run: &Run,
        out: &mut Results,
    ) {
        let heard = self.upkeep.first_water.heard.take();
        let (Some(sensor), Some(shown), Some(rest)) =
            (setup.solids_at(Point::Product).next(), heard, run.idle)
        else {
            return;
        };
        if run.joined || rest < REST_LEAST || now.mono.since(run.began) < RUN_LEAST {
            return;
        }
        let first = &mut self.upkeep.first_water;
        if first.starts.len() >= STARTS_MOST {
            first.starts.pop_front();
        }
        first.starts.push_back(Start { rest, shown });
        let (shown, known, chance) = first.chance();
        if first.doubted || chance >= CHANCE {
            return;
        }
        first.doubted = true;
        let silent = first.silent();
        let text = format!(
            "{} showed the first water after standing in {shown} of {known} starts, and in none of the last {silent}; a dead probe looks like this. Hold it into a cup of tap water (ask for the proof `probe` before): it must show something other than 0. Until then its 0 says nothing about the water.",
            setup.sensors[sensor].id,
        );
        let key = AlarmKey::plant(AlarmId::ProductProbeDoubtful);
        self.told.raise(key, Some(silent as f64), None, text, out);
    }

    /// Other resin, or another order of the vessels: what first water shows has to be learned anew.
    pub(super) fn first_water_anew(&mut self, out: &mut Results) {
        let first = &mut self.upkeep.first_water;
        first.starts.clear();
        if std::mem::take(&mut first.doubted) {
            let key = AlarmKey::plant(AlarmId::ProductProbeDoubtful);
            self.told.clear(key, "The vessels were changed.".to_owned(), out);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn starts(all: &[(f64, bool)]) -> FirstWater {
        let start = |&(hours, shown): &(f64, bool)| Start {
            rest: Span::from_secs_f64(hours * 3600.0),
            shown,
        };
        FirstWater { starts: all.iter().map(start).collect(), ..FirstWater::default() }
    }

    /// The posterior share of twenty starts that all showed it has mean 21/22 and standard deviation
    /// 0.0434 (beta of 21 and 1): 0.8833 at 1.64 of them below; four starts without it are then 1.9 in ten
    /// thousand, five 0.2.
    #[test]
    fn chance_is_that_of_the_low_end_of_a_beta_distribution() {
        let before = [(8.0, true); 20];
        let after = |silent: usize| {
            let mut all = before.to_vec();
            all.extend(std::iter::repeat_n((8.0, false), silent));
            starts(&all).chance()
        };
        assert!((share_at_least(20, 20) - 0.8833).abs() < 0.0005, "{}", share_at_least(20, 20));
        assert_eq!((after(4).0, after(4).1), (20, 20));
        assert!((1.0e-4..2.5e-4).contains(&after(4).2), "{}", after(4).2);
        assert!((1.0e-5..3.0e-5).contains(&after(5).2), "{}", after(5).2);
        assert_eq!(after(0).2, 1.0, "nothing at the end is not silent");
    }

    #[test]
    fn what_shorter_or_much_longer_rests_showed_says_nothing_of_others() {
        // After 20 hours it shows; after two hours it never did.
        let mut all = vec![(20.0, true); 20];
        all.extend([(2.0, false); 30]);
        assert_eq!(starts(&all).chance().2, 1.0, "a short rest is no dead probe");
        // What an hour shows, nine hours would show, but nobody has seen it.
        let mut all = vec![(1.0, true); 20];
        all.extend([(9.0, false); 30]);
        assert_eq!(starts(&all).chance().2, 1.0);
        // Two hours show it: six do.
        let mut all = vec![(2.0, true); 20];
        all.extend([(6.0, false); 6]);
        assert!(starts(&all).chance().2 < CHANCE);
    }

    #[test]
    fn few_starts_or_seldom_shown_teach_nothing() {
        let mut all = vec![(8.0, true); STARTS_LEAST - 1];
        all.extend([(8.0, false); 40]);
        assert_eq!(starts(&all).chance().2, 1.0);
        // One start in ten: its low end is near none.
        let mut all: Vec<(f64, bool)> = (0..30).map(|n| (8.0, n % 10 == 9)).collect();
        all.extend([(8.0, false); 34]);
        assert!(starts(&all).chance().2 > CHANCE, "{}", starts(&all).chance().2);
    }
}
