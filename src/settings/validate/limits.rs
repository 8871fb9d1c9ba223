//! Limits that only make sense in a certain order.

use super::{Check, Scope};
use crate::engine::setup::permeate_is_product;
use crate::settings::schema::{ProductLimits, ValveKind};

pub(super) fn check(scope: &Scope<'_>, check: &mut Check<'_>) {
    product(scope, check);
    permeate(scope, check);
    gas(scope, check);
    guard(scope, check);
    pressure(scope, check);
    temperature(scope, check);
    let store = &scope.plant.store;
    if store.litres > 0.0 && scope.plant.limits.store.band_litres >= store.litres {
        check.error(
            &scope.at(&["limits", "store", "band_litres"]),
            format!("is not smaller than the container ({} L)", store.litres),
            "write a part of it, such as a quarter",
        );
    }
    let stages = &scope.plant.limits.stages;
    below(
        scope,
        check,
        ("stages", "lead_begun_ppm", stages.lead_begun_ppm),
        ("lead_spent_ppm", stages.lead_spent_ppm),
    );
}

/// The first of two limits must lie below the second.
fn below(
    scope: &Scope<'_>,
    check: &mut Check<'_>,
    (section, key, value): (&str, &str, f64),
    (other, bound): (&str, f64),
) {
    if value >= bound {
        check.error(
            &scope.at(&["limits", section, key]),
            format!("{value} is not below `{other} = {bound}`"),
            "put the two in order",
        );
    }
}

fn product(scope: &Scope<'_>, check: &mut Check<'_>) {
    let product = &scope.plant.limits.product;
    let limit = ("product", "limit_ppm", product.limit_ppm);
    below(scope, check, limit, ("fast_ppm", product.fast_ppm));
    if product.rinse_in_ceiling_ppm < product.limit_ppm {
        check.error(
            &scope.at(&["limits", "product", "rinse_in_ceiling_ppm"]),
            format!(
                "is below `limit_ppm = {}`, so a start would be judged harder than a run",
                product.limit_ppm
            ),
            "write at least the limit",
        );
    }
    if product.rinse_in_ceiling_ppm > product.fast_ppm {
        check.error(
            &scope.at(&["limits", "product", "rinse_in_ceiling_ppm"]),
            format!("is above `fast_ppm = {}`", product.fast_ppm),
            "put the two in order",
        );
    }
}

/// The usual limits are those of water that comes from resin: none of them fits permeate.
fn permeate(scope: &Scope<'_>, check: &mut Check<'_>) {
    let (product, usual) = (&scope.plant.limits.product, ProductLimits::default());
    if !permeate_is_product(scope.plant) {
        return;
    }
    if product.limit_ppm <= usual.limit_ppm {
        check.warn(
            &scope.at(&["limits", "product", "limit_ppm"]),
            format!(
                "there is a membrane and no vessel of resin, so the product is permeate, and {} ppm is \
                 a limit for deionised water: every run would close",
                product.limit_ppm
            ),
            "write what you tolerate, such as a fifth of what the tap has, and `dose_ppm_litres` at \
             least as much (a litre at the limit)",
        );
    } else if product.dose_ppm_litres < 0.5 * product.limit_ppm {
        check.warn(
            &scope.at(&["limits", "product", "dose_ppm_litres"]),
            format!(
                "the dose counts ppm above zero: at the limit of {} ppm {:.2} L fill it",
                product.limit_ppm,
                product.dose_ppm_litres / product.limit_ppm
            ),
            format!("write at least {} (a litre at the limit)", product.limit_ppm),
        );
    }
    // First water after standing comes near to the feed.
    let least =
        scope.plant.assumed.feed_tds_ppm.unwrap_or(0.0).max(20.0 * usual.rinse_in_ceiling_ppm);
    if product.rinse_in_ceiling_ppm < least {
        check.warn(
            &scope.at(&["limits", "product", "rinse_in_ceiling_ppm"]),
            format!(
                "there is a membrane and no vessel of resin: after standing the first water comes near \
                 to the tap's, and {} ppm would close at a healthy start",
                product.rinse_in_ceiling_ppm
            ),
            "write what the tap has, `fast_ppm` at least as much, and `rinse_in_litres` for how long \
             the first water lasts (1 to 2 L)",
        );
    }
}

