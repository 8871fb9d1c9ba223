//! Cheap sensors: what they make of the truth, and what a radio makes of their messages.
//!
//! Invariants: a probe sees [`Truth`] and nothing else; same truth, parameters and seed give the same
//! messages; every queue here is bounded by the number of probes.

use super::parameters::PlantParameters;
use super::random::Random;
use super::truth::Truth;
use serde::{Deserialize, Serialize};

/// What a probe measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measures {
    /// Dissolved solids, ppm on the 0.5 scale.
    Tds,
    /// °C.
    Temperature,
    /// bar.
    Pressure,
    /// L/min.
    Flow,
    /// A running count of pulses.
    Pulses,
    /// Litres in the container.
    Level,
    /// Float switch.
    Full,
    /// Floor sensor.
    Leak,
    /// State of the supply valve's relay.
    Open,
    /// W.
    Power,
}

impl Measures {
    /// The word in settings and topics.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tds => "tds",
            Self::Temperature => "temperature",
            Self::Pressure => "pressure",
            Self::Flow => "flow",
            Self::Pulses => "pulses",
            Self::Level => "level",
            Self::Full => "full",
            Self::Leak => "leak",
            Self::Open => "open",
            Self::Power => "power",
        }
    }

    /// A yes or a no: sent at once on a change, and as a heartbeat.
    pub const fn is_state(self) -> bool {
        matches!(self, Self::Full | Self::Leak | Self::Open)
    }
}

/// Where a probe sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Place {
    /// Tap.
    Supply,
    /// Membrane inlet.
    Feed,
    /// Concentrate.
    Concentrate,
    /// Permeate.
    Permeate,
    /// After the first vessel.
    Between,
    /// After the last vessel.
    Product,
    /// Container.
    Store,
    /// Floor.
    Room,
}

impl Place {
    /// The word in settings and topics.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Supply => "supply",
            Self::Feed => "feed",
            Self::Concentrate => "concentrate",
            Self::Permeate => "permeate",
            Self::Between => "between",
            Self::Product => "product",
            Self::Store => "store",
            Self::Room => "room",
        }
    }
}

/// How a display rounds.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Rounds {
    /// To the nearest step.
    Nearest,
    /// Cuts off.
    Down,
}

/// One probe and its radio.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ProbeParameters {
    /// Id.
    pub id: String,
    /// What.
    pub measures: Measures,
    /// Where.
    pub place: Place,
    /// Shortest time between messages, s.
    pub interval_min_secs: f64,
    /// Longest time between messages, s.
    pub interval_max_secs: f64,
    /// Time between messages while no water flows, s; 0: the same as while it flows.
    pub interval_idle_secs: f64,
    /// Multiplies the truth.
    pub gain: f64,
    /// Added to the truth, in the probe's unit.
    pub offset: f64,
    /// Standard deviation of a reading, in the probe's unit.
    pub noise: f64,
    /// Display step; 0: none.
    pub step: f64,
    /// How it rounds.
    pub rounds: Rounds,
    /// First-order lag, s.
    pub lag_secs: f64,
    /// Air in the cell for this long after a start, s: readings fall anywhere between 0 and the truth,
    /// and one in five shoots over.
    pub bubbles_secs: f64,
    /// Chance that one reading is a spike.
    pub spike_chance: f64,
    /// Size of a spike, in the probe's unit.
    pub spike_size: f64,
    /// Drift of the gain in a day, share.
    pub drift_per_day: f64,
    /// Plant time at which that begins, s.
    #[serde(default)]
    pub drift_from_secs: f64,
    /// Error of the temperature compensation, share per K from 25 °C.
    pub compensation_per_k: f64,
    /// Pulses: litres of one.
    pub litres_per_pulse: f64,
    /// Pulses: below this flow the rotor stalls, L/min.
    pub stalls_below: f64,
    /// Pulses: the counter turns over here; 0: never.
    pub wraps_at: u64,
    /// Chance that a message is lost.
    pub loss: f64,
    /// Chance that a message comes twice.
    pub doubled: f64,
    /// Longest delay on the way, s.
    pub delay_max_secs: f64,
}

