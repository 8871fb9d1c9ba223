//! Boards with invented values: a plant that is well, one with spoiled product, one that waits.

use permeated::board::Board;
use permeated::engine::catalogue::{AlarmId, Class, SignalId};
use permeated::engine::output::{
    AlarmKey, AlarmState, AlarmUpdate, Datum, LogEntry, Missing, Output, Permit, ValueKey,
    ValueUpdate,
};
use permeated::engine::phase::Phase;
use permeated::engine::plots::Plots;
use permeated::engine::setup::Setup;
use permeated::engine::time::{Span, Wall};
use permeated::engine::value::{Basis, Flag, NoReading, Reason};
use permeated::settings::schema::{OnStop, Part, PartKind, Plant, Point, Sensor};
use permeated::units::Quantity;
use std::sync::Arc;

pub fn now() -> Wall {
    let millis = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .expect("after 1970")
        .as_millis();
    Wall::from_millis(i64::try_from(millis).expect("this century"))
}

fn ago(secs: i64) -> Wall {
    now() + Span::from_secs(-secs)
}

/// A full plant.
pub fn setup() -> Arc<Setup> {
    let mut plant = Plant { name: "Water & co.".to_owned(), ..Plant::default() };
    for (id, quantity, point, unit) in [
        ("supply-pressure", Quantity::Pressure, Point::Supply, "bar"),
        ("supply-meter", Quantity::Pulses, Point::Supply, ""),
        ("feed-tds", Quantity::Tds, Point::Feed, "ppm"),
        ("feed-pressure", Quantity::Pressure, Point::Feed, "bar"),
        ("feed-temperature", Quantity::Temperature, Point::Feed, "C"),
        ("concentrate-flow", Quantity::Flow, Point::Concentrate, "L/min"),
        ("permeate-tds", Quantity::Tds, Point::Permeate, "ppm"),
        ("permeate-flow", Quantity::Flow, Point::Permeate, "L/min"),
        ("between-tds", Quantity::Tds, Point::Between, "ppm"),
        ("product-tds", Quantity::Tds, Point::Product, "ppm"),
        ("store-level", Quantity::Level, Point::Store, "L"),
        ("store-float", Quantity::Full, Point::Store, ""),
        ("floor", Quantity::Leak, Point::Room, ""),
        ("valve", Quantity::Open, Point::Supply, ""),
    ] {
        plant.sensors.insert(
            id.into(),
            Sensor {
                topic: format!("t/{id}"),
                quantity: Some(quantity),
                point: Some(point),
                unit: unit.into(),
                ..Sensor::default()
            },
        );
    }
    for (id, kind, position) in [("resin-a", PartKind::Mixed, 1), ("resin-b", PartKind::Mixed, 2)] {
        plant.parts.insert(
            id.into(),
            Part { kind: Some(kind), position, bed_litres: 0.7, ..Part::default() },
        );
    }
    Arc::new(Setup::resolve("cellar", &plant, OnStop::Close, 5))
}

struct Filler<'a> {
    board: &'a Board,
    setup: Arc<Setup>,
}

impl Filler<'_> {
    fn put(&self, key: ValueKey, datum: Result<Datum, NoReading>, u: Option<f64>) -> ValueUpdate {
        let update = ValueUpdate {
            key,
            datum,
            u,
            flag: Flag::Good,
            reasons: Vec::new(),
            basis: Basis::Measured,
            stamp: Some(ago(2)),
            store: true,
        };
        self.board.note(0, &Output::Value(update.clone()));
        update
    }

    fn sensor(&self, id: &str, value: f64, u: f64) -> ValueUpdate {
        let ix = self.setup.sensors.iter().position(|sensor| sensor.id == id).expect("known");
        let of = Some(u16::try_from(ix).expect("few"));
        let key = ValueKey { signal: SignalId::Reading, of };
        self.put(key, Ok(Datum::Number(value)), Some(u))
    }

    fn value(&self, signal: SignalId, of: Option<u16>, value: f64, u: f64) -> ValueUpdate {
        self.put(ValueKey { signal, of }, Ok(Datum::Number(value)), Some(u))
    }

    fn absent(&self, signal: SignalId, reason: NoReading) {
        self.put(ValueKey { signal, of: None }, Err(reason), None);
    }

    fn again(&self, update: ValueUpdate) {
        self.board.note(0, &Output::Value(update));
    }

    fn word(&self, signal: SignalId, code: u16, word: &'static str) {
        let datum = Ok(Datum::State { code, word: word.into() });
        self.put(ValueKey { signal, of: None }, datum, None);
    }

    fn text(&self, signal: SignalId, text: &str) {
        self.put(ValueKey { signal, of: None }, Ok(Datum::Text(text.into())), None);
    }

    fn log(&self, secs: i64, kind: &'static str, text: &str) {
        self.board.note(
            0,
            &Output::Log(LogEntry {
                at: Some(ago(secs)),
                kind: kind.into(),
                text: text.into(),
                data: serde_json::Value::Null,
                protective: false,
            }),
        );
    }
}

