//! The one gate through which values of the trend path leave.
//!
//! Invariants: a value is rounded to its step before it is compared; an unchanged value leaves only
//! at its heartbeat; an absent value leaves once, with its reason, and has no heartbeat; stamps of
//! one key strictly rise, by one millisecond and with [`Reason::Clock`] while the clock is behind
//! itself. Bound: one entry per catalogue row and sensor or part.

use crate::engine::catalogue::SignalId;
use crate::engine::output::{Datum, ValueKey, ValueUpdate};
use crate::engine::setup::{SensorSetup, Setup};
use crate::engine::time::{Mono, Now, Span, Wall};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// So much of the record may be lost with the machine: it is synced at least once a minute.
const LOST_MAX: Span = Span::from_secs(60);

/// What was said last about one key.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Sent {
    /// The latest offer in the form in which it would leave, whether it did or not.
    latest: ValueUpdate,
    /// Time of the oldest input of `latest`.
    as_of: Mono,
    /// What left last, for the comparison.
    datum: Result<Datum, NoReading>,
    flag: Flag,
    basis: Basis,
    /// Stamp of what left last.
    stamp: Option<Wall>,
    /// Stamps up to here may have left before the process died, unwritten.
    #[serde(default)]
    lost_until: Option<Wall>,
    /// Number that was stored last.
    stored: Option<f64>,
    /// When something left that was worth storing.
    at: Mono,
    /// False while the value rests (a fact of the last run): no heartbeat.
    beats: bool,
}

impl Sent {
    /// When it is to be told again if nothing changes.
    fn beat(&self) -> Option<Mono> {
        let every = heartbeat(self.latest.key);
        (every > Span::ZERO && self.beats && self.latest.datum.is_ok()).then(|| self.at + every)
    }
}

/// The gate.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(in crate::engine) struct Emitter {
    sent: Vec<Sent>,
    /// When the process last started. What it had told before and is not known here bore no later stamp.
    #[serde(default)]
    began: Option<Wall>,
    /// When each of `sent` is to be told again: asked for at every event. Made from `sent` alone, so
    /// it is no state.
    #[serde(skip)]
    beats: Beats,
    /// Where a key was found last; looked at before it is believed, so it is no state either.
    #[serde(skip)]
    places: Places,
}

/// Times of the next heartbeats, one for each entry; of another length than the entries: not known.
#[derive(Clone, Debug, Default)]
struct Beats {
    times: Vec<Option<Mono>>,
    /// The first of them.
    first: Option<Mono>,
}

impl Beats {
    fn of(sent: &[Sent]) -> Self {
        let times: Vec<Option<Mono>> = sent.iter().map(Sent::beat).collect();
        Self { first: times.iter().copied().flatten().min(), times }
    }

    fn set(&mut self, at: usize, time: Option<Mono>) {
        let before = std::mem::replace(&mut self.times[at], time);
        if before == time {
            return;
        }
        self.first = if before == self.first {
            self.times.iter().copied().flatten().min()
        } else {
            [self.first, time].into_iter().flatten().min()
        };
    }
}

/// Places of keys among the entries, by [`Places::slot`].
#[derive(Clone, Debug, Default)]
struct Places(Vec<u16>);

impl Places {
    const SLOTS: usize = 512;

    /// Keys that share a slot are looked for each time.
    fn slot(key: ValueKey) -> usize {
        let of = key.of.map_or(0, |of| usize::from(of) + 1);
        (key.signal as usize * 7 + of) % Self::SLOTS
    }

    fn get(&self, key: ValueKey) -> Option<usize> {
        self.0.get(Self::slot(key)).map(|at| usize::from(*at))
    }

    fn set(&mut self, key: ValueKey, at: usize) {
        self.0.resize(Self::SLOTS, 0);
        self.0[Self::slot(key)] = u16::try_from(at).unwrap_or(0);
    }
}

/// How fine a value is told and stored.
#[derive(Clone, Copy, Debug)]
struct Grid {
    step: f64,
    deadband: f64,
}

