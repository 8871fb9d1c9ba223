//! One actuator: what it was told, what it is known to be, and what it is told next.
//!
//! ```text
//!             want closed                     confirmed (state or flow)
//!   open ────────────────> closing(attempt n) ───────────────────────> closed
//!    ^                        │ 3 attempts, nothing can confirm            │
//!    │                        └──> commanded-not-confirmed (repeats go on) │
//!    │  state says open                                                    │ want open
//!    └──────────────── opening <── persisted ── recording <────────────────┘
//! ```
//!
//! Invariants: a close is sent at once and repeated with growing pauses until it is confirmed; an
//! open is sent only after its record is durable, once per rising edge, while the guard connection
//! that was up at the decision is still up, and never later than two seconds after the decision;
//! after every CONNACK of the guard connection the valve counts as closed, unconfirmed.

use crate::engine::output::{Action, Output, Send};
use crate::engine::setup::{ActuatorIx, ActuatorSetup};
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// An open that could not be sent this long after its decision is dropped.
pub(super) const OPEN_MAX_AGE: Span = Span::from_secs(2);
/// A dropped open is decided anew after this pause.
pub(super) const OPEN_RETRY: Span = Span::from_secs(10);
/// Pauses between repeated closes; the last one repeats.
const CLOSE_PAUSES: [Span; 4] =
    [Span::from_secs(2), Span::from_secs(5), Span::from_secs(10), Span::from_secs(60)];
/// Without anything that can confirm, a close is sent this often before it is called commanded.
const BLIND_ATTEMPTS: u32 = 3;

/// A word of "open" so soon after a close was on its way before it: heartbeats do not wait for commands.
const ECHO: Span = Span::from_secs(2);

/// What an actuator is known to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Known {
    /// Nobody has said anything.
    Unknown,
    /// Closed, confirmed by its state or by the flow.
    Closed,
    /// Told to close; the confirmation is due.
    Closing,
    /// Told to close so often that it should be, and nothing can confirm it.
    CommandedNotConfirmed,
    /// An open is being recorded or has just been sent.
    Opening,
    /// Open, by its state, by the flow, or by what was seen on its topic.
    Open,
}

impl Known {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Unknown => "unknown",
            Self::Closed => "closed",
            Self::Closing => "closing",
            Self::CommandedNotConfirmed => "commanded-not-confirmed",
            Self::Opening => "opening",
            Self::Open => "open",
        }
    }

    /// The number in the database. Never renumbered.
    pub const fn code(self) -> u16 {
        match self {
            Self::Unknown => 0,
            Self::Closed => 1,
            Self::Closing => 2,
            Self::CommandedNotConfirmed => 3,
            Self::Opening => 4,
            Self::Open => 5,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "stage", rename_all = "kebab-case")]
enum Stage {
    /// Nothing commanded.
    Rest,
    /// Told to close.
    Closing { since: Mono, attempt: u32, next: Mono },
    /// An open was decided; its record is on the way to the disk.
    Recording { token: u64, since: Mono },
    /// Told to open.
    Opened { since: Mono, renewed: Mono },
}

/// What others report about an actuator.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub(super) struct Evidence {
    /// Its own live state and since when that is known: open?
    pub(super) reported_open: Option<(Mono, bool)>,
    /// Water flows, by a meter.
    pub(super) flow: Option<bool>,
    /// How long it takes to move.
    pub(super) travel: Span,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct Valve {
    known: Known,
    stage: Stage,
    /// Its guard connection is up.
    connected: bool,
    /// The broker acknowledged the last close.
    acknowledged: bool,
    /// When the last close was first sent.
    closed_at: Option<Mono>,
    /// From that to its confirmation.
    close_time: Option<Span>,
    /// When an open may be decided again.
    not_before: Option<Mono>,
    /// Opens that were dropped in a row, their record not being on disk in time.
    #[serde(default)]
    late_records: u32,
    /// Its own state has said closed since then.
    #[serde(default)]
    said_closed: Option<Mono>,
    /// Its own state says open since then.
    #[serde(default)]
    said_open: Option<Mono>,
    /// The broker took our close, or somebody's was seen, and nothing since spoke of open.
    #[serde(default)]
    told_closed: Option<Mono>,
    /// When an open was last sent by us or seen on its topic.
    #[serde(default)]
    told_open: Option<Mono>,
    /// When it began its way to open: the first of several such words.
    #[serde(default)]
    way_open: Option<Mono>,
    /// Something that spoke after the last close says that it is open.
    #[serde(default)]
    contradicted: bool,
}

