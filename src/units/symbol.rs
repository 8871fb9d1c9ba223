//! Declared unit symbols: which a sensor may name for its quantity, and how they convert.

use serde::{Deserialize, Serialize};

/// What a sensor measures. One canonical unit each; see [`Quantity::canonical_unit`].
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Dissolved solids, ppm on the probe's own scale.
    Tds,
    /// Conductivity, µS/cm.
    Conductivity,
    /// Resistivity, MΩ·cm.
    Resistivity,
    /// Temperature, °C.
    Temperature,
    /// Gauge pressure, bar.
    Pressure,
    /// Flow, L/min.
    Flow,
    /// Running total of volume, L.
    Volume,
    /// Running count of pulses; litres per pulse are declared with the sensor.
    Pulses,
    /// Content of the container, L.
    Level,
    /// Float switch: the container is full.
    Full,
    /// Leak sensor: water where none belongs.
    Leak,
    /// State of a valve: open.
    Open,
    /// Electrical power, W.
    Power,
}

impl Quantity {
    /// All of them, in the order of the enum.
    pub const ALL: &[Self] = &[
        Self::Tds,
        Self::Conductivity,
        Self::Resistivity,
        Self::Temperature,
        Self::Pressure,
        Self::Flow,
        Self::Volume,
        Self::Pulses,
        Self::Level,
        Self::Full,
        Self::Leak,
        Self::Open,
        Self::Power,
    ];

    /// True for what a flow meter of any kind reports.
    pub const fn is_meter(self) -> bool {
        matches!(self, Self::Flow | Self::Volume | Self::Pulses)
    }

    /// Symbol of the unit in which events carry this quantity; empty for counts and states.
    pub const fn canonical_unit(self) -> &'static str {
        match self {
            Self::Tds => "ppm",
            Self::Conductivity => "µS/cm",
            Self::Resistivity => "MΩ·cm",
            Self::Temperature => "°C",
            Self::Pressure => "bar",
            Self::Flow => "L/min",
            Self::Volume | Self::Level => "L",
            Self::Power => "W",
            Self::Pulses | Self::Full | Self::Leak | Self::Open => "",
        }
    }

    /// True for quantities that are a yes or a no.
    pub const fn is_state(self) -> bool {
        matches!(self, Self::Full | Self::Leak | Self::Open)
    }

    /// The word used in topics and settings.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Tds => "tds",
            Self::Conductivity => "conductivity",
            Self::Resistivity => "resistivity",
            Self::Temperature => "temperature",
            Self::Pressure => "pressure",
            Self::Flow => "flow",
            Self::Volume => "volume",
            Self::Pulses => "pulses",
            Self::Level => "level",
            Self::Full => "full",
            Self::Leak => "leak",
            Self::Open => "open",
            Self::Power => "power",
        }
    }

    /// Unit symbols a sensor of this quantity may declare, with scale and offset to the canonical
    /// unit: `canonical = value * scale + offset`. The first is the canonical one.
    pub const fn units(self) -> &'static [(&'static str, f64, f64)] {
        match self {
            Self::Tds => &[("ppm", 1.0, 0.0), ("mg/L", 1.0, 0.0)],
            Self::Conductivity => &[
                ("uS/cm", 1.0, 0.0),
                ("µS/cm", 1.0, 0.0),
                ("mS/cm", 1000.0, 0.0),
                ("mS/m", 10.0, 0.0),
                ("S/m", 10_000.0, 0.0),
            ],
            Self::Resistivity => {
                &[("MOhm.cm", 1.0, 0.0), ("MΩ·cm", 1.0, 0.0), ("kOhm.cm", 0.001, 0.0)]
            }
            Self::Temperature => &[
                ("C", 1.0, 0.0),
                ("°C", 1.0, 0.0),
                ("F", 5.0 / 9.0, -160.0 / 9.0),
                ("°F", 5.0 / 9.0, -160.0 / 9.0),
                ("K", 1.0, -273.15),
            ],
            Self::Pressure => &[
                ("bar", 1.0, 0.0),
                ("mbar", 0.001, 0.0),
                ("kPa", 0.01, 0.0),
                ("Pa", 0.000_01, 0.0),
                ("MPa", 10.0, 0.0),
                ("psi", 0.068_947_572_931_683_6, 0.0),
                ("mH2O", 0.098_066_5, 0.0),
            ],
            Self::Flow => &[
                ("L/min", 1.0, 0.0),
                ("mL/min", 0.001, 0.0),
                ("L/h", 1.0 / 60.0, 0.0),
                ("L/s", 60.0, 0.0),
                ("m3/h", 1000.0 / 60.0, 0.0),
                ("US gal/min", 3.785_411_784, 0.0),
                ("US gal/d", 3.785_411_784 / 1440.0, 0.0),
            ],
            Self::Volume | Self::Level => &[
                ("L", 1.0, 0.0),
                ("mL", 0.001, 0.0),
                ("m3", 1000.0, 0.0),
                ("US gal", 3.785_411_784, 0.0),
                ("imp gal", 4.546_09, 0.0),
            ],
            Self::Power => &[("W", 1.0, 0.0), ("kW", 1000.0, 0.0)],
            Self::Pulses => &[("pulses", 1.0, 0.0)],
            Self::Full | Self::Leak | Self::Open => &[("state", 1.0, 0.0)],
        }
    }
}

