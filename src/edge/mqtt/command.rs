//! Commands from the bus: from a topic and a payload to what is asked.
//!
//! A payload is a JSON object with the fields of the command, and optionally `id` (repeated in the
//! answer) and `at` (a late one is refused by the engine). Short forms for people and simple hubs:
//! a command without fields takes any payload that is no object, `litres` takes a plain number,
//! `reset` a plain alarm name, `acknowledge` likewise. Absent on purpose: retained commands. A stored
//! command would be carried out again at every reconnect; it is refused and cleared.

use super::topics::{ALARM, GUARD, SERVICE};
use crate::engine::event::{Ask, Command, ServiceEntry};
use crate::engine::time::Wall;
use serde_json::{Map, Value};

/// Longest command that is read.
pub const COMMAND_MAX: usize = 16_384;

/// Reads a command. `node` and `name` come from the topic.
///
/// # Errors
/// Says in words what is wrong, for the answer on the event stream.
pub fn parse(node: &str, name: &str, payload: &[u8]) -> Result<Command, String> {
    if payload.len() > COMMAND_MAX {
        return Err(format!("longer than {COMMAND_MAX} bytes"));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "not UTF-8".to_owned())?.trim();
    let mut fields = match text.starts_with('{') {
        true => serde_json::from_str::<Map<String, Value>>(text)
            .map_err(|error| format!("not a JSON object: {error}"))?,
        false => short_form(node, name, text)?,
    };
    let id = match fields.remove("id") {
        None | Some(Value::Null) => String::new(),
        Some(Value::String(id)) if id.len() <= 64 => id,
        Some(Value::Number(id)) => id.to_string(),
        Some(_) => return Err("'id' must be a text of at most 64 bytes".to_owned()),
    };
    let at = match fields.remove("at") {
        None | Some(Value::Null) => None,
        Some(value) => Some(time(&value)?),
    };
    let what = match node {
        SERVICE => {
            let entry: ServiceEntry = serde_json::from_value(Value::Object(fields))
                .map_err(|error| format!("not a service entry: {error}"))?;
            finite(&entry)?;
            Ask::Service(entry)
        }
        _ => {
            fields.insert("ask".to_owned(), Value::String(name.to_owned()));
            serde_json::from_value(Value::Object(fields))
                .map_err(|error| format!("{name}: {error}"))?
        }
    };
    if let Ask::Litres { litres } = what
        && litres <= 0.0
    {
        return Err("'litres' must be above 0".to_owned());
    }
    Ok(Command { id, at, what })
}

fn finite(entry: &ServiceEntry) -> Result<(), String> {
    match entry {
        ServiceEntry::Handheld { u, .. } if *u < 0.0 => Err("'u' must not be negative".to_owned()),
        _ => Ok(()),
    }
}

fn short_form(node: &str, name: &str, text: &str) -> Result<Map<String, Value>, String> {
    let field = match (node, name) {
        (
            GUARD,
            "close" | "release" | "bypass-end" | "accept-gas-end" | "test-run-end"
            | "confirm-state",
        ) => return Ok(Map::new()),
        (GUARD, "litres") => {
            let litres: f64 = text.parse().map_err(|_| "not a number of litres".to_owned())?;
            let litres = serde_json::Number::from_f64(litres)
                .ok_or_else(|| "not a finite number of litres".to_owned())?;
            return Ok(Map::from_iter([("litres".to_owned(), Value::Number(litres))]));
        }
        (GUARD, "reset") => "cause",
        (ALARM, "acknowledge" | "unshelve") => "alarm",
        (GUARD, "proof") => "what",
        _ => return Err(format!("{name} needs a JSON object with its fields")),
    };
    let plain = !text.is_empty()
        && text.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-');
    if !plain {
        return Err(format!("{name} needs a JSON object, or the plain name of its {field}"));
    }
    Ok(Map::from_iter([(field.to_owned(), Value::String(text.to_owned()))]))
}

