//! What comes in on the main connection, sorted to the engines.
//!
//! Invariants: nothing here blocks or awaits; a message costs a look into one table and a token
//! before anything is parsed; a bad payload is counted, named once, and stops nothing. A guard
//! sensor that floods keeps its newest message and delivers it as soon as its bucket allows, so that
//! what it says last always arrives. Stored copies carry their mark; a stored *on* of the demand
//! topic and stored commands are never acted upon.

use super::PlantBus;
use super::announcer::Announcer;
use super::bucket::Bucket;
use super::command;
use super::outbox::Outbox;
use super::payload::{self, Unparsable};
use super::topics::{ALARM, ALARM_COMMANDS, GUARD, GUARD_COMMANDS, SERVICE, Topics, publish_log};
use crate::board::Board;
use crate::engine::event::{Event, Reading};
use crate::engine::output::LogEntry;
use crate::engine::setup::{ActuatorIx, ActuatorSetup, SensorIx, Setup};
use crate::engine::time::Wall;
use crate::engine::value::NoReading;
use crate::intake::{Intake, Item, Lane};
use crate::settings::Settings;
use crate::settings::schema::{DemandMode, Sensor};
use bytes::Bytes;
use rumqttc::Publish;
use serde_json::json;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The wall clock, as the edges see it: `None` while it is not sane.
pub type WallClock = Arc<dyn Fn() -> Option<Wall> + Send + Sync>;

/// A guard sensor may send this much for long, whatever the settings say for others...
const GUARD_PER_SEC: f64 = 20.0;
/// ... and this much at once.
const GUARD_BURST: f64 = 200.0;
/// How often an instance says that it is there.
pub const HEARTBEAT: Duration =
    Duration::from_millis(crate::engine::causes::HEARTBEAT.millis() as u64);
/// A foreign instance that was silent this long is gone.
const OTHER_GONE: Duration = Duration::from_secs(6);
/// How often counters go to the board.
const HEALTH_EVERY: Duration = Duration::from_secs(1);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Route {
    Sensor {
        plant: usize,
        sensor: SensorIx,
    },
    Availability {
        plant: usize,
        sensor: SensorIx,
    },
    Demand {
        plant: usize,
    },
    Actuator {
        plant: usize,
        actuator: ActuatorIx,
    },
    Command {
        plant: usize,
        node: &'static str,
        name: &'static str,
    },
    /// A heartbeat: of a plant, or of the daemon as a whole.
    Instance {
        plant: Option<usize>,
    },
    OwnState,
    Hub,
}

/// Whether water is wanted, after a message on the demand topic. A stored *on* says nothing.
pub(crate) fn demanded(payload: &[u8], retained: bool) -> Option<bool> {
    payload::yes_or_no(payload).filter(|wanted| !(*wanted && retained))
}

/// What a message on an actuator's topic commands: true for open. Stored copies command nothing.
pub(crate) fn seen(facts: &ActuatorSetup, payload: &[u8], retained: bool) -> Option<bool> {
    if retained {
        return None;
    }
    if payload == facts.close.as_bytes() {
        Some(false)
    } else if !facts.open.is_empty() && payload == facts.open.as_bytes() {
        Some(true)
    } else {
        None
    }
}

/// The answer to a command that does not reach the engine.
pub(crate) fn refusal(command: &str, text: &str, at: Option<Wall>) -> LogEntry {
    LogEntry {
        at,
        kind: "answer".into(),
        text: format!("{command}: {text}"),
        data: json!({"command": command, "accepted": false}),
        protective: false,
    }
}

/// One topic to subscribe to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Filter {
    pub(super) topic: String,
    /// What it is for, in words, for the day the broker refuses it.
    pub(super) purpose: String,
    /// Without it we are not ready.
    pub(super) required: bool,
}

struct Held {
    payload: Bytes,
    retained: bool,
    arrived: Option<Wall>,
}

struct SensorSide {
    name: String,
    pointer: String,
    time_pointer: String,
    bucket: Bucket,
    held: Option<Held>,
    bad: u64,
    is_bad: bool,
    limited: u64,
}

struct PlantSide {
    setup: Arc<Setup>,
    intake: Intake,
    sensors: Vec<SensorSide>,
    bus: PlantBus,
    /// Whether the engine lived when we last looked; `None` before its first beat.
    lives: Option<bool>,
    /// When another daemon that guards this plant was last heard.
    other_heard: Option<Instant>,
    /// The engine has been told of it.
    other_told: bool,
    /// Panics of the engine that we have seen.
    panics: u64,
}

