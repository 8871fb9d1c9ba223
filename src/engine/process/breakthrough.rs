//! Where a vessel stands: holding, begun (order resin), spent (swap); and whether what comes through
//! is salt or carbon dioxide.
//!
//! Stages need two runs in a row, because one run may carry standing water. Carbon dioxide has a
//! pattern of its own: the outlet stands at 1 to 2 ppm and stays there while the permeate is
//! unchanged and the account has plenty left; a breakthrough grows by a twelfth of the treated
//! volume or faster for each e-fold (width of the front 6 to 15 % of its middle, common practice, no
//! source). Evidence is added as log-odds, and below nine to one the answer is *cannot tell*.
//!
//! Gas has a front, too: it comes through a bed before the salts do and rises to its plateau as they would
//! to the inlet. So growth within what gas can reach says little against it, and what stands is called
//! gas only once a front of salt would visibly have grown.
//!
//! Invariants: a stage never goes back until the vessel is changed; a high reading is never made
//! better by being called gas, only explained.

use crate::engine::fit::display::{Display, Level, level};
use crate::engine::fit::washout::Sample;
use crate::units::{Litres, Tds};
use serde::{Deserialize, Serialize};

/// Runs in a row that a stage needs.
const RUNS: u8 = 2;
/// Log-odds beyond which a verdict is given: nine to one.
const DECIDED: f64 = 2.197_224_577;
/// Most that one piece of evidence may count.
const EVIDENCE_MAX: f64 = 4.0;
/// Evidence from the course that a verdict of gas needs, and the most that growth counts against it
/// where its plateau may not be reached yet (judgement).
const FLAT_LEAST: f64 = 1.0;
const GROWTH_MOST: f64 = 1.5;
/// Plateau of carbon dioxide where nobody knows the tap, ppm: usual up to the first, seldom beyond the
/// second.
const GAS_USUAL_PPM: f64 = 2.0;
const GAS_SELDOM_PPM: f64 = 2.5;
/// Width of a front as a share of the volume at its middle.
const FRONT_SHARE: f64 = 1.0 / 12.0;
/// Newest looks that are held against those before them, leaving so many between out.
const NEWEST: usize = 3;
const BETWEEN: usize = 3;
/// Highest plateau that carbon dioxide of a home tap makes, ppm on the 0.5 scale: 1 mmol/L.
const GAS_MAX_PPM: f64 = 4.5;

/// How far a vessel has come.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash,
)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Holds.
    #[default]
    Holding,
    /// Breakthrough has begun: order resin.
    Begun,
    /// Spent: swap.
    Spent,
}

/// Limits of the stages.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StageRule {
    /// Begun from this outlet.
    pub begun: Tds,
    /// Spent from this outlet ...
    pub spent: Tds,
    /// ... or from this share of what enters, whichever is higher ...
    pub spent_share: f64,
    /// ... over this much water of a run.
    pub spent_over: Litres,
}

impl Default for StageRule {
    fn default() -> Self {
        Self {
            begun: Tds::new(1.0),
            spent: Tds::new(3.0),
            spent_share: 0.3,
            spent_over: Litres::new(1.0),
        }
    }
}

impl StageRule {
    /// Outlet from which the vessel counts as spent.
    pub fn spent_at(&self, inlet: Tds) -> Tds {
        Tds::new(self.spent.get().max(self.spent_share * inlet.get()))
    }
}

/// One finished run at a vessel's outlet, standing water left out.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// Settled outlet.
    pub outlet: Tds,
    /// What entered.
    pub inlet: Tds,
    /// Water at or above the spent limit.
    pub above_spent: Litres,
    /// Water judged.
    pub litres: Litres,
}

/// The stage of one vessel.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Stages {
    stage: Stage,
    begun_runs: u8,
    spent_runs: u8,
}

impl Stages {
    /// The stage.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// Takes a finished run; returns the new stage when it has changed. Runs shorter than the water
    /// that a verdict needs say nothing.
    pub fn run(&mut self, run: Run, rule: &StageRule) -> Option<Stage> {
        if run.litres < rule.spent_over {
            return None;
        }
        let count = |runs: u8, holds: bool| if holds { runs.saturating_add(1) } else { 0 };
        self.begun_runs = count(self.begun_runs, run.outlet >= rule.begun);
        self.spent_runs = count(self.spent_runs, run.above_spent >= rule.spent_over);
        let before = self.stage;
        if self.spent_runs >= RUNS {
            self.stage = Stage::Spent;
        } else if self.begun_runs >= RUNS {
            self.stage = self.stage.max(Stage::Begun);
        }
        (self.stage != before).then_some(self.stage)
    }

