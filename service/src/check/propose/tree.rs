//! Topics → patterns: which level names the machine, which the point.
//!
//! Topics of one depth below one first level are taken together. The levels are read from the end, as plants name them:
//! the last one that varies is the point (where a payload holds one value), the one before it the machine, the one
//! before that the area. It is a guess and marked as one.

use super::super::Seen;
use super::quoted;
use super::shape::{self, JsonPoints, JsonShape, Shape};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write;

/// Topics shown as examples.
const EXAMPLES: usize = 3;
/// Topics told of that are left out.
const MOST_LEFT_OUT: usize = 20;

/// One `[[topics]]` table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Rule {
    pattern: String,
    /// Composed name of the asset, where a level alone is not unique.
    asset: Option<String>,
    payload: String,
    reasons: Vec<String>,
}

/// All of them, and what fits none.
#[derive(Debug, Default)]
pub(super) struct Found {
    pub(super) rules: Vec<Rule>,
    left_out: BTreeMap<String, String>,
}

/// Groups topics and finds a rule for each group.
pub(super) fn rules(seen: &[&Seen]) -> Found {
    let mut found = Found::default();
    let mut shapes: BTreeMap<&str, Result<Shape, &'static str>> = BTreeMap::new();
    for message in seen {
        let shape = shapes.entry(&message.topic).or_insert_with(|| shape::of(&message.payload));
        if shape.is_err() {
            *shape = shape::of(&message.payload);
        }
    }
    let mut groups: BTreeMap<(usize, &str), BTreeMap<&str, &Shape>> = BTreeMap::new();
    for (topic, shape) in &shapes {
        let levels = topic.split('/').count();
        match shape {
            Ok(_) if topic.starts_with("spBv1.0/") => found.leave(topic, "Sparkplug B, which has settings of its own"),
            Ok(shape) => {
                // With two levels the first is the machine, and there is nothing to group by.
                let first = if levels > 2 { topic.split('/').next().unwrap_or_default() } else { "" };
                groups.entry((levels, first)).or_default().insert(topic, shape);
            }
            Err(why) => found.leave(topic, why),
        }
    }
    for topics in groups.values() {
        // Two patterns that fit the same topics cannot stand beside each other: the form most topics have wins.
        let mut count: BTreeMap<&Shape, usize> = BTreeMap::new();
        for shape in topics.values() {
            *count.entry(shape).or_default() += 1;
        }
        let Some(&shape) = count.iter().max_by_key(|(_, n)| **n).map(|(shape, _)| shape) else { continue };
        let fitting: Vec<&str> = topics.iter().filter(|(_, s)| **s == shape).map(|(topic, _)| *topic).collect();
        match rule(&fitting, shape) {
            Some(rule) => {
                found.rules.push(rule);
                for (topic, _) in topics.iter().filter(|(_, other)| **other != shape) {
                    found.leave(topic, "has another form of payload than the topics around it");
                }
            }
            None => fitting.iter().for_each(|topic| found.leave(topic, "has no level that could name a machine")),
        }
    }
    found
}

impl Found {
    fn leave(&mut self, topic: &str, why: &str) {
        self.left_out.insert(topic.to_owned(), why.to_owned());
    }

    pub(super) fn left_out(&self) -> usize {
        self.left_out.len()
    }

    /// The first reason, for an error.
    pub(super) fn why(&self) -> String {
        self.left_out.iter().next().map(|(topic, why)| format!(" ({topic}: {why})")).unwrap_or_default()
    }

    pub(super) fn write_left_out(&self, text: &mut String) {
        if self.left_out.is_empty() {
            return;
        }
        // Writing to a String cannot fail.
        let _ = writeln!(text, "# Heard and left out: {} topics.", self.left_out.len());
        for (topic, why) in self.left_out.iter().take(MOST_LEFT_OUT) {
            let _ = writeln!(text, "#   {}: {why}", printable(topic));
        }
        if self.left_out.len() > MOST_LEFT_OUT {
            let _ = writeln!(text, "#   and {} more", self.left_out.len() - MOST_LEFT_OUT);
        }
        text.push('\n');
    }
}

impl Rule {
    pub(super) fn write(&self, text: &mut String) {
        for reason in &self.reasons {
            let _ = writeln!(text, "# {reason}");
        }
        let _ = writeln!(text, "[[topics]]\npattern = {}", quoted(&self.pattern));
        if let Some(asset) = &self.asset {
            let _ = writeln!(text, "asset = {}", quoted(asset));
        }
        let _ = writeln!(text, "payload = {}\n", self.payload);
    }
}

/// A topic in a comment: a line break would end it.
fn printable(topic: &str) -> String {
    topic.chars().map(|c| if c.is_control() { '?' } else { c }).collect()
}

