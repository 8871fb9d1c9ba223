//! One water meter: a counter of pulses or litres, or a flow sensor that is integrated.
//!
//! Invariants: a meter's own total never falls; a retained or repeated word of a counter adds
//! nothing; what passed in a gap is added when a counter proves it, and is otherwise a bound; no
//! flow is reported that the absence of pulses contradicts.

use crate::engine::setup::{SensorIx, SensorSetup};
use crate::engine::signal::integrate::FlowIntegrator;
use crate::engine::signal::totaliser::{Decision, Totaliser};
use crate::engine::time::{Mono, Span, Wall};
use crate::settings::schema::Point;
use crate::units::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Litres that may have passed a counter while nothing was known to flow: a valve that leaks by, a
/// run that no other evidence showed.
const UNKNOWN_LITRES: f64 = 5.0;
/// Points kept for the rate of a counter.
const RATE_POINTS: usize = 12;
/// A rate looks back this far.
const RATE_WINDOW: Span = Span::from_secs(90);

/// One meter.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Meter {
    /// Which sensor it is.
    pub(super) sensor: SensorIx,
    /// Litres by this meter, running through resets, turns and gaps.
    pub(super) total: f64,
    works: Works,
    /// When its last word came.
    seen: Option<Mono>,
    /// Seconds that water had flowed in all at its last word.
    flowed_at: f64,
    /// It has spoken since the start of the daemon.
    fresh: bool,
    /// Last flow that was believed, L/min.
    rate: Option<f64>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Works {
    Counter {
        counter: Totaliser,
        /// Points of the running total in this run, for the rate.
        points: VecDeque<(Mono, f64)>,
        /// When the total last grew.
        grew: Option<Mono>,
    },
    Flow(FlowIntegrator),
}

/// What a word of a meter meant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Word {
    /// Litres that it adds.
    pub(super) litres: f64,
    /// Most that may have passed beyond that without being seen.
    pub(super) unseen: f64,
    /// The word covers a gap or a restart of the counter.
    pub(super) gap: bool,
    /// The word cannot be true, or is a copy, and was set aside.
    pub(super) rejected: bool,
}

impl Word {
    const SET_ASIDE: Self = Self { litres: 0.0, unseen: 0.0, gap: false, rejected: true };
}

impl Meter {
    pub(super) fn new(setup: &SensorSetup, sensor: SensorIx) -> Self {
        let works = match setup.quantity {
            Quantity::Pulses => Works::counter(Totaliser::pulses(
                setup.litres_per_pulse,
                setup.wraps_at,
                ceiling(setup.point),
            )),
            Quantity::Volume => {
                Works::counter(Totaliser::volume(setup.step, setup.wraps_at, ceiling(setup.point)))
            }
            _ => Works::Flow(FlowIntegrator::new(gap_after(setup), ceiling(setup.point))),
        };
        Self { sensor, total: 0.0, works, seen: None, flowed_at: 0.0, fresh: false, rate: None }
    }

    /// Takes a word. `flowed`: seconds that water has flowed in all, by the best evidence.
    pub(super) fn word(
        &mut self,
        setup: &SensorSetup,
        at: Mono,
        value: f64,
        stamp: Option<Wall>,
        flowed: f64,
    ) -> Word {
        let most =
            ceiling(setup.point) * (flowed - self.flowed_at).max(0.0) / 60.0 + UNKNOWN_LITRES;
        let late = self.seen.is_none_or(|seen| at.since(seen) > gap_after(setup)) || !self.fresh;
        let word = match &mut self.works {
            Works::Counter { counter, .. } => {
                let step = if setup.quantity == Quantity::Pulses {
                    counter.push_count(at, value, stamp, false)
                } else {
                    counter.push_litres(at, value, stamp, false)
                };
                match step.decision {
                    Decision::Rejected | Decision::Stale | Decision::Retained => Word::SET_ASIDE,
                    Decision::First => Word::default(),
                    // A turn that no flowing water explains is a counter that was switched off
                    // and on while water stood: it has counted from zero since.
                    Decision::Wrap | Decision::Ambiguous if self.fresh && step.litres > most => {
                        let counted = value * litres_per_count(setup);
                        let litres = if counted <= most { counted } else { 0.0 };
                        Word { litres, unseen: 0.0, gap: true, rejected: false }
                    }
                    decision => Word {
                        litres: step.litres,
                        // The ceiling of any line is no useful bound where the last rate is known.
                        unseen: self.rate.map_or(step.unseen_litres, |rate| {
                            let most = 1.5 * rate * step.covers.minutes() - step.litres;
                            step.unseen_litres.min(most.max(0.0))
                        }),
                        gap: late || !decision.is_sure(),
                        rejected: false,
                    },
                }
            }
            Works::Flow(integrator) => match integrator.push(at, value) {
                None => Word::SET_ASIDE,
                Some(slice) => match slice.gap {
                    None => Word { litres: slice.litres, ..Word::default() },
                    Some(gap) => {
                        // Where other evidence says for how long water flowed, the mean of both ends
                        // is the estimate and the larger end bounds it; standing water adds nothing.
                        let before = self.rate.unwrap_or(value);
                        let flowed = (flowed - self.flowed_at).max(0.0) / 60.0;
                        let minutes = flowed.min(gap.time.minutes());
                        let litres = (before + value) / 2.0 * minutes;
                        let most = 1.2 * before.max(value) * minutes;
                        let unseen = (most - litres).clamp(0.0, gap.litres_max);
                        Word { litres, unseen, gap: true, rejected: false }
                    }
                },
            },
        };
        if word.rejected {
            return word;
        }
        self.seen = Some(at);
        self.flowed_at = flowed;
        self.fresh = true;
        self.total += word.litres;
        match &mut self.works {
            Works::Flow(_) => self.rate = Some(value),
            Works::Counter { points, grew, .. } => {
                if word.litres > 0.0 || grew.is_none() {
                    *grew = Some(at);
                }
                if let Some(rate) = remember(points, at, self.total) {
                    self.rate = Some(rate);
                }
            }
        }
        word
    }

