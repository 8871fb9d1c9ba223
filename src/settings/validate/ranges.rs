//! Every number lies in the range that its key declares.

use super::Check;
use crate::settings::model::{Holds, Key, Section, model};
use crate::settings::schema::Settings;
use serde_json::Value;

pub(super) fn check(settings: &Settings, check: &mut Check<'_>) {
    // Settings hold nothing that JSON cannot; a number that is not finite becomes null.
    let tree = serde_json::to_value(settings).unwrap_or_default();
    section(model(), &tree, &mut Vec::new(), check);
}

fn section<'a>(keys: &'a Section, tree: &'a Value, path: &mut Vec<&'a str>, check: &mut Check<'_>) {
    for key in &keys.keys {
        let Some(value) = tree.get(&key.name) else { continue };
        path.push(&key.name);
        match &key.holds {
            Holds::Section(inner) => section(inner, value, path, check),
            Holds::Map(inner) => {
                for (id, entry) in value.as_object().into_iter().flatten() {
                    path.push(id);
                    section(inner, entry, path, check);
                    path.pop();
                }
            }
            Holds::Integer | Holds::Number => number(key, value, path, check),
            _ => {}
        }
        path.pop();
    }
}

fn number(key: &Key, value: &Value, path: &[&str], check: &mut Check<'_>) {
    let Some(number) = value.as_f64() else {
        if !key.optional {
            check.error(path, "is not a finite number", format!("write {}", key.wants()));
        }
        return;
    };
    let too_small = key.min.is_some_and(|min| number < min);
    let too_large = key.max.is_some_and(|max| number > max);
    if too_small || too_large {
        check.error(path, format!("{number} is out of range"), format!("write {}", key.wants()));
    }
}

#[cfg(test)]
mod tests {
    use super::super::tests::{SMALL, errors};
    use super::*;

    /// One sample path for each section of a map.
    fn walk(keys: &Section, path: &mut Vec<String>, visit: &mut impl FnMut(&[String], &Key)) {
        for key in &keys.keys {
            path.push(key.name.clone());
            match &key.holds {
                Holds::Section(inner) => walk(inner, path, visit),
                Holds::Map(inner) => {
                    path.push("x".into());
                    walk(inner, path, visit);
                    path.pop();
                }
                _ => visit(path, key),
            }
            path.pop();
        }
    }

    #[test]
    fn every_number_has_a_range_and_both_of_its_ends_are_guarded() {
        let mut seen = 0;
        walk(model(), &mut Vec::new(), &mut |path, key| {
            if !matches!(key.holds, Holds::Integer | Holds::Number) {
                return;
            }
            let (Some(min), Some(max)) = (key.min, key.max) else {
                panic!("{path:?} has no range");
            };
            seen += 1;
            let (section, name) = (path[..path.len() - 1].join("."), &path[path.len() - 1]);
            for outside in [min - 1.0 - min.abs(), max * 2.0 + 1.0] {
                let number = if key.holds == Holds::Integer {
                    format!("{outside:.0}")
                } else {
                    format!("{outside:.3}")
                };
                let found = errors(&format!("[{section}]\n{name} = {number}\n{SMALL}"));
                let dotted = path.join(".");
                assert!(
                    found.iter().any(|problem| problem.starts_with(&format!("{dotted}: "))),
                    "{dotted} = {number}: {found:?}"
                );
            }
        });
        assert!(seen > 100, "only {seen} numbers");
    }

    #[test]
    fn every_default_lies_in_its_range() {
        walk(model(), &mut Vec::new(), &mut |path, key| {
            if let (Some(default), Some(min), Some(max)) = (key.default.as_f64(), key.min, key.max)
            {
                assert!((min..=max).contains(&default), "{path:?}: {default}");
            }
        });
    }
}
