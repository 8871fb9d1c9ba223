//! Whether water flows, and how much product has been made, by the best evidence there is.
//!
//! Evidence in order: meters; the valve's own state; what was seen on its topic. Once the valve should
//! be shut, only what a meter says later shows that water flows: probes and meters that speak seldom
//! while they are idle fall silent together with the close. Litres come from a
//! meter on the product or permeate, else from one on the feed side times the declared recovery, else
//! from the declared flow. Between two words of a meter the litres go on at the mean rate of its last
//! two, up to what they brought: judged by the minutes of a slow counter, bad water would pass until
//! it speaks. A meter that is silent for longer than it may be while water flows is bridged by the
//! declared flow or that rate. What was bridged is taken off again when its counter comes back:
//! litres are never silently zero and never counted twice.

use super::meter::Meter;
use super::probe::Probe;
use crate::engine::condition::Delayed;
use crate::engine::setup::{SensorIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::settings::schema::Point;
use serde::{Deserialize, Serialize};

/// Flow that stops for less than this does not end a run: a float valve that flutters must not begin
/// a rinse-in again and again.
const RUN_END_DELAY: Span = Span::from_secs(30);

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Flow {
    flowing: Delayed,
    made: f64,
    /// The meter's litres, and our clock when they last grew.
    seen: Option<(f64, Mono)>,
    /// What the meter brought when they last grew, and in which time.
    #[serde(default)]
    brought: Option<(f64, Span)>,
    bridged: f64,
    last_rate: Option<f64>,
    at: Option<Mono>,
}

/// Where product litres come from.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Source {
    /// A meter, times a factor.
    Meter(SensorIx, f64),
    /// A declared flow in L/min.
    Declared(f64),
    /// Nothing.
    Unknown,
}

/// What changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Change {
    None,
    Started,
    Ended,
}

pub(super) fn source(setup: &Setup) -> Source {
    let meter_at = |points: &[Point]| {
        points
            .iter()
            .find_map(|point| setup.meters().find(|sensor| setup.sensors[*sensor].point == *point))
    };
    if let Some(sensor) = meter_at(&[Point::Product, Point::Permeate, Point::Between]) {
        return Source::Meter(sensor, 1.0);
    }
    if let (Some(sensor), Some(recovery)) =
        (meter_at(&[Point::Feed, Point::Supply]), setup.assumed.recovery)
    {
        return Source::Meter(sensor, recovery);
    }
    match setup.assumed.permeate_litres_per_min {
        Some(rate) if rate > 0.0 => Source::Declared(rate),
        _ => Source::Unknown,
    }
}

/// What the meters say: water flows, none flows, or nobody can tell. With `after`, only what they
/// said later than that counts ([`Meter::flows`]).
pub(super) fn by_meters(
    setup: &Setup,
    meters: &[Option<Meter>],
    probes: &[Probe],
    now: Mono,
    after: Option<Mono>,
) -> Option<bool> {
    let none = setup.limits.stages.flow_none_litres_per_min;
    let mut quiet = None;
    for index in setup.meters() {
        let Some(meter) = &meters[index] else { continue };
        let silence = probes[index].silence_flowing(&setup.sensors[index], &setup.limits.guard);
        match meter.flows(now, silence, none, after) {
            Some(true) => return Some(true),
            Some(false) => quiet = Some(false),
            None => {}
        }
    }
    quiet
}

impl Flow {
    pub(super) const fn new() -> Self {
        Self {
            flowing: Delayed::new(),
            made: 0.0,
            seen: None,
            brought: None,
            bridged: 0.0,
            last_rate: None,
            at: None,
        }
    }

    pub(super) fn started(&mut self) {
        self.flowing = Delayed::new();
        self.seen = None;
        self.brought = None;
        self.bridged = 0.0;
        self.at = None;
    }

    pub(super) fn is_flowing(&self) -> bool {
        self.flowing.is_active()
    }

    /// Water flows at this moment: a run whose end is only being waited for has standing water.
    pub(super) fn is_running(&self) -> bool {
        self.flowing.is_active() && self.flowing.is_steady()
    }

    /// L/min of product when water last flowed: declared, else as a meter last showed it.
    pub(super) fn rate(&self, setup: &Setup) -> Option<f64> {
        setup.assumed.permeate_litres_per_min.or(self.last_rate).filter(|rate| *rate > 0.0)
    }

