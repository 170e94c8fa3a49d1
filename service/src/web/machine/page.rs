//! The machine's page: what it says in words; the pictures are asked for by the page.

use super::{Refusal, reading};
use crate::advise::audience::{Audience, Points, of_plate};
use crate::advise::diagnosis::{Diagnosis, EvidenceLine, Explanation, Verdict};
use crate::advise::document::{Alert, Condition, Finding, RemainingLife};
use crate::advise::wording::{number, plain, severity_word};
use crate::asset::spec::Role;
use crate::chart::captures::{self, Sensor};
use crate::chart::stored::{self, View, newest};
use crate::chart::trend::{limit_words, source_words, state_words};
use crate::chart::{Palette, Size};
use crate::keep::plate::Plate;
use crate::keep::read::{AssetRow, AuditRow, Reader, Span};
use crate::web::entrance::Visitor;
use crate::web::frame::Frame;
use crate::web::words::{self, When};
use crate::web::{Shown, files, reply};
use askama::Template;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Longest text from outside that is shown.
const LONGEST: usize = 600;
/// Transitions of alerts and commands shown; the newest.
const MOST: u32 = 400;

/// A row of plate data or of a limit.
struct Fact {
    name: &'static str,
    value: String,
}

/// One point's trend.
struct Trend {
    point: String,
    svg: String,
    /// What it measures now, in words.
    now: String,
    limits: Vec<String>,
}