/// Said at every check, so that nobody forgets it.
fn gas(scope: &Scope<'_>, check: &mut Check<'_>) {
    let product = &scope.plant.limits.product;
    if product.gas_accept_max_ppm > 0.0 {
        check.warn(
            &scope.at(&["limits", "product", "gas_accept_max_ppm"]),
            format!(
                "lets a person accept water that reads up to {} ppm for {:.0} days at a time; only \
                 water that reads zero belongs to the animals",
                product.gas_accept_max_ppm, product.gas_accept_days
            ),
            "change the resin or air the permeate, then write 0",
        );
    }
}

fn guard(scope: &Scope<'_>, check: &mut Check<'_>) {
    let guard = &scope.plant.limits.guard;
    if guard.median_readings != 0 && guard.median_readings.is_multiple_of(2) {
        check.error(
            &scope.at(&["limits", "guard", "median_readings"]),
            "is even, and a median needs a middle",
            "write 1, 3, 5, 7 or 9, or 0 for the usual",
        );
    }
    if guard.stale_min_secs > guard.stale_max_secs {
        check.error(
            &scope.at(&["limits", "guard", "stale_min_secs"]),
            format!("is above `stale_max_secs = {}`", guard.stale_max_secs),
            "put the two in order",
        );
    }
    if guard.permit_renew_secs > guard.permit_valid_secs / 3.0 {
        check.error(
            &scope.at(&["limits", "guard", "permit_renew_secs"]),
            format!(
                "{} s is more than a third of `permit_valid_secs = {}`: one lost renewal too many \
                 lets the permit expire",
                guard.permit_renew_secs, guard.permit_valid_secs
            ),
            format!("write at most {}", guard.permit_valid_secs / 3.0),
        );
    }
    below(
        scope,
        check,
        ("guard", "confirm_secs", guard.confirm_secs),
        ("barrier_secs", guard.barrier_secs),
    );
    if guard.starts_per_hour > guard.starts_per_day {
        check.error(
            &scope.at(&["limits", "guard", "starts_per_hour"]),
            format!("is above `starts_per_day = {}`", guard.starts_per_day),
            "put the two in order",
        );
    }
    let product = &scope.plant.limits.product;
    let rinse = product.rinse_in_litres.max(3.0 * scope.plant.assumed.tube_litres.unwrap_or(0.0));
    let shortest = rinse + product.clear_litres;
    if guard.test_run_litres < shortest {
        check.warn(
            &scope.at(&["limits", "guard", "test_run_litres"]),
            format!(
                "{} L end before {shortest:.1} L have shown pure water (rinse-in and `clear_litres`): \
                 no test run can pass, so a product trip cannot be cleared",
                guard.test_run_litres
            ),
            format!("write at least {:.0}", (shortest * 1.5).ceil()),
        );
    }
    for (id, actuator) in &scope.plant.actuators {
        let needed = actuator.travel_secs + guard.confirm_secs;
        if actuator.kind == ValveKind::Motor && needed >= guard.barrier_secs {
            check.error(
                &scope.at(&["actuators", id, "travel_secs"]),
                format!(
                    "with `confirm_secs` this takes {needed} s, and the second barrier closes after \
                     {} s already",
                    guard.barrier_secs
                ),
                format!("set `limits.guard.barrier_secs` above {needed}"),
            );
        }
    }
}

fn pressure(scope: &Scope<'_>, check: &mut Check<'_>) {
    let p = &scope.plant.limits.pressure;
    below(scope, check, ("pressure", "low_bar", p.low_bar), ("high_bar", p.high_bar));
    let high = ("pressure", "high_bar", p.high_bar);
    below(scope, check, high, ("high_hold_bar", p.high_hold_bar));
}

