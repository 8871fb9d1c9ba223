//! Every row of the cause-and-effect table, end to end: the plant of `config/full.toml` (with a
//! second product probe, a float above the stop, diverts and a siren), the real binary, a real
//! mosquitto. Each cause is brought about by messages, at the worst moment for whoever watches, and
//! the seconds to each command are compared with the figure of the row, as `check` prints it.
//!
//! The rows are taken from the program, so a new one without its exercise fails here. They run side
//! by side: `cargo test --test rows -- --nocapture` prints the table after some two minutes. With
//! `PERMEATED_MEASURE=1` the one that takes ten minutes runs too; `PERMEATED_ROWS=leak,hot` picks by
//! the names of their plants.

#[path = "../support/mod.rs"]
mod support;

mod cellar;
mod exercises;
mod own;
#[path = "../e2e/site.rs"]
mod site;

use cellar::{Cellar, INTERVAL};
use exercises::{Exercise, State};
use permeated::engine::catalogue::AlarmId;
use permeated::engine::causes::{CauseRow, rows};
use permeated::engine::setup::Setup;
use permeated::settings::load::from_str;
use serde_json::Value;
use site::Daemon;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::time::{Duration, Instant};
use support::broker::{Broker, Kind};
use support::client::Witness;
use support::wait;

/// The slowest rows need a minute and a half, and all of them share the machine.
const PATIENCE: Duration = Duration::from_secs(200);
/// What is told waits for the disk, so that nobody sees a trip that a kill would forget; no command
/// does.
const TOLD_WITHIN: Duration = Duration::from_secs(2);
/// The longest row of all needs 60 L at 5.5 L/min.
const LONG_PATIENCE: Duration = Duration::from_secs(1200);

/// What is added to `config/full.toml`, so that each kind of effect and each vote is there.
const MORE: &str = r#"
[plants.reef.sensors.second-tds]
topic = "cellar/second/state"
pointer = "/ppm"
quantity = "tds"
point = "product"
unit = "ppm"
step = 1
rounding = "down"
interval_secs = 5
[plants.reef.sensors.brim]
topic = "cellar/store/brim"
quantity = "full"
point = "store"
overfull = true
[plants.reef.actuators.divert]
role = "divert"
topic = "cellar/divert/set"
close = "drain"
[plants.reef.actuators.waste]
role = "product-divert"
topic = "cellar/waste/set"
open = "store"
close = "drain"
[plants.reef.actuators.siren]
role = "custom"
topic = "cellar/siren/set"
close = "ON"
"#;

/// The full plant under another id, on topics of its own.
fn plant(id: &str, settings: &str) -> String {
    let full = include_str!("../../config/full.toml");
    let own = full.find("[plants.reef]").expect("the plant begins");
    let causes: Vec<String> = rows(&setup(&full[own..], "reef"))
        .iter()
        .map(|row| format!("{:?}", row.alarm.name()))
        .collect();
    let mut text = format!("{}{MORE}causes = [{}]\n", &full[own..], causes.join(", "));
    // A table stands once in a file: what the full plant says of it gives way.
    for table in settings.split("@.").skip(1).map(|table| table.split(']').next().unwrap_or("")) {
        let head = format!("[plants.reef.{table}]\n");
        if table.starts_with("parts.") {
            continue;
        }
        if let Some(at) = text.find(&head) {
            let end = text[at + 1..].find("\n[").map_or(text.len(), |end| at + 1 + end + 1);
            text.replace_range(at..end, "");
        }
    }
    for part in ["lead", "lag"] {
        if let Some(at) = settings.find(&format!("@.parts.{part}]\nbed_litres = ")) {
            let litres = settings[at..].lines().nth(1).unwrap_or_default();
            let from = text.find(&format!("[plants.reef.parts.{part}]")).expect("the part");
            let line = from + text[from..].find("bed_litres = 0.75").expect("its bed");
            text.replace_range(line..line + "bed_litres = 0.75".len(), litres);
        }
    }
    let rest: String = settings
        .split("@.")
        .filter(|table| !table.is_empty() && !table.starts_with("parts."))
        .map(|table| format!("[plants.reef.{table}"))
        .collect();
    let _ = write!(text, "{rest}");
    text.replace("plants.reef", &format!("plants.{id}")).replace("cellar/", &format!("{id}/"))
}

fn setup(text: &str, id: &str) -> Setup {
    let settings = from_str("rows.toml", text).unwrap_or_else(|error| panic!("{error}\n{text}"));
    Setup::resolve(id, &settings.plants[id], settings.daemon.on_stop, 5)
}

/// One line of the table.
struct Line {
    alarm: AlarmId,
    how: String,
    computed: String,
    measured: String,
    late: bool,
}