    /// The vessel was changed.
    pub fn changed(&mut self) {
        *self = Self::default();
    }
}

/// What comes through.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pattern {
    /// Nothing.
    Pure,
    /// Carbon dioxide.
    Gas,
    /// The front of the salts.
    Breakthrough,
    /// The readings do not show which.
    CannotTell,
}

impl Pattern {
    /// For the tree of values.
    pub const fn words(self) -> &'static str {
        match self {
            Self::Pure => "nothing",
            Self::Gas => "carbon dioxide",
            Self::Breakthrough => "salt",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// What is known beside the outlet's own course.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Around {
    /// What enters the vessel now, ppm.
    pub inlet: f64,
    /// What entered while the outlet was still pure, ppm; `None` when unknown.
    pub inlet_before: Option<f64>,
    /// Probability that a vessel of this kind is exhausted by now.
    pub spent_by_now: Option<f64>,
    /// Lowest and highest plateau that the tap's carbon dioxide would make, ppm: alone, and with the
    /// carbonic acid for which a full bed takes the salt's anions.
    pub plateau: Option<(f64, f64)>,
    /// Litres treated by this charge.
    pub treated: f64,
}

/// A verdict with what it rests on, in log-odds for gas against breakthrough.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// Which.
    pub pattern: Pattern,
    /// All evidence together; positive for gas.
    pub log_odds: f64,
    /// From whether the outlet rises.
    pub course: f64,
    /// From how high it stands.
    pub height: f64,
    /// From the account.
    pub account: f64,
    /// From what enters.
    pub inlet: f64,
}

/// Judges the outlet since it left zero. `outlet` holds one value for each litre or run (litres
/// treated, ppm as displayed), oldest first, without first water.
pub fn pattern(outlet: &[Sample], around: &Around, display: Display) -> Verdict {
    let step = display.least();
    let none = |pattern| Verdict {
        pattern,
        log_odds: 0.0,
        course: 0.0,
        height: 0.0,
        account: 0.0,
        inlet: 0.0,
    };
    let values: Vec<f64> = outlet.iter().map(|s| s.y).collect();
    let Some(recent) = level(&values[values.len().saturating_sub(10)..], display) else {
        return none(Pattern::CannotTell);
    };
    if recent.value < 0.5 * step {
        return none(Pattern::Pure);
    }
    // A level near one step dithers down to zero now and then: three zeros in a row are the end of
    // the pure water, one is not.
    let since = outlet.windows(3).rposition(|w| w.iter().all(|s| s.y <= 0.0)).map_or(0, |i| i + 3);
    let course = course(&outlet[since..], around, display);
    // Where it has come to, not where it was in the mean of what it grew through.
    let newest = level(&values[values.len().saturating_sub(NEWEST)..], display);
    // Salt comes on top of gas that has stood for long: what has risen now is no plateau, however level it was.
    let risen = newest.is_some_and(|newest| has_risen(newest, &values[since..], display));
    let course = if risen { course.min(0.0) } else { course };
    let gas_reaches = around.plateau.map_or(GAS_USUAL_PPM, |(_, p)| p + 2.0 * plateau_u(p, step));
    let reached = newest.map_or(recent.value, |newest| newest.value.max(recent.value));
    let course = if reached <= gas_reaches { course.max(-GROWTH_MOST) } else { course };
    let height = height(recent.value, around, step);
    let account = around.spent_by_now.map_or(0.0, |p| {
        let p = p.clamp(0.01, 0.99);
        ((1.0 - p) / p).ln().clamp(-EVIDENCE_MAX, EVIDENCE_MAX) / 2.0
    });
    // A permeate that rose explains a rise of the outlet without either; it takes evidence for gas.
    let inlet = around.inlet_before.map_or(0.0, |before| {
        let rise = around.inlet - before;
        if rise > (0.5 * before).max(2.0 * step) { -1.0 } else { 0.0 }
    });
    let log_odds = course + height + account + inlet;
    let pattern = if log_odds > DECIDED && height > -EVIDENCE_MAX && course >= FLAT_LEAST {
        Pattern::Gas
    } else if log_odds < -DECIDED {
        Pattern::Breakthrough
    } else {
        Pattern::CannotTell
    };
    Verdict { pattern, log_odds, course, height, account, inlet }
}

