//! `explain` on real journals: a trip, its past and its end, nothing wrong, nothing there, damage.

use permeated::cmd::explain::{Args, ExplainError, explain};
use permeated::edge::history::{Body, FILE, Journal, Keep, Names, PlantNo};
use permeated::engine::Engine;
use permeated::engine::event::{Ask, Command, Event, Reading, beginning};
use permeated::engine::output::{Action, Output};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Wall};
use permeated::settings::schema::Settings;
use std::path::Path;
use std::sync::Arc;

/// 2026-05-28T20:26:40Z, which is 21:26:40 in Lisbon.
const EPOCH: i64 = 1_780_000_000_000;

fn settings(dir: &Path) -> Settings {
    let text = include_str!("../config/example.toml");
    let mut settings = permeated::settings::load::from_str("example.toml", text).expect("good");
    settings.daemon.zone = "Europe/Lisbon".into();
    settings.daemon.state_dir = dir.to_owned();
    settings
}

/// The engine beside a journal, as the daemon has them.
struct Live {
    engine: Engine,
    journal: Journal,
    plant: PlantNo,
    keep: Keep,
    at: i64,
}

impl Live {
    fn start(dir: &Path) -> Self {
        let settings = settings(dir);
        let (id, plant) = settings.plants.first_key_value().expect("one plant");
        let setup = Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, 5));
        let mut opened = Journal::open(dir, &[Names::of(&setup)]).expect("opens");
        let plant = opened.plants.remove(0).plant;
        let actuators = setup.actuators.len();
        let engine = Engine::new(setup);
        let mut live = Self { engine, journal: opened.journal, plant, keep: Keep::new(), at: 0 };
        for event in beginning(actuators) {
            live.event(event);
        }
        live
    }

    fn event(&mut self, event: Event) {
        let now = Now::new(Mono::from_millis(self.at), Wall::from_millis(EPOCH + self.at));
        self.journal.append(self.plant, now, Body::Event(event.clone()));
        self.engine.handle(now, event);
        let mut answers = Vec::new();
        while let Some(output) = self.engine.poll_output() {
            match &output {
                Output::Persist { token } => answers.push(Event::Persisted { token: *token }),
                Output::Send(send) if send.action == Action::Close => {
                    answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                }
                _ => {}
            }
            if self.keep.wants(&output) {
                self.journal.append(self.plant, now, Body::Output(output));
            }
        }
        for answer in answers {
            self.event(answer);
        }
    }

    /// Both probes every 5 s, for so many readings.
    fn water(&mut self, readings: i64, product: f64) {
        for _ in 0..readings {
            self.at += 5_000;
            for (sensor, value) in [(0, 8.0), (1, product)] {
                let arrived = Some(Wall::from_millis(EPOCH + self.at));
                let reading = Reading { sensor, value, retained: false, arrived, stamp: None };
                self.event(Event::Reading(reading));
            }
        }
    }

    fn ask(&mut self, what: Ask) {
        self.event(Event::Command(Command { id: String::new(), at: None, what }));
    }

    /// Healthy for ten minutes, then 30 ppm for one.
    fn spoiled(dir: &Path) -> Self {
        let mut live = Self::start(dir);
        live.water(4, 0.0);
        live.event(Event::SeenOnTopic { actuator: 0, open: true });
        live.water(120, 0.0);
        live.water(12, 30.0);
        live
    }
}

fn told(dir: &Path, args: &Args, at: i64) -> String {
    explain(args, &settings(dir), Some(Wall::from_millis(EPOCH + at))).expect("explains")
}

fn has(text: &str, wanted: &[&str]) {
    let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for one in wanted {
        assert!(flat.contains(one), "no '{one}' in\n{text}");
    }
    assert!(text.lines().count() <= 48, "more than one screen:\n{text}");
    assert!(text.lines().all(|line| line.chars().count() <= 110), "too wide:\n{text}");
}

