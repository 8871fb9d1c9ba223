//! Wear statistics: is there a trend, when did it break, when will it reach its limit.
//!
//! Sources: Theil-Sen slope with Sen's interval (Sen, J. Am. Stat. Assoc. 63 (1968) 1379),
//! Mann-Kendall test with correction for ties (Kendall, Rank Correlation Methods), Pettitt's change
//! point (Appl. Stat. 28 (1979) 126), least squares with one break, prediction bands of a straight
//! line (Fieller's form). All agree with scipy, pymannkendall, ruptures and statsmodels
//! (`tests/reference/theil_sen.csv`, `changepoint.csv`, `forecast.csv`).
//!
//! Validity: normalise first (temperature, pressure), one value for each run or day, ten at least; a
//! change of parts that the user logged is a known break: split there, never fit across. Horizons end
//! at twice the observed span and at two years: then the answer is *beyond*.

use crate::engine::fit::special::{normal_below, normal_quantile, student_quantile};
use serde::{Deserialize, Serialize};

/// Fewest points of a trend.
const POINTS_MIN: usize = 10;
/// Most points taken, evenly thinned: the slopes are counted in pairs.
const POINTS_MAX: usize = 400;
/// Longest forecast in days.
const HORIZON_DAYS: f64 = 730.0;

/// One value of a wearing quantity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// Day.
    pub x: f64,
    /// Normalised quantity.
    pub y: f64,
}

/// Robust slope.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct TheilSen {
    /// Median of the slopes of all pairs, per day.
    pub slope: f64,
    /// Level at x = 0.
    pub intercept: f64,
    /// Lower end of the slope's interval.
    pub low: f64,
    /// Upper end of the slope's interval.
    pub high: f64,
}

/// Theil-Sen slope with Sen's interval of this coverage. `None` below three points or when all lie
/// at one x.
pub fn theil_sen(points: &[Point], coverage: f64) -> Option<TheilSen> {
    let points = thinned(points);
    if points.len() < 3 {
        return None;
    }
    let mut slopes = Vec::with_capacity(points.len() * (points.len() - 1) / 2);
    for (index, a) in points.iter().enumerate() {
        for b in &points[index + 1..] {
            if a.x != b.x {
                slopes.push((b.y - a.y) / (b.x - a.x));
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    let slope = median_sorted(&slopes);
    let median = |pick: fn(&Point) -> f64| {
        let mut values: Vec<f64> = points.iter().map(pick).collect();
        values.sort_by(f64::total_cmp);
        median_sorted(&values)
    };
    let intercept = median(|p| p.y) - slope * median(|p| p.x);
    let spread = (kendall_variance(points.len(), &ties(&points, |p| p.x))
        - tie_terms(&ties(&points, |p| p.y)))
    .max(0.0)
    .sqrt();
    let z = normal_quantile(0.5 + 0.5 * coverage.clamp(0.0, 0.999_999));
    let count = slopes.len() as f64;
    let upper = ((count + z * spread) / 2.0).round_ties_even().min(count - 1.0);
    let lower = (((count - z * spread) / 2.0).round_ties_even() - 1.0).max(0.0);
    Some(TheilSen {
        slope,
        intercept,
        low: slopes[lower as usize],
        high: slopes[upper.max(0.0) as usize],
    })
}

/// Result of the Mann-Kendall test.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MannKendall {
    /// Pairs that rise less pairs that fall.
    pub s: f64,
    /// S in standard deviations, with continuity correction.
    pub z: f64,
    /// Two-sided probability of that without any trend.
    pub p: f64,
}

/// Mann-Kendall test on the order of the values. `None` below three values.
pub fn mann_kendall(points: &[Point]) -> Option<MannKendall> {
    let points = thinned(points);
    if points.len() < 3 {
        return None;
    }
    let mut s = 0.0;
    for (index, a) in points.iter().enumerate() {
        s += points[index + 1..].iter().map(|b| sign(b.y - a.y)).sum::<f64>();
    }
    let variance = kendall_variance(points.len(), &ties(&points, |p| p.y));
    let z = if s == 0.0 || variance <= 0.0 { 0.0 } else { (s - sign(s)) / variance.sqrt() };
    Some(MannKendall { s, z, p: (2.0 * normal_below(-z.abs())).min(1.0) })
}

/// A straight line with what its bands need.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Per day.
    pub slope: f64,
    /// Level at x = 0.
    pub intercept: f64,
    /// Scatter of single values about it.
    pub scatter: f64,
    /// Standard error of the slope.
    pub slope_u: f64,
    points: usize,
    mean_x: f64,
    square_x: f64,
}

/// Of what a band tells the place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Band {
    /// One further value.
    Value,
    /// The line itself.
    Line,
}

