//! Load and account of a resin vessel.
//!
//! What conducts is seen by the probes: `meq/L = conductivity at 25 °C / (µS/cm per meq/L)`. What
//! does not, carbon dioxide and silica, loads the anion side as well and often as much (reference
//! sheet 5.2, 5.3): from alkalinity and pH, or from what is known of such taps (`gas_load.rs`).
//!
//! Invariants: an account only rises until its vessel is changed; it belongs to the vessel, wherever
//! the vessel stands; water that nobody watched is counted in the middle of what it may have been,
//! with its bounds kept beside it.

use super::capacity::{Capacity, Interval, Taken};
use crate::units::{Days, Equivalents, Litres, Milligrams, Tds};
use serde::{Deserialize, Serialize};

/// µS/cm per meq/L of a typical permeate: 110 to 120 for salts, 94 to 101 for bicarbonate
/// (`tests/reference/tds_factors.csv`, computed with PHREEQC).
pub const US_CM_PER_MEQ: f64 = 115.0;
/// Total load over visible load where nothing is known of carbon dioxide.
pub const TOTAL_OVER_VISIBLE: f64 = 2.0;
/// Grams of calcium carbonate in one equivalent.
pub const CACO3_G_PER_EQ: f64 = 50.043_45;
/// Grams of sodium chloride in one equivalent.
pub const NACL_G_PER_EQ: f64 = 58.442_77;
const GRAIN_MG: f64 = 64.798_91;
const CUBIC_FOOT_L: f64 = 28.316_846_592;
const US_GALLON_L: f64 = 3.785_411_784;

/// A load in milliequivalents for each litre.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// What conducts.
    pub visible: f64,
    /// What does not: carbon dioxide, silica.
    pub invisible: f64,
}

/// How the plant turns readings into loads.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Conversion {
    /// ppm per µS/cm of the readings.
    pub ppm_factor: f64,
    /// µS/cm per meq/L.
    pub us_cm_per_meq: f64,
    /// Invisible load in meq/L from alkalinity and pH; `None` where they are not known.
    pub invisible: Option<f64>,
}

impl Conversion {
    /// The usual permeate on a scale.
    pub fn typical(ppm_factor: f64, invisible: Option<f64>) -> Self {
        Self { ppm_factor, us_cm_per_meq: US_CM_PER_MEQ, invisible }
    }

    /// Equivalents that conduct, meq/L.
    pub fn visible(&self, reading: Tds) -> f64 {
        reading.get().max(0.0) / self.ppm_factor / self.us_cm_per_meq
    }

    /// Load of water with this reading before any resin.
    pub fn load(&self, reading: Tds) -> Load {
        let visible = self.visible(reading);
        let invisible = self.invisible.unwrap_or((TOTAL_OVER_VISIBLE - 1.0) * visible);
        Load { visible, invisible }
    }

    /// Load of water behind a vessel: what the probe there shows, and the share (0 to 1) of the carbon
    /// dioxide that the vessel lets through.
    pub fn load_behind(&self, reading: Tds, before: Load, gas_share: f64) -> Load {
        let visible = self.visible(reading).min(before.visible);
        Load { visible, invisible: gas_share.clamp(0.0, 1.0) * before.invisible }
    }

    /// meq of one mg on the meter's scale.
    pub fn meq_per_mg(&self) -> f64 {
        1.0 / self.ppm_factor / self.us_cm_per_meq
    }
}

impl Load {
    /// Both together, meq/L.
    pub fn total(&self) -> f64 {
        self.visible + self.invisible
    }
}

/// What one vessel has taken up since it was filled.
#[derive(Clone, Copy, Debug, PartialEq, Default, Serialize, Deserialize)]
pub struct Account {
    litres: f64,
    visible: f64,
    invisible: f64,
    visible_mg: f64,
    /// Half the width of what unwatched water may have brought, eq.
    unseen: f64,
}

impl Account {
    /// A new charge.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds water: what went in less what came out again, never less than nothing. `meq_per_mg`
    /// keeps the visible salt on the meter's scale as well.
    pub fn add(&mut self, water: Litres, inlet: Load, outlet: Load, meq_per_mg: f64) {
        let litres = water.get().max(0.0);
        let visible = (inlet.visible - outlet.visible).max(0.0) * litres;
        let invisible = (inlet.invisible - outlet.invisible).max(0.0) * litres;
        self.litres += litres;
        self.visible += visible / 1000.0;
        self.invisible += invisible / 1000.0;
        if meq_per_mg > 0.0 {
            self.visible_mg += visible / meq_per_mg;
        }
    }

