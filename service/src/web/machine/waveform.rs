//! What is inside a machine's waveforms: spectrum, spectrum of the envelope and waveform of the newest, the reference and
//! the alert's capture over one another.

use super::{Refusal, as_json, picture, reading};
use crate::advise::diagnosis::Diagnosis;
use crate::advise::forms::rounded;
use crate::chart::captures::{self, Held, Sensor};
use crate::chart::vibration::{Named, Vibration};
use crate::chart::{Palette, Picture, Plot, Scale, Size, SpectrumChart, Trace, WaveformChart};
use crate::keep::read::{AssetRow, Reader};
use crate::web::{Shown, words};
use axum::extract::{Path, Query, State};
use axum::response::Response;
use roundsman_models::manipulate::waveform::Motion;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// What is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Form {
    #[default]
    Spectrum,
    Envelope,
    Waveform,
}

/// What frequencies are counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Counted {
    #[default]
    Hz,
    Rpm,
    Orders,
}

/// What a picture's address asks for.
#[derive(Debug, Clone, Deserialize)]
pub(super) struct Asked {
    /// `POINT/DIRECTION`, or `POINT`.
    sensor: Option<String>,
    #[serde(default)]
    form: Form,
    motion: Option<Motion>,
    #[serde(default)]
    scale: Counted,
    /// Of `newest`, `reference`, `alert`, those to be shown, with commas.
    shows: Option<String>,
    /// Hz, or s of a waveform.
    from: Option<f64>,
    to: Option<f64>,
    width: Option<f64>,
    height: Option<f64>,
}

/// A capture's curve.
struct Curve {
    name: String,
    values: Vec<f64>,
    step: f64,
}

/// What was drawn, with the numbers of a cursor.
#[derive(Serialize)]
pub(super) struct Numbers {
    sensor: String,
    svg: String,
    plot: Plot,
    width: f64,
    height: f64,
    sign: String,
    /// `hz`, or `s` for a waveform.
    along: &'static str,
    /// Shaft speed, Hz.
    shaft_hz: Option<f64>,
    /// Per curve its name and, per column, place and value.
    curves: Vec<(String, Vec<(f64, f64)>)>,
    /// What could not be read, in words.
    notes: Vec<String>,
}

/// Longest record shown at first, s; the rest by zooming out.
const FIRST_SECS: f64 = 0.5;
/// Shaft orders of a first look: where the usual faults show.
const FIRST_ORDERS: f64 = 20.0;
/// Columns of numbers at most.
const COLUMNS: usize = 1500;

fn drawn(shown: &Shown, reader: &Reader, asset: &AssetRow, asked: &Asked) -> Result<Numbers, Refusal> {
    let diagnosis = reader.diagnosis(&asset.name)?;
    let sensors = captures::sensors(reader, asset, diagnosis.as_ref())?;
    let name_of = |s: &Sensor| if s.axis.is_empty() { s.point.clone() } else { format!("{}/{}", s.point, s.axis) };
    let sensor = match &asked.sensor {
        Some(name) => sensors.iter().find(|s| name_of(s) == *name),
        None => sensors.first(),
    };
    let sensor = sensor.ok_or_else(|| Refusal::Missing("this machine has no such waveform".to_owned()))?;
    let mut notes = Vec::new();
    let mut seen: Vec<(String, Vibration)> = Vec::new();
    for (name, held) in wanted(sensor, asked.shows.as_deref()) {
        match captures::look(reader, asset, sensor, held.number, diagnosis.as_ref())? {
            Ok(vibration) => seen.push((format!("{name}, {}", words::when(held.at, &shown.zone).words), vibration)),
            Err(why) => notes.push(format!("{name}: {why}")),
        }
    }
    Ok(Drawing { shown, asset, sensor, asked, seen: &seen, diagnosis: diagnosis.as_ref() }.draw(name_of(sensor), notes))
}

