//! One SVG per waveform: the waveform, its spectrum, and the envelope spectrum with the lines it was judged by.
//!
//! Quiet on purpose: one ink, one accent for what is named, thin grids; text as text, so it stays searchable.

use super::report::Report;
use crate::acquire::waveform::Capture;
use roundsman_models::assess::bearing::{Bearing, BearingPart, Family, LineKind};
use std::fmt::Write;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 24.0;
const PANEL: f64 = 190.0;
const GAP: f64 = 62.0;
const TOP: f64 = 92.0;

/// Draws a report. The samples come from the capture, a report keeps none; `bearings` are those it was made with.
pub fn plot(report: &Report, capture: &Capture, bearings: &[Bearing]) -> String {
    let height = TOP + 3.0 * PANEL + 2.0 * GAP + 44.0;
    let mut svg = String::new();
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" font-family="'Segoe UI','Helvetica Neue',Arial,sans-serif" font-size="12" fill="#24313c">
<rect width="{WIDTH}" height="{height}" fill="#fcfcfb"/>
<text x="{LEFT}" y="30" font-size="17" font-weight="600">{} · {}</text>
<text x="{LEFT}" y="50" fill="#5c6b77">{}</text>
"##,
        escape(&report.record),
        report.word,
        escape(&subtitle(report)),
    );
    waveform(&mut svg, capture, TOP);
    spectrum(&mut svg, report, TOP + PANEL + GAP);
    envelope(&mut svg, report, bearings, TOP + 2.0 * (PANEL + GAP));
    svg.push_str("</svg>\n");
    svg
}

fn subtitle(report: &Report) -> String {
    let mut text = format!("{:.2} s at {:.0} Hz", report.secs, report.rate_hz);
    if let Some(speed) = report.speed {
        let _ = write!(text, " · {:.0} r/min", speed.rpm);
    }
    let _ = write!(
        text,
        " · {:.2} mm/s RMS · kurtosis {:.1} · score {:.2}",
        report.overalls.velocity_mm_s.rms, report.shape_g.kurtosis, report.confidence
    );
    if let Some(why) = &report.unusable {
        let _ = write!(text, " · {why}");
    }
    text
}

/// A panel with its scales.
struct Panel {
    top: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl Panel {
    fn x(&self, value: f64) -> f64 {
        LEFT + (value - self.x.0) / (self.x.1 - self.x.0) * (WIDTH - LEFT - RIGHT)
    }

    fn y(&self, value: f64) -> f64 {
        self.top + PANEL - (value - self.y.0) / (self.y.1 - self.y.0) * PANEL
    }

    /// Title, grid and numbers.
    fn frame(&self, svg: &mut String, title: &str, x_label: &str) {
        let _ = writeln!(
            svg,
            r##"<text x="{LEFT}" y="{:.1}" font-weight="600">{}</text><text x="{:.1}" y="{:.1}" text-anchor="end" fill="#5c6b77">{x_label}</text>"##,
            self.top - 8.0,
            escape(title),
            WIDTH - RIGHT,
            self.top + PANEL + 32.0,
        );
        for value in ticks(self.x) {
            let x = self.x(value);
            let _ = writeln!(
                svg,
                r##"<path d="M{x:.1} {:.1}v{PANEL}" stroke="#e6e8ea"/><text x="{x:.1}" y="{:.1}" text-anchor="middle" fill="#5c6b77">{}</text>"##,
                self.top,
                self.top + PANEL + 16.0,
                number(value)
            );
        }
        for value in ticks(self.y) {
            let y = self.y(value);
            let _ = writeln!(
                svg,
                r##"<path d="M{LEFT} {y:.1}H{:.1}" stroke="#e6e8ea"/><text x="{:.1}" y="{:.1}" text-anchor="end" fill="#5c6b77">{}</text>"##,
                WIDTH - RIGHT,
                LEFT - 8.0,
                y + 4.0,
                number(value)
            );
        }
    }

    /// A spectrum as the highest line per pixel.
    fn lines(&self, svg: &mut String, values: &[f64], step: f64, stroke: &str) {
        let mut path = String::new();
        let mut column: Option<(i64, f64)> = None;
        let mut put = |column: (i64, f64)| {
            let sign = if path.is_empty() { 'M' } else { 'L' };
            let _ = write!(path, "{sign}{} {:.1}", column.0, self.y(column.1.min(self.y.1)));
        };
        for (k, value) in values.iter().enumerate() {
            let at = k as f64 * step;
            if at < self.x.0 || at > self.x.1 {
                continue;
            }
            let pixel = self.x(at).round() as i64;
            column = match column {
                Some((same, high)) if same == pixel => Some((same, high.max(*value))),
                Some(done) => {
                    put(done);
                    Some((pixel, *value))
                }
                None => Some((pixel, *value)),
            };
        }
        if let Some(done) = column {
            put(done);
        }
        let _ = writeln!(
            svg,
            r##"<path d="{path}" fill="none" stroke="{stroke}" stroke-width="1" stroke-linejoin="round"/>"##
        );
    }
}

fn waveform(svg: &mut String, capture: &Capture, top: f64) {
    let samples = &capture.samples_g;
    let peak = samples.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
    let high = if peak > 0.0 { 1.08 * peak } else { 1.0 };
    let secs = (samples.len() as f64 / capture.rate_hz).max(f64::MIN_POSITIVE);
    let panel = Panel { top, x: (0.0, secs), y: (-high, high) };
    panel.frame(svg, "Acceleration, g", "s");
    let columns = (WIDTH - LEFT - RIGHT) as usize;
    let per_column = samples.len().div_ceil(columns).max(1);
    let mut path = String::new();
    for (n, chunk) in samples.chunks(per_column).enumerate() {
        let (low, high) = chunk.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), x| (l.min(*x), h.max(*x)));
        let x = panel.x((n * per_column) as f64 / capture.rate_hz);
        let sign = if n == 0 { 'M' } else { 'L' };
        let _ = write!(path, "{sign}{x:.1} {:.1}V{:.1}", panel.y(low), panel.y(high));
    }
    let _ = writeln!(svg, r##"<path d="{path}" fill="none" stroke="#4b6a83" stroke-width="0.8"/>"##);
}

