//! The world around the engine: plant, probes, radio, broker, disk, hub, people. One seed.

use super::rules::{self, Rules, trips};
use permeated::demo::faults::Fault;
use permeated::demo::parameters::PlantParameters;
use permeated::demo::plant::VirtualPlant;
use permeated::demo::probes::{Measures, ProbeParameters, Probes, Rounds, random_probes};
use permeated::demo::random::Random;
use permeated::engine::Engine;
use permeated::engine::catalogue::AlarmId;
use permeated::engine::causes;
use permeated::engine::event::{Ask, Command, Event, Found, Reading, ServiceEntry, Started};
use permeated::engine::output::{Action, AlarmUpdate, Output};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Span, Wall};
use permeated::engine::value::NoReading;
use permeated::settings::schema::{OnStop, Plant, Point};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

const EPOCH: i64 = 1_790_000_000_000;
/// The world moves in steps of this many seconds.
const STEP: f64 = 1.0;
/// Written within this time: what is younger may be lost with the process.
const WRITTEN_WITHIN: Span = Span::from_secs(2);

/// A mistake that the world makes on purpose, to see that a rule finds it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mistake {
    /// The answer of the disk is forged: everything is durable at once, nothing is kept.
    DiskForgets,
    /// A total is reported lower than it was.
    TotalFalls,
    /// Alarms are told as returned.
    TripVanishes,
    /// Opens are repeated from a queue after a reconnect.
    OpenQueued,
    /// A value is told as infinite.
    NotFinite,
    /// A stamp is repeated.
    StampRepeats,
    /// The driver stops waking the engine.
    DriverSleeps,
    /// Closes never reach the valve.
    ClosesLost,
    /// Events are recorded in another order than they were handled.
    RecordShuffled,
}

/// Which mistake must be seen by which rule.
pub const MISTAKES: &[(Mistake, &str)] = &[
    (Mistake::DiskForgets, rules::FORGOTTEN),
    (Mistake::TotalFalls, rules::TOTAL_FELL),
    (Mistake::TripVanishes, rules::TRIP_CLEARED),
    (Mistake::OpenQueued, rules::OPEN_WITHOUT_RECORD),
    (Mistake::NotFinite, rules::NOT_FINITE),
    (Mistake::StampRepeats, rules::STAMP_FELL),
    (Mistake::DriverSleeps, rules::PERMIT_SILENT),
    (Mistake::ClosesLost, rules::STATE_DISAGREES),
    (Mistake::RecordShuffled, rules::REPLAY_DIFFERS),
];

#[derive(Debug, Default)]
pub struct Counts {
    pub trips: u64,
    pub closes: u64,
    pub opens: u64,
    pub crashes: u64,
    /// Records that died with the process, unwritten.
    pub lost: u64,
    /// By cause: all, those for which neither the truth nor a broken sensor gave a reason, and those
    /// for which only the sensor did.
    pub trips_by: BTreeMap<String, [u64; 3]>,
    /// When those without a reason were, s.
    pub unreasoned: Vec<(String, f64)>,
    pub days: f64,
}

/// What the person at the plant is doing about a trip.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Person {
    Away,
    Coming(f64),
    Testing(f64),
}

pub struct World {
    random: Random,
    plant: VirtualPlant,
    probes: Probes,
    setup: Arc<Setup>,
    /// The stated worst case from spoiled product to the close, s.
    product_bound: f64,
    engine: Engine,
    /// Plant time of the engine, ms.
    mono: i64,
    /// How far the wall clock is off.
    wall_off: i64,
    clock_sane: bool,
    broker_up: bool,
    broker_back: f64,
    guard_up: bool,
    disk_ok: bool,
    disk_back: f64,
    /// Records: on disk up to `durable`, written up to `written`.
    records: Vec<(Now, Event)>,
    snapshot: (usize, String, Mono),
    durable: usize,
    told_durable: u64,
    snapshots: bool,
    next_snapshot: f64,
    /// Orders on their way to the valve.
    orders: Vec<(f64, usize, bool)>,
    queued_open: bool,
    fault: Option<(Fault, f64)>,
    person: Person,
    quiet: bool,
    /// Product readings at or above the fast limit that came in while water flowed.
    bad_seen: u32,
    /// Plant time of the last delivered product message.
    product_at: f64,
    flowing_since: f64,
    /// Since when truly bad water has run into the store, watched by a working probe.
    bad_since: Option<f64>,
    /// What of it has reached the store since the product was last pure, ppm·L, and the litres since.
    true_dose: f64,
    pure_litres: f64,
    /// Messages of the product probe that came while such water flowed.
    bad_told: u32,
    /// Highest true dissolved solids of the product lately, and when.
    product_peak: (f64, f64),
    /// The supply was hot, the floor wet, the store over its stop, water passed a closed valve: when
    /// last.
    hot_at: f64,
    wet_at: f64,
    over_at: f64,
    passed_at: f64,
    /// Sensors that have spoken since the daemon started, stored copies apart.
    heard: BTreeSet<usize>,
    /// Since when the floor sensor's messages have said "dry" and nothing else.
    dry_since: Option<f64>,
    /// A sensor that is noisy or gone for a while, and until when.
    sick: Option<(usize, f64)>,
    was_sick: Option<(usize, f64)>,
    last_outputs: u64,
    digest: u64,
    /// Everything that leaves goes into the digest: costs as much as all the rest.
    pub digests: bool,
    pub mistake: Option<Mistake>,
    pub rules: Rules,
    pub counts: Counts,
}

