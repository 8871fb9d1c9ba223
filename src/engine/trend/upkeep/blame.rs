//! The cause table: which cause fits the evidence, or that none can be told.
//!
//! Reading of the pattern by common practice, no source (reference sheet 3.5): flow down with the same
//! passage is fouling, scaling or lost pressure; both up is oxidised membrane or a torn seal; passage
//! alone is a seal, a changed feed or a drifting probe; flow down and passage up is scaling. Flow
//! and passage are at standard conditions, so cold water and weak mains are causes of their own: they
//! show in the raw flow alone. Invariant: what is not measured is no evidence, and where two causes
//! fit neither is named.

/// Ratios to the plant's own baseline, where they are known.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Evidence {
    /// Permeate flow at standard conditions.
    pub(super) flow: Option<f64>,
    /// By how much the temperature form may have moved that flow.
    pub(super) flow_u: f64,
    /// Salt passage, at standard conditions where they are known.
    pub(super) passage: Option<f64>,
    /// Permeate flow as it is.
    pub(super) raw_flow: Option<f64>,
    /// Feed pressure over its usual.
    pub(super) pressure: Option<f64>,
    /// Water temperature now and of the baseline.
    pub(super) celsius: Option<(f64, f64)>,
    /// Resistance of the prefilters over that of new ones.
    pub(super) prefilter: Option<f64>,
    /// Share of the carbon's capacity that is used.
    pub(super) carbon: Option<f64>,
    /// Chlorine behind the carbon over its limit.
    pub(super) chlorine: Option<f64>,
    /// Feed over its usual.
    pub(super) feed: Option<f64>,
    /// Passage rose from one day to the next.
    pub(super) sudden: bool,
    /// A probe of the membrane stands under suspicion.
    pub(super) probe_suspect: bool,
}

/// A likely cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cause {
    Healthy,
    ColdWater,
    WeakMains,
    Sediment,
    Oxidised,
    Seal,
    Scaling,
    Fouling,
    FeedChanged,
    ProbeDrift,
    CannotTell,
}

impl Cause {
    pub(super) const fn word(self) -> &'static str {
        match self {
            Self::Healthy => "nothing wrong",
            Self::ColdWater => "cold water",
            Self::WeakMains => "weak mains",
            Self::Sediment => "clogged sediment filter",
            Self::Oxidised => "chlorine damage",
            Self::Seal => "damaged seal",
            Self::Scaling => "scaling",
            Self::Fouling => "fouling",
            Self::FeedChanged => "changed tap water",
            Self::ProbeDrift => "probe drift",
            Self::CannotTell => "cannot tell",
        }
    }
}

/// Flow and passage that count as changed. Flow: 10 to 15 % of the trade; passage: half as much again,
/// because below that a 1-ppm display decides (reference sheet 3.5).
const FLOW_DOWN: f64 = 0.87;
const FLOW_UP: f64 = 1.12;
const PASSAGE_UP: f64 = 1.5;
const PASSAGE_SAME: f64 = 1.25;

#[derive(Clone, Copy, PartialEq)]
enum Change {
    Down,
    Same,
    Up,
    Unclear,
}

/// The likely cause and what speaks for it.
pub(super) fn blame(seen: &Evidence) -> (Cause, String) {
    let percent = |ratio: f64| format!("{:.0} % of its baseline", 100.0 * ratio);
    let Some(flow) = seen.flow else { return without_flow(seen) };
    let flow_change = if flow + 2.0 * seen.flow_u < FLOW_DOWN {
        Change::Down
    } else if flow - 2.0 * seen.flow_u > FLOW_UP {
        Change::Up
    } else if (FLOW_DOWN..=FLOW_UP).contains(&flow) {
        Change::Same
    } else {
        Change::Unclear
    };
    let Some(passage) = seen.passage else {
        return (
            Cause::CannotTell,
            format!(
                "flow at standard conditions is {}; without a salt passage nothing more can be told",
                percent(flow)
            ),
        );
    };
    let passage_change = if passage >= PASSAGE_UP {
        Change::Up
    } else if passage <= PASSAGE_SAME {
        Change::Same
    } else {
        Change::Unclear
    };
    let both = format!(
        "with temperature and pressure taken out flow is {}, salt passage {}",
        percent(flow),
        percent(passage)
    );
    match (flow_change, passage_change) {
        (Change::Same, Change::Same) => outside(seen, &both),
        (Change::Up, Change::Up) => {
            if let Some(chlorine) = seen.chlorine.filter(|c| *c >= 1.0) {
                return (
                    Cause::Oxidised,
                    format!("{both}; chlorine behind the carbon was {chlorine:.1} times its limit"),
                );
            }
            if seen.carbon.is_some_and(|used| used >= 1.0) {
                return (Cause::Oxidised, format!("{both}; the carbon is past its rated load"));
            }
            if seen.sudden && seen.chlorine.is_some() {
                return (
                    Cause::Seal,
                    format!(
                        "{both}, from one day to the next, and no chlorine was found behind the carbon"
                    ),
                );
            }
            (
                Cause::CannotTell,
                format!(
                    "{both}: a seal or chlorine damage; test total chlorine behind the carbon, which tells them apart"
                ),
            )
        }
        (Change::Same, Change::Up) => {
            if seen.probe_suspect {
                return (
                    Cause::ProbeDrift,
                    format!("{both}, and a probe of the membrane contradicts its neighbours"),
                );
            }
            if let Some(feed) = seen.feed.filter(|feed| (feed - 1.0).abs() >= 0.3) {
                return (
                    Cause::FeedChanged,
                    format!("{both}; the tap stands at {}", percent(feed)),
                );
            }
            if seen.sudden {
                return (
                    Cause::Seal,
                    format!("{both}, from one day to the next, with an unchanged tap"),
                );
            }
            (
                Cause::CannotTell,
                format!(
                    "{both}: a seal or a drifting probe; a handheld reading of the permeate tells them apart"
                ),
            )
        }
        (Change::Down, Change::Up) => (Cause::Scaling, both),
        (Change::Down, Change::Same) => {
            (Cause::Fouling, format!("{both}: fouling, or scaling that has just begun"))
        }
        _ => (Cause::CannotTell, format!("{both}: no pattern")),
    }
}