impl ProbeParameters {
    /// A perfect probe with perfect radio, one message in `interval_secs`.
    pub fn perfect(measures: Measures, place: Place, interval_secs: f64) -> Self {
        Self {
            id: format!("{}-{}", place.word(), measures.word()),
            measures,
            place,
            interval_min_secs: interval_secs,
            interval_max_secs: interval_secs,
            interval_idle_secs: 0.0,
            gain: 1.0,
            offset: 0.0,
            noise: 0.0,
            step: 0.0,
            rounds: Rounds::Nearest,
            lag_secs: 0.0,
            bubbles_secs: 0.0,
            spike_chance: 0.0,
            spike_size: 0.0,
            drift_per_day: 0.0,
            drift_from_secs: 0.0,
            compensation_per_k: 0.0,
            litres_per_pulse: 0.0022,
            stalls_below: 0.0,
            wraps_at: 0,
            loss: 0.0,
            doubled: 0.0,
            delay_max_secs: 0.0,
        }
    }

    /// A probe drawn from documented ranges (EQ 0: gain 2 to 10 %, step 1 ppm, offset 0 to 2 ppm,
    /// meters 2 to 5 %, pressure 1 to 2 % of 10 bar, level 1 cm).
    ///
    /// | what | from | to |
    /// | --- | --- | --- |
    /// | interval, s | 5 | 30, irregular |
    /// | dissolved solids: gain of the make, of the probe | sd 0.04 | sd 0.015 |
    /// | offset, ppm | 0 | 0.6 (product 0 to 0.3) |
    /// | noise, ppm plus share | 0.1 | 0.4, 0.3 % |
    /// | compensation error, share per K | sd 0.001 | |
    /// | lag, s | 0 | 6 |
    /// | bubbles after a start, s | 0 | 25 |
    /// | spikes | 0 | 1 in 1000 |
    /// | loss, doubled | 0 | 0.02 |
    /// | delay, s | 0 | 1.5 |
    fn random(measures: Measures, place: Place, common_gain: f64, r: &mut Random) -> Self {
        let mut probe = Self::perfect(measures, place, 10.0);
        let interval = r.between(5.0, 20.0);
        probe.interval_min_secs = interval;
        probe.interval_max_secs = (interval * r.between(1.0, 1.6)).min(30.0);
        probe.loss = r.between(0.0, 0.02);
        probe.doubled = r.between(0.0, 0.02);
        probe.delay_max_secs = r.between(0.0, 1.5);
        match measures {
            Measures::Tds => {
                probe.gain = common_gain * (1.0 + 0.015 * r.normal());
                probe.offset = match place {
                    Place::Product => r.between(0.0, 0.3),
                    _ => r.between(0.0, 0.6),
                };
                probe.noise = r.between(0.1, 0.4);
                probe.step = 1.0;
                probe.rounds = if r.chance(0.5) { Rounds::Nearest } else { Rounds::Down };
                probe.lag_secs = r.between(0.0, 6.0);
                probe.bubbles_secs = r.between(0.0, 25.0);
                probe.spike_chance = r.between(0.0, 0.001);
                probe.spike_size = r.between(5.0, 200.0);
                probe.compensation_per_k = 0.001 * r.normal();
            }
            Measures::Temperature => {
                probe.offset = 0.4 * r.normal();
                probe.noise = 0.05;
                probe.step = 0.1;
                probe.lag_secs = 20.0;
            }
            Measures::Pressure => {
                probe.gain = 1.0 + 0.01 * r.normal();
                probe.offset = 0.05 * r.normal();
                probe.noise = 0.02;
                probe.step = 0.01;
            }
            Measures::Flow | Measures::Pulses => {
                probe.gain = 1.0 + 0.025 * r.normal();
                probe.stalls_below = 0.02;
                probe.noise = 0.002;
                probe.wraps_at = if r.chance(0.3) { 65_536 } else { 0 };
            }
            Measures::Level => {
                probe.gain = 1.0 + 0.01 * r.normal();
                probe.noise = 0.2;
                probe.step = 0.1;
            }
            Measures::Power => probe.noise = 0.3,
            Measures::Full | Measures::Leak | Measures::Open => {
                probe.interval_min_secs = 60.0;
                probe.interval_max_secs = 60.0;
            }
        }
        probe
    }
}

