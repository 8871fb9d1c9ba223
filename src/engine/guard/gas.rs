//! A steady level of gas in the product that a person has accepted.
//!
//! Purpose: resin whose anion part lets carbon dioxide through leaves a sound plant at a steady 1 to
//! 2 ppm; the dose closes it, and no test run can pass. The remedy is fresh anion resin, or airing of
//! the permeate before it. Until that is there, only a person may say that the level is known and
//! accepted, and only if the owner's settings allow it.
//!
//! ```text
//!   none ── accept-gas: allowed by the settings, reason, evidence of the trend path ──> accepted
//!   none <── its time is over, accept-gas-end, a verdict against the product, a hold of its probe that lasts
//!            or latches, evidence gone (other parts, another level, the account), lost state ── accepted
//! ```
//!
//! Invariants: never automatic, and never more than what was shown; the level takes the place of zero
//! and nothing else: a reading that is the limit above it counts whole; gross failure and the ceiling
//! of the rinse-in know no level; what is missing lets nothing through (the hold closes) and ends it when it
//! lasts; accepting opens and resets nothing, a test run has to pass as ever.

use super::conditions::UNSEEN_HOLDS;
use super::{Context, Guard, PendingWhat};
use crate::engine::alarm::Evidence;
use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use crate::engine::setup::Setup;
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;

/// The person names the level that was shown; so much above the highest reading is the same number,
/// ppm (half a step of a whole-ppm display).
const SAME_PPM: f64 = 0.5;
/// A radio gap closes by its hold and is over; what nobody has seen for longer than this is not known.
const UNSEEN_MOST: Span = Span::from_secs(3_600);

/// What stands accepted.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct AcceptedGas {
    ppm: f64,
    until: Mono,
    reason: String,
    /// [`Guard::unseen`] with the time away, which that one leaves out: readings are compared with it.
    #[serde(default)]
    unseen: Option<Mono>,
}

impl Guard {
    /// Level of gas in ppm that a person has accepted, and until when.
    pub fn accepted_gas(&self) -> Option<(f64, Mono)> {
        self.gas.as_ref().map(|gas| (gas.ppm, gas.until))
    }

    /// When a silence of the product probe ends it.
    pub(super) fn gas_unseen_ends(&self) -> Option<Mono> {
        self.gas.as_ref()?.unseen.map(|since| since + UNSEEN_MOST)
    }

    /// What takes the place of zero for the dose, ppm.
    pub(super) fn gas_level(&self) -> f64 {
        self.gas.as_ref().map_or(0.0, |gas| gas.ppm)
    }

    /// Why a level may not be accepted. `shown`: highest reading of the plateau by the trend path's
    /// evidence, or what speaks against it.
    pub(super) fn gas_acceptable(
        &self,
        setup: &Setup,
        (ppm, reason): (f64, &str),
        shown: impl FnOnce() -> Result<f64, String>,
    ) -> Result<PendingWhat, String> {
        let most = setup.limits.product.gas_accept_max_ppm;
        if most <= 0.0 {
            return Err(
                "only water that reads zero may reach the animals. The remedy is fresh anion resin, \
                 or airing of the permeate before it; an owner who wants to bridge the time until \
                 then writes `limits.product.gas_accept_max_ppm` into the settings"
                    .to_owned(),
            );
        }
        if reason.trim().is_empty() {
            return Err("accepting a level needs a reason".to_owned());
        }
        if !(ppm > 0.0 && ppm <= most) {
            return Err(format!("a level to accept lies above 0 and up to {most} ppm"));
        }
        let shown = shown()?;
        if ppm < shown || ppm >= shown + SAME_PPM {
            return Err(format!(
                "the readings show a plateau of {shown} ppm, and that is what can be accepted"
            ));
        }
        Ok(PendingWhat::AcceptGas { ppm, reason: reason.trim().to_owned() })
    }

