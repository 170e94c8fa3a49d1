//! A plain number, with its unit behind it or without: `7.1`, ` 7.1 mm/s\n`, `true`.

use super::time::short;

/// Value and unit.
///
/// # Errors
/// What came instead of a number.
pub(super) fn read(payload: &[u8]) -> Result<(f64, Option<&str>), String> {
    let text = std::str::from_utf8(payload).map_err(|_| "not UTF-8 text".to_owned())?;
    // Some devices end their text with a zero byte.
    let text = text.trim_end_matches('\0').trim();
    if let Some(value) = number(text) {
        return Ok((value, None));
    }
    if let Some(value) = truth(text) {
        return Ok((value, None));
    }
    match crate::config::value::split(text) {
        Ok((value, unit)) if !unit.is_empty() => Ok((value, Some(unit))),
        _ => Err(format!("`{}` is no number", short(text))),
    }
}

/// A number in text; also `NaN` and `inf`, which are then counted as what they are.
pub(super) fn number(text: &str) -> Option<f64> {
    text.parse().ok()
}

/// A state in words: on or off.
fn truth(text: &str) -> Option<f64> {
    const WORDS: [(&str, f64); 4] = [("true", 1.0), ("on", 1.0), ("false", 0.0), ("off", 0.0)];
    WORDS.iter().find(|(word, _)| text.eq_ignore_ascii_case(word)).map(|&(_, value)| value)
}

#[cfg(test)]
mod tests {
    use super::read;

    #[test]
    fn numbers_with_and_without_a_unit() {
        assert_eq!(read(b"7.1"), Ok((7.1, None)));
        assert_eq!(read(b" -7.1e-3\r\n"), Ok((-7.1e-3, None)));
        assert_eq!(read(b"7.1 mm/s rms"), Ok((7.1, Some("mm/s rms"))));
        assert_eq!(read("80°C".as_bytes()), Ok((80.0, Some("°C"))));
        assert_eq!(read(b"12\0"), Ok((12.0, None)));
        assert_eq!(read(b"ON"), Ok((1.0, None)));
        assert!(read(b"NaN").is_ok_and(|(v, _)| v.is_nan()));
    }

    #[test]
    fn anything_else_is_refused() {
        for bad in [&b""[..], b" ", b"mm/s", b"7,1", b"{\"v\":1}", b"\xff\xfe", b"1.2.3", b"0x10", b"--1"] {
            // "7,1" would be 7 of the unit ",1"; it must not pass as 7.
            let got = read(bad);
            assert!(
                got.is_err()
                    || got
                        .as_ref()
                        .is_ok_and(|(_, u)| u.is_some_and(|u| crate::acquire::units::Unit::parse(u).is_none())),
                "{bad:?}: {got:?}"
            );
        }
    }
}
