//! The handle through which the daemon writes.

use super::queue::{Dropped, KEPT_MAX, Queue, TREND_MAX};
use super::record::{Body, PlantNo, Record, RunMark};
use super::restore::Begin;
use super::row::RowError;
use super::store::{Snapshot, Store};
use super::writer::{HURRY, Writer};
use crate::engine::time::Now;
use std::collections::BTreeMap;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Why the journal could not be written or read.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The file did not take it: disk full, read-only, faulty. Tried again by itself.
    #[error("journal: {0}")]
    Store(#[from] rusqlite::Error),
    /// A row cannot be read.
    #[error("journal: {0}")]
    Row(#[from] RowError),
    /// An input was written by a newer version, so a restart cannot follow it.
    #[error("journal: record {0} was written by a newer version")]
    Newer(u64),
    /// Records that are needed are damaged.
    #[error("journal: records between {from} and {to} are damaged")]
    Missing {
        /// From.
        from: u64,
        /// To.
        to: u64,
    },
    /// Could not be written when it was asked for; the words of the disk's complaint.
    #[error("journal cannot be written: {0}")]
    NotWritten(String),
    /// The journal is closed.
    #[error("journal is closed")]
    Closed,
}

/// How the journal is.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Health {
    /// The last write succeeded.
    pub writable: bool,
    /// What the disk complains about while it does not.
    pub fault: Option<String>,
    /// Last record that was written.
    pub written: u64,
    /// Last record that outlives a power cut.
    pub synced: u64,
    /// Records that wait.
    pub waiting: usize,
    /// Records dropped since the daemon started.
    pub dropped: Dropped,
}

pub(super) type Done = Box<dyn FnOnce(Result<u64, JournalError>) + Send>;
pub(super) type Watch = Arc<dyn Fn(&Health) + Send + Sync>;

/// How the writer is to end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Closing {
    /// Everything on disk, and a mark that says so.
    Clean,
    /// Everything on disk; no mark, because nobody stopped the plants.
    Unclean,
}

pub(super) struct State {
    pub(super) queue: Queue,
    pub(super) next_seq: u64,
    /// When the oldest thing that waits came.
    pub(super) since: Option<Instant>,
    /// The last time of each plant, for the marks.
    pub(super) last: BTreeMap<PlantNo, Now>,
    pub(super) persists: Vec<Done>,
    /// The newest snapshot of each plant that waits.
    pub(super) snapshots: BTreeMap<PlantNo, Snapshot>,
    pub(super) marks: BTreeMap<String, u64>,
    pub(super) closing: Option<Closing>,
    pub(super) ended: Option<Result<(), String>>,
    pub(super) health: Health,
    /// Dropped, and no mark says so yet.
    pub(super) untold: Dropped,
    pub(super) watch: Option<Watch>,
}

pub(super) struct Shared {
    state: Mutex<State>,
    pub(super) wake: Condvar,
}

impl Shared {
    pub(super) fn state(&self) -> MutexGuard<'_, State> {
        // A panic under the lock can only come from allocation; the data stays whole.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The journal, open for writing. Clones share it; the last one to go ends the writer, without the
/// mark of a clean stop.
#[derive(Clone)]
pub struct Journal {
    inner: Arc<Inner>,
}

struct Inner {
    shared: Arc<Shared>,
    writer: Mutex<Option<JoinHandle<()>>>,
    /// Held for as long as anything is written.
    _lock: std::fs::File,
}

impl std::fmt::Debug for Journal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Journal").field("health", &self.health()).finish()
    }
}

/// Longest time that [`Journal::close`] waits for the disk.
const CLOSE_WAIT: Duration = Duration::from_secs(10);

impl Journal {
    pub(super) fn start(
        store: Store,
        lock: std::fs::File,
        begin: Begin,
        next_seq: u64,
        synced: u64,
    ) -> std::io::Result<Self> {
        let mut state = State {
            queue: Queue::new(TREND_MAX, KEPT_MAX),
            next_seq,
            since: None,
            last: begin.last.clone(),
            persists: Vec::new(),
            snapshots: BTreeMap::new(),
            marks: BTreeMap::new(),
            closing: None,
            ended: None,
            health: Health { writable: true, written: next_seq - 1, synced, ..Health::default() },
            untold: Dropped::default(),
            watch: None,
        };
        let program = env!("CARGO_PKG_VERSION").to_owned();
        state.mark_all(&RunMark::Started { program });
        let shared = Arc::new(Shared { state: Mutex::new(state), wake: Condvar::new() });
        let mut writer = Writer::new(Arc::clone(&shared), store, begin);
        // At once and synced: a file that cannot take this says so before anything relies on it.
        writer.work();
        let thread =
            std::thread::Builder::new().name("journal".into()).spawn(move || writer.run())?;
        Ok(Self {
            inner: Arc::new(Inner { shared, writer: Mutex::new(Some(thread)), _lock: lock }),
        })
    }

