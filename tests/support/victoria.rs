//! A VictoriaMetrics of our own: free loopback port, data folder of the caller, stopped by its own
//! process id.

#[allow(dead_code)]
#[path = "wait.rs"]
pub mod wait;

#[path = "port.rs"]
mod port;

pub use port::free_port;

use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// Longest time until a started server answers.
const STARTS_IN: Duration = Duration::from_secs(30);

/// A running server. Dropping it kills it.
pub struct Victoria {
    child: Child,
    port: u16,
}

#[allow(dead_code)]
impl Victoria {
    /// Starts a server on this data folder and port and waits until it answers.
    pub async fn start(data: &Path, port: u16, flags: &[&str]) -> Self {
        let mut child = Command::new("victoria-metrics")
            .arg(format!("-storageDataPath={}", data.display()))
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .args(["-retentionPeriod=100y", "-loggerLevel=ERROR", "-memory.allowedBytes=64MiB"])
            .args(flags)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("victoria-metrics is installed (the test command installs it)");
        let until = Instant::now() + STARTS_IN;
        loop {
            if let Some(status) = child.try_wait().expect("our own child") {
                panic!("victoria-metrics ended at start: {status}");
            }
            let answer = client().get(format!("http://127.0.0.1:{port}/health")).send().await;
            if answer.is_ok_and(|answer| answer.status().is_success()) {
                return Self { child, port };
            }
            assert!(Instant::now() < until, "victoria-metrics does not answer");
            wait::look_again().await;
        }
    }

    /// Base URL.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// Kills it as a power cut would, without a chance to tidy up.
    pub fn kill(mut self) {
        self.child.kill().expect("our own child");
        self.child.wait().expect("our own child");
    }

    /// Asks for a path with query pairs.
    pub async fn get(&self, path: &str, pairs: &[(&str, &str)]) -> String {
        let answer = client()
            .get(format!("{}{path}", self.url()))
            .query(pairs)
            .send()
            .await
            .expect("the server answers");
        assert!(answer.status().is_success(), "{path} {pairs:?}: {}", answer.status());
        answer.text().await.expect("a body")
    }

    /// Everything of the series that a selector names: JSON lines of metric, values, timestamps.
    pub async fn export(&self, selector: &str) -> Vec<serde_json::Value> {
        // Makes the newest points visible at once.
        self.get("/internal/force_flush", &[]).await;
        let text = self
            .get("/api/v1/export", &[("match[]", selector), ("start", "1"), ("end", "4102444800")])
            .await;
        text.lines().map(|line| serde_json::from_str(line).expect("a line of JSON")).collect()
    }
}

impl Drop for Victoria {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A client that no proxy from the environment can bend.
pub fn client() -> reqwest::Client {
    reqwest::Client::builder()
        .no_proxy()
        .timeout(Duration::from_secs(20))
        .build()
        .expect("a plain client builds")
}
