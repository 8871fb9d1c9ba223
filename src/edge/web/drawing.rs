//! The plots of the page: small drawings in SVG, made here, without script and without colour.
//!
//! Invariants: every axis of amounts begins at zero or says where it begins; a gap in the data is a
//! gap in the line; marks tell series apart by form and by their name beside them; all text is
//! escaped.

use super::page::{Clock, esc};
use super::units::{self, Look};
use super::words;
use crate::engine::catalogue::{Of, SignalId};
use crate::engine::output::ValueKey;
use crate::engine::plots::Plots;
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use std::fmt::Write as _;

/// The sheet, and the field in it.
const WIDTH: f64 = 360.0;
const HEIGHT: f64 = 150.0;
const LEFT: f64 = 40.0;
const RIGHT: f64 = 14.0;
const TOP: f64 = 12.0;
const BOTTOM: f64 = 22.0;
const DAY_SECS: f64 = 86_400.0;

/// What stands for a point.
#[derive(Clone, Copy, PartialEq)]
enum Mark {
    /// A line through all points; a second one is dashed.
    Line,
    /// A dot for each.
    Dots,
    /// A stem from zero for each.
    Stems,
}

struct Series {
    name: String,
    mark: Mark,
    /// Place, value, standard uncertainty.
    points: Vec<(f64, f64, f64)>,
    /// A distance in x above which two neighbours are not joined.
    gap: f64,
}

struct Drawing<'a> {
    title: String,
    unit: &'a str,
    series: Vec<Series>,
    /// A level with its name.
    rule: Option<(f64, String)>,
    /// Zero belongs to the axis.
    from_zero: bool,
    /// What the ends of the x axis are called.
    ends: (String, String),
    /// What is said under it.
    note: String,
}

/// All plots of one plant; nothing when there is nothing to draw.
pub(super) fn render(out: &mut String, setup: &Setup, plots: &Plots, clock: &Clock<'_>) {
    let drawings: Vec<Drawing<'_>> = [
        curve(plots, clock),
        settled(plots, clock),
        extra(plots, clock),
        resin(setup, plots, clock),
    ]
    .into_iter()
    .flatten()
    .chain(wear(setup, plots, clock))
    .collect();
    if drawings.is_empty() {
        return;
    }
    out.push_str("<section class=\"plots\"><h2>Over time</h2>");
    for drawing in drawings {
        drawing.render(out);
    }
    out.push_str("</section>");
}

/// First water of the start that runs or ran last.
fn curve<'a>(plots: &Plots, clock: &Clock<'_>) -> Option<Drawing<'a>> {
    let began = plots.curve.began?;
    let points: Vec<_> =
        plots.curve.points.iter().map(|(secs, ppm)| (*secs / 60.0, *ppm, 0.0)).collect();
    let (end, _, _) = *points.last().filter(|_| points.len() >= 3)?;
    let peak = points.iter().map(|point| point.1).fold(0.0, f64::max);
    let record = plots.starts.back().filter(|start| start.began.since(began).secs().abs() < 120.0);
    let rule = record
        .and_then(|start| start.settled)
        .map(|level| (level, format!("settled {}", ppm(level))));
    let note = match record {
        None => format!("Began {}; highest so far {}.", clock.time(began), ppm(peak)),
        Some(start) if start.settled.is_none() => {
            format!(
                "Began {}; highest {}; it ended before it had settled.",
                clock.time(began),
                ppm(peak)
            )
        }
        Some(_) => format!("Began {}; highest {}.", clock.time(began), ppm(peak)),
    };
    Some(Drawing {
        title: "First water of the last start".into(),
        unit: "ppm in the permeate",
        series: vec![Series { name: String::new(), mark: Mark::Line, points, gap: f64::INFINITY }],
        rule,
        from_zero: true,
        ends: ("0 min".into(), format!("{end:.0} min")),
        note,
    })
}

fn ppm(value: f64) -> String {
    units::show(units::of_kind(crate::engine::catalogue::Kind::Solids), value, None).0
}

fn day_of(wall: Wall) -> f64 {
    wall.millis() as f64 / 1000.0 / DAY_SECS
}

