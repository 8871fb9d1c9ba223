//! What several test binaries share: real brokers, an independent client, a proxy with faults, and
//! waiting with a deadline.

#![allow(dead_code)]

pub mod broker;
pub mod client;
pub mod fake_broker;
pub mod namespace;
pub mod port;
pub mod proxy;
pub mod wait;
