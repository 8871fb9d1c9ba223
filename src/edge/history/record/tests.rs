//! Every event and output reads back bit for bit, and what is not known is kept.

use super::*;
use crate::engine::catalogue::{AlarmId, Class, SignalId};
use crate::engine::event::{Ask, Command, Found, Reading, ServiceEntry, Started};
use crate::engine::output::{
    Action, AlarmKey, AlarmState, AlarmUpdate, Datum, LogEntry, Missing, Send, ValueKey,
    ValueUpdate,
};
use crate::engine::time::Span;
use crate::engine::value::{Basis, Flag, NoReading, Reason};
use proptest::prelude::*;

/// Finite numbers of every size, with the awkward ones.
fn number() -> impl Strategy<Value = f64> {
    prop_oneof![
        prop::num::f64::NORMAL | prop::num::f64::SUBNORMAL | prop::num::f64::ZERO,
        Just(0.1 + 0.2),
        Just(-0.0),
        Just(f64::MAX),
        (0..1_000_000i64).prop_map(|thousandths| thousandths as f64 / 1000.0),
    ]
}

fn text() -> impl Strategy<Value = String> {
    prop_oneof!["[a-z-]{0,12}", "\\PC{0,20}", Just("line\nbreak\t\"quoted\" \\ \u{0}".to_owned())]
}

fn wall() -> impl Strategy<Value = Option<Wall>> {
    prop::option::of((-1_000i64..4_000_000_000_000).prop_map(Wall::from_millis))
}

fn ask() -> impl Strategy<Value = Ask> {
    prop_oneof![
        Just(Ask::Close),
        Just(Ask::Release),
        number().prop_map(|litres| Ask::Litres { litres }),
        (text(), text()).prop_map(|(cause, reason)| Ask::Reset { cause, reason }),
        (text(), text()).prop_map(|(cause, reason)| Ask::Bypass { cause, reason }),
        Just(Ask::BypassEnd),
        (number(), text()).prop_map(|(ppm, reason)| Ask::AcceptGas { ppm, reason }),
        Just(Ask::AcceptGasEnd),
        any::<bool>().prop_map(|outlet_to_drain| Ask::TestRun { outlet_to_drain }),
        Just(Ask::ConfirmState),
        (text(), number(), text()).prop_map(|(alarm, secs, reason)| Ask::Shelve {
            alarm,
            secs,
            reason
        }),
        (text(), any::<bool>()).prop_map(|(alarm, out)| Ask::OutOfService { alarm, out }),
        text().prop_map(|what| Ask::Proof { what }),
        (text(), text())
            .prop_map(|(part, note)| Ask::Service(ServiceEntry::PartChanged { part, note })),
        (text(), number(), number()).prop_map(|(sensor, value, u)| Ask::Service(
            ServiceEntry::Handheld { sensor, value, u }
        )),
        (prop::option::of(number()), prop::option::of(number())).prop_map(
            |(alkalinity_mg_per_litre, ph)| Ask::Service(ServiceEntry::TapAnalysis {
                alkalinity_mg_per_litre,
                ph,
                chlorine_mg_per_litre: None,
            })
        ),
        text().prop_map(|text| Ask::Service(ServiceEntry::Note { text })),
    ]
}

fn no_reading() -> impl Strategy<Value = NoReading> {
    prop_oneof![Just(NoReading::Stale), Just(NoReading::OutOfRange), Just(NoReading::Unsupported)]
}

fn event() -> impl Strategy<Value = Event> {
    let found = prop_oneof![Just(Found::New), Just(Found::Restored), Just(Found::Lost)];
    prop_oneof![
        (0usize..40, number(), any::<bool>(), wall(), wall()).prop_map(
            |(sensor, value, retained, arrived, stamp)| {
                Event::Reading(Reading { sensor, value, retained, arrived, stamp })
            }
        ),
        (found, prop::option::of(any::<i64>()), any::<bool>()).prop_map(|(found, away, clean)| {
            Event::Started(Started { found, away: away.map(Span::from_millis), clean })
        }),
        (0usize..40, no_reading()).prop_map(|(sensor, reason)| Event::NoReading { sensor, reason }),
        Just(Event::BrokerReady),
        Just(Event::BrokerLost),
        (0usize..9).prop_map(|actuator| Event::GuardConnected { actuator }),
        (0usize..9).prop_map(|actuator| Event::GuardLost { actuator }),
        (0usize..9).prop_map(|actuator| Event::CloseAcknowledged { actuator }),
        (0usize..9, any::<bool>())
            .prop_map(|(actuator, open)| Event::SeenOnTopic { actuator, open }),
        (text(), wall(), ask()).prop_map(|(id, at, what)| Event::Command(Command { id, at, what })),
        any::<bool>().prop_map(|wanted| Event::Demand { wanted }),
        any::<u64>().prop_map(|token| Event::Persisted { token }),
        Just(Event::Echo),
        any::<bool>().prop_map(|present| Event::OtherInstance { present }),
        (any::<bool>(), any::<i64>())
            .prop_map(|(sane, stepped)| Event::Clock { sane, stepped: Span::from_millis(stepped) }),
        any::<bool>().prop_map(|ok| Event::HistoryWritable { ok }),
        any::<bool>().prop_map(|behind| Event::DatabaseBehind { behind }),
        Just(Event::Tick),
        Just(Event::StopRequested),
    ]
}

