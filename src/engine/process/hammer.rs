//! Water hammer: what closing a valve may do to tubes and housings.
//!
//! Joukowsky: `dp = rho a dv`, `a = sqrt((K/rho)/(1 + K d/(E e)))` (from memory). An upper bound, for
//! a valve that closes faster than the wave returns; tube moduli are guesses within a factor of two.

use crate::units::{Bar, LitresPerMinute};

/// Bulk modulus of water, Pa.
const WATER_MODULUS: f64 = 2.2e9;
/// Density of water at 20 °C, kg/m³.
const WATER_DENSITY: f64 = 998.2;

/// A tube.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tube {
    /// Inner diameter, mm.
    pub inner_mm: f64,
    /// Wall, mm.
    pub wall_mm: f64,
    /// Young's modulus of the wall, GPa: polyethylene 0.5 to 1, copper 120.
    pub modulus_gpa: f64,
}

/// What a sudden stop does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Surge {
    /// Velocity before, m/s.
    pub velocity: f64,
    /// Speed of the pressure wave, m/s.
    pub wave: f64,
    /// Rise of pressure.
    pub pressure: Bar,
}

impl Tube {
    /// The surge when this flow stops at once. `None` for impossible dimensions.
    pub fn surge(&self, flow: LitresPerMinute) -> Option<Surge> {
        if self.inner_mm <= 0.0 || self.wall_mm <= 0.0 || self.modulus_gpa <= 0.0 {
            return None;
        }
        let stretch = WATER_MODULUS * self.inner_mm / (self.modulus_gpa * 1e9 * self.wall_mm);
        let wave = (WATER_MODULUS / WATER_DENSITY / (1.0 + stretch)).sqrt();
        let area = std::f64::consts::PI * (self.inner_mm / 1000.0).powi(2) / 4.0;
        let velocity = flow.get() / 60_000.0 / area;
        let pressure = Bar::checked(WATER_DENSITY * wave * velocity / 1e5)?;
        Some(Surge { velocity, wave, pressure })
    }

    /// Closing slower than this many seconds over a tube of this length makes less than the full
    /// surge: `2 L/a`.
    pub fn slow_closing(&self, length_m: f64) -> Option<f64> {
        let surge = self.surge(LitresPerMinute::new(0.0))?;
        Some(2.0 * length_m / surge.wave)
    }
}
