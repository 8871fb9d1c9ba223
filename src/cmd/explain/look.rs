//! What the history says about a moment: the permit, the alarms, what led to them, raw readings.
//!
//! Read from the moment backwards. At each start of the daemon every known alarm is told anew, so
//! the last start before the moment is far enough; and [`RECORDS_MAX`] records are, unless the
//! permit names a cause that has not been met yet.

use crate::edge::history::{Body, JournalError, Names, Reader, Record};
use crate::engine::causes;
use crate::engine::event::Event;
use crate::engine::output::{Action, AlarmKey, AlarmUpdate, LogEntry, Output, Permit};
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Span, Wall};
use crate::settings::schema::Point;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// Records looked at before what has been found must do; about a week of a full plant.
const RECORDS_MAX: u64 = 1_500_000;
/// Around the cause: this long before, and after.
const BEFORE: Span = Span::from_secs(120);
const AFTER: Span = Span::from_secs(180);
/// Steps of a chain that are kept.
const CHAIN_MAX: usize = 24;
/// Readings of one sensor that are kept.
const READINGS_MAX: usize = 400;

/// An alarm as the history last told it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Told {
    pub(super) update: AlarmUpdate,
    /// When it was told.
    pub(super) at: Option<Wall>,
}

impl Told {
    pub(super) fn stands(&self) -> bool {
        self.update.active || self.update.latched
    }
}

/// One step of what led to it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Step {
    pub(super) at: Wall,
    pub(super) text: String,
}

/// What was found.
#[derive(Clone, Debug, Default)]
pub(super) struct Seen {
    pub(super) permit: Option<Permit>,
    pub(super) alarms: BTreeMap<AlarmKey, Told>,
    /// The last time that the alarm in question came, with its text, should it be gone by now.
    pub(super) came: Option<Told>,
    /// Time of the newest record.
    pub(super) newest: Option<Wall>,
    /// Time of the oldest record that was looked at.
    pub(super) oldest: Option<Wall>,
    pub(super) looked_all: bool,
    pub(super) damaged: u64,
    /// Around which moment the rest was collected.
    pub(super) around: Option<Wall>,
    pub(super) chain: Vec<Step>,
    pub(super) readings: Vec<(SensorIx, Vec<(Wall, String)>)>,
    /// The last log entries that changed whether water may run, newest first.
    pub(super) lately: Vec<LogEntry>,
}

/// Looks at the history.
pub(super) fn look(
    dir: &Path,
    setup: &Setup,
    at: Option<Wall>,
    wanted: Option<AlarmKey>,
) -> Result<Seen, JournalError> {
    let mut reader = Reader::open(dir)?;
    let mut seen = Seen::default();
    let Some(plant) = reader.plant(&setup.plant)? else { return Ok(seen) };
    let names = Names::of(setup);
    let then = match reader.span()? {
        Some((_, last)) => reader.names_at(plant, last)?,
        None => None,
    };
    let mut count = 0;
    let mut started = false;
    seen.looked_all = true;
    reader.back(at, |record| {
        if record.plant != plant {
            return true;
        }
        count += 1;
        seen.newest = seen.newest.or(record.now.wall);
        seen.oldest = record.now.wall.or(seen.oldest);
        if let Body::Output(output) = &record.body {
            let output = match &then {
                Some(then) => then.translate_output(output.clone(), &names),
                None => Some(output.clone()),
            };
            if let Some(output) = output {
                seen.take(output, record.now.wall, wanted);
            }
        }
        started |= matches!(record.body, Body::Event(Event::Started(_)));
        let enough = (started || count >= RECORDS_MAX) && seen.is_complete(setup);
        let found = wanted.is_none_or(|key| {
            seen.came.is_some() || seen.alarms.get(&key).is_some_and(Told::stands)
        });
        let go_on = !(enough && found) && count < 4 * RECORDS_MAX;
        seen.looked_all &= go_on;
        go_on
    })?;
    seen.around = seen.moment(wanted);
    if let Some(around) = seen.around {
        let most = at.unwrap_or(around + AFTER);
        let to = most.min(around + AFTER);
        let sensors = seen.sensors(setup, wanted);
        let mut readings: BTreeMap<SensorIx, Vec<(Wall, String)>> = BTreeMap::new();
        let from = around + (Span::ZERO - BEFORE);
        reader.between(from, to, |record| {
            if record.plant == plant {
                seen.follow(setup, then.as_ref(), &names, record, &sensors, &mut readings);
            }
            true
        })?;
        seen.readings = readings.into_iter().collect();
    }
    seen.damaged = reader.skipped();
    Ok(seen)
}

