//! The small trend of a list: what was measured over what was expected, without numbers.

use super::svg::Svg;
use super::trend::{area, line};
use super::{Palette, Plot, Size, axis};
use crate::keep::read::TrendRow;
use roundsman_models::EventTime;

/// Draws rows between two times. `words` is what a screen reader says of it.
pub fn spark(rows: &[TrendRow], from: EventTime, to: EventTime, size: Size, palette: &Palette, words: &str) -> String {
    let secs = |at: EventTime| at.0 as f64 / 1e6;
    let bands =
        rows.iter().filter_map(|row| row.expected).flat_map(|e| [e.low.unwrap_or(e.mean), e.high.unwrap_or(e.mean)]);
    let (low, high) = axis::room(rows.iter().map(|row| row.mean).chain(bands));
    let plot = Plot {
        left: 1.0,
        right: size.width - 1.0,
        top: 1.0,
        bottom: size.height - 1.0,
        from: secs(from),
        to: secs(to).max(secs(from) + 1.0),
        low,
        high,
    };
    let x = |row: &TrendRow| plot.x(0.5 * (row.from as f64 + row.to as f64)).clamp(plot.left, plot.right);
    let mut svg = Svg::new(size, palette, words, "");
    let (mut band, mut mean) = (String::new(), String::new());
    let usual = rows.iter().map(|row| row.to - row.from).max().unwrap_or(0);
    for run in rows.chunk_by(|a, b| b.from - a.to <= 2 * usual) {
        let sides =
            run.iter().filter_map(|row| Some((x(row), plot.y(row.expected?.low?), plot.y(row.expected?.high?))));
        area(&mut band, &sides.collect::<Vec<_>>());
        line(&mut mean, run.iter().map(|row| (x(row), plot.y(row.mean))));
    }
    svg.path("band", &band, palette.band, "none", "");
    svg.path(
        "measured",
        &mean,
        "none",
        palette.line,
        r##"stroke-width="1.3" stroke-linejoin="round" stroke-linecap="round""##,
    );
    svg.done()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::read::Expectation;

    #[test]
    fn a_small_trend_shows_line_and_band_and_no_rows_show_none() {
        let row = |n: i64| TrendRow {
            from: n * 300,
            to: n * 300 + 300,
            count: 1,
            min: 1.0,
            mean: 2.0,
            max: 3.0,
            expected: Some(Expectation { count: 1, mean: 2.0, low: Some(1.5), high: Some(2.5) }),
        };
        let rows: Vec<_> = (0..20).chain(60..80).map(row).collect();
        let size = Size { width: 120.0, height: 24.0 };
        let svg = spark(&rows, EventTime(0), EventTime(24_000_000_000), size, &Palette::LIGHT, "velocity & more");
        assert!(svg.contains("<title>velocity &amp; more</title>"), "{svg}");
        assert!(svg.contains(r#"class="band""#), "{svg}");
        let line = svg.split(r#"class="measured" d=""#).nth(1).and_then(|rest| rest.split('"').next()).expect("a line");
        assert_eq!(line.matches('M').count(), 2, "a gap is a gap: {line}");
        let none = spark(&[], EventTime(0), EventTime(1), size, &Palette::LIGHT, "nothing");
        assert!(!none.contains("<path") && none.ends_with("</svg>\n"), "{none}");
    }
}
