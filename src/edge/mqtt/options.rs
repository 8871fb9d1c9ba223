//! How to reach the broker: login, TLS and limits, read once and shared by every connection.
//!
//! Absent on purpose: the platform's certificate store. The authority is named in the settings, so
//! that what is trusted does not depend on the machine.

use crate::settings::schema::{Broker, Tls};
use rumqttc::{MqttOptions, NetworkOptions, TlsConfiguration, Transport};
use rustls::ClientConfig;
use rustls::RootCertStore;
use rustls::pki_types::pem::PemObject as _;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// Longest time for TCP, TLS and CONNECT together.
pub const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);

/// Why the bus cannot be set up. All are permanent: the settings or their files are wrong.
#[derive(Debug, thiserror::Error)]
pub enum BusError {
    /// A file could not be read.
    #[error("broker: cannot read {path}: {why}")]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The TLS settings do not work together.
    #[error("broker.tls: {0}")]
    Tls(#[from] rustls::Error),
    /// A task or its runtime could not be started.
    #[error("cannot start the bus: {0}")]
    Start(#[from] std::io::Error),
}

/// How to reach the broker.
#[derive(Clone)]
pub struct Dial {
    /// Host name or address.
    pub host: String,
    /// TCP port.
    pub port: u16,
    /// Login name and password.
    pub login: Option<(String, String)>,
    /// TLS, if any.
    pub tls: Option<Arc<ClientConfig>>,
    /// Largest packet in both directions.
    pub packet_max: usize,
}

impl std::fmt::Debug for Dial {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Dial")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("login", &self.login.as_ref().map(|(user, _)| user))
            .field("tls", &self.tls.is_some())
            .finish_non_exhaustive()
    }
}

impl Dial {
    /// Reads what the settings name.
    ///
    /// # Errors
    /// [`BusError`] names the file or the rule.
    pub fn from_settings(broker: &Broker) -> Result<Self, BusError> {
        let password = match &broker.password_file {
            Some(path) => read_password(path)?,
            None => String::new(),
        };
        Ok(Self {
            host: broker.host.clone(),
            port: broker.port,
            login: (!broker.user.is_empty()).then(|| (broker.user.clone(), password)),
            tls: broker.tls.as_ref().map(tls_config).transpose()?,
            packet_max: broker.packet_max_bytes as usize,
        })
    }

    /// Options of the main connection.
    pub fn options(&self, client_id: &str, keep_alive: Duration) -> MqttOptions {
        let mut options = MqttOptions::new(client_id, &self.host, self.port);
        options
            .set_keep_alive(keep_alive)
            .set_clean_session(true)
            // What is too large to send is refused before it gets here; inside the client it would cost
            // the connection, again and again.
            .set_max_packet_size(self.packet_max, u32::MAX as usize)
            .set_inflight(200);
        if let Some((user, password)) = &self.login {
            options.set_credentials(user, password);
        }
        if let Some(config) = &self.tls {
            options.set_transport(Transport::tls_with_config(TlsConfiguration::Rustls(
                Arc::clone(config),
            )));
        }
        options
    }

    /// Socket options of the main connection.
    pub fn network(&self) -> NetworkOptions {
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(CONNECT_TIMEOUT.as_secs());
        network
    }
}

fn read_password(path: &Path) -> Result<String, BusError> {
    let text = std::fs::read_to_string(path)
        .map_err(|error| BusError::File { path: path.to_owned(), why: error.to_string() })?;
    Ok(text.strip_suffix('\n').map(str::to_owned).unwrap_or(text))
}

fn pem(path: &Path) -> impl Fn(rustls::pki_types::pem::Error) -> BusError + '_ {
    move |error| BusError::File { path: path.to_owned(), why: error.to_string() }
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, BusError> {
    let found: Vec<_> = CertificateDer::pem_file_iter(path)
        .map_err(pem(path))?
        .collect::<Result<_, _>>()
        .map_err(pem(path))?;
    if found.is_empty() {
        return Err(BusError::File {
            path: path.to_owned(),
            why: "it holds no certificate".to_owned(),
        });
    }
    Ok(found)
}

fn tls_config(tls: &Tls) -> Result<Arc<ClientConfig>, BusError> {
    let mut roots = RootCertStore::empty();
    for certificate in certificates(&tls.ca_file)? {
        roots.add(certificate)?;
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let builder = ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()?
        .with_root_certificates(roots);
    let config = match (&tls.certificate_file, &tls.key_file) {
        (Some(certificate), Some(key)) => {
            let own = certificates(certificate)?;
            let secret = PrivateKeyDer::from_pem_file(key).map_err(pem(key))?;
            builder.with_client_auth_cert(own, secret)?
        }
        _ => builder.with_no_client_auth(),
    };
    Ok(Arc::new(config))
}
