//! `[historian]`: a PostgreSQL database that gets a copy of what is kept, and what must be true before a password goes
//! to it.

use super::exposure::{PLAINTEXT_STATEMENT, is_loopback_host, read_statement};
use super::secret::{Secret, read_secret};
use super::table::Table;
use super::tls::read_tls;
use crate::acquire::mqtt::tls::Tls;
use std::path::PathBuf;

/// Where PostgreSQL listens on Debian, for a file that names no host.
pub const DEFAULT_SOCKET: &str = "/var/run/postgresql";
/// PostgreSQL's port.
pub const DEFAULT_PORT: u16 = 5432;
/// Longest name PostgreSQL keeps whole, bytes.
const LONGEST_NAME: usize = 63;

/// How the database is reached.
#[derive(Debug, Clone, PartialEq)]
pub enum Place {
    /// A folder with its socket, on this machine.
    Socket(PathBuf),
    /// Over a network.
    Network {
        /// Host name or address.
        host: String,
        /// `None`: in the open.
        tls: Option<Tls>,
    },
}

/// What of the state is sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sent {
    /// Trend rows of the readings, all widths.
    pub trend: bool,
    /// What the models made of each asset, in rows of the same widths.
    pub scores: bool,
    /// Alert documents.
    pub alerts: bool,
    /// The audit of commands.
    pub audit: bool,
}

/// `[historian]`
#[derive(Debug, Clone, PartialEq)]
pub struct Historian {
    /// How it is reached.
    pub place: Place,
    /// Its port; part of the socket's name too.
    pub port: u16,
    /// Database.
    pub database: String,
    /// Role.
    pub username: String,
    /// Its password; none where the server asks for none.
    pub password: Option<Secret>,
    /// Schema our tables are in.
    pub schema: String,
    /// What is sent.
    pub sent: Sent,
}

impl Historian {
    /// For the log: where it is, and nothing secret.
    pub fn address(&self) -> String {
        match &self.place {
            Place::Socket(folder) => format!("{}/.s.PGSQL.{}/{}", folder.display(), self.port, self.database),
            Place::Network { host, .. } => format!("{host}:{}/{}", self.port, self.database),
        }
    }
}

/// Reads and checks the table; `None` when the file has none.
pub(super) fn read_historian(table: Table<'_>) -> Option<Historian> {
    if !table.is_there() {
        return None;
    }
    let text = |key| table.get(key).and_then(|spot| spot.text().map(str::to_owned));
    let host = text("host").unwrap_or_else(|| DEFAULT_SOCKET.to_owned());
    if host.is_empty() || host.contains(|c: char| c.is_whitespace() || c.is_control() || c == '@' || c == '?') {
        table.fault("host", "must be a host name, an address, or the folder of a socket that begins with /");
    }
    let port = table.get("port").and_then(|spot| spot.whole(1, 65_535)).map_or(DEFAULT_PORT, |port| port as u16);
    let database = text("database");
    if database.is_none() && table.get("database").is_none() {
        table.fault("database", "is needed: the name of a database that is there already");
    }
    let username = text("username").unwrap_or_else(|| "roundsman".to_owned());
    let password = read_secret(&table, "password");
    let place = read_place(&table, host, password.is_some());
    let schema = read_schema(&table);
    let sent = read_sent(&table);
    table.done();
    Some(Historian { place: place?, port, database: database?, username, password, schema, sent: sent? })
}

fn read_place(table: &Table<'_>, host: String, password: bool) -> Option<Place> {
    let socket = host.starts_with('/');
    let near = socket || is_loopback_host(&host);
    let spot = table.get("tls");
    let wanted = spot.as_ref().and_then(|spot| spot.truth());
    if socket {
        for spot in spot.iter().filter(|_| wanted == Some(true)) {
            spot.fault("must be left out: a socket on this machine needs no TLS, and PostgreSQL speaks none on it");
        }
    }
    let encrypted = !socket && wanted.unwrap_or(!near);
    let unwanted = "is for TLS only, and this connection has none: set tls = true";
    let tls = read_tls(table, encrypted, unwanted);
    let accepted = match table.get("plaintext_password").and_then(|spot| Some((spot.text()?, spot))) {
        Some((text, spot)) => match read_statement(text) {
            Ok(()) => true,
            Err(rule) => {
                spot.fault(rule);
                return None;
            }
        },
        None => false,
    };
    if password && !near && !encrypted && !accepted {
        table.fault(
            "plaintext_password",
            format!(
                "is needed, since the password would go to {host} unencrypted: leave tls = false out, or say \
                 plaintext_password = {PLAINTEXT_STATEMENT:?}"
            ),
        );
    }
    match (socket, encrypted, tls) {
        (true, ..) => Some(Place::Socket(host.into())),
        // Its files have faults, which are told.
        (false, true, None) => None,
        (false, _, tls) => Some(Place::Network { host, tls }),
    }
}

