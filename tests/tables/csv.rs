//! A small reader for the tables: `#` lines, a header row, rows of numbers or words.

use std::collections::BTreeMap;

/// One table.
pub struct Table {
    name: String,
    columns: BTreeMap<String, usize>,
    rows: Vec<Vec<String>>,
}

/// One row of a table.
#[derive(Clone, Copy)]
pub struct Row<'a> {
    table: &'a Table,
    cells: &'a [String],
}

impl Table {
    /// Reads `tests/reference/<name>.csv`.
    pub fn read(name: &str) -> Self {
        let path = format!("{}/tests/reference/{name}.csv", env!("CARGO_MANIFEST_DIR"));
        let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
        let mut lines = text.lines().filter(|line| !line.starts_with('#'));
        let header = lines.next().expect("a header row");
        let columns =
            header.split(',').enumerate().map(|(index, word)| (word.to_owned(), index)).collect();
        let rows: Vec<Vec<String>> =
            lines.map(|line| line.split(',').map(str::to_owned).collect()).collect();
        assert!(!rows.is_empty(), "{name} has no rows");
        Self { name: name.to_owned(), columns, rows }
    }

    /// All rows.
    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|cells| Row { table: self, cells })
    }
}

impl Row<'_> {
    /// A cell as it stands.
    pub fn word(&self, column: &str) -> &str {
        let index = *self
            .table
            .columns
            .get(column)
            .unwrap_or_else(|| panic!("{} has no column {column}", self.table.name));
        self.cells.get(index).map_or("", String::as_str)
    }

    /// A number, or `None` where the cell is empty (not applicable).
    pub fn maybe(&self, column: &str) -> Option<f64> {
        let word = self.word(column);
        (!word.is_empty()).then(|| {
            word.parse().unwrap_or_else(|_| panic!("{} {column}: '{word}'", self.table.name))
        })
    }

    /// A number.
    pub fn number(&self, column: &str) -> f64 {
        self.maybe(column).unwrap_or_else(|| panic!("{} {column} is empty", self.table.name))
    }

    /// A whole number.
    pub fn whole(&self, column: &str) -> usize {
        self.number(column) as usize
    }
}

/// Collects comparisons, remembers the worst, and prints what it saw.
pub struct Worst {
    what: String,
    compared: usize,
    worst: f64,
    at: String,
    failures: Vec<String>,
}

impl Worst {
    /// Starts a comparison; `what` names table and column.
    pub fn of(what: &str) -> Self {
        Self {
            what: what.to_owned(),
            compared: 0,
            worst: 0.0,
            at: String::new(),
            failures: Vec::new(),
        }
    }

    /// Compares within `relative` of the wanted value or `absolute`, whichever is larger.
    pub fn near(&mut self, got: f64, want: f64, relative: f64, absolute: f64, at: &str) {
        self.compared += 1;
        let allowed = (relative * want.abs()).max(absolute);
        let share = (got - want).abs() / allowed;
        if share > self.worst || !share.is_finite() {
            self.worst = share;
            self.at = format!("{at}: {got} for {want}");
        }
        if share.is_nan() || share > 1.0 {
            self.failures.push(format!("{at}: got {got}, want {want}, allowed {allowed}"));
        }
    }

    /// Compares exactly.
    pub fn same<T: PartialEq + std::fmt::Debug>(&mut self, got: T, want: T, at: &str) {
        self.compared += 1;
        if got != want {
            self.failures.push(format!("{at}: got {got:?}, want {want:?}"));
        }
    }

    /// Prints the summary and fails the test when anything was outside its tolerance or nothing was
    /// compared at all.
    pub fn done(self) {
        println!(
            "{}: {} numbers, worst {:.1} % of its tolerance ({})",
            self.what,
            self.compared,
            100.0 * self.worst,
            self.at
        );
        assert!(self.compared > 0, "{}: nothing compared", self.what);
        assert!(self.failures.is_empty(), "{}:\n{}", self.what, self.failures.join("\n"));
    }
}
