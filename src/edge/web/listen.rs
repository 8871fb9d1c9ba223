//! A listener with bounds: so many connections at once, and none that keeps silent for long.
//!
//! Policy: a connection too many waits in the system's own queue; one on which nothing has moved for
//! [`SILENT_MAX`] is closed.

use axum::serve::Listener;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};
use tokio::time::{Instant, Sleep, sleep};

/// Most connections at once.
const CONNECTIONS_MAX: usize = 64;
/// Longest silence on a connection.
const SILENT_MAX: Duration = Duration::from_secs(30);

/// The bounded listener.
pub struct Bounded {
    listener: TcpListener,
    room: Arc<Semaphore>,
}

impl Bounded {
    /// Puts bounds around a listener.
    pub fn new(listener: TcpListener) -> Self {
        Self { listener, room: Arc::new(Semaphore::new(CONNECTIONS_MAX)) }
    }
}

impl Listener for Bounded {
    type Io = Connection;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Self::Io, Self::Addr) {
        let room = Arc::clone(&self.room)
            .acquire_owned()
            .await
            .expect("the semaphore lives as long as the listener and is never closed");
        loop {
            match self.listener.accept().await {
                Ok((stream, address)) => {
                    let silence = Box::pin(sleep(SILENT_MAX));
                    return (Connection { stream, silence, _room: room }, address);
                }
                // Out of file handles, or a connection that went away again: not ours to die of.
                Err(_) => sleep(Duration::from_millis(100)).await,
            }
        }
    }

    fn local_addr(&self) -> io::Result<Self::Addr> {
        self.listener.local_addr()
    }
}

/// A connection that ends by itself when nothing moves.
pub struct Connection {
    stream: TcpStream,
    silence: Pin<Box<Sleep>>,
    _room: OwnedSemaphorePermit,
}

impl Connection {
    fn moved<T>(
        &mut self,
        poll: Poll<io::Result<T>>,
        context: &mut Context<'_>,
    ) -> Poll<io::Result<T>> {
        if poll.is_ready() {
            self.silence.as_mut().reset(Instant::now() + SILENT_MAX);
            return poll;
        }
        match self.silence.as_mut().poll(context) {
            Poll::Ready(()) => Poll::Ready(Err(io::ErrorKind::TimedOut.into())),
            Poll::Pending => Poll::Pending,
        }
    }
}

impl AsyncRead for Connection {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let poll = Pin::new(&mut self.stream).poll_read(context, buffer);
        self.moved(poll, context)
    }
}

impl AsyncWrite for Connection {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let poll = Pin::new(&mut self.stream).poll_write(context, bytes);
        self.moved(poll, context)
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
