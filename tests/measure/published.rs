//! Everything that two real plants publish on mosquitto, with the database behind them: the smallest
//! useful one and a full one, from the example settings as they are delivered.
//! `cargo test --test measure -- published --nocapture` prints it all.

use crate::site::{Daemon, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::wait;
use crate::victoria::{Victoria, free_port};
use serde_json::Value;
use std::collections::BTreeMap;

/// Longest payload that is printed whole.
const SHOWN: usize = 150;

/// What the probes say, round by round.
type Probes = fn(u64) -> Vec<(&'static str, String)>;

fn smallest(_: u64) -> Vec<(&'static str, String)> {
    [("cellar/permeate/ppm", "8"), ("cellar/product/ppm", "0")]
        .map(|(topic, text)| (topic, text.to_owned()))
        .to_vec()
}

/// Water flows: the meters count, about 0.2 L/min of permeate.
pub fn full(round: u64) -> Vec<(&'static str, String)> {
    let water = serde_json::json!({
        "supply": {"uS": 520, "bar": 3.9, "celsius": 14.2, "pulses": 1000 + round * 6},
        "feed": {"ppm": 255, "bar": 3.6, "celsius": 14.4},
        "permeate": {"ppm": 8, "pulses": 9000 + round * 7},
        "concentrate": {"pulses": 4000 + round * 17},
        "between": {"ppm": 0},
    });
    vec![
        ("cellar/water/state", water.to_string()),
        ("cellar/product/state", "{\"ppm\":0}".to_owned()),
        ("cellar/product/status", "online".to_owned()),
        ("cellar/store/litres", "40".to_owned()),
        ("cellar/store/full", "OFF".to_owned()),
        ("cellar/floor", "{\"water_leak\":false}".to_owned()),
        ("cellar/valve/state", "ON".to_owned()),
    ]
}

/// Every property of a Homie description that has a state, as topics. Details of an alarm come with
/// its first occurrence, an uncertainty where it says something.
fn described(base: &str, description: &str) -> Vec<String> {
    let description: Value = serde_json::from_str(description).expect("a description is JSON");
    let nodes = description["nodes"].as_object().expect("nodes");
    let of = |(node, what): (&String, &Value)| {
        let properties = what["properties"].as_object().cloned().unwrap_or_default();
        let has_state = |(id, what): &(&String, &Value)| {
            let is_extra = id.ends_with("-detail") || id.ends_with("-u");
            what["settable"] != true && what["retained"] != false && !is_extra
        };
        let ids = properties.iter().filter(has_state).map(|(id, _)| id);
        ids.map(|one| format!("{base}/{node}/{one}")).collect::<Vec<_>>()
    };
    nodes.iter().flat_map(of).collect()
}

/// Every topic that an announcement to the hub refers to.
fn referred(announcement: &Value) -> Vec<String> {
    match announcement {
        Value::Object(fields) => fields
            .iter()
            .flat_map(|(key, value)| match value {
                Value::String(topic) if key == "state_topic" || key == "stat_t" => {
                    vec![topic.clone()]
                }
                other => referred(other),
            })
            .collect(),
        Value::Array(all) => all.iter().flat_map(referred).collect(),
        _ => Vec::new(),
    }
}

async fn look(name: &str, plant: &str, text: &str, probes: Probes) {
    let broker = Broker::start(Kind::Mosquitto);
    let data = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let server = Victoria::start(data.path(), port, &[]).await;
    let field = Witness::new(broker.port(), &[]);
    let more = format!("[database]\nurl = \"http://127.0.0.1:{port}\"\n");
    let _daemon = Daemon::with_settings(broker.port(), text, &more);
    let base = format!("permeated/5/{plant}");
    let all = || retained(broker.port(), "#").into_iter().collect::<BTreeMap<String, String>>();
    let mut round = 0;
    let mut last = BTreeMap::new();
    let mut missing = vec!["everything".to_owned()];
    // Until water runs, the hub knows us, and each property of the description has its value or says that it is absent.
    let until = std::time::Instant::now() + PATIENCE * 2;
    let mut complete = || {
        for (topic, payload) in probes(round) {
            field.publish_fast(topic, payload);
        }
        round += 1;
        last = all();
        let Some(description) = last.get(&format!("{base}/$description")) else { return false };
        let has = |topic: &String| {
            last.contains_key(topic)
                || last.get(&format!("{topic}-quality")).is_some_and(|word| word == "absent")
        };
        missing = described(&base, description).into_iter().filter(|topic| !has(topic)).collect();
        // The hub's part, where the daemon itself does not open.
        let says = |topic: &str, word: &str| {
            last.get(&format!("{base}/{topic}")).is_some_and(|text| text == word)
        };
        if says("guard/permitted", "true") && says("plant/phase", "idle") {
            field.publish_fast("cellar/valve/set", "ON");
        }
        let is_announced = last.keys().any(|topic| topic.starts_with("homeassistant/device/"));
        let is_running = says("plant/phase", "starting") || says("plant/phase", "producing");
        missing.is_empty() && is_announced && is_running
    };
    while !complete() {
        assert!(std::time::Instant::now() < until, "not published: {missing:?} {last:?}");
        wait::look_again().await;
    }
    let announcements = last.iter().filter(|(topic, _)| topic.starts_with("homeassistant/"));
    let mut entities = 0;
    for (topic, text) in announcements {
        let announcement: Value = serde_json::from_str(text).expect("an announcement is JSON");
        let components =
            announcement["components"].as_object().or(announcement["cmps"].as_object());
        entities += components.map_or(0, serde_json::Map::len);
        for topic in referred(&announcement) {
            let quality = format!("{topic}-quality");
            assert!(
                last.contains_key(&topic) || last.get(&quality).is_some_and(|one| one == "absent"),
                "{topic} is announced and not there"
            );
        }
        assert!(topic.ends_with("/config"));
    }
    println!("== {name}: {} retained topics, {entities} entities announced", last.len());
    for (topic, payload) in &last {
        let shown: String = payload.chars().take(SHOWN).collect();
        let rest = payload.chars().count() - shown.chars().count();
        let more = if rest > 0 { format!(" ... ({rest} more)") } else { String::new() };
        println!("{topic} {shown}{more}");
    }
    assert!(entities > 0, "nothing is announced to the hub");
    for topic in ["guard/permit", "guard/permitted", "alarm/product-tds-high", "$state"] {
        assert!(last.contains_key(&format!("{base}/{topic}")), "{topic}");
    }
    let until = std::time::Instant::now() + PATIENCE * 2;
    loop {
        let stored = server.export(&format!("{{plant=\"{plant}\"}}")).await;
        let of = |name: &str| stored.iter().filter(|one| one["metric"]["__name__"] == name).count();
        let (readings, values) = (of("permeated_reading_value"), of("permeated_value"));
        if readings >= 2 && values > 10 {
            println!(
                "== {name}: in the database {readings} series of readings, {values} of values"
            );
            return;
        }
        assert!(std::time::Instant::now() < until, "in the database: {stored:?}");
        wait::look_again().await;
    }
}

#[tokio::test]
async fn published_by_the_smallest_plant() {
    let text = include_str!("../../config/example.toml");
    look("two probes and a valve", "home", text, smallest).await;
}

#[tokio::test]
async fn published_by_a_full_plant() {
    let text = include_str!("../../config/full.toml");
    look("full plant", "reef", text, full).await;
}
