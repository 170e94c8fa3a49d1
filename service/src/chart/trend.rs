//! The trend of one point: what was measured with its range, what was expected with its band, how the machine was run, the
//! limits with their source, what was alerted and done, and where it is heading.

use super::svg::{Anchor, Svg};
use super::{Palette, Picture, Plot, Shown, Size, axis, limits};
use crate::advise::document::NamedLimit;
use crate::advise::wording::number;
use crate::engine::LimitName;
use crate::keep::read::{Period, TrendRow};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use std::fmt::Write;

/// What kind of thing happened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum MarkKind {
    /// A person did something.
    Command,
    /// An alert was raised or rose to an advisory.
    Advisory,
    /// To a warning.
    Warning,
    /// To an alarm.
    Alarm,
    /// It went back to normal.
    Returned,
}

/// Something that happened at a time.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// When.
    pub at: EventTime,
    /// What kind.
    pub kind: MarkKind,
    /// In words.
    pub text: String,
}

/// A forecast to one limit: from where it starts to when the limit is reached.
#[derive(Debug, Clone, PartialEq)]
pub struct Fan {
    /// When the statement was made.
    pub at: EventTime,
    /// Value there, kept unit.
    pub value: f64,
    /// The limit's name in words.
    pub target: String,
    /// Its value, kept unit.
    pub limit: f64,
    /// When 10 % of the forecast's distribution has reached it.
    pub p10: Option<EventTime>,
    /// Median.
    pub p50: Option<EventTime>,
    /// 90 %.
    pub p90: Option<EventTime>,
}

/// What a trend is drawn from. Values are in the kept unit; `shown` brings them to the reader's.
#[derive(Debug, Clone)]
pub struct TrendChart<'a> {
    /// Point and machine.
    pub title: &'a str,
    /// Rows, oldest first.
    pub rows: &'a [TrendRow],
    /// Unit shown.
    pub shown: &'a Shown,
    /// Left edge.
    pub from: EventTime,
    /// Right edge.
    pub to: EventTime,
    /// Operating states.
    pub periods: &'a [Period],
    /// Limits in force.
    pub limits: &'a [NamedLimit],
    /// What happened.
    pub marks: &'a [Mark],
    /// Forecasts.
    pub fans: &'a [Fan],
    /// Zone of the times.
    pub zone: &'a TimeZone,
}

const LEFT: f64 = 52.0;
const RIGHT: f64 = 10.0;
const TOP: f64 = 34.0;
const BOTTOM: f64 = 42.0;
/// Height of the strip that names the operating states.
const STRIP: f64 = 14.0;

