//! From the bytes of a message to a number.
//!
//! A plain number, a number in a string, a yes or no in the usual spellings, or one of these inside
//! JSON, found by a pointer (RFC 6901). Invariants: never panics, whatever the bytes; gives only
//! finite numbers; looks at no more than [`PAYLOAD_MAX`] bytes and JSON no deeper than the parser's
//! own limit (128 levels). Absent on purpose: decimal commas, thousands separators, units inside the
//! payload. Guessing there would turn `1,234` into whatever suits.

use crate::engine::time::Wall;
use crate::units::Quantity;
use serde_json::Value;

/// Longest payload of a sensor that is looked at. A sensor that sends more is not sending a reading.
pub const PAYLOAD_MAX: usize = 65_536;
/// Bytes of a bad payload that are shown.
const SHOWN: usize = 48;

/// Why a payload gave no reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unparsable {
    /// Nothing in it.
    #[error("it is empty")]
    Empty,
    /// Longer than [`PAYLOAD_MAX`].
    #[error("it is longer than {PAYLOAD_MAX} bytes")]
    TooLong,
    /// Not text.
    #[error("it is not UTF-8")]
    NotText,
    /// Not JSON, or too deep.
    #[error("it is not JSON (or nested too deeply)")]
    NotJson,
    /// The pointer leads nowhere.
    #[error("the pointer finds nothing in it")]
    NothingThere,
    /// The sensor says that it has no value (`null`, `unavailable`, `unknown`, `none`).
    #[error("the sensor says that it has no value")]
    NoValue,
    /// What is there is no number.
    #[error("it is not a number")]
    NotANumber,
    /// Not a finite number.
    #[error("it is not a finite number")]
    NotFinite,
    /// What is there is no yes or no.
    #[error("it is neither a yes nor a no")]
    NotAState,
}

/// What was read from a payload.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decoded {
    /// The number, in the declared unit; states are 0 or 1. Finite.
    pub value: f64,
    /// The sensor's own time stamp, where one was asked for and could be read.
    pub stamp: Option<Wall>,
}

/// Reads one sensor's value from a payload. `pointer` and `time_pointer` may be empty.
///
/// # Errors
/// [`Unparsable`] says why there is none. A time stamp that cannot be read is only left out.
pub fn decode(
    payload: &[u8],
    pointer: &str,
    time_pointer: &str,
    quantity: Quantity,
) -> Result<Decoded, Unparsable> {
    let text = text(payload)?;
    if pointer.is_empty() && time_pointer.is_empty() {
        return Ok(Decoded { value: from_text(text, quantity)?, stamp: None });
    }
    let json: Value = serde_json::from_str(text).map_err(|_| Unparsable::NotJson)?;
    let found = json.pointer(pointer).ok_or(Unparsable::NothingThere)?;
    let value = from_json(found, quantity)?;
    let stamp = match time_pointer {
        "" => None,
        pointer => json.pointer(pointer).and_then(stamp),
    };
    Ok(Decoded { value, stamp })
}

/// Reads `online` or `offline` in the usual spellings.
pub fn availability(payload: &[u8]) -> Option<bool> {
    let text = text(payload).ok()?;
    match text.to_ascii_lowercase().as_str() {
        "online" | "available" | "connected" | "ready" | "true" | "on" | "1" | "up" => Some(true),
        "offline" | "unavailable" | "disconnected" | "lost" | "false" | "off" | "0" | "down" => {
            Some(false)
        }
        // {"state": "online"} is how some gateways say it.
        _ => {
            let json: Value = serde_json::from_str(text).ok()?;
            let state = json.get("state")?.as_str()?;
            (!state.starts_with('{')).then(|| availability(state.as_bytes()))?
        }
    }
}

/// Reads a yes or no in the usual spellings.
pub fn yes_or_no(payload: &[u8]) -> Option<bool> {
    word(text(payload).ok()?)
}

/// The first bytes of a payload, fit for a log line.
pub fn shown(payload: &[u8]) -> String {
    let cut = &payload[..payload.len().min(SHOWN)];
    let more = if payload.len() > SHOWN { "..." } else { "" };
    format!("{}{more}", cut.escape_ascii())
}

fn text(payload: &[u8]) -> Result<&str, Unparsable> {
    if payload.len() > PAYLOAD_MAX {
        return Err(Unparsable::TooLong);
    }
    let text = std::str::from_utf8(payload).map_err(|_| Unparsable::NotText)?;
    let text = text.trim_matches(|c: char| c.is_ascii_whitespace() || c == '\0');
    if text.is_empty() { Err(Unparsable::Empty) } else { Ok(text) }
}

fn from_json(found: &Value, quantity: Quantity) -> Result<f64, Unparsable> {
    match found {
        Value::Null => Err(Unparsable::NoValue),
        Value::Bool(yes) if quantity.is_state() => Ok(f64::from(u8::from(*yes))),
        Value::Bool(_) => Err(Unparsable::NotANumber),
        Value::Number(number) => {
            let value = number.as_f64().ok_or(Unparsable::NotANumber)?;
            from_number(value, quantity)
        }
        Value::String(text) => match text.trim() {
            "" => Err(Unparsable::Empty),
            text => from_text(text, quantity),
        },
        Value::Array(_) | Value::Object(_) => {
            Err(if quantity.is_state() { Unparsable::NotAState } else { Unparsable::NotANumber })
        }
    }
}

