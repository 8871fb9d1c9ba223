//! Product quality, judged by dose in flowing water.
//!
//! One probe's judge. Three rules, all on flowing water only: gross failure (`fast_ppm`) by count;
//! a ceiling during the rinse-in after a start, when standing water of the last vessel leaves; and
//! from then on the dose, ppm times litres, with at least so many readings over at least so long.
//!
//! **Spikes.** A probe of which a share `p` of the readings are wrong and high shows three of five by
//! chance in 6 p^3 of its readings (the newest, and two of the four before it), and a pair of them in
//! one median of three in 2 p^2. A plant that runs an hour a day reads some 17,000 times in a month: at
//! p = 0.1 % that is one false three of five in ten thousand months, at 2 % it is 0.8 a month, and a pair
//! (which beside a display that flickers at its first step fills a dose) comes every other hour of water.
//! So a probe is known by its lone spikes: from 0.3 % on it is *spiky*, and a low reading between high
//! ones stands for a spike's end and no longer for a bubble. Then gross failure takes so many readings
//! in a row (p^3: 0.14 a month at 2 %), and the dose takes of each reading at most what three in a row
//! have shown; a single step, which a spike's neighbour may show, counts as ever. Neither is later for
//! water that is bad: its readings follow each other, and what was held back is added with the third.
//! What alternates between high and low for long is counted by its steps and closes after litres.
//!
//! Invariants: one spike is nothing, and neither is its copy; a lost message counts as neither good
//! nor bad; the dose falls only with litres of water that read below the limit, never by time: so
//! many litres take a whole limit's dose back. Without that a probe that flickers between 0 and one
//! step would fill the dose over the hours, with water that is purer than anybody can see.

use crate::engine::time::{Mono, Span};
use crate::settings::schema::ProductLimits;
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// Without a flow meter and a declared flow, this many pure readings stand for the litres that
/// clear the dose.
const CLEAR_READINGS_WITHOUT_FLOW: u32 = 30;

/// Readings over which lone spikes are remembered, and their share from which a probe is spiky: two
/// within some hundred readings.
const SPIKE_MEMORY: f64 = 500.0;
const SPIKY_FROM: f64 = 0.003;
/// A lone spike is so many limits high and at least twice both of its neighbours.
const SPIKE_LIMITS: f64 = 3.0;
/// Readings in a row that show a level on a spiky probe.
const IN_A_ROW: usize = 3;

/// Which rule was broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Rule {
    Fast,
    RinseIn,
    Dose,
}

/// A verdict against the product.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Verdict {
    pub(super) rule: Rule,
    pub(super) ppm: f64,
    pub(super) dose: f64,
    pub(super) limit: f64,
}

/// A reading in flowing water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Look {
    pub(super) now: Mono,
    /// As it came, ppm on the plant's scale.
    pub(super) raw: f64,
    /// Median of the last few.
    pub(super) median: f64,
    /// What its display cuts off in the mean: half a step where it rounds down, ppm.
    pub(super) hidden: f64,
    /// Running litres of product; `None` when no flow is measured or declared.
    pub(super) litres: Option<f64>,
    /// Volume of the tube between last vessel and probe.
    pub(super) tube_litres: f64,
}

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Judge {
    /// Start of the present run: when, and the running litres then.
    run: Option<(Mono, Option<f64>)>,
    rinsed: bool,
    /// Last look of this run: the running litres then.
    last_litres: Option<f64>,
    /// For the last few readings: at or above the fast limit?
    fast: VecDeque<bool>,
    over_count: u32,
    over_since: Option<Mono>,
    dose: f64,
    clean_litres: f64,
    clean_readings: u32,
    /// Readings of this run so far.
    looks: u32,
    /// The last few readings of this run, newest last.
    #[serde(default)]
    recent: VecDeque<Recent>,
    /// Share of lone spikes among the readings, lately.
    #[serde(default)]
    spikes: f64,
}

/// A reading that may still count for more.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
struct Recent {
    at: Mono,
    raw: f64,
    /// Litres that passed with it: since the reading before, and half of them after a low one.
    passed: f64,
    /// ppm of it that are in the dose.
    counted: f64,
    /// It is among those that were over.
    #[serde(default)]
    over: bool,
}

impl Judge {
    /// Water began to flow.
    pub(super) fn run_started(&mut self, now: Mono, litres: Option<f64>) {
        self.run = Some((now, litres));
        self.rinsed = false;
        self.last_litres = litres;
        self.fast.clear();
        self.recent.clear();
        self.looks = 0;
        // What was over in the last run stands in `dose`; the count starts anew with new water.
        self.over_count = 0;
        self.over_since = None;
    }

