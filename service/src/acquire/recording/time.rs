//! Times as people and programs write them.
//!
//! Read: RFC 3339 and what is nearly that (`T` or a space, seconds and fraction optional, offset `Z`, `±hh`, `±hhmm`,
//! `±hh:mm` or none), `YYYY/MM/DD …`, `DD.MM.YYYY …` (with dots the day is always first), and Unix epochs in s, ms,
//! µs or ns told apart by magnitude. `MM/DD/YYYY` is refused: nobody can tell it from `DD/MM/YYYY`.
//!
//! `mosquitto_sub` up to 2.0 prints `2026-11-25T11:01:32.021832Z+0100`: local time, a literal `Z`, the offset. An offset
//! after `Z` is therefore the offset, and the `Z` means nothing. Seen with Debian's 2.0.11 under three zones.

use jiff::civil;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

const DAY_US: i64 = 86_400_000_000;

/// Reads a time; `zone` is that of times without an offset. In the hour a zone repeats, the first one is taken; in the
/// hour it leaves out, the time is taken as if the clock had not been changed yet.
pub fn parse(text: &[u8], zone: &TimeZone) -> Option<EventTime> {
    let text = text.trim_ascii();
    match text {
        [_, _, _, _, b'-' | b'/', ..] => {
            let separator = text[4];
            let (y, m, d) = (digits(text.get(0..4)?)?, digits(text.get(5..7)?)?, digits(text.get(8..10)?)?);
            (text.get(7) == Some(&separator)).then_some(())?;
            date_and_time(y, m, d, text.get(10..)?, zone)
        }
        [_, _, b'.', _, _, b'.', ..] => {
            let (d, m, y) = (digits(text.get(0..2)?)?, digits(text.get(3..5)?)?, digits(text.get(6..10)?)?);
            date_and_time(y, m, d, text.get(10..)?, zone)
        }
        _ => epoch_text(text),
    }
}

fn digits(text: &[u8]) -> Option<i64> {
    let mut number = 0;
    for &byte in text {
        let digit = byte.wrapping_sub(b'0');
        if digit > 9 {
            return None;
        }
        number = number * 10 + i64::from(digit);
    }
    Some(number)
}

fn date_and_time(year: i64, month: i64, day: i64, rest: &[u8], zone: &TimeZone) -> Option<EventTime> {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let last = match month {
        1 | 3 | 5 | 7 | 8 | 10 | 12 => 31,
        4 | 6 | 9 | 11 => 30,
        2 => 28 + i64::from(leap),
        _ => return None,
    };
    if day < 1 || day > last {
        return None;
    }
    let (of_day_us, offset) = match rest {
        [] => (0, &b""[..]),
        [b'T' | b't' | b' ', clock @ ..] => clock_time(clock)?,
        _ => return None,
    };
    let local_us = days_from_civil(year, month, day) * DAY_US + of_day_us;
    match offset_secs(offset)? {
        Some(secs) => Some(EventTime(local_us - secs * 1_000_000)),
        None if *zone == TimeZone::UTC => Some(EventTime(local_us)),
        None => in_zone(local_us, zone),
    }
}

/// `hh:mm[:ss[.f…]]` → microseconds of the day, and what is left.
fn clock_time(clock: &[u8]) -> Option<(i64, &[u8])> {
    let (hour, minute) = (digits(clock.get(0..2)?)?, digits(clock.get(3..5)?)?);
    if clock.get(2) != Some(&b':') || hour > 23 || minute > 59 {
        return None;
    }
    let mut us = (hour * 60 + minute) * 60_000_000;
    let mut rest = clock.get(5..)?;
    if let [b':', more @ ..] = rest {
        let second = digits(more.get(0..2)?)?;
        // A leap second is the second after :59.
        if second > 60 {
            return None;
        }
        us += second * 1_000_000;
        rest = more.get(2..)?;
        if let [b'.' | b',', fraction @ ..] = rest {
            let length = fraction.iter().take_while(|byte| byte.is_ascii_digit()).count();
            if length == 0 {
                return None;
            }
            // Finer than a microsecond is cut, not rounded: a time never moves to a later snapshot.
            let mut scale = 100_000;
            for &byte in fraction.iter().take(length.min(6)) {
                us += i64::from(byte - b'0') * scale;
                scale /= 10;
            }
            rest = fraction.get(length..)?;
        }
    }
    Some((us, rest))
}

/// The offset from UTC in seconds; `Some(None)` when there is none, `None` when it cannot be read.
fn offset_secs(text: &[u8]) -> Option<Option<i64>> {
    let text = text.trim_ascii_start();
    let (sign, rest) = match text {
        [] => return Some(None),
        b"Z" | b"z" | b"UTC" | b"GMT" => return Some(Some(0)),
        [b'Z', b'+', rest @ ..] | [b'+', rest @ ..] => (1, rest),
        [b'Z', b'-', rest @ ..] | [b'-', rest @ ..] => (-1, rest),
        _ => return None,
    };
    let (hours, minutes) = match rest.len() {
        2 => (digits(rest)?, 0),
        4 => (digits(rest.get(0..2)?)?, digits(rest.get(2..4)?)?),
        5 if rest[2] == b':' => (digits(rest.get(0..2)?)?, digits(rest.get(3..5)?)?),
        _ => return None,
    };
    (hours <= 23 && minutes <= 59).then_some(Some(sign * (hours * 3600 + minutes * 60)))
}

