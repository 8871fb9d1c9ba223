//! The journal on a real file: order, crashes, damage, full disks.
//!
//! A crash is a real one: the test starts itself again as a child that writes, and kills it.

use permeated::edge::history::{Body, Journal, Names, PlantNo, Reader, Record};
use permeated::engine::event::{Event, Found, Reading};
use permeated::engine::time::{Mono, Now, Wall};
use std::path::Path;
use std::sync::mpsc;
use std::time::Duration;

const LONG: Duration = Duration::from_secs(20);

fn names(plant: &str) -> Names {
    Names {
        plant: plant.into(),
        sensors: vec!["feed-tds".into(), "product-tds".into()],
        actuators: vec!["supply".into()],
        parts: vec!["membrane".into()],
    }
}

fn now(millis: i64) -> Now {
    Now::new(Mono::from_millis(millis), Wall::from_millis(1_764_000_000_000 + millis))
}

fn reading(value: f64) -> Body {
    Body::Event(Event::Reading(Reading {
        sensor: 1,
        value,
        retained: false,
        arrived: Some(Wall::from_millis(1_764_000_000_000)),
        stamp: None,
    }))
}

fn persist(journal: &Journal) -> u64 {
    let (tx, rx) = mpsc::channel();
    journal.persist(move |result| tx.send(result).expect("the test waits"));
    rx.recv_timeout(LONG).expect("an answer").expect("on disk")
}

fn all(dir: &Path) -> Vec<Record> {
    Reader::open(dir).expect("opens").records(1, usize::MAX).expect("reads")
}

fn inputs(restore: &permeated::edge::history::Restore) -> Vec<Record> {
    let after = restore.snapshot().map_or(0, |snapshot| snapshot.seq);
    restore.inputs(after).collect::<Result<_, _>>().expect("good records")
}

#[test]
fn what_was_appended_is_what_reads_back() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = Journal::open(dir.path(), &[names("reef"), names("tank")]).expect("opens");
    assert_eq!(opened.plants[0].found, Found::New);
    let (a, b) = (opened.plants[0].plant, opened.plants[1].plant);
    let journal = opened.journal;
    let mut expected: Vec<(u64, PlantNo, Body)> = Vec::new();
    for index in 0..500 {
        let plant = if index % 3 == 0 { b } else { a };
        let body = reading(f64::from(index) * 0.1);
        let seq = journal.append(plant, now(i64::from(index)), body.clone());
        expected.push((seq, plant, body));
    }
    let synced = persist(&journal);
    assert_eq!(synced, expected.last().expect("some").0);
    let records = all(dir.path());
    let got: Vec<_> = records
        .iter()
        .filter(|record| matches!(record.body, Body::Event(_)))
        .map(|record| (record.seq, record.plant, record.body.clone()))
        .collect();
    assert_eq!(got, expected);
    assert!(records.windows(2).all(|pair| pair[1].seq == pair[0].seq + 1), "no holes");
    journal.close().expect("closes");
    let again = Journal::open(dir.path(), &[names("reef"), names("tank")]);
    assert!(again.is_err(), "the handle still holds the lock");
    drop(journal);
    let opened = Journal::open(dir.path(), &[names("reef"), names("tank")]).expect("opens");
    assert_eq!(opened.plants[1].found, Found::Restored);
    assert!(opened.plants[1].clean);
    let restored = inputs(&opened.plants[1]);
    let readings = restored.iter().filter(|record| matches!(record.body, Body::Event(_)));
    assert_eq!(readings.count(), 167);
}
