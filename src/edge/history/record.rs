//! What the journal holds: numbered records, and the names that their indices stand for.
//!
//! Invariants: a record reads back bit for bit (numbers too: `serde_json` is built with
//! `float_roundtrip`); a record that this version cannot read is kept as it is and never dropped.

use crate::engine::catalogue::Of;
use crate::engine::event::Event;
use crate::engine::output::{Output, Permit};
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Wall};
use serde::{Deserialize, Serialize};

/// A plant's number in one journal. It never changes, whatever plants are added to the settings;
/// it comes from [`super::Restore`] or [`super::Reader`] and means nothing in another journal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct PlantNo(pub(super) u16);

impl PlantNo {
    /// The number itself.
    pub const fn get(self) -> u16 {
        self.0
    }
}

/// One record of the journal.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Counts over all plants, from 1, always up. A gap says that records were dropped because
    /// nothing could be written; a [`RunMark::Dropped`] follows it.
    pub seq: u64,
    /// Whose.
    pub plant: PlantNo,
    /// When the driver took the event, or drained the output.
    pub now: Now,
    /// What.
    pub body: Body,
}

/// What a record holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Body {
    /// Something happened.
    Event(Event),
    /// The engine asked for something.
    Output(Output),
    /// A run of the daemon began or ended.
    Run(RunMark),
    /// Written by a version that knows more than this one. Kept, not understood.
    Unknown {
        /// Its kind (`e` an event, `o` an output, `r` a mark).
        kind: String,
        /// The content.
        value: serde_json::Value,
    },
}

/// Marks that the journal itself writes.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "run", rename_all = "kebab-case")]
pub enum RunMark {
    /// The daemon opened the journal.
    Started {
        /// Version of the program.
        program: String,
    },
    /// The daemon closed the journal, with everything on disk.
    Stopped,
    /// Records were dropped because nothing could be written for too long.
    Dropped {
        /// Readings and values.
        trend: u64,
        /// Anything else; only when even the reserve for it was full.
        kept: u64,
    },
}

impl Body {
    /// What goes first when nothing can be written: readings, values, and what only keeps time.
    /// Never alarms, commands, service entries, start records, sends, permits, log entries.
    pub fn is_trend(&self) -> bool {
        matches!(
            self,
            Self::Event(Event::Reading(_) | Event::NoReading { .. } | Event::Tick | Event::Echo)
                | Self::Output(Output::Value(_))
        )
    }

    /// What a restart needs: events and marks, but no outputs. An unknown record may be an event.
    pub fn is_input(&self) -> bool {
        match self {
            Self::Event(_) | Self::Run(_) => true,
            Self::Output(_) => false,
            Self::Unknown { kind, .. } => kind != "o",
        }
    }
}

/// What the indices in a plant's records stand for. Indices follow the order of ids in the settings,
/// so a new sensor shifts them; the journal keeps the names that held for each stretch of records.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, Default)]
pub struct Names {
    /// Id of the plant.
    pub plant: String,
    /// Sensor ids by [`crate::engine::setup::SensorIx`].
    pub sensors: Vec<String>,
    /// Actuator ids by [`crate::engine::setup::ActuatorIx`].
    pub actuators: Vec<String>,
    /// Part ids by [`crate::engine::setup::PartIx`].
    pub parts: Vec<String>,
}

impl Names {
    /// The names of a plant as it is set up now.
    pub fn of(setup: &Setup) -> Self {
        Self {
            plant: setup.plant.clone(),
            sensors: setup.sensors.iter().map(|sensor| sensor.id.clone()).collect(),
            actuators: setup.actuators.iter().map(|actuator| actuator.id.clone()).collect(),
            parts: setup.parts.iter().map(|part| part.id.clone()).collect(),
        }
    }