fn from_text(text: &str, quantity: Quantity) -> Result<f64, Unparsable> {
    if ["null", "none", "unavailable", "unknown", "undefined"]
        .iter()
        .any(|none| text.eq_ignore_ascii_case(none))
    {
        return Err(Unparsable::NoValue);
    }
    if quantity.is_state()
        && let Some(yes) = word(text)
    {
        return Ok(f64::from(u8::from(yes)));
    }
    // Rust also reads "inf", "nan" and "infinity"; those are words here, and never numbers.
    let looks_like_one =
        text.bytes().all(|b| b.is_ascii_digit() || matches!(b, b'+' | b'-' | b'.' | b'e' | b'E'));
    let value = looks_like_one.then(|| text.parse::<f64>().ok()).flatten();
    match value {
        Some(value) => from_number(value, quantity),
        None if ["nan", "inf", "+inf", "-inf", "infinity", "-infinity"]
            .iter()
            .any(|word| text.eq_ignore_ascii_case(word)) =>
        {
            Err(Unparsable::NotFinite)
        }
        None if quantity.is_state() => Err(Unparsable::NotAState),
        None => Err(Unparsable::NotANumber),
    }
}

fn from_number(value: f64, quantity: Quantity) -> Result<f64, Unparsable> {
    if !value.is_finite() {
        return Err(Unparsable::NotFinite);
    }
    if quantity.is_state() && value != 0.0 && value != 1.0 {
        return Err(Unparsable::NotAState);
    }
    Ok(value)
}

/// Wet, full and open are the yes.
fn word(text: &str) -> Option<bool> {
    match text.to_ascii_lowercase().as_str() {
        "on" | "true" | "1" | "yes" | "open" | "opened" | "wet" | "leak" | "leaking" | "full"
        | "high" | "active" | "detected" | "alarm" => Some(true),
        "off" | "false" | "0" | "no" | "closed" | "close" | "dry" | "none" | "ok" | "empty"
        | "low" | "inactive" | "clear" | "normal" => Some(false),
        _ => None,
    }
}

/// A time stamp: RFC 3339, or seconds or milliseconds since 1970. What lies before 2001 or after
/// 2286 in the one reading is read in the other.
fn stamp(found: &Value) -> Option<Wall> {
    match found {
        Value::String(text) => match text.trim().parse::<jiff::Timestamp>() {
            Ok(time) => Some(Wall::from_millis(time.as_millisecond())),
            Err(_) => epoch(text.trim().parse().ok()?),
        },
        Value::Number(number) => epoch(number.as_f64()?),
        _ => None,
    }
}

