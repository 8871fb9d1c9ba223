//! Measurements on the real daemon, printed as tables. Short by default; with `PERMEATED_MEASURE=1`
//! each has its full number of trials:
//! `PERMEATED_MEASURE=1 cargo test --test measure -- --nocapture --test-threads 1`.

#[path = "../support/mod.rs"]
mod support;

mod bound;
mod deaths;
#[path = "../e2e/site.rs"]
mod site;
