//! Numbers in sentences for people: lengths of time, counts, a value beside its limit.
//!
//! Invariant: what is beyond a limit never looks equal to it, and a length of time is named in a unit in
//! which a person thinks of it.

use super::time::Span;

/// A length of time: `5.5 s`, `55 s`, `4 min`, `7 h`, `94 days`.
pub fn span(span: Span) -> String {
    let secs = span.secs().max(0.0);
    if secs < 9.95 {
        return format!("{secs:.1} s");
    }
    if secs < 119.5 {
        return format!("{secs:.0} s");
    }
    if secs < 119.5 * 60.0 {
        return format!("{:.0} min", secs / 60.0);
    }
    if secs < 47.5 * 3600.0 {
        return format!("{:.0} h", secs / 3600.0);
    }
    format!("{:.0} days", span.days())
}

/// A count with its noun: `1 reading`, `2 readings`.
pub fn count(count: u64, noun: &str) -> String {
    if count == 1 { format!("1 {noun}") } else { format!("{count} {noun}s") }
}

/// What is called so: kind and id, or the id alone where it says its kind already.
pub fn called(kind: &str, id: &str) -> String {
    let says = id.split('-').any(|word| word == kind);
    if says { id.to_owned() } else { format!("{kind} {id}") }
}

/// Most digits behind the point that two numbers get to be told apart.
const DIGITS_MAX: usize = 4;

/// A value and its limit with as many digits as tell them apart, `digits` at least. Numbers that are the
/// same in all of these are equal for a person, too.
pub fn apart(value: f64, limit: f64, digits: usize) -> (String, String) {
    (digits..=DIGITS_MAX.max(digits))
        .map(|digits| (format!("{value:.digits$}"), format!("{limit:.digits$}")))
        .find(|(value, limit)| value != limit)
        .unwrap_or_else(|| (format!("{value:.digits$}"), format!("{limit:.digits$}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_of_time_have_the_unit_in_which_people_think() {
        for (secs, told) in [
            (0.04, "0.0 s"),
            (5.54, "5.5 s"),
            (55.7, "56 s"),
            (119.0, "119 s"),
            (240.0, "4 min"),
            (7_100.0, "118 min"),
            (7_200.0, "2 h"),
            (172_000.0, "2 days"),
            (8_158_714.0, "94 days"),
        ] {
            assert_eq!(span(Span::from_secs_f64(secs)), told, "{secs}");
        }
    }

    #[test]
    fn what_is_beyond_a_limit_does_not_look_equal_to_it() {
        let told = |value, limit| apart(value, limit, 1);
        let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
        assert_eq!(told(2.5, 2.8), pair("2.5", "2.8"));
        assert_eq!(told(2.774, 2.8), pair("2.77", "2.80"));
        assert_eq!(told(2.796, 2.8), pair("2.796", "2.800"));
        assert_eq!(told(2.8, 2.8), pair("2.8", "2.8"));
    }

    #[test]
    fn counts_and_kinds_read_as_sentences() {
        assert_eq!(
            (count(1, "reading"), count(0, "reading")),
            ("1 reading".into(), "0 readings".into())
        );
        assert_eq!(called("valve", "valve"), "valve");
        assert_eq!(called("valve", "supply-valve"), "supply-valve");
        assert_eq!(called("valve", "inlet"), "valve inlet");
    }
}
