//! The alarm machine as one table. Each row is a test that bears its name; another test walks the
//! machine from every state with every happening and finds nothing beside the table.
//!
//! States and words are those of ISA-18.2 / IEC 62682; *latched* is a cause that stays until a reset.

use crate::engine::output::AlarmState;

/// What can happen to an alarm.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Happening {
    /// The cause is there.
    CauseComes,
    /// The cause is away, after longer than a fleeting moment.
    CauseGoes,
    /// Something more has come behind a cause that is there: one alarm that stands for several things.
    CauseGrows,
    /// Nobody can tell whether the cause is there.
    Silence,
    /// A person takes note.
    Acknowledge,
    /// A person resets a latched alarm.
    Reset,
    /// A person puts it aside for a while.
    Shelve,
    /// That while is over, or a person takes it off the shelf.
    ShelfEnds,
    /// An alarm from which it follows stands.
    ParentComes,
    /// That one is gone.
    ParentGoes,
    /// A person takes it out of service.
    TakeOut,
    /// A person puts it back.
    PutBack,
}

/// One row: in this state, when this happens, it goes there.
#[derive(Clone, Copy, Debug)]
pub struct Transition {
    /// Name of the row and of its test.
    pub name: &'static str,
    /// How a new alarm gets into the state, latched (`true`) or not.
    pub path: (&'static [Happening], bool),
    /// State before.
    pub from: AlarmState,
    /// What happens.
    pub when: Happening,
    /// State after.
    pub to: AlarmState,
}

macro_rules! transitions {
    ($($name:ident: $latches:literal [$($step:ident)*] $from:ident + $when:ident => $to:ident;)*) => {
        /// Every transition.
        pub const TRANSITIONS: &[Transition] = &[$(Transition {
            name: stringify!($name),
            path: (&[$(Happening::$step),*], $latches),
            from: AlarmState::$from,
            when: Happening::$when,
            to: AlarmState::$to,
        },)*];

        #[cfg(test)]
        mod rows {
            $(#[test]
            fn $name() {
                super::tests::prove(stringify!($name));
            })*
        }
    };
}

// name: latches [how it got there] from + what happens => to
transitions! {
    normal_to_unacknowledged_when_the_cause_comes: false [] Normal + CauseComes => Unacknowledged;
    unacknowledged_to_acknowledged_by_a_person: false [CauseComes] Unacknowledged + Acknowledge => Acknowledged;
    unacknowledged_to_returned_when_the_cause_goes_first: false [CauseComes] Unacknowledged + CauseGoes => ReturnedUnacknowledged;
    acknowledged_to_normal_when_the_cause_goes: false [CauseComes Acknowledge] Acknowledged + CauseGoes => Normal;
    returned_to_normal_by_a_person: false [CauseComes CauseGoes] ReturnedUnacknowledged + Acknowledge => Normal;
    returned_to_unacknowledged_when_the_cause_comes_back: false [CauseComes CauseGoes] ReturnedUnacknowledged + CauseComes => Unacknowledged;

    acknowledged_to_unacknowledged_when_more_comes: false [CauseComes Acknowledge] Acknowledged + CauseGrows => Unacknowledged;
    more_keeps_unacknowledged: false [CauseComes] Unacknowledged + CauseGrows => Unacknowledged;
    shelved_stays_shelved_when_more_comes: false [CauseComes Shelve] Shelved + CauseGrows => Shelved;
    suppressed_stays_suppressed_when_more_comes: false [CauseComes ParentComes] SuppressedByDesign + CauseGrows => SuppressedByDesign;
    out_of_service_stays_when_more_comes: false [CauseComes TakeOut] OutOfService + CauseGrows => OutOfService;

    silence_keeps_unacknowledged: false [CauseComes] Unacknowledged + Silence => Unacknowledged;
    silence_keeps_acknowledged: false [CauseComes Acknowledge] Acknowledged + Silence => Acknowledged;
    silence_keeps_returned: false [CauseComes CauseGoes] ReturnedUnacknowledged + Silence => ReturnedUnacknowledged;

    latched_keeps_unacknowledged_when_the_cause_goes: true [CauseComes] Unacknowledged + CauseGoes => Unacknowledged;
    latched_keeps_acknowledged_when_the_cause_goes: true [CauseComes Acknowledge] Acknowledged + CauseGoes => Acknowledged;
    latched_to_normal_by_a_reset_once_the_cause_is_gone: true [CauseComes Acknowledge CauseGoes] Acknowledged + Reset => Normal;
    latched_and_unacknowledged_to_normal_by_a_reset: true [CauseComes CauseGoes] Unacknowledged + Reset => Normal;
    a_reset_while_the_cause_is_there_keeps_unacknowledged: true [CauseComes] Unacknowledged + Reset => Unacknowledged;
    a_reset_while_the_cause_is_there_keeps_acknowledged: true [CauseComes Acknowledge] Acknowledged + Reset => Acknowledged;

    unacknowledged_to_shelved: false [CauseComes] Unacknowledged + Shelve => Shelved;
    acknowledged_to_shelved: false [CauseComes Acknowledge] Acknowledged + Shelve => Shelved;
    normal_to_shelved: false [] Normal + Shelve => Shelved;
    shelved_to_unacknowledged_when_the_time_is_over: false [CauseComes Shelve] Shelved + ShelfEnds => Unacknowledged;
    shelved_to_acknowledged_when_the_time_is_over: false [CauseComes Acknowledge Shelve] Shelved + ShelfEnds => Acknowledged;
    shelved_to_normal_when_the_time_is_over: false [Shelve] Shelved + ShelfEnds => Normal;
    shelved_stays_shelved_when_the_cause_comes: false [Shelve] Shelved + CauseComes => Shelved;

    unacknowledged_to_suppressed_under_its_parent: false [CauseComes] Unacknowledged + ParentComes => SuppressedByDesign;
    acknowledged_to_suppressed_under_its_parent: false [CauseComes Acknowledge] Acknowledged + ParentComes => SuppressedByDesign;
    suppressed_to_unacknowledged_when_the_parent_goes: false [CauseComes ParentComes] SuppressedByDesign + ParentGoes => Unacknowledged;
    suppressed_to_acknowledged_when_the_parent_goes: false [CauseComes Acknowledge ParentComes] SuppressedByDesign + ParentGoes => Acknowledged;
    suppressed_to_normal_when_the_cause_goes_under_its_parent: false [CauseComes ParentComes] SuppressedByDesign + CauseGoes => Normal;

    unacknowledged_to_out_of_service: false [CauseComes] Unacknowledged + TakeOut => OutOfService;
    acknowledged_to_out_of_service: false [CauseComes Acknowledge] Acknowledged + TakeOut => OutOfService;
    normal_to_out_of_service: false [] Normal + TakeOut => OutOfService;
    out_of_service_to_unacknowledged_when_it_is_put_back: false [CauseComes TakeOut] OutOfService + PutBack => Unacknowledged;
    out_of_service_to_acknowledged_when_it_is_put_back: false [CauseComes Acknowledge TakeOut] OutOfService + PutBack => Acknowledged;
    out_of_service_to_normal_when_it_is_put_back: false [TakeOut] OutOfService + PutBack => Normal;
    out_of_service_stays_when_the_cause_comes: false [TakeOut] OutOfService + CauseComes => OutOfService;
}

#[cfg(test)]
mod tests {
    use super::super::{Alarms, Evidence};
    use super::{Happening, TRANSITIONS};
    use crate::engine::catalogue::AlarmId;
    use crate::engine::output::{AlarmKey, AlarmState};
    use crate::engine::time::{Mono, Now, Span, Wall};

