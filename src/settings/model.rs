//! The tree of keys as data, made from the schema: what kinds of value there are, their ranges,
//! units, defaults and documentation.
//!
//! Purpose: the range check, the reading of the environment, hints about misspelt keys,
//! `config/reference.md` and `config/default.toml` all go by one description. Absent on purpose:
//! any second list of keys; what stands here is derived.

use super::schema::Settings;
use serde::de::{Deserialize, Deserializer, Error as _, Visitor};
use serde_json::Value;
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::sync::OnceLock;

/// What a key holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Holds {
    /// Text or a path.
    Text,
    /// Yes or no.
    Flag,
    /// A whole number.
    Integer,
    /// A number.
    Number,
    /// One of some words, each with what it means.
    Choice(Vec<(String, String)>),
    /// A list of texts.
    Texts,
    /// A section with keys of its own.
    Section(Section),
    /// Any number of sections of one sort, by id.
    Map(Section),
}

/// One key.
#[derive(Clone, Debug, PartialEq)]
pub struct Key {
    /// Its name.
    pub name: String,
    /// Its doc comment.
    pub doc: String,
    /// What it holds.
    pub holds: Holds,
    /// Absent means something (no value, no section).
    pub optional: bool,
    /// Its default; `Null` for none.
    pub default: Value,
    /// Smallest allowed number.
    pub min: Option<f64>,
    /// Largest allowed number.
    pub max: Option<f64>,
    /// Unit of a number; empty for a bare count or factor that says so in its comment.
    pub unit: Option<String>,
}

/// A section: its keys in the order of their declaration.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Section {
    /// Name of the type behind it.
    pub name: String,
    /// Its doc comment.
    pub doc: String,
    /// Its keys.
    pub keys: Vec<Key>,
}

impl Section {
    /// Finds a key.
    pub fn key(&self, name: &str) -> Option<&Key> {
        self.keys.iter().find(|key| key.name == name)
    }
}

impl Key {
    /// `1 to 65535`, `at least 0`, or nothing.
    pub fn range(&self) -> String {
        match (self.min, self.max) {
            (Some(min), Some(max)) => format!("{min} to {max}"),
            (Some(min), None) => format!("at least {min}"),
            (None, Some(max)) => format!("at most {max}"),
            (None, None) => String::new(),
        }
    }

    /// What may be written, in words.
    pub fn wants(&self) -> String {
        let range = self.range();
        let unit = self.unit.as_deref().filter(|unit| !unit.is_empty());
        match &self.holds {
            Holds::Text => "a text in quotes".into(),
            Holds::Flag => "true or false".into(),
            Holds::Texts => "a list of texts in brackets".into(),
            Holds::Section(_) | Holds::Map(_) => "a section".into(),
            Holds::Choice(words) => {
                let words: Vec<String> =
                    words.iter().map(|(word, _)| format!("\"{word}\"")).collect();
                format!("one of {}", words.join(", "))
            }
            Holds::Integer | Holds::Number => {
                let mut text =
                    if self.holds == Holds::Integer { "a whole number" } else { "a number" }
                        .to_owned();
                if !range.is_empty() {
                    text = format!("{text}, {range}");
                }
                if let Some(unit) = unit {
                    text = format!("{text}, in {unit}");
                }
                text
            }
        }
    }
}

/// The tree of all settings.
pub fn model() -> &'static Section {
    static MODEL: OnceLock<Section> = OnceLock::new();
    MODEL.get_or_init(|| {
        let schema = schemars::schema_for!(Settings).to_value();
        section(&schema, &schema, &field_order())
    })
}

/// Finds a key by its path; ids of maps stand for themselves.
pub fn find(path: &[&str]) -> Option<&'static Key> {
    let mut section = model();
    let mut parts = path.iter();
    let mut found: Option<&'static Key> = None;
    while let Some(part) = parts.next() {
        let key = section.key(part)?;
        found = Some(key);
        match &key.holds {
            Holds::Section(inner) => section = inner,
            Holds::Map(inner) => {
                section = inner;
                if parts.next().is_none() {
                    break;
                }
            }
            _ => return parts.next().is_none().then_some(key),
        }
    }
    found
}

