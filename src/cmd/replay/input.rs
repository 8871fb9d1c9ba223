//! Recorded days as files: which lines there are and what they become.
//!
//! The forms are described where users find them: [`FORMATS`](super::FORMATS), which `replay --help`
//! prints, and `config/recorded.md`. Invariants: a message becomes the very event that it becomes
//! live, by the very same decoders; no line is dropped without being counted under its name; times
//! never fall.

use crate::edge::mqtt::receive::{demanded, refusal, seen};
use crate::edge::mqtt::topics::{ALARM, ALARM_COMMANDS, GUARD, GUARD_COMMANDS, SERVICE};
use crate::edge::mqtt::{Topics, command, payload};
use crate::engine::event::{Event, Reading};
use crate::engine::output::LogEntry;
use crate::engine::setup::{ActuatorIx, SensorIx, Setup};
use crate::engine::time::Wall;
use crate::engine::value::NoReading;
use crate::settings::Settings;
use crate::settings::schema::{DemandMode, Plant};
use serde::Deserialize;
use serde_json::Value;
use std::collections::{BTreeMap, VecDeque};
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

/// What a line became.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Happened {
    Event(Event),
    /// A command on an actuator's topic; perhaps the echo of our own.
    Seen {
        actuator: ActuatorIx,
        open: bool,
    },
    /// A command that never reaches the engine; what is answered.
    Refused(LogEntry),
}

#[derive(Clone, Copy, Debug)]
enum Route {
    Sensor(SensorIx),
    Availability(SensorIx),
    Actuator(ActuatorIx),
    Demand,
    Command { node: &'static str, name: &'static str },
}

/// Names of others that are counted one by one; the rest is counted together.
const NAMES_MAX: usize = 1000;

/// Lines that meant nothing to this plant.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Foreign {
    /// Lines about topics that are none of the plant's.
    pub lines: u64,
    /// How many by topic; at most a thousand topics.
    pub topics: BTreeMap<String, u64>,
    /// Lines that permeated itself had published.
    pub own: u64,
}

/// Reads what happened from a file, line by line.
pub(super) struct Input<'a, R> {
    file: R,
    format: Format,
    setup: &'a Setup,
    plant: &'a Plant,
    routes: BTreeMap<String, Vec<Route>>,
    /// What topics of our own begin with.
    own: [String; 2],
    line: usize,
    last: Option<Wall>,
    ready: VecDeque<(Wall, Happened)>,
    pub(super) foreign: Foreign,
}

/// A line of JSON. The second names are those of `mosquitto_sub -F %j`, whose further fields say
/// nothing here.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Line {
    #[serde(alias = "tst")]
    t: Value,
    sensor: Option<String>,
    topic: Option<String>,
    #[serde(default, alias = "payload")]
    v: Value,
    #[serde(default, alias = "retain")]
    retained: Value,
    event: Option<Event>,
    #[serde(rename = "qos")]
    _qos: Option<Value>,
    #[serde(rename = "payloadlen")]
    _payloadlen: Option<Value>,
    #[serde(rename = "mid")]
    _mid: Option<Value>,
    #[serde(rename = "properties")]
    _properties: Option<Value>,
}

impl<'a, R: BufRead> Input<'a, R> {
    pub(super) fn new(
        file: R,
        format: Format,
        setup: &'a Setup,
        plant: &'a Plant,
        settings: &Settings,
    ) -> Self {
        let topics = Topics::new(settings);
        let mut routes: BTreeMap<String, Vec<Route>> = BTreeMap::new();
        let mut add = |topic: String, route| routes.entry(topic).or_default().push(route);
        for (index, sensor) in setup.sensors.iter().enumerate() {
            let Some(declared) = plant.sensors.get(&sensor.id) else { continue };
            add(declared.topic.clone(), Route::Sensor(index));
            if !declared.availability_topic.is_empty() {
                add(declared.availability_topic.clone(), Route::Availability(index));
            }
        }
        for (index, actuator) in setup.actuators.iter().enumerate() {
            add(actuator.topic.clone(), Route::Actuator(index));
        }
        if setup.demand == DemandMode::Topic {
            add(plant.demand.topic.clone(), Route::Demand);
        }
        let commands = GUARD_COMMANDS.iter().map(|name| (GUARD, *name));
        let commands = commands.chain(ALARM_COMMANDS.iter().map(|name| (ALARM, *name)));
        for (node, name) in commands.chain([(SERVICE, "entry")]) {
            add(topics.command(&setup.plant, node, name), Route::Command { node, name });
        }
        Self {
            file,
            format,
            setup,
            plant,
            routes,
            own: [topics.plant(&setup.plant, ""), topics.daemon("")],
            line: 0,
            last: None,
            ready: VecDeque::new(),
            foreign: Foreign::default(),
        }
    }

