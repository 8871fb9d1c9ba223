//! Conductivity, pure water, carbon dioxide.

use super::{Table, Worst};
use permeated::engine::process::carbon_dioxide::{AnionLoad, FeedCarbonate, open_to_air};
use permeated::engine::process::conductivity::{self, NoCompensation};
use permeated::engine::process::{ions, salt};
use permeated::units::{Celsius, Conductivity};

#[test]
fn natural_water() {
    let mut worst = Worst::of("conductivity_natural_water_factor (ISO 7888, 0.0005)");
    for row in Table::read("conductivity_natural_water_factor").rows() {
        let t = Celsius::new(row.number("t_c"));
        let at = |what: &str| format!("{t} {what}");
        let factor = conductivity::natural_factor(t).expect("in range");
        worst.near(factor, row.number("f25_table"), 0.0, 0.0005, &at("f25"));
        let twenty = conductivity::natural_factor_20(t).expect("in range");
        worst.near(twenty, row.number("f20"), 0.0, 0.0005, &at("f20"));
        let two = conductivity::linear_factor(t, 0.02).expect("positive");
        worst.near(two, row.number("f_lin_2p0"), 1e-6, 0.0, &at("2 %"));
        let other = conductivity::linear_factor(t, 0.0191).expect("positive");
        worst.near(other, row.number("f_lin_1p91"), 1e-6, 0.0, &at("1.91 %"));
    }
    worst.done();
    // Printed tenths of ISO 7888 that the whole degrees must reproduce.
    let mut tenths = Worst::of("ISO 7888, printed tenths (0.001)");
    for (t, factor) in [(0.1, 1.912), (0.6, 1.881), (5.5, 1.619), (12.3, 1.344), (24.2, 1.017)]
        .into_iter()
        .chain([(30.3, 0.898), (35.1, 0.820), (35.3, 0.817)])
    {
        let got = conductivity::natural_factor(Celsius::new(t)).expect("in range");
        tenths.near(got, factor, 0.0, 0.001, &format!("{t} °C"));
    }
    tenths.done();
}

#[test]
fn salts_over_temperature() {
    let mut chloride = Worst::of("salt_temperature_factor (NaCl 0.5 %)");
    let mut seawater = Worst::of("salt_temperature_factor (PSS-78, 1e-4)");
    for row in Table::read("salt_temperature_factor").rows() {
        let t = Celsius::new(row.number("t_c"));
        let got = conductivity::sodium_chloride_factor(t).expect("in range");
        chloride.near(got, row.number("nacl"), 0.005, 0.0, &t.to_string());
        let of = |t| salt::conductivity(0.5, t).expect("in range");
        let got = of(Celsius::new(25.0)) / of(t);
        seawater.near(got, row.number("pss78_sp0p5"), 1e-4, 0.0, &t.to_string());
    }
    chloride.done();
    seawater.done();
    let mut standard = Worst::of("kcl_standard_temperature (1 %, one printed value 2 % low)");
    for row in Table::read("kcl_standard_temperature").rows() {
        let t = row.number("t_c");
        let got = ions::potassium_chloride_ratio(Celsius::new(t)).expect("in range");
        let (at, name) = (format!("{t} °C"), row.number("standard_us_cm_25"));
        standard.near(got, row.number("ratio_ions"), 1e-5, 0.0, &at);
        let tolerance = if t == 35.0 && name == 1413.0 { 0.025 } else { 0.01 };
        let printed = row.number("ratio_printed");
        standard.near(got, printed, tolerance, 0.0, &format!("{at}, standard {name}"));
    }
    standard.done();
}

#[test]
fn pure_water() {
    let mut worst = Worst::of("pure_water_conductivity (IAPWS 1990, 0.5 %; pKw 0.002)");
    for row in Table::read("pure_water_conductivity").rows() {
        let t = Celsius::new(row.number("t_c"));
        let kappa = ions::pure_water(t).expect("in range");
        worst.near(kappa, row.number("kappa_iapws_us_cm"), 0.005, 0.0, &t.to_string());
        let pkw = ions::pkw(t).expect("in range");
        worst.near(pkw, row.number("pkw_iapws2007"), 0.0, 0.002, &format!("{t} pKw"));
        if let Some(other) = row.maybe("kappa_ions_us_cm") {
            worst.near(kappa, other, 0.05, 0.0, &format!("{t} second route"));
        }
    }
    worst.done();
    let mut split = Worst::of("ultrapure_compensation (2 % or 0.003)");
    for row in Table::read("ultrapure_compensation").rows() {
        let (raw, t) = (row.number("kappa_raw_us_cm"), Celsius::new(row.number("t_c")));
        let at = format!("{raw} at {t}");
        match conductivity::pure_to_25(raw, t) {
            Ok(kappa) => {
                let want = row.number("kappa25_split_us_cm");
                split.near(kappa.get(), want, 0.02, 0.003, &at);
            }
            Err(reason) => {
                // The table goes on below pure water, where no probe can be right.
                assert_eq!(reason, NoCompensation::BelowPureWater, "{at}");
                assert!(raw < ions::pure_water(t).expect("in range"), "{at}");
            }
        }
    }
    split.done();
}

