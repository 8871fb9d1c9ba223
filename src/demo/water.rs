//! Formulas of water, as the reference sheet gives them, written a second time on purpose.
//!
//! Salt is counted in ppm on the 0.5 scale (a meter's ppm): 1 ppm is 2 µS/cm at 25 °C.

/// ppm of a meter for each µS/cm: the 0.5 scale (EQ 1.3, common practice).
pub const PPM_PER_US_CM: f64 = 0.5;

/// Conductivity of pure water at 25 °C in µS/cm (EQ 1.2: Light et al. 2005).
pub const PURE_US_CM: f64 = 0.055;

const KELVIN: f64 = 273.15;

/// Factor on flow through a membrane against 25 °C, Arrhenius form (EQ 3.4): 2640 K above, 3020 K
/// below 25 °C.
pub fn flow_factor(celsius: f64) -> f64 {
    let k = if celsius >= 25.0 { 2640.0 } else { 3020.0 };
    arrhenius(k, celsius)
}

/// `exp(K (1/298.15 - 1/T))`, 1 at 25 °C.
pub fn arrhenius(k: f64, celsius: f64) -> f64 {
    (k * (1.0 / 298.15 - 1.0 / (celsius + KELVIN))).exp()
}

/// Viscosity of water against 25 °C (EQ 1.1, closed form).
pub fn viscosity_ratio(celsius: f64) -> f64 {
    fn log_20_over(t: f64) -> f64 {
        let d = t - 20.0;
        (1.370_23 * d + 8.36e-4 * d * d) / (t + 109.0)
    }
    10_f64.powf(log_20_over(25.0) - log_20_over(celsius))
}

/// Osmotic pressure of natural water in bar: `C (t + 320) / 491000`, C below 20 g/L (EQ 2.1).
pub fn osmotic_bar(mg_per_litre: f64, celsius: f64) -> f64 {
    mg_per_litre * (celsius + 320.0) / 491_000.0
}

/// Feed-concentrate mean over feed: logarithmic mean `ln(1/(1-Y))/Y` (EQ 2.2), by its series near
/// zero.
pub fn mean_over_feed(recovery: f64) -> f64 {
    if recovery < 1e-4 {
        1.0 + recovery / 2.0 + recovery * recovery / 3.0
    } else {
        -(1.0 - recovery).ln() / recovery
    }
}

/// First dissociation constant of carbonic acid, -log10 (Plummer and Busenberg 1982; EQ 1.4).
pub fn pk1(celsius: f64) -> f64 {
    let t = celsius + KELVIN;
    356.3094 + 0.060_919_64 * t - 21_834.37 / t - 126.8339 * t.log10() + 1_684_915.0 / (t * t)
}

/// Free carbon dioxide in mmol/L from alkalinity (mg/L as CaCO3) and pH:
/// `[CO2] = Alk 10^(pK1 - pH)` (EQ 5.3).
pub fn carbon_dioxide_mmol(alkalinity_mg: f64, ph: f64, celsius: f64) -> f64 {
    alkalinity_mg / 50.04 * 10_f64.powf(pk1(celsius) - ph)
}

/// Conductivity at 25 °C in µS/cm that carbon dioxide adds to water which already holds
/// bicarbonate: `h (h + b) = K1 (C - h)`, then H+ and HCO3- with 349.8 and 44.5 S cm²/mol (EQ 1.4).
pub fn carbon_dioxide_us_cm(mmol_per_litre: f64, bicarbonate_mmol_per_litre: f64) -> f64 {
    if mmol_per_litre <= 0.0 {
        return 0.0;
    }
    let k1 = 10_f64.powf(-pk1(25.0));
    let c = mmol_per_litre * 1e-3;
    let sum = bicarbonate_mmol_per_litre.max(0.0) * 1e-3 + k1;
    let h = (-sum + (sum * sum + 4.0 * k1 * c).sqrt()) / 2.0;
    1000.0 * (349.8 + 44.5) * h
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(is: f64, should: f64, share: f64) {
        assert!((is - should).abs() <= share * should.abs(), "{is} against {should}");
    }

    #[test]
    fn closed_water_with_carbon_dioxide_conducts_as_phreeqc_computes() {
        // EQ 1.4, computed with PHREEQC: 0.1 mmol/L 2.5 µS/cm, 0.3 mmol/L 4.5 µS/cm.
        near(carbon_dioxide_us_cm(0.1, 0.0), 2.5, 0.03);
        near(carbon_dioxide_us_cm(0.3, 0.0), 4.5, 0.03);
    }

    #[test]
    fn carbon_dioxide_from_alkalinity_and_ph_is_the_example_of_the_sheet() {
        // EQ 5.3: alkalinity 100 mg/L, pH 7.5, 25 °C: 0.142 mmol/L.
        near(carbon_dioxide_mmol(100.0, 7.5, 25.0), 0.142, 0.01);
    }

    #[test]
    fn cold_water_passes_slower_and_is_thicker() {
        // EQ 3.4 example: 15 °C 0.7036. EQ 6.1 example: viscosity ratio 1.387 at 12 °C (IAPWS).
        near(flow_factor(15.0), 0.7036, 0.001);
        near(viscosity_ratio(12.0), 1.387, 0.005);
    }

    #[test]
    fn log_mean_and_its_series_meet() {
        // EQ 2.2: 1.151 at 0.25, 1.386 at 0.5.
        near(mean_over_feed(0.25), 1.151, 0.001);
        near(mean_over_feed(0.5), 1.386, 0.001);
        near(mean_over_feed(0.999_9e-4), mean_over_feed(1.000_1e-4), 1e-7);
    }

    #[test]
    fn osmotic_pressure_is_the_example_of_the_sheet() {
        // EQ 2.1: 300 mg/L at 15 °C: 20.5 kPa by the natural-water form.
        near(osmotic_bar(300.0, 15.0), 0.205, 0.005);
    }
}
