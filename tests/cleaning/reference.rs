//! The QARTOD tests as the reference library (ioos_qc 3.0.0) computes them, quirks included: whole
//! series at once, plain loops. Flags: 1 good, 2 not evaluated, 3 suspect, 4 fail, 9 missing.

/// A series: `None` is missing, infinity a number.
pub type Series<'a> = &'a [Option<f64>];

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Method {
    Average,
    Differential,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Spread {
    Range,
    Std,
}

fn sorted((a, b): (f64, f64)) -> (f64, f64) {
    if a <= b { (a, b) } else { (b, a) }
}

pub fn gross_range(
    x: Series<'_>,
    fail: (f64, f64),
    suspect: Option<(f64, f64)>,
) -> Result<Vec<u8>, String> {
    let fail = sorted(fail);
    let suspect = suspect.map(sorted);
    if let Some(suspect) = suspect
        && (suspect.0 < fail.0 || suspect.1 > fail.1)
    {
        return Err(format!("suspect span {suspect:?} must lie within the fail span {fail:?}"));
    }
    let outside = |x: f64, span: (f64, f64)| x < span.0 || x > span.1;
    Ok(x.iter()
        .map(|x| match *x {
            None => 9,
            Some(x) if outside(x, fail) => 4,
            Some(x) if suspect.is_some_and(|suspect| outside(x, suspect)) => 3,
            Some(_) => 1,
        })
        .collect())
}

/// A threshold of 0 is none.
pub fn spike(x: Series<'_>, suspect: Option<f64>, fail: Option<f64>, method: Method) -> Vec<u8> {
    let beyond = |size: f64, limit: Option<f64>| limit.is_some_and(|l| l != 0.0 && size > l);
    (0..x.len())
        .map(|i| {
            let Some(here) = x[i] else { return 9 };
            if i == 0 || i + 1 == x.len() {
                return 2;
            }
            let (Some(left), Some(right)) = (x[i - 1], x[i + 1]) else { return 2 };
            let size = match method {
                Method::Average => (here - (left + right) / 2.0).abs(),
                Method::Differential => {
                    let (rise, fall) = (here - left, right - here);
                    if rise * fall < 0.0 { rise.abs().min(fall.abs()) } else { 0.0 }
                }
            };
            if beyond(size, fail) {
                4
            } else if beyond(size, suspect) {
                3
            } else {
                1
            }
        })
        .collect()
}

/// Thresholds are per second.
pub fn rate_of_change(
    t_ms: &[i64],
    x: Series<'_>,
    suspect: Option<f64>,
    fail: Option<f64>,
) -> Vec<u8> {
    (0..x.len())
        .map(|i| {
            let Some(here) = x[i] else { return 9 };
            let Some(Some(before)) = i.checked_sub(1).map(|i| x[i]) else { return 1 };
            // Elapsed time is cut to whole seconds; where nothing is left, nothing is divided.
            let secs = ((t_ms[i] - t_ms[i - 1]) / 1000).abs();
            let change = (here - before).abs();
            let rate = if secs == 0 { change } else { change / secs as f64 };
            if fail.is_some_and(|limit| rate > limit) {
                4
            } else if suspect.is_some_and(|limit| rate > limit) {
                3
            } else {
                1
            }
        })
        .collect()
}

/// Median interval of the whole record, in milliseconds.
pub fn median_interval_ms(t_ms: &[i64]) -> f64 {
    let mut steps: Vec<i64> = t_ms.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_unstable();
    let half = steps.len() / 2;
    if steps.len() % 2 == 1 {
        steps[half] as f64
    } else {
        (steps[half - 1] + steps[half]) as f64 / 2.0
    }
}

/// Thresholds in seconds.
pub fn flat_line(
    t_ms: &[i64],
    x: Series<'_>,
    suspect_s: f64,
    fail_s: f64,
    tolerance: f64,
) -> Vec<u8> {
    let mut flags: Vec<u8> = x.iter().map(|x| if x.is_some() { 1 } else { 9 }).collect();
    if x.len() < 3 {
        return flags;
    }
    let interval_s = median_interval_ms(t_ms) / 1000.0;
    for (threshold_s, flag) in [(suspect_s, 3), (fail_s, 4)] {
        let count = (threshold_s / interval_s).floor() as usize + 1;
        for i in count - 1..x.len() {
            let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
            // From the newest back: a signal that moves is seen to move after a few.
            let moved = x[i + 1 - count..=i].iter().rev().flatten().any(|x| {
                (low, high) = (low.min(*x), high.max(*x));
                high - low >= tolerance
            });
            if x[i].is_some() && !moved {
                flags[i] = flag;
            }
        }
    }
    flags
}

/// Window `(t - period, t]`; one missing sample inside makes it not evaluated.
pub fn attenuated(
    t_ms: &[i64],
    x: Series<'_>,
    suspect: f64,
    fail: f64,
    period_s: f64,
    min_obs: usize,
    spread: Spread,
) -> Vec<u8> {
    let period_ms = (period_s * 1000.0) as i64;
    let mut start = 0;
    (0..x.len())
        .map(|i| {
            while t_ms[start] <= t_ms[i] - period_ms {
                start += 1;
            }
            if x[i].is_none() {
                return 9;
            }
            let window: Vec<f64> = x[start..=i].iter().flatten().copied().collect();
            let complete = window.len() == i + 1 - start;
            if window.len() < min_obs || (spread == Spread::Range && !complete) {
                return 2;
            }
            let size = spread_of(&window, spread);
            if size < fail {
                4
            } else if size < suspect {
                3
            } else {
                1
            }
        })
        .collect()
}

/// Range or population standard deviation.
pub fn spread_of(window: &[f64], spread: Spread) -> f64 {
    match spread {
        Spread::Range => {
            window.iter().copied().fold(f64::NEG_INFINITY, f64::max)
                - window.iter().copied().fold(f64::INFINITY, f64::min)
        }
        Spread::Std => {
            let n = window.len() as f64;
            let mean = window.iter().sum::<f64>() / n;
            (window.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n).sqrt()
        }
    }
}

/// The first that occurs of 4, 3, 1, 2, 9: a good hides one that could not run.
pub fn combine(flags: &[u8]) -> u8 {
    [4, 3, 1, 2, 9].into_iter().find(|flag| flags.contains(flag)).unwrap_or(9)
}
