//! The engine's tests against the plain implementation: they may differ only where
//! `engine::signal::qc` says so. Every difference is given its kind from what is in the *data*; one
//! without a kind fails, and each kind must be seen.

use crate::data;
use crate::reference::{self, Method, Series, Spread, median_interval_ms};
use permeated::engine::signal::attenuated::{self, Attenuated};
use permeated::engine::signal::qc::{FlatRules, QcFlag, QcTests, Rules, Thresholds, Verdict};
use permeated::engine::time::{Mono, Span};
use std::collections::BTreeMap;

/// Parameters of one signal, as the flags were made with them.
#[derive(Clone, Copy, Debug)]
struct Params {
    fail: (f64, f64),
    suspect: Option<(f64, f64)>,
    spike: Thresholds,
    rate: Thresholds,
    flat_s: (f64, f64),
    tolerance: f64,
}

impl Params {
    fn read(json: &serde_json::Value) -> Self {
        let number = |key: &str| json[key].as_f64();
        let span = |key: &str| {
            let pair = json[key].as_array()?;
            Some((pair[0].as_f64()?, pair[1].as_f64()?))
        };
        let must = |key: &str| number(key).expect("a parameter");
        Self {
            fail: span("fail_span").expect("a span"),
            suspect: span("suspect_span"),
            spike: Thresholds { suspect: number("spike_suspect"), fail: number("spike_fail") },
            rate: Thresholds { suspect: number("rate_suspect"), fail: number("rate_fail") },
            flat_s: (must("flat_suspect"), must("flat_fail")),
            tolerance: must("flat_tolerance"),
        }
    }

    /// The four tests of the plain implementation.
    fn reference(&self, t: &[i64], x: Series<'_>) -> [Vec<u8>; 4] {
        [
            reference::gross_range(x, self.fail, self.suspect).expect("spans are nested"),
            reference::spike(x, self.spike.suspect, self.spike.fail, Method::Average),
            reference::rate_of_change(t, x, self.rate.suspect, self.rate.fail),
            reference::flat_line(t, x, self.flat_s.0, self.flat_s.1, self.tolerance),
        ]
    }
}

/// Arrival times for a recorded series: the record's own intervals, but our time never stands or
/// falls; where the record's clock does, the usual interval passes.
fn arrivals(t: &[i64]) -> Vec<Mono> {
    let usual = if t.len() > 1 { median_interval_ms(t).max(1.0) as i64 } else { 1 };
    let mut now = 0;
    let mut arrivals = vec![Mono::ZERO];
    for pair in t.windows(2) {
        let step = pair[1] - pair[0];
        now += if step > 0 { step } else { usual };
        arrivals.push(Mono::from_millis(now));
    }
    arrivals
}

fn engine(rules: Rules, now: &[Mono], x: Series<'_>) -> Vec<Verdict> {
    let mut tests = QcTests::new(rules);
    let mut verdicts: Vec<Verdict> =
        now.iter().zip(x).filter_map(|(now, x)| tests.push(*now, *x, true)).collect();
    verdicts.extend(tests.flush());
    verdicts
}

const TESTS: [&str; 4] = ["gross_range", "spike", "rate_of_change", "flat_line"];

type Counts = BTreeMap<(&'static str, &'static str), usize>;

