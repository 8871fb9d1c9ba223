//! The status page: server-rendered, no script, read-only.
//!
//! Invariants: every text that comes from outside this file goes through [`esc`]; colour is for
//! alarms only; points stand in the order in which water passes them.

use super::drawing;
use super::units::{self, Look};
use super::verdict::{Run, Verdict};
use super::words;
use crate::board::{Board, Health, PlantBoard};
use crate::engine::catalogue::{Consequence, Of, SignalId};
use crate::engine::causes;
use crate::engine::output::{
    AlarmKey, AlarmState, AlarmUpdate, Datum, Permit, Quality, ValueKey, ValueUpdate,
};
use crate::engine::setup::Setup;
use crate::engine::time::{Span, Wall};
use crate::engine::value::NoReading;
use crate::settings::schema::Point;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::fmt::Write as _;

/// How often a browser loads the page again, in seconds.
const REFRESH_SECS: u32 = 10;
/// Log entries shown.
const LOG_SHOWN: usize = 20;
/// What is due later than this is nobody's concern yet, in days.
const COMING_DAYS: f64 = 400.0;
/// Lines of what is due.
const COMING_SHOWN: usize = 10;
/// A value of more letters than this is a sentence.
const SENTENCE: usize = 18;
/// Entries shown of each counter by sensor.
const COUNTERS_SHOWN: usize = 12;

/// Escapes a text for element content and quoted attributes.
pub fn esc(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for character in text.chars() {
        match character {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            other if other.is_control() => safe.push(' '),
            other => safe.push(other),
        }
    }
    safe
}

/// The instant of the page, and the zone in which it speaks.
pub struct Clock<'a> {
    /// Now.
    pub now: Wall,
    /// Civil times are in this zone.
    pub zone: &'a TimeZone,
}

impl Clock<'_> {
    /// A civil time; with its day unless it is today.
    pub(super) fn time(&self, at: Wall) -> String {
        let zoned = |wall: Wall| {
            Timestamp::from_millisecond(wall.millis())
                .map(|stamp| stamp.to_zoned_datetime(self.zone.clone()))
        };
        match (zoned(at), zoned(self.now)) {
            (Ok(then), Ok(now)) if then.date() == now.date() => {
                then.strftime("%H:%M:%S").to_string()
            }
            (Ok(then), _) => then.strftime("%-d %b %H:%M").to_string(),
            (Err(_), _) => "at an impossible time".into(),
        }
    }

    /// The day alone.
    pub(super) fn day(&self, at: Wall) -> String {
        Timestamp::from_millisecond(at.millis()).map_or_else(
            |_| "an impossible day".into(),
            |stamp| stamp.to_zoned_datetime(self.zone.clone()).strftime("%-d %b %Y").to_string(),
        )
    }

    fn ago(&self, at: Wall) -> String {
        let secs = self.now.since(at).secs();
        if secs < 1.0 {
            "just now".into()
        } else {
            format!("{} ago", units::duration(secs.floor()))
        }
    }
}

/// Renders the whole page.
pub fn render(board: &Board, clock: &Clock<'_>) -> String {
    let health = board.health();
    let mut out = String::with_capacity(32 * 1024);
    let _ = write!(
        out,
        "<!doctype html><html lang=\"en\"><head><meta charset=\"utf-8\">\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\
         <meta http-equiv=\"refresh\" content=\"{REFRESH_SECS}\"><title>{}</title>\
         <link rel=\"icon\" href=\"data:,\"><link rel=\"stylesheet\" href=\"style.css\"></head><body>",
        esc(&title(board, clock))
    );
    for (index, setup) in board.setups().enumerate() {
        board.read(index, |plant| render_plant(&mut out, setup, plant, clock));
    }
    render_health(&mut out, &health);
    let _ = write!(
        out,
        "<footer>permeated {} · {} {} · this page only shows; it cannot open or close \
         anything</footer></body></html>",
        env!("CARGO_PKG_VERSION"),
        esc(&clock.time(clock.now)),
        esc(clock.zone.iana_name().unwrap_or("")),
    );
    out
}

/// What stands in the browser's tab: the worst alarm, or the first plant's verdict.
fn title(board: &Board, clock: &Clock<'_>) -> String {
    let mut verdicts = board.setups().enumerate().map(|(index, setup)| {
        board.read(index, |plant| {
            (to_do(plant).len(), Verdict::of(setup, plant, clock.now).headline())
        })
    });
    let first = verdicts.next();
    let alarms: usize = first.iter().map(|(count, _)| count).sum::<usize>()
        + verdicts.map(|(count, _)| count).sum::<usize>();
    let verdict = first.map_or_else(|| "no plant".into(), |(_, verdict)| verdict);
    if alarms > 0 { format!("({alarms}) {verdict}") } else { verdict }
}