    /// Water stopped.
    pub(super) fn run_ended(&mut self) {
        self.run = None;
        self.last_litres = None;
    }

    /// Back to the beginning, after a reset.
    pub(super) fn clear(&mut self) {
        *self = Self { run: self.run, rinsed: self.rinsed, spikes: self.spikes, ..Self::default() };
    }

    /// Dissolved solids times litres since the product was last pure, in ppm·L.
    pub(super) fn dose(&self) -> f64 {
        self.dose
    }

    /// Still in the rinse-in.
    pub(super) fn is_rinsing(&self) -> bool {
        self.run.is_some() && !self.rinsed
    }

    /// Readings in the present run.
    pub(super) fn looks(&self) -> u32 {
        self.looks
    }

    /// Litres (or readings) below the limit in a row, as a share of what clears.
    pub(super) fn is_clear(&self, limits: &ProductLimits, flow_known: bool) -> bool {
        if flow_known {
            self.clean_litres >= limits.clear_litres
        } else {
            self.clean_readings >= CLEAR_READINGS_WITHOUT_FLOW
        }
    }

    /// Judges a reading in flowing water. `accepted`: ppm that stand in for zero where the dose is
    /// counted, because a person accepted them; what is beyond it by the limit counts whole.
    pub(super) fn look(
        &mut self,
        look: Look,
        limits: &ProductLimits,
        accepted: f64,
    ) -> Option<Verdict> {
        let (started, started_litres) = self.run?;
        self.looks = self.looks.saturating_add(1);
        self.finish_rinse_in(&look, started, started_litres, limits);
        let passed = match (look.litres, self.last_litres) {
            (Some(litres), Some(last)) => (litres - last).max(0.0),
            _ => 0.0,
        };
        self.last_litres = look.litres;
        self.watch_spikes(&look, passed, limits.limit_ppm + accepted);
        self.fast_rule(&look, limits).or_else(|| {
            if self.rinsed {
                self.dose_rule(&look, passed, limits, accepted)
            } else {
                self.rinse_rule(&look, limits)
            }
        })
    }

    /// Takes the reading among the last few, and knows the one before it for a spike or not.
    fn watch_spikes(&mut self, look: &Look, passed: f64, limit: f64) {
        // Between a low reading and a high one the water changed, half way in the mean.
        let rises = |last: &Recent| last.raw < limit && look.raw >= limit;
        let share = if self.recent.back().is_some_and(rises) { 0.5 } else { 1.0 };
        let passed = share * passed;
        self.recent.push_back(Recent { at: look.now, raw: look.raw, passed, ..Recent::default() });
        while self.recent.len() > IN_A_ROW {
            self.recent.pop_front();
        }
        self.spikes -= self.spikes / SPIKE_MEMORY;
        if let (Some(before), Some(middle)) = (self.recent.front(), self.recent.get(1))
            && self.recent.len() == IN_A_ROW
            && middle.raw >= SPIKE_LIMITS * limit
            && middle.raw >= 2.0 * before.raw.max(look.raw)
        {
            self.spikes += 1.0 / SPIKE_MEMORY;
        }
    }

    /// The probe is known for lone spikes.
    fn is_spiky(&self) -> bool {
        self.spikes >= SPIKY_FROM
    }

    fn finish_rinse_in(
        &mut self,
        look: &Look,
        started: Mono,
        started_litres: Option<f64>,
        limits: &ProductLimits,
    ) {
        if self.rinsed {
            return;
        }
        let volume = limits.rinse_in_litres.max(3.0 * look.tube_litres);
        let by_volume = matches!((look.litres, started_litres),
            (Some(litres), Some(first)) if litres - first >= volume);
        let by_time = look.now.since(started) >= Span::from_secs_f64(limits.rinse_in_max_secs);
        if by_volume || by_time {
            self.rinsed = true;
            // What was read before is the ceiling's business.
            self.recent.clear();
            self.over_count = 0;
            self.over_since = None;
        }
    }

    fn fast_rule(&mut self, look: &Look, limits: &ProductLimits) -> Option<Verdict> {
        // So many of the last so-many-plus-two: a good reading among bad ones (a bubble, a late
        // message of another probe) delays by one sample and does not start the count anew.
        let needed = limits.fast_readings.max(1) as usize;
        self.fast.push_back(look.raw >= limits.fast_ppm);
        while self.fast.len() > needed + 2 {
            self.fast.pop_front();
        }
        // On a spiky probe they must follow each other: see above.
        let of = if self.is_spiky() { needed } else { self.fast.len() };
        let high = self.fast.iter().rev().take(of).filter(|high| **high).count();
        (high >= needed && look.median >= limits.fast_ppm).then_some(Verdict {
            rule: Rule::Fast,
            ppm: look.median,
            dose: self.dose,
            limit: limits.fast_ppm,
        })
    }

