//! Two streams of outputs side by side: what was stored, and what the replay gives.

use super::line::named;
use crate::engine::output::Output;
use crate::engine::setup::Setup;
use serde_json::Value;
use std::collections::VecDeque;

/// How far ahead a lost thread is looked for.
const AHEAD: usize = 64;
/// Wall stamps may differ by this many milliseconds: the live driver read the clock a little later
/// than the deadline that it served, and a clock that is being corrected does not run as time does.
const WALL_SLACK: i64 = 50;

/// Two streams side by side.
#[derive(Debug, Default)]
pub(super) struct Compare {
    stored: VecDeque<(u64, Value)>,
    replayed: VecDeque<(i64, Value)>,
    pub(super) same: u64,
    pub(super) only_stored: u64,
    pub(super) only_replayed: u64,
}

impl Compare {
    pub(super) fn stored(&mut self, seq: u64, output: &Output, setup: &Setup) {
        self.stored.push_back((seq, named(output, setup)));
    }

    pub(super) fn replayed(&mut self, mono: i64, output: &Output, setup: &Setup) {
        self.replayed.push_back((mono, named(output, setup)));
    }

    #[cfg(test)]
    fn is_same(&self) -> bool {
        self.only_stored + self.only_replayed == 0
    }

    /// Compares what can be compared; at the end, everything. Tells each difference as a line.
    pub(super) fn advance(&mut self, end: bool, tell: &mut dyn FnMut(String)) {
        loop {
            match (self.stored.front(), self.replayed.front()) {
                (Some((_, stored)), Some((_, replayed))) if alike(stored, replayed) => {
                    self.same += 1;
                    self.stored.pop_front();
                    self.replayed.pop_front();
                    continue;
                }
                (None, None) => return,
                _ => {}
            }
            // One is short of the other: wait for more, unless it has fallen far behind.
            let longest = self.stored.len().max(self.replayed.len());
            if !end && longest < 2 * AHEAD {
                return;
            }
            let (drop_stored, drop_replayed) = self.shortest_way();
            for _ in 0..drop_stored {
                if let Some((seq, value)) = self.stored.pop_front() {
                    self.only_stored += 1;
                    tell(format!("- record {seq}: {value}"));
                }
            }
            for _ in 0..drop_replayed {
                if let Some((mono, value)) = self.replayed.pop_front() {
                    self.only_replayed += 1;
                    tell(format!("+ at {mono} ms: {value}"));
                }
            }
        }
    }

    /// How many to pass over on each side until both agree again.
    fn shortest_way(&self) -> (usize, usize) {
        for total in 1..=AHEAD {
            for skip in 0..=total {
                let (a, b) = (skip, total - skip);
                if let (Some((_, stored)), Some((_, replayed))) =
                    (self.stored.get(a), self.replayed.get(b))
                    && alike(stored, replayed)
                {
                    return (a, b);
                }
            }
        }
        match (self.stored.is_empty(), self.replayed.is_empty()) {
            (false, false) => (1, 1),
            (true, _) => (0, self.replayed.len()),
            (_, true) => (self.stored.len(), 0),
        }
    }
}

/// Equal but for a little slack in wall stamps.
fn alike(a: &Value, b: &Value) -> bool {
    match (a, b) {
        (Value::Object(a), Value::Object(b)) => {
            a.len() == b.len()
                && a.iter().zip(b).all(|((key, a), (other, b))| {
                    let is_wall = matches!(
                        key.as_str(),
                        "stamp" | "since" | "at" | "valid_until" | "decided"
                    );
                    key == other
                        && match (a.as_i64(), b.as_i64()) {
                            (Some(a), Some(b)) if is_wall => (a - b).abs() <= WALL_SLACK,
                            _ => alike(a, b),
                        }
                })
        }
        (Value::Array(a), Value::Array(b)) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(a, b))
        }
        _ => a == b,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine::output::LogEntry;
    use crate::engine::time::Wall;

    fn log(text: &str, at: i64) -> Output {
        Output::Log(LogEntry {
            at: Some(Wall::from_millis(at)),
            kind: "note".into(),
            text: text.into(),
            data: serde_json::Value::Null,
            protective: false,
        })
    }

    fn run(stored: &[&str], replayed: &[&str]) -> (u64, Vec<String>) {
        let mut compare = Compare::default();
        let mut lines = Vec::new();
        for text in stored {
            compare.stored(1, &log(text, 1000), &crate::engine::setup::example());
        }
        for text in replayed {
            compare.replayed(1, &log(text, 1040), &crate::engine::setup::example());
        }
        compare.advance(true, &mut |line| lines.push(line[..1].to_owned()));
        assert_eq!(compare.is_same(), lines.is_empty());
        (compare.same, lines)
    }

    #[test]
    fn differences_are_named_and_the_thread_is_found_again() {
        assert_eq!(run(&["a", "b", "c"], &["a", "b", "c"]), (3, vec![]));
        assert_eq!(run(&["a", "x", "b"], &["a", "b"]), (2, vec!["-".to_owned()]));
        assert_eq!(run(&["a", "b"], &["a", "x", "y", "b"]).0, 2);
        let (same, lines) = run(&["a", "b", "c"], &["a", "x", "c"]);
        assert_eq!((same, lines.join("")), (2, "-+".to_owned()));
        assert_eq!(run(&["a"], &[]), (0, vec!["-".to_owned()]));
    }

    #[test]
    fn a_stamp_may_be_a_little_later_but_not_more() {
        let mut compare = Compare::default();
        let setup = crate::engine::setup::example();
        compare.stored(1, &log("a", 1000), &setup);
        compare.replayed(1, &log("a", 1000 + WALL_SLACK + 1), &setup);
        compare.advance(true, &mut |_| {});
        assert!(!compare.is_same());
    }
}
