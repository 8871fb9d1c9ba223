//! Opening the journal: what is there, what of it is good, and what a restart gets.
//!
//! Invariants: one daemon at a time, by a lock that dies with its holder; a file that cannot be
//! read is renamed and never deleted; a plant whose state existed and cannot be followed to its end
//! is [`Found::Lost`], and stays so until its engine has recorded that it was told; a last row that
//! is torn is cut only if nobody had been promised that it would last.

use super::journal::{Journal, JournalError};
use super::queue::Dropped;
use super::reader::Reader;
use super::record::{Body, Names, PlantNo, Record, RunMark};
use super::row::Row;
use super::store::{self, FILE, FORMAT, Snapshot, Store};
use crate::engine::event::Found;
use crate::engine::time::{Mono, Now};
use rusqlite::{ErrorCode, params};
use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::{Read, Seek, Write};
use std::path::{Path, PathBuf};

/// Why the journal could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Another daemon has it.
    #[error(
        "another daemon{} uses the state folder {}; stop it first, or give this one a folder of its own",
        holder.as_deref().map(|pid| format!(" (process {pid})")).unwrap_or_default(), dir.display()
    )]
    Locked {
        /// The folder.
        dir: PathBuf,
        /// Its process id, as it wrote it down.
        holder: Option<String>,
    },
    /// The folder cannot be made, written or locked.
    #[error("state folder {}: {source}", dir.display())]
    Folder {
        /// The folder.
        dir: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// Written by a newer version of the program.
    #[error("{} has format {format}, this version knows {FORMAT}: use the newer version", file.display())]
    Newer {
        /// The file.
        file: PathBuf,
        /// Its format.
        format: i64,
    },
    /// The disk does not give it; trying again may help.
    #[error("{}: {source}", file.display())]
    Store {
        /// The file.
        file: PathBuf,
        /// Why.
        source: rusqlite::Error,
    },
}

impl OpenError {
    /// Whether trying again later may help, without anybody doing anything.
    pub fn is_retryable(&self) -> bool {
        matches!(self, Self::Store { .. } | Self::Locked { .. })
    }
}

/// The journal and what each plant restarts from.
#[derive(Debug)]
pub struct Opened {
    /// For writing.
    pub journal: Journal,
    /// One for each plant, in the order in which they were given.
    pub plants: Vec<Restore>,
    /// Where an unreadable file was kept, if there was one.
    pub kept_aside: Option<PathBuf>,
}

/// What one plant restarts from.
#[derive(Debug)]
pub struct Restore {
    /// Its number, for [`Journal::append`].
    pub plant: PlantNo,
    /// How its state was found. When it is [`Found::Lost`], snapshots and records may still hold a
    /// part of it: better accounts than none, but never a reason to run.
    pub found: Found,
    /// Good snapshots, newest first. Try the next one when the engine cannot load the first.
    pub snapshots: Vec<Snapshot>,
    /// Time of its last record: the plant's own time goes on from there.
    pub last: Option<Now>,
    /// The last run ended with [`Journal::close`].
    pub clean: bool,
    /// The names under which its last records were written, when they are other than now. A
    /// snapshot that holds indices must be translated.
    pub renamed: Option<Names>,
    /// Records dropped, while nothing could be written, after the newest snapshot.
    pub dropped: Dropped,
    /// What was wrong, in words for the log. Also set for a torn end that was cut.
    pub trouble: Option<String>,
    dir: PathBuf,
    names: Names,
    until: u64,
}

impl Restore {
    /// The newest good snapshot.
    pub fn snapshot(&self) -> Option<&Snapshot> {
        self.snapshots.first()
    }

    /// This plant's inputs (events and marks) after record `after`, to the end of the last run, in
    /// order, read piece by piece. Use 0 to begin at the beginning. Indices are those of now;
    /// readings of sensors that are gone are left out. An error means that the state cannot be
    /// followed to its end: treat it as lost.
    pub fn inputs(&self, after: u64) -> Inputs {
        Inputs {
            reader: None,
            dir: self.dir.clone(),
            plant: self.plant,
            names: self.names.clone(),
            next: after + 1,
            until: self.until,
            ready: Vec::new().into_iter(),
        }
    }
}

/// The inputs of one plant, in order.
#[derive(Debug)]
pub struct Inputs {
    reader: Option<Reader>,
    dir: PathBuf,
    plant: PlantNo,
    names: Names,
    next: u64,
    until: u64,
    ready: std::vec::IntoIter<Record>,
}

