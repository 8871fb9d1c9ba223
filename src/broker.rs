//! The small broker: its own process, so that it outlives the daemon and can publish the will.
