//! Spectra and waveforms of up to three captures over one another, with marked lines.

use super::svg::{Anchor, Svg};
use super::vibration::Named;
use super::{Palette, Picture, Plot, Size, axis};
use std::fmt::Write;

/// One capture's curve.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace<'a> {
    /// What it is: newest, reference, of the alert.
    pub name: &'a str,
    /// Values, evenly spaced from 0.
    pub values: &'a [f64],
    /// Their distance: Hz in a spectrum, s in a waveform.
    pub step: f64,
}

/// Lines marked on a spectrum.
pub type Line = Named;

/// What the frequencies are counted in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scale {
    /// Hz.
    Hz,
    /// r/min.
    Rpm,
    /// Multiples of shaft speed, which is given in Hz.
    Orders(f64),
}

impl Scale {
    /// Factor from Hz.
    pub fn factor(self) -> f64 {
        match self {
            Self::Hz => 1.0,
            Self::Rpm => 60.0,
            Self::Orders(shaft_hz) => 1.0 / shaft_hz,
        }
    }

    /// Sign of its unit.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Hz => "Hz",
            Self::Rpm => "rpm",
            Self::Orders(_) => "× shaft speed",
        }
    }
}

/// A spectrum to be drawn. Values are in the unit shown already.
#[derive(Debug, Clone)]
pub struct SpectrumChart<'a> {
    /// Title.
    pub title: &'a str,
    /// Unit of the values.
    pub sign: &'a str,
    /// Captures, the one it is about first; at most three are drawn.
    pub traces: &'a [Trace<'a>],
    /// Marked lines, Hz.
    pub lines: &'a [Line],
    /// Frequencies shown, Hz.
    pub hz: (f64, f64),
    /// What they are counted in.
    pub scale: Scale,
}

