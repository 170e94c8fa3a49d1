//! Events to the engines: straight, or over a bounded channel to each.

use super::Results;
use super::lanes::{Lanes, Stretch};
use crate::acquire::{AssetId, Observation};
use crate::asset::Asset;
use crate::asset::capture::Waveform;
use crate::asset::settings::Settings;
use crate::asset::spec::AssetSpec;
use crate::engine::{Engine, Event, Output};
use crate::error::{Error, Fault};
use roundsman_models::EventTime;
use std::io;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Scope, ScopedJoinHandle};

/// What an engine is to a replay.
pub trait Step: Send {
    /// Takes one event; appends what there is to say.
    fn step(&mut self, event: &Event, out: &mut Vec<Output>);
    /// Gives an asset away: its group is another engine's from now on.
    fn release(&mut self, _asset: AssetId) -> Option<Box<Asset>> {
        None
    }
    /// Takes one that was given away; its definition comes next.
    fn adopt(&mut self, _asset: Box<Asset>) {}
    /// The engine, where nobody minds in which order assets that do not see each other have their events.
    fn apart(&mut self) -> Option<&mut Engine> {
        None
    }
}

impl Step for Engine {
    fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        Engine::step(self, event, out);
    }

    fn release(&mut self, asset: AssetId) -> Option<Box<Asset>> {
        Engine::release(self, asset)
    }

    fn adopt(&mut self, asset: Box<Asset>) {
        Engine::adopt(self, asset);
    }

    fn apart(&mut self) -> Option<&mut Engine> {
        Some(self)
    }
}

/// Observations of one batch; 4 MiB of them: of a thousand machines with six points some twenty snapshots each.
const BATCH: usize = 1 << 17;
/// Ticks and definitions of one batch, so that a shard without readings still hears of the time.
const BATCH_EVENTS: usize = 4096;
/// Batches waiting for one engine. When they are full the reader waits: the slowest engine sets the pace.
const WAITING: usize = 2;

/// Observations with the few other events between them; a whole [`Event`] for each would be four times the bytes.
#[derive(Default)]
struct Batch {
    observations: Vec<Observation>,
    /// With the number of observations before it.
    events: Vec<(u32, Told)>,
}

impl Batch {
    /// `false` when it is full.
    fn add(&mut self, told: Told) -> bool {
        self.events.push((self.observations.len() as u32, told));
        self.events.len() < BATCH_EVENTS
    }
}

/// What an engine is told beside readings.
enum Told {
    Event(Event),
    Release(AssetId, SyncSender<Option<Box<Asset>>>),
    Adopt(Box<Asset>),
}

struct Worker<S> {
    engine: S,
    lanes: Lanes,
    results: Results,
    out: Vec<Output>,
}

impl<S: Step> Worker<S> {
    fn new(engine: S, results: Results) -> Self {
        Self { engine, lanes: Lanes::default(), results, out: Vec::new() }
    }

    /// Plays a batch and leaves it empty.
    fn play(&mut self, batch: &mut Batch) -> io::Result<()> {
        let Batch { observations, events } = batch;
        let (mut from, mut ticks) = (0, Vec::new());
        for (before, told) in events.drain(..) {
            match told {
                Told::Event(Event::Tick(at)) => ticks.push((before, at)),
                // Readings before it come first.
                told => {
                    self.stretch(observations, from..before, &ticks)?;
                    ticks.clear();
                    from = before;
                    self.told(told)?;
                }
            }
        }
        self.stretch(observations, from..observations.len() as u32, &ticks)?;
        observations.clear();
        Ok(())
    }

    fn stretch(&mut self, all: &[Observation], of: Range<u32>, ticks: &[(u32, EventTime)]) -> io::Result<()> {
        let observations = all.get(of.start as usize..of.end as usize).unwrap_or(&[]);
        if observations.is_empty() && ticks.is_empty() {
            return Ok(());
        }
        let Self { engine, lanes, results, out } = self;
        let mut take = |out: &mut Vec<Output>| out.drain(..).try_for_each(|output| results.take(output));
        lanes.play(engine, Stretch { observations, first: of.start, ticks }, out, &mut take)
    }

