//! The loop that follows the journal.
//!
//! Each step: what is new, then a piece of the backlog, then the mark as far as it has settled. After
//! an outage everything that had not settled is sent again. Delays: one second
//! doubling to five minutes, each shortened by chance to between half and all of itself, so that
//! several daemons do not knock in step.

use super::known::Known;
use super::progress::Progress;
use super::settle::Settling;
use super::transport::{Refusal, Server};
use super::verify::{Proof, verify};
use super::{Record, Source, series};
use crate::board::Board;
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use std::hash::{BuildHasher, Hasher, RandomState};
use std::io;
use std::ops::Range;
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};
use tokio::time::{Instant, sleep};
use tracing::{error, info, warn};

/// Between two looks at the journal when there is nothing to do.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Between two pieces of backlog: the database has other work too.
const BREATH: Duration = Duration::from_millis(20);
/// First delay after a failure.
const DELAY_FIRST: Duration = Duration::from_secs(1);
/// Longest delay: one daemon that asks once a minute is no load, and dashboards are not behind for long
/// after the server is back.
const DELAY_MAX: Duration = Duration::from_secs(60);
/// Delay while the set-up is at fault: a person has to look first.
const DELAY_SETUP: Duration = Duration::from_secs(60);
/// A server may take a moment until it shows what it took.
const SHOWS_IN: Duration = Duration::from_secs(2);
/// 2024-01-01: a clock before this has not been set, and no server keeps its points.
const CLOCK_SANE_FROM: Wall = Wall::from_millis(1_704_067_200_000);
/// Longest piece of a refused line that the log repeats.
const SHOWN_MAX: usize = 160;

/// A line and the record that it comes from.
struct Numbered {
    sequence: u64,
    text: String,
}

/// Replication from one journal to one server.
pub struct Replication {
    server: Server,
    source: Arc<dyn Source>,
    board: Board,
    setups: Arc<Vec<Arc<Setup>>>,
    batch: usize,
    /// Lines that the server takes at once; falls when it says "too large".
    lines_max: usize,
    proof: Option<Proof>,
    failures: u32,
    refused: u64,
    /// Records below this may have arrived already; `None`: the next step finds out.
    doubtful_below: Option<u64>,
    /// From then on a server shows everything that it took before.
    shows_from: Instant,
}

impl Replication {
    /// Ready to run.
    pub fn new(
        server: Server,
        source: Arc<dyn Source>,
        board: Board,
        setups: Vec<Arc<Setup>>,
        batch: usize,
    ) -> Self {
        Self {
            server,
            source,
            board,
            setups: Arc::new(setups),
            batch,
            lines_max: batch,
            proof: None,
            failures: 0,
            refused: 0,
            doubtful_below: None,
            shows_from: Instant::now() + SHOWS_IN,
        }
    }

    /// Follows the journal until the task is aborted.
    pub async fn run(mut self) {
        let mark = loop {
            match self.with_source(|source| source.mark()).await {
                Ok(mark) => break mark,
                Err(refusal) => self.pause(None, &refusal).await,
            }
        };
        let mut progress = Progress::from_mark(mark);
        let mut settling = Settling::from_mark(mark);
        loop {
            match self.step(&mut progress, &mut settling).await {
                Ok(more) => {
                    self.recovered();
                    sleep(if more { BREATH } else { LOOK_EVERY }).await;
                }
                Err(refusal) => {
                    self.doubtful_below = None;
                    self.shows_from = Instant::now() + SHOWS_IN;
                    if matches!(refusal, Refusal::Later(_)) {
                        settling.forget();
                        progress = Progress::from_mark(settling.mark());
                    }
                    self.pause(Some(&progress), &refusal).await;
                }
            }
        }
    }

    /// Sends what is new and one piece of the backlog. True when there is more.
    async fn step(
        &mut self,
        progress: &mut Progress,
        settling: &mut Settling,
    ) -> Result<bool, Refusal> {
        let end = self.with_source(|source| source.end()).await?;
        self.show_behind(progress, end);
        self.doubtful_below.get_or_insert(end);
        if self.proof.is_none() {
            let proof = verify(&self.server, sane_now()?).await?;
            info!(proof = proof.text(), "database checked");
            self.proof = Some(proof);
            self.board.change_health(|health| health.database_note = Some(proof.text().into()));
        }
        self.send_pieces(progress, end).await?;
        if let Some(mark) = settling.note(Instant::now(), progress.mark()) {
            self.with_source(move |source| source.set_mark(mark)).await?;
        }
        self.show_behind(progress, end);
        Ok(progress.behind(end) > 0)
    }

