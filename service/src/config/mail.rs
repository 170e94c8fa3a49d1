//! `[mail]` and `[[mail.to]]`: how mail is sent, and who is told of what.

use super::exposure::{PLAINTEXT_STATEMENT, is_loopback_host, read_statement};
use super::secret::{Secret, read_secret};
use super::table::{Spot, Table};
use crate::acquire::mqtt::tls::{Tls, TlsFiles};
use crate::advise::document::Severity;
use crate::mail::due::address;
use jiff::civil::Time;
use lettre::message::Mailbox;
use std::path::PathBuf;

/// `[mail]`
#[derive(Debug, Clone, PartialEq)]
pub struct Mail {
    /// Host name or address of the SMTP server.
    pub server: String,
    /// Its port.
    pub port: u16,
    /// How the connection is kept from others.
    pub security: Security,
    /// PEM file with the certificates of those who may vouch for the server; the system's own when absent.
    pub ca_file: Option<PathBuf>,
    /// User name and password.
    pub login: Option<(String, Secret)>,
    /// Sender.
    pub from: Mailbox,
    /// When the digest is sent, in the site's zone; `None`: never.
    pub digest_at: Option<Time>,
    /// Paper of the report that is attached; `None` attaches none.
    pub report: Option<Paper>,
    /// Address of the page, for a link; without a slash at its end.
    pub page: Option<String>,
    /// Transitions of alerts that wait for the server at most.
    pub waiting_limit: u64,
    /// Who is told of what.
    pub rules: Vec<Rule>,
}

impl Mail {
    /// Everybody the rules name, each once, in their order.
    pub fn everybody(&self) -> Vec<Mailbox> {
        let mut all: Vec<Mailbox> = Vec::new();
        for person in self.rules.iter().flat_map(|rule| &rule.people) {
            if !all.iter().any(|known| address(known) == address(person)) {
                all.push(person.clone());
            }
        }
        all
    }
}

/// How a connection is kept from others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Security {
    /// Plain at first, and no mail before it is encrypted.
    StartTls,
    /// Encrypted from the first byte.
    Tls,
    /// Not at all.
    Plain,
}

/// Paper of a report.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Paper {
    /// ISO 216 A4, 210 mm × 297 mm.
    #[default]
    A4,
    /// US Letter, 8.5 in × 11 in.
    Letter,
}

/// `[[mail.to]]`
#[derive(Debug, Clone, PartialEq)]
pub struct Rule {
    /// Who.
    pub people: Vec<Mailbox>,
    /// From this severity on.
    pub at_least: Severity,
    /// Only assets of these areas; empty: all.
    pub areas: Vec<String>,
    /// Only assets of these classes; empty: all.
    pub classes: Vec<String>,
    /// Mail is held back between these two times of the site's zone; the first may be later in the day than the second.
    pub quiet: Option<(Time, Time)>,
    /// Alarms are not held back.
    pub alarms_break_quiet: bool,
    /// They get the digest.
    pub digest: bool,
}

/// Reads and checks the table. `has_zone`: the site's zone is set.
pub(super) fn read_mail(table: Table<'_>, has_zone: bool) -> Option<Mail> {
    if !table.is_there() {
        return None;
    }
    let before = table.faults_so_far();
    let security = table.get("security").and_then(|spot| {
        spot.one_of(&[("starttls", Security::StartTls), ("tls", Security::Tls), ("plain", Security::Plain)])
    });
    let security = security.unwrap_or(Security::StartTls);
    let usual = match security {
        Security::StartTls => 587,
        Security::Tls => 465,
        Security::Plain => 25,
    };
    let port = table.get("port").and_then(|spot| spot.whole(1, 65_535)).map_or(usual, |port| port as u16);
    let server = needed(&table, "server", "for example \"smtp.example.org\"", |spot| {
        let host = spot.text()?;
        if host.is_empty() || host.len() > 255 || host.contains(|c: char| c.is_whitespace() || "/@[]".contains(c)) {
            spot.fault("must be a host name or an address, without port and user");
            return None;
        }
        Some(host.to_owned())
    });
    let from = needed(&table, "from", "for example \"Machines <machines@example.org>\"", mailbox);
    let ca_file = read_ca_file(&table, security);
    let login = read_login(&table, security, server.as_deref());
    let digest_at = table.get("digest_at").and_then(|spot| clock(&spot));
    let report = match table.get("report") {
        None => Some(Paper::A4),
        Some(spot) => {
            spot.one_of(&[("a4", Some(Paper::A4)), ("letter", Some(Paper::Letter)), ("none", None)]).flatten()
        }
    };
    let page = table.get("page").and_then(|spot| {
        let address = spot.text()?;
        let good = (address.starts_with("http://") || address.starts_with("https://"))
            && address.len() <= 500
            && address.chars().all(|c| c.is_ascii_graphic());
        if !good {
            spot.fault("must be the address people reach the page at, for example \"https://roundsman.example.org\"");
        }
        good.then(|| address.trim_end_matches('/').to_owned())
    });
    let waiting_limit = table.get("waiting_limit").and_then(|spot| spot.whole(10, 1_000_000)).unwrap_or(10_000);
    let rules = read_rules(&table);
    if !has_zone && (digest_at.is_some() || rules.iter().any(|rule| rule.quiet.is_some())) {
        table.fault(
            "digest_at",
            "and quiet need to know whose clock is meant: set site.zone, for example \"Europe/Berlin\"",
        );
    }
    let whole = table.faults_so_far() == before;
    table.done();
    let (true, Some(server), Some(from)) = (whole, server, from) else { return None };
    Some(Mail { server, port, security, ca_file, login, from, digest_at, report, page, waiting_limit, rules })
}

