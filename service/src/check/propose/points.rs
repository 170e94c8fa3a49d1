//! Values heard → assets and points with quantity, unit and pace, each with the reason for it.

use super::super::Seen;
use super::{key, median, quoted, secs_between};
use crate::acquire::guess;
use crate::acquire::payload::{Format, decode};
use crate::acquire::registry::{is_asset_name, is_point_name};
use crate::acquire::topics::find;
use crate::acquire::units::{Unit, kept};
use crate::asset::spec::Quantity;
use crate::check::summary::{quantity_word, show_role};
use crate::config::Checked;
use crate::config::value::show_secs;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::fmt::Write;

/// Values of one point kept for its range and pace.
const MOST_VALUES: usize = 4096;

/// Values a working machine shows, where nobody said the unit: by quantity, the unit that is usual when all values lie
/// within. Common practice; chosen so that the next usual unit of the quantity lies outside as far as it can.
const USUAL: &[(Quantity, &str, f64, f64)] = &[
    (Quantity::VibrationVelocity, "mm/s", 0.0, 60.0),
    (Quantity::Temperature, "Cel", -40.0, 180.0),
    (Quantity::Temperature, "K", 230.0, 460.0),
    (Quantity::Speed, "/min", 100.0, 30_000.0),
    (Quantity::Current, "A", 0.0, 2_000.0),
    (Quantity::Power, "kW", 0.0, 20_000.0),
    (Quantity::Pressure, "bar", 0.0, 60.0),
    (Quantity::Load, "%", 0.0, 130.0),
    (Quantity::Voltage, "V", 0.0, 15_000.0),
];

#[derive(Debug, Default)]
struct Heard {
    said: Option<String>,
    values: Vec<f64>,
    times: Vec<EventTime>,
    offsets: Vec<f64>,
}

/// By asset (with its area), by point.
#[derive(Debug, Default)]
pub(super) struct Points(BTreeMap<String, (Option<String>, BTreeMap<String, Heard>)>);

/// Decodes everything as `run` would.
pub(super) fn gather(config: &Checked, seen: &[&Seen]) -> Points {
    let mut points = Points::default();
    for message in seen {
        let Some((mapping, names)) = find(&config.topics, &message.topic) else { continue };
        if matches!(mapping.codec.format, Format::Waveform(_)) {
            continue;
        }
        let mut values = Vec::new();
        // What is wrong with a part of a payload is for `check --listen` with the finished file to tell.
        let _ = decode(&mapping.codec, &names, &message.payload, message.received, &mut values);
        for value in values {
            if !is_asset_name(value.asset.trim()) || !is_point_name(value.point.trim()) {
                continue;
            }
            let asset = points.0.entry(value.asset.trim().to_owned()).or_default();
            asset.0 = asset.0.take().or_else(|| value.area.as_deref().map(|area| area.trim().to_owned()));
            let heard = asset.1.entry(value.point.trim().to_owned()).or_default();
            heard.said = heard.said.take().or_else(|| value.unit.as_deref().map(str::to_owned));
            if heard.values.len() < MOST_VALUES && value.value.is_finite() {
                heard.values.push(value.value);
                // A retained message is from long ago: its value counts, its time does not.
                if !message.retained {
                    heard.times.push(value.at);
                    heard.offsets.push(secs_between(value.at, message.received));
                }
            }
        }
    }
    points
}

impl Points {
    /// How far behind their arrival the times in the payloads are, the middle of all.
    pub(super) fn offset_secs(&self) -> Option<f64> {
        median(self.heard().flat_map(|(_, heard)| heard.offsets.iter().copied()).collect())
    }

    /// Assets, points, and points with a guessed unit.
    pub(super) fn counts(&self) -> (usize, usize, usize) {
        let guessed = self.heard().filter(|(name, heard)| matches!(unit(name, heard), Told::Guessed(..))).count();
        (self.0.len(), self.heard().count(), guessed)
    }

    fn heard(&self) -> impl Iterator<Item = (&String, &Heard)> {
        self.0.values().flat_map(|(_, points)| points)
    }

