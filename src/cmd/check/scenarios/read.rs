//! Reading a scenario file, strictly: every problem at once, each with its line.
//!
//! The format is described in `config/scenarios.md`. Names are resolved here, so that playing a
//! scenario cannot fail for want of a sensor.

use super::duration;
use crate::edge::mqtt::payload;
use crate::engine::catalogue::{Of, SIGNALS, SignalId};
use crate::engine::event::{Ask, Found};
use crate::engine::guard::named;
use crate::engine::output::{AlarmKey, ValueKey};
use crate::engine::setup::{ActuatorIx, SensorIx, Setup};
use crate::engine::time::{Span, Wall};
use crate::settings::problem::{Problem, Problems, Severity, nearest};
use crate::units::Quantity;
use std::collections::BTreeMap;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// What a sensor does until the next word about it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Source {
    /// These readings while the supply valve is open and while it is closed, in canonical units; for
    /// counters litres a minute.
    Steady { open: f64, closed: f64 },
    /// Goes evenly from where it is to `to`.
    Ramp { to: f64, over: Span },
    /// Says nothing.
    Silent,
    /// Says that it is offline.
    Offline,
    /// Sends what cannot be read.
    Unreadable,
}

/// A part of the world that is there or not.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    Broker,
    Guard,
    Disk,
    Clock,
}

/// Something that happens.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Deed {
    Feed(SensorIx, Source),
    Once(SensorIx, f64),
    Stored(SensorIx, f64),
    ByOthers { actuator: ActuatorIx, open: bool },
    Stuck { actuator: ActuatorIx, stuck: bool },
    Demand(bool),
    World(Part, bool),
    OtherDaemon(bool),
    Command(Box<Ask>),
    Restart,
    Stop,
}

/// What must be so at a moment.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Expect {
    pub(super) permitted: Option<bool>,
    pub(super) phase: Option<String>,
    pub(super) valve: Option<String>,
    /// Exactly these alarms stand, and no other came meanwhile.
    pub(super) alarms: Option<Vec<AlarmKey>>,
    /// These came meanwhile and may be gone again.
    pub(super) passed: Vec<AlarmKey>,
    /// Exactly these commands went out meanwhile, repeats left out.
    pub(super) sent: Option<Vec<String>>,
    /// At least these conditions are missing in the permit.
    pub(super) missing: Vec<String>,
    /// The last command was taken or refused.
    pub(super) accepted: Option<bool>,
    /// Values of the tree, each between two bounds.
    pub(super) values: Vec<(String, ValueKey, f64, f64)>,
}

/// A moment of a scenario: first the deeds, then what must be so.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    pub(super) line: u32,
    pub(super) at: Span,
    pub(super) deeds: Vec<Deed>,
    pub(super) expect: Option<Expect>,
}

/// One scenario.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Scenario {
    pub(super) name: String,
    pub(super) line: u32,
    pub(super) start: Wall,
    pub(super) found: Found,
    pub(super) given: Vec<(SensorIx, Source)>,
    pub(super) steps: Vec<Step>,
}

/// 2026-03-01T12:00:00Z: any day will do, but always the same.
const START: i64 = 1_772_366_400_000;

const TOP: &[&str] = &["plant", "given", "scenario"];
const SCENARIO: &[&str] = &["name", "start", "state", "given", "step"];
const STEP: &[&str] = &[
    "at",
    "readings",
    "once",
    "stored",
    "opened",
    "closed",
    "stuck",
    "freed",
    "demand",
    "broker",
    "guard",
    "disk",
    "clock",
    "other_daemon",
    "command",
    "restart",
    "stop",
    "expect",
];
const EXPECT: &[&str] =
    &["permitted", "phase", "valve", "alarms", "passed", "sent", "missing", "answer", "values"];
const PHASES: &[&str] = &["idle", "starting", "producing", "flushing", "held", "tripped"];

type Value<'i> = Spanned<DeValue<'i>>;

/// The plant that a file names, before anything else is read of it.
pub(super) fn plant_of(text: &str) -> Option<String> {
    let (tree, _) = DeTable::parse_recoverable(text);
    tree.get_ref().get("plant").and_then(|value| value.get_ref().as_str()).map(str::to_owned)
}

