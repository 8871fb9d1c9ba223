//! What a start did: first-water peak, settled value, wash-out, settle volume, extra salt.
//!
//! A [`Trace`] collects the permeate's readings of one run; [`analyse`] turns it into a [`Start`].
//! Invariants: the trace is bounded and densest at its beginning; *not reached* is an answer, never
//! replaced by a guess; what cannot be fitted is still told as far as readings alone can tell it.
//!
//! Settled means (reference sheet 4.2 and common practice): at least three wash-out volumes have
//! passed, and the curve will change by less than the rule's slope over the rule's length.

use crate::engine::fit::NoFit;
use crate::engine::fit::display::{Display, Level, level};
use crate::engine::fit::washout::{self, Sample, Washout};
use crate::engine::time::Span;
use crate::units::{Litres, Milligrams, Tds};
use serde::{Deserialize, Serialize};

/// Most readings of one run; beyond it every second reading of the later half goes.
const READINGS_MAX: usize = 600;
/// Readings that a tail needs before it may be called a level.
const TAIL_READINGS_MIN: usize = 8;

/// Against what the wash-out is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Axis {
    /// Permeate since the start, in litres.
    Litres,
    /// Minutes since the start, where no flow is known: constants then drift with the flow.
    Minutes,
}

/// One reading of a run.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Reading {
    x: f64,
    minutes: f64,
    y: f64,
}

/// The permeate's readings of one run.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Trace {
    axis: Axis,
    display: Display,
    readings: Vec<Reading>,
}

/// When a level counts as settled.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SettledRule {
    /// Largest change in ppm ...
    pub slope: Tds,
    /// ... over this much permeate.
    pub over: Litres,
    /// ... or over this time, where no flow is known.
    pub over_time: Span,
}

impl Default for SettledRule {
    fn default() -> Self {
        Self { slope: Tds::new(0.5), over: Litres::new(2.0), over_time: Span::from_secs(15 * 60) }
    }
}

/// Why the settled value is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotReached {
    /// The run ended before the first water was out.
    CutShort,
    /// The reading was still changing when the run ended.
    StillMoving,
    /// Too few readings came.
    TooFewReadings,
}

/// How the extra salt was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Method {
    /// From the fitted curve, with what readings show before it.
    Fit,
    /// Trapezoid of the readings above the settled value.
    Readings,
}

/// Salt that a start carried beyond the settled value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Extra {
    /// mg on the meter's scale.
    pub salt: Milligrams,
    /// Standard uncertainty from the fit; the gain of probe and meter is not in it.
    pub u: Milligrams,
    /// How it was found.
    pub by: Method,
    /// The run ended before all of it was seen; this is what passed until then.
    pub so_far: bool,
}

/// What one start did.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Start {
    /// Litres or minutes.
    pub axis: Axis,
    /// Readings of the run.
    pub readings: usize,
    /// Where the run ended.
    pub end: f64,
    /// Highest first-water reading.
    pub peak: Tds,
    /// Level to which it settled.
    pub settled: Result<Level, NotReached>,
    /// The wash-out.
    pub fit: Result<Washout, NoFit>,
    /// Litres (minutes) until it was within two steps or a tenth of the way of the settled value.
    pub settle_at: Option<f64>,
    /// Time until then.
    pub settle_time: Option<Span>,
    /// Salt beyond the settled value; only on the litre axis.
    pub extra: Option<Extra>,
}

impl Trace {
    /// An empty trace of a probe with this display.
    pub fn new(axis: Axis, display: Display) -> Self {
        Self { axis, display, readings: Vec::new() }
    }

    /// Adds a reading. What does not lie later than the last one (late or doubled messages) is left
    /// out.
    pub fn push(&mut self, permeate: Litres, elapsed: Span, reading: Tds) {
        let minutes = elapsed.minutes();
        let x = match self.axis {
            Axis::Litres => permeate.get(),
            Axis::Minutes => minutes,
        };
        if x <= 0.0 || self.readings.last().is_some_and(|last| x <= last.x) {
            return;
        }
        if self.readings.len() >= READINGS_MAX {
            let mut index = 0;
            self.readings.retain(|_| {
                index += 1;
                index <= READINGS_MAX / 2 || index % 2 == 0
            });
        }
        self.readings.push(Reading { x, minutes, y: reading.get() });
    }

