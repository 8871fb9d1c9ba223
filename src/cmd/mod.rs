//! The commands, one file each.

pub mod check;
pub mod demo;
pub mod explain;
pub mod export;
pub mod replay;
