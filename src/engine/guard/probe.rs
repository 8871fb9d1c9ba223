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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::setup::Setup;
    use crate::settings::schema::{OnStop, Plant};

    /// A sensor of the product line that is said to speak every so many seconds.
    struct Bench {
        setup: Setup,
        probe: Probe,
    }

    impl Bench {
        fn new(quantity: &str, every_secs: f64) -> Self {
            let point = if quantity == "leak" { "room" } else { "product" };
            let plant: Plant = toml::from_str(&format!(
                "[sensors.s]\ntopic = \"s\"\nquantity = \"{quantity}\"\npoint = \"{point}\"\ninterval_secs = {every_secs:.1}"
            ))
            .expect("valid");
            let setup = Setup::resolve("p", &plant, OnStop::Close, 5);
            let probe = Probe::new(&setup.sensors[0], &setup.limits.guard);
            Self { setup, probe }
        }

        /// Whether the reading is plausible.
        fn read(&mut self, secs: f64, value: f64) -> bool {
            let facts = (&self.setup.sensors[0], &self.setup.limits.guard);
            self.probe.reading(Mono::ZERO + Span::from_secs_f64(secs), facts, value, false)
        }
    }

    #[test]
    fn the_same_number_within_two_fifths_of_the_interval_is_the_same_message() {
        for (value, secs, copied) in [
            (7.0, 0.1, true),
            (7.0, 1.9, true),
            (7.0, 2.0, false),
            (7.0, 4.0, false),
            (8.0, 0.1, false),
        ] {
            let mut bench = Bench::new("tds", 5.0);
            assert!(bench.read(10.0, 7.0) && !bench.probe.copied());
            bench.read(10.0 + secs, value);
            assert_eq!(bench.probe.copied(), copied, "{value} after {secs} s");
        }
    }

    #[test]
    fn what_a_switch_says_twice_was_said_twice() {
        let mut bench = Bench::new("leak", 5.0);
        bench.read(10.0, 1.0);
        bench.read(10.1, 1.0);
        assert!(!bench.probe.copied());
    }

    #[test]
    fn what_lies_outside_of_the_range_is_no_reading() {
        let mut bench = Bench::new("temperature", 5.0);
        let (low, high) = bench.setup.sensors[0].range;
        assert!(bench.read(0.0, low) && bench.read(5.0, high));
        for value in [low - 1.0, high + 1.0] {
            assert!(!bench.read(10.0, value), "{value}");
            assert_eq!(bench.probe.last(), Some((Mono::from_millis(5_000), high)));
        }
    }

    #[test]
    fn what_is_offline_is_so_until_it_speaks() {
        let mut bench = Bench::new("tds", 5.0);
        bench.read(0.0, 1.0);
        bench.probe.fault(NoReading::OutOfRange);
        assert!(!bench.probe.is_offline());
        bench.probe.fault(NoReading::Offline);
        assert!(bench.probe.is_offline());
        bench.read(5.0, 1.0);
        assert!(!bench.probe.is_offline());
    }

    #[test]
    fn after_a_start_nothing_is_known_and_a_stored_copy_counts_until_something_live_comes() {
        let mut bench = Bench::new("tds", 5.0);
        bench.read(0.0, 1.0);
        bench.probe.stored(3.0);
        assert_eq!(bench.probe.retained(), None, "the live word is newer");
        bench.probe.started();
        assert_eq!((bench.probe.last(), bench.probe.median()), (None, None));
        bench.probe.stored(3.0);
        assert_eq!(bench.probe.retained(), Some(3.0));
        assert_eq!(bench.probe.last(), None, "a stored copy is no reading");
        bench.read(10.0, 1.0);
        assert_eq!(bench.probe.retained(), None);
        bench.probe.stored(3.0);
        bench.probe.started();
        assert_eq!(bench.probe.retained(), None, "nor does a copy of before outlive a start");
    }

    #[test]
    fn the_median_begins_anew_with_the_water_and_the_last_word_stays() {
        let mut bench = Bench::new("tds", 5.0);
        bench.read(0.0, 9.0);
        bench.probe.forget_window();
        assert_eq!(bench.probe.median(), None);
        assert_eq!(bench.probe.last(), Some((Mono::ZERO, 9.0)));
        bench.read(0.5, 9.0);
        assert!(!bench.probe.copied(), "it is the first of the flowing water");
        assert_eq!(bench.probe.median(), Some(9.0));
    }

    /// A probe that speaks every half a minute at rest is not held for longer than it is silent there.
    #[test]
    fn a_hold_waits_for_a_slow_probe_at_the_probes_own_pace() {
        let silences = |every_secs: f64| {
            let bench = Bench::new("tds", every_secs);
            let (sensor, limits) = (&bench.setup.sensors[0], &bench.setup.limits.guard);
            assert_eq!(bench.probe.expected_standby(), Span::from_secs_f64(every_secs));
            bench.probe.silences(sensor, limits).map(Span::secs)
        };
        assert_eq!(silences(30.0), [60.0, 105.0, 600.0]);
        let [flowing, returning, _] = silences(5.0);
        assert_eq!(
            flowing, returning,
            "a quick one is waited for as strictly as while water flows"
        );
    }
}
