//! The file: what stands in which table, and how it is opened, read and written.
//!
//! How durable a commit is follows from two settings, and from nothing else:
//! - `journal_mode = WAL` with `synchronous = NORMAL`: a commit only *writes* to the log. It survives
//!   the death of the process; after a power cut the log ends at the last commit that the disk holds
//!   whole (each frame of it has a check sum), so what is left is always a prefix.
//! - `synchronous = FULL`, set for the one commit that must last: it also calls `fsync` on the
//!   log, which covers all earlier commits too. SQLite makes the log's folder entry durable as well.
//!
//! The log is folded into the file (with syncs in the right order) every 1000 pages by SQLite itself.

use super::record::{Names, PlantNo};
use super::row::{Encoding, Row};
use crate::engine::time::Wall;
use rusqlite::{Connection, OpenFlags, OptionalExtension, Transaction, params};
use std::path::Path;
use std::time::Duration;

/// Number of the layout. A higher one is refused, not guessed at.
pub(super) const FORMAT: i64 = 1;
/// The file in the state folder.
pub const FILE: &str = "journal.sqlite";
/// Snapshots kept for each plant.
pub(super) const SNAPSHOTS_KEPT: usize = 3;

const LAYOUT: &str = "
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
-- A plant's number never changes.
CREATE TABLE plants (number INTEGER PRIMARY KEY, id TEXT NOT NULL UNIQUE);
-- What sensor, actuator and part indices stand for, from a record on. JSON.
CREATE TABLE names (plant INTEGER NOT NULL, from_seq INTEGER NOT NULL, body TEXT NOT NULL,
    PRIMARY KEY (plant, from_seq)) WITHOUT ROWID;
-- The records; enc 0: JSON lines, 1: the same deflated. Walls are milliseconds since 1970, null
-- while the clock was not sane.
CREATE TABLE records (first_seq INTEGER PRIMARY KEY, last_seq INTEGER NOT NULL,
    wall_min INTEGER, wall_max INTEGER, count INTEGER NOT NULL,
    enc INTEGER NOT NULL, crc INTEGER NOT NULL, body BLOB NOT NULL);
-- Folded rows only, so that a flush touches one page and not two.
CREATE INDEX folded ON records (wall_max, wall_min) WHERE enc > 0;
-- The engine's state after the record `seq`; enc 1: deflated JSON.
CREATE TABLE snapshots (plant INTEGER NOT NULL, seq INTEGER NOT NULL, version INTEGER NOT NULL,
    enc INTEGER NOT NULL, crc INTEGER NOT NULL, body BLOB NOT NULL,
    PRIMARY KEY (plant, seq)) WITHOUT ROWID;
-- How far each replica has come.
CREATE TABLE marks (sink TEXT PRIMARY KEY, seq INTEGER NOT NULL) WITHOUT ROWID;
-- Rows whose check sum did not fit, as they were found.
-- torn: it was the last one and nobody had been promised that it would last.
CREATE TABLE damaged (torn INTEGER NOT NULL, first_seq INTEGER, last_seq INTEGER, count INTEGER,
    enc INTEGER, crc INTEGER, body BLOB);
";

/// A connection to the file.
#[derive(Debug)]
pub(super) struct Store {
    pub(super) db: Connection,
}

/// What a snapshot row holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// State after this record.
    pub seq: u64,
    /// The engine's own text.
    pub body: String,
}

impl Store {
    /// Opens the file for writing; makes it when it is not there.
    pub(super) fn open(file: &Path) -> rusqlite::Result<Self> {
        let db = Connection::open(file)?;
        db.busy_timeout(Duration::from_secs(5))?;
        // Only before the first table is made.
        db.pragma_update(None, "page_size", 4096)?;
        db.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
        db.pragma_update(None, "synchronous", "NORMAL")?;
        db.pragma_update(None, "cache_size", -1024)?;
        db.pragma_update_and_check(None, "journal_size_limit", 4 * 1024 * 1024, |_| Ok(()))?;
        db.pragma_update(None, "temp_store", "MEMORY")?;
        let mut store = Self { db };
        if !store.has_layout()? {
            store.durably(|tx| {
                tx.execute_batch(LAYOUT)?;
                set_meta(tx, "folded", 0)?;
                set_meta(tx, "synced", 0)?;
                set_meta(tx, "format", FORMAT)
            })?;
        }
        Ok(store)
    }

