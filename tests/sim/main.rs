//! Deterministic simulation: the real engine on the virtual plant, with faults, from one seed.
//!
//! One thread, one clock, one seed. The world holds plant, probes, radio, broker, disk, hub and
//! people; `rules` looks at every step whether what must always hold does hold. A failure prints its
//! seed, and one command runs it again:
//!
//! ```text
//! PERMEATED_SIM_SEED=17 cargo test --test sim
//! ```
//!
//! `PERMEATED_SIM_SEEDS=200` runs that many seeds, `PERMEATED_SIM_HOURS=24` makes each longer.
#![allow(missing_docs)]

mod rules;
mod world;

use std::collections::BTreeMap;
use std::time::Instant;
use world::World;

fn number(name: &str, default: u64) -> u64 {
    match std::env::var(name) {
        Ok(text) => {
            text.parse().unwrap_or_else(|_| panic!("{name} must be a number, not '{text}'"))
        }
        Err(_) => default,
    }
}

fn seeds() -> Vec<u64> {
    match std::env::var("PERMEATED_SIM_SEED") {
        Ok(_) => vec![number("PERMEATED_SIM_SEED", 0)],
        Err(_) => (1..=number("PERMEATED_SIM_SEEDS", 6)).collect(),
    }
}

fn hours() -> f64 {
    number("PERMEATED_SIM_HOURS", 3) as f64
}

#[test]
fn whatever_happens_the_rules_hold() {
    let mut trips = 0;
    let mut closes = 0;
    let mut opens = 0;
    let mut crashes = 0;
    let mut days = 0.0;
    let mut by: BTreeMap<String, (u64, u64)> = BTreeMap::new();
    let begun = Instant::now();
    for seed in seeds() {
        let mut world = World::new(seed);
        world.run(hours());
        let broken = world.rules.broken();
        assert!(
            broken.is_empty(),
            "seed {seed}: {} broken; run again with PERMEATED_SIM_SEED={seed}\n{}",
            broken.len(),
            broken.join("\n")
        );
        trips += world.counts.trips;
        closes += world.counts.closes;
        opens += world.counts.opens;
        crashes += world.counts.crashes;
        days += world.counts.days;
        for (cause, (all, without)) in world.counts.trips_by {
            let sum = by.entry(cause).or_default();
            *sum = (sum.0 + all, sum.1 + without);
        }
    }
    let secs = begun.elapsed().as_secs_f64();
    println!("sim: {days:.1} plant-days in {secs:.1} s: {:.2} plant-days a second", days / secs);
    for (cause, (all, without)) in by {
        let year = 365.25 / days;
        println!(
            "sim: {cause}: {all} trips, {:.0} a plant-year; {without} without a reason in the truth, {:.1} a plant-year",
            all as f64 * year,
            without as f64 * year
        );
    }
    println!(
        "sim: {} seeds of {} h: {trips} trips, {closes} closes, {opens} opens, {crashes} crashes, 0 rules broken",
        seeds().len(),
        hours()
    );
    // A simulation in which nothing happens proves nothing.
    if std::env::var("PERMEATED_SIM_SEED").is_err() {
        assert!(trips > 0 && closes > 0 && opens > 0 && crashes > 0);
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes() {
    let seed = seeds()[0];
    let mut first = World::new(seed);
    first.digests = true;
    first.run(2.0);
    let mut second = World::new(seed);
    second.digests = true;
    second.run(2.0);
    assert_eq!(first.digest(), second.digest(), "seed {seed}");
    let mut other = World::new(seed + 1);
    other.digests = true;
    other.run(2.0);
    assert_ne!(first.digest(), other.digest(), "the digest does not look at anything");
}

/// The rules can fail: each seeded mistake of the world around the engine is found.
#[test]
fn rules_see_what_they_are_for() {
    for (mistake, rule) in world::MISTAKES {
        let mut seen = false;
        for seed in 1..=8 {
            let mut world = World::new(seed);
            world.mistake = Some(*mistake);
            world.run(3.0);
            if world.rules.broken().iter().any(|broken| broken.starts_with(rule)) {
                seen = true;
                break;
            }
        }
        assert!(seen, "{mistake:?} was not seen by '{rule}'");
    }
}
