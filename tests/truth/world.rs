//! One plant for a year: virtual plant, probes, radio, hub and owner around the real engine, and the
//! naive monitor beside it on the same messages.

use super::naive::Naive;
use super::plan::{self, Stretch};
use permeated::demo::parameters::{PlantParameters, VesselParameters};
use permeated::demo::plant::VirtualPlant;
use permeated::demo::probes::{Broken, Place, ProbeParameters, Probes};
use permeated::demo::random::Random;
use permeated::demo::truth::{StartTruth, Truth};
use permeated::demo::vessel::VesselTruth;
use permeated::engine::Engine;
use permeated::engine::catalogue::{AlarmId, Class, Consequence, SignalId};
use permeated::engine::event::{Ask, Command, Event, Reading, ServiceEntry, beginning};
use permeated::engine::output::{Action, AlarmState, AlarmUpdate, Datum, Output, ValueUpdate};
use permeated::engine::process::gas_load::Tap;
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Wall};
use permeated::engine::value::Flag;
use permeated::settings::schema::{OnStop, Plant};
use permeated::units::Celsius;
use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

pub const EPOCH: i64 = 1_790_000_000_000;
pub const DAY: f64 = 86_400.0;
/// Steps while water flows and while none does, s.
const FLOWING: f64 = 2.5;
const STANDING: f64 = 10.0;
/// A test run's time at most, and visits at a trip for gas before the resin is changed after all.
const TEST_SECS: f64 = 3700.0;
const GAS_VISITS: u32 = 6;
/// Litres that rinse a new part, at most (membrane: 20 L to the drain, and what the meter errs).
const RUN_IN_LITRES: f64 = 21.0;

/// A look at the rejection.
#[derive(Clone, Copy, Debug)]
pub struct RejectionLook {
    pub stretch: Stretch,
    /// After the handheld reading.
    pub by_hand: bool,
    pub feed: f64,
    pub truth: f64,
    /// As the engine shows it: value, u, flag good.
    pub shown: Option<(f64, f64, bool)>,
    pub naive: f64,
    /// Recovery: as the engine shows it, and the truth.
    pub recovery: Option<(f64, f64)>,
}

/// A start record of the engine.
#[derive(Clone, Debug)]
pub struct StartLook {
    pub began: f64,
    pub reached: bool,
    pub settled: Option<(f64, f64)>,
    /// What the membrane let through when the record was written, and as its probe shows it.
    pub truth_settled: f64,
    pub seen_settled: f64,
    pub settle_litres: Option<f64>,
    pub extra: Option<f64>,
}

/// A look at the lead vessel.
#[derive(Clone, Copy, Debug)]
pub struct ResinLook {
    pub charge: usize,
    pub litres: f64,
    /// Remaining litres and u.
    pub remaining: Option<(f64, f64)>,
    pub naive: f64,
}

/// A charge of the lead place.
#[derive(Clone, Copy, Debug, Default)]
pub struct Charge {
    /// Litres through the lead when it became the lead, and at its end (30 % of the salt passes).
    pub end: Option<f64>,
    /// Exhaustions that the engine had been able to see when this charge became the lead.
    pub seen_before: u32,
}

/// Capacity as published for a fresh charge after an exhaustion.
#[derive(Clone, Copy, Debug)]
pub struct CapacityLook {
    pub exhaustions: u32,
    pub published: f64,
    /// What the vessels of this plant hold, eq as the engine can count it.
    pub truth_counted: f64,
}

/// Growth of the visible load in one stretch, mg.
#[derive(Clone, Copy, Debug)]
pub struct LoadLook {
    pub stretch: Stretch,
    pub engine: f64,
    pub naive: f64,
    pub truth: f64,
    /// What the probe's and meter's own errors make of the truth.
    pub seen: f64,
}

/// An alarm or close of the engine, with what was really so.
#[derive(Clone, Debug)]
pub struct Told {
    pub name: String,
    pub class: &'static str,
    pub protective: bool,
    pub at: f64,
    pub stretch: Stretch,
    pub due: bool,
    /// Nothing but carbon dioxide was in the product.
    pub gas: bool,
    pub text: String,
}

/// An open valve that the engine closed.
#[derive(Clone, Debug)]
pub struct Close {
    pub at: f64,
    pub stretch: Stretch,
    /// The standing causes that withheld the permit.
    pub causes: Vec<&'static str>,
    /// One of them was really so.
    pub due: bool,
}

/// A spoiling that calls for a close.
#[derive(Clone, Copy, Debug)]
pub struct Spoil {
    /// Dose in truth until the close command for the product, ppm L; `None`: not closed.
    pub engine: Option<f64>,
    pub allowed: f64,
    pub naive: bool,
    pub stuck: bool,
    /// Dose until its end.
    pub whole: f64,
}

/// A time in which the water after a bed carries gas or salt.
#[derive(Clone, Copy, Debug)]
pub struct Pattern {
    /// When it began, s.
    pub began: f64,
    pub gas: bool,
    /// Gas was told while it was so, or was what the first vessel was said to let through a day after it
    /// had begun or later.
    pub said_gas: bool,
    /// The same of salt; told is an order for resin, too.
    pub said_breakthrough: bool,
}

/// Something that somebody must be told, while it lasts.
#[derive(Clone, Copy, Debug)]
pub struct Due {
    pub what: &'static str,
    pub began: f64,
    /// Any of these tells it.
    alarms: &'static [AlarmId],
    /// The naive monitor's word for it; empty: it has none.
    naive_word: &'static str,
    /// Days until the engine told it, and whether the naive monitor did.
    pub engine: Option<f64>,
    pub naive: bool,
}

const WORN: &str = "worn membrane";
const SPENT: &str = "lead spent, two vessels";
const SHORT: &str = "runs too short to settle";
const STUCK: &str = "product probe stuck at zero";
const SILENT: &str = "half an hour of silence, or more";

/// All that one plant gave.
#[derive(Clone, Debug, Default)]
pub struct Report {
    pub seed: u64,
    pub days: f64,
    pub events: u64,
    pub outputs: u64,
    pub engine_secs: f64,
    pub litres: f64,
    pub rejections: Vec<RejectionLook>,
    pub starts: Vec<StartLook>,
    pub truth_starts: Vec<(StartTruth, Stretch)>,
    pub naive: Naive,
    pub resin: Vec<ResinLook>,
    pub charges: Vec<Charge>,
    pub capacities: Vec<CapacityLook>,
    pub loads: Vec<LoadLook>,
    pub told: Vec<Told>,
    pub closes: Vec<Close>,
    pub spoils: Vec<Spoil>,
    pub patterns: Vec<Pattern>,
    /// Closes of the naive monitor without a cause, and what it told without one.
    pub naive_false_closes: u32,
    pub naive_false_alarms: u32,
    /// Days from the beginning of a drift to the naming of its probe.
    pub drift_named: Vec<(Stretch, Option<f64>)>,
    pub wrongly_named: u32,
    /// What had to be told and is over.
    pub dues: Vec<Due>,
    pub wall_secs: f64,
}

/// An alarm that asks somebody for something.
#[derive(Clone, Copy, Debug)]
struct Standing {
    alarm: AlarmId,
    active: bool,
    latched: bool,
    due: bool,
    class: Option<Class>,
}

