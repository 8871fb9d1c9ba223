//! A condition with delays: true only after it has held long enough, false only after it has been
//! away long enough, unchanged while nobody can tell.
//!
//! Invariant: missing data changes nothing. While the input is `None` neither delay makes progress,
//! so silence can neither raise nor clear; silence has an alarm of its own.

use super::time::{Mono, Span};
use serde::{Deserialize, Serialize};

/// A condition with an on-delay and an off-delay (OPC 10000-9, OnDelay and OffDelay).
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Delayed {
    active: bool,
    /// Since when the input has spoken against `active`.
    against: Option<Mono>,
    /// Time in which the input spoke against `active` before it fell silent.
    kept: Span,
}

impl Default for Delayed {
    fn default() -> Self {
        Self::new()
    }
}

impl Delayed {
    /// Not active.
    pub const fn new() -> Self {
        Self { active: false, against: None, kept: Span::ZERO }
    }

    /// Takes what the input says now and gives the delayed condition.
    pub fn update(&mut self, now: Mono, input: Option<bool>, on: Span, off: Span) -> bool {
        match input {
            None => {
                if let Some(since) = self.against.take() {
                    self.kept = self.kept + now.since(since);
                }
            }
            Some(state) if state == self.active => {
                self.against = None;
                self.kept = Span::ZERO;
            }
            Some(state) => {
                let since = *self.against.get_or_insert(now);
                let needed = if state { on } else { off };
                if self.kept + now.since(since) >= needed {
                    self.active = state;
                    self.against = None;
                    self.kept = Span::ZERO;
                }
            }
        }
        self.active
    }

    /// The delayed condition.
    pub const fn is_active(&self) -> bool {
        self.active
    }

    /// The input agrees with the condition: no change is under way.
    pub const fn is_steady(&self) -> bool {
        self.against.is_none()
    }

    /// When it will change if the input stays as it is.
    pub fn deadline(&self, on: Span, off: Span) -> Option<Mono> {
        let since = self.against?;
        let needed = if self.active { off } else { on };
        Some(since + (needed - self.kept))
    }

    /// Back to not active, without a delay: for a person's reset.
    pub fn clear(&mut self) {
        *self = Self::new();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ON: Span = Span::from_secs(15);
    const OFF: Span = Span::from_secs(30);

    fn at(secs: i64) -> Mono {
        Mono::from_millis(secs * 1000)
    }

    #[test]
    fn it_rises_after_the_on_delay_and_not_before() {
        let mut condition = Delayed::new();
        assert!(!condition.update(at(0), Some(true), ON, OFF));
        assert_eq!(condition.deadline(ON, OFF), Some(at(15)));
        assert!(!condition.update(at(14), Some(true), ON, OFF));
        assert!(condition.update(at(15), Some(true), ON, OFF));
    }

    #[test]
    fn a_touch_shorter_than_the_delay_is_nothing() {
        let mut condition = Delayed::new();
        condition.update(at(0), Some(true), ON, OFF);
        condition.update(at(10), Some(false), ON, OFF);
        assert!(!condition.update(at(20), Some(true), ON, OFF));
    }

    #[test]
    fn silence_neither_raises_nor_clears() {
        let mut condition = Delayed::new();
        condition.update(at(0), Some(true), ON, OFF);
        condition.update(at(5), None, ON, OFF);
        assert_eq!(condition.deadline(ON, OFF), None);
        assert!(!condition.update(at(500), None, ON, OFF));
        // The five seconds before the silence count, the silence does not.
        assert!(!condition.update(at(501), Some(true), ON, OFF));
        assert!(condition.update(at(511), Some(true), ON, OFF));
        assert!(condition.update(at(900), None, ON, OFF), "silence must not clear");
        condition.update(at(901), Some(false), ON, OFF);
        assert!(condition.update(at(930), Some(false), ON, OFF));
        assert!(!condition.update(at(931), Some(false), ON, OFF));
    }
}
