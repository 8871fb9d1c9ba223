//! Dissolved carbon dioxide: it conducts, reads as dissolved solids, loads the anion resin, and is
//! not held back by the membrane.
//!
//! Constants after Plummer & Busenberg, Geochim. Cosmochim. Acta 46 (1982) 1011 (from memory; equal
//! to PHREEQC's within 0.007 pH, `tests/reference/carbonic_acid_conductivity.csv`). Ideal solution
//! unless an ionic strength is given; then activity coefficients after Davies (1962), which lowers
//! the feed's carbon dioxide by 3 to 8 %. Range 0 to 50 °C, fresh water.

use super::conductivity::natural_factor;
use super::ions::{Ion, limiting, pkw};
use super::resin::CACO3_G_PER_EQ;
use crate::units::{Celsius, Conductivity, Tds};
use serde::{Deserialize, Serialize};
use std::sync::LazyLock;

/// Molar mass of carbon dioxide, g/mol.
const CO2_G_PER_MOL: f64 = 44.0095;
/// Molar mass of silica, g/mol.
const SIO2_G_PER_MOL: f64 = 60.084;

/// Equilibrium constants at one temperature.
#[derive(Clone, Copy, Debug)]
struct Constants {
    henry: f64,
    first: f64,
    second: f64,
    water: f64,
}

impl Constants {
    fn at(at: Celsius) -> Option<Self> {
        if !(0.0..=50.0).contains(&at.get()) {
            return None;
        }
        let t = at.get() + 273.15;
        let log = t.log10();
        let henry =
            108.3865 + 0.019_850_76 * t - 6919.53 / t - 40.451_54 * log + 669_365.0 / (t * t);
        let first =
            -356.3094 - 0.060_919_64 * t + 21_834.37 / t + 126.8339 * log - 1_684_915.0 / (t * t);
        let second =
            -107.8871 - 0.032_528_49 * t + 5151.79 / t + 38.925_61 * log - 563_713.9 / (t * t);
        Some(Self {
            henry: 10f64.powf(henry),
            first: 10f64.powf(first),
            second: 10f64.powf(second),
            water: 10f64.powf(-pkw(at)?),
        })
    }
}

/// Water with carbon dioxide and nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Carbonated {
    /// pH.
    pub ph: f64,
    /// Dissolved carbon dioxide (with carbonic acid), mmol/L.
    pub gas: f64,
    /// Bicarbonate, mmol/L.
    pub bicarbonate: f64,
    /// Conductivity at the water's temperature, µS/cm, with the water's own ions.
    pub conductivity: f64,
}

impl Carbonated {
    fn new(c: &Constants, h: f64, gas: f64, at: Celsius) -> Option<Self> {
        let bicarbonate = c.first * gas / h;
        let conductivity = 1e3
            * (h * limiting(Ion::Hydrogen, at)?
                + bicarbonate * limiting(Ion::Bicarbonate, at)?
                + c.water / h * limiting(Ion::Hydroxide, at)?);
        Some(Self { ph: -h.log10(), gas: 1e3 * gas, bicarbonate: 1e3 * bicarbonate, conductivity })
    }
}

/// Pure water in equilibrium with air of this much carbon dioxide (ppm by volume, at 1 atm): what an
/// open container comes to within hours, without any contamination.
pub fn open_to_air(at: Celsius, air_ppm: f64) -> Option<Carbonated> {
    let c = Constants::at(at)?;
    if air_ppm < 0.0 {
        return None;
    }
    let gas = c.henry * air_ppm * 1e-6;
    let mut h = (c.first * gas + c.water).sqrt();
    for _ in 0..60 {
        h = (c.water + c.first * gas + 2.0 * c.first * c.second * gas / h).sqrt();
    }
    Carbonated::new(&c, h, gas, at)
}

/// Closed water with `total` mmol/L of carbon dioxide and nothing else: what leaves a bed that holds
/// the salts and lets the gas through.
pub fn closed(at: Celsius, total: f64) -> Option<Carbonated> {
    let c = Constants::at(at)?;
    if total < 0.0 {
        return None;
    }
    let total = total / 1e3;
    let h = acidity(&c, 0.0, total);
    let gas = total * h * h / (h * h + c.first * h + c.first * c.second);
    Carbonated::new(&c, h, gas, at)
}

/// Hydrogen ion concentration from alkalinity (eq/L) and total carbonate (mol/L), by bisection.
fn acidity(c: &Constants, alkalinity: f64, total: f64) -> f64 {
    let (mut low, mut high) = (1e-11f64, 1e-2f64);
    for _ in 0..80 {
        let h = (low * high).sqrt();
        let below = h * h + c.first * h + c.first * c.second;
        let charge = total * (c.first * h + 2.0 * c.first * c.second) / below + c.water / h - h;
        if alkalinity - charge > 0.0 {
            high = h;
        } else {
            low = h;
        }
    }
    (low * high).sqrt()
}

