//! Values with units in text: `25 h`, `400s`, `5 min`, `7.1 mm/s`.

use crate::acquire::units::Unit;

/// A number and what was written behind it.
///
/// # Errors
/// What is wrong, readable after "must be ..., ".
pub fn split(text: &str) -> Result<(f64, &str), String> {
    let text = text.trim();
    // The unit begins where the number can no longer go on. "1e3 s", "-5 Cel" and ".5 h" are numbers; "e" alone is
    // not the start of an exponent when no digit follows it.
    let bytes = text.as_bytes();
    let at = |i: usize| bytes.get(i).copied().unwrap_or(b' ');
    let mut end = usize::from(matches!(at(0), b'+' | b'-'));
    while at(end).is_ascii_digit() || at(end) == b'.' {
        end += 1;
    }
    if matches!(at(end), b'e' | b'E') {
        let sign = usize::from(matches!(at(end + 1), b'+' | b'-'));
        if at(end + 1 + sign).is_ascii_digit() {
            end += 1 + sign;
            while at(end).is_ascii_digit() {
                end += 1;
            }
        }
    }
    let (number, unit) = (text.get(..end).unwrap_or(""), text.get(end..).unwrap_or(""));
    let value: f64 = number.parse().map_err(|_| "a number, with its unit behind it where it has one".to_owned())?;
    if !value.is_finite() {
        return Err("a finite number".into());
    }
    Ok((value, unit.trim()))
}

/// A time span in seconds: `400s`, `5 min`, `25 h`, `30 d`, `250 ms`, `2 weeks`.
///
/// # Errors
/// What is wrong, as a sentence of its own.
pub fn parse_secs(text: &str) -> Result<f64, String> {
    const WANT: &str = "must be a time with its unit (ms, s, min, h, d), for example \"400 s\" or \"25 h\"";
    let (value, unit) = split(text).map_err(|_| WANT.to_owned())?;
    let factor = match unit {
        "ms" => 1e-3,
        "s" | "sec" | "secs" | "second" | "seconds" => 1.0,
        "min" | "mins" | "minute" | "minutes" => 60.0,
        "h" | "hr" | "hour" | "hours" => 3600.0,
        "d" | "day" | "days" => 86_400.0,
        "w" | "week" | "weeks" => 7.0 * 86_400.0,
        // "m" is a metre to one reader and a minute to another.
        _ => return Err(WANT.into()),
    };
    Ok(value * factor)
}

/// Seconds in the largest unit that keeps them short, for messages: 90000 → `25 h`.
pub fn show_secs(secs: f64) -> String {
    for (unit, factor) in [("d", 86_400.0), ("h", 3600.0), ("min", 60.0)] {
        let value = secs / factor;
        if value.abs() >= 1.0 && (value * 4.0).fract() == 0.0 && !(unit == "d" && value.fract() != 0.0) {
            // 48 h is read more easily as hours than as 2 d only beyond two days.
            if unit == "d" && value < 3.0 {
                continue;
            }
            return format!("{value} {unit}");
        }
    }
    format!("{secs} s")
}

/// A number with an optional unit behind it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// The number as written.
    pub value: f64,
    /// Its unit, when one was written.
    pub unit: Option<Unit>,
}

/// Reads `7.1 mm/s`, `7.1`, `80 degC`.
///
/// # Errors
/// What is wrong, as a sentence of its own.
pub fn parse_amount(text: &str) -> Result<Amount, String> {
    let (value, unit) = split(text).map_err(|want| format!("must be {want}"))?;
    if unit.is_empty() {
        return Ok(Amount { value, unit: None });
    }
    match Unit::parse(unit) {
        Some(unit) => Ok(Amount { value, unit: Some(unit) }),
        None => Err(format!("must have a unit that is known, `{unit}` is not")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read_with_their_unit() {
        for (text, secs) in [
            ("400s", 400.0),
            ("25 h", 90_000.0),
            ("5 min", 300.0),
            ("250ms", 0.25),
            ("1.5 d", 129_600.0),
            ("1e3 s", 1000.0),
            (" 2 weeks ", 1_209_600.0),
            ("-3 s", -3.0),
        ] {
            assert_eq!(parse_secs(text), Ok(secs), "{text}");
        }
        for bad in ["", "5", "h", "5 m", "five min", "NaN s", "inf h", "1e400 s", "5 s s", "1.2.3 s", "é", "5 é"] {
            assert!(parse_secs(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn times_are_shown_as_a_person_writes_them() {
        for (secs, text) in [
            (90_000.0, "25 h"),
            (400.0, "400 s"),
            (300.0, "5 min"),
            (0.0, "0 s"),
            (604_800.0, "7 d"),
            (5400.0, "1.5 h"),
        ] {
            assert_eq!(show_secs(secs), text);
            assert_eq!(parse_secs(text), Ok(secs));
        }
    }

    #[test]
    fn amounts_are_read_with_or_without_a_unit() {
        let amount = parse_amount("7.1 mm/s").unwrap();
        assert_eq!((amount.value, amount.unit.map(|u| u.code)), (7.1, Some("mm/s")));
        assert_eq!(parse_amount("-5").unwrap().unit, None);
        assert_eq!(parse_amount("80degC").unwrap().unit.map(|u| u.code), Some("Cel"));
        assert_eq!(parse_amount("1e3 W").unwrap().value, 1000.0);
        assert!(parse_amount("7.1 furlong").is_err());
        assert!(parse_amount("mm/s").is_err());
    }
}
