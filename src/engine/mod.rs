//! The engine of one plant: pure, deterministic, without I/O and without a clock.
//!
//! Purpose: one mutation at a time ([`Engine::handle`]), then all outputs are drained
//! ([`Engine::poll_output`]), then the driver waits until [`Engine::poll_timeout`] or the next event.
//!
//! Invariants: the same events at the same times give the same outputs, so *live equals replay*; a
//! late driver gives the same states as a punctual one, because every deadline that is due fires,
//! in order, before the event is applied; missing data clears nothing; a trip never clears itself.
//!
//! Absent on purpose: `await`, threads, clocks, files, environment, randomness, and maps whose order
//! depends on chance.
#![deny(clippy::disallowed_methods, clippy::disallowed_types)]

pub mod catalogue;
pub mod event;
pub mod fit;
pub mod output;
pub mod phase;
pub mod process;
pub mod setup;
pub mod signal;
pub mod time;
pub mod trend;
pub mod value;
