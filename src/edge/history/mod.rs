//! The journal: one store, one order; also the outbox of every replica.
