//! Replicates the journal to a database with an InfluxDB-v2 write endpoint.
//!
//! The journal is the outbox: this edge has no queue of its own, only a mark in the journal that
//! says up to which record the server has everything. Live points go first, the backlog follows;
//! within each, every series is written in order. A batch may be sent twice after a crash or a lost
//! answer; it carries the same series and stamps, so it overwrites itself. A server that keeps
//! repeated points twice (VictoriaMetrics without `-dedup.minScrapeInterval=1ms`; the start check
//! finds out) is asked first for what it has.
//!
//! Invariants: the mark advances only after the server has accepted everything before it and held it
//! for a while, and after an outage the replication goes back to the mark; a line
//! that a server refuses for itself is named, counted and passed over, and never stops the rest; a
//! fault of the set-up (login, bucket, address) loses nothing and waits; nothing here is ever in the
//! way of the guard. Absent on purpose: texts, compression.

mod known;
mod line;
mod progress;
mod replicate;
pub mod series;
mod settle;
mod transport;
mod verify;

use crate::board::Board;
use crate::engine::event::Event;
use crate::engine::output::Output;
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::settings::schema::Database;
use std::io;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::task::JoinHandle;

/// One record of the journal, as far as the database cares.
#[derive(Clone, Debug, PartialEq)]
pub struct Record {
    /// Its number. Numbers rise; some may be missing.
    pub sequence: u64,
    /// Index of the plant.
    pub plant: usize,
    /// The stamp under which the history keeps it, strictly rising within a series; `None` from
    /// before the clock was sane.
    pub stamp: Option<Wall>,
    /// What it holds.
    pub entry: Entry,
}

/// What a record holds.
#[derive(Clone, Debug, PartialEq)]
pub enum Entry {
    /// Something happened to the plant's engine.
    Event(Event),
    /// The plant's engine said something.
    Output(Output),
    /// Anything else: snapshots, marks.
    Other,
}

/// Where the records come from. Calls may touch the disk and are made off the async threads.
pub trait Source: Send + Sync + 'static {
    /// Records numbered `from` and above, ascending, at most `max` of them.
    ///
    /// # Errors
    /// Those of the store; the call is repeated later.
    fn records(&self, from: u64, max: usize) -> io::Result<Vec<Record>>;

    /// The number that the next record will get.
    ///
    /// # Errors
    /// Those of the store; the call is repeated later.
    fn end(&self) -> io::Result<u64>;

    /// The mark: the first record that the server may lack.
    ///
    /// # Errors
    /// Those of the store; the call is repeated later.
    fn mark(&self) -> io::Result<u64>;

    /// Moves the mark. It may become durable late: what is sent again does no harm.
    ///
    /// # Errors
    /// Those of the store; the call is repeated later.
    fn set_mark(&self, mark: u64) -> io::Result<()>;
}

/// What is wrong with the settings. Permanent: trying again does not help.
#[derive(Debug, thiserror::Error)]
pub enum SetupError {
    /// The base URL cannot be used.
    #[error("database.url '{url}' cannot be used: {why}")]
    Url {
        /// As it was given.
        url: String,
        /// What is wrong with it.
        why: String,
    },
    /// The token cannot be read.
    #[error("database.token_file '{}' cannot be read: {source}", path.display())]
    Token {
        /// Where it should be.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
    /// The HTTP client cannot be built.
    #[error("the database client cannot be built: {0}")]
    Client(String),
}

/// Starts the replication. Abort the task to stop it: what was not marked is sent again next time.
///
/// # Errors
/// [`SetupError`] when the URL, the token or the client is unusable.
///
/// # Panics
/// Outside a Tokio runtime.
pub fn spawn(
    settings: &Database,
    source: Arc<dyn Source>,
    board: Board,
    setups: Vec<Arc<Setup>>,
) -> Result<JoinHandle<()>, SetupError> {
    let server = transport::Server::new(settings)?;
    let batch_lines = settings.batch_lines.clamp(1, 50_000);
    Ok(tokio::spawn(replicate::Replication::new(server, source, board, setups, batch_lines).run()))
}