    /// The newest reading: minutes since water began to flow, and ppm.
    pub fn newest(&self) -> Option<(f64, f64)> {
        self.readings.last().map(|reading| (reading.minutes, reading.y))
    }

    /// Readings held.
    pub fn len(&self) -> usize {
        self.readings.len()
    }

    /// True before the first reading.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }
}

/// Analyses a run, finished or not. `before` is the settled level of earlier starts, against which
/// a start that was cut short is measured; `ceiling` is the feed, which first water cannot exceed by
/// much: an extrapolation to the very first drop stops there. `None` without readings.
pub fn analyse(
    trace: &Trace,
    rule: SettledRule,
    before: Option<Tds>,
    ceiling: Option<Tds>,
) -> Option<Start> {
    let readings = without_spikes(&trace.readings);
    let end = readings.last()?.x;
    let from = peak_index(&readings, trace.display.least());
    let peak = readings[from].y;
    let samples: Vec<Sample> = readings.iter().map(|r| Sample { x: r.x, y: r.y }).collect();
    let fit = washout::fit(&samples[from..], trace.display);
    let over = match trace.axis {
        Axis::Litres => rule.over.get(),
        Axis::Minutes => rule.over_time.minutes(),
    };
    let settled = settled(&samples[from..], &fit, rule.slope.get(), over, trace.display);
    let floor = settled.ok().map(|level| level.value).or(before.map(Tds::get));
    let settle_at = settled.ok().and_then(|level| {
        let margin = (2.0 * trace.display.least()).max(0.1 * (peak - level.value));
        settle_point(&samples, &fit, level.value, margin)
    });
    let settle_time = settle_at.map(|x| Span::from_secs_f64(60.0 * minutes_at(&readings, x)));
    let extra = match (trace.axis, floor) {
        (Axis::Litres, Some(floor)) => {
            let step = trace.display.least();
            Some(extra(&samples, from, &fit, floor, settled.is_err(), ceiling, step))
        }
        _ => None,
    };
    Some(Start {
        axis: trace.axis,
        readings: trace.readings.len(),
        end,
        peak: Tds::new(peak),
        settled,
        fit,
        settle_at,
        settle_time,
        extra,
    })
}

/// Drops readings that stand alone far above or below both neighbours: bubbles and spikes.
fn without_spikes(readings: &[Reading]) -> Vec<Reading> {
    let alone = |i: usize| -> bool {
        if i == 0 || i + 1 >= readings.len() {
            return false;
        }
        let (a, y, b) = (readings[i - 1].y, readings[i].y, readings[i + 1].y);
        let (low, high) = (a.min(b), a.max(b));
        y > 1.3 * high + 5.0 || y < 0.7 * low - 5.0
    };
    (0..readings.len()).filter(|&i| !alone(i)).map(|i| readings[i]).collect()
}

/// Where the fall begins: the last reading of the plateau or rise in front of it.
fn peak_index(readings: &[Reading], step: f64) -> usize {
    let peak = readings.iter().map(|r| r.y).fold(f64::MIN, f64::max);
    let near = peak - step.max(0.03 * peak);
    let Some(first) = readings.iter().position(|r| r.y >= peak) else { return 0 };
    (first..readings.len()).take_while(|&i| readings[i].y >= near).last().unwrap_or(first)
}

