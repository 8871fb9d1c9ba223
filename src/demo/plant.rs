//! The virtual plant: tap, filters, membrane, vessels, container, valve, pump and floor, stepped
//! together.
//!
//! Invariants: same parameters, seed and controls give the same truth, bit for bit; water and salt
//! balance (`tests/virtual_plant.rs`); no clock, no file, no thread.

use super::membrane::{Flows, Membrane};
use super::parameters::PlantParameters;
use super::store::Store;
use super::tap::{Tap, TapWater};
use super::truth::{StartTruth, Totals, Truth};
use super::vessel::{Load, Vessel};
use super::water;
use std::collections::VecDeque;

/// Starts kept for who asks; the oldest go first.
pub const STARTS_MAX: usize = 4096;

/// Water on the floor that the sensor feels, L.
const WET_LITRES: f64 = 0.02;
/// Floor dries at this rate, L/s.
const DRYING: f64 = 0.2 / 3600.0;
/// Below this a flow is none, L/min.
const STILL: f64 = 1e-3;
/// Time constant with which standing water takes the room's temperature, s.
const ROOM_TAU_SECS: f64 = 5400.0;

/// What is done to the plant from outside, and what is broken in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Controls {
    /// What the supply valve is told.
    pub valve_open: bool,
    /// What the pump is told.
    pub pump_on: bool,
    /// Permeate goes to the drain, not to the vessels.
    pub divert: bool,
    /// Product goes to the drain, not to the container.
    pub product_to_drain: bool,
    /// The supply valve does not move.
    pub valve_stuck: bool,
    /// What passes the closed valve at full pressure, L/min.
    pub leak_by: f64,
    /// A burst tube behind the valve lets this out, L/min.
    pub leak: f64,
    /// Share of the permeate that goes round the vessels (a channelled bed), 0 to 1.
    pub bypass_share: f64,
    /// Share of the product that is feed (swapped tubes, a torn seal before a bypass), 0 to 1.
    pub raw_share: f64,
    /// Added to the tap's temperature, K (crossed supply).
    pub tap_heat_k: f64,
    /// Multiplies the tap's pressure.
    pub pressure_share: f64,
    /// Multiplies the restrictor's flow (blocked below 1).
    pub restrictor_share: f64,
}

impl Default for Controls {
    fn default() -> Self {
        Self {
            valve_open: false,
            pump_on: false,
            divert: false,
            product_to_drain: false,
            valve_stuck: false,
            leak_by: 0.0,
            leak: 0.0,
            bypass_share: 0.0,
            raw_share: 0.0,
            tap_heat_k: 0.0,
            pressure_share: 1.0,
            restrictor_share: 1.0,
        }
    }
}

/// The virtual plant.
#[derive(Clone, Debug)]
pub struct VirtualPlant {
    p: PlantParameters,
    /// What is done to it.
    pub controls: Controls,
    tap: Tap,
    membrane: Membrane,
    vessels: Vec<Vessel>,
    store: Store,
    now: f64,
    valve: f64,
    inlet_bar: f64,
    unit_celsius: f64,
    housings_mg: f64,
    sediment_ratio: f64,
    carbon_mg: f64,
    floor_litres: f64,
    totals: Totals,
    start: Option<Running>,
    stopped_at: f64,
    starts: VecDeque<StartTruth>,
    truth: Truth,
}

/// A run in progress. Keeps the trace of what has to be judged from its end.
#[derive(Clone, Debug)]
struct Running {
    record: StartTruth,
    /// What a perfect meter has counted, mg.
    permeate_mg: f64,
    /// (litres, secs, permeate ppm), thinned so that it stays bounded.
    trace: Vec<(f64, f64, f64)>,
    next_trace_litres: f64,
}

/// Points of one run's trace at most.
const TRACE_MAX: usize = 4096;