    /// The median is over: so are the readings that made it so, from the first of them on. One alone
    /// counts for nothing, and with the one that bears it out it counts from when it came.
    fn over(&mut self, look: &Look, limit: impl Fn(f64) -> bool, limits: &ProductLimits) -> bool {
        for one in self.recent.iter_mut().filter(|one| !one.over && limit(one.raw)) {
            one.over = true;
            self.over_count = self.over_count.saturating_add(1);
            self.over_since.get_or_insert(one.at);
        }
        let since = *self.over_since.get_or_insert(look.now);
        self.over_count >= limits.readings_min
            && look.now.since(since) >= Span::from_secs_f64(limits.duration_min_secs)
    }

    fn rinse_rule(&mut self, look: &Look, limits: &ProductLimits) -> Option<Verdict> {
        let is_over = look.median > limits.rinse_in_ceiling_ppm;
        if !is_over {
            self.over_count = 0;
            self.over_since = None;
            for one in &mut self.recent {
                one.over = false;
            }
        }
        let ceiling = |ppm: f64| ppm > limits.rinse_in_ceiling_ppm;
        (is_over && self.over(look, ceiling, limits)).then_some(Verdict {
            rule: Rule::RinseIn,
            ppm: look.median,
            dose: self.dose,
            limit: limits.rinse_in_ceiling_ppm,
        })
    }

