//! Totals from counters, and flow from pulses.
//!
//! A counter may be a pulse counter or a running volume; both are counted in whole counts, so that
//! years of sums lose nothing. Rules after the reference sheet, section 10.6 (own rule): the step
//! forward is taken modulo the counter's turn when it is no more than the ceiling allows; else the
//! counter is taken to have restarted from zero, if that is plausible; else nothing is counted.
//!
//! Invariants: the total never falls; no reading adds more than the ceiling allows for the time it
//! covers; a retained, duplicated or older copy adds nothing. A jump that was rejected changes the
//! total in no case, and the reading after it is compared with the last believed one first, so one
//! absurd number between honest ones costs nothing.
//!
//! Allowance: the ceiling times the time since the last believed reading, plus what was left over
//! of the last minute. Messages that a radio gap held back and then delivers together are thereby
//! counted; a jump that no minute of full flow explains is not.

use crate::engine::time::{Mono, Span, Wall};
use serde::{Deserialize, Serialize};

/// Unspent allowance is kept for this much time of full flow.
const BURST: Span = Span::from_secs(60);
/// Count of a running volume without a declared step, in litres.
const VOLUME_COUNT_LITRES: f64 = 1e-4;

/// What was made of a reading of a counter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, Hash)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The first: there is nothing to compare it with.
    First,
    /// Went forward, or stood.
    Forward,
    /// Turned over.
    Wrap,
    /// Started again from zero; what it counted before the restart since its last reading is lost.
    Reset,
    /// Long enough unseen for a whole turn, or unseen for an unknown time: a lower bound.
    Ambiguous,
    /// Cannot be: nothing was counted.
    Rejected,
    /// Older than, or a copy of, what was already counted.
    Stale,
    /// The broker's stored copy: of unknown age, not counted.
    Retained,
}

impl Decision {
    /// True when the total is as sure after this reading as before it.
    pub fn is_sure(self) -> bool {
        matches!(self, Self::First | Self::Forward | Self::Wrap | Self::Stale | Self::Retained)
    }
}

/// What a reading of a counter added.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// Counts added.
    pub counts: u64,
    /// The same in litres.
    pub litres: f64,
    /// Why.
    pub decision: Decision,
    /// Time that it covers; zero when nothing was compared.
    pub covers: Span,
    /// Litres that may have passed beyond `litres`: bounded by the ceiling; zero when sure.
    pub unseen_litres: f64,
}