fn permit(permitted: bool, missing: Vec<Missing>, valve: &'static str) -> Permit {
    Permit {
        permitted,
        since: Some(ago(754)),
        first_cause: missing.first().map(|one| one.cause.clone()),
        missing,
        valve: valve.into(),
        sequence: 812,
        valid_until: Some(now() + Span::from_secs(600)),
        valid_secs: None,
        remarks: Vec::new(),
    }
}

/// What two months would have left to be drawn.
fn plots() -> Plots {
    let starts: Vec<_> = (0..60)
        .map(|day| {
            let wobble = f64::from(day * 7 % 11);
            serde_json::json!({
                "began": ago(86_400 * i64::from(60 - day) - 900).millis(), "peak": 55.0 + wobble, "settled": 7.4 + 0.02 * f64::from(day) + 0.05 * wobble,
                "settled_u": 0.3, "extra": 34.0 + 1.4 * wobble,
            })
        })
        .collect();
    let points: Vec<(f64, f64)> = (0..120)
        .map(|at| 9.0 * f64::from(at))
        .map(|secs| (secs, (8.4 + 52.0 * (-secs / 240.0f64).exp()).round()))
        .collect();
    let today = now().millis() / 86_400_000;
    let daily = |signal: SignalId, of: Option<u16>, value: &dyn Fn(f64) -> f64| {
        let points: Vec<(i64, f64)> = (0..60)
            // A holiday.
            .filter(|day| !(20..38).contains(day))
            .map(|day| (today - 60 + day, value(day as f64)))
            .collect();
        serde_json::json!({ "key": ValueKey { signal, of }, "points": points })
    };
    let days = vec![
        daily(SignalId::Rejection, None, &|day| 0.973 - 0.00004 * day),
        daily(SignalId::PermeateFlowNormalised, None, &|day| 0.212 - 0.0003 * day),
        daily(SignalId::ResinUsed, Some(0), &|day| 0.004 * day),
        daily(SignalId::ResinCapacity, Some(0), &|_| 0.35),
        daily(SignalId::ResinUsed, Some(1), &|day| 0.00005 * day),
        daily(SignalId::ResinCapacity, Some(1), &|_| 0.35),
    ];
    serde_json::from_value(serde_json::json!({
        "curve": { "began": ago(60_000).millis(), "points": points, "every": 0.0 },
        "starts": starts, "days": days,
    }))
    .expect("the form of the plots")
}

