//! Every topic of ours, and what goes on it. No other file of the project spells a topic.
//!
//! The tree follows the Homie convention 5 (the 5 is the convention's version): the daemon is the
//! root device, its plants are the children. Values are plain and retained; an absent value is
//! cleared, and its `-quality` topic says `absent`. Shares are ratios inside and percent here: that
//! is decided by [`Shape`] and nowhere else.

use super::outbox::Outbox;
use crate::engine::catalogue::{Kind, Of, SignalId};
use crate::engine::output::{
    AlarmKey, AlarmUpdate, Datum, LogEntry, Output, Permit, Quality, ValueKey, ValueUpdate,
};
use crate::engine::setup::Setup;
use crate::engine::time::Wall;
use crate::settings::Settings;
use crate::units::Quantity;
use serde_json::json;

/// States of a device in the convention.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeviceState {
    /// Connected, not yet described.
    Init,
    /// Everything is there.
    Ready,
    /// Stopped cleanly.
    Disconnected,
    /// Gone without a word; also the last will.
    Lost,
}

impl DeviceState {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Init => "init",
            Self::Ready => "ready",
            Self::Disconnected => "disconnected",
            Self::Lost => "lost",
        }
    }
}

/// How numbers of a kind are shown on the bus.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Unit text; empty for none.
    pub unit: &'static str,
    /// Inside times this is what is shown.
    pub factor: f64,
    /// Datatype of the convention.
    pub datatype: &'static str,
    /// Class in the hub, if one fits (`hub/` rules: ppm has none).
    pub hub_class: Option<&'static str>,
    /// State class in the hub, without which it keeps no long-term statistics.
    pub hub_state_class: Option<&'static str>,
    /// Most digits after the point that are published.
    pub digits: usize,
}

/// Datatype of a point in time, which the bus carries as text (ISO 8601).
const DATETIME: &str = "datetime";

impl Shape {
    /// How a kind is shown.
    pub const fn of(kind: Kind) -> Self {
        const fn number(
            unit: &'static str,
            hub_class: Option<&'static str>,
            hub_state_class: &'static str,
            digits: usize,
        ) -> Shape {
            Shape {
                unit,
                factor: 1.0,
                datatype: "float",
                hub_class,
                hub_state_class: Some(hub_state_class),
                digits,
            }
        }
        const fn word(datatype: &'static str) -> Shape {
            Shape {
                unit: "",
                factor: 1.0,
                datatype,
                hub_class: None,
                hub_state_class: None,
                digits: 0,
            }
        }
        match kind {
            Kind::Solids => number("ppm", None, "measurement", 2),
            Kind::Conductivity => number("µS/cm", Some("conductivity"), "measurement", 3),
            Kind::Share => Self { factor: 100.0, ..number("%", None, "measurement", 3) },
            Kind::Ratio => number("", None, "measurement", 3),
            Kind::Flow => number("L/min", Some("volume_flow_rate"), "measurement", 4),
            Kind::Volume => number("L", Some("volume_storage"), "measurement", 3),
            Kind::Total => number("L", Some("water"), "total_increasing", 3),
            Kind::Pressure => number("bar", Some("pressure"), "measurement", 3),
            Kind::Temperature => number("°C", Some("temperature"), "measurement", 2),
            Kind::Duration => number("s", Some("duration"), "measurement", 1),
            Kind::Hours => number("h", Some("duration"), "measurement", 1),
            Kind::Days => number("d", Some("duration"), "measurement", 1),
            Kind::Instant => Self { hub_class: Some("timestamp"), ..word(DATETIME) },
            Kind::Grams => number("g", Some("weight"), "measurement", 0),
            Kind::Mass => number("mg", None, "measurement", 1),
            Kind::Charge => number("eq", None, "measurement", 6),
            Kind::Count => Self { datatype: "integer", ..number("", None, "total_increasing", 0) },
            Kind::Money => number("", None, "measurement", 4),
            Kind::Power => number("W", Some("power"), "measurement", 1),
            Kind::State | Kind::Text => word("string"),
            Kind::Flag => word("boolean"),
        }
    }

