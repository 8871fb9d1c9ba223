//! The tap: dissolved solids, temperature, pressure and chlorine that vary slowly.
//!
//! Random wander is drawn once an hour of plant time and interpolated, so that the tap does not
//! depend on how finely the plant is stepped.

use super::parameters::TapParameters;
use super::random::Random;

const HOUR: f64 = 3600.0;
const DAY: f64 = 86_400.0;
const YEAR: f64 = 365.25 * DAY;

/// What comes out of the tap at one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TapWater {
    /// ppm on the 0.5 scale.
    pub tds_ppm: f64,
    /// °C.
    pub temperature_c: f64,
    /// Static pressure, bar.
    pub pressure_bar: f64,
    /// Total chlorine, mg/L.
    pub chlorine_mg: f64,
    /// Alkalinity, mg/L as CaCO3.
    pub alkalinity_mg: f64,
    /// pH.
    pub ph: f64,
}

#[derive(Clone, Copy, Debug, Default)]
struct Wander {
    tds: f64,
    pressure: f64,
    temperature: f64,
    chlorine: f64,
}

/// The tap.
#[derive(Clone, Debug)]
pub struct Tap {
    parameters: TapParameters,
    random: Random,
    hour: u64,
    from: Wander,
    to: Wander,
    source_share: f64,
    source_hours: f64,
}

/// One hour of an Ornstein-Uhlenbeck wander with unit variance.
fn wander(x: f64, tau_hours: f64, random: &mut Random) -> f64 {
    let keep = (-1.0 / tau_hours).exp();
    keep * x + (1.0 - keep * keep).sqrt() * random.normal()
}

impl Tap {
    /// A tap at time zero.
    pub fn new(parameters: TapParameters, seed: u64) -> Self {
        let mut random = Random::branch(seed, "tap");
        let from = Wander {
            tds: random.normal(),
            pressure: random.normal(),
            temperature: random.normal(),
            chlorine: random.normal(),
        };
        Self { parameters, random, hour: 0, from, to: from, source_share: 0.0, source_hours: 0.0 }
    }

    /// The tap's own settings.
    pub fn parameters(&self) -> &TapParameters {
        &self.parameters
    }

    /// The water at this time in s; times must not fall.
    pub fn at(&mut self, secs: f64) -> TapWater {
        while secs >= self.hour as f64 * HOUR {
            self.hour += 1;
            self.from = self.to;
            let r = &mut self.random;
            self.to = Wander {
                tds: wander(self.from.tds, 72.0, r),
                pressure: wander(self.from.pressure, 3.0, r),
                temperature: wander(self.from.temperature, 60.0, r),
                chlorine: wander(self.from.chlorine, 48.0, r),
            };
            if self.source_hours > 0.0 {
                self.source_hours -= 1.0;
            } else {
                self.source_share = 0.0;
                if r.chance(self.parameters.tds_steps_per_year * HOUR / YEAR) {
                    self.source_share = r.between(-0.35, 0.35);
                    self.source_hours = r.between(100.0, 800.0);
                }
            }
        }
        let p = &self.parameters;
        let share = secs / HOUR - (self.hour - 1) as f64;
        let mix =
            |pick: fn(&Wander) -> f64| pick(&self.from) * (1.0 - share) + pick(&self.to) * share;
        let day = p.start_day + secs / DAY;
        // Coldest near day 40 in the ground, a month after the air.
        let season = -(std::f64::consts::TAU * (day - 40.0) / 365.25).cos();
        let hour = (secs / HOUR) % 24.0;
        let noon = (std::f64::consts::TAU * (hour - 15.0) / 24.0).cos();
        let evening = (-0.5 * ((hour - 19.5) / 1.5).powi(2)).exp();
        let morning = 0.5 * (-0.5 * ((hour - 7.0) / 0.8).powi(2)).exp();
        let swing = 1.0
            + p.tds_season_share * season
            + p.tds_wander_share * mix(|w| w.tds)
            + self.source_share;
        TapWater {
            tds_ppm: (p.tds_ppm * swing).max(5.0),
            temperature_c: (p.temperature_c
                + p.temperature_season_k * season
                + p.temperature_day_k * noon
                + 0.3 * mix(|w| w.temperature))
            .clamp(2.0, 32.0),
            pressure_bar: (p.pressure_bar - p.pressure_dip_bar * evening.max(morning)
                + p.pressure_wander_bar * mix(|w| w.pressure))
            .max(0.5),
            chlorine_mg: p.chlorine_mg * (0.4 * mix(|w| w.chlorine)).exp(),
            alkalinity_mg: p.alkalinity_mg * swing,
            ph: p.ph,
        }
    }
}
