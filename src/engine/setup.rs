//! What one engine is built from: a plant's settings, resolved. Strings have become indices, units
//! have become factors, and every rule of `settings::validate` holds, so the engine never has to
//! doubt it.

use crate::settings::schema::{
    Actuator, Assumed, Compensation, Demand, DemandMode, Fails, Limits, OnStop, Part, PartKind,
    Plan, Plant, Point, Prices, Reuse, Role, Rounding, Sensor, Store, ValveKind, ValvePlace,
};
use crate::units::{Quantity, UnitSymbol};

use super::catalogue::Of;
use super::output::AlarmKey;
use super::time::Span;

/// Index of a sensor in [`Setup::sensors`]; sensors are in the order of their ids.
pub type SensorIx = usize;
/// Index of an actuator in [`Setup::actuators`].
pub type ActuatorIx = usize;
/// Index of a part in [`Setup::parts`].
pub type PartIx = usize;

/// One plant, resolved.
#[derive(Clone, Debug)]
pub struct Setup {
    /// Id of the plant.
    pub plant: String,
    /// Name of the plant for people; its id where none is given.
    pub name: String,
    /// ppm per µS/cm on the plant's scale.
    pub ppm_factor: f64,
    /// Sensors in the order of their ids.
    pub sensors: Vec<SensorSetup>,
    /// Actuators in the order of their ids.
    pub actuators: Vec<ActuatorSetup>,
    /// Parts in the order of their ids.
    pub parts: Vec<PartSetup>,
    /// Who asks for water.
    pub demand: DemandMode,
    /// Band of `DemandMode::Level`, in litres: opens below, closes at.
    pub level_band: (f64, f64),
    /// The container.
    pub store: Store,
    /// What the water is for.
    pub plan: Plan,
    /// Concentrate that is kept.
    pub reuse: Reuse,
    /// Constants for what is not measured.
    pub assumed: Assumed,
    /// Limits and delays.
    pub limits: Limits,
    /// Prices.
    pub prices: Prices,
    /// What a clean stop does.
    pub on_stop: OnStop,
    /// Keep-alive of the guard connections, for the delays that `check` prints.
    pub guard_keep_alive: Span,
    /// Who is where: asked for many times at every event, and the same for good.
    places: Places,
}

/// Sensors and actuators by their places and kinds, each list in the order of their ids.
#[derive(Clone, Debug, Default)]
struct Places {
    /// By point, then by quantity.
    sensors: Vec<Vec<SensorIx>>,
    /// Probes of dissolved solids, by point.
    solids: Vec<Vec<SensorIx>>,
    meters: Vec<SensorIx>,
    /// By role.
    actuators: Vec<Vec<ActuatorIx>>,
}

impl Places {
    fn of(sensors: &[SensorSetup], actuators: &[ActuatorSetup]) -> Self {
        let mut places = Self::default();
        for (index, sensor) in sensors.iter().enumerate() {
            put(&mut places.sensors, Self::slot(sensor.point, sensor.quantity), index);
            if sensor.is_solids() {
                put(&mut places.solids, sensor.point as usize, index);
            }
            if sensor.quantity.is_meter() {
                places.meters.push(index);
            }
        }
        for (index, actuator) in actuators.iter().enumerate() {
            put(&mut places.actuators, actuator.role as usize, index);
        }
        places
    }

    /// The probe of the product is that of the permeate, where there is none between them.
    fn permeate_is_product(&mut self) {
        let product = self.solids.get(Point::Product as usize).cloned().unwrap_or_default();
        if list(&self.solids, Point::Permeate as usize).next().is_none() {
            for sensor in product {
                put(&mut self.solids, Point::Permeate as usize, sensor);
            }
        }
    }

    const fn slot(point: Point, quantity: Quantity) -> usize {
        point as usize * Quantity::ALL.len() + quantity as usize
    }
}

fn put(lists: &mut Vec<Vec<usize>>, at: usize, index: usize) {
    if lists.len() <= at {
        lists.resize(at + 1, Vec::new());
    }
    lists[at].push(index);
}

/// A list that may be missing because nothing belongs into it or any that follow.
fn list(lists: &[Vec<usize>], at: usize) -> impl Iterator<Item = usize> + '_ {
    lists.get(at).map_or(&[][..], Vec::as_slice).iter().copied()
}