/// The section that a path leads to: where its next part would be looked up.
pub fn section_at(path: &[&str]) -> Option<&'static Section> {
    let mut section = model();
    let mut parts = path.iter();
    while let Some(part) = parts.next() {
        match &section.key(part)?.holds {
            Holds::Section(inner) => section = inner,
            Holds::Map(inner) => {
                parts.next()?;
                section = inner;
            }
            _ => return None,
        }
    }
    Some(section)
}

/// A text of the schema as one line; comments are wrapped where they are shown.
fn text(value: Option<&Value>) -> String {
    let text = value.and_then(Value::as_str).unwrap_or_default();
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn resolve<'a>(node: &'a Value, root: &'a Value) -> &'a Value {
    match node.get("$ref").and_then(Value::as_str) {
        Some(reference) => {
            let name = reference.rsplit('/').next().unwrap_or_default();
            &root["$defs"][name]
        }
        None => node,
    }
}

fn ref_name(node: &Value) -> String {
    text(node.get("$ref")).rsplit('/').next().unwrap_or_default().to_owned()
}

fn section(
    node: &Value,
    root: &Value,
    order: &BTreeMap<String, &'static [&'static str]>,
) -> Section {
    let name = text(node.get("title"));
    named_section(&name, node, root, order)
}

fn named_section(
    name: &str,
    node: &Value,
    root: &Value,
    order: &BTreeMap<String, &'static [&'static str]>,
) -> Section {
    let names = order.get(name).copied().unwrap_or_default();
    let keys =
        names.iter().map(|name| key(name, &node["properties"][*name], root, order)).collect();
    Section { name: name.to_owned(), doc: text(node.get("description")), keys }
}

fn key(
    name: &str,
    node: &Value,
    root: &Value,
    order: &BTreeMap<String, &'static [&'static str]>,
) -> Key {
    let (inner, mut optional) = match node.get("anyOf").and_then(Value::as_array) {
        Some(choices) => (&choices[0], true),
        None => (node, false),
    };
    let target = resolve(inner, root);
    let mut kind = target["type"].clone();
    if let Some(kinds) = kind.as_array() {
        optional |= kinds.iter().any(|kind| kind == "null");
        kind = kinds.iter().find(|kind| *kind != "null").cloned().unwrap_or_default();
    }
    let holds = if let Some(words) = target.get("oneOf").and_then(Value::as_array) {
        Holds::Choice(
            words
                .iter()
                .map(|word| (text(word.get("const")), text(word.get("description"))))
                .collect(),
        )
    } else {
        match kind.as_str() {
            Some("boolean") => Holds::Flag,
            Some("integer") => Holds::Integer,
            Some("number") => Holds::Number,
            Some("array") => Holds::Texts,
            Some("object") => match target.get("additionalProperties") {
                Some(entry) if entry.is_object() => {
                    Holds::Map(named_section(&ref_name(entry), resolve(entry, root), root, order))
                }
                _ => Holds::Section(named_section(&ref_name(inner), target, root, order)),
            },
            _ => Holds::Text,
        }
    };
    let number = |name: &str| node.get(name).and_then(Value::as_f64);
    Key {
        doc: text(node.get("description")),
        holds,
        optional,
        default: node.get("default").cloned().unwrap_or(Value::Null),
        min: number("minimum"),
        max: number("maximum"),
        unit: match node.get("x-unit").and_then(Value::as_str) {
            Some(unit) => Some(unit.to_owned()),
            None => unit_of(name).map(str::to_owned),
        },
        name: name.to_owned(),
    }
}