    /// An event recorded under these names, as it reads under `now`; `None` when its sensor or
    /// actuator is gone.
    pub fn translate(&self, event: Event, now: &Self) -> Option<Event> {
        if self.sensors == now.sensors && self.actuators == now.actuators {
            return Some(event);
        }
        let sensor = |index: usize| moved(&self.sensors, &now.sensors, index);
        let actuator = |index: usize| moved(&self.actuators, &now.actuators, index);
        Some(match event {
            Event::Reading(mut reading) => {
                reading.sensor = sensor(reading.sensor)?;
                Event::Reading(reading)
            }
            Event::NoReading { sensor: index, reason } => {
                Event::NoReading { sensor: sensor(index)?, reason }
            }
            Event::GuardConnected { actuator: index } => {
                Event::GuardConnected { actuator: actuator(index)? }
            }
            Event::GuardLost { actuator: index } => Event::GuardLost { actuator: actuator(index)? },
            Event::CloseAcknowledged { actuator: index } => {
                Event::CloseAcknowledged { actuator: actuator(index)? }
            }
            Event::SeenOnTopic { actuator: index, open } => {
                Event::SeenOnTopic { actuator: actuator(index)?, open }
            }
            Event::Started(_)
            | Event::BrokerReady
            | Event::BrokerLost
            | Event::Command(_)
            | Event::Demand { .. }
            | Event::Persisted { .. }
            | Event::Echo
            | Event::OtherInstance { .. }
            | Event::Clock { .. }
            | Event::Calendar(_)
            | Event::HistoryWritable { .. }
            | Event::DatabaseBehind { .. }
            | Event::Tick
            | Event::StopRequested => event,
        })
    }

    /// An output recorded under these names, as it reads under `now`; `None` when what it belongs
    /// to is gone.
    pub fn translate_output(&self, mut output: Output, now: &Self) -> Option<Output> {
        if self == now {
            return Some(output);
        }
        match &mut output {
            Output::Send(send) => {
                send.actuator = moved(&self.actuators, &now.actuators, send.actuator)?;
            }
            Output::Value(update) => {
                update.key.of = of_moved(update.key.signal.row().of, update.key.of, self, now)?;
            }
            Output::Alarm(update) => {
                update.key.of = of_moved(update.key.alarm.row().of, update.key.of, self, now)?;
            }
            Output::Permit(_)
            | Output::Log(_)
            | Output::Persist { .. }
            | Output::DropGuard { .. }
            | Output::Stopped { .. } => {}
        }
        Some(output)
    }
}

/// An index under one plant's old and new names.
fn of_moved(of: Of, index: Option<u16>, from: &Names, to: &Names) -> Option<Option<u16>> {
    let Some(index) = index else { return Some(None) };
    let (from, to) = match of {
        Of::Plant => return Some(Some(index)),
        Of::Sensor => (&from.sensors, &to.sensors),
        Of::Part => (&from.parts, &to.parts),
    };
    u16::try_from(moved(from, to, usize::from(index))?).ok().map(Some)
}

fn moved(from: &[String], to: &[String], index: usize) -> Option<usize> {
    let id = from.get(index)?;
    to.iter().position(|known| known == id)
}

/// Which outputs are worth a record: values with `store`, alarms, log entries, commands, and a
/// permit when it says something else than the one before. Used by the driver and by `replay
/// --compare`, so that both keep the same ones.
#[derive(Clone, Debug, Default)]
pub struct Keep {
    permit: Option<Permit>,
}

impl Keep {
    /// The state at the start of a run.
    pub fn new() -> Self {
        Self::default()
    }

    /// Whether this output becomes a record.
    pub fn wants(&mut self, output: &Output) -> bool {
        match output {
            Output::Value(update) => update.store,
            Output::Permit(permit) => {
                let lasting =
                    Permit { sequence: 0, valid_until: None, valid_secs: None, ..permit.clone() };
                let differs = self.permit.as_ref() != Some(&lasting);
                self.permit = Some(lasting);
                differs
            }
            Output::Alarm(_) | Output::Log(_) | Output::Send(_) => true,
            Output::Persist { .. } | Output::DropGuard { .. } | Output::Stopped { .. } => false,
        }
    }
}

/// Where the line before stood: lines hold differences.
#[derive(Clone, Copy, Debug, Default)]
struct Base {
    seq: u64,
    mono: i64,
    wall: i64,
}

impl Base {
    fn after(self, record: &Record) -> Self {
        Self {
            seq: record.seq,
            mono: record.now.mono.millis(),
            wall: record.now.wall.map_or(self.wall, Wall::millis),
        }
    }
}

/// A line of a row that could not be read at all.
#[derive(Debug, thiserror::Error)]
#[error("line {line}: {source}")]
pub struct LineError {
    line: usize,
    source: serde_json::Error,
}

