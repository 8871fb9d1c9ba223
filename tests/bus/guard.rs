//! The guard connections: what the valve topic sees in each death.

use crate::child::GuardChild;
use crate::harness::{Harness, PATIENCE, VALVE, settings};
use crate::support::broker::{Broker, Kind};
use crate::support::client::{Witness, retained};
use crate::support::proxy::Proxy;
use crate::support::wait;
use permeated::engine::event::Event;
use permeated::engine::output::{Action, Output, Send};
use permeated::engine::time::Mono;
use permeated::settings::schema::OnStop;
use std::time::{Duration, Instant};

const CONNECTED: Event = Event::GuardConnected { actuator: VALVE };
const LOST: Event = Event::GuardLost { actuator: VALVE };
const ACKNOWLEDGED: Event = Event::CloseAcknowledged { actuator: VALVE };
const TOPIC: &str = "valve/set";
const KINDS: [Kind; 2] = [Kind::Mosquitto, Kind::Own];

fn opened(kind: Kind) -> (Broker, Harness, Witness) {
    let broker = Broker::start(kind);
    let witness = Witness::new(broker.port(), &[TOPIC]);
    let harness = Harness::start(broker.port());
    harness.wait_ready();
    harness.send(Action::Open);
    witness.wait_for(TOPIC, "OPEN", PATIENCE);
    (broker, harness, witness)
}

/// Guard and main connection up, through a proxy; closed, and the close acknowledged.
fn behind_a_proxy(kind: Kind) -> (Broker, Proxy, Harness, Witness) {
    let broker = Broker::start(kind);
    let proxy = Proxy::new(broker.port());
    let harness = Harness::start(proxy.port());
    harness.wait_ready();
    harness.send(Action::Close);
    harness.wait(&ACKNOWLEDGED);
    let witness = Witness::new(broker.port(), &[TOPIC]);
    (broker, proxy, harness, witness)
}

/// From `since` to the close on the topic.
fn close_after(witness: &Witness, since: Instant, within: Duration) -> Duration {
    let heard = wait::until_some("a close on the valve topic", within, || {
        witness.on(TOPIC).into_iter().find(|heard| heard.payload == "CLOSE" && heard.at >= since)
    });
    heard.at.duration_since(since)
}

#[test]
fn a_close_is_acknowledged_and_an_open_is_neither_retained_nor_repeated() {
    for kind in KINDS {
        let (broker, harness, witness) = opened(kind);
        harness.send(Action::Close);
        harness.wait(&ACKNOWLEDGED);
        witness.wait_for(TOPIC, "CLOSE", PATIENCE);
        assert!(witness.on(TOPIC).iter().all(|heard| !heard.retained));
        assert_eq!(retained(broker.port(), TOPIC), [], "{kind:?}: nothing is stored");
        assert_eq!(witness.on(TOPIC).iter().filter(|heard| heard.payload == "OPEN").count(), 1);
    }
}

/// A flat and the one above it, each with a daemon and a tree of its own on one broker: one id for
/// both guards would make the broker end the other's connection, each time with a close.
#[test]
fn daemons_with_trees_of_their_own_leave_each_others_guards_alone() {
    let broker = Broker::start(Kind::Mosquitto);
    let [below, above] = ["permeated", "upstairs"].map(|root| {
        let mut settings = settings(broker.port());
        settings.broker.root = root.into();
        Harness::with(settings)
    });
    below.wait_ready();
    above.wait_ready();
    wait::never("a guard that loses its connection", Duration::from_secs(2), || {
        below.count(&LOST) + above.count(&LOST) > 0
    });
}

#[test]
fn an_engine_that_hangs_loses_its_valve_within_its_bound() {
    for kind in KINDS {
        let (_broker, harness, witness) = opened(kind);
        let since = Instant::now();
        harness.hang();
        let after = close_after(&witness, since, Duration::from_secs(8));
        println!("{kind:?}: engine hang to close: {after:?}");
        assert!(after >= Duration::from_millis(2_500), "{kind:?}: not before 3 s of silence");
        assert!(after <= Duration::from_secs(5), "{kind:?}: {after:?}");
        harness.wait(&LOST);
        // Without beats it stays away; with beats it comes back.
        wait::never("a reconnect without a beat", Duration::from_secs(1), || {
            harness.count(&CONNECTED) > 1
        });
        harness.wake();
        harness.wait_times(&CONNECTED, 2);
    }
}

