//! `permeated demo`: broker, virtual plant and real daemon, each as real as the other.
//!
//! The broker and the daemon are processes of this very binary. The plant's probes publish real
//! messages; the onlooker that tells the story knows only what the bus shows, and where a figure is
//! from the plant's own books it says so. Every fault has a stated effect, and the exit code says
//! whether it came.

mod children;
mod plant;
mod settings;
mod stage;
mod story;
mod world;

use self::stage::{Cut, Stage};
use self::world::World;
use crate::demo::publisher::{Options, Publisher};
use crate::edge::history::Reader;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Arguments of `permeated demo`.
#[derive(Clone, Debug, clap::Args)]
pub struct Args {
    /// Plant seconds for each second of the clock, 1 to 60.
    #[arg(long, default_value_t = 30.0, value_parser = speed)]
    pub speed: f64,
    /// End after this much plant time, such as 45m or 2h; without it, when the story is told.
    #[arg(long = "for", value_name = "DURATION", value_parser = duration)]
    pub duration: Option<Duration>,
    /// Show one fault and check that it has its stated effect.
    #[arg(long, value_enum, value_name = "NAME")]
    pub fault: Option<FaultName>,
    /// Keep settings, logs and history in this folder, which must be empty or new.
    #[arg(long, value_name = "DIR")]
    pub keep: Option<PathBuf>,
    /// Seed of everything that is drawn in the virtual plant.
    #[arg(long, default_value_t = 7)]
    pub seed: u64,
    /// Write what is really so in the plant to this file, one JSON object a line.
    #[arg(long, value_name = "FILE")]
    pub truth: Option<PathBuf>,
    /// Write every message that the plant publishes to this file, one JSON object a line.
    #[arg(long, value_name = "FILE")]
    pub log: Option<PathBuf>,
    /// Only publish the virtual plant on this broker, and start nothing else.
    #[arg(long, value_name = "ADDRESS:PORT", conflicts_with_all = ["fault", "keep"])]
    pub publish_on: Option<SocketAddr>,
}

/// Faults of the demonstration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum FaultName {
    /// The product spoils.
    SpoiledProduct,
    /// The product spoils and its probe shows 0.
    ProductProbeStuckAtZero,
    /// A tube bursts.
    Leak,
    /// The daemon's engine stops dead.
    EngineHang,
    /// The broker is killed.
    BrokerKilled,
}

fn speed(text: &str) -> Result<f64, String> {
    let speed: f64 = text.parse().map_err(|_| "not a number".to_owned())?;
    if (1.0..=60.0).contains(&speed) { Ok(speed) } else { Err("must lie between 1 and 60".into()) }
}

/// Reads `90s`, `45m`, `2h`, `1h30m`, `1d`.
fn duration(text: &str) -> Result<Duration, String> {
    let wrong = || "write a number with s, m, h or d, such as 45m or 1h30m".to_owned();
    let mut secs = 0.0;
    let mut number = String::new();
    for c in text.chars() {
        if c.is_ascii_digit() || c == '.' {
            number.push(c);
            continue;
        }
        let unit = match c {
            's' => 1.0,
            'm' => 60.0,
            'h' => 3_600.0,
            'd' => 86_400.0,
            _ => return Err(wrong()),
        };
        secs += number.parse::<f64>().map_err(|_| wrong())? * unit;
        number.clear();
    }
    if !number.is_empty() || secs <= 0.0 {
        return Err(wrong());
    }
    Duration::try_from_secs_f64(secs).map_err(|_| wrong())
}

/// Runs the demonstration.
pub fn run(args: &Args) -> ExitCode {
    match play(args) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => {
            eprintln!("demo: {error}");
            ExitCode::from(1)
        }
    }
}

/// A folder that goes away with us, unless it is to be kept.
struct Folder {
    path: PathBuf,
    keep: bool,
}

impl Folder {
    fn make(keep: Option<&Path>) -> std::io::Result<Self> {
        use std::os::unix::fs::DirBuilderExt as _;
        let mut builder = std::fs::DirBuilder::new();
        builder.mode(0o700);
        if let Some(path) = keep {
            std::fs::create_dir_all(path)?;
            if std::fs::read_dir(path)?.next().is_some() {
                return Err(std::io::Error::other(format!("{} is not empty", path.display())));
            }
            return Ok(Self { path: path.canonicalize()?, keep: true });
        }
        let base = std::env::temp_dir();
        for number in 0..100 {
            let path = base.join(format!("permeated-demo-{}-{number}", std::process::id()));
            match builder.create(&path) {
                Ok(()) => return Ok(Self { path, keep: false }),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(error),
            }
        }
        Err(std::io::Error::other("no free name for a temporary folder"))
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        if !self.keep
            && let Err(error) = std::fs::remove_dir_all(&self.path)
        {
            eprintln!("demo: {} stays behind: {error}", self.path.display());
        }
    }
}

