//! Balances, osmotic pressure, temperature factors, normalisation, uncertainty.

use super::{Table, Worst};
use permeated::engine::process::membrane::{self, Flows};
use permeated::engine::process::normalise::{
    Forms, Osmotic, State, TemperatureFactor, osmotic_pressure,
};
use permeated::engine::process::water;
use permeated::engine::time::Mono;
use permeated::engine::value::{Input, Valued};
use permeated::units::{Bar, Celsius, LitresPerMinute, Ratio, Tds};

fn exact(value: f64) -> Valued<f64> {
    Valued::measured(value, 0.0, Mono::ZERO)
}

#[test]
fn balances() {
    let mut worst = Worst::of("ro_balance (1e-6)");
    for row in Table::read("ro_balance").rows() {
        let (qf, qp) = (exact(row.number("qf_l_min")), exact(row.number("qp_l_min")));
        let (cf, cp) = (exact(row.number("cf_mg_l")), exact(row.number("cp_mg_l")));
        let cc = exact(row.number("cc_meas_mg_l"));
        let qc = exact(row.number("qc_l_min"));
        let at = format!("{} {}", qf.value, cf.value);
        let mut near = |got: f64, column: &str| {
            worst.near(got, row.number(column), 1e-6, 1e-9, &format!("{at} {column}"));
        };
        let (f, p, c) = (Input::own(&cf), Input::own(&cp), Input::own(&cc));
        let flows = Flows {
            feed: Some(Input::own(&qf)),
            permeate: Some(Input::own(&qp)),
            concentrate: None,
        };
        let y = membrane::recovery(flows).expect("two flows");
        near(y.value, "recovery");
        let ratio = Ratio::new(y.value);
        near(membrane::complete_factor(ratio).expect("a share"), "cf_complete");
        let log_mean = membrane::log_mean_factor(ratio).expect("a share");
        near(log_mean, "cf_logmean");
        let arithmetic = membrane::arithmetic_factor(ratio).expect("a share");
        near(arithmetic, "cf_arith");
        near(membrane::concentrate(f, p, &y).expect("a share").value, "cc_balance_mg_l");
        let nominal = membrane::salt_passage(f, p).expect("a feed");
        near(membrane::rejection(&nominal).value.value, "rej_nominal");
        let system = membrane::salt_passage_system(f, p, &y).expect("a feed");
        near(membrane::rejection(&system).value.value, "rej_logmean");
        near(1.0 - nominal.value.value / arithmetic, "rej_arith");
        let closure =
            membrane::closure([Input::own(&qf), Input::own(&qp), Input::own(&qc)], [f, p, c]);
        near(closure.expect("salt").value, "closure");
        near(membrane::recovery_from_solids(f, p, c).expect("apart").value, "y_salt");
        near(membrane::polarisation(ratio).expect("a share"), "beta_07");
    }
    worst.done();
}

#[test]
fn osmotic_pressures() {
    let mut formulas = Worst::of("osmotic_pressure_nacl (formulas, 1e-5)");
    let mut nacl = Worst::of("osmotic_pressure_nacl (distance of the forms from Pitzer's NaCl)");
    for row in Table::read("osmotic_pressure_nacl").rows() {
        let (c, t) = (row.number("c_mg_l"), Celsius::new(row.number("t_c")));
        for (form, column) in [
            (Osmotic::VantHoff, "pi_vanthoff_kpa"),
            (Osmotic::D4516, "pi_d4516_kpa"),
            (Osmotic::Natural, "pi_natural_kpa"),
        ] {
            match osmotic_pressure(c, t, form) {
                Some(pi) => {
                    let at = format!("{c} mg/L {t} {column}");
                    formulas.near(100.0 * pi.get(), row.number(column), 1e-5, 0.0, &at);
                }
                None => assert!(c > 20_000.0, "{c}"),
            }
        }
        if c <= 2_000.0 {
            // The forms are for tap water and not for NaCl: how far they may lie from Pitzer's.
            for (form, allowed) in
                [(Osmotic::VantHoff, 0.07), (Osmotic::D4516, 0.07), (Osmotic::Natural, 0.20)]
            {
                let pi = osmotic_pressure(c, t, form).expect("in range");
                let want = row.number("pi_pyeql_kpa");
                nacl.near(100.0 * pi.get(), want, allowed, 0.0, &format!("{c} mg/L {t} {form:?}"));
            }
        }
    }
    formulas.done();
    nacl.done();
}

#[test]
fn temperature_factors_and_water() {
    let mut factors = Worst::of("temperature_correction (1e-5, viscosity 1e-3)");
    for row in Table::read("temperature_correction").rows() {
        let t = Celsius::new(row.number("t_c"));
        for (form, column, tolerance) in [
            (TemperatureFactor::Arrhenius, "arrhenius", 1e-5),
            (TemperatureFactor::Viscosity, "viscosity", 1e-3),
            (TemperatureFactor::ThreePercent, "pct3", 1e-5),
        ] {
            let got = form.at(t).expect("in range");
            factors.near(got, row.number(column), tolerance, 0.0, &format!("{t} {column}"));
        }
    }
    factors.done();
    let mut water = Worst::of("water_viscosity (density 1e-5, viscosity 1e-3)");
    for row in Table::read("water_viscosity").rows() {
        let t = Celsius::new(row.number("t_c"));
        let at = |what: &str| format!("{t} {what}");
        let rho = water::density(t).expect("in range");
        let mu = water::viscosity(t).expect("in range");
        water.near(rho, row.number("rho_kg_m3"), 1e-5, 0.0, &at("rho"));
        water.near(mu, row.number("mu_mpa_s"), 1e-3, 0.0, &at("mu"));
        water.near(1000.0 * mu / rho, row.number("nu_mm2_s"), 1e-3, 0.0, &at("nu"));
        let relative = 1.0 / water::relative_viscosity(t).expect("in range");
        water.near(relative, row.number("mu25_over_mu"), 1e-3, 0.0, &at("relative"));
    }
    water.done();
}

