//! The membrane: water and salt through it, standing diffusion, wash-out, wear.
//!
//! Invariants: salt that enters the feed side leaves with the concentrate, with the permeate, or
//! stays in the feed side or in the permeate side's two reservoirs; both the flowing and the
//! standing step are exact solutions, so they do not depend on how finely time is cut.

use super::parameters::MembraneParameters;
use super::water;

/// The membrane.
#[derive(Clone, Debug)]
pub struct Membrane {
    p: MembraneParameters,
    /// Water permeability against new.
    water_share: f64,
    /// Salt permeability against new.
    salt_share: f64,
    /// Concentration of the feed side (feed-concentrate mean), ppm.
    feed_side_ppm: f64,
    /// What the fast and the slow reservoir of the permeate side add to the permeate, ppm. Together
    /// they are the permeate; at rest with the base they hold its two shares.
    fast_ppm: f64,
    slow_ppm: f64,
    /// What the membrane itself lets through now, ppm.
    base_ppm: f64,
    channel_flow: f64,
}

/// What one flowing step moved.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Moved {
    /// Permeate as the mean over the step, ppm.
    pub permeate_ppm: f64,
    /// Concentrate as the mean over the step, ppm.
    pub concentrate_ppm: f64,
    /// What the permeate carried beyond the base, mg; negative while the base rises.
    pub excess_mg: f64,
}

/// Flows at one inlet pressure.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Flows {
    /// L/min.
    pub permeate: f64,
    /// L/min.
    pub concentrate: f64,
    /// Net driving pressure, bar (EQ 2.3).
    pub driving_bar: f64,
}

impl Flows {
    /// What the membrane takes, L/min.
    pub fn feed(&self) -> f64 {
        self.permeate + self.concentrate
    }
}

impl Membrane {
    /// A membrane that has just been flushed with this feed.
    pub fn new(p: MembraneParameters, feed_ppm: f64) -> Self {
        let base_ppm = feed_ppm * 0.03;
        Self {
            water_share: 1.0,
            salt_share: 1.0,
            feed_side_ppm: feed_ppm * 1.15,
            fast_ppm: base_ppm * (1.0 - p.washout_slow_share),
            slow_ppm: base_ppm * p.washout_slow_share,
            base_ppm,
            channel_flow: 0.0,
            p,
        }
    }

    /// Water permeability against new.
    pub fn water_share(&self) -> f64 {
        self.water_share
    }

    /// Salt permeability against new.
    pub fn salt_share(&self) -> f64 {
        self.salt_share
    }

    /// Multiplies both permeabilities: a worn or damaged membrane.
    pub fn scale(&mut self, water: f64, salt: f64) {
        self.water_share *= water;
        self.salt_share *= salt;
    }

    /// A new element of the same kind.
    pub fn renew(&mut self) {
        self.water_share = 1.0;
        self.salt_share = 1.0;
    }

    /// What the membrane itself lets through now, without what standing has left behind, ppm.
    pub fn base_ppm(&self) -> f64 {
        self.base_ppm
    }

    /// What the next litre of permeate holds beyond the base, ppm.
    pub fn excess_ppm(&self) -> f64 {
        self.fast_ppm + self.slow_ppm - self.base_ppm
    }

    /// Salt in the reservoirs, mg.
    pub fn permeate_side_mg(&self) -> f64 {
        self.p.washout_fast_litres * self.fast_ppm + self.p.washout_slow_litres * self.slow_ppm
    }

    /// Salt on the feed side, mg.
    pub fn feed_side_mg(&self) -> f64 {
        self.p.feed_side_litres * self.feed_side_ppm
    }

    /// Concentration of the feed side, ppm.
    pub fn feed_side_ppm(&self) -> f64 {
        self.feed_side_ppm
    }

    /// Flows at an inlet pressure; `open` is what a throttling float lets through, 0 to 1.
    ///
    /// `J = A NDP TCF`, `NDP = Pf - dP/2 - Pp - (pi_fb - pi_p)` (EQ 2.3, 2.5).
    pub fn flows(&self, inlet_bar: f64, celsius: f64, open: f64) -> Flows {
        if inlet_bar <= 0.0 {
            return Flows::default();
        }
        let p = &self.p;
        let k = p.area_m2 * p.water_lmh_per_bar * self.water_share * water::flow_factor(celsius)
            / 60.0
            * open;
        let channel = p.channel_bar * self.channel_flow.powf(1.5);
        let osmotic = water::osmotic_bar(self.feed_side_ppm - self.base_ppm, celsius);
        let head = inlet_bar - channel / 2.0 - p.back_bar - osmotic;
        // The vessels' back pressure grows with the flow itself.
        let permeate = (k * head / (1.0 + k * p.vessels_resistance)).max(0.0);
        let driving_bar = if k > 0.0 { permeate / k } else { 0.0 };
        let concentrate = p.restrictor_litres_per_min * inlet_bar.powf(0.6);
        Flows { permeate, concentrate, driving_bar }
    }

