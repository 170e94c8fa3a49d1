//! `roundsman replay`: recordings through the engine into files.
//!
//! ```text
//! recordings ─ merge by time ─ names → ids ─ stream's clock ┬─ engine of shard 0 ─ results ┐
//!                                                           └─ engine of shard n ─ results ┴─ sorted files
//! ```
//!
//! Assets are spread over the engines by a hash of their name; ticks go to all. What is written is sorted by time and
//! name, so the files are the same to the byte however many threads there were and however fast it was played.
//! Nothing but `wall` in `summary.json` depends on a clock.

mod documents;
mod feed;
mod journal;
mod lanes;
mod results;
mod rows;
mod summary;
mod sweep;
mod tradeoff;
mod waveforms;

pub use feed::{Feed, Step};
pub use results::{Results, write};
pub use summary::{Summary, Wall};
pub use sweep::{Axis, Trial, combinations, sweep};
pub use tradeoff::plot as tradeoff_plot;

use crate::acquire::payload::{self, Decoded as Value};
use crate::acquire::recording::{self, Decode, Decoded, Merge, Message, Progress, ReadOptions, RecordingError};
use crate::acquire::registry::Registry;
use crate::acquire::stream_clock::{Passed, StreamGate};
use crate::acquire::topics::{self, Mapping};
use crate::acquire::{AssetId, Observation, Rejection};
use crate::cli::ReplayArgs;
use crate::config::Checked;
use crate::engine::{Engine, Event};
use crate::error::{Error, Fault};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::collections::{BTreeMap, VecDeque};
use std::error::Error as _;
use std::io::IsTerminal;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};
use waveforms::Recorded;

/// Plays the recordings and writes the results.
///
/// # Errors
/// A recording that cannot be read, a result that cannot be written.
pub fn run(args: &ReplayArgs, config: Checked) -> Result<(), Error> {
    let journal = args.recordings.iter().find(|path| journal::is_journal(path));
    if let Some(path) = journal.filter(|_| args.recordings.len() > 1) {
        let what = "is a journal, and is played alone: what came between its entries is not known";
        return Err(Error::new(Fault::Usage, format!("{} {what}", path.display())));
    }
    let config = match journal {
        Some(path) if args.config.is_none() => journal::configuration(path, &args.set)?,
        _ => config,
    };
    if !args.truth.labels.is_empty() || args.truth.findings.is_some() {
        let what = "labels are for --sweep; judge a single result with `roundsman evaluate`";
        return Err(Error::new(Fault::Usage, what));
    }
    std::fs::create_dir_all(&args.out).map_err(|source| Error::io("make", &args.out, source))?;
    let options = read_options(args, &config, args.out.clone(), args.recordings.len())?;
    let threads = threads(args);
    let bar = bar(&args.recordings, 1);
    let site = config.site.name.clone();
    let pace = Pace { secs_per_sec: args.pace, threads };
    let with_histories = args.as_history.is_some();
    let (results, summary) = match journal {
        Some(path) => journal::play(path, &config, args.config.is_none(), &options, &pace)?,
        None => {
            let engine = || Engine::new(&site, false).with_histories(with_histories);
            play(&args.recordings, &options, &config, &pace, &bar, engine)?
        }
    };
    bar.finish_and_clear();
    for note in &summary.notes {
        tracing::warn!("{note}");
    }
    if let Some(dir) = &args.as_history {
        let histories = results.iter().flat_map(Results::histories);
        let count = crate::keep::histories::write(dir, histories)?;
        tracing::info!("{count} past cases written: {}", dir.display());
    }
    let summary = write(&args.out, results, summary)?;
    tracing::info!(
        "{} readings of {} assets in {:.1} s ({:.0} a second), {} refused, {} alerts: {}",
        summary.readings,
        summary.assets,
        summary.wall.seconds,
        summary.wall.readings_per_second,
        summary.rejections.values().sum::<u64>(),
        summary.alerts,
        args.out.display()
    );
    Ok(())
}

/// How fast, and on how many threads.
#[derive(Debug, Clone)]
pub struct Pace {
    /// Seconds of the recording per second; as fast as possible when absent.
    pub secs_per_sec: Option<f64>,
    /// Engines, each on a thread of its own; with 1 everything is on the caller's.
    pub threads: usize,
}

