//! The engine: a pure step of (state, event) → (state, outputs). No clock, no input or output.

use crate::acquire::{AssetId, Observation, Rejection};
use crate::advise::diagnosis::{CaptureRequest, Diagnosis};
use crate::advise::document::{Alert, History, RemainingLife, Zone};
use crate::asset::capture::{Kept, Stored, Unread, Waveform};
use crate::asset::neighbours::{Around, Near};
use crate::asset::now::Now;
use crate::asset::settings::Settings;
use crate::asset::spec::AssetSpec;
use crate::asset::{Asset, State};
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What the engine reacts to. Within one asset, and between assets of one group, the order matters; else it does not.
#[derive(Debug, Clone)]
pub enum Event {
    /// An asset was registered or got another point (points are only ever appended).
    Define(AssetId, Arc<AssetSpec>, Arc<Settings>),
    /// A value came.
    Observed(Observation),
    /// A waveform came, at the stream's time it was taken in.
    Waveform(AssetId, EventTime, Arc<Waveform>),
    /// The stream's clock passed this time. Silence is noticed here.
    Tick(EventTime),
    /// A person's command, at the stream's time it was taken in.
    Command(AssetId, EventTime, Command),
    /// The recording is at its end: what is open is closed.
    End(EventTime),
}

/// A person's command on one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Command {
    /// Who gave it.
    pub by: String,
    /// What they said about it.
    pub note: Option<String>,
    /// Topic the answer goes to.
    pub reply_to: Option<String>,
    /// What to do.
    pub action: Action,
}

/// What a command asks for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "action", rename_all = "kebab-case")]
pub enum Action {
    /// "I know", for one finding's alert id or all open ones of the asset.
    Acknowledge {
        /// Alert id; all open alerts of the asset when absent.
        alert: Option<String>,
    },
    /// Hold back for a time.
    Shelve {
        /// Alert id; all findings of the asset when absent.
        alert: Option<String>,
        /// For how long, seconds of stream time.
        secs: f64,
    },
    /// End shelving.
    Unshelve {
        /// Alert id; all findings of the asset when absent.
        alert: Option<String>,
    },
    /// Under maintenance: evaluate, say nothing.
    OutOfService,
    /// Maintenance is over.
    ReturnToService,
    /// Forget the baselines and learn again: after maintenance.
    Relearn,
    /// Ask for waveforms now.
    Capture,
    /// Set one of the operator's own limits of a point.
    SetLimit {
        /// Point name.
        point: String,
        /// Which one.
        limit: LimitName,
        /// New value in the point's kept unit; `None` removes it.
        value: Option<f64>,
    },
    /// What somebody found who looked: whether an alert was right. It changes nothing; it is kept to be evaluated.
    Finding {
        /// Alert id.
        alert: String,
        /// Whether it was.
        verdict: Verdict,
        /// What it was, in a word.
        kind: Option<String>,
    },
}

/// What looking at the machine showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// What the alert is about was there.
    Confirmed,
    /// Nothing was there.
    NotConfirmed,
    /// Something else was there.
    Other,
}

/// A command that was carried out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Done {
    /// What was done, in words.
    pub said: String,
    /// What held before, for the audit.
    pub old: Option<String>,
    /// What holds since.
    pub new: Option<String>,
}

/// One of the operator's own limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, schemars::JsonSchema, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LimitName {
    /// Warning when above.
    WarningHigh,
    /// Alarm when above.
    AlarmHigh,
    /// Warning when below.
    WarningLow,
    /// Alarm when below.
    AlarmLow,
}

/// One row of `scores.csv`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Time of the snapshot.
    pub at: EventTime,
    /// Operating state: 0 stopped or unknown, else its ordinal.
    pub operating_state: u16,
    /// Equivalent standard score of the snapshot; NaN while learning or stopped.
    pub deviation: f64,
    /// Zone after persistence.
    pub zone: Zone,
    /// Largest CUSUM of any point as a share of its limit (1 = crossed), signed by direction.
    pub step: f64,
    /// Largest significant drift of any point so far, standard deviations, signed; 0 when none.
    pub drift: f64,
}

/// One accepted value beside what was expected of it, for the trend tiers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrendSample {
    /// Index of the point.
    pub point: u16,
    /// Time of the snapshot.
    pub at: EventTime,
    /// Observed value, kept unit.
    pub observed: f64,
    /// Expected value; NaN when there is none.
    pub expected: f64,
    /// Half width of the expected band; NaN when there is none.
    pub band: f64,
}

