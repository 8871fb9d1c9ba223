//! Lengths of time as people write them: `45s`, `5min 30s`, `1h 30min`, `2d`.

use crate::engine::time::Span;

/// Reads a length of time; a bare number counts as seconds.
pub(super) fn parse(text: &str) -> Option<Span> {
    let mut rest = text.trim();
    let mut millis = 0.0;
    let mut any = false;
    while !rest.is_empty() {
        let digits = rest.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(rest.len());
        let number: f64 = rest[..digits].parse().ok()?;
        let after = rest[digits..].trim_start();
        let word = after.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(after.len());
        let scale = match &after[..word] {
            "ms" => 1.0,
            "s" | "sec" => 1e3,
            "min" | "m" => 60e3,
            "h" => 3_600e3,
            "d" => 86_400e3,
            "" if !any && word == after.len() => 1e3,
            _ => return None,
        };
        millis += number * scale;
        any = true;
        rest = after[word..].trim_start();
    }
    (any && millis <= 366.0 * 86_400e3).then(|| Span::from_millis(millis.round() as i64))
}

/// The same for people: its two or three largest units.
pub(super) fn shown(span: Span) -> String {
    let millis = span.millis().max(0);
    let (secs, rest) = (millis / 1000, millis % 1000);
    let parts = [
        (secs / 86_400, "d"),
        (secs / 3600 % 24, "h"),
        (secs / 60 % 60, "min"),
        (secs % 60, "s"),
        (rest, "ms"),
    ];
    let words: Vec<String> = parts
        .iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, unit)| format!("{count}{unit}"))
        .collect();
    if words.is_empty() { "0s".into() } else { words.join(" ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lengths_of_time_are_read_as_they_are_written() {
        for (text, secs) in [
            ("45s", 45),
            ("5min 30s", 330),
            ("1h30min", 5_400),
            ("2d", 172_800),
            ("90", 90),
            ("0s", 0),
        ] {
            assert_eq!(parse(text), Some(Span::from_secs(secs)), "{text}");
        }
        assert_eq!(parse("1.5s"), Some(Span::from_millis(1500)));
        for text in ["", "s", "5 minutes", "-3s", "5min 30", "4000d", "1h x"] {
            assert_eq!(parse(text), None, "{text}");
        }
    }

    #[test]
    fn a_shown_length_reads_back() {
        for millis in [0, 1, 999, 330_000, 5_400_000, 90_061_000] {
            let span = Span::from_millis(millis);
            assert_eq!(parse(&shown(span)), Some(span), "{}", shown(span));
        }
    }
}
