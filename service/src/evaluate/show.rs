//! How figures look in a table: short, and a dash where there is nothing to make a figure of.

use jiff::Timestamp;
use roundsman_models::EventTime;

/// What stands where there is no figure.
const NONE: &str = "–";

/// `97.3 %`.
pub(crate) fn percent(share: Option<f64>) -> String {
    share.map_or(NONE.to_owned(), |share| format!("{:.1} %", 100.0 * share))
}

/// Three decimals.
pub(crate) fn three(value: Option<f64>) -> String {
    value.map_or(NONE.to_owned(), |value| format!("{value:.3}"))
}

/// Two decimals, and none for what is large.
pub(crate) fn two(value: Option<f64>) -> String {
    match value {
        None => NONE.to_owned(),
        Some(value) if value.abs() >= 1000.0 => format!("{value:.0}"),
        Some(value) => format!("{value:.2}"),
    }
}

/// `41 s`, `25 min`, `7.3 h`, `12.4 d`; with its sign.
pub(crate) fn span(hours: Option<f64>) -> String {
    let Some(hours) = hours.filter(|hours| hours.is_finite()) else { return NONE.to_owned() };
    let secs = hours * 3600.0;
    match secs.abs() {
        s if s < 120.0 => format!("{secs:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", secs / 60.0),
        s if s < 172_800.0 => format!("{:.1} h", secs / 3600.0),
        _ => format!("{:.1} d", secs / 86_400.0),
    }
}

/// `1 label`, `2 labels`.
pub(crate) fn counted(count: u64, noun: &str) -> String {
    let s = if count == 1 { "" } else { "s" };
    format!("{count} {noun}{s}")
}

/// `2031-03-27 07:12`.
pub(crate) fn minute(at: EventTime) -> String {
    Timestamp::from_microsecond(at.0).map_or_else(|_| "?".into(), |stamp| stamp.strftime("%Y-%m-%d %H:%M").to_string())
}

/// At most `width` characters, the last one an ellipsis where something was cut.
pub(crate) fn cut(text: &str, width: usize) -> String {
    if text.chars().count() <= width {
        return text.to_owned();
    }
    let mut short: String = text.chars().take(width.saturating_sub(1)).collect();
    short.push('…');
    short
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_short() {
        let spans = [0.01, 1.0, 1.5, 48.0, -3.0].map(|hours| span(Some(hours)));
        assert_eq!(spans, ["36 s", "60 min", "1.5 h", "2.0 d", "-3.0 h"]);
        assert_eq!([percent(None), three(None), two(None), span(None), span(Some(f64::NAN))], [NONE; 5]);
        assert_eq!([two(Some(1234.5)), two(Some(-0.125))], ["1234", "-0.12"]);
        assert_eq!((cut("bearing", 7), cut("bearings", 7)), ("bearing".to_owned(), "bearin…".to_owned()));
    }
}
