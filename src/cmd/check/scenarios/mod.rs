//! `permeated check --scenarios FILE`: the user's own what-must-happen tests, offline, through the
//! very same engine.
//!
//! Invariants: nothing is sent to anybody and no clock is read; the same file and settings give the
//! same result; a scenario that expects nothing is refused, because it could not fail. The format is
//! described in `config/scenarios.md`.

mod duration;
mod play;
mod read;

use crate::engine::output::AlarmKey;
use crate::engine::setup::Setup;
use crate::engine::time::Span;
use crate::settings::problem::{Problem, Problems, Severity, plural};
use crate::settings::schema::Settings;
use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

pub(crate) use play::alarm_name;

/// What the scenarios of one file came to.
#[derive(Clone, Debug, Default)]
pub struct Outcome {
    /// How many were played.
    pub played: usize,
    /// How many of them failed.
    pub failed: usize,
    /// What is told about it.
    pub report: String,
    /// Plant time that was played.
    pub lasted: Span,
    /// Alarms that stood in some scenario and were gone at its end, without a bypass in it.
    pub cleared: BTreeSet<AlarmKey>,
}

/// Reads and plays the scenarios of a file.
///
/// # Errors
/// Every problem of the file at once.
pub fn run(file: &Path, settings: &Settings) -> Result<Outcome, Problems> {
    let shown = file.display().to_string();
    let text = std::fs::read_to_string(file).map_err(|error| {
        problem(&shown, None, format!("cannot be read: {error}"), "look at its name and its rights")
    })?;
    from_str(&shown, &text, settings)
}

/// Plays the scenarios of a text.
///
/// # Errors
/// Every problem of the text at once.
pub fn from_str(file: &str, text: &str, settings: &Settings) -> Result<Outcome, Problems> {
    let setup = the_plant(file, text, settings)?;
    let scenarios = read::read(file, text, &setup)?;
    if let Some(twice) = read::doubled(&scenarios) {
        let what = format!("'{}' is the name of another scenario too", twice.name);
        return Err(problem(file, Some(twice.line), what, "give it a name of its own"));
    }
    let mut outcome = Outcome::default();
    for scenario in &scenarios {
        let played = play::play(&setup, scenario);
        outcome.played += 1;
        outcome.lasted = outcome.lasted + played.lasted;
        if !played.failures.is_empty() {
            outcome.failed += 1;
            tell(&mut outcome.report, file, &scenario.name, &played.failures);
        } else if !played.bypassed {
            let gone = played.stood.iter().filter(|(_, stands)| !**stands);
            outcome.cleared.extend(gone.map(|(key, _)| *key));
        }
    }
    let _ = writeln!(
        outcome.report,
        "{file}: {}, {} of plant time, {}",
        plural(outcome.played, "scenario"),
        duration::shown(Span::from_secs(outcome.lasted.millis() / 1000)),
        if outcome.failed == 0 {
            "all as expected".to_owned()
        } else {
            format!("{} NOT as expected", outcome.failed)
        }
    );
    Ok(outcome)
}

fn tell(report: &mut String, file: &str, name: &str, failures: &[play::Failure]) {
    for failure in failures {
        let _ = writeln!(
            report,
            "FAILED {file}:{}: \"{name}\", at {}",
            failure.line,
            duration::shown(failure.at)
        );
        for wrong in &failure.wrong {
            let _ = writeln!(report, "    {wrong}");
        }
        if !failure.happened.is_empty() {
            let _ = writeln!(report, "  what happened until then:");
            for line in &failure.happened {
                let _ = writeln!(report, "    {line}");
            }
        }
    }
}

fn the_plant(file: &str, text: &str, settings: &Settings) -> Result<Arc<Setup>, Problems> {
    let wanted = read::plant_of(text);
    let found = match &wanted {
        Some(id) => settings.plants.get_key_value(id),
        None if settings.plants.len() == 1 => settings.plants.first_key_value(),
        None => None,
    };
    let Some((id, plant)) = found else {
        let known: Vec<&str> = settings.plants.keys().map(String::as_str).collect();
        let what = wanted.map_or_else(
            || "does not say which plant it is about".to_owned(),
            |id| format!("there is no plant '{id}' in the settings"),
        );
        let todo = format!("write plant = \"...\" at the top; known: {}", known.join(", "));
        return Err(problem(file, Some(1), what, &todo));
    };
    let keep_alive = settings.broker.guard_keep_alive_secs;
    Ok(Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, keep_alive)))
}

fn problem(file: &str, line: Option<u32>, what: String, todo: &str) -> Problems {
    Problems(vec![Problem {
        severity: Severity::Error,
        file: file.to_owned(),
        line,
        key_path: String::new(),
        what,
        todo: todo.to_owned(),
    }])
}