    /// Running litres of product, for differences.
    pub(super) fn made(&self) -> f64 {
        self.made
    }

    /// Up to when litres have been counted.
    pub(super) const fn at(&self) -> Option<Mono> {
        self.at
    }

    pub(super) fn deadline(&self) -> Option<Mono> {
        self.flowing.deadline(Span::ZERO, RUN_END_DELAY)
    }

    /// Takes the evidence as it is now.
    pub(super) fn update(&mut self, now: Mono, evident: Option<bool>) -> Change {
        let before = self.flowing.is_active();
        let after = self.flowing.update(now, evident, Span::ZERO, RUN_END_DELAY);
        match (before, after) {
            (false, true) => Change::Started,
            (true, false) => Change::Ended,
            _ => Change::None,
        }
    }

    /// Adds litres that no meter has shown yet, up to so many.
    fn bridge(&mut self, litres: f64, most: f64) {
        let litres = litres.min(most - self.bridged).max(0.0);
        self.made += litres;
        self.bridged += litres;
    }

    /// Adds what was made since the last look.
    pub(super) fn count(
        &mut self,
        setup: &Setup,
        source: Source,
        meters: &[Option<Meter>],
        probes: &[Probe],
        now: Mono,
    ) {
        let elapsed = self.at.map_or(Span::ZERO, |at| now.since(at));
        self.at = Some(now);
        match source {
            Source::Meter(sensor, factor) => {
                let Some(meter) = &meters[sensor] else { return };
                let litres = meter.litres() * factor;
                let silence =
                    probes[sensor].silence_flowing(&setup.sensors[sensor], &setup.limits.guard);
                if let Some(rate) = meter.rate(now, silence) {
                    self.last_rate = Some(rate * factor);
                }
                let Some((seen, at)) = self.seen else {
                    self.seen = Some((litres, now));
                    return;
                };
                if litres > seen {
                    let brought = litres - seen;
                    self.made += (brought - self.bridged).max(0.0);
                    // Ahead of the meter by no more than one of its last two words. Less, and what ran
                    // ahead before a short word would be counted twice.
                    let most = self.brought.map_or(brought, |(before, _)| before.max(brought));
                    self.bridged = (self.bridged - brought).clamp(0.0, most);
                    self.seen = Some((litres, now));
                    let time = now.since(at);
                    // One long gap says how fast as well; without it litres would stand still for the next.
                    self.brought = Some((brought, time));
                } else if let Some((rate, most)) = self.ahead(setup, now, (at, silence)) {
                    self.bridge(rate * elapsed.minutes(), most);
                }
            }
            Source::Declared(rate) => {
                if self.is_running() {
                    self.made += rate * elapsed.minutes();
                }
            }
            Source::Unknown => {}
        }
    }

    /// How fast litres go on without a word of the meter, in L/min, and how far ahead of it. Its counter
    /// last grew then and may be silent so long.
    fn ahead(&self, setup: &Setup, now: Mono, (grew, silence): (Mono, Span)) -> Option<(f64, f64)> {
        if now.since(grew) > silence {
            let rate = setup.assumed.permeate_litres_per_min.or(self.last_rate);
            return rate.filter(|_| self.is_flowing()).map(|rate| (rate, f64::INFINITY));
        }
        let (brought, time) = self.brought.filter(|(_, time)| *time > Span::ZERO)?;
        self.is_running().then(|| (brought / time.minutes(), brought))
    }