/// Water flows and all is well.
pub fn well() -> Board {
    let setup = setup();
    let board = Board::new(&[Arc::clone(&setup)]);
    let fill = Filler { board: &board, setup };
    fill.sensor("supply-pressure", 3.94, 0.05);
    fill.sensor("supply-meter", 12_653.4, 126.5);
    fill.sensor("feed-tds", 302.0, 9.1);
    fill.sensor("feed-pressure", 3.62, 0.05);
    fill.sensor("feed-temperature", 14.3, 0.3);
    fill.sensor("concentrate-flow", 0.472, 0.014);
    fill.sensor("permeate-tds", 8.6, 0.39);
    fill.sensor("permeate-flow", 0.158, 0.005);
    let between = fill.sensor("between-tds", 0.4, 0.3);
    fill.again(ValueUpdate {
        flag: Flag::Suspect,
        reasons: vec![Reason::FlatLine, Reason::Resolution],
        ..between
    });
    fill.sensor("product-tds", 0.0, 0.3);
    fill.sensor("store-level", 41.3, 0.8);
    fill.sensor("store-float", 0.0, 0.0);
    fill.sensor("floor", 0.0, 0.0);
    fill.sensor("valve", 1.0, 0.0);
    fill.word(SignalId::Phase, Phase::Producing.code(), "producing");
    fill.value(SignalId::RunTime, None, 1_204_560.0, 0.0);
    fill.value(SignalId::Starts, None, 391.0, 0.0);
    fill.value(SignalId::PermeateLitres, None, 3_172.4, 31.0);
    fill.value(SignalId::ConcentrateLitres, None, 9_481.0, 95.0);
    fill.value(SignalId::Rejection, None, 0.9715, 0.0016);
    fill.value(SignalId::SaltPassage, None, 0.0285, 0.0016);
    fill.value(SignalId::Recovery, None, 0.251, 0.009);
    fill.value(SignalId::ConcentrateRatio, None, 2.99, 0.13);
    let assumed = fill.value(SignalId::NetDrivingPressure, None, 3.31, 0.12);
    fill.again(ValueUpdate { basis: Basis::Assumed, ..assumed });
    fill.absent(SignalId::SaltPassageNormalised, NoReading::NotConfigured);
    fill.value(SignalId::CreepPeak, None, 61.0, 1.9);
    fill.value(SignalId::CreepSettled, None, 8.41, 0.39);
    fill.value(SignalId::CreepSettleVolume, None, 2.4, 0.2);
    fill.value(SignalId::CreepSettleTime, None, 912.0, 5.0);
    fill.value(SignalId::CreepExtraSalt, None, 41.7, 2.2);
    for (of, used, left) in [(0, 0.2412, 231.0), (1, 0.0031, 1_460.0)] {
        fill.value(SignalId::ResinUsed, Some(of), used, 0.0121);
        fill.value(SignalId::ResinCapacity, Some(of), 0.35, 0.1);
        fill.value(SignalId::ResinRemainingLitres, Some(of), left, left * 0.3);
        fill.value(SignalId::ResinRemainingDays, Some(of), left / 9.0, left / 30.0);
    }
    fill.value(SignalId::StoreFree, None, 18.7, 0.8);
    let start_by = now() + Span::from_secs(3 * 86_400);
    fill.value(SignalId::StoreStartBy, None, start_by.millis() as f64 / 1000.0, 0.0);
    fill.word(SignalId::SupplyValve, 1, "open");
    fill.text(SignalId::TrippedBy, "none");
    fill.value(SignalId::WorstDelay, None, 19.4, 0.0);
    fill.log(86_400, "service", "part changed: resin-b");
    fill.log(1_812, "answer", "reset of product-tds-high accepted: the test run ended pure");
    fill.log(760, "phase", "starting");
    fill.log(754, "open", "supply valve: permitted and asked for by the hub");
    fill.log(
        40,
        "start-record",
        "settled at 8.4 ppm after 2.4 L and 15 min; first water 61 ppm; 42 mg more salt than settled water",
    );
    board.change(0, |plant| {
        plant.running = true;
        plant.permit = Some(permit(true, Vec::new(), "open"));
        plant.plots = Arc::new(plots());
    });
    board.change_health(|health| {
        health.broker_ready = true;
        health.history_writable = true;
        health.history_sequence = 1_284_113;
        health.database_behind = Some(0);
        health.database_note = Some("written points were read back".into());
        health.bad_payloads.insert("cellar/between-tds".into(), 2);
    });
    board
}

fn alarm(board: &Board, alarm: AlarmId, class: Class, first_out: bool, text: &str) {
    board.note(
        0,
        &Output::Alarm(AlarmUpdate {
            key: AlarmKey { alarm, of: None },
            state: AlarmState::Unacknowledged,
            active: true,
            latched: first_out,
            since: Some(ago(1_340)),
            value: Some(4.2),
            limit: Some(1.0),
            class,
            first_out,
            text: text.into(),
            under: None,
            chattering: 0,
            respond_secs: None,
        }),
    );
}

/// Product spoiled, valve not confirmed, membrane worn.
pub fn spoiled() -> Board {
    let board = well();
    alarm(
        &board,
        AlarmId::ProductTdsHigh,
        Class::Today,
        true,
        "The product read 4.2 ppm for 21 s; the limit is 1 ppm. 0.62 ppm·L reached the store.",
    );
    alarm(
        &board,
        AlarmId::CloseUnconfirmed,
        Class::Now,
        false,
        "Commanded closed three times; the valve has not confirmed for 24 s.",
    );
    alarm(
        &board,
        AlarmId::RejectionLow,
        Class::Soon,
        false,
        "Rejection 91.8 %, limit 93 %, for two days of running.",
    );
    board.change(0, |plant| {
        let missing = Missing {
            cause: "product-tds-high".into(),
            kind: "trip".into(),
            clears: AlarmId::ProductTdsHigh.row().clears.into(),
        };
        let stale = Missing {
            cause: "off-time".into(),
            kind: "permissive".into(),
            clears: "Ten minutes since the last close.".into(),
        };
        plant.permit = Some(permit(false, vec![missing, stale], "commanded, not confirmed"));
    });
    board
}

/// The container is full.
pub fn waiting() -> Board {
    let board = well();
    let setup = setup();
    let fill = Filler { board: &board, setup };
    fill.word(SignalId::Phase, Phase::Idle.code(), "idle");
    board.change(0, |plant| {
        let full = Missing {
            cause: "store-full".into(),
            kind: "interlock".into(),
            clears: "Room in the container.".into(),
        };
        plant.permit = Some(permit(false, vec![full], "closed"));
    });
    board
}