fn needed<T>(table: &Table<'_>, key: &str, example: &str, read: impl FnOnce(&Spot<'_>) -> Option<T>) -> Option<T> {
    let Some(spot) = table.get(key) else {
        table.fault(key, format!("is needed, {example}"));
        return None;
    };
    read(&spot)
}

fn mailbox(spot: &Spot<'_>) -> Option<Mailbox> {
    match spot.text()?.parse() {
        Ok(mailbox) => Some(mailbox),
        Err(_) => {
            spot.fault("must be a mail address, for example \"ada@example.org\" or \"Ada <ada@example.org>\"");
            None
        }
    }
}

fn read_ca_file(table: &Table<'_>, security: Security) -> Option<PathBuf> {
    let spot = table.get("ca_file");
    if security == Security::Plain {
        if let Some(spot) = spot {
            // Whoever set it believes the connection to be encrypted.
            spot.fault("is for security \"starttls\" and \"tls\" only");
        }
        return None;
    }
    let path = match &spot {
        Some(spot) => Some(PathBuf::from(spot.text()?)),
        None => None,
    };
    // Read once here, so that a fault of it shows now and not with the first alert at night.
    if let Err(faults) = Tls::new(&TlsFiles { ca_file: path.clone(), ..TlsFiles::default() }) {
        for fault in faults {
            match &spot {
                Some(spot) => spot.fault(fault.rule),
                None => table.fault(fault.setting, fault.rule),
            }
        }
        return None;
    }
    path
}

fn read_login(table: &Table<'_>, security: Security, server: Option<&str>) -> Option<(String, Secret)> {
    let before = table.faults_so_far();
    let username = table.get("username").and_then(|spot| spot.text()).map(str::to_owned);
    let password = read_secret(table, "password");
    let mut accepted = false;
    if let Some(spot) = table.get("plaintext_password")
        && let Some(text) = spot.text()
    {
        match read_statement(text) {
            Ok(()) => accepted = true,
            Err(rule) => spot.fault(rule),
        }
    }
    if table.faults_so_far() > before {
        // A password that could not be read is one fault, not two.
        return None;
    }
    match (username, password) {
        (Some(username), Some(password)) => {
            if let Some(server) = server
                && security == Security::Plain
                && !accepted
                && !is_loopback_host(server)
            {
                table.fault(
                    "plaintext_password",
                    format!(
                        "is needed, since the password would go to {server} unencrypted: use security = \"starttls\" or \
                         \"tls\", or say plaintext_password = {PLAINTEXT_STATEMENT:?}"
                    ),
                );
            }
            Some((username, password))
        }
        (None, None) => None,
        (Some(_), None) => {
            table.fault("password_file", "is needed where there is a username");
            None
        }
        (None, Some(_)) => {
            table.fault("username", "is needed where there is a password");
            None
        }
    }
}

fn read_rules(table: &Table<'_>) -> Vec<Rule> {
    let Some(spot) = table.get("to") else {
        table.fault("to", "is needed: at least one [[mail.to]] table with people = [\"ada@example.org\"]");
        return Vec::new();
    };
    let Some(items) = spot.items() else { return Vec::new() };
    items.iter().filter_map(Spot::table).map(read_rule).collect()
}

fn read_rule(table: Table<'_>) -> Rule {
    let names = |key| {
        let items = table.get(key).and_then(|spot| spot.items()).unwrap_or_default();
        items.iter().filter_map(|spot| spot.text()).map(str::to_owned).collect::<Vec<_>>()
    };
    let people = match table.get("people") {
        Some(spot) => {
            let items = spot.items().unwrap_or_default();
            if items.is_empty() {
                spot.fault("must name at least one mail address");
            }
            items.iter().filter_map(mailbox).collect()
        }
        None => {
            table.fault("people", "is needed, for example [\"ada@example.org\"]");
            Vec::new()
        }
    };
    let severities = [("advisory", Severity::Advisory), ("warning", Severity::Warning), ("alarm", Severity::Alarm)];
    let at_least = table.get("at_least").and_then(|spot| spot.one_of(&severities)).unwrap_or(Severity::Warning);
    let truth = |key, unless_set| table.get(key).and_then(|spot| spot.truth()).unwrap_or(unless_set);
    let rule = Rule {
        people,
        at_least,
        areas: names("areas"),
        classes: names("classes"),
        quiet: table.get("quiet").and_then(|spot| quiet(&spot)),
        alarms_break_quiet: truth("alarms_break_quiet", true),
        digest: truth("digest", true),
    };
    table.done();
    rule
}

fn clock(spot: &Spot<'_>) -> Option<Time> {
    let time = read_clock(spot.text()?);
    if time.is_none() {
        spot.fault("must be a time of day, for example \"06:00\"");
    }
    time
}

fn quiet(spot: &Spot<'_>) -> Option<(Time, Time)> {
    let times = spot.text()?.split_once('-');
    let times = times.and_then(|(from, to)| Some((read_clock(from.trim())?, read_clock(to.trim())?)));
    let times = times.filter(|(from, to)| from != to);
    if times.is_none() {
        spot.fault("must be two different times of day, for example \"22:00-06:00\"");
    }
    times
}

fn read_clock(text: &str) -> Option<Time> {
    let (hour, minute) = text.split_once(':')?;
    let digits = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
    if !digits(hour) || !digits(minute) {
        return None;
    }
    Time::new(hour.parse().ok()?, minute.parse().ok()?, 0, 0).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_day() {
        assert_eq!(read_clock("06:30"), Time::new(6, 30, 0, 0).ok());
        for bad in ["", "6:30", "24:00", "06:60", "06:30:00", "-1:00", "aa:bb"] {
            assert_eq!(read_clock(bad), None, "{bad}");
        }
    }
}
