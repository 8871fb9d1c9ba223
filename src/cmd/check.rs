//! `permeated check`: offline, every problem at once; then what the plant will know, what closes
//! what and how fast, and what closes the valve when something dies.
//!
//! Absent on purpose: any connection. What is printed follows from the settings alone.

mod deaths;
mod rests;
pub mod scenarios;

use crate::engine::alarm::household;
use crate::engine::catalogue::{ALARMS, Class};
use crate::engine::causes;
use crate::engine::setup::Setup;
use crate::engine::time::Span;
use crate::settings::load::{self, Loaded};
use crate::settings::problem::Problems;
use crate::settings::schema::{Role, Settings};
use crate::settings::secrets;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Exit code for settings that cannot be used (sysexits.h, `EX_CONFIG`).
pub const EXIT_SETTINGS: u8 = 78;

/// Width of what is printed, in characters.
const WIDTH: usize = 100;

/// Arguments of `check`.
#[derive(Clone, Debug, clap::Args)]
pub struct Args {
    /// Settings file; may be given several times, later ones win.
    #[arg(long = "config", value_name = "FILE", default_value = load::DEFAULT_FILE)]
    pub config: Vec<PathBuf>,
    /// Everything: each value and what it rests on, what each delay consists of, each alarm with its
    /// time to respond.
    #[arg(long)]
    pub full: bool,
    /// What-must-happen tests of your own, played through the engine; may be given several times.
    /// Ends with 1 when something did not happen as expected.
    #[arg(long, value_name = "FILE")]
    pub scenarios: Vec<PathBuf>,
}

/// Runs the command: problems to stderr, the rest to stdout.
pub fn run(args: &Args) -> ExitCode {
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    match judge(&args.config, load::environment(), credentials.as_deref()) {
        Ok((loaded, problems)) => {
            if !args.scenarios.is_empty() {
                return play(&args.scenarios, &loaded.settings);
            }
            if !problems.0.is_empty() {
                eprintln!("{problems}\n");
            }
            print!("{}", render(&loaded.settings, args.full));
            ExitCode::SUCCESS
        }
        Err(problems) => {
            eprintln!("{problems}");
            ExitCode::from(EXIT_SETTINGS)
        }
    }
}

/// Plays files of scenarios: problems to stderr, results to stdout.
fn play(files: &[PathBuf], settings: &Settings) -> ExitCode {
    let mut code = 0;
    for file in files {
        match scenarios::run(file, settings) {
            Ok(outcome) => {
                print!("{}", outcome.report);
                code = code.max(u8::from(outcome.failed > 0));
            }
            Err(problems) => {
                eprintln!("{problems}");
                code = EXIT_SETTINGS;
            }
        }
    }
    ExitCode::from(code)
}

/// Reads and judges everything that can be judged offline, files of secrets included.
///
/// # Errors
/// Every problem at once, when one of them keeps the daemon from starting.
pub fn judge(
    files: &[PathBuf],
    environment: impl Iterator<Item = (String, String)>,
    credentials: Option<&Path>,
) -> Result<(Loaded, Problems), Problems> {
    let loaded = load::load(files, environment)?;
    let mut problems = Problems(loaded.warnings.clone());
    problems.0.extend(secrets::check(&loaded.settings, credentials, &loaded.sources));
    if problems.are_fatal() { Err(problems) } else { Ok((loaded, problems)) }
}

/// Writing to a `String` cannot fail.
macro_rules! line {
    ($page:expr) => { $page.push('\n'); };
    ($page:expr, $($args:tt)*) => { let _ = writeln!($page, $($args)*); };
}
use line;

/// What `check` tells about settings that are in order: one screen, or everything.
pub fn render(settings: &Settings, full: bool) -> String {
    let mut page = String::new();
    for (id, plant) in &settings.plants {
        let setup = Setup::resolve(
            id,
            plant,
            settings.daemon.on_stop,
            settings.broker.guard_keep_alive_secs,
        );
        let name = if plant.name.is_empty() { id } else { &plant.name };
        line!(page, "PLANT {id} ({name})");
        if full {
            rests::render(&setup, &mut page);
        }
        cause_and_effect(&setup, full, &mut page);
        if full {
            deaths::render(&setup, settings, &mut page);
            responses(&mut page);
        } else {
            deaths::summary(&setup, &mut page);
            rests::summary(&setup, &mut page);
        }
        line!(page);
    }
    if full {
        cautions(&mut page);
    } else {
        line!(
            page,
            "No software replaces a mechanical float valve, a pressure limiter and a drain pan."
        );
        line!(page, "`permeated check --full` tells what each figure rests on.");
    }
    page
}