/// One sensor's waveforms.
struct Captured {
    /// As the address of its pictures has it.
    key: String,
    words: String,
    has_reference: bool,
    has_alert: bool,
    /// What can be taken along: in words, and its number.
    samples: Vec<(&'static str, u64)>,
}

/// An explanation with its evidence.
struct Likely {
    name: String,
    score: String,
    support: Vec<String>,
    against: Vec<String>,
}

/// One alert with its transitions, newest alert first.
struct Episode {
    id: String,
    severity: &'static str,
    word: &'static str,
    shape: &'static str,
    state: &'static str,
    raised: When,
    message: String,
    steps: Vec<Step>,
}

struct Step {
    at: When,
    change: String,
    who: String,
}

/// One command.
struct Deed {
    at: When,
    by: String,
    what: String,
    note: String,
    refused: bool,
}

#[derive(Template)]
#[template(path = "machine.html")]
struct Page {
    frame: Frame,
    script: &'static str,
    style: &'static str,
    name: String,
    path: String,
    place: String,
    edge: &'static str,
    shape: &'static str,
    word: String,
    sentence: String,
    operating: String,
    run_hours: String,
    last: Option<When>,
    /// For the script: what "now" is, seconds since 1970.
    now_secs: i64,
    /// The range that is shown first, seconds.
    day_secs: i64,
    /// Up to where a forecast reaches, seconds since 1970; 0 without one.
    ahead_secs: i64,
    zone: String,
    life: Vec<String>,
    life_note: String,
    faults: Vec<String>,
    plate: Vec<Fact>,
    trends: Vec<Trend>,
    sensors: Vec<Captured>,
    diagnosis: Option<String>,
    likely: Vec<Likely>,
    checks: Vec<String>,
    caution: Option<String>,
    episodes: Vec<Episode>,
    deeds: Vec<Deed>,
}

/// `/machines/{asset}`
pub(super) async fn page(State(shown): State<Arc<Shown>>, visitor: Visitor, Path(asset): Path<String>) -> Response {
    let page = reading(&shown, asset, move |shown, reader, asset| Page::of(shown, &visitor, reader, asset)).await;
    match page {
        Ok(page) => reply::page(StatusCode::OK, &page),
        Err(Refusal::Missing(_)) => reply::refused(&shown, StatusCode::NOT_FOUND, "There is no such machine."),
        Err(refusal) => refusal.into_response(),
    }
}

impl Page {
    fn of(shown: &Shown, visitor: &Visitor, reader: &Reader, asset: &AssetRow) -> Result<Self, Refusal> {
        let zone = &shown.zone;
        let points = of_plate(&asset.plate);
        let condition = reader.condition(&asset.name)?;
        let life = reader.remaining_life(&asset.name)?;
        let diagnosis = reader.diagnosis(&asset.name)?;
        let alerts = reader.alerts(Span::newest(&asset.name, MOST))?;
        let audit = reader.audit(Span::newest(&asset.name, MOST))?;
        let now = newest(condition.as_ref(), &[]).or(alerts.last().map(|alert| alert.at)).unwrap_or_default();
        let ahead = life.as_ref().map_or(0, |l| ahead(l.at, &l.remaining_life));
        let open: Vec<&str> = condition.iter().flat_map(|c| c.open_alerts.iter().map(String::as_str)).collect();
        let last_of = |id: &&str| alerts.iter().rfind(|alert| alert.id == *id && alert.finding == Finding::Machine);
        let worst = open.iter().filter_map(last_of).max_by_key(|alert| alert.severity);
        let name = plain(&asset.name, 128);
        let trends = trends(shown, reader, asset, condition.as_ref(), now)?;
        let sensors = captures::sensors(reader, asset, diagnosis.as_ref())?;
        let place = [&asset.plate.area, &asset.plate.class];
        Ok(Self {
            frame: Frame::new(shown, &name, Some(visitor)),
            script: files::machine_script().address(),
            style: files::machine_style().address(),
            path: format!("/machines/{}", crate::web::urgency::encoded(&asset.name)),
            place: place.into_iter().flatten().map(|text| plain(text, 128)).collect::<Vec<_>>().join(" · "),
            edge: worst.map_or("", |alert| words::key(alert.severity)),
            shape: worst.map_or("", |alert| words::shape(alert.severity, false)),
            word: match (worst, &condition) {
                (Some(alert), _) => severity_word(alert.severity).to_owned(),
                (None, Some(condition)) => zone_words(condition).to_owned(),
                (None, None) => "nothing known yet".to_owned(),
            },
            sentence: match (worst, &condition) {
                (Some(alert), _) => plain(&shown.audience().alert(alert, points), LONGEST),
                (None, Some(condition)) => plain(&shown.audience().condition(condition), LONGEST),
                (None, None) => "No reading of it has been judged yet.".to_owned(),
            },
            operating: condition.as_ref().and_then(|c| c.operating_state.as_deref()).map_or("–".into(), state_words),
            run_hours: condition.as_ref().map_or("–".into(), |c| format!("{:.0} h", c.run_hours)),
            last: condition.as_ref().map(|c| words::when(c.at, zone)),
            now_secs: now.0.div_euclid(1_000_000),
            day_secs: super::trend::DAY_SECS as i64,
            ahead_secs: ahead.max(0),
            zone: zone.iana_name().unwrap_or("UTC").to_owned(),
            life: life.iter().flat_map(|l| life_words(&l.remaining_life, shown)).collect(),
            life_note: life.as_ref().map_or(String::new(), |l| life_note(&l.remaining_life)),
            faults: condition
                .iter()
                .flat_map(|c| c.sensor_faults.iter().map(|(point, status)| format!("{}: {status}", plain(point, 128))))
                .collect(),
            plate: plate(&asset.plate, shown),
            trends,
            sensors: sensors.iter().map(captured).collect(),
            diagnosis: diagnosis.as_ref().map(|d| plain(&d.message, LONGEST)),
            likely: diagnosis.iter().flat_map(|d| d.explanations.iter().map(|e| likely(e, shown))).collect(),
            checks: checks(diagnosis.as_ref()),
            caution: diagnosis.and_then(|d| d.caution),
            episodes: episodes(&alerts, points, shown.audience()),
            deeds: audit.iter().rev().map(|row| deed(row, shown.audience())).collect(),
            name,
        })
    }
}

fn zone_words(condition: &Condition) -> &'static str {
    use crate::advise::document::Zone;
    match condition.zone {
        Zone::Learning => "learning",
        Zone::Stopped => "stopped",
        Zone::Settling => "settling",
        Zone::Normal => "as learned",
        Zone::Advisory => "advisory",
        Zone::Warning => "warning",
        Zone::Alarm => "alarm",
    }
}

/// The end of the farthest forecast that can be drawn.
fn ahead(at: EventTime, life: &RemainingLife) -> i64 {
    let hours = |f: &crate::advise::document::Forecast| {
        f.p90_hours.or(f.p50_hours.map(|h| 1.5 * h)).or(f.p10_hours.map(|h| 3.0 * h))
    };
    let farthest = life.forecasts.iter().filter_map(hours).filter(|h| h.is_finite()).fold(0.0_f64, f64::max);
    if farthest > 0.0 { at.plus_secs(1.05 * 3600.0 * farthest).0.div_euclid(1_000_000) } else { 0 }
}

