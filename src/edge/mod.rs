//! The edges: everything that touches the outside. Each uses the engine's events and outputs and
//! nothing else of it.

pub mod database;
pub mod history;
pub mod mqtt;
pub mod web;
