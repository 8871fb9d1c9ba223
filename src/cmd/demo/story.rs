//! What the demonstration shows, step by step, and what each fault must do.

use super::FaultName;
use super::children;
use super::plant::OFF_TIMER_SECS;
use super::stage::{Cut, Stage, Step};
use super::world::World;
use crate::demo::faults::Fault;
use crate::demo::publisher::Deed;
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::time::{Duration, Instant};

/// Patience for what the daemon does at once.
const SOON: Duration = Duration::from_secs(10);
/// Patience for a start of the processes.
const START: Duration = Duration::from_secs(30);
/// The engine gives a token every second; without one for 3 s the guard's socket is dropped, and the
/// broker publishes the will. Two seconds for a busy machine.
const HANG_BOUND: Duration = Duration::from_secs(5);

/// Permeate of the first start before anything breaks, L.
const START_LITRES: f64 = 4.0;

/// The whole story.
pub(super) fn tell(stage: &mut Stage, fault: Option<FaultName>, broker: SocketAddr) -> Step {
    start(stage)?;
    match fault {
        None => {
            settle(stage)?;
            spoiled(stage)?;
            back_again(stage)?;
            start_record(stage)
        }
        Some(FaultName::SpoiledProduct) => {
            litres(stage, 0.8)?;
            spoiled(stage)
        }
        Some(FaultName::ProductProbeStuckAtZero) => {
            litres(stage, 0.8)?;
            stuck(stage)
        }
        Some(FaultName::Leak) => {
            litres(stage, 0.3)?;
            leak(stage)
        }
        Some(FaultName::EngineHang) => {
            litres(stage, 0.3)?;
            hang(stage)
        }
        Some(FaultName::BrokerKilled) => {
            litres(stage, 0.3)?;
            broker_killed(stage, broker)
        }
    }
}

/// What the fault must do, for the first screen.
pub(super) const fn effect(fault: FaultName) -> &'static str {
    match fault {
        FaultName::SpoiledProduct => {
            "a third of the permeate goes round the resin; the daemon must close the valve before \
             1 L of it has passed, and must refuse a reset until a test run has shown pure water"
        }
        FaultName::ProductProbeStuckAtZero => {
            "the product probe shows 0 while the product spoils. Nothing can tell that from pure \
             water at once, so the valve must be expected to STAY OPEN: one probe is not enough, \
             and handheld readings are what finds it"
        }
        FaultName::Leak => {
            "a tube bursts behind the valve; the daemon must close within 2 s of the floor sensor's \
             first word, and must refuse a reset while the floor is wet"
        }
        FaultName::EngineHang => {
            "the daemon's engine stops dead with the valve open; its last will must close the valve \
             within 5 s by the clock, without the engine"
        }
        FaultName::BrokerKilled => {
            "the broker is killed with the valve open. Nothing of ours reaches the valve then; the \
             relay's own off-timer must close it, and no old `open` may come when the broker is back"
        }
    }
}

fn is_open(world: &World) -> Option<()> {
    (world.valve_open() == Some(true)).then_some(())
}

fn is_closed(world: &World) -> Option<()> {
    (world.valve_open() == Some(false)).then_some(())
}

/// From nothing to the first water.
fn start(stage: &mut Stage) -> Step {
    stage.wait("the daemon on the bus", START, |world| {
        (world.daemon_state() == Some("ready")).then_some(())
    })?;
    stage.say(
        "The daemon is on the bus. It permits nothing before every guarding sensor has spoken.",
    );
    stage.wait("the permit", START, |world| world.is_permitted().then_some(()))?;
    stage.say("Water may run; the container holds 40 L of 80, so water is wanted.");
    stage.wait("the valve to open", SOON, is_open)?;
    stage.say("The daemon has told the valve to open: one message, QoS 0, not retained.");
    Ok(())
}

