//! The guard's behaviour from outside: the real engine with invented time.
//!
//! `conditions`: what is told, held or tripped, and when it returns. `healthy`: starts of a healthy
//! plant close nothing, and spoiled product does; `PERMEATED_GUARD_STARTS=1000` runs as many starts as
//! the requirement names. `proofs`: what protects is proven, by nature, on schedule and by people.
//! `deadlocks`: every trip can be cleared. `gas`: so can what fresh resin and carbon dioxide bring
//! about. `orders`: pump, diverts, relay re-arming, pauses and the second barrier. `permit`: what the
//! permit says, and when. `scales`: what a probe shows is judged on one scale. `runs`: what is judged
//! in a run and in a test run.
#![allow(missing_docs)]

mod conditions;
mod deadlocks;
mod gas;
mod healthy;
mod orders;
mod permit;
mod plants;
mod proofs;
mod random;
#[allow(dead_code)]
mod rig;
mod runs;
mod scales;