#[test]
fn sodium_chloride() {
    let mut worst = Worst::of("nacl_conductivity (1.5 %)");
    for row in Table::read("nacl_conductivity").rows() {
        let mg = row.number("nacl_mg_l");
        let Some(kappa) = conductivity::sodium_chloride(mg) else {
            assert!(mg > 800.0, "{mg}");
            continue;
        };
        for column in ["kappa25_phreeqc_us_cm", "kappa25_pyeql_us_cm"] {
            worst.near(kappa.get(), row.number(column), 0.015, 0.0, &format!("{mg} {column}"));
        }
        let shown = Conductivity::new(row.number("kappa25_phreeqc_us_cm")).to_tds(0.5).get();
        worst.near(shown, row.number("tds_display_0p5_ppm"), 1e-5, 0.0, &format!("{mg} shown"));
    }
    worst.done();
}

#[test]
fn water_open_to_air() {
    let mut worst = Worst::of("carbonic_acid_conductivity (kappa 2 %, pH 0.01)");
    for row in Table::read("carbonic_acid_conductivity").rows() {
        let (t, air) = (Celsius::new(row.number("t_c")), row.number("pco2_ppm"));
        let water = open_to_air(t, air).expect("in range");
        let at = |what: &str| format!("{t} {air} ppm {what}");
        worst.near(water.ph, row.number("ph"), 0.0, 0.01, &at("pH"));
        worst.near(1e3 * water.gas, row.number("h2co3_umol_l"), 0.02, 0.0, &at("gas"));
        let ion = row.number("hco3_umol_l");
        worst.near(1e3 * water.bicarbonate, ion, 0.02, 0.0, &at("bicarbonate"));
        let kappa = row.number("kappa_t_us_cm");
        worst.near(water.conductivity, kappa, 0.02, 0.0, &at("kappa"));
        if let Some(phreeqc) = row.maybe("kappa_phreeqc_us_cm") {
            worst.near(water.conductivity, phreeqc, 0.03, 0.0, &at("kappa by PHREEQC"));
        }
        if let (Some(shown), Some(factor)) =
            (row.maybe("tds_0p5_ppm"), conductivity::natural_factor(t))
        {
            worst.near(0.5 * water.conductivity * factor, shown, 0.02, 0.0, &at("shown"));
        }
    }
    worst.done();
}

#[test]
fn anion_load() {
    let mut ideal = Worst::of("resin_anion_load (ideal, 1 %)");
    let mut real = Worst::of("resin_anion_load (with activity, PHREEQC, 2 %)");
    for row in Table::read("resin_anion_load").rows() {
        let t = Celsius::new(row.number("t_c"));
        let (alkalinity, ph) = (row.number("feed_alk_mg_caco3_l"), row.number("feed_ph"));
        let at = |what: &str| format!("{t} {alkalinity} mg/L pH {ph} {what}");
        let feed = FeedCarbonate::from_analysis(t, alkalinity, ph, 0.0).expect("in range");
        let load = AnionLoad::behind_membrane(
            t,
            feed,
            alkalinity,
            row.number("sp_hco3"),
            row.number("strong_meq_l"),
            row.number("sio2_mg_l"),
        )
        .expect("in range");
        for (got, column) in [
            (feed.gas, "co2_mmol_l"),
            (feed.gas_mg_per_litre(), "co2_mg_l"),
            (feed.bicarbonate, "feed_hco3_mmol_l"),
            (load.bicarbonate, "perm_hco3_meq_l"),
            (load.permeate_ph, "perm_ph"),
            (load.silica, "sio2_meq_l"),
            (load.total(), "anion_load_meq_l"),
            (load.visible_share(), "visible"),
        ] {
            ideal.near(got, row.number(column), 0.01, 0.0, &at(column));
        }
        // The table's water is sodium bicarbonate: its ionic strength is its alkalinity.
        let strength = alkalinity / 50_043.45;
        let feed = FeedCarbonate::from_analysis(t, alkalinity, ph, strength).expect("in range");
        real.near(feed.gas, row.number("co2_phreeqc_mmol_l"), 0.02, 0.0, &at("gas"));
    }
    ideal.done();
    real.done();
}
