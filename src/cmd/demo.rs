//! `permeated demo`: broker, virtual plant and real daemon.