    /// How a sensor's readings are shown, in the canonical unit of its quantity.
    pub const fn of_reading(quantity: Quantity) -> Self {
        match quantity {
            Quantity::Tds => Self::of(Kind::Solids),
            Quantity::Conductivity => Self::of(Kind::Conductivity),
            // The hub knows no resistivity, and no unit of it in another class.
            Quantity::Resistivity => Self { unit: "MΩ·cm", ..Self::of(Kind::Ratio) },
            Quantity::Temperature => Self::of(Kind::Temperature),
            Quantity::Pressure => Self::of(Kind::Pressure),
            Quantity::Flow => Self::of(Kind::Flow),
            // A counter's reading is the litres that it stands for.
            Quantity::Volume | Quantity::Pulses => Self::of(Kind::Total),
            Quantity::Level => Self::of(Kind::Volume),
            Quantity::Full | Quantity::Leak | Quantity::Open => Self::of(Kind::Flag),
            Quantity::Power => Self::of(Kind::Power),
        }
    }

    /// How a value of the tree is shown.
    pub fn of_value(key: ValueKey, setup: &Setup) -> Self {
        match (key.signal, key.of) {
            (SignalId::Reading, Some(of)) => setup
                .sensors
                .get(usize::from(of))
                .map_or(Self::of(Kind::Solids), |sensor| Self::of_reading(sensor.quantity)),
            (signal, _) => Self::of(signal.row().kind),
        }
    }

    /// A number as it is published: shown unit, no more digits than say something, no trailing
    /// zeros, no exponent. `None` when it is not finite.
    pub fn number(&self, value: f64) -> Option<String> {
        let shown = value * self.factor;
        if !shown.is_finite() {
            return None;
        }
        if self.datatype == DATETIME {
            return Some(rfc3339(Wall::from_millis((shown * 1000.0) as i64)));
        }
        let text = format!("{shown:.*}", self.digits);
        let text = match text.contains('.') {
            true => text.trim_end_matches('0').trim_end_matches('.'),
            false => &text,
        };
        Some(if text == "-0" { "0".to_owned() } else { text.to_owned() })
    }
}

/// The topics of one daemon.
#[derive(Clone, Debug)]
pub struct Topics {
    base: String,
    daemon: String,
    hub_status: String,
    discovery_prefix: String,
}

/// Node under which commands to the guard are taken.
pub const GUARD: &str = "guard";
/// Node under which commands to the alarms are taken.
pub const ALARM: &str = "alarm";
/// Node under which service entries are taken.
pub const SERVICE: &str = "service";
/// Node of the event stream.
pub const EVENT: &str = "event";

/// Commands to the guard.
pub const GUARD_COMMANDS: &[&str] = &[
    "close",
    "release",
    "litres",
    "reset",
    "bypass",
    "bypass-end",
    "accept-gas",
    "accept-gas-end",
    "test-run",
    "test-run-end",
    "confirm-state",
    "proof",
];
/// Commands to the alarms.
pub const ALARM_COMMANDS: &[&str] = &["acknowledge", "shelve", "unshelve", "out-of-service"];

impl Topics {
    /// From the settings.
    pub fn new(settings: &Settings) -> Self {
        let broker = &settings.broker;
        Self {
            base: format!("{}/5", broker.root),
            daemon: settings.daemon.id.clone(),
            hub_status: format!("{}/status", broker.discovery_prefix),
            discovery_prefix: broker.discovery_prefix.clone(),
        }
    }

    /// Id of the daemon.
    pub fn daemon_id(&self) -> &str {
        &self.daemon
    }

    /// A topic of the daemon.
    pub fn daemon(&self, rest: &str) -> String {
        format!("{}/{}/{rest}", self.base, self.daemon)
    }

    /// A topic of a plant.
    pub fn plant(&self, plant: &str, rest: &str) -> String {
        format!("{}/{plant}/{rest}", self.base)
    }

    /// `$state` of the daemon: retained, `lost` by the last will.
    pub fn daemon_state(&self) -> String {
        self.daemon("$state")
    }

    /// `$description` of the daemon.
    pub fn daemon_description(&self) -> String {
        self.daemon("$description")
    }

    /// The heartbeat of a daemon, not retained: comes back to the one who sent it, and tells a
    /// second daemon with the same id that it is not alone.
    pub fn instance(&self) -> String {
        self.daemon("$instance")
    }

