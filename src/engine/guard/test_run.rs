//! The test run: a few litres to a proven drain, so that quality can be seen in flowing water.
//!
//! It is what makes a product trip resettable: standing water says nothing, and no trip may be
//! cleared by a bypass alone. Leak, level, pressure and temperature stay armed. The product's dose does
//! not end it: the water goes to the drain, and fresh resin needs litres until it is pure.

use super::judge::PRODUCT;
use super::{Context, Guard};
use crate::engine::alarm::Evidence;
use crate::engine::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// A product probe must give at least this many readings for a test run to pass.
const LOOKS_MIN: u32 = 6;

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(super) struct TestRun {
    pub(super) until: Mono,
    pub(super) made_most: f64,
    /// Running litres when water first flowed.
    pub(super) flowed: bool,
}

impl Guard {
    pub(super) fn begin_test_run(&mut self, cx: &mut Context<'_>) {
        let limits = &cx.setup.limits.guard;
        // It asks anew: what an earlier one has shown no longer counts.
        self.test_passed = false;
        self.test_run = Some(TestRun {
            until: cx.now.mono + Span::from_secs_f64(limits.test_run_secs),
            made_most: self.flow.made() + limits.test_run_litres,
            flowed: false,
        });
        for judge in self.judges.iter_mut().flatten() {
            judge.clear();
        }
        cx.log(
            "note",
            true,
            format!(
                "Test run: at most {:.0} L or {:.0} min to the drain.",
                limits.test_run_litres,
                limits.test_run_secs / 60.0
            ),
            serde_json::json!({ "test-run": "started" }),
        );
    }

    /// Passes or ends a test run.
    pub(super) fn test_run_step(&mut self, cx: &mut Context<'_>) {
        let Some(run) = &mut self.test_run else { return };
        if self.flow.is_flowing() {
            run.flowed = true;
        }
        let (until, made_most, flowed) = (run.until, run.made_most, run.flowed);
        let setup = cx.setup;
        let flow_known = self.litres_known(setup);
        let clear = self.judges.iter().flatten().all(|judge| {
            judge.looks() >= LOOKS_MIN && judge.is_clear(&setup.limits.product, flow_known)
        });
        if flowed && clear && self.flow.is_flowing() {
            self.test_passed = true;
            cx.alarms.set(cx.now, PRODUCT, Some(false), Evidence::default);
            self.end_test_run(
                cx,
                true,
                "The test run passed: the product is pure in flowing water.".into(),
            );
            return;
        }
        if cx.now.mono >= until {
            self.end_test_run(
                cx,
                false,
                "The test run ended by its time without showing pure water.".into(),
            );
        } else if self.flow.made() >= made_most {
            self.end_test_run(
                cx,
                false,
                "The test run ended by its litres without showing pure water.".into(),
            );
        }
    }

    pub(super) fn end_test_run(&mut self, cx: &mut Context<'_>, passed: bool, text: String) {
        if self.test_run.take().is_some() {
            cx.log(
                "note",
                true,
                text,
                serde_json::json!({ "test-run": if passed { "passed" } else { "ended" } }),
            );
        }
    }
}
