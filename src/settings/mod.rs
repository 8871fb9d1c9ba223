//! Settings: what the user declares, strictly checked, then merged.
//!
//! `schema` is the typed tree, whose doc comments are the user's documentation; `load` reads files
//! and the environment; `validate` holds the rules that cross fields and reports every problem at
//! once. The engine reads the plain structs of `schema` and nothing else of this module.

pub mod load;
pub mod reference;
pub mod schema;
pub mod secrets;
pub mod validate;

pub use schema::{Plant, Settings};