    /// Opens the file for reading only.
    pub(super) fn open_to_read(file: &Path) -> rusqlite::Result<Self> {
        let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
            | OpenFlags::SQLITE_OPEN_NO_MUTEX
            | OpenFlags::SQLITE_OPEN_URI;
        let open = |db: Connection| -> rusqlite::Result<Self> {
            db.busy_timeout(Duration::from_secs(5))?;
            db.pragma_update(None, "cache_size", -1024)?;
            let store = Self { db };
            store.meta("format")?;
            Ok(store)
        };
        match Connection::open_with_flags(file, flags).and_then(open) {
            // A folder that we may not write, and no daemon that has made the shared memory: the file
            // cannot change under us, so it can be read as it lies.
            Err(rusqlite::Error::SqliteFailure(error, _))
                if error.code == rusqlite::ErrorCode::CannotOpen
                    && file.exists()
                    && !file.with_extension("sqlite-wal").exists() =>
            {
                let uri = format!("file:{}?immutable=1", escape(file));
                Connection::open_with_flags(uri, flags).and_then(open)
            }
            other => other,
        }
    }

    fn has_layout(&self) -> rusqlite::Result<bool> {
        self.db
            .query_row(
                "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = 'meta'",
                [],
                |row| row.get::<_, i64>(0),
            )
            .map(|tables| tables > 0)
    }

    /// A commit that outlives the process, but perhaps not a power cut.
    pub(super) fn cheaply<T>(
        &mut self,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        let tx = self.db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        let result = work(&tx)?;
        tx.commit()?;
        Ok(result)
    }

