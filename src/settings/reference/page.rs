//! `config/reference.md`: every key, every value, every alarm.

use crate::engine::catalogue::{ALARMS, AlarmRow, Consequence, Kind, Of, SIGNALS, SignalRow};
use crate::engine::event::SERVICE_ENTRIES;
use crate::settings::model::{Holds, Key, Section, model};
use crate::units::Quantity;
use std::fmt::Write as _;

const HEAD: &str = "\
# Reference

Made from the schema and the catalogue in the code; a test keeps it so. Part 1 lists what may be
set, part 2 what the daemon tells.

# Part 1: settings

Files are TOML, given with `--config` and merged in their order. Any key may also be set in the
environment: `PERMEATED__BROKER__HOST` is `broker.host`; inside an id `_` stands for `-`, so that
`PERMEATED__PLANTS__HOME__SENSORS__PRODUCT_PROBE__TOPIC` is `plants.home.sensors.product-probe.topic`.
Lists are written with commas there. Secrets stand in files of their own.

Ids are yours: small letters, digits and hyphens. They become parts of topics and client ids, so
choose them once. No key retains an `open`, and none lets the daemon open on its own account.

## Units

A sensor names the unit of its payload; spelling counts.

";

/// Renders the page.
pub fn reference_md() -> String {
    let mut page = HEAD.to_owned();
    units(&mut page);
    section(model(), "", &mut page);
    page.push_str(
        "\n# Part 2: what the daemon tells\n\n\
         Topics are `<root>/5/<plant>/<node>/<property>`; beside each stands `-quality` (`good`, \
         `suspect`, `assumed`, `absent`) and, where it says something, `-u` (standard \
         uncertainty). Which of them a plant has follows from its sensors; `permeated check` \
         lists them.\n",
    );
    values(&mut page);
    alarms(&mut page);
    entries(&mut page);
    page
}

/// Writing to a `String` cannot fail.
macro_rules! line {
    ($page:expr, $($args:tt)*) => { let _ = writeln!($page, $($args)*); };
}

fn units(page: &mut String) {
    line!(page, "| quantity | unit |\n| --- | --- |");
    for quantity in Quantity::ALL {
        let units: Vec<String> =
            quantity.units().iter().map(|(symbol, _, _)| format!("`{symbol}`")).collect();
        let note = if quantity.is_state() || *quantity == Quantity::Pulses {
            " (may be left out)"
        } else {
            ""
        };
        line!(page, "| `{quantity}` | {}{note} |", units.join(", "));
    }
}

fn is_leaf(key: &Key) -> bool {
    !matches!(key.holds, Holds::Section(_) | Holds::Map(_))
}

fn section(keys: &Section, path: &str, page: &mut String) {
    let leaves: Vec<&Key> = keys.keys.iter().filter(|key| is_leaf(key)).collect();
    if !leaves.is_empty() {
        line!(page, "\n| key | default | unit, range | what it is |\n| --- | --- | --- | --- |");
    }
    for key in leaves {
        line!(
            page,
            "| `{}` | {} | {} | {} |",
            key.name,
            default(key),
            cell(&measure(key)),
            cell(&meaning(key))
        );
    }
    for key in keys.keys.iter().filter(|key| !is_leaf(key)) {
        let (inner, below) = match &key.holds {
            Holds::Section(inner) => (inner, key.name.clone()),
            Holds::Map(inner) => (inner, format!("{}.<id>", key.name)),
            _ => continue,
        };
        let path = if path.is_empty() { below } else { format!("{path}.{below}") };
        line!(page, "\n## `[{path}]`\n\n{}", key.doc);
        section(inner, &path, page);
    }
}

fn default(key: &Key) -> String {
    if key.default.is_null() { "none".into() } else { format!("`{}`", key.default) }
}

fn measure(key: &Key) -> String {
    match &key.holds {
        Holds::Text => "text".into(),
        Holds::Texts => "list of texts".into(),
        Holds::Flag => "true or false".into(),
        Holds::Choice(_) => "one of the words".into(),
        Holds::Integer | Holds::Number => {
            let unit = key.unit.as_deref().unwrap_or_default();
            [unit, &key.range()]
                .into_iter()
                .filter(|part| !part.is_empty())
                .collect::<Vec<_>>()
                .join(", ")
        }
        Holds::Section(_) | Holds::Map(_) => String::new(),
    }
}

fn meaning(key: &Key) -> String {
    let mut text = key.doc.clone();
    if let Holds::Choice(words) = &key.holds {
        let words: Vec<String> = words
            .iter()
            .map(|(word, doc)| format!("`{word}`: {}", doc.trim_end_matches('.')))
            .collect();
        let _ = write!(text, " {}.", words.join("; "));
    }
    text
}

