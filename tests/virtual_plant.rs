//! The virtual plant is honest: water and salt balance, the analytic formulas hold, and the same
//! seed gives the same bytes. These tests know nothing of the engine.

use permeated::demo::faults::Fault;
use permeated::demo::membrane::{Flows, Membrane};
use permeated::demo::parameters::PlantParameters;
use permeated::demo::plant::VirtualPlant;
use permeated::demo::probes::{
    Broken, Measures, Place, ProbeParameters, Probes, full_places, random_probes,
};
use permeated::demo::truth::Truth;
use permeated::demo::vessel::{Load, Vessel};
use permeated::demo::water;

fn near(what: &str, is: f64, should: f64, tolerance: f64) {
    assert!((is - should).abs() <= tolerance, "{what}: {is} against {should} within {tolerance}");
}

/// Keeps the container between its marks for some days, in steps of `dt`.
fn live(plant: &mut VirtualPlant, days: f64, dt: f64, mut look: impl FnMut(&mut VirtualPlant)) {
    let until = plant.truth().at_secs + days * 86_400.0;
    while plant.truth().at_secs < until {
        let wanted = plant.wants_water(plant.controls.valve_open);
        plant.controls.valve_open = wanted;
        plant.controls.pump_on = wanted;
        plant.step(dt);
        look(plant);
    }
}

/// Makes water for two hours whatever the container holds: a random plant that draws little would
/// else not run within the days that are looked at.
fn make(plant: &mut VirtualPlant, dt: f64) {
    let until = plant.truth().at_secs + 7200.0;
    while plant.truth().at_secs < until {
        plant.controls.valve_open = true;
        plant.controls.pump_on = true;
        plant.step(dt);
    }
}

#[test]
fn water_balances_over_twenty_random_plants() {
    for seed in 0..20 {
        let mut plant = VirtualPlant::new(PlantParameters::random(seed), seed);
        let start_litres = plant.truth().store_litres;
        let elastic = plant.elastic_litres();
        if seed % 4 == 0 {
            plant.controls.leak = 0.1;
        }
        if seed % 5 == 0 {
            plant.controls.leak_by = 0.03;
        }
        make(&mut plant, 7.0);
        live(&mut plant, 10.0, 7.0, |_| {});
        let t = &plant.truth().totals;
        assert!(t.permeate_litres > 1.0, "seed {seed}: the plant made {} L", t.permeate_litres);
        let tolerance = 1e-9 * t.supply_litres.max(1.0);
        near(
            "supply = membrane + floor + housings",
            t.supply_litres,
            t.feed_litres + t.leaked_litres + plant.elastic_litres() - elastic,
            tolerance * 10.0,
        );
        near(
            "feed = permeate + concentrate",
            t.feed_litres,
            t.permeate_litres + t.concentrate_litres,
            tolerance,
        );
        near("permeate = product", t.permeate_litres, t.product_litres, tolerance);
        let store = plant.store();
        near(
            "container",
            store.litres(),
            start_litres + t.store_litres - store.drawn_litres - store.spilled_litres,
            tolerance,
        );
    }
}

#[test]
fn salt_balances_over_twenty_random_plants() {
    for seed in 0..20 {
        let mut plant = VirtualPlant::new(PlantParameters::random(seed), seed);
        let held = plant.held_mg();
        make(&mut plant, 7.0);
        live(&mut plant, 10.0, 7.0, |_| {});
        let truth = plant.truth();
        let t = &truth.totals;
        near(
            "supply salt = permeate + concentrate + held",
            t.supply_mg,
            t.permeate_mg + t.concentrate_mg + plant.held_mg() - held,
            1e-6 * t.supply_mg,
        );
        near("feed salt", t.feed_mg, t.supply_mg, 0.05 * t.supply_mg + 5_000.0);
        let taken: f64 = truth.vessels.iter().map(|vessel| vessel.taken_salt_mg).sum();
        near("vessels", taken, t.vessels_in_mg - t.product_mg, 1e-7 * t.vessels_in_mg);
    }
}

#[test]
fn salt_balances_with_a_leaking_valve_a_burst_tube_and_a_throttling_float() {
    let mut parameters = PlantParameters::default();
    parameters.store.throttle_litres = 5.0;
    parameters.store.stop_at_litres = 79.5;
    let mut plant = VirtualPlant::new(parameters, 3);
    plant.controls.leak = 0.2;
    plant.controls.leak_by = 0.05;
    let held = plant.held_mg();
    live(&mut plant, 5.0, 11.0, |_| {});
    let t = &plant.truth().totals;
    near(
        "supply salt",
        t.supply_mg,
        t.permeate_mg + t.concentrate_mg + t.leaked_mg + plant.held_mg() - held,
        1e-6 * t.supply_mg,
    );
}

