//! What a probe shows, in whatever unit, is judged on the plant's one scale.

use super::plants::{FULL, SECOND_PROBE, readings, without};
use super::rig::{Rig, setup};
use permeated::engine::catalogue::{AlarmId, SignalId};
use permeated::engine::output::AlarmKey;

/// The full plant whose product probe is declared so.
fn plant(probe: &str) -> String {
    let declared = "quantity = \"tds\"\npoint = \"product\"\nunit = \"ppm\"\nstep = 1\n";
    assert!(FULL.contains(declared));
    FULL.replace(declared, &format!("{probe}\npoint = \"product\"\n"))
}

/// The messages of the plant without those of one sensor.
fn but(mute: &str, level: f64, product: f64, flow: f64, open: f64) -> Vec<(&'static str, f64)> {
    without(mute, readings(level, product, flow, open))
}

/// Opened by level and past its rinse-in with a product that reads so.
fn producing(toml: &str, mute: &str, product: f64) -> Rig {
    let mut rig = Rig::new(setup(toml));
    rig.run(60.0, &but(mute, 50.0, product, 0.0, 0.0));
    rig.run(30.0, &but(mute, 30.0, product, 0.0, 0.0));
    rig.run(420.0, &but(mute, 31.0, product, 0.15, 1.0));
    assert!(rig.permitted(), "{:?}", rig.missing());
    rig
}

/// The ppm that the trip names when the product reads so.
fn judged(toml: &str, mute: &str, pure: f64, spoiled: f64) -> String {
    let mut rig = producing(toml, mute, pure);
    rig.run(60.0, &but(mute, 31.0, spoiled, 0.15, 1.0));
    let key = AlarmKey::plant(AlarmId::ProductTdsHigh);
    let (_, text) = rig.engine.alarms().evidence(key).expect("it tripped");
    let text = text.strip_prefix("The water after the last vessel reads ").expect(text);
    text.split(' ').next().unwrap_or_default().to_owned()
}

#[test]
fn conductivity_and_resistivity_are_put_on_the_scale_of_the_plant() {
    assert_eq!(judged(FULL, "", 0.0, 45.0), "45", "as it reads");
    let tds = plant("quantity = \"tds\"\nunit = \"ppm\"\nstep = 1\nppm_factor = 0.64");
    assert_eq!(judged(&tds, "", 0.0, 64.0), "50", "another factor than the plant's");
    let conductivity = plant("quantity = \"conductivity\"\nunit = \"uS/cm\"\nstep = 0.1");
    assert_eq!(judged(&conductivity, "", 0.1, 80.0), "40");
    let resistivity = plant("quantity = \"resistivity\"\nunit = \"MOhm.cm\"\nstep = 0.001");
    assert_eq!(judged(&resistivity, "", 10.0, 0.02), "25");
}

/// Two parts in a hundred for each degree; where no temperature is known the coldest water is assumed.
#[test]
fn a_raw_reading_is_compensated_to_25_degrees() {
    let raw =
        plant("quantity = \"conductivity\"\nunit = \"uS/cm\"\nstep = 0.1\ncompensation = \"raw\"");
    let raw =
        raw.replace("\"temperature\"\npoint = \"feed\"", "\"temperature\"\npoint = \"product\"");
    assert_eq!(judged(&raw, "", 0.1, 64.0), "40", "64 µS/cm at 15 °C are 80 at 25 °C");
    let mute = "temperature";
    assert_eq!(judged(&raw, mute, 0.1, 60.0), "50", "60 µS/cm at 5 °C are 100 at 25 °C");
    let told = format!("{raw}[plants.home.assumed]\ntemperature_c = 20\n");
    assert_eq!(judged(&told, mute, 0.1, 72.0), "40", "72 µS/cm at 20 °C are 80 at 25 °C");
}

/// Water that reads 1 ppm on a display of half a ppm, which may hide a quarter: the dose grows with what the display may hide.
#[test]
fn what_a_display_cuts_off_counts_with_half_a_step() {
    let dose = |rounding: &str| {
        let toml = plant(&format!(
            "quantity = \"tds\"\nunit = \"ppm\"\nstep = 0.5\nrounding = \"{rounding}\""
        ));
        let mut rig = producing(&toml, "", 0.0);
        let before = rig.values[&SignalId::ProductDose];
        assert!(before < 0.05, "{before}");
        // 0.3 L.
        rig.run(120.0, &readings(31.0, 1.0, 0.15, 1.0));
        assert!(rig.permitted(), "{:?}", rig.missing());
        rig.values[&SignalId::ProductDose]
    };
    let (nearest, down) = (dose("nearest"), dose("down"));
    assert!((0.2..=0.32).contains(&nearest), "{nearest}");
    assert!((1.2..=1.3).contains(&(down / nearest)), "{down} and {nearest}");
}

#[test]
fn of_two_product_probes_the_worse_one_gives_the_dose() {
    let toml = format!("{FULL}{SECOND_PROBE}");
    let both = |first: f64, second: f64| {
        let mut rig = Rig::new(setup(&toml));
        let with = |level: f64, first: f64, second: f64, flow: f64, open: f64| {
            let mut all = readings(level, first, flow, open).to_vec();
            all.push(("second", second));
            all
        };
        rig.run(60.0, &with(50.0, 0.0, 0.0, 0.0, 0.0));
        rig.run(30.0, &with(30.0, 0.0, 0.0, 0.0, 0.0));
        rig.run(420.0, &with(31.0, 0.0, 0.0, 0.15, 1.0));
        rig.run(120.0, &with(31.0, first, second, 0.15, 1.0));
        rig.values[&SignalId::ProductDose]
    };
    let (left, right) = (both(1.0, 0.0), both(0.0, 1.0));
    assert!(left > 0.2 && (left - right).abs() < 0.02, "{left} and {right}");
}