/// Local microseconds in a zone with summer time → UTC.
pub(super) fn in_zone(local_us: i64, zone: &TimeZone) -> Option<EventTime> {
    if *zone == TimeZone::UTC {
        return Some(EventTime(local_us));
    }
    // Through a timestamp read as if it were UTC: jiff then does the calendar.
    let as_utc = jiff::Timestamp::from_microsecond(local_us).ok()?;
    let local: civil::DateTime = TimeZone::UTC.to_datetime(as_utc);
    let zoned = zone.to_ambiguous_timestamp(local).compatible().ok()?;
    Some(EventTime(zoned.as_microsecond()))
}

/// Days since 1970-01-01 in the proleptic Gregorian calendar. Source: the usual shift of the year's start to March, so
/// that the leap day is the last of the year; checked against jiff in the tests.
fn days_from_civil(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let era = year.div_euclid(400);
    let of_era = year.rem_euclid(400);
    let of_year = (153 * (if month > 2 { month - 3 } else { month + 9 }) + 2) / 5 + day - 1;
    era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468
}

/// An epoch by its magnitude: s below 10¹¹ (the year 5138), ms below 10¹⁴, µs below 10¹⁷, else ns.
pub fn epoch_integer(number: i64) -> EventTime {
    let size = number.unsigned_abs();
    EventTime(if size < 100_000_000_000 {
        number * 1_000_000
    } else if size < 100_000_000_000_000 {
        number * 1000
    } else if size < 100_000_000_000_000_000 {
        number
    } else {
        number.div_euclid(1000)
    })
}

/// As [`epoch_integer`] for a number with a fraction; `None` when it is not finite or beyond all units.
pub fn epoch_float(number: f64) -> Option<EventTime> {
    let size = number.abs();
    let us = if size < 1e11 {
        number * 1e6
    } else if size < 1e14 {
        number * 1e3
    } else if size < 1e17 {
        number
    } else {
        number / 1e3
    };
    // NaN fails this as well.
    (us.abs() < 9.2e18).then(|| EventTime(us.round() as i64))
}

fn epoch_text(text: &[u8]) -> Option<EventTime> {
    let (sign, unsigned) = match text {
        [b'-', rest @ ..] => (-1, rest),
        rest => (1, rest),
    };
    if unsigned.len() <= 18
        && !unsigned.is_empty()
        && let Some(number) = digits(unsigned)
    {
        return Some(epoch_integer(sign * number));
    }
    // Seconds with a fraction keep every microsecond: a double of today's epoch has only some 0.2 µs to spare.
    if let Some(point) = unsigned.iter().position(|&byte| byte == b'.') {
        let (whole, fraction) = (&unsigned[..point], &unsigned[point + 1..]);
        if !whole.is_empty()
            && whole.len() <= 11
            && !fraction.is_empty()
            && let (Some(whole), true) = (digits(whole), fraction.iter().all(u8::is_ascii_digit))
            && whole < 100_000_000_000
        {
            let mut us = whole * 1_000_000;
            let mut scale = 100_000;
            for &byte in fraction.iter().take(6) {
                us += i64::from(byte - b'0') * scale;
                scale /= 10;
            }
            return Some(EventTime(sign * us));
        }
    }
    let text = std::str::from_utf8(text).ok()?;
    text.bytes().any(|byte| byte.is_ascii_digit()).then_some(())?;
    epoch_float(text.parse().ok()?)
}

/// Appends a time as RFC 3339 in UTC: `2026-03-01T00:05:00Z`, with six decimals when it is no whole second.
pub fn write_rfc3339(out: &mut Vec<u8>, at: EventTime) {
    let days = at.0.div_euclid(DAY_US);
    let of_day = at.0.rem_euclid(DAY_US);
    // The inverse of `days_from_civil`.
    let shifted = days + 719_468;
    let era = shifted.div_euclid(146_097);
    let of_era = shifted.rem_euclid(146_097);
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let month_from_march = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month_from_march + 2) / 5 + 1;
    let month = if month_from_march < 10 { month_from_march + 3 } else { month_from_march - 9 };
    let year = year_of_era + era * 400 + i64::from(month <= 2);
    if !(0..=9999).contains(&year) {
        // RFC 3339 has four digits; ISO 8601 allows more with a sign.
        out.extend_from_slice(format!("{year:+07}").as_bytes());
    } else {
        two(out, year / 100);
        two(out, year % 100);
    }
    let seconds = of_day / 1_000_000;
    for (before, part) in
        [(b'-', month), (b'-', day), (b'T', seconds / 3600), (b':', seconds / 60 % 60), (b':', seconds % 60)]
    {
        out.push(before);
        two(out, part);
    }
    let us = of_day % 1_000_000;
    if us != 0 {
        out.push(b'.');
        for part in [us / 10_000, us / 100 % 100, us % 100] {
            two(out, part);
        }
    }
    out.push(b'Z');
}

