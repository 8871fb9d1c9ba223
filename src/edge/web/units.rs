//! How numbers look to people: the only place of this edge that maps a kind of value, or a quantity,
//! to unit text, scale and digits.
//!
//! Invariant: a number never shows more digits than its uncertainty supports (JCGM 100:2008 (GUM)
//! 7.2.6: an uncertainty of one or two digits, the value to the same place).

use crate::engine::catalogue::Kind;
use crate::units::Quantity;

/// Narrow no-break space: between number and unit, and between groups of digits.
const THIN: char = '\u{202f}';

/// How values of one kind look.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Look {
    /// A number with a unit.
    Number {
        /// Unit text; empty for none.
        unit: &'static str,
        /// What is shown is the value times this.
        scale: f64,
        /// Most digits after the point.
        decimals: usize,
    },
    /// A length of time, given in seconds.
    Duration,
    /// A point in time, given in seconds since 1970: whoever shows it knows the zone.
    Instant,
    /// A word.
    Word,
}

const fn number(unit: &'static str, scale: f64, decimals: usize) -> Look {
    Look::Number { unit, scale, decimals }
}

/// The look of a kind of value.
pub const fn of_kind(kind: Kind) -> Look {
    match kind {
        Kind::Solids => number("ppm", 1.0, 1),
        Kind::Conductivity => number("µS/cm", 1.0, 2),
        Kind::Share => number("%", 100.0, 2),
        Kind::Ratio => number("", 1.0, 2),
        Kind::Flow => number("L/min", 1.0, 3),
        Kind::Volume => number("L", 1.0, 1),
        Kind::Total => number("L", 1.0, 1),
        Kind::Pressure => number("bar", 1.0, 2),
        Kind::Temperature => number("°C", 1.0, 1),
        Kind::Duration => Look::Duration,
        Kind::Hours => number("h", 1.0, 1),
        Kind::Days => number("d", 1.0, 0),
        Kind::Instant => Look::Instant,
        Kind::Grams => number("g", 1.0, 0),
        Kind::Mass => number("mg", 1.0, 1),
        Kind::Charge => number("eq", 1.0, 4),
        Kind::Count => number("", 1.0, 0),
        Kind::Money => number("", 1.0, 2),
        Kind::Power => number("W", 1.0, 0),
        Kind::State | Kind::Flag | Kind::Text => Look::Word,
    }
}

/// The look of a sensor's reading, in the canonical unit of its quantity.
pub const fn of_quantity(quantity: Quantity) -> Look {
    let decimals = match quantity {
        // A counter's reading is the litres that it stands for.
        Quantity::Pulses => return of_kind(Kind::Total),
        Quantity::Tds | Quantity::Temperature | Quantity::Volume | Quantity::Level => 1,
        Quantity::Conductivity | Quantity::Resistivity | Quantity::Pressure => 2,
        Quantity::Flow => 3,
        Quantity::Power => 0,
        Quantity::Full | Quantity::Leak | Quantity::Open => return Look::Word,
    };
    number(quantity.canonical_unit(), 1.0, decimals)
}

/// What a quantity is called.
pub const fn name(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Tds => "dissolved solids",
        Quantity::Conductivity => "conductivity",
        Quantity::Resistivity => "resistivity",
        Quantity::Temperature => "temperature",
        Quantity::Pressure => "pressure",
        Quantity::Flow => "flow",
        Quantity::Volume => "volume",
        Quantity::Pulses => "counted volume",
        Quantity::Level => "content",
        Quantity::Full => "float",
        Quantity::Leak => "floor",
        Quantity::Open => "valve",
        Quantity::Power => "power",
    }
}

/// What a yes or a no of a quantity is called.
pub const fn state_word(quantity: Quantity, yes: bool) -> &'static str {
    match (quantity, yes) {
        (Quantity::Full, true) => "full",
        (Quantity::Full, false) => "not full",
        (Quantity::Leak, true) => "wet",
        (Quantity::Leak, false) => "dry",
        (Quantity::Open, true) => "open",
        (Quantity::Open, false) => "closed",
        (_, true) => "yes",
        (_, false) => "no",
    }
}

/// A number as it is shown: value with unit, and its uncertainty if there is one worth showing.
pub fn show(look: Look, value: f64, u: Option<f64>) -> (String, Option<String>) {
    match look {
        Look::Word | Look::Instant => (format!("{value}"), None),
        Look::Duration => (duration(value), u.filter(|u| *u >= 1.0).map(duration)),
        Look::Number { unit, scale, decimals } => {
            let u = u.map(|u| u * scale).filter(|u| u.is_finite() && *u > 0.0);
            let most = i32::try_from(decimals).unwrap_or(0);
            let places = u.map_or(most, |u| places_of(u).min(most));
            let mut text = grouped(value * scale, places);
            if !unit.is_empty() {
                text.push(THIN);
                text.push_str(unit);
            }
            let smallest = 0.5 * 10f64.powi(-places);
            (text, u.filter(|u| *u >= smallest).map(|u| grouped(u, places)))
        }
    }
}

