//! Run lengths of charts, and the breakthrough curve they precede.

use super::{Table, Worst};
use permeated::engine::fit::lead::Breakthrough;
use permeated::engine::process::chart::{
    Stepped, cusum_run_length, cusum_two_sided_run_length, ewma_run_length,
};

#[test]
fn normal_data() {
    let mut worst = Worst::of("arl_cusum (1 %)");
    for row in Table::read("arl_cusum").rows() {
        let [k, h, shift] = ["k", "h", "shift_sigma"].map(|column| row.number(column));
        let at = format!("k {k} h {h} shift {shift}");
        let one = cusum_run_length(k, h, shift).expect("a chart");
        worst.near(one, row.number("arl_one_sided"), 0.01, 0.0, &at);
        let two = cusum_two_sided_run_length(k, h, shift).expect("a chart");
        worst.near(two, row.number("arl_two_sided"), 0.01, 0.0, &at);
    }
    worst.done();
    let mut worst = Worst::of("arl_ewma (1 %)");
    for row in Table::read("arl_ewma").rows() {
        let [weight, width, shift] = ["lambda", "L", "shift_sigma"].map(|c| row.number(c));
        let got = ewma_run_length(weight, width, shift).expect("a chart");
        worst.near(got, row.number("arl"), 0.01, 0.0, &format!("{weight} {width} {shift}"));
    }
    worst.done();
}

#[test]
fn whole_steps() {
    let mut worst = Worst::of("arl_quantised (0.1 %)");
    for row in Table::read("arl_quantised").rows() {
        let [mean, sigma, k, h] =
            ["mu_ppm", "sigma_ppm", "K_ppm", "H_ppm"].map(|column| row.number(column));
        let chart = Stepped { allowance: (4.0 * k) as u16, limit: (4.0 * h) as u16 };
        let got = chart.run_length(mean, sigma).expect("a chart");
        let want = row.number("arl_samples");
        // Beyond 1e12 samples both chains are singular to working precision: "never" in any unit.
        if want > 1e12 {
            assert!(got > 1e12, "{got} {want}");
            continue;
        }
        worst.near(got, want, 0.001, 0.0, &format!("mean {mean} sigma {sigma} K {k} H {h}"));
    }
    worst.done();
}

/// The logistic in litres is the curve named after Thomas and after Yoon and Nelson, and for these
/// beds within 2 % of the inlet of Bohart and Adams' exact solution. Clark's curves (the table's last
/// columns, from memory) are not used: with n = 2 it is the same curve, and no display of whole
/// steps can tell another n.
#[test]
fn breakthrough_curve() {
    let mut same = Worst::of("thomas_breakthrough (logistic, 1e-6)");
    let mut exact = Worst::of("thomas_breakthrough (exact Bohart-Adams, 0.02 of the inlet)");
    for row in Table::read("thomas_breakthrough").rows() {
        let (k, c0, q) = (row.number("k"), row.number("c0"), row.number("q"));
        let curve = Breakthrough {
            inlet: 1.0,
            middle: row.number("q0m_mg") / c0,
            width: q / (k * c0),
            covariance: [[0.0; 2]; 2],
            rmse: 0.0,
            points: 0,
            above_zero: 0,
        };
        let litres = row.number("v_l");
        let at = format!("{litres} L");
        let got = curve.at(litres);
        // The table's capacity has seven digits; far out a front magnifies the last one.
        same.near(got, row.number("thomas"), 1e-5, 1e-6, &at);
        same.near(got, row.number("yoon_nelson"), 1e-5, 1e-6, &at);
        let middle = row.number("tau50_min") * q;
        same.near(curve.middle, middle, 1e-6, 0.0, &format!("{at} middle"));
        exact.near(got, row.number("ba_exact"), 0.0, 0.02, &at);
    }
    same.done();
    exact.done();
}