#[test]
fn a_panic_drops_the_socket_at_once() {
    for kind in KINDS {
        let (_broker, harness, witness) = opened(kind);
        let since = Instant::now();
        harness.plant.alive().poison();
        let after = close_after(&witness, since, PATIENCE);
        println!("{kind:?}: panic to close: {after:?}");
        assert!(after <= Duration::from_secs(1), "{kind:?}: {after:?}");
        harness.plant.alive().revive();
        harness.wait_times(&CONNECTED, 2);
    }
}

/// The proof of the will: the link is dropped on purpose, the broker closes the valve, that close is
/// not taken for our own, and the guard comes back.
#[test]
fn a_guard_dropped_for_a_proof_shows_the_brokers_close_and_comes_back() {
    for kind in KINDS {
        let (_broker, harness, witness) = opened(kind);
        let since = Instant::now();
        harness.plant.carry_out(&Output::DropGuard { actuator: VALVE }, Mono::ZERO);
        let after = close_after(&witness, since, PATIENCE);
        println!("{kind:?}: drop to close: {after:?}");
        assert!(after <= Duration::from_secs(1), "{kind:?}: {after:?}");
        harness.wait(&LOST);
        harness.wait(&Event::SeenOnTopic { actuator: VALVE, open: false });
        harness.wait_times(&CONNECTED, 2);
        assert_eq!(witness.on(TOPIC).iter().filter(|heard| heard.payload == "OPEN").count(), 1);
    }
}

/// The engine may be back before the guard has looked: its valve closes all the same.
#[test]
fn a_panic_that_is_over_at_once_still_drops_the_socket() {
    let (_broker, harness, witness) = opened(Kind::Mosquitto);
    let since = Instant::now();
    harness.plant.alive().poison();
    harness.plant.alive().revive();
    close_after(&witness, since, PATIENCE);
    harness.wait_times(&CONNECTED, 2);
}

/// The driver has ended and beats no more while the daemon still writes its journal.
#[test]
fn a_stop_that_takes_its_time_still_says_goodbye() {
    let (_broker, mut harness, _witness) = opened(Kind::Mosquitto);
    harness.send(Action::Close);
    harness.wait(&ACKNOWLEDGED);
    harness.hang();
    let mut bus = harness.bus.take().expect("running");
    bus.stop_main();
    wait::never("the guard drops", Duration::from_secs(4), || {
        !harness.plant.guards()[VALVE].is_up()
    });
    assert!(bus.stop_guards());
}

#[test]
fn sigkill_closes_at_once() {
    for kind in KINDS {
        let broker = Broker::start(kind);
        let mut times = Vec::new();
        for _ in 0..5 {
            let witness = Witness::new(broker.port(), &[TOPIC]);
            let mut child = GuardChild::start(broker.port());
            let since = Instant::now();
            child.kill();
            times.push(close_after(&witness, since, PATIENCE));
        }
        let worst = times.iter().max().expect("some");
        println!("{kind:?}: SIGKILL to close, worst of {}: {worst:?}", times.len());
        assert!(*worst <= Duration::from_secs(2), "{kind:?}: {times:?}");
    }
}

#[test]
fn sigstop_closes_within_one_and_a_half_keep_alives_and_the_brokers_look() {
    std::thread::scope(|scope| {
        for kind in KINDS {
            scope.spawn(move || {
                let broker = Broker::start(kind);
                let witness = Witness::new(broker.port(), &[TOPIC]);
                let child = GuardChild::start(broker.port());
                let since = Instant::now();
                child.stop();
                let after = close_after(&witness, since, Duration::from_secs(30));
                println!("{kind:?}: SIGSTOP to close: {after:?}");
                assert!(after <= Duration::from_millis(14_000), "{kind:?}: {after:?}");
            });
        }
    });
}

