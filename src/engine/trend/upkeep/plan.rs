//! The water plan: does the container hold enough for the next change, and when must the plant start.
//!
//! Pure: from content, use, rate and the next change to figures. Invariant: a figure whose inputs are
//! unknown is absent; a shortfall of nothing has no moment by which to start.

use crate::engine::event::Calendar;
use crate::engine::process::salt;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Span, Wall};
use crate::engine::value::{self, Basis, Input, NoReading, Valued, derive};
use crate::units::{Celsius, Litres};

/// The next change, in what it asks of the plant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Need {
    /// When the change takes place.
    pub(super) change: Wall,
    /// When the fresh water must be there: earlier, where salt water is made of it.
    pub(super) ready: Wall,
    /// Litres out of the container.
    pub(super) litres: f64,
    /// Salt water, if any is made.
    pub(super) batch: Option<Batch>,
}

/// Salt water for one change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Batch {
    pub(super) salt_g: f64,
    pub(super) water: f64,
    /// `None`: with this heater the temperature is never reached.
    pub(super) heating_hours: Option<f64>,
    /// Heating and mixing overlap: the longer of both.
    pub(super) hours: f64,
}

/// Salt water of so many litres after the plan's batch; `None` without one or outside its range.
pub(super) fn batch(setup: &Setup, litres: f64) -> Option<Batch> {
    let plan = &setup.plan.batch;
    if plan.salinity <= 0.0 {
        return None;
    }
    let (at, volume) = (Celsius::checked(plan.temperature_c)?, Litres::checked(litres)?);
    let mix = salt::batch(plan.salinity, at, volume, plan.weigh_factor)?;
    let heating_hours = if plan.heater_watts > 0.0 {
        salt::heating_minutes(
            plan.salinity,
            volume,
            Celsius::checked(plan.from_c)?,
            at,
            plan.heater_watts,
            plan.loss_watts_per_k,
        )
        .map(|minutes| minutes / 60.0)
    } else {
        Some(0.0)
    };
    let hours = plan.mixing_hours.max(heating_hours.unwrap_or(0.0));
    Some(Batch { salt_g: mix.salt_g, water: mix.water.get(), heating_hours, hours })
}

/// The next change after `now`.
pub(super) fn next(setup: &Setup, calendar: &Calendar, now: Wall) -> Option<Need> {
    let change = calendar.changes.iter().find(|change| change.at > now)?;
    let litres = change.millilitres as f64 / 1000.0;
    let batch = batch(setup, litres);
    let ahead = batch.map_or(Span::ZERO, |batch| Span::from_secs_f64(3600.0 * batch.hours));
    Some(Need {
        change: change.at,
        ready: change.at + (Span::ZERO - ahead),
        litres: batch.map_or(litres, |batch| batch.water),
        batch,
    })
}

/// What the plan says.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Outlook {
    /// Hours until the container is empty at the present use.
    pub(super) hours_left: value::Result<f64>,
    /// Litres that the next change lacks.
    pub(super) shortfall: value::Result<f64>,
    /// Litres that are left over after it; below zero they lack.
    pub(super) spare: value::Result<f64>,
    /// Hours that making them takes.
    pub(super) making_hours: value::Result<f64>,
    /// Last moment to start, seconds since 1970.
    pub(super) start_by: value::Result<f64>,
    /// The container is too small for the change: litres that it can give at most.
    pub(super) too_small: Option<f64>,
}

/// Works out what is to come. `rate` in L/min.
pub(super) fn outlook(
    setup: &Setup,
    now: (Mono, Wall),
    content: &value::Result<f64>,
    used: &value::Result<f64>,
    rate: &value::Result<f64>,
    need: Option<&Need>,
) -> Outlook {
    let dead = setup.store.dead_litres;
    let hours_left = match (content, used) {
        (Ok(content), Ok(used)) if used.value > 0.0 => {
            derive(&[Input::own(content), Input::own(used)], |x| {
                (x[1] > 0.0).then(|| ((x[0] - dead).max(0.0) / x[1]) * 24.0)
            })
        }
        (Ok(_), Ok(_)) => Err(NoReading::Unsupported),
        (Err(why), _) | (_, Err(why)) => Err(*why),
    };
    let Some(need) = need else {
        let none = Err(NoReading::NotConfigured);
        return Outlook {
            hours_left,
            shortfall: none.clone(),
            spare: none.clone(),
            making_hours: none.clone(),
            start_by: none,
            too_small: None,
        };
    };
    let days = need.ready.since(now.1).days().max(0.0);
    // Until it is learned or declared the use is nothing, and the value says that it is assumed.
    let nothing = Valued::assumed(0.0, 0.0, now.0);
    let used = used.as_ref().unwrap_or(&nothing);
    let spare = match content {
        Ok(content) => derive(&[Input::own(content), Input::own(used)], |x| {
            Some((x[0] - dead - x[1] * days).max(0.0) - need.litres)
        }),
        Err(why) => Err(*why),
    };
    let shortfall = match content {
        Ok(content) => derive(&[Input::own(content), Input::own(used)], |x| {
            Some((need.litres - (x[0] - dead - x[1] * days).max(0.0)).max(0.0))
        }),
        Err(why) => Err(*why),
    };
    let making_hours = match (&shortfall, rate) {
        (Ok(shortfall), Ok(rate)) => derive(&[Input::own(shortfall), Input::own(rate)], |x| {
            (x[1] > 0.0).then(|| x[0] / x[1] / 60.0)
        }),
        (Err(why), _) | (_, Err(why)) => Err(*why),
    };
    let start_by = match (&shortfall, &making_hours) {
        (Ok(shortfall), _) if shortfall.value <= 0.0 => Err(NoReading::NotApplicable),
        (Ok(_), Ok(hours)) => {
            let ready = need.ready.millis() as f64 / 1000.0;
            let u = 3600.0 * hours.u;
            Ok(Valued { u, ..hours.clone().relabel(|hours| ready - 3600.0 * hours) })
        }
        (Err(why), _) | (_, Err(why)) => Err(*why),
    };
    let gives = setup.store.litres - dead;
    let too_small = (setup.store.litres > 0.0 && need.litres > gives).then_some(gives);
    Outlook { hours_left, shortfall, spare, making_hours, start_by, too_small }
}

