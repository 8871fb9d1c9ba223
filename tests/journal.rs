//! The journal on a real file: order, crashes, damage, a disk that takes nothing.
//!
//! A crash is a real one: the test starts itself again as a child that writes, and kills it.

use permeated::edge::history::{
    Body, Dropped, FILE, Journal, Names, OpenError, Opened, PlantNo, Reader, Record, Restore,
    RunMark, TREND_MAX,
};
use permeated::engine::event::{Event, Found, Reading};
use permeated::engine::output::{LogEntry, Output};
use permeated::engine::time::{Mono, Now, Wall};
use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc;
use std::time::{Duration, Instant};

const LONG: Duration = Duration::from_secs(30);
const EPOCH: i64 = 1_764_000_000_000;

fn names(plant: &str) -> Names {
    Names {
        plant: plant.into(),
        sensors: vec!["feed-tds".into(), "product-tds".into()],
        actuators: vec!["supply".into()],
        parts: vec!["membrane".into()],
    }
}

fn open(dir: &Path) -> Opened {
    Journal::open(dir, &[names("reef")]).expect("opens")
}

fn now(millis: i64) -> Now {
    Now::new(Mono::from_millis(millis), Wall::from_millis(EPOCH + millis))
}

fn reading(value: f64) -> Body {
    Body::Event(Event::Reading(Reading {
        sensor: 1,
        value,
        retained: false,
        arrived: Some(Wall::from_millis(EPOCH)),
        stamp: None,
    }))
}

fn log(text: &str) -> Body {
    Body::Output(Output::Log(LogEntry {
        at: Some(Wall::from_millis(EPOCH)),
        kind: "note".into(),
        text: text.into(),
        data: serde_json::Value::Null,
        protective: false,
    }))
}

fn try_persist(journal: &Journal) -> Result<u64, String> {
    let (tx, rx) = mpsc::channel();
    journal.persist(move |result| {
        tx.send(result.map_err(|error| error.to_string())).expect("the test waits");
    });
    rx.recv_timeout(LONG).expect("an answer")
}

fn persist(journal: &Journal) -> u64 {
    try_persist(journal).expect("on disk")
}

fn all(dir: &Path) -> Vec<Record> {
    Reader::open(dir).expect("opens").records(1, usize::MAX).expect("reads")
}

fn values(records: &[Record]) -> Vec<f64> {
    records
        .iter()
        .filter_map(|record| match &record.body {
            Body::Event(Event::Reading(reading)) => Some(reading.value),
            _ => None,
        })
        .collect()
}

fn inputs(restore: &Restore) -> Vec<Record> {
    let after = restore.snapshot().map_or(0, |snapshot| snapshot.seq);
    restore.inputs(after).collect::<Result<_, _>>().expect("good records")
}

fn has_no_holes(records: &[Record]) -> bool {
    records.windows(2).all(|pair| pair[1].seq == pair[0].seq + 1)
}

/// Looks until `seen` is true.
fn wait_for(what: &str, mut seen: impl FnMut() -> bool) {
    let until = Instant::now() + LONG;
    while !seen() {
        assert!(Instant::now() < until, "waited in vain for {what}");
        std::thread::yield_now();
    }
}

fn sql(dir: &Path, statement: &str) {
    let db = rusqlite::Connection::open(dir.join(FILE)).expect("opens");
    db.execute_batch(statement).expect(statement);
}

fn count(dir: &Path, query: &str) -> i64 {
    let db = rusqlite::Connection::open(dir.join(FILE)).expect("opens");
    db.query_row(query, [], |row| row.get(0)).expect(query)
}

