//! What standing does and what it costs: first water against idle time, diverting, run length.
//!
//! Model (reference sheet 4.1, own derivation from diffusion through the membrane): salt passes into
//! the standing permeate, `C0 = Ceq - (Ceq - Css) exp(-t/tau)`. `tau` computed from the membrane is a
//! lower bound, because part of the volume does not touch it; so both constants are fitted to the
//! owner's own starts, as shares of the feed, with least absolute deviations against the odd start
//! after a flush. Costs and the optimum of diverting: reference sheet 4.3, confirmed by search.

use crate::engine::fit::NoFit;
use crate::engine::fit::least::golden;
use crate::engine::fit::washout::Washout;
use crate::engine::time::Span;
use crate::units::{Litres, Milligrams, Ratio, Tds};
use serde::{Deserialize, Serialize};

/// Starts that the standing model needs.
const STARTS_MIN: usize = 6;
/// Longest over shortest idle time that the standing model needs.
const IDLE_SPAN_MIN: f64 = 3.0;
/// Range of the time constant in minutes: below and above it nothing is learned from starts.
const TAU_MINUTES: (f64, f64) = (2.0, 72.0 * 60.0);

/// First water against idle time.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Share of the way from settled value to feed that first water reaches in the end, 0 to about 1.
    pub reach: Ratio,
    /// Time constant.
    pub tau: Span,
    /// Typical deviation of a start from the model, as a share of the feed.
    pub scatter: f64,
    /// Starts that went in.
    pub starts: usize,
}

/// One start for the standing model.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StandingPoint {
    /// How long the water had stood.
    pub idle: Span,
    /// First water.
    pub first: Tds,
    /// Settled value.
    pub settled: Tds,
    /// Feed at the time.
    pub feed: Tds,
}

impl Standing {
    /// First water to be expected after `idle`.
    pub fn first_water(&self, idle: Span, settled: Tds, feed: Tds) -> Tds {
        let share = self.reach.get() * (1.0 - (-idle.secs() / self.tau.secs()).exp());
        Tds::new(settled.get() + share * (feed.get() - settled.get()).max(0.0))
    }

    /// Share of a full creep that a stop of this length costs. Beyond two time constants only the
    /// number of starts counts.
    pub fn share_of_full(&self, idle: Span) -> Ratio {
        Ratio::new(1.0 - (-idle.secs() / self.tau.secs()).exp())
    }
}

/// Learns the standing model from starts.
///
/// # Errors
/// [`NoFit::TooFewPoints`] below six starts; [`NoFit::NoChange`] when idle times are too alike;
/// [`NoFit::Uncertain`] when the time constant lies outside what the idle times can show;
/// [`NoFit::Rough`] when a typical start misses by more than a quarter of the range.
pub fn fit_standing(points: &[StandingPoint]) -> Result<Standing, NoFit> {
    let usable: Vec<(f64, f64)> = points
        .iter()
        .filter(|p| p.feed.get() > p.settled.get() + 1.0 && p.idle.secs() > 0.0)
        .map(|p| {
            let share = (p.first.get() - p.settled.get()) / (p.feed.get() - p.settled.get());
            (p.idle.minutes(), share.clamp(0.0, 2.0))
        })
        .collect();
    if usable.len() < STARTS_MIN {
        return Err(NoFit::TooFewPoints);
    }
    let shortest = usable.iter().map(|p| p.0).fold(f64::MAX, f64::min);
    let longest = usable.iter().map(|p| p.0).fold(f64::MIN, f64::max);
    if longest < IDLE_SPAN_MIN * shortest {
        return Err(NoFit::NoChange);
    }
    let loss = |log_tau: f64| -> (f64, f64) {
        let tau = log_tau.exp();
        let rise: Vec<f64> = usable.iter().map(|(t, _)| 1.0 - (-t / tau).exp()).collect();
        let reach = weighted_median(usable.iter().zip(&rise).map(|((_, y), r)| (y / r, *r)));
        let sum = usable.iter().zip(&rise).map(|((_, y), r)| (y - reach * r).abs()).sum();
        (sum, reach)
    };
    let (low, high) = (TAU_MINUTES.0.ln(), TAU_MINUTES.1.ln());
    const GRID: usize = 60;
    let width = (high - low) / GRID as f64;
    let best = (0..=GRID)
        .map(|i| low + width * i as f64)
        .min_by(|a, b| loss(*a).0.total_cmp(&loss(*b).0))
        .ok_or(NoFit::NoMinimum)?;
    let log_tau = golden(best - width, best + width, 1e-4, |x| loss(x).0);
    let tau = log_tau.exp();
    if tau < shortest / 5.0 || tau > 3.0 * longest {
        return Err(NoFit::Uncertain);
    }
    let (sum, reach) = loss(log_tau);
    let scatter = sum / usable.len() as f64;
    if scatter > 0.25 * reach {
        return Err(NoFit::Rough);
    }
    Ok(Standing {
        reach: Ratio::new(reach),
        tau: Span::from_secs_f64(60.0 * tau),
        scatter,
        starts: usable.len(),
    })
}