/// Waits until this much product has been made since the valve opened.
fn litres(stage: &mut Stage, litres: f64) -> Step {
    let from = stage.world.number("plant/permeate-litres").unwrap_or(0.0);
    let patience = stage.by_clock(60.0 * (litres / 0.1), Duration::from_secs(20));
    stage.wait(&format!("{litres} L of permeate"), patience, |world| {
        (world.number("plant/permeate-litres")? - from >= litres).then_some(())
    })?;
    stage.say(&format!("{litres} L are made; {}.", qualities(&stage.world)));
    Ok(())
}

/// What the probes themselves say.
fn qualities(world: &World) -> String {
    let word = |id: &str| match world.probe(id) {
        Some(ppm) => format!("{ppm:.0}"),
        None => "-".to_owned(),
    };
    format!(
        "the probes read {} ppm in the permeate, {} after the first vessel, {} in the product",
        word("permeate-tds"),
        word("between-tds"),
        word("product-tds")
    )
}

/// A start with creep.
fn settle(stage: &mut Stage) -> Step {
    let from = stage.world.number("plant/permeate-litres").unwrap_or(0.0);
    let mut peak: f64 = 0.0;
    let mut next = 1.0;
    let mut told_peak = false;
    let patience = stage.by_clock(3_600.0, Duration::from_secs(60));
    let until = Instant::now() + patience;
    loop {
        stage.pass(Duration::from_millis(100))?;
        let made = stage.world.number("plant/permeate-litres").unwrap_or(from) - from;
        let Some(permeate) = stage.world.probe("permeate-tds") else { continue };
        peak = peak.max(permeate);
        if !told_peak && peak > 20.0 && permeate < 0.6 * peak {
            told_peak = true;
            stage.say(&format!(
                "First water after a night: the permeate probe went up to {peak:.0} ppm. Salt has \
                 crept through the standing membrane; this is the creep."
            ));
        }
        if made >= next && told_peak {
            stage.say(&format!("{made:.1} L: {}.", qualities(&stage.world)));
            next = made.floor() + 1.0;
        }
        if made >= START_LITRES {
            let share = |topic: &str, name: &str| {
                stage.world.value(topic).map(|value| format!("; {name} {value} %"))
            };
            let rejection = share("membrane/rejection", "rejection").unwrap_or_default();
            let recovery = share("membrane/recovery", "recovery").unwrap_or_default();
            stage.say(&format!(
                "The permeate probe reads {permeate:.0} ppm. The daemon's values: permeate {} ppm, smoothed \
                 over half a minute of the clock{rejection}{recovery}.",
                stage.world.value("permeate/tds").unwrap_or("-")
            ));
            return Ok(());
        }
        if Instant::now() >= until {
            return Err(Cut::Missing(format!("only {made:.1} L of permeate were made")));
        }
    }
}

/// Product spoils, the valve is closed, a reset is refused.
fn spoiled(stage: &mut Stage) -> Step {
    let since = Instant::now();
    let before = stage.publisher.report().truth.totals.product_litres;
    stage.publisher.deed(Deed::Break(Fault::SpoiledProduct));
    stage.say(&format!("Now {}.", Fault::SpoiledProduct.is()));
    let patience = stage.by_clock(600.0, Duration::from_secs(15));
    let trip = trip(stage, since, "product-tds-high", patience)?;
    let closed = closed(stage, since, SOON)?;
    let after = stage.publisher.report().truth.totals.product_litres;
    stage.say(&format!("Trip: {trip}"));
    stage.say(&format!(
        "The valve was told to close {:.0} s after the product spoiled ({:.1} s by the clock); {:.2} L \
         of it had passed by the plant's own books.",
        stage.plant_secs(closed),
        closed.as_secs_f64(),
        after - before
    ));
    if after - before >= 1.0 {
        return Err(Cut::Missing(format!(
            "the valve closed only after {:.2} L of spoiled product",
            after - before
        )));
    }
    let refusal = refused(stage, "product-tds-high", "it looks fine")?;
    stage.say("Somebody presses reset without having looked.");
    stage.say(&format!("The daemon answers: {refusal}"));
    Ok(())
}