#[test]
fn standing_follows_the_closed_formula() {
    // EQ 4.1: Ceq = (Vf C_side + Vp Css)/(Vf + Vp), tau' = tau/(1 + Vp/Vf).
    let mut p = PlantParameters::default().membrane;
    p.standing_reach = 1.0;
    let volume = (1.0 - p.washout_slow_share) * p.washout_fast_litres
        + p.washout_slow_share * p.washout_slow_litres;
    let mut membrane = Membrane::new(p.clone(), 300.0);
    let flows = Flows { permeate: 0.15, concentrate: 0.45, driving_bar: 3.5 };
    for _ in 0..3_600 {
        membrane.flow(10.0, 300.0, flows, 25.0);
    }
    let (side, settled) = (membrane.feed_side_ppm(), membrane.base_ppm());
    let equal = (p.feed_side_litres * side + volume * settled) / (p.feed_side_litres + volume);
    let tau = p.standing_tau_secs / (1.0 + volume / p.feed_side_litres);
    for secs in [1.0, 60.0, 600.0, 3_600.0, 28_800.0, 864_000.0] {
        let mut stood = membrane.clone();
        stood.stand(secs);
        let formula = equal - (equal - settled) * (-secs / tau).exp();
        near("standing", settled + stood.excess_ppm(), formula, 1e-6);
        // Cutting time finely changes nothing.
        let mut cut = membrane.clone();
        for _ in 0..50 {
            cut.stand(secs / 50.0);
        }
        near("cut", cut.excess_ppm(), stood.excess_ppm(), 1e-6);
    }
}

#[test]
fn wash_out_follows_two_exponentials_in_volume() {
    // EQ 4.2: C(V) = Css + A1 exp(-V/V1) + A2 exp(-V/V2).
    // An endless feed side, so that the base stands still while the reservoirs wash out.
    let mut p = PlantParameters::default().membrane;
    p.feed_side_litres = 1e9;
    let mut membrane = Membrane::new(p.clone(), 300.0);
    for _ in 0..3_600 {
        let flows = Flows { permeate: 0.15, concentrate: 0.45, driving_bar: 3.5 };
        membrane.flow(10.0, 300.0, flows, 25.0);
    }
    membrane.stand(30_000.0);
    let first = membrane.excess_ppm();
    let (a1, a2) = ((1.0 - p.washout_slow_share) * first, p.washout_slow_share * first);
    let salt = a1 * p.washout_fast_litres + a2 * p.washout_slow_litres;
    let mut out = 0.0;
    for step in 1..=400 {
        // The time of a step changes; the curve in volume does not.
        let secs = if step % 2 == 0 { 4.0 } else { 8.0 };
        let flows = Flows { permeate: 0.15, concentrate: 0.45, driving_bar: 3.5 };
        out += membrane.flow(secs, 300.0, flows, 25.0).excess_mg;
        let litres = 0.015 * f64::from(step) + if step % 2 == 0 { 0.0 } else { 0.005 };
        let formula = a1 * (-litres / p.washout_fast_litres).exp()
            + a2 * (-litres / p.washout_slow_litres).exp();
        near("wash-out", membrane.excess_ppm(), formula, 1e-6 * first);
    }
    // All of the salt comes out, but for what the slow term still holds after 6 L.
    near("salt", out, salt, 2e-2 * salt);
}

#[test]
fn the_settled_membrane_obeys_the_steady_equations() {
    // EQ 2.2 (log mean), 2.5 (B = J SP/(1-SP), system passage): an independent way round.
    let mut plant = VirtualPlant::new(PlantParameters::default(), 1);
    plant.controls.valve_open = true;
    plant.controls.product_to_drain = true;
    plant.step(3.0 * 3600.0);
    let p = plant.parameters().membrane.clone();
    let worn = plant.truth().membrane_salt;
    let t = plant.truth().clone();
    let y = t.permeate_flow / t.feed_flow;
    let mean = t.feed_tds * (1.0 / (1.0 - y)).ln() / y;
    let flux = t.permeate_flow * 60.0 / p.area_m2;
    let salt = t.permeate_tds - t.permeate_gas_tds;
    let passage = salt / mean;
    let b = p.salt_lmh
        * worn
        * (p.salt_arrhenius_k * (1.0 / 298.15 - 1.0 / (t.feed_celsius + 273.15))).exp();
    near("B", flux * passage / (1.0 - passage), b, 2e-3 * b);
    let flux_again =
        p.water_lmh_per_bar * t.membrane_water * t.driving_bar * water::flow_factor(t.feed_celsius);
    near("A", flux, flux_again, 1e-3 * flux);
    let closure =
        t.feed_flow * t.feed_tds - t.permeate_flow * salt - t.concentrate_flow * t.concentrate_tds;
    near("salt closure", closure / (t.feed_flow * t.feed_tds), 0.0, 2e-3);
    assert!((0.15..0.6).contains(&y), "recovery {y}");
    assert!((0.9..0.995).contains(&t.rejection), "rejection {}", t.rejection);
}

