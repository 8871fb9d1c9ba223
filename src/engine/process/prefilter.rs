//! Sediment filter and carbon.
//!
//! Pressure drop: `dp = R Q mu/mu25 + b Q²` (Darcy with minor losses, own derivation, reference sheet
//! 6.1): the cartridge's R grows, the fittings' b does not. Carbon: load is the oxidant in **all**
//! feed, not only in the permeate; capacity is rated litres times the challenge concentration
//! (NSF/ANSI 42: chlorine 2.0, chloramine 3.0 mg/L, from memory). Beyond twice the rated litres
//! nothing is promised: fines, biofilm, organics (own rule).

use super::water::relative_viscosity;
use crate::units::{Bar, Celsius, Litres, LitresPerMinute, Ratio};
use serde::{Deserialize, Serialize};

/// Carbon is never believed beyond this multiple of its rated litres.
const RATED_LITRES_MAX: f64 = 2.0;
/// A flow below this share of the reference flow says nothing about a filter.
const FLOW_SHARE_MIN: f64 = 0.2;

/// Resistance of a filter with its fittings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Resistance {
    /// Cartridge at 25 °C, bar for each L/min.
    pub cartridge: f64,
    /// Fittings and housing, bar for each (L/min)².
    pub fittings: f64,
}

impl Resistance {
    /// Pressure drop at a flow and temperature.
    pub fn drop_at(&self, flow: LitresPerMinute, at: Celsius) -> Option<Bar> {
        let q = flow.get();
        let mu = relative_viscosity(at)?;
        Bar::checked(self.cartridge * q * mu + self.fittings * q * q)
    }

    /// The cartridge's resistance behind a measured drop, with the fittings known. `None` without
    /// flow, outside 0 to 100 °C, or when the fittings alone would explain more than was measured.
    pub fn from_drop(drop: Bar, flow: LitresPerMinute, at: Celsius, fittings: f64) -> Option<Self> {
        let q = flow.get();
        let mu = relative_viscosity(at)?;
        let cartridge = (drop.get() - fittings * q * q) / (q * mu);
        (q > 0.0 && cartridge.is_finite() && cartridge > 0.0)
            .then_some(Self { cartridge, fittings })
    }

    /// Cartridge and fittings from two flows on a new cartridge (production and flush), each with its
    /// drop at the same temperature. `None` when the flows are closer than 1 to 1.3 or the result is
    /// not physical.
    pub fn from_two_flows(
        first: (LitresPerMinute, Bar),
        second: (LitresPerMinute, Bar),
        at: Celsius,
    ) -> Option<Self> {
        let mu = relative_viscosity(at)?;
        let (q1, q2) = (first.0.get(), second.0.get());
        if q1 <= 0.0 || q2 <= 0.0 || q1.max(q2) < 1.3 * q1.min(q2) {
            return None;
        }
        let (r1, r2) = (first.1.get() / q1, second.1.get() / q2);
        let fittings = (r2 - r1) / (q2 - q1);
        let cartridge = (r1 - fittings * q1) / mu;
        (cartridge > 0.0 && fittings >= 0.0).then_some(Self { cartridge, fittings })
    }

    /// How many times the resistance of the clean cartridge this is.
    pub fn ratio(&self, clean: &Self) -> Option<Ratio> {
        (clean.cartridge > 0.0).then(|| Ratio::checked(self.cartridge / clean.cartridge)).flatten()
    }

    /// Whether a flow is large enough to judge a filter by.
    pub fn flow_counts(flow: LitresPerMinute, reference: LitresPerMinute) -> bool {
        reference.get() > 0.0 && flow.get() >= FLOW_SHARE_MIN * reference.get()
    }
}

/// A carbon block's rating.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CarbonRating {
    /// Rated litres.
    pub litres: Litres,
    /// Oxidant in the rating, mg/L.
    pub challenge: f64,
}

/// Oxidant that a carbon block has met since it was fitted.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct CarbonLoad {
    litres: f64,
    oxidant_mg: f64,
}

impl CarbonLoad {
    /// Adds feed water with this much oxidant (mg/L).
    pub fn add(&mut self, feed: Litres, oxidant: f64) {
        self.litres += feed.get().max(0.0);
        self.oxidant_mg += feed.get().max(0.0) * oxidant.max(0.0);
    }

