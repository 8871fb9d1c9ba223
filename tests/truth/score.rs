//! From what the plants gave to the table.

use super::plan::Stretch;
use super::world::{Report, false_closes, names, seeds};
use std::fmt::Write;

/// Half the width of a 90 % interval in standard uncertainties.
const NINETY: f64 = 1.644_85;

pub fn median(values: &[f64]) -> f64 {
    quantile(values, 0.5)
}

pub fn quantile(values: &[f64], p: f64) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[((sorted.len() - 1) as f64 * p).round() as usize]
}

fn rms(values: &[f64]) -> f64 {
    if values.is_empty() {
        return f64::NAN;
    }
    (values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64).sqrt()
}

/// Share of the values that hold.
fn share(values: impl Iterator<Item = bool>) -> (f64, usize) {
    let all: Vec<bool> = values.collect();
    let hold = all.iter().filter(|held| **held).count();
    (hold as f64 / all.len().max(1) as f64, all.len())
}

/// Interval score of Gneiting and Raftery (J. Am. Stat. Assoc. 102 (2007) 359) for a 90 % interval.
fn interval_score(low: f64, high: f64, truth: f64) -> f64 {
    let out = (low - truth).max(0.0) + (truth - high).max(0.0);
    high - low + 2.0 / 0.1 * out
}

/// One column of figures.
#[derive(Clone, Debug, Default)]
pub struct Scores {
    /// Rejection RMSE in points by stretch: engine, engine good only, naive, looks without a value.
    pub rejection: Vec<(Stretch, f64, f64, f64, f64)>,
    /// RMSE over the plant's own tolerance in stretches without drift, worst stretch.
    pub rejection_within: f64,
    pub drift_covered: f64,
    pub after_hand_rms: f64,
    pub settled_median: f64,
    pub settled_p90: f64,
    pub settled_within: f64,
    pub naive_settled_median: f64,
    pub cut_right: f64,
    pub cut_count: usize,
    pub long_right: f64,
    pub long_count: usize,
    pub volume_median: f64,
    pub volume_p90: f64,
    pub extra_median: f64,
    pub extra_p90: f64,
    pub naive_extra: f64,
    pub settled_truth: f64,
    pub load_truth: f64,
    pub load_worst: f64,
    pub capacity: [f64; 3],
    pub half_first_unknown: f64,
    pub half_first_known: f64,
    pub half_later: f64,
    pub half_naive: f64,
    pub coverage: f64,
    pub cases: usize,
    pub score_ratio: f64,
    pub gas_right: f64,
    pub gas_wrong: f64,
    pub front_gas: f64,
    pub false_per_year: [f64; 3],
    /// Closes of an open valve without a cause, and holds and trips that were told without one.
    pub false_closes: u32,
    pub false_protective: u32,
    pub naive_false_closes: u32,
    pub spoils: usize,
    pub missed: usize,
    pub late: usize,
    pub naive_missed: usize,
    pub missed_stuck: usize,
    pub named: (usize, usize),
    pub long_stands: usize,
    pub years: f64,
}

fn of_stretch(reports: &[Report], stretch: Stretch) -> (f64, f64, f64, f64, Vec<f64>) {
    let looks: Vec<_> =
        reports.iter().flat_map(|r| &r.rejections).filter(|look| look.stretch == stretch).collect();
    let shown: Vec<f64> = looks
        .iter()
        .filter_map(|look| look.shown.map(|(v, ..)| 100.0 * (v - look.truth)))
        .collect();
    let good: Vec<f64> = looks
        .iter()
        .filter_map(|look| look.shown.filter(|s| s.2).map(|(v, ..)| 100.0 * (v - look.truth)))
        .collect();
    let naive: Vec<f64> = looks.iter().map(|look| 100.0 * (look.naive - look.truth)).collect();
    let relative: Vec<f64> = looks
        .iter()
        .filter_map(|look| {
            let tolerance = (0.2f64).max(60.0 / look.feed);
            look.shown.map(|(v, ..)| 100.0 * (v - look.truth) / tolerance)
        })
        .collect();
    let none = 1.0 - shown.len() as f64 / looks.len().max(1) as f64;
    (rms(&shown), rms(&good), rms(&naive), none, relative)
}

