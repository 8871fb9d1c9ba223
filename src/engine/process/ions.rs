//! Limiting conductivities of the ions that matter, ion product and conductivity of pure water.
//!
//! Sources: Robinson & Stokes, Electrolyte Solutions, appendix 6 (from memory; sodium chloride from
//! them agrees with PSS-78 to 0.5 %); IAPWS 2007 release on the ionization constant of water; IAPWS
//! 1990 guideline on the electrolytic conductivity of water. Checked in
//! `tests/reference/pure_water_conductivity.csv`. Away from 25 °C two published routes to pure water
//! differ by 3 %: nothing here is better than that.

use super::water::density;
use crate::units::Celsius;

/// An ion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ion {
    /// H⁺
    Hydrogen,
    /// OH⁻
    Hydroxide,
    /// HCO₃⁻; 44.5 at 25 °C, temperature course of chloride.
    Bicarbonate,
    /// Na⁺
    Sodium,
    /// K⁺
    Potassium,
    /// Cl⁻
    Chloride,
}

type Nodes = &'static [(f64, f64)];

const SODIUM: Nodes = &[
    (0.0, 26.5),
    (5.0, 30.3),
    (15.0, 39.7),
    (18.0, 42.8),
    (25.0, 50.10),
    (35.0, 61.5),
    (45.0, 73.7),
    (55.0, 86.8),
];
const CHLORIDE: Nodes = &[
    (0.0, 41.0),
    (5.0, 47.5),
    (15.0, 61.4),
    (18.0, 66.0),
    (25.0, 76.35),
    (35.0, 92.2),
    (45.0, 108.9),
    (55.0, 126.4),
];
const POTASSIUM: Nodes = &[
    (0.0, 40.7),
    (5.0, 46.7),
    (15.0, 59.6),
    (18.0, 63.9),
    (25.0, 73.50),
    (35.0, 88.2),
    (45.0, 103.5),
    (55.0, 119.2),
];
const HYDROGEN: Nodes = &[
    (0.0, 225.0),
    (5.0, 250.1),
    (15.0, 300.6),
    (18.0, 315.0),
    (25.0, 349.8),
    (35.0, 397.0),
    (45.0, 441.4),
    (55.0, 483.1),
];
const HYDROXIDE: Nodes = &[
    (0.0, 105.0),
    (15.0, 165.9),
    (18.0, 175.8),
    (25.0, 198.3),
    (35.0, 233.0),
    (45.0, 267.2),
    (55.0, 301.4),
];

/// Limiting conductivity in S cm²/mol between 0 and 55 °C. `None` outside.
pub fn limiting(ion: Ion, at: Celsius) -> Option<f64> {
    let t = at.get();
    if !(0.0..=55.0).contains(&t) {
        return None;
    }
    Some(match ion {
        Ion::Hydrogen => monotone(HYDROGEN, t),
        Ion::Hydroxide => monotone(HYDROXIDE, t),
        Ion::Sodium => monotone(SODIUM, t),
        Ion::Potassium => monotone(POTASSIUM, t),
        Ion::Chloride => monotone(CHLORIDE, t),
        Ion::Bicarbonate => 44.5 * monotone(CHLORIDE, t) / 76.35,
    })
}

/// Negative logarithm of the ion product of water, (mol/kg)², between 0 and 100 °C at normal
/// pressure. IAPWS 2007 (Bandura & Lvov, J. Phys. Chem. Ref. Data 35 (2006) 15).
pub fn pkw(at: Celsius) -> Option<f64> {
    let t = at.get() + 273.15;
    let rho = density(at)? / 1000.0;
    const N: f64 = 6.0;
    const WATER_KG_PER_MOL: f64 = 0.018_015_268;
    let q = rho * (-0.864_671 + 8659.19 / t - 22_786.2 / (t * t) * rho.powf(2.0 / 3.0)).exp();
    let ideal = 0.614_15 + 48_251.33 / t - 67_707.93 / (t * t) + 10_102_100.0 / (t * t * t);
    let cluster =
        (1.0 + q).log10() - q / (q + 1.0) * rho * (0.642_044 - 56.8534 / t - 0.375_754 * rho);
    Some(-2.0 * N * cluster + ideal + 2.0 * WATER_KG_PER_MOL.log10())
}

