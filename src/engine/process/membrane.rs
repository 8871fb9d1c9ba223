//! Balances over the membrane: recovery, concentrate, rejection, salt passage, closure.
//!
//! Formulas: reference sheet 2.2 and 3 (mass balances; the log-mean feed-side concentration is the
//! one of the ASTM D4516 normalisation, checked by integration in `tests/reference/ro_balance.csv`).
//! Uncertainty: JCGM 100:2008 through `derive`; probes of one `gain_group` share their gain error, so it
//! cancels in ratios; near the display's step a one-sided bound replaces the symmetric interval.
//!
//! Validity: steady state only, at least three permeate-side volumes after a start, and a feed of at
//! least twenty display steps. Whether that holds is the caller's to know; [`steady_enough`] is the
//! rule.

use crate::engine::fit::special::normal_quantile;
use crate::engine::value::{Flag, Input, NoReading, Reason, Result, Valued, derive};
use crate::units::{Litres, Ratio, Tds};
use serde::{Deserialize, Serialize};

/// Below this recovery the log mean is taken by its series, where the closed form loses digits.
const SERIES_BELOW: f64 = 1e-4;
/// Relative uncertainty of a permeate reading above which first-order propagation no longer holds
/// (reference sheet 10.7).
const FIRST_ORDER_MAX: f64 = 0.3;
/// Coverage of one-sided bounds.
const BOUND_COVERAGE: f64 = 0.95;
/// Feed below this many display steps supports no rejection (reference sheet 3).
const FEED_STEPS_MIN: f64 = 20.0;
/// Wash-out volumes before the membrane counts as steady.
const STEADY_VOLUMES: f64 = 3.0;

/// The three flows of a membrane stage in L/min; any two are enough.
#[derive(Clone, Copy, Debug, Default)]
pub struct Flows<'a> {
    /// What enters.
    pub feed: Option<Input<'a>>,
    /// What passes.
    pub permeate: Option<Input<'a>>,
    /// What leaves with the salt.
    pub concentrate: Option<Input<'a>>,
}

/// A share with a bound for the case that it is too close to zero for a symmetric interval.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Bounded {
    /// The value with its standard uncertainty.
    pub value: Valued<f64>,
    /// The value is below this (salt passage) or above it (rejection) with 95 % coverage; `None`
    /// where value ± uncertainty says it as well.
    pub bound: Option<f64>,
}

/// Recovery from any two flows: permeate over feed. With all three the two that sum up are used for
/// the feed only when the feed meter is missing; the third then serves [`closure`].
///
/// # Errors
/// [`NoReading::NotConfigured`] with fewer than two flows; [`NoReading::Unsupported`] when no water
/// flows or the flows contradict each other (recovery outside 0 to 1).
pub fn recovery(flows: Flows<'_>) -> Result<f64> {
    let share = |y: f64| (0.0..1.0).contains(&y).then_some(y);
    match (flows.feed, flows.permeate, flows.concentrate) {
        (Some(feed), Some(permeate), _) => {
            derive(&[feed, permeate], |x| (x[0] > 0.0).then(|| x[1] / x[0]).and_then(share))
        }
        (None, Some(permeate), Some(concentrate)) => derive(&[permeate, concentrate], |x| {
            (x[0] + x[1] > 0.0).then(|| x[0] / (x[0] + x[1])).and_then(share)
        }),
        (Some(feed), None, Some(concentrate)) => derive(&[feed, concentrate], |x| {
            (x[0] > 0.0).then(|| 1.0 - x[1] / x[0]).and_then(share)
        }),
        _ => Err(NoReading::NotConfigured),
    }
}

/// Recovery from concentrations alone: `(Cc - Cf)/(Cc - Cp)`. Ill-conditioned at low recovery.
///
/// # Errors
/// [`NoReading::Unsupported`] when the concentrate is not at least three combined standard
/// uncertainties above the feed.
pub fn recovery_from_solids(
    feed: Input<'_>,
    permeate: Input<'_>,
    concentrate: Input<'_>,
) -> Result<f64> {
    let rise = derive(&[feed, concentrate], |x| Some(x[1] - x[0]))?;
    if rise.value < 3.0 * rise.u || rise.value <= 0.0 {
        return Err(NoReading::Unsupported);
    }
    derive(&[feed, permeate, concentrate], |x| {
        (x[2] > x[1]).then(|| (x[2] - x[0]) / (x[2] - x[1])).filter(|y| (0.0..1.0).contains(y))
    })
}

/// Litres of concentrate for one of permeate ("waste ratio"): `(1 - Y)/Y`.
///
/// # Errors
/// [`NoReading::Unsupported`] at recovery 0.
pub fn concentrate_ratio(recovery: &Valued<f64>) -> Result<f64> {
    derive(&[Input::own(recovery)], |x| (x[0] > 0.0 && x[0] < 1.0).then(|| (1.0 - x[0]) / x[0]))
}

