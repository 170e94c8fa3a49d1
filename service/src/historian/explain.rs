//! What PostgreSQL said, with what a person can do about it.

use std::error::Error as _;
use tokio_postgres::Error;
use tokio_postgres::error::SqlState;

/// Why a step did not succeed.
#[derive(Debug)]
pub enum Trouble {
    /// Tried again after a while; in words.
    Again(String),
    /// The database does not take the rows themselves.
    Rows(String),
}

impl Trouble {
    /// In words.
    pub fn words(&self) -> &str {
        match self {
            Self::Again(words) | Self::Rows(words) => words,
        }
    }
}

/// Classes 22 (data exception) and 23 (integrity constraint violation) of the standard's SQLSTATE are about the rows:
/// trying again gives the same.
impl From<Error> for Trouble {
    fn from(error: Error) -> Self {
        let state = error.code().map(SqlState::code).unwrap_or_default();
        let words = sentence(&error);
        if state.starts_with("22") || state.starts_with("23") { Self::Rows(words) } else { Self::Again(words) }
    }
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        Self::Again(format!("state.db cannot be read: {error}"))
    }
}

/// One sentence: the server's word, or the network's, and the remedy.
pub fn sentence(error: &Error) -> String {
    let mut words = match error.as_db_error() {
        Some(server) => format!("{} ({})", server.message(), server.code().code()),
        None => {
            // The chain holds the useful end: which address, and what the system said.
            let mut words = error.to_string();
            let mut next = error.source();
            while let Some(cause) = next {
                let cause_words = cause.to_string();
                if !words.contains(&cause_words) {
                    words = format!("{words}: {cause_words}");
                }
                next = cause.source();
            }
            words
        }
    };
    let remedy = match error.code() {
        Some(state) => remedy(state),
        // rustls's words for whatever is wrong with the server's certificate.
        None if words.contains("invalid peer certificate") => {
            "historian.ca_file must hold the authority that issued the server's certificate, and the certificate must be \
             valid and bear the name in historian.host, or historian.server_name"
        }
        None if words.contains("server does not support TLS") => {
            "let the server speak it (ssl = on), or set historian.tls = false and read what that asks for"
        }
        None => "",
    };
    if !remedy.is_empty() {
        words = format!("{words}: {remedy}");
    }
    words
}

/// Names of the conditions: PostgreSQL 15, appendix A.
fn remedy(state: &SqlState) -> &'static str {
    match state.code() {
        "28P01" | "28000" => "see historian.username and historian.password_file, and the server's pg_hba.conf",
        "3D000" => "make the database (CREATE DATABASE ... ENCODING 'UTF8'), or mend historian.database",
        "42501" => {
            "let the role make and write its tables: GRANT CREATE ON DATABASE ... TO ..., or make the schema for it \
             (CREATE SCHEMA ... AUTHORIZATION ...)"
        }
        "53100" => "the server's disk is full: make room there; it goes on by itself",
        "53300" => "the server has no connection free; it goes on by itself",
        "57P03" => "it goes on by itself",
        "25006" => "this server only reads (a standby?): name the one that writes in historian.host",
        _ => "",
    }
}
