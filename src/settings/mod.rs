//! Settings: what the user declares, strictly checked, then merged.
//!
//! `schema` is the typed tree, whose doc comments are the user's documentation; `load` reads files
//! and the environment; `validate` holds the rules that cross fields and reports every problem at
//! once. The engine reads the plain structs of `schema` and nothing else of this module.
//!
//! Invariants: settings that `load` hands out have passed every rule; a problem names its file,
//! line and key path, what is wrong and what to do; no value is ever coerced in silence.
//! Absent on purpose: defaults that open a valve, a way to retain an `open`, secrets in the tree.

mod env;
mod layer;
pub mod load;
pub mod model;
pub mod problem;
pub mod reference;
pub mod schema;
pub mod secrets;
pub mod validate;

pub use problem::{Problem, Problems, Severity};
pub use schema::{Plant, Settings};
