//! Wires edges to the engines: start, supervision, and the order of a clean stop.
//!
//! Order of a stop (the valve first, the guard's goodbye last): every engine closes and waits for
//! the acknowledgement; intake ends; what is queued is taken; the journal is made durable; the main
//! connection says goodbye; the guards say it last, and only where the close was acknowledged.
//!
//! Exit codes: 0 stopped cleanly, 69 the state folder is in use or not to be had (try again later),
//! 70 an engine could not be kept running, 78 the settings are wrong.

mod almanac;
mod driver;
mod restore;
mod source;
mod stamps;

use crate::board::Board;
use crate::clock::{self, PlantClock, StepWatch};
use crate::edge::history::{Journal, Names};
use crate::edge::{database, mqtt, web};
use crate::engine::event::Event;
use crate::engine::setup::Setup;
use crate::engine::time::Span;
use crate::intake::{Intake, Item, Lane};
use crate::settings::Settings;
use almanac::Almanac;
use driver::{Driver, Hooks};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::mpsc;
use std::time::{Duration, Instant};

/// Longest that a stop waits for the engines.
const STOP_MAX: Duration = Duration::from_secs(4);
/// How often the daemon looks after its own health.
const LOOK_EVERY: Duration = Duration::from_millis(crate::engine::causes::LOOK.millis() as u64);

/// Why the daemon could not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The state folder.
    #[error(transparent)]
    Journal(#[from] crate::edge::history::OpenError),
    /// The bus.
    #[error(transparent)]
    Bus(#[from] mqtt::BusError),
    /// The database's settings.
    #[error(transparent)]
    Database(#[from] database::SetupError),
    /// The page.
    #[error("the status page cannot be served: {0}")]
    Web(String),
    /// A thread or a runtime.
    #[error("a thread cannot be started: {0}")]
    Thread(#[from] std::io::Error),
}

impl StartError {
    /// A service manager may try again later.
    pub fn exit_code(&self) -> ExitCode {
        match self {
            Self::Database(_) => ExitCode::from(78),
            Self::Journal(_) | Self::Bus(_) | Self::Web(_) | Self::Thread(_) => ExitCode::from(69),
        }
    }
}

/// Runs the daemon until it is told to stop.
///
/// # Errors
/// [`StartError`] when it cannot begin. Later faults are told, not returned.
pub fn run(settings: Settings) -> Result<ExitCode, StartError> {
    let settings = Arc::new(settings);
    let setups: Vec<Arc<Setup>> = settings
        .plants
        .iter()
        .map(|(id, plant)| {
            let keep_alive = settings.broker.guard_keep_alive_secs;
            Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, keep_alive))
        })
        .collect();
    let names: Vec<Names> = setups.iter().map(|setup| Names::of(setup)).collect();
    let opened = Journal::open(&settings.daemon.state_dir, &names)?;
    if let Some(kept) = &opened.kept_aside {
        tracing::error!(file = %kept.display(), "the journal could not be read and was kept aside");
    }
    let journal = opened.journal;
    let board = Board::new(&setups);
    let intakes: Vec<Intake> = setups.iter().map(|_| Intake::new()).collect();
    let numbers: Vec<_> =
        opened.plants.iter().map(|plant| plant.plant).zip(names.iter().cloned()).collect();
    watch_journal(&journal, &board, &intakes);

    let wall_clock: mqtt::WallClock = Arc::new(clock::wall);
    let mut drivers = Vec::new();
    for ((setup, intake), restore) in setups.iter().zip(&intakes).zip(opened.plants) {
        drivers.push((Arc::clone(setup), intake.clone(), restore));
    }
    let mut bus = mqtt::spawn(&settings, &setups, &intakes, &board, &wall_clock)?;
    let edges = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .thread_name("edges")
        .enable_all()
        .build()?;
    let signals = Signals::listen(&edges)?;
    if !settings.web.listen.is_empty() {
        let zone = jiff::tz::TimeZone::get(&settings.daemon.zone)
            .map_err(|error| StartError::Web(error.to_string()))?;
        let page = edges
            .block_on(web::spawn(&settings.web.listen, zone, board.clone()))
            .map_err(|error| StartError::Web(error.to_string()))?;
        tracing::info!(address = %page.address, "status page");
    }
    if !settings.database.url.is_empty() {
        let dir = settings.daemon.state_dir.clone();
        let source = Arc::new(source::JournalSource::new(dir, journal.clone(), numbers.clone()));
        let _inside = edges.enter();
        database::spawn(&settings.database, source, board.clone(), setups.clone())?;
    } else {
        // What an earlier run missed in a database is nothing to be told without one.
        tell_all(&intakes, &Event::DatabaseBehind { behind: false });
    }

    let hooks = Hooks::from_environment();
    let (stopped, all_stopped) = mpsc::channel();
    let mut threads = Vec::new();
    for (plant, (setup, intake, restore)) in drivers.into_iter().enumerate() {
        let driver = Driver {
            plant,
            number: restore.plant,
            setup,
            intake,
            journal: journal.clone(),
            board: board.clone(),
            bus: bus.plants()[plant].clone(),
            stopped: stopped.clone(),
            hooks: hooks.clone(),
        };
        let name = format!("plant-{}", driver.setup.plant);
        threads.push(std::thread::Builder::new().name(name).spawn(move || driver.run(restore))?);
    }
    drop(stopped);

    let almanac = Almanac::new(&settings);
    supervise(&signals, &hooks, &intakes, &board, &journal, almanac);

    tracing::info!("stopping: closing valves");
    for intake in &intakes {
        intake.put(Lane::Control, Item { event: Event::StopRequested, arrived: clock::wall() });
    }
    let until = Instant::now() + STOP_MAX;
    let mut closed = 0;
    for _ in 0..setups.len() {
        match all_stopped.recv_timeout(until.saturating_duration_since(Instant::now())) {
            Ok(true) => closed += 1,
            Ok(false) => {}
            Err(_) => break,
        }
    }
    for intake in &intakes {
        intake.close();
    }
    for thread in threads {
        if !signals.again() && thread.join().is_err() {
            tracing::error!("an engine's thread has panicked");
        }
    }
    if let Err(error) = journal.close() {
        tracing::error!(%error, "the journal could not be closed cleanly");
    }
    bus.stop_main();
    let goodbye = bus.stop_guards();
    tracing::info!(closed, of = setups.len(), goodbye, "stopped");
    edges.shutdown_background();
    Ok(ExitCode::SUCCESS)
}

/// Tells engines and board whether the journal can be written.
fn watch_journal(journal: &Journal, board: &Board, intakes: &[Intake]) {
    board.change_health(|health| health.history_writable = true);
    let board = board.clone();
    let intakes = intakes.to_vec();
    journal.watch(move |health| {
        board.change_health(|shown| shown.history_writable = health.writable);
        tell_all(&intakes, &Event::HistoryWritable { ok: health.writable });
    });
}

/// Puts one event into the lane of every plant.
fn tell_all(intakes: &[Intake], event: &Event) {
    for intake in intakes {
        intake.put(Lane::Control, Item { event: event.clone(), arrived: clock::wall() });
    }
}

/// Waits for the signal to stop; looks after clock and health meanwhile.
fn supervise(
    signals: &Signals,
    hooks: &Hooks,
    intakes: &[Intake],
    board: &Board,
    journal: &Journal,
    mut almanac: Almanac,
) {
    let (mut watch, sane) = StepWatch::begin();
    let mut behind = None;
    let tell = |sane: bool, stepped: Span| tell_all(intakes, &Event::Clock { sane, stepped });
    tell(sane, Span::ZERO);
    loop {
        match signals.wait(LOOK_EVERY) {
            Some(Signal::Stop) => return,
            Some(Signal::Hook(hook)) => hooks.set(hook),
            None => {}
        }
        if let Some((sane, stepped)) = watch.look() {
            tracing::warn!(sane, stepped_secs = stepped.secs(), "the clock changed");
            tell(sane, stepped);
            almanac.forget();
        }
        for (plant, calendar) in almanac.look(clock::wall()) {
            let event = Event::Calendar(calendar);
            intakes[plant].put(Lane::Control, Item { event, arrived: clock::wall() });
        }
        let now = board.health().is_database_behind();
        if let Some(lacks) = now.filter(|_| now != behind) {
            behind = now;
            tell_all(intakes, &Event::DatabaseBehind { behind: lacks });
        }
        let sequence = journal.sequence_on_disk();
        board.change_health(|health| {
            health.history_sequence = sequence;
            for (setup, intake) in board.setups().zip(intakes) {
                let dropped = intake.dropped();
                if dropped != crate::intake::Dropped::default() {
                    let all = dropped.trend + dropped.guard;
                    health.lane_dropped.insert(setup.plant.clone(), all);
                }
            }
        });
    }
}

/// What the operating system told us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Signal {
    /// Stop.
    Stop,
    /// A test hook.
    Hook(driver::Hook),
}