/// How the plant makes water: flow of settled runs with temperature and pressure taken out.
#[derive(Clone, Copy, Debug, PartialEq, serde::Serialize, serde::Deserialize)]
pub(super) struct RunRate {
    /// L/min into the container.
    pub(super) flow: f64,
    pub(super) celsius: Option<f64>,
    pub(super) bar: Option<f64>,
    pub(super) assumed: bool,
}

/// Rate now from the last runs, by what temperature and net pressure are now.
pub(super) fn rate_now(
    runs: &[RunRate],
    celsius: Option<f64>,
    bar: Option<f64>,
    factor: impl Fn(f64) -> Option<f64>,
    at: Mono,
) -> value::Result<f64> {
    let mut rates: Vec<f64> = runs
        .iter()
        .map(|run| {
            let warm = match (run.celsius.and_then(&factor), celsius.and_then(&factor)) {
                (Some(then), Some(now)) if then > 0.0 => now / then,
                _ => 1.0,
            };
            let pressed = match (run.bar, bar) {
                (Some(then), Some(now)) if then > 0.3 && now > 0.3 => now / then,
                _ => 1.0,
            };
            run.flow * warm * pressed
        })
        .filter(|rate| rate.is_finite() && *rate > 0.0)
        .collect();
    if rates.is_empty() {
        return Err(NoReading::NeverSeen);
    }
    rates.sort_by(f64::total_cmp);
    let middle = rates[rates.len() / 2];
    // A tenth: the temperature forms differ by as much over a usual change (reference sheet 3.4).
    let spread = (rates[rates.len() - 1] - rates[0]) / 2.0;
    let basis = if runs.iter().any(|run| run.assumed) { Basis::Assumed } else { Basis::Measured };
    Ok(Valued { basis, ..Valued::measured(middle, spread.hypot(0.1 * middle), at) })
}

/// Text 10 of the plan: what will be short, and by when the plant must start.
pub(super) fn short_text(
    calendar: &Calendar,
    need: &Need,
    outlook: &Outlook,
    content: f64,
    cold: Option<f64>,
) -> String {
    let change = calendar.civil(need.change);
    let mixing = match need.batch {
        Some(batch) => format!(
            " (its salt water must be mixed from {} on: {:.0} g of salt in {:.1} L)",
            calendar.civil(need.ready),
            batch.salt_g,
            batch.water
        ),
        None => String::new(),
    };
    if let Some(gives) = outlook.too_small {
        return format!(
            "The change on {change} needs {:.0} L, and the container gives {gives:.0} L at most{mixing}. Take the water in two parts, or a larger container.",
            need.litres
        );
    }
    let shortfall = outlook.shortfall.as_ref().map_or(0.0, |valued| valued.value);
    let empty = match &outlook.hours_left {
        Ok(hours) if hours.value < 72.0 => {
            format!(" and at this use is empty in {:.0} h", hours.value)
        }
        _ => String::new(),
    };
    let water = match cold {
        Some(celsius) if celsius < 12.0 => format!(" in cold water ({celsius:.0} °C)"),
        _ => String::new(),
    };
    let start = match (&outlook.making_hours, &outlook.start_by) {
        (Ok(hours), Ok(by)) => {
            let by = Wall::from_millis((by.value * 1000.0) as i64);
            format!(
                "making it{water} takes {:.1} h, so start by {}",
                hours.value,
                calendar.civil(by)
            )
        }
        _ => "how long making it takes is not known yet, so start now".to_owned(),
    };
    format!(
        "The container holds {content:.0} L{empty}; the change on {change} needs {:.0} L{mixing} and will lack {shortfall:.0} L: {start}.",
        need.litres
    )
}
