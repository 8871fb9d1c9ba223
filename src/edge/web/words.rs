//! The page's words for the engine's enums. Every match is exhaustive: a new reason without a word
//! does not compile.

use crate::engine::catalogue::{Class, SignalId};
use crate::engine::output::{AlarmState, Quality};
use crate::engine::value::{NoReading, Reason};
use crate::settings::schema::Point;

/// The points in the order in which water passes them, then what stands beside the flow.
pub const POINTS: [Point; 9] = [
    Point::Supply,
    Point::Feed,
    Point::Concentrate,
    Point::Reuse,
    Point::Permeate,
    Point::Between,
    Point::Product,
    Point::Store,
    Point::Room,
];

/// What a point is.
pub const fn point(point: Point) -> &'static str {
    match point {
        Point::Supply => "the tap",
        Point::Feed => "what reaches the membrane",
        Point::Concentrate => "what carries the salt away",
        Point::Permeate => "what passed the membrane",
        Point::Between => "after the first vessel",
        Point::Product => "after the last vessel",
        Point::Store => "the container",
        Point::Reuse => "concentrate kept for other use",
        Point::Room => "around the plant",
    }
}

/// What is due when a value of this kind has run down; `None` for values that are no term.
pub const fn coming(signal: SignalId) -> Option<&'static str> {
    Some(match signal {
        SignalId::PrefilterRemaining => "change",
        SignalId::ResinRemainingDays => "resin of",
        SignalId::MembraneRemaining => "membrane",
        SignalId::StoreStartBy => "start for the next change of water, at the latest",
        SignalId::BatchMixBy => "mix the salt water for the next change, at the latest",
        SignalId::ProofOverdueIn => "prove what protects you",
        _ => return None,
    })
}

/// The stages in the order in which the page shows them, by node of the catalogue.
pub const STAGES: [(&str, &str); 14] = [
    ("plant", "the plant as a whole"),
    ("feed", "what the tap gives"),
    ("prefilter", "what stands before the membrane"),
    ("membrane", "what the membrane does"),
    ("creep", "the first water of the last start"),
    ("resin", "what the vessels have taken up"),
    ("store", "what is kept"),
    ("batch", "salt water for the next change"),
    ("reuse", "concentrate that is used again"),
    ("wear", "what wears, and why"),
    ("flush", "whether flushing helps"),
    ("cost", "what it costs"),
    ("guard", "what watches the valve"),
    ("alarms", "how busy the alarms are"),
];

/// Why there is no value.
pub const fn absent(reason: NoReading) -> &'static str {
    match reason {
        NoReading::NeverSeen => "never heard of",
        NoReading::NotSinceStart => "nothing since the start",
        NoReading::Stale => "silent",
        NoReading::Offline => "offline",
        NoReading::Unparsable => "not readable",
        NoReading::OutOfRange => "impossible reading",
        NoReading::NotApplicable => "says nothing now",
        NoReading::NotConfigured => "needs what is not there",
        NoReading::Unsupported => "not known well enough",
    }
}

/// The same as the beginning of a line that lists what is not there.
pub const fn without(reason: NoReading) -> &'static str {
    match reason {
        NoReading::NeverSeen => "Not heard of yet",
        NoReading::NotSinceStart => "Nothing since the start",
        NoReading::Stale => "Silent",
        NoReading::Offline => "Offline",
        NoReading::Unparsable => "Not readable",
        NoReading::OutOfRange => "Impossible",
        NoReading::NotApplicable => "Says nothing now",
        NoReading::NotConfigured => "Not told, for want of what it needs",
        NoReading::Unsupported => "Not known well enough",
    }
}

/// Why a value is less than good.
pub const fn reason(reason: Reason) -> &'static str {
    match reason {
        Reason::Unusual => "unusual",
        Reason::Spike => "spike",
        Reason::Rate => "too fast",
        Reason::FlatLine => "does not move",
        Reason::Contradiction => "contradicted",
        Reason::NotSettled => "not settled",
        Reason::FewSamples => "few samples",
        Reason::Gap => "gap",
        Reason::Late => "late",
        Reason::Compensation => "temperature uncertain",
        Reason::Resolution => "near the probe's step",
        Reason::Retained => "age unknown",
        Reason::Clock => "clock",
        Reason::RunIn => "run-in",
        Reason::Pending => "test pending",
    }
}

/// One word for a quality.
pub const fn quality(quality: Quality) -> &'static str {
    match quality {
        Quality::Good => "good",
        Quality::Suspect => "suspect",
        Quality::Assumed => "assumed",
        Quality::Absent => "absent",
    }
}

/// When a class wants to be answered.
pub const fn class(class: Class) -> &'static str {
    match class {
        Class::Now => "now, at any hour",
        Class::Today => "today",
        Class::Soon => "when it suits",
    }
}

/// An alarm's state as a remark.
pub const fn alarm_state(state: AlarmState) -> &'static str {
    match state {
        AlarmState::Normal => "over",
        AlarmState::Unacknowledged => "nobody has taken note",
        AlarmState::Acknowledged => "taken note of",
        AlarmState::ReturnedUnacknowledged => "gone again, nobody has taken note",
        AlarmState::Shelved => "on the shelf",
        AlarmState::SuppressedByDesign => "means nothing at present",
        AlarmState::OutOfService => "out of service",
    }
}

/// An id as words: `supply-valve` is "supply valve".
pub fn plain(id: &str) -> String {
    id.replace('-', " ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::catalogue::{Of, SIGNALS};

    #[test]
    fn every_value_of_the_catalogue_has_its_place_on_the_page() {
        for row in SIGNALS.iter().filter(|row| row.of != Of::Sensor) {
            assert!(STAGES.iter().any(|(node, _)| *node == row.node), "{}", row.node);
        }
    }
}
