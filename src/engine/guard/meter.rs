//! A flow meter of any kind as the guard path sees it: running litres and the present rate.
//!
//! Counters (pulses, volume) give litres exactly and the rate as a mean since the last count: a
//! message without a new count is standstill only when the flow of before would have brought three
//! by now, else a meter that counts slower than it speaks would flutter between flow and none. A
//! rate sensor gives the rate and litres by the trapezoid, with a limit on gaps. The rate is unknown
//! when the sensor is silent for too long: silence is not standstill.

use crate::engine::event::Reading;
use crate::engine::setup::SensorSetup;
use crate::engine::signal::totaliser::{Decision, Totaliser};
use crate::engine::time::{Mono, Span};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// So many counts must stay away before a counter's silence is standstill.
const COUNTS_MISSED: f64 = 3.0;
/// No meter of a home plant runs faster, in L/min: what exceeds it is no count of water.
const CEILING_LITRES_PER_MIN: f64 = 30.0;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Kind {
    Pulses(Totaliser),
    Volume(Totaliser),
    Rate,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Meter {
    kind: Kind,
    litres: f64,
    rate: Option<f64>,
    at: Option<Mono>,
    /// Where the stretch begins of which `rate` is the mean; a rate sensor's is its own moment.
    #[serde(default)]
    began: Option<Mono>,
    /// Litres of one count; 0 for a rate sensor, or a counter that shows any amount.
    #[serde(default)]
    quantum: f64,
    /// When the counter last moved.
    #[serde(default)]
    counted: Option<Mono>,
}

impl Meter {
    /// `None` for a sensor that is no flow meter.
    pub(super) fn new(sensor: &SensorSetup) -> Option<Self> {
        let ceiling = CEILING_LITRES_PER_MIN;
        let kind = match sensor.quantity {
            Quantity::Pulses => {
                Kind::Pulses(Totaliser::pulses(sensor.litres_per_pulse, sensor.wraps_at, ceiling))
            }
            Quantity::Volume => {
                Kind::Volume(Totaliser::volume(sensor.step, sensor.wraps_at, ceiling))
            }
            Quantity::Flow => Kind::Rate,
            _ => return None,
        };
        let quantum = match sensor.quantity {
            Quantity::Pulses => sensor.litres_per_pulse,
            Quantity::Volume => sensor.step,
            _ => 0.0,
        };
        Some(Self { kind, litres: 0.0, rate: None, at: None, began: None, quantum, counted: None })
    }

    /// Takes a live, plausible reading.
    pub(super) fn reading(&mut self, now: Mono, reading: &Reading, gap_most: Span) {
        let since = self.at.map(|at| now.since(at));
        let step = match &mut self.kind {
            Kind::Pulses(total) => total.push_count(now, reading.value, reading.stamp, false),
            Kind::Volume(total) => total.push_litres(now, reading.value, reading.stamp, false),
            Kind::Rate => {
                if let (Some(rate), Some(since)) = (self.rate, since) {
                    let since = since.min(gap_most);
                    self.litres += (rate + reading.value) / 2.0 * since.minutes();
                }
                self.rate = Some(reading.value);
                self.at = Some(now);
                self.began = Some(now);
                return;
            }
        };
        // A copy of what was counted says nothing about the present; a count that cannot be
        // believed is no reading.
        if matches!(step.decision, Decision::Stale | Decision::Retained | Decision::Rejected) {
            return;
        }
        self.litres += step.litres;
        if let Some(since) = since.filter(|since| *since > Span::ZERO) {
            let before = self.rate;
            let goes_on = step.litres > 0.0 && before.is_some_and(|rate| rate > 0.0);
            let began = self.counted.filter(|_| goes_on).or(self.at);
            self.rate = Some(self.counter_rate(now, step.litres, since));
            // A rate that only goes on says nothing new.
            if step.litres > 0.0 || self.rate != before {
                self.began = began;
            }
        }
        if step.litres > 0.0 {
            self.counted = Some(now);
        }
        self.at = Some(now);
    }

    /// A counter's rate from what it counted in the time since its last message.
    fn counter_rate(&self, now: Mono, litres: f64, since: Span) -> f64 {
        let before = self.rate.unwrap_or(0.0);
        let counted = self.counted.map(|at| now.since(at)).filter(|_| before > 0.0);
        match counted {
            // It moved before and moves again: over the whole time between the counts.
            Some(time) if litres > 0.0 => litres / time.max(since).minutes(),
            Some(time) if self.quantum > COUNTS_MISSED.recip() * before * time.minutes() => before,
            _ => litres / since.minutes(),
        }
    }

    /// The daemon has started after being away for so long: the counter may have moved, the rate is
    /// unknown.
    pub(super) fn started(&mut self, away: Option<Span>) {
        if let Kind::Pulses(total) | Kind::Volume(total) = &mut self.kind {
            total.away(away);
        }
        self.rate = None;
        self.at = None;
        self.began = None;
        self.counted = None;
    }

    /// Running litres since this meter was first seen. Never falls.
    pub(super) fn litres(&self) -> f64 {
        self.litres
    }

    /// L/min, if the last message is not older than it may be.
    pub(super) fn rate(&self, now: Mono, silence_most: Span) -> Option<f64> {
        let at = self.at?;
        (now.since(at) <= silence_most).then_some(self.rate).flatten()
    }

    /// When the last message came.
    pub(super) fn at(&self) -> Option<Mono> {
        self.at
    }

    /// Whether water flows, by messages later than `after` alone: "none" by any of them, "flows" only
    /// by one whose stretch lies wholly after it, for the first count after a close tells what had
    /// flowed before. `None`: it does not say.
    pub(super) fn flows(
        &self,
        now: Mono,
        silence_most: Span,
        none: f64,
        after: Option<Mono>,
    ) -> Option<bool> {
        let flows = self.rate(now, silence_most)? > none;
        let Some(after) = after else { return Some(flows) };
        let speaks = if flows {
            self.began.is_some_and(|began| began >= after) && self.at > Some(after)
        } else {
            self.at > Some(after)
        };
        speaks.then_some(flows)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::setup::Setup;
    use crate::settings::schema::{OnStop, Plant};

    /// A counter of 2.2 mL a pulse, read every second.
    fn pulses() -> Meter {
        let plant: Plant = toml::from_str(
            "[sensors.m]\ntopic = \"m\"\nquantity = \"pulses\"\npoint = \"permeate\"\nlitres_per_pulse = 0.0022\ninterval_secs = 1.0",
        )
        .expect("valid");
        let setup = Setup::resolve("p", &plant, OnStop::Close, 5);
        Meter::new(&setup.sensors[0]).expect("a meter")
    }

    fn push(meter: &mut Meter, secs: i64, count: f64) -> f64 {
        let now = Mono::from_millis(secs * 1000);
        let reading =
            Reading { sensor: 0, value: count, retained: false, arrived: None, stamp: None };
        meter.reading(now, &reading, Span::from_secs(15));
        meter.rate(now, Span::from_secs(15)).unwrap_or(0.0)
    }

    #[test]
    fn a_counter_that_counts_slower_than_it_speaks_does_not_flutter() {
        let mut meter = pulses();
        // 0.06 L/min: a pulse in 2.2 s.
        for secs in 0..600 {
            let rate = push(&mut meter, secs, (f64::from(secs as i32) / 2.2).floor());
            if secs > 10 {
                assert!((0.03..0.14).contains(&rate), "{rate} at {secs} s");
            }
        }
    }

    #[test]
    fn a_counter_that_stands_still_says_so_after_three_missed_counts() {
        let mut meter = pulses();
        for secs in 0..60 {
            push(&mut meter, secs, (f64::from(secs as i32) / 2.2).floor());
        }
        let standstill =
            (60..90).find(|secs| push(&mut meter, *secs, 26.0) == 0.0).expect("standstill is seen");
        assert!((62..70).contains(&standstill), "{standstill}");
    }

    fn flows(meter: &Meter, secs: i64, after: i64) -> Option<bool> {
        let after = Some(Mono::from_millis(after * 1000));
        meter.flows(Mono::from_millis(secs * 1000), Span::from_secs(600), 0.001, after)
    }

    /// Litres a minute of one count of the meter of these tests in so many seconds.
    fn one_in(secs: f64) -> f64 {
        0.0022 * 60.0 / secs
    }

    fn rate(meter: &Meter) -> f64 {
        meter.rate.expect("known")
    }

    #[test]
    fn a_counter_adds_its_litres_and_gives_the_rate_since_its_last_message() {
        let mut meter = pulses();
        assert_eq!(push(&mut meter, 0, 100.0), 0.0);
        assert_eq!(meter.rate, None, "one message has no rate");
        push(&mut meter, 0, 100.0);
        assert_eq!(meter.rate, None, "nor have two of one moment");
        push(&mut meter, 60, 110.0);
        assert!((rate(&meter) - 0.022).abs() < 1e-9, "{}", rate(&meter));
        push(&mut meter, 180, 120.0);
        assert!((meter.litres() - 0.044).abs() < 1e-9, "{}", meter.litres());
        assert!((rate(&meter) - 0.011).abs() < 1e-9, "{}", rate(&meter));
    }

    #[test]
    fn a_rate_is_the_mean_of_the_whole_time_between_two_counts() {
        let mut meter = pulses();
        for (secs, count) in [(0, 0.0), (60, 1.0), (70, 1.0), (80, 2.0)] {
            push(&mut meter, secs, count);
        }
        assert!((rate(&meter) - one_in(20.0)).abs() < 1e-9, "{}", rate(&meter));
        assert_eq!(flows(&meter, 80, 60), Some(true));
        assert_eq!(flows(&meter, 80, 65), None, "some of it may have flowed before");
    }

    #[test]
    fn three_missed_counts_are_standstill_and_fewer_are_not() {
        let mut meter = pulses();
        for (secs, count) in [(0, 0.0), (60, 1.0), (239, 1.0)] {
            push(&mut meter, secs, count);
        }
        assert!((rate(&meter) - one_in(60.0)).abs() < 1e-9, "it may only count slowly");
        assert_eq!(flows(&meter, 239, 100), None, "a rate that only goes on says nothing new");
        push(&mut meter, 241, 1.0);
        assert_eq!(rate(&meter), 0.0);
        assert_eq!(flows(&meter, 241, 240), Some(false));
        assert_eq!(flows(&meter, 241, 241), None, "no word later than that");
    }

    #[test]
    fn water_that_flows_steadily_is_seen_by_each_new_stretch() {
        let mut meter = pulses();
        for minute in 0..=3 {
            push(&mut meter, 60 * minute, 10.0 * f64::from(minute as i32));
        }
        assert_eq!(flows(&meter, 180, 120), Some(true));
        assert_eq!(flows(&meter, 180, 121), None);
    }

    #[test]
    fn a_message_without_a_count_begins_no_new_stretch() {
        let mut meter = pulses();
        for (secs, count) in [(0, 0.0), (60, 1.0), (120, 2.0), (130, 2.0)] {
            push(&mut meter, secs, count);
        }
        assert_eq!(flows(&meter, 130, 60), Some(true));
        assert_eq!(flows(&meter, 130, 110), None);
    }

    #[test]
    fn after_standstill_the_water_has_flowed_since_the_last_message_at_the_earliest() {
        let mut meter = pulses();
        for (secs, count) in [(0, 0.0), (60, 10.0), (120, 20.0), (180, 20.0), (240, 30.0)] {
            push(&mut meter, secs, count);
        }
        assert_eq!(flows(&meter, 240, 150), Some(true));
        assert!((rate(&meter) - 0.022).abs() < 1e-9, "{}", rate(&meter));
    }

    #[test]
    fn after_a_start_the_rate_is_unknown_and_the_litres_go_on() {
        let mut meter = pulses();
        push(&mut meter, 0, 0.0);
        push(&mut meter, 60, 10.0);
        meter.started(Some(Span::from_secs(10)));
        assert_eq!((meter.rate, meter.at()), (None, None));
        assert_eq!(flows(&meter, 61, 0), None);
        assert!((meter.litres() - 0.022).abs() < 1e-9);
        push(&mut meter, 70, 12.0);
        assert_eq!(meter.rate, None, "of one message");
        push(&mut meter, 130, 14.0);
        assert!((rate(&meter) - 0.0044).abs() < 1e-9, "{}", rate(&meter));
    }

    #[test]
    fn a_rate_sensor_gives_litres_by_the_trapezoid_over_no_more_than_its_silence() {
        let plant: Plant = toml::from_str(
            "[sensors.m]\ntopic = \"m\"\nquantity = \"flow\"\npoint = \"permeate\"\nunit = \"L/min\"\ninterval_secs = 5.0",
        )
        .expect("valid");
        let setup = Setup::resolve("p", &plant, OnStop::Close, 5);
        let mut meter = Meter::new(&setup.sensors[0]).expect("a meter");
        push(&mut meter, 0, 0.2);
        push(&mut meter, 6, 0.4);
        assert!((meter.litres() - 0.03).abs() < 1e-9, "{}", meter.litres());
        push(&mut meter, 606, 0.4);
        assert!((meter.litres() - 0.13).abs() < 1e-9, "15 s of ten minutes: {}", meter.litres());
        assert_eq!(flows(&meter, 606, 606), None, "no word later than that");
        assert_eq!(flows(&meter, 606, 605), Some(true));
        let now = Mono::from_millis(621_000);
        assert_eq!(meter.rate(now, Span::from_secs(15)), Some(0.4), "not too old");
        assert_eq!(meter.rate(now, Span::from_secs(14)), None, "silence is not standstill");
        push(&mut meter, 630, 0.001);
        assert_eq!(flows(&meter, 630, 620), Some(false), "what a meter shows of no water");
    }
}
