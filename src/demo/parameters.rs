//! What one virtual plant is like, and the ranges from which random plants are drawn.
//!
//! Invariant: the ranges in [`PlantParameters::random`] are fixed before anything is tuned against
//! the plants they give. Change them only with a reason, and never because a plant scores badly.

use super::random::Random;
use serde::{Deserialize, Serialize};

/// The tap.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct TapParameters {
    /// Mean dissolved solids, ppm on the 0.5 scale.
    pub tds_ppm: f64,
    /// Share by which the season moves it (half of the swing).
    pub tds_season_share: f64,
    /// Share by which it wanders over days (standard deviation).
    pub tds_wander_share: f64,
    /// Changes of source in a year; each moves the mean by up to 35 % for weeks.
    pub tds_steps_per_year: f64,
    /// Alkalinity in mg/L as CaCO3 at mean dissolved solids; moves with them.
    pub alkalinity_mg: f64,
    /// pH.
    pub ph: f64,
    /// Mean temperature in °C.
    pub temperature_c: f64,
    /// Half of the swing over the year in K.
    pub temperature_season_k: f64,
    /// Half of the swing over the day in K.
    pub temperature_day_k: f64,
    /// Static pressure at night in bar.
    pub pressure_bar: f64,
    /// Dip in the evening in bar.
    pub pressure_dip_bar: f64,
    /// Wander of the pressure in bar (standard deviation).
    pub pressure_wander_bar: f64,
    /// Total chlorine in mg/L.
    pub chlorine_mg: f64,
    /// Day of the year at time zero; 0 is 1 January, coldest near day 40.
    pub start_day: f64,
}

/// Sediment filter and carbon.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct FilterParameters {
    /// Resistance of the new cartridge, bar min/L at 25 °C.
    pub resistance: f64,
    /// Constant part of the fittings, bar (min/L)².
    pub fittings: f64,
    /// Litres of feed that double the new cartridge's resistance.
    pub litres_to_double: f64,
    /// Stirred water in the housings, L.
    pub housings_litres: f64,
    /// Litres that the housings give back for each bar when the pressure falls.
    pub elastic_litres_per_bar: f64,
    /// Oxidant that half exhausts the carbon, mg.
    pub carbon_mg: f64,
}

/// The membrane.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct MembraneParameters {
    /// Active area, m².
    pub area_m2: f64,
    /// Water permeability at 25 °C, L/(m² h bar).
    pub water_lmh_per_bar: f64,
    /// Salt permeability at 25 °C, L/(m² h).
    pub salt_lmh: f64,
    /// Arrhenius constant of the salt permeability, K.
    pub salt_arrhenius_k: f64,
    /// Flow through the restrictor at 1 bar, L/min; grows with pressure to the power 0.6.
    pub restrictor_litres_per_min: f64,
    /// Pressure drop along the feed channel at 1 L/min, bar; grows with flow to the power 1.5.
    pub channel_bar: f64,
    /// Back pressure of an empty product line, bar.
    pub back_bar: f64,
    /// Back pressure of the vessels, bar min/L.
    pub vessels_resistance: f64,
    /// Standing water on the feed side, L.
    pub feed_side_litres: f64,
    /// Fast wash-out volume, L.
    pub washout_fast_litres: f64,
    /// Slow wash-out volume, L; more than 3 times the fast one.
    pub washout_slow_litres: f64,
    /// Share of the standing excess that washes out slowly.
    pub washout_slow_share: f64,
    /// Time constant of standing diffusion with an endless feed side, s.
    pub standing_tau_secs: f64,
    /// Share of the feed-side concentration that standing water would reach.
    pub standing_reach: f64,
    /// Water that must pass before the unit has the tap's temperature, L (stirred).
    pub warming_litres: f64,
    /// Share of water permeability lost in 1000 L of feed by fouling.
    pub fouling_per_m3: f64,
    /// Share of salt permeability gained in 1000 L of feed by age.
    pub ageing_per_m3: f64,
    /// Share of salt permeability gained for each g of chlorine that reaches the membrane.
    pub oxidation_per_g: f64,
}

