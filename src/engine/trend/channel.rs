//! One sensor on the trend path: put in order, checked, freed of outliers, smoothed, published.
//!
//! Invariants: readings of standing water never meet readings of flowing water, in no window; what
//! is smoothed goes to people only, totals and fits take the cleaned reading; a stored or late copy
//! refreshes nothing; silence while nothing flows is no fault of a probe.

use super::solids::{self, Solids};
use crate::engine::fit::display::{Display, Level, level};
use crate::engine::setup::{SensorSetup, Setup};
use crate::engine::signal::hampel::{Hampel, Kind, Rules, scale_floor};
use crate::engine::signal::interval::{IntervalLearner, Pace, StaleRule};
use crate::engine::signal::order::{Order, Placement};
use crate::engine::signal::plausible::Plausible;
use crate::engine::signal::quantise;
use crate::engine::signal::smooth::Ewma;
use crate::engine::time::{Mono, Now, Span};
use crate::engine::trend::Observation;
use crate::engine::value::{self, Flag, NoReading, Reason, Valued};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::f64::consts::PI;

/// Readings of settled water from which the level of a probe is taken.
const LEVEL_READINGS: usize = 60;
/// ... and how old they may be.
const LEVEL_TIME: Span = Span::from_secs(900);
/// Display steps that a reading needs for a handheld reading to correct the gain (judgement: below,
/// an error of the zero looks the same).
const GAIN_STEPS_MIN: f64 = 4.0;
/// Standard uncertainty of a zero that nobody declared, ppm (reference sheet 0: 0 to 2 ppm is common; a
/// rectangle of that width, JCGM 100 4.3.7). Nothing is taken off for it: many are right.
const ZERO_UNKNOWN_PPM: f64 = 0.58;
/// Good readings in a row that end a trouble.
const GOOD_AGAIN: u32 = 3;
/// A trouble is told after this.
const TROUBLE_TOLD: Span = Span::from_secs(300);

/// One sensor.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Channel {
    /// Id of the sensor, to find it again after the settings changed.
    pub(super) id: String,
    order: Order,
    interval: Pace<[Span; 2]>,
    hampel: Hampel,
    smooth: Ewma,
    /// Cleaned readings of settled flowing water, as displayed on the plant's scale.
    level: VecDeque<(Mono, f64)>,
    /// What `level` comes to on this display: asked for several times between two readings. Forgotten
    /// by whoever changes `level`, and no state.
    #[serde(skip)]
    level_is: Option<(Display, Option<Level>)>,
    /// Last good reading, cleaned (solids: ppm on the plant's scale).
    last: Option<Valued<f64>>,
    /// Last smoothed value of the same.
    shown: Option<Valued<f64>>,
    /// The same before outliers were taken out: what moves at once is seen here first.
    #[serde(default)]
    raw: Option<(Mono, f64)>,
    /// Something live has come since the start of the daemon.
    fresh: bool,
    /// Display step on the plant's scale of the last solids reading.
    step: f64,
    /// What a handheld reading found the probe's gain to be off by; a reading is multiplied by it.
    #[serde(default = "unchanged")]
    correction: f64,
    trouble: Option<Trouble>,
    good: u32,
    /// Nothing has come since the last reading became stale.
    silent: bool,
}

/// A sensor that gives nothing usable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Trouble {
    pub(super) why: NoReading,
    pub(super) since: Mono,
    /// Single good readings came in between.
    #[serde(default)]
    pub(super) some: bool,
}

/// A reading after cleaning.
#[derive(Clone, Debug)]
pub(super) struct Clean {
    /// When it was taken.
    pub(super) at: Mono,
    /// As displayed (solids: on the plant's scale); the neighbours' median where it was an outlier.
    pub(super) value: f64,
    /// It was an outlier.
    pub(super) replaced: bool,
}

impl Channel {
    pub(super) fn new(setup: &Setup, sensor: &SensorSetup) -> Self {
        Self {
            id: sensor.id.clone(),
            order: Order::new(),
            interval: Pace::new(sensor.interval),
            hampel: Hampel::new(hampel_rules(setup, sensor)),
            smooth: Ewma::new(time_constant(sensor.quantity)),
            level: VecDeque::new(),
            level_is: None,
            last: None,
            shown: None,
            raw: None,
            fresh: false,
            step: plant_step(setup, sensor),
            correction: unchanged(),
            trouble: None,
            good: 0,
            silent: false,
        }
    }

