//! Style and script of the pages, out of the binary. Their address carries a hash of their content, so that a browser
//! may keep them and asks again when they change.

use crate::acquire::mqtt::backoff::fnv1a;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::sync::OnceLock;

/// One of them.
pub struct Fixed {
    kind: &'static str,
    content: &'static str,
    address: String,
}

impl Fixed {
    fn new(name: &str, kind: &'static str, content: &'static str) -> Self {
        let address = format!("/fixed/{:016x}-{name}", fnv1a(content.as_bytes()));
        Self { kind, content, address }
    }

    /// Where it is.
    pub fn address(&self) -> &str {
        &self.address
    }
}

/// The style sheet.
pub fn style() -> &'static Fixed {
    static STYLE: OnceLock<Fixed> = OnceLock::new();
    STYLE.get_or_init(|| Fixed::new("page.css", "text/css; charset=utf-8", include_str!("assets/page.css")))
}

/// The script of every page.
pub fn script() -> &'static Fixed {
    static SCRIPT: OnceLock<Fixed> = OnceLock::new();
    SCRIPT.get_or_init(|| Fixed::new("page.js", "text/javascript; charset=utf-8", include_str!("assets/page.js")))
}

/// The style sheet of a machine's page.
pub fn machine_style() -> &'static Fixed {
    static STYLE: OnceLock<Fixed> = OnceLock::new();
    STYLE.get_or_init(|| Fixed::new("machine.css", "text/css; charset=utf-8", include_str!("assets/machine.css")))
}

/// The script of a machine's page.
pub fn machine_script() -> &'static Fixed {
    static SCRIPT: OnceLock<Fixed> = OnceLock::new();
    SCRIPT.get_or_init(|| Fixed::new("machine.js", "text/javascript; charset=utf-8", include_str!("assets/machine.js")))
}

/// `/fixed/…`
pub(super) async fn serve(Path(name): Path<String>) -> Response {
    let asked = |fixed: &&Fixed| fixed.address.strip_prefix("/fixed/") == Some(name.as_str());
    let Some(fixed) = [style(), script(), machine_style(), machine_script()].into_iter().find(asked) else {
        return (StatusCode::NOT_FOUND, "there is no such file\n").into_response();
    };
    let headers = [(header::CONTENT_TYPE, fixed.kind), (header::CACHE_CONTROL, "public, max-age=31536000, immutable")];
    (headers, fixed.content).into_response()
}
