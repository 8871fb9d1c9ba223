//! Conductivity at 25 °C from what a probe reports, and what a figure in ppm is worth.
//!
//! Sources: ISO 7888:1985 (= EN 27888:1993) for natural water, from the factor table as reprinted in
//! two instrument manuals; limiting ionic conductivities for sodium chloride; for nearly pure water
//! the principle of ASTM D1125 and D5391: take the water's own ions off, compensate the salt, put
//! them back (equation own, reference sheet 1.2).
//!
//! Invariants: a probe that compensates itself is not compensated again; a raw reading below that of
//! pure water is refused, never turned into negative salt; a 1-ppm probe has no resistivity.

use super::ions::{pure_water, sodium_chloride_ratio};
use crate::settings::schema::Compensation;
use crate::units::{Celsius, Conductivity, Tds};
use serde::{Deserialize, Serialize};

/// Factors to 25 °C for whole degrees from 0, ISO 7888:1985.
const NATURAL: [f64; 36] = [
    1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467, 1.428, 1.390, 1.354,
    1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141, 1.116, 1.091, 1.067, 1.044, 1.021, 1.000,
    0.979, 0.959, 0.940, 0.921, 0.903, 0.886, 0.869, 0.853, 0.837, 0.822,
];
/// To refer to 20 °C divide the factor to 25 °C by this (ISO 7888).
const TWENTY: f64 = 1.116;
/// Coarsest display that may show resistivity, µS/cm.
const RESISTIVITY_STEP_MAX: f64 = 0.01;

/// Why a raw reading cannot be compensated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum NoCompensation {
    /// The temperature lies outside the range of the method (0 to 35.9 °C, pure water 0 to 55 °C).
    Temperature,
    /// The reading lies below that of pure water: the probe is wrong.
    BelowPureWater,
}

/// Natural water, `kappa_25 = f25 kappa_t`, for about 60 to 1000 µS/cm. Cubic interpolation of the
/// whole degrees reproduces the printed tenths to 0.0005. `None` outside 0 to 35.9 °C.
pub fn natural_factor(at: Celsius) -> Option<f64> {
    let t = at.get();
    if !(0.0..=35.9).contains(&t) {
        return None;
    }
    let from = (t.floor() as usize).saturating_sub(1).min(NATURAL.len() - 4);
    let x = t - from as f64;
    let y = &NATURAL[from..from + 4];
    // Lagrange's polynomial through four neighbours.
    Some(
        -y[0] * (x - 1.0) * (x - 2.0) * (x - 3.0) / 6.0 + y[1] * x * (x - 2.0) * (x - 3.0) / 2.0
            - y[2] * x * (x - 1.0) * (x - 3.0) / 2.0
            + y[3] * x * (x - 1.0) * (x - 2.0) / 6.0,
    )
}

/// Natural water referred to 20 °C.
pub fn natural_factor_20(at: Celsius) -> Option<f64> {
    Some(natural_factor(at)? / TWENTY)
}

/// Linear compensation `1/(1 + a (t - 25))`, a 0.0191 to 0.022 for each degree; good within 10 K of
/// 25 °C only. `None` where the denominator is not positive.
pub fn linear_factor(at: Celsius, per_degree: f64) -> Option<f64> {
    let below = 1.0 + per_degree * (at.get() - 25.0);
    (below > 0.0).then(|| 1.0 / below)
}

/// Sodium chloride, very dilute. `None` outside 0 to 55 °C.
pub fn sodium_chloride_factor(at: Celsius) -> Option<f64> {
    Some(1.0 / sodium_chloride_ratio(at)?)
}