/// One mixed-bed vessel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VesselParameters {
    /// Litres of bed.
    pub bed_litres: f64,
    /// Rated capacity, eq per litre of bed: what a user would declare.
    pub rated_eq_per_litre: f64,
    /// Real capacity over rated.
    pub real_over_rated: f64,
    /// Width of the breakthrough as a share of the charge at its middle.
    pub width_share: f64,
    /// Charge at which carbon dioxide is half through, as a share of that for salt.
    pub carbon_dioxide_share: f64,
    /// Charge already taken up at time zero, as a share of the capacity.
    pub used_share: f64,
    /// What standing water picks up in the vessel after days, ppm.
    pub rinse_ppm: f64,
    /// Time constant of that, s.
    pub rinse_tau_secs: f64,
    /// Wash-out volume of that, L.
    pub rinse_litres: f64,
}

/// The container and who draws from it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct StoreParameters {
    /// Volume up to the float switch, L.
    pub full_litres: f64,
    /// Volume at which it runs over, L.
    pub brim_litres: f64,
    /// Litres at time zero.
    pub start_litres: f64,
    /// Plant asks for water below this, L.
    pub start_below_litres: f64,
    /// Plant has enough at this, L.
    pub stop_at_litres: f64,
    /// Band in which a mechanical float throttles before it shuts at the float switch's level, L;
    /// 0: no mechanical float.
    pub throttle_litres: f64,
    /// Top-off a day, L.
    pub topoff_litres_per_day: f64,
    /// Litres of one top-off.
    pub topoff_each_litres: f64,
    /// Litres of one water change.
    pub change_litres: f64,
    /// Days between water changes; 0: none.
    pub change_days: f64,
}

/// One virtual plant.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlantParameters {
    /// The tap.
    pub tap: TapParameters,
    /// Sediment filter and carbon.
    pub filter: FilterParameters,
    /// The membrane.
    pub membrane: MembraneParameters,
    /// The vessels in the direction of flow; none for a drinking plant.
    pub vessels: Vec<VesselParameters>,
    /// The container.
    pub store: StoreParameters,
    /// Time that the supply valve takes, s.
    pub valve_travel_secs: f64,
    /// Boost of the pump without flow, bar; 0: no pump.
    pub pump_bar: f64,
    /// Flow at which the pump gives nothing, L/min.
    pub pump_litres_per_min: f64,
    /// Power of the running pump, W.
    pub pump_watts: f64,
    /// Conductivity of the permeate per equivalent, µS/cm per meq/L (EQ 5.2: 110 to 120).
    pub permeate_us_cm_per_meq: f64,
    /// Share of the permeate's anions that is bicarbonate.
    pub permeate_bicarbonate_share: f64,
    /// Temperature of the room, °C.
    pub room_c: f64,
}

impl Default for PlantParameters {
    /// A middling plant: hard water, a small membrane, two vessels, a container of 80 L.
    fn default() -> Self {
        Self {
            tap: TapParameters {
                tds_ppm: 250.0,
                tds_season_share: 0.08,
                tds_wander_share: 0.03,
                tds_steps_per_year: 1.0,
                alkalinity_mg: 130.0,
                ph: 7.6,
                temperature_c: 14.0,
                temperature_season_k: 6.0,
                temperature_day_k: 0.5,
                pressure_bar: 4.3,
                pressure_dip_bar: 0.5,
                pressure_wander_bar: 0.08,
                chlorine_mg: 0.3,
                start_day: 100.0,
            },
            filter: FilterParameters {
                resistance: 0.06,
                fittings: 0.02,
                litres_to_double: 9_000.0,
                housings_litres: 2.0,
                elastic_litres_per_bar: 0.02,
                carbon_mg: 15_000.0,
            },
            membrane: MembraneParameters {
                area_m2: 0.35,
                water_lmh_per_bar: 8.0,
                salt_lmh: 0.65,
                salt_arrhenius_k: 3600.0,
                restrictor_litres_per_min: 0.19,
                channel_bar: 0.12,
                back_bar: 0.05,
                vessels_resistance: 0.4,
                feed_side_litres: 0.25,
                washout_fast_litres: 0.25,
                washout_slow_litres: 1.6,
                washout_slow_share: 0.08,
                standing_tau_secs: 2400.0,
                standing_reach: 0.7,
                warming_litres: 1.5,
                fouling_per_m3: 0.01,
                ageing_per_m3: 0.02,
                oxidation_per_g: 0.3,
            },
            vessels: vec![
                VesselParameters {
                    bed_litres: 0.6,
                    rated_eq_per_litre: 0.5,
                    real_over_rated: 1.0,
                    width_share: 0.06,
                    carbon_dioxide_share: 0.93,
                    used_share: 0.3,
                    rinse_ppm: 2.0,
                    rinse_tau_secs: 20_000.0,
                    rinse_litres: 0.12,
                };
                2
            ],
            store: StoreParameters {
                full_litres: 80.0,
                brim_litres: 88.0,
                start_litres: 50.0,
                start_below_litres: 55.0,
                stop_at_litres: 76.0,
                throttle_litres: 0.0,
                topoff_litres_per_day: 6.0,
                topoff_each_litres: 0.3,
                change_litres: 40.0,
                change_days: 7.0,
            },
            valve_travel_secs: 0.5,
            pump_bar: 0.0,
            pump_litres_per_min: 2.0,
            pump_watts: 0.0,
            permeate_us_cm_per_meq: 114.0,
            permeate_bicarbonate_share: 0.45,
            room_c: 20.0,
        }
    }
}

