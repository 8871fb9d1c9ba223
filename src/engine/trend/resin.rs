//! The resin's accounts: what each vessel has taken up, and what it can still do.
//!
//! An account follows its vessel through service entries; the order of flow is kept here, because a
//! swap changes it and the settings do not know. Load is the integral of what goes in less what
//! comes out over the water that really went through the resin; water diverted before it does not
//! load it. Invariants: an account only rises until its vessel is changed; a piece of water without
//! a reading is counted with the nearest reading and called assumed; unseen water widens the
//! uncertainty and is never silently nothing. What no probe saw a vessel hold proves nothing of it: vessels
//! in a row of which only the last has a probe behind it are one *group*, of which that probe shows the end
//! and which shares what it took up from the first on, each as much as it is believed to hold.
//!
//! A cation vessel takes cations, which is what conducts, and no carbon dioxide; what leaves it is acid and
//! conducts more than what entered, so that no probe behind it alone tells of it. An anion vessel takes the
//! anions, which are as many equivalents, carbon dioxide and silica (reference sheet 5.2, 5.3).

use crate::engine::catalogue::SignalId;
use crate::engine::process::breakthrough::Pattern;
use crate::engine::process::capacity::{Capacity, Charge, Interval, Taken};
use crate::engine::process::carbon_dioxide::{plateau, shown_as};
use crate::engine::process::creep::Costs;
use crate::engine::process::gas_load::{GasLoad, Tap};
use crate::engine::process::resin::{Account, Conversion, Load, Remaining, Use, litres_per_charge};
use crate::engine::setup::{PartIx, Setup};
use crate::engine::time::{Mono, Span};
use crate::engine::value::{self, Basis, Flag, NoReading, Reason, Valued};
use crate::settings::schema::{PartKind, Point, Rounding};
use crate::units::{Celsius, Equivalents, Litres, Milligrams, Quantity, Ratio, Tds};
use serde::{Deserialize, Serialize};
use std::collections::VecDeque;
use std::ops::Range;

/// Days over which use is averaged.
const DAYS: usize = 28;
/// Whole days that a use per day needs.
const DAYS_MIN: usize = 3;
/// Litres that a present load needs.
const LOAD_LITRES_MIN: f64 = 5.0;
/// The present load is that of so many days, or of so many litres where they take longer: a membrane that was
/// changed or a tap that turned halves it or doubles it, and a charge may last no longer than the month
/// over which use is averaged.
const LOAD_DAYS: usize = 7;
const LOAD_LITRES: f64 = 40.0;
/// What a vessel shows behind it from which on carbonic acid passes, ppm: it goes ahead of the salt, for the
/// anions of strong acids push those of weak ones ahead of them. Its anion side is full then, and each
/// anion that it still takes frees as much carbonic acid, of bicarbonate that came with the salt as well: up to
/// as many equivalents as enter, though they hardly conduct. How many they are its height says
/// (`carbon_dioxide::shown_as`), smoothed over so many litres. Its front is as wide as that of the salt, so that
/// for a third of a charge only some of it passes.
const GAS_SHOWS: f64 = 0.7;
const GAS_SHOWS_LITRES: f64 = 3.0;
/// Standard uncertainty of that height: the zero of a cheap probe and half a step, ppm. It stays the same for
/// a whole charge, and twice the height is four times the gas, so that the middle of what may be there is more
/// than the gas of the middle height.
pub(super) const GAS_LEVEL_U: f64 = 0.4;
/// How far gas goes ahead of the salt, as the logit of what passes: a fifth of a charge at fronts of 8 %
/// (judgement; nobody sees it where the salt hides it).
const GAS_AHEAD: f64 = 2.5;
/// Of what may be gas or salt so much counts as gas.
const UNCLEAR_SHARE: f64 = 0.5;
/// Litres over which the zero of a probe is averaged while everything is held.
const ZERO_LITRES: f64 = 20.0;
/// Below this a vessel holds everything, ppm.
const HOLDS: f64 = 0.5;
/// A vessel of whose capacity so much is left lets no salt through: its front is as wide as a quarter of a
/// charge, and what is believed of it may be wrong by as much.
const FRESH_LEFT: f64 = 0.5;
/// Carbon dioxide of a tap that nobody analysed shows no more than this, ppm; what shows more goes round the
/// resin. Of an analysed one no more than its chemistry makes, which is good to four tenths, and half a ppm.
const GAS_MOST: f64 = 2.5;
const PLATEAU_U: (f64, f64) = (0.4, 0.5);
/// Relative standard uncertainty of a load that is counted as declared: gain of probe and meter.
const GAIN_U: f64 = 0.05;
/// Relative standard uncertainty of the present load: the last weeks are a sample (what comes later is
/// [`Remaining`]'s business). The gains of probe and meter are in what was taken up as well, so they
/// cancel in what is left.
const LOAD_U: f64 = 0.05;
/// A 90 % interval is so many standard uncertainties wide.
pub(super) const NINETY: f64 = 2.0 * 1.644_85;

/// One vessel with its charge.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Vessel {
    part: String,
    account: Account,
    /// Seen to be spent: gas passes it, and the belief has learned from it.
    exhausted: bool,
    /// Some of its inlet was not measured.
    assumed: bool,
    /// This charge was seen to hold everything: what shows behind it later is no zero of the probe.
    #[serde(default)]
    held: bool,
    /// How likely what shows behind it is carbon dioxide, by its last look: certain, not, or a half where nobody
    /// can tell. As salt counts whatever is not certain to be none.
    #[serde(default)]
    gas_share: f64,
    /// Carbon dioxide behind it before salt came on top, mmol/L: gas goes ahead of the salt and goes on.
    #[serde(default)]
    gas_before: f64,
    /// What it lets through of carbon dioxide has been believed, once.
    #[serde(default)]
    gas_told: bool,
    /// What shows behind it, smoothed, ppm.
    #[serde(default)]
    shows: f64,
    /// Share of the salt that passed it in the last run that told, and what it had taken up then.
    #[serde(default)]
    front: Option<(f64, Taken)>,
    /// What it had taken up when its outlet was last read, with those before it that no probe is behind.
    #[serde(default)]
    seen: Taken,
    /// Standard uncertainty of what it took up for what those vessels shared, eq.
    #[serde(default)]
    shared_u: f64,
    /// Standard uncertainty of the gas that the vessel before has passed on to it, eq.
    #[serde(default)]
    passed_u: f64,
}

/// What vessels of one kind are believed to hold.
#[derive(Clone, Debug, Serialize, Deserialize)]
struct Belief {
    kind: PartKind,
    bed_litres: f64,
    capacity: Capacity,
}

