//! One TOML file, strictly: syntax, types, unknown keys, and the line of every key.
//!
//! A deserializer stops at the first wrong value. Here that value is noted and taken out, and the
//! file is read again, until the rest is right: that is how every problem is found in one run.

use super::model;
use super::problem::{Place, Problem, Severity, dotted, nearest};
use super::schema::Settings;
use serde::Deserialize;
use serde_path_to_error::Segment;
use std::collections::BTreeMap;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Wrong values that one file may hold before the reading gives up.
const WRONG_MAX: usize = 500;

/// What one file says.
#[derive(Clone, Debug, Default)]
pub(super) struct Layer {
    /// What was right.
    pub(super) table: toml::Table,
    /// Where each key stands.
    pub(super) places: BTreeMap<Vec<String>, Place>,
    /// What was wrong.
    pub(super) problems: Vec<Problem>,
    /// Paths of the keys that were wrong and are not in `table`.
    pub(super) taken_out: Vec<Vec<String>>,
    /// The syntax was wrong, so that keys may be missing for that reason alone.
    pub(super) broken: bool,
}

impl Layer {
    /// Reads one file's text.
    pub(super) fn read(file: &str, text: &str) -> Self {
        let mut layer = Self::default();
        let lines = Lines::of(text);
        let place = |offset: usize| Place { file: file.to_owned(), line: Some(lines.at(offset)) };
        let (mut tree, errors) = DeTable::parse_recoverable(text);
        for error in errors {
            layer.broken = true;
            let line = error.span().map(|span| lines.at(span.start));
            layer.problems.push(Problem {
                severity: Severity::Error,
                file: file.to_owned(),
                line,
                key_path: String::new(),
                what: format!("this is not TOML: {}", error.message()),
                todo: syntax_hint(text, line),
            });
        }
        note_places(tree.get_ref(), &mut Vec::new(), &mut |path, offset| {
            layer.places.insert(path.to_vec(), place(offset));
        });
        layer.take_out_non_finite(&mut tree);
        layer.take_out_wrong(&mut tree, file);
        // What is left is right, so it converts; were it not, it would count as empty and be
        // reported as missing.
        layer.table = toml::Table::deserialize(toml::Deserializer::from(tree)).unwrap_or_default();
        layer
    }

    fn wrong(&mut self, path: Vec<String>, what: String, todo: String, file: &str) {
        let place =
            self.places.get(&path).cloned().unwrap_or(Place { file: file.to_owned(), line: None });
        self.problems.push(Problem {
            severity: Severity::Error,
            file: place.file,
            line: place.line,
            key_path: dotted(&path),
            what,
            todo,
        });
        self.taken_out.push(path);
    }

    /// TOML knows `inf` and `nan`; no setting does.
    fn take_out_non_finite(&mut self, tree: &mut Spanned<DeTable<'_>>) {
        let mut found = Vec::new();
        find_non_finite(tree.get_ref(), &mut Vec::new(), &mut found);
        for path in found {
            take_out(tree.get_mut(), &path);
            let todo = wants(&path);
            self.wrong(path, "is not a finite number".into(), todo, "");
        }
    }

    fn take_out_wrong(&mut self, tree: &mut Spanned<DeTable<'_>>, file: &str) {
        for _ in 0..WRONG_MAX {
            let mut unknown: Vec<Vec<String>> = Vec::new();
            let mut track = serde_path_to_error::Track::new();
            let deserializer = toml::Deserializer::from(tree.clone());
            let tracked = serde_path_to_error::Deserializer::new(deserializer, &mut track);
            let result: Result<Settings, _> =
                serde_ignored::deserialize(tracked, |path| unknown.push(segments(&path)));
            match result {
                Ok(_) => {
                    for path in unknown {
                        take_out(tree.get_mut(), &path);
                        let (what, todo) = unknown_key(&path);
                        self.wrong(path, what, todo, file);
                    }
                    return;
                }
                Err(error) => {
                    let path = keys_of(&track.path());
                    let value = get(tree.get_ref(), &path);
                    let what = match value {
                        Some(DeValue::Datetime(_)) => {
                            "is a date without quotes; here a text is wanted".to_owned()
                        }
                        _ => error.message().to_owned(),
                    };
                    let todo = wants(&path);
                    let gone = take_out(tree.get_mut(), &path);
                    self.wrong(path, what, todo, file);
                    if !gone {
                        return;
                    }
                }
            }
        }
    }
}

fn wants(path: &[String]) -> String {
    let path: Vec<&str> = path.iter().map(String::as_str).collect();
    model::find(&path).map(|key| format!("write {}", key.wants())).unwrap_or_default()
}

/// What to say about a key that the schema does not know.
pub(super) fn unknown_key(path: &[String]) -> (String, String) {
    let parts: Vec<&str> = path.iter().map(String::as_str).collect();
    let Some((key, parent)) = parts.split_last() else {
        return ("is not known".into(), String::new());
    };
    if parent.len() == 4 && parent[2] == "actuators" && key.contains("retain") {
        return (
            "an `open` is never retained: whenever the valve came back to the broker it would \
             open by itself, with nobody watching the water"
                .into(),
            "remove the key; only a close may be retained, with `retain_close = true`".into(),
        );
    }
    let known = model::section_at(parent).map(|section| section.keys.as_slice()).unwrap_or(&[]);
    let todo = match nearest(key, known.iter().map(|key| key.name.as_str())) {
        Some(name) => format!("did you mean `{name}`?"),
        None => {
            let names: Vec<&str> = known.iter().map(|key| key.name.as_str()).collect();
            format!("known here: {}", names.join(", "))
        }
    };
    ("is not a known key".into(), todo)
}