fn plant_toml(parameters: &PlantParameters, probes: &[ProbeParameters], level: bool) -> String {
    use std::fmt::Write;
    let mut text = String::new();
    for probe in probes {
        let unit = match probe.measures {
            Measures::Tds => "ppm",
            Measures::Temperature => "C",
            Measures::Pressure => "bar",
            Measures::Flow => "L/min",
            Measures::Level => "L",
            Measures::Power => "W",
            Measures::Pulses | Measures::Full | Measures::Leak | Measures::Open => "",
        };
        let rounding = match probe.rounds {
            Rounds::Nearest => "nearest",
            Rounds::Down => "down",
        };
        writeln!(
            text,
            "[sensors.{id}]\ntopic = \"s/{id}\"\nquantity = \"{}\"\npoint = \"{}\"\nunit = \"{unit}\"\nstep = {:?}\nrounding = \"{rounding}\"\ninterval_secs = {:?}\nlitres_per_pulse = {:?}\nwraps_at = {:?}",
            probe.measures.word(),
            probe.place.word(),
            probe.step,
            probe.interval_max_secs,
            probe.litres_per_pulse,
            probe.wraps_at as f64,
            id = probe.id,
        )
        .expect("writes to a string");
    }
    let volume = parameters.store.full_litres;
    writeln!(text, "[actuators.valve]\nrole = \"supply-valve\"\ntopic = \"s/valve\"\nclose = \"OFF\"\nopen = \"ON\"\nstate_sensor = \"supply-open\"")
        .expect("writes to a string");
    if level {
        writeln!(
            text,
            "[demand]\nmode = \"level\"\nstart_below_litres = {:?}\nstop_at_litres = {:?}",
            volume * 0.7,
            volume * 0.92
        )
        .expect("writes to a string");
    }
    writeln!(text, "[store]\nlitres = {volume:?}").expect("writes to a string");
    for (index, vessel) in parameters.vessels.iter().enumerate() {
        let _ = vessel;
        writeln!(
            text,
            "[parts.vessel-{}]\nkind = \"mixed\"\nposition = {}\nbed_litres = 0.6",
            index + 1,
            index + 1
        )
        .expect("writes to a string");
    }
    writeln!(
        text,
        "[limits.guard]\noff_min_secs = {:?}\nstarts_per_hour = 30\nstarts_per_day = 500",
        rules::OFF_MIN.secs()
    )
    .expect("writes to a string");
    text
}

impl World {
    pub fn new(seed: u64) -> Self {
        let mut random = Random::branch(seed, "world");
        let mut parameters = PlantParameters::random(seed);
        parameters.pump_bar = 0.0;
        let mut probes = random_probes(seed, &parameters);
        // The radio is worse here than in a home.
        for probe in &mut probes {
            probe.loss = random.between(0.0, 0.1);
            probe.doubled = random.between(0.0, 0.1);
            probe.delay_max_secs = random.between(0.0, 4.0);
        }
        // Some product probes speak every second or two: only there is gross failure much sooner than
        // its dose.
        if seed % 5 == 3 {
            for probe in probes.iter_mut().filter(|probe| probe.id == "product-tds") {
                probe.interval_min_secs = 1.0;
                probe.interval_max_secs = 2.0;
            }
        }
        // Most plants have devices that speak once or twice a minute, but for the product probe, floor and
        // float.
        if seed % 4 != 2 {
            let quick = ["product-tds", "room-leak", "store-full", "supply-open"];
            for probe in probes.iter_mut().filter(|probe| !quick.contains(&probe.id.as_str())) {
                probe.interval_min_secs = random.between(30.0, 45.0);
                probe.interval_max_secs = 1.3 * probe.interval_min_secs;
            }
        }
        let level = random.chance(0.5);
        let toml = plant_toml(&parameters, &probes, level);
        let plant: Plant = toml::from_str(&toml).unwrap_or_else(|error| panic!("{error}\n{toml}"));
        let setup = Arc::new(Setup::resolve("plant", &plant, OnStop::Close, 5));
        let engine = Engine::new(Arc::clone(&setup));
        let snapshot = (0, engine.snapshot(), engine.evaluated());
        let mut world = Self {
            plant: VirtualPlant::new(parameters, seed),
            probes: Probes::new(probes, seed),
            product_bound: causes::product_delay(&setup).map_or(0.0, Span::secs),
            setup,
            engine,
            mono: 0,
            wall_off: 0,
            clock_sane: true,
            broker_up: false,
            broker_back: 2.0,
            guard_up: false,
            disk_ok: true,
            disk_back: 0.0,
            records: Vec::new(),
            snapshot,
            durable: 0,
            told_durable: 0,
            snapshots: seed % 16 != 1,
            next_snapshot: 600.0,
            orders: Vec::new(),
            queued_open: false,
            fault: None,
            person: Person::Away,
            quiet: false,
            bad_seen: 0,
            product_at: 0.0,
            flowing_since: 0.0,
            bad_since: None,
            true_dose: 0.0,
            pure_litres: 0.0,
            bad_told: 0,
            product_peak: (0.0, 0.0),
            hot_at: -1e9,
            wet_at: -1e9,
            over_at: -1e9,
            passed_at: -1e9,
            heard: BTreeSet::new(),
            dry_since: None,
            sick: None,
            was_sick: None,
            last_outputs: 0,
            digest: 0xcbf2_9ce4_8422_2325,
            digests: false,
            mistake: None,
            rules: Rules::default(),
            counts: Counts::default(),
            random,
        };
        world.handle(Event::Started(Started { found: Found::New, away: None, clean: true }));
        world
    }

