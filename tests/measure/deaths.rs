//! Seconds from each kind of death to `close` on the valve's topic, on both brokers.

use crate::site::{Daemon, Field, PATIENCE, wall};
use crate::support::broker::{Broker, Kind};
use crate::support::client::Witness;
use crate::support::namespace::Namespace;
use crate::support::proxy::{Proxy, What};
use crate::support::wait;
use crate::trials;
use permeated::edge::mqtt::guard::BACK_WITHIN;
use rustix::process::Signal;
use std::time::{Duration, Instant};

#[derive(Clone, Copy, Debug)]
enum Death {
    Kill,
    Stop,
    Hang,
    HalfOpen,
    /// Every packet between daemon and broker is dropped.
    Cut,
    /// The broker is killed: nothing of ours closes until it is back.
    Broker,
}

impl Death {
    const ALL: [Self; 6] =
        [Self::Kill, Self::Stop, Self::Hang, Self::HalfOpen, Self::Cut, Self::Broker];

    /// What `check` says: at once when the system has ended the process (a second and the machine's
    /// own delays; the ending itself can take seconds where the memory of a program that was just
    /// built is still on its way to the disk, and is told apart); 3 s without a sign of life
    /// and a look; 1.5 times the guard's keep-alive of 5 s and 6 s for the broker's round; and from
    /// the broker's return the longest pause between two attempts.
    fn bound(self) -> Duration {
        match self {
            Self::Kill | Self::HalfOpen => Duration::from_millis(2_000),
            Self::Hang => Duration::from_millis(5_000),
            Self::Stop | Self::Cut => Duration::from_millis(13_500),
            Self::Broker => BACK_WITHIN,
        }
    }
}

/// Client id of the guard connection.
const GUARD: &str = "permeated-cellar-valve";
/// An open is dead when it is this old.
const OPEN_AGE_MAX: Duration = Duration::from_secs(2);

/// What one trial found.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Closed {
    /// From the death to the close.
    took: Duration,
    /// How much of it the system took to end the process that it was told to kill.
    ending: Duration,
}

impl Closed {
    fn after(took: Duration) -> Self {
        Self { took, ending: Duration::ZERO }
    }
}

/// What one trial found, or why it could not be tried here.
type Tried = Result<Closed, String>;

/// The daemon in a network namespace: the packets of its link are dropped.
fn cut(kind: Kind) -> Tried {
    let space = Namespace::new()?;
    // Without logins our own broker listens on loopback only; what is cut is the link before the proxy,
    // and the broker misses the daemon's words as it would miss its packets.
    let broker = match kind {
        Kind::Mosquitto => Broker::start_open(kind),
        Kind::Own => Broker::start(kind),
    };
    let proxy = (kind == Kind::Own).then(|| Proxy::open(broker.port()));
    let port = proxy.as_ref().map_or(broker.port(), Proxy::port);
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let through = space.through();
    let mut daemon = Daemon::start_far("d1", &space.host(), port, &["cellar"], &through);
    field.run_water(&witness);
    let died = Instant::now();
    space.cut();
    let closed = field.command_since(&witness, "OFF", died).at;
    // What the daemon says into the dead link reaches nobody, its opens least of all.
    wait::never("an open through a cut link", Duration::from_secs(2), || {
        witness.on(&field.valve()).iter().any(|heard| heard.at >= died && heard.payload == "ON")
    });
    daemon.kill();
    Ok(Closed::after(closed - died))
}

