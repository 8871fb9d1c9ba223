//! How often a sensor speaks, and from when on its silence means something.
//!
//! Two intervals are learned, one while water flows and one while it stands, because most devices
//! report faster when something changes. Each is the median of the last 15 gaps between arrivals.
//!
//! How many messages a radio loses is learned too: silence of so many intervals must be less likely
//! than one in ten million readings, else a radio that loses a tenth would hold the plant every day
//! (three lost in a row: one reading in a thousand). Losses are taken as independent; a radio that is
//! away altogether is silent by any rule.
//!
//! Invariants: bursts and duplicates (several messages at once after a radio gap) do not shorten
//! the interval; one outage does not lengthen it; a gap that began while water stood and ended while
//! it flowed is learned by neither; until five gaps are known the declared interval stands. Silence
//! is measured from the last *live* arrival; whatever is learned, the deadline stays within its
//! bounds, so that a sensor cannot teach us to wait for ever.

use crate::engine::setup::SensorSetup;
use crate::engine::time::{Mono, Span};
use crate::settings::schema::GuardLimits;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Gaps kept for each of the two states.
const GAPS_MAX: usize = 15;
/// Gaps needed before the learned interval replaces the declared one.
const GAPS_MIN: usize = 5;
/// Arrivals closer together than this share of the expected interval are one arrival.
const BURST_SHARE: f64 = 0.1;

/// A message may be this late for reasons of the radio (retries, roaming) without having been lost;
/// found on a thousand simulated starts, where 3.5 intervals alone held one healthy plant.
const LATE_MOST: Span = Span::from_secs(2);

/// Chance of a false silence that is taken for each reading: a plant gives about half a million
/// readings of its product probe in a year.
const FALSE_SILENCE: f64 = 1e-7;
/// Before anything is known: so many messages of which one was lost.
const LOSS_PRIOR: (f64, f64) = (1.0, 50.0);
/// Messages over which the loss is remembered.
const LOSS_MEMORY: f64 = 400.0;
/// A gap longer than so many intervals is an outage, which says nothing about single messages.
const OUTAGE_INTERVALS: f64 = 10.0;
/// What is looked at comes up to so much of an interval after the last one that was due.
const JITTER_INTERVALS: f64 = 1.5;

/// When silence becomes staleness: `factor` expected intervals and the lateness of a radio, within
/// `min` and `max`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct StaleRule {
    /// Expected intervals.
    pub factor: f64,
    /// At least this.
    pub min: Span,
    /// At most this; wins over `min`.
    pub max: Span,
}

impl StaleRule {
    /// The rule for a sensor: while water flows 3.5 intervals within 15 to 60 s; on standby as many
    /// and at least 10 min; a sensor on a battery 2 of its heartbeats, at most 26 h. All from the
    /// settings.
    pub fn of(sensor: &SensorSetup, limits: &GuardLimits, flowing: bool) -> Self {
        let secs = Span::from_secs_f64;
        let standby = secs(limits.standby_min_secs);
        if sensor.battery {
            Self { factor: 2.0, min: standby, max: secs(limits.battery_max_secs) }
        } else if flowing {
            Self {
                factor: limits.stale_factor,
                min: secs(limits.stale_min_secs),
                max: secs(limits.stale_max_secs),
            }
        } else {
            let max = secs(limits.battery_max_secs).max(standby);
            Self { factor: limits.stale_factor, min: standby, max }
        }
    }

    /// The deadline for an expected interval.
    pub fn after(&self, interval: Span) -> Span {
        (Span::from_secs_f64(self.factor * interval.secs()) + LATE_MOST).max(self.min).min(self.max)
    }
}

/// Learns how often a sensor speaks.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct IntervalLearner {
    declared: Span,
    flowing: VecDeque<Span>,
    idle: VecDeque<Span>,
    /// Middles of the two, kept because they are asked for at every event and change seldom.
    #[serde(default)]
    usual: (Option<Span>, Option<Span>),
    /// Start of the gap that is being measured, and whether water flowed then.
    from: Option<(Mono, bool)>,
    last: Option<Mono>,
    /// Messages that were lost and that were due while water flowed, lately.
    #[serde(default)]
    lost: (f64, f64),
    /// What follows from `lost`, kept because it is asked for at every event and changes with a gap.
    #[serde(default)]
    unexplained: Option<f64>,
}