impl Valve {
    pub(super) const fn new() -> Self {
        Self {
            known: Known::Unknown,
            stage: Stage::Rest,
            connected: false,
            acknowledged: false,
            closed_at: None,
            close_time: None,
            not_before: None,
            late_records: 0,
            said_closed: None,
            said_open: None,
            told_closed: None,
            told_open: None,
            way_open: None,
            contradicted: false,
        }
    }

    pub(super) const fn known(&self) -> Known {
        self.known
    }

    pub(super) const fn is_connected(&self) -> bool {
        self.connected
    }

    pub(super) const fn is_acknowledged(&self) -> bool {
        self.acknowledged
    }

    pub(super) const fn closed_at(&self) -> Option<Mono> {
        self.closed_at
    }

    /// When it was last told to close: by us, or by somebody whose word was seen on its topic.
    pub(super) fn close_told_at(&self) -> Option<Mono> {
        self.closed_at.max(self.told_closed)
    }

    /// Since when it should be shut: by its own state where that has spoken since the last close, else
    /// by a close that the broker took or that was seen on its topic: a word of before is no answer to
    /// it, and the radio may have lost the answer. What flows later must be shown by a meter.
    /// `spoke`: when its own state was last heard, and whether that was open; `travel`: how long it takes
    /// to move.
    pub(super) fn shut_since(&self, spoke: Option<(Mono, bool)>, travel: Span) -> Option<Mono> {
        match spoke.filter(|(at, open)| {
            self.told_closed
                .is_none_or(|told| *at >= told + travel + if *open { ECHO } else { Span::ZERO })
        }) {
            // The word that has just come is an answer before the valve has taken note of it: else the
            // water would flow once more for one evaluation, in which every probe has long been silent.
            Some((at, false)) if self.is_answer_closed(at, travel) => self.said_closed.or(Some(at)),
            Some(_) => self.said_closed,
            None => self.said_closed.or(self.told_closed),
        }
    }

    /// "Closed", said then, is an answer to the last open.
    fn is_answer_closed(&self, at: Mono, travel: Span) -> bool {
        self.told_open.is_none_or(|told| at >= told)
            && self.way_open.is_none_or(|told| at >= told + travel)
    }

    /// Its own state has said closed, and nothing has spoken of open since.
    pub(super) const fn has_said_closed(&self) -> bool {
        self.said_closed.is_some()
    }

    /// When it was last told to close, where nothing can confirm that and nothing spoke of open since.
    pub(super) fn told_blindly(&self) -> Option<Mono> {
        (self.known == Known::CommandedNotConfirmed)
            .then(|| self.told_closed.or(self.closed_at).unwrap_or(Mono::ZERO))
    }

    /// Takes the time from the last close to its confirmation, once.
    pub(super) const fn take_close_time(&mut self) -> Option<Span> {
        self.close_time.take()
    }

    /// When it was last told to open, by whomever, and not to close since.
    pub(super) fn open_told_at(&self) -> Option<Mono> {
        self.told_open.filter(|_| self.told_closed.is_none())
    }

    /// Since when it is open, by what it was told or by its own state, whichever is later.
    pub(super) fn opened_at(&self) -> Option<Mono> {
        self.open_told_at().max(self.said_open)
    }

    /// It is shut by its own word, or by somebody's close on the topic on which it was opened before: a hub that
    /// opens it past its topic is none of this.
    pub(super) fn is_shut_by_others(&self) -> bool {
        self.said_closed.is_some() || (self.told_open.is_some() && self.told_closed.is_some())
    }

    /// We told it to open and have not told it to close since.
    pub(super) const fn is_told_open(&self) -> bool {
        matches!(self.stage, Stage::Opened { .. })
    }

    /// Something that spoke after the last close says that it is open: it did not close.
    pub(super) const fn is_contradicted(&self) -> bool {
        self.contradicted
    }

    /// Told to close and not confirmed for this long.
    pub(super) fn unconfirmed_for(&self, now: Mono) -> Option<Span> {
        match self.stage {
            Stage::Closing { since, .. } if self.known != Known::Closed => Some(now.since(since)),
            _ => None,
        }
    }

    pub(super) fn started(&mut self) {
        self.connected = false;
        self.acknowledged = false;
        self.known = Known::Unknown;
        self.stage = Stage::Rest;
        self.said_closed = None;
        self.said_open = None;
        self.told_closed = None;
    }

