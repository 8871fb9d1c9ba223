//! Playing a scenario: the real engine in a small world that does as it is told.
//!
//! The world: each sensor repeats its reading at its declared interval (a battery sensor once an
//! hour); a valve obeys at once and its state sensor says so, unless it is stuck; the disk and the
//! broker answer at once while they are there; a will closes what its guard connection closed. The
//! engine is woken at each of its deadlines, so that everything happens at its own time.

use super::duration;
use super::read::{Deed, Expect, Part, Scenario, Source, counts};
use crate::engine::Engine;
use crate::engine::catalogue::Of;
use crate::engine::event::{Command, Event, Found, Reading, Started};
use crate::engine::output::{Action, AlarmKey, AlarmState, Datum, Output, Permit, ValueKey};
use crate::engine::setup::{ActuatorIx, SensorIx, Setup};
use crate::engine::time::{Mono, Now, Span, Wall};
use crate::engine::value::NoReading;
use crate::settings::schema::Role;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

/// A battery sensor repeats itself this often.
const BATTERY_EVERY: Span = Span::from_secs(3600);
/// Answers that call for answers, at one instant; more is a bug of ours.
const ROUNDS_MAX: usize = 100;
/// Lines of what happened that a failure shows.
const SHOWN_MAX: usize = 12;

/// An expectation that was not met.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Failure {
    /// Line of the step.
    pub(super) line: u32,
    /// When, from the beginning.
    pub(super) at: Span,
    /// What was expected and what came instead.
    pub(super) wrong: Vec<String>,
    /// What happened since the expectation before.
    pub(super) happened: Vec<String>,
}

/// What playing a scenario came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Played {
    pub(super) failures: Vec<Failure>,
    /// How long the scenario lasted in plant time.
    pub(super) lasted: Span,
    /// Every alarm that stood at some moment, and how it stood at the end.
    pub(super) stood: BTreeMap<AlarmKey, bool>,
    /// A bypass was asked for.
    pub(super) bypassed: bool,
    pub(super) events: u64,
}

/// Plays one scenario.
pub(super) fn play(setup: &Arc<Setup>, scenario: &Scenario) -> Played {
    let mut world = World::new(setup, scenario);
    world.begin(scenario.found);
    for step in &scenario.steps {
        world.run_until(Mono::ZERO + step.at);
        for deed in &step.deeds {
            world.act(deed);
        }
        if let Some(expect) = &step.expect {
            let wrong = world.compare(expect);
            if !wrong.is_empty() {
                let happened = world.lately.shown();
                world.played.failures.push(Failure {
                    line: step.line,
                    at: step.at,
                    wrong,
                    happened,
                });
            }
            world.lately = Lately::default();
        }
    }
    world.played.lasted = world.now.since(Mono::ZERO);
    world.played
}

/// What happened since the last expectation.
#[derive(Default)]
struct Lately {
    raised: BTreeSet<AlarmKey>,
    /// Commands in order; repeats left out.
    sent: Vec<String>,
    answer: Option<(bool, String)>,
    lines: Vec<String>,
}

impl Lately {
    fn shown(&self) -> Vec<String> {
        let skip = self.lines.len().saturating_sub(SHOWN_MAX);
        let mut shown: Vec<String> = Vec::new();
        if skip > 0 {
            shown.push(format!("({skip} earlier lines left out)"));
        }
        shown.extend(self.lines[skip..].iter().cloned());
        shown
    }
}

struct Feed {
    source: Source,
    /// Where a ramp began: when and at what.
    began: (Mono, f64),
    due: Option<Mono>,
    /// Litres that a counter has counted, and when it was last looked at.
    counted: (Mono, f64),
}

struct World<'a> {
    setup: &'a Arc<Setup>,
    engine: Engine,
    start: Wall,
    clock_right: bool,
    now: Mono,
    feeds: BTreeMap<SensorIx, Feed>,
    /// What the world's actuators really are: open?
    open: Vec<bool>,
    stuck: BTreeSet<ActuatorIx>,
    broker: bool,
    guard: bool,
    disk: bool,
    answers: Vec<Event>,
    last_sent: BTreeMap<ActuatorIx, Action>,
    lately: Lately,
    standing: BTreeMap<AlarmKey, bool>,
    permit: Option<Permit>,
    values: BTreeMap<ValueKey, Result<Datum, NoReading>>,
    phase: String,
    played: Played,
}

