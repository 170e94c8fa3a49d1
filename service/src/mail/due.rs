//! Who is to be told of what, and when: pure, of rules, alerts and the time.

use crate::advise::document::{Alert, LifeState, Severity};
use crate::config::mail::Rule;
use crate::keep::plate::Plate;
use jiff::Timestamp;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use lettre::message::Mailbox;

/// What the rules ask of an asset.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Place {
    /// Area.
    pub area: Option<String>,
    /// Class.
    pub class: Option<String>,
}

/// An address that is to be told, not before a time.
#[derive(Debug, Clone, PartialEq)]
pub struct Due {
    /// Whom.
    pub to: Mailbox,
    /// Held back until then; `None`: now.
    pub not_before: Option<Timestamp>,
}

/// Rank of a severity, 0 for the lowest.
pub fn rank(severity: Severity) -> u8 {
    Severity::ALL.iter().position(|known| *known == severity).unwrap_or(0) as u8
}

/// Whether an alert in this state is told of at all: a person or logic that holds it back holds back its mail.
pub fn is_held_back(state: LifeState) -> bool {
    matches!(state, LifeState::Shelved | LifeState::SuppressedByDesign | LifeState::OutOfService)
}

impl From<&Plate> for Place {
    fn from(plate: &Plate) -> Self {
        Self { area: plate.area.clone(), class: plate.class.clone() }
    }
}

impl Rule {
    /// Whether the rule is about this asset.
    pub fn is_about(&self, place: &Place) -> bool {
        let fits = |wanted: &[String], has: &Option<String>| {
            wanted.is_empty() || has.as_ref().is_some_and(|has| wanted.iter().any(|want| want == has))
        };
        fits(&self.areas, &place.area) && fits(&self.classes, &place.class)
    }

    fn holds_until(&self, severity: Severity, now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
        if severity == Severity::Alarm && self.alarms_break_quiet {
            return None;
        }
        quiet_until(self.quiet?, now, zone)
    }
}

/// The end of quiet hours that hold now.
fn quiet_until((from, to): (Time, Time), now: Timestamp, zone: &TimeZone) -> Option<Timestamp> {
    let local = now.to_zoned(zone.clone());
    let time = local.time();
    let quiet = if from < to { from <= time && time < to } else { time >= from || time < to };
    if !quiet {
        return None;
    }
    let day = if time < to { local.date() } else { local.date().tomorrow().ok()? };
    // An end that a change of the clocks leaves out is where the clock goes on.
    zone.to_ambiguous_zoned(day.to_datetime(to)).compatible().ok().map(|end| end.timestamp())
}

/// Everybody the rules want to be told of an alert of this severity, each once: at the earliest time any of their rules
/// gives. Addresses are the same whatever the case of their letters.
pub fn recipients(rules: &[Rule], place: &Place, severity: Severity, now: Timestamp, zone: &TimeZone) -> Vec<Due> {
    let mut all: Vec<Due> = Vec::new();
    for rule in rules.iter().filter(|rule| severity >= rule.at_least && rule.is_about(place)) {
        let not_before = rule.holds_until(severity, now, zone);
        for person in &rule.people {
            match all.iter_mut().find(|due| address(&due.to) == address(person)) {
                // `None`, now, is before all.
                Some(known) => known.not_before = known.not_before.min(not_before),
                None => all.push(Due { to: person.clone(), not_before }),
            }
        }
    }
    all
}

/// The address by which somebody is known.
pub fn address(person: &Mailbox) -> String {
    person.email.to_string().to_lowercase()
}

