//! The guard's behaviour from outside: the real engine with invented time.
//!
//! `healthy`: starts of a healthy plant close nothing, and spoiled product does;
//! `PERMEATED_GUARD_STARTS=1000` runs as many starts as the requirement names. `proofs`: what
//! protects is proven, by nature, on schedule and by people. `deadlocks`: every trip can be cleared. `gas`: so can what
//! fresh resin and carbon dioxide bring about. `orders`: pump,
//! diverts, relay re-arming, pauses and the second barrier.
#![allow(missing_docs)]

mod deadlocks;
mod gas;
mod healthy;
mod orders;
mod plants;
mod proofs;
mod random;
#[allow(dead_code)]
mod rig;