/// Whether the outlet grows as a front would: first against second half.
fn course(outlet: &[Sample], around: &Around, display: Display) -> f64 {
    if outlet.len() < 6 || around.treated <= 0.0 {
        return 0.0;
    }
    let (early, late) = outlet.split_at(outlet.len() / 2);
    let of = |part: &[Sample]| level(&part.iter().map(|s| s.y).collect::<Vec<_>>(), display);
    let (Some(first), Some(second)) = (of(early), of(late)) else { return 0.0 };
    let centre = |part: &[Sample]| part.iter().map(|s| s.x).sum::<f64>() / part.len() as f64;
    let apart = centre(late) - centre(early);
    let width = FRONT_SHARE * around.treated;
    let inlet = around.inlet.max(first.value);
    let share = (first.value / inlet.max(1e-9)).clamp(0.02, 0.98);
    let odds = (share / (1.0 - share)).ln() + apart / width;
    let grown = inlet / (1.0 + (-odds).exp()) - first.value;
    let seen = second.value - first.value;
    let u = first.u.hypot(second.u).max(0.2 * display.least());
    let log_density = |about: f64, u: f64| -0.5 * ((seen - about) / u).powi(2) - u.ln();
    // A front's width is known to a factor of two or so.
    let for_gas = log_density(0.0, u);
    let for_front = log_density(grown, u.hypot(0.5 * grown));
    (for_gas - for_front).clamp(-EVIDENCE_MAX, EVIDENCE_MAX)
}

/// Whether the newest looks stand above what had been level before them.
fn has_risen(newest: Level, values: &[f64], display: Display) -> bool {
    let before = values.len().saturating_sub(NEWEST + BETWEEN);
    let then = level(&values[..before], display).filter(|then| then.count >= NEWEST);
    then.is_some_and(|then| {
        let u = newest.u.hypot(then.u);
        newest.value - then.value > (0.5 * display.least()).max(2.0 * u)
    })
}

/// Standard uncertainty of a plateau from the tap's chemistry, with half a step of the display.
fn plateau_u(plateau: f64, step: f64) -> f64 {
    (0.4 * plateau).hypot(0.5 * step)
}

