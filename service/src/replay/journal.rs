//! The daemon's `journal.db` as a recording: the same entries through the same edge give the same documents.
//!
//! The journal has its own clock ticks and changes of configuration as entries, so nothing is made up here; in particular
//! the end of the file is not the end of the stream, and nothing is closed there that was open in the daemon.

use super::{Feed, Pace, Results, Step, Summary, Wall, summary};
use crate::acquire::Rejection;
use crate::acquire::mqtt::{Entry, Message};
use crate::acquire::plant::Plant;
use crate::acquire::recording::ReadOptions;
use crate::config::Checked;
use crate::engine::{Engine, Event};
use crate::error::{Error, Fault};
use crate::intake::{Edge, Routed};
use crate::keep::{Journal, KeepError};
use crate::run;
use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;
use std::time::Instant;

/// The first bytes of every SQLite file (its file format, section 1.3.1).
const MAGIC: &[u8; 16] = b"SQLite format 3\0";

/// Whether the file is a database, and so can only be a journal.
pub(super) fn is_journal(path: &Path) -> bool {
    let mut magic = [0; 16];
    std::fs::File::open(path).and_then(|mut file| file.read_exact(&mut magic)).is_ok() && magic == *MAGIC
}

/// The configuration that held where the journal begins, with `set` over it.
///
/// # Errors
/// No journal, none was recorded, or this version finds faults in it.
pub(super) fn configuration(path: &Path, set: &[String]) -> Result<Checked, Error> {
    let journal = open(path)?;
    let before = journal.first().map_err(failed)?.map_or(0, |first| first - 1);
    let recorded = journal.configuration_at(before).map_err(failed)?.ok_or_else(|| {
        Error::new(
            Fault::Data,
            format!("{}: no configuration was recorded in it; name one with --config", path.display()),
        )
    })?;
    crate::config::from_recorded(&recorded, set)
        .map_err(|faults| Error::config(&faults).at(&path.display().to_string()))
}

fn open(path: &Path) -> Result<Journal, Error> {
    Journal::open_recording(path).map_err(failed)
}

fn failed(error: KeepError) -> Error {
    Error::new(Fault::Data, error.to_string())
}

/// Plays the journal. `recorded`: under the configurations in it, which `config` is the first of; else all of it under
/// `config`.
///
/// # Errors
/// It cannot be read, or holds no reading.
pub(super) fn play(
    path: &Path,
    config: &Checked,
    recorded: bool,
    options: &ReadOptions,
    pace: &Pace,
) -> Result<(Vec<Results>, Summary), Error> {
    let began = Instant::now();
    let journal = open(path)?;
    let edge = Plant::new(config, run::topics(config)?);
    let site = config.site.name.clone();
    let make = || Engine::new(&site, false);
    let mut player =
        Player { edge, recorded, refused: BTreeMap::new(), notes: Vec::new(), readings: 0, waveforms: 0, skipped: 0 };
    let spill_dir = options.spill_dir.clone();
    let (results, span) = std::thread::scope(|scope| {
        let mut feed = Feed::start(scope, pace.threads, &spill_dir, &make);
        let span = player.stream(&journal, &mut feed, pace);
        let results = feed.finish()?;
        Ok::<_, Error>((results, span?))
    })?;
    let mut summary = Summary::new(player.edge.names());
    summary.readings = player.readings;
    summary.waveforms = player.waveforms;
    summary.rejections = player.refused;
    summary.notes = player.notes;
    if player.skipped > 0 {
        summary.notes.push(format!(
            "{} changes of the configuration in the journal were passed over: all of it was played under --config",
            player.skipped
        ));
    }
    summary.span = span;
    for results in &results {
        for (&reason, &count) in results.rejected() {
            *summary.rejections.entry(reason).or_default() += count;
        }
    }
    if player.readings == 0 && player.waveforms == 0 {
        return Err(Error::new(Fault::Data, format!("{}: no reading in it could be used", path.display())));
    }
    summary.wall = Wall::of(summary.readings, began.elapsed());
    Ok((results, summary))
}

struct Player {
    edge: Plant,
    recorded: bool,
    refused: BTreeMap<Rejection, u64>,
    notes: Vec<String>,
    readings: u64,
    waveforms: u64,
    skipped: u64,
}

impl Player {
    fn stream<S: Step>(
        &mut self,
        journal: &Journal,
        feed: &mut Feed<'_, S>,
        pace: &Pace,
    ) -> Result<Option<summary::Span>, Error> {
        let head = journal.head().map_err(failed)?;
        let mut clock = super::Paced { secs_per_sec: pace.secs_per_sec, began: None };
        let mut span: Option<summary::Span> = None;
        let mut position = 0;
        let mut routed = Routed::default();
        let mut defined = Vec::new();
        if let Err(why) = self.edge.restore(None, &mut defined) {
            self.notes.push(why);
        }
        routed.events = defined;
        self.hand_on(&mut routed, feed);
        while !feed.is_broken() {
            let entries = match journal.after(position, head) {
                Ok(Some((at, entries))) => {
                    position = at;
                    entries
                }
                Ok(None) => break,
                Err(KeepError::Row { position: damaged, why, .. }) => {
                    self.notes.push(format!("row {damaged} is damaged and left out: {why}"));
                    position = damaged;
                    continue;
                }
                Err(error) => return Err(failed(error)),
            };
            for entry in &entries {
                self.entry(position, entry, &mut routed);
                self.hand_on(&mut routed, feed);
            }
            if let Some(now) = self.edge.now() {
                span.get_or_insert(summary::Span { from: now, to: now }).to = now;
                if clock.secs_per_sec.is_some() {
                    clock.wait(now, feed);
                }
            }
        }
        Ok(span)
    }

    fn entry(&mut self, position: u64, entry: &Entry, routed: &mut Routed) {
        match entry {
            Entry::Message(Message { retain: true, .. }) => self.refuse(Rejection::Retained),
            Entry::Message(Message { cut: true, .. }) => self.refuse(Rejection::Unreadable),
            Entry::Message(message) => self.edge.message(message, routed),
            Entry::Asked(message) => self.edge.asked(message, routed),
            Entry::Idle(micros) => self.edge.idle(*micros, routed),
            Entry::Configured(recorded) if self.recorded => {
                if let Err(why) = self.edge.configure(recorded, &mut routed.events) {
                    self.notes.push(format!("the configuration recorded at {position} cannot be used any more: {why}"));
                }
            }
            Entry::Configured(_) => self.skipped += 1,
            // Written down by the daemon; the engine hears of a hole by the silence in it.
            Entry::Hole(_) => {}
        }
    }

    fn refuse(&mut self, reason: Rejection) {
        *self.refused.entry(reason).or_default() += 1;
    }

    fn hand_on<S: Step>(&mut self, routed: &mut Routed, feed: &mut Feed<'_, S>) {
        for (reason, _) in routed.rejected.drain(..) {
            self.refuse(reason);
        }
        routed.refused = None;
        routed.reply_to = None;
        for event in routed.events.drain(..) {
            match event {
                Event::Observed(observation) => {
                    self.readings += 1;
                    feed.observed(observation);
                }
                Event::Define(id, spec, settings) => feed.define(id, spec, settings),
                Event::Command(id, ..) => feed.tell(id, event),
                Event::Waveform(id, ..) => {
                    self.waveforms += 1;
                    feed.tell(id, event);
                }
                Event::Tick(_) | Event::End(_) => feed.tell_all(|| event.clone()),
            }
        }
    }
}
