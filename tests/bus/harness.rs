//! A small plant on the bus without its engine: the test is the engine.

use crate::support::wait;
use permeated::board::Board;
use permeated::edge::mqtt::{self, Bus, PlantBus, WallClock};
use permeated::engine::event::Event;
use permeated::engine::output::{Action, Output, Send};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Wall};
use permeated::intake::{Intake, Item, Taken};
use permeated::settings::schema::{
    Actuator, DemandMode, OnStop, Plant, Point, Role, Sensor, Settings,
};
use permeated::units::Quantity;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// Long enough for a loaded machine; conditions are usually met at once.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// A wall clock that always says the same, so that stamps can be compared.
pub const WALL: Wall = Wall::from_millis(1_795_600_800_000);

/// Settings of one plant: two probes on one JSON topic, a leak sensor, a valve with feedback.
pub fn settings(port: u16) -> Settings {
    let mut settings = Settings::default();
    settings.daemon.id = "d1".into();
    settings.broker.port = port;
    settings.broker.discovery = true;
    let mut plant = Plant::default();
    let sensor = |topic: &str, pointer: &str, quantity, point, unit: &str| Sensor {
        topic: topic.into(),
        pointer: pointer.into(),
        quantity: Some(quantity),
        point: Some(point),
        unit: unit.into(),
        ..Sensor::default()
    };
    plant.sensors.insert(
        "feed-tds".into(),
        sensor("probes/tds", "/feed", Quantity::Tds, Point::Feed, "ppm"),
    );
    plant.sensors.insert(
        "product-tds".into(),
        Sensor {
            availability_topic: "probes/online".into(),
            time_pointer: "/time".into(),
            ..sensor("probes/tds", "/product", Quantity::Tds, Point::Product, "ppm")
        },
    );
    plant.sensors.insert("leak".into(), sensor("floor/leak", "", Quantity::Leak, Point::Room, ""));
    plant.sensors.insert(
        "inlet".into(),
        sensor("inlet/pressure", "", Quantity::Pressure, Point::Supply, "psi"),
    );
    plant
        .sensors
        .insert("valve-state".into(), sensor("valve/state", "", Quantity::Open, Point::Supply, ""));
    plant.actuators.insert(
        "supply".into(),
        Actuator {
            role: Some(Role::SupplyValve),
            topic: "valve/set".into(),
            close: "CLOSE".into(),
            open: "OPEN".into(),
            state_sensor: "valve-state".into(),
            ..Actuator::default()
        },
    );
    plant.demand.mode = DemandMode::Topic;
    plant.demand.topic = "water/wanted".into();
    settings.plants.insert("reef".into(), plant);
    settings
}

/// Index of the only actuator.
pub const VALVE: usize = 0;

/// Index of a sensor of [`settings`].
pub fn sensor(id: &str) -> usize {
    ["feed-tds", "inlet", "leak", "product-tds", "valve-state"]
        .iter()
        .position(|known| *known == id)
        .expect("a sensor of the test plant")
}

/// A bus with a driver that records events and beats.
pub struct Harness {
    pub bus: Option<Bus>,
    pub board: Board,
    pub plant: PlantBus,
    got: Arc<Mutex<Vec<Item>>>,
    beating: Arc<AtomicBool>,
    ending: Arc<AtomicBool>,
    intake: Intake,
    driver: Option<JoinHandle<()>>,
    began: Instant,
}

impl Harness {
    /// Starts the bus for [`settings`].
    pub fn start(port: u16) -> Self {
        Self::with(settings(port))
    }

    /// Starts the bus for these settings (of one plant).
    pub fn with(settings: Settings) -> Self {
        Self::with_stop(settings, OnStop::Close)
    }

