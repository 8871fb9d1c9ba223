//! Nonsense and a flood while the product is spoiled: the close within its printed bound, and how
//! large the daemon gets.

use crate::site::{Daemon, Field, PATIENCE, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::wait;
use crate::trials;
use permeated::engine::causes;
use permeated::engine::setup::Setup;
use permeated::settings::load::load_str;
use permeated::settings::schema::OnStop;
use serde_json::json;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

/// Peak memory of a release build.
const PEAK_MAX_KIB: u64 = 40 * 1024;
/// Messages a second, as far as broker and machine take them.
const FLOOD_PER_SEC: u64 = 20_000;

/// What no sensor should ever say.
fn nonsense() -> Vec<Vec<u8>> {
    vec![
        Vec::new(),
        vec![0xff, 0xfe, 0x80],
        b"NaN".to_vec(),
        b"-inf".to_vec(),
        b"{\"v\":NaN}".to_vec(),
        b"{\"v\":1e999}".to_vec(),
        b"{\"v\":-7}".to_vec(),
        b"{\"v\":{\"v\":[]}}".to_vec(),
        b"{\"v\":".to_vec(),
        "[".repeat(10_000).into_bytes(),
        vec![b'9'; 60_000],
    ]
}

/// Publishes until it is dropped.
struct Flood {
    ending: Arc<AtomicBool>,
    sent: Arc<AtomicU64>,
    began: Instant,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Flood {
    fn on(port: u16, topics: &'static [&'static str]) -> Self {
        let (ending, sent) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
        let thread = std::thread::spawn({
            let (ending, sent) = (Arc::clone(&ending), Arc::clone(&sent));
            move || {
                let loud = Witness::new(port, &[]);
                let junk = nonsense();
                let began = Instant::now();
                let mut count = 0;
                while !ending.load(Ordering::SeqCst) {
                    let topic = topics[(count % topics.len() as u64) as usize];
                    // One in a thousand is large or malformed, the others are well-formed and false.
                    if count % 1000 == 0 {
                        let junk = &junk[(count / 1000) as usize % junk.len()];
                        loud.publish_fast(topic, junk.clone());
                    } else {
                        loud.publish_fast(topic, "{\"v\":9}");
                    }
                    count += 1;
                    sent.store(count, Ordering::SeqCst);
                    let due = began + Duration::from_micros(count * 1_000_000 / FLOOD_PER_SEC);
                    if let Some(early) = due.checked_duration_since(Instant::now()) {
                        std::thread::park_timeout(early);
                    }
                }
            }
        });
        Self { ending, sent, began: Instant::now(), thread: Some(thread) }
    }

    fn per_sec(&self) -> f64 {
        self.sent.load(Ordering::SeqCst) as f64 / self.began.elapsed().as_secs_f64()
    }
}

impl Drop for Flood {
    fn drop(&mut self) {
        self.ending.store(true, Ordering::SeqCst);
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

/// The bound that `check` prints for a spoiled product at this site.
fn bound() -> Duration {
    let text = settings("d1", 1883, Path::new("/nowhere"), &["cellar"]);
    let loaded = load_str("site.toml", &text).unwrap_or_else(|problems| panic!("{problems}"));
    let setup = Setup::resolve("cellar", &loaded.settings.plants["cellar"], OnStop::Close, 5);
    let bound = causes::product_delay(&Arc::new(setup)).expect("the product is guarded");
    Duration::from_secs_f64(bound.secs())
}

/// Spoils the running water and gives the time to the close.
fn spoil(field: &Field, witness: &Witness) -> Duration {
    let spoiled = Instant::now();
    field.product(40);
    let closed = field.command_since(witness, "OFF", spoiled).at;
    field.product(0);
    closed - spoiled
}

/// Back to running water, by a test run and a reset. A reading of the spoiled water that the broker
/// held back behind the flood trips again after a test run has passed; then another one is due.
fn run_again(field: &Field, witness: &Witness) {
    field.wait_permit(witness, false);
    wait::until_well("a test run that passes, and the reset", PATIENCE * 4, || {
        let begun = Instant::now();
        let ended = |how: &str| {
            witness
                .on(&field.topic("event/log"))
                .iter()
                .any(|heard| heard.at >= begun && heard.payload.contains(how))
        };
        let (begins, text) = field.ask(witness, "test-run", json!({"outlet_to_drain": true}));
        if !begins {
            return Err(text);
        }
        let until = Instant::now() + Duration::from_secs(10);
        while !ended("\"test-run\":\"passed\"") {
            if Instant::now() > until || ended("\"test-run\":\"ended\"") {
                return Err("the test run did not pass".to_owned());
            }
            std::thread::park_timeout(Duration::from_millis(5));
        }
        let (done, text) = field.ask(witness, "reset", json!({"cause": "product-tds-high"}));
        // The broker may have dropped so many words of the probe that a hold closed before the trip.
        if done || text.contains("does not stand latched") { Ok(()) } else { Err(text) }
    });
    field.run_water(witness);
}

#[test]
fn a_flood_of_nonsense_delays_no_close_and_fills_no_memory() {
    let trials = trials(3, 50);
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["permeated/5/#", "cellar/valve/set"]);
    let field = Field::start(broker.port(), "cellar");
    let daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);
    let idle = daemon.status("VmRSS");

    // A megabyte costs the connection, which comes back; the water may be held meanwhile.
    for payload in nonsense().into_iter().chain([vec![b'7'; 1_000_000]]) {
        witness.publish("cellar/permeate", payload, false);
    }
    witness.settle();
    field.run_water(&witness);

    let flood = Flood::on(broker.port(), &["cellar/permeate", "cellar/elsewhere", "attic/other"]);
    let mut took: Vec<Duration> = Vec::new();
    for number in 0..trials {
        if number > 0 {
            run_again(&field, &witness);
            witness.forget();
        }
        took.push(spoil(&field, &witness));
    }
    let rate = flood.per_sec();
    drop(flood);
    took.sort();
    let peak = daemon.status("VmHWM");
    let (median, largest) = (took[took.len() / 2], took[took.len() - 1]);
    println!(
        "nonsense and {rate:.0} messages/s, {trials} spoilings: close after median {:.2} s, max {:.2} s, \
         bound {:.2} s; memory {:.1} MiB before, peak {:.1} MiB ({})",
        median.as_secs_f64(),
        largest.as_secs_f64(),
        bound().as_secs_f64(),
        idle as f64 / 1024.0,
        peak as f64 / 1024.0,
        if cfg!(debug_assertions) { "debug build" } else { "release build" }
    );
    assert!(largest <= bound());
    assert!(cfg!(debug_assertions) || peak <= PEAK_MAX_KIB, "{peak} KiB");
}

/// Whoever drowns the product probe itself makes it unreadable: water does not run unwatched.
#[test]
fn a_flood_on_the_product_probe_itself_closes() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["permeated/5/#", "cellar/valve/set"]);
    let field = Field::start(broker.port(), "cellar");
    let daemon = Daemon::start("d1", broker.port(), &["cellar"]);
    field.run_water(&witness);
    let since = Instant::now();
    let flood = Flood::on(broker.port(), &["cellar/product"]);
    let closed = field.command_since(&witness, "OFF", since).at;
    println!(
        "{:.0} messages/s on the product probe: closed after {:.2} s, {}",
        flood.per_sec(),
        (closed - since).as_secs_f64(),
        field.permit(&witness)["first_cause"]
    );
    drop(daemon);
}
