//! What the engines say, gathered per worker and written sorted at the end.

use super::documents::Documents;
use super::rows::{self, ScoreRow};
use super::summary::{Summary, create};
use crate::acquire::{AssetId, Rejection};
use crate::advise::document::{Document, History, RemainingLife};
use crate::engine::Output;
use crate::error::Error;
use crate::spill::Spill;
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::io::{self, Write};
use std::path::Path;

/// Score rows in memory over all workers: 1 M of 48 bytes.
const ROWS: usize = 1 << 20;

/// One worker's results.
#[derive(Debug)]
pub struct Results {
    scores: Spill<ScoreRow>,
    alerts: Documents,
    lives: Vec<Life>,
    rejected: BTreeMap<Rejection, u64>,
    histories: Vec<History>,
    diagnoses: Documents,
    /// Counts them, so that those of one time stay in their order.
    diagnosed: u32,
    notes: Vec<String>,
}

/// Notes kept per worker.
const MOST_NOTES: usize = 20;

/// A row of `remaining-life.csv` from the point on.
#[derive(Debug)]
struct Life {
    at: EventTime,
    asset: AssetId,
    rest: Box<[u8]>,
}

impl Results {
    /// Nothing yet, for one of `workers`.
    pub fn new(spill_dir: &Path, workers: usize) -> Self {
        Self {
            scores: Spill::new(spill_dir.to_owned(), ROWS / workers.max(1)),
            alerts: Documents::new(spill_dir.to_owned()),
            lives: Vec::new(),
            rejected: BTreeMap::new(),
            histories: Vec::new(),
            diagnoses: Documents::new(spill_dir.to_owned()),
            diagnosed: 0,
            notes: Vec::new(),
        }
    }

    /// What a person should know of it.
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Takes what an engine said.
    ///
    /// # Errors
    /// It could not be put aside on disk.
    pub fn take(&mut self, output: Output) -> io::Result<()> {
        match output {
            Output::Scored(asset, score) => self.scores.push(ScoreRow { asset, score }),
            Output::Alert(asset, alert) => {
                self.alerts.push(alert.at, asset, &alert.id, alert.revision, &alert.to_json())
            }
            Output::RemainingLife(asset, at, life) => {
                self.remaining_life(asset, at, &life);
                Ok(())
            }
            Output::Rejected(_, reason) => {
                *self.rejected.entry(reason).or_default() += 1;
                Ok(())
            }
            Output::Ended(_, history) => {
                self.histories.push(*history);
                Ok(())
            }
            Output::Diagnosis(asset, diagnosis) => {
                self.diagnosed += 1;
                self.diagnoses.push(diagnosis.at, asset, "", self.diagnosed, &diagnosis.to_json())
            }
            Output::WaveformRefused(_, unread) => {
                *self.rejected.entry(Rejection::BadWaveform).or_default() += 1;
                if self.notes.len() < MOST_NOTES {
                    self.notes.push(format!("a waveform cannot be read: {}: {}", unread.part, unread.why));
                }
                Ok(())
            }
            Output::Trend(..)
            | Output::OperatingState(..)
            | Output::Condition(..)
            | Output::Answered(..)
            | Output::CaptureRequest(..)
            | Output::Waveform(..)
            | Output::CapturesKept(..) => Ok(()),
        }
    }

    fn remaining_life(&mut self, asset: AssetId, at: EventTime, life: &RemainingLife) {
        for forecast in &life.forecasts {
            let mut rest = rows::cell(&forecast.point);
            rest.push(b',');
            rest.extend_from_slice(&rows::cell(&forecast.target));
            for hours in [forecast.p10_hours, forecast.p50_hours, forecast.p90_hours] {
                rest.push(b',');
                rows::fixed(&mut rest, hours.unwrap_or(f64::NAN));
            }
            rest.push(b'\n');
            self.lives.push(Life { at, asset, rest: rest.into() });
        }
    }

    /// Lives of the assets up to the end of the recording, when they were asked for.
    pub fn histories(&self) -> &[History] {
        &self.histories
    }

    /// Readings the engine did not use, by reason.
    pub fn rejected(&self) -> &BTreeMap<Rejection, u64> {
        &self.rejected
    }
}

/// Names as they are sorted and as they stand in a CSV file, by asset.
struct Names {
    rank: Vec<u32>,
    cell: Vec<Vec<u8>>,
}

impl Names {
    fn new(names: &[String]) -> Self {
        let mut order: Vec<usize> = (0..names.len()).collect();
        order.sort_by_key(|&place| names.get(place));
        let mut rank = vec![0; names.len()];
        for (at, place) in (0..).zip(order) {
            if let Some(rank) = rank.get_mut(place) {
                *rank = at;
            }
        }
        Self { rank, cell: names.iter().map(|name| rows::cell(name)).collect() }
    }

    fn rank(&self, asset: AssetId) -> u32 {
        self.rank.get(asset.0 as usize).copied().unwrap_or(u32::MAX)
    }

    fn cell(&self, asset: AssetId) -> &[u8] {
        self.cell.get(asset.0 as usize).map_or(b"", Vec::as_slice)
    }
}

