//! The journal: one store, one order; also the outbox of every replica.
//!
//! Purpose: every input, every stored output and every mark of all plants is a [`Record`] with one
//! sequence number in `journal.sqlite` in the state folder. A restart, a replica, an export and a
//! plot all read the same prefix of it.
//!
//! Invariants: [`Journal::append`] never waits for the disk; what it took is written within 2 s and
//! then survives the death of the process; everything is synced at least once a minute, and at once
//! for [`Journal::persist`]; what reads back is a prefix of what was appended, without holes, unless
//! a [`RunMark::Dropped`] says otherwise; nothing here changes a value or a stamp; a fault of the
//! disk is told and tried again, it never panics and never blocks.
//!
//! Absent on purpose: retention (nothing is deleted yet), rollups (they will derive from a prefix
//! and name its number), a second store for outages (a replica's mark is a row here).

mod journal;
mod queue;
mod reader;
mod record;
mod restore;
mod row;
mod store;
mod writer;

pub use journal::{Health, Journal, JournalError};
pub use queue::{Dropped, KEPT_MAX, TREND_MAX};
pub use reader::{Point, Reader};
pub use record::{Body, Keep, Names, PlantNo, Record, RunMark};
pub use restore::{Inputs, OpenError, Opened, Restore};
pub use row::RowError;
pub use store::{FILE, Snapshot};