    /// The heartbeat for one plant, not retained (a dead one's last word must not look alive): tells
    /// every daemon that guards this plant, whatever its id, that it is not alone.
    pub fn plant_instance(&self, plant: &str) -> String {
        self.plant(plant, "$instance")
    }

    /// `$state` of a plant.
    pub fn plant_state(&self, plant: &str) -> String {
        self.plant(plant, "$state")
    }

    /// `$description` of a plant.
    pub fn plant_description(&self, plant: &str) -> String {
        self.plant(plant, "$description")
    }

    /// The permit document.
    pub fn permit(&self, plant: &str) -> String {
        self.plant(plant, "guard/permit")
    }

    /// The event stream.
    pub fn log(&self, plant: &str) -> String {
        self.plant(plant, "event/log")
    }

    /// Where a command is taken.
    pub fn command(&self, plant: &str, node: &str, command: &str) -> String {
        self.plant(plant, &format!("{node}/{command}/set"))
    }

    /// A value.
    pub fn value(&self, setup: &Setup, key: ValueKey) -> String {
        let (node, property) = node_and_property(setup, key);
        self.plant(&setup.plant, &format!("{node}/{property}"))
    }

    /// One word on how good a value is.
    pub fn quality(&self, setup: &Setup, key: ValueKey) -> String {
        format!("{}-quality", self.value(setup, key))
    }

    /// The standard uncertainty of a value.
    pub fn uncertainty(&self, setup: &Setup, key: ValueKey) -> String {
        format!("{}-u", self.value(setup, key))
    }

    /// The state of an alarm.
    pub fn alarm(&self, setup: &Setup, key: AlarmKey) -> String {
        self.plant(&setup.plant, &format!("{ALARM}/{}", alarm_id(setup, key)))
    }

    /// The details of an alarm, JSON.
    pub fn alarm_detail(&self, setup: &Setup, key: AlarmKey) -> String {
        format!("{}-detail", self.alarm(setup, key))
    }

    /// Whether an alarm wants somebody to do something: `true` while its cause is there or it is
    /// latched. For hubs, which otherwise need a template for the states.
    pub fn alarm_active(&self, setup: &Setup, key: AlarmKey) -> String {
        format!("{}-active", self.alarm(setup, key))
    }

    /// Where the hub says that it is back.
    pub fn hub_status(&self) -> &str {
        &self.hub_status
    }

    /// Where a device is announced to the hub.
    pub fn discovery(&self, device: &str) -> String {
        format!("{}/device/{device}/config", self.discovery_prefix)
    }

    /// The device that a topic announces, if it is such a topic.
    pub fn device_of<'a>(&self, topic: &'a str) -> Option<&'a str> {
        topic
            .strip_prefix(self.discovery_prefix.as_str())?
            .strip_prefix("/device/")?
            .strip_suffix("/config")
    }
}

/// Node and property of a value.
pub fn node_and_property(setup: &Setup, key: ValueKey) -> (String, String) {
    let row = key.signal.row();
    let index = key.of.map(usize::from);
    match (row.of, index) {
        (Of::Sensor, Some(index)) if index < setup.sensors.len() => {
            let sensor = &setup.sensors[index];
            let word = sensor.quantity.word();
            let alone = setup
                .sensors
                .iter()
                .filter(|other| other.point == sensor.point && other.quantity == sensor.quantity)
                .count()
                == 1;
            let property = if alone { word.to_owned() } else { format!("{word}-{}", sensor.id) };
            (sensor.point.word().to_owned(), property)
        }
        (Of::Part, Some(index)) if index < setup.parts.len() => {
            (format!("{}-{}", row.node, setup.parts[index].id), row.property.to_owned())
        }
        _ => (row.node.to_owned(), row.property.to_owned()),
    }
}

/// Id of an alarm on the bus.
pub fn alarm_id(setup: &Setup, key: AlarmKey) -> String {
    setup.alarm_id(key)
}

impl Quality {
    /// The word on the bus.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::Suspect => "suspect",
            Self::Assumed => "assumed",
            Self::Absent => "absent",
        }
    }
}

