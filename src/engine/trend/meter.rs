//! One water meter: a counter of pulses or litres, or a flow sensor that is integrated.
//!
//! Invariants: a meter's own total never falls; a retained or repeated word of a counter adds
//! nothing; what passed in a gap is added when a counter proves it, and is otherwise a bound; no
//! flow is reported that the absence of pulses contradicts. The absence of words contradicts nothing:
//! a message may be late or lost, and its pulses come with the next one.

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
/// Litres over which the usual flow follows a higher one, and a lower one (judgement: a run, and many).
const USUAL_LITRES: (f64, f64) = (2.0, 20.0);
/// Resolution of a counter that declares none and has not grown yet, litres (judgement).
const RESOLUTION: f64 = 0.01;

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
    /// Usual time between its words while water flows.
    #[serde(default)]
    usual: Option<Span>,
    /// It has spoken since the start of the daemon.
    fresh: bool,
    /// Last flow that was believed, L/min.
    rate: Option<f64>,
    /// What it lets through usually, L/min: litres weigh, so that a trickle of hours hardly moves it.
    #[serde(default)]
    usual_rate: Option<f64>,
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
        /// Least growth seen, litres.
        #[serde(default)]
        least: Option<f64>,
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
        Self {
            sensor,
            total: 0.0,
            works,
            seen: None,
            flowed_at: 0.0,
            usual: None,
            fresh: false,
            rate: None,
            usual_rate: None,
        }
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
        if let Some(seen) = self.seen.filter(|_| self.fresh && flowed > self.flowed_at) {
            let gap = at.since(seen).secs();
            let usual = self.usual.map_or(gap, |usual| {
                usual.secs() + 0.2 * (gap.min(3.0 * usual.secs()) - usual.secs())
            });
            self.usual = Some(Span::from_secs_f64(usual));
        }
        self.seen = Some(at);
        self.flowed_at = flowed;
        self.fresh = true;
        self.total += word.litres;
        match &mut self.works {
            Works::Flow(_) => self.rate = Some(value),
            Works::Counter { points, grew, least, .. } => {
                if word.litres > 0.0 || grew.is_none() {
                    *grew = Some(at);
                }
                if word.litres > 1e-6 {
                    *least = Some(least.map_or(word.litres, |least| least.min(word.litres)));
                }
                if let Some(rate) = remember(points, at, self.total) {
                    self.rate = Some(rate);
                }
            }
        }
        if let Some(rate) = self.rate {
            let usual = self.usual_rate.unwrap_or(rate);
            let over = if rate > usual { USUAL_LITRES.0 } else { USUAL_LITRES.1 };
            self.usual_rate = Some(usual + (rate - usual) * (word.litres / over).min(1.0));
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
        self.rate.filter(|_| self.alive(setup, now)).map(|rate| self.bounded(setup, rate))
    }

    /// A counter that stood still has let through less than one count meanwhile.
    fn bounded(&self, setup: &SensorSetup, rate: f64) -> f64 {
        let still = self.still().minutes();
        if still > 0.0 { rate.min(self.resolution(setup) / still) } else { rate }
    }

    /// For how long the counter has certainly stood still: from the word that last showed growth, or
    /// the begin of the run, to the newest one, which showed none.
    fn still(&self) -> Span {
        match (&self.works, self.seen) {
            (Works::Counter { points, grew: Some(grew), .. }, Some(seen)) => {
                let from = points.front().map_or(*grew, |(start, _)| (*start).max(*grew));
                seen.since(from).max(Span::ZERO)
            }
            _ => Span::ZERO,
        }
    }

    /// Litres of the least growth that it can show: a pulse, its step, or what it has shown; nothing
    /// for a flow meter.
    pub(super) fn resolution(&self, setup: &SensorSetup) -> f64 {
        match &self.works {
            Works::Flow(_) => 0.0,
            Works::Counter { .. } if setup.quantity == Quantity::Pulses => setup.litres_per_pulse,
            Works::Counter { .. } if setup.step > 0.0 => setup.step,
            Works::Counter { least, .. } => least.unwrap_or(RESOLUTION),
        }
    }

    /// Its last word is no older than its words usually are: what is worked out between two of them is
    /// then little.
    pub(super) fn is_recent(&self, setup: &SensorSetup, now: Mono) -> bool {
        let usual = self.usual.unwrap_or(setup.interval).max(setup.interval);
        self.fresh && self.seen.is_some_and(|seen| now.since(seen) <= usual * 2)
    }

    /// What it lets through usually, L/min.
    pub(super) fn usual_rate(&self) -> Option<f64> {
        self.usual_rate
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

    /// For how long no growth was heard of beyond the usual interval. A flow goes on over a lost word;
    /// litres that no word has proven are not counted ahead of it, for they are never taken back.
    fn quiet(&self, setup: &SensorSetup, now: Mono) -> Span {
        match &self.works {
            Works::Counter { grew: Some(grew), .. } => {
                (now.since(*grew) - setup.interval).max(Span::ZERO)
            }
            _ => Span::ZERO,
        }
    }

    /// The daemon starts again after `away`: nothing is fresh.
    pub(super) fn restarted(&mut self, away: Option<Span>) {
        self.fresh = false;
        match &mut self.works {
            Works::Counter { counter, points, grew, .. } => {
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
        Self::Counter { counter, points: VecDeque::new(), grew: None, least: None }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::setup::Setup;
    use crate::settings::schema::{OnStop, Plant};

    fn setup(more: &str) -> Setup {
        let text = format!("[sensors.m]\ntopic = \"m\"\npoint = \"permeate\"\n{more}");
        let plant: Plant = toml::from_str(&text).expect("valid");
        Setup::resolve("p", &plant, OnStop::Close, 5)
    }

    fn pulses() -> Setup {
        setup("quantity = \"pulses\"\nlitres_per_pulse = 0.0025\ninterval_secs = 10.0\n")
    }

    fn at(secs: f64) -> Mono {
        Mono::ZERO + Span::from_secs_f64(secs)
    }

    fn begun(setup: &Setup) -> Meter {
        let mut meter = Meter::new(&setup.sensors[0], 0);
        meter.word(&setup.sensors[0], at(0.0), 1_000.0, None, 0.0);
        meter.run_changed(at(0.0), true);
        meter
    }

    /// A pulse each second, a word each eleven: between the words, and while some are lost, water flows
    /// as it did.
    #[test]
    fn a_late_or_lost_word_is_no_lack_of_pulses() {
        let setup = pulses();
        let sensor = &setup.sensors[0];
        let mut meter = begun(&setup);
        for word in 1..40 {
            let secs = 11.0 * f64::from(word);
            if word > 5 {
                for before in [0.1, 1.0, 5.0, 10.0] {
                    let flow = meter.flow_now(sensor, at(secs - before)).expect("it lives");
                    assert!((flow - 0.15).abs() < 0.01, "{flow} L/min {before} s before a word");
                }
            }
            if word % 7 == 0 || word % 7 == 1 {
                continue;
            }
            meter.word(sensor, at(secs), 1_000.0 + secs, None, secs);
        }
    }

    /// Words that show no growth do contradict a flow; when there is none any more nothing is known.
    #[test]
    fn words_without_growth_bound_the_flow_and_silence_ends_it() {
        let setup = pulses();
        let sensor = &setup.sensors[0];
        let mut meter = begun(&setup);
        for word in 1..=20 {
            let secs = 11.0 * f64::from(word);
            meter.word(sensor, at(secs), 1_000.0 + secs, None, secs);
        }
        meter.word(sensor, at(231.0), 1_220.0, None, 231.0);
        let flow = meter.flow_now(sensor, at(232.0)).expect("it lives");
        assert!(flow <= 0.0025 / (11.0 / 60.0) + 1e-9, "{flow}: less than a pulse in 11 s");
        assert!(meter.since_word(sensor, at(232.0)) <= 0.0025 + 0.0137 / 60.0 + 1e-6);
        assert_eq!(meter.flow_now(sensor, at(231.0 + 200.0)), None);
    }
}
