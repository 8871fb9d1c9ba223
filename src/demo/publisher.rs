//! Lets the virtual plant live by the clock, and puts its probes and relays on a real broker.
//!
//! Plant time may run faster than the clock. Everything else on the bus lives by the clock, so what
//! is published are facts of the clock: a flow meter reports litres per minute *of the clock*, which
//! at speed N is N times the flow of the plant. Counters, levels and qualities are what they are.
//!
//! Invariants: the log holds every message that was handed to the client, before it was handed over;
//! the truth is written before any probe error. Absent on purpose: retained messages.

use super::bus::{Arrival, Bus};
use super::faults::Fault;
use super::parameters::PlantParameters;
use super::plant::VirtualPlant;
use super::probes::{Measures, ProbeMessage, ProbeParameters, Probes};
use super::relay::{Relay, Told};
use super::truth::{StartTruth, Truth};
use rumqttc::QoS;
use serde::Serialize;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, Sender, TryRecvError, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// How often the plant is stepped, by the clock.
const BEAT: Duration = Duration::from_millis(20);
/// Longest plant time between two looks of the probes, s.
const LOOK_SECS: f64 = 1.0;
/// If the machine slept, the plant does not catch up more than this, by the clock.
const CATCH_UP_MAX: Duration = Duration::from_secs(1);
/// Plant time between two lines of the truth, s.
const TRUTH_SECS: f64 = 5.0;

/// How a virtual plant is published.
#[derive(Clone, Debug)]
pub struct Options {
    /// Broker.
    pub broker: SocketAddr,
    /// Client id, and first level of the topics.
    pub id: String,
    /// The plant.
    pub plant: PlantParameters,
    /// Its probes.
    pub probes: Vec<ProbeParameters>,
    /// Seed of everything that is drawn.
    pub seed: u64,
    /// Plant seconds for each second of the clock.
    pub speed: f64,
    /// Plant time that passes before anything is published, valve closed, s.
    pub stand_secs: f64,
    /// Off-timer of the relays in plant time, s; 0: none.
    pub off_timer_secs: f64,
    /// Quality of service of the readings.
    pub qos: QoS,
    /// File for the truth, one JSON object a line.
    pub truth: Option<PathBuf>,
    /// File for everything published, one JSON object a line.
    pub log: Option<PathBuf>,
}

impl Options {
    /// Topic of a probe.
    pub fn probe_topic(&self, probe: &ProbeParameters) -> String {
        format!("{}/{}", self.id, probe.id)
    }

    /// Command topic of the supply valve's relay.
    pub fn valve_topic(&self) -> String {
        format!("{}/supply-valve/set", self.id)
    }

    /// Command topic of the pump's relay.
    pub fn pump_topic(&self) -> String {
        format!("{}/pump/set", self.id)
    }
}

/// What a person does at the plant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Deed {
    /// Something breaks.
    Break(Fault),
    /// It is mended.
    Mend(Fault),
    /// The floor is wiped.
    Wipe,
    /// Water is taken from the container, L.
    Draw(f64),
    /// The product hose goes to the drain, or back into the container.
    ProductToDrain(bool),
}

/// What the publisher says about itself and the plant.
#[derive(Clone, Debug, Default)]
pub struct Report {
    /// The truth now.
    pub truth: Truth,
    /// Readings handed to the client.
    pub published: u64,
    /// Readings that the client refused, for want of a broker.
    pub refused: u64,
    /// Commands that came to the relays.
    pub told: u64,
    /// How often a relay switched itself off.
    pub timed_out: u64,
    /// Starts that have ended.
    pub starts: Vec<StartTruth>,
    /// A log could not be written; the first reason.
    pub log_fault: Option<String>,
}

/// One line of the log.
#[derive(Debug, Serialize)]
struct Line<'a> {
    /// When it was handed over, ms since 1970.
    at_ms: u64,
    /// Plant time, s.
    plant_secs: f64,
    topic: &'a str,
    probe: &'a str,
    number: u64,
    payload: &'a str,
    /// What it says, in the probe's unit.
    value: f64,
    is_copy: bool,
    /// The client took it.
    taken: bool,
}

/// A virtual plant on a broker. Dropping it ends it.
#[derive(Debug)]
pub struct Publisher {
    deeds: Option<Sender<Deed>>,
    report: Arc<Mutex<Report>>,
    thread: Option<JoinHandle<()>>,
}