/// The probes of a full plant, drawn from documented ranges.
pub fn random_probes(seed: u64, plant: &PlantParameters) -> Vec<ProbeParameters> {
    let mut r = Random::branch(seed, "probes");
    let common_gain = 1.0 + 0.04 * r.normal();
    full_places(plant)
        .into_iter()
        .map(|(measures, place)| ProbeParameters::random(measures, place, common_gain, &mut r))
        .collect()
}

/// What a full plant measures.
pub fn full_places(plant: &PlantParameters) -> Vec<(Measures, Place)> {
    let mut places = vec![
        (Measures::Tds, Place::Feed),
        (Measures::Tds, Place::Permeate),
        (Measures::Tds, Place::Product),
        (Measures::Temperature, Place::Feed),
        (Measures::Pressure, Place::Feed),
        (Measures::Flow, Place::Permeate),
        (Measures::Pulses, Place::Permeate),
        (Measures::Pulses, Place::Feed),
        (Measures::Level, Place::Store),
        (Measures::Full, Place::Store),
        (Measures::Leak, Place::Room),
        (Measures::Open, Place::Supply),
    ];
    if plant.vessels.len() > 1 {
        places.insert(2, (Measures::Tds, Place::Between));
    }
    places
}

/// What is wrong with a probe.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Broken {
    /// Nothing.
    No,
    /// Sends nothing.
    Silent,
    /// Sends this whatever the truth is.
    Stuck(f64),
}

/// One message of a probe.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ProbeMessage {
    /// Index of the probe.
    pub probe: usize,
    /// Running number of the reading at this probe; a doubled message has the same.
    pub number: u64,
    /// When it was read, plant time in s.
    pub read_at: f64,
    /// When it arrives, plant time in s.
    pub arrives_at: f64,
    /// The reading; states are 0 or 1.
    pub value: f64,
    /// It is the second copy.
    pub is_copy: bool,
}

#[derive(Clone, Debug)]
struct Probe {
    p: ProbeParameters,
    random: Random,
    broken: Broken,
    next_at: f64,
    lagged: Option<f64>,
    pulses: f64,
    litres_seen: f64,
    last_state: Option<bool>,
    flowed: bool,
    number: u64,
}

/// The probes of a plant.
#[derive(Clone, Debug)]
pub struct Probes {
    probes: Vec<Probe>,
    seen_at: f64,
    /// Waiting on the way: at most a few for each probe, as each reads no faster than once a second.
    on_the_way: Vec<ProbeMessage>,
}

impl Probes {
    /// Probes; the seed draws their noise, not their parameters.
    pub fn new(parameters: Vec<ProbeParameters>, seed: u64) -> Self {
        let probes = parameters
            .into_iter()
            .map(|p| {
                let mut random = Random::branch(seed, &p.id);
                let next_at = random.between(0.0, p.interval_max_secs);
                Probe {
                    p,
                    random,
                    broken: Broken::No,
                    next_at,
                    lagged: None,
                    pulses: 0.0,
                    litres_seen: 0.0,
                    last_state: None,
                    flowed: false,
                    number: 0,
                }
            })
            .collect();
        Self { probes, seen_at: 0.0, on_the_way: Vec::new() }
    }

    /// Their parameters, in order.
    pub fn parameters(&self) -> impl Iterator<Item = &ProbeParameters> {
        self.probes.iter().map(|probe| &probe.p)
    }

    /// Index of a probe by its id.
    pub fn find(&self, id: &str) -> Option<usize> {
        self.probes.iter().position(|probe| probe.p.id == id)
    }

