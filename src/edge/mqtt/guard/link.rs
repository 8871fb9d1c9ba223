//! One guard connection on the wire: the few packets it needs, on a socket of our own.
//!
//! The packets are rumqttc's; its event loop is not used here. A guard must know what is on the
//! wire, and the event loop hides the socket: what it has written to a stalled link is delivered
//! when the link recovers, however old it has become. Here the socket is set so that
//!
//! * dropping it sends a reset at once, without DISCONNECT and without what was still unsent, so
//!   that the broker fires the will and no stale open follows;
//! * an open dies with its age limit even inside the kernel (`TCP_USER_TIMEOUT`).
//!
//! Absent on purpose: subscriptions, re-sending, any queue.

use crate::edge::mqtt::options::{CONNECT_TIMEOUT, Dial};
use bytes::BytesMut;
use rumqttc::tokio_rustls::TlsConnector;
use rumqttc::tokio_rustls::client::TlsStream;
use rumqttc::{ConnectReturnCode, LastWill, Login, Packet, Protocol, Publish, QoS};
use rustls::pki_types::ServerName;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpStream;
use tokio::time::timeout;

/// A packet must be taken by the kernel within this time.
const WRITE_TIMEOUT: Duration = Duration::from_secs(2);
/// Largest packet that a guard connection takes: acknowledgements only.
const PACKET_MAX: usize = 4096;

