//! The one thread that writes.
//!
//! Invariants: everything that waits goes into one commit, so a snapshot is never on disk without
//! the records that it rests on; what a failed commit held goes back into the queue; a fault is
//! told once, tried again with growing pauses, and told once when it is over.

use super::journal::{Closing, Done, Health, JournalError, Shared, State, Watch};
use super::queue::Dropped;
use super::record::{Body, PlantNo, Record, RunMark};
use super::restore::Begin;
use super::row::{Encoding, Row};
use super::store::{self, Snapshot, Store};
use crate::engine::event::Event;
use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

/// A record is in the file at most this long (and one commit) after it came.
const FLUSH_AFTER: Duration = Duration::from_millis(crate::engine::causes::LOOK.millis() as u64);
/// A power cut loses no more than this (and one commit).
const SYNC_AFTER: Duration = Duration::from_secs(45);
/// Pauses between attempts while nothing can be written.
const RETRY: (Duration, Duration) = (Duration::from_secs(1), Duration::from_secs(30));
/// Longest sleep when there is nothing to do.
const IDLE: Duration = Duration::from_secs(3600);
/// Most records in one row.
const ROW_MAX: usize = 2000;
/// A flush does not wait longer once so many are queued.
pub(super) const HURRY: usize = 4000;
/// Lines that are folded into one row, in bytes.
pub(super) const FOLD_BYTES: usize = 256 * 1024;
/// Pause after a fold that failed.
const FOLD_RETRY: Duration = Duration::from_secs(600);

pub(super) struct Writer {
    shared: Arc<Shared>,
    store: Store,
    /// What the start has to write and could not yet.
    begin: Option<Begin>,
    pause: Duration,
    retry_at: Option<Instant>,
    last_sync: Instant,
    unfolded: usize,
    fold_after: Instant,
}

/// Everything that waited, taken for one commit.
struct Work {
    records: Vec<Record>,
    persists: Vec<Done>,
    snapshots: BTreeMap<PlantNo, Snapshot>,
    marks: BTreeMap<String, u64>,
    closing: Option<Closing>,
    sync: bool,
}

impl Writer {
    pub(super) fn new(shared: Arc<Shared>, store: Store, begin: Begin) -> Self {
        Self {
            shared,
            unfolded: store.unfolded_bytes().unwrap_or(0),
            store,
            begin: Some(begin),
            pause: RETRY.0,
            retry_at: None,
            last_sync: Instant::now(),
            fold_after: Instant::now(),
        }
    }

