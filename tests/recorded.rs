//! `replay` and `export` on real files: the same bytes twice, live equals replay, nothing missing.

use permeated::cmd::export::{self, Format, What};
use permeated::cmd::replay::{self, Kind, Summary};
use permeated::edge::history::{Body, Journal, Keep, Names, PlantNo, Restore};
use permeated::engine::Engine;
use permeated::engine::event::{Event, Found, Reading, Started};
use permeated::engine::output::{Action, Output};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Span, Wall};
use permeated::settings::schema::Settings;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::time::Duration;

const EPOCH: i64 = 1_780_000_000_000;

fn settings() -> Settings {
    let text = include_str!("../config/example.toml");
    permeated::settings::load::from_str("example.toml", text).expect("the example is good")
}

fn setup(settings: &Settings) -> Arc<Setup> {
    let (id, plant) = settings.plants.first_key_value().expect("one plant");
    let keep_alive = settings.broker.guard_keep_alive_secs;
    Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, keep_alive))
}

/// When the hub opens the valve, on the day.
const OPENED: i64 = 120_000;

/// Half an hour: standing, then product that is spoiled for a while. Every 5 s, both probes.
fn day() -> Vec<(i64, &'static str, f64)> {
    let mut lines = Vec::new();
    for step in 0..360i64 {
        let spoiled = (120..240).contains(&step);
        lines.push((step * 5_000, "permeate", 8.0 + (step % 3) as f64));
        lines.push((step * 5_000 + 40, "product", if spoiled { 30.0 } else { 0.0 }));
    }
    lines
}

fn replay_args(input: Option<PathBuf>, journal: Option<PathBuf>) -> replay::Args {
    replay::Args {
        config: Vec::new(),
        plant: None,
        compare: journal.is_some(),
        input,
        journal,
        all: false,
        only: Vec::new(),
    }
}

fn replayed(args: &replay::Args) -> (Summary, String) {
    let mut out = Vec::new();
    let summary = replay::replay(args, &settings(), &mut out).expect("replays");
    (summary, String::from_utf8(out).expect("text"))
}

