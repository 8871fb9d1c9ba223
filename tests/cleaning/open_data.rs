//! Real sensor data with faults, events, gaps and bad clocks: what a cleaner must not break.

use crate::data::{self, Row};
use permeated::engine::signal::debounce::{Debounce, Hold};
use permeated::engine::signal::hampel::{Hampel, Kind, Rules};
use permeated::engine::signal::integrate::FlowIntegrator;
use permeated::engine::signal::interval::{IntervalLearner, StaleRule};
use permeated::engine::signal::median::MedianWindow;
use permeated::engine::signal::order::{Order, Placement};
use permeated::engine::signal::plausible::{Belief, Plausible, TooGood};
use permeated::engine::signal::totaliser::{Decision, PulseFlow, Totaliser};
use permeated::engine::time::{Mono, Span, Wall};
use std::collections::BTreeMap;
use std::path::Path;

/// Rows of one signal; the time of the first is 0.
fn signal(folder: &Path, case: &str, name: &str) -> Vec<(Mono, Option<f64>, bool)> {
    let rows: Vec<Row> =
        data::case(folder, case).into_iter().filter(|row| row.signal == name).collect();
    let zero = rows.first().map_or(0, |row| row.t_ms);
    rows.into_iter().map(|row| (Mono::from_millis(row.t_ms - zero), row.value, row.label)).collect()
}

/// The guard path over a high limit: median, then debounce by count and time. Gives the rows in
/// which the condition held; a missing reading counts as neither.
fn guard(rows: &[(Mono, Option<f64>, bool)], limit: f64, count: u32, time: Span) -> Vec<bool> {
    let mut median = MedianWindow::new(3);
    let mut high = Debounce::new(Hold::new(count, time), Hold::new(count, time), false);
    rows.iter()
        .map(|(now, value, _)| {
            match value {
                Some(value) => {
                    if let Some(level) = median.push(*value) {
                        high.push(*now, level > limit);
                    }
                }
                None => high.lost(),
            }
            high.state()
        })
        .collect()
}

/// Runs of rows for which a condition holds, as first and last row.
fn runs(of: impl Iterator<Item = bool>) -> Vec<(usize, usize)> {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    let mut before = false;
    for (row, holds) in of.enumerate() {
        match runs.last_mut() {
            Some(last) if holds && before => last.1 = row,
            _ if holds => runs.push((row, row)),
            _ => {}
        }
        before = holds;
    }
    runs
}

/// Real conductance peaks, which technicians kept: neither the guard path nor the trend path may
/// lose one that lasts.
#[test]
fn a_real_peak_is_kept() {
    let Some(folder) = data::folder("real peaks") else { return };
    let rows = signal(&folder, "river_sonde/MainStreet2019", "cond");
    let limit = 800.0;
    let high = |row: usize| rows[row].1.is_some_and(|value| value > limit);
    let peaks: Vec<(usize, usize)> = runs((0..rows.len()).map(high))
        .into_iter()
        .filter(|&(from, to)| (from..=to).all(|row| !rows[row].2))
        .collect();
    let lasting: Vec<_> = peaks.iter().filter(|(from, to)| to - from + 1 >= 4).collect();
    let singles: Vec<_> = peaks.iter().filter(|(from, to)| from == to).collect();

    // Median of three and two readings: two readings to pass the median, one more to confirm.
    let alarm = guard(&rows, limit, 2, Span::ZERO);
    let mut delay_max = 0;
    for &&(from, to) in &lasting {
        let found = (from..=to).find(|&row| alarm[row]);
        let delay = found.unwrap_or_else(|| panic!("guard missed the peak at row {from}")) - from;
        delay_max = delay_max.max(delay);
    }
    assert!(delay_max <= 2, "{delay_max} readings");

    let mut trend = Hampel::new(Rules::usual(0.1, Span::from_secs(6 * 3600)));
    let cleaned: Vec<Option<(f64, Kind)>> = rows
        .iter()
        .map(|&(now, value, _)| {
            trend.push(now, value.unwrap_or(f64::NAN)).map(|cleaned| (cleaned.value, cleaned.kind))
        })
        .collect();
    let shift_after = trend.rules().shift_after;
    let mut trend_delay_max = 0;
    for &&(from, to) in &lasting {
        let shown = (from..rows.len()).find(|&row| {
            cleaned[row].is_some_and(|(value, kind)| value > limit && kind != Kind::Replaced)
        });
        let delay = shown.map_or(usize::MAX, |row| row - from);
        assert!(from + delay <= to, "the trend lost the peak at rows {from} to {to}");
        trend_delay_max = trend_delay_max.max(delay);
    }
    assert!(trend_delay_max < shift_after, "{trend_delay_max} readings");
    let (n, all, lone) = (lasting.len(), peaks.len(), singles.len());
    println!(
        "MainStreet2019 conductance: {all} unlabelled excursions above {limit} uS/cm, {n} of 4 \
         readings or more, {lone} of one; guard found {n} of {n}, latest after {delay_max} further \
         readings; trend kept {n} of {n}, latest after {trend_delay_max} of {} allowed",
        shift_after - 1,
    );
    assert!(lasting.len() >= 10, "the case holds real peaks");
}