/// Writes records as JSON lines: `[seq, plant, mono, wall, kind, body]`. The first three numbers and
/// `wall` are differences to the line before (the first line's to zero); `wall` is `null` while the
/// clock is not sane.
///
/// # Errors
/// A body that JSON cannot hold.
pub(super) fn encode(records: &[Record]) -> Result<Vec<u8>, serde_json::Error> {
    let mut text = Vec::with_capacity(records.len() * 96);
    let mut base = Base::default();
    for record in records {
        let seq = record.seq.wrapping_sub(base.seq);
        let mono = record.now.mono.millis().wrapping_sub(base.mono);
        let wall = record.now.wall.map(|wall| wall.millis().wrapping_sub(base.wall));
        let plant = record.plant;
        match &record.body {
            Body::Event(event) => {
                serde_json::to_writer(&mut text, &(seq, plant, mono, wall, "e", event))?;
            }
            Body::Output(output) => {
                serde_json::to_writer(&mut text, &(seq, plant, mono, wall, "o", output))?;
            }
            Body::Run(mark) => {
                serde_json::to_writer(&mut text, &(seq, plant, mono, wall, "r", mark))?;
            }
            Body::Unknown { kind, value } => {
                serde_json::to_writer(&mut text, &(seq, plant, mono, wall, kind, value))?;
            }
        }
        text.push(b'\n');
        base = base.after(record);
    }
    Ok(text)
}

/// Reads what [`encode`] wrote.
///
/// # Errors
/// [`LineError`] for a line that is not of this form; a form that is right with a body that this
/// version does not know becomes [`Body::Unknown`].
pub(super) fn decode(text: &[u8]) -> Result<Vec<Record>, LineError> {
    let mut records = Vec::new();
    let mut base = Base::default();
    for (line, bytes) in text.split(|&byte| byte == b'\n').enumerate() {
        if bytes.is_empty() {
            continue;
        }
        let Line(seq, plant, mono, wall, body) =
            read_line(bytes).map_err(|source| LineError { line, source })?;
        let record = Record {
            seq: base.seq.wrapping_add(seq),
            plant,
            now: Now {
                mono: Mono::from_millis(base.mono.wrapping_add(mono)),
                wall: wall.map(|wall| Wall::from_millis(base.wall.wrapping_add(wall))),
            },
            body,
        };
        base = base.after(&record);
        records.push(record);
    }
    Ok(records)
}

struct Line(u64, PlantNo, i64, Option<i64>, Body);

/// A line whose body is known; the usual case, read in one pass.
struct Known(Line);

/// Any line: its body as plain JSON.
type Plain = (u64, PlantNo, i64, Option<i64>, String, serde_json::Value);

fn read_line(bytes: &[u8]) -> Result<Line, serde_json::Error> {
    if let Ok(Known(line)) = serde_json::from_slice(bytes) {
        return Ok(line);
    }
    let (seq, plant, mono, wall, kind, value): Plain = serde_json::from_slice(bytes)?;
    Ok(Line(seq, plant, mono, wall, Body::Unknown { kind, value }))
}

impl<'de> Deserialize<'de> for Known {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_tuple(6, LineVisitor).map(Self)
    }
}

struct LineVisitor;

impl<'de> serde::de::Visitor<'de> for LineVisitor {
    type Value = Line;

    fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("[seq, plant, mono, wall, kind, body]")
    }

    fn visit_seq<A: serde::de::SeqAccess<'de>>(self, mut seq: A) -> Result<Line, A::Error> {
        use serde::de::Error;
        fn need<T, E: Error>(index: usize, item: Option<T>) -> Result<T, E> {
            item.ok_or_else(|| E::invalid_length(index, &"six items"))
        }
        let number = need(0, seq.next_element()?)?;
        let plant = need(1, seq.next_element()?)?;
        let mono = need(2, seq.next_element()?)?;
        let wall = need(3, seq.next_element()?)?;
        let kind: &str = need(4, seq.next_element()?)?;
        let body = match kind {
            "e" => Body::Event(need(5, seq.next_element()?)?),
            "o" => Body::Output(need(5, seq.next_element()?)?),
            "r" => Body::Run(need(5, seq.next_element()?)?),
            other => return Err(A::Error::unknown_variant(other, &["e", "o", "r"])),
        };
        Ok(Line(number, plant, mono, wall, body))
    }
}

#[cfg(test)]
mod tests;