/// The captures asked for, the one the page is about first.
fn wanted(sensor: &Sensor, shows: Option<&str>) -> Vec<(&'static str, Held)> {
    let asked = |name: &str| shows.is_none_or(|shows| shows.split(',').any(|s| s == name));
    let all = [("newest", Some(sensor.newest)), ("reference", sensor.reference), ("alert", sensor.alert)];
    let mut found: Vec<(&'static str, Held)> = Vec::new();
    for (name, held) in all {
        let Some(held) = held.filter(|_| asked(name)) else { continue };
        // One waveform may be kept as several.
        if !found.iter().any(|(_, known)| known.number == held.number) {
            found.push((name, held));
        }
    }
    found
}

struct Drawing<'a> {
    shown: &'a Shown,
    asset: &'a AssetRow,
    sensor: &'a Sensor,
    asked: &'a Asked,
    seen: &'a [(String, Vibration)],
    diagnosis: Option<&'a Diagnosis>,
}

impl Drawing<'_> {
    fn draw(&self, sensor: String, mut notes: Vec<String>) -> Numbers {
        let Asked { form, scale, .. } = *self.asked;
        let motion = self.asked.motion.unwrap_or(Motion::Velocity);
        let unit = self.shown.units.shown(Vibration::unit(motion)).sign;
        let size = self.size();
        let shaft_hz = self.seen.first().and_then(|(_, v)| v.shaft_hz());
        let curves = self.curves(form, motion, &mut notes);
        let longest = curves.iter().map(|c| c.step * c.values.len() as f64).fold(0.0, f64::max);
        let first_hz = shaft_hz.map_or(1000.0, |hz| FIRST_ORDERS * hz);
        let usual = match form {
            Form::Waveform => FIRST_SECS.min(longest),
            Form::Spectrum | Form::Envelope => first_hz.min(longest),
        };
        let (from, to) = (self.asked.from.unwrap_or(0.0).max(0.0), self.asked.to.unwrap_or(usual).min(longest));
        let range = if from.is_finite() && to > from { (from, to) } else { (0.0, usual.max(f64::MIN_POSITIVE)) };
        let traces: Vec<_> = curves.iter().map(|c| Trace { name: &c.name, values: &c.values, step: c.step }).collect();
        let counted = match (scale, shaft_hz) {
            (Counted::Orders, Some(hz)) => Scale::Orders(hz),
            (Counted::Orders, None) => {
                notes.push("no shaft speed is known, so frequencies are in Hz".to_owned());
                Scale::Hz
            }
            (Counted::Rpm, _) => Scale::Rpm,
            (Counted::Hz, _) => Scale::Hz,
        };
        let (sign, title) = match form {
            Form::Spectrum => (format!("{unit} peak"), format!("{sensor} · spectrum of {}", motion_words(motion))),
            Form::Envelope => ("modulation depth".to_owned(), format!("{sensor} · spectrum of the envelope")),
            Form::Waveform => (unit, format!("{sensor} · {}", motion_words(motion))),
        };
        let Picture { svg, plot } = if form == Form::Waveform {
            WaveformChart { title: &title, sign: &sign, traces: &traces, secs: range }.draw(size, &Palette::LIGHT)
        } else {
            let lines = self.lines(form);
            let chart =
                SpectrumChart { title: &title, sign: &sign, traces: &traces, lines: &lines, hz: range, scale: counted };
            chart.draw(size, &Palette::LIGHT)
        };
        let numbers = curves.iter().map(|c| (c.name.clone(), columns(c, range, form))).collect();
        let along = if form == Form::Waveform { "s" } else { "hz" };
        let Size { width, height } = size;
        Numbers { sensor, svg, plot, width, height, sign, along, shaft_hz, curves: numbers, notes }
    }

    fn size(&self) -> Size {
        let within = |value: Option<f64>, usual: f64, least: f64, most: f64| {
            value.filter(|v| v.is_finite()).unwrap_or(usual).clamp(least, most)
        };
        let usual = if self.asked.form == Form::Waveform { 300.0 } else { 240.0 };
        Size {
            width: within(self.asked.width, 720.0, 200.0, 4000.0),
            height: within(self.asked.height, usual, 80.0, 1200.0),
        }
    }

    fn curves(&self, form: Form, motion: Motion, notes: &mut Vec<String>) -> Vec<Curve> {
        let units = self.shown.units;
        let mut curves = Vec::new();
        for (name, vibration) in self.seen {
            let (values, step) = match form {
                Form::Spectrum => vibration.spectrum(motion, units),
                Form::Waveform => (vibration.waveform(motion, units), 1.0 / vibration.capture.rate_hz),
                Form::Envelope => match vibration.envelope() {
                    Some((depth, _, step)) => (depth.to_vec(), step),
                    None => {
                        let why = vibration.report.unusable.as_deref().unwrap_or("no shaft speed, or too short");
                        notes.push(format!("{name}: no envelope ({why})"));
                        continue;
                    }
                },
            };
            if values.is_empty() {
                let why = vibration.report.unusable.as_deref().unwrap_or("nothing in it");
                notes.push(format!("{name}: no spectrum ({why})"));
                continue;
            }
            curves.push(Curve { name: name.clone(), values, step });
        }
        curves
    }

    /// Lines of the diagnosis in a spectrum, of the bearing's family in an envelope.
    fn lines(&self, form: Form) -> Vec<Named> {
        if form == Form::Envelope {
            let bearings = captures::bearings(&self.asset.plate, &self.sensor.point);
            return self.seen.first().map(|(_, v)| v.envelope_lines(&bearings)).unwrap_or_default();
        }
        let Some(shaft_hz) = self.seen.first().and_then(|(_, v)| v.shaft_hz()) else { return Vec::new() };
        let mut lines = Vec::new();
        let explanations = self.diagnosis.map(|d| d.explanations.as_slice()).unwrap_or_default();
        let told = explanations.iter().take(2).flat_map(|e| &e.support);
        for evidence in told.filter(|e| e.axis.is_none_or(|axis| axis.words() == self.sensor.axis)) {
            // Lines of an envelope have no place in this spectrum.
            if evidence.amplitude.as_ref().is_none_or(|a| a.unit == "1") {
                continue;
            }
            if let (Some(hz), Some(order)) = (evidence.hz, evidence.order)
                && !lines.iter().any(|line: &Named| (line.hz - hz).abs() < 0.02 * shaft_hz)
            {
                lines.push(Named { hz, label: order_words(order), aside: false });
            }
        }
        if lines.is_empty() {
            lines.push(Named { hz: shaft_hz, label: "1×".to_owned(), aside: false });
        }
        lines.sort_by(|a, b| a.hz.total_cmp(&b.hz));
        lines
    }
}

