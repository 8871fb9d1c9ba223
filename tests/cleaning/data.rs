//! Reads tables and cases. A case is `time_ms,signal,unit,value,label,detail` in the order of its
//! source; its flags are one row each.

use flate2::read::MultiGzDecoder;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The folder of open data, or a line saying that the test skips.
pub fn folder(test: &str) -> Option<PathBuf> {
    let folder = std::env::var_os("PERMEATED_OPEN_DATA").map(PathBuf::from);
    if folder.is_none() {
        println!("{test}: skipped, PERMEATED_OPEN_DATA is not set");
    }
    folder
}

/// One row of a case.
#[derive(Clone, Debug)]
pub struct Row {
    pub t_ms: i64,
    pub signal: String,
    pub value: Option<f64>,
    pub label: bool,
}

fn text(path: &Path) -> String {
    let bytes = std::fs::read(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut text = String::new();
    if path.extension().is_some_and(|extension| extension == "gz") {
        MultiGzDecoder::new(bytes.as_slice()).read_to_string(&mut text).expect("gzip of UTF-8");
    } else {
        text = String::from_utf8(bytes).expect("UTF-8");
    }
    text
}

/// The rows of `<folder>/<case>.csv.gz`.
pub fn case(folder: &Path, case: &str) -> Vec<Row> {
    text(&folder.join(format!("{case}.csv.gz")))
        .lines()
        .skip(1)
        .map(|line| {
            let mut cells = line.split(',');
            let mut cell = || cells.next().expect("six cells a row");
            let t_ms = cell().parse().expect("milliseconds");
            let signal = cell().to_owned();
            cell();
            let value = cell();
            let value = (!value.is_empty()).then(|| value.parse().expect("a number"));
            Row { t_ms, signal, value, label: cell() == "1" }
        })
        .collect()
}

/// The flags of `<folder>/<case>.flags.csv.gz`: column names and rows.
pub fn flags(folder: &Path, case: &str) -> (Vec<String>, Vec<Vec<u8>>) {
    let text = text(&folder.join(format!("{case}.flags.csv.gz")));
    let mut lines = text.lines();
    let names = lines.next().expect("a header").split(',').map(str::to_owned).collect();
    let rows = lines
        .map(|line| line.split(',').map(|flag| flag.parse().expect("a flag")).collect())
        .collect();
    (names, rows)
}

/// A JSON file.
pub fn json(folder: &Path, file: &str) -> serde_json::Value {
    serde_json::from_str(&text(&folder.join(file))).expect("JSON")
}

/// Each signal as its own series: row numbers, times, values.
pub struct Signal {
    pub rows: Vec<usize>,
    pub t_ms: Vec<i64>,
    pub x: Vec<Option<f64>>,
}

/// Splits a case by signal.
pub fn signals(rows: &[Row]) -> BTreeMap<String, Signal> {
    let mut signals: BTreeMap<String, Signal> = BTreeMap::new();
    for (number, row) in rows.iter().enumerate() {
        let signal = signals.entry(row.signal.clone()).or_insert_with(|| Signal {
            rows: Vec::new(),
            t_ms: Vec::new(),
            x: Vec::new(),
        });
        signal.rows.push(number);
        signal.t_ms.push(row.t_ms);
        signal.x.push(row.value);
    }
    signals
}

/// Every case of the folder that has flags, as `<folder>/<case>`.
pub fn flagged_cases(folder: &Path) -> Vec<String> {
    let mut cases = Vec::new();
    for entry in std::fs::read_dir(folder).expect("the folder can be listed").flatten() {
        let Ok(files) = std::fs::read_dir(entry.path()) else { continue };
        for file in files.flatten() {
            let name = file.file_name().into_string().expect("UTF-8");
            if let Some(case) = name.strip_suffix(".flags.csv.gz") {
                let group = entry.file_name().into_string().expect("UTF-8");
                cases.push(format!("{group}/{case}"));
            }
        }
    }
    cases.sort();
    cases
}

/// A table of `tests/reference`: rows as named cells; `#` lines are its header.
pub fn table(name: &str) -> Vec<BTreeMap<String, String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference").join(name);
    let text = text(&path);
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let names: Vec<&str> = lines.next().expect("column names").split(',').collect();
    lines
        .map(|line| {
            let cells = line.split(',').map(str::to_owned);
            names.iter().map(|name| (*name).to_owned()).zip(cells).collect()
        })
        .collect()
}
