//! The guard: may water run, and if not, is it shut?
//!
//! ```text
//!   permissives ┐
//!   holds       ├─ none missing ──> permitted ──(and demanded)──> open: record, then publish once
//!   trips       │
//!   interlocks  ┘── any ──────────> not permitted ──────────────> close: publish, then record; repeat
//! ```
//!
//! Invariants: missing data clears nothing; a trip never clears itself; the broker's stored copies may
//! withhold the permit and never grant it; after a start, a reconnect of a guard connection or a lost
//! state the valve counts as closed, unconfirmed; no default opens.
//!
//! The guard is level-triggered: every event changes what is known, then `evaluate` looks at
//! everything anew. Absent on purpose: smoothing, curve fits, forecasts; those are the trend path's.

mod conditions;
mod flow;
mod gas;
mod judge;
mod meter;
mod orders;
mod permit;
mod probe;
mod product;
mod proof;
mod test_run;
#[cfg(test)]
mod tests;
mod usage;
mod valve;

pub use orders::named;
pub use valve::Known;

use super::alarm::{Alarms, Evidence};
use super::catalogue::{AlarmId, Consequence};
use super::condition::Delayed;
use super::event::{Event, Found, Reading, Started};
use super::output::{AlarmKey, LogEntry, Output};
use super::phase::Phase;
use super::setup::{ActuatorIx, SensorIx, Setup};
use super::time::{Mono, Now, Span};
use crate::settings::schema::{DemandMode, Point, Role, Rounding};
use crate::units::Quantity;
use flow::{Change, Flow, Source};
use meter::Meter;
use probe::Probe;
use product::Judge;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use test_run::TestRun;
use usage::Usage;
use valve::Valve;

/// Starts kept for the limits per hour and day; one more than the largest limit is never needed.
const STARTS_MAX: usize = 256;
/// A command with a time stamp this far from now is refused.
pub const COMMAND_MAX_AGE: Span = Span::from_secs(30);

/// What one evaluation works with.
pub(super) struct Context<'a> {
    pub(super) setup: &'a Setup,
    pub(super) now: Now,
    pub(super) alarms: &'a mut Alarms,
    pub(super) out: &'a mut Vec<Output>,
}

impl Context<'_> {
    /// Writes to the event stream and the journal.
    pub(super) fn log(
        &mut self,
        kind: &'static str,
        protective: bool,
        text: String,
        data: serde_json::Value,
    ) {
        self.out.push(Output::Log(LogEntry {
            at: self.now.wall,
            kind: kind.into(),
            text,
            data,
            protective,
        }));
    }
}

/// The guard of one plant.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Guard {
    probes: Vec<Probe>,
    meters: Vec<Option<Meter>>,
    judges: Vec<Option<Judge>>,
    valves: Vec<Valve>,
    flow: Flow,
    run: Option<Run>,
    conditions: Conditions,
    holds: BTreeMap<AlarmId, VecDeque<Mono>>,
    /// A hold says since then that the product is not seen: only a reading that came later ends it.
    #[serde(default)]
    unseen: Option<Mono>,
    /// When the floor was last seen wet, by sensor.
    wet: BTreeMap<SensorIx, Mono>,
    /// When the floor was first seen dry again, by sensor.
    dry: BTreeMap<SensorIx, Mono>,
    broker_lost_since: Option<Mono>,
    clock_sane: bool,
    history_writable: bool,
    #[serde(default)]
    database_behind: bool,
    #[serde(default)]
    flush: Flush,
    other_instance: bool,
    state_lost: bool,
    demand_wanted: bool,
    level_wants: bool,
    litres_asked: Option<f64>,
    closed_by_command: bool,
    stopping: Option<Mono>,
    stopped: bool,
    test_run: Option<TestRun>,
    /// A test run has passed since the product trip.
    test_passed: bool,
    /// A person has entered that this cause was looked at, since it tripped.
    checked: BTreeMap<AlarmId, Mono>,
    bypass: Option<Bypass>,
    /// A level of gas in the product that a person accepted.
    #[serde(default)]
    gas: Option<gas::AcceptedGas>,
    leak_by: LeakBy,
    permit: permit::State,
    starts: VecDeque<Mono>,
    /// Last close that we ordered while water could run.
    off_since: Option<Mono>,
    tokens: u64,
    pending: Vec<Pending>,
    phase: Phase,
    /// Somebody opened without a permit: when last.
    opened_unpermitted: Option<Mono>,
    told_unconfirmed: bool,
    /// When any sensor was heard last, and since when they have been heard without a long pause.
    #[serde(default)]
    heard: Option<(Mono, Mono)>,
    #[serde(default)]
    proofs: proof::Proofs,
    #[serde(default)]
    usage: Usage,
    /// Since when a pump runs before the valve is known to be open.
    #[serde(default)]
    dry_since: Option<Mono>,
    /// Bypasses of the last day.
    #[serde(default)]
    bypassed: Vec<(AlarmId, Mono)>,
    /// When the daemon began to listen, this time.
    #[serde(default)]
    began: Option<Mono>,
}

