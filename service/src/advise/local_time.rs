//! Times and spans for people on paper and in mail: in the site's zone, and saying which.

use jiff::Timestamp;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

fn format(at: EventTime, zone: &TimeZone, utc: &str, local: &str) -> String {
    match Timestamp::from_microsecond(at.0) {
        Ok(stamp) if *zone == TimeZone::UTC => stamp.strftime(utc).to_string(),
        Ok(stamp) => stamp.to_zoned(zone.clone()).strftime(local).to_string(),
        Err(_) => "at no time we can name".into(),
    }
}

/// `2026-11-27 14:05 (UTC+01:00)`
pub fn local(at: EventTime, zone: &TimeZone) -> String {
    format(at, zone, "%Y-%m-%d %H:%M UTC", "%Y-%m-%d %H:%M (UTC%:z)")
}

/// `2026-11-27 14:05`, where the zone is said elsewhere.
pub fn local_short(at: EventTime, zone: &TimeZone) -> String {
    format(at, zone, "%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M")
}

/// A span in its largest unit, whole from ten on: `3.5 h`, `12 days`.
pub fn span(hours: f64) -> String {
    if !hours.is_finite() {
        return "no time that can be named".into();
    }
    let (value, unit) = match hours.abs() {
        h if h < 1.0 => (hours * 60.0, "min"),
        h if h < 72.0 => (hours, "h"),
        _ => (hours / 24.0, "days"),
    };
    let digits = if value.abs() < 9.95 { 1 } else { 0 };
    let text = format!("{value:.digits$}");
    let text = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { text.as_str() };
    format!("{text} {unit}")
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: `TZ=Europe/Berlin date -d @1793491200`.
    #[test]
    fn a_time_says_whose_clock_it_is_by() {
        let berlin = TimeZone::get("Europe/Berlin").expect("tzdata");
        let at = EventTime(1_793_491_200_000_000);
        assert_eq!(local(at, &berlin), "2026-11-01 01:00 (UTC+01:00)");
        assert_eq!(local(at, &TimeZone::UTC), "2026-11-01 00:00 UTC");
        assert_eq!(local_short(at, &berlin), "2026-11-01 01:00");
    }

    #[test]
    fn spans_are_short() {
        for (hours, text) in [(0.5, "30 min"), (3.54, "3.5 h"), (71.6, "72 h"), (72.0, "3 days"), (1000.0, "42 days")] {
            assert_eq!(span(hours), text);
        }
        assert_eq!(span(f64::NAN), "no time that can be named");
    }
}