impl VirtualPlant {
    /// A plant at rest at time zero, valve closed.
    pub fn new(parameters: PlantParameters, seed: u64) -> Self {
        let mut tap = Tap::new(parameters.tap.clone(), seed);
        let water = tap.at(0.0);
        let vessels = parameters
            .vessels
            .iter()
            .map(|vessel| Vessel::new(vessel.clone(), parameters.permeate_us_cm_per_meq))
            .collect();
        let mut plant = Self {
            controls: Controls::default(),
            membrane: Membrane::new(parameters.membrane.clone(), water.tds_ppm),
            vessels,
            store: Store::new(parameters.store.clone(), seed),
            now: 0.0,
            valve: 0.0,
            inlet_bar: 0.0,
            unit_celsius: parameters.room_c,
            housings_mg: parameters.filter.housings_litres * water.tds_ppm,
            sediment_ratio: 1.0,
            carbon_mg: 0.0,
            floor_litres: 0.0,
            totals: Totals::default(),
            start: None,
            stopped_at: 0.0,
            starts: VecDeque::new(),
            truth: Truth::default(),
            tap,
            p: parameters,
        };
        plant.look(water);
        plant.still(0.0);
        plant.finish_truth(Flows::default());
        plant
    }

    /// Parameters.
    pub fn parameters(&self) -> &PlantParameters {
        &self.p
    }

    /// What is really so now.
    pub fn truth(&self) -> &Truth {
        &self.truth
    }

    /// The membrane, to look at or to wear out.
    pub fn membrane_mut(&mut self) -> &mut Membrane {
        &mut self.membrane
    }

    /// A vessel in the direction of flow, to look at, to exhaust or to refill.
    pub fn vessel_mut(&mut self, place: usize) -> Option<&mut Vessel> {
        self.vessels.get_mut(place)
    }

    /// The lag vessel moves to the lead place and a fresh one goes behind it.
    pub fn lag_to_lead(&mut self) {
        if let Some(first) = self.vessels.first_mut() {
            first.renew();
        }
        self.vessels.rotate_left(1);
    }

    /// Fits a new sediment filter and carbon.
    pub fn new_filters(&mut self) {
        self.sediment_ratio = 1.0;
        self.carbon_mg = 0.0;
    }

    /// Somebody takes water from the container.
    pub fn draw(&mut self, litres: f64) {
        self.store.draw(litres);
    }

    /// Somebody spills water on the floor; 0 L or more.
    pub fn spill(&mut self, litres: f64) {
        self.floor_litres += litres.max(0.0);
    }

    /// Somebody wipes the floor.
    pub fn wipe(&mut self) {
        self.floor_litres = 0.0;
        self.truth.floor_litres = 0.0;
        self.truth.floor_wet = false;
    }

    /// The container wants water: on below the start, off at the stop, unchanged between.
    pub fn wants_water(&self, wanted: bool) -> bool {
        let litres = self.store.litres();
        let p = self.store.parameters();
        if litres < p.start_below_litres {
            true
        } else if litres >= p.stop_at_litres {
            false
        } else {
            wanted
        }
    }

    /// Takes the records of the starts that have ended, oldest first.
    pub fn take_starts(&mut self) -> Vec<StartTruth> {
        self.starts.drain(..).collect()
    }

    /// Salt that is inside the plant before the vessels, mg: for balances.
    pub fn held_mg(&self) -> f64 {
        self.housings_mg + self.membrane.feed_side_mg() + self.membrane.permeate_side_mg()
    }

    /// Water that the housings have taken up under pressure, L: for balances.
    pub fn elastic_litres(&self) -> f64 {
        self.p.filter.elastic_litres_per_bar * self.inlet_bar
    }

    /// The container's account: drawn, spilled, unmet, L.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// Lets `secs` pass.
    pub fn step(&mut self, secs: f64) {
        let until = self.now + secs;
        while self.now < until {
            let left = until - self.now;
            let moving = (self.valve > 0.0) != self.controls.valve_open
                || (self.valve > 0.0 && self.valve < 1.0);
            let slice = if moving && !self.controls.valve_stuck {
                0.25
            } else if self.valve > 0.0 {
                5.0
            } else if self.inlet_bar > 0.0 && self.controls.leak_by <= 0.0 {
                0.25
            } else if self.controls.leak_by > 0.0 {
                if self.inlet_bar > 0.5 { 0.25 } else { 5.0 }
            } else {
                (self.store.next_event() - self.now).clamp(1.0, 300.0)
            };
            let slice = if slice >= left { left } else { slice };
            self.slice(slice);
            self.now = if slice >= left { until } else { self.now + slice };
            self.truth.at_secs = self.now;
        }
    }

