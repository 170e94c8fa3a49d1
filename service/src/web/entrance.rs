//! Who comes in: every request for a page passes here before its route sees it.
//!
//! | asked for | let in |
//! |---|---|
//! | a page | a session, a token, or anybody where neither users nor a token are configured |
//! | an action | a session or the token of `[page]`, with the right to act |
//! | sign-in, style, script | everybody |
//!
//! An action by a session must come from a page of ours (see [`origin`](super::origin)) and carry the session's form
//! token; one by a token needs neither, since no browser sends it by itself.

use super::origin;
use super::sessions::Session;
use super::{Shown, reply};
use crate::config::people::Role;
use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use std::sync::Arc;
use std::time::Instant;

/// Who asks.
#[derive(Debug, Clone)]
pub struct Visitor {
    /// What they may do.
    pub role: Role,
    /// Their session and its name, when they are signed in.
    pub session: Option<(String, Session)>,
    /// They showed the token of `[page]`.
    pub by_token: bool,
}

impl Visitor {
    /// Their name, when they are signed in.
    pub fn name(&self) -> Option<&str> {
        self.session.as_ref().map(|(_, session)| session.name.as_str())
    }

    /// What their forms must carry.
    pub fn form_token(&self) -> &str {
        self.session.as_ref().map_or("", |(_, session)| session.form_token.as_str())
    }

    /// Whether this form token is theirs.
    pub fn sent(&self, form_token: &str) -> bool {
        use subtle::ConstantTimeEq;
        self.by_token
            || self
                .session
                .as_ref()
                .is_some_and(|(_, session)| session.form_token.as_bytes().ct_eq(form_token.as_bytes()).into())
    }
}

impl<S: Send + Sync> FromRequestParts<S> for Visitor {
    type Rejection = StatusCode;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Self::Rejection> {
        // Put there by `let_in`; a route outside of it is a fault of ours and lets nobody in.
        parts.extensions.get::<Self>().cloned().ok_or(StatusCode::FORBIDDEN)
    }
}

/// The session's cookie: the prefix makes browsers refuse one that is not ours alone, and needs TLS.
pub fn cookie_name(shown: &Shown) -> &'static str {
    if shown.http.behind_proxy { "__Host-roundsman" } else { "roundsman" }
}

/// The header that sets it, or takes it away.
pub fn set_cookie(shown: &Shown, key: Option<&str>) -> Option<HeaderValue> {
    let (name, secure) = (cookie_name(shown), if shown.http.behind_proxy { "; Secure" } else { "" });
    let (key, age) = key.map_or(("", "; Max-Age=0"), |key| (key, ""));
    HeaderValue::from_str(&format!("{name}={key}; Path=/; HttpOnly; SameSite=Strict{secure}{age}")).ok()
}

fn bearer(headers: &HeaderMap) -> Option<&str> {
    let (scheme, token) = headers.get(header::AUTHORIZATION)?.to_str().ok()?.split_once(' ')?;
    scheme.eq_ignore_ascii_case("bearer").then(|| token.trim())
}

fn who(shown: &Shown, headers: &HeaderMap) -> Option<Visitor> {
    if let Some(token) = bearer(headers) {
        let may_act = shown.page.token.as_ref().is_some_and(|known| known.matches(token));
        let may_look = shown.http.token.as_ref().is_some_and(|known| known.matches(token));
        return match (may_act, may_look) {
            (true, _) => Some(Visitor { role: Role::Act, session: None, by_token: true }),
            (false, true) => Some(Visitor { role: Role::Look, session: None, by_token: false }),
            (false, false) => None,
        };
    }
    let key = origin::cookie(headers, cookie_name(shown));
    let session = key.and_then(|key| Some((key.to_owned(), shown.sessions.find(key, Instant::now())?)));
    match session {
        Some(session) => Some(Visitor { role: session.1.role, session: Some(session), by_token: false }),
        None => shown.open.then_some(Visitor { role: Role::Look, session: None, by_token: false }),
    }
}

/// Refuses what was not meant for this machine. For every route.
pub async fn meant_for_us(State(shown): State<Arc<Shown>>, request: Request, next: Next) -> Response {
    let only_here = shown.http.listen.is_some_and(|listen| crate::config::exposure::is_loopback(listen.ip()));
    if only_here && !shown.http.behind_proxy && !origin::names_this_machine(request.headers()) {
        let why = "this listener answers requests to this machine only (localhost). Behind a reverse proxy, set \
                   http.behind_proxy = true\n";
        return (StatusCode::MISDIRECTED_REQUEST, why).into_response();
    }
    next.run(request).await
}

/// Lets a request in to the pages, or says why not.
pub async fn let_in(State(shown): State<Arc<Shown>>, mut request: Request, next: Next) -> Response {
    let Some(visitor) = who(&shown, request.headers()) else { return ask_to_sign_in(&request) };
    let acts = !matches!(*request.method(), Method::GET | Method::HEAD);
    if acts && !visitor.by_token && !origin::is_from_our_page(request.headers()) {
        return reply::refused(
            &shown,
            StatusCode::FORBIDDEN,
            "This was not sent by a page of ours, so nothing was done.",
        );
    }
    request.extensions_mut().insert(visitor);
    next.run(request).await
}

fn ask_to_sign_in(request: &Request) -> Response {
    let wants_page = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok());
    if *request.method() == Method::GET && wants_page.is_some_and(|accept| accept.contains("text/html")) {
        let path = request.uri().path_and_query().map_or("/", |path| path.as_str());
        let encoded: String = path.bytes().map(percent).collect();
        return Redirect::to(&format!("/sign-in?next={encoded}")).into_response();
    }
    let ask = [(header::WWW_AUTHENTICATE, "Bearer")];
    let words = "sign in at /sign-in, or send a token: Authorization: Bearer TOKEN\n";
    (StatusCode::UNAUTHORIZED, ask, words).into_response()
}

/// A byte in a query.
pub fn percent(byte: u8) -> String {
    if byte.is_ascii_alphanumeric() || b"-_.~/".contains(&byte) {
        char::from(byte).to_string()
    } else {
        format!("%{byte:02X}")
    }
}

/// What browsers are told about everything that comes from here.
pub async fn headers(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (header::REFERRER_POLICY, "same-origin"),
    ] {
        headers.insert(name, HeaderValue::from_static(value));
    }
    headers.insert("cross-origin-resource-policy", HeaderValue::from_static("same-origin"));
    headers.insert("cross-origin-opener-policy", HeaderValue::from_static("same-origin"));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// Only what lies in our binary, nothing inline, no frame around us.
const POLICY: &str = "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; \
                      form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

/// Whether somebody who was let in would be let in still.
pub fn still_holds(shown: &Shown, visitor: &Visitor) -> bool {
    match &visitor.session {
        Some((key, _)) => shown.sessions.is_open(key, Instant::now()),
        None => true,
    }
}