fn weighted_median(values: impl Iterator<Item = (f64, f64)>) -> f64 {
    let mut sorted: Vec<(f64, f64)> = values.filter(|(value, _)| value.is_finite()).collect();
    sorted.sort_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * sorted.iter().map(|(_, weight)| weight).sum::<f64>();
    let mut below = 0.0;
    for (value, weight) in &sorted {
        below += weight;
        if below >= half {
            return *value;
        }
    }
    0.0
}

/// A membrane's geometry for the standing model from first principles.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Geometry {
    /// Salt permeability in L/(m² h).
    pub permeability: f64,
    /// Active area in m².
    pub area: f64,
    /// Volume of the permeate side.
    pub permeate_side: Litres,
    /// Volume of the feed side when it is closed off; `None` for endless.
    pub feed_side: Option<Litres>,
}

impl Geometry {
    /// Time constant and end level of standing water; the time constant is a lower bound.
    pub fn standing(&self, side: Tds, settled: Tds) -> (Span, Tds) {
        let (vp, b) = (self.permeate_side.get(), self.permeability * self.area);
        let endless = 3600.0 * vp / b;
        match self.feed_side {
            None => (Span::from_secs_f64(endless), side),
            Some(vf) => {
                let vf = vf.get();
                let level = (vf * side.get() + vp * settled.get()) / (vf + vp);
                (Span::from_secs_f64(endless / (1.0 + vp / vf)), Tds::new(level))
            }
        }
    }

    /// First water after `idle`.
    pub fn first_water(&self, idle: Span, side: Tds, settled: Tds) -> Tds {
        let (tau, level) = self.standing(side, settled);
        let left = (-idle.secs() / tau.secs()).exp();
        Tds::new(level.get() - (level.get() - settled.get()) * left)
    }
}

/// Salt permeability in L/(m² h) from a settled run: `J SP/(1 - SP)` with the system salt passage
/// (reference sheet 2.5). `None` for a passage that is no share or without area.
pub fn salt_permeability(litres_per_hour: f64, area: f64, passage: Ratio) -> Option<f64> {
    let sp = passage.get();
    (area > 0.0 && (0.0..1.0).contains(&sp)).then(|| litres_per_hour / area * sp / (1.0 - sp))
}

/// Prices that decide about diverting, in any one currency.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Costs {
    /// Resin for one mg of salt on the meter's scale; only what diverting saves.
    pub resin_per_mg: f64,
    /// One litre of permeate thrown away, with its concentrate.
    pub water_per_litre: f64,
}

impl Costs {
    /// From the prices of a vessel's resin, its capacity in equivalents, and a litre of tap water.
    /// One mg on the meter's scale is `1/(factor x us_per_meq)` meq. `None` when a price or figure
    /// is missing (not positive).
    pub fn new(
        vessel_price: f64,
        vessel_equivalents: f64,
        meq_per_mg: f64,
        water_per_litre: f64,
        recovery: Ratio,
    ) -> Option<Self> {
        let known = [vessel_price, vessel_equivalents, meq_per_mg, water_per_litre, recovery.get()];
        if known.iter().any(|x| *x <= 0.0) {
            return None;
        }
        Some(Self {
            resin_per_mg: vessel_price / vessel_equivalents * meq_per_mg / 1000.0,
            water_per_litre: water_per_litre / recovery.get(),
        })
    }

    /// Excess over the settled value from which a litre is better thrown away.
    pub fn break_even(&self) -> Option<Tds> {
        (self.resin_per_mg > 0.0)
            .then(|| Tds::checked(self.water_per_litre / self.resin_per_mg))
            .flatten()
    }

    /// What this much salt costs in resin.
    pub fn resin(&self, salt: Milligrams) -> f64 {
        self.resin_per_mg * salt.get()
    }
}

/// Advice about the first litres.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Divert {
    /// First permeate that is better sent to the drain; 0: none.
    pub litres: Litres,
    /// Salt that this keeps off the resin.
    pub kept_off: Milligrams,
    /// What is saved for each start, water paid.
    pub saving: f64,
}