#[test]
fn what_was_appended_is_what_reads_back() {
    let dir = tempfile::tempdir().expect("folder");
    let plants = [names("reef"), names("tank")];
    let opened = Journal::open(dir.path(), &plants).expect("opens");
    assert_eq!(opened.plants[0].found, Found::New);
    let (a, b) = (opened.plants[0].plant, opened.plants[1].plant);
    let journal = opened.journal;
    let mut expected: Vec<(u64, PlantNo, Now, Body)> = Vec::new();
    for index in 0..500 {
        let plant = if index % 3 == 0 { b } else { a };
        let body = reading(f64::from(index) * 0.1);
        let at = now(i64::from(index));
        let seq = journal.append(plant, at, body.clone());
        expected.push((seq, plant, at, body));
    }
    assert_eq!(persist(&journal), expected.last().expect("some").0);
    let records = all(dir.path());
    assert!(has_no_holes(&records));
    let got: Vec<_> = records
        .into_iter()
        .filter(|record| matches!(record.body, Body::Event(_)))
        .map(|record| (record.seq, record.plant, record.now, record.body))
        .collect();
    assert_eq!(got, expected);
    journal.close().expect("closes");
    drop(journal);

    // A plant that sorts before the others changes nobody's number.
    let plants = [names("aqua"), names("reef"), names("tank")];
    let opened = Journal::open(dir.path(), &plants).expect("opens");
    assert_eq!(opened.plants[0].found, Found::New);
    assert_eq!((opened.plants[1].plant, opened.plants[2].plant), (a, b));
    let tank = &opened.plants[2];
    assert_eq!((tank.found, tank.clean), (Found::Restored, true));
    assert_eq!(tank.last, Some(now(498)));
    assert_eq!(values(&inputs(tank)).len(), 167);
}

#[test]
fn what_waits_is_written_within_two_seconds_without_being_asked() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    let started = Instant::now();
    let seq = opened.journal.append(plant, now(1), reading(1.0));
    let mut reader = Reader::open(dir.path()).expect("opens");
    wait_for("the record", || !reader.records(seq, 1).expect("reads").is_empty());
    // A reader sees the commit a moment before the writer has noted its number.
    wait_for("its number", || opened.journal.sequence_on_disk() >= seq);
    assert!(started.elapsed() < Duration::from_secs(2), "{:?}", started.elapsed());
    assert_eq!(opened.journal.sequence_on_disk(), seq);
}

#[test]
fn a_second_daemon_is_told_who_is_there() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let error = Journal::open(dir.path(), &[names("reef")]).expect_err("locked");
    assert!(matches!(error, OpenError::Locked { .. }), "{error}");
    assert!(error.to_string().contains(&std::process::id().to_string()), "{error}");
    drop(opened);
    open(dir.path());
}

#[test]
fn the_newest_snapshot_and_what_came_after_it() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    for index in 1..=5u32 {
        let seq = opened.journal.append(plant, now(i64::from(index)), reading(index.into()));
        opened.journal.snapshot(plant, seq, format!("state {index}"));
        persist(&opened.journal);
    }
    opened.journal.append(plant, now(6), log("an output"));
    opened.journal.append(plant, now(7), reading(7.0));
    opened.journal.mark("database", 4);
    opened.journal.close().expect("closes");
    drop(opened);

    let opened = open(dir.path());
    let restore = &opened.plants[0];
    let bodies: Vec<&str> = restore.snapshots.iter().map(|kept| kept.body.as_str()).collect();
    assert_eq!(bodies, ["state 5", "state 4", "state 3"]);
    assert_eq!(values(&inputs(restore)), [7.0]);
    let second = restore.inputs(restore.snapshots[1].seq).collect::<Result<Vec<_>, _>>();
    assert_eq!(values(&second.expect("good")), [5.0, 7.0]);
    let outputs = inputs(restore).iter().filter(|r| matches!(r.body, Body::Output(_))).count();
    assert_eq!(outputs, 0);
    let mut reader = Reader::open(dir.path()).expect("opens");
    assert_eq!(reader.mark("database").expect("reads"), 4);
    let entries = reader.last_log(plant, 10, 100).expect("reads");
    assert_eq!(entries.len(), 1);
    assert_eq!(entries[0].1.text, "an output");
}

