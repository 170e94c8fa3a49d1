//! Where a request comes from, by its headers: whether it was meant for us, and whether a page of ours sent it.
//!
//! Two attacks use a browser that can reach us. A foreign site lets its own name point to this machine (DNS
//! rebinding): then `Host` carries that name. A foreign page posts a form to us (cross-site request forgery): then
//! `Sec-Fetch-Site` or `Origin` says so, and no cookie of ours is sent along (`SameSite=Strict`).

use axum::http::{HeaderMap, header};

fn text<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    headers.get(name)?.to_str().ok()
}

/// The name in a `Host` header, without its port.
fn host_name(host: &str) -> &str {
    match host.strip_prefix('[') {
        Some(rest) => rest.split(']').next().unwrap_or_default(),
        None => host.rsplit_once(':').map_or(host, |(name, _)| name),
    }
}

/// Whether `Host` names this machine itself. A request without one is by no browser.
pub fn names_this_machine(headers: &HeaderMap) -> bool {
    let Some(host) = headers.get(header::HOST) else { return true };
    let name = host.to_str().map(host_name).unwrap_or_default();
    let address = name.parse::<std::net::IpAddr>().is_ok_and(|ip| ip.to_canonical().is_loopback());
    address || name.eq_ignore_ascii_case("localhost")
}

/// Whether a page of ours sent it. Browsers say so for every form; who says nothing is none and has to show a token.
pub fn is_from_our_page(headers: &HeaderMap) -> bool {
    match (text(headers, "sec-fetch-site"), text(headers, "origin"), text(headers, "host")) {
        (Some(site), ..) => site == "same-origin",
        (None, Some(origin), Some(host)) => {
            let authority = origin.split_once("://").map(|(_, authority)| authority);
            authority.is_some_and(|authority| authority.eq_ignore_ascii_case(host))
        }
        _ => false,
    }
}

/// The value of one of our cookies.
pub fn cookie<'h>(headers: &'h HeaderMap, name: &str) -> Option<&'h str> {
    let cookies = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    cookies.flat_map(|line| line.split(';')).find_map(|pair| pair.trim().strip_prefix(name)?.strip_prefix('='))
}

/// A path of ours to go to after signing in; anything else could lead away.
pub fn path_of_ours(next: &str) -> &str {
    let safe = next.starts_with('/')
        && !next.starts_with("//")
        && next.len() <= 2000
        && next.chars().all(|c| c.is_ascii_graphic() && c != '\\');
    if safe { next } else { "/" }
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::http::HeaderValue;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| ((*name).parse().expect("a name"), HeaderValue::from_str(value).expect("a value")))
            .collect()
    }

    #[test]
    fn only_our_own_names_are_ours() {
        for ours in [
            "localhost",
            "localhost:8720",
            "LOCALHOST:1",
            "127.0.0.1:8720",
            "127.9.9.9",
            "[::1]:80",
            "[::ffff:127.0.0.1]:1",
        ] {
            assert!(names_this_machine(&headers(&[("host", ours)])), "{ours}");
        }
        for other in [
            "",
            "plant.example",
            "plant.example:8720",
            "10.0.0.1",
            "localhost.plant.example",
            "[::2]",
            "127.0.0.1.plant.example:80",
        ] {
            assert!(!names_this_machine(&headers(&[("host", other)])), "{other}");
        }
        assert!(names_this_machine(&HeaderMap::new()));
    }

    #[test]
    fn a_form_of_another_page_is_seen() {
        for (pairs, ours) in [
            (vec![("host", "a:1"), ("sec-fetch-site", "same-origin"), ("origin", "null")], true),
            (vec![("host", "a:1"), ("sec-fetch-site", "cross-site"), ("origin", "http://a:1")], false),
            (vec![("host", "a:1"), ("sec-fetch-site", "same-site")], false),
            (vec![("host", "a:1"), ("sec-fetch-site", "none")], false),
            (vec![("host", "a:1"), ("origin", "http://a:1")], true),
            (vec![("host", "a:1"), ("origin", "http://a:2")], false),
            (vec![("host", "a:1"), ("origin", "http://b")], false),
            (vec![("host", "a:1"), ("origin", "null")], false),
            (vec![("host", "a:1")], false),
        ] {
            assert_eq!(is_from_our_page(&headers(&pairs)), ours, "{pairs:?}");
        }
    }

    #[test]
    fn cookies_and_paths() {
        let headers = headers(&[("cookie", "a=1; roundsman=abc; roundsman2=x")]);
        assert_eq!(cookie(&headers, "roundsman"), Some("abc"));
        assert_eq!(cookie(&headers, "b"), None);
        assert_eq!(path_of_ours("/machines/p?x=1"), "/machines/p?x=1");
        for bad in ["", "//evil.example", "http://evil.example", "/\\evil.example", "javascript:1", "/a\nb", "/a b"] {
            assert_eq!(path_of_ours(bad), "/", "{bad}");
        }
    }
}