fn play(args: &Args) -> std::io::Result<bool> {
    let interrupted = stage::watch_signals()?;
    if let Some(broker) = args.publish_on {
        return publish_only(args, broker, &interrupted);
    }
    let folder = Folder::make(args.keep.as_deref())?;
    let (broker_at, page) = (children::free_port()?, children::free_port()?);
    let options = Options {
        truth: args.truth.clone(),
        log: args.log.clone(),
        ..plant::options(broker_at, args.speed, args.seed)
    };
    let (config, daemon_log) = (folder.path.join("settings.toml"), folder.path.join("daemon.log"));
    let state = folder.path.join("state");
    std::fs::write(&config, settings::write(&options, &state, page))?;
    introduce(args, &folder, broker_at, page);

    let broker = children::broker(broker_at)?;
    let world = World::listen(broker_at, options.valve_topic(), &options.id)?;
    let publisher = Publisher::start(options)?;
    let hooks = args.fault == Some(FaultName::EngineHang);
    let daemon = children::daemon(&config, &daemon_log, hooks)?;
    println!("Broker is process {}, daemon process {}.\n", broker.id(), daemon.id());
    let began = Instant::now();
    let mut stage = Stage {
        world,
        publisher,
        broker: Some(broker),
        daemon,
        daemon_log,
        speed: args.speed,
        began,
        ends: args.duration.map(|plant| began + plant.div_f64(args.speed)),
        interrupted,
    };
    let told = story::tell(&mut stage, args.fault, broker_at);
    let mut went_well = judge(&stage, &told, args.fault);
    if told.is_ok() && args.duration.is_some() {
        stage.say("The story is told; the plant goes on until its time is over.");
        let ended = go_on(&mut stage);
        went_well &= judge(&stage, &ended, None);
    }
    let stopped_well = stop(&mut stage, args.fault);
    summary(&stage, &state);
    Ok(went_well && stopped_well)
}

fn introduce(args: &Args, folder: &Folder, broker: SocketAddr, page: SocketAddr) {
    println!("A virtual plant, a real broker and the real daemon.");
    println!(
        "  broker    {broker}   (any MQTT client may listen: topics permeated/5/# and virtual-plant/#)"
    );
    println!("  page      http://{page}/");
    println!("  settings  {}", folder.path.join("settings.toml").display());
    if args.speed != 1.0 {
        println!(
            "  time      the plant lives {} times as fast as the clock. To the daemon, which lives by",
            args.speed
        );
        println!(
            "            the clock, its flows are as many times larger; in its settings every delay that"
        );
        println!(
            "            concerns water is divided by {0} (or is the least its key allows). Limits of",
            args.speed
        );
        println!(
            "            quality and litres are the defaults. Times in [ ] are minutes of the plant."
        );
    }
    if let Some(fault) = args.fault {
        println!("  fault     {}", story::effect(fault));
    }
}

/// After the story: the plant goes on until `--for` is over.
fn go_on(stage: &mut Stage) -> stage::Step {
    let mut was = (stage.world.valve_open(), None);
    loop {
        stage.pass(Duration::from_millis(500))?;
        let is = (stage.world.valve_open(), story::why_not(&stage.world));
        if is != was {
            let valve = if is.0 == Some(true) { "open" } else { "closed" };
            let why = is.1.as_deref().map_or(String::new(), |why| format!("; {why}"));
            stage.say(&format!("The valve is {valve}{why}"));
            was = is;
        }
    }
}

