//! What is really so in the virtual plant, before any probe has had a say.

use super::vessel::VesselTruth;
use serde::Serialize;

/// Running totals since time zero: litres, and the salt in them in mg on the 0.5 scale.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Totals {
    /// Tap water taken, L.
    pub supply_litres: f64,
    /// Water that came to the membrane, L.
    pub feed_litres: f64,
    /// Permeate, L.
    pub permeate_litres: f64,
    /// Concentrate, L.
    pub concentrate_litres: f64,
    /// Permeate sent to the drain before the vessels, L.
    pub diverted_litres: f64,
    /// Product after the last vessel, L.
    pub product_litres: f64,
    /// Product sent to the drain, L.
    pub product_drained_litres: f64,
    /// Product that came into the container, L.
    pub store_litres: f64,
    /// Water that ran from the plant to the floor, L.
    pub leaked_litres: f64,
    /// Salt taken with the tap water, mg.
    pub supply_mg: f64,
    /// Salt that came to the membrane, mg.
    pub feed_mg: f64,
    /// Salt in the permeate, mg.
    pub permeate_mg: f64,
    /// Salt in the concentrate, mg.
    pub concentrate_mg: f64,
    /// Salt in the permeate that went to the vessels, mg.
    pub vessels_in_mg: f64,
    /// Salt in the product, without what standing resin gave off, mg.
    pub product_mg: f64,
    /// Salt on the floor, mg.
    pub leaked_mg: f64,
    /// Chlorine that reached the membrane, mg.
    pub chlorine_mg: f64,
    /// Time with permeate flow, s.
    pub run_secs: f64,
    /// Starts.
    pub starts: u64,
}

/// One start, from the first permeate to the end of its run.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct StartTruth {
    /// When it began, s.
    pub at_secs: f64,
    /// How long the plant had stood, s.
    pub idle_secs: f64,
    /// How long water flowed, s.
    pub run_secs: f64,
    /// Permeate made, L.
    pub litres: f64,
    /// Highest permeate, ppm of a perfect meter.
    pub peak_ppm: f64,
    /// What the membrane let through at the end without anything left from standing, ppm of a perfect
    /// meter (salt and carbon dioxide): the last moment with valve and float wide open.
    pub settled_ppm: f64,
    /// Excess still there at that moment, ppm.
    pub left_ppm: f64,
    /// Litres until the permeate was within max(2 ppm, 10 % of the amplitude) of `settled_ppm`;
    /// `None` when it never was.
    pub settle_litres: Option<f64>,
    /// The same in s.
    pub settle_secs: Option<f64>,
    /// Salt that the run's permeate carried beyond what the membrane itself let through at each moment
    /// (EQ 4.2: `A1 V1 + A2 V2`), mg.
    pub extra_salt_mg: f64,
    /// What a perfect meter counts beyond `settled_ppm` times the litres, mg: the same, and whatever
    /// the settled value moved during the run with pressure and temperature.
    pub beyond_settled_mg: f64,
}

/// What is really so at one moment.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Truth {
    /// Plant time, s.
    pub at_secs: f64,
    /// Water flows through the membrane.
    pub flowing: bool,
    /// Time since the present run began; 0 when nothing flows, s.
    pub run_secs: f64,
    /// Litres of permeate of the present run.
    pub run_litres: f64,
    /// Position of the supply valve, 0 closed to 1 open.
    pub valve: f64,
    /// What the valve was last told.
    pub valve_told_open: bool,
    /// The pump runs.
    pub pump_on: bool,
    /// Power drawn by pump and valve, W.
    pub power_watts: f64,

    /// Tap, ppm of a perfect meter on the 0.5 scale, as all `_tds` here.
    pub supply_tds: f64,
    /// Membrane inlet.
    pub feed_tds: f64,
    /// Concentrate.
    pub concentrate_tds: f64,
    /// Water at the permeate probe (held while nothing flows).
    pub permeate_tds: f64,
    /// After the first vessel.
    pub between_tds: f64,
    /// After the last vessel.
    pub product_tds: f64,
    /// In the container.
    pub store_tds: f64,
    /// Part of `permeate_tds` that is carbon dioxide.
    pub permeate_gas_tds: f64,
    /// Part of `product_tds` that is carbon dioxide.
    pub product_gas_tds: f64,
    /// Part of `product_tds` that standing water had picked up.
    pub product_rinse_tds: f64,
    /// Free carbon dioxide in the permeate, mmol/L.
    pub carbon_dioxide_mmol: f64,

    /// Tap pressure while it is as it is, bar.
    pub supply_bar: f64,
    /// Membrane inlet, bar.
    pub feed_bar: f64,
    /// Pressure between the filters and the pump, bar.
    pub suction_bar: f64,
    /// Net driving pressure, bar.
    pub driving_bar: f64,
    /// Water in the unit, °C.
    pub feed_celsius: f64,

    /// Tap water taken, L/min.
    pub supply_flow: f64,
    /// Into the membrane, L/min.
    pub feed_flow: f64,
    /// Permeate, L/min.
    pub permeate_flow: f64,
    /// Concentrate, L/min.
    pub concentrate_flow: f64,
    /// After the last vessel, L/min.
    pub product_flow: f64,

    /// What the membrane lets through with nothing left from standing, ppm of a perfect meter.
    pub settled_ppm: f64,
    /// The same at the last moment of this run, or the last one, with valve and float wide open.
    pub settled_open_ppm: f64,
    /// Excess from standing at that moment, ppm.
    pub excess_open_ppm: f64,
    /// 1 - `settled_ppm` / `feed_tds`: what perfect probes would show once settled.
    pub rejection: f64,
    /// The same for salt alone, without carbon dioxide.
    pub rejection_salt: f64,
    /// Permeate flow / feed flow.
    pub recovery: f64,
    /// Excess from standing in the permeate now, ppm.
    pub excess_ppm: f64,

    /// Resistance of the sediment filter against new.
    pub sediment_ratio: f64,
    /// Share of the chlorine that passes the carbon.
    pub carbon_passing: f64,
    /// Chlorine at the tap, mg/L.
    pub chlorine_mg: f64,
    /// Water permeability of the membrane against new.
    pub membrane_water: f64,
    /// Salt permeability of the membrane against new.
    pub membrane_salt: f64,
    /// The vessels in the direction of flow.
    pub vessels: Vec<VesselTruth>,

    /// Water in the container, L.
    pub store_litres: f64,
    /// The float switch says full.
    pub store_full: bool,
    /// Water on the floor, L.
    pub floor_litres: f64,
    /// The floor sensor is wet.
    pub floor_wet: bool,

    /// Running totals.
    pub totals: Totals,
    /// Starts that have ended since time zero.
    pub starts_ended: u64,
}