fn wall_of(days: f64) -> Wall {
    Wall::from_millis((days * DAY_SECS * 1000.0) as i64)
}

fn date(clock: &Clock<'_>, days: f64) -> String {
    clock.time(wall_of(days))
}

fn of_starts<'a>(
    clock: &Clock<'_>,
    title: &str,
    unit: &'a str,
    mark: Mark,
    points: Vec<(f64, f64, f64)>,
    note: String,
) -> Option<Drawing<'a>> {
    let (first, last) = (points.first()?.0, points.last()?.0);
    if points.len() < 2 {
        return None;
    }
    Some(Drawing {
        title: title.into(),
        unit,
        series: vec![Series { name: String::new(), mark, points, gap: f64::INFINITY }],
        rule: None,
        from_zero: true,
        ends: (date(clock, first), date(clock, last)),
        note,
    })
}

/// Where the starts settled.
fn settled<'a>(plots: &Plots, clock: &Clock<'_>) -> Option<Drawing<'a>> {
    let points: Vec<_> = plots
        .starts
        .iter()
        .filter_map(|start| {
            Some((day_of(start.began), start.settled?, start.settled_u.unwrap_or(0.0)))
        })
        .collect();
    let without = plots.starts.len() - points.len();
    let note = match without {
        0 => format!("{} starts.", points.len()),
        one => format!("{} starts; {one} more ended before they had settled.", points.len()),
    };
    of_starts(clock, "Where the starts settled", "ppm in the permeate", Mark::Dots, points, note)
}

/// What the first water of the starts carried.
fn extra<'a>(plots: &Plots, clock: &Clock<'_>) -> Option<Drawing<'a>> {
    let points: Vec<_> = plots
        .starts
        .iter()
        .filter_map(|start| Some((day_of(start.began), start.extra?, 0.0)))
        .collect();
    let total: f64 = points.iter().map(|point| point.1).sum();
    let note = format!("{} starts, {total:.0} mg in all.", points.len());
    of_starts(
        clock,
        "Extra salt of the starts",
        "mg beyond the settled value",
        Mark::Stems,
        points,
        note,
    )
}

/// What each vessel has used of what it is thought to hold.
fn resin<'a>(setup: &Setup, plots: &Plots, clock: &Clock<'_>) -> Option<Drawing<'a>> {
    let mut series = Vec::new();
    for daily in plots.days.iter().filter(|daily| daily.key.signal == SignalId::ResinUsed) {
        let capacity = plots.daily(ValueKey { signal: SignalId::ResinCapacity, ..daily.key });
        let Some(capacity) = capacity else { continue };
        // The capacity of the same day, or the last one before it.
        let points: Vec<_> = daily
            .points
            .iter()
            .filter_map(|&(day, used)| {
                let held = capacity.points.iter().rev().find(|(at, _)| *at <= day)?.1;
                (held > 0.0).then(|| (day as f64, 100.0 * used / held, 0.0))
            })
            .collect();
        series.push(Series { name: owner(setup, daily.key), mark: Mark::Line, points, gap: 15.0 });
    }
    over_days(clock, "Resin used", "% of what it is thought to hold", series, true)
}

/// What wears, one drawing each.
fn wear<'a>(setup: &Setup, plots: &Plots, clock: &Clock<'_>) -> Vec<Drawing<'a>> {
    let rows = [
        (SignalId::Rejection, "Rejection", "% of the feed's solids kept back"),
        (SignalId::PermeateFlowNormalised, "Permeate flow, normalised", "L/min at 25 °C"),
        (SignalId::SaltPassageNormalised, "Salt passage, normalised", "% at 25 °C"),
        (SignalId::PrefilterRatio, "Resistance before the membrane", "times that of new filters"),
    ];
    let drawn = rows.into_iter().filter_map(|(signal, title, unit)| {
        let Look::Number { scale, .. } = units::of_kind(signal.row().kind) else { return None };
        let series = plots
            .days
            .iter()
            .filter(|daily| daily.key.signal == signal)
            .map(|daily| Series {
                name: owner(setup, daily.key),
                mark: Mark::Line,
                points: daily.points.iter().map(|&(day, v)| (day as f64, v * scale, 0.0)).collect(),
                gap: 15.0,
            })
            .collect();
        over_days(clock, title, unit, series, false)
    });
    drawn.collect()
}