    /// A commit that outlives a power cut, with everything before it. It must change something:
    /// SQLite syncs only a commit that writes.
    pub(super) fn durably<T>(
        &mut self,
        work: impl FnOnce(&Transaction<'_>) -> rusqlite::Result<T>,
    ) -> rusqlite::Result<T> {
        self.db.pragma_update(None, "synchronous", "FULL")?;
        let result = self.cheaply(work);
        let back = self.db.pragma_update(None, "synchronous", "NORMAL");
        let result = result?;
        back?;
        Ok(result)
    }

    pub(super) fn meta(&self, key: &str) -> rusqlite::Result<Option<i64>> {
        self.db
            .prepare_cached("SELECT value FROM meta WHERE key = ?1")?
            .query_row([key], |row| row.get(0))
            .optional()
    }

    /// The first and the last record number, if there is any record.
    pub(super) fn span(&self) -> rusqlite::Result<Option<(u64, u64)>> {
        let ends: (Option<u64>, Option<u64>) = self
            .db
            .prepare_cached(
                "SELECT (SELECT min(first_seq) FROM records), \
                 (SELECT last_seq FROM records ORDER BY first_seq DESC LIMIT 1)",
            )?
            .query_row([], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(ends.0.zip(ends.1))
    }

    /// The row that holds `seq`, or else the first one after it.
    pub(super) fn row_from(&self, seq: u64) -> rusqlite::Result<Option<Row>> {
        let holding = self
            .db
            .prepare_cached(
                "SELECT first_seq, last_seq, wall_min, wall_max, count, enc, crc, body FROM records \
                 WHERE first_seq <= ?1 ORDER BY first_seq DESC LIMIT 1",
            )?
            .query_row([seq], read_row)
            .optional()?
            .filter(|row| row.last_seq >= seq);
        if holding.is_some() {
            return Ok(holding);
        }
        self.db
            .prepare_cached(
                "SELECT first_seq, last_seq, wall_min, wall_max, count, enc, crc, body FROM records \
                 WHERE first_seq > ?1 ORDER BY first_seq LIMIT 1",
            )?
            .query_row([seq], read_row)
            .optional()
    }

    /// The last row that begins before `seq`.
    pub(super) fn row_before(&self, seq: u64) -> rusqlite::Result<Option<Row>> {
        self.db
            .prepare_cached(
                "SELECT first_seq, last_seq, wall_min, wall_max, count, enc, crc, body FROM records \
                 WHERE first_seq < ?1 ORDER BY first_seq DESC LIMIT 1",
            )?
            .query_row([i64::try_from(seq).unwrap_or(i64::MAX)], read_row)
            .optional()
    }

    /// The first number of the last row that begins not later than this wall.
    pub(super) fn row_at(&self, wall: Wall) -> rusqlite::Result<Option<u64>> {
        self.db
            .prepare_cached(
                "SELECT first_seq FROM records WHERE wall_min <= ?1 ORDER BY first_seq DESC LIMIT 1",
            )?
            .query_row([wall.millis()], |row| row.get(0))
            .optional()
    }

    /// First numbers of the rows that may hold records between two walls, in order, from `seq` on;
    /// at most `max`.
    pub(super) fn rows_between(
        &self,
        from: Wall,
        to: Wall,
        seq: u64,
        max: usize,
    ) -> rusqlite::Result<Vec<u64>> {
        // Folded rows by their index, the few others by looking at each.
        let mut statement = self.db.prepare_cached(
            "SELECT first_seq FROM records WHERE enc > 0 AND wall_max >= ?1 AND wall_min <= ?2 \
                 AND first_seq >= ?3 \
             UNION SELECT first_seq FROM records \
                 WHERE first_seq >= (SELECT value FROM meta WHERE key = 'folded') AND enc = 0 \
                 AND wall_max >= ?1 AND wall_min <= ?2 AND first_seq >= ?3 \
             ORDER BY first_seq LIMIT ?4",
        )?;
        let rows = statement
            .query_map(params![from.millis(), to.millis(), seq, max as u64], |row| row.get(0))?;
        rows.collect()
    }

    pub(super) fn snapshots(&self, plant: PlantNo) -> rusqlite::Result<Vec<Snapshot>> {
        let mut statement = self.db.prepare_cached(
            "SELECT seq, enc, crc, body FROM snapshots WHERE plant = ?1 ORDER BY seq DESC",
        )?;
        let rows = statement.query_map([plant.get()], |row| {
            let (seq, enc, crc): (u64, i64, u32) = (row.get(0)?, row.get(1)?, row.get(2)?);
            Ok((seq, enc, crc, row.get::<_, Vec<u8>>(3)?))
        })?;
        let mut good = Vec::new();
        for row in rows {
            let (seq, enc, crc, body) = row?;
            if let Some(body) = unpack_snapshot(seq, enc, crc, &body) {
                good.push(Snapshot { seq, body });
            } else {
                tracing::warn!(
                    plant = plant.get(),
                    seq,
                    "a snapshot is damaged; an older one may do"
                );
            }
        }
        Ok(good)
    }

    pub(super) fn plants(&self) -> rusqlite::Result<Vec<(PlantNo, String)>> {
        let mut statement =
            self.db.prepare_cached("SELECT number, id FROM plants ORDER BY number")?;
        let rows = statement.query_map([], |row| Ok((PlantNo(row.get(0)?), row.get(1)?)))?;
        rows.collect()
    }

    /// The names under which a plant's record was written.
    pub(super) fn names_at(&self, plant: PlantNo, seq: u64) -> rusqlite::Result<Option<Names>> {
        self.db
            .prepare_cached(
                "SELECT body FROM names WHERE plant = ?1 AND from_seq <= ?2 \
                 ORDER BY from_seq DESC LIMIT 1",
            )?
            .query_row(params![plant.get(), seq], |row| row.get::<_, String>(0))
            .optional()
            .map(|body| body.and_then(|body| serde_json::from_str(&body).ok()))
    }

    /// From which record on other names hold, after `seq`.
    pub(super) fn names_change_after(
        &self,
        plant: PlantNo,
        seq: u64,
    ) -> rusqlite::Result<Option<u64>> {
        self.db
            .prepare_cached("SELECT min(from_seq) FROM names WHERE plant = ?1 AND from_seq > ?2")?
            .query_row(params![plant.get(), seq], |row| row.get(0))
    }

    /// Bytes in rows that are not folded yet.
    pub(super) fn unfolded_bytes(&self) -> rusqlite::Result<usize> {
        self.db.query_row(
            "SELECT coalesce(sum(length(body)), 0) FROM records WHERE enc = 0 AND first_seq >= \
             coalesce((SELECT value FROM meta WHERE key = 'folded'), 0)",
            [],
            |row| row.get(0),
        )
    }

    /// Folds the oldest small rows, about `bytes` of lines, into one deflated row, in one commit.
    /// Gives the bytes of lines that it folded; 0 when there is nothing to fold.
    pub(super) fn fold(&mut self, bytes: usize) -> rusqlite::Result<usize> {
        let rows = {
            let mut statement = self.db.prepare_cached(
                "SELECT first_seq, last_seq, wall_min, wall_max, count, enc, crc, body FROM records \
                 WHERE enc = 0 AND first_seq >= \
                 coalesce((SELECT value FROM meta WHERE key = 'folded'), 0) ORDER BY first_seq",
            )?;
            let mut found = statement.query([])?;
            let (mut rows, mut size) = (Vec::new(), 0);
            while size < bytes
                && let Some(row) = found.next()?
            {
                let row = read_row(row)?;
                size += row.body.len();
                rows.push(row);
            }
            rows
        };
        let mut records = Vec::new();
        let mut aside = Vec::new();
        let mut folded = 0;
        for row in &rows {
            folded += row.body.len();
            match row.unpack() {
                Ok(found) => records.extend(found),
                Err(error) => {
                    tracing::error!(%error, "a damaged row is kept aside");
                    aside.push(row.first_seq);
                }
            }
        }
        let Some(next) = rows.last().map(|row| row.last_seq + 1) else { return Ok(0) };
        let block = match records.is_empty() {
            true => None,
            false => Some(
                Row::pack(&records, Encoding::Deflated)
                    .map_err(rusqlite::Error::ToSqlConversionFailure)?,
            ),
        };
        self.cheaply(|tx| {
            for first in aside {
                set_aside(tx, first, false)?;
            }
            let mut delete = tx.prepare_cached("DELETE FROM records WHERE first_seq = ?1")?;
            for row in &rows {
                delete.execute([row.first_seq])?;
            }
            if let Some(block) = &block {
                insert_row(tx, block)?;
            }
            set_meta(tx, "folded", i64::try_from(next).unwrap_or(i64::MAX))
        })?;
        Ok(folded)
    }

    /// Whether records after `seq` are known to be damaged and were not merely a torn end.
    pub(super) fn is_damaged_after(&self, seq: u64) -> rusqlite::Result<bool> {
        self.db
            .prepare_cached("SELECT count(*) FROM damaged WHERE torn = 0 AND last_seq > ?1")?
            .query_row([seq], |row| row.get::<_, i64>(0))
            .map(|rows| rows > 0)
    }

    /// The same, for a stretch.
    pub(super) fn is_damaged_between(&self, from: u64, to: u64) -> rusqlite::Result<bool> {
        self.db
            .prepare_cached(
                "SELECT count(*) FROM damaged WHERE torn = 0 AND last_seq >= ?1 AND first_seq <= ?2",
            )?
            .query_row([from, to], |row| row.get::<_, i64>(0))
            .map(|rows| rows > 0)
    }

    /// Writes where the next flush will write, and takes it back: a damaged page shows itself.
    pub(super) fn probe(&mut self, row: &Row) -> rusqlite::Result<()> {
        let tx = self.db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
        insert_row(&tx, row)?;
        tx.rollback()
    }

    /// The highest number that was ever given out, as far as the file knows.
    pub(super) fn highest(&self) -> rusqlite::Result<u64> {
        self.db.query_row(
            "SELECT max(coalesce((SELECT max(last_seq) FROM damaged), 0), \
                 coalesce((SELECT max(seq) FROM marks), 0), \
                 coalesce((SELECT max(seq) FROM snapshots), 0), \
                 coalesce((SELECT value FROM meta WHERE key = 'synced'), 0), \
                 coalesce((SELECT last_seq FROM records ORDER BY first_seq DESC LIMIT 1), 0))",
            [],
            |row| row.get(0),
        )
    }

    pub(super) fn mark(&self, sink: &str) -> rusqlite::Result<Option<u64>> {
        self.db
            .prepare_cached("SELECT seq FROM marks WHERE sink = ?1")?
            .query_row([sink], |row| row.get(0))
            .optional()
    }
}

/// Whether a plant's state was lost and its engine has not heard of it yet.
pub(super) fn lost_key(plant: PlantNo) -> String {
    format!("lost:{}", plant.get())
}

pub(super) fn set_mark(tx: &Connection, sink: &str, seq: u64) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT OR REPLACE INTO marks (sink, seq) VALUES (?1, ?2)")?
        .execute(params![sink, seq])
        .map(drop)
}

pub(super) fn set_meta(tx: &Connection, key: &str, value: i64) -> rusqlite::Result<()> {
    tx.prepare_cached("INSERT OR REPLACE INTO meta (key, value) VALUES (?1, ?2)")?
        .execute(params![key, value])
        .map(drop)
}

pub(super) fn insert_row(tx: &Connection, row: &Row) -> rusqlite::Result<()> {
    tx.prepare_cached(
        "INSERT INTO records (first_seq, last_seq, wall_min, wall_max, count, enc, crc, body) \
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
    )?
    .execute(params![
        row.first_seq,
        row.last_seq,
        row.wall.map(|(min, _)| min.millis()),
        row.wall.map(|(_, max)| max.millis()),
        row.count,
        row.encoding,
        row.crc,
        row.body,
    ])
    .map(drop)
}

/// Takes a row out of the journal and keeps it aside.
pub(super) fn set_aside(tx: &Connection, first_seq: u64, torn: bool) -> rusqlite::Result<()> {
    tx.execute(
        "INSERT INTO damaged SELECT ?2, first_seq, last_seq, count, enc, crc, body FROM records \
         WHERE first_seq = ?1",
        params![first_seq, torn],
    )?;
    tx.execute("DELETE FROM records WHERE first_seq = ?1", [first_seq]).map(drop)
}

pub(super) fn insert_snapshot(
    tx: &Connection,
    plant: PlantNo,
    snapshot: &Snapshot,
) -> rusqlite::Result<()> {
    use std::io::Write;
    let mut packer = flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::new(6));
    let body = packer
        .write_all(snapshot.body.as_bytes())
        .and_then(|()| packer.finish())
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
    let crc = snapshot_sum(snapshot.seq, &body);
    tx.prepare_cached(
        "INSERT OR REPLACE INTO snapshots (plant, seq, version, enc, crc, body) \
         VALUES (?1, ?2, ?3, 1, ?4, ?5)",
    )?
    .execute(params![plant.get(), snapshot.seq, FORMAT, crc, body])?;
    tx.prepare_cached(
        "DELETE FROM snapshots WHERE plant = ?1 AND seq NOT IN \
         (SELECT seq FROM snapshots WHERE plant = ?1 ORDER BY seq DESC LIMIT ?2)",
    )?
    .execute(params![plant.get(), SNAPSHOTS_KEPT as u64])
    .map(drop)
}