#[test]
fn a_damaged_snapshot_gives_way_to_the_one_before() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    for index in 1..=2u32 {
        let seq = opened.journal.append(plant, now(i64::from(index)), reading(index.into()));
        opened.journal.snapshot(plant, seq, format!("state {index}"));
        persist(&opened.journal);
    }
    drop(opened);
    sql(
        dir.path(),
        "UPDATE snapshots SET body = x'00' WHERE seq = (SELECT max(seq) FROM snapshots)",
    );
    let opened = open(dir.path());
    let restore = &opened.plants[0];
    assert_eq!(restore.found, Found::Restored);
    assert_eq!(restore.snapshot().map(|kept| kept.body.as_str()), Some("state 1"));
    assert_eq!(values(&inputs(restore)), [2.0]);
    assert!(!restore.clean, "nobody closed it");
}

#[test]
fn a_sensor_added_before_the_others_does_not_move_old_readings() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    opened.journal.append(opened.plants[0].plant, now(1), reading(1.0));
    persist(&opened.journal);
    drop(opened);
    let mut changed = names("reef");
    changed.sensors.insert(0, "air".into());
    let opened = Journal::open(dir.path(), &[changed.clone()]).expect("opens");
    assert_eq!(opened.plants[0].renamed, Some(names("reef")));
    let restored = inputs(&opened.plants[0]);
    let sensors: Vec<usize> = restored
        .iter()
        .filter_map(|record| match &record.body {
            Body::Event(Event::Reading(reading)) => Some(reading.sensor),
            _ => None,
        })
        .collect();
    assert_eq!(sensors, [2], "product-tds has moved from 1 to 2");
    persist(&opened.journal);
    drop(opened);
    let opened = Journal::open(dir.path(), &[changed]).expect("opens");
    assert_eq!(opened.plants[0].renamed, None);
}

/// Three rows of ten readings each; gives their first numbers.
fn three_rows(dir: &Path) -> Vec<i64> {
    let opened = open(dir);
    let plant = opened.plants[0].plant;
    for row in 0..3i32 {
        for index in 0..10 {
            let value = f64::from(row * 10 + index);
            opened.journal.append(plant, now((row * 10 + index).into()), reading(value));
        }
        persist(&opened.journal);
    }
    drop(opened);
    let db = rusqlite::Connection::open(dir.join(FILE)).expect("opens");
    let mut rows = db
        .prepare("SELECT first_seq FROM records WHERE count = 10 ORDER BY first_seq")
        .expect("prepares");
    let firsts = rows.query_map([], |row| row.get(0)).expect("queries");
    firsts.collect::<Result<_, _>>().expect("reads")
}

fn flip(dir: &Path, first_seq: i64) {
    // One bit in the middle of the body: `1` becomes `0` or the other way round, and so on.
    sql(
        dir,
        &format!(
            "UPDATE records SET body = CAST(substr(CAST(body AS TEXT), 1, 60) || \
             char(unicode(substr(CAST(body AS TEXT), 61, 1)) + 1) || \
             substr(CAST(body AS TEXT), 62) AS BLOB) WHERE first_seq = {first_seq}"
        ),
    );
}

