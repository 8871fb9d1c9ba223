//! An engine with invented time, and what it said.

use permeated::engine::Engine;
use permeated::engine::catalogue::{AlarmId, SignalId};
use permeated::engine::event::{Ask, Command, Event, Found, Reading, Started};
use permeated::engine::output::{Action, AlarmKey, AlarmState, Datum, LogEntry, Output, Permit};
use permeated::engine::setup::{ActuatorIx, SensorIx, Setup};
use permeated::engine::time::{Mono, Now, Span, Wall};
use permeated::settings::load::load_str;
use permeated::settings::schema::OnStop;
use std::collections::BTreeMap;
use std::sync::Arc;

const EPOCH: i64 = 1_795_600_800_000;

/// Resolves one plant, `home`, from strictly checked settings.
pub fn setup(toml: &str) -> Arc<Setup> {
    let loaded =
        load_str("guard.toml", toml).unwrap_or_else(|problems| panic!("{problems}\n{toml}"));
    Arc::new(Setup::resolve("home", &loaded.settings.plants["home"], OnStop::Close, 5))
}

#[derive(Clone)]
pub struct Rig {
    pub engine: Engine,
    pub now: Mono,
    /// Commands to actuators: when, which, what.
    pub sent: Vec<(Mono, ActuatorIx, Action)>,
    pub permit: Option<Permit>,
    /// Every permit that was published: when, and what it said.
    pub permits: Vec<(Mono, Permit)>,
    pub logs: Vec<LogEntry>,
    /// What was to be recorded before going on.
    pub tokens: Vec<u64>,
    /// Guard connections that were to be dropped for a proof.
    pub drops: Vec<ActuatorIx>,
    /// When a clean stop was over, and whether everything was closed by then.
    pub stopped: Option<(Mono, bool)>,
    /// Last number of each value of the plant.
    pub values: BTreeMap<SignalId, f64>,
    /// Last yes or no of each value of the plant.
    pub flags: BTreeMap<SignalId, bool>,
    /// Last told state of each alarm.
    pub alarms: BTreeMap<AlarmKey, AlarmState>,
    /// Answers `Persist` at once, as a healthy disk does.
    pub disk: bool,
    /// Acknowledges closes at once, as a healthy broker does.
    pub broker: bool,
    /// Looks before each deadline whether one is missing; costs a copy of the engine each time.
    pub watchful: bool,
}

impl Rig {
    pub fn new(setup: Arc<Setup>) -> Self {
        let actuators = setup.actuators.len();
        let mut rig = Self {
            engine: Engine::new(setup),
            now: Mono::ZERO,
            sent: Vec::new(),
            permit: None,
            permits: Vec::new(),
            logs: Vec::new(),
            tokens: Vec::new(),
            drops: Vec::new(),
            stopped: None,
            values: BTreeMap::new(),
            flags: BTreeMap::new(),
            alarms: BTreeMap::new(),
            disk: true,
            broker: true,
            watchful: true,
        };
        rig.event(Event::Started(Started { found: Found::New, away: None, clean: true }));
        rig.event(Event::Clock { sane: true, stepped: Span::ZERO });
        for actuator in 0..actuators {
            rig.event(Event::GuardConnected { actuator });
        }
        rig.event(Event::BrokerReady);
        rig
    }

    pub fn sensor(&self, id: &str) -> Option<SensorIx> {
        self.engine.setup().sensors.iter().position(|sensor| sensor.id == id)
    }

    pub fn actuator(&self, id: &str) -> ActuatorIx {
        let actuators = &self.engine.setup().actuators;
        actuators.iter().position(|known| known.id == id).unwrap_or_else(|| panic!("no {id}"))
    }

    pub fn event(&mut self, event: Event) {
        let wall = Wall::from_millis(EPOCH + self.now.millis());
        self.engine.handle(Now::new(self.now, wall), event);
        while let Some(output) = self.engine.poll_output() {
            match output {
                Output::Send(send) => {
                    self.sent.push((self.now, send.actuator, send.action));
                    if send.action == Action::Close && self.broker {
                        self.event(Event::CloseAcknowledged { actuator: send.actuator });
                    }
                }
                Output::Persist { token } => {
                    self.tokens.push(token);
                    if self.disk {
                        self.event(Event::Persisted { token });
                    }
                }
                Output::Permit(permit) => {
                    self.permits.push((self.now, permit.clone()));
                    self.permit = Some(permit);
                }
                Output::Log(entry) => self.logs.push(entry),
                Output::DropGuard { actuator } => self.drops.push(actuator),
                Output::Stopped { closed } => self.stopped = Some((self.now, closed)),
                Output::Value(update) => match (update.key.of, &update.datum) {
                    (None, Ok(Datum::Number(number))) => {
                        self.values.insert(update.key.signal, *number);
                    }
                    (None, Ok(Datum::Flag(flag))) => {
                        self.flags.insert(update.key.signal, *flag);
                    }
                    _ => {}
                },
                Output::Alarm(update) => {
                    self.alarms.insert(update.key, update.state);
                }
            }
        }
    }