    /// Takes a message; `None` for a copy, for what is older than what is known, and for no reading.
    /// `temperature`: of the water at this probe; `making`: water is being made.
    pub(super) fn take(
        &mut self,
        setup: &Setup,
        sensor: &SensorSetup,
        now: Now,
        observation: Observation,
        making: bool,
        temperature: Option<&Valued<f64>>,
    ) -> Option<Clean> {
        let Observation { value, stamp, retained } = observation;
        let placed = self.order.place(now.mono, stamp, value, retained);
        if placed.placement == Placement::Duplicate || !placed.placement.is_live() {
            return None;
        }
        let changed = self.last.as_ref().is_none_or(|last| last.value != value);
        if sensor.quantity.is_state() && changed {
            self.interval.interrupted();
        }
        self.interval.observe(now.mono, making, |pace| patience(pace, setup, sensor));
        self.silent = false;
        if let Err(why) = Plausible::of(sensor).check(value) {
            self.bad(why, now.mono);
            return None;
        }
        let u = quantise::u_own(sensor);
        let mut valued = if sensor.is_solids() {
            match solids::convert(sensor, setup.ppm_factor, value, u, placed.at, temperature) {
                Ok(Solids { tds, step }) => {
                    // The grid of the display is stretched with its readings.
                    self.step = step * self.correction;
                    let (value, u) = (tds.value * self.correction, tds.u * self.correction);
                    Valued { value, u, ..tds }
                }
                Err(why) => {
                    self.bad(why, now.mono);
                    return None;
                }
            }
        } else {
            Valued::measured(value, u, placed.at)
        };
        if placed.placement == Placement::ClockStepped && stamp.is_some() {
            valued = valued.doubt(Flag::Suspect, Reason::Clock);
        }
        self.fresh = true;
        self.good = self.good.saturating_add(1);
        if self.good >= GOOD_AGAIN {
            self.trouble = None;
        } else if let Some(trouble) = &mut self.trouble {
            trouble.some = true;
        }
        if sensor.is_solids() && !making {
            // Standing water: nothing of it may meet flowing water.
            return Some(Clean { at: placed.at, value: valued.value, replaced: false });
        }
        if sensor.quantity.is_state()
            || matches!(sensor.quantity, Quantity::Pulses | Quantity::Volume)
        {
            // A switch has no neighbours in between and a count only rises: neither has spikes.
            let value = valued.value;
            self.shown = Some(valued.clone());
            self.last = Some(valued);
            return Some(Clean { at: placed.at, value, replaced: false });
        }
        self.raw = Some((placed.at, valued.value));
        let (cleaned, replaced) = match self.hampel.push(placed.at, valued.value) {
            None => {
                valued = valued.doubt(Flag::NotEvaluated, Reason::FewSamples);
                (valued.value, false)
            }
            Some(cleaned) => (cleaned.value, cleaned.kind == Kind::Replaced),
        };
        if replaced {
            valued = valued.doubt(Flag::Suspect, Reason::Spike);
        }
        valued.value = cleaned;
        let smoothed = self.smooth.push(placed.at, cleaned).unwrap_or(cleaned);
        let mut shown = Valued { value: smoothed, ..valued.clone() };
        shown.u = shown.u.hypot(sensor.gain_u * smoothed);
        self.shown = Some(shown);
        self.last = Some(valued);
        Some(Clean { at: placed.at, value: cleaned, replaced })
    }

    /// A message that was no reading, or the sensor's own word that it is offline.
    pub(super) fn missing(&mut self, why: NoReading, now: Mono, flowing: bool) {
        if matches!(why, NoReading::Offline | NoReading::Stale) {
            self.interval.interrupted();
            if flowing {
                self.bad(why, now);
            }
        } else {
            self.bad(why, now);
        }
    }

    /// Its last reading became stale.
    pub(super) fn fell_silent(&mut self, now: Mono, flowing: bool) {
        self.silent = true;
        self.missing(NoReading::Stale, now, flowing);
    }

    /// Nothing has ever come, not even the broker's stored copy.
    pub(super) fn was_never_heard(&self) -> bool {
        self.interval.learner().last().is_none() && self.shown.is_none()
    }

    /// Nothing has come since its last reading became stale.
    pub(super) fn is_silent(&self) -> bool {
        self.silent
    }

