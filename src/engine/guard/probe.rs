//! One sensor as the guard path sees it: plausible, live readings, the median of the last few, and
//! how long it may be silent.
//!
//! Invariants: a retained copy never refreshes a probe; a message that comes twice is one reading (it
//! keeps the probe fresh and adds nothing to the median); an implausible reading counts as none; the
//! limits for silence are bounded whatever was learned.

use crate::engine::setup::SensorSetup;
use crate::engine::signal::interval::{IntervalLearner, Pace};
use crate::engine::signal::median::{MedianWindow, guard_readings};
use crate::engine::time::{Mono, Span};
use crate::engine::value::NoReading;
use crate::settings::schema::GuardLimits;
use serde::{Deserialize, Serialize};

/// The same number again within this share of the usual interval is the same message come twice (a
/// delivery repeated by broker or radio). A probe that truly reads so often is taken at this pace.
const COPY_WITHIN: f64 = 0.4;

/// How long a sensor may be silent: while water flows, while a hold waits for it, on standby.
type Silences = [Span; 3];

/// One sensor of the guard path.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Probe {
    window: MedianWindow,
    interval: Pace<Silences>,
    /// Last live, plausible reading.
    last: Option<(Mono, f64)>,
    /// When the window took its newest reading.
    #[serde(default)]
    taken: Option<Mono>,
    /// The newest message was a copy.
    #[serde(default)]
    copied: bool,
    /// Something live has come since the daemon started.
    live: bool,
    /// The broker's stored copy, while nothing live has come.
    retained: Option<f64>,
    /// Why the last message was no reading.
    fault: Option<NoReading>,
}

impl Probe {
    pub(super) fn new(sensor: &SensorSetup, limits: &GuardLimits) -> Self {
        Self {
            window: MedianWindow::new(guard_readings(limits.median_readings, sensor.interval)),
            interval: Pace::new(sensor.interval),
            last: None,
            taken: None,
            copied: false,
            live: false,
            retained: None,
            fault: None,
        }
    }

    /// Takes a live reading. False when it is implausible.
    pub(super) fn reading(
        &mut self,
        now: Mono,
        (sensor, limits): (&SensorSetup, &GuardLimits),
        value: f64,
        flowing: bool,
    ) -> bool {
        if value < sensor.range.0 || value > sensor.range.1 {
            self.fault = Some(NoReading::OutOfRange);
            return false;
        }
        self.interval.observe(now, flowing, |pace| work_out(pace, sensor, limits));
        self.copied = self.is_copy(now, sensor, value, flowing);
        if !self.copied {
            self.window.push(value);
            self.taken = Some(now);
        }
        self.last = Some((now, value));
        self.live = true;
        self.retained = None;
        self.fault = None;
        true
    }

    fn is_copy(&self, now: Mono, sensor: &SensorSetup, value: f64, flowing: bool) -> bool {
        let within =
            Span::from_secs_f64(COPY_WITHIN * self.interval.learner().expected(flowing).secs());
        let same = self.last.is_some_and(|(_, last)| last == value);
        !sensor.quantity.is_state() && same && self.taken.is_some_and(|at| now.since(at) < within)
    }

    /// The newest message was one that came twice.
    pub(super) fn copied(&self) -> bool {
        self.copied
    }

    /// Takes the broker's stored copy.
    pub(super) fn stored(&mut self, value: f64) {
        if !self.live {
            self.retained = Some(value);
        }
    }

    /// A message was no reading.
    pub(super) fn fault(&mut self, why: NoReading) {
        self.fault = Some(why);
    }

    /// The daemon has started: nothing is fresh any more.
    pub(super) fn started(&mut self) {
        self.window.clear();
        self.interval.interrupted();
        self.live = false;
        self.last = None;
        self.taken = None;
        self.retained = None;
    }

    /// Water began to flow: the median must not reach back into standing water.
    pub(super) fn forget_window(&mut self) {
        self.window.clear();
        self.taken = None;
    }

    /// Median of the last few readings, of those there are while the window fills.
    #[inline]
    pub(super) fn median(&self) -> Option<f64> {
        self.window.partial()
    }

    /// Last live reading and its time.
    #[inline]
    pub(super) fn last(&self) -> Option<(Mono, f64)> {
        self.last
    }

    /// Last live reading, if it is not older than it may be.
    #[inline]
    pub(super) fn fresh(&self, now: Mono, most: Span) -> Option<f64> {
        self.last.filter(|(at, _)| now.since(*at) <= most).map(|(_, value)| value)
    }

    pub(super) fn retained(&self) -> Option<f64> {
        self.retained
    }

    pub(super) fn is_offline(&self) -> bool {
        self.fault == Some(NoReading::Offline)
    }

    /// How often it speaks while no water flows.
    pub(super) fn expected_standby(&self) -> Span {
        self.interval.learner().expected(false)
    }

    /// How long it may be silent while water flows.
    #[inline]
    pub(super) fn silence_flowing(&self, sensor: &SensorSetup, limits: &GuardLimits) -> Span {
        self.silences(sensor, limits)[0]
    }

    /// How long it may be silent on standby.
    #[inline]
    pub(super) fn silence_standby(&self, sensor: &SensorSetup, limits: &GuardLimits) -> Span {
        self.silences(sensor, limits)[2]
    }

    /// How long it may be silent while a hold waits for it to be good again: as strict as while
    /// flowing, but no stricter than its own pace on standby.
    pub(super) fn silence_returning(&self, sensor: &SensorSetup, limits: &GuardLimits) -> Span {
        self.silences(sensor, limits)[1]
    }

    /// All three: while water flows, while a hold waits, on standby.
    #[inline]
    pub(super) fn silences(&self, sensor: &SensorSetup, limits: &GuardLimits) -> Silences {
        self.interval.follows(|pace| work_out(pace, sensor, limits))
    }
}

fn work_out(pace: &IntervalLearner, sensor: &SensorSetup, limits: &GuardLimits) -> Silences {
    let own_pace = Span::from_secs_f64(limits.stale_factor * pace.expected(false).secs());
    let flowing = pace.silence(sensor, limits, true);
    let standby = pace.silence(sensor, limits, false);
    [flowing, flowing.max(own_pace).min(standby), standby]
}