pub fn scores(reports: &[Report]) -> Scores {
    use Stretch::*;
    let mut s =
        Scores { years: reports.iter().map(|r| r.days).sum::<f64>() / 365.0, ..Scores::default() };
    let stretches =
        [Easy, Spikes, Radio, FeedDrift, PermeateDrift, ShortCycles, StuckProduct, Worn, Spoiled];
    for stretch in stretches {
        let (shown, good, naive, none, relative) = of_stretch(reports, stretch);
        s.rejection.push((stretch, shown, good, naive, none));
        if !matches!(stretch, FeedDrift | PermeateDrift) && !relative.is_empty() {
            s.rejection_within = s.rejection_within.max(rms(&relative));
        }
    }
    let drift: Vec<_> = reports
        .iter()
        .flat_map(|r| &r.rejections)
        .filter(|l| matches!(l.stretch, FeedDrift | PermeateDrift))
        .collect();
    s.drift_covered = share(
        drift.iter().filter_map(|l| l.shown.map(|(v, u, _)| (v - l.truth).abs() <= 1.96 * u)),
    )
    .0;
    s.after_hand_rms = rms(&drift
        .iter()
        .filter(|l| l.by_hand)
        .filter_map(|l| l.shown.map(|(v, ..)| 100.0 * (v - l.truth)))
        .collect::<Vec<_>>());
    starts(reports, &mut s);
    loads(reports, &mut s);
    resin(reports, &mut s);
    for report in reports {
        for (_, named) in &report.drift_named {
            s.named.1 += 1;
            s.named.0 += usize::from(named.is_some_and(|days| days <= 14.0));
        }
    }
    let patterns: Vec<_> = reports.iter().flat_map(|r| &r.patterns).collect();
    s.gas_right = share(patterns.iter().filter(|p| p.gas).map(|p| p.said_gas)).0;
    s.gas_wrong = share(patterns.iter().filter(|p| p.gas).map(|p| p.said_breakthrough)).0;
    s.front_gas = share(patterns.iter().filter(|p| !p.gas).map(|p| p.said_gas)).0;
    for told in reports.iter().flat_map(|r| &r.told).filter(|told| !told.due) {
        let class = match told.class {
            "now" => 0,
            "today" => 1,
            _ => 2,
        };
        s.false_per_year[class] += 1.0 / s.years;
        s.false_protective += u32::from(told.protective);
    }
    let closes = reports.iter().flat_map(|r| &r.closes);
    s.false_closes = closes.filter(|close| !close.due).count() as u32;
    s.naive_false_closes = reports.iter().map(|r| r.naive_false_closes).sum();
    for spoil in reports.iter().flat_map(|r| &r.spoils) {
        if spoil.stuck {
            s.missed_stuck += usize::from(spoil.engine.is_none());
            continue;
        }
        s.spoils += 1;
        s.missed += usize::from(spoil.engine.is_none());
        s.late += usize::from(spoil.engine.is_some_and(|dose| dose > spoil.allowed));
        s.naive_missed += usize::from(!spoil.naive);
    }
    s.long_stands = reports
        .iter()
        .flat_map(|r| &r.truth_starts)
        .filter(|(start, _)| start.idle_secs >= 8.0 * 3600.0)
        .count();
    s
}