/// One day of plant time.
#[derive(Clone, Copy, Debug, Default, Serialize, Deserialize)]
struct Day {
    litres: f64,
    /// ppm times litres at the inlet.
    salt: f64,
}

/// Water through the first vessel: litres, and ppm times litres before it and behind it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Through {
    pub(super) litres: f64,
    pub(super) inlet: f64,
    pub(super) outlet: f64,
}

/// All vessels.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub(super) struct Resin {
    /// In the order of flow.
    vessels: Vec<Vessel>,
    beliefs: Vec<Belief>,
    /// What is known of the tap.
    #[serde(default)]
    tap: Tap,
    /// Water at the membrane, C.
    #[serde(default)]
    celsius: Option<f64>,
    /// Resin litres up to which the accounts reach.
    until: f64,
    /// Last inlet reading of this run, ppm.
    inlet: Option<f64>,
    /// Last inlet reading of any run.
    last_inlet: Option<f64>,
    days: VecDeque<Day>,
    today: Day,
    today_began: Option<Mono>,
    /// What went into the first vessel and out of it in this run, where a probe read both.
    #[serde(default)]
    through: Through,
    /// What the probes behind the first vessel and behind the last show of water without anything, ppm.
    #[serde(default)]
    zeros: (f64, f64),
    /// Litres that a charge will treat as they were last worked out, by vessel: told every few seconds,
    /// while they change with what passes. Kept with what they are of, so it is no state.
    #[serde(skip)]
    litres_left: Vec<Option<(Charge, Load, Option<Interval>)>>,
}

/// What is published of a vessel.
#[derive(Clone, Debug)]
pub(super) struct VesselValues {
    pub(super) part: PartIx,
    pub(super) used: value::Result<f64>,
    pub(super) capacity: value::Result<f64>,
    pub(super) remaining_litres: value::Result<f64>,
    pub(super) remaining_days: value::Result<f64>,
    pub(super) visible: value::Result<f64>,
    pub(super) litres: value::Result<f64>,
    /// Days that nine in ten last at least.
    pub(super) order_by: Option<f64>,
}

/// Temperature of a tap that nobody measures, C (judgement: between winter and summer).
const TAP_CELSIUS: f64 = 15.0;
/// A front that shows so much of the salt, in ppm and as a share, tells where its middle is.
const FRONT_PPM: f64 = 1.0;
const FRONT_SHARE: f64 = 0.1;
/// Relative standard uncertainty of the charge at which a front was seen: it moves on between looks.
const FRONT_U: f64 = 0.04;

/// Share of the gas that passes beside this share of the salt.
fn gas_ahead(salt: f64) -> f64 {
    salt / (salt + (1.0 - salt) * (-GAS_AHEAD).exp())
}

impl Resin {
    pub(super) fn new(setup: &Setup) -> Self {
        let mut resin = Self {
            vessels: Vec::new(),
            beliefs: Vec::new(),
            tap: Tap {
                us_cm: setup.assumed.feed_tds_ppm.map(|ppm| ppm / setup.ppm_factor),
                alkalinity: setup.assumed.alkalinity_mg_per_litre,
                ph: setup.assumed.ph,
            },
            celsius: None,
            until: 0.0,
            inlet: None,
            last_inlet: None,
            days: VecDeque::new(),
            today: Day::default(),
            today_began: None,
            through: Through::default(),
            zeros: (0.0, 0.0),
            litres_left: Vec::new(),
        };
        resin.refit(setup);
        resin
    }

    /// Fits the vessels to changed settings: accounts of known vessels stay, in their order.
    pub(super) fn refit(&mut self, setup: &Setup) {
        let order = setup.vessels();
        self.vessels.retain(|vessel| order.iter().any(|&part| setup.parts[part].id == vessel.part));
        for &part in &order {
            if !self.vessels.iter().any(|vessel| vessel.part == setup.parts[part].id) {
                self.vessels.push(Vessel::fresh(setup.parts[part].id.clone()));
            }
            self.belief(setup, part);
        }
    }

    fn belief(&mut self, setup: &Setup, part: PartIx) -> &mut Capacity {
        let declared = &setup.parts[part].declared;
        let kind = setup.parts[part].kind;
        let spread = self.gas().spread;
        let known = self
            .beliefs
            .iter()
            .position(|belief| belief.kind == kind && belief.bed_litres == declared.bed_litres);
        let at = known.unwrap_or_else(|| {
            let capacity = Capacity::declared(
                Equivalents::new(declared.capacity_eq_per_litre * declared.bed_litres),
                declared.capacity_u,
                spread,
            );
            self.beliefs.push(Belief { kind, bed_litres: declared.bed_litres, capacity });
            self.beliefs.len() - 1
        });
        &mut self.beliefs[at].capacity
    }

    fn known_belief(&self, setup: &Setup, part: PartIx) -> Option<&Capacity> {
        let part = &setup.parts[part];
        self.beliefs
            .iter()
            .find(|belief| {
                belief.kind == part.kind && belief.bed_litres == part.declared.bed_litres
            })
            .map(|belief| &belief.capacity)
    }

    /// Carbon dioxide in the water that the membrane lets through.
    fn gas(&self) -> GasLoad {
        let celsius = Celsius::checked(self.celsius.unwrap_or(TAP_CELSIUS));
        self.tap.gas(celsius.unwrap_or(Celsius::new(TAP_CELSIUS)))
    }

    /// What the probes behind the first vessel and behind the last add to what is there, ppm: what they showed
    /// while everything was held; a display of coarse steps shows 0 for anything up to half of one.
    fn zeros(&self, setup: &Setup) -> (f64, f64) {
        let hidden = |point: Point| {
            let sensor = setup.solids_at(point).next().map(|sensor| &setup.sensors[sensor]);
            let nearest = sensor.filter(|sensor| {
                sensor.quantity == Quantity::Tds && sensor.rounding == Rounding::Nearest
            });
            nearest.map_or(0.0, |sensor| 0.25 * sensor.step)
        };
        (self.zeros.0.max(hidden(Point::Between)), self.zeros.1.max(hidden(Point::Product)))
    }

    /// By how much the carbon dioxide is thought to differ from what the accounts count.
    fn gas_factor(&self, setup: &Setup) -> f64 {
        let last = self.vessels.last().and_then(|vessel| self.part_of(setup, vessel));
        last.and_then(|part| self.known_belief(setup, part)).map_or(1.0, Capacity::factor)
    }

    pub(super) fn conversion(&self, setup: &Setup) -> Conversion {
        Conversion::typical(setup.ppm_factor, Some(self.gas().middle))
    }