#[test]
fn a_torn_end_is_cut_and_what_came_before_is_good() {
    let dir = tempfile::tempdir().expect("folder");
    let rows = three_rows(dir.path());
    // Nobody had been promised the last row.
    sql(
        dir.path(),
        &format!(
            "UPDATE meta SET value = {} WHERE key = 'synced';
             UPDATE records SET body = substr(body, 1, length(body) / 2) WHERE first_seq = {}",
            rows[2] - 1,
            rows[2]
        ),
    );
    let opened = open(dir.path());
    let restore = &opened.plants[0];
    assert_eq!(restore.found, Found::Restored);
    let trouble = restore.trouble.clone().expect("said");
    assert!(trouble.contains("torn end was cut"), "{trouble}");
    assert_eq!(values(&inputs(restore)), (0..20).map(f64::from).collect::<Vec<_>>());
    let next = opened.journal.append(restore.plant, now(40), reading(40.0));
    assert!(next > rows[2] as u64 + 10, "a number that was given out is never given again");
    persist(&opened.journal);
    drop(opened);
    assert_eq!(count(dir.path(), "SELECT count(*) FROM damaged WHERE torn = 1"), 1);
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Restored);
    assert_eq!(values(&inputs(&opened.plants[0])).len(), 21);
}

#[test]
fn a_last_row_that_was_promised_to_last_is_not_cut_in_silence() {
    let dir = tempfile::tempdir().expect("folder");
    let rows = three_rows(dir.path());
    flip(dir.path(), rows[2]);
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Lost);
}

#[test]
fn a_flipped_bit_among_needed_records_loses_the_state_and_says_so_until_it_is_heard() {
    let dir = tempfile::tempdir().expect("folder");
    let rows = three_rows(dir.path());
    flip(dir.path(), rows[1]);
    let opened = open(dir.path());
    let restore = &opened.plants[0];
    assert_eq!(restore.found, Found::Lost);
    assert!(restore.trouble.clone().expect("said").contains("check sum"));
    assert!(restore.inputs(0).any(|record| record.is_err()), "no replay across the hole");
    drop(opened);
    assert_eq!(count(dir.path(), "SELECT count(*) FROM damaged WHERE torn = 0"), 1);
    // A reader passes over it; the rest of the history is not lost.
    assert_eq!(values(&all(dir.path())).len(), 20);
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Lost, "nobody has heard of it yet");
    let plant = opened.plants[0].plant;
    let seq = opened.journal.append(plant, now(50), reading(50.0));
    opened.journal.snapshot(plant, seq, "a person has confirmed".into());
    let started =
        permeated::engine::event::Started { found: Found::Lost, away: None, clean: false };
    opened.journal.append(plant, now(51), Body::Event(Event::Started(started)));
    persist(&opened.journal);
    drop(opened);
    assert_eq!(open(dir.path()).plants[0].found, Found::Restored);
}

#[test]
fn a_flipped_bit_before_the_snapshot_costs_history_and_no_state() {
    let dir = tempfile::tempdir().expect("folder");
    let rows = three_rows(dir.path());
    {
        let opened = open(dir.path());
        let plant = opened.plants[0].plant;
        let seq = opened.journal.append(plant, now(60), reading(60.0));
        opened.journal.snapshot(plant, seq, "all of it".into());
        persist(&opened.journal);
    }
    flip(dir.path(), rows[1]);
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Restored);
    assert!(inputs(&opened.plants[0]).iter().all(|r| matches!(r.body, Body::Run(_))));
    let mut reader = Reader::open(dir.path()).expect("opens");
    assert_eq!(values(&reader.records(1, usize::MAX).expect("reads")).len(), 21);
    assert_eq!(reader.skipped(), 1);
}

#[test]
fn a_file_that_is_no_journal_is_kept_aside_and_every_plant_is_lost() {
    let dir = tempfile::tempdir().expect("folder");
    std::fs::write(dir.path().join(FILE), vec![0x5a; 8192]).expect("writes");
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Lost);
    let aside = opened.kept_aside.clone().expect("kept");
    assert_eq!(std::fs::read(&aside).expect("reads"), vec![0x5a; 8192]);
    drop(opened);
    assert_eq!(open(dir.path()).plants[0].found, Found::Lost, "nobody has heard of it yet");
}

