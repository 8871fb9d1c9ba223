//! The settings of the demonstration's daemon, written as a user would write them.
//!
//! The daemon lives by the clock, the virtual plant at a multiple of it. So every delay among the
//! limits is divided by the speed, but never below what its key allows; nothing else is changed.

use crate::demo::probes::{Measures, ProbeParameters, Rounds};
use crate::demo::publisher::Options;
use crate::settings::model::{self, Holds, Section};
use crate::settings::schema::Limits;
use serde_json::Value;
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;

/// Id of the demonstration's plant.
pub(super) const PLANT: &str = "demo";
/// Id of the demonstration's daemon.
pub(super) const DAEMON: &str = "permeated-demo";

/// Renewals of `open` within the relay's off-timer.
const RENEWALS: f64 = 3.0;

/// The settings as TOML.
pub(super) fn write(options: &Options, state: &Path, page: SocketAddr) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = write_to(&mut text, options, state, page);
    text
}

fn write_to(
    out: &mut String,
    options: &Options,
    state: &Path,
    page: SocketAddr,
) -> std::fmt::Result {
    let speed = options.speed;
    let plant = &options.plant;
    writeln!(
        out,
        "# Written by `permeated demo`. The plant lives {speed} times as fast as the clock,"
    )?;
    writeln!(
        out,
        "# so delays are the defaults divided by {speed}, or the least that their key allows."
    )?;
    writeln!(out)?;
    writeln!(out, "[daemon]\nid = {DAEMON:?}\nstate_dir = {state:?}\nzone = \"UTC\"\n")?;
    let (host, port) = (options.broker.ip(), options.broker.port());
    writeln!(out, "[broker]\nhost = \"{host}\"\nport = {port}")?;
    // Messages come `speed` times as often.
    writeln!(out, "sensor_rate_per_sec = {:.1}\nsensor_burst = 200\n", (5.0 * speed).min(1000.0))?;
    writeln!(out, "[web]\nlisten = \"{page}\"\n")?;
    writeln!(out, "[plants.{PLANT}]\nname = \"Virtual plant\"\n")?;
    for probe in &options.probes {
        sensor(out, options, probe)?;
    }
    writeln!(out, "[plants.{PLANT}.actuators.supply-valve]\nrole = \"supply-valve\"")?;
    writeln!(out, "topic = {:?}\nclose = \"OFF\"\nopen = \"ON\"", options.valve_topic())?;
    writeln!(out, "fails = \"closed\"\nkind = \"direct\"\nstate_sensor = \"supply-open\"")?;
    let timer = options.off_timer_secs / speed;
    if timer > 0.0 {
        let renew = timer / RENEWALS;
        writeln!(
            out,
            "off_timer_secs = {timer:.3}\nopen_renew_secs = {:.3}",
            (renew - 0.001).max(0.0)
        )?;
    }
    writeln!(out)?;
    if plant.pump_bar > 0.0 {
        writeln!(out, "[plants.{PLANT}.actuators.pump]\nrole = \"pump\"")?;
        writeln!(
            out,
            "topic = {:?}\nclose = \"OFF\"\nopen = \"ON\"\nfails = \"closed\"\n",
            options.pump_topic()
        )?;
    }
    parts(out, options)?;
    let store = &plant.store;
    writeln!(out, "[plants.{PLANT}.demand]\nmode = \"level\"")?;
    writeln!(out, "start_below_litres = {:.1}", store.start_below_litres)?;
    writeln!(out, "stop_at_litres = {:.1}\n", store.stop_at_litres)?;
    writeln!(out, "[plants.{PLANT}.store]\nlitres = {:.1}\n", store.full_litres)?;
    limits(out, speed)
}

fn sensor(out: &mut String, options: &Options, probe: &ProbeParameters) -> std::fmt::Result {
    writeln!(out, "[plants.{PLANT}.sensors.{}]", probe.id)?;
    writeln!(out, "topic = {:?}", options.probe_topic(probe))?;
    writeln!(out, "quantity = {:?}\npoint = {:?}", probe.measures.word(), probe.place.word())?;
    let unit = match probe.measures {
        Measures::Tds => "ppm",
        Measures::Temperature => "C",
        Measures::Pressure => "bar",
        Measures::Flow => "L/min",
        Measures::Level => "L",
        Measures::Power => "W",
        Measures::Pulses | Measures::Full | Measures::Leak | Measures::Open => "",
    };
    if !probe.measures.is_state() {
        writeln!(out, "pointer = \"/value\"")?;
    }
    if !unit.is_empty() {
        writeln!(out, "unit = {unit:?}")?;
    }
    if probe.measures == Measures::Pulses {
        writeln!(out, "litres_per_pulse = {}", probe.litres_per_pulse)?;
        if probe.wraps_at > 0 {
            writeln!(out, "wraps_at = {}.0", probe.wraps_at)?;
        }
    } else if probe.step > 0.0 {
        let rounding = match probe.rounds {
            Rounds::Nearest => "nearest",
            Rounds::Down => "down",
        };
        writeln!(out, "step = {:?}\nrounding = {rounding:?}", probe.step)?;
    }
    let interval = (probe.interval_min_secs + probe.interval_max_secs) / 2.0 / options.speed;
    writeln!(out, "interval_secs = {:.3}\n", interval.clamp(0.1, 3600.0))
}

