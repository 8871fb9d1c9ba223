//! What the ten plants live through. Fixed before the engine was tuned; seeds that score badly stay.

use permeated::demo::parameters::PlantParameters;
use permeated::demo::probes::{Measures, Place, ProbeParameters, random_probes};
use permeated::demo::random::Random;

/// Seeds of the plants of the table.
pub const SEEDS: [u64; 10] = [1, 2, 3, 4, 5, 6, 7, 8, 9, 10];

/// One stretch of the year.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stretch {
    /// Nothing special.
    Easy,
    /// One reading in fifty of each dissolved-solids probe is a spike, air in the cells for 40 s.
    Spikes,
    /// A tenth of the messages lost, a tenth doubled, six silences of 5 min to 5 h.
    Radio,
    /// The feed probe loses 1.2 % of its gain a day; two thirds in, somebody measures by hand.
    FeedDrift,
    /// The permeate probe gains 1.2 % a day; the same.
    PermeateDrift,
    /// A float that sticks makes runs of a few litres.
    ShortCycles,
    /// The product probe shows 0 whatever flows by.
    StuckProduct,
    /// The membrane passes 2.5 times its salt; it is changed at the end.
    Worn,
    /// Six times a quarter to half of the permeate goes round the resin.
    Spoiled,
}

/// The stretches of a year in the order of the seed. The first is easy: a plant is set up.
pub fn year(seed: u64) -> Vec<Stretch> {
    use Stretch::*;
    let mut rest = vec![
        Easy,
        Easy,
        Easy,
        Spikes,
        Radio,
        FeedDrift,
        PermeateDrift,
        ShortCycles,
        StuckProduct,
        Worn,
        Spoiled,
    ];
    let mut r = Random::branch(seed, "year");
    let mut order = vec![Easy];
    while !rest.is_empty() {
        let at = (r.bits() % rest.len() as u64) as usize;
        order.push(rest.swap_remove(at));
    }
    order
}

/// A month of one plant, for every day: all that can be judged in so short a time.
pub fn month() -> Vec<Stretch> {
    vec![Stretch::Easy, Stretch::Spikes, Stretch::Radio, Stretch::ShortCycles, Stretch::Spoiled]
}

/// The plant of a seed: the documented ranges, resin and membrane new when the daemon comes.
pub fn plant(seed: u64) -> PlantParameters {
    let mut plant = PlantParameters::random(seed);
    for vessel in &mut plant.vessels {
        vessel.used_share = 0.0;
    }
    plant
}

/// Longest pause of a probe of the year.
pub const LONGEST_SECS: f64 = 10.0;

/// Its probes: irregular from 5 to 8 s up to `longest_secs` while water flows, five minutes while none
/// does (switches: their own).
pub fn probes(seed: u64, plant: &PlantParameters, longest_secs: f64) -> Vec<ProbeParameters> {
    let mut r = Random::branch(seed, "sampling");
    let mut probes = random_probes(seed, plant);
    for probe in &mut probes {
        if probe.measures.is_state() {
            continue;
        }
        probe.interval_min_secs = r.between(5.0, 8.0);
        let near = probe.interval_min_secs + r.between(0.0, 2.0);
        probe.interval_max_secs = if longest_secs > LONGEST_SECS { longest_secs } else { near };
        probe.interval_idle_secs = 300.0;
    }
    probes
}

/// Whether the owner has told pH and alkalinity.
pub fn knows_chemistry(seed: u64) -> bool {
    seed.is_multiple_of(2)
}

/// The settings as a careful user writes them: what probes and vessels say on their labels.
pub fn settings(seed: u64, plant: &PlantParameters, probes: &[ProbeParameters]) -> String {
    use permeated::demo::probes::Rounds;
    use std::fmt::Write;
    let mut text = String::new();
    let out = &mut text;
    let mut line = |args: std::fmt::Arguments<'_>| out.write_fmt(args).expect("to a string");
    for probe in probes {
        let (unit, gain, zero) = match probe.measures {
            Measures::Tds => ("ppm", 0.04, 0.3),
            Measures::Temperature => ("C", 0.0, 0.4),
            Measures::Pressure => ("bar", 0.01, 0.05),
            Measures::Flow => ("L/min", 0.025, 0.0),
            Measures::Level => ("L", 0.01, 0.0),
            Measures::Power => ("W", 0.01, 0.0),
            Measures::Pulses => ("", 0.025, 0.0),
            Measures::Full | Measures::Leak | Measures::Open => ("", 0.0, 0.0),
        };
        let rounding = match probe.rounds {
            Rounds::Nearest => "nearest",
            Rounds::Down => "down",
        };
        let interval = match probe.measures.is_state() {
            true => probe.interval_max_secs,
            false => 0.5 * (probe.interval_min_secs + probe.interval_max_secs),
        };
        line(format_args!(
            "[sensors.{id}]\ntopic = \"s/{id}\"\nquantity = \"{}\"\npoint = \"{}\"\nunit = \"{unit}\"\nstep = {:?}\nrounding = \"{rounding}\"\ninterval_secs = {interval:?}\nlitres_per_pulse = {:?}\nwraps_at = {:?}\ngain_u = {gain:?}\nzero_u = {zero:?}\n",
            probe.measures.word(),
            probe.place.word(),
            probe.step,
            probe.litres_per_pulse,
            probe.wraps_at as f64,
            id = probe.id,
        ));
    }
    line(format_args!(
        "[actuators.valve]\nrole = \"supply-valve\"\ntopic = \"s/valve\"\nclose = \"OFF\"\nopen = \"ON\"\nstate_sensor = \"supply-open\"\nkind = \"motor\"\ntravel_secs = {:?}\n",
        plant.valve_travel_secs
    ));
    line(format_args!("[store]\nlitres = {:?}\n", plant.store.full_litres));
    line(format_args!(
        "[parts.membrane]\nkind = \"membrane\"\narea_m2 = {:?}\n",
        plant.membrane.area_m2
    ));
    for (index, vessel) in plant.vessels.iter().enumerate() {
        line(format_args!(
            "[parts.vessel-{}]\nkind = \"mixed\"\nposition = {}\nbed_litres = {:?}\ncapacity_eq_per_litre = {:?}\nprice = 15.0\n",
            ["a", "b", "c"][index],
            index + 1,
            vessel.bed_litres,
            vessel.rated_eq_per_litre,
        ));
    }
    line(format_args!("[prices]\nwater_per_litre = 0.004\n"));
    // The owner knows what a plateau of carbon dioxide is and accepts it once it has been shown.
    line(format_args!("[limits.product]\ngas_accept_max_ppm = 2.0\n"));
    if knows_chemistry(seed) {
        line(format_args!(
            "[assumed]\nalkalinity_mg_per_litre = {:.0}.0\nph = {:.1}\n",
            plant.tap.alkalinity_mg, plant.tap.ph
        ));
    }
    text
}

/// Where a probe of dissolved solids sits among the probes.
pub fn tds_at(probes: &[ProbeParameters], place: Place) -> Option<usize> {
    probes.iter().position(|probe| probe.measures == Measures::Tds && probe.place == place)
}