fn temperature(scope: &Scope<'_>, check: &mut Check<'_>) {
    let t = &scope.plant.limits.temperature;
    below(scope, check, ("temperature", "cold_c", t.cold_c), ("warm_c", t.warm_c));
    below(scope, check, ("temperature", "warm_c", t.warm_c), ("hot_c", t.hot_c));
    below(scope, check, ("temperature", "reset_below_c", t.reset_below_c), ("hot_c", t.hot_c));
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors, warnings};

    #[test]
    fn each_pair_of_limits_is_in_order() {
        for (section, lines) in [
            ("product", "limit_ppm = 6"),
            ("product", "rinse_in_ceiling_ppm = 30"),
            ("product", "limit_ppm = 3\nrinse_in_ceiling_ppm = 2"),
            ("product", "fast_ppm = 1\nrinse_in_ceiling_ppm = 1"),
            ("guard", "median_readings = 4"),
            ("guard", "stale_min_secs = 90"),
            ("guard", "permit_renew_secs = 21"),
            ("guard", "confirm_secs = 20"),
            ("guard", "starts_per_hour = 13"),
            ("pressure", "low_bar = 5.5"),
            ("pressure", "high_bar = 6.2"),
            ("temperature", "warm_c = 40"),
            ("temperature", "reset_below_c = 40"),
            ("stages", "lead_begun_ppm = 3"),
        ] {
            let found = errors(&format!("{SMALL}[plants.home.limits.{section}]\n{lines}\n"));
            assert_eq!(found.len(), 1, "{section}: {lines}: {found:?}");
        }
    }

    #[test]
    fn a_test_run_that_cannot_pass_is_warned_of() {
        use super::super::tests::warnings;
        let run = |litres: f64| {
            let text = format!("{SMALL}[plants.home.limits.guard]\ntest_run_litres = {litres}\n");
            warnings(&text).iter().any(|one| one.contains("no test run can pass"))
        };
        assert!(run(1.4));
        assert!(!run(1.5));
    }

    #[test]
    fn that_gas_may_be_accepted_is_said_at_every_check() {
        use super::super::tests::warnings;
        let allowed = format!("{SMALL}[plants.home.limits.product]\ngas_accept_max_ppm = 1\n");
        let said = |text: &str| warnings(text).iter().any(|one| one.contains("reads zero"));
        assert!(said(&allowed) && !said(SMALL));
    }

    #[test]
    fn a_slow_motor_valve_moves_the_second_barrier() {
        let slow = format!("{SMALL}kind = \"motor\"\ntravel_secs = 15\n");
        assert_eq!(errors(&slow).len(), 1);
        let text = format!("{slow}[plants.home.limits.guard]\nbarrier_secs = 30\n");
        assert!(errors(&text).is_empty());
    }

    #[test]
    fn limits_for_deionised_water_are_named_where_there_is_no_resin() {
        let parts = "[plants.home.parts.membrane]\nkind = \"membrane\"\n";
        let limits = "[plants.home.limits.product]\n";
        let named = |more: &str| {
            let all = warnings(&format!("{SMALL}{parts}{limits}{more}"));
            let of =
                |key: &str| all.iter().any(|one| one.contains(&format!("limits.product.{key}:")));
            [of("limit_ppm"), of("dose_ppm_litres"), of("rinse_in_ceiling_ppm")]
        };
        assert_eq!(named(""), [true, false, true]);
        let high = "fast_ppm = 400\nrinse_in_ceiling_ppm = 300\n";
        assert_eq!(named(&format!("limit_ppm = 60\n{high}")), [false, true, false]);
        assert_eq!(named(&format!("limit_ppm = 60\ndose_ppm_litres = 60\n{high}")), [false; 3]);
        let resin = "[plants.home.parts.vessel]\nkind = \"mixed\"\nposition = 1\nbed_litres = 1\n";
        assert_eq!(
            warnings(&format!("{SMALL}{parts}{resin}"))
                .iter()
                .filter(|one| one.contains("limits.product"))
                .count(),
            0
        );
        let alone = SMALL.replace("point = \"product\"", "point = \"between\"");
        assert_eq!(
            errors(&format!("{alone}{parts}")),
            Vec::<String>::new(),
            "permeate is the product"
        );
        assert_ne!(errors(&format!("{alone}{parts}{resin}")), Vec::<String>::new());
    }

    #[test]
    fn the_band_is_smaller_than_the_container() {
        let text = format!("{SMALL}[plants.home.store]\nlitres = 8\n");
        let found = errors(&text);
        assert_eq!(found.len(), 1, "{found:?}");
        assert!(found[0].contains("band_litres"), "{found:?}");
    }
}
