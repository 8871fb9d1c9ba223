//! Recorded days as files: which lines there are and what events they become.
//!
//! CSV: `time,sensor-or-topic,value`, with or without a header of those names; fields may be quoted
//! (RFC 4180, without line breaks inside). JSON lines, one object each:
//!
//! ```text
//! {"t":"2026-03-01T07:00:00Z","sensor":"product-tds","v":1.5}        in the sensor's declared unit
//! {"t":1772348400000,"topic":"ro/meter","v":{"tds":1},"retained":true}  as the message came
//! {"t":1772348401000,"event":{"e":"demand","wanted":true}}            any event, as the journal has it
//! ```
//!
//! `t` is RFC 3339 or milliseconds since 1970 and must never fall. `v` is a number, a yes or a no in
//! the usual spellings, or, for a topic, the payload; `null` is a message that could not be read.

use crate::edge::mqtt::payload;
use crate::engine::event::{Event, Reading};
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::engine::value::NoReading;
use crate::settings::schema::Plant;
use serde::Deserialize;
use serde_json::Value;
use std::io::BufRead;

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Format {
    Csv,
    Lines,
}

/// Longest line.
const LINE_MAX: u64 = 1024 * 1024;

/// A line that cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("line {line}: {what}")]
pub struct InputError {
    line: usize,
    what: String,
}

/// Reads events from a file, line by line.
pub(super) struct Input<'a, R> {
    file: R,
    format: Format,
    setup: &'a Setup,
    plant: &'a Plant,
    line: usize,
    last: Option<Wall>,
    ready: std::collections::VecDeque<(Wall, Event)>,
    /// Lines about topics that are none of ours.
    pub(super) foreign: usize,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    t: Value,
    sensor: Option<String>,
    topic: Option<String>,
    #[serde(default)]
    v: Value,
    #[serde(default)]
    retained: bool,
    event: Option<Event>,
}

impl<'a, R: BufRead> Input<'a, R> {
    pub(super) fn new(file: R, format: Format, setup: &'a Setup, plant: &'a Plant) -> Self {
        let ready = std::collections::VecDeque::new();
        Self { file, format, setup, plant, line: 0, last: None, ready, foreign: 0 }
    }

    /// The next event and its time; `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<(Wall, Event)>, InputError> {
        loop {
            if let Some(event) = self.ready.pop_front() {
                return Ok(Some(event));
            }
            let mut text = String::new();
            let read = std::io::Read::take(&mut self.file, LINE_MAX).read_line(&mut text);
            self.line += 1;
            let line = self.line;
            let wrong = |what: String| InputError { line, what };
            if read.map_err(|error| wrong(error.to_string()))? == 0 {
                return Ok(None);
            }
            let text = text.trim_start_matches('\u{feff}').trim();
            if text.is_empty() || text.starts_with('#') {
                continue;
            }
            let parsed = match self.format {
                Format::Lines => {
                    serde_json::from_str(text).map_err(|error| wrong(error.to_string()))?
                }
                Format::Csv => match self.csv(text).map_err(wrong)? {
                    Some(parsed) => parsed,
                    None => continue,
                },
            };
            self.take(parsed).map_err(wrong)?;
        }
    }

    fn csv(&self, text: &str) -> Result<Option<Line>, String> {
        let fields = fields(text)?;
        let [time, what, value] = fields.as_slice() else {
            return Err(format!("{} fields instead of time,sensor-or-topic,value", fields.len()));
        };
        if self.line == 1 && time.eq_ignore_ascii_case("time") {
            return Ok(None);
        }
        let t = match time.parse::<i64>() {
            Ok(millis) => millis.into(),
            Err(_) => Value::String(time.clone()),
        };
        let known = self.setup.sensors.iter().any(|sensor| sensor.id == *what);
        let (sensor, topic) = match known {
            true => (Some(what.clone()), None),
            false => (None, Some(what.clone())),
        };
        let v = match value.is_empty() {
            true => Value::Null,
            false => Value::String(value.clone()),
        };
        Ok(Some(Line { t, sensor, topic, v, retained: false, event: None }))
    }

    fn take(&mut self, line: Line) -> Result<(), String> {
        let at = time(&line.t)?;
        if self.last.is_some_and(|last| at < last) {
            return Err("its time lies before that of the line above; sort the file".to_owned());
        }
        self.last = Some(at);
        match (line.event, line.sensor, line.topic) {
            (Some(event), None, None) => self.ready.push_back((at, event)),
            (None, Some(id), None) => {
                let index = self
                    .setup
                    .sensors
                    .iter()
                    .position(|sensor| sensor.id == id)
                    .ok_or_else(|| format!("there is no sensor '{id}' in this plant"))?;
                let event = self.reading(index, &line.v, ("", ""), line.retained, at);
                self.ready.push_back((at, event));
            }
            (None, None, Some(topic)) => {
                let mut ours = false;
                for (index, sensor) in self.setup.sensors.iter().enumerate() {
                    let Some(settings) = self.plant.sensors.get(&sensor.id) else { continue };
                    if settings.topic == topic {
                        ours = true;
                        let pointers = (&*settings.pointer, &*settings.time_pointer);
                        let event = self.reading(index, &line.v, pointers, line.retained, at);
                        self.ready.push_back((at, event));
                    }
                    if settings.availability_topic == topic {
                        ours = true;
                        if payload::availability(&bytes(&line.v)) == Some(false) {
                            let reason = NoReading::Offline;
                            self.ready.push_back((at, Event::NoReading { sensor: index, reason }));
                        }
                    }
                }
                self.foreign += usize::from(!ours);
            }
            _ => return Err("needs one of: sensor, topic, event".to_owned()),
        }
        Ok(())
    }

    fn reading(
        &self,
        sensor: usize,
        value: &Value,
        (pointer, time_pointer): (&str, &str),
        retained: bool,
        at: Wall,
    ) -> Event {
        let setup = &self.setup.sensors[sensor];
        let decoded = payload::decode(&bytes(value), pointer, time_pointer, setup.quantity)
            .map(|decoded| (setup.unit.to_canonical(decoded.value), decoded.stamp));
        match decoded {
            Ok((value, stamp)) if value.is_finite() => {
                Event::Reading(Reading { sensor, value, retained, arrived: Some(at), stamp })
            }
            Err(payload::Unparsable::NoValue) => {
                Event::NoReading { sensor, reason: NoReading::Offline }
            }
            _ => Event::NoReading { sensor, reason: NoReading::Unparsable },
        }
    }
}

