//! A row of the journal: the records of one flush, or of many folded into one.
//!
//! Invariants: the crc covers the numbers and the body as they are stored, so a changed bit is seen
//! before anything is decoded; an encoding is never renumbered, an old one stays readable.

use super::record::{LineError, Record, decode, encode};
use crate::engine::time::Wall;
use std::io::{Read, Write};

/// How a body is stored. Append-only.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    /// JSON lines, as [`super::record`] writes them.
    Lines = 0,
    /// The same, deflated (RFC 1951).
    Deflated = 1,
}

impl Encoding {
    fn from_number(number: i64) -> Option<Self> {
        match number {
            0 => Some(Self::Lines),
            1 => Some(Self::Deflated),
            _ => None,
        }
    }
}

/// Most that one row may hold when it is unpacked: what a reader is willing to hold in memory.
pub(super) const UNPACKED_MAX: u64 = 8 * 1024 * 1024;

/// One row.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Row {
    pub(super) first_seq: u64,
    pub(super) last_seq: u64,
    /// Smallest and largest wall clock in it; `None` while the clock was not sane.
    pub(super) wall: Option<(Wall, Wall)>,
    pub(super) count: u64,
    pub(super) encoding: i64,
    pub(super) crc: u32,
    pub(super) body: Vec<u8>,
}

/// Why a row cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum RowError {
    /// It is not what was written.
    #[error("records {first} to {last}: the check sum does not fit")]
    Crc {
        /// First record.
        first: u64,
        /// Last record.
        last: u64,
    },
    /// Its encoding is newer than this program.
    #[error("records {first} on: encoding {encoding} is not known to this version")]
    Encoding {
        /// First record.
        first: u64,
        /// The encoding.
        encoding: i64,
    },
    /// It does not unpack.
    #[error("records {first} on: {source}")]
    Unpack {
        /// First record.
        first: u64,
        /// Why.
        source: std::io::Error,
    },
    /// A line of it is not a record.
    #[error("records {first} on: {source}")]
    Line {
        /// First record.
        first: u64,
        /// Why.
        source: LineError,
    },
}

impl Row {
    /// Packs records, of which there must be at least one.
    pub(super) fn pack(
        records: &[Record],
        encoding: Encoding,
    ) -> Result<Self, Box<dyn std::error::Error + Send + Sync>> {
        let (first, last) = match records {
            [first, .., last] => (first, last),
            [only] => (only, only),
            [] => return Err("a row holds at least one record".into()),
        };
        let lines = encode(records)?;
        let body = match encoding {
            Encoding::Lines => lines,
            Encoding::Deflated => {
                let mut packer =
                    flate2::write::DeflateEncoder::new(Vec::new(), flate2::Compression::new(6));
                packer.write_all(&lines)?;
                packer.finish()?
            }
        };
        let walls = records.iter().filter_map(|record| record.now.wall);
        let wall = walls.clone().min().zip(walls.max());
        let mut row = Self {
            first_seq: first.seq,
            last_seq: last.seq,
            wall,
            count: records.len() as u64,
            encoding: encoding as i64,
            crc: 0,
            body,
        };
        row.crc = row.sum();
        Ok(row)
    }

    /// A row without records, for a trial.
    pub(super) fn empty(seq: u64) -> Self {
        Self {
            first_seq: seq,
            last_seq: seq,
            wall: None,
            count: 0,
            encoding: Encoding::Lines as i64,
            crc: 0,
            body: Vec::new(),
        }
    }

    fn sum(&self) -> u32 {
        let mut crc = flate2::Crc::new();
        crc.update(&self.first_seq.to_le_bytes());
        crc.update(&self.last_seq.to_le_bytes());
        crc.update(&self.count.to_le_bytes());
        crc.update(&self.encoding.to_le_bytes());
        crc.update(&self.body);
        crc.sum()
    }

    /// Whether it is what was written.
    pub(super) fn is_whole(&self) -> bool {
        self.crc == self.sum()
    }

    /// The records in it.
    ///
    /// # Errors
    /// [`RowError`].
    pub(super) fn unpack(&self) -> Result<Vec<Record>, RowError> {
        let first = self.first_seq;
        if !self.is_whole() {
            return Err(RowError::Crc { first, last: self.last_seq });
        }
        let lines = match Encoding::from_number(self.encoding) {
            Some(Encoding::Lines) => decode(&self.body),
            Some(Encoding::Deflated) => {
                let mut lines = Vec::new();
                flate2::read::DeflateDecoder::new(self.body.as_slice())
                    .take(UNPACKED_MAX)
                    .read_to_end(&mut lines)
                    .map_err(|source| RowError::Unpack { first, source })?;
                decode(&lines)
            }
            None => return Err(RowError::Encoding { first, encoding: self.encoding }),
        };
        lines.map_err(|source| RowError::Line { first, source })
    }
}
