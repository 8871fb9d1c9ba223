//! The journal as the database sees it.

use super::stamps::{LOOK_BACK, Stamps};
use crate::edge::database::{Entry, Record, Source};
use crate::edge::history::{Body, Journal, Names, PlantNo, Reader};
use std::io;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

/// Name of the database's mark in the journal.
const SINK: &str = "database";

/// The journal as a source of records.
pub(super) struct JournalSource {
    dir: PathBuf,
    journal: Journal,
    plants: Vec<(PlantNo, Names)>,
    reader: Mutex<Option<Reader>>,
}

impl JournalSource {
    pub(super) fn new(dir: PathBuf, journal: Journal, plants: Vec<(PlantNo, Names)>) -> Self {
        Self { dir, journal, plants, reader: Mutex::new(None) }
    }

    fn read<T>(
        &self,
        work: impl FnOnce(&mut Reader) -> Result<T, crate::edge::history::JournalError>,
    ) -> io::Result<T> {
        let mut slot = self.reader.lock().unwrap_or_else(PoisonError::into_inner);
        let mut reader = match slot.take() {
            Some(reader) => reader,
            None => Reader::open(&self.dir).map_err(io::Error::other)?,
        };
        // After a fault the reader is opened anew.
        let result = work(&mut reader).map_err(io::Error::other)?;
        *slot = Some(reader);
        Ok(result)
    }
}

impl JournalSource {
    /// What a record is for the database: marks, what a later version wrote and what is no longer set
    /// up are nothing.
    fn entry(&self, record: crate::edge::history::Record, then: Option<&Names>) -> (usize, Entry) {
        let plant = self.plants.iter().position(|(known, _)| *known == record.plant);
        let other = (plant.unwrap_or(0), Entry::Other);
        match (plant, record.body) {
            (Some(plant), Body::Event(event)) => {
                let now = &self.plants[plant].1;
                let event = match then {
                    Some(then) => then.translate(event, now),
                    None => Some(event),
                };
                event.map_or(other, |event| (plant, Entry::Event(event)))
            }
            (Some(plant), Body::Output(output)) => {
                let now = &self.plants[plant].1;
                let output = match then {
                    Some(then) => then.translate_output(output, now),
                    None => Some(output),
                };
                output.map_or(other, |output| (plant, Entry::Output(output)))
            }
            _ => other,
        }
    }
}

impl Source for JournalSource {
    fn records(&self, from: u64, max: usize) -> io::Result<Vec<Record>> {
        // The stamps rest on what came before.
        let start = from.saturating_sub(LOOK_BACK).max(1);
        let records = self.read(|reader| {
            let before = usize::try_from(from.saturating_sub(start)).unwrap_or(0);
            let mut records = reader.records(start, before)?;
            records.retain(|record| record.seq < from);
            records.extend(reader.records(from, max)?);
            let mut named = Vec::with_capacity(records.len());
            for record in records {
                // Indices follow the settings; old records keep the names they were written under.
                let then = reader.names_at(record.plant, record.seq)?;
                named.push((record, then));
            }
            Ok(named)
        })?;
        let mut stamps = Stamps::default();
        let mut found = Vec::with_capacity(records.len());
        for (record, then) in records {
            let (sequence, taken) = (record.seq, record.now.wall);
            let (plant, mut entry) = self.entry(record, then.as_ref());
            let stamp = stamps.next(plant, &mut entry, taken);
            if sequence >= from {
                found.push(Record { sequence, plant, stamp, entry });
            }
        }
        Ok(found)
    }

    fn end(&self) -> io::Result<u64> {
        Ok(self.journal.sequence_on_disk() + 1)
    }

    fn mark(&self) -> io::Result<u64> {
        self.read(|reader| reader.mark(SINK)).map(|mark| mark.max(1))
    }

    fn set_mark(&self, mark: u64) -> io::Result<()> {
        self.journal.mark(SINK, mark);
        Ok(())
    }
}