fn datum() -> impl Strategy<Value = std::result::Result<Datum, NoReading>> {
    prop_oneof![
        number().prop_map(|value| Ok(Datum::Number(value))),
        (any::<u16>(), text())
            .prop_map(|(code, word)| Ok(Datum::State { code, word: word.into() })),
        any::<bool>().prop_map(|flag| Ok(Datum::Flag(flag))),
        text().prop_map(|text| Ok(Datum::Text(text))),
        no_reading().prop_map(Err),
    ]
}

fn output() -> impl Strategy<Value = Output> {
    let of = || prop::option::of(any::<u16>());
    let value = (datum(), of(), prop::option::of(number()), wall(), any::<bool>()).prop_map(
        |(datum, of, u, stamp, store)| {
            Output::Value(ValueUpdate {
                key: ValueKey { signal: SignalId::Rejection, of },
                datum,
                u,
                flag: Flag::Suspect,
                reasons: vec![Reason::Gap, Reason::Late],
                basis: Basis::Assumed,
                stamp,
                store,
            })
        },
    );
    let alarm = (of(), wall(), prop::option::of(number()), any::<[bool; 3]>(), text()).prop_map(
        |(of, since, value, [active, latched, first_out], text)| {
            Output::Alarm(AlarmUpdate {
                key: AlarmKey { alarm: AlarmId::Leak, of },
                state: AlarmState::ReturnedUnacknowledged,
                active,
                latched,
                since,
                value,
                limit: value,
                class: Class::Now,
                first_out,
                text,
                under: None,
                chattering: 0,
                respond_secs: None,
            })
        },
    );
    let permit = (any::<bool>(), wall(), text(), any::<u64>(), prop::option::of(number()))
        .prop_map(|(permitted, since, cause, sequence, valid_secs)| {
            Output::Permit(Permit {
                permitted,
                since,
                first_cause: Some(cause.clone()),
                missing: vec![Missing { cause, kind: "trip".into(), clears: String::new() }],
                valve: "closed".into(),
                sequence,
                valid_until: since,
                valid_secs,
                remarks: Vec::new(),
            })
        });
    let send = (0usize..9, any::<bool>(), any::<i64>(), any::<u32>()).prop_map(
        |(actuator, open, decided, attempt)| {
            Output::Send(Send {
                actuator,
                action: if open { Action::Open } else { Action::Close },
                decided: Mono::from_millis(decided),
                attempt,
            })
        },
    );
    let log = (wall(), text(), text(), number(), any::<bool>()).prop_map(
        |(at, kind, text, number, protective)| {
            Output::Log(LogEntry {
                at,
                kind: kind.into(),
                data: serde_json::json!({ "n": number, "t": text.clone(), "list": [1, -2, null] }),
                text,
                protective,
            })
        },
    );
    prop_oneof![
        value,
        alarm,
        permit,
        send,
        log,
        any::<u64>().prop_map(|token| Output::Persist { token }),
        (0usize..4).prop_map(|actuator| Output::DropGuard { actuator }),
        any::<bool>().prop_map(|closed| Output::Stopped { closed }),
    ]
}

fn body() -> impl Strategy<Value = Body> {
    prop_oneof![
        event().prop_map(Body::Event),
        output().prop_map(Body::Output),
        text().prop_map(|program| Body::Run(RunMark::Started { program })),
        Just(Body::Run(RunMark::Stopped)),
        any::<(u64, u64)>().prop_map(|(trend, kept)| Body::Run(RunMark::Dropped { trend, kept })),
    ]
}

fn records() -> impl Strategy<Value = Vec<Record>> {
    let one = (1u64..5, any::<u16>(), any::<i64>(), wall(), body());
    (any::<u32>(), prop::collection::vec(one, 1..30)).prop_map(|(start, many)| {
        let mut seq = u64::from(start);
        let mut records = Vec::new();
        for (step, plant, mono, wall, body) in many {
            seq += step;
            let now = Now { mono: Mono::from_millis(mono), wall };
            records.push(Record { seq, plant: PlantNo(plant), now, body });
        }
        records
    })
}

