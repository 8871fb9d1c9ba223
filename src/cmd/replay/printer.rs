//! Lines are made and written on a thread of their own, so that the engine need not wait for them.
//!
//! Invariants: in the order in which they were given; what was given is written or its error told
//! ([`Printer::end`]); a reader that goes away ends the replay with the next batch.

use super::Kind;
use super::line::Lines;
use crate::engine::output::Output;
use crate::engine::setup::Setup;
use crate::engine::time::Now;
use std::io::{Error, ErrorKind, Result, Write};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};

/// So many go to the thread together, and so many batches may wait for it.
const BATCH: usize = 512;
const WAITING: usize = 16;

/// What is printed.
enum Item {
    Output(Now, Output),
    Line(String),
}

/// Where lines are given.
pub(super) struct Printer<'scope> {
    batch: Vec<Item>,
    to: SyncSender<Vec<Item>>,
    thread: ScopedJoinHandle<'scope, Result<()>>,
}

impl<'scope> Printer<'scope> {
    /// Begins to write to `out`; outputs of these kinds alone, if there are any.
    pub(super) fn new<'env>(
        scope: &'scope Scope<'scope, 'env>,
        setup: &Arc<Setup>,
        only: &'scope [Kind],
        out: &'scope mut (dyn Write + Send),
    ) -> Self {
        let (to, from) = sync_channel(WAITING);
        let setup = Arc::clone(setup);
        let thread = scope.spawn(move || write(&from, &setup, only, out));
        Self { batch: Vec::with_capacity(BATCH), to, thread }
    }

    /// # Errors
    /// Nobody writes any more: [`Printer::end`] says why.
    pub(super) fn output(&mut self, now: Now, output: Output) -> Result<()> {
        self.give(Item::Output(now, output))
    }

    /// # Errors
    /// As [`Printer::output`].
    pub(super) fn line(&mut self, line: String) -> Result<()> {
        self.give(Item::Line(line))
    }

    fn give(&mut self, item: Item) -> Result<()> {
        self.batch.push(item);
        if self.batch.len() < BATCH {
            return Ok(());
        }
        let batch = std::mem::replace(&mut self.batch, Vec::with_capacity(BATCH));
        self.to.send(batch).map_err(|_| Error::from(ErrorKind::BrokenPipe))
    }

    /// Everything that was given is written.
    ///
    /// # Errors
    /// The first that writing met.
    pub(super) fn end(self) -> Result<()> {
        // Where the thread has ended, it says why.
        let _ = self.to.send(self.batch);
        drop(self.to);
        match self.thread.join() {
            Ok(result) => result,
            Err(panic) => std::panic::resume_unwind(panic),
        }
    }
}

fn write(
    from: &Receiver<Vec<Item>>,
    setup: &Setup,
    only: &[Kind],
    out: &mut (dyn Write + Send),
) -> Result<()> {
    let mut lines = Lines::default();
    while let Ok(batch) = from.recv() {
        for item in batch {
            match item {
                Item::Output(now, output) => {
                    let wanted = |kind| only.contains(&kind);
                    if only.is_empty() || Kind::of(&output).is_some_and(wanted) {
                        out.write_all(lines.line(&output, now, setup)?)?;
                    }
                }
                Item::Line(line) => writeln!(out, "{line}")?,
            }
        }
    }
    Ok(())
}