/// Concentrate by salt balance: `(Cf - Y Cp)/(1 - Y)`, ppm.
///
/// # Errors
/// [`NoReading::Unsupported`] for a recovery that is no share.
pub fn concentrate(feed: Input<'_>, permeate: Input<'_>, recovery: &Valued<f64>) -> Result<f64> {
    derive(&[feed, permeate, Input::own(recovery)], |x| {
        concentrate_plain(x[0], x[1], x[2]).filter(|c| *c >= 0.0)
    })
}

/// [`concentrate`] for plain numbers; `None` for a recovery that is no share.
pub fn concentrate_plain(feed: f64, permeate: f64, recovery: f64) -> Option<f64> {
    (0.0..1.0).contains(&recovery).then(|| (feed - recovery * permeate) / (1.0 - recovery))
}

/// Mean concentration on the feed side over that of the feed, logarithmic mean
/// `ln(1/(1-Y))/Y`. `None` for a recovery that is no share.
pub fn log_mean_factor(recovery: Ratio) -> Option<f64> {
    let y = recovery.get();
    if !(0.0..1.0).contains(&y) {
        return None;
    }
    if y < SERIES_BELOW {
        return Some(1.0 + y / 2.0 + y * y / 3.0);
    }
    Some(-(-y).ln_1p() / y)
}

/// The same by the arithmetic mean of feed and total-rejection concentrate, `(1 + 1/(1-Y))/2`; for
/// comparison with figures made so.
pub fn arithmetic_factor(recovery: Ratio) -> Option<f64> {
    let y = recovery.get();
    (0.0..1.0).contains(&y).then(|| 0.5 * (1.0 + 1.0 / (1.0 - y)))
}

/// Concentration factor of the concentrate if nothing passed: `1/(1-Y)`.
pub fn complete_factor(recovery: Ratio) -> Option<f64> {
    let y = recovery.get();
    (0.0..1.0).contains(&y).then(|| 1.0 / (1.0 - y))
}

/// Salt passage against the feed (nominal): `Cp/Cf`.
///
/// # Errors
/// [`NoReading::Unsupported`] without a positive feed.
pub fn salt_passage(
    feed: Input<'_>,
    permeate: Input<'_>,
) -> std::result::Result<Bounded, NoReading> {
    let value = derive(&[feed, permeate], |x| (x[0] > 0.0).then(|| x[1] / x[0]))?;
    Ok(bounded(value, permeate))
}

/// Salt passage against the mean of the feed side (system): `Cp/(Cf ln(1/(1-Y))/Y)`.
///
/// # Errors
/// [`NoReading::Unsupported`] without a positive feed or a recovery that is a share.
pub fn salt_passage_system(
    feed: Input<'_>,
    permeate: Input<'_>,
    recovery: &Valued<f64>,
) -> std::result::Result<Bounded, NoReading> {
    let value = derive(&[feed, permeate, Input::own(recovery)], |x| {
        let factor = log_mean_factor(Ratio::checked(x[2])?)?;
        (x[0] > 0.0).then(|| x[1] / (x[0] * factor))
    })?;
    Ok(bounded(value, permeate))
}

/// Rejection from a salt passage: `1 - SP`, with the bound turned round.
pub fn rejection(passage: &Bounded) -> Bounded {
    Bounded {
        value: passage.value.clone().relabel(|sp| 1.0 - sp),
        bound: passage.bound.map(|bound| (1.0 - bound).max(0.0)),
    }
}

fn bounded(value: Valued<f64>, permeate: Input<'_>) -> Bounded {
    let reading = permeate.value;
    // The step, not the shared gain, is what hides a small permeate: compare its own uncertainty.
    if reading.value > 0.0 && reading.u <= FIRST_ORDER_MAX * reading.value {
        return Bounded { value, bound: None };
    }
    let bound = (value.value + normal_quantile(BOUND_COVERAGE) * value.u).clamp(0.0, 1.0);
    Bounded { value: value.doubt(Flag::Good, Reason::Resolution), bound: Some(bound) }
}

/// What is missing in the salt balance as a share of the feed: `(Qf Cf - Qp Cp - Qc Cc)/(Qf Cf)`.
/// All three streams must be measured independently: a flow put back from the other two makes this a
/// tautology.
///
/// # Errors
/// [`NoReading::Unsupported`] without salt in the feed.
pub fn closure(flows: [Input<'_>; 3], solids: [Input<'_>; 3]) -> Result<f64> {
    let inputs = [flows[0], flows[1], flows[2], solids[0], solids[1], solids[2]];
    derive(&inputs, |x| {
        let fed = x[0] * x[3];
        (fed > 0.0).then(|| (fed - x[1] * x[4] - x[2] * x[5]) / fed)
    })
}

