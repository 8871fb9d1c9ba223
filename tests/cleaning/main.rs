//! The cleaning toolbox against an independent plain implementation, reference tables and real
//! sensor data.
//!
//! Open data stay outside the repository: `PERMEATED_OPEN_DATA` names their folder. Without it the
//! tests that need them say that they skip; everything they show about edges is shown on made-up
//! input too.

mod data;
mod edges;
mod engine_qc;
mod open_data;
mod reference;
mod tables;