/// What the engine says. Everything but `Rejected` belongs to one asset and is in its event order.
#[derive(Debug, Clone)]
pub enum Output {
    /// A snapshot was scored.
    Scored(AssetId, Score),
    /// A point of a snapshot, for the trend tiers.
    Trend(AssetId, TrendSample),
    /// The asset is in another operating state from this time on (its name, when it is a known one); with trends only.
    OperatingState(AssetId, EventTime, Option<String>),
    /// An alert changed: to be published and recorded.
    Alert(AssetId, Box<Alert>),
    /// A new remaining-life statement (at every refit of a trend).
    RemainingLife(AssetId, EventTime, Box<RemainingLife>),
    /// The condition document changed (published retained); with trends only.
    Condition(AssetId, Box<crate::advise::document::Condition>),
    /// The diagnosis document changed (published retained).
    Diagnosis(AssetId, Box<Diagnosis>),
    /// Waveforms are wanted: to be published.
    CaptureRequest(AssetId, Box<CaptureRequest>),
    /// A waveform was taken in: to be kept, and to be looked at ahead of the time its outcome is asked for.
    Waveform(AssetId, Box<Stored>),
    /// Which waveforms stay; all others up to a number may go.
    CapturesKept(AssetId, Box<Kept>),
    /// A waveform could not be read.
    WaveformRefused(AssetId, Box<Unread>),
    /// A reading was not used.
    Rejected(AssetId, Rejection),
    /// A command was carried out, or the reason it was not.
    Answered(AssetId, EventTime, Command, Result<Done, String>),
    /// An asset's life up to the end of the recording, when asked for by [`Engine::with_histories`].
    Ended(AssetId, Box<History>),
}

/// No tick is as late as this.
const NEVER: EventTime = EventTime(i64::MAX);

/// Reads a stored form and nothing behind it: bytes that are left over were written in another form.
pub(crate) fn whole<'b, T: Deserialize<'b>>(bytes: &'b [u8]) -> Result<T, postcard::Error> {
    match postcard::take_from_bytes(bytes)? {
        (value, []) => Ok(value),
        _ => Err(postcard::Error::DeserializeBadEncoding),
    }
}

/// The assets of one worker and their step. Assets see those they are grouped with and no others: spreading them over
/// engines changes nothing as long as a group stays together.
#[derive(Default)]
pub struct Engine {
    site: Arc<str>,
    /// By id; an engine that has only some of the assets has gaps.
    assets: Vec<Option<Box<Asset>>>,
    by_name: BTreeMap<String, AssetId>,
    /// Before this a tick has nothing to do for the asset of the same place: most ticks pass most assets by, and need not
    /// fetch them for that. Follows from their states.
    due: Vec<EventTime>,
    /// Whether what only shows an asset is wanted.
    trends: bool,
    /// Whether histories are wanted.
    histories: bool,
    /// Room for one snapshot's results, reused.
    now: Now,
}

impl Engine {
    /// Without assets yet. `trends`: whether what only shows an asset is wanted: [`Output::Trend`],
    /// [`Output::OperatingState`], [`Output::Condition`].
    pub fn new(site: &str, trends: bool) -> Self {
        Self {
            site: site.into(),
            assets: Vec::new(),
            by_name: BTreeMap::new(),
            due: Vec::new(),
            trends,
            histories: false,
            now: Now::default(),
        }
    }

    /// Also says [`Output::Ended`] at the end.
    pub fn with_histories(mut self, wanted: bool) -> Self {
        self.histories = wanted;
        self
    }