/// Text inside a table: one line, no column marks.
fn cell(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ").replace('|', "\\|")
}

const fn unit(kind: Kind) -> &'static str {
    match kind {
        Kind::Solids => "ppm",
        Kind::Conductivity => "µS/cm",
        Kind::Share => "0 to 1",
        Kind::Ratio => "ratio",
        Kind::Flow => "L/min",
        Kind::Volume | Kind::Total => "L",
        Kind::Pressure => "bar",
        Kind::Temperature => "°C",
        Kind::Duration => "s",
        Kind::Hours => "h",
        Kind::Days => "d",
        Kind::Instant => "point in time",
        Kind::Grams => "g",
        Kind::Mass => "mg",
        Kind::Charge => "eq",
        Kind::Count => "count",
        Kind::Money => "money",
        Kind::Power => "W",
        Kind::State => "word",
        Kind::Flag => "true or false",
        Kind::Text => "text",
    }
}

const fn each(of: Of) -> &'static str {
    match of {
        Of::Plant => "plant",
        Of::Sensor => "sensor",
        Of::Part => "part",
    }
}

fn topic(row: &SignalRow) -> String {
    match (row.node, row.of) {
        ("", _) => "`<point>/<quantity>`".into(),
        (node, Of::Part) => format!("`{node}-<part>/{}`", row.property),
        (node, Of::Sensor) => format!("`{node}-<sensor>/{}`", row.property),
        (node, Of::Plant) => format!("`{node}/{}`", row.property),
    }
}

fn values(page: &mut String) {
    line!(
        page,
        "\n## Values\n\n\
         `step`: rounded to this. `deadband`: a smaller change is not stored. `heartbeat`: told and \
         stored at least this often, in seconds (0: only when it changes). `code`: number in the \
         history, never used twice.\n\n\
         | node/property | unit | for each | step | deadband | heartbeat | code | what it is |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for row in SIGNALS {
        let unit = if row.node.is_empty() { "of its quantity" } else { unit(row.kind) };
        line!(
            page,
            "| {} | {unit} | {} | {} | {} | {} | {} | {} |",
            topic(row),
            each(row.of),
            row.step,
            row.deadband,
            row.heartbeat_secs,
            row.code,
            cell(row.help)
        );
    }
}

fn entries(page: &mut String) {
    line!(
        page,
        "\n## Service entries\n\n\
         What you do and measure, as JSON on `<root>/5/<plant>/service/entry/set`, not retained; the answer comes on \
         `event/log`. `id` (repeated in the answer) and `at` may be added.\n\n\
         | entry | what it is for |\n| --- | --- |"
    );
    for (example, help) in SERVICE_ENTRIES {
        line!(page, "| `{example}` | {} |", cell(help));
    }
}

const fn does(consequence: Consequence) -> &'static str {
    match consequence {
        Consequence::Trip => "closes; a person resets it",
        Consequence::Hold => "closes; returns by itself",
        Consequence::Interlock => "blocks while it lasts",
        Consequence::Tell => "tells",
    }
}

fn limits_on(row: &AlarmRow) -> &'static str {
    match (row.no_bypass, row.no_shelve) {
        (true, true) => "neither bypassed nor shelved",
        (true, false) => "not bypassed",
        (false, true) => "not shelved",
        (false, false) => "",
    }
}

fn alarms(page: &mut String) {
    line!(
        page,
        "\n## Alarms\n\n\
         `when`: `now` at any hour, `today` in waking hours, `soon` in the digest: an event of kind `digest`\n\
         when the quiet hours end, if something is new in it, else once a week.\n\n\
         | alarm | does | when | for each | never | what it means | first look | what clears it |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- |"
    );
    for row in ALARMS {
        line!(
            page,
            "| `{}` | {} | {} | {} | {} | {} | {} | {} |",
            row.name,
            does(row.consequence),
            row.class.word(),
            each(row.of),
            limits_on(row),
            cell(row.means),
            cell(row.advice),
            cell(row.clears)
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_of_units_misses_no_quantity() {
        let key = crate::settings::model::find(&["plants", "p", "sensors", "s", "quantity"]);
        let Some(Holds::Choice(words)) = key.map(|key| &key.holds) else { panic!("{key:?}") };
        let known: Vec<&str> = words.iter().map(|(word, _)| word.as_str()).collect();
        let listed: Vec<&str> = Quantity::ALL.iter().map(|quantity| quantity.word()).collect();
        assert_eq!(listed, known);
    }
}