/// What is missing in the water balance as a share of the feed: `(Qf - Qp - Qc)/Qf`.
///
/// # Errors
/// [`NoReading::Unsupported`] without feed flow.
pub fn water_closure(feed: Input<'_>, permeate: Input<'_>, concentrate: Input<'_>) -> Result<f64> {
    derive(&[feed, permeate, concentrate], |x| (x[0] > 0.0).then(|| (x[0] - x[1] - x[2]) / x[0]))
}

/// Concentration polarisation of one element, `exp(0.7 Y)`: membrane over bulk concentration. Rule
/// from memory, no standard; for display only, the rest leaves it inside the salt permeability.
pub fn polarisation(recovery: Ratio) -> Option<f64> {
    let y = recovery.get();
    (0.0..1.0).contains(&y).then(|| (0.7 * y).exp())
}

/// Whether a rejection may be taken now: the feed at least twenty display steps, and at least three
/// wash-out volumes of permeate since the start (reference sheet 3).
///
/// # Errors
/// [`NoReading::Unsupported`] for a weak feed, [`NoReading::NotApplicable`] before the wash-out is over.
pub fn steady_enough(
    feed: Tds,
    step: Tds,
    since_start: Litres,
    washout: Litres,
) -> std::result::Result<(), NoReading> {
    if feed.get() < FEED_STEPS_MIN * step.get() || feed.get() <= 0.0 {
        return Err(NoReading::Unsupported);
    }
    if since_start.get() < STEADY_VOLUMES * washout.get() {
        return Err(NoReading::NotApplicable);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::time::Mono;

    fn measured(value: f64, u: f64) -> Valued<f64> {
        Valued::measured(value, u, Mono::ZERO)
    }

    #[test]
    fn each_pair_of_flows_gives_the_same_recovery() {
        let (feed, permeate, concentrate) =
            (measured(0.6, 0.0), measured(0.15, 0.0), measured(0.45, 0.0));
        let (f, p, c) =
            (Some(Input::own(&feed)), Some(Input::own(&permeate)), Some(Input::own(&concentrate)));
        for flows in [
            Flows { feed: f, permeate: p, concentrate: None },
            Flows { feed: None, permeate: p, concentrate: c },
            Flows { feed: f, permeate: None, concentrate: c },
        ] {
            assert!((recovery(flows).expect("two flows").value - 0.25).abs() < 1e-12);
        }
        assert_eq!(recovery(Flows { feed: f, ..Flows::default() }), Err(NoReading::NotConfigured));
    }

    #[test]
    fn flows_that_contradict_each_other_give_no_recovery() {
        let (feed, permeate) = (measured(0.1, 0.0), measured(0.15, 0.0));
        let flows = Flows {
            feed: Some(Input::own(&feed)),
            permeate: Some(Input::own(&permeate)),
            concentrate: None,
        };
        assert_eq!(recovery(flows), Err(NoReading::Unsupported));
    }

    #[test]
    fn a_permeate_near_the_step_gets_a_bound_and_a_larger_one_does_not() {
        let step = 1.0 / 12f64.sqrt();
        let feed = measured(300.0, step);
        let (low, high) = (measured(0.0, step), measured(9.0, step));
        let bound = salt_passage(Input::own(&feed), Input::own(&low)).expect("exists");
        let limit = bound.bound.expect("near zero");
        assert!((limit - 1.645 * step / 300.0).abs() < 1e-5, "{limit}");
        assert!((rejection(&bound).bound.expect("turned") - (1.0 - limit)).abs() < 1e-12);
        let clear = salt_passage(Input::own(&feed), Input::own(&high)).expect("exists");
        assert_eq!(clear.bound, None);
    }

    #[test]
    fn a_shared_gain_cancels_in_the_rejection_and_not_in_the_concentrate() {
        let (feed, permeate, y) = (measured(300.0, 0.0), measured(9.0, 0.0), measured(0.25, 0.0));
        let (f, p) = (Input::shared(&feed, 0, 0.05), Input::shared(&permeate, 0, 0.05));
        assert!(salt_passage(f, p).expect("exists").value.u < 1e-12);
        let cc = concentrate(f, p, &y).expect("exists");
        assert!((cc.u - 0.05 * 397.0).abs() < 1e-6, "{cc:?}");
    }

    #[test]
    fn the_series_meets_the_closed_form() {
        let at = |y: f64| log_mean_factor(Ratio::new(y)).expect("a share");
        assert!((at(0.99e-4) - at(1.01e-4)).abs() < 2e-6);
        assert_eq!(at(0.0), 1.0);
        assert_eq!(log_mean_factor(Ratio::new(1.0)), None);
    }

    #[test]
    fn concentrate_close_to_the_feed_gives_no_recovery() {
        let (feed, permeate, concentrate) =
            (measured(300.0, 6.0), measured(9.0, 0.3), measured(310.0, 6.0));
        assert_eq!(
            recovery_from_solids(
                Input::own(&feed),
                Input::own(&permeate),
                Input::own(&concentrate)
            ),
            Err(NoReading::Unsupported)
        );
    }
}
