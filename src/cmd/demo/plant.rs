//! The plant of the demonstration: a fast one, so that a start fits into a minute.

use crate::demo::parameters::PlantParameters;
use crate::demo::probes::{Measures, ProbeParameters, full_places};
use crate::demo::publisher::Options;
use rumqttc::QoS;
use std::net::SocketAddr;

/// Plant time that passes before the demonstration begins, s: a night, so that there is creep.
pub(super) const NIGHT_SECS: f64 = 8.0 * 3600.0;
/// Off-timer of the valve's relay, plant time in s.
pub(super) const OFF_TIMER_SECS: f64 = 180.0;

/// Up to this speed the plant has its full size.
const FULL_SIZE_SPEED: f64 = 20.0;

/// The plant with middling probes: 1-ppm steps, noise, a few bubbles.
pub(super) fn options(broker: SocketAddr, speed: f64, seed: u64) -> Options {
    let mut plant = PlantParameters::default();
    // The faster the plant lives, the smaller it is, so that by the clock its flow stays one that a
    // home plant can have: the daemon sets flows aside that none has.
    let size = (FULL_SIZE_SPEED / speed).min(1.0);
    plant.membrane.area_m2 = 0.68 * size;
    plant.membrane.restrictor_litres_per_min = 0.34 * size;
    plant.membrane.washout_fast_litres = 0.14;
    plant.membrane.washout_slow_litres = 0.48;
    plant.membrane.washout_slow_share = 0.03;
    plant.membrane.warming_litres = 0.5;
    plant.room_c = 17.0;
    plant.membrane.vessels_resistance = 0.2;
    plant.filter.resistance = 0.04;
    // Nobody draws during the demonstration; the container has room for an hour of product.
    plant.store.topoff_litres_per_day = 0.0;
    plant.store.change_days = 0.0;
    plant.store.start_litres = 40.0;
    let probes = full_places(&plant)
        .into_iter()
        .map(|(measures, place)| {
            let mut probe = ProbeParameters::perfect(measures, place, 5.0);
            probe.interval_max_secs = 8.0;
            match measures {
                Measures::Tds => {
                    probe.gain = 1.02;
                    probe.noise = 0.15;
                    probe.step = 1.0;
                    probe.lag_secs = 2.0;
                    probe.bubbles_secs = 6.0;
                }
                Measures::Temperature => probe.step = 0.1,
                Measures::Pressure => probe.step = 0.01,
                Measures::Flow => probe.noise = 0.002,
                Measures::Level => {
                    probe.noise = 0.1;
                    probe.step = 0.1;
                }
                Measures::Full | Measures::Leak | Measures::Open => {
                    probe.interval_min_secs = 60.0;
                    probe.interval_max_secs = 60.0;
                }
                Measures::Pulses | Measures::Power => {}
            }
            probe
        })
        .collect();
    Options {
        broker,
        id: "virtual-plant".into(),
        plant,
        probes,
        seed,
        speed,
        stand_secs: NIGHT_SECS,
        off_timer_secs: OFF_TIMER_SECS,
        qos: QoS::AtMostOnce,
        truth: None,
        log: None,
    }
}
