//! A TCP proxy on loopback with faults, which also reads what passes: a stalled link (both ends stay
//! open and nothing passes), one that heals (what was held then passes, however old), a cut, and a
//! log of the MQTT packets that matter for opens.

use bytes::BytesMut;
use rumqttc::Packet;
use std::collections::BTreeMap;
use std::io::{ErrorKind, Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

struct Shared {
    target: u16,
    /// Links up to this number are stalled.
    stalled_up_to: AtomicU64,
    accepted: AtomicU64,
    to_broker: AtomicU64,
    to_client: AtomicU64,
    links: Mutex<Vec<(TcpStream, TcpStream)>>,
    wire: Mutex<Vec<Wire>>,
    /// Bytes of each link, to the broker and to the client.
    of_links: Mutex<BTreeMap<u64, (u64, u64)>>,
    ending: AtomicBool,
}

/// What passed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum What {
    /// CONNECT of this client.
    Connect(String),
    /// The broker accepted it.
    ConnAck,
    /// A client published (not: was sent) without retain on a topic outside our own tree.
    Publish { topic: String, payload: String },
}

/// A packet on the wire.
#[derive(Clone, Debug)]
pub struct Wire {
    /// Number of its link, from 1.
    pub link: u64,
    pub what: What,
    /// When the proxy read it: it was on its way then.
    pub read: Instant,
    /// When the proxy had handed it on.
    pub passed: Instant,
}

/// A proxy in front of a broker.
pub struct Proxy {
    port: u16,
    shared: Arc<Shared>,
}

impl Proxy {
    /// Listens on a free port and passes everything on to `target`.
    pub fn new(target: u16) -> Self {
        Self::on("127.0.0.1:0", target)
    }

    /// The same on every address of this machine, for a client in another network namespace.
    pub fn open(target: u16) -> Self {
        Self::on("0.0.0.0:0", target)
    }

    fn on(address: &str, target: u16) -> Self {
        let listener = TcpListener::bind(address).expect("a port");
        let port = listener.local_addr().expect("bound").port();
        let shared = Arc::new(Shared {
            target,
            stalled_up_to: AtomicU64::new(0),
            accepted: AtomicU64::new(0),
            to_broker: AtomicU64::new(0),
            to_client: AtomicU64::new(0),
            links: Mutex::default(),
            wire: Mutex::default(),
            of_links: Mutex::default(),
            ending: AtomicBool::new(false),
        });
        std::thread::spawn({
            let shared = Arc::clone(&shared);
            move || {
                for client in listener.incoming() {
                    if shared.ending.load(Ordering::SeqCst) {
                        return;
                    }
                    if let Ok(client) = client {
                        join(&shared, client);
                    }
                }
            }
        });
        Self { port, shared }
    }

    /// The port to connect to.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Links accepted so far.
    pub fn accepted(&self) -> u64 {
        self.shared.accepted.load(Ordering::SeqCst)
    }

    /// Bytes passed so far: to the broker, to the client.
    pub fn bytes(&self) -> (u64, u64) {
        (self.shared.to_broker.load(Ordering::SeqCst), self.shared.to_client.load(Ordering::SeqCst))
    }

    /// Bytes of one link, both ways: what the two ends handed to TCP.
    pub fn bytes_of(&self, link: u64) -> u64 {
        let links = self.shared.of_links.lock().expect("whole");
        links.get(&link).map_or(0, |(up, down)| up + down)
    }

    /// Every link that there is now stalls; new ones pass.
    pub fn stall(&self) {
        self.shared.stalled_up_to.store(self.accepted(), Ordering::SeqCst);
    }

    /// Every link stalls, new ones too.
    pub fn stall_all(&self) {
        self.shared.stalled_up_to.store(u64::MAX, Ordering::SeqCst);
    }

    /// Stalled links pass again, with all that they held.
    pub fn heal(&self) {
        self.shared.stalled_up_to.store(0, Ordering::SeqCst);
    }

    /// The packets so far, in the order in which they passed.
    pub fn wire(&self) -> Vec<Wire> {
        self.shared.wire.lock().expect("whole").clone()
    }