/// One sensor, resolved.
#[derive(Clone, Debug)]
pub struct SensorSetup {
    /// Id.
    pub id: String,
    /// What it measures.
    pub quantity: Quantity,
    /// Where.
    pub point: Point,
    /// Declared unit.
    pub unit: UnitSymbol,
    /// Step in the quantity's canonical unit; 0: none.
    pub step: f64,
    /// How the display rounds.
    pub rounding: Rounding,
    /// ppm per µS/cm of the probe's own scale.
    pub ppm_factor: f64,
    /// Temperature compensation.
    pub compensation: Compensation,
    /// Litres for each pulse.
    pub litres_per_pulse: f64,
    /// Where a counter turns over; 0: it does not.
    pub wraps_at: f64,
    /// Declared interval while water flows.
    pub interval: Span,
    /// Sleeps on a battery.
    pub battery: bool,
    /// A float above the stop: trips instead of blocking.
    pub overfull: bool,
    /// Smallest and largest possible reading in the canonical unit.
    pub range: (f64, f64),
    /// Relative standard uncertainty of the gain.
    pub gain_u: f64,
    /// Sensors with the same number here have one gain error in common; else each has its own.
    pub gain_group: u8,
    /// Standard uncertainty of the zero, canonical unit.
    pub zero_u: f64,
    /// The guard acts on it: goes through its own lane and its own median.
    pub guards: bool,
}

impl SensorSetup {
    /// True for a probe of dissolved solids in any of its guises.
    #[inline]
    pub fn is_solids(&self) -> bool {
        matches!(self.quantity, Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity)
    }
}

/// One actuator, resolved.
#[derive(Clone, Debug)]
pub struct ActuatorSetup {
    /// Id; also the `<effect>` in the guard connection's client id.
    pub id: String,
    /// What it is for.
    pub role: Role,
    /// Command topic.
    pub topic: String,
    /// Payload that closes.
    pub close: String,
    /// Payload that opens; empty: the daemon never opens it.
    pub open: String,
    /// Whether the close is retained.
    pub retain_close: bool,
    /// The sensor that reports its state.
    pub state_sensor: Option<SensorIx>,
    /// Where it goes when its power fails.
    pub fails: Fails,
    /// How it moves.
    pub kind: ValveKind,
    /// Time it takes to move.
    pub travel: Span,
    /// Where the supply valve sits.
    pub place: ValvePlace,
    /// Its own off-timer; zero: none.
    pub off_timer: Span,
    /// How often `open` is repeated; zero: never.
    pub open_renew: Span,
    /// Alarm names that close a custom actuator.
    pub causes: Vec<String>,
}

/// One part, resolved.
#[derive(Clone, Debug)]
pub struct PartSetup {
    /// Id.
    pub id: String,
    /// What it is.
    pub kind: PartKind,
    /// Order among its kind.
    pub position: u8,
    /// The declared facts.
    pub declared: Part,
}

impl Setup {
    /// Id of an alarm, on the bus and for people: its name, and the sensor or part that it is of.
    pub fn alarm_id(&self, key: AlarmKey) -> String {
        let row = key.alarm.row();
        let of = key.of.map(usize::from);
        let owner = match row.of {
            Of::Plant => None,
            Of::Sensor => of.and_then(|index| self.sensors.get(index)).map(|sensor| &sensor.id),
            Of::Part => of.and_then(|index| self.parts.get(index)).map(|part| &part.id),
        };
        match owner {
            Some(owner) => format!("{}-{owner}", row.name),
            None => row.name.to_owned(),
        }
    }