fn render_plant(out: &mut String, setup: &Setup, board: &PlantBoard, clock: &Clock<'_>) {
    let verdict = Verdict::of(setup, board, clock.now);
    let _ = write!(out, "<main><header><p class=\"plant\">{}</p>", esc(&setup.name));
    let _ = write!(out, "<h1>{}</h1>", esc(&verdict.headline()));
    let _ = write!(out, "<p class=\"ground\">{}</p>", esc(&verdict.ground(setup, board)));
    render_permit(out, board.permit.as_ref(), &verdict.run, clock);
    out.push_str("</header><section class=\"todo\">");
    render_alarms(out, setup, board, clock);
    out.push_str("</section>");
    render_flow(out, setup, board, clock);
    drawing::render(out, setup, &board.plots, clock);
    render_stages(out, setup, board, clock);
    render_log(out, board, clock);
    out.push_str("</main>");
}

fn render_permit(out: &mut String, permit: Option<&Permit>, run: &Run, clock: &Clock<'_>) {
    if let Run::Unguarded(why) = run {
        let _ = write!(
            out,
            "<p class=\"alarm now\"><b>Shut the tap by hand.</b> Nothing of ours reaches the valve: \
             {}.</p>",
            esc(why)
        );
    }
    let Some(permit) = permit else { return };
    let since = permit.since.map_or_else(String::new, |since| {
        format!(" since {} ({})", clock.time(since), clock.ago(since))
    });
    let may = if permit.permitted { "Permitted" } else { "Not permitted" };
    let _ = write!(
        out,
        "<p class=\"permit\">{may}{} · supply valve <b>{}</b></p>",
        esc(&since),
        esc(&permit.valve)
    );
    if !permit.missing.is_empty() {
        out.push_str("<ol class=\"missing\">");
        for missing in &permit.missing {
            let first = permit.first_cause.as_deref() == Some(missing.cause.as_str())
                && permit.missing.len() > 1;
            let _ = write!(
                out,
                "<li><b>{}</b> <small>{}{}</small><br>Clears with: {}</li>",
                esc(&words::plain(&missing.cause)),
                esc(&missing.kind),
                if first { ", came first" } else { "" },
                esc(&missing.clears)
            );
        }
        out.push_str("</ol>");
    }
    for remark in &permit.remarks {
        let _ = write!(out, "<p class=\"remark\">{}</p>", esc(remark));
    }
}

/// Alarms that ask for a response, most urgent first.
fn to_do(board: &PlantBoard) -> Vec<&AlarmUpdate> {
    let mut alarms: Vec<&AlarmUpdate> = board
        .alarms
        .values()
        .filter(|alarm| {
            matches!(
                alarm.state,
                AlarmState::Unacknowledged
                    | AlarmState::Acknowledged
                    | AlarmState::ReturnedUnacknowledged
            ) && alarm.key.alarm.row().consequence != Consequence::Interlock
        })
        .collect();
    alarms.sort_by_key(|alarm| {
        (
            alarm.state == AlarmState::ReturnedUnacknowledged,
            std::cmp::Reverse(alarm.class),
            alarm.since,
        )
    });
    alarms
}

