//! The relay of a valve or pump: does what its topic says, reports what it was told, and has an
//! off-timer of its own.
//!
//! Invariant: it needs nobody to switch off. Time is plant time.

/// What a relay is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Told {
    /// On: the valve opens.
    On,
    /// Off: it closes.
    Off,
}

impl Told {
    /// Payload of the command and of the state.
    pub const fn word(self) -> &'static str {
        match self {
            Self::On => "ON",
            Self::Off => "OFF",
        }
    }

    /// Reads a command.
    pub fn parse(payload: &[u8]) -> Option<Self> {
        match payload {
            b"ON" => Some(Self::On),
            b"OFF" => Some(Self::Off),
            _ => None,
        }
    }
}

/// A relay.
#[derive(Clone, Debug, PartialEq)]
pub struct Relay {
    is_on: bool,
    armed_at: f64,
    off_timer_secs: f64,
    /// How often it switched itself off.
    pub timed_out: u64,
}

impl Relay {
    /// A relay that is off. `off_timer_secs` 0: no off-timer.
    pub const fn new(off_timer_secs: f64) -> Self {
        Self { is_on: false, armed_at: 0.0, off_timer_secs, timed_out: 0 }
    }

    /// It is on.
    pub const fn is_on(&self) -> bool {
        self.is_on
    }

    /// Takes a command at a time. An `On` re-arms the off-timer.
    pub fn tell(&mut self, now: f64, told: Told) {
        self.is_on = told == Told::On;
        self.armed_at = now;
    }

    /// Time passes; true when it has just switched itself off.
    pub fn tick(&mut self, now: f64) -> bool {
        let is_due =
            self.is_on && self.off_timer_secs > 0.0 && now - self.armed_at >= self.off_timer_secs;
        if is_due {
            self.is_on = false;
            self.timed_out += 1;
        }
        is_due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_off_timer_needs_nobody_and_is_re_armed_by_on() {
        let mut relay = Relay::new(180.0);
        relay.tell(0.0, Told::On);
        assert!(!relay.tick(179.0));
        relay.tell(179.0, Told::On);
        assert!(!relay.tick(358.0));
        assert!(relay.tick(359.0));
        assert!(!relay.is_on());
        assert!(!relay.tick(1_000.0));
    }

    #[test]
    fn without_a_timer_it_stays() {
        let mut relay = Relay::new(0.0);
        relay.tell(0.0, Told::On);
        assert!(!relay.tick(1e9));
        relay.tell(5.0, Told::Off);
        assert!(!relay.is_on());
    }

    #[test]
    fn what_is_no_command_is_none() {
        assert_eq!(Told::parse(b"on"), None);
        assert_eq!(Told::parse(b"ON"), Some(Told::On));
    }
}
