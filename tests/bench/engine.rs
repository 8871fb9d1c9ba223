//! What a reading costs. `cargo bench --bench engine` prints a table; its ratios of one run mean more
//! than its microseconds, which are this machine's.
//!
//! | after `--` | does |
//! | --- | --- |
//! | nothing | the table |
//! | `year DIR [DAYS]` | writes `year.toml` and `year.csv` for `permeated replay` |
//! | `replay [DAYS]` | writes such a year into a folder of its own, replays it in this process, says how long that took |
//! | `count CASE READINGS` | takes so many readings and prints nothing: for `tests/bench/instructions.sh` |

mod world;

use permeated::engine::Engine;
use permeated::engine::event::{Event, beginning};
use permeated::engine::output::{Action, Output};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Mono, Now, Wall};
use std::fs::File;
use std::io::{BufWriter, Write};
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;
use world::{EPOCH, Said, Size, What, World, event};

/// Readings of one round of the table, and rounds; the fastest round counts.
const READINGS: usize = 3_000;
const ROUNDS: usize = 7;

/// What is measured.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Case {
    name: &'static str,
    size: Size,
    flowing: bool,
}

const CASES: [Case; 4] = [
    Case { name: "full-flowing", size: Size::Full, flowing: true },
    Case { name: "full-idle", size: Size::Full, flowing: false },
    Case { name: "smallest-flowing", size: Size::Smallest, flowing: true },
    Case { name: "smallest-idle", size: Size::Smallest, flowing: false },
];

/// An engine driven as a replay drives it, by a world that answers at once.
#[derive(Clone)]
struct Drive {
    engine: Engine,
    outputs: u64,
    wakes: u64,
    tripped: bool,
}

impl Drive {
    fn new(setup: &Arc<Setup>) -> Self {
        let mut drive =
            Self { engine: Engine::new(Arc::clone(setup)), outputs: 0, wakes: 0, tripped: false };
        for event in beginning(setup.actuators.len()) {
            drive.handle(0, event);
        }
        drive
    }

    fn handle(&mut self, at: i64, event: Event) {
        self.engine.handle(now(at), event);
        let mut answers = Vec::new();
        while let Some(output) = self.engine.poll_output() {
            self.outputs += 1;
            match output {
                Output::Send(send) if send.action == Action::Close => {
                    answers.push(Event::CloseAcknowledged { actuator: send.actuator });
                }
                Output::Persist { token } => answers.push(Event::Persisted { token }),
                Output::Alarm(alarm) => {
                    use permeated::engine::catalogue::Consequence;
                    let row = alarm.key.alarm.row();
                    self.tripped |= alarm.active && row.consequence == Consequence::Trip;
                }
                _ => {}
            }
        }
        for answer in answers {
            self.handle(at, answer);
        }
    }

    /// Wakes at every deadline before `at`, then takes the event.
    fn take(&mut self, at: i64, event: Event) {
        while let Some((due, _)) = self.engine.poll_timeout()
            && due.millis() < at
        {
            self.wakes += 1;
            self.handle(due.millis(), Event::Tick);
        }
        self.handle(at, event);
    }
}

fn now(at: i64) -> Now {
    Now::new(Mono::from_millis(at), Wall::from_millis(EPOCH + at))
}

/// A plant that has run a few times and is now well into a run, or has long been standing; and what
/// it says then.
fn prepared(case: Case, readings: usize) -> (Drive, Vec<(i64, Event)>) {
    let setup = world::setup(case.size);
    let mut world = World::new(case.size);
    let mut drive = Drive::new(&setup);
    let day = 86_400_000;
    let mut said: Said;
    loop {
        said = world.next();
        drive.take(said.at, event(&world, &setup, &said));
        let into = said.at - 3 * day;
        world.held = (into > 0).then_some(case.flowing);
        if into > 3 * 3_600_000 {
            break;
        }
    }
    assert!(!drive.tripped, "{}: an ordinary day tripped", case.name);
    let events = std::iter::from_fn(|| Some(world.next()))
        .filter(|said| matches!(said.what, What::Reading(..)))
        .take(readings)
        .collect::<Vec<Said>>();
    let events = events.iter().map(|said| (said.at, event(&world, &setup, said))).collect();
    (drive, events)
}

