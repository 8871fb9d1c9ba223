//! Wear statistics.

use super::{Table, Worst};
use permeated::engine::process::trend::{
    Band, Line, Point, least_squares_break, mann_kendall, pettitt, theil_sen,
};

fn series() -> Vec<Vec<Point>> {
    let mut series: Vec<Vec<Point>> = Vec::new();
    for row in Table::read("theil_sen_data").rows() {
        let index = row.whole("series");
        if series.len() < index {
            series.push(Vec::new());
        }
        series[index - 1].push(Point { x: row.number("x"), y: row.number("y") });
    }
    series
}

#[test]
fn slopes() {
    let series = series();
    // The table prints seven digits, hence 1e-6 of the value.
    let mut worst = Worst::of("theil_sen (scipy, pymannkendall, statsmodels, 1e-6)");
    for row in Table::read("theil_sen").rows() {
        let points = &series[row.whole("series") - 1];
        let robust = theil_sen(points, 0.95).expect("points");
        let test = mann_kendall(points).expect("points");
        let line = Line::least_squares(points).expect("points");
        for (got, column) in [
            (robust.slope, "slope"),
            (robust.intercept, "intercept"),
            (robust.low, "lo95"),
            (robust.high, "hi95"),
            (test.s, "mk_s"),
            (test.z, "mk_z"),
            (test.p, "mk_p"),
            (line.slope, "ols_slope"),
            (line.intercept, "ols_intercept"),
            (line.slope_u, "ols_se"),
        ] {
            let at = format!("series {} {column}", row.word("series"));
            worst.near(got, row.number(column), 1e-6, 0.0, &at);
        }
    }
    worst.done();
}

#[test]
fn breaks() {
    let mut series: Vec<Vec<f64>> = Vec::new();
    for row in Table::read("changepoint_data").rows() {
        let index = row.whole("series");
        if series.len() < index {
            series.push(Vec::new());
        }
        series[index - 1].push(row.number("y"));
    }
    let mut worst = Worst::of("changepoint (ruptures exact, Pettitt)");
    for row in Table::read("changepoint").rows() {
        let values = &series[row.whole("series") - 1];
        let at = |what: &str| format!("series {} {what}", row.word("series"));
        let found = least_squares_break(values).expect("values");
        worst.same(found.index, row.whole("l2_index"), &at("break"));
        worst.near(found.before, row.number("mean_before"), 1e-6, 0.0, &at("before"));
        worst.near(found.after, row.number("mean_after"), 1e-6, 0.0, &at("after"));
        let rank = pettitt(values).expect("values");
        worst.same(rank.index, row.whole("pettitt_index"), &at("pettitt"));
        worst.near(rank.k, row.number("pettitt_k"), 0.0, 1e-9, &at("k"));
        worst.near(rank.p, row.number("pettitt_p"), 1e-6, 0.0, &at("p"));
    }
    worst.done();
}

/// The table's edges lie on a grid of half a day that begins at the last sample and ends 4000 days
/// after it: the first grid point at or after the crossing is meant.
#[test]
fn times_to_a_limit() {
    let series = series();
    let mut worst = Worst::of("forecast (statsmodels, 0.5 day)");
    for row in Table::read("forecast").rows() {
        let points = &series[row.whole("series") - 1];
        let last = points.last().expect("points").x;
        let line = Line::least_squares(points).expect("points");
        let limit = row.number("limit");
        let at = |what: &str| format!("series {} {what}", row.word("series"));
        worst.near(line.scatter, row.number("resid_sd"), 1e-6, 0.0, &at("scatter"));
        for (band, early, late) in
            [(Band::Value, "pi_early", "pi_late"), (Band::Line, "ci_early", "ci_late")]
        {
            let reach = line.reach(limit, last, 0.90, band).expect("a slope towards the limit");
            worst.near(reach.middle, row.number("x_hit"), 1e-6, 0.5, &at("middle"));
            for (got, column) in [(reach.early, early), (reach.late, late)] {
                match row.maybe(column) {
                    Some(want) => {
                        let got = got.unwrap_or(f64::NAN);
                        worst.near(got, want, 0.0, 0.5, &at(column));
                    }
                    None => worst.same(got.is_none_or(|x| x > last + 4000.0), true, &at(column)),
                }
            }
        }
    }
    worst.done();
}
