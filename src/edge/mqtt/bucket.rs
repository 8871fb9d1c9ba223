//! A token bucket: how many messages one sensor may send before the rest costs it.

use std::time::Instant;

/// A token bucket. Starts full.
#[derive(Clone, Debug)]
pub struct Bucket {
    per_sec: f64,
    burst: f64,
    tokens: f64,
    filled: Instant,
}

impl Bucket {
    /// A full bucket. `per_sec` above 0, `burst` at least 1.
    pub fn new(per_sec: f64, burst: f64, now: Instant) -> Self {
        let burst = burst.max(1.0);
        Self { per_sec: per_sec.max(f64::MIN_POSITIVE), burst, tokens: burst, filled: now }
    }

    /// Takes a token, if there is one.
    pub fn take(&mut self, now: Instant) -> bool {
        let gained = now.saturating_duration_since(self.filled).as_secs_f64() * self.per_sec;
        self.tokens = (self.tokens + gained).min(self.burst);
        self.filled = now;
        if self.tokens >= 1.0 {
            self.tokens -= 1.0;
            true
        } else {
            false
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_burst_passes_and_then_only_the_rate() {
        let start = Instant::now();
        let mut bucket = Bucket::new(5.0, 50.0, start);
        let passed = (0..20_000u64)
            .filter(|index| bucket.take(start + Duration::from_micros(index * 500)))
            .count();
        // Ten seconds at 2,000 a second: the burst and five a second.
        assert!((99..=101).contains(&passed), "{passed}");
    }
}