fn read_schema(table: &Table<'_>) -> String {
    let Some(spot) = table.get("schema") else { return "roundsman".to_owned() };
    let Some(text) = spot.text() else { return String::new() };
    let begins = text.starts_with(|c: char| c.is_ascii_lowercase() || c == '_');
    let plain = text.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
    if !begins || !plain || text.len() > LONGEST_NAME || text.starts_with("pg_") {
        spot.fault(format!(
            "must be 1 to {LONGEST_NAME} of a to z, 0 to 9 and _, beginning with a letter or _ and not with pg_"
        ));
    }
    text.to_owned()
}

fn read_sent(table: &Table<'_>) -> Option<Sent> {
    let Some(spot) = table.get("send") else {
        return Some(Sent { trend: true, scores: true, alerts: true, audit: true });
    };
    let mut sent = Sent { trend: false, scores: false, alerts: false, audit: false };
    let items = spot.items()?;
    if items.is_empty() {
        spot.fault(
            "must name something: \"trend\", \"scores\", \"alerts\", \"audit\"; leave [historian] out to send nothing",
        );
    }
    for item in items {
        match item.one_of(&[("trend", 0), ("alerts", 1), ("audit", 2), ("scores", 3)])? {
            0 => sent.trend = true,
            3 => sent.scores = true,
            1 => sent.alerts = true,
            _ => sent.audit = true,
        }
    }
    Some(sent)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Fault, Sources, from_text};

    fn read(lines: &str) -> Result<Option<Historian>, Vec<Fault>> {
        let text = format!("[historian]\n{lines}");
        from_text(Some(&text), &Sources::default()).map(|config| config.historian)
    }

    fn faulty(lines: &str) -> Vec<String> {
        read(lines).expect_err(lines).into_iter().map(|fault| fault.path).collect()
    }

    fn password() -> (tempfile::NamedTempFile, String) {
        let file = tempfile::NamedTempFile::new().expect("a file");
        std::fs::write(file.path(), "hunter2\n").expect("written");
        let line = format!("password_file = {:?}", file.path().display().to_string());
        (file, line)
    }

    #[test]
    fn a_socket_on_this_machine_is_the_default() {
        let none = from_text(Some(""), &Sources::default()).expect("no faults");
        assert_eq!(none.historian, None);
        let found = read("database = \"plant\"").expect("no faults").expect("one");
        assert_eq!(found.place, Place::Socket(DEFAULT_SOCKET.into()));
        assert_eq!((found.port, found.username.as_str(), found.schema.as_str()), (5432, "roundsman", "roundsman"));
        assert_eq!(found.sent, Sent { trend: true, scores: true, alerts: true, audit: true });
        assert_eq!(found.address(), "/var/run/postgresql/.s.PGSQL.5432/plant");
    }

    #[test]
    fn a_password_goes_to_another_machine_only_encrypted_or_by_the_sentence() {
        let (_file, secret) = password();
        let open = format!("database = \"plant\"\nhost = \"db.quillhaven.example\"\ntls = false\n{secret}");
        assert_eq!(faulty(&open), ["historian.plaintext_password"]);
        let said = format!("{open}\nplaintext_password = {PLAINTEXT_STATEMENT:?}");
        assert!(read(&said).expect("no faults").is_some());
        for near in ["localhost", "127.0.0.1", "::1"] {
            let near = format!("database = \"plant\"\nhost = \"{near}\"\n{secret}");
            let found = read(&near).expect("no faults").expect("one");
            assert!(matches!(found.place, Place::Network { tls: None, .. }), "{found:?}");
            assert!(!format!("{found:?}").contains("hunter2"));
        }
        assert_eq!(faulty("database = \"d\"\nhost = \"db\"\nca_file = \"/no/such\""), ["historian.ca_file"], "TLS");
    }

    #[test]
    fn every_fault_is_named() {
        assert_eq!(faulty("port = 1"), ["historian.database"]);
        assert_eq!(faulty("database = \"d\"\nschema = \"Plant\""), ["historian.schema"]);
        assert_eq!(faulty("database = \"d\"\nschema = \"a\\\"; DROP\""), ["historian.schema"]);
        assert_eq!(faulty("database = \"d\"\nsend = []"), ["historian.send"]);
        assert_eq!(faulty("database = \"d\"\nsend = [\"alarms\"]"), ["historian.send[1]"]);
        assert_eq!(faulty("database = \"d\"\nhost = \"u:p@db\"\ntls = false"), ["historian.host"]);
        assert_eq!(faulty("database = \"d\"\nca_file = \"x\""), ["historian.ca_file"], "a socket has no TLS");
        assert_eq!(faulty("database = \"d\"\npassword = \"x\""), ["historian.password"], "not in the file");
        assert_eq!(faulty("database = \"d\"\nurl = \"x\""), ["historian.url"]);
    }
}
