//! Parts that wear: what they are, where in the flow, and what is declared of them.

use super::{Check, Scope};
use crate::settings::schema::{Part, PartKind, Point};
use crate::units::Quantity;
use std::collections::BTreeMap;

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    let mut places: BTreeMap<(PartKind, u8), &str> = BTreeMap::new();
    for (id, part) in &scope.plant.parts {
        check.id(&scope.at(&["parts", id]), id);
        fitted(scope, id, part, check);
        let Some(kind) = part.kind else {
            check.error(
                &scope.at(&["parts", id, "kind"]),
                "is missing",
                "say what it is, such as \"membrane\", \"mixed\" or \"carbon\"",
            );
            continue;
        };
        // Vessels stand in one line, whatever resin they hold.
        let line = if kind.is_vessel() { PartKind::Mixed } else { kind };
        if let Some(other) = places.insert((line, part.position), id) {
            let sort = if kind.is_vessel() { "vessel" } else { kind.word() };
            check.error(
                &scope.at(&["parts", id, "position"]),
                format!("{other} is {sort} {} already", part.position),
                "number them in the direction of flow: 1 is met first",
            );
        }
        declared(scope, id, part, kind, check);
    }
    gaps(scope, &places, check);
    between(scope, check);
}

/// Places are counted from 1; one that is left out is a slip, or a part that was forgotten.
fn gaps(scope: &Scope<'_>, places: &BTreeMap<(PartKind, u8), &str>, check: &mut Check<'_>) {
    let mut before: Option<(PartKind, u8)> = None;
    for ((line, position), id) in places {
        let due = match before {
            Some((other, last)) if other == *line => last.saturating_add(1),
            _ => 1,
        };
        if *position > due {
            let sort = if line.is_vessel() { "vessel" } else { line.word() };
            check.warn(
                &scope.at(&["parts", id, "position"]),
                format!("it is {sort} {position}, and there is no {sort} {due} before it"),
                format!("write `position = {due}`, or declare what stands before it"),
            );
        }
        before = Some((*line, *position));
    }
}

fn fitted(scope: &Scope<'_>, id: &str, part: &Part, check: &mut Check<'_>) {
    if !part.fitted.is_empty() && part.fitted.parse::<jiff::civil::Date>().is_err() {
        check.error(
            &scope.at(&["parts", id, "fitted"]),
            format!("{:?} is no date", part.fitted),
            "write it as \"2026-03-01\"",
        );
    }
}

fn declared(scope: &Scope<'_>, id: &str, part: &Part, kind: PartKind, check: &mut Check<'_>) {
    let bed = scope.at(&["parts", id, "bed_litres"]);
    if kind.is_vessel() {
        if part.bed_litres <= 0.0 {
            check.error(
                &bed,
                "is missing, and a vessel's account needs it",
                "write the litres of resin in it, such as 0.75",
            );
        }
    } else if part.bed_litres > 0.0 && kind != PartKind::Carbon {
        check.warn(&bed, format!("has no effect on a {}", kind.word()), "remove it");
    }
    if matches!(kind, PartKind::Carbon) && part.rated_litres <= 0.0 && part.service_days <= 0.0 {
        check.warn(
            &scope.at(&["parts", id]),
            "nothing says when this carbon is due",
            "write `rated_litres` with `rated_mg_per_litre`, or `service_days`",
        );
    }
    if kind == PartKind::Membrane && part.rated_litres_per_min <= 0.0 {
        check.warn(
            &scope.at(&["parts", id, "rated_litres_per_min"]),
            "is not declared, so a plugged membrane can only be told from its own past",
            "write its rated flow at `rated_bar` and 25 °C",
        );
    }
}