fn syntax_hint(text: &str, line: Option<u32>) -> String {
    let shown = line
        .and_then(|line| text.lines().nth(line as usize - 1))
        .map(|line| line.trim().chars().take(60).collect::<String>())
        .unwrap_or_default();
    if shown.is_empty() {
        "look at quotes and brackets just before it".into()
    } else {
        format!("look at quotes and brackets in or just before `{shown}`")
    }
}

/// Line numbers by byte offset.
struct Lines(Vec<usize>);

impl Lines {
    fn of(text: &str) -> Self {
        Self(text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(at, _)| at).collect())
    }

    fn at(&self, offset: usize) -> u32 {
        u32::try_from(self.0.partition_point(|newline| *newline < offset) + 1).unwrap_or(u32::MAX)
    }
}

fn note_places(
    table: &DeTable<'_>,
    path: &mut Vec<String>,
    note: &mut impl FnMut(&[String], usize),
) {
    for (key, value) in table {
        path.push(key.get_ref().to_string());
        note(path, key.span().start);
        if let DeValue::Table(inner) = value.get_ref() {
            note_places(inner, path, note);
        }
        path.pop();
    }
}

fn find_non_finite(table: &DeTable<'_>, path: &mut Vec<String>, found: &mut Vec<Vec<String>>) {
    for (key, value) in table {
        path.push(key.get_ref().to_string());
        match value.get_ref() {
            DeValue::Table(inner) => find_non_finite(inner, path, found),
            DeValue::Float(number) if !number.as_str().parse::<f64>().is_ok_and(f64::is_finite) => {
                found.push(path.clone());
            }
            _ => {}
        }
        path.pop();
    }
}

fn get<'a, 'i>(table: &'a DeTable<'i>, path: &[String]) -> Option<&'a DeValue<'i>> {
    let (first, rest) = path.split_first()?;
    let value = table.get(first.as_str())?.get_ref();
    match value {
        DeValue::Table(inner) if !rest.is_empty() => get(inner, rest),
        _ => rest.is_empty().then_some(value),
    }
}

/// Removes the key at the path; true if it was there.
fn take_out(table: &mut DeTable<'_>, path: &[String]) -> bool {
    let Some((first, rest)) = path.split_first() else { return false };
    if rest.is_empty() {
        return table.remove(first.as_str()).is_some();
    }
    match table.get_mut(first.as_str()).map(Spanned::get_mut) {
        Some(DeValue::Table(inner)) => take_out(inner, rest),
        _ => false,
    }
}

/// The keys of an error's path, up to the first that is no key (an index, a variant).
fn keys_of(path: &serde_path_to_error::Path) -> Vec<String> {
    path.iter()
        .map_while(|segment| match segment {
            Segment::Map { key } => Some(key.clone()),
            _ => None,
        })
        .collect()
}

fn segments(path: &serde_ignored::Path<'_>) -> Vec<String> {
    use serde_ignored::Path;
    match path {
        Path::Root => Vec::new(),
        Path::Map { parent, key } => {
            let mut all = segments(parent);
            all.push(key.clone());
            all
        }
        Path::Seq { parent, .. }
        | Path::Some { parent }
        | Path::NewtypeStruct { parent }
        | Path::NewtypeVariant { parent } => segments(parent),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problems(text: &str) -> Vec<String> {
        Layer::read("f.toml", text).problems.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn every_wrong_value_is_found_in_one_run() {
        let found = problems(
            "[broker]\nport = \"x\"\nhots = \"h\"\nkeep_alive_secs = 1.5\n[web]\nlisten = 5\n",
        );
        assert_eq!(found.len(), 4, "{found:#?}");
        assert!(found.iter().any(|p| p.contains("f.toml:2: broker.port")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("f.toml:3") && p.contains("`host`")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("f.toml:4")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("f.toml:6")), "{found:#?}");
    }

    #[test]
    fn a_retained_open_is_refused_with_its_reason() {
        let found = problems("[plants.p.actuators.v]\nretain_open = true\n");
        assert!(found[0].contains("never retained") && found[0].contains(":2"), "{found:#?}");
        let found = problems("[plants.p.actuators.v]\nretain = true\n");
        assert!(found[0].contains("never retained"), "{found:#?}");
    }

    #[test]
    fn a_date_without_quotes_and_an_infinite_number_are_named() {
        let found = problems("[plants.p.parts.m]\nfitted = 2026-03-01\nprice = inf\n");
        assert_eq!(found.len(), 2, "{found:#?}");
        assert!(found.iter().any(|p| p.contains("date without quotes")), "{found:#?}");
        assert!(found.iter().any(|p| p.contains("finite")), "{found:#?}");
    }

    #[test]
    fn broken_syntax_is_reported_with_its_line_and_the_rest_still_read() {
        let layer = Layer::read("f.toml", "[broker]\nhost = \"a\nport = 1\n[web]\nlisten = \"\"\n");
        assert!(layer.broken);
        assert_eq!(layer.problems[0].line, Some(2), "{:?}", layer.problems);
    }
}