    async fn send_pieces(&mut self, progress: &mut Progress, end: u64) -> Result<(), Refusal> {
        let most = self.batch as u64;
        if let Some(range) = progress.live(end, most) {
            self.send(range.clone()).await?;
            progress.live_written(&range);
        }
        if let Some(range) = progress.backlog(most) {
            self.send(range.clone()).await?;
            progress.backlog_written(&range);
        }
        Ok(())
    }

    /// Sends everything that the records of a range hold for the database.
    async fn send(&mut self, range: Range<u64>) -> Result<(), Refusal> {
        let setups = Arc::clone(&self.setups);
        let batch = self.batch;
        let doubtful = self.doubtful_below.is_some_and(|below| range.start < below);
        let mut lines =
            self.with_source(move |source| read_lines(source, &setups, range, batch)).await?;
        if doubtful && self.proof == Some(Proof::KeptTwice) {
            tokio::time::sleep_until(self.shows_from).await;
            let known = Known::read_back(&self.server, lines.iter().map(|line| line.text.as_str()))
                .await
                .map_err(Refusal::Later)?;
            lines.retain(|line| !known.has(&line.text));
        }
        self.write(&lines).await
    }

    /// Writes lines in order. Lines that are bad for themselves are found by halving and passed over.
    async fn write(&mut self, lines: &[Numbered]) -> Result<(), Refusal> {
        let mut todo = vec![lines];
        let mut server_is_sound = false;
        while let Some(part) = todo.pop() {
            if part.is_empty() {
                continue;
            }
            let halves = part.split_at(part.len() / 2);
            if part.len() > self.lines_max {
                todo.extend([halves.1, halves.0]);
                continue;
            }
            let body: String = part.iter().flat_map(|line| [line.text.as_str(), "\n"]).collect();
            match self.server.write(body).await {
                Ok(()) => server_is_sound = true,
                Err(Refusal::BadLine(_)) if part.len() > 1 => todo.extend([halves.1, halves.0]),
                Err(Refusal::TooLarge) if part.len() > 1 => {
                    self.lines_max = part.len() / 2;
                    warn!(lines = self.lines_max, "database takes smaller batches only");
                    todo.extend([halves.1, halves.0]);
                }
                Err(Refusal::BadLine(why)) => {
                    // Either this line is bad or the server refuses everything, as with a wrong
                    // organisation. A line that is known to be good tells.
                    if !server_is_sound {
                        self.sound(&why).await?;
                        server_is_sound = true;
                    }
                    self.quarantine(&part[0], &why);
                }
                Err(Refusal::TooLarge) => self.quarantine(&part[0], "too large"),
                Err(refusal) => return Err(refusal),
            }
        }
        Ok(())
    }

    /// Whether the server accepts a good line.
    async fn sound(&self, why: &str) -> Result<(), Refusal> {
        match self.server.write(series::probe(0.0, sane_now()?)).await {
            Err(Refusal::BadLine(_) | Refusal::TooLarge) => {
                Err(Refusal::Setup(format!("the server refuses every line: {why}")))
            }
            other => other,
        }
    }

    fn quarantine(&mut self, line: &Numbered, why: &str) {
        self.refused += 1;
        let shown: String = line.text.chars().take(SHOWN_MAX).collect();
        error!(
            sequence = line.sequence,
            line = shown,
            why,
            refused = self.refused,
            "database refuses a line; it stays in the history"
        );
        let refused = self.refused;
        self.board.change_health(|health| health.database_refused = refused);
    }