/// Publishes what an engine says. `instance` marks the permit, so that a second daemon is told from
/// the first.
pub fn publish_output(
    output: &Output,
    setup: &Setup,
    topics: &Topics,
    instance: &str,
    outbox: &Outbox,
) {
    match output {
        Output::Value(update) => publish_value(update, setup, topics, outbox),
        Output::Alarm(update) => publish_alarm(update, setup, topics, outbox),
        Output::Permit(permit) => publish_permit(permit, setup, topics, instance, outbox),
        Output::Log(entry) => publish_log(entry, &setup.plant, topics, outbox),
        Output::Send(_)
        | Output::Persist { .. }
        | Output::DropGuard { .. }
        | Output::Stopped { .. } => {}
    }
}

fn publish_value(update: &ValueUpdate, setup: &Setup, topics: &Topics, outbox: &Outbox) {
    let shape = Shape::of_value(update.key, setup);
    let text = match &update.datum {
        Err(_) => None,
        Ok(Datum::Number(number)) => shape.number(*number),
        Ok(Datum::State { word, .. }) => Some(word.to_string()),
        Ok(Datum::Flag(yes)) => Some(yes.to_string()),
        Ok(Datum::Text(text)) if text.is_empty() => Some("none".to_owned()),
        Ok(Datum::Text(text)) => Some(text.clone()),
    };
    let quality = match (&text, update.quality()) {
        (None, _) => Quality::Absent,
        (Some(_), quality) => quality,
    };
    let u = text
        .as_ref()
        .and(update.u)
        .filter(|u| *u > 0.0)
        .and_then(|u| Shape { digits: shape.digits + 2, ..shape }.number(u));
    outbox.publish(&topics.quality(setup, update.key), quality.word(), true);
    match text {
        // The engine says a value when it changed or its heartbeat is due; the hub counts on both.
        Some(text) => outbox.renew(&topics.value(setup, update.key), text),
        None => outbox.publish(&topics.value(setup, update.key), "", true),
    }
    outbox.publish(&topics.uncertainty(setup, update.key), u.unwrap_or_default(), true);
}

fn publish_alarm(update: &AlarmUpdate, setup: &Setup, topics: &Topics, outbox: &Outbox) {
    let row = update.key.alarm.row();
    let finite = |number: Option<f64>| number.filter(|number| number.is_finite());
    let detail = json!({
        "state": update.state.word(),
        "active": update.active,
        "latched": update.latched,
        "since": update.since.map(rfc3339),
        "value": finite(update.value),
        "limit": finite(update.limit),
        "class": update.class.word(),
        "consequence": row.consequence,
        "first_out": update.first_out,
        "text": update.text,
        "under": update.under.map(|alarm| alarm.name()),
        "chattering": update.chattering,
        "respond_secs": update.respond_secs,
        "means": row.means,
        "advice": row.advice,
        "clears": crate::engine::causes::clears(setup, row.id),
    });
    outbox.publish(&topics.alarm_detail(setup, update.key), detail.to_string(), true);
    let active = update.active || update.latched;
    outbox.publish(&topics.alarm_active(setup, update.key), active.to_string(), true);
    outbox.publish(&topics.alarm(setup, update.key), update.state.word(), true);
}

fn publish_permit(
    permit: &Permit,
    setup: &Setup,
    topics: &Topics,
    instance: &str,
    outbox: &Outbox,
) {
    let missing: Vec<_> = permit
        .missing
        .iter()
        .map(|one| json!({"cause": one.cause, "kind": one.kind, "clears": one.clears}))
        .collect();
    let document = json!({
        "permitted": permit.permitted,
        "since": permit.since.map(rfc3339),
        "first_cause": permit.first_cause,
        "missing": missing,
        "valve": permit.valve,
        "sequence": permit.sequence,
        "valid_until": permit.valid_until.map(rfc3339),
        "valid_secs": permit.valid_secs,
        "remarks": permit.remarks,
        "instance": instance,
    });
    outbox.publish(&topics.permit(&setup.plant), document.to_string(), true);
}

/// Publishes an entry of the event stream.
pub fn publish_log(entry: &LogEntry, plant: &str, topics: &Topics, outbox: &Outbox) {
    let document = json!({
        "at": entry.at.map(rfc3339),
        "kind": entry.kind,
        "text": entry.text,
        "data": entry.data,
    });
    outbox.publish(&topics.log(plant), document.to_string(), false);
}

