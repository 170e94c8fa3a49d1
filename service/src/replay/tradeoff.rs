//! The trade-off of a sweep as one SVG: what was found, and how late, against false alerts.
//!
//! Left what a planner sees (advisory or worse), right what wakes somebody (warning or worse). Up is better and left is
//! better, so the corner to look at is always the upper left; the settings nothing beats in both are joined by a line.

use super::sweep::{Trial, short_keys};
use crate::analyse::{escape, number, ticks};
use crate::evaluate::Level;
use std::fmt::Write;

const WIDTH: f64 = 960.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 28.0;
const BETWEEN: f64 = 76.0;
const TOP: f64 = 108.0;
const PANEL: f64 = 210.0;
const GAP: f64 = 78.0;
const PANEL_WIDTH: f64 = (WIDTH - LEFT - RIGHT - BETWEEN) / 2.0;
const INK: &str = "#24313c";
const FAINT: &str = "#5c6b77";
const GRID: &str = "#e6e8ea";
const CALM: &str = "#8fa3b3";
const ACCENT: &str = "#b4532a";
/// Settings explained below the panels; more are in the table.
const MOST_LEGEND: usize = 48;
const COLUMNS: usize = 3;
const ROW: f64 = 18.0;
/// Dots nearer than this are one dot with several numbers.
const NEAR: f64 = 13.0;

/// A setting's place in a panel.
struct Dot {
    number: usize,
    x: f64,
    y: f64,
}

/// Draws the trials of a sweep.
pub fn plot(trials: &[Trial]) -> String {
    let shown = trials.len().min(MOST_LEGEND);
    let legend_rows = shown.div_ceil(COLUMNS);
    let legend_top = TOP + 2.0 * PANEL + GAP + 86.0;
    let height = legend_top + legend_rows as f64 * ROW + 30.0;
    let mut svg = String::new();
    // Writing to a String cannot fail.
    let _ = write!(
        svg,
        r##"<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" font-family="'Segoe UI','Helvetica Neue',Arial,sans-serif" font-size="12" fill="{INK}">
<rect width="{WIDTH}" height="{height}" fill="#fcfcfb"/>
<text x="{LEFT}" y="32" font-size="17" font-weight="600">What each setting finds, and what it costs in false alerts</text>
<text x="{LEFT}" y="52" fill="{FAINT}">{}</text>
"##,
        escape(&subtitle(trials))
    );
    for (column, title) in [(0usize, "Advisory or worse"), (1, "Warning or worse")] {
        let left = LEFT + column as f64 * (PANEL_WIDTH + BETWEEN);
        let _ = writeln!(
            svg,
            r##"<text x="{left}" y="{:.1}" font-size="14" font-weight="600">{title}</text>"##,
            TOP - 26.0
        );
        let level = |trial: &Trial| trial.evaluation.at_least.get(column).cloned();
        let widest =
            trials.iter().filter_map(|trial| level(trial)?.episodes.false_per_machine_month).fold(0.0, f64::max);
        let x = (0.0, if widest > 0.0 { 1.12 * widest } else { 1.0 });
        let found = dots(trials, column, |level| {
            (level.episodes.labels > 0).then(|| 100.0 * level.episodes.found as f64 / level.episodes.labels as f64)
        });
        let lowest = found.iter().map(|dot| dot.y).fold(100.0, f64::min);
        // From zero, unless all of them are good: then the differences are what is to be seen.
        let from = if lowest >= 75.0 { 70.0 } else { 0.0 };
        let panel = Panel { left, top: TOP, x, y: (from, from + (100.0 - from) * 1.14) };
        panel.draw(&mut svg, "Labels found, %", &found, &|value| number(value));
        let delays = dots(trials, column, |level| Some(level.episodes.delay_hours?.median));
        let longest = delays.iter().map(|dot| dot.y).fold(0.0, f64::max);
        let (unit, scale) = unit_of(longest);
        let delays: Vec<Dot> = delays.into_iter().map(|dot| Dot { y: dot.y * scale, ..dot }).collect();
        let y = (0.0, if longest > 0.0 { 1.15 * longest * scale } else { 1.0 });
        // Turned over, so that sooner is up.
        let panel = Panel { left, top: TOP + PANEL + GAP, x, y: (y.1, y.0) };
        panel.draw(&mut svg, &format!("Median delay of what was found, {unit}"), &delays, &|value| number(value));
    }
    legend(&mut svg, trials, legend_top);
    svg.push_str("</svg>\n");
    svg
}

fn subtitle(trials: &[Trial]) -> String {
    let Some(first) = trials.first() else { return String::new() };
    let labels = first.evaluation.labels.len();
    let months = first.evaluation.healthy_machine_months;
    let from = first.evaluation.labels_from.join(", ");
    format!("{} settings · {labels} labels ({from}) · {months:.1} machine-months of healthy running", trials.len())
}

