//! Density and viscosity of pure water at normal pressure.

use crate::units::Celsius;

/// Density in kg/m³ between 0 and 100 °C at 101.325 kPa.
///
/// Kell, J. Chem. Eng. Data 20 (1975) 97, equation 16; within 1e-5 of IAPWS-95
/// (`tests/reference/water_viscosity.csv`). `None` outside 0 to 100 °C.
pub fn density(at: Celsius) -> Option<f64> {
    let t = at.get();
    if !(0.0..=100.0).contains(&t) {
        return None;
    }
    let top = 999.839_52
        + t * (16.945_176
            + t * (-7.987_040_1e-3
                + t * (-46.170_461e-6 + t * (105.563_02e-9 - t * 280.542_53e-12))));
    Some(top / (1.0 + 16.879_850e-3 * t))
}

/// Dynamic viscosity in mPa·s between 0 and 100 °C at 0.1 MPa.
///
/// Huber et al., J. Phys. Chem. Ref. Data 38 (2009) 101, equation 37: the IAPWS 2008 formulation at
/// 0.1 MPa. `None` outside 0 to 100 °C.
pub fn viscosity(at: Celsius) -> Option<f64> {
    let t = at.get();
    if !(0.0..=100.0).contains(&t) {
        return None;
    }
    let reduced = (t + 273.15) / 300.0;
    let sum = 280.68 * reduced.powf(-1.9)
        + 511.45 * reduced.powf(-7.7)
        + 61.131 * reduced.powf(-19.6)
        + 0.459_03 * reduced.powf(-40.0);
    Some(sum / 1000.0)
}

/// Viscosity at `at` over that at 25 °C; more than 1 in cold water.
pub fn relative_viscosity(at: Celsius) -> Option<f64> {
    Some(viscosity(at)? / viscosity(Celsius::new(25.0))?)
}