    /// Breaks or mends a probe.
    pub fn set_broken(&mut self, probe: usize, broken: Broken) {
        if let Some(probe) = self.probes.get_mut(probe) {
            probe.broken = broken;
        }
    }

    /// Changes a probe's parameters, to make it drift or lose messages from now on.
    pub fn change(&mut self, probe: usize, change: impl FnOnce(&mut ProbeParameters)) {
        if let Some(probe) = self.probes.get_mut(probe) {
            change(&mut probe.p);
        }
    }

    /// Sends every probe's reading at the next look, as after a reconnect.
    pub fn send_all(&mut self) {
        for probe in &mut self.probes {
            probe.next_at = self.seen_at;
        }
    }

    /// Looks at the truth. Gives the messages that have arrived by now, in the order of arrival.
    pub fn look(&mut self, truth: &Truth) -> Vec<ProbeMessage> {
        let now = truth.at_secs;
        let passed = (now - self.seen_at).max(0.0);
        self.seen_at = now;
        for (index, probe) in self.probes.iter_mut().enumerate() {
            probe.look(index, truth, passed, &mut self.on_the_way);
        }
        let mut arrived: Vec<ProbeMessage> = Vec::new();
        self.on_the_way.retain(|message| {
            let is_here = message.arrives_at <= now;
            if is_here {
                arrived.push(message.clone());
            }
            !is_here
        });
        arrived.sort_by(|a, b| a.arrives_at.total_cmp(&b.arrives_at).then(a.probe.cmp(&b.probe)));
        arrived
    }
}

impl Probe {
    fn look(&mut self, index: usize, truth: &Truth, passed: f64, out: &mut Vec<ProbeMessage>) {
        let now = truth.at_secs;
        let is = self.follow(truth, passed);
        let state = is >= 0.5;
        let changed = self.p.measures.is_state() && self.last_state != Some(state);
        // A probe that rests while nothing flows wakes with the water, and tells that it has stopped.
        let wakes = truth.flowing != self.flowed;
        self.flowed = truth.flowing;
        let (low, high) = (self.p.interval_min_secs, self.p.interval_max_secs);
        if wakes && self.p.interval_idle_secs > 0.0 {
            let soon = now + self.random.unit() * low;
            self.next_at = self.next_at.min(soon);
        }
        if now < self.next_at && !changed {
            return;
        }
        self.last_state = Some(state);
        let wait = self.random.between(low, high.max(low));
        let rests = !truth.flowing && self.p.interval_idle_secs > 0.0;
        self.next_at = now + if rests { self.p.interval_idle_secs } else { wait };
        if self.broken == Broken::Silent {
            return;
        }
        let value = match self.broken {
            Broken::Stuck(value) => value,
            _ => self.read(is, truth),
        };
        self.number += 1;
        if self.random.chance(self.p.loss) {
            return;
        }
        let delay = self.random.unit() * self.p.delay_max_secs;
        let message = ProbeMessage {
            probe: index,
            number: self.number,
            read_at: now,
            arrives_at: now + delay,
            value,
            is_copy: false,
        };
        if self.random.chance(self.p.doubled) {
            let again = self.random.between(0.0, 2.0);
            let arrives_at = message.arrives_at + again;
            out.push(ProbeMessage { arrives_at, is_copy: true, ..message.clone() });
        }
        out.push(message);
    }

    /// The truth at the probe, through its lag; counts pulses.
    fn follow(&mut self, truth: &Truth, passed: f64) -> f64 {
        let is = self.truth(truth);
        if self.p.measures == Measures::Pulses {
            let litres = is;
            let flow = if passed > 0.0 { (litres - self.litres_seen) * 60.0 / passed } else { 0.0 };
            if flow > self.p.stalls_below {
                self.pulses += (litres - self.litres_seen) * self.p.gain / self.p.litres_per_pulse;
            }
            self.litres_seen = litres;
            return is;
        }
        let lagged = match self.lagged {
            Some(before) if self.p.lag_secs > 0.0 => {
                is + (before - is) * (-passed / self.p.lag_secs).exp()
            }
            _ => is,
        };
        self.lagged = Some(lagged);
        lagged
    }

