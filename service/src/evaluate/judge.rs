//! Labels against what a replay found.
//!
//! A snapshot is judged where the engine judged it: not while it learned, not while the machine stood or settled. Within a
//! label about a sensor or about silence the machine's zone says nothing, so these are left out too. Alerts are judged
//! wherever they are.

use super::episodes::Episode;
use super::found::{Found, Said};
use super::labels::{About, Label, OPEN_END};
use super::marked::Marked;
use super::report::{
    AlertLine, AssetResult, Episodes, Evaluation, FoundAt, Hours, LabelResult, Level, Life, MONTH_HOURS, SCHEMA,
    Shares, Snapshots,
};
use crate::advise::document::Severity;
use crate::error::Error;
use roundsman_models::EventTime;
use roundsman_models::evaluate::{
    Confusion, Forecast, LifeParams, LifeScore, Matched, Truth, match_episodes, score, spread,
};
use std::collections::BTreeMap;

/// The severities, from the least.
pub const LEVELS: [Severity; 3] = [Severity::Advisory, Severity::Warning, Severity::Alarm];

/// What was true.
#[derive(Debug, Clone, Default)]
pub struct Truths {
    /// Labels from everywhere.
    pub labels: Vec<Label>,
    /// Rows of a labelled recording; without them the snapshots are the rows.
    pub marked: Option<Marked>,
    /// Where they came from.
    pub from: Vec<String>,
}

/// How it is judged.
#[derive(Debug, Clone, Copy, Default)]
pub struct Options {
    /// An alert this long after a label's end still belongs to it.
    pub grace_secs: f64,
    /// Judge every row from this long after an asset's first one; what the engine did not judge then counts as normal.
    pub judge_from_secs: Option<f64>,
    /// For forecasts.
    pub life: LifeParams,
}

/// Gaps between snapshots looked at for an asset's cadence.
const GAPS: usize = 512;

/// Snapshots of one asset so far.
#[derive(Debug, Default)]
struct Rows {
    first: Option<EventTime>,
    last: Option<EventTime>,
    gaps_secs: Vec<f64>,
    counted: Snapshots,
    by_level: [Confusion; LEVELS.len()],
    healthy: u64,
}

impl Rows {
    fn count(&mut self, at: EventTime, said: Option<Said>, labels: &[&Label], options: &Options) {
        let first = *self.first.get_or_insert(at);
        if let Some(last) = self.last
            && self.gaps_secs.len() < GAPS
        {
            self.gaps_secs.push(at.secs_since(last));
        }
        self.last = Some(at);
        self.counted.all += 1;
        let inside = || labels.iter().filter(|label| label.span.holds(at, 0.0));
        let abnormal = inside().any(|label| label.is_of_machine());
        if !abnormal && inside().next().is_some() {
            match inside().any(|label| label.about == About::Unknown) {
                true => self.counted.unknown += 1,
                false => self.counted.sensor_at_fault += 1,
            }
            return;
        }
        let is_judged = match options.judge_from_secs {
            Some(from) => at.secs_since(first) >= from,
            None => said.is_some_and(Said::is_judged),
        };
        if !is_judged {
            *match said {
                Some(Said::Stopped) => &mut self.counted.stopped,
                Some(Said::Settling) => &mut self.counted.settling,
                // Judged by its zone, but before the time asked for: the stretch that is there to learn from.
                Some(Said::Learning | Said::Normal | Said::Raised(_)) => &mut self.counted.learning,
                None => &mut self.counted.unscored,
            } += 1;
            return;
        }
        self.counted.judged += 1;
        self.counted.unscored += u64::from(said.is_none());
        self.healthy += u64::from(!abnormal);
        for (counts, level) in self.by_level.iter_mut().zip(LEVELS) {
            counts.count(said.is_some_and(|said| said.reaches(level)), abnormal);
        }
    }

    /// Months judged outside labels.
    fn healthy_months(&self) -> f64 {
        let cadence = spread(self.gaps_secs.iter().copied()).map_or(0.0, |gaps| gaps.median);
        self.healthy as f64 * cadence / 3600.0 / MONTH_HOURS
    }

    fn reach_into(&self, span: &Truth) -> bool {
        matches!((self.first, self.last), (Some(first), Some(last)) if span.from <= last && span.to >= first)
    }
}