/// Whether it stands where gas can stand.
fn height(level: f64, around: &Around, step: f64) -> f64 {
    match around.plateau {
        Some((least, most)) => {
            let plateau = level.clamp(least, most.max(least));
            let z = (level - plateau) / plateau_u(plateau, step);
            if z > 3.0 {
                -EVIDENCE_MAX
            } else if z > 0.0 {
                1.0 - 0.5 * z.powi(2)
            } else {
                // At its plateau one to e for gas; far below it the gas is held and it is something else.
                (1.0 - 0.5 * z.powi(2)).max(-1.0)
            }
        }
        None if level > GAS_MAX_PPM => -EVIDENCE_MAX,
        None if level > GAS_SELDOM_PPM => -1.0,
        None => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn run(outlet: f64, above: f64) -> Run {
        Run {
            outlet: Tds::new(outlet),
            inlet: Tds::new(8.0),
            above_spent: Litres::new(above),
            litres: Litres::new(10.0),
        }
    }

    #[test]
    fn stages_take_two_runs_and_never_go_back() {
        let (mut stages, rule) = (Stages::default(), StageRule::default());
        assert_eq!(stages.run(run(1.0, 0.0), &rule), None);
        assert_eq!(stages.run(run(0.0, 0.0), &rule), None);
        assert_eq!(stages.run(run(1.0, 0.0), &rule), None);
        assert_eq!(stages.run(run(1.0, 0.0), &rule), Some(Stage::Begun));
        assert_eq!(stages.run(run(3.0, 2.0), &rule), None);
        assert_eq!(stages.run(run(3.0, 2.0), &rule), Some(Stage::Spent));
        assert_eq!(stages.run(run(0.0, 0.0), &rule), None);
        assert_eq!(stages.stage(), Stage::Spent);
        stages.changed();
        assert_eq!(stages.stage(), Stage::Holding);
    }

    #[test]
    fn a_short_run_says_nothing() {
        let (mut stages, rule) = (Stages::default(), StageRule::default());
        let short = Run { litres: Litres::new(0.4), ..run(9.0, 0.4) };
        for _ in 0..5 {
            assert_eq!(stages.run(short, &rule), None);
        }
        assert_eq!(rule.spent_at(Tds::new(20.0)), Tds::new(6.0));
    }

    fn samples(count: usize, f: impl Fn(f64) -> f64) -> Vec<Sample> {
        (0..count)
            .map(|i| {
                let x = 1000.0 + 10.0 * i as f64;
                // A little dither, as a probe near a step has.
                let noise = [0.2, -0.25, 0.1, -0.05, 0.3, -0.3][i % 6];
                Sample { x, y: (f(x) + noise).round().max(0.0) }
            })
            .collect()
    }

    fn around(spent: f64) -> Around {
        Around {
            inlet: 8.0,
            inlet_before: Some(8.0),
            spent_by_now: Some(spent),
            plateau: None,
            treated: 1500.0,
        }
    }

    #[test]
    fn a_plateau_with_resin_left_is_gas() {
        let outlet = samples(40, |_| 1.4);
        let verdict = pattern(&outlet, &around(0.05), Display::nearest(1.0));
        assert_eq!(verdict.pattern, Pattern::Gas, "{verdict:?}");
    }

    /// The account alone is no evidence that something stands still.
    #[test]
    fn few_litres_at_one_step_are_not_called_gas() {
        let tap = Around { plateau: Some((1.5, 1.5)), ..around(0.05) };
        for count in [1, 3, 6] {
            let verdict = pattern(&samples(count, |_| 1.0), &tap, Display::nearest(1.0));
            assert_eq!(verdict.pattern, Pattern::CannotTell, "{count}: {verdict:?}");
        }
    }

    /// Gas that has just come through rises to 2 ppm like a front; so would salt, and it goes on.
    #[test]
    fn growth_within_what_gas_can_reach_does_not_tell() {
        let rise = |end: f64| move |x: f64| end / (1.0 + ((1100.0 - x) / 60.0).exp());
        let gas = pattern(&samples(20, rise(2.0)), &around(0.3), Display::nearest(1.0));
        assert_eq!(gas.pattern, Pattern::CannotTell, "{gas:?}");
        // What has stood there for hundreds of litres since is gas, what has grown on is not.
        let stands = pattern(&samples(80, rise(2.0)), &around(0.1), Display::nearest(1.0));
        assert_ne!(stands.pattern, Pattern::Breakthrough, "{stands:?}");
        let salt = pattern(&samples(80, rise(8.0)), &around(0.3), Display::nearest(1.0));
        assert_eq!(salt.pattern, Pattern::Breakthrough, "{salt:?}");
    }

    /// Gas has stood at one step for hundreds of litres; then salt comes on top of it.
    #[test]
    fn a_front_on_top_of_gas_is_not_outweighed_by_what_was_level() {
        let salt = |middle: f64| move |x: f64| 1.0 + 5.0 / (1.0 + ((middle - x) / 120.0).exp());
        let with =
            |middle: f64| pattern(&samples(60, salt(middle)), &around(0.02), Display::nearest(1.0));
        let before = with(2400.0);
        assert_eq!(before.pattern, Pattern::Gas, "{before:?}");
        let begun = with(1730.0);
        assert_ne!(begun.pattern, Pattern::Gas, "{begun:?}");
        assert!(begun.course <= 0.0, "{begun:?}");
    }

    #[test]
    fn a_growing_outlet_is_a_breakthrough() {
        let outlet = samples(40, |x| 8.0 / (1.0 + ((1450.0 - x) / 110.0).exp()));
        let verdict = pattern(&outlet, &around(0.6), Display::nearest(1.0));
        assert_eq!(verdict.pattern, Pattern::Breakthrough, "{verdict:?}");
    }

    #[test]
    fn five_readings_do_not_tell_and_zero_is_pure() {
        let verdict = pattern(&samples(5, |_| 1.2), &around(0.4), Display::nearest(1.0));
        assert_eq!(verdict.pattern, Pattern::CannotTell, "{verdict:?}");
        let verdict = pattern(&samples(40, |_| 0.0), &around(0.9), Display::nearest(1.0));
        assert_eq!(verdict.pattern, Pattern::Pure);
        let verdict = pattern(&[], &around(0.9), Display::nearest(1.0));
        assert_eq!(verdict.pattern, Pattern::CannotTell);
    }

    #[test]
    fn what_stands_too_high_for_gas_is_never_called_gas() {
        let high = Around { inlet: 20.0, ..around(0.05) };
        let verdict = pattern(&samples(40, |_| 6.0), &high, Display::nearest(1.0));
        assert_ne!(verdict.pattern, Pattern::Gas, "{verdict:?}");
    }
}
