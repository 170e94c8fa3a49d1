//! A shard: the engine of its assets, and what it puts out on its way to the keeper.

use super::{Gone, Machine, Origin, ToShard, reply};
use crate::acquire::AssetId;
use crate::advise::document::{Alert, History};
use crate::advise::forms;
use crate::advise::publish::Documents;
use crate::asset::capture::Look;
use crate::engine::{Command, Done, Event, Output};
use crate::keep::plate::Plate;
use crate::keep::{Changed, Order, Record};
use crate::status::Status;
use crate::vitals::Moment;
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, RecvTimeoutError, SyncSender};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc;

/// What a shard knows of an asset beside its engine's state.
struct Known {
    name: Arc<str>,
    /// Where the time of its readings is noted for the page.
    seen: Arc<Moment>,
}

/// The assets are counted so often.
const CENSUS_AFTER: Duration = Duration::from_secs(1);

/// One shard.
pub struct Shard<M> {
    /// Its engine.
    pub machine: M,
    /// Wording.
    pub documents: Arc<dyn Documents>,
    /// The keeper. Full: the shard waits.
    pub orders: mpsc::Sender<Order>,
    /// Counters.
    pub status: Arc<Status>,
    /// Waveforms to be looked at ahead. Full: the look is taken when its outcome is asked for.
    pub looks: SyncSender<Look>,
    /// Folder for the lives whose alert somebody confirmed; `None`: they are not kept.
    pub past_cases: Option<PathBuf>,
}

/// Looks waiting for a thread at most; each holds one message.
pub const LOOKS_AHEAD: usize = 256;

/// Takes looks ahead of the time their outcome is asked for, until every shard is gone.
pub fn look_ahead(looks: &Mutex<Receiver<Look>>) {
    loop {
        // Held for the taking only, so that a second thread can take the next.
        let look = looks.lock().unwrap_or_else(PoisonError::into_inner).recv();
        match look {
            Ok(look) => {
                look.get();
            }
            Err(_) => return,
        }
    }
}

impl<M: Machine> Shard<M> {
    /// Works until the router's side closes.
    pub fn run(mut self, told: &Receiver<ToShard>) -> Result<(), Gone> {
        let mut names: HashMap<AssetId, Known> = HashMap::new();
        let mut outputs = Vec::new();
        let mut counted = Instant::now();
        let worker = self.status.vitals.worker("shard");
        // Counted a little after the last change, so that a busy stream does not count with every batch.
        let mut uncounted = true;
        loop {
            worker.idle();
            let next = told.recv_timeout(CENSUS_AFTER);
            worker.busy();
            if uncounted && (next.is_err() || counted.elapsed() >= CENSUS_AFTER) {
                worker.count_assets(self.machine.census());
                (uncounted, counted) = (false, Instant::now());
            }
            let told = match next {
                Ok(told) => told,
                Err(RecvTimeoutError::Timeout) => continue,
                Err(RecvTimeoutError::Disconnected) => break,
            };
            self.status.vitals.before_shards.down();
            uncounted = true;
            let order = match told {
                ToShard::Events(events, commands) => {
                    let mut records = Vec::new();
                    let mut commands = commands.into_iter().peekable();
                    for (index, event) in events.iter().enumerate() {
                        if let Event::Define(asset, spec, _) = event {
                            let name: Arc<str> = spec.name.as_str().into();
                            let points = spec.points.iter().map(|point| (point.name.clone(), point.unit.clone()));
                            let plate = Box::new(Plate::of(spec));
                            records.push(Record::Asset { name: name.clone(), points: points.collect(), plate });
                            let seen = self.status.board.define(&name, spec);
                            names.insert(*asset, Known { name, seen });
                        }
                        let origin = commands.next_if(|(at, _)| *at == index).map(|(_, origin)| origin);
                        self.machine.step(event, &mut outputs);
                        worker.step();
                        for output in outputs.drain(..) {
                            self.record(output, &names, origin.as_ref(), &mut records);
                        }
                    }
                    if records.is_empty() {
                        continue;
                    }
                    Order::Records(records)
                }
                ToShard::Restore(asset, name, saved) => {
                    if let Err(why) = self.machine.restore(asset, &name, &saved) {
                        tracing::error!(asset = name, why, "the saved state cannot be used; this asset learns anew");
                        self.status.board.lost(&name);
                        self.status.vitals.lost_state(format!("what was learned of {name}: {why}"));
                        self.status.add_state_fault(format!("asset {name}: {why}; it learns anew"));
                    }
                    continue;
                }
                ToShard::Release(asset, to) => {
                    // Gone: so is the router, and the daemon is on its way down.
                    let _ = to.send(self.machine.release(asset));
                    continue;
                }
                ToShard::Snapshot(position) => {
                    let saved = self.machine.save();
                    let states = saved.into_iter().map(|(_, name, bytes)| (name.into(), bytes)).collect();
                    Order::Snapshot { position, states }
                }
                ToShard::Recovered => Order::Recovered,
            };
            self.orders.blocking_send(order).map_err(|_| Gone)?;
        }
        worker.idle();
        Ok(())
    }