    /// Starts the bus with what a clean stop does.
    pub fn with_stop(settings: Settings, on_stop: OnStop) -> Self {
        let settings = Arc::new(settings);
        let setups: Vec<Arc<Setup>> = settings
            .plants
            .iter()
            .map(|(id, plant)| {
                let keep_alive = settings.broker.guard_keep_alive_secs;
                Arc::new(Setup::resolve(id, plant, on_stop, keep_alive))
            })
            .collect();
        let intake = Intake::new();
        let board = Board::new(&setups);
        let clock: WallClock = Arc::new(|| Some(WALL));
        let bus = mqtt::spawn(&settings, &setups, std::slice::from_ref(&intake), &board, &clock)
            .expect("the bus starts");
        let plant = bus.plants()[0].clone();
        let got = Arc::new(Mutex::new(Vec::new()));
        let beating = Arc::new(AtomicBool::new(true));
        let ending = Arc::new(AtomicBool::new(false));
        let driver = std::thread::spawn({
            let (plant, intake, got) = (plant.clone(), intake.clone(), Arc::clone(&got));
            let (beating, ending) = (Arc::clone(&beating), Arc::clone(&ending));
            move || {
                while !ending.load(Ordering::SeqCst) {
                    if beating.load(Ordering::SeqCst) {
                        plant.alive().beat();
                    }
                    match intake.take(Duration::from_millis(100)) {
                        Taken::Item(item) => {
                            plant.taken(&item.event);
                            got.lock().expect("whole").push(item);
                        }
                        Taken::TimedOut => {}
                        Taken::Closed => return,
                    }
                }
            }
        });
        Self {
            bus: Some(bus),
            board,
            plant,
            got,
            beating,
            ending,
            intake,
            driver: Some(driver),
            began: Instant::now(),
        }
    }

    /// The engine hangs: no more beats.
    pub fn hang(&self) {
        self.beating.store(false, Ordering::SeqCst);
    }

    /// It works again.
    pub fn wake(&self) {
        self.beating.store(true, Ordering::SeqCst);
    }

    /// Plant time now.
    pub fn mono(&self) -> Mono {
        Mono::from_millis(self.began.elapsed().as_millis() as i64)
    }

    /// Sends a command as the engine would, decided now.
    pub fn send(&self, action: Action) {
        let now = self.mono();
        let command = Send { actuator: VALVE, action, decided: now, attempt: 0 };
        self.plant.carry_out(&Output::Send(command), now);
    }

    /// The events taken so far.
    pub fn events(&self) -> Vec<Event> {
        self.got.lock().expect("whole").iter().map(|item| item.event.clone()).collect()
    }

    /// How many such events were taken.
    pub fn count(&self, event: &Event) -> usize {
        self.events().iter().filter(|got| *got == event).count()
    }

    /// Waits until the driver has taken this event at least `times` times.
    pub fn wait_times(&self, event: &Event, times: usize) {
        wait::until(&format!("{event:?} x{times}"), PATIENCE, || self.count(event) >= times);
    }

    /// Waits for an event.
    pub fn wait(&self, event: &Event) {
        self.wait_times(event, 1);
    }

    /// Waits until broker and guard are ready.
    pub fn wait_ready(&self) {
        self.wait(&Event::BrokerReady);
        self.wait(&Event::GuardConnected { actuator: VALVE });
    }

    /// Values that a sensor gave so far.
    pub fn values(&self, sensor: usize) -> Vec<f64> {
        self.events()
            .iter()
            .filter_map(|event| match event {
                Event::Reading(reading) if reading.sensor == sensor => Some(reading.value),
                _ => None,
            })
            .collect()
    }

    /// Stops main connection and guards in order. True when all guards said goodbye.
    pub fn stop(&mut self) -> bool {
        let mut bus = self.bus.take().expect("running");
        bus.stop_main();
        bus.stop_guards()
    }
}

impl Drop for Harness {
    fn drop(&mut self) {
        if let Some(mut bus) = self.bus.take() {
            bus.stop_main();
            bus.stop_guards();
        }
        self.ending.store(true, Ordering::SeqCst);
        self.intake.close();
        if let Some(driver) = self.driver.take() {
            let _ = driver.join();
        }
    }
}

/// Everything that was logged so far by this process.
pub fn log() -> String {
    String::from_utf8_lossy(&CAPTURED.lock().expect("whole")).into_owned()
}

static CAPTURED: Mutex<Vec<u8>> = Mutex::new(Vec::new());
static CAPTURING: std::sync::Once = std::sync::Once::new();

/// Starts to keep what is logged.
pub fn capture_log() {
    struct Keep;
    impl std::io::Write for Keep {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            CAPTURED.lock().expect("whole").extend_from_slice(bytes);
            Ok(bytes.len())
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    CAPTURING.call_once(|| {
        tracing_subscriber::fmt()
            .with_ansi(false)
            .with_env_filter("permeated=debug")
            .with_writer(|| Keep)
            .init();
    });
}