    /// The guard connection got its CONNACK: whatever was before, its will may have fired.
    pub(super) fn guard_connected(&mut self) {
        self.connected = true;
        self.acknowledged = false;
        self.known = Known::CommandedNotConfirmed;
        self.stage = Stage::Rest;
    }

    pub(super) fn guard_lost(&mut self) {
        self.connected = false;
        self.acknowledged = false;
        if matches!(self.stage, Stage::Recording { .. }) {
            self.stage = Stage::Rest;
        }
    }

    pub(super) fn close_acknowledged(&mut self, now: Mono) {
        if matches!(self.stage, Stage::Closing { .. }) {
            self.acknowledged = true;
            self.told_closed.get_or_insert(now);
        }
    }

    const fn heard_open(&mut self, now: Mono) {
        // An open that is repeated or renewed sends no valve on its way anew.
        if self.told_open.is_none() || self.told_closed.is_some() || self.said_closed.is_some() {
            self.way_open = Some(now);
        }
        self.told_open = Some(now);
        self.told_closed = None;
        self.said_closed = None;
    }

    /// Somebody else's command was seen on the topic.
    pub(super) fn seen(&mut self, now: Mono, open: bool) {
        if open {
            self.known = Known::Open;
            self.acknowledged = false;
            self.heard_open(now);
            // Whatever we said before has been contradicted.
            if matches!(self.stage, Stage::Closing { .. }) {
                self.stage = Stage::Rest;
            }
        } else {
            self.told_closed.get_or_insert(now);
            if !matches!(self.stage, Stage::Closing { .. }) {
                self.known = Known::CommandedNotConfirmed;
                self.stage = Stage::Rest;
            }
        }
    }

    /// Something was reported: its state or the flow.
    pub(super) fn observe(&mut self, now: Mono, evidence: Evidence) {
        // "Closed" from before the last open is no answer to it: a state sensor that has died would
        // else hide that water runs. Neither is "open" from before the last close. And what it says while
        // it moves is where it came from: a radio that then loses the word at the end of the way would
        // leave an open valve known as closed, and its water as flow that nobody asked for.
        let told_closed = match self.stage {
            Stage::Closing { since, .. } => Some(since),
            _ => self.told_closed,
        };
        let answers = |at: Mono, open: bool| match open {
            true => told_closed.is_none_or(|told| at >= told + evidence.travel + ECHO),
            false => self.is_answer_closed(at, evidence.travel),
        };
        let reported =
            evidence.reported_open.filter(|(at, open)| answers(*at, *open)).map(|(_, open)| open);
        match reported {
            Some(false) => {
                self.said_closed.get_or_insert(now);
                self.said_open = None;
            }
            Some(true) => {
                self.said_closed = None;
                self.said_open.get_or_insert(now);
            }
            None => {}
        }
        let evident = match (reported, evidence.flow) {
            // A valve that says closed while water runs is not closed.
            (Some(false), Some(true)) => None,
            (Some(state), _) => Some(state),
            (None, flow) => flow,
        };
        self.contradicted = matches!(self.stage, Stage::Closing { .. })
            && (reported == Some(true) || evidence.flow == Some(true));
        match (evident, self.stage) {
            (Some(false), Stage::Closing { since, .. }) => {
                if self.known != Known::Closed {
                    self.close_time = Some(now.since(since));
                }
                self.known = Known::Closed;
            }
            (Some(false), Stage::Rest) => self.known = Known::Closed,
            (Some(true), Stage::Closing { .. }) => self.known = Known::Closing,
            (Some(true), _) => self.known = Known::Open,
            // After an open some time may pass before water flows or the state follows.
            (Some(false), Stage::Opened { .. } | Stage::Recording { .. }) | (None, _) => {}
        }
    }

    /// Tells it to close, now or again if it is due.
    pub(super) fn close(
        &mut self,
        now: Mono,
        actuator: ActuatorIx,
        can_confirm: bool,
        out: &mut Vec<Output>,
    ) {
        match self.stage {
            Stage::Closing { since, attempt, next } => {
                let settled = self.known == Known::Closed
                    || (!can_confirm && attempt >= BLIND_ATTEMPTS && self.acknowledged);
                if settled {
                    if !can_confirm && self.known != Known::Closed {
                        self.known = Known::CommandedNotConfirmed;
                    }
                    return;
                }
                if now < next {
                    return;
                }
                self.send_close(now, actuator, since, attempt + 1, out);
                if !can_confirm && attempt + 1 >= BLIND_ATTEMPTS {
                    self.known = Known::CommandedNotConfirmed;
                }
            }
            Stage::Rest | Stage::Recording { .. } | Stage::Opened { .. } => {
                self.acknowledged = false;
                self.close_time = None;
                self.closed_at = Some(now);
                self.late_records = 0;
                if self.known != Known::Closed {
                    self.known = Known::Closing;
                }
                self.send_close(now, actuator, now, 1, out);
            }
        }
    }