fn two(out: &mut Vec<u8>, number: i64) {
    out.extend_from_slice(&[b'0' + (number / 10) as u8, b'0' + (number % 10) as u8]);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utc(text: &str) -> Option<i64> {
        parse(text.as_bytes(), &TimeZone::UTC).map(|at| at.0)
    }

    /// Source: `date -u -d … +%s` of GNU coreutils for the seconds.
    #[test]
    fn the_usual_spellings() {
        let second = 1_583_748_873_000_000;
        for text in [
            "2020-03-09 10:14:33",
            "2020-03-09T10:14:33Z",
            "2020-03-09T10:14:33.000Z",
            " 2020-03-09T11:14:33+01:00 ",
            "2020-03-09T05:14:33-0500",
            "2020-03-09 10:14:33+00",
            "2020-03-09 10:14:33 UTC",
            "2020/03/09 10:14:33",
            "09.03.2020 10:14:33",
            "2020-03-09T11:14:33.000000Z+0100",
            "2020-03-09T05:14:33.000000Z-0500",
            "1583748873",
            "1583748873.0",
            "1583748873000",
            "1583748873000000",
            "1583748873000000000",
            "1.583748873e9",
        ] {
            assert_eq!(utc(text), Some(second), "{text}");
        }
        assert_eq!(utc("2020-03-09T10:14:33.1234567"), Some(second + 123_456));
        assert_eq!(utc("2020-03-09T10:14:33,5"), Some(second + 500_000));
        assert_eq!(utc("1583748873.123456"), Some(second + 123_456));
        assert_eq!(utc("2020-03-09 10:14"), Some(second - 33_000_000));
        assert_eq!(utc("2020-03-09"), Some(second - 36_873_000_000));
        assert_eq!(utc("-1.5"), Some(-1_500_000));
    }

    #[test]
    fn what_cannot_be_told_is_refused() {
        for text in [
            "",
            "-",
            ".",
            "abc",
            "03/09/2020 10:14",
            "2020-13-01",
            "2021-02-29",
            "2020-03-09T24:00:00",
            "2020-03-09x",
            "2020-03-09T10:14:33+1",
            "2020-03-09T10:14:33.Z",
            "2020-3-9 10:14:33",
            "inf",
            "nan",
            "1e300",
            "2020-03/09",
            "infinity",
            "2020-03-09T10:61",
        ] {
            assert_eq!(utc(text), None, "{text}");
        }
    }

    /// Source: the European Union's rule, clocks back at 01:00 UTC on the last Sunday of October.
    #[test]
    fn a_zone_with_summer_time() {
        let zone = TimeZone::get("Europe/Berlin").expect("the zone is in the bundled database");
        let read = |text: &str| parse(text.as_bytes(), &zone).map(|at| at.0 / 1_000_000);
        assert_eq!(read("2025-07-01 12:00:00"), utc("2025-07-01 10:00:00").map(|us| us / 1_000_000));
        assert_eq!(read("2025-12-01 12:00:00"), utc("2025-12-01 11:00:00").map(|us| us / 1_000_000));
        assert_eq!(read("2025-10-26 02:30:00"), utc("2025-10-26 00:30:00").map(|us| us / 1_000_000));
        assert_eq!(read("2025-10-26 02:30:00Z"), utc("2025-10-26 02:30:00").map(|us| us / 1_000_000));
    }

    proptest::proptest! {
        /// Source: jiff.
        #[test]
        fn agrees_with_jiff(us in -62_000_000_000_000_000i64..250_000_000_000_000_000) {
            let mut ours = Vec::new();
            write_rfc3339(&mut ours, EventTime(us));
            let ours = String::from_utf8(ours).expect("ASCII");
            let theirs = jiff::Timestamp::from_microsecond(us).expect("in range");
            proptest::prop_assert_eq!(ours.parse::<jiff::Timestamp>().expect("RFC 3339"), theirs);
            proptest::prop_assert_eq!(parse(ours.as_bytes(), &TimeZone::UTC), Some(EventTime(us)));
            proptest::prop_assert_eq!(parse(theirs.to_string().as_bytes(), &TimeZone::UTC), Some(EventTime(us)));
        }

        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(proptest::num::u8::ANY, 0..40)) {
            parse(&bytes, &TimeZone::UTC);
        }

        #[test]
        fn nothing_nearly_a_time_panics(text in "[0-9TZ:.,+/ -]{0,40}") {
            parse(text.as_bytes(), &TimeZone::UTC);
        }
    }
}
