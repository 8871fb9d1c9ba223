//! What the permit says, and when it is said.

use super::plants::{FULL, SECOND_PROBE, by_hub, idle, producing, readings, without};
use super::rig::Rig;
use permeated::engine::catalogue::AlarmId;
use permeated::engine::event::{Ask, Event, Found, Reading, Started};
use permeated::engine::output::{Action, Permit};
use permeated::engine::setup::Setup;
use permeated::engine::time::Span;
use permeated::engine::value::NoReading;
use permeated::settings::load::load_str;
use permeated::settings::schema::OnStop;
use std::sync::Arc;

fn permit(rig: &Rig) -> &Permit {
    rig.permit.as_ref().expect("a permit is always there")
}

fn kind(rig: &Rig, cause: &str) -> Option<String> {
    let found = permit(rig).missing.iter().find(|missing| missing.cause == cause);
    found.map(|missing| missing.kind.to_string())
}

fn stored(rig: &mut Rig, id: &str, value: f64) {
    let sensor = rig.sensor(id).expect("there");
    let (arrived, stamp) = (None, None);
    rig.event(Event::Reading(Reading { sensor, value, retained: true, arrived, stamp }));
}

#[test]
fn a_permit_is_renewed_three_times_within_its_validity_and_not_much_oftener() {
    let mut rig = idle(FULL);
    // Off the beat of everything else.
    rig.wait(7.0);
    rig.ask(Ask::Close);
    rig.ask(Ask::Release);
    let begun = rig.permits.len();
    let since = permit(&rig).since;
    rig.wait(300.0);
    let told = &rig.permits[begun - 1..];
    assert!((15..=17).contains(&told.len()), "{} in five minutes", told.len());
    for pair in told.windows(2) {
        let pause = pair[1].0.since(pair[0].0).secs();
        assert!((19.0..=20.0).contains(&pause), "{pause} s");
        assert_eq!(pair[1].1.sequence, pair[0].1.sequence + 1);
    }
    for (at, permit) in told {
        assert!(permit.permitted);
        assert_eq!(permit.first_cause, None);
        assert_eq!(permit.since, since, "a renewal is no new permit");
        let until = permit.valid_until.expect("the clock is sane").millis();
        let first = rig.permits[0].1.valid_until.expect("the clock is sane").millis();
        assert_eq!(until - first, at.since(rig.permits[0].0).millis(), "60 s from each");
        assert_eq!(permit.valid_secs, None, "who has a clock needs no seconds");
    }
}

#[test]
fn a_permit_is_renewed_in_time_when_nothing_else_is_to_be_done() {
    let limits = "[plants.home.limits.guard]\npermit_valid_secs = 300\npermit_renew_secs = 97.3\n";
    let mut rig = idle(&format!("{FULL}{limits}"));
    rig.wait(7.0);
    rig.ask(Ask::Close);
    let begun = rig.permits.len();
    rig.wait(3600.0);
    for pair in rig.permits[begun - 1..].windows(2) {
        let pause = pair[1].0.since(pair[0].0).secs();
        assert!(pause <= 97.3, "{pause} s");
    }
    assert!(rig.permits.len() - begun >= 36, "{}", rig.permits.len() - begun);
}

/// What is to be done anyway takes the renewal with it when it is nearly due.
#[test]
fn a_message_just_before_the_renewal_takes_it_with_it() {
    let mut rig = idle(FULL);
    rig.wait(60.0);
    let last = rig.permits.last().expect("one").0;
    for (secs, renewed) in [(18.5, 0), (19.5, 1), (19.9, 1)] {
        let mut one = rig.clone();
        one.until(last + Span::from_secs_f64(secs));
        let before = one.permits.len();
        one.read("level", 50.0);
        assert_eq!(one.permits.len() - before, renewed, "after {secs} s");
    }
}

#[test]
fn what_came_first_stays_the_first_cause_until_water_may_run_again() {
    let mut rig = idle(FULL);
    let may = rig.said("Water may run.");
    rig.wait(7.0);
    rig.ask(Ask::Close);
    let closed = permit(&rig).since;
    assert_ne!(closed, rig.permits[0].1.since, "since the close");
    assert_eq!(permit(&rig).first_cause.as_deref(), Some("closed-by-command"));
    assert_eq!(rig.said("Water may not run any more: closed-by-command."), 1);
    rig.wait(5.0);
    rig.read("floor", 1.0);
    assert_eq!(permit(&rig).missing[0].cause, "leak", "alarms are named first");
    rig.ask(Ask::Release);
    assert_eq!(permit(&rig).first_cause.as_deref(), Some("closed-by-command"));
    assert_eq!(permit(&rig).since, closed);
    rig.read("floor", 0.0);
    rig.run(660.0, &readings(50.0, 0.0, 0.0, 0.0));
    rig.reset(AlarmId::Leak);
    assert!(rig.permitted(), "{:?}", rig.missing());
    assert_eq!(permit(&rig).first_cause, None);
    assert_eq!(rig.said("Water may not run any more"), 1, "told when it stopped, once");
    assert_eq!(rig.said("Water may run."), may + 1);
    rig.wait(10.0);
    rig.read("floor", 1.0);
    assert_eq!(permit(&rig).first_cause.as_deref(), Some("leak"), "a new beginning");
}

