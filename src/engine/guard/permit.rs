//! The permit: may water run, why not, and what clears it. True even when every input is gone.

use super::valve::{OPEN_MAX_AGE, OPEN_RETRY};
use super::{Context, Guard, Known, opens_itself};
use crate::engine::catalogue::{AlarmId, AlarmRow, Consequence};
use crate::engine::output::{Missing, Output, Permit};
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Span, Wall};
use crate::settings::schema::{OnStop, Point, Role};
use crate::units::Quantity;
use serde::{Deserialize, Serialize};

/// The permit may be renewed early by its interval over this, when something else is to be done anyway:
/// it then goes with the heartbeat of the same interval and does not wake the engine by itself.
const EARLY: i64 = 20;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct State {
    permitted: bool,
    since: Option<Wall>,
    first_cause: Option<String>,
    missing: Vec<Missing>,
    valve: Option<Known>,
    remarks: Vec<String>,
    sequence: u64,
    renew: Option<Mono>,
}

impl State {
    pub(super) const fn is_permitted(&self) -> bool {
        self.permitted
    }

    pub(super) const fn deadline(&self) -> Option<Mono> {
        self.renew
    }

    /// After a start nothing is permitted until it has been decided anew, and it is told again.
    pub(super) fn invalidate(&mut self) {
        self.permitted = false;
        self.renew = None;
    }
}

impl Guard {
    /// Decides whether water may run. Gives whether the permit changed or is to be renewed.
    pub(super) fn decide(&mut self, cx: &mut Context<'_>) -> bool {
        self.end_bypass(cx);
        let missing = self.missing(cx);
        let permitted = missing.is_empty();
        let now = cx.now.mono;
        let was = self.permit.permitted;
        if was && !permitted {
            self.permit.first_cause = missing.first().map(|first| first.cause.clone());
            cx.log(
                "note",
                true,
                format!(
                    "Water may not run any more: {}.",
                    self.permit.first_cause.as_deref().unwrap_or("unknown")
                ),
                serde_json::json!({ "permitted": false, "first-cause": self.permit.first_cause }),
            );
        } else if !was && permitted {
            self.permit.first_cause = None;
            cx.log(
                "note",
                true,
                "Water may run.".to_owned(),
                serde_json::json!({ "permitted": true }),
            );
        }
        if !permitted && self.permit.first_cause.is_none() {
            self.permit.first_cause = missing.first().map(|first| first.cause.clone());
        }
        let valve = self.supply_known(cx.setup);
        let remarks = self.remarks(cx);
        let changed = was != permitted
            || self.permit.missing != missing
            || self.permit.valve != Some(valve)
            || self.permit.remarks != remarks
            || self.permit.renew.is_none();
        let every = Span::from_secs_f64(cx.setup.limits.guard.permit_renew_secs);
        let due = self
            .permit
            .renew
            .is_some_and(|renew| now + Span::from_millis(every.millis() / EARLY) >= renew);
        if was != permitted || self.permit.renew.is_none() {
            self.permit.since = cx.now.wall;
        }
        self.permit.permitted = permitted;
        self.permit.missing = missing;
        self.permit.valve = Some(valve);
        self.permit.remarks = remarks;
        changed || due
    }

    /// Tells the permit as it was last decided.
    pub(super) fn publish_permit(&mut self, cx: &mut Context<'_>) {
        let limits = &cx.setup.limits.guard;
        let valid = Span::from_secs_f64(limits.permit_valid_secs);
        self.permit.sequence += 1;
        self.permit.renew = Some(cx.now.mono + Span::from_secs_f64(limits.permit_renew_secs));
        cx.out.push(Output::Permit(Permit {
            permitted: self.permit.permitted,
            since: self.permit.since,
            first_cause: self.permit.first_cause.clone(),
            missing: self.permit.missing.clone(),
            valve: self.permit.valve.unwrap_or(Known::Unknown).word().into(),
            sequence: self.permit.sequence,
            valid_until: cx.now.wall.map(|wall| wall + valid),
            valid_secs: cx.now.wall.is_none().then(|| valid.secs()),
            remarks: self.permit.remarks.clone(),
        }));
    }