impl Publisher {
    /// Starts it.
    ///
    /// # Errors
    /// When a log file cannot be made or no thread can be started.
    pub fn start(options: Options) -> std::io::Result<Self> {
        let open = |path: &Option<PathBuf>| -> std::io::Result<Option<BufWriter<File>>> {
            path.as_ref().map(|path| File::create(path).map(BufWriter::new)).transpose()
        };
        let truth = open(&options.truth)?;
        let log = open(&options.log)?;
        let filters = vec![options.valve_topic(), options.pump_topic()];
        let (bus, arrivals) = Bus::connect(options.broker, &options.id, filters)?;
        let (deeds, to_do) = channel();
        let report = Arc::new(Mutex::new(Report::default()));
        let mut life = Life::new(options, bus, truth, log, Arc::clone(&report));
        let thread = std::thread::Builder::new()
            .name("virtual plant".into())
            .spawn(move || life.live(&arrivals, &to_do))?;
        Ok(Self { deeds: Some(deeds), report, thread: Some(thread) })
    }

    /// Does something at the plant.
    pub fn deed(&self, deed: Deed) {
        if let Some(deeds) = &self.deeds {
            // It can only fail once the thread has ended, and then there is no plant to do it at.
            let _ = deeds.send(deed);
        }
    }

    /// What it says now.
    pub fn report(&self) -> Report {
        self.report.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        self.deeds = None;
        if let Some(thread) = self.thread.take() {
            drop(thread.join());
        }
    }
}

struct Life {
    options: Options,
    topics: Vec<String>,
    plant: VirtualPlant,
    probes: Probes,
    valve: Relay,
    pump: Relay,
    bus: Bus,
    truth_file: Option<BufWriter<File>>,
    log_file: Option<BufWriter<File>>,
    next_truth: f64,
    report: Arc<Mutex<Report>>,
    published: u64,
    refused: u64,
    told: u64,
    starts: Vec<StartTruth>,
    log_fault: Option<String>,
}

/// Starts kept in the report.
const STARTS_MAX: usize = 1024;

impl Life {
    fn new(
        options: Options,
        bus: Bus,
        truth_file: Option<BufWriter<File>>,
        log_file: Option<BufWriter<File>>,
        report: Arc<Mutex<Report>>,
    ) -> Self {
        let mut plant = VirtualPlant::new(options.plant.clone(), options.seed);
        plant.step(options.stand_secs);
        let mut probes = Probes::new(options.probes.clone(), options.seed);
        // What was read while nobody listened is not published.
        drop(probes.look(plant.truth()));
        let topics = options.probes.iter().map(|probe| options.probe_topic(probe)).collect();
        Self {
            valve: Relay::new(options.off_timer_secs),
            pump: Relay::new(options.off_timer_secs),
            topics,
            plant,
            probes,
            bus,
            truth_file,
            log_file,
            next_truth: 0.0,
            report,
            published: 0,
            refused: 0,
            told: 0,
            starts: Vec::new(),
            log_fault: None,
            options,
        }
    }

    fn live(&mut self, arrivals: &Receiver<Arrival>, to_do: &Receiver<Deed>) {
        let mut last = Instant::now();
        loop {
            loop {
                match to_do.try_recv() {
                    Ok(deed) => self.act(deed),
                    Err(TryRecvError::Empty) => break,
                    Err(TryRecvError::Disconnected) => return self.end(),
                }
            }
            while let Ok(arrival) = arrivals.try_recv() {
                self.hear(arrival);
            }
            let now = Instant::now();
            let passed = now.duration_since(last).min(CATCH_UP_MAX);
            last = now;
            self.pass(passed.as_secs_f64() * self.options.speed);
            self.tell();
            std::thread::sleep(BEAT);
        }
    }

    fn act(&mut self, deed: Deed) {
        match deed {
            Deed::Break(fault) => fault.apply(&mut self.plant, &mut self.probes),
            Deed::Mend(fault) => fault.mend(&mut self.plant, &mut self.probes),
            Deed::Wipe => self.plant.wipe(),
            Deed::Draw(litres) => self.plant.draw(litres),
            Deed::ProductToDrain(yes) => self.plant.controls.product_to_drain = yes,
        }
    }