/// The unit that the end of a key names.
fn unit_of(key: &str) -> Option<&'static str> {
    const ENDS: &[(&str, &str)] = &[
        ("ppm_litres", "ppm·L"),
        ("eq_per_litre", "eq/L"),
        ("mg_per_litre", "mg/L"),
        ("litres_per_min", "L/min"),
        ("per_litre", "money per L"),
        ("litres_per_pulse", "L"),
        ("_secs", "s"),
        ("_days", "d"),
        ("litres", "L"),
        ("_ppm", "ppm"),
        ("_bar", "bar"),
        ("_c", "°C"),
        ("_m2", "m²"),
        ("_bytes", "bytes"),
        ("_lines", "lines"),
    ];
    ENDS.iter().find(|(end, _)| key.ends_with(end)).map(|(_, unit)| *unit)
}

/// The fields of every struct below [`Settings`], in the order of their declaration: serde tells
/// them to whoever deserialises, and a schema sorts them by letter.
fn field_order() -> BTreeMap<String, &'static [&'static str]> {
    use super::schema as s;
    let seen = RefCell::new(BTreeMap::new());
    macro_rules! note {
        ($($name:ident),*) => { $(
            // The listener always ends with an error; what it heard is in `seen`.
            let _ = s::$name::deserialize(Listener(&seen));
        )* };
    }
    note!(
        Settings,
        Daemon,
        Broker,
        Tls,
        Database,
        Web,
        Plant,
        Sensor,
        Actuator,
        Part,
        Demand,
        Store,
        Plan,
        Change,
        Batch,
        Reuse,
        Assumed,
        Limits,
        ProductLimits,
        GuardLimits,
        StoreLimits,
        PressureLimits,
        TemperatureLimits,
        LeakByLimits,
        FloorLimits,
        HouseholdLimits,
        ProofLimits,
        StageLimits,
        WearLimits,
        Prices
    );
    seen.into_inner()
}

struct Listener<'a>(&'a RefCell<BTreeMap<String, &'static [&'static str]>>);

impl<'de> Deserializer<'de> for Listener<'_> {
    type Error = serde::de::value::Error;

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Self::Error> {
        Err(Self::Error::custom("only listens"))
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Self::Error> {
        self.0.borrow_mut().insert(name.to_owned(), fields);
        Err(Self::Error::custom("only listens"))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option
        unit unit_struct newtype_struct seq tuple tuple_struct map enum identifier ignored_any
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_struct_of_the_schema_is_listened_to() {
        let schema = schemars::schema_for!(Settings).to_value();
        let order = field_order();
        for (name, definition) in schema["$defs"].as_object().expect("definitions") {
            if let Some(properties) = definition.get("properties").and_then(Value::as_object) {
                let fields = order.get(name).unwrap_or_else(|| panic!("{name} is not listed"));
                assert_eq!(fields.len(), properties.len(), "{name}");
            }
        }
    }

    #[test]
    fn a_key_is_found_by_its_path_and_keeps_the_declared_order() {
        let names: Vec<_> = model().keys.iter().map(|key| key.name.as_str()).collect();
        assert_eq!(names, ["daemon", "broker", "database", "web", "plants"]);
        let unit = find(&["plants", "home", "sensors", "x", "unit"]).expect("known");
        assert_eq!(unit.holds, Holds::Text);
        let mode = find(&["plants", "home", "demand", "mode"]).expect("known");
        assert!(matches!(&mode.holds, Holds::Choice(words) if words.len() == 4), "{mode:?}");
        assert!(find(&["plants", "home", "sensors", "x", "nothing"]).is_none());
        let tls = find(&["broker", "tls", "ca_file"]).expect("known");
        assert_eq!(tls.holds, Holds::Text);
        assert!(find(&["broker", "tls"]).expect("known").optional);
        let secs = find(&["plants", "h", "limits", "guard", "off_min_secs"]).expect("known");
        assert_eq!((secs.unit.as_deref(), secs.default.as_f64()), (Some("s"), Some(600.0)));
    }

    #[test]
    fn choices_of_optional_words_are_seen() {
        let quantity = find(&["plants", "p", "sensors", "s", "quantity"]).expect("known");
        let Holds::Choice(words) = &quantity.holds else { panic!("{quantity:?}") };
        assert!(words.iter().any(|(word, _)| word == "resistivity"), "{words:?}");
        assert!(quantity.optional);
    }
}