    /// Feed treated.
    pub fn litres(&self) -> Litres {
        Litres::new(self.litres)
    }

    /// Oxidant met, mg.
    pub fn oxidant(&self) -> f64 {
        self.oxidant_mg
    }

    /// Share of the rated oxidant capacity. `None` without a rating.
    pub fn used(&self, rating: CarbonRating) -> Option<Ratio> {
        let capacity = rating.litres.get() * rating.challenge;
        (capacity > 0.0).then(|| Ratio::checked(self.oxidant_mg / capacity)).flatten()
    }

    /// Feed litres that the oxidant capacity still allows at this concentration; negative beyond it.
    /// `None` without a rating or oxidant.
    pub fn remaining_by_oxidant(&self, rating: CarbonRating, oxidant: f64) -> Option<Litres> {
        let capacity = rating.litres.get() * rating.challenge;
        (capacity > 0.0 && oxidant > 0.0)
            .then(|| Litres::checked((capacity - self.oxidant_mg) / oxidant))
            .flatten()
    }

    /// Feed litres left, whichever ends first: the oxidant capacity or twice the rated litres; never
    /// negative.
    pub fn remaining(&self, rating: CarbonRating, oxidant: f64) -> Option<Litres> {
        let by_litres = RATED_LITRES_MAX * rating.litres.get() - self.litres;
        if rating.litres.get() <= 0.0 {
            return None;
        }
        let by_oxidant =
            self.remaining_by_oxidant(rating, oxidant).map_or(f64::INFINITY, Litres::get);
        Litres::checked(by_litres.min(by_oxidant).max(0.0))
    }
}

/// Empty-bed contact time in seconds: bed volume over flow. Below a minute plain carbon lets
/// chloramine through (common practice, no source). `None` without flow.
pub fn contact_seconds(bed: Litres, flow: LitresPerMinute) -> Option<f64> {
    (flow.get() > 0.0).then(|| 60.0 * bed.get() / flow.get())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn flow(x: f64) -> LitresPerMinute {
        LitresPerMinute::new(x)
    }

    /// Worked example of the reference sheet 6.1: 18 kPa at 1.6 L/min and 12 °C is fouled 1.88 times.
    #[test]
    fn cold_water_is_not_taken_for_dirt() {
        let clean = Resistance { cartridge: 0.04, fittings: 0.005 };
        let t = Celsius::new(12.0);
        let now = Resistance::from_drop(Bar::new(0.18), flow(1.6), t, 0.005).expect("flows");
        let ratio = now.ratio(&clean).expect("clean known").get();
        assert!((ratio - 1.88).abs() < 0.01, "{ratio}");
    }

    #[test]
    fn two_flows_on_a_new_cartridge_part_cartridge_and_fittings() {
        let truth = Resistance { cartridge: 0.04, fittings: 0.005 };
        let t = Celsius::new(15.0);
        let at = |q: f64| (flow(q), truth.drop_at(flow(q), t).expect("in range"));
        let found = Resistance::from_two_flows(at(0.7), at(1.6), t).expect("apart");
        assert!((found.cartridge - 0.04).abs() < 1e-9 && (found.fittings - 0.005).abs() < 1e-9);
        assert_eq!(Resistance::from_two_flows(at(1.0), at(1.1), t), None);
    }

    #[test]
    fn a_drop_that_the_fittings_explain_gives_no_resistance() {
        let t = Celsius::new(20.0);
        assert_eq!(Resistance::from_drop(Bar::new(0.01), flow(1.6), t, 0.005), None);
        assert!(!Resistance::flow_counts(flow(0.1), flow(0.6)));
    }

    #[test]
    fn weak_tap_water_does_not_make_carbon_eternal() {
        let rating = CarbonRating { litres: Litres::new(7571.0), challenge: 2.0 };
        let mut load = CarbonLoad::default();
        load.add(Litres::new(15_000.0), 0.1);
        assert!(load.used(rating).expect("rated").get() < 0.1);
        assert_eq!(load.remaining(rating, 0.1), Some(Litres::new(142.0)));
    }
}