fn owner(setup: &Setup, key: ValueKey) -> String {
    match (key.signal.row().of, key.of) {
        (Of::Part, Some(ix)) => {
            setup.parts.get(usize::from(ix)).map(|part| words::plain(&part.id)).unwrap_or_default()
        }
        _ => String::new(),
    }
}

fn over_days<'a>(
    clock: &Clock<'_>,
    title: &str,
    unit: &'a str,
    mut series: Vec<Series>,
    from_zero: bool,
) -> Option<Drawing<'a>> {
    series.retain(|one| one.points.len() >= 2);
    let all = || series.iter().flat_map(|one| &one.points).map(|point| point.0);
    let (first, last) = (all().fold(f64::INFINITY, f64::min), all().fold(0.0, f64::max));
    (!series.is_empty()).then(|| Drawing {
        title: title.into(),
        unit,
        rule: None,
        from_zero,
        // Noon, so that a point's day is the same one in every zone near.
        ends: (date_only(clock, first + 0.5), date_only(clock, last + 0.5)),
        note: String::new(),
        series,
    })
}

fn date_only(clock: &Clock<'_>, days: f64) -> String {
    clock.day(wall_of(days))
}

/// A step of 1, 2 or 5 times a power of ten that cuts the span into at most four.
fn step(span: f64) -> f64 {
    let rough = span / 4.0;
    let power = 10f64.powf(rough.log10().floor());
    let ratio = rough / power;
    let nice = if ratio <= 1.0 {
        1.0
    } else if ratio <= 2.0 {
        2.0
    } else if ratio <= 5.0 {
        5.0
    } else {
        10.0
    };
    nice * power
}

/// The ends of the y axis and the distance of its ticks.
fn axis(low: f64, high: f64, from_zero: bool) -> (f64, f64, f64) {
    let low = if from_zero { low.min(0.0) } else { low };
    // Something to look at even when nothing moves.
    let span = (high - low).max(0.02 * high.abs()).max(1e-6);
    let step = step(span);
    let bottom = (low / step).floor() * step;
    let top = ((low + span) / step - 1e-9).ceil() * step;
    (bottom, top.max(bottom + step), step)
}

impl Drawing<'_> {
    fn render(&self, out: &mut String) {
        let all = || self.series.iter().flat_map(|one| &one.points);
        let (mut x0, mut x1) = (f64::INFINITY, f64::NEG_INFINITY);
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for &(x, y, u) in all() {
            (x0, x1) = (x0.min(x), x1.max(x));
            (low, high) = (low.min(y - u), high.max(y + u));
        }
        if let Some((level, _)) = self.rule {
            (low, high) = (low.min(level), high.max(level));
        }
        if !(x0.is_finite() && low.is_finite() && high.is_finite()) {
            return;
        }
        let (bottom, top, step) = axis(low, high, self.from_zero);
        let width = (x1 - x0).max(1e-9);
        let px = |x: f64| LEFT + (x - x0) / width * (WIDTH - LEFT - RIGHT);
        let py = |y: f64| TOP + (top - y) / (top - bottom) * (HEIGHT - TOP - BOTTOM);
        let _ = write!(
            out,
            "<figure><figcaption>{} <small>{}</small></figcaption>\
             <svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-label=\"{}\">",
            esc(&self.title),
            esc(self.unit),
            esc(&format!("{}, {}. {}", self.title, self.unit, self.note)),
        );
        let places = usize::try_from((-step.log10().floor()).max(0.0) as i64).unwrap_or(0);
        let ticks = ((top - bottom) / step).round() as i64;
        for tick in 0..=ticks {
            let y = bottom + tick as f64 * step;
            let _ = write!(
                out,
                "<path class=\"tick\" d=\"M{LEFT} {1:.1}H{2}\"/>\
                 <text class=\"y\" x=\"{3}\" y=\"{4:.1}\">{0:.places$}</text>",
                y,
                py(y),
                WIDTH - RIGHT,
                LEFT - 6.0,
                py(y) + 3.5
            );
        }
        if let Some((level, name)) = &self.rule {
            let _ = write!(
                out,
                "<path class=\"rule\" d=\"M{LEFT} {0:.1}H{1}\"/>\
                 <text class=\"end\" x=\"{1}\" y=\"{2:.1}\">{3}</text>",
                py(*level),
                WIDTH - RIGHT,
                (py(*level) + 12.0).min(HEIGHT - BOTTOM - 2.0),
                esc(name)
            );
        }
        for (index, one) in self.series.iter().enumerate() {
            one.draw(out, index, px, py);
        }
        let _ = write!(
            out,
            "<text x=\"{LEFT}\" y=\"{0}\">{1}</text><text class=\"end\" x=\"{2}\" y=\"{0}\">{3}</text></svg>",
            HEIGHT - 6.0,
            esc(&self.ends.0),
            WIDTH - RIGHT,
            esc(&self.ends.1)
        );
        if !self.note.is_empty() {
            let _ = write!(out, "<p>{}</p>", esc(&self.note));
        }
        out.push_str("</figure>");
    }
}