impl Grid {
    fn of(setup: &Setup, key: ValueKey) -> Self {
        let row = key.signal.row();
        let sensor = key.of.and_then(|of| setup.sensors.get(usize::from(of)));
        match (key.signal, sensor) {
            (SignalId::Reading, Some(sensor)) => {
                let (step, deadband) = reading_grid(sensor, setup.ppm_factor);
                Self { step, deadband }
            }
            _ => Self { step: row.step, deadband: row.deadband },
        }
    }
}

/// How often an unchanged value is told; zero: never.
fn heartbeat(key: ValueKey) -> Span {
    Span::from_secs(i64::from(key.signal.row().heartbeat_secs))
}

/// Step and deadband of a sensor's cleaned reading. Deadbands after DEFAULTS (EEMUA 191 as cited
/// there): one display step for solids, flow 5 %, level 2 %, pressure 2 %, temperature 1 % of a
/// usual range. The mean of many rounded readings is finer than the display, hence a tenth of it.
fn reading_grid(sensor: &SensorSetup, ppm_factor: f64) -> (f64, f64) {
    match sensor.quantity {
        Quantity::Tds => {
            let step = sensor.step * ppm_factor / sensor.ppm_factor;
            if step > 0.0 { (decade(step / 10.0), step) } else { (0.01, 0.1) }
        }
        Quantity::Conductivity => {
            if sensor.step > 0.0 {
                (decade(sensor.step / 10.0), sensor.step)
            } else {
                (0.001, 0.1)
            }
        }
        Quantity::Resistivity => (0.001, sensor.step.max(0.01)),
        Quantity::Temperature => (0.1, 0.3),
        Quantity::Pressure => (0.01, 0.05),
        Quantity::Flow => (0.001, 0.005),
        Quantity::Volume | Quantity::Pulses => (0.001, 0.1),
        Quantity::Level => (0.1, 0.5),
        Quantity::Power => (0.1, 2.0),
        Quantity::Full | Quantity::Leak | Quantity::Open => (0.0, 0.0),
    }
}

/// The power of ten at or below `step`, so that rounded numbers print short.
fn decade(step: f64) -> f64 {
    10f64.powi(step.log10().floor() as i32)
}

/// The nearest whole number, halves away from zero: that of `round`, but for the sign of zero, without
/// a call into a library.
fn whole(value: f64) -> f64 {
    // From here on there are no fractions.
    const WHOLE_FROM: f64 = 4_503_599_627_370_496.0;
    if value.is_nan() || value.abs() >= WHOLE_FROM {
        return value;
    }
    let cut = value as i64 as f64;
    let rest = value - cut;
    if rest >= 0.5 {
        cut + 1.0
    } else if rest <= -0.5 {
        cut - 1.0
    } else {
        cut
    }
}

/// Rounds to a multiple of `step`; 0: not.
fn round_to(value: f64, step: f64) -> f64 {
    if step <= 0.0 {
        return value;
    }
    let per_unit = whole(1.0 / step);
    // Dividing by the whole number gives the double nearest to the decimal; multiplying by the
    // step does not.
    let rounded = if step < 1.0 && (per_unit * step - 1.0).abs() < 1e-9 {
        whole(value * per_unit) / per_unit
    } else {
        whole(value / step) * step
    };
    // No negative zero in topics.
    if rounded == 0.0 { 0.0 } else { rounded }
}

/// Below this an uncertainty is none: what a mean that dies away leaves behind (a flow that has
/// stopped) shrinks without end, and has no digits that could be kept.
const U_LEAST: f64 = 1e-12;

/// An uncertainty says nothing beyond its second digit (GUM 7.2.6).
fn two_digits(u: f64) -> Option<f64> {
    if u < U_LEAST || !u.is_finite() {
        return None;
    }
    let exponent = u.log10().floor() as i32 - 1;
    let rounded = if exponent < 0 {
        let per_unit = 10f64.powi(-exponent);
        (u * per_unit).round() / per_unit
    } else {
        let unit = 10f64.powi(exponent);
        (u / unit).round() * unit
    };
    Some(rounded)
}