/// The membrane is as it was: is what comes out?
fn outside(seen: &Evidence, both: &str) -> (Cause, String) {
    let Some(raw) = seen.raw_flow.filter(|raw| *raw < FLOW_DOWN) else {
        return (Cause::Healthy, both.to_owned());
    };
    let raw = 100.0 * (1.0 - raw);
    let cold = seen.celsius.map(|(now, usual)| usual - now);
    let weak = seen.pressure.filter(|ratio| *ratio < 0.9);
    match (cold, weak, seen.prefilter) {
        (_, Some(_), Some(prefilter)) if prefilter >= 1.5 => (
            Cause::Sediment,
            format!(
                "{both}; {raw:.0} % less water comes because the filters before it cost {prefilter:.1} times the pressure of new ones"
            ),
        ),
        (cold, Some(weak), Some(_)) if cold.is_none_or(|k| k < 4.0) => (
            Cause::WeakMains,
            format!(
                "{both}; {raw:.0} % less water comes at {:.0} % of the usual pressure, and the filters are clean",
                100.0 * weak
            ),
        ),
        (Some(cold), None, _) if cold >= 3.0 => (
            Cause::ColdWater,
            format!("{both}; {raw:.0} % less water comes because it is {cold:.0} K colder"),
        ),
        _ => (
            Cause::CannotTell,
            format!(
                "{both}; {raw:.0} % less water comes, and temperature, pressure and filters do not say why"
            ),
        ),
    }
}

fn without_flow(seen: &Evidence) -> (Cause, String) {
    if let Some(prefilter) = seen.prefilter.filter(|ratio| *ratio >= 2.0) {
        return (
            Cause::Sediment,
            format!(
                "the filters before the membrane cost {prefilter:.1} times the pressure of new ones"
            ),
        );
    }
    (
        Cause::CannotTell,
        "without pressure and temperature at the membrane, wear cannot be told from weather"
            .to_owned(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen() -> Evidence {
        Evidence {
            flow: Some(1.0),
            flow_u: 0.02,
            passage: Some(1.0),
            raw_flow: Some(1.0),
            pressure: Some(1.0),
            celsius: Some((15.0, 15.0)),
            prefilter: Some(1.0),
            carbon: Some(0.4),
            chlorine: None,
            feed: Some(1.0),
            sudden: false,
            probe_suspect: false,
        }
    }

    #[test]
    fn the_table_by_its_patterns() {
        let cases: &[(&str, Evidence, Cause)] = &[
            ("healthy", seen(), Cause::Healthy),
            (
                "winter",
                Evidence { raw_flow: Some(0.65), celsius: Some((5.0, 16.0)), ..seen() },
                Cause::ColdWater,
            ),
            (
                "evening",
                Evidence { raw_flow: Some(0.7), pressure: Some(0.7), ..seen() },
                Cause::WeakMains,
            ),
            (
                "dirt",
                Evidence {
                    raw_flow: Some(0.7),
                    pressure: Some(0.7),
                    prefilter: Some(3.2),
                    ..seen()
                },
                Cause::Sediment,
            ),
            (
                "chlorine",
                Evidence { flow: Some(1.3), passage: Some(2.1), chlorine: Some(4.0), ..seen() },
                Cause::Oxidised,
            ),
            (
                "seal, with a clean chlorine test",
                Evidence {
                    flow: Some(1.2),
                    passage: Some(2.5),
                    sudden: true,
                    chlorine: Some(0.0),
                    ..seen()
                },
                Cause::Seal,
            ),
            (
                "seal or chlorine: nobody tested",
                Evidence { flow: Some(1.2), passage: Some(2.5), ..seen() },
                Cause::CannotTell,
            ),
            ("scale", Evidence { flow: Some(0.7), passage: Some(1.8), ..seen() }, Cause::Scaling),
            ("biofilm", Evidence { flow: Some(0.75), ..seen() }, Cause::Fouling),
            (
                "a drifting probe",
                Evidence { passage: Some(2.0), probe_suspect: true, ..seen() },
                Cause::ProbeDrift,
            ),
            (
                "another well",
                Evidence { passage: Some(1.6), feed: Some(1.8), ..seen() },
                Cause::FeedChanged,
            ),
            ("passage alone", Evidence { passage: Some(2.0), ..seen() }, Cause::CannotTell),
            (
                "a flow that the temperature form may have moved",
                Evidence { flow: Some(0.85), flow_u: 0.08, passage: Some(1.0), ..seen() },
                Cause::CannotTell,
            ),
            ("nothing measured", Evidence::default(), Cause::CannotTell),
        ];
        for (name, evidence, wanted) in cases {
            let (cause, text) = blame(evidence);
            assert_eq!(cause, *wanted, "{name}: {text}");
            assert!(!text.is_empty());
        }
    }
}