    /// Resolves a plant's settings.
    ///
    /// # Panics
    /// When a required field is missing: `settings::validate` must have passed.
    pub fn resolve(
        plant_id: &str,
        plant: &Plant,
        on_stop: OnStop,
        guard_keep_alive_secs: u16,
    ) -> Self {
        let ids: Vec<&String> = plant.sensors.keys().collect();
        let index_of = |id: &str| ids.iter().position(|known| known.as_str() == id);
        let mut sensors: Vec<SensorSetup> = plant
            .sensors
            .iter()
            .map(|(id, sensor)| SensorSetup::resolve(id, sensor, plant.ppm_factor))
            .collect();
        let groups: Vec<&str> =
            plant.sensors.values().map(|sensor| sensor.gain_group.as_str()).collect();
        for (index, sensor) in sensors.iter_mut().enumerate() {
            let own = groups[index];
            let first = groups.iter().position(|other| !own.is_empty() && *other == own);
            sensor.gain_group = u8::try_from(first.unwrap_or(index)).unwrap_or(u8::MAX);
        }
        let actuators: Vec<ActuatorSetup> = plant
            .actuators
            .iter()
            .map(|(id, actuator)| ActuatorSetup::resolve(id, actuator, &index_of))
            .collect();
        for actuator in &actuators {
            if let Some(sensor) = actuator.state_sensor {
                sensors[sensor].guards = true;
            }
        }
        let permeate_is_product = permeate_is_product(plant);
        if permeate_is_product {
            // What a probe of the permeate sees is what reaches the store.
            let judged = sensors.iter().any(|one| one.is_solids() && one.point == Point::Product);
            for sensor in sensors.iter_mut().filter(|one| !judged && one.is_solids()) {
                if sensor.point == Point::Permeate {
                    sensor.point = Point::Product;
                    sensor.guards = true;
                }
            }
        }
        let mut places = Places::of(&sensors, &actuators);
        if permeate_is_product {
            places.permeate_is_product();
        }
        Self {
            plant: plant_id.to_owned(),
            name: if plant.name.is_empty() { plant_id.to_owned() } else { plant.name.clone() },
            ppm_factor: plant.ppm_factor,
            sensors,
            actuators,
            parts: plant
                .parts
                .iter()
                .map(|(id, part)| PartSetup {
                    id: id.clone(),
                    kind: part.kind.expect("validated: every part has a kind"),
                    position: part.position,
                    declared: part.clone(),
                })
                .collect(),
            demand: plant.demand.mode,
            level_band: level_band(&plant.demand),
            store: plant.store.clone(),
            plan: plant.plan.clone(),
            reuse: plant.reuse.clone(),
            assumed: plant.assumed.clone(),
            limits: plant.limits.clone(),
            prices: plant.prices.clone(),
            on_stop,
            guard_keep_alive: Span::from_secs(i64::from(guard_keep_alive_secs)),
            places,
        }
    }

    /// Sensors of a quantity at a point.
    #[inline]
    pub fn sensors_of(
        &self,
        point: Point,
        quantity: Quantity,
    ) -> impl Iterator<Item = SensorIx> + '_ {
        list(&self.places.sensors, Places::slot(point, quantity))
    }

    /// Probes of dissolved solids at a point. Where the permeate is the product (a membrane and no
    /// vessel), one probe stands at both points.
    #[inline]
    pub fn solids_at(&self, point: Point) -> impl Iterator<Item = SensorIx> + '_ {
        list(&self.places.solids, point as usize)
    }

    /// This probe of dissolved solids sees what leaves the membrane.
    pub fn sees_permeate(&self, sensor: SensorIx) -> bool {
        self.solids_at(Point::Permeate).any(|one| one == sensor)
    }

    /// Flow meters of any kind, at any point.
    #[inline]
    pub fn meters(&self) -> impl Iterator<Item = SensorIx> + '_ {
        self.places.meters.iter().copied()
    }

    /// The actuators of a role.
    #[inline]
    pub fn actuators_of(&self, role: Role) -> impl Iterator<Item = ActuatorIx> + '_ {
        list(&self.places.actuators, role as usize)
    }

    /// Parts of a kind of vessel in the order of flow.
    pub fn vessels(&self) -> Vec<PartIx> {
        let mut vessels: Vec<PartIx> =
            (0..self.parts.len()).filter(|&part| self.parts[part].kind.is_vessel()).collect();
        vessels.sort_by_key(|&part| self.parts[part].position);
        vessels
    }
}

/// A plant with a membrane and no vessel of resin makes its product at the membrane: drinking water,
/// or water that is finished elsewhere. Without a declared membrane nothing says which kind it is.
pub(crate) fn permeate_is_product(plant: &Plant) -> bool {
    let has = |of: fn(PartKind) -> bool| plant.parts.values().any(|part| part.kind.is_some_and(of));
    has(|kind| kind == PartKind::Membrane) && !has(PartKind::is_vessel)
}

fn level_band(demand: &Demand) -> (f64, f64) {
    (demand.start_below_litres, demand.stop_at_litres)
}