/// A time for people and programs.
pub fn rfc3339(wall: crate::engine::time::Wall) -> String {
    jiff::Timestamp::from_millisecond(wall.millis())
        .map_or_else(|_| wall.millis().to_string(), |time| time.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edge::mqtt::testing;
    use crate::engine::catalogue::AlarmId;
    use crate::engine::time::Wall;
    use crate::engine::value::NoReading;

    #[test]
    fn numbers_are_plain() {
        let solids = Shape::of(Kind::Solids);
        for (value, text) in [
            (0.0, "0"),
            (-0.0, "0"),
            (-0.001, "0"),
            (100.0, "100"),
            (12.5, "12.5"),
            (1.0 / 3.0, "0.33"),
            (1e6, "1000000"),
        ] {
            assert_eq!(solids.number(value).as_deref(), Some(text));
        }
        assert_eq!(solids.number(f64::NAN), None);
        assert_eq!(solids.number(f64::INFINITY), None);
        assert_eq!(Shape::of(Kind::Share).number(0.9731).as_deref(), Some("97.31"));
        assert_eq!(Shape::of(Kind::Share).number(0.29).as_deref(), Some("29"));
        assert_eq!(Shape::of(Kind::Count).number(120.0).as_deref(), Some("120"));
    }

    /// No step of the catalogue is finer than what is published.
    #[test]
    fn every_value_is_published_as_fine_as_it_is_rounded() {
        for row in crate::engine::catalogue::SIGNALS.iter().filter(|row| row.step > 0.0) {
            let shape = Shape::of(row.kind);
            let finest = 10f64.powi(-(shape.digits as i32));
            assert!(row.step * shape.factor >= finest * 0.999, "{:?}", row.id);
        }
    }

    fn published(output: &Output) -> std::collections::BTreeMap<String, String> {
        let (settings, setup) = testing::plant();
        let outbox = Outbox::new();
        publish_output(output, &setup, &Topics::new(&settings), "i", &outbox);
        std::iter::from_fn(|| outbox.next())
            .map(|message| {
                let text = String::from_utf8(message.payload.to_vec()).expect("text");
                (message.topic.replace("permeated/5/reef/", ""), text)
            })
            .collect()
    }

    #[test]
    fn an_alarm_has_a_word_a_flag_and_its_details() {
        let all = published(&Output::Alarm(AlarmUpdate {
            key: AlarmKey::plant(AlarmId::Leak),
            state: crate::engine::output::AlarmState::Acknowledged,
            active: false,
            latched: true,
            since: Some(Wall::from_millis(1_795_600_800_000)),
            value: Some(f64::NAN),
            limit: None,
            class: crate::engine::catalogue::Class::Now,
            first_out: true,
            text: "Water".into(),
            under: None,
            chattering: 0,
            respond_secs: None,
        }));
        assert_eq!(all["alarm/leak"], "acknowledged");
        assert_eq!(all["alarm/leak-active"], "true");
        let detail: serde_json::Value =
            serde_json::from_str(&all["alarm/leak-detail"]).expect("JSON");
        assert_eq!(detail["since"], "2026-11-25T10:00:00Z");
        assert_eq!(detail["value"], serde_json::Value::Null);
        assert_eq!(detail["first_out"], true);
    }

    #[test]
    fn a_permit_says_whose_it_is() {
        let all = published(&Output::Permit(Permit {
            permitted: false,
            since: None,
            first_cause: Some("leak".into()),
            missing: Vec::new(),
            valve: "closed".into(),
            sequence: 7,
            valid_until: Some(Wall::from_millis(1_795_600_800_000)),
            valid_secs: None,
            remarks: Vec::new(),
        }));
        let permit: serde_json::Value = serde_json::from_str(&all["guard/permit"]).expect("JSON");
        assert_eq!(permit["permitted"], false);
        assert_eq!(permit["instance"], "i");
        assert_eq!(permit["valid_until"], "2026-11-25T10:00:00Z");
    }

    #[test]
    fn an_unknown_owner_does_not_panic() {
        let key = ValueKey { signal: SignalId::Reading, of: Some(999) };
        let update = ValueUpdate {
            key,
            datum: Err(NoReading::Stale),
            u: None,
            flag: crate::engine::value::Flag::Good,
            reasons: Vec::new(),
            basis: crate::engine::value::Basis::Measured,
            stamp: None,
            store: false,
        };
        assert!(!published(&Output::Value(update)).is_empty());
    }
}
