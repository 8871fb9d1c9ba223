//! `permeated replay`: a recorded day through the very same engine.
//!
//! Invariants: the engine is driven as the daemon drives it (events in order, every deadline between
//! them); the same input and settings give the same bytes; nothing is sent to anybody. From a file
//! the world answers at once: the broker is there, a close is acknowledged, the disk is quick, a
//! dropped guard fires its will and comes back. From a journal only what was recorded happens. Absent on purpose: a clock.

mod compare;
mod input;
mod line;
mod printer;

use crate::edge::history::{Body, Keep, Names, PlantNo, Reader, Record, RunMark};
use crate::engine::Engine;
use crate::engine::catalogue::SignalId;
use crate::engine::event::{Event, Found, beginning};
use crate::engine::output::{Action, AlarmKey, Datum, Output, ValueKey};
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Now, Wall};
use crate::settings::schema::{Plant, Settings};
use compare::Compare;
pub use input::Foreign;
use input::{Format, Happened, Input};
use printer::Printer;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::File;
use std::io::{BufReader, BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;

/// What `--input` reads and what comes out, for `replay --help`.
pub const FORMATS: &str = r#"Input, with times that never fall (RFC 3339, or milliseconds since 1970):
  .csv    time,sensor-or-topic,value; fields may be quoted
            2026-03-01T07:00:00Z,product,1.5
            1772348401000,permeated/5/home/service/entry/set,"{""entry"":""note"",""text"":""x""}"
  other   JSON lines, one of:
            {"t":"2026-03-01T07:00:00Z","sensor":"product","v":1.5}
            {"t":1772348401000,"topic":"cellar/product/ppm","v":1,"retained":true}
            {"t":1772348402000,"event":{"e":"demand","wanted":true}}
          or what `mosquitto_sub -t '#' -F %j` writes.
A topic is one of the settings or one of permeated's own command topics.

Output: JSON lines. 'o' says what a line is, 'name' is node/property of a value or the
alarm, as on the bus. A summary goes to stderr. config/recorded.md says more."#;

/// A kind of output lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Kind {
    /// Alarms that came, changed and went.
    Alarms,
    /// The record of each start.
    Starts,
    /// Values.
    Values,
    /// Permits.
    Permit,
    /// Commands to actuators.
    Commands,
    /// Everything else of the event stream: phases, answers, trips, service, notes.
    Log,
}

impl Kind {
    /// The kind of an output; `None` for what is between engine and world alone.
    fn of(output: &Output) -> Option<Self> {
        Some(match output {
            Output::Alarm(_) => Self::Alarms,
            Output::Value(_) => Self::Values,
            Output::Permit(_) => Self::Permit,
            Output::Send(_) => Self::Commands,
            Output::Log(entry) if entry.kind == START_RECORD => Self::Starts,
            Output::Log(_) => Self::Log,
            Output::Persist { .. } | Output::DropGuard { .. } | Output::Stopped { .. } => {
                return None;
            }
        })
    }
}

/// Kind of the log entry about a start.
const START_RECORD: &str = "start-record";

/// Our own command comes back on its topic within this time, as it does live.
const ECHO_MILLIS: i64 = 5000;

/// Litres that the summary names.
const LITRES: [(SignalId, &str); 4] = [
    (SignalId::SupplyLitres, "tap water"),
    (SignalId::PermeateLitres, "permeate"),
    (SignalId::ProductLitres, "product"),
    (SignalId::ConcentrateLitres, "concentrate"),
];

/// Arguments of `replay`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Settings file; may be given several times, later ones win.
    #[arg(long = "config", required = true, value_name = "FILE")]
    pub config: Vec<PathBuf>,
    /// Which plant; may be left out when there is one.
    #[arg(long, value_name = "ID")]
    pub plant: Option<String>,
    /// A recorded day: `.csv` (time,sensor-or-topic,value) or `.jsonl`; the forms stand below.
    #[arg(
        long,
        value_name = "FILE",
        conflicts_with = "journal",
        required_unless_present = "journal"
    )]
    pub input: Option<PathBuf>,
    /// State folder of a daemon, running or not: replays its journal.
    #[arg(long, value_name = "DIR")]
    pub journal: Option<PathBuf>,
    /// With --journal: compares with the stored outputs, prints only differences, and ends with 1
    /// when there are any.
    #[arg(long, requires = "journal")]
    pub compare: bool,
    /// Prints every output, not only those that the journal would keep.
    #[arg(long)]
    pub all: bool,
    /// Prints only these kinds of lines; several with commas.
    #[arg(
        long,
        value_enum,
        value_delimiter = ',',
        value_name = "KINDS",
        conflicts_with = "compare"
    )]
    pub only: Vec<Kind>,
}

