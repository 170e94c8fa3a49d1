//! The limits of a trend: a line each, and a label that belongs to its line. A line that begins within the picture has its
//! label before its beginning; one that runs through has it beside itself, on the side away from what was measured. Where
//! lines lie so near that labels would cover one another, they move apart as little as they can, and a thin leader shows
//! whose each is.

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
const LINE: f64 = 13.5;
/// About the width of a letter.
pub(super) const LETTER: f64 = 5.6;
/// How far from where it belongs a label may stand without a leader: beside its line, and before it.
const BESIDE: f64 = 6.0;
const BEFORE: f64 = 2.0;
/// Room before a line for its leader.
const LEAD: f64 = 10.0;
/// From a line to the foot of a label above it, and to that of one below it.
const ABOVE: f64 = -4.0;
const BELOW: f64 = 12.0;
/// To that of one at its height.
const MIDDLE: f64 = 4.0;

/// A label and where it would like to be.
struct Label<'a> {
    line: &'a Line,
    /// Height of its line; `None` when that is beyond the picture.
    level: Option<f64>,
    /// Stands before its line, not beside it.
    before: bool,
    /// Foot of its text.
    wanted: f64,
}

impl Label<'_> {
    /// Where its text ends.
    fn right(&self, plot: &Plot) -> f64 {
        if self.before { self.line.from - LEAD } else { plot.right - 4.0 }
    }

    /// Whether it may choose a side of its line.
    fn free(&self) -> Option<f64> {
        self.level.filter(|_| !self.before)
    }

    /// The side away from what was measured.
    fn outward(&self) -> f64 {
        if matches!(self.line.name, LimitName::WarningHigh | LimitName::AlarmHigh) { ABOVE } else { BELOW }
    }
}

pub(super) fn draw(svg: &mut Svg, plot: &Plot, palette: &Palette, lines: &[Line]) {
    let mut labels: Vec<Label<'_>> = lines.iter().map(|line| label(line, plot)).collect();
    fit(&mut labels, plot);
    // From the top down as their lines lie, so that no leader crosses another.
    labels.sort_by(|a, b| b.line.value.total_cmp(&a.line.value));
    let feet = take_sides(&mut labels, plot);
    for line in lines.iter().filter(|line| inside(line, plot)) {
        let (class, colour, dashes) = look(line.name, palette);
        let path = format!("M{:.1} {:.1}H{:.1}", line.from, plot.y(line.value), plot.right);
        svg.path(&format!("limit {class}"), &path, "none", colour, &format!(r##"stroke-width="1.2" {dashes}"##));
    }
    for (label, foot) in labels.iter().zip(feet) {
        let (class, colour, _) = look(label.line.name, palette);
        let (mut right, middle, off) = (label.right(plot), foot - MIDDLE, (foot - label.wanted).abs());
        if let Some(level) = label.level.filter(|_| off > if label.before { BEFORE } else { BESIDE }) {
            let begin = if label.before { label.line.from } else { right };
            right = begin - LEAD;
            let leader = format!("M{begin:.1} {level:.1}L{:.1} {middle:.1}", right + 2.0);
            svg.path(&format!("limit leader {class}"), &leader, "none", colour, r##"stroke-width="0.8""##);
        }
        svg.plate((right - width(label.line), right), foot, palette.ground);
        svg.text((right, foot), Anchor::End, &format!("{class}-text small"), colour, &label.line.text);
    }
}

fn inside(line: &Line, plot: &Plot) -> bool {
    (plot.low..=plot.high).contains(&line.value)
}

/// Highest and lowest foot of a label that is in the picture; capitals are 8 high.
fn reach(plot: &Plot) -> (f64, f64) {
    (plot.top + 8.0, plot.bottom - 3.0)
}

fn width(line: &Line) -> f64 {
    LETTER * line.text.chars().count() as f64
}

fn label<'a>(line: &'a Line, plot: &Plot) -> Label<'a> {
    if !inside(line, plot) {
        let wanted = if line.value > plot.high { plot.top + 11.0 } else { plot.bottom - 4.0 };
        return Label { line, level: None, before: false, wanted };
    }
    let level = plot.y(line.value);
    Label { line, level: Some(level), before: line.from - plot.left > width(line) + 2.0 * LEAD, wanted: level + MIDDLE }
}

/// Labels that may choose: more than a point has limits. There are two to this many ways.
const MOST_CHOICES: usize = 6;

/// Chooses for each label that stands beside its line whether above or below: so that as few as can be are crossed by a line,
/// stand where they want to, and that is the outward side. Gives the feet of all.
fn take_sides(labels: &mut [Label<'_>], plot: &Plot) -> Vec<f64> {
    let (first, last) = reach(plot);
    let free: Vec<(usize, f64)> = labels.iter().enumerate().filter_map(|(n, label)| Some((n, label.free()?))).collect();
    let mut best: Option<(f64, Vec<f64>, Vec<f64>)> = None;
    for way in 0..1_u32 << free.len().min(MOST_CHOICES) {
        let mut wanted: Vec<f64> = labels.iter().map(|label| label.wanted).collect();
        let mut cost = 0.0;
        for (bit, (n, level)) in free.iter().enumerate() {
            let (Some(label), Some(wanted)) = (labels.get(*n), wanted.get_mut(*n)) else { continue };
            let inward = bit < MOST_CHOICES && way >> bit & 1 == 1;
            let above = (label.outward() == ABOVE) != inward;
            *wanted = level + if above { ABOVE } else { BELOW };
            cost += f64::from(inward);
        }
        let feet = apart(&wanted, first, last);
        cost += wanted.iter().zip(&feet).map(|(wanted, foot)| ((wanted - foot) / BESIDE).powi(2)).sum::<f64>();
        cost += 10.0 * crossings(labels, &feet, plot) as f64;
        if best.as_ref().is_none_or(|(least, ..)| cost < *least) {
            best = Some((cost, wanted, feet));
        }
    }
    let (_, wanted, feet) = best.unwrap_or_default();
    for (label, wanted) in labels.iter_mut().zip(wanted) {
        label.wanted = wanted;
    }
    feet
}

/// How often a line runs through the letters of a label.
fn crossings(labels: &[Label<'_>], feet: &[f64], plot: &Plot) -> usize {
    let through = |label: &Label<'_>, foot: f64| {
        let lines = labels.iter().filter(|other| other.line.from < label.right(plot));
        lines.filter_map(|other| other.level).filter(|level| *level > foot - 9.5 && *level < foot + 2.5).count()
    };
    labels.iter().zip(feet).map(|(label, foot)| through(label, *foot)).sum()
}

/// In a picture too low for all, alarms and what is in the picture stay; the description has the others all the same.
fn fit(labels: &mut Vec<Label<'_>>, plot: &Plot) {
    let (first, last) = reach(plot);
    let most = ((last - first) / LINE).max(0.0) as usize + 1;
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
