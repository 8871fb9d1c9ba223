//! Measurements on the real daemon, printed as tables. Short by default; with `PERMEATED_MEASURE=1`
//! each has its full number of trials, with `PERMEATED_TRIALS=n` this many:
//! `PERMEATED_MEASURE=1 cargo test --release --test measure -- --nocapture --test-threads 1`.

// The database server's file stands alone in other test binaries and brings its own way to wait.
#![allow(clippy::duplicate_mod)]

#[path = "../support/mod.rs"]
mod support;

mod bound;
mod deaths;
mod idle;
mod kills;
mod nonsense;
mod published;
#[path = "../e2e/site.rs"]
mod site;
#[path = "../support/victoria.rs"]
mod victoria;

/// How often, or how many seconds: `PERMEATED_TRIALS`, else the long number for a measurement and
/// the short one for a test run.
fn trials(short: u64, long: u64) -> u64 {
    let is_long = std::env::var("PERMEATED_MEASURE").is_ok_and(|value| value == "1");
    let wanted = std::env::var("PERMEATED_TRIALS").ok().and_then(|value| value.parse().ok());
    let trials = wanted.unwrap_or(if is_long { long } else { short });
    assert!(trials > 0, "PERMEATED_TRIALS must be at least 1");
    trials
}