fn settled(
    samples: &[Sample],
    fit: &Result<Washout, NoFit>,
    slope: f64,
    over: f64,
    display: Display,
) -> Result<Level, NotReached> {
    let (Some(first), Some(last)) = (samples.first(), samples.last()) else {
        return Err(NotReached::TooFewReadings);
    };
    let (start, end) = (first.x, last.x);
    let values =
        |from: f64| -> Vec<f64> { samples.iter().filter(|s| s.x >= from).map(|s| s.y).collect() };
    match fit {
        Ok(curve) => {
            let remaining = curve.at(end) - curve.at(end + over);
            if remaining.abs() > slope {
                return Err(NotReached::StillMoving);
            }
            // What the curve calls level must be level in the readings too.
            let washed = (curve.first.amplitude / (0.5 * slope)).max(1.0).ln().max(3.0);
            let from = curve.origin + washed * curve.first.constant;
            let tail = values(from);
            if drifts(&tail, (end - from) / 2.0, over, slope, display) {
                return Err(NotReached::StillMoving);
            }
            let sigma = level(&tail, display).map_or(curve.rmse, |level| level.sigma);
            Ok(Level {
                value: curve.settled,
                u: curve.settled_u.max(remaining.abs()),
                sigma,
                count: tail.len(),
            })
        }
        Err(NoFit::CutShort) => Err(NotReached::CutShort),
        Err(_) => {
            // No curve to go by: a level is a tail of the rule's length whose halves agree.
            if end - start < over {
                return Err(NotReached::CutShort);
            }
            let tail = values(end - over);
            if tail.len() < TAIL_READINGS_MIN {
                return Err(NotReached::TooFewReadings);
            }
            if drifts(&tail, over / 2.0, over, slope, display) {
                return Err(NotReached::StillMoving);
            }
            level(&tail, display).ok_or(NotReached::TooFewReadings)
        }
    }
}

/// Whether the halves of a tail, whose centres lie `apart` from each other, differ by more than the
/// slope allows, and by more than chance and display step do.
fn drifts(tail: &[f64], apart: f64, over: f64, slope: f64, display: Display) -> bool {
    if tail.len() < TAIL_READINGS_MIN || apart <= 0.0 {
        return false;
    }
    let (early, late) = tail.split_at(tail.len() / 2);
    let (Some(early), Some(late)) = (level(early, display), level(late, display)) else {
        return false;
    };
    let moved = (early.value - late.value).abs();
    moved / apart * over > slope && moved > 2.0 * early.u.hypot(late.u)
}

fn settle_point(
    samples: &[Sample],
    fit: &Result<Washout, NoFit>,
    settled: f64,
    margin: f64,
) -> Option<f64> {
    if let Ok(curve) = fit {
        return curve.within(margin + settled - curve.settled);
    }
    let above = samples.iter().rposition(|s| s.y > settled + margin);
    match above {
        None => samples.first().map(|s| s.x),
        Some(index) => samples.get(index + 1).map(|s| s.x),
    }
}

fn extra(
    samples: &[Sample],
    from: usize,
    fit: &Result<Washout, NoFit>,
    floor: f64,
    so_far: bool,
    ceiling: Option<Tds>,
    step: f64,
) -> Extra {
    let trapezoid = |part: &[Sample]| -> f64 {
        part.windows(2).map(|w| ((w[0].y + w[1].y) / 2.0 - floor) * (w[1].x - w[0].x)).sum::<f64>()
    };
    let first = samples[0];
    match fit {
        Ok(curve) if !so_far => {
            let (first_drop, u) = if from == 0 {
                // Between the start and the first reading the curve goes on rising backwards.
                let cap = ceiling.map_or(f64::INFINITY, |feed| 1.1 * feed.get());
                let unseen = curve.excess(0.0, curve.origin);
                let most = (cap - floor).max(0.0) * curve.origin;
                (unseen.min(most), 0.2 * unseen.min(most))
            } else {
                let seen = trapezoid(&samples[..=from]);
                ((first.y - floor) * first.x + seen, 0.5 * (first.y - floor).abs() * first.x)
            };
            let falling = curve.excess(curve.origin, f64::INFINITY);
            let spread = (curve.first.amplitude * curve.constant_u)
                .hypot(curve.settled_u * 3.0 * curve.first.constant)
                .hypot(u);
            Extra {
                salt: Milligrams::new((first_drop + falling).max(0.0)),
                u: Milligrams::new(spread),
                by: Method::Fit,
                so_far,
            }
        }
        _ => {
            let (seen, u) = excess_of_readings(samples, floor, step, ceiling);
            Extra {
                salt: Milligrams::new(seen.max(0.0)),
                u: Milligrams::new(u),
                by: Method::Readings,
                so_far,
            }
        }
    }
}