    /// When the running litres come to so many by themselves, or may go on beyond what its last words
    /// allow: the moment to look again if the meter says nothing until then.
    pub(super) fn reaches(&self, setup: &Setup, probes: &[Probe], litres: f64) -> Option<Mono> {
        const JUST_AFTER: Span = Span::from_millis(1);
        let now = self.at?;
        let left = Some(litres - self.made).filter(|left| *left >= 0.0)?;
        let after = |rate: f64| now + Span::from_secs_f64(left / rate * 60.0) + JUST_AFTER;
        match source(setup) {
            Source::Meter(sensor, _) => {
                let (_, grew) = self.seen?;
                let silence =
                    probes[sensor].silence_flowing(&setup.sensors[sensor], &setup.limits.guard);
                match self.ahead(setup, now, (grew, silence)) {
                    Some((rate, most)) if rate > 0.0 && left <= most - self.bridged => {
                        Some(after(rate))
                    }
                    _ => Some(grew + silence + JUST_AFTER),
                }
            }
            Source::Declared(rate) => self.is_running().then(|| after(rate)),
            Source::Unknown => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::event::Reading;
    use crate::settings::schema::{OnStop, Plant};

    fn meter_at(point: &str) -> String {
        format!(
            "[sensors.{point}]\ntopic = \"{point}\"\nquantity = \"pulses\"\npoint = \"{point}\"\nlitres_per_pulse = 0.1\ninterval_secs = 5.0\n"
        )
    }

    fn setup(toml: &str) -> Setup {
        let plant: Plant = toml::from_str(toml).expect("valid");
        Setup::resolve("p", &plant, OnStop::Close, 5)
    }

    fn at(secs: f64) -> Mono {
        Mono::ZERO + Span::from_secs_f64(secs)
    }

    /// A plant with one meter, at which its litres are looked.
    struct Bench {
        setup: Setup,
        meters: Vec<Option<Meter>>,
        probes: Vec<Probe>,
        flow: Flow,
        secs: f64,
    }

    impl Bench {
        fn new(toml: &str) -> Self {
            let setup = setup(toml);
            let meters = setup.sensors.iter().map(Meter::new).collect();
            let limits = &setup.limits.guard;
            let probes = setup.sensors.iter().map(|sensor| Probe::new(sensor, limits)).collect();
            Self { setup, meters, probes, flow: Flow::new(), secs: 0.0 }
        }

        /// A minute of water at 1.2 L/min: a count of 0.1 L in five seconds.
        fn after_a_minute() -> Self {
            let mut bench = Self::new(&meter_at("permeate"));
            bench.flow.update(at(0.0), Some(true));
            for count in 0..=12 {
                bench.step(Some(f64::from(count)));
            }
            bench
        }

        /// Five seconds on, with this count if the meter speaks.
        fn step(&mut self, count: Option<f64>) -> f64 {
            self.secs += 5.0;
            let now = at(self.secs);
            if let Some(value) = count {
                let reading =
                    Reading { sensor: 0, value, retained: false, arrived: None, stamp: None };
                let facts = (&self.setup.sensors[0], &self.setup.limits.guard);
                self.probes[0].reading(now, facts, value, true);
                if let Some(meter) = &mut self.meters[0] {
                    meter.reading(now, &reading, Span::from_secs(15));
                }
            }
            let source = source(&self.setup);
            self.flow.count(&self.setup, source, &self.meters, &self.probes, now);
            self.flow.made()
        }
    }

    fn near(left: f64, right: f64) -> bool {
        (left - right).abs() < 1e-9
    }

    #[test]
    fn litres_come_from_the_meter_nearest_to_the_product_else_from_what_is_declared() {
        let of = |toml: &str| source(&setup(toml));
        let (feed, permeate) = (meter_at("feed"), meter_at("permeate"));
        let assumed = "[assumed]\nrecovery = 0.25\npermeate_litres_per_min = 0.2\n";
        let both = setup(&format!("{feed}{permeate}{assumed}"));
        let sensor = both.sensors.iter().position(|one| one.id == "permeate").expect("there");
        assert_eq!(source(&both), Source::Meter(sensor, 1.0));
        assert_eq!(of(&format!("{feed}{assumed}")), Source::Meter(0, 0.25));
        assert_eq!(of(assumed), Source::Declared(0.2));
        let rate_only = "[assumed]\npermeate_litres_per_min = 0.2\n";
        assert_eq!(of(&format!("{feed}{rate_only}")), Source::Declared(0.2));
        assert_eq!(of(&feed), Source::Unknown, "feed without a recovery is no product");
        assert_eq!(of("[assumed]\npermeate_litres_per_min = 0.0\n"), Source::Unknown);
    }

    /// Litres that ran ahead of a meter with long and short intervals are taken off what it brings, all of
    /// them: over a long run they are the meter's.
    #[test]
    fn what_ran_ahead_of_an_irregular_meter_is_not_counted_twice() {
        let mut bench = Bench::new(&meter_at("permeate"));
        // A pulse of 0.1 L each five seconds, told after five to fifteen.
        let waits = [3, 1, 1, 2, 1, 3, 1, 2];
        let (mut next, mut words) = (0, 0);
        for step in 0..2_000u32 {
            bench.flow.update(at(bench.secs), Some(true));
            let speaks = step == next;
            if speaks {
                next += waits[words % waits.len()];
                words += 1;
            }
            let made = bench.step(speaks.then(|| 1_000.0 + f64::from(step)));
            let real = 0.1 * f64::from(step);
            assert!((made - real).abs() < 0.31, "{made} of {real} L after {step} steps");
        }
    }

    #[test]
    fn a_run_ends_half_a_minute_after_the_water() {
        let mut flow = Flow::new();
        assert_eq!(flow.update(at(0.0), Some(false)), Change::None);
        assert_eq!(flow.update(at(1.0), Some(true)), Change::Started);
        assert!(flow.is_flowing() && flow.is_running());
        assert_eq!(flow.deadline(), None);
        assert_eq!(flow.update(at(10.0), Some(false)), Change::None);
        assert!(flow.is_flowing() && !flow.is_running(), "it stands, and may go on");
        assert_eq!(flow.deadline(), Some(at(40.0)));
        assert_eq!(flow.update(at(20.0), Some(true)), Change::None);
        assert_eq!(flow.update(at(30.0), Some(false)), Change::None);
        assert_eq!(flow.update(at(59.9), Some(false)), Change::None);
        assert_eq!(flow.update(at(60.0), Some(false)), Change::Ended);
        assert!(!flow.is_flowing());
    }

    #[test]
    fn a_meter_counts_from_its_first_word_and_on_the_feed_by_the_recovery() {
        for (toml, share) in
            [(meter_at("permeate"), 1.0), (meter_at("feed") + "[assumed]\nrecovery = 0.25\n", 0.25)]
        {
            let mut bench = Bench::new(&toml);
            assert_eq!(bench.flow.rate(&bench.setup), None);
            assert_eq!(bench.step(Some(1000.0)), 0.0, "what it counted before is not ours");
            let made = bench.step(Some(1002.0));
            assert!(near(made, 0.2 * share), "{made}");
            let rate = bench.flow.rate(&bench.setup).expect("seen");
            assert!(near(rate, 2.4 * share), "{rate}");
        }
    }

    #[test]
    fn a_meter_that_falls_silent_while_water_flows_is_bridged_and_nothing_counts_twice() {
        let mut bench = Bench::after_a_minute();
        assert!(near(bench.flow.made(), 1.2), "{}", bench.flow.made());
        let silence = bench.probes[0]
            .silence_flowing(&bench.setup.sensors[0], &bench.setup.limits.guard)
            .secs();
        let mut made = Vec::new();
        for step in 1..=24 {
            made.push((5.0 * f64::from(step), bench.step(None)));
        }
        for (silent, made) in &made {
            // One word ahead of it at once; from the look at which it is missed on five seconds at 1.2 L/min
            // with each.
            let looks = (1..=24).filter(|step| {
                let time = 5.0 * f64::from(*step);
                time > silence && time <= *silent
            });
            let expected = 1.3 + 0.1 * looks.count() as f64;
            assert!(near(*made, expected), "{made} L after {silent} s, expected {expected}");
        }
        assert!(made[23].1 > 2.5, "most of two minutes: {made:?}");
        let back = bench.step(Some(12.0 + 25.0));
        assert!(near(back, 3.7), "what it counted itself, no more: {back}");
        assert!(near(bench.step(Some(38.0)), 3.8));
    }

    /// A word that comes a moment after the meter was missed says how fast it flows: until the next one litres go
    /// on as between any two. They stood still for as long as the meter may be silent, and bad water with them.
    #[test]
    fn litres_go_on_after_a_gap_as_between_any_two_words() {
        let mut bench = Bench::after_a_minute();
        let silence = bench.probes[0]
            .silence_flowing(&bench.setup.sensors[0], &bench.setup.limits.guard)
            .secs();
        let missed = (silence / 5.0).ceil() as u32;
        for _ in 0..missed {
            bench.step(None);
        }
        let word = bench.step(Some(f64::from(13 + missed)));
        for step in 1..=3 {
            let made = bench.step(None);
            assert!(near(made, word + 0.1 * f64::from(step)), "{made} after {word} L, step {step}");
        }
    }

    #[test]
    fn litres_never_fall_when_less_was_made_than_was_bridged() {
        let mut bench = Bench::after_a_minute();
        for _ in 0..24 {
            bench.step(None);
        }
        let bridged = bench.flow.made();
        assert_eq!(bench.step(Some(13.0)), bridged);
        assert!(
            near(bench.step(Some(14.0)), bridged),
            "one word is taken off, not all two minutes"
        );
        assert!(near(bench.step(Some(15.0)), bridged + 0.1), "from here on it counts as ever");
    }

    /// 1.2 L/min from a counter that has just spoken: half a word ahead is two and a half seconds away,
    /// more than a word ahead it does not go before it is missed.
    #[test]
    fn litres_reach_a_sum_at_the_meters_rate_or_when_it_is_missed() {
        let mut bench = Bench::after_a_minute();
        let silence = bench.probes[0]
            .silence_flowing(&bench.setup.sensors[0], &bench.setup.limits.guard)
            .secs();
        let reaches = |bench: &Bench, more: f64| -> f64 {
            let litres = bench.flow.made() + more;
            let when = bench.flow.reaches(&bench.setup, &bench.probes, litres);
            when.expect("water flows").since(at(bench.secs)).secs()
        };
        assert_eq!(bench.flow.at(), Some(at(bench.secs)));
        assert!((reaches(&bench, 0.05) - 2.501).abs() < 2e-3, "{}", reaches(&bench, 0.05));
        assert!((reaches(&bench, 0.0999) - 4.996).abs() < 2e-3, "{}", reaches(&bench, 0.0999));
        assert!((reaches(&bench, 0.11) - silence - 0.001).abs() < 2e-3, "{silence}");
        // Half a word has been counted ahead of it already.
        bench.flow.bridged = 0.05;
        assert!((reaches(&bench, 0.04) - 2.001).abs() < 2e-3, "{}", reaches(&bench, 0.04));
        assert!((reaches(&bench, 0.06) - silence - 0.001).abs() < 2e-3, "{silence}");
        assert_eq!(bench.flow.reaches(&bench.setup, &bench.probes, 0.5), None, "long made");
    }

    #[test]
    fn two_counts_of_one_moment_are_no_rate() {
        let mut bench = Bench::new(&meter_at("permeate"));
        bench.flow.update(at(0.0), Some(true));
        for count in 0..=2 {
            bench.step(Some(f64::from(count)));
        }
        bench.secs -= 5.0;
        let made = bench.step(Some(3.0));
        assert!(near(made, 0.3), "{made}");
        assert!(near(bench.step(None), 0.3), "nothing goes ahead of it: {}", bench.flow.made());
    }

    #[test]
    fn a_declared_flow_reaches_a_sum_by_its_rate_while_it_runs() {
        let mut bench = Bench::new("[assumed]\npermeate_litres_per_min = 0.6\n");
        bench.step(None);
        assert_eq!(bench.flow.reaches(&bench.setup, &bench.probes, 1.0), None, "it stands");
        bench.flow.update(at(bench.secs), Some(true));
        let when = bench.flow.reaches(&bench.setup, &bench.probes, 1.0).expect("it runs");
        assert!((when.since(at(bench.secs)).secs() - 100.001).abs() < 2e-3, "{when:?}");
    }

    #[test]
    fn nothing_is_bridged_while_no_water_flows() {
        let mut bench = Bench::new(&meter_at("permeate"));
        for count in 0..=12 {
            bench.step(Some(f64::from(count)));
        }
        for _ in 0..24 {
            bench.step(None);
        }
        assert!(near(bench.flow.made(), 1.2), "{}", bench.flow.made());
    }

    #[test]
    fn a_declared_flow_counts_while_water_runs_and_not_while_it_stands() {
        let mut bench = Bench::new("[assumed]\npermeate_litres_per_min = 0.6\n");
        assert_eq!(bench.flow.rate(&bench.setup), Some(0.6));
        assert_eq!(bench.step(None), 0.0);
        bench.flow.update(at(5.0), Some(true));
        for _ in 0..12 {
            bench.step(None);
        }
        assert!(near(bench.flow.made(), 0.6), "a minute: {}", bench.flow.made());
        bench.flow.update(at(bench.secs), Some(false));
        assert!(near(bench.step(None), 0.6), "it waits for the end of the run");
        bench.flow.update(at(bench.secs), Some(true));
        bench.flow.started();
        assert!(!bench.flow.is_flowing());
        bench.secs += 600.0;
        bench.flow.update(at(bench.secs), Some(true));
        assert!(near(bench.step(None), 0.6), "what ran while the daemon was away nobody saw");
    }
}
