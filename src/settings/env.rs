//! Settings from the environment: `PERMEATED__SECTION__KEY`.
//!
//! Names are folded to lower case; inside an id `_` stands for `-`, since a name of the
//! environment cannot hold one. A value is read as what its key holds and never as something else:
//! a password `0123` stays what it is, a number must look like one.

use super::layer::unknown_key;
use super::model::{self, Holds, Key};
use super::problem::{Place, Problem, Severity, dotted};
use std::collections::BTreeMap;
use toml::Value;

const PREFIX: &str = "PERMEATED__";

/// What the environment says.
#[derive(Clone, Debug, Default)]
pub(super) struct Environment {
    pub(super) table: toml::Table,
    pub(super) places: BTreeMap<Vec<String>, Place>,
    pub(super) problems: Vec<Problem>,
    pub(super) taken_out: Vec<Vec<String>>,
}

impl Environment {
    pub(super) fn read(variables: impl Iterator<Item = (String, String)>) -> Self {
        let mut environment = Self::default();
        // Sorted, so that problems come in the same order on every run.
        let variables: BTreeMap<String, String> = variables.collect();
        for (name, value) in &variables {
            if let Some(rest) = name.strip_prefix(PREFIX) {
                environment.take(name, rest, value);
            } else if name.starts_with("PERMEATED_") && name.contains("__") {
                environment.wrong(
                    name,
                    &[],
                    "starts almost like one of our variables".into(),
                    format!("begin it with `{PREFIX}`, with two underscores, or rename it"),
                );
            }
        }
        environment
    }

    fn wrong(&mut self, name: &str, path: &[String], what: String, todo: String) {
        self.problems.push(Problem {
            severity: Severity::Error,
            file: variable(name),
            line: None,
            key_path: dotted(path),
            what,
            todo,
        });
        if !path.is_empty() {
            self.taken_out.push(path.to_vec());
        }
    }

    fn take(&mut self, name: &str, rest: &str, value: &str) {
        let path = path_of(rest);
        let parts: Vec<&str> = path.iter().map(String::as_str).collect();
        let Some(key) = model::find(&parts) else {
            let (what, todo) = unknown_key(&path);
            return self.wrong(name, &path, what, todo);
        };
        match typed(key, value) {
            Ok(value) => {
                self.places.insert(path.clone(), Place { file: variable(name), line: None });
                insert(&mut self.table, &path, value);
            }
            Err(what) => self.wrong(name, &path, what, format!("give {}", key.wants())),
        }
    }
}

fn variable(name: &str) -> String {
    format!("environment variable {name}")
}

/// The key path behind a variable's name.
fn path_of(rest: &str) -> Vec<String> {
    let mut path: Vec<String> = Vec::new();
    for part in rest.to_lowercase().split("__") {
        let parents: Vec<&str> = path.iter().map(String::as_str).collect();
        let is_id = !parents.is_empty()
            && matches!(model::find(&parents).map(|key| &key.holds), Some(Holds::Map(_)));
        path.push(if is_id { part.replace('_', "-") } else { part.to_owned() });
    }
    path
}

/// Reads a value as what its key holds. Never shows the value: it may be a secret put into the
/// wrong place.
fn typed(key: &Key, value: &str) -> Result<Value, String> {
    match &key.holds {
        Holds::Text => Ok(Value::String(value.to_owned())),
        Holds::Flag => value
            .parse()
            .map(Value::Boolean)
            .map_err(|_| "is neither `true` nor `false`".to_owned()),
        Holds::Integer => value
            .parse::<i64>()
            .ok()
            .filter(|number| number.to_string() == value)
            .map(Value::Integer)
            .ok_or_else(|| "is not a whole number".to_owned()),
        Holds::Number => value
            .parse::<f64>()
            .ok()
            .filter(|number| number.is_finite())
            .map(Value::Float)
            .ok_or_else(|| "is not a finite number".to_owned()),
        Holds::Choice(words) if words.iter().any(|(word, _)| word == value) => {
            Ok(Value::String(value.to_owned()))
        }
        Holds::Choice(_) => Err("is not one of the known words".into()),
        Holds::Texts => Ok(Value::Array(
            value
                .split(',')
                .map(str::trim)
                .filter(|item| !item.is_empty())
                .map(|item| Value::String(item.to_owned()))
                .collect(),
        )),
        Holds::Section(_) | Holds::Map(_) => Err("names a section and not a key".into()),
    }
}

fn insert(table: &mut toml::Table, path: &[String], value: Value) {
    match path {
        [] => {}
        [last] => {
            table.insert(last.clone(), value);
        }
        [first, rest @ ..] => {
            let inner =
                table.entry(first.clone()).or_insert_with(|| Value::Table(toml::Table::new()));
            if let Value::Table(inner) = inner {
                insert(inner, rest, value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(variables: &[(&str, &str)]) -> Environment {
        Environment::read(variables.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())))
    }

    #[test]
    fn a_value_is_read_as_what_its_key_holds() {
        let environment = read(&[
            ("PERMEATED__BROKER__PORT", "8883"),
            ("PERMEATED__BROKER__USER", "0123"),
            ("PERMEATED__DATABASE__BUCKET", "a,b"),
            ("PERMEATED__PLANTS__HOME__ACTUATORS__MAIN_VALVE__CAUSES", "leak, store-full"),
            ("PERMEATED_LOG", "debug"),
            ("PATH", "/bin"),
        ]);
        assert!(environment.problems.is_empty(), "{:?}", environment.problems);
        let table = &environment.table;
        assert_eq!(table["broker"]["port"], Value::Integer(8883));
        assert_eq!(table["broker"]["user"], Value::String("0123".into()));
        assert_eq!(table["database"]["bucket"], Value::String("a,b".into()));
        let valve = &table["plants"]["home"]["actuators"]["main-valve"];
        assert_eq!(valve["causes"].as_array().map(Vec::len), Some(2));
    }

    #[test]
    fn what_is_unknown_or_of_the_wrong_kind_names_its_variable() {
        let environment = read(&[
            ("PERMEATED__BROKER__PROT", "1"),
            ("PERMEATED__BROKER__PORT", "1883.9"),
            ("PERMEATED__BROKER__KEEP_ALIVE_SECS", "015"),
            ("PERMEATED__BROKER__DISCOVERY", "yes"),
            ("PERMEATED__BROKER", "x"),
            ("PERMEATED_BROKER__HOST", "x"),
        ]);
        assert_eq!(environment.problems.len(), 6, "{:#?}", environment.problems);
        assert!(environment.problems.iter().all(|p| p.file.contains("PERMEATED")));
        assert!(environment.problems.iter().any(|p| p.todo.contains("`port`")));
        assert!(environment.table.is_empty());
    }
}