impl<'a> World<'a> {
    fn new(setup: &'a Arc<Setup>, scenario: &Scenario) -> Self {
        let mut world = Self {
            setup,
            engine: Engine::new(Arc::clone(setup)),
            start: scenario.start,
            clock_right: true,
            now: Mono::ZERO,
            feeds: BTreeMap::new(),
            open: vec![false; setup.actuators.len()],
            stuck: BTreeSet::new(),
            broker: true,
            guard: true,
            disk: true,
            answers: Vec::new(),
            last_sent: BTreeMap::new(),
            lately: Lately::default(),
            standing: BTreeMap::new(),
            permit: None,
            values: BTreeMap::new(),
            phase: "idle".into(),
            played: Played::default(),
        };
        for (ix, source) in &scenario.given {
            world.feed(*ix, *source);
        }
        // A valve that reports its state does so, unless the scenario speaks for it.
        for actuator in &setup.actuators {
            if let Some(ix) = actuator.state_sensor
                && !world.feeds.contains_key(&ix)
            {
                world.feed(ix, Source::Steady { open: 1.0, closed: 0.0 });
            }
        }
        world
    }

    fn begin(&mut self, found: Found) {
        self.event(Event::Started(Started { found, away: None, clean: found == Found::New }));
        self.event(Event::Clock { sane: true, stepped: Span::ZERO });
        self.connect();
    }

    fn connect(&mut self) {
        self.event(Event::BrokerReady);
        for actuator in 0..self.setup.actuators.len() {
            self.event(Event::GuardConnected { actuator });
        }
    }

    fn wall(&self, at: Mono) -> Option<Wall> {
        self.clock_right.then(|| self.start + at.since(Mono::ZERO))
    }

    // --- time ---------------------------------------------------------------------------------

    /// Lets everything happen that is due up to and at `until`.
    fn run_until(&mut self, until: Mono) {
        loop {
            let reading = self
                .feeds
                .iter()
                .filter_map(|(ix, feed)| Some((feed.due?, *ix)))
                .min()
                .filter(|(due, _)| *due <= until);
            let deadline = self.engine.poll_timeout().map(|(due, _)| due.max(self.now));
            match (reading, deadline.filter(|due| *due <= until)) {
                (Some((due, _)), Some(deadline)) if deadline < due => self.wake(deadline),
                (Some((due, ix)), _) => {
                    self.now = self.now.max(due);
                    self.send_reading(ix);
                }
                (None, Some(deadline)) => self.wake(deadline),
                (None, None) => break,
            }
        }
        self.now = self.now.max(until);
    }

    fn wake(&mut self, at: Mono) {
        self.now = self.now.max(at);
        self.event(Event::Tick);
    }

    // --- what the engine hears ----------------------------------------------------------------

    fn event(&mut self, event: Event) {
        self.give(event);
        for _ in 0..ROUNDS_MAX {
            let answers = std::mem::take(&mut self.answers);
            if answers.is_empty() {
                return;
            }
            for answer in answers {
                self.give(answer);
            }
        }
        panic!("the engine asks without end");
    }

    fn give(&mut self, event: Event) {
        self.played.events += 1;
        let now = Now { mono: self.now, wall: self.wall(self.now) };
        self.engine.handle(now, event);
        while let Some(output) = self.engine.poll_output() {
            self.take(output);
        }
    }

    fn feed(&mut self, ix: SensorIx, source: Source) {
        let now = self.now;
        let value = self.feeds.get(&ix).map_or(0.0, |feed| self.reading_of(ix, feed));
        let counted = self.feeds.get(&ix).map_or((now, 0.0), |feed| self.counted(feed));
        let due = (source != Source::Silent).then_some(now);
        self.feeds.insert(ix, Feed { source, began: (now, value), due, counted });
    }

    /// Water runs by the truth of the world.
    fn supply_is_open(&self) -> bool {
        self.setup.actuators_of(Role::SupplyValve).any(|valve| self.open[valve])
    }

    /// What a sensor reads now; for a counter its rate.
    fn reading_of(&self, ix: SensorIx, feed: &Feed) -> f64 {
        let is_open = self
            .setup
            .actuators
            .iter()
            .position(|actuator| actuator.state_sensor == Some(ix))
            .map_or_else(|| self.supply_is_open(), |actuator| self.open[actuator]);
        match feed.source {
            Source::Steady { open, closed } => {
                if is_open {
                    open
                } else {
                    closed
                }
            }
            Source::Ramp { to, over } => {
                let (since, from) = feed.began;
                let share = self.now.since(since).secs() / over.secs().max(1e-9);
                from + (to - from) * share.clamp(0.0, 1.0)
            }
            Source::Silent | Source::Offline | Source::Unreadable => feed.began.1,
        }
    }

