//! What is known of the tap's carbon dioxide before anybody measures it.
//!
//! Carbon dioxide passes the membrane in full and loads the anion resin with one equivalent each, often
//! with more than all salts of the permeate together (reference sheet 5.3). It follows from alkalinity
//! and pH: `[CO2] = alkalinity * 10^(pK1 - pH)`. Where nobody has told them,
//!
//! - the alkalinity follows from the conductivity of the feed: the equivalents of a natural water are
//!   about its conductivity in µS/cm over 100 (Standard Methods 1030 E, from memory), and bicarbonate is
//!   its main anion: two thirds in the mean river (Livingstone, US Geological Survey Professional Paper
//!   440-G, 1963, from memory: 58 of mg/L HCO3 beside 11 of sulphate and 8 of chloride), less in taps
//!   with salt or softened with acid; 0.55, good to a factor of 1.5;
//! - the pH of a public supply lies between the carbonic attack that a waterworks must not deliver and the
//!   scale that it does not want: 7.6, standard deviation 0.35 (judgement; EU directive 2020/2184 allows
//!   6.5 to 9.5, a well without treatment may be lower).
//!
//! Invariant: whatever is told narrows the spread and nothing widens it.

use super::carbon_dioxide;
use super::resin::CACO3_G_PER_EQ;
use crate::units::Celsius;
use serde::{Deserialize, Serialize};

/// Share of a tap's equivalents that is bicarbonate, and its ln-spread.
const BICARBONATE_SHARE: f64 = 0.55;
const BICARBONATE_SPREAD: f64 = 0.4;
/// µS/cm of a natural water for each meq/L of its cations.
const US_CM_PER_MEQ: f64 = 100.0;
/// Alkalinity where not even the conductivity of the feed is known, mg/L as CaCO3, and its ln-spread.
const ALKALINITY: f64 = 120.0;
const ALKALINITY_SPREAD: f64 = 0.7;
/// pH of a public supply, its standard deviation.
const PH: f64 = 7.6;
const PH_SPREAD: f64 = 0.35;
/// What a told alkalinity (ln) and a told pH are good to over the seasons: a drop test, a tenth in pH.
const TOLD_ALKALINITY_SPREAD: f64 = 0.1;
const TOLD_PH_SPREAD: f64 = 0.1;

/// What somebody or something has told of the tap.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Tap {
    /// Conductivity of the feed at 25 °C, µS/cm.
    pub us_cm: Option<f64>,
    /// mg/L as CaCO3.
    pub alkalinity: Option<f64>,
    /// pH.
    pub ph: Option<f64>,
}

/// Carbon dioxide that loads the resin.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct GasLoad {
    /// Half of all such taps have less, meq/L.
    pub middle: f64,
    /// Standard deviation of its logarithm.
    pub spread: f64,
}

impl Tap {
    /// Carbon dioxide of such a tap at the temperature of the water.
    pub fn gas(&self, at: Celsius) -> GasLoad {
        let (alkalinity, alkalinity_spread) = match (self.alkalinity, self.us_cm) {
            (Some(told), _) => (told, TOLD_ALKALINITY_SPREAD),
            (None, Some(us_cm)) if us_cm > 0.0 => {
                let meq = BICARBONATE_SHARE * us_cm / US_CM_PER_MEQ;
                (meq * CACO3_G_PER_EQ, BICARBONATE_SPREAD)
            }
            _ => (ALKALINITY, ALKALINITY_SPREAD),
        };
        let (ph, ph_spread) = match self.ph {
            Some(told) => (told, TOLD_PH_SPREAD),
            None => (PH, PH_SPREAD),
        };
        let spread = alkalinity_spread.hypot(std::f64::consts::LN_10 * ph_spread);
        GasLoad { middle: carbon_dioxide::from_tap(at, alkalinity, ph), spread }
    }

    /// Both were told.
    pub fn is_analysed(&self) -> bool {
        self.alkalinity.is_some() && self.ph.is_some()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reference sheet 5.3: 100 mg/L and pH 7.5 at 25 C hold 0.142 mmol/L.
    #[test]
    fn an_analysis_is_taken_at_its_word_and_each_part_of_it_narrows() {
        let at = Celsius::new(25.0);
        let unknown = Tap { us_cm: Some(364.0), ..Tap::default() };
        let hard = Tap { alkalinity: Some(100.0), ..unknown };
        let told = Tap { ph: Some(7.5), ..hard };
        assert!((told.gas(at).middle - 0.142).abs() < 0.001, "{:?}", told.gas(at));
        let spreads = [Tap::default(), unknown, hard, told].map(|tap| tap.gas(at).spread);
        assert!(spreads.windows(2).all(|pair| pair[0] > pair[1]), "{spreads:?}");
        assert!(told.is_analysed() && !hard.is_analysed());
    }

    /// 364 µS/cm are 2 meq/L of bicarbonate, 100 mg/L as CaCO3: the table of anion loads
    /// (`tests/reference/resin_anion_load.csv`) has 0.142 mmol/L at pH 7.5 and 0.0445 at 8.0.
    #[test]
    fn a_tap_that_nobody_analysed_has_what_usual_water_has() {
        let tap = Tap { us_cm: Some(364.0), ..Tap::default() };
        let gas = tap.gas(Celsius::new(25.0));
        assert!((0.0445..0.142).contains(&gas.middle), "{gas:?}");
        let low = gas.middle * (-1.645 * gas.spread).exp();
        let high = gas.middle * (1.645 * gas.spread).exp();
        // pH 7.0 and 8.0 with the same alkalinity lie well within nine in ten.
        assert!(low < 0.0445 && high > 0.4, "{low} {high}");
    }
}
