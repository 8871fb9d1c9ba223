//! The read-only status page.