/// Mended, proven by a test run, reset, on again.
fn back_again(stage: &mut Stage) -> Step {
    stage.publisher.deed(Deed::Mend(Fault::SpoiledProduct));
    stage.publisher.deed(Deed::ProductToDrain(true));
    stage.say("A person sets the vessel right, leads the product hose to the drain and asks for a test run.");
    let since = Instant::now();
    let id = stage.world.ask("test-run", json!({ "outlet_to_drain": true }));
    accepted(stage, &id)?;
    stage.wait("the valve to open for the test run", START, is_open)?;
    stage.say("Test run: water flows to the drain, with leak, level and pressure still armed.");
    let patience = stage.by_clock(1_500.0, Duration::from_secs(60));
    let (passed, words) = stage.wait("the end of the test run", patience, |world| {
        let entry = world
            .log_since(since)
            .find(|entry| matches!(entry.data["test-run"].as_str(), Some("passed" | "ended")))?;
        Some((entry.data["test-run"] == "passed", entry.text.clone()))
    })?;
    stage.say(&words);
    if !passed {
        return Err(Cut::Missing("the test run did not pass".to_owned()));
    }
    let id = stage.world.ask("reset", json!({ "cause": "product-tds-high", "reason": "o-ring" }));
    let words = accepted(stage, &id)?;
    stage.say(&format!("Reset: {words}"));
    stage.publisher.deed(Deed::ProductToDrain(false));
    let patience = stage.by_clock(700.0, Duration::from_secs(60));
    stage.wait("the permit", patience, |world| world.is_permitted().then_some(()))?;
    stage.wait("the valve to open", SOON, is_open)?;
    stage.say("The hose is back in the container, water may run, and the valve is open again.");
    Ok(())
}

/// The record of the first start.
fn start_record(stage: &mut Stage) -> Step {
    let began = stage.began;
    let patience = Duration::from_secs(30);
    let record = stage.wait("the start record", patience, |world| {
        world.log_since(began).find(|entry| entry.kind == "start-record").cloned()
    })?;
    stage.say(&format!("Record of the first start: {}", record.text));
    if let Some(start) = stage.publisher.report().starts.first() {
        stage.say(&format!(
            "The plant's own books: peak {:.0} ppm, settled {:.1} ppm, {:.0} mg extra salt.",
            start.peak_ppm, start.settled_ppm, start.extra_salt_mg
        ));
    }
    Ok(())
}

fn stuck(stage: &mut Stage) -> Step {
    let since = Instant::now();
    stage.publisher.deed(Deed::Break(Fault::ProductProbeStuck));
    stage.publisher.deed(Deed::Break(Fault::SpoiledProduct));
    stage.say("Now the product spoils, and its probe shows 0 whatever flows by.");
    let before = stage.publisher.report().truth.totals.product_litres;
    let patience = stage.by_clock(3_600.0, Duration::from_secs(60));
    let until = Instant::now() + patience;
    loop {
        stage.pass(Duration::from_millis(500))?;
        let report = stage.publisher.report();
        let passed = report.truth.totals.product_litres - before;
        if let Some(trip) = stage.world.log_since(since).find(|entry| entry.kind == "trip") {
            return Err(Cut::Missing(format!(
                "the daemon closed although nothing could tell it why: {}",
                trip.text
            )));
        }
        if passed >= 2.0 {
            let shown = stage.world.value("product/tds").unwrap_or("-").to_owned();
            stage.say(&format!(
                "By the plant's own books {passed:.1} L of {:.1} ppm have reached the container; the \
                 daemon shows {shown} ppm.",
                report.truth.product_tds
            ));
            if report.truth.product_tds < 1.0
                || stage.world.number("product/tds").is_none_or(|shown| shown >= 0.5)
            {
                return Err(Cut::Missing("the product was not what was stated".to_owned()));
            }
            stage.say(
                "As stated: it goes unnoticed. A second probe, a handheld reading now and then, and \
                 the proofs of the probes are there for this.",
            );
            return Ok(());
        }
        if Instant::now() >= until {
            return Err(Cut::Missing("not enough product was made".to_owned()));
        }
    }
}