/// When a line reaches a limit.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// Earliest.
    pub early: Option<f64>,
    /// The line itself.
    pub middle: f64,
    /// Latest; `None`: perhaps never.
    pub late: Option<f64>,
}

impl Line {
    /// Ordinary least squares. `None` below three points or at one x.
    pub fn least_squares(points: &[Point]) -> Option<Self> {
        let (mean_x, square_x) = spread_x(points)?;
        let n = points.len() as f64;
        let mean_y = points.iter().map(|p| p.y).sum::<f64>() / n;
        let slope = points.iter().map(|p| (p.x - mean_x) * (p.y - mean_y)).sum::<f64>() / square_x;
        let intercept = mean_y - slope * mean_x;
        let rss: f64 = points.iter().map(|p| (p.y - intercept - slope * p.x).powi(2)).sum();
        Some(Self::new(points.len(), slope, intercept, (rss / (n - 2.0)).sqrt(), mean_x, square_x))
    }

    /// Theil-Sen line with the scatter from the median absolute residual, against outliers.
    pub fn robust(points: &[Point]) -> Option<Self> {
        let (mean_x, square_x) = spread_x(points)?;
        let line = theil_sen(points, 0.95)?;
        let mut sizes: Vec<f64> =
            points.iter().map(|p| (p.y - line.intercept - line.slope * p.x).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        // MAD to standard deviation; two degrees of freedom are spent on the line.
        let n = points.len() as f64;
        let scatter = median_sorted(&sizes) / 0.674_49 * (n / (n - 2.0)).sqrt();
        Some(Self::new(points.len(), line.slope, line.intercept, scatter, mean_x, square_x))
    }

    fn new(
        points: usize,
        slope: f64,
        intercept: f64,
        scatter: f64,
        mean_x: f64,
        square_x: f64,
    ) -> Self {
        let slope_u = scatter / square_x.sqrt();
        Self { slope, intercept, scatter, slope_u, points, mean_x, square_x }
    }

    /// The line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }

    /// When line and band of this coverage reach `limit`, not before `from`. `None` for a level line
    /// or one that runs away from the limit.
    pub fn reach(&self, limit: f64, from: f64, coverage: f64, band: Band) -> Option<Reach> {
        if self.slope == 0.0 {
            return None;
        }
        let middle = (limit - self.intercept) / self.slope;
        if middle < from && (self.at(from) - limit) * self.slope < 0.0 {
            return None;
        }
        let q = student_quantile(0.5 + 0.5 * coverage, (self.points - 2) as f64) * self.scatter;
        let constant = 1.0 / self.points as f64 + if band == Band::Value { 1.0 } else { 0.0 };
        let [early, late] = self.band_crossings(limit, q, constant);
        let early = early.map(|x| x.max(from));
        Some(Reach { early, middle, late: late.filter(|x| *x >= from) })
    }

    /// Where the near and the far edge of the band cross the limit. With `u = x - mean` and `m` the
    /// way from the line at the mean to the limit, both solve `(m - b u)² = q² (c + u²/Sxx)`; the near
    /// edge is there before the line, the far edge after it.
    fn band_crossings(&self, limit: f64, q: f64, constant: f64) -> [Option<f64>; 2] {
        let b = self.slope;
        let m = limit - self.at(self.mean_x);
        let a2 = b * b - q * q / self.square_x;
        let a1 = -2.0 * m * b;
        let a0 = m * m - q * q * constant;
        let roots: [Option<f64>; 2] = if a2.abs() < 1e-300 {
            [(a1 != 0.0).then(|| -a0 / a1), None]
        } else {
            let inside = a1 * a1 - 4.0 * a2 * a0;
            if inside < 0.0 {
                [None, None]
            } else {
                let root = inside.sqrt();
                [Some((-a1 - root) / (2.0 * a2)), Some((-a1 + root) / (2.0 * a2))]
            }
        };
        // Progress of the line towards the limit at a root: short of it on the near edge.
        let short = |u: f64| (m - b * u) * b.signum() > 0.0;
        let pick = |near: bool| {
            let mut fitting: Vec<f64> =
                roots.iter().flatten().copied().filter(|u| short(*u) == near).collect();
            fitting.sort_by(f64::total_cmp);
            let first = if near { fitting.last() } else { fitting.first() };
            first.map(|u| u + self.mean_x)
        };
        [pick(true), pick(false)]
    }
}

/// Time to a limit, as it is shown.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Forecast {
    /// Reached already.
    Reached,
    /// Within the horizon: earliest, middle, latest day from now; `latest` may lie beyond.
    Within {
        /// Days until a single value may touch the limit (90 %).
        early: f64,
        /// Days until the line does.
        middle: f64,
        /// Days until even the far edge of the band has; `None`: beyond the horizon.
        late: Option<f64>,
    },
    /// Later than can be said.
    Beyond,
    /// No trend, or one away from the limit.
    NoTrend,
    /// Too few values, or over too short a time.
    TooFew,
}