/// One run of the plant.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Run {
    since: Mono,
    made: f64,
    /// From here its litres take room in the container, where not from its beginning.
    #[serde(default)]
    room_from: Option<f64>,
    /// Room in the store when it began, in litres; `None` when nobody knows.
    free: Option<f64>,
    /// Highest level since it began, or since the last draw that was seen; see [`Run::draws`].
    #[serde(default)]
    highest: Option<f64>,
    /// Room that draws have made since it began, in litres.
    #[serde(default)]
    drawn: f64,
    /// What the level shows of it; see [`Run::arrives`].
    #[serde(default)]
    rise: Option<Rise>,
    /// A product probe has reported since it began.
    proven: bool,
}

impl Run {
    /// Takes a level. Water that somebody draws during a run makes room for more; what falls by less
    /// than the waves of a container is no draw, and all draws together make room for one container
    /// at most, so that a level sensor that swings without cause cannot put the limit off for ever.
    fn draws(&mut self, level: f64, volume: f64) {
        let waves = waves(volume);
        let highest = self.highest.get_or_insert(level);
        if level > *highest {
            *highest = level;
        } else if *highest - level >= waves {
            self.drawn = (self.drawn + *highest - level).min(volume);
            *highest = level;
        }
    }

    /// Takes a level beside the litres made. Where the level has risen by what was made meanwhile, the water
    /// arrives and the sensor shows it: what it lacks of all that was made before was taken out, in draws
    /// too small to tell from waves, and made room. Within one container, as before.
    fn arrives(&mut self, made: f64, level: f64, volume: f64) {
        let rise = self.rise.get_or_insert(Rise {
            from: level,
            smooth: (made, level),
            piece: (made, level),
        });
        let (until, smooth) = rise.smooth;
        let share = 1.0 - (-(made - until).max(0.0) / SMOOTH_LITRES).exp();
        rise.smooth = (made, smooth + share * (level - smooth));
        let (_, level) = rise.smooth;
        let (before, low) = rise.piece;
        if made - before < waves(volume) {
            return;
        }
        rise.piece = (made, level);
        if level - low >= ARRIVES * (made - before) {
            let all = made - self.room_from.unwrap_or(self.made);
            self.drawn = self.drawn.max((all - (level - rise.from)).clamp(0.0, volume));
            self.highest = Some(level);
        }
    }
}

/// Litres of a run beside the level of the container.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
struct Rise {
    /// Level at its beginning.
    from: f64,
    /// Litres made, and the level smoothed over them.
    smooth: (f64, f64),
    /// Litres made and smoothed level where the present piece began.
    piece: (f64, f64),
}

/// What rises or falls by less may be the waves of a container, litres (judgement).
fn waves(volume: f64) -> f64 {
    (0.02 * volume).max(1.0)
}

/// Litres over which the level is smoothed, so that waves do not pass for water that arrives.
const SMOOTH_LITRES: f64 = 0.3;
/// Share of what a meter counts by which a level has to rise where all of it arrives: meter and scale of a
/// container err by some per cent each (judgement).
const ARRIVES: f64 = 0.8;

/// A condition with its delays.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Watched {
    condition: Delayed,
    on: Span,
    off: Span,
}

/// Names of the conditions, for the snapshot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Watch {
    ProbeSilent,
    Unproven,
    BrokerLost,
    ClockBad,
    HistoryBad,
    DatabaseBad,
    PressureHighHold,
    PressureHigh,
    PressureLow,
    SuctionLow,
    Warm,
    Hot,
    Cold,
    Full,
    LevelFull,
    Overfull,
    FlowUnexpected,
    FlowMissing,
    Unconfirmed,
    Unheard,
}

