//! Salt water for a change: how much salt, what density, how long to heat.
//!
//! Practical salinity has no unit; reference salinity in g/kg is 35.16504/35 of it (TEOS-10 manual,
//! IOC 2010). Density and heat capacity by EOS-80 (UNESCO technical papers in marine science 44,
//! 1983), within 0.006 kg/m³ of TEOS-10 in the range of an aquarium; conductivity by PSS-78 with
//! Hill's extension below 2 (Hill et al., IEEE J. Ocean. Eng. 11 (1986) 109).
//!
//! Trap: bagged salt carries water of crystallisation, so 3 to 10 % more must be weighed (common
//! practice): calibrate with one's own salt.

use crate::engine::fit::least::bisect;
use crate::engine::process::water;
use crate::units::{Celsius, Litres};

/// Conductivity of seawater of practical salinity 35 at 15 °C (IPTS-68), mS/cm.
const STANDARD_MS_CM: f64 = 42.914;

/// Reference salinity in g/kg of a practical salinity.
pub fn reference_salinity(practical: f64) -> f64 {
    35.165_04 / 35.0 * practical
}

/// Density in kg/m³ of seawater of this practical salinity at normal pressure. `None` outside 0 to 42
/// and 0 to 40 °C.
pub fn density(practical: f64, at: Celsius) -> Option<f64> {
    if !in_range(practical, at) {
        return None;
    }
    // EOS-80 is written in the temperature scale of 1968.
    let t = 1.000_24 * at.get();
    let pure = 999.842_594
        + t * (6.793_952e-2
            + t * (-9.095_290e-3 + t * (1.001_685e-4 + t * (-1.120_083e-6 + t * 6.536_332e-9))));
    let a = 0.824_493 + t * (-4.0899e-3 + t * (7.6438e-5 + t * (-8.2467e-7 + t * 5.3875e-9)));
    let b = -5.724_66e-3 + t * (1.0227e-4 - t * 1.6546e-6);
    Some(pure + practical * (a + b * practical.sqrt() + 4.8314e-4 * practical))
}

/// Heat capacity in J/(kg K) (EOS-80). `None` outside 0 to 42 and 0 to 40 °C.
pub fn heat_capacity(practical: f64, at: Celsius) -> Option<f64> {
    if !in_range(practical, at) {
        return None;
    }
    let t = 1.000_24 * at.get();
    let pure =
        4217.4 + t * (-3.720_283 + t * (0.141_285_5 + t * (-2.654_387e-3 + t * 2.093_236e-5)));
    let a = -7.643_575 + t * (0.107_276_3 - t * 1.383_85e-3);
    let b = 0.177_038_3 + t * (-4.077_18e-3 + t * 5.148e-5);
    Some(pure + practical * (a + b * practical.sqrt()))
}

fn in_range(practical: f64, at: Celsius) -> bool {
    (0.0..=42.0).contains(&practical) && (0.0..=40.0).contains(&at.get())
}

/// Practical salinity of a conductivity in mS/cm at `at` (not compensated). `None` outside 0 to 42.
pub fn practical_salinity(ms_cm: f64, at: Celsius) -> Option<f64> {
    let t = 1.000_24 * at.get();
    let ratio = ms_cm / STANDARD_MS_CM / conductivity_ratio_35(t);
    if !(0.0..=2.0).contains(&ratio) {
        return None;
    }
    let salinity = salinity_of_ratio(ratio, t);
    (0.0..=42.0).contains(&salinity).then_some(salinity)
}

/// Conductivity in mS/cm of a practical salinity at `at`. `None` outside 0 to 42 and 0 to 40 °C.
pub fn conductivity(practical: f64, at: Celsius) -> Option<f64> {
    if !in_range(practical, at) {
        return None;
    }
    let t = 1.000_24 * at.get();
    let ratio = ratio_of_salinity(practical, t)?;
    Some(STANDARD_MS_CM * conductivity_ratio_35(t) * ratio)
}

/// Conductivity of salinity 35 at `t` over that at 15 °C.
fn conductivity_ratio_35(t: f64) -> f64 {
    0.676_609_7 + t * (2.005_64e-2 + t * (1.104_259e-4 + t * (-6.9698e-7 + t * 1.0031e-9)))
}

fn ratio_of_salinity(practical: f64, t: f64) -> Option<f64> {
    if practical == 0.0 {
        return Some(0.0);
    }
    bisect(0.0, 2.0, |ratio| salinity_of_ratio(ratio, t) - practical)
}

fn salinity_of_ratio(ratio: f64, t: f64) -> f64 {
    let plain = plain_salinity(ratio, t);
    if plain >= 2.0 {
        return plain;
    }
    // Hill's form, scaled so that it meets the main one at 2.
    let at_two = bisect(0.0, 0.2, |r| plain_salinity(r, t) - 2.0).unwrap_or(0.07);
    hill_salinity(ratio, t) * 2.0 / hill_salinity(at_two, t)
}

