//! The limits of a trend: a line each, and a label that belongs to its line. A label stands beside its own line, on the side
//! away from what was measured; where lines lie so near that labels would cover one another, they move apart as little as
//! they can, and a thin leader shows whose each is.

use super::svg::{Anchor, Svg};
use super::{Palette, Plot};
use crate::engine::LimitName;

/// One limit, as it is drawn.
pub(super) struct Line {
    /// Which.
    pub name: LimitName,
    /// Value in the unit shown.
    pub value: f64,
    /// Where its line begins; it ends at the right edge.
    pub from: f64,
    /// Its label.
    pub text: String,
}

/// Height of a line of text, so that one does not touch the next.
pub(super) const LINE: f64 = 13.5;
/// How far from its line a label may stand without a leader.
const BESIDE: f64 = 6.0;
/// From a line to the foot of a label above it, and to that of one below it.
const ABOVE: f64 = -4.0;
const BELOW: f64 = 12.0;

/// A label and where it would like to be.
struct Label<'a> {
    line: &'a Line,
    /// Height of its line; `None` when that is beyond the picture.
    level: Option<f64>,
    /// Foot of its text.
    wanted: f64,
}

pub(super) fn draw(svg: &mut Svg, plot: &Plot, palette: &Palette, lines: &[Line]) {
    let mut labels: Vec<Label<'_>> = lines.iter().map(|line| label(line, plot)).collect();
    // Capitals of the label are 8 high.
    let (first, last) = (plot.top + 8.0, plot.bottom - 3.0);
    fit(&mut labels, ((last - first) / LINE).max(0.0) as usize + 1);
    // From the top down as their lines lie, so that no leader crosses another.
    labels.sort_by(|a, b| b.line.value.total_cmp(&a.line.value));
    take_sides(&mut labels, first, last);
    let wanted: Vec<f64> = labels.iter().map(|label| label.wanted).collect();
    for line in lines.iter().filter(|line| inside(line, plot)) {
        let (class, colour, dashes) = look(line.name, palette);
        let path = format!("M{:.1} {:.1}H{:.1}", line.from, plot.y(line.value), plot.right);
        svg.path(&format!("limit {class}"), &path, "none", colour, &format!(r##"stroke-width="1.2" {dashes}"##));
    }
    for (label, foot) in labels.iter().zip(apart(&wanted, first, last)) {
        let (class, colour, _) = look(label.line.name, palette);
        let mut right = plot.right - 4.0;
        if let Some(level) = label.level.filter(|_| (foot - label.wanted).abs() > BESIDE) {
            right -= 14.0;
            let middle = foot - 4.0;
            let leader = format!("M{:.1} {level:.1}L{:.1} {middle:.1}h-4", plot.right - 4.0, right + 6.0);
            svg.path(&format!("limit leader {class}"), &leader, "none", colour, r##"stroke-width="0.8""##);
        }
        svg.haloed(
            (right, foot),
            Anchor::End,
            &format!("{class}-text small"),
            (colour, palette.ground),
            &label.line.text,
        );
    }
}

fn inside(line: &Line, plot: &Plot) -> bool {
    (plot.low..=plot.high).contains(&line.value)
}

fn label<'a>(line: &'a Line, plot: &Plot) -> Label<'a> {
    if !inside(line, plot) {
        let wanted = if line.value > plot.high { plot.top + 11.0 } else { plot.bottom - 4.0 };
        return Label { line, level: None, wanted };
    }
    let level = plot.y(line.value);
    let outward = if matches!(line.name, LimitName::WarningHigh | LimitName::AlarmHigh) { ABOVE } else { BELOW };
    Label { line, level: Some(level), wanted: level + outward }
}

/// At the edge of the picture there is room on one side only; and of two lines with no room for a label between them the
/// upper takes its label above and the lower its own below.
fn take_sides(labels: &mut [Label<'_>], first: f64, last: f64) {
    let above = |label: &mut Label<'_>| {
        if let Some(level) = label.level.filter(|level| level + ABOVE >= first) {
            label.wanted = level + ABOVE;
        }
    };
    let below = |label: &mut Label<'_>| {
        if let Some(level) = label.level.filter(|level| level + BELOW <= last) {
            label.wanted = level + BELOW;
        }
    };
    for n in 0..labels.len() {
        if let Some([upper, lower]) = labels.get_mut(n..n + 2)
            && let (Some(a), Some(b)) = (upper.level, lower.level)
            && b - a < LINE
        {
            above(upper);
            below(lower);
        }
    }
    for label in labels {
        if label.wanted < first {
            below(label);
        } else if label.wanted > last {
            above(label);
        }
    }
}