#[test]
fn damage_to_the_structure_of_the_file_is_noticed() {
    let dir = tempfile::tempdir().expect("folder");
    three_rows(dir.path());
    let file = dir.path().join(FILE);
    sql(dir.path(), "PRAGMA wal_checkpoint(TRUNCATE)");
    let mut bytes = std::fs::read(&file).expect("reads");
    for page in bytes.chunks_mut(4096).skip(1) {
        page[..64].fill(0xff);
    }
    std::fs::write(&file, bytes).expect("writes");
    let opened = open(dir.path());
    assert_eq!(opened.plants[0].found, Found::Lost);
    assert!(opened.kept_aside.is_some());
}

#[test]
fn a_start_that_died_between_keeping_aside_and_beginning_anew_is_still_lost() {
    let dir = tempfile::tempdir().expect("folder");
    three_rows(dir.path());
    std::fs::rename(dir.path().join(FILE), dir.path().join("journal.lost-1.sqlite"))
        .expect("renames");
    assert_eq!(open(dir.path()).plants[0].found, Found::Lost);
}

#[test]
fn a_newer_format_is_refused_and_left_alone() {
    let dir = tempfile::tempdir().expect("folder");
    three_rows(dir.path());
    sql(dir.path(), "UPDATE meta SET value = 99 WHERE key = 'format'");
    let error = Journal::open(dir.path(), &[names("reef")]).expect_err("refused");
    assert!(matches!(error, OpenError::Newer { format: 99, .. }), "{error}");
    assert!(dir.path().join(FILE).exists());
}

#[test]
fn folding_changes_nothing_that_can_be_read() {
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    let mut expected = Vec::new();
    for index in 0..12_000i32 {
        let value = f64::from(index % 97) * 0.1;
        opened.journal.append(plant, now(i64::from(index) * 200), reading(value));
        expected.push(value);
        if index % 500 == 0 {
            persist(&opened.journal);
        }
    }
    persist(&opened.journal);
    let mut reader = Reader::open(dir.path()).expect("opens");
    wait_for("folding", || count(dir.path(), "SELECT count(*) FROM records WHERE enc = 1") >= 3);
    let records = reader.records(1, usize::MAX).expect("reads");
    assert!(has_no_holes(&records));
    assert_eq!(values(&records), expected);
    // By time, across folded and other rows.
    let (from, to) = (Wall::from_millis(EPOCH + 200_000), Wall::from_millis(EPOCH + 2_300_000));
    let mut seen = Vec::new();
    reader
        .between(from, to, |record| {
            seen.extend(values(std::slice::from_ref(record)));
            true
        })
        .expect("reads");
    assert_eq!(seen, expected[1000..=11_500]);
    // In steps, as a replica reads.
    let mut stepped = Vec::new();
    let mut next = 1;
    loop {
        let some = reader.records(next, 333).expect("reads");
        let Some(last) = some.last() else { break };
        next = last.seq + 1;
        stepped.extend(values(&some));
    }
    assert_eq!(stepped, expected);
    drop(opened);
    let opened = open(dir.path());
    assert_eq!(values(&inputs(&opened.plants[0])), expected);
}

// ---- crashes ------------------------------------------------------------------------------------

const CHILD: &str = "PERMEATED_JOURNAL_CHILD";

/// Not a test of its own: what the child does that is killed. Prints the number of every record that
/// it was promised to find again.
#[test]
fn child() {
    let Some(dir) = std::env::var_os(CHILD) else { return };
    let opened = open(Path::new(&dir));
    let plant = opened.plants[0].plant;
    let start = opened.plants[0].last.map_or(0, |last| last.mono.millis());
    for index in 1.. {
        let at = start + index;
        opened.journal.append(plant, now(at), reading(at as f64));
        if index % 7 == 0 {
            let seq = opened.journal.append(plant, now(at), log("state"));
            opened.journal.snapshot(plant, seq, format!("{at}"));
        }
        if index % 3 == 0 {
            println!("promised {}", persist(&opened.journal));
        }
    }
}