/// Robust forecast from daily or per-run values, oldest first; `now` on their axis.
pub fn forecast(points: &[Point], limit: f64, now: f64) -> Forecast {
    let points = thinned(points);
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return Forecast::TooFew;
    };
    let span = last.x - first.x;
    if points.len() < POINTS_MIN || span <= 0.0 {
        return Forecast::TooFew;
    }
    let (Some(slope), Some(line)) = (theil_sen(&points, 0.95), Line::robust(&points)) else {
        return Forecast::TooFew;
    };
    if slope.low <= 0.0 && slope.high >= 0.0 {
        return Forecast::NoTrend;
    }
    if (line.at(now) - limit) * line.slope >= 0.0 {
        // The line has passed its limit, if it came from the other side within what was observed.
        return if (line.at(first.x) - limit) * line.slope < 0.0 {
            Forecast::Reached
        } else {
            Forecast::NoTrend
        };
    }
    let horizon = (2.0 * span).min(HORIZON_DAYS);
    match line.reach(limit, now, 0.90, Band::Value) {
        Some(reach) if reach.middle - now <= horizon => Forecast::Within {
            early: reach.early.map_or(0.0, |x| (x - now).max(0.0)),
            middle: reach.middle - now,
            late: reach.late.map(|x| x - now).filter(|days| *days <= 2.0 * horizon),
        },
        Some(_) => Forecast::Beyond,
        None => Forecast::NoTrend,
    }
}

/// A change of level.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Break {
    /// First value of the new level.
    pub index: usize,
    /// Mean before.
    pub before: f64,
    /// Mean from there on.
    pub after: f64,
}

/// The one break that leaves the least sum of squares, at least two values on each side. `None`
/// below four values.
pub fn least_squares_break(values: &[f64]) -> Option<Break> {
    let n = values.len();
    if n < 4 {
        return None;
    }
    let total: f64 = values.iter().sum();
    let mut before = values[0];
    let mut best: Option<(f64, Break)> = None;
    for index in 2..=n - 2 {
        before += values[index - 1];
        let after = total - before;
        let (left, right) = (index as f64, (n - index) as f64);
        // The sum of squares between the groups, which is largest where the rest is least.
        let between = before * before / left + after * after / right;
        if best.as_ref().is_none_or(|(most, _)| between > *most + 1e-12) {
            best = Some((between, Break { index, before: before / left, after: after / right }));
        }
    }
    best.map(|(_, found)| found)
}

/// Pettitt's rank test for a change point.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pettitt {
    /// First value of the new regime.
    pub index: usize,
    /// Statistic.
    pub k: f64,
    /// Approximate probability of that without a change.
    pub p: f64,
}

/// Pettitt's test. `None` below four values.
pub fn pettitt(values: &[f64]) -> Option<Pettitt> {
    let n = values.len();
    if n < 4 {
        return None;
    }
    let (mut u, mut best) = (0.0f64, (0.0f64, 0));
    for t in 0..n - 1 {
        u += values.iter().map(|other| sign(values[t] - other)).sum::<f64>();
        if u.abs() > best.0 {
            best = (u.abs(), t + 1);
        }
    }
    let size = n as f64;
    let p = (2.0 * (-6.0 * best.0 * best.0 / (size.powi(3) + size * size)).exp()).min(1.0);
    Some(Pettitt { index: best.1.max(1), k: best.0, p })
}