/// Judges.
///
/// # Errors
/// The snapshots cannot be read.
pub fn judge(found: &Found, results: String, truths: &Truths, options: &Options) -> Result<Evaluation, Error> {
    let rows = count_rows(found, truths, options)?;
    let mut notes = Vec::new();
    // Nothing is judged by these, so nothing has to be there to judge: they only explain alerts.
    let (unknown, known): (Vec<&Label>, Vec<&Label>) =
        truths.labels.iter().partition(|label| label.about == About::Unknown);
    let (labels, aside): (Vec<&Label>, Vec<&Label>) = known.into_iter().partition(|label| {
        // Of a silent asset there are no snapshots: that is what the alert is about.
        rows.get(label.asset.as_str()).is_some_and(|rows| label.about == About::Silence || rows.reach_into(&label.span))
    });
    if !aside.is_empty() {
        let names: Vec<&str> = aside.iter().take(5).map(|label| label.asset.as_str()).collect();
        let more = if aside.len() > names.len() { ", ..." } else { "" };
        let count = aside.len();
        notes.push(format!(
            "not judged, since there are no snapshots of that asset in that time: {count} of the labels ({}{more})",
            names.join(", ")
        ));
    }
    // In a labelled recording nothing is known of other assets.
    let episodes: Vec<&Episode> = match &truths.marked {
        Some(marked) => found.episodes.iter().filter(|episode| marked.rows.contains_key(&episode.asset)).collect(),
        None => found.episodes.iter().collect(),
    };
    let healthy_months: f64 = rows.values().map(Rows::healthy_months).sum();
    let by_level = LEVELS.map(|level| matched(&labels, &unknown, &episodes, level, options));
    let scores: Vec<Option<LifeScore>> = labels.iter().map(|label| life_of(label, found, options)).collect();
    let mut pooled: Option<LifeScore> = None;
    for score in scores.iter().flatten() {
        pooled.get_or_insert_default().add(score);
    }
    let levels = LEVELS.iter().zip(&by_level).enumerate().map(|(place, (&severity, matched))| {
        let mut counts = Confusion::default();
        for rows in rows.values() {
            counts.add(rows.by_level.get(place).copied().unwrap_or_default());
        }
        Level {
            severity,
            snapshots: Shares::of(counts),
            episodes: of_episodes(&labels, &episodes, severity, matched, healthy_months),
        }
    });
    let levels = levels.collect();
    let mut snapshots = Snapshots::default();
    rows.values().for_each(|rows| snapshots.add(rows.counted));
    let results_of = |name: &str, rows: &Rows| asset_result(name, rows, &labels, &episodes, by_level.first());
    let by_asset = rows.iter().map(|(name, rows)| results_of(name, rows)).collect();
    let of_label =
        |place: usize, label: &&Label| label_result(label, place, &by_level, scores.get(place).cloned().flatten());
    Ok(Evaluation {
        schema: SCHEMA,
        results,
        labels_from: truths.from.clone(),
        assets: rows.len(),
        snapshots,
        healthy_machine_months: healthy_months,
        at_least: levels,
        remaining_life: pooled.as_ref().map(Life::of),
        labels: labels.iter().enumerate().map(|(place, label)| of_label(place, label)).collect(),
        false_alerts: false_alerts(&episodes, &by_level),
        by_asset,
        notes,
    })
}

fn count_rows(found: &Found, truths: &Truths, options: &Options) -> Result<BTreeMap<String, Rows>, Error> {
    let mut labels: BTreeMap<&str, Vec<&Label>> = BTreeMap::new();
    for label in &truths.labels {
        labels.entry(&label.asset).or_default().push(label);
    }
    let of = |asset: &str| labels.get(asset).map(Vec::as_slice).unwrap_or_default();
    let mut rows: BTreeMap<String, Rows> = BTreeMap::new();
    let Some(marked) = &truths.marked else {
        found.snapshots(|at, asset, said| {
            let rows = match rows.get_mut(asset) {
                Some(rows) => rows,
                None => rows.entry(asset.to_owned()).or_default(),
            };
            rows.count(at, Some(said), of(asset), options);
        })?;
        return Ok(rows);
    };
    // The zone of every snapshot of the assets that have labelled rows, to be looked up by time.
    let mut said: BTreeMap<&str, Vec<(EventTime, Said)>> =
        marked.rows.keys().map(|asset| (asset.as_str(), Vec::new())).collect();
    found.snapshots(|at, asset, zone| {
        if let Some(zones) = said.get_mut(asset) {
            zones.push((at, zone));
        }
    })?;
    for (asset, marks) in &marked.rows {
        let zones = said.get(asset.as_str()).map(Vec::as_slice).unwrap_or_default();
        let rows = rows.entry(asset.clone()).or_default();
        for &(at, _) in marks {
            let zone = zones.binary_search_by_key(&at, |(at, _)| *at).ok().and_then(|place| zones.get(place));
            rows.count(at, zone.map(|(_, zone)| *zone), of(asset), options);
        }
    }
    Ok(rows)
}

/// What lies in `unknown` explains an alert, and is not there to be found.
fn matched(
    labels: &[&Label],
    unknown: &[&Label],
    episodes: &[&Episode],
    level: Severity,
    options: &Options,
) -> Matched {
    let all: Vec<&Label> = labels.iter().chain(unknown).copied().collect();
    let spans: Vec<Truth> = all.iter().map(|label| label.span).collect();
    let rises: Vec<Vec<EventTime>> = episodes.iter().map(|episode| episode.rises(level)).collect();
    let fits = |alert: usize, truth: usize| {
        all.get(truth).zip(episodes.get(alert)).is_some_and(|(label, episode)| label.fits(episode))
    };
    let mut matched = match_episodes(&spans, &rises, options.grace_secs, fits);
    matched.found_at.truncate(labels.len());
    matched
}