    /// What a counter has counted by now.
    fn counted(&self, feed: &Feed) -> (Mono, f64) {
        let (at, litres) = feed.counted;
        let rate = match feed.source {
            Source::Steady { open, closed } => {
                if self.supply_is_open() {
                    open
                } else {
                    closed
                }
            }
            Source::Ramp { to, .. } => to,
            Source::Silent | Source::Offline | Source::Unreadable => 0.0,
        };
        (self.now, litres + rate * self.now.since(at).minutes())
    }

    /// Counters take note before the water starts or stops.
    fn count(&mut self) {
        let counters: Vec<SensorIx> = self
            .feeds
            .keys()
            .copied()
            .filter(|ix| counts(self.setup.sensors[*ix].quantity))
            .collect();
        for ix in counters {
            let counted = self.counted(&self.feeds[&ix]);
            if let Some(feed) = self.feeds.get_mut(&ix) {
                feed.counted = counted;
            }
        }
    }

    fn send_reading(&mut self, ix: SensorIx) {
        let sensor = &self.setup.sensors[ix];
        let every = if sensor.battery { BATTERY_EVERY } else { sensor.interval };
        let is_counter = counts(sensor.quantity);
        let counted = self.counted(&self.feeds[&ix]);
        let value = if is_counter {
            let litres = counted.1;
            let shown = match sensor.quantity {
                crate::units::Quantity::Pulses => (litres / sensor.litres_per_pulse).floor(),
                _ => litres,
            };
            if sensor.wraps_at > 0.0 { shown % sensor.wraps_at } else { shown }
        } else {
            self.reading_of(ix, &self.feeds[&ix])
        };
        let Some(feed) = self.feeds.get_mut(&ix) else { return };
        feed.counted = counted;
        feed.due = match feed.source {
            // A message about being offline is said once.
            Source::Offline | Source::Silent => None,
            _ => Some(self.now + every.max(Span::from_millis(100))),
        };
        let source = feed.source;
        if !self.broker {
            return;
        }
        let event = match source {
            Source::Silent => return,
            Source::Offline => Event::NoReading { sensor: ix, reason: NoReading::Offline },
            Source::Unreadable => Event::NoReading { sensor: ix, reason: NoReading::Unparsable },
            Source::Steady { .. } | Source::Ramp { .. } => self.reading(ix, value, false),
        };
        self.event(event);
    }

    fn reading(&self, sensor: SensorIx, value: f64, retained: bool) -> Event {
        let arrived = self.wall(self.now);
        Event::Reading(Reading { sensor, value, retained, arrived, stamp: None })
    }

    /// The world's valve moves; its state sensor says so at once.
    fn moves(&mut self, actuator: ActuatorIx, open: bool) {
        if self.open[actuator] == open || self.stuck.contains(&actuator) {
            return;
        }
        self.count();
        self.open[actuator] = open;
        if let Some(ix) = self.setup.actuators[actuator].state_sensor
            && let Some(feed) = self.feeds.get_mut(&ix)
            && matches!(feed.source, Source::Steady { .. })
            && self.broker
        {
            let value = self.reading_of(ix, &self.feeds[&ix]);
            let event = self.reading(ix, value, false);
            self.answers.push(event);
        }
    }

    // --- what the engine says -----------------------------------------------------------------

    fn take(&mut self, output: Output) {
        match output {
            Output::Persist { token } => {
                if self.disk {
                    self.answers.push(Event::Persisted { token });
                }
            }
            Output::Send(send) => {
                if !(self.broker && self.guard) {
                    return;
                }
                let id = &self.setup.actuators[send.actuator].id;
                let open = send.action == Action::Open;
                let text = format!("{id} {}", if open { "open" } else { "close" });
                // Repeats of a close, and renewals of an opening, are no new command.
                let differs =
                    self.last_sent.insert(send.actuator, send.action) != Some(send.action);
                let again = if open { !self.open[send.actuator] } else { send.attempt == 1 };
                if differs || again {
                    self.note(format!("sent: {text}"));
                    self.lately.sent.push(text);
                }
                if !open {
                    self.answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                }
                self.moves(send.actuator, open);
            }
            Output::Alarm(update) => {
                // What is shown under its cause, put aside, or out of service asks nobody for anything.
                let stands = (update.active || update.latched)
                    && matches!(
                        update.state,
                        AlarmState::Unacknowledged | AlarmState::Acknowledged
                    );
                let before = self.standing.insert(update.key, stands);
                if stands && before != Some(true) {
                    self.lately.raised.insert(update.key);
                    let name = self.name(update.key);
                    self.note(format!("alarm: {name}: {}", update.text));
                } else if !stands && before == Some(true) {
                    let name = self.name(update.key);
                    self.note(format!("gone: {name}"));
                }
                if stands || self.played.stood.contains_key(&update.key) {
                    self.played.stood.insert(update.key, stands);
                }
            }
            Output::Permit(permit) => self.permit = Some(permit),
            Output::Value(update) => {
                self.values.insert(update.key, update.datum);
            }
            Output::Log(entry) => match entry.kind.as_ref() {
                "answer" => {
                    let accepted = entry.data.get("accepted").and_then(serde_json::Value::as_bool);
                    self.note(format!("answer: {}", entry.text));
                    self.lately.answer = Some((accepted.unwrap_or(false), entry.text));
                }
                "phase" => {
                    if let Some(phase) = entry.data.get("phase").and_then(|one| one.as_str()) {
                        self.phase = phase.to_owned();
                    }
                    self.note(format!("phase: {}", entry.text));
                }
                _ => {}
            },
            Output::DropGuard { actuator } => {
                // The broker fires the will, everybody sees it, and the guard comes back.
                self.answers.push(Event::GuardLost { actuator });
                self.answers.push(Event::SeenOnTopic { actuator, open: false });
                self.moves(actuator, false);
                self.answers.push(Event::GuardConnected { actuator });
            }
            Output::Stopped { .. } => self.note("stopped".into()),
        }
    }