impl Seen {
    /// Takes an output; they come newest first.
    fn take(&mut self, output: Output, at: Option<Wall>, wanted: Option<AlarmKey>) {
        match output {
            Output::Permit(permit) => {
                self.permit.get_or_insert(permit);
            }
            Output::Alarm(update) => {
                let told = Told { update, at };
                if wanted == Some(told.update.key) && told.stands() && self.came.is_none() {
                    self.came = Some(told.clone());
                }
                self.alarms.entry(told.update.key).or_insert(told);
            }
            Output::Log(entry)
                if self.lately.len() < 6
                    && matches!(entry.kind.as_ref(), "trip" | "hold" | "reset" | "open") =>
            {
                self.lately.push(entry);
            }
            _ => {}
        }
    }

    /// The permit is known, and every alarm that it names.
    fn is_complete(&self, setup: &Setup) -> bool {
        let Some(permit) = &self.permit else { return false };
        permit.missing.iter().all(|one| {
            one.kind == "permissive"
                || crate::engine::guard::named(setup, &one.cause)
                    .is_ok_and(|key| self.alarms.contains_key(&key))
        })
    }

    /// The alarm that everything else follows from.
    pub(super) fn first(&self) -> Option<&Told> {
        let permit = self.permit.as_ref()?;
        let by_name = |name: &str| {
            self.alarms.values().find(|told| told.update.key.alarm.name() == name && told.stands())
        };
        self.alarms
            .values()
            .find(|told| told.update.first_out && told.stands())
            .or_else(|| permit.first_cause.as_deref().and_then(by_name))
            .or_else(|| permit.missing.iter().find_map(|one| by_name(&one.cause)))
    }

    fn moment(&self, wanted: Option<AlarmKey>) -> Option<Wall> {
        match wanted {
            Some(key) => {
                let standing = self.alarms.get(&key).filter(|told| told.stands());
                let told = standing.or(self.came.as_ref())?;
                told.update.since.or(told.at)
            }
            None => match self.first() {
                Some(told) => told.update.since.or(told.at),
                None => self.permit.as_ref().filter(|permit| !permit.permitted)?.since,
            },
        }
    }

    /// The sensors that show it: those of its row in the table of cause and effect, those that its
    /// text names, its own.
    fn sensors(&self, setup: &Setup, wanted: Option<AlarmKey>) -> BTreeSet<SensorIx> {
        let told = match wanted {
            Some(key) => self.alarms.get(&key).filter(|told| told.stands()).or(self.came.as_ref()),
            None => self.first(),
        };
        let mut found = BTreeSet::new();
        if let Some(told) = told {
            let key = told.update.key;
            for row in causes::rows(setup).iter().filter(|row| row.alarm == key.alarm) {
                found.extend(
                    setup
                        .sensors
                        .iter()
                        .enumerate()
                        .filter_map(|(ix, sensor)| row.seen_by.contains(&sensor.id).then_some(ix)),
                );
            }
            for (ix, sensor) in setup.sensors.iter().enumerate() {
                let of = key.of == u16::try_from(ix).ok()
                    && key.alarm.row().of == crate::engine::catalogue::Of::Sensor;
                let named = told
                    .update
                    .text
                    .split(|c: char| !(c.is_ascii_alphanumeric() || c == '-'))
                    .any(|word| word == sensor.id);
                if of || named {
                    found.insert(ix);
                }
            }
        }
        if found.is_empty() {
            found.extend(setup.solids_at(Point::Product));
        }
        found
    }

