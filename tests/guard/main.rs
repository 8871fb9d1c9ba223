//! The guard's behaviour from outside: the real engine with invented time.
//!
//! `healthy`: starts of a healthy plant close nothing, and spoiled product does;
//! `PERMEATED_GUARD_STARTS=1000` runs as many starts as the requirement names.
#![allow(missing_docs)]

mod healthy;
mod random;
#[allow(dead_code)]
mod rig;
