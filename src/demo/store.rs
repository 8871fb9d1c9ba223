//! The container: level, floats, draws, carbon dioxide from the air.
//!
//! Invariant: litres in = litres held + drawn + spilled, from the litres at time zero.

use super::parameters::StoreParameters;
use super::random::Random;

const DAY: f64 = 86_400.0;
/// What open water takes up from the air in a day or less, ppm (EQ 1.4: about 1 µS/cm).
const AIR_PPM: f64 = 0.5;
/// Time constant of that, s (EQ 8: 2 to 8 h).
const AIR_TAU_SECS: f64 = 5.0 * 3600.0;
/// A person with a pump draws this fast, L/min.
const DRAW_LITRES_PER_MIN: f64 = 8.0;

/// The container.
#[derive(Clone, Debug)]
pub struct Store {
    p: StoreParameters,
    random: Random,
    litres: f64,
    salt_mg: f64,
    air_ppm: f64,
    next_topoff: f64,
    next_change: f64,
    pending_litres: f64,
    full: bool,
    /// Litres drawn since time zero.
    pub drawn_litres: f64,
    /// Litres that ran over since time zero.
    pub spilled_litres: f64,
    /// Litres that were wanted and not there.
    pub unmet_litres: f64,
    /// Salt drawn and spilled, mg.
    pub gone_mg: f64,
}

impl Store {
    /// A container at time zero, filled with pure water.
    pub fn new(p: StoreParameters, seed: u64) -> Self {
        let mut random = Random::branch(seed, "store");
        // Changes happen at eleven in the morning, the first within one period.
        let next_change = if p.change_days > 0.0 {
            (random.between(0.0, p.change_days).floor() + 11.0 / 24.0) * DAY
        } else {
            f64::INFINITY
        };
        let mut store = Self {
            litres: p.start_litres,
            salt_mg: 0.0,
            air_ppm: AIR_PPM,
            next_topoff: 0.0,
            next_change,
            pending_litres: 0.0,
            full: p.start_litres >= p.full_litres,
            drawn_litres: 0.0,
            spilled_litres: 0.0,
            unmet_litres: 0.0,
            gone_mg: 0.0,
            p,
            random,
        };
        store.next_topoff = store.topoff_wait();
        store
    }

    fn topoff_wait(&mut self) -> f64 {
        if self.p.topoff_litres_per_day <= 0.0 {
            return f64::INFINITY;
        }
        let mean = self.p.topoff_each_litres / self.p.topoff_litres_per_day * DAY;
        mean * self.random.between(0.6, 1.4)
    }

    /// Water held, L.
    pub fn litres(&self) -> f64 {
        self.litres
    }

    /// Salt held, mg.
    pub fn salt_mg(&self) -> f64 {
        self.salt_mg
    }

    /// The float switch says full.
    pub fn is_full(&self) -> bool {
        self.full
    }

    /// What a probe in the container would see, ppm.
    pub fn tds_ppm(&self) -> f64 {
        if self.litres > 0.0 { self.salt_mg / self.litres + self.air_ppm } else { 0.0 }
    }

    /// Settings.
    pub fn parameters(&self) -> &StoreParameters {
        &self.p
    }

    /// What a mechanical float lets through now, 0 to 1.
    pub fn float_open(&self) -> f64 {
        if self.p.throttle_litres <= 0.0 {
            return 1.0;
        }
        ((self.p.full_litres - self.litres) / self.p.throttle_litres).clamp(0.0, 1.0)
    }

    /// Somebody takes water.
    pub fn draw(&mut self, litres: f64) {
        self.pending_litres += litres;
    }

    /// Time of the next scheduled draw, s; infinite for none.
    pub fn next_event(&self) -> f64 {
        self.next_topoff.min(self.next_change)
    }

    /// Time passes: `litres_in` of product with `salt_ppm` arrive. Gives the litres that ran over.
    pub fn step(&mut self, now: f64, secs: f64, litres_in: f64, salt_ppm: f64) -> f64 {
        while now >= self.next_topoff {
            self.pending_litres += self.p.topoff_each_litres;
            self.next_topoff += self.topoff_wait();
        }
        while now >= self.next_change {
            self.pending_litres += self.p.change_litres;
            self.next_change += self.p.change_days * DAY;
        }
        let keep = (-secs / AIR_TAU_SECS).exp();
        self.air_ppm = AIR_PPM + (self.air_ppm - AIR_PPM) * keep;
        if litres_in > 0.0 {
            self.air_ppm *= self.litres / (self.litres + litres_in);
            self.litres += litres_in;
            self.salt_mg += litres_in * salt_ppm;
        }
        if self.pending_litres > 0.0 {
            let wanted = self.pending_litres.min(DRAW_LITRES_PER_MIN * secs / 60.0);
            let got = wanted.min(self.litres);
            self.pending_litres -= wanted;
            self.unmet_litres += wanted - got;
            self.drawn_litres += got;
            self.take(got);
        }
        let over = (self.litres - self.p.brim_litres).max(0.0);
        self.spilled_litres += over;
        self.take(over);
        // A reed float: 1 L of hysteresis.
        if self.litres >= self.p.full_litres {
            self.full = true;
        } else if self.litres < self.p.full_litres - 1.0 {
            self.full = false;
        }
        over
    }

    fn take(&mut self, litres: f64) {
        if litres > 0.0 && self.litres > 0.0 {
            let salt = self.salt_mg * litres / self.litres;
            self.salt_mg -= salt;
            self.gone_mg += salt;
            self.litres -= litres;
        }
    }
}
