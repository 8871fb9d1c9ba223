//! `permeated replay`: a recorded day through the very same engine.