/// Writes `scores.csv`, `remaining-life.csv`, where there were waveforms `diagnoses.jsonl`, `alerts.jsonl` and, last, `summary.json` into `out`; gives the summary
/// with its alerts counted.
///
/// # Errors
/// A file could not be written.
pub fn write(out: &Path, mut results: Vec<Results>, mut summary: Summary) -> Result<Summary, Error> {
    let names = Names::new(&summary.names);
    create(out, "alerts.jsonl", |file| alerts(&mut results, &names, &mut summary, file))?;
    if results.iter().any(|r| !r.diagnoses.entries().is_empty()) {
        create(out, "diagnoses.jsonl", |file| diagnoses(&mut results, &names, file))?;
    }
    create(out, "remaining-life.csv", |file| lives(&mut results, &names, file))?;
    create(out, "scores.csv", |file| {
        summary.scores = scores(results, &names, file)?;
        Ok(())
    })?;
    create(out, "summary.json", |file| {
        serde_json::to_writer_pretty(&mut *file, &summary)?;
        file.write_all(b"\n")
    })?;
    Ok(summary)
}

fn alerts(results: &mut [Results], names: &Names, summary: &mut Summary, file: &mut dyn Write) -> io::Result<()> {
    let mut order: Vec<(usize, usize)> = Vec::new();
    for (worker, results) in results.iter().enumerate() {
        order.extend((0..results.alerts.entries().len()).map(|place| (worker, place)));
    }
    let entry = |&(worker, place): &(usize, usize)| results.get(worker).and_then(|r| r.alerts.entries().get(place));
    order.sort_by_cached_key(|at| entry(at).map(|e| (e.at, names.rank(e.asset), e.id.clone(), e.revision)));
    // An episode begins with its first revision.
    summary.alerts = order.iter().filter_map(entry).filter(|e| e.revision == 1).count() as u64;
    summary.alert_documents = order.len() as u64;
    let mut text = Vec::new();
    for (worker, place) in order {
        let Some(results) = results.get_mut(worker) else { continue };
        let Some(entry) = results.alerts.entries().get(place).cloned() else { continue };
        text.clear();
        results.alerts.read(&entry, &mut text)?;
        text.push(b'\n');
        file.write_all(&text)?;
    }
    Ok(())
}

fn diagnoses(results: &mut [Results], names: &Names, file: &mut dyn Write) -> io::Result<()> {
    let mut order: Vec<(usize, usize)> = Vec::new();
    for (worker, results) in results.iter().enumerate() {
        order.extend((0..results.diagnoses.entries().len()).map(|place| (worker, place)));
    }
    let entry = |&(worker, place): &(usize, usize)| results.get(worker).and_then(|r| r.diagnoses.entries().get(place));
    order.sort_by_cached_key(|at| entry(at).map(|e| (e.at, names.rank(e.asset), e.revision)));
    let mut text = Vec::new();
    for (worker, place) in order {
        let Some(results) = results.get_mut(worker) else { continue };
        let Some(entry) = results.diagnoses.entries().get(place).cloned() else { continue };
        text.clear();
        results.diagnoses.read(&entry, &mut text)?;
        text.push(b'\n');
        file.write_all(&text)?;
    }
    Ok(())
}

fn lives(results: &mut [Results], names: &Names, file: &mut dyn Write) -> io::Result<()> {
    file.write_all(rows::REMAINING_LIFE.as_bytes())?;
    // All of one asset are of one worker and in their order; the sort is stable.
    let mut lives: Vec<Life> = results.iter_mut().flat_map(|results| std::mem::take(&mut results.lives)).collect();
    lives.sort_by_key(|life| (life.at, names.rank(life.asset)));
    let mut line = Vec::new();
    for life in lives {
        line.clear();
        crate::acquire::recording::time::write_rfc3339(&mut line, life.at);
        line.push(b',');
        line.extend_from_slice(names.cell(life.asset));
        line.push(b',');
        line.extend_from_slice(&life.rest);
        file.write_all(&line)?;
    }
    Ok(())
}

fn scores(results: Vec<Results>, names: &Names, file: &mut dyn Write) -> io::Result<u64> {
    file.write_all(rows::SCORES.as_bytes())?;
    let mut merged = Spill::merge(results.into_iter().map(|results| results.scores).collect())?;
    let mut same_time: Vec<ScoreRow> = Vec::new();
    let mut count = 0;
    let mut text = Vec::new();
    loop {
        let row = merged.next_record()?;
        count += u64::from(row.is_some());
        if same_time.first().is_some_and(|first| row.is_none_or(|row| row.score.at != first.score.at)) {
            same_time.sort_by_key(|row| names.rank(row.asset));
            for row in same_time.drain(..) {
                row.write(names.cell(row.asset), &mut text);
                if text.len() > 1 << 16 {
                    file.write_all(&text)?;
                    text.clear();
                }
            }
        }
        match row {
            Some(row) => same_time.push(row),
            None => break,
        }
    }
    file.write_all(&text)?;
    Ok(count)
}