impl Emitter {
    fn find(&mut self, key: ValueKey) -> Result<usize, usize> {
        let place = self.places.get(key);
        if let Some(at) = place.filter(|at| self.sent.get(*at).is_some_and(|s| s.latest.key == key))
        {
            return Ok(at);
        }
        let found = self.sent.binary_search_by(|sent| sent.latest.key.cmp(&key));
        if let Ok(at) = found {
            self.places.set(key, at);
        }
        found
    }

    /// An entry was changed: its heartbeat may be at another time.
    fn keep_beat(&mut self, at: usize) {
        if self.beats.times.len() == self.sent.len() {
            self.beats.set(at, self.sent[at].beat());
        } else {
            self.beats = Beats::of(&self.sent);
        }
    }

    /// Offers a number; it leaves if it changed.
    pub(in crate::engine) fn number(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        value: value::Result<f64>,
        out: &mut Vec<ValueUpdate>,
    ) {
        // What was counted or measured now, and for certain, is mostly what it was.
        if let Ok(valued) = &value
            && (valued.flag, valued.basis) == (Flag::Good, Basis::Measured)
            && valued.u == 0.0
            && valued.reasons.is_empty()
            && valued.as_of == now.mono
        {
            let number = valued.value;
            let same = |last: &Datum| {
                let is = |number: f64| matches!(last, Datum::Number(last) if last.to_bits() == number.to_bits());
                // What has been rounded once stays as it is when rounded again.
                is(number) || is(round_to(number, Grid::of(setup, key).step))
            };
            if self.again(now, key, same) {
                return;
            }
        }
        let value = value.map(|valued| valued.relabel(Datum::Number));
        self.offer(setup, now, key, value, false, out);
    }

    /// Offers a number that is a fact of one event (a start): it leaves even when it equals that of
    /// the event before.
    pub(in crate::engine) fn fact(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        value: value::Result<f64>,
        out: &mut Vec<ValueUpdate>,
    ) {
        let value = value.map(|valued| valued.relabel(Datum::Number));
        self.offer(setup, now, key, value, true, out);
    }

    /// Offers a word, a text, a yes or no that was measured now.
    pub(in crate::engine) fn word(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        datum: Datum,
        out: &mut Vec<ValueUpdate>,
    ) {
        if !self.again(now, key, |last| *last == datum) {
            self.offer(setup, now, key, Ok(Valued::measured(datum, 0.0, now.mono)), false, out);
        }
    }

    /// Offers a text that was found now; one that is what it was costs no copy.
    pub(in crate::engine) fn text(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        text: &str,
        out: &mut Vec<ValueUpdate>,
    ) {
        if !self.again(now, key, |last| matches!(last, Datum::Text(last) if last == text)) {
            self.word(setup, now, key, Datum::Text(text.to_owned()), out);
        }
    }

    /// Takes an offer, measured now and certain, of what `is` the latest and has left: only its time
    /// is new, and it leaves no more than the latest would. False, and nothing taken, if it is not.
    fn again(&mut self, now: Now, key: ValueKey, is: impl Fn(&Datum) -> bool) -> bool {
        let Ok(at) = self.find(key) else { return false };
        let sent = &mut self.sent[at];
        let latest = &mut sent.latest;
        let same = latest.datum.as_ref().is_ok_and(is)
            && latest.datum == sent.datum
            && (latest.flag, latest.basis) == (Flag::Good, Basis::Measured)
            && (sent.flag, sent.basis) == (Flag::Good, Basis::Measured)
            && latest.u.is_none()
            && latest.reasons.is_empty()
            && sent.beats;
        if !same || sent.beat().is_some_and(|beat| now.mono >= beat) {
            return false;
        }
        sent.latest.stamp = now.wall;
        sent.as_of = now.mono;
        true
    }

    /// Offers a yes or no.
    pub(in crate::engine) fn flag(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        value: value::Result<bool>,
        out: &mut Vec<ValueUpdate>,
    ) {
        let value = value.map(|valued| valued.relabel(Datum::Flag));
        self.offer(setup, now, key, value, false, out);
    }

