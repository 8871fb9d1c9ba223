//! `permeated explain`: why the valve is closed, or why an alarm stands, on one screen in plain words.
//!
//! Invariants: reads the history and nothing else, read-only, beside a running daemon or without one;
//! what the history does not hold is said and never guessed; civil times are in the user's zone.

mod look;
mod page;

use crate::edge::history::JournalError;
use crate::engine::guard::named;
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::settings::load;
use crate::settings::schema::Settings;
use jiff::tz::TimeZone;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `explain`.
#[derive(Clone, Debug, Default, clap::Args)]
pub struct Args {
    /// An alarm by its name on the bus, such as `product-tds-high`; without one: whether water may
    /// run, and why not.
    #[arg(value_name = "ALARM")]
    pub alarm: Option<String>,
    /// Settings file; may be given several times, later ones win.
    #[arg(long = "config", value_name = "FILE", default_value = load::DEFAULT_FILE)]
    pub config: Vec<PathBuf>,
    /// Which plant; may be left out when there is one.
    #[arg(long, value_name = "ID")]
    pub plant: Option<String>,
    /// State folder; default: the one of the settings.
    #[arg(long, value_name = "DIR")]
    pub state: Option<PathBuf>,
    /// As it was at a past moment: `2026-11-25 14:30` in the zone of the settings, or RFC 3339.
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
}

/// Why nothing could be explained.
#[derive(Debug, thiserror::Error)]
pub enum ExplainError {
    /// A question that cannot be asked.
    #[error("{0}")]
    Question(String),
    /// There is no history.
    #[error("there is no history in {}: no daemon has run with this state folder yet", .0.display())]
    None(PathBuf),
    /// The history cannot be read.
    #[error(
        "the history cannot be read: {0}. A daemon that starts keeps such a file aside and holds with `state-lost`"
    )]
    Journal(#[from] JournalError),
}

/// Runs the command.
pub fn run(args: &Args) -> ExitCode {
    let settings = match load::load(&args.config, load::environment()) {
        Ok(loaded) => loaded.settings,
        Err(problems) => {
            eprintln!("{problems}");
            return ExitCode::from(78);
        }
    };
    match explain(args, &settings, crate::clock::wall()) {
        Ok(text) => {
            print!("{text}");
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("permeated explain: {error}");
            ExitCode::from(match error {
                ExplainError::Question(_) => 64,
                ExplainError::None(_) => 66,
                ExplainError::Journal(_) => 74,
            })
        }
    }
}

/// What is told, seen from `now`.
///
/// # Errors
/// [`ExplainError`].
pub fn explain(
    args: &Args,
    settings: &Settings,
    now: Option<Wall>,
) -> Result<String, ExplainError> {
    let question = ExplainError::Question;
    let zone = TimeZone::get(&settings.daemon.zone)
        .map_err(|error| question(format!("daemon.zone: {error}")))?;
    let (id, plant) = super::replay::the_plant(settings, args.plant.as_deref())
        .map_err(|error| question(error.to_string()))?;
    let keep_alive = settings.broker.guard_keep_alive_secs;
    let setup = Setup::resolve(id, plant, settings.daemon.on_stop, keep_alive);
    let at = args.at.as_deref().map(|text| moment(text, &zone)).transpose().map_err(question)?;
    let wanted = args
        .alarm
        .as_deref()
        .map(|name| named(&setup, name))
        .transpose()
        .map_err(|what| question(format!("{what}; config/reference.md lists them")))?;
    let dir = args.state.as_ref().unwrap_or(&settings.daemon.state_dir);
    if !dir.join(crate::edge::history::FILE).exists() {
        return Err(ExplainError::None(dir.clone()));
    }
    let seen = look::look(dir, &setup, at, wanted)?;
    let page = page::Page { setup: &setup, zone: &zone, now, at, name: &plant.name };
    Ok(page.render(&seen, wanted))
}

/// A civil time in the zone, or an instant.
fn moment(text: &str, zone: &TimeZone) -> Result<Wall, String> {
    if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
        return Ok(Wall::from_millis(stamp.as_millisecond()));
    }
    let civil: jiff::civil::DateTime = text
        .trim()
        .replacen(' ', "T", 1)
        .parse()
        .map_err(|_| format!("'{text}' is no time; write it like \"2026-11-25 14:30\""))?;
    let stamp = zone.to_timestamp(civil).map_err(|error| error.to_string())?;
    Ok(Wall::from_millis(stamp.as_millisecond()))
}