    /// Adds carbonic acid in water that is counted already: it loads the resin as what conducts does (its
    /// salt was seen before it became acid) and is no salt of the meter's scale. meq/L.
    pub fn add_weak(&mut self, water: Litres, meq_per_litre: f64) {
        self.visible += water.get().max(0.0) * meq_per_litre.max(0.0) / 1000.0;
    }

    /// Adds water that nobody watched: between `least` and `most` litres of this load.
    pub fn add_unseen(&mut self, least: Litres, most: Litres, inlet: Load, meq_per_mg: f64) {
        let (least, most) = (least.get().max(0.0), most.get().max(least.get().max(0.0)));
        let middle = 0.5 * (least + most);
        self.add(Litres::new(middle), inlet, Load::default(), meq_per_mg);
        self.unseen += 0.5 * (most - least) * inlet.total() / 1000.0;
    }

    /// Salt that came beside the integral: a start whose first water was not sampled. mg on the
    /// meter's scale.
    pub fn add_salt(&mut self, salt: Milligrams, conversion: &Conversion) {
        let meq = salt.get().max(0.0) * conversion.meq_per_mg();
        self.visible += meq / 1000.0;
        self.visible_mg += salt.get().max(0.0);
        if conversion.invisible.is_none() {
            self.invisible += (TOTAL_OVER_VISIBLE - 1.0) * meq / 1000.0;
        }
    }

    /// What this one and another took up together; the water is this one's.
    #[must_use]
    pub fn with(&self, other: &Self) -> Self {
        Self {
            litres: self.litres,
            visible: self.visible + other.visible,
            invisible: self.invisible + other.invisible,
            visible_mg: self.visible_mg + other.visible_mg,
            unseen: self.unseen + other.unseen,
        }
    }

    /// This one's water with a share (0 to 1) of what `pool` took up: vessels that no probe tells apart.
    #[must_use]
    pub fn with_share_of(&self, pool: &Self, share: f64) -> Self {
        let share = share.clamp(0.0, 1.0);
        Self {
            litres: self.litres,
            visible: share * pool.visible,
            invisible: share * pool.invisible,
            visible_mg: share * pool.visible_mg,
            unseen: share * pool.unseen,
        }
    }

    /// Water treated.
    pub fn litres(&self) -> Litres {
        Litres::new(self.litres)
    }

    /// Taken up and seen by the probes.
    pub fn visible(&self) -> Equivalents {
        Equivalents::new(self.visible)
    }

    /// Taken up and not seen.
    pub fn invisible(&self) -> Equivalents {
        Equivalents::new(self.invisible)
    }

    /// Both, for the belief.
    pub fn taken(&self) -> Taken {
        Taken { visible: self.visible, invisible: self.invisible }
    }

    /// What was counted of carbon dioxide as one is worth `ratio`: the tap was analysed.
    pub fn recounted(&mut self, ratio: f64) {
        self.invisible *= ratio.max(0.0);
    }

    /// All that was taken up, as counted.
    pub fn used(&self) -> Equivalents {
        Equivalents::new(self.visible + self.invisible)
    }

    /// Half the width of what unwatched water leaves open.
    pub fn unseen(&self) -> Equivalents {
        Equivalents::new(self.unseen)
    }

    /// Visible salt on the meter's scale.
    pub fn visible_salt(&self) -> Milligrams {
        Milligrams::new(self.visible_mg)
    }

    /// Relative uncertainty of the count for [`Capacity::exhausted`]: `gain` of probe and meter with
    /// what unwatched water leaves open (taken as evenly spread).
    pub fn relative_u(&self, gain: f64) -> f64 {
        let used = self.visible + self.invisible;
        if used <= 0.0 { gain } else { gain.hypot(self.unseen / 3f64.sqrt() / used) }
    }
}

/// By how much the load of a coming season differs from the present one, as a relative standard
/// uncertainty: a tap that varies by a sixth, and salt that passes by 2 % more with each of 6 K, for which it
/// grows faster than the water (common practice, no source). It grows with the square root of the time ahead up to a season.
const SEASON_U: f64 = 0.2;
const SEASON_DAYS: f64 = 91.0;