    fn truth(&self, t: &Truth) -> f64 {
        let flag = |on: bool| f64::from(u8::from(on));
        match (self.p.measures, self.p.place) {
            (Measures::Tds, Place::Supply) => t.supply_tds,
            (Measures::Tds, Place::Feed) => t.feed_tds,
            (Measures::Tds, Place::Concentrate) => t.concentrate_tds,
            (Measures::Tds, Place::Permeate) => t.permeate_tds,
            (Measures::Tds, Place::Between) => t.between_tds,
            (Measures::Tds, Place::Product) => t.product_tds,
            (Measures::Tds, Place::Store | Place::Room) => t.store_tds,
            (Measures::Temperature, _) => t.feed_celsius,
            (Measures::Pressure, Place::Supply) => t.supply_bar,
            (Measures::Pressure, _) => t.feed_bar,
            (Measures::Flow, Place::Supply) => t.supply_flow,
            (Measures::Flow, Place::Feed) => t.feed_flow,
            (Measures::Flow, Place::Concentrate) => t.concentrate_flow,
            (Measures::Flow, Place::Product) => t.product_flow,
            (Measures::Flow, _) => t.permeate_flow,
            (Measures::Pulses, Place::Supply) => t.totals.supply_litres,
            (Measures::Pulses, Place::Feed) => t.totals.feed_litres,
            (Measures::Pulses, Place::Concentrate) => t.totals.concentrate_litres,
            (Measures::Pulses, Place::Product) => t.totals.product_litres,
            (Measures::Pulses, _) => t.totals.permeate_litres,
            (Measures::Level, _) => t.store_litres,
            (Measures::Full, _) => flag(t.store_full),
            (Measures::Leak, _) => flag(t.floor_wet),
            // The relay reports what it was told once the valve has had its time, and cannot see
            // that the valve is stuck.
            (Measures::Open, _) => flag(t.valve_told_open),
            (Measures::Power, _) => t.power_watts,
        }
    }

    fn read(&mut self, is: f64, truth: &Truth) -> f64 {
        if self.p.measures.is_state() {
            return if is >= 0.5 { 1.0 } else { 0.0 };
        }
        if self.p.measures == Measures::Pulses {
            let count = self.pulses.floor() as u64;
            return if self.p.wraps_at > 0 { count % self.p.wraps_at } else { count } as f64;
        }
        let p = &self.p;
        let r = &mut self.random;
        let days = (truth.at_secs - p.drift_from_secs) / 86_400.0;
        let mut gain = p.gain * (1.0 + p.drift_per_day * days);
        let mut noise = p.noise;
        if p.measures == Measures::Tds {
            gain *= 1.0 + p.compensation_per_k * (truth.feed_celsius - 25.0);
            // Noise of a cell grows with the signal.
            noise += 0.003 * is * (p.noise / 0.3).min(1.0);
        }
        let mut value = is * gain + p.offset + noise * r.normal();
        if p.measures == Measures::Flow && is < p.stalls_below {
            value = 0.0;
        }
        if p.bubbles_secs > 0.0 && truth.flowing && truth.run_secs < p.bubbles_secs {
            value = if r.chance(0.2) { value * r.between(1.0, 2.0) } else { value * r.unit() };
        }
        if r.chance(p.spike_chance) {
            value += p.spike_size;
        }
        value = value.max(if p.measures == Measures::Temperature { -20.0 } else { 0.0 });
        if p.step > 0.0 {
            let steps = value / p.step;
            let whole = match p.rounds {
                Rounds::Nearest => steps.round(),
                Rounds::Down => (steps + 1e-9).floor(),
            };
            // Through tenths, so that 12.3 is printed as 12.3.
            value = (whole * p.step * 1e6).round() / 1e6;
        } else {
            value = (value * 1e4).round() / 1e4;
        }
        value
    }
}