/// Plays recordings through engines made by `make`. Gives what every engine said and the summary without its alerts.
///
/// # Errors
/// A recording that cannot be read; none with a reading.
pub fn play<S: Step>(
    recordings: &[PathBuf],
    options: &ReadOptions,
    config: &Checked,
    pace: &Pace,
    bar: &ProgressBar,
    make: impl Fn() -> S + Sync,
) -> Result<(Vec<Results>, Summary), Error> {
    let began = Instant::now();
    let topics: Arc<[Mapping]> = config.topics.clone().into();
    let decoder = || {
        let decode: Box<dyn Decode> = Box::new(Topics(Arc::clone(&topics)));
        (!topics.is_empty()).then_some(decode)
    };
    let progress = Progress::default();
    let (waves, recordings): (Vec<PathBuf>, Vec<PathBuf>) =
        recordings.iter().cloned().partition(|path| waveforms::is_waveforms(path));
    let waves = waveforms::open(&waves, options.asset.as_deref(), !recordings.is_empty(), &options.zone)?;
    let opened = recordings
        .iter()
        .map(|path| recording::open(path, options, recordings.len(), &decoder, &progress))
        .collect::<Result<Vec<_>, _>>()?;
    let mut player = Player {
        registry: Registry::new(config),
        links: vec![Vec::new(); opened.len()],
        refused: BTreeMap::new(),
        notes: Vec::new(),
        readings: 0,
        waves,
        waveforms: 0,
    };
    let mut merge = Merge::new(opened);
    let gate = StreamGate::new(config.settings.screen.max_future_secs, config.settings.screen.max_past_secs);
    let mut clock = Paced { secs_per_sec: pace.secs_per_sec, began: None };
    let shown = |readings: u64| {
        bar.set_position(progress.bytes());
        bar.set_message(rate(readings, began.elapsed()));
    };
    let spill_dir = options.spill_dir.clone();
    let (results, span) = std::thread::scope(|scope| {
        let mut feed = Feed::start(scope, pace.threads, &spill_dir, &make);
        let span = player.stream(&mut merge, gate, &mut feed, &mut clock, &shown);
        // A worker's own error explains why the stream could not go on, so it comes first.
        let results = feed.finish()?;
        Ok::<_, Error>((results, span?))
    })?;
    let registry = &player.registry;
    let name = |id| registry.spec(id).map(|spec| spec.name.clone()).unwrap_or_default();
    let mut summary = Summary::new(registry.ids().map(name).collect());
    summary.readings = player.readings;
    summary.waveforms = player.waveforms;
    summary.rejections = player.refused;
    summary.notes = player.notes;
    summary.span = span;
    for (faults, path) in merge.faults().zip(&recordings) {
        summary.add_faults(path, faults);
    }
    for results in &results {
        summary.notes.extend(results.notes().iter().cloned());
        for (&reason, &count) in results.rejected() {
            *summary.rejections.entry(reason).or_default() += count;
        }
    }
    if player.readings == 0 && player.waveforms == 0 {
        let first = summary.notes.first().map_or("they hold no values".to_owned(), Clone::clone);
        return Err(Error::new(Fault::Data, format!("no reading in the recordings could be used: {first}")));
    }
    summary.wall = Wall::of(summary.readings, began.elapsed());
    Ok((results, summary))
}

/// Where the readings of a file's series go.
#[derive(Debug, Clone, Copy)]
enum Link {
    Unknown,
    Refused(Rejection),
    To { asset: AssetId, point: u16, scale: f64, offset: f64 },
}

struct Player {
    registry: Registry,
    /// By recording, then by its series.
    links: Vec<Vec<Link>>,
    refused: BTreeMap<Rejection, u64>,
    notes: Vec<String>,
    readings: u64,
    /// Recorded waveforms that are still to come, by time.
    waves: VecDeque<Recorded>,
    waveforms: u64,
}

/// Readings between two looks at the progress.
const SHOW_EVERY: u64 = 1 << 15;

