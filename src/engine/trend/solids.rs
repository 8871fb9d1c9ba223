//! From what a probe of dissolved solids says to ppm on the plant's scale.
//!
//! Every probe in any guise (ppm with its own factor, conductivity raw or compensated, resistivity)
//! becomes a conductivity at 25 °C first and a ppm figure of the plant's declared factor then, so
//! that two probes of unlike scales can be compared. Invariant: a probe that compensates itself is
//! never compensated again; without a temperature a raw reading is taken as it is and doubted.

use crate::engine::setup::SensorSetup;
use crate::engine::value::{Basis, Flag, NoReading, Reason, Valued};
use crate::settings::schema::Compensation;
use crate::units::{Celsius, Conductivity, Quantity, Tds};

/// Natural fresh water, 0 to 35 °C in steps of 1 K: conductivity at 25 °C over that at t.
/// ISO 7888:1985 (EN 27888:1993), the table's whole degrees; between them a straight line, which is
/// within 0.0005 of the table's tenths.
const NATURAL: [f64; 36] = [
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390, 1.354,
    1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044, 1.021, 1.000,
    0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
];

/// Conductivity of pure water in µS/cm (IAPWS guideline of 1990), by temperature.
const PURE: [(f64, f64); 12] = [
    (0.0, 0.011_56),
    (5.0, 0.015_93),
    (10.0, 0.022_07),
    (15.0, 0.030_38),
    (18.0, 0.036_56),
    (20.0, 0.041_24),
    (22.0, 0.046_37),
    (25.0, 0.054_99),
    (28.0, 0.064_77),
    (30.0, 0.071_97),
    (35.0, 0.092_45),
    (40.0, 0.116_69),
];

/// Sodium chloride at infinite dilution: conductivity at 25 °C over that at t, from limiting ionic
/// conductivities (reference sheet 1.1, confirmed there by PSS-78 within 0.5 %).
const SALT: [(f64, f64); 14] = [
    (0.0, 1.873_3),
    (2.0, 1.768_5),
    (5.0, 1.625_3),
    (8.0, 1.497_0),
    (10.0, 1.419_5),
    (12.0, 1.347_9),
    (15.0, 1.250_7),
    (18.0, 1.162_2),
    (20.0, 1.110_9),
    (22.0, 1.064_3),
    (25.0, 1.0),
    (28.0, 0.940_8),
    (30.0, 0.904_3),
    (35.0, 0.822_7),
];

/// Straight line between the points of a table; `None` outside it.
fn between(table: &[(f64, f64)], x: f64) -> Option<f64> {
    let at = table.partition_point(|&(known, _)| known <= x);
    if at == 0 {
        return None;
    }
    let (x0, y0) = table[at - 1];
    match table.get(at) {
        Some(&(x1, y1)) => Some(y0 + (y1 - y0) * (x - x0) / (x1 - x0)),
        None => (x <= x0).then_some(y0),
    }
}

/// Factor from conductivity at `at` to that at 25 °C for natural water. `None` outside 0 to 35 °C.
pub fn natural_factor(at: Celsius) -> Option<f64> {
    let t = at.get();
    if !(0.0..=35.0).contains(&t) {
        return None;
    }
    let whole = (t.floor() as usize).min(NATURAL.len() - 2);
    let part = t - whole as f64;
    Some(NATURAL[whole] * (1.0 - part) + NATURAL[whole + 1] * part)
}

/// Conductivity at 25 °C of nearly pure water: the water's own ions are taken off at `at`, the rest
/// is compensated as salt, and the water's own at 25 °C is put back (principle of ASTM D1125 and
/// D5391). A reading below pure water gives `None`: the probe is wrong. `None` also outside 0 to
/// 35 °C.
pub fn pure_at_25(raw: Conductivity, at: Celsius) -> Option<Conductivity> {
    let own = between(&PURE, at.get())?;
    let salt = between(&SALT, at.get())?;
    // The two computed routes to the water's own conductivity differ by 3 %.
    let rest = raw.get() - own;
    (rest > -0.05 * own).then(|| Conductivity::new(0.054_99 + rest.max(0.0) * salt))
}

/// A reading of a solids probe in the guise in which it is published and on the plant's scale.
#[derive(Clone, Debug)]
pub(super) struct Solids {
    /// ppm on the plant's scale; `u` is the probe's own (zero and step), without its gain.
    pub(super) tds: Valued<f64>,
    /// Step on the plant's scale.
    pub(super) step: f64,
}

