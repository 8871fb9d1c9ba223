//! The QARTOD tests, streaming: gross range, spike, rate of change, flat line.
//!
//! For the trend path only: the spike test needs the next sample, so every verdict comes one sample
//! late, with the sample that it is about. Flags after the QARTOD manual for in-situ temperature and
//! salinity data (2015, doi 10.7289/V5V40SD4); checked row by row against a plain implementation
//! that equals the reference library (ioos_qc 3.0.0).
//!
//! Differences from the reference, each on purpose, each counted by a test:
//! - *removed*: a reading that fails the gross range enters no other test. In the reference a
//!   sentinel is just a number and spoils its neighbours.
//! - *first*: the first reading is not evaluated by the rate test, where the reference says good:
//!   not evaluated must never become good.
//! - *carried*: after a missing reading the rate is taken from the last good one over its true age,
//!   where the reference says good, however far the value jumped.
//! - *true time*: elapsed time is in milliseconds of our own time. The reference cuts it to whole
//!   seconds, compares the plain difference below one second, and divides by a negative time as if
//!   it were positive. Two readings at one instant: the same value is good, another is not evaluated
//!   and the older one stays the one to compare with.
//! - *window*: the flat-line window is time, not a count from the median interval of the whole
//!   record; a gap longer than `gap_max` ends a run, where the reference joins equal values on both
//!   sides of an outage.
//! - *not full*: until the window is full a value that has not moved is not evaluated, where the
//!   reference says good, so that a sensor dead from the start would look good for the whole window.
//! - *reason*: a flat line is judged only while there is a reason to expect movement; freezing water,
//!   a closed tap and polished water are truly flat.
//! - *zero threshold*: a threshold of 0 is a threshold; in the reference it is none.
//! - *worst*: flags combine as fail, missing, suspect, not evaluated, good. In the reference one test
//!   that says good hides another that could not run.
//!
//! Invariants: a sample gets exactly one verdict; memory is bounded whatever the window; a missing
//! sample is missing in every test.

use crate::engine::time::{Mono, Span};
use crate::engine::value::{Flag, NoReading, Reason};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// QARTOD's five flags, from best to worst as they combine here.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash, Default,
)]
#[serde(rename_all = "kebab-case")]
pub enum QcFlag {
    /// 1: passed.
    Good,
    /// 2: could not run.
    #[default]
    NotEvaluated,
    /// 3: suspect or of high interest.
    Suspect,
    /// 9: no data.
    Missing,
    /// 4: failed.
    Fail,
}

impl QcFlag {
    /// The number under which the standard knows it. A name, not a scale.
    pub fn code(self) -> u8 {
        match self {
            Self::Good => 1,
            Self::NotEvaluated => 2,
            Self::Suspect => 3,
            Self::Fail => 4,
            Self::Missing => 9,
        }
    }
}

/// Two thresholds of one test; `None`: no such threshold. Exactly on a threshold is good.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Thresholds {
    /// Beyond it a sample is suspect.
    pub suspect: Option<f64>,
    /// Beyond it a sample fails.
    pub fail: Option<f64>,
}

impl Thresholds {
    fn judge(&self, size: f64) -> QcFlag {
        if self.fail.is_some_and(|limit| size > limit) {
            QcFlag::Fail
        } else if self.suspect.is_some_and(|limit| size > limit) {
            QcFlag::Suspect
        } else {
            QcFlag::Good
        }
    }

    fn is_set(&self) -> bool {
        self.suspect.is_some() || self.fail.is_some()
    }
}

/// How long a value may stay within a tolerance.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlatRules {
    /// Flat for this long is suspect.
    pub suspect: Span,
    /// Flat for this long fails.
    pub fail: Span,
    /// The range must stay strictly below it; above the resolution, or nothing is ever flat.
    pub tolerance: f64,
    /// Samples further apart than this do not belong to one run.
    pub gap_max: Span,
}

/// How a signal is judged, in its canonical unit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rules {
    /// What the sensor can give; limits are good, backwards ones are sorted.
    pub range_fail: (f64, f64),
    /// What is usual; lies within `range_fail`.
    pub range_suspect: Option<(f64, f64)>,
    /// Distance from the mean of both neighbours.
    pub spike: Thresholds,
    /// Change a second.
    pub rate: Thresholds,
    /// Flat line; `None`: no such test.
    pub flat: Option<FlatRules>,
}