impl SensorSetup {
    fn resolve(id: &str, sensor: &Sensor, plant_factor: f64) -> Self {
        let quantity = sensor.quantity.expect("validated: every sensor has a quantity");
        let point = sensor.point.expect("validated: every sensor has a point");
        let symbol = if sensor.unit.is_empty() { quantity.units()[0].0 } else { &sensor.unit };
        let unit = UnitSymbol::parse(symbol, quantity).expect("validated: the unit fits");
        let (low, high) = usual_range(quantity);
        Self {
            id: id.to_owned(),
            quantity,
            point,
            unit,
            step: unit.difference_to_canonical(sensor.step),
            rounding: sensor.rounding,
            ppm_factor: if sensor.ppm_factor > 0.0 { sensor.ppm_factor } else { plant_factor },
            compensation: sensor.compensation,
            litres_per_pulse: sensor.litres_per_pulse,
            wraps_at: sensor.wraps_at,
            interval: Span::from_secs_f64(sensor.interval_secs),
            battery: sensor.battery,
            overfull: sensor.overfull,
            range: (
                sensor.min.map_or(low, |min| unit.to_canonical(min)),
                sensor.max.map_or(high, |max| unit.to_canonical(max)),
            ),
            gain_u: if sensor.gain_u > 0.0 { sensor.gain_u } else { usual_gain_u(quantity) },
            gain_group: u8::MAX,
            zero_u: unit.difference_to_canonical(sensor.zero_u),
            guards: guards(quantity, point),
        }
    }
}

/// What no sensor of a home plant can truly read, in canonical units: outside is a fault, not
/// water. Generous on purpose; a sensor may declare its own.
fn usual_range(quantity: Quantity) -> (f64, f64) {
    match quantity {
        Quantity::Tds => (0.0, 5_000.0),
        Quantity::Conductivity => (0.0, 10_000.0),
        Quantity::Resistivity => (0.0001, 25.0),
        Quantity::Temperature => (-5.0, 80.0),
        Quantity::Pressure => (-1.0, 16.0),
        Quantity::Flow => (0.0, 100.0),
        Quantity::Volume | Quantity::Pulses => (0.0, 1e12),
        Quantity::Level => (-1.0, 100_000.0),
        Quantity::Power => (-1.0, 10_000.0),
        Quantity::Full | Quantity::Leak | Quantity::Open => (0.0, 1.0),
    }
}

/// Relative standard uncertainty of a gain that nobody declared (reference sheet 0). Probes of dissolved
/// solids: 2 to 10 %, whose upper end is taken as a 95 % interval. Meters: 2 to 5 %, a rectangle of 5 %
/// is 2.9 % (JCGM 100, 4.3.7). Pressure: 0.1 to 0.2 bar of some four, the same.
fn usual_gain_u(quantity: Quantity) -> f64 {
    match quantity {
        Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity => 0.05,
        _ => 0.03,
    }
}

/// Whether the guard acts on sensors of this kind.
fn guards(quantity: Quantity, point: Point) -> bool {
    match quantity {
        Quantity::Leak | Quantity::Full => true,
        Quantity::Tds | Quantity::Conductivity | Quantity::Resistivity => point == Point::Product,
        Quantity::Level => point == Point::Store,
        Quantity::Pressure | Quantity::Temperature => {
            matches!(point, Point::Feed | Point::Supply)
        }
        Quantity::Flow | Quantity::Pulses | Quantity::Volume => true,
        Quantity::Open => true,
        Quantity::Power => false,
    }
}

impl ActuatorSetup {
    fn resolve(
        id: &str,
        actuator: &Actuator,
        index_of: &impl Fn(&str) -> Option<SensorIx>,
    ) -> Self {
        Self {
            id: id.to_owned(),
            role: actuator.role.expect("validated: every actuator has a role"),
            topic: actuator.topic.clone(),
            close: actuator.close.clone(),
            open: actuator.open.clone(),
            retain_close: actuator.retain_close,
            state_sensor: index_of(&actuator.state_sensor),
            fails: actuator.fails,
            kind: actuator.kind,
            travel: Span::from_secs_f64(actuator.travel_secs),
            place: actuator.place,
            off_timer: Span::from_secs_f64(actuator.off_timer_secs),
            open_renew: Span::from_secs_f64(actuator.open_renew_secs),
            causes: actuator.causes.clone(),
        }
    }
}
/// The example plant, for tests.
#[cfg(test)]
pub(crate) fn example() -> Setup {
    let text = include_str!("../../config/example.toml");
    let settings = crate::settings::load::from_str("example.toml", text).expect("in order");
    let (id, plant) = settings.plants.first_key_value().expect("one plant");
    Setup::resolve(id, plant, settings.daemon.on_stop, 5)
}