/// In a picture too low for all, alarms and what is in the picture stay; the description has the others all the same.
fn fit(labels: &mut Vec<Label<'_>>, most: usize) {
    let is_alarm = |label: &Label<'_>| matches!(label.line.name, LimitName::AlarmHigh | LimitName::AlarmLow);
    labels.sort_by_key(|label| (label.level.is_none(), !is_alarm(label)));
    labels.truncate(most);
}

/// Places at least a line of text apart, in the order given, between `first` and `last`, with the least sum of squared ways
/// from where each wants to be: those that press on one another move as one block.
fn apart(wanted: &[f64], first: f64, last: f64) -> Vec<f64> {
    struct Block {
        start: f64,
        sum: f64,
        count: usize,
    }
    let place = |sum: f64, count: usize| {
        let height = LINE * (count - 1) as f64;
        (sum / count as f64).min(last - height).max(first)
    };
    let mut blocks: Vec<Block> = Vec::new();
    for &place_wanted in wanted {
        let mut block = Block { start: place(place_wanted, 1), sum: place_wanted, count: 1 };
        while let Some(before) = blocks.pop_if(|b| b.start + LINE * b.count as f64 > block.start) {
            let shift = LINE * before.count as f64 * block.count as f64;
            let (sum, count) = (before.sum + block.sum - shift, before.count + block.count);
            block = Block { start: place(sum, count), sum, count };
        }
        blocks.push(block);
    }
    blocks.iter().flat_map(|b| (0..b.count).map(|n| b.start + LINE * n as f64)).collect()
}

/// Class, colour and dashes of a limit.
fn look(name: LimitName, palette: &Palette) -> (&'static str, &'static str, &'static str) {
    match name {
        LimitName::AlarmHigh | LimitName::AlarmLow => ("alarm", palette.alarm, ""),
        LimitName::WarningHigh | LimitName::WarningLow => ("warning", palette.warning, r##"stroke-dasharray="8 4""##),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_that_do_not_press_stay_where_they_want_to_be() {
        assert_eq!(apart(&[20.0, 40.0, 90.0], 10.0, 100.0), [20.0, 40.0, 90.0]);
    }

    #[test]
    fn labels_that_press_share_the_way_and_keep_their_order() {
        // Two that want the same place: half a line each. Worked by hand.
        assert_eq!(apart(&[50.0, 50.0], 0.0, 100.0), [50.0 - 0.5 * LINE, 50.0 + 0.5 * LINE]);
        // A third that is then in the way joins them.
        let placed = apart(&[50.0, 50.0, 58.0], 0.0, 100.0);
        let mean = (50.0 + 50.0 + 58.0) / 3.0;
        for (n, place) in placed.iter().enumerate() {
            assert!((place - (mean + LINE * (n as f64 - 1.0))).abs() < 1e-9, "{placed:?}");
        }
    }

    #[test]
    fn labels_stay_in_the_picture() {
        let placed = apart(&[11.0, 11.0, 11.0, 99.0, 99.0], 10.0, 100.0);
        assert_eq!(placed, [10.0, 10.0 + LINE, 10.0 + 2.0 * LINE, 100.0 - LINE, 100.0]);
    }
}
