//! Parts of the tests that run in a process of their own, so that they can be killed. Each is a test
//! that does nothing unless it was started for that purpose.

use crate::harness::{Harness, PATIENCE};
use crate::support::wait;
use permeated::engine::event::Event;
use permeated::engine::output::Action;
use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const PORT: &str = "PERMEATED_TEST_GUARD_PORT";
const READY: &str = "guard ready";

/// A child with a running bus whose guard is connected and whose valve it has opened.
pub struct GuardChild {
    child: Child,
}

impl GuardChild {
    /// Starts it and waits until it has opened the valve.
    pub fn start(port: u16) -> Self {
        let mut child = Command::new(std::env::current_exe().expect("this test"))
            .args(["--exact", "child::guard", "--nocapture"])
            .env(PORT, port.to_string())
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the child starts");
        let stdout = child.stdout.take().expect("piped");
        let ready =
            BufReader::new(stdout).lines().map_while(Result::ok).any(|line| line.contains(READY));
        assert!(ready, "the child ended before its guard was ready");
        Self { child }
    }

    /// SIGKILL.
    pub fn kill(&mut self) {
        self.child.kill().expect("killed");
        let _ = self.child.wait();
    }

    /// SIGSTOP.
    pub fn stop(&self) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::STOP).expect("stopped");
    }
}

impl Drop for GuardChild {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn guard() {
    let Some(port) = std::env::var(PORT).ok().and_then(|port| port.parse().ok()) else {
        return;
    };
    let harness = Harness::start(port);
    harness.wait_ready();
    harness.send(Action::Close);
    harness.wait(&Event::CloseAcknowledged { actuator: 0 });
    harness.send(Action::Open);
    wait::until("the open was written", PATIENCE, || harness.plant.guards()[0].counts().opens == 1);
    println!("{READY}");
    // Until it is killed; not for ever, should its parent be gone.
    std::thread::park_timeout(Duration::from_secs(120));
}