/// What the tests say about one sample.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Verdict {
    /// When the sample came.
    pub at: Mono,
    /// The sample; `None` when it was missing.
    pub value: Option<f64>,
    /// Gross range.
    pub gross: QcFlag,
    /// Spike.
    pub spike: QcFlag,
    /// Rate of change.
    pub rate: QcFlag,
    /// Age of the reading with which the rate compared; zero when it did not.
    pub rate_over: Span,
    /// Flat line.
    pub flat: QcFlag,
}

impl Verdict {
    /// The worst of the four: fail, missing, suspect, not evaluated, good.
    pub fn worst(&self) -> QcFlag {
        self.gross.max(self.spike).max(self.rate).max(self.flat)
    }

    /// The same in the engine's terms. Only the gross range takes a reading away: the other
    /// thresholds are of our choice, and what they find may be the very event that matters. A test
    /// that is not configured says nothing.
    ///
    /// # Errors
    /// [`NoReading::Stale`] for a missing sample, [`NoReading::OutOfRange`] for a gross failure.
    pub fn quality(&self, rules: &Rules) -> Result<(Flag, Vec<Reason>), NoReading> {
        match self.gross {
            QcFlag::Missing => return Err(NoReading::Stale),
            QcFlag::Fail => return Err(NoReading::OutOfRange),
            _ => {}
        }
        let mut flag = Flag::Good;
        let mut reasons = Vec::new();
        for (test, reason, applies) in [
            (self.gross, Reason::Unusual, true),
            (self.spike, Reason::Spike, rules.spike.is_set()),
            (self.rate, Reason::Rate, rules.rate.is_set()),
            (self.flat, Reason::FlatLine, rules.flat.is_some()),
        ] {
            match test {
                QcFlag::Suspect | QcFlag::Fail => {
                    flag = Flag::Suspect;
                    reasons.push(reason);
                }
                // A flat line that is not judged has no reason to be: that is no doubt.
                QcFlag::NotEvaluated if applies && reason != Reason::FlatLine => {
                    flag = flag.max(Flag::NotEvaluated);
                    reasons.push(Reason::Pending);
                }
                _ => {}
            }
        }
        reasons.sort_unstable();
        reasons.dedup();
        Ok((flag, reasons))
    }
}

/// The four tests over one signal.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct QcTests {
    rules: Rules,
    /// The sample that waits for its right neighbour.
    pending: Option<Verdict>,
    /// Its left neighbour, if that can be used.
    left: Option<f64>,
    /// Last reading within the gross range, for the rate.
    last_good: Option<(Mono, f64)>,
    flat: FlatRun,
}

impl QcTests {
    /// Starts without history.
    pub fn new(rules: Rules) -> Self {
        let sorted = |(a, b): (f64, f64)| if a <= b { (a, b) } else { (b, a) };
        let range_fail = sorted(rules.range_fail);
        // A usual span wider than the possible one would never be reached: cut to it.
        let range_suspect = rules
            .range_suspect
            .map(sorted)
            .map(|(low, high)| (low.max(range_fail.0), high.min(range_fail.1)));
        Self {
            rules: Rules { range_fail, range_suspect, ..rules },
            pending: None,
            left: None,
            last_good: None,
            flat: FlatRun::default(),
        }
    }

    /// The rules, as they were sorted.
    pub fn rules(&self) -> &Rules {
        &self.rules
    }

    /// Takes a sample, or its absence, and gives the verdict on the sample *before* it.
    /// `expects_movement` says whether there is a reason to expect that the value moves (water
    /// flows, another signal moves); without one no flat line is looked for.
    pub fn push(
        &mut self,
        now: Mono,
        value: Option<f64>,
        expects_movement: bool,
    ) -> Option<Verdict> {
        let value = value.filter(|value| !value.is_nan());
        let mut new = Verdict {
            at: now,
            value,
            gross: QcFlag::Missing,
            spike: QcFlag::Missing,
            rate: QcFlag::Missing,
            rate_over: Span::ZERO,
            flat: QcFlag::Missing,
        };
        if let Some(value) = value {
            new.gross = self.gross(value);
            new.spike = QcFlag::NotEvaluated;
            if new.gross == QcFlag::Fail {
                new.rate = QcFlag::NotEvaluated;
                new.flat = QcFlag::NotEvaluated;
            } else {
                (new.rate, new.rate_over) = self.rate(now, value);
                new.flat = self.flat(now, value, expects_movement);
            }
        }
        let usable = |verdict: &Verdict| {
            if verdict.gross == QcFlag::Fail { None } else { verdict.value }
        };
        let done = self.pending.take().map(|mut verdict| {
            if let (Some(left), Some(x), Some(right)) = (self.left, usable(&verdict), usable(&new))
                && self.rules.spike.is_set()
            {
                verdict.spike = self.rules.spike.judge((x - (left + right) / 2.0).abs());
            }
            self.left = usable(&verdict);
            verdict
        });
        self.pending = Some(new);
        done
    }