/// Area of the readings above `floor`, without a curve: from reading to reading by the logarithmic
/// mean, which is exact for anything that falls exponentially, and backwards to the start with the
/// constant of the first two. It ends where the readings have come down: beyond that only noise and
/// rounding would add up.
fn excess_of_readings(
    samples: &[Sample],
    floor: f64,
    step: f64,
    ceiling: Option<Tds>,
) -> (f64, f64) {
    let down = samples.windows(5).position(|w| {
        let mut near: Vec<f64> = w.iter().map(|s| s.y).collect();
        near.sort_by(f64::total_cmp);
        near[2] <= floor + 0.6 * step
    });
    let samples = &samples[..down.map_or(samples.len(), |index| index + 1)];
    let first = samples[0];
    let height = (first.y - floor).max(0.0);
    let mut seen = 0.0;
    for pair in samples.windows(2) {
        let (a, b) = (pair[0].y - floor, pair[1].y - floor);
        let mean = if a > step && b > step && (a - b).abs() > 0.05 * a {
            (a - b) / (a / b).ln()
        } else {
            0.5 * (a + b)
        };
        seen += mean * (pair[1].x - pair[0].x);
    }
    let cap = ceiling.map_or(2.0 * height, |feed| (1.1 * feed.get() - floor).max(height));
    let second = samples.get(1).map_or(0.0, |s| s.y - floor);
    let before = if second > step && height > 1.05 * second {
        let constant = (samples[1].x - first.x) / (height / second).ln();
        constant * height * ((first.x / constant).min(20.0).exp() - 1.0)
    } else {
        height * first.x
    };
    let before = before.min(cap.min(2.0 * height) * first.x);
    (seen + before, 0.5 * height * first.x)
}

