//! A journal in memory, for tests of the replication.

use permeated::edge::database::{Entry, Record, Source};
use permeated::engine::time::Wall;
use std::io;
use std::sync::Mutex;

/// A journal in memory. Records count from 1.
#[derive(Default)]
pub struct Journal {
    records: Mutex<Vec<Record>>,
    mark: Mutex<u64>,
}

impl Journal {
    /// Adds a record.
    pub fn push(&self, plant: usize, stamp: i64, entry: Entry) {
        let mut records = self.records.lock().expect("no panic while held");
        let sequence = records.len() as u64 + 1;
        records.push(Record { sequence, plant, stamp: Some(Wall::from_millis(stamp)), entry });
    }

    /// Everything so far.
    #[allow(dead_code)]
    pub fn all(&self) -> Vec<Record> {
        self.records.lock().expect("no panic while held").clone()
    }
}

impl Source for Journal {
    fn records(&self, from: u64, max: usize) -> io::Result<Vec<Record>> {
        let records = self.records.lock().expect("no panic while held");
        Ok(records.iter().filter(|record| record.sequence >= from).take(max).cloned().collect())
    }

    fn end(&self) -> io::Result<u64> {
        Ok(self.records.lock().expect("no panic while held").len() as u64 + 1)
    }

    fn mark(&self) -> io::Result<u64> {
        Ok(*self.mark.lock().expect("no panic while held"))
    }

    fn set_mark(&self, mark: u64) -> io::Result<()> {
        *self.mark.lock().expect("no panic while held") = mark;
        Ok(())
    }
}