#[test]
fn a_vessel_takes_up_its_capacity_and_breaks_through_as_a_logistic() {
    // EQ 5.5: C/C0 = 1/(1 + exp((V50 - V)/w)).
    let mut p = PlantParameters::default().vessels[0].clone();
    p.used_share = 0.0;
    let mut vessel = Vessel::new(p.clone(), 114.0);
    let meq_per_litre = 8.0 * 2.0 / 114.0 + 0.14;
    let middle = p.bed_litres * p.rated_eq_per_litre / meq_per_litre * 1000.0;
    let width = middle * p.width_share;
    let inlet = Load { salt_ppm: 8.0, carbon_dioxide_mmol: 0.14 };
    let mut litres = 0.0;
    while litres < 1.6 * middle {
        let (out, _) = vessel.pass(0.25, inlet);
        let formula = 1.0 / (1.0 + ((middle - litres) / width).exp());
        near("breakthrough", out.salt_ppm / 8.0, formula, 1e-6);
        litres += 0.25;
    }
    let truth = vessel.truth();
    let salt_share = 8.0 * 2.0 / 114.0 / meq_per_litre;
    let whole = p.bed_litres * p.rated_eq_per_litre;
    let expected = whole * (salt_share + (1.0 - salt_share) * p.carbon_dioxide_share);
    near("capacity", truth.taken_eq, expected, 2e-3 * whole);
}

#[test]
fn same_seed_same_bytes_and_another_seed_others() {
    let record = |seed: u64| {
        let parameters = PlantParameters::random(11);
        let mut probes = Probes::new(random_probes(11, &parameters), seed);
        let mut plant = VirtualPlant::new(parameters, seed);
        let mut bytes = Vec::new();
        live(&mut plant, 1.0, 5.0, |plant| {
            for message in probes.look(plant.truth()) {
                serde_json::to_writer(&mut bytes, &message).expect("to memory");
            }
        });
        serde_json::to_writer(&mut bytes, plant.truth()).expect("to memory");
        bytes
    };
    let first = record(1);
    assert!(first.len() > 100_000);
    assert_eq!(first, record(1));
    assert_ne!(first, record(2));
}

#[test]
fn a_night_brings_creep_and_short_stops_bring_less() {
    let mut parameters = PlantParameters::default();
    parameters.store.topoff_litres_per_day = 0.0;
    parameters.store.change_days = 0.0;
    let mut plant = VirtualPlant::new(parameters, 5);
    let mut run = |idle: f64| {
        plant.controls.product_to_drain = true;
        plant.step(idle);
        plant.controls.valve_open = true;
        plant.step(3.0 * 3600.0);
        plant.controls.valve_open = false;
        plant.step(60.0);
        plant.take_starts().pop().expect("a start ended")
    };
    run(600.0);
    let short = run(120.0);
    let night = run(8.0 * 3600.0);
    let long = run(16.0 * 3600.0);
    assert!(night.peak_ppm > 80.0 && night.settled_ppm < 15.0, "{night:?}");
    assert!(short.extra_salt_mg < 0.25 * night.extra_salt_mg, "{short:?} {night:?}");
    // Beyond a few time constants more standing adds nothing (EQ 4.3).
    near("long", long.extra_salt_mg, night.extra_salt_mg, 0.03 * night.extra_salt_mg);
    let settle = night.settle_litres.expect("three hours are enough");
    assert!((0.3..8.0).contains(&settle), "{settle}");
    assert!(run(8.0 * 3600.0).settle_litres.is_some());
}

#[test]
fn a_start_cut_short_never_settles() {
    let mut plant = VirtualPlant::new(PlantParameters::default(), 5);
    plant.step(8.0 * 3600.0);
    plant.controls.valve_open = true;
    plant.step(90.0);
    plant.controls.valve_open = false;
    plant.step(120.0);
    let start = plant.take_starts().pop().expect("it ended");
    assert_eq!(start.settle_litres, None, "{start:?}");
    assert!(start.left_ppm > 5.0);
}