    /// Readings come, and nothing is wrong with them.
    pub(super) fn is_well(&self) -> bool {
        self.trouble.is_none() && self.good >= GOOD_AGAIN
    }

    /// Lowest and highest of the kept readings of settled water; `None` below five.
    pub(super) fn settled_spread(&self) -> Option<(f64, f64)> {
        (self.level.len() >= 5).then(|| {
            self.level.iter().fold((f64::MAX, f64::MIN), |(low, high), &(_, value)| {
                (low.min(value), high.max(value))
            })
        })
    }

    /// The same sensor under changed settings: what is measured against them starts anew.
    pub(super) fn refitted(self, setup: &Setup, sensor: &SensorSetup) -> Self {
        let fresh = Self::new(setup, sensor);
        let interval = self.interval.refitted();
        Self { hampel: fresh.hampel, smooth: fresh.smooth, step: fresh.step, interval, ..self }
    }

    fn bad(&mut self, why: NoReading, now: Mono) {
        self.good = 0;
        self.trouble.get_or_insert(Trouble { why, since: now, some: false });
    }

    /// A trouble that is told once it has lasted: after a good reading the next one decides, and the silence of
    /// a leak sensor has an alarm of its own.
    fn to_tell(&self, sensor: &SensorSetup) -> Option<Trouble> {
        let silent = |why| matches!(why, NoReading::Stale | NoReading::NeverSeen);
        let own = |why| sensor.quantity == Quantity::Leak && silent(why);
        self.trouble.filter(|trouble| self.good == 0 && !own(trouble.why))
    }

    /// A trouble that has lasted long enough to be told.
    pub(super) fn told_trouble(&self, sensor: &SensorSetup, now: Mono) -> Option<Trouble> {
        self.to_tell(sensor).filter(|trouble| now >= trouble.since + told_after(sensor))
    }

    /// When a trouble that is not told yet will be.
    pub(super) fn trouble_due(&self, sensor: &SensorSetup) -> Option<Mono> {
        self.to_tell(sensor).map(|trouble| trouble.since + told_after(sensor))
    }

    /// Flow stopped: a silence that began with it is no fault.
    pub(super) fn forgive_silence(&mut self, sensor: &SensorSetup, now: Mono) {
        if self.told_trouble(sensor, now).is_none()
            && self.trouble.is_some_and(|t| {
                matches!(t.why, NoReading::Stale | NoReading::Offline | NoReading::NeverSeen)
            })
        {
            self.trouble = None;
        }
    }

    /// Keeps a reading of settled water for the level.
    pub(super) fn settled(&mut self, clean: &Clean) {
        if clean.replaced {
            return;
        }
        self.level_is = None;
        if self.level.len() == LEVEL_READINGS {
            self.level.pop_front();
        }
        self.level.push_back((clean.at, clean.value));
        while self.level.front().is_some_and(|&(at, _)| clean.at.since(at) > LEVEL_TIME) {
            self.level.pop_front();
        }
    }

    fn forget_level(&mut self) {
        self.level.clear();
        self.level_is = None;
    }

    /// Works out the level for those who will ask for it before the next reading.
    pub(super) fn know_level(&mut self, sensor: &SensorSetup) {
        let display = self.display(sensor);
        self.level_is = Some((display, self.level_on(display)));
    }

    fn level_on(&self, display: Display) -> Option<Level> {
        let shown: Vec<f64> = self.level.iter().map(|&(_, value)| value).collect();
        level(&shown, display)
    }

    /// Level of settled flowing water: ppm on the plant's scale with the probe's own uncertainty,
    /// without its gain. Readings divide the display step only where they dither.
    pub(super) fn settled_level(&self, sensor: &SensorSetup) -> Option<Valued<f64>> {
        let last = self.last.as_ref()?;
        let (newest, _) = *self.level.back()?;
        let display = self.display(sensor);
        let level = match self.level_is {
            Some((of, level)) if of == display => level,
            _ => self.level_on(display),
        }?;
        let zero = if sensor.quantity == Quantity::Resistivity {
            0.0
        } else {
            sensor.zero_u * self.step_scale(sensor)
        };
        let mut valued = Valued {
            value: level.value,
            u: level.u.hypot(zero),
            flag: Flag::Good,
            reasons: Vec::new(),
            basis: last.basis,
            as_of: newest,
        };
        for &reason in last.reasons.iter().filter(|&&reason| reason == Reason::Compensation) {
            valued = valued.doubt(Flag::Suspect, reason);
        }
        if self.level.len() < 5 {
            valued = valued.doubt(Flag::NotEvaluated, Reason::FewSamples);
        }
        Some(valued)
    }

