//! Conditions of a run: a sample a minute, and their middle when the run is over.
//!
//! Invariant: samples taken while a closing float throttles the plant (below 70 % of the run's own
//! flow) leave the statistics; the share of them is kept, because short cycling and throttling cost
//! water and resin. A run that lay wholly in the float's band never had its own flow: what is left of
//! it still falls from its beginning to its end, and says nothing of the membrane. Bound: the samples
//! are thinned evenly, never cut off.

use crate::engine::time::Span;
use crate::engine::trend::starts::median;
use serde::{Deserialize, Serialize};

/// Samples of one run.
const SAMPLES: usize = 96;
/// A run is steady from here on: three feed-side volumes of a home membrane at its usual flow.
const FROM: Span = Span::from_secs(180);
/// Samples below this share of the run's own flow are throttled.
const THROTTLED: f64 = 0.7;
/// A flow that falls by more than this between the first and the last third of what counts is being shut:
/// with temperature and pressure taken out nothing else does that within one run. A judgement.
const FALLS: f64 = 0.1;
/// No more than this times the flow of a run in the band is still in it.
const ALIKE: f64 = 1.15;

/// One look at the running plant.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Sample {
    pub(super) permeate: Option<f64>,
    pub(super) supply: Option<f64>,
    pub(super) celsius: Option<f64>,
    pub(super) feed_bar: Option<f64>,
    pub(super) supply_bar: Option<f64>,
    /// Standard uncertainty of the difference of both pressures.
    pub(super) drop_u: f64,
    pub(super) feed_ppm: Option<f64>,
    /// Flow of the permeate at standard conditions.
    pub(super) standard_flow: Option<f64>,
    /// Salt passage, at standard conditions where they are known.
    pub(super) passage: Option<f64>,
    pub(super) recovery: Option<f64>,
}

/// Samples of the run under way.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Samples {
    samples: Vec<Sample>,
    /// Every so many looks one is kept.
    stride: u32,
    looks: u32,
}

/// A run that is over.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Summary {
    /// Middle of the samples that count.
    pub(super) middle: Sample,
    /// Share of the samples in which the plant was throttled.
    pub(super) throttled: f64,
    /// Samples that count.
    pub(super) count: usize,
    /// Their flow falls from the first to the last: the run lay wholly in the band of the float.
    pub(super) falls: bool,
}

impl Samples {
    pub(super) fn clear(&mut self) {
        *self = Self::default();
    }

    /// Takes a look at `age` of the run.
    pub(super) fn look(&mut self, age: Span, sample: Sample) {
        if age < FROM {
            return;
        }
        self.looks += 1;
        let stride = self.stride.max(1);
        if !self.looks.is_multiple_of(stride) {
            return;
        }
        self.samples.push(sample);
        if self.samples.len() >= SAMPLES {
            let mut index = 0;
            self.samples.retain(|_| {
                index += 1;
                index % 2 == 0
            });
            self.stride = 2 * stride;
        }
    }

    /// What the run was like; `None` without a steady look.
    pub(super) fn summary(&self) -> Option<Summary> {
        if self.samples.is_empty() {
            return None;
        }
        // The upper quartile: the run's own flow, whatever the float did at its end.
        let mut flows: Vec<f64> = self.samples.iter().filter_map(|s| s.permeate).collect();
        flows.sort_by(f64::total_cmp);
        let own = (!flows.is_empty()).then(|| flows[(flows.len() - 1) * 3 / 4]);
        let counts = |sample: &&Sample| match (sample.permeate, own) {
            (Some(flow), Some(own)) => flow >= THROTTLED * own,
            _ => true,
        };
        let kept: Vec<&Sample> = self.samples.iter().filter(counts).collect();
        let middle = |of: fn(&Sample) -> Option<f64>| median(kept.iter().filter_map(|s| of(s)));
        Some(Summary {
            middle: Sample {
                permeate: middle(|s| s.permeate),
                supply: middle(|s| s.supply),
                celsius: middle(|s| s.celsius),
                feed_bar: middle(|s| s.feed_bar),
                supply_bar: middle(|s| s.supply_bar),
                drop_u: middle(|s| Some(s.drop_u)).unwrap_or(0.0),
                feed_ppm: middle(|s| s.feed_ppm),
                standard_flow: middle(|s| s.standard_flow),
                passage: middle(|s| s.passage),
                recovery: middle(|s| s.recovery),
            },
            throttled: 1.0 - kept.len() as f64 / self.samples.len() as f64,
            count: kept.len(),
            falls: falls(&kept),
        })
    }
}

