//! Write-verify: a success code is no proof.
//!
//! Some servers answer 204 and drop what they cannot read. So one probe point is written, twice, and
//! read back by VictoriaMetrics' export (`/api/v1/export`): found once and not twice some seconds
//! later, the server keeps what it accepts and overwrites doubles; found twice, it keeps doubles; not
//! found, it is not to be trusted with anything. A server without that export stays unverified, and
//! health says so.

use super::series;
use super::transport::{Refusal, Server};
use crate::engine::time::Wall;
use std::hash::{BuildHasher as _, Hasher as _};
use std::time::Duration;
use tokio::time::Instant;

/// A server may take a moment until a point can be found.
const PATIENCE: Duration = Duration::from_secs(10);
/// Two copies of a point may pass through different buffers of the server and show at different times,
/// about five seconds apart at most (as in [`super::settle`]): so long one alone is no answer.
const SECOND_WITHIN: Duration = Duration::from_secs(6);
/// Most of an answer about one probe point that is read.
const PROBES_MAX: usize = 1 << 20;
/// Between two looks.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// What is known about the server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// Read back; a point written twice is there once.
    Kept,
    /// Read back; a point written twice is there twice.
    KeptTwice,
    /// The server offers no way of reading back that we know.
    Unverified,
}

impl Proof {
    /// For health.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Kept => "written points were read back",
            Self::KeptTwice => {
                "written points were read back; a repeated point is kept twice, so after an outage the \
                 server is asked for what it has"
            }
            Self::Unverified => {
                "unverified: this server offers no way of reading back that we know"
            }
        }
    }
}

/// Writes a probe point and looks for it.
///
/// # Errors
/// The refusal of the write; [`Refusal::Setup`] when the server accepted the point and does not give
/// it back.
pub async fn verify(server: &Server, now: Wall) -> Result<Proof, Refusal> {
    // A number that no earlier probe had, exact in a float.
    let value = (now.millis() % 1_000_000_007) as f64;
    let line = series::probe(value, now);
    server.write(line.clone()).await?;
    server.write(line).await?;
    let until = Instant::now() + PATIENCE;
    let name = format!("{}_{}", series::PROBE, series::VALUE);
    let mut first_seen = None;
    let (start, end) = (seconds(now.millis() - 1_000), seconds(now.millis() + 1_000));
    loop {
        let asked = selector(&format!("__name__=\"{name}\""));
        let pairs = [("match[]", asked.as_str()), ("start", &start), ("end", &end)];
        match server.ask("/api/v1/export", &pairs, PROBES_MAX).await {
            Ok((200, body)) => match count(&body, value, now) {
                Some(0) => {}
                Some(1) => {
                    let seen = *first_seen.get_or_insert_with(Instant::now);
                    if seen.elapsed() >= SECOND_WITHIN {
                        return Ok(Proof::Kept);
                    }
                }
                Some(_) => return Ok(Proof::KeptTwice),
                None => return Ok(Proof::Unverified),
            },
            Ok((429 | 500..=599, _)) => {}
            Ok(_) => return Ok(Proof::Unverified),
            Err(why) => return Err(Refusal::Later(why)),
        }
        match first_seen {
            None if Instant::now() >= until => {
                return Err(Refusal::Setup(
                    "the server accepted a probe point and does not give it back".into(),
                ));
            }
            Some(seen) if seen.elapsed() >= SECOND_WITHIN + PATIENCE => {
                return Err(Refusal::Later(
                    "the server stopped giving a probe point back while it was being checked"
                        .into(),
                ));
            }
            _ => {}
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

/// A selector that was never asked before. VictoriaMetrics remembers for up to ten seconds which
/// series a selector has found (none yet, perhaps), and would not show what has come since. The label
/// does not exist, so that the condition holds for every series.
pub fn selector(filter: &str) -> String {
    format!(
        "{{{filter},asked!=\"{:016x}\"}}",
        std::hash::RandomState::new().build_hasher().finish()
    )
}

/// A stamp in seconds, as such servers take it.
pub fn seconds(millis: i64) -> String {
    format!("{}.{:03}", millis.div_euclid(1000), millis.rem_euclid(1000))
}

/// How often the probe point stands in an export; `None` when the text is no export.
fn count(body: &str, value: f64, stamp: Wall) -> Option<usize> {
    let mut found = 0;
    for text in body.lines().filter(|line| !line.trim().is_empty()) {
        let line: serde_json::Value = serde_json::from_str(text).ok()?;
        let values = line.get("values")?.as_array()?;
        let stamps = line.get("timestamps")?.as_array()?;
        found += values
            .iter()
            .zip(stamps)
            .filter(|(one, at)| one.as_f64() == Some(value) && at.as_i64() == Some(stamp.millis()))
            .count();
    }
    Some(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_export_is_counted_and_anything_else_is_no_proof() {
        let line = r#"{"metric":{"__name__":"permeated_probe_value"},"values":[7,8,8],"timestamps":[1,2,2]}"#;
        assert_eq!(count(line, 8.0, Wall::from_millis(2)), Some(2));
        assert_eq!(count(line, 7.0, Wall::from_millis(1)), Some(1));
        assert_eq!(count(line, 7.0, Wall::from_millis(2)), Some(0));
        assert_eq!(count("", 7.0, Wall::from_millis(2)), Some(0));
        assert_eq!(count("<html>welcome</html>", 7.0, Wall::from_millis(2)), None);
    }

    #[test]
    fn seconds_keep_their_milliseconds() {
        assert_eq!(seconds(1_700_000_000_007), "1700000000.007");
    }
}