    fn offer(
        &mut self,
        setup: &Setup,
        now: Now,
        key: ValueKey,
        value: value::Result<Datum>,
        always: bool,
        out: &mut Vec<ValueUpdate>,
    ) {
        let grid = Grid::of(setup, key);
        let (update, as_of) = shape(now, key, value, grid.step);
        let at = match self.find(key) {
            Ok(at) => {
                let sent = &mut self.sent[at];
                sent.latest = update;
                sent.as_of = as_of;
                sent.beats = true;
                self.keep_beat(at);
                at
            }
            Err(at) => {
                let sent = Sent {
                    datum: update.datum.clone(),
                    flag: update.flag,
                    basis: update.basis,
                    latest: update,
                    as_of,
                    stamp: None,
                    lost_until: None,
                    stored: None,
                    at: now.mono,
                    beats: true,
                };
                self.sent.insert(at, sent);
                self.beats = Beats::default();
                self.leave(at, now, true, out);
                return;
            }
        };
        let sent = &self.sent[at];
        let quality = (sent.latest.flag, sent.latest.basis) != (sent.flag, sent.basis);
        let changed = sent.latest.datum != sent.datum || quality;
        let due = sent.beat().is_some_and(|beat| now.mono >= beat);
        if !(changed || due || always) {
            return;
        }
        let moved = match (&sent.latest.datum, sent.stored) {
            (Ok(Datum::Number(number)), Some(stored)) => {
                // Half a step of slack: a difference of exactly the deadband must count although
                // both numbers are rounded.
                (number - stored).abs() + grid.step.max(1e-12) * 1e-3 >= grid.deadband
                    && *number != stored
            }
            (latest, _) => *latest != sent.datum,
        };
        self.leave(at, now, moved || quality || due || always, out);
    }

    /// Sends the latest of an entry.
    fn leave(&mut self, at: usize, now: Now, store: bool, out: &mut Vec<ValueUpdate>) {
        let sent = &mut self.sent[at];
        let mut update = sent.latest.clone();
        let wanted = update.stamp.filter(|stamp| self.began.is_none_or(|began| *stamp > began));
        // Nor older than the start is what is told for a time before it: deadlines that had fired may fire
        // once more, and more of them than a minute's where nothing was recorded for longer.
        let wanted = wanted.or(now.wall.max(now.wall.and(self.began)));
        let last = (sent.stamp, sent.lost_until);
        update.stamp = rising(&mut update.reasons, wanted, last, now.wall);
        update.store = store;
        sent.stamp = update.stamp.or(sent.stamp);
        sent.lost_until =
            sent.lost_until.filter(|lost| sent.stamp.is_none_or(|stamp| stamp < *lost));
        sent.datum = update.datum.clone();
        sent.flag = update.flag;
        sent.basis = update.basis;
        if store {
            sent.at = now.mono;
            sent.stored = match update.datum {
                Ok(Datum::Number(number)) => Some(number),
                _ => None,
            };
        }
        self.keep_beat(at);
        out.push(update);
    }

    /// Lets a value stand as a fact of the last run: it keeps its last word and has no heartbeat
    /// until it is offered again.
    pub(in crate::engine) fn rest(&mut self, key: ValueKey) {
        if let Ok(at) = self.find(key) {
            self.sent[at].beats = false;
            self.keep_beat(at);
        }
    }

    /// Sends what is due for its heartbeat.
    pub(in crate::engine) fn beat(&mut self, now: Now, out: &mut Vec<ValueUpdate>) {
        if self.next_beat().is_none_or(|next| now.mono < next) {
            return;
        }
        for at in 0..self.sent.len() {
            if self.sent[at].beat().is_some_and(|beat| now.mono >= beat) {
                self.leave(at, now, true, out);
            }
        }
    }

    /// When the next heartbeat is due.
    pub(in crate::engine) fn next_beat(&self) -> Option<Mono> {
        if self.beats.times.len() == self.sent.len() {
            self.beats.first
        } else {
            Beats::of(&self.sent).first
        }
    }

    /// Forgets what the broker and the pages may have lost over a restart: everything leaves again
    /// at its next offer. Stamps are kept, so that they go on rising.
    pub(in crate::engine) fn repeat_all(&mut self) {
        for sent in &mut self.sent {
            sent.datum = Err(NoReading::NeverSeen);
            sent.stored = None;
        }
    }