impl Player {
    /// Plays all of `merge`; gives first and last stream time.
    fn stream<S: Step>(
        &mut self,
        merge: &mut Merge,
        mut gate: StreamGate<Observation>,
        feed: &mut Feed<'_, S>,
        clock: &mut Paced,
        shown: &dyn Fn(u64),
    ) -> Result<Option<summary::Span>, Error> {
        let mut span: Option<summary::Span> = None;
        let (mut future, mut past, mut not_finite) = (0, 0, 0);
        let mut show_at = SHOW_EVERY;
        self.define(feed);
        while let Some(run) = merge.next_run()? {
            let place = run.recording;
            if let Some(links) = self.links.get_mut(place) {
                links.resize(run.series.len(), Link::Unknown);
            }
            for raw in run.readings {
                let mut link = self.links.get(place).and_then(|links| links.get(raw.series as usize)).copied();
                if let Some(Link::Unknown) = link {
                    link = run.series.get(raw.series as usize).map(|names| self.link(place, raw.series, names, feed));
                }
                self.readings += 1;
                while self.waves.front().is_some_and(|wave| wave.at <= raw.at) {
                    // Waveforms do not move the stream's time.
                    let at = gate.now().unwrap_or(raw.at);
                    self.waveform(at, feed)?;
                }
                let (asset, point, scale, offset) = match link {
                    Some(Link::To { asset, point, scale, offset }) => (asset, point, scale, offset),
                    Some(Link::Refused(reason)) => {
                        *self.refused.entry(reason).or_default() += 1;
                        continue;
                    }
                    Some(Link::Unknown) | None => continue,
                };
                let value = raw.value * scale + offset;
                if !value.is_finite() {
                    not_finite += 1;
                    continue;
                }
                let observation = Observation { asset, point, at: raw.at, value, quality: raw.quality };
                gate.on_reading(asset, raw.at, observation, &mut |passed| match passed {
                    Passed::Reading(observation) => feed.observed(observation),
                    Passed::Tick(at) => feed.tell_all(|| Event::Tick(at)),
                    Passed::Future(_) => future += 1,
                    Passed::Past(_) => past += 1,
                });
                if let Some(now) = gate.now()
                    && clock.secs_per_sec.is_some()
                {
                    clock.wait(now, feed);
                }
            }
            if let Some(now) = gate.now() {
                let first = run.readings.first().map_or(now, |raw| raw.at);
                let span = span.get_or_insert(summary::Span { from: first, to: now });
                span.to = now;
            }
            if self.readings >= show_at {
                show_at = self.readings + SHOW_EVERY;
                shown(self.readings);
                if feed.is_broken() {
                    break;
                }
            }
        }
        gate.end(&mut |passed| future += u64::from(matches!(passed, Passed::Future(_))));
        for (reason, count) in
            [(Rejection::Future, future), (Rejection::Past, past), (Rejection::NotFinite, not_finite)]
        {
            if count > 0 {
                *self.refused.entry(reason).or_default() += count;
            }
        }
        let mut last = gate.now();
        while let Some(wave) = self.waves.front() {
            // Behind the last reading, or without any, nothing else says what time it is.
            let at = last.map_or(wave.at, |last| last.max(wave.at));
            feed.tell_all(|| Event::Tick(at));
            self.waveform(at, feed)?;
            last = Some(at);
            span.get_or_insert(summary::Span { from: at, to: at }).to = at;
        }
        if let Some(now) = last {
            feed.tell_all(|| Event::End(now));
        }
        Ok(span)
    }

    /// The next waveform, at a time of the stream.
    #[cold]
    fn waveform<S: Step>(&mut self, at: roundsman_models::EventTime, feed: &mut Feed<'_, S>) -> Result<(), Error> {
        let Some(wave) = self.waves.pop_front() else { return Ok(()) };
        self.waveforms += 1;
        match self.registry.resolve_asset(&wave.asset, wave.area.as_deref()) {
            Ok((asset, fresh)) => {
                if fresh {
                    self.define(feed);
                }
                feed.waveform(asset, at, Arc::new(wave.read()?));
            }
            Err(reason) => {
                *self.refused.entry(reason).or_default() += 1;
                if self.notes.len() < 20 {
                    let reason = summary::word(reason);
                    self.notes.push(format!("{}: its waveforms are refused ({reason})", wave.asset));
                }
            }
        }
        Ok(())
    }

    #[cold]
    fn link<S: Step>(&mut self, place: usize, series: u32, names: &recording::Names, feed: &mut Feed<'_, S>) -> Link {
        let resolved = self.registry.resolve(&names.asset, names.area.as_deref(), &names.point, names.unit.as_deref());
        let link = match resolved {
            Ok(to) => {
                if to.fresh {
                    self.define(feed);
                }
                Link::To { asset: to.asset, point: to.point, scale: to.scale, offset: to.offset }
            }
            Err(reason) => {
                self.note_refused(names, reason);
                Link::Refused(reason)
            }
        };
        if let Some(slot) = self.links.get_mut(place).and_then(|links| links.get_mut(series as usize)) {
            *slot = link;
        }
        link
    }

    fn note_refused(&mut self, names: &recording::Names, reason: Rejection) {
        // A wrong file can have thousands of such series; the first ones tell.
        if self.notes.len() < 20 {
            let recording::Names { asset, point, unit, .. } = names;
            let unit = unit.as_ref().map(|unit| format!(" in `{unit}`")).unwrap_or_default();
            let reason = summary::word(reason);
            self.notes.push(format!("{asset}: the point {point}{unit} is refused ({reason})"));
        }
    }

    fn define<S: Step>(&mut self, feed: &mut Feed<'_, S>) {
        for id in self.registry.take_defined() {
            if let (Some(spec), Some(settings)) = (self.registry.spec(id), self.registry.settings(id)) {
                feed.define(id, Arc::clone(spec), Arc::clone(settings));
            }
        }
    }
}

/// Holds the stream back to a pace.
struct Paced {
    secs_per_sec: Option<f64>,
    /// Stream time and clock of the start.
    began: Option<(roundsman_models::EventTime, Instant)>,
}

