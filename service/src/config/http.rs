//! `[http]`: where the service can be looked at by HTTP, and what must be true before others can.
//!
//! The listener shows every machine's condition and, by its counters, how the plant runs. So: this machine only,
//! unless the file says who may look (a token, or a proxy that asks them) and how it is kept from everybody on the way
//! (that proxy's TLS, or the sentence of [`PLAINTEXT_STATEMENT`]). The listener speaks no TLS itself.

use super::exposure::{PLAINTEXT_STATEMENT, is_loopback, read_statement};
use super::secret::{Secret, read_secret};
use super::table::Table;
use std::net::{Ipv4Addr, SocketAddr};

/// Port unless the file says another.
pub const DEFAULT_PORT: u16 = 8720;
/// A token shorter than this can be tried out.
pub const SHORTEST_TOKEN: usize = 16;

/// `[http]`
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Http {
    /// Address to listen on; `None` is off. Port 0 takes a free one.
    pub listen: Option<SocketAddr>,
    /// What a request must carry, see [`Http::admits`]; `None` lets everybody in who can reach the address.
    pub token: Option<Secret>,
    /// A reverse proxy stands before it that asks who somebody is and speaks TLS.
    pub behind_proxy: bool,
    /// The file says that the token and all else may be read on the network.
    pub plaintext: bool,
}

impl Default for Http {
    fn default() -> Self {
        let listen = Some(SocketAddr::from((Ipv4Addr::LOCALHOST, DEFAULT_PORT)));
        Self { listen, token: None, behind_proxy: false, plaintext: false }
    }
}

impl Http {
    /// Whether a request with this `Authorization` header (its whole value, `None` without one) may be answered:
    /// `Bearer TOKEN` where a token is set, anything where none is.
    pub fn admits(&self, authorization: Option<&str>) -> bool {
        let Some(token) = &self.token else { return true };
        let given = authorization.and_then(|value| value.split_once(' '));
        given.is_some_and(|(scheme, given)| scheme.eq_ignore_ascii_case("bearer") && token.matches(given.trim()))
    }

    /// What is missing before it may listen where it is told to: the setting and the rule. Nothing on loopback.
    pub fn exposure_faults(&self) -> Vec<(&'static str, String)> {
        let Some(listen) = self.listen.filter(|listen| !is_loopback(listen.ip())) else { return Vec::new() };
        let ip = listen.ip();
        let mut faults = Vec::new();
        if self.token.is_none() && !self.behind_proxy {
            faults.push((
                "token_file",
                format!(
                    "is needed, since listen {ip} can be reached from other machines: name a file with a token, or say \
                     behind_proxy = true when a reverse proxy asks who they are"
                ),
            ));
        }
        if !self.plaintext && !self.behind_proxy {
            faults.push((
                "plaintext",
                format!(
                    "is needed, since listen {ip} can be reached from other machines and speaks no TLS: put a reverse \
                     proxy with TLS before it and say behind_proxy = true, or say plaintext = {PLAINTEXT_STATEMENT:?}"
                ),
            ));
        }
        faults
    }
}

/// Reads and checks the table.
pub(super) fn read_http(table: Table<'_>) -> Http {
    let mut http = Http::default();
    let before = table.faults_so_far();
    if let Some(spot) = table.get("listen")
        && let Some(text) = spot.text()
    {
        match read_listen(text) {
            Ok(listen) => http.listen = listen,
            Err(rule) => spot.fault(rule),
        }
    }
    http.token = read_secret(&table, "token");
    if http.token.as_ref().is_some_and(|token| token.reveal().len() < SHORTEST_TOKEN) {
        table.fault("token", format!("must be at least {SHORTEST_TOKEN} characters: openssl rand -hex 32 makes one"));
    }
    http.behind_proxy = table.get("behind_proxy").and_then(|spot| spot.truth()).unwrap_or(false);
    if let Some(spot) = table.get("plaintext")
        && let Some(text) = spot.text()
    {
        match read_statement(text) {
            Ok(()) => http.plaintext = true,
            Err(rule) => spot.fault(rule),
        }
    }
    // A token that could not be read is one fault, not two.
    if table.faults_so_far() == before {
        for (key, rule) in http.exposure_faults() {
            table.fault(key, rule);
        }
    }
    table.done();
    http
}

fn read_listen(text: &str) -> Result<Option<SocketAddr>, String> {
    if text == "off" {
        return Ok(None);
    }
    let address = match text.strip_prefix("localhost:") {
        Some(port) => port.parse().ok().map(|port: u16| SocketAddr::from((Ipv4Addr::LOCALHOST, port))),
        None => text.parse().ok(),
    };
    address
        .map(Some)
        .ok_or_else(|| format!("must be \"off\" or ADDRESS:PORT, for example \"127.0.0.1:{DEFAULT_PORT}\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(listen: &str) -> Http {
        Http { listen: read_listen(listen).expect(listen), ..Http::default() }
    }

    fn missing(http: &Http) -> Vec<&'static str> {
        http.exposure_faults().into_iter().map(|(key, _)| key).collect()
    }

    #[test]
    fn addresses() {
        assert_eq!(read_listen("off"), Ok(None));
        assert_eq!(at("localhost:0").listen, Some(SocketAddr::from((Ipv4Addr::LOCALHOST, 0))));
        assert_eq!(at("[::1]:80").listen.map(|a| a.port()), Some(80));
        for bad in ["", ":8720", "8720", "127.0.0.1", "plant:80", "localhost:99999", "::1:80x"] {
            assert!(read_listen(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn nothing_is_asked_for_on_this_machine() {
        for listen in ["off", "127.0.0.1:80", "localhost:80", "[::1]:80", "[::ffff:127.0.0.1]:80"] {
            assert_eq!(missing(&at(listen)), [] as [&str; 0], "{listen}");
        }
    }

    #[test]
    fn others_may_look_only_with_a_token_or_a_proxy_and_tls_or_the_sentence() {
        for listen in ["0.0.0.0:80", "10.0.0.1:80", "[::]:80", "[2001:db8::1]:80"] {
            let bare = at(listen);
            assert_eq!(missing(&bare), ["token_file", "plaintext"], "{listen}");
            let token = Http { token: Some(Secret::new("0123456789abcdef")), ..bare.clone() };
            assert_eq!(missing(&token), ["plaintext"]);
            assert_eq!(missing(&Http { plaintext: true, ..bare.clone() }), ["token_file"]);
            assert_eq!(missing(&Http { plaintext: true, ..token }), [] as [&str; 0]);
            assert_eq!(missing(&Http { behind_proxy: true, ..bare }), [] as [&str; 0]);
        }
    }

    #[test]
    fn a_request_is_let_in_by_its_token() {
        let http = Http { token: Some(Secret::new("0123456789abcdef")), ..Http::default() };
        assert!(http.admits(Some("Bearer 0123456789abcdef")) && http.admits(Some("bearer 0123456789abcdef")));
        for bad in
            [None, Some(""), Some("Bearer"), Some("Bearer "), Some("0123456789abcdef"), Some("Basic 0123456789abcdef")]
        {
            assert!(!http.admits(bad), "{bad:?}");
        }
        assert!(Http::default().admits(None));
    }
}
