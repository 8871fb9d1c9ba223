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
use crate::engine::fit::informed::{self, Belief, Cell, Fitted, Known};
use crate::engine::fit::washout::Washout;
use crate::engine::time::Span;
use crate::units::{Litres, Milligrams, Tds};
use serde::{Deserialize, Serialize};

/// Most readings of one run; beyond it every second reading of the later half goes.
const READINGS_MAX: usize = 600;
/// Readings that a start needs to be more than a few numbers.
const READINGS_MIN: usize = 10;
/// Readings that a tail needs before its halves are compared.
const TAIL_READINGS_MIN: usize = 8;
/// Readings of one place are put together: a place is this share of the way.
const CELL_SHARE: f64 = 0.04;
/// Flow below this share of the run's own is throttled by a float or a closing valve: the salt that
/// passes does not fall with it, so such readings say nothing about the membrane.
const THROTTLED: f64 = 0.7;
/// A float closes bit by bit, and the flow beside a reading is a mean of the time before it. So where a
/// run ends below this share of its own flow, what was read from then on is the float's, and what was
/// read shortly before as well.
const CLOSING: f64 = 0.9;
/// That long before: what a flow looks back.
const CLOSING_LAG: Span = Span::from_secs(90);
/// Readings in a row that show it: one is chance.
const CLOSING_READINGS: usize = 3;
/// What the curve says of the membrane's own passage holds between these (a flow or a feed that
/// moves by more was not measured rightly).
const PASSAGE_RANGE: (f64, f64) = (0.5, 2.0);
/// Readings at the end whose middle is the condition to which the settled value belongs.
const END_READINGS: usize = 20;
/// What a settled value is good to at best, as a share of it and of the step: the membrane's passage
/// follows pressure and temperature only that closely (virtual plants, 2026-11-27).
const SETTLED_U: (f64, f64) = (0.02, 0.1);

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
    /// What passes the membrane here, on any scale; 0: not known.
    #[serde(default)]
    passing: f64,
    /// Permeate flow, L/min; 0: not known.
    #[serde(default)]
    flow: f64,
    /// Which conditions were known.
    #[serde(default)]
    kind: Kind,
}

/// Which of the conditions were known: passages compare only where these agree.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kind {
    /// Feed.
    pub feed: bool,
    /// Permeate flow.
    pub flow: bool,
    /// Temperature.
    pub celsius: bool,
}

/// What the plant was like when a reading was taken.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Conditions {
    /// Feed, ppm.
    pub feed: Option<f64>,
    /// Permeate flow, L/min.
    pub flow: Option<f64>,
    /// Water at the membrane, C.
    pub celsius: Option<f64>,
}

/// Arrhenius constant of the membrane's salt permeability, K (reference sheet 3.4: 2640 to 3480 for
/// the water, somewhat more for the salt; judgement).
const SALT_KELVIN: f64 = 3900.0;

impl Conditions {
    /// What the membrane lets through under them, on a scale of its own: `feed B(T)/flow` (reference
    /// sheet 2.5, small passage). What is not known counts as steady.
    pub fn passing(&self) -> f64 {
        let known = self.usable();
        let warm = |t: f64| (SALT_KELVIN * (1.0 / 298.15 - 1.0 / (t + 273.15))).exp();
        known.feed.unwrap_or(1.0) * known.celsius.map_or(1.0, warm) / known.flow.unwrap_or(1.0)
    }

    fn usable(&self) -> Self {
        Self {
            feed: self.feed.filter(|feed| *feed > 0.0),
            flow: self.flow.filter(|flow| *flow > 0.0),
            celsius: self.celsius.filter(|t| (0.0..=50.0).contains(t)),
        }
    }

    fn kind(&self) -> Kind {
        let known = self.usable();
        Kind {
            feed: known.feed.is_some(),
            flow: known.flow.is_some(),
            celsius: known.celsius.is_some(),
        }
    }
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

/// Salt that a start carried beyond the settled value.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Extra {
    /// mg on the meter's scale.
    pub salt: Milligrams,
    /// Standard uncertainty from the fit; the gain of probe and meter is not in it.
    pub u: Milligrams,
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
    /// What the curve says of the membrane, settled or not, for later starts.
    pub fitted: Option<Passage>,
    /// Which conditions were known.
    pub kind: Kind,
}

