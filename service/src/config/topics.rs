//! `[[topics]]`: patterns and how their payloads are read.

use super::check::read_zone;
use super::checked::{Limits, Publish, Site};
use super::table::{Spot, Table};
use crate::acquire::payload::{Codec, Format, GOOD, Json, NameRule, NamedPoint, Pointer, Points, TimeFormat};
use crate::acquire::registry::is_point_name;
use crate::acquire::topics::{Mapping, Pattern, Template};
use crate::acquire::units::Unit;
use config::ValueKind;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum FormatName {
    Number,
    Json,
    Senml,
}

pub(super) fn read_topics(spot: Option<Spot<'_>>, site: &Site, publish: &Publish, limits: &Limits) -> Vec<Mapping> {
    let mut mappings: Vec<Mapping> = Vec::new();
    for item in spot.and_then(|spot| spot.items()).unwrap_or_default() {
        let Some(table) = item.table() else { continue };
        let (format, codec) = read_codec(&table, site, limits);
        let names = NameSpots { area: table.get("area"), asset: table.get("asset"), point: table.get("point") };
        for spot in patterns(&table) {
            let Some(text) = spot.text() else { continue };
            let pattern = match Pattern::parse(text) {
                Ok(pattern) => pattern,
                Err(rule) => {
                    spot.fault(rule);
                    continue;
                }
            };
            check_place(&spot, &pattern, &mappings, site, publish);
            if let Some(mapping) = map(&spot, pattern, &names, &codec, format) {
                mappings.push(mapping);
            }
        }
        table.done();
    }
    mappings
}

fn patterns<'v>(table: &Table<'v>) -> Vec<Spot<'v>> {
    match table.get("pattern") {
        Some(spot) if matches!(spot.value.kind, ValueKind::Array(_)) => spot.items().unwrap_or_default(),
        Some(spot) => vec![spot],
        None => {
            table.fault("pattern", "is needed, for example \"plant/{area}/{asset}/{point}\"");
            Vec::new()
        }
    }
}

/// A pattern must be reachable, and must not read back what we publish.
fn check_place(spot: &Spot<'_>, pattern: &Pattern, before: &[Mapping], site: &Site, publish: &Publish) {
    if let Some(first) = before.iter().find(|m| m.pattern.filter() == pattern.filter()) {
        spot.fault(format!("is never reached: `{}` stands before it and fits the same topics", first.pattern.text()));
    }
    let own = format!("{}/{}", publish.prefix, site.name);
    let topics = ["service", "x/condition", "x/alert", "x/remaining-life", "x/command"];
    if topics.iter().any(|topic| pattern.matches(&format!("{own}/{topic}")).is_some()) {
        spot.fault(format!("must not fit the topics below `{own}`: it would read back what is published there"));
    }
}

struct NameSpots<'v> {
    area: Option<Spot<'v>>,
    asset: Option<Spot<'v>>,
    point: Option<Spot<'v>>,
}

fn map(spot: &Spot<'_>, pattern: Pattern, names: &NameSpots<'_>, codec: &Codec, format: FormatName) -> Option<Mapping> {
    let template = |own: &Option<Spot<'_>>, name: &str| match own {
        Some(own) => {
            let text = own.text()?;
            Template::parse(text, &pattern).map_err(|rule| own.fault(rule)).ok()
        }
        None => {
            let has = pattern.names().iter().any(|n| n == name);
            has.then(|| Template::parse(&format!("{{{name}}}"), &pattern).ok()).flatten()
        }
    };
    let area = template(&names.area, "area");
    let asset = template(&names.asset, "asset");
    let point = template(&names.point, "point");
    if let (Some(own), Some(template)) = (&names.asset, &asset)
        && template.text_contains(&['/', '+', '#'])
    {
        own.fault("must not have /, + or # in it: an asset's name is one level of a topic; put - between its parts");
    }
    let codec = codec.clone();
    let split = codec.format == Format::Senml(NameRule::AssetAndPoint);
    if asset.is_none() && names.asset.is_none() && !split {
        spot.fault("must have a level {asset}, or the table an `asset`: otherwise nobody knows whose values these are");
        return None;
    }
    let needs_point = match &codec.format {
        Format::Number => true,
        Format::Json(json) => matches!(json.points, Points::One(_)),
        Format::Senml(_) => false,
    };
    if point.is_none() && names.point.is_none() && needs_point {
        let or = if format == FormatName::Json { ", `payload.points` for several in one payload," } else { "" };
        spot.fault(format!("must have a level {{point}}{or} or the table a `point`"));
        return None;
    }
    Some(Mapping { pattern, area, asset, point, codec })
}