    /// The record of it is durable.
    pub(super) fn begin_gas(&mut self, cx: &mut Context<'_>, ppm: f64, reason: String) -> String {
        let days = cx.setup.limits.product.gas_accept_days;
        let until = cx.now.mono + Span::from_secs_f64(86_400.0 * days);
        let text = format!(
            "A steady {ppm} ppm of gas in the product is accepted for {days:.0} days ({reason}). Only water that reads zero belongs to the animals: change the resin, or air the permeate before it."
        );
        cx.log("note", true, text.clone(), serde_json::json!({ "gas-accepted": ppm }));
        self.gas = Some(AcceptedGas { ppm, until, reason, unseen: None });
        text
    }

    /// Ends it, if it stands, and says why.
    pub(in crate::engine) fn drop_gas(&mut self, cx: &mut Context<'_>, why: &str) {
        let Some(gas) = self.gas.take() else { return };
        // A test run that passed by this level has shown no pure water.
        self.test_passed = false;
        let text = format!("The level of {} ppm is not accepted any more: {why}.", gas.ppm);
        cx.log("note", true, text, serde_json::json!({ "gas-accepted": null }));
    }

    /// The daemon came back: time away counts, and what nobody knows ends it.
    pub(super) fn gas_after_restart(
        &mut self,
        cx: &mut Context<'_>,
        lost: bool,
        away: Option<Span>,
    ) {
        match (lost, away) {
            (true, _) => self.drop_gas(cx, "the state was lost"),
            (false, None) => self.drop_gas(cx, "nobody knows how long the daemon was away"),
            (false, Some(away)) => {
                if let Some(gas) = &mut self.gas {
                    gas.until = gas.until - away;
                    gas.unseen = gas.unseen.map(|since| since - away);
                }
            }
        }
    }

    /// Its time, and the holds that say that the product is not seen.
    pub(super) fn watch_gas(&mut self, cx: &mut Context<'_>) {
        if let Some((_, until)) = self.accepted_gas() {
            let latched =
                UNSEEN_HOLDS.iter().any(|hold| cx.alarms.is_latched(AlarmKey::plant(*hold)));
            if let Some(gas) = &mut self.gas {
                gas.unseen = self.unseen.map(|_| gas.unseen.unwrap_or(cx.now.mono));
            }
            if cx.now.mono >= until {
                self.drop_gas(cx, "its time is over");
            } else if latched || self.gas_unseen_ends().is_some_and(|end| cx.now.mono >= end) {
                self.drop_gas(cx, "the product probe is silent");
            } else if cx.alarms.stands(AlarmKey::plant(AlarmId::ProductProbeContradicted)) {
                self.drop_gas(cx, "the product probe cannot be believed");
            }
        }
        let told = self.gas.as_ref().map(|gas| gas.ppm);
        self.tell(cx, AlarmId::ProductGasAccepted, told.is_some(), || Evidence {
            value: told,
            limit: Some(0.0),
            text: format!(
                "Water that reads up to {} ppm is let through to the store, because a person accepted a steady level of gas. Only water that reads zero belongs to the animals.",
                told.unwrap_or_default()
            ),
        });
    }

    /// For the permit.
    pub(super) fn gas_remark(&self, now: Mono) -> Option<String> {
        let gas = self.gas.as_ref()?;
        Some(format!(
            "A steady {} ppm of gas in the product is accepted for {:.0} more days ({}). Only water that reads zero belongs to the animals: change the resin, or air the permeate before it.",
            gas.ppm,
            days_left(gas.until, now),
            gas.reason
        ))
    }

    /// For the tree of values.
    pub fn gas_word(&self, now: Mono) -> Cow<'static, str> {
        self.accepted_gas().map_or(Cow::Borrowed("none"), |(ppm, until)| {
            Cow::Owned(format!("{ppm} ppm for {:.0} days", days_left(until, now)))
        })
    }
}

/// Whole days, so that what is said changes once a day.
fn days_left(until: Mono, now: Mono) -> f64 {
    (until.since(now).secs() / 86_400.0).ceil().max(0.0)
}