fn minutes_at(readings: &[Reading], x: f64) -> f64 {
    let after = readings.iter().position(|r| r.x >= x);
    match after {
        Some(0) => readings[0].minutes * x / readings[0].x,
        Some(i) => {
            let (a, b) = (readings[i - 1], readings[i]);
            a.minutes + (b.minutes - a.minutes) * (x - a.x) / (b.x - a.x)
        }
        None => readings.last().map_or(0.0, |last| last.minutes * x / last.x),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const FLOW: f64 = 0.15;

    fn trace(litres: f64, every_secs: f64, curve: impl Fn(f64) -> f64) -> Trace {
        let mut trace = Trace::new(Axis::Litres, Display::nearest(1.0));
        let mut secs = every_secs;
        while FLOW * secs / 60.0 <= litres {
            let v = FLOW * secs / 60.0;
            trace.push(
                Litres::new(v),
                Span::from_secs_f64(secs),
                Tds::new(curve(v).round().max(0.0)),
            );
            secs += every_secs;
        }
        trace
    }

    fn wash(v: f64) -> f64 {
        6.2 + 90.0 * (-v / 0.25).exp()
    }

    #[test]
    fn a_whole_start_is_told_in_full() {
        let start =
            analyse(&trace(4.0, 10.0, wash), SettledRule::default(), None, None).expect("readings");
        let settled = start.settled.expect("four litres are plenty");
        assert!((settled.value - 6.2).abs() < 0.3, "{settled:?}");
        let extra = start.extra.expect("litres");
        assert!((extra.salt.get() - 22.5).abs() < 1.0, "{extra:?}");
        assert!((start.settle_at.expect("settled") - 0.576).abs() < 0.06, "{:?}", start.settle_at);
        let minutes = start.settle_time.expect("settled").minutes();
        assert!((minutes - 0.576 / FLOW).abs() < 0.5, "{minutes}");
    }

    #[test]
    fn a_start_cut_short_says_not_reached_and_counts_against_the_last_one() {
        let start =
            analyse(&trace(0.5, 10.0, wash), SettledRule::default(), Some(Tds::new(6.2)), None)
                .expect("readings");
        assert_eq!(start.settled, Err(NotReached::CutShort));
        let extra = start.extra.expect("an earlier level is known");
        assert!(extra.so_far);
        let truth = 90.0 * 0.25 * (1.0 - (-0.5f64 / 0.25).exp());
        assert!((extra.salt.get() - truth).abs() < 0.1 * truth, "{extra:?} {truth}");
    }

    #[test]
    fn standing_water_in_the_tube_counts_in_full() {
        let tube = 0.1;
        let curve = |v: f64| if v < tube { wash(0.0) } else { wash(v - tube) };
        let start =
            analyse(&trace(4.0, 5.0, curve), SettledRule::default(), None, None).expect("readings");
        let extra = start.extra.expect("litres").salt.get();
        assert!((extra - (22.5 + 9.0)).abs() < 1.5, "{extra}");
    }

    #[test]
    fn sparse_and_lost_readings_still_give_the_level() {
        let mut sparse = Trace::new(Axis::Litres, Display::nearest(1.0));
        for (index, reading) in trace(5.0, 15.0, wash).readings.iter().enumerate() {
            if index % 3 != 1 {
                sparse.push(
                    Litres::new(reading.x),
                    Span::from_secs_f64(60.0 * reading.minutes),
                    Tds::new(reading.y),
                );
            }
        }
        let start = analyse(&sparse, SettledRule::default(), None, None).expect("readings");
        let settled = start.settled.expect("five litres").value;
        assert!((settled - 6.2).abs() < 0.35, "{settled} {:?}", start.fit);
    }

    #[test]
    fn a_reading_that_drifts_on_is_not_settled() {
        let start = analyse(
            &trace(4.0, 10.0, |v| wash(v) - 1.2 * v + 8.0),
            SettledRule::default(),
            None,
            None,
        )
        .expect("readings");
        assert!(start.settled.is_err(), "{start:?}");
    }

    #[test]
    fn without_a_flow_the_axis_is_minutes_and_there_is_no_salt() {
        let mut timed = Trace::new(Axis::Minutes, Display::nearest(1.0));
        for reading in trace(5.0, 10.0, wash).readings {
            timed.push(
                Litres::new(0.0),
                Span::from_secs_f64(60.0 * reading.minutes),
                Tds::new(reading.y),
            );
        }
        let start = analyse(&timed, SettledRule::default(), None, None).expect("readings");
        assert!((start.settled.expect("33 minutes").value - 6.2).abs() < 0.3);
        assert_eq!(start.extra, None);
        assert!(start.settle_at.is_some());
    }

    #[test]
    fn a_bubble_and_a_spike_do_not_move_the_peak() {
        let mut bubbly = Trace::new(Axis::Litres, Display::nearest(1.0));
        for (index, reading) in trace(4.0, 10.0, wash).readings.iter().enumerate() {
            let y = match index {
                2 => 0.0,
                30 => 900.0,
                _ => reading.y,
            };
            bubbly.push(
                Litres::new(reading.x),
                Span::from_secs_f64(60.0 * reading.minutes),
                Tds::new(y),
            );
        }
        let start = analyse(&bubbly, SettledRule::default(), None, None).expect("readings");
        assert!(start.peak.get() < 100.0, "{:?}", start.peak);
        assert!((start.settled.expect("settled").value - 6.2).abs() < 0.3);
    }

    #[test]
    fn the_trace_is_bounded_and_ignores_what_comes_late() {
        let mut long = trace(40.0, 2.0, wash);
        assert!(long.len() <= READINGS_MAX);
        let before = long.len();
        long.push(Litres::new(0.2), Span::from_secs(80), Tds::new(500.0));
        assert_eq!(long.len(), before);
    }
}