/// How many litres to send to the drain: while `(C(V) - Css) x resin > water`.
pub fn divert(curve: &Washout, costs: Costs) -> Divert {
    let none = Divert { litres: Litres::new(0.0), kept_off: Milligrams::new(0.0), saving: 0.0 };
    let Some(margin) = costs.break_even() else { return none };
    let litres = match curve.within(margin.get()) {
        Some(litres) if litres > 0.0 => litres,
        _ => return none,
    };
    let kept_off = curve.excess(0.0, litres);
    let saving = kept_off * costs.resin_per_mg - litres * costs.water_per_litre;
    if saving <= 0.0 || !saving.is_finite() {
        return none;
    }
    Divert { litres: Litres::new(litres), kept_off: Milligrams::new(kept_off), saving }
}

/// Run length that costs least: `sqrt(2 D S/h)` (order-quantity form), held within what one run must
/// at least make and the container can take. `None` when a figure is missing.
pub fn best_run(
    litres_per_day: Litres,
    cost_per_start: f64,
    holding_per_litre_day: f64,
    bounds: (Litres, Litres),
) -> Option<Litres> {
    if litres_per_day.get() <= 0.0 || cost_per_start <= 0.0 || bounds.0 > bounds.1 {
        return None;
    }
    let free = if holding_per_litre_day > 0.0 {
        (2.0 * litres_per_day.get() * cost_per_start / holding_per_litre_day).sqrt()
    } else {
        // Holding costs nothing: the longest run there is.
        bounds.1.get()
    };
    Litres::checked(free.clamp(bounds.0.get(), bounds.1.get()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn points(noise: impl Fn(usize) -> f64) -> Vec<StandingPoint> {
        [20.0, 45.0, 60.0, 90.0, 180.0, 300.0, 480.0, 700.0]
            .iter()
            .enumerate()
            .map(|(index, &minutes)| StandingPoint {
                idle: Span::from_secs_f64(60.0 * minutes),
                first: Tds::new(
                    6.0 + 0.6 * 294.0 * (1.0 - (-minutes / 120.0f64).exp()) * (1.0 + noise(index)),
                ),
                settled: Tds::new(6.0),
                feed: Tds::new(300.0),
            })
            .collect()
    }

    #[test]
    fn the_standing_model_is_found_from_starts() {
        let standing = fit_standing(&points(|_| 0.0)).expect("clear");
        assert!((standing.tau.minutes() - 120.0).abs() < 2.0, "{standing:?}");
        assert!((standing.reach.get() - 0.6).abs() < 0.01, "{standing:?}");
        let night = standing.first_water(Span::from_secs(8 * 3600), Tds::new(6.0), Tds::new(300.0));
        assert!((night.get() - 179.0).abs() < 4.0, "{night}");
    }

    #[test]
    fn one_start_after_a_flush_does_not_spoil_it() {
        let standing =
            fit_standing(&points(|index| if index == 6 { -0.9 } else { 0.0 })).expect("robust");
        assert!((standing.tau.minutes() - 120.0).abs() < 15.0, "{standing:?}");
    }

    #[test]
    fn starts_that_are_too_few_or_too_alike_are_refused() {
        assert_eq!(fit_standing(&points(|_| 0.0)[..4]), Err(NoFit::TooFewPoints));
        let alike: Vec<StandingPoint> = points(|_| 0.0)
            .into_iter()
            .map(|p| StandingPoint { idle: Span::from_secs(30_000), ..p })
            .collect();
        assert_eq!(fit_standing(&alike), Err(NoFit::NoChange));
    }

    /// Worked example of the reference sheet 4.3: demand 12 L a day, 0.02 for a start, holding 0.0005.
    #[test]
    fn the_best_run_is_thirty_one_litres_or_what_the_container_takes() {
        let best = |most: f64| {
            best_run(Litres::new(12.0), 0.02, 0.0005, (Litres::new(5.0), Litres::new(most)))
                .expect("figures")
                .get()
        };
        assert!((best(100.0) - 31.0).abs() < 0.1);
        assert_eq!(best(25.0), 25.0);
    }

    /// Worked example of the reference sheet 4.3: a bed at 18 a litre with 0.55 eq, water 0.004.
    #[test]
    fn costs_come_from_prices() {
        let costs = Costs::new(18.0, 0.55, 1.0 / 58.443, 0.004, Ratio::new(0.25)).expect("prices");
        assert!((costs.resin_per_mg - 5.6e-4).abs() < 1e-6, "{costs:?}");
        assert!((costs.water_per_litre - 0.016).abs() < 1e-12);
        assert_eq!(Costs::new(0.0, 0.55, 0.017, 0.004, Ratio::new(0.25)), None);
    }

    /// Worked example of the reference sheet 2.5.
    #[test]
    fn salt_permeability_of_the_worked_example() {
        let b = salt_permeability(9.0, 0.35, Ratio::new(0.0261)).expect("a share");
        assert!((b - 0.69).abs() < 0.005, "{b}");
    }
}
