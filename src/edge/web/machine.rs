//! What programs read: `/healthz`, `/api/state`, `/metrics`.

use super::words;
use crate::board::{Board, Health, PlantBoard};
use crate::engine::catalogue::{Of, SignalId};
use crate::engine::output::{AlarmUpdate, Datum, ValueUpdate};
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use serde_json::{Value, json};
use std::fmt::Write as _;

/// Whether the daemon does its main job, and what keeps it from that. A database that is behind is no
/// reason: the history keeps everything.
pub fn health(board: &Board) -> (bool, Value) {
    let health = board.health();
    let mut reasons: Vec<String> = Vec::new();
    for (index, setup) in board.setups().enumerate() {
        if !board.read(index, |plant| plant.running) {
            reasons.push(format!("engine of {} not running", setup.plant));
        }
    }
    if !health.broker_ready {
        reasons.push("broker not ready".into());
    }
    if !health.history_writable {
        reasons.push("history not writable".into());
    }
    let ok = reasons.is_empty();
    (ok, json!({"ok": ok, "reasons": reasons, "daemon": daemon(&health)}))
}

fn daemon(health: &Health) -> Value {
    json!({
        "broker-ready": health.broker_ready,
        "history-writable": health.history_writable,
        "history-sequence": health.history_sequence,
        "database-behind": health.database_behind,
        "database-fault": health.database_fault,
        "database-note": health.database_note,
        "database-refused": health.database_refused,
        "bad-payloads": health.bad_payloads,
        "rate-limited": health.rate_limited,
        "lane-dropped": health.lane_dropped,
    })
}

/// The whole board.
pub fn state(board: &Board, now: Wall) -> Value {
    let plants: Vec<Value> = board
        .setups()
        .enumerate()
        .map(|(index, setup)| board.read(index, |plant| plant_state(setup, plant)))
        .collect();
    json!({
        "program": env!("CARGO_PKG_VERSION"),
        "now": now,
        "plants": plants,
        "daemon": daemon(&board.health()),
    })
}

fn plant_state(setup: &Setup, board: &PlantBoard) -> Value {
    let values: Vec<Value> =
        board.values.values().filter_map(|update| value_state(setup, update)).collect();
    let alarms: Vec<Value> =
        board.alarms.values().map(|update| alarm_state(setup, update)).collect();
    json!({
        "id": setup.plant,
        "running": board.running,
        "permit": board.permit,
        "values": values,
        "alarms": alarms,
        "log": board.log,
    })
}

/// Node, property and owner of a value; `None` for an index that is not in the setup.
fn place<'a>(
    setup: &'a Setup,
    update: &ValueUpdate,
) -> Option<(&'static str, &'static str, Option<&'a str>)> {
    let row = update.key.signal.row();
    let index = update.key.of.map(usize::from);
    Some(match row.of {
        Of::Plant => (row.node, row.property, None),
        Of::Part => (row.node, row.property, Some(setup.parts.get(index?)?.id.as_str())),
        Of::Sensor => {
            let sensor = setup.sensors.get(index?)?;
            match update.key.signal {
                SignalId::Reading => {
                    (sensor.point.word(), sensor.quantity.word(), Some(sensor.id.as_str()))
                }
                _ => (row.node, row.property, Some(sensor.id.as_str())),
            }
        }
    })
}

fn value_state(setup: &Setup, update: &ValueUpdate) -> Option<Value> {
    let (node, property, of) = place(setup, update)?;
    Some(json!({
        "node": node,
        "property": property,
        "of": of,
        "value": update.datum.as_ref().ok(),
        "absent": update.datum.as_ref().err(),
        "u": update.u,
        "quality": words::quality(update.quality()),
        "reasons": update.reasons,
        "basis": update.basis,
        "stamp": update.stamp,
    }))
}

fn owner<'a>(setup: &'a Setup, update: &AlarmUpdate) -> Option<&'a str> {
    let index = usize::from(update.key.of?);
    match update.key.alarm.row().of {
        Of::Plant => None,
        Of::Sensor => setup.sensors.get(index).map(|sensor| sensor.id.as_str()),
        Of::Part => setup.parts.get(index).map(|part| part.id.as_str()),
    }
}

fn alarm_state(setup: &Setup, update: &AlarmUpdate) -> Value {
    let row = update.key.alarm.row();
    json!({
        "alarm": row.name,
        "of": owner(setup, update),
        "state": update.state.word(),
        "active": update.active,
        "latched": update.latched,
        "since": update.since,
        "value": update.value,
        "limit": update.limit,
        "class": update.class,
        "first-out": update.first_out,
        "text": update.text,
        "under": update.under.map(|alarm| alarm.name()),
        "chattering": update.chattering,
        "respond-secs": update.respond_secs,
        "means": row.means,
        "advice": row.advice,
        "clears": crate::engine::causes::clears(setup, row.id),
    })
}

