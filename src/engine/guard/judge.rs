//! The product's judges at work: each product probe on its own, any of them closes.

use super::product::{Look, Rule};
use super::{Context, Guard};
use crate::engine::alarm::Evidence;
use crate::engine::catalogue::{AlarmId, Consequence};
use crate::engine::event::Reading;
use crate::engine::output::AlarmKey;

pub(super) const PRODUCT: AlarmKey = AlarmKey::plant(AlarmId::ProductTdsHigh);

impl Guard {
    /// Judges a live reading of a product probe, if water flows.
    pub(super) fn judge(&mut self, cx: &mut Context<'_>, reading: &Reading) {
        let setup = cx.setup;
        let flows = self.flow.is_running()
            || (self.flow.is_flowing() && self.may_flow_unseen(setup, cx.now.mono));
        if self.judges[reading.sensor].is_none() || !flows {
            return;
        }
        // The copy of a message is no second reading.
        if self.probes[reading.sensor].copied() {
            return;
        }
        let raw = self.solids(setup, reading.sensor, reading.value);
        let Some(median) = self.probes[reading.sensor].median() else { return };
        let look = Look {
            now: cx.now.mono,
            raw,
            median: self.solids(setup, reading.sensor, median),
            hidden: self.hidden(setup, reading.sensor, median),
            litres: self.litres_known(setup).then(|| self.flow.made()),
            tube_litres: setup.assumed.tube_litres.unwrap_or(0.0),
        };
        let accepted = self.gas_level();
        let Some(judge) = &mut self.judges[reading.sensor] else { return };
        let Some(verdict) = judge.look(look, &setup.limits.product, accepted) else { return };
        self.drop_gas(cx, &format!("the product reads {} ppm", verdict.ppm));
        let id = &setup.sensors[reading.sensor].id;
        let text = match verdict.rule {
            Rule::Fast => format!(
                "The water after the last vessel reads {:.0} ppm ({id}): gross failure, limit {:.0} ppm.",
                verdict.ppm, verdict.limit
            ),
            Rule::RinseIn => format!(
                "The first water after the start still reads {:.0} ppm ({id}); up to {:.0} ppm is usual.",
                verdict.ppm, verdict.limit
            ),
            Rule::Dose => format!(
                "The water after the last vessel reads {:.0} ppm while flowing ({id}); {:.2} ppm·L of it {}, limit {:.2}.",
                verdict.ppm,
                verdict.dose,
                if self.test_run.is_some() { "went to the drain" } else { "reached the store" },
                verdict.limit
            ),
        };
        // What a test run shows goes to the drain. Fresh resin rinses for litres, and a plateau has to
        // be seen for as long as the permeate takes to settle: so only gross failure behind the first
        // water ends it; the rest merely does not pass.
        if self.test_run.is_some() && verdict.rule == Rule::Fast && !self.is_rinsing() {
            self.end_test_run(cx, false, format!("The test run failed. {text}"));
        }
        let evidence = Evidence { value: Some(verdict.ppm), limit: Some(verdict.limit), text };
        self.trip(cx, AlarmId::ProductTdsHigh, evidence);
    }

    /// The trend path has found that the product probe cannot be believed.
    pub(in crate::engine) fn contradicted(&mut self, cx: &mut Context<'_>, text: String) {
        let evidence = Evidence { text, ..Evidence::default() };
        self.trip(cx, AlarmId::ProductProbeContradicted, evidence);
    }

    /// Raises a trip: latched, first out kept, told and journalled at once.
    pub(super) fn trip(&mut self, cx: &mut Context<'_>, alarm: AlarmId, evidence: Evidence) {
        let key = AlarmKey::plant(alarm);
        let text = evidence.text.clone();
        let first = cx.alarms.standing(Consequence::Trip).next().is_none();
        let comes = !cx.alarms.is_active(key);
        let raised = cx.alarms.set(cx.now, key, Some(true), || evidence);
        if comes {
            // What a person or a test run has shown was before it, also where the trip stands latched and
            // only its cause is back.
            let mut taken_back = self.checked.remove(&alarm).is_some();
            if alarm == AlarmId::ProductTdsHigh {
                taken_back |= std::mem::take(&mut self.test_passed);
            }
            if taken_back && !raised {
                let text = format!(
                    "What was shown since {} does not count any more: {text}",
                    alarm.name()
                );
                cx.log("note", true, text, serde_json::json!({ "again": alarm.name() }));
            }
        }
        if raised {
            if first {
                cx.alarms.mark_first_out(key);
            }
            cx.log(
                "trip",
                true,
                text,
                serde_json::json!({ "cause": alarm.name(), "first-out": first }),
            );
        }
    }
}