    fn note(&mut self, text: String) {
        let at = duration::shown(self.now.since(Mono::ZERO));
        self.lately.lines.push(format!("{at}: {text}"));
    }

    fn name(&self, key: AlarmKey) -> String {
        alarm_name(self.setup, key)
    }

    // --- what happens in the world ------------------------------------------------------------

    fn act(&mut self, deed: &Deed) {
        match deed {
            Deed::Feed(ix, source) => {
                self.count();
                self.feed(*ix, *source);
                if *source != Source::Silent {
                    self.send_reading(*ix);
                }
            }
            Deed::Once(ix, value) => {
                let event = self.reading(*ix, *value, false);
                self.event(event);
            }
            Deed::Stored(ix, value) => {
                let event = self.reading(*ix, *value, true);
                self.event(event);
            }
            Deed::ByOthers { actuator, open } => {
                self.moves(*actuator, *open);
                self.event(Event::SeenOnTopic { actuator: *actuator, open: *open });
            }
            Deed::Stuck { actuator, stuck } => {
                if *stuck {
                    self.stuck.insert(*actuator);
                } else {
                    self.stuck.remove(actuator);
                }
            }
            Deed::Demand(wanted) => self.event(Event::Demand { wanted: *wanted }),
            Deed::OtherDaemon(present) => self.event(Event::OtherInstance { present: *present }),
            Deed::World(part, there) => self.world(*part, *there),
            Deed::Command(ask) => {
                self.played.bypassed |= matches!(**ask, crate::engine::event::Ask::Bypass { .. });
                let what = ask.as_ref().clone();
                self.event(Event::Command(Command { id: "scenario".into(), at: None, what }));
            }
            Deed::Restart => self.restart(),
            Deed::Stop => self.event(Event::StopRequested),
        }
    }

    fn world(&mut self, part: Part, there: bool) {
        match part {
            Part::Broker => {
                self.broker = there;
                if there {
                    self.connect();
                } else {
                    self.event(Event::BrokerLost);
                    for actuator in 0..self.setup.actuators.len() {
                        self.event(Event::GuardLost { actuator });
                    }
                }
            }
            Part::Guard => {
                self.guard = there;
                for actuator in 0..self.setup.actuators.len() {
                    if there {
                        self.event(Event::GuardConnected { actuator });
                    } else {
                        // The will closes.
                        self.moves(actuator, false);
                        self.event(Event::GuardLost { actuator });
                    }
                }
            }
            Part::Disk => {
                self.disk = there;
                self.event(Event::HistoryWritable { ok: there });
            }
            Part::Clock => {
                self.clock_right = there;
                self.event(Event::Clock { sane: there, stepped: Span::ZERO });
            }
        }
    }

    /// The daemon dies and comes back from its snapshot; the wills close meanwhile.
    fn restart(&mut self) {
        for actuator in 0..self.setup.actuators.len() {
            self.moves(actuator, false);
        }
        self.answers.clear();
        let text = self.engine.snapshot();
        let at = self.engine.evaluated();
        match Engine::restore(Arc::clone(self.setup), &text, at) {
            Ok(engine) => self.engine = engine,
            Err(error) => panic!("the engine's own snapshot does not load: {error}"),
        }
        self.note("the daemon was started again".into());
        let away = Some(Span::from_secs(1));
        self.event(Event::Started(Started { found: Found::Restored, away, clean: false }));
        self.event(Event::Clock { sane: self.clock_right, stepped: Span::ZERO });
        if self.broker {
            self.connect();
        }
    }