impl Watch {
    /// All of them, in the order of the enum.
    const ALL: [Self; Self::Unheard as usize + 1] = [
        Self::ProbeSilent,
        Self::Unproven,
        Self::BrokerLost,
        Self::ClockBad,
        Self::HistoryBad,
        Self::DatabaseBad,
        Self::PressureHighHold,
        Self::PressureHigh,
        Self::PressureLow,
        Self::SuctionLow,
        Self::Warm,
        Self::Hot,
        Self::Cold,
        Self::Full,
        Self::LevelFull,
        Self::Overfull,
        Self::FlowUnexpected,
        Self::FlowMissing,
        Self::Unconfirmed,
        Self::Unheard,
    ];
}

/// Each stands at its own place: a snapshot names a condition by it.
const _: () = {
    let mut place = 0;
    while place < Watch::ALL.len() {
        assert!(Watch::ALL[place] as usize == place, "Watch::ALL is not in the order of the enum");
        place += 1;
    }
};

/// The conditions that were ever looked at, by their names: a map, in a snapshot too, whose places are
/// known beforehand.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(from = "BTreeMap<Watch, Watched>", into = "BTreeMap<Watch, Watched>")]
struct Conditions([Option<Watched>; Watch::Unheard as usize + 1]);

impl Conditions {
    fn entry(&mut self, watch: Watch) -> &mut Option<Watched> {
        &mut self.0[watch as usize]
    }

    const fn get(&self, watch: Watch) -> Option<&Watched> {
        self.0[watch as usize].as_ref()
    }

    fn is_active(&self, watch: Watch) -> bool {
        self.get(watch).is_some_and(|watched| watched.condition.is_active())
    }

    fn remove(&mut self, watch: Watch) {
        self.0[watch as usize] = None;
    }

    /// All of them in the order of their names.
    fn values(&self) -> impl Iterator<Item = &Watched> {
        self.0.iter().flatten()
    }
}

impl From<BTreeMap<Watch, Watched>> for Conditions {
    fn from(map: BTreeMap<Watch, Watched>) -> Self {
        let mut conditions = Self::default();
        for (watch, watched) in map {
            *conditions.entry(watch) = Some(watched);
        }
        conditions
    }
}

impl From<Conditions> for BTreeMap<Watch, Watched> {
    fn from(conditions: Conditions) -> Self {
        let all = Watch::ALL.into_iter().zip(conditions.0);
        all.filter_map(|(watch, watched)| Some((watch, watched?))).collect()
    }
}

/// The flush valve by its own word.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Flush {
    open: bool,
    /// Until then an open valve is a flush. One that says open for longer is doubted: what passes
    /// counts as production again, so that no word of a valve stops an account.
    until: Option<Mono>,
}

/// A bypass of one cause.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Bypass {
    cause: AlarmId,
    until: Mono,
    made_most: f64,
    renewed: bool,
    reason: String,
}

/// Something that waits for its record to be durable.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Pending {
    token: u64,
    since: Mono,
    what: PendingWhat,
    /// The asker's id.
    id: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum PendingWhat {
    Reset(AlarmId),
    Bypass { cause: AlarmId, reason: String },
    AcceptGas { ppm: f64, reason: String },
    ConfirmState,
    TestRun,
}

/// Water that passes a closed valve.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
struct LeakBy {
    /// Start of the present window and the meter's litres then.
    window: Option<(Mono, f64)>,
    leaking: u32,
    tight: u32,
    /// The close for which it is judged.
    close: Option<Mono>,
}