fn leak(stage: &mut Stage) -> Step {
    let since = Instant::now();
    stage.publisher.deed(Deed::Break(Fault::Leak));
    stage.say(&format!("Now {}.", Fault::Leak.is()));
    let patience = stage.by_clock(120.0, SOON);
    let wet =
        stage.wait("the floor sensor's word", patience, |world| world.yes_since("room-leak"))?;
    let words = trip(stage, since, "leak", SOON)?;
    closed(stage, since, SOON)?;
    let took =
        first_close(stage, since).map_or(Duration::MAX, |at| at.saturating_duration_since(wet));
    let floor = stage.publisher.report().truth.floor_litres;
    stage.say(&format!("Trip: {words}"));
    stage.say(&format!(
        "The valve was told to close {} ms by the clock after the floor sensor's word; {floor:.2} L are \
         on the floor by the plant's own books.",
        took.as_millis()
    ));
    if took > Duration::from_secs(2) {
        return Err(Cut::Missing(format!("closing took {:.1} s", took.as_secs_f64())));
    }
    let refusal = refused(stage, "leak", "it is only a little")?;
    stage.say(&format!("A reset while the floor is wet is refused: {refusal}"));
    stage.publisher.deed(Deed::Mend(Fault::Leak));
    stage.publisher.deed(Deed::Wipe);
    stage.say("The tube is mended and the floor wiped; now it must stay dry for a while.");
    let patience = stage.by_clock(900.0, Duration::from_secs(60));
    let until = Instant::now() + patience;
    loop {
        stage.pass(stage.by_clock(60.0, Duration::from_secs(3)))?;
        let reset = json!({ "cause": "leak", "reason": "tube renewed, floor dry" });
        let id = stage.world.ask("reset", reset);
        let (yes, words) = stage.wait("the answer", SOON, |world| world.answer(&id))?;
        if yes {
            stage.say(&format!("Reset: {words}"));
            return Ok(());
        }
        if Instant::now() >= until {
            return Err(Cut::Missing(format!("the reset stays refused: {words}")));
        }
    }
}

fn hang(stage: &mut Stage) -> Step {
    if stage.world.valve_open() != Some(true) {
        return Err(Cut::Missing("the valve is not open".to_owned()));
    }
    let since = Instant::now();
    stage.say("Now the engine is made to hang, with the valve open.");
    if !stage.daemon.hang_engine() {
        return Err(Cut::Missing("the signal that hangs the engine could not be sent".to_owned()));
    }
    let took = closed(stage, since, HANG_BOUND + Duration::from_secs(5))?;
    stage.say(&format!(
        "{:.1} s by the clock later the broker published the daemon's last will: close. Nobody else \
         could have; the engine does nothing any more.",
        took.as_secs_f64()
    ));
    if took > HANG_BOUND {
        return Err(Cut::Missing(format!("closing took {:.1} s", took.as_secs_f64())));
    }
    stage.wait("the valve's word", SOON, is_closed)?;
    stage.say("The valve says that it is closed.");
    Ok(())
}