/// `payload = "json"`, or a table with `format` and what belongs to it.
fn read_codec(table: &Table<'_>, site: &Site, limits: &Limits) -> (FormatName, Codec) {
    const FORMATS: [(&str, FormatName); 3] =
        [("number", FormatName::Number), ("json", FormatName::Json), ("senml", FormatName::Senml)];
    let unit = table.get("unit").and_then(|spot| read_unit(&spot));
    let (named, payload) = match table.get("payload") {
        Some(spot) if spot.is_table() => (None, spot.table()),
        Some(spot) if matches!(spot.value.kind, ValueKind::String(_)) => (spot.one_of(&FORMATS), None),
        Some(spot) => {
            spot.fault("must be the name of a format, or a table with `format` in it");
            (None, None)
        }
        None => (None, None),
    };
    let payload = payload.unwrap_or_else(|| table.nothing("payload"));
    let format =
        named.or_else(|| payload.get("format").and_then(|spot| spot.one_of(&FORMATS))).unwrap_or(FormatName::Number);
    if payload.is_there() && payload.get("format").is_none() {
        payload.fault("format", "is needed: \"number\", \"json\" or \"senml\"");
    }
    let only = |key: &str, wanted: FormatName, word: &str| {
        let spot = payload.get(key)?;
        if format == wanted {
            return Some(spot);
        }
        spot.fault(format!("only goes with format = \"{word}\""));
        None
    };
    let json = |key: &str| only(key, FormatName::Json, "json");
    let pointer = |key: &str| json(key).and_then(|spot| read_pointer(&spot));
    let value = pointer("value");
    let json_format = Json {
        points: match json("points") {
            None => Points::One(value.unwrap_or_else(|| fixed_pointer("/value"))),
            Some(spot) => read_points(&spot, value).unwrap_or_else(|| Points::All(fixed_pointer(""))),
        },
        time: pointer("time"),
        quality: pointer("quality"),
        unit: pointer("unit"),
        good: match json("good") {
            Some(spot) => read_good(&spot),
            None => GOOD.iter().map(|word| (*word).to_owned()).collect(),
        },
        numbers_in_strings: json("numbers_in_strings").and_then(|spot| spot.truth()).unwrap_or(false),
    };
    let time = json("time_format").and_then(|spot| spot.one_of(&TimeFormat::NAMES)).unwrap_or_default();
    let zone = json("zone").and_then(|spot| read_zone(&spot)).or_else(|| site.zone.clone());
    let rules = [("point", NameRule::Point), ("asset/point", NameRule::AssetAndPoint)];
    let rule = only("names", FormatName::Senml, "senml").and_then(|spot| spot.one_of(&rules));
    let format_read = match format {
        FormatName::Number => Format::Number,
        FormatName::Json => Format::Json(json_format),
        FormatName::Senml => Format::Senml(rule.unwrap_or_else(|| senml_rule(table))),
    };
    payload.done();
    let codec = Codec {
        format: format_read,
        unit,
        time,
        zone,
        max_bytes: limits.max_payload_bytes,
        max_values: limits.max_values,
    };
    (format, codec)
}

/// Where the topic names the asset, SenML's name is the point.
fn senml_rule(table: &Table<'_>) -> NameRule {
    let in_pattern = |spot: Spot<'_>| match &spot.value.kind {
        ValueKind::String(text) => text.contains("{asset}"),
        ValueKind::Array(items) => items.iter().all(|item| item.to_string().contains("{asset}")),
        _ => false,
    };
    if table.get("asset").is_some() || table.get("pattern").is_some_and(in_pattern) {
        NameRule::Point
    } else {
        NameRule::AssetAndPoint
    }
}

/// A unit as text; kept as written, because the registry reads it again with the point beside it.
fn read_unit(spot: &Spot<'_>) -> Option<String> {
    let text = spot.text()?;
    if Unit::parse(text).is_some() {
        return Some(text.trim().to_owned());
    }
    spot.fault("must be a unit that is known (UCUM or as people write it, for example \"mm/s rms\")");
    None
}

fn read_pointer(spot: &Spot<'_>) -> Option<Pointer> {
    Pointer::parse(spot.text()?).map_err(|rule| spot.fault(rule)).ok()
}

fn fixed_pointer(text: &str) -> Pointer {
    // Only called with pointers written in this file; an empty one is valid whatever happens.
    Pointer::parse(text).unwrap_or_default()
}

fn read_good(spot: &Spot<'_>) -> Vec<String> {
    let words = spot.items().unwrap_or_default();
    words
        .iter()
        .filter_map(|word| match &word.value.kind {
            ValueKind::String(text) => Some(text.trim().to_owned()),
            ValueKind::I64(_) | ValueKind::Boolean(_) => Some(word.value.kind.to_string()),
            _ => {
                word.fault("must be text, a whole number or true/false");
                None
            }
        })
        .collect()
}

fn read_points(spot: &Spot<'_>, value: Option<Pointer>) -> Option<Points> {
    if matches!(&spot.value.kind, ValueKind::String(text) if text == "*") {
        return Some(Points::All(value.unwrap_or_else(|| fixed_pointer(""))));
    }
    if !spot.is_table() {
        spot.fault("must be \"*\" for every number in it, or a table of names and JSON Pointers");
        return None;
    }
    if value.is_some() {
        spot.fault_without_value("must not be set beside `value`, except as \"*\"");
    }
    let mut points = Vec::new();
    for (name, entry) in spot.table()?.entries() {
        if !is_point_name(name) {
            entry.fault("must have a name of 1 to 128 bytes without control characters");
            continue;
        }
        let (pointer, unit) = if entry.is_table() {
            let Some(table) = entry.table() else { continue };
            let pointer = match table.get("value") {
                Some(spot) => read_pointer(&spot),
                None => {
                    table.fault("value", "is needed: a JSON Pointer");
                    None
                }
            };
            let unit = table.get("unit").and_then(|spot| read_unit(&spot));
            table.done();
            (pointer, unit)
        } else {
            (read_pointer(&entry), None)
        };
        if let Some(value) = pointer {
            points.push(NamedPoint { name: name.to_owned(), value, unit });
        }
    }
    if points.is_empty() {
        spot.fault_without_value("must name at least one point");
        return None;
    }
    Some(Points::Named(points))
}