fn between(scope: &Scope<'_>, check: &mut Check<'_>) {
    let vessels = scope
        .plant
        .parts
        .values()
        .filter(|part| part.kind.is_some_and(PartKind::is_vessel))
        .count();
    let probe = scope.plant.sensors.iter().find(|(_, sensor)| {
        sensor.point == Some(Point::Between)
            && sensor.quantity.is_some_and(super::sensors::is_solids)
    });
    if let Some((id, _)) = probe
        && vessels < 2
    {
        check.warn(
            &scope.at(&["sensors", id, "point"]),
            format!("`between` is the outlet of the first of two vessels, and there are {vessels}"),
            "declare both vessels under `parts`",
        );
    }
    if vessels >= 2 && probe.is_none() {
        check.warn(
            &scope.at(&["parts"]),
            "without a probe between the vessels the first one is not seen to be spent",
            "add a probe with `point = \"between\"`",
        );
    }
    let metered = scope.plant.sensors.values().any(|sensor| {
        sensor.quantity.is_some_and(Quantity::is_meter)
            && matches!(sensor.point, Some(Point::Permeate | Point::Between | Point::Product))
    });
    if vessels > 0 && !metered && scope.plant.assumed.permeate_litres_per_min.is_none() {
        check.warn(
            &scope.at(&["parts"]),
            "no meter and no assumed permeate flow: the resin has no account",
            "add a flow or pulse meter, or `assumed.permeate_litres_per_min`",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};

    fn with(parts: &str) -> String {
        format!("{SMALL}{parts}")
    }

    const LEAD: &str = "[plants.home.parts.lead]\nkind = \"mixed\"\nbed_litres = 0.75\n";

    #[test]
    fn a_vessel_declares_its_bed() {
        assert!(errors(&with(LEAD)).is_empty());
        assert_eq!(errors(&with(&LEAD.replace("bed_litres = 0.75", ""))).len(), 1);
    }

    #[test]
    fn two_vessels_do_not_stand_in_one_place() {
        let lag = LEAD.replace("parts.lead", "parts.lag").replace("mixed", "anion");
        assert_eq!(errors(&with(&format!("{LEAD}{lag}"))).len(), 1);
        assert!(errors(&with(&format!("{LEAD}{lag}position = 2\n"))).is_empty());
        let carbon = "[plants.home.parts.c]\nkind = \"carbon\"\n";
        assert!(errors(&with(&format!("{LEAD}{carbon}"))).is_empty());
    }

    #[test]
    fn a_place_that_is_left_out_is_mentioned() {
        let found = |parts: &str| {
            let mut found = warnings(&with(parts));
            found.retain(|warning| warning.contains(".position"));
            found
        };
        let alone = found(&format!("{LEAD}position = 3\n"));
        assert_eq!(alone.len(), 1, "{alone:?}");
        assert!(alone[0].contains("vessel 3") && alone[0].contains("no vessel 1"), "{alone:?}");
        let lag = LEAD.replace("parts.lead", "parts.lag");
        let gap = found(&format!("{LEAD}{lag}position = 3\n"));
        assert!(gap.len() == 1 && gap[0].contains("no vessel 2"), "{gap:?}");
        assert_eq!(found(&format!("{LEAD}{lag}position = 2\n")), Vec::<String>::new());
    }

    #[test]
    fn kind_and_date_are_checked() {
        assert_eq!(errors(&with("[plants.home.parts.x]\n")).len(), 1);
        assert_eq!(errors(&with(&format!("{LEAD}fitted = \"1.3.2026\"\n"))).len(), 1);
        assert!(errors(&with(&format!("{LEAD}fitted = \"2026-03-01\"\n"))).is_empty());
    }

    #[test]
    fn two_vessels_without_a_probe_between_are_mentioned() {
        let lag = LEAD.replace("parts.lead", "parts.lag");
        let found = warnings(&with(&format!("{LEAD}{lag}position = 2\n")));
        assert!(found.iter().any(|w| w.contains("between the vessels")), "{found:?}");
        assert!(found.iter().any(|w| w.contains("no account")), "{found:?}");
    }
}
