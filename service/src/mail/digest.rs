//! The digest: how the alerts of a reader's machines stand, once a day.

use super::due::{Place, address};
use super::letter::{CAUTION, Frame};
use crate::advise::audience::of_plate;
use crate::advise::document::{Alert, Finding, LifeState};
use crate::advise::local_time::local;
use crate::advise::readable::change_word;
use crate::advise::wording::{plain, severity_word};
use crate::config::mail::Rule;
use crate::keep::plate::Plate;
use jiff::Timestamp;
use jiff::civil::{Date, Time};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::fmt::Write;

/// Most alerts a digest lists.
pub(super) const MOST: usize = 200;

/// The day whose digest is due at this time; the one before while the hour has not come.
pub(super) fn day_due(at: Time, now: Timestamp, zone: &TimeZone) -> Option<Date> {
    let local = now.to_zoned(zone.clone());
    if local.time() >= at { Some(local.date()) } else { local.date().yesterday().ok() }
}

/// When the next one will be due.
pub(super) fn next(at: Time, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let day = day_due(at, now, zone)?.tomorrow().ok()?;
    zone.to_ambiguous_zoned(day.to_datetime(at)).compatible().ok().map(|next| next.timestamp())
}

/// The alerts that a reader is to hear of: those any of their rules is about.
pub(super) fn of_reader<'a>(
    alerts: &'a [Alert],
    rules: &[Rule],
    reader: &str,
    place: &dyn Fn(&str) -> Place,
) -> Vec<&'a Alert> {
    let theirs = |rule: &&Rule| rule.digest && rule.people.iter().any(|person| address(person) == reader);
    let rules: Vec<&Rule> = rules.iter().filter(theirs).collect();
    let wanted = |alert: &&Alert| {
        let place = place(&alert.asset);
        rules.iter().any(|rule| alert.worst >= rule.at_least && rule.is_about(&place))
    };
    alerts.iter().filter(wanted).collect()
}

fn is_open(alert: &Alert) -> bool {
    alert.state != LifeState::Normal
}

/// `Quillhaven: 3 alerts open, worst warning`
pub(super) fn subject(alerts: &[&Alert], frame: &Frame<'_>) -> String {
    let open: Vec<_> = alerts.iter().filter(|alert| is_open(alert)).collect();
    let site = plain(frame.site, 64);
    match (open.len(), open.iter().map(|alert| alert.severity).max()) {
        (0, _) | (_, None) => format!("{site}: no alert open"),
        (1, Some(worst)) => format!("{site}: 1 alert open, {}", severity_word(worst)),
        (many, Some(worst)) => format!("{site}: {many} alerts open, worst {}", severity_word(worst)),
    }
}

/// The text; the most severe first.
pub(super) fn text(alerts: &[&Alert], plates: &HashMap<String, Plate>, now: EventTime, frame: &Frame<'_>) -> String {
    let mut out = format!("How the alerts of {} stand, {}\n", plain(frame.site, 64), local(now, frame.audience.zone));
    let mut open: Vec<&Alert> = alerts.iter().copied().filter(|alert| is_open(alert)).collect();
    open.sort_by_key(|alert| (std::cmp::Reverse(alert.severity), alert.raised_at));
    let over: Vec<&Alert> = alerts.iter().copied().filter(|alert| !is_open(alert)).collect();
    for (title, list) in [("Open", open), ("Over since the day before", over)] {
        let _ = write!(out, "\n{title}\n");
        if list.is_empty() {
            out.push_str("  none\n");
        }
        for alert in list {
            let sensor = match &alert.finding {
                Finding::Sensor(point) => format!(", sensor {}", plain(point, 64)),
                Finding::Machine | Finding::Silence => String::new(),
            };
            let _ = write!(
                out,
                "  {:<9} {}{sensor}, since {}, {}\n            {}\n",
                severity_word(alert.severity).to_uppercase(),
                plain(&alert.asset, 64),
                local(alert.raised_at, frame.audience.zone),
                change_word(alert.change),
                plain(&frame.audience.alert(alert, plates.get(&alert.asset).and_then(of_plate)), 300),
            );
        }
    }
    if alerts.len() >= MOST {
        let _ = write!(out, "\nThere may be more: a digest lists {MOST}.\n");
    }
    if let Some(page) = frame.page {
        let _ = write!(out, "\n{page}\n");
    }
    let _ = write!(out, "\n{CAUTION}");
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: Berlin's offsets around 2026-10-25, when the clocks go back at 03:00 (IANA time zone database).
    #[test]
    fn a_digest_is_due_once_a_day_by_the_clock_on_the_wall() {
        let berlin = TimeZone::get("Europe/Berlin").expect("tzdata");
        let six = Time::new(6, 0, 0, 0).expect("a time");
        let day = |now: &str| day_due(six, now.parse().expect("a time"), &berlin).expect("a day").to_string();
        assert_eq!(day("2026-10-25T04:59:00Z"), "2026-10-24", "05:59 in winter time");
        assert_eq!(day("2026-10-25T05:00:00Z"), "2026-10-25");
        let next = |now: &str| next(six, now.parse().expect("a time"), &berlin).expect("a time").to_string();
        assert_eq!(next("2026-10-24T04:00:00Z"), "2026-10-25T05:00:00Z", "25 hours later");
        assert_eq!(next("2026-10-25T04:59:00Z"), "2026-10-25T05:00:00Z");
    }
}
