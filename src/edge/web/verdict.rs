//! One verdict in words: is the water good, may it run and why not, what clears it.
//!
//! Invariants: nothing that is missing reads as good; an expired permit or an engine that stands
//! still reads as "nobody is watching", whatever stands on the board.

use super::{units, words};
use crate::board::PlantBoard;
use crate::engine::catalogue::{AlarmId, Consequence, Kind, SignalId};
use crate::engine::output::{AlarmUpdate, Datum, ValueKey, ValueUpdate};
use crate::engine::phase::Phase;
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::engine::value::{Flag, NoReading};
use crate::settings::schema::Point;
use crate::units::Quantity;

/// What is known of the water.
#[derive(Clone, Debug, PartialEq)]
pub enum Water {
    /// It flows and is within its limit; what the probe reads.
    Pure(String),
    /// It is not, or was not when it last flowed; what the probe reads.
    Impure(String),
    /// Something speaks against the reading.
    Doubtful(String),
    /// It stands, and standing water is not judged.
    Standing,
    /// Nothing can be said, and why.
    Unknown(String),
    /// There is no product probe.
    Unwatched,
}

/// Whether water may run.
#[derive(Clone, Debug, PartialEq)]
pub enum Run {
    /// It may.
    May,
    /// It may not; what is missing stands in the permit.
    MayNot,
    /// It waits for nothing but room in the container.
    Waits,
    /// It may not, but nothing is wrong: what is missing comes by itself.
    NotYet,
    /// Nobody is watching.
    Unguarded(&'static str),
}

/// The verdict on one plant.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// What is known of the water.
    pub water: Water,
    /// Whether water may run.
    pub run: Run,
}

impl Verdict {
    /// Reads the verdict off a plant's board.
    pub fn of(setup: &Setup, board: &PlantBoard, now: Wall) -> Self {
        let run = run(board, now);
        let water = match run {
            Run::Unguarded(_) => Water::Unknown("nobody is watching".into()),
            _ => water(setup, board),
        };
        Self { water, run }
    }

    /// The verdict in one or two short sentences.
    pub fn headline(&self) -> String {
        let water = match &self.water {
            Water::Pure(_) => "The water is pure",
            Water::Impure(_) => "The water is not pure",
            Water::Doubtful(_) => "The water is in doubt",
            Water::Standing => "No water is flowing",
            Water::Unknown(_) => "Nobody knows what the water is",
            Water::Unwatched => "Nothing watches the product",
        };
        let run = match &self.run {
            Run::May => "It may run.",
            Run::MayNot => "It may not run.",
            Run::Waits => "The container is full.",
            Run::NotYet => "It may not run yet.",
            Run::Unguarded(_) => "The guard is not at work.",
        };
        format!("{water}. {run}")
    }

    /// What the verdict on the water rests on.
    pub fn ground(&self, setup: &Setup, board: &PlantBoard) -> String {
        let look = units::of_kind(Kind::Solids);
        let limit = units::show(look, setup.limits.product.limit_ppm, None).0;
        match &self.water {
            Water::Pure(reading) => {
                format!("The product reads {reading}; its limit is {limit}.")
            }
            Water::Impure(reading) => standing(board, &[AlarmId::ProductTdsHigh])
                .map(|alarm| alarm.text.clone())
                .filter(|text| !text.is_empty())
                .unwrap_or_else(|| {
                    format!("The product reads {reading}, more than its limit of {limit}.")
                }),
            Water::Doubtful(why) => format!("The product probe is doubtful: {why}."),
            Water::Standing => {
                "Standing water is not judged. No product alarm is left from when it last flowed."
                    .into()
            }
            Water::Unknown(why) => format!("Why: {why}."),
            Water::Unwatched => {
                "There is no product probe, so the water's quality cannot close the valve.".into()
            }
        }
    }
}

/// Whether an alarm stands: its cause is present, or it is latched.
fn standing<'a>(board: &'a PlantBoard, ids: &[AlarmId]) -> Option<&'a AlarmUpdate> {
    board
        .alarms
        .values()
        .find(|alarm| ids.contains(&alarm.key.alarm) && (alarm.active || alarm.latched))
}