/// What one plant brings along.
pub(super) struct PlantParts {
    pub(super) bus: PlantBus,
    pub(super) intake: Intake,
}

/// What comes in, sorted to the engines.
pub(super) struct Receiver {
    routes: HashMap<String, Vec<Route>>,
    filters: Vec<Filter>,
    plants: Vec<PlantSide>,
    topics: Topics,
    outbox: Outbox,
    board: Board,
    clock: WallClock,
    /// What our heartbeats say.
    beat: String,
    announcer: Announcer,
    /// When another daemon with our own id was last heard.
    other_heard: Option<Instant>,
    echoed: Option<Instant>,
    is_ready: bool,
    hub_came: bool,
    /// Another daemon has just been heard for the first time: it is to hear us at once.
    beat_now: bool,
    health_due: Instant,
    counts_changed: bool,
}

impl Receiver {
    pub(super) fn new(
        settings: &Settings,
        plants: Vec<PlantParts>,
        topics: Topics,
        beat: String,
        outbox: Outbox,
        board: Board,
        clock: WallClock,
    ) -> Self {
        let now = Instant::now();
        let announcer = Announcer::new(settings, &plants, &topics);
        let mut receiver = Self {
            routes: HashMap::new(),
            filters: Vec::new(),
            plants: Vec::new(),
            topics,
            outbox,
            board,
            clock,
            beat,
            announcer,
            other_heard: None,
            echoed: None,
            is_ready: false,
            hub_came: false,
            beat_now: false,
            health_due: now,
            counts_changed: false,
        };
        for (plant, parts) in plants.into_iter().enumerate() {
            receiver.add_plant(settings, plant, parts, now);
        }
        let instance = receiver.topics.instance();
        receiver.add(instance, Route::Instance { plant: None }, "our own echo".into(), true);
        let state = receiver.topics.daemon_state();
        receiver.add(state, Route::OwnState, "our own state".into(), false);
        if settings.broker.discovery {
            let hub = receiver.topics.hub_status().to_owned();
            receiver.add(hub, Route::Hub, "birth message of the hub".into(), false);
            receiver.filters.push(Filter {
                topic: receiver.topics.discovery("+"),
                purpose: "our own announcements to the hub".into(),
                required: false,
            });
        }
        receiver
    }

    fn add(&mut self, topic: String, route: Route, purpose: String, required: bool) {
        let routes = self.routes.entry(topic.clone()).or_default();
        routes.push(route);
        match self.filters.iter_mut().find(|filter| filter.topic == topic) {
            Some(filter) => {
                filter.purpose = format!("{}; {purpose}", filter.purpose);
                filter.required |= required;
            }
            None => self.filters.push(Filter { topic, purpose, required }),
        }
    }

    fn add_plant(&mut self, settings: &Settings, plant: usize, parts: PlantParts, now: Instant) {
        let setup = Arc::clone(&parts.bus.setup);
        let id = setup.plant.as_str();
        let declared = &settings.plants[id];
        let mut sensors = Vec::new();
        for (index, (sensor_id, sensor)) in declared.sensors.iter().enumerate() {
            let name = format!("{id}/{sensor_id}");
            let purpose = format!("plant '{id}', sensor '{sensor_id}'");
            let route = Route::Sensor { plant, sensor: index };
            self.add(sensor.topic.clone(), route, purpose.clone(), true);
            if !sensor.availability_topic.is_empty() {
                self.add(
                    sensor.availability_topic.clone(),
                    Route::Availability { plant, sensor: index },
                    format!("{purpose}, availability"),
                    true,
                );
            }
            sensors.push(SensorSide::new(name, sensor, settings, setup.sensors[index].guards, now));
        }
        for (actuator, facts) in setup.actuators.iter().enumerate() {
            self.add(
                facts.topic.clone(),
                Route::Actuator { plant, actuator },
                format!("plant '{id}', actuator '{}'", facts.id),
                true,
            );
        }
        if setup.demand == DemandMode::Topic {
            self.add(
                declared.demand.topic.clone(),
                Route::Demand { plant },
                format!("plant '{id}', demand"),
                true,
            );
        }
        let commands = GUARD_COMMANDS
            .iter()
            .map(|name| (GUARD, *name))
            .chain(ALARM_COMMANDS.iter().map(|name| (ALARM, *name)))
            .chain([(SERVICE, "entry")]);
        for (node, name) in commands {
            self.add(
                self.topics.command(id, node, name),
                Route::Command { plant, node, name },
                format!("plant '{id}', command '{name}'"),
                true,
            );
        }
        self.add(
            self.topics.plant_instance(id),
            Route::Instance { plant: Some(plant) },
            format!("plant '{id}', other daemons that guard it"),
            true,
        );
        self.plants.push(PlantSide {
            setup,
            intake: parts.intake,
            sensors,
            bus: parts.bus,
            lives: None,
            other_heard: None,
            other_told: false,
            panics: 0,
        });
    }