/// The tap's carbonate, from a tap analysis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct FeedCarbonate {
    /// Carbon dioxide, mmol/L. All of it passes the membrane.
    pub gas: f64,
    /// Bicarbonate, mmol/L.
    pub bicarbonate: f64,
}

impl FeedCarbonate {
    /// From alkalinity (mg/L as CaCO3) and pH. `ionic_strength` in mol/L, about 1.6e-5 times the
    /// conductivity in µS/cm; 0 for an ideal solution. `None` outside 0 to 50 °C, pH 4.5 to 10, or
    /// for a negative alkalinity.
    pub fn from_analysis(
        at: Celsius,
        alkalinity: f64,
        ph: f64,
        ionic_strength: f64,
    ) -> Option<Self> {
        let c = Constants::at(at)?;
        if !(4.5..=10.0).contains(&ph) || alkalinity < 0.0 || ionic_strength < 0.0 {
            return None;
        }
        let h = 10f64.powf(-ph);
        let activity = davies(ionic_strength);
        let alkalinity = alkalinity / CACO3_G_PER_EQ / 1000.0;
        // pH is an activity; the second dissociation matters little below pH 9.
        let second = c.second / activity.powi(3);
        let bicarbonate =
            (alkalinity - c.water / h / activity + h / activity) / (1.0 + 2.0 * second / h);
        if bicarbonate < 0.0 {
            return None;
        }
        Some(Self {
            gas: 1e3 * bicarbonate * activity * h / c.first,
            bicarbonate: 1e3 * bicarbonate,
        })
    }

    /// Carbon dioxide in mg/L.
    pub fn gas_mg_per_litre(&self) -> f64 {
        self.gas * CO2_G_PER_MOL
    }
}

/// Activity coefficient of an ion of charge 1 (Davies, Ion Association, 1962).
fn davies(ionic_strength: f64) -> f64 {
    let root = ionic_strength.sqrt();
    10f64.powf(-0.509 * (root / (1.0 + root) - 0.3 * ionic_strength))
}

/// Carbon dioxide in mmol/L of water with this alkalinity (mg/L as CaCO3) and pH at the temperature of
/// the water: colder water holds more of it at the same pH (a quarter more at 12 C than at 25). Ideal
/// solution; 0 outside of what [`FeedCarbonate::from_analysis`] takes.
pub fn from_tap(at: Celsius, alkalinity: f64, ph: f64) -> f64 {
    FeedCarbonate::from_analysis(at, alkalinity, ph, 0.0).map_or(0.0, |feed| feed.gas.max(0.0))
}

/// What loads the anion side of the resin behind a membrane, meq/L.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AnionLoad {
    /// Anions of strong acids.
    pub strong: f64,
    /// Bicarbonate that passes the membrane.
    pub bicarbonate: f64,
    /// Carbon dioxide, one equivalent each.
    pub gas: f64,
    /// Silica, one equivalent each.
    pub silica: f64,
    /// pH of the permeate.
    pub permeate_ph: f64,
}

impl AnionLoad {
    /// From the feed's carbonate, the membrane's passage for bicarbonate (0 to 1), strong anions of
    /// the permeate in meq/L and its silica in mg/L.
    pub fn behind_membrane(
        at: Celsius,
        feed: FeedCarbonate,
        alkalinity: f64,
        passage: f64,
        strong: f64,
        silica_mg: f64,
    ) -> Option<Self> {
        let c = Constants::at(at)?;
        let bicarbonate = alkalinity / CACO3_G_PER_EQ * passage;
        let total = (feed.gas + bicarbonate) / 1e3;
        let h = acidity(&c, bicarbonate / 1e3, total);
        Some(Self {
            strong,
            bicarbonate,
            gas: feed.gas,
            silica: silica_mg / SIO2_G_PER_MOL,
            permeate_ph: -h.log10(),
        })
    }

    /// All of it.
    pub fn total(&self) -> f64 {
        self.strong + self.bicarbonate + self.gas + self.silica
    }

    /// What the probe does not see.
    pub fn invisible(&self) -> f64 {
        self.gas + self.silica
    }

    /// Share that conducts; 1 without any load.
    pub fn visible_share(&self) -> f64 {
        let total = self.total();
        if total > 0.0 { (self.strong + self.bicarbonate) / total } else { 1.0 }
    }
}

/// What a probe behind the bed shows when the bed holds the salts and lets the carbon dioxide
/// through: the plateau to expect, on the scale `ppm_factor`, for a probe that compensates like
/// natural water. `gas` in mmol/L.
pub fn plateau(at: Celsius, gas: f64, ppm_factor: f64) -> Option<Tds> {
    let water = closed(at, gas)?;
    let shown = Conductivity::checked(water.conductivity * natural_factor(at)?)?;
    Some(shown.to_tds(ppm_factor))
}