    /// A live message, if the plant has this sensor.
    pub fn read(&mut self, id: &str, value: f64) {
        if let Some(sensor) = self.sensor(id) {
            self.event(Event::Reading(Reading {
                sensor,
                value,
                retained: false,
                arrived: None,
                stamp: None,
            }));
        }
    }

    /// An event that is none, just before the next deadline, changes nothing that is told: what it
    /// would is something whose own deadline is missing.
    fn nothing_was_due(&self, next: Mono) {
        // Deadlines lie up to two milliseconds behind what they wait for.
        let before = next - Span::from_millis(2);
        if before <= self.engine.evaluated() {
            return;
        }
        let mut engine = self.engine.clone();
        let wall = Wall::from_millis(EPOCH + before.millis());
        engine.handle(Now::new(before, wall), Event::Persisted { token: u64::MAX });
        while let Some(output) = engine.poll_output() {
            let told = match &output {
                Output::Permit(permit) => self.permit.as_ref().is_none_or(|last| {
                    (last.permitted, &last.missing, &last.valve)
                        != (permit.permitted, &permit.missing, &permit.valve)
                }),
                Output::Value(_) => false,
                _ => true,
            };
            assert!(!told, "{before:?} was no deadline: {output:?}");
        }
    }

    /// Lets time pass until then, waking at every deadline as a driver does.
    pub fn until(&mut self, until: Mono) {
        while let Some((due, _)) = self.engine.poll_timeout().filter(|(due, _)| *due <= until) {
            if self.watchful {
                self.nothing_was_due(due);
            }
            self.now = due.max(self.now);
            self.event(Event::Tick);
        }
        self.now = until;
    }

    pub fn wait(&mut self, secs: f64) {
        self.until(self.now + Span::from_secs_f64(secs));
    }

    /// The same messages every five seconds for a while.
    pub fn run(&mut self, secs: f64, readings: &[(&str, f64)]) {
        let end = self.now + Span::from_secs_f64(secs);
        while self.now < end {
            self.wait(5.0);
            for (id, value) in readings {
                self.read(id, *value);
            }
        }
    }

    /// The same messages every five minutes for a while, as devices speak in the night.
    pub fn rest(&mut self, mins: f64, readings: &[(&str, f64)]) {
        let end = self.now + Span::from_secs_f64(60.0 * mins);
        while self.now < end {
            self.wait(300.0_f64.min(end.since(self.now).secs()));
            for (id, value) in readings {
                self.read(id, *value);
            }
        }
    }

    /// A proof passed, and the seconds it says.
    pub fn proven(&self, what: &str) -> Option<f64> {
        self.logs
            .iter()
            .filter(|entry| entry.kind == "proof" && entry.data["of"] == what)
            .find(|entry| entry.data["passed"] == true)
            .and_then(|entry| entry.data["secs"].as_f64())
    }

    /// Goes on with the engine of a snapshot of this moment.
    pub fn restore(&mut self) {
        let setup = Arc::clone(self.engine.setup());
        let (text, at) = (self.engine.snapshot(), self.engine.evaluated());
        self.engine = Engine::restore(setup, &text, at).expect("its own snapshot loads");
    }

    /// How often this was written to the journal.
    pub fn said(&self, text: &str) -> usize {
        self.logs.iter().filter(|entry| entry.text.contains(text)).count()
    }

    /// Gives the answer.
    pub fn ask(&mut self, what: Ask) -> String {
        let before = self.logs.len();
        self.event(Event::Command(Command { id: "test".into(), at: None, what }));
        self.logs[before..]
            .iter()
            .rev()
            .find(|entry| entry.kind == "answer")
            .map(|entry| entry.text.clone())
            .unwrap_or_default()
    }

    pub fn reset(&mut self, alarm: AlarmId) -> String {
        self.ask(Ask::Reset { cause: alarm.name().into(), reason: "looked at".into() })
    }

    pub fn stands(&self, alarm: AlarmId) -> bool {
        self.engine.alarms().stands(AlarmKey::plant(alarm))
    }

    /// What is said of an alarm; empty while it has nothing to say.
    pub fn text(&self, alarm: AlarmId) -> String {
        let found = self.engine.alarms().evidence(AlarmKey::plant(alarm));
        found.map(|(_, text)| text.to_owned()).unwrap_or_default()
    }

    pub fn permitted(&self) -> bool {
        self.permit.as_ref().is_some_and(|permit| permit.permitted)
    }

    pub fn missing(&self) -> Vec<String> {
        let permit = self.permit.as_ref().expect("a permit is always there");
        permit.missing.iter().map(|missing| missing.cause.clone()).collect()
    }

    /// How often an actuator was told so.
    pub fn told(&self, id: &str, action: Action) -> usize {
        let wanted = self.actuator(id);
        self.sent.iter().filter(|(_, which, what)| *which == wanted && *what == action).count()
    }
}
