//! `permeated export`: everything that the journal holds, as CSV or JSON lines.
//!
//! Invariants: records leave in the order of their numbers, once each; numbers are written so that
//! they read back exactly; memory does not grow with the journal; the daemon may run meanwhile.

use crate::edge::history::{Body, JournalError, Names, PlantNo, Reader, Record, RunMark};
use crate::engine::catalogue::Of;
use crate::engine::event::Event;
use crate::engine::output::{Datum, Output};
use crate::engine::time::Wall;
use crate::settings::schema::Settings;
use clap::ValueEnum;
use serde::Serialize;
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `export`.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// Settings file, for the state folder and the units; may be given several times.
    #[arg(long = "config", value_name = "FILE", required_unless_present = "state")]
    pub config: Vec<PathBuf>,
    /// State folder; default: the one of the settings.
    #[arg(long, value_name = "DIR")]
    pub state: Option<PathBuf>,
    /// How it is written.
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    pub format: Format,
    /// Only this plant.
    #[arg(long, value_name = "ID")]
    pub plant: Option<String>,
    /// Not before this time (RFC 3339).
    #[arg(long, value_name = "TIME")]
    pub from: Option<jiff::Timestamp>,
    /// Before this time (RFC 3339).
    #[arg(long, value_name = "TIME")]
    pub to: Option<jiff::Timestamp>,
    /// What.
    #[arg(long, value_enum, default_value_t = What::All)]
    pub what: What,
}

/// How it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// Comma-separated values with a header (RFC 4180).
    Csv,
    /// One JSON object a line.
    Jsonl,
}

/// What is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// What the sensors said, as it came.
    Readings,
    /// What the daemon made of it.
    Values,
    /// Alarms and log entries.
    Log,
    /// All of it, with commands, permits and everything else that happened.
    All,
}

/// Why an export could not be done.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The journal cannot be read.
    #[error("{0}")]
    Journal(#[from] JournalError),
    /// There is no such plant in the journal.
    #[error("the journal knows no plant '{0}'")]
    Plant(String),
    /// Nobody takes the output.
    #[error("output: {0}")]
    Output(#[from] std::io::Error),
}

/// What an export came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Summary {
    /// Lines written, without the header.
    pub lines: u64,
    /// Damaged rows that were passed over.
    pub damaged: u64,
}

/// One line. Fields that do not apply are left out (JSON) or empty (CSV).
#[derive(Debug, Default, Serialize)]
struct Line {
    /// Record number.
    seq: u64,
    plant: String,
    /// `reading`, `no-reading`, `value`, `alarm`, `log`, `permit`, `send`, `event`, `run`, `unknown`.
    kind: &'static str,
    /// Sensor id, `node/property`, alarm name, kind of log entry, actuator id, kind of event.
    #[serde(skip_serializing_if = "String::is_empty")]
    name: String,
    /// The sensor or part, where there are several.
    #[serde(skip_serializing_if = "String::is_empty")]
    of: String,
    /// When the daemon took it.
    #[serde(skip_serializing_if = "Option::is_none")]
    time: Option<String>,
    /// When it arrived; for values their stamp, for alarms since when.
    #[serde(skip_serializing_if = "Option::is_none")]
    stamp: Option<String>,
    /// The sensor's own time.
    #[serde(skip_serializing_if = "Option::is_none")]
    device_time: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    value: Option<f64>,
    /// A word or a text instead of a number; why there is no value.
    #[serde(skip_serializing_if = "String::is_empty")]
    word: String,
    #[serde(skip_serializing_if = "str::is_empty")]
    unit: &'static str,
    /// Standard uncertainty.
    #[serde(skip_serializing_if = "Option::is_none")]
    u: Option<f64>,
    /// `good`, `suspect`, `assumed`, `absent`.
    #[serde(skip_serializing_if = "String::is_empty")]
    quality: String,
    /// Why it is not good.
    #[serde(skip_serializing_if = "String::is_empty")]
    reasons: String,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    retained: bool,
    /// Everything else.
    #[serde(skip_serializing_if = "serde_json::Value::is_null")]
    detail: serde_json::Value,
}

const HEADER: &str = "seq,plant,kind,name,of,time,stamp,device_time,value,word,unit,u,quality,\
                      reasons,retained,detail\r\n";

/// Runs the command.
pub fn run(args: &Args) -> ExitCode {
    let settings = match args.config.is_empty() {
        true => Settings::default(),
        false => {
            match crate::settings::load::load(&args.config, crate::settings::load::environment()) {
                Ok(loaded) => loaded.settings,
                Err(problems) => {
                    eprintln!("{problems}");
                    return ExitCode::from(78);
                }
            }
        }
    };
    let mut out = BufWriter::new(std::io::stdout().lock());
    let result = export(args, &settings, &mut out);
    match result.and_then(|summary| Ok(out.flush().map(|()| summary)?)) {
        Ok(summary) => {
            eprintln!("{} lines", summary.lines);
            if summary.damaged > 0 {
                eprintln!("{} damaged rows of the journal were passed over", summary.damaged);
            }
            ExitCode::SUCCESS
        }
        Err(ExportError::Output(error)) if error.kind() == std::io::ErrorKind::BrokenPipe => {
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("permeated export: {error}");
            ExitCode::from(match error {
                ExportError::Plant(_) => 64,
                ExportError::Journal(_) => 66,
                ExportError::Output(_) => 74,
            })
        }
    }
}

