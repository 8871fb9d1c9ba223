//! A mixed-bed vessel: logistic breakthrough of salt and, earlier, of carbon dioxide.
//!
//! Invariant: what goes in is either taken up or comes out.

use super::parameters::VesselParameters;
use serde::Serialize;

/// What one litre carries for the resin.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Conducting salt, ppm.
    pub salt_ppm: f64,
    /// Carbon dioxide, mmol/L (one equivalent each on strong-base resin, EQ 5.3).
    pub carbon_dioxide_mmol: f64,
}

impl Load {
    /// This water with a share (0 to 1) of another.
    pub fn mixed(self, other: Self, share: f64) -> Self {
        let mix = |own: f64, other: f64| own * (1.0 - share) + other * share;
        Self {
            salt_ppm: mix(self.salt_ppm, other.salt_ppm),
            carbon_dioxide_mmol: mix(self.carbon_dioxide_mmol, other.carbon_dioxide_mmol),
        }
    }
}

/// A vessel's account.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct VesselTruth {
    /// Charge taken up since new, eq: salt and carbon dioxide.
    pub taken_eq: f64,
    /// The part of it that conducts, eq.
    pub taken_salt_eq: f64,
    /// The same since time zero, on the meter's scale, mg.
    pub taken_salt_mg: f64,
    /// Charge that has come to the vessel since new, eq.
    pub fed_eq: f64,
    /// Charge at the middle of its breakthrough, eq.
    pub middle_eq: f64,
    /// Share of the incoming salt that passes now.
    pub salt_passing: f64,
    /// Water treated since time zero, L.
    pub litres: f64,
}

/// A mixed-bed vessel.
#[derive(Clone, Debug)]
pub struct Vessel {
    parameters: VesselParameters,
    meq_per_ppm: f64,
    account: VesselTruth,
    rinse_ppm: f64,
}

fn logistic(x: f64) -> f64 {
    // EQ 5.5: clamp exponents.
    1.0 / (1.0 + (-x.clamp(-700.0, 700.0)).exp())
}

impl Vessel {
    /// A vessel. `us_cm_per_meq` is the conductivity of the salt per meq/L (EQ 5.2).
    pub fn new(parameters: VesselParameters, us_cm_per_meq: f64) -> Self {
        let middle_eq =
            parameters.bed_litres * parameters.rated_eq_per_litre * parameters.real_over_rated;
        let used_eq = middle_eq * parameters.used_share;
        let mut vessel = Self {
            parameters,
            meq_per_ppm: 1.0 / (super::water::PPM_PER_US_CM * us_cm_per_meq),
            account: VesselTruth {
                taken_eq: used_eq,
                fed_eq: used_eq,
                middle_eq,
                ..VesselTruth::default()
            },
            rinse_ppm: 0.0,
        };
        vessel.account.salt_passing = vessel.salt_passing();
        vessel
    }

    /// The account.
    pub fn truth(&self) -> VesselTruth {
        self.account
    }

    /// What the user would declare: litres of bed and eq per litre.
    pub fn parameters(&self) -> &VesselParameters {
        &self.parameters
    }

    /// Charge of 1 ppm of the meter's scale, meq/L.
    pub fn meq_per_ppm(&self) -> f64 {
        self.meq_per_ppm
    }

    /// Makes it as if this share of its capacity had been used.
    pub fn set_used_share(&mut self, share: f64) {
        self.account.fed_eq = self.account.middle_eq * share;
        self.account.taken_eq = self.account.middle_eq * share.min(1.0);
        self.account.salt_passing = self.salt_passing();
    }

    /// Fits fresh resin of the same kind.
    pub fn renew(&mut self) {
        self.set_used_share(0.0);
        self.account.taken_salt_eq = 0.0;
        self.account.taken_salt_mg = 0.0;
        self.account.litres = 0.0;
    }

    fn passing(&self, middle_share: f64) -> f64 {
        let width = self.parameters.width_share * self.account.middle_eq;
        logistic((self.account.fed_eq - middle_share * self.account.middle_eq) / width)
    }

    fn salt_passing(&self) -> f64 {
        self.passing(1.0)
    }

    /// Water passes. Gives what leaves, and the ppm that standing water had picked up in the vessel,
    /// as the mean over these litres.
    pub fn pass(&mut self, litres: f64, inlet: Load) -> (Load, f64) {
        if litres <= 0.0 {
            return (inlet, self.rinse_ppm);
        }
        let salt_passing = self.salt_passing();
        let gas_passing = self.passing(self.parameters.carbon_dioxide_share);
        let out = Load {
            salt_ppm: inlet.salt_ppm * salt_passing,
            carbon_dioxide_mmol: inlet.carbon_dioxide_mmol * gas_passing,
        };
        let salt_in_eq = inlet.salt_ppm * self.meq_per_ppm * litres * 1e-3;
        let gas_in_eq = inlet.carbon_dioxide_mmol * litres * 1e-3;
        let a = &mut self.account;
        a.fed_eq += salt_in_eq + gas_in_eq;
        a.taken_salt_eq += salt_in_eq * (1.0 - salt_passing);
        a.taken_salt_mg += (inlet.salt_ppm - out.salt_ppm) * litres;
        a.taken_eq += salt_in_eq * (1.0 - salt_passing) + gas_in_eq * (1.0 - gas_passing);
        a.salt_passing = salt_passing;
        a.litres += litres;
        let v = self.parameters.rinse_litres;
        let keep = (-litres / v).exp();
        let rinse_mean = self.rinse_ppm * v * (1.0 - keep) / litres;
        self.rinse_ppm *= keep;
        (out, rinse_mean)
    }

    /// Water stands: it takes up carbon dioxide through tubes and leachables of the resin.
    pub fn stand(&mut self, secs: f64) {
        let p = &self.parameters;
        let keep = (-secs / p.rinse_tau_secs).exp();
        self.rinse_ppm = p.rinse_ppm + (self.rinse_ppm - p.rinse_ppm) * keep;
    }
}