fn life_words(life: &RemainingLife, shown: &Shown) -> Vec<String> {
    let hours = |h: Option<f64>| h.map_or("beyond what can be told".to_owned(), words::hours);
    let one = |f: &crate::advise::document::Forecast| {
        let unit = shown.units.shown(&f.limit.limit.unit);
        format!(
            "{} to {} at {} {} ({}): {}, with 80 % between {} and {}",
            plain(&f.point, 128),
            f.target,
            number(unit.value(f.limit.limit.value)),
            unit.sign,
            source_words(&f.limit.source),
            hours(f.p50_hours),
            hours(f.p10_hours),
            hours(f.p90_hours)
        )
    };
    life.forecasts.iter().map(one).collect()
}

fn life_note(life: &RemainingLife) -> String {
    let mut parts: Vec<String> =
        life.none_because.iter().map(|why| format!("No forecast: {}.", plain(why, LONGEST))).collect();
    if life.past_intervals > 0 {
        parts.push(format!(
            "Of {} intervals given before that could be judged since, {} held.",
            life.past_intervals, life.past_intervals_held
        ));
    }
    parts.extend(life.history.iter().map(|text| plain(text, LONGEST)));
    parts.join(" ")
}

fn plate(plate: &Plate, shown: &Shown) -> Vec<Fact> {
    let value = |kept: f64, code: &str| {
        let unit = shown.units.shown(code);
        format!("{} {}", number(unit.value(kept)), unit.sign)
    };
    let bearings: Vec<_> = plate.bearings.iter().map(|b| plain(&b.name, 128)).collect();
    let rows = [
        ("Area", plate.area.as_ref().map(|text| plain(text, 128))),
        ("Kind", plate.class.as_ref().map(|text| plain(text, 128))),
        ("Rated power", plate.rating_kw.map(|kw| value(kw, "kW"))),
        ("Rated speed", plate.rated_speed_rpm.map(|rpm| value(rpm, "/min"))),
        ("Severity zones", plate.zones_edition.clone()),
        ("Bearings", (!bearings.is_empty()).then(|| bearings.join(", "))),
        ("Known from", Some(if plate.configured { "the configuration" } else { "its topics" }.to_owned())),
    ];
    rows.into_iter().filter_map(|(name, value)| Some(Fact { name, value: value? })).collect()
}

/// Condition points first, since they are what an alert is about; the trend of the last day, which the script makes sharper.
fn trends(
    shown: &Shown,
    reader: &Reader,
    asset: &AssetRow,
    condition: Option<&Condition>,
    now: EventTime,
) -> Result<Vec<Trend>, Refusal> {
    let role = |name: &str| asset.plate.points.iter().find(|p| p.name == name).map(|p| p.role);
    let mut points: Vec<_> = asset.points.iter().filter(|p| role(&p.name) != Some(Role::State)).collect();
    points.sort_by_key(|p| role(&p.name) != Some(Role::Condition));
    let size = Size { width: 720.0, height: 250.0 };
    let view = View { units: shown.units, zone: &shown.zone, size, palette: &Palette::LIGHT };
    let from = now.plus_secs(-super::trend::DAY_SECS);
    let mut trends = Vec::new();
    for point in points {
        let stands = condition.and_then(|c| c.points.iter().find(|p| p.point == point.name));
        let unit = shown.units.shown(&point.unit);
        let said = |kept: f64| format!("{} {}", number(unit.value(kept)), unit.sign);
        let drawn = stored::trend(reader, asset, point, (from, now), view)?;
        let mut words: Vec<String> = Vec::new();
        match (stands.and_then(|s| s.observed), drawn.rows.last()) {
            (Some(observed), _) => words.push(format!("now {}", said(observed))),
            (None, Some(row)) => words.push(format!("last {}", said(row.mean))),
            (None, None) => {}
        }
        if let Some((expected, band)) = stands.and_then(|s| s.expected.zip(s.band)) {
            let (low, high) = (unit.value(expected - band), unit.value(expected + band));
            words.push(format!("expected {} ({} to {})", said(expected), number(low), number(high)));
        }
        let limits = stands.map(|s| s.limits.as_slice()).unwrap_or_default().iter();
        trends.push(Trend {
            point: point.name.clone(),
            svg: drawn.picture.svg,
            now: words.join(", "),
            limits: limits
                .map(|l| {
                    format!("{} {} ({})", limit_words(l.name), said(l.limit.limit.value), source_words(&l.limit.source))
                })
                .collect(),
        });
    }
    Ok(trends)
}

