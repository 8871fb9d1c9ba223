//! Real brokers on free loopback ports: Debian's mosquitto, and our own `permeated broker`.
//!
//! Each is stopped by its own process id when it goes out of scope.

use super::{port::free_port, wait};
use std::io::Read as _;
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// Which broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Debian's mosquitto, without persistence.
    Mosquitto,
    /// `permeated broker`.
    Own,
}

/// A running broker.
pub struct Broker {
    kind: Kind,
    port: u16,
    extra: String,
    /// Address that it listens on.
    listen: &'static str,
    folder: TempDir,
    child: Option<Child>,
}

/// Where mosquitto is.
///
/// # Panics
/// When it is not installed, naming the package.
pub fn mosquitto() -> PathBuf {
    let path = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&path)
        .chain(["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from))
        .map(|folder| folder.join("mosquitto"))
        .find(|file| file.is_file())
        .expect("mosquitto is not installed; on Debian: apt-get install mosquitto")
}

fn own_command(listen: &str, port: u16) -> Command {
    let listen = format!("{listen}:{port}");
    let binary = env!("CARGO_BIN_EXE_permeated");
    let mut command = Command::new(binary);
    command.args(["broker", "--listen", &listen]);
    command
}

impl Broker {
    /// Starts a broker on a free port and waits until it listens.
    pub fn start(kind: Kind) -> Self {
        Self::start_with(kind, "")
    }

    /// Starts a broker that listens on every address of this machine.
    pub fn start_open(kind: Kind) -> Self {
        Self::start_on(kind, "", "0.0.0.0")
    }

    /// Starts mosquitto with further lines of its configuration (own broker: none).
    pub fn start_with(kind: Kind, extra: &str) -> Self {
        Self::start_on(kind, extra, "127.0.0.1")
    }

    fn start_on(kind: Kind, extra: &str, listen: &'static str) -> Self {
        let mut broker = Self {
            kind,
            port: free_port(),
            extra: extra.to_owned(),
            listen,
            folder: TempDir::new().expect("a temporary folder"),
            child: None,
        };
        broker.up();
        broker
    }

    /// The port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// The broker's folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// Process id.
    pub fn pid(&self) -> u32 {
        self.child.as_ref().expect("running").id()
    }

    /// Kills it (SIGKILL) and waits for its end.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            let _ = child.kill();
            let _ = child.wait();
        }
    }

    /// Starts it again on the same port; it has forgotten everything.
    pub fn up(&mut self) {
        let mut command = match self.kind {
            Kind::Mosquitto => self.mosquitto_command(),
            Kind::Own => own_command(self.listen, self.port),
        };
        let mut child = command
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the broker starts");
        let address = SocketAddr::from(([127, 0, 0, 1], self.port));
        wait::until("the broker listens", Duration::from_secs(20), || {
            if let Some(status) = child.try_wait().expect("its state") {
                let mut said = String::new();
                if let Some(stderr) = child.stderr.as_mut() {
                    let _ = stderr.read_to_string(&mut said);
                }
                panic!("the broker ended at once ({status}): {said}");
            }
            TcpStream::connect_timeout(&address, Duration::from_millis(200)).is_ok()
        });
        // Nobody reads on: let it write to nowhere rather than into a full pipe.
        if let Some(stderr) = child.stderr.take() {
            std::thread::spawn(move || std::io::copy(&mut { stderr }, &mut std::io::sink()));
        }
        self.child = Some(child);
    }

    fn mosquitto_command(&self) -> Command {
        let file = self.folder.path().join("mosquitto.conf");
        let anonymous =
            if self.extra.contains("allow_anonymous") { "" } else { "allow_anonymous true\n" };
        let listener = if self.extra.contains("listener ") {
            String::new()
        } else {
            format!("listener {} {}\n", self.port, self.listen)
        };
        let text = format!(
            "{listener}{anonymous}persistence false\nlog_dest stderr\nuser root\n{}\n",
            self.extra.replace("{port}", &self.port.to_string()),
        );
        std::fs::write(&file, text).expect("its configuration");
        let mut command = Command::new(mosquitto());
        command.arg("-c").arg(file);
        command
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.kill();
    }
}