impl PlantParameters {
    /// A plant drawn from documented ranges. Those marked L are drawn evenly in the logarithm.
    ///
    /// | what | from | to |
    /// | --- | --- | --- |
    /// | tap dissolved solids, ppm | 60 | 450 (L) |
    /// | season, wander of it, share | 0.02, 0.01 | 0.15, 0.05 |
    /// | source changes a year | 0 | 3 |
    /// | alkalinity over dissolved solids | 0.3 | 0.7 |
    /// | pH | 7.0 | 8.2 |
    /// | mean temperature, season, °C | 10, 2 | 20, 8 |
    /// | night pressure, dip, bar | 2.8, 0.1 | 5.0, 0.8 |
    /// | chlorine, mg/L | 0.05 | 0.9 (L) |
    /// | filter: new resistance, bar min/L; litres to double | 0.02; 3000 | 0.12; 20000 (L) |
    /// | elastic housings, L/bar | 0.005 | 0.05 |
    /// | membrane area, m²; water permeability, L/(m² h bar) | 0.3; 5 | 0.9; 9 |
    /// | salt permeability, L/(m² h) | 0.2 | 1.2 (L) |
    /// | recovery aimed at (sets the restrictor) | 0.18 | 0.5 |
    /// | wash-out volumes, L | 0.1; 4 to 10 times that | 0.5 (L) |
    /// | slow share | 0.02 | 0.2 |
    /// | standing time constant, s; reach | 900; 0.3 | 7200 (L); 1.0 |
    /// | fouling, ageing, share per m³ of feed | 0, 0 | 0.02, 0.04 |
    /// | vessels | 1 (one plant in four) | 2 |
    /// | bed, L; rated, eq/L; real over rated | 0.3; 0.4; 0.65 | 1.5; 0.65; 1.35 |
    /// | from vessel to vessel of one plant | sd 0.06 | |
    /// | breakthrough width, share | 0.03 | 0.12 |
    /// | carbon dioxide through at, share | 0.35 | 0.98 |
    /// | used at start, share | 0 | 0.8 |
    /// | rinse-in, ppm; volume, L | 0.3; 0.05 | 4; 0.3 |
    /// | container, L | 25 | 200 (L) |
    /// | top-off, L/day; change, L; every, days | 1.5; 10; 5 | 10; half the container; 15 |
    /// | throttling float | one plant in four | |
    /// | pump, bar | one plant in four: 2 | 3.5 |
    pub fn random(seed: u64) -> Self {
        let mut r = Random::branch(seed, "parameters");
        let tds = r.between_log(60.0, 450.0);
        let tap = TapParameters {
            tds_ppm: tds,
            tds_season_share: r.between(0.02, 0.15),
            tds_wander_share: r.between(0.01, 0.05),
            tds_steps_per_year: r.between(0.0, 3.0),
            alkalinity_mg: tds * r.between(0.3, 0.7),
            ph: r.between(7.0, 8.2),
            temperature_c: r.between(10.0, 20.0),
            temperature_season_k: r.between(2.0, 8.0),
            temperature_day_k: r.between(0.2, 1.0),
            pressure_bar: r.between(2.8, 5.0),
            pressure_dip_bar: r.between(0.1, 0.8),
            pressure_wander_bar: r.between(0.02, 0.12),
            chlorine_mg: r.between_log(0.05, 0.9),
            start_day: r.between(0.0, 365.0),
        };
        let filter = FilterParameters {
            resistance: r.between(0.02, 0.12),
            fittings: r.between(0.005, 0.04),
            litres_to_double: r.between_log(3_000.0, 20_000.0),
            housings_litres: r.between(1.2, 3.0),
            elastic_litres_per_bar: r.between(0.005, 0.05),
            carbon_mg: r.between(8_000.0, 30_000.0),
        };
        let pump_bar = if r.chance(0.25) { r.between(2.0, 3.5) } else { 0.0 };
        let area_m2 = r.between(0.3, 0.9);
        let water = r.between(5.0, 9.0);
        let recovery = r.between(0.18, 0.5);
        let fast = r.between_log(0.1, 0.5);
        // Restrictor for the recovery aimed at, at 25 °C and night pressure.
        let bar = (tap.pressure_bar + 0.5 * pump_bar).max(1.0);
        let permeate = area_m2 * water * (bar - 0.3) / 60.0;
        let membrane = MembraneParameters {
            area_m2,
            water_lmh_per_bar: water,
            salt_lmh: r.between_log(0.2, 1.2),
            salt_arrhenius_k: r.between(2_800.0, 5_000.0),
            restrictor_litres_per_min: permeate * (1.0 / recovery - 1.0) / bar.powf(0.6),
            channel_bar: r.between(0.05, 0.2),
            back_bar: r.between(0.0, 0.15),
            vessels_resistance: r.between(0.1, 0.8),
            feed_side_litres: r.between(0.15, 0.4),
            washout_fast_litres: fast,
            washout_slow_litres: fast * r.between(4.0, 10.0),
            washout_slow_share: r.between(0.02, 0.2),
            standing_tau_secs: r.between_log(900.0, 7_200.0),
            standing_reach: r.between(0.3, 1.0),
            warming_litres: r.between(0.8, 3.0),
            fouling_per_m3: r.between(0.0, 0.02),
            ageing_per_m3: r.between(0.0, 0.04),
            oxidation_per_g: r.between(0.1, 0.6),
        };
        let count = if r.chance(0.25) { 1 } else { 2 };
        let bed = r.between(0.3, 1.5);
        let rated = r.between(0.4, 0.65);
        // Vessels of one plant are filled from one bag: what the rating is worth is theirs in
        // common, and packing makes a few per cent.
        let real = r.between(0.65, 1.35);
        let vessels = (0..count)
            .map(|_| VesselParameters {
                bed_litres: bed,
                rated_eq_per_litre: rated,
                real_over_rated: real * (1.0 + 0.06 * r.normal()),
                width_share: r.between(0.03, 0.12),
                carbon_dioxide_share: r.between(0.35, 0.98),
                used_share: r.between(0.0, 0.8),
                rinse_ppm: r.between(0.3, 4.0),
                rinse_tau_secs: r.between(7_000.0, 60_000.0),
                rinse_litres: r.between(0.05, 0.3),
            })
            .collect();
        let full = r.between_log(25.0, 200.0);
        let store = StoreParameters {
            full_litres: full,
            brim_litres: full * 1.1,
            start_litres: full * r.between(0.4, 0.9),
            start_below_litres: full * r.between(0.5, 0.7),
            stop_at_litres: full * r.between(0.9, 0.97),
            throttle_litres: if r.chance(0.25) { full * r.between(0.02, 0.08) } else { 0.0 },
            topoff_litres_per_day: r.between(1.5, 10.0),
            topoff_each_litres: r.between(0.1, 1.0),
            change_litres: r.between(10.0, (full / 2.0).max(10.5)),
            change_days: r.between(5.0, 15.0).round(),
        };
        Self {
            tap,
            filter,
            membrane,
            vessels,
            store,
            valve_travel_secs: if r.chance(0.3) { r.between(3.0, 12.0) } else { 0.3 },
            pump_bar,
            pump_litres_per_min: r.between(1.6, 3.0),
            pump_watts: if pump_bar > 0.0 { r.between(20.0, 45.0) } else { 0.0 },
            permeate_us_cm_per_meq: r.between(110.0, 120.0),
            permeate_bicarbonate_share: r.between(0.2, 0.7),
            room_c: r.between(17.0, 24.0),
        }
    }
}