    pub fn digest(&self) -> u64 {
        self.digest
    }

    fn secs(&self) -> f64 {
        self.plant.truth().at_secs
    }

    fn now(&self) -> Now {
        let wall = Wall::from_millis(EPOCH + self.mono + self.wall_off);
        Now { mono: Mono::from_millis(self.mono), wall: self.clock_sane.then_some(wall) }
    }

    /// The driver's part: record, handle, carry out.
    fn handle(&mut self, event: Event) {
        let now = self.now();
        if event != Event::Tick {
            self.records.push((now, event.clone()));
        }
        self.engine.handle(now, event);
        self.drain();
    }

    fn drain(&mut self) {
        let now = Mono::from_millis(self.mono);
        let mut answers = Vec::new();
        while let Some(mut output) = self.engine.poll_output() {
            self.spoil(&mut output);
            self.note(&output);
            self.rules.output(
                now,
                &output,
                self.guard_up,
                self.told_durable > 0 || !is_open(&output),
                self.engine.guard().is_test_run(),
            );
            if let (Some(Mistake::TripVanishes), Output::Alarm(update)) = (self.mistake, &output) {
                let gone = AlarmUpdate { active: false, latched: false, ..update.clone() };
                self.rules.output(now, &Output::Alarm(gone), self.guard_up, true, false);
            }
            match &output {
                Output::Send(send) => {
                    let open = send.action == Action::Open;
                    if open {
                        self.counts.opens += 1;
                        self.told_durable = self.told_durable.saturating_sub(1);
                    } else {
                        self.counts.closes += 1;
                    }
                    if self.guard_up {
                        let lost = self.mistake == Some(Mistake::ClosesLost) && !open;
                        if !lost {
                            let at = self.secs() + self.random.between(0.05, 0.8);
                            self.orders.push((at, send.actuator, open));
                        }
                        if !open {
                            answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                        }
                    } else if open {
                        self.queued_open = true;
                    }
                }
                Output::Persist { token } => {
                    if self.disk_ok {
                        self.durable = self.records.len();
                        self.told_durable += 1;
                        answers.push(Event::Persisted { token: *token });
                    }
                }
                Output::Log(entry) => {
                    if entry.kind == "trip" {
                        self.counts.trips += 1;
                        self.count_trip(entry.data["cause"].as_str().unwrap_or_default());
                    }
                    if entry.kind == "answer"
                        && let Some((alarm, _)) = entry.text.split_once(" is reset")
                    {
                        // The floor sensor must have said "dry" for as long as the settings ask.
                        let dry = self.setup.limits.floor.dry_secs - 2.0;
                        let gone = alarm != AlarmId::Leak.name()
                            || self.dry_since.is_some_and(|since| self.secs() - since >= dry);
                        self.rules.reset_was_accepted(now, alarm, gone);
                    }
                    // A protective record is synced at once.
                    if entry.protective && self.disk_ok {
                        self.durable = self.records.len();
                    }
                }
                Output::Value(_)
                | Output::Alarm(_)
                | Output::Permit(_)
                | Output::DropGuard { .. }
                | Output::Stopped { .. } => {}
            }
        }
        for answer in answers {
            self.handle(answer);
        }
    }

    /// The world's mistakes, to see that rules find them.
    fn spoil(&mut self, output: &mut Output) {
        match (self.mistake, output) {
            (Some(Mistake::TotalFalls), Output::Value(update)) => {
                use permeated::engine::catalogue::SignalId;
                use permeated::engine::output::Datum;
                if update.key.signal == SignalId::PermeateLitres
                    && let Ok(Datum::Number(number)) = &mut update.datum
                    && self.mono > 3_600_000
                {
                    *number *= 0.5;
                }
            }
            (Some(Mistake::NotFinite), Output::Value(update)) => {
                use permeated::engine::output::Datum;
                if let Ok(Datum::Number(number)) = &mut update.datum {
                    *number = f64::INFINITY;
                }
            }
            (Some(Mistake::StampRepeats), Output::Value(update)) => {
                update.stamp = update.stamp.map(|_| Wall::from_millis(EPOCH));
            }
            _ => {}
        }
    }

