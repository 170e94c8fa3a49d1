//! The HTTP listener: `/healthz`, `/readyz`, `/metrics`.
//!
//! A route reads [`Status`], which the daemon's parts write with atomics and short locks of plain values; no route
//! touches the live state, waits for an engine or changes anything. A page to look at belongs here as a further route
//! of [`routes`], over a published copy of its own.
//!
//! | path | answers |
//! |---|---|
//! | `/healthz` | what is wrong, in sentences (JSON). 200 while it does its work, also degraded: a restart mends nothing then. 503 when a part hangs |
//! | `/readyz` | the same document. 200 once the journal is applied, the topics are subscribed and the disk takes data, else 503 |
//! | `/metrics` | Prometheus text format 0.0.4 |

pub mod health;
pub mod host;
pub mod limited;
pub mod metrics;

use crate::config::http::Http;
use crate::status::Status;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use health::{Health, Level};
use host::Host;
use roundsman_models::EventTime;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::watch;

/// What the routes look at.
pub struct Shown {
    /// Counters and states.
    pub status: Arc<Status>,
    /// Site name.
    pub site: String,
    /// Where the two databases lie.
    pub state_dir: PathBuf,
    /// When we started.
    pub since: EventTime,
    /// Our clock.
    pub now: fn() -> EventTime,
    /// Who is let in.
    pub http: Http,
}

/// Connections at a time. More wait: whoever opens them without end costs neither memory nor file descriptors that the
/// daemon's own files need.
const CONNECTIONS: usize = 64;

/// All routes.
pub fn routes(shown: Arc<Shown>) -> Router {
    Router::new()
        .route("/healthz", get(healthz))
        .route("/readyz", get(readyz))
        .route("/metrics", get(metrics_text))
        .layer(middleware::from_fn_with_state(shown.clone(), ask_token))
        .with_state(shown)
}

/// Opens the listener. Apart from [`serve`], so that an address that cannot be had is said before anything starts.
///
/// # Errors
/// The address is in use or not ours.
pub async fn bind(listen: SocketAddr) -> std::io::Result<tokio::net::TcpListener> {
    tokio::net::TcpListener::bind(listen).await
}

/// Serves until `stop` turns true.
pub async fn serve(listener: tokio::net::TcpListener, shown: Arc<Shown>, mut stop: watch::Receiver<bool>) {
    let listener = limited::Limited::new(listener, CONNECTIONS);
    let stopped = async move {
        // A sender that is gone has stopped as well.
        let _ = stop.wait_for(|stop| *stop).await;
    };
    tokio::select! {
        // Its accept loop waits and goes on after an error; it never ends by itself.
        result = axum::serve(listener, routes(shown)).into_future() => {
            if let Err(error) = result {
                tracing::warn!(%error, "the HTTP listener ended");
            }
        }
        // Nobody waits for a reader that is slow.
        () = stopped => {}
    }
}

async fn ask_token(State(shown): State<Arc<Shown>>, request: Request, next: Next) -> Response {
    let given = request.headers().get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
    if shown.http.admits(given) {
        return next.run(request).await;
    }
    let ask = [(header::WWW_AUTHENTICATE, "Bearer")];
    (StatusCode::UNAUTHORIZED, ask, "a token is needed: Authorization: Bearer TOKEN\n").into_response()
}

async fn look(shown: &Arc<Shown>) -> (Host, Health) {
    let looking = shown.clone();
    // A disk that hangs must not hold the runtime's threads.
    let host = tokio::task::spawn_blocking(move || Host::look(&looking.state_dir)).await.unwrap_or_default();
    let health = Health::of(shown, &host);
    (host, health)
}

async fn healthz(State(shown): State<Arc<Shown>>) -> Response {
    let (_, health) = look(&shown).await;
    let code = if health.status == Level::Failing { StatusCode::SERVICE_UNAVAILABLE } else { StatusCode::OK };
    json(code, &health)
}

async fn readyz(State(shown): State<Arc<Shown>>) -> Response {
    let (_, health) = look(&shown).await;
    json(if health.ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE }, &health)
}

async fn metrics_text(State(shown): State<Arc<Shown>>) -> Response {
    let (host, health) = look(&shown).await;
    let text = metrics::text(&shown, &host, &health);
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text).into_response()
}

fn json(code: StatusCode, health: &Health) -> Response {
    let headers = [(header::CONTENT_TYPE, "application/json"), (header::CACHE_CONTROL, "no-store")];
    match serde_json::to_string_pretty(health) {
        Ok(text) => (code, headers, text + "\n").into_response(),
        Err(error) => (StatusCode::INTERNAL_SERVER_ERROR, error.to_string()).into_response(),
    }
}
