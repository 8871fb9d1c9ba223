//! A small site around the real daemon: probes that publish, a relay that obeys and answers, and the
//! daemon as its own process.

// Several test binaries share it; none uses all of it.
#![allow(dead_code)]

use crate::support::client::{Heard, Witness};
use crate::support::wait;
use permeated::edge::history::{Body, Reader, Record};
use permeated::engine::output::Output;
use permeated::engine::time::Wall;
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::fmt::Write as _;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Long enough for a loaded machine; conditions are usually met at once.
pub const PATIENCE: Duration = Duration::from_secs(30);
/// A probe that says what it measured and when.
const PROBE: &str =
    "unit = \"ppm\"\nstep = 1\ninterval_secs = 0.25\npointer = \"/v\"\ntime_pointer = \"/t\"\n";
/// A broker that is away this long holds the plant.
pub const BROKER_LOST: Duration = Duration::from_secs(2);
/// How often the probes publish.
const INTERVAL: Duration = Duration::from_millis(250);

/// Two probes, a leak sensor and a valve with feedback for each plant; the daemon opens on a topic.
pub fn settings(daemon: &str, port: u16, state: &Path, plants: &[&str]) -> String {
    let mut text = format!(
        "[daemon]\nid = {daemon:?}\nstate_dir = {state:?}\nzone = \"UTC\"\n\
         [broker]\nhost = \"127.0.0.1\"\nport = {port}\nsensor_rate_per_sec = 20\n[web]\nlisten = \"\"\n"
    );
    for plant in plants {
        for (id, quantity, point, more) in [
            ("permeate", "tds", "permeate", PROBE),
            ("product", "tds", "product", PROBE),
            ("floor", "leak", "room", ""),
            ("valve", "open", "supply", ""),
        ] {
            let _ = writeln!(
                text,
                "[plants.{plant}.sensors.{id}]\ntopic = \"{plant}/{id}\"\n\
                 quantity = \"{quantity}\"\npoint = \"{point}\"\n{more}"
            );
        }
        let _ = writeln!(
            text,
            "[plants.{plant}.actuators.valve]\nrole = \"supply-valve\"\ntopic = \"{plant}/valve/set\"\n\
             open = \"ON\"\nclose = \"OFF\"\nfails = \"closed\"\nstate_sensor = \"valve\"\n\
             [plants.{plant}.demand]\nmode = \"topic\"\ntopic = \"{plant}/demand\"\n\
             [plants.{plant}.assumed]\npermeate_litres_per_min = 2.0\nfeed_tds_ppm = 240\n\
             [plants.{plant}.store]\nlitres = 200\n\
             [plants.{plant}.limits.floor]\ndry_secs = 1\n\
             [plants.{plant}.limits.product]\nduration_min_secs = 1\nclear_litres = 0.01\nrinse_in_litres = 0.05\n\
             [plants.{plant}.limits.guard]\nmedian_readings = 3\nstale_min_secs = 3\n\
             stale_max_secs = 6\nprove_in_secs = 6\nhold_return_secs = 5\nholds_per_day = 100\n\
             broker_lost_secs = {}\noff_min_secs = 0\nstarts_per_hour = 60\nstarts_per_day = 500\n",
            BROKER_LOST.as_secs()
        );
    }
    text
}

/// The wall clock in milliseconds, as the daemon reads it.
pub fn wall() -> i64 {
    permeated::clock::wall().expect("the clock is set").millis()
}

