//! The engine's two times, and the only way in which time enters.
//!
//! [`Mono`] drives every timer. It counts milliseconds of the plant's journal: it goes on where the
//! journal ended when the daemon starts again, stands still while the daemon is away, and never
//! falls. [`Wall`] stamps points; it may be wrong after boot and may jump, so no timer looks at it.
//!
//! A snapshot holds ages, never instants: see [`as_ages`].

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::cell::Cell;

/// Milliseconds of the plant's own time. Never falls.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Mono(i64);

/// A length of time in milliseconds; may be negative only as the result of a subtraction.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Span(i64);

/// Milliseconds since 1970-01-01T00:00:00Z.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
#[serde(transparent)]
pub struct Wall(i64);

/// The instant at which the driver took an event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Now {
    /// Drives timers.
    #[serde(rename = "m", with = "plain_mono")]
    pub mono: Mono,
    /// Stamps points. `None` while the clock is not sane.
    #[serde(rename = "w", default, skip_serializing_if = "Option::is_none")]
    pub wall: Option<Wall>,
}

impl Mono {
    /// The beginning of a new journal.
    pub const ZERO: Self = Self(0);

    /// From milliseconds of plant time.
    #[inline]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds of plant time.
    #[inline]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// Time from `earlier` to `self`; negative when `earlier` is later.
    #[inline]
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0 - earlier.0)
    }
}

impl std::ops::Add<Span> for Mono {
    type Output = Self;
    #[inline]
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl std::ops::Sub<Span> for Mono {
    type Output = Self;
    #[inline]
    fn sub(self, span: Span) -> Self {
        Self(self.0.saturating_sub(span.0))
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Self = Self(0);

    /// From milliseconds.
    #[inline]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// From whole seconds.
    #[inline]
    pub const fn from_secs(secs: i64) -> Self {
        Self(secs.saturating_mul(1000))
    }

    /// From seconds with a fraction, as settings give them. Not finite counts as zero.
    #[inline]
    pub fn from_secs_f64(secs: f64) -> Self {
        Self(whole(secs * 1000.0))
    }

    /// In milliseconds.
    #[inline]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// In seconds.
    #[inline]
    pub fn secs(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// In minutes.
    #[inline]
    pub fn minutes(self) -> f64 {
        self.secs() / 60.0
    }

    /// In days.
    #[inline]
    pub fn days(self) -> f64 {
        self.secs() / 86_400.0
    }
}

impl std::ops::Add for Span {
    type Output = Self;
    #[inline]
    fn add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }
}

impl std::ops::Sub for Span {
    type Output = Self;
    #[inline]
    fn sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }
}

impl std::ops::Mul<i64> for Span {
    type Output = Self;
    #[inline]
    fn mul(self, factor: i64) -> Self {
        Self(self.0.saturating_mul(factor))
    }
}

impl Wall {
    /// From milliseconds since 1970.
    #[inline]
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis)
    }

    /// Milliseconds since 1970.
    #[inline]
    pub const fn millis(self) -> i64 {
        self.0
    }

    /// Time from `earlier` to `self`; negative when the clock was set back.
    #[inline]
    pub const fn since(self, earlier: Self) -> Span {
        Span(self.0 - earlier.0)
    }
}

impl std::ops::Add<Span> for Wall {
    type Output = Self;
    #[inline]
    fn add(self, span: Span) -> Self {
        Self(self.0.saturating_add(span.0))
    }
}

impl Now {
    /// An instant with both times known.
    #[inline]
    pub const fn new(mono: Mono, wall: Wall) -> Self {
        Self { mono, wall: Some(wall) }
    }
}

thread_local! {
    static REFERENCE: Cell<i64> = const { Cell::new(0) };
}

/// Runs `work` with every [`Mono`] that it serialises or deserialises expressed as an age against
/// `reference`: what was 5 s ago when the snapshot was taken is 5 s ago when it is loaded, whatever
/// clock it is loaded under.
pub fn as_ages<T>(reference: Mono, work: impl FnOnce() -> T) -> T {
    struct Restore(i64);
    impl Drop for Restore {
        fn drop(&mut self) {
            REFERENCE.with(|cell| cell.set(self.0));
        }
    }
    let _restore = Restore(REFERENCE.with(|cell| cell.replace(reference.0)));
    work()
}

impl Serialize for Mono {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let reference = REFERENCE.with(Cell::get);
        serializer.serialize_i64(reference.saturating_sub(self.0))
    }
}

impl<'de> Deserialize<'de> for Mono {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let age = i64::deserialize(deserializer)?;
        Ok(Self(REFERENCE.with(Cell::get).saturating_sub(age)))
    }
}

/// In the journal an instant is an instant: records are read back in the order and at the times at
/// which they were written.
pub mod plain_mono {
    use super::{Deserialize, Deserializer, Mono, Serializer};

    /// Writes milliseconds of plant time.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(mono: &Mono, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_i64(mono.0)
    }

    /// Reads milliseconds of plant time.
    ///
    /// # Errors
    /// Those of the deserializer.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Mono, D::Error> {
        i64::deserialize(deserializer).map(Mono)
    }
}

/// The nearest whole number, halves away from zero: what `round` gives, without the call into a
/// library that it is on processors without an instruction for it. Settings become spans at every
/// event.
#[inline]
fn whole(number: f64) -> i64 {
    let cut = number as i64;
    let rest = number - cut as f64;
    cut.saturating_add(i64::from(rest >= 0.5) - i64::from(rest <= -0.5))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whole_numbers_are_those_of_round() {
        let mut numbers = vec![f64::NAN, f64::INFINITY, -f64::INFINITY, 1e300, -1e300, 0.0, -0.0];
        for base in [0.0, 1.0, 2.0, 1e6, 2f64.powi(51), 2f64.powi(52), 2f64.powi(53), 2f64.powi(62)]
        {
            for part in [0.0, 0.25, 0.5, 0.75, 0.499_999_999_999_999_94] {
                numbers.extend([base + part, -(base + part)]);
            }
        }
        for number in numbers {
            assert_eq!(whole(number), number.round() as i64, "{number}");
        }
    }

    #[test]
    fn a_snapshot_carries_ages_and_not_instants() {
        let written = as_ages(Mono::from_millis(10_000), || {
            serde_json::to_string(&Mono::from_millis(4_000)).expect("serialises")
        });
        assert_eq!(written, "6000");
        let loaded: Mono = as_ages(Mono::from_millis(1_000_000), || {
            serde_json::from_str(&written).expect("deserialises")
        });
        assert_eq!(loaded, Mono::from_millis(994_000));
    }

    #[test]
    fn a_journal_instant_stays_an_instant() {
        let now = Now::new(Mono::from_millis(7), Wall::from_millis(9));
        let text = serde_json::to_string(&now).expect("serialises");
        assert_eq!(text, r#"{"m":7,"w":9}"#);
        assert_eq!(serde_json::from_str::<Now>(&text).expect("reads"), now);
    }
}
