//! What a report says, gathered from `state.db`: everything of one moment, nothing worked out on paper.

use crate::advise::audience::Audience;
use crate::advise::diagnosis::Diagnosis;
use crate::advise::document::{Alert, Condition, Finding, LifeState, RemainingLifeStatement, Severity};
use crate::chart::captures::{self, Sensor};
use crate::chart::stored::newest;
use crate::chart::{Units, Vibration};
use crate::error::{Error, Fault};
use crate::keep::KeepError;
use crate::keep::read::{AssetRow, AuditRow, PointRow, Reader, Span, TrendRow};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

/// Most transitions that are looked through for the list of alerts.
const MOST_TRANSITIONS: u32 = 2000;
/// Most commands that are listed.
const MOST_COMMANDS: u32 = 6;
/// Sensors whose waveforms are shown: three axes of the place the diagnosis is about.
const MOST_SENSORS: usize = 3;

/// Who asks for a report, and how it is to be read.
#[derive(Debug, Clone)]
pub struct Asked {
    /// Site name.
    pub site: String,
    /// Who made it.
    pub by: String,
    /// Our clock.
    pub now: EventTime,
    /// Zone of the times.
    pub zone: TimeZone,
    /// Units.
    pub units: Units,
}

/// One episode of an alert: its last word, and how it began.
#[derive(Debug, Clone)]
pub(super) struct Episode {
    pub(super) last: Alert,
}

impl Episode {
    pub(super) fn is_open(&self) -> bool {
        self.last.state != LifeState::Normal
    }
}

/// One sensor's newest waveform, looked into, with its reference.
pub(super) struct Looked {
    pub(super) sensor: Sensor,
    pub(super) newest: Vibration,
    pub(super) reference: Option<Vibration>,
}

/// All of it.
pub(super) struct Facts {
    pub(super) asset: AssetRow,
    pub(super) condition: Option<Condition>,
    pub(super) life: Option<RemainingLifeStatement>,
    pub(super) diagnosis: Option<Diagnosis>,
    /// Newest first.
    pub(super) episodes: Vec<Episode>,
    /// Older transitions were not looked through.
    pub(super) more_episodes: bool,
    /// Newest first.
    pub(super) commands: Vec<AuditRow>,
    pub(super) looked: Vec<Looked>,
    /// Sensors whose waveforms could not be looked into, and why.
    pub(super) not_looked: Vec<String>,
    /// The newest time anything is known of.
    pub(super) as_of: EventTime,
}

fn failed(error: KeepError) -> Error {
    Error::new(Fault::Io, error.to_string())
}

impl Asked {
    /// Who reads it.
    pub(super) fn audience(&self) -> Audience<'_> {
        Audience { units: self.units, zone: &self.zone }
    }
}

impl Facts {
    /// # Errors
    /// `state.db` cannot be read, or knows no such asset.
    pub(super) fn gather(reader: &Reader, asset: &str, asked: &Asked) -> Result<Self, Error> {
        let Some(asset) = reader.asset(asset).map_err(failed)? else {
            let names = reader.assets().map_err(failed)?;
            let near = crate::config::nearest(asset, names.iter().map(|known| known.name.as_str()));
            let hint = near.map_or(format!("; {} are known", names.len()), |near| format!("; did you mean {near:?}?"));
            return Err(Error::new(Fault::Usage, format!("no asset {asset:?} is known{hint}")));
        };
        let condition = reader.condition(&asset.name).map_err(failed)?;
        let life = reader.remaining_life(&asset.name).map_err(failed)?;
        let diagnosis = reader.diagnosis(&asset.name).map_err(failed)?;
        let transitions = reader.alerts(Span::newest(&asset.name, MOST_TRANSITIONS)).map_err(failed)?;
        let more_episodes = transitions.len() >= MOST_TRANSITIONS as usize;
        let episodes = episodes(transitions);
        let mut commands = reader.audit(Span::newest(&asset.name, MOST_COMMANDS)).map_err(failed)?;
        commands.reverse();
        let (looked, not_looked) = look(reader, &asset, diagnosis.as_ref())?;
        let mut as_of = condition.as_ref().map(|condition| condition.at);
        as_of = as_of.max(episodes.iter().map(|episode| episode.last.at).max());
        if as_of.is_none() {
            as_of = last_trend(reader, &asset)?;
        }
        let as_of = as_of.unwrap_or(asked.now);
        Ok(Self { asset, condition, life, diagnosis, episodes, more_episodes, commands, looked, not_looked, as_of })
    }