/// 23 days of works water without an event: an alarm about the water is false; the hour without
/// data and the dead probe are "no reading", not water.
#[test]
fn quiet_water_gives_no_alarm() {
    let Some(folder) = data::folder("quiet water") else { return };
    // The same rule finds the events of another season, or it would show nothing.
    let alarms = |case: &str| -> (usize, usize, usize) {
        let rows = signal(&folder, case, "cond");
        let first: Vec<f64> = rows.iter().filter_map(|row| row.1).take(400).collect();
        let mut sorted = first.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        // Ordinary source changes move it by 5 to 10 uS/cm: the limit lies at three times that.
        let limit = sorted[sorted.len() / 2] + 30.0;
        let alarm = guard(&rows, limit, 3, Span::from_secs(120));
        let events = runs(rows.iter().map(|row| row.2));
        let found =
            events.iter().filter(|&&(from, to)| (from..=to + 3).any(|row| alarm[row])).count();
        (runs(alarm.iter().copied()).len(), found, events.len())
    };
    let (quiet, _, _) = alarms("drinking_water/works_quiet");
    let (raised, found, events) = alarms("drinking_water/works_events");
    println!(
        "works_quiet: {quiet} alarms about the water in 23 days; the same rule on works_events: \
         {raised} alarms, {found} of {events} events touch conductivity that far"
    );
    assert_eq!(quiet, 0);
    assert!(found > 0, "a rule that never speaks shows nothing");

    // The hour without data: silence is found once, and ends with the first reading.
    let rows = signal(&folder, "drinking_water/works_quiet", "cond");
    let rule = StaleRule { factor: 3.0, min: Span::from_secs(15), max: Span::from_secs(600) };
    let mut learner = IntervalLearner::new(Span::from_secs(60));
    let stale: Vec<bool> = rows
        .iter()
        .map(|(now, value, _)| {
            let stale = *now > learner.stale_at(true, &rule, Mono::ZERO);
            if value.is_some() {
                learner.observe(*now, true);
            }
            stale && value.is_none()
        })
        .collect();
    let silent = runs(stale.into_iter());
    println!("works_quiet: silence found at rows {silent:?}");
    // A radio that lost little: ln 1e-7 over ln of its loss, and half an interval more, is over three.
    assert_eq!(silent, [(27_399, 27_454)], "after what losses explain, until the data return");
    let high = guard(&rows, 200.0, 3, Span::from_secs(120));
    let gap = 27_395..27_455;
    assert!(gap.clone().all(|row| high[row] == high[27_394]), "missing data changes no state");

    // The dead probe: 0 while the other probe of the same water goes on.
    let probe = signal(&folder, "drinking_water/works_quiet", "chlorine_dioxide_1");
    let other = signal(&folder, "drinking_water/works_quiet", "chlorine_dioxide_2");
    let mut dead = TooGood::new(3, Span::from_secs(120), 0.02);
    let mut doubted = Vec::new();
    for (row, ((now, value, _), (_, reference, _))) in probe.iter().zip(&other).enumerate() {
        let Some(value) = value else { continue };
        if dead.observe(*now, *value, reference.map(|x| x * 0.8)) == Belief::Doubted {
            doubted.push(row);
        }
    }
    println!(
        "works_quiet: dead probe doubted in rows {:?}..={:?}",
        doubted.first(),
        doubted.last()
    );
    assert_eq!(
        (doubted.first(), doubted.last(), doubted.len()),
        (Some(&11_913), Some(&11_926), 14)
    );
}

