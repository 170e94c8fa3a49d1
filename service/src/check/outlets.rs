//! What a configuration lets in and out beside the broker's own topics: Sparkplug, mail, the historian, past cases; and who
//! may look and who may act. Each has its line, also where it is off: what was forgotten shows by its absence nowhere else.

use crate::advise::wording::severity_word;
use crate::config::historian::{Historian, Place};
use crate::config::http::Http;
use crate::config::mail::{Mail, Rule, Security};
use crate::config::people::{Page, Role};
use crate::config::{Checked, Sparkplug};
use std::fmt;

/// One line each, after `roundsman check`'s first lines.
pub(super) fn write(f: &mut fmt::Formatter<'_>, config: &Checked) -> fmt::Result {
    writeln!(f, "page       {}", page(&config.http, &config.page))?;
    writeln!(f, "sparkplug  in:  {}", host(&config.sparkplug))?;
    let node = config.sparkplug.publish.as_ref();
    let node = node.map_or("off".to_owned(), |key| format!("edge node {} of group {}", key.node, key.group));
    writeln!(f, "           out: {node}")?;
    writeln!(f, "historian  {}", config.historian.as_ref().map_or("off".to_owned(), historian))?;
    writeln!(f, "histories  {}", histories(config))?;
    let Some(mail) = &config.mail else { return writeln!(f, "mail       off") };
    writeln!(f, "mail       {}", letters(mail))?;
    mail.rules.iter().try_for_each(|rule| writeln!(f, "             {}", told(rule)))
}

/// `no group`, `1 group`, `2 groups`.
fn some(n: usize, what: &str) -> String {
    match n {
        0 => format!("no {what}"),
        1 => format!("1 {what}"),
        n => format!("{n} {what}s"),
    }
}

fn page(http: &Http, page: &Page) -> String {
    if http.listen.is_none() {
        let idle = if page.users.is_empty() && page.token.is_none() { "" } else { "; users and token have no use" };
        return format!("off, with http{idle}");
    }
    let of = |role| page.users.iter().filter(move |user| user.role == role);
    let names: Vec<&str> = of(Role::Act).map(|user| user.name.as_str()).collect();
    let look = match (of(Role::Look).count(), page.users.is_empty() && http.token.is_none()) {
        (_, true) => "everybody who reaches the listener may look".to_owned(),
        (n, false) => format!("{} may only look", some(n, "user")),
    };
    let act = match names.is_empty() {
        true => "no user may act".to_owned(),
        false => format!("{} may act: {}", some(names.len(), "user"), names.join(", ")),
    };
    let token = if page.token.is_some() { "; programs with its token may act" } else { "; no token for programs" };
    format!("{look}; {act}{token}")
}

fn host(sparkplug: &Sparkplug) -> String {
    if !sparkplug.listens() {
        return "off".to_owned();
    }
    let groups = match sparkplug.groups.iter().any(|group| group == "+") {
        true => "all groups".to_owned(),
        false => format!("{} ({})", some(sparkplug.groups.len(), "group"), sparkplug.groups.join(", ")),
    };
    let name = match &sparkplug.host_id {
        Some(id) => format!("host application {id}"),
        None => "reading only, no host application".to_owned(),
    };
    let rebirth = if sparkplug.rebirth { "asks for rebirths" } else { "rebirth requests off" };
    format!(
        "{name}, {groups}, {rebirth}; at most {}, {} devices and metrics",
        some(sparkplug.max_nodes, "node"),
        sparkplug.max_metrics
    )
}

fn historian(to: &Historian) -> String {
    let tls = match &to.place {
        Place::Socket(_) => "",
        Place::Network { tls: Some(_), .. } => " over TLS",
        Place::Network { tls: None, .. } => " in the open",
    };
    let parts =
        [("trend", to.sent.trend), ("scores", to.sent.scores), ("alerts", to.sent.alerts), ("audit", to.sent.audit)];
    let named = |on: bool| parts.iter().filter(|(_, sent)| *sent == on).map(|(name, _)| *name).collect::<Vec<_>>();
    let left = match named(false) {
        left if left.is_empty() => String::new(),
        left => format!("; not {}", left.join(", ")),
    };
    let (address, schema) = (to.address(), &to.schema);
    format!("{address}{tls} as {}, schema {schema}: {}{left}", to.username, named(true).join(", "))
}

fn histories(config: &Checked) -> String {
    let kept = match &config.keep_histories_in {
        Some(dir) => format!("confirmed lives are kept in {}", dir.display()),
        None => "none are kept".to_owned(),
    };
    format!("{}; {kept}", some(config.histories.len(), "past case"))
}

fn letters(mail: &Mail) -> String {
    let security = match mail.security {
        Security::StartTls => "STARTTLS",
        Security::Tls => "TLS",
        Security::Plain => "in the open",
    };
    let login = mail.login.as_ref().map_or("no login".to_owned(), |(name, _)| format!("login {name}"));
    let digest = mail.digest_at.map_or("no digest".to_owned(), |at| format!("digest at {}", at.strftime("%H:%M")));
    let report = if mail.report.is_some() { "report attached" } else { "no report attached" };
    let people = match mail.everybody().len() {
        1 => "1 person".to_owned(),
        n => format!("{n} people"),
    };
    let rules = some(mail.rules.len(), "rule");
    format!(
        "{}:{} ({security}, {login}) from {}; {rules}, {people}; {digest}, {report}",
        mail.server, mail.port, mail.from
    )
}

fn told(rule: &Rule) -> String {
    let people: Vec<String> = rule.people.iter().map(ToString::to_string).collect();
    let mut text = format!("{} and worse to {}", severity_word(rule.at_least), people.join(", "));
    for (what, names) in [("areas", &rule.areas), ("classes", &rule.classes)] {
        if !names.is_empty() {
            text += &format!("; {what} {}", names.join(", "));
        }
    }
    if let Some((from, to)) = rule.quiet {
        let through = if rule.alarms_break_quiet { ", alarms come through" } else { ", alarms too" };
        text += &format!("; quiet {} to {}{through}", from.strftime("%H:%M"), to.strftime("%H:%M"));
    }
    if !rule.digest {
        text += "; no digest";
    }
    text
}
