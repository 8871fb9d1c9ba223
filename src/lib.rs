//! permeated: the part between a home's water-treatment sensors and its hub.
//!
//! One package: everything is in this library, the binary is thin. Dependencies point one way:
//! `engine` uses only `units` and the plain structs of `settings::schema`; edges use the engine's
//! events and outputs; only `app` knows both.

pub mod app;
pub mod board;
pub mod broker;
pub mod calendar;
pub mod cli;
pub mod clock;
pub mod cmd;
pub mod demo;
pub mod edge;
pub mod engine;
pub mod intake;
pub mod settings;
pub mod units;
