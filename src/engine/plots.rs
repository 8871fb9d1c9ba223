//! What is kept to be drawn: the curve of the last start, the starts, one point a day of what wears.
//!
//! Purpose: a page that shows the last months after a restart too, without reading the journal.
//!
//! Invariants: fed from the engine's own outputs and the readings from which a start is judged, so it
//! says nothing that the record does not; bounded ([`CURVE_MAX`], [`STARTS_MAX`], [`DAYS_MAX`]); nothing reads it to decide.

use super::catalogue::SignalId;
use super::output::{Datum, LogEntry, Output, ValueKey, ValueUpdate};
use super::time::Wall;
use super::value::Flag;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Points of a curve; above, every second one goes and the rest stand twice as far apart.
pub const CURVE_MAX: usize = 240;
/// Starts kept.
pub const STARTS_MAX: usize = 120;
/// Days kept of each series.
pub const DAYS_MAX: usize = 400;

/// The values of which one point a day is kept: the last good one of the (UTC) day.
const DAILY: [SignalId; 6] = [
    SignalId::Rejection,
    SignalId::PermeateFlowNormalised,
    SignalId::SaltPassageNormalised,
    SignalId::PrefilterRatio,
    SignalId::ResinUsed,
    SignalId::ResinCapacity,
];

/// The permeate of one start over time.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// When water began to flow.
    pub began: Option<Wall>,
    /// Seconds since, and dissolved solids (ppm).
    pub points: Vec<(f64, f64)>,
    /// Shortest distance of two points, s.
    every: f64,
}

/// One start.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StartPoint {
    /// When water began to flow.
    pub began: Wall,
    /// First-water peak, ppm.
    pub peak: Option<f64>,
    /// Settled value, ppm; `None`: not reached.
    pub settled: Option<f64>,
    /// Its standard uncertainty, ppm.
    pub settled_u: Option<f64>,
    /// Extra salt, mg.
    pub extra: Option<f64>,
}

/// One value over days.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Daily {
    /// Which.
    pub key: ValueKey,
    /// Days since 1970 (UTC) and value, oldest first.
    pub points: VecDeque<(i64, f64)>,
}

/// All of it.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Plots {
    /// The start that runs or ran last.
    pub curve: Curve,
    /// Starts, oldest first.
    pub starts: VecDeque<StartPoint>,
    /// Values over days.
    pub days: Vec<Daily>,
    /// Counts up with every change; says nothing after a restart.
    #[serde(skip)]
    revision: u64,
}

impl Plots {
    /// Counts up with every change.
    pub fn revision(&self) -> u64 {
        self.revision
    }

    /// The series of a value.
    pub fn daily(&self, key: ValueKey) -> Option<&Daily> {
        self.days.iter().find(|one| one.key == key)
    }

    /// Notes an output.
    pub(super) fn note(&mut self, output: &Output) {
        match output {
            Output::Value(update) => self.value(update),
            Output::Log(entry) if entry.kind == "start-record" => self.start(entry),
            _ => {}
        }
    }

    fn value(&mut self, update: &ValueUpdate) {
        if let (Some(stamp), Ok(Datum::Number(value)), Flag::Good) =
            (update.stamp, &update.datum, update.flag)
            && DAILY.contains(&update.key.signal)
        {
            self.day(update.key, stamp, *value);
        }
    }

    /// Notes the newest first water: when its run began, seconds since then, ppm. The same one again
    /// changes nothing.
    pub(super) fn first_water(&mut self, (began, secs, ppm): (Wall, f64, f64)) {
        if self.curve.began != Some(began) {
            self.curve = Curve { began: Some(began), ..Curve::default() };
        }
        let last = self.curve.points.last().map_or(f64::NEG_INFINITY, |(secs, _)| *secs);
        if secs <= last || secs - last < self.curve.every {
            return;
        }
        self.curve.points.push((secs, ppm));
        if self.curve.points.len() > CURVE_MAX {
            let mut index = 0;
            self.curve.points.retain(|_| {
                index += 1;
                index % 2 == 1
            });
            self.curve.every = 2.0 * secs / CURVE_MAX as f64;
        }
        self.revision += 1;
    }

