//! The journal as the database sees it.

use crate::edge::database::{Entry, Record, Source};
use crate::edge::history::{Body, Journal, Names, PlantNo, Reader};
use crate::engine::event::Event;
use crate::engine::time::{Span, Wall};
use std::io;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

/// A sensor's own stamp further than this from ours is not believed.
const STAMP_APART: Span = Span::from_secs(600);
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

impl Source for JournalSource {
    fn records(&self, from: u64, max: usize) -> io::Result<Vec<Record>> {
        let records = self.read(|reader| {
            let records = reader.records(from, max)?;
            let mut named = Vec::with_capacity(records.len());
            for record in records {
                // Indices follow the settings; old records keep the names they were written under.
                let then = reader.names_at(record.plant, record.seq)?;
                named.push((record, then));
            }
            Ok(named)
        })?;
        Ok(records
            .into_iter()
            .map(|(record, then)| {
                let plant = self.plants.iter().position(|(known, _)| *known == record.plant);
                let other = (plant.unwrap_or(0), Entry::Other);
                // Marks, what a later version wrote, and what is no longer set up.
                let (plant, entry) = match (plant, record.body) {
                    (Some(plant), Body::Event(event)) => {
                        let now = &self.plants[plant].1;
                        let event = match &then {
                            Some(then) => then.translate(event, now),
                            None => Some(event),
                        };
                        event.map_or(other, |event| (plant, Entry::Event(event)))
                    }
                    (Some(plant), Body::Output(output)) => {
                        let now = &self.plants[plant].1;
                        let output = match &then {
                            Some(then) => then.translate_output(output, now),
                            None => Some(output),
                        };
                        output.map_or(other, |output| (plant, Entry::Output(output)))
                    }
                    _ => other,
                };
                let stamp = stamp_of(&entry, record.now.wall);
                Record { sequence: record.seq, plant, stamp, entry }
            })
            .collect())
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

/// A reading that carries a believable stamp of its own is kept under that; a message delivered
/// twice is then one point. Everything else is kept under the time at which it was taken.
fn stamp_of(entry: &Entry, taken: Option<Wall>) -> Option<Wall> {
    match (entry, taken) {
        (Entry::Event(Event::Reading(reading)), Some(taken)) => reading
            .stamp
            .filter(|stamp| taken.since(*stamp).millis().abs() <= STAMP_APART.millis())
            .or(Some(taken)),
        _ => taken,
    }
}
