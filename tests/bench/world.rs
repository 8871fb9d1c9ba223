//! Two plants and what their sensors say: the smallest that can be guarded, and a full one.
//!
//! The virtual plant makes the numbers, a hub with a float opens and closes the valve whatever the
//! daemon says, so a stretch is the same however the engine changes. Nothing is broken and the resin
//! lasts: a year is a year of ordinary days.

use permeated::demo::parameters::PlantParameters;
use permeated::demo::plant::VirtualPlant;
use permeated::demo::probes::{Measures, Place, ProbeParameters, Probes, full_places};
use permeated::engine::event::{Event, Reading};
use permeated::engine::setup::Setup;
use permeated::engine::time::{Span, Wall};
use permeated::settings::schema::Settings;
use std::collections::VecDeque;
use std::fmt::Write;
use std::sync::Arc;

/// 2026-01-01T00:00:00Z, ms.
pub const EPOCH: i64 = 1_767_225_600_000;
const SEED: u64 = 20;
/// Steps of the plant while its water moves and while it stands, s.
const MOVING: f64 = 5.0;
const STANDING: f64 = 30.0;

/// Which plant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Size {
    /// Two probes of dissolved solids and a valve.
    Smallest,
    /// Thirteen sensors, a membrane, two vessels, a container.
    Full,
}

/// Something that one of the plant's devices said.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// Since the beginning, ms.
    pub at: i64,
    /// What.
    pub what: What,
}

#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A sensor, by its place in the plant's list of probes, and its number.
    Reading(usize, f64),
    /// The hub's command on the valve's topic.
    Valve(bool),
}

/// A plant that lives on and on.
pub struct World {
    pub probes: Vec<ProbeParameters>,
    plant: VirtualPlant,
    radio: Probes,
    wants: bool,
    /// Water runs or stands whatever the float says.
    pub held: Option<bool>,
    ready: VecDeque<Said>,
}

impl World {
    pub fn new(size: Size) -> Self {
        let p = parameters();
        let places = match size {
            Size::Smallest => {
                vec![(Measures::Tds, Place::Permeate), (Measures::Tds, Place::Product)]
            }
            Size::Full => full_places(&p),
        };
        let probes: Vec<ProbeParameters> = places.into_iter().map(probe).collect();
        Self {
            plant: VirtualPlant::new(p, SEED),
            radio: Probes::new(probes.clone(), SEED),
            probes,
            wants: false,
            held: None,
            ready: VecDeque::new(),
        }
    }

    /// The next thing that is said, in the order of time.
    pub fn next(&mut self) -> Said {
        loop {
            if let Some(said) = self.ready.pop_front() {
                return said;
            }
            self.step();
        }
    }

    fn step(&mut self) {
        let truth = self.plant.truth();
        let moves = self.plant.controls.valve_open || truth.valve > 0.0 || truth.flowing;
        self.plant.step(if moves { MOVING } else { STANDING });
        let now = (self.plant.truth().at_secs * 1000.0) as i64;
        self.wants = self.held.unwrap_or_else(|| self.plant.wants_water(self.wants));
        if self.wants != self.plant.controls.valve_open {
            self.plant.controls.valve_open = self.wants;
            self.ready.push_back(Said { at: now, what: What::Valve(self.wants) });
        }
        for message in self.radio.look(self.plant.truth()) {
            let what = What::Reading(message.probe, message.value);
            self.ready.push_back(Said { at: now, what });
        }
    }
}

fn parameters() -> PlantParameters {
    let mut p = PlantParameters::random(SEED);
    let vessel = p.vessels[0].clone();
    p.vessels = vec![vessel.clone(), vessel];
    for vessel in &mut p.vessels {
        // Beds that last for years.
        vessel.bed_litres = 60.0;
        vessel.used_share = 0.0;
        vessel.carbon_dioxide_share = 0.98;
    }
    p.pump_bar = 0.0;
    p.tap.pressure_bar = 4.0;
    p.tap.tds_ppm = 240.0;
    p.tap.tds_steps_per_year = 0.0;
    p.filter.litres_to_double = 1e6;
    p.membrane.fouling_per_m3 = 0.0;
    p.membrane.ageing_per_m3 = 0.0;
    p.membrane.oxidation_per_g = 0.0;
    p.membrane.area_m2 = 0.45;
    p.membrane.water_lmh_per_bar = 6.0;
    p.store.full_litres = 120.0;
    p.store.brim_litres = 140.0;
    p.store.start_litres = 100.0;
    p.store.start_below_litres = 90.0;
    p.store.stop_at_litres = 108.0;
    p.store.throttle_litres = 0.0;
    p.store.topoff_litres_per_day = 8.0;
    p.store.topoff_each_litres = 0.5;
    p.store.change_litres = 50.0;
    p.store.change_days = 7.0;
    p
}

