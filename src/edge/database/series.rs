//! What the database holds: the only file that knows measurement, tag and field names and codes.
//!
//! | measurement | tags | fields |
//! | --- | --- | --- |
//! | `permeated` | `plant`, `node`, `property`, `of` | `value`, `u`, `flag`, `assumed` |
//! | `permeated_reading` | `plant`, `sensor`, `point`, `quantity` | `value` |
//! | `permeated_alarm` | `plant`, `alarm`, `of` | `state`, `active`, `latched`, `value`, `limit` |
//! | `permeated_probe` | | `value` |
//!
//! `of` is the id of the sensor or part where there are several. `flag` uses the codes of QARTOD
//! (1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing); an absent value has a `flag` and no
//! `value`. States are their codes, a yes is 1 and a no is 0. Shares are 0 to 1. Texts are not
//! written: what they say stands as a state beside them. `permeated_reading` is what a sensor sent,
//! untouched, in the canonical unit of its quantity (a counter: pulses; its cleaned reading in
//! `permeated` is litres). `permeated_probe` is the point by which a
//! server proves that it keeps what it accepts.

use super::line::Line;
use super::{Entry, Record};
use crate::engine::catalogue::{Of, SignalId};
use crate::engine::event::{Event, Reading};
use crate::engine::output::{AlarmUpdate, Datum, Output, ValueUpdate};
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::engine::value::{Basis, Flag, NoReading};
use std::sync::Arc;

/// The value tree.
pub const TREE: &str = "permeated";
/// What the sensors sent.
pub const READING: &str = "permeated_reading";
/// The alarms.
pub const ALARM: &str = "permeated_alarm";
/// The probe point.
pub const PROBE: &str = "permeated_probe";
/// The field that holds the number itself.
pub const VALUE: &str = "value";

/// The line for a record, or `None` when it holds nothing for the database: a command, a text, a
/// point from before the clock was sane.
pub fn line(setups: &[Arc<Setup>], record: &Record) -> Option<String> {
    let setup = setups.get(record.plant)?;
    let line = match &record.entry {
        Entry::Event(Event::Reading(reading)) => of_reading(setup, reading, record.stamp)?,
        Entry::Output(Output::Value(update)) => {
            of_value(setup, update, update.stamp.or(record.stamp)?)?
        }
        Entry::Output(Output::Alarm(update)) => {
            of_alarm(setup, update, update.since.max(record.stamp)?)
        }
        Entry::Event(_) | Entry::Output(_) | Entry::Other => return None,
    };
    line.text()
}

/// A point that says nothing but "kept".
pub fn probe(value: f64, stamp: Wall) -> String {
    Line::new(PROBE, stamp)
        .field(VALUE, value)
        .text()
        .expect("a finite probe value always makes a field")
}

fn of_reading(setup: &Setup, reading: &Reading, stamp: Option<Wall>) -> Option<Line> {
    let sensor = setup.sensors.get(reading.sensor)?;
    let line = Line::new(READING, stamp?)
        .tag("plant", &setup.plant)
        .tag("sensor", &sensor.id)
        .tag("point", sensor.point.word())
        .tag("quantity", sensor.quantity.word());
    Some(line.field(VALUE, reading.value))
}

fn of_value(setup: &Setup, update: &ValueUpdate, stamp: Wall) -> Option<Line> {
    if !update.store {
        return None;
    }
    let row = update.key.signal.row();
    let of = update.key.of.map(usize::from);
    let line = Line::new(TREE, stamp).tag("plant", &setup.plant);
    let line = match row.of {
        Of::Plant => line.tag("node", row.node).tag("property", row.property),
        Of::Part => {
            let part = setup.parts.get(of?)?;
            line.tag("node", row.node).tag("property", row.property).tag("of", &part.id)
        }
        Of::Sensor => {
            let sensor = setup.sensors.get(of?)?;
            let (node, property) = match update.key.signal {
                SignalId::Reading => (sensor.point.word(), sensor.quantity.word()),
                _ => (row.node, row.property),
            };
            line.tag("node", node).tag("property", property).tag("of", &sensor.id)
        }
    };
    Some(match &update.datum {
        Ok(datum) => line
            .field(VALUE, number(datum)?)
            .field_if("u", update.u)
            .field("flag", flag_code(update.flag))
            .field("assumed", yes(update.basis == Basis::Assumed)),
        Err(reason) => line.field("flag", absent_code(*reason)),
    })
}

fn of_alarm(setup: &Setup, update: &AlarmUpdate, stamp: Wall) -> Line {
    let row = update.key.alarm.row();
    let line = Line::new(ALARM, stamp).tag("plant", &setup.plant).tag("alarm", row.name);
    let of = update.key.of.map(usize::from);
    let line = match row.of {
        Of::Plant => line,
        Of::Sensor => {
            line.tag("of", of.and_then(|of| setup.sensors.get(of)).map_or("", |found| &found.id))
        }
        Of::Part => {
            line.tag("of", of.and_then(|of| setup.parts.get(of)).map_or("", |found| &found.id))
        }
    };
    line.field("state", f64::from(update.state.code()))
        .field("active", yes(update.active))
        .field("latched", yes(update.latched))
        .field_if("value", update.value)
        .field_if("limit", update.limit)
}

/// The number that stands for a datum; a text has none.
fn number(datum: &Datum) -> Option<f64> {
    match datum {
        Datum::Number(number) => Some(*number),
        Datum::State { code, .. } => Some(f64::from(*code)),
        Datum::Flag(flag) => Some(yes(*flag)),
        Datum::Text(_) => None,
    }
}

fn yes(claim: bool) -> f64 {
    if claim { 1.0 } else { 0.0 }
}

/// QARTOD's flag codes (U.S. IOOS, Manual for Real-Time Quality Control, data flags). Never
/// renumbered.
const fn flag_code(flag: Flag) -> f64 {
    match flag {
        Flag::Good => 1.0,
        Flag::NotEvaluated => 2.0,
        Flag::Suspect => 3.0,
    }
}

/// QARTOD's codes for what is not a value: 4 fail, 9 missing.
const fn absent_code(reason: NoReading) -> f64 {
    match reason {
        NoReading::Unparsable | NoReading::OutOfRange => 4.0,
        NoReading::NeverSeen
        | NoReading::NotSinceStart
        | NoReading::Stale
        | NoReading::Offline
        | NoReading::NotApplicable
        | NoReading::NotConfigured
        | NoReading::Unsupported => 9.0,
    }
}