    /// The process has died, and starts again: what left last may not be what is known here.
    pub(in crate::engine) fn died(&mut self, now: Now) {
        // What was told for a time before the start before bears that start's time, which may lie ahead of
        // a clock that was set back since.
        let before = std::mem::replace(&mut self.began, now.wall);
        for sent in &mut self.sent {
            // Of the start before, too, all that it told may be lost.
            let told = sent.stamp.max(sent.lost_until).max(before);
            sent.lost_until = told.map(|stamp| stamp + LOST_MAX);
        }
    }

    /// Gives entries of sensors and parts their new numbers after the settings changed; entries
    /// whose owner is gone are dropped. `renumber` gives the new number of an old one.
    pub(in crate::engine) fn renumber(&mut self, renumber: impl Fn(SignalId, u16) -> Option<u16>) {
        self.beats = Beats::default();
        self.sent.retain_mut(|sent| match sent.latest.key.of {
            None => true,
            Some(of) => match renumber(sent.latest.key.signal, of) {
                Some(new) => {
                    sent.latest.key.of = Some(new);
                    true
                }
                None => false,
            },
        });
        self.sent.sort_by_key(|sent| sent.latest.key);
    }
}

/// The form in which a value leaves, before its stamp is made to rise.
fn shape(now: Now, key: ValueKey, value: value::Result<Datum>, step: f64) -> (ValueUpdate, Mono) {
    match value {
        Ok(Valued { value, u, flag, reasons, basis, as_of }) => {
            let datum = match value {
                Datum::Number(number) => Datum::Number(round_to(number, step)),
                other => other,
            };
            let age = now.mono.since(as_of);
            let stamp = now.wall.map(|wall| wall + Span::from_millis(-age.millis().max(0)));
            (
                ValueUpdate {
                    key,
                    datum: Ok(datum),
                    u: two_digits(u),
                    flag,
                    reasons,
                    basis,
                    stamp,
                    store: false,
                },
                as_of,
            )
        }
        Err(reason) => (
            ValueUpdate {
                key,
                datum: Err(reason),
                u: None,
                flag: Flag::Good,
                reasons: Vec::new(),
                basis: Basis::Measured,
                stamp: now.wall,
                store: false,
            },
            now.mono,
        ),
    }
}