    /// FNV-1a over everything that leaves.
    fn note(&mut self, output: &Output) {
        self.last_outputs += 1;
        if !self.digests {
            return;
        }
        let text = serde_json::to_string(output).expect("outputs serialise");
        for byte in text.bytes() {
            self.digest = (self.digest ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3);
        }
    }

    pub fn run(&mut self, hours: f64) {
        let end = hours * 3600.0;
        while self.secs() < end {
            if self.mistake.is_some() && !self.rules.broken().is_empty() {
                return;
            }
            // The last half hour is quiet: nothing new breaks, and everything comes to rest.
            self.quiet = self.secs() > end - 1800.0;
            self.step();
        }
        self.end();
    }

    fn step(&mut self) {
        self.plant.step(STEP);
        self.mono += (STEP * 1000.0) as i64;
        self.draw_fate();
        self.hub();
        self.person();
        self.move_valve();
        self.messages();
        if self.mistake != Some(Mistake::DriverSleeps) {
            self.wake();
        }
        let is_up = self.mistake == Some(Mistake::DriverSleeps) || self.broker_up;
        self.rules.time(Mono::from_millis(self.mono), is_up);
        self.watch_silence();
        self.watch_start();
        self.watch_truth();
        self.keep();
    }

    fn wake(&mut self) {
        if self.engine.poll_timeout().is_some_and(|(due, _)| due.millis() <= self.mono) {
            self.handle(Event::Tick);
        }
    }

    /// What breaks, and what comes back.
    fn draw_fate(&mut self) {
        let now = self.secs();
        // Where a rule is to be seen at work, something happens soon.
        if self.mistake.is_some() && now == 900.0 && self.fault.is_none() {
            Fault::Leak.apply(&mut self.plant, &mut self.probes);
            self.fault = Some((Fault::Leak, now + 600.0));
        }
        if !self.broker_up && now >= self.broker_back {
            self.broker_up = true;
            self.guard_up = true;
            self.rules.link_is_new();
            self.handle(Event::GuardConnected { actuator: 0 });
            self.handle(Event::BrokerReady);
            if self.mistake == Some(Mistake::OpenQueued)
                && self.queued_open | self.random.chance(0.5)
            {
                let send = permeated::engine::output::Send {
                    actuator: 0,
                    action: Action::Open,
                    decided: Mono::from_millis(self.mono),
                    attempt: 1,
                };
                let now = Mono::from_millis(self.mono);
                self.rules.output(now, &Output::Send(send), true, false, false);
            }
            self.queued_open = false;
            // The broker's stored copies come with the subscription.
            self.stored_copies();
        }
        if !self.disk_ok && now >= self.disk_back {
            self.disk_ok = true;
            self.handle(Event::HistoryWritable { ok: true });
        }
        if let Some((fault, until)) = self.fault
            && (now >= until || self.quiet)
        {
            fault.mend(&mut self.plant, &mut self.probes);
            self.fault = None;
        }
        if self.quiet {
            return;
        }
        let per_hour = |rate: f64| rate / 3600.0 * STEP;
        if self.broker_up && self.random.chance(per_hour(0.3)) {
            self.broker_goes();
        }
        if self.disk_ok && self.random.chance(per_hour(0.2)) {
            self.disk_ok = false;
            self.disk_back = now + self.random.between(5.0, 300.0);
            self.handle(Event::HistoryWritable { ok: false });
        }
        if self.random.chance(per_hour(0.3)) {
            self.clock_jumps();
        }
        if self.fault.is_none() && self.random.chance(per_hour(2.0)) {
            let all = Fault::ALL;
            let fault = all[(self.random.bits() % all.len() as u64) as usize];
            fault.apply(&mut self.plant, &mut self.probes);
            self.fault = Some((fault, now + self.random.between(60.0, 2400.0)));
        }
        // A disk that forgets shows only in a crash while something is to be remembered.
        let telling =
            self.mistake == Some(Mistake::DiskForgets) && !self.rules.standing().is_empty();
        if telling || self.random.chance(per_hour(0.5)) {
            self.crash();
        }
        self.fall_sick(now);
        if self.random.chance(per_hour(1.5)) {
            // A water change, and so a reason to run.
            let most = self.plant.parameters().store.full_litres;
            self.plant.draw(most * self.random.between(0.2, 0.8));
        }
        if self.random.chance(per_hour(0.1)) {
            // A bucket is knocked over, whether water runs or not.
            self.plant.spill(self.random.between(0.5, 5.0));
        }
        if self.random.chance(per_hour(2.0)) {
            // Nonsense on a topic.
            let sensor = (self.random.bits() % self.setup.sensors.len() as u64) as usize;
            self.handle(Event::NoReading { sensor, reason: NoReading::Unparsable });
        }
    }

    /// A sensor becomes noisy, or says that it has gone offline.
    fn fall_sick(&mut self, now: f64) {
        if let Some((probe, until)) = self.sick {
            if now >= until {
                self.probes.change(probe, |p| p.noise /= 30.0);
                self.sick = None;
            }
            return;
        }
        if !self.random.chance(0.5 / 3600.0 * STEP) {
            return;
        }
        if self.random.chance(0.5) {
            let probe =
                (self.random.bits() % self.probes.parameters().count().max(1) as u64) as usize;
            self.probes.change(probe, |p| p.noise *= 30.0);
            self.sick = Some((probe, now + self.random.between(60.0, 1800.0)));
            self.was_sick = self.sick;
        } else {
            let sensor = (self.random.bits() % self.setup.sensors.len() as u64) as usize;
            self.handle(Event::NoReading { sensor, reason: NoReading::Offline });
        }
    }