/// Probes and relay of one plant.
pub struct Field {
    plant: String,
    product: Arc<AtomicU32>,
    wet: Arc<AtomicBool>,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Field {
    /// Begins to publish.
    pub fn start(port: u16, plant: &str) -> Self {
        let product = Arc::new(AtomicU32::new(0));
        let wet = Arc::new(AtomicBool::new(false));
        let ending = Arc::new(AtomicBool::new(false));
        let thread = std::thread::spawn({
            let (plant, product, wet, ending) =
                (plant.to_owned(), Arc::clone(&product), Arc::clone(&wet), Arc::clone(&ending));
            move || {
                let command = format!("{plant}/valve/set");
                let bus = Witness::new(port, &[&command]);
                let mut next = Instant::now();
                let mut obeyed = 0;
                let mut is_open = false;
                let (mut was_wet, mut stamp) = (false, 0);
                while !ending.load(Ordering::SeqCst) {
                    let heard = bus.count(&command);
                    if heard != obeyed {
                        obeyed = heard;
                        is_open = bus.last(&command).as_deref() == Some("ON");
                        bus.publish_fast(
                            &format!("{plant}/valve"),
                            if is_open { "ON" } else { "OFF" },
                        );
                    }
                    let is_wet = wet.load(Ordering::SeqCst);
                    if Instant::now() >= next {
                        next += INTERVAL;
                        let product = product.load(Ordering::SeqCst);
                        stamp = wall().max(stamp + 1);
                        let probe = |v: u32| format!("{{\"v\":{v},\"t\":{stamp}}}");
                        bus.publish_fast(&format!("{plant}/product"), probe(product));
                        bus.publish_fast(&format!("{plant}/permeate"), probe(8));
                        bus.publish_fast(
                            &format!("{plant}/valve"),
                            if is_open { "ON" } else { "OFF" },
                        );
                        was_wet = !is_wet;
                    }
                    if is_wet != was_wet {
                        was_wet = is_wet;
                        let says = if is_wet { "ON" } else { "OFF" };
                        bus.publish_fast(&format!("{plant}/floor"), says);
                    }
                    std::thread::park_timeout(Duration::from_millis(5));
                }
            }
        });
        Self { plant: plant.to_owned(), product, wet, ending, thread: Some(thread) }
    }

    /// What the product probe reads from now on, in ppm.
    pub fn product(&self, ppm: u32) {
        self.product.store(ppm, Ordering::SeqCst);
    }

    /// Whether the floor is wet from now on.
    pub fn wet(&self, wet: bool) {
        self.wet.store(wet, Ordering::SeqCst);
    }

    /// Topic of the plant's property or command.
    pub fn topic(&self, rest: &str) -> String {
        format!("permeated/5/{}/{rest}", self.plant)
    }

    /// Topic of the valve's commands.
    pub fn valve(&self) -> String {
        format!("{}/valve/set", self.plant)
    }

    /// The permit as last heard.
    pub fn permit(&self, witness: &Witness) -> Value {
        witness
            .last(&self.topic("guard/permit"))
            .and_then(|text| serde_json::from_str(&text).ok())
            .unwrap_or(Value::Null)
    }

    /// Every permit heard at or after `since`.
    pub fn permits_since(&self, witness: &Witness, since: Instant) -> Vec<Value> {
        let heard = witness.on(&self.topic("guard/permit")).into_iter();
        heard
            .filter(|heard| heard.at >= since)
            .filter_map(|heard| serde_json::from_str(&heard.payload).ok())
            .collect()
    }

    /// Waits until the permit says so.
    pub fn wait_permit(&self, witness: &Witness, permitted: bool) {
        let end = Instant::now() + PATIENCE;
        while self.permit(witness)["permitted"] != Value::Bool(permitted) {
            assert!(
                Instant::now() < end,
                "{}: permitted {permitted} never came: {}",
                self.plant,
                self.permit(witness)
            );
            std::thread::park_timeout(Duration::from_millis(5));
        }
    }

    /// Asks for water and waits for `open`.
    pub fn run_water(&self, witness: &Witness) {
        self.wait_permit(witness, true);
        witness.publish(&format!("{}/demand", self.plant), "OFF", false);
        // The answer may be faster than the publisher's own acknowledgement.
        let asked = Instant::now();
        witness.publish(&format!("{}/demand", self.plant), "ON", false);
        let end = asked + PATIENCE;
        while !witness.on(&self.valve()).iter().any(|h| h.at >= asked && h.payload == "ON") {
            assert!(
                Instant::now() < end,
                "{}: water was asked for and no open came; last on its topic {:?}, permit {}",
                self.plant,
                witness.last(&self.valve()),
                self.permit(witness)
            );
            std::thread::park_timeout(Duration::from_millis(5));
        }
    }

    /// The first such command on the valve's topic at or after `since`.
    pub fn command_since(&self, witness: &Witness, payload: &str, since: Instant) -> Heard {
        wait::until_some(&format!("'{payload}' on {}", self.valve()), PATIENCE, || {
            witness
                .on(&self.valve())
                .into_iter()
                .find(|heard| heard.at >= since && heard.payload == payload)
        })
    }

    /// Sends a command with an id and gives whether it was accepted, and the words.
    pub fn ask(&self, witness: &Witness, command: &str, mut fields: Value) -> (bool, String) {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let id = format!("ask-{}", NUMBER.fetch_add(1, Ordering::SeqCst));
        fields["id"] = Value::String(id.clone());
        witness.publish(&self.topic(&format!("guard/{command}/set")), fields.to_string(), false);
        wait::until_some(&format!("the answer to {command}"), PATIENCE, || {
            witness.on(&self.topic("event/log")).iter().rev().find_map(|heard| {
                let entry: Value = serde_json::from_str(&heard.payload).ok()?;
                (entry["data"]["id"] == id.as_str()).then(|| {
                    (
                        entry["data"]["accepted"] == Value::Bool(true),
                        entry["text"].as_str().unwrap_or_default().to_owned(),
                    )
                })
            })
        })
    }
}

impl Drop for Field {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The daemon as a process, with its state folder.
pub struct Daemon {
    folder: TempDir,
    config: PathBuf,
    over: Option<PathBuf>,
    /// A program that runs it, with its arguments; empty: none.
    through: Vec<String>,
    child: Option<Child>,
}

impl Daemon {
    /// Starts it with a state folder of its own.
    pub fn start(id: &str, port: u16, plants: &[&str]) -> Self {
        Self::start_with(id, port, plants, "")
    }