impl Series {
    fn draw(
        &self,
        out: &mut String,
        index: usize,
        px: impl Fn(f64) -> f64,
        py: impl Fn(f64) -> f64,
    ) {
        match self.mark {
            Mark::Line => {
                let mut path = String::new();
                let mut before: Option<f64> = None;
                for &(x, y, _) in &self.points {
                    let joined = before.is_some_and(|before| x - before <= self.gap);
                    let command = if joined { 'L' } else { 'M' };
                    let _ = write!(path, "{command}{:.1} {:.1}", px(x), py(y));
                    before = Some(x);
                }
                let dashed = if index % 2 == 1 { " dashed" } else { "" };
                let _ = write!(out, "<path class=\"line{dashed}\" d=\"{path}\"/>");
            }
            Mark::Dots => {
                for &(x, y, u) in &self.points {
                    if u > 0.0 {
                        let _ = write!(
                            out,
                            "<path class=\"spread\" d=\"M{:.1} {:.1}V{:.1}\"/>",
                            px(x),
                            py(y - u),
                            py(y + u)
                        );
                    }
                    let _ = write!(
                        out,
                        "<circle class=\"dot\" cx=\"{:.1}\" cy=\"{:.1}\" r=\"2.4\"/>",
                        px(x),
                        py(y)
                    );
                }
            }
            Mark::Stems => {
                for &(x, y, _) in &self.points {
                    let _ = write!(
                        out,
                        "<path class=\"stem\" d=\"M{:.1} {:.1}V{:.1}\"/>",
                        px(x),
                        py(0.0),
                        py(y)
                    );
                }
            }
        }
        if let (false, Some(&(x, y, _))) = (self.name.is_empty(), self.points.last()) {
            let _ = write!(
                out,
                "<text class=\"end name\" x=\"{:.1}\" y=\"{:.1}\">{}</text>",
                px(x),
                (py(y) - 4.0).max(TOP + 4.0),
                esc(&self.name)
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_holds_what_is_drawn_in_at_most_five_steps() {
        for (low, high, zero) in [
            (0.0, 104.0, true),
            (96.8, 97.4, false),
            (5.0, 5.0, false),
            (0.0, 0.0, true),
            (-0.3, 2.2, true),
            (1e-9, 2e-9, false),
            (0.9991, 0.9992, false),
            (1234.0, 98_765.0, true),
        ] {
            let (bottom, top, step) = axis(low, high, zero);
            assert!(bottom <= low && top >= high, "{low} to {high}: {bottom} to {top}");
            assert!(top > bottom && (top - bottom) / step <= 6.0, "{bottom} {top} {step}");
            assert!(!zero || (bottom <= 0.0 && low >= 0.0) || bottom < 0.0);
        }
    }
}