    // --- what must be so ----------------------------------------------------------------------

    fn compare(&self, expect: &Expect) -> Vec<String> {
        let mut wrong = Vec::new();
        if let Some(permitted) = expect.permitted {
            let came = self.permit.as_ref().map(|permit| permit.permitted);
            differ(
                &mut wrong,
                "permitted",
                permitted.to_string(),
                came.map_or("nothing".into(), |one| one.to_string()),
            );
        }
        if let Some(phase) = &expect.phase {
            differ(&mut wrong, "phase", phase.clone(), self.phase.clone());
        }
        if let Some(valve) = &expect.valve {
            let came = self.permit.as_ref().map_or("unknown", |permit| permit.valve.as_ref());
            differ(&mut wrong, "valve", valve.clone(), came.to_owned());
        }
        if let Some(alarms) = &expect.alarms {
            let names = |keys: &[AlarmKey]| -> Vec<String> {
                keys.iter().map(|key| self.name(*key)).collect()
            };
            let came: Vec<AlarmKey> =
                self.standing.iter().filter(|(_, stands)| **stands).map(|(key, _)| *key).collect();
            differ(&mut wrong, "alarms", list(&names(alarms)), list(&names(&came)));
            let passed: Vec<AlarmKey> = self
                .lately
                .raised
                .iter()
                .filter(|key| !alarms.contains(key) && !came.contains(key))
                .filter(|key| !expect.passed.contains(key))
                .copied()
                .collect();
            if !passed.is_empty() {
                wrong.push(format!(
                    "alarms: {} came and went, which nobody expected",
                    list(&names(&passed))
                ));
            }
        }
        for key in &expect.passed {
            if !self.lately.raised.contains(key) {
                wrong.push(format!("passed: {} never came", self.name(*key)));
            }
        }
        if let Some(sent) = &expect.sent
            && *sent != self.lately.sent
        {
            wrong.push(format!("sent: expected {}, came {}", list(sent), list(&self.lately.sent)));
        }
        if let Some(accepted) = expect.accepted {
            let word = |yes: bool| if yes { "accepted" } else { "refused" };
            match &self.lately.answer {
                Some((came, text)) if *came != accepted => wrong.push(format!(
                    "answer: expected {}, came {} ({text})",
                    word(accepted),
                    word(*came)
                )),
                Some(_) => {}
                None => wrong.push(format!("answer: expected {}, came none", word(accepted))),
            }
        }
        let missing: Vec<String> = self
            .permit
            .iter()
            .flat_map(|permit| permit.missing.iter().map(|one| one.cause.clone()))
            .collect();
        if !expect.missing.iter().all(|one| missing.contains(one)) {
            let wanted = format!("at least {}", list(&expect.missing));
            wrong.push(format!("missing: expected {wanted}, came {}", list(&missing)));
        }
        for (name, key, low, high) in &expect.values {
            let came = match self.values.get(key) {
                Some(Ok(Datum::Number(value))) if value >= low && value <= high => continue,
                Some(Ok(Datum::Number(value))) => value.to_string(),
                Some(Ok(Datum::Flag(yes))) => yes.to_string(),
                Some(Ok(Datum::State { word, .. })) => word.to_string(),
                Some(Ok(Datum::Text(text))) => format!("'{text}'"),
                Some(Err(reason)) => format!("none ({reason:?})"),
                None => "none".into(),
            };
            wrong.push(format!("{name}: expected {low} to {high}, came {came}"));
        }
        wrong
    }
}

fn differ(wrong: &mut Vec<String>, what: &str, wanted: String, came: String) {
    if wanted != came {
        wrong.push(format!("{what}: expected {wanted}, came {came}"));
    }
}

fn list(names: &[String]) -> String {
    if names.is_empty() { "none".into() } else { names.join(", ") }
}

/// The name that an alarm has on the bus.
pub(crate) fn alarm_name(setup: &Setup, key: AlarmKey) -> String {
    let row = key.alarm.row();
    let of = key.of.map(usize::from);
    let owner = match row.of {
        Of::Plant => None,
        Of::Sensor => of.and_then(|ix| setup.sensors.get(ix)).map(|sensor| &sensor.id),
        Of::Part => of.and_then(|ix| setup.parts.get(ix)).map(|part| &part.id),
    };
    owner.map_or_else(|| row.name.to_owned(), |owner| format!("{}-{owner}", row.name))
}