    /// Everything to subscribe to.
    pub(super) fn filters(&self) -> &[Filter] {
        &self.filters
    }

    /// Every subscription is granted, or the connection is gone: tells every plant.
    pub(super) fn ready(&mut self, ready: bool) {
        self.is_ready = ready;
        for plant in 0..self.plants.len() {
            self.control(plant, if ready { Event::BrokerReady } else { Event::BrokerLost });
        }
    }

    /// The broker has answered our subscriptions.
    pub(super) fn subscribed(&mut self, now: Instant) {
        self.announcer.subscribed(now);
        // Who was there before the outage has time to show himself again.
        let sides = self.plants.iter_mut().map(|side| &mut side.other_heard);
        for heard in sides.chain([&mut self.other_heard]).flatten() {
            *heard = now;
        }
    }

    /// A new connection begins: echoes of before will not come.
    pub(super) fn connection_began(&mut self) {
        self.echoed = None;
        for plant in &self.plants {
            for guard in plant.bus.guards() {
                guard.forget_echoes();
            }
        }
    }

    /// When our heartbeat last came back.
    pub(super) fn echoed(&self) -> Option<Instant> {
        self.echoed
    }

    /// The hub has come back since this was last asked.
    pub(super) fn take_hub_came(&mut self) -> bool {
        std::mem::take(&mut self.hub_came)
    }

    /// A message came.
    pub(super) fn incoming(&mut self, publish: &Publish, now: Instant) {
        let Some(routes) = self.routes.get(&publish.topic) else {
            self.announcer.stored(&publish.topic, &publish.payload, publish.retain, &self.outbox);
            return;
        };
        // Routes are few and small; a copy keeps the table free for what follows.
        for route in routes.clone() {
            match route {
                Route::Sensor { plant, sensor } => self.sensor(plant, sensor, publish, now),
                Route::Availability { plant, sensor } => {
                    if payload::availability(&publish.payload) == Some(false) {
                        self.no_reading(plant, sensor, NoReading::Offline);
                    }
                }
                Route::Demand { plant } => self.demand(plant, publish),
                Route::Actuator { plant, actuator } => self.actuator(plant, actuator, publish),
                Route::Command { plant, node, name } => self.command(plant, node, name, publish),
                Route::Instance { plant } => self.heartbeat(plant, publish, now),
                Route::OwnState => self.own_state(publish),
                Route::Hub => {
                    if !publish.retain && publish.payload.as_ref() == b"online" {
                        self.hub_came = true;
                    }
                }
            }
        }
    }

    fn sensor(&mut self, plant: usize, sensor: SensorIx, publish: &Publish, now: Instant) {
        let guards = self.plants[plant].setup.sensors[sensor].guards;
        let side = &mut self.plants[plant].sensors[sensor];
        if side.bucket.take(now) {
            side.held = None;
            let arrived = (self.clock)();
            self.reading(plant, sensor, &publish.payload, publish.retain, arrived);
            return;
        }
        side.limited += 1;
        self.counts_changed = true;
        if guards {
            // Cloning the bytes only counts a reference.
            side.held = Some(Held {
                payload: publish.payload.clone(),
                retained: publish.retain,
                arrived: (self.clock)(),
            });
        }
    }

    fn reading(
        &mut self,
        plant: usize,
        sensor: SensorIx,
        bytes: &[u8],
        retained: bool,
        arrived: Option<Wall>,
    ) {
        let setup = &self.plants[plant].setup.sensors[sensor];
        let (quantity, unit) = (setup.quantity, setup.unit);
        let side = &mut self.plants[plant].sensors[sensor];
        let decoded = payload::decode(bytes, &side.pointer, &side.time_pointer, quantity)
            .map(|decoded| (unit.to_canonical(decoded.value), decoded.stamp))
            .and_then(|(value, stamp)| match value.is_finite() {
                true => Ok((value, stamp)),
                false => Err(Unparsable::NotFinite),
            });
        match decoded {
            Ok((value, stamp)) => {
                if side.is_bad {
                    side.is_bad = false;
                    tracing::info!(sensor = %side.name, bad = side.bad, "payloads good again");
                }
                let reading = Reading { sensor, value, retained, arrived, stamp };
                self.put(plant, sensor, Event::Reading(reading), arrived);
            }
            Err(Unparsable::NoValue) => self.no_reading(plant, sensor, NoReading::Offline),
            Err(why) => {
                side.bad += 1;
                self.counts_changed = true;
                if !side.is_bad {
                    side.is_bad = true;
                    let first = payload::shown(bytes);
                    tracing::warn!(sensor = %side.name, %why, first, "bad payload");
                }
                self.no_reading(plant, sensor, NoReading::Unparsable);
            }
        }
    }

