//! What closes the valve when something dies.

use super::{line, seconds, supply_valve, wrapped};
use crate::edge::mqtt::guard::{BACK_WITHIN, SILENCE_MAX};
use crate::engine::causes::hung_link;
use crate::engine::setup::{ActuatorSetup, Setup};
use crate::engine::time::Span;
use crate::settings::schema::{Fails, OnStop, Settings, ValveKind};
use std::fmt::Write as _;

pub(super) fn render(setup: &Setup, settings: &Settings, page: &mut String) {
    let Some(valve) = supply_valve(setup) else { return };
    line!(page, "\n  What closes the supply valve ({}) when ...", valve.id);
    let mut row = |when: &str, what: String| {
        let mut text = String::new();
        wrapped(&mut text, 33, &what);
        let text = text.trim_start();
        line!(page, "    {when:<28} {}", text.trim_end());
    };
    let travel = if valve.kind == ValveKind::Motor {
        format!("; the motor then takes {}", seconds(valve.travel))
    } else {
        String::new()
    };
    row(
        "the daemon is killed",
        format!(
            "the broker, at once when the system has ended the process (seconds where disk or \
             memory are short): its last will for us is the close command{travel}"
        ),
    );
    row(
        "the daemon hangs or panics",
        format!(
            "the broker: the guard drops its connection after {} without a sign of the engine, or \
             at once after a panic; if the whole process stands still, as when the link hangs",
            seconds(Span::from_secs_f64(SILENCE_MAX.as_secs_f64()))
        ),
    );
    row(
        "the link hangs",
        format!(
            "the broker, within {} (1.5 x {} s keep-alive, and about 6 s measured on mosquitto \
             2.0.11)",
            seconds(hung_link(setup)),
            settings.broker.guard_keep_alive_secs
        ),
    );
    if !valve.open.is_empty() {
        row(
            "the link holds up an open",
            format!(
                "the broker: no program can take back what TCP has taken. The guard leaves the link \
                 2 s after the open; once it is back the broker has ended the old link and the open \
                 is gone. Should the old link recover before, the open comes late and the close right \
                 behind it, or within {} if the daemon's machine is gone as well",
                seconds(hung_link(setup))
            ),
        );
    }
    row(
        "the broker dies",
        format!(
            "{}. Once the broker is back the first word is close, within {}",
            broker(valve),
            seconds(Span::from_secs_f64(BACK_WITHIN.as_secs_f64()))
        ),
    );
    row("the power is cut", power(valve));
    row(
        "the daemon is stopped",
        match setup.on_stop {
            OnStop::Close => {
                "the daemon: it closes and waits up to 2 s for the confirmation".into()
            }
            OnStop::Leave => "NOTHING: daemon.on_stop = \"leave\"".into(),
        },
    );
    wrapped(
        page,
        4,
        "A will that the broker's access list forbids vanishes without a word: let the user of the \
         guard write this topic, and try it once by killing the daemon while water runs.",
    );
}

/// The same in a few words.
pub(super) fn summary(setup: &Setup, page: &mut String) {
    let Some(valve) = supply_valve(setup) else { return };
    line!(page, "\n  What closes the supply valve ({}) when ...", valve.id);
    let link = format!("the broker, within {}", seconds(hung_link(setup)));
    let dead = if valve.off_timer > Span::ZERO {
        format!("the relay's off-timer, within {}", seconds(valve.off_timer))
    } else {
        "NOTHING of ours: your mechanical float valve".into()
    };
    let power = match valve.fails {
        Fails::Closed => "the valve itself",
        Fails::Open | Fails::Stays => "NOTHING",
        Fails::Unknown => "unknown, counted as NOTHING (`fails`)",
    };
    let stop = match setup.on_stop {
        OnStop::Close => "the daemon",
        OnStop::Leave => "NOTHING (daemon.on_stop)",
    };
    for (when, what) in [
        ("the daemon is killed", "the broker, at once (last will)"),
        ("daemon or link hang", link.as_str()),
        ("the broker dies", dead.as_str()),
        ("the power is cut", power),
        ("the daemon is stopped", stop),
    ] {
        line!(page, "    {when:<28} {what}");
    }
}

fn broker(valve: &ActuatorSetup) -> String {
    if valve.off_timer > Span::ZERO {
        format!("the relay's own off-timer, within {} of the last open", seconds(valve.off_timer))
    } else {
        "nothing but your mechanical float valve: nothing of ours reaches the valve. A relay that \
         switches off by itself would (off_timer_secs, open_renew_secs)"
            .into()
    }
}

fn power(valve: &ActuatorSetup) -> String {
    match valve.fails {
        Fails::Closed if valve.kind == ValveKind::Pilot => {
            "the valve itself, as long as there is some pressure on it: it is piloted".into()
        }
        Fails::Closed => "the valve itself: it is closed without power".into(),
        Fails::Open => "NOTHING: the valve opens without power".into(),
        Fails::Stays => "NOTHING: the valve stays where it is".into(),
        Fails::Unknown => {
            "unknown, counted as NOTHING: `fails` is not declared. Pull its plug once while water \
             runs"
                .into()
        }
    }
}
