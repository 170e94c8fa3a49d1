//! "Where do I go first?": every machine's place in the list, and what its row says. Pure: board in, rows out.
//!
//! Order: alerts of machines that are there, the more severe first, those nobody has acknowledged before the others,
//! then by the time left and by how long they stand; then what has gone and waits to be acknowledged; then sensors;
//! then what people or logic hold back; then the rest by name.

use super::words::{self, When};
use crate::advise::audience::{Audience, of_spec};
use crate::advise::document::{Alert, Finding, LifeState, PointNow, RemainingLife, Zone};
use crate::advise::wording::{plain, severity_word};
use crate::board::Standing;
use roundsman_models::EventTime;
use std::cmp::Reverse;
use std::collections::BTreeSet;

/// A reading this much older than the newest of the plant is worth a look.
const OLD_SECS: f64 = 3600.0;
/// Longest name, sentence and the like that is shown; a topic may hold 64 KiB.
const LONGEST_NAME: usize = 128;
const LONGEST_SENTENCE: usize = 600;

/// What the list is narrowed to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Narrowed {
    /// Words that must be found, in lower case.
    pub words: String,
    /// Area.
    pub area: String,
    /// Class.
    pub class: String,
    /// One of [`GROUPS`].
    pub severity: String,
}

/// What `severity` may be narrowed to, and in words.
pub const GROUPS: [(&str, &str); 7] = [
    ("alarm", "alarm"),
    ("warning", "warning"),
    ("advisory", "advisory"),
    ("open", "any of the three"),
    ("sensor", "sensor faults"),
    ("held", "held back"),
    ("learning", "learning"),
];

/// How urgent; smaller is sooner.
#[derive(Debug, Clone, PartialEq, PartialOrd)]
struct Urgency {
    group: u8,
    severity: Reverse<u8>,
    known: bool,
    left_hours: f64,
    since: i64,
}

/// A row of the list.
#[derive(Debug, Clone)]
pub struct Row {
    /// Name.
    pub name: String,
    /// The machine's page.
    pub href: String,
    /// Area and class, as far as somebody said.
    pub place: String,
    /// `alarm`, `warning`, `advisory` or nothing: the edge.
    pub edge: &'static str,
    /// Shape, when something is open.
    pub shape: &'static str,
    /// Severity, or where the machine is without one.
    pub word: String,
    /// What somebody has said of it.
    pub state: &'static str,
    /// Since when.
    pub since: Option<When>,
    /// The sentence.
    pub sentence: String,
    /// Time left, and its interval.
    pub left: Option<(String, String)>,
    /// Operating state.
    pub operating: String,
    /// Hours run.
    pub run_hours: String,
    /// Age of the last reading, seconds.
    pub age_secs: Option<f64>,
    /// It is old.
    pub old: bool,
    /// Sensors at fault, in words.
    pub faults: Vec<String>,
    /// Where the small trend is, of the point the alert is about; changes when a new one is worth asking for.
    pub picture: Option<String>,
    urgency: Urgency,
}

impl Row {
    /// Nothing of it wants a look: on a phone it takes little room, so that what does is not pushed off the screen.
    pub fn calm(&self) -> bool {
        self.shape.is_empty() && self.faults.is_empty() && !self.old
    }

    /// Its age in words.
    pub fn age(&self) -> String {
        self.age_secs.map_or("–".into(), words::age)
    }
}

/// Where the row says "now" is, the plant's time or ours, and who reads it.
#[derive(Debug, Clone, Copy)]
pub struct Clock<'a> {
    /// Now.
    pub now: Option<EventTime>,
    /// Units and zone of whoever reads.
    pub audience: Audience<'a>,
}

/// The alert that matters most of those that are open, and of those that are held back.
fn foremost(standing: &Standing) -> Option<&Alert> {
    let about_machine = |alert: &&std::sync::Arc<Alert>| !matches!(alert.finding, Finding::Sensor(_));
    standing
        .alerts
        .values()
        .filter(about_machine)
        .min_by_key(|alert| {
            (is_held(alert), alert.state == LifeState::ReturnedUnacknowledged, Reverse(alert.severity), alert.raised_at)
        })
        .map(|alert| &**alert)
}

/// Whether people or logic hold it back.
pub(super) fn is_held(alert: &Alert) -> bool {
    matches!(alert.state, LifeState::Shelved | LifeState::SuppressedByDesign | LifeState::OutOfService)
}