/// Why a replay could not be done.
#[derive(Debug, thiserror::Error)]
pub enum ReplayError {
    /// The plant is not in the settings.
    #[error("{0}")]
    Plant(String),
    /// A file cannot be opened.
    #[error("{}: {source}", path.display())]
    Open {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A line of the input cannot be used.
    #[error("{0}")]
    Input(#[from] input::InputError),
    /// The journal cannot be read.
    #[error("{0}")]
    Journal(#[from] crate::edge::history::JournalError),
    /// Nobody takes the output.
    #[error("output: {0}")]
    Output(#[from] std::io::Error),
}

/// What a replay came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Summary {
    /// Events that went in.
    pub events: u64,
    /// Outputs that came out.
    pub outputs: u64,
    /// Input lines that meant nothing to the plant.
    pub foreign: Foreign,
    /// How often each alarm was raised, by its name on the bus.
    pub alarms: BTreeMap<String, u64>,
    /// Starts of the plant.
    pub starts: u64,
    /// Litres in all at the end, with what they are.
    pub litres: Vec<(&'static str, f64)>,
    /// Outputs equal to the stored ones.
    pub same: u64,
    /// Outputs that differ from the stored ones, on either side.
    pub differences: u64,
}

impl Summary {
    /// The summary for people, some lines.
    pub fn words(&self) -> String {
        const NAMES_SHOWN: usize = 5;
        let mut text = format!("{} events, {} outputs\n", self.events, self.outputs);
        // Writing to a `String` cannot fail.
        let Foreign { lines, topics, own } = &self.foreign;
        if *lines > 0 {
            let mut named: Vec<(&String, &u64)> = topics.iter().collect();
            named.sort_by_key(|(_, count)| std::cmp::Reverse(**count));
            let shown: Vec<String> = named
                .iter()
                .take(NAMES_SHOWN)
                .map(|(name, count)| format!("{name} ({count})"))
                .collect();
            let more = match named.len() > NAMES_SHOWN {
                true => format!(" and {} more", named.len() - NAMES_SHOWN),
                false => String::new(),
            };
            let shown = shown.join(", ");
            let _ = writeln!(
                text,
                "lines about topics that are not in the settings: {lines}, {shown}{more}"
            );
        }
        if *own > 0 {
            let _ = writeln!(text, "lines that permeated itself had published, passed over: {own}");
        }
        let _ = writeln!(text, "starts: {}", self.starts);
        let litres: Vec<String> =
            self.litres.iter().map(|(what, litres)| format!("{what} {litres:.1} L")).collect();
        if !litres.is_empty() {
            let _ = writeln!(text, "litres: {}", litres.join(", "));
        }
        match self.alarms.is_empty() {
            true => text.push_str("alarms: none\n"),
            false => text.push_str("alarms, times raised:\n"),
        }
        for (name, times) in &self.alarms {
            let _ = writeln!(text, "  {name}: {times}");
        }
        text
    }
}

/// Runs the command.
pub fn run(args: &Args) -> ExitCode {
    let loaded =
        match crate::settings::load::load(&args.config, crate::settings::load::environment()) {
            Ok(loaded) => loaded,
            Err(problems) => {
                eprintln!("{problems}");
                return ExitCode::from(78);
            }
        };
    let mut out = BufWriter::new(std::io::stdout());
    let result = replay(args, &loaded.settings, &mut out);
    match result.and_then(|summary| Ok(out.flush().map(|()| summary)?)) {
        Ok(summary) => {
            eprint!("{}", summary.words());
            if args.compare {
                let Summary { same, differences, .. } = summary;
                eprintln!("{same} outputs as stored, {differences} differences");
            }
            ExitCode::from(u8::from(summary.differences > 0))
        }
        Err(ReplayError::Output(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => {
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("permeated replay: {error}");
            ExitCode::from(match error {
                ReplayError::Plant(_) => 64,
                ReplayError::Input(_) => 65,
                ReplayError::Open { .. } => 66,
                ReplayError::Journal(_) | ReplayError::Output(_) => 74,
            })
        }
    }
}

/// Replays, writing JSON lines to `out`.
///
/// # Errors
/// [`ReplayError`].
pub fn replay(
    args: &Args,
    settings: &Settings,
    out: &mut (dyn Write + Send),
) -> Result<Summary, ReplayError> {
    let (id, plant) = the_plant(settings, args.plant.as_deref())?;
    let keep_alive = settings.broker.guard_keep_alive_secs;
    let setup = Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, keep_alive));
    std::thread::scope(|scope| {
        let printer = Printer::new(scope, &setup, &args.only, out);
        let mut stage = Stage::new(&setup, args, printer);
        let replayed = match (&args.input, &args.journal) {
            (Some(path), _) => {
                let zone = jiff::tz::TimeZone::get(&settings.daemon.zone)
                    .unwrap_or(jiff::tz::TimeZone::UTC);
                from_file(path, &mut stage, (settings, plant, &zone))
            }
            (None, Some(dir)) => {
                Reader::open(dir).map_err(Into::into).and_then(|it| from_journal(it, &mut stage))
            }
            (None, None) => Err(ReplayError::Plant("give --input or --journal".into())),
        };
        stage.end(replayed)
    })
}

pub(super) fn the_plant<'a>(
    settings: &'a Settings,
    wanted: Option<&str>,
) -> Result<(&'a str, &'a Plant), ReplayError> {
    let known = || settings.plants.keys().cloned().collect::<Vec<_>>().join(", ");
    let found = match wanted {
        Some(id) => settings.plants.get_key_value(id),
        None if settings.plants.len() == 1 => settings.plants.first_key_value(),
        None => None,
    };
    found.map(|(id, plant)| (id.as_str(), plant)).ok_or_else(|| {
        ReplayError::Plant(format!("name one of the plants with --plant: {}", known()))
    })
}

/// An engine, and where its outputs go.
struct Stage<'a> {
    engine: Engine,
    setup: Arc<Setup>,
    keep: Keep,
    all: bool,
    printer: Printer<'a>,
    compare: Option<Compare>,
    summary: Summary,
    standing: BTreeSet<AlarmKey>,
    litres: BTreeMap<SignalId, f64>,
    /// Answers of a world in which everything works; only for files.
    answers: Option<Vec<Event>>,
    /// What we sent lately: when (ms), to whom, whether it was an open.
    sent: Vec<(i64, usize, bool)>,
    /// While the beginning is made, its values wait: of several at one instant the last is told.
    waiting: Option<Vec<Output>>,
}

impl<'a> Stage<'a> {
    fn new(setup: &Arc<Setup>, args: &Args, printer: Printer<'a>) -> Self {
        Self {
            engine: Engine::new(Arc::clone(setup)),
            setup: Arc::clone(setup),
            keep: Keep::new(),
            all: args.all,
            printer,
            compare: args.compare.then(Compare::default),
            summary: Summary::default(),
            standing: BTreeSet::new(),
            litres: BTreeMap::new(),
            answers: None,
            sent: Vec::new(),
            waiting: None,
        }
    }

    /// Counts what the summary names.
    fn count(&mut self, output: &Output) {
        match output {
            Output::Alarm(update) if !update.active => {
                self.standing.remove(&update.key);
            }
            Output::Alarm(update) if self.standing.insert(update.key) => {
                let name = self.setup.alarm_id(update.key);
                *self.summary.alarms.entry(name).or_default() += 1;
            }
            Output::Log(entry) if entry.kind == START_RECORD => self.summary.starts += 1,
            Output::Value(update) => {
                if let Ok(Datum::Number(litres)) = &update.datum
                    && LITRES.iter().any(|(signal, _)| *signal == update.key.signal)
                {
                    self.litres.insert(update.key.signal, *litres);
                }
            }
            _ => {}
        }
    }

    /// The beginning is made: what it came to is told.
    fn begun(&mut self, now: Now) -> Result<(), ReplayError> {
        let waiting = self.waiting.take().unwrap_or_default();
        let key = |output: &Output| match output {
            Output::Value(update) => Some(update.key),
            _ => None,
        };
        let mut last: BTreeMap<ValueKey, usize> = BTreeMap::new();
        for (at, output) in waiting.iter().enumerate() {
            if let Some(key) = key(output) {
                last.insert(key, at);
            }
        }
        for (at, output) in waiting.into_iter().enumerate() {
            if key(&output).is_none_or(|key| last.get(&key) == Some(&at)) {
                self.printer.output(now, output)?;
            }
        }
        Ok(())
    }

    /// What a line of a file became.
    fn happens(&mut self, now: Now, happened: Happened) -> Result<(), ReplayError> {
        match happened {
            Happened::Event(event) => self.handle(now, event),
            Happened::Seen { actuator, open } => {
                let millis = now.mono.millis();
                self.sent.retain(|(at, ..)| millis - at <= ECHO_MILLIS);
                match self.sent.iter().position(|(_, to, sent)| (*to, *sent) == (actuator, open)) {
                    Some(echo) => {
                        self.sent.remove(echo);
                        Ok(())
                    }
                    None => self.handle(now, Event::SeenOnTopic { actuator, open }),
                }
            }
            Happened::Refused(answer) => {
                self.summary.outputs += 1;
                Ok(self.printer.output(now, Output::Log(answer))?)
            }
        }
    }

    /// Everything is written; what it came to, or why it did not.
    fn end(mut self, replayed: Result<(), ReplayError>) -> Result<Summary, ReplayError> {
        self.printer.end()?;
        replayed?;
        for (signal, what) in LITRES {
            if let Some(litres) = self.litres.get(&signal) {
                self.summary.litres.push((what, *litres));
            }
        }
        if let Some(compare) = &self.compare {
            self.summary.same = compare.same;
            self.summary.differences = compare.only_stored + compare.only_replayed;
        }
        Ok(self.summary)
    }

    fn handle(&mut self, now: Now, event: Event) -> Result<(), ReplayError> {
        if event != Event::Tick {
            self.summary.events += 1;
        }
        self.engine.handle(now, event);
        while let Some(output) = self.engine.poll_output() {
            self.summary.outputs += 1;
            if let Some(answers) = &mut self.answers {
                match &output {
                    Output::Persist { token } => answers.push(Event::Persisted { token: *token }),
                    Output::Send(send) => {
                        let open = send.action == Action::Open;
                        self.sent.push((now.mono.millis(), send.actuator, open));
                        if !open {
                            answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                        }
                    }
                    // The broker publishes the will, and the connection comes back.
                    Output::DropGuard { actuator } => {
                        let actuator = *actuator;
                        answers.push(Event::GuardLost { actuator });
                        answers.push(Event::SeenOnTopic { actuator, open: false });
                        answers.push(Event::GuardConnected { actuator });
                    }
                    _ => {}
                }
            }
            self.count(&output);
            let kept = self.keep.wants(&output);
            match &mut self.compare {
                Some(compare) if kept => {
                    compare.replayed(now.mono.millis(), &output, &self.setup);
                }
                Some(_) => {}
                None if kept || self.all => match &mut self.waiting {
                    Some(waiting) => waiting.push(output),
                    None => self.printer.output(now, output)?,
                },
                None => {}
            }
        }
        Ok(())
    }

    /// Wakes at each deadline up to `until`, so that outputs appear at their own time.
    fn wake_until(&mut self, until: Now) -> Result<(), ReplayError> {
        while let Some((due, _)) = self.engine.poll_timeout()
            && due < until.mono
        {
            let wall = until.wall.map(|wall| wall + due.since(until.mono));
            self.handle(Now { mono: due, wall }, Event::Tick)?;
            self.answer(Now { mono: due, wall })?;
        }
        Ok(())
    }

    /// Gives the world's answers at the same instant. They may call for answers of their own, but
    /// not without end.
    fn answer(&mut self, now: Now) -> Result<(), ReplayError> {
        for _ in 0..100 {
            let Some(answers) = &mut self.answers else { return Ok(()) };
            let answers = std::mem::take(answers);
            if answers.is_empty() {
                return Ok(());
            }
            for event in answers {
                self.handle(now, event)?;
            }
        }
        Ok(())
    }
}

fn from_file(
    path: &PathBuf,
    stage: &mut Stage<'_>,
    (settings, plant, zone): (&Settings, &Plant, &jiff::tz::TimeZone),
) -> Result<(), ReplayError> {
    let file =
        File::open(path).map_err(|source| ReplayError::Open { path: path.clone(), source })?;
    let format = match path.extension().is_some_and(|end| end.eq_ignore_ascii_case("csv")) {
        true => Format::Csv,
        false => Format::Lines,
    };
    let setup = Arc::clone(&stage.setup);
    let mut input = Input::new(BufReader::new(file), format, &setup, plant, settings);
    stage.answers = Some(Vec::new());
    let mut start: Option<Wall> = None;
    let mut calendar_until = None;
    while let Some((at, happened)) = input.next()? {
        let first = start.is_none();
        let since = at.since(*start.get_or_insert(at));
        let now = Now::new(Mono::ZERO + since, at);
        if first {
            stage.waiting = Some(Vec::new());
            for event in beginning(setup.actuators.len()) {
                stage.handle(now, event)?;
                stage.answer(now)?;
            }
        }
        stage.wake_until(now)?;
        if first || calendar_until.is_some_and(|until| at >= until) {
            let calendar = crate::calendar::calendar(&plant.plan, zone, at);
            calendar_until = crate::calendar::until(&calendar);
            stage.handle(now, Event::Calendar(calendar))?;
        }
        if first {
            stage.begun(now)?;
        }
        stage.happens(now, happened)?;
        stage.answer(now)?;
    }
    stage.summary.foreign = input.foreign;
    Ok(())
}

/// The names of a plant's records, looked up once for each stretch.
struct NamesOf {
    plant: PlantNo,
    held: Option<(u64, Option<Names>)>,
}

impl NamesOf {
    fn at(&mut self, reader: &Reader, seq: u64) -> Result<Option<&Names>, ReplayError> {
        if self.held.as_ref().is_none_or(|(until, _)| seq >= *until) {
            let until = reader.names_change_after(self.plant, seq)?.unwrap_or(u64::MAX);
            self.held = Some((until, reader.names_at(self.plant, seq)?));
        }
        Ok(self.held.as_ref().and_then(|(_, names)| names.as_ref()))
    }
}

fn from_journal(mut reader: Reader, stage: &mut Stage<'_>) -> Result<(), ReplayError> {
    const STEP: usize = 1000;
    let id = &stage.setup.plant;
    let number = reader
        .plant(id)?
        .ok_or_else(|| ReplayError::Plant(format!("the journal knows no plant '{id}'")))?;
    let now_names = Names::of(&stage.setup);
    let mut names = NamesOf { plant: number, held: None };
    let mut run = Run::default();
    let mut next = 1;
    loop {
        let records = reader.records(next, STEP)?;
        let Some(last) = records.last() else { break };
        next = last.seq + 1;
        for record in records.into_iter().filter(|record| record.plant == number) {
            let then = names.at(&reader, record.seq)?;
            run.record(stage, record, then, &now_names)?;
        }
        tell(stage, false)?;
    }
    tell(stage, true)
}

fn tell(stage: &mut Stage<'_>, end: bool) -> Result<(), ReplayError> {
    let Some(compare) = &mut stage.compare else { return Ok(()) };
    let mut lines = Vec::new();
    compare.advance(end, &mut |line| lines.push(line));
    for line in lines {
        stage.printer.line(line)?;
    }
    Ok(())
}

/// Where the replay of a journal stands.
#[derive(Default)]
struct Run {
    /// The engine as it was after its last event: what a daemon that died comes back to, because
    /// deadlines are not records.
    after_event: Option<Engine>,
    /// The last run ended cleanly, with a snapshot of everything.
    clean: bool,
    handled: Option<Mono>,
}

impl Run {
    fn record(
        &mut self,
        stage: &mut Stage<'_>,
        record: Record,
        then: Option<&Names>,
        names: &Names,
    ) -> Result<(), ReplayError> {
        let now = record.now;
        match record.body {
            Body::Run(RunMark::Started { .. }) => {
                stage.keep = Keep::new();
                if let Some(engine) = self.after_event.take().filter(|_| !self.clean) {
                    stage.engine = engine;
                }
                self.clean = false;
            }
            Body::Run(RunMark::Stopped) => self.clean = true,
            Body::Run(RunMark::Dropped { .. }) | Body::Unknown { .. } => {}
            Body::Event(event) => {
                let event = match then {
                    Some(then) => then.translate(event, names),
                    None => Some(event),
                };
                let Some(event) = event else { return Ok(()) };
                if let Event::Started(started) = &event
                    && started.found == Found::Lost
                {
                    stage.engine = Engine::new(Arc::clone(&stage.setup));
                }
                if stage.compare.is_none() {
                    stage.wake_until(now)?;
                }
                stage.handle(now, event)?;
                self.after_event = None;
                self.handled = Some(now.mono);
            }
            Body::Output(output) => {
                let Some(compare) = &mut stage.compare else { return Ok(()) };
                let output = match then {
                    Some(then) => then.translate_output(output, names),
                    None => Some(output),
                };
                if let Some(output) = output {
                    compare.stored(record.seq, &output, &stage.setup);
                }
                // An output later than the last event: the driver woke at a deadline, just then.
                if self.handled.is_some_and(|handled| now.mono > handled) {
                    if self.after_event.is_none() {
                        self.after_event = Some(stage.engine.clone());
                    }
                    stage.handle(now, Event::Tick)?;
                    self.handled = Some(now.mono);
                }
            }
        }
        Ok(())
    }
}
