//! The TLS keys of a connection: of `[broker]` and of `[historian]`.

use super::table::Table;
use crate::acquire::mqtt::tls::{Tls, TlsFiles};

const KEYS: [&str; 4] = ["ca_file", "certificate_file", "key_file", "server_name"];

/// Reads the keys and the files they name; `wanted`: the connection is encrypted. `unwanted` is said of keys where it is not.
pub(super) fn read_tls(table: &Table<'_>, wanted: bool, unwanted: &str) -> Option<Tls> {
    let text = |key| table.get(key).and_then(|spot| spot.text());
    let [ca, certificate, key, server_name] = KEYS.map(text);
    if !wanted {
        for spot in KEYS.iter().filter_map(|key| table.get(key)) {
            // Whoever set it believes the connection to be encrypted.
            spot.fault(unwanted);
        }
        return None;
    }
    let files = TlsFiles {
        ca_file: ca.map(Into::into),
        certificate_file: certificate.map(Into::into),
        key_file: key.map(Into::into),
        server_name: server_name.map(str::to_owned),
    };
    match Tls::new(&files) {
        Ok(tls) => Some(tls),
        Err(faults) => {
            for fault in faults {
                match table.get(fault.setting) {
                    Some(spot) => spot.fault(fault.rule),
                    None => table.fault(fault.setting, fault.rule),
                }
            }
            None
        }
    }
}
