//! The bus.