/// The stamp of the next point of a series. The time of the oldest input may stand still while
/// another input moves; then the point is of now. Only when even now is not later than the last
/// point has the clock stepped back: last plus one millisecond, flagged; behind what was `lost`, where
/// the process has died since.
fn rising(
    reasons: &mut Vec<Reason>,
    wanted: Option<Wall>,
    (last, lost): (Option<Wall>, Option<Wall>),
    now: Option<Wall>,
) -> Option<Wall> {
    let (wanted, now) = (wanted?, now?);
    let Some(last) = last else { return Some(wanted) };
    if wanted > last {
        return Some(wanted);
    }
    if now > last {
        return Some(now);
    }
    if let Err(at) = reasons.binary_search(&Reason::Clock) {
        reasons.insert(at, Reason::Clock);
    }
    let next = last + Span::from_millis(1);
    Some(lost.map_or(next, |lost| next.max(lost)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The clock was set back, points followed each other by a millisecond, and those of the last moment
    /// died unwritten: after the restart the series went over them once more.
    #[test]
    fn after_a_death_stamps_go_on_behind_what_was_lost() {
        let wall = Wall::from_millis;
        let mut reasons = Vec::new();
        let (known, back) = (Some(wall(10_000_000)), Some(wall(6_400_000)));
        let mut next = |last, lost| rising(&mut reasons, back, (last, lost), back);
        assert_eq!(next(known, None), Some(wall(10_000_001)));
        let lost = Some(wall(10_060_000));
        assert_eq!(next(known, lost), lost);
        assert_eq!(next(lost, lost), Some(wall(10_060_001)));
        assert_eq!(reasons, [Reason::Clock]);
        // A clock that goes on is believed.
        let now = Some(wall(10_003_000));
        assert_eq!(rising(&mut Vec::new(), now, (known, lost), now), now);
    }

    /// A fact of an hour ago was told with its own time just before the process died, and the word of it was
    /// lost: after the restart it came with the same stamp once more.
    #[test]
    fn after_a_start_no_stamp_is_older_than_the_start() {
        let setup = crate::engine::setup::example();
        let mut emitter = Emitter::default();
        let key = ValueKey { signal: SignalId::StoreRate, of: None };
        let at = |secs: i64| {
            Now::new(Mono::from_millis(1000 * secs), Wall::from_millis(1_000_000 + 1000 * secs))
        };
        let tell = |emitter: &mut Emitter, secs: i64, value: f64| {
            let mut out = Vec::new();
            let fact = Valued::measured(value, 0.0, at(10).mono);
            emitter.number(&setup, at(secs), key, Ok(fact), &mut out);
            out.pop().and_then(|update| update.stamp)
        };
        emitter.died(at(3600));
        assert_eq!(tell(&mut emitter, 3605, 0.2), at(3605).wall);
        emitter.died(at(7200));
        assert_eq!(tell(&mut emitter, 7203, 0.3), at(7203).wall);
        // Nor one that a deadline of before the start tells once more.
        emitter.died(at(9000));
        assert!(tell(&mut emitter, 8700, 0.4) >= at(9000).wall);
        let mut emitter = Emitter::default();
        assert_eq!(tell(&mut emitter, 3605, 0.2), at(10).wall);
        // The clock is set back by an hour, and the process dies twice: what the first start told is lost.
        let back = |secs: i64| Now { wall: at(secs - 3600).wall, ..at(secs) };
        let tell = |emitter: &mut Emitter, secs: i64, value: f64| {
            let mut out = Vec::new();
            let fact = Valued::measured(value, 0.0, back(secs).mono);
            emitter.number(&setup, back(secs), key, Ok(fact), &mut out);
            out.pop().and_then(|update| update.stamp)
        };
        emitter.sent[0].stamp = at(3605).wall;
        emitter.died(back(3610));
        let known = emitter.clone();
        let first = tell(&mut emitter, 3611, 0.3);
        emitter = known;
        emitter.died(back(3612));
        let second = tell(&mut emitter, 3613, 0.3);
        assert!(first > at(3605).wall && second > first, "{first:?}, then {second:?}");
        // Started at 4900, and only then set back: what is told bears the time of the start, and is lost.
        emitter.sent[0].stamp = at(3605).wall;
        emitter.died(at(4900));
        let known = emitter.clone();
        let first = tell(&mut emitter, 4911, 0.5);
        emitter = known;
        emitter.died(back(4912));
        let second = tell(&mut emitter, 4913, 0.5);
        assert!(first >= at(4900).wall && second > first, "{first:?}, then {second:?}");
    }

    #[test]
    fn whole_numbers_are_those_of_round() {
        let edges = [0.0, 0.25, 0.499_999_999_999_999_94, 0.5, 0.75, 1.0 - f64::EPSILON / 2.0];
        for base in [0.0, 1.0, 2.0, 1e6, 2f64.powi(51), 2f64.powi(52), 2f64.powi(63), 1e300] {
            for value in edges.into_iter().flat_map(|part| [base + part, -(base + part)]) {
                assert_eq!(whole(value), value.round(), "{value:e}");
            }
        }
        assert!(whole(f64::NAN).is_nan());
        assert_eq!(whole(f64::INFINITY), f64::INFINITY);
    }

    /// A smoothed flow that has stopped halves for ever; 10^-310 times its scale of digits was not a
    /// number, and left as one.
    #[test]
    fn an_uncertainty_that_dies_away_is_none_and_never_no_number() {
        let mut u = 0.003;
        while u > 0.0 {
            assert!(two_digits(u).is_none_or(f64::is_finite), "{u:e}");
            u /= 2.0;
        }
        assert_eq!(two_digits(1e-310), None);
        assert_eq!(two_digits(0.003_456), Some(0.003_5));
    }
}
