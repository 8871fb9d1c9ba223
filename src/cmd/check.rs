//! `permeated check`: offline, every problem at once.