/// Writes what was asked for to `out`.
///
/// # Errors
/// [`ExportError`].
pub fn export(
    args: &Args,
    settings: &Settings,
    out: &mut dyn Write,
) -> Result<Summary, ExportError> {
    const STEP: usize = 1000;
    let dir = args.state.as_ref().unwrap_or(&settings.daemon.state_dir);
    let mut reader = Reader::open(dir)?;
    let plants: BTreeMap<PlantNo, String> = reader.plants()?.into_iter().collect();
    if let Some(wanted) = &args.plant
        && !plants.values().any(|id| id == wanted)
    {
        return Err(ExportError::Plant(wanted.clone()));
    }
    let millis = |at: jiff::Timestamp| Wall::from_millis(at.as_millisecond());
    let (from, to) = (args.from.map(millis), args.to.map(millis));
    let mut names: BTreeMap<PlantNo, (u64, Names)> = BTreeMap::new();
    let mut summary = Summary::default();
    if args.format == Format::Csv {
        out.write_all(HEADER.as_bytes())?;
    }
    // By number and not by time: a clock that was set back then loses nothing and doubles nothing.
    let mut next = 1;
    loop {
        let records = reader.records(next, STEP)?;
        let Some(last) = records.last() else { break };
        next = last.seq + 1;
        for record in records {
            let Some(plant) = plants.get(&record.plant) else { continue };
            if args.plant.as_ref().is_some_and(|wanted| wanted != plant)
                || !is_wanted(&record.body, args.what)
                || !is_between(record.now.wall, from, to)
            {
                continue;
            }
            let stale = names.get(&record.plant).is_none_or(|(until, _)| record.seq >= *until);
            if stale {
                let until = reader.names_change_after(record.plant, record.seq)?;
                let then = reader.names_at(record.plant, record.seq)?.unwrap_or_default();
                names.insert(record.plant, (until.unwrap_or(u64::MAX), then));
            }
            let Some((_, then)) = names.get(&record.plant) else { continue };
            let line = line(record, plant, then, settings);
            match args.format {
                Format::Csv => write_csv(out, &line)?,
                Format::Jsonl => {
                    serde_json::to_writer(&mut *out, &line).map_err(std::io::Error::from)?;
                    out.write_all(b"\n")?;
                }
            }
            summary.lines += 1;
        }
    }
    summary.damaged = reader.skipped();
    Ok(summary)
}

fn is_wanted(body: &Body, what: What) -> bool {
    match what {
        What::All => true,
        What::Readings => {
            matches!(body, Body::Event(Event::Reading(_) | Event::NoReading { .. }))
        }
        What::Values => matches!(body, Body::Output(Output::Value(_))),
        What::Log => matches!(body, Body::Output(Output::Alarm(_) | Output::Log(_))),
    }
}

/// What was recorded while the clock was not sane has no time; only an export without limits has it.
fn is_between(wall: Option<Wall>, from: Option<Wall>, to: Option<Wall>) -> bool {
    match wall {
        Some(wall) => from.is_none_or(|from| wall >= from) && to.is_none_or(|to| wall < to),
        None => from.is_none() && to.is_none(),
    }
}

fn rfc3339(wall: Option<Wall>) -> Option<String> {
    let at = jiff::Timestamp::from_millisecond(wall?.millis()).ok()?;
    Some(format!("{at:.3}"))
}

/// A serde enum's word.
fn word(value: &impl Serialize) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        Ok(other) => other.to_string(),
        Err(_) => String::new(),
    }
}

fn name_of(names: &[String], index: usize) -> String {
    names.get(index).cloned().unwrap_or_else(|| format!("#{index}"))
}

fn owner(of: Of, index: Option<u16>, names: &Names) -> String {
    match (of, index.map(usize::from)) {
        (Of::Sensor, Some(index)) => name_of(&names.sensors, index),
        (Of::Part, Some(index)) => name_of(&names.parts, index),
        (Of::Plant, _) | (_, None) => String::new(),
    }
}