    /// Links on which the broker accepted this client, with the time at which its CONNACK passed.
    pub fn connections_of(&self, client: &str) -> Vec<(u64, Instant)> {
        let wire = self.wire();
        let asked = |link| {
            wire.iter().any(|one| {
                one.link == link && matches!(&one.what, What::Connect(id) if id == client)
            })
        };
        wire.iter()
            .filter(|one| one.what == What::ConnAck && asked(one.link))
            .map(|one| (one.link, one.passed))
            .collect()
    }

    /// Cuts every link, both ends.
    pub fn cut(&self) {
        for (client, broker) in self.shared.links.lock().expect("whole").drain(..) {
            let _ = client.shutdown(Shutdown::Both);
            let _ = broker.shutdown(Shutdown::Both);
        }
    }
}

impl Drop for Proxy {
    fn drop(&mut self) {
        self.shared.ending.store(true, Ordering::SeqCst);
        self.cut();
        // Wakes the accepting thread.
        let _ = TcpStream::connect(("127.0.0.1", self.port));
    }
}

fn join(shared: &Arc<Shared>, client: TcpStream) {
    let Ok(broker) = TcpStream::connect(("127.0.0.1", shared.target)) else {
        return;
    };
    let number = shared.accepted.fetch_add(1, Ordering::SeqCst) + 1;
    let clone = |stream: &TcpStream| stream.try_clone().expect("a second handle");
    shared.links.lock().expect("whole").push((clone(&client), clone(&broker)));
    for (from, to, up) in [(clone(&client), clone(&broker), true), (broker, client, false)] {
        let shared = Arc::clone(shared);
        std::thread::spawn(move || pump(&shared, number, from, to, up));
    }
}

fn pump(shared: &Shared, number: u64, mut from: TcpStream, mut to: TcpStream, up: bool) {
    let stalled = || number <= shared.stalled_up_to.load(Ordering::SeqCst);
    let ending = || shared.ending.load(Ordering::SeqCst);
    let _ = from.set_read_timeout(Some(Duration::from_millis(20)));
    let _ = to.set_nodelay(true);
    let mut buffer = [0; 16_384];
    let mut packets = BytesMut::new();
    while !ending() {
        if stalled() {
            // Nothing passes, not even the end of the stream.
            std::thread::park_timeout(Duration::from_millis(20));
            continue;
        }
        match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(size) => {
                let read = Instant::now();
                // What was read at the moment of the stall is held like the rest.
                while stalled() && !ending() {
                    std::thread::park_timeout(Duration::from_millis(5));
                }
                let count = if up { &shared.to_broker } else { &shared.to_client };
                count.fetch_add(size as u64, Ordering::SeqCst);
                {
                    let mut links = shared.of_links.lock().expect("whole");
                    let (to_broker, to_client) = links.entry(number).or_default();
                    *(if up { to_broker } else { to_client }) += size as u64;
                }
                packets.extend_from_slice(&buffer[..size]);
                let seen = look(&mut packets, up);
                if to.write_all(&buffer[..size]).is_err() {
                    break;
                }
                let passed = Instant::now();
                let all = seen.into_iter().map(|what| Wire { link: number, what, read, passed });
                shared.wire.lock().expect("whole").extend(all);
            }
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
            Err(_) => break,
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}

/// The whole packets in the buffer, as far as they are of interest.
fn look(packets: &mut BytesMut, up: bool) -> Vec<What> {
    let mut seen = Vec::new();
    while let Ok(packet) = Packet::read(packets, usize::MAX) {
        seen.extend(match packet {
            Packet::Connect(connect) => Some(What::Connect(connect.client_id)),
            Packet::ConnAck(_) => Some(What::ConnAck),
            Packet::Publish(publish)
                if up && !publish.retain && !publish.topic.starts_with("permeated/") =>
            {
                let payload = String::from_utf8_lossy(&publish.payload).into_owned();
                Some(What::Publish { topic: publish.topic, payload })
            }
            _ => None,
        });
    }
    seen
}