/// What a start teaches about the membrane and its permeate side.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Passage {
    /// Settled value over [`Conditions::passing`] at the end, as a logarithm.
    pub passage: Belief,
    /// Fast constant, its ratio to the slow one, and that of the heights, as logarithms.
    pub shape: [Belief; 3],
    /// Scatter of single readings, ppm.
    pub sigma: f64,
    /// The settled value stood against what was known.
    pub surprised: bool,
    /// The readings tell the shape: they begin early and fall far.
    pub tells_shape: bool,
}

impl Trace {
    /// An empty trace of a probe with this display.
    pub fn new(axis: Axis, display: Display) -> Self {
        Self { axis, display, readings: Vec::new() }
    }

    /// Adds a reading. What does not lie later than the last one (late or doubled messages) is left
    /// out.
    pub fn push(&mut self, permeate: Litres, elapsed: Span, reading: Tds, conditions: Conditions) {
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
        self.readings.push(Reading {
            x,
            minutes,
            y: reading.get(),
            passing: conditions.passing(),
            flow: conditions.flow.unwrap_or(0.0),
            kind: conditions.kind(),
        });
    }

    /// The newest reading: minutes since water began to flow, and ppm.
    pub fn newest(&self) -> Option<(f64, f64)> {
        self.readings.last().map(|reading| (reading.minutes, reading.y))
    }

    /// Readings held.
    pub fn len(&self) -> usize {
        self.readings.len()
    }

    /// Which conditions are known by now.
    pub fn kind(&self) -> Kind {
        self.readings.last().map(|last| last.kind).unwrap_or_default()
    }

    /// True before the first reading.
    pub fn is_empty(&self) -> bool {
        self.readings.is_empty()
    }
}

