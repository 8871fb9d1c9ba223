//! One stamp for each point of a series.
//!
//! A database keeps one point for each series and stamp. Readings that came in the same millisecond,
//! or whose device counts whole seconds, would overwrite each other; so the later one moves on by a
//! millisecond. A message delivered twice (same device stamp, same value) stays one point, and a late
//! one keeps the stamp of its device, which puts it in its place.
//!
//! Invariant: what is sent again gets the stamp that it had, because each answer rests on the records
//! before it alone: whoever begins in the middle first looks at [`LOOK_BACK`] records before.
//!
//! Absent on purpose: squeezing everything after a clock that was set back into milliseconds after the
//! last point. Beyond [`LOOK_BACK`] records such points carry the clock's new time.

use crate::edge::database::Entry;
use crate::engine::event::Event;
use crate::engine::output::Output;
use crate::engine::time::{Span, Wall};
use std::collections::BTreeMap;

/// Records that are looked at before the first one that is wanted.
pub(super) const LOOK_BACK: u64 = 256;
/// A sensor's own stamp further than this from ours is not believed.
const STAMP_APART: Span = Span::from_secs(600);

/// Plant, kind, number, and sensor or part.
type Series = (usize, u8, u16, Option<u16>);

/// The last point of a series.
#[derive(Clone, Copy, Debug)]
struct Last {
    /// What its device said, and of which value.
    own: Option<(Wall, u64)>,
    at: Wall,
}

/// The last points of all series.
#[derive(Debug, Default)]
pub(super) struct Stamps(BTreeMap<Series, Last>);

impl Stamps {
    /// The stamp of the next record, in the order of the records. `taken` is when the daemon took it.
    /// A value that carries a stamp of its own gets it changed where it must.
    pub(super) fn next(
        &mut self,
        plant: usize,
        entry: &mut Entry,
        taken: Option<Wall>,
    ) -> Option<Wall> {
        let taken = taken?;
        match entry {
            Entry::Event(Event::Reading(reading)) => {
                let series = (plant, 0, u16::try_from(reading.sensor).unwrap_or(u16::MAX), None);
                let believed =
                    |stamp: &Wall| taken.since(*stamp).millis().abs() <= STAMP_APART.millis();
                let own = reading.stamp.filter(believed).map(|at| (at, reading.value.to_bits()));
                Some(self.place(series, own, own.map_or(taken, |(at, _)| at)))
            }
            Entry::Output(Output::Value(update)) => {
                let signal = update.key.signal.row().id as u16;
                let at = update.stamp.unwrap_or(taken);
                let at = self.place((plant, 1, signal, update.key.of), None, at);
                update.stamp = Some(at);
                Some(at)
            }
            Entry::Output(Output::Alarm(update)) => {
                let alarm = update.key.alarm.row().id as u16;
                Some(self.place((plant, 2, alarm, update.key.of), None, taken))
            }
            Entry::Event(_) | Entry::Output(_) | Entry::Other => Some(taken),
        }
    }

    fn place(&mut self, series: Series, own: Option<(Wall, u64)>, wanted: Wall) -> Wall {
        let after = |last: &Last| last.at + Span::from_millis(1);
        let at = match (self.0.get(&series), own) {
            (None, _) => wanted,
            // Delivered twice.
            (Some(last), Some(_)) if last.own == own => last.at,
            (Some(last), Some((stamp, _))) if last.own.is_some_and(|(said, _)| said == stamp) => {
                after(last)
            }
            // Its device knows when it was.
            (Some(_), Some(_)) => wanted,
            (Some(last), None) if wanted <= last.at => after(last),
            (Some(_), None) => wanted,
        };
        // A late one is no new end.
        if own.is_none() || self.0.get(&series).is_none_or(|last| at >= last.at) {
            self.0.insert(series, Last { own, at });
        }
        at
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::Reading;

    fn reading(value: f64, stamp: Option<i64>) -> Entry {
        let stamp = stamp.map(Wall::from_millis);
        Entry::Event(Event::Reading(Reading {
            sensor: 3,
            value,
            retained: false,
            arrived: None,
            stamp,
        }))
    }

    fn placed(all: &[(f64, Option<i64>, i64)]) -> Vec<i64> {
        let mut stamps = Stamps::default();
        all.iter()
            .map(|(value, own, taken)| {
                let taken = Some(Wall::from_millis(*taken));
                stamps.next(0, &mut reading(*value, *own), taken).expect("a stamp").millis()
            })
            .collect()
    }

    #[test]
    fn readings_of_the_same_millisecond_are_points_of_their_own() {
        let all = [(1.0, None, 10), (2.0, None, 10), (2.0, None, 10), (3.0, None, 11)];
        assert_eq!(placed(&all), [10, 11, 12, 13]);
    }

    #[test]
    fn a_message_delivered_twice_is_one_point_and_another_value_is_not() {
        let all = [(1.0, Some(1000), 1005), (1.0, Some(1000), 1009), (2.0, Some(1000), 1500)];
        assert_eq!(placed(&all), [1000, 1000, 1001]);
    }

    #[test]
    fn a_late_message_stands_where_its_device_says() {
        let all = [(1.0, Some(5000), 5001), (2.0, Some(3000), 5002), (3.0, Some(6000), 6001)];
        assert_eq!(placed(&all), [5000, 3000, 6000]);
    }

    #[test]
    fn a_stamp_that_cannot_be_is_not_believed() {
        assert_eq!(placed(&[(1.0, Some(0), 5_000_000)]), [5_000_000]);
    }

    #[test]
    fn a_clock_that_stepped_back_never_gives_a_stamp_twice() {
        let all = [(1.0, None, 9000), (2.0, None, 4000), (3.0, None, 5000), (4.0, None, 9500)];
        assert_eq!(placed(&all), [9000, 9001, 9002, 9500]);
    }
}