/// Converts a reading. `temperature`: of the water at the probe or nearest to it.
///
/// # Errors
/// [`NoReading::OutOfRange`] for what no water can be.
pub(super) fn convert(
    sensor: &SensorSetup,
    ppm_factor: f64,
    raw: f64,
    u: f64,
    at: crate::engine::time::Mono,
    temperature: Option<&Valued<f64>>,
) -> Result<Solids, NoReading> {
    // Conductivity and the slope by which a small change of the reading changes it.
    let (conductivity, slope) = match sensor.quantity {
        Quantity::Tds => (raw / sensor.ppm_factor, 1.0 / sensor.ppm_factor),
        Quantity::Resistivity => {
            if raw <= 0.0 {
                return Err(NoReading::OutOfRange);
            }
            let conductivity = 1.0 / raw;
            (conductivity, conductivity / raw)
        }
        _ => (raw, 1.0),
    };
    if sensor.compensation == Compensation::Compensated || sensor.quantity == Quantity::Tds {
        let to_ppm = slope.abs() * ppm_factor;
        return Ok(Solids {
            tds: Valued::measured(
                Conductivity::new(conductivity).to_tds(ppm_factor).get(),
                u * to_ppm,
                at,
            ),
            step: sensor.step * to_ppm,
        });
    }
    let Some(temperature) = temperature else {
        // Cold water reads up to half too low, so the doubt is as large as that.
        let tds = conductivity * ppm_factor;
        let own = u * slope.abs() * ppm_factor;
        let valued = Valued::measured(tds, own.hypot(0.2 * tds), at)
            .doubt(Flag::Suspect, Reason::Compensation);
        return Ok(Solids { tds: valued, step: sensor.step * slope.abs() * ppm_factor });
    };
    let at_25 = |t: f64| -> Option<f64> {
        let celsius = Celsius::checked(t.clamp(0.0, 35.0))?;
        match sensor.compensation {
            Compensation::RawPure => {
                pure_at_25(Conductivity::checked(conductivity)?, celsius).map(Conductivity::get)
            }
            _ => natural_factor(celsius).map(|factor| conductivity * factor),
        }
    };
    let compensated = at_25(temperature.value).ok_or(NoReading::OutOfRange)?;
    let factor = if conductivity > 0.0 { compensated / conductivity } else { 1.0 };
    let warmer = at_25(temperature.value + temperature.u.max(0.1)).unwrap_or(compensated);
    let own = u * slope.abs() * factor * ppm_factor;
    // 1 % of the model (reference sheet 1.1) beside the temperature's own uncertainty.
    let model = (0.01 * compensated).hypot(warmer - compensated) * ppm_factor;
    let mut valued =
        Valued::measured(Tds::new(compensated * ppm_factor).get(), own.hypot(model), at);
    if temperature.basis == Basis::Assumed {
        valued.basis = Basis::Assumed;
    }
    if !(0.0..=35.0).contains(&temperature.value) {
        valued = valued.doubt(Flag::Suspect, Reason::Compensation);
    }
    Ok(Solids { tds: valued, step: sensor.step * slope.abs() * factor * ppm_factor })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 7888:1985 table, tenths of a degree as reprinted in the reference sheet's source.
    #[test]
    fn natural_water_follows_the_standards_table() {
        for (t, factor) in [(0.0, 1.918), (5.0, 1.643), (12.0, 1.354), (25.0, 1.0), (35.0, 0.822)] {
            let ours = natural_factor(Celsius::new(t)).expect("in range");
            assert!((ours - factor).abs() < 5e-4, "{t}: {ours}");
        }
        assert_eq!(natural_factor(Celsius::new(36.0)), None);
    }

    /// Worked example of the reference sheet, 1.1: raw 520 µS/cm at 12.0 °C is 704.1 µS/cm.
    #[test]
    fn the_worked_example_of_natural_water() {
        let ours = 520.0 * natural_factor(Celsius::new(12.0)).expect("in range");
        assert!((ours - 704.1).abs() < 0.3, "{ours}");
    }

    /// Reference sheet, table of ultrapure compensation (IAPWS 1990 and limiting conductivities);
    /// tolerance 2 % or 0.003 µS/cm.
    #[test]
    fn pure_water_is_compensated_apart_from_its_salt() {
        for (raw, t, wanted) in [
            (0.06, 5.0, 0.126_6),
            (0.06, 20.0, 0.075_8),
            (0.1, 15.0, 0.142_1),
            (0.1, 30.0, 0.080_3),
            (0.25, 5.0, 0.435_4),
        ] {
            let ours = pure_at_25(Conductivity::new(raw), Celsius::new(t)).expect("possible").get();
            assert!((ours - wanted).abs() < 0.003f64.max(0.02 * wanted), "{raw} at {t}: {ours}");
        }
        assert_eq!(pure_at_25(Conductivity::new(0.01), Celsius::new(25.0)), None);
    }
}