    fn send_close(
        &mut self,
        now: Mono,
        actuator: ActuatorIx,
        since: Mono,
        attempt: u32,
        out: &mut Vec<Output>,
    ) {
        let pause = CLOSE_PAUSES[(attempt as usize - 1).min(CLOSE_PAUSES.len() - 1)];
        self.stage = Stage::Closing { since, attempt, next: now + pause };
        out.push(Output::Send(Send { actuator, action: Action::Close, decided: now, attempt }));
    }

    /// It may be open. Stops repeating closes; opens nothing.
    pub(super) fn let_be(&mut self) {
        if matches!(self.stage, Stage::Closing { .. }) {
            self.stage = Stage::Rest;
        }
    }

    /// Decides to open: first the record. Gives nothing while an open is under way or done, while
    /// the guard connection is down, or too soon after a dropped one.
    pub(super) fn open(
        &mut self,
        now: Mono,
        setup: &ActuatorSetup,
        token: u64,
        out: &mut Vec<Output>,
    ) -> bool {
        let blocked = setup.open.is_empty()
            || !self.connected
            || self.not_before.is_some_and(|time| now < time)
            || matches!(self.stage, Stage::Opened { .. } | Stage::Recording { .. });
        if blocked {
            return false;
        }
        self.stage = Stage::Recording { token, since: now };
        self.known = Known::Opening;
        out.push(Output::Persist { token });
        true
    }

    /// The record is durable: the open goes out, if it is still young and its connection still up.
    pub(super) fn persisted(
        &mut self,
        now: Mono,
        actuator: ActuatorIx,
        token: u64,
        out: &mut Vec<Output>,
    ) -> bool {
        let Stage::Recording { token: waiting, since } = self.stage else { return false };
        if waiting != token {
            return false;
        }
        if !self.connected || now.since(since) > OPEN_MAX_AGE {
            self.drop_open(now, since);
            return false;
        }
        self.late_records = 0;
        self.stage = Stage::Opened { since: now, renewed: now };
        self.acknowledged = false;
        self.heard_open(now);
        out.push(Output::Send(Send { actuator, action: Action::Open, decided: now, attempt: 1 }));
        true
    }

    /// Opens in a row whose record was not on disk within [`OPEN_MAX_AGE`]; an open that goes out
    /// ends the count, and so does a close.
    pub(super) const fn late_records(&self) -> u32 {
        self.late_records
    }

    fn drop_open(&mut self, now: Mono, since: Mono) {
        if now.since(since) > OPEN_MAX_AGE {
            self.late_records = self.late_records.saturating_add(1);
        }
        self.stage = Stage::Rest;
        self.known = Known::CommandedNotConfirmed;
        self.not_before = Some(now + OPEN_RETRY);
    }

    /// Drops an open whose record takes too long, and repeats an open that re-arms an off-timer.
    pub(super) fn tick(
        &mut self,
        now: Mono,
        actuator: ActuatorIx,
        setup: &ActuatorSetup,
        out: &mut Vec<Output>,
    ) {
        match self.stage {
            Stage::Recording { since, .. } if now.since(since) > OPEN_MAX_AGE => {
                self.drop_open(now, since)
            }
            Stage::Opened { since, renewed }
                if setup.open_renew > Span::ZERO
                    && self.connected
                    && now.since(renewed) >= setup.open_renew =>
            {
                self.stage = Stage::Opened { since, renewed: now };
                out.push(Output::Send(Send {
                    actuator,
                    action: Action::Open,
                    decided: now,
                    attempt: 2,
                }));
            }
            _ => {}
        }
    }