struct Drift {
    began: f64,
    probe: usize,
    named: Option<f64>,
}

pub struct World {
    seed: u64,
    random: Random,
    p: PlantParameters,
    probes_p: Vec<ProbeParameters>,
    /// Sensor of each probe.
    sensors: Vec<usize>,
    plant: VirtualPlant,
    probes: Probes,
    setup: Arc<Setup>,
    engine: Engine,
    report: Report,
    year: Vec<Stretch>,
    stretch_secs: f64,
    at_stretch: usize,
    last: BTreeMap<(SignalId, Option<u16>), ValueUpdate>,
    standing: BTreeMap<String, Standing>,
    /// When each probe was last heard, and compared with a handheld.
    heard: Vec<f64>,
    compared: Vec<f64>,
    /// The last readings of the product's probe, for whoever looks at a close.
    product_read: VecDeque<f64>,
    /// Between these days everything is printed (`PERMEATED_TRUTH_TRACE=11.75-11.77`).
    trace: Option<(f64, f64)>,
    /// What came into the container and is still there: when, litres.
    parcels: VecDeque<(f64, f64)>,
    stored: f64,
    drawn: f64,
    /// Days of the tap's dissolved solids.
    tap_days: VecDeque<f64>,
    /// What came to the first vessel on each of the last two weeks' days, eq, and what it had been fed before.
    fed_days: VecDeque<f64>,
    fed_before: f64,
    tap_days_until: f64,
    permitted: bool,
    wants: bool,
    commands: u64,
    silent_until: f64,
    silences: Vec<f64>,
    spoil_at: Vec<f64>,
    spoil: Option<Spoil>,
    spoil_ends: f64,
    next_look: f64,
    next_resin_look: f64,
    charge_from: f64,
    lead_over_since: Option<f64>,
    person_at: Option<f64>,
    held_at: Option<f64>,
    /// Permeate in all when a part was changed.
    part_changed: f64,
    dues: Vec<Due>,
    last_flow: f64,
    testing_until: Option<f64>,
    by_hand: bool,
    /// A repaired probe waits for its handheld reading.
    hand_due: Option<(usize, f64)>,
    /// Visits at a trip for gas, and whether the product is measured by hand in the test run.
    gas_visits: u32,
    by_hand_product: bool,
    drift: Option<Drift>,
    exhaustions: u32,
    /// Visible load as last seen, by part.
    visible: BTreeMap<u16, f64>,
    grown: f64,
    naive_mark: f64,
    truth_taken: Vec<f64>,
    truth_mark: f64,
    truth_grown: f64,
    seen_mark: f64,
    seen: f64,
    litres_before: f64,
    /// Sums for what a counted equivalent is worth: eq as counted without an analysis, true eq.
    counted: (f64, f64),
    gas_since: Option<f64>,
    pattern: Option<Pattern>,
    naive_closed_at: f64,
    /// Conditions that were true lately: when a told alarm may still rest on them.
    truths: Truths,
}

/// When something was last really so.
#[derive(Clone, Debug, Default)]
struct Truths {
    product_salt: f64,
    product_gas: f64,
    between_gas: f64,
    between_salt: f64,
    silent: f64,
    low_pressure: f64,
    high_pressure: f64,
    short_run: f64,
    low_rejection: f64,
    cold: f64,
    worn: f64,
    rinse: f64,
}