fn starts(reports: &[Report], s: &mut Scores) {
    let (mut settled, mut within, mut naive) = (Vec::new(), Vec::new(), Vec::new());
    let mut against_truth = Vec::new();
    let (mut cut, mut long) = (Vec::new(), Vec::new());
    let (mut volume, mut extra, mut salt) = (Vec::new(), Vec::new(), Vec::new());
    for report in reports {
        for (truth, stretch) in &report.truth_starts {
            let drifts = matches!(stretch, Stretch::FeedDrift | Stretch::PermeateDrift);
            let own = report.starts.iter().find(|own| (own.began - truth.at_secs).abs() < 60.0);
            let Some(own) = own else { continue };
            let amplitude = truth.peak_ppm - truth.settled_ppm;
            if let (Some((value, _)), false) = (own.settled, drifts) {
                let error = (value - own.seen_settled).abs();
                against_truth.push((value / own.truth_settled.max(0.5) - 1.0).abs());
                settled.push(error / own.seen_settled.max(0.5));
                within.push(error <= (0.05 * own.seen_settled).max(0.3));
            }
            let other =
                report.naive.starts.iter().find(|n| (n.began - truth.at_secs).abs() < 120.0);
            if let Some(n) = other {
                if truth.extra_salt_mg > 5.0 {
                    salt.push((n.extra_mg / truth.extra_salt_mg - 1.0).abs());
                }
                naive.push((n.settled - own.seen_settled).abs() / own.seen_settled.max(0.5));
            }
            if truth.left_ppm > 1.0f64.max(0.1 * amplitude) {
                cut.push(!own.reached);
            } else if truth.left_ppm < 0.3 && truth.litres > 6.0 && truth.settle_litres.is_some() {
                long.push(own.reached);
            }
            if let (Some(is), Some(should)) = (own.settle_litres, truth.settle_litres)
                && amplitude > 10.0
            {
                volume.push((is / should.max(0.05) - 1.0).abs());
            }
            if let Some(is) = own.extra
                && own.reached
                && truth.extra_salt_mg > 5.0
                && !drifts
            {
                extra.push((is / truth.extra_salt_mg - 1.0).abs());
            }
        }
    }
    s.settled_truth = median(&against_truth);
    s.settled_median = median(&settled);
    s.settled_p90 = quantile(&settled, 0.9);
    s.settled_within = share(within.into_iter()).0;
    s.naive_settled_median = median(&naive);
    (s.cut_right, s.cut_count) = share(cut.into_iter());
    (s.long_right, s.long_count) = share(long.into_iter());
    s.volume_median = median(&volume);
    s.volume_p90 = quantile(&volume, 0.9);
    s.extra_median = median(&extra);
    s.extra_p90 = quantile(&extra, 0.9);
    s.naive_extra = median(&salt);
}

fn loads(reports: &[Report], s: &mut Scores) {
    for load in reports.iter().flat_map(|r| &r.loads).filter(|l| l.seen > 100.0) {
        if !matches!(load.stretch, Stretch::FeedDrift | Stretch::PermeateDrift) {
            s.load_worst = s.load_worst.max((load.engine / load.seen - 1.0).abs());
            s.load_truth = s.load_truth.max((load.engine / load.truth.max(1.0) - 1.0).abs());
        }
    }
}

fn resin(reports: &[Report], s: &mut Scores) {
    for (at, wanted) in [1, 2, 4].into_iter().enumerate() {
        let errors: Vec<f64> = reports
            .iter()
            .flat_map(|r| &r.capacities)
            .filter(|c| c.exhaustions == wanted)
            .map(|c| (c.published / c.truth_counted - 1.0).abs())
            .collect();
        s.capacity[at] = median(&errors);
    }
    let (mut unknown, mut known, mut later, mut naive) = (vec![], vec![], vec![], vec![]);
    let (mut held, mut own, mut others) = (vec![], vec![], vec![]);
    for report in reports {
        for (index, charge) in report.charges.iter().enumerate() {
            let Some(end) = charge.end.filter(|end| *end > 50.0) else { continue };
            let looks: Vec<_> = report.resin.iter().filter(|l| l.charge == index).collect();
            let at = |share: f64| looks.iter().find(|l| l.litres >= share * end);
            if let Some(look) = at(0.5) {
                let left = end - look.litres;
                if let Some((value, _)) = look.remaining {
                    let error = (value / left - 1.0).abs();
                    if charge.seen_before >= 2 {
                        later.push(error);
                    } else if charge.seen_before == 0 {
                        if super::plan::knows_chemistry(report.seed) {
                            known.push(error);
                        } else {
                            unknown.push(error);
                        }
                    }
                }
                naive.push((look.naive / left - 1.0).abs());
            }
            for tenth in 1..=9 {
                let Some(look) = at(0.1 * f64::from(tenth)) else { continue };
                let Some((value, u)) = look.remaining else { continue };
                let left = end - look.litres;
                let (low, high) = ((value - NINETY * u).max(0.0), value + NINETY * u);
                held.push(low <= left && left <= high);
                own.push(interval_score(low, high, left));
                // A rating is good to 30 % (its user's guess).
                let wide = 0.3 * NINETY * (look.naive + look.litres);
                others.push(interval_score((look.naive - wide).max(0.0), look.naive + wide, left));
            }
        }
    }
    s.half_first_unknown = median(&unknown);
    s.half_first_known = median(&known);
    s.half_later = median(&later);
    s.half_naive = median(&naive);
    (s.coverage, s.cases) = share(held.into_iter());
    let sum = |v: &[f64]| v.iter().sum::<f64>();
    s.score_ratio = sum(&own) / sum(&others).max(1e-9);
}

