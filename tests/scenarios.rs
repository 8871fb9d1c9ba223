//! The shipped sets of scenarios, and what a wrong file or a missed expectation says.

use permeated::cmd::check::scenarios::{Outcome, from_str, run};
use permeated::engine::catalogue::{ALARMS, AlarmId, Consequence};
use permeated::engine::causes;
use permeated::engine::output::AlarmKey;
use permeated::engine::setup::Setup;
use permeated::settings::Settings;
use permeated::settings::load::load;
use std::path::{Path, PathBuf};

fn config(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("config").join(name)
}

fn settings(name: &str) -> Settings {
    load(&[config(name)], std::iter::empty()).expect("in order").settings
}

fn played(name: &str) -> Outcome {
    let file = config(&format!("{name}.scenarios.toml"));
    run(&file, &settings(&format!("{name}.toml"))).expect("a file in order")
}

#[test]
fn the_example_set_holds() {
    let outcome = played("example");
    assert_eq!(outcome.failed, 0, "{}", outcome.report);
    assert!(outcome.played >= 6);
}

/// Deadlocks: 0. Each trip that this plant's sensors can show stands in a scenario and is gone at
/// its end, without a bypass.
#[test]
fn the_full_set_holds_and_clears_every_trip_without_a_bypass() {
    let outcome = played("full");
    assert_eq!(outcome.failed, 0, "{}", outcome.report);
    let settings = settings("full.toml");
    let (id, plant) = settings.plants.first_key_value().expect("one plant");
    let setup = Setup::resolve(id, plant, settings.daemon.on_stop, 5);
    let rows = causes::rows(&setup);
    // A probe that is contradicted needs days of water first: `tests/upkeep.rs` clears that trip.
    let trips = ALARMS.iter().filter(|row| row.consequence == Consequence::Trip);
    for row in trips.filter(|row| row.id != AlarmId::ProductProbeContradicted) {
        let seen = rows.iter().any(|one| one.alarm == row.id && !one.seen_by.is_empty());
        if seen {
            let key = AlarmKey::plant(row.id);
            assert!(outcome.cleared.contains(&key), "{} is never cleared in the set", row.name);
        }
    }
}

fn problems(text: &str) -> Vec<(u32, String)> {
    let settings = settings("example.toml");
    let problems = from_str("mine.toml", text, &settings).expect_err("wrong");
    problems.0.iter().map(|one| (one.line.expect("a line"), one.to_string())).collect()
}

#[test]
fn a_wrong_file_tells_every_problem_with_its_line() {
    let found = problems(
        "[[scenario]]\nname = \"a\"\ngiven = { produkt = 0, permeate = \"many\" }\n\
         [[scenario.step]]\nat = \"soon\"\n[[scenario.step]]\nat = \"2min\"\nopend = \"valve\"\n\
         expect = { alarms = [\"leek\"], sent = [\"valve shut\"] }\n\
         [[scenario.step]]\nat = \"1min\"\ncommand = { ask = \"rest\" }\n",
    );
    let lines: Vec<u32> = found.iter().map(|(line, _)| *line).collect();
    assert_eq!(lines, [3, 3, 5, 8, 9, 9, 10, 12], "{found:#?}");
    let all: String = found.iter().map(|(_, text)| text.as_str()).collect();
    for hint in ["did you mean `product`?", "did you mean `opened`?", "did you mean `leak`?"] {
        assert!(all.contains(hint), "no {hint} in {all}");
    }
}

#[test]
fn a_scenario_that_cannot_fail_and_two_of_one_name_are_refused() {
    let found = problems("[[scenario]]\nname = \"a\"\n[[scenario.step]]\nat = 0\n");
    assert!(found[0].1.contains("cannot fail"), "{found:?}");
    let one = "[[scenario]]\nname = \"a\"\n[[scenario.step]]\nat = 0\nexpect = { alarms = [] }\n";
    let found = problems(&format!("{one}{one}"));
    assert_eq!(found[0].0, 6, "{found:?}");
    assert!(problems("plant = \"attic\"\n")[0].1.contains("no plant 'attic'"));
    assert!(problems("x = [\n")[0].1.contains("not TOML"));
}

#[test]
fn a_missed_expectation_says_where_what_was_expected_and_what_came() {
    let text = "given = { permeate = 8, product = 0 }\n[[scenario]]\nname = \"too quick\"\n\
                [[scenario.step]]\nat = \"30s\"\nopened = \"valve\"\n\
                [[scenario.step]]\nat = \"10min\"\nreadings = { product = 40 }\n\
                [[scenario.step]]\nat = \"10min 30s\"\n\
                expect = { permitted = true, alarms = [], sent = [\"valve close\"] }\n";
    let settings = settings("example.toml");
    let outcome = from_str("mine.toml", text, &settings).expect("in order");
    assert_eq!((outcome.played, outcome.failed), (1, 1));
    for line in [
        "FAILED mine.toml:10: \"too quick\", at 10min 30s",
        "permitted: expected true, came false",
        "alarms: expected none, came product-tds-high",
        "sent: expected valve close, came valve close, valve close",
        "10min 10s: alarm: product-tds-high: The water after the last vessel reads 40 ppm",
    ] {
        assert!(outcome.report.contains(line), "no '{line}' in\n{}", outcome.report);
    }
    // The same once more gives the same words.
    let again = from_str("mine.toml", text, &settings).expect("in order");
    assert_eq!(again.report, outcome.report);
}