impl World {
    /// A plant whose probes speak at most every `longest_secs` while water flows.
    pub fn new(seed: u64, year: Vec<Stretch>, stretch_days: f64, longest_secs: f64) -> Self {
        let p = plan::plant(seed);
        let probes_p = plan::probes(seed, &p, longest_secs);
        let text = plan::settings(seed, &p, &probes_p);
        let settings: Plant = toml::from_str(&text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let setup = Arc::new(Setup::resolve("plant", &settings, OnStop::Close, 5));
        let engine = Engine::new(Arc::clone(&setup));
        let rated = p.vessels[0].bed_litres * p.vessels[0].rated_eq_per_litre;
        let sensor_of =
            |probe: &ProbeParameters| setup.sensors.iter().position(|sensor| sensor.id == probe.id);
        let sensors = probes_p
            .iter()
            .map(|probe| sensor_of(probe).expect("every probe is a sensor"))
            .collect();
        let probes_len = probes_p.len();
        let mut world = Self {
            seed,
            random: Random::branch(seed, "truth"),
            plant: VirtualPlant::new(p.clone(), seed),
            probes: Probes::new(probes_p.clone(), seed),
            probes_p,
            sensors,
            setup,
            engine,
            report: Report { seed, naive: Naive::new(rated), ..Report::default() },
            stretch_secs: stretch_days * DAY,
            at_stretch: usize::MAX,
            year,
            last: BTreeMap::new(),
            standing: BTreeMap::new(),
            heard: vec![0.0; probes_len],
            compared: vec![0.0; probes_len],
            product_read: VecDeque::new(),
            trace: std::env::var("PERMEATED_TRUTH_TRACE").ok().map(|days| {
                let (from, until) = days.split_once('-').expect("from-until in days");
                (from.parse().expect("a day"), until.parse().expect("a day"))
            }),
            parcels: VecDeque::from([(0.0, p.store.start_litres)]),
            stored: 0.0,
            drawn: 0.0,
            tap_days: VecDeque::new(),
            fed_days: VecDeque::from([0.0]),
            fed_before: 0.0,
            tap_days_until: 0.0,
            permitted: false,
            wants: false,
            commands: 0,
            silent_until: -1.0,
            silences: Vec::new(),
            spoil_at: Vec::new(),
            spoil: None,
            spoil_ends: 0.0,
            next_look: 0.0,
            next_resin_look: 0.0,
            charge_from: 0.0,
            lead_over_since: None,
            person_at: None,
            held_at: None,
            part_changed: -1e9,
            dues: Vec::new(),
            last_flow: 0.0,
            testing_until: None,
            by_hand: false,
            hand_due: None,
            gas_visits: 0,
            by_hand_product: false,
            drift: None,
            exhaustions: 0,
            visible: BTreeMap::new(),
            grown: 0.0,
            naive_mark: 0.0,
            truth_taken: vec![0.0; p.vessels.len()],
            truth_mark: 0.0,
            truth_grown: 0.0,
            seen_mark: 0.0,
            seen: 0.0,
            litres_before: 0.0,
            counted: (0.0, 0.0),
            gas_since: None,
            pattern: None,
            naive_closed_at: -1e9,
            truths: Truths {
                product_salt: -1e9,
                product_gas: -1e9,
                between_gas: -1e9,
                between_salt: -1e9,
                silent: -1e9,
                low_pressure: -1e9,
                high_pressure: -1e9,
                short_run: -1e9,
                low_rejection: -1e9,
                cold: -1e9,
                worn: -1e9,
                rinse: -1e9,
            },
            p,
        };
        world.report.charges.push(Charge::default());
        for event in beginning(world.setup.actuators.len()) {
            world.handle(0.0, event);
        }
        world
    }

    fn now_secs(&self) -> f64 {
        self.plant.truth().at_secs
    }

    fn stretch(&self) -> Stretch {
        self.year[self.at_stretch.min(self.year.len() - 1)]
    }

    fn handle(&mut self, secs: f64, event: Event) {
        let mono = (secs * 1000.0) as i64;
        let now =
            Now { mono: Mono::from_millis(mono), wall: Some(Wall::from_millis(EPOCH + mono)) };
        if event != Event::Tick {
            self.report.events += 1;
        }
        let traced = self.trace.is_some_and(|(from, until)| (from..until).contains(&(secs / DAY)));
        if traced && event != Event::Tick {
            println!("{secs:.1} {event:?}");
        }
        let began = std::time::Instant::now();
        self.engine.handle(now, event);
        self.report.engine_secs += began.elapsed().as_secs_f64();
        let mut answers = Vec::new();
        let mut closed = false;
        while let Some(output) = self.engine.poll_output() {
            self.report.outputs += 1;
            if traced && !matches!(output, Output::Value(_)) {
                println!("{secs:.1}     {output:?}");
            }
            match output {
                Output::Send(send) if send.action == Action::Close => {
                    closed |= self.plant.controls.valve_open;
                    self.plant.controls.valve_open = false;
                    self.plant.controls.pump_on = false;
                    answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                }
                Output::Send(_) | Output::Stopped { .. } => {}
                // The broker publishes the will, and the connection comes back.
                Output::DropGuard { actuator } => {
                    self.plant.controls.valve_open = false;
                    self.plant.controls.pump_on = false;
                    answers.push(Event::GuardLost { actuator });
                    answers.push(Event::SeenOnTopic { actuator, open: false });
                    answers.push(Event::GuardConnected { actuator });
                }
                Output::Persist { token } => answers.push(Event::Persisted { token }),
                Output::Value(update) => self.value(update),
                Output::Alarm(update) => self.alarm(secs, &update),
                Output::Permit(permit) => self.permitted = permit.permitted,
                Output::Log(entry) => {
                    if entry.kind == "start-record" {
                        self.record(&entry.data);
                    }
                }
            }
        }
        if closed {
            self.closed(secs);
        }
        for answer in answers {
            self.handle(secs, answer);
        }
    }

    fn value(&mut self, update: ValueUpdate) {
        if update.key.signal == SignalId::ResinVisibleLoad
            && let (Some(part), Ok(Datum::Number(mg))) = (update.key.of, &update.datum)
        {
            let before = self.visible.insert(part, *mg).unwrap_or(0.0);
            if *mg >= before {
                self.grown += mg - before;
            }
        }
        self.last.insert((update.key.signal, update.key.of), update);
    }

    fn number(&self, signal: SignalId, of: Option<u16>) -> Option<(f64, f64, bool)> {
        let update = self.last.get(&(signal, of))?;
        match update.datum {
            Ok(Datum::Number(value)) => {
                Some((value, update.u.unwrap_or(0.0), update.flag == Flag::Good))
            }
            _ => None,
        }
    }

    fn ask(&mut self, what: Ask) {
        self.commands += 1;
        let command = Command { id: format!("c{}", self.commands), at: None, what };
        self.handle(self.now_secs(), Event::Command(command));
    }

    fn service(&mut self, entry: ServiceEntry) {
        self.ask(Ask::Service(entry));
    }

    /// The engine closed the open valve.
    fn closed(&mut self, secs: f64) {
        let product = self.standing.values().any(|one| one.alarm == AlarmId::ProductTdsHigh);
        // A close for another cause does not end a spoiling: the plant goes on when that is over.
        if let Some(spoil) = self.spoil.as_mut().filter(|_| product) {
            spoil.engine.get_or_insert(spoil.whole);
        }
        // A test run ends by a close; its water went to the drain.
        if self.testing_until.is_some() {
            return;
        }
        let acts = |one: &&Standing| one.alarm.row().consequence != Consequence::Tell;
        let standing: Vec<Standing> = self.standing.values().filter(acts).copied().collect();
        self.report.closes.push(Close {
            at: secs,
            stretch: self.stretch(),
            causes: standing.iter().map(|one| one.alarm.name()).collect(),
            due: standing.iter().any(|one| one.due),
        });
    }

    /// Half of the first charge has gone, or at the present load it will be gone within three weeks: an order
    /// takes two, and is asked for when nine in ten charges last no longer.
    fn resin_low(&self, truth: &Truth) -> bool {
        let Some(lead) = truth.vessels.first() else { return false };
        let used = lead.fed_eq / lead.middle_eq;
        let fed: f64 = self.fed_days.iter().sum();
        let a_day = fed / lead.middle_eq / self.fed_days.len().max(1) as f64;
        used > 0.5 || (1.0 - used) <= 21.0 * a_day
    }

    fn is_due(&self, alarm: AlarmId, of: Option<u16>, secs: f64) -> bool {
        let t = &self.truths;
        let within = |at: f64, days: f64| secs - at <= days * DAY;
        let stretch = self.stretch();
        let truth = self.plant.truth();
        match alarm {
            // Carbon dioxide is no reason to stop: the issue counts its plateaus among the false ones.
            AlarmId::ProductTdsHigh => within(t.product_salt, 0.01),
            // A minute is what DEFAULTS gives a silent probe at most while water flows. What was heard
            // since then asks nobody for anything, whatever the radio lost before.
            // Nor does a probe that rests with the water.
            AlarmId::ProductProbeStale | AlarmId::NotProven => {
                self.product_unheard(secs) >= 60.0 && secs - self.last_flow <= 60.0
            }
            AlarmId::SensorFault | AlarmId::LeakSensorSilent => within(t.silent, 0.02),
            // Of a valve that has shut it is false at once, of one that nobody can hear once the
            // container could run over.
            AlarmId::CloseUnconfirmed => truth.valve > 0.0 || self.product_unheard(secs) >= 3600.0,
            AlarmId::FlowMissing => truth.valve > 0.5 && truth.feed_flow < 0.05,
            AlarmId::ProductProbeContradicted | AlarmId::ProductProbeDoubtful => {
                stretch == Stretch::StuckProduct
            }
            AlarmId::LeadBegun => within(t.between_salt, 2.0),
            AlarmId::LeadSpent => within(t.between_salt, 2.0),
            AlarmId::ProductReadingSuspect => within(t.product_gas.max(t.between_gas), 2.0),
            AlarmId::RejectionLow => within(t.low_rejection, 3.0),
            AlarmId::SaltPassageHigh => within(t.worn, 3.0),
            AlarmId::SettleNotReached => within(t.short_run, 2.0),
            AlarmId::FeedPressureLow => within(t.low_pressure, 0.1),
            AlarmId::FeedPressureHigh | AlarmId::FeedPressureHighHigh => {
                within(t.high_pressure, 0.1)
            }
            AlarmId::FeedTemperatureLow => within(t.cold, 0.1),
            AlarmId::StartsHigh => within(t.short_run, 2.0),
            // A level sensor errs by one per cent and waves.
            AlarmId::StoreFull => truth.store_litres >= 0.96 * self.p.store.full_litres - 1.0,
            AlarmId::ResinLow => self.resin_low(truth),
            AlarmId::StoreAgeHigh => {
                self.parcels.front().is_some_and(|(at, _)| secs - at >= 19.0 * DAY)
            }
            AlarmId::IdleLong => !truth.flowing && secs - self.last_flow > 6.5 * DAY,
            AlarmId::CalibrationOverdue => of
                .and_then(|of| self.setup.sensors.get(usize::from(of)))
                .and_then(|sensor| self.probes_p.iter().position(|p| p.id == sensor.id))
                .is_some_and(|probe| secs - self.compared[probe] >= 179.0 * DAY),
            // A reminder of what nothing has shown for so long; it is counted apart.
            AlarmId::ProofOverdue => true,
            // It says what its owner has accepted, for as long as it is accepted.
            AlarmId::ProductGasAccepted => true,
            // The owner here leads none of it to the drain, so it is so.
            // The first litres are what it is about, however many days they take.
            AlarmId::RunInNotDrained => {
                truth.totals.permeate_litres - self.part_changed <= RUN_IN_LITRES
            }
            AlarmId::FeedStep => {
                let (low, high) = self
                    .tap_days
                    .iter()
                    .fold((f64::MAX, 0.0_f64), |(low, high), day| (low.min(*day), high.max(*day)));
                high > 1.15 * low
            }
            AlarmId::SensorContradicted => {
                matches!(stretch, Stretch::FeedDrift | Stretch::PermeateDrift)
            }
            _ if alarm.name() == "probe-drift" => {
                matches!(stretch, Stretch::FeedDrift | Stretch::PermeateDrift)
            }
            _ => false,
        }
    }

    /// How long nothing has been heard of the product probe, s.
    fn product_unheard(&self, secs: f64) -> f64 {
        let at = plan::tds_at(&self.probes_p, Place::Product).expect("every plant has one");
        secs - self.heard[at]
    }

    fn alarm(&mut self, secs: f64, update: &AlarmUpdate) {
        let alarm = update.key.alarm;
        let row = alarm.row();
        let key = match update.key.of {
            Some(of) => format!("{}-{of}", alarm.name()),
            None => alarm.name().to_owned(),
        };
        let before = self.standing.get(&key).copied();
        // Under its parent, shelved or gone: nobody is asked for anything.
        let asks = matches!(update.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
        let due = match before {
            Some(before) if before.due || before.active == update.active => before.due,
            _ => self.is_due(alarm, update.key.of, secs),
        };
        let told = before.and_then(|before| before.class);
        if update.active || update.latched || asks {
            let (active, latched) = (update.active, update.latched);
            let class = if asks { told.max(Some(update.class)) } else { None };
            self.standing.insert(key, Standing { alarm, active, latched, due, class });
        } else {
            self.standing.remove(&key);
        }
        // Told when it begins to ask, and again when it asks for more.
        if !asks || told.is_some_and(|told| told >= update.class) {
            return;
        }
        if alarm.name() == "probe-drift" {
            let probe = update.key.of.map(usize::from);
            let id = probe.and_then(|p| self.setup.sensors.get(p)).map(|s| s.id.clone());
            match &mut self.drift {
                Some(drift) if id.as_deref() == Some(self.probes_p[drift.probe].id.as_str()) => {
                    drift.named.get_or_insert((secs - drift.began) / DAY);
                }
                _ => self.report.wrongly_named += 1,
            }
        }
        match alarm {
            AlarmId::ProductReadingSuspect | AlarmId::LeadBegun | AlarmId::LeadSpent => {
                let is = self.passes().0;
                if let Some(pattern) = self.pattern.as_mut().filter(|now| is == Some(now.gas)) {
                    let gas = alarm == AlarmId::ProductReadingSuspect;
                    pattern.said_gas |= gas;
                    pattern.said_breakthrough |= !gas;
                }
            }
            _ => {}
        }
        for one in self.dues.iter_mut().filter(|one| one.alarms.contains(&alarm)) {
            one.engine.get_or_insert((secs - one.began) / DAY);
        }
        let protective = matches!(row.consequence, Consequence::Trip | Consequence::Hold);
        let t = self.plant.truth();
        let truth = match protective {
            true => format!(
                " [product {:.2}, of it gas {:.2} and rinse {:.2}; unheard {:.0} s; read {:?}]",
                t.product_tds,
                t.product_gas_tds,
                t.product_rinse_tds,
                self.product_unheard(secs),
                self.product_read,
            ),
            false => String::new(),
        };
        self.report.told.push(Told {
            name: alarm.name().to_owned(),
            class: update.class.word(),
            protective,
            at: secs,
            stretch: self.stretch(),
            due,
            gas: secs - self.truths.product_gas <= 0.01 * DAY,
            text: update.text.clone() + &truth,
        });
    }

    /// From now on this has to be told, until [`Self::due_ends`].
    fn due_begins(
        &mut self,
        what: &'static str,
        alarms: &'static [AlarmId],
        naive_word: &'static str,
    ) {
        let began = self.now_secs();
        let stands =
            self.standing.values().any(|one| one.class.is_some() && alarms.contains(&one.alarm));
        let engine = stands.then_some(0.0);
        self.dues.push(Due { what, began, alarms, naive_word, engine, naive: false });
    }

    fn due_ends(&mut self, what: &'static str) {
        let report = &mut self.report.dues;
        self.dues.retain(|one| {
            if one.what == what {
                report.push(*one);
            }
            one.what != what
        });
    }

    fn permeate_probe(&self) -> &ProbeParameters {
        let at = plan::tds_at(&self.probes_p, Place::Permeate).expect("every plant has one");
        self.probes.parameters().nth(at).expect("index is good")
    }

    fn probe_gain(&self, place: Place) -> f64 {
        let at = plan::tds_at(&self.probes_p, place).expect("every plant has one");
        self.probes.parameters().nth(at).expect("index is good").gain
    }

    /// What the permeate's probe would show of this truth without noise or step.
    fn as_seen(&self, ppm: f64) -> f64 {
        let p = self.permeate_probe();
        let t = self.plant.truth();
        let gain = p.gain
            * (1.0 + p.drift_per_day * (t.at_secs - p.drift_from_secs) / DAY)
            * (1.0 + p.compensation_per_k * (t.feed_celsius - 25.0));
        ppm * gain + p.offset
    }

    fn record(&mut self, data: &serde_json::Value) {
        let number = |key: &str| data.get(key).and_then(serde_json::Value::as_f64);
        let Some(began) = number("began") else { return };
        // Not what passes while valve or float closes: the flow falls then and the salt does not.
        let truth_settled = self.plant.truth().settled_open_ppm;
        self.report.starts.push(StartLook {
            began: (began - EPOCH as f64) / 1000.0,
            reached: data.get("settled-reached") == Some(&serde_json::Value::Bool(true)),
            settled: number("settled-ppm").zip(number("settled-u")),
            truth_settled,
            seen_settled: self.as_seen(truth_settled),
            settle_litres: number("settle-litres"),
            extra: number("extra-mg"),
        });
    }

    pub fn run(mut self) -> Report {
        let end = self.year.len() as f64 * self.stretch_secs;
        while self.now_secs() < end {
            self.step();
        }
        self.leave_stretch();
        self.report.days = end / DAY;
        self.report.litres = self.plant.truth().totals.permeate_litres;
        self.end_pattern();
        self.report
    }

    fn step(&mut self) {
        let now = self.now_secs();
        let at = (now / self.stretch_secs) as usize;
        if at != self.at_stretch {
            if self.at_stretch != usize::MAX {
                self.leave_stretch();
            }
            self.at_stretch = at;
            self.enter_stretch(now);
        }
        let moves = self.now_secs() < 60.0
            || self.plant.controls.valve_open
            || self.plant.truth().flowing
            || self.plant.truth().valve > 0.0
            || self.plant.truth().feed_flow > 0.0;
        self.plant.step(if moves { FLOWING } else { STANDING });
        let now = self.now_secs();
        self.happen(now);
        self.hub(now);
        self.person(now);
        self.messages(now);
        if self.engine.poll_timeout().is_some_and(|(due, _)| due.millis() <= (now * 1000.0) as i64)
        {
            self.handle(now, Event::Tick);
        }
        self.account(now);
        self.look(now);
        self.patterns(now);
    }

    fn change(&mut self, place: Place, f: impl Fn(&mut ProbeParameters)) {
        if let Some(at) = plan::tds_at(&self.probes_p, place) {
            self.probes.change(at, f);
        }
    }

    fn each(&mut self, f: impl Fn(&mut ProbeParameters)) {
        for at in 0..self.probes_p.len() {
            self.probes.change(at, &f);
        }
    }

    fn enter_stretch(&mut self, now: f64) {
        let length = self.stretch_secs;
        self.by_hand = false;
        match self.stretch() {
            Stretch::Easy | Stretch::StuckProduct => {}
            Stretch::ShortCycles => {
                self.due_begins(SHORT, &[AlarmId::SettleNotReached, AlarmId::StartsHigh], "");
            }
            Stretch::Spikes => self.each(|p| {
                if p.measures == permeated::demo::probes::Measures::Tds {
                    p.spike_chance = 0.02;
                    p.spike_size = p.spike_size.max(20.0);
                    p.bubbles_secs = 40.0;
                }
            }),
            Stretch::Radio => {
                self.each(|p| {
                    p.loss = 0.1;
                    p.doubled = 0.1;
                });
                self.silences =
                    (0..6).map(|_| now + length * self.random.between(0.02, 0.95)).collect();
                self.silences.sort_by(f64::total_cmp);
            }
            Stretch::FeedDrift => self.drifts(Place::Feed, -0.012),
            Stretch::PermeateDrift => self.drifts(Place::Permeate, 0.012),
            Stretch::Worn => {
                self.plant.membrane_mut().scale(1.05, 2.5);
                let told = &[AlarmId::SaltPassageHigh, AlarmId::RejectionLow];
                self.due_begins(WORN, told, "rejection");
            }
            Stretch::Spoiled => {
                self.spoil_at = (0..6).map(|i| now + length * (f64::from(i) + 0.5) / 6.5).collect();
            }
        }
        if self.stretch() == Stretch::StuckProduct
            && let Some(at) = plan::tds_at(&self.probes_p, Place::Product)
        {
            self.probes.set_broken(at, Broken::Stuck(0.0));
            self.spoil_at = vec![now + 0.7 * length];
            let told = &[AlarmId::ProductProbeDoubtful, AlarmId::ProductProbeContradicted];
            self.due_begins(STUCK, told, "");
        }
    }

    fn drifts(&mut self, place: Place, per_day: f64) {
        let now = self.now_secs();
        self.change(place, |p| {
            p.drift_per_day = per_day;
            p.drift_from_secs = now;
        });
        let probe = plan::tds_at(&self.probes_p, place).expect("every plant has both");
        self.drift = Some(Drift { began: now, probe, named: None });
    }

    /// What belongs to the stretch ends; the owner repairs.
    fn leave_stretch(&mut self) {
        let stretch = self.stretch();
        self.report.loads.push(LoadLook {
            stretch,
            engine: self.grown,
            naive: self.report.naive.grown_mg - self.naive_mark,
            truth: self.truth_grown - self.truth_mark,
            seen: self.seen - self.seen_mark,
        });
        self.grown = 0.0;
        self.naive_mark = self.report.naive.grown_mg;
        self.truth_mark = self.truth_grown;
        self.seen_mark = self.seen;
        for (at, original) in self.probes_p.clone().into_iter().enumerate() {
            self.probes.change(at, |p| *p = original.clone());
            self.probes.set_broken(at, Broken::No);
        }
        for what in [WORN, SHORT, STUCK, SILENT] {
            self.due_ends(what);
        }
        self.silences.clear();
        self.spoil_at.clear();
        self.end_spoil();
        if let Some(drift) = self.drift.take() {
            self.report.drift_named.push((stretch, drift.named));
            // Calibrated, and measured by hand against it.
            self.hand_due = Some((drift.probe, self.now_secs() + 900.0));
        }
        if stretch == Stretch::Worn {
            self.plant.membrane_mut().renew();
            self.part_changed = self.plant.truth().totals.permeate_litres;
            self.service(ServiceEntry::PartChanged {
                part: "membrane".into(),
                note: String::new(),
            });
        }
    }

    /// A handheld reading beside a probe, good to 2 %; only in flowing water.
    fn by_hand(&mut self, probe: usize) {
        let t = self.plant.truth();
        let truth = match self.probes_p[probe].place {
            Place::Feed => t.feed_tds,
            Place::Product => t.product_tds,
            _ => t.permeate_tds,
        };
        let value = (truth * (1.0 + 0.02 * self.random.normal())).max(0.0);
        self.compared[probe] = self.now_secs();
        self.service(ServiceEntry::Handheld {
            sensor: self.probes_p[probe].id.clone(),
            value: (value * 10.0).round() / 10.0,
            u: 0.02 * truth + 0.3,
        });
    }

    /// Things that happen at their time.
    fn happen(&mut self, now: f64) {
        if self.silences.first().is_some_and(|&at| now >= at) {
            self.silences.remove(0);
            self.silent_until = now + self.random.between_log(300.0, 5.0 * 3600.0);
            if self.silent_until - now >= 1800.0 {
                let told =
                    &[AlarmId::SensorFault, AlarmId::ProductProbeStale, AlarmId::LeakSensorSilent];
                self.due_begins(SILENT, told, "");
            }
        } else if now >= self.silent_until {
            self.due_ends(SILENT);
        }
        if now < self.silent_until {
            self.truths.silent = now;
        }
        let into = now - self.at_stretch as f64 * self.stretch_secs;
        let t = self.plant.truth();
        let settled = t.flowing && t.run_litres > 3.0;
        if let Some(drift) = &self.drift
            && !self.by_hand
            && into > 2.0 / 3.0 * self.stretch_secs
            && settled
        {
            let probe = drift.probe;
            self.by_hand = true;
            self.by_hand(probe);
        }
        if settled && std::mem::take(&mut self.by_hand_product) {
            let probe = plan::tds_at(&self.probes_p, Place::Product).expect("every plant has one");
            self.by_hand(probe);
        }
        // Beside what the probe shows since then, not before.
        if settled && let Some((probe, _)) = self.hand_due.filter(|(_, from)| now >= *from) {
            self.hand_due = None;
            self.by_hand(probe);
        }
        if self.spoil.is_none()
            && self.spoil_at.first().is_some_and(|&at| now >= at)
            && self.standing.values().all(|one| !trips(one.alarm))
        {
            self.spoil_at.remove(0);
            let share = self.random.between(0.25, 0.5);
            self.plant.controls.bypass_share = share;
            self.spoil = Some(Spoil {
                engine: None,
                allowed: 0.0,
                naive: false,
                stuck: self.stretch() == Stretch::StuckProduct,
                whole: 0.0,
            });
            self.spoil_ends = now + 1.5 * DAY;
        }
        if let Some(spoil) = self.spoil {
            let done = spoil.engine.is_some() || spoil.whole > 60.0 || now > self.spoil_ends;
            if done && !self.plant.truth().flowing {
                self.end_spoil();
            }
        }
    }

    fn end_spoil(&mut self) {
        self.plant.controls.bypass_share = 0.0;
        if let Some(spoil) = self.spoil.take() {
            // Due is a close once the allowed dose has passed in water that a display can show; what
            // was closed within it was due too, and in time. Nothing was where neither happened.
            let shown = spoil.allowed > 0.0;
            if shown && (spoil.engine.is_some() || spoil.whole > spoil.allowed) {
                self.report.spoils.push(spoil);
            }
        }
    }

    fn hub(&mut self, now: f64) {
        let band = if self.stretch() == Stretch::ShortCycles {
            let litres = self.plant.truth().store_litres;
            let stop = self.p.store.stop_at_litres;
            if litres < stop - 1.0 {
                true
            } else if litres >= stop {
                false
            } else {
                self.wants
            }
        } else {
            self.plant.wants_water(self.wants)
        };
        self.wants = band || self.testing_until.is_some();
        let may = self.permitted;
        let open = self.plant.controls.valve_open;
        if self.wants && may && !open {
            self.plant.controls.valve_open = true;
            self.plant.controls.pump_on = true;
            self.handle(now, Event::SeenOnTopic { actuator: 0, open: true });
        } else if !self.wants && open {
            self.plant.controls.valve_open = false;
            self.plant.controls.pump_on = false;
            self.handle(now, Event::SeenOnTopic { actuator: 0, open: false });
        }
    }

    /// The owner: looks after a trip within hours, changes resin when it is spent.
    fn person(&mut self, now: f64) {
        // A hold that came three times in a day waits for a person like a trip.
        let held: Vec<AlarmId> = self
            .standing
            .values()
            .filter(|one| one.latched && !one.active && !trips(one.alarm))
            .map(|one| one.alarm)
            .collect();
        match (held.is_empty(), self.held_at) {
            (true, _) => self.held_at = None,
            (false, None) => self.held_at = Some(now + self.random.between(1800.0, 6.0 * 3600.0)),
            (false, Some(at)) if now >= at => {
                for alarm in held {
                    let cause = alarm.name().to_owned();
                    self.ask(Ask::Reset { cause, reason: "looked at".into() });
                }
                self.held_at = None;
            }
            _ => {}
        }
        let standing: Vec<AlarmId> =
            self.standing.values().map(|one| one.alarm).filter(|alarm| trips(*alarm)).collect();
        if standing.is_empty() {
            self.person_at = None;
            self.gas_visits = 0;
            if self.testing_until.take().is_some() {
                self.plant.controls.product_to_drain = false;
            }
        } else if let Some(until) = self.testing_until {
            if now >= until {
                if self.gas_visits > 0 {
                    for ppm in [1.0, 2.0] {
                        self.ask(Ask::AcceptGas { ppm, reason: "a stirred cup fell".into() });
                    }
                }
                for alarm in standing {
                    let cause = alarm.name().to_owned();
                    let note = "looked at".to_owned();
                    self.service(ServiceEntry::Checked { cause: cause.clone(), note });
                    self.ask(Ask::Reset { cause, reason: "looked at".into() });
                }
                self.testing_until = None;
                self.plant.controls.product_to_drain = false;
                self.person_at = Some(now + 3600.0);
            }
        } else {
            let at = *self.person_at.get_or_insert(now + self.random.between(1800.0, 6.0 * 3600.0));
            if now >= at {
                self.end_spoil();
                // Whatever still carries salt is changed. Gas is accepted, for which two test runs have
                // to show it; where that leads nowhere the resin is changed as well.
                let t = self.plant.truth();
                let gas = t.product_gas_tds > 0.7 * t.product_tds;
                if t.product_tds > 0.6 && t.product_rinse_tds < 0.3 {
                    if gas && self.gas_visits < GAS_VISITS {
                        self.gas_visits += 1;
                    } else {
                        self.gas_visits = 0;
                        self.change_resin();
                    }
                }
                self.plant.controls.product_to_drain = true;
                self.ask(Ask::TestRun { outlet_to_drain: true });
                self.testing_until = Some(now + TEST_SECS);
                self.by_hand_product = self.gas_visits > 0;
            }
        }
        // The lead is spent: the owner changes it three days after it could be seen.
        let t = self.plant.truth();
        let Some(lead) = t.vessels.first() else { return };
        let spent = lead.salt_passing >= 0.3;
        if spent {
            let charge = self.report.charges.last_mut().expect("there is one from the start");
            if charge.end.is_none() {
                charge.end = Some(lead.litres - self.charge_from);
            }
            if self.lead_over_since.is_none() && self.p.vessels.len() > 1 {
                self.due_begins(SPENT, &[AlarmId::LeadSpent, AlarmId::LeadBegun], "lead");
            }
            let t = self.plant.truth();
            let since = *self.lead_over_since.get_or_insert(now);
            if now - since > 3.0 * DAY && !t.flowing {
                self.change_resin();
            }
        }
    }

    fn change_resin(&mut self) {
        self.part_changed = self.plant.truth().totals.permeate_litres;
        self.lead_over_since = None;
        self.due_ends(SPENT);
        let spent = self.plant.truth().vessels.first().is_some_and(|v| v.salt_passing >= 0.3);
        if spent {
            self.exhaustions += 1;
        }
        if self.p.vessels.len() > 1 {
            self.plant.lag_to_lead();
            // The label names places: the first place now holds what was second.
            self.service(ServiceEntry::LagToLead {
                lead: "vessel-a".into(),
                fresh: "vessel-b".into(),
            });
            self.truth_taken.rotate_left(1);
            *self.truth_taken.last_mut().expect("two") = 0.0;
        } else {
            self.plant.vessel_mut(0).expect("one").renew();
            self.service(ServiceEntry::PartChanged {
                part: "vessel-a".into(),
                note: String::new(),
            });
            self.truth_taken[0] = 0.0;
        }
        // Growth is told from here on by other accounts.
        let values: Vec<(u16, f64)> = self
            .last
            .iter()
            .filter(|((signal, _), _)| *signal == SignalId::ResinVisibleLoad)
            .filter_map(|((_, of), update)| match (of, &update.datum) {
                (Some(of), Ok(Datum::Number(mg))) => Some((*of, *mg)),
                _ => None,
            })
            .collect();
        self.visible.extend(values);
        self.report.naive.resin_changed();
        // The truth that was last looked at still has the vessel that was taken out in first place.
        let lead = self.plant.vessel_mut(0).map(|lead| lead.truth());
        self.charge_from = lead.expect("every plant has one").litres;
        self.report.charges.push(Charge { end: None, seen_before: self.exhaustions });
        if spent {
            self.capacity();
        }
    }

    fn lead_part(&self) -> Option<u16> {
        self.setup.parts.iter().position(|part| part.id == "vessel-a").map(|ix| ix as u16)
    }

    fn fresh_part(&self) -> Option<u16> {
        let id = if self.p.vessels.len() > 1 { "vessel-b" } else { "vessel-a" };
        self.setup.parts.iter().position(|part| part.id == id).map(|ix| ix as u16)
    }

    fn capacity(&mut self) {
        let Some((published, ..)) = self.number(SignalId::ResinCapacity, self.fresh_part()) else {
            return;
        };
        let t = self.plant.truth();
        // Until a vessel is to be changed, which is when three tenths pass, as everywhere here.
        let until = |(vessel, p): (&VesselTruth, &VesselParameters)| {
            vessel.middle_eq * (1.0 + p.width_share * (0.3f64 / 0.7).ln())
        };
        let count = t.vessels.len() as f64;
        let truth = t.vessels.iter().zip(&self.p.vessels).map(until).sum::<f64>() / count;
        let worth = if plan::knows_chemistry(self.seed) {
            1.0
        } else {
            self.counted.0 / self.counted.1.max(1e-9)
        };
        self.report.capacities.push(CapacityLook {
            exhaustions: self.exhaustions,
            published,
            truth_counted: truth * worth,
        });
    }

    fn messages(&mut self, now: f64) {
        let truth = self.plant.truth().clone();
        let messages = self.probes.look(&truth);
        if now < self.silent_until {
            return;
        }
        let mut at = self.engine.evaluated().millis() as f64 / 1000.0;
        for message in messages {
            let probe = &self.probes_p[message.probe];
            let sensor = self.sensors[message.probe];
            at = at.max(message.arrives_at).min(now);
            self.heard[message.probe] = at;
            if probe.place == Place::Product {
                self.product_read.push_back(message.value);
                if self.product_read.len() > 40 {
                    self.product_read.pop_front();
                }
            }
            self.report.naive.message(at, probe, message.value);
            let arrived = Some(Wall::from_millis(EPOCH + (at * 1000.0) as i64));
            let reading =
                Reading { sensor, value: message.value, retained: false, arrived, stamp: None };
            self.handle(at, Event::Reading(reading));
        }
        let alarms = std::mem::take(&mut self.report.naive.alarms);
        for alarm in alarms {
            self.naive_alarm(now, alarm);
        }
    }

    fn naive_alarm(&mut self, now: f64, alarm: &str) {
        for one in self.dues.iter_mut().filter(|one| one.naive_word == alarm) {
            one.naive = true;
        }
        let t = &self.truths;
        let within = |at: f64| now - at <= 0.02 * DAY;
        match alarm {
            "product" => {
                let due = within(t.product_salt);
                if let Some(spoil) = &mut self.spoil {
                    spoil.naive = true;
                }
                // A closed valve stays closed until somebody comes: one a day counts.
                if !due && now - self.naive_closed_at > DAY {
                    self.report.naive_false_closes += 1;
                    self.naive_closed_at = now;
                }
            }
            "lead" => {
                self.report.naive_false_alarms += u32::from(now - t.between_salt >= 2.0 * DAY)
            }
            _ => {
                let due = now - t.low_rejection < 3.0 * DAY;
                self.report.naive_false_alarms += u32::from(!due);
            }
        }
    }

    /// What is really so, for later judgement.
    fn account(&mut self, now: f64) {
        for start in self.plant.take_starts() {
            if start.settle_litres.is_none() || start.litres < 4.0 {
                self.truths.short_run = now;
            }
            let stretch = self.stretch();
            self.report.truth_starts.push((start, stretch));
        }
        let t: Truth = self.plant.truth().clone();
        for (at, vessel) in t.vessels.iter().enumerate() {
            self.truth_grown += (vessel.taken_salt_mg - self.truth_taken[at]).max(0.0);
            self.truth_taken[at] = vessel.taken_salt_mg;
        }
        self.account_store(now, &t);
        let litres = t.totals.permeate_litres - self.litres_before;
        self.litres_before = t.totals.permeate_litres;
        if litres > 0.0 {
            let meter =
                self.probes_p.iter().find(|p| p.id == "permeate-pulses").map_or(1.0, |p| p.gain);
            let seen = self.as_seen(t.permeate_tds) * litres * meter;
            self.seen += seen;
            // As the engine counts a tap that nobody analysed.
            let feed = t.feed_tds * self.probe_gain(Place::Feed);
            let tap = Tap { us_cm: Some(feed / 0.5), ..Tap::default() };
            let gas = tap.gas(Celsius::new(t.feed_celsius)).middle;
            let meq = seen / 0.5 / 115.0 / 1000.0 + gas * litres * meter / 1000.0;
            let salt = (t.permeate_tds - t.permeate_gas_tds) / 0.5 / self.p.permeate_us_cm_per_meq
                * litres
                / 1000.0;
            self.counted.0 += meq;
            self.counted.1 += salt + t.carbon_dioxide_mmol * litres / 1000.0;
        }
        if t.flowing && t.feed_flow > 0.0 {
            self.last_flow = now;
            let salt = t.product_tds - t.product_gas_tds - t.product_rinse_tds;
            let mostly = t.product_tds >= 0.5 && t.product_gas_tds < 0.5 * t.product_tds;
            if salt >= 0.5 || (mostly && salt > 0.3) {
                self.truths.product_salt = now;
            }
            // The alarm says where: after the first of two vessels, too.
            let passing = t.vessels.first().map_or(0.0, |v| v.salt_passing);
            let between_gas = t.between_tds - passing * (t.permeate_tds - t.permeate_gas_tds);
            let between_gas = if t.vessels.len() > 1 { between_gas } else { 0.0 };
            if t.product_gas_tds >= 0.35 {
                self.truths.product_gas = now;
            }
            if between_gas >= 0.35 {
                self.truths.between_gas = now;
            }
            if t.product_rinse_tds >= 4.5 {
                self.truths.rinse = now;
            }
            if t.vessels.first().is_some_and(|v| v.salt_passing * t.permeate_tds >= 0.5) {
                self.truths.between_salt = now;
            }
            if t.run_litres > 2.0 && t.rejection < 0.935 {
                self.truths.low_rejection = now;
            }
            if t.membrane_salt > 1.5 {
                self.truths.worn = now;
            }
            if t.feed_bar < 2.9 {
                self.truths.low_pressure = now;
            }
            if t.feed_bar > 5.4 {
                self.truths.high_pressure = now;
            }
            if t.feed_celsius < 5.0 {
                self.truths.cold = now;
            }
            if let Some(spoil) = &mut self.spoil {
                let minutes = FLOWING / 60.0;
                let passed = t.permeate_flow * minutes;
                // What is due is due in water that has left the first half litre behind.
                if t.run_litres > 0.5 && t.product_tds >= 1.2 {
                    spoil.whole += t.product_tds * passed;
                    let slow = 3.0 * 10.0 + FLOWING * 2.0;
                    let allowed = 0.5 + t.product_tds * t.permeate_flow * slow / 60.0;
                    spoil.allowed = spoil.allowed.max(allowed);
                }
            }
        }
    }

    /// Age of the stored water, first in first out, and the tap's days.
    fn account_store(&mut self, now: f64, t: &Truth) {
        let stored =
            t.totals.store_litres - std::mem::replace(&mut self.stored, t.totals.store_litres);
        if stored > 0.0 {
            match self.parcels.back_mut() {
                Some(last) if now - last.0 < 3600.0 => last.1 += stored,
                _ => self.parcels.push_back((now, stored)),
            }
        }
        let gone = self.plant.store().drawn_litres + self.plant.store().spilled_litres;
        let mut left = gone - std::mem::replace(&mut self.drawn, gone);
        while left > 0.0
            && let Some(first) = self.parcels.front_mut()
        {
            let take = left.min(first.1);
            first.1 -= take;
            left -= take;
            if first.1 <= 1e-9 {
                self.parcels.pop_front();
            }
        }
        if let (Some(lead), Some(today)) = (t.vessels.first(), self.fed_days.back_mut()) {
            // After a change the account is another's.
            *today += (lead.fed_eq - self.fed_before).clamp(0.0, 0.2 * lead.middle_eq);
            self.fed_before = lead.fed_eq;
        }
        if now >= self.tap_days_until {
            self.tap_days_until = now + DAY;
            self.fed_days.push_back(0.0);
            if self.fed_days.len() > 14 {
                self.fed_days.pop_front();
            }
            self.tap_days.push_back(t.supply_tds);
            if self.tap_days.len() > 45 {
                self.tap_days.pop_front();
            }
        }
    }

    /// Looks at what the engine shows.
    fn look(&mut self, now: f64) {
        let t = self.plant.truth();
        let settled = t.flowing && t.run_secs > 1200.0 && t.excess_ppm < 0.2;
        if settled && now >= self.next_look && now >= self.silent_until {
            self.next_look = now + 600.0;
            let look = RejectionLook {
                stretch: self.stretch(),
                by_hand: self.by_hand,
                feed: t.feed_tds,
                truth: t.rejection,
                shown: self.number(SignalId::Rejection, None),
                naive: self.report.naive.rejection(),
                recovery: self.number(SignalId::Recovery, None).map(|shown| (shown.0, t.recovery)),
            };
            self.report.rejections.push(look);
        }
        if now >= self.next_resin_look
            && let Some(lead) = t.vessels.first()
        {
            self.next_resin_look = now + 0.5 * DAY;
            let remaining = self
                .number(SignalId::ResinRemainingLitres, self.lead_part())
                .map(|(v, u, _)| (v, u));
            self.report.resin.push(ResinLook {
                charge: self.report.charges.len() - 1,
                litres: lead.litres - self.charge_from,
                remaining,
                naive: self.report.naive.remaining_litres(),
            });
        }
    }

    /// What the first vessel lets through: gas alone (true), salt (false), or neither clearly; what is
    /// shown behind it, and the salt in that, ppm.
    fn passes(&self) -> (Option<bool>, f64, f64) {
        let t = self.plant.truth();
        let passing = t.vessels.first().map_or(0.0, |v| v.salt_passing);
        let salt = passing * (t.permeate_tds - t.permeate_gas_tds);
        let shown = if t.vessels.len() > 1 { t.between_tds } else { t.product_tds };
        let gas = shown >= 0.8 && salt < 0.25;
        let front = salt >= 1.0;
        ((gas || front).then_some(gas), shown, salt)
    }

    /// Times in which gas or salt stands behind the bed long enough to be told apart.
    fn patterns(&mut self, now: f64) {
        let t = self.plant.truth();
        if !t.flowing || t.run_litres < 2.0 {
            return;
        }
        let (is, shown, salt) = self.passes();
        match (is, self.pattern.map(|p| p.gas)) {
            (Some(is), Some(was)) if is == was => {}
            (Some(is), _) => {
                self.end_pattern();
                self.pattern = Some(Pattern {
                    began: now,
                    gas: is,
                    said_gas: false,
                    said_breakthrough: false,
                });
                self.gas_since = Some(now);
            }
            (None, Some(true)) if shown < 0.4 => self.end_pattern(),
            (None, Some(false)) if salt < 0.3 => self.end_pattern(),
            _ => {}
        }
        let said = self.last.get(&(SignalId::ResinPasses, None)).map(|update| &update.datum);
        let says = |words: &str| matches!(said, Some(Ok(Datum::Text(said))) if said == words);
        let (gas, breakthrough) = (says("carbon dioxide"), says("salt"));
        if let Some(pattern) = self.pattern.as_mut()
            && is == Some(pattern.gas)
            && now - pattern.began > DAY
        {
            pattern.said_gas |= gas;
            pattern.said_breakthrough |= breakthrough;
        }
    }

    fn end_pattern(&mut self) {
        let now = self.now_secs();
        if let (Some(pattern), Some(since)) = (self.pattern.take(), self.gas_since)
            && now - since > 3.0 * DAY
        {
            self.report.patterns.push(pattern);
        }
    }
}

/// How the rejection of each stretch was off: mean and root mean square in points, of the engine and of
/// the naive monitor, the stated standard uncertainty, and the feed.
pub fn rejection_lines(report: &Report) -> Vec<(Stretch, String)> {
    let stretches: BTreeSet<Stretch> = report.rejections.iter().map(|look| look.stretch).collect();
    let line = |stretch: Stretch| {
        let looks = report.rejections.iter().filter(|look| look.stretch == stretch);
        let (mut own, mut naive, mut u, mut feed, mut count) = ([0.0; 2], [0.0; 2], 0.0, 0.0, 0.0);
        for look in looks {
            let Some((shown, own_u, _)) = look.shown else { continue };
            let errors = [shown, look.naive].map(|value| 100.0 * (value - look.truth));
            for (sums, error) in [&mut own, &mut naive].into_iter().zip(errors) {
                sums[0] += error;
                sums[1] += error * error;
            }
            (u, feed, count) = (u + 100.0 * own_u, feed + look.feed, count + 1.0);
        }
        let mean = |sum: f64| sum / f64::max(count, 1.0);
        format!(
            "rejection off {:+.2} (rms {:.2}, u {:.2}), naive {:+.2} ({:.2}), feed {:.0}, {count} looks",
            mean(own[0]),
            mean(own[1]).sqrt(),
            mean(u),
            mean(naive[0]),
            mean(naive[1]).sqrt(),
            mean(feed),
        )
    };
    stretches.into_iter().map(|stretch| (stretch, line(stretch))).collect()
}

fn trips(alarm: AlarmId) -> bool {
    alarm.row().consequence == Consequence::Trip
}

/// Names of alarms that were told, with how often: without a cause, or with one.
pub fn names(reports: &[Report], due: bool) -> BTreeMap<(String, &'static str), u32> {
    let mut names = BTreeMap::new();
    for told in reports.iter().flat_map(|r| &r.told).filter(|told| told.due == due) {
        let gas = if told.gas && told.protective && !due { ", gas alone" } else { "" };
        *names.entry((format!("{}{gas}", told.name), told.class)).or_insert(0) += 1;
    }
    names
}

/// Causes of closes without a cause that was really so, with how often.
pub fn false_closes(reports: &[Report]) -> BTreeMap<String, u32> {
    let mut names = BTreeMap::new();
    for close in reports.iter().flat_map(|r| &r.closes).filter(|close| !close.due) {
        *names.entry(close.causes.join(" + ")).or_insert(0) += 1;
    }
    names
}

/// Seeds that appear in reports, for the head of the table.
pub fn seeds(reports: &[Report]) -> BTreeSet<u64> {
    reports.iter().map(|r| r.seed).collect()
}