#[test]
fn a_plant_that_was_never_permitted_names_what_it_waits_for_first() {
    let rig = Rig::new(super::rig::setup(FULL));
    assert_eq!(permit(&rig).first_cause.as_deref(), Some("product-probe-ready"));
    assert_eq!(permit(&rig).first_cause.as_ref(), rig.missing().first());
}

#[test]
fn a_change_is_published_at_once_and_nothing_else_is() {
    let mut rig = idle(FULL);
    rig.wait(60.0);
    let told = |rig: &Rig| rig.permits.len();
    rig.wait(5.0);
    let before = told(&rig);
    rig.read("level", 50.1);
    assert_eq!(told(&rig), before, "nothing that the permit says has changed");
    rig.ask(Ask::Close);
    assert_eq!(told(&rig), before + 1);
    rig.wait(1.0);
    let before = told(&rig);
    rig.read("floor", 1.0);
    assert!(told(&rig) > before, "one more cause");
    rig.wait(1.0);
    let before = told(&rig);
    rig.ask(Ask::Release);
    assert!(told(&rig) > before, "one cause less");
}

#[test]
fn after_a_start_the_permit_is_told_anew_and_is_as_old_as_the_start() {
    let mut rig = idle(FULL);
    rig.ask(Ask::Close);
    let before = permit(&rig).since;
    rig.wait(5.0);
    let may_not = rig.said("Water may not run any more");
    let count = rig.permits.len();
    let away = Some(Span::from_secs(1));
    rig.event(Event::Started(Started { found: Found::Restored, away, clean: true }));
    assert!(rig.permits.len() > count);
    assert!(!rig.permitted());
    assert_ne!(permit(&rig).since, before);
    assert_eq!(rig.said("Water may not run any more"), may_not, "it did not run before either");
}

#[test]
fn while_the_clock_is_not_sane_the_permit_says_for_how_many_seconds_it_is_good() {
    use permeated::engine::time::Now;
    let mut rig = idle(FULL);
    rig.ask(Ask::Close);
    rig.now = rig.now + Span::from_secs(1);
    rig.engine.handle(Now { mono: rig.now, wall: None }, Event::Command(command(Ask::Release)));
    let mut last = None;
    while let Some(output) = rig.engine.poll_output() {
        if let permeated::engine::output::Output::Permit(permit) = output {
            last = Some(permit);
        }
    }
    let last = last.expect("a change is told");
    assert_eq!((last.valid_until, last.valid_secs), (None, Some(60.0)));
}

fn command(what: Ask) -> permeated::engine::event::Command {
    permeated::engine::event::Command { id: "test".into(), at: None, what }
}

#[test]
fn each_cause_says_of_what_kind_it_is_and_what_clears_it() {
    let mut rig = idle(FULL);
    rig.run(30.0, &readings(61.0, 0.0, 0.0, 0.0));
    assert_eq!(kind(&rig, "store-full").as_deref(), Some("interlock"));
    rig.read("floor", 1.0);
    assert_eq!(kind(&rig, "leak").as_deref(), Some("trip"));
    rig.event(Event::HistoryWritable { ok: false });
    assert_eq!(kind(&rig, "history-unwritable").as_deref(), Some("hold"));
    rig.ask(Ask::Close);
    assert_eq!(kind(&rig, "closed-by-command").as_deref(), Some("permissive"));
    assert!(permit(&rig).missing.iter().all(|missing| !missing.clears.is_empty()));
}