    fn record(
        &self,
        output: Output,
        names: &HashMap<AssetId, Known>,
        origin: Option<&Origin>,
        records: &mut Vec<Record>,
    ) {
        match output {
            Output::Scored(asset, score) => {
                self.status.scored.up();
                if let Some(known) = names.get(&asset) {
                    known.seen.set(score.at);
                    records.push(Record::Score { asset: known.name.clone(), score });
                }
            }
            Output::Rejected(asset, reason) => {
                self.status.reject_of(reason, names.get(&asset).map_or("", |known| &known.name))
            }
            Output::Trend(asset, sample) => {
                if let Some(Known { name, .. }) = names.get(&asset) {
                    records.push(Record::Trend {
                        asset: name.clone(),
                        point: sample.point,
                        at: sample.at,
                        observed: sample.observed,
                        expected: sample.expected,
                        band: sample.band,
                    });
                }
            }
            Output::Alert(asset, alert) => {
                self.status.alerts.up();
                self.status.vitals.alert(alert.severity);
                let name = named(&alert.asset, asset, names);
                let alert = Arc::<Alert>::from(alert);
                self.status.board.alert(&name, alert.clone());
                records.push(Record::Alert {
                    id: alert.id.clone(),
                    revision: alert.revision,
                    at: alert.at,
                    asset: name,
                    change: forms::word(&alert.change),
                    state: forms::word(&alert.state),
                    severity: forms::word(&alert.severity),
                    publication: self.documents.alert(&alert),
                    document: self.documents.alert_document(&alert),
                });
            }
            Output::RemainingLife(asset, at, life) => {
                if let Some(Known { name, .. }) = names.get(&asset) {
                    let publication = self.documents.remaining_life(name, at, &life);
                    records.push(Record::State { asset: name.clone(), kind: "remaining-life", at, publication });
                    self.status.board.life(name, at, Arc::from(life));
                }
            }
            Output::Ended(_, history) => self.keep_past_case(&history),
            Output::OperatingState(asset, at, state) => {
                if let Some(Known { name, .. }) = names.get(&asset) {
                    records.push(Record::Period { asset: name.clone(), at, state: state.unwrap_or_default() });
                }
            }
            Output::Condition(asset, condition) => {
                let name = named(&condition.asset, asset, names);
                let publication = self.documents.condition(&condition);
                records.push(Record::State { asset: name, kind: "condition", at: condition.at, publication });
                self.status.board.condition(Arc::from(condition));
            }
            Output::Diagnosis(asset, diagnosis) => {
                let name = named(&diagnosis.asset, asset, names);
                let publication = self.documents.diagnosis(&diagnosis);
                records.push(Record::State { asset: name, kind: "diagnosis", at: diagnosis.at, publication });
            }
            Output::CaptureRequest(_, request) => records.push(Record::Request {
                asset: request.asset.as_str().into(),
                at: request.at,
                publication: self.documents.capture_request(&request),
            }),
            Output::Waveform(asset, stored) => {
                // Full or closed: the outcome is the same, only later.
                if self.looks.try_send(stored.look).is_err() {
                    self.status.waveforms_not_ahead.up();
                }
                if let Some(Known { name, .. }) = names.get(&asset) {
                    records.push(Record::Waveform {
                        asset: name.clone(),
                        number: stored.number,
                        at: stored.at,
                        point: stored.waveform.point.clone(),
                        payload: stored.waveform.payload.clone(),
                    });
                }
            }
            Output::CapturesKept(asset, kept) => {
                if let Some(Known { name, .. }) = names.get(&asset) {
                    records.push(Record::WaveformsKept { asset: name.clone(), kept: *kept });
                }
            }
            Output::WaveformRefused(asset, unread) => {
                let name = names.get(&asset).map_or("", |known| &known.name);
                self.status.bad_waveform(name, &unread.part, &unread.why);
            }
            Output::Answered(asset, at, command, outcome) => {
                let Some(origin) = origin else { return };
                self.status.commands.up();
                records.push(self.answer(names.get(&asset).map(|known| &known.name), at, command, outcome, origin));
            }
        }
    }

    /// On the disk before the snapshot that covers the command: a crash between them gives the command, and the file, again.
    fn keep_past_case(&self, history: &History) {
        let Some(dir) = &self.past_cases else { return };
        match crate::keep::histories::keep(dir, history) {
            Ok(path) => tracing::info!(
                asset = history.asset,
                "its life up to a confirmed finding is kept as a past case, for forecasts from the next start or SIGHUP on: {}",
                path.display()
            ),
            Err(error) => tracing::error!(asset = history.asset, "its life is not kept as a past case: {error}"),
        }
    }

    fn answer(
        &self,
        asset: Option<&Arc<str>>,
        at: EventTime,
        command: Command,
        outcome: Result<Done, String>,
        origin: &Origin,
    ) -> Record {
        let said = outcome.as_ref().map(|done| done.said.as_str()).map_err(String::as_str);
        let payload = self.documents.answer(asset.map(|name| &**name), Some(&command), said);
        let accepted = outcome.is_ok();
        let action = serde_json::to_string(&command.action).unwrap_or_else(|error| error.to_string());
        let Done { said: answer, old, new } = outcome.unwrap_or_else(|why| Done { said: why, old: None, new: None });
        let (asset_name, topic) = (asset.map(|name| &**name), &*origin.topic);
        tracing::info!(asset = asset_name, by = command.by, topic, action, accepted, answer, old, new, "command");
        Record::Answer {
            position: origin.position,
            part: origin.part,
            at: Some(at),
            received: origin.received,
            asset: asset.cloned(),
            by: command.by,
            note: command.note,
            action,
            accepted,
            answer,
            changed: Box::new(Changed { topic: origin.topic.clone(), old, new, given: origin.given.clone() }),
            reply: origin.reply_to.as_ref().map(|to| reply(to, payload)),
        }
    }
}

/// The name of an asset as its shard has it; as a document says it where that is not known.
fn named(said: &str, asset: AssetId, names: &HashMap<AssetId, Known>) -> Arc<str> {
    names.get(&asset).map_or_else(|| said.into(), |known| known.name.clone())
}
