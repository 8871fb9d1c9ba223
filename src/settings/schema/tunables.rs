//! Limits, delays and prices: what may be turned without rebuilding the plant.
//!
//! Each comment ends with what goes wrong at either extreme; unit and range stand in the key's name
//! and its attribute.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Limits and delays.
#[derive(Clone, Debug, PartialEq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Limits {
    /// Product quality.
    pub product: ProductLimits,
    /// The guard's own times.
    pub guard: GuardLimits,
    /// Container: litres and level.
    pub store: StoreLimits,
    /// Pressures.
    pub pressure: PressureLimits,
    /// Temperatures.
    pub temperature: TemperatureLimits,
    /// Water that passes a closed valve.
    pub leak_by: LeakByLimits,
    /// Leak sensor and floats.
    pub floor: FloorLimits,
    /// When people sleep.
    pub household: HouseholdLimits,
    /// How long a proof is good for.
    pub proof: ProofLimits,
    /// Wear and quality of the stages.
    pub stages: StageLimits,
    /// Filters, membrane and probes: when something is due.
    pub wear: WearLimits,
}

macro_rules! limits {
    ($(#[$doc:meta])* $name:ident { $($(#[$fdoc:meta])* $field:ident: $ty:ty = $default:expr,)* }) => {
        $(#[$doc])*
        #[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
        #[serde(default)]
        pub struct $name {
            $($(#[$fdoc])* pub $field: $ty,)*
        }

        impl Default for $name {
            fn default() -> Self {
                Self { $($field: $default,)* }
            }
        }
    };
}

limits!(
    /// Product quality, judged by dose in flowing water.
    ProductLimits {
        /// Reading that counts as not pure. Lower than the display's step: nothing below the step
        /// is seen anyway. Higher: salt passes unseen into the store.
        #[schemars(range(min = 0.01, max = 100))]
        limit_ppm: f64 = 1.0,
        /// Dose (ppm above zero times litres) that closes. Lower: a short bubble or spike closes.
        /// Higher: more salt reaches the store first.
        #[schemars(range(min = 0.01, max = 1000))]
        dose_ppm_litres: f64 = 0.5,
        /// Least readings at or above the limit before a close. Lower: one wrong reading closes.
        /// Higher: the close comes late with slow probes.
        #[schemars(range(min = 1, max = 100))]
        #[schemars(extend("x-unit" = "readings"))]
        readings_min: u32 = 3,
        /// Least time at or above the limit before a close. Lower: a short disturbance closes.
        /// Higher: the close comes that much later.
        #[schemars(range(min = 0, max = 600))]
        duration_min_secs: f64 = 15.0,
        /// Litres of flowing water below the limit that take the dose back to zero. Lower: slow
        /// spoiling is forgotten between readings. Higher: old doses add up to a close.
        #[schemars(range(min = 0.01, max = 100))]
        clear_litres: f64 = 1.0,
        /// Rinse-in after a start: standing water in the last vessel is not judged by dose until
        /// this much has passed. Lower: a healthy first litre closes. Higher: spoiled first water
        /// reaches the store.
        #[schemars(range(min = 0, max = 20))]
        rinse_in_litres: f64 = 0.5,
        /// Ceiling during the rinse-in. Lower: a healthy start closes. Higher: a spent vessel is
        /// found only after the rinse-in. Without resin behind the membrane: what the tap has, for
        /// first water comes near to it.
        #[schemars(range(min = 0.1, max = 5000))]
        rinse_in_ceiling_ppm: f64 = 5.0,
        /// Longest rinse-in. Lower: slow plants are judged too early. Higher: without a flow meter
        /// spoiled water is let pass that long.
        #[schemars(range(min = 10, max = 7200))]
        rinse_in_max_secs: f64 = 600.0,
        /// Gross failure, such as swapped tubes: closes without a dose. Lower: bubbles after a
        /// start close. Higher: a gross failure waits for its dose.
        #[schemars(range(min = 1, max = 5000))]
        fast_ppm: f64 = 20.0,
        /// Readings for that. Lower: one wrong reading closes. Higher: the close comes late with
        /// slow probes.
        #[schemars(range(min = 1, max = 100))]
        #[schemars(extend("x-unit" = "readings"))]
        fast_readings: u32 = 3,
        /// Highest steady level of gas (carbon dioxide) that a person may accept in place of zero by
        /// the command `accept-gas`; 0: none. Only water that reads zero belongs to the animals, and
        /// fresh anion resin or airing of the permeate are the remedies: this bridges the time until
        /// then. Lower: a plant whose anion part lets gas through stays closed until it is changed.
        /// Higher: that much of whatever it is reaches the store for as long as it is accepted.
        #[schemars(range(min = 0, max = 2))]
        gas_accept_max_ppm: f64 = 0.0,
        /// An accepted level stands for at most so long. Lower: it has to be shown and accepted anew
        /// while the resin is on its way. Higher: it is forgotten that the water does not read zero.
        #[schemars(range(min = 1, max = 90))]
        gas_accept_days: f64 = 30.0,
    }
);

limits!(
    /// The guard's own times.
    GuardLimits {
        /// Readings in the guard path's median, odd; 0: 3, or 5 when the sensor's interval is below
        /// 5 s. Lower: a single spike counts. Higher: each close comes later by half of them.
        #[schemars(range(min = 0, max = 9))]
        #[schemars(extend("x-unit" = "readings"))]
        median_readings: u32 = 0,
        /// Silent while water flows: this many usual intervals; 3.5 lets two messages in a row be
        /// lost, with the usual irregularity of a radio. Lower: one lost message holds the plant.
        /// Higher: water runs unwatched for longer.
        #[schemars(range(min = 1.5, max = 20))]
        #[schemars(extend("x-unit" = "intervals"))]
        stale_factor: f64 = 3.5,
        /// But at least this long. Lower: a short Wi-Fi pause holds the plant. Higher: water runs
        /// unwatched for longer.
        #[schemars(range(min = 1, max = 600))]
        stale_min_secs: f64 = 15.0,
        /// And at most this long. Lower: slow probes always count as silent. Higher: water runs
        /// unwatched for longer.
        #[schemars(range(min = 5, max = 3600))]
        stale_max_secs: f64 = 60.0,
        /// Silent on standby: at least this long. Lower: sensors that rest while nothing flows are
        /// reported. Higher: a dead one is found only at the next start.
        #[schemars(range(min = 60, max = 86400))]
        standby_min_secs: f64 = 600.0,
        /// Silent for a battery sensor: at most this long. Lower: a sleeping one is reported.
        /// Higher: an empty battery is found late.
        #[schemars(range(min = 3600, max = 604800))]
        battery_max_secs: f64 = 93600.0,
        /// After opening the product probe must prove itself alive within this time. Lower: slow
        /// probes hold each start. Higher: water runs that long unwatched.
        #[schemars(range(min = 5, max = 600))]
        prove_in_secs: f64 = 60.0,
        /// Or within this volume. Lower: slow probes hold each start. Higher: that much may pass
        /// unwatched.
        #[schemars(range(min = 0.01, max = 20))]
        prove_in_litres: f64 = 0.2,
        /// A hold returns after its cause has been good for this long. Lower: the plant starts and
        /// stops by turns. Higher: it waits longer than it must.
        #[schemars(range(min = 5, max = 3600))]
        hold_return_secs: f64 = 60.0,
        /// The hold of one cause that latches within 24 h and then waits for a person. Lower: small
        /// disturbances need a person. Higher: a failing probe is papered over.
        #[schemars(range(min = 1, max = 100))]
        #[schemars(extend("x-unit" = "holds"))]
        holds_per_day: u32 = 3,
        /// Shortest time between a close and the next open. Lower: short runs, and each start
        /// brings salty first water. Higher: the store fills slowly.
        #[schemars(range(min = 0, max = 86400))]
        off_min_secs: f64 = 600.0,
        /// Most starts in an hour. Lower: legitimate starts wait. Higher: each start brings salty
        /// first water, and the pump heats up.
        #[schemars(range(min = 1, max = 60))]
        #[schemars(extend("x-unit" = "starts"))]
        starts_per_hour: u32 = 2,
        /// Most starts in a day. Lower: legitimate starts wait. Higher: resin is spent on first
        /// water.
        #[schemars(range(min = 1, max = 500))]
        #[schemars(extend("x-unit" = "starts"))]
        starts_per_day: u32 = 12,
        /// How long a permit is valid for the hub. Lower: a short pause lets it expire. Higher: the
        /// hub goes on that long after the daemon has died.
        #[schemars(range(min = 10, max = 3600))]
        permit_valid_secs: f64 = 60.0,
        /// How often it is renewed; at most a third of its validity, so that two lost ones do no
        /// harm. Lower: needless traffic. Higher: it expires in between.
        #[schemars(range(min = 1, max = 1200))]
        permit_renew_secs: f64 = 20.0,
        /// A close must be confirmed within this time (motor: its travel on top). Lower: slow
        /// valves are reported and told again. Higher: a stuck valve is noticed late.
        #[schemars(range(min = 1, max = 120))]
        confirm_secs: f64 = 5.0,
        /// Not confirmed after this long: the second barrier closes. Lower: a slow report stops the
        /// pump. Higher: water runs that much longer past a stuck valve.
        #[schemars(range(min = 2, max = 600))]
        barrier_secs: f64 = 20.0,
        /// The main connection to the broker may be gone this long before the hold. Lower: each
        /// short pause holds the plant. Higher: water runs that long with nothing seen.
        #[schemars(range(min = 1, max = 600))]
        broker_lost_secs: f64 = 5.0,
        /// A bypass lasts at most this long. Lower: too short for the work it is for. Higher: the
        /// plant runs unguarded for longer.
        #[schemars(range(min = 60, max = 7200))]
        bypass_secs: f64 = 1200.0,
        /// Or this much water. Lower: too little for the work it is for. Higher: more unguarded
        /// water.
        #[schemars(range(min = 0.1, max = 200))]
        bypass_litres: f64 = 10.0,
        /// A test run lasts at most this long. Lower: a slow plant never shows pure water, and its trip
        /// cannot be cleared. Higher: a run in which no water flows keeps the valve open for longer.
        #[schemars(range(min = 60, max = 7200))]
        test_run_secs: f64 = 3600.0,
        /// Or this much water. Lower: fresh resin is judged before it is rinsed. Higher: more water
        /// down the drain.
        #[schemars(range(min = 0.1, max = 200))]
        test_run_litres: f64 = 5.0,
        /// Pump first, valve this much later. Lower: the valve closes against the running pump.
        /// Higher: the valve closes later.
        #[schemars(range(min = 0, max = 10))]
        pump_lead_secs: f64 = 1.0,
        /// Longest time from event to command that you accept; `check` warns when a row of its
        /// table takes longer. Lower: it warns of what cannot be faster. Higher: slow probes go
        /// unmentioned.
        #[schemars(range(min = 1, max = 3600))]
        delay_wanted_secs: f64 = 20.0,
    }
);

limits!(
    /// Container: litres and level.
    StoreLimits {
        /// A run that makes more than this share of the free volume closes; what is usually taken from
        /// the container in that time counts as free. Lower: errors of the meter end runs. Higher: more
        /// water on the floor when the float sticks.
        #[schemars(range(min = 1, max = 3))]
        #[schemars(extend("x-unit" = "1"))]
        run_factor: f64 = 1.1,
        /// Without a meter: a run longer than this many times the expected time closes. Lower: cold
        /// water, which doubles the time, ends runs. Higher: more water on the floor when the float
        /// sticks.
        #[schemars(range(min = 1, max = 5))]
        #[schemars(extend("x-unit" = "1"))]
        run_time_factor: f64 = 1.5,
        /// Overfull must hold this long. Lower: waves close. Higher: more runs over.
        #[schemars(range(min = 0, max = 60))]
        overfull_secs: f64 = 2.0,
        /// The float must hold this long. Lower: waves close. Higher: the float has to leave more
        /// room above it.
        #[schemars(range(min = 0, max = 120))]
        full_secs: f64 = 5.0,
        /// Band below the stop that counts as not full. Lower: many short runs, and each start
        /// brings salty first water. Higher: the store is less full on average.
        #[schemars(range(min = 0.1, max = 10000))]
        band_litres: f64 = 10.0,
        /// Oldest water of this age is told. Lower: water that is still good is reported. Higher: it
        /// is told when it is too late to use it in time.
        #[schemars(range(min = 7, max = 365))]
        age_told_days: f64 = 21.0,
        /// Water should not get older than this: purified water holds no disinfectant. Lower: water
        /// that is still good is thrown away. Higher: germs have longer to grow.
        #[schemars(range(min = 7, max = 365))]
        age_limit_days: f64 = 30.0,
        /// A draw this many times faster than the fastest usual one (the 99 % quantile of the learned
        /// litres an hour) is told. Lower: a busy hour is reported. Higher: a slow siphon goes
        /// unmentioned.
        #[schemars(range(min = 1, max = 20))]
        #[schemars(extend("x-unit" = "1"))]
        draw_factor: f64 = 3.0,
        /// But only from this much on. Lower: noise of the level sensor is reported. Higher: more
        /// fresh water is in the aquarium before anybody is told.
        #[schemars(range(min = 0.5, max = 10000))]
        draw_litres: f64 = 5.0,
        /// And over at least this long. Lower: somebody who fills a can is reported. Higher: a siphon
        /// is told late.
        #[schemars(range(min = 60, max = 21600))]
        draw_secs: f64 = 900.0,
        /// How long before the last moment for a start a change that lacks water is told. Lower: the
        /// message comes in the night before. Higher: it comes before the plant would have started
        /// anyway.
        #[schemars(range(min = 0, max = 168))]
        #[schemars(extend("x-unit" = "h"))]
        short_hours: f64 = 12.0,
    }
);

limits!(
    /// Pressures, gauge, while water flows.
    PressureLimits {
        /// Low feed pressure, told. Lower: poor pressure goes unmentioned. Higher: evening dips are
        /// reported.
        #[schemars(range(min = 0.1, max = 80))]
        low_bar: f64 = 2.8,
        /// For this long. Lower: each opened tap in the house is reported. Higher: a clogged filter
        /// is told late.
        #[schemars(range(min = 1, max = 3600))]
        low_secs: f64 = 300.0,
        /// High feed pressure, told. Lower: healthy pressure is reported. Higher: a failing reducer
        /// goes unmentioned.
        #[schemars(range(min = 0.5, max = 80))]
        high_bar: f64 = 5.5,
        /// For this long. Lower: water hammer is reported. Higher: it is told late.
        #[schemars(range(min = 1, max = 3600))]
        high_secs: f64 = 30.0,
        /// High feed pressure that holds; stay below what the housings are rated for. Lower: the
        /// plant waits for nothing. Higher: housings burst.
        #[schemars(range(min = 0.5, max = 80))]
        high_hold_bar: f64 = 6.2,
        /// For this long. Lower: water hammer holds the plant. Higher: housings are strained for
        /// longer.
        #[schemars(range(min = 0, max = 600))]
        high_hold_secs: f64 = 10.0,
        /// Suction pressure of the pump that holds. Lower: the pump runs dry. Higher: evening dips
        /// stop it.
        #[schemars(range(min = -0.9, max = 10))]
        suction_low_bar: f64 = 0.3,
        /// For this long. Lower: the start itself stops the pump. Higher: it runs dry for longer.
        #[schemars(range(min = 0, max = 600))]
        suction_low_secs: f64 = 10.0,
        /// How far a pressure must return before its alarm clears. Lower: the alarm comes and goes.
        /// Higher: it stays for too long.
        #[schemars(range(min = 0, max = 5))]
        deadband_bar: f64 = 0.2,
    }
);

limits!(
    /// Temperatures of the feed.
    TemperatureLimits {
        /// Warm, told. Lower: summer is reported. Higher: a wrong mixer goes unmentioned.
        #[schemars(range(min = 5, max = 90))]
        warm_c: f64 = 35.0,
        /// For this long. Lower: standing water in a warm room is reported. Higher: it is told
        /// late.
        #[schemars(range(min = 1, max = 3600))]
        warm_secs: f64 = 60.0,
        /// Hot, trips. Lower: summer trips the plant. Higher: membrane and housings suffer.
        #[schemars(range(min = 5, max = 95))]
        hot_c: f64 = 40.0,
        /// For this long. Lower: one warm gush trips. Higher: hot water reaches the membrane.
        #[schemars(range(min = 0, max = 600))]
        hot_secs: f64 = 15.0,
        /// A hot trip may be reset below this. Lower: not in summer. Higher: the next start is hot
        /// again.
        #[schemars(range(min = 1, max = 90))]
        reset_below_c: f64 = 30.0,
        /// Frost near, told. Lower: too late to act. Higher: each winter day is reported.
        #[schemars(range(min = 0, max = 20))]
        cold_c: f64 = 4.0,
        /// How far a temperature must return before its alarm clears. Lower: the alarm comes and
        /// goes. Higher: it stays for too long.
        #[schemars(range(min = 0, max = 10))]
        deadband_c: f64 = 1.0,
    }
);

limits!(
    /// Water that passes a closed valve.
    LeakByLimits {
        /// Housings decompress this long after a close. Lower: that water counts as a leak. Higher:
        /// a leaking valve is found late.
        #[schemars(range(min = 0, max = 7200))]
        wait_secs: f64 = 300.0,
        /// Volume that counts. Lower: errors of the meter trip. Higher: a dripping valve is never
        /// found.
        #[schemars(range(min = 0.001, max = 10))]
        litres: f64 = 0.05,
        /// In this window; two windows in a row trip. Lower: a slow leak never reaches the volume.
        /// Higher: a leaking valve is found late.
        #[schemars(range(min = 30, max = 7200))]
        window_secs: f64 = 600.0,
    }
);

limits!(
    /// Leak sensor and floats.
    FloorLimits {
        /// The floor must be dry this long before a leak may be reset. Lower: a wiped floor that
        /// wets again looks dry. Higher: the plant waits longer than it must.
        #[schemars(range(min = 0, max = 86400))]
        dry_secs: f64 = 600.0,
    }
);

limits!(
    /// When people sleep: what can wait is not told again at night. The two hours alike: no night.
    HouseholdLimits {
        /// Nobody is to be woken from this hour on, civil time. Lower: what could have been done in
        /// the evening waits. Higher: somebody is woken for what can wait.
        #[schemars(range(min = 0, max = 24))]
        #[schemars(extend("x-unit" = "h"))]
        quiet_from_hour: f64 = 22.0,
        /// Until this hour; then comes the digest of what can wait. Lower: somebody is woken for what
        /// can wait. Higher: a trip of the night is told again late in the day.
        #[schemars(range(min = 0, max = 24))]
        #[schemars(extend("x-unit" = "h"))]
        quiet_until_hour: f64 = 7.0,
    }
);

impl HouseholdLimits {
    /// Length of the night in hours; 0: there is none.
    pub fn quiet_hours(&self) -> f64 {
        (self.quiet_until_hour - self.quiet_from_hour).rem_euclid(24.0)
    }

    /// There is a night.
    pub fn has_quiet_hours(&self) -> bool {
        self.quiet_hours() > 0.0
    }
}

limits!(
    /// How long a proof is good for, in days; 0: never reminded.
    ProofLimits {
        /// A supply valve: every stop by the valve under a flow meter proves it, else a run is
        /// interrupted. Lower: needless interruptions. Higher: a valve that no longer shuts is found
        /// when it is needed.
        #[schemars(range(min = 0, max = 3650))]
        valve_days: f64 = 30.0,
        /// The last will: the guard connection is dropped while nothing runs, and its close must be
        /// seen. Lower: needless reconnects. Higher: an access rule that swallows wills is found late.
        #[schemars(range(min = 0, max = 3650))]
        will_days: f64 = 30.0,
        /// A product probe beside another one. Lower: needless work. Higher: a dead probe passes for
        /// pure water.
        #[schemars(range(min = 0, max = 3650))]
        probe_days: f64 = 90.0,
        /// The only product probe. Lower: needless work. Higher: a dead probe passes for pure water.
        #[schemars(range(min = 0, max = 3650))]
        sole_probe_days: f64 = 30.0,
        /// A leak sensor. Lower: needless work. Higher: an empty battery is found with the leak.
        #[schemars(range(min = 0, max = 3650))]
        leak_days: f64 = 90.0,
        /// A float. Lower: needless work. Higher: a float that sticks is found by the flood.
        #[schemars(range(min = 0, max = 3650))]
        float_days: f64 = 90.0,
        /// A guided proof waits this long for what was asked. Lower: too short for a walk to the
        /// cellar. Higher: the water stays shut for longer.
        #[schemars(range(min = 30, max = 3600))]
        guided_secs: f64 = 600.0,
    }
);

limits!(
    /// Wear and quality of the stages.
    StageLimits {
        /// Rejection below this is told. Lower: a failing membrane eats resin unmentioned. Higher:
        /// a healthy one is reported.
        #[schemars(range(min = 0.3, max = 0.999))]
        #[schemars(extend("x-unit" = "1"))]
        rejection_low: f64 = 0.93,
        /// Recovery off its baseline by this share is told. Lower: changes of temperature and
        /// pressure are reported. Higher: a clogged restrictor goes unmentioned.
        #[schemars(range(min = 0.02, max = 1))]
        #[schemars(extend("x-unit" = "1"))]
        recovery_share: f64 = 0.25,
        /// Lead vessel begins to let salt through at this outlet reading. Lower than the display's
        /// step: never seen. Higher: resin is ordered late.
        #[schemars(range(min = 0.01, max = 1000))]
        lead_begun_ppm: f64 = 1.0,
        /// Lead vessel is spent at this outlet reading. Lower: changed early. Higher: the lag
        /// vessel has to do the work.
        #[schemars(range(min = 0.01, max = 1000))]
        lead_spent_ppm: f64 = 3.0,
        /// Or at this share of the permeate, whichever is higher. Lower: changed early. Higher: the
        /// lag vessel has to do the work.
        #[schemars(range(min = 0.01, max = 1))]
        #[schemars(extend("x-unit" = "1"))]
        lead_spent_share: f64 = 0.3,
        /// Settled: the permeate changes by less than this over `settled_litres`. Lower: never
        /// settled. Higher: called settled while it still falls.
        #[schemars(range(min = 0.01, max = 100))]
        settled_slope_ppm: f64 = 0.5,
        /// Settled: litres over which the slope is taken. Lower: noise decides. Higher: short runs
        /// never count as settled.
        #[schemars(range(min = 0.05, max = 100))]
        settled_litres: f64 = 2.0,
        /// Flow below this counts as none. Lower: noise of the meter counts as flow. Higher: a
        /// dripping valve counts as closed.
        #[schemars(range(min = 0.0001, max = 10))]
        flow_none_litres_per_min: f64 = 0.02,
        /// Flow without demand lasts this long before it is told. Lower: a slowly closing valve is
        /// reported. Higher: it is told late.
        #[schemars(range(min = 1, max = 3600))]
        flow_unexpected_secs: f64 = 60.0,
        /// No flow although open: this long before it is told. Lower: each start is reported.
        /// Higher: it is told late.
        #[schemars(range(min = 1, max = 3600))]
        flow_missing_secs: f64 = 60.0,
        /// The shortest run that is worth its start. Lower: short cycling goes unmentioned. Higher:
        /// healthy runs are reported.
        #[schemars(range(min = 0.1, max = 1000))]
        run_min_litres: f64 = 5.0,
        /// A plant that has stood this long is told: its first water is to be thrown away. Lower: a
        /// holiday is reported. Higher: stale water reaches the container.
        #[schemars(range(min = 1, max = 90))]
        idle_days: f64 = 7.0,
        /// A flush longer than this is told. Lower: each flush is reported. Higher: tap water goes
        /// down the drain for longer.
        #[schemars(range(min = 10, max = 86400))]
        flush_max_secs: f64 = 600.0,
        /// A lasting change of the tap's dissolved solids by this share is told. Lower: the tap's own
        /// swing is reported. Higher: resin is spent faster than planned and nobody knows why.
        #[schemars(range(min = 0.05, max = 5))]
        #[schemars(extend("x-unit" = "1"))]
        feed_step_share: f64 = 0.3,
    }
);

limits!(
    /// Filters, membrane and probes: when something is due.
    WearLimits {
        /// A sediment filter with this many times the resistance of a new one is due. Lower: changed
        /// early. Higher: the membrane lacks pressure first.
        #[schemars(range(min = 1.2, max = 20))]
        #[schemars(extend("x-unit" = "1"))]
        prefilter_ratio: f64 = 3.0,
        /// Or one that costs this much pressure at its usual flow and 25 °C. Lower: changed early.
        /// Higher: the membrane lacks pressure first.
        #[schemars(range(min = 0.05, max = 5))]
        prefilter_drop_bar: f64 = 0.7,
        /// Total chlorine behind the carbon from which the membrane is at stake. Lower than the test
        /// can see: every test is an alarm. Higher: the membrane is oxidised.
        #[schemars(range(min = 0.01, max = 2))]
        chlorine_mg_per_litre: f64 = 0.1,
        /// Membrane flow at standard conditions, as a share of its baseline, that is told. Lower: it
        /// is changed late. Higher: what temperature and pressure cannot explain to the last is
        /// reported.
        #[schemars(range(min = 0.3, max = 0.95))]
        #[schemars(extend("x-unit" = "1"))]
        membrane_flow_share: f64 = 0.8,
        /// A probe is to be compared with a handheld, or calibrated, so often. Lower: needless work.
        /// Higher: drift goes unnoticed.
        #[schemars(range(min = 7, max = 1095))]
        calibration_days: f64 = 180.0,
        /// Permeate of a new membrane that goes to the drain: its preservative would load the resin.
        /// Lower: resin takes up the preservative. Higher: more water than needed is lost.
        #[schemars(range(min = 0, max = 500))]
        membrane_run_in_litres: f64 = 20.0,
        /// Water of a new carbon block that goes to the drain: its fines would clog the membrane.
        /// Lower: fines reach the membrane. Higher: more water than needed is lost.
        #[schemars(range(min = 0, max = 500))]
        carbon_run_in_litres: f64 = 10.0,
        /// Product of fresh resin that goes to the drain: it holds leachables. Lower: they reach the
        /// container. Higher: more water than needed is lost.
        #[schemars(range(min = 0, max = 500))]
        resin_run_in_litres: f64 = 3.0,
    }
);

limits!(
    /// Prices in any one currency.
    Prices {
        /// A litre of tap water with its drain fee; 0 when unknown. Lower or higher than true:
        /// costs are off by the same share.
        #[schemars(range(min = 0, max = 1000))]
        water_per_litre: f64 = 0.0,
        /// Resin for one litre of bed; 0 when unknown. Lower or higher than true: costs are off by
        /// the same share.
        #[schemars(range(min = 0, max = 100000))]
        resin_per_litre: f64 = 0.0,
    }
);