impl IntervalLearner {
    /// Starts from the declared interval.
    pub fn new(declared: Span) -> Self {
        let mut new = Self {
            declared,
            flowing: VecDeque::new(),
            idle: VecDeque::new(),
            usual: (None, None),
            from: None,
            last: None,
            lost: (0.0, 0.0),
            unexplained: None,
        };
        new.unexplained = Some(new.work_out_unexplained());
        new
    }

    /// A live message arrived. Retained copies do not come here.
    pub fn observe(&mut self, now: Mono, flowing: bool) {
        self.last = Some(now);
        let Some((from, flowed)) = self.from else {
            self.from = Some((now, flowing));
            return;
        };
        if flowed != flowing {
            self.from = Some((now, flowing));
            return;
        }
        let gap = now.since(from);
        // What comes with a burst belongs to the gap before it. A sensor that has truly become
        // faster is followed, tenfold at a time.
        if gap.secs() < BURST_SHARE * self.expected(flowing).secs() || gap <= Span::ZERO {
            return;
        }
        self.count_lost(gap, flowing);
        let gaps = if flowing { &mut self.flowing } else { &mut self.idle };
        let oldest = if gaps.len() == GAPS_MAX { gaps.pop_front() } else { None };
        gaps.push_back(gap);
        let usual = if flowing { &mut self.usual.0 } else { &mut self.usual.1 };
        // One gap for another on the same side of the middle leaves the middle where it is.
        let stays = |(out, middle): (Span, Span)| {
            out == gap || (out < middle && gap < middle) || (out > middle && gap > middle)
        };
        if !oldest.zip(*usual).is_some_and(stays) {
            *usual = middle(gaps);
        }
        self.from = Some((now, flowing));
    }

    fn count_lost(&mut self, gap: Span, flowing: bool) {
        let intervals = gap.secs() / self.expected(flowing).secs().max(1e-3);
        if !flowing || !self.is_learned(true) || intervals > OUTAGE_INTERVALS {
            return;
        }
        let (lost, due) = &mut self.lost;
        let fade = 1.0 - 1.0 / LOSS_MEMORY;
        *lost = *lost * fade + (intervals.round() - 1.0).max(0.0);
        *due = *due * fade + intervals.round().max(1.0);
        self.unexplained = Some(self.work_out_unexplained());
    }

    /// Share of its messages that the radio loses while water flows.
    pub fn loss(&self) -> f64 {
        let (lost, due) = self.lost;
        ((lost + LOSS_PRIOR.0) / (due + LOSS_PRIOR.1)).clamp(0.001, 0.5)
    }

    /// Expected intervals of silence that the loss of single messages does not explain.
    pub fn unexplained_intervals(&self) -> f64 {
        self.unexplained.unwrap_or_else(|| self.work_out_unexplained())
    }

    fn work_out_unexplained(&self) -> f64 {
        FALSE_SILENCE.ln() / self.loss().ln() + JITTER_INTERVALS
    }

    /// The gap under way is not to be learned: the broker or the daemon was away, or the sensor said
    /// that it went offline.
    pub fn interrupted(&mut self) {
        self.from = None;
    }

    /// Expected interval: learned, or declared until enough is known.
    pub fn expected(&self, flowing: bool) -> Span {
        let (gaps, usual) = match flowing {
            true => (&self.flowing, self.usual.0),
            false => (&self.idle, self.usual.1),
        };
        // A snapshot from before the middles were kept has gaps and no middle.
        usual.or_else(|| middle(gaps)).unwrap_or(self.declared)
    }

    /// Whether the expected interval is learned rather than declared.
    pub fn is_learned(&self, flowing: bool) -> bool {
        let gaps = if flowing { &self.flowing } else { &self.idle };
        gaps.len() >= GAPS_MIN
    }

    /// Last live arrival.
    pub fn last(&self) -> Option<Mono> {
        self.last
    }

    /// How long silence may last.
    pub fn stale_after(&self, flowing: bool, rule: &StaleRule) -> Span {
        let factor = match flowing {
            true => rule.factor.max(self.unexplained_intervals()),
            false => rule.factor,
        };
        StaleRule { factor, ..*rule }.after(self.expected(flowing))
    }

