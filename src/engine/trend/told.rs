//! What the trend path has told, so that it tells each thing once.
//!
//! Invariant: a finding stands until evidence clears it; silence clears nothing. Bound: one entry
//! per alarm and sensor or part.

use super::{Finding, Results};
use crate::engine::catalogue::AlarmId;
use crate::engine::output::AlarmKey;
use serde::{Deserialize, Serialize};

/// Standing findings, sorted.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct Told {
    standing: Vec<AlarmKey>,
}

impl Told {
    /// It stands.
    pub(super) fn stands(&self, key: AlarmKey) -> bool {
        self.standing.binary_search(&key).is_ok()
    }

    /// Tells it, unless it stands already.
    pub(super) fn raise(
        &mut self,
        key: AlarmKey,
        value: Option<f64>,
        limit: Option<f64>,
        text: String,
        out: &mut Results,
    ) {
        if let Err(at) = self.standing.binary_search(&key) {
            self.standing.insert(at, key);
            out.findings.push(Finding { key, active: true, value, limit, text });
        }
    }

    /// Tells that it is gone, if it stood.
    pub(super) fn clear(&mut self, key: AlarmKey, text: String, out: &mut Results) {
        if let Ok(at) = self.standing.binary_search(&key) {
            self.standing.remove(at);
            out.findings.push(Finding { key, active: false, value: None, limit: None, text });
        }
    }

    /// Gives findings of sensors and parts their new numbers; those whose owner is gone are dropped.
    pub(super) fn renumber(&mut self, renumber: impl Fn(AlarmId, u16) -> Option<u16>) {
        self.standing.retain_mut(|key| match key.of {
            None => true,
            Some(of) => match renumber(key.alarm, of) {
                Some(new) => {
                    key.of = Some(new);
                    true
                }
                None => false,
            },
        });
        self.standing.sort_unstable();
    }
}
