//! Orders to the actuators, and the commands of people.

use super::flow::by_meters;
use super::valve::{Evidence as Seen, Known};
use super::{
    Bypass, COMMAND_MAX_AGE, Context, Guard, PENDING_MAX, Pending, PendingWhat, Watch, opens_itself,
};
use crate::engine::catalogue::{ALARMS, AlarmId, Consequence};
use crate::engine::event::{Ask, Command, ServiceEntry};
use crate::engine::output::AlarmKey;
use crate::engine::setup::{ActuatorIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::engine::words;
use crate::settings::schema::{DemandMode, Point, Role};
use crate::units::Quantity;

/// Housings have given back most of what they held under pressure so long after a close. Common
/// practice, no source; on the virtual plant (5 to 50 mL/bar) all but a tenth.
pub(super) const DECOMPRESSED: Span = Span::from_secs(20);
/// A meter that shows no flow says nothing of an open for so long: tap, pump and the meter's next word come later.
const COMES: Span = Span::from_secs(30);
/// A pump that somebody else switches may run for so long beyond the valve's own time without a valve that is known
/// to be open: a hub's commands, the valve's word and a pause of the radio (judgement; suction and pressure are
/// watched all the while).
const DRY: Span = Span::from_secs(10);

/// A bypass of one cause and its renewal, in so long a time.
const BYPASSES_MOST: usize = 2;
const BYPASS_AGAIN: Span = Span::from_secs(86_400);

fn dry_most(setup: &Setup) -> Span {
    let travel = setup.actuators_of(Role::SupplyValve).map(|valve| setup.actuators[valve].travel);
    DRY + travel.max().unwrap_or(Span::ZERO)
}

impl Guard {
    /// Something beside the broker's acknowledgement can show that this actuator closed.
    pub(super) fn can_confirm(&self, setup: &Setup, actuator: ActuatorIx) -> bool {
        let config = &setup.actuators[actuator];
        config.state_sensor.is_some()
            || (config.role == Role::SupplyValve && self.meters.iter().any(Option::is_some))
            || self.pressure_at_close(actuator).is_some()
    }

    /// Water is asked for.
    fn is_demanded(&mut self, setup: &Setup, now: Mono) -> bool {
        if self.test_run.is_some() {
            return true;
        }
        match setup.demand {
            // Somebody else opens; the daemon only permits.
            DemandMode::Hub => false,
            DemandMode::Level => self.level_demand(setup, now),
            DemandMode::Topic => self.demand_wanted,
            DemandMode::Litres => {
                let left = self.litres_asked.is_some_and(|until| self.flow.made() < until);
                if !left {
                    self.litres_asked = None;
                }
                left
            }
        }
    }

    /// Tells every actuator what follows from the permit and the demand.
    pub(super) fn order(&mut self, cx: &mut Context<'_>) {
        let setup = cx.setup;
        let now = cx.now.mono;
        for actuator in 0..setup.actuators.len() {
            self.observe_actuator(cx, actuator);
        }
        let permitted = self.permit.is_permitted();
        let demanded = self.is_demanded(setup, now);
        let may_open = permitted && (demanded || self.test_run.is_some());
        let by_others = !opens_itself(setup.demand) && permitted && self.test_run.is_none();
        let leak = cx.alarms.stands(AlarmKey::plant(AlarmId::Leak));
        let barrier = cx.alarms.is_active(AlarmKey::plant(AlarmId::CloseUnconfirmed))
            || cx.alarms.stands(AlarmKey::plant(AlarmId::ValveLeaksBy));

        for actuator in 0..setup.actuators.len() {
            match setup.actuators[actuator].role {
                Role::SupplyValve => {
                    if by_others {
                        self.valves[actuator].let_be();
                    } else if may_open {
                        self.open(cx, actuator);
                    } else {
                        // Pump first, valve one second later; a leak closes both at once.
                        let wait = !leak && self.pump_just_stopped(setup, now);
                        if !wait {
                            self.close(cx, actuator);
                        }
                    }
                }
                Role::Pump => {
                    let open = self.supply_lets_through(setup);
                    let suction = !cx.alarms.stands(AlarmKey::plant(AlarmId::SuctionLow));
                    let running = (may_open || by_others) && open && suction && !barrier && !leak;
                    let dry = by_others && suction && !barrier && !leak;
                    if running && (opens_itself(setup.demand) || self.test_run.is_some()) {
                        self.open(cx, actuator);
                    } else if running || (dry && self.may_be_dry(cx, actuator)) {
                        self.valves[actuator].let_be();
                    } else {
                        self.close(cx, actuator);
                    }
                    if open {
                        self.dry_since = None;
                    }
                }
                Role::ProductDivert => {
                    // To the drain while nobody vouches for the product.
                    let to_store = permitted
                        && self.test_run.is_none()
                        && self.flow.is_flowing()
                        && !self.is_rinsing();
                    if to_store { self.open(cx, actuator) } else { self.close(cx, actuator) }
                }
                Role::Divert => {
                    if permitted && self.test_run.is_none() {
                        self.valves[actuator].let_be();
                    } else {
                        self.close(cx, actuator);
                    }
                }
                Role::Custom => {
                    let causes = &setup.actuators[actuator].causes;
                    let called = ALARMS.iter().any(|row| {
                        causes.iter().any(|cause| cause == row.name)
                            && cx.alarms.stands(AlarmKey::plant(row.id))
                    });
                    if called {
                        self.close(cx, actuator);
                    } else {
                        self.valves[actuator].let_be();
                    }
                }
            }
            self.valves[actuator].tick(now, actuator, &setup.actuators[actuator], cx.out);
        }
    }

    /// A pump may draw on the supply: the valve is open by its own state where it has one. Without
    /// one the open that was sent must do, for the flow may need the pump.
    fn supply_lets_through(&self, setup: &Setup) -> bool {
        let lets_through = |valve: ActuatorIx| match self.valves[valve].known() {
            Known::Open => true,
            Known::Opening => setup.actuators[valve].state_sensor.is_none(),
            _ => false,
        };
        setup.actuators_of(Role::SupplyValve).all(lets_through)
    }

    /// A hub that switches pump and valve together need not keep an order between them, and the valve's word comes
    /// when it comes: so long a pump that somebody has just started may run before the valve is known to be open.
    fn may_be_dry(&mut self, cx: &Context<'_>, pump: ActuatorIx) -> bool {
        if !matches!(self.valves[pump].known(), Known::Open | Known::Opening) {
            self.dry_since = None;
            return false;
        }
        let since = *self.dry_since.get_or_insert(cx.now.mono);
        cx.now.mono.since(since) < dry_most(cx.setup)
    }

    fn pump_just_stopped(&mut self, setup: &Setup, now: Mono) -> bool {
        let lead = Span::from_secs_f64(setup.limits.guard.pump_lead_secs);
        setup
            .actuators_of(Role::Pump)
            .any(|pump| self.valves[pump].closed_at().is_some_and(|at| now.since(at) < lead))
    }

    /// When a valve that waits for its pump is due.
    pub(super) fn order_deadline(&self, setup: &Setup) -> Option<Mono> {
        let lead = Span::from_secs_f64(setup.limits.guard.pump_lead_secs);
        setup
            .actuators_of(Role::Pump)
            .filter_map(|pump| self.valves[pump].closed_at())
            .map(|at| at + lead)
            .max()
    }

    /// When a pump has run for long enough without a valve that is known to be open.
    pub(super) fn dry_deadline(&self, setup: &Setup) -> Option<Mono> {
        self.dry_since.map(|since| since + dry_most(setup))
    }

    fn observe_actuator(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let config = &setup.actuators[actuator];
        let reported_open = config
            .state_sensor
            .and_then(|sensor| self.probes[sensor].last())
            .map(|(at, value)| (at, value >= 0.5));
        let flow = if config.role == Role::SupplyValve {
            // Housings decompress after a close: water that flows shows an open valve only when a
            // meter still says so some time later. That none flows is believed at once.
            let after = self.valves[actuator].close_told_at();
            let by = |after| by_meters(setup, &self.meters, &self.probes, now, after);
            let later = after.map(|at| at + config.travel + DECOMPRESSED);
            // After an open the water comes when tap, pump and meter's next word let it.
            let opens = self.valves[actuator].open_told_at();
            let opens = opens.map(|at| at + config.travel + COMES);
            by(after)
                .filter(|flows| match flows {
                    true => later.is_none() || by(later) == Some(true),
                    false => opens.is_none() || by(opens) == Some(false),
                })
                .or_else(|| self.open_by_pressure(setup, actuator, now))
        } else {
            None
        };
        let stood = self.valves[actuator].has_said_closed();
        let travel = config.travel;
        self.valves[actuator].observe(now, Seen { reported_open, flow, travel });
        // A meter alone tells nobody's opening: water also flows through a valve that leaks by.
        let opened = stood && !self.valves[actuator].has_said_closed();
        if opened && config.role == Role::SupplyValve && !self.permit.is_permitted() {
            self.unpermitted_open(cx, actuator, "hand, by its button or past its topic");
        }
    }

    fn open(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx) {
        let setup = cx.setup;
        let token = self.tokens + 1;
        self.valves[actuator].let_be();
        let mut persist = Vec::new();
        if self.valves[actuator].open(cx.now.mono, &setup.actuators[actuator], token, &mut persist)
        {
            self.tokens = token;
            cx.log(
                "open",
                true,
                format!("{} is to be opened.", setup.actuators[actuator].id),
                serde_json::json!({ "actuator": setup.actuators[actuator].id }),
            );
            cx.out.append(&mut persist);
        }
    }

    fn close(&mut self, cx: &mut Context<'_>, actuator: ActuatorIx) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let before = self.valves[actuator].closed_at();
        let was_open = self.valves[actuator].is_told_open()
            || self.valves[actuator].known() == Known::Open
            || self.flow.is_flowing();
        let can_confirm = self.can_confirm(setup, actuator);
        self.valves[actuator].close(now, actuator, can_confirm, cx.out);
        let anew = self.valves[actuator].closed_at() != before;
        if anew && setup.actuators[actuator].role == Role::SupplyValve && was_open {
            self.off_since = Some(now);
            self.proof_of_stop_begins(setup, actuator, now);
            cx.log(
                "close",
                true,
                format!("{} was told to close.", setup.actuators[actuator].id),
                serde_json::json!({ "actuator": setup.actuators[actuator].id }),
            );
        }
    }

    /// Refuses what has waited too long for its record: a person who hears nothing does not know that nothing
    /// has happened. What becomes durable later carries out nothing.
    pub(super) fn refuse_late(&mut self, cx: &mut Context<'_>) {
        let now = cx.now.mono;
        let late = |pending: &mut Pending| now.since(pending.since) > PENDING_MAX;
        for pending in self.pending.extract_if(.., late).collect::<Vec<_>>() {
            self.answer(cx, &pending.id, Err("the record took too long; ask again".to_owned()));
        }
    }

    /// Records up to the token are durable.
    pub(super) fn persisted(&mut self, cx: &mut Context<'_>, token: u64) {
        let now = cx.now.mono;
        for actuator in 0..self.valves.len() {
            let ready = self.valves[actuator].persisted(now, actuator, token, cx.out);
            if ready {
                return;
            }
        }
        let Some(at) = self.pending.iter().position(|pending| pending.token == token) else {
            return;
        };
        let pending = self.pending.remove(at);
        let answer = self.carry_out(cx, pending.what);
        self.answer(cx, &pending.id, answer);
    }

    fn carry_out(&mut self, cx: &mut Context<'_>, what: PendingWhat) -> Result<String, String> {
        match what {
            PendingWhat::Reset(alarm) => {
                // The cause may have come back while the record was written.
                self.reset_refusal(cx, alarm).map_or(Ok(()), Err)?;
                self.forget_cause(alarm);
                cx.alarms.set(cx.now, AlarmKey::plant(alarm), Some(false), Default::default);
                cx.alarms.reset(cx.now, AlarmKey::plant(alarm));
                Ok(format!("{} is reset.", alarm.name()))
            }
            PendingWhat::ConfirmState => {
                self.state_lost = false;
                Ok("The state is confirmed.".to_owned())
            }
            PendingWhat::AcceptGas { ppm, reason } => Ok(self.begin_gas(cx, ppm, reason)),
            PendingWhat::TestRun => {
                self.begin_test_run(cx);
                Ok("The test run begins.".to_owned())
            }
            PendingWhat::Bypass { cause, reason } => {
                let limits = &cx.setup.limits.guard;
                let now = cx.now.mono;
                self.bypassed.retain(|(_, at)| now.since(*at) < BYPASS_AGAIN);
                self.bypassed.push((cause, now));
                self.bypass = Some(Bypass {
                    cause,
                    until: cx.now.mono + Span::from_secs_f64(limits.bypass_secs),
                    made_most: self.flow.made() + limits.bypass_litres,
                    renewed: self.bypass.as_ref().is_some_and(|bypass| bypass.cause == cause),
                    reason,
                });
                Ok(format!(
                    "{} is bypassed for at most {:.0} min or {:.0} L.",
                    cause.name(),
                    limits.bypass_secs / 60.0,
                    limits.bypass_litres
                ))
            }
        }
    }

    /// What made an alarm stand is forgotten with its reset.
    fn forget_cause(&mut self, alarm: AlarmId) {
        self.checked.remove(&alarm);
        match alarm {
            AlarmId::Leak => {
                self.wet.clear();
                self.dry.clear();
            }
            AlarmId::StoreOverfull => {
                self.conditions.remove(Watch::Overfull);
            }
            AlarmId::ProductTdsHigh => {
                self.test_passed = false;
                for judge in self.judges.iter_mut().flatten() {
                    judge.clear();
                }
            }
            AlarmId::FeedHot => {
                self.conditions.remove(Watch::Hot);
            }
            AlarmId::ValveLeaksBy => self.leak_by = super::LeakBy::default(),
            _ => {
                self.holds.remove(&alarm);
            }
        }
    }

    /// Why a reset is refused; `None` when the cause is gone.
    fn reset_refusal(&self, cx: &Context<'_>, alarm: AlarmId) -> Option<String> {
        let setup = cx.setup;
        let now = cx.now.mono;
        let row = alarm.row();
        if !cx.alarms.is_latched(AlarmKey::plant(alarm)) {
            return Some(format!(
                "{} does not stand latched, so there is nothing to reset",
                row.name
            ));
        }
        let checked = self.checked.contains_key(&alarm);
        let gone = match alarm {
            AlarmId::Leak => self.is_floor_dry(setup, now),
            AlarmId::StoreOverfull | AlarmId::RunLitresHigh => {
                self.below_stop(setup, now) || (checked && !self.is_overfull_now(setup))
            }
            AlarmId::ProductTdsHigh => self.test_passed,
            AlarmId::ValveLeaksBy => self.leak_by.tight >= 2 || checked,
            AlarmId::ProductProbeContradicted => checked,
            _ => !cx.alarms.is_active(AlarmKey::plant(alarm)),
        };
        (!gone).then(|| {
            format!(
                "the cause of {} is not gone. What clears it: {}",
                row.name,
                crate::engine::causes::clears(setup, alarm).trim_end_matches('.')
            )
        })
    }

    fn is_overfull_now(&self, setup: &Setup) -> bool {
        setup.sensors_of(Point::Store, Quantity::Full).any(|sensor| {
            setup.sensors[sensor].overfull
                && self.probes[sensor].last().is_some_and(|(_, value)| value >= 0.5)
        })
    }

    /// Answers a command on the event stream; the trend path answers service entries through it.
    pub(in crate::engine) fn answer(
        &mut self,
        cx: &mut Context<'_>,
        id: &str,
        answer: Result<String, String>,
    ) {
        let (accepted, text) = match answer {
            Ok(text) => (true, text),
            Err(text) => (false, format!("Refused: {text}.")),
        };
        cx.log("answer", accepted, text, serde_json::json!({ "id": id, "accepted": accepted }));
    }

    fn ask_for_record(&mut self, cx: &mut Context<'_>, id: &str, what: PendingWhat) {
        let token = self.token();
        self.pending.push(Pending { token, since: cx.now.mono, what, id: id.to_owned() });
        cx.out.push(crate::engine::output::Output::Persist { token });
    }

    /// Takes a person's command. False when it was refused unread. The answer to
    /// a service entry is the trend path's.
    /// `plateau`: the highest reading of a plateau of gas, or what speaks against one; looked at only
    /// when somebody wants to accept it.
    pub(in crate::engine) fn command(
        &mut self,
        cx: &mut Context<'_>,
        command: &Command,
        plateau: impl FnOnce() -> Result<f64, String>,
    ) -> bool {
        if let (Some(at), Some(wall)) = (command.at, cx.now.wall) {
            let age = wall.since(at);
            if age > COMMAND_MAX_AGE || age < Span::ZERO - COMMAND_MAX_AGE {
                let age = match age < Span::ZERO {
                    true => format!("{} ahead of the clock", words::span(Span::ZERO - age)),
                    false => format!("{} old", words::span(age)),
                };
                let text = format!("the command is {age}");
                self.answer(cx, &command.id, Err(text));
                return false;
            }
        }
        let id = command.id.as_str();
        let answer = match &command.what {
            Ask::Close => {
                self.closed_by_command = true;
                Ok("Closed by command.".to_owned())
            }
            Ask::Release => {
                self.closed_by_command = false;
                Ok("Released.".to_owned())
            }
            Ask::Litres { litres } => self.ask_litres(cx.setup, *litres),
            Ask::Reset { cause, .. } => match self.resettable(cx, cause) {
                Ok(alarm) => {
                    cx.log(
                        "reset",
                        true,
                        format!("Reset of {} was asked for.", alarm.name()),
                        serde_json::json!({ "cause": alarm.name() }),
                    );
                    self.ask_for_record(cx, id, PendingWhat::Reset(alarm));
                    return true;
                }
                Err(text) => Err(text),
            },
            Ask::Bypass { cause, reason } => match self.bypassable(cx, cause, reason) {
                Ok(cause) => {
                    let reason = reason.clone();
                    self.ask_for_record(cx, id, PendingWhat::Bypass { cause, reason });
                    return true;
                }
                Err(text) => Err(text),
            },
            Ask::BypassEnd => {
                if let Some(bypass) = &mut self.bypass {
                    bypass.until = cx.now.mono;
                }
                Ok("The bypass ends.".to_owned())
            }
            Ask::AcceptGas { ppm, reason } => {
                match self.gas_acceptable(cx.setup, (*ppm, reason), plateau) {
                    Ok(what) => {
                        self.ask_for_record(cx, id, what);
                        return true;
                    }
                    Err(text) => Err(text),
                }
            }
            Ask::AcceptGasEnd => {
                self.drop_gas(cx, "a person ended it");
                Ok("No level of gas is accepted.".to_owned())
            }
            Ask::TestRun { outlet_to_drain } => match self.test_run_refusal(cx, *outlet_to_drain) {
                None => {
                    self.ask_for_record(cx, id, PendingWhat::TestRun);
                    return true;
                }
                Some(text) => Err(text),
            },
            Ask::TestRunEnd => {
                self.end_test_run(cx, false, "The test run was ended by a person.".to_owned());
                Ok("The test run ends.".to_owned())
            }
            Ask::ConfirmState => {
                self.ask_for_record(cx, id, PendingWhat::ConfirmState);
                return true;
            }
            Ask::Acknowledge { alarm } => self.acknowledge(cx, alarm),
            Ask::Shelve { alarm, secs, .. } => named(cx.setup, alarm).and_then(|key| {
                cx.alarms
                    .shelve(cx.now, key, Span::from_secs_f64(*secs))
                    .map(|()| format!("{alarm} is shelved."))
            }),
            Ask::Unshelve { alarm } => named(cx.setup, alarm).map(|key| {
                cx.alarms.unshelve(key);
                format!("{alarm} is off the shelf.")
            }),
            Ask::OutOfService { alarm, out } => named(cx.setup, alarm).and_then(|key| {
                cx.alarms.out_of_service(key, *out).map(|()| format!("{alarm}: changed."))
            }),
            Ask::Proof { what } => self.ask_proof(cx, what, id),
            Ask::Service(entry) => {
                self.service(cx, entry);
                return true;
            }
        };
        self.answer(cx, id, answer);
        true
    }

    fn service(&mut self, cx: &mut Context<'_>, entry: &ServiceEntry) {
        match entry {
            ServiceEntry::ValveServiced { actuator }
                if cx.setup.actuators.iter().any(|known| known.id == *actuator) =>
            {
                self.checked.insert(AlarmId::ValveLeaksBy, cx.now.mono);
            }
            ServiceEntry::Checked { cause, .. } => {
                if let Some(alarm) = AlarmId::by_name(cause)
                    && cx.alarms.stands(AlarmKey::plant(alarm))
                {
                    self.checked.insert(alarm, cx.now.mono);
                }
            }
            ServiceEntry::Handheld { sensor, value, .. } => {
                let product = cx
                    .setup
                    .solids_at(Point::Product)
                    .find(|known| cx.setup.sensors[*known].id == *sensor);
                if let Some(probe) = product {
                    let value = cx.setup.sensors[probe].unit.to_canonical(*value);
                    self.proof_handheld(cx, probe, value);
                    self.checked.insert(AlarmId::ProductProbeContradicted, cx.now.mono);
                }
            }
            _ => {}
        }
    }

    fn ask_litres(&mut self, setup: &Setup, litres: f64) -> Result<String, String> {
        if setup.demand != DemandMode::Litres {
            return Err("litres on command need `demand.mode = \"litres\"`".to_owned());
        }
        let most = if setup.store.litres > 0.0 { setup.store.litres } else { 1000.0 };
        if !(litres > 0.0 && litres <= most) {
            return Err(format!("litres must lie between 0 and {most:.0}"));
        }
        self.litres_asked = Some(self.flow.made() + litres);
        Ok(format!("{litres:.1} L are wanted."))
    }

    fn resettable(&self, cx: &Context<'_>, cause: &str) -> Result<AlarmId, String> {
        let alarm = AlarmId::by_name(cause).ok_or_else(|| {
            format!("'{cause}' is no alarm; a reset names the alarm that tripped")
        })?;
        self.reset_refusal(cx, alarm).map_or(Ok(alarm), Err)
    }

    fn bypassable(&self, cx: &Context<'_>, cause: &str, reason: &str) -> Result<AlarmId, String> {
        let alarm = AlarmId::by_name(cause).ok_or_else(|| format!("'{cause}' is no alarm"))?;
        let row = alarm.row();
        if row.no_bypass || row.consequence == Consequence::Tell {
            return Err(format!("{cause} may not be bypassed"));
        }
        if reason.trim().is_empty() {
            return Err("a bypass needs a reason".to_owned());
        }
        if !cx.alarms.stands(AlarmKey::plant(alarm)) {
            return Err(format!("{cause} does not stand"));
        }
        match &self.bypass {
            Some(bypass) if bypass.cause != alarm => {
                Err(format!("{} is bypassed already; one cause at a time", bypass.cause.name()))
            }
            Some(bypass) if bypass.renewed => Err("a bypass is renewed once only".to_owned()),
            // Taken anew a minute after it ended it would be renewed for ever.
            _ if self.bypasses_of(alarm, cx.now.mono) >= BYPASSES_MOST => {
                Err(format!("{cause} was bypassed and renewed within a day: look for its cause"))
            }
            _ => Ok(alarm),
        }
    }

    fn bypasses_of(&self, cause: AlarmId, now: Mono) -> usize {
        let lately = |at: &Mono| now.since(*at) < BYPASS_AGAIN;
        self.bypassed.iter().filter(|(of, at)| *of == cause && lately(at)).count()
    }

    fn test_run_refusal(&self, cx: &Context<'_>, outlet_to_drain: bool) -> Option<String> {
        if !outlet_to_drain {
            return Some(
                "a test run needs the outlet led to the drain and `\"outlet_to_drain\": true`"
                    .to_owned(),
            );
        }
        if self.test_run.is_some() {
            return Some("a test run is under way".to_owned());
        }
        if self.proofs.is_under_way() {
            return Some("a proof is under way".to_owned());
        }
        let blocked: Vec<&str> = ALARMS
            .iter()
            .filter(|row| {
                row.consequence != Consequence::Tell
                    && cx.alarms.stands(AlarmKey::plant(row.id))
                    && !matches!(
                        row.id,
                        AlarmId::ProductTdsHigh
                            | AlarmId::ProductProbeContradicted
                            | AlarmId::StoreFull
                            | AlarmId::FeedHot
                    )
            })
            .map(|row| row.name)
            .collect();
        (!blocked.is_empty()).then(|| format!("first clear {}", blocked.join(", ")))
    }

    fn acknowledge(&mut self, cx: &mut Context<'_>, alarm: &str) -> Result<String, String> {
        let changed = if alarm == "all" {
            cx.alarms.acknowledge(|_| true)
        } else {
            let wanted = named(cx.setup, alarm)?;
            cx.alarms.acknowledge(|key| key == wanted)
        };
        Ok(format!("{changed} acknowledged."))
    }
}

/// Finds an alarm by the name it has on the bus: `<alarm>` or `<alarm>-<sensor or part id>`.
pub fn named(setup: &Setup, name: &str) -> Result<AlarmKey, String> {
    use crate::engine::catalogue::Of;
    if let Some(alarm) = AlarmId::by_name(name)
        && alarm.row().of == Of::Plant
    {
        return Ok(AlarmKey::plant(alarm));
    }
    for row in ALARMS {
        let Some(owner) = name.strip_prefix(row.name).and_then(|rest| rest.strip_prefix('-'))
        else {
            continue;
        };
        let of = match row.of {
            Of::Plant => None,
            Of::Sensor => setup.sensors.iter().position(|sensor| sensor.id == owner),
            Of::Part => setup.parts.iter().position(|part| part.id == owner),
        };
        if let Some(of) = of.and_then(|of| u16::try_from(of).ok()) {
            return Ok(AlarmKey { alarm: row.id, of: Some(of) });
        }
    }
    Err(format!("'{name}' is no alarm of this plant"))
}