    /// Starts it through a program that ends by executing it, such as `env`.
    pub fn start_through(id: &str, port: u16, plants: &[&str], through: &[String]) -> Self {
        let mut daemon = Self::prepared(id, port, plants, "");
        daemon.through = through.to_vec();
        daemon.up();
        daemon
    }

    /// The same, with the broker at another address.
    pub fn start_far(id: &str, host: &str, port: u16, plants: &[&str], through: &[String]) -> Self {
        let mut daemon = Self::prepared(id, port, plants, "");
        let text = std::fs::read_to_string(&daemon.config).expect("its settings");
        let far = text.replace("host = \"127.0.0.1\"", &format!("host = {host:?}"));
        std::fs::write(&daemon.config, far).expect("written");
        daemon.through = through.to_vec();
        daemon.up();
        daemon
    }

    /// The same with further settings.
    pub fn start_with(id: &str, port: u16, plants: &[&str], more: &str) -> Self {
        let mut daemon = Self::prepared(id, port, plants, more);
        daemon.up();
        daemon
    }

    fn prepared(id: &str, port: u16, plants: &[&str], more: &str) -> Self {
        let folder = TempDir::new().expect("a temporary folder");
        let config = folder.path().join("permeated.toml");
        let text = settings(id, port, &folder.path().join("state"), plants);
        std::fs::write(&config, text + more).expect("written");
        Self { folder, config, over: None, through: Vec::new(), child: None }
    }

    /// Starts it again on the same state.
    pub fn up(&mut self) {
        self.child = Some(self.another());
    }