    /// Takes a record from around the moment, oldest first.
    fn follow(
        &mut self,
        setup: &Setup,
        then: Option<&Names>,
        names: &Names,
        record: &Record,
        sensors: &BTreeSet<SensorIx>,
        readings: &mut BTreeMap<SensorIx, Vec<(Wall, String)>>,
    ) {
        let Some(at) = record.now.wall else { return };
        match &record.body {
            Body::Event(event) => {
                let event = match then {
                    Some(then) => then.translate(event.clone(), names),
                    None => Some(event.clone()),
                };
                match event {
                    Some(Event::Reading(reading)) if sensors.contains(&reading.sensor) => {
                        let shown = shown(setup, reading.sensor, reading.value, reading.retained);
                        keep(readings.entry(reading.sensor).or_default(), at, shown);
                    }
                    Some(Event::NoReading { sensor, reason }) if sensors.contains(&sensor) => {
                        let word = serde_json::to_value(reason).unwrap_or_default();
                        let word = word.as_str().unwrap_or("nothing").replace('-', " ");
                        keep(readings.entry(sensor).or_default(), at, word);
                    }
                    Some(event) => {
                        if let Some(text) = happened(setup, &event) {
                            self.step(at, text);
                        }
                    }
                    None => {}
                }
            }
            Body::Output(Output::Log(entry)) => match entry.kind.as_ref() {
                "start-record" | "open" | "close" => {}
                "phase" => self.step(at, format!("Phase: {}", entry.text)),
                _ => self.step(at, entry.text.clone()),
            },
            Body::Output(Output::Send(send)) if send.attempt <= 1 => {
                if let Some(actuator) = setup.actuators.get(send.actuator) {
                    let what = if send.action == Action::Open { "open" } else { "close" };
                    self.step(at, format!("{} is told to {what}.", actuator.id));
                }
            }
            Body::Output(Output::Alarm(update)) if update.active => {
                let name = crate::cmd::check::scenarios::alarm_name(setup, update.key);
                self.step(at, format!("alarm {name}: {}", update.text));
            }
            _ => {}
        }
    }

    fn step(&mut self, at: Wall, text: String) {
        // A trip stands in the log and as an alarm, with the same words.
        let said = self.chain.iter().any(|step| step.at == at && text.ends_with(&step.text));
        if !said && self.chain.len() < CHAIN_MAX {
            self.chain.push(Step { at, text });
        }
    }
}

fn keep(readings: &mut Vec<(Wall, String)>, at: Wall, text: String) {
    if readings.len() < READINGS_MAX {
        readings.push((at, text));
    }
}

/// What happened, for events that a person should see.
fn happened(setup: &Setup, event: &Event) -> Option<String> {
    let id = |actuator: usize| setup.actuators.get(actuator).map_or("?", |one| one.id.as_str());
    Some(match event {
        Event::Started(_) => "The daemon started.".into(),
        Event::BrokerReady => "The broker is reachable.".into(),
        Event::BrokerLost => "The broker is lost.".into(),
        Event::GuardLost { actuator } => {
            format!("The guard connection of {} is lost.", id(*actuator))
        }
        Event::CloseAcknowledged { actuator } => {
            format!("The broker has the close of {}.", id(*actuator))
        }
        Event::SeenOnTopic { actuator, open } => {
            let what = if *open { "open" } else { "close" };
            format!("Somebody else told {} to {what}.", id(*actuator))
        }
        Event::Command(command) => {
            let ask = serde_json::to_value(&command.what).unwrap_or_default();
            format!("A person asked: {}.", ask.get("ask").and_then(|one| one.as_str())?)
        }
        Event::Demand { wanted: true } => "Water is wanted.".into(),
        Event::Demand { wanted: false } => "Water is not wanted any more.".into(),
        Event::OtherInstance { present: true } => "Another daemon is on the bus.".into(),
        Event::Clock { sane: false, .. } => "The clock is wrong.".into(),
        Event::HistoryWritable { ok: false } => "The record cannot be written.".into(),
        Event::DatabaseBehind { behind: true } => "The database is behind.".into(),
        Event::StopRequested => "The daemon was told to stop.".into(),
        _ => return None,
    })
}

/// A reading as it came, in the canonical unit.
fn shown(setup: &Setup, sensor: SensorIx, value: f64, retained: bool) -> String {
    use crate::units::Quantity;
    let quantity = setup.sensors[sensor].quantity;
    let word = match (quantity, value >= 0.5) {
        (Quantity::Leak, true) => "wet".into(),
        (Quantity::Leak, false) => "dry".into(),
        (Quantity::Full, true) => "full".into(),
        (Quantity::Full, false) => "not full".into(),
        (Quantity::Open, true) => "open".into(),
        (Quantity::Open, false) => "closed".into(),
        _ => format!("{}", (value * 1000.0).round() / 1000.0),
    };
    if retained { format!("{word} (stored)") } else { word }
}