    fn slice(&mut self, secs: f64) {
        let mut water = self.tap.at(self.now);
        water.temperature_c += self.controls.tap_heat_k;
        water.pressure_bar *= self.controls.pressure_share;
        self.move_valve(secs);
        let minutes = secs / 60.0;
        let before_bar = self.inlet_bar;
        let elastic = self.p.filter.elastic_litres_per_bar;

        // Flows, and how the pressure moves.
        let mut flows;
        let supply_litres;
        let leak_litres = self.controls.leak * self.valve * minutes;
        if self.valve > 0.0 {
            (self.inlet_bar, flows) = self.balance(&water);
            // Nothing runs back into the mains: what the housings give back, the membrane takes.
            let least = before_bar - flows.feed() * minutes / elastic;
            self.inlet_bar = self.inlet_bar.max(least);
            supply_litres =
                flows.feed() * minutes + elastic * (self.inlet_bar - before_bar) + leak_litres;
        } else {
            let seep = self.seep_bar(&water);
            if before_bar <= seep + 0.01 && (seep > 0.0 || before_bar <= 0.0) {
                flows = if seep > 0.0 { self.flows(seep) } else { Flows::default() };
                let least = before_bar - flows.feed() * minutes / elastic;
                self.inlet_bar = seep.max(least);
                supply_litres = flows.feed() * minutes + elastic * (self.inlet_bar - before_bar);
            } else {
                // Housings decompress through the restrictor.
                flows = self.flows(before_bar);
                let seeping = self.seeping(&water, before_bar) * minutes;
                let out = flows.feed() * minutes;
                let most = seeping + elastic * (before_bar - seep);
                let share = if out > most { most / out } else { 1.0 };
                flows.permeate *= share;
                flows.concentrate *= share;
                self.inlet_bar = before_bar - (out * share - seeping) / elastic;
                supply_litres = seeping;
            }
        }

        // The housings: stirred, and elastic.
        let feed_litres = flows.feed() * minutes;
        let feed_ppm = self.through_housings(
            feed_litres,
            elastic * before_bar,
            elastic * self.inlet_bar,
            water.tds_ppm,
        );
        self.warm(secs, feed_litres, water.temperature_c);

        let t = &mut self.totals;
        t.supply_litres += supply_litres;
        t.supply_mg += (supply_litres - leak_litres) * water.tds_ppm + leak_litres * water.tds_ppm;
        t.leaked_litres += leak_litres;
        t.leaked_mg += leak_litres * water.tds_ppm;
        t.feed_litres += feed_litres;
        t.feed_mg += feed_litres * feed_ppm;

        self.truth.supply_flow = if minutes > 0.0 { supply_litres.max(0.0) / minutes } else { 0.0 };
        self.look(water);
        let mut into_store = (0.0, 0.0);
        if feed_litres > 0.0 {
            into_store = self.flow(secs, feed_ppm, flows, &water);
        } else {
            self.still(secs);
        }
        let spilled = self.store.step(self.now + secs, secs, into_store.0, into_store.1);
        self.floor(secs, leak_litres + spilled);
        self.finish_truth(flows);
    }

    fn move_valve(&mut self, secs: f64) {
        if self.controls.valve_stuck {
            return;
        }
        let travel = self.p.valve_travel_secs.max(1e-3);
        let step = secs / travel;
        self.valve = if self.controls.valve_open {
            (self.valve + step).min(1.0)
        } else {
            (self.valve - step).max(0.0)
        };
    }

    fn flows(&self, bar: f64) -> Flows {
        let mut flows = self.membrane.flows(bar, self.unit_celsius, self.store.float_open());
        flows.concentrate *= self.controls.restrictor_share;
        flows
    }

    /// Pressure lost before the pump at a flow: `R Q mu/mu25 + b Q^2` (EQ 6.1) and the valve.
    fn loss(&self, flow: f64) -> f64 {
        let f = &self.p.filter;
        f.resistance * self.sediment_ratio * flow * water::viscosity_ratio(self.unit_celsius)
            + f.fittings * flow * flow
            + 0.005 / self.valve.max(0.05).powi(2) * flow * flow
    }

    fn boost(&self, flow: f64) -> f64 {
        if self.controls.pump_on && self.p.pump_bar > 0.0 {
            (self.p.pump_bar * (1.0 - flow / self.p.pump_litres_per_min)).max(0.0)
        } else {
            0.0
        }
    }