/// Compares with the plain implementation's flags row by row; panics on a difference without a kind.
fn compare(
    name: &str,
    t: &[i64],
    x: Series<'_>,
    params: &Params,
    want: &[Vec<u8>; 4],
    counts: &mut Counts,
) -> usize {
    let usual_ms = median_interval_ms(t);
    let gap_max = Span::from_millis((usual_ms * 3.5) as i64);
    let rules = Rules {
        range_fail: params.fail,
        range_suspect: params.suspect,
        spike: params.spike,
        rate: params.rate,
        flat: Some(FlatRules {
            suspect: Span::from_secs_f64(params.flat_s.0),
            fail: Span::from_secs_f64(params.flat_s.1),
            tolerance: params.tolerance,
            gap_max,
        }),
    };
    let now = arrivals(t);
    let got = engine(rules, &now, x);
    assert_eq!(got.len(), x.len(), "{name}: one verdict a sample");
    let gross_fails = |i: usize| want[0][i] == 4;
    let count_of = |secs: f64| (secs * 1000.0 / usual_ms).floor() as usize + 1;
    let windows = [count_of(params.flat_s.0), count_of(params.flat_s.1)];
    let longest = windows[0].max(windows[1]);
    let whole = |secs: f64| ((secs * 1000.0) % usual_ms) == 0.0;
    let whole_windows = whole(params.flat_s.0) && whole(params.flat_s.1);
    // Rows since the last interval that is not the usual one, and since the last gross failure.
    let (mut regular, mut clean) = (0, 0);
    // Rows since the last missing one, itself not counted.
    let mut there = 0;
    // What the value did since its last gap.
    let mut since_gap = (f64::INFINITY, f64::NEG_INFINITY);
    let mut last_there: Option<Mono> = None;
    for i in 0..x.len() {
        let verdict = &got[i];
        assert_eq!((verdict.at, verdict.value), (now[i], x[i]), "{name}: verdict of its sample");
        let step = if i > 0 { t[i] - t[i - 1] } else { usual_ms as i64 };
        let arrival_step = if i > 0 { now[i].since(now[i - 1]).millis() } else { step };
        regular = if step as f64 == usual_ms { regular + 1 } else { 0 };
        clean = if gross_fails(i) { 0 } else { clean + 1 };
        there = if x[i].is_none() { 0 } else { there + 1 };
        if let Some(value) = x[i].filter(|_| !gross_fails(i)) {
            if last_there.is_some_and(|last| now[i].since(last) > gap_max) {
                since_gap = (f64::INFINITY, f64::NEG_INFINITY);
            }
            last_there = Some(now[i]);
            since_gap = (since_gap.0.min(value), since_gap.1.max(value));
        }
        let moved = since_gap.1 - since_gap.0 >= params.tolerance;
        // A run begins with a sample that is there, a counted window with one that is not.
        let lossy = there < longest.min(i + 1);
        let flags = [verdict.gross, verdict.spike, verdict.rate, verdict.flat];
        for (test, flag) in flags.iter().enumerate() {
            let (engine, reference) = (flag.code(), want[test][i]);
            if engine == reference {
                continue;
            }
            let near = |i: usize| i < x.len() && gross_fails(i);
            let previous_missing = i > 0 && x[i - 1].is_none();
            let kind = match test {
                1 if near(i) || (i > 0 && near(i - 1)) || near(i + 1) => "removed",
                2 if x[..i].iter().flatten().next().is_none() => "first",
                2 if gross_fails(i) => "removed",
                2 if previous_missing || (i > 0 && gross_fails(i - 1)) => {
                    // The last good one, however long ago, over its true age.
                    let last = (0..i).rev().find(|&j| x[j].is_some() && !gross_fails(j));
                    let expected = last.map_or(2, |j| {
                        let (a, b) = (x[j].expect("found"), x[i].expect("not missing"));
                        let rate = (b - a).abs() / now[i].since(now[j]).secs();
                        let beyond = |limit: Option<f64>| limit.is_some_and(|l| rate > l);
                        if beyond(params.rate.fail) {
                            4
                        } else if beyond(params.rate.suspect) {
                            3
                        } else {
                            1
                        }
                    });
                    assert_eq!(engine, expected, "{name} row {i}: carried over the gap");
                    if previous_missing { "carried" } else { "removed" }
                }
                2 if step <= 0 || step % 1000 != 0 => "true time",
                3 if gross_fails(i) || clean < longest => "removed",
                3 if engine == 2 && reference == 1 && !moved => "not full",
                3 if regular < longest || lossy || !whole_windows || arrival_step != step => {
                    "window"
                }
                _ => panic!(
                    "{name} row {i} {}: engine {engine}, reference {reference}, no listed reason",
                    TESTS[test]
                ),
            };
            *counts.entry((TESTS[test], kind)).or_default() += 1;
        }
        // Our combination: missing is worse than suspect, and no test hides another.
        let codes = flags.map(QcFlag::code);
        let worst = [4, 9, 3, 2, 1].into_iter().find(|code| codes.contains(code));
        assert_eq!(Some(verdict.worst().code()), worst, "{name} row {i}: worst");
        if verdict.worst().code() != reference::combine(&codes) {
            *counts.entry(("combined", "worst")).or_default() += 1;
        }
    }
    x.len()
}