#[test]
fn a_closed_valve_is_explained_with_chain_numbers_readings_and_what_clears_it() {
    let dir = tempfile::tempdir().expect("folder");
    let live = Live::spoiled(dir.path());
    let at = live.at;
    live.journal.close().expect("closes");
    let text = told(dir.path(), &Args::default(), at + 9_000);
    has(
        &text,
        &[
            "Cellar, from the history; last record 21:38:00 (9 s ago)",
            "Times: Europe/Lisbon",
            "WATER MAY NOT RUN since 21:37:15",
            "product-tds-high (trip",
            "reads 30 ppm (product): gross failure, limit 20 ppm.",
            "Clears: A test run to the drain (at most 5 L) that ends with 1.0 L below 1.0 ppm, and a reset.",
            "First: Check the product with a handheld",
            "21:37:15 valve is told to close.",
            "product, ppm: ",
            "21:37:00 0 | 21:37:05 30",
        ],
    );
}

#[test]
fn a_past_moment_is_told_as_it_was_then() {
    let dir = tempfile::tempdir().expect("folder");
    let live = Live::spoiled(dir.path());
    let at = live.at;
    live.journal.close().expect("closes");
    let args = Args { at: Some("2026-05-28 21:30".into()), ..Args::default() };
    let text = told(dir.path(), &args, at);
    has(&text, &["as it was on 28 May 2026 21:30:00", "Water may run since", "Nothing is wrong."]);
    // The same instant in another zone's words.
    let args = Args { at: Some("2026-05-28T20:30:00Z".into()), ..Args::default() };
    assert_eq!(told(dir.path(), &args, at), text);
    let args = Args { at: Some("2026-05-01 00:00".into()), ..Args::default() };
    has(&told(dir.path(), &args, at), &["holds nothing about this plant up to that moment"]);
    let args = Args { at: Some("yesterday".into()), ..Args::default() };
    let error = explain(&args, &settings(dir.path()), None).expect_err("no time");
    assert!(error.to_string().contains("2026-11-25 14:30"), "{error}");
}

#[test]
fn an_alarm_that_is_gone_is_found_and_one_that_never_came_is_said_so() {
    let dir = tempfile::tempdir().expect("folder");
    let mut live = Live::spoiled(dir.path());
    live.ask(Ask::TestRun { outlet_to_drain: true });
    live.water(400, 0.0);
    let reset = Ask::Reset { cause: "product-tds-high".into(), reason: "new resin".into() };
    live.ask(reset);
    live.ask(Ask::Acknowledge { alarm: "all".into() });
    live.water(4, 0.0);
    let at = live.at;
    live.journal.close().expect("closes");
    let of = |name: &str| Args { alarm: Some(name.into()), ..Args::default() };
    has(
        &told(dir.path(), &of("product-tds-high"), at),
        &["product-tds-high does not stand", "The last time that it did", "21:37:05 30"],
    );
    has(&told(dir.path(), &of("leak"), at), &["leak has never stood in this history"]);
    let error = explain(&of("leek"), &settings(dir.path()), None).expect_err("no alarm");
    assert!(matches!(error, ExplainError::Question(_)), "{error}");
    has(&told(dir.path(), &Args::default(), at), &["Last of note, 22:11:20: Reset of"]);
}

#[test]
fn it_reads_beside_a_running_daemon_and_says_when_none_has_written_for_long() {
    let dir = tempfile::tempdir().expect("folder");
    let live = Live::spoiled(dir.path());
    let (sender, receiver) = std::sync::mpsc::channel();
    live.journal.persist(move |result| sender.send(result.is_ok()).expect("the test waits"));
    assert_eq!(receiver.recv_timeout(std::time::Duration::from_secs(30)), Ok(true));
    let text = told(dir.path(), &Args::default(), live.at + 3_600_000);
    has(&text, &["NO DAEMON HAS WRITTEN SINCE", "WATER MAY NOT RUN"]);
}

#[test]
fn no_history_an_empty_one_and_a_damaged_one_are_told() {
    let dir = tempfile::tempdir().expect("folder");
    let error = explain(&Args::default(), &settings(dir.path()), None).expect_err("none");
    assert!(matches!(error, ExplainError::None(_)), "{error}");

    let names = Names { plant: "home".into(), ..Names::default() };
    Journal::open(dir.path(), &[names]).expect("opens").journal.close().expect("closes");
    let text = explain(&Args::default(), &settings(dir.path()), None).expect("explains");
    has(&text, &["The history holds nothing about this plant yet"]);

    std::fs::write(dir.path().join(FILE), b"this is no database, and longer than a page header")
        .expect("writes");
    let error = explain(&Args::default(), &settings(dir.path()), None).expect_err("damaged");
    assert!(error.to_string().contains("cannot be read"), "{error}");
}