fn judge(stage: &Stage, told: &stage::Step, fault: Option<FaultName>) -> bool {
    match told {
        Ok(()) => {
            if fault.is_some() {
                stage.say("The fault had its stated effect.");
            }
            true
        }
        Err(Cut::TimeUp) => {
            if fault.is_some() {
                stage.say("Its time is over before the fault had its stated effect.");
                return false;
            }
            stage.say("Its time is over.");
            true
        }
        Err(Cut::Interrupted) => {
            stage.say("Stopped by hand.");
            true
        }
        Err(Cut::Missing(what)) => {
            stage.say(&format!("NOT AS STATED: {what}."));
            let log = std::fs::read_to_string(&stage.daemon_log).unwrap_or_default();
            let lines: Vec<&str> = log.lines().collect();
            for line in &lines[lines.len().saturating_sub(5)..] {
                println!("          daemon: {line}");
            }
            false
        }
    }
}

/// Stops everything in order: the daemon closes the valve, then the plant, then the broker.
fn stop(stage: &mut Stage, fault: Option<FaultName>) -> bool {
    let since = Instant::now();
    let was_open = stage.world.valve_open() == Some(true);
    let by_itself = stage.daemon.stop(Duration::from_secs(10));
    for _ in 0..20 {
        stage.world.hear(Duration::from_millis(50));
    }
    let hangs = fault == Some(FaultName::EngineHang);
    if was_open && by_itself {
        let told = stage.world.commands_since(since).any(|seen| !seen.open);
        if !told {
            stage.say("NOT AS STATED: the daemon stopped and left the valve open.");
            return false;
        }
        stage.say("The daemon has closed the valve and stopped.");
    }
    if !by_itself && !hangs {
        stage.say("NOT AS STATED: the daemon did not stop when asked, and was killed.");
        return false;
    }
    true
}

fn summary(stage: &Stage, state: &Path) {
    let report = stage.publisher.report();
    let (opened, closed) = stage.world.moves();
    let stored = match count_points(state) {
        Ok(points) => points.to_string(),
        Err(error) => format!("unknown ({error})"),
    };
    if let Some(fault) = report.log_fault {
        eprintln!("demo: the log or truth file is not complete: {fault}");
    }
    println!(
        "readings {}, starts {opened}, closes {closed}, refused commands {}, points stored {stored}",
        report.published,
        stage.world.refused()
    );
}

/// Records in the history that the daemon left.
fn count_points(state: &Path) -> Result<u64, String> {
    let mut reader = Reader::open(state).map_err(|error| error.to_string())?;
    let (mut points, mut next) = (0, 0);
    loop {
        let records = reader.records(next, 4096).map_err(|error| error.to_string())?;
        let Some(last) = records.last() else { return Ok(points) };
        next = last.seq + 1;
        points += records.len() as u64;
    }
}

fn publish_only(
    args: &Args,
    broker: SocketAddr,
    interrupted: &Arc<AtomicBool>,
) -> std::io::Result<bool> {
    let options = Options {
        truth: args.truth.clone(),
        log: args.log.clone(),
        // An independent count is worth something only if the broker acknowledges.
        qos: rumqttc::QoS::AtLeastOnce,
        ..plant::options(broker, args.speed, args.seed)
    };
    println!(
        "Publishing the virtual plant on {broker} under {}/; its valve listens on {}.",
        options.id,
        options.valve_topic()
    );
    let publisher = Publisher::start(options)?;
    let began = Instant::now();
    let ends = args.duration.map(|plant| plant.div_f64(args.speed));
    while !interrupted.load(Ordering::Relaxed) && ends.is_none_or(|ends| began.elapsed() < ends) {
        std::thread::sleep(Duration::from_millis(50));
    }
    let report = publisher.report();
    println!("readings {}, refused by the client {}", report.published, report.refused);
    Ok(report.log_fault.is_none())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_read() {
        assert_eq!(duration("90s"), Ok(Duration::from_secs(90)));
        assert_eq!(duration("1h30m"), Ok(Duration::from_secs(5_400)));
        assert_eq!(duration("0.5d"), Ok(Duration::from_secs(43_200)));
        for wrong in ["", "5", "m", "-3m", "1x", "0s", "1h30"] {
            assert!(duration(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_temporary_folder_goes_away_and_a_kept_one_stays() {
        let folder = Folder::make(None).expect("made");
        let path = folder.path.clone();
        assert!(path.is_dir());
        drop(folder);
        assert!(!path.exists());
        let outer = tempfile::tempdir().expect("made");
        let kept = outer.path().join("kept");
        drop(Folder::make(Some(&kept)).expect("made"));
        assert!(kept.is_dir());
        std::fs::write(kept.join("x"), "x").expect("written");
        assert!(Folder::make(Some(&kept)).is_err());
    }
}