    fn dose_rule(
        &mut self,
        look: &Look,
        passed: f64,
        limits: &ProductLimits,
        accepted: f64,
    ) -> Option<Verdict> {
        let limit = limits.limit_ppm + accepted;
        // Half of the litres between a high reading and a low one are the high one's.
        if look.raw < limit
            && let Some(last) = self.recent.iter().rev().nth(1)
        {
            self.dose += last.counted * passed / 2.0;
        }
        if look.median < limit {
            self.clean_litres += passed;
            self.clean_readings = self.clean_readings.saturating_add(1);
            let share = passed / limits.clear_litres.max(1e-3);
            self.dose = (self.dose - limits.dose_ppm_litres * share).max(0.0);
            let paid_back = look.litres.is_some() && self.dose <= 0.0;
            if paid_back || self.is_clear(limits, look.litres.is_some()) {
                self.dose = 0.0;
                self.over_count = 0;
                self.over_since = None;
            }
            return None;
        }
        self.clean_litres = 0.0;
        self.clean_readings = 0;
        // What is beyond the fast limit is that rule's business: here it would only make the dose of
        // a single spike and its copy stand for dozens of litres.
        // A display that rounds down and stays at 1 shows 1 to 2: in the mean half a step more has passed.
        // One that flickers to it does not: the water is at the step.
        let stays = self.recent.len() == IN_A_ROW && self.recent.iter().all(|one| one.raw >= limit);
        let hidden = if stays { look.hidden } else { 0.0 };
        let most = (look.median + hidden).min(limits.fast_ppm);
        let is_spiky = self.is_spiky();
        let counted = if is_spiky { most.min(limit) } else { most };
        // A low one between high ones is what it is: on a display that flickers the mean of the readings
        // is the water.
        // The first reading of a level has no median to bear it out before the second.
        for one in self.recent.iter_mut().filter(|one| one.counted <= 0.0 && one.raw >= limit) {
            one.counted = (one.raw + hidden).min(counted);
            self.dose += one.counted * one.passed;
        }
        if is_spiky && self.recent.len() == IN_A_ROW {
            // Shown three times in a row: now all three count for it.
            let shown = self.recent.iter().map(|one| one.raw).fold(limits.fast_ppm, f64::min);
            let shown = (shown + hidden).min(limits.fast_ppm);
            for one in &mut self.recent {
                let more = (shown - one.counted).max(0.0);
                self.dose += more * one.passed;
                one.counted += more;
            }
        }
        let long_enough = self.over(look, |ppm| ppm >= limit, limits);
        let enough = look.litres.is_none() || self.dose >= limits.dose_ppm_litres;
        (long_enough && enough).then_some(Verdict {
            rule: Rule::Dose,
            ppm: look.median,
            dose: self.dose,
            limit: limits.dose_ppm_litres,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Run {
        judge: Judge,
        limits: ProductLimits,
        now: Mono,
        litres: f64,
        window: Vec<f64>,
        hidden: f64,
    }

    /// A run at 0.15 L/min with a reading each 5 s through a median of three.
    impl Run {
        fn new() -> Self {
            let mut judge = Judge::default();
            judge.run_started(Mono::ZERO, Some(0.0));
            Self {
                judge,
                limits: ProductLimits::default(),
                now: Mono::ZERO,
                litres: 0.0,
                window: Vec::new(),
                hidden: 0.0,
            }
        }

        fn read(&mut self, ppm: f64) -> Option<Verdict> {
            self.now = self.now + Span::from_secs(5);
            self.litres += 0.15 * 5.0 / 60.0;
            self.window.push(ppm);
            if self.window.len() > 3 {
                self.window.remove(0);
            }
            let mut sorted = self.window.clone();
            sorted.sort_by(f64::total_cmp);
            let look = Look {
                now: self.now,
                raw: ppm,
                median: sorted[sorted.len() / 2],
                hidden: self.hidden,
                litres: Some(self.litres),
                tube_litres: 0.0,
            };
            self.judge.look(look, &self.limits, 0.0)
        }

        fn rinse(&mut self) {
            while self.judge.is_rinsing() {
                assert_eq!(self.read(0.0), None);
            }
        }
    }

    #[test]
    fn one_spike_is_nothing() {
        let mut run = Run::new();
        run.rinse();
        assert_eq!(run.read(400.0), None);
        for _ in 0..200 {
            assert_eq!(run.read(0.0), None);
        }
    }

    #[test]
    fn half_a_litre_at_one_ppm_closes_and_not_much_later() {
        let mut run = Run::new();
        run.rinse();
        let before = run.litres;
        let verdict = loop {
            if let Some(verdict) = run.read(1.0) {
                break verdict;
            }
            assert!(run.litres - before < 0.6, "closes late");
        };
        assert_eq!(verdict.rule, Rule::Dose);
        assert!(run.litres - before >= 0.5 - 1e-9);
    }

    #[test]
    fn gross_failure_closes_at_the_third_reading() {
        let mut run = Run::new();
        run.rinse();
        assert_eq!(run.read(45.0), None);
        assert_eq!(run.read(45.0), None);
        assert_eq!(run.read(45.0).map(|verdict| verdict.rule), Some(Rule::Fast));
    }

    /// The median of three is above only with the second reading: the first counts all the same, as reading
    /// and with half of the litres since the low one before it, in the midst of which the water changed. It
    /// came one reading late.
    #[test]
    fn what_is_below_gross_failure_is_counted_from_its_first_reading() {
        let mut run = Run::new();
        run.limits.duration_min_secs = 0.0;
        run.rinse();
        assert_eq!(run.read(18.0), None);
        assert_eq!(run.read(18.0), None);
        let verdict = run.read(18.0).expect("the third reading closes");
        assert_eq!(verdict.rule, Rule::Dose);
        let dose = 2.5 * 18.0 * 0.15 * 5.0 / 60.0;
        assert!((verdict.dose - dose).abs() < 1e-9, "{}, not {dose}", verdict.dose);
        // One reading alone, however high, leaves nothing behind, and its copy no count of three.
        let mut run = Run::new();
        run.limits.duration_min_secs = 0.0;
        run.rinse();
        assert_eq!(run.read(18.0), None);
        assert_eq!(run.read(0.0), None);
        assert_eq!(run.read(0.0), None);
        assert_eq!((run.judge.dose, run.judge.over_count), (0.0, 0));
    }

    #[test]
    fn one_good_reading_among_bad_ones_delays_gross_failure_by_one_sample() {
        let mut run = Run::new();
        run.rinse();
        run.read(45.0);
        run.read(45.0);
        assert_eq!(run.read(0.0), None);
        assert!(run.read(45.0).is_some());
    }

    #[test]
    fn the_first_litre_after_a_night_may_read_a_few_ppm() {
        let mut run = Run::new();
        for ppm in [4.0, 4.0, 3.0, 3.0, 2.0, 2.0, 2.0, 1.0, 1.0, 1.0] {
            assert_eq!(run.read(ppm), None);
        }
        for _ in 0..100 {
            assert_eq!(run.read(0.0), None);
        }
        assert_eq!(run.judge.dose(), 0.0);
    }

    #[test]
    fn the_rinse_in_has_a_ceiling() {
        let mut run = Run::new();
        let mut closed = false;
        for _ in 0..10 {
            closed |= run.read(9.0).is_some_and(|verdict| verdict.rule == Rule::RinseIn);
        }
        assert!(closed);
    }

    #[test]
    fn the_dose_clears_by_litres_and_not_by_time() {
        let mut run = Run::new();
        run.rinse();
        for _ in 0..5 {
            run.read(2.0);
        }
        let dose = run.judge.dose();
        assert!(dose > 0.0);
        // A pause of an hour, then a little pure water: it takes back its share and no more. The
        // first of it still shows the median of before.
        run.now = run.now + Span::from_secs(3600);
        let before = run.litres;
        for _ in 0..4 {
            run.read(0.0);
        }
        let paid = 0.5 * (run.litres - before);
        assert!(run.judge.dose() >= dose - paid - 1e-9 && run.judge.dose() > 0.0);
        for _ in 0..90 {
            run.read(0.0);
        }
        assert_eq!(run.judge.dose(), 0.0);
    }

    /// Water of 1.45 ppm on a display that rounds down: half a ppm L of the water, not of what is shown,
    /// and no more than the third reading beyond it. Flicker at the first step counts as before.
    #[test]
    fn a_display_that_rounds_down_hides_half_a_step_of_the_dose() {
        let closes_at = |hidden: f64| {
            let mut run = Run::new();
            run.hidden = hidden;
            run.rinse();
            let from = run.litres;
            while run.read(1.0).is_none() {}
            1.45 * (run.litres - from)
        };
        let each = 1.45 * 0.15 * 5.0 / 60.0;
        assert!(closes_at(0.0) > 0.7, "{}", closes_at(0.0));
        assert!(closes_at(0.5) <= 0.5 + 3.0 * each, "{}", closes_at(0.5));
        let mut run = Run::new();
        run.hidden = 0.5;
        run.rinse();
        for index in 0..20_000 {
            assert_eq!(run.read(f64::from(u8::from(index % 4 < 1))), None);
        }
        // Two readings of three at it: the water is at the step, whatever the display rounds to.
        let flickers_until = |hidden: f64| {
            let mut run = Run::new();
            run.hidden = hidden;
            run.rinse();
            let from = run.litres;
            let closes =
                (0..3_000).any(|index| run.read(if index % 3 < 2 { 1.0 } else { 0.0 }).is_some());
            assert!(closes, "it fills the dose");
            run.litres - from
        };
        assert!((flickers_until(0.5) - flickers_until(0.0)).abs() < 1e-9);
    }

    #[test]
    fn a_reading_that_flickers_by_one_step_does_not_add_up_over_the_hours() {
        let mut run = Run::new();
        run.rinse();
        // Two in twenty at one step, for 100 L.
        for _ in 0..400 {
            for ppm in [0.0; 18].into_iter().chain([1.0; 2]) {
                assert_eq!(run.read(ppm), None);
            }
        }
    }

    #[test]
    fn half_of_the_readings_at_one_step_close() {
        let mut run = Run::new();
        run.rinse();
        let closed = (0..400)
            .any(|_| [1.0, 1.0, 1.0, 0.0, 0.0, 0.0].into_iter().any(|ppm| run.read(ppm).is_some()));
        assert!(closed, "water that reads 0.5 ppm in the mean is never closed");
    }

    /// A random number from 0 to 1 (Lehmer, Commun. ACM 31 (1988) 1192), so that a seed is a run.
    fn unit(state: &mut u64) -> f64 {
        *state = *state * 48_271 % 2_147_483_647;
        *state as f64 / 2_147_483_647.0
    }

    /// One reading in fifty is a spike, one in five of the others shows the first step: what this
    /// display makes of 0.3 ppm. A year of such months is 200,000 readings; the rule of three of five
    /// alone would fire ten times in it.
    #[test]
    fn spikes_beside_a_flickering_step_close_at_most_as_often_as_three_follow_each_other() {
        let mut state = 20_261_127;
        let (mut closes, mut expected) = (0, 0);
        let mut run = Run::new();
        run.rinse();
        let mut row = 0;
        for _ in 0..200_000 {
            let spike = unit(&mut state) < 0.02;
            let ppm = if spike { 137.0 } else { f64::from(u8::from(unit(&mut state) < 0.2)) };
            row = if spike { row + 1 } else { 0 };
            expected += u32::from(row == 3);
            if run.read(ppm).is_some() {
                closes += 1;
                run.judge.clear();
                run.window.clear();
            }
        }
        // The first few come before the probe is known.
        assert!(closes <= expected + 1, "{closes} closes, {expected} times three in a row");
        assert!(expected <= 4, "{expected}");
    }

    fn make_spiky(run: &mut Run) {
        for _ in 0..4 {
            for ppm in [137.0].into_iter().chain([0.0; 40]) {
                assert_eq!(run.read(ppm), None);
            }
        }
        assert!(run.judge.is_spiky());
    }

    #[test]
    fn water_that_is_bad_closes_as_soon_on_a_spiky_probe() {
        for ppm in [1.0, 2.0, 3.0, 5.0, 10.0, 19.0, 20.0, 45.0, 400.0] {
            let readings = |mut run: Run| {
                let before = run.litres;
                let count = (1..1000).find(|_| run.read(ppm).is_some()).expect("closes");
                (count, run.litres - before)
            };
            let mut quiet = Run::new();
            quiet.rinse();
            let mut spiky = Run::new();
            spiky.rinse();
            make_spiky(&mut spiky);
            let ((quiet, _), (spiky, litres)) = (readings(quiet), readings(spiky));
            assert!(spiky <= quiet, "{ppm} ppm: {spiky} readings, else {quiet}");
            // Half a ppm L and three readings, and the part of a reading that any dose ends in.
            let allowed = 0.5 + ppm * 4.0 * 0.15 * 5.0 / 60.0;
            assert!(ppm * litres <= allowed + 1e-9, "{ppm} ppm: {} ppm L", ppm * litres);
        }
    }

    #[test]
    fn what_goes_up_and_down_for_long_closes_on_a_spiky_probe_too() {
        let mut run = Run::new();
        run.rinse();
        make_spiky(&mut run);
        let before = run.litres;
        while run.read(10.0).or_else(|| run.read(0.0)).is_none() {
            assert!(run.litres - before < 3.0, "never closes");
        }
    }

    #[test]
    fn a_probe_forgets_that_it_had_spikes() {
        let mut run = Run::new();
        run.rinse();
        make_spiky(&mut run);
        for _ in 0..1000 {
            run.read(0.0);
        }
        assert!(!run.judge.is_spiky());
    }

    /// A judge behind its rinse-in, and the limits; `litres` and the median are the test's own.
    fn rinsed() -> (Judge, ProductLimits) {
        let mut run = Run::new();
        run.rinse();
        (run.judge, run.limits)
    }

    fn look(secs: i64, raw: f64, median: f64, litres: Option<f64>) -> Look {
        Look {
            now: Mono::from_millis(secs * 1000),
            raw,
            median,
            hidden: 0.0,
            litres,
            tube_litres: 0.0,
        }
    }

    #[test]
    fn standing_water_is_not_judged() {
        let mut run = Run::new();
        run.rinse();
        run.judge.run_ended();
        assert!(!run.judge.is_rinsing());
        for _ in 0..10 {
            assert_eq!(run.read(400.0), None);
        }
    }

    #[test]
    fn a_reset_forgets_the_dose_and_neither_the_run_nor_what_the_probe_is_known_for() {
        let mut run = Run::new();
        run.rinse();
        make_spiky(&mut run);
        let looks = run.judge.looks();
        run.read(1.0);
        run.read(1.0);
        assert_eq!(run.judge.looks(), looks + 2);
        assert!(run.judge.dose() > 0.0);
        run.judge.clear();
        assert_eq!((run.judge.dose(), run.judge.looks()), (0.0, 0));
        assert!(run.judge.is_spiky() && !run.judge.is_rinsing());
        assert!((0..3).any(|_| run.read(45.0).is_some()), "the run goes on");
    }

    #[test]
    fn pure_water_is_shown_by_litres_or_where_nobody_counts_them_by_readings() {
        let (mut judge, limits) = rinsed();
        let first = judge.last_litres.expect("counted");
        judge.look(look(4000, 2.0, 2.0, Some(first)), &limits, 0.0);
        judge.look(look(4005, 0.0, 0.0, Some(first + 0.9 * limits.clear_litres)), &limits, 0.0);
        assert!(!judge.is_clear(&limits, true));
        judge.look(look(4010, 0.0, 0.0, Some(first + limits.clear_litres)), &limits, 0.0);
        assert!(judge.is_clear(&limits, true));
        judge.look(look(4015, 2.0, 2.0, Some(first + limits.clear_litres)), &limits, 0.0);
        for count in 1..=CLEAR_READINGS_WITHOUT_FLOW {
            assert!(!judge.is_clear(&limits, false) && !judge.is_clear(&limits, true));
            judge.look(look(4015 + i64::from(count), 0.0, 0.0, None), &limits, 0.0);
        }
        assert!(judge.is_clear(&limits, false));
    }

    /// Ten times twenty readings and a lone one.
    fn is_spiky_after(limit_ppm: f64, accepted: f64, usual: f64, lone: f64) -> bool {
        let (mut judge, limits) = rinsed();
        let limits = ProductLimits { limit_ppm, ..limits };
        for reading in 0..210 {
            let raw = if reading % 21 == 20 { lone } else { usual };
            judge.look(look(4000 + reading, raw, usual, Some(0.0)), &limits, accepted);
        }
        judge.is_spiky()
    }

    #[test]
    fn a_spike_is_three_limits_high_and_twice_its_neighbours() {
        assert!(is_spiky_after(2.0, 0.0, 0.0, 6.0));
        assert!(!is_spiky_after(2.0, 0.0, 0.0, 5.9));
        // What a person accepted is no part of a spike.
        assert!(is_spiky_after(1.0, 2.0, 0.0, 9.0));
        assert!(!is_spiky_after(1.0, 2.0, 0.0, 8.9));
        assert!(is_spiky_after(1.0, 0.0, 4.0, 8.0));
        assert!(!is_spiky_after(1.0, 0.0, 4.0, 7.9));
    }

    #[test]
    fn one_spike_makes_no_probe_spiky_and_two_within_a_hundred_readings_do() {
        let mut run = Run::new();
        run.rinse();
        for ppm in [0.0, 137.0].into_iter().chain([0.0; 98]) {
            run.read(ppm);
        }
        assert!(!run.judge.is_spiky());
        run.read(137.0);
        run.read(0.0);
        assert!(run.judge.is_spiky());
    }

    #[test]
    fn the_rinse_in_ends_by_three_tubes_of_water_or_by_its_time() {
        let limits = ProductLimits::default();
        let mut judge = Judge::default();
        judge.run_started(Mono::ZERO, Some(10.0));
        let tube = |litres| Look { tube_litres: 2.0, ..look(5, 0.0, 0.0, Some(litres)) };
        judge.look(tube(15.9), &limits, 0.0);
        assert!(judge.is_rinsing());
        judge.look(tube(16.0), &limits, 0.0);
        assert!(!judge.is_rinsing());

        let mut judge = Judge::default();
        judge.run_started(Mono::ZERO, None);
        let most = limits.rinse_in_max_secs as i64;
        judge.look(look(most - 1, 0.0, 0.0, None), &limits, 0.0);
        assert!(judge.is_rinsing());
        judge.look(look(most, 0.0, 0.0, None), &limits, 0.0);
        assert!(!judge.is_rinsing());
    }

    #[test]
    fn gross_failure_is_three_of_the_last_five() {
        let closes = |readings: &[f64]| {
            let mut run = Run::new();
            run.rinse();
            readings.iter().map(|ppm| run.read(*ppm)).collect::<Vec<_>>().pop().flatten()
        };
        let rule = |readings: &[f64]| closes(readings).map(|verdict| verdict.rule);
        assert_eq!(rule(&[45.0, 0.0, 0.0, 45.0, 45.0]), Some(Rule::Fast));
        assert_ne!(rule(&[45.0, 0.0, 0.0, 0.0, 45.0, 45.0]), Some(Rule::Fast));
    }

    /// A litre with each reading, so that the dose is there at once.
    fn closes_after(every_secs: i64, ppm: f64) -> Option<i64> {
        let (mut judge, limits) = rinsed();
        let first = judge.last_litres.expect("counted");
        (1..100_i64).find(|count| {
            let litres = Some(first + *count as f64);
            judge.look(look(4000 + count * every_secs, ppm, ppm, litres), &limits, 0.0).is_some()
        })
    }

    #[test]
    fn a_dose_closes_after_so_many_readings_and_so_long_and_no_sooner() {
        let limits = ProductLimits::default();
        let least = i64::from(limits.readings_min);
        let secs = limits.duration_min_secs as i64;
        assert!(least > 1 && secs > least);
        // The first reading is where the time begins.
        assert_eq!(closes_after(1, 2.0), Some(secs + 1), "by the time");
        assert_eq!(closes_after(secs, 2.0), Some(least), "by the count");
    }

    #[test]
    fn the_ceiling_of_the_rinse_in_itself_is_usual_and_above_it_in_a_row_is_not() {
        let limits = ProductLimits::default();
        let ceiling = limits.rinse_in_ceiling_ppm;
        let closes = |pattern: &[f64]| {
            let mut judge = Judge::default();
            judge.run_started(Mono::ZERO, Some(0.0));
            (0..12_i64).any(|count| {
                let ppm = pattern[count as usize % pattern.len()];
                judge.look(look(count * 5, ppm, ppm, Some(0.0)), &limits, 0.0).is_some()
            })
        };
        assert!(!closes(&[ceiling]));
        assert!(closes(&[ceiling + 0.1]));
        assert!(!closes(&[ceiling + 0.1, ceiling]), "water at the ceiling begins the count anew");
    }

    /// Accepted gas: what is beyond it by the limit counts whole, what is below not at all.
    #[test]
    fn an_accepted_level_moves_the_limit_of_the_dose_and_no_more() {
        let (mut judge, limits) = rinsed();
        let first = judge.last_litres.expect("counted");
        for count in 1..50 {
            let litres = Some(first + f64::from(count));
            assert_eq!(
                judge.look(look(4000 + 5 * i64::from(count), 2.9, 2.9, litres), &limits, 2.0),
                None
            );
        }
        assert_eq!(judge.dose(), 0.0);
        judge.look(look(5000, 3.0, 3.0, Some(first + 49.1)), &limits, 2.0);
        assert!((judge.dose() - 0.3 / 2.0).abs() < 1e-9, "{}", judge.dose());
    }

    #[test]
    fn clean_litres_take_their_share_of_the_dose_back() {
        let (mut judge, limits) = rinsed();
        let limits = ProductLimits { clear_litres: 2.0, ..limits };
        let first = judge.last_litres.expect("counted");
        judge.look(look(4000, 4.0, 4.0, Some(first + 0.1)), &limits, 0.0);
        judge.look(look(4005, 0.0, 0.0, Some(first + 0.5)), &limits, 0.0);
        // Half of the tenth before the high reading and half of the four after it were its own.
        let left = 4.0 * (0.1 + 0.4) / 2.0 - limits.dose_ppm_litres * 0.4 / 2.0;
        assert!((judge.dose() - left).abs() < 1e-9, "{} left, not {left}", judge.dose());
        // However large it was, a whole clearance of pure water ends it.
        judge.look(look(4010, 9.0, 9.0, Some(first + 3.5)), &limits, 0.0);
        for tenth in 1..=20_i32 {
            assert!(judge.dose() > 0.0, "{tenth}");
            let litres = Some(first + 3.5 + f64::from(tenth) / 10.0 + 1e-9);
            judge.look(look(4010 + i64::from(tenth), 0.0, 0.0, litres), &limits, 0.0);
        }
        assert_eq!(judge.dose(), 0.0);
    }

    /// Paid back is paid back, with less water than a whole clearance: the next bad water is counted anew.
    #[test]
    fn what_was_paid_back_begins_no_new_close() {
        let (mut judge, limits) = rinsed();
        let first = judge.last_litres.expect("counted");
        let mut read = |secs: i64, ppm: f64, litres: f64| {
            judge.look(look(4000 + secs, ppm, ppm, Some(first + litres)), &limits, 0.0)
        };
        read(0, 1.0, 0.01);
        read(5, 1.0, 0.02);
        read(10, 0.0, 0.03);
        read(15, 0.0, 0.5 * limits.clear_litres);
        assert_eq!(read(60, 2.0, 3.0), None, "one reading of new water");
    }

    #[test]
    fn without_litres_the_count_goes_on_until_so_many_readings_were_pure() {
        let limits = ProductLimits::default();
        for (pure, closes) in [(5, true), (CLEAR_READINGS_WITHOUT_FLOW as i64, false)] {
            let mut judge = Judge::default();
            judge.run_started(Mono::ZERO, None);
            let mut secs = limits.rinse_in_max_secs as i64;
            let mut read = |ppm: f64| {
                secs += 5;
                judge.look(look(secs, ppm, ppm, None), &limits, 0.0).is_some()
            };
            for _ in 1..limits.readings_min {
                assert!(!read(1.0));
            }
            assert!((0..pure).all(|_| !read(0.0)));
            assert_eq!(read(1.0), closes, "after {pure} pure readings");
        }
    }

    /// Of a spiky probe a reading counts at most what it takes to be over, until three in a row have shown
    /// more: then all of them count for it.
    #[test]
    fn what_was_held_back_is_added_with_the_third_reading() {
        let (mut judge, limits) = rinsed();
        let limits = ProductLimits { dose_ppm_litres: 1e6, ..limits };
        let first = judge.last_litres.expect("counted");
        let mut doses = |spikes: f64, accepted: f64, raw: f64, median: f64| {
            judge.spikes = spikes;
            judge.recent.clear();
            judge.dose = 0.0;
            judge.last_litres = Some(first);
            [1.0, 2.0, 3.0, 4.0].map(|count: f64| {
                let litres = Some(first + count * 0.1);
                judge.look(look(4000, raw, median, litres), &limits, accepted);
                (judge.dose() * 1e6).round() / 1e6
            })
        };
        assert_eq!(doses(0.1, 0.0, 10.0, 10.0), [0.1, 0.2, 3.0, 4.0]);
        assert_eq!(doses(0.1, 2.0, 10.0, 10.0), [0.3, 0.6, 3.0, 4.0]);
        // On a quiet probe the medians count, and nothing is added.
        assert_eq!(doses(0.0, 0.0, 10.0, 2.0), [0.2, 0.4, 0.6, 0.8]);
    }

    #[test]
    fn a_spike_with_its_copy_is_nothing() {
        let mut run = Run::new();
        run.rinse();
        for _ in 0..20 {
            for ppm in [400.0, 400.0].into_iter().chain([0.0; 90]) {
                assert_eq!(run.read(ppm), None);
            }
        }
    }
}