fn run(board: &PlantBoard, now: Wall) -> Run {
    if !board.running {
        return Run::Unguarded("the engine of this plant is not running");
    }
    let Some(permit) = &board.permit else {
        return Run::Unguarded("the guard has not spoken since the start");
    };
    if permit.valid_until.is_some_and(|until| until < now) {
        return Run::Unguarded("the permit has run out and was not renewed");
    }
    if permit.permitted {
        return Run::May;
    }
    let interlock = |cause: &str| {
        AlarmId::by_name(cause)
            .is_some_and(|alarm| alarm.row().consequence == Consequence::Interlock)
    };
    let missing = &permit.missing;
    if missing.is_empty() {
        Run::MayNot
    } else if missing.iter().all(|one| interlock(&one.cause)) {
        Run::Waits
    } else if missing.iter().all(|one| one.kind == "permissive" || interlock(&one.cause)) {
        Run::NotYet
    } else {
        Run::MayNot
    }
}

fn water(setup: &Setup, board: &PlantBoard) -> Water {
    if standing(board, &[AlarmId::ProductTdsHigh]).is_some() {
        return Water::Impure(String::new());
    }
    let blind = [AlarmId::ProductProbeContradicted, AlarmId::ProductProbeStale, AlarmId::NotProven];
    if let Some(alarm) = standing(board, &blind) {
        return Water::Unknown(words::plain(alarm.key.alarm.name()));
    }
    // Several probes: the worst of them speaks.
    setup
        .solids_at(Point::Product)
        .map(|sensor| probe(setup, board, sensor))
        .max_by_key(rank)
        .unwrap_or(Water::Unwatched)
}

fn rank(water: &Water) -> u8 {
    match water {
        Water::Pure(_) => 0,
        Water::Standing => 1,
        Water::Doubtful(_) => 2,
        Water::Unwatched | Water::Unknown(_) => 3,
        Water::Impure(_) => 4,
    }
}

fn probe(setup: &Setup, board: &PlantBoard, sensor: usize) -> Water {
    let of = u16::try_from(sensor).ok();
    let Some(update) = board.values.get(&ValueKey { signal: SignalId::Reading, of }) else {
        return Water::Unknown("the product probe has not been heard".into());
    };
    match &update.datum {
        Err(NoReading::NotApplicable) => Water::Standing,
        Err(reason) => Water::Unknown(format!("the product probe: {}", words::absent(*reason))),
        Ok(_) if !flowing(board) => Water::Standing,
        Ok(Datum::Number(value)) => {
            let look = units::of_quantity(setup.sensors[sensor].quantity);
            let reading = units::show(look, *value, update.u).0;
            match solids(setup, setup.sensors[sensor].quantity, *value) {
                ppm if ppm > setup.limits.product.limit_ppm => Water::Impure(reading),
                ppm if ppm.is_nan() => Water::Unknown("the product probe: not readable".into()),
                _ if update.flag == Flag::Suspect => Water::Doubtful(doubts(update)),
                _ => Water::Pure(reading),
            }
        }
        Ok(_) => Water::Unknown("the product probe: not readable".into()),
    }
}

/// A probe's reading in ppm on the plant's scale; NaN for what is no probe of dissolved solids.
fn solids(setup: &Setup, quantity: Quantity, value: f64) -> f64 {
    match quantity {
        Quantity::Tds => value,
        Quantity::Conductivity => value * setup.ppm_factor,
        Quantity::Resistivity => setup.ppm_factor / value,
        _ => f64::NAN,
    }
}

fn doubts(update: &ValueUpdate) -> String {
    let texts: Vec<&str> = update.reasons.iter().map(|one| words::reason(*one)).collect();
    if texts.is_empty() { "suspect".into() } else { texts.join(", ") }
}

/// Water flows, as far as the board knows.
fn flowing(board: &PlantBoard) -> bool {
    let key = ValueKey { signal: SignalId::Phase, of: None };
    board.values.get(&key).is_some_and(|update| {
        matches!(&update.datum, Ok(Datum::State { code, .. })
            if [Phase::Starting, Phase::Producing].iter().any(|phase| phase.code() == *code))
    })
}
