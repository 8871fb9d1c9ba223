//! Rules that cross fields; reports every problem at once.
//!
//! Each rule says what is wrong and what to do. Errors are what could close late, open wrongly,
//! judge the wrong water or contradict itself; warnings are what is only weaker than it could be.
//! Absent on purpose: files and networks (`settings::secrets` looks at files, `check --probe`
//! connects).

mod actuators;
mod limits;
mod parts;
mod plan;
mod plant;
mod ranges;
mod sensors;
mod site;
mod topics;

use super::problem::{Locate, Problem, Severity, dotted};
use super::schema::Settings;

/// Every problem of settings that could be read: errors and warnings.
///
/// Settings without an error can be resolved by `engine::setup::Setup::resolve`.
pub fn validate(settings: &Settings, locate: &dyn Locate) -> Vec<Problem> {
    let mut check = Check { locate, problems: Vec::new() };
    ranges::check(settings, &mut check);
    site::check(settings, &mut check);
    topics::check(settings, &mut check);
    for (id, plant) in &settings.plants {
        let scope = Scope { id, plant };
        sensors::check(&scope, &mut check);
        actuators::check(&scope, &mut check);
        parts::check(&scope, &mut check);
        limits::check(&scope, &mut check);
        plan::check(&scope, &mut check);
        plant::check(&scope, &mut check);
    }
    check.problems
}

/// Collects problems and finds their places.
struct Check<'a> {
    locate: &'a dyn Locate,
    problems: Vec<Problem>,
}

impl Check<'_> {
    fn error(&mut self, path: &[&str], what: impl Into<String>, todo: impl Into<String>) {
        self.note(Severity::Error, path, what.into(), todo.into());
    }

    fn warn(&mut self, path: &[&str], what: impl Into<String>, todo: impl Into<String>) {
        self.note(Severity::Warning, path, what.into(), todo.into());
    }

    fn note(&mut self, severity: Severity, path: &[&str], what: String, todo: String) {
        let place = self.locate.locate(path);
        self.problems.push(Problem {
            severity,
            file: place.file,
            line: place.line,
            key_path: dotted(path),
            what,
            todo,
        });
    }

    /// Ids become parts of topics and client ids.
    fn id(&mut self, path: &[&str], id: &str) {
        let fits = !id.is_empty()
            && id.len() <= 64
            && id.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
            && !id.starts_with('-')
            && !id.ends_with('-');
        if !fits {
            self.error(
                path,
                format!("{id:?} is no id"),
                "use small letters, digits and inner hyphens, at most 64",
            );
        }
    }
}

/// One plant under its id.
#[derive(Clone, Copy)]
struct Scope<'a> {
    id: &'a str,
    plant: &'a super::schema::Plant,
}

impl<'a> Scope<'a> {
    /// Path of a key below the plant.
    fn at<'b>(&self, rest: &[&'b str]) -> Vec<&'b str>
    where
        'a: 'b,
    {
        let mut path = vec!["plants", self.id];
        path.extend_from_slice(rest);
        path
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::settings::load::from_str;

    /// Two solids probes and a valve: the smallest plant that is guarded.
    pub(crate) const SMALL: &str = r#"
[plants.home.sensors.permeate]
topic = "utility/permeate/tds"
quantity = "tds"
point = "permeate"
unit = "ppm"

[plants.home.sensors.product]
topic = "utility/product/tds"
quantity = "tds"
point = "product"
unit = "ppm"

[plants.home.actuators.valve]
role = "supply-valve"
topic = "utility/valve/set"
close = "OFF"
fails = "closed"
"#;

    /// Errors of a text, each as `key path: what`.
    pub(crate) fn errors(toml: &str) -> Vec<String> {
        match from_str("site.toml", toml) {
            Ok(_) => Vec::new(),
            Err(problems) => problems
                .0
                .iter()
                .filter(|problem| problem.severity == Severity::Error)
                .map(|problem| format!("{}: {}", problem.key_path, problem.what))
                .collect(),
        }
    }

    /// Warnings of a text that has no errors.
    pub(crate) fn warnings(toml: &str) -> Vec<String> {
        crate::settings::load::load_str("site.toml", toml)
            .expect("no errors")
            .warnings
            .iter()
            .map(|problem| format!("{}: {}", problem.key_path, problem.what))
            .collect()
    }

    #[test]
    fn the_smallest_plant_is_accepted() {
        assert_eq!(errors(SMALL), Vec::<String>::new());
    }

    #[test]
    fn no_plant_at_all_is_an_error() {
        assert_eq!(errors("").len(), 1);
    }

    #[test]
    fn ids_are_small_letters_digits_and_hyphens() {
        for bad in ["Home", "a_b", "a.b", "-a", "ä"] {
            let text = SMALL.replace("plants.home", &format!("plants.\"{bad}\""));
            assert!(!errors(&text).is_empty(), "{bad}");
        }
    }
}