    /// Takes an analysis of the tap. Where it says more than was known, what was counted of carbon
    /// dioxide before is counted anew; another analysis of a known tap holds from now on.
    pub(super) fn analysis(&mut self, alkalinity: Option<f64>, ph: Option<f64>) {
        let before = self.gas();
        self.tap.alkalinity = alkalinity.or(self.tap.alkalinity);
        self.tap.ph = ph.or(self.tap.ph);
        let after = self.gas();
        if after.spread < before.spread && before.middle > 0.0 && after.middle > 0.0 {
            let ratio = after.middle / before.middle;
            for vessel in &mut self.vessels {
                vessel.account.recounted(ratio);
                vessel.seen.invisible *= ratio;
                if let Some((_, at)) = &mut vessel.front {
                    at.invisible *= ratio;
                }
            }
            for belief in &mut self.beliefs {
                belief.capacity.recounted(ratio, after.spread);
            }
        }
    }

    /// Temperature of the water and dissolved solids of the feed (ppm on the plant's scale), for the
    /// carbon dioxide in it.
    pub(super) fn tap_water(&mut self, setup: &Setup, celsius: Option<f64>, feed: Option<f64>) {
        self.celsius = celsius.or(self.celsius);
        let known = self.tap.us_cm.is_some();
        self.tap.us_cm = feed.map(|ppm| ppm / setup.ppm_factor).or(self.tap.us_cm);
        if !known && self.tap.us_cm.is_some() {
            let spread = self.gas().spread;
            for belief in &mut self.beliefs {
                belief.capacity.recounted(1.0, spread);
            }
        }
    }

    /// First vessel in the order of flow.
    pub(super) fn lead(&self, setup: &Setup) -> Option<PartIx> {
        self.part_of(setup, self.vessels.first()?)
    }

    fn kind(&self, setup: &Setup, index: usize) -> PartKind {
        let part = self.vessels.get(index).and_then(|vessel| self.part_of(setup, vessel));
        part.map_or(PartKind::Mixed, |part| setup.parts[part].kind)
    }

    /// What stands behind this vessel is water without salt: both kinds of ions have been taken.
    fn is_deionised(&self, setup: &Setup, index: usize) -> bool {
        let before = |kind: PartKind| (0..=index).any(|at| self.kind(setup, at) == kind);
        before(PartKind::Mixed) || (before(PartKind::Cation) && before(PartKind::Anion))
    }

    /// Vessels between one readable probe and the next, in the order of flow.
    fn stretches(&self, setup: &Setup) -> Vec<Range<usize>> {
        let count = self.vessels.len();
        let between = || setup.solids_at(Point::Between).next().is_some();
        if count > 1 && self.is_deionised(setup, 0) && between() {
            vec![0..1, 1..count]
        } else if count > 0 {
            std::iter::once(0..count).collect()
        } else {
            Vec::new()
        }
    }

    /// Vessels of one kind of which only the last has a probe behind it, in the order of flow.
    fn groups(&self, setup: &Setup) -> Vec<Range<usize>> {
        let mut groups: Vec<Range<usize>> = Vec::new();
        for stretch in self.stretches(setup) {
            for index in stretch.clone() {
                match groups.last_mut() {
                    Some(group)
                        if index > stretch.start
                            && self.kind(setup, group.start) == self.kind(setup, index) =>
                    {
                        group.end = index + 1;
                    }
                    _ => groups.push(index..index + 1),
                }
            }
        }
        groups
    }

    /// Vessels that water with all of its salt reaches: the first of each kind, none behind a mixed one.
    fn firsts(&self, setup: &Setup) -> Vec<usize> {
        let fed = |index: &usize| {
            let kind = self.kind(setup, *index);
            (0..*index).all(|before| {
                let other = self.kind(setup, before);
                other != PartKind::Mixed && other != kind
            })
        };
        (0..self.vessels.len()).filter(fed).collect()
    }

    /// The first vessels of each kind that takes part in the end of the charge.
    pub(super) fn leads(&self, setup: &Setup) -> Vec<PartIx> {
        let firsts = self.firsts(setup).into_iter();
        firsts.filter_map(|index| self.part_of(setup, &self.vessels[index])).collect()
    }

    /// What of a load a vessel of this kind takes.
    fn for_kind(kind: PartKind, load: Load) -> Load {
        match kind {
            PartKind::Cation => Load { invisible: 0.0, ..load },
            _ => load,
        }
    }

    fn group_of(&self, setup: &Setup, index: usize) -> Range<usize> {
        let found = self.groups(setup).into_iter().find(|group| group.contains(&index));
        found.unwrap_or(index..index + 1)
    }

    /// The first vessel whose outlet a probe shows: it stands for those before it as well.
    fn shown_mut(&mut self, setup: &Setup) -> Option<&mut Vessel> {
        let last = self.groups(setup).first()?.end.checked_sub(1)?;
        self.vessels.get_mut(last)
    }

    /// What vessels took up together.
    fn taken_by(&self, group: Range<usize>) -> Taken {
        self.vessels[group]
            .iter()
            .fold(Taken::default(), |sum, vessel| sum.with(vessel.account.taken()))
    }

    /// Share of its group's capacity that a vessel is declared to have.
    fn share_of_group(&self, setup: &Setup, index: usize) -> f64 {
        let declared = |vessel: &Vessel| {
            let part = self.part_of(setup, vessel).map(|part| &setup.parts[part].declared);
            part.map_or(0.0, |d| (d.capacity_eq_per_litre * d.bed_litres).max(1e-9))
        };
        let group = self.group_of(setup, index);
        let all: f64 = self.vessels[group].iter().map(declared).sum();
        if all > 0.0 { declared(&self.vessels[index]) / all } else { 1.0 }
    }

    /// What charges like this vessel's were seen to hold: its own, or its part of its group's.
    fn held_of(&self, setup: &Setup, index: usize) -> Taken {
        let last = self.group_of(setup, index).end - 1;
        self.vessels[last].seen.times(self.share_of_group(setup, index))
    }

    /// What is believed of the charge of a vessel.
    fn charge_of(&self, setup: &Setup, index: usize) -> Option<Charge> {
        let vessel = self.vessels.get(index)?;
        let belief = self.known_belief(setup, self.part_of(setup, vessel)?)?;
        let held = self.held_of(setup, index);
        Some(belief.charge_seen(vessel.account.taken(), held, vessel.passed_u))
    }