/// Reads a scenario file for a plant.
///
/// # Errors
/// Every problem at once.
pub(super) fn read(file: &str, text: &str, setup: &Setup) -> Result<Vec<Scenario>, Problems> {
    let mut reader = Reader { file, text, setup, problems: Vec::new() };
    let (tree, errors) = DeTable::parse_recoverable(text);
    for error in errors {
        let at = error.span().map_or(0, |span| span.start);
        reader.wrong(at, "", format!("this is not TOML: {}", error.message()), "");
    }
    reader.keys(tree.get_ref(), TOP, "");
    let common = match tree.get_ref().get("given") {
        Some(value) => reader.sources(value, "given"),
        None => Vec::new(),
    };
    let mut scenarios = Vec::new();
    match tree.get_ref().get("scenario") {
        Some(list) => {
            for one in reader.tables(list, "scenario") {
                scenarios.extend(reader.scenario(one.0, one.1, &common));
            }
        }
        None if reader.problems.is_empty() => {
            reader.wrong(0, "scenario", "there is none".into(), "write at least one [[scenario]]");
        }
        None => {}
    }
    if reader.problems.is_empty() {
        Ok(scenarios)
    } else {
        let mut problems = Problems(reader.problems);
        problems.sort();
        Err(problems)
    }
}

struct Reader<'a> {
    file: &'a str,
    text: &'a str,
    setup: &'a Setup,
    problems: Vec<Problem>,
}

impl<'a> Reader<'a> {
    fn line(&self, offset: usize) -> u32 {
        let before = &self.text.as_bytes()[..offset.min(self.text.len())];
        u32::try_from(before.iter().filter(|byte| **byte == b'\n').count() + 1).unwrap_or(u32::MAX)
    }

    fn wrong(&mut self, offset: usize, key: &str, what: String, todo: impl Into<String>) {
        self.problems.push(Problem {
            severity: Severity::Error,
            file: self.file.to_owned(),
            line: Some(self.line(offset)),
            key_path: key.to_owned(),
            what,
            todo: todo.into(),
        });
    }

    fn keys(&mut self, table: &DeTable<'_>, known: &[&str], path: &str) {
        for (key, _) in table {
            let name: &str = key.get_ref();
            if !known.contains(&name) {
                let todo = nearest(name, known.iter().copied()).map_or_else(
                    || format!("known here: {}", known.join(", ")),
                    |near| format!("did you mean `{near}`?"),
                );
                self.wrong(key.span().start, &join(path, name), "is not known".into(), todo);
            }
        }
    }

    /// The tables of a list of tables.
    fn tables<'t, 'i>(
        &mut self,
        value: &'t Value<'i>,
        path: &str,
    ) -> Vec<(&'t DeTable<'i>, usize)> {
        let DeValue::Array(list) = value.get_ref() else {
            self.wrong(
                value.span().start,
                path,
                "is no list".into(),
                format!("write [[{path}]] above each"),
            );
            return Vec::new();
        };
        let mut tables = Vec::new();
        for one in list {
            match one.get_ref() {
                DeValue::Table(table) => tables.push((table, one.span().start)),
                _ => self.wrong(one.span().start, path, "is no table".into(), ""),
            }
        }
        tables
    }

    fn text<'t>(&mut self, value: &'t Value<'_>, path: &str) -> Option<&'t str> {
        let text = value.get_ref().as_str();
        if text.is_none() {
            self.wrong(value.span().start, path, "is no text".into(), "write it in quotes");
        }
        text
    }

