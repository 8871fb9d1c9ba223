//! Quantities of the plant as small types, so that a litre never meets a bar.
//!
//! Purpose: one type per quantity, one canonical unit per type, conversions from declared unit
//! symbols in one place. Invariants: a quantity that exists is finite; conversion never rounds.
//! Absent on purpose: operators between unlike quantities; the process code writes those out with
//! the formula's source beside them.

mod symbol;

pub use symbol::{Quantity, UnitError, UnitSymbol};

use serde::{Deserialize, Serialize};

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $unit:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, PartialOrd, Default, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(f64);

        impl $name {
            /// Symbol of the canonical unit.
            pub const UNIT: &'static str = $unit;

            /// Wraps a number in the canonical unit. `None` when it is not finite.
            pub fn checked(value: f64) -> Option<Self> {
                value.is_finite().then_some(Self(value))
            }

            /// Wraps a number in the canonical unit that is finite by construction (a constant, or
            /// the result of checked arithmetic).
            ///
            /// # Panics
            /// When the number is not finite: that is a bug of the caller, never a bad reading.
            pub const fn new(value: f64) -> Self {
                assert!(value.is_finite(), "a quantity must be finite");
                Self(value)
            }

            /// The number in the canonical unit.
            pub const fn get(self) -> f64 {
                self.0
            }
        }

        impl std::ops::Add for $name {
            type Output = Self;
            fn add(self, other: Self) -> Self {
                Self::new(self.0 + other.0)
            }
        }

        impl std::ops::Sub for $name {
            type Output = Self;
            fn sub(self, other: Self) -> Self {
                Self::new(self.0 - other.0)
            }
        }

        impl std::fmt::Display for $name {
            fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                if let Some(digits) = f.precision() {
                    write!(f, "{:.*} {}", digits, self.0, $unit)
                } else {
                    write!(f, "{} {}", self.0, $unit)
                }
            }
        }
    };
}

quantity!(
    /// Dissolved solids as a meter shows them, in ppm **on the plant's declared scale**
    /// (`ppm_factor`, usually 0.5 ppm per µS/cm at 25 °C). Not a mass concentration.
    Tds,
    "ppm"
);
quantity!(
    /// Electrical conductivity referred to 25 °C, in µS/cm.
    Conductivity,
    "µS/cm"
);
quantity!(
    /// Temperature in degrees Celsius.
    Celsius,
    "°C"
);
quantity!(
    /// Gauge pressure in bar.
    Bar,
    "bar"
);
quantity!(
    /// Volume flow in litres per minute.
    LitresPerMinute,
    "L/min"
);
quantity!(
    /// Volume in litres.
    Litres,
    "L"
);
quantity!(
    /// A ratio from 0 to 1 (or beyond); percent only when shown.
    Ratio,
    "1"
);
quantity!(
    /// Mass of dissolved solids on the meter's scale: ppm times litres, in mg.
    Milligrams,
    "mg"
);
quantity!(
    /// Amount of charge taken up by a resin, in equivalents.
    Equivalents,
    "eq"
);
quantity!(
    /// A length of time in days.
    Days,
    "d"
);

impl Conductivity {
    /// What a meter with this `ppm_factor` (ppm per µS/cm) shows.
    pub fn to_tds(self, ppm_factor: f64) -> Tds {
        Tds::new(self.0 * ppm_factor)
    }
}

impl Tds {
    /// The conductivity behind a ppm figure of a meter with this `ppm_factor` (ppm per µS/cm).
    pub fn to_conductivity(self, ppm_factor: f64) -> Conductivity {
        Conductivity::new(self.0 / ppm_factor)
    }
}