    /// Works until the journal is closed.
    pub(super) fn run(&mut self) {
        struct Ended<'a>(&'a Shared);
        impl Drop for Ended<'_> {
            fn drop(&mut self) {
                let mut state = self.0.state();
                if state.ended.is_none() {
                    state.ended = Some(Err("the writer ended by a fault of its own".into()));
                    state.health.writable = false;
                }
                self.0.wake.notify_all();
            }
        }
        let shared = Arc::clone(&self.shared);
        let _ended = Ended(&shared);
        loop {
            self.wait();
            if let Some(result) = self.work() {
                shared.state().ended = Some(result);
                return;
            }
            self.fold_if_due();
        }
    }

    /// Waits until there is something to do.
    fn wait(&self) {
        let mut state = self.shared.state();
        loop {
            let now = Instant::now();
            let wait = self.due(&state, now).saturating_duration_since(now);
            if wait.is_zero() {
                return;
            }
            state = self
                .shared
                .wake
                .wait_timeout(state, wait)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    /// When there will be something to do.
    fn due(&self, state: &State, now: Instant) -> Instant {
        if state.closing.is_some() || !state.persists.is_empty() {
            return now;
        }
        let sync =
            (state.health.synced < state.health.written).then(|| self.last_sync + SYNC_AFTER);
        let flush = match state.queue.len() >= HURRY {
            true => Some(now),
            false => state.since.map(|since| since + FLUSH_AFTER),
        };
        let next = [sync, flush].into_iter().flatten().min();
        next.map_or(now + IDLE, |next| next.max(self.retry_at.unwrap_or(next)))
    }

    fn take(&self) -> Work {
        let mut state = self.shared.state();
        let dropped = state.queue.take_dropped();
        state.health.dropped += dropped;
        state.untold += dropped;
        let waiting = state.queue.len();
        state.since = None;
        Work {
            records: state.queue.take(waiting),
            persists: std::mem::take(&mut state.persists),
            snapshots: std::mem::take(&mut state.snapshots),
            marks: std::mem::take(&mut state.marks),
            closing: state.closing,
            sync: false,
        }
    }

    /// One commit of everything that waits. Gives the result when the journal is to end.
    pub(super) fn work(&mut self) -> Option<Result<(), String>> {
        let mut work = self.take();
        work.sync = !work.persists.is_empty()
            || work.closing.is_some()
            || self.begin.is_some()
            || self.last_sync.elapsed() >= SYNC_AFTER;
        match self.commit(&work) {
            Ok(bytes) => {
                self.unfolded += bytes;
                self.begin = None;
                self.retry_at = None;
                self.pause = RETRY.0;
                if work.sync {
                    self.last_sync = Instant::now();
                }
                let synced = self.succeeded(&work);
                for done in work.persists {
                    done(Ok(synced));
                }
                work.closing.map(|_| Ok(()))
            }
            Err(error) => {
                let fault = error.to_string();
                self.retry_at = Some(Instant::now() + self.pause);
                self.pause = (self.pause * 2).min(RETRY.1);
                let persists = std::mem::take(&mut work.persists);
                let closing = work.closing;
                self.failed(work, &fault);
                for done in persists {
                    done(Err(JournalError::NotWritten(fault.clone())));
                }
                closing.map(|_| Err(fault))
            }
        }
    }

    /// Gives the size of what was written.
    fn commit(&mut self, work: &Work) -> rusqlite::Result<usize> {
        let mut rows = Vec::new();
        for records in work.records.chunks(ROW_MAX) {
            rows.push(pack(records)?);
        }
        let bytes = rows.iter().map(|row| row.body.len()).sum();
        let begin = self.begin.as_ref();
        let last = work.records.last().map(|record| record.seq);
        let synced = last.or_else(|| Some(self.shared.state().health.written)).unwrap_or(0);
        let write = |tx: &rusqlite::Transaction<'_>| {
            if let Some(begin) = begin {
                begin.write(tx)?;
            }
            for row in &rows {
                store::insert_row(tx, row)?;
            }
            for record in &work.records {
                if matches!(record.body, Body::Event(Event::Started(_))) {
                    store::set_meta(tx, &store::lost_key(record.plant), 0)?;
                }
            }
            for (plant, snapshot) in &work.snapshots {
                store::insert_snapshot(tx, *plant, snapshot)?;
            }
            for (sink, seq) in &work.marks {
                store::set_mark(tx, sink, *seq)?;
            }
            if work.closing == Some(Closing::Clean) {
                store::set_meta(tx, "clean", 1)?;
            }
            if work.sync {
                // Also what makes this commit one that writes, and so one that syncs.
                store::set_meta(tx, "synced", i64::try_from(synced).unwrap_or(i64::MAX))?;
            }
            Ok(())
        };
        if work.sync {
            self.store.durably(write)?
        } else {
            self.store.cheaply(write)?
        }
        Ok(bytes)
    }

    /// Notes a success; gives the last synced number.
    fn succeeded(&self, work: &Work) -> u64 {
        let mut state = self.shared.state();
        if let Some(last) = work.records.last() {
            state.health.written = last.seq;
        }
        if work.sync {
            state.health.synced = state.health.written;
        }
        let synced = state.health.synced;
        let Dropped { trend, kept } = std::mem::take(&mut state.untold);
        if trend + kept > 0 {
            state.mark_all(&RunMark::Dropped { trend, kept });
        }
        let back = !state.health.writable;
        state.health.writable = true;
        state.health.fault = None;
        let told = back.then(|| (state.watch.clone(), state.health.clone()));
        drop(state);
        if let Some((watch, health)) = told {
            tracing::info!(dropped = ?health.dropped, "the journal can be written again");
            tell(watch, &health);
        }
        synced
    }

    fn failed(&self, work: Work, fault: &str) {
        let mut state = self.shared.state();
        state.queue.put_back(work.records);
        for (plant, snapshot) in work.snapshots {
            state.snapshots.entry(plant).or_insert(snapshot);
        }
        for (sink, seq) in work.marks {
            state.marks.entry(sink).or_insert(seq);
        }
        state.since = Some(Instant::now());
        let first = state.health.writable;
        state.health.writable = false;
        state.health.fault = Some(fault.to_owned());
        let told = first.then(|| (state.watch.clone(), state.health.clone()));
        drop(state);
        if let Some((watch, health)) = told {
            tracing::error!(fault, "the journal cannot be written; records wait in memory");
            tell(watch, &health);
        }
    }

    /// Folds small rows into large ones, until somebody waits for the disk; what is left then goes
    /// after the next commit. A fault here loses nothing and is tried again later.
    fn fold_if_due(&mut self) {
        while self.unfolded >= FOLD_BYTES && self.fold_after <= Instant::now() {
            let now = Instant::now();
            if self.due(&self.shared.state(), now) <= now {
                return;
            }
            match self.store.fold(FOLD_BYTES) {
                Ok(0) => self.unfolded = 0,
                Ok(folded) => self.unfolded = self.unfolded.saturating_sub(folded),
                Err(error) => {
                    tracing::warn!(%error, "small rows could not be folded");
                    self.fold_after = now + FOLD_RETRY;
                }
            }
        }
    }
}

fn tell(watch: Option<Watch>, health: &Health) {
    if let Some(watch) = watch {
        watch(health);
    }
}

fn pack(records: &[Record]) -> rusqlite::Result<Row> {
    Row::pack(records, Encoding::Lines).map_err(rusqlite::Error::ToSqlConversionFailure)
}
