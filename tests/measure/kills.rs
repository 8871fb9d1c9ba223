//! SIGKILL at the worst moments, with a database outage and a broker restart in between: what an
//! independent client saw of the probes, joined with the exported history and with the database.
//!
//! What a daemon that is dead, starting, or about to be killed within 2 s (the promise is "written
//! within 2 s") did not keep is counted apart as `unheard`; everything else must be there once,
//! unchanged. What was told before a kill (a trip, an accepted reset, a counted start) must hold after.

use crate::site::{Daemon, Field, PATIENCE, wall};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Heard, Witness};
use crate::support::wait;
use crate::trials;
use crate::victoria::{Victoria, free_port};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::process::Command;
use std::time::{Duration, Instant};

/// A record is in the file at most this long after it came.
const WRITTEN_IN: Duration = Duration::from_secs(2);
/// A reading is on its way this long at most.
const ON_ITS_WAY: Duration = Duration::from_millis(500);
const PROBES: [&str; 2] = ["product", "permeate"];

/// Where in the story the kill falls.
#[derive(Clone, Copy, Debug)]
enum Moment {
    Trip,
    Reset,
    Start,
    Any,
}

impl Moment {
    fn of(number: u64) -> Self {
        [Self::Trip, Self::Reset, Self::Start, Self::Any][(number % 4) as usize]
    }
}

/// What a person knew before a kill and what was there after it.
#[derive(Default)]
struct Told {
    closed: u32,
    remembered: u32,
    trips: u32,
    trips_forgotten: u32,
    resets: u32,
    resets_forgotten: u32,
    starts_fallen: u32,
    litres_fallen: u32,
    killed_within_50_ms: u32,
}

struct Story<'a> {
    witness: &'a Witness,
    field: &'a Field,
    told: Told,
    /// Largest totals that were told.
    starts: f64,
    litres: f64,
}

impl Story<'_> {
    fn number(&self, topic: &str) -> Option<f64> {
        self.witness.last(&self.field.topic(topic)).and_then(|text| text.parse().ok())
    }

    fn is_tripped(&self) -> bool {
        self.witness.last(&self.field.topic("guard/tripped-by")).is_some_and(|by| by != "none")
    }

    /// From the daemon's start until it hears the probes.
    fn wait_ready(&self) -> Instant {
        let state = "permeated/5/d1/$state";
        wait::until("the daemon is ready", PATIENCE, || {
            self.witness.on(state).iter().any(|heard| !heard.retained && heard.payload == "ready")
        });
        for topic in ["guard/tripped-by", "plant/starts", "guard/permit"] {
            let topic = self.field.topic(topic);
            wait::until(&topic, PATIENCE, || {
                self.witness.on(&topic).iter().any(|heard| !heard.retained)
            });
        }
        Instant::now()
    }

    /// Clears what stands, through the commands that a person has.
    fn clear(&self) {
        self.field.wet(false);
        wait::until("the reset", PATIENCE, || {
            !self.is_tripped() || self.field.ask(self.witness, "reset", json!({"cause": "leak"})).0
        });
        self.field.wait_permit(self.witness, true);
    }

    /// Plays up to the moment, gives when the thing happened.
    fn play(&mut self, moment: Moment, number: u64) -> Instant {
        match moment {
            Moment::Trip => {
                self.clear();
                self.field.run_water(self.witness);
                let since = Instant::now();
                self.field.wet(true);
                let closed = self.field.command_since(self.witness, "OFF", since).at;
                // Every second time the kill waits until the trip is told, else it mostly falls between.
                if number % 8 == 4 {
                    wait::until("the trip is told", PATIENCE, || self.is_tripped());
                    return Instant::now();
                }
                closed
            }
            Moment::Reset => {
                self.field.wet(false);
                if self.is_tripped() {
                    wait::until("the reset is accepted", PATIENCE, || {
                        self.field.ask(self.witness, "reset", json!({"cause": "leak"})).0
                    });
                    self.told.resets += 1;
                }
                Instant::now()
            }
            Moment::Start => {
                self.clear();
                let since = Instant::now();
                self.field.run_water(self.witness);
                self.field.command_since(self.witness, "ON", since).at
            }
            Moment::Any => {
                self.clear();
                self.field.run_water(self.witness);
                let at = Instant::now() + Duration::from_millis(number * 1_237 % 4_000);
                wait::until("the moment", PATIENCE, || Instant::now() >= at);
                at
            }
        }
    }

    /// What is known just before the kill.
    fn note(&mut self) {
        self.starts = self.starts.max(self.number("plant/starts").unwrap_or(0.0));
        self.litres = self.litres.max(self.number("plant/permeate-litres").unwrap_or(0.0));
    }

    /// Compares after the next start.
    fn compare(&mut self, moment: Moment, was_tripped: bool, was_reset: bool) {
        if matches!(moment, Moment::Trip) {
            self.told.closed += 1;
            self.told.remembered += u32::from(self.is_tripped());
        }
        if was_tripped {
            self.told.trips += 1;
            self.told.trips_forgotten += u32::from(!self.is_tripped());
        }
        if matches!(moment, Moment::Reset) && was_reset {
            self.told.resets_forgotten += u32::from(self.is_tripped());
        }
        let starts = self.number("plant/starts").unwrap_or(0.0);
        self.told.starts_fallen += u32::from(starts < self.starts);
        // 2 L/min for the two seconds that may not be written yet, and a step of what is published.
        let litres = self.number("plant/permeate-litres").unwrap_or(0.0);
        self.told.litres_fallen += u32::from(litres < self.litres - 2.0 * 2.0 / 60.0 - 0.02);
    }
}