impl Guard {
    /// A guard that knows nothing: not permitted until its permissives hold.
    pub fn new(setup: &Setup) -> Self {
        let limits = &setup.limits.guard;
        Self {
            probes: setup.sensors.iter().map(|sensor| Probe::new(sensor, limits)).collect(),
            meters: setup.sensors.iter().map(Meter::new).collect(),
            judges: setup
                .sensors
                .iter()
                .map(|sensor| {
                    (sensor.point == Point::Product && sensor.is_solids()).then(Judge::default)
                })
                .collect(),
            valves: setup.actuators.iter().map(|_| Valve::new()).collect(),
            flow: Flow::new(),
            run: None,
            conditions: Conditions::default(),
            holds: BTreeMap::new(),
            unseen: None,
            wet: BTreeMap::new(),
            dry: BTreeMap::new(),
            broker_lost_since: Some(Mono::ZERO),
            clock_sane: false,
            history_writable: true,
            database_behind: false,
            flush: Flush::default(),
            other_instance: false,
            state_lost: false,
            demand_wanted: false,
            level_wants: false,
            litres_asked: None,
            closed_by_command: false,
            stopping: None,
            stopped: false,
            test_run: None,
            test_passed: false,
            checked: BTreeMap::new(),
            bypass: None,
            gas: None,
            leak_by: LeakBy::default(),
            permit: permit::State::default(),
            starts: VecDeque::new(),
            off_since: None,
            tokens: 0,
            pending: Vec::new(),
            phase: Phase::Idle,
            opened_unpermitted: None,
            told_unconfirmed: false,
            heard: None,
            proofs: proof::Proofs::default(),
            usage: Usage::default(),
            dry_since: None,
            bypassed: Vec::new(),
            began: None,
        }
    }

    /// Whether a snapshot was taken with this setup's sensors and actuators.
    pub fn fits(&self, setup: &Setup) -> bool {
        self.probes.len() == setup.sensors.len() && self.valves.len() == setup.actuators.len()
    }

    /// What the plant is doing.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// Water flows towards the product, by the best evidence there is.
    pub fn is_flowing(&self) -> bool {
        self.flow.is_flowing()
    }

    /// May water run?
    pub fn is_permitted(&self) -> bool {
        self.permit.is_permitted()
    }

    /// The rinse-in is not over by any product probe: one that is silent sees no end of it, and the
    /// water is the same for all.
    fn is_rinsing(&self) -> bool {
        let mut judges = self.judges.iter().flatten().peekable();
        judges.peek().is_some() && judges.all(Judge::is_rinsing)
    }

    /// A test run is under way: product goes to the drain.
    pub fn is_test_run(&self) -> bool {
        self.test_run.is_some()
    }

    /// What the supply valve is known to be, when it is known.
    pub fn supply_open(&self, setup: &Setup) -> Option<bool> {
        setup.actuators_of(Role::SupplyValve).map(|valve| self.valves[valve].known()).fold(
            None,
            |known, valve| match valve {
                Known::Open | Known::Opening => Some(true),
                Known::Closed => known.or(Some(false)),
                Known::Unknown | Known::Closing | Known::CommandedNotConfirmed => known,
            },
        )
    }

    /// Since when a valve in the supply should be shut. One of several is enough if its own state or
    /// a close that the broker took says so. Where neither a state nor a meter can ever confirm
    /// anything, all of them having been told to close is enough, acknowledged or not: else the
    /// smallest plant would never know that a run is over, would miss its probe all night, and would
    /// judge the first water of the morning as if it had long been flowing.
    fn supply_shut_since(&self, setup: &Setup) -> Option<Mono> {
        let told = setup.actuators_of(Role::SupplyValve).filter_map(|valve| {
            let config = &setup.actuators[valve];
            let spoke = config.state_sensor.and_then(|sensor| self.probes[sensor].last());
            let spoke = spoke.map(|(at, value)| (at, value >= 0.5));
            self.valves[valve].shut_since(spoke, config.travel)
        });
        told.min().or_else(|| {
            let mut valves = setup.actuators_of(Role::SupplyValve);
            let first = valves.next()?;
            let blindly = |valve: ActuatorIx| {
                self.valves[valve].told_blindly().filter(|_| !self.can_confirm(setup, valve))
            };
            valves.try_fold(blindly(first)?, |since, valve| Some(since.min(blindly(valve)?)))
        })
    }

    /// What the supply valve is known to be.
    pub fn supply_known(&self, setup: &Setup) -> Known {
        setup
            .actuators_of(Role::SupplyValve)
            .map(|valve| self.valves[valve].known())
            .next()
            .unwrap_or(Known::Unknown)
    }

    /// Dose of the worst product probe, in ppm·L.
    pub fn product_dose(&self) -> Option<f64> {
        self.judges.iter().flatten().map(Judge::dose).reduce(f64::max)
    }

    /// Time from the last close to its confirmation, once per close.
    pub fn take_close_time(&mut self, setup: &Setup) -> Option<Span> {
        let valve = setup.actuators_of(Role::SupplyValve).next()?;
        self.valves[valve].take_close_time()
    }

