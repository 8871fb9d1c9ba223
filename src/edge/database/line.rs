//! One line of the line protocol, written so that every server reads the same thing.
//!
//! Invariants: names are `[A-Za-z0-9_]`; tag values are never empty, never hold a control
//! character or a backslash of their own; every field is a finite float; no field is ever a string or an integer,
//! so no series changes its type. A line without a field does not exist. Absent on purpose: a
//! general writer. Other writers let `NaN`, empty tags and raw line breaks through, and some servers
//! drop such lines with a success code.

use crate::engine::time::Wall;
use std::fmt::Write as _;

/// One point: measurement, tags, fields, stamp.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    head: String,
    fields: String,
    stamp: Wall,
}

impl Line {
    /// A point of `measurement` at `stamp`, as yet without tags and fields.
    ///
    /// # Panics
    /// When the name is not `[A-Za-z0-9_]+`: names are constants of `series`.
    pub fn new(measurement: &'static str, stamp: Wall) -> Self {
        assert!(is_name(measurement), "a measurement's name is [A-Za-z0-9_]+");
        Self { head: measurement.to_owned(), fields: String::new(), stamp }
    }

    /// Adds a tag. What the protocol cannot carry is replaced: control characters become spaces,
    /// backslashes become slashes, and an empty value means no tag.
    ///
    /// # Panics
    /// When the name is not `[A-Za-z0-9_]+`.
    #[must_use]
    pub fn tag(mut self, name: &'static str, value: &str) -> Self {
        assert!(is_name(name), "a tag's name is [A-Za-z0-9_]+");
        if value.is_empty() {
            return self;
        }
        self.head.push(',');
        self.head.push_str(name);
        self.head.push('=');
        for character in value.chars() {
            match character {
                ',' | '=' | ' ' => {
                    self.head.push('\\');
                    self.head.push(character);
                }
                // Servers disagree on what a backslash before a delimiter means.
                '\\' => self.head.push('/'),
                other if other.is_control() => self.head.push_str("\\ "),
                other => self.head.push(other),
            }
        }
        self
    }

    /// Adds a field. A number that is not finite is left out: it would be dropped, or worse, kept.
    ///
    /// # Panics
    /// When the name is not `[A-Za-z0-9_]+`.
    #[must_use]
    pub fn field(mut self, name: &'static str, value: f64) -> Self {
        assert!(is_name(name), "a field's name is [A-Za-z0-9_]+");
        if !value.is_finite() {
            return self;
        }
        if !self.fields.is_empty() {
            self.fields.push(',');
        }
        let plain = value == 0.0 || (1e-6..1e15).contains(&value.abs());
        let _ = if plain {
            write!(self.fields, "{name}={value}")
        } else {
            write!(self.fields, "{name}={value:e}")
        };
        self
    }

    /// Adds a field where there is a number for it.
    #[must_use]
    pub fn field_if(self, name: &'static str, value: Option<f64>) -> Self {
        match value {
            Some(value) => self.field(name, value),
            None => self,
        }
    }

    /// The line, or `None` when it has no field left.
    pub fn text(&self) -> Option<String> {
        (!self.fields.is_empty())
            .then(|| format!("{} {} {}", self.head, self.fields, self.stamp.millis()))
    }
}

fn is_name(name: &str) -> bool {
    !name.is_empty() && name.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'_')
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn point() -> Line {
        Line::new("m", Wall::from_millis(1_700_000_000_123))
    }

    #[test]
    fn a_point_looks_as_the_protocol_wants_it() {
        let text = point().tag("plant", "home").field("value", 12.5).field("flag", 1.0).text();
        assert_eq!(text.as_deref(), Some("m,plant=home value=12.5,flag=1 1700000000123"));
    }

    #[test]
    fn delimiters_in_tags_are_escaped_and_what_cannot_be_carried_is_not() {
        let text =
            point().tag("a", "x y,z=1").tag("b", "").tag("c", "tail\\").tag("d", "two\nlines");
        assert_eq!(
            text.field("value", 1.0).text().as_deref(),
            Some("m,a=x\\ y\\,z\\=1,c=tail/,d=two\\ lines value=1 1700000000123")
        );
    }

    #[test]
    fn a_number_that_is_not_finite_is_no_field_and_a_point_without_fields_is_no_line() {
        assert_eq!(point().field("value", f64::NAN).field("u", f64::INFINITY).text(), None);
        assert_eq!(
            point().field("value", f64::NAN).field("u", 0.5).text().as_deref(),
            Some("m u=0.5 1700000000123")
        );
    }

    #[test]
    fn very_large_and_very_small_numbers_stay_short() {
        let text = point().field("a", 5e-324).field("b", 1e300).text().expect("has fields");
        assert_eq!(text, "m a=5e-324,b=1e300 1700000000123");
    }

    /// Reads a line back by the published grammar: an unescaped space ends a section, an unescaped
    /// comma a pair, an unescaped equals sign a key.
    fn read(text: &str) -> (Vec<String>, Vec<(String, f64)>, i64) {
        let split = |text: &str, at: char| -> Vec<String> {
            let (mut parts, mut escaped) = (vec![String::new()], false);
            for character in text.chars() {
                if character == at && !escaped {
                    parts.push(String::new());
                } else {
                    parts.last_mut().expect("one part at least").push(character);
                }
                escaped = character == '\\' && !escaped;
            }
            parts
        };
        let sections = split(text, ' ');
        assert_eq!(sections.len(), 3, "{text}");
        let fields = split(&sections[1], ',')
            .into_iter()
            .map(|pair| {
                let (name, number) = pair.split_once('=').expect("name=value");
                (name.to_owned(), number.parse().expect("a float"))
            })
            .collect();
        (split(&sections[0], ','), fields, sections[2].parse().expect("a stamp"))
    }

    proptest! {
        #[test]
        fn every_finite_number_comes_back_as_the_same_bits(value in proptest::num::f64::ANY) {
            let text = point().field("keep", 1.0).field("value", value).text().expect("has a field");
            let (_, fields, stamp) = read(&text);
            prop_assert_eq!(stamp, 1_700_000_000_123);
            if value.is_finite() {
                prop_assert_eq!(fields[1].1.to_bits(), value.to_bits());
            } else {
                prop_assert_eq!(fields.len(), 1);
            }
        }

        #[test]
        fn no_tag_value_can_break_the_line(value in "[ -~\\n\\r\\t\\\\äΩ,=]{0,24}") {
            let text = point().tag("t", &value).field("value", 1.0).text().expect("has a field");
            prop_assert!(!text.contains(['\n', '\r', '\t']));
            let (head, fields, _) = read(&text);
            prop_assert!(head.len() <= 2, "{}", text);
            prop_assert_eq!(fields.len(), 1);
        }
    }
}
