//! Reading the journal, beside the daemon or without it.
//!
//! Invariants: its own connection, read-only; each call is one short transaction, so a reader never
//! keeps the writer from folding its log; memory is bounded by one row, whatever is asked.

use super::journal::JournalError;
use super::record::{Body, Names, PlantNo, Record};
use super::row::Row;
use super::store::{FILE, Snapshot, Store};
use crate::engine::output::{LogEntry, Output, ValueKey, ValueUpdate};
use crate::engine::time::Wall;
use std::path::Path;
use std::sync::Arc;

type Shared = Arc<Vec<Record>>;

/// Reads the journal. Not shared between threads; open one for each.
#[derive(Debug)]
pub struct Reader {
    store: Store,
    /// The row that was read last, unpacked: those who read in steps come back to it.
    row: Option<(u64, u64, Shared)>,
    skipped: u64,
}

/// A stored value at its time.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// Record number.
    pub seq: u64,
    /// Its stamp; where it has none, the time of its record.
    pub at: Wall,
    /// The value with its quality.
    pub value: ValueUpdate,
}

impl Reader {
    /// Opens the journal in the state folder `dir`, whether or not a daemon uses it.
    ///
    /// # Errors
    /// When there is none or it cannot be read.
    pub fn open(dir: &Path) -> Result<Self, JournalError> {
        Ok(Self { store: Store::open_to_read(&dir.join(FILE))?, row: None, skipped: 0 })
    }