    fn hear(&mut self, arrival: Arrival) {
        match arrival {
            // A probe that comes back says at once what it sees.
            Arrival::Up => self.probes.send_all(),
            Arrival::Down => {}
            // A stored command is of unknown age: no relay of ours acts on one.
            Arrival::Message { retained: true, .. } => {}
            Arrival::Message { topic, payload, .. } => {
                let Some(told) = Told::parse(&payload) else { return };
                self.told += 1;
                let now = self.plant.truth().at_secs;
                if topic == self.options.valve_topic() {
                    self.valve.tell(now, told);
                } else if topic == self.options.pump_topic() {
                    self.pump.tell(now, told);
                }
            }
        }
    }

    /// Lets plant time pass.
    fn pass(&mut self, secs: f64) {
        let mut left = secs;
        while left > 0.0 {
            let slice = left.min(LOOK_SECS);
            left -= slice;
            let now = self.plant.truth().at_secs;
            self.valve.tick(now);
            self.pump.tick(now);
            self.plant.controls.valve_open = self.valve.is_on();
            self.plant.controls.pump_on = self.pump.is_on();
            self.plant.step(slice);
            self.write_truth();
            for message in self.probes.look(self.plant.truth()) {
                self.publish(&message);
            }
        }
        for start in self.plant.take_starts() {
            if self.starts.len() < STARTS_MAX {
                self.starts.push(start);
            }
        }
    }

    fn publish(&mut self, message: &ProbeMessage) {
        let Some(probe) = self.options.probes.get(message.probe) else { return };
        let by_clock = match probe.measures {
            Measures::Flow => message.value * self.options.speed,
            _ => message.value,
        };
        let value = (by_clock * 1e4).round() / 1e4;
        let at_ms = now_ms();
        let payload = if probe.measures.is_state() {
            let told = if value >= 0.5 { Told::On } else { Told::Off };
            told.word().to_owned()
        } else {
            format!("{{\"value\":{value},\"n\":{},\"at\":{at_ms}}}", message.number)
        };
        let topic = &self.topics[message.probe];
        let taken = self.bus.publish(topic, payload.as_bytes(), self.options.qos);
        if taken {
            self.published += 1;
        } else {
            self.refused += 1;
        }
        let line = Line {
            at_ms,
            plant_secs: self.plant.truth().at_secs,
            topic,
            probe: &probe.id,
            number: message.number,
            payload: &payload,
            value,
            is_copy: message.is_copy,
            taken,
        };
        write_line(&mut self.log_file, &line, &mut self.log_fault);
    }

    fn write_truth(&mut self) {
        if self.truth_file.is_none() || self.plant.truth().at_secs < self.next_truth {
            return;
        }
        #[derive(Serialize)]
        struct Stamped<'a> {
            at_ms: u64,
            #[serde(flatten)]
            truth: &'a Truth,
        }
        self.next_truth = self.plant.truth().at_secs + TRUTH_SECS;
        let line = Stamped { at_ms: now_ms(), truth: self.plant.truth() };
        write_line(&mut self.truth_file, &line, &mut self.log_fault);
    }

    fn tell(&mut self) {
        let mut report = self.report.lock().unwrap_or_else(PoisonError::into_inner);
        report.truth.clone_from(self.plant.truth());
        report.published = self.published;
        report.refused = self.refused;
        report.told = self.told;
        report.timed_out = self.valve.timed_out + self.pump.timed_out;
        if report.starts.len() < self.starts.len() {
            report.starts.clone_from(&self.starts);
        }
        report.log_fault.clone_from(&self.log_fault);
    }

    fn end(&mut self) {
        for file in [&mut self.truth_file, &mut self.log_file].into_iter().flatten() {
            if let Err(error) = file.flush() {
                self.log_fault.get_or_insert(error.to_string());
            }
        }
        self.tell();
    }
}

fn write_line<T: Serialize>(
    file: &mut Option<BufWriter<File>>,
    line: &T,
    fault: &mut Option<String>,
) {
    let Some(out) = file else { return };
    let written = serde_json::to_writer(&mut *out, line)
        .map_err(std::io::Error::from)
        .and_then(|()| out.write_all(b"\n"));
    if let Err(error) = written {
        fault.get_or_insert(error.to_string());
        *file = None;
    }
}

fn now_ms() -> u64 {
    SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |passed| u64::try_from(passed.as_millis()).unwrap_or(u64::MAX))
}
