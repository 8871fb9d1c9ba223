//! The plan: changes that can be met, and salt water that can be made.

use super::{Check, Scope};

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    let plan = &scope.plant.plan;
    let store = &scope.plant.store;
    for (id, change) in &plan.changes {
        let at = |key| scope.at(&["plan", "changes", id, key]);
        check.id(&scope.at(&["plan", "changes", id]), id);
        if change.weekday.is_none() {
            check.error(&at("weekday"), "is missing", "write a day such as \"saturday\"");
        }
        if change.at.parse::<jiff::civil::Time>().is_err() {
            check.error(
                &at("at"),
                format!("{:?} is no time of day", change.at),
                "write it as \"10:00\"",
            );
        }
        if !change.from.is_empty() && change.from.parse::<jiff::civil::Date>().is_err() {
            check.error(
                &at("from"),
                format!("{:?} is no date", change.from),
                "write it as \"2026-03-01\"",
            );
        }
        if change.every_weeks > 1 && change.from.is_empty() {
            check.error(
                &at("from"),
                "is missing, so nobody knows which weeks are meant",
                "write a day of a week in which the change takes place",
            );
        }
        let room = store.litres - store.dead_litres;
        if store.litres > 0.0 && change.litres > room {
            check.warn(
                &at("litres"),
                format!("the container gives {room:.0} L at most"),
                "plan the change in two parts, or take a larger container",
            );
        }
    }
    if plan.batch.salinity > 0.0 && plan.batch.salinity < 2.0 {
        check.error(
            &scope.at(&["plan", "batch", "salinity"]),
            format!("{} is hardly salt water", plan.batch.salinity),
            "write the practical salinity, such as 35, or 0 for none",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};

    fn with(change: &str) -> String {
        format!("{SMALL}[plants.home.plan.changes.weekly]\n{change}")
    }

    #[test]
    fn a_change_names_its_day_and_a_time_of_day() {
        assert!(errors(&with("weekday = \"saturday\"\nlitres = 20\n")).is_empty());
        assert_eq!(errors(&with("litres = 20\n")).len(), 1);
        assert_eq!(errors(&with("weekday = \"saturday\"\nat = \"25:00\"\n")).len(), 1);
        assert_eq!(errors(&with("weekday = \"sabado\"\n")).len(), 1);
    }

    #[test]
    fn every_second_week_needs_to_know_which() {
        let change = "weekday = \"saturday\"\nevery_weeks = 2\n";
        assert_eq!(errors(&with(change)).len(), 1);
        assert!(errors(&with(&format!("{change}from = \"2026-01-05\"\n"))).is_empty());
    }

    #[test]
    fn a_change_that_never_fits_the_container_is_mentioned() {
        let text = with("weekday = \"saturday\"\nlitres = 90\n");
        let found = warnings(&format!("{text}[plants.home.store]\nlitres = 80\n"));
        assert!(found.iter().any(|w| w.contains("80 L at most")), "{found:?}");
    }
}
