//! Process calculations, each with the source of its formula.
//!
//! Purpose: what the plant's water does, as pure functions and small accounts. Invariants: a formula
//! outside its range gives `None` or a reason, never a number; concentrations are on the plant's
//! declared scale unless a name says mg/L; derived values carry uncertainty through
//! [`crate::engine::value::derive`] and nothing else.
//!
//! Absent on purpose: where readings come from, when values are published, and every decision to
//! close or open something.

pub mod breakthrough;
pub mod capacity;
pub mod carbon_dioxide;
pub mod chart;
pub mod conductivity;
pub mod creep;
pub mod gas_load;
pub mod hammer;
pub mod ions;
pub mod learned;
pub mod membrane;
pub mod normalise;
pub mod prefilter;
pub mod resin;
pub mod salt;
pub mod shift;
pub mod start;
pub mod storage;
pub mod trend;
pub mod water;