    fn flag(&mut self, value: &Value<'_>, path: &str) -> Option<bool> {
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong(value.span().start, path, "is neither true nor false".into(), "");
        }
        flag
    }

    fn word(&mut self, value: &Value<'_>, path: &str, known: &[&str]) -> Option<String> {
        let text = self.text(value, path)?;
        if known.contains(&text) {
            return Some(text.to_owned());
        }
        let todo = format!("write one of: {}", known.join(", "));
        self.wrong(value.span().start, path, format!("'{text}' is not one of its words"), todo);
        None
    }

    fn texts(&mut self, value: &Value<'_>, path: &str) -> Option<Vec<(String, usize)>> {
        match value.get_ref() {
            DeValue::String(text) => Some(vec![(text.to_string(), value.span().start)]),
            DeValue::Array(list) => {
                let mut texts = Vec::new();
                for one in list {
                    texts.push((self.text(one, path)?.to_owned(), one.span().start));
                }
                Some(texts)
            }
            _ => {
                self.wrong(value.span().start, path, "is no list of texts".into(), "");
                None
            }
        }
    }

    fn span(&mut self, value: &Value<'_>, path: &str) -> Option<Span> {
        let span = match value.get_ref() {
            DeValue::String(text) => duration::parse(text),
            other => number(other).filter(|secs| *secs >= 0.0).map(Span::from_secs_f64),
        };
        if span.is_none() {
            let todo = "write it like \"45s\", \"5min 30s\", \"1h\", at most 366 d";
            self.wrong(value.span().start, path, "is no length of time".into(), todo);
        }
        span
    }

    fn scenario(
        &mut self,
        table: &DeTable<'_>,
        offset: usize,
        common: &[(SensorIx, Source)],
    ) -> Option<Scenario> {
        let name = match table.get("name") {
            Some(value) => self.text(value, "scenario.name")?.to_owned(),
            None => {
                self.wrong(offset, "scenario.name", "is missing".into(), "give it a name");
                String::new()
            }
        };
        self.keys(table, SCENARIO, "scenario");
        let start = table.get("start").and_then(|value| {
            let text = self.text(value, "scenario.start")?;
            let parsed = text.parse::<jiff::Timestamp>();
            if parsed.is_err() {
                let todo = "write it like 2026-03-01T22:30:00Z";
                self.wrong(value.span().start, "scenario.start", "is no time".into(), todo);
            }
            parsed.ok().map(|stamp| Wall::from_millis(stamp.as_millisecond()))
        });
        let state = table
            .get("state")
            .and_then(|value| self.word(value, "scenario.state", &["new", "lost"]));
        // The scenario's own word about a sensor comes later and wins.
        let mut given = common.to_vec();
        if let Some(value) = table.get("given") {
            given.extend(self.sources(value, "scenario.given"));
        }
        let mut steps: Vec<Step> = Vec::new();
        if let Some(list) = table.get("step") {
            for (step, at) in self.tables(list, "scenario.step") {
                if let Some(step) = self.step(step, at) {
                    if steps.last().is_some_and(|last| last.at > step.at) {
                        let what = "lies before the step above it".to_owned();
                        self.wrong(at, "step.at", what, "put the steps in order of time");
                    }
                    steps.push(step);
                }
            }
        }
        if !steps.iter().any(|step| step.expect.is_some()) {
            let what = format!("'{name}' expects nothing, so it cannot fail");
            self.wrong(offset, "scenario", what, "give a step an `expect`");
        }
        Some(Scenario {
            name,
            line: self.line(offset),
            start: start.unwrap_or(Wall::from_millis(START)),
            found: if state.as_deref() == Some("lost") { Found::Lost } else { Found::New },
            given,
            steps,
        })
    }

    fn step(&mut self, table: &DeTable<'_>, offset: usize) -> Option<Step> {
        self.keys(table, STEP, "step");
        let mut deeds = Vec::new();
        let mut expect = None;
        for (key, value) in table {
            let name: &str = key.get_ref();
            let path = format!("step.{name}");
            match name {
                "readings" => {
                    let sources = self.sources(value, &path);
                    deeds.extend(sources.into_iter().map(|(ix, source)| Deed::Feed(ix, source)));
                }
                "once" | "stored" => {
                    for (ix, value) in self.readings(value, &path) {
                        let once = name == "once";
                        deeds.push(if once {
                            Deed::Once(ix, value)
                        } else {
                            Deed::Stored(ix, value)
                        });
                    }
                }
                "opened" | "closed" => {
                    for actuator in self.actuators(value, &path) {
                        deeds.push(Deed::ByOthers { actuator, open: name == "opened" });
                    }
                }
                "stuck" | "freed" => {
                    for actuator in self.actuators(value, &path) {
                        deeds.push(Deed::Stuck { actuator, stuck: name == "stuck" });
                    }
                }
                "demand" => deeds.extend(self.flag(value, &path).map(Deed::Demand)),
                "other_daemon" => deeds.extend(self.flag(value, &path).map(Deed::OtherDaemon)),
                "broker" | "guard" => {
                    let part = if name == "broker" { Part::Broker } else { Part::Guard };
                    let word = self.word(value, &path, &["lost", "back"]);
                    deeds.extend(word.map(|word| Deed::World(part, word == "back")));
                }
                "disk" => {
                    let word = self.word(value, &path, &["full", "writable"]);
                    deeds.extend(word.map(|word| Deed::World(Part::Disk, word == "writable")));
                }
                "clock" => {
                    let word = self.word(value, &path, &["wrong", "right"]);
                    deeds.extend(word.map(|word| Deed::World(Part::Clock, word == "right")));
                }
                "command" => deeds.extend(self.command(value, &path)),
                "restart" => {
                    deeds.extend(self.flag(value, &path).filter(|yes| *yes).map(|_| Deed::Restart));
                }
                "stop" => {
                    deeds.extend(self.flag(value, &path).filter(|yes| *yes).map(|_| Deed::Stop));
                }
                "expect" => expect = self.expect(value),
                _ => {}
            }
        }
        let at = match table.get("at") {
            Some(value) => self.span(value, "step.at")?,
            None => {
                let todo = "say when, counted from the beginning of the scenario";
                self.wrong(offset, "step.at", "is missing".into(), todo);
                return None;
            }
        };
        Some(Step { line: self.line(offset), at, deeds, expect })
    }

    fn sensor(&mut self, id: &str, offset: usize, path: &str) -> Option<SensorIx> {
        let known = self.setup.sensors.iter().position(|sensor| sensor.id == id);
        if known.is_none() {
            let ids = || self.setup.sensors.iter().map(|sensor| sensor.id.as_str());
            let todo = nearest(id, ids()).map_or_else(
                || format!("this plant has: {}", ids().collect::<Vec<_>>().join(", ")),
                |near| format!("did you mean `{near}`?"),
            );
            self.wrong(offset, path, format!("there is no sensor '{id}'"), todo);
        }
        known
    }

    fn actuators(&mut self, value: &Value<'_>, path: &str) -> Vec<ActuatorIx> {
        let mut found = Vec::new();
        for (id, offset) in self.texts(value, path).unwrap_or_default() {
            match self.setup.actuators.iter().position(|actuator| actuator.id == id) {
                Some(ix) => found.push(ix),
                None => {
                    let ids: Vec<&str> =
                        self.setup.actuators.iter().map(|one| one.id.as_str()).collect();
                    let todo = format!("this plant has: {}", ids.join(", "));
                    self.wrong(offset, path, format!("there is no actuator '{id}'"), todo);
                }
            }
        }
        found
    }

    fn table<'t, 'i>(&mut self, value: &'t Value<'i>, path: &str) -> Option<&'t DeTable<'i>> {
        let DeValue::Table(table) = value.get_ref() else {
            let todo = "write it like { product = 0 }";
            self.wrong(value.span().start, path, "is no table".into(), todo);
            return None;
        };
        Some(table)
    }

    /// One reading, in the sensor's declared unit; states in the usual words.
    fn reading(&mut self, ix: SensorIx, value: &Value<'_>, path: &str) -> Option<f64> {
        let sensor = &self.setup.sensors[ix];
        let read = match value.get_ref() {
            DeValue::String(text) => {
                payload::decode(text.as_bytes(), "", "", sensor.quantity).ok().map(|one| one.value)
            }
            DeValue::Boolean(yes) if sensor.quantity.is_state() => Some(f64::from(u8::from(*yes))),
            DeValue::Boolean(_) => None,
            other => number(other)
                .filter(|value| !sensor.quantity.is_state() || *value == 0.0 || *value == 1.0),
        };
        match read {
            // A counter is fed in litres a minute, so its own unit does not matter.
            Some(value) if counts(sensor.quantity) => Some(value),
            Some(value) => Some(sensor.unit.to_canonical(value)),
            None => {
                let todo = if sensor.quantity.is_state() {
                    "write true or false, or its word (wet, dry, full, open, closed)".to_owned()
                } else {
                    "write a number in its declared unit".to_owned()
                };
                let what = format!("is no reading of {}", sensor.id);
                self.wrong(value.span().start, path, what, todo);
                None
            }
        }
    }

    fn readings(&mut self, value: &Value<'_>, path: &str) -> Vec<(SensorIx, f64)> {
        let Some(table) = self.table(value, path) else { return Vec::new() };
        let mut found = Vec::new();
        for (key, value) in table {
            let Some(ix) = self.sensor(key.get_ref(), key.span().start, path) else { continue };
            if counts(self.setup.sensors[ix].quantity) {
                let what = "a counter has no single reading here".to_owned();
                self.wrong(key.span().start, path, what, "feed it under `readings`");
                continue;
            }
            found.extend(self.reading(ix, value, path).map(|value| (ix, value)));
        }
        found
    }

    fn sources(&mut self, value: &Value<'_>, path: &str) -> Vec<(SensorIx, Source)> {
        let Some(table) = self.table(value, path) else { return Vec::new() };
        let mut found = Vec::new();
        for (key, value) in table {
            let Some(ix) = self.sensor(key.get_ref(), key.span().start, path) else { continue };
            let path = join(path, key.get_ref());
            found.extend(self.source(ix, value, &path).map(|source| (ix, source)));
        }
        found
    }

    fn source(&mut self, ix: SensorIx, value: &Value<'_>, path: &str) -> Option<Source> {
        match value.get_ref() {
            DeValue::String(text) if text == "silent" => return Some(Source::Silent),
            DeValue::String(text) if text == "offline" => return Some(Source::Offline),
            DeValue::String(text) if text == "unreadable" => return Some(Source::Unreadable),
            DeValue::Table(table) => {
                let offset = value.span().start;
                self.keys(table, &["open", "closed", "to", "over"], path);
                return match (
                    table.get("open"),
                    table.get("closed"),
                    table.get("to"),
                    table.get("over"),
                ) {
                    (Some(open), Some(closed), None, None) => {
                        let open = self.reading(ix, open, path);
                        let closed = self.reading(ix, closed, path);
                        Some(Source::Steady { open: open?, closed: closed? })
                    }
                    (None, None, Some(to), Some(over)) => {
                        let to = self.reading(ix, to, path);
                        let over = self.span(over, path);
                        Some(Source::Ramp { to: to?, over: over? })
                    }
                    _ => {
                        let todo = "write { open = …, closed = … } or { to = …, over = \"10min\" }";
                        self.wrong(offset, path, "is not complete".into(), todo);
                        None
                    }
                };
            }
            _ => {}
        }
        self.reading(ix, value, path).map(|value| Source::Steady { open: value, closed: value })
    }

    fn command(&mut self, value: &Value<'_>, path: &str) -> Option<Deed> {
        let table = self.table(value, path)?;
        let json = json(value.get_ref());
        match serde_json::from_value::<Ask>(json) {
            Ok(ask) => {
                let known = serde_json::to_value(&ask).unwrap_or_default();
                for (key, _) in table {
                    if known.get(&**key.get_ref()).is_none() {
                        let name = join(path, key.get_ref());
                        let what = "is not known in this command".to_owned();
                        self.wrong(key.span().start, &name, what, "");
                    }
                }
                Some(Deed::Command(Box::new(ask)))
            }
            Err(error) => {
                let todo = "write it as on the bus, like { ask = \"reset\", cause = \"leak\" }";
                self.wrong(value.span().start, path, format!("is no command: {error}"), todo);
                None
            }
        }
    }

    fn alarms(&mut self, value: &Value<'_>, path: &str) -> Option<Vec<AlarmKey>> {
        let mut keys = Vec::new();
        for (name, offset) in self.texts(value, path)? {
            match named(self.setup, &name) {
                Ok(key) => keys.push(key),
                Err(what) => {
                    let names = crate::engine::catalogue::ALARMS.iter().map(|row| row.name);
                    let todo = nearest(&name, names)
                        .map_or_else(String::new, |near| format!("did you mean `{near}`?"));
                    self.wrong(offset, path, what, todo);
                }
            }
        }
        keys.sort_unstable();
        Some(keys)
    }

    fn expect(&mut self, value: &Value<'_>) -> Option<Expect> {
        let table = self.table(value, "step.expect")?;
        self.keys(table, EXPECT, "expect");
        if table.is_empty() {
            let what = "expects nothing".to_owned();
            self.wrong(value.span().start, "step.expect", what, "write what must be so");
        }
        let mut expect = Expect::default();
        for (key, value) in table {
            let name: &str = key.get_ref();
            let path = format!("expect.{name}");
            match name {
                "permitted" => expect.permitted = self.flag(value, &path),
                "phase" => expect.phase = self.word(value, &path, PHASES),
                "valve" => expect.valve = self.text(value, &path).map(str::to_owned),
                "alarms" => expect.alarms = self.alarms(value, &path),
                "passed" => expect.passed = self.alarms(value, &path).unwrap_or_default(),
                "sent" => expect.sent = self.sent(value, &path),
                "missing" => {
                    let texts = self.texts(value, &path).unwrap_or_default();
                    expect.missing = texts.into_iter().map(|one| one.0).collect();
                }
                "answer" => {
                    let word = self.word(value, &path, &["accepted", "refused"]);
                    expect.accepted = word.map(|word| word == "accepted");
                }
                "values" => expect.values = self.values(value, &path),
                _ => {}
            }
        }
        Some(expect)
    }

    fn sent(&mut self, value: &Value<'_>, path: &str) -> Option<Vec<String>> {
        let texts = self.texts(value, path)?;
        let mut sent = Vec::new();
        for (text, offset) in texts {
            let known = text.split_once(' ').is_some_and(|(id, action)| {
                matches!(action, "open" | "close")
                    && self.setup.actuators.iter().any(|actuator| actuator.id == id)
            });
            if !known {
                let todo = "write the actuator's id and `close` or `open`, like \"valve close\"";
                self.wrong(offset, path, format!("'{text}' is no command of ours"), todo);
            }
            sent.push(text);
        }
        Some(sent)
    }

    fn values(&mut self, value: &Value<'_>, path: &str) -> Vec<(String, ValueKey, f64, f64)> {
        let Some(table) = self.table(value, path) else { return Vec::new() };
        let mut found = Vec::new();
        for (key, value) in table {
            let name: &str = key.get_ref();
            let Some(value_key) = value_key(self.setup, name) else {
                let todo = "write node/property as in config/reference.md, a part's after its id: \
                            resin-lead/used";
                self.wrong(key.span().start, path, format!("'{name}' is no value here"), todo);
                continue;
            };
            let bounds = match value.get_ref() {
                DeValue::Array(list) => match (list.first(), list.get(1), list.len()) {
                    (Some(a), Some(b), 2) => number(a.get_ref()).zip(number(b.get_ref())),
                    _ => None,
                },
                _ => None,
            };
            match bounds {
                Some((low, high)) if low <= high => {
                    found.push((name.to_owned(), value_key, low, high));
                }
                _ => {
                    let todo = "write the least and the most, like [0.95, 0.99]";
                    self.wrong(value.span().start, path, format!("{name} has no bounds"), todo);
                }
            }
        }
        found
    }
}