/// A half-open link, a reconnect over it, and then a death: the old connection's will must not fire
/// on the takeover, the new connection must have one.
#[test]
fn a_reconnect_over_a_half_open_link_keeps_a_will_on_the_new_connection() {
    std::thread::scope(|scope| {
        for kind in KINDS {
            scope.spawn(move || {
                let broker = Broker::start(kind);
                let witness = Witness::new(broker.port(), &[TOPIC]);
                let proxy = Proxy::new(broker.port());
                let harness = Harness::start(proxy.port());
                harness.wait_ready();
                harness.send(Action::Open);
                witness.wait_for(TOPIC, "OPEN", PATIENCE);
                let since = Instant::now();
                proxy.stall();
                harness.wait_times(&CONNECTED, 2);
                let takeover = since.elapsed();
                let closes =
                    || witness.on(TOPIC).iter().filter(|heard| heard.payload == "CLOSE").count();
                let at_takeover = closes();
                let since = Instant::now();
                harness.plant.alive().poison();
                let after = close_after(&witness, since, Duration::from_secs(15));
                println!(
                    "{kind:?}: reconnect after {takeover:?}, closes until then {at_takeover}, \
                     death of the new connection to close {after:?}"
                );
                assert!(after <= Duration::from_secs(2), "{kind:?}: {after:?}");
                let opens = witness.on(TOPIC).iter().filter(|h| h.payload == "OPEN").count();
                assert_eq!(opens, 1, "{kind:?}: no open that was not decided");
            });
        }
    });
}

/// TCP takes no byte back. An open that was written to a link which has just stalled lies in it; the
/// link heals after the guard has come back on a new one. The broker has ended the old session by
/// then, so the old open reaches nobody.
#[test]
fn an_open_held_by_a_stalled_link_is_dead_once_the_guard_is_back() {
    std::thread::scope(|scope| {
        for kind in KINDS {
            scope.spawn(move || {
                let (_broker, proxy, harness, witness) = behind_a_proxy(kind);
                proxy.stall();
                harness.send(Action::Open);
                let sent = Instant::now();
                harness.wait_times(&CONNECTED, 2);
                println!("{kind:?}: open into a stalled link, back after {:?}", sent.elapsed());
                assert!(
                    sent.elapsed() < Duration::from_secs(5),
                    "given up at the open's age limit"
                );
                proxy.heal();
                wait::never("an open of the old connection", Duration::from_secs(3), || {
                    witness.on(TOPIC).iter().any(|heard| heard.payload == "OPEN")
                });
            });
        }
    });
}

/// The worst case: every path stalls, the guard cannot come back, and the old link heals before the
/// broker has lost patience with it. The open does arrive late, and a close follows at once, because
/// the guard has left that link with a reset: the broker fires the will.
#[test]
fn an_open_that_a_healed_link_delivers_late_is_followed_by_a_close_at_once() {
    std::thread::scope(|scope| {
        for kind in KINDS {
            scope.spawn(move || {
                let (_broker, proxy, harness, witness) = behind_a_proxy(kind);
                proxy.stall_all();
                harness.send(Action::Open);
                harness.wait(&LOST);
                let healed = Instant::now();
                proxy.heal();
                let closed = close_after(&witness, healed, PATIENCE);
                let is_open = |heard: &crate::support::client::Heard| heard.payload == "OPEN";
                let late = witness.on(TOPIC).iter().filter(|heard| is_open(heard)).count();
                println!("{kind:?}: healed, opens delivered late: {late}, closed after {closed:?}");
                assert!(closed <= Duration::from_secs(1), "{kind:?}: {closed:?}");
                wait::never("an open after that close", Duration::from_secs(3), || {
                    let heard = witness.on(TOPIC);
                    let close = heard.iter().rposition(|h| h.payload == "CLOSE");
                    heard.iter().rposition(is_open) > close
                });
            });
        }
    });
}

#[test]
fn an_open_without_a_connection_never_appears_and_a_close_is_caught_up() {
    for kind in KINDS {
        let (mut broker, harness, _) = opened(kind);
        broker.kill();
        harness.wait(&LOST);
        harness.send(Action::Open);
        harness.send(Action::Close);
        harness.send(Action::Open);
        assert_eq!(harness.plant.guards()[VALVE].counts().opens_dropped, 2);
        broker.up();
        let witness = Witness::new(broker.port(), &[TOPIC]);
        harness.wait_times(&CONNECTED, 2);
        harness.wait(&ACKNOWLEDGED);
        assert_eq!(harness.plant.guards()[VALVE].counts().opens, 1, "only the first one");
        assert!(witness.on(TOPIC).iter().all(|heard| heard.payload == "CLOSE"));
    }
}