/// Nearly pure water: the water's own ions and the salt compensated apart.
///
/// # Errors
/// [`NoCompensation`].
pub fn pure_to_25(raw: f64, at: Celsius) -> Result<Conductivity, NoCompensation> {
    let own = pure_water(at).ok_or(NoCompensation::Temperature)?;
    let ratio = sodium_chloride_ratio(at).ok_or(NoCompensation::Temperature)?;
    let at_25 = pure_water(Celsius::new(25.0)).ok_or(NoCompensation::Temperature)?;
    // Two published routes to pure water differ by up to 4 %: only below that is the probe wrong.
    if raw < 0.96 * own {
        return Err(NoCompensation::BelowPureWater);
    }
    let salt = (raw - own).max(0.0) / ratio;
    Conductivity::checked(at_25 + salt).ok_or(NoCompensation::Temperature)
}

/// What a probe's reading in µS/cm means at 25 °C, by the kind of probe that was declared.
///
/// # Errors
/// [`NoCompensation`]; a raw probe without a temperature is [`NoCompensation::Temperature`].
pub fn to_25(
    reading: f64,
    at: Option<Celsius>,
    kind: Compensation,
) -> Result<Conductivity, NoCompensation> {
    match kind {
        Compensation::Compensated => {
            Conductivity::checked(reading).ok_or(NoCompensation::Temperature)
        }
        Compensation::Raw => {
            let factor = at.and_then(natural_factor).ok_or(NoCompensation::Temperature)?;
            Conductivity::checked(reading * factor).ok_or(NoCompensation::Temperature)
        }
        Compensation::RawPure => pure_to_25(reading, at.ok_or(NoCompensation::Temperature)?),
    }
}

/// Resistivity in MΩ·cm. `None` at zero and for a display coarser than 0.01 µS/cm, which cannot
/// express it.
pub fn resistivity(at_25: Conductivity, step: Conductivity) -> Option<f64> {
    (at_25.get() > 0.0 && step.get() <= RESISTIVITY_STEP_MAX).then(|| 1.0 / at_25.get())
}

/// Conductivity from resistivity in MΩ·cm. `None` below or at zero.
pub fn from_resistivity(mohm_cm: f64) -> Option<Conductivity> {
    (mohm_cm > 0.0).then(|| Conductivity::checked(1.0 / mohm_cm)).flatten()
}

/// A ppm figure of one scale on another.
pub fn rescale(reading: Tds, from_factor: f64, to_factor: f64) -> Option<Tds> {
    (from_factor > 0.0 && to_factor > 0.0)
        .then(|| Tds::checked(reading.get() / from_factor * to_factor))
        .flatten()
}

/// Conductivity at 25 °C of `mg_per_litre` of sodium chloride in µS/cm, the water's own ions
/// included, up to 800 mg/L.
///
/// Shedlovsky's extension of the limiting law (J. Am. Chem. Soc. 54 (1932) 1405), constants 126.45,
/// 60.20, 0.229, 149.8 (from memory; within 1.5 % of PHREEQC). `None` outside 0 to 800 mg/L.
pub fn sodium_chloride(mg_per_litre: f64) -> Option<Conductivity> {
    if !(0.0..=800.0).contains(&mg_per_litre) {
        return None;
    }
    let c = mg_per_litre / 58_442.77;
    let root = c.sqrt();
    let molar = 126.45 - (60.20 + 0.229 * 126.45) * root + 149.8 * c * (1.0 - 0.229 * root);
    Conductivity::checked(1000.0 * molar * c + pure_water(Celsius::new(25.0))?)
}

/// What a probe seems to do about temperature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SeenCompensation {
    /// No dependence on temperature.
    Compensated,
    /// About 2 % for each degree.
    Raw,
    /// About 2 % the other way: compensated twice.
    Twice,
    /// The readings do not show it.
    CannotTell,
}