    /// Inlet pressure at which what comes through the filters is what the membrane takes.
    fn balance(&self, water: &TapWater) -> (f64, Flows) {
        let excess = |bar: f64| {
            let flow = self.flows(bar).feed() + self.controls.leak;
            water.pressure_bar + self.boost(flow) - self.loss(flow) - bar
        };
        // `excess` falls with pressure: regula falsi with halving (Illinois).
        let (mut low, mut high) = (0.0, water.pressure_bar + self.p.pump_bar);
        let (mut at_low, mut at_high) = (excess(low), excess(high));
        let mut bar = self.inlet_bar.clamp(low, high);
        if at_low <= 0.0 {
            return (0.0, self.flows(0.0));
        }
        for _ in 0..60 {
            let value = excess(bar);
            if value.abs() < 1e-9 {
                break;
            }
            if value > 0.0 {
                low = bar;
                at_low = value;
                at_high *= 0.5;
            } else {
                high = bar;
                at_high = value;
                at_low *= 0.5;
            }
            let next = low + (high - low) * at_low / (at_low - at_high);
            if (next - bar).abs() < 1e-10 {
                break;
            }
            bar = next;
        }
        (bar, self.flows(bar))
    }

    fn seeping(&self, water: &TapWater, bar: f64) -> f64 {
        (self.controls.leak_by * (1.0 - bar / water.pressure_bar)).max(0.0)
    }

    /// Inlet pressure at which a leaking valve lets in what the membrane lets out.
    fn seep_bar(&self, water: &TapWater) -> f64 {
        if self.controls.leak_by <= 0.0 {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, water.pressure_bar);
        for _ in 0..40 {
            let bar = (low + high) / 2.0;
            if self.seeping(water, bar) > self.flows(bar).feed() {
                low = bar;
            } else {
                high = bar;
            }
        }
        low
    }

    /// Water passes the housings; gives the mean ppm of what leaves.
    fn through_housings(&mut self, out: f64, elastic_before: f64, elastic: f64, tap: f64) -> f64 {
        let volume = self.p.filter.housings_litres;
        // Water that fills the elastic part comes from the tap; what leaves it leaves mixed.
        let gained = (elastic - elastic_before).max(0.0);
        self.housings_mg += gained * tap;
        let lost = (elastic_before - elastic).max(0.0).min(out);
        let through = out - lost;
        let whole = volume + elastic.max(elastic_before);
        let ppm = self.housings_mg / whole;
        let mut left_mg = ppm * lost;
        self.housings_mg -= left_mg;
        let whole = whole - lost;
        if through > 0.0 {
            let keep = (-through / whole).exp();
            let mean = tap + (ppm - tap) * (1.0 - keep) * whole / through;
            left_mg += mean * through;
            self.housings_mg = whole * (tap + (ppm - tap) * keep);
        }
        if out > 0.0 { left_mg / out } else { ppm }
    }

    fn warm(&mut self, secs: f64, feed_litres: f64, tap_celsius: f64) {
        let (to, keep) = if feed_litres > 0.0 {
            (tap_celsius, (-feed_litres / self.p.membrane.warming_litres).exp())
        } else {
            (self.p.room_c, (-secs / ROOM_TAU_SECS).exp())
        };
        self.unit_celsius = to + (self.unit_celsius - to) * keep;
    }

    /// ppm of a perfect meter for salt with carbon dioxide in it, and the gas's part.
    fn meter(&self, load: Load) -> (f64, f64) {
        let bicarbonate = load.salt_ppm / (water::PPM_PER_US_CM * self.p.permeate_us_cm_per_meq)
            * self.p.permeate_bicarbonate_share;
        let gas = water::PPM_PER_US_CM
            * water::carbon_dioxide_us_cm(load.carbon_dioxide_mmol, bicarbonate);
        ((load.salt_ppm + gas).max(water::PPM_PER_US_CM * water::PURE_US_CM), gas)
    }

    fn look(&mut self, water: TapWater) {
        self.truth.supply_tds = water.tds_ppm;
        self.truth.supply_bar = water.pressure_bar;
        self.truth.chlorine_mg = water.chlorine_mg;
    }