    /// Starts it with these settings, its state in a folder of its own.
    pub fn with_settings(port: u16, text: &str, more: &str) -> Self {
        let folder = TempDir::new().expect("a temporary folder");
        let (config, over) = (folder.path().join("site.toml"), folder.path().join("over.toml"));
        let state = folder.path().join("state");
        let own = format!(
            "[daemon]\nstate_dir = {state:?}\n[broker]\nport = {port}\n[web]\nlisten = \"\"\n{more}"
        );
        std::fs::write(&config, text).expect("written");
        std::fs::write(&over, own).expect("written");
        let mut daemon =
            Self { folder, config, over: Some(over), through: Vec::new(), child: None };
        daemon.up();
        daemon
    }

    /// A number of `/proc/<pid>/status`, in KiB for sizes.
    pub fn status(&self, key: &str) -> u64 {
        let text =
            std::fs::read_to_string(format!("/proc/{}/status", self.pid())).expect("it lives");
        let line = text.lines().find(|line| line.starts_with(key)).expect("a known key");
        line.split_whitespace().nth(1).and_then(|word| word.parse().ok()).expect("a number")
    }

    /// Seconds of a processor that it has used.
    pub fn processor_secs(&self) -> f64 {
        let text = std::fs::read_to_string(format!("/proc/{}/stat", self.pid())).expect("it lives");
        let after = text.rsplit(')').next().expect("a name in brackets");
        let ticks: Vec<f64> =
            after.split_whitespace().filter_map(|word| word.parse().ok()).collect();
        // The state is no number: utime and stime are the 11th and 12th that are. 100 a second.
        (ticks[10] + ticks[11]) / 100.0
    }

    /// One more process with the very same settings and state.
    pub fn another(&self) -> Child {
        let log = File::options()
            .create(true)
            .append(true)
            .open(self.folder.path().join("log"))
            .expect("a log");
        let binary = env!("CARGO_BIN_EXE_permeated");
        let mut command = match self.through.split_first() {
            None => Command::new(binary),
            Some((program, arguments)) => {
                let mut command = Command::new(program);
                command.args(arguments).arg(binary);
                command
            }
        };
        command
            .arg("run")
            .arg("--config")
            .arg(&self.config)
            .args(self.over.iter().flat_map(|over| [Path::new("--config"), over.as_path()]))
            .env("PERMEATED_TEST_HOOKS", "1")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .expect("the daemon starts")
    }

    /// Its process id.
    pub fn pid(&self) -> u32 {
        self.child.as_ref().expect("running").id()
    }

    /// Its settings.
    pub fn config(&self) -> &Path {
        &self.config
    }

    /// Its state folder.
    pub fn state(&self) -> PathBuf {
        self.folder.path().join("state")
    }

    /// When it decided to open, by its journal: each decision is there before its open goes out.
    pub fn decided_opens(&self) -> Vec<i64> {
        let mut reader = Reader::open(&self.state()).expect("a journal");
        let mut decided = Vec::new();
        let all = (Wall::from_millis(0), Wall::from_millis(i64::MAX));
        let each = |record: &Record| {
            if let (Body::Output(Output::Log(entry)), Some(wall)) = (&record.body, record.now.wall)
                && entry.kind == "open"
            {
                decided.push(wall.millis());
            }
            true
        };
        reader.between(all.0, all.1, each).expect("the journal reads");
        decided
    }

    /// What it wrote to its log.
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Sends it a signal.
    pub fn signal(&self, signal: Signal) {
        let child = self.child.as_ref().expect("running");
        kill_process(Pid::from_child(child), signal).expect("it is ours");
    }

    /// Waits for its end.
    pub fn ended(&mut self) -> ExitStatus {
        let mut child = self.child.take().expect("running");
        wait::until_some("the daemon ends", PATIENCE, || child.try_wait().expect("a child"))
    }

    /// SIGKILL, and its end.
    pub fn kill(&mut self) {
        self.signal(Signal::KILL);
        self.ended();
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
        if std::thread::panicking() {
            let log = self.log();
            let lines: Vec<&str> = log.lines().collect();
            eprintln!("daemon:\n{}", lines[lines.len().saturating_sub(15)..].join("\n"));
        }
    }
}