#[test]
fn cold_water_and_weak_mains_slow_the_plant_and_worsen_its_water() {
    let settle = |change: &dyn Fn(&mut VirtualPlant)| -> Truth {
        let mut plant = VirtualPlant::new(PlantParameters::default(), 2);
        change(&mut plant);
        plant.controls.valve_open = true;
        plant.controls.product_to_drain = true;
        plant.step(2.0 * 3600.0);
        plant.truth().clone()
    };
    let well = settle(&|_| {});
    let cold = settle(&|plant| plant.controls.tap_heat_k = -8.0);
    let weak = settle(&|plant| plant.controls.pressure_share = 0.6);
    assert!(cold.permeate_flow < 0.85 * well.permeate_flow);
    assert!(weak.permeate_flow < 0.65 * well.permeate_flow);
    assert!(weak.settled_ppm > 1.2 * well.settled_ppm);
}

#[test]
fn the_closed_plant_comes_to_rest_and_a_leaking_valve_does_not() {
    let mut plant = VirtualPlant::new(PlantParameters::default(), 2);
    plant.controls.valve_open = true;
    plant.step(600.0);
    plant.controls.valve_open = false;
    plant.step(300.0);
    let still = plant.truth().totals;
    plant.step(3_600.0);
    assert_eq!(plant.truth().totals.supply_litres, still.supply_litres);
    assert_eq!(plant.truth().feed_flow, 0.0);
    plant.controls.leak_by = 0.05;
    plant.step(600.0);
    let passed = plant.truth().totals.supply_litres - still.supply_litres;
    assert!((0.3..0.6).contains(&passed), "{passed}");
}

#[test]
fn every_fault_changes_the_truth_or_a_probe_and_can_be_mended() {
    let observe = |fault: Option<(Fault, bool)>| {
        let parameters = PlantParameters::default();
        let set = full_places(&parameters)
            .into_iter()
            .map(|(measures, place)| ProbeParameters::perfect(measures, place, 10.0))
            .collect();
        let mut probes = Probes::new(set, 4);
        let mut plant = VirtualPlant::new(parameters, 4);
        plant.controls.valve_open = true;
        let mut seen = Vec::new();
        let mut watch = |plant: &mut VirtualPlant, probes: &mut Probes, secs: f64| {
            let until = plant.truth().at_secs + secs;
            while plant.truth().at_secs < until {
                plant.step(5.0);
                seen.extend(probes.look(plant.truth()).into_iter().map(|m| (m.probe, m.value)));
            }
        };
        watch(&mut plant, &mut probes, 1_800.0);
        if let Some((fault, mend)) = fault {
            fault.apply(&mut plant, &mut probes);
            if mend {
                fault.mend(&mut plant, &mut probes);
            }
        }
        watch(&mut plant, &mut probes, 1_800.0);
        plant.controls.valve_open = false;
        watch(&mut plant, &mut probes, 1_800.0);
        plant.draw(-0.0);
        // Fill to the brim, so that the float has something to say.
        plant.controls.valve_open = true;
        watch(&mut plant, &mut probes, 40_000.0);
        seen
    };
    let well = observe(None);
    for &fault in Fault::ALL {
        assert_ne!(observe(Some((fault, false))), well, "{} shows nowhere", fault.name());
        assert_eq!(Fault::by_name(fault.name()), Some(fault));
    }
    let reversible = [
        Fault::SpoiledProduct,
        Fault::TubesSwapped,
        Fault::ProductProbeStuck,
        Fault::ProductProbeSilent,
        Fault::Leak,
        Fault::ValveStuckOpen,
        Fault::ValveLeaksBy,
        Fault::FloatStuck,
        Fault::LevelStuck,
        Fault::RestrictorBlocked,
        Fault::HotSupply,
        Fault::WeakMains,
    ];
    for fault in reversible {
        assert_eq!(observe(Some((fault, true))), well, "{} does not mend", fault.name());
    }
}

#[test]
fn a_spoiled_product_is_seen_by_a_perfect_probe() {
    let mut plant = VirtualPlant::new(PlantParameters::default(), 4);
    plant.controls.valve_open = true;
    plant.step(3_600.0);
    assert!(plant.truth().product_tds < 0.3, "{}", plant.truth().product_tds);
    let mut probes = Probes::new(vec![], 1);
    Fault::SpoiledProduct.apply(&mut plant, &mut probes);
    plant.step(60.0);
    assert!(plant.truth().product_tds > 1.5, "{}", plant.truth().product_tds);
    Fault::TubesSwapped.apply(&mut plant, &mut probes);
    plant.step(60.0);
    assert!(plant.truth().product_tds > 50.0, "{}", plant.truth().product_tds);
}

