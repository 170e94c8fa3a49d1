//! The recorded stream of the simulated site: where it lies, its configuration, its messages.

use super::truth::About;
use crate::acquire::mqtt::link::{self, Publication};
use crate::acquire::recording::time::write_rfc3339;
use crate::acquire::recording::{self, Progress, Raw, ReadOptions, Recording};
use crate::acquire::waveform::{Capture, encode};
use crate::advise::diagnosis::CaptureRequest;
use crate::advise::forms::parse_rfc3339;
use crate::analyse::{IndexRow, read_index};
use crate::config::{self, Checked, Sources};
use crate::error::{Error, Fault};
use roundsman_models::EventTime;
use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

/// The folder, relative to wherever `replay-data` is.
const SITE: &str = "replay-data/quillhaven";

/// How the demo's player sends: all points of an asset in one message, since a sampling round is one telegram.
const TOPICS: &str = r#"
[[topics]]
pattern = "plant/{area}/{asset}"
payload = { format = "json", value = "/v", points = "*", time = "/t" }

[[topics]]
pattern = "waveforms/{area}/{asset}/{point}"
payload = "waveform"
"#;

/// The demo's data.
pub(super) struct Data {
    /// What was planted.
    pub(super) about: About,
    /// The site's configuration with the demo's topics.
    pub(super) config: Checked,
    recording: PathBuf,
    waveforms: PathBuf,
}

/// The plant's fixed sensors: what each would send from which time on.
#[derive(Default)]
pub(super) struct Sensors {
    rows: Vec<(EventTime, IndexRow)>,
    dir: PathBuf,
}

impl Sensors {
    /// The messages that answer a request, one per direction; none for a machine without fixed sensors.
    pub(super) fn answer(&self, request: &CaptureRequest) -> Result<Vec<Publication>, Error> {
        let mut newest: BTreeMap<&str, (EventTime, &IndexRow)> = BTreeMap::new();
        for (since, row) in &self.rows {
            let here = row.asset.as_deref() == Some(&*request.asset);
            let point = row.point.as_deref().unwrap_or_default();
            if here && (*since <= request.at || !newest.contains_key(point)) {
                newest.insert(point, (*since, row));
            }
        }
        let answer = |(point, (_, row)): (&str, (EventTime, &IndexRow))| {
            let read = row
                .read(&self.dir.join("index.csv"))
                .map_err(|fault| Error::new(Fault::Data, fault.to_string()).at(&row.file.display().to_string()))?;
            let capture = Capture {
                axis: row.axis,
                rpm: row.rpm,
                request: Some(request.id.clone()),
                start: Some(request.at),
                ..read
            };
            let area = row.area.as_deref().unwrap_or("site");
            Ok(Publication {
                topic: format!("waveforms/{area}/{}/{point}", request.asset),
                payload: encode(&capture),
                retain: false,
                correlation: None,
                about: link::About::default(),
            })
        };
        newest.into_iter().map(answer).collect()
    }
}

/// One message of the player.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Telegram {
    /// Its time in the plant.
    pub(super) at: EventTime,
    /// Where it goes.
    pub(super) topic: String,
    /// JSON.
    pub(super) payload: Vec<u8>,
    /// Readings in it.
    pub(super) readings: u64,
}

impl Data {
    /// Finds and reads it.
    pub(super) fn open(dir: Option<&Path>) -> Result<Self, Error> {
        let dir = match dir {
            Some(dir) => dir.to_owned(),
            None => find()?,
        };
        let about = About::read(&dir.join("about.toml"))?;
        let file = dir.join("roundsman.toml");
        let sources = Sources { file: Some(&file), zones: config::zone_names(), ..Sources::default() };
        let mut config = config::load(&sources).map_err(|faults| Error::config(&faults))?;
        config.topics =
            config::from_text(Some(TOPICS), &Sources::default()).map_err(|faults| Error::config(&faults))?.topics;
        Ok(Self { about, config, recording: dir.join("readings.parquet"), waveforms: dir.join("waveforms/index.csv") })
    }

