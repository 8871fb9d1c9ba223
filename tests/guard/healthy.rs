//! A healthy plant is left alone, whatever its radio and its first water do; a spoiled one is not.
//!
//! Water and probes are the virtual plant's: first water after a night (carbon dioxide and
//! leachables of the last vessel), air in the cell after a start, noise, single spikes, 1-ppm
//! steps, copies, late messages. What the radio loses is at most two messages in a row: a third
//! is a silent probe, which holds by design.

use super::plants::{FULL, readings, with_sensor};
use super::random::Random;
use super::rig::{Rig, setup};
use permeated::demo::parameters::PlantParameters;
use permeated::demo::plant::VirtualPlant;
use permeated::demo::probes::{Broken, Measures, Place, ProbeParameters, Probes, random_probes};
use permeated::engine::causes;
use permeated::engine::event::Event;
use permeated::engine::output::Action;
use permeated::engine::time::Mono;
use std::collections::BTreeMap;
use std::fmt::Write as _;

const NIGHT_SECS: f64 = 8.0 * 3600.0;
/// A reading has reached the engine this long after it was taken, at most.
const RADIO_SECS: f64 = 1.5;
const INTERVALS: [f64; 5] = [1.0, 2.0, 5.0, 10.0, 15.0];

/// How the flow is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Flow {
    Pulses,
    Rate,
    Declared,
    Unknown,
}

#[derive(Clone, Copy, Debug)]
struct Kind {
    interval: f64,
    flow: Flow,
    between: bool,
    state: bool,
}

impl Kind {
    fn new(number: u64) -> Self {
        let mut random = Random::new(number);
        Self {
            interval: INTERVALS[(number % 5) as usize],
            flow: [Flow::Pulses, Flow::Rate, Flow::Declared, Flow::Unknown][(number % 4) as usize],
            between: random.chance(0.5),
            state: random.chance(0.5),
        }
    }

    /// The world of this plant moves in such steps.
    fn step_secs(&self) -> f64 {
        if self.interval < 5.0 { 0.2 } else { 1.0 }
    }

    /// Longest time between two messages of a probe, by its own clock.
    fn slowest(&self) -> f64 {
        self.interval * 1.2
    }

    /// And in this world: what the user declares.
    fn declared(&self) -> f64 {
        self.slowest() + self.step_secs()
    }
}

struct Home {
    number: u64,
    kind: Kind,
    random: Random,
    plant: VirtualPlant,
    probes: Probes,
    rig: Rig,
    /// Messages in a row that each probe's radio will lose, and that it will then deliver.
    fading: Vec<(u32, u32)>,
    radio: bool,
}

fn healthy(number: u64) -> PlantParameters {
    let mut parameters = PlantParameters::random(number);
    let mut random = Random::new(number ^ 0x51ed);
    parameters.pump_bar = 0.0;
    for vessel in &mut parameters.vessels {
        vessel.used_share = vessel.used_share.min(0.2);
        vessel.carbon_dioxide_share = vessel.carbon_dioxide_share.max(0.8);
        // From "hardly any" to the most that the drawn ranges know.
        vessel.rinse_ppm = random.between(0.3, 4.0);
    }
    parameters.store.full_litres = 1_000.0;
    parameters.store.brim_litres = 1_100.0;
    parameters.store.start_litres = 10.0;
    parameters
}

fn probes(number: u64, kind: Kind, plant: &PlantParameters) -> Vec<ProbeParameters> {
    let mut random = Random::new(number ^ 0xacc1);
    let mut all = random_probes(number, plant);
    for probe in &mut all {
        if !probe.measures.is_state() {
            probe.interval_min_secs = kind.interval;
            probe.interval_max_secs = kind.slowest();
        }
        probe.loss = 0.0;
        probe.doubled = 0.05;
        probe.delay_max_secs = RADIO_SECS;
        if probe.measures == Measures::Tds {
            probe.spike_chance = 0.002;
            probe.spike_size = random.between(5.0, 600.0);
            probe.bubbles_secs = random.between(5.0, 25.0);
            probe.lag_secs = random.between(0.0, 6.0);
        }
        // What a probe of pure water shows when nothing is wrong with it: offset and noise stay
        // within half a display step.
        if probe.place == Place::Product {
            probe.offset = random.between(0.0, 0.2);
            probe.noise = random.between(0.02, 0.12);
        }
    }
    let wanted = |probe: &ProbeParameters| match (probe.measures, probe.place) {
        (Measures::Tds, Place::Product | Place::Permeate) => true,
        (Measures::Tds, Place::Between) => kind.between,
        (Measures::Open, _) => kind.state,
        _ => false,
    };
    let mut probes: Vec<ProbeParameters> = all.into_iter().filter(wanted).collect();
    if let Flow::Pulses | Flow::Rate = kind.flow {
        let measures = if kind.flow == Flow::Pulses { Measures::Pulses } else { Measures::Flow };
        let mut meter = ProbeParameters::perfect(measures, Place::Permeate, kind.interval);
        meter.interval_max_secs = kind.slowest();
        meter.gain = random.between(0.95, 1.05);
        meter.doubled = 0.05;
        meter.delay_max_secs = RADIO_SECS;
        probes.push(meter);
    }
    probes
}

