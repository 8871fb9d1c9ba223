//! A network namespace with one link to this one, whose packets can be dropped in silence. Made with
//! `ip` of iproute2; needs the right to make namespaces (root in a container that grants it).

use std::process::Command;
use std::sync::atomic::{AtomicU32, Ordering};

static NUMBER: AtomicU32 = AtomicU32::new(0);

/// A place behind a link of its own. Removed when it goes out of scope.
pub struct Namespace {
    name: String,
    ours: String,
    theirs: String,
    /// Third octet of the link's addresses.
    octet: u32,
}

/// Runs `ip` and gives what it complained about.
fn ip(arguments: &str) -> Result<(), String> {
    let output = Command::new("ip")
        .args(arguments.split_whitespace())
        .output()
        .map_err(|error| format!("ip: {error} (install iproute2)"))?;
    if output.status.success() {
        return Ok(());
    }
    Err(format!("ip {arguments}: {}", String::from_utf8_lossy(&output.stderr).trim()))
}

impl Namespace {
    /// Makes one.
    ///
    /// # Errors
    /// Says what this machine does not permit.
    pub fn new() -> Result<Self, String> {
        let number = NUMBER.fetch_add(1, Ordering::SeqCst);
        let id = format!("{}{number}", std::process::id() % 100_000);
        let octet = (std::process::id() + number) % 250;
        let (name, ours, theirs) =
            (format!("permeated-{id}"), format!("pma{id}"), format!("pmb{id}"));
        ip(&format!("netns add {name}"))?;
        let made = Self { name, ours, theirs, octet };
        let Self { name, ours, theirs, .. } = &made;
        ip(&format!("link add {ours} type veth peer name {theirs} netns {name}"))?;
        ip(&format!("addr add {}/30 dev {ours}", made.host()))?;
        ip(&format!("link set {ours} up"))?;
        ip(&format!("-n {name} addr add {}/30 dev {theirs}", made.inside()))?;
        ip(&format!("-n {name} link set {theirs} up"))?;
        ip(&format!("-n {name} link set lo up"))?;
        Ok(made)
    }

    /// Our address on the link.
    pub fn host(&self) -> String {
        format!("10.213.{}.1", self.octet)
    }

    fn inside(&self) -> String {
        format!("10.213.{}.2", self.octet)
    }

    /// What runs a program in it.
    pub fn through(&self) -> Vec<String> {
        ["ip", "netns", "exec", &self.name].map(str::to_owned).to_vec()
    }

    /// From now on every packet of either side goes to a neighbour that does not exist: nobody is
    /// refused or told anything, as when a cable is cut behind a switch.
    pub fn cut(&self) {
        let Self { name, ours, theirs, .. } = self;
        for command in [
            format!(
                "neigh replace {} lladdr 02:00:00:00:00:99 dev {ours} nud permanent",
                self.inside()
            ),
            format!(
                "-n {name} neigh replace {} lladdr 02:00:00:00:00:98 dev {theirs} nud permanent",
                self.host()
            ),
        ] {
            ip(&command).expect("the link is ours");
        }
    }
}

impl Drop for Namespace {
    fn drop(&mut self) {
        let _ = ip(&format!("netns del {}", self.name));
    }
}
