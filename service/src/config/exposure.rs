//! What may cross a network in the open, and how a configuration says that it is meant.

use std::net::IpAddr;

/// The sentence a configuration must hold, word for word, before a secret goes over a network unencrypted. Nobody
/// writes it by accident, and whoever reads the file later sees what was decided.
pub const PLAINTEXT_STATEMENT: &str = "I accept that anyone on the network can read it";

/// Whether an address is this machine's own.
pub fn is_loopback(address: IpAddr) -> bool {
    address.to_canonical().is_loopback()
}

/// Whether a host is this machine, as far as its name says. A name other than `localhost` is looked up when
/// connecting, by servers that others run: it counts as elsewhere.
pub fn is_loopback_host(host: &str) -> bool {
    host.eq_ignore_ascii_case("localhost") || host.parse().is_ok_and(is_loopback)
}

/// `text` is the [`PLAINTEXT_STATEMENT`]; the rule otherwise.
pub(super) fn read_statement(text: &str) -> Result<(), String> {
    if text == PLAINTEXT_STATEMENT {
        Ok(())
    } else {
        Err(format!("must be left out, or be exactly {PLAINTEXT_STATEMENT:?}"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_this_machine_is_loopback() {
        for host in ["localhost", "LOCALHOST", "127.0.0.1", "127.8.9.1", "::1", "::ffff:127.0.0.1"] {
            assert!(is_loopback_host(host), "{host}");
        }
        for host in ["", "localhost.plant", "10.0.0.1", "0.0.0.0", "::", "::ffff:10.0.0.1", "128.0.0.1", "broker"] {
            assert!(!is_loopback_host(host), "{host}");
        }
    }
}