fn broker_killed(stage: &mut Stage, address: SocketAddr) -> Step {
    let before = stage.publisher.report();
    if stage.world.valve_open() != Some(true) {
        return Err(Cut::Missing("the valve is not open".to_owned()));
    }
    let since = Instant::now();
    if let Some(mut broker) = stage.broker.take() {
        stage.say(&format!(
            "Now the broker (process {}) is killed, with the valve open.",
            broker.id()
        ));
        broker.kill();
    }
    let bound = stage.by_clock(OFF_TIMER_SECS, Duration::ZERO) + Duration::from_secs(1);
    let mut took = None;
    while since.elapsed() < bound + Duration::from_secs(3) && took.is_none() {
        stage.pass(Duration::from_millis(50))?;
        if stage.publisher.report().timed_out > before.timed_out {
            took = Some(since.elapsed());
        }
    }
    let Some(took) = took.filter(|took| *took <= bound) else {
        return Err(Cut::Missing("the relay's off-timer did not close the valve".to_owned()));
    };
    stage.say(&format!(
        "{:.0} s later ({:.1} s by the clock) the relay closed by its own off-timer, which the daemon \
         could no longer re-arm. Nothing else could reach it.",
        stage.plant_secs(took),
        took.as_secs_f64()
    ));
    let back = Instant::now();
    stage.broker =
        Some(children::broker(address).map_err(|error| Cut::Missing(error.to_string()))?);
    stage.say("The broker is started again, with nothing remembered.");
    stage.wait("the onlooker on the bus", START, |world| world.is_up().then_some(()))?;
    stage.wait("the valve's word", START, is_closed)?;
    stage.wait("the daemon on the bus", START, |world| {
        (world.daemon_state() == Some("ready")).then_some(())
    })?;
    if stage.world.commands_since(back).any(|seen| seen.open && seen.retained) {
        return Err(Cut::Missing("an `open` was retained".to_owned()));
    }
    let early = stage.world.commands_since(back).any(|seen| seen.open);
    if early && !stage.world.is_permitted() {
        return Err(Cut::Missing("an `open` came before the permit".to_owned()));
    }
    stage.say("The daemon is back by itself, the valve is closed, and no old `open` came.");
    let patience = stage.by_clock(900.0, Duration::from_secs(60));
    stage.wait("a new permit and a new decision to open", patience, is_open)?;
    stage.say("A new permit, a new decision, and the valve is open again.");
    Ok(())
}

/// Waits for a trip; gives its words.
fn trip(stage: &mut Stage, since: Instant, cause: &str, patience: Duration) -> Step<String> {
    stage.wait(&format!("the trip {cause}"), patience, |world| {
        world
            .log_since(since)
            .find(|entry| entry.kind == "trip" && entry.data["cause"] == cause)
            .map(|entry| entry.text.clone())
    })
}

fn first_close(stage: &Stage, since: Instant) -> Option<Instant> {
    stage.world.commands_since(since).find(|seen| !seen.open).map(|seen| seen.at)
}

/// Waits for a close on the valve's topic; gives the time from `since` to its arrival.
fn closed(stage: &mut Stage, since: Instant, patience: Duration) -> Step<Duration> {
    let at = stage.wait("`close` on the valve's topic", patience, |world| {
        world.commands_since(since).find(|seen| !seen.open).map(|seen| seen.at)
    })?;
    stage.wait("the valve's word that it is closed", SOON, is_closed)?;
    Ok(at.saturating_duration_since(since))
}

/// Asks for a reset that must be refused; gives the refusal.
fn refused(stage: &mut Stage, cause: &str, reason: &str) -> Step<String> {
    let id = stage.world.ask("reset", json!({ "cause": cause, "reason": reason }));
    let (yes, words) = stage.wait("the answer", SOON, |world| world.answer(&id))?;
    if yes {
        return Err(Cut::Missing(format!("the reset of {cause} was not refused: {words}")));
    }
    Ok(words)
}

/// Waits for the answer to a command that must be accepted.
fn accepted(stage: &mut Stage, id: &str) -> Step<String> {
    let (yes, words) = stage.wait("the answer", SOON, |world| world.answer(id))?;
    if yes { Ok(words) } else { Err(Cut::Missing(words)) }
}

/// What the permit lacks, in words.
pub(super) fn why_not(world: &World) -> Option<String> {
    let permit = world.permit()?;
    let first = permit["missing"].as_array()?.first()?;
    Some(format!("{}: {}", first["cause"].as_str()?, first["clears"].as_str()?))
        .filter(|_| permit["permitted"] == Value::Bool(false))
}