fn snapshot_sum(seq: u64, body: &[u8]) -> u32 {
    let mut crc = flate2::Crc::new();
    crc.update(&seq.to_le_bytes());
    crc.update(body);
    crc.sum()
}

fn unpack_snapshot(seq: u64, enc: i64, crc: u32, body: &[u8]) -> Option<String> {
    use std::io::Read;
    if crc != snapshot_sum(seq, body) || enc != 1 {
        return None;
    }
    let mut text = String::new();
    flate2::read::DeflateDecoder::new(body)
        .take(super::row::UNPACKED_MAX)
        .read_to_string(&mut text)
        .ok()?;
    Some(text)
}

fn read_row(row: &rusqlite::Row<'_>) -> rusqlite::Result<Row> {
    let wall_min: Option<i64> = row.get(2)?;
    let wall_max: Option<i64> = row.get(3)?;
    Ok(Row {
        first_seq: row.get(0)?,
        last_seq: row.get(1)?,
        wall: wall_min.map(Wall::from_millis).zip(wall_max.map(Wall::from_millis)),
        count: row.get(4)?,
        encoding: row.get(5)?,
        crc: row.get(6)?,
        body: row.get(7)?,
    })
}

fn escape(file: &Path) -> String {
    file.to_string_lossy().replace('%', "%25").replace('?', "%3f").replace('#', "%23")
}
