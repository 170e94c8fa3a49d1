//! Templates → answers.

use super::Shown;
use super::frame::Frame;
use askama::Template;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

/// A page, or a part of one.
pub fn page(code: StatusCode, template: &impl Template) -> Response {
    match template.render() {
        Ok(text) => (code, [(header::CONTENT_TYPE, "text/html; charset=utf-8")], text).into_response(),
        Err(error) => {
            tracing::error!(%error, "a page cannot be written; this is a fault of roundsman");
            (StatusCode::INTERNAL_SERVER_ERROR, "this page cannot be written; see the log\n").into_response()
        }
    }
}

#[derive(Template)]
#[template(path = "refused.html")]
struct Refused {
    frame: Frame,
    words: String,
}

/// Why something was not done.
pub fn refused(shown: &Shown, code: StatusCode, words: &str) -> Response {
    let title = if code == StatusCode::NOT_FOUND { "Not here" } else { "Not done" };
    page(code, &Refused { frame: Frame::new(shown, title, None), words: words.to_owned() })
}