/// A break worth telling: Pettitt at 1 %, and a step of more than three display steps.
pub fn significant_break(values: &[f64], step: f64) -> Option<Break> {
    let found = least_squares_break(values)?;
    (pettitt(values)?.p < 0.01 && (found.after - found.before).abs() > 3.0 * step).then_some(found)
}

fn thinned(points: &[Point]) -> Vec<Point> {
    let stride = points.len().div_ceil(POINTS_MAX).max(1);
    // Counted from the end, so that the newest value always stays.
    let mut kept: Vec<Point> = points.iter().rev().step_by(stride).copied().collect();
    kept.reverse();
    kept
}

fn spread_x(points: &[Point]) -> Option<(f64, f64)> {
    if points.len() < 3 {
        return None;
    }
    let mean = points.iter().map(|p| p.x).sum::<f64>() / points.len() as f64;
    let square: f64 = points.iter().map(|p| (p.x - mean).powi(2)).sum();
    (square > 0.0).then_some((mean, square))
}

fn median_sorted(sorted: &[f64]) -> f64 {
    let middle = sorted.len() / 2;
    if sorted.len() % 2 == 1 { sorted[middle] } else { 0.5 * (sorted[middle - 1] + sorted[middle]) }
}

fn sign(x: f64) -> f64 {
    if x > 0.0 {
        1.0
    } else if x < 0.0 {
        -1.0
    } else {
        0.0
    }
}

/// Sizes of the groups of equal values.
fn ties(points: &[Point], pick: fn(&Point) -> f64) -> Vec<usize> {
    let mut values: Vec<f64> = points.iter().map(pick).collect();
    values.sort_by(f64::total_cmp);
    values.chunk_by(|a, b| a == b).map(<[f64]>::len).filter(|&size| size > 1).collect()
}

fn tie_terms(groups: &[usize]) -> f64 {
    groups.iter().map(|&k| k as f64 * (k as f64 - 1.0) * (2.0 * k as f64 + 5.0)).sum::<f64>() / 18.0
}

fn kendall_variance(count: usize, groups: &[usize]) -> f64 {
    let n = count as f64;
    n * (n - 1.0) * (2.0 * n + 5.0) / 18.0 - tie_terms(groups)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wear(days: usize, slope: f64) -> Vec<Point> {
        (0..days)
            .map(|i| {
                let noise = [0.6, -0.8, 0.3, -0.1, 0.5, -0.5, 0.0][i % 7];
                Point { x: i as f64, y: 100.0 + slope * i as f64 + noise }
            })
            .collect()
    }

    #[test]
    fn a_trend_gives_a_date_and_an_interval() {
        let points = wear(100, -0.1);
        match forecast(&points, 85.0, 99.0) {
            Forecast::Within { early, middle, late } => {
                assert!((middle - 51.0).abs() < 5.0, "{middle}");
                assert!(early < middle && middle < late.expect("narrow"), "{early} {late:?}");
            }
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn no_trend_no_date_and_too_little_is_said_so() {
        assert_eq!(forecast(&wear(100, 0.0), 85.0, 99.0), Forecast::NoTrend);
        assert_eq!(forecast(&wear(9, -0.1), 85.0, 9.0), Forecast::TooFew);
        assert_eq!(forecast(&wear(100, 0.1), 85.0, 99.0), Forecast::NoTrend);
        assert_eq!(forecast(&wear(100, -0.1), 95.0, 99.0), Forecast::Reached);
        assert_eq!(forecast(&wear(100, -0.05), 20.0, 99.0), Forecast::Beyond);
    }

    #[test]
    fn a_few_outliers_do_not_move_the_forecast() {
        let mut points = wear(100, -0.1);
        for index in [10, 40, 41, 77] {
            points[index].y += 60.0;
        }
        let Forecast::Within { middle, .. } = forecast(&points, 85.0, 99.0) else {
            panic!("a clear trend")
        };
        assert!((middle - 51.0).abs() < 6.0, "{middle}");
    }

    #[test]
    fn a_break_is_told_only_when_it_is_larger_than_the_steps() {
        let mut values = vec![5.0; 20];
        values.extend([5.4; 20]);
        assert_eq!(significant_break(&values, 1.0), None);
        values.iter_mut().skip(20).for_each(|y| *y = 9.0);
        assert_eq!(significant_break(&values, 1.0).map(|b| b.index), Some(20));
    }
}