    /// The plant's fixed sensors; none when the folder has no waveforms.
    pub(super) fn sensors(&self) -> Result<Sensors, Error> {
        if !self.waveforms.is_file() {
            return Ok(Sensors::default());
        }
        let dir = self.waveforms.parent().unwrap_or(Path::new(".")).to_owned();
        let mut rows = Vec::new();
        for row in read_index(&self.waveforms)? {
            let since = row.time.as_deref().and_then(|text| parse_rfc3339(text).ok()).unwrap_or(self.about.start);
            rows.push((since, row));
        }
        rows.sort_by_key(|(since, _)| *since);
        Ok(Sensors { rows, dir })
    }

    /// Reads the recording and hands on its messages in time order up to and without `until`; ends early when `send`
    /// says `false`. Blocks.
    pub(super) fn telegrams(&self, until: EventTime, mut send: impl FnMut(Telegram) -> bool) -> Result<(), Error> {
        let areas: HashMap<&str, &str> =
            self.config.assets.iter().filter_map(|a| Some((a.spec.name.as_str(), a.spec.area.as_deref()?))).collect();
        let options = ReadOptions::default();
        let mut recording = recording::open(&self.recording, &options, 1, &|| None, &Progress::default())?;
        let (mut batch, mut more) = (Vec::new(), true);
        let mut round = Round::default();
        while more {
            more = recording.next_batch(&mut batch)?;
            for raw in batch.drain(..) {
                if raw.at >= until {
                    round.flush(recording.as_ref(), &areas, &mut send);
                    return Ok(());
                }
                if raw.at != round.at && !round.flush(recording.as_ref(), &areas, &mut send) {
                    return Ok(());
                }
                round.at = raw.at;
                round.readings.push(raw);
            }
        }
        round.flush(recording.as_ref(), &areas, &mut send);
        Ok(())
    }
}

/// The readings of one time.
#[derive(Default)]
struct Round {
    at: EventTime,
    readings: Vec<Raw>,
}

impl Round {
    fn flush(
        &mut self,
        recording: &dyn Recording,
        areas: &HashMap<&str, &str>,
        send: &mut impl FnMut(Telegram) -> bool,
    ) -> bool {
        let mut telegrams: BTreeMap<&str, Telegram> = BTreeMap::new();
        for raw in self.readings.drain(..) {
            let Some(names) = recording.series().get(raw.series as usize) else { continue };
            let telegram = telegrams.entry(&names.asset).or_insert_with(|| {
                let area = names.area.as_deref().or_else(|| areas.get(names.asset.as_str()).copied());
                let mut payload = b"{\"t\":\"".to_vec();
                write_rfc3339(&mut payload, self.at);
                payload.extend_from_slice(b"\",\"v\":{");
                let topic = format!("plant/{}/{}", area.unwrap_or("site"), names.asset);
                Telegram { at: self.at, topic, payload, readings: 0 }
            });
            if telegram.readings > 0 {
                telegram.payload.push(b',');
            }
            telegram.readings += 1;
            // Names are those of our own recording, but a quotation mark must not break the telegram.
            let name = serde_json::Value::from(names.point.as_str());
            // JSON has no infinity; `null` is how it says that a number is none.
            let value = serde_json::Number::from_f64(raw.value).map_or("null".to_owned(), |n| n.to_string());
            telegram.payload.extend_from_slice(format!("{name}:{value}").as_bytes());
        }
        telegrams.into_values().all(|mut telegram| {
            telegram.payload.extend_from_slice(b"}}");
            send(telegram)
        })
    }
}

/// Beside the working directory, or beside the sources this was built from.
fn find() -> Result<PathBuf, Error> {
    let built_from = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    for root in [Path::new("."), &built_from] {
        let dir = root.join(SITE);
        if dir.join("about.toml").is_file() {
            return Ok(dir);
        }
    }
    Err(Error::new(
        Fault::Io,
        format!("cannot find {SITE}: run the demo in the folder of the sources, or name the data with --data DIR"),
    ))
}
