//! Litres from a flow meter that has no counter of its own.
//!
//! Trapezoid between readings; across a gap longer than the limit nothing is counted and the
//! unseen litres are bounded instead (reference sheet, section 10.6).
//!
//! Invariants: the sum never falls; a gap is never counted as flow and never as zero without
//! being named; a negative or not finite flow is no reading.

use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// What a flow reading added.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Slice {
    /// Litres by the trapezoid; 0 across a gap.
    pub litres: f64,
    /// Present when the time before this reading was a gap.
    pub gap: Option<Gap>,
}

/// Time in which the flow was not seen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Gap {
    /// Its length.
    pub time: Span,
    /// Least litres that can have passed: none.
    pub litres_min: f64,
    /// Most litres that can have passed: the largest possible flow all the time.
    pub litres_max: f64,
    /// The last flow held for no longer than the gap limit: what likely passed, at least.
    pub litres_held: f64,
}

/// Integrates a flow in L/min over time.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FlowIntegrator {
    gap_max: Span,
    ceiling: f64,
    last: Option<(Mono, f64)>,
    litres: Sum,
    held: Sum,
    unseen: Sum,
    missing: Span,
}

/// A sum that keeps what rounding would lose (Neumaier 1974).
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
struct Sum {
    sum: f64,
    lost: f64,
}

impl Sum {
    fn add(&mut self, value: f64) {
        let sum = self.sum + value;
        self.lost += if self.sum.abs() >= value.abs() {
            (self.sum - sum) + value
        } else {
            (value - sum) + self.sum
        };
        self.sum = sum;
    }

    fn get(self) -> f64 {
        self.sum + self.lost
    }
}

impl FlowIntegrator {
    /// Readings further apart than `gap_max` bound a gap; `ceiling` is the largest possible flow in
    /// L/min.
    pub fn new(gap_max: Span, ceiling: f64) -> Self {
        Self {
            gap_max,
            ceiling: ceiling.max(0.0),
            last: None,
            litres: Sum::default(),
            held: Sum::default(),
            unseen: Sum::default(),
            missing: Span::ZERO,
        }
    }

    /// Takes a flow in L/min. `None` when it is no reading.
    pub fn push(&mut self, now: Mono, flow: f64) -> Option<Slice> {
        if !(flow.is_finite() && flow >= 0.0) {
            return None;
        }
        let Some((at, before)) = self.last.replace((now, flow)) else {
            return Some(Slice { litres: 0.0, gap: None });
        };
        let time = now.since(at).max(Span::ZERO);
        if time <= self.gap_max {
            let litres = (before + flow) / 2.0 * time.minutes();
            self.litres.add(litres);
            self.held.add(before * time.minutes());
            return Some(Slice { litres, gap: None });
        }
        let gap = Gap {
            time,
            litres_min: 0.0,
            litres_max: self.ceiling.max(before).max(flow) * time.minutes(),
            litres_held: before * self.gap_max.minutes(),
        };
        self.missing = self.missing + time;
        self.held.add(gap.litres_held);
        self.unseen.add(gap.litres_max);
        Some(Slice { litres: 0.0, gap: Some(gap) })
    }

    /// The daemon was away for so long by the wall clock: plant time stood still, water may have
    /// run. Returns the gap; the next reading starts a new piece. Unknown time has no bound of its
    /// own, so the caller must have one: `None` here only breaks the trapezoid.
    pub fn away(&mut self, time: Option<Span>) -> Option<Gap> {
        let (_, before) = self.last.take()?;
        let time = time?.max(Span::ZERO);
        let gap = Gap {
            time,
            litres_min: 0.0,
            litres_max: self.ceiling.max(before) * time.minutes(),
            litres_held: before * time.min(self.gap_max).minutes(),
        };
        self.missing = self.missing + time;
        self.held.add(gap.litres_held);
        self.unseen.add(gap.litres_max);
        Some(gap)
    }

    /// Litres seen.
    pub fn litres(&self) -> f64 {
        self.litres.get()
    }

    /// Litres by holding each reading until the next, at most for the gap limit. For comparison.
    pub fn litres_held(&self) -> f64 {
        self.held.get()
    }

    /// Most litres that can have passed in all gaps together.
    pub fn unseen_litres_max(&self) -> f64 {
        self.unseen.get()
    }

    /// Length of all gaps together.
    pub fn missing(&self) -> Span {
        self.missing
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    #[test]
    fn a_gap_is_neither_flow_nor_zero() {
        let mut flow = FlowIntegrator::new(Span::from_secs(30), 6.0);
        flow.push(at(0), 0.15);
        let slice = flow.push(at(600), 0.15).expect("a reading");
        assert_eq!(slice.litres, 0.0);
        let gap = slice.gap.expect("a gap");
        assert_eq!((gap.time, gap.litres_min, gap.litres_max), (Span::from_secs(600), 0.0, 60.0));
        assert_eq!(flow.missing(), Span::from_secs(600));
        assert_eq!(flow.unseen_litres_max(), 60.0);
    }

    #[test]
    fn no_reading_does_not_break_the_trapezoid() {
        let mut flow = FlowIntegrator::new(Span::from_secs(30), 6.0);
        flow.push(at(0), 0.6);
        assert_eq!(flow.push(at(5), f64::NAN), None);
        assert_eq!(flow.push(at(5), -1.0), None);
        flow.push(at(10), 0.6);
        assert!((flow.litres() - 0.1).abs() < 1e-12);
    }

    #[test]
    fn time_away_is_bounded() {
        let mut flow = FlowIntegrator::new(Span::from_secs(30), 6.0);
        flow.push(at(0), 0.6);
        let gap = flow.away(Some(Span::from_secs(3600))).expect("water ran before");
        assert_eq!(gap.litres_max, 360.0);
        assert_eq!(flow.push(at(1), 0.6).expect("a reading").litres, 0.0);
    }

    proptest! {
        #[test]
        fn truth_lies_within_the_bounds(
            steps in prop::collection::vec((1i64..120, 0f64..6.0), 2..50),
        ) {
            // The truth: straight between all points; every other point is lost.
            let (mut now, mut before) = (0, 0.0);
            let mut truth = 0.0;
            let mut seen = FlowIntegrator::new(Span::from_secs(30), 6.0);
            let mut last_seen = 0;
            let mut chords = 0.0;
            for (index, (step, flow)) in steps.into_iter().enumerate() {
                if index > 0 { truth += (before + flow) / 2.0 * step as f64 / 60.0; }
                now += step;
                before = flow;
                if index % 2 == 0 {
                    seen.push(at(now), flow);
                    // Within a piece that counts as seen the lost point may deviate by the ceiling.
                    if now - last_seen <= 30 { chords += 6.0 * (now - last_seen) as f64 / 60.0; }
                    last_seen = now;
                }
            }
            let tail = 6.0 * (now - last_seen) as f64 / 60.0;
            prop_assert!(truth <= seen.litres() + seen.unseen_litres_max() + chords + tail + 1e-9);
            prop_assert!(seen.litres() <= truth + chords + 1e-9);
        }
    }
}