    /// When something is due.
    pub(super) fn deadline(&self, setup: &ActuatorSetup, can_confirm: bool) -> Option<Mono> {
        match self.stage {
            Stage::Closing { attempt, next, .. } => {
                let settled = self.known == Known::Closed
                    || (!can_confirm && attempt >= BLIND_ATTEMPTS && self.acknowledged);
                (!settled).then_some(next)
            }
            Stage::Recording { since, .. } => Some(since + OPEN_MAX_AGE + Span::from_millis(1)),
            Stage::Opened { renewed, .. } if setup.open_renew > Span::ZERO && self.connected => {
                Some(renewed + setup.open_renew)
            }
            Stage::Opened { .. } | Stage::Rest => self.not_before,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn says(at: i64, open: bool, flow: Option<bool>) -> Evidence {
        let reported_open = Some((Mono::from_millis(at * 1000), open));
        Evidence { reported_open, flow, travel: Span::from_secs(10) }
    }

    const TRAVEL: Span = Span::from_secs(10);

    fn at(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    fn millis(millis: i64) -> Mono {
        Mono::from_millis(millis)
    }

    /// A valve that the daemon opens; it re-arms nothing.
    fn actuator() -> ActuatorSetup {
        use crate::engine::setup::Setup;
        use crate::settings::schema::{OnStop, Plant};
        let plant: Plant = toml::from_str(
            "[actuators.valve]\nrole = \"supply-valve\"\ntopic = \"v\"\nclose = \"OFF\"\nopen = \"ON\"",
        )
        .expect("valid");
        let mut setup = Setup::resolve("p", &plant, OnStop::Close, 5);
        ActuatorSetup { open_renew: Span::ZERO, ..setup.actuators.remove(0) }
    }

    /// Whose guard connection is up.
    fn connected() -> Valve {
        let mut valve = Valve::new();
        valve.guard_connected();
        valve
    }

    /// Which commands went out, and how often repeated.
    fn sent(out: &mut Vec<Output>) -> Vec<(Action, u32)> {
        out.drain(..)
            .filter_map(|one| match one {
                Output::Send(send) => Some((send.action, send.attempt)),
                _ => None,
            })
            .collect()
    }

    fn close(valve: &mut Valve, now: Mono, can_confirm: bool) -> Vec<(Action, u32)> {
        let mut out = Vec::new();
        valve.close(now, 0, can_confirm, &mut out);
        sent(&mut out)
    }

    fn open(valve: &mut Valve, now: Mono, token: u64) -> bool {
        let mut out = Vec::new();
        let begun = valve.open(now, &actuator(), token, &mut out);
        assert_eq!(out, if begun { vec![Output::Persist { token }] } else { Vec::new() });
        begun
    }

    fn persisted(valve: &mut Valve, now: Mono, token: u64) -> Vec<(Action, u32)> {
        let mut out = Vec::new();
        let went = valve.persisted(now, 0, token, &mut out);
        let sent = sent(&mut out);
        assert_eq!(went, !sent.is_empty());
        sent
    }

    fn tick(valve: &mut Valve, now: Mono, setup: &ActuatorSetup) -> Vec<(Action, u32)> {
        let mut out = Vec::new();
        valve.tick(now, 0, setup, &mut out);
        sent(&mut out)
    }

    #[test]
    fn a_close_is_repeated_with_growing_pauses_until_it_is_confirmed() {
        let mut valve = connected();
        assert_eq!(close(&mut valve, at(0), true), [(Action::Close, 1)]);
        assert_eq!((valve.known(), valve.closed_at()), (Known::Closing, Some(at(0))));
        valve.close_acknowledged(at(0));
        for (secs, attempt) in [(2, 2), (7, 3), (17, 4), (77, 5), (137, 6)] {
            assert_eq!(valve.deadline(&actuator(), true), Some(at(secs)));
            assert_eq!(close(&mut valve, millis(secs * 1000 - 1), true), []);
            assert_eq!(close(&mut valve, at(secs), true), [(Action::Close, attempt)]);
            assert_eq!(valve.known(), Known::Closing, "acknowledged is not confirmed");
            assert_eq!(valve.unconfirmed_for(at(secs)), Some(Span::from_secs(secs)));
        }
        assert_eq!(valve.take_close_time(), None);
        valve.observe(at(140), says(140, false, None));
        valve.observe(at(150), says(150, false, None));
        assert_eq!(valve.known(), Known::Closed);
        assert_eq!(valve.unconfirmed_for(at(150)), None);
        assert_eq!(valve.take_close_time(), Some(Span::from_secs(140)), "of the first word");
        assert_eq!(valve.take_close_time(), None, "once");
        assert_eq!(valve.deadline(&actuator(), true), None);
        assert_eq!(close(&mut valve, at(500), true), []);
        assert_eq!(valve.closed_at(), Some(at(0)));
    }

    #[test]
    fn where_nothing_can_confirm_three_closes_and_the_brokers_word_are_enough() {
        let mut valve = connected();
        close(&mut valve, at(0), false);
        valve.close_acknowledged(at(1));
        valve.close_acknowledged(at(2));
        assert!(valve.is_acknowledged());
        assert_eq!(close(&mut valve, at(2), false), [(Action::Close, 2)]);
        assert_eq!((valve.known(), valve.told_blindly()), (Known::Closing, None));
        assert_eq!(valve.deadline(&actuator(), false), Some(at(7)));
        assert_eq!(close(&mut valve, at(7), false), [(Action::Close, 3)]);
        assert_eq!(valve.known(), Known::CommandedNotConfirmed);
        assert_eq!(valve.told_blindly(), Some(at(1)), "since the broker took it");
        assert_eq!(valve.deadline(&actuator(), false), None);
        assert_eq!(close(&mut valve, at(1000), false), []);
        // Something speaks of open, and no more of it: told to close, as before.
        valve.observe(at(1001), Evidence { flow: Some(true), ..Evidence::default() });
        assert_eq!(valve.known(), Known::Closing);
        assert_eq!(close(&mut valve, at(1002), false), []);
        assert_eq!(valve.known(), Known::CommandedNotConfirmed);
    }

    #[test]
    fn a_close_that_the_broker_did_not_take_is_repeated_for_ever() {
        let mut valve = connected();
        for (secs, attempt) in [(0, 1), (2, 2), (7, 3), (17, 4), (77, 5)] {
            assert_eq!(close(&mut valve, at(secs), false), [(Action::Close, attempt)]);
        }
        assert_eq!(valve.deadline(&actuator(), false), Some(at(137)));
        assert!(!valve.is_acknowledged());
        assert_eq!(valve.told_blindly(), Some(at(0)));
    }

    #[test]
    fn closed_by_evidence_is_closed_whatever_could_confirm_it_later() {
        let mut valve = connected();
        close(&mut valve, at(0), true);
        valve.observe(at(1), Evidence { flow: Some(false), ..Evidence::default() });
        assert_eq!(close(&mut valve, at(2), false), []);
        assert_eq!((valve.known(), valve.deadline(&actuator(), false)), (Known::Closed, None));
        // Let be and told anew: that is sent, and it stays known as closed.
        valve.let_be();
        assert_eq!(close(&mut valve, at(3), true), [(Action::Close, 1)]);
        assert_eq!((valve.known(), valve.closed_at()), (Known::Closed, Some(at(3))));
    }

    #[test]
    fn what_is_let_be_repeats_nothing_and_what_was_opened_stays_so() {
        let mut valve = connected();
        close(&mut valve, at(0), true);
        valve.let_be();
        assert_eq!(valve.deadline(&actuator(), true), None);
        assert_eq!(valve.unconfirmed_for(at(5)), None);
        assert!(open(&mut valve, at(10), 1));
        persisted(&mut valve, at(10), 1);
        valve.let_be();
        assert!(valve.is_told_open());
        close(&mut valve, at(20), true);
        assert!(!valve.is_told_open());
    }

    #[test]
    fn after_a_connack_it_counts_as_told_to_close_and_as_nothing_after_a_start() {
        let mut valve = connected();
        assert!(valve.is_connected() && !valve.is_acknowledged());
        assert_eq!(valve.known(), Known::CommandedNotConfirmed);
        open(&mut valve, at(0), 1);
        persisted(&mut valve, at(0), 1);
        valve.guard_connected();
        assert!(!valve.is_told_open(), "its will may have fired");
        close(&mut valve, at(1), true);
        valve.close_acknowledged(at(2));
        valve.guard_lost();
        assert!(!valve.is_connected() && !valve.is_acknowledged());
        assert_eq!(valve.shut_since(None, TRAVEL), Some(at(2)));
        valve.started();
        assert_eq!((valve.known(), valve.shut_since(None, TRAVEL)), (Known::Unknown, None));
        assert!(!valve.is_connected());
        assert_eq!(valve.deadline(&actuator(), true), None);
        valve.close_acknowledged(at(3));
        assert!(!valve.is_acknowledged(), "of no close of ours");
    }

    #[test]
    fn an_open_goes_out_once_with_its_own_record_and_while_it_is_young() {
        let mut valve = connected();
        assert!(open(&mut valve, at(0), 7));
        assert!(!open(&mut valve, at(0), 8), "one is under way");
        assert_eq!(valve.known(), Known::Opening);
        assert_eq!(valve.deadline(&actuator(), true), Some(millis(2001)));
        assert_eq!(persisted(&mut valve, at(1), 8), [], "the record of something else");
        assert_eq!(tick(&mut valve, at(2), &actuator()), []);
        assert_eq!(persisted(&mut valve, at(2), 7), [(Action::Open, 1)], "two seconds old");
        assert_eq!(persisted(&mut valve, at(2), 7), [], "once");
        assert!(valve.is_told_open());
        assert!(!open(&mut valve, at(60), 9), "it is open");
        assert_eq!(valve.deadline(&actuator(), true), None);
    }

    #[test]
    fn an_open_whose_record_is_late_is_dropped_and_counted_until_one_goes_out() {
        let mut valve = connected();
        open(&mut valve, at(0), 1);
        assert_eq!(persisted(&mut valve, millis(2001), 1), []);
        assert_eq!((valve.late_records(), valve.known()), (1, Known::CommandedNotConfirmed));
        assert_eq!(valve.deadline(&actuator(), true), Some(millis(12_001)));
        assert!(!open(&mut valve, at(12), 2), "not so soon");
        assert!(open(&mut valve, millis(12_001), 2));
        tick(&mut valve, millis(14_001), &actuator());
        assert_eq!(valve.late_records(), 1);
        tick(&mut valve, millis(14_002), &actuator());
        assert_eq!((valve.late_records(), valve.known()), (2, Known::CommandedNotConfirmed));
        assert!(open(&mut valve, at(30), 3));
        persisted(&mut valve, at(30), 3);
        assert_eq!(valve.late_records(), 0);

        let mut valve = connected();
        open(&mut valve, at(0), 1);
        persisted(&mut valve, at(3), 1);
        close(&mut valve, at(4), true);
        assert_eq!(valve.late_records(), 0, "a close ends the count");
    }

    #[test]
    fn an_open_is_dropped_with_its_connection_and_never_begun_without_one() {
        let mut valve = Valve::new();
        assert!(!open(&mut valve, at(0), 1));
        valve.guard_connected();
        open(&mut valve, at(0), 1);
        valve.guard_lost();
        valve.guard_connected();
        assert_eq!(persisted(&mut valve, at(1), 1), []);
        // Whatever else could leave a record under way without a connection: it is not the disk's fault.
        open(&mut valve, at(2), 2);
        valve.connected = false;
        assert_eq!(persisted(&mut valve, at(4), 2), []);
        assert_eq!(valve.late_records(), 0);

        let mut setup = actuator();
        setup.open.clear();
        let mut out = Vec::new();
        assert!(!connected().open(at(0), &setup, 1, &mut out) && out.is_empty());
    }

    #[test]
    fn an_open_that_re_arms_is_repeated_while_the_connection_is_up() {
        let setup = ActuatorSetup { open_renew: Span::from_secs(60), ..actuator() };
        let mut valve = connected();
        open(&mut valve, at(0), 1);
        persisted(&mut valve, at(1), 1);
        for due in [61, 121] {
            assert_eq!(valve.deadline(&setup, true), Some(at(due)));
            assert_eq!(tick(&mut valve, millis(due * 1000 - 1), &setup), []);
            assert_eq!(tick(&mut valve, at(due), &setup), [(Action::Open, 2)]);
        }
        assert_eq!(tick(&mut valve, at(500), &actuator()), [], "nothing to re-arm");
        assert_eq!(valve.deadline(&actuator(), true), None);
        valve.guard_lost();
        assert_eq!(tick(&mut valve, at(500), &setup), []);
        assert_eq!(valve.deadline(&setup, true), None);
    }

    #[test]
    fn what_is_seen_on_its_topic_changes_what_is_known() {
        let mut valve = connected();
        close(&mut valve, at(0), true);
        valve.seen(at(1), false);
        assert_eq!(valve.known(), Known::Closing, "our own, or one more of it");
        assert_eq!(valve.deadline(&actuator(), true), Some(at(2)));
        valve.close_acknowledged(at(1));
        valve.seen(at(3), true);
        assert_eq!((valve.known(), valve.is_acknowledged()), (Known::Open, false));
        assert_eq!(valve.unconfirmed_for(at(4)), None, "what we said has been contradicted");
        assert_eq!(valve.shut_since(None, TRAVEL), None);
        valve.seen(at(5), false);
        assert_eq!(valve.known(), Known::CommandedNotConfirmed);
        assert_eq!(valve.shut_since(None, TRAVEL), Some(at(5)));
        assert_eq!(valve.told_blindly(), Some(at(5)));
    }

    /// What it says while it moves is where it came from.
    #[test]
    fn only_a_word_from_the_end_of_the_way_contradicts_a_close() {
        let after = |word: i64, flow: Option<bool>| {
            let mut valve = connected();
            valve.observe(at(50), says(50, true, None));
            close(&mut valve, at(100), true);
            valve.observe(at(word), says(word, true, flow));
            (valve.known(), valve.is_contradicted())
        };
        assert_eq!(after(111, None), (Known::Closing, false));
        assert_eq!(after(112, None), (Known::Closing, true), "its way, and what was on its way");
        assert_eq!(after(109, Some(true)), (Known::Closing, true), "a meter contradicts as well");
        let mut valve = connected();
        close(&mut valve, at(100), true);
        valve.observe(at(101), says(99, true, None));
        assert!(!valve.is_contradicted(), "a word of before");
        valve.observe(at(120), says(120, false, None));
        assert!(!valve.is_contradicted() && valve.known() == Known::Closed);
        let mut valve = connected();
        valve.observe(at(1), says(1, true, Some(true)));
        assert!(!valve.is_contradicted(), "nobody told it to close");
    }

    #[test]
    fn a_word_of_open_counts_from_the_end_of_the_way_on() {
        let mut valve = Valve::new();
        valve.seen(at(100), false);
        for (word, since) in [(95, Some(at(100))), (111, Some(at(100))), (112, None)] {
            assert_eq!(valve.shut_since(Some((at(word), true)), TRAVEL), since, "{word} s");
        }
    }

    /// Closed and opened anew, by whatever told us of the close: a new way, and "closed" on it is no answer.
    #[test]
    fn an_open_after_a_close_begins_a_new_way() {
        let answers = |valve: &mut Valve| {
            valve.seen(at(200), true);
            valve.observe(at(209), says(209, false, None));
            let on_the_way = valve.known();
            valve.observe(at(210), says(210, false, None));
            assert_eq!((on_the_way, valve.known()), (Known::Open, Known::Closed));
        };
        answers(&mut Valve::new());
        let mut told = Valve::new();
        told.seen(at(50), true);
        told.seen(at(100), false);
        answers(&mut told);
        let mut said = Valve::new();
        said.seen(at(50), true);
        said.observe(at(100), says(100, false, None));
        answers(&mut said);
    }

    #[test]
    fn words_and_numbers_of_what_is_known_are_a_format() {
        let all = [
            (Known::Unknown, "unknown", 0),
            (Known::Closed, "closed", 1),
            (Known::Closing, "closing", 2),
            (Known::CommandedNotConfirmed, "commanded-not-confirmed", 3),
            (Known::Opening, "opening", 4),
            (Known::Open, "open", 5),
        ];
        for (known, word, code) in all {
            assert_eq!((known.word(), known.code()), (word, code));
        }
    }

    /// Told to close at 100 s; the word at the end of the way is lost, the heartbeat at 160 s is not.
    #[test]
    fn a_late_answer_shuts_from_the_moment_it_comes() {
        let at = |secs: i64| Mono::from_millis(secs * 1000);
        let travel = Span::from_secs(10);
        let mut valve = Valve::new();
        valve.seen(at(50), true);
        valve.observe(at(70), says(70, true, Some(true)));
        valve.seen(at(100), false);
        assert_eq!(valve.shut_since(Some((at(70), true)), travel), Some(at(100)));
        assert_eq!(valve.shut_since(Some((at(160), false)), travel), Some(at(160)));
        // It says that it is still open: then it is.
        assert_eq!(valve.shut_since(Some((at(160), true)), travel), None);
        // A word of before the next open is none about it.
        valve.seen(at(200), true);
        assert_eq!(valve.shut_since(Some((at(160), false)), travel), None);
    }

    /// Opened by a hub at 100 s; its state says closed on the way, and the radio loses the word at the end.
    #[test]
    fn closed_on_the_way_to_open_does_not_make_the_water_unexpected() {
        let at = |secs: i64| Mono::from_millis(secs * 1000);
        let mut valve = Valve::new();
        valve.observe(at(50), says(50, false, Some(false)));
        assert_eq!(valve.known(), Known::Closed);
        valve.seen(at(100), true);
        valve.observe(at(104), says(104, false, None));
        valve.observe(at(140), says(104, false, Some(true)));
        assert_eq!(valve.known(), Known::Open);
        // A heartbeat after the way is an answer, and repeated opens do not put it off.
        for secs in [105, 110, 115] {
            valve.seen(at(secs), true);
        }
        valve.observe(at(116), says(116, false, Some(false)));
        assert_eq!(valve.known(), Known::Closed);
    }
}