    /// Shares what a group took up: the first as much as it is believed to hold, what exceeds that the next.
    fn share_groups(&mut self, setup: &Setup) {
        let usual = self.usual_load(setup);
        for group in self.groups(setup).into_iter().filter(|group| group.len() > 1) {
            let load = Self::for_kind(self.kind(setup, group.start), usual);
            let pool = self.vessels[group.clone()]
                .iter()
                .fold(Account::new(), |sum, vessel| sum.with(&vessel.account));
            let all = pool.used().get();
            if all <= 0.0 {
                continue;
            }
            let (mut left, mut u) = (all, 0.0);
            let mut shared = Vec::new();
            for index in group.clone() {
                let belief = self
                    .part_of(setup, &self.vessels[index])
                    .and_then(|part| self.known_belief(setup, part));
                let last = index + 1 == group.end;
                let holds = belief.filter(|_| !last).map(|belief| {
                    let held = self.held_of(setup, index);
                    belief.charge_seen(Taken::default(), held, 0.0).capacity(load)
                });
                let keeps = holds.map_or(left, |holds| left.min(holds.middle));
                // Known while the first cannot be full yet; the last knows it as well as those before it.
                if let Some(holds) = holds.filter(|holds| left > holds.low) {
                    u = holds.middle.min(left) * (holds.high / holds.low).ln() / NINETY;
                }
                shared.push((index, keeps / all, u));
                left -= keeps;
            }
            for (index, share, u) in shared {
                let vessel = &mut self.vessels[index];
                vessel.account = vessel.account.with_share_of(&pool, share);
                vessel.shared_u = u;
            }
        }
    }

    fn part_of(&self, setup: &Setup, vessel: &Vessel) -> Option<PartIx> {
        setup.parts.iter().position(|part| part.id == vessel.part)
    }

    /// A run began: its readings and those of the run before are not neighbours.
    pub(super) fn run_began(&mut self) {
        self.inlet = None;
    }

    /// Counts the water up to `to_resin` litres: between two readings of the inlet with their mean.
    /// `outlets`: readings behind the first vessel and behind the last, where there are probes.
    pub(super) fn water(
        &mut self,
        setup: &Setup,
        now: Mono,
        to_resin: f64,
        inlet: f64,
        outlets: (Option<f64>, Option<f64>),
    ) {
        let mean = self.inlet.map_or(inlet, |before| f64::midpoint(before, inlet));
        self.count_water(setup, now, to_resin, mean, outlets, false);
        self.inlet = Some(inlet);
        self.last_inlet = Some(inlet);
    }

    /// Counts what has passed since the last reading; the run ends or pauses.
    pub(super) fn close(
        &mut self,
        setup: &Setup,
        now: Mono,
        to_resin: f64,
        outlets: (Option<f64>, Option<f64>),
    ) {
        match (self.inlet, self.last_inlet) {
            (Some(inlet), _) => self.count_water(setup, now, to_resin, inlet, outlets, false),
            (None, Some(last)) => self.count_water(setup, now, to_resin, last, outlets, true),
            // No inlet reading ever: litres are known, their salt is not.
            (None, None) => self.count_water(setup, now, to_resin, 0.0, outlets, true),
        }
    }

    fn count_water(
        &mut self,
        setup: &Setup,
        now: Mono,
        to_resin: f64,
        inlet: f64,
        (between, product): (Option<f64>, Option<f64>),
        assumed: bool,
    ) {
        let Some(litres) = Litres::checked(to_resin - self.until).filter(|l| l.get() > 0.0) else {
            return;
        };
        self.until = to_resin;
        self.roll(now);
        self.today.litres += litres.get();
        self.today.salt += litres.get() * inlet;
        if let Some(outlet) =
            between.or(product.filter(|_| self.vessels.len() == 1)).filter(|_| !assumed)
        {
            self.through.litres += litres.get();
            self.through.inlet += litres.get() * inlet;
            self.through.outlet += litres.get() * outlet.max(0.0);
        }
        let conversion = self.conversion(setup);
        let tds = |ppm: f64| Tds::checked(ppm.max(0.0)).unwrap_or_default();
        let mut load = if inlet > 0.0 { conversion.load(tds(inlet)) } else { Load::default() };
        let last = self.vessels.len().saturating_sub(1);
        // What a vessel that lets no salt through yet shows is gas; the one before it shows as much of it.
        let may_be_gas =
            |ppm: &f64| *ppm > 0.0 && *ppm <= self.gas_most(setup) && self.last_holds_salt(setup);
        let gas_ppm = product.filter(may_be_gas).unwrap_or(0.0);
        // Carbonic acid that a vessel before gave for salt that it took: it loads and does not conduct.
        let mut weak = 0.0;
        // Cations are as many equivalents as anions until a vessel of their own has taken them.
        let mut cations = load.visible;
        let takes: Vec<(PartKind, bool)> = (0..self.vessels.len())
            .map(|index| (self.kind(setup, index), self.is_deionised(setup, index)))
            .collect();
        // Where nothing shows nothing passes, and it is not worked out.
        let pure = [between, product].iter().all(|ppm| ppm.is_none_or(|ppm| ppm <= 0.0))
            && self.vessels.iter().all(|vessel| !vessel.exhausted && vessel.shows < GAS_SHOWS);
        let factor = if pure { 1.0 } else { self.gas_factor(setup) };
        let zeros = self.zeros(setup);
        let mut passed_u = 0.0;
        for (index, vessel) in self.vessels.iter_mut().enumerate() {
            vessel.passed_u += std::mem::take(&mut passed_u);
            let (kind, readable) = takes[index];
            let outlet = if index == last { product } else { between.filter(|_| index == 0) };
            let outlet = outlet.filter(|_| readable);
            let only_gas = vessel.only_gas();
            let salt = |ppm: f64| tds(if only_gas { 0.0 } else { ppm - gas_ppm });
            if kind == PartKind::Cation {
                let enters = Load { visible: cations, invisible: 0.0 };
                let passed = outlet
                    .map_or(Load::default(), |ppm| conversion.load_behind(salt(ppm), enters, 0.0));
                vessel.account.add(litres, enters, passed, conversion.meq_per_mg());
                vessel.assumed |= assumed;
                cations = passed.visible;
                continue;
            }
            // Not measured: what a vessel gives is taken as nothing until it is seen spent.
            let behind = |gas: f64| {
                outlet.map_or(Load::default(), |ppm| conversion.load_behind(salt(ppm), load, gas))
            };
            if let Some(ppm) = outlet {
                let share = 1.0 - (-litres.get() / GAS_SHOWS_LITRES).exp();
                vessel.shows += share * (ppm.max(0.0) - vessel.shows);
            }
            // What goes on to the next vessel is counted there. Here it counts until the charge is spent, which
            // is where salt passes: how much of it keeps salt from its place is what exhaustions teach.
            let salt_behind = behind(0.0);
            let kept = weak + (load.visible - salt_behind.visible).max(0.0);
            let own = factor * load.invisible;
            let most = own + kept;
            let of_height =
                |ppm: f64| shown_as(tds(ppm), conversion.ppm_factor).unwrap_or(0.0).min(most);
            let zero = if index == last { zeros.1 } else { zeros.0 };
            // What passed before the salt came goes on, and where nothing showed then it is ahead of the salt.
            let salt_share = (salt_behind.visible / load.visible.max(1e-12)).clamp(0.0, 1.0);
            let beside = vessel.gas_before.min(most).max(own * gas_ahead(salt_share));
            let freed = if vessel.exhausted {
                own.max(beside)
            } else if vessel.held && outlet.is_some() && vessel.shows >= GAS_SHOWS {
                let height = vessel.shows - zero;
                let (high, low) =
                    (of_height(height + GAS_LEVEL_U), of_height(height - GAS_LEVEL_U));
                passed_u = 0.5 * (high - low) * litres.get() / 1000.0;
                let gas = 0.5 * (high + low) * vessel.gas_share;
                if vessel.gas_share > 0.0 {
                    vessel.gas_before = gas;
                }
                gas.max(beside)
            } else {
                0.0
            };
            let passed = behind(if own > 0.0 { (freed / own).min(1.0) } else { 0.0 });
            let counted = if vessel.exhausted { passed } else { salt_behind };
            vessel.account.add(litres, load, counted, conversion.meq_per_mg());
            if !vessel.exhausted {
                vessel.account.add_weak(litres, weak);
            }
            vessel.assumed |= assumed;
            vessel.held |= outlet.is_some_and(|ppm| ppm < HOLDS);
            if let Some(ppm) = outlet.filter(|ppm| *ppm < HOLDS && vessel.shows < HOLDS) {
                let zero = if index == last { &mut self.zeros.1 } else { &mut self.zeros.0 };
                *zero += (1.0 - (-litres.get() / ZERO_LITRES).exp()) * (ppm.max(0.0) - *zero);
            }
            if kind == PartKind::Mixed {
                cations = passed.visible;
            }
            weak = (freed - own).max(0.0);
            load = passed;
        }
        // A probe behind several kinds sees the end of any of them: while it shows none, all hold.
        let groups = self.groups(setup);
        for stretch in self.stretches(setup) {
            let outlet = if stretch.end == self.vessels.len() { product } else { between };
            let inside = || groups.iter().filter(|group| stretch.contains(&group.start));
            let several = inside().count() > 1;
            if outlet.is_some_and(|ppm| !several || ppm < FRONT_PPM) {
                for group in inside() {
                    let taken = self.taken_by(group.clone());
                    self.vessels[group.end - 1].seen = taken;
                }
            }
        }
    }