    /// Cause and end of a bypass.
    pub fn bypass(&self) -> Option<(AlarmId, Mono)> {
        self.bypass.as_ref().map(|bypass| (bypass.cause, bypass.until))
    }

    /// Every actuator's last close was acknowledged by the broker.
    fn all_closed(&self) -> bool {
        self.valves.iter().all(|valve| !valve.is_connected() || valve.is_acknowledged())
    }

    fn token(&mut self) -> u64 {
        self.tokens += 1;
        self.tokens
    }

    /// Takes an event that is not a command.
    pub(super) fn event(&mut self, cx: &mut Context<'_>, event: &Event) {
        match event {
            Event::Started(started) => self.started(cx, started),
            Event::Reading(reading) => self.reading(cx, reading),
            Event::NoReading { sensor, reason } => {
                self.probes[*sensor].fault(*reason);
            }
            Event::BrokerReady => self.broker_lost_since = None,
            Event::BrokerLost => {
                self.broker_lost_since.get_or_insert(cx.now.mono);
            }
            Event::GuardConnected { actuator } => self.valves[*actuator].guard_connected(),
            Event::GuardLost { actuator } => {
                self.valves[*actuator].guard_lost();
                cx.log(
                    "note",
                    false,
                    format!(
                        "The guard connection of {} is gone.",
                        cx.setup.actuators[*actuator].id
                    ),
                    serde_json::Value::Null,
                );
            }
            Event::CloseAcknowledged { actuator } => {
                self.valves[*actuator].close_acknowledged(cx.now.mono)
            }
            Event::SeenOnTopic { actuator, open } => self.seen_on_topic(cx, *actuator, *open),
            Event::Demand { wanted } => self.demand_wanted = *wanted,
            Event::Persisted { token } => self.persisted(cx, *token),
            Event::OtherInstance { present } => self.other_instance = *present,
            Event::Clock { sane, .. } => self.clock_sane = *sane,
            Event::HistoryWritable { ok } => self.history_writable = *ok,
            Event::DatabaseBehind { behind } => self.database_behind = *behind,
            Event::StopRequested => {
                self.stopping.get_or_insert(cx.now.mono);
            }
            Event::Command(_) | Event::Calendar(_) | Event::Echo | Event::Tick => {}
        }
    }

    fn started(&mut self, cx: &mut Context<'_>, started: &Started) {
        // What was taken while nobody looked fell in no time at all.
        self.usage.ends();
        self.began = Some(cx.now.mono);
        for probe in &mut self.probes {
            probe.started();
        }
        for meter in self.meters.iter_mut().flatten() {
            meter.started(started.away);
        }
        for valve in &mut self.valves {
            valve.started();
        }
        for judge in self.judges.iter_mut().flatten() {
            judge.run_ended();
        }
        self.flow.started();
        self.run = None;
        self.broker_lost_since = Some(cx.now.mono);
        self.clock_sane = cx.now.wall.is_some();
        self.other_instance = false;
        self.stopping = None;
        self.stopped = false;
        self.demand_wanted = false;
        self.litres_asked = None;
        self.pending.clear();
        self.leak_by = LeakBy::default();
        self.proofs.started(cx.now.mono, started.away);
        self.gas_after_restart(cx, started.found == Found::Lost, started.away);
        if self.test_run.take().is_some() {
            cx.log(
                "note",
                true,
                "The test run ended with the daemon.".into(),
                serde_json::Value::Null,
            );
        }
        if started.found == Found::Lost {
            self.state_lost = true;
        }
        self.permit.invalidate();
    }

    /// What the display of a probe cuts off in the mean at a reading of `value`, ppm on the plant's scale.
    fn hidden(&self, setup: &Setup, sensor: SensorIx, value: f64) -> f64 {
        let probe = &setup.sensors[sensor];
        // Half a step of a resistivity is less salt, and nothing that a dose could rest on.
        if probe.rounding != Rounding::Down || probe.quantity == Quantity::Resistivity {
            return 0.0;
        }
        let solids = |value: f64| self.solids(setup, sensor, value);
        (solids(value + 0.5 * probe.step) - solids(value)).max(0.0)
    }

