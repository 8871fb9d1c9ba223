//! Renders `config/reference.md`, `config/schema.json` and `config/default.toml` from the schema
//! and the catalogue.
//!
//! The committed files equal what is rendered here; tests compare them, and rewrite them when
//! `UPDATE_REFERENCE=1` is set. `config/default.toml` is judged a second time by
//! [`sample::problems`], which knows nothing of how it was rendered.

mod page;
pub mod sample;

pub use page::reference_md;
pub use sample::default_toml;

use super::schema::Settings;

/// The JSON schema of a settings file, for editors.
pub fn schema_json() -> String {
    let schema = schemars::schema_for!(Settings);
    // A schema is plain JSON values, and those always print.
    let mut text = serde_json::to_string_pretty(&schema).unwrap_or_default();
    text.push('\n');
    text
}