    fn roll(&mut self, now: Mono) {
        let began = *self.today_began.get_or_insert(now);
        let mut whole = now.since(began).millis() / Span::from_secs(86_400).millis();
        if whole <= 0 {
            return;
        }
        self.today_began = Some(began + Span::from_secs(86_400) * whole);
        self.days.push_back(std::mem::take(&mut self.today));
        whole -= 1;
        for _ in 0..whole.min(DAYS as i64) {
            self.days.push_back(Day::default());
        }
        while self.days.len() > DAYS {
            self.days.pop_front();
        }
    }

    /// Salt of a start's first water that no reading saw, mg; the first vessel of each kind took it.
    pub(super) fn first_water(&mut self, setup: &Setup, mg: f64) {
        let conversion = self.conversion(setup);
        let Some(salt) = Milligrams::checked(mg).filter(|salt| salt.get() > 0.0) else { return };
        for index in self.firsts(setup) {
            let cations = self.kind(setup, index) == PartKind::Cation;
            let of = Conversion {
                invisible: conversion.invisible.or(cations.then_some(0.0)),
                ..conversion
            };
            self.vessels[index].account.add_salt(salt, &of);
        }
        if !self.vessels.is_empty() {
            self.today.salt += mg;
        }
    }

    /// Water that nobody watched: at most so many litres, at the last known load.
    pub(super) fn unseen(&mut self, setup: &Setup, most: f64) {
        let (Some(inlet), Some(most)) = (self.last_inlet, Litres::checked(most)) else { return };
        let conversion = self.conversion(setup);
        let load = conversion.load(Tds::checked(inlet).unwrap_or_default());
        if most.get() <= 0.0 {
            return;
        }
        for index in self.firsts(setup) {
            let load = Self::for_kind(self.kind(setup, index), load);
            let vessel = &mut self.vessels[index];
            vessel.account.add_unseen(Litres::new(0.0), most, load, conversion.meq_per_mg());
            vessel.assumed = true;
        }
    }

    /// What went through the first vessel since this was last asked.
    pub(super) fn take_through(&mut self) -> Through {
        std::mem::take(&mut self.through)
    }

    /// A look showed behind the first vessel (of several without a probe between them: behind all of them)
    /// `outlet` ppm of the `inlet` that enters it; `gas`: none of it salt.
    pub(super) fn lead_shows(&mut self, setup: &Setup, outlet: f64, inlet: f64, what: Pattern) {
        let Some(group) = self.groups(setup).into_iter().next() else { return };
        let taken = self.taken_by(group);
        let Some(shown) = self.shown_mut(setup) else { return };
        shown.gas_share = match what {
            _ if shown.exhausted => 0.0,
            Pattern::Gas => 1.0,
            Pattern::CannotTell => UNCLEAR_SHARE,
            Pattern::Pure | Pattern::Breakthrough => 0.0,
        };
        let outlet = if shown.only_gas() { 0.0 } else { outlet };
        if !shown.exhausted {
            let share = (outlet / inlet.max(1e-9)).clamp(0.0, 0.98);
            let told = outlet >= FRONT_PPM && share >= FRONT_SHARE;
            shown.front = told.then_some((share, taken));
        }
    }

    /// The first vessel (or those that one probe stands behind) was seen to be spent: the belief learns
    /// from it, once for each charge.
    pub(super) fn lead_exhausted(&mut self, setup: &Setup, outlet: f64, inlet: Option<f64>) {
        if let Some(inlet) = inlet {
            self.lead_shows(setup, outlet, inlet, Pattern::Breakthrough);
        }
        let Some(group) = self.groups(setup).into_iter().next() else { return };
        let taken = self.taken_by(group.clone());
        let Some(shown) = self.shown_mut(setup).filter(|shown| !shown.exhausted) else { return };
        let (share, taken) = shown.front.unwrap_or((0.5, taken));
        for vessel in &mut self.vessels[group.clone()] {
            vessel.exhausted = true;
        }
        self.teach(setup, group, |belief, part, u| {
            belief.seen_passing(taken.times(part), share, u)
        });
    }

