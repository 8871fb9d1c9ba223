//! A broker that misbehaves: refuses topics, or never acknowledges a publish.

use std::collections::BTreeSet;
use std::io::{Read as _, Write as _};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

/// How it misbehaves.
#[derive(Clone, Copy, Debug)]
pub struct Behaviour {
    /// Topics whose subscription it refuses.
    pub refuses: &'static [&'static str],
    /// It sends PUBACK.
    pub acknowledges: bool,
}

#[derive(Default)]
struct Shared {
    connections: AtomicU64,
    published: Mutex<BTreeSet<String>>,
}

/// A broker that misbehaves. QoS 0 publishes come back to their sender; nothing else is passed on.
pub struct FakeBroker {
    port: u16,
    shared: Arc<Shared>,
}

impl FakeBroker {
    /// Listens on a free port until the test process ends.
    pub fn start(behaviour: Behaviour) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a loopback port");
        let port = listener.local_addr().expect("bound").port();
        let shared = Arc::new(Shared::default());
        std::thread::spawn({
            let shared = Arc::clone(&shared);
            move || {
                for stream in listener.incoming().flatten() {
                    shared.connections.fetch_add(1, Ordering::SeqCst);
                    let shared = Arc::clone(&shared);
                    std::thread::spawn(move || serve(stream, behaviour, &shared));
                }
            }
        });
        Self { port, shared }
    }

    /// The port.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Connections accepted so far.
    pub fn connections(&self) -> u64 {
        self.shared.connections.load(Ordering::SeqCst)
    }

    /// Topics that were published so far.
    pub fn published(&self) -> BTreeSet<String> {
        self.shared.published.lock().expect("whole").clone()
    }
}

/// Reads one packet: first byte and body.
fn packet(stream: &mut TcpStream) -> Option<(u8, Vec<u8>)> {
    let mut byte = [0; 1];
    stream.read_exact(&mut byte).ok()?;
    let head = byte[0];
    let (mut length, mut shift) = (0usize, 0);
    loop {
        stream.read_exact(&mut byte).ok()?;
        length |= usize::from(byte[0] & 127) << shift;
        shift += 7;
        if byte[0] & 128 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).ok()?;
    Some((head, body))
}

fn write(stream: &mut TcpStream, head: u8, body: &[u8]) -> Option<()> {
    let mut all = vec![head];
    let mut left = body.len();
    loop {
        let more = if left > 127 { 128 } else { 0 };
        all.push((left & 127) as u8 | more);
        left >>= 7;
        if left == 0 {
            break;
        }
    }
    all.extend(body);
    stream.write_all(&all).ok()
}

/// The string at `at`, and where it ends.
fn text(body: &[u8], at: usize) -> (String, usize) {
    let length = usize::from(body[at]) * 256 + usize::from(body[at + 1]);
    let end = at + 2 + length;
    (String::from_utf8_lossy(&body[at + 2..end]).into_owned(), end)
}

fn serve(mut stream: TcpStream, behaviour: Behaviour, shared: &Shared) -> Option<()> {
    loop {
        let (head, body) = packet(&mut stream)?;
        match head >> 4 {
            1 => write(&mut stream, 0x20, &[0, 0])?,
            3 => {
                let (topic, end) = text(&body, 0);
                shared.published.lock().expect("whole").insert(topic);
                if head & 6 == 0 {
                    write(&mut stream, head, &body)?;
                } else if behaviour.acknowledges {
                    write(&mut stream, 0x40, &body[end..end + 2])?;
                }
            }
            8 => {
                let mut ack = body[..2].to_vec();
                let mut at = 2;
                while at < body.len() {
                    let (filter, end) = text(&body, at);
                    at = end + 1;
                    ack.push(if behaviour.refuses.contains(&filter.as_str()) { 0x80 } else { 1 });
                }
                write(&mut stream, 0x90, &ack)?;
            }
            12 => write(&mut stream, 0xd0, &[])?,
            _ => {}
        }
    }
}