    /// Gives the verdict on the last sample without waiting for another; its spike test stays not
    /// evaluated. The next sample starts without a left neighbour.
    pub fn flush(&mut self) -> Option<Verdict> {
        self.left = None;
        self.pending.take()
    }

    fn gross(&self, value: f64) -> QcFlag {
        let (low, high) = self.rules.range_fail;
        if !(value >= low && value <= high && value.is_finite()) {
            return QcFlag::Fail;
        }
        match self.rules.range_suspect {
            Some((low, high)) if value < low || value > high => QcFlag::Suspect,
            _ => QcFlag::Good,
        }
    }

    fn rate(&mut self, now: Mono, value: f64) -> (QcFlag, Span) {
        let Some((at, before)) = self.last_good else {
            self.last_good = Some((now, value));
            return (QcFlag::NotEvaluated, Span::ZERO);
        };
        let elapsed = now.since(at);
        if elapsed <= Span::ZERO {
            let same = value == before && self.rules.rate.is_set();
            return (if same { QcFlag::Good } else { QcFlag::NotEvaluated }, Span::ZERO);
        }
        self.last_good = Some((now, value));
        if !self.rules.rate.is_set() {
            return (QcFlag::NotEvaluated, Span::ZERO);
        }
        (self.rules.rate.judge((value - before).abs() / elapsed.secs()), elapsed)
    }

    fn flat(&mut self, now: Mono, value: f64, expects_movement: bool) -> QcFlag {
        let Some(rules) = self.rules.flat.filter(|rules| rules.tolerance > 0.0) else {
            return QcFlag::NotEvaluated;
        };
        if !expects_movement {
            self.flat = FlatRun::default();
            return QcFlag::NotEvaluated;
        }
        let length = self.flat.push(now, value, &rules);
        if length >= rules.fail && length > Span::ZERO {
            QcFlag::Fail
        } else if length >= rules.suspect && length > Span::ZERO {
            QcFlag::Suspect
        } else if self.flat.moved {
            QcFlag::Good
        } else {
            QcFlag::NotEvaluated
        }
    }
}

/// Most points kept on each side of a run.
const POINTS_MAX: usize = 64;

/// The longest run of samples, up to now, whose range is below the tolerance. Two monotone queues
/// hold the candidates for the largest and the smallest; on readings in steps they hold a few points.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize)]
struct FlatRun {
    high: VecDeque<Point>,
    low: VecDeque<Point>,
    start: Mono,
    last: Option<Mono>,
    /// A sample beyond the tolerance was seen: the value is known to move.
    moved: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Point {
    at: Mono,
    value: f64,
    /// When the sample after it came.
    next: Mono,
}

impl FlatRun {
    /// Takes a finite sample; gives the length of the run that it ends.
    fn push(&mut self, now: Mono, value: f64, rules: &FlatRules) -> Span {
        match self.last {
            Some(last) if now.since(last) <= rules.gap_max => {}
            _ => *self = Self { start: now, ..Self::default() },
        }
        self.last = Some(now);
        for queue in [&mut self.high, &mut self.low] {
            if let Some(newest) = queue.back_mut() {
                newest.next = now;
            }
        }
        let point = Point { at: now, value, next: now };
        while self.high.back().is_some_and(|back| back.value <= value) {
            self.high.pop_back();
        }
        self.high.push_back(point);
        while self.low.back().is_some_and(|back| back.value >= value) {
            self.low.pop_back();
        }
        self.low.push_back(point);
        while self.range() >= rules.tolerance {
            self.moved = true;
            self.drop_oldest();
        }
        // Noise finer than the tolerance can fill the queues. The run is then cut at its old end: a
        // flat line is found later, never invented.
        while self.high.len().max(self.low.len()) > POINTS_MAX {
            self.drop_oldest();
        }
        now.since(self.start)
    }

    fn range(&self) -> f64 {
        match (self.high.front(), self.low.front()) {
            (Some(high), Some(low)) => high.value - low.value,
            _ => 0.0,
        }
    }

    /// Moves the start past the older of the two extremes.
    fn drop_oldest(&mut self) {
        let older = |queue: &VecDeque<Point>| queue.front().map_or(i64::MAX, |p| p.at.millis());
        let (high, low) = (older(&self.high), older(&self.low));
        if high <= low
            && let Some(point) = self.high.pop_front()
        {
            self.start = point.next;
        }
        if low <= high
            && let Some(point) = self.low.pop_front()
        {
            self.start = point.next;
        }
    }
}