/// The broker dies while water runs, and comes back after a while: the valve's own watchdog is all
/// that closes meanwhile; then the guard's first word on the valve's topic is close. It is read off
/// the wire: another client may be back later than the guard and would miss that word.
fn broker_dies(kind: Kind, number: u64) -> Tried {
    let mut broker = Broker::start(kind);
    let proxy = Proxy::new(broker.port());
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let mut daemon = Daemon::start("d1", proxy.port(), &["cellar"]);
    field.run_water(&witness);
    broker.kill();
    let died = Instant::now();
    let away = Duration::from_millis(500 + number * 2_390 % 20_000);
    wait::until("the broker has been away", PATIENCE, || died.elapsed() >= away);
    let (valve, guards) = (field.valve(), proxy.connections_of(GUARD).len());
    broker.up();
    let back = Instant::now();
    let (payload, at) = wait::until_some("a word on the valve's topic", PATIENCE, || {
        let (link, _) = *proxy.connections_of(GUARD).get(guards)?;
        proxy.wire().into_iter().filter(|one| one.link == link).find_map(|one| match one.what {
            What::Publish { topic, payload } if topic == valve => Some((payload, one.passed)),
            _ => None,
        })
    });
    assert_eq!(payload, "OFF", "the first word after the broker's return");
    daemon.kill();
    account_for_opens(&proxy, &witness, &field, &daemon);
    Ok(Closed::after(at.saturating_duration_since(back)))
}

fn trial(kind: Kind, death: Death, number: u64) -> Tried {
    match death {
        Death::Cut => return cut(kind),
        Death::Broker => return broker_dies(kind, number),
        Death::Kill | Death::Stop | Death::Hang | Death::HalfOpen => {}
    }
    let broker = Broker::start(kind);
    let proxy = Proxy::new(broker.port());
    let witness = Witness::new(broker.port(), &["#"]);
    let field = Field::start(broker.port(), "cellar");
    let mut daemon = Daemon::start("d1", proxy.port(), &["cellar"]);
    field.run_water(&witness);
    if matches!(death, Death::HalfOpen) {
        let (guards, stalled) = (proxy.connections_of(GUARD).len(), Instant::now());
        proxy.stall();
        wait::until("the guard is back on a new link", Duration::from_secs(90), || {
            proxy.connections_of(GUARD).len() > guards
        });
        // From then on an open may come at any moment: `account_for_opens` judges those.
        let (_, back) = proxy.connections_of(GUARD)[guards];
        let opens = witness.on(&field.valve()).into_iter();
        let opens = opens.filter(|heard| (stalled..back).contains(&heard.at));
        assert_eq!(
            opens.filter(|heard| heard.payload == "ON").count(),
            0,
            "an open of before the reconnect"
        );
        // The demand stands, so it opens again. Half of the trials kill when that has been heard, the
        // others at whatever moment it may be, the open on its way included.
        if number.is_multiple_of(2) {
            let opened = field.command_since(&witness, "ON", stalled).at;
            let closed = field.command_since(&witness, "OFF", stalled).at;
            assert!(closed <= opened, "an open ahead of the close after the reconnect");
        } else {
            let moment = Instant::now() + Duration::from_millis(number * 739 % 7_000);
            wait::until("the moment", PATIENCE, || Instant::now() >= moment);
        }
    }
    let died = Instant::now();
    let mut ending = Duration::ZERO;
    match death {
        Death::Kill | Death::HalfOpen => {
            daemon.kill();
            ending = died.elapsed();
        }
        Death::Stop => daemon.signal(Signal::STOP),
        Death::Hang => daemon.signal(Signal::USR1),
        Death::Cut | Death::Broker => unreachable!("tried above"),
    }
    let closed = field.command_since(&witness, "OFF", died).at;
    // A stalled link that heals now has nothing left to say either.
    proxy.heal();
    match death {
        Death::Kill | Death::HalfOpen => {}
        Death::Stop => {
            daemon.signal(Signal::CONT);
            daemon.kill();
        }
        Death::Hang | Death::Cut | Death::Broker => daemon.kill(),
    }
    wait::never("an open after the last close", Duration::from_secs(2), || {
        let heard = witness.on(&field.valve());
        heard.iter().rposition(|h| h.payload == "ON")
            > heard.iter().rposition(|h| h.payload == "OFF")
    });
    account_for_opens(&proxy, &witness, &field, &daemon);
    Ok(Closed { took: closed - died, ending })
}

