//! The virtual plant and the demonstration.
//!
//! Purpose: something that behaves like a home plant, whose truth is known, and that shares nothing
//! with what it is meant to test. Invariants: nothing here uses `engine` or `units`, so a mistake
//! there cannot hide behind the same mistake here; the plant is a pure function of its parameters,
//! its seed and what is done to it; the truth is written before any probe error. Formulas repeat
//! the project's reference sheet, section numbers in brackets ("EQ 4.2").
//!
//! Absent on purpose: hydraulic hammer, biofilm, silica (it does not conduct and nobody here
//! measures it), plug-flow delays in tubes, a chromatographic overshoot of weak acids.

pub mod bus;
pub mod faults;
pub mod membrane;
pub mod parameters;
pub mod plant;
pub mod probes;
pub mod publisher;
pub mod random;
pub mod relay;
pub mod store;
pub mod tap;
pub mod truth;
pub mod vessel;
pub mod water;