fn spawn_child(dir: &Path, through: Option<&str>) -> Child {
    let test = std::env::current_exe().expect("this test");
    let mut command = match through {
        None => Command::new(test),
        Some(script) => {
            let mut shell = Command::new("sh");
            shell.args(["-c", script, "sh"]).arg(test);
            shell
        }
    };
    command
        .args(["--exact", "child", "--nocapture"])
        .env(CHILD, dir)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("starts")
}

fn promised(line: &str) -> Option<u64> {
    line.split("promised ").nth(1)?.trim().parse().ok()
}

#[test]
fn what_was_promised_survives_sigkill() {
    let dir = tempfile::tempdir().expect("folder");
    let mut highest = 0;
    let (mut rounds, mut records_in_all) = (0, 0);
    for round in 0..20u64 {
        let mut child = spawn_child(dir.path(), None);
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        // Kill after a number of promises that differs from round to round, and a moment later.
        let wanted = 1 + (round * 7) % 23;
        let mut last = 0;
        let mut seen = 0;
        let mut lines = lines.map_while(Result::ok);
        for line in lines.by_ref() {
            if let Some(seq) = promised(&line) {
                last = seq;
                seen += 1;
                if seen == wanted {
                    break;
                }
            }
        }
        let until = Instant::now() + Duration::from_micros(round * 137);
        while Instant::now() < until {
            std::hint::spin_loop();
        }
        child.kill().expect("SIGKILL");
        child.wait().expect("gone");
        // What it printed before it died counts too.
        last = lines.filter_map(|line| promised(&line)).last().unwrap_or(last);
        assert!(last > highest, "the child wrote something");

        let records = all(dir.path());
        assert!(has_no_holes(&records), "round {round}");
        let end = records.last().expect("some").seq;
        assert!(end >= last, "round {round}: promised {last}, found {end}");
        let found = values(&records);
        let steady: Vec<f64> = (1..=found.len()).map(|value| value as f64).collect();
        assert_eq!(found, steady, "every reading once, in order");

        let opened = open(dir.path());
        let restore = &opened.plants[0];
        assert_eq!(restore.found, Found::Restored);
        assert!(!restore.clean && restore.trouble.is_none(), "{:?}", restore.trouble);
        if let Some(snapshot) = restore.snapshot() {
            // The state after the snapshot and the records after it make one whole.
            let first = values(&inputs(restore)).first().copied();
            let at: f64 = snapshot.body.parse().expect("a number");
            assert!(first.is_none_or(|first| first == at + 1.0), "{at} then {first:?}");
        }
        drop(opened);
        highest = last;
        rounds += 1;
        records_in_all = records.len();
    }
    println!("{rounds} kills, {records_in_all} records, none missing, none doubled");
}

// ---- a disk that takes nothing ------------------------------------------------------------------

const FULL: &str = "PERMEATED_JOURNAL_FULL";

