use super::*;
use crate::advise::document::{LimitSource, Measured};
use crate::chart::Units;
use crate::keep::read::Expectation;

const DAY: i64 = 86_400;

fn at(secs: i64) -> EventTime {
    EventTime(secs * 1_000_000)
}

fn row(from: i64, mean: f64) -> TrendRow {
    let expected = Some(Expectation { count: 5, mean: 2.0, low: Some(1.5), high: Some(2.5) });
    TrendRow { from, to: from + 300, count: 5, min: mean - 0.2, mean, max: mean + 0.2, expected }
}

fn limit(name: LimitName, value: f64, source: &str) -> NamedLimit {
    let limit = Measured { value, unit: "mm/s".into() };
    NamedLimit { name, limit: LimitSource { limit, source: source.into() } }
}

fn drawn(units: Units, change: impl FnOnce(&mut TrendChart<'_>)) -> Picture {
    let rows: Vec<_> =
        (0..288).filter(|n| !(100..150).contains(n)).map(|n| row(n * 300, 2.0 + 0.001 * n as f64)).collect();
    let shown = units.shown("mm/s");
    let periods = [
        Period { began: at(-500), ended: Some(at(DAY / 2)), state: "1".into() },
        Period { began: at(DAY / 2), ended: Some(at(DAY / 2 + 20_000)), state: "stopped".into() },
        Period { began: at(DAY / 2 + 20_000), ended: None, state: "full <load>".into() },
    ];
    let limits = [
        limit(LimitName::AlarmHigh, 400.0, "own"),
        limit(LimitName::WarningHigh, 2.8, "ISO 20816-3:2022 group 2, rigid"),
        limit(LimitName::AlarmLow, 1.6, "baseline"),
    ];
    let marks = [
        Mark { at: at(3000), kind: MarkKind::Warning, text: "warning raised".into() },
        Mark { at: at(9_999_999), kind: MarkKind::Alarm, text: "outside".into() },
    ];
    let fans = [Fan {
        at: at(DAY),
        value: 2.3,
        target: "warning".into(),
        limit: 2.8,
        p10: Some(at(DAY + 20_000)),
        p50: Some(at(DAY + 40_000)),
        p90: None,
    }];
    let zone = TimeZone::UTC;
    let mut chart = TrendChart {
        title: "de-vib & more",
        rows: &rows,
        shown: &shown,
        from: at(0),
        to: at(2 * DAY),
        periods: &periods,
        limits: &limits,
        marks: &marks,
        fans: &fans,
        zone: &zone,
    };
    change(&mut chart);
    chart.draw(Size { width: 700.0, height: 260.0 }, &Palette::PRINT)
}

/// The part of an element of a class.
fn path_of<'a>(svg: &'a str, class: &str) -> &'a str {
    svg.split(&format!(r#"class="{class}" d=""#)).nth(1).and_then(|rest| rest.split('"').next()).unwrap_or_default()
}

#[test]
fn it_shows_gaps_states_limits_marks_and_where_it_is_heading() {
    let Picture { svg, plot } = drawn(Units::Metric, |_| {});
    assert_eq!(path_of(&svg, "measured").matches('M').count(), 2, "the gap is a gap");
    assert_eq!(path_of(&svg, "band").matches('Z').count(), 2, "in the band too");
    for part in [
        "de-vib &amp; more",
        "<title>full &lt;load&gt;</title>",
        "<title>stopped</title>",
        "<title>state 1</title>",
        "warning above 2.8 mm/s · ISO 20816-3:2022 group 2, rigid",
        "alarm above 400 mm/s · set by the site ↑",
        "<title>warning raised</title>",
        ">P10<",
        ">P50<",
        "times: UTC",
    ] {
        assert!(svg.contains(part), "{part} in {svg}");
    }
    assert!(!svg.contains("outside") && !svg.contains(">P90<"), "what is not in the picture is not drawn");
    assert!(plot.low <= 1.5 && plot.high >= 2.8 && plot.high < 10.0, "{plot:?}");
    // What the baseline says holds for the state it is in now.
    let now = format!("M{:.1} {:.1}H", plot.x((DAY / 2 + 20_000) as f64), plot.y(1.6));
    assert_eq!(path_of(&svg, "limit alarm").split_at(now.len()).0, now);
    // A value's place and back.
    let x = plot.x(86_400.0);
    assert!((x - 0.5 * (plot.left + plot.right)).abs() < 1e-6);
}

#[test]
fn a_rising_value_is_higher_and_the_fan_opens_to_the_limit() {
    let Picture { svg, plot } = drawn(Units::Metric, |_| {});
    let fan = path_of(&svg, "fan");
    let numbers: Vec<f64> =
        fan.split(|c: char| !c.is_ascii_digit() && c != '.').filter_map(|n| n.parse().ok()).collect();
    let [x0, y0, x10, level, far] = numbers[..] else { panic!("{fan}") };
    assert!((x0 - plot.x(86_400.0)).abs() < 0.1 && (x10 - plot.x(106_400.0)).abs() < 0.1 && far > plot.right, "{fan}");
    assert!((level - plot.y(2.8)).abs() < 0.1 && level < y0, "up is up: {fan}");
}

#[test]
fn units_of_the_reader_and_nothing_at_all() {
    let Picture { svg, plot } = drawn(Units::Inch, |_| {});
    assert!(svg.contains("in in/s") && plot.high < 0.2, "{plot:?}");
    let Picture { svg, .. } = drawn(Units::Metric, |chart| (chart.rows, chart.limits, chart.fans) = (&[], &[], &[]));
    assert!(svg.contains("no values in this range"));
}

/// The number of an attribute.
fn attribute(element: &str, name: &str) -> f64 {
    let value = element.split(&format!(r#" {name}=""#)).nth(1).and_then(|rest| rest.split('"').next());
    value.and_then(|value| value.parse().ok()).expect(element)
}

/// What is written at limits.
fn label_elements(svg: &str) -> Vec<&str> {
    let at_limits = [r#"class="alarm-text small""#, r#"class="warning-text small""#];
    svg.lines().filter(|line| at_limits.iter().any(|class| line.contains(class))).collect()
}

/// Heights of the feet of labels, by their text.
fn labels(svg: &str) -> Vec<(String, f64)> {
    label_elements(svg)
        .iter()
        .map(|line| {
            let said = line.split('>').nth(1).and_then(|rest| rest.split('<').next()).expect(line);
            (said.to_owned(), attribute(line, "y"))
        })
        .collect()
}

/// From which height to which each leader leads.
fn leaders(svg: &str) -> Vec<(f64, f64)> {
    let paths = svg.lines().filter_map(|line| line.split(r#"class="limit leader"#).nth(1)?.split(r#"d="M"#).nth(1));
    paths
        .map(|path| {
            let numbers: Vec<f64> = path.split(['"', 'L', 'h', ' ']).map_while(|number| number.parse().ok()).collect();
            (numbers[1], numbers[3])
        })
        .collect()
}

fn with_limits(limits: Vec<NamedLimit>) -> Picture {
    // `drawn` knows no shorter life than for ever.
    let limits: &'static [NamedLimit] = Vec::leak(limits);
    drawn(Units::Metric, |chart| chart.limits = limits)
}

#[test]
fn limits_that_lie_close_are_named_one_under_another() {
    let near = [2.80, 2.81, 2.79, 2.80, 400.0, 410.0].map(|value| limit(LimitName::AlarmHigh, value, "own"));
    let Picture { svg, .. } = with_limits(near.to_vec());
    let places = labels(&svg);
    assert_eq!(places.len(), near.len(), "there is room for all: {svg}");
    for (n, (_, a)) in places.iter().enumerate() {
        // Letters of 12 px.
        assert!(places.iter().skip(n + 1).all(|(_, b)| (a - b).abs() >= 13.0), "{places:?}");
    }
    assert!(places.is_sorted_by(|a, b| a.1 <= b.1), "written from the top down");
    assert!(places[0].0.contains("410") && places[2].0.contains("2.81"), "as the limits lie: {places:?}");
}

#[test]
fn a_label_stands_beside_its_line_or_a_leader_leads_to_it() {
    use LimitName::{AlarmHigh, AlarmLow, WarningHigh, WarningLow};
    let names = [AlarmHigh, WarningHigh, WarningLow, AlarmLow];
    for values in [
        [4.0, 3.0, 1.2, 0.4],
        [3.0, 2.95, 1.05, 1.0],
        [2.5, 2.49, 2.48, 2.47],
        [2.5, 2.5, 2.5, 2.5],
        [4.0, 2.1, 2.0, 1.9],
    ] {
        let limits = names.iter().zip(values).map(|(name, value)| limit(*name, value, "own"));
        let Picture { svg, plot } = with_limits(limits.collect());
        let (places, leaders) = (labels(&svg), leaders(&svg));
        assert_eq!(places.len(), 4, "{values:?}: {places:?}");
        for (name, value) in names.iter().zip(values) {
            let words = format!("{} {} mm/s", limit_words(*name), number(value));
            let (_, foot) = places.iter().find(|(text, _)| text.starts_with(&words)).expect(&words);
            let line = plot.y(value);
            // Text over its line, or under it: its letters reach about 9 px up from its foot.
            let beside = (foot - (line - 4.0)).abs() <= 6.1 || (foot - (line + 12.0)).abs() <= 6.1;
            let led = leaders.iter().any(|(from, to)| (from - line).abs() < 0.1 && (to + 4.0 - foot).abs() < 0.11);
            assert!(beside || led, "{words} of {values:?} stands at {foot}, its line at {line}: {leaders:?}");
        }
    }
    // Far apart nothing has to be led to.
    let apart = names.iter().zip([4.0, 3.0, 1.2, 0.4]).map(|(name, value)| limit(*name, value, "own"));
    assert!(leaders(&with_limits(apart.collect()).svg).is_empty());
}

#[test]
fn a_line_that_begins_within_the_picture_has_its_label_before_it() {
    use LimitName::{AlarmHigh, AlarmLow, WarningHigh, WarningLow};
    let names = [AlarmHigh, WarningHigh, WarningLow, AlarmLow];
    let near = names.iter().zip([2.5, 2.45, 2.4, 2.35]).map(|(name, value)| limit(*name, value, "baseline"));
    let near: &'static [NamedLimit] = Vec::leak(near.collect());
    // Its state began a short while ago: the shortest line there is.
    let now: &'static [Period] = Vec::leak(vec![Period { began: at(2 * DAY - 60), ended: None, state: "1".into() }]);
    let Picture { svg, plot } = drawn(Units::Metric, |chart| (chart.limits, chart.periods) = (near, now));
    let begins = plot.left + 0.88 * (plot.right - plot.left);
    let texts = label_elements(&svg);
    assert_eq!(texts.len(), 4);
    assert!(texts.iter().all(|text| attribute(text, "x") < begins), "none over a line: {texts:?}");
    let led = leaders(&svg);
    for ((_, foot), limit) in labels(&svg).iter().zip(near) {
        let level = plot.y(limit.limit.limit.value);
        let leads = led.iter().any(|(from, to)| (from - level).abs() < 0.1 && (to + 4.0 - foot).abs() < 0.11);
        assert!(leads || (level + 4.0 - foot).abs() <= 2.1, "{foot} at {level}: {led:?}");
    }
}

#[test]
fn two_lines_without_room_between_them_have_their_labels_outside() {
    let Picture { svg, plot } =
        with_limits(vec![limit(LimitName::AlarmHigh, 2.85, "own"), limit(LimitName::WarningHigh, 2.8, "own")]);
    let places = labels(&svg);
    let (alarm, warning) = (places[0].1, places[1].1);
    assert!(alarm < plot.y(2.85) && warning - 9.0 > plot.y(2.8), "{places:?} at {} and {}", plot.y(2.85), plot.y(2.8));
}
