//! Ports for servers that are told theirs on the command line, and may come back on the same one.

use std::net::{Ipv4Addr, TcpListener, UdpSocket};
use std::sync::Mutex;

/// Ports to choose from, where those that the kernel gives to who asks for any lie above (Linux: from
/// 32768). A port from there could go to another test's client or server before ours has started, or
/// while it is away, and an alien listener looks like a server that is up.
const FROM: u16 = 12_000;
const TO: u16 = 32_000;
/// Fewer than these would not do for all tests at once.
const LEAST: u16 = 2_000;

/// What keeps the other test processes off: each port taken is held as a UDP port, which no server of
/// ours uses, until this process ends.
static HELD: Mutex<Vec<UdpSocket>> = Mutex::new(Vec::new());

/// The lowest port that the kernel gives to who asks for any.
pub fn lowest_of_the_kernel() -> Option<u16> {
    let range = std::fs::read_to_string("/proc/sys/net/ipv4/ip_local_port_range").ok()?;
    range.split_whitespace().next()?.parse().ok()
}

/// The ports to choose from: below the kernel's, if that leaves enough.
pub fn to_choose_from() -> std::ops::Range<u16> {
    let below = lowest_of_the_kernel().filter(|lowest| *lowest >= FROM + LEAST);
    FROM..below.map_or(TO, |lowest| lowest.min(TO))
}

/// A TCP port of the loopback that is this process's until it ends.
///
/// # Panics
/// When none is left.
pub fn free_port() -> u16 {
    let mut held = HELD.lock().expect("whole");
    let ports = to_choose_from();
    let span = u32::from(ports.end - ports.start);
    // Processes that start together have neighbouring ids: far apart, they seldom ask for the same.
    let first = std::process::id().wrapping_mul(7_919) % span;
    (0..span)
        .map(|step| ports.start + u16::try_from((first + step) % span).expect("within the span"))
        .find(|port| {
            let Ok(hold) = UdpSocket::bind((Ipv4Addr::LOCALHOST, *port)) else { return false };
            // Servers of others: one may listen on every address.
            let free = TcpListener::bind((Ipv4Addr::UNSPECIFIED, *port)).is_ok();
            if free {
                held.push(hold);
            }
            free
        })
        .expect("a free port")
}