    fn told(&mut self, told: Told) -> io::Result<()> {
        match told {
            Told::Event(event) => {
                if let Event::Define(id, spec, settings) = &event {
                    self.lanes.define(*id, spec, settings);
                }
                self.engine.step(&event, &mut self.out);
            }
            Told::Release(asset, to) => {
                self.lanes.release(asset);
                // The other end waits for it.
                drop(to.send(self.engine.release(asset)));
            }
            Told::Adopt(asset) => self.engine.adopt(asset),
        }
        self.out.drain(..).try_for_each(|output| self.results.take(output))
    }

    fn work(mut self, batches: &Receiver<Batch>) -> io::Result<Results> {
        // The channel is closed when the recording is at its end.
        for mut batch in batches {
            self.play(&mut batch)?;
        }
        Ok(self.results)
    }
}

struct Shard<'scope> {
    batch: Batch,
    sender: SyncSender<Batch>,
    worker: ScopedJoinHandle<'scope, io::Result<Results>>,
}

enum Way<'scope, S> {
    Straight { worker: Box<Worker<S>>, batch: Batch, result: io::Result<()> },
    Shards { shards: Vec<Shard<'scope>>, of_asset: Vec<u32>, broken: bool },
}

/// The way of events to one or more engines.
pub struct Feed<'scope, S>(Way<'scope, S>);

impl<'scope, S: Step> Feed<'scope, S> {
    /// Starts `threads` engines; with one there is no thread but the caller's. Results that do not fit in memory go to
    /// `spill_dir`.
    pub fn start<'env, F: Fn() -> S + Sync>(
        scope: &'scope Scope<'scope, 'env>,
        threads: usize,
        spill_dir: &'scope Path,
        make: &'scope F,
    ) -> Self {
        let threads = threads.max(1);
        if threads == 1 {
            let worker = Box::new(Worker::new(make(), Results::new(spill_dir, 1)));
            return Self(Way::Straight { worker, batch: Batch::default(), result: Ok(()) });
        }
        let shards = (0..threads)
            .map(|_| {
                let (sender, batches) = sync_channel(WAITING);
                let worker = scope.spawn(move || Worker::new(make(), Results::new(spill_dir, threads)).work(&batches));
                Shard { batch: Batch::default(), sender, worker }
            })
            .collect();
        Self(Way::Shards { shards, of_asset: Vec::new(), broken: false })
    }

    /// An asset was registered or changed.
    pub fn define(&mut self, id: AssetId, spec: Arc<AssetSpec>, settings: Arc<Settings>) {
        if let Way::Shards { shards, of_asset, broken } = &mut self.0 {
            let place = id.0 as usize;
            if of_asset.len() <= place {
                of_asset.resize(place + 1, NOWHERE);
            }
            if let Some(shard) = of_asset.get_mut(place) {
                // By its group, which must stay together. The upper half: the lower bits of this hash are little more
                // than a parity.
                let home = ((hash(settings.groups.home(&spec.name)) >> 32) % shards.len() as u64) as u32;
                let before = std::mem::replace(shard, home);
                if before != NOWHERE && before != home {
                    *broken |= !move_home(shards, id, before, home);
                }
            }
        }
        self.tell(id, Event::Define(id, spec, settings));
    }

    /// A reading came.
    #[inline]
    pub fn observed(&mut self, observation: Observation) {
        match &mut self.0 {
            Way::Straight { worker, batch, result } => {
                batch.observations.push(observation);
                if batch.observations.len() >= BATCH {
                    play(worker, batch, result);
                }
            }
            Way::Shards { shards, of_asset, broken } => {
                let shard = of_asset.get(observation.asset.0 as usize).copied().unwrap_or(NOWHERE);
                if let Some(shard) = shards.get_mut(shard as usize) {
                    shard.batch.observations.push(observation);
                    if shard.batch.observations.len() >= BATCH {
                        *broken |= !send(shard);
                    }
                }
            }
        }
    }

    /// A waveform came.
    pub fn waveform(&mut self, id: AssetId, at: EventTime, waveform: Arc<Waveform>) {
        self.tell(id, Event::Waveform(id, at, waveform));
    }

    /// An event for every engine.
    pub fn tell_all(&mut self, event: impl Fn() -> Event) {
        match &mut self.0 {
            Way::Straight { worker, batch, result } => {
                if !batch.add(Told::Event(event())) {
                    play(worker, batch, result);
                }
            }
            Way::Shards { shards, broken, .. } => {
                for shard in shards {
                    *broken |= !add(shard, Told::Event(event()));
                }
            }
        }
    }

    /// An event of one asset.
    pub fn tell(&mut self, id: AssetId, event: Event) {
        match &mut self.0 {
            Way::Straight { worker, batch, result } => {
                if !batch.add(Told::Event(event)) {
                    play(worker, batch, result);
                }
            }
            Way::Shards { shards, of_asset, broken } => {
                let shard = of_asset.get(id.0 as usize).copied().unwrap_or(NOWHERE);
                if let Some(shard) = shards.get_mut(shard as usize) {
                    *broken |= !add(shard, Told::Event(event));
                }
            }
        }
    }

    /// Hands on what waits to fill a batch.
    pub fn flush(&mut self) {
        match &mut self.0 {
            Way::Straight { worker, batch, result } => play(worker, batch, result),
            Way::Shards { shards, broken, .. } => {
                for shard in shards {
                    *broken |= !send(shard);
                }
            }
        }
    }

    /// Whether an engine has ended before its time; [`Feed::finish`] says why.
    pub fn is_broken(&self) -> bool {
        match &self.0 {
            Way::Straight { result, .. } => result.is_err(),
            Way::Shards { broken, .. } => *broken,
        }
    }

    /// Ends all engines; what each has said.
    ///
    /// # Errors
    /// Results could not be put aside on disk.
    pub fn finish(mut self) -> Result<Vec<Results>, Error> {
        self.flush();
        let failed = |error| Error::new(Fault::Io, "cannot put results aside in the output folder").because(error);
        match self.0 {
            Way::Straight { worker, result, .. } => {
                result.map_err(failed)?;
                Ok(vec![worker.results])
            }
            Way::Shards { shards, .. } => {
                let workers: Vec<_> = shards.into_iter().map(|shard| shard.worker).collect();
                workers
                    .into_iter()
                    .map(|worker| match worker.join() {
                        Ok(results) => results.map_err(failed),
                        Err(panic) => std::panic::resume_unwind(panic),
                    })
                    .collect()
            }
        }
    }
}