    /// Water flows for a slice. Gives what reached the container: litres and salt ppm.
    fn flow(&mut self, secs: f64, feed_ppm: f64, flows: Flows, tap: &TapWater) -> (f64, f64) {
        let minutes = secs / 60.0;
        let moved = self.membrane.flow(secs, feed_ppm, flows, self.unit_celsius);
        let permeate_litres = flows.permeate * minutes;
        let feed_litres = flows.feed() * minutes;

        // Filters.
        self.sediment_ratio += feed_litres / self.p.filter.litres_to_double;
        let load = self.carbon_mg / self.p.filter.carbon_mg - 1.0;
        let passing = 1.0 / (1.0 + (-(load / 0.1).clamp(-700.0, 700.0)).exp());
        self.carbon_mg += tap.chlorine_mg * feed_litres * (1.0 - passing);
        let chlorine = tap.chlorine_mg * feed_litres * passing;
        self.membrane.wear(feed_litres, chlorine);

        let gas = water::carbon_dioxide_mmol(tap.alkalinity_mg, tap.ph, tap.temperature_c);
        let permeate = Load { salt_ppm: moved.permeate_ppm, carbon_dioxide_mmol: gas };
        let t = &mut self.totals;
        t.permeate_litres += permeate_litres;
        t.permeate_mg += permeate_litres * moved.permeate_ppm;
        t.concentrate_litres += flows.concentrate * minutes;
        t.concentrate_mg += flows.concentrate * minutes * moved.concentrate_ppm;
        t.chlorine_mg += chlorine;

        self.truth.feed_tds = feed_ppm;
        self.truth.concentrate_tds = moved.concentrate_ppm;
        self.truth.carbon_passing = passing;
        self.truth.carbon_dioxide_mmol = gas;
        let mut into_store = (0.0, 0.0);
        if flows.permeate > STILL && self.valve > 0.0 {
            let (permeate_tds, gas_tds) = self.meter(permeate);
            self.truth.permeate_tds = permeate_tds;
            self.truth.permeate_gas_tds = gas_tds;
            let settled = Load { salt_ppm: self.membrane.base_ppm(), carbon_dioxide_mmol: gas };
            self.truth.settled_ppm = self.meter(settled).0;
            // While a valve or a float closes, the flow falls and the salt does not: what passes then
            // is the valve's doing.
            let wide =
                self.valve >= 1.0 && self.controls.valve_open && self.store.float_open() >= 1.0;
            if wide || self.start.is_none() {
                self.truth.settled_open_ppm = self.truth.settled_ppm;
                self.truth.excess_open_ppm = self.membrane.excess_ppm();
            }
            self.truth.rejection = 1.0 - self.truth.settled_ppm / feed_ppm;
            self.truth.rejection_salt = 1.0 - self.membrane.base_ppm() / feed_ppm;
            self.run(secs, permeate_litres, moved.excess_mg);
        } else {
            self.end_run();
        }
        if self.controls.divert {
            self.totals.diverted_litres += permeate_litres;
            self.truth.product_flow = 0.0;
            for vessel in &mut self.vessels {
                vessel.stand(secs);
            }
        } else if permeate_litres > 0.0 {
            into_store = self.polish(permeate_litres, permeate);
            self.truth.product_flow = flows.permeate;
        }
        into_store
    }

    /// Permeate passes the vessels. Gives what reached the container.
    fn polish(&mut self, litres: f64, permeate: Load) -> (f64, f64) {
        self.totals.vessels_in_mg += litres * permeate.salt_ppm;
        let round = self.controls.bypass_share;
        let treated = litres * (1.0 - round);
        let mut load = permeate;
        let mut rinse = 0.0;
        for place in 0..self.vessels.len() {
            let (out, picked_up) = self.vessels[place].pass(treated, load);
            load = out;
            rinse = picked_up;
            if place == 0 {
                self.truth.between_tds = self.meter(load).0 + picked_up;
            }
        }
        let raw = self.controls.raw_share;
        let feed = Load { salt_ppm: self.truth.feed_tds, ..permeate };
        let mixed = load.mixed(permeate, round).mixed(feed, raw);
        rinse *= (1.0 - round) * (1.0 - raw);
        let (product_tds, gas_tds) = self.meter(mixed);
        self.truth.product_tds = product_tds + rinse;
        self.truth.product_gas_tds = gas_tds;
        self.truth.product_rinse_tds = rinse;
        let t = &mut self.totals;
        t.product_litres += litres;
        t.product_mg += litres * mixed.salt_ppm;
        if self.controls.product_to_drain {
            t.product_drained_litres += litres;
            (0.0, 0.0)
        } else {
            t.store_litres += litres;
            (litres, mixed.salt_ppm + rinse)
        }
    }

    fn still(&mut self, secs: f64) {
        self.end_run();
        self.membrane.stand(secs);
        for vessel in &mut self.vessels {
            vessel.stand(secs);
        }
        self.truth.product_flow = 0.0;
        self.truth.feed_tds =
            self.housings_mg / (self.p.filter.housings_litres + self.elastic_litres());
    }