/// Sums a counter through turn, restart, absurd jumps, copies and gaps.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Totaliser {
    litres_per_count: f64,
    /// Counts in a whole turn; `None` when it does not turn over.
    modulus: Option<u64>,
    /// Most counts in a second.
    ceiling: f64,
    total: u64,
    believed: Option<Base>,
    /// A reading that could not be believed; if the next one follows from it, the counter has moved
    /// there.
    doubted: Option<Base>,
    /// Unspent allowance in counts.
    credit: f64,
    away: Away,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Base {
    at: Mono,
    count: u64,
    stamp: Option<Wall>,
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Away {
    No,
    For(Span),
    Unknown,
}

impl Totaliser {
    /// A pulse counter. `wraps_at` is the number of counts in a whole turn, 0 for none; `ceiling`
    /// is the largest possible flow in L/min.
    pub fn pulses(litres_per_pulse: f64, wraps_at: f64, ceiling: f64) -> Self {
        Self::build(litres_per_pulse, wraps_at, ceiling)
    }

    /// A running volume in litres. `step` is its display step (0: fine), `wraps_at` the volume of a
    /// whole turn in litres, 0 for none; `ceiling` is the largest possible flow in L/min.
    pub fn volume(step: f64, wraps_at: f64, ceiling: f64) -> Self {
        let count = if step > 0.0 { step } else { VOLUME_COUNT_LITRES };
        Self::build(count, wraps_at / count, ceiling)
    }

    fn build(litres_per_count: f64, wraps_at: f64, ceiling: f64) -> Self {
        let litres_per_count = if litres_per_count > 0.0 { litres_per_count } else { 1.0 };
        let modulus = (wraps_at >= 1.0).then(|| wraps_at.round() as u64);
        let ceiling = (ceiling / 60.0 / litres_per_count).max(0.0);
        Self {
            litres_per_count,
            modulus,
            ceiling,
            total: 0,
            believed: None,
            doubted: None,
            credit: 0.0,
            away: Away::No,
        }
    }

    /// Counts so far.
    pub fn total(&self) -> u64 {
        self.total
    }

    /// Litres so far.
    pub fn total_litres(&self) -> f64 {
        self.total as f64 * self.litres_per_count
    }

    /// Litres of one count.
    pub fn litres_per_count(&self) -> f64 {
        self.litres_per_count
    }

    /// The daemon was away, by the wall clock for so long, or for an unknown time: plant time stood
    /// still, the counter may have gone on.
    pub fn away(&mut self, time: Option<Span>) {
        self.away = match (self.away, time) {
            (Away::Unknown, _) | (_, None) => Away::Unknown,
            (Away::No, Some(time)) => Away::For(time.max(Span::ZERO)),
            (Away::For(before), Some(time)) => Away::For(before + time.max(Span::ZERO)),
        };
    }

    /// Takes a reading: counts of a pulse counter.
    pub fn push_count(
        &mut self,
        now: Mono,
        count: f64,
        stamp: Option<Wall>,
        retained: bool,
    ) -> Step {
        if retained {
            return self.nothing(Decision::Retained);
        }
        // 2^53: up to there every whole number has its own f64.
        if !(0.0..=9_007_199_254_740_992.0).contains(&count) {
            return self.nothing(Decision::Rejected);
        }
        self.place(Base { at: now, count: count.round() as u64, stamp })
    }

    /// Takes a reading: litres of a running volume.
    pub fn push_litres(
        &mut self,
        now: Mono,
        litres: f64,
        stamp: Option<Wall>,
        retained: bool,
    ) -> Step {
        self.push_count(now, litres / self.litres_per_count, stamp, retained)
    }

    fn nothing(&self, decision: Decision) -> Step {
        Step { counts: 0, litres: 0.0, decision, covers: Span::ZERO, unseen_litres: 0.0 }
    }

    fn place(&mut self, new: Base) -> Step {
        let Some(old) = self.believed else {
            self.believed = Some(new);
            self.away = Away::No;
            return self.nothing(Decision::First);
        };
        if let (Some(before), Some(after)) = (old.stamp, new.stamp) {
            let behind = before.since(after);
            // A clock set back by hours is a clock; some minutes are a message that came late.
            let late = behind > Span::ZERO && behind <= Span::from_secs(600);
            if (late && new.count <= old.count) || (behind == Span::ZERO && new.count == old.count)
            {
                return self.nothing(Decision::Stale);
            }
        }
        let seen = new.at.since(old.at).max(Span::ZERO);
        let covers = match self.away {
            Away::For(away) => seen + away,
            Away::No | Away::Unknown => seen,
        };
        let fresh = self.ceiling * covers.secs();
        let allowed = fresh + self.credit;
        let whole_turn = self.modulus.is_some_and(|turn| fresh >= turn as f64);
        let unknown = self.away == Away::Unknown;

        let ahead = self.ahead(old.count, new.count);
        let from_doubted = self.doubted.and_then(|doubted| {
            let room = self.ceiling * new.at.since(doubted.at).max(Span::ZERO).secs();
            self.ahead(doubted.count, new.count).filter(|&ahead| ahead as f64 <= room)
        });
        let (counts, decision) = match (ahead, from_doubted) {
            (Some(ahead), _) if unknown || ahead as f64 <= allowed => {
                let decision = if unknown || whole_turn {
                    Decision::Ambiguous
                } else if new.count < old.count {
                    Decision::Wrap
                } else {
                    Decision::Forward
                };
                (ahead, decision)
            }
            // The counter stays where it could not be believed: it has moved there.
            (_, Some(ahead)) => (ahead, Decision::Forward),
            _ if new.count < old.count && (unknown || new.count as f64 <= allowed) => {
                let decision = if unknown { Decision::Ambiguous } else { Decision::Reset };
                (new.count, decision)
            }
            _ => {
                self.doubted = Some(new);
                return Step { covers, ..self.nothing(Decision::Rejected) };
            }
        };
        let unseen_counts = match decision {
            Decision::Reset | Decision::Ambiguous => (allowed - counts as f64).max(0.0),
            _ if self.doubted.is_some() && from_doubted.is_some() && ahead != Some(counts) => {
                (allowed - counts as f64).max(0.0)
            }
            _ => 0.0,
        };
        self.credit = (allowed - counts as f64).clamp(0.0, self.ceiling * BURST.secs());
        self.total = self.total.saturating_add(counts);
        self.believed = Some(new);
        self.doubted = None;
        self.away = Away::No;
        Step {
            counts,
            litres: counts as f64 * self.litres_per_count,
            decision,
            covers,
            unseen_litres: unseen_counts * self.litres_per_count,
        }
    }

    /// Counts from `old` forward to `new`, through a turn if there is one.
    fn ahead(&self, old: u64, new: u64) -> Option<u64> {
        match self.modulus {
            Some(turn) => Some((new % turn + turn - old % turn) % turn),
            None => new.checked_sub(old),
        }
    }
}

/// Flow from pulses. Falls by itself when no pulse comes: after a time `t` without one the flow is
/// at most one pulse in `t`, and after `zero_after` it is none.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PulseFlow {
    litres_per_pulse: f64,
    zero_after: Span,
    /// Last reading that brought pulses, and the flow in L/min that it showed.
    last: Option<(Mono, f64)>,
    /// From when on pulses are known to be counted.
    since: Option<Mono>,
}