/// What a vessel can still do.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Remaining {
    /// Litres at the present load, 90 % interval.
    pub litres: Interval,
    /// Days at the present use, 90 % interval; `None` without use.
    pub days: Option<Interval>,
}

/// Present load and use, for the forecast.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Use {
    /// What reaches the vessel in recent litres, starts included, less what leaves it.
    pub load: Load,
    /// Its relative standard uncertainty.
    pub load_u: f64,
    /// Litres a day, the median of the last two to four weeks.
    pub litres_per_day: Litres,
    /// Relative standard uncertainty of that.
    pub litres_u: f64,
}

impl Remaining {
    /// Forecast for litres of the present load that a charge is thought to treat
    /// ([`Charge::litres`](super::capacity::Charge::litres)).
    pub fn of(litres: Interval, present: Use) -> Option<Self> {
        // Beyond the present the load is that of another season.
        let per_day = present.litres_per_day.get();
        let ahead = if per_day > 0.0 { litres.middle / per_day } else { SEASON_DAYS };
        let season = SEASON_U * (ahead / SEASON_DAYS).clamp(0.0, 1.0).sqrt();
        let litres = litres.divided(1.0, present.load_u.hypot(season))?;
        let days = litres.divided(present.litres_per_day.get(), present.litres_u);
        Some(Self { litres, days })
    }

    /// Days that nine charges in ten will last at least: the figure to order by.
    pub fn days_to_order_by(&self) -> Option<Days> {
        let days = self.days?;
        if days.middle <= 0.0 {
            return Days::checked(0.0);
        }
        // 10 % lie below: 1.2816 of 1.6449 of the way down on the logarithmic scale.
        let share = (days.low / days.middle).max(1e-9).ln() * (1.281_55 / 1.644_85);
        Days::checked(days.middle * share.exp())
    }
}

/// Litres that a new charge treats at a permeate reading, with the 90 % interval. With known
/// chemistry the invisible part stays what it is; without, it grows with the visible one. `None` at
/// no load at all.
pub fn litres_per_charge(
    capacity: &Capacity,
    conversion: &Conversion,
    reading: Tds,
) -> Option<Interval> {
    capacity.charge(Taken::default()).litres(conversion.load(reading))
}

/// A capacity in the units in which it is quoted. Always say **as what**.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Quoted {
    /// Grams as calcium carbonate.
    pub g_caco3: f64,
    /// Grains as calcium carbonate.
    pub grains: f64,
    /// mg/L as calcium carbonate times US gallons.
    pub ppm_gallons: f64,
}

/// Converts a capacity to quoted units.
pub fn quoted(capacity: Equivalents) -> Quoted {
    let g_caco3 = capacity.get() * CACO3_G_PER_EQ;
    Quoted {
        g_caco3,
        grains: 1000.0 * g_caco3 / GRAIN_MG,
        ppm_gallons: 1000.0 * g_caco3 / US_GALLON_L,
    }
}

/// eq per litre of bed as kilograins (CaCO3) per cubic foot.
pub fn kilograins_per_cubic_foot(eq_per_litre: f64) -> f64 {
    eq_per_litre * CACO3_G_PER_EQ * CUBIC_FOOT_L / GRAIN_MG
}