impl Inputs {
    fn fill(&mut self) -> Result<bool, JournalError> {
        if self.next > self.until {
            return Ok(false);
        }
        let mut reader = match self.reader.take() {
            Some(reader) => reader,
            None => Reader::open(&self.dir)?,
        };
        if reader.is_damaged_between(self.next, self.until)? {
            return Err(JournalError::Missing { from: self.next, to: self.until });
        }
        let records = reader.strictly(self.next)?;
        let Some(last) = records.last() else {
            self.next = self.until + 1;
            return Ok(false);
        };
        self.next = last.seq + 1;
        let mut ready = Vec::new();
        for mut record in records {
            if record.plant != self.plant || !record.body.is_input() || record.seq > self.until {
                continue;
            }
            match record.body {
                Body::Unknown { .. } => return Err(JournalError::Newer(record.seq)),
                Body::Event(event) => {
                    let then = reader.names_at(self.plant, record.seq)?;
                    let event = match then {
                        Some(then) => then.translate(event, &self.names),
                        None => Some(event),
                    };
                    let Some(event) = event else { continue };
                    record.body = Body::Event(event);
                }
                Body::Run(_) | Body::Output(_) => {}
            }
            ready.push(record);
        }
        self.ready = ready.into_iter();
        self.reader = Some(reader);
        Ok(true)
    }
}

impl Iterator for Inputs {
    type Item = Result<Record, JournalError>;

    fn next(&mut self) -> Option<Self::Item> {
        loop {
            if let Some(record) = self.ready.next() {
                return Some(Ok(record));
            }
            match self.fill() {
                Ok(true) => {}
                Ok(false) => return None,
                Err(error) => {
                    self.next = self.until + 1;
                    return Some(Err(error));
                }
            }
        }
    }
}

/// What the start has to write. It goes into the writer's first commit that succeeds.
#[derive(Debug, Default)]
pub(super) struct Begin {
    pub(super) last: BTreeMap<PlantNo, Now>,
    plants: Vec<(PlantNo, String)>,
    names: Vec<(PlantNo, u64, String)>,
    aside: Vec<(u64, bool)>,
    lost: Vec<PlantNo>,
}

impl Begin {
    pub(super) fn write(&self, tx: &rusqlite::Connection) -> rusqlite::Result<()> {
        store::set_meta(tx, "clean", 0)?;
        for (first, torn) in &self.aside {
            store::set_aside(tx, *first, *torn)?;
        }
        for (plant, id) in &self.plants {
            tx.execute(
                "INSERT INTO plants (number, id) VALUES (?1, ?2)",
                params![plant.get(), id],
            )?;
        }
        for (plant, from, body) in &self.names {
            tx.execute(
                "INSERT OR REPLACE INTO names (plant, from_seq, body) VALUES (?1, ?2, ?3)",
                params![plant.get(), from, body],
            )?;
        }
        for plant in &self.lost {
            store::set_meta(tx, &store::lost_key(*plant), 1)?;
        }
        Ok(())
    }
}

impl Journal {
    /// Opens the journal in `dir` for these plants, and finds what each of them restarts from. Makes
    /// folder and file when they are not there. The plants' numbers are in [`Restore::plant`].
    ///
    /// # Errors
    /// [`OpenError`]. A file that cannot be read is no error: it is kept aside, and every plant is
    /// [`Found::Lost`].
    pub fn open(dir: &Path, plants: &[Names]) -> Result<Opened, OpenError> {
        let folder = |source| OpenError::Folder { dir: dir.to_owned(), source };
        fs::create_dir_all(dir).map_err(folder)?;
        let lock = lock(dir)?;
        let file = dir.join(FILE);
        let failed = |source| OpenError::Store { file: file.clone(), source };
        // A file that was kept aside, and no new one: the last start died between the two.
        let mut lost = !file.exists() && has_lost(dir).map_err(folder)?;
        let mut kept_aside = None;
        let mut attempt = 0;
        loop {
            attempt += 1;
            match survey(dir, &file, plants, lost) {
                Ok((store, found)) => {
                    let Survey { begin, next_seq, synced, restores, lock_newer } = found;
                    if let Some(format) = lock_newer {
                        return Err(OpenError::Newer { file, format });
                    }
                    let journal =
                        Journal::start(store, lock, begin, next_seq, synced).map_err(folder)?;
                    return Ok(Opened { journal, plants: restores, kept_aside });
                }
                Err(source) if attempt == 1 && is_unreadable(&source) => {
                    tracing::error!(%source, "the journal cannot be read and is kept aside");
                    kept_aside = Some(keep_aside(dir, &file).map_err(folder)?);
                    lost = true;
                }
                Err(source) => return Err(failed(source)),
            }
        }
    }
}

