//! A TCP proxy on loopback with faults: a stalled link (both ends stay open and nothing passes), a
//! cut, and a count of the bytes.

use std::io::{Read as _, Write as _};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

struct Shared {
    target: u16,
    /// Links up to this number are stalled.
    stalled_up_to: AtomicU64,
    accepted: AtomicU64,
    to_broker: AtomicU64,
    to_client: AtomicU64,
    links: Mutex<Vec<(TcpStream, TcpStream)>>,
    ending: AtomicBool,
}

/// A proxy in front of a broker.
pub struct Proxy {
    port: u16,
    shared: Arc<Shared>,
}

impl Proxy {
    /// Listens on a free port and passes everything on to `target`.
    pub fn new(target: u16) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a loopback port");
        let port = listener.local_addr().expect("bound").port();
        let shared = Arc::new(Shared {
            target,
            stalled_up_to: AtomicU64::new(0),
            accepted: AtomicU64::new(0),
            to_broker: AtomicU64::new(0),
            to_client: AtomicU64::new(0),
            links: Mutex::default(),
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

    /// Every link that there is now stalls for ever; new ones pass.
    pub fn stall(&self) {
        self.shared.stalled_up_to.store(self.accepted(), Ordering::SeqCst);
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
    let _ = from.set_read_timeout(Some(Duration::from_millis(20)));
    let _ = to.set_nodelay(true);
    let mut buffer = [0; 16_384];
    while !shared.ending.load(Ordering::SeqCst) {
        if stalled() {
            // Nothing passes, not even the end of the stream.
            std::thread::park_timeout(Duration::from_millis(20));
            continue;
        }
        match from.read(&mut buffer) {
            Ok(0) => break,
            Ok(read) => {
                if stalled() {
                    continue;
                }
                let count = if up { &shared.to_broker } else { &shared.to_client };
                count.fetch_add(read as u64, Ordering::SeqCst);
                if to.write_all(&buffer[..read]).is_err() {
                    break;
                }
            }
            Err(error)
                if matches!(
                    error.kind(),
                    std::io::ErrorKind::WouldBlock | std::io::ErrorKind::TimedOut
                ) => {}
            Err(_) => break,
        }
    }
    let _ = to.shutdown(Shutdown::Both);
    let _ = from.shutdown(Shutdown::Both);
}