/// A unit in which `hours` is a small number, and hours in it.
fn unit_of(hours: f64) -> (&'static str, f64) {
    match hours {
        h if h >= 48.0 => ("days", 1.0 / 24.0),
        h if h >= 2.0 => ("hours", 1.0),
        h if h >= 2.0 / 60.0 => ("minutes", 60.0),
        _ => ("seconds", 3600.0),
    }
}

fn dots(trials: &[Trial], column: usize, y: impl Fn(&Level) -> Option<f64>) -> Vec<Dot> {
    let of = |trial: &Trial| {
        let level = trial.evaluation.at_least.get(column)?;
        Some(Dot { number: trial.number, x: level.episodes.false_per_machine_month?, y: y(level)? })
    };
    trials.iter().filter_map(of).collect()
}

struct Panel {
    left: f64,
    top: f64,
    x: (f64, f64),
    /// Value at the lower and at the upper edge.
    y: (f64, f64),
}

impl Panel {
    fn x(&self, value: f64) -> f64 {
        self.left + (value - self.x.0) / (self.x.1 - self.x.0) * PANEL_WIDTH
    }

    fn y(&self, value: f64) -> f64 {
        self.top + PANEL - (value - self.y.0) / (self.y.1 - self.y.0) * PANEL
    }

    fn draw(&self, svg: &mut String, title: &str, dots: &[Dot], show: &dyn Fn(f64) -> String) {
        let (left, right, bottom) = (self.left, self.left + PANEL_WIDTH, self.top + PANEL);
        let _ =
            writeln!(svg, r##"<text x="{left}" y="{:.1}" fill="{FAINT}">{}</text>"##, self.top - 8.0, escape(title));
        for value in ticks((self.y.0.min(self.y.1), self.y.0.max(self.y.1))) {
            let y = self.y(value);
            let _ = writeln!(
                svg,
                r##"<path d="M{left} {y:.1}H{right:.1}" stroke="{GRID}"/><text x="{:.1}" y="{:.1}" text-anchor="end" fill="{FAINT}">{}</text>"##,
                left - 8.0,
                y + 4.0,
                show(value)
            );
        }
        for value in ticks(self.x) {
            let x = self.x(value);
            let _ = writeln!(
                svg,
                r##"<path d="M{x:.1} {:.1}V{bottom:.1}" stroke="{GRID}"/><text x="{x:.1}" y="{:.1}" text-anchor="middle" fill="{FAINT}">{}</text>"##,
                self.top,
                bottom + 17.0,
                number(value)
            );
        }
        let _ = writeln!(
            svg,
            r##"<text x="{right:.1}" y="{:.1}" text-anchor="end" fill="{FAINT}">false alerts per machine-month</text>"##,
            bottom + 35.0
        );
        if dots.is_empty() {
            let _ = writeln!(
                svg,
                r##"<text x="{:.1}" y="{:.1}" text-anchor="middle" fill="{FAINT}">nothing was found</text>"##,
                left + PANEL_WIDTH / 2.0,
                self.top + PANEL / 2.0
            );
            return;
        }
        let front = self.front(dots);
        let mut path = String::new();
        for (place, dot) in front.iter().enumerate() {
            let (x, y) = (self.x(dot.x), self.y(dot.y));
            let _ = if place == 0 { write!(path, "M{x:.1} {y:.1}") } else { write!(path, "H{x:.1}V{y:.1}") };
        }
        let _ = writeln!(
            svg,
            r##"<path d="{path}" fill="none" stroke="{ACCENT}" stroke-opacity="0.45" stroke-width="1.5"/>"##
        );
        for group in self.groups(dots) {
            let best = group.numbers.iter().any(|number| front.iter().any(|dot| dot.number == *number));
            let (fill, weight, ink) = if best { (ACCENT, 600, ACCENT) } else { (CALM, 400, FAINT) };
            let radius = if group.numbers.len() > 1 { 6.5 } else { 5.0 };
            // Near the right edge there is room on the left only. Above the dot, where no line passes.
            let (dx, anchor) = if group.x > right - 60.0 { (-4.0, "end") } else { (4.0, "start") };
            let _ = writeln!(
                svg,
                r##"<circle cx="{:.1}" cy="{:.1}" r="{radius}" fill="{fill}" fill-opacity="0.85" stroke="#fcfcfb" stroke-width="1.5"/><text x="{:.1}" y="{:.1}" text-anchor="{anchor}" font-size="11" font-weight="{weight}" fill="{ink}" stroke="#fcfcfb" stroke-width="3" paint-order="stroke">{}</text>"##,
                group.x,
                group.y,
                group.x + dx,
                group.y - radius - 5.0,
                ranges(&group.numbers)
            );
        }
    }

    /// What nothing beats: by false alerts, each better than all with fewer.
    fn front<'a>(&self, dots: &'a [Dot]) -> Vec<&'a Dot> {
        let height = |dot: &Dot| self.y(dot.y);
        let mut sorted: Vec<&Dot> = dots.iter().collect();
        sorted.sort_by(|a, b| a.x.total_cmp(&b.x).then(height(a).total_cmp(&height(b))));
        let mut front: Vec<&Dot> = Vec::new();
        for dot in sorted {
            let last = front.last().map(|last| (last.x, height(last)));
            // Smaller on the page is higher. Equals in both are all of them the best.
            if last.is_none_or(|(x, y)| height(dot) < y || (height(dot) == y && dot.x == x)) {
                front.push(dot);
            }
        }
        front
    }

    fn groups(&self, dots: &[Dot]) -> Vec<Group> {
        let mut groups: Vec<Group> = Vec::new();
        for dot in dots {
            let (x, y) = (self.x(dot.x), self.y(dot.y));
            match groups.iter_mut().find(|group| (group.x - x).hypot(group.y - y) < NEAR) {
                Some(group) => group.numbers.push(dot.number),
                None => groups.push(Group { x, y, numbers: vec![dot.number] }),
            }
        }
        groups
    }
}

