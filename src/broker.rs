//! The small broker: its own process, so that it outlives the daemon and can publish the will.
//!
//! rumqttd, configured for a home: MQTT 3.1.1 on one port, loopback unless a login is set, small
//! message logs. A broker of one's own (mosquitto) stays the first choice: this one keeps nothing
//! over a restart, and gives a wildcard subscriber at most 100 retained messages (its constant). It
//! has no way to stop but the end of its process, so it never runs inside the daemon.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitCode, Stdio};

/// Bad arguments or a bad file: do not restart (sysexits `EX_CONFIG`).
const EXIT_CONFIG: u8 = 78;
/// The port is taken, or the broker ended (sysexits `EX_UNAVAILABLE`).
const EXIT_UNAVAILABLE: u8 = 69;

/// Arguments of `permeated broker`.
#[derive(Clone, Debug, clap::Args)]
pub struct Args {
    /// Address and port. Anything but loopback needs --login-file.
    #[arg(long, default_value = "127.0.0.1:1883")]
    pub listen: SocketAddr,
    /// File with one `name:password` a line; not readable by others. Without it nobody has to log
    /// in.
    #[arg(long)]
    pub login_file: Option<PathBuf>,
}

/// Why the broker does not start.
#[derive(Debug, thiserror::Error)]
enum StartError {
    #[error("{0} is not loopback; that needs --login-file")]
    NotLoopback(SocketAddr),
    #[error("{path}: {why}")]
    LoginFile { path: PathBuf, why: String },
    #[error("cannot listen on {listen}: {why}")]
    Listen { listen: SocketAddr, why: std::io::Error },
    #[cfg(not(feature = "broker"))]
    #[error("built without the cargo feature 'broker'")]
    NotBuilt,
    #[cfg(feature = "broker")]
    #[error("the broker has ended: {0}")]
    Ended(String),
}

/// Runs the broker until the process is killed.
pub fn run(args: &Args) -> ExitCode {
    let error = match start(args) {
        Ok(()) => return ExitCode::SUCCESS,
        Err(error) => error,
    };
    eprintln!("broker: {error}");
    match error {
        StartError::NotLoopback(_) | StartError::LoginFile { .. } => EXIT_CONFIG.into(),
        #[cfg(not(feature = "broker"))]
        StartError::NotBuilt => EXIT_CONFIG.into(),
        StartError::Listen { .. } => EXIT_UNAVAILABLE.into(),
        #[cfg(feature = "broker")]
        StartError::Ended(_) => EXIT_UNAVAILABLE.into(),
    }
}

/// Starts `permeated broker` from the running binary, in a process group of its own: a Ctrl-C at the
/// terminal does not reach it, so that it is still there to publish the will.
///
/// # Errors
/// When the process cannot be started.
pub fn spawn_detached(listen: SocketAddr) -> std::io::Result<Child> {
    use std::os::unix::process::CommandExt as _;
    Command::new(std::env::current_exe()?)
        .args(["broker", "--listen", &listen.to_string()])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .process_group(0)
        .spawn()
}

type Logins = std::collections::HashMap<String, String>;

fn start(args: &Args) -> Result<(), StartError> {
    let logins = args.login_file.as_deref().map(read_logins).transpose()?;
    if logins.is_none() && !args.listen.ip().is_loopback() {
        return Err(StartError::NotLoopback(args.listen));
    }
    // The library only logs that it cannot bind; find out before.
    let probe = std::net::TcpListener::bind(args.listen)
        .map_err(|why| StartError::Listen { listen: args.listen, why })?;
    drop(probe);
    serve(args.listen, logins)
}

fn read_logins(path: &Path) -> Result<Logins, StartError> {
    use std::os::unix::fs::PermissionsExt as _;
    let fault = |why: String| StartError::LoginFile { path: path.to_owned(), why };
    let facts = std::fs::metadata(path).map_err(|error| fault(error.to_string()))?;
    if facts.permissions().mode() & 0o007 != 0 {
        return Err(fault("others may read or change it; use chmod o= on it".to_owned()));
    }
    let text = std::fs::read_to_string(path).map_err(|error| fault(error.to_string()))?;
    let mut logins = Logins::new();
    for (number, line) in text.lines().enumerate().filter(|(_, line)| !line.is_empty()) {
        let number = number + 1;
        let (user, password) = line
            .split_once(':')
            .filter(|(user, password)| !user.is_empty() && !password.is_empty())
            .ok_or_else(|| fault(format!("line {number} is not name:password")))?;
        if logins.insert(user.to_owned(), password.to_owned()).is_some() {
            return Err(fault(format!("line {number} names '{user}' again")));
        }
    }
    if logins.is_empty() {
        return Err(fault("it holds no login".to_owned()));
    }
    Ok(logins)
}

#[cfg(feature = "broker")]
fn serve(listen: SocketAddr, logins: Option<Logins>) -> Result<(), StartError> {
    use rumqttd::{Broker, Config, ConnectionSettings, RouterConfig, ServerSettings};
    let server = ServerSettings {
        name: "permeated".to_owned(),
        listen,
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 5_000,
            max_payload_size: 1 << 20,
            max_inflight_count: 100,
            auth: logins,
            external_auth: None,
            dynamic_filters: true,
        },
    };
    let config = Config {
        id: 0,
        router: RouterConfig {
            max_connections: 256,
            max_outgoing_packet_count: 200,
            // One log a filter, and it holds far more than it counts: small.
            max_segment_size: 16 * 1024,
            max_segment_count: 2,
            ..RouterConfig::default()
        },
        v4: Some(std::collections::HashMap::from([("1".to_owned(), server)])),
        ..Config::default()
    };
    Broker::new(config).start().map_err(|error| StartError::Ended(error.to_string()))?;
    Err(StartError::Ended("its server thread is gone".to_owned()))
}

#[cfg(not(feature = "broker"))]
fn serve(_listen: SocketAddr, _logins: Option<Logins>) -> Result<(), StartError> {
    Err(StartError::NotBuilt)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    fn file(text: &str, mode: u32) -> tempfile::NamedTempFile {
        let file = tempfile::NamedTempFile::new().expect("a temporary file");
        std::fs::write(file.path(), text).expect("written");
        std::fs::set_permissions(file.path(), std::fs::Permissions::from_mode(mode)).expect("set");
        file
    }

    #[test]
    fn listening_beyond_loopback_needs_a_login() {
        let args = Args { listen: "0.0.0.0:0".parse().expect("an address"), login_file: None };
        assert!(matches!(start(&args), Err(StartError::NotLoopback(_))));
    }

    #[test]
    fn a_login_file_that_others_may_read_is_refused() {
        let open = file("me:secret\n", 0o644);
        assert!(read_logins(open.path()).expect_err("refused").to_string().contains("chmod"));
        let closed = file("me:sec:ret\nyou:other\n", 0o600);
        let logins = read_logins(closed.path()).expect("good");
        assert_eq!(logins["me"], "sec:ret");
    }

    #[test]
    fn bad_lines_are_named() {
        for (text, part) in [("me\n", "line 1"), ("a:b\na:c\n", "line 2"), ("\n", "no login")] {
            let error = read_logins(file(text, 0o600).path()).expect_err(text).to_string();
            assert!(error.contains(part), "{error}");
        }
    }
}
