//! The main connection: readiness, outages, republishing, liveness.

use crate::harness::{Harness, PATIENCE, capture_log, log, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::fake_broker::{Behaviour, FakeBroker};
use crate::support::port::free_port;
use crate::support::proxy::Proxy;
use crate::support::wait;
use permeated::engine::catalogue::SignalId;
use permeated::engine::event::Event;
use permeated::engine::output::{Datum, Output, ValueKey, ValueUpdate};
use permeated::engine::time::Mono;
use permeated::engine::value::{Basis, Flag, NoReading};
use std::collections::BTreeMap;
use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

const KINDS: [Kind; 2] = [Kind::Mosquitto, Kind::Own];
const STATE: &str = "permeated/5/d1/$state";

fn value(signal: SignalId, datum: Result<Datum, NoReading>, u: Option<f64>) -> Output {
    Output::Value(ValueUpdate {
        key: ValueKey { signal, of: None },
        datum,
        u,
        flag: Flag::Good,
        reasons: Vec::new(),
        basis: Basis::Measured,
        stamp: None,
        store: true,
    })
}

#[test]
fn values_go_out_plain_and_absent_ones_are_cleared() {
    for kind in KINDS {
        let broker = Broker::start(kind);
        let harness = Harness::start(broker.port());
        harness.wait_ready();
        let say = |output: &Output| harness.plant.carry_out(output, Mono::ZERO);
        say(&value(SignalId::Rejection, Ok(Datum::Number(0.9731)), Some(0.0023)));
        say(&value(SignalId::Recovery, Ok(Datum::Number(f64::NAN)), None));
        say(&value(SignalId::Permitted, Ok(Datum::Flag(true)), None));
        let all = || -> BTreeMap<String, String> {
            retained(broker.port(), "permeated/5/reef/membrane/+")
                .into_iter()
                .chain(retained(broker.port(), "permeated/5/reef/guard/permitted"))
                .map(|(topic, payload)| (topic.replace("permeated/5/reef/", ""), payload))
                .collect()
        };
        let expected = BTreeMap::from(
            [
                ("membrane/rejection", "97.31"),
                ("membrane/rejection-quality", "good"),
                ("membrane/rejection-u", "0.23"),
                ("membrane/recovery-quality", "absent"),
                ("guard/permitted", "true"),
            ]
            .map(|(topic, payload)| (topic.to_owned(), payload.to_owned())),
        );
        wait::until("the values", PATIENCE, || all() == expected);
        say(&value(SignalId::Rejection, Err(NoReading::Stale), None));
        wait::until("rejection is cleared", PATIENCE, || {
            let now = all();
            !now.contains_key("membrane/rejection")
                && !now.contains_key("membrane/rejection-u")
                && now["membrane/rejection-quality"] == "absent"
        });
    }
}

#[test]
fn a_broker_that_forgot_everything_is_told_everything() {
    for kind in KINDS {
        let mut broker = Broker::start(kind);
        let harness = Harness::start(broker.port());
        harness.wait_ready();
        harness
            .plant
            .carry_out(&value(SignalId::Rejection, Ok(Datum::Number(0.97)), None), Mono::ZERO);
        wait::until("published", PATIENCE, || {
            !retained(broker.port(), "permeated/5/reef/membrane/rejection").is_empty()
        });
        broker.kill();
        harness.wait(&Event::BrokerLost);
        assert!(!harness.board.health().broker_ready);
        let since = Instant::now();
        broker.up();
        harness.wait_times(&Event::BrokerReady, 2);
        println!("{kind:?}: ready {:?} after the broker was back", since.elapsed());
        wait::until("everything is there again", PATIENCE, || {
            retained(broker.port(), "permeated/5/reef/membrane/rejection").len() == 1
                && retained(broker.port(), STATE) == [(STATE.to_owned(), "ready".to_owned())]
        });
        // Subscriptions too.
        let witness = Witness::new(broker.port(), &[]);
        witness.publish("inlet/pressure", "60", false);
        wait::until("a reading", PATIENCE, || {
            !harness.values(crate::harness::sensor("inlet")).is_empty()
        });
    }
}

#[test]
fn a_stop_says_disconnected_and_a_death_says_lost() {
    for kind in KINDS {
        let broker = Broker::start(kind);
        let proxy = Proxy::new(broker.port());
        let witness = Witness::new(broker.port(), &[STATE]);
        let mut harness = Harness::start(proxy.port());
        harness.wait_ready();
        witness.wait_for(STATE, "ready", PATIENCE);
        proxy.cut();
        witness.wait_for(STATE, "lost", PATIENCE);
        harness.wait_times(&Event::BrokerReady, 2);
        wait::until("ready again", PATIENCE, || witness.last(STATE).as_deref() == Some("ready"));
        harness.stop();
        wait::until("disconnected", PATIENCE, || {
            witness.last(STATE).as_deref() == Some("disconnected")
        });
    }
}

/// Mosquitto grants subscriptions that its access rules then starve; brokers that say no are played by
/// a fake one.
#[test]
fn a_refused_subscription_is_named_and_not_ready_and_what_is_known_is_told_all_the_same() {
    capture_log();
    let fake = FakeBroker::start(Behaviour { refuses: &["inlet/pressure"], acknowledges: true });
    let mut settings = settings(fake.port());
    settings.plants.get_mut("reef").expect("there").actuators.clear();
    let harness = Harness::with(settings);
    wait::until("our state is published", PATIENCE, || fake.published().contains(STATE));
    wait::until("the refusal is named", PATIENCE, || {
        log().lines().any(|line| {
            line.contains("refused a subscription")
                && line.contains("topic=inlet/pressure")
                && line.contains("plant 'reef', sensor 'inlet'")
        })
    });
    wait::never("ready without inlet/pressure", Duration::from_secs(1), || {
        harness.count(&Event::BrokerReady) > 0 || harness.board.health().broker_ready
    });
    assert_eq!(fake.connections(), 1, "the connection stays");
}

#[test]
fn a_link_that_stalls_is_noticed_by_the_missing_echo() {
    let broker = Broker::start(Kind::Mosquitto);
    let proxy = Proxy::new(broker.port());
    let harness = Harness::start(proxy.port());
    harness.wait_ready();
    let since = Instant::now();
    proxy.stall();
    harness.wait(&Event::BrokerLost);
    let after = since.elapsed();
    println!("stalled main link noticed after {after:?}");
    assert!(after < Duration::from_secs(9), "{after:?}");
    harness.wait_times(&Event::BrokerReady, 2);
    // The old link's will comes when the broker gives it up; what holds is what we say.
    let witness = Witness::new(broker.port(), &[STATE]);
    wait::until("ready", PATIENCE, || witness.last(STATE).as_deref() == Some("ready"));
}

#[test]
fn a_second_daemon_with_our_id_is_seen_and_its_end_too() {
    let broker = Broker::start(Kind::Mosquitto);
    let first = Harness::start(broker.port());
    first.wait_ready();
    {
        let mut settings = settings(broker.port());
        // Another plant, so that the two do not fight for the guard's client id here.
        let plant = settings.plants.remove("reef").expect("there");
        settings.plants.insert("other".into(), plant);
        let second = Harness::with(settings);
        first.wait(&Event::OtherInstance { present: true });
        second.wait(&Event::OtherInstance { present: true });
    }
    first.wait(&Event::OtherInstance { present: false });
    wait::until("what the other said on its way out is put right", PATIENCE, || {
        retained(broker.port(), STATE) == [(STATE.to_owned(), "ready".to_owned())]
    });
}

#[test]
fn without_a_broker_attempts_are_few() {
    let port = free_port();
    let listener = TcpListener::bind(("127.0.0.1", port)).expect("free");
    let attempts = Arc::new(AtomicU64::new(0));
    std::thread::spawn({
        let attempts = Arc::clone(&attempts);
        move || {
            for stream in listener.incoming() {
                attempts.fetch_add(1, Ordering::SeqCst);
                drop(stream);
            }
        }
    });
    let mut settings = settings(port);
    settings.plants.get_mut("reef").expect("there").actuators.clear();
    let harness = Harness::with(settings);
    wait::never("many attempts", Duration::from_secs(3), || attempts.load(Ordering::SeqCst) > 12);
    assert!(attempts.load(Ordering::SeqCst) >= 2);
    assert_eq!(harness.count(&Event::BrokerReady), 0);
}

/// A broker that grants everything, echoes the heartbeat, and never acknowledges a publish: what the
/// client's known wedge looks like from outside.
#[test]
fn a_client_that_gets_no_acknowledgements_is_rebuilt() {
    let fake = FakeBroker::start(Behaviour { refuses: &[], acknowledges: false });
    let mut settings = settings(fake.port());
    settings.plants.get_mut("reef").expect("there").actuators.clear();
    let harness = Harness::with(settings);
    harness.wait(&Event::BrokerReady);
    harness.wait(&Event::BrokerLost);
    harness.wait_times(&Event::BrokerReady, 2);
    assert!(fake.connections() >= 2);
}

#[test]
fn what_is_too_large_to_send_is_left_out_and_costs_no_connection() {
    let broker = Broker::start(Kind::Mosquitto);
    let mut settings = settings(broker.port());
    settings.broker.packet_max_bytes = 2048;
    let harness = Harness::with(settings);
    harness.wait_ready();
    let bus = harness.bus.as_ref().expect("running");
    wait::until("the description is refused", PATIENCE, || bus.outbox().counts().too_large > 0);
    wait::until("the rest is published", PATIENCE, || {
        retained(broker.port(), STATE) == [(STATE.to_owned(), "ready".to_owned())]
    });
    assert_eq!(harness.count(&Event::BrokerLost), 0);
}
