//! What a server already has.
//!
//! A server that keeps a repeated point twice must not be sent again what it has. So after a start
//! or an outage, where nobody knows what arrived, it is asked for the stretch in question, and only
//! what it lacks is sent. Servers that overwrite are not asked.
//!
//! Invariant: whatever cannot be read back for certain counts as missing. A point twice is a smaller
//! fault than no point.

use super::series;
use super::transport::Server;
use std::collections::BTreeSet;

/// Most of an export that is read at once.
const EXPORT_MAX: usize = 32 << 20;

/// Points that a server has, by series and stamp.
#[derive(Debug, Default)]
pub struct Known(BTreeSet<(String, i64)>);

impl Known {
    /// Asks for everything of ours between the stamps of these lines.
    ///
    /// # Errors
    /// Why there was no answer.
    pub async fn read_back<'a>(
        server: &Server,
        lines: impl Iterator<Item = &'a str>,
    ) -> Result<Self, String> {
        let stamps: Vec<i64> = lines.filter_map(keys).map(|(_, stamp)| stamp).collect();
        let (Some(&first), Some(&last)) = (stamps.iter().min(), stamps.iter().max()) else {
            return Ok(Self::default());
        };
        let ours = super::verify::selector(&format!("__name__=~\"{}_.*\"", series::TREE));
        // The borders are widened: what a server counts as inside them differs.
        let (start, end) = (super::verify::seconds(first - 1), super::verify::seconds(last + 1));
        let pairs = [("match[]", ours.as_str()), ("start", &start), ("end", &end)];
        match server.ask("/api/v1/export", &pairs, EXPORT_MAX).await? {
            (200, body) => Ok(Self::of_export(&body)),
            (status, _) => Err(format!("{status} when reading back")),
        }
    }

    fn of_export(body: &str) -> Self {
        let mut known = BTreeSet::new();
        // A last line that was cut off does not parse and is left out.
        for line in body.lines().filter_map(|text| serde_json::from_str(text).ok()) {
            let line: serde_json::Value = line;
            let (Some(metric), Some(stamps)) =
                (line["metric"].as_object(), line["timestamps"].as_array())
            else {
                continue;
            };
            let mut name = "";
            let mut tags = Vec::new();
            for (label, value) in metric {
                match (label.as_str(), value.as_str()) {
                    ("__name__", Some(value)) => name = value,
                    (label, Some(value)) => tags.push(format!("{label}={value}")),
                    (_, None) => {}
                }
            }
            let series = joined(name, tags);
            known.extend(stamps.iter().filter_map(|at| at.as_i64()).map(|at| (series.clone(), at)));
        }
        Self(known)
    }

    /// Every field of the line is there.
    pub fn has(&self, line: &str) -> bool {
        keys(line).is_some_and(|(series, stamp)| {
            series.into_iter().all(|one| self.0.contains(&(one, stamp)))
        })
    }
}

fn joined(name: &str, mut tags: Vec<String>) -> String {
    tags.sort_unstable();
    format!("{name},{}", tags.join(","))
}

/// The series of a line as such a server names them, one for each field, and its stamp. `None` for a
/// line with escapes: ids of ours have none.
fn keys(line: &str) -> Option<(Vec<String>, i64)> {
    if line.contains('\\') {
        return None;
    }
    let (head, rest) = line.split_once(' ')?;
    let (fields, stamp) = rest.split_once(' ')?;
    let mut tags = head.split(',').map(str::to_owned);
    let measurement = tags.next()?;
    let tags: Vec<String> = tags.collect();
    let series = fields
        .split(',')
        .map(|field| {
            let name = field.split_once('=').map_or(field, |(name, _)| name);
            joined(&format!("{measurement}_{name}"), tags.clone())
        })
        .collect();
    Some((series, stamp.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    const LINE: &str = "permeated,plant=a,node=membrane,property=rejection value=0.97,flag=1 5000";

    #[test]
    fn a_line_is_known_when_all_its_fields_are() {
        let labels = r#""property":"rejection","node":"membrane","plant":"a""#;
        let one = |name: &str, stamp: i64| {
            format!(
                "{{\"metric\":{{\"__name__\":\"{name}\",{labels}}},\"values\":[1],\
                 \"timestamps\":[{stamp}]}}\n"
            )
        };
        let (value, flag) = (one("permeated_value", 5000), one("permeated_flag", 5000));
        assert!(Known::of_export(&format!("{value}{flag}")).has(LINE));
        assert!(!Known::of_export(&value).has(LINE), "a field is missing");
        let later = one("permeated_flag", 5001);
        assert!(!Known::of_export(&format!("{value}{later}")).has(LINE), "another stamp");
        let cut = &flag[..flag.len() - 4];
        assert!(!Known::of_export(&format!("{value}{cut}")).has(LINE), "cut off");
        assert!(!Known::of_export("<html>").has(LINE));
    }
}