fn render_alarms(out: &mut String, setup: &Setup, board: &PlantBoard, clock: &Clock<'_>) {
    let alarms = to_do(board);
    out.push_str("<h2>What needs doing</h2>");
    if alarms.is_empty() {
        out.push_str("<p class=\"quiet\">Nothing.</p>");
    }
    // What follows from another alarm of the list stands under that one.
    let listed = |alarm| alarms.iter().any(|one| one.key.alarm == alarm);
    let (below, above): (Vec<&AlarmUpdate>, Vec<&AlarmUpdate>) =
        alarms.iter().partition(|alarm| alarm.under.is_some_and(listed));
    for alarm in above {
        let row = alarm.key.alarm.row();
        let gone = alarm.state == AlarmState::ReturnedUnacknowledged;
        let tone = if gone { "gone" } else { alarm.class.word() };
        let _ = write!(
            out,
            "<article class=\"alarm {tone}\"><p class=\"when\">{}</p><h3>{}</h3>",
            esc(if gone { "take note" } else { words::class(alarm.class) }),
            esc(&alarm_name(setup, alarm.key))
        );
        if !alarm.text.is_empty() {
            let _ = write!(out, "<p class=\"what\">{}</p>", esc(&alarm.text));
        }
        let _ = write!(out, "<p>{}</p>", esc(row.means));
        if !gone {
            let _ = write!(out, "<p class=\"advice\"><b>First:</b> {}</p>", esc(row.advice));
        }
        let follow: Vec<String> = below
            .iter()
            .filter(|one| one.under == Some(alarm.key.alarm))
            .map(|one| format!("{} ({})", alarm_name(setup, one.key), one.text))
            .collect();
        if !follow.is_empty() {
            let _ = write!(out, "<p>Follows from it: {}</p>", esc(&follow.join("; ")));
        }
        let _ = write!(
            out,
            "<p class=\"notes\">{}</p></article>",
            esc(&notes(setup, alarm, gone, clock).join(" · "))
        );
    }
    render_coming(out, setup, board, clock);
    let aside: Vec<String> = board
        .alarms
        .values()
        .filter(|alarm| matches!(alarm.state, AlarmState::Shelved | AlarmState::OutOfService))
        .map(|alarm| {
            format!("{} ({})", alarm_name(setup, alarm.key), words::alarm_state(alarm.state))
        })
        .collect();
    if !aside.is_empty() {
        let _ = write!(out, "<p class=\"quiet\">Put aside: {}</p>", esc(&aside.join(", ")));
    }
}

/// The small print of an alarm.
fn notes(setup: &Setup, alarm: &AlarmUpdate, gone: bool, clock: &Clock<'_>) -> Vec<String> {
    let mut notes = Vec::new();
    if let Some(since) = alarm.since {
        notes.push(format!("since {} ({})", clock.time(since), clock.ago(since)));
        if let Some(secs) = alarm.respond_secs.filter(|_| !gone) {
            notes.push(format!(
                "to be answered by {}",
                clock.time(since + Span::from_secs_f64(secs))
            ));
        }
    }
    if alarm.first_out {
        notes.push("came first".into());
    }
    if alarm.chattering > 0 {
        notes.push(format!("came and went {} times in a short while", alarm.chattering));
    }
    notes.push(words::alarm_state(alarm.state).into());
    if !gone {
        let clears = causes::clears(setup, alarm.key.alarm);
        notes.push(format!("clears with: {}", clears.trim_end_matches('.')));
    }
    notes
}

/// What will need doing, soonest first.
fn render_coming(out: &mut String, setup: &Setup, board: &PlantBoard, clock: &Clock<'_>) {
    let mut coming: Vec<(f64, String)> = board
        .values
        .values()
        .filter_map(|update| {
            let what = words::coming(update.key.signal)?;
            let Ok(Datum::Number(value)) = update.datum else { return None };
            let row = update.key.signal.row();
            let owner = update.key.of.and_then(|of| owner(setup, row.of, of));
            let what = owner.map_or_else(|| what.to_owned(), |owner| format!("{what} {owner}"));
            let look = units::of_kind(row.kind);
            if look == Look::Instant {
                let at = Wall::from_millis((value * 1000.0) as i64);
                let days = at.since(clock.now).days();
                let when = if days > 0.0 { clock.time(at) } else { "now".into() };
                return Some((days, format!("{what}: {when}")));
            }
            let (days, u) = units::show(look, value.max(0.0), update.u);
            let u = u.map_or_else(String::new, |u| format!(" ± {u}"));
            Some((value, format!("{what}: in about {days}{u}")))
        })
        .filter(|(days, _)| *days <= COMING_DAYS)
        .collect();
    if coming.is_empty() {
        return;
    }
    coming.sort_by(|one, other| one.0.total_cmp(&other.0));
    out.push_str("<h2>And later</h2><ul class=\"coming\">");
    for (_, text) in coming.iter().take(COMING_SHOWN) {
        let _ = write!(out, "<li>{}</li>", esc(text));
    }
    out.push_str("</ul>");
}

fn alarm_name(setup: &Setup, key: AlarmKey) -> String {
    let row = key.alarm.row();
    let name = words::plain(row.name);
    match key.of.and_then(|of| owner(setup, row.of, of)) {
        Some(owner) => format!("{name}: {owner}"),
        None => name,
    }
}

/// The id of the sensor or part that something belongs to.
fn owner(setup: &Setup, of: Of, index: u16) -> Option<&str> {
    let index = usize::from(index);
    match of {
        Of::Plant => None,
        Of::Sensor => setup.sensors.get(index).map(|sensor| sensor.id.as_str()),
        Of::Part => setup.parts.get(index).map(|part| part.id.as_str()),
    }
}