/// One side of the join: by sensor and stamp, every value that stands there.
type Side = BTreeMap<(String, i64), Vec<f64>>;

fn exported(daemon: &Daemon) -> Side {
    let output = Command::new(env!("CARGO_BIN_EXE_permeated"))
        .args(["export", "--what", "readings", "--format", "jsonl", "--config"])
        .arg(daemon.config())
        .output()
        .expect("the export runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let mut side = Side::new();
    for line in String::from_utf8(output.stdout).expect("text").lines() {
        let line: Value = serde_json::from_str(line).expect("a line of JSON");
        let Some(stamp) = line["device_time"].as_str() else { continue };
        let at: jiff::Timestamp = stamp.parse().expect("a time");
        let key = (line["name"].as_str().expect("a name").to_owned(), at.as_millisecond());
        side.entry(key).or_default().push(line["value"].as_f64().expect("a number"));
    }
    side
}

async fn replicated(server: &Victoria) -> Side {
    let mut side = Side::new();
    for series in server.export(r#"{__name__="permeated_reading_value"}"#).await {
        let sensor = series["metric"]["sensor"].as_str().expect("a sensor").to_owned();
        let values = series["values"].as_array().expect("values");
        for (value, stamp) in values.iter().zip(series["timestamps"].as_array().expect("stamps")) {
            let key = (sensor.clone(), stamp.as_i64().expect("milliseconds"));
            side.entry(key).or_default().push(value.as_f64().expect("a number"));
        }
    }
    side
}

/// A reading as the client saw it.
struct Seen {
    at: Instant,
    key: (String, i64),
    value: f64,
}

fn seen(heard: Vec<Heard>) -> Vec<Seen> {
    let all = heard.into_iter().filter_map(|heard| {
        let document: Value = serde_json::from_str(&heard.payload).ok()?;
        let sensor = heard.topic.strip_prefix("cellar/")?.to_owned();
        let (stamp, value) = (document["t"].as_i64()?, document["v"].as_f64()?);
        Some(Seen { at: heard.at, key: (sensor, stamp), value })
    });
    all.collect()
}

/// Prints and gives missing, doubled, changed, invented.
fn join(
    name: &str,
    seen: &[Seen],
    known: &BTreeSet<(String, i64)>,
    up: &[(Instant, Instant)],
    side: &Side,
) -> [usize; 4] {
    let must = |at: Instant| {
        up.iter().any(|(from, to)| at >= *from && at + WRITTEN_IN + ON_ITS_WAY <= *to)
    };
    let (mut due, mut missing, mut doubled, mut changed) = (0, 0, 0, 0);
    for one in seen {
        due += usize::from(must(one.at));
        match side.get(&one.key) {
            None => missing += usize::from(must(one.at)),
            Some(values) => {
                doubled += values.len() - 1;
                changed += values.iter().filter(|value| **value != one.value).count();
            }
        }
    }
    let probes = side.keys().filter(|(sensor, _)| PROBES.contains(&sensor.as_str()));
    let invented = probes.filter(|key| !known.contains(*key)).count();
    println!(
        "{name:<9} {:>7} {due:>7} {:>8} {missing:>8} {doubled:>8} {changed:>8} {invented:>9}",
        seen.len(),
        seen.len() - due,
    );
    [missing, doubled, changed, invented]
}

#[test]
fn fifty_kills_lose_double_and_change_nothing() {
    let kills = trials(8, 50);
    let is_long = std::env::var("PERMEATED_MEASURE").is_ok_and(|value| value == "1");
    let outage = Duration::from_secs(if is_long { 600 } else { 10 });
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime");
    let data = tempfile::tempdir().expect("a folder");
    let port = free_port();
    let start = || runtime.block_on(Victoria::start(data.path(), port, &[]));
    let mut server = Some(start());
    let mut broker = Broker::start(Kind::Mosquitto);
    let log = Witness::new(broker.port(), &["cellar/product", "cellar/permeate"]);
    let witness = Witness::new(broker.port(), &["permeated/5/#", "cellar/valve/set"]);
    let field = Field::start(broker.port(), "cellar");
    let more = format!("[database]\nurl = \"http://127.0.0.1:{port}\"\n");
    let mut daemon = Daemon::start_with("d1", broker.port(), &["cellar"], &more);
    let (told, starts, litres) = (Told::default(), 0.0, 0.0);
    let mut story = Story { witness: &witness, field: &field, told, starts, litres };
    let mut up = Vec::new();
    let mut since = story.wait_ready();
    let mut down_at = None;
    let mut restarting = 0..0;
    for number in 0..kills {
        if number == kills / 4 {
            server.take().expect("running").kill();
            down_at = Some(Instant::now());
        }
        if number == kills / 2 {
            // The broker forgets everything; what it had is no reading of ours.
            up.push((since, Instant::now() + WRITTEN_IN));
            witness.forget();
            let began = wall();
            broker.kill();
            broker.up();
            since = story.wait_ready();
            restarting = began..wall() + 2_000;
        }
        // Long enough that something is due.
        wait::until("a while", PATIENCE, || since.elapsed() >= WRITTEN_IN * 2);
        let moment = Moment::of(number);
        let happened = story.play(moment, number);
        // Some at once, the others within 50 ms.
        let wait = happened + Duration::from_millis(number * 17 % 50);
        wait::until("a moment", PATIENCE, || Instant::now() >= wait);
        story.note();
        let was_tripped = story.is_tripped();
        let was_reset = matches!(moment, Moment::Reset) && !was_tripped;
        let killed = Instant::now();
        daemon.kill();
        if !matches!(moment, Moment::Any) && killed - happened <= Duration::from_millis(50) {
            story.told.killed_within_50_ms += 1;
        }
        up.push((since, killed));
        field.wet(false);
        if server.is_none() && down_at.is_some_and(|at| at.elapsed() >= outage) {
            server = Some(start());
        }
        witness.forget();
        daemon.up();
        since = story.wait_ready();
        story.compare(moment, was_tripped, was_reset);
    }
    if server.is_none() {
        let at = down_at.expect("it was stopped");
        wait::until("the end of the outage", outage + PATIENCE, || at.elapsed() >= outage);
        server = Some(start());
    }
    let server = server.expect("running");
    // Everything that the client has seen by now is due in both places before we look; the last of
    // it came after the daemon was there, else nobody would write it.
    let last = wait::until_some("a reading after the last start", PATIENCE, || {
        self::seen(log.heard()).pop().filter(|one| one.at >= since).map(|one| one.key)
    });
    up.push((since, Instant::now() + WRITTEN_IN));
    let seen = self::seen(log.heard());
    wait::until("the history has come that far", PATIENCE, || {
        exported(&daemon).contains_key(&last)
    });
    let far = Duration::from_secs(120);
    // Live points go first: the last one says nothing about those of the outage.
    let kept = exported(&daemon);
    wait::until_well("the database has come that far", far, || {
        let there = runtime.block_on(replicated(&server));
        let lacks = kept.keys().filter(|key| !there.contains_key(key)).count();
        if lacks == 0 { Ok(()) } else { Err(format!("{lacks} of {} are not there", kept.len())) }
    });
    println!(
        "{kills} kills, {} of them within 50 ms of a trip, reset or start; broker restarted once; \
         database away for {} s",
        story.told.killed_within_50_ms,
        outage.as_secs()
    );
    println!("joined      seen     due  unheard  missing  doubled  changed  invented");
    let (history, database) = (exported(&daemon), runtime.block_on(replicated(&server)));
    // The client's log goes on; with the broker away it may have missed what the daemon got first.
    let mut known: BTreeSet<_> = self::seen(log.heard()).into_iter().map(|one| one.key).collect();
    let all = history.keys().filter(|(_, stamp)| restarting.contains(stamp));
    known.extend(all.cloned());
    let history = join("history", &seen, &known, &up, &history);
    let database = join("database", &seen, &known, &up, &database);
    let told = &story.told;
    println!(
        "trips that had closed {}, remembered {}; told {} forgotten {}; resets told {} forgotten {}; totals fallen: starts {} litres {}",
        told.closed,
        told.remembered,
        told.trips,
        told.trips_forgotten,
        told.resets,
        told.resets_forgotten,
        told.starts_fallen,
        told.litres_fallen
    );
    assert_eq!((history, database), ([0; 4], [0; 4]));
    assert!(told.trips > 0 && told.resets > 0, "nothing was told: the story did not happen");
    let forgotten = [told.trips_forgotten, told.resets_forgotten, told.starts_fallen];
    assert_eq!((forgotten, told.litres_fallen), ([0; 3], 0));
}