    /// Puts a reading on the plant's ppm scale, with the guard's own plain compensation: the trend
    /// path has the exact one. Without a temperature the coldest water is assumed, which reads
    /// highest.
    fn solids(&self, setup: &Setup, sensor: SensorIx, value: f64) -> f64 {
        use crate::settings::schema::Compensation;
        let probe = &setup.sensors[sensor];
        let conductivity = match probe.quantity {
            Quantity::Tds => value / probe.ppm_factor,
            Quantity::Resistivity => 1.0 / value.max(1e-9),
            _ => value,
        };
        let compensated = match probe.compensation {
            Compensation::Compensated => conductivity,
            Compensation::Raw | Compensation::RawPure => {
                let temperature = self.temperature(setup).unwrap_or(5.0);
                conductivity / (1.0 + 0.02 * (temperature.clamp(0.0, 40.0) - 25.0))
            }
        };
        compensated * setup.ppm_factor
    }

    fn temperature(&self, setup: &Setup) -> Option<f64> {
        setup
            .sensors
            .iter()
            .enumerate()
            .filter(|(_, sensor)| sensor.quantity == Quantity::Temperature)
            .find_map(|(index, _)| self.probes[index].last().map(|(_, value)| value))
            .or(setup.assumed.temperature_c)
    }

    fn reading(&mut self, cx: &mut Context<'_>, reading: &Reading) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let sensor = &setup.sensors[reading.sensor];
        if reading.retained {
            self.probes[reading.sensor].stored(reading.value);
            return;
        }
        self.hear(now);
        let flowing = self.flow.is_flowing();
        let facts = (sensor, &setup.limits.guard);
        let plausible = self.probes[reading.sensor].reading(now, facts, reading.value, flowing);
        if !plausible {
            return;
        }
        let silence = self.probes[reading.sensor].silence_flowing(sensor, &setup.limits.guard);
        if let Some(meter) = &mut self.meters[reading.sensor] {
            meter.reading(now, reading, silence);
        }
        if sensor.quantity == Quantity::Leak && !self.proofs.tests(reading.sensor) {
            if reading.value >= 0.5 {
                self.wet.insert(reading.sensor, now);
                self.dry.remove(&reading.sensor);
            } else if self.wet.contains_key(&reading.sensor) {
                self.dry.entry(reading.sensor).or_insert(now);
            }
        }
        self.proof_reading(cx, reading.sensor, reading.value);
        self.look_at_flow(cx);
        self.judge(cx, reading);
        if let Some(run) = &mut self.run
            && sensor.point == Point::Product
            && sensor.is_solids()
        {
            run.proven = true;
        }
    }

    fn seen_on_topic(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx, open: bool) {
        let setup = &cx.setup.actuators[actuator];
        if !open {
            self.proof_saw_close(cx, actuator);
            if setup.role == Role::SupplyValve && self.valves[actuator].known() == Known::Open {
                self.proof_of_stop_begins(cx.setup, actuator, cx.now.mono);
            }
        }
        self.valves[actuator].seen(cx.now.mono, open);
        if !open || setup.role != Role::SupplyValve || self.permit.is_permitted() {
            return;
        }
        self.unpermitted_open(cx, actuator, "a command on its topic");
    }

    /// Somebody opened although it is not permitted: it is closed again (by the orders that follow
    /// in the same evaluation) and told.
    fn unpermitted_open(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx, by: &str) {
        self.opened_unpermitted = Some(cx.now.mono);
        let text = format!(
            "{} was opened by {by} although water may not run; it is being closed again.",
            cx.setup.actuators[actuator].id
        );
        let key = AlarmKey::plant(AlarmId::OpenedUnpermitted);
        let evidence = text.clone();
        if cx
            .alarms
            .set(cx.now, key, Some(true), || Evidence { text: evidence, ..Evidence::default() })
        {
            cx.log("note", true, text, serde_json::Value::Null);
        }
    }

