//! What is judged in a run, and what a test run shows.

use super::plants::{FULL, producing, readings};
use super::rig::Rig;
use permeated::engine::catalogue::AlarmId;
use permeated::engine::event::Ask;
use permeated::engine::output::Action;
use permeated::engine::time::Span;

const TEST_RUN: Ask = Ask::TestRun { outlet_to_drain: true };

/// Spoiled water has closed it, and nothing runs.
fn spoiled() -> Rig {
    let mut rig = producing(FULL);
    rig.run(60.0, &readings(31.0, 45.0, 0.15, 1.0));
    rig.run(60.0, &readings(31.0, 45.0, 0.0, 0.0));
    assert!(rig.stands(AlarmId::ProductTdsHigh));
    rig
}

/// The same after a test run has shown pure water.
fn passed() -> Rig {
    let mut rig = spoiled();
    rig.ask(TEST_RUN);
    rig.run(900.0, &readings(31.0, 0.0, 0.15, 1.0));
    rig.run(60.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert_eq!(rig.said("The test run passed"), 1);
    rig
}

/// A float valve shuts, and flow that stops for less than half a minute ends no run.
#[test]
fn water_that_stands_in_a_run_is_not_judged() {
    let mut rig = producing(FULL);
    rig.run(25.0, &readings(31.0, 45.0, 0.0, 1.0));
    assert!(rig.engine.guard().is_flowing(), "the run is not over");
    assert!(!rig.stands(AlarmId::ProductTdsHigh));
    rig.run(60.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_passed_test_run_counts_whatever_else_trips() {
    let mut rig = passed();
    rig.read("floor", 1.0);
    rig.read("floor", 0.0);
    let answer = rig.reset(AlarmId::ProductTdsHigh);
    assert!(answer.contains("is reset"), "a leak says nothing about the product: {answer}");
}

#[test]
fn a_test_run_passes_only_by_water_that_flowed_long_enough_and_was_read() {
    let mut rig = spoiled();
    rig.ask(TEST_RUN);
    assert_eq!(rig.said("Test run: at most 5 L or 60 min to the drain."), 1);
    // Standing water that reads zero shows nothing.
    rig.run(600.0, &readings(31.0, 0.0, 0.0, 1.0));
    assert_eq!(rig.said("The test run passed"), 0);
    assert!(rig.engine.guard().is_test_run());
    rig.run(20.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert_eq!(rig.said("The test run passed"), 0, "too few readings");
    rig.run(900.0, &readings(31.0, 0.0, 0.15, 1.0));
    assert_eq!(rig.said("The test run passed"), 1);
    assert!(!rig.engine.guard().is_test_run());
    assert_eq!(rig.sent.last().map(|(.., what)| *what), Some(Action::Close), "then it closes");
}

#[test]
fn a_test_run_ends_by_its_time_or_by_its_litres() {
    let mut rig = spoiled();
    rig.ask(TEST_RUN);
    let until = rig.now + Span::from_secs(3600);
    let slow = readings(31.0, 8.0, 0.03, 1.0);
    while rig.now + Span::from_secs(6) < until {
        rig.run(5.0, &slow);
    }
    rig.until(until + Span::from_millis(-1));
    assert!(rig.engine.guard().is_test_run());
    rig.until(until);
    assert_eq!(rig.said("The test run ended by its time"), 1);
    assert!(!rig.engine.guard().is_test_run());

    let mut rig = spoiled();
    rig.ask(TEST_RUN);
    let begun = rig.now;
    while rig.engine.guard().is_test_run() {
        rig.run(5.0, &readings(31.0, 8.0, 1.0, 1.0));
        assert!(rig.now.since(begun).secs() < 400.0, "five litres at one a minute");
    }
    assert!(rig.now.since(begun).secs() > 290.0);
    assert_eq!(rig.said("The test run ended by its litres"), 1);
    assert!(rig.reset(AlarmId::ProductTdsHigh).starts_with("Refused"));
}

/// Hot water is seen in flowing water alone, so a test run may show that it is cool again; while it is
/// hot, nothing runs.
#[test]
fn a_test_run_may_run_after_hot_water_and_not_with_it() {
    let water = |celsius: f64, flow: f64, open: f64| {
        let mut all = readings(31.0, 0.0, flow, open);
        all[3].1 = celsius;
        all
    };
    let mut rig = producing(FULL);
    rig.run(60.0, &water(45.0, 0.15, 1.0));
    rig.run(60.0, &water(20.0, 0.0, 0.0));
    assert_eq!(rig.missing(), ["feed-temperature-high-high", "minimum-off-time"]);
    rig.ask(TEST_RUN);
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.run(20.0, &water(20.0, 0.15, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    let closes = rig.told("valve", Action::Close);
    rig.run(25.0, &water(45.0, 0.15, 1.0));
    assert_eq!(rig.missing()[0], "feed-temperature-high-high");
    assert!(rig.told("valve", Action::Close) > closes);
}

/// What a passed test run has shown is over when the product is bad again before the reset.
#[test]
fn a_passed_test_run_counts_no_more_when_the_water_is_bad_again() {
    // Somebody opens the valve by hand before the reset, and 45 ppm flow for ten minutes.
    let mut rig = passed();
    rig.run(600.0, &readings(31.0, 45.0, 0.15, 1.0));
    let answer = rig.reset(AlarmId::ProductTdsHigh);
    assert!(answer.starts_with("Refused"), "{answer}");
    assert_eq!(rig.said("does not count any more"), 1, "said once");
}

#[test]
fn a_second_test_run_that_shows_bad_water_takes_the_first_back() {
    let mut rig = passed();
    assert!(!rig.ask(TEST_RUN).starts_with("Refused"));
    rig.run(2400.0, &readings(31.0, 45.0, 0.15, 1.0));
    assert!(!rig.engine.guard().is_test_run());
    rig.run(60.0, &readings(31.0, 45.0, 0.0, 0.0));
    let answer = rig.reset(AlarmId::ProductTdsHigh);
    assert!(answer.starts_with("Refused"), "{answer}");
}

/// A test run asks anew.
#[test]
fn a_second_test_run_that_shows_nothing_leaves_nothing_shown() {
    let mut rig = passed();
    assert!(!rig.ask(TEST_RUN).starts_with("Refused"));
    rig.ask(Ask::TestRunEnd);
    let answer = rig.reset(AlarmId::ProductTdsHigh);
    assert!(answer.starts_with("Refused"), "{answer}");
}