/// Errors where no fault is declared (1-ppm steps, irregular sampling, gains and offsets of cheap
/// probes), each plant's own list.
fn errors(reports: &[Report], of: impl Fn(&Report) -> Vec<f64>) -> String {
    let plants: Vec<Vec<f64>> = reports.iter().map(of).filter(|list| !list.is_empty()).collect();
    let each: Vec<f64> = plants.iter().map(|list| median(list)).collect();
    let all: Vec<f64> = plants.concat();
    format!(
        "{:>8.2} {:>8.2} {:>8.2} {:>8.2} {:>6}",
        median(&each),
        quantile(&each, 1.0),
        quantile(&all, 0.9),
        quantile(&all, 1.0),
        all.len()
    )
}

/// Errors of the main values over the plants: the median plant, the worst plant (each by its median),
/// and of all looks the 90th percentile and the worst one.
fn errors_table(reports: &[Report]) -> String {
    let starts = |of: &dyn Fn(
        &super::world::StartLook,
        &permeated::demo::truth::StartTruth,
    ) -> Option<f64>| {
        let of = |report: &Report| {
            let truths = report.truth_starts.iter().filter(|(_, at)| *at == Stretch::Easy);
            let pairs = truths.filter_map(|(truth, _)| {
                let near =
                    |own: &&super::world::StartLook| (own.began - truth.at_secs).abs() < 60.0;
                report.starts.iter().find(near).map(|own| (own, truth))
            });
            pairs.filter_map(|(own, truth)| of(own, truth)).collect::<Vec<f64>>()
        };
        errors(reports, of)
    };
    let looks = |of: &dyn Fn(&super::world::RejectionLook) -> Option<f64>| {
        errors(reports, |report: &Report| {
            let easy = report.rejections.iter().filter(|look| look.stretch == Stretch::Easy);
            easy.filter_map(of).collect()
        })
    };
    let mut out = format!(
        "{:<52} {:>8} {:>8} {:>8} {:>8} {:>6}\n",
        "errors in easy months", "median", "worst", "90 %", "largest", "looks"
    );
    for (what, figures) in [
        ("rejection, points", looks(&|l| l.shown.map(|(v, ..)| 100.0 * (v - l.truth).abs()))),
        ("recovery, points", looks(&|l| l.recovery.map(|(v, t)| 100.0 * (v - t).abs()))),
        (
            "settled value, ppm, as its probe shows it",
            starts(&|own, _| own.settled.map(|(v, _)| (v - own.seen_settled).abs())),
        ),
        (
            "  against the truth, ppm",
            starts(&|own, _| own.settled.map(|(v, _)| (v - own.truth_settled).abs())),
        ),
        (
            "extra salt of starts above 5 mg, %",
            starts(&|own, truth| {
                let counts = own.reached && truth.extra_salt_mg > 5.0;
                let of = own.extra.filter(|_| counts);
                of.map(|is| 100.0 * (is / truth.extra_salt_mg - 1.0).abs())
            }),
        ),
        (
            "resin used (visible load of a month), %",
            errors(reports, |report: &Report| {
                let easy = report.loads.iter().filter(|l| l.stretch == Stretch::Easy);
                easy.filter(|l| l.seen > 100.0)
                    .map(|l| 100.0 * (l.engine / l.seen - 1.0).abs())
                    .collect()
            }),
        ),
        (
            "  against the truth, %",
            errors(reports, |report: &Report| {
                let easy = report.loads.iter().filter(|l| l.stretch == Stretch::Easy);
                easy.filter(|l| l.seen > 100.0)
                    .map(|l| 100.0 * (l.engine / l.truth.max(1.0) - 1.0).abs())
                    .collect()
            }),
        ),
    ] {
        writeln!(out, "{what:<52} {figures}").expect("to a string");
    }
    out
}

