//! The mail about one alert, as text. Names and words of it come from topics and payloads: each goes through `plain`, which
//! leaves no line break in it, and the headers are encoded by the mail library.

use crate::acquire::mqtt::backoff::fnv1a;
use crate::advise::audience::{Audience, of_plate};
use crate::advise::document::{Alert, Contribution, Finding, Forecast, LifeState, Severity};
use crate::advise::local_time::{local, span};
use crate::advise::wording::{number, plain, severity_word};
use crate::error::{Error, Fault};
use crate::keep::plate::Plate;
use lettre::Message;
use lettre::message::header::{ContentType, HeaderName, HeaderValue};
use lettre::message::{Attachment, Mailbox, MultiPart, SinglePart};
use std::fmt::Write;

/// Most characters of a name in a mail.
pub(super) const LONGEST_NAME: usize = 64;
/// Most characters of a subject: longer ones are cut by the programs that show them anyway.
const LONGEST_SUBJECT: usize = 150;
/// Most points that are listed.
const MOST_POINTS: usize = 8;

/// Said under every mail.
pub(super) const CAUTION: &str = "roundsman advises people. It is no machine-protection system: it trips nothing, and no answer from it \
is no proof that a\nmachine is safe. Before any work on the machine: the site's lock-out procedure, local codes, and people licensed for it.\n";

/// What goes into every mail.
pub(super) struct Frame<'a> {
    pub(super) from: &'a Mailbox,
    pub(super) to: &'a Mailbox,
    pub(super) site: &'a str,
    /// Units and zone of whoever reads it.
    pub(super) audience: Audience<'a>,
    pub(super) page: Option<&'a str>,
}

fn about(alert: &Alert) -> String {
    let asset = plain(&alert.asset, LONGEST_NAME);
    match &alert.finding {
        Finding::Machine => asset,
        Finding::Sensor(point) => format!("{asset}, sensor {}", plain(point, LONGEST_NAME)),
        Finding::Silence => format!("{asset}, no data"),
    }
}

fn capital(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// `Warning: pump-7 (Quillhaven): Vibration velocity …`
pub(super) fn subject(alert: &Alert, severity: Severity, plate: &Plate, frame: &Frame<'_>) -> String {
    let word = capital(severity_word(severity));
    let said = frame.audience.alert(alert, of_plate(plate));
    let (site, message) = (plain(&alert.site, LONGEST_NAME), plain(&said, LONGEST_SUBJECT));
    plain(&format!("{word}: {} ({site}): {message}", about(alert)), LONGEST_SUBJECT)
}

fn state_words(alert: &Alert) -> &'static str {
    match alert.state {
        LifeState::Normal => "over",
        LifeState::Unacknowledged => "active, not acknowledged",
        LifeState::Acknowledged => "active, acknowledged",
        LifeState::ReturnedUnacknowledged => "gone again, not acknowledged",
        LifeState::Shelved => "shelved",
        LifeState::SuppressedByDesign => "held back by logic",
        LifeState::OutOfService => "out of service",
    }
}

/// The text. `severity`: what the mail is about, the worst of what was not told yet.
pub(super) fn text(alert: &Alert, severity: Severity, plate: &Plate, frame: &Frame<'_>) -> String {
    let zone = frame.audience.zone;
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    line(format!("{}  {}", severity_word(severity).to_uppercase(), about(alert)));
    let named = |what: &str, name: &Option<String>| name.as_ref().map(|n| format!("{what} {}", plain(n, LONGEST_NAME)));
    let where_: Vec<String> = [
        Some(format!("site {}", plain(frame.site, LONGEST_NAME))),
        named("area", &plate.area),
        named("class", &plate.class),
    ]
    .into_iter()
    .flatten()
    .collect();
    line(where_.join(", "));
    line(String::new());
    line(plain(&frame.audience.alert(alert, of_plate(plate)), 2000));
    line(String::new());
    line(format!("Raised:  {}", local(alert.raised_at, zone)));
    if let Some(onset) = alert.onset {
        line(format!("Began:   about {}", local(onset, zone)));
    }
    let since = local(alert.at, zone);
    let now = severity_word(alert.severity);
    line(format!("Now:     {}, {now}, as of {since}", state_words(alert)));
    if let Some(by) = &alert.by {
        let note = alert.note.as_ref().map_or(String::new(), |note| format!(": {}", plain(note, 500)));
        line(format!("Said by: {}{note}", plain(by, LONGEST_NAME)));
    }
    if let Some(state) = &alert.operating_state {
        line(format!("Run as:  operating state {}", plain(state, LONGEST_NAME)));
    }
    if !alert.contributions.is_empty() {
        line("\nWhat was seen".into());
        for part in alert.contributions.iter().take(MOST_POINTS) {
            line(format!("  {}", contribution(part, frame.audience)));
        }
        let more = alert.contributions.len().saturating_sub(MOST_POINTS);
        if more > 0 {
            line(format!("  and {more} more points"));
        }
    }
    if let Some(life) = &alert.remaining_life {
        line("\nRemaining life".into());
        match (&life.forecasts[..], &life.none_because) {
            ([], Some(why)) => line(format!("  no forecast: {}", plain(why, 500))),
            ([], None) => line("  no forecast".into()),
            (forecasts, _) => {
                forecasts.iter().take(4).for_each(|to| line(format!("  {}", forecast(to, frame.audience))));
                line(
                    "  An extrapolation of what was seen under the same use, no promise: plan by the short end.".into(),
                );
            }
        }
    }
    if let Some(fault) = &alert.likely_fault {
        if let Some(named) = fault.named() {
            let place = fault.place.as_ref().map_or(String::new(), |at| format!(" at {}", plain(at, LONGEST_NAME)));
            line(format!("\nLikely fault: {}{place}", plain(&named.name, 200)));
            named.support.iter().take(5).for_each(|sign| line(format!("  for:     {}", plain(&sign.text, 300))));
            named.against.iter().take(3).for_each(|sign| line(format!("  against: {}", plain(&sign.text, 300))));
        }
        if !fault.checks.is_empty() {
            line("\nUsual checks".into());
            fault.checks.iter().for_each(|check| line(format!("  - {}", plain(check, 300))));
        }
        if let Some(caution) = &fault.caution {
            line(format!("  {}", plain(caution, 300)));
        }
    }
    line(String::new());
    if let Some(page) = frame.page {
        line(format!("{page}/machines/{}", escaped(&alert.asset)));
    }
    line(format!("Alert {}, revision {}", plain(&alert.id, 300), alert.revision));
    let _ = write!(out, "\n{CAUTION}");
    out
}