    /// A reading of this probe without what its zero adds: nothing where a handheld reading has set the
    /// probe right as it stands. Where nobody declared the zero nothing is taken off, and the reading is
    /// as unsure as zeros are.
    ///
    /// The zero of a conductivity probe is one-sided: leakage, a wet connector or a film on the cell add
    /// conductance and nothing takes any away, and a display does not go below 0 (reference sheet 0: an
    /// offset of 0 to 2 ppm is common). So `zero_u` is the width of half a normal distribution, which is
    /// 0.80 of it in the mean with a standard deviation of 0.60 (Johnson, Kotz & Balakrishnan,
    /// Continuous Univariate Distributions 1, 1994, 10.1).
    pub(super) fn without_zero(&self, sensor: &SensorSetup, shown: Valued<f64>) -> Valued<f64> {
        if sensor.quantity == Quantity::Resistivity || self.correction != unchanged() {
            return shown;
        }
        if sensor.zero_u <= 0.0 {
            return Valued { u: shown.u.hypot(ZERO_UNKNOWN_PPM), ..shown };
        }
        let width = sensor.zero_u * self.step_scale(sensor);
        let other = (shown.u.powi(2) - width.powi(2)).max(0.0);
        // Never below half of what is shown: the display says that something is there.
        let value = (shown.value - (2.0 / PI).sqrt() * width).max(0.5 * shown.value);
        let u = (other + (1.0 - 2.0 / PI) * width.powi(2)).sqrt();
        Valued { value, u, ..shown }
    }

    /// ppm on the plant's scale for one unit of the sensor, for uncertainties.
    fn step_scale(&self, sensor: &SensorSetup) -> f64 {
        if sensor.step > 0.0 { self.step / sensor.step } else { 1.0 }
    }

    /// How the probe shows ppm of the plant's scale.
    pub(super) fn display(&self, sensor: &SensorSetup) -> Display {
        // A resistivity step is no even step in ppm; it is fine where resistivity is used at all.
        if sensor.quantity == Quantity::Resistivity {
            return Display { step: 0.0, rounding: sensor.rounding };
        }
        Display { step: self.step, rounding: sensor.rounding }
    }

    /// A handheld reading says what this probe should have shown: its gain is corrected from now on,
    /// by as much as the handheld is surer than the probe. `None`, and nothing corrected, where the
    /// probe shows too few steps for a gain to be told from a zero. Gives the correction in all.
    pub(super) fn corrected(&mut self, shown: f64, by_hand: f64, u: f64) -> Option<f64> {
        if shown < GAIN_STEPS_MIN * self.step.max(0.1) || by_hand <= 0.0 {
            return None;
        }
        // A probe that has drifted away may be off by anything; its label no longer counts.
        let own = (by_hand / shown - 1.0).powi(2);
        let other = (u / by_hand).powi(2);
        let gain = own / (own + other);
        self.correction *= 1.0 + gain * (by_hand / shown - 1.0);
        self.correction = self.correction.clamp(0.2, 5.0);
        // What was kept was shown by another probe, so to say.
        self.forget_level();
        self.hampel.clear();
        self.smooth.clear();
        Some(self.correction)
    }

    /// What a handheld reading made of this probe's readings; 1 where none did.
    pub(super) const fn correction(&self) -> f64 {
        self.correction
    }

    /// The probe is what its label says again: somebody has calibrated it.
    pub(super) fn calibrated(&mut self) {
        self.correction = unchanged();
        self.level.clear();
        self.hampel.clear();
        self.smooth.clear();
    }

    /// Last good reading, cleaned; `None` when it is older than `longest` or from before the start.
    pub(super) fn recent(&self, now: Mono, longest: Span) -> Option<&Valued<f64>> {
        self.last.as_ref().filter(|last| self.fresh && now.since(last.as_of) <= longest)
    }

    /// When its last value is from.
    pub(super) fn read_at(&self) -> Option<Mono> {
        self.last.as_ref().map(|last| last.as_of)
    }

