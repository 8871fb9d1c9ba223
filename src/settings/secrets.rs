//! Secrets from files; never shown.