    /// Water flows for `secs`.
    ///
    /// Salt flux `B (C_fb - C_p)` (EQ 2.5); the feed side is stirred and approaches the
    /// feed-concentrate log mean of EQ 2.2; the reservoirs wash out in volume (EQ 4.2).
    pub fn flow(&mut self, secs: f64, feed_ppm: f64, flows: Flows, celsius: f64) -> Moved {
        let minutes = secs / 60.0;
        let (qp, qc, qf) = (flows.permeate, flows.concentrate, flows.feed());
        if qf <= 0.0 || minutes <= 0.0 {
            return Moved::default();
        }
        let p = &self.p;
        self.channel_flow = (qf + qc) / 2.0;
        let kb = p.area_m2
            * p.salt_lmh
            * self.salt_share
            * water::arrhenius(p.salt_arrhenius_k, celsius)
            / 60.0;
        let passing = kb / (qp + kb);
        let y = qp / qf;
        let mean = water::mean_over_feed(y);
        // Concentrate over feed side, so that the steady state is the log mean exactly.
        let rich = (1.0 - y * passing * mean) / ((1.0 - y) * mean);
        let drain = qc * rich + qp * passing;
        let steady = qf * feed_ppm / drain;
        let rate = drain / p.feed_side_litres;
        let keep = (-rate * minutes).exp();
        let average = steady + (self.feed_side_ppm - steady) * (1.0 - keep) / (rate * minutes);
        self.feed_side_ppm = steady + (self.feed_side_ppm - steady) * keep;
        self.base_ppm = passing * self.feed_side_ppm;

        // Two stirred reservoirs side by side, fed with their shares of what passes the membrane.
        let litres = qp * minutes;
        let passed = passing * average;
        let slow_share = p.washout_slow_share;
        let mut out_mg = 0.0;
        for (ppm, v, share) in [
            (&mut self.fast_ppm, p.washout_fast_litres, 1.0 - slow_share),
            (&mut self.slow_ppm, p.washout_slow_litres, slow_share),
        ] {
            let fed = share * passed;
            let left = fed + (*ppm - fed) * (-litres / v).exp();
            out_mg += v * (*ppm - left) + fed * litres;
            *ppm = left;
        }
        let permeate_ppm =
            if litres > 0.0 { out_mg / litres } else { self.fast_ppm + self.slow_ppm };
        Moved { permeate_ppm, concentrate_ppm: rich * average, excess_mg: out_mg - passed * litres }
    }

    /// Water stands for `secs`: `Vp dC/dt = B A (C_side - C)` with a closed feed side (EQ 4.1),
    /// solved exactly for both reservoirs.
    pub fn stand(&mut self, secs: f64) {
        let p = &self.p;
        let tau = p.standing_tau_secs;
        let (v1, v2) = (p.washout_fast_litres, p.washout_slow_litres);
        let (w1, w2) = (1.0 - p.washout_slow_share, p.washout_slow_share);
        let volume = w1 * v1 + w2 * v2;
        let reach = p.standing_reach;
        // How much each reservoir lacks to its equilibrium with the feed side.
        let target = reach * self.feed_side_ppm;
        let lack1 = w1 * target - self.fast_ppm;
        let lack2 = w2 * target - self.slow_ppm;
        let sum = v1 * lack1 + v2 * lack2;
        let tau_closed = tau / (1.0 + reach * volume / p.feed_side_litres);
        let slow = (-secs / tau_closed).exp();
        let own = (-secs / tau).exp();
        let before = self.permeate_side_mg();
        let settle = |w: f64, lack: f64| {
            let shared = w * sum / volume;
            shared * slow + (lack - shared) * own
        };
        let (left1, left2) = (settle(w1, lack1), settle(w2, lack2));
        self.feed_side_ppm -= sum * (1.0 - slow) * tau_closed / (tau * p.feed_side_litres);
        let target = reach * self.feed_side_ppm;
        self.fast_ppm = w1 * target - left1;
        self.slow_ppm = w2 * target - left2;
        debug_assert!({
            let moved = self.permeate_side_mg() - before;
            (moved - sum * (1.0 - slow) * tau_closed / tau).abs() < 1e-6 * (1.0 + moved.abs())
        });
    }

    /// Wear by feed litres and by chlorine that reached the membrane.
    pub fn wear(&mut self, feed_litres: f64, chlorine_mg: f64) {
        let m3 = feed_litres / 1000.0;
        self.water_share *= (-self.p.fouling_per_m3 * m3).exp();
        self.salt_share *= (self.p.ageing_per_m3 * m3).exp();
        let oxidised = self.p.oxidation_per_g * chlorine_mg / 1000.0;
        self.salt_share *= 1.0 + oxidised;
        self.water_share *= 1.0 + 0.3 * oxidised;
    }
}