    fn missing(&self, cx: &Context<'_>) -> Vec<Missing> {
        let mut missing: Vec<Missing> = cx
            .alarms
            .all_standing()
            .map(AlarmId::row)
            .filter(|row| self.withholds(row))
            .map(|row| Missing {
                cause: row.name.to_owned(),
                kind: kind_word(row.consequence).into(),
                clears: crate::engine::causes::clears(cx.setup, row.id),
            })
            .collect();
        let mut permissive = |cause: &str, clears: String| {
            missing.push(Missing { cause: cause.to_owned(), kind: "permissive".into(), clears });
        };
        if self.stopping.is_some() && cx.setup.on_stop == OnStop::Close {
            permissive("daemon-stopping", "The daemon started again.".to_owned());
        }
        if self.closed_by_command {
            permissive("closed-by-command", "The command `release`.".to_owned());
        }
        if self.proofs.is_under_way() {
            permissive("proof-under-way", "The end of the proof.".to_owned());
        }
        self.permissives_of_probes(cx, &mut permissive);
        self.permissives_of_valves(cx, &mut permissive);
        self.permissives_of_starts(cx, &mut permissive);
        missing
    }

    fn permissives_of_probes(&self, cx: &Context<'_>, permissive: &mut impl FnMut(&str, String)) {
        let setup = cx.setup;
        let now = cx.now.mono;
        let limits = &setup.limits.guard;
        let mut probes = setup.solids_at(Point::Product).peekable();
        let bypassed = |alarm| self.is_bypassed(alarm);
        if probes.peek().is_some()
            && !bypassed(AlarmId::ProductProbeStale)
            && !self.flow.is_flowing()
        {
            let ready = probes.any(|sensor| {
                let probe = &self.probes[sensor];
                let most = probe.silence_standby(&setup.sensors[sensor], limits);
                !probe.is_offline() && probe.fresh(now, most).is_some()
            });
            if !ready {
                permissive(
                    "product-probe-ready",
                    "A live reading of the product probe.".to_owned(),
                );
            }
        }
        for sensor in setup.sensors_of(Point::Room, Quantity::Leak) {
            if self.probes[sensor].retained().is_some_and(|value| value >= 0.5) {
                permissive(
                    "floor-stored-wet",
                    format!("A live dry message of {}.", setup.sensors[sensor].id),
                );
            }
        }
        for sensor in setup.sensors_of(Point::Store, Quantity::Full) {
            if self.probes[sensor].retained().is_some_and(|value| value >= 0.5) {
                permissive(
                    "store-stored-full",
                    format!(
                        "A live message of {} that the container is not full.",
                        setup.sensors[sensor].id
                    ),
                );
            }
        }
    }

    fn permissives_of_valves(&self, cx: &Context<'_>, permissive: &mut impl FnMut(&str, String)) {
        for valve in cx.setup.actuators_of(Role::SupplyValve) {
            if !self.valves[valve].is_connected() {
                permissive(
                    "guard-connection",
                    format!("The guard connection of {}.", cx.setup.actuators[valve].id),
                );
            }
        }
        let moving = |valve: usize| {
            matches!(self.valves[valve].known(), Known::Closing)
                && self.valves[valve].unconfirmed_for(cx.now.mono).is_some()
        };
        if cx.setup.actuators_of(Role::SupplyValve).any(moving) {
            permissive("close-confirmed", "The last close confirmed.".to_owned());
        }
    }

