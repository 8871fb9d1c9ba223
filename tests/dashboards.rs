//! Every query of every dashboard, run on a real VictoriaMetrics that was filled by the replication.
#![allow(missing_docs)]

#[path = "support/memory.rs"]
mod memory;
#[path = "support/victoria.rs"]
mod victoria;

use memory::Journal;
use permeated::board::Board;
use permeated::edge::database::{self, Entry};
use permeated::engine::catalogue::{AlarmId, Class, Kind, Of, SIGNALS, SignalId};
use permeated::engine::output::{
    AlarmKey, AlarmState, AlarmUpdate, Datum, Output, ValueKey, ValueUpdate,
};
use permeated::engine::setup::Setup;
use permeated::engine::time::Wall;
use permeated::engine::value::{Basis, Flag};
use permeated::settings::load;
use permeated::settings::schema::{Database, OnStop};
use serde_json::Value;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::{Duration, Instant};
use victoria::{Victoria, free_port};

fn dashboards() -> Vec<(String, Value)> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/dashboards");
    std::fs::read_dir(folder)
        .expect("the folder is there")
        .map(|entry| {
            let path = entry.expect("a readable folder").path();
            let text = std::fs::read_to_string(&path).expect("a readable file");
            let name = path.display().to_string();
            (name.clone(), serde_json::from_str(&text).unwrap_or_else(|e| panic!("{name}: {e}")))
        })
        .collect()
}

fn expressions(dashboard: &Value) -> Vec<(String, String)> {
    dashboard["panels"]
        .as_array()
        .expect("panels")
        .iter()
        .flat_map(|panel| {
            let title = panel["title"].as_str().expect("a title").to_owned();
            let targets = panel["targets"].as_array().expect("targets").clone();
            targets.into_iter().map(move |target| {
                (title.clone(), target["expr"].as_str().expect("an expression").to_owned())
            })
        })
        .collect()
}

/// The full example plant, one number for every value of the catalogue, an alarm.
fn fill(journal: &Journal, setup: &Setup, at: i64) {
    for row in SIGNALS {
        let count = match row.of {
            Of::Plant => 1,
            Of::Sensor => setup.sensors.len(),
            Of::Part => setup.parts.len(),
        };
        for of in 0..count {
            let datum = match row.kind {
                Kind::Flag => Datum::Flag(true),
                Kind::State => Datum::State { code: 2, word: "word".into() },
                Kind::Text => Datum::Text("none".into()),
                _ => Datum::Number(0.5),
            };
            let of = (row.of != Of::Plant).then(|| u16::try_from(of).expect("few"));
            let update = ValueUpdate {
                key: ValueKey { signal: row.id, of },
                datum: Ok(datum),
                u: None,
                flag: Flag::Good,
                reasons: Vec::new(),
                basis: Basis::Measured,
                stamp: Some(Wall::from_millis(at)),
                store: true,
            };
            journal.push(0, at, Entry::Output(Output::Value(update)));
        }
    }
    let alarm = AlarmUpdate {
        key: AlarmKey { alarm: AlarmId::FeedPressureLow, of: None },
        state: AlarmState::Unacknowledged,
        active: true,
        latched: false,
        since: Some(Wall::from_millis(at)),
        value: None,
        limit: None,
        class: Class::Soon,
        first_out: false,
        text: String::new(),
        under: None,
        chattering: 0,
        respond_secs: None,
    };
    journal.push(0, at, Entry::Output(Output::Alarm(alarm)));
}

#[tokio::test(flavor = "multi_thread")]
async fn every_query_returns_data() {
    let text = include_str!("../config/full.toml");
    let settings = load::from_str("config/full.toml", text).expect("the example is valid");
    let (id, plant) = settings.plants.iter().next().expect("a plant");
    let setup = Arc::new(Setup::resolve(id, plant, OnStop::Close, 5));
    let now = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .expect("after 1970")
        .as_millis();
    let at = i64::try_from(now).expect("this century") - 60_000;
    let journal = Arc::new(Journal::default());
    fill(&journal, &setup, at);

    let folder = tempfile::tempdir().expect("a temporary folder");
    let server = Victoria::start(folder.path(), free_port(), &[]).await;
    let target = Database { url: server.url(), ..Database::default() };
    let setups = vec![Arc::clone(&setup)];
    let board = Board::new(&setups);
    let source: Arc<dyn database::Source> = journal.clone();
    let task = database::spawn(&target, source, board, setups).expect("valid settings");
    let until = Instant::now() + Duration::from_secs(60);
    while database::Source::mark(&*journal).expect("in memory") <= journal.all().len() as u64 {
        assert!(Instant::now() < until, "the replication does not end");
        victoria::wait::look_again().await;
    }
    task.abort();
    server.get("/internal/force_flush", &[]).await;

    let mut queries = 0;
    for (name, dashboard) in dashboards() {
        for (title, expression) in expressions(&dashboard) {
            let query = expression.replace("$plant", ".*");
            let time = format!("{}", at / 1000 + 5);
            let pairs = [("query", query.as_str()), ("time", time.as_str())];
            let answer = server.get("/api/v1/query", &pairs).await;
            let answer: Value = serde_json::from_str(&answer).expect("JSON");
            let rows = answer["data"]["result"].as_array().map_or(0, Vec::len);
            assert!(rows > 0, "{name}, '{title}': {query} returns nothing");
            queries += 1;
        }
    }
    assert!(queries >= 8, "only {queries} queries were found");
    println!("dashboards: {queries} queries returned data");
}

#[test]
fn every_property_that_is_asked_for_stands_in_the_catalogue() {
    let mut known: BTreeSet<&str> = SIGNALS.iter().map(|row| row.property).collect();
    known.extend(["tds", "conductivity", "pressure", "flow", "temperature", "level"]);
    for (name, dashboard) in dashboards() {
        for (title, expression) in expressions(&dashboard) {
            for part in expression.split("property=").skip(1) {
                let quoted = part.trim_start_matches('~').split('"').nth(1).expect("quoted");
                for property in quoted.split('|') {
                    assert!(known.contains(property), "{name}, '{title}': no {property}");
                }
            }
        }
    }
    assert_eq!(SignalId::Reading.row().property, "");
}