fn time(value: &Value) -> Result<Wall, String> {
    let wrong = || "'at' must be RFC 3339 or milliseconds since 1970".to_owned();
    match value {
        Value::String(text) => text
            .parse::<jiff::Timestamp>()
            .map(|time| Wall::from_millis(time.as_millisecond()))
            .map_err(|_| wrong()),
        Value::Number(number) => number.as_i64().map(Wall::from_millis).ok_or_else(wrong),
        _ => Err(wrong()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edge::mqtt::topics::{ALARM_COMMANDS, GUARD_COMMANDS};

    fn ask(node: &str, name: &str, payload: &str) -> Result<Ask, String> {
        parse(node, name, payload.as_bytes()).map(|command| command.what)
    }

    #[test]
    fn a_reset_names_its_cause() {
        let expected = Ask::Reset { cause: "leak".into(), reason: "dried the floor".into() };
        let payload = r#"{"cause": "leak", "reason": "dried the floor"}"#;
        assert_eq!(ask(GUARD, "reset", payload), Ok(expected));
        assert_eq!(
            ask(GUARD, "reset", "leak"),
            Ok(Ask::Reset { cause: "leak".into(), reason: String::new() })
        );
        assert!(ask(GUARD, "reset", "PRESS").is_err());
        assert!(ask(GUARD, "reset", "{}").is_err());
    }

    #[test]
    fn id_and_time_are_taken_out() {
        let command =
            parse(GUARD, "close", br#"{"id": "a1", "at": "2026-11-25T10:00:00Z"}"#).expect("good");
        assert_eq!(command.id, "a1");
        assert_eq!(command.at, Some(Wall::from_millis(1_795_600_800_000)));
        assert_eq!(command.what, Ask::Close);
    }

    #[test]
    fn bad_commands_say_what_is_wrong() {
        for (node, name, payload) in [
            (GUARD, "close", "{"),
            (GUARD, "close", r#"{"at": "soon"}"#),
            (GUARD, "litres", "many"),
            (GUARD, "litres", "-3"),
            (GUARD, "litres", "NaN"),
            (GUARD, "test-run", "PRESS"),
            (ALARM, "shelve", r#"{"alarm": "leak"}"#),
            (SERVICE, "entry", r#"{"entry": "unknown"}"#),
            (SERVICE, "entry", "cleaned"),
        ] {
            let error = ask(node, name, payload).expect_err(payload);
            assert!(!error.is_empty());
        }
    }

    #[test]
    fn service_entries_are_read() {
        let payload = r#"{"entry": "handheld", "sensor": "product", "value": 0.5}"#;
        assert_eq!(
            ask(SERVICE, "entry", payload),
            Ok(Ask::Service(ServiceEntry::Handheld {
                sensor: "product".into(),
                value: 0.5,
                u: 0.0
            }))
        );
    }

    #[test]
    fn the_documented_service_entries_are_all_and_are_taken() {
        let mut words = Vec::new();
        for (example, _) in crate::engine::event::SERVICE_ENTRIES {
            let Ok(Ask::Service(entry)) = ask(SERVICE, "entry", example) else {
                panic!("{example} is refused")
            };
            // A new entry does not compile here until it has its word, and then wants an example.
            words.push(match entry {
                ServiceEntry::PartChanged { .. } => 0,
                ServiceEntry::LagToLead { .. } => 1,
                ServiceEntry::Handheld { .. } => 2,
                ServiceEntry::TapAnalysis { .. } => 3,
                ServiceEntry::CarbonTest { .. } => 4,
                ServiceEntry::ValveServiced { .. } => 5,
                ServiceEntry::Checked { .. } => 6,
                ServiceEntry::Note { .. } => 7,
            });
        }
        words.sort_unstable();
        assert_eq!(words, (0..8).collect::<Vec<_>>());
    }

    #[test]
    fn every_command_topic_leads_to_a_command_of_the_engine() {
        let fields = r#"{"cause": "leak", "reason": "x", "litres": 3, "ppm": 1, "what": "valve",
            "outlet_to_drain": true, "alarm": "leak", "secs": 60, "out": true}"#;
        for name in GUARD_COMMANDS {
            ask(GUARD, name, fields).expect(name);
        }
        for name in ALARM_COMMANDS {
            ask(ALARM, name, fields).expect(name);
        }
    }
}
