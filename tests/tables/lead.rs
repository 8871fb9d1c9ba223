//! Breakthrough of the lead vessel.

use super::{Table, Worst};
use permeated::engine::fit::lead;
use permeated::engine::fit::washout::Sample;

/// scipy least_squares with linearised covariance; what it marks as without information must be
/// refused here.
#[test]
fn forecasts_and_refusals_as_the_table() {
    let mut traces: Vec<Vec<Sample>> = Vec::new();
    for row in Table::read("lead_trace").rows() {
        let trace = row.whole("trace");
        if traces.len() < trace {
            traces.push(Vec::new());
        }
        traces[trace - 1].push(Sample { x: row.number("v_l"), y: row.number("c_ppm") });
    }
    let mut worst = Worst::of("lead_fit");
    for row in Table::read("lead_fit").rows() {
        let trace = row.whole("trace");
        let inlet = row.number("cin_ppm");
        let result = lead::fit(&traces[trace - 1], inlet, row.number("limit_ppm"));
        let at = |what: &str| format!("trace {trace} {what}");
        worst.same(result.is_ok(), row.whole("usable") == 1, &at("usable"));
        if let Ok((curve, reach)) = result {
            worst.near(curve.middle, row.number("v50_l"), 0.005, 0.0, &at("middle"));
            worst.near(curve.width, row.number("w_l"), 0.05, 0.0, &at("width"));
            worst.near(curve.rmse, row.number("rmse_ppm"), 0.005, 0.0, &at("rmse"));
            worst.near(reach.litres, row.number("v_limit_l"), 0.005, 0.0, &at("limit"));
            let wide = row.number("hi90_l") - row.number("lo90_l");
            worst.near(reach.high - reach.low, wide, 0.10, 0.0, &at("interval"));
            let truth = row.number("v_limit_true_l");
            assert!(reach.low < truth * 1.03 && truth * 0.97 < reach.high, "{reach:?} {truth}");
        }
    }
    worst.done();
}