#[test]
fn an_old_open_is_not_sent() {
    let (_broker, harness, witness) = opened(Kind::Mosquitto);
    let command =
        Send { actuator: VALVE, action: Action::Open, decided: Mono::from_millis(0), attempt: 0 };
    harness.plant.carry_out(&Output::Send(command), Mono::from_millis(2_000));
    harness.send(Action::Close);
    harness.wait(&ACKNOWLEDGED);
    assert_eq!(witness.on(TOPIC).iter().filter(|heard| heard.payload == "OPEN").count(), 1);
}

#[test]
fn a_clean_stop_says_goodbye_only_when_the_close_was_acknowledged() {
    for kind in KINDS {
        let (_broker, mut harness, witness) = opened(kind);
        harness.send(Action::Close);
        harness.wait(&ACKNOWLEDGED);
        let closes = witness.count(TOPIC);
        assert!(harness.stop(), "{kind:?}: it said goodbye");
        wait::never("a will after a goodbye", Duration::from_millis(700), || {
            witness.count(TOPIC) > closes
        });

        let (_broker, mut harness, witness) = opened(kind);
        let since = Instant::now();
        assert!(!harness.stop(), "{kind:?}: the valve is open: no goodbye");
        let after = close_after(&witness, since, PATIENCE);
        assert!(after <= Duration::from_secs(6), "{kind:?}: {after:?}");
    }
}

#[test]
fn on_stop_leave_leaves_the_valve_as_it_is() {
    let broker = Broker::start(Kind::Mosquitto);
    let witness = Witness::new(broker.port(), &[TOPIC]);
    let mut harness = Harness::with_stop(settings(broker.port()), OnStop::Leave);
    harness.wait_ready();
    harness.send(Action::Open);
    witness.wait_for(TOPIC, "OPEN", PATIENCE);
    assert!(harness.stop());
    wait::never("a close", Duration::from_millis(700), || {
        witness.on(TOPIC).iter().any(|heard| heard.payload == "CLOSE")
    });
}

#[test]
fn our_own_commands_are_not_taken_for_somebody_elses() {
    for kind in KINDS {
        let (_broker, harness, witness) = opened(kind);
        harness.send(Action::Close);
        harness.wait(&ACKNOWLEDGED);
        witness.publish(TOPIC, "OPEN", false);
        let foreign = Event::SeenOnTopic { actuator: VALVE, open: true };
        harness.wait(&foreign);
        assert_eq!(harness.count(&foreign), 1, "{kind:?}: only the foreign one");
        let close = Event::SeenOnTopic { actuator: VALVE, open: false };
        assert_eq!(harness.count(&close), 0, "{kind:?}: our own close is ours");
    }
}

/// What a guard connection costs when nothing happens. The packets are two bytes each way; with TCP
/// and IP headers and the acknowledgement about 160 bytes a ping.
#[test]
fn a_guard_connection_costs_next_to_nothing() {
    let broker = Broker::start(Kind::Mosquitto);
    let proxy = Proxy::new(broker.port());
    let mut settings = settings(proxy.port());
    settings.broker.guard_keep_alive_secs = 5;
    // Only the guard through the proxy: count what passes while the main connection is elsewhere.
    let harness = Harness::with(settings);
    harness.wait_ready();
    let guard = harness.plant.guards()[VALVE].clone();
    let before = guard.counts();
    let since = Instant::now();
    wait::until("ten seconds of idling", Duration::from_secs(20), || {
        since.elapsed() >= Duration::from_secs(10)
    });
    let after = guard.counts();
    let bytes = after.bytes_out + after.bytes_in - before.bytes_out - before.bytes_in;
    let secs = since.elapsed().as_secs_f64();
    println!("guard connection, keep-alive 5 s: {:.2} bytes/s of MQTT", bytes as f64 / secs);
    assert_eq!(after.connections, 1);
    assert!(bytes > 0 && (bytes as f64 / secs) < 5.0, "{bytes} in {secs} s");
}