    /// Takes the flow evidence; runs begin and end here.
    fn look_at_flow(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let evident = match self.supply_shut_since(setup) {
            Some(shut) => {
                // What a meter counts into the first seconds after a close is the valve's way and the housings: it
                // may end a run later, but begins none when a meter that rests tells of it minutes after.
                let after = if self.run.is_some() { shut } else { shut + orders::DECOMPRESSED };
                flow::by_meters(setup, &self.meters, &self.probes, now, Some(after)).or(Some(false))
            }
            None => flow::by_meters(setup, &self.meters, &self.probes, now, None)
                .or_else(|| self.supply_open(setup)),
        };
        let source = flow::source(setup);
        self.flow.count(setup, source, &self.meters, &self.probes, now);
        match self.flow.update(now, evident) {
            Change::None => {}
            Change::Started => {
                let litres = self.litres_known(setup).then(|| self.flow.made());
                for (index, judge) in self.judges.iter_mut().enumerate() {
                    if let Some(judge) = judge {
                        judge.run_started(now, litres);
                        self.probes[index].forget_window();
                    }
                }
                self.run = Some(Run {
                    since: now,
                    made: self.flow.made(),
                    room_from: None,
                    free: self.free_litres(setup, now),
                    highest: self.level(setup, now),
                    drawn: 0.0,
                    rise: None,
                    proven: false,
                });
                if self.starts.len() >= STARTS_MAX {
                    self.starts.pop_front();
                }
                self.starts.push_back(now);
            }
            Change::Ended => {
                for judge in self.judges.iter_mut().flatten() {
                    judge.run_ended();
                }
                self.run = None;
            }
        }
    }

    /// The valve is open, and no meter has spoken since: what it said of a flow that paused before says nothing.
    fn may_flow_unseen(&self, setup: &Setup, now: Mono) -> bool {
        let opened = setup
            .actuators_of(Role::SupplyValve)
            .filter_map(|valve| self.valves[valve].opened_at())
            .max();
        opened.is_some()
            && self.supply_shut_since(setup).is_none()
            && self.supply_open(setup) == Some(true)
            && flow::by_meters(setup, &self.meters, &self.probes, now, opened).is_none()
    }

    fn litres_known(&self, setup: &Setup) -> bool {
        flow::source(setup) != Source::Unknown
    }

    /// Litres in the store by a live level sensor.
    fn level(&self, setup: &Setup, now: Mono) -> Option<f64> {
        setup.sensors_of(Point::Store, Quantity::Level).find_map(|sensor| {
            let probe = &self.probes[sensor];
            probe.fresh(now, probe.silence_standby(&setup.sensors[sensor], &setup.limits.guard))?;
            probe.median()
        })
    }

    /// Room in the store: from the level, else all of it.
    fn free_litres(&self, setup: &Setup, now: Mono) -> Option<f64> {
        let volume = setup.store.litres;
        if volume <= 0.0 {
            return None;
        }
        Some(self.level(setup, now).map_or(volume, |level| (volume - level).max(0.0)))
    }

    /// Looks at everything anew: conditions, permit, orders, phase.
    pub(super) fn evaluate(&mut self, cx: &mut Context<'_>) {
        let mut tell = false;
        self.refuse_late(cx);
        for _ in 0..SETTLES_MOST {
            let before = self.outline();
            self.look_at_flow(cx);
            self.watch(cx);
            self.watch_gas(cx);
            self.test_run_step(cx);
            tell |= self.decide(cx);
            self.order(cx);
            self.prove(cx);
            if self.outline() == before {
                break;
            }
        }
        if tell {
            self.publish_permit(cx);
        }
        self.set_phase(cx);
        self.finish_stop(cx);
    }

    /// What the steps of an evaluation change for each other.
    fn outline(&self) -> Outline {
        let known =
            |sum: u64, valve: &Valve| sum.wrapping_mul(8).wrapping_add(valve.known() as u64);
        Outline {
            valves: self.valves.iter().fold(0, known),
            permitted: self.permit.is_permitted(),
            flowing: self.flow.is_flowing(),
            off_since: self.off_since,
            test_run: self.test_run.is_some(),
            proving: self.proofs.is_under_way(),
        }
    }

    fn look_at_flush(&mut self, cx: &Context<'_>) {
        let (setup, now) = (cx.setup, cx.now.mono);
        let open = setup.sensors_of(Point::Concentrate, Quantity::Open).any(|sensor| {
            // Silence does not close it.
            self.probes[sensor].last().is_some_and(|(_, value)| value >= 0.5)
        });
        if open && !self.flush.open {
            let most = Span::from_secs_f64(setup.limits.stages.flush_max_secs);
            self.flush.until = Some(now + most);
        }
        self.flush.open = open;
        self.flush.until = self.flush.until.filter(|until| open && now < *until);
    }