/// A running total or a running count.
pub(super) fn counts(quantity: Quantity) -> bool {
    matches!(quantity, Quantity::Volume | Quantity::Pulses)
}

fn join(path: &str, key: &str) -> String {
    if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }
}

fn number(value: &DeValue<'_>) -> Option<f64> {
    let number = match value {
        DeValue::Integer(integer) => {
            i64::from_str_radix(integer.as_str(), integer.radix()).ok()? as f64
        }
        DeValue::Float(float) => float.as_str().parse().ok()?,
        _ => return None,
    };
    number.is_finite().then_some(number)
}

fn json(value: &DeValue<'_>) -> serde_json::Value {
    match value {
        DeValue::String(text) => text.as_ref().into(),
        DeValue::Boolean(yes) => (*yes).into(),
        DeValue::Array(list) => list.iter().map(|one| json(one.get_ref())).collect(),
        DeValue::Table(table) => {
            let fields =
                table.iter().map(|(key, one)| (key.get_ref().to_string(), json(one.get_ref())));
            serde_json::Value::Object(fields.collect())
        }
        DeValue::Datetime(time) => time.to_string().into(),
        DeValue::Integer(_) | DeValue::Float(_) => {
            number(value).map_or(serde_json::Value::Null, Into::into)
        }
    }
}