fn settings(kind: Kind, probes: &[ProbeParameters], litres_per_min: f64) -> String {
    let mut text = String::new();
    for probe in probes {
        let (unit, step) = match probe.measures {
            Measures::Tds => ("ppm", 1.0),
            Measures::Flow => ("L/min", 0.0),
            _ => ("", 0.0),
        };
        write!(
            text,
            "[plants.home.sensors.{id}]\ntopic = \"p/{id}\"\nquantity = \"{}\"\npoint = \"{}\"\n",
            probe.measures.word(),
            probe.place.word(),
            id = probe.id
        )
        .expect("writes to a string");
        if !unit.is_empty() {
            writeln!(text, "unit = \"{unit}\"\nstep = {step:?}").expect("writes to a string");
        }
        if probe.measures == Measures::Pulses {
            writeln!(text, "litres_per_pulse = {:?}", probe.litres_per_pulse)
                .expect("writes to a string");
        }
        let interval = if probe.measures.is_state() { 60.0 } else { kind.declared() };
        writeln!(text, "interval_secs = {interval:?}").expect("writes to a string");
    }
    text.push_str(
        "[plants.home.actuators.valve]\nrole = \"supply-valve\"\ntopic = \"p/valve/set\"\n\
         open = \"ON\"\nclose = \"OFF\"\nfails = \"closed\"\n",
    );
    if kind.state {
        text.push_str("state_sensor = \"supply-open\"\n");
    }
    if kind.flow == Flow::Declared {
        writeln!(text, "[plants.home.assumed]\npermeate_litres_per_min = {litres_per_min:.3}")
            .expect("writes to a string");
    }
    text.push_str("[plants.home.store]\nlitres = 1000\n");
    text
}

impl Home {
    fn new(number: u64, radio: bool) -> Self {
        let kind = Kind::new(number);
        let parameters = healthy(number);
        let mut probes = probes(number, kind, &parameters);
        if !radio {
            for probe in &mut probes {
                (probe.doubled, probe.delay_max_secs) = (0.0, 0.0);
            }
        }
        let mut jug = VirtualPlant::new(parameters.clone(), number);
        jug.controls.valve_open = true;
        jug.step(1200.0);
        let rate = jug.truth().permeate_flow;
        let mut rig = Rig::new(setup(&settings(kind, &probes, rate)));
        rig.watchful = false;
        let fading = vec![(0, 0); probes.len()];
        Self {
            number,
            kind,
            random: Random::new(number ^ 0xfeed),
            plant: VirtualPlant::new(parameters, number),
            probes: Probes::new(probes, number),
            rig,
            fading,
            radio,
        }
    }

    fn fades(&mut self, probe: usize) -> bool {
        let (lose, deliver) = &mut self.fading[probe];
        if *lose > 0 {
            *lose -= 1;
            return true;
        }
        if *deliver > 0 {
            *deliver -= 1;
        } else if self.random.chance(0.02) {
            *lose = if self.random.chance(0.5) { 1 } else { 2 };
            *deliver = 4;
        }
        false
    }

    fn step(&mut self) {
        self.plant.step(self.kind.step_secs());
        let truth = self.plant.truth().clone();
        for message in self.probes.look(&truth) {
            if self.radio && !message.is_copy && self.fades(message.probe) {
                continue;
            }
            let at = Mono::from_millis((message.arrives_at * 1000.0) as i64);
            self.rig.until(at.max(self.rig.now));
            let id = self.probes.parameters().nth(message.probe).expect("known").id.clone();
            self.rig.read(&id, message.value);
        }
        let now = Mono::from_millis((truth.at_secs * 1000.0) as i64);
        self.rig.until(now.max(self.rig.now));
    }

    fn steps(&mut self, secs: f64) {
        let until = self.plant.truth().at_secs + secs;
        while self.plant.truth().at_secs < until {
            self.step();
        }
    }