    fn no_reading(&self, plant: usize, sensor: SensorIx, reason: NoReading) {
        self.put(plant, sensor, Event::NoReading { sensor, reason }, (self.clock)());
    }

    fn put(&self, plant: usize, sensor: SensorIx, event: Event, arrived: Option<Wall>) {
        let side = &self.plants[plant];
        let lane = if side.setup.sensors[sensor].guards { Lane::Guard } else { Lane::Trend };
        side.intake.put(lane, Item { event, arrived });
    }

    fn control(&self, plant: usize, event: Event) {
        self.plants[plant].intake.put(Lane::Control, Item { event, arrived: (self.clock)() });
    }

    fn demand(&self, plant: usize, publish: &Publish) {
        if let Some(wanted) = demanded(&publish.payload, publish.retain) {
            self.control(plant, Event::Demand { wanted });
        }
    }

    fn actuator(&self, plant: usize, actuator: ActuatorIx, publish: &Publish) {
        let side = &self.plants[plant];
        let facts = &side.setup.actuators[actuator];
        let Some(open) = seen(facts, &publish.payload, publish.retain) else { return };
        if !side.bus.guards()[actuator].take_echo(open) {
            self.control(plant, Event::SeenOnTopic { actuator, open });
        }
    }

    fn command(&self, plant: usize, node: &'static str, name: &'static str, publish: &Publish) {
        // Empty is what clears a stored command; it comes back to us when we have done so.
        if publish.payload.is_empty() {
            return;
        }
        if publish.retain {
            self.outbox.publish(&publish.topic, "", true);
            self.outbox.assert_again(&publish.topic);
            self.answer(plant, name, "refused: the command was retained; it has been cleared");
            return;
        }
        match command::parse(node, name, &publish.payload) {
            Ok(command) => self.control(plant, Event::Command(command)),
            Err(why) => self.answer(plant, name, &format!("refused: {why}")),
        }
    }

    fn answer(&self, plant: usize, name: &str, text: &str) {
        let entry = refusal(name, text, (self.clock)());
        tracing::warn!(plant = %self.plants[plant].setup.plant, command = name, text);
        self.board.note(plant, &crate::engine::output::Output::Log(entry.clone()));
        publish_log(&entry, &self.plants[plant].setup.plant, &self.topics, &self.outbox);
    }

    /// A heartbeat that is not ours is another live daemon. Ours come back on the daemon's topic.
    fn heartbeat(&mut self, plant: Option<usize>, publish: &Publish, now: Instant) {
        if publish.retain {
            return;
        }
        if publish.payload.as_ref() == self.beat.as_bytes() {
            if plant.is_none() {
                self.echoed = Some(now);
            }
            return;
        }
        let heard = match plant {
            Some(plant) => &mut self.plants[plant].other_heard,
            None => &mut self.other_heard,
        };
        if heard.replace(now).is_none() {
            let other = payload::shown(&publish.payload);
            match plant {
                Some(plant) => {
                    let plant = &self.plants[plant].setup.plant;
                    tracing::error!(%plant, other, "another daemon guards this plant");
                }
                None => tracing::error!(other, "another daemon with our id is on the bus"),
            }
            self.beat_now = true;
            self.tell_of_others();
        }
    }

    /// Tells each engine whose answer has changed whether another daemon is there.
    fn tell_of_others(&mut self) {
        let same_id = self.other_heard.is_some();
        for plant in 0..self.plants.len() {
            let side = &mut self.plants[plant];
            let present = same_id || side.other_heard.is_some();
            if side.other_told != present {
                side.other_told = present;
                self.control(plant, Event::OtherInstance { present });
            }
        }
    }

