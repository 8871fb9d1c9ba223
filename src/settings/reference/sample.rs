//! `config/default.toml`: every key commented out with its default, and the test of that file.
//!
//! A line that begins with `#` and a letter or bracket is a setting: take the `#` away and it
//! counts. A line that begins with `# ` is a comment; keys without a default stand in such lines.

use crate::settings::layer::Layer;
use crate::settings::model::{Holds, Key, Section, model};
use crate::settings::schema::Settings;
use serde_json::Value;
use std::collections::BTreeMap;

/// Width of the file in characters.
const WIDTH: usize = 96;

/// Id under which the file shows one entry of each map.
const IDS: &[(&str, &str)] = &[
    ("plants", "home"),
    ("sensors", "product"),
    ("actuators", "valve"),
    ("parts", "lead"),
    ("changes", "saturday"),
];

/// What the example entries say where a key is required, as TOML.
const REQUIRED: &[(&str, &str)] = &[
    ("plants.home.sensors.product.topic", "\"utility/product/tds\""),
    ("plants.home.sensors.product.quantity", "\"tds\""),
    ("plants.home.sensors.product.point", "\"product\""),
    ("plants.home.sensors.product.unit", "\"ppm\""),
    ("plants.home.actuators.valve.role", "\"supply-valve\""),
    ("plants.home.actuators.valve.topic", "\"utility/valve/set\""),
    ("plants.home.actuators.valve.close", "\"OFF\""),
    ("plants.home.parts.lead.kind", "\"mixed\""),
    ("plants.home.parts.lead.bed_litres", "0.75"),
    ("plants.home.plan.changes.saturday.weekday", "\"saturday\""),
];

const HEAD: &str = "\
# Every setting of permeated with its default, unit and range.
#
# To set one, copy its section line and its own line into your file without the `#`.
# Sections of a plant carry its id: `home` below is an example, and so are `product`, `valve` and
# `lead`; their lines that say \"Required\" show an example and no default.
# `permeated check --config FILE` says whether all is well, and what would close the valve when.
";

/// Renders the file.
pub fn default_toml() -> String {
    let mut text = HEAD.to_owned();
    section(model(), &mut Vec::new(), false, &mut text);
    text
}

fn example_id(map: &str) -> &'static str {
    IDS.iter().find(|(name, _)| *name == map).map_or("example", |(_, id)| *id)
}

fn required(path: &[String]) -> Option<&'static str> {
    let dotted = path.join(".");
    REQUIRED.iter().find(|(key, _)| *key == dotted).map(|(_, value)| *value)
}

fn is_leaf(key: &Key) -> bool {
    !matches!(key.holds, Holds::Section(_) | Holds::Map(_))
}

/// Keys of a section first, then the sections below it, as TOML wants it.
fn section(keys: &Section, path: &mut Vec<String>, unset: bool, text: &mut String) {
    for key in keys.keys.iter().filter(|key| is_leaf(key)) {
        path.push(key.name.clone());
        leaf(key, path, unset, text);
        path.pop();
    }
    for key in keys.keys.iter().filter(|key| !is_leaf(key)) {
        path.push(key.name.clone());
        let (inner, is_map) = match &key.holds {
            Holds::Map(inner) => (inner, true),
            Holds::Section(inner) => (inner, false),
            _ => continue,
        };
        if is_map {
            path.push(example_id(&key.name).to_owned());
        }
        let unset = unset || key.optional;
        text.push('\n');
        comment(&key.doc, text);
        if inner.keys.iter().any(is_leaf) {
            let mark = if unset { "# " } else { "#" };
            text.push_str(&format!("{mark}[{}]\n", path.join(".")));
        }
        section(inner, path, unset, text);
        if is_map {
            path.pop();
        }
        path.pop();
    }
}

fn leaf(key: &Key, path: &[String], unset: bool, text: &mut String) {
    text.push('\n');
    let doc = key.doc.split(" Example: `").next().unwrap_or_default();
    comment(&without_example(&key.doc, doc), text);
    if let Holds::Choice(words) = &key.holds {
        for (word, doc) in words {
            comment(&format!("\"{word}\": {}", doc.trim_end_matches('.')), text);
        }
    }
    let facts = facts(key, path);
    comment(&facts, text);
    let name = &key.name;
    match (required(path), key.optional) {
        (Some(value), _) => text.push_str(&format!("#{name} = {value}\n")),
        (None, true) => {
            text.push_str(&format!("# {name} = {}\n", example(key).unwrap_or_default()));
        }
        (None, false) if unset => {
            let value = example(key).unwrap_or_else(|| toml_value(&key.default));
            text.push_str(&format!("# {name} = {value}\n"));
        }
        (None, false) => text.push_str(&format!("#{name} = {}\n", toml_value(&key.default))),
    }
}

/// The comment without its `Example: ...` sentence.
fn without_example(doc: &str, before: &str) -> String {
    let rest = doc[before.len()..]
        .strip_prefix(" Example: `")
        .and_then(|rest| rest.split_once('`'))
        .map_or("", |(_, rest)| rest.strip_prefix('.').unwrap_or(rest));
    format!("{before}{rest}")
}

/// The example that a comment gives for a key without a default, as TOML.
fn example(key: &Key) -> Option<String> {
    let (_, rest) = key.doc.split_once("Example: `")?;
    let (value, _) = rest.split_once('`')?;
    Some(if key.holds == Holds::Text { format!("\"{value}\"") } else { value.to_owned() })
}