struct Survey {
    begin: Begin,
    next_seq: u64,
    synced: u64,
    restores: Vec<Restore>,
    lock_newer: Option<i64>,
}

/// Reads all that a start needs, and changes nothing but a file without a layout.
fn survey(
    dir: &Path,
    file: &Path,
    plants: &[Names],
    all_lost: bool,
) -> rusqlite::Result<(Store, Survey)> {
    let mut store = Store::open(file)?;
    let format = store.meta("format")?.ok_or(rusqlite::Error::QueryReturnedNoRows)?;
    let synced = store.meta("synced")?.and_then(|seq| u64::try_from(seq).ok()).unwrap_or(0);
    let mut found = Survey {
        begin: Begin::default(),
        next_seq: store.highest()? + 1,
        synced,
        restores: Vec::new(),
        lock_newer: (format > FORMAT).then_some(format),
    };
    if found.lock_newer.is_some() {
        return Ok((store, found));
    }
    let clean = store.meta("clean")? == Some(1);
    let known = store.plants()?;
    let trimmed = store.meta("trimmed")?.unwrap_or(0) > 0;
    let span = store.span()?;
    let until = span.map_or(0, |(_, last)| last);
    let mut fresh = known.iter().map(|(plant, _)| plant.get() + 1).max().unwrap_or(0);
    for names in plants {
        let number = known.iter().find(|(_, id)| *id == names.plant).map(|(number, _)| *number);
        let plant = number.unwrap_or_else(|| {
            let plant = PlantNo(fresh);
            fresh += 1;
            found.begin.plants.push((plant, names.plant.clone()));
            plant
        });
        let before = store.names_at(plant, u64::from(u32::MAX) << 16)?;
        if before.as_ref() != Some(names) {
            let body = serde_json::to_string(names).unwrap_or_default();
            found.begin.names.push((plant, found.next_seq, body));
        }
        let is_lost = all_lost || store.meta(&store::lost_key(plant))? == Some(1);
        found.restores.push(Restore {
            plant,
            found: if is_lost { Found::Lost } else { Found::New },
            snapshots: store.snapshots(plant)?,
            last: None,
            clean,
            renamed: before.filter(|before| before != names),
            dropped: Dropped::default(),
            trouble: is_lost.then(|| "the state was lost".to_owned()),
            dir: dir.to_owned(),
            names: names.clone(),
            until,
        });
    }
    scan(&store, &mut found, span, trimmed)?;
    find_last(&store, &mut found.restores)?;
    for restore in &mut found.restores {
        let has_any = restore.last.is_some() || !restore.snapshots.is_empty();
        if restore.found == Found::New && has_any {
            restore.found = Found::Restored;
        }
        if restore.found == Found::Lost {
            found.begin.lost.push(restore.plant);
        }
        let start = Now { mono: restore.last.map_or(Mono::ZERO, |now| now.mono), wall: None };
        found.begin.last.insert(restore.plant, start);
    }
    match store.probe(&Row::empty(found.next_seq)) {
        Err(error) if is_unreadable(&error) => return Err(error),
        // Full or read-only: the writer will say so, and try again.
        _ => {}
    }
    Ok((store, found))
}

/// Checks every row that a restart will read.
fn scan(
    store: &Store,
    found: &mut Survey,
    span: Option<(u64, u64)>,
    trimmed: bool,
) -> rusqlite::Result<()> {
    let Some((_, last)) = span else { return Ok(()) };
    let base = |restore: &Restore| restore.snapshot().map_or(0, |snapshot| snapshot.seq);
    for restore in &mut found.restores {
        if restore.snapshots.is_empty() && trimmed {
            restore.lose("no snapshot is good, and the records from the beginning are gone");
        } else if store.is_damaged_after(base(restore))? {
            restore.lose("records after the last snapshot were damaged");
        }
    }
    let Some(mut seq) = found.restores.iter().map(base).min().map(|seq| seq + 1) else {
        return Ok(());
    };
    while let Some(row) = store.row_from(seq)? {
        seq = row.last_seq + 1;
        let records = match row.unpack() {
            Ok(records) => records,
            Err(error) => {
                let torn = row.last_seq == last && row.last_seq > found.synced;
                found.begin.aside.push((row.first_seq, torn));
                for restore in &mut found.restores {
                    if torn {
                        restore.trouble.get_or_insert(format!("the torn end was cut: {error}"));
                    } else if row.last_seq > base(restore) {
                        restore.lose(&error.to_string());
                    }
                }
                continue;
            }
        };
        for record in records {
            let Some(restore) =
                found.restores.iter_mut().find(|restore| restore.plant == record.plant)
            else {
                continue;
            };
            if record.seq <= base(restore) {
                continue;
            }
            match record.body {
                Body::Run(RunMark::Dropped { trend, kept }) => {
                    restore.dropped += Dropped { trend, kept };
                }
                Body::Unknown { .. } if record.body.is_input() => {
                    restore.lose(&JournalError::Newer(record.seq).to_string());
                }
                _ => {}
            }
            restore.last = Some(record.now);
        }
    }
    Ok(())
}