/// A rig that starts and hums: control noise must not alarm. Limits from the first ten minutes.
#[test]
fn a_healthy_rig_gives_no_alarm() {
    let Some(folder) = data::folder("a healthy rig") else { return };
    let limits = |rows: &[(Mono, Option<f64>, bool)]| {
        let mut first: Vec<f64> = rows.iter().filter_map(|row| row.1).take(600).collect();
        first.sort_unstable_by(f64::total_cmp);
        let (low, high) = (first[0], first[first.len() - 1]);
        (low, high, first[first.len() / 2])
    };
    let mut raw_beyond = 0;
    for name in ["pressure", "flow"] {
        let rows = signal(&folder, "water_loop/normal", name);
        let (low, high, middle) = limits(&rows);
        let band = (high - low).max(0.05 * middle.abs());
        let above = guard(&rows, high + band, 5, Span::from_secs(10));
        let negated: Vec<_> = rows.iter().map(|r| (r.0, r.1.map(|x| -x), r.2)).collect();
        let below = guard(&negated, -(low - band), 5, Span::from_secs(10));
        raw_beyond += rows.iter().filter_map(|r| r.1).filter(|x| *x > high || *x < low).count();
        let alarms = runs(above.into_iter()).len() + runs(below.into_iter()).len();
        println!("water_loop/normal {name}: {alarms} alarms in {} rows", rows.len());
        assert_eq!(alarms, 0, "{name}");
    }
    println!(
        "water_loop/normal: {raw_beyond} raw readings beyond what the first ten minutes showed"
    );
    // The same rule sees the pump draw air on the same rig.
    let rows = signal(&folder, "water_loop/other_12", "flow");
    let (low, high, middle) = limits(&rows[..300]);
    let band = (high - low).max(0.05 * middle.abs());
    let negated: Vec<_> = rows.iter().map(|r| (r.0, r.1.map(|x| -x), r.2)).collect();
    let below = runs(guard(&negated, -(low - band), 5, Span::from_secs(10)).into_iter());
    println!("water_loop/other_12 flow (pump drawing air): {} alarms", below.len());
    assert!(!below.is_empty(), "a pump that draws air is seen");
    assert!(below.iter().any(|&(from, to)| (from..=to).any(|row| rows[row].2)), "in its event");
}

fn order_of(folder: &Path, case: &str) -> (BTreeMap<Placement, usize>, Vec<usize>) {
    let rows = data::case(folder, case);
    let mut order = Order::new();
    let (mut now, mut last): (i64, Option<Mono>) = (0, None);
    let (mut placements, mut stepped) = (BTreeMap::new(), Vec::new());
    for (index, row) in rows.iter().enumerate() {
        // Arrivals follow the record's own pauses; where its clock falls, the usual one passes.
        if index > 0 {
            let pause = row.t_ms - rows[index - 1].t_ms;
            now += if (1..3_600_000_000).contains(&pause) { pause } else { 300_000 };
        }
        let stamp = Some(Wall::from_millis(row.t_ms));
        let placed = order.place(Mono::from_millis(now), stamp, row.value.unwrap_or(0.0), false);
        *placements.entry(placed.placement).or_default() += 1;
        if placed.placement == Placement::ClockStepped {
            stepped.push(index);
        }
        if placed.placement.is_live() {
            assert!(last.is_none_or(|last| placed.at > last), "{case} row {index}: time rises");
            last = Some(placed.at);
        }
    }
    (placements, stepped)
}

#[test]
fn bad_clocks_lose_no_reading() {
    let Some(folder) = data::folder("bad clocks") else { return };
    let (placements, stepped) = order_of(&folder, "known_cause/machine_temperature");
    println!("machine_temperature: {placements:?}, clock stepped at rows {stepped:?}");
    assert_eq!(stepped, [10_149], "55 min back");
    assert_eq!(placements.get(&Placement::InOrder), Some(&22_694));

    let (placements, stepped) = order_of(&folder, "water_meter/washbasin_clock_zero");
    println!("washbasin_clock_zero: {placements:?}, clock stepped at rows {stepped:?}");
    assert!(stepped.contains(&8892), "the stamp of 1970");
    assert!(stepped.len() <= 2, "at most the way back on top");
    let kept: usize = placements.values().sum();
    assert_eq!(kept, 15_000);
    assert!(!placements.contains_key(&Placement::Late), "{placements:?}");
}

/// Values from -2.6e8 to 3.6e8 among honest zeros.
#[test]
fn a_corrupt_counter_spoils_no_total() {
    let Some(folder) = data::folder("a corrupt counter") else { return };
    let rows = signal(&folder, "water_meter/whole_house_corrupt", "flow");
    let ceiling = 100.0;
    // As a flow: what is impossible is no reading.
    let plausible = Plausible::new((0.0, ceiling), &[]);
    let mut flow = FlowIntegrator::new(Span::from_secs(660), ceiling);
    let mut honest = FlowIntegrator::new(Span::from_secs(660), ceiling);
    let mut refused = 0;
    for (now, value, impossible) in &rows {
        let Some(value) = *value else { continue };
        if plausible.check(value).is_ok() {
            flow.push(*now, value);
        } else {
            refused += 1;
        }
        if !impossible {
            honest.push(*now, value);
        }
    }
    println!(
        "whole_house_corrupt as a flow: {refused} of {} refused, {:.3} L, without the impossible rows \
         {:.3} L, unseen {:.0} s",
        rows.len(),
        flow.litres(),
        honest.litres(),
        flow.missing().secs()
    );
    assert!((flow.litres() - honest.litres()).abs() < 1e-9);

    // As a running volume: absurd jumps add nothing.
    let mut total = Totaliser::volume(0.001, 0.0, ceiling);
    let mut before = 0;
    let mut decisions: BTreeMap<Decision, usize> = BTreeMap::new();
    let mut rises = 0.0;
    let mut last_honest: Option<f64> = None;
    for (now, value, impossible) in &rows {
        let Some(value) = *value else { continue };
        let step = total.push_litres(*now, value, None, false);
        *decisions.entry(step.decision).or_default() += 1;
        assert!(total.total() >= before, "a total never falls");
        before = total.total();
        if *impossible {
            // Nothing for an absurd number, also where it stays and is taken for a new base.
            assert_eq!(step.counts, 0, "{value}: {:?}", step.decision);
        } else {
            rises +=
                last_honest.map_or(0.0, |last| if value < last { value } else { value - last });
            last_honest = Some(value);
        }
    }
    println!(
        "whole_house_corrupt as a running volume: {:.3} L, rises of the honest rows {rises:.3} L, \
         {decisions:?}",
        total.total_litres()
    );
    assert!((total.total_litres() - rises).abs() <= 0.1, "a display step for each change");
}