/// The alarms with the time that a person has.
fn responses(page: &mut String) {
    line!(
        page,
        "\n  Alarms, and how long a person has to respond (a stop: or until the store is empty)"
    );
    for class in [Class::Now, Class::Today, Class::Soon] {
        let names: Vec<&str> =
            ALARMS.iter().filter(|row| row.class == class).map(|row| row.name).collect();
        let within = household::respond_within(class);
        let within = match within.days() {
            days if days >= 1.0 => format!("{days:.0} d"),
            _ => format!("{:.0} min", within.minutes()),
        };
        wrapped(page, 4, &format!("{} ({within}): {}", class.word(), names.join(", ")));
    }
}

fn cause_and_effect(setup: &Setup, full: bool, page: &mut String) {
    line!(page, "\n  What closes what, and the longest time from the event to the command");
    if setup.actuators.is_empty() {
        line!(page, "    Nothing: there is no valve. The daemon watches and tells.");
        return;
    }
    let rows = causes::rows(setup);
    let wanted = setup.limits.guard.delay_wanted_secs;
    // Without a sensor a cause has no delay: it is not seen at all.
    let (own, others): (Vec<_>, Vec<_>) =
        rows.iter().partition(|row| row.vote == causes::Vote::Itself);
    let (seen, blind): (Vec<_>, Vec<_>) =
        others.into_iter().partition(|row| !row.seen_by.is_empty());
    line!(page, "    {:<30} {:>8}  closes", "cause", "at most");
    for row in &seen {
        let (time, mark) = match row.worst {
            Some(worst) if worst.secs() > wanted => (seconds(worst), " !"),
            Some(worst) => (seconds(worst), ""),
            None => ("litres".into(), ""),
        };
        let closes = row.closes.join(", ");
        line!(page, "    {:<30} {time:>8}{mark:<2} {closes}", row.alarm.name());
        if full {
            let seen_by = row.seen_by.join(", ");
            let vote = row.vote.words(row.seen_by.len());
            wrapped(page, 8, &format!("seen by {seen_by}{vote}: {}", row.because));
        }
    }
    if seen.iter().any(|row| row.worst.is_some_and(|worst| worst.secs() > wanted)) {
        wrapped(
            page,
            4,
            &format!(
                "! longer than the {wanted} s of limits.guard.delay_wanted_secs; where that matters, \
                 let its sensor report more often or shorten the delay in limits"
            ),
        );
    }
    if !blind.is_empty() {
        let names: Vec<&str> = blind.iter().map(|row| row.alarm.name()).collect();
        let names = names.join(", ");
        wrapped(
            page,
            4,
            &format!("No sensor of this plant can show these, so they close nothing: {names}"),
        );
    }
    if full {
        line!(page, "\n    What the daemon sees by itself closes the same");
    }
    for row in own.iter().filter(|_| full) {
        let time = row.worst.map_or(String::new(), |worst| format!("at most {}, ", seconds(worst)));
        wrapped(page, 4, &format!("{}: {time}{}", row.alarm.name(), row.because));
    }
}

/// `13.5 s`, `5 min`.
fn seconds(span: Span) -> String {
    let secs = span.secs();
    if secs >= 600.0 { format!("{:.0} min", secs / 60.0) } else { format!("{secs:.1} s") }
}

fn cautions(page: &mut String) {
    line!(page, "WHAT NO SOFTWARE DOES FOR YOU");
    for caution in [
        "A mechanical float valve in the store, with nothing electric about it.",
        "A pressure limiter in front of the filters, set below what the housings are rated for.",
        "A drain pan under the unit, with a way out for the water.",
        "A store that is smaller than the volume that does no harm if all of it runs out.",
        "Never plumb the unit straight to the aquarium: always a store, and a person, in between.",
        "No brass, copper or zinc after the resin: pure water dissolves them.",
    ] {
        wrapped(page, 2, &format!("- {caution}"));
    }
}

/// Writes a text in lines of at most [`WIDTH`], all indented.
fn wrapped(page: &mut String, indent: usize, text: &str) {
    let margin = " ".repeat(indent);
    let mut current = String::new();
    for word in text.split_whitespace() {
        if !current.is_empty()
            && indent + current.chars().count() + 1 + word.chars().count() > WIDTH
        {
            line!(page, "{margin}{current}");
            current.clear();
        }
        if !current.is_empty() {
            current.push(' ');
        }
        current.push_str(word);
    }
    line!(page, "{margin}{current}");
}

/// The supply valve, if there is one.
fn supply_valve(setup: &Setup) -> Option<&crate::engine::setup::ActuatorSetup> {
    setup.actuators_of(Role::SupplyValve).next().map(|index| &setup.actuators[index])
}