/// Payload that closes one of the full plant's actuators.
fn close_word(actuator: &str) -> &'static str {
    match actuator {
        "valve" | "pump" => "OFF",
        "divert" | "waste" => "drain",
        _ => "ON",
    }
}

/// Cause named in a permit.
fn names(payload: &str, alarm: AlarmId) -> bool {
    let permit: Value = serde_json::from_str(payload).unwrap_or(Value::Null);
    let missing = permit["missing"].as_array().cloned().unwrap_or_default();
    permit["permitted"] == false && missing.iter().any(|one| one["cause"] == alarm.name())
}

/// Until the plant makes water and vouches for it.
fn produce(cellar: &Cellar, witness: &Witness) {
    let last = |actuator: &str| witness.last(&cellar.commands(actuator));
    let end = Instant::now() + PATIENCE;
    while last("waste").as_deref() != Some("store") || last("pump").as_deref() != Some("ON") {
        assert!(
            Instant::now() < end,
            "{} never makes water for the store: valve {:?}, pump {:?}, waste {:?}, {:?}",
            cellar.commands(""),
            last("valve"),
            last("pump"),
            last("waste"),
            witness.last(&cellar.topic("guard/permit"))
        );
        std::thread::park_timeout(Duration::from_millis(5));
    }
}

fn permitted(cellar: &Cellar, witness: &Witness) {
    wait::until("water may run", PATIENCE, || {
        witness
            .last(&cellar.topic("guard/permit"))
            .is_some_and(|permit| permit.contains("\"permitted\":true"))
    });
}

/// Brings a cause about, and measures every effect of its row.
fn exercise(one: &Exercise, row: &CauseRow, cellar: &Cellar, port: u16) -> Line {
    let witness =
        Witness::new(port, &[&format!("{}/+/set", one.plant), &cellar.topic("guard/permit")]);
    permitted(cellar, &witness);
    if one.state == State::Producing {
        cellar.cause(|water| water.level = water.level.min(40.0));
        produce(cellar, &witness);
    }
    let since = (one.cause)(cellar);
    // The run without a proven probe begins when the valve has opened.
    let since = if one.alarm == AlarmId::NotProven {
        let opened = wait::until_some("the valve opens", PATIENCE, || {
            let heard = witness.on(&cellar.commands("valve")).into_iter();
            heard.filter(|heard| heard.at >= since).find(|heard| heard.payload == "ON")
        });
        opened.at
    } else {
        since
    };
    let patience = if one.is_long() { LONG_PATIENCE } else { PATIENCE };
    let told = wait::until_some(&format!("{} in the permit", one.how), patience, || {
        let heard = witness.on(&cellar.topic("guard/permit")).into_iter();
        heard.filter(|heard| heard.at >= since).find(|heard| names(&heard.payload, one.alarm))
    });
    let mut slowest = Duration::ZERO;
    let mut by = String::new();
    for actuator in &row.closes {
        let word = close_word(actuator);
        if one.closed.contains(&actuator.as_str()) {
            let last = witness.last(&cellar.commands(actuator));
            assert_eq!(last.as_deref(), Some(word), "{}: {actuator} stands closed", one.how);
            continue;
        }
        let heard = wait::until_some(&format!("{}: {actuator} closes", one.how), PATIENCE, || {
            let heard = witness.on(&cellar.commands(actuator)).into_iter();
            heard.filter(|heard| heard.at >= since).find(|heard| heard.payload == word)
        });
        if heard.at - since > slowest {
            slowest = heard.at - since;
            by.clone_from(actuator);
        }
    }
    let opened = witness.on(&cellar.commands("valve")).into_iter();
    let after = opened.filter(|heard| heard.at > told.at && heard.payload == "ON").count();
    assert_eq!(after, 0, "{}: opened again", one.how);
    assert!(!by.is_empty(), "{}: nothing was commanded", one.how);
    let secs = slowest.as_secs_f64();
    if let Some(worst) = row.worst {
        let latest = Duration::from_secs_f64(worst.secs()) + TOLD_WITHIN;
        assert!(told.at - since <= latest, "{}: told after {:?}", one.how, told.at - since);
    }
    let (computed, measured, late) = match row.worst {
        Some(worst) => {
            (format!("{:.1} s", worst.secs()), format!("{secs:.2} s ({by})"), secs > worst.secs())
        }
        None => by_litres(one, cellar.made()),
    };
    Line { alarm: one.alarm, how: one.how.to_owned(), computed, measured, late }
}