/// Whether runs lie wholly in the band of the float. One that fills just as much as is drawn keeps a steady
/// flow there: it is known by the flow of the falling run before it.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
#[serde(default)]
pub(super) struct Band {
    /// Flow of the last run that was known to lie in it.
    flow: Option<f64>,
}

impl Band {
    /// Takes a run that is over: does it say nothing of the membrane?
    pub(super) fn holds(&mut self, run: &Summary) -> bool {
        let alike =
            self.flow.zip(run.middle.permeate).is_some_and(|(low, flow)| flow <= ALIKE * low);
        if run.falls {
            self.flow = run.middle.permeate;
        } else if !alike {
            self.flow = None;
        }
        run.falls || alike
    }
}

/// Whether the flow of the last third is lower than that of the first by [`FALLS`]; at standard conditions
/// where they are known.
fn falls(kept: &[&Sample]) -> bool {
    let flows: Vec<f64> = kept.iter().filter_map(|s| s.standard_flow.or(s.permeate)).collect();
    let third = flows.len() / 3;
    let first = median(flows[..third].iter().copied());
    let last = median(flows[flows.len() - third..].iter().copied());
    first.zip(last).is_some_and(|(first, last)| last < (1.0 - FALLS) * first)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_closing_float_does_not_slow_the_run() {
        let mut samples = Samples::default();
        for minute in 0..200i64 {
            // The last fifth is throttled by the float.
            let flow = if minute < 160 { 0.15 } else { 0.15 - 0.002 * (minute - 155) as f64 };
            let sample = Sample { permeate: Some(flow), ..Sample::default() };
            samples.look(Span::from_secs(60 * minute), sample);
        }
        let summary = samples.summary().expect("samples");
        assert_eq!(summary.middle.permeate, Some(0.15));
        assert!(summary.throttled > 0.05 && summary.throttled < 0.2, "{summary:?}");
        assert!(samples.samples.len() < SAMPLES);
        assert!(!summary.falls, "most of it ran free");
    }

    #[test]
    fn a_run_wholly_in_the_band_of_the_float_is_known_by_its_falling_flow() {
        let run = |flow: fn(i64) -> f64| {
            let mut samples = Samples::default();
            for minute in 0..15i64 {
                let sample = Sample { permeate: Some(flow(minute)), ..Sample::default() };
                samples.look(Span::from_secs(60 * minute), sample);
            }
            samples.summary().expect("samples")
        };
        let band = run(|minute| 0.1 * 0.95f64.powi(minute as i32));
        assert!(band.falls && band.throttled < 0.3, "{band:?}");
        // Noise of a few hundredths, and a steady start, are no fall.
        let free = run(|minute| 0.15 + 0.004 * (minute as f64 * 2.4).sin());
        assert!(!free.falls, "{free:?}");
        // What is drawn meanwhile keeps the level where it is, and the flow with it.
        let steady = run(|_| 0.075);
        let mut float = Band::default();
        assert!(!float.holds(&free) && !float.holds(&steady), "nothing tells that it is throttled");
        assert!(float.holds(&band) && float.holds(&steady) && float.holds(&steady));
        assert!(!float.holds(&free) && !float.holds(&steady), "free in between");
    }
}
