//! An output of a replay as a line of JSON: with its time, and the names of the bus instead of indices:
//! `name` is node and property of a value, or the alarm.
//!
//! Invariants: fields stand in the order of the alphabet; numbers have nine significant digits, since
//! floats differ in their last bits between machines and maths libraries. Nearly all lines are values:
//! they are written as they are ([`ValueLine`]), the rest by way of a tree.

use crate::edge::mqtt::topics::{alarm_id, node_and_property};
use crate::engine::output::{Datum, Output, ValueKey, ValueUpdate};
use crate::engine::setup::Setup;
use crate::engine::time::{Now, Wall};
use crate::engine::value::{Basis, Flag, NoReading, Reason};
use serde::{Serialize, Serializer};
use serde_json::{Value, json};
use std::collections::BTreeMap;

/// Writes lines, one after the other.
#[derive(Default)]
pub(super) struct Lines {
    line: Vec<u8>,
    /// The latest time in words: outputs of one event share it.
    at: Option<(Wall, String)>,
    /// Node and property of each value told so far.
    names: BTreeMap<ValueKey, String>,
}

impl Lines {
    /// The line of an output, with its end.
    ///
    /// # Errors
    /// What JSON cannot hold.
    pub(super) fn line(
        &mut self,
        output: &Output,
        now: Now,
        setup: &Setup,
    ) -> serde_json::Result<&[u8]> {
        self.line.clear();
        if self.at.as_ref().map(|(wall, _)| *wall) != now.wall {
            self.at = now.wall.and_then(in_words);
        }
        let at = self.at.as_ref().map(|(_, words)| words.as_str());
        match output {
            Output::Value(update) => {
                let name =
                    self.names.entry(update.key).or_insert_with(|| name_of(setup, update.key));
                let line = ValueLine::of(update, now, at, name);
                serde_json::to_writer(&mut self.line, &line)?;
            }
            other => serde_json::to_writer(&mut self.line, &tree(other, now, at, setup))?,
        }
        self.line.push(b'\n');
        Ok(&self.line)
    }
}

fn in_words(wall: Wall) -> Option<(Wall, String)> {
    let at = jiff::Timestamp::from_millisecond(wall.millis()).ok()?;
    Some((wall, format!("{at:.3}")))
}

fn name_of(setup: &Setup, key: ValueKey) -> String {
    let (node, property) = node_and_property(setup, key);
    format!("{node}/{property}")
}

/// A value, its fields in the order of the alphabet.
#[derive(Serialize)]
struct ValueLine<'a> {
    basis: Basis,
    datum: std::result::Result<Shown<'a>, NoReading>,
    flag: Flag,
    m: i64,
    name: &'a str,
    o: &'static str,
    #[serde(skip_serializing_if = "<[Reason]>::is_empty")]
    reasons: &'a [Reason],
    stamp: Option<Wall>,
    store: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    t: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    u: Option<Nine>,
}