fn bytes(value: &Value) -> Vec<u8> {
    match value {
        Value::Null => Vec::new(),
        Value::String(text) => text.clone().into_bytes(),
        other => other.to_string().into_bytes(),
    }
}

/// RFC 3339, or milliseconds since 1970.
fn time(value: &Value) -> Result<Wall, String> {
    match value {
        Value::Number(number) => number
            .as_i64()
            .map(Wall::from_millis)
            .ok_or_else(|| format!("{number} is not a whole number of milliseconds")),
        Value::String(text) => text
            .parse::<jiff::Timestamp>()
            .map(|at| Wall::from_millis(at.as_millisecond()))
            .map_err(|error| format!("'{text}' is no time: {error}")),
        other => Err(format!("{other} is no time")),
    }
}

/// Fields of a CSV line.
fn fields(text: &str) -> Result<Vec<String>, String> {
    let mut fields = Vec::new();
    let mut rest = text;
    loop {
        let (field, after) = match rest.strip_prefix('"') {
            None => {
                let end = rest.find(',').unwrap_or(rest.len());
                (rest[..end].trim().to_owned(), &rest[end..])
            }
            Some(quoted) => {
                let mut field = String::new();
                let mut inside = quoted;
                loop {
                    let end = inside.find('"').ok_or("a quote is not closed")?;
                    field.push_str(&inside[..end]);
                    inside = &inside[end + 1..];
                    match inside.strip_prefix('"') {
                        Some(after) => {
                            field.push('"');
                            inside = after;
                        }
                        None => break,
                    }
                }
                (field, inside)
            }
        };
        fields.push(field);
        match after.strip_prefix(',') {
            Some(after) => rest = after,
            None if after.is_empty() => return Ok(fields),
            None => return Err("text after a closing quote".to_owned()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_with_and_without_quotes() {
        assert_eq!(fields("1,a/b,2.5").expect("fields"), ["1", "a/b", "2.5"]);
        let quoted = fields(r#"1,"a,b","{""x"":1}""#).expect("fields");
        assert_eq!(quoted, ["1", "a,b", r#"{"x":1}"#]);
        assert_eq!(fields("1,a,").expect("fields"), ["1", "a", ""]);
        assert!(fields(r#"1,"a"#).is_err());
        assert!(fields(r#"1,"a"b,2"#).is_err());
    }

    #[test]
    fn times_in_both_forms() {
        let text = Value::String("2026-03-01T08:00:00.250+01:00".into());
        assert_eq!(time(&text), Ok(Wall::from_millis(1_772_348_400_250)));
        assert_eq!(time(&5.into()), Ok(Wall::from_millis(5)));
        assert!(time(&Value::Bool(true)).is_err());
        assert!(time(&"yesterday".into()).is_err());
    }
}
