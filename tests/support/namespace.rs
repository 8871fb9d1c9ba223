//! A network namespace with one link to this one, whose packets can be dropped in silence. Made with
//! `ip` of iproute2; needs the right to make namespaces (root in a container that grants it).

use std::process::Command;

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
    say_ip(arguments).map(drop)
}

/// Runs `ip` and gives what it said.
fn say_ip(arguments: &str) -> Result<String, String> {
    let output = Command::new("ip")
        .args(arguments.split_whitespace())
        .output()
        .map_err(|error| format!("ip: {error} (install iproute2)"))?;
    if output.status.success() {
        return Ok(String::from_utf8_lossy(&output.stdout).into_owned());
    }
    Err(format!("ip {arguments}: {}", String::from_utf8_lossy(&output.stderr).trim()))
}

/// Third octets of the links' addresses to choose from.
const OCTETS: u32 = 250;

/// A namespace of a third octet that no link of this machine has. Its name is the claim: the kernel
/// gives one name once, and one that a killed test has left behind stays taken.
fn claim(first: u32) -> Result<(String, u32), String> {
    let mut refused = String::new();
    for offset in 0..OCTETS {
        let octet = (first % OCTETS + offset) % OCTETS;
        let name = format!("permeated-{octet}");
        match ip(&format!("netns add {name}")) {
            Ok(()) if say_ip("-o -4 addr")?.contains(&format!("10.213.{octet}.")) => {
                ip(&format!("netns del {name}"))?;
            }
            Ok(()) => return Ok((name, octet)),
            Err(why) if why.contains("File exists") => refused = why,
            Err(why) => return Err(why),
        }
    }
    Err(format!("all of 10.213.0.0/16 is taken; delete what `ip netns` lists ({refused})"))
}

impl Namespace {
    /// Makes one.
    ///
    /// # Errors
    /// Says what this machine does not permit.
    pub fn new() -> Result<Self, String> {
        Self::from(std::process::id())
    }

    /// The same; the search for free addresses begins at `first`.
    ///
    /// # Errors
    /// Says what this machine does not permit.
    pub fn from(first: u32) -> Result<Self, String> {
        let (name, octet) = claim(first)?;
        let (ours, theirs) = (format!("pma{octet}"), format!("pmb{octet}"));
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