    /// What happened next and when; `None` at the end.
    pub(super) fn next(&mut self) -> Result<Option<(Wall, Happened)>, InputError> {
        loop {
            if let Some(next) = self.ready.pop_front() {
                return Ok(Some(next));
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
        let (sensor, topic) = match self.sensor(what) {
            Some(_) => (Some(what.clone()), None),
            // A name without a slash is meant as an id, unless it is a topic of the settings.
            None if !what.contains('/') && !self.routes.contains_key(what) => {
                return Err(self.no_sensor(what));
            }
            None => (None, Some(what.clone())),
        };
        let v = match value.is_empty() {
            true => Value::Null,
            false => Value::String(value.clone()),
        };
        let retained = Value::Bool(false);
        Ok(Some(Line {
            t,
            sensor,
            topic,
            v,
            retained,
            event: None,
            _qos: None,
            _payloadlen: None,
            _mid: None,
            _properties: None,
        }))
    }

    fn sensor(&self, id: &str) -> Option<SensorIx> {
        self.setup.sensors.iter().position(|sensor| sensor.id == id)
    }

    fn no_sensor(&self, id: &str) -> String {
        let known: Vec<&str> = self.setup.sensors.iter().map(|sensor| sensor.id.as_str()).collect();
        format!("there is no sensor '{id}' in this plant; the sensors are {}", known.join(", "))
    }

    fn take(&mut self, line: Line) -> Result<(), String> {
        let at = time(&line.t)?;
        if self.last.is_some_and(|last| at < last) {
            return Err("its time lies before that of the line above; sort the file".to_owned());
        }
        self.last = Some(at);
        let retained = match &line.retained {
            Value::Null => false,
            Value::Bool(retained) => *retained,
            Value::Number(number) => number.as_u64() != Some(0),
            other => return Err(format!("'retained' is {other}, not true or false")),
        };
        match (line.event, line.sensor, line.topic) {
            (Some(event), None, None) => self.ready.push_back((at, Happened::Event(event))),
            (None, Some(id), None) => {
                let index = self.sensor(&id).ok_or_else(|| self.no_sensor(&id))?;
                let event = self.reading(index, &bytes(&line.v), ("", ""), retained, at);
                self.ready.push_back((at, Happened::Event(event)));
            }
            (None, None, Some(topic)) => self.message(topic, &bytes(&line.v), retained, at),
            _ => return Err("needs one of: sensor, topic, event".to_owned()),
        }
        Ok(())
    }

    /// A message, sorted as `edge::mqtt::receive` sorts it.
    fn message(&mut self, topic: String, payload: &[u8], retained: bool, at: Wall) {
        let Some(routes) = self.routes.get(&topic) else {
            if self.own.iter().any(|own| topic.starts_with(own)) {
                self.foreign.own += 1;
                return;
            }
            self.foreign.lines += 1;
            let names = &mut self.foreign.topics;
            if names.len() < NAMES_MAX || names.contains_key(&topic) {
                *names.entry(topic).or_default() += 1;
            }
            return;
        };
        let mut happened = Vec::new();
        for route in routes {
            happened.extend(match *route {
                Route::Sensor(sensor) => {
                    self.plant.sensors.get(&self.setup.sensors[sensor].id).map(|declared| {
                        let pointers = (&*declared.pointer, &*declared.time_pointer);
                        Happened::Event(self.reading(sensor, payload, pointers, retained, at))
                    })
                }
                Route::Availability(sensor) => (payload::availability(payload) == Some(false))
                    .then(|| {
                        let reason = NoReading::Offline;
                        Happened::Event(Event::NoReading { sensor, reason })
                    }),
                Route::Actuator(actuator) => {
                    seen(&self.setup.actuators[actuator], payload, retained)
                        .map(|open| Happened::Seen { actuator, open })
                }
                Route::Demand => demanded(payload, retained)
                    .map(|wanted| Happened::Event(Event::Demand { wanted })),
                Route::Command { .. } if payload.is_empty() => None,
                Route::Command { name, .. } if retained => {
                    let text = "refused: the command was retained";
                    Some(Happened::Refused(refusal(name, text, Some(at))))
                }
                Route::Command { node, name } => Some(match command::parse(node, name, payload) {
                    Ok(command) => Happened::Event(Event::Command(command)),
                    Err(why) => {
                        Happened::Refused(refusal(name, &format!("refused: {why}"), Some(at)))
                    }
                }),
            });
        }
        self.ready.extend(happened.into_iter().map(|happened| (at, happened)));
    }

    fn reading(
        &self,
        sensor: SensorIx,
        payload: &[u8],
        (pointer, time_pointer): (&str, &str),
        retained: bool,
        at: Wall,
    ) -> Event {
        let setup = &self.setup.sensors[sensor];
        let decoded = payload::decode(payload, pointer, time_pointer, setup.quantity)
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
        // Some recorders write a Z and the offset of their zone; the offset is what they mean.
        Value::String(text) => text
            .replace("Z+", "+")
            .replace("Z-", "-")
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
        for text in ["2026-03-01T08:00:00.250000+0100", "2026-03-01T08:00:00.250000Z+0100"] {
            assert_eq!(time(&Value::String(text.into())), Ok(Wall::from_millis(1_772_348_400_250)));
        }
        assert!(time(&Value::Bool(true)).is_err());
        assert!(time(&"yesterday".into()).is_err());
    }
}
