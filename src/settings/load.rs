//! Reads files and the environment, strictly, then merges and validates.
//!
//! Each file is checked by itself first (types, unknown keys, lines), then the `config` crate
//! merges them in their order, the environment last. What it merged is read into the schema by
//! way of plain JSON values, since its own reading coerces types in silence.

use super::env::Environment;
use super::layer::Layer;
use super::problem::{Locate, Place, Problem, Problems, Severity, dotted};
use super::schema::Settings;
use super::validate::validate;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Read when no file is named.
pub const DEFAULT_FILE: &str = "/etc/permeated/permeated.toml";

/// Largest file that is read, in bytes; more than that is no settings file.
const FILE_MAX_BYTES: u64 = 4 * 1024 * 1024;

/// Settings that have passed every rule.
#[derive(Clone, Debug)]
pub struct Loaded {
    /// The settings.
    pub settings: Settings,
    /// Warnings; never errors.
    pub warnings: Vec<Problem>,
    /// Where each key was set.
    pub sources: Sources,
}

/// Where each key was set; the last layer that sets it wins.
#[derive(Clone, Debug, Default)]
pub struct Sources {
    places: BTreeMap<Vec<String>, Place>,
    first_file: Option<String>,
}

impl Locate for Sources {
    fn locate(&self, path: &[&str]) -> Place {
        let mut path: Vec<String> = path.iter().map(|part| (*part).to_owned()).collect();
        while !path.is_empty() {
            if let Some(place) = self.places.get(&path) {
                return place.clone();
            }
            path.pop();
        }
        Place { file: self.first_file.clone().unwrap_or_else(|| "settings".into()), line: None }
    }
}

/// Reads and merges the files in their order, then the environment, and validates the whole.
///
/// # Errors
/// Every problem at once, with file, line, key path, what is wrong and what to do. Warnings are
/// among them.
pub fn load(
    files: &[PathBuf],
    environment: impl Iterator<Item = (String, String)>,
) -> Result<Loaded, Problems> {
    let mut problems = Vec::new();
    let mut texts = Vec::new();
    for file in files {
        match read_file(file) {
            Ok(text) => texts.push((file.display().to_string(), text)),
            Err((what, todo)) => problems.push(Problem {
                severity: Severity::Error,
                file: file.display().to_string(),
                line: None,
                key_path: String::new(),
                what,
                todo,
            }),
        }
    }
    if !problems.is_empty() && texts.is_empty() {
        // Nothing was read: everything else would only be missing for that reason.
        return Err(Problems(problems));
    }
    let incomplete = !problems.is_empty();
    merge(&texts, Environment::read(environment), problems, incomplete)
}

/// Reads settings from one text, as tests and the demo need them.
///
/// # Errors
/// Every problem at once.
pub fn from_str(name: &str, toml: &str) -> Result<Settings, Problems> {
    load_str(name, toml).map(|loaded| loaded.settings)
}

/// As [`from_str`], with the warnings and the places of the keys.
///
/// # Errors
/// Every problem at once.
pub fn load_str(name: &str, toml: &str) -> Result<Loaded, Problems> {
    let texts = [(name.to_owned(), toml.to_owned())];
    merge(&texts, Environment::default(), Vec::new(), false)
}

/// The process environment, without what is not text.
pub fn environment() -> impl Iterator<Item = (String, String)> {
    std::env::vars_os()
        .filter_map(|(name, value)| Some((name.into_string().ok()?, value.into_string().ok()?)))
}

fn read_file(file: &Path) -> Result<String, (String, String)> {
    let failed = |error: std::io::Error| {
        (
            format!("cannot be read: {error}"),
            "name an existing file with --config and look at its rights".to_owned(),
        )
    };
    let length = std::fs::metadata(file).map_err(failed)?.len();
    if length > FILE_MAX_BYTES {
        return Err((format!("is {length} bytes long"), "name a settings file".into()));
    }
    let bytes = std::fs::read(file).map_err(failed)?;
    String::from_utf8(bytes)
        .map_err(|_| ("is not UTF-8 text".to_owned(), "save it as UTF-8".to_owned()))
}