    /// The open episode the report is about: of the machine before its sensors, the most severe, the oldest.
    pub(super) fn open(&self) -> Option<&Alert> {
        let open = self.episodes.iter().filter(|episode| episode.is_open()).map(|episode| &episode.last);
        open.max_by_key(|alert| (alert.finding == Finding::Machine, alert.severity, std::cmp::Reverse(alert.raised_at)))
    }

    /// Severity of what is open.
    pub(super) fn severity(&self) -> Option<Severity> {
        self.open().map(|alert| alert.severity)
    }

    /// Points whose trends are shown: those of the open alert by their share, then those of a forecast, then the first.
    pub(super) fn points(&self, most: usize) -> Vec<&PointRow> {
        let mut names: Vec<&str> = Vec::new();
        if let Some(alert) = self.open() {
            names.extend(alert.contributions.iter().map(|part| part.point.as_str()));
        }
        if let Some(life) = &self.life {
            names.extend(life.remaining_life.forecasts.iter().map(|forecast| forecast.point.as_str()));
        }
        if let Some(condition) = &self.condition {
            names.extend(condition.points.iter().map(|point| point.point.as_str()));
        }
        let mut points: Vec<&PointRow> = Vec::new();
        for point in names.iter().filter_map(|name| self.asset.point(name)).chain(&self.asset.points) {
            if points.len() < most && !points.iter().any(|known| known.index == point.index) {
                points.push(point);
            }
        }
        points
    }

    /// The remaining life in force: the newest statement.
    pub(super) fn remaining(&self) -> Option<&crate::advise::document::RemainingLife> {
        let of_alert = || self.open().and_then(|alert| alert.remaining_life.as_ref());
        self.life.as_ref().map(|statement| &statement.remaining_life).or_else(of_alert)
    }
}

/// Transitions, oldest first → episodes, newest first.
fn episodes(transitions: Vec<Alert>) -> Vec<Episode> {
    let mut episodes: Vec<Episode> = Vec::new();
    for alert in transitions {
        match episodes.iter_mut().rfind(|known| known.last.id == alert.id && known.last.raised_at == alert.raised_at) {
            Some(known) => known.last = alert,
            None => episodes.push(Episode { last: alert }),
        }
    }
    episodes.sort_by_key(|episode| std::cmp::Reverse((episode.is_open(), episode.last.raised_at)));
    episodes
}

fn last_trend(reader: &Reader, asset: &AssetRow) -> Result<Option<EventTime>, Error> {
    let Some(point) = asset.points.first() else { return Ok(None) };
    let rows: Vec<TrendRow> =
        reader.trend(asset.id, point.index, EventTime(0), EventTime(i64::MAX / 2), 50).map_err(failed)?;
    Ok(newest(None, &rows))
}

fn look(reader: &Reader, asset: &AssetRow, diagnosis: Option<&Diagnosis>) -> Result<(Vec<Looked>, Vec<String>), Error> {
    let mut sensors = captures::sensors(reader, asset, diagnosis).map_err(failed)?;
    // The place the diagnosis is about first; its three directions are what is wanted.
    let about = diagnosis.and_then(|diagnosis| diagnosis.place.as_deref());
    let place = |point: &str| asset.plate.points.iter().find(|p| p.name == point).and_then(|p| p.bearing.clone());
    sensors.sort_by_key(|sensor| {
        let here =
            about.is_some() && (place(&sensor.point).as_deref() == about || Some(sensor.point.as_str()) == about);
        (!here, std::cmp::Reverse(sensor.newest.at))
    });
    sensors.truncate(MOST_SENSORS);
    sensors.sort_by(|a, b| (&a.point, &a.axis).cmp(&(&b.point, &b.axis)));
    let (mut looked, mut not) = (Vec::new(), Vec::new());
    for sensor in sensors {
        match captures::look(reader, asset, &sensor, sensor.newest.number, diagnosis).map_err(failed)? {
            Ok(newest) => {
                let reference = match sensor.reference.filter(|held| held.number != sensor.newest.number) {
                    Some(held) => captures::look(reader, asset, &sensor, held.number, diagnosis).map_err(failed)?.ok(),
                    None => None,
                };
                looked.push(Looked { sensor, newest, reference });
            }
            Err(why) => not.push(format!("{} {}: {why}", sensor.point, sensor.axis)),
        }
    }
    Ok((looked, not))
}
