//! Times as devices write them → event time.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

/// How times are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TimeFormat {
    /// Text as RFC 3339, or a number since 1970 whose size tells s, ms, us and ns apart: correct for every time
    /// after March 1973, because a millisecond count then passes 1e11.
    #[default]
    Auto,
    /// RFC 3339 text only.
    Rfc3339,
    /// Seconds since 1970, fractions allowed.
    Seconds,
    /// Milliseconds since 1970.
    Millis,
    /// Microseconds since 1970.
    Micros,
    /// Nanoseconds since 1970.
    Nanos,
}

impl TimeFormat {
    /// All, with the names the configuration uses.
    pub const NAMES: [(&'static str, TimeFormat); 6] = [
        ("auto", TimeFormat::Auto),
        ("rfc3339", TimeFormat::Rfc3339),
        ("s", TimeFormat::Seconds),
        ("ms", TimeFormat::Millis),
        ("us", TimeFormat::Micros),
        ("ns", TimeFormat::Nanos),
    ];
}

/// Reads a time written as text: RFC 3339 (the `T` may be a space), or a number in digits.
///
/// # Errors
/// What is wrong. A local time that its zone has twice or not at all (the hour of a clock change) is an error: an
/// hour's guess would put readings in the wrong order.
pub fn from_text(text: &str, format: TimeFormat, zone: Option<&TimeZone>) -> Result<EventTime, String> {
    let text = text.trim();
    if format != TimeFormat::Rfc3339 {
        if let Ok(whole) = text.parse::<i64>() {
            return from_whole(whole, format);
        }
        if let Ok(number) = text.parse::<f64>() {
            return from_number(number, format);
        }
    }
    if !matches!(format, TimeFormat::Auto | TimeFormat::Rfc3339) {
        return Err(format!("`{}` is no number", short(text)));
    }
    if let Ok(stamp) = text.parse::<Timestamp>() {
        return Ok(EventTime(stamp.as_microsecond()));
    }
    let local: DateTime = text.parse().map_err(|_| format!("`{}` is no RFC 3339 time", short(text)))?;
    let Some(zone) = zone else {
        return Err(format!("`{}` has no offset from UTC and no zone is set", short(text)));
    };
    let stamp = zone.to_ambiguous_timestamp(local).unambiguous().map_err(|_| {
        format!("`{}` is there twice or not at all in its zone, the clock was changed in that hour", short(text))
    })?;
    Ok(EventTime(stamp.as_microsecond()))
}

/// Reads a whole number since 1970.
///
/// # Errors
/// Outside what can be kept.
pub fn from_whole(number: i64, format: TimeFormat) -> Result<EventTime, String> {
    let micros = match settle(format, number as f64)? {
        TimeFormat::Millis => number.checked_mul(1000),
        TimeFormat::Micros => Some(number),
        TimeFormat::Nanos => Some(number.div_euclid(1000)),
        _ => number.checked_mul(1_000_000),
    };
    micros.map(EventTime).ok_or_else(|| format!("{number} is outside the times that can be kept"))
}

/// Reads a number since 1970, with a fraction perhaps.
///
/// # Errors
/// Not finite, or outside what can be kept.
pub fn from_number(number: f64, format: TimeFormat) -> Result<EventTime, String> {
    if !number.is_finite() {
        return Err(format!("{number} is no time"));
    }
    let factor = match settle(format, number)? {
        TimeFormat::Millis => 1e3,
        TimeFormat::Micros => 1.0,
        TimeFormat::Nanos => 1e-3,
        _ => 1e6,
    };
    let micros = (number * factor).round();
    // Within what an i64 and a double both hold.
    if micros.abs() < 9e18 {
        Ok(EventTime(micros as i64))
    } else {
        Err(format!("{number} is outside the times that can be kept"))
    }
}

fn settle(format: TimeFormat, number: f64) -> Result<TimeFormat, String> {
    Ok(match format {
        TimeFormat::Rfc3339 => return Err(format!("{number} is a number where RFC 3339 text is wanted")),
        TimeFormat::Auto => match number.abs() {
            n if n < 1e11 => TimeFormat::Seconds,
            n if n < 1e14 => TimeFormat::Millis,
            n if n < 1e17 => TimeFormat::Micros,
            _ => TimeFormat::Nanos,
        },
        given => given,
    })
}

/// As much of a text as belongs into a message.
pub(crate) fn short(text: &str) -> String {
    let mut cut: String = text.chars().take(40).collect();
    if cut.len() < text.len() {
        cut.push_str("...");
    }
    cut
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Result<i64, String> {
        from_text(text, TimeFormat::Auto, None).map(|t| t.0)
    }

    /// Source: RFC 3339, section 5.8 (examples): both pairs name the same instants. Epoch values by `date -u -d`.
    #[test]
    fn examples_of_rfc_3339() {
        assert_eq!(at("1985-04-12T23:20:50.52Z"), Ok(482_196_050_520_000));
        assert_eq!(at("1996-12-19T16:39:57-08:00"), at("1996-12-20T00:39:57Z"));
        assert_eq!(at("1996-12-20T00:39:57Z"), Ok(851_042_397_000_000));
        assert_eq!(at("1937-01-01T12:00:27.87+00:20"), Ok(-1_041_337_172_130_000));
        assert_eq!(at("2020-03-09 10:34:33Z"), at("2020-03-09T10:34:33Z"));
    }

    #[test]
    fn numbers_are_told_apart_by_their_size() {
        let want = Ok(1_700_000_000_000_000);
        for text in
            ["1700000000", "1700000000000", "1700000000000000", "1700000000000000000", "1.7e9", " 1700000000.0 "]
        {
            assert_eq!(at(text), want, "{text}");
        }
        assert_eq!(from_whole(1_700_000_000, TimeFormat::Millis), Ok(EventTime(1_700_000_000_000)));
        assert_eq!(from_number(1_700_000_000.25, TimeFormat::Seconds), Ok(EventTime(1_700_000_000_250_000)));
    }

    /// Source: tz database, Europe/Berlin: on 2024-03-31 the hour from 02:00 is skipped, on 2024-10-27 it is there twice.
    #[test]
    fn the_hours_of_the_clock_change_are_refused() {
        let berlin = TimeZone::get("Europe/Berlin").expect("the system's tz database (Debian package tzdata)");
        let at = |text| from_text(text, TimeFormat::Auto, Some(&berlin));
        assert!(at("2024-03-31T02:30:00").is_err());
        assert!(at("2024-10-27T02:30:00").is_err());
        assert_eq!(at("2024-10-27T03:30:00").map(|t| t.0), super::tests::at("2024-10-27T02:30:00Z"));
        assert_eq!(at("2024-07-01 12:00:00").map(|t| t.0), super::tests::at("2024-07-01T10:00:00Z"));
        // With an offset there is nothing to guess.
        assert!(at("2024-10-27T02:30:00+02:00").is_ok());
    }

    #[test]
    fn what_is_no_time_is_refused() {
        for text in ["", "yesterday", "2024-13-01T00:00:00Z", "NaN", "inf", "1e300", "2024-01-01T00:00:00"] {
            assert!(at(text).is_err(), "{text}");
        }
        assert!(from_whole(i64::MAX, TimeFormat::Seconds).is_err());
        assert!(from_text("1700000000", TimeFormat::Rfc3339, None).is_err());
    }
}