fn contribution(part: &Contribution, audience: Audience<'_>) -> String {
    let unit = audience.units.shown(&part.observed.unit);
    let value = |kept: f64| number(unit.value(kept));
    let (name, seen) = (plain(&part.point, LONGEST_NAME), value(part.observed.value));
    let mut text = format!("{name}: {seen} {}", unit.sign);
    if let Some(expected) = &part.expected {
        let _ = write!(text, ", expected {}", value(expected.value));
        if let Some(band) = part.band {
            let _ = write!(text, " ± {}", number(unit.difference(band)));
        }
    }
    if let Some(limit) = &part.limit {
        let (value, source) = (value(limit.limit.value), plain(&limit.source, 120));
        let _ = write!(text, ", limit {value} ({source})");
    }
    if let Some(onset) = part.onset {
        let _ = write!(text, ", since about {}", local(onset, audience.zone));
    }
    text
}

fn forecast(to: &Forecast, audience: Audience<'_>) -> String {
    let unit = audience.units.shown(&to.limit.limit.unit);
    let ends = |value: Option<f64>| value.map_or("beyond what can be said".to_owned(), span);
    format!(
        "{} reaches {} {} ({}): {}, in 8 of 10 cases between {} and {}",
        plain(&to.point, LONGEST_NAME),
        number(unit.value(to.limit.limit.value)),
        unit.sign,
        plain(&to.target, 40),
        ends(to.p50_hours),
        ends(to.p10_hours),
        ends(to.p90_hours)
    )
}

/// A name as one segment of an address (RFC 3986, section 2.3: all but the unreserved characters).
pub(super) fn escaped(name: &str) -> String {
    let mut out = String::new();
    for byte in name.bytes() {
        match byte {
            b'A'..=b'Z' | b'a'..=b'z' | b'0'..=b'9' | b'-' | b'.' | b'_' | b'~' => out.push(char::from(byte)),
            other => drop(write!(out, "%{other:02X}")),
        }
    }
    out
}

/// A name as part of a file's name.
pub(crate) fn file_name(name: &str) -> String {
    let safe = |c: char| if c.is_ascii_alphanumeric() || c == '-' || c == '_' { c } else { '-' };
    name.chars().take(60).map(safe).collect()
}