    /// Flow began or ended: a rate never reaches across.
    pub(super) fn run_changed(&mut self, at: Mono, running: bool) {
        if let Works::Counter { points, .. } = &mut self.works {
            points.clear();
            if running {
                points.push_back((at, self.total));
            }
        }
    }

    /// Flow now, L/min; `None` while the meter is silent or knows too little.
    pub(super) fn flow_now(&self, setup: &SensorSetup, now: Mono) -> Option<f64> {
        let rate = self.rate.filter(|_| self.alive(setup, now))?;
        let quiet = self.quiet(setup, now).minutes();
        if setup.quantity == Quantity::Pulses && quiet > 0.0 {
            return Some(rate.min(litres_per_count(setup) / quiet));
        }
        Some(rate)
    }

    /// For how long the counter has certainly stood still: a silence no longer than the usual
    /// interval proves nothing.
    fn quiet(&self, setup: &SensorSetup, now: Mono) -> Span {
        match &self.works {
            Works::Counter { grew: Some(grew), .. } => {
                (now.since(*grew) - setup.interval).max(Span::ZERO)
            }
            _ => Span::ZERO,
        }
    }

    /// The last rate that was believed, for extrapolation and bounds.
    pub(super) fn last_rate(&self) -> Option<f64> {
        self.rate
    }

    /// It has spoken since the start, and not too long ago for a meter in flowing water.
    pub(super) fn alive(&self, setup: &SensorSetup, now: Mono) -> bool {
        self.fresh && self.seen.is_some_and(|seen| now.since(seen) <= self.patience(setup))
    }

    /// It has spoken since the start.
    pub(super) fn is_fresh(&self) -> bool {
        self.fresh
    }

    /// How long it may be silent while water flows. A coarse counter that speaks on change is
    /// silent for as long as a pulse takes.
    fn patience(&self, setup: &SensorSetup) -> Span {
        let pulse = match (setup.quantity, self.rate) {
            (Quantity::Pulses, Some(rate)) if rate > 0.0 => {
                Span::from_secs_f64((180.0 * litres_per_count(setup) / rate).min(3_600.0))
            }
            _ => Span::ZERO,
        };
        (gap_after(setup) * 4).max(pulse)
    }

    /// Litres that must have passed since its last word, for the live volume between words.
    pub(super) fn since_word(&self, setup: &SensorSetup, now: Mono) -> f64 {
        let (Some(seen), Some(rate)) = (self.seen, self.rate) else { return 0.0 };
        let from = match &self.works {
            // Of a coarse counter the part of a pulse that has not come yet has passed too.
            Works::Counter { points, grew: Some(grew), .. } => {
                points.front().map_or(seen, |(start, _)| (*start).max(*grew))
            }
            _ => seen,
        };
        let longest = self.patience(setup);
        let litres = rate * now.since(from).max(Span::ZERO).min(longest).minutes();
        if setup.quantity == Quantity::Pulses && self.quiet(setup, now) > Span::ZERO {
            return litres.min(litres_per_count(setup));
        }
        litres
    }

    /// The daemon starts again after `away`: nothing is fresh.
    pub(super) fn restarted(&mut self, away: Option<Span>) {
        self.fresh = false;
        match &mut self.works {
            Works::Counter { counter, points, grew } => {
                counter.away(away);
                points.clear();
                *grew = None;
            }
            Works::Flow(integrator) => {
                integrator.away(away);
            }
        }
    }
}

impl Works {
    fn counter(counter: Totaliser) -> Self {
        Self::Counter { counter, points: VecDeque::new(), grew: None }
    }
}

/// Keeps a point of the running total and gives the rate over the window, L/min.
fn remember(points: &mut VecDeque<(Mono, f64)>, at: Mono, total: f64) -> Option<f64> {
    if points.len() == RATE_POINTS {
        // Thin out evenly, so that the window does not shrink when words come often.
        let mut index = 0;
        points.retain(|_| {
            index += 1;
            index % 2 == 1
        });
    }
    points.push_back((at, total));
    // A window without growth says nothing about the rate of a coarse counter: keep the last two
    // points that differ.
    while points.len() > 2 && at.since(points[1].0) >= RATE_WINDOW && points[1].1 < total {
        points.pop_front();
    }
    let ((from, low), (to, high)) = (*points.front()?, *points.back()?);
    let minutes = to.since(from).minutes();
    (minutes > 0.05 && high > low).then(|| (high - low) / minutes)
}

/// No home plant lets more than this through, L/min. Judgement: three times the largest home
/// membrane, and a wide-open half-inch line for the tap. What is above is set aside.
fn ceiling(point: Point) -> f64 {
    match point {
        Point::Supply | Point::Feed => 20.0,
        Point::Concentrate => 10.0,
        _ => 6.0,
    }
}

/// Litres of one count.
fn litres_per_count(setup: &SensorSetup) -> f64 {
    if setup.quantity == Quantity::Pulses { setup.litres_per_pulse } else { 1.0 }
}

/// Silence longer than this is a gap.
fn gap_after(setup: &SensorSetup) -> Span {
    (setup.interval * 3).max(Span::from_secs(30))
}