    fn start(&mut self, entry: &LogEntry) {
        let number = |key: &str| entry.data.get(key).and_then(serde_json::Value::as_f64);
        let Some(began) = entry.data.get("began").and_then(serde_json::Value::as_i64) else {
            return;
        };
        let reached = entry.data.get("settled-reached").and_then(serde_json::Value::as_bool);
        let point = StartPoint {
            began: Wall::from_millis(began),
            peak: number("peak-ppm"),
            settled: number("settled-ppm").filter(|_| reached == Some(true)),
            settled_u: number("settled-u"),
            extra: number("extra-mg"),
        };
        if self.starts.len() >= STARTS_MAX {
            self.starts.pop_front();
        }
        self.starts.push_back(point);
        self.revision += 1;
    }

    fn day(&mut self, key: ValueKey, stamp: Wall, value: f64) {
        let day = stamp.millis().div_euclid(86_400_000);
        let at = match self.days.iter().position(|one| one.key == key) {
            Some(at) => at,
            None => {
                self.days.push(Daily { key, points: VecDeque::new() });
                self.days.len() - 1
            }
        };
        let points = &mut self.days[at].points;
        match points.back_mut() {
            Some(last) if last.0 == day => last.1 = value,
            // A clock that was set back: the past is not written again.
            Some(last) if last.0 > day => return,
            _ => {
                if points.len() >= DAYS_MAX {
                    points.pop_front();
                }
                points.push_back((day, value));
            }
        }
        self.revision += 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::value::Basis;

    fn value(signal: SignalId, of: Option<u16>, secs: i64, datum: Datum) -> Output {
        Output::Value(ValueUpdate {
            key: ValueKey { signal, of },
            datum: Ok(datum),
            u: None,
            flag: Flag::Good,
            reasons: Vec::new(),
            basis: Basis::Measured,
            stamp: Some(Wall::from_millis(secs * 1000)),
            store: true,
        })
    }

    #[test]
    fn a_curve_stays_bounded_and_keeps_its_first_and_its_newest_water() {
        let mut plots = Plots::default();
        for secs in 1..=20_000 {
            plots.first_water((Wall::from_millis(5), f64::from(secs), f64::from(30_000 - secs)));
        }
        let points = &plots.curve.points;
        assert!(points.len() <= CURVE_MAX && points.len() >= CURVE_MAX / 4, "{}", points.len());
        assert_eq!(points[0], (1.0, 29_999.0));
        assert!(points.last().expect("some").0 > 19_500.0, "{:?}", points.last());
        assert!(points.windows(2).all(|two| two[0].0 < two[1].0));
    }

    #[test]
    fn the_next_start_begins_a_curve_and_the_same_water_twice_changes_nothing() {
        let mut plots = Plots::default();
        let (one, other) = (Wall::from_millis(100), Wall::from_millis(900));
        plots.first_water((one, 5.0, 7.0));
        let revision = plots.revision();
        plots.first_water((one, 5.0, 7.0));
        assert_eq!((plots.revision(), plots.curve.points.len()), (revision, 1));
        plots.first_water((other, 1.0, 90.0));
        assert_eq!(plots.curve.points, [(1.0, 90.0)]);
    }

    #[test]
    fn a_day_keeps_its_last_good_value_and_a_clock_set_back_writes_no_past() {
        let mut plots = Plots::default();
        let day = 86_400;
        let rejection = |at, v| value(SignalId::Rejection, None, at, Datum::Number(v));
        for (at, v) in [(day, 0.95), (day + 60, 0.96), (3 * day, 0.94), (2 * day, 0.5)] {
            plots.note(&rejection(at, v));
        }
        let key = ValueKey { signal: SignalId::Rejection, of: None };
        let series = plots.daily(key).expect("kept");
        assert_eq!(series.points, [(1, 0.96), (3, 0.94)]);
    }

    #[test]
    fn a_start_that_did_not_settle_has_no_settled_value() {
        let mut plots = Plots::default();
        for reached in [true, false] {
            plots.note(&Output::Log(LogEntry {
                at: None,
                kind: "start-record".into(),
                text: String::new(),
                data: serde_json::json!({ "began": 5000, "peak-ppm": 80.0,
                        "settled-ppm": 6.0, "settled-reached": reached, "extra-mg": 12.0 }),
                protective: false,
            }));
        }
        let settled: Vec<_> = plots.starts.iter().map(|start| start.settled).collect();
        assert_eq!(settled, [Some(6.0), None]);
    }
}