    /// Whether the truth gives a reason for a trip. What lies up to a few minutes back counts: water
    /// passes the probe, the radio is late, and delays are delays.
    fn count_trip(&mut self, cause: &str) {
        let now = self.secs();
        let lately = |at: f64| now - at < 300.0;
        let broken = |fault| self.fault.is_some_and(|(is, _)| is == fault);
        let real = match AlarmId::by_name(cause) {
            // Half a step is shown as one by a display that rounds.
            Some(AlarmId::ProductTdsHigh) => {
                self.product_peak.0 >= 0.5 && lately(self.product_peak.1)
            }
            Some(AlarmId::Leak) => lately(self.wet_at),
            Some(AlarmId::StoreOverfull) => lately(self.over_at),
            Some(AlarmId::RunLitresHigh) => {
                lately(self.over_at) || broken(Fault::FloatStuck) || broken(Fault::LevelStuck)
            }
            Some(AlarmId::FeedHot) => lately(self.hot_at),
            Some(AlarmId::ValveLeaksBy) => now - self.passed_at < 3600.0,
            _ => true,
        };
        let sensor = self.sick_of(cause);
        let sum = self.counts.trips_by.entry(cause.to_owned()).or_default();
        sum[0] += 1;
        sum[1] += u64::from(!real && !sensor);
        sum[2] += u64::from(!real && sensor);
        if !real && !sensor {
            self.counts.unreasoned.push((cause.to_owned(), now));
        }
    }

    /// The probe that a cause rests on has thirty times its noise, or had until a few minutes ago.
    fn sick_of(&self, cause: &str) -> bool {
        let Some(alarm) = AlarmId::by_name(cause) else { return false };
        let point = match alarm {
            AlarmId::ProductTdsHigh => "product-tds",
            AlarmId::FeedHot => "feed-temperature",
            AlarmId::StoreOverfull => "store-level",
            _ => return false,
        };
        let place = self.probes.parameters().position(|probe| probe.id == point);
        let lately = |until: f64| self.secs() - until < 300.0;
        place.is_some()
            && self.was_sick.is_some_and(|(probe, until)| Some(probe) == place && lately(until))
    }

    /// Bad water runs into the store while a working probe looks at it.
    fn watch_truth(&mut self) {
        let truth = self.plant.truth().clone();
        let now = truth.at_secs;
        let litres = truth.product_flow * STEP / 60.0;
        if truth.product_tds >= self.product_peak.0 || now - self.product_peak.1 > 300.0 {
            self.product_peak = (truth.product_tds, now);
        }
        if truth.feed_celsius >= 35.0 {
            self.hot_at = now;
        }
        if truth.floor_wet {
            self.wet_at = now;
        }
        if truth.store_litres >= self.plant.parameters().store.full_litres * 0.99 {
            self.over_at = now;
        }
        if truth.supply_flow > 0.0 && !truth.valve_told_open {
            self.passed_at = now;
        }
        // Meters err by some percent, and what a silent meter missed is estimated.
        let most = 1.25 * truth.totals.permeate_litres + 5.0;
        if self.rules.permeate().is_some_and(|told| told > most) && self.mistake.is_none() {
            let text = format!("{:?} told, at most {most:.1} L", self.rules.permeate());
            self.rules.breach(rules::TOTAL_ABOVE, Mono::from_millis(self.mono), text);
        }
        let blind = matches!(
            self.fault,
            Some((Fault::ProductProbeStuck | Fault::ProductProbeSilent | Fault::ValveStuckOpen, _))
        ) || self.sick.is_some();
        let watched = truth.flowing
            && self.broker_up
            && !blind
            && !self.plant.controls.product_to_drain
            && self.rules.is_permitted()
            && !self.engine.guard().is_test_run()
            // The rinse-in is allowed a ceiling of its own.
            && truth.run_litres > 1.0;
        if !watched {
            self.bad_since = None;
            self.bad_told = 0;
            return;
        }
        let at = Mono::from_millis(self.mono);
        let limits = &self.setup.limits.product;
        let bound = self.product_bound;
        let gross = truth.product_tds >= 1.15 * limits.fast_ppm;
        // A working probe may read a tenth low, and rounds down.
        if gross {
            let since = *self.bad_since.get_or_insert(now);
            // The bound counts delivered messages; here one in ten is lost, and each is late.
            if now - since > 2.0 * bound + 30.0 {
                self.rules.breach(rules::BAD_LONG, at, format!("for {:.0} s", now - since));
            }
        } else {
            self.bad_since = None;
        }
        // Feed water in the product's tube brings a dose in a second: gross failure is bounded by its time.
        if !gross && truth.product_tds >= 2.0 * limits.limit_ppm {
            self.true_dose += truth.product_tds * litres;
            self.pure_litres = 0.0;
        } else if !gross {
            self.pure_litres += litres;
            if self.pure_litres >= limits.clear_litres {
                self.true_dose = 0.0;
                self.bad_told = 0;
            }
        }
        // Half of it may hide in rounding, and each message tells of the water since the last; some messages it
        // takes in any case.
        let told = self.bad_told > limits.readings_min;
        if self.true_dose > 8.0 * limits.dose_ppm_litres && told {
            let text = format!("{:.1} ppm·L", self.true_dose);
            self.rules.breach(rules::BAD_DOSE, at, text);
        }
    }