    fn permissives_of_starts(&self, cx: &Context<'_>, permissive: &mut impl FnMut(&str, String)) {
        if self.test_run.is_some() {
            return;
        }
        let now = cx.now.mono;
        let limits = &cx.setup.limits.guard;
        if let Some(off) = self.off_since
            && now.since(off) < Span::from_secs_f64(limits.off_min_secs)
        {
            permissive(
                "minimum-off-time",
                format!("{:.0} s after the close.", limits.off_min_secs),
            );
        }
        if self.flow.is_flowing() {
            return;
        }
        let within = |span: Span| self.starts.iter().filter(|at| now.since(**at) < span).count();
        let hour = within(Span::from_secs(3600));
        let day = within(Span::from_secs(86_400));
        // Starts by others are the hub's choice: told, not withheld, unless the daemon opens itself.
        if !opens_itself(cx.setup.demand) {
            return;
        }
        if hour >= limits.starts_per_hour as usize {
            permissive("starts-in-an-hour", "An hour with fewer starts.".to_owned());
        } else if day >= limits.starts_per_day as usize {
            permissive("starts-in-a-day", "A day with fewer starts.".to_owned());
        }
    }

    /// Whether an alarm that stands withholds the permit now.
    fn withholds(&self, row: &AlarmRow) -> bool {
        if row.consequence == Consequence::Tell || self.is_bypassed(row.id) {
            return false;
        }
        if self.test_run.is_none() {
            return true;
        }
        // In a test run the causes that only flowing water can clear do not withhold, and a full
        // store does not matter, since nothing goes there. Hot water that is hot now still does.
        match row.id {
            AlarmId::ProductTdsHigh | AlarmId::ProductProbeContradicted | AlarmId::StoreFull => {
                false
            }
            AlarmId::FeedHot => self.is_hot_now(),
            _ => true,
        }
    }

    fn is_hot_now(&self) -> bool {
        self.flow.is_flowing() && self.conditions.is_active(super::Watch::Hot)
    }

    fn is_bypassed(&self, alarm: AlarmId) -> bool {
        self.bypass.as_ref().is_some_and(|bypass| bypass.cause == alarm)
    }

    fn end_bypass(&mut self, cx: &mut Context<'_>) {
        let over = self.bypass.as_ref().is_some_and(|bypass| {
            cx.now.mono >= bypass.until || self.flow.made() >= bypass.made_most
        });
        if over && let Some(bypass) = self.bypass.take() {
            cx.log(
                "note",
                true,
                format!("The bypass of {} is over.", bypass.cause.name()),
                serde_json::json!({ "bypass": bypass.cause.name(), "over": true }),
            );
        }
    }

    fn remarks(&self, cx: &Context<'_>) -> Vec<String> {
        let setup: &Setup = cx.setup;
        let mut remarks = Vec::new();
        if let Some(bypass) = &self.bypass {
            remarks.push(format!("{} is bypassed: {}", bypass.cause.name(), bypass.reason));
        }
        remarks.extend(self.gas_remark(cx.now.mono));
        if self.test_run.is_some() {
            remarks.push("Test run: the water goes to the drain.".to_owned());
        }
        if setup.on_stop == OnStop::Leave {
            remarks.push("A clean stop of the daemon leaves the valve as it is.".to_owned());
        }
        for valve in setup.actuators_of(Role::SupplyValve) {
            let late = self.valves[valve].late_records();
            if late > 0 {
                remarks.push(format!(
                    "{} was not opened: {late} time{} in a row the record of the opening took longer than {:.0} s; tried again every {:.0} s.",
                    setup.actuators[valve].id,
                    if late == 1 { "" } else { "s" },
                    OPEN_MAX_AGE.secs(),
                    OPEN_RETRY.secs()
                ));
            } else if self.valves[valve].known() == Known::CommandedNotConfirmed {
                remarks.push(format!(
                    "{} was told to close; nothing confirms it.",
                    setup.actuators[valve].id
                ));
            }
        }
        remarks
    }
}

fn kind_word(consequence: Consequence) -> &'static str {
    match consequence {
        Consequence::Trip => "trip",
        Consequence::Hold => "hold",
        Consequence::Interlock => "interlock",
        Consequence::Tell => "alarm",
    }
}
