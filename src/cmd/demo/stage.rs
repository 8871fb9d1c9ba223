//! The stage: everything that runs, the clock of the plant, and waiting for what the bus shows.

use super::children::Running;
use super::world::World;
use crate::demo::publisher::Publisher;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Why a story ends before its end.
#[derive(Debug)]
pub(super) enum Cut {
    /// A person stopped it.
    Interrupted,
    /// `--for` is over.
    TimeUp,
    /// What should have happened did not.
    Missing(String),
}

/// What a step of the story gives.
pub(super) type Step<T = ()> = Result<T, Cut>;

/// Everything that runs.
pub(super) struct Stage {
    /// What the bus shows.
    pub(super) world: World,
    /// The virtual plant.
    pub(super) publisher: Publisher,
    /// The broker.
    pub(super) broker: Option<Running>,
    /// The daemon.
    pub(super) daemon: Running,
    /// Where the daemon logs.
    pub(super) daemon_log: PathBuf,
    /// Plant seconds for each second of the clock.
    pub(super) speed: f64,
    /// When the story began.
    pub(super) began: Instant,
    /// When `--for` is over.
    pub(super) ends: Option<Instant>,
    /// Ctrl-C was pressed.
    pub(super) interrupted: Arc<AtomicBool>,
}

impl Stage {
    /// Says what happens, with the plant's time before it.
    pub(super) fn say(&self, text: &str) {
        let secs = self.plant_secs(self.began.elapsed()) as u64;
        println!("[{:3}:{:02}] {text}", secs / 60, secs % 60);
    }

    /// A stretch of the clock in plant time, s.
    pub(super) fn plant_secs(&self, passed: Duration) -> f64 {
        passed.as_secs_f64() * self.speed
    }

    /// A stretch of plant time by the clock, never shorter than `least`.
    pub(super) fn by_clock(&self, plant_secs: f64, least: Duration) -> Duration {
        Duration::from_secs_f64(plant_secs / self.speed).max(least)
    }

    /// Waits until the bus shows something.
    pub(super) fn wait<T>(
        &mut self,
        what: &str,
        patience: Duration,
        mut shows: impl FnMut(&World) -> Option<T>,
    ) -> Step<T> {
        let until = Instant::now() + patience;
        loop {
            if let Some(found) = shows(&self.world) {
                return Ok(found);
            }
            if Instant::now() >= until {
                return Err(Cut::Missing(format!(
                    "waited {:.0} s for {what}, and it did not come{}",
                    patience.as_secs_f64(),
                    self.permit_words()
                )));
            }
            self.look()?;
        }
    }

    /// Lets time pass and looks after everything.
    pub(super) fn pass(&mut self, time: Duration) -> Step {
        let until = Instant::now() + time;
        while Instant::now() < until {
            self.look()?;
        }
        Ok(())
    }

    fn look(&mut self) -> Step {
        self.world.hear(Duration::from_millis(50));
        if self.interrupted.load(Ordering::Relaxed) {
            return Err(Cut::Interrupted);
        }
        if self.ends.is_some_and(|ends| Instant::now() >= ends) {
            return Err(Cut::TimeUp);
        }
        if let Some(status) = self.daemon.ended() {
            let log = std::fs::read_to_string(&self.daemon_log).unwrap_or_default();
            let lines: Vec<&str> = log.lines().collect();
            let last = lines[lines.len().saturating_sub(8)..].join("\n    ");
            return Err(Cut::Missing(format!(
                "the daemon has ended ({status}); its last words:\n    {last}"
            )));
        }
        if let Some(broker) = &mut self.broker
            && let Some(status) = broker.ended()
        {
            return Err(Cut::Missing(format!("the {} has ended ({status})", broker.name())));
        }
        Ok(())
    }

    fn permit_words(&self) -> String {
        let Some(permit) = self.world.permit() else {
            return "; the daemon has published no permit".to_owned();
        };
        let causes: Vec<&str> = permit["missing"]
            .as_array()
            .into_iter()
            .flatten()
            .filter_map(|missing| missing["cause"].as_str())
            .collect();
        if causes.is_empty() {
            "; water may run".to_owned()
        } else {
            format!("; water may not run because of {}", causes.join(", "))
        }
    }
}

/// Sets a flag when Ctrl-C is pressed or the process is asked to end.
///
/// # Errors
/// When no thread or signal handler can be made.
pub(super) fn watch_signals() -> std::io::Result<Arc<AtomicBool>> {
    let flag = Arc::new(AtomicBool::new(false));
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build()?;
    std::thread::Builder::new().name("signals".into()).spawn({
        let flag = Arc::clone(&flag);
        move || {
            runtime.block_on(async {
                let mut terminate =
                    tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate()).ok();
                let ended = async {
                    match &mut terminate {
                        Some(signal) => signal.recv().await.is_some(),
                        None => std::future::pending().await,
                    }
                };
                tokio::select! {
                    _ = tokio::signal::ctrl_c() => {}
                    _ = ended => {}
                }
            });
            flag.store(true, Ordering::Relaxed);
        }
    })?;
    Ok(flag)
}