/// Signals of the operating system, on a channel.
struct Signals {
    queue: mpsc::Receiver<Signal>,
    seen: Arc<std::sync::atomic::AtomicU32>,
}

impl Signals {
    fn listen(runtime: &tokio::runtime::Runtime) -> std::io::Result<Self> {
        use std::sync::atomic::{AtomicU32, Ordering};
        use tokio::signal::unix::{SignalKind, signal};
        let (sender, queue) = mpsc::channel();
        let seen = Arc::new(AtomicU32::new(0));
        let _inside = runtime.enter();
        for (kind, meaning) in [
            (SignalKind::terminate(), Signal::Stop),
            (SignalKind::interrupt(), Signal::Stop),
            (SignalKind::user_defined1(), Signal::Hook(driver::Hook::Hang)),
            (SignalKind::user_defined2(), Signal::Hook(driver::Hook::Panic)),
        ] {
            let mut stream = signal(kind)?;
            let sender = sender.clone();
            let seen = Arc::clone(&seen);
            runtime.spawn(async move {
                while stream.recv().await.is_some() {
                    if meaning == Signal::Stop && seen.fetch_add(1, Ordering::Relaxed) > 0 {
                        // A second signal: the sockets drop, the wills close, the next start copes.
                        std::process::exit(130);
                    }
                    let _ = sender.send(meaning);
                }
            });
        }
        Ok(Self { queue, seen })
    }

    fn wait(&self, most: Duration) -> Option<Signal> {
        self.queue.recv_timeout(most).ok()
    }

    fn again(&self) -> bool {
        self.seen.load(std::sync::atomic::Ordering::Relaxed) > 1
    }
}

/// A clock that begins where a plant's journal ended.
fn clock_after(last: Option<crate::engine::time::Now>) -> PlantClock {
    let start = last.map_or(crate::engine::time::Mono::ZERO, |last| last.mono);
    PlantClock::starting_at(start + Span::from_millis(1))
}