fn render_flow(out: &mut String, setup: &Setup, board: &PlantBoard, clock: &Clock<'_>) {
    out.push_str("<section class=\"flow\"><h2>Along the water</h2>");
    let at = |point| (0..setup.sensors.len()).filter(move |&ix| setup.sensors[ix].point == point);
    // The line that stands for the pipe ends here.
    let end = words::POINTS
        .into_iter()
        .rfind(|&point| point != Point::Room && at(point).next().is_some());
    for point in words::POINTS {
        let sensors: Vec<usize> = at(point).collect();
        if sensors.is_empty() {
            continue;
        }
        let _ = write!(
            out,
            "<div class=\"point {0}{1}\">{2}<h3>{0} <small>{3}</small></h3><table>",
            point.word(),
            if Some(point) == end { " end" } else { "" },
            if point == Point::Concentrate { "<i class=\"branch\"></i>" } else { "" },
            esc(words::point(point))
        );
        for ix in sensors {
            let sensor = &setup.sensors[ix];
            let key = ValueKey { signal: SignalId::Reading, of: u16::try_from(ix).ok() };
            let shown = board.values.get(&key).map_or_else(Shown::unheard, |update| {
                Shown::of(update, units::of_quantity(sensor.quantity), clock, |yes| {
                    units::state_word(sensor.quantity, yes)
                })
            });
            shown.row(out, units::name(sensor.quantity), &sensor.id);
        }
        out.push_str("</table></div>");
    }
    out.push_str("</section>");
}

fn render_stages(out: &mut String, setup: &Setup, board: &PlantBoard, clock: &Clock<'_>) {
    out.push_str("<section class=\"stages\"><h2>What follows from it</h2>");
    for (node, what) in words::STAGES {
        // What is not there would only stand in the way of what is: one line for each reason.
        let (shown, without): (Vec<&ValueUpdate>, Vec<&ValueUpdate>) = board
            .values
            .values()
            .filter(|update| {
                let row = update.key.signal.row();
                row.of != Of::Sensor && row.node == node
            })
            .partition(|update| update.datum.is_ok());
        if shown.is_empty() && without.is_empty() {
            continue;
        }
        let _ = write!(out, "<div class=\"stage\"><h3>{node} <small>{}</small></h3>", esc(what));
        if !shown.is_empty() {
            out.push_str("<table>");
            for update in shown {
                let row = update.key.signal.row();
                let owner = update.key.of.and_then(|of| owner(setup, row.of, of)).unwrap_or("");
                let shown = Shown::of(update, units::of_kind(row.kind), clock, |yes| {
                    if yes { "yes" } else { "no" }
                });
                shown.row(out, &words::plain(row.property), owner);
            }
            out.push_str("</table>");
        }
        let mut reasons: Vec<(NoReading, Vec<String>)> = Vec::new();
        for update in without {
            let Err(reason) = update.datum else { continue };
            let row = update.key.signal.row();
            let mut name = words::plain(row.property);
            // What needs an input that nobody has says so once, not for each part.
            if reason != NoReading::NotConfigured
                && let Some(owner) = update.key.of.and_then(|of| owner(setup, row.of, of))
            {
                let _ = write!(name, " of {owner}");
            }
            match reasons.iter_mut().find(|(one, _)| *one == reason) {
                Some((_, names)) => names.push(name),
                None => reasons.push((reason, vec![name])),
            }
        }
        for (reason, mut names) in reasons {
            names.dedup();
            let _ = write!(
                out,
                "<p class=\"without\">{}: {}</p>",
                esc(words::without(reason)),
                esc(&names.join(", "))
            );
        }
        out.push_str("</div>");
    }
    out.push_str("</section>");
}

/// One value, ready to be shown.
struct Shown {
    value: String,
    u: Option<String>,
    quality: Quality,
    remark: String,
}

impl Shown {
    fn unheard() -> Self {
        Self {
            value: "–".into(), u: None, quality: Quality::Absent, remark: "nothing yet".into()
        }
    }

