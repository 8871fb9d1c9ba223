//! `permeated export`: data out.