fn rule(topics: &[&str], shape: &Shape) -> Option<Rule> {
    let split: Vec<Vec<&str>> = topics.iter().map(|topic| topic.split('/').collect()).collect();
    let depth = split.first()?.len();
    let at = |place: usize| split.iter().filter_map(move |levels| levels.get(place).copied()).collect::<BTreeSet<_>>();
    let varies = |place: usize| at(place).len() > 1;
    // The asset may be in the payload, and the topic then needs none.
    let in_payload = matches!(shape, Shape::Senml { names_hold_asset: true });
    let varying = (0..depth).filter(|place| varies(*place)).count();
    let needed = if shape.is_several() { 1 } else { 2 };
    // A last level that is always the same ("value", "telemetry") names nothing, as long as enough others do.
    let mut end = depth;
    while end > needed && !varies(end - 1) && varying >= needed {
        end -= 1;
    }
    let point = (!shape.is_several()).then(|| end.checked_sub(1)).flatten();
    let asset = if in_payload { None } else { Some(end.checked_sub(needed)?) };
    if point == Some(0) || asset.is_none() && !in_payload {
        return None;
    }
    let area = asset.and_then(|asset| asset.checked_sub(1)).filter(|place| *place > 0 || varies(*place));
    // A machine's name that stands in several places is several machines.
    let before = |levels: &Vec<&str>| -> Vec<String> {
        (0..asset.unwrap_or(0)).filter(|p| varies(*p)).filter_map(|p| levels.get(p).map(|l| (*l).to_owned())).collect()
    };
    let mut places: BTreeMap<&str, BTreeSet<Vec<String>>> = BTreeMap::new();
    if let Some(asset) = asset {
        for levels in &split {
            places.entry(levels.get(asset).copied().unwrap_or_default()).or_default().insert(before(levels));
        }
    }
    let shared = places.values().any(|places| places.len() > 1);
    let mut composed = Vec::new();
    let mut pattern = Vec::new();
    for place in 0..depth {
        let level = if Some(place) == point {
            "{point}".to_owned()
        } else if Some(place) == asset {
            let name = if shared { "{machine}" } else { "{asset}" };
            composed.push(name.to_owned());
            name.to_owned()
        } else if Some(place) == area {
            if varies(place) {
                composed.push("{area}".to_owned());
            }
            "{area}".to_owned()
        } else if varies(place) {
            let name = format!("{{level{}}}", place + 1);
            composed.push(name.clone());
            name
        } else {
            // A level that a pattern would read as something else, or cannot have.
            let level = at(place).first().copied().unwrap_or_default();
            if level.is_empty() || level.contains(['{', '}', '+', '#']) || level.chars().any(char::is_control) {
                return None;
            }
            level.to_owned()
        };
        pattern.push(level);
    }
    let examples = topics.iter().take(EXAMPLES).map(|topic| printable(topic)).collect::<Vec<_>>().join(", ");
    let mut reasons = vec![format!("{} topics such as {examples}", topics.len())];
    let count = |place: Option<usize>| place.map(|place| at(place).len());
    match (count(asset), count(point)) {
        (Some(assets), Some(points)) => reasons.push(format!(
            "GUESS: {assets} machines by level {}, {points} points by level {}, counted from 1. Change the names in the pattern if \
             they are others.",
            asset.unwrap_or(0) + 1,
            point.unwrap_or(0) + 1
        )),
        (Some(assets), None) => {
            reasons.push(format!("GUESS: {assets} machines by level {}; the points are in the payload.", asset.unwrap_or(0) + 1));
        }
        _ => reasons.push("The names in the payload hold machine and point.".to_owned()),
    }
    let asset = shared.then(|| composed.join("-"));
    if asset.is_some() {
        reasons.push("One name stands in several places, so the place is part of the machine's name.".to_owned());
    }
    let (payload, reason) = payload(shape);
    reasons.push(reason);
    Some(Rule { pattern: pattern.join("/"), asset, payload, reasons })
}

/// The `payload` of a rule and what it was told by.
fn payload(shape: &Shape) -> (String, String) {
    match shape {
        Shape::Number => ("\"number\"".into(), "The payload is a number; its time is that of arrival.".into()),
        Shape::Waveform => ("\"waveform\"".into(), "The payload is a waveform.".into()),
        Shape::Senml { names_hold_asset } => {
            let names = if *names_hold_asset { "asset/point" } else { "point" };
            (format!("{{ format = \"senml\", names = \"{names}\" }}"), "The payload is SenML (RFC 8428).".into())
        }
        Shape::Json(JsonShape { points, time, unit, quality }) => {
            let mut text = "{ format = \"json\"".to_owned();
            let mut put = |key: &str, pointer: &Option<String>| {
                if let Some(pointer) = pointer {
                    let _ = write!(text, ", {key} = {}", quoted(pointer));
                }
            };
            match points {
                JsonPoints::One(pointer) => put("value", &Some(pointer.clone())),
                JsonPoints::All(pointer) => {
                    put("points", &Some("*".into()));
                    put("value", &Some(pointer.clone()).filter(|pointer| !pointer.is_empty()));
                }
            }
            put("time", time);
            put("unit", unit);
            put("quality", quality);
            text.push_str(" }");
            let at = match time {
                Some(_) => "its time is in it",
                None => "no time was found in it, so that of arrival counts",
            };
            (text, format!("The payload is JSON; {at}."))
        }
    }
}