struct Cost {
    micros: f64,
    wakes: f64,
    outputs: f64,
}

fn measure(case: Case) -> Cost {
    let (drive, events) = prepared(case, READINGS);
    let mut best = Cost { micros: f64::INFINITY, wakes: 0.0, outputs: 0.0 };
    for _ in 0..ROUNDS {
        let mut drive = drive.clone();
        (drive.wakes, drive.outputs) = (0, 0);
        let events = events.clone();
        let began = Instant::now();
        for (at, event) in events {
            drive.take(at, event);
        }
        let micros = began.elapsed().as_secs_f64() * 1e6 / READINGS as f64;
        let each = |count: u64| count as f64 / READINGS as f64;
        best = Cost {
            micros: micros.min(best.micros),
            wakes: each(drive.wakes),
            outputs: each(drive.outputs),
        };
    }
    best
}

fn table() {
    println!("{:18} {:>12} {:>12} {:>12} {:>8}", "", "us/reading", "wakes", "outputs", "ratio");
    let mut unit = None;
    for case in CASES {
        let cost = measure(case);
        let unit = *unit.get_or_insert(cost.micros);
        println!(
            "{:18} {:12.2} {:12.2} {:12.2} {:8.3}",
            case.name,
            cost.micros,
            cost.wakes,
            cost.outputs,
            cost.micros / unit
        );
    }
}

/// Writes what a full plant says in so many days, as CSV, and its settings. Gives the lines.
fn write_year(dir: &Path, days: i64) -> std::io::Result<u64> {
    std::fs::write(dir.join("year.toml"), world::settings_text(Size::Full))?;
    let mut csv = BufWriter::new(File::create(dir.join("year.csv"))?);
    writeln!(csv, "time,sensor,value")?;
    let mut world = World::new(Size::Full);
    let mut lines = 0;
    loop {
        let said = world.next();
        if said.at > days * 86_400_000 {
            break;
        }
        if let What::Reading(probe, value) = said.what {
            lines += 1;
            writeln!(csv, "{},{},{value}", EPOCH + said.at, world.probes[probe].id)?;
        }
    }
    csv.flush()?;
    Ok(lines)
}

fn replay(days: i64) -> Result<(), Box<dyn std::error::Error>> {
    let dir = tempfile::tempdir()?;
    let lines = write_year(dir.path(), days)?;
    let args = permeated::cmd::replay::Args {
        config: Vec::new(),
        plant: None,
        input: Some(dir.path().join("year.csv")),
        journal: None,
        compare: false,
        all: false,
        only: Vec::new(),
    };
    let settings = world::settings(Size::Full);
    let mut out = BufWriter::new(File::create(dir.path().join("out.jsonl"))?);
    let began = Instant::now();
    let summary = permeated::cmd::replay::replay(&args, &settings, &mut out)?;
    out.flush()?;
    let secs = began.elapsed().as_secs_f64();
    println!(
        "{days} days, {lines} readings, {} outputs: {secs:.1} s, {:.2} us/reading",
        summary.outputs,
        secs * 1e6 / lines as f64
    );
    Ok(())
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).filter(|arg| !arg.starts_with("--")).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    match args.as_slice() {
        [] => table(),
        ["year", dir] => println!("{} readings", write_year(Path::new(dir), 365)?),
        ["year", dir, days] => println!("{} readings", write_year(Path::new(dir), days.parse()?)?),
        ["replay"] => replay(365)?,
        ["replay", days] => replay(days.parse()?)?,
        ["count", case, readings] => {
            let case = CASES.into_iter().find(|one| one.name == *case).ok_or("no such case")?;
            let (mut drive, events) = prepared(case, readings.parse()?);
            for (at, event) in events {
                drive.take(at, event);
            }
            assert!(drive.outputs > 0, "nothing came out");
        }
        other => return Err(format!("unknown: {other:?}; see tests/bench/engine.rs").into()),
    }
    Ok(())
}
