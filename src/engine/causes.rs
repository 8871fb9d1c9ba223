//! Cause and effect as data: which condition does what, and how long it takes at worst.
//!
//! The delays are computed from the same settings that the guard works with. Each row says what the
//! time consists of, so that a person can follow it.

use super::catalogue::{AlarmId, Consequence};
use super::setup::{SensorSetup, Setup};
use super::signal::interval::StaleRule;
use super::signal::median::guard_readings;
use super::time::Span;
use crate::settings::schema::{Point, Role};
use crate::units::Quantity;

/// From the last input to the command on the socket, on a machine that is not overloaded: the
/// driver's queue, the engine, the guard task. Generous; measured far below (tests/e2e).
pub const REACTION: Span = Span::from_millis(500);
/// How often a daemon says on the bus that it is there, so that two on one plant hear each other.
pub const HEARTBEAT: Span = Span::from_secs(2);
/// How often the wall clock is looked at, and after how long a record is on its way to the disk.
pub const LOOK: Span = Span::from_secs(1);
/// What mosquitto 2.0.11 needed beyond 1.5 keep-alives to fire a will over a hung link (measured).
pub const WILL_SLACK: Span = Span::from_secs(6);

/// What counts where several sensors can show one cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Vote {
    /// Any of them closes; what is missing is missing only when all of them are silent.
    Any,
    /// The first, in the order of `seen_by`, that is not silent.
    First,
    /// The daemon itself sees it.
    Itself,
}

impl Vote {
    /// In words, for so many sensors; empty where there is nothing to choose.
    pub const fn words(self, sensors: usize) -> &'static str {
        match self {
            Self::Any if sensors > 1 => " (any of them)",
            Self::First if sensors > 1 => " (the first that is not silent)",
            _ => "",
        }
    }
}

/// One row of the cause-and-effect table.
#[derive(Clone, Debug, PartialEq)]
pub struct CauseRow {
    /// The cause.
    pub alarm: AlarmId,
    /// What it does.
    pub consequence: Consequence,
    /// Ids of the actuators that are told to close.
    pub closes: Vec<String>,
    /// Sensors that can show it, by id; empty and not [`Vote::Itself`]: the cause cannot be seen on
    /// this plant.
    pub seen_by: Vec<String>,
    /// What counts where several can.
    pub vote: Vote,
    /// Longest time from the event to the command on the socket, once the sensor reports as declared;
    /// `None` when it depends on the water and not on time alone.
    pub worst: Option<Span>,
    /// What that time consists of.
    pub because: String,
}

