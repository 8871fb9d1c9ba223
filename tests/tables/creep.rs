//! Start-up traces.

use super::{Table, Worst};
use permeated::engine::fit::display::Display;
use permeated::engine::fit::washout::{self, Sample, Term, Terms, Washout};
use permeated::engine::process::creep::{Costs, Geometry, divert};
use permeated::engine::time::Span;
use permeated::units::{Litres, Tds};

fn traces() -> Vec<Vec<Sample>> {
    let mut traces: Vec<Vec<Sample>> = Vec::new();
    for row in Table::read("creep_trace").rows() {
        let trace = row.whole("trace");
        if traces.len() < trace {
            traces.push(Vec::new());
        }
        traces[trace - 1].push(Sample { x: row.number("v_l"), y: row.number("c_ppm") });
    }
    traces
}

/// scipy least_squares (three solvers agree), one term, readings taken at their word.
#[test]
fn one_term_least_squares_as_scipy() {
    let traces = traces();
    let mut worst = Worst::of("creep_fit (one term, 0.5 % values, 5 % standard errors)");
    for row in Table::read("creep_fit").rows() {
        let trace = row.whole("trace");
        let fit = washout::plain(&traces[trace - 1], Terms::One).expect("fits");
        let end = fit.end;
        let at = |what: &str| format!("trace {trace} {what}");
        worst.near(fit.settled, row.number("c_ss_ppm"), 0.005, 0.0, &at("settled"));
        worst.near(fit.at(0.0), row.number("c0_ppm"), 0.005, 0.0, &at("c0"));
        worst.near(fit.first.constant, row.number("vm_l"), 0.005, 0.0, &at("constant"));
        worst.near(fit.excess(0.0, end), row.number("excess_mg"), 0.005, 0.0, &at("excess"));
        worst.near(fit.settled_u, row.number("se_c_ss"), 0.05, 0.0, &at("u settled"));
        worst.near(fit.constant_u, row.number("se_vm_l"), 0.05, 0.0, &at("u constant"));
        worst.near(fit.rmse, row.number("rmse_ppm"), 0.005, 0.0, &at("rmse"));
        worst.near(fit.r2, row.number("r2"), 0.0, 0.001, &at("r2"));
    }
    worst.done();
}

/// Against what made the traces: settled level and wash-out volume within the larger of the target
/// (0.3 ppm or 5 %; 5 %) and twice the standard error that the fit itself states; where the trace is
/// too weak it must be refused with a reason.
#[test]
fn guarded_fit_against_what_made_the_trace() {
    let traces = traces();
    let mut worst = Worst::of("creep_fit (guarded, against true values)");
    let mut refused = Vec::new();
    for row in Table::read("creep_fit").rows() {
        let trace = row.whole("trace");
        let step = if trace == 8 { 0.1 } else { 1.0 };
        match washout::fit(&traces[trace - 1], Display::nearest(step)) {
            Ok(fit) => {
                let (settled, constant) = (row.number("true_c_ss"), row.number("true_v1"));
                let at = |what: &str| format!("trace {trace} {what}");
                let u = 2.0 * fit.settled_u;
                worst.near(fit.settled, settled, 0.05, u.max(0.3), &at("settled"));
                let u = 2.0 * fit.constant_u;
                let share = if row.word("terms") == "one" { 0.05 } else { 0.10 };
                // A trace with steps of a fifteenth of its height knows its constant to a tenth.
                let share = if row.number("true_c0") < 35.0 { 0.10 } else { share };
                worst.near(fit.first.constant, constant, share, u, &at("constant"));
            }
            Err(reason) => refused.push(format!("{trace} ({})", reason.text())),
        }
    }
    println!("refused: {refused:?}");
    assert!(refused.len() <= 2, "{refused:?}");
    worst.done();
}

/// Standing water by the diffusion formula (reference sheet 4.1).
#[test]
fn standing() {
    let mut worst = Worst::of("creep_idle (1e-6)");
    for row in Table::read("creep_idle").rows() {
        let geometry = Geometry {
            permeability: row.number("b_lmh"),
            area: row.number("area_m2"),
            permeate_side: Litres::new(row.number("vp_l")),
            feed_side: row.maybe("vf_l").map(Litres::new),
        };
        let side = Tds::new(row.number("c_side_mg_l"));
        let settled = Tds::new(row.number("css_mg_l"));
        let minutes = row.number("t_off_min");
        let idle = Span::from_secs_f64(60.0 * minutes);
        let (tau, level) = geometry.standing(side, settled);
        let first = geometry.first_water(idle, side, settled);
        let at = |what: &str| format!("{minutes} min {what}");
        // Spans are whole milliseconds, hence the absolute part.
        worst.near(tau.minutes(), row.number("tau_min"), 1e-6, 1e-5, &at("tau"));
        worst.near(level.get(), row.number("ceq_mg_l"), 1e-6, 0.0, &at("level"));
        worst.near(first.get(), row.number("c0_mg_l"), 1e-6, 2e-4, &at("first"));
        let excess = (first.get() - settled.get()) * geometry.permeate_side.get();
        worst.near(excess, row.number("excess_mg"), 1e-6, 5e-5, &at("excess"));
    }
    worst.done();
}

/// The optimum of diverting (reference sheet 4.3).
#[test]
fn diverting() {
    let mut worst = Worst::of("creep_divert (1e-6)");
    for row in Table::read("creep_divert").rows() {
        let (c0, css) = (row.number("c0_mg_l"), row.number("css_mg_l"));
        let term = Term { amplitude: c0 - css, constant: row.number("vm_l") };
        let costs = Costs {
            resin_per_mg: row.number("resin_cost_per_mg"),
            water_per_litre: row.number("water_cost_per_l"),
        };
        let curve = Washout::known(css, term);
        let advice = divert(&curve, costs);
        let starts = row.number("starts_per_day");
        for (got, column) in [
            (advice.litres.get(), "v_opt_l"),
            (advice.litres.get() * starts, "l_per_day"),
            (curve.excess(0.0, f64::INFINITY), "excess_mg"),
            (advice.kept_off.get(), "mg_kept_off_resin"),
            (advice.saving, "net_per_start"),
            (advice.saving * starts * 365.0, "net_per_year"),
        ] {
            worst.near(got, row.number(column), 1e-6, 1e-9, &format!("{c0} ppm {column}"));
        }
    }
    worst.done();
}