fn spectrum(svg: &mut String, report: &Report, top: f64) {
    let step = report.spectrum.step_hz;
    // mm/s from g: the first lines would only show the division by their frequency.
    let low_hz = report.overalls.band.low_hz;
    let velocity: Vec<f64> = report
        .spectrum
        .amplitudes
        .iter()
        .enumerate()
        .map(|(k, g)| {
            let hz = k as f64 * step;
            if hz < low_hz { 0.0 } else { g * 9806.65 / (std::f64::consts::TAU * hz) }
        })
        .collect();
    let top_hz = (report.rate_hz / 2.0).min(report.overalls.band.high_hz);
    let count = ((top_hz / step) as usize).min(velocity.len());
    let highest = velocity.iter().take(count).fold(0.0_f64, |m, v| m.max(*v));
    let high = if highest > 0.0 { 1.2 * highest } else { 1.0 };
    let panel = Panel { top, x: (0.0, top_hz), y: (0.0, high) };
    panel.frame(svg, "Velocity spectrum, mm/s peak", "Hz");
    panel.lines(svg, &velocity, step, "#4b6a83");
    let Some(shaft_hz) = report.speed.map(|s| s.hz()) else { return };
    // The six highest lines, each at least two orders of the drawing's width from the next.
    let mut peaks: Vec<(f64, f64)> = velocity
        .windows(3)
        .enumerate()
        .take(count)
        .filter_map(|(k, w)| match *w {
            [a, b, c] if b >= a && b > c && b > 0.04 * highest => Some(((k + 1) as f64 * step, b)),
            _ => None,
        })
        .collect();
    peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
    let mut labelled: Vec<f64> = Vec::new();
    for (hz, value) in peaks {
        let x = panel.x(hz);
        if labelled.len() >= 6 || labelled.iter().any(|other| (other - x).abs() < 34.0) {
            continue;
        }
        labelled.push(x);
        let order = hz / shaft_hz;
        let _ = writeln!(
            svg,
            r##"<text x="{x:.1}" y="{:.1}" text-anchor="middle" font-size="11">{}×</text>"##,
            panel.y(value) - 5.0,
            if (order - order.round()).abs() < 0.02 { format!("{order:.0}") } else { format!("{order:.2}") }
        );
    }
}