const LEFT: f64 = 52.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 44.0;
const BOTTOM: f64 = 40.0;
/// Strokes of the traces: they differ without colour too.
const DASHES: [&str; 3] = ["", r##"stroke-dasharray="5 2""##, r##"stroke-dasharray="1.5 2""##];

fn colours(palette: &Palette) -> [&'static str; 3] {
    [palette.line, palette.others[0], palette.others[1]]
}

fn plot(size: Size, (from, to): (f64, f64), (low, high): (f64, f64)) -> Plot {
    Plot {
        left: LEFT,
        right: (size.width - RIGHT).max(LEFT + 10.0),
        top: TOP,
        bottom: (size.height - BOTTOM).max(TOP + 10.0),
        from,
        to: if to > from { to } else { from + 1.0 },
        low,
        high,
    }
}

fn head(svg: &mut Svg, size: Size, palette: &Palette, title: &str, names: &[&str]) {
    svg.text((0.0, 12.0), Anchor::Start, "title", palette.ink, title);
    let mut x = LEFT;
    for ((name, colour), dashes) in names.iter().zip(colours(palette)).zip(DASHES) {
        if x > size.width {
            break;
        }
        let class = format!("trace-{}", names.iter().position(|n| n == name).unwrap_or(0));
        svg.path(&class, &format!("M{x:.1} 26h20"), "none", colour, &format!(r##"stroke-width="1.6" {dashes}"##));
        svg.text((x + 25.0, 30.0), Anchor::Start, "muted small", palette.muted, name);
        x += 40.0 + 6.6 * name.chars().count() as f64;
    }
}

/// The highest value per column, so that no line is lost however many there are.
fn columns(values: &[f64], step: f64, plot: &Plot) -> Vec<(f64, f64)> {
    let first = (plot.from / step).ceil().max(0.0) as usize;
    let count = ((plot.to / step).floor().max(0.0) as usize + 1).saturating_sub(first);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for (k, value) in values.iter().enumerate().skip(first).take(count) {
        let x = plot.x(k as f64 * step);
        match found.last_mut() {
            Some(last) if last.0.round() == x.round() => {
                if *value > last.1 {
                    *last = (x, *value);
                }
            }
            _ => found.push((x, *value)),
        }
    }
    found
}

impl SpectrumChart<'_> {
    /// Draws it.
    pub fn draw(&self, size: Size, palette: &Palette) -> Picture {
        let traces = || self.traces.iter().take(3);
        let inside = |trace: &Trace<'_>| {
            let (first, last) =
                ((self.hz.0 / trace.step).max(0.0) as usize, (self.hz.1 / trace.step).max(0.0) as usize);
            trace.values.iter().take(last.saturating_add(1)).skip(first).fold(0.0_f64, |m, v| m.max(*v))
        };
        let highest = traces().map(inside).fold(0.0_f64, f64::max);
        let plot = plot(size, self.hz, (0.0, if highest > 0.0 { 1.18 * highest } else { 1.0 }));
        let mut svg = Svg::new(size, palette, self.title, &self.in_words());
        let names: Vec<_> = traces().map(|trace| trace.name).collect();
        head(&mut svg, size, palette, self.title, &names);
        axis::vertical(&mut svg, &plot, palette);
        axis::horizontal(&mut svg, &plot, palette, self.scale.factor());
        for (n, (trace, colour)) in traces().zip(colours(palette)).enumerate().rev() {
            let mut path = String::new();
            for (k, (x, value)) in columns(trace.values, trace.step, &plot).into_iter().enumerate() {
                let _ = write!(path, "{}{x:.1} {:.1}", if k == 0 { 'M' } else { 'L' }, plot.y(value));
            }
            let more = format!(r##"stroke-width="1" stroke-linejoin="round" {}"##, DASHES[n.min(2)]);
            svg.path(&format!("trace-{n}"), &path, "none", colour, &more);
        }
        self.mark(&mut svg, &plot, palette);
        let signs = (self.sign, self.scale.sign());
        foot(&mut svg, size, palette, signs);
        if self.traces.is_empty() {
            let middle = (0.5 * (plot.left + plot.right), 0.5 * (plot.top + plot.bottom));
            svg.text(middle, Anchor::Middle, "muted", palette.muted, "no waveform to show");
        }
        Picture { svg: svg.done(), plot }
    }

    fn in_words(&self) -> String {
        let lines = self.lines.iter().filter(|line| !line.aside);
        let lines: Vec<_> = lines.map(|l| format!("{} at {:.1} Hz", l.label, l.hz)).collect();
        if lines.is_empty() { "No line is marked.".to_owned() } else { format!("Marked: {}.", lines.join(", ")) }
    }

    fn mark(&self, svg: &mut Svg, plot: &Plot, palette: &Palette) {
        let mut last: [f64; 2] = [f64::NEG_INFINITY; 2];
        for line in self.lines.iter().filter(|line| line.hz >= plot.from && line.hz <= plot.to) {
            let x = plot.x(line.hz);
            let value = self.traces.first().and_then(|trace| peak_near(trace, line.hz)).unwrap_or(0.0);
            let y = plot.y(value);
            if line.aside {
                svg.put(format_args!(
                    r##"<circle class="marked" cx="{x:.1}" cy="{:.1}" r="2.4" fill="none" stroke="{}"/>"##,
                    y - 4.0,
                    palette.alarm
                ));
                continue;
            }
            svg.path(
                "marked",
                &format!("M{x:.1} {:.1}V{:.1}", plot.bottom, y),
                "none",
                palette.alarm,
                r##"stroke-width="1.4""##,
            );
            // Two rows of names, so that neighbours do not lie on one another; what finds no room is in the description.
            let half = 3.3 * line.label.chars().count() as f64;
            let row = last.iter().position(|end| x - half > *end + 4.0);
            if let Some(row) = row {
                if let Some(end) = last.get_mut(row) {
                    *end = x + half;
                }
                let x = x.clamp(plot.left + half, (plot.right - half).max(plot.left + half));
                let y = (y - 6.0).min(plot.bottom - 4.0).max(plot.top + 10.0) - 12.0 * row as f64;
                svg.text((x, y.max(plot.top - 2.0)), Anchor::Middle, "marked-text small", palette.alarm, &line.label);
            }
        }
    }
}

/// The highest value within a line of a frequency.
pub fn peak_near(trace: &Trace<'_>, hz: f64) -> Option<f64> {
    let middle = (hz / trace.step).round().max(0.0) as usize;
    let near = trace
        .values
        .get(middle.saturating_sub(1)..=middle.saturating_add(1).min(trace.values.len().checked_sub(1)?))?;
    near.iter().copied().reduce(f64::max)
}

fn foot(svg: &mut Svg, size: Size, palette: &Palette, (upward, along): (&str, &str)) {
    svg.text((0.0, size.height - 6.0), Anchor::Start, "muted small", palette.muted, &format!("in {upward}"));
    svg.text((size.width - RIGHT, size.height - 6.0), Anchor::End, "muted small", palette.muted, along);
}

/// A waveform to be drawn: the captures below one another on one scale.
#[derive(Debug, Clone)]
pub struct WaveformChart<'a> {
    /// Title.
    pub title: &'a str,
    /// Unit of the values.
    pub sign: &'a str,
    /// Captures; at most three are drawn.
    pub traces: &'a [Trace<'a>],
    /// Times shown, s.
    pub secs: (f64, f64),
}

