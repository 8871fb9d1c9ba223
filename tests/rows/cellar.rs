//! The water and the sensors of one full plant: what it is like at this moment, published as the
//! devices of `config/full.toml` publish it, and actuators that obey.

use crate::support::client::Witness;
use crate::support::wait;
use serde_json::json;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// The slowest probes of `config/full.toml` speak this often; the level every second time.
pub const INTERVAL: Duration = Duration::from_secs(5);

/// What the water is like, and what the sensors say of it. Flows are those while the valve is open.
#[derive(Clone, Debug)]
pub struct Water {
    /// ppm of the two product probes; `None`: the probe is silent.
    pub product: Option<f64>,
    pub second: Option<f64>,
    pub permeate_ppm: f64,
    /// L/min of permeate; as much concentrate, up to 4.
    pub permeate: f64,
    /// L/min that pass the closed valve.
    pub leaks_by: f64,
    pub suction_bar: f64,
    pub feed_bar: f64,
    pub celsius: f64,
    pub level: f64,
    pub float: bool,
    pub brim: bool,
    pub wet: bool,
}

impl Default for Water {
    fn default() -> Self {
        Self {
            product: Some(0.0),
            second: Some(0.0),
            permeate_ppm: 7.0,
            permeate: 2.0,
            leaks_by: 0.0,
            suction_bar: 3.2,
            feed_bar: 4.1,
            celsius: 14.0,
            level: 60.0,
            float: false,
            brim: false,
            wet: false,
        }
    }
}

type Change = Box<dyn FnOnce(&mut Water) + Send>;

/// Sensors and actuators of one plant.
pub struct Cellar {
    plant: String,
    pending: Arc<Mutex<Option<Change>>>,
    /// When the last change became true.
    changed: Arc<Mutex<Option<Instant>>>,
    /// Litres of permeate that have flowed.
    made: Arc<Mutex<f64>>,
    ending: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Cellar {
    pub fn start(port: u16, plant: &str, water: Water) -> Self {
        let pending: Arc<Mutex<Option<Change>>> = Arc::default();
        let changed: Arc<Mutex<Option<Instant>>> = Arc::default();
        let made: Arc<Mutex<f64>> = Arc::default();
        let ending = Arc::new(AtomicBool::new(false));
        let mut devices = Devices {
            bus: Witness::new(port, &[&format!("{plant}/valve/set")]),
            plant: plant.to_owned(),
            water,
            said: None,
            obeyed: 0,
            is_open: false,
            pulses: [0.0; 3],
            made: Arc::clone(&made),
        };
        let thread = std::thread::spawn({
            let (pending, changed, ending) =
                (Arc::clone(&pending), Arc::clone(&changed), Arc::clone(&ending));
            move || {
                let mut next = Instant::now();
                let mut turn = 0u64;
                while !ending.load(Ordering::SeqCst) {
                    devices.obey();
                    if Instant::now() >= next {
                        next += INTERVAL;
                        turn += 1;
                        let whole = turn.is_multiple_of(2);
                        devices.speak(whole);
                        // The worst moment for a change is just after everything has been told.
                        let change = pending.lock().expect("whole").take_if(|_| whole);
                        if let Some(change) = change {
                            change(&mut devices.water);
                            *changed.lock().expect("whole") = Some(Instant::now());
                        }
                    }
                    devices.speak_up();
                    std::thread::park_timeout(Duration::from_millis(5));
                }
            }
        });
        Self { plant: plant.to_owned(), pending, changed, made, ending, thread: Some(thread) }
    }

    /// Changes the water at the worst moment for whoever watches it, and says when that was.
    pub fn cause(&self, change: impl FnOnce(&mut Water) + Send + 'static) -> Instant {
        *self.changed.lock().expect("whole") = None;
        *self.pending.lock().expect("whole") = Some(Box::new(change));
        wait::until_some("the next round of the sensors", 4 * INTERVAL, || {
            *self.changed.lock().expect("whole")
        })
    }

    /// Litres of permeate so far.
    pub fn made(&self) -> f64 {
        *self.made.lock().expect("whole")
    }

    /// Topic of one of the plant's properties.
    pub fn topic(&self, rest: &str) -> String {
        format!("permeated/5/{}/{rest}", self.plant)
    }

    /// Topic of an actuator's commands.
    pub fn commands(&self, actuator: &str) -> String {
        format!("{}/{actuator}/set", self.plant)
    }
}

impl Drop for Cellar {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

struct Devices {
    bus: Witness,
    plant: String,
    water: Water,
    /// Floats and floor as last told.
    said: Option<(bool, bool, bool)>,
    obeyed: usize,
    is_open: bool,
    /// Litres through supply, permeate and concentrate.
    pulses: [f64; 3],
    made: Arc<Mutex<f64>>,
}

impl Devices {
    fn tell(&self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.bus.publish_fast(&format!("{}/{topic}", self.plant), payload);
    }

    /// The valve does as it is told and says so.
    fn obey(&mut self) {
        let commands = format!("{}/valve/set", self.plant);
        let heard = self.bus.count(&commands);
        if heard != self.obeyed {
            self.obeyed = heard;
            self.is_open = self.bus.last(&commands).as_deref() == Some("ON");
            self.tell("valve/state", if self.is_open { "ON" } else { "OFF" });
        }
    }

    /// What speaks at regular intervals.
    fn speak(&mut self, with_level: bool) {
        let minutes = INTERVAL.as_secs_f64() / 60.0;
        let water = &self.water;
        let concentrate = water.permeate.min(4.0);
        let flows = match self.is_open {
            true => [water.permeate + concentrate, water.permeate, concentrate],
            false => [water.leaks_by, 0.0, 0.0],
        };
        for (sum, flow) in self.pulses.iter_mut().zip(flows) {
            *sum += flow * minutes;
        }
        *self.made.lock().expect("whole") = self.pulses[1];
        let [supply, permeate, concentrate] = self.pulses;
        let state = json!({
            "supply": { "uS": 480, "bar": water.suction_bar, "celsius": water.celsius,
                        "pulses": (supply / 0.01).floor() },
            "feed": { "ppm": 240, "bar": water.feed_bar, "celsius": water.celsius },
            "permeate": { "ppm": water.permeate_ppm, "pulses": (permeate / 0.0025).floor() },
            "concentrate": { "pulses": (concentrate / 0.0025).floor() },
            "between": { "ppm": 0 },
        });
        self.tell("water/state", state.to_string());
        if let Some(ppm) = water.product {
            self.tell("product/state", json!({ "ppm": ppm }).to_string());
        }
        if let Some(ppm) = water.second {
            self.tell("second/state", json!({ "ppm": ppm }).to_string());
        }
        self.tell("valve/state", if self.is_open { "ON" } else { "OFF" });
        if with_level {
            self.tell("store/litres", format!("{:.1}", water.level));
            // Once a round those that speak up by themselves say that they live.
            self.said = None;
        }
    }

    /// What speaks when something changes.
    fn speak_up(&mut self) {
        let now = (self.water.float, self.water.brim, self.water.wet);
        if self.said == Some(now) {
            return;
        }
        let word = |on: bool| if on { "ON" } else { "OFF" };
        self.said = Some(now);
        self.tell("store/full", word(now.0));
        self.tell("store/brim", word(now.1));
        self.tell("floor", json!({ "water_leak": now.2 }).to_string());
    }
}