/// What [`shown_as`] needs at 25 °C, once: it is asked for with every reading while gas passes. Equilibria, limiting
/// conductivities of acid with bicarbonate and of base without it, and the factor to what a probe shows.
static SHOWN_AT: LazyLock<Option<(Constants, f64, f64, f64)>> = LazyLock::new(|| {
    let at = Celsius::new(25.0);
    let acid = limiting(Ion::Hydrogen, at)? + limiting(Ion::Bicarbonate, at)?;
    let base = limiting(Ion::Hydroxide, at)? - limiting(Ion::Bicarbonate, at)?;
    Some((Constants::at(at)?, acid, base, natural_factor(at)?))
});

/// The inverse of [`plateau`] at 25 °C: carbon dioxide, mmol/L, in water that holds nothing else and shows
/// so many ppm; 0 for what pure water shows and less. Carbonate is left out (beside bicarbonate it is
/// nothing in such water), which makes the charge balance a quadratic in the acid.
pub fn shown_as(shown: Tds, ppm_factor: f64) -> Option<f64> {
    let (c, acid, base, natural) = (*SHOWN_AT)?;
    let us_cm = shown.get() / ppm_factor / natural;
    let root = (us_cm / 1e3).powi(2) - 4.0 * acid * base * c.water;
    let h = (us_cm / 1e3 + root.max(0.0).sqrt()) / (2.0 * acid);
    let bicarbonate = h - c.water / h;
    Some((1e3 * bicarbonate * (1.0 + h / c.first)).max(0.0)).filter(|gas| gas.is_finite())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of the reference sheet 1.4 (0.1 mmol/L shows 2.5 uS/cm), and back from every plateau.
    #[test]
    fn what_is_shown_tells_how_much_gas_there_is() {
        let shown = shown_as(Tds::new(1.25), 0.5).expect("in range");
        assert!((shown - 0.1).abs() < 0.005, "{shown}");
        for gas in [0.001, 0.01, 0.05, 0.142, 0.5, 1.0] {
            let ppm = plateau(Celsius::new(25.0), gas, 0.5).expect("in range");
            let back = shown_as(ppm, 0.5).expect("in range");
            assert!((back / gas - 1.0).abs() < 2e-3, "{gas}: {ppm:?} {back}");
        }
        assert!(shown_as(Tds::new(0.0), 0.5).is_some_and(|gas| gas.abs() < 1e-6));
        assert!(shown_as(Tds::new(0.02), 0.5).is_some_and(|gas| gas < 1e-3));
    }

    /// Worked examples of the reference sheet 1.4 and 5.3.
    #[test]
    fn the_worked_examples() {
        let t = Celsius::new(25.0);
        let closed = closed(t, 0.1).expect("in range");
        assert!((closed.ph - 5.19).abs() < 0.01, "{closed:?}");
        assert!((closed.conductivity - 2.5).abs() < 0.05, "{closed:?}");
        let shown = plateau(t, 0.1, 0.5).expect("in range").get();
        assert!((shown - 1.3).abs() < 0.05, "{shown}");
        let feed = FeedCarbonate::from_analysis(t, 100.0, 7.5, 0.0).expect("in range");
        assert!((feed.gas - 0.142).abs() < 0.001, "{feed:?}");
        assert!((feed.gas_mg_per_litre() - 6.2).abs() < 0.1);
    }

    #[test]
    fn activity_lowers_the_gas_by_a_few_per_cent() {
        let t = Celsius::new(25.0);
        let ideal = FeedCarbonate::from_analysis(t, 100.0, 7.5, 0.0).expect("in range").gas;
        let real = FeedCarbonate::from_analysis(t, 100.0, 7.5, 0.005).expect("in range").gas;
        assert!((0.92..0.97).contains(&(real / ideal)), "{}", real / ideal);
    }

    /// pK1 6.352 at 25 and 6.464 at 10 C (Plummer & Busenberg 1982, table of their constants, from
    /// memory): 10^0.112 is 1.29.
    #[test]
    fn cold_water_holds_more_gas_at_the_same_ph() {
        let warm = from_tap(Celsius::new(25.0), 100.0, 7.5);
        let cold = from_tap(Celsius::new(10.0), 100.0, 7.5);
        assert!((cold / warm - 1.29).abs() < 0.02, "{}", cold / warm);
        assert_eq!(from_tap(Celsius::new(25.0), 100.0, 14.0), 0.0);
    }

    #[test]
    fn impossible_analyses_are_refused() {
        let t = Celsius::new(25.0);
        assert!(FeedCarbonate::from_analysis(t, -1.0, 7.5, 0.0).is_none());
        assert!(FeedCarbonate::from_analysis(t, 100.0, 14.0, 0.0).is_none());
        assert!(open_to_air(Celsius::new(80.0), 420.0).is_none());
        assert!(super::closed(t, -0.1).is_none());
    }
}
