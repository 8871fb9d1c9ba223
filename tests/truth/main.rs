//! The engine against the truth: one year of ten virtual plants, the naive monitor beside it, and one
//! table of both.
//!
//! `cargo test --test truth` judges two plants for a short while with bounds that hold;
//! `PERMEATED_TRUTH=1 cargo test --release --test truth -- --nocapture` prints the table of ten plants
//! and a year each (`PERMEATED_TRUTH_SEEDS=1,5` picks seeds, `PERMEATED_TRUTH_DAYS=120` shortens the year). Ranges and seeds are in `plan`.
//! `PERMEATED_TRUTH_EASY=1` runs ten plants for twenty days without faults, each probe irregular from 5
//! to 30 s: the errors of the main values.
//! `PERMEATED_TRUTH_TRACE=11.75-11.77` prints all that one plant sent and answered between two days.

mod naive;
mod plan;
mod score;
#[path = "../support/workers.rs"]
mod workers;
mod world;

use plan::{LONGEST_SECS, SEEDS, Stretch};
use world::{Report, World};

/// Runs the plants, the last first.
fn run(
    seeds: &[u64],
    year: impl Fn(u64) -> Vec<Stretch> + Sync,
    days: f64,
    longest_secs: f64,
) -> Vec<Report> {
    let work = |seed| {
        let began = std::time::Instant::now();
        let mut report = World::new(seed, year(seed), days, longest_secs).run();
        report.wall_secs = began.elapsed().as_secs_f64();
        eprintln!("seed {seed}: {:.0} s", report.wall_secs);
        print(&report);
        report
    };
    let mut reports = workers::each(seeds.iter().rev().copied().collect(), work, |done| {
        // A year takes minutes: what is known so far stands after each plant.
        if seeds.len() > 2 && done.len() < seeds.len() {
            println!("{}", score::table(done));
        }
        true
    });
    reports.sort_by_key(|report| report.seed);
    reports
}

/// Prints what was asked for of one plant, as soon as its year is over.
fn print(report: &Report) {
    let asked = |name: &str| std::env::var_os(name).is_some();
    if asked("PERMEATED_TRUTH_STARTS") {
        for start in &report.starts {
            println!("seed {} {start:?}", report.seed);
            let truth =
                report.truth_starts.iter().find(|t| (t.0.at_secs - start.began).abs() < 60.0);
            println!("    {:?}", truth.map(|t| t.0));
        }
    }
    if asked("PERMEATED_TRUTH_TOLD") {
        for (stretch, line) in world::rejection_lines(report) {
            println!("seed {} {stretch:?} {line}", report.seed);
        }
        for load in &report.loads {
            println!("seed {} {load:?}", report.seed);
        }
        for (index, charge) in report.charges.iter().enumerate() {
            let Some(end) = charge.end else { continue };
            let looks = report.resin.iter().filter(|look| look.charge == index);
            let half = looks.clone().find(|look| look.litres >= 0.5 * end);
            let told = half.and_then(|look| {
                look.remaining.map(|(value, u)| (value, u, end - look.litres, look.naive))
            });
            println!(
                "seed {} charge {index} after {} exhaustions lasted {end:.0} L; at half life told, u, true, naive: {told:.0?}",
                report.seed, charge.seen_before
            );
        }
        for told in &report.told {
            println!(
                "seed {} day {:.2} {:?} {} {} {}: {}",
                report.seed,
                told.at / world::DAY,
                told.stretch,
                told.name,
                told.class,
                if told.due { "due" } else { "FALSE" },
                told.text
            );
        }
        for due in report.dues.iter().filter(|due| due.engine.is_none()) {
            println!(
                "seed {} day {:.2} NOT TOLD {}",
                report.seed,
                due.began / world::DAY,
                due.what
            );
        }
        for pattern in &report.patterns {
            println!("seed {} day {:.2} {pattern:?}", report.seed, pattern.began / world::DAY);
        }
        for spoil in &report.spoils {
            println!("seed {} {spoil:?}", report.seed);
        }
        for close in &report.closes {
            println!(
                "seed {} day {:.2} {:?} CLOSE {} {}",
                report.seed,
                close.at / world::DAY,
                close.stretch,
                if close.due { "due" } else { "FALSE" },
                close.causes.join(" + ")
            );
        }
    }
}

#[test]
fn the_engine_against_the_truth() {
    let long = std::env::var_os("PERMEATED_TRUTH").is_some();
    let picked: Option<Vec<u64>> = std::env::var("PERMEATED_TRUTH_SEEDS").ok().map(|list| {
        list.split(',').map(|seed| seed.trim().parse().expect("a list of seeds")).collect()
    });
    let easy = std::env::var_os("PERMEATED_TRUTH_EASY").is_some();
    let reports = if easy {
        run(&picked.unwrap_or(SEEDS.to_vec()), |_| vec![Stretch::Easy; 4], 5.0, 30.0)
    } else if long {
        let days = std::env::var("PERMEATED_TRUTH_DAYS").ok().map_or(365.0, |days| {
            days.trim().parse::<f64>().expect("days of the year that is run")
        });
        run(&picked.unwrap_or(SEEDS.to_vec()), plan::year, days / 12.0, LONGEST_SECS)
    } else {
        run(&picked.unwrap_or(vec![1, 2]), |_| plan::month(), 1.0, LONGEST_SECS)
    };
    println!("{}", score::table(&reports));
    // What holds today; the misses stand in the table.
    let scores = score::scores(&reports);
    assert!(reports.iter().all(|report| !report.rejections.is_empty()), "nothing was judged");
    assert!(scores.rejection_within <= 1.5, "rejection: {}", scores.rejection_within);
    assert!(scores.load_worst <= 0.1, "visible load: {}", scores.load_worst);
}