    /// Teaches the beliefs about the vessels of a group, each once: `lesson` gets the belief, the part of the
    /// group's capacity that such a vessel has, and the relative standard uncertainty of the count.
    fn teach(
        &mut self,
        setup: &Setup,
        group: Range<usize>,
        lesson: impl Fn(&mut Capacity, f64, f64),
    ) {
        let pool = self.vessels[group.clone()]
            .iter()
            .fold(Account::new(), |sum, vessel| sum.with(&vessel.account));
        let passed: f64 = self.vessels[group.clone()].iter().map(|vessel| vessel.passed_u).sum();
        let passed = passed / pool.used().get().max(1e-9);
        let u = pool.relative_u(GAIN_U).hypot(FRONT_U).hypot(passed);
        let mut taught: Vec<(PartKind, f64)> = Vec::new();
        for index in group {
            let Some(ix) = self.part_of(setup, &self.vessels[index]) else { continue };
            let like = (setup.parts[ix].kind, setup.parts[ix].declared.bed_litres);
            if !taught.contains(&like) {
                taught.push(like);
                let part = self.share_of_group(setup, index);
                lesson(self.belief(setup, ix), part, u);
            }
        }
    }

    /// Lowest and highest plateau behind a bed that holds the salts, ppm, where the tap was analysed: of its
    /// carbon dioxide alone, and of that with the carbonic acid for which a full bed takes the salt's anions.
    pub(super) fn gas_plateaus(&self, setup: &Setup) -> Option<(f64, f64)> {
        if !self.tap.is_analysed() {
            return None;
        }
        let load = self.usual_load(setup);
        let of = |mmol: f64| plateau(Celsius::new(25.0), mmol, setup.ppm_factor).map(|p| p.get());
        Some((of(load.invisible)?, of(load.total())?))
    }

    /// The most that carbon dioxide shows behind the resin, ppm.
    pub(super) fn gas_most(&self, setup: &Setup) -> f64 {
        let (share, least) = PLATEAU_U;
        self.gas_plateaus(setup).map_or(GAS_MOST, |(_, most)| most + (share * most).hypot(least))
    }

    /// Behind the first vessel stands carbon dioxide at so many ppm, known to `u`. On a tap that nobody has
    /// analysed that tells how much there is of it; of each charge once, for the zero of the probe is the
    /// same in all of its looks.
    pub(super) fn lead_passes_gas(&mut self, setup: &Setup, ppm: f64, u: f64) {
        if self.tap.is_analysed() {
            return;
        }
        let shown = self.shown_mut(setup);
        let Some(shown) = shown.filter(|shown| !shown.gas_told && shown.held) else {
            return;
        };
        shown.gas_told = true;
        let middle = self.gas().middle;
        let at = Celsius::new(25.0);
        for belief in &mut self.beliefs {
            belief.capacity.gas_shows(ppm, u, |factor| {
                plateau(at, factor * middle, setup.ppm_factor).map(|ppm| ppm.get())
            });
        }
    }

    /// Nobody has analysed the tap, and no charge of such a vessel has ended.
    pub(super) fn is_gas_unknown(&self, setup: &Setup, part: PartIx) -> bool {
        let taught = self.known_belief(setup, part).is_some_and(|belief| belief.exhaustions() > 0);
        !taught && !self.tap.is_analysed()
    }

    /// Litres of the first vessel's charge.
    pub(super) fn lead_litres(&self) -> Option<f64> {
        Some(self.vessels.first()?.account.litres().get())
    }

    /// Litres of the first vessel's charge, probability that one of its kind would be spent by now,
    /// and carbon dioxide that reaches it in mmol/L where the tap was analysed.
    pub(super) fn lead_state(&self, setup: &Setup) -> Option<(f64, f64, Option<f64>)> {
        let lead = self.vessels.first()?;
        let belief = self.known_belief(setup, self.part_of(setup, lead)?)?;
        let taken = self.taken_by(self.group_of(setup, 0)).times(self.share_of_group(setup, 0));
        let charge = belief.charge_seen(taken, self.held_of(setup, 0), lead.passed_u);
        let gas = self.tap.is_analysed().then(|| self.gas().middle);
        Some((lead.account.litres().get(), charge.spent_by_now(), gas))
    }

    /// A vessel was filled anew. Gives a line about the charge that ended; `None` for no vessel.
    pub(super) fn changed(&mut self, setup: &Setup, part: &str) -> Option<String> {
        let at = self.vessels.iter().position(|vessel| vessel.part == part)?;
        let line = self.ended(setup, at);
        self.vessels[at] = Vessel::fresh(part.to_owned());
        Some(line)
    }

    /// Learns from the charge of a vessel that ended and describes it.
    fn ended(&mut self, setup: &Setup, index: usize) -> String {
        let group = self.group_of(setup, index);
        let last = &self.vessels[group.end - 1];
        let (front, seen, alone) = (last.front, last.seen, group.len() == 1);
        if !self.vessels[index].exhausted {
            self.teach(setup, group.clone(), |belief, part, u| match front {
                Some((share, at)) => belief.seen_passing(at.times(part), share, u),
                None => belief.survived(seen.times(part)),
            });
        }
        self.share_groups(setup);
        // What the group showed was of its vessels as they stood.
        let last = &mut self.vessels[group.end - 1];
        (last.front, last.seen) = (None, Taken::default());
        let old = &self.vessels[index];
        let end = match (old.exhausted || front.is_some(), alone) {
            (true, true) => "seen to be spent",
            (true, false) => "seen to be spent with the others that no probe tells apart",
            (false, true) => "not seen to be spent",
            (false, false) => "its end could not be seen: no probe is behind it alone",
        };
        format!(
            "{}: the charge that ended had treated {:.0} L and taken up {:.3} eq ({end})",
            old.part,
            old.account.litres().get(),
            old.account.used().get(),
        )
    }