    /// Last good reading as it came, and when it was taken.
    pub(super) const fn raw(&self) -> Option<(Mono, f64)> {
        self.raw
    }

    /// What is published of this sensor.
    pub(super) fn published(
        &self,
        setup: &Setup,
        sensor: &SensorSetup,
        now: Mono,
        making: bool,
        flowing: bool,
    ) -> value::Result<f64> {
        if !self.fresh {
            return Err(if self.interval.learner().last().is_some() || self.last.is_some() {
                NoReading::NotSinceStart
            } else {
                NoReading::NeverSeen
            });
        }
        if sensor.is_solids() && !making {
            return Err(NoReading::NotApplicable);
        }
        if let Some(trouble) = self.trouble.filter(|_| self.good == 0) {
            return Err(trouble.why);
        }
        if self.stale_at(setup, sensor, flowing).is_some_and(|at| now >= at) {
            return Err(NoReading::Stale);
        }
        let shown = self.shown.clone().ok_or(NoReading::NotSinceStart)?;
        match sensor.quantity {
            Quantity::Conductivity => Ok(scaled(shown, 1.0 / setup.ppm_factor)),
            Quantity::Resistivity => {
                let conductivity = scaled(shown, 1.0 / setup.ppm_factor);
                if conductivity.value <= 0.0 {
                    return Err(NoReading::Unsupported);
                }
                let resistivity = 1.0 / conductivity.value;
                let u = conductivity.u * resistivity * resistivity;
                Ok(Valued { u, ..conductivity.relabel(|_| resistivity) })
            }
            _ => Ok(shown),
        }
    }

    /// When the last reading becomes stale. Counters and switches that speak on change have no such
    /// time while nothing flows.
    pub(super) fn stale_at(
        &self,
        setup: &Setup,
        sensor: &SensorSetup,
        flowing: bool,
    ) -> Option<Mono> {
        if !self.fresh {
            return None;
        }
        let on_change = matches!(sensor.quantity, Quantity::Pulses | Quantity::Volume)
            || sensor.quantity.is_state();
        if (on_change || sensor.is_solids()) && !flowing && !sensor.battery {
            return None;
        }
        let [standing, running] = self.interval.follows(|pace| patience(pace, setup, sensor));
        self.interval.learner().last().map(|last| last + if flowing { running } else { standing })
    }

    /// Water begins or ends to flow: windows of one never hold readings of the other.
    pub(super) fn run_changed(&mut self, sensor: &SensorSetup) {
        if sensor.is_solids() {
            self.hampel.clear();
            self.smooth.clear();
            self.forget_level();
            self.shown = None;
        }
    }

    /// Seeds the published value with the broker's stored copy: for display, doubted.
    pub(super) fn seed(
        &mut self,
        sensor: &SensorSetup,
        value: f64,
        now: Mono,
    ) -> Option<Valued<f64>> {
        if self.fresh || sensor.is_solids() || Plausible::of(sensor).check(value).is_err() {
            return None;
        }
        let valued = Valued::measured(value, quantise::u_alone(sensor, value), now);
        Some(valued.doubt(Flag::Suspect, Reason::Retained))
    }

    /// The daemon starts again: nothing is fresh.
    pub(super) fn restarted(&mut self, sensor: &SensorSetup) {
        self.fresh = false;
        self.shown = None;
        self.hampel.clear();
        self.smooth.clear();
        self.forget_level();
        self.interval.interrupted();
        self.good = 0;
        if self.trouble.is_some_and(|t| matches!(t.why, NoReading::Stale | NoReading::Offline))
            && !sensor.battery
        {
            self.trouble = None;
        }
    }
}

/// After how long a silence a reading is stale: while no water flows, and while it does. A switch tells what
/// changes; only what it says again without a change is a heartbeat, which has nothing to do with the flow.
/// One that never repeats itself may be silent for as long as one on a battery.
fn patience(pace: &IntervalLearner, setup: &Setup, sensor: &SensorSetup) -> [Span; 2] {
    let limits = &setup.limits.guard;
    if sensor.quantity.is_state() {
        let rule = StaleRule::of(sensor, limits, false);
        let heard = [false, true].into_iter().filter(|&flowing| pace.is_learned(flowing));
        let beat = heard.map(|flowing| pace.expected(flowing)).max();
        return [beat.map_or(rule.max, |beat| rule.after(beat)); 2];
    }
    [false, true].map(|flowing| match sensor.battery {
        true => pace.silence(sensor, limits, flowing),
        false => pace.stale_after(flowing, &StaleRule::of(sensor, limits, flowing)),
    })
}