    fn set_phase(&mut self, cx: &mut Context<'_>) {
        self.look_at_flush(cx);
        let stands = |consequence| cx.alarms.standing(consequence).next().is_some();
        let is_tripped = stands(Consequence::Trip);
        let is_held = stands(Consequence::Hold);
        let rinsing = self.is_rinsing();
        // Water that passes in spite of a trip or hold (a valve that leaks by, housings that
        // decompress) makes no run of it; what a person asked for in a test run does.
        let phase = if is_tripped && self.test_run.is_none() {
            Phase::Tripped
        } else if is_held && self.test_run.is_none() {
            Phase::Held
        } else if self.flow.is_flowing() && self.flush.until.is_some() {
            Phase::Flushing
        } else if self.flow.is_flowing() {
            if rinsing { Phase::Starting } else { Phase::Producing }
        } else if is_tripped {
            Phase::Tripped
        } else if is_held {
            Phase::Held
        } else {
            Phase::Idle
        };
        if phase != self.phase {
            let text = format!("{} after {}.", phase.word(), self.phase.word());
            self.phase = phase;
            cx.log("phase", false, text, serde_json::json!({ "phase": phase.word() }));
        }
    }

    fn finish_stop(&mut self, cx: &mut Context<'_>) {
        let Some(since) = self.stopping else { return };
        if self.stopped {
            return;
        }
        use crate::settings::schema::OnStop;
        let waited = cx.now.mono.since(since) >= STOP_WAIT;
        let closed = self.all_closed();
        if cx.setup.on_stop == OnStop::Leave || closed || waited {
            self.stopped = true;
            cx.out.push(Output::Stopped { closed });
        }
    }

    /// When something is due.
    pub(super) fn deadlines(
        &self,
        setup: &Setup,
        add: &mut impl FnMut(Option<Mono>, &'static str),
    ) {
        add(self.flow.deadline(), "end of a run");
        add(self.flush.until, "end of a flush");
        for (index, valve) in self.valves.iter().enumerate() {
            add(
                valve.deadline(&setup.actuators[index], self.can_confirm(setup, index)),
                "a command to a valve",
            );
        }
        for watched in self.conditions.values() {
            add(watched.condition.deadline(watched.on, watched.off), "a delay");
        }
        for (index, probe) in self.probes.iter().enumerate() {
            let Some((last, _)) = probe.last() else { continue };
            let sensor = &setup.sensors[index];
            if !sensor.guards {
                continue;
            }
            let limits = &setup.limits.guard;
            let just_after = Span::from_millis(1);
            for most in probe.silences(sensor, limits) {
                add(Some(last + most + just_after), "a sensor's silence");
            }
        }
        self.condition_deadlines(setup, add);
        self.proof_deadlines(setup, add);
        add(self.order_deadline(setup), "the valve after its pump");
        add(self.dry_deadline(setup), "a pump before its valve");
        add(self.permit.deadline(), "the permit's renewal");
        add(self.test_run.as_ref().map(|run| run.until), "the end of the test run");
        add(self.bypass.as_ref().map(|bypass| bypass.until), "the end of the bypass");
        add(self.accepted_gas().map(|(_, until)| until), "the end of an accepted level");
        add(self.gas_unseen_ends(), "the end of an accepted level that nobody sees");
        add(self.stopping.filter(|_| !self.stopped).map(|since| since + STOP_WAIT), "the stop");
        for pending in &self.pending {
            add(Some(pending.since + PENDING_MAX + Span::from_millis(1)), "a record");
        }
    }
}

/// What an evaluation has found may change what its earlier steps have to say (an answered close ends
/// the reason to withhold the permit, an order begins the minimum off-time): they look again, so often
/// at most, since the next event may be half a minute away.
const SETTLES_MOST: usize = 4;

/// See [`Guard::outline`].
#[derive(PartialEq)]
struct Outline {
    valves: u64,
    permitted: bool,
    flowing: bool,
    off_since: Option<Mono>,
    test_run: bool,
    proving: bool,
}

/// A clean stop waits this long for the close to be acknowledged.
const STOP_WAIT: Span = Span::from_secs(2);
/// A reset, bypass or test run whose record takes longer than this is refused.
const PENDING_MAX: Span = Span::from_secs(5);

/// Whether demand opens the valve in this mode.
fn opens_itself(mode: DemandMode) -> bool {
    !matches!(mode, DemandMode::Hub)
}