    /// Adds a record and gives its number. Never waits for the disk. After [`Journal::close`] it
    /// still counts, but nothing is written.
    pub fn append(&self, plant: PlantNo, now: Now, body: Body) -> u64 {
        let mut state = self.inner.shared.state();
        let wake = state.since.is_none() || state.queue.len() + 1 == HURRY;
        let seq = state.push(plant, now, body);
        drop(state);
        if wake {
            self.inner.shared.wake.notify_one();
        }
        seq
    }

    /// Makes everything so far outlive a power cut, then calls `done` with the number of the last
    /// record that does. When the disk does not take it, `done` gets the error at once; the records
    /// stay and are tried again, the question is not. `done` runs on the writer's thread: it must be
    /// quick and must not wait.
    pub fn persist(&self, done: impl FnOnce(Result<u64, JournalError>) + Send + 'static) {
        let mut state = self.inner.shared.state();
        if state.closing.is_some() {
            drop(state);
            return done(Err(JournalError::Closed));
        }
        state.persists.push(Box::new(done));
        drop(state);
        self.inner.shared.wake.notify_one();
    }

    /// Keeps an engine's state as it was after record `seq`. Written with the next flush, after the
    /// records up to `seq`. The last three of each plant are kept.
    pub fn snapshot(&self, plant: PlantNo, seq: u64, body: String) {
        let mut state = self.inner.shared.state();
        state.snapshots.insert(plant, Snapshot { seq, body });
        state.since.get_or_insert_with(Instant::now);
        drop(state);
        self.inner.shared.wake.notify_one();
    }

    /// Notes how far a replica has come. Written with the next flush.
    pub fn mark(&self, sink: &str, seq: u64) {
        let mut state = self.inner.shared.state();
        state.marks.insert(sink.to_owned(), seq);
        state.since.get_or_insert_with(Instant::now);
        drop(state);
        self.inner.shared.wake.notify_one();
    }

    /// The last record that is written: what a reader can see.
    pub fn sequence_on_disk(&self) -> u64 {
        self.inner.shared.state().health.written
    }

    /// How the journal is.
    pub fn health(&self) -> Health {
        let state = self.inner.shared.state();
        Health { waiting: state.queue.len(), ..state.health.clone() }
    }

    /// Calls `watch` whenever writing ceases to work or works again; at once if it does not work
    /// now. It runs on the writer's thread: it must be quick and must not wait. There is one; a
    /// second replaces the first.
    pub fn watch(&self, watch: impl Fn(&Health) + Send + Sync + 'static) {
        let watch: Watch = Arc::new(watch);
        let mut state = self.inner.shared.state();
        state.watch = Some(Arc::clone(&watch));
        let health = state.health.clone();
        drop(state);
        if !health.writable {
            watch(&health);
        }
    }

    /// Writes and syncs everything, marks the stop as clean, and ends the writer.
    ///
    /// # Errors
    /// When the disk did not take it within ten seconds.
    pub fn close(&self) -> Result<(), JournalError> {
        self.inner.end(Closing::Clean)
    }
}

impl Inner {
    fn end(&self, how: Closing) -> Result<(), JournalError> {
        let mut state = self.shared.state();
        if state.closing.is_none() {
            if how == Closing::Clean {
                state.mark_all(&RunMark::Stopped);
            }
            state.closing = Some(how);
            self.shared.wake.notify_all();
        }
        let until = Instant::now() + CLOSE_WAIT;
        while state.ended.is_none() {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Err(JournalError::NotWritten("the disk did not answer".into()));
            }
            state = self
                .shared
                .wake
                .wait_timeout(state, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
        let ended = state.ended.clone().unwrap_or(Ok(()));
        drop(state);
        let thread = self.writer.lock().unwrap_or_else(PoisonError::into_inner).take();
        if let Some(thread) = thread
            && thread.thread().id() != std::thread::current().id()
        {
            // Its panic, if it had one, has been told by `ended`.
            let _ = thread.join();
        }
        ended.map_err(JournalError::NotWritten)
    }
}

impl Drop for Inner {
    fn drop(&mut self) {
        if let Err(error) = self.end(Closing::Unclean) {
            tracing::error!(%error, "the journal's last records may be missing");
        }
    }
}

impl State {
    /// Numbers a record and queues it.
    pub(super) fn push(&mut self, plant: PlantNo, now: Now, body: Body) -> u64 {
        let seq = self.next_seq;
        self.next_seq += 1;
        self.last.insert(plant, now);
        if self.ended.is_none() {
            self.queue.push(Record { seq, plant, now, body });
            self.since.get_or_insert_with(Instant::now);
        }
        seq
    }

    /// Queues a mark for every plant of this run.
    pub(super) fn mark_all(&mut self, mark: &RunMark) {
        let plants: Vec<(PlantNo, Now)> =
            self.last.iter().map(|(plant, now)| (*plant, *now)).collect();
        for (plant, now) in plants {
            self.push(plant, now, Body::Run(mark.clone()));
        }
    }
}
