//! The screen of `explain`.

use super::look::{Seen, Told};
use crate::cmd::check::scenarios::alarm_name;
use crate::engine::catalogue::Consequence;
use crate::engine::output::{AlarmKey, AlarmState, Permit};
use crate::engine::setup::Setup;
use crate::engine::time::{Span, Wall};
use crate::units::Quantity;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::fmt::Write as _;

const WIDTH: usize = 100;
/// A daemon that runs writes at least this often.
const QUIET_MAX: Span = Span::from_secs(120);
/// Readings of a sensor that are shown, around the moment.
const READINGS_SHOWN: usize = 14;

/// Writing to a `String` cannot fail.
macro_rules! line {
    ($out:expr) => { $out.push('\n'); };
    ($out:expr, $($args:tt)*) => { let _ = writeln!($out, $($args)*); };
}

pub(super) struct Page<'a> {
    pub(super) setup: &'a Setup,
    pub(super) zone: &'a TimeZone,
    pub(super) now: Option<Wall>,
    pub(super) at: Option<Wall>,
    pub(super) name: &'a str,
}

impl Page<'_> {
    pub(super) fn render(&self, seen: &Seen, wanted: Option<AlarmKey>) -> String {
        let mut out = String::new();
        self.head(seen, &mut out);
        if seen.newest.is_none() {
            line!(
                out,
                "The history holds nothing about this plant{}.",
                match self.at {
                    Some(_) => " up to that moment",
                    None => " yet",
                }
            );
            return out;
        }
        match wanted {
            Some(key) => self.one(seen, key, &mut out),
            None => self.whole(seen, &mut out),
        }
        if seen.damaged > 0 {
            self.wrapped(&mut out, "", &format!(
                "Some of the history is damaged ({} stretches were passed over): something may be missing here.",
                seen.damaged
            ));
        }
        out
    }

    fn head(&self, seen: &Seen, out: &mut String) {
        let name = if self.name.is_empty() { &self.setup.plant } else { self.name };
        let mut text = format!("{name}, from the history");
        if let Some(at) = self.at {
            let _ = write!(text, " as it was on {}", self.day(at));
        } else if let (Some(newest), Some(now)) = (seen.newest, self.now) {
            let age = now.since(newest);
            let _ = write!(text, "; last record {} ({} ago)", self.day(newest), ago(age));
            if age > QUIET_MAX {
                text.push_str(". NO DAEMON HAS WRITTEN SINCE: what follows is how it stood then");
            }
        }
        let zone = self.zone.iana_name().unwrap_or("UTC");
        self.wrapped(out, "", &format!("{text}. Times: {zone}."));
        line!(out);
    }

    fn whole(&self, seen: &Seen, out: &mut String) {
        let Some(permit) = &seen.permit else {
            line!(out, "No permit stands in the history, so nothing is known to be permitted.");
            return;
        };
        self.permit(permit, out);
        let first = seen.first().map(|told| told.update.key);
        if let Some(told) = seen.first() {
            self.alarm(seen, told, out);
        } else if !permit.permitted {
            self.chain(seen, out);
        }
        let others: Vec<&Told> = seen
            .alarms
            .values()
            .filter(|told| told.stands() && Some(told.update.key) != first)
            .collect();
        if !others.is_empty() {
            line!(out, "\nAlso standing:");
        }
        for told in others {
            let update = &told.update;
            let aside = match update.state {
                AlarmState::Shelved => ", on the shelf",
                AlarmState::SuppressedByDesign => ", shown under its cause",
                AlarmState::OutOfService => ", out of service",
                _ => "",
            };
            let since =
                update.since.map_or_else(String::new, |at| format!(" since {}", self.day(at)));
            let name = alarm_name(self.setup, update.key);
            self.wrapped(out, "  ", &format!("{name}{since}{aside}: {}", update.text));
        }
        if permit.permitted && first.is_none() {
            line!(out, "Nothing is wrong.");
            if let Some(last) = seen.lately.first() {
                let when = last.at.map_or_else(|| "at an unknown time".into(), |at| self.day(at));
                self.wrapped(out, "", &format!("Last of note, {when}: {}", last.text));
            }
        }
    }

    fn permit(&self, permit: &Permit, out: &mut String) {
        let since = permit.since.map_or_else(String::new, |at| format!(" since {}", self.day(at)));
        let may = if permit.permitted { "Water may run" } else { "WATER MAY NOT RUN" };
        line!(out, "{may}{since}. The supply valve is {}.", permit.valve.replace('-', " "));
        let first = permit.first_cause.as_deref();
        for one in &permit.missing {
            let mark = if first == Some(one.cause.as_str()) && permit.missing.len() > 1 {
                ", came first"
            } else {
                ""
            };
            let clears = one.clears.trim_end_matches('.');
            self.wrapped(
                out,
                "  ",
                &format!("- {} ({}{mark}); clears with: {clears}.", one.cause, one.kind),
            );
        }
        for remark in &permit.remarks {
            self.wrapped(out, "  ", &format!("- {remark}"));
        }
    }

    /// One alarm, with all that belongs to it.
    fn alarm(&self, seen: &Seen, told: &Told, out: &mut String) {
        let update = &told.update;
        let row = update.key.alarm.row();
        let kind = match row.consequence {
            Consequence::Trip => "trip: latched until a person resets it",
            Consequence::Hold if update.latched => "hold, latched: waits for a person",
            Consequence::Hold => "hold: goes on by itself",
            Consequence::Interlock => "interlock: clears by itself",
            Consequence::Tell => "alarm: tells and does nothing",
        };
        line!(
            out,
            "\n{} ({kind}; class: {})",
            alarm_name(self.setup, update.key),
            update.class.word()
        );
        let since = update.since.map_or_else(String::new, |at| format!(" Since {}.", self.day(at)));
        let mut what = format!("{}{since}", update.text);
        if update.latched && !update.active {
            what.push_str(" The cause is gone; it stands until it is reset.");
        }
        if let (Some(value), Some(limit)) = (update.value, update.limit) {
            let _ = write!(what, " (value {}, limit {})", short(value), short(limit));
        }
        self.wrapped(out, "  What:    ", &what);
        self.wrapped(out, "  Means:   ", row.means);
        self.wrapped(out, "  First:   ", row.advice);
        let clears = crate::engine::causes::clears(self.setup, row.id);
        self.wrapped(out, "  Clears:  ", &clears);
        if let Some(secs) = update.respond_secs {
            let within = ago(Span::from_secs_f64(secs));
            self.wrapped(out, "  Within:  ", &format!("{within} from its beginning."));
        }
        self.chain(seen, out);
    }

    fn one(&self, seen: &Seen, key: AlarmKey, out: &mut String) {
        let name = alarm_name(self.setup, key);
        let standing = seen.alarms.get(&key).filter(|told| told.stands());
        match standing.or(seen.came.as_ref()) {
            Some(told) => {
                if standing.is_none() {
                    let gone = seen.alarms.get(&key).and_then(|told| told.update.since.or(told.at));
                    let gone =
                        gone.map_or_else(String::new, |at| format!(" (gone {})", self.day(at)));
                    line!(out, "{name} does not stand{gone}. The last time that it did:");
                } else {
                    line!(out, "{name} stands.");
                }
                self.alarm(seen, told, out);
            }
            None => {
                let since = seen.oldest.map_or_else(String::new, |at| self.day(at));
                let back = if seen.looked_all {
                    "has never stood in this history, which begins"
                } else {
                    "does not stand, and has not stood since"
                };
                self.wrapped(out, "", &format!("{name} {back} {since}."));
                self.wrapped(out, "  Would mean: ", key.alarm.row().means);
            }
        }
    }

    fn chain(&self, seen: &Seen, out: &mut String) {
        if !seen.chain.is_empty() {
            line!(out, "  What happened:");
            for step in &seen.chain {
                self.wrapped(out, &format!("    {}  ", self.time(step.at)), &step.text);
            }
        }
        let around = seen.around;
        let mut any = false;
        for (sensor, readings) in &seen.readings {
            if !any {
                line!(out, "  Raw readings around it:");
                any = true;
            }
            let sensor = &self.setup.sensors[*sensor];
            let unit = match sensor.quantity {
                Quantity::Leak | Quantity::Full | Quantity::Open => "",
                Quantity::Pulses => "pulses",
                other => other.canonical_unit(),
            };
            // Half of them before the moment, half after.
            let middle =
                readings.iter().position(|(at, _)| Some(*at) >= around).unwrap_or(readings.len());
            let from = middle.saturating_sub(READINGS_SHOWN * 2 / 3);
            let shown: Vec<String> = readings[from..]
                .iter()
                .take(READINGS_SHOWN)
                .map(|(at, text)| format!("{} {text}", self.time(*at)))
                .collect();
            let label =
                if unit.is_empty() { sensor.id.clone() } else { format!("{}, {unit}", sensor.id) };
            self.wrapped(out, &format!("    {label}: "), &shown.join(" | "));
        }
        if !any && around.is_some() {
            line!(out, "  No raw readings of its sensors stand in the history around it.");
        }
    }

    /// With a hanging indent of the first words.
    fn wrapped(&self, out: &mut String, first: &str, text: &str) {
        let margin = " ".repeat(first.chars().count().min(16));
        let mut current = first.to_owned();
        let mut fresh = true;
        for word in text.split_whitespace() {
            if !fresh && current.chars().count() + 1 + word.chars().count() > WIDTH {
                line!(out, "{}", current.trim_end());
                current = margin.clone();
                fresh = true;
            }
            if !fresh {
                current.push(' ');
            }
            current.push_str(word);
            fresh = false;
        }
        line!(out, "{}", current.trim_end());
    }

    fn format(&self, at: Wall, how: &str) -> String {
        Timestamp::from_millisecond(at.millis()).map_or_else(
            |_| "at an impossible time".into(),
            |stamp| stamp.to_zoned_datetime(self.zone.clone()).strftime(how).to_string(),
        )
    }

    fn time(&self, at: Wall) -> String {
        self.format(at, "%H:%M:%S")
    }

    /// With its day, unless that is today.
    fn day(&self, at: Wall) -> String {
        let day = |wall: Wall| self.format(wall, "%F");
        let today = self.at.is_none() && self.now.is_some_and(|now| day(now) == day(at));
        if today { self.time(at) } else { self.format(at, "%-d %b %Y %H:%M:%S") }
    }
}

fn short(value: f64) -> String {
    format!("{}", (value * 1000.0).round() / 1000.0)
}

fn ago(span: Span) -> String {
    let secs = span.secs().max(0.0);
    match secs {
        0.0..120.0 => format!("{secs:.0} s"),
        120.0..7200.0 => format!("{:.0} min", secs / 60.0),
        7200.0..172_800.0 => format!("{:.0} h", secs / 3600.0),
        _ => format!("{:.0} days", secs / 86_400.0),
    }
}
