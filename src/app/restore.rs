//! How an engine comes back: last good snapshot, then the records after it through the same engine,
//! outputs dropped.

use crate::edge::history::{Body, Restore};
use crate::engine::Engine;
use crate::engine::event::{Found, Started};
use crate::engine::setup::Setup;
use crate::engine::snapshot::SnapshotError;
use crate::engine::time::{Mono, Wall};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;

/// A snapshot as the journal keeps it: the instant at which it was taken, a line break, the state.
/// The state holds ages; this says against what.
pub(super) fn wrap(engine: &Engine) -> String {
    format!("{}\n{}", engine.evaluated().millis(), engine.snapshot())
}

fn unwrap(setup: &Arc<Setup>, text: &str) -> Result<Engine, SnapshotError> {
    let (at, body) = text
        .split_once('\n')
        .ok_or_else(|| SnapshotError::Unreadable("it has no first line".to_owned()))?;
    let at = at
        .parse()
        .map_err(|_| SnapshotError::Unreadable("its first line is no number".to_owned()))?;
    Engine::restore(Arc::clone(setup), body, Mono::from_millis(at))
}

/// The engine of a wrapped snapshot of this run.
pub(super) fn from_wrapped(setup: &Arc<Setup>, text: &str) -> Option<Engine> {
    unwrap(setup, text).ok()
}

/// The engine as it was at the end of the last run, and how that was found.
pub(super) fn engine(setup: &Arc<Setup>, restore: &Restore) -> (Engine, Started) {
    let away = match (restore.last.and_then(|last| last.wall), crate::clock::wall()) {
        (Some(then), Some(now)) => Some(Wall::since(now, then)).filter(|away| away.millis() >= 0),
        _ => None,
    };
    let started = |found| Started { found, away, clean: restore.clean };
    if let Some(trouble) = &restore.trouble {
        tracing::warn!(plant = setup.plant, trouble, "journal");
    }
    match restore.found {
        Found::New => return (Engine::new(Arc::clone(setup)), started(Found::New)),
        Found::Lost => return (best_effort(setup, restore), started(Found::Lost)),
        Found::Restored => {}
    }
    for snapshot in &restore.snapshots {
        match unwrap(setup, &snapshot.body) {
            Ok(engine) => match follow(engine, restore, snapshot.seq) {
                Ok(engine) => return (engine, started(Found::Restored)),
                Err(error) => {
                    tracing::error!(plant = setup.plant, error, "records after the snapshot")
                }
            },
            Err(error) => {
                tracing::warn!(plant = setup.plant, %error, "snapshot not usable; trying further back");
            }
        }
    }
    // No snapshot that fits (none yet, or sensors were added): everything from the beginning.
    match follow(Engine::new(Arc::clone(setup)), restore, 0) {
        Ok(engine) => (engine, started(Found::Restored)),
        Err(error) => {
            tracing::error!(
                plant = setup.plant,
                error,
                "state lost: the records cannot be followed"
            );
            (Engine::new(Arc::clone(setup)), started(Found::Lost))
        }
    }
}

/// Of a lost state as much as can be had: better accounts than none. A person confirms it.
fn best_effort(setup: &Arc<Setup>, restore: &Restore) -> Engine {
    restore
        .snapshots
        .iter()
        .find_map(|snapshot| unwrap(setup, &snapshot.body).ok())
        .unwrap_or_else(|| Engine::new(Arc::clone(setup)))
}

/// An event that the engine did not survive is left out, this often at most.
const SKIPPED_MAX: usize = 3;

fn follow(engine: Engine, restore: &Restore, after: u64) -> Result<Engine, String> {
    let mut skipped = Vec::new();
    loop {
        match follow_without(engine.clone(), restore, after, &skipped)? {
            Followed::All(engine) => return Ok(*engine),
            Followed::PanickedAt(seq) if skipped.len() < SKIPPED_MAX => {
                tracing::error!(seq, "the engine panicked on a recorded event; it is left out");
                skipped.push(seq);
            }
            Followed::PanickedAt(seq) => {
                return Err(format!("the engine panics again and again, last on record {seq}"));
            }
        }
    }
}

enum Followed {
    All(Box<Engine>),
    PanickedAt(u64),
}

fn follow_without(
    mut engine: Engine,
    restore: &Restore,
    after: u64,
    skipped: &[u64],
) -> Result<Followed, String> {
    for record in restore.inputs(after) {
        let record = record.map_err(|error| error.to_string())?;
        let Body::Event(event) = record.body else { continue };
        if skipped.contains(&record.seq) {
            continue;
        }
        let survived = catch_unwind(AssertUnwindSafe(|| {
            engine.handle(record.now, event);
            while engine.poll_output().is_some() {}
        }));
        if survived.is_err() {
            return Ok(Followed::PanickedAt(record.seq));
        }
    }
    Ok(Followed::All(Box::new(engine)))
}