/// What the usual rule promises: capacity as grams of NaCl over the reading on the 0.5 scale, no
/// carbon dioxide. An overestimate, kept to be able to say by how much. `None` at zero reading.
pub fn litres_by_nacl_rule(capacity: Equivalents, reading: Tds, ppm_factor: f64) -> Option<Litres> {
    let salt = capacity.get() * NACL_G_PER_EQ * 1000.0;
    (reading.get() > 0.0)
        .then(|| Litres::checked(salt * 2.0 * ppm_factor / reading.get()))
        .flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked example of the reference sheet 5.2: 8 ppm at 117 µS/cm per meq/L is 0.137 meq/L, hence
    /// 2413 L from 0.33 eq, and 1192 L with 0.14 meq/L of carbon dioxide.
    #[test]
    fn the_probe_does_not_see_half_the_load() {
        let mut conversion =
            Conversion { ppm_factor: 0.5, us_cm_per_meq: 117.0, invisible: Some(0.0) };
        let dry = conversion.load(Tds::new(8.0)).total();
        assert!((0.33 / dry * 1000.0 - 2413.0).abs() < 1.0, "{dry}");
        conversion.invisible = Some(0.14);
        let wet = conversion.load(Tds::new(8.0)).total();
        assert!((0.33 / wet * 1000.0 - 1192.0).abs() < 2.0, "{wet}");
    }

    #[test]
    fn an_account_counts_what_stays_and_keeps_bounds_for_what_nobody_saw() {
        let conversion = Conversion::typical(0.5, Some(0.1));
        let inlet = conversion.load(Tds::new(8.0));
        let mut account = Account::new();
        account.add(Litres::new(1000.0), inlet, Load::default(), conversion.meq_per_mg());
        assert!((account.visible_salt().get() - 8000.0).abs() < 1e-6);
        assert!((account.used().get() - inlet.total()).abs() < 1e-9);
        assert_eq!(account.unseen().get(), 0.0);
        account.add_unseen(Litres::new(0.0), Litres::new(100.0), inlet, conversion.meq_per_mg());
        assert!((account.litres().get() - 1050.0).abs() < 1e-9);
        assert!((account.unseen().get() - 0.05 * inlet.total()).abs() < 1e-9);
        assert!(account.relative_u(0.05) > 0.05);
    }

    #[test]
    fn a_spent_vessel_that_gives_back_takes_nothing_off_its_account() {
        let conversion = Conversion::typical(0.5, None);
        let mut account = Account::new();
        let inlet = conversion.load(Tds::new(2.0));
        account.add(Litres::new(10.0), inlet, conversion.load(Tds::new(5.0)), 0.0);
        assert_eq!(account.used().get(), 0.0);
        assert_eq!(account.litres().get(), 10.0);
    }

    #[test]
    fn litres_at_four_permeates_fall_with_the_reading_and_gas_rules_the_purest() {
        let capacity = Capacity::declared(Equivalents::new(0.3), 0.3, 0.25);
        let conversion = Conversion::typical(0.5, Some(0.14));
        let litres: Vec<f64> = [1.0, 3.0, 8.0, 25.0]
            .iter()
            .map(|&ppm| {
                litres_per_charge(&capacity, &conversion, Tds::new(ppm)).expect("load").middle
            })
            .collect();
        assert!(litres.windows(2).all(|w| w[0] > w[1]), "{litres:?}");
        // Eight times the salt is far from an eighth of the litres when gas is most of the load.
        assert!(litres[0] / litres[2] < 2.0, "{litres:?}");
    }

    /// What lasts for a season is known less well than what is spent within the week.
    #[test]
    fn a_forecast_is_as_wide_as_it_is_long() {
        let left = Interval { low: 90.0, middle: 100.0, high: 110.0 };
        let load = Load { visible: 0.08, invisible: 0.12 };
        let wide = |per_day: f64| {
            let litres_per_day = Litres::new(per_day);
            let present = Use { load, load_u: 0.05, litres_per_day, litres_u: 0.1 };
            let litres = Remaining::of(left, present).expect("a load").litres;
            assert_eq!(litres.middle, 100.0);
            (litres.high / litres.low).ln()
        };
        let (week, season, years) = (wide(20.0), wide(100.0 / 91.0), wide(0.1));
        assert!(week < 0.75 * season, "{week} and {season}");
        assert!((season - years).abs() < 1e-12, "a season is as far as that goes");
        // 10 % on each side, 5 and 20 % of load, in quadrature.
        let half = |x: f64| x.ln().abs().hypot(1.644_85 * 0.05_f64.hypot(0.2));
        assert!((season - half(0.9) - half(1.1)).abs() < 1e-3, "{season}");
    }

    #[test]
    fn the_forecast_orders_before_the_middle_and_after_the_worst() {
        let capacity = Capacity::declared(Equivalents::new(0.3), 0.3, 0.9);
        let charge = capacity.charge(Taken { visible: 0.075, invisible: 0.075 });
        let present = Use {
            load: Load { visible: 0.14, invisible: 0.14 },
            load_u: 0.1,
            litres_per_day: Litres::new(12.0),
            litres_u: 0.2,
        };
        let remaining =
            Remaining::of(charge.litres(present.load).expect("load"), present).expect("load");
        let days = remaining.days.expect("use");
        let order = remaining.days_to_order_by().expect("use").get();
        assert!(days.low < order && order < days.middle, "{remaining:?} {order}");
    }
}