/// Rows that depend on the water: the litres that they let pass.
fn by_litres(one: &Exercise, litres: f64) -> (String, String, bool) {
    let water = (one.water)();
    // What flows between two messages of the meter, twice: the count, and the moment of looking.
    let slack = 2.0 * water.permeate * INTERVAL.as_secs_f64() / 60.0;
    let bound = match one.alarm {
        // 110 % of the room: the container's 50 L less the level.
        AlarmId::RunLitresHigh => 1.1 * (50.0 - 40.0),
        // 50 L at zero before anybody doubts, the resin long spent by then; a third more to fetch a
        // handheld.
        AlarmId::ProductProbeContradicted => 1.3 * 50.0,
        other => panic!("{} has no bound in litres", other.name()),
    };
    let most = bound + slack;
    (format!("{most:.1} L"), format!("{litres:.1} L"), litres > most)
}

#[test]
fn every_row_of_the_table_closes_within_the_time_that_check_prints() {
    let full = exercises::all();
    let measures = std::env::var("PERMEATED_MEASURE").is_ok_and(|value| value == "1");
    let picked = std::env::var("PERMEATED_ROWS").ok();
    let known: BTreeSet<&str> =
        full.iter().map(|one| one.plant).chain(own::ROWS.iter().map(|row| row.0.name())).collect();
    for name in picked.iter().flat_map(|picked| picked.split(',')) {
        assert!(known.contains(name), "PERMEATED_ROWS: no plant {name}; there are {known:?}");
    }
    let runs = |name: &str, long: bool| match &picked {
        Some(picked) => picked.split(',').any(|one| one == name),
        None => measures || !long,
    };
    let texts: BTreeMap<&str, String> =
        full.iter().map(|one| (one.plant, plant(one.plant, one.settings))).collect();
    let tables: BTreeMap<&str, Vec<CauseRow>> =
        texts.iter().map(|(id, text)| (*id, rows(&setup(text, id)))).collect();

    // The table decides what is to be exercised.
    let exercised: BTreeSet<AlarmId> =
        full.iter().map(|one| one.alarm).chain(own::ROWS.iter().map(|one| one.0)).collect();
    let table: BTreeSet<AlarmId> = tables["leak"].iter().map(|row| row.alarm).collect();
    let missing: Vec<&str> = table.difference(&exercised).map(|alarm| alarm.name()).collect();
    assert!(missing.is_empty(), "rows that nothing exercises: {missing:?}");
    assert_eq!(table, exercised, "exercises of rows that the table does not have");

    let (full, left): (Vec<_>, Vec<_>) =
        full.into_iter().partition(|one| runs(one.plant, one.is_long()));
    let own: Vec<_> = own::ROWS.iter().filter(|row| runs(row.0.name(), false)).collect();
    let texts: Vec<String> = full.iter().map(|one| texts[one.plant].clone()).collect();
    let broker = Broker::start(Kind::Mosquitto);
    let cellars: Vec<Cellar> =
        full.iter().map(|one| Cellar::start(broker.port(), one.plant, (one.water)())).collect();
    let text = format!(
        "[daemon]\nid = \"rows\"\nzone = \"UTC\"\n[broker]\nhost = \"127.0.0.1\"\n{}",
        texts.concat()
    );
    let _daemon = Daemon::with_settings(broker.port(), &text, "");
    let begun = Instant::now();
    let port = broker.port();
    let lines: Vec<Line> = std::thread::scope(|scope| {
        let own: Vec<_> = own
            .into_iter()
            .map(|(alarm, how, run)| scope.spawn(move || own::line(*alarm, how, *run)))
            .collect();
        let running: Vec<_> = full
            .iter()
            .zip(&cellars)
            .map(|(one, cellar)| {
                let table = &tables[one.plant];
                scope.spawn(move || {
                    let row = table.iter().find(|row| row.alarm == one.alarm).expect("its row");
                    exercise(one, row, cellar, port)
                })
            })
            .collect();
        running.into_iter().chain(own).map(|line| line.join().expect("every row closes")).collect()
    });
    println!("{:<28} {:<46} {:>9} measured", "row", "brought about by", "computed");
    for line in &lines {
        let Line { alarm, how, computed, measured, late } = line;
        let mark = if *late { "  LATE" } else { "" };
        println!("{:<28} {how:<46} {computed:>9} {measured}{mark}", alarm.name());
    }
    for one in left {
        println!("{:<28} {:<46} NOT RUN (PERMEATED_MEASURE=1)", one.alarm.name(), one.how);
    }
    println!("rows: {} exercises in {:.0} s", lines.len(), begun.elapsed().as_secs_f64());
    let late: Vec<&str> = lines.iter().filter(|line| line.late).map(|l| l.alarm.name()).collect();
    assert!(late.is_empty(), "later than check prints: {late:?}");
}
