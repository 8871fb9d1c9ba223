//! The replication against a real VictoriaMetrics and against a server that misbehaves on purpose.

#[path = "support/memory.rs"]
mod memory;
#[path = "support/victoria.rs"]
mod victoria;

use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::routing::{get, post};
use memory::Journal;
use permeated::board::{Board, Health};
use permeated::edge::database::{self, Entry, Source, series};
use permeated::engine::catalogue::{AlarmId, Class, SignalId};
use permeated::engine::event::{Event, Reading};
use permeated::engine::output::{
    AlarmKey, AlarmState, AlarmUpdate, Datum, Output, ValueKey, ValueUpdate,
};
use permeated::engine::setup::Setup;
use permeated::engine::time::Wall;
use permeated::engine::value::{Basis, Flag, NoReading};
use permeated::settings::schema::{Database, OnStop, Part, PartKind, Plant, Point, Sensor};
use permeated::units::Quantity;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};
use victoria::{Victoria, free_port};

fn setups() -> Vec<Arc<Setup>> {
    let mut plant = Plant::default();
    let mut sensor = |id: &str, quantity, point, unit: &str| {
        plant.sensors.insert(
            id.into(),
            Sensor {
                topic: format!("t/{id}"),
                quantity: Some(quantity),
                point: Some(point),
                unit: unit.into(),
                ..Sensor::default()
            },
        );
    };
    sensor("feed-tds", Quantity::Tds, Point::Feed, "ppm");
    sensor("leak", Quantity::Leak, Point::Room, "");
    sensor("product-tds", Quantity::Tds, Point::Product, "ppm");
    plant.parts.insert(
        "resin-a".into(),
        Part { kind: Some(PartKind::Mixed), bed_litres: 0.7, ..Part::default() },
    );
    ["cellar", "kitchen"]
        .iter()
        .map(|id| Arc::new(Setup::resolve(id, &plant, OnStop::Close, 5)))
        .collect()
}

/// Hours ago, so that no server thinks of it as the future.
fn start_of_day() -> i64 {
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .expect("after 1970")
        .as_millis();
    i64::try_from(now).expect("this century") - 3 * 3_600_000
}

/// A stretch of journal with everything that goes to the database and some that does not.
fn fill(journal: &Journal, from: i64, count: i64) {
    for step in from..from + count {
        let stamp = start_of_day() / 100_000 * 100_000 + step * 5_000;
        let plant = usize::from(step % 3 == 0);
        let wave = (step as f64 / 7.0).sin();
        for (sensor, value) in [(0, (3000.0 + wave * 10.0).round() / 10.0), (1, 0.0), (2, 0.3)] {
            let reading = Reading { sensor, value, retained: false, arrived: None, stamp: None };
            journal.push(plant, stamp, Entry::Event(Event::Reading(reading)));
        }
        journal.push(plant, stamp, Entry::Event(Event::Tick));
        let value = |signal, of, datum, store| {
            Entry::Output(Output::Value(ValueUpdate {
                key: ValueKey { signal, of },
                datum,
                u: Some(0.002),
                flag: Flag::Suspect,
                reasons: Vec::new(),
                basis: Basis::Assumed,
                stamp: Some(Wall::from_millis(stamp - 40)),
                store,
            }))
        };
        let number = |number| Ok(Datum::Number(number));
        journal.push(
            plant,
            stamp,
            value(SignalId::Rejection, None, number(0.97 + wave / 100.0), true),
        );
        journal.push(plant, stamp, value(SignalId::Recovery, None, number(0.25), false));
        journal.push(plant, stamp, value(SignalId::Reading, Some(2), number(wave), true));
        journal.push(
            plant,
            stamp,
            value(SignalId::ResinUsed, Some(0), number(0.1 + 1e-9 * wave), true),
        );
        let state = Ok(Datum::State { code: (step % 6) as u16, word: "word".into() });
        journal.push(plant, stamp, value(SignalId::Phase, None, state, true));
        journal.push(
            plant,
            stamp,
            value(SignalId::Permitted, None, Ok(Datum::Flag(step % 2 == 0)), true),
        );
        journal.push(
            plant,
            stamp,
            value(SignalId::TrippedBy, None, Ok(Datum::Text("leak".into())), true),
        );
        journal.push(plant, stamp, value(SignalId::SaltPassage, None, Err(NoReading::Stale), true));
        if step % 10 == 0 {
            journal.push(
                plant,
                stamp,
                Entry::Output(Output::Alarm(AlarmUpdate {
                    key: AlarmKey { alarm: AlarmId::SensorFault, of: Some(2) },
                    state: AlarmState::Unacknowledged,
                    active: step % 20 == 0,
                    latched: false,
                    since: Some(Wall::from_millis(stamp)),
                    value: Some(wave),
                    limit: None,
                    class: Class::Soon,
                    first_out: false,
                    text: "text, that = never leaves".into(),
                    under: None,
                    chattering: 0,
                    respond_secs: None,
                })),
            );
        }
    }
}