fn captured(sensor: &Sensor) -> Captured {
    let Sensor { point, axis, newest, reference, alert } = sensor;
    let held = [("newest", Some(newest)), ("reference", reference.as_ref()), ("of the alert", alert.as_ref())];
    let samples = held.into_iter().filter_map(|(name, held)| Some((name, held?.number))).collect();
    let (key, words) = if axis.is_empty() {
        (point.clone(), plain(point, 128))
    } else {
        (format!("{point}/{axis}"), format!("{}, {axis}", plain(point, 128)))
    };
    Captured { key, words, has_reference: reference.is_some(), has_alert: alert.is_some(), samples }
}

fn likely(explanation: &Explanation, shown: &Shown) -> Likely {
    let line = |line: &EvidenceLine| {
        let mut text = plain(&line.text, LONGEST);
        if let (Some(hz), Some(amplitude)) = (line.hz, &line.amplitude) {
            let unit = shown.units.shown(&amplitude.unit);
            let sign = if amplitude.unit == "1" { "modulation depth" } else { &unit.sign };
            text = format!("{text} ({} Hz, {} {sign})", number(hz), number(unit.difference(amplitude.value)));
        }
        text
    };
    Likely {
        name: explanation.name.clone(),
        score: number(explanation.confidence),
        support: explanation.support.iter().map(line).collect(),
        against: explanation.against.iter().map(line).collect(),
    }
}

fn checks(diagnosis: Option<&Diagnosis>) -> Vec<String> {
    let found = diagnosis.filter(|d| !matches!(d.answer, Verdict::Nothing | Verdict::NotLooked));
    found.map(|d| d.checks.clone()).unwrap_or_default()
}

fn episodes(alerts: &[Alert], points: Option<&dyn Points>, audience: Audience<'_>) -> Vec<Episode> {
    let zone = audience.zone;
    let mut by_id: BTreeMap<&str, Vec<&Alert>> = BTreeMap::new();
    for alert in alerts {
        by_id.entry(&alert.id).or_default().push(alert);
    }
    let mut episodes: Vec<(EventTime, Episode)> = by_id
        .into_values()
        .filter_map(|steps| {
            let last = *steps.last()?;
            // What is said of it is what was said when it was worst.
            let loudest = steps.iter().rev().max_by_key(|alert| alert.severity).copied().unwrap_or(last);
            let step = |alert: &&Alert| Step {
                at: words::when(alert.at, zone),
                change: change_words(alert),
                who: who(alert.by.as_deref(), alert.note.as_deref()),
            };
            let episode = Episode {
                id: last.id.clone(),
                severity: words::key(last.worst),
                word: severity_word(last.worst),
                shape: words::shape(last.worst, is_over(last)),
                state: words::state(last),
                raised: words::when(last.raised_at, zone),
                message: plain(&audience.alert(loudest, points), LONGEST),
                steps: steps.iter().map(step).collect(),
            };
            Some((last.raised_at, episode))
        })
        .collect();
    episodes.sort_by_key(|(raised, _)| std::cmp::Reverse(*raised));
    episodes.into_iter().map(|(_, episode)| episode).collect()
}

fn is_over(alert: &Alert) -> bool {
    use crate::advise::document::LifeState;
    matches!(alert.state, LifeState::Normal | LifeState::ReturnedUnacknowledged)
}

fn change_words(alert: &Alert) -> String {
    let change = serde_json::to_value(alert.change).ok().and_then(|v| v.as_str().map(|s| s.replace('-', " ")));
    format!("{}, {}", change.unwrap_or_default(), severity_word(alert.severity))
}

fn who(by: Option<&str>, note: Option<&str>) -> String {
    let parts = [by, note].into_iter().flatten().map(|text| plain(text, LONGEST));
    parts.collect::<Vec<_>>().join(": ")
}

fn deed(row: &AuditRow, audience: Audience<'_>) -> Deed {
    let (answer, old, new) = audience.deed(row);
    let mut what = plain(&answer, LONGEST);
    if let (Some(old), Some(new)) = (old, new) {
        what = format!("{what} (before: {}; since: {})", plain(&old, 128), plain(&new, 128));
    }
    Deed {
        at: words::when(row.at.unwrap_or(row.received), audience.zone),
        by: plain(&row.by, 128),
        what,
        note: row.note.as_deref().map_or(String::new(), |note| plain(note, LONGEST)),
        refused: !row.accepted,
    }
}