    /// Takes one event; appends what there is to say. An event for an asset that is not here is nobody's.
    pub fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        let trends = self.trends;
        match event {
            Event::Define(id, spec, settings) => {
                let slot = id.0 as usize;
                if self.assets.len() <= slot {
                    self.assets.resize_with(slot + 1, || None);
                    self.due.resize(slot + 1, NEVER);
                }
                match &mut self.assets[slot] {
                    Some(asset) => asset.define(spec.clone(), settings.clone()),
                    empty => {
                        let asset = Asset::new(*id, self.site.clone(), spec.clone(), settings.clone());
                        *empty = Some(Box::new(asset));
                        self.by_name.insert(spec.name.clone(), *id);
                    }
                }
                self.relate(*id);
            }
            Event::Observed(o) => self.observe(o, out),
            Event::Waveform(id, at, waveform) => {
                self.step_of(*id, |asset, around, _| asset.waveform(*at, waveform, around, out));
                self.settle_due(*id);
            }
            Event::Tick(at) => {
                for place in 0..self.assets.len() {
                    self.tick(AssetId(place as u32), *at, out);
                }
            }
            Event::Command(id, at, command) => {
                self.step_of(*id, |asset, around, _| asset.command(*at, command, around, out));
                self.settle_due(*id);
            }
            Event::End(at) => {
                let histories = self.histories;
                for id in 0..self.assets.len() as u32 {
                    self.step_of(AssetId(id), |asset, around, now| {
                        asset.end(*at, trends, around, now, out);
                        if histories && let Some(history) = asset.history() {
                            out.push(Output::Ended(asset.id(), Box::new(history)));
                        }
                    });
                }
            }
        }
    }

    /// Takes a reading: [`Event::Observed`].
    #[inline]
    pub fn observe(&mut self, o: &Observation, out: &mut Vec<Output>) {
        let trends = self.trends;
        self.step_of(o.asset, |asset, around, now| asset.observe(o, trends, around, now, out));
        let place = o.asset.0 as usize;
        if let (Some(Some(asset)), Some(due)) = (self.assets.get(place), self.due.get_mut(place)) {
            // Too early costs a visit, and the visit puts it right.
            *due = asset.closes_at().map_or(*due, |closes| closes.min(*due));
        }
    }

    /// Lets one asset know the time: [`Event::Tick`] does so for each, in the order of their ids.
    #[inline]
    pub fn tick(&mut self, id: AssetId, at: EventTime, out: &mut Vec<Output>) {
        let trends = self.trends;
        if self.due(id) <= at {
            self.step_of(id, |asset, around, now| asset.tick(at, trends, around, now, out));
            self.settle_due(id);
        }
    }

    /// Before this a tick has nothing to do for the asset.
    #[inline]
    pub fn due(&self, id: AssetId) -> EventTime {
        self.due.get(id.0 as usize).copied().unwrap_or(NEVER)
    }

    /// One asset's step, which sees the others as they stand.
    #[inline]
    fn step_of(&mut self, id: AssetId, step: impl FnOnce(&mut Asset, Around<'_>, &mut Now)) {
        let Some(mut asset) = self.assets.get_mut(id.0 as usize).and_then(Option::take) else { return };
        step(&mut asset, Around(&self.assets), &mut self.now);
        if let Some(place) = self.assets.get_mut(id.0 as usize) {
            *place = Some(asset);
        }
    }

    /// Tells an asset and those it is grouped with of each other.
    fn relate(&mut self, id: AssetId) {
        let near = |engine: &Self, id: AssetId| -> Vec<Near> {
            let Some(Some(asset)) = engine.assets.get(id.0 as usize) else { return Vec::new() };
            let name = &asset.spec().name;
            let mut near = Vec::new();
            for group in asset.settings().groups.of(name) {
                for other in group.all().filter(|other| *other != name) {
                    near.extend(engine.by_name.get(other).map(|id| Near::new(*id, other, name, group)));
                }
            }
            near
        };
        let mut told = vec![id];
        told.extend(near(self, id).iter().map(|other| other.id));
        for id in told {
            let near = near(self, id);
            if let Some(Some(asset)) = self.assets.get_mut(id.0 as usize) {
                asset.relate(near);
            }
            self.settle_due(id);
        }
    }

    /// Gives an asset away: its group has a home in another engine from now on.
    pub fn release(&mut self, id: AssetId) -> Option<Box<Asset>> {
        let asset = self.assets.get_mut(id.0 as usize)?.take()?;
        self.by_name.remove(&asset.spec().name);
        if let Some(due) = self.due.get_mut(id.0 as usize) {
            *due = NEVER;
        }
        Some(asset)
    }

    /// Takes an asset that another engine gave away; its definition comes next.
    pub fn adopt(&mut self, asset: Box<Asset>) {
        let slot = asset.id().0 as usize;
        if self.assets.len() <= slot {
            self.assets.resize_with(slot + 1, || None);
            self.due.resize(slot + 1, NEVER);
        }
        let id = asset.id();
        self.by_name.insert(asset.spec().name.clone(), id);
        if let Some(place) = self.assets.get_mut(slot) {
            *place = Some(asset);
        }
        self.settle_due(id);
    }

    fn settle_due(&mut self, id: AssetId) {
        let place = id.0 as usize;
        if let (Some(Some(asset)), Some(due)) = (self.assets.get(place), self.due.get_mut(place)) {
            *due = asset.due();
        }
    }

    /// The assets it has.
    pub fn assets(&self) -> impl Iterator<Item = &Asset> {
        self.assets.iter().flatten().map(|a| &**a)
    }

    /// State of every asset by name, to be stored.
    pub fn save(&self) -> Result<Vec<(AssetId, String, Vec<u8>)>, postcard::Error> {
        self.assets().map(|a| Ok((a.id(), a.spec().name.clone(), postcard::to_stdvec(a.state())?))).collect()
    }

    /// Takes a stored state of a defined asset back.
    ///
    /// # Errors
    /// The bytes are not a state of this version; the asset is left as it was.
    pub fn restore(&mut self, id: AssetId, bytes: &[u8]) -> Result<(), postcard::Error> {
        let state: State = whole(bytes)?;
        let whole = match self.assets.get_mut(id.0 as usize) {
            Some(Some(asset)) => asset.restore(state),
            _ => true,
        };
        self.settle_due(id);
        if whole { Ok(()) } else { Err(postcard::Error::DeserializeBadEncoding) }
    }
}