    fn broker_goes(&mut self) {
        self.broker_up = false;
        self.broker_back = self.secs() + self.random.between(1.0, 400.0);
        if self.random.chance(0.5) {
            // The process is alive but the link is not: the will closes the valve.
            self.orders.push((self.secs() + self.random.between(0.0, 13.0), 0, false));
        }
        self.guard_up = false;
        self.handle(Event::GuardLost { actuator: 0 });
        self.handle(Event::BrokerLost);
    }

    fn clock_jumps(&mut self) {
        let step = match self.random.bits() % 3 {
            0 => -3_600_000,
            1 => 7_200_000,
            _ => {
                self.clock_sane = !self.clock_sane;
                0
            }
        };
        self.wall_off += step;
        let (sane, stepped) = (self.clock_sane, Span::from_millis(step));
        self.handle(Event::Clock { sane, stepped });
        if !self.clock_sane && self.random.chance(0.9) {
            self.clock_sane = true;
            self.handle(Event::Clock { sane: true, stepped: Span::ZERO });
        }
    }

    fn stored_copies(&mut self) {
        // Where one sensor's messages are retained, mostly all are.
        let all = self.random.chance(0.5);
        for sensor in 0..self.setup.sensors.len() {
            if all || self.random.chance(0.3) {
                let is_state = self.setup.sensors[sensor].quantity.is_state();
                let value = if is_state { 0.0 } else { self.random.between(0.0, 30.0) };
                let was = self.rules.is_permitted();
                self.handle(Event::Reading(Reading {
                    sensor,
                    value,
                    retained: true,
                    arrived: None,
                    stamp: None,
                }));
                if !was && self.rules.is_permitted() {
                    let id = self.setup.sensors[sensor].id.clone();
                    self.rules.breach(rules::STORED_GRANTS, Mono::from_millis(self.mono), id);
                }
            }
        }
    }

    /// The process is killed: what was not written yet is gone; the guard's will closes the valve.
    fn crash(&mut self) {
        self.counts.crashes += 1;
        // What is due has fired, and what came of it is in the record.
        self.handle(Event::Tick);
        let before = trips(self.engine.alarms());
        self.orders.push((self.secs() + 0.1, 0, false));
        let now = Mono::from_millis(self.mono);
        let written = self
            .records
            .iter()
            .rposition(|(at, _)| now.since(at.mono) > WRITTEN_WITHIN)
            .map_or(0, |last| last + 1);
        let least = written.max(self.durable).max(self.snapshot.0).min(self.records.len());
        let spread = (self.records.len() - least) as u64 + 1;
        let mut cut = least + (self.random.bits() % spread) as usize;
        self.counts.lost += (self.records.len() - cut) as u64;
        let lost_disk = !self.disk_ok;
        if self.mistake == Some(Mistake::DiskForgets) {
            cut = 0;
            self.snapshot = (0, Engine::new(Arc::clone(&self.setup)).snapshot(), Mono::ZERO);
        }
        let engine = self.replay(cut);
        // A trip by a deadline has its own record, which is synced: plant time goes on from there, so that
        // the deadline fires anew before anything else.
        let mut begun = engine.clone();
        begun.handle(self.now(), Event::Tick);
        let after = trips(begun.alarms());
        if !lost_disk && !before.is_subset(&after) {
            let text = format!("{before:?} before, {after:?} after");
            self.rules.breach(rules::FORGOTTEN, Mono::from_millis(self.mono), text);
        }
        self.engine = engine;
        self.records.truncate(cut);
        self.durable = cut;
        self.told_durable = 0;
        let kept = cut.checked_sub(1).map_or(Mono::ZERO, |last| self.records[last].0.mono);
        self.rules.crashed(kept);
        self.heard.clear();
        let away = self.random.between(0.5, 300.0);
        // The world goes on without the daemon; its own time stands still.
        let until = self.secs() + away;
        while self.secs() < until {
            self.plant.step(STEP);
            self.move_valve();
            let _ = self.probes.look(self.plant.truth());
        }
        self.wall_off += (away * 1000.0) as i64;
        self.guard_up = false;
        self.broker_up = false;
        self.broker_back = self.secs() + 1.0;
        self.person = Person::Away;
        self.bad_seen = 0;
        let away = Some(Span::from_secs_f64(away));
        self.handle(Event::Started(Started { found: Found::Restored, away, clean: false }));
        if !self.disk_ok {
            self.handle(Event::HistoryWritable { ok: false });
        }
    }

