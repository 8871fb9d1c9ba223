//! The monitor that a careful user would script: raw thresholds three in a row, rejection from the
//! last values, settled means the last reading, resin by rated litres.

use permeated::demo::probes::{Measures, Place, ProbeParameters};

/// A capacity in equivalents as mg of sodium chloride.
const MG_PER_EQ: f64 = 58_443.0;
/// Readings of the first week that make the permeate of the rating.
const WEEK_SECS: f64 = 7.0 * 86_400.0;

/// A start as it saw it.
#[derive(Clone, Copy, Debug)]
pub struct NaiveStart {
    pub began: f64,
    pub settled: f64,
    pub extra_mg: f64,
}

/// The monitor.
#[derive(Clone, Debug, Default)]
pub struct Naive {
    feed: f64,
    permeate: f64,
    flow: f64,
    in_run: bool,
    began: f64,
    trace: Vec<(f64, f64)>,
    run_litres: f64,
    last_at: f64,
    product_over: u32,
    lead_over: u32,
    rejection_low: u32,
    /// mg through the resin since the last service.
    pub load_mg: f64,
    /// The same in all.
    pub grown_mg: f64,
    /// Litres since the last service.
    pub litres: f64,
    first_week: (f64, f64),
    rated_mg: f64,
    /// What it wants to tell or do now; taken by the world.
    pub alarms: Vec<&'static str>,
    pub starts: Vec<NaiveStart>,
}

impl Naive {
    pub fn new(rated_eq: f64) -> Self {
        Self { rated_mg: rated_eq * MG_PER_EQ, ..Self::default() }
    }

    pub fn rejection(&self) -> f64 {
        1.0 - self.permeate / self.feed.max(1.0)
    }

    /// Litres left by the rating at the permeate of the first week.
    pub fn remaining_litres(&self) -> f64 {
        let mean = self.first_week.0 / self.first_week.1.max(1.0);
        (self.rated_mg / mean.max(1.0) - self.litres).max(0.0)
    }

    pub fn resin_changed(&mut self) {
        self.load_mg = 0.0;
        self.litres = 0.0;
        self.lead_over = 0;
    }

    pub fn message(&mut self, now: f64, probe: &ProbeParameters, value: f64) {
        let flowing = self.in_run;
        let mut three = |count: &mut u32, is: bool, what: &'static str| {
            *count = if is { *count + 1 } else { 0 };
            if *count == 3 {
                self.alarms.push(what);
            }
        };
        match (probe.measures, probe.place) {
            (Measures::Tds, Place::Feed) => self.feed = value,
            (Measures::Tds, Place::Product) if flowing => {
                three(&mut self.product_over, value >= 1.0, "product");
            }
            (Measures::Tds, Place::Between) if flowing => {
                three(&mut self.lead_over, value >= 3.0, "lead");
            }
            (Measures::Flow, Place::Permeate) => self.flow = value,
            (Measures::Open, _) => {
                let open = value > 0.5;
                if open && !flowing {
                    (self.began, self.last_at, self.run_litres) = (now, now, 0.0);
                    self.trace.clear();
                }
                if !open && flowing {
                    self.ended();
                }
                self.in_run = open;
            }
            (Measures::Tds, Place::Permeate) if flowing => {
                let minutes = (now - self.last_at) / 60.0;
                self.last_at = now;
                let litres = self.flow * minutes;
                self.run_litres += litres;
                self.litres += litres;
                self.load_mg += litres * value;
                self.grown_mg += litres * value;
                if now < WEEK_SECS {
                    self.first_week.0 += litres * value;
                    self.first_week.1 += litres;
                }
                self.permeate = value;
                self.trace.push((self.run_litres, value));
                let low = self.feed > 0.0 && 1.0 - value / self.feed < 0.93;
                three(&mut self.rejection_low, low, "rejection");
            }
            _ => {}
        }
    }

    fn ended(&mut self) {
        let Some(&(_, settled)) = self.trace.last() else { return };
        let mut extra = 0.0;
        let mut before = 0.0;
        for &(at, value) in &self.trace {
            extra += (value - settled) * (at - before);
            before = at;
        }
        self.starts.push(NaiveStart { began: self.began, settled, extra_mg: extra });
    }
}