    /// Forgets those who have been silent for long. What they left on our topics is overwritten.
    fn look_for_others(&mut self, now: Instant) {
        if self.echoed.is_none() {
            // Without a connection nobody can be heard.
            return;
        }
        let is_gone = |heard: &mut Option<Instant>| {
            heard.take_if(|at| now.duration_since(*at) >= OTHER_GONE).is_some()
        };
        let mut gone = is_gone(&mut self.other_heard);
        for side in &mut self.plants {
            gone |= is_gone(&mut side.other_heard);
        }
        if gone {
            tracing::info!("the other daemon is gone");
            self.outbox.assert_all();
            self.tell_of_others();
        }
    }

    /// An engine that came back from a panic has begun anew and knows nothing of the connection.
    fn look_for_panics(&mut self) {
        for plant in 0..self.plants.len() {
            let side = &mut self.plants[plant];
            let panics = side.bus.alive().panics();
            if std::mem::replace(&mut side.panics, panics) == panics {
                continue;
            }
            let other = side.other_told;
            if self.is_ready {
                self.control(plant, Event::BrokerReady);
            }
            if other {
                self.control(plant, Event::OtherInstance { present: true });
            }
        }
    }

    /// Topics on which we say that we are there.
    pub(super) fn beat_topics(&self) -> impl Iterator<Item = String> + '_ {
        let plants = self.plants.iter().map(|side| self.topics.plant_instance(&side.setup.plant));
        std::iter::once(self.topics.instance()).chain(plants)
    }

    /// Somebody has to hear our heartbeat now.
    pub(super) fn take_beat_now(&mut self) -> bool {
        std::mem::take(&mut self.beat_now)
    }

    /// Somebody else wrote our state: the will of a connection that we have replaced, or another
    /// instance that stopped. What holds is what we say.
    fn own_state(&self, publish: &Publish) {
        let topic = self.topics.daemon_state();
        let ours = self.outbox.retained(&topic);
        if ours.is_some_and(|ours| ours.as_ref() != publish.payload.as_ref()) {
            self.outbox.assert_again(&topic);
        }
    }

    /// What time brings: held readings, a silent other instance, counters for the board.
    pub(super) fn tick(&mut self, now: Instant) {
        for plant in 0..self.plants.len() {
            for sensor in 0..self.plants[plant].sensors.len() {
                let side = &mut self.plants[plant].sensors[sensor];
                if side.held.is_some()
                    && side.bucket.take(now)
                    && let Some(held) = side.held.take()
                {
                    self.reading(plant, sensor, &held.payload, held.retained, held.arrived);
                }
            }
        }
        self.look_for_others(now);
        self.look_for_panics();
        for plant in &mut self.plants {
            let lives = plant.bus.alive().is_fresh();
            if plant.lives.unwrap_or(lives) != lives {
                plant.bus.show_life(lives);
            }
            if lives || plant.lives.is_some() {
                plant.lives = Some(lives);
            }
        }
        self.announcer.tick(now, &self.outbox);
        if now >= self.health_due {
            self.health_due = now + HEALTH_EVERY;
            self.report();
        }
    }

    fn report(&mut self) {
        let lanes: BTreeMap<String, u64> = self
            .plants
            .iter()
            .map(|plant| (plant, plant.intake.dropped()))
            .filter(|(_, dropped)| dropped.trend + dropped.guard > 0)
            .map(|(plant, dropped)| (plant.setup.plant.clone(), dropped.trend + dropped.guard))
            .collect();
        if !std::mem::take(&mut self.counts_changed) && lanes.is_empty() {
            return;
        }
        let all = || self.plants.iter().flat_map(|plant| &plant.sensors);
        let counted = |count: fn(&SensorSide) -> u64| -> BTreeMap<String, u64> {
            all()
                .filter(|side| count(side) > 0)
                .map(|side| (side.name.clone(), count(side)))
                .collect()
        };
        let bad = counted(|side| side.bad);
        let limited = counted(|side| side.limited);
        self.board.change_health(|health| {
            health.bad_payloads = bad;
            health.rate_limited = limited;
            health.lane_dropped = lanes;
        });
    }
}

impl SensorSide {
    fn new(name: String, sensor: &Sensor, settings: &Settings, guards: bool, now: Instant) -> Self {
        let broker = &settings.broker;
        let (rate, burst) = (broker.sensor_rate_per_sec, f64::from(broker.sensor_burst));
        let bucket = match guards {
            true => Bucket::new(rate.max(GUARD_PER_SEC), burst.max(GUARD_BURST), now),
            false => Bucket::new(rate, burst, now),
        };
        Self {
            name,
            pointer: sensor.pointer.clone(),
            time_pointer: sensor.time_pointer.clone(),
            bucket,
            held: None,
            bad: 0,
            is_bad: false,
            limited: 0,
        }
    }
}