    pub(super) fn write(&self, text: &mut String) {
        for (asset, (area, points)) in &self.0 {
            // Writing to a String cannot fail.
            let pace = points
                .values()
                .filter_map(pace_secs)
                .fold(None, |pace: Option<f64>, secs| Some(pace.map_or(secs, |p| p.max(secs))));
            match pace {
                Some(secs) => drop(writeln!(text, "# Its slowest point comes about every {}.", show_secs(secs))),
                None => drop(writeln!(text, "# Heard too seldom to tell its pace.")),
            }
            let _ = writeln!(text, "[assets.{}]", key(asset));
            if let Some(area) = area {
                let _ = writeln!(text, "area = {}", quoted(area));
            }
            let _ = writeln!(
                text,
                "# For a person: #class = \"pump\", #rating = \"15 kW\", #rated_speed = \"1480 rpm\", #mounting = \"rigid\", and limits.\n"
            );
            let has_vibration = points.iter().any(|(name, heard)| {
                let unit = heard.said.as_deref().and_then(Unit::parse);
                guess::is_vibration(guess::guess(name, unit.as_ref()).quantity)
            });
            for (name, heard) in points {
                point(asset, name, heard, has_vibration, text);
            }
        }
    }
}

fn point(asset: &str, name: &str, heard: &Heard, has_vibration: bool, text: &mut String) {
    let low = heard.values.iter().copied().fold(f64::INFINITY, f64::min);
    let high = heard.values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let _ = writeln!(text, "[assets.{}.points.{}]", key(asset), key(name));
    let told = unit(name, heard);
    let parsed = told.code().and_then(Unit::parse);
    let spec = guess::point(name, parsed.as_ref(), has_vibration);
    let values = match heard.values.len() {
        0 => "no finite value".to_owned(),
        1 => format!("one value, {low}"),
        n => format!("{n} values, {low} to {high}"),
    };
    let quantity = quantity_word(spec.quantity);
    match &told {
        Told::Said(code) => {
            let _ =
                writeln!(text, "quantity = \"{quantity}\"\nunit = {}  # said with the values; {values}", quoted(code));
        }
        Told::Guessed(code, why) => {
            let _ = writeln!(text, "quantity = \"{quantity}\"\nunit = \"{code}\"  # GUESS: {why}; {values}");
        }
        Told::Nothing(why) => {
            if spec.quantity == Quantity::State {
                let _ = writeln!(text, "quantity = \"state\"  # GUESS from its name; {values}");
            } else {
                let _ = writeln!(text, "#unit = \"\"  # {why}; {values}");
            }
        }
    }
    let _ = writeln!(text, "role = \"{}\"  # GUESS from its quantity\n", show_role(spec.role));
}

/// What is known of a point's unit.
enum Told {
    /// The sender says it.
    Said(String),
    /// Nobody says it; with the reason.
    Guessed(&'static str, String),
    /// It stays open; with the reason.
    Nothing(String),
}

impl Told {
    fn code(&self) -> Option<&str> {
        match self {
            Self::Said(code) => Some(code),
            Self::Guessed(code, _) => Some(code),
            Self::Nothing(_) => None,
        }
    }
}

fn unit(name: &str, heard: &Heard) -> Told {
    if let Some(said) = &heard.said {
        return match Unit::parse(said) {
            Some(_) => Told::Said(said.clone()),
            None => Told::Nothing(format!("the sender says {said:?}, which is no unit that is known; set it")),
        };
    }
    let quantity = guess::guess(name, None).quantity;
    let fits = |&&(q, _, low, high): &&(Quantity, &str, f64, f64)| {
        // Only values away from nought tell units apart: a machine that stands still fits them all.
        let largest = heard.values.iter().fold(0.0, |m: f64, v| m.max(v.abs()));
        q == quantity
            && largest >= low.max(0.0)
            && heard.values.iter().all(|v| *v <= high && (*v >= low || *v >= 0.0 && low > 0.0))
    };
    let known = kept(quantity).is_some();
    match USUAL.iter().find(fits) {
        Some((_, code, ..)) if !heard.values.is_empty() => Told::Guessed(
            code,
            format!("nobody says the unit; {} by its name, and the values fit", quantity_word(quantity)),
        ),
        _ if known => Told::Nothing(format!(
            "nobody says the unit; {} by its name, but the values do not settle it: set it",
            quantity_word(quantity)
        )),
        _ => Told::Nothing("nobody says the unit, and the name tells nothing: set it".to_owned()),
    }
}

/// Time between values, where there are enough.
fn pace_secs(heard: &Heard) -> Option<f64> {
    let mut times = heard.times.clone();
    times.sort_unstable();
    times.dedup();
    if times.len() < 3 {
        return None;
    }
    median(times.windows(2).filter_map(|pair| Some(secs_between(*pair.first()?, *pair.get(1)?))).collect())
}