/// The row of one machine.
pub fn row(name: &str, standing: &Standing, clock: Clock<'_>) -> Row {
    let spec = standing.spec.as_deref();
    let condition = standing.condition.as_deref();
    let alert = foremost(standing);
    let faults = faults(standing);
    let left = standing.life.as_ref().and_then(|(at, life)| left(*at, life, clock.now));
    let zone = condition.map(|condition| condition.zone);
    let gone = alert.is_some_and(|alert| alert.state == LifeState::ReturnedUnacknowledged);
    let held = alert.is_some_and(is_held);
    let group = match alert {
        Some(_) if held => 3,
        Some(_) if gone => 1,
        Some(_) => 0,
        None if !faults.is_empty() => 2,
        None => 4,
    };
    let urgency = Urgency {
        group,
        severity: Reverse(alert.map_or(0, |alert| alert.severity as u8 + 1)),
        known: alert.is_some_and(|alert| alert.state == LifeState::Acknowledged),
        left_hours: left.as_ref().map_or(f64::INFINITY, |left| left.hours),
        since: alert.map_or(i64::MAX, |alert| alert.raised_at.0),
    };
    let seen = standing.seen.get();
    let age_secs = seen.zip(clock.now).map(|(seen, now)| now.secs_since(seen).max(0.0));
    let of = |text: &str| plain(text, LONGEST_NAME);
    let place = [spec.and_then(|spec| spec.area.as_deref()), spec.and_then(|spec| spec.class.as_deref())];
    Row {
        name: of(name),
        href: format!("/machines/{}", encoded(name)),
        place: place.into_iter().flatten().map(of).collect::<Vec<_>>().join(" · "),
        edge: alert.filter(|_| !gone && !held).map_or("", |alert| words::key(alert.severity)),
        shape: alert.map_or("", |alert| words::shape(alert.severity, gone)),
        word: alert.map_or_else(|| zone_word(zone).to_owned(), |alert| severity_word(alert.severity).to_owned()),
        state: alert.map_or("", words::state),
        since: alert.map(|alert| words::when(alert.raised_at, clock.audience.zone)),
        sentence: match (alert, condition) {
            (Some(alert), _) => plain(&clock.audience.alert(alert, of_spec(spec)), LONGEST_SENTENCE),
            (None, Some(condition)) => plain(&clock.audience.condition(condition), LONGEST_SENTENCE),
            (None, None) => "Nothing is known of it yet.".into(),
        },
        left: left.map(|left| (left.words, left.interval)),
        operating: condition.and_then(|condition| condition.operating_state.as_deref()).map_or("–".into(), of),
        run_hours: condition.map_or("–".into(), |condition| words::thousands(condition.run_hours.max(0.0) as u64)),
        age_secs,
        old: age_secs.is_some_and(|age| age > OLD_SECS),
        faults,
        picture: picture(name, standing, alert),
        urgency,
    }
}

fn picture(name: &str, standing: &Standing, alert: Option<&Alert>) -> Option<String> {
    let condition = standing.condition.as_deref()?;
    let of_alert = alert.and_then(|alert| alert.contributions.first()).map(|first| first.point.as_str());
    // Silence of a whole machine is about no point.
    let of_alert = of_alert.filter(|point| !point.is_empty());
    let farthest = || {
        let sigmas = |point: &PointNow| point.sigmas.map_or(-1.0, f64::abs);
        condition.points.iter().max_by(|a, b| sigmas(a).total_cmp(&sigmas(b))).map(|point| point.point.as_str())
    };
    let point = of_alert.or_else(farthest)?;
    Some(format!("/machines/{}/spark.svg?point={}&asof={}", encoded(name), encoded(point), condition.at.0 / 1_000_000))
}

fn zone_word(zone: Option<Zone>) -> &'static str {
    match zone {
        None => "unknown",
        Some(Zone::Learning) => "learning",
        Some(Zone::Stopped) => "stopped",
        Some(Zone::Settling) => "settling",
        Some(Zone::Normal) => "as learned",
        // Between a snapshot that shows it and the alert that is raised once it lasts.
        Some(Zone::Advisory | Zone::Warning | Zone::Alarm) => "changing",
    }
}

fn faults(standing: &Standing) -> Vec<String> {
    let of_condition = standing.condition.iter().flat_map(|condition| &condition.sensor_faults);
    let mut faults: Vec<String> =
        of_condition.map(|(point, status)| format!("{} ({})", plain(point, LONGEST_NAME), plain(status, 40))).collect();
    for alert in standing.alerts.values() {
        if let Finding::Sensor(point) = &alert.finding {
            let known = standing.condition.iter().flat_map(|c| &c.sensor_faults).any(|(faulty, _)| faulty == point);
            if !known {
                faults.push(format!("{} ({})", plain(point, LONGEST_NAME), severity_word(alert.severity)));
            }
        }
    }
    faults
}