    fn of(
        update: &ValueUpdate,
        look: Look,
        clock: &Clock<'_>,
        state: impl Fn(bool) -> &'static str,
    ) -> Self {
        let (value, u) = match (&update.datum, look) {
            (Err(_), _) => ("–".into(), None),
            (Ok(Datum::Number(value)), Look::Word) => (state(*value != 0.0).into(), None),
            (Ok(Datum::Number(value)), Look::Instant) => {
                (clock.time(Wall::from_millis((*value * 1000.0) as i64)), None)
            }
            (Ok(Datum::Number(value)), look) => units::show(look, *value, update.u),
            (Ok(Datum::State { word, .. }), _) => (words::plain(word), None),
            (Ok(Datum::Flag(yes)), _) => (state(*yes).into(), None),
            (Ok(Datum::Text(text)), _) => (text.clone(), None),
        };
        let mut remarks: Vec<String> = Vec::new();
        match update.datum {
            Err(reason) => remarks.push(words::absent(reason).into()),
            Ok(_) => remarks.extend(update.reasons.iter().map(|one| words::reason(*one).into())),
        }
        // Young values say nothing of their age; old ones do.
        if let Some(stamp) = update.stamp
            && clock.now.since(stamp).secs() > 120.0
        {
            remarks.push(clock.ago(stamp));
        }
        Self { value, u, quality: update.quality(), remark: remarks.join(", ") }
    }

    fn row(&self, out: &mut String, name: &str, owner: &str) {
        let word = words::quality(self.quality);
        let u = self.u.as_ref().map_or_else(String::new, |u| format!("± {u}"));
        // A sentence is no figure: it gets the row to itself.
        if self.value.chars().count() > SENTENCE {
            let _ = write!(
                out,
                "<tr class=\"{word} says\"><td colspan=\"4\"><b>{} <small>{}</small></b> {}</td></tr>",
                esc(name),
                esc(owner),
                esc(&self.value)
            );
            return;
        }
        let _ = write!(
            out,
            "<tr class=\"{word}\"><th>{} <small>{}</small></th><td class=\"v\">{}</td>\
             <td class=\"u\">{}</td><td class=\"q\">{word}{}</td></tr>",
            esc(name),
            esc(owner),
            esc(&self.value),
            esc(&u),
            if self.remark.is_empty() {
                String::new()
            } else {
                format!(" <small>{}</small>", esc(&self.remark))
            }
        );
    }
}

fn render_log(out: &mut String, board: &PlantBoard, clock: &Clock<'_>) {
    out.push_str("<section class=\"log\"><h2>What happened</h2>");
    if board.log.is_empty() {
        out.push_str("<p class=\"quiet\">Nothing yet.</p>");
    } else {
        out.push_str("<table>");
        for entry in board.log.iter().rev().take(LOG_SHOWN) {
            let at = entry.at.map_or_else(|| "clock not set".into(), |at| clock.time(at));
            let _ = write!(
                out,
                "<tr><td class=\"t\">{}</td><td class=\"k\">{}</td><td>{}</td></tr>",
                esc(&at),
                esc(&words::plain(&entry.kind)),
                esc(&entry.text)
            );
        }
        out.push_str("</table>");
    }
    out.push_str("</section>");
}

fn render_health(out: &mut String, health: &Health) {
    out.push_str("<section class=\"health\"><h2>The daemon itself</h2><dl>");
    let mut line = |name: &str, text: &str| {
        let _ = write!(out, "<dt>{}</dt><dd>{}</dd>", esc(name), esc(text));
    };
    line("broker", if health.broker_ready { "connected and subscribed" } else { "not reachable" });
    line(
        "history",
        &if health.history_writable {
            format!("writable, {} records on disk", health.history_sequence)
        } else {
            "cannot be written".into()
        },
    );
    match health.database_behind {
        None => line("database", "none"),
        Some(behind) => {
            let mut text = match behind {
                0 => "up to date".to_owned(),
                one => format!("{one} records behind"),
            };
            if let Some(fault) = &health.database_fault {
                let _ = write!(text, " · {fault}");
            }
            if health.database_refused > 0 {
                let _ = write!(text, " · {} lines refused", health.database_refused);
            }
            if let Some(note) = &health.database_note {
                let _ = write!(text, " · {note}");
            }
            line("database", &text);
        }
    }
    for (name, counters) in [
        ("bad payloads", &health.bad_payloads),
        ("sent too fast", &health.rate_limited),
        ("dropped when busy", &health.lane_dropped),
    ] {
        let shown: Vec<String> = counters
            .iter()
            .filter(|(_, count)| **count > 0)
            .take(COUNTERS_SHOWN)
            .map(|(id, count)| format!("{id} {count}"))
            .collect();
        if !shown.is_empty() {
            line(name, &shown.join(", "));
        }
    }
    out.push_str("</dl></section>");
}
