//! `check --listen --write`: a configuration proposed from what a broker carries, for a person to edit.
//!
//! It says why at every line that is a guess. Units that nobody said are guessed from name and values and marked; what
//! cannot be guessed is left out and said. Limits are never proposed: they are the owner's to set.

mod points;
mod shape;
mod tree;

#[cfg(test)]
mod tests;

use super::Seen;
use crate::config::{Broker, Fault, Protocol, Sources, from_text, zone_names};
use roundsman_models::EventTime;
use std::fmt::Write;
use std::path::Path;

/// Where it was listened, for the `[broker]` table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// `mqtt://host:1883`.
    pub url: String,
    /// MQTT 3.1.1.
    pub version_3: bool,
    /// Account, when one was used.
    pub username: Option<String>,
    /// First level of what we publish ourselves: never read back.
    pub own_prefix: String,
}

impl Place {
    /// Of a configuration's broker.
    pub fn of(broker: &Broker, own_prefix: &str) -> Self {
        let scheme = if broker.tls.is_some() { "mqtts" } else { "mqtt" };
        let host = if broker.host.contains(':') { format!("[{}]", broker.host) } else { broker.host.clone() };
        Self {
            url: format!("{scheme}://{host}:{}", broker.port),
            version_3: broker.protocol != Protocol::V5,
            username: broker.username.clone(),
            own_prefix: own_prefix.to_owned(),
        }
    }
}

/// A proposal.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Proposal {
    /// The file.
    pub text: String,
    /// Assets in it.
    pub assets: usize,
    /// Points in it.
    pub points: usize,
    /// Of those, points with a unit nobody said.
    pub guessed: usize,
    /// Topics that fit no pattern of it.
    pub left_out: usize,
}

impl Proposal {
    /// What was done and what to do next.
    pub fn summary(&self, path: &Path) -> String {
        let file = path.display();
        let left_out = match self.left_out {
            0 => String::new(),
            n => format!(" {n} topics are left out, with the reason in it."),
        };
        format!(
            "{file}: {} assets with {} points; {} of their units are guesses.{left_out}\n\
             Read it, edit it, then: roundsman check --config {file} --listen 30s",
            self.assets, self.points, self.guessed
        )
    }
}

/// Makes one. `secs`: how long it was listened.
///
/// # Errors
/// Nothing usable was heard, or what was made of it has faults (a fault of ours).
pub fn propose(seen: &[Seen], place: &Place, secs: f64) -> Result<Proposal, Vec<Fault>> {
    let own = format!("{}/", place.own_prefix);
    let theirs: Vec<&Seen> =
        seen.iter().filter(|m| !m.topic.starts_with(&own) && !shape::is_ours(&m.payload)).collect();
    let found = tree::rules(&theirs);
    if found.rules.is_empty() {
        let rule = match theirs.len() {
            0 => {
                "must carry readings while it is listened to: nothing came (access rules, or too short a time?)".into()
            }
            n => format!("must carry readings that can be read: {n} messages came and none fits{}", found.why()),
        };
        return Err(vec![Fault { path: place.url.clone(), rule, got: None, origin: None }]);
    }
    let mut topics = String::new();
    for rule in &found.rules {
        rule.write(&mut topics);
    }
    found.write_left_out(&mut topics);

    // Read with the code that `run` reads with, so that what is proposed is what will be understood.
    let head = head(place, secs, theirs.len(), None);
    let draft = checked(&format!("{head}{topics}"))?;
    let points = points::gather(&draft, &theirs);
    let behind = points.offset_secs().filter(|secs| secs.abs() > 3600.0);
    let head = self::head(place, secs, theirs.len(), behind);
    let mut assets = String::new();
    points.write(&mut assets);
    let text = format!("{head}{topics}{assets}");
    checked(&text)?;
    let (assets, count, guessed) = points.counts();
    Ok(Proposal { text, assets, points: count, guessed, left_out: found.left_out() })
}

fn checked(text: &str) -> Result<crate::config::Checked, Vec<Fault>> {
    from_text(Some(text), &Sources { zones: zone_names(), needs_broker: true, ..Sources::default() })
}

/// The file down to the topics.
fn head(place: &Place, secs: f64, messages: usize, behind_secs: Option<f64>) -> String {
    let mut text = String::new();
    // Writing to a String cannot fail.
    let _ = writeln!(
        text,
        "# Proposed by `roundsman check --listen` from {messages} messages heard in {secs:.0} s on {url}.\n\
         # For a person to edit: lines marked GUESS rest on a name or on the size of values; machines and points that were\n\
         # silent meanwhile are not here. `roundsman check --config FILE --listen` shows what maps to what.\n\
         # It advises people. It is no protection system: it trips nothing and must not be relied on to.\n\n\
         [site]\n\
         # One level of every topic that is published: your site's name.\n\
         name = \"site\"\n\n\
         [broker]\n\
         url = {quoted}",
        url = place.url,
        quoted = quoted(&place.url),
    );
    if place.version_3 {
        let _ = writeln!(text, "protocol = 3");
    }
    if let Some(username) = &place.username {
        let _ = writeln!(
            text,
            "username = {}\n# Its password: a file with mode 0600, or ROUNDSMAN__BROKER__PASSWORD. It is not written here.\n\
             #password_file = \"/etc/roundsman/broker-password\"",
            quoted(username)
        );
    }
    if let Some(secs) = behind_secs {
        let (hours, way) = (secs.abs() / 3600.0, if secs < 0.0 { "ahead of" } else { "behind" });
        let _ = writeln!(
            text,
            "# The times in the payloads are {hours:.0} h {way} their arrival, so this is a recording that is played, or a\n\
             # clock is wrong. With \"stream\" only readings move time. For a plant, mend the clock and take this line away.\n\
             clock = \"stream\""
        );
    }
    text.push('\n');
    text
}

/// Text as TOML writes it: JSON's escapes are TOML's.
fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string().replace('\u{7f}', "\\u007f")
}

/// A key of a table: bare where that is allowed.
fn key(name: &str) -> String {
    let bare = !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    if bare { name.to_owned() } else { quoted(name) }
}

/// Middle of some numbers.
fn median(mut numbers: Vec<f64>) -> Option<f64> {
    numbers.sort_by(f64::total_cmp);
    numbers.get(numbers.len() / 2).copied()
}

/// Seconds between two times.
fn secs_between(from: EventTime, to: EventTime) -> f64 {
    to.secs_since(from)
}