impl TrendChart<'_> {
    /// Draws it.
    pub fn draw(&self, size: Size, palette: &Palette) -> Picture {
        let plot = self.plot(size);
        let mut svg = Svg::new(size, palette, self.title, &self.in_words());
        let name = format!("clip-{:x}", crate::acquire::mqtt::backoff::fnv1a(self.title.as_bytes()));
        self.shading(&mut svg, &plot, palette);
        axis::vertical(&mut svg, &plot, palette);
        axis::time(&mut svg, &plot, palette, self.zone);
        svg.clip(&name, (plot.left, plot.top, plot.right, plot.bottom));
        self.measured(&mut svg, &plot, palette);
        self.fans(&mut svg, &plot, palette);
        svg.end_group();
        limits::draw(&mut svg, &plot, palette, &self.limit_lines(&plot));
        self.marks(&mut svg, &plot, palette);
        self.words(&mut svg, &plot, palette, size);
        Picture { svg: svg.done(), plot }
    }

    fn plot(&self, size: Size) -> Plot {
        let (from, to) = (secs(self.from), secs(self.to));
        let values = self.rows.iter().flat_map(|row| {
            let expected = row.expected.map(|e| [e.low.unwrap_or(e.mean), e.high.unwrap_or(e.mean)]);
            [row.min, row.max].into_iter().chain(expected.into_iter().flatten())
        });
        let values: Vec<f64> = values.map(|v| self.shown.value(v)).collect();
        let (low, high) = axis::room(values.iter().copied());
        // A limit is shown when it does not press what was measured flat; else an arrow says where it is.
        let reach = 3.0 * (high - low);
        let near = |v: &f64| *v <= high + reach && *v >= low - reach;
        let limits = self.limits.iter().map(|l| self.shown.value(l.limit.limit.value)).filter(near);
        let targets =
            self.fans.iter().filter(|fan| fan.at < self.to).map(|fan| self.shown.value(fan.limit)).filter(near);
        let (low, high) = axis::room(values.iter().copied().chain(limits).chain(targets));
        let to = if to > from { to } else { from + 1.0 };
        Plot {
            left: LEFT.min(0.3 * size.width),
            right: (size.width - RIGHT).max(LEFT + 10.0),
            top: TOP,
            bottom: (size.height - BOTTOM).max(TOP + 10.0),
            from,
            to,
            low,
            high,
        }
    }

    /// What a screen reader says: the last value against what was expected.
    fn in_words(&self) -> String {
        let sign = &self.shown.sign;
        let Some(last) = self.rows.last() else { return "No values in this range.".to_owned() };
        let (low, high) =
            self.rows.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), row| (l.min(row.min), h.max(row.max)));
        let mut text = format!(
            "Between {} and {} {sign}; last {} {sign}",
            number(self.shown.value(low)),
            number(self.shown.value(high)),
            number(self.shown.value(last.mean))
        );
        if let Some(expected) = last.expected {
            let _ = write!(text, ", expected {} {sign}", number(self.shown.value(expected.mean)));
        }
        for limit in self.limits {
            let value = number(self.shown.value(limit.limit.limit.value));
            let _ = write!(text, "; {} {value} {sign}, {}", limit_words(limit.name), source_words(&limit.limit.source));
        }
        text.push('.');
        text
    }

    fn shading(&self, svg: &mut Svg, plot: &Plot, palette: &Palette) {
        let (top, strip) = (plot.top, plot.top - STRIP);
        let mut named: Vec<&str> = Vec::new();
        for period in self.periods.iter().filter(|period| !period.state.is_empty()) {
            let from = plot.x(secs(period.began).max(plot.from));
            let until = period.ended.map_or(plot.to, secs).min(plot.to).min(self.until());
            let to = plot.x(until.max(plot.from));
            if to - from < 0.5 {
                continue;
            }
            let number = named.iter().position(|name| *name == period.state).unwrap_or_else(|| {
                named.push(&period.state);
                named.len() - 1
            });
            // One state as another but for a grey: which it is, its name says.
            let class = if period.state == "stopped" { "stopped" } else { ["state-a", "state-b"][number % 2] };
            let fill = if class == "state-a" { "none" } else { palette.shade };
            let words = state_words(&period.state);
            svg.put(format_args!(
                r##"<g><title>{}</title><rect class="{class}" x="{from:.1}" y="{strip:.1}" width="{:.1}" height="{:.1}" fill="{fill}"/><path class="edge" d="M{from:.1} {strip:.1}V{top:.1}" stroke="{}"/></g>"##,
                crate::analyse::plot::escape(&words),
                to - from,
                plot.bottom - strip,
                palette.grid
            ));
            if to - from > 7.0 * words.chars().count() as f64 + 6.0 {
                svg.text((from + 4.0, top - 3.5), Anchor::Start, "muted small", palette.muted, &words);
            }
        }
    }

    /// Up to where there are data: a state is not known to last into the future.
    fn until(&self) -> f64 {
        self.rows.last().map_or(f64::NEG_INFINITY, |row| row.to as f64)
    }

    /// Rows that follow one another without a gap. What is normal is what most distances are.
    fn runs(&self) -> Vec<&[TrendRow]> {
        let mut steps: Vec<i64> = self.rows.windows(2).filter_map(|w| Some(w.get(1)?.from - w.first()?.to)).collect();
        steps.sort_unstable();
        // Rows of slow points do not touch: the usual distance is no gap.
        let usual = steps.get(steps.len() / 2).copied().unwrap_or(0);
        let gap = |a: &TrendRow, b: &TrendRow| b.from - a.to > 2 * usual.max(a.to - a.from).max(1);
        self.rows.chunk_by(|a, b| !gap(a, b)).collect()
    }

    fn measured(&self, svg: &mut Svg, plot: &Plot, palette: &Palette) {
        let x = |row: &TrendRow| plot.x(0.5 * (row.from as f64 + row.to as f64));
        let y = |value: f64| plot.y(self.shown.value(value));
        let runs = self.runs();
        let mut band = String::new();
        let mut expected = String::new();
        for run in &runs {
            let sides: Vec<(f64, f64, f64)> = run
                .iter()
                .filter_map(|row| {
                    let e = row.expected?;
                    Some((x(row), y(e.low?), y(e.high?)))
                })
                .collect();
            area(&mut band, &sides);
            for part in run.chunk_by(|a, b| a.expected.is_some() == b.expected.is_some()) {
                line(&mut expected, part.iter().filter_map(|row| Some((x(row), y(row.expected?.mean)))));
            }
        }
        svg.path("band", &band, palette.band, "none", "");
        let mut range = String::new();
        let mut mean = String::new();
        for run in &runs {
            let sides: Vec<_> = run.iter().map(|row| (x(row), y(row.min), y(row.max))).collect();
            area(&mut range, &sides);
            line(&mut mean, run.iter().map(|row| (x(row), y(row.mean))));
        }
        svg.path("range", &range, palette.range, "none", r##"fill-opacity="0.6""##);
        svg.path("expected", &expected, "none", palette.muted, r##"stroke-width="1" stroke-dasharray="4 3""##);
        svg.path(
            "measured",
            &mean,
            "none",
            palette.line,
            r##"stroke-width="1.5" stroke-linejoin="round" stroke-linecap="round""##,
        );
    }

    fn fans(&self, svg: &mut Svg, plot: &Plot, palette: &Palette) {
        for fan in self.fans {
            let start = (plot.x(secs(fan.at)), plot.y(self.shown.value(fan.value)));
            let level = plot.y(self.shown.value(fan.limit));
            // An end beyond the horizon lies as far away as can be drawn: it runs out of the picture nearly level.
            let at = |time: Option<EventTime>| {
                time.map_or(plot.right + 40.0 * (plot.right - plot.left), |t| plot.x(secs(t)))
            };
            if let Some(early) = fan.p10.or(fan.p50) {
                let path = format!(
                    "M{:.1} {:.1}L{:.1} {level:.1}H{:.1}Z",
                    start.0,
                    start.1,
                    plot.x(secs(early)),
                    at(fan.p90).min(1e6)
                );
                svg.path("fan", &path, palette.forecast, "none", r##"fill-opacity="0.16""##);
            }
            if let Some(middle) = fan.p50 {
                let path = format!("M{:.1} {:.1}L{:.1} {level:.1}", start.0, start.1, plot.x(secs(middle)));
                svg.path("forecast", &path, "none", palette.forecast, r##"stroke-width="1.5" stroke-dasharray="6 3""##);
            }
            for (name, time) in [("P10", fan.p10), ("P50", fan.p50), ("P90", fan.p90)] {
                let Some(time) = time.filter(|t| secs(*t) <= plot.to) else { continue };
                let x = plot.x(secs(time));
                svg.path(
                    "forecast",
                    &format!("M{x:.1} {:.1}v8", level - 4.0),
                    "none",
                    palette.forecast,
                    r##"stroke-width="1.5""##,
                );
                // Half a name's width from the edge it would be cut off by.
                let x = x.min(plot.right - 12.0);
                svg.text((x, level + 16.0), Anchor::Middle, "forecast-text small", palette.forecast, name);
            }
        }
    }

    fn limit_lines(&self, plot: &Plot) -> Vec<limits::Line> {
        let line = |limit: &NamedLimit| {
            let value = self.shown.value(limit.limit.limit.value);
            let mut text = self.limit_text(limit, plot);
            if value > plot.high {
                text.push_str(" ↑");
            } else if value < plot.low {
                text.push_str(" ↓");
            }
            limits::Line { name: limit.name, value, from: self.holds_from(limit, plot), text }
        };
        self.limits.iter().map(line).collect()
    }

    /// In a narrow picture without its source, which the description has all the same.
    fn limit_text(&self, limit: &NamedLimit, plot: &Plot) -> String {
        let value = number(self.shown.value(limit.limit.limit.value));
        let (name, source) = (limit_words(limit.name), source_words(&limit.limit.source));
        let text = format!("{name} {value} {}", self.shown.sign);
        let whole = format!("{text} · {source}");
        if limits::LETTER * whole.chars().count() as f64 > 0.6 * (plot.right - plot.left) { text } else { whole }
    }

    /// A limit from the baseline belongs to the operating state it was last stated in, not to those before.
    fn holds_from(&self, limit: &NamedLimit, plot: &Plot) -> f64 {
        let began =
            self.periods.last().filter(|_| limit.limit.source == "baseline").map(|last| plot.x(secs(last.began)));
        // Wide enough to be seen.
        began.unwrap_or(plot.left).clamp(plot.left, plot.left + 0.88 * (plot.right - plot.left))
    }

    fn marks(&self, svg: &mut Svg, plot: &Plot, palette: &Palette) {
        for mark in self.marks {
            let at = secs(mark.at);
            if at < plot.from || at > plot.to {
                continue;
            }
            let x = plot.x(at);
            let (class, colour) = match mark.kind {
                MarkKind::Alarm => ("alarm", palette.alarm),
                MarkKind::Warning => ("warning", palette.warning),
                MarkKind::Advisory | MarkKind::Returned | MarkKind::Command => ("note", palette.muted),
            };
            let foot = plot.bottom;
            // Below the picture's foot, each kind with a shape of its own.
            let shape = match mark.kind {
                MarkKind::Alarm => format!("M{:.1} {:.1}h9v9h-9Z", x - 4.5, foot - 5.0),
                MarkKind::Warning => format!("M{x:.1} {:.1}l5.5 9h-11Z", foot - 5.0),
                MarkKind::Advisory => format!("M{x:.1} {:.1}l5 5l-5 5l-5 -5Z", foot - 5.0),
                MarkKind::Returned => format!("M{:.1} {foot:.1}l3 4l6 -8", x - 4.0),
                MarkKind::Command => format!("M{:.1} {:.1}l8 8m0 -8l-8 8", x - 4.0, foot - 4.0),
            };
            let filled = matches!(mark.kind, MarkKind::Alarm | MarkKind::Warning | MarkKind::Advisory);
            let (fill, stroke) = if filled { (colour, "none") } else { ("none", colour) };
            svg.put(format_args!(
                r##"<g class="mark"><title>{}</title><path class="mark-line {class}" d="M{x:.1} {:.1}V{foot:.1}" stroke="{colour}" stroke-width="1" stroke-dasharray="1 3"/><path class="mark-{class}" d="{shape}" fill="{fill}" stroke="{stroke}" stroke-width="1.6"/></g>"##,
                crate::analyse::plot::escape(&mark.text),
                plot.top
            ));
        }
    }

    fn words(&self, svg: &mut Svg, plot: &Plot, palette: &Palette, size: Size) {
        svg.text((0.0, 12.0), Anchor::Start, "title", palette.ink, self.title);
        let zone = self.zone.iana_name().unwrap_or("UTC");
        svg.text(
            (size.width - RIGHT, size.height - 6.0),
            Anchor::End,
            "muted small",
            palette.muted,
            &format!("times: {zone}"),
        );
        svg.text(
            (0.0, size.height - 6.0),
            Anchor::Start,
            "muted small",
            palette.muted,
            &format!("in {}", self.shown.sign),
        );
        if self.rows.is_empty() {
            let middle = (0.5 * (plot.left + plot.right), 0.5 * (plot.top + plot.bottom));
            svg.text(middle, Anchor::Middle, "muted", palette.muted, "no values in this range");
        }
    }
}

fn secs(at: EventTime) -> f64 {
    at.0 as f64 / 1e6
}

/// A limit's name for people.
pub fn limit_words(name: LimitName) -> &'static str {
    match name {
        LimitName::WarningHigh => "warning above",
        LimitName::AlarmHigh => "alarm above",
        LimitName::WarningLow => "warning below",
        LimitName::AlarmLow => "alarm below",
    }
}

/// A limit's source for people.
pub fn source_words(source: &str) -> &str {
    match source {
        "baseline" => "from its baseline",
        "own" => "set by the site",
        "assumed" => "assumed",
        "history" => "from past cases",
        standard => standard,
    }
}

/// An operating state's name for people.
pub fn state_words(state: &str) -> String {
    match state {
        "stopped" => "stopped".to_owned(),
        "new" => "state not seen before".to_owned(),
        "" => "state unknown".to_owned(),
        number if number.chars().all(|c| c.is_ascii_digit()) => format!("state {number}"),
        name => name.to_owned(),
    }
}

pub(super) fn line(path: &mut String, places: impl Iterator<Item = (f64, f64)>) {
    let mut count = 0;
    for (n, (x, y)) in places.enumerate() {
        let _ = write!(path, "{}{x:.1} {y:.1}", if n == 0 { 'M' } else { 'L' });
        count = n + 1;
    }
    // A row by itself is a dot, which a line with round ends shows.
    if count == 1 {
        path.push_str("h0.1");
    }
}

pub(super) fn area(path: &mut String, sides: &[(f64, f64, f64)]) {
    let Some((first, rest)) = sides.split_first() else { return };
    // A row by itself still has a width.
    let lone = rest.is_empty();
    let _ = write!(path, "M{:.1} {:.1}", if lone { first.0 - 1.0 } else { first.0 }, first.2);
    for (x, _, high) in rest {
        let _ = write!(path, "L{x:.1} {high:.1}");
    }
    if lone {
        let _ = write!(path, "h2V{:.1}h-2", first.1);
    }
    for (x, low, _) in sides.iter().rev().take(if lone { 0 } else { sides.len() }) {
        let _ = write!(path, "L{x:.1} {low:.1}");
    }
    path.push('Z');
}

#[cfg(test)]
#[path = "trend_tests.rs"]
mod tests;