    /// What was recorded, sent through an engine that is restored from the last snapshot, gives the very same
    /// state. It is told as it was after the record `cut`, where a snapshot stands from now on.
    fn replay(&mut self, cut: usize) -> Engine {
        let (from, text, at) = self.snapshot.clone();
        let mut engine =
            Engine::restore(Arc::clone(&self.setup), &text, at).expect("its own snapshot loads");
        let mut records: Vec<(Now, Event)> = self.records.iter().skip(from).cloned().collect();
        if self.mistake == Some(Mistake::RecordShuffled) && records.len() > 3 {
            let events: Vec<Event> = records.iter().map(|(_, event)| event.clone()).collect();
            for (index, record) in records.iter_mut().enumerate() {
                record.1 = events[events.len() - 1 - index].clone();
            }
        }
        let run = |engine: &mut Engine, now: Now, event: Event| {
            engine.handle(now, event);
            while engine.poll_output().is_some() {}
        };
        let rest = records.split_off(cut.saturating_sub(from).min(records.len()));
        for (now, event) in records {
            run(&mut engine, now, event);
        }
        let (text, at) = (engine.snapshot(), engine.evaluated());
        let found = Engine::restore(Arc::clone(&self.setup), &text, at);
        let found = found.expect("its own snapshot loads");
        self.snapshot = (cut, text, at);
        for (now, event) in rest {
            run(&mut engine, now, event);
        }
        // Deadlines that have fired since the last event fire here too.
        run(&mut engine, self.now(), Event::Tick);
        let forgot = self.mistake == Some(Mistake::DiskForgets);
        if !forgot && engine.snapshot() != self.engine.snapshot() {
            let text = difference(&self.engine.snapshot(), &engine.snapshot());
            self.rules.breach(rules::REPLAY_DIFFERS, Mono::from_millis(self.mono), text);
        }
        found
    }

    /// A snapshot now and then, as the daemon writes one: a replay begins there. Only some seeds have none, and
    /// replay all from crash to crash.
    fn keep(&mut self) {
        if !self.snapshots || self.secs() < self.next_snapshot || !self.disk_ok {
            return;
        }
        self.next_snapshot = self.secs() + self.random.between(300.0, 1800.0);
        self.durable = self.records.len();
        self.snapshot = (self.records.len(), self.engine.snapshot(), self.engine.evaluated());
    }

    /// The hub opens when water is wanted and permitted, and sometimes when it is not.
    fn hub(&mut self) {
        use permeated::settings::schema::DemandMode;
        if self.setup.demand != DemandMode::Hub || !self.broker_up {
            return;
        }
        let wants = self.plant.wants_water(self.plant.controls.valve_open);
        let open = self.plant.controls.valve_open;
        let naughty = !self.quiet && self.random.chance(1.0 / 7200.0);
        let act = (wants && !open && self.rules.is_permitted() && self.random.chance(0.05))
            || (!wants && open && self.random.chance(0.1))
            || naughty;
        if act {
            let to = if naughty { true } else { wants };
            self.orders.push((self.secs() + 0.3, 0, to));
            self.handle(Event::SeenOnTopic { actuator: 0, open: to });
        }
    }

    /// Somebody looks after trips: mends, tests, resets.
    fn person(&mut self) {
        let now = self.secs();
        if self.rules.standing().is_empty() {
            self.person = Person::Away;
            self.plant.controls.product_to_drain = false;
            return;
        }
        match self.person {
            Person::Away => self.person = Person::Coming(now + self.random.between(60.0, 1200.0)),
            // Somebody who has not looked yet tries the button.
            Person::Coming(at) if now < at => {
                let hurries = self.random.chance(0.01);
                let standing: Vec<AlarmId> = self.rules.standing().iter().copied().collect();
                for alarm in standing.into_iter().filter(|_| hurries) {
                    let cause = alarm.name().to_owned();
                    self.ask(Ask::Reset { cause, reason: "hurry".into() });
                }
            }
            Person::Coming(_) => {
                self.plant.wipe();
                if let Some((fault, _)) = self.fault.take() {
                    fault.mend(&mut self.plant, &mut self.probes);
                }
                self.plant.controls.product_to_drain = true;
                let product = AlarmId::ProductTdsHigh;
                if self.rules.standing().contains(&product) {
                    self.ask(Ask::TestRun { outlet_to_drain: true });
                }
                self.person = Person::Testing(now + 900.0);
            }
            Person::Testing(until) if now >= until => {
                let standing: Vec<AlarmId> = self.rules.standing().iter().copied().collect();
                for alarm in standing {
                    let cause = alarm.name().to_owned();
                    let note = "looked at".to_owned();
                    self.ask(Ask::Service(ServiceEntry::Checked { cause: cause.clone(), note }));
                    self.ask(Ask::Reset { cause, reason: "looked at".into() });
                }
                self.person = Person::Away;
            }
            _ => {}
        }
    }

    fn ask(&mut self, what: Ask) {
        self.handle(Event::Command(Command { id: String::new(), at: None, what }));
    }

