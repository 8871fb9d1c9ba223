//! Start-up traces.

use super::{Table, Worst};
use permeated::engine::fit::display::Display;
use permeated::engine::fit::informed::Known;
use permeated::engine::fit::washout::{Sample, Term, Washout};
use permeated::engine::process::creep::{Costs, Geometry, divert};
use permeated::engine::process::start::{Axis, Conditions, SettledRule, Trace, analyse};
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

/// A whole start as the daemon judges it, nothing learned yet, against what made the trace. A level
/// that is told lies within the larger of the target (0.3 ppm or 5 %) and twice its uncertainty, the
/// extra salt within 15 % or twice its
/// uncertainty. Most of these runs are too short to tell a flat tail from the end of a slow
/// second term; then no level is told, and the curve behind that answer holds the truth within three
/// of its uncertainties.
///
/// Not compared: the table's own plain least squares (columns `c_ss_ppm` to `excess_mg`), which takes
/// the display at its word and knows one term only; it is printed beside ours.
#[test]
fn a_start_against_what_made_the_trace() {
    let traces = traces();
    let mut worst = Worst::of("creep_fit (against true values)");
    let mut told = 0;
    for row in Table::read("creep_fit").rows() {
        let trace = row.whole("trace");
        let step = if trace == 8 { 0.1 } else { 1.0 };
        let mut readings = Trace::new(Axis::Litres, Display::nearest(step));
        for sample in &traces[trace - 1] {
            let at = Span::from_secs_f64(600.0 * sample.x);
            let (litres, reading) = (Litres::new(sample.x), Tds::new(sample.y));
            readings.push(litres, at, reading, Conditions::default());
        }
        let known = Known::usual(1.0, step);
        let start = analyse(&readings, SettledRule::default(), &known, None).expect("readings");
        let at = |what: &str| format!("trace {trace} {what}");
        let (settled, constant) = (row.number("true_c_ss"), row.number("true_v1"));
        let fit = start.fit.as_ref().expect("every one of them is a wash-out");
        println!(
            "trace {trace}, {:.1} L: truth {settled}, told {:?}, curve {:.2} +- {:.2}, plain {:.2}",
            start.end,
            start.settled.map(|level| (level.value, level.u)),
            fit.settled,
            fit.settled_u,
            row.number("c_ss_ppm")
        );
        worst.near(fit.settled, settled, 0.0, 3.0 * fit.settled_u, &at("curve"));
        worst.near(fit.first.constant, constant, 0.1, 3.0 * fit.constant_u, &at("constant"));
        let Ok(level) = &start.settled else { continue };
        told += 1;
        worst.near(level.value, settled, 0.05, (2.0 * level.u).max(0.3), &at("settled"));
        if row.word("terms") == "one" {
            let height = row.number("true_c0") - settled;
            let salt = height * constant * (1.0 - (-start.end / constant).exp());
            let extra = start.extra.expect("litres");
            worst.near(extra.salt.get(), salt, 0.15, 2.0 * extra.u.get(), &at("extra salt"));
        }
    }
    assert!(told >= 3, "{told} told");
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