/// Conductivity of pure water in µS/cm between 0 and 100 °C at normal pressure: IAPWS 1990, with the
/// ion product that guideline takes (Marshall & Franck, J. Phys. Chem. Ref. Data 10 (1981) 295).
pub fn pure_water(at: Celsius) -> Option<f64> {
    let t = at.get();
    let rho = density(at)? / 1000.0;
    let k = t + 273.15;
    let log_kw = -4.098 - 3245.2 / k + 2.2362e5 / (k * k) - 3.984e7 / (k * k * k)
        + (13.957 - 1262.3 / k + 8.5641e5 / (k * k)) * rho.log10();
    let kw = 10f64.powf(log_kw);
    let limit = 1850.0
        - 1.0
            / (1.0 / 1410.0
                + t * (2.164_17e-6 + t * (1.816_09e-7 + t * (-1.752_97e-9 + t * 7.207_08e-12))));
    let reach = 16.0 - 1.0 / (1.0 / 11.6 + t * (3.26e-4 + t * (-2.3e-6 + t * 1.1e-8)));
    let conductivity = (reach - rho) * limit / reach;
    // S/m for mol/kg and g/cm³, then µS/cm.
    Some(1e-3 * 100.0 * 1e4 * conductivity * kw.sqrt() * rho)
}

/// Conductivity of very dilute sodium chloride at `at` over that at 25 °C.
pub fn sodium_chloride_ratio(at: Celsius) -> Option<f64> {
    let sum = |t| Some(limiting(Ion::Sodium, t)? + limiting(Ion::Chloride, t)?);
    Some(sum(at)? / sum(Celsius::new(25.0))?)
}

/// Conductivity of very dilute potassium chloride at `at` over that at 25 °C: what a raw probe must
/// read in a calibration standard.
pub fn potassium_chloride_ratio(at: Celsius) -> Option<f64> {
    let sum = |t| Some(limiting(Ion::Potassium, t)? + limiting(Ion::Chloride, t)?);
    Some(sum(at)? / sum(Celsius::new(25.0))?)
}

/// Monotone cubic interpolation (Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300).
fn monotone(nodes: Nodes, x: f64) -> f64 {
    let last = nodes.len() - 2;
    let i = nodes.iter().rposition(|node| node.0 <= x).unwrap_or(0).min(last);
    let width = |i: usize| nodes[i + 1].0 - nodes[i].0;
    let slope = |i: usize| (nodes[i + 1].1 - nodes[i].1) / width(i);
    let at_end = |h0: f64, h1: f64, d0: f64, d1: f64| {
        let d = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
        if d * d0 <= 0.0 { 0.0 } else { d }
    };
    let derivative = |i: usize| -> f64 {
        if i == 0 {
            return at_end(width(0), width(1), slope(0), slope(1));
        }
        if i > last {
            return at_end(width(last), width(last - 1), slope(last), slope(last - 1));
        }
        let (d0, d1) = (slope(i - 1), slope(i));
        if d0 * d1 <= 0.0 {
            return 0.0;
        }
        let (w0, w1) = (2.0 * width(i) + width(i - 1), width(i) + 2.0 * width(i - 1));
        (w0 + w1) / (w0 / d0 + w1 / d1)
    };
    let h = width(i);
    let s = (x - nodes[i].0) / h;
    let (s2, s3) = (s * s, s * s * s);
    (2.0 * s3 - 3.0 * s2 + 1.0) * nodes[i].1
        + (s3 - 2.0 * s2 + s) * h * derivative(i)
        + (3.0 * s2 - 2.0 * s3) * nodes[i + 1].1
        + (s3 - s2) * h * derivative(i + 1)
}
