//! Causes that the daemon sees by itself: each on a daemon of its own, the small plant of the
//! end-to-end tests.

use crate::Line;
use crate::site::{BROKER_LOST, Daemon, Field, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Heard, Witness};
use crate::support::wait;
use permeated::edge::mqtt::guard::BACK_WITHIN;
use permeated::engine::catalogue::AlarmId;
use permeated::engine::causes::rows;
use rustix::process::{Pid, Resource, Rlimit, prlimit};
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};
use tempfile::TempDir;

const PATIENCE: Duration = Duration::from_secs(120);
const PLANT: &str = "small";

/// Measured seconds, and what they are compared with where the table has no time.
pub struct Took {
    pub secs: f64,
    pub bound: Option<(f64, &'static str)>,
}

pub type Run = fn() -> Took;

pub const ROWS: &[(AlarmId, &str, Run)] = &[
    (AlarmId::BrokerLost, "the broker is killed and comes back", broker_lost),
    (AlarmId::ClockNotSane, "the machine's clock falls back to 1970", clock_not_sane),
    (AlarmId::HistoryUnwritable, "the disk takes nothing more", history_unwritable),
    (AlarmId::SecondInstance, "a daemon of another id guards the plant", second_instance),
    (AlarmId::StateLost, "the journal is destroyed while it is away", state_lost),
];

/// Exercises a row and compares.
pub fn line(alarm: AlarmId, how: &str, run: Run) -> Line {
    let Took { secs, bound } = run();
    let text = settings("d1", 1883, Path::new("/nowhere"), &[PLANT]);
    let setup = crate::setup(&text, PLANT);
    let row = rows(&setup).into_iter().find(|row| row.alarm == alarm).expect("its row");
    let (limit, what) = match (row.worst, bound) {
        (Some(worst), _) => (worst.secs(), ""),
        (None, Some((limit, what))) => (limit, what),
        (None, None) => panic!("{} has neither a time nor a bound", alarm.name()),
    };
    Line {
        alarm,
        how: how.to_owned(),
        computed: format!("{limit:.1} s"),
        measured: format!("{secs:.2} s{what}"),
        late: secs > limit,
    }
}

fn held(field: &Field, witness: &Witness, alarm: AlarmId) {
    wait::until(&format!("{} in the permit", alarm.name()), PATIENCE, || {
        field.permit(witness)["missing"].to_string().contains(alarm.name())
    });
}

fn first_command(field: &Field, witness: &Witness, since: Instant) -> Heard {
    wait::until_some("a command to the valve", PATIENCE, || {
        witness.on(&field.valve()).into_iter().find(|heard| heard.at >= since)
    })
}

fn broker_lost() -> Took {
    let mut broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), PLANT);
    let _daemon = Daemon::start("lost", broker.port(), &[PLANT]);
    field.run_water(&witness);
    broker.kill();
    let killed = Instant::now();
    wait::until("the broker has been away for long", PATIENCE, || {
        killed.elapsed() > 2 * BROKER_LOST
    });
    broker.up();
    let back = Instant::now();
    let first = first_command(&field, &witness, back);
    assert_eq!(first.payload, "OFF", "the first word after the return");
    held(&field, &witness, AlarmId::BrokerLost);
    let secs = first.at.saturating_duration_since(back).as_secs_f64();
    let most = BACK_WITHIN.as_secs_f64();
    Took { secs, bound: Some((most, " from the broker's return to the close")) }
}

/// Builds the library that stands in front of the C library's clock.
fn lost_clock(folder: &Path) -> std::path::PathBuf {
    let library = folder.join("clock.so");
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/rows/clock.c");
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .arg(&library)
        .arg(source)
        .status()
        .expect("a C compiler, which the build needs too");
    assert!(built.success(), "tests/rows/clock.c does not build");
    library
}

fn clock_not_sane() -> Took {
    let folder = TempDir::new().expect("a temporary folder");
    let (library, flag) = (lost_clock(folder.path()), folder.path().join("lost"));
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), PLANT);
    let through = [
        "env".to_owned(),
        format!("LD_PRELOAD={}", library.display()),
        format!("ROWS_CLOCK_LOST={}", flag.display()),
    ];
    let _daemon = Daemon::start_through("clock", broker.port(), &[PLANT], &through);
    field.run_water(&witness);
    let since = Instant::now();
    std::fs::write(&flag, "").expect("written");
    let closed = field.command_since(&witness, "OFF", since);
    held(&field, &witness, AlarmId::ClockNotSane);
    Took { secs: (closed.at - since).as_secs_f64(), bound: None }
}

fn history_unwritable() -> Took {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), PLANT);
    // Without the signal a write beyond the limit fails as on a full disk.
    let through = ["sh", "-c", "trap '' XFSZ; exec \"$@\"", "sh"].map(str::to_owned);
    let daemon = Daemon::start_through("disk", broker.port(), &[PLANT], &through);
    field.run_water(&witness);
    let since = Instant::now();
    let limit = Rlimit { current: Some(0), maximum: None };
    let pid = Pid::from_raw(daemon.pid() as i32).expect("a process");
    prlimit(Some(pid), Resource::Fsize, limit).expect("it is ours");
    let closed = field.command_since(&witness, "OFF", since);
    held(&field, &witness, AlarmId::HistoryUnwritable);
    Took { secs: (closed.at - since).as_secs_f64(), bound: None }
}

fn second_instance() -> Took {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), PLANT);
    let _daemon = Daemon::start("first", broker.port(), &[PLANT]);
    field.run_water(&witness);
    let came = Instant::now();
    let _second = Daemon::start("second", broker.port(), &[PLANT]);
    // Its guard takes the client id of the first one's, whose will closes; or the first one hears it.
    let closed = field.command_since(&witness, "OFF", came);
    let word = wait::until_some("the second one's word", PATIENCE, || {
        let heard = witness.heard().into_iter().filter(|heard| heard.at >= came);
        heard.filter(|heard| !heard.retained).find(|heard| heard.payload.contains("second"))
    });
    held(&field, &witness, AlarmId::SecondInstance);
    Took { secs: closed.at.saturating_duration_since(word.at).as_secs_f64(), bound: None }
}

fn state_lost() -> Took {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), PLANT);
    let mut daemon = Daemon::start("state", broker.port(), &[PLANT]);
    field.run_water(&witness);
    daemon.kill();
    for entry in std::fs::read_dir(daemon.state()).expect("a folder").flatten() {
        if entry.file_name().to_string_lossy().starts_with("journal.sqlite") {
            std::fs::write(entry.path(), "no database").expect("written");
        }
    }
    witness.settle();
    let since = Instant::now();
    daemon.up();
    let first = first_command(&field, &witness, since);
    assert_eq!(first.payload, "OFF", "the first word after the start");
    held(&field, &witness, AlarmId::StateLost);
    let opened = witness.on(&field.valve()).into_iter();
    assert_eq!(opened.filter(|h| h.at >= since && h.payload == "ON").count(), 0);
    // Starting a program on a busy machine; nothing can open before.
    let secs = (first.at - since).as_secs_f64();
    Took { secs, bound: Some((10.0, " from the start of the program to the close")) }
}