/// Finds the last time of plants that have said nothing since their snapshot.
fn find_last(store: &Store, restores: &mut [Restore]) -> rusqlite::Result<()> {
    /// Rows that are looked at, backwards; each plant says something every few minutes.
    const ROWS: usize = 2000;
    let mut before = u64::MAX >> 1;
    for _ in 0..ROWS {
        if restores.iter().all(|restore| restore.last.is_some()) {
            break;
        }
        let Some(row) = store.row_before(before)? else { break };
        before = row.first_seq;
        let Ok(records) = row.unpack() else { continue };
        for record in records.iter().rev() {
            let missing = restores
                .iter_mut()
                .find(|restore| restore.plant == record.plant && restore.last.is_none());
            if let Some(restore) = missing {
                restore.last = Some(record.now);
            }
        }
    }
    Ok(())
}

impl Restore {
    fn lose(&mut self, why: &str) {
        self.found = Found::Lost;
        self.trouble.get_or_insert_with(|| why.to_owned());
    }
}

fn lock(dir: &Path) -> Result<File, OpenError> {
    let folder = |source| OpenError::Folder { dir: dir.to_owned(), source };
    let mut lock = File::options()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(dir.join("lock"))
        .map_err(folder)?;
    match rustix::fs::flock(&lock, rustix::fs::FlockOperation::NonBlockingLockExclusive) {
        Ok(()) => {}
        Err(rustix::io::Errno::WOULDBLOCK) => {
            let mut holder = String::new();
            let holder = lock
                .read_to_string(&mut holder)
                .ok()
                .map(|_| holder.trim().to_owned())
                .filter(|holder| !holder.is_empty());
            return Err(OpenError::Locked { dir: dir.to_owned(), holder });
        }
        Err(error) => return Err(folder(error.into())),
    }
    // For people only; a full disk must not keep the daemon from starting.
    let _ = lock
        .set_len(0)
        .and_then(|()| lock.rewind())
        .and_then(|()| writeln!(lock, "{}", std::process::id()));
    Ok(lock)
}

fn is_unreadable(error: &rusqlite::Error) -> bool {
    match error {
        rusqlite::Error::SqliteFailure(error, _) => {
            matches!(error.code, ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
        }
        // A table or a column that is not as we made it.
        rusqlite::Error::InvalidColumnType(..)
        | rusqlite::Error::FromSqlConversionFailure(..)
        | rusqlite::Error::IntegralValueOutOfRange(..)
        | rusqlite::Error::QueryReturnedNoRows => true,
        rusqlite::Error::SqlInputError { .. } => true,
        _ => false,
    }
}

fn has_lost(dir: &Path) -> std::io::Result<bool> {
    for entry in fs::read_dir(dir)? {
        if entry?.file_name().to_string_lossy().starts_with("journal.lost-") {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Renames the file and what belongs to it; the file itself last, so that a start that dies in
/// between finds it again.
fn keep_aside(dir: &Path, file: &Path) -> std::io::Result<PathBuf> {
    let aside = (1..=u32::MAX)
        .map(|n| dir.join(format!("journal.lost-{n}.sqlite")))
        .find(|path| !path.exists())
        .ok_or(std::io::ErrorKind::AlreadyExists)?;
    for end in ["-wal", "-shm", ""] {
        let from = PathBuf::from(format!("{}{end}", file.display()));
        let to = PathBuf::from(format!("{}{end}", aside.display()));
        match fs::rename(&from, &to) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            other => other?,
        }
    }
    File::open(dir)?.sync_all()?;
    Ok(aside)
}