fn plain_salinity(ratio: f64, t: f64) -> f64 {
    const A: [f64; 6] = [0.0080, -0.1692, 25.3851, 14.0941, -7.0261, 2.7081];
    const B: [f64; 6] = [0.0005, -0.0056, -0.0066, -0.0375, 0.0636, -0.0144];
    let root = ratio.max(0.0).sqrt();
    let series = |c: &[f64; 6]| c.iter().rev().fold(0.0, |sum, c| sum * root + c);
    series(&A) + temperature_term(t) * series(&B)
}

fn hill_salinity(ratio: f64, t: f64) -> f64 {
    let (x, y) = (400.0 * ratio, 100.0 * ratio);
    plain_salinity(ratio, t)
        - 0.0080 / (1.0 + 1.5 * x + x * x)
        - 0.0005 * temperature_term(t) / (1.0 + y.sqrt() + y + y * y.sqrt())
}

fn temperature_term(t: f64) -> f64 {
    (t - 15.0) / (1.0 + 0.0162 * (t - 15.0))
}

/// A batch of salt water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Batch {
    /// Dry sea salt, g.
    pub salt_g: f64,
    /// Fresh water.
    pub water: Litres,
    /// Density of the mix, kg/m³.
    pub density: f64,
}

/// Salt and water for `volume` of a mix. `bag` is what must be weighed of the owner's salt for one
/// gram of dry sea salt, 1.0 to 1.3. `None` outside the range.
pub fn batch(practical: f64, at: Celsius, volume: Litres, bag: f64) -> Option<Batch> {
    if !(1.0..=1.3).contains(&bag) || volume.get() <= 0.0 {
        return None;
    }
    let density = density(practical, at)?;
    let share = reference_salinity(practical) / 1000.0;
    let mass = density * volume.get() / 1000.0;
    Some(Batch {
        salt_g: 1000.0 * mass * share * bag,
        water: Litres::checked(1000.0 * mass * (1.0 - share) / water::density(at)?)?,
        density,
    })
}

/// Specific gravity: density of the mix at `at` over that of pure water at `reference`. Both
/// temperatures belong to the figure.
pub fn specific_gravity(practical: f64, at: Celsius, reference: Celsius) -> Option<f64> {
    Some(density(practical, at)? / water::density(reference)?)
}

/// Minutes to heat a mix from `from` to `to` with `watts`, losing `loss` W for each degree above the
/// start. `None` when it is never reached.
pub fn heating_minutes(
    practical: f64,
    volume: Litres,
    from: Celsius,
    to: Celsius,
    watts: f64,
    loss: f64,
) -> Option<f64> {
    let rise = to.get() - from.get();
    if rise <= 0.0 {
        return Some(0.0);
    }
    let mass = density(practical, to)? * volume.get() / 1000.0;
    let capacity = mass * heat_capacity(practical, to)?;
    if watts <= loss * rise {
        return None;
    }
    let secs = if loss > 0.0 {
        capacity / loss * (watts / (watts - loss * rise)).ln()
    } else {
        capacity * rise / watts
    };
    Some(secs / 60.0)
}

/// Salinity after pure water has evaporated and was not replaced: `S V/(V - E)`. `None` when nothing
/// would be left.
pub fn after_evaporation(practical: f64, volume: Litres, lost: Litres) -> Option<f64> {
    let left = volume.get() - lost.get();
    (left > 0.0).then(|| practical * volume.get() / left)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked examples of the reference sheet 9.
    #[test]
    fn fifty_litres() {
        let t = Celsius::new(25.0);
        let batch = batch(35.0, t, Litres::new(50.0), 1.0).expect("in range");
        assert!((batch.salt_g - 1799.0).abs() < 1.0, "{batch:?}");
        assert!((batch.water.get() - 49.51).abs() < 0.01, "{batch:?}");
        let minutes = |loss: f64| {
            heating_minutes(35.0, Litres::new(50.0), Celsius::new(18.0), t, 150.0, loss)
        };
        assert!((minutes(0.0).expect("heats") - 159.0).abs() < 1.0, "{:?}", minutes(0.0));
        assert!((minutes(3.0).expect("heats") - 171.0).abs() < 1.0, "{:?}", minutes(3.0));
        assert_eq!(minutes(25.0), None);
        let salinity = after_evaporation(35.0, Litres::new(100.0), Litres::new(2.0));
        assert!((salinity.expect("left") - 35.7).abs() < 0.02);
    }

    #[test]
    fn salinity_and_conductivity_undo_each_other() {
        for practical in [0.3, 1.0, 1.99, 2.01, 10.0, 35.0] {
            let t = Celsius::new(22.0);
            let kappa = conductivity(practical, t).expect("in range");
            let back = practical_salinity(kappa, t).expect("in range");
            assert!((back - practical).abs() < 1e-9, "{practical} {back}");
        }
    }

    #[test]
    fn outside_the_range_there_is_no_figure() {
        assert_eq!(density(50.0, Celsius::new(25.0)), None);
        assert_eq!(batch(35.0, Celsius::new(25.0), Litres::new(50.0), 0.5), None);
    }
}