/// An asset that was never defined is in no engine.
const NOWHERE: u32 = u32::MAX;

/// Takes an asset from one engine to another, once the one has done all it was told; `false` when one of them is gone.
fn move_home(shards: &mut [Shard<'_>], id: AssetId, from: u32, to: u32) -> bool {
    let (given, asset) = sync_channel(1);
    let Some(shard) = shards.get_mut(from as usize) else { return false };
    if !(add(shard, Told::Release(id, given)) && send(shard)) {
        return false;
    }
    match (asset.recv(), shards.get_mut(to as usize)) {
        (Ok(Some(asset)), Some(shard)) => add(shard, Told::Adopt(asset)),
        (Ok(None), _) => true,
        _ => false,
    }
}

fn play<S: Step>(worker: &mut Worker<S>, batch: &mut Batch, result: &mut io::Result<()>) {
    // Nothing more is played once results cannot be kept.
    if result.is_ok() {
        *result = worker.play(batch);
    }
    if result.is_err() {
        *batch = Batch::default();
    }
}

fn add(shard: &mut Shard<'_>, event: Told) -> bool {
    shard.batch.add(event) || send(shard)
}

/// `false` when the engine is gone.
fn send(shard: &mut Shard<'_>) -> bool {
    if shard.batch.observations.is_empty() && shard.batch.events.is_empty() {
        return true;
    }
    let fresh = Batch { observations: Vec::with_capacity(BATCH), events: Vec::new() };
    shard.sender.send(std::mem::replace(&mut shard.batch, fresh)).is_ok()
}

/// FNV-1a: the same on every machine and in every version, unlike the standard library's.
fn hash(name: &str) -> u64 {
    name.bytes().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::hash;

    /// Source: the FNV-1a test vectors of the IETF draft draft-eastlake-fnv, appendix C, from memory.
    #[test]
    fn fnv_1a() {
        assert_eq!(hash(""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(hash("a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(hash("foobar"), 0x8594_4171_f739_67e8);
    }
}