/// VictoriaMetrics keeps a block of numbers as decimals with one exponent; this much of the larger ones
/// may get lost.
const DIGITS: f64 = 1e-12;

type Points = BTreeMap<(String, i64), Vec<f64>>;

/// What the journal says should be there, read from the lines' own text: series as the server names
/// them, stamp, number.
fn expected(journal: &Journal, setups: &[Arc<Setup>]) -> Points {
    let mut points = Points::new();
    for text in journal.all().iter().filter_map(|record| series::line(setups, record)) {
        let mut sections = text.split(' ');
        let (head, fields, stamp) = (
            sections.next().expect("head"),
            sections.next().expect("fields"),
            sections.next().expect("stamp").parse().expect("a stamp"),
        );
        let mut head = head.split(',');
        let measurement = head.next().expect("a measurement");
        let mut tags: Vec<String> = head.map(str::to_owned).collect();
        tags.sort();
        for field in fields.split(',') {
            let (name, number) = field.split_once('=').expect("name=number");
            let series = format!("{measurement}_{name},{}", tags.join(","));
            points.entry((series, stamp)).or_default().push(number.parse().expect("a float"));
        }
    }
    points
}

/// What the server gives back, keyed in the same way.
async fn stored(server: &Victoria) -> Points {
    let mut points = Points::new();
    for line in server.export(r#"{__name__=~"permeated.*",__name__!~"permeated_probe.*"}"#).await {
        let metric = line["metric"].as_object().expect("labels");
        let mut tags: Vec<String> = metric
            .iter()
            .filter(|(name, _)| *name != "__name__")
            .map(|(name, value)| format!("{name}={}", value.as_str().expect("text")))
            .collect();
        tags.sort();
        let series = format!("{},{}", metric["__name__"].as_str().expect("a name"), tags.join(","));
        let values = line["values"].as_array().expect("values");
        for (value, stamp) in values.iter().zip(line["timestamps"].as_array().expect("stamps")) {
            points
                .entry((series.clone(), stamp.as_i64().expect("ms")))
                .or_default()
                .push(value.as_f64().expect("a number"));
        }
    }
    points
}

/// Missing, doubled, changed, and what nobody wrote.
fn join(expected: &Points, stored: &Points) -> (usize, usize, usize, usize) {
    let mut table = (0, 0, 0, 0);
    for (key, wanted) in expected {
        assert_eq!(wanted.len(), 1, "the journal holds {key:?} twice");
        match stored.get(key) {
            None => table.0 += 1,
            Some(found) => {
                table.1 += usize::from(found.len() > 1);
                // What a sensor sent has few digits and must come back as it is.
                let lost = if key.0.starts_with(series::READING) { 0.0 } else { DIGITS };
                let room = wanted[0].abs().max(1.0) * lost;
                table.2 += usize::from(found.iter().any(|one| (one - wanted[0]).abs() > room));
            }
        }
    }
    table.3 = stored.keys().filter(|key| !expected.contains_key(key)).count();
    println!(
        "points {}: missing {}, doubled {}, changed {}, foreign {}",
        expected.len(),
        table.0,
        table.1,
        table.2,
        table.3
    );
    table
}

/// Waits until health says what is wanted.
async fn health(board: &Board, what: &str, is: impl Fn(&Health) -> bool) -> Health {
    let until = Instant::now() + Duration::from_secs(60);
    loop {
        let health = board.health();
        if is(&health) {
            return health;
        }
        assert!(Instant::now() < until, "health never said '{what}': {health:?}");
        victoria::wait::look_again().await;
    }
}