/// Digits after the point that leave an uncertainty two digits when it begins with 1 or 2, else one;
/// below zero for tens and hundreds.
fn places_of(u: f64) -> i32 {
    let first = -u.log10().floor();
    let lead = u * 10f64.powf(first);
    let places = if lead < 3.0 { first + 1.0 } else { first };
    places.clamp(-12.0, 12.0) as i32
}

/// Fixed digits, a true minus, and a thin space every three digits from ten thousand on.
fn grouped(value: f64, places: i32) -> String {
    let whole_of = 10f64.powi((-places).max(0));
    let value = if places < 0 { (value / whole_of).round() * whole_of } else { value };
    let text = format!("{:.*}", usize::try_from(places).unwrap_or(0), value.abs());
    let (whole, rest) = text.find('.').map_or((text.as_str(), ""), |at| text.split_at(at));
    let mut shown = String::with_capacity(text.len() + 4);
    if value < 0.0 && text.bytes().any(|byte| (b'1'..=b'9').contains(&byte)) {
        shown.push('−');
    }
    for (index, digit) in whole.chars().enumerate() {
        if index > 0 && whole.len() > 4 && (whole.len() - index) % 3 == 0 {
            shown.push(THIN);
        }
        shown.push(digit);
    }
    shown.push_str(rest);
    shown
}

/// A length of time with its two largest units.
pub fn duration(secs: f64) -> String {
    let whole = secs.abs().round().min(1e12) as u64;
    let sign = if secs < -0.5 { "−" } else { "" };
    let two = |big: u64, big_unit: &str, small: u64, small_unit: &str| {
        if small == 0 {
            format!("{sign}{big}{THIN}{big_unit}")
        } else {
            format!("{sign}{big}{THIN}{big_unit} {small}{THIN}{small_unit}")
        }
    };
    match whole {
        0..60 if whole < 10 && secs.fract() != 0.0 => format!("{secs:.1}{THIN}s"),
        0..60 => format!("{sign}{whole}{THIN}s"),
        60..3600 => two(whole / 60, "min", whole % 60, "s"),
        3600..86_400 => two(whole / 3600, "h", whole % 3600 / 60, "min"),
        _ => two(whole / 86_400, "d", whole % 86_400 / 3600, "h"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plain(look: Look, value: f64, u: Option<f64>) -> String {
        let (text, u) = show(look, value, u);
        u.map_or(text.clone(), |u| format!("{text} ± {u}")).replace(THIN, " ")
    }

    #[test]
    fn digits_follow_the_uncertainty() {
        let share = of_kind(Kind::Share);
        assert_eq!(plain(share, 0.97, Some(0.0023)), "97.00 % ± 0.23");
        assert_eq!(plain(share, 0.97, Some(0.04)), "97 % ± 4");
        assert_eq!(plain(of_kind(Kind::Solids), 301.26, Some(15.4)), "301 ppm ± 15");
        assert_eq!(plain(of_kind(Kind::Solids), 0.04, None), "0.0 ppm");
        assert_eq!(plain(of_kind(Kind::Solids), 12.0, Some(0.0)), "12.0 ppm");
        assert_eq!(plain(of_kind(Kind::Total), 1_234_567.81, None), "1 234 567.8 L");
        assert_eq!(plain(of_kind(Kind::Volume), 1_460.0, Some(438.0)), "1500 L ± 400");
        assert_eq!(plain(of_kind(Kind::Total), 3_172.4, Some(21.0)), "3172 L ± 21");
    }

    #[test]
    fn a_zero_has_no_sign() {
        assert_eq!(plain(of_kind(Kind::Solids), -0.001, None), "0.0 ppm");
        assert_eq!(plain(of_kind(Kind::Temperature), -4.0, None), "−4.0 °C");
    }

    #[test]
    fn a_duration_shows_its_two_largest_units() {
        let shown = |secs| duration(secs).replace(THIN, " ");
        assert_eq!(shown(0.4), "0.4 s");
        assert_eq!(shown(59.0), "59 s");
        assert_eq!(shown(3840.0), "1 h 4 min");
        assert_eq!(shown(86_400.0 * 3.0), "3 d");
    }
}
