//! Values as the pages show them: times in the site's zone, spans, sizes.

use crate::advise::document::{Alert, Change, LifeState, Severity};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

/// A time in the site's zone: to read, and for programs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct When {
    /// `2031-04-02 06:15`
    pub words: String,
    /// RFC 3339.
    pub iso: String,
}

/// A time as people read it; a time no calendar has is shown as a dash.
pub fn when(at: EventTime, zone: &TimeZone) -> When {
    let Ok(stamp) = Timestamp::from_microsecond(at.0) else { return When { words: "–".into(), iso: String::new() } };
    let words = stamp.to_zoned(zone.clone()).strftime("%Y-%m-%d %H:%M").to_string();
    let iso = Timestamp::from_second(stamp.as_second()).map_or_else(|_| String::new(), |whole| whole.to_string());
    When { words, iso }
}

/// An age: `40 s`, `12 min`, `5 h`, `3 d`. The script of the pages counts on in the same words.
pub fn age(secs: f64) -> String {
    match secs.max(0.0) {
        secs if secs < 90.0 => format!("{secs:.0} s"),
        secs if secs < 5400.0 => format!("{:.0} min", secs / 60.0),
        secs if secs < 172_800.0 => format!("{:.0} h", secs / 3600.0),
        secs => format!("{:.0} d", secs / 86_400.0),
    }
}

/// Hours to come: `under 1 h`, `7 h`, `12 d`, `5 months`.
pub fn hours(hours: f64) -> String {
    match hours {
        h if h < 1.0 => "under 1 h".into(),
        h if h < 48.0 => format!("{h:.0} h"),
        h if h < 24.0 * 90.0 => format!("{:.0} d", h / 24.0),
        // Of 30.44 days.
        h => format!("{:.0} months", h / 730.5),
    }
}

/// A whole number with a thin space between its thousands.
pub fn thousands(number: u64) -> String {
    let digits = number.to_string();
    let mut text = String::new();
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push('\u{2009}');
        }
        text.push(digit);
    }
    text
}

/// Bytes: `12 MiB`.
pub fn bytes(n: u64) -> String {
    const STEPS: [(&str, u64); 4] = [("GiB", 1 << 30), ("MiB", 1 << 20), ("KiB", 1 << 10), ("B", 1)];
    let (sign, step) = STEPS.into_iter().find(|(_, step)| n >= *step).unwrap_or(("B", 1));
    let value = n as f64 / step as f64;
    if value < 10.0 && step > 1 { format!("{value:.1} {sign}") } else { format!("{value:.0} {sign}") }
}

/// Severity by shape: the filled one while the condition is there, the hollow one once it has gone.
pub fn shape(severity: Severity, gone: bool) -> &'static str {
    match (severity, gone) {
        (Severity::Advisory, false) => "◆",
        (Severity::Advisory, true) => "◇",
        (Severity::Warning, false) => "▲",
        (Severity::Warning, true) => "△",
        (Severity::Alarm, false) => "■",
        (Severity::Alarm, true) => "□",
    }
}

/// Severity as part of a class name of the style sheet.
pub fn key(severity: Severity) -> &'static str {
    match severity {
        Severity::Advisory => "advisory",
        Severity::Warning => "warning",
        Severity::Alarm => "alarm",
    }
}

/// What somebody has said about an alert, or time has done to it; empty while it is new and there.
pub fn state(alert: &Alert) -> &'static str {
    match alert.state {
        LifeState::Unacknowledged if alert.change == Change::Frozen => "no data since",
        LifeState::Unacknowledged | LifeState::Normal => "",
        LifeState::Acknowledged => "acknowledged",
        LifeState::ReturnedUnacknowledged => "gone, not acknowledged",
        LifeState::Shelved => "shelved",
        LifeState::SuppressedByDesign => "held back",
        LifeState::OutOfService => "out of service",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_in_the_sites_zone() {
        let zone = TimeZone::get("Europe/Berlin").expect("the time zone database");
        let at = |text: &str| EventTime(text.parse::<Timestamp>().expect(text).as_microsecond());
        assert_eq!(when(at("2031-01-05T06:15:30.5Z"), &zone).words, "2031-01-05 07:15");
        assert_eq!(when(at("2031-07-05T06:15:30.5Z"), &zone).words, "2031-07-05 08:15");
        assert_eq!(when(at("2031-07-05T06:15:30.5Z"), &zone).iso, "2031-07-05T06:15:30Z");
        assert_eq!(when(EventTime(i64::MIN), &zone).words, "–");
    }

    #[test]
    fn spans_and_sizes() {
        for (secs, words) in [(-3.0, "0 s"), (89.0, "89 s"), (90.0, "2 min"), (7200.0, "2 h"), (259_200.0, "3 d")] {
            assert_eq!(age(secs), words);
        }
        for (h, words) in [(0.2, "under 1 h"), (7.4, "7 h"), (72.0, "3 d"), (4383.0, "6 months")] {
            assert_eq!(hours(h), words);
        }
        assert_eq!(thousands(1_234_567).replace('\u{2009}', " "), "1 234 567");
        assert_eq!(
            (thousands(12), bytes(1536), bytes(12 << 20), bytes(0)),
            ("12".into(), "1.5 KiB".into(), "12 MiB".into(), "0 B".into())
        );
    }
}