/// Analyses a run, finished or not. `known` is what earlier starts taught, its settled value as a
/// logarithm over [`Conditions::passing`]; `ceiling` is the feed, which first water cannot exceed by
/// much: an extrapolation to the very first drop stops there. `None` without readings.
pub fn analyse(
    trace: &Trace,
    rule: SettledRule,
    known: &Known,
    ceiling: Option<Tds>,
) -> Option<Start> {
    let step = trace.display.least();
    let all = without_spikes(&trace.readings);
    let readings = unthrottled(&all);
    let last = readings.last()?;
    let end = last.x;
    let from = peak_index(&readings, step);
    let peak = readings[from].y;
    let ends = ends(&readings);
    let cells = cells(&readings[from..], ends);
    let passing = ends.passing;
    let known_here = Known {
        settled: known.settled.map(|b| Belief { mean: b.mean + passing.ln(), sd: b.sd }),
        ..*known
    };
    let enough = readings.len() >= READINGS_MIN;
    let fitted = informed::fit(&cells, &known_here, trace.display).filter(|_| enough);
    let over = match trace.axis {
        Axis::Litres => rule.over.get(),
        Axis::Minutes => rule.over_time.minutes(),
    };
    let settled = match &fitted {
        Some(fitted) => {
            let rule = (rule.slope.get(), over);
            settled(fitted, &readings[from..], ends, rule, trace.display)
        }
        None => Err(NotReached::TooFewReadings),
    };
    let cap = ceiling.map_or(f64::INFINITY, |feed| 1.1 * feed.get());
    let settle_at = fitted.as_ref().filter(|_| settled.is_ok()).and_then(|fitted| {
        let height = fitted.left(0.0).0.min((cap - fitted.settled()).max(peak - fitted.settled()));
        fitted.curve(end).within((2.0 * step).max(0.1 * height))
    });
    let settle_time = settle_at.map(|x| Span::from_secs_f64(60.0 * minutes_at(&all, x)));
    let extra = match (trace.axis, &fitted) {
        (Axis::Litres, Some(fitted)) => {
            Some(extra(fitted, &readings, from, (settled.is_err(), end), cap))
        }
        _ => None,
    };
    let fit = match &fitted {
        Some(fitted) => judged(fitted, &cells, readings[from].x, end, step),
        None => Err(NoFit::TooFewPoints),
    };
    let tells_shape = fit.is_ok()
        && readings[from].x < 0.5 * fit.as_ref().map_or(0.0, |c| c.first.constant) + 0.1 * over;
    let teaches = |fitted: &Fitted| {
        let belief =
            |i: usize| Belief { mean: fitted.ln[i], sd: fitted.covariance[i][i].max(0.0).sqrt() };
        let of_settled = belief(0);
        Passage {
            passage: Belief { mean: of_settled.mean - passing.ln(), ..of_settled },
            shape: [belief(2), belief(3), belief(4)],
            sigma: fitted.sigma,
            surprised: fitted.surprised,
            tells_shape,
        }
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
        fitted: fitted.as_ref().map(teaches),
        kind: ends.kind,
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

/// Drops what was read while a float or a valve throttled the plant.
fn unthrottled(readings: &[Reading]) -> Vec<Reading> {
    let mut flows: Vec<f64> = readings.iter().map(|r| r.flow).filter(|flow| *flow > 0.0).collect();
    flows.sort_by(f64::total_cmp);
    // The upper quartile: the run's own flow, whatever a float did at its end.
    let Some(&own) = flows.get(flows.len().saturating_sub(1) * 3 / 4) else {
        return readings.to_vec();
    };
    let closing = readings.iter().rev().take_while(|r| r.flow < CLOSING * own);
    let known = closing.clone().filter(|r| r.flow > 0.0).count();
    let closing = readings.len() - closing.count();
    let readings = match readings.get(closing).filter(|_| known >= CLOSING_READINGS) {
        Some(first) => {
            let from = first.minutes - CLOSING_LAG.minutes();
            let end = readings.iter().position(|r| r.minutes >= from).unwrap_or(closing);
            // What throttles from the first reading on is the run's own flow, not its end.
            if end > 0 { &readings[..end] } else { readings }
        }
        None => readings,
    };
    // A meter that has not spoken yet is no closing float: what comes first always counts.
    let spoke = readings.iter().position(|r| r.flow >= THROTTLED * own).unwrap_or(0);
    let kept =
        |(at, r): &(usize, &Reading)| *at <= spoke || r.flow <= 0.0 || r.flow >= THROTTLED * own;
    readings.iter().enumerate().filter(kept).map(|(_, r)| *r).collect()
}

/// Where the fall begins: the last reading of the plateau or rise in front of it. A peak in the later
/// part of the run is none of the first water.
fn peak_index(readings: &[Reading], step: f64) -> usize {
    let peak = readings.iter().map(|r| r.y).fold(f64::MIN, f64::max);
    let near = peak - step.max(0.03 * peak);
    let Some(first) = readings.iter().position(|r| r.y >= peak) else { return 0 };
    let at = (first..readings.len()).take_while(|&i| readings[i].y >= near).last().unwrap_or(first);
    let end = readings.last().map_or(0.0, |last| last.x);
    if readings[at].x > 0.3 * end { 0 } else { at }
}

/// Conditions to which the settled value belongs: those at the end.
#[derive(Clone, Copy, Debug)]
struct Ends {
    passing: f64,
    kind: Kind,
}

impl Ends {
    /// What the membrane lets through at a reading, over what it lets through at the end. Readings
    /// from before a condition was known count as taken under the last ones.
    fn shape(&self, reading: &Reading) -> f64 {
        let share = reading.passing / self.passing;
        if reading.kind == self.kind && share.is_finite() && share > 0.0 {
            share.clamp(PASSAGE_RANGE.0, PASSAGE_RANGE.1)
        } else {
            1.0
        }
    }
}

/// What passes the membrane at the end of the trace.
fn ends(readings: &[Reading]) -> Ends {
    let kind = readings.last().map(|last| last.kind).unwrap_or_default();
    let mut last: Vec<f64> = readings
        .iter()
        .rev()
        .take(END_READINGS)
        .filter(|r| r.kind == kind && r.passing > 0.0 && r.passing.is_finite())
        .map(|r| r.passing)
        .collect();
    last.sort_by(f64::total_cmp);
    Ends { passing: last.get(last.len() / 2).copied().unwrap_or(1.0), kind }
}

/// Readings of about the same place, sorted by what they show.
fn cells(readings: &[Reading], ends: Ends) -> Vec<Cell> {
    let mut cells = Vec::new();
    let mut shown: Vec<f64> = Vec::new();
    let mut rest = readings;
    while let Some(first) = rest.first() {
        let count = rest.iter().take_while(|r| r.x <= (1.0 + CELL_SHARE) * first.x).count();
        let (here, later) = rest.split_at(count.max(1));
        rest = later;
        let n = here.len() as f64;
        let x = here.iter().map(|r| r.x).sum::<f64>() / n;
        let shape = here.iter().map(|r| ends.shape(r)).sum::<f64>() / n;
        shown.clear();
        shown.extend(here.iter().map(|r| r.y));
        shown.sort_by(f64::total_cmp);
        for alike in shown.chunk_by(|a, b| a == b) {
            cells.push(Cell { x, shape, shown: alike[0], count: alike.len() as f64 });
        }
    }
    cells
}

/// Whether the membrane's own level is reached, and which it is.
fn settled(
    fitted: &Fitted,
    readings: &[Reading],
    ends: Ends,
    (slope, over): (f64, f64),
    display: Display,
) -> Result<Level, NotReached> {
    let first = fitted.first();
    let end = readings.last().map_or(0.0, |last| last.x);
    if end < 0.5 * over || end < 3.0 * first.constant {
        return Err(NotReached::CutShort);
    }
    let (left, left_u) = fitted.left(end);
    let ahead = fitted.left(end + over).0;
    if left - ahead + left_u > slope {
        return Err(NotReached::StillMoving);
    }
    let value = fitted.settled();
    let u = fitted.settled_u().hypot(left_u).hypot(SETTLED_U.0 * value);
    let u = u.hypot(SETTLED_U.1 * display.step);
    if u > (0.5 * display.least()).max(0.08 * value) {
        return Err(NotReached::TooFewReadings);
    }
    // What the curve calls level must be level in the readings too.
    let small = (0.5 * slope).max(left);
    let tail: Vec<&Reading> = readings.iter().filter(|r| fitted.left(r.x).0 <= small).collect();
    if drifts(fitted, &tail, ends, slope / over, display) {
        return Err(NotReached::StillMoving);
    }
    Ok(Level { value, u, sigma: fitted.sigma, count: tail.len() })
}

/// Whether the halves of a tail stand off the curve by more than the slope allows, and by more than
/// chance and display step do.
fn drifts(fitted: &Fitted, tail: &[&Reading], ends: Ends, slope: f64, display: Display) -> bool {
    if tail.len() < TAIL_READINGS_MIN {
        return false;
    }
    let half = |part: &[&Reading]| {
        let shown: Vec<f64> = part.iter().map(|r| r.y).collect();
        let n = part.len() as f64;
        let x = part.iter().map(|r| r.x).sum::<f64>() / n;
        let curve =
            part.iter().map(|r| fitted.settled() * ends.shape(r) + fitted.left(r.x).0).sum::<f64>()
                / n;
        level(&shown, display).map(|level| (x, level.value - curve, level.u))
    };
    let (early, late) = tail.split_at(tail.len() / 2);
    let (Some(early), Some(late)) = (half(early), half(late)) else { return false };
    let moved = (late.1 - early.1).abs();
    moved > slope * (late.0 - early.0)
        && moved > 2.0 * early.2.hypot(late.2).max(0.2 * display.step)
}

/// The curve with its goodness, by the guards of the reference sheet (4.2).
fn judged(
    fitted: &Fitted,
    cells: &[Cell],
    begins: f64,
    end: f64,
    step: f64,
) -> Result<Washout, NoFit> {
    let curve = fitted.curve(end);
    let base = fitted.settled();
    let (mut count, mut sum) = (0.0, 0.0);
    let mut far = Vec::with_capacity(cells.len());
    for cell in cells {
        let excess = fitted.left(cell.x).0;
        let off = cell.shown - base * cell.shape - excess;
        // Wild readings count as little here as in the fit.
        let spread = fitted.sigma.hypot(step).hypot(0.05 * excess);
        if off.abs() <= 4.0 * spread {
            far.push((cell.count, cell.shown, off));
            count += cell.count;
            sum += cell.count * cell.shown;
        }
    }
    if count < READINGS_MIN as f64 {
        return Err(NoFit::TooFewPoints);
    }
    let mean = sum / count;
    let rss: f64 = far.iter().map(|(n, _, off)| n * off * off).sum();
    let total: f64 = far.iter().map(|(n, y, _)| n * (y - mean).powi(2)).sum();
    let height = fitted.left(begins).0;
    if height < 3.0 * step {
        return Err(NoFit::NoChange);
    }
    if end - begins < 3.0 * curve.first.constant {
        return Err(NoFit::CutShort);
    }
    let rmse = (rss / count).sqrt();
    if rmse > step.max(0.1 * height) {
        return Err(NoFit::Rough);
    }
    let r2 = if total > 0.0 { 1.0 - rss / total } else { 0.0 };
    if r2 <= 0.9 && height > 10.0 * step {
        return Err(NoFit::Poor);
    }
    Ok(Washout { rmse, r2, ..curve })
}

/// Salt beyond the membrane's own level. The curve goes back to the first drop unless the readings
/// show that the water in front of the fall stood level (a tube): then what they show counts.
fn extra(
    fitted: &Fitted,
    readings: &[Reading],
    from: usize,
    (so_far, end): (bool, f64),
    cap: f64,
) -> Extra {
    let curve = fitted.curve(end);
    let base = fitted.settled();
    let begins = readings[from].x;
    let peak = readings[from].y;
    let stood = from > 0 && readings[..from].iter().all(|r| r.y >= 0.9 * peak);
    let unseen = curve.excess(0.0, begins);
    let before = if stood {
        (peak - base).max(0.0) * begins
    } else {
        unseen.min((cap - base).max(peak - base).max(0.0) * begins)
    };
    let to = if so_far { end } else { f64::INFINITY };
    let falling = curve.excess(begins, to);
    // Height and constant of the fast term are not known apart: their product is what counts.
    let c = &fitted.covariance;
    let share = (c[1][1] + c[2][2] + 2.0 * c[1][2]).max(0.0).sqrt();
    let u = (falling * share).hypot(0.3 * before).hypot(0.1 * falling);
    Extra { salt: Milligrams::new((before + falling).max(0.0)), u: Milligrams::new(u), so_far }
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
                Conditions::default(),
            );
            secs += every_secs;
        }
        trace
    }

    fn usual() -> Known {
        Known::usual(1.0, 1.0)
    }

    fn wash(v: f64) -> f64 {
        6.2 + 90.0 * (-v / 0.25).exp()
    }

    #[test]
    fn a_whole_start_is_told_in_full() {
        let start = analyse(&trace(4.0, 10.0, wash), SettledRule::default(), &usual(), None)
            .expect("readings");
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
        let known = Known { settled: Some(Belief::about(6.2, 0.05)), ..Known::usual(1.0, 1.0) };
        let start = analyse(&trace(0.5, 10.0, wash), SettledRule::default(), &known, None)
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
        let start = analyse(&trace(4.0, 5.0, curve), SettledRule::default(), &usual(), None)
            .expect("readings");
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
                    Conditions::default(),
                );
            }
        }
        let start = analyse(&sparse, SettledRule::default(), &usual(), None).expect("readings");
        let settled = start.settled.expect("five litres").value;
        assert!((settled - 6.2).abs() < 0.35, "{settled} {:?}", start.fit);
    }

    #[test]
    fn a_reading_that_drifts_on_is_not_settled() {
        let start = analyse(
            &trace(4.0, 10.0, |v| wash(v) - 1.2 * v + 8.0),
            SettledRule::default(),
            &usual(),
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
                Conditions::default(),
            );
        }
        let start = analyse(&timed, SettledRule::default(), &Known::usual(1.0 / FLOW, 1.0), None)
            .expect("readings");
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
                Conditions::default(),
            );
        }
        let start = analyse(&bubbly, SettledRule::default(), &usual(), None).expect("readings");
        assert!(start.peak.get() < 100.0, "{:?}", start.peak);
        assert!((start.settled.expect("settled").value - 6.2).abs() < 0.3);
    }

    /// Forty minutes of full flow, then a float closes bit by bit, and the same salt comes in less and
    /// less water. The flow beside a reading is that of the last minute and a half.
    #[test]
    fn a_float_that_closes_bit_by_bit_does_not_move_the_settled_value() {
        let share = |minutes: f64| (1.0 - (minutes - 40.0).max(0.0) / 25.0).max(0.25);
        let mut trace = Trace::new(Axis::Litres, Display::nearest(1.0));
        let (mut litres, mut secs) = (0.0, 0.0);
        while secs < 60.0 * 65.0 {
            secs += 11.0;
            let minutes = secs / 60.0;
            litres += FLOW * share(minutes) * 11.0 / 60.0;
            let shown = 10.0 / share(minutes) + 90.0 * (-litres / 0.25).exp();
            let flow = FLOW * share(minutes - 0.75);
            let conditions = Conditions { flow: Some(flow), ..Conditions::default() };
            let (at, ppm) = (Span::from_secs_f64(secs), Tds::new(shown.round()));
            trace.push(Litres::new(litres), at, ppm, conditions);
        }
        let start = analyse(&trace, SettledRule::default(), &usual(), None).expect("readings");
        let settled = start.settled.expect("forty minutes").value;
        assert!((settled - 10.0).abs() < 0.4, "{settled}");
    }

    #[test]
    fn the_trace_is_bounded_and_ignores_what_comes_late() {
        let mut long = trace(40.0, 2.0, wash);
        assert!(long.len() <= READINGS_MAX);
        let before = long.len();
        long.push(Litres::new(0.2), Span::from_secs(80), Tds::new(500.0), Conditions::default());
        assert_eq!(long.len(), before);
    }
}