    /// How long this sensor's silence may last. A battery sensor that nobody has heard often enough
    /// gets the longest time that the settings allow: its heartbeat is its own, the declared interval
    /// says nothing about it, and water that starts or stops does not wake it.
    pub fn silence(&self, sensor: &SensorSetup, limits: &GuardLimits, flowing: bool) -> Span {
        let rule = StaleRule::of(sensor, limits, flowing);
        match sensor.battery {
            true if self.is_learned(false) => rule.after(self.expected(false)),
            true => rule.max,
            false => self.stale_after(flowing, &rule),
        }
    }

    /// When the sensor becomes stale: counted from its last live arrival, or from `since`, when the
    /// present state (flowing or not, connected, daemon started) began, whichever is later.
    pub fn stale_at(&self, flowing: bool, rule: &StaleRule, since: Mono) -> Mono {
        let from = self.last.map_or(since, |last| last.max(since));
        from + self.stale_after(flowing, rule)
    }
}

/// A learner with what somebody works out of it: asked for at every event, and worked out when a
/// message was heard, since nothing else changes what it rests on.
///
/// Invariant: the learner is changed through this alone. What follows is no state: a snapshot holds
/// the learner, and until something is heard after it was loaded the rest is worked out when asked for.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Pace<T> {
    learner: IntervalLearner,
    #[serde(skip)]
    follows: Option<T>,
}

impl<T: Copy> Pace<T> {
    /// Starts from the declared interval.
    pub fn new(declared: Span) -> Self {
        Self { learner: IntervalLearner::new(declared), follows: None }
    }

    /// A live message arrived; `work_out` says what follows from now on.
    pub fn observe(
        &mut self,
        now: Mono,
        flowing: bool,
        work_out: impl FnOnce(&IntervalLearner) -> T,
    ) {
        self.learner.observe(now, flowing);
        self.follows = Some(work_out(&self.learner));
    }

    /// As [`IntervalLearner::interrupted`], which changes no interval.
    pub fn interrupted(&mut self) {
        self.learner.interrupted();
    }

    /// The settings changed: what followed under the old ones is forgotten.
    pub fn refitted(mut self) -> Self {
        self.follows = None;
        self
    }

    /// What follows; `work_out` must be that of [`Self::observe`].
    #[inline]
    pub fn follows(&self, work_out: impl FnOnce(&IntervalLearner) -> T) -> T {
        self.follows.unwrap_or_else(|| work_out(&self.learner))
    }

    /// The learner, to look at.
    #[inline]
    pub fn learner(&self) -> &IntervalLearner {
        &self.learner
    }
}

impl<T> PartialEq for Pace<T> {
    fn eq(&self, other: &Self) -> bool {
        self.learner == other.learner
    }
}