/// A cheap probe without faults: a message in 10 to 30 s while water flows, in five minutes while
/// none does, switches each minute.
fn probe((measures, place): (Measures, Place)) -> ProbeParameters {
    let mut probe = ProbeParameters::perfect(measures, place, 10.0);
    probe.interval_max_secs = 30.0;
    probe.interval_idle_secs = 300.0;
    match measures {
        Measures::Tds => {
            probe.step = 1.0;
            probe.noise = 0.2;
            probe.lag_secs = 3.0;
        }
        Measures::Temperature => {
            probe.step = 0.1;
            probe.noise = 0.05;
        }
        Measures::Pressure => {
            probe.step = 0.01;
            probe.noise = 0.02;
        }
        Measures::Flow => probe.noise = 0.002,
        Measures::Level => {
            probe.step = 0.1;
            probe.noise = 0.2;
        }
        Measures::Full | Measures::Leak | Measures::Open => {
            probe.interval_min_secs = 60.0;
            probe.interval_max_secs = 60.0;
            probe.interval_idle_secs = 0.0;
        }
        Measures::Pulses | Measures::Power => {}
    }
    probe
}

/// The settings file of a plant.
pub fn settings_text(size: Size) -> String {
    let world = World::new(size);
    let mut text = String::from("[broker]\nhost = \"127.0.0.1\"\n\n[plants.home]\n");
    let mut line = |args: std::fmt::Arguments<'_>| text.write_fmt(args).expect("to a string");
    for probe in &world.probes {
        let unit = match probe.measures {
            Measures::Tds => "unit = \"ppm\"\n",
            Measures::Temperature => "unit = \"C\"\n",
            Measures::Pressure => "unit = \"bar\"\n",
            Measures::Flow => "unit = \"L/min\"\n",
            Measures::Level => "unit = \"L\"\n",
            _ => "",
        };
        let pulses = match probe.measures {
            Measures::Pulses => format!("litres_per_pulse = {:?}\n", probe.litres_per_pulse),
            _ => String::new(),
        };
        let step = match probe.step > 0.0 {
            true => format!("step = {:?}\n", probe.step),
            false => String::new(),
        };
        line(format_args!(
            "\n[plants.home.sensors.{id}]\ntopic = \"cellar/{id}\"\nquantity = \"{}\"\npoint = \"{}\"\n{unit}{step}{pulses}interval_secs = {:.0}\n",
            probe.measures.word(),
            probe.place.word(),
            0.5 * (probe.interval_min_secs + probe.interval_max_secs),
            id = probe.id,
        ));
    }
    let state = match size {
        Size::Full => "state_sensor = \"supply-open\"\n",
        Size::Smallest => "",
    };
    line(format_args!(
        "\n[plants.home.actuators.valve]\nrole = \"supply-valve\"\ntopic = \"cellar/valve/set\"\nopen = \"ON\"\nclose = \"OFF\"\nfails = \"closed\"\n{state}"
    ));
    line(format_args!("\n[plants.home.store]\nlitres = 120\n"));
    match size {
        Size::Smallest => line(format_args!(
            "\n[plants.home.assumed]\npermeate_litres_per_min = 0.15\nfeed_tds_ppm = 240\n"
        )),
        Size::Full => {
            line(format_args!(
                "\n[plants.home.parts.membrane]\nkind = \"membrane\"\narea_m2 = 0.45\n"
            ));
            for (at, id) in ["a", "b"].iter().enumerate() {
                line(format_args!(
                    "\n[plants.home.parts.vessel-{id}]\nkind = \"mixed\"\nposition = {}\nbed_litres = 60\ncapacity_eq_per_litre = 0.55\nprice = 15\n",
                    at + 1
                ));
            }
            line(format_args!(
                "\n[plants.home.assumed]\nalkalinity_mg_per_litre = 120\nph = 7.6\n\n[plants.home.prices]\nwater_per_litre = 0.004\n"
            ));
        }
    }
    text
}

/// The settings, checked.
pub fn settings(size: Size) -> Settings {
    let text = settings_text(size);
    permeated::settings::load::from_str("bench.toml", &text)
        .unwrap_or_else(|problems| panic!("{problems}\n{text}"))
}

/// What the engine is built from.
pub fn setup(size: Size) -> Arc<Setup> {
    let settings = settings(size);
    let (id, plant) = settings.plants.first_key_value().expect("one plant");
    Arc::new(Setup::resolve(id, plant, settings.daemon.on_stop, 5))
}

/// What is said, as the engine hears it.
pub fn event(world: &World, setup: &Setup, said: &Said) -> Event {
    match said.what {
        What::Valve(open) => Event::SeenOnTopic { actuator: 0, open },
        What::Reading(probe, value) => {
            let id = &world.probes[probe].id;
            let sensor = setup.sensors.iter().position(|one| one.id == *id).expect("every probe");
            let value = setup.sensors[sensor].unit.to_canonical(value);
            let arrived = Some(Wall::from_millis(EPOCH) + Span::from_millis(said.at));
            Event::Reading(Reading { sensor, value, retained: false, arrived, stamp: None })
        }
    }
}