/// What had to be told, each once.
fn dues(reports: &[Report]) -> Vec<&'static str> {
    let all = reports.iter().flat_map(|r| &r.dues).map(|due| due.what);
    all.collect::<std::collections::BTreeSet<_>>().into_iter().collect()
}

/// The table, with targets beside.
pub fn table(reports: &[Report]) -> String {
    let s = scores(reports);
    let mut out = String::new();
    let o = &mut out;
    let mut line = |what: &str, own: String, naive: String, target: &str| {
        writeln!(o, "{what:<52} {own:>12} {naive:>10}  {target}").expect("to a string");
    };
    let percent = |v: f64| format!("{:.1} %", 100.0 * v);
    line(
        &format!("{} plants, {:.1} plant-years", seeds(reports).len(), s.years),
        "permeated".into(),
        "naive".into(),
        "target",
    );
    for (stretch, shown, good, naive, none) in &s.rejection {
        line(
            &format!(
                "rejection RMSE, points, {stretch:?} (good {good:.2}, none {:.0} %)",
                100.0 * none
            ),
            format!("{shown:.2}"),
            format!("{naive:.2}"),
            "max(0.2, 60/feed) without drift",
        );
    }
    line(
        "  over that tolerance, worst stretch",
        format!("{:.2}", s.rejection_within),
        String::new(),
        "1",
    );
    line("  drift: 95 % interval holds the truth", percent(s.drift_covered), String::new(), "95 %");
    line(
        "  drift: RMSE after the handheld, points",
        format!("{:.2}", s.after_hand_rms),
        String::new(),
        "as without",
    );
    line(
        "  drift: probe named within 14 days",
        format!("{}/{}", s.named.0, s.named.1),
        String::new(),
        "all",
    );
    line(
        "settled value, median error",
        percent(s.settled_median),
        percent(s.naive_settled_median),
        "5 % or 0.3 ppm",
    );
    line(
        "  against the truth, offset and gain of the probe in it",
        percent(s.settled_truth),
        String::new(),
        "",
    );
    line(
        "settled value, within max(0.3 ppm, 5 %)",
        percent(s.settled_within),
        String::new(),
        "all",
    );
    line(
        &format!("not reached, of {} starts cut short", s.cut_count),
        percent(s.cut_right),
        String::new(),
        "95 %",
    );
    line(
        &format!("reached, of {} long starts", s.long_count),
        percent(s.long_right),
        String::new(),
        "",
    );
    line("settle volume error, median", percent(s.volume_median), String::new(), "20 %");
    line("settle volume error, 90th percentile", percent(s.volume_p90), String::new(), "35 %");
    line(
        "extra salt error, median",
        percent(s.extra_median),
        percent(s.naive_extra),
        "15 % + gains",
    );
    line("extra salt error, 90th percentile", percent(s.extra_p90), String::new(), "15 % + gains");
    line(
        "growth of visible load (as the probes see it), worst",
        percent(s.load_worst),
        String::new(),
        "10 %",
    );
    line(
        "  against the truth, errors of probe and meter in it",
        percent(s.load_truth),
        String::new(),
        "",
    );
    for stretch in [Stretch::Easy, Stretch::Radio, Stretch::ShortCycles] {
        let of = |pick: &dyn Fn(&super::world::LoadLook) -> f64| {
            let all: Vec<f64> = reports
                .iter()
                .flat_map(|r| &r.loads)
                .filter(|l| l.stretch == stretch && l.seen > 100.0)
                .map(|l| (pick(l) / l.seen - 1.0).abs())
                .collect();
            format!("{:.1}/{:.1} %", 100.0 * median(&all), 100.0 * quantile(&all, 1.0))
        };
        line(&format!("  {stretch:?}: median/worst"), of(&|l| l.engine), of(&|l| l.naive), "10 %");
    }
    line("capacity after 1 exhaustion, median error", percent(s.capacity[0]), String::new(), "");
    line("capacity after 2", percent(s.capacity[1]), String::new(), "15 %");
    line("capacity after 4", percent(s.capacity[2]), String::new(), "10 %");
    line(
        "remaining litres at half life, first, no chemistry",
        percent(s.half_first_unknown),
        percent(s.half_naive),
        "40 %",
    );
    line(
        "remaining litres at half life, first, pH and alkalinity",
        percent(s.half_first_known),
        String::new(),
        "25 %",
    );
    line("remaining litres at half life, after two", percent(s.half_later), String::new(), "15 %");
    line(
        &format!("90 % interval of remaining litres holds, {} cases", s.cases),
        percent(s.coverage),
        String::new(),
        "85 to 95 %",
    );
    line(
        "interval score over the naive monitor's",
        format!("{:.2}", s.score_ratio),
        "1".into(),
        "0.5",
    );
    line("gas called gas", percent(s.gas_right), String::new(), "80 %");
    line("gas called breakthrough", percent(s.gas_wrong), String::new(), "");
    line("breakthrough called gas", percent(s.front_gas), String::new(), "0");
    for (class, rate, target) in [
        ("now", s.false_per_year[0], "0.1"),
        ("today", s.false_per_year[1], "1"),
        ("soon", s.false_per_year[2], "4"),
    ] {
        line(
            &format!("false alarms per plant-year, {class}"),
            format!("{rate:.2}"),
            String::new(),
            target,
        );
    }
    let naive_false: u32 = reports.iter().map(|r| r.naive_false_alarms).sum();
    line(
        "  all classes",
        format!("{:.2}", s.false_per_year.iter().sum::<f64>()),
        format!("{:.2}", f64::from(naive_false) / s.years),
        "",
    );
    line(
        "false closes per plant-year",
        format!("{:.2}", f64::from(s.false_closes) / s.years),
        format!("{:.2}", f64::from(s.naive_false_closes) / s.years),
        "0.1",
    );
    line(
        "holds and trips without cause per plant-year",
        format!("{:.2}", f64::from(s.false_protective) / s.years),
        String::new(),
        "0.1",
    );
    line(
        &format!("missed of {} due closes", s.spoils),
        s.missed.to_string(),
        s.naive_missed.to_string(),
        "0",
    );
    line("late closes", s.late.to_string(), String::new(), "0");
    for what in dues(reports) {
        let of: Vec<_> = reports.iter().flat_map(|r| &r.dues).filter(|d| d.what == what).collect();
        let told: Vec<f64> = of.iter().filter_map(|d| d.engine).collect();
        let naive = of.iter().filter(|d| d.naive).count();
        line(
            &format!("told, of {} times: {what}", of.len()),
            format!("{} ({:.1} d)", told.len(), median(&told)),
            naive.to_string(),
            "all",
        );
    }
    let wear = ["salt-passage-high", "membrane-flow-low", "prefilter-resistance-high"];
    let winter = reports
        .iter()
        .flat_map(|r| &r.told)
        .filter(|told| !told.due && wear.contains(&told.name.as_str()))
        .count();
    line("wear alarms without wear", winter.to_string(), String::new(), "0");
    line("missed behind a probe stuck at zero", s.missed_stuck.to_string(), String::new(), "apart");
    line("starts after 8 h standing", s.long_stands.to_string(), String::new(), "");
    for (causes, count) in false_closes(reports) {
        line(&format!("    closed without cause: {causes}"), count.to_string(), String::new(), "");
    }
    for ((name, class), count) in names(reports, false) {
        line(&format!("    without cause: {name} ({class})"), count.to_string(), String::new(), "");
    }
    for ((name, class), count) in names(reports, true) {
        line(&format!("    with cause: {name} ({class})"), count.to_string(), String::new(), "");
    }
    let (events, secs) =
        reports.iter().fold((0, 0.0), |(e, s), r| (e + r.events, s + r.engine_secs));
    line(
        "events, engine time per event",
        format!("{events}"),
        format!("{:.1} us", 1e6 * secs / events.max(1) as f64),
        "",
    );
    let wall: f64 = reports.iter().map(|r| r.wall_secs).sum();
    line(
        "seconds for a plant-year: engine, with the plant",
        format!("{:.0}", secs / s.years),
        format!("{:.0}", wall / s.years),
        "60",
    );
    out.push_str(&errors_table(reports));
    out
}