/// Every cause that stops water on this plant.
pub fn rows(setup: &Setup) -> Vec<CauseRow> {
    let secs = Span::from_secs_f64;
    let limits = &setup.limits;
    let product: Vec<usize> = setup.solids_at(Point::Product).collect();
    let mut rows = Vec::new();
    // Pump first, valve later; a leak closes both at once.
    let pump = setup.actuators_of(Role::Pump).next().map(|_| secs(limits.guard.pump_lead_secs));
    let mut add =
        |alarm: AlarmId, vote: Vote, sensors: Vec<usize>, worst: Option<Span>, because: String| {
            let lead = pump.filter(|lead| *lead > Span::ZERO && alarm != AlarmId::Leak);
            // What no sensor shows is not seen at all, however short its delay would be.
            let (worst, because) = if sensors.is_empty() && vote != Vote::Itself {
                (None, "not possible: no sensor of this plant can show it".to_owned())
            } else if let (Some(worst), Some(lead)) = (worst, lead) {
                let because = format!("{because}; the valve {:.1} s after its pump", lead.secs());
                (Some(worst + lead), because)
            } else {
                (worst, because)
            };
            rows.push(CauseRow {
                alarm,
                consequence: alarm.row().consequence,
                closes: closes(setup, alarm),
                seen_by: sensors.iter().map(|sensor| setup.sensors[*sensor].id.clone()).collect(),
                vote,
                worst: worst.map(|time| time + REACTION),
                because,
            });
        };

    let leaks: Vec<usize> = setup
        .sensors
        .iter()
        .enumerate()
        .filter(|(_, sensor)| sensor.quantity == Quantity::Leak)
        .map(|(index, _)| index)
        .collect();
    add(
        AlarmId::Leak,
        Vote::Any,
        leaks,
        Some(Span::ZERO),
        "at the first live message; how soon the sensor sends it is the sensor's business".into(),
    );

    let interval = slowest(setup, &product);
    let fast = i64::from(limits.product.fast_readings.max(1));
    let median = product.iter().map(|&sensor| median_of(setup, sensor) as i64).max().unwrap_or(3);
    let readings = fast.max((median + 1) / 2);
    add(
        AlarmId::ProductTdsHigh,
        Vote::Any,
        product.clone(),
        Some(interval * readings),
        format!(
            "gross failure ({:.0} ppm and more): {readings} readings, each {:.0} s; smaller ones by dose: {:.2} ppm·L, at least {} readings and {:.0} s",
            limits.product.fast_ppm,
            interval.secs(),
            limits.product.dose_ppm_litres,
            limits.product.readings_min,
            limits.product.duration_min_secs
        ),
    );
    let stale = product
        .iter()
        .map(|&sensor| stale_flowing(&setup.sensors[sensor], setup))
        .max()
        .unwrap_or(Span::ZERO);
    // Where meters are, water flows when they say so.
    let meters: Vec<usize> = setup.meters().collect();
    let seen_flowing = slowest(setup, &meters);
    let then = match seen_flowing > Span::ZERO {
        true => format!("; an opening is seen by the meters within {:.0} s", seen_flowing.secs()),
        false => String::new(),
    };
    add(
        AlarmId::ProductProbeStale,
        Vote::Any,
        product.clone(),
        Some(stale.max(secs(limits.guard.stale_max_secs)) + seen_flowing),
        format!(
            "silent for {:.0} s while water flows, {:.0} s where the radio loses messages{then}",
            stale.secs(),
            limits.guard.stale_max_secs.max(stale.secs())
        ),
    );
    add(
        AlarmId::NotProven,
        Vote::Any,
        product.clone(),
        Some(secs(limits.guard.prove_in_secs) + seen_flowing),
        format!(
            "no reading within {:.0} s or {:.1} L after opening{then}",
            limits.guard.prove_in_secs, limits.guard.prove_in_litres
        ),
    );

    let vessels = !setup.vessels().is_empty();
    add(
        AlarmId::ProductProbeContradicted,
        Vote::First,
        product.into_iter().filter(|_| vessels).take(1).collect(),
        None,
        "has read zero beyond 1.3 times the latest possible exhaustion of the resin, and nobody \
         entered the handheld reading that was asked for"
            .into(),
    );

    let of = |quantity: Quantity, points: &[Point]| -> Vec<usize> {
        points
            .iter()
            .flat_map(|point| setup.sensors_of(*point, quantity).collect::<Vec<_>>())
            .collect()
    };
    let delayed = |sensors: &[usize], delay: f64| -> (Option<Span>, String) {
        let interval = slowest(setup, sensors);
        let median =
            sensors.iter().map(|&sensor| median_of(setup, sensor) as i64).max().unwrap_or(3);
        let readings = (median + 1) / 2;
        // The delay is looked at when a reading comes and at its own deadline.
        let time = interval * readings + secs(delay);
        (
            Some(time),
            format!(
                "median of {median}: {readings} readings each {:.0} s, then {delay:.0} s",
                interval.secs()
            ),
        )
    };

    let floats = of(Quantity::Full, &[Point::Store]);
    let (above, below): (Vec<usize>, Vec<usize>) =
        floats.iter().partition(|&&sensor| setup.sensors[sensor].overfull);
    let levels = of(Quantity::Level, &[Point::Store]);
    let mut over = above;
    over.extend(&levels);
    let (worst, because) = delayed(&over, limits.store.overfull_secs);
    add(AlarmId::StoreOverfull, Vote::Any, over, worst, because);
    let mut full = below;
    full.extend(&levels);
    let (worst, because) = delayed(&full, limits.store.full_secs);
    add(AlarmId::StoreFull, Vote::Any, full, worst, because);
    add(
        AlarmId::RunLitresHigh,
        Vote::First,
        setup.meters().collect(),
        None,
        format!("{:.0} % of the room in the container", limits.store.run_factor * 100.0),
    );
    let pressures = of(Quantity::Pressure, &[Point::Feed, Point::Supply]);
    let (worst, because) = delayed(&pressures, limits.pressure.high_hold_secs);
    add(AlarmId::FeedPressureHighHigh, Vote::First, pressures, worst, because);
    if setup.actuators_of(Role::Pump).next().is_some() {
        let suction = of(Quantity::Pressure, &[Point::Supply]);
        let (worst, because) = delayed(&suction, limits.pressure.suction_low_secs);
        add(AlarmId::SuctionLow, Vote::First, suction, worst, because);
    }
    let temperatures = of(Quantity::Temperature, &[Point::Feed, Point::Supply]);
    let (worst, because) = delayed(&temperatures, limits.temperature.hot_secs);
    add(AlarmId::FeedHot, Vote::First, temperatures, worst, because);
    let wait = limits.leak_by.wait_secs + 2.0 * limits.leak_by.window_secs;
    add(
        AlarmId::ValveLeaksBy,
        Vote::First,
        setup.meters().collect(),
        Some(secs(wait + limits.leak_by.window_secs)),
        format!(
            "{:.0} s to decompress, then two windows of {:.0} s; the window that is under way may be lost",
            limits.leak_by.wait_secs, limits.leak_by.window_secs
        ),
    );
    add(
        AlarmId::BrokerLost,
        Vote::Itself,
        Vec::new(),
        None,
        format!(
            "nothing of ours reaches a valve without a broker; after {:.0} s the permit is withheld and the close is waiting for the connection",
            limits.guard.broker_lost_secs
        ),
    );
    let mut own = |alarm: AlarmId, worst: Option<Span>, because: &str| {
        add(alarm, Vote::Itself, Vec::new(), worst, because.to_owned());
    };
    own(AlarmId::ClockNotSane, Some(LOOK), "the clock is looked at every second");
    own(
        AlarmId::HistoryUnwritable,
        Some(LOOK),
        "at the first record that the disk refuses; each is on its way within a second",
    );
    own(
        AlarmId::SecondInstance,
        Some(HEARTBEAT),
        "at the first word of another daemon; each says every 2 s that it is there",
    );
    own(
        AlarmId::StateLost,
        None,
        "at the start, before anything can open: each valve is told to close when the broker is reached",
    );
    rows
}