    /// Notes a failure and waits until the next attempt is due.
    async fn pause(&mut self, progress: Option<&Progress>, refusal: &Refusal) {
        let (text, delay) = match refusal {
            Refusal::Later(why) => (why.clone(), backed_off(self.failures, chance())),
            Refusal::Setup(why) => {
                // Whoever mends the set-up may have put another server there.
                self.proof = None;
                (format!("set-up: {why}"), DELAY_SETUP)
            }
            Refusal::BadLine(why) => (why.clone(), DELAY_SETUP),
            Refusal::TooLarge => ("the server takes not even one line".to_owned(), DELAY_SETUP),
        };
        if self.failures == 0 {
            match refusal {
                Refusal::Later(_) => warn!(why = text, "database unreachable; the history waits"),
                _ => error!(why = text, "database refuses us; the history waits"),
            }
        }
        self.failures = self.failures.saturating_add(1);
        self.board.change_health(|health| health.database_fault = Some(text));
        let until = Instant::now() + delay;
        while Instant::now() < until {
            sleep(LOOK_EVERY.min(until - Instant::now())).await;
            if let Some(progress) = progress
                && let Ok(end) = self.with_source(|source| source.end()).await
            {
                self.show_behind(progress, end);
            }
        }
    }

    fn recovered(&mut self) {
        if self.failures > 0 {
            info!(failures = self.failures, "database reachable again");
            self.failures = 0;
        }
        self.board.change_health(|health| health.database_fault = None);
    }

    fn show_behind(&self, progress: &Progress, end: u64) {
        let behind = progress.behind(end);
        self.board.change_health(|health| health.database_behind = Some(behind));
    }

    /// Runs work on the source off the async threads.
    async fn with_source<T: Send + 'static>(
        &self,
        work: impl FnOnce(&dyn Source) -> io::Result<T> + Send + 'static,
    ) -> Result<T, Refusal> {
        let source = Arc::clone(&self.source);
        match tokio::task::spawn_blocking(move || work(source.as_ref())).await {
            Ok(Ok(result)) => Ok(result),
            Ok(Err(error)) => Err(Refusal::Later(format!("the history cannot be read: {error}"))),
            Err(_) => Err(Refusal::Later("reading the history panicked".into())),
        }
    }
}

/// The lines that the records of a range make. A source may give fewer records than asked for.
fn read_lines(
    source: &dyn Source,
    setups: &[Arc<Setup>],
    range: Range<u64>,
    batch: usize,
) -> io::Result<Vec<Numbered>> {
    let mut lines = Vec::new();
    let mut from = range.start;
    while from < range.end {
        let records = source.records(from, batch)?;
        let Some(last) = records.last() else { break };
        if last.sequence < from {
            return Err(io::Error::other("records out of order"));
        }
        from = last.sequence + 1;
        lines.extend(records.iter().filter(|record| record.sequence < range.end).filter_map(
            |record: &Record| {
                series::line(setups, record)
                    .map(|text| Numbered { sequence: record.sequence, text })
            },
        ));
    }
    Ok(lines)
}

fn sane_now() -> Result<Wall, Refusal> {
    let millis = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |since| i64::try_from(since.as_millis()).unwrap_or(i64::MAX));
    let now = Wall::from_millis(millis);
    if now < CLOCK_SANE_FROM {
        return Err(Refusal::Later("the clock is not set yet".into()));
    }
    Ok(now)
}

/// The delay after this many failures before; `chance` from 0 to 1.
fn backed_off(failures: u32, chance: f64) -> Duration {
    let full = DELAY_FIRST.saturating_mul(1 << failures.min(9)).min(DELAY_MAX);
    full.mul_f64(0.5 + 0.5 * chance)
}

/// A number from 0 to 1 that differs from daemon to daemon. Not for secrets.
fn chance() -> f64 {
    let bits = RandomState::new().build_hasher().finish();
    (bits >> 11) as f64 / (1u64 << 53) as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn delays_double_from_one_second_to_five_minutes_and_never_drop_below_half() {
        let full: Vec<u64> = (0..12).map(|failures| backed_off(failures, 1.0).as_secs()).collect();
        assert_eq!(full, [1, 2, 4, 8, 16, 32, 60, 60, 60, 60, 60, 60]);
        for failures in 0..12 {
            assert_eq!(backed_off(failures, 0.0) * 2, backed_off(failures, 1.0));
        }
        for _ in 0..100 {
            assert!((0.0..1.0).contains(&chance()));
        }
    }
}
