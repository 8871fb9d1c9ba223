//! The published and computed check values of `tests/reference` against the engine.
//!
//! Every table's header names its source, method and tolerance. Each test prints which table it
//! used, how many numbers it compared and the worst deviation, so that a pass says how close it was.
//!
//! Not used here, because other parts own what they test: `qartod`, `hampel_median`,
//! `ewma_one_euro`, `debounce`, `totaliser`, `integration_gaps` (cleaning of readings) and
//! `alarm_trace` (alarm delays).

mod creep;
mod csv;
mod lead;
mod membrane;
mod resin;

use csv::{Table, Worst};