/// What clears an alarm, with this plant's own numbers.
pub fn clears(setup: &Setup, alarm: AlarmId) -> String {
    let limits = &setup.limits;
    let good = |secs: f64| {
        if secs >= 120.0 { format!("{:.0} min", secs / 60.0) } else { format!("{secs:.0} s") }
    };
    let back = good(limits.guard.hold_return_secs);
    match alarm {
        AlarmId::Leak => {
            format!("The floor sensor dry for {} and a reset.", good(limits.floor.dry_secs))
        }
        AlarmId::FeedHot => format!(
            "Feed below {:.0} °C at a flush started by hand, and a reset.",
            limits.temperature.reset_below_c
        ),
        AlarmId::ProductTdsHigh => {
            let test = format!(
                "A test run to the drain (at most {:.0} L) that ends with {:.1} L below {:.1} ppm, and a reset.",
                limits.guard.test_run_litres, limits.product.clear_litres, limits.product.limit_ppm
            );
            let most = limits.product.gas_accept_max_ppm;
            if most > 0.0 {
                format!(
                    "{test} A steady level of gas up to {most} ppm that a person has accepted (`accept-gas`) counts as zero there."
                )
            } else {
                test
            }
        }
        AlarmId::ProductProbeStale | AlarmId::NotProven => format!("The probe good for {back}."),
        AlarmId::BrokerLost => format!("The connection back for {back}."),
        AlarmId::SuctionLow => {
            format!("Suction above {:.1} bar for {back}.", limits.pressure.suction_low_bar)
        }
        AlarmId::FeedPressureHighHigh => format!(
            "Pressure below {:.1} bar for {back}.",
            limits.pressure.high_hold_bar - limits.pressure.deadband_bar
        ),
        other => other.row().clears.to_owned(),
    }
}

/// Longest time until the broker fires the will when the link hangs.
pub fn hung_link(setup: &Setup) -> Span {
    Span::from_millis(setup.guard_keep_alive.millis() * 3 / 2) + WILL_SLACK
}