struct Left {
    hours: f64,
    words: String,
    interval: String,
}

/// The nearest forecast, counted from now.
fn left(at: EventTime, life: &RemainingLife, now: Option<EventTime>) -> Option<Left> {
    let nearest = life.forecasts.first()?;
    let passed = now.map_or(0.0, |now| now.secs_since(at).max(0.0) / 3600.0);
    let from_now = |hours: Option<f64>| hours.map(|hours| (hours - passed).max(0.0));
    let (p10, p50, p90) = (from_now(nearest.p10_hours), from_now(nearest.p50_hours), from_now(nearest.p90_hours));
    // Without a median the limit is beyond what can be seen, and only its early end is known.
    let hours = p50.or(p10)?;
    let words = match p50 {
        Some(hours) => words::hours(hours),
        None => format!("more than {}", words::hours(hours)),
    };
    let end = |hours: Option<f64>| hours.map_or("?".into(), words::hours);
    let interval = format!(
        "{} to {}, to {} of {}",
        end(p10),
        end(p90),
        plain(&nearest.target, 40),
        plain(&nearest.point, LONGEST_NAME)
    );
    Some(Left { hours, words, interval })
}

/// A name as one level of a path.
pub fn encoded(name: &str) -> String {
    name.bytes().map(|byte| if byte == b'/' { "%2F".into() } else { super::entrance::percent(byte) }).collect()
}

/// The list in order, with the areas and classes there are, and how many there are of each severity.
pub struct List {
    /// Rows in order, narrowed.
    pub rows: Vec<Row>,
    /// All areas.
    pub areas: BTreeSet<String>,
    /// All classes.
    pub classes: BTreeSet<String>,
    /// Machines in all.
    pub machines: usize,
    /// Of all machines: with an alarm, a warning, an advisory that is there; with a sensor fault; learning.
    pub counts: [usize; 5],
}

/// Makes it.
pub fn list(all: &[(std::sync::Arc<str>, std::sync::Arc<Standing>)], narrowed: &Narrowed, clock: Clock<'_>) -> List {
    let mut list = List {
        rows: Vec::new(),
        areas: BTreeSet::new(),
        classes: BTreeSet::new(),
        machines: all.len(),
        counts: [0; 5],
    };
    for (name, standing) in all {
        let spec = standing.spec.as_deref();
        let (area, class) = (spec.and_then(|s| s.area.clone()), spec.and_then(|s| s.class.clone()));
        let row = row(name, standing, clock);
        let learning = standing.condition.as_ref().is_some_and(|c| c.zone == Zone::Learning);
        for (place, counts) in [
            (0, row.edge == "alarm"),
            (1, row.edge == "warning"),
            (2, row.edge == "advisory"),
            (3, !row.faults.is_empty()),
            (4, learning),
        ] {
            if let Some(count) = list.counts.get_mut(place) {
                *count += usize::from(counts);
            }
        }
        let fits = (narrowed.area.is_empty() || area.as_deref() == Some(&narrowed.area))
            && (narrowed.class.is_empty() || class.as_deref() == Some(&narrowed.class))
            && in_group(&row, learning, &narrowed.severity)
            && says(&row, &narrowed.words);
        list.areas.extend(area);
        list.classes.extend(class);
        if fits {
            list.rows.push(row);
        }
    }
    // By name before, and the sort is stable: equals stay in that order.
    list.rows.sort_by(|a, b| a.urgency.partial_cmp(&b.urgency).unwrap_or(std::cmp::Ordering::Equal));
    list
}

fn in_group(row: &Row, learning: bool, group: &str) -> bool {
    match group {
        "alarm" | "warning" | "advisory" => row.edge == group,
        "open" => !row.edge.is_empty(),
        "sensor" => !row.faults.is_empty(),
        "held" => row.urgency.group == 3,
        "learning" => learning,
        _ => true,
    }
}