impl PulseFlow {
    /// A pulse every `zero_after` or slower is no flow.
    pub fn new(litres_per_pulse: f64, zero_after: Span) -> Self {
        Self { litres_per_pulse, zero_after, last: None, since: None }
    }

    /// A reading of the counter brought so many new pulses, perhaps none.
    pub fn observe(&mut self, now: Mono, pulses: u64) {
        if pulses > 0 {
            let from = self.last.map(|(at, _)| at).or(self.since);
            let secs = from.map_or(0.0, |from| now.since(from).secs());
            // After a pause the time since the last pulse says little about the flow now.
            let secs = secs.min(self.zero_after.secs());
            let rate = if secs > 0.0 {
                pulses as f64 * self.litres_per_pulse * 60.0 / secs
            } else {
                self.last.map_or(0.0, |(_, rate)| rate)
            };
            self.last = Some((now, rate));
        }
        self.since.get_or_insert(now);
    }

    /// Flow in L/min at `now`; `None` before anything can be said. Silence of the counter itself is
    /// not seen here: staleness is another's work.
    pub fn at(&self, now: Mono) -> Option<f64> {
        let since = self.since?;
        let Some((at, rate)) = self.last else {
            return (now.since(since) > self.zero_after).then_some(0.0);
        };
        let quiet = now.since(at);
        if quiet > self.zero_after {
            return Some(0.0);
        }
        let bound = if quiet > Span::ZERO {
            self.litres_per_pulse * 60.0 / quiet.secs()
        } else {
            f64::INFINITY
        };
        Some(rate.min(bound))
    }

    /// Whether water flows at `now`: the last pulse is at most `zero_after` old.
    pub fn is_flowing(&self, now: Mono) -> bool {
        self.last.is_some_and(|(at, _)| now.since(at) <= self.zero_after)
    }

    /// When the flow becomes none if no pulse comes.
    pub fn zero_at(&self) -> Option<Mono> {
        self.last.map(|(at, _)| at + self.zero_after)
    }
}