/// Why a guard connection ended or never came to be.
#[derive(Debug, thiserror::Error)]
pub enum LinkError {
    /// The socket.
    #[error("{0}")]
    Io(#[from] io::Error),
    /// TCP, TLS and CONNECT did not finish in time, or a packet could not be written in time.
    #[error("timed out")]
    Timeout,
    /// The broker said no.
    #[error("refused by the broker: {0:?}")]
    Refused(ConnectReturnCode),
    /// The broker spoke something that it should not.
    #[error("unexpected packet: {0}")]
    Protocol(String),
    /// We dropped it on purpose, for a proof of the will.
    #[error("dropped for the proof of its will")]
    Proof,
    /// The broker closed the connection.
    #[error("closed by the broker")]
    Closed,
    /// The host name cannot be one.
    #[error("host name: {0}")]
    Host(#[from] rustls::pki_types::InvalidDnsNameError),
}

enum Stream {
    Plain(TcpStream),
    Tls(Box<TlsStream<TcpStream>>),
}

/// One guard connection on the wire.
pub(super) struct Link {
    stream: Stream,
    inbox: BytesMut,
    /// Bytes of MQTT read and written.
    pub(super) traffic: (u64, u64),
}

/// What a guard connection says of itself.
pub(super) struct Identity {
    pub(super) client_id: String,
    pub(super) keep_alive: Duration,
    pub(super) will: LastWill,
}

impl Link {
    /// Connects and waits for CONNACK. The session is kept (`clean_session = false`): with clean
    /// sessions a reconnect over a half-open link fires the old will, and on some brokers the new
    /// connection is then left without one.
    pub(super) async fn open(dial: &Dial, who: &Identity) -> Result<Self, LinkError> {
        timeout(CONNECT_TIMEOUT, Self::dial(dial, who)).await.map_err(|_| LinkError::Timeout)?
    }

    async fn dial(dial: &Dial, who: &Identity) -> Result<Self, LinkError> {
        let tcp = TcpStream::connect((dial.host.as_str(), dial.port)).await?;
        tcp.set_nodelay(true)?;
        rustix::net::sockopt::set_socket_linger(&tcp, Some(Duration::ZERO))
            .map_err(io::Error::from)?;
        set_delivery_limit(&tcp, Some(who.keep_alive * 3 / 2))?;
        let stream = match &dial.tls {
            None => Stream::Plain(tcp),
            Some(config) => {
                let name = ServerName::try_from(dial.host.clone())?;
                let connector = TlsConnector::from(Arc::clone(config));
                Stream::Tls(Box::new(connector.connect(name, tcp).await?))
            }
        };
        let mut link = Self { stream, inbox: BytesMut::with_capacity(256), traffic: (0, 0) };
        let connect = rumqttc::Connect {
            protocol: Protocol::V4,
            keep_alive: who.keep_alive.as_secs() as u16,
            client_id: who.client_id.clone(),
            clean_session: false,
            last_will: Some(who.will.clone()),
            login: dial.login.as_ref().map(|(user, password)| Login::new(user, password)),
        };
        link.write(&Packet::Connect(connect)).await?;
        match link.packet().await? {
            Packet::ConnAck(ack) if ack.code == ConnectReturnCode::Success => Ok(link),
            Packet::ConnAck(ack) => Err(LinkError::Refused(ack.code)),
            other => Err(LinkError::Protocol(format!("{other:?}"))),
        }
    }

    fn tcp(&self) -> &TcpStream {
        match &self.stream {
            Stream::Plain(tcp) => tcp,
            Stream::Tls(tls) => tls.get_ref().0,
        }
    }

    /// The next packet. May be dropped and called again: what was read stays.
    pub(super) async fn packet(&mut self) -> Result<Packet, LinkError> {
        loop {
            match Packet::read(&mut self.inbox, PACKET_MAX) {
                Ok(packet) => return Ok(packet),
                Err(rumqttc::Error::InsufficientBytes(_)) => {}
                Err(error) => return Err(LinkError::Protocol(error.to_string())),
            }
            let read = match &mut self.stream {
                Stream::Plain(tcp) => tcp.read_buf(&mut self.inbox).await?,
                Stream::Tls(tls) => tls.read_buf(&mut self.inbox).await?,
            };
            if read == 0 {
                return Err(LinkError::Closed);
            }
            self.traffic.0 += read as u64;
        }
    }

    async fn write(&mut self, packet: &Packet) -> Result<(), LinkError> {
        let mut bytes = BytesMut::with_capacity(128);
        packet.write(&mut bytes, 65_536).map_err(|error| LinkError::Protocol(error.to_string()))?;
        let all = async {
            match &mut self.stream {
                Stream::Plain(tcp) => tcp.write_all(&bytes).await,
                Stream::Tls(tls) => {
                    tls.write_all(&bytes).await?;
                    tls.flush().await
                }
            }
        };
        timeout(WRITE_TIMEOUT, all).await.map_err(|_| LinkError::Timeout)??;
        self.traffic.1 += bytes.len() as u64;
        Ok(())
    }

    /// Publishes a close with QoS 1 under this packet id.
    pub(super) async fn close(&mut self, will: &LastWill, pkid: u16) -> Result<(), LinkError> {
        let mut publish = Publish::from_bytes(&will.topic, QoS::AtLeastOnce, will.message.clone());
        publish.retain = will.retain;
        publish.pkid = pkid;
        self.write(&Packet::Publish(publish)).await
    }

    /// Publishes an open with QoS 0, never retained. The kernel gives up the whole connection when
    /// the broker's machine has not taken it within `limit`; [`Link::delivered`] lifts that again.
    pub(super) async fn open_valve(
        &mut self,
        topic: &str,
        payload: &str,
        limit: Duration,
    ) -> Result<(), LinkError> {
        set_delivery_limit(self.tcp(), Some(limit))?;
        self.write(&Packet::Publish(Publish::new(topic, QoS::AtMostOnce, payload))).await
    }

    /// The broker has answered since the last open: back to the usual limit.
    pub(super) fn delivered(&self, keep_alive: Duration) -> Result<(), LinkError> {
        Ok(set_delivery_limit(self.tcp(), Some(keep_alive * 3 / 2))?)
    }

    /// Asks for a sign of life.
    pub(super) async fn ping(&mut self) -> Result<(), LinkError> {
        self.write(&Packet::PingReq).await
    }

    /// Says goodbye: the will is discarded. Everything written before is delivered first.
    pub(super) async fn disconnect(mut self) -> Result<(), LinkError> {
        rustix::net::sockopt::set_socket_linger(self.tcp(), None).map_err(io::Error::from)?;
        self.write(&Packet::Disconnect).await?;
        match &mut self.stream {
            Stream::Plain(tcp) => tcp.shutdown().await?,
            Stream::Tls(tls) => tls.shutdown().await?,
        }
        // Wait for the broker's end, so that a reset on unread bytes cannot overtake the goodbye.
        let _ = timeout(Duration::from_secs(1), self.packet()).await;
        Ok(())
    }
}

/// How long sent data may stay unacknowledged before the kernel gives up the connection.
#[cfg(target_os = "linux")]
fn set_delivery_limit(tcp: &TcpStream, limit: Option<Duration>) -> io::Result<()> {
    let millis = limit.map_or(0, |limit| limit.as_millis().clamp(1, u128::from(u32::MAX)) as u32);
    rustix::net::sockopt::set_tcp_user_timeout(tcp, millis).map_err(io::Error::from)
}

#[cfg(not(target_os = "linux"))]
fn set_delivery_limit(_tcp: &TcpStream, _limit: Option<Duration>) -> io::Result<()> {
    Ok(())
}