fn says(row: &Row, words: &str) -> bool {
    let text =
        format!("{} {} {} {} {}", row.name, row.place, row.sentence, row.word, row.faults.join(" ")).to_lowercase();
    words.split_whitespace().all(|word| text.contains(word))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::document::Severity;
    use crate::advise::document::tests::alert;
    use std::sync::Arc;

    fn machine(severity: Option<(Severity, LifeState)>, p50: Option<f64>) -> Arc<Standing> {
        let mut standing = Standing::default();
        if let Some((severity, state)) = severity {
            let mut alert = alert();
            (alert.severity, alert.state, alert.finding) = (severity, state, Finding::Machine);
            if let Some(life) = alert.remaining_life.as_mut() {
                if let Some(first) = life.forecasts.first_mut() {
                    (first.p10_hours, first.p50_hours, first.p90_hours) = (p50.map(|h| h / 2.0), p50, None);
                }
                standing.life = Some((alert.at, Arc::new(life.clone())));
            }
            if p50.is_none() {
                standing.life = None;
            }
            standing.alerts.insert(alert.id.clone(), Arc::new(alert));
        }
        Arc::new(standing)
    }

    fn names(rows: &[Row]) -> Vec<&str> {
        rows.iter().map(|row| row.name.as_str()).collect()
    }

    #[test]
    fn the_most_urgent_come_first() {
        use LifeState::{Acknowledged, ReturnedUnacknowledged, Shelved, Unacknowledged};
        let all: Vec<(Arc<str>, _)> = vec![
            ("a normal".into(), machine(None, None)),
            ("b shelved".into(), machine(Some((Severity::Alarm, Shelved)), None)),
            ("c gone".into(), machine(Some((Severity::Alarm, ReturnedUnacknowledged)), None)),
            ("d advisory".into(), machine(Some((Severity::Advisory, Unacknowledged)), None)),
            ("e warning later".into(), machine(Some((Severity::Warning, Unacknowledged)), Some(900.0))),
            ("f warning soon".into(), machine(Some((Severity::Warning, Unacknowledged)), Some(90.0))),
            ("g warning known".into(), machine(Some((Severity::Warning, Acknowledged)), Some(9.0))),
            ("h alarm known".into(), machine(Some((Severity::Alarm, Acknowledged)), None)),
            ("i alarm".into(), machine(Some((Severity::Alarm, Unacknowledged)), None)),
        ];
        let clock = Clock { now: None, audience: Audience::of_documents() };
        let found = list(&all, &Narrowed::default(), clock);
        let calm: Vec<&str> = found.rows.iter().filter(|row| row.calm()).map(|row| row.name.as_str()).collect();
        assert_eq!(calm, ["a normal"], "neither what is shelved nor what has gone");
        let order: Vec<&str> = names(&found.rows).iter().map(|name| &name[..1]).collect();
        assert_eq!(order, ["i", "h", "f", "e", "g", "d", "c", "b", "a"]);
        assert_eq!(found.counts, [2, 3, 1, 0, 0]);
        let only = |severity: &str| {
            let narrowed = Narrowed { severity: severity.into(), ..Narrowed::default() };
            names(&list(&all, &narrowed, clock).rows).len()
        };
        assert_eq!((only("alarm"), only("warning"), only("open"), only("held"), only("")), (2, 3, 6, 1, 9));
        let narrowed = Narrowed { words: "warning soon".into(), ..Narrowed::default() };
        assert_eq!(names(&list(&all, &narrowed, clock).rows), ["f warning soon"]);
    }

    #[test]
    fn the_time_left_is_counted_from_now() {
        let standing = machine(Some((Severity::Warning, LifeState::Unacknowledged)), Some(100.0));
        let at = standing.life.as_ref().expect("a statement").0;
        let clock = Clock { now: Some(at.plus_secs(36_000.0)), audience: Audience::of_documents() };
        let row = row("p", &standing, clock);
        let (words, interval) = row.left.expect("a forecast");
        assert_eq!(words, "4 d", "90 h");
        assert!(interval.starts_with("40 h to ?"), "{interval}");
    }

    #[test]
    fn a_machine_that_is_silent_still_has_its_small_trend() {
        let mut standing = Standing::default();
        let nothing = || crate::advise::document::Statistic { middle: None, spread: None, p95: None };
        let mut condition = crate::advise::document::tests::condition();
        condition.points.push(PointNow {
            point: "de-vib".into(),
            unit: "mm/s".into(),
            observed: Some(1.8),
            expected: None,
            band: None,
            sigmas: None,
            lately: nothing(),
            all: nothing(),
            per_hour: None,
            limits: Vec::new(),
        });
        standing.condition = Some(Arc::new(condition));
        let mut silent = alert();
        silent.finding = Finding::Silence;
        silent.contributions.first_mut().expect("one").point = String::new();
        standing.alerts.insert(silent.id.clone(), Arc::new(silent));
        let clock = Clock { now: None, audience: Audience::of_documents() };
        let picture = row("p", &standing, clock).picture.expect("one");
        assert!(picture.contains("point=de-vib&"), "{picture}");
    }

    #[test]
    fn a_name_is_one_level_of_a_path() {
        assert_eq!(encoded("pump 7/ü"), "pump%207%2F%C3%BC");
        assert_eq!(encoded(".."), "..");
    }
}