/// One layer as a source of the `config` crate.
#[derive(Clone, Debug)]
struct Source(toml::Table);

impl config::Source for Source {
    fn clone_into_box(&self) -> Box<dyn config::Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<config::Map<String, config::Value>, config::ConfigError> {
        Ok(self.0.iter().map(|(key, value)| (key.clone(), value_of(value))).collect())
    }
}

fn value_of(value: &toml::Value) -> config::Value {
    use config::ValueKind;
    let kind = match value {
        toml::Value::String(text) => ValueKind::String(text.clone()),
        toml::Value::Integer(number) => ValueKind::I64(*number),
        toml::Value::Float(number) => ValueKind::Float(*number),
        toml::Value::Boolean(flag) => ValueKind::Boolean(*flag),
        toml::Value::Datetime(when) => ValueKind::String(when.to_string()),
        toml::Value::Array(items) => ValueKind::Array(items.iter().map(value_of).collect()),
        toml::Value::Table(table) => ValueKind::Table(
            table.iter().map(|(key, value)| (key.clone(), value_of(value))).collect(),
        ),
    };
    config::Value::new(None, kind)
}

fn merge(
    texts: &[(String, String)],
    environment: Environment,
    mut problems: Vec<Problem>,
    mut incomplete: bool,
) -> Result<Loaded, Problems> {
    let mut sources =
        Sources { first_file: texts.first().map(|(name, _)| name.clone()), ..Default::default() };
    let mut taken_out = environment.taken_out;
    let mut builder = config::Config::builder();
    for (name, text) in texts {
        let layer = Layer::read(name, text);
        incomplete |= layer.broken;
        problems.extend(layer.problems);
        taken_out.extend(layer.taken_out);
        sources.places.extend(layer.places);
        builder = builder.add_source(Source(layer.table));
    }
    sources.places.extend(environment.places);
    problems.extend(environment.problems);
    builder = builder.add_source(Source(environment.table));

    let (settings, found) = read_merged(builder, &sources);
    problems.extend(found);
    if !incomplete {
        // A key that was already found wrong is not reported once more as missing.
        let known: Vec<String> = taken_out.iter().map(|path| dotted(path)).collect();
        problems.extend(
            validate(&settings, &sources).into_iter().filter(|problem| {
                !known.iter().any(|path| is_at_or_below(&problem.key_path, path))
            }),
        );
    }
    let mut problems = Problems(problems);
    problems.sort();
    if problems.are_fatal() {
        Err(problems)
    } else {
        Ok(Loaded { settings, warnings: problems.0, sources })
    }
}

fn is_at_or_below(path: &str, parent: &str) -> bool {
    path.strip_prefix(parent).is_some_and(|rest| rest.is_empty() || rest.starts_with('.'))
}

fn read_merged(
    builder: config::ConfigBuilder<config::builder::DefaultState>,
    sources: &Sources,
) -> (Settings, Vec<Problem>) {
    let wrong = |place: Place, key_path: String, what: String| Problem {
        severity: Severity::Error,
        file: place.file,
        line: place.line,
        key_path,
        what,
        todo: "files and environment contradict each other here".into(),
    };
    let merged = builder.build().and_then(config::Config::try_deserialize::<serde_json::Value>);
    match merged {
        Ok(serde_json::Value::Null) => (Settings::default(), Vec::new()),
        Ok(merged) => match serde_path_to_error::deserialize::<_, Settings>(merged) {
            Ok(settings) => (settings, Vec::new()),
            Err(error) => {
                let path = error.path().to_string();
                let parts: Vec<&str> = path.split('.').collect();
                let place = sources.locate(&parts);
                (Settings::default(), vec![wrong(place, path, error.inner().to_string())])
            }
        },
        Err(error) => {
            let place = sources.locate(&[]);
            (Settings::default(), vec![wrong(place, String::new(), error.to_string())])
        }
    }
}
