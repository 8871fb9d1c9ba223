//! Arguments of all commands, from one definition.

use clap::{Parser, Subcommand};
use std::path::PathBuf;
use std::process::ExitCode;

/// Watches a home reverse-osmosis and deionisation plant over MQTT: cleans its readings, computes,
/// records, and guards the supply valve.
#[derive(Debug, Parser)]
#[command(name = "permeated", version, about)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon.
    Run(RunArgs),
    /// Check the settings without touching anything.
    Check(crate::cmd::check::Args),
    /// Say why the valve is closed or an alarm stands, from the history.
    Explain(crate::cmd::explain::Args),
    /// Send a recorded day, or the journal, through the very same engine.
    #[command(after_help = crate::cmd::replay::FORMATS)]
    Replay(crate::cmd::replay::Args),
    /// Write out everything that the journal holds.
    Export(crate::cmd::export::Args),
    /// Show the whole thing on this machine: broker, virtual plant, real daemon.
    Demo(crate::cmd::demo::Args),
    /// Run a small MQTT broker.
    #[cfg(feature = "broker")]
    Broker(crate::broker::Args),
}

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct RunArgs {
    /// Settings file; may be given several times, later ones win.
    #[arg(long = "config", required = true, value_name = "FILE")]
    pub config: Vec<PathBuf>,
}

/// Runs the command.
pub fn main() -> ExitCode {
    match Cli::parse().command {
        Command::Run(args) => run(&args),
        Command::Check(args) => crate::cmd::check::run(&args),
        Command::Explain(args) => crate::cmd::explain::run(&args),
        Command::Replay(args) => crate::cmd::replay::run(&args),
        Command::Export(args) => crate::cmd::export::run(&args),
        Command::Demo(args) => crate::cmd::demo::run(&args),
        #[cfg(feature = "broker")]
        Command::Broker(args) => crate::broker::run(&args),
    }
}

fn run(args: &RunArgs) -> ExitCode {
    log_to_stderr();
    let credentials = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
    let environment = crate::settings::load::environment();
    let loaded = match crate::cmd::check::judge(&args.config, environment, credentials.as_deref()) {
        Ok((loaded, warnings)) => {
            for warning in &warnings.0 {
                tracing::warn!("{warning}");
            }
            loaded
        }
        Err(problems) => {
            eprintln!("{problems}");
            return ExitCode::from(78);
        }
    };
    match crate::app::run(loaded.settings) {
        Ok(code) => code,
        Err(error) => {
            eprintln!("permeated: {error}");
            error.exit_code()
        }
    }
}

/// Logs go to stderr; `RUST_LOG` chooses what.
fn log_to_stderr() {
    let filter = tracing_subscriber::EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| tracing_subscriber::EnvFilter::new("info"));
    // A log that cannot be written (a file on a full disk) is told nobody: its own complaint would go
    // to the same place and panic there, in the journal's thread or an engine's.
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .log_internal_errors(false)
        .init();
}
