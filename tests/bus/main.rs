//! The bus against real brokers: mosquitto, and `permeated broker` in its own process.

#[path = "../support/mod.rs"]
mod support;

mod brokers;
mod child;
mod commands;
mod discovery;
mod guard;
mod harness;
mod intake;
mod main_connection;
mod secure;
