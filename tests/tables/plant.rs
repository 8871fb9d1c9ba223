//! Filters, surge, container, salt, units.

use super::{Table, Worst};
use permeated::engine::process::hammer::Tube;
use permeated::engine::process::prefilter::{
    CarbonLoad, CarbonRating, Resistance, contact_seconds,
};
use permeated::engine::process::resin;
use permeated::engine::process::salt;
use permeated::engine::process::storage::Ages;
use permeated::units::{
    Bar, Celsius, Days, Equivalents, Litres, LitresPerMinute, Quantity, UnitSymbol,
};

#[test]
fn sediment() {
    let mut worst = Worst::of("filter_pressure_drop (1e-5)");
    for row in Table::read("filter_pressure_drop").rows() {
        let clean = Resistance {
            cartridge: row.number("a_kpa_min_l") / 100.0,
            fittings: row.number("b_kpa_min2_l2") / 100.0,
        };
        let (q, t) = (LitresPerMinute::new(row.number("q_l_min")), Celsius::new(row.number("t_c")));
        let drop = Bar::new(row.number("dp_kpa") / 100.0);
        let now = Resistance::from_drop(drop, q, t, clean.fittings).expect("flows");
        let ratio = now.ratio(&clean).expect("clean").get();
        let at = format!("{q} {t}");
        // The table's viscosity is the full IAPWS one, ours its form at 0.1 MPa.
        worst.near(ratio, row.number("fouling"), 1e-4, 0.0, &format!("{at} fouling"));
        let reference = LitresPerMinute::new(row.number("q_ref_l_min"));
        let normal = now.drop_at(reference, Celsius::new(25.0)).expect("in range").get();
        let want = row.number("dp_norm_kpa");
        worst.near(100.0 * normal, want, 1e-4, 0.0, &format!("{at} at reference"));
        let back = Resistance { cartridge: clean.cartridge * row.number("f_true"), ..clean };
        let drop = back.drop_at(q, t).expect("in range").get();
        worst.near(100.0 * drop, row.number("dp_kpa"), 1e-4, 0.0, &format!("{at} drop"));
    }
    worst.done();
}

#[test]
fn carbon() {
    let mut worst = Worst::of("carbon_load (1e-6)");
    for row in Table::read("carbon_load").rows() {
        let rating = CarbonRating {
            litres: Litres::new(row.number("rated_l")),
            challenge: row.number("rated_mg_l"),
        };
        let oxidant = row.number("c_mg_l");
        let mut load = CarbonLoad::default();
        load.add(Litres::new(row.number("litres_feed")), oxidant);
        let flow = LitresPerMinute::new(row.number("q_l_min"));
        let contact = contact_seconds(Litres::new(row.number("bed_l")), flow);
        let left = load.remaining_by_oxidant(rating, oxidant).expect("rated").get();
        for (got, column) in [
            (load.oxidant(), "load_mg"),
            (load.used(rating).expect("rated").get(), "used"),
            (left, "remaining_l"),
            (contact.expect("flows"), "ebct_s"),
        ] {
            worst.near(got, row.number(column), 1e-6, 1e-6, &format!("{oxidant} mg/L {column}"));
        }
    }
    worst.done();
}

#[test]
fn surge() {
    let mut worst = Worst::of("water_hammer (1e-5)");
    for row in Table::read("water_hammer").rows() {
        let tube = Tube {
            inner_mm: row.number("d_in_mm"),
            wall_mm: row.number("wall_mm"),
            modulus_gpa: row.number("e_gpa"),
        };
        let flow = LitresPerMinute::new(row.number("q_l_min"));
        let surge = tube.surge(flow).expect("a tube");
        let at = format!("{tube:?} {flow}");
        worst.near(surge.velocity, row.number("v_m_s"), 1e-5, 0.0, &at);
        worst.near(surge.wave, row.number("a_m_s"), 1e-5, 0.0, &at);
        worst.near(100.0 * surge.pressure.get(), row.number("dp_kpa"), 1e-5, 0.0, &at);
    }
    worst.done();
}