struct Group {
    x: f64,
    y: f64,
    numbers: Vec<usize>,
}

/// `1, 3–5`, and no more than a label can hold.
fn ranges(numbers: &[usize]) -> String {
    let mut runs: Vec<(usize, usize)> = Vec::new();
    for &number in numbers {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == number => *last = number,
            _ => runs.push((number, number)),
        }
    }
    let shown: Vec<String> = runs
        .iter()
        .take(4)
        .map(|&(from, to)| match to - from {
            0 => from.to_string(),
            1 => format!("{from}, {to}"),
            _ => format!("{from}–{to}"),
        })
        .collect();
    let more = if runs.len() > 4 { ", …" } else { "" };
    format!("{}{more}", shown.join(", "))
}

fn legend(svg: &mut String, trials: &[Trial], top: f64) {
    let column_width = (WIDTH - LEFT - RIGHT) / COLUMNS as f64;
    let rows = trials.len().min(MOST_LEGEND).div_ceil(COLUMNS).max(1);
    let _ = writeln!(
        svg,
        r##"<text x="{LEFT}" y="{:.1}" fill="{FAINT}">Upper left is better. Orange: no other setting is better in both. Delay is the median from a label's start.</text>"##,
        top - 22.0
    );
    for (place, trial) in trials.iter().take(MOST_LEGEND).enumerate() {
        let (x, y) = (LEFT + (place / rows) as f64 * column_width, top + (place % rows) as f64 * ROW);
        let names = short_keys(&trial.settings);
        let settings: Vec<String> =
            names.iter().zip(&trial.settings).map(|(name, (_, value))| format!("{name} {value}")).collect();
        let _ = writeln!(
            svg,
            r##"<text x="{:.1}" y="{y:.1}" text-anchor="end" font-weight="600">{}</text><text x="{:.1}" y="{y:.1}">{}</text>"##,
            x + 14.0,
            trial.number,
            x + 22.0,
            escape(&settings.join(" · "))
        );
    }
    if trials.len() > MOST_LEGEND {
        let y = top + rows as f64 * ROW;
        let more = trials.len() - MOST_LEGEND;
        let _ = writeln!(svg, r##"<text x="{LEFT}" y="{y:.1}" fill="{FAINT}">and {more} more: see sweep.csv</text>"##);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_are_said_as_ranges() {
        assert_eq!(ranges(&[1, 3, 4, 5, 8, 9]), "1, 3–5, 8, 9");
        assert_eq!(ranges(&[1, 3, 5, 7, 9]), "1, 3, 5, 7, …");
    }

    /// By hand: (1, 50) and (2, 80) are each better in one; (2, 60) is beaten by the second, (3, 80) too; the double of
    /// (1, 50) is as good as it.
    #[test]
    fn the_front_is_what_nothing_beats() {
        let panel = Panel { left: 0.0, top: 0.0, x: (0.0, 4.0), y: (0.0, 100.0) };
        let places = [(2.0, 60.0), (1.0, 50.0), (3.0, 80.0), (2.0, 80.0), (1.0, 50.0)];
        let dots: Vec<Dot> = (1..).zip(places).map(|(number, (x, y))| Dot { number, x, y }).collect();
        let front: Vec<usize> = panel.front(&dots).iter().map(|dot| dot.number).collect();
        assert_eq!(front, [2, 5, 4]);
        let groups = panel.groups(&dots);
        assert_eq!(groups.iter().map(|group| group.numbers.len()).max(), Some(2));
    }
}