/// The plain text format of metrics (OpenMetrics' ancestor, version 0.0.4).
pub fn metrics(board: &Board) -> String {
    let mut out = String::with_capacity(8 * 1024);
    let health = board.health();
    let mut values = String::new();
    let mut alarms = String::new();
    let mut running = String::new();
    let mut permitted = String::new();
    for (index, setup) in board.setups().enumerate() {
        board.read(index, |plant| {
            let labels = [("plant", setup.plant.as_str())];
            sample(&mut running, "permeated_engine_running", &labels, yes(plant.running));
            if let Some(permit) = &plant.permit {
                sample(&mut permitted, "permeated_permitted", &labels, yes(permit.permitted));
            }
            for update in plant.values.values() {
                let Some((node, property, of)) = place(setup, update) else { continue };
                let number = match &update.datum {
                    Ok(Datum::Number(number)) => *number,
                    Ok(Datum::State { code, .. }) => f64::from(*code),
                    Ok(Datum::Flag(flag)) => yes(*flag),
                    Ok(Datum::Text(_)) | Err(_) => continue,
                };
                let labels = [
                    ("plant", setup.plant.as_str()),
                    ("node", node),
                    ("property", property),
                    ("of", of.unwrap_or("")),
                ];
                sample(&mut values, "permeated_value", &labels, number);
            }
            for update in plant.alarms.values() {
                let labels = [
                    ("plant", setup.plant.as_str()),
                    ("alarm", update.key.alarm.name()),
                    ("of", owner(setup, update).unwrap_or("")),
                ];
                sample(&mut alarms, "permeated_alarm_active", &labels, yes(update.active));
            }
        });
    }
    family(&mut out, "permeated_engine_running", "gauge", "The plant's engine runs.", &running);
    family(&mut out, "permeated_permitted", "gauge", "Water may run.", &permitted);
    family(&mut out, "permeated_value", "gauge", "A value of the tree; states are codes.", &values);
    family(&mut out, "permeated_alarm_active", "gauge", "The alarm's cause is present.", &alarms);
    let mut one = |name: &str, kind: &str, help: &str, value: f64| {
        let mut text = String::new();
        sample(&mut text, name, &[], value);
        family(&mut out, name, kind, help, &text);
    };
    one("permeated_broker_ready", "gauge", "Connected and subscribed.", yes(health.broker_ready));
    one(
        "permeated_history_writable",
        "gauge",
        "The history can be written.",
        yes(health.history_writable),
    );
    one(
        "permeated_history_sequence",
        "counter",
        "Number of the last record on disk.",
        health.history_sequence as f64,
    );
    if let Some(behind) = health.database_behind {
        one(
            "permeated_database_behind_records",
            "gauge",
            "Records that the database still lacks.",
            behind as f64,
        );
        one(
            "permeated_database_refused_lines_total",
            "counter",
            "Lines that the database refused.",
            health.database_refused as f64,
        );
    }
    for (name, help, counters) in [
        ("permeated_bad_payloads_total", "Messages that could not be read.", &health.bad_payloads),
        ("permeated_rate_limited_total", "Messages above a sensor's rate.", &health.rate_limited),
        ("permeated_lane_dropped_total", "Messages dropped when busy.", &health.lane_dropped),
    ] {
        let mut text = String::new();
        for (of, count) in counters {
            sample(&mut text, name, &[("of", of)], *count as f64);
        }
        family(&mut out, name, "counter", help, &text);
    }
    out
}

fn yes(claim: bool) -> f64 {
    if claim { 1.0 } else { 0.0 }
}

fn family(out: &mut String, name: &str, kind: &str, help: &str, samples: &str) {
    if !samples.is_empty() {
        let _ = write!(out, "# HELP {name} {help}\n# TYPE {name} {kind}\n{samples}");
    }
}

fn sample(out: &mut String, name: &str, labels: &[(&str, &str)], value: f64) {
    out.push_str(name);
    let shown: Vec<String> = labels
        .iter()
        .filter(|(_, value)| !value.is_empty())
        .map(|(name, value)| {
            let safe = value.replace('\\', "\\\\").replace('"', "\\\"").replace('\n', "\\n");
            format!("{name}=\"{safe}\"")
        })
        .collect();
    if !shown.is_empty() {
        let _ = write!(out, "{{{}}}", shown.join(","));
    }
    let _ = writeln!(out, " {value}");
}
