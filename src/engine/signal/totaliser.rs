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
//! absurd number between honest ones costs nothing. Right after an absurd number a step larger than
//! a minute's must be confirmed by the next reading.
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

/// A step back by no more counts than this is the last digit of a running volume.
const JITTER: u64 = 2;

/// A step back by no more than so much time of full flow, so soon after what it falls behind, is a message
/// that came late.
const LATE: Span = Span::from_secs(60);

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
    /// A reading that could not be believed; if the next one moves on from it, the counter has moved
    /// there.
    doubted: Option<Base>,
    /// The last reading could not be believed.
    nonsense: bool,
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
            nonsense: false,
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
            self.nonsense = true;
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
        // A running volume whose last digit trembles has neither turned over nor restarted.
        if new.count > JITTER && new.count < old.count && old.count - new.count <= JITTER {
            return self.nothing(Decision::Stale);
        }
        let seen = new.at.since(old.at).max(Span::ZERO);
        let covers = match self.away {
            Away::For(away) => seen + away,
            Away::No | Away::Unknown => seen,
        };
        let fresh = self.ceiling * covers.secs();
        let allowed = fresh + self.credit;
        let unknown = self.away == Away::Unknown;
        // Slightly behind what is known already, and more than can have flowed since: no counter that began
        // again from zero, but a word that another overtook. One that goes on there for longer has moved.
        let back = old.count.checked_sub(new.count).filter(|&back| back > 0);
        if back.is_some_and(|back| back as f64 <= self.ceiling * LATE.secs())
            && (new.count as f64 > fresh && covers <= LATE && !unknown)
        {
            return self.nothing(Decision::Stale);
        }
        // Among many absurd numbers some look possible by chance, the more the longer they last:
        // right after nonsense a step may be no more than a minute's, or the next reading must
        // confirm it by moving on from there.
        let minute = self.ceiling * BURST.secs() + self.credit;
        let room = if self.nonsense { allowed.min(minute) } else { allowed };
        let whole_turn = self.modulus.is_some_and(|turn| fresh >= turn as f64);

        let ahead = self.ahead(old.count, new.count);
        let from_doubted = self.doubted.and_then(|doubted| {
            let room = self.ceiling * new.at.since(doubted.at).max(Span::ZERO).secs();
            // Standing still at an absurd number is no sign that it counts: it must move on from there.
            self.ahead(doubted.count, new.count).filter(|&ahead| ahead > 0 && ahead as f64 <= room)
        });
        let confirmed = |ahead: u64| from_doubted.is_some() && ahead as f64 <= allowed;
        let (counts, decision) = match (ahead, from_doubted) {
            (Some(ahead), _) if unknown || ahead as f64 <= room || confirmed(ahead) => {
                let decision = if unknown || whole_turn {
                    Decision::Ambiguous
                } else if new.count < old.count {
                    Decision::Wrap
                } else {
                    Decision::Forward
                };
                (ahead, decision)
            }
            // The counter counts on from where it could not be believed: it has moved there.
            (_, Some(ahead)) => (ahead, Decision::Forward),
            _ if new.count < old.count && (unknown || new.count as f64 <= room) => {
                let decision = if unknown { Decision::Ambiguous } else { Decision::Reset };
                (new.count, decision)
            }
            _ => {
                self.doubted = Some(new);
                self.nonsense = true;
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
        self.nonsense = false;
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

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    /// 100 pulses a litre, 6 L/min: at most 10 pulses a second.
    fn meter(wraps_at: f64) -> Totaliser {
        Totaliser::pulses(0.01, wraps_at, 6.0)
    }

    #[test]
    fn one_absurd_number_between_honest_ones_costs_nothing() {
        let mut total = meter(65_536.0);
        total.push_count(at(0), 1000.0, None, false);
        assert_eq!(total.push_count(at(10), 60_000.0, None, false).decision, Decision::Rejected);
        let step = total.push_count(at(20), 1150.0, None, false);
        assert_eq!((step.counts, step.decision), (150, Decision::Forward));
        assert_eq!(total.push_count(at(30), -1.0, None, false).decision, Decision::Rejected);
        assert_eq!(total.push_count(at(40), 1200.0, None, false).counts, 50);
    }

    #[test]
    fn after_nonsense_a_large_step_must_be_confirmed() {
        let mut total = meter(0.0);
        total.push_count(at(0), 1000.0, None, false);
        total.push_count(at(10), -5.0, None, false);
        let step = total.push_count(at(3600), 5000.0, None, false);
        assert_eq!((step.counts, step.decision), (0, Decision::Rejected));
        let step = total.push_count(at(3610), 5050.0, None, false);
        assert_eq!((step.counts, step.decision), (4050, Decision::Forward));
    }

    #[test]
    fn held_back_messages_are_counted_when_they_come_together() {
        let mut total = meter(0.0);
        total.push_count(at(0), 0.0, None, false);
        for (millis, count) in [(40_000, 100.0), (40_010, 200.0), (40_020, 300.0)] {
            let step = total.push_count(Mono::from_millis(millis), count, None, false);
            assert_eq!((step.counts, step.decision), (100, Decision::Forward));
        }
        let jump = total.push_count(Mono::from_millis(40_030), 5000.0, None, false);
        assert_eq!(jump.decision, Decision::Rejected);
    }

    #[test]
    fn copies_and_stored_messages_add_nothing() {
        let stamp = |secs: i64| Some(Wall::from_millis(1_700_000_000_000 + secs * 1000));
        let mut total = meter(65_536.0);
        total.push_count(at(0), 100.0, stamp(0), false);
        total.push_count(at(10), 150.0, stamp(10), false);
        let copy = total.push_count(at(11), 150.0, stamp(10), false);
        assert_eq!(copy.decision, Decision::Stale);
        let old = total.push_count(at(12), 100.0, stamp(0), false);
        assert_eq!(old.decision, Decision::Stale, "and no wrap");
        let stored = total.push_count(at(13), 60_000.0, None, true);
        assert_eq!(stored.decision, Decision::Retained);
        assert_eq!(total.push_count(at(20), 180.0, stamp(20), false).counts, 30);
        assert_eq!(total.total(), 80);
    }

    /// No stamps, and a word that another overtook: it was taken for a restart, and litres that never flowed
    /// were counted. A counter that goes on below for longer than words are late has moved there.
    #[test]
    fn a_word_that_comes_late_is_no_restart() {
        for turn in [0.0, 65_536.0] {
            let mut total = meter(turn);
            total.push_count(at(0), 500.0, None, false);
            total.push_count(at(600), 1000.0, None, false);
            for (secs, count) in [(603, 990.0), (604, 995.0)] {
                let late = total.push_count(at(secs), count, None, false);
                assert_eq!((late.counts, late.decision), (0, Decision::Stale));
            }
            assert_eq!(total.push_count(at(610), 1020.0, None, false).counts, 20);
            assert_eq!(total.total(), 520);
            // A restart soon after a word: what it shows can have flowed since.
            let restart = total.push_count(at(620), 60.0, None, false);
            assert_eq!((restart.counts, restart.decision), (60, Decision::Reset));
            // A meter that woke with what it had stored a minute before.
            let mut total = meter(turn);
            total.push_count(at(0), 900.0, None, false);
            total.push_count(at(60), 1000.0, None, false);
            for (secs, count) in [(70, 950.0), (130, 955.0), (190, 960.0), (250, 965.0)] {
                total.push_count(at(secs), count, None, false);
            }
            assert_eq!(total.push_count(at(310), 970.0, None, false).counts, 5);
        }
    }

    #[test]
    fn time_away_is_allowed_for_and_bounded() {
        let mut total = meter(0.0);
        total.push_count(at(0), 0.0, None, false);
        total.away(Some(Span::from_secs(1000)));
        let step = total.push_count(at(1), 9000.0, None, false);
        assert_eq!((step.counts, step.decision), (9000, Decision::Forward));
        assert_eq!(step.covers, Span::from_secs(1001));
        total.away(None);
        let step = total.push_count(at(2), 99_000.0, None, false);
        assert_eq!((step.counts, step.decision), (90_000, Decision::Ambiguous));
        total.away(Some(Span::from_secs(1000)));
        let step = total.push_count(at(3), 20.0, None, false);
        assert_eq!((step.counts, step.decision), (20, Decision::Reset));
        assert!(step.unseen_litres > 90.0, "what ran before the restart: {}", step.unseen_litres);
    }

    #[test]
    fn a_trembling_last_digit_is_no_restart() {
        let mut volume = Totaliser::volume(0.1, 0.0, 6.0);
        volume.push_litres(at(0), 100.2, None, false);
        let back = volume.push_litres(at(36_000), 100.1, None, false);
        assert_eq!((back.counts, back.decision), (0, Decision::Stale));
        assert_eq!(volume.push_litres(at(36_010), 100.3, None, false).counts, 1);
    }

    #[test]
    fn flow_falls_by_itself_when_no_pulse_comes() {
        let mut flow = PulseFlow::new(0.01, Span::from_secs(60));
        assert_eq!(flow.at(at(0)), None);
        flow.observe(at(0), 0);
        flow.observe(at(10), 50);
        assert_eq!(flow.at(at(10)), Some(3.0));
        assert_eq!(flow.at(at(40)), Some(0.02), "at most one pulse in 30 s");
        assert_eq!(flow.at(at(71)), Some(0.0));
        assert_eq!(flow.zero_at(), Some(at(70)));
    }

    proptest! {
        #[test]
        fn an_honest_counter_is_summed_exactly(
            steps in prop::collection::vec((1i64..60, 0f64..1.0), 1..80),
            start in 0u32..65_536, turns in any::<bool>(),
        ) {
            let turn = if turns { 65_536.0 } else { 0.0 };
            let mut total = meter(turn);
            let (mut now, mut truth) = (0, 0u64);
            let shown = |truth: u64| {
                let count = u64::from(start) + truth;
                (if turns { count % 65_536 } else { count }) as f64
            };
            total.push_count(at(0), shown(0), None, false);
            for (secs, share) in steps {
                now += secs;
                truth += (share * 10.0 * secs as f64) as u64;
                total.push_count(at(now), shown(truth), None, false);
                prop_assert_eq!(total.total(), truth);
            }
        }

        #[test]
        fn anything_adds_at_most_what_the_ceiling_allows(
            steps in prop::collection::vec((0i64..600, -1e5f64..1e6), 1..80),
        ) {
            let mut total = meter(0.0);
            let (mut now, mut before) = (0, 0);
            for (secs, count) in steps {
                now += secs;
                total.push_count(at(now), count, None, false);
                prop_assert!(total.total() >= before);
                prop_assert!(total.total() <= 10 * now as u64);
                before = total.total();
            }
        }
    }
}
