//! The read-only page and what programs read beside it.
//!
//! | path | what |
//! | --- | --- |
//! | `/` | the status page |
//! | `/healthz` | 200 while the daemon does its main job, else 503; JSON with the reasons |
//! | `/api/state` | the whole board as JSON |
//! | `/metrics` | plain text metrics |
//!
//! Invariants: loopback only; every request must name this machine as its host, or a page of a
//! stranger could read ours through its own name (DNS rebinding); nothing but GET and HEAD; no
//! request body is ever read; connections, silence and time per request are bounded; every text from
//! outside is escaped. Absent on purpose: commands, logins, scripts.

mod drawing;
mod listen;
mod machine;
mod page;
mod units;
mod verdict;
mod words;

use crate::board::Board;
use crate::engine::time::Wall;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use axum::http::{Method, StatusCode, Uri};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::net::{IpAddr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

/// Longest time for one request.
const REQUEST_MAX: Duration = Duration::from_secs(10);

/// Every answer carries these.
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; img-src data:; base-uri 'none'; form-action 'none'; \
         frame-ancestors 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::CACHE_CONTROL, "no-store"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// Why the page cannot be served. Permanent, but for an address that somebody else holds.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Not an address.
    #[error("web.listen '{0}' is not an address with a port, such as 127.0.0.1:8479")]
    Address(String),
    /// Reachable from elsewhere.
    #[error("web.listen '{0}' is not a loopback address; the page has no login")]
    NotLoopback(SocketAddr),
    /// The address is taken, or not ours.
    #[error("web.listen '{0}' cannot be used: {1}")]
    Bind(SocketAddr, std::io::Error),
}

/// The running page.
#[derive(Debug)]
pub struct Page {
    /// Where it listens; with the port that the system chose when the setting says 0.
    pub address: SocketAddr,
    /// Its task. Abort it to stop the page.
    pub task: JoinHandle<()>,
}

#[derive(Clone)]
struct Shared {
    board: Board,
    zone: TimeZone,
}

/// Serves the page. Civil times on it are in `zone`.
///
/// # Errors
/// [`Error`] when the address cannot be used.
pub async fn spawn(listen: &str, zone: TimeZone, board: Board) -> Result<Page, Error> {
    let wanted: SocketAddr = listen.parse().map_err(|_| Error::Address(listen.to_owned()))?;
    if !wanted.ip().is_loopback() {
        return Err(Error::NotLoopback(wanted));
    }
    let listener = TcpListener::bind(wanted).await.map_err(|error| Error::Bind(wanted, error))?;
    let address = listener.local_addr().map_err(|error| Error::Bind(wanted, error))?;
    let app = router(Arc::new(Shared { board, zone }), address.port());
    let task = tokio::spawn(async move {
        // Ends only when the task is aborted: the listener waits out its errors.
        let _ = axum::serve(listen::Bounded::new(listener), app).await;
    });
    Ok(Page { address, task })
}

fn router(shared: Arc<Shared>, port: u16) -> Router {
    Router::new()
        .route("/", get(show_page))
        .route("/style.css", get(show_style))
        .route("/healthz", get(show_health))
        .route("/api/state", get(show_state))
        .route("/metrics", get(show_metrics))
        .fallback(|| async { (StatusCode::NOT_FOUND, "not found\n") })
        .with_state(shared)
        .layer(middleware::from_fn(move |request, next| keep_gate(port, request, next)))
}

/// What holds for every request, whatever its path.
async fn keep_gate(port: u16, request: Request, next: Next) -> Response {
    let mut response = match refusal(port, &request) {
        Some((status, text)) => (status, text).into_response(),
        None => tokio::time::timeout(REQUEST_MAX, next.run(request))
            .await
            .unwrap_or_else(|_| StatusCode::GATEWAY_TIMEOUT.into_response()),
    };
    let headers = response.headers_mut();
    for (name, value) in &HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

fn refusal(port: u16, request: &Request) -> Option<(StatusCode, &'static str)> {
    if !names_us(request.uri(), request.headers(), port) {
        return Some((StatusCode::MISDIRECTED_REQUEST, "this page answers to its own name only\n"));
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return Some((StatusCode::METHOD_NOT_ALLOWED, "this page only shows\n"));
    }
    let length = request.headers().get(header::CONTENT_LENGTH);
    if request.headers().contains_key(header::TRANSFER_ENCODING)
        || length.is_some_and(|length| length.as_bytes() != b"0")
    {
        return Some((StatusCode::PAYLOAD_TOO_LARGE, "no body is read here\n"));
    }
    None
}

/// The request names this machine: by `localhost` or a loopback address, on our port. What the
/// request line says counts as much as the `Host` header.
fn names_us(uri: &Uri, headers: &HeaderMap, port: u16) -> bool {
    let mut hosts = headers.get_all(header::HOST).iter();
    let (Some(host), None) = (hosts.next(), hosts.next()) else { return false };
    let Ok(host) = host.to_str() else { return false };
    is_ours(host, port) && uri.authority().is_none_or(|authority| is_ours(authority.as_str(), port))
}

fn is_ours(host: &str, port: u16) -> bool {
    let (name, named_port) = match host.rsplit_once(':') {
        Some((name, digits)) if !digits.ends_with(']') => match digits.parse() {
            Ok(digits) => (name, Some(digits)),
            Err(_) => return false,
        },
        _ => (host, None),
    };
    // Without a port the browser means 80: ours only if a tunnel or a proxy on this machine put it
    // there.
    if named_port.is_some_and(|named: u16| named != port) {
        return false;
    }
    if name.eq_ignore_ascii_case("localhost") {
        return true;
    }
    let bare = name.strip_prefix('[').and_then(|name| name.strip_suffix(']')).unwrap_or(name);
    bare.parse::<IpAddr>().is_ok_and(|address| address.is_loopback())
}

fn now() -> Wall {
    Wall::from_millis(Timestamp::now().as_millisecond())
}

async fn show_page(State(shared): State<Arc<Shared>>) -> Response {
    let clock = page::Clock { now: now(), zone: &shared.zone };
    let text = page::render(&shared.board, &clock);
    ([(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response()
}

async fn show_style() -> Response {
    ([(header::CONTENT_TYPE, "text/css; charset=utf-8")], include_str!("style.css")).into_response()
}

async fn show_health(State(shared): State<Arc<Shared>>) -> Response {
    let (ok, state) = machine::health(&shared.board);
    let status = if ok { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, axum::Json(state)).into_response()
}

async fn show_state(State(shared): State<Arc<Shared>>) -> Response {
    axum::Json(machine::state(&shared.board, now())).into_response()
}

async fn show_metrics(State(shared): State<Arc<Shared>>) -> Response {
    let kind = "text/plain; version=0.0.4; charset=utf-8";
    ([(header::CONTENT_TYPE, kind)], machine::metrics(&shared.board)).into_response()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_ours() {
        for host in ["localhost", "LOCALHOST:80", "127.0.0.1:80", "127.0.0.1", "[::1]:80", "[::1]"]
        {
            assert!(is_ours(host, 80), "{host}");
        }
        for host in [
            "",
            "evil.example",
            "evil.example:80",
            "127.0.0.1.evil.example:80",
            "localhost.evil.example",
            "localhost:81",
            "localhost:80:80",
            "192.168.1.7:80",
            "0.0.0.0:80",
            "127.0.0.1@evil.example",
        ] {
            assert!(!is_ours(host, 80), "{host}");
        }
    }
}