/// Pulses of a home each 4 s: joined at 12 s, every published event is found and none is split.
#[test]
fn pulses_make_events() {
    let Some(folder) = data::folder("pulses") else { return };
    let rows = data::case(&folder, "water_meter/pulses");
    let mut total = Totaliser::pulses(0.041_619 * 3.785_411_784, 1000.0, 200.0);
    let mut flow = PulseFlow::new(total.litres_per_count(), Span::from_secs(12));
    let mut counter = 0;
    let zero = rows[0].t_ms;
    let mut events: Vec<(i64, i64)> = Vec::new();
    let mut last_pulse: Option<i64> = None;
    total.push_count(Mono::from_millis(-4_000), 0.0, None, false);
    for row in &rows {
        let now = Mono::from_millis(row.t_ms - zero);
        // The recorded pulses as a counter that turns over at 1000.
        counter = (counter + row.value.expect("no gaps") as u64) % 1000;
        let step = total.push_count(now, counter as f64, None, false);
        assert!(step.decision.is_sure(), "{:?}", step.decision);
        let was_flowing = flow.is_flowing(now);
        flow.observe(now, step.counts);
        if step.counts > 0 {
            match events.last_mut() {
                Some(event) if was_flowing => event.1 = row.t_ms,
                _ => events.push((row.t_ms, row.t_ms)),
            }
            last_pulse = Some(row.t_ms);
        } else if last_pulse.is_some_and(|last| row.t_ms - last > 12_000) {
            assert_eq!(flow.at(now), Some(0.0), "no pulse, no flow");
        }
    }
    let published = std::fs::read_to_string(folder.join("water_meter/events.csv")).expect("events");
    let (mut found, mut split, mut n) = (0, 0, 0);
    for line in published.lines().skip(1) {
        let mut cells = line.split(',');
        let mut stamp = || -> i64 {
            let cell = cells.next().expect("a time");
            cell.parse::<jiff::Timestamp>().expect("RFC 3339").as_millisecond()
        };
        let (start, end) = (stamp(), stamp());
        let touching = events.iter().filter(|event| event.0 < end && event.1 > start).count();
        let touching = touching
            .max(usize::from(events.iter().any(|event| event.0 <= end && event.1 >= start)));
        n += 1;
        found += usize::from(touching >= 1);
        split += usize::from(touching > 1);
    }
    println!(
        "pulses: {} in all, {} runs, {found} of {n} published events found, {split} split",
        total.total(),
        events.len()
    );
    assert_eq!(total.total(), 13_123);
    assert_eq!(events.len(), 231);
    assert_eq!((found, split, n), (174, 0, 174));
}

/// A meter that reports each second while water flows and each 301 s otherwise: a gap between zeros
/// is no fault, and both intervals are learned.
#[test]
fn change_driven_reports_are_no_faults() {
    let Some(folder) = data::folder("change-driven reports") else { return };
    let rows = signal(&folder, "water_meter/shower_1s", "flow");
    let mut learner = IntervalLearner::new(Span::from_secs(10));
    let idle = StaleRule { factor: 3.0, min: Span::from_secs(600), max: Span::from_secs(93_600) };
    let mut stale = 0;
    for pair in rows.windows(2) {
        let flowing = pair[0].1.is_some_and(|value| value > 0.0);
        learner.observe(pair[0].0, flowing);
        stale += usize::from(!flowing && pair[1].0 > learner.stale_at(false, &idle, Mono::ZERO));
    }
    println!(
        "shower_1s: learned {:.0} s flowing, {:.0} s idle; idle gaps called stale: {stale} of {}",
        learner.expected(true).secs(),
        learner.expected(false).secs(),
        rows.len()
    );
    assert_eq!(learner.expected(true), Span::from_secs(1));
    assert_eq!(learner.expected(false), Span::from_secs(301));
}
