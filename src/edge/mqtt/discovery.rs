//! Home Assistant device discovery.