/// Not a test of its own: runs under a limit on the size of files (with SIGXFSZ ignored, so that
/// writing fails with EFBIG), fills it, goes on, and then lifts the limit.
#[test]
fn child_on_a_full_disk() {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let Some(dir) = std::env::var_os(FULL) else { return };
    let dir = Path::new(&dir);
    let opened = open(dir);
    let plant = opened.plants[0].plant;
    let journal = opened.journal;
    let (tx, told) = mpsc::channel();
    journal.watch(move |health| tx.send(health.writable).expect("the test waits"));
    let mut index = 0i64;
    let failed = loop {
        index += 1;
        journal.append(plant, now(index), log(&"x".repeat(2000)));
        if index % 20 == 0
            && let Err(error) = try_persist(&journal)
        {
            break error;
        }
        assert!(index < 10_000, "the limit has no effect");
    };
    println!("failed at {index}: {failed}");
    assert_eq!(told.recv_timeout(LONG), Ok(false));
    assert!(journal.health().fault.is_some());
    // Appending goes on and never waits; readings go first.
    let over = 100u64;
    let first = index + 1;
    for value in 0..TREND_MAX as u64 + over {
        index += 1;
        journal.append(plant, now(index), reading(value as f64));
    }
    index += 1;
    journal.append(plant, now(index), log("a trip that must not be lost"));
    let limit = getrlimit(Resource::Fsize);
    setrlimit(Resource::Fsize, Rlimit { current: limit.maximum, ..limit }).expect("lifts");
    assert_eq!(told.recv_timeout(Duration::from_secs(60)), Ok(true));
    persist(&journal);
    journal.close().expect("closes");
    assert_eq!(journal.health().dropped, Dropped { trend: over, kept: 0 });

    let records = all(dir);
    let logs: Vec<i64> = records
        .iter()
        .filter(|record| matches!(record.body, Body::Output(Output::Log(_))))
        .map(|record| record.now.mono.millis())
        .collect();
    let expected: Vec<i64> = (1..first).chain([index]).collect();
    assert_eq!(logs, expected, "no log entry is missing");
    let found = values(&records);
    let kept: Vec<f64> = (over..over + TREND_MAX as u64).map(|value| value as f64).collect();
    assert_eq!(found, kept, "the oldest readings went");
    let mark = RunMark::Dropped { trend: over, kept: 0 };
    assert!(records.iter().any(|record| record.body == Body::Run(mark.clone())));
    println!("full disk passed");
}

#[test]
fn a_full_disk_is_told_and_loses_nothing_but_the_oldest_readings() {
    let dir = tempfile::tempdir().expect("folder");
    let test = std::env::current_exe().expect("this test");
    let script = "trap '' XFSZ; ulimit -S -f 1024; exec \"$@\"";
    let output = Command::new("sh")
        .args(["-c", script, "sh"])
        .arg(test)
        .args(["--exact", "child_on_a_full_disk", "--nocapture"])
        .env(FULL, dir.path())
        .output()
        .expect("runs");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains("full disk passed"), "{said}");
}

// ---- figures ------------------------------------------------------------------------------------

fn proc_number(file: &str, key: &str) -> u64 {
    let text = std::fs::read_to_string(file).expect("Linux");
    let line = text.lines().find_map(|line| line.strip_prefix(key)).expect(key);
    line.trim().trim_end_matches(" kB").trim().parse().expect("a number")
}

/// Seconds of processor time of this process, in steps of 10 ms.
fn cpu_secs() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").expect("Linux");
    let fields: Vec<&str> = stat.rsplit(')').next().expect("fields").split_whitespace().collect();
    let ticks = |at: usize| fields[at].parse::<f64>().expect("a number");
    (ticks(11) + ticks(12)) / 100.0
}

/// What 20 sensors say in one tick of 5 s: a reading each, and six stored values.
fn one_tick(journal: &Journal, plant: PlantNo, tick: i64, mut between: impl FnMut()) {
    use permeated::engine::catalogue::SignalId;
    use permeated::engine::output::{Datum, ValueKey, ValueUpdate};
    use permeated::engine::value::{Basis, Flag};
    for sensor in 0..20usize {
        between();
        let at = tick * 5_000 + sensor as i64 * 237;
        // Quantised and slowly moving, as displays are.
        let wave = ((tick as f64) / 300.0 + sensor as f64).sin();
        let value = (100.0 + 10.0 * sensor as f64 + 3.0 * wave).round() / 10.0;
        let reading = Reading {
            sensor,
            value,
            retained: false,
            arrived: Some(Wall::from_millis(EPOCH + at)),
            stamp: None,
        };
        journal.append(plant, now(at), Body::Event(Event::Reading(reading)));
        if sensor % 3 == 0 && sensor < 18 {
            let value = ValueUpdate {
                key: ValueKey { signal: SignalId::Rejection, of: Some(sensor as u16) },
                datum: Ok(Datum::Number((wave * 1000.0).round() / 1000.0)),
                u: Some(0.0023),
                flag: Flag::Good,
                reasons: Vec::new(),
                basis: Basis::Measured,
                stamp: Some(Wall::from_millis(EPOCH + at)),
                store: true,
            };
            journal.append(plant, now(at), Body::Output(Output::Value(value)));
        }
    }
}

