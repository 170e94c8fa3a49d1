//! Words of the report: values with their units, limits with their source.

use super::facts::Facts;
use crate::advise::document::{Forecast, LimitSource, Severity};
use crate::advise::local_time::span;
use crate::advise::wording::{number, plain, severity_word};
use crate::chart::Units;
use crate::chart::trend::source_words;

/// Most characters of a name.
pub(super) const NAME: usize = 128;

/// A kept value in the reader's unit, with its sign.
pub(super) fn value(kept: f64, unit: &str, units: Units) -> String {
    let shown = units.shown(unit);
    format!("{} {}", number(shown.value(kept)), shown.sign).trim_end().to_owned()
}

/// `4.1 ± 0.6`, in the reader's unit, without its sign.
pub(super) fn expected(kept: f64, band: Option<f64>, unit: &str, units: Units) -> String {
    let shown = units.shown(unit);
    let middle = number(shown.value(kept));
    band.map_or(middle.clone(), |band| format!("{middle} ± {}", number(shown.difference(band))))
}

/// `7.1 mm/s (ISO 20816-3:2022)`
pub(super) fn limit(limit: &LimitSource, units: Units) -> String {
    let source = plain(source_words(&limit.source), NAME);
    format!("{} ({source})", value(limit.limit.value, &limit.limit.unit, units))
}

/// A severity as a heading says it.
pub(super) fn severity_title(severity: Severity) -> String {
    severity_word(severity).to_uppercase()
}

/// What is extrapolated to, in words.
pub(super) fn target(target: &str) -> &str {
    match target {
        "warning" => "the warning limit",
        "alarm" => "the alarm limit",
        "zone-d" => "severity zone D",
        "failure" => "where such machines fail",
        other => other,
    }
}

/// An end of an interval.
pub(super) fn end(hours: Option<f64>) -> String {
    hours.map_or("beyond the horizon".to_owned(), span)
}

/// `12 days (8 in 10: 7 days to 24 days) to the alarm limit`
pub(super) fn remaining_line(forecast: &Forecast) -> String {
    format!(
        "{}, in 8 of 10 cases {} to {}, until {}",
        end(forecast.p50_hours),
        end(forecast.p10_hours),
        end(forecast.p90_hours),
        target(&forecast.target)
    )
}

/// What stands on the plate, and what is known of the machine beside it.
pub(super) fn plate(facts: &Facts, units: Units) -> Vec<(&'static str, String)> {
    let plate = &facts.asset.plate;
    let text = |value: &Option<String>| value.as_ref().map(|value| plain(value, NAME));
    let mut pairs = vec![
        ("Area", text(&plate.area)),
        ("Kind of machine", text(&plate.class)),
        ("Rated power", plate.rating_kw.map(|kw| value(kw, "kW", units))),
        ("Rated speed", plate.rated_speed_rpm.map(|rpm| value(rpm, "/min", units))),
        ("Severity zones", text(&plate.zones_edition).or_else(|| text(&plate.zones))),
    ];
    let bearings: Vec<String> = plate.bearings.iter().map(|bearing| plain(&bearing.name, 40)).collect();
    pairs.push(("Bearings", (!bearings.is_empty()).then(|| bearings.join(", "))));
    pairs.into_iter().map(|(name, value)| (name, value.unwrap_or_else(|| "not given".into()))).collect()
}
