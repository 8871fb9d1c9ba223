//! What the daemon costs while nothing happens: one plant, 20 sensors at 5 s.

use crate::published::full;
use crate::site::{Daemon, PATIENCE};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::proxy::Proxy;
use crate::support::wait;
use std::fmt::Write as _;
use std::time::{Duration, Instant};

const INTERVAL: Duration = Duration::from_secs(5);
/// Sensors of the full plant.
const OF_THE_PLANT: usize = 16;
const SENSORS: usize = 20;

#[test]
fn an_idle_daemon_costs_little() {
    let is_long = std::env::var("PERMEATED_MEASURE").is_ok_and(|value| value == "1");
    let time = Duration::from_secs(if is_long { 600 } else { 15 });
    let broker = Broker::start(Kind::Mosquitto);
    let proxy = Proxy::new(broker.port());
    let field = Witness::new(broker.port(), &[]);
    let witness = Witness::new(broker.port(), &["permeated/5/reef/guard/permit"]);
    let mut more = "[database]\nurl = \"\"\n".to_owned();
    for number in OF_THE_PLANT..SENSORS {
        let _ = write!(
            more,
            "[plants.reef.sensors.room-{number}]\ntopic = \"cellar/room/{number}\"\n\
             quantity = \"temperature\"\npoint = \"room\"\nunit = \"C\"\ninterval_secs = 5\n"
        );
    }
    let daemon = Daemon::with_settings(proxy.port(), include_str!("../../config/full.toml"), &more);
    wait::until("it runs", PATIENCE, || {
        witness.count("permeated/5/reef/guard/permit") > 0
            && ["valve", "pump"]
                .iter()
                .all(|effect| !proxy.connections_of(&format!("permeated-reef-{effect}")).is_empty())
    });
    let (valve, _) = proxy.connections_of("permeated-reef-valve")[0];
    let mut round = 0;
    let mut say = || {
        // Standing water: the meters do not move, the valve is closed.
        for (topic, payload) in full(0) {
            let payload = if topic == "cellar/valve/state" { "OFF".to_owned() } else { payload };
            field.publish_fast(topic, payload);
        }
        for number in OF_THE_PLANT..SENSORS {
            let degrees = 18.0 + f64::from(round % 3) / 10.0;
            field.publish_fast(&format!("cellar/room/{number}"), degrees.to_string());
        }
        round += 1;
    };
    // The first minute has other work to do than the following years.
    say();
    let (mut next, settled) = (Instant::now() + INTERVAL, Instant::now() + INTERVAL);
    let mut wait_while_saying = |until: Instant| {
        wait::until("a while", time + PATIENCE, || {
            if Instant::now() >= next {
                next += INTERVAL;
                say();
            }
            Instant::now() >= until
        });
    };
    wait_while_saying(settled);
    let (processor, guard, all, since) =
        (daemon.processor_secs(), proxy.bytes_of(valve), proxy.bytes(), Instant::now());
    wait_while_saying(since + time);
    let secs = since.elapsed().as_secs_f64();
    let share = (daemon.processor_secs() - processor) / secs * 100.0;
    let minute = |bytes: u64| bytes as f64 * 60.0 / secs;
    let guard = proxy.bytes_of(valve) - guard;
    let (up, down) = (proxy.bytes().0 - all.0, proxy.bytes().1 - all.1);
    println!(
        "idle, {SENSORS} sensors at 5 s, {secs:.0} s: {share:.2} % of one processor, resident {:.1} MiB, \
         peak {:.1} MiB; bytes a minute of MQTT: one guard connection {:.0}, all connections to the \
         broker {:.0}, from it {:.0} ({})",
        daemon.status("VmRSS") as f64 / 1024.0,
        daemon.status("VmHWM") as f64 / 1024.0,
        minute(guard),
        minute(up),
        minute(down),
        if cfg!(debug_assertions) { "debug build" } else { "release build" }
    );
    assert!(guard > 0 && minute(guard) < 300.0, "{guard} bytes");
    assert!(share < if cfg!(debug_assertions) { 20.0 } else { 3.0 }, "{share} %");
}
