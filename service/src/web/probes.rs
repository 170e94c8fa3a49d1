//! `/healthz`, `/readyz`, `/metrics`: for programs that watch this one. They carry the token of `[http]`.

use super::Shown;
use super::health::{Health, Level};
use super::host::Host;
use super::metrics;
use axum::Router;
use axum::extract::{Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use std::sync::Arc;

pub(super) fn routes(shown: &Arc<Shown>) -> Router<Arc<Shown>> {
    Router::new()
        .route("/healthz", get(healthz))
        .route("/readyz", get(readyz))
        .route("/metrics", get(metrics_text))
        .layer(middleware::from_fn_with_state(shown.clone(), ask_token))
}

async fn ask_token(State(shown): State<Arc<Shown>>, request: Request, next: Next) -> Response {
    let given = request.headers().get(header::AUTHORIZATION).and_then(|value| value.to_str().ok());
    if shown.http.admits(given) {
        return next.run(request).await;
    }
    let ask = [(header::WWW_AUTHENTICATE, "Bearer")];
    (StatusCode::UNAUTHORIZED, ask, "a token is needed: Authorization: Bearer TOKEN\n").into_response()
}

/// The machine under us and what is wrong.
pub(super) async fn look(shown: &Arc<Shown>) -> (Host, Health) {
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