#[test]
fn age() {
    let mut worst = Worst::of("storage_age (1e-6)");
    let (mut tank, mut ages) = (0, Ages::new(Litres::new(0.0)));
    for row in Table::read("storage_age").rows() {
        let (incoming, drawn) = (row.number("in_l"), row.number("out_l"));
        if row.whole("tank") != tank {
            tank = row.whole("tank");
            ages = Ages::new(Litres::new(row.number("volume_l") - incoming + drawn));
        }
        ages.pass(Days::new(row.number("dt_d")));
        ages.draw(Litres::new(drawn));
        ages.add(Litres::new(incoming));
        for (got, column) in [
            (ages.litres().get(), "volume_l"),
            (ages.oldest().get(), "fifo_oldest_d"),
            (ages.mean().get(), "fifo_mean_d"),
            (ages.mixed().get(), "mixed_mean_d"),
        ] {
            let at = format!("tank {tank} day {} {column}", row.word("t_d"));
            worst.near(got, row.number(column), 1e-6, 1e-6, &at);
        }
    }
    worst.done();
}

#[test]
fn salt_water() {
    let mut worst = Worst::of("salinity_density (0.01 kg/m3, kappa 1e-4, masses 0.02 g, cp 0.2 %)");
    for row in Table::read("salinity_density").rows() {
        let (sp, t) = (row.number("sp"), Celsius::new(row.number("t_c")));
        let rho = salt::density(sp, t).expect("in range");
        let at = |what: &str| format!("SP {sp} {t} {what}");
        worst.near(salt::reference_salinity(sp), row.number("sr_g_kg"), 1e-6, 0.0, &at("SR"));
        worst.near(rho, row.number("rho_kg_m3"), 0.0, 0.01, &at("density"));
        let kappa = salt::conductivity(sp, t).expect("in range");
        worst.near(kappa, row.number("kappa_ms_cm"), 1e-4, 0.0, &at("kappa"));
        let cp = salt::heat_capacity(sp, t).expect("in range");
        worst.near(cp, row.number("cp_j_kg_k"), 0.002, 0.0, &at("cp"));
        for (reference, column) in
            [(t, "sg_t_t"), (Celsius::new(4.0), "sg_t_4c"), (Celsius::new(15.5556), "sg_t_60f")]
        {
            let sg = salt::specific_gravity(sp, t, reference).expect("in range");
            worst.near(sg, row.number(column), 0.0, 1.5e-5, &at(column));
        }
        let batch = salt::batch(sp, t, Litres::new(1.0), 1.0).expect("in range");
        worst.near(batch.salt_g, row.number("salt_g_per_l_final"), 0.0, 0.02, &at("salt"));
        let water = row.number("water_l_per_l_final");
        worst.near(batch.water.get(), water, 2e-5, 0.0, &at("water"));
        let each = row.number("salt_g_per_l_water");
        worst.near(batch.salt_g / batch.water.get(), each, 0.0, 0.02, &at("per litre of water"));
    }
    worst.done();
}

/// Units that a sensor may declare, and those in which capacities are quoted. The table's other rows
/// (atm, inches of mercury, fluid ounces, degrees of hardness, pounds) are units that no setting takes.
#[test]
fn units() {
    let mut worst = Worst::of("unit_conversions (1e-6)");
    let mut unused = Vec::new();
    for row in Table::read("unit_conversions").rows() {
        let (from, to, value) = (row.word("from"), row.word("to"), row.number("value"));
        let want = row.number("result");
        let own = |quantity: Quantity, from: &str, scale: f64| -> f64 {
            let unit = UnitSymbol::parse(from, quantity).expect("a declared unit");
            unit.to_canonical(value) * scale
        };
        let got = match (from, to) {
            ("psi" | "bar", "kPa") => own(Quantity::Pressure, from, 100.0),
            ("psi", "bar") => own(Quantity::Pressure, from, 1.0),
            ("mH2O(4C)", "kPa") => own(Quantity::Pressure, "mH2O", 100.0),
            ("US gal" | "imp gal", "L") => own(Quantity::Volume, from, 1.0),
            ("US gal/min", "L/min") => own(Quantity::Flow, from, 1.0),
            ("US gal/day", "mL/min") => own(Quantity::Flow, "US gal/d", 1000.0),
            ("US gal/day", "L/h") => own(Quantity::Flow, "US gal/d", 60.0),
            ("mS/m" | "S/m", "uS/cm") => own(Quantity::Conductivity, from, 1.0),
            ("eq/L", "kgrain(CaCO3)/ft3") => resin::kilograins_per_cubic_foot(value),
            ("meq/L", "mg/L CaCO3") => {
                1000.0 * resin::quoted(Equivalents::new(value / 1000.0)).g_caco3
            }
            _ => {
                unused.push(format!("{from} to {to}"));
                continue;
            }
        };
        worst.near(got, want, 1e-6, 0.0, &format!("{from} to {to}"));
    }
    println!("not used: {}", unused.join(", "));
    worst.done();
}
