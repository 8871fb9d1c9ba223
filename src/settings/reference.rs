//! Renders `config/reference.md`, `config/schema.json` and `config/default.toml` from the schema.