/// Closes in a replay; the world acknowledges each.
fn closes(text: &str) -> u64 {
    text.lines().filter(|line| line.contains(r#""action":"close""#)).count() as u64
}

fn error_of(name: &str, text: &str) -> String {
    let dir = tempfile::tempdir().expect("folder");
    let file = dir.path().join(name);
    std::fs::write(&file, text).expect("writes");
    let args = replay_args(Some(file), None);
    replay::replay(&args, &settings(), &mut Vec::new()).expect_err("refused").to_string()
}

#[test]
fn a_recorded_day_gives_the_same_bytes_twice_and_in_both_formats() {
    let dir = tempfile::tempdir().expect("folder");
    let (mut csv, mut lines) = (String::from("time,sensor,value\n"), String::new());
    for (at, sensor, value) in day() {
        let millis = EPOCH + at;
        let time = jiff::Timestamp::from_millisecond(millis).expect("a time");
        writeln!(csv, "{time},{sensor},{value}").expect("text");
        // The same as a message on the sensor's topic.
        let object = serde_json::json!({
            "t": millis, "topic": format!("cellar/{sensor}/ppm"), "v": value
        });
        writeln!(lines, "{object}").expect("text");
        if at == OPENED {
            let opened = r#"{"e":"seen-on-topic","actuator":0,"open":true}"#;
            writeln!(lines, r#"{{"t":{millis},"event":{opened}}}"#).expect("text");
        }
    }
    writeln!(lines, r#"{{"t":{},"topic":"kitchen/light","v":"ON"}}"#, EPOCH + 1_800_000)
        .expect("text");
    let (a, b) = (dir.path().join("day.csv"), dir.path().join("day.jsonl"));
    std::fs::write(&a, csv).expect("writes");
    std::fs::write(&b, lines).expect("writes");
    let (summary, first) = replayed(&replay_args(Some(a.clone()), None));
    let (_, second) = replayed(&replay_args(Some(a), None));
    assert_eq!(first, second);
    assert!(summary.events >= 720 && summary.outputs > 100, "{summary:?}");
    let (other, third) = replayed(&replay_args(Some(b.clone()), None));
    assert_eq!(other.foreign.lines, 1);
    assert_eq!(other.foreign.topics.get("kitchen/light"), Some(&1));
    assert!(other.words().contains("kitchen/light (1)"), "{}", other.words());
    assert_eq!(other.alarms.get("product-tds-high"), Some(&1), "{:?}", other.alarms);
    assert_eq!(other.events, summary.events + 1 + closes(&third) - closes(&first));
    assert!(!first.contains("product-tds-high"), "no water, no judgement");
    assert!(third.contains("product-tds-high"), "water ran and was bad");
    let lines = std::fs::read_to_string(&b).expect("reads");
    let without: String = lines
        .lines()
        .filter(|line| !line.contains("event"))
        .fold(String::new(), |text, line| text + line + "\n");
    std::fs::write(&b, without).expect("writes");
    let (_, fourth) = replayed(&replay_args(Some(b), None));
    assert_eq!(fourth, first, "a topic is as good as a sensor id");
    // Outputs are in the order of their times, also those of deadlines between readings.
    let times: Vec<i64> = first
        .lines()
        .map(|line| {
            let value: serde_json::Value = serde_json::from_str(line).expect("JSON");
            value["m"].as_i64().expect("a time")
        })
        .collect();
    assert!(times.is_sorted());
    assert!(first.contains(r#""o":"permit""#) && first.contains(r#""actuator":"valve""#));
}

#[test]
fn lines_that_cannot_be_used_are_named() {
    let error = error_of("a.csv", "time,sensor,value\n5,product,1\n4,product,1\n");
    assert!(error.contains("line 3") && error.contains("sort the file"), "{error}");
    let error = error_of("a.csv", "5,product\n");
    assert!(error.contains("line 1") && error.contains("2 fields"), "{error}");
    let error = error_of("a.jsonl", r#"{"t":1,"sensor":"nobody","v":1}"#);
    assert!(error.contains("there is no sensor 'nobody'"), "{error}");
    assert!(error.contains("permeate, product"), "the ids that there are: {error}");
    let error = error_of("a.csv", "time,sensor,value\n5,product,1\n6,prodct,1\n");
    assert!(error.contains("line 3") && error.contains("no sensor 'prodct'"), "{error}");
    assert!(error.contains("permeate, product"), "{error}");
    let error = error_of("a.jsonl", r#"{"t":1,"sensr":"product","v":1}"#);
    assert!(error.contains("unknown field `sensr`"), "{error}");
    let error = error_of("a.jsonl", r#"{"t":1,"v":1}"#);
    assert!(error.contains("sensor, topic, event"), "{error}");
}

/// Replays a text as a file of that name.
fn replayed_text(name: &str, text: &str, only: &[Kind]) -> (Summary, String) {
    let dir = tempfile::tempdir().expect("folder");
    let file = dir.path().join(name);
    std::fs::write(&file, text).expect("writes");
    let args = replay::Args { only: only.to_vec(), ..replay_args(Some(file), None) };
    replayed(&args)
}

/// The lines of an output that are of a kind (`o`), as JSON.
fn of_kind(text: &str, kind: &str) -> Vec<serde_json::Value> {
    text.lines()
        .map(|line| serde_json::from_str::<serde_json::Value>(line).expect("JSON"))
        .filter(|line| line["o"] == kind)
        .collect()
}

/// Readings of both probes each five seconds, and lines put before those of a minute.
fn minutes(minutes: i64, between: &[(i64, &str)]) -> String {
    let mut csv = String::from("time,sensor,value\n");
    for minute in 0..minutes {
        let at = EPOCH + minute * 60_000;
        for (_, line) in between.iter().filter(|(due, _)| *due == minute) {
            writeln!(csv, "{at},{line}").expect("text");
        }
        for at in (at..at + 60_000).step_by(5_000) {
            writeln!(csv, "{at},permeate,{}\n{at},product,0", 8 + minute % 3).expect("text");
        }
    }
    csv
}

#[test]
fn recorded_commands_are_what_they_were() {
    let csv = minutes(
        6,
        &[
            (
                1,
                r#"permeated/5/home/service/entry/set,"{""entry"":""note"",""text"":""new hose""}""#,
            ),
            (2, "permeated/5/home/guard/close/set,PRESS"),
            (3, "permeated/5/home/guard/reset/set,PRESS"),
            (4, "permeated/5/home/guard/permit,{}"),
        ],
    );
    let (summary, text) = replayed_text("day.csv", &csv, &[]);
    assert_eq!((summary.foreign.lines, summary.foreign.own), (0, 1));
    let answers: Vec<String> = of_kind(&text, "log")
        .iter()
        .filter(|line| line["kind"] == "answer" || line["kind"] == "service")
        .map(|line| line["text"].to_string())
        .collect();
    let has = |words: &str| answers.iter().any(|answer| answer.contains(words));
    assert!(text.contains("new hose"), "{answers:?}");
    assert!(has("reset: refused"), "as on the bus: {answers:?}");
    assert!(of_kind(&text, "send").iter().any(|line| line["action"] == "close"), "{answers:?}");
}

#[test]
fn a_valve_opened_by_somebody_is_seen() {
    let opened = minutes(30, &[(2, "cellar/valve/set,ON"), (20, "cellar/valve/set,OFF")]);
    let (with, text) = replayed_text("day.csv", &opened, &[]);
    let (without, _) = replayed_text("day.csv", &minutes(30, &[]), &[]);
    assert_eq!(with.foreign.lines, 0);
    assert_eq!((with.starts, without.starts), (1, 0), "{text}");
    assert!(with.litres.iter().any(|(_, litres)| *litres > 2.0), "{:?}", with.litres);
}

#[test]
fn only_what_is_asked_for_is_printed_in_the_names_of_the_bus() {
    let (_, text) = replayed_text("day.csv", &minutes(5, &[]), &[Kind::Values]);
    let lines = of_kind(&text, "value");
    assert_eq!(lines.len(), text.lines().count());
    assert!(lines.iter().any(|line| line["name"] == "product/tds"), "{text}");
    assert!(!text.contains("\"key\"") && !text.contains("\"signal\""), "{text}");
    // Each name is known to the reference or is point and quantity.
    let reference = permeated::settings::reference::reference_md();
    for line in &lines {
        let name = line["name"].as_str().expect("a name");
        let (node, property) = name.split_once('/').expect("two parts");
        let plain = reference.contains(&format!("`{name}`"));
        let reading = ["permeate", "product"].contains(&node) && property == "tds";
        let of_owner = reference.contains(&format!("/{property}`")) && node.contains('-');
        assert!(plain || reading || of_owner, "{name}");
    }
    // At the beginning each value is told once.
    let first: Vec<&str> = lines
        .iter()
        .filter(|line| line["m"] == 0)
        .filter_map(|line| line["name"].as_str())
        .filter(|name| !name.starts_with("product/") && !name.starts_with("permeate/"))
        .collect();
    let unique: std::collections::BTreeSet<&&str> = first.iter().collect();
    assert_eq!(unique.len(), first.len(), "{first:?}");
    let spoiled = format!("{}{},x/y,1\n", minutes(40, &[]), EPOCH + 40 * 60_000);
    let (summary, text) = replayed_text("day.csv", &spoiled, &[Kind::Alarms]);
    assert!(text.lines().all(|line| line.contains(r#""o":"alarm""#)), "{text}");
    for line in of_kind(&text, "alarm") {
        let name = line["name"].as_str().expect("a name");
        assert!(reference.contains(&format!("| `{name}` |")) || name.contains('-'), "{name}");
    }
    assert_eq!(summary.foreign.lines, 1);
}

#[test]
fn the_will_is_answered_as_by_a_healthy_broker() {
    // Forty days, a reading each half hour: the proof of the will comes due and is answered.
    let mut csv = String::from("time,sensor,value\n");
    for step in 0..40 * 48 {
        let at = EPOCH + step * 1_800_000;
        writeln!(csv, "{at},permeate,{}\n{at},product,0", 8 + step % 3).expect("text");
    }
    let (summary, text) = replayed_text("day.csv", &csv, &[Kind::Alarms, Kind::Log]);
    let proofs = of_kind(&text, "log").into_iter().filter(|line| line["kind"] == "proof");
    let passed: Vec<bool> = proofs
        .filter(|line| line["data"]["of"] == "will-valve")
        .filter_map(|line| line["data"]["passed"].as_bool())
        .collect();
    assert_eq!(passed, [true], "it came due and is proven:\n{text}");
    let failed: Vec<&String> =
        summary.alarms.keys().filter(|name| name.starts_with("proof-failed")).collect();
    assert!(failed.is_empty(), "{:?}\n{text}", summary.alarms);
}

/// The blocks of a page that are marked so.
fn blocks(page: &str, mark: &str) -> Vec<String> {
    let mut found = Vec::new();
    let mut inside: Option<String> = None;
    for line in page.lines() {
        match &mut inside {
            None if line == format!("```{mark}") => inside = Some(String::new()),
            Some(_) if line == "```" => found.extend(inside.take()),
            Some(block) => {
                block.push_str(line);
                block.push('\n');
            }
            None => {}
        }
    }
    found
}

#[test]
fn the_documented_examples_are_taken() {
    let page = include_str!("../config/recorded.md");
    let (csv, lines) = (blocks(page, "csv"), blocks(page, "json"));
    assert!(!csv.is_empty() && lines.len() >= 2, "the page has examples");
    let known = csv.iter().map(|block| ("a.csv", block));
    for (name, block) in known.chain(lines.iter().map(|block| ("a.jsonl", block))) {
        let (summary, text) = replayed_text(name, block, &[]);
        assert!(summary.events > 3, "{block}");
        assert_eq!(summary.foreign.lines, 0, "{block}");
        assert!(!text.contains("refused"), "{block}\n{text}");
    }
    // Those of the help, each line for itself.
    let (mut csv, mut json) = (0, 0);
    for line in replay::FORMATS.lines().map(str::trim) {
        let name = if line.starts_with('{') {
            json += 1;
            "a.jsonl"
        } else if line.starts_with("2026-") || line.starts_with("17") {
            csv += 1;
            "a.csv"
        } else {
            continue;
        };
        let (summary, text) = replayed_text(name, line, &[]);
        assert_eq!(summary.foreign.lines, 0, "{line}");
        assert!(!text.contains("refused"), "{line}\n{text}");
    }
    assert_eq!((csv, json), (2, 3));
}

#[test]
fn the_documented_service_entries_fit_the_full_plant() {
    let text = include_str!("../config/full.toml");
    let settings = permeated::settings::load::from_str("full.toml", text).expect("good");
    let plant = settings.plants.keys().next().expect("one plant");
    for (entry, _) in permeated::engine::event::SERVICE_ENTRIES {
        let topic = format!("permeated/5/{plant}/service/entry/set");
        let value: serde_json::Value = serde_json::from_str(entry).expect("JSON");
        let line = serde_json::json!({"t": EPOCH, "topic": topic, "v": value}).to_string();
        let dir = tempfile::tempdir().expect("folder");
        let file = dir.path().join("a.jsonl");
        std::fs::write(&file, line).expect("writes");
        let mut out = Vec::new();
        let args = replay_args(Some(file), None);
        let summary = replay::replay(&args, &settings, &mut out).expect("replays");
        assert_eq!(summary.foreign.lines + summary.foreign.own, 0, "{entry}");
        let out = String::from_utf8(out).expect("text");
        let answers: Vec<String> = of_kind(&out, "log")
            .iter()
            .filter(|line| line["kind"] == "answer")
            .map(|line| line["text"].to_string())
            .collect();
        assert_eq!(answers.len(), 1, "{entry}: {answers:?}");
        for wrong in ["there is no", "do not fit", "not a service entry"] {
            assert!(!answers[0].contains(wrong), "{entry}: {answers:?}");
        }
    }
}

/// Drives an engine live as the daemon does, with ticks at moments of its own that are no records.
struct Live {
    engine: Engine,
    keep: Keep,
    journal: Journal,
    plant: PlantNo,
    tick: i64,
    answers: Vec<Event>,
}

impl Live {
    fn start(dir: &Path, at: i64) -> Self {
        let settings = settings();
        let setup = setup(&settings);
        let mut opened = Journal::open(dir, &[Names::of(&setup)]).expect("opens");
        let restore: Restore = opened.plants.remove(0);
        let mut engine = Engine::new(Arc::clone(&setup));
        for record in restore.inputs(0) {
            let record = record.expect("good");
            if let Body::Event(event) = record.body {
                engine.handle(record.now, event);
                while engine.poll_output().is_some() {}
            }
        }
        let started =
            Started { found: restore.found, away: Some(Span::from_secs(60)), clean: restore.clean };
        let mut live = Self {
            engine,
            keep: Keep::new(),
            journal: opened.journal,
            plant: restore.plant,
            tick: at,
            answers: Vec::new(),
        };
        live.event(at, Event::Started(started));
        live.event(at, Event::Clock { sane: true, stepped: Span::ZERO });
        live.event(at, Event::BrokerReady);
        live.event(at + 1, Event::GuardConnected { actuator: 0 });
        live
    }

    fn now(at: i64) -> Now {
        // A clock that is being corrected: it loses a millisecond each minute.
        Now::new(Mono::from_millis(at), Wall::from_millis(EPOCH + at - at / 60_000))
    }

    fn event(&mut self, at: i64, event: Event) {
        // The driver wakes at least twice a second, and never exactly at a deadline.
        while self.tick + 507 < at {
            self.tick += 507;
            self.handle(self.tick, Event::Tick);
        }
        self.tick = at;
        self.journal.append(self.plant, Self::now(at), Body::Event(event.clone()));
        self.handle(at, event);
        for answer in std::mem::take(&mut self.answers) {
            self.event(at, answer);
        }
    }

    fn handle(&mut self, at: i64, event: Event) {
        self.engine.handle(Self::now(at), event);
        while let Some(output) = self.engine.poll_output() {
            match &output {
                Output::Persist { token } => self.answers.push(Event::Persisted { token: *token }),
                Output::Send(send) if send.action == Action::Close => {
                    self.answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                }
                _ => {}
            }
            if self.keep.wants(&output) {
                self.journal.append(self.plant, Self::now(at), Body::Output(output));
            }
        }
    }

    fn readings(&mut self, from: i64) {
        let sensors = ["permeate", "product"];
        for (at, sensor, value) in day() {
            let sensor = sensors.iter().position(|known| *known == sensor).expect("known");
            let arrived = Some(Wall::from_millis(EPOCH + from + at));
            let reading = Reading { sensor, value, retained: false, arrived, stamp: None };
            self.event(from + at, Event::Reading(reading));
            if at == OPENED {
                // The hub opens the valve.
                self.event(from + at, Event::SeenOnTopic { actuator: 0, open: true });
            }
        }
    }
}

fn persisted(journal: &Journal) {
    let (tx, rx) = mpsc::channel();
    journal.persist(move |result| tx.send(result.is_ok()).expect("the test waits"));
    assert_eq!(rx.recv_timeout(Duration::from_secs(30)), Ok(true));
}

/// Two runs, the first of which ended with the death of the process.
fn journal_of_two_runs(dir: &Path) {
    let mut live = Live::start(dir, 0);
    live.readings(1_000);
    // Deadlines go on firing for a while after the last event, and are not records.
    for step in 1..400 {
        live.handle(1_900_000 + step * 507, Event::Tick);
    }
    persisted(&live.journal);
    drop(live);
    let mut live = Live::start(dir, 2_400_000);
    live.readings(2_401_000);
    live.journal.close().expect("closes");
}

#[test]
fn live_equals_replay_over_a_restart() {
    let dir = tempfile::tempdir().expect("folder");
    journal_of_two_runs(dir.path());
    let args = replay_args(None, Some(dir.path().to_owned()));
    let (summary, differences) = replayed(&args);
    assert!(summary.same > 200, "{summary:?}");
    assert_eq!(summary.differences, 0, "{differences}");
}

#[test]
fn a_difference_is_found() {
    let dir = tempfile::tempdir().expect("folder");
    journal_of_two_runs(dir.path());
    let opened = Journal::open(dir.path(), &[Names::of(&setup(&settings()))]).expect("opens");
    let restore = &opened.plants[0];
    assert_eq!(restore.found, Found::Restored);
    let entry = permeated::engine::output::LogEntry {
        at: None,
        kind: "note".into(),
        text: "the engine never said this".into(),
        data: serde_json::Value::Null,
        protective: false,
    };
    let at = Live::now(restore.last.expect("some").mono.millis());
    opened.journal.append(restore.plant, at, Body::Output(Output::Log(entry)));
    drop(opened);
    let (summary, text) = replayed(&replay_args(None, Some(dir.path().to_owned())));
    assert_eq!(summary.differences, 1, "{text}");
    assert!(text.starts_with("- record") && text.contains("never said this"), "{text}");
}

fn exported(dir: &Path, change: impl FnOnce(&mut export::Args)) -> (export::Summary, String) {
    let mut args = export::Args {
        config: Vec::new(),
        state: Some(dir.to_owned()),
        format: Format::Csv,
        plant: None,
        from: None,
        to: None,
        what: What::All,
    };
    change(&mut args);
    let mut out = Vec::new();
    let summary = export::export(&args, &settings(), &mut out).expect("exports");
    (summary, String::from_utf8(out).expect("text"))
}

#[test]
fn everything_can_be_had_out() {
    let dir = tempfile::tempdir().expect("folder");
    journal_of_two_runs(dir.path());
    let (all, text) = exported(dir.path(), |_| {});
    assert_eq!(text.lines().count() as u64, all.lines + 1);
    let header = text.lines().next().expect("header");
    assert_eq!(header.split(',').count(), 16);

    let (readings, text) = exported(dir.path(), |args| args.what = What::Readings);
    assert_eq!(readings.lines, 2 * 720);
    let spoiled = text.lines().filter(|line| line.contains(",product,") && line.contains(",30.0,"));
    assert_eq!(spoiled.count(), 2 * 120);
    assert!(text.lines().nth(1).expect("a line").contains(",ppm,"), "the unit is there");

    let (lines, text) = exported(dir.path(), |args| args.format = Format::Jsonl);
    assert_eq!(lines, all);
    let mut kinds = std::collections::BTreeSet::new();
    let mut last = 0;
    for line in text.lines() {
        let value: serde_json::Value = serde_json::from_str(line).expect("JSON");
        let seq = value["seq"].as_u64().expect("a number");
        assert!(seq > last, "in order, once each");
        last = seq;
        kinds.insert(value["kind"].as_str().expect("a word").to_owned());
    }
    for kind in ["reading", "value", "alarm", "log", "permit", "send", "event", "run"] {
        assert!(kinds.contains(kind), "{kind} is missing: {kinds:?}");
    }

    // Two halves make the whole; the border belongs to one of them.
    let border = jiff::Timestamp::from_millisecond(EPOCH + 601_000 - 10).expect("a time");
    let only = |args: &mut export::Args| args.what = What::Readings;
    let (before, _) = exported(dir.path(), |args| {
        only(args);
        args.to = Some(border);
    });
    let (after, _) = exported(dir.path(), |args| {
        only(args);
        args.from = Some(border);
    });
    assert_eq!(before.lines, 240);
    assert_eq!(before.lines + after.lines, readings.lines);

    let args = export::Args {
        config: Vec::new(),
        state: Some(dir.path().to_owned()),
        format: Format::Csv,
        plant: Some("nobody".into()),
        from: None,
        to: None,
        what: What::All,
    };
    assert!(export::export(&args, &settings(), &mut Vec::new()).is_err());
}