/// No correction.
fn unchanged() -> f64 {
    1.0
}

fn scaled(valued: Valued<f64>, factor: f64) -> Valued<f64> {
    let u = valued.u * factor;
    Valued { u, ..valued.relabel(|value| value * factor) }
}

/// Step of a solids probe on the plant's scale; of others their own.
fn plant_step(setup: &Setup, sensor: &SensorSetup) -> f64 {
    match sensor.quantity {
        Quantity::Tds => sensor.step * setup.ppm_factor / sensor.ppm_factor,
        Quantity::Conductivity => sensor.step * setup.ppm_factor,
        Quantity::Resistivity => 0.0,
        _ => sensor.step,
    }
}

fn hampel_rules(setup: &Setup, sensor: &SensorSetup) -> Rules {
    let step = plant_step(setup, sensor);
    let time = (sensor.interval * 15).max(Span::from_secs(60));
    let rules = Rules::usual(step, time);
    // Where no step is declared the floor must come from the quantity: judgement.
    let least = match sensor.quantity {
        Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity => 0.1,
        Quantity::Temperature => 0.2,
        Quantity::Pressure => 0.05,
        Quantity::Flow => 0.01,
        Quantity::Level => 0.3,
        _ => 0.0,
    };
    Rules { floor: scale_floor(step).max(least), ..rules }
}

/// Time constant of what people see. Judgement: long enough for a steady digit, short against a
/// start.
fn time_constant(quantity: Quantity) -> Span {
    match quantity {
        Quantity::Temperature | Quantity::Level => Span::from_secs(60),
        Quantity::Flow | Quantity::Power => Span::from_secs(15),
        _ => Span::from_secs(30),
    }
}

fn told_after(sensor: &SensorSetup) -> Span {
    TROUBLE_TOLD.max(sensor.interval * 10)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::setup::Setup;
    use crate::settings::schema::{OnStop, Plant};

    /// Who declares nothing gets what such probes are like: gains 5 % low and 4 % high and a zero of half a
    /// ppm are within what is told of the permeate.
    #[test]
    fn a_probe_of_which_nothing_is_declared_is_as_unsure_as_such_probes_are() {
        let plant: Plant = toml::from_str(
            "[sensors.p]\ntopic = \"p\"\nquantity = \"tds\"\npoint = \"permeate\"\nstep = 1.0",
        )
        .expect("valid");
        let setup = Setup::resolve("p", &plant, OnStop::Close, 5);
        let sensor = &setup.sensors[0];
        assert_eq!(sensor.gain_u, 0.05);
        let channel = Channel::new(&setup, sensor);
        let shown = Valued::measured(8.5, 0.1, Mono::ZERO);
        let level = channel.without_zero(sensor, shown);
        assert_eq!(level.value, 8.5, "nothing is taken off for what nobody knows");
        assert!(1.96 * level.u > 0.5 && level.u < 0.7, "{}", level.u);
    }

    /// 0.3 ppm: the mean of half a normal distribution is 0.239, its standard deviation 0.181.
    #[test]
    fn what_a_zero_adds_is_one_sided_and_ends_with_a_handheld_reading() {
        let plant: Plant = toml::from_str(
            "[sensors.p]\ntopic = \"p\"\nquantity = \"tds\"\npoint = \"permeate\"\nstep = 1.0\nzero_u = 0.3",
        )
        .expect("valid");
        let setup = Setup::resolve("p", &plant, OnStop::Close, 5);
        let sensor = &setup.sensors[0];
        let mut channel = Channel::new(&setup, sensor);
        let shown = |value: f64| Valued::measured(value, 0.4f64.hypot(0.3), Mono::ZERO);
        let itself = channel.without_zero(sensor, shown(6.0));
        assert!((itself.value - 5.760_6).abs() < 1e-3, "{itself:?}");
        assert!((itself.u - 0.4f64.hypot(0.180_8)).abs() < 1e-3, "{itself:?}");
        assert_eq!(channel.without_zero(sensor, shown(0.2)).value, 0.1);
        channel.corrected(6.0, 5.0, 0.1).expect("enough steps");
        assert_eq!(channel.without_zero(sensor, shown(5.0)).value, 5.0);
    }
}