fn print(counts: &Counts) {
    for ((test, kind), n) in counts {
        println!("  {test:15} {kind:10} {n}");
    }
}

/// Uniform numbers from a seed (Knuth's MMIX generator), so that the series is the same everywhere.
struct Dice(u64);

impl Dice {
    fn roll(&mut self) -> f64 {
        self.0 =
            self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
}

/// A made-up record with everything that goes wrong: display steps, spikes, level steps, sentinels,
/// missing samples, gaps, repeated stamps, a clock set back, odd intervals, long flat stretches.
fn made_up(seed: u64, n: usize) -> (Vec<i64>, Vec<Option<f64>>) {
    let mut dice = Dice(seed);
    let (mut t, mut level, mut flat) = (0, 300.0, 0);
    let (mut times, mut values) = (Vec::new(), Vec::new());
    for i in 0..n {
        let fault = dice.roll();
        t += match fault {
            f if f < 0.004 => 400_000,
            f if f < 0.006 => -35_000,
            f if f < 0.009 => 0,
            f if f < 0.012 => 1_900,
            f if f < 0.015 => 500,
            _ => 10_000,
        };
        if dice.roll() < 0.01 {
            level = 100.0 + 500.0 * dice.roll();
        }
        if dice.roll() < 0.01 {
            flat = 30;
        }
        flat -= i32::from(flat > 0);
        let noise = if flat > 0 { 0.0 } else { (dice.roll() * 6.0).floor() - 3.0 };
        let value = match dice.roll() {
            // The first is there, so that what is seen is not all of one kind.
            f if f < 0.02 && i > 0 => None,
            f if f < 0.03 => Some(-9999.0),
            f if f < 0.04 => Some(level + 150.0),
            _ => Some(level.floor() + noise),
        };
        times.push(t);
        values.push(value);
    }
    (times, values)
}

#[test]
fn differs_from_the_reference_only_where_listed() {
    let params = Params {
        fail: (0.0, 1200.0),
        suspect: Some((50.0, 550.0)),
        spike: Thresholds { suspect: Some(10.0), fail: Some(60.0) },
        rate: Thresholds { suspect: Some(2.0), fail: Some(10.0) },
        flat_s: (40.0, 90.0),
        tolerance: 0.5,
    };
    let mut counts = Counts::new();
    let mut rows = 0;
    for seed in 1..=20 {
        let (t, x) = made_up(seed, 3_000);
        let want = params.reference(&t, &x);
        rows += compare(&format!("seed {seed}"), &t, &x, &params, &want, &mut counts);
    }
    println!("made-up records: {rows} rows, differences from the reference by kind:");
    print(&counts);
    for kind in [
        ("spike", "removed"),
        ("rate_of_change", "first"),
        ("rate_of_change", "removed"),
        ("rate_of_change", "carried"),
        ("rate_of_change", "true time"),
        ("flat_line", "removed"),
        ("flat_line", "not full"),
        ("flat_line", "window"),
        ("combined", "worst"),
    ] {
        assert!(counts.contains_key(&kind), "{kind:?} never seen: the records do not show it");
    }
    assert!(!counts.keys().any(|(test, _)| *test == "gross_range"));
}

/// Kinds that no record with the library's parameters can show.
#[test]
fn a_reason_to_move_and_a_zero_threshold() {
    let rules = Rules {
        range_fail: (0.0, 100.0),
        range_suspect: None,
        spike: Thresholds { suspect: Some(0.0), fail: None },
        rate: Thresholds::default(),
        flat: Some(FlatRules {
            suspect: Span::from_secs(20),
            fail: Span::from_secs(40),
            tolerance: 0.5,
            gap_max: Span::from_secs(30),
        }),
    };
    let flats = |expects: bool| -> Vec<u8> {
        let mut tests = QcTests::new(rules);
        let mut flags: Vec<u8> = (0..7)
            .filter_map(|i| tests.push(Mono::from_millis(i * 10_000), Some(0.0), expects))
            .map(|verdict| verdict.flat.code())
            .collect();
        flags.extend(tests.flush().map(|verdict| verdict.flat.code()));
        flags
    };
    assert_eq!(flats(true), [2, 2, 3, 3, 4, 4, 4]);
    assert_eq!(flats(false), [2; 7], "polished water is truly 0");

    let x: Vec<Option<f64>> = [0.0, 0.0, 9.0, 0.0, 0.0].map(Some).to_vec();
    let now: Vec<Mono> = (0..5).map(|i| Mono::from_millis(i * 10_000)).collect();
    let spikes: Vec<u8> = engine(rules, &now, &x).iter().map(|v| v.spike.code()).collect();
    assert_eq!(spikes, [2, 3, 3, 3, 2]);
    let plain = reference::spike(&x, Some(0.0), None, Method::Average);
    assert_eq!(plain, [2, 1, 1, 1, 2]);
}

/// The reference flags of every case, row by row: the plain implementation without a difference,
/// the engine with those listed.
#[test]
fn open_data_flags() {
    let Some(folder) = data::folder("flags of the four tests") else { return };
    let (mut rows, mut flags_equal) = (0, 0);
    let mut counts = Counts::new();
    for case in data::flagged_cases(&folder) {
        let (names, flags) = data::flags(&folder, &case);
        if names != TESTS {
            continue;
        }
        let params = data::json(&folder, &format!("{case}.flags.json"));
        let case_rows = data::case(&folder, &case);
        assert_eq!(case_rows.len(), flags.len(), "{case}");
        for (signal, series) in data::signals(&case_rows) {
            let want = |test: usize| series.rows.iter().map(move |&row| (row, test));
            let Some(json) = params.get(&signal) else {
                for (row, test) in (0..4).flat_map(want) {
                    assert_eq!(flags[row][test], 2, "{case} {signal}: not tested");
                    flags_equal += 1;
                }
                continue;
            };
            let params = Params::read(json);
            let got = params.reference(&series.t_ms, &series.x);
            for (test, got) in got.iter().enumerate() {
                for (index, &row) in series.rows.iter().enumerate() {
                    assert_eq!(
                        got[index], flags[row][test],
                        "{case} {signal} {} row {row}",
                        TESTS[test]
                    );
                    flags_equal += 1;
                }
            }
            let name = format!("{case} {signal}");
            rows += compare(&name, &series.t_ms, &series.x, &params, &got, &mut counts);
        }
    }
    println!("plain implementation: {flags_equal} reference flags equal, 0 differ");
    println!("engine: {rows} rows, differences from the reference by kind:");
    print(&counts);
    assert!(flags_equal > 4_000_000, "{flags_equal}: the folder is not complete");
}

/// The attenuated-signal flags, row by row; the engine with its window on whole buckets.
#[test]
fn open_data_attenuated() {
    let Some(folder) = data::folder("flags of the attenuated-signal test") else { return };
    let case = "qc_reference/salinity";
    let (names, flags) = data::flags(&folder, case);
    assert_eq!(names, ["attenuated_range", "attenuated_std"]);
    let params = &data::json(&folder, "qc_reference/salinity.flags.json")["salinity"];
    let rows = data::case(&folder, case);
    let t: Vec<i64> = rows.iter().map(|row| row.t_ms).collect();
    let x: Vec<Option<f64>> = rows.iter().map(|row| row.value).collect();
    let interval_s = median_interval_ms(&t) / 1000.0;
    for (test, spread) in [(0, Spread::Range), (1, Spread::Std)] {
        let number = |key: &str| params[names[test].as_str()][key].as_f64().expect("a parameter");
        let (suspect, fail, period) = (number("suspect"), number("fail"), number("window_s"));
        let count_min = (number("min_period_s") / interval_s).floor() as usize;
        let got = reference::attenuated(&t, &x, suspect, fail, period, count_min, spread);
        let want: Vec<u8> = flags.iter().map(|row| row[test]).collect();
        let first = (0..want.len()).find(|&i| got[i] != want[i]);
        assert_eq!(first, None, "{}: differs at row {first:?}", names[test]);
        println!("{}: {} flags equal, 0 differ", names[test], want.len());
        engine_attenuated(names[test].as_str(), &t, &x, (suspect, fail), period, count_min, spread);
    }
}

/// The engine against the plain implementation over the very window that the engine says it covers:
/// exact; and, counted, against the full window.
fn engine_attenuated(
    name: &str,
    t: &[i64],
    x: Series<'_>,
    (suspect, fail): (f64, f64),
    period_s: f64,
    count_min: usize,
    spread: Spread,
) {
    let rules = attenuated::Rules {
        spread: match spread {
            Spread::Range => attenuated::Spread::Range,
            Spread::Std => attenuated::Spread::Deviation,
        },
        suspect,
        fail,
        window: Span::from_secs_f64(period_s),
        count_min: count_min as u32,
    };
    let now = arrivals(t);
    let full = reference::attenuated(t, x, suspect, fail, period_s, count_min, spread);
    let mut engine = Attenuated::new(rules);
    let mut edge = 0;
    let mut start = 0;
    for i in 0..x.len() {
        let flag = engine.push(now[i], x[i]).code();
        while now[start] < engine.covers_from(now[i]) {
            start += 1;
        }
        let covered = now[i].since(now[start]).secs();
        assert!(covered <= period_s, "{name} row {i}: never more than the window");
        // Missing samples are skipped: the plain measure over what is there.
        let there: Vec<f64> = x[start..=i].iter().flatten().copied().collect();
        let size = reference::spread_of(&there, spread);
        let expected = match x[i] {
            None => 9,
            Some(_) if there.len() < count_min => 2,
            Some(_) if size < fail => 4,
            Some(_) if size < suspect => 3,
            Some(_) => 1,
        };
        // Two orders of summation may differ in the last digit only exactly on a threshold.
        assert_eq!(flag, expected, "{name} row {i}");
        edge += usize::from(flag != full[i]);
    }
    println!("  {name}, engine: {} rows, {edge} differ from the reference", x.len());
    // A missing sample blinds the reference's range; without one only the window's edge differs.
    if !x.contains(&None) {
        assert!((edge as f64) < 0.02 * x.len() as f64, "{name}: {edge} rows differ by the edge");
    }
}

/// The same on a made-up record, with missing samples in it.
#[test]
fn attenuated_on_whole_buckets() {
    let (_, x) = made_up(7, 1_500);
    let x: Vec<Option<f64>> = x.into_iter().map(|x| x.filter(|x| *x > 0.0)).collect();
    let t: Vec<i64> = (0..x.len() as i64).map(|i| i * 10_000).collect();
    assert!(x.contains(&None), "some are missing");
    for spread in [Spread::Range, Spread::Std] {
        engine_attenuated("made up", &t, &x, (20.0, 4.0), 6_400.0, 30, spread);
    }
}