#[test]
fn a_stored_full_waits_for_a_live_word_of_the_float() {
    let mut rig = Rig::new(super::rig::setup(FULL));
    stored(&mut rig, "float", 1.0);
    stored(&mut rig, "brim", 0.0);
    rig.run(60.0, &without("float", readings(50.0, 0.0, 0.0, 0.0)));
    assert_eq!(rig.missing(), ["store-stored-full"]);
    assert!(permit(&rig).missing[0].clears.contains("float"));
    rig.read("float", 0.0);
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_product_probe_that_is_offline_is_not_ready_and_one_of_two_is_enough() {
    let mut rig = idle(&format!("{FULL}{SECOND_PROBE}"));
    rig.read("second", 0.0);
    let offline = |rig: &mut Rig, id: &str| {
        let sensor = rig.sensor(id).expect("there");
        rig.event(Event::NoReading { sensor, reason: NoReading::Offline });
    };
    offline(&mut rig, "product");
    assert!(rig.permitted(), "{:?}", rig.missing());
    offline(&mut rig, "second");
    assert_eq!(rig.missing(), ["product-probe-ready"]);
    rig.read("product", 0.0);
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn the_rest_after_a_close_is_over_after_ten_minutes_to_the_second() {
    let mut rig = producing(FULL);
    rig.wait(1.5);
    rig.ask(Ask::Close);
    rig.ask(Ask::Release);
    let closed = rig.now;
    rig.run(300.0, &readings(50.0, 0.0, 0.0, 0.0));
    // Off the beat of the permit's renewals.
    rig.wait(2.7);
    rig.run(285.0, &readings(50.0, 0.0, 0.0, 0.0));
    rig.until(closed + Span::from_secs_f64(599.9));
    assert_eq!(rig.missing(), ["minimum-off-time"]);
    rig.until(closed + Span::from_secs(600));
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn a_start_counts_for_an_hour_to_the_second() {
    let flows = readings(31.0, 0.0, 0.15, 1.0);
    let rests = readings(59.0, 0.0, 0.0, 0.0);
    let mut rig = idle(FULL);
    rig.run(30.0, &readings(30.0, 0.0, 0.0, 0.0));
    rig.run(5.0, &flows);
    assert!(rig.engine.guard().is_flowing());
    let hour = rig.now + Span::from_secs(3600);
    rig.run(120.0, &flows);
    rig.run(30.0, &rests);
    rig.run(620.0, &readings(30.0, 0.0, 0.0, 0.0));
    rig.run(60.0, &flows);
    while rig.now + Span::from_secs(6) < hour {
        rig.run(5.0, &rests);
    }
    rig.until(hour + Span::from_millis(-100));
    assert_eq!(rig.missing(), ["starts-in-an-hour"]);
    rig.until(hour);
    assert!(rig.permitted(), "{:?}", rig.missing());
}

/// A hub opens and closes as it likes: its starts are told, not withheld.
#[test]
fn starts_by_a_hub_are_not_limited() {
    let mut rig = idle(&by_hub());
    for _ in 0..4 {
        rig.event(Event::SeenOnTopic { actuator: 0, open: true });
        rig.run(60.0, &readings(50.0, 0.0, 0.15, 1.0));
        rig.event(Event::SeenOnTopic { actuator: 0, open: false });
        rig.run(120.0, &readings(50.0, 0.0, 0.0, 0.0));
        assert!(rig.permitted(), "{:?}", rig.missing());
    }
}

/// Twelve a day; an hour with few starts does not help.
#[test]
fn after_twelve_starts_in_a_day_the_valve_rests_until_the_first_is_a_day_old() {
    let mut rig = idle(FULL);
    let opens = |rig: &Rig| rig.told("valve", Action::Open);
    // Off the beat of the permit's renewals.
    rig.wait(3.3);
    let mut first = None;
    for start in 0..12 {
        rig.run(60.0, &readings(30.0, 0.0, 0.0, 0.0));
        assert_eq!(opens(&rig), start + 1, "{:?}", rig.missing());
        rig.run(5.0, &readings(31.0, 0.0, 0.15, 1.0));
        first.get_or_insert(rig.now);
        rig.run(55.0, &readings(31.0, 0.0, 0.15, 1.0));
        rig.run(7000.0 - 120.0, &readings(59.0, 0.0, 0.0, 0.0));
    }
    rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.missing().contains(&"starts-in-a-day".to_owned()), "{:?}", rig.missing());
    let day = first.expect("it has started") + Span::from_secs(86_400);
    while rig.now + Span::from_secs(6) < day {
        rig.run(5.0, &readings(50.0, 0.0, 0.0, 0.0));
    }
    rig.until(day + Span::from_millis(-1));
    assert_eq!(rig.missing(), ["starts-in-a-day"]);
    rig.until(day);
    assert!(rig.permitted(), "{:?}", rig.missing());
}

#[test]
fn remarks_say_what_a_person_should_know_beside_the_permit() {
    let remarks = |rig: &Rig| permit(rig).remarks.join(" ");
    let mut rig = idle(FULL);
    assert_eq!(remarks(&rig), "");
    rig.ask(Ask::TestRun { outlet_to_drain: true });
    assert!(remarks(&rig).contains("the water goes to the drain"), "{}", remarks(&rig));
    rig.ask(Ask::TestRunEnd);
    assert_eq!(remarks(&rig), "");

    let loaded = load_str("guard.toml", FULL).unwrap_or_else(|problems| panic!("{problems}"));
    let leave = Setup::resolve("home", &loaded.settings.plants["home"], OnStop::Leave, 5);
    let mut rig = Rig::new(Arc::new(leave));
    rig.run(60.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(remarks(&rig).contains("leaves the valve as it is"), "{}", remarks(&rig));
    rig.event(Event::StopRequested);
    assert!(rig.permitted(), "a stop that leaves the valve withholds nothing");

    let mut rig = idle(FULL);
    rig.event(Event::StopRequested);
    assert_eq!(rig.missing(), ["daemon-stopping"]);
}

#[test]
fn a_bypass_ends_by_its_time_or_its_litres_and_says_so_once() {
    let bypass = || Ask::Bypass {
        cause: AlarmId::HistoryUnwritable.name().into(),
        reason: "the disk is being changed".into(),
    };
    let mut rig = idle(FULL);
    rig.event(Event::HistoryWritable { ok: false });
    assert!(!rig.permitted());
    let answer = rig.ask(bypass());
    assert!(rig.permitted(), "{answer} {:?}", rig.missing());
    assert!(permit(&rig).remarks[0].contains("history-unwritable is bypassed: the disk"));
    rig.run(1190.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.run(15.0, &readings(50.0, 0.0, 0.0, 0.0));
    assert!(!rig.permitted());
    assert_eq!(rig.said("The bypass of history-unwritable is over."), 1);
    assert!(permit(&rig).remarks.is_empty());

    let mut rig = producing(FULL);
    rig.event(Event::HistoryWritable { ok: false });
    rig.ask(bypass());
    rig.run(700.0, &readings(31.0, 0.0, 0.0, 0.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    // Ten litres at two litres a minute.
    rig.run(290.0, &readings(31.0, 0.0, 2.0, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig.run(30.0, &readings(31.0, 0.0, 2.0, 1.0));
    assert!(!rig.permitted());
    assert_eq!(rig.said("The bypass of history-unwritable is over."), 1);
}

/// Whichever order the disk writes them in, each record carries out its own command, once.
#[test]
fn a_record_carries_out_the_command_that_it_was_written_for() {
    let mut rig = idle(FULL);
    rig.event(Event::HistoryWritable { ok: false });
    rig.disk = false;
    let bypass = Ask::Bypass {
        cause: AlarmId::HistoryUnwritable.name().into(),
        reason: "the disk is being changed".into(),
    };
    rig.ask(bypass);
    rig.ask(Ask::ConfirmState);
    rig.ask(Ask::TestRun { outlet_to_drain: true });
    let answers = |rig: &Rig| rig.logs.iter().filter(|entry| entry.kind == "answer").count();
    let before = answers(&rig);
    assert!(rig.engine.guard().bypass().is_none(), "not before it is written");
    for token in (0..100).rev() {
        rig.event(Event::Persisted { token });
    }
    assert_eq!(answers(&rig), before + 2, "a test run was refused at once");
    let (cause, until) = rig.engine.guard().bypass().expect("carried out");
    assert_eq!((cause, until.since(rig.now).secs()), (AlarmId::HistoryUnwritable, 1200.0));
    assert!(rig.permitted() && rig.engine.guard().is_permitted(), "{:?}", rig.missing());

    // One that takes more than five seconds is refused.
    let mut late = idle(FULL);
    late.disk = false;
    late.ask(Ask::ConfirmState);
    let mut soon = late.clone();
    soon.wait(5.0);
    for token in 0..100 {
        soon.event(Event::Persisted { token });
    }
    assert_eq!(soon.said("The state is confirmed."), 1);
    late.wait(5.1);
    assert_eq!(
        late.said("the record took too long; ask again"),
        1,
        "though no word of it has come"
    );
    for token in 0..100 {
        late.event(Event::Persisted { token });
    }
    assert_eq!(late.said("the record took too long; ask again"), 1);
    assert_eq!(late.said("The state is confirmed."), 0, "what was refused is not carried out");
}

/// Only the supply valve is the guard's: what others do with a divert is told to nobody.
#[test]
fn a_divert_that_somebody_opens_is_no_opening_without_a_permit() {
    let divert = "[plants.home.actuators.divert]\nrole = \"divert\"\ntopic = \"p/divert/set\"\nclose = \"DRAIN\"\nopen = \"STORE\"\n";
    let mut rig = idle(&format!("{FULL}{divert}"));
    rig.ask(Ask::Close);
    let actuator = rig.actuator("divert");
    rig.event(Event::SeenOnTopic { actuator, open: true });
    assert!(!rig.stands(AlarmId::OpenedUnpermitted));
    let actuator = rig.actuator("valve");
    rig.event(Event::SeenOnTopic { actuator, open: false });
    assert!(!rig.stands(AlarmId::OpenedUnpermitted), "nor is a close");
    rig.event(Event::SeenOnTopic { actuator, open: true });
    assert!(rig.stands(AlarmId::OpenedUnpermitted));
}
