//! Signing in and out.

use super::entrance::{Visitor, cookie_name, set_cookie};
use super::frame::Frame;
use super::passwords::NotIn;
use super::{Peer, Shown, origin, reply};
use crate::config::people::{Role, is_name};
use askama::Template;
use axum::Form;
use axum::extract::{ConnectInfo, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};
use serde::Deserialize;
use std::sync::Arc;
use std::time::Instant;

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignIn {
    frame: Frame,
    next: String,
    name: String,
    fault: &'static str,
    users: bool,
    token: bool,
}

#[derive(Deserialize)]
pub(super) struct Next {
    next: Option<String>,
}

#[derive(Deserialize)]
pub(super) struct Given {
    name: String,
    password: String,
    next: Option<String>,
}

fn page(shown: &Shown, code: StatusCode, next: &str, name: &str, fault: &'static str) -> Response {
    let sign_in = SignIn {
        frame: Frame::new(shown, "Sign in", None),
        next: origin::path_of_ours(next).to_owned(),
        name: name.to_owned(),
        fault,
        users: !shown.page.users.is_empty(),
        token: shown.page.token.is_some() || shown.http.token.is_some(),
    };
    reply::page(code, &sign_in)
}

/// The form.
pub(super) async fn form(State(shown): State<Arc<Shown>>, Query(Next { next }): Query<Next>) -> Response {
    page(&shown, StatusCode::OK, next.as_deref().unwrap_or("/"), "", "")
}

/// What came from it.
pub(super) async fn sign_in(
    State(shown): State<Arc<Shown>>,
    ConnectInfo(Peer(from)): ConnectInfo<Peer>,
    headers: HeaderMap,
    Form(given): Form<Given>,
) -> Response {
    let next = given.next.as_deref().unwrap_or("/");
    if !origin::is_from_our_page(&headers) {
        return reply::refused(
            &shown,
            StatusCode::FORBIDDEN,
            "This was not sent by a page of ours, so nobody was signed in.",
        );
    }
    let name = given.name.trim();
    if !is_name(name) {
        return page(&shown, StatusCode::UNPROCESSABLE_ENTITY, next, "", "Give your name, at most 100 characters.");
    }
    let role = match by_token(&shown, &given.password) {
        // Nobody signs in under a user's name with what is not that user's.
        Some(role) if !shown.page.users.iter().any(|user| user.name == name) => {
            if shown.passwords.may_try(from.ip()) {
                shown.passwords.was_right(from.ip());
                Ok(role)
            } else {
                Err(NotIn::TooOften)
            }
        }
        _ => shown.passwords.verify(&shown.page.users, name, given.password, from.ip()).await,
    };
    let role = match role {
        Ok(role) => role,
        Err(NotIn::Wrong) => {
            tracing::warn!(name, from = %from.ip(), "a sign-in was refused");
            return page(
                &shown,
                StatusCode::UNAUTHORIZED,
                next,
                name,
                "This name and password do not belong together.",
            );
        }
        Err(NotIn::TooOften) => {
            let fault = "Too many tries. Wait a minute and try again.";
            let mut response = page(&shown, StatusCode::TOO_MANY_REQUESTS, next, name, fault);
            response.headers_mut().insert(header::RETRY_AFTER, header::HeaderValue::from_static("60"));
            return response;
        }
    };
    match shown.sessions.open(name, role, Instant::now()) {
        Ok(key) => {
            tracing::info!(name, from = %from.ip(), "signed in");
            let mut response = Redirect::to(origin::path_of_ours(next)).into_response();
            if let Some(cookie) = set_cookie(&shown, Some(&key)) {
                response.headers_mut().insert(header::SET_COOKIE, cookie);
            }
            response
        }
        Err(error) => {
            tracing::error!(%error, "nobody can sign in: the system gives no random numbers");
            let words = "The system gives no random numbers, so nobody can be signed in safely.";
            reply::refused(&shown, StatusCode::INTERNAL_SERVER_ERROR, words)
        }
    }
}

/// What a token lets its bearer do: then the name is only what they say.
fn by_token(shown: &Shown, given: &str) -> Option<Role> {
    let is = |token: &Option<crate::config::secret::Secret>| token.as_ref().is_some_and(|token| token.matches(given));
    match (is(&shown.page.token), is(&shown.http.token)) {
        (true, _) => Some(Role::Act),
        (false, true) => Some(Role::Look),
        (false, false) => None,
    }
}

#[derive(Deserialize)]
pub(super) struct Out {
    form_token: String,
}

/// Ends the session.
pub(super) async fn sign_out(
    State(shown): State<Arc<Shown>>,
    visitor: Visitor,
    headers: HeaderMap,
    Form(out): Form<Out>,
) -> Response {
    if !visitor.sent(&out.form_token) {
        return reply::refused(
            &shown,
            StatusCode::FORBIDDEN,
            "This form is not of your session any more. Load the page again.",
        );
    }
    if let Some(key) = origin::cookie(&headers, cookie_name(&shown)) {
        shown.sessions.close(key);
    }
    let mut response = Redirect::to("/").into_response();
    if let Some(cookie) = set_cookie(&shown, None) {
        response.headers_mut().insert(header::SET_COOKIE, cookie);
    }
    response
}