impl WaveformChart<'_> {
    /// Draws it.
    pub fn draw(&self, size: Size, palette: &Palette) -> Picture {
        let traces = || self.traces.iter().take(3);
        let peak = traces().flat_map(|trace| trace.values).fold(0.0_f64, |m, v| m.max(v.abs()));
        let high = if peak > 0.0 { 1.08 * peak } else { 1.0 };
        let whole = plot(size, self.secs, (-high, high));
        let mut svg = Svg::new(size, palette, self.title, &format!("Greatest value {peak:.3} {}.", self.sign));
        let names: Vec<_> = traces().map(|trace| trace.name).collect();
        head(&mut svg, size, palette, self.title, &names);
        axis::horizontal(&mut svg, &whole, palette, 1.0);
        let each = (whole.bottom - whole.top) / names.len().max(1) as f64;
        for (n, (trace, colour)) in traces().zip(colours(palette)).enumerate() {
            let top = whole.top + n as f64 * each;
            let plot = Plot { top: top + 3.0, bottom: top + each - 3.0, ..whole };
            axis::vertical(&mut svg, &plot, palette);
            svg.path(
                &format!("trace-{n}"),
                &outline(trace, &plot),
                "none",
                colour,
                r##"stroke-width="0.9" stroke-linejoin="round""##,
            );
        }
        foot(&mut svg, size, palette, (self.sign, "s"));
        Picture { svg: svg.done(), plot: whole }
    }
}

/// Least and greatest value per column: the outline of a waveform of any length.
fn outline(trace: &Trace<'_>, plot: &Plot) -> String {
    let mut path = String::new();
    let mut column: Option<(f64, f64, f64)> = None;
    let mut put = |(x, low, high): (f64, f64, f64)| {
        let sign = if path.is_empty() { 'M' } else { 'L' };
        let _ = write!(path, "{sign}{x:.1} {:.1}V{:.1}", plot.y(low), plot.y(high));
    };
    let first = (plot.from / trace.step).ceil().max(0.0) as usize;
    for (k, value) in trace.values.iter().enumerate().skip(first) {
        let at = k as f64 * trace.step;
        if at > plot.to {
            break;
        }
        let x = plot.x(at).round();
        column = match column {
            Some((same, low, high)) if same == x => Some((x, low.min(*value), high.max(*value))),
            Some(done) => {
                put(done);
                Some((x, *value, *value))
            }
            None => Some((x, *value, *value)),
        };
    }
    if let Some(done) = column {
        put(done);
    }
    path
}

#[cfg(test)]
mod tests {
    use super::*;

    const SIZE: Size = Size { width: 600.0, height: 220.0 };

    fn values() -> Vec<f64> {
        // 4000 lines of 0.25 Hz; 25 Hz and 87.5 Hz stand out.
        (0..4000)
            .map(|k| {
                if k == 100 {
                    2.0
                } else if k == 350 {
                    5.0
                } else {
                    0.01
                }
            })
            .collect()
    }

    #[test]
    fn no_line_is_lost_between_pixels_and_marked_ones_are_named() {
        let values = values();
        let other: Vec<f64> = values.iter().map(|v| 0.5 * v).collect();
        let traces = [
            Trace { name: "newest", values: &values, step: 0.25 },
            Trace { name: "reference", values: &other, step: 0.25 },
        ];
        let lines = [
            Line { hz: 87.5, label: "outer race <DE>".into(), aside: false },
            Line { hz: 25.0, label: String::new(), aside: true },
            Line { hz: 5000.0, label: "outside".into(), aside: false },
        ];
        let chart = SpectrumChart {
            title: "Velocity spectrum",
            sign: "mm/s peak",
            traces: &traces,
            lines: &lines,
            hz: (0.0, 1000.0),
            scale: Scale::Orders(25.0),
        };
        let Picture { svg, plot } = chart.draw(SIZE, &Palette::LIGHT);
        assert!((plot.high - 5.9).abs() < 1e-9);
        let top = format!("{:.1} {:.1}", plot.x(87.5), plot.y(5.0));
        assert!(svg.contains(&top), "{top} in {svg}");
        for part in [">outer race &lt;DE&gt;<", "× shaft speed", ">reference<", "in mm/s peak", "<circle"] {
            assert!(svg.contains(part), "{part} in {svg}");
        }
        assert!(!svg.contains(">outside<"));
        assert_eq!(peak_near(&traces[0], 25.1), Some(2.0));
        assert_eq!(peak_near(&traces[0], 1e9), None);
        let nothing = SpectrumChart { traces: &[], lines: &[], ..chart };
        assert!(nothing.draw(SIZE, &Palette::LIGHT).svg.contains("no waveform to show"));
    }

    #[test]
    fn a_waveform_keeps_its_highest_and_lowest_sample() {
        let mut samples = vec![0.1; 100_000];
        samples[40_000] = 3.0;
        samples[40_001] = -2.0;
        let traces = [Trace { name: "newest", values: &samples, step: 1e-5 }];
        let chart = WaveformChart { title: "Acceleration", sign: "m/s²", traces: &traces, secs: (0.0, 1.0) };
        let Picture { svg, plot } = chart.draw(SIZE, &Palette::LIGHT);
        assert!((plot.high - 3.24).abs() < 1e-9);
        let inner = Plot { top: plot.top + 3.0, bottom: plot.bottom - 3.0, ..plot };
        let want = format!("{:.1}V{:.1}", inner.y(-2.0), inner.y(3.0));
        assert!(svg.contains(&want), "{want}");
    }
}