    struct Machine {
        alarms: Alarms,
        key: AlarmKey,
        secs: i64,
    }

    impl Machine {
        fn new(latches: bool) -> Self {
            // Both may be shelved, and neither is answered at any hour.
            let alarm = if latches { AlarmId::ProductTdsHigh } else { AlarmId::FeedPressureLow };
            Self { alarms: Alarms::default(), key: AlarmKey::plant(alarm), secs: 0 }
        }

        fn state(&self) -> AlarmState {
            self.alarms.alarms.get(self.key).map(super::super::Alarm::state).unwrap_or_default()
        }

        fn happens(&mut self, what: Happening) {
            // Never so quick that a cause counts as fleeting, never so often that it chatters.
            self.secs += 1_000;
            let millis = self.secs * 1000;
            let now = Now::new(Mono::from_millis(millis), Wall::from_millis(millis));
            let (alarms, key) = (&mut self.alarms, self.key);
            let mut set = |active| alarms.set(now, key, active, Evidence::default);
            match what {
                Happening::CauseComes => drop(set(Some(true))),
                Happening::CauseGoes => drop(set(Some(false))),
                Happening::CauseGrows => alarms.restate(key, true, Evidence::default()),
                Happening::Silence => drop(set(None)),
                Happening::Acknowledge => drop(alarms.acknowledge(|one| one == key)),
                Happening::Reset => alarms.reset(now, key),
                Happening::Shelve => {
                    alarms.shelve(now, key, Span::from_secs(86_000)).expect("may be shelved");
                }
                Happening::ShelfEnds => alarms.unshelve(key),
                Happening::ParentComes => alarms.suppress(key, true),
                Happening::ParentGoes => alarms.suppress(key, false),
                Happening::TakeOut => alarms.out_of_service(key, true).expect("may be taken out"),
                Happening::PutBack => alarms.out_of_service(key, false).expect("may be put back"),
            }
        }
    }

    pub(super) fn prove(name: &str) {
        let row = TRANSITIONS.iter().find(|row| row.name == name).expect("a row of the table");
        let mut machine = Machine::new(row.path.1);
        for step in row.path.0 {
            machine.happens(*step);
        }
        assert_eq!(machine.state(), row.from);
        machine.happens(row.when);
        assert_eq!(machine.state(), row.to);
        // What the machine is, survives a restart.
        let text = serde_json::to_string(&machine.alarms).expect("serialises");
        assert_eq!(serde_json::from_str::<Alarms>(&text).expect("reads"), machine.alarms);
    }

    /// Whatever happens in whatever order, a step that changes the state stands in the table, up to
    /// what hides it (shelf, parent, out of service).
    #[test]
    fn no_step_changes_the_state_beside_the_table() {
        use Happening as H;
        let plain =
            [H::CauseComes, H::CauseGoes, H::CauseGrows, H::Silence, H::Acknowledge, H::Reset];
        for latches in [false, true] {
            for code in 0..plain.len().pow(6) {
                let mut machine = Machine::new(latches);
                let mut rest = code;
                for _ in 0..6 {
                    let what = plain[rest % plain.len()];
                    rest /= plain.len();
                    let from = machine.state();
                    machine.happens(what);
                    let to = machine.state();
                    let known = from == to
                        || TRANSITIONS
                            .iter()
                            .any(|row| (row.from, row.when, row.to) == (from, what, to));
                    assert!(known, "{from:?} + {what:?} => {to:?} is not in the table");
                }
            }
        }
    }
}