/// Waits until everything that is in the journal now has been written. Three reports, because a step
/// that is under way reports twice what it knew at its start.
async fn caught_up(board: &Board) {
    for _ in 0..3 {
        board.change_health(|health| health.database_behind = None);
        health(board, "caught up", |health| {
            health.database_fault.is_none() && health.database_behind == Some(0)
        })
        .await;
    }
}

fn settings(url: &str, batch_lines: usize) -> Database {
    Database { url: url.into(), batch_lines, timeout_secs: 5, ..Database::default() }
}

const DEDUP: &[&str] = &["-dedup.minScrapeInterval=1ms"];

/// The server is killed right after it has accepted points that it still holds in memory; while it
/// is back, the daemon is killed twice, once in the middle of its backlog.
async fn outage_and_crashes(flags: &[&str], note: &str) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let (setups, journal, port) = (setups(), Arc::new(Journal::default()), free_port());
    let board = Board::new(&setups);
    let server = Victoria::start(folder.path(), port, flags).await;
    let start = |url: &str| {
        let source = Arc::clone(&journal) as Arc<dyn Source>;
        database::spawn(&settings(url, 200), source, board.clone(), setups.clone())
            .expect("good settings")
    };
    fill(&journal, 0, 120);
    let task = start(&server.url());
    caught_up(&board).await;
    let said = board.health().database_note.expect("a note");
    assert!(said.contains(note), "{said}");
    assert_eq!(join(&expected(&journal, &setups), &stored(&server).await), (0, 0, 0, 0));

    fill(&journal, 120, 60);
    caught_up(&board).await;
    server.kill();
    fill(&journal, 180, 200);
    health(&board, "server away", |health| health.database_fault.is_some()).await;
    fill(&journal, 380, 20);
    let server = Victoria::start(folder.path(), port, flags).await;
    let all = journal.all().len() as u64;
    health(&board, "in the middle", |health| {
        health.database_behind.is_some_and(|behind| behind > 0 && behind < all * 2 / 3)
    })
    .await;
    task.abort();
    let _ = task.await;
    let task = start(&server.url());
    caught_up(&board).await;
    task.abort();
    let _ = task.await;
    fill(&journal, 400, 10);
    let task = start(&server.url());
    caught_up(&board).await;
    task.abort();
    let expected = expected(&journal, &setups);
    assert!(expected.len() > 9_000, "{}", expected.len());
    assert_eq!(join(&expected, &stored(&server).await), (0, 0, 0, 0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_server_holds_what_the_journal_holds_after_outage_and_crashes() {
    outage_and_crashes(DEDUP, "written points were read back").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_keeps_repeated_points_gets_none_repeated() {
    outage_and_crashes(&[], "asked for what it has").await;
}

/// How a server on purpose misbehaves.
#[derive(Clone, Copy, Debug)]
enum Manner {
    /// Answers 400 to every batch with this text in it, and keeps nothing of it.
    BadText(&'static str),
    /// Answers 400 to everything.
    RefusesAll,
    /// Answers 413 above this many lines.
    Small(usize),
    /// Asks for a login.
    Stranger,
    /// Is busy for so many requests.
    Busy(usize),
    /// Takes the first requests and never answers them.
    Silent(usize),
    /// Says yes to everything, keeps nothing, and offers an export.
    Swallows,
    /// Keeps what is repeated twice, and gives the second copy back two looks after the first.
    ShowsLate,
}

#[derive(Debug)]
struct Fake {
    manner: Mutex<Manner>,
    kept: Mutex<Vec<String>>,
    requests: Mutex<usize>,
    looks: Mutex<usize>,
}

impl Fake {
    async fn start(manner: Manner) -> (Arc<Self>, String) {
        let fake = Arc::new(Self {
            manner: Mutex::new(manner),
            kept: Mutex::default(),
            requests: Mutex::default(),
            looks: Mutex::default(),
        });
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("loopback");
        let url = format!("http://{}", listener.local_addr().expect("bound"));
        let app = Router::new()
            .route("/api/v2/write", post(write))
            .route("/api/v1/export", get(export))
            .with_state(Arc::clone(&fake));
        tokio::spawn(async move { axum::serve(listener, app).await });
        (fake, url)
    }

    fn kept(&self) -> Vec<String> {
        let kept = self.kept.lock().expect("no panic while held");
        kept.iter().filter(|line| !line.starts_with(series::PROBE)).cloned().collect()
    }

    fn requests(&self) -> usize {
        *self.requests.lock().expect("no panic while held")
    }
}

async fn write(State(fake): State<Arc<Fake>>, body: String) -> StatusCode {
    let count = {
        let mut requests = fake.requests.lock().expect("no panic while held");
        *requests += 1;
        *requests
    };
    let manner = *fake.manner.lock().expect("no panic while held");
    let refusal = match manner {
        Manner::BadText(text) if body.contains(text) => Some(StatusCode::BAD_REQUEST),
        Manner::RefusesAll => Some(StatusCode::BAD_REQUEST),
        Manner::Small(lines) if body.lines().count() > lines => Some(StatusCode::PAYLOAD_TOO_LARGE),
        Manner::Stranger => Some(StatusCode::UNAUTHORIZED),
        Manner::Busy(busy) if count <= busy => Some(StatusCode::SERVICE_UNAVAILABLE),
        Manner::Silent(silent) if count <= silent => std::future::pending().await,
        Manner::Swallows => Some(StatusCode::NO_CONTENT),
        _ => None,
    };
    if let Some(refusal) = refusal {
        return refusal;
    }
    let mut kept = fake.kept.lock().expect("no panic while held");
    kept.extend(body.lines().map(str::to_owned));
    StatusCode::NO_CONTENT
}

/// An export that knows nothing or only the probe points, or none at all.
async fn export(State(fake): State<Arc<Fake>>) -> (StatusCode, String) {
    match *fake.manner.lock().expect("no panic while held") {
        Manner::Swallows => (StatusCode::OK, String::new()),
        Manner::ShowsLate => {
            let mut looks = fake.looks.lock().expect("no panic while held");
            *looks += 1;
            let shown = if *looks <= 2 { 1 } else { 2 };
            let kept = fake.kept.lock().expect("no panic while held");
            let probes = kept.iter().filter(|line| line.starts_with(series::PROBE)).take(shown);
            (StatusCode::OK, probes.map(|line| exported(line)).collect())
        }
        _ => (StatusCode::NOT_FOUND, String::new()),
    }
}

/// A line of the export for a line that was written.
fn exported(line: &str) -> String {
    let mut words = line.split(' ');
    let (Some(_), Some(fields), Some(stamp)) = (words.next(), words.next(), words.next()) else {
        panic!("no line: {line}");
    };
    let value = fields.strip_prefix("value=").expect("one field");
    format!("{{\"values\":[{value}],\"timestamps\":[{stamp}]}}\n")
}

struct Run {
    fake: Arc<Fake>,
    journal: Arc<Journal>,
    board: Board,
    setups: Vec<Arc<Setup>>,
    task: tokio::task::JoinHandle<()>,
}

impl Run {
    async fn start(manner: Manner, steps: i64, batch: usize) -> Self {
        let (fake, url) = Fake::start(manner).await;
        let (setups, journal) = (setups(), Arc::new(Journal::default()));
        fill(&journal, 0, steps);
        let board = Board::new(&setups);
        let database = Database { timeout_secs: 1, ..settings(&url, batch) };
        let source = Arc::clone(&journal) as Arc<dyn Source>;
        let task = database::spawn(&database, source, board.clone(), setups.clone())
            .expect("good settings");
        Self { fake, journal, board, setups, task }
    }

    fn lines(&self) -> Vec<String> {
        self.journal.all().iter().filter_map(|record| series::line(&self.setups, record)).collect()
    }
}

impl Drop for Run {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn sorted(mut lines: Vec<String>) -> Vec<String> {
    lines.sort();
    lines
}

#[tokio::test]
async fn a_bad_line_is_counted_and_passed_over_and_everything_else_arrives_once() {
    let run = Run::start(Manner::BadText("property=used"), 40, 100).await;
    caught_up(&run.board).await;
    let (bad, good): (Vec<_>, Vec<_>) =
        run.lines().into_iter().partition(|line| line.contains("property=used"));
    assert_eq!(bad.len(), 40);
    assert_eq!(run.board.health().database_refused, 40);
    assert_eq!(sorted(run.fake.kept()), sorted(good));
}

#[tokio::test]
async fn a_server_that_refuses_everything_costs_nothing_but_time() {
    let run = Run::start(Manner::BadText("permeated_reading"), 10, 500).await;
    caught_up(&run.board).await;
    let before = run.board.health().database_refused;
    assert_eq!(before, 30);
    *run.fake.manner.lock().expect("no panic while held") = Manner::RefusesAll;
    fill(&run.journal, 10, 10);
    let state = health(&run.board, "set-up at fault", |health| {
        health.database_fault.as_ref().is_some_and(|fault| fault.contains("every line"))
    })
    .await;
    assert_eq!(state.database_refused, before, "no line may be given up");
    assert!(state.database_behind > Some(0));
    assert_eq!(run.journal.mark().expect("in memory"), 0);
}

#[tokio::test]
async fn a_batch_that_is_too_large_is_halved_until_it_fits() {
    let run = Run::start(Manner::Small(30), 40, 400).await;
    caught_up(&run.board).await;
    assert_eq!(sorted(run.fake.kept()), sorted(run.lines()));
    assert_eq!(run.board.health().database_refused, 0);
}

#[tokio::test]
async fn a_refused_login_is_said_aloud_and_tried_slowly() {
    let run = Run::start(Manner::Stranger, 5, 400).await;
    let state = health(&run.board, "login", |health| health.database_fault.is_some()).await;
    assert!(state.database_fault.expect("a fault").contains("401"));
    assert_eq!(run.fake.requests(), 1);
    assert_eq!(run.journal.mark().expect("in memory"), 0);
}

#[tokio::test]
async fn a_busy_and_a_silent_server_are_waited_for() {
    for manner in [Manner::Busy(3), Manner::Silent(1)] {
        let run = Run::start(manner, 10, 400).await;
        health(&run.board, "busy", |health| health.database_fault.is_some()).await;
        caught_up(&run.board).await;
        assert_eq!(sorted(run.fake.kept()), sorted(run.lines()), "{manner:?}");
        let note = run.board.health().database_note.expect("a note");
        assert!(note.starts_with("unverified"), "{note}");
    }
}

#[tokio::test]
async fn after_an_outage_the_newest_goes_first_and_each_series_stays_in_order() {
    let run = Run::start(Manner::Busy(0), 100, 50).await;
    caught_up(&run.board).await;
    let kept = run.fake.kept();
    assert_eq!(sorted(kept.clone()), sorted(run.lines()));
    let newest = run.lines().pop().expect("lines");
    let first_batch = &kept[..kept.len().min(50)];
    assert!(first_batch.contains(&newest), "the newest line is in the first batch");
    // Live and backlog are two passes; within a pass stamps of a series never fall.
    let mut falls = BTreeMap::<String, usize>::new();
    let mut last = BTreeMap::<String, i64>::new();
    for line in &kept {
        let (head, rest) = line.split_once(' ').expect("a head");
        let stamp: i64 = rest.rsplit_once(' ').expect("a stamp").1.parse().expect("ms");
        if last.insert(head.to_owned(), stamp).is_some_and(|before| before > stamp) {
            *falls.entry(head.to_owned()).or_default() += 1;
        }
    }
    assert!(falls.values().all(|&count| count <= 1), "{falls:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_that_swallows_points_gets_none_and_is_named() {
    let run = Run::start(Manner::Swallows, 5, 400).await;
    let state = health(&run.board, "swallows", |health| health.database_fault.is_some()).await;
    let fault = state.database_fault.expect("a fault");
    assert!(fault.contains("does not give it back"), "{fault}");
    assert_eq!(run.journal.mark().expect("in memory"), 0);
}

/// Two writers of a server may show what they hold at different times: one copy seen is no proof that
/// a repeated point is kept once.
#[tokio::test]
async fn a_second_copy_that_shows_late_is_waited_for() {
    let run = Run::start(Manner::ShowsLate, 5, 400).await;
    let state = health(&run.board, "checked", |health| health.database_note.is_some()).await;
    let note = state.database_note.expect("a note");
    assert!(note.contains("kept twice"), "{note}");
}
