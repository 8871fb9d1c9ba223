//! Seconds from each kind of death to `close` on the valve's topic, on both brokers.

use crate::site::{Daemon, Field};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::proxy::Proxy;
use crate::support::wait;
use rustix::process::Signal;
use std::time::{Duration, Instant};

/// 1.5 times the guard's keep-alive of 5 s, and 6 s for the broker's round.
const BOUND: Duration = Duration::from_millis(13_500);

#[derive(Clone, Copy, Debug)]
enum Death {
    Kill,
    Stop,
    Hang,
    HalfOpen,
}

fn trial(kind: Kind, death: Death) -> Duration {
    let broker = Broker::start(kind);
    let proxy = Proxy::new(broker.port());
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let mut daemon = Daemon::start("d1", proxy.port(), &["cellar"]);
    field.run_water(&witness);
    if matches!(death, Death::HalfOpen) {
        let (links, stalled) = (proxy.accepted(), Instant::now());
        proxy.stall();
        // Both connections, the main one and the guard's, are made anew.
        wait::until("the links are made anew", Duration::from_secs(90), || {
            proxy.accepted() >= links + 2
        });
        let opens = witness
            .on(&field.valve())
            .into_iter()
            .filter(|heard| heard.at >= stalled && heard.payload == "ON");
        assert_eq!(opens.count(), 0, "an open of before the reconnect");
        // The demand stands, so it opens again, but only after the new connection's close.
        let opened = field.command_since(&witness, "ON", stalled).at;
        let closed = field.command_since(&witness, "OFF", stalled).at;
        assert!(closed <= opened, "an open ahead of the close after the reconnect");
    }
    let died = Instant::now();
    match death {
        Death::Kill | Death::HalfOpen => daemon.signal(Signal::KILL),
        Death::Stop => daemon.signal(Signal::STOP),
        Death::Hang => daemon.signal(Signal::USR1),
    }
    let closed = field.command_since(&witness, "OFF", died).at;
    let opens =
        witness.on(&field.valve()).into_iter().filter(|h| h.at >= died && h.payload == "ON");
    assert_eq!(opens.count(), 0, "an open after the death");
    if matches!(death, Death::Stop) {
        daemon.signal(Signal::CONT);
    }
    daemon.kill();
    closed - died
}

#[test]
fn every_death_closes_within_its_bound() {
    let is_long = std::env::var("PERMEATED_MEASURE").is_ok_and(|value| value == "1");
    let trials = std::env::var("PERMEATED_TRIALS")
        .ok()
        .and_then(|value| value.parse().ok())
        .unwrap_or(if is_long { 20 } else { 1 });
    assert!(trials > 0, "PERMEATED_TRIALS must be at least 1");
    let rows: Vec<_> = [Kind::Mosquitto, Kind::Own]
        .into_iter()
        .flat_map(|kind| {
            [Death::Kill, Death::Stop, Death::Hang, Death::HalfOpen].map(|death| (kind, death))
        })
        .map(|(kind, death)| {
            let row = std::thread::spawn(move || {
                let mut took: Vec<Duration> = (0..trials).map(|_| trial(kind, death)).collect();
                took.sort();
                took
            });
            (kind, death, row)
        })
        .collect();
    println!("death      broker      trials   min s  median s   max s  bound s");
    let mut late = Vec::new();
    for (kind, death, row) in rows {
        let took = row.join().expect("no trial failed");
        let (min, median, max) = (took[0], took[took.len() / 2], took[took.len() - 1]);
        println!(
            "{:<10} {:<11} {:>6} {:>7.3} {:>9.3} {:>7.3} {:>8.1}",
            format!("{death:?}"),
            format!("{kind:?}"),
            took.len(),
            min.as_secs_f64(),
            median.as_secs_f64(),
            max.as_secs_f64(),
            BOUND.as_secs_f64()
        );
        if max > BOUND {
            late.push((kind, death, max));
        }
    }
    assert!(late.is_empty(), "later than the bound: {late:?}");
}