impl std::fmt::Display for Quantity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}

/// A declared unit, resolved for its quantity.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct UnitSymbol {
    scale: f64,
    offset: f64,
}

/// The unit does not belong to the quantity.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[error("unit '{unit}' does not fit {quantity}; use one of: {allowed}")]
pub struct UnitError {
    unit: String,
    quantity: Quantity,
    allowed: String,
}

impl UnitSymbol {
    /// Finds the symbol among the units of the quantity. Spelling counts: `mS/cm` is a thousand
    /// times `µS/cm`.
    ///
    /// # Errors
    /// [`UnitError`] names the units that would do.
    pub fn parse(unit: &str, quantity: Quantity) -> Result<Self, UnitError> {
        quantity
            .units()
            .iter()
            .find(|(symbol, _, _)| *symbol == unit)
            .map(|&(_, scale, offset)| Self { scale, offset })
            .ok_or_else(|| UnitError {
                unit: unit.to_owned(),
                quantity,
                allowed: quantity
                    .units()
                    .iter()
                    .map(|(symbol, _, _)| *symbol)
                    .collect::<Vec<_>>()
                    .join(", "),
            })
    }

    /// A value in this unit, expressed in the quantity's canonical unit.
    pub fn to_canonical(self, value: f64) -> f64 {
        value * self.scale + self.offset
    }

    /// A difference (a step, an uncertainty) in this unit, in the canonical unit.
    pub fn difference_to_canonical(self, difference: f64) -> f64 {
        difference * self.scale
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_unit_of_every_quantity_is_the_canonical_one() {
        for quantity in Quantity::ALL {
            let (_, scale, offset) = quantity.units()[0];
            assert_eq!((scale, offset), (1.0, 0.0), "{quantity}");
        }
    }

    #[test]
    fn a_unit_of_another_quantity_is_refused_and_the_right_ones_are_named() {
        let error = UnitSymbol::parse("psi", Quantity::Tds).expect_err("psi is no tds unit");
        assert!(error.to_string().contains("ppm"), "{error}");
    }

    #[test]
    fn milli_and_micro_siemens_differ_by_a_thousand() {
        let milli = UnitSymbol::parse("mS/cm", Quantity::Conductivity).expect("known");
        let micro = UnitSymbol::parse("µS/cm", Quantity::Conductivity).expect("known");
        assert_eq!(milli.to_canonical(0.413), 413.0);
        assert_eq!(micro.to_canonical(413.0), 413.0);
    }

    #[test]
    fn sixty_eight_fahrenheit_is_twenty_celsius() {
        let unit = UnitSymbol::parse("F", Quantity::Temperature).expect("known");
        assert!((unit.to_canonical(68.0) - 20.0).abs() < 1e-9);
        assert!((unit.difference_to_canonical(9.0) - 5.0).abs() < 1e-9);
    }
}
