//! What is wrong with the settings, where, and what to do about it.

use std::fmt;

/// How bad a problem is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The daemon does not start.
    Error,
    /// The daemon starts; something is weaker than it could be.
    Warning,
}

/// Where a key was set.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Place {
    /// Name of the file as it was given, or `environment variable NAME`.
    pub file: String,
    /// Line, counted from 1; `None` in the environment and for what stands nowhere.
    pub line: Option<u32>,
}

/// Finds where a key was set.
pub trait Locate {
    /// The place of this key, or of the closest section around it that stands somewhere.
    fn locate(&self, path: &[&str]) -> Place;
}

/// Knows no places: for settings that were made in code.
#[derive(Clone, Copy, Debug, Default)]
pub struct Nowhere;

impl Locate for Nowhere {
    fn locate(&self, _: &[&str]) -> Place {
        Place { file: "settings".into(), line: None }
    }
}

/// One problem.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// How bad it is.
    pub severity: Severity,
    /// File, or environment variable.
    pub file: String,
    /// Line in the file, counted from 1.
    pub line: Option<u32>,
    /// Dotted path of the key; empty when no key is to blame (a file that cannot be read).
    pub key_path: String,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub todo: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
        };
        write!(f, "{word}: {}", self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if !self.key_path.is_empty() {
            write!(f, ": {}", self.key_path)?;
        }
        write!(f, "\n    {}", self.what)?;
        if !self.todo.is_empty() {
            write!(f, "\n    -> {}", self.todo)?;
        }
        Ok(())
    }
}

/// All problems that were found, in the order of files and lines. Never empty inside an `Err`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// True if one of them keeps the daemon from starting.
    pub fn are_fatal(&self) -> bool {
        self.0.iter().any(|problem| problem.severity == Severity::Error)
    }

    /// How many errors and how many warnings there are.
    pub fn count(&self) -> (usize, usize) {
        let errors = self.0.iter().filter(|problem| problem.severity == Severity::Error).count();
        (errors, self.0.len() - errors)
    }

    /// Sorts by file (in the order of their first mention), line and severity.
    pub(crate) fn sort(&mut self) {
        let mut files: Vec<String> = Vec::new();
        for problem in &self.0 {
            if !files.contains(&problem.file) {
                files.push(problem.file.clone());
            }
        }
        self.0.sort_by_key(|problem| {
            (
                files.iter().position(|file| *file == problem.file),
                problem.line,
                problem.severity,
                problem.key_path.clone(),
            )
        });
        self.0.dedup();
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for problem in &self.0 {
            writeln!(f, "{problem}")?;
        }
        let (errors, warnings) = self.count();
        write!(f, "{}, {}", plural(errors, "error"), plural(warnings, "warning"))
    }
}

impl std::error::Error for Problems {}

/// `1 error`, `2 errors`.
pub(crate) fn plural(count: usize, word: &str) -> String {
    format!("{count} {word}{}", if count == 1 { "" } else { "s" })
}

/// A key path for people: dotted, with quotes where TOML needs them.
pub fn dotted<S: AsRef<str>>(path: &[S]) -> String {
    let bare = |part: &str| {
        !part.is_empty() && part.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b))
    };
    path.iter()
        .map(AsRef::as_ref)
        .map(|part| if bare(part) { part.to_owned() } else { format!("{part:?}") })
        .collect::<Vec<_>>()
        .join(".")
}

/// The nearest of some known words, if one is near enough to be meant.
pub(crate) fn nearest<'a>(word: &str, known: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    let folded = word.to_lowercase().replace(['-', ' '], "_");
    known
        .map(|name| (strsim::jaro_winkler(&folded, &name.replace('-', "_")), name))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, name)| name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_problem_says_where_what_and_what_to_do() {
        let problem = Problem {
            severity: Severity::Error,
            file: "site.toml".into(),
            line: Some(7),
            key_path: dotted(&["plants", "my plant", "name"]),
            what: "is wrong".into(),
            todo: "make it right".into(),
        };
        assert_eq!(
            problem.to_string(),
            "error: site.toml:7: plants.\"my plant\".name\n    is wrong\n    -> make it right"
        );
    }

    #[test]
    fn the_nearest_word_is_near() {
        let known = ["client_id", "host", "port", "supply-valve"];
        assert_eq!(nearest("clinet_id", known.into_iter()), Some("client_id"));
        assert_eq!(nearest("supply_valve", known.into_iter()), Some("supply-valve"));
        assert_eq!(nearest("zzz", known.into_iter()), None);
    }
}