    /// The second vessel went to the first place and a fresh one stands behind it. Part ids may name
    /// vessels (then `lead` is the one that was second) or places (then `lead` is the first place):
    /// the account goes with the resin either way.
    ///
    /// # Errors
    /// A sentence for the person when the entry does not fit the plant.
    pub(super) fn swapped(
        &mut self,
        setup: &Setup,
        lead: &str,
        fresh: &str,
    ) -> Result<String, String> {
        let [first, second] = self.vessels.as_slice() else {
            return Err(format!(
                "a swap needs two vessels in series; this plant has {}",
                self.vessels.len()
            ));
        };
        let names = (first.part.clone(), second.part.clone());
        if lead == fresh {
            return Err("the vessel in first place and the fresh one cannot be the same".to_owned());
        }
        if self.kind(setup, 0) != self.kind(setup, 1) {
            return Err(format!(
                "{} and {} hold different resins and cannot take each other's place; record the one that was changed",
                names.0, names.1
            ));
        }
        let by_vessel = lead == names.1 && fresh == names.0;
        let by_place = lead == names.0 && fresh == names.1;
        if !by_vessel && !by_place {
            return Err(format!(
                "the vessels are {} (first) and {} (second); {lead} and {fresh} do not fit",
                names.0, names.1
            ));
        }
        let litres = |index: usize| self.vessels[index].account.litres().get();
        if litres(1) <= 0.0 && litres(0) > 0.0 {
            return Err(format!(
                "{} in second place is fresh itself, no water has passed it since it was fitted: was this swap recorded already? For new resin without a swap enter a part-changed",
                names.1
            ));
        }
        let line = self.ended(setup, 0);
        let second = self.vessels[1].clone();
        if by_vessel {
            self.vessels = vec![second, Vessel::fresh(names.0)];
        } else {
            self.vessels = vec![Vessel { part: names.0, ..second }, Vessel::fresh(names.1)];
        }
        let now = match self.vessels.as_slice() {
            [lead, lag] => format!(
                "first is now {} with the resin that was second ({:.0} L through it), behind it {} with fresh resin",
                lead.part,
                lead.account.litres().get(),
                lag.part
            ),
            _ => String::new(),
        };
        Ok(format!("{line}; {now}"))
    }

    /// Prices of salt and water; `None` where the settings do not hold them.
    pub(super) fn costs(&self, setup: &Setup) -> Option<Costs> {
        let part = self.lead(setup)?;
        let declared = &setup.parts[part].declared;
        let price = if declared.price > 0.0 {
            declared.price
        } else {
            setup.prices.resin_per_litre * declared.bed_litres
        };
        let load = self.usual_load(setup);
        let capacity = self.known_belief(setup, part)?.of_new_charge(load).middle;
        let recovery = Ratio::checked(setup.assumed.recovery.unwrap_or(0.25))?;
        let meq_per_mg = self.conversion(setup).meq_per_mg();
        // A price of water is needed for advice, not for what the resin costs.
        let water = setup.prices.water_per_litre;
        let mut costs = Costs::new(
            price,
            capacity,
            meq_per_mg,
            if water > 0.0 { water } else { 1.0 },
            recovery,
        )?;
        if water <= 0.0 {
            costs.water_per_litre = 0.0;
        }
        Some(costs)
    }

    /// Litres that a new charge of the first vessel would polish at usual readings of the permeate.
    pub(super) fn charge_litres(
        &self,
        setup: &Setup,
        now: Mono,
    ) -> Vec<(SignalId, value::Result<f64>)> {
        let Some(lead) = self.lead(setup) else { return Vec::new() };
        let belief = self.known_belief(setup, lead);
        let declared = setup.parts[lead].declared.bed_litres > 0.0;
        let litres = |ppm: f64| -> value::Result<f64> {
            let belief = belief.filter(|_| declared).ok_or(NoReading::NotConfigured)?;
            let found = litres_per_charge(belief, &self.conversion(setup), Tds::new(ppm));
            let found = found.ok_or(NoReading::Unsupported)?;
            let u = (found.high - found.low) / NINETY;
            let basis = if belief.exhaustions() > 0 { Basis::Measured } else { Basis::Assumed };
            Ok(Valued { basis, ..Valued::measured(found.middle, u, now) })
        };
        [
            (SignalId::ResinChargeAt1, 1.0),
            (SignalId::ResinChargeAt3, 3.0),
            (SignalId::ResinChargeAt8, 8.0),
            (SignalId::ResinChargeAt25, 25.0),
        ]
        .map(|(signal, ppm)| (signal, litres(ppm)))
        .into()
    }

    /// Present load; what has gone in where it is not known.
    fn usual_load(&self, setup: &Setup) -> Load {
        let inlet = Tds::checked(self.last_inlet.unwrap_or(0.0)).unwrap_or_default();
        self.present(setup)
            .map_or_else(|| self.conversion(setup).load(inlet), |(present, _)| present.load)
    }

    /// Present load and use.
    fn present(&self, setup: &Setup) -> Option<(Use, bool)> {
        let latest_first = std::iter::once(&self.today).chain(self.days.iter().rev());
        let (mut litres, mut salt) = (0.0, 0.0);
        for (at, day) in latest_first.enumerate() {
            if at > LOAD_DAYS && litres >= LOAD_LITRES {
                break;
            }
            litres += day.litres;
            salt += day.salt;
        }
        if litres < LOAD_LITRES_MIN || salt <= 0.0 {
            return None;
        }
        let load = self.conversion(setup).load(Tds::checked(salt / litres)?);
        let whole: Vec<f64> = self.days.iter().map(|day| day.litres).collect();
        let known = whole.len() >= DAYS_MIN;
        let count = whole.len().max(1) as f64;
        // The median of a plant that runs every third day is nothing, so the mean is taken.
        let mean = whole.iter().sum::<f64>() / count;
        let square = whole.iter().map(|litres| (litres - mean).powi(2)).sum::<f64>() / count;
        let litres_u =
            if mean > 0.0 { (square / count).sqrt() / mean } else { 0.0 }.clamp(0.1, 1.0);
        let present =
            Use { load, load_u: LOAD_U, litres_per_day: Litres::checked(mean)?, litres_u };
        Some((present, known && mean > 0.0))
    }

    /// Litres of this load that a charge will treat.
    fn charge_left(&self, part: PartIx, charge: &Charge, load: Load) -> Option<Interval> {
        match self.litres_left.get(part) {
            Some(Some((of, under, litres))) if of == charge && *under == load => *litres,
            _ => charge.litres(load),
        }
    }

    /// Works out what the charges will treat, where they or their load are others than before.
    pub(super) fn keep_litres(&mut self, setup: &Setup) {
        self.share_groups(setup);
        let load = self.usual_load(setup);
        self.litres_left.resize(setup.parts.len(), None);
        for index in 0..self.vessels.len() {
            let Some(part) = self.part_of(setup, &self.vessels[index]) else { continue };
            let Some(charge) = self.charge_of(setup, index) else { continue };
            let load = Self::for_kind(self.kind(setup, index), load);
            let litres = self.charge_left(part, &charge, load);
            self.litres_left[part] = Some((charge, load, litres));
        }
    }