/// Every open that the broker's clients saw was published on the guard connection that was the newest
/// then, was decided after that connection was made, and was not too old when the broker got it.
fn account_for_opens(proxy: &Proxy, witness: &Witness, field: &Field, daemon: &Daemon) {
    let (now, wall) = (Instant::now(), wall());
    let instant = |at: i64| now - Duration::from_millis((wall - at).unsigned_abs());
    let decided: Vec<Instant> = daemon.decided_opens().into_iter().map(instant).collect();
    let connections = proxy.connections_of(GUARD);
    let open = What::Publish { topic: field.valve(), payload: "ON".into() };
    let wire: Vec<_> = proxy.wire().into_iter().filter(|one| one.what == open).collect();
    let heard: Vec<_> =
        witness.on(&field.valve()).into_iter().filter(|heard| heard.payload == "ON").collect();
    assert!(!heard.is_empty() && heard.len() <= wire.len(), "{} of {}", heard.len(), wire.len());
    // Walls are milliseconds, and the broker's answer and its log line take a moment each.
    let slack = Duration::from_millis(50);
    for open in &wire {
        let newest = connections.iter().rfind(|(_, at)| *at <= open.passed);
        let (link, connected) = *newest.expect("an open needs a connection");
        assert_eq!(open.link, link, "an open on an older connection: {open:?} {connections:?}");
        let decision = decided.iter().filter(|at| **at <= open.read + slack).max();
        let decision = *decision.expect("no open without its record");
        assert!(decision + slack >= connected, "decided before the connection: {open:?}");
        let age = open.passed.saturating_duration_since(decision);
        assert!(age <= OPEN_AGE_MAX + slack, "{age:?} old: {open:?}");
    }
}

/// A test that was killed leaves its link behind: the next one that begins at the same number, as
/// process numbers come round, must not share its addresses.
#[test]
fn two_places_that_begin_at_one_number_have_addresses_of_their_own() {
    match (Namespace::from(0), Namespace::from(0)) {
        (Ok(one), Ok(other)) => assert_ne!(one.host(), other.host()),
        (Err(why), _) | (_, Err(why)) => println!("NOT TRIED: {why}"),
    }
}

#[test]
fn every_death_closes_within_its_bound() {
    let trials = trials(2, 20);
    let rows: Vec<_> = [Kind::Mosquitto, Kind::Own]
        .into_iter()
        .flat_map(|kind| Death::ALL.map(|death| (kind, death)))
        .map(|(kind, death)| {
            let row = std::thread::spawn(move || {
                let took: Result<Vec<Closed>, String> =
                    (0..trials).map(|number| trial(kind, death, number)).collect();
                took.map(|mut took| {
                    took.sort();
                    took
                })
            });
            (kind, death, row)
        })
        .collect();
    println!("death      broker      trials   min s  median s   max s  bound s  ending s");
    let mut late = Vec::new();
    for (kind, death, row) in rows {
        let took = match row.join().expect("no trial failed") {
            Ok(took) => took,
            Err(why) => {
                println!(
                    "{:<10} {:<11} NOT TRIED: {why}",
                    format!("{death:?}"),
                    format!("{kind:?}")
                );
                continue;
            }
        };
        let (min, median, max) =
            (took[0].took, took[took.len() / 2].took, took[took.len() - 1].took);
        let ending = took.iter().map(|one| one.ending).max().expect("at least one trial");
        println!(
            "{:<10} {:<11} {:>6} {:>7.3} {:>9.3} {:>7.3} {:>8.1} {:>9.3}",
            format!("{death:?}"),
            format!("{kind:?}"),
            took.len(),
            min.as_secs_f64(),
            median.as_secs_f64(),
            max.as_secs_f64(),
            death.bound().as_secs_f64(),
            ending.as_secs_f64()
        );
        let over = took.iter().filter(|one| one.took > death.bound() + one.ending);
        late.extend(over.map(|one| (kind, death, *one)));
    }
    assert!(late.is_empty(), "later than the bound: {late:?}");
}
