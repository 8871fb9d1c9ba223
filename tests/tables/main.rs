//! The published and computed check values of `tests/reference` against the engine.
//!
//! Every table's header names its source, method and tolerance. Each test prints which table it
//! used, how many numbers it compared and the worst deviation, so that a pass says how close it was.
//!
//! Not used here, because other parts own what they test: `qartod`, `hampel_median`,
//! `ewma_one_euro`, `debounce`, `totaliser`, `integration_gaps` (cleaning of readings) and
//! `alarm_trace` (alarm delays).
//!
//! Not used at all: `osmotic_pressure_seawater`, because no membrane here ever meets seawater; the
//! column `f25_formula` (constants from memory; the engine interpolates the standard's table),
//! `salt6` (the salt's temperature factor is taken equal to the water's), `norm_linear_kpa` and
//! `norm_quadratic_kpa` (what one-term scaling would give, for comparison), `clark_n2` and `clark_n3`
//! (see `charts`), and `kappa25_onsager` (the limiting law that Shedlovsky's form extends).

mod charts;
mod conductivity;
mod creep;
mod csv;
mod lead;
mod membrane;
mod plant;
mod resin;
mod simulated;
mod trend;

use csv::{Table, Worst};
