//! The conditions that the guard watches, and the alarms, holds, interlocks and trips they raise.
//!
//! Invariant: a condition whose input is unknown stays as it was. A condition that says nothing
//! while no water flows is unknown for what is told, and false for what holds, so that a hold can
//! return; the third return of one cause in a day latches.

use super::flow::{self, by_meters};
use super::{Context, Guard, LeakBy, Watch, Watched, opens_itself};
use crate::engine::alarm::Evidence;
use crate::engine::catalogue::{AlarmId, Consequence};
use crate::engine::condition::Delayed;
use crate::engine::output::AlarmKey;
use crate::engine::setup::{ActuatorIx, SensorIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::engine::words;
use crate::settings::schema::{Point, Role};
use crate::units::Quantity;

const DAY: Span = Span::from_secs(86_400);
/// A float that bounces for less than this is ignored on its way back.
const FLOAT_BOUNCE: Span = Span::from_secs(1);
/// `supply-valve-opened-unpermitted` returns after so long without another.
const UNPERMITTED_QUIET: Span = Span::from_secs(600);
/// So many heartbeats of a valve's state may be lost before its answer is missed.
const ANSWERS_LOST: f64 = 2.5;
/// A plant of which nothing at all is heard is left alone for at least and at most so long before the
/// valve is told beside the silence: until half of the room in the container could be full.
const UNHEARD_MIN: Span = Span::from_secs(600);
const UNHEARD_MAX: Span = Span::from_secs(4 * 3600);
/// Shortest pause of all sensors together that tells they are cut off.
const SILENCE_LEAST: Span = Span::from_secs(60);
/// Told conditions return after so long.
const TOLD_OFF: Span = Span::from_secs(60);
/// A database that lags for less is not told: servers restart, and nothing is lost meanwhile.
const DATABASE_PATIENCE: Span = Span::from_secs(15 * 60);
/// Holds of one cause that are remembered: `holds_per_day` may ask for so many.
const HOLDS_MOST: usize = 100;
/// Holds that say that the product is not seen.
pub(super) const UNSEEN_HOLDS: [AlarmId; 2] = [AlarmId::ProductProbeStale, AlarmId::NotProven];
/// So many openings in a row whose record came too late are told.
const OPENS_LATE: u32 = 3;

/// What a run may come to before more was made than the container has room for.
enum RunLimit {
    /// Litres, where a meter counts them.
    Litres(f64),
    /// Minutes, where the flow is only declared: as it should be, and at most.
    Minutes { expected: f64, most: f64 },
}

impl Guard {
    /// One delayed condition.
    fn delayed(
        &mut self,
        watch: Watch,
        now: Mono,
        input: Option<bool>,
        on: Span,
        off: Span,
    ) -> bool {
        let watched = self.conditions.entry(watch).get_or_insert_with(|| Watched {
            condition: Delayed::new(),
            on,
            off,
        });
        watched.on = on;
        watched.off = off;
        watched.condition.update(now, input, on, off)
    }

    /// Raises or clears an alarm that only tells.
    pub(super) fn tell(
        &self,
        cx: &mut Context<'_>,
        alarm: AlarmId,
        active: bool,
        evidence: impl FnOnce() -> Evidence,
    ) {
        cx.alarms.set(cx.now, AlarmKey::plant(alarm), Some(active), evidence);
    }

    /// Raises or clears a hold; the third of one cause in 24 h latches if `counted`.
    fn hold(
        &mut self,
        cx: &mut Context<'_>,
        alarm: AlarmId,
        active: bool,
        counted: bool,
        evidence: impl FnOnce() -> Evidence,
    ) {
        let now = cx.now.mono;
        let raised = cx.alarms.set(cx.now, AlarmKey::plant(alarm), Some(active), evidence);
        if !raised {
            return;
        }
        let past = self.holds.entry(alarm).or_default();
        past.push_back(now);
        while past.front().is_some_and(|at| now.since(*at) > DAY) || past.len() > HOLDS_MOST {
            past.pop_front();
        }
        let latches = counted && past.len() >= cx.setup.limits.guard.holds_per_day as usize;
        if latches {
            cx.alarms.latch(AlarmKey::plant(alarm));
        }
        let text = cx.alarms.evidence(AlarmKey::plant(alarm)).map(|(_, text)| text.to_owned());
        let mut text = text.unwrap_or_default();
        if latches {
            let times = past.len();
            text.push_str(&format!(
                " It has come {times} times in a day, so it stays until a person resets it."
            ));
        }
        cx.log(
            "hold",
            true,
            text,
            serde_json::json!({ "cause": alarm.name(), "latched": latches }),
        );
    }

    /// Looks at every condition.
    pub(super) fn watch(&mut self, cx: &mut Context<'_>) {
        self.watch_floor(cx);
        self.watch_store(cx);
        self.watch_probes(cx);
        self.watch_pressure(cx);
        self.watch_temperature(cx);
        self.watch_daemon(cx);
        self.watch_flow(cx);
        self.watch_leak_by(cx);
    }

    fn watch_floor(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let wet: Vec<SensorIx> =
            self.wet.keys().filter(|sensor| !self.dry.contains_key(sensor)).copied().collect();
        if let Some(sensor) = wet.first() {
            let text = format!("Water was found by {}.", setup.sensors[*sensor].id);
            self.trip(cx, AlarmId::Leak, Evidence { text, ..Evidence::default() });
        } else if self.is_floor_dry(setup, now) {
            cx.alarms.set(cx.now, AlarmKey::plant(AlarmId::Leak), Some(false), Evidence::default);
        }
        for sensor in setup.sensors_of(Point::Room, Quantity::Leak) {
            let probe = &self.probes[sensor];
            let most = probe.silence_standby(&setup.sensors[sensor], &setup.limits.guard);
            let heard = probe.last().map(|(at, _)| at);
            // One that was never heard counts from the start: its topic may be misspelt.
            let never = self.never_heard_at(setup);
            let silent = heard.map(|at| now.since(at) > most).or(never.map(|at| now >= at));
            let id = AlarmKey { alarm: AlarmId::LeakSensorSilent, of: u16::try_from(sensor).ok() };
            cx.alarms.set(cx.now, id, silent, || {
                let id = &setup.sensors[sensor].id;
                let text = match heard {
                    Some(_) => format!("{id} has been silent for too long."),
                    None => format!("{id} has not been heard since the start: compare its topic with what the sensor publishes."),
                };
                Evidence { text, ..Evidence::default() }
            });
        }
    }

    /// When a leak sensor that was not heard since the start has been silent for too long, whatever its pace.
    fn never_heard_at(&self, setup: &Setup) -> Option<Mono> {
        let patience = Span::from_secs_f64(setup.limits.guard.battery_max_secs);
        self.began.map(|began| began + patience)
    }

    /// Every sensor that was wet has been dry for long enough.
    pub(super) fn is_floor_dry(&self, setup: &Setup, now: Mono) -> bool {
        let needed = Span::from_secs_f64(setup.limits.floor.dry_secs);
        self.wet
            .keys()
            .all(|sensor| self.dry.get(sensor).is_some_and(|since| now.since(*since) >= needed))
    }

    fn watch_store(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.store;
        let float = self.any_float(setup, now, false);
        let full = self.delayed(
            Watch::Full,
            now,
            float,
            Span::from_secs_f64(limits.full_secs),
            FLOAT_BOUNCE,
        );
        let volume = setup.store.litres;
        let level = self.level(setup, now);
        let by_level = match level {
            Some(level) if volume > 0.0 => {
                let was = self.conditions.is_active(Watch::LevelFull);
                let clears = volume - limits.band_litres.min(volume * 0.25);
                Some(if was { level > clears } else { level >= volume })
            }
            _ => None,
        };
        let full_secs = Span::from_secs_f64(limits.full_secs);
        let level_full = self.delayed(Watch::LevelFull, now, by_level, full_secs, Span::ZERO);
        self.hold_interlock(cx, full || level_full, level);

        let over = match (self.any_float(setup, now, true), level) {
            (Some(true), _) => Some(true),
            (_, Some(level)) if volume > 0.0 => Some(level > volume * 1.02 + 0.5),
            (float, _) => float,
        };
        let overfull_secs = Span::from_secs_f64(limits.overfull_secs);
        if self.delayed(Watch::Overfull, now, over, overfull_secs, FLOAT_BOUNCE) {
            let float = self.any_float(setup, now, true) == Some(true);
            let text = match level {
                Some(level) if float => format!(
                    "The float above the stop of the container is up; its level says {level:.0} of {volume:.0} L."
                ),
                Some(level) => {
                    format!("The container holds {level:.0} L, its stop is at {volume:.0} L.")
                }
                None => "The float above the stop of the container is up.".to_owned(),
            };
            self.trip(
                cx,
                AlarmId::StoreOverfull,
                Evidence { value: level, limit: Some(volume), text },
            );
        }
        self.watch_run_litres(cx);
        if self.below_stop(setup, now) {
            for alarm in [AlarmId::StoreOverfull, AlarmId::RunLitresHigh] {
                cx.alarms.set(cx.now, AlarmKey::plant(alarm), Some(false), Evidence::default);
            }
        }
    }

    /// Any live float of the kind; `None` when none has spoken.
    fn any_float(&self, setup: &Setup, now: Mono, overfull: bool) -> Option<bool> {
        let mut known = None;
        for sensor in setup.sensors_of(Point::Store, Quantity::Full) {
            if setup.sensors[sensor].overfull != overfull || self.proofs.tests(sensor) {
                continue;
            }
            let probe = &self.probes[sensor];
            let most = probe.silence_standby(&setup.sensors[sensor], &setup.limits.guard);
            match probe.last() {
                Some((_, value)) if value >= 0.5 => return Some(true),
                Some((at, _)) if now.since(at) <= most => known = Some(false),
                _ => {}
            }
        }
        known
    }

    fn hold_interlock(&self, cx: &mut Context<'_>, active: bool, level: Option<f64>) {
        let key = AlarmKey::plant(AlarmId::StoreFull);
        cx.alarms.set(cx.now, key, Some(active), || Evidence {
            value: level,
            limit: Some(cx.setup.store.litres),
            text: match level {
                Some(level) => format!("The container is full ({level:.0} L)."),
                None => "The container is full.".to_owned(),
            },
        });
        // A full container is how every filling ends: it stands for as long as it is so, and asks nobody.
        cx.alarms.acknowledge(|known| known == key);
    }

    /// The level is known to be below the stop minus the band.
    pub(super) fn below_stop(&self, setup: &Setup, now: Mono) -> bool {
        let volume = setup.store.litres;
        let band = setup.limits.store.band_litres.min(volume * 0.25);
        let by_level = self.level(setup, now).map(|level| level < volume - band);
        let float_down = self.any_float(setup, now, true) != Some(true);
        by_level == Some(true) && float_down
    }

    fn watch_run_litres(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let level = self.level(setup, cx.now.mono);
        let Some(run) = &mut self.run else {
            self.usage.rests(cx.now.mono, level);
            return;
        };
        self.usage.ends();
        if let Some(level) = level {
            run.draws(level, setup.store.litres);
        }
        if self.test_run.is_some() {
            // What it made went to the drain and took none of the room.
            run.room_from = Some(self.flow.made());
            run.rise = None;
            return;
        }
        if let Some(level) = level {
            run.arrives(self.flow.made(), level, setup.store.litres);
        }
        let Some((free, limit)) = self.run_limit(setup, cx.now.mono) else { return };
        let Some(run) = &self.run else { return };
        match limit {
            RunLimit::Litres(most) => {
                let made = self.flow.made() - run.room_from.unwrap_or(run.made);
                if made > most {
                    let text = format!(
                        "This run made {made:.1} L, the container had room for {free:.1} L."
                    );
                    let evidence = Evidence { value: Some(made), limit: Some(most), text };
                    self.trip(cx, AlarmId::RunLitresHigh, evidence);
                }
            }
            RunLimit::Minutes { expected, most } => {
                let minutes = cx.now.mono.since(run.since).minutes();
                if minutes > most {
                    let text = format!(
                        "This run has lasted {minutes:.0} min; filling the container should take {expected:.0} min."
                    );
                    let evidence = Evidence { value: Some(minutes), limit: Some(most), text };
                    self.trip(cx, AlarmId::RunLitresHigh, evidence);
                }
            }
        }
    }

    /// The room for what this run makes, in litres, and the limit that follows from it at a time.
    fn run_limit(&self, setup: &Setup, now: Mono) -> Option<(f64, RunLimit)> {
        let run = self.run.as_ref()?;
        let usual = self.usage.allowance(now.since(run.since), setup.store.litres);
        let free = run.free? + run.drawn + usual;
        let limits = &setup.limits.store;
        let limit = match flow::source(setup) {
            // A full container with a float that lets a little through is the interlock's
            // business; the litres must exceed the room by more than meters err.
            flow::Source::Meter(..) => RunLimit::Litres((free * limits.run_factor).max(1.0)),
            flow::Source::Declared(rate) => {
                let expected = free / rate;
                RunLimit::Minutes { expected, most: (expected * limits.run_time_factor).max(5.0) }
            }
            flow::Source::Unknown => return None,
        };
        Some((free, limit))
    }

    /// When litres that go on by themselves come to one of their limits.
    fn litres_deadlines(&self, setup: &Setup, add: &mut impl FnMut(Option<Mono>, &'static str)) {
        let mut reaches = |litres| add(self.flow.reaches(setup, &self.probes, litres), "litres");
        self.litres_asked.into_iter().for_each(&mut reaches);
        self.bypass.iter().map(|bypass| bypass.made_most).for_each(&mut reaches);
        match &self.test_run {
            Some(test) => reaches(test.made_most),
            None => {
                let now = self.flow.at();
                if let (Some(run), Some((_, limit))) =
                    (&self.run, now.and_then(|now| self.run_limit(setup, now)))
                {
                    match limit {
                        RunLimit::Litres(most) => reaches(run.room_from.unwrap_or(run.made) + most),
                        RunLimit::Minutes { most, .. } => {
                            let at = run.since + Span::from_secs_f64(most * 60.0 + 0.001);
                            add(Some(at), "the run's time");
                        }
                    }
                }
            }
        }
    }

    /// Until when water is known to have flowed. Once the supply should be shut, only meters show that
    /// it flows still (housings decompress for a minute), and devices that rest while nothing flows fall
    /// silent together: a silence that the product probe shares with the meters is their change of pace.
    /// Where a meter goes on to count, the probe has to be heard like at any other time.
    fn watched_until(&self, setup: &Setup, now: Mono) -> Mono {
        if self.supply_shut_since(setup).is_none() {
            return now;
        }
        let spoke = self.meters.iter().flatten().filter_map(super::meter::Meter::at).max();
        spoke.map_or(now, |at| at.min(now))
    }

    /// Is any product probe good enough to guard? Each may be silent for its `limit`, counted from the start of
    /// the run at the earliest; `unseen`: and has to have spoken later than this.
    fn product_seen(
        &self,
        setup: &Setup,
        now: Mono,
        unseen: Option<Mono>,
        limit: impl Fn(SensorIx) -> Span,
    ) -> bool {
        setup.solids_at(Point::Product).any(|sensor| {
            let probe = &self.probes[sensor];
            !probe.is_offline()
                && probe.last().is_some_and(|(at, _)| {
                    let since = self.run.as_ref().map_or(at, |run| run.since.max(at));
                    now.since(since) <= limit(sensor) && unseen.is_none_or(|unseen| at > unseen)
                })
        })
    }

    /// When the product probes become too old for what they are needed for.
    pub(super) fn condition_deadlines(
        &self,
        setup: &Setup,
        add: &mut impl FnMut(Option<Mono>, &'static str),
    ) {
        let limits = &setup.limits.guard;
        self.litres_deadlines(setup, add);
        add(self.never_heard_at(setup), "a leak sensor that was never heard");
        if let Some(run) = &self.run {
            add(
                Some(run.since + Span::from_secs_f64(limits.prove_in_secs)),
                "the proof after opening",
            );
            for sensor in setup.solids_at(Point::Product) {
                let most = self.probes[sensor].silence_flowing(&setup.sensors[sensor], limits);
                add(Some(run.since + most + Span::from_millis(1)), "a probe's silence");
            }
        }
        let dry = Span::from_secs_f64(setup.limits.floor.dry_secs);
        for since in self.dry.values() {
            add(Some(*since + dry), "a dry floor");
        }
        add(self.opened_unpermitted.map(|at| at + UNPERMITTED_QUIET), "quiet after an opening");
        if let Some(close) = self.leak_by.close {
            add(Some(close + Span::from_secs_f64(setup.limits.leak_by.wait_secs)), "decompression");
        }
        if let Some((since, _)) = self.leak_by.window {
            let window = Span::from_secs_f64(setup.limits.leak_by.window_secs);
            add(Some(since + window), "a window of the leak-by test");
        }
        if let Some(off) = self.off_since {
            add(Some(off + Span::from_secs_f64(limits.off_min_secs)), "the minimum off-time");
        }
        if let Some(oldest) = self.starts.front() {
            add(Some(*oldest + DAY), "starts in a day");
        }
        for start in self.starts.iter().rev().take(limits.starts_per_hour.max(1) as usize) {
            add(Some(*start + Span::from_secs(3600)), "starts in an hour");
        }
    }

    fn watch_probes(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.guard;
        let has_probe = setup.solids_at(Point::Product).next().is_some();
        let hold_return = Span::from_secs_f64(limits.hold_return_secs);
        let [stale, not_proven] = self.note_unseen(cx);
        let held = stale || not_proven;
        let flowing =
            |sensor: SensorIx| self.probes[sensor].silence_flowing(&setup.sensors[sensor], limits);
        let returning = |sensor: SensorIx| {
            self.probes[sensor].silence_returning(&setup.sensors[sensor], limits)
        };
        let unseen = self.unseen.filter(|_| stale);

        let silent = if !has_probe {
            Some(false)
        } else if self.flow.is_running() {
            let now = self.watched_until(setup, now);
            Some(!self.product_seen(setup, now, unseen, flowing))
        } else if held {
            Some(!self.product_seen(setup, now, unseen, returning))
        } else {
            // Silence while idle is "not ready" (a permissive), not an alarm.
            Some(false)
        };
        let returned = !has_probe || held && self.product_seen(setup, now, self.unseen, returning);
        let active = self.delayed(Watch::ProbeSilent, now, silent, Span::ZERO, hold_return);
        let age = setup
            .solids_at(Point::Product)
            .filter_map(|sensor| self.probes[sensor].last().map(|(at, _)| now.since(at)))
            .min();
        self.hold(cx, AlarmId::ProductProbeStale, active, true, || {
            let since = age.map_or_else(
                || "since the start".to_owned(),
                |age| format!("for {}", words::span(age)),
            );
            Evidence {
                value: age.map(Span::secs),
                limit: Some(limits.stale_min_secs),
                text: format!("The product probe has not reported {since}, so the quality of the water was unknown."),
            }
        });

        // After opening the probe must prove itself alive within a short time and volume.
        let unproven = match &self.run {
            Some(run) if has_probe && !run.proven => {
                let late = now.since(run.since) >= Span::from_secs_f64(limits.prove_in_secs);
                // A radio that loses messages may need as long as it may be silent at any other time.
                let patience = setup
                    .solids_at(Point::Product)
                    .map(|sensor| {
                        self.probes[sensor].silence_flowing(&setup.sensors[sensor], limits)
                    })
                    .min()
                    .unwrap_or(Span::ZERO);
                let far = self.litres_known(setup)
                    && self.flow.made() - run.made >= limits.prove_in_litres
                    && now.since(run.since) > patience;
                Some(late || far)
            }
            Some(_) => Some(false),
            None => Some(not_proven && !returned),
        };
        let active = self.delayed(Watch::Unproven, now, unproven, Span::ZERO, hold_return);
        self.hold(cx, AlarmId::NotProven, active, true, || Evidence {
            text: "After opening the product probe did not report in time.".to_owned(),
            ..Evidence::default()
        });
        self.note_unseen(cx);
    }

    /// Which of [`UNSEEN_HOLDS`] are active; since when any of them has been is kept.
    fn note_unseen(&mut self, cx: &Context<'_>) -> [bool; 2] {
        let active = UNSEEN_HOLDS.map(|alarm| cx.alarms.is_active(AlarmKey::plant(alarm)));
        self.unseen = active.contains(&true).then(|| self.unseen.unwrap_or(cx.now.mono));
        active
    }

    /// Median of a live sensor of the kind at the first of these points that has one.
    pub(super) fn median_at(
        &self,
        setup: &Setup,
        now: Mono,
        quantity: Quantity,
        points: &[Point],
    ) -> Option<f64> {
        points.iter().find_map(|point| {
            setup.sensors_of(*point, quantity).find_map(|sensor| {
                let probe = &self.probes[sensor];
                let most = probe.silence_flowing(&setup.sensors[sensor], &setup.limits.guard);
                probe.fresh(now, most)?;
                probe.median()
            })
        })
    }

    /// A limit with a deadband on the way back.
    fn beyond(&self, watch: Watch, value: f64, limit: f64, deadband: f64, high: bool) -> bool {
        let was = self.conditions.is_active(watch);
        let limit =
            if was { if high { limit - deadband } else { limit + deadband } } else { limit };
        if high { value > limit } else { value < limit }
    }

    fn watch_pressure(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.pressure;
        let flowing = self.flow.is_running();
        let secs = Span::from_secs_f64;
        let feed = self
            .median_at(setup, now, Quantity::Pressure, &[Point::Feed, Point::Supply])
            .filter(|_| flowing);

        for (watch, alarm, limit, on, high) in [
            (Watch::PressureLow, AlarmId::FeedPressureLow, limits.low_bar, limits.low_secs, false),
            (
                Watch::PressureHigh,
                AlarmId::FeedPressureHigh,
                limits.high_bar,
                limits.high_secs,
                true,
            ),
        ] {
            let input = feed.map(|bar| self.beyond(watch, bar, limit, limits.deadband_bar, high));
            let active = self.delayed(watch, now, input, secs(on), TOLD_OFF);
            self.tell(cx, alarm, active, || {
                let (is, than) = words::apart(feed.unwrap_or(f64::NAN), limit, 1);
                let beyond = if high { "above" } else { "below" };
                Evidence {
                    value: feed,
                    limit: Some(limit),
                    text: format!("Feed pressure is {is} bar, {beyond} {than} bar."),
                }
            });
        }

        let hold_return = secs(setup.limits.guard.hold_return_secs);
        let watch = Watch::PressureHighHold;
        let input = match feed {
            Some(bar) => {
                Some(self.beyond(watch, bar, limits.high_hold_bar, limits.deadband_bar, true))
            }
            None if !flowing => Some(false),
            None => None,
        };
        let active = self.delayed(watch, now, input, secs(limits.high_hold_secs), hold_return);
        self.hold(cx, AlarmId::FeedPressureHighHigh, active, true, || {
            let (is, than) = words::apart(feed.unwrap_or(f64::NAN), limits.high_hold_bar, 1);
            Evidence {
                value: feed,
                limit: Some(limits.high_hold_bar),
                text: format!("Feed pressure reached {is} bar, limit {than} bar."),
            }
        });

        let has_pump = setup.actuators_of(Role::Pump).next().is_some();
        let suction = self
            .median_at(setup, now, Quantity::Pressure, &[Point::Supply])
            .filter(|_| flowing && has_pump);
        let input = match suction {
            Some(bar) => Some(bar < limits.suction_low_bar),
            None if !flowing || !has_pump => Some(false),
            None => None,
        };
        let on = secs(limits.suction_low_secs);
        let active = self.delayed(Watch::SuctionLow, now, input, on, hold_return);
        self.hold(cx, AlarmId::SuctionLow, active, true, || Evidence {
            value: suction,
            limit: Some(limits.suction_low_bar),
            text: format!("The pump's suction is at {:.1} bar.", suction.unwrap_or(f64::NAN)),
        });
    }

    fn watch_temperature(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.temperature;
        let secs = Span::from_secs_f64;
        let any = self.median_at(setup, now, Quantity::Temperature, &[Point::Feed, Point::Supply]);
        // Standing water has the temperature of the room: it says nothing about hot water.
        let feed = any.filter(|_| self.flow.is_running());
        for (watch, alarm, value, limit, high) in [
            (Watch::Warm, AlarmId::FeedTemperatureHigh, feed, limits.warm_c, true),
            (Watch::Cold, AlarmId::FeedTemperatureLow, any, limits.cold_c, false),
        ] {
            let input =
                value.map(|value| self.beyond(watch, value, limit, limits.deadband_c, high));
            let active = self.delayed(watch, now, input, secs(limits.warm_secs), TOLD_OFF);
            self.tell(cx, alarm, active, || Evidence {
                value,
                limit: Some(limit),
                text: format!("The water is at {:.1} °C.", value.unwrap_or(f64::NAN)),
            });
        }
        let input = feed.map(|value| value > limits.hot_c);
        let on = secs(limits.hot_secs);
        if self.delayed(Watch::Hot, now, input, on, Span::ZERO) {
            let text = format!("The feed is at {:.1} °C.", feed.unwrap_or(f64::NAN));
            let evidence = Evidence { value: feed, limit: Some(limits.hot_c), text };
            self.trip(cx, AlarmId::FeedHot, evidence);
        } else if feed.is_some_and(|value| value < limits.reset_below_c) {
            cx.alarms.set(
                cx.now,
                AlarmKey::plant(AlarmId::FeedHot),
                Some(false),
                Evidence::default,
            );
        }
    }

    fn watch_daemon(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.guard;
        let hold_return = Span::from_secs_f64(limits.hold_return_secs);
        let on = Span::from_secs_f64(limits.broker_lost_secs);
        let lost = Some(self.broker_lost_since.is_some());
        let active = self.delayed(Watch::BrokerLost, now, lost, on, hold_return);
        self.hold(cx, AlarmId::BrokerLost, active, false, || Evidence {
            text: "The broker is not reachable.".to_owned(),
            ..Evidence::default()
        });
        let bad = Some(!self.clock_sane);
        let active = self.delayed(Watch::ClockBad, now, bad, Span::ZERO, Span::ZERO);
        self.hold(cx, AlarmId::ClockNotSane, active, false, || Evidence {
            text: "The clock of this machine is not sane.".to_owned(),
            ..Evidence::default()
        });
        let bad = Some(!self.history_writable);
        let active = self.delayed(Watch::HistoryBad, now, bad, Span::ZERO, hold_return);
        self.hold(cx, AlarmId::HistoryUnwritable, active, false, || Evidence {
            text: "The record cannot be written.".to_owned(),
            ..Evidence::default()
        });
        let behind = Some(self.database_behind);
        let active = self.delayed(Watch::DatabaseBad, now, behind, DATABASE_PATIENCE, TOLD_OFF);
        self.tell(cx, AlarmId::HistoryBehind, active, || Evidence {
            text: format!(
                "For more than {:.0} min the database has not had everything that was recorded.",
                DATABASE_PATIENCE.secs() / 60.0
            ),
            ..Evidence::default()
        });
        let late =
            setup.actuators_of(Role::SupplyValve).map(|valve| self.valves[valve].late_records());
        let late = late.max().unwrap_or(0);
        self.tell(cx, AlarmId::OpenLate, late >= OPENS_LATE, || Evidence {
            text: format!(
                "{late} times in a row the record of an opening was not on the disk in time."
            ),
            ..Evidence::default()
        });
        self.hold(cx, AlarmId::SecondInstance, self.other_instance, false, || Evidence {
            text: "Another daemon guards this plant too.".to_owned(),
            ..Evidence::default()
        });
        self.hold(cx, AlarmId::StateLost, self.state_lost, false, || Evidence {
            text: "The daemon's record could not be read and was kept aside; trips and totals from before are unknown.".to_owned(),
            ..Evidence::default()
        });
    }

    fn watch_flow(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let secs = Span::from_secs_f64;
        let stages = &setup.limits.stages;
        let metered = by_meters(setup, &self.meters, &self.probes, now, None);
        // After a close, by whomever, only what was counted wholly later than it, and than the housings
        // took to decompress, is flow that nobody asked for: the first count after a silence tells what
        // had flowed before.
        let settle = secs(setup.limits.leak_by.wait_secs);
        let shut = self.last_close(setup).max(self.supply_shut_since(setup)).map(|at| at + settle);
        let unasked = by_meters(setup, &self.meters, &self.probes, now, shut);
        let open = self.supply_open(setup);
        let has_valve = setup.actuators_of(Role::SupplyValve).next().is_some();
        let wanted = self.supply_told_open(setup) || open == Some(true) || !has_valve;
        let input = unasked.map(|flows| flows && !wanted);
        // Housings decompress for a while after a close; that is no flow without demand.
        let input = if shut.is_some_and(|at| now < at) { input.map(|_| false) } else { input };
        let on = secs(stages.flow_unexpected_secs);
        let active = self.delayed(Watch::FlowUnexpected, now, input, on, TOLD_OFF);
        self.tell(cx, AlarmId::FlowUnexpected, active, || Evidence {
            text: "Water flows although the valve is not open and nobody asked for it.".to_owned(),
            ..Evidence::default()
        });
        let input = match (metered, open) {
            (Some(flows), Some(true)) => Some(!flows),
            (_, Some(false)) => Some(false),
            _ => None,
        };
        let on = secs(stages.flow_missing_secs);
        let active = self.delayed(Watch::FlowMissing, now, input, on, Span::ZERO);
        self.tell(cx, AlarmId::FlowMissing, active, || Evidence {
            text: "The valve is open and no water flows.".to_owned(),
            ..Evidence::default()
        });
        if let Some(at) = self.opened_unpermitted
            && now.since(at) >= UNPERMITTED_QUIET
        {
            self.opened_unpermitted = None;
            self.tell(cx, AlarmId::OpenedUnpermitted, false, Evidence::default);
        }
        self.watch_close(cx);
    }

    /// A close that nothing confirms. Somebody is woken at once when something that spoke later says
    /// that the valve is open. Where what could confirm it has only not been heard, its answer may have
    /// been lost: then, unless a flood closed it, two more of its heartbeats are waited for. And when
    /// nothing at all is heard any more (the radio, or the box behind it, is gone), that is told as
    /// silence; the valve is added to it in good time before the container could run over.
    fn watch_close(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let secs = Span::from_secs_f64;
        let barrier = secs(setup.limits.guard.barrier_secs);
        let can = setup.actuators_of(Role::SupplyValve).any(|valve| self.can_confirm(setup, valve));
        let unanswered = setup.actuators_of(Role::SupplyValve).filter_map(|valve| {
            Some((self.valves[valve].unconfirmed_for(now)?, setup.actuators[valve].travel))
        });
        // Since the command, and since it could have moved.
        let unconfirmed = unanswered.max_by_key(|(told, travel)| *told - *travel);
        let waits = can && unconfirmed.is_some();
        let contradicted =
            setup.actuators_of(Role::SupplyValve).any(|valve| self.valves[valve].is_contradicted());
        let input = Some(waits && contradicted);
        let open = self.delayed(Watch::Unconfirmed, now, input, barrier, Span::ZERO);
        // Where water may be running over nobody waits for an answer. Bad water in the container is told
        // already, and whoever is woken for it reads it some minutes later: there one word of a radio
        // that loses one in fifty must not call a closed valve open.
        let floods = |alarm: AlarmId| {
            matches!(
                alarm,
                AlarmId::Leak
                    | AlarmId::StoreOverfull
                    | AlarmId::RunLitresHigh
                    | AlarmId::ValveLeaksBy
            )
        };
        let tripped = cx.alarms.standing(Consequence::Trip).any(floods);
        let patience = if tripped || !waits { barrier } else { self.patience(setup, now, barrier) };
        let unheard = self.delayed(Watch::Unheard, now, Some(waits), patience, Span::ZERO);
        let active = waits && (open || unheard);
        self.tell(cx, AlarmId::CloseUnconfirmed, active, || Evidence {
            value: unconfirmed.map(|(told, travel)| (told - travel).secs()),
            limit: Some(barrier.secs()),
            text: format!(
                "The valve was told to close {} ago and nothing shows that it did.",
                words::span(unconfirmed.map_or(Span::ZERO, |(told, _)| told))
            ),
        });
        if active != self.told_unconfirmed {
            self.told_unconfirmed = active;
            let text = if active {
                "The close is not confirmed; the pump is stopped as second barrier."
            } else {
                "The close is confirmed."
            };
            cx.log("close", true, text.to_owned(), serde_json::Value::Null);
        }
    }

    /// So long none of the sensors is heard only when all of them are cut off: a beat of the quickest and
    /// a half.
    fn pause(&self) -> Span {
        let beats = self.probes.iter().filter(|probe| probe.last().is_some());
        let quickest = beats.map(super::probe::Probe::expected_standby).min();
        let quickest = quickest.unwrap_or(UNHEARD_MIN);
        Span::from_secs_f64(1.5 * quickest.secs()).max(SILENCE_LEAST).min(UNHEARD_MIN)
    }

    /// A sensor was heard.
    pub(super) fn hear(&mut self, now: Mono) {
        let pause = self.pause();
        let since = match self.heard {
            Some((last, since)) if now.since(last) <= pause => since,
            _ => now,
        };
        self.heard = Some((now, since));
    }

    /// How long the answer to a close may stay away before somebody is asked to look at the valve.
    fn patience(&self, setup: &Setup, now: Mono, barrier: Span) -> Span {
        let Some(close) = self.last_close(setup) else { return barrier };
        let valves = || setup.actuators_of(Role::SupplyValve);
        let travel =
            valves().map(|valve| setup.actuators[valve].travel).max().unwrap_or(Span::ZERO);
        // The valve's answer is missed only where others get through: after a pause of all of them it
        // has as much time as after the close.
        let since = self.heard.filter(|(last, _)| now.since(*last) <= self.pause()).map(|h| h.1);
        if let Some(since) = since {
            let beat = valves()
                .filter_map(|valve| setup.actuators[valve].state_sensor)
                .map(|state| self.probes[state].expected_standby())
                .max()
                .or_else(|| {
                    let meters = self.meters.iter().zip(&self.probes);
                    meters
                        .filter(|(meter, _)| meter.is_some())
                        .map(|(_, p)| p.expected_standby())
                        .max()
                })
                .or_else(|| {
                    let feed = setup.sensors_of(Point::Feed, Quantity::Pressure);
                    feed.map(|sensor| self.probes[sensor].expected_standby()).max()
                });
            let answers =
                beat.map_or(Span::ZERO, |beat| Span::from_secs_f64(ANSWERS_LOST * beat.secs()));
            let away = since.since(close).max(Span::ZERO);
            return barrier.max(answers.min(UNHEARD_MIN)) + travel + away;
        }
        let level = setup
            .sensors_of(Point::Store, Quantity::Level)
            .find_map(|sensor| self.probes[sensor].median());
        let room = (setup.store.litres - level.unwrap_or(0.0)).max(0.0);
        let half = self
            .flow
            .rate(setup)
            .filter(|_| setup.store.litres > 0.0)
            .map(|rate| Span::from_secs_f64(30.0 * room / rate.max(1e-3)));
        half.map_or(UNHEARD_MIN, |half| half.max(UNHEARD_MIN).min(UNHEARD_MAX))
    }

    /// The close that stands, once decompression is over.
    pub(super) fn last_close(&self, setup: &Setup) -> Option<Mono> {
        setup
            .actuators_of(Role::SupplyValve)
            .filter_map(|valve| self.valves[valve].closed_at())
            .max()
    }

    fn supply_told_open(&self, setup: &Setup) -> bool {
        setup.actuators_of(Role::SupplyValve).any(|valve| self.valves[valve].is_told_open())
    }

    /// The meter nearest to the supply, its litres, and when it last spoke.
    pub(super) fn supply_litres(&self, setup: &Setup) -> Option<(SensorIx, f64, Mono)> {
        [Point::Supply, Point::Feed, Point::Permeate, Point::Product, Point::Concentrate]
            .iter()
            .find_map(|point| {
                setup.meters().find_map(|index| {
                    let meter = self.meters[index].as_ref()?;
                    let heard = (index, meter.litres(), meter.at()?);
                    (setup.sensors[index].point == *point).then_some(heard)
                })
            })
    }

    fn watch_leak_by(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.leak_by;
        // While a hub may open, its own close counts as ours, where it is known to be one.
        let by_hub =
            setup.demand == crate::settings::schema::DemandMode::Hub && self.permit.is_permitted();
        let shut_by_hub = || {
            let known = |valve: ActuatorIx| self.valves[valve].is_shut_by_others();
            let all = setup.actuators_of(Role::SupplyValve).all(known);
            self.supply_shut_since(setup).filter(|_| all)
        };
        let close = if by_hub { shut_by_hub() } else { self.last_close(setup) };
        let closed = close
            .filter(|_| !self.supply_told_open(setup) && self.supply_open(setup) != Some(true));
        let Some(close) = closed else {
            self.leak_by = LeakBy::default();
            return;
        };
        if self.leak_by.close != Some(close) {
            self.leak_by = LeakBy { close: Some(close), ..LeakBy::default() };
        }
        if now.since(close) < Span::from_secs_f64(limits.wait_secs) {
            return;
        }
        let Some((_, litres, at)) = self.supply_litres(setup) else { return };
        match self.leak_by.window {
            None => self.leak_by.window = Some((now, litres)),
            Some((since, first)) if now.since(since) >= Span::from_secs_f64(limits.window_secs) => {
                // A meter that has not spoken in the window proves nothing.
                if at <= since {
                    return;
                }
                let passed = litres - first;
                self.leak_by.window = Some((now, litres));
                if passed < limits.litres {
                    self.leak_by.leaking = 0;
                    self.leak_by.tight = self.leak_by.tight.saturating_add(1);
                    if self.leak_by.tight >= 2 {
                        cx.alarms.set(
                            cx.now,
                            AlarmKey::plant(AlarmId::ValveLeaksBy),
                            Some(false),
                            Evidence::default,
                        );
                    }
                    return;
                }
                self.leak_by.tight = 0;
                self.leak_by.leaking = self.leak_by.leaking.saturating_add(1);
                if self.leak_by.leaking >= 2 {
                    let text = format!(
                        "{passed:.2} L passed in {:.0} min although the valve was told to close; the pump is stopped as second barrier.",
                        now.since(since).minutes()
                    );
                    let evidence =
                        Evidence { value: Some(passed), limit: Some(limits.litres), text };
                    self.trip(cx, AlarmId::ValveLeaksBy, evidence);
                }
            }
            Some(_) => {}
        }
    }

    /// Demand by level: opens below the band, closes above.
    pub(super) fn level_demand(&mut self, setup: &Setup, now: Mono) -> bool {
        if !opens_itself(setup.demand) {
            return false;
        }
        if let Some(level) = self.level(setup, now) {
            if level < setup.level_band.0 {
                self.level_wants = true;
            } else if level >= setup.level_band.1 {
                self.level_wants = false;
            }
            self.level_wants
        } else {
            // Nobody knows how full it is: nothing is opened on that.
            false
        }
    }
}