/// The whole mail. `key`: what makes it this mail and no other; the same key gives the same Message-ID. `thread`: what mails
/// that belong together share.
pub(super) fn message(
    frame: &Frame<'_>,
    subject: String,
    text: String,
    key: &str,
    thread: &str,
    pdf: Option<(String, Vec<u8>)>,
) -> Result<Message, Error> {
    let id = |key: &str| format!("<{:016x}.roundsman@{}>", fnv1a(key.as_bytes()), frame.from.email.domain());
    let failed = |error| Error::new(Fault::Internal, "a mail cannot be put together").because(error);
    let text = SinglePart::builder().header(ContentType::TEXT_PLAIN).body(text);
    let mut parts = MultiPart::mixed().singlepart(text);
    if let Some((name, bytes)) = pdf {
        let kind = ContentType::parse("application/pdf")
            .map_err(|_| Error::new(Fault::Internal, "application/pdf is no content type"))?;
        parts = parts.singlepart(Attachment::new(name).body(bytes, kind));
    }
    Message::builder()
        .from(frame.from.clone())
        .to(frame.to.clone())
        .subject(subject)
        .message_id(Some(id(key)))
        .references(id(thread))
        // RFC 3834: no answer from an absent reader's machine.
        .raw_header(HeaderValue::new(HeaderName::new_from_ascii_str("Auto-Submitted"), "auto-generated".into()))
        .multipart(parts)
        .map_err(failed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::tests::alert;
    use crate::config::people::Units;

    fn frame<'a>(from: &'a Mailbox, to: &'a Mailbox) -> Frame<'a> {
        Frame {
            from,
            to,
            site: "quillhaven",
            audience: Audience::of_documents(),
            page: Some("https://page.example.org"),
        }
    }

    #[test]
    fn names_from_topics_cannot_add_a_header_or_a_line() {
        let (from, to) = ("Us <us@example.org>".parse().expect("one"), "a@example.org".parse().expect("one"));
        let mut alert = alert();
        alert.asset = "pump\r\nBcc: evil@example.org\r\n\r\nhello".into();
        alert.message = "seen\nBcc: evil@example.org".into();
        alert.note = Some("x\r\n.\r\nMAIL FROM:<evil@example.org>".into());
        alert.by = Some("y\nSubject: no".into());
        let frame = frame(&from, &to);
        let body = text(&alert, Severity::Warning, &Plate { area: Some("a\nb".into()), ..Plate::default() }, &frame);
        let pdf = Some((file_name(&alert.asset), vec![1, 2, 3]));
        let mail = message(&frame, subject(&alert, Severity::Warning, &Plate::default(), &frame), body, "k", "t", pdf)
            .expect("a mail");
        let formatted = String::from_utf8(mail.formatted()).expect("text");
        for line in formatted.lines() {
            let line = line.to_lowercase();
            assert!(!["bcc:", "mail from:", "hello"].iter().any(|bad| line.starts_with(bad)), "{formatted}");
        }
        assert_eq!(formatted.lines().filter(|line| line.to_lowercase().starts_with("subject:")).count(), 1);
        assert_eq!(mail.envelope().to().len(), 1, "nobody else gets it");
    }

    #[test]
    fn the_same_mail_has_the_same_id() {
        let (from, to) = ("us@example.org".parse().expect("one"), "a@example.org".parse().expect("one"));
        let frame = frame(&from, &to);
        let id = |key: &str| {
            let mail = message(&frame, "s".into(), "t".into(), key, "t", None).expect("a mail");
            String::from_utf8(mail.formatted())
                .expect("text")
                .lines()
                .find(|l| l.starts_with("Message-ID"))
                .map(str::to_owned)
        };
        assert!(id("a").is_some() && id("a") == id("a") && id("a") != id("b"));
    }

    #[test]
    fn a_mail_says_what_is_seen_how_sure_and_that_it_protects_nothing() {
        let (from, to) = ("us@example.org".parse().expect("one"), "a@example.org".parse().expect("one"));
        let body = text(&alert(), Severity::Warning, &Plate::default(), &frame(&from, &to));
        for word in
            ["WARNING  pump-7", "Raised:", "What was seen", "/machines/pump-7", "no machine-protection", "lock-out"]
        {
            assert!(body.contains(word), "no {word:?} in\n{body}");
        }
    }

    /// Source: NIST SP 811 (2008), appendix B.8 (from memory): 1 in = 25.4 mm.
    #[test]
    fn on_an_inch_site_every_value_of_a_mail_is_in_inch_units() {
        use crate::asset::spec::{Detection, Quantity};
        let (from, to) = ("us@example.org".parse().expect("one"), "a@example.org".parse().expect("one"));
        let metric = frame(&from, &to);
        let inch = Frame { audience: Audience { units: Units::Inch, ..metric.audience }, ..frame(&from, &to) };
        let spec = crate::advise::wording::tests::spec();
        assert!(spec.points.iter().any(|p| (p.quantity, p.detection) == (Quantity::VibrationVelocity, Detection::Rms)));
        let plate = Plate::of(&spec);
        let seen = Alert { message: crate::advise::wording::message(&alert(), &spec, false), ..alert() };
        let said = |frame: &Frame<'_>| {
            subject(&seen, Severity::Warning, &plate, frame) + &text(&seen, Severity::Warning, &plate, frame)
        };
        assert!(said(&metric).contains("mm/s") && !said(&metric).contains("in/s"));
        let said = said(&inch);
        assert!(!said.contains("mm/s") && !said.contains("°C"), "{said}");
        for part in ["de-vib: 0.213 in/s, expected 0.0709", "de-vib is 0.213 in/s", "reaches 0.177 in/s"] {
            assert!(said.contains(part), "{part} in {said}");
        }
    }

    #[test]
    fn a_name_is_one_segment_of_the_address() {
        assert_eq!(escaped("pump 7/ä?"), "pump%207%2F%C3%A4%3F");
    }
}