impl Paced {
    #[cold]
    fn wait<S: Step>(&mut self, now: roundsman_models::EventTime, feed: &mut Feed<'_, S>) {
        let Some(pace) = self.secs_per_sec else { return };
        let &mut (first, began) = self.began.get_or_insert((now, Instant::now()));
        let due = now.secs_since(first) / pace;
        // What cannot be a duration (a pace next to nothing) is no reason to end.
        let Ok(due) = Duration::try_from_secs_f64(due) else { return };
        let ahead = due.saturating_sub(began.elapsed());
        // Shorter sleeps would be longer than asked for; they add up until they are worth it.
        if ahead > Duration::from_millis(2) {
            feed.flush();
            std::thread::sleep(ahead);
        }
    }
}

/// The topic patterns and payload codecs of the configuration.
struct Topics(Arc<[Mapping]>);

impl Decode for Topics {
    fn decode(&mut self, message: &Message<'_>, emit: &mut dyn FnMut(Result<Decoded<'_>, Rejection>)) {
        let Some((mapping, names)) = topics::find(&self.0, message.topic) else {
            return emit(Err(Rejection::UnmappedTopic));
        };
        if matches!(mapping.codec.format, payload::Format::Waveform(_)) {
            // A recording of messages is one of readings; waveforms are played from an index beside it.
            return emit(Err(Rejection::BadWaveform));
        }
        let mut values: Vec<Value<'_>> = Vec::new();
        let refused = payload::decode(&mapping.codec, &names, message.payload, message.at, &mut values).err();
        for value in &values {
            emit(Ok(Decoded {
                asset: &value.asset,
                area: value.area.as_deref(),
                point: &value.point,
                unit: value.unit.as_deref(),
                at: value.at,
                value: value.value,
                quality: value.quality,
            }));
        }
        if let Some(refused) = refused {
            for _ in 0..refused.values {
                emit(Err(refused.reason));
            }
        }
    }
}

impl From<RecordingError> for Error {
    fn from(error: RecordingError) -> Self {
        let fault = match error {
            RecordingError::Read { .. } => Fault::Io,
            RecordingError::Parquet { .. } | RecordingError::Unusable { .. } => Fault::Data,
        };
        let mut message = error.to_string();
        let mut cause = error.source();
        while let Some(error) = cause {
            message.push_str(&format!(": {error}"));
            cause = error.source();
        }
        Error::new(fault, message)
    }
}

fn threads(args: &ReplayArgs) -> usize {
    args.threads.unwrap_or_else(|| std::thread::available_parallelism().map_or(1, usize::from))
}

/// `open`: recordings that are open at the same time, whoever reads them.
fn read_options(args: &ReplayArgs, config: &Checked, spill_dir: PathBuf, open: usize) -> Result<ReadOptions, Error> {
    let mut ignore = args.ignore.clone();
    // What says that something was wrong is no reading.
    ignore.extend(args.truth.label_column.clone());
    Ok(ReadOptions {
        asset: args.asset.clone(),
        time_column: args.time_column.clone(),
        ignore,
        zone: zone(args, config)?,
        batch: batch(open),
        sort: args.sort,
        spill_dir,
    })
}

fn zone(args: &ReplayArgs, config: &Checked) -> Result<jiff::tz::TimeZone, Error> {
    let Some(name) = &args.zone else {
        return Ok(config.site.zone.clone().unwrap_or(jiff::tz::TimeZone::UTC));
    };
    jiff::tz::TimeZone::get(name)
        .map_err(|error| Error::new(Fault::Usage, format!("--zone {name}: not a zone's IANA name")).because(error))
}

/// Smaller batches for many files, so that a thousand of them do not hold 100 MB.
fn batch(files: usize) -> usize {
    (65_536 / files.max(1)).clamp(256, 4096)
}

/// For recordings that are played `times` times.
fn bar(recordings: &[PathBuf], times: usize) -> ProgressBar {
    let bytes: u64 = recordings.iter().filter_map(|path| std::fs::metadata(path).ok()).map(|meta| meta.len()).sum();
    let bytes = bytes.saturating_mul(times as u64);
    let target = match std::io::stderr().is_terminal() {
        true => ProgressDrawTarget::stderr(),
        false => ProgressDrawTarget::hidden(),
    };
    let style = ProgressStyle::with_template("{bar:30} {bytes}/{total_bytes} {msg}, {eta} left")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::with_draw_target(Some(bytes), target).with_style(style)
}

fn rate(readings: u64, elapsed: Duration) -> String {
    let rate = readings as f64 / elapsed.as_secs_f64().max(1e-3);
    match rate {
        r if r >= 1e6 => format!("{:.2} M readings/s", r / 1e6),
        r if r >= 1e3 => format!("{:.0} k readings/s", r / 1e3),
        r => format!("{r:.0} readings/s"),
    }
}