    /// Values of every vessel.
    pub(super) fn values(&self, setup: &Setup, now: Mono) -> Vec<VesselValues> {
        let measured_inlet = self.last_inlet.is_some();
        let present = self.present(setup);
        let load = present.map_or_else(|| self.usual_load(setup), |(present, _)| present.load);
        // Half the width of the middle two thirds of a lognormal distribution.
        let gas_u = self.gas().spread.sinh();
        let values = |(index, vessel): (usize, &Vessel)| -> Option<VesselValues> {
            let part = self.part_of(setup, vessel)?;
            let account = &vessel.account;
            let relative = account.relative_u(GAIN_U);
            let used = account.used().get();
            // The carbon dioxide in it is known to a factor.
            let gas = account.invisible().get() * gas_u;
            let quality = |mut valued: Valued<f64>| {
                if vessel.assumed {
                    valued = valued.doubt(Flag::Suspect, Reason::Gap);
                    valued.basis = Basis::Assumed;
                }
                valued
            };
            let absent = if measured_inlet { NoReading::Unsupported } else { NoReading::NeverSeen };
            let known = |valued: Valued<f64>| {
                if measured_inlet { Ok(quality(valued)) } else { Err(absent) }
            };
            let belief = self.known_belief(setup, part)?;
            let charge = self.charge_of(setup, index)?;
            let load = Self::for_kind(setup.parts[part].kind, load);
            let interval = |interval: Interval, basis: Basis| Valued {
                basis,
                ..Valued::measured(interval.middle, (interval.high - interval.low) / NINETY, now)
            };
            let basis = if belief.exhaustions() > 0 { Basis::Measured } else { Basis::Assumed };
            let left = self.charge_left(part, &charge, load);
            let remaining = present
                .zip(left)
                .and_then(|((present, known), left)| Some((Remaining::of(left, present)?, known)));
            let spent = |zero: Valued<f64>| if vessel.exhausted { Ok(zero) } else { Err(absent) };
            let mg = account.visible_salt().get();
            let litres = account.litres().get();
            Some(VesselValues {
                part,
                used: known(Valued::assumed(
                    used,
                    (used * relative).hypot(gas).hypot(vessel.shared_u).hypot(vessel.passed_u),
                    now,
                )),
                capacity: if setup.parts[part].declared.bed_litres > 0.0 {
                    let capacity = left.map_or_else(
                        || charge.capacity(load),
                        |left| charge.capacity_with(left, load),
                    );
                    Ok(interval(capacity, basis))
                } else {
                    Err(NoReading::NotConfigured)
                },
                remaining_litres: match &remaining {
                    _ if vessel.exhausted => spent(Valued::measured(0.0, 0.0, now)),
                    Some((remaining, _)) => known(interval(remaining.litres, Basis::Assumed)),
                    None => Err(absent),
                },
                remaining_days: match &remaining {
                    _ if vessel.exhausted => spent(Valued::measured(0.0, 0.0, now)),
                    Some((Remaining { days: Some(days), .. }, true)) => {
                        known(interval(*days, Basis::Assumed))
                    }
                    _ => Err(absent),
                },
                visible: known(Valued::measured(mg, mg * relative, now)),
                litres: Ok(quality(Valued::measured(litres, litres * 0.03, now))),
                order_by: remaining
                    .filter(|(_, known)| *known && !vessel.exhausted)
                    .and_then(|(remaining, _)| remaining.days_to_order_by())
                    .map(|days| days.get()),
            })
        };
        self.vessels.iter().enumerate().filter_map(values).collect()
    }

    /// Charge that all vessels have taken up, and that by which new ones of their kind would be spent
    /// (of vessels for one kind of ion each those that are nearest to it) at the latest (95 %); `None` without an account of every vessel.
    pub(super) fn spent_at_latest(&self, setup: &Setup) -> Option<(f64, f64)> {
        self.last_inlet?;
        let usual = self.usual_load(setup);
        let mut sums: Vec<(PartKind, f64, f64)> = Vec::new();
        for vessel in &self.vessels {
            let part = self.part_of(setup, vessel)?;
            let kind = setup.parts[part].kind;
            let used = vessel.account.used().get();
            let load = Self::for_kind(kind, usual);
            let high = self.known_belief(setup, part)?.of_new_charge(load).high;
            match sums.iter_mut().find(|sum| sum.0 == kind) {
                Some(sum) => (sum.1, sum.2) = (sum.1 + used, sum.2 + high),
                None => sums.push((kind, used, high)),
            }
        }
        // Of several kinds the one that is spent first ends it.
        sums.retain(|sum| sum.2 > 0.0);
        let first = sums.into_iter().max_by(|a, b| (a.1 / a.2).total_cmp(&(b.1 / b.2)))?;
        Some((first.1, first.2))
    }

    /// Share of the first vessel's expected capacity that its account says is left, 0 to 1; `None`
    /// without an account.
    pub(super) fn lead_left(&self, setup: &Setup) -> Option<f64> {
        let lead = self.vessels.first()?;
        if lead.account.litres().get() < LOAD_LITRES_MIN || self.last_inlet.is_none() {
            return None;
        }
        let reach = self.stretches(setup).into_iter().next()?;
        let groups = self.groups(setup).into_iter().filter(|group| reach.contains(&group.start));
        groups
            .map(|group| self.left_of(setup, group))
            .try_fold(1.0, |least: f64, left| Some(least.min(left?)))
    }

    /// Share of the expected capacity of vessels that their account says is left.
    fn left_of(&self, setup: &Setup, vessels: Range<usize>) -> Option<f64> {
        let load = Self::for_kind(self.kind(setup, vessels.start), self.usual_load(setup));
        let used = self.taken_by(vessels.clone()).counted();
        let mut capacity = 0.0;
        for vessel in &self.vessels[vessels] {
            let part = self.part_of(setup, vessel)?;
            capacity += self.known_belief(setup, part)?.of_new_charge(load).middle;
        }
        Some((1.0 - used / capacity).max(0.0))
    }

    /// The last of several vessels is so fresh that no salt comes through it.
    fn last_holds_salt(&self, setup: &Setup) -> bool {
        let count = self.vessels.len();
        let last = self.vessels.last().filter(|vessel| count > 1 && !vessel.exhausted);
        if last.is_none() {
            return false;
        }
        // Vessels for one kind of ion each hold salt only together.
        let from = if self.kind(setup, count - 1) == PartKind::Mixed { count - 1 } else { 0 };
        (from..count).all(|index| {
            self.left_of(setup, index..index + 1).is_some_and(|left| left >= FRESH_LEFT)
        })
    }
}

impl Vessel {
    /// Of the salt it keeps everything.
    fn only_gas(&self) -> bool {
        self.gas_share >= 1.0
    }

    fn fresh(part: String) -> Self {
        Self {
            part,
            account: Account::new(),
            exhausted: false,
            assumed: false,
            held: false,
            gas_share: 0.0,
            gas_before: 0.0,
            gas_told: false,
            shows: 0.0,
            front: None,
            seen: Taken::default(),
            shared_u: 0.0,
            passed_u: 0.0,
        }
    }
}

#[cfg(test)]
mod tests;