/// `PartialEq` calls 0 and -0 equal; a record must not.
fn bits(records: &[Record]) -> String {
    format!("{records:?}")
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn records_read_back_bit_for_bit(records in records()) {
        let text = encode(&records).expect("encodes");
        let back = decode(&text).expect("decodes");
        prop_assert_eq!(bits(&back), bits(&records));
        // And from what was read, the same bytes: folding changes nothing.
        prop_assert_eq!(encode(&back).expect("encodes"), text);
    }

    #[test]
    fn rows_read_back_in_both_encodings_and_no_changed_bit_passes(
        records in records(), at in any::<prop::sample::Index>(), bit in 0u8..8,
    ) {
        use crate::edge::history::row::{Encoding, Row};
        for encoding in [Encoding::Lines, Encoding::Deflated] {
            let row = Row::pack(&records, encoding).expect("packs");
            prop_assert_eq!(bits(&row.unpack().expect("unpacks")), bits(&records));
            let mut bad = row.clone();
            let at = at.index(bad.body.len());
            bad.body[at] ^= 1 << bit;
            prop_assert!(bad.unpack().is_err());
            let cut = Row { body: row.body[..at].to_vec(), ..row };
            prop_assert!(cut.unpack().is_err());
        }
    }
}

#[test]
fn a_record_of_a_newer_version_is_kept_as_it_is() {
    let text = b"[7,0,100,200,\"e\",{\"e\":\"moon-rose\",\"x\":1.5}]\n[1,0,1,1,\"z\",[null]]\n";
    let records = decode(text).expect("decodes");
    assert_eq!(records.len(), 2);
    assert!(matches!(&records[0].body, Body::Unknown { kind, .. } if kind == "e"));
    assert!(records[0].body.is_input() && !records[0].body.is_trend());
    assert_eq!(encode(&records).expect("encodes"), text);
}

#[test]
fn a_value_that_is_no_number_is_kept_and_is_no_input() {
    let update = ValueUpdate {
        key: ValueKey { signal: SignalId::Rejection, of: None },
        datum: Ok(Datum::Number(f64::NAN)),
        u: None,
        flag: Flag::Good,
        reasons: Vec::new(),
        basis: Basis::Measured,
        stamp: None,
        store: true,
    };
    let record = Record {
        seq: 1,
        plant: PlantNo(0),
        now: Now::new(Mono::ZERO, Wall::from_millis(0)),
        body: Body::Output(Output::Value(update)),
    };
    let back = decode(&encode(&[record]).expect("encodes")).expect("decodes");
    assert!(matches!(&back[0].body, Body::Unknown { kind, .. } if kind == "o"));
    assert!(!back[0].body.is_input());
}

#[test]
fn a_permit_is_kept_when_it_says_something_new() {
    let permit = Permit {
        permitted: true,
        since: None,
        first_cause: None,
        missing: Vec::new(),
        valve: "closed".into(),
        sequence: 1,
        valid_until: None,
        valid_secs: Some(60.0),
        remarks: Vec::new(),
    };
    let renewed = Permit { sequence: 2, valid_secs: Some(59.0), ..permit.clone() };
    let opened = Permit { sequence: 3, valve: "open".into(), ..permit.clone() };
    let mut keep = Keep::new();
    let wanted: Vec<bool> = [permit, renewed, opened]
        .into_iter()
        .map(|permit| keep.wants(&Output::Permit(permit)))
        .collect();
    assert_eq!(wanted, [true, false, true]);
}

#[test]
fn names_follow_their_sensors_and_parts() {
    let list = |ids: &[&str]| ids.iter().map(|&id| id.to_owned()).collect::<Vec<_>>();
    let then = Names {
        plant: "reef".into(),
        sensors: list(&["feed", "product"]),
        actuators: list(&["supply"]),
        parts: list(&["lag", "lead"]),
    };
    let now = Names {
        sensors: list(&["air", "product"]),
        actuators: list(&["pump", "supply"]),
        parts: list(&["lead"]),
        ..then.clone()
    };
    let reading = |sensor| {
        Event::Reading(Reading { sensor, value: 1.0, retained: true, arrived: None, stamp: None })
    };
    assert_eq!(then.translate(reading(1), &now), Some(reading(1)));
    assert_eq!(then.translate(reading(0), &now), None);
    assert_eq!(
        then.translate(Event::GuardLost { actuator: 0 }, &now),
        Some(Event::GuardLost { actuator: 1 })
    );
    let used = |part| {
        Output::Value(ValueUpdate {
            key: ValueKey { signal: SignalId::ResinUsed, of: Some(part) },
            datum: Ok(Datum::Number(1.0)),
            u: None,
            flag: Flag::Good,
            reasons: Vec::new(),
            basis: Basis::Measured,
            stamp: None,
            store: true,
        })
    };
    assert_eq!(then.translate_output(used(1), &now), Some(used(0)));
    assert_eq!(then.translate_output(used(0), &now), None);
}