    /// The hub opens or closes.
    fn hub(&mut self, open: bool) {
        self.plant.controls.valve_open = open;
        self.rig.event(Event::SeenOnTopic { actuator: 0, open });
    }

    /// Stands for a night, is woken, and opened once it is permitted.
    fn start(&mut self) {
        self.plant.step(NIGHT_SECS);
        self.rig.until(Mono::from_millis((self.plant.truth().at_secs * 1000.0) as i64));
        let woken = self.plant.truth().at_secs;
        while !self.rig.permitted() && self.plant.truth().at_secs < woken + 300.0 {
            self.step();
        }
        assert!(self.rig.permitted(), "plant {}: {:?}", self.number, self.rig.missing());
        self.rig.sent.clear();
        self.rig.logs.clear();
        self.hub(true);
    }

    fn closes(&self) -> usize {
        self.rig.sent.iter().filter(|(_, _, action)| *action == Action::Close).count()
    }

    fn why(&self) -> String {
        let texts: Vec<&str> = self
            .rig
            .logs
            .iter()
            .filter(|entry| entry.kind == "trip" || entry.kind == "hold")
            .map(|entry| entry.text.as_str())
            .collect();
        texts.join(" / ")
    }
}

/// Starts of healthy plants; gives what closed, by cause.
fn healthy_starts(plants: u64, starts: u64) -> (u64, Vec<String>) {
    let mut made = 0;
    let mut closed = Vec::new();
    for number in 0..plants {
        let mut home = Home::new(number, true);
        home.steps(60.0);
        for start in 0..starts {
            home.start();
            let secs = home.random.between(900.0, 2400.0);
            let until = home.plant.truth().at_secs + secs;
            while home.closes() == 0 && home.plant.truth().at_secs < until {
                home.step();
            }
            made += 1;
            if home.closes() > 0 || !home.rig.permitted() {
                closed.push(format!(
                    "plant {number} ({:?}) start {start} after {:.0} s: {}",
                    home.kind,
                    home.plant.truth().run_secs,
                    home.why()
                ));
                break;
            }
            home.hub(false);
            home.steps(120.0);
        }
    }
    (made, closed)
}

/// From the first spoiled reading that could be taken to the close.
fn spoil(number: u64, ppm: f64) -> (Kind, f64, f64, f64) {
    let mut home = Home::new(number, false);
    home.steps(60.0);
    home.start();
    // Well past the rinse-in, and then at any moment.
    let phase = home.random.between(0.0, 120.0);
    home.steps(1500.0 + phase);
    assert_eq!(home.closes(), 0, "plant {number}: closed while healthy: {}", home.why());
    let product = home.probes.find("product-tds").expect("every plant has one");
    home.probes.set_broken(product, Broken::Stuck(ppm));
    let spoiled = home.plant.truth().at_secs;
    let flow = home.plant.truth().permeate_flow;
    let bound = causes::product_delay(home.rig.engine.setup()).expect("guarded").secs();
    while home.plant.truth().at_secs < spoiled + 7200.0 {
        home.step();
        if let Some((at, ..)) = home.rig.sent.iter().find(|(_, _, what)| *what == Action::Close) {
            let took = at.since(Mono::from_millis((spoiled * 1000.0) as i64));
            return (home.kind, took.secs(), flow, bound);
        }
    }
    panic!("plant {number}: {ppm} ppm never closed");
}

fn full() -> u64 {
    std::env::var("PERMEATED_GUARD_STARTS")
        .ok()
        .map_or(20, |text| text.parse().expect("PERMEATED_GUARD_STARTS is a number"))
}

#[test]
fn healthy_starts_close_nothing() {
    let wanted = full();
    let starts = (wanted / 20).clamp(2, 10);
    let (made, closed) = healthy_starts(wanted.div_ceil(starts), starts);
    println!("healthy starts: {made}, closed: {}", closed.len());
    assert!(closed.is_empty(), "{} of {made} closed:\n{}", closed.len(), closed.join("\n"));
    assert!(made >= wanted);
}