/// Prints figures when `PERMEATED_MEASURE` is set to the seconds of real time that it may take;
/// asserts nothing.
#[test]
fn figures() {
    let Some(secs) = std::env::var("PERMEATED_MEASURE").ok().and_then(|s| s.parse().ok()) else {
        println!("skipped: PERMEATED_MEASURE is not set");
        return;
    };
    // A day at full speed.
    let dir = tempfile::tempdir().expect("folder");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    let (start, cpu) = (Instant::now(), cpu_secs());
    for tick in 0..17_280 {
        one_tick(&opened.journal, plant, tick, || {});
        if tick % 200 == 0 {
            // A full queue would drop readings.
            persist(&opened.journal);
        }
    }
    persist(&opened.journal);
    let records = 17_280.0 * 26.0;
    let took = start.elapsed().as_secs_f64();
    println!(
        "a day: {records} records in {took:.1} s = {:.0}/s, cpu {:.1} s",
        records / took,
        cpu_secs() - cpu
    );
    wait_for("folding", || {
        count(dir.path(), "SELECT coalesce(sum(length(body)), 0) FROM records WHERE enc = 0")
            < 262_144
    });
    let bytes = count(dir.path(), "SELECT sum(length(body)) FROM records WHERE enc = 1");
    let folded = count(dir.path(), "SELECT sum(count) FROM records WHERE enc = 1");
    println!("folded: {:.2} bytes a record", bytes as f64 / folded as f64);
    assert_eq!(opened.journal.health().dropped, Dropped::default());
    opened.journal.close().expect("closes");
    drop(opened);
    let free = count(dir.path(), "PRAGMA freelist_count") * count(dir.path(), "PRAGMA page_size");
    println!("of the file, free for what comes: {free} bytes");
    let size = std::fs::metadata(dir.path().join(FILE)).expect("there").len();
    println!("file after a day: {size} bytes = {:.2} a record", size as f64 / records);
    let (start, cpu) = (Instant::now(), cpu_secs());
    let mut reader = Reader::open(dir.path()).expect("opens");
    let (mut next, mut seen) = (1, 0u64);
    loop {
        let some = reader.records(next, 1000).expect("reads");
        let Some(last) = some.last() else { break };
        next = last.seq + 1;
        seen += some.len() as u64;
    }
    println!(
        "read {seen} records in {:.2} s, cpu {:.2} s",
        start.elapsed().as_secs_f64(),
        cpu_secs() - cpu
    );

    // Real time, a reading every 250 ms.
    let dir = tempfile::tempdir_in(".").expect("folder on a real disk");
    let opened = open(dir.path());
    let plant = opened.plants[0].plant;
    persist(&opened.journal);
    let (cpu, written) = (cpu_secs(), proc_number("/proc/self/io", "write_bytes:"));
    let begun = Instant::now();
    let (_keep, never) = mpsc::channel::<()>();
    let mut tick = 0;
    while begun.elapsed() < Duration::from_secs(secs) {
        one_tick(&opened.journal, plant, tick, || {
            let _ = never.recv_timeout(Duration::from_millis(250));
        });
        tick += 1;
    }
    let records = tick as f64 * 26.0;
    println!(
        "real time: {records} records in {secs} s, cpu {:.2} s, {} bytes to the disk = {:.0} a record, resident {} kB",
        cpu_secs() - cpu,
        proc_number("/proc/self/io", "write_bytes:") - written,
        (proc_number("/proc/self/io", "write_bytes:") - written) as f64 / records,
        proc_number("/proc/self/status", "VmRSS:"),
    );
}