/// Judges a probe by its readings of a constant water at several temperatures: slope of the
/// logarithm against temperature. Needs ten readings over 5 K.
pub fn seen_compensation(points: &[(Celsius, f64)]) -> SeenCompensation {
    let usable: Vec<(f64, f64)> =
        points.iter().filter(|p| p.1 > 0.0).map(|p| (p.0.get(), p.1.ln())).collect();
    let n = usable.len() as f64;
    let low = usable.iter().map(|p| p.0).fold(f64::MAX, f64::min);
    let high = usable.iter().map(|p| p.0).fold(f64::MIN, f64::max);
    if usable.len() < 10 || high - low < 5.0 {
        return SeenCompensation::CannotTell;
    }
    let (mx, my) =
        (usable.iter().map(|p| p.0).sum::<f64>() / n, usable.iter().map(|p| p.1).sum::<f64>() / n);
    let square: f64 = usable.iter().map(|p| (p.0 - mx).powi(2)).sum();
    let slope = usable.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>() / square;
    let rest: f64 = usable.iter().map(|p| (p.1 - my - slope * (p.0 - mx)).powi(2)).sum();
    let u = (rest / (n - 2.0) / square).sqrt();
    let near = |wanted: f64| (slope - wanted).abs() < 0.006 + 2.0 * u;
    match (near(0.0), near(0.02), near(-0.02)) {
        (true, false, false) => SeenCompensation::Compensated,
        (false, true, false) => SeenCompensation::Raw,
        (false, false, true) => SeenCompensation::Twice,
        _ => SeenCompensation::CannotTell,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked example of the reference sheet 1.1: raw 520 µS/cm at 12.0 °C.
    #[test]
    fn raw_readings_of_the_worked_example() {
        let t = Celsius::new(12.0);
        let natural = to_25(520.0, Some(t), Compensation::Raw).expect("in range").get();
        assert!((natural - 704.1).abs() < 0.1, "{natural}");
        assert!((520.0 * linear_factor(t, 0.02).expect("positive") - 702.7).abs() < 0.1);
        assert!((520.0 * sodium_chloride_factor(t).expect("in range") - 700.9).abs() < 1.0);
        assert_eq!(to_25(520.0, None, Compensation::Raw), Err(NoCompensation::Temperature));
        assert_eq!(to_25(520.0, None, Compensation::Compensated), Ok(Conductivity::new(520.0)));
    }

    /// Worked example of the reference sheet 1.3: one conductivity on three scales, and what mixing
    /// them does to the salt passage.
    #[test]
    fn scales_must_not_be_mixed() {
        let shown = |factor: f64| Conductivity::new(430.0).to_tds(factor).get();
        assert_eq!(
            (shown(0.5).round(), shown(0.64).round(), shown(0.7).round()),
            (215.0, 275.0, 301.0)
        );
        let permeate = rescale(Tds::new(10.75), 0.5, 0.7).expect("factors").get();
        assert!((permeate - 15.05).abs() < 1e-9);
        assert_eq!(rescale(Tds::new(1.0), 0.0, 0.5), None);
    }

    #[test]
    fn a_reading_below_pure_water_is_refused() {
        assert_eq!(pure_to_25(0.02, Celsius::new(25.0)), Err(NoCompensation::BelowPureWater));
    }

    #[test]
    fn a_coarse_probe_has_no_resistivity() {
        assert_eq!(resistivity(Conductivity::new(2.0), Conductivity::new(2.0)), None);
        let fine = resistivity(Conductivity::new(0.055), Conductivity::new(0.001));
        assert!((fine.expect("fine") - 18.18).abs() < 0.01);
        assert_eq!(from_resistivity(0.0), None);
    }

    #[test]
    fn compensation_is_seen_in_the_readings() {
        let readings = |slope: f64| -> Vec<(Celsius, f64)> {
            (0..20)
                .map(|i| {
                    let t = 10.0 + 0.5 * f64::from(i);
                    (Celsius::new(t), (400.0 * (slope * (t - 25.0)).exp()).round())
                })
                .collect()
        };
        assert_eq!(seen_compensation(&readings(0.0)), SeenCompensation::Compensated);
        assert_eq!(seen_compensation(&readings(0.02)), SeenCompensation::Raw);
        assert_eq!(seen_compensation(&readings(-0.02)), SeenCompensation::Twice);
        assert_eq!(seen_compensation(&readings(0.0)[..9]), SeenCompensation::CannotTell);
    }
}