#[test]
fn losses_doubles_and_irregular_times_are_as_declared() {
    let mut p = ProbeParameters::perfect(Measures::Tds, Place::Product, 5.0);
    p.interval_max_secs = 30.0;
    p.loss = 0.1;
    p.doubled = 0.05;
    let mut probes = Probes::new(vec![p], 9);
    let mut plant = VirtualPlant::new(PlantParameters::default(), 9);
    let mut messages = Vec::new();
    for _ in 0..200_000 {
        plant.step(1.0);
        messages.extend(probes.look(plant.truth()));
    }
    let firsts: Vec<_> = messages.iter().filter(|m| !m.is_copy).collect();
    let read = firsts.last().expect("many").number as f64;
    near("lost", 1.0 - firsts.len() as f64 / read, 0.1, 0.01);
    near("doubled", (messages.len() - firsts.len()) as f64 / firsts.len() as f64, 0.05, 0.01);
    near("interval", 200_000.0 / read, 18.0, 1.0);
}

#[test]
fn a_counter_counts_litres_through_its_wrap_and_a_dead_probe_is_silent() {
    let mut pulses = ProbeParameters::perfect(Measures::Pulses, Place::Feed, 10.0);
    pulses.wraps_at = 1_000;
    let silent = ProbeParameters::perfect(Measures::Tds, Place::Product, 10.0);
    let mut probes = Probes::new(vec![pulses, silent], 9);
    probes.set_broken(1, Broken::Silent);
    let mut plant = VirtualPlant::new(PlantParameters::default(), 9);
    plant.controls.valve_open = true;
    let (mut total, mut last) = (0.0, 0.0);
    for _ in 0..3_600 {
        plant.step(2.0);
        for message in probes.look(plant.truth()) {
            assert_eq!(message.probe, 0);
            total += (message.value - last + 1_000.0) % 1_000.0;
            last = message.value;
        }
    }
    let litres = plant.truth().totals.feed_litres;
    assert!(total > 2_000.0, "the counter turned over more than once: {total}");
    near("litres", total * 0.0022, litres, 0.2);
}

#[test]
fn random_plants_are_plants() {
    for seed in 0..200 {
        let parameters = PlantParameters::random(seed);
        let mut plant = VirtualPlant::new(parameters.clone(), seed);
        plant.controls.valve_open = true;
        plant.controls.pump_on = true;
        plant.controls.product_to_drain = true;
        plant.step(3_600.0);
        let t = plant.truth();
        assert!(t.feed_bar > 1.0 && t.feed_bar < 8.5, "seed {seed}: {} bar", t.feed_bar);
        assert!(t.permeate_flow > 0.02, "seed {seed}: {} L/min", t.permeate_flow);
        assert!((0.05..0.7).contains(&t.recovery), "seed {seed}: recovery {}", t.recovery);
        assert!((0.7..1.0).contains(&t.rejection_salt), "seed {seed}: {}", t.rejection_salt);
    }
}

/// A probe loses what it is said to lose in a day, whenever that begins: it once counted from the plant's first
/// day, so that one that began after eighty days turned its sign within the week.
#[test]
fn a_drift_is_as_fast_whenever_it_begins() {
    let parameters = PlantParameters::random(3);
    for begins in [0.0, 40.0, 80.0, 300.0] {
        let mut probe = ProbeParameters::perfect(Measures::Tds, Place::Feed, 10.0);
        probe.drift_per_day = -0.012;
        probe.drift_from_secs = begins * 86_400.0;
        for (after, share) in [(0.0, 1.0), (7.0, 0.916), (14.0, 0.832)] {
            let plant = VirtualPlant::new(parameters.clone(), 3);
            let mut truth = plant.truth().clone();
            truth.at_secs = (begins + after) * 86_400.0;
            truth.feed_tds = 1000.0;
            let mut probes = Probes::new(vec![probe.clone()], 3);
            let mut said = None;
            for _ in 0..60 {
                truth.at_secs += 1.0;
                said = said.or(probes.look(&truth).first().map(|message| message.value));
            }
            let said = said.expect("it speaks each ten seconds");
            near(&format!("day {begins} + {after}"), said / 1000.0, share, 0.002);
        }
    }
}