fn parts(out: &mut String, options: &Options) -> std::fmt::Result {
    let plant = &options.plant;
    for kind in ["sediment", "carbon"] {
        writeln!(out, "[plants.{PLANT}.parts.{kind}]\nkind = {kind:?}\n")?;
    }
    writeln!(out, "[plants.{PLANT}.parts.membrane]\nkind = \"membrane\"")?;
    writeln!(out, "area_m2 = {:?}\n", plant.membrane.area_m2)?;
    for (place, (vessel, id)) in plant.vessels.iter().zip(["lead", "lag"]).enumerate() {
        writeln!(out, "[plants.{PLANT}.parts.{id}]\nkind = \"mixed\"\nposition = {}", place + 1)?;
        writeln!(out, "bed_litres = {:?}", vessel.bed_litres)?;
        writeln!(out, "capacity_eq_per_litre = {:?}\n", vessel.rated_eq_per_litre)?;
    }
    Ok(())
}

/// Every delay among the limits, divided by the speed.
fn limits(out: &mut String, speed: f64) -> std::fmt::Result {
    if speed == 1.0 {
        return Ok(());
    }
    let Some(keys) = model::section_at(&["plants", "x", "limits"]) else { return Ok(()) };
    let defaults = serde_json::to_value(Limits::default()).unwrap_or_default();
    for key in &keys.keys {
        if let (Holds::Section(section), Some(values)) = (&key.holds, defaults.get(&key.name)) {
            group(out, &key.name, section, values, speed)?;
        }
    }
    Ok(())
}

/// Delays that belong to the bus and to people, not to water: they stay as they are.
const BY_THE_CLOCK: &[&str] = &[
    "permit_valid_secs",
    "permit_renew_secs",
    "broker_lost_secs",
    "confirm_secs",
    "barrier_secs",
    "battery_max_secs",
    "delay_wanted_secs",
];

fn group(
    out: &mut String,
    name: &str,
    section: &Section,
    values: &Value,
    speed: f64,
) -> std::fmt::Result {
    let mut is_first = true;
    for key in &section.keys {
        let Some(value) = values.get(&key.name).and_then(Value::as_f64) else { continue };
        let is_delay = key.name.ends_with("_secs") && !BY_THE_CLOCK.contains(&key.name.as_str());
        if !is_delay {
            continue;
        }
        let least = least(&key.name).max(key.min.unwrap_or(0.0));
        let scaled = (value / speed).max(least).min(value);
        if is_first {
            writeln!(out, "[plants.{PLANT}.limits.{name}]")?;
            is_first = false;
        }
        writeln!(out, "{} = {:?}", key.name, (scaled * 1000.0).round() / 1000.0)?;
    }
    if is_first { Ok(()) } else { writeln!(out) }
}

/// A machine with other work may be late by a second: silence is not judged faster than this.
fn least(key: &str) -> f64 {
    match key {
        "stale_min_secs" => 3.0,
        "stale_max_secs" => 6.0,
        "prove_in_secs" => 6.0,
        _ => 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cmd::demo::plant;
    use crate::settings::load::load_str;

    fn options(speed: f64) -> Options {
        plant::options("127.0.0.1:1883".parse().expect("an address"), speed, 7)
    }

    #[test]
    fn the_settings_are_accepted_at_every_speed() {
        for speed in [1.0, 5.0, 20.0, 60.0] {
            let page = "127.0.0.1:8479".parse().expect("an address");
            let text = write(&options(speed), Path::new("/tmp/state"), page);
            let loaded = load_str("demo.toml", &text)
                .unwrap_or_else(|problems| panic!("speed {speed}: {problems}\n{text}"));
            let plant = &loaded.settings.plants[PLANT];
            let secs = plant.limits.product.duration_min_secs;
            assert!((secs - 15.0 / speed).abs() < 0.01, "{secs}");
            assert_eq!(plant.sensors.len(), options(speed).probes.len());
        }
    }

    #[test]
    fn at_the_speed_of_the_clock_no_limit_is_touched() {
        let page = "127.0.0.1:8479".parse().expect("an address");
        let text = write(&options(1.0), Path::new("/tmp/state"), page);
        let loaded = load_str("demo.toml", &text).expect("good");
        assert_eq!(loaded.settings.plants[PLANT].limits, Limits::default());
    }
}