fn of_episodes(
    labels: &[&Label],
    episodes: &[&Episode],
    level: Severity,
    matched: &Matched,
    healthy_months: f64,
) -> Episodes {
    let pairs = || labels.iter().zip(&matched.found_at).filter_map(|(label, at)| Some((label, (*at)?)));
    let found = pairs().count();
    let false_alerts = matched.is_false.iter().filter(|is_false| **is_false).count();
    let delays = pairs().map(|(label, at)| at.hours_since(label.span.from));
    let leads = pairs().filter_map(|(label, at)| Some(label.life_ends?.hours_since(at)));
    Episodes {
        labels: labels.len(),
        found,
        missed: labels.len() - found,
        alerts: episodes.iter().filter(|episode| !episode.rises(level).is_empty()).count(),
        false_alerts,
        false_per_machine_month: (healthy_months > 0.0).then(|| false_alerts as f64 / healthy_months),
        delay_hours: spread(delays).map(Hours::of_delays),
        lead_hours: spread(leads).map(Hours::of_leads),
    }
}

fn asset_result(
    name: &str,
    rows: &Rows,
    labels: &[&Label],
    episodes: &[&Episode],
    matched: Option<&Matched>,
) -> AssetResult {
    let (mut of_asset, mut found, mut false_alerts) = (0, 0, 0);
    if let Some(matched) = matched {
        for (_, at) in labels.iter().zip(&matched.found_at).filter(|(label, _)| label.asset == name) {
            of_asset += 1;
            found += usize::from(at.is_some());
        }
        let of_it = episodes.iter().zip(&matched.is_false).filter(|(episode, _)| episode.asset == name);
        false_alerts = of_it.filter(|(_, is_false)| **is_false).count();
    }
    AssetResult {
        asset: name.to_owned(),
        snapshots: rows.counted,
        shares: Shares::of(rows.by_level.first().copied().unwrap_or_default()),
        labels: of_asset,
        found,
        false_alerts,
        healthy_machine_months: rows.healthy_months(),
    }
}

fn label_result(label: &Label, place: usize, by_level: &[Matched], score: Option<LifeScore>) -> LabelResult {
    let found = LEVELS.iter().zip(by_level).map(|(&severity, matched)| {
        let at = matched.found_at.get(place).copied().flatten();
        FoundAt {
            severity,
            at,
            delay_hours: at.map(|at| at.hours_since(label.span.from)),
            lead_hours: at.zip(label.life_ends).map(|(at, ends)| ends.hours_since(at)),
        }
    });
    LabelResult {
        asset: label.asset.clone(),
        kind: label.kind.clone(),
        start: label.span.from,
        end: (label.span.to != OPEN_END).then_some(label.span.to),
        life_ends: label.life_ends,
        target: label.life_ends.map(|_| label.target.clone()),
        found: found.collect(),
        remaining_life: score.as_ref().map(Life::of),
    }
}

/// Forecasts of the label's point and target, or the nearest of all points', against the end of the life.
fn life_of(label: &Label, found: &Found, options: &Options) -> Option<LifeScore> {
    let ends = label.life_ends?;
    let fitting = found.forecasts.iter().filter(|((asset, point, target), _)| {
        *asset == label.asset && *target == label.target && label.point.as_ref().is_none_or(|named| named == point)
    });
    let mut nearest: BTreeMap<EventTime, Forecast> = BTreeMap::new();
    for forecast in fitting.flat_map(|(_, forecasts)| forecasts) {
        let hours = |forecast: &Forecast| forecast.p50_hours.or(forecast.p10_hours).unwrap_or(f64::INFINITY);
        match nearest.get_mut(&forecast.at) {
            Some(known) if hours(forecast) < hours(known) => *known = *forecast,
            Some(_) => {}
            None => drop(nearest.insert(forecast.at, *forecast)),
        }
    }
    let forecasts: Vec<Forecast> = nearest.into_values().collect();
    Some(score(&forecasts, label.span.from, ends, options.life))
}

fn false_alerts(episodes: &[&Episode], by_level: &[Matched]) -> Vec<AlertLine> {
    let mut lines = Vec::new();
    for (place, episode) in episodes.iter().enumerate() {
        let is_false = |matched: &Matched| matched.is_false.get(place).copied().unwrap_or(false);
        let worst = LEVELS.iter().zip(by_level).filter(|(_, matched)| is_false(matched)).map(|(level, _)| *level).max();
        if let Some(worst) = worst {
            lines.push(AlertLine { worst, ..line(episode) });
        }
    }
    lines
}

/// An episode as a line of a report.
pub(super) fn line(episode: &Episode) -> AlertLine {
    AlertLine {
        id: episode.id.clone(),
        asset: episode.asset.clone(),
        finding: episode.finding.clone(),
        raised_at: episode.raised_at,
        onset: episode.onset,
        worst: episode.worst,
        message: episode.message.clone(),
    }
}