/// `Unit: s. Range: 5 to 600. Default: 15.`
fn facts(key: &Key, path: &[String]) -> String {
    let mut facts = Vec::new();
    if let Some(unit) = key.unit.as_deref().filter(|unit| !unit.is_empty())
        && matches!(key.holds, Holds::Integer | Holds::Number)
    {
        facts.push(format!("Unit: {unit}."));
    }
    if matches!(key.holds, Holds::Integer | Holds::Number) {
        facts.push(format!("Range: {}.", key.range()));
    }
    facts.push(if required(path).is_some() && key.default.as_f64().is_none() {
        "Required; this is an example.".into()
    } else if key.optional {
        "No default; this is an example.".into()
    } else {
        format!("Default: {}.", toml_value(&key.default))
    });
    facts.join(" ")
}

fn toml_value(value: &Value) -> String {
    match value {
        Value::Array(items) => {
            let items: Vec<String> = items.iter().map(toml_value).collect();
            format!("[{}]", items.join(", "))
        }
        // JSON and TOML write text, numbers and booleans alike.
        other => other.to_string(),
    }
}

fn comment(doc: &str, text: &mut String) {
    let mut line = String::from("#");
    for word in doc.split_whitespace() {
        if line.chars().count() + 1 + word.chars().count() > WIDTH && line != "#" {
            text.push_str(&line);
            text.push('\n');
            line = "#".into();
        }
        line.push(' ');
        line.push_str(word);
    }
    text.push_str(&line);
    text.push('\n');
}

/// Takes the `#` from every line that is a setting.
pub fn uncomment(text: &str) -> String {
    text.lines()
        .map(|line| match line.strip_prefix('#') {
            Some(rest) if rest.starts_with(|c: char| c.is_ascii_lowercase() || c == '[') => rest,
            _ => line,
        })
        .collect::<Vec<_>>()
        .join("\n")
}

/// What is wrong with a text that should be `config/default.toml`: a key is missing or says
/// something else than its default, or its comment lacks unit, range, default, or what goes wrong
/// at either extreme.
pub fn problems(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let layer = Layer::read("default.toml", &uncomment(text));
    found.extend(layer.problems.iter().map(ToString::to_string));
    let said = serde_json::to_value(&layer.table).unwrap_or_default();
    let standing = standing(text);
    walk(model(), &mut Vec::new(), false, &mut |path, key, unset| {
        judge(path, key, unset, &said, &standing, &mut found);
    });
    // The file as a whole, read as settings, is what the daemon takes when nothing is set.
    match layer.table.try_into::<Settings>() {
        Ok(mut settings) => {
            settings.plants.clear();
            if settings != Settings::default() {
                found.push("without its plant the file is not the default".into());
            }
        }
        Err(error) => found.push(error.to_string()),
    }
    found
}

fn judge(
    path: &[String],
    key: &Key,
    unset: bool,
    said: &Value,
    standing: &BTreeMap<String, String>,
    found: &mut Vec<String>,
) {
    let dotted = path.join(".");
    let Some(comment) = standing.get(&dotted) else {
        found.push(format!("{dotted} is missing"));
        return;
    };
    let value = path.iter().try_fold(said, |tree, part| tree.get(part));
    let wanted = required(path).is_none() && !key.optional && !unset;
    match value {
        None if wanted => found.push(format!("{dotted} is missing")),
        Some(value) if wanted && *value != key.default => {
            found.push(format!("{dotted} = {value} is not its default, {}", key.default));
        }
        Some(_) if unset || (key.optional && required(path).is_none()) => {
            found.push(format!("{dotted} is set, although its default is to be absent"));
        }
        _ => {}
    }
    if !matches!(key.holds, Holds::Integer | Holds::Number) {
        return;
    }
    let unit = key.unit.as_deref();
    match unit {
        None => found.push(format!("{dotted} has no unit in the schema")),
        Some("") => {}
        Some(unit) if !comment.contains(&format!("Unit: {unit}.")) => {
            found.push(format!("the comment of {dotted} lacks its unit, {unit}"));
        }
        Some(_) => {}
    }
    if !comment.contains(&format!("Range: {}.", key.range())) {
        found.push(format!("the comment of {dotted} lacks its range, {}", key.range()));
    }
    // A port number has no extremes.
    let extremes = comment.contains("Lower") && comment.to_lowercase().contains("higher");
    if !extremes && dotted != "broker.port" {
        found.push(format!("the comment of {dotted} does not say what goes wrong at its extremes"));
    }
}

/// Every leaf of the tree, with the ids of the example entries.
fn walk(
    keys: &Section,
    path: &mut Vec<String>,
    unset: bool,
    visit: &mut impl FnMut(&[String], &Key, bool),
) {
    for key in &keys.keys {
        path.push(key.name.clone());
        match &key.holds {
            Holds::Section(inner) => walk(inner, path, unset || key.optional, visit),
            Holds::Map(inner) => {
                path.push(example_id(&key.name).to_owned());
                walk(inner, path, unset, visit);
                path.pop();
            }
            _ => visit(path, key, unset),
        }
        path.pop();
    }
}

/// Each key that stands in the text, set or only mentioned, with the comment above it.
fn standing(text: &str) -> BTreeMap<String, String> {
    let mut keys = BTreeMap::new();
    let mut section = String::new();
    let mut comment = String::new();
    for line in text.lines() {
        let bare = line.strip_prefix('#').unwrap_or(line).trim();
        if let Some(name) = bare.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')) {
            section = name.to_owned();
            comment.clear();
        } else if let Some((name, _)) = bare.split_once(" = ").filter(|(name, _)| is_key(name)) {
            let path =
                if section.is_empty() { name.to_owned() } else { format!("{section}.{name}") };
            keys.insert(path, std::mem::take(&mut comment));
        } else if bare.is_empty() {
            comment.clear();
        } else {
            comment.push_str(bare);
            comment.push(' ');
        }
    }
    keys
}

fn is_key(name: &str) -> bool {
    name.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
}