fn line(record: Record, plant: &str, names: &Names, settings: &Settings) -> Line {
    let mut line = Line {
        seq: record.seq,
        plant: plant.to_owned(),
        time: rfc3339(record.now.wall),
        ..Line::default()
    };
    // Unit of a sensor, if the settings still know it.
    let unit = |sensor: &str| {
        let settings = settings.plants.get(plant).and_then(|plant| plant.sensors.get(sensor));
        settings.and_then(|sensor| sensor.quantity).map_or("", |what| what.canonical_unit())
    };
    match record.body {
        Body::Event(Event::Reading(reading)) => {
            line.kind = "reading";
            line.name = name_of(&names.sensors, reading.sensor);
            line.unit = unit(&line.name);
            line.value = Some(reading.value);
            line.stamp = rfc3339(reading.arrived);
            line.device_time = rfc3339(reading.stamp);
            line.retained = reading.retained;
        }
        Body::Event(Event::NoReading { sensor, reason }) => {
            line.kind = "no-reading";
            line.name = name_of(&names.sensors, sensor);
            line.word = word(&reason);
        }
        Body::Event(event) => {
            line.kind = "event";
            line.detail = serde_json::to_value(&event).unwrap_or_default();
            if let Some(kind) = line.detail.get("e").and_then(|kind| kind.as_str()) {
                line.name = kind.to_owned();
            }
        }
        Body::Output(Output::Value(update)) => {
            let row = update.key.signal.row();
            line.kind = "value";
            line.of = owner(row.of, update.key.of, names);
            line.name = match row.node {
                "" => "reading".to_owned(),
                node => format!("{node}/{}", row.property),
            };
            line.stamp = rfc3339(update.stamp);
            line.quality = word(&update.quality());
            line.reasons = update.reasons.iter().map(word).collect::<Vec<_>>().join(" ");
            line.u = update.u;
            match update.datum {
                Ok(Datum::Number(number)) => line.value = Some(number),
                Ok(Datum::State { code, word }) => {
                    line.value = Some(f64::from(code));
                    line.word = word.into_owned();
                }
                Ok(Datum::Flag(flag)) => line.value = Some(f64::from(u8::from(flag))),
                Ok(Datum::Text(text)) => line.word = text,
                Err(reason) => line.word = word(&reason),
            }
        }
        Body::Output(Output::Alarm(update)) => {
            line.kind = "alarm";
            line.name = update.key.alarm.name().to_owned();
            line.of = owner(update.key.alarm.row().of, update.key.of, names);
            line.stamp = rfc3339(update.since);
            line.word = update.state.word().to_owned();
            line.value = update.value;
            line.detail = serde_json::json!({
                "text": update.text,
                "limit": update.limit,
                "active": update.active,
                "latched": update.latched,
                "class": update.class.word(),
                "first_out": update.first_out,
            });
        }
        Body::Output(Output::Log(entry)) => {
            line.kind = "log";
            line.name = entry.kind.into_owned();
            line.stamp = rfc3339(entry.at);
            line.word = entry.text;
            line.detail = entry.data;
        }
        Body::Output(Output::Send(send)) => {
            line.kind = "send";
            line.name = name_of(&names.actuators, send.actuator);
            line.word = word(&send.action);
            line.detail = serde_json::json!({ "attempt": send.attempt });
        }
        Body::Output(output) => {
            line.kind = match output {
                Output::Permit(_) => "permit",
                _ => "output",
            };
            line.detail = serde_json::to_value(&output).unwrap_or_default();
        }
        Body::Run(mark) => {
            line.kind = "run";
            line.name = match &mark {
                RunMark::Started { .. } => "started",
                RunMark::Stopped => "stopped",
                RunMark::Dropped { .. } => "dropped",
            }
            .to_owned();
            line.detail = serde_json::to_value(&mark).unwrap_or_default();
        }
        Body::Unknown { kind, value } => {
            line.kind = "unknown";
            line.name = kind;
            line.detail = value;
        }
    }
    line
}

fn write_csv(out: &mut dyn Write, line: &Line) -> std::io::Result<()> {
    // `{:?}` is the shortest form that reads back exactly.
    let number = |value: Option<f64>| value.map(|value| format!("{value:?}")).unwrap_or_default();
    let detail = match line.detail.is_null() {
        true => String::new(),
        false => line.detail.to_string(),
    };
    let fields: [&str; 16] = [
        &line.seq.to_string(),
        &line.plant,
        line.kind,
        &line.name,
        &line.of,
        line.time.as_deref().unwrap_or_default(),
        line.stamp.as_deref().unwrap_or_default(),
        line.device_time.as_deref().unwrap_or_default(),
        &number(line.value),
        &line.word,
        line.unit,
        &number(line.u),
        &line.quality,
        &line.reasons,
        if line.retained { "true" } else { "" },
        &detail,
    ];
    for (index, field) in fields.iter().enumerate() {
        if index > 0 {
            out.write_all(b",")?;
        }
        if field.contains(['"', ',', '\n', '\r']) {
            write!(out, "\"{}\"", field.replace('"', "\"\""))?;
        } else {
            out.write_all(field.as_bytes())?;
        }
    }
    out.write_all(b"\r\n")
}