/// Finds a value by the name it has on the bus.
fn value_key(setup: &Setup, name: &str) -> Option<ValueKey> {
    let (node, property) = name.split_once('/')?;
    let index = |ix: Option<usize>| ix.and_then(|ix| u16::try_from(ix).ok());
    SIGNALS.iter().filter(|row| row.property == property).find_map(|row| match row.of {
        Of::Plant => (row.node == node).then_some(ValueKey { signal: row.id, of: None }),
        Of::Part => {
            let part = node.strip_prefix(row.node)?.strip_prefix('-')?;
            let of = index(setup.parts.iter().position(|one| one.id == part))?;
            Some(ValueKey { signal: row.id, of: Some(of) })
        }
        Of::Sensor if row.id == SignalId::Reading => None,
        Of::Sensor => {
            let sensor = node.strip_prefix(row.node)?.strip_prefix('-')?;
            let of = index(setup.sensors.iter().position(|one| one.id == sensor))?;
            Some(ValueKey { signal: row.id, of: Some(of) })
        }
    })
}

/// The file's scenarios must have names of their own, or nobody knows which one failed.
pub(super) fn doubled(scenarios: &[Scenario]) -> Option<&Scenario> {
    let mut seen = BTreeMap::new();
    scenarios.iter().find(|scenario| seen.insert(scenario.name.as_str(), ()).is_some())
}
