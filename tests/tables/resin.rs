//! Resin: units and litres.

use super::{Table, Worst};
use permeated::engine::process::resin::{self, Conversion};
use permeated::units::{Equivalents, Tds};

#[test]
fn capacities_and_litres() {
    let mut worst = Worst::of("resin_capacity (1e-5)");
    for row in Table::read("resin_capacity").rows() {
        let bed = row.number("bed_l");
        let capacity = row.number("capacity_eq_l") * bed * row.number("utilisation");
        let eq = Equivalents::new(capacity);
        let quoted = resin::quoted(eq);
        let conversion = Conversion {
            ppm_factor: row.number("factor"),
            us_cm_per_meq: row.number("us_cm_per_meq_l"),
            invisible: Some(row.number("invisible_meq_l")),
        };
        let reading = Tds::new(row.number("tds_ppm"));
        let load = conversion.load(reading).total();
        let litres = 1000.0 * capacity / load;
        let rule = resin::litres_by_nacl_rule(eq, reading, conversion.ppm_factor);
        let kilograins = resin::kilograins_per_cubic_foot(row.number("capacity_eq_l"));
        for (got, column) in [
            (capacity, "capacity_eq"),
            (quoted.g_caco3, "capacity_g_caco3"),
            (kilograins, "kgr_ft3"),
            (quoted.grains, "grains_total"),
            (quoted.ppm_gallons, "ppm_gal_caco3"),
            (load, "load_meq_l"),
            (litres, "litres"),
            (litres / 3.785_411_784, "gallons_us"),
            (rule.expect("a reading").get(), "litres_nacl_rule"),
        ] {
            worst.near(got, row.number(column), 1e-5, 0.0, &format!("{bed} L {column}"));
        }
    }
    worst.done();
}

/// Salts as PHREEQC has them: the conversion's default is within what common waters span.
#[test]
fn microsiemens_per_milliequivalent() {
    let mut worst = Worst::of("tds_factors (own arithmetic 1e-5)");
    for row in Table::read("tds_factors").rows() {
        let (kappa, meq) = (row.number("kappa25_us_cm"), row.number("salt_meq_l"));
        let water = row.word("water").to_owned();
        let conversion =
            Conversion { ppm_factor: 0.5, us_cm_per_meq: kappa / meq, invisible: None };
        let shown = Tds::new(row.number("display_0p5"));
        worst.near(conversion.visible(shown), meq, 1e-5, 0.0, &water);
        let per_ppm = row.number("meq_l_per_ppm0p5");
        worst.near(conversion.meq_per_mg(), per_ppm, 1e-5, 0.0, &format!("{water} per ppm"));
        let default = Conversion::typical(0.5, None).meq_per_mg();
        assert!((default / per_ppm - 1.0).abs() < 0.25, "{water}: {default} {per_ppm}");
    }
    worst.done();
}