fn order_words(order: f64) -> String {
    if (order - order.round()).abs() < 0.02 { format!("{order:.0}×") } else { format!("{order:.2}×") }
}

fn motion_words(motion: Motion) -> &'static str {
    match motion {
        Motion::Acceleration => "acceleration",
        Motion::Velocity => "velocity",
        Motion::Displacement => "displacement",
    }
}

/// What a cursor reads: the highest value of each column, of a waveform the farthest from 0.
fn columns(curve: &Curve, (from, to): (f64, f64), form: Form) -> Vec<(f64, f64)> {
    let first = (from / curve.step).ceil().max(0.0) as usize;
    let count = ((to / curve.step).floor().max(0.0) as usize + 1).saturating_sub(first);
    let shown: Vec<_> = curve.values.iter().enumerate().skip(first).take(count).collect();
    let each = shown.len().div_ceil(COLUMNS).max(1);
    let size = |v: f64| if form == Form::Waveform { v.abs() } else { v };
    let best = |chunk: &[(usize, &f64)]| {
        let best = chunk.iter().max_by(|a, b| size(*a.1).total_cmp(&size(*b.1)))?;
        Some((rounded(best.0 as f64 * curve.step), rounded(*best.1)))
    };
    shown.chunks(each).filter_map(best).collect()
}

/// `/machines/{asset}/waveform.svg`
pub(super) async fn svg(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    let numbers = reading(&shown, asset, move |shown, reader, asset| drawn(shown, reader, asset, &asked)).await?;
    Ok(picture(numbers.svg))
}

/// `/machines/{asset}/waveform.json`
pub(super) async fn json(
    State(shown): State<Arc<Shown>>,
    Path(asset): Path<String>,
    Query(asked): Query<Asked>,
) -> Result<Response, Refusal> {
    Ok(as_json(&reading(&shown, asset, move |shown, reader, asset| drawn(shown, reader, asset, &asked)).await?))
}
