//! The processes of the demonstration: broker and daemon, each in a process group of its own, so
//! that a Ctrl-C at the terminal reaches only us and the order of stopping stays ours.
//!
//! Invariant: what we started we stop by its process id, and nothing else.

use rustix::process::{Pid, Signal, kill_process};
use std::fs::File;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// A child that does not outlive its handle.
pub(super) struct Running {
    child: Child,
    name: &'static str,
}

impl Running {
    /// Process id.
    pub(super) fn id(&self) -> u32 {
        self.child.id()
    }

    /// It has ended, and how.
    pub(super) fn ended(&mut self) -> Option<ExitStatus> {
        self.child.try_wait().ok().flatten()
    }

    /// Asks it to stop and waits; kills it when it does not. True when it stopped by itself.
    pub(super) fn stop(&mut self, patience: Duration) -> bool {
        if self.ended().is_some() {
            return true;
        }
        if let Some(pid) = i32::try_from(self.child.id()).ok().and_then(Pid::from_raw) {
            // It fails only when the process is gone already.
            let _ = kill_process(pid, Signal::TERM);
        }
        let until = Instant::now() + patience;
        while Instant::now() < until {
            if self.ended().is_some() {
                return true;
            }
            std::thread::sleep(Duration::from_millis(20));
        }
        self.kill();
        false
    }

    /// Asks a daemon with its test hooks armed to let its engine hang.
    pub(super) fn hang_engine(&self) -> bool {
        i32::try_from(self.child.id())
            .ok()
            .and_then(Pid::from_raw)
            .is_some_and(|pid| kill_process(pid, Signal::USR1).is_ok())
    }

    /// Kills it and waits for its end.
    pub(super) fn kill(&mut self) {
        // Both fail only when the process is gone already.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// What it is.
    pub(super) const fn name(&self) -> &'static str {
        self.name
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        if self.ended().is_none() {
            self.kill();
        }
    }
}

/// A port of this machine that nobody listens on now.
pub(super) fn free_port() -> std::io::Result<SocketAddr> {
    TcpListener::bind("127.0.0.1:0")?.local_addr()
}

/// Starts the broker and waits until it listens.
///
/// # Errors
/// When it does not start or does not listen within ten seconds.
pub(super) fn broker(listen: SocketAddr) -> std::io::Result<Running> {
    let child = crate::broker::spawn_detached(listen)?;
    let mut running = Running { child, name: "broker" };
    let until = Instant::now() + Duration::from_secs(10);
    while TcpStream::connect_timeout(&listen, Duration::from_millis(200)).is_err() {
        if let Some(status) = running.ended() {
            return Err(std::io::Error::other(format!("the broker has ended: {status}")));
        }
        if Instant::now() > until {
            return Err(std::io::Error::other("the broker does not listen"));
        }
        std::thread::sleep(Duration::from_millis(20));
    }
    Ok(running)
}

/// Starts the daemon; what it logs goes to a file.
///
/// # Errors
/// When it does not start.
pub(super) fn daemon(config: &Path, log: &Path, hooks: bool) -> std::io::Result<Running> {
    let out = File::options().create(true).append(true).open(log)?;
    let mut command = Command::new(std::env::current_exe()?);
    command
        .args(["run", "--config"])
        .arg(config)
        .stdin(Stdio::null())
        .stdout(out.try_clone()?)
        .stderr(out)
        .process_group(0);
    if hooks {
        command.env("PERMEATED_TEST_HOOKS", "1");
    }
    Ok(Running { child: command.spawn()?, name: "daemon" })
}