/// Longest time from spoiled product to the close command.
pub fn product_delay(setup: &Setup) -> Option<Span> {
    rows(setup).into_iter().find(|row| row.alarm == AlarmId::ProductTdsHigh)?.worst
}

fn closes(setup: &Setup, alarm: AlarmId) -> Vec<String> {
    setup
        .actuators
        .iter()
        .filter(|actuator| match actuator.role {
            Role::SupplyValve | Role::Pump | Role::ProductDivert | Role::Divert => true,
            Role::Custom => actuator.causes.iter().any(|cause| cause == alarm.name()),
        })
        .map(|actuator| actuator.id.clone())
        .collect()
}

fn slowest(setup: &Setup, sensors: &[usize]) -> Span {
    sensors.iter().map(|&sensor| setup.sensors[sensor].interval).max().unwrap_or(Span::ZERO)
}

fn median_of(setup: &Setup, sensor: usize) -> usize {
    let sensor = &setup.sensors[sensor];
    if sensor.quantity.is_state() {
        return 1;
    }
    guard_readings(setup.limits.guard.median_readings, sensor.interval)
}

fn stale_flowing(sensor: &SensorSetup, setup: &Setup) -> Span {
    StaleRule::of(sensor, &setup.limits.guard, true).after(sensor.interval)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn setup(text: &str) -> Setup {
        let settings = crate::settings::load::from_str("site.toml", text).expect("in order");
        let (id, plant) = settings.plants.first_key_value().expect("one plant");
        Setup::resolve(id, plant, settings.daemon.on_stop, 5)
    }

    #[test]
    fn a_cause_that_no_sensor_shows_has_no_delay() {
        let setup = setup(include_str!("../../config/example.toml"));
        let blind = |row: &&CauseRow| row.seen_by.is_empty() && row.vote != Vote::Itself;
        for row in rows(&setup).iter().filter(blind) {
            assert_eq!(row.worst, None, "{:?}", row.alarm);
        }
        assert!(product_delay(&setup).is_some());
    }

    /// A cause that stops water and is missing from the table would never be exercised.
    #[test]
    fn everything_that_stops_water_has_a_row() {
        use crate::engine::catalogue::ALARMS;
        let setup = setup(include_str!("../../config/full.toml"));
        let rows = rows(&setup);
        for alarm in ALARMS.iter().filter(|row| row.consequence != Consequence::Tell) {
            let found = rows.iter().filter(|row| row.alarm == alarm.id).count();
            assert_eq!(found, 1, "{}", alarm.name);
        }
        assert_eq!(
            rows.len(),
            ALARMS.iter().filter(|r| r.consequence != Consequence::Tell).count()
        );
    }

    #[test]
    fn a_pump_delays_its_valve_but_not_for_a_leak() {
        let full = include_str!("../../config/full.toml");
        let at_once = format!("{full}\n[plants.reef.limits.guard]\npump_lead_secs = 0\n");
        for (with, without) in rows(&setup(full)).iter().zip(rows(&setup(&at_once))) {
            let lead = with.worst.zip(without.worst).map(|(with, without)| with - without);
            let wanted = if with.alarm == AlarmId::Leak { 0 } else { 1 };
            assert!(lead.is_none_or(|lead| lead == Span::from_secs(wanted)), "{:?}", with.alarm);
        }
    }

    #[test]
    fn what_clears_has_the_plants_own_numbers() {
        let text = include_str!("../../config/example.toml");
        assert!(!clears(&setup(text), AlarmId::ProductTdsHigh).contains("accept"));
        let gas = "[plants.home.limits.product]\ngas_accept_max_ppm = 1.5\n";
        let allowed = setup(&format!("{text}{gas}"));
        assert!(clears(&allowed, AlarmId::ProductTdsHigh).contains("up to 1.5 ppm"));
        let more = "[plants.home.limits.temperature]\nreset_below_c = 27\n\
                    [plants.home.limits.floor]\ndry_secs = 1800\n";
        let setup = setup(&format!("{text}{more}"));
        assert!(clears(&setup, AlarmId::FeedHot).contains("below 27 °C"));
        assert!(clears(&setup, AlarmId::Leak).contains("dry for 30 min"));
    }
}