#[test]
fn gross_failure_closes_within_the_printed_bound_on_every_kind_of_plant() {
    let mut largest: BTreeMap<u64, (f64, f64, u32)> = BTreeMap::new();
    for number in 0..(full() / 3).max(10) {
        let (kind, took, _, bound) = spoil(number, 45.0);
        assert!(took > 0.0 && took <= bound, "plant {number} {kind:?}: {took:.1} s, {bound:.1} s");
        let (most, _, count) = largest.entry(kind.interval as u64).or_insert((0.0, bound, 0));
        *most = most.max(took);
        *count += 1;
    }
    for (interval, (most, bound, count)) in largest {
        // A bound that nothing comes near would be idle talk.
        assert!(bound <= 1.5 * most, "every {interval} s: longest {most:.1} s, bound {bound:.1} s");
        println!(
            "gross failure, a message in {interval} s, {count} plants: longest {most:.1} s, bound {bound:.1} s"
        );
    }
}

#[test]
fn half_a_ppm_litre_closes_and_not_much_more() {
    for number in 0..(full() / 3).max(10) {
        for ppm in [1.0, 3.0] {
            let (kind, took, flow, _) = spoil(number, ppm);
            let dose = ppm * flow * took / 60.0;
            let by_dose = 0.5 / ppm / flow * 60.0;
            // Three readings of the median and 15 s at least; a meter may be 5 % wrong, a declared
            // flow as much as pressure and temperature move it, and each reading counts the water
            // since the one before.
            let readings = kind.declared();
            let wrong = match kind.flow {
                Flow::Unknown => None,
                Flow::Declared => Some(0.25),
                Flow::Pulses | Flow::Rate => Some(0.1),
            };
            let least = wrong.map_or(0.0, |wrong| by_dose * (1.0 - wrong));
            let wait = wrong.map_or(0.0, |wrong| by_dose * (1.0 + wrong));
            let most = wait.max(15.0) + 4.0 * readings;
            assert!(
                least <= took && took <= most,
                "plant {number} {kind:?}, {ppm} ppm at {flow:.2} L/min: {took:.0} s ({dose:.2} ppm·L), expected {least:.0} to {most:.0} s"
            );
        }
    }
}

/// Runs the full plant with a counter of 2.2 mL a pulse that speaks once a minute, and spoils the
/// product so many seconds after the counter's last word; gives seconds and ppm·L to the close.
fn spoil_beside_a_slow_counter(ppm: f64, after: f64) -> (f64, f64) {
    const LITRES_PER_MIN: f64 = 0.15;
    const PULSES: f64 = LITRES_PER_MIN / 0.0022;
    let counter = "topic = \"p/flow\"\nquantity = \"pulses\"\npoint = \"permeate\"\nlitres_per_pulse = 0.0022\ninterval_secs = 60\n";
    let mut rig = Rig::new(setup(&with_sensor(FULL, "flow", counter)));
    let (mut run, mut spoiled) = (0.0, None);
    for step in 0..720 {
        let secs = f64::from(step) * 5.0;
        rig.wait(5.0);
        let open = rig.told("valve", Action::Open) > 0;
        run += if open { 5.0 } else { 0.0 };
        let level = if secs < 60.0 { 50.0 } else { 31.0 };
        if secs >= 1_200.0 + after {
            spoiled.get_or_insert(rig.now);
        }
        let product = if spoiled.is_some() { ppm } else { 0.0 };
        for (id, value) in readings(level, product, 0.0, f64::from(u8::from(open))) {
            if id != "flow" {
                rig.read(id, value);
            } else if step % 12 == 0 {
                rig.read(id, (run / 60.0 * PULSES).floor());
            }
        }
        let close = rig.sent.iter().find(|(at, _, what)| {
            *what == Action::Close && spoiled.is_some_and(|spoiled| *at > spoiled)
        });
        if let (Some((at, ..)), Some(spoiled)) = (close, spoiled) {
            let took = at.since(spoiled);
            return (took.secs(), ppm * LITRES_PER_MIN * took.minutes());
        }
    }
    panic!("{ppm} ppm never closed");
}

/// The litres of the last minute are known when a slow counter speaks: until then they are those of
/// the minutes before, or bad water passes for as long as the counter is silent.
#[test]
fn a_counter_that_speaks_once_a_minute_does_not_make_the_close_late() {
    for ppm in [2.0, 3.0, 6.0] {
        for after in 0..12 {
            let (took, dose) = spoil_beside_a_slow_counter(ppm, f64::from(after) * 5.0);
            // Three readings of 5 s beside the dose, and a counter's quantum.
            let most = 0.5 + ppm * 0.15 * 15.0 / 60.0 + 0.05;
            assert!(dose >= 0.35, "{ppm} ppm, {after}: early, {took:.0} s, {dose:.2} ppm·L");
            assert!(dose <= most, "{ppm} ppm, {after}: late, {took:.0} s, {dose:.2} ppm·L");
        }
    }
}