fn state(x: [f64; 8]) -> State {
    State {
        feed_flow: LitresPerMinute::new(x[0]),
        permeate_flow: LitresPerMinute::new(x[1]),
        feed: Tds::new(x[2]),
        permeate: Tds::new(x[3]),
        feed_pressure: Bar::new(x[4] / 100.0),
        pressure_drop: Bar::new(x[5] / 100.0),
        permeate_pressure: Bar::new(x[6] / 100.0),
        temperature: Celsius::new(x[7]),
    }
}

#[test]
fn normalisation() {
    let forms = Forms::default();
    let reference = state([0.6, 0.15, 300.0, 9.0, 400.0, 20.0, 10.0, 25.0]);
    let mut worst = Worst::of("ro_normalisation (1e-5)");
    for row in Table::read("ro_normalisation").rows() {
        let columns = [
            "qf_l_min",
            "qp_l_min",
            "cf_mg_l",
            "cp_mg_l",
            "p_feed_kpa",
            "dp_kpa",
            "p_perm_kpa",
            "t_c",
        ];
        let x = columns.map(|column| row.number(column));
        let now = state(x);
        let result = now.normalised(&reference, forms).expect("in range");
        let ndp = now.net_driving_pressure(forms.osmotic).expect("in range").get() * 100.0;
        let pairs = [
            (now.recovery().expect("a share").get(), "recovery"),
            (ndp, "ndp_kpa"),
            (forms.temperature.at(now.temperature).expect("in range"), "tcf"),
            (result.flow.get(), "qp_std_l_min"),
            (result.flow.get() / 0.15 - 1.0, "qp_change"),
            (result.passage.get(), "sp_std"),
            (result.passage.get() / 0.03 - 1.0, "sp_change"),
            (100.0 * result.pressure_drop.get(), "dp_std_kpa"),
        ];
        for (got, column) in pairs {
            let at = format!("{x:?} {column}");
            worst.near(got, row.number(column), 1e-5, 1e-6, &at);
        }
    }
    worst.done();
}

/// The engine's propagation against Monte Carlo (2 %, the truth) and against first order. It moves
/// each input by its whole uncertainty, so it keeps the curvature that first order drops: 0.5 %
/// between the two, not 1e-5. A correlation r is a gain in common: `r u1 u2 = g² x1 x2`.
#[test]
fn uncertainties() {
    let mut first_order = Worst::of("gum_propagation (first order, 0.5 %)");
    let mut monte_carlo = Worst::of("gum_propagation (Monte Carlo, 2 %)");
    for row in Table::read("gum_propagation").rows() {
        let (cf, cp) = (row.number("cf_ppm"), row.number("cp_ppm"));
        let (uf, up, r) = (row.number("ucf"), row.number("ucp"), row.number("r"));
        let gain_square = r * uf * up / (cf * cp);
        let own = |x: f64, u: f64| (u * u - gain_square * x * x).max(0.0).sqrt();
        let feed = Valued::measured(cf, own(cf, uf), Mono::ZERO);
        let permeate = Valued::measured(cp, own(cp, up), Mono::ZERO);
        let gain = gain_square.sqrt();
        let (f, p) = (Input::shared(&feed, 0, gain), Input::shared(&permeate, 0, gain));
        let uq = row.number("uq_rel");
        let qf = Valued::measured(row.number("qf"), uq * row.number("qf"), Mono::ZERO);
        let qp = Valued::measured(row.number("qp"), uq * row.number("qp"), Mono::ZERO);
        let at = |what: &str| format!("{cf} {cp} r {r} {what}");

        let rejection = membrane::rejection(&membrane::salt_passage(f, p).expect("a feed")).value;
        first_order.near(rejection.value, row.number("rejection"), 1e-5, 0.0, &at("rejection"));
        let splits = own(cf, uf) > 0.0 && own(cp, up) > 0.0;
        if splits {
            let want = row.number("u_rejection");
            first_order.near(rejection.u, want, 0.005, 0.0, &at("u rejection"));
            monte_carlo.near(rejection.u, row.number("u_rej_mc"), 0.02, 0.0, &at("u rejection"));
        }
        let flows = Flows {
            feed: Some(Input::own(&qf)),
            permeate: Some(Input::own(&qp)),
            concentrate: None,
        };
        let y = membrane::recovery(flows).expect("two flows");
        first_order.near(y.value, row.number("recovery"), 1e-5, 0.0, &at("recovery"));
        first_order.near(y.u, row.number("u_recovery"), 0.005, 0.0, &at("u recovery"));
        let cc = membrane::concentrate(f, p, &y).expect("a share");
        first_order.near(cc.value, row.number("cc_ppm"), 1e-5, 0.0, &at("concentrate"));
        if splits {
            first_order.near(cc.u, row.number("u_cc_ppm"), 0.005, 0.0, &at("u concentrate"));
        }
    }
    first_order.done();
    monte_carlo.done();
}
