//! Ports for servers that are told theirs on the command line, and may come back on the same one.

use std::net::{Ipv4Addr, TcpListener, UdpSocket};
use std::sync::Mutex;

/// Ports to choose from: below those that the kernel gives to who asks for any (Linux: from 32768).
/// A port from there could go to another test's client or server before ours has started, or while
/// it is away, and an alien listener looks like a server that is up.
const FROM: u16 = 12_000;
const TO: u16 = 32_000;

/// What keeps the other test processes off: each port taken is held as a UDP port, which no server of
/// ours uses, until this process ends.
static HELD: Mutex<Vec<UdpSocket>> = Mutex::new(Vec::new());

/// A TCP port of the loopback that is this process's until it ends.
///
/// # Panics
/// When none is left.
pub fn free_port() -> u16 {
    let mut held = HELD.lock().expect("whole");
    let span = u32::from(TO - FROM);
    // Processes that start together have neighbouring ids: far apart, they seldom ask for the same.
    let first = std::process::id().wrapping_mul(7_919) % span;
    (0..span)
        .map(|step| FROM + u16::try_from((first + step) % span).expect("within the span"))
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