fn envelope(svg: &mut String, report: &Report, bearings: &[Bearing], top: f64) {
    let Some(found) = &report.bearing else {
        let _ = writeln!(
            svg,
            r##"<text x="{LEFT}" y="{:.1}" fill="#5c6b77">No envelope spectrum: it needs a shaft speed and a sound waveform.</text>"##,
            top + 20.0
        );
        return;
    };
    let spectrum = &found.envelope;
    let family: Option<&Family> = found.named().or(found.families.first().filter(|f| f.log10_p < -6.0));
    let shaft_hz = found.speed.hz();
    let last_hz = spectrum.depth.len() as f64 * spectrum.step_hz;
    let wanted_hz = family.map_or(12.0 * shaft_hz, |f| 5.6 * f.hz);
    let top_hz = wanted_hz.min(last_hz).max(2.0 * spectrum.step_hz);
    let first = (0.15 * shaft_hz / spectrum.step_hz) as usize;
    let count = (top_hz / spectrum.step_hz) as usize;
    let highest = spectrum.depth.iter().take(count).skip(first).fold(0.0_f64, |m, v| m.max(*v));
    let high = if highest > 0.0 { 1.25 * highest } else { 1.0 };
    let panel = Panel { top, x: (0.0, top_hz), y: (0.0, high) };
    let whose = family.map_or(String::new(), |f| {
        let place = f.bearing.and_then(|b| bearings.get(b)).map_or("", |b| b.name.as_str());
        format!(" · {place} {}", f.part.map_or("unknown rate", BearingPart::words))
    });
    let title = format!(
        "Spectrum of the squared envelope, {:.0} to {:.0} Hz, modulation depth{whose}",
        spectrum.low_hz, spectrum.high_hz
    );
    panel.frame(svg, &title, "Hz");
    panel.lines(svg, &spectrum.floor, spectrum.step_hz, "#b9c2c9");
    panel.lines(svg, &spectrum.depth, spectrum.step_hz, "#4b6a83");
    let Some(family) = family else { return };
    let name = family.part.map_or("unknown", short);
    for line in family.lines.iter().filter(|l| l.hz <= top_hz) {
        let (x, y) = (panel.x(line.hz), panel.y(line.amplitude.min(high)));
        match line.kind {
            LineKind::Harmonic(k) => {
                let label = if k == 1 { name.to_owned() } else { format!("{k}×") };
                let _ = writeln!(
                    svg,
                    r##"<path d="M{x:.1} {:.1}V{y:.1}" stroke="#b4532a" stroke-width="1.6"/><circle cx="{x:.1}" cy="{y:.1}" r="2.4" fill="#b4532a"/><text x="{:.1}" y="{:.1}" text-anchor="middle" font-size="11" fill="#9a431d" font-weight="600">{label} · {:.1} Hz · {:.0} dB</text>"##,
                    panel.y(0.0),
                    x.clamp(LEFT + 60.0, WIDTH - RIGHT - 60.0),
                    y - 7.0,
                    line.hz,
                    line.db
                );
            }
            LineKind::Sideband(..) => {
                let _ = writeln!(svg, r##"<circle cx="{x:.1}" cy="{y:.1}" r="2.2" fill="none" stroke="#b4532a"/>"##);
            }
        }
    }
}

fn short(part: BearingPart) -> &'static str {
    match part {
        BearingPart::Outer => "BPFO",
        BearingPart::Inner => "BPFI",
        BearingPart::Element => "2×BSF",
        BearingPart::Cage => "FTF",
    }
}

/// Four to eight round numbers inside a range.
pub(crate) fn ticks((low, high): (f64, f64)) -> Vec<f64> {
    let span = high - low;
    if !(span.is_finite() && span > 0.0) {
        return Vec::new();
    }
    let rough = span / 6.0;
    let power = 10.0_f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= rough).unwrap_or(10.0 * power);
    let first = (low / step).ceil() as i64;
    (first..).map(|k| k as f64 * step).take_while(|v| *v <= high).take(20).collect()
}

/// A number without a tail of zeros.
pub(crate) fn number(value: f64) -> String {
    let text = format!("{value:.6}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text.is_empty() || text == "-0" { "0".to_owned() } else { text.to_owned() }
}

pub(crate) fn escape(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks((0.0, 100.0)), [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]);
        assert!(ticks((0.0, f64::NAN)).is_empty());
        assert_eq!(number(0.30000), "0.3");
        assert_eq!(number(-0.0), "0");
    }
}
