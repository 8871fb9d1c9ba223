//! What the starts of one plant teach for the next: how much its membrane lets through, and the
//! volumes of its permeate side.
//!
//! The settled value follows feed, flow and temperature (`super::start::Conditions`), so its passage
//! under the present conditions is known to a few per cent before a run begins, where a display of
//! whole ppm says a half. Each is a normal distribution of a logarithm, updated by every start
//! (Kalman's filter for a level that wanders). Invariants: a start that contradicts replaces what was
//! known and is not averaged with it; what was known fades with time; a new membrane, or another gain
//! of a probe, begins anew.

use super::start::{Axis, Kind, Passage};
use crate::engine::fit::informed::{Belief, Known};
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// Variance of the logarithm that the passage wanders by in a day and from one start to the next
/// (age, fouling, error of the conditions; virtual plants, 2026-11-27).
const WANDER_DAY: f64 = 4e-4;
const WANDER_START: f64 = 4e-4;
/// Variance that no fit is better than.
const PASSAGE_LEAST: f64 = 1e-4;
/// Largest variance of a settled value that did not settle and still teaches.
const PASSAGE_MOST: f64 = 2.5e-3;
/// Variances by which the volumes of a plant differ from start to start.
const SHAPE_LEAST: [f64; 3] = [0.01, 0.02, 0.04];
/// Share of the scatter that a start moves.
const SIGMA_SHARE: f64 = 0.2;

/// What is known of one plant.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Learned {
    passage: Option<(Belief, Mono, Kind)>,
    shape: Option<[Belief; 3]>,
    sigma: Option<f64>,
}

impl Learned {
    /// What is known for a start now, on its axis and under the conditions that it knows. `step`: of
    /// the display, ppm; `flow`: L/min that turn litres into minutes on that axis.
    pub fn known(&self, now: Mono, (axis, kind): (Axis, Kind), step: f64, flow: f64) -> Known {
        let scale = match axis {
            Axis::Litres => 1.0,
            Axis::Minutes => 1.0 / flow,
        };
        let usual = Known::usual(scale, step);
        let alike = self.passage.filter(|(.., of)| *of == kind);
        let settled = alike.map(|(belief, at, _)| {
            let days = now.since(at).max(Span::ZERO).days();
            let variance = belief.sd.powi(2) + WANDER_DAY * days + WANDER_START;
            Belief { sd: variance.sqrt(), ..belief }
        });
        let [first, ratio, share] = match (self.shape, axis) {
            (Some(shape), Axis::Litres) => shape,
            _ => [usual.first, usual.ratio, usual.share],
        };
        Known { settled, first, ratio, share, sigma: self.sigma.unwrap_or(usual.sigma) }
    }

    /// Takes what a start taught; `reached`: its water settled.
    pub fn take(
        &mut self,
        now: Mono,
        (axis, kind): (Axis, Kind),
        step: f64,
        seen: &Passage,
        reached: bool,
    ) {
        let variance = seen.passage.sd.powi(2);
        if reached || variance < PASSAGE_MOST {
            // What was known is in it already.
            let sd = (variance + PASSAGE_LEAST).sqrt();
            self.passage = Some((Belief { sd, ..seen.passage }, now, kind));
        }
        if seen.tells_shape && axis == Axis::Litres {
            let usual = Known::usual(1.0, step);
            let mut shape = self.shape.unwrap_or([usual.first, usual.ratio, usual.share]);
            for ((known, new), least) in shape.iter_mut().zip(&seen.shape).zip(SHAPE_LEAST) {
                let before = known.sd.powi(2);
                let gain = before / (before + new.sd.powi(2) + least);
                known.mean += gain * (new.mean - known.mean);
                known.sd = (before * (1.0 - gain)).max(0.25 * least).sqrt();
            }
            self.shape = Some(shape);
        }
        let before = self.sigma.unwrap_or(seen.sigma);
        self.sigma = Some(before.powf(1.0 - SIGMA_SHARE) * seen.sigma.powf(SIGMA_SHARE));
    }

    /// The permeate or the feed is read on another scale from now on.
    pub fn rescaled(&mut self) {
        self.passage = None;
    }

    /// Another membrane.
    pub fn changed(&mut self) {
        *self = Self { sigma: self.sigma, ..Self::default() };
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LITRES: (Axis, Kind) = (Axis::Litres, Kind { feed: false, flow: false, celsius: false });
    const MINUTES: (Axis, Kind) =
        (Axis::Minutes, Kind { feed: false, flow: false, celsius: false });

    fn seen(settled: f64, sd: f64) -> Passage {
        Passage {
            passage: Belief::about(settled, sd),
            shape: [Belief::about(0.4, 0.05), Belief::about(5.0, 0.1), Belief::about(0.1, 0.1)],
            sigma: 0.2,
            surprised: false,
            tells_shape: true,
        }
    }

    fn at(days: i64) -> Mono {
        Mono::from_millis(days * 86_400_000)
    }

    #[test]
    fn the_passage_is_remembered_and_fades() {
        let mut learned = Learned::default();
        assert_eq!(learned.known(at(0), LITRES, 1.0, 0.15).settled, None);
        learned.take(at(0), LITRES, 1.0, &seen(0.02, 0.02), true);
        let soon = learned.known(at(1), LITRES, 1.0, 0.15).settled.expect("known");
        let late = learned.known(at(100), LITRES, 1.0, 0.15).settled.expect("known");
        assert!((soon.mean.exp() - 0.02).abs() < 1e-9 && soon.sd < 0.05, "{soon:?}");
        assert!(late.sd > 0.15, "{late:?}");
        learned.rescaled();
        assert_eq!(learned.known(at(1), LITRES, 1.0, 0.15).settled, None);
    }

    #[test]
    fn volumes_come_from_starts_that_show_them_and_never_from_minutes() {
        let mut learned = Learned::default();
        for day in 0..20 {
            learned.take(at(day), LITRES, 1.0, &seen(0.02, 0.02), true);
        }
        let known = learned.known(at(20), LITRES, 1.0, 0.15);
        assert!((known.first.mean.exp() - 0.4).abs() < 0.02, "{known:?}");
        assert!(known.first.sd < 0.1, "{known:?}");
        let minutes = learned.known(at(20), MINUTES, 1.0, 0.15);
        assert_eq!(minutes.first, Known::usual(1.0 / 0.15, 1.0).first);
        learned.changed();
        let usual = Known::usual(1.0, 1.0).first;
        assert_eq!(learned.known(at(20), LITRES, 1.0, 0.15).first, usual);
    }

    #[test]
    fn a_start_that_did_not_settle_and_says_little_teaches_no_level() {
        let mut learned = Learned::default();
        learned.take(at(0), LITRES, 1.0, &seen(0.02, 0.3), false);
        assert_eq!(learned.known(at(0), LITRES, 1.0, 0.15).settled, None);
    }
}