    fn move_valve(&mut self) {
        let now = self.secs();
        let mut due: Vec<(f64, usize, bool)> = Vec::new();
        self.orders.retain(|order| {
            let is_due = order.0 <= now;
            if is_due {
                due.push(*order);
            }
            !is_due
        });
        due.sort_by(|a, b| a.0.total_cmp(&b.0));
        for (_, _, open) in due {
            self.plant.controls.valve_open = open;
        }
    }

    /// What the probes say and the radio lets through.
    fn messages(&mut self) {
        let messages = self.probes.look(self.plant.truth());
        let truth = self.plant.truth().clone();
        if !truth.flowing {
            self.flowing_since = truth.at_secs;
        }
        for message in messages {
            if !self.broker_up {
                continue;
            }
            let id = self.probes.parameters().nth(message.probe).map(|probe| probe.id.clone());
            let id = id.unwrap_or_default();
            let Some(sensor) = self.setup.sensors.iter().position(|known| known.id == id) else {
                continue;
            };
            self.heard.insert(sensor);
            if self.setup.sensors[sensor].point == Point::Product {
                self.rules.product_says(Mono::from_millis(self.mono));
            }
            self.handle(Event::Reading(Reading {
                sensor,
                value: message.value,
                retained: false,
                arrived: self.now().wall,
                stamp: None,
            }));
            if id == "room-leak" {
                let dry = message.value < 0.5;
                self.dry_since = dry.then(|| self.dry_since.unwrap_or(truth.at_secs));
            }
            if id == "room-leak" && message.value >= 0.5 && self.rules.is_permitted() {
                self.rules.breach(rules::LEAK_SLOW, Mono::from_millis(self.mono), String::new());
            }
            if id == "product-tds" {
                self.product_at = truth.at_secs;
                let is_bad = truth.product_tds >= 2.0 * self.setup.limits.product.limit_ppm;
                self.bad_told += u32::from(is_bad && truth.flowing);
                self.judge_product(message.value, truth.flowing && truth.product_tds >= 20.0);
            }
        }
    }

    /// A working probe has shown gross failure in flowing water so often that it must have closed.
    fn judge_product(&mut self, value: f64, truly_bad: bool) {
        let limits = &self.setup.limits.product;
        if value >= limits.fast_ppm && truly_bad && self.engine.guard().is_flowing() {
            self.bad_seen += 1;
        } else {
            self.bad_seen = 0;
        }
        if self.bad_seen > limits.fast_readings + 1
            && self.rules.is_permitted()
            && !self.engine.guard().is_test_run()
        {
            let text = format!("{} readings", self.bad_seen);
            self.rules.breach(rules::BAD_WATER, Mono::from_millis(self.mono), text);
        }
    }

    /// The product probe has spoken since the daemon started, before water may run. (A leak sensor may sleep
    /// for a day.)
    fn watch_start(&mut self) {
        if !self.rules.is_permitted() {
            return;
        }
        let sensor = self.setup.sensors.iter().position(|known| known.id == "product-tds");
        if sensor.is_some_and(|sensor| !self.heard.contains(&sensor)) {
            let text = "no product probe has spoken since the start".to_owned();
            self.rules.breach(rules::STORED_GRANTS, Mono::from_millis(self.mono), text);
        }
    }

    /// A product probe that has been silent for long while water flowed reads nothing.
    fn watch_silence(&mut self) {
        let Some(sensor) = self.setup.sensors.iter().position(|known| known.id == "product-tds")
        else {
            return;
        };
        let silent = self.secs() - self.product_at;
        let flowed = self.secs() - self.flowing_since;
        if silent > 130.0
            && flowed > 130.0
            && self.plant.truth().flowing
            && self.engine.guard().is_flowing()
            && self.rules.is_permitted()
        {
            let text = format!("silent for {silent:.0} s");
            self.rules.breach(rules::UNWATCHED, Mono::from_millis(self.mono), text);
        }
        if silent > 130.0
            && flowed > 130.0
            && self.engine.guard().is_flowing()
            && self.rules.reads(sensor)
            && self.mistake.is_none()
        {
            let text = format!("silent for {silent:.0} s");
            self.rules.breach(rules::SILENT_IS_FRESH, Mono::from_millis(self.mono), text);
        }
    }

    fn end(&mut self) {
        self.counts.days = self.secs() / 86_400.0;
        self.handle(Event::Tick);
        let _ = self.replay(self.records.len());
        // At rest: not permitted means closed in truth, unless the valve itself is broken.
        let open = self.plant.controls.valve_open;
        if !self.rules.is_permitted() && open && self.broker_up {
            self.rules.breach(
                rules::STATE_DISAGREES,
                Mono::from_millis(self.mono),
                "not permitted, and the valve stands open".to_owned(),
            );
        }
    }
}

/// Where two states begin to differ.
fn difference(live: &str, replayed: &str) -> String {
    let at = live.bytes().zip(replayed.bytes()).take_while(|(a, b)| a == b).count();
    let around = |text: &str| {
        let end = text.len().min(at + 60);
        text.get(at.saturating_sub(160)..end).unwrap_or_default().to_owned()
    };
    format!("live {} / replayed {}", around(live), around(replayed))
}

fn is_open(output: &Output) -> bool {
    matches!(output, Output::Send(send) if send.action == Action::Open)
}