fn epoch(number: f64) -> Option<Wall> {
    const SECONDS: std::ops::Range<f64> = 1e9..1e10;
    const MILLIS: std::ops::Range<f64> = 1e12..1e13;
    if SECONDS.contains(&number) {
        Some(Wall::from_millis((number * 1000.0).round() as i64))
    } else if MILLIS.contains(&number) {
        Some(Wall::from_millis(number.round() as i64))
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn plain(text: &str) -> Result<f64, Unparsable> {
        decode(text.as_bytes(), "", "", Quantity::Tds).map(|decoded| decoded.value)
    }

    fn at(text: &str, pointer: &str) -> Result<f64, Unparsable> {
        decode(text.as_bytes(), pointer, "", Quantity::Tds).map(|decoded| decoded.value)
    }

    fn state(text: &str) -> Result<f64, Unparsable> {
        decode(text.as_bytes(), "", "", Quantity::Leak).map(|decoded| decoded.value)
    }

    #[test]
    fn plain_numbers() {
        for (text, value) in [("12.5", 12.5), (" 7\n", 7.0), ("-0.1", -0.1), ("1e3", 1000.0)] {
            assert_eq!(plain(text), Ok(value), "{text}");
        }
    }

    #[test]
    fn what_is_no_number_says_why() {
        for (text, why) in [
            ("", Unparsable::Empty),
            ("  ", Unparsable::Empty),
            ("12,5", Unparsable::NotANumber),
            ("1,234.5", Unparsable::NotANumber),
            ("12 ppm", Unparsable::NotANumber),
            ("0x10", Unparsable::NotANumber),
            ("NaN", Unparsable::NotFinite),
            ("inf", Unparsable::NotFinite),
            ("-Infinity", Unparsable::NotFinite),
            ("1e999", Unparsable::NotFinite),
            ("unavailable", Unparsable::NoValue),
            ("true", Unparsable::NotANumber),
        ] {
            assert_eq!(plain(text), Err(why), "{text}");
        }
        assert_eq!(decode(&[0xff, 0xfe], "", "", Quantity::Tds), Err(Unparsable::NotText));
        let long = vec![b'1'; 1 << 20];
        assert_eq!(decode(&long, "", "", Quantity::Tds), Err(Unparsable::TooLong));
    }

    #[test]
    fn numbers_inside_json_are_found_by_pointer() {
        assert_eq!(at(r#"{"tds": 3.5}"#, "/tds"), Ok(3.5));
        assert_eq!(at(r#"{"tds": "3.5"}"#, "/tds"), Ok(3.5));
        assert_eq!(at(r#"{"a": [{"b": 1}, {"b": 2}]}"#, "/a/1/b"), Ok(2.0));
        assert_eq!(at(r#"{"a/b": {"~": 4}}"#, "/a~1b/~0"), Ok(4.0));
        assert_eq!(at(r#"{"tds": null}"#, "/tds"), Err(Unparsable::NoValue));
        assert_eq!(at(r#"{"tds": 1e999}"#, "/tds"), Err(Unparsable::NotJson));
        assert_eq!(at(r#"{"tds": {}}"#, "/tds"), Err(Unparsable::NotANumber));
        assert_eq!(at(r#"{"other": 1}"#, "/tds"), Err(Unparsable::NothingThere));
        assert_eq!(at("12.5", "/tds"), Err(Unparsable::NothingThere));
        assert_eq!(at("{", "/tds"), Err(Unparsable::NotJson));
    }

    #[test]
    fn deep_json_is_refused_and_does_not_exhaust_the_stack() {
        let deep = format!("{}1{}", "[".repeat(30_000), "]".repeat(30_000));
        assert_eq!(at(&deep, "/0"), Err(Unparsable::NotJson));
    }

    #[test]
    fn states_in_the_usual_spellings() {
        for yes in ["on", "ON", "true", "True", "1", "1.0", "wet", "open", "FULL", "yes"] {
            assert_eq!(state(yes), Ok(1.0), "{yes}");
        }
        for no in ["off", "OFF", "false", "0", "dry", "closed", "No"] {
            assert_eq!(state(no), Ok(0.0), "{no}");
        }
        assert_eq!(state("2"), Err(Unparsable::NotAState));
        assert_eq!(state("perhaps"), Err(Unparsable::NotAState));
        assert_eq!(
            decode(br#"{"water_leak": true}"#, "/water_leak", "", Quantity::Leak)
                .map(|decoded| decoded.value),
            Ok(1.0)
        );
    }

    #[test]
    fn a_sensors_own_time_in_each_form() {
        let read = |time: &str| {
            let payload = format!(r#"{{"v": 1, "t": {time}}}"#);
            decode(payload.as_bytes(), "/v", "/t", Quantity::Tds).expect("a value").stamp
        };
        let expected = Some(Wall::from_millis(1_764_000_000_500));
        assert_eq!(read("1764000000.5"), expected);
        assert_eq!(read("1764000000500"), expected);
        assert_eq!(read("\"1764000000500\""), expected);
        assert_eq!(read("\"2025-11-24T16:00:00.5Z\""), expected);
        assert_eq!(read("\"2025-11-24T17:00:00.5+01:00\""), expected);
        assert_eq!(read("12"), None, "time since boot is no wall clock");
        assert_eq!(read("\"yesterday\""), None);
        assert_eq!(read("null"), None);
    }

    #[test]
    fn availability_in_the_usual_spellings() {
        assert_eq!(availability(b"online"), Some(true));
        assert_eq!(availability(br#"{"state":"offline"}"#), Some(false));
        assert_eq!(availability(b"perhaps"), None);
        assert_eq!(availability(br#"{"state":"{\"state\":\"online\"}"}"#), None);
    }

    #[test]
    fn a_bad_payload_is_shown_short_and_printable() {
        assert_eq!(shown(b"a\n\xff"), r"a\n\xff");
        assert!(shown(&[b'x'; 1000]).len() < 60);
    }

    proptest! {
        #![proptest_config(ProptestConfig {
            failure_persistence: None,
            ..ProptestConfig::default()
        })]

        #[test]
        fn any_bytes_give_a_finite_number_or_a_reason(
            payload in proptest::collection::vec(any::<u8>(), 0..200),
            pointer in "(/[a-z0-9~]{0,3}){0,3}",
        ) {
            for quantity in [Quantity::Tds, Quantity::Leak] {
                if let Ok(decoded) = decode(&payload, &pointer, "/t", quantity) {
                    prop_assert!(decoded.value.is_finite());
                }
                if let Ok(decoded) = decode(&payload, "", "", quantity) {
                    prop_assert!(decoded.value.is_finite());
                }
            }
            let _ = (availability(&payload), yes_or_no(&payload), shown(&payload));
        }

        #[test]
        fn every_finite_number_is_read_back(value in proptest::num::f64::NORMAL | proptest::num::f64::ZERO) {
            prop_assert_eq!(plain(&value.to_string()), Ok(value));
            prop_assert_eq!(at(&format!("{{\"v\":{value}}}"), "/v"), Ok(value));
        }
    }
}