/// As [`Datum`], without a copy.
#[derive(Serialize)]
#[serde(untagged)]
enum Shown<'a> {
    Number(Nine),
    State { code: u16, word: &'a str },
    Flag(bool),
    Text(&'a str),
}

impl<'a> ValueLine<'a> {
    fn of(update: &'a ValueUpdate, now: Now, t: Option<&'a str>, name: &'a str) -> Self {
        let ValueUpdate { key: _, datum, u, flag, reasons, basis, stamp, store } = update;
        Self {
            basis: *basis,
            datum: datum.as_ref().map_err(|why| *why).map(|datum| match datum {
                Datum::Number(number) => Shown::Number(Nine(*number)),
                Datum::State { code, word } => Shown::State { code: *code, word },
                Datum::Flag(flag) => Shown::Flag(*flag),
                Datum::Text(text) => Shown::Text(text),
            }),
            flag: *flag,
            m: now.mono.millis(),
            name,
            o: "value",
            reasons,
            stamp: *stamp,
            store: *store,
            t,
            u: u.map(Nine),
        }
    }
}

/// Any output by way of a tree.
fn tree(output: &Output, now: Now, t: Option<&str>, setup: &Setup) -> Value {
    let mut value = named(output, setup);
    let Some(fields) = value.as_object_mut() else { return value };
    if let Some(t) = t {
        fields.insert("t".into(), t.into());
    }
    fields.insert("m".into(), now.mono.millis().into());
    value
}

/// An output as a tree, in the names of the bus.
pub(super) fn named(output: &Output, setup: &Setup) -> Value {
    let mut value = rounded(serde_json::to_value(output).unwrap_or_default());
    let Some(fields) = value.as_object_mut() else { return value };
    let name = match output {
        Output::Value(update) => Some(name_of(setup, update.key)),
        Output::Alarm(update) => {
            if let Some(under) = update.under {
                fields.insert("under".into(), under.name().into());
            }
            Some(alarm_id(setup, update.key))
        }
        Output::Send(crate::engine::output::Send { actuator, .. })
        | Output::DropGuard { actuator } => {
            let id = setup.actuators.get(*actuator).map(|actuator| actuator.id.as_str());
            fields.insert("actuator".into(), json!(id));
            None
        }
        _ => None,
    };
    if let Some(name) = name {
        fields.remove("key");
        fields.insert("name".into(), name.into());
    }
    value
}

/// A number of nine significant digits; without end or none at all: `null`, as JSON has no other.
#[derive(Clone, Copy)]
struct Nine(f64);

impl Nine {
    fn rounded(self) -> Option<f64> {
        let thousandths = self.0 * 1000.0;
        if thousandths.abs() < 1e9 && thousandths.round() / 1000.0 == self.0 {
            // So few digits as it is; no negative zero.
            return Some(self.0 + 0.0);
        }
        format!("{:.8e}", self.0)
            .parse::<f64>()
            .ok()
            .filter(|round| round.is_finite())
            .map(|round| round + 0.0)
    }
}

impl Serialize for Nine {
    fn serialize<S: Serializer>(&self, serializer: S) -> std::result::Result<S::Ok, S::Error> {
        self.rounded().serialize(serializer)
    }
}

/// All numbers of a tree with nine significant digits.
fn rounded(value: Value) -> Value {
    match value {
        Value::Number(number) if number.is_f64() => {
            json!(Nine(number.as_f64().unwrap_or_default()))
        }
        Value::Array(items) => items.into_iter().map(rounded).collect(),
        Value::Object(fields) => {
            fields.into_iter().map(|(key, value)| (key, rounded(value))).collect()
        }
        other => other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::catalogue::SignalId;
    use crate::engine::time::Mono;

    fn update(signal: SignalId, of: Option<u16>, datum: Result<Datum, NoReading>) -> ValueUpdate {
        ValueUpdate {
            key: ValueKey { signal, of },
            datum,
            u: Some(0.012345678912),
            flag: Flag::Suspect,
            reasons: vec![Reason::Contradiction, Reason::Clock],
            basis: Basis::Measured,
            stamp: Some(Wall::from_millis(1_767_225_630_000)),
            store: true,
        }
    }

    #[test]
    fn a_value_is_written_as_its_tree_would_be() {
        let setup = crate::engine::setup::example();
        let numbers = [0.0, -0.0, 1.0, 0.1 + 0.2, 1e-9 / 3.0, 123_456.789_123, -2e15, f64::NAN];
        let mut updates: Vec<ValueUpdate> = numbers
            .map(|number| update(SignalId::Recovery, None, Ok(Datum::Number(number))))
            .into();
        updates.extend([
            update(SignalId::Reading, Some(0), Ok(Datum::Flag(true))),
            update(SignalId::Reading, Some(999), Ok(Datum::Text("a \"word\"".into()))),
            update(SignalId::ResinUsed, Some(0), Err(NoReading::NeverSeen)),
            update(SignalId::Phase, None, Ok(Datum::State { code: 3, word: "making".into() })),
        ]);
        updates.push(ValueUpdate {
            u: None,
            reasons: Vec::new(),
            stamp: None,
            store: false,
            ..updates[0].clone()
        });
        let mut lines = Lines::default();
        for wall in [None, Some(Wall::from_millis(1_767_225_630_123))] {
            let now = Now { mono: Mono::from_millis(4_567), wall };
            let words = wall.and_then(in_words).map(|(_, words)| words);
            assert_eq!(words.as_deref(), wall.map(|_| "2026-01-01T00:00:30.123Z"));
            for update in &updates {
                let output = Output::Value(update.clone());
                let by_tree = tree(&output, now, words.as_deref(), &setup).to_string() + "\n";
                let line = lines.line(&output, now, &setup).expect("JSON");
                assert_eq!(String::from_utf8_lossy(line), by_tree);
            }
        }
    }

    #[test]
    fn numbers_have_nine_digits_and_no_negative_zero() {
        for (number, told) in [
            (1.0 / 3.0, "0.333333333"),
            (-0.0, "0.0"),
            (2.5, "2.5"),
            (123_456_789_123.0, "123456789000.0"),
            (999_999.999_4, "999999.999"),
            (-1e-20 / 3.0, "-3.33333333e-21"),
            (f64::INFINITY, "null"),
        ] {
            let line = serde_json::to_string(&Nine(number)).expect("JSON");
            assert_eq!(line, told, "{number}");
        }
    }
}