/// Middle of enough gaps.
fn middle(gaps: &VecDeque<Span>) -> Option<Span> {
    if gaps.len() < GAPS_MIN {
        return None;
    }
    let mut sorted = [Span::ZERO; GAPS_MAX];
    let count = gaps.len().min(GAPS_MAX);
    for (place, gap) in sorted.iter_mut().zip(gaps) {
        *place = *gap;
    }
    Some(*sorted[..count].select_nth_unstable(count / 2).1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const FLOWING: StaleRule =
        StaleRule { factor: 3.0, min: Span::from_secs(15), max: Span::from_secs(60) };

    fn feed(learner: &mut IntervalLearner, start: i64, step: i64, n: i64, flowing: bool) -> i64 {
        for index in 1..=n {
            learner.observe(Mono::from_millis(start + index * step), flowing);
        }
        start + n * step
    }

    #[test]
    fn learns_standing_and_flowing_apart() {
        let mut learner = IntervalLearner::new(Span::from_secs(10));
        let end = feed(&mut learner, 0, 301_000, 20, false);
        feed(&mut learner, end, 1_000, 20, true);
        assert_eq!(learner.expected(false), Span::from_secs(301));
        assert_eq!(learner.expected(true), Span::from_secs(1));
        assert_eq!(learner.stale_after(true, &FLOWING), Span::from_secs(15));
    }

    #[test]
    fn a_burst_after_a_radio_gap_teaches_nothing() {
        let mut learner = IntervalLearner::new(Span::from_secs(10));
        let mut now = feed(&mut learner, 0, 10_000, 10, true);
        for _ in 0..4 {
            now += 40_000;
            // The messages of the gap arrive together, some of them twice.
            for millis in 0..8 {
                learner.observe(Mono::from_millis(now + millis * 15), true);
            }
            now = feed(&mut learner, now, 10_000, 6, true);
        }
        assert_eq!(learner.expected(true), Span::from_secs(10));
    }

    #[test]
    fn follows_a_sensor_that_became_faster_or_slower() {
        let mut learner = IntervalLearner::new(Span::from_secs(60));
        let end = feed(&mut learner, 0, 60_000, 20, true);
        let end = feed(&mut learner, end, 2_000, 200, true);
        assert_eq!(learner.expected(true), Span::from_secs(2));
        feed(&mut learner, end, 30_000, 20, true);
        assert_eq!(learner.expected(true), Span::from_secs(30));
    }

    /// Reference: the starting values, "battery 2 x heartbeat, at most 26 h".
    #[test]
    fn a_battery_sensor_is_not_missed_before_its_heartbeat_is_known() {
        let sensor = crate::settings::schema::Sensor {
            quantity: Some(crate::units::Quantity::Leak),
            point: Some(crate::settings::schema::Point::Room),
            battery: true,
            ..crate::settings::schema::Sensor::default()
        };
        let mut plant = crate::settings::schema::Plant::default();
        plant.sensors.insert("floor".into(), sensor);
        let on_stop = crate::settings::schema::OnStop::Close;
        let setup = crate::engine::setup::Setup::resolve("home", &plant, on_stop, 5);
        let (sensor, limits) = (&setup.sensors[0], &setup.limits.guard);
        let mut learner = IntervalLearner::new(sensor.interval);
        for flowing in [false, true] {
            assert_eq!(learner.silence(sensor, limits, flowing), Span::from_secs(26 * 3600));
        }
        feed(&mut learner, 0, 4 * 3_600_000, 10, false);
        for flowing in [false, true] {
            let most = learner.silence(sensor, limits, flowing) - Span::from_secs(8 * 3600);
            assert!(
                (0.0..=10.0).contains(&most.secs()),
                "two heartbeats and little more: {most:?}"
            );
        }
    }

    #[test]
    fn silence_counts_from_the_later_of_arrival_and_start() {
        let mut learner = IntervalLearner::new(Span::from_secs(10));
        let since = Mono::from_millis(5_000);
        let after = learner.stale_after(true, &FLOWING);
        // One message in fifty lost, before anything is known: ln 1e-7 / ln 0.02 + 1.5 = 5.62 intervals.
        assert!((after.secs() - 58.2).abs() < 0.1, "{after:?}");
        assert_eq!(learner.stale_at(true, &FLOWING, since), since + after);
        learner.observe(Mono::from_millis(9_000), true);
        assert_eq!(learner.stale_at(true, &FLOWING, since), Mono::from_millis(9_000) + after);
    }

    /// Independent losses of a tenth: seven in a row are one in ten million, by hand.
    #[test]
    fn a_radio_that_loses_a_tenth_is_given_seven_intervals_and_a_good_one_fewer() {
        let silence = |lost_of_ten: i64| {
            let mut learner = IntervalLearner::new(Span::from_secs(7));
            for number in 0..3000i64 {
                if number % 10 >= lost_of_ten {
                    learner.observe(Mono::from_millis(number * 7_000), true);
                }
            }
            learner
        };
        let bad = silence(1);
        assert!((bad.loss() - 0.1).abs() < 0.02, "{}", bad.loss());
        assert!((bad.unexplained_intervals() - 8.5).abs() < 0.5);
        let good = silence(0);
        assert!(good.loss() < 0.005 && good.unexplained_intervals() < 5.0);
        assert!(bad.stale_after(true, &FLOWING) > good.stale_after(true, &FLOWING));
        assert!(bad.stale_after(true, &FLOWING) <= FLOWING.max);
    }

    proptest! {
        #[test]
        fn the_deadline_stays_within_its_bounds(
            gaps in prop::collection::vec((0i64..10_000_000, any::<bool>()), 0..60),
        ) {
            let mut learner = IntervalLearner::new(Span::from_secs(10));
            let mut now = 0;
            for (gap, flowing) in gaps {
                now += gap;
                learner.observe(Mono::from_millis(now), flowing);
                let after = learner.stale_after(true, &FLOWING);
                prop_assert!(after >= FLOWING.min && after <= FLOWING.max);
            }
        }
    }
}