    fn run(&mut self, secs: f64, litres: f64, excess_mg: f64) {
        if self.start.is_none() {
            self.totals.starts += 1;
        }
        let truth = &self.truth;
        let now = self.now;
        let idle_secs = now - self.stopped_at;
        let running = self.start.get_or_insert_with(|| Running {
            record: StartTruth { at_secs: now, idle_secs, ..StartTruth::default() },
            permeate_mg: 0.0,
            trace: Vec::new(),
            next_trace_litres: 0.0,
        });
        let record = &mut running.record;
        record.run_secs += secs;
        record.litres += litres;
        record.extra_salt_mg += excess_mg;
        running.permeate_mg += litres * truth.permeate_tds;
        record.peak_ppm = record.peak_ppm.max(truth.permeate_tds);
        record.settled_ppm = truth.settled_open_ppm;
        record.left_ppm = truth.excess_open_ppm;
        if record.litres >= running.next_trace_litres && running.trace.len() < TRACE_MAX {
            running.trace.push((record.litres, record.run_secs, truth.permeate_tds));
            running.next_trace_litres = record.litres + 0.005_f64.max(record.litres / 400.0);
        }
        self.totals.run_secs += secs;
    }

    fn end_run(&mut self) {
        let Some(running) = self.start.take() else { return };
        self.stopped_at = self.now;
        let mut record = running.record;
        record.beyond_settled_mg = running.permeate_mg - record.settled_ppm * record.litres;
        let band = (0.1 * (record.peak_ppm - record.settled_ppm)).max(2.0);
        let inside = |ppm: f64| ppm <= record.settled_ppm + band;
        // The last time it came inside and stayed.
        let outside = running.trace.iter().rposition(|&(_, _, ppm)| !inside(ppm));
        let settled = running.trace.get(outside.map_or(0, |index| index + 1));
        record.settle_litres = settled.map(|&(litres, _, _)| litres);
        record.settle_secs = settled.map(|&(_, secs, _)| secs);
        self.truth.starts_ended += 1;
        if self.starts.len() >= STARTS_MAX {
            self.starts.pop_front();
        }
        self.starts.push_back(record);
    }

    fn floor(&mut self, secs: f64, litres: f64) {
        self.floor_litres = (self.floor_litres + litres - DRYING * secs).max(0.0);
    }

    fn finish_truth(&mut self, flows: Flows) {
        let pump_on = self.controls.pump_on && self.p.pump_bar > 0.0;
        let feed = flows.feed();
        let flowing = self.start.is_some();
        let t = &mut self.truth;
        t.flowing = flowing;
        t.run_secs = self.start.as_ref().map_or(0.0, |running| running.record.run_secs);
        t.run_litres = self.start.as_ref().map_or(0.0, |running| running.record.litres);
        t.valve = self.valve;
        t.valve_told_open = self.controls.valve_open;
        t.pump_on = pump_on;
        t.power_watts = 1.5
            + if pump_on { self.p.pump_watts } else { 0.0 }
            + if self.controls.valve_open { 5.0 } else { 0.0 };
        t.sediment_ratio = self.sediment_ratio;
        t.feed_bar = self.inlet_bar;
        t.feed_celsius = self.unit_celsius;
        t.driving_bar = flows.driving_bar;
        t.feed_flow = feed;
        t.permeate_flow = flows.permeate;
        t.concentrate_flow = flows.concentrate;
        t.recovery = if feed > STILL { flows.permeate / feed } else { 0.0 };
        t.excess_ppm = self.membrane.excess_ppm();
        t.membrane_water = self.membrane.water_share();
        t.membrane_salt = self.membrane.salt_share();
        t.store_tds = self.store.tds_ppm();
        t.store_litres = self.store.litres();
        t.store_full = self.store.is_full();
        t.floor_litres = self.floor_litres;
        t.floor_wet = self.floor_litres > WET_LITRES;
        t.vessels.clear();
        t.vessels.extend(self.vessels.iter().map(Vessel::truth));
        t.totals = self.totals;
        let suction = if self.valve > 0.0 {
            (t.supply_bar - self.loss(feed + self.controls.leak)).max(0.0)
        } else if pump_on {
            0.0
        } else {
            self.inlet_bar
        };
        self.truth.suction_bar = suction;
    }
}