    /// The plants of this journal.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn plants(&self) -> Result<Vec<(PlantNo, String)>, JournalError> {
        Ok(self.store.plants()?)
    }

    /// The number of a plant.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn plant(&self, id: &str) -> Result<Option<PlantNo>, JournalError> {
        let plants = self.store.plants()?;
        Ok(plants.into_iter().find(|(_, known)| known == id).map(|(number, _)| number))
    }

    /// What the indices in a plant's record `seq` stand for.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn names_at(&self, plant: PlantNo, seq: u64) -> Result<Option<Names>, JournalError> {
        Ok(self.store.names_at(plant, seq)?)
    }

    /// From which record after `seq` on other names hold.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn names_change_after(
        &self,
        plant: PlantNo,
        seq: u64,
    ) -> Result<Option<u64>, JournalError> {
        Ok(self.store.names_change_after(plant, seq)?)
    }

    /// Numbers of the first and the last record.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn span(&self) -> Result<Option<(u64, u64)>, JournalError> {
        Ok(self.store.span()?)
    }

    /// How far a replica has come; 0 for one that has not begun.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn mark(&self, sink: &str) -> Result<u64, JournalError> {
        Ok(self.store.mark(sink)?.unwrap_or(0))
    }

    /// Good snapshots of a plant, newest first.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn snapshots(&self, plant: PlantNo) -> Result<Vec<Snapshot>, JournalError> {
        Ok(self.store.snapshots(plant)?)
    }

    /// Rows that were passed over because they are damaged, so far.
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// Records of all plants from number `from` on, at most `max`, in order. Empty at the end. A
    /// damaged row is passed over and counted.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn records(&mut self, from: u64, max: usize) -> Result<Vec<Record>, JournalError> {
        let mut found = Vec::new();
        let mut next = from;
        while found.len() < max {
            let Some((last, records)) = self.row_from(next)? else { break };
            let wanted = records.iter().filter(|record| record.seq >= next);
            found.extend(wanted.take(max - found.len()).cloned());
            next = last + 1;
        }
        Ok(found)
    }

    /// All records of the one row that holds or follows `from`; a damaged row is an error.
    pub(super) fn strictly(&mut self, from: u64) -> Result<Vec<Record>, JournalError> {
        let Some(row) = self.store.row_from(from)? else { return Ok(Vec::new()) };
        let mut records = row.unpack()?;
        records.retain(|record| record.seq >= from);
        Ok(records)
    }

    /// Whether a row in this stretch was damaged and taken out.
    pub(super) fn is_damaged_between(&self, from: u64, to: u64) -> Result<bool, JournalError> {
        Ok(self.store.is_damaged_between(from, to)?)
    }

    /// The row that holds or follows `seq`: its last number and its records (none when damaged).
    fn row_from(&mut self, seq: u64) -> Result<Option<(u64, Shared)>, JournalError> {
        if let Some((first, last, records)) = &self.row
            && (*first..=*last).contains(&seq)
        {
            return Ok(Some((*last, Arc::clone(records))));
        }
        let Some(row) = self.store.row_from(seq)? else { return Ok(None) };
        let records = self.unpack(&row);
        self.row = Some((row.first_seq, row.last_seq, Arc::clone(&records)));
        Ok(Some((row.last_seq, records)))
    }

    fn unpack(&mut self, row: &Row) -> Shared {
        match row.unpack() {
            Ok(records) => Arc::new(records),
            Err(error) => {
                tracing::warn!(%error, "a damaged row is passed over");
                self.skipped += 1;
                Arc::default()
            }
        }
    }

    /// Hands every record between two walls (both included) to `each`, in order, until it gives
    /// false. Records made while the clock was not sane are not among them.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn between(
        &mut self,
        from: Wall,
        to: Wall,
        mut each: impl FnMut(&Record) -> bool,
    ) -> Result<(), JournalError> {
        const ROWS: usize = 64;
        let mut seq = 0;
        loop {
            let rows = self.store.rows_between(from, to, seq, ROWS)?;
            let Some(&end) = rows.last() else { return Ok(()) };
            for first in rows {
                let Some((_, records)) = self.row_from(first)? else { continue };
                for record in records.iter() {
                    let inside = record.now.wall.is_some_and(|wall| wall >= from && wall <= to);
                    // A row that was folded meanwhile begins earlier than the one that was named.
                    if inside && record.seq >= seq && !each(record) {
                        return Ok(());
                    }
                }
                seq = seq.max(records.last().map_or(first, |record| record.seq) + 1);
            }
            seq = seq.max(end + 1);
        }
    }

    /// Stored values of one key between two walls, at most `max`, oldest first.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn values(
        &mut self,
        plant: PlantNo,
        key: ValueKey,
        from: Wall,
        to: Wall,
        max: usize,
    ) -> Result<Vec<Point>, JournalError> {
        let mut points = Vec::new();
        self.between(from, to, |record| {
            if let Body::Output(Output::Value(value)) = &record.body
                && record.plant == plant
                && value.key == key
                && let Some(at) = value.stamp.or(record.now.wall)
            {
                points.push(Point { seq: record.seq, at, value: value.clone() });
            }
            points.len() < max
        })?;
        Ok(points)
    }

    /// Hands the records up to a wall (all of them without one) to `each`, newest first, until it
    /// gives false. Records made while the clock was not sane come with their neighbours. A damaged
    /// row is passed over and counted.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn back(
        &mut self,
        to: Option<Wall>,
        mut each: impl FnMut(&Record) -> bool,
    ) -> Result<(), JournalError> {
        let mut before = match to {
            None => u64::MAX >> 1,
            Some(to) => self.store.row_at(to)?.map_or(0, |seq| seq + 1),
        };
        while let Some(row) = self.store.row_before(before)? {
            before = row.first_seq;
            for record in self.unpack(&row).iter().rev() {
                let later = to.zip(record.now.wall).is_some_and(|(to, wall)| wall > to);
                if !later && !each(record) {
                    return Ok(());
                }
            }
        }
        Ok(())
    }

    /// The last `max` log entries of a plant, oldest first. Looks back over at most the last
    /// `rows` rows.
    ///
    /// # Errors
    /// When the file cannot be read.
    pub fn last_log(
        &mut self,
        plant: PlantNo,
        max: usize,
        rows: usize,
    ) -> Result<Vec<(u64, LogEntry)>, JournalError> {
        let mut entries = Vec::new();
        let mut before = u64::MAX >> 1;
        for _ in 0..rows {
            if entries.len() >= max {
                break;
            }
            let Some(row) = self.store.row_before(before)? else { break };
            before = row.first_seq;
            for record in self.unpack(&row).iter().rev() {
                if let Body::Output(Output::Log(entry)) = &record.body
                    && record.plant == plant
                    && entries.len() < max
                {
                    entries.push((record.seq, entry.clone()));
                }
            }
        }
        entries.reverse();
        Ok(entries)
    }
}