/// The worst of the transitions that wait.
pub fn worst<'a>(alerts: impl Iterator<Item = &'a Alert>) -> Option<Severity> {
    alerts.map(|alert| alert.severity).max()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rule(people: &[&str]) -> Rule {
        Rule {
            people: people.iter().map(|p| p.parse().expect("an address")).collect(),
            at_least: Severity::Warning,
            areas: Vec::new(),
            classes: Vec::new(),
            quiet: None,
            alarms_break_quiet: true,
            digest: true,
        }
    }

    fn time(text: &str) -> Timestamp {
        text.parse().expect("a time")
    }

    fn clock(hour: i8, minute: i8) -> Time {
        Time::new(hour, minute, 0, 0).expect("a time")
    }

    fn told(rules: &[Rule], severity: Severity) -> Vec<String> {
        let now = time("2026-11-27T12:00:00Z");
        let place = Place { area: Some("hall 2".into()), class: Some("pump".into()) };
        recipients(rules, &place, severity, now, &TimeZone::UTC).iter().map(|due| address(&due.to)).collect()
    }

    #[test]
    fn severity_area_and_class_decide_and_nobody_is_told_twice() {
        let all = rule(&["a@x.org", "B@x.org"]);
        let pumps =
            Rule { classes: vec!["pump".into()], at_least: Severity::Advisory, ..rule(&["b@X.org", "c@x.org"]) };
        let elsewhere = Rule { areas: vec!["hall 1".into()], at_least: Severity::Advisory, ..rule(&["d@x.org"]) };
        let rules = [all, pumps, elsewhere];
        assert_eq!(told(&rules, Severity::Advisory), ["b@x.org", "c@x.org"]);
        assert_eq!(told(&rules, Severity::Warning), ["a@x.org", "b@x.org", "c@x.org"]);
        let unknown =
            recipients(&rules, &Place::default(), Severity::Alarm, time("2026-11-27T12:00:00Z"), &TimeZone::UTC);
        assert_eq!(unknown.len(), 2, "who asks for an area is not told of assets without one");
    }

    /// Source: Berlin is an hour ahead of UTC in November, two in October before the 25th 03:00 in 2026 (IANA time zone
    /// database).
    #[test]
    fn quiet_hours_end_by_the_clock_on_the_wall_and_may_go_over_midnight() {
        let berlin = TimeZone::get("Europe/Berlin").expect("tzdata");
        let night = (clock(22, 0), clock(6, 0));
        let until = |quiet, now: &str| quiet_until(quiet, time(now), &berlin).map(|end| end.to_string());
        assert_eq!(until(night, "2026-11-27T20:59:59Z"), None);
        assert_eq!(until(night, "2026-11-27T21:00:00Z").as_deref(), Some("2026-11-28T05:00:00Z"));
        assert_eq!(until(night, "2026-11-28T04:59:59Z").as_deref(), Some("2026-11-28T05:00:00Z"));
        assert_eq!(until(night, "2026-11-28T05:00:00Z"), None);
        assert_eq!(
            until((clock(12, 0), clock(13, 0)), "2026-11-28T11:30:00Z").as_deref(),
            Some("2026-11-28T12:00:00Z")
        );
        assert_eq!(
            until(night, "2026-10-24T21:00:00Z").as_deref(),
            Some("2026-10-25T05:00:00Z"),
            "nine hours, not eight"
        );
    }

    #[test]
    fn alarms_break_quiet_hours_when_they_may_and_another_rule_may_say_now() {
        let now = time("2026-11-27T23:00:00Z");
        let quiet = Rule { quiet: Some((clock(22, 0), clock(6, 0))), ..rule(&["a@x.org"]) };
        let ask = |rules: &[Rule], severity| {
            recipients(rules, &Place::default(), severity, now, &TimeZone::UTC).first().and_then(|due| due.not_before)
        };
        let morning = Some(time("2026-11-28T06:00:00Z"));
        assert_eq!(ask(std::slice::from_ref(&quiet), Severity::Warning), morning);
        assert_eq!(ask(std::slice::from_ref(&quiet), Severity::Alarm), None);
        let strict = Rule { alarms_break_quiet: false, ..quiet.clone() };
        assert_eq!(ask(&[strict], Severity::Alarm), morning);
        assert_eq!(ask(&[quiet, rule(&["a@x.org"])], Severity::Warning), None);
    }
}
