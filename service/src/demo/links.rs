//! The demo's own two clients: the player, which is the plant, and the listener, which is somebody at a screen.

use super::data::{Sensors, Telegram};
use crate::acquire::mqtt::link::{About, LinkEvent, LinkFault, LinkOptions, MqttLink, NotTaken, Publication, Requests};
use crate::acquire::mqtt::{BrokerSettings, LinkV3};
use crate::advise::diagnosis::CaptureRequest;
use crate::advise::document::{Alert, Document};
use crate::app::wall_clock;
use crate::error::{Error, Fault};
use crate::status::{REJECTIONS, Status};
use roundsman_models::EventTime;
use std::collections::VecDeque;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, AtomicU64, Ordering::Relaxed};
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// Publishes of the player without an answer; rumqttd's own window is 100.
const WINDOW: u16 = 100;
/// Messages between the player and the daemon's journal at most. rumqttd throws old ones away, read or not.
const AHEAD: u64 = 2000;
/// Readings between the player and the daemon's engine at most: some fifty minutes of the plant. A waveform that answers a
/// request waits behind them, and must not come when the machine is already run in another way.
const READINGS_AHEAD: u64 = 1000;

/// The player waits no longer than this for a request it knows of.
const LONGEST_HOLD: Duration = Duration::from_secs(5);

/// How far the player is.
#[derive(Debug, Default)]
pub(super) struct Played {
    /// Plant time of the last message, microseconds.
    pub(super) clock: AtomicI64,
    /// Messages sent.
    pub(super) messages: AtomicU64,
    /// Readings in them.
    pub(super) readings: AtomicU64,
    /// Requests for waveforms the daemon has made.
    pub(super) asked: AtomicU64,
    /// Waveforms sent.
    pub(super) waveforms: AtomicU64,
    /// All is sent and confirmed.
    pub(super) done: AtomicBool,
}

fn options(port: u16, client_id: &str) -> LinkOptions {
    let broker =
        BrokerSettings { host: "127.0.0.1".into(), port, client_id: client_id.into(), ..BrokerSettings::default() };
    LinkOptions {
        session_expiry_secs: 0,
        manual_acks: false,
        out_window: WINDOW,
        ..LinkOptions::reader(&broker, true, wall_clock)
    }
}

fn lost(who: &str, fault: &LinkFault) -> Error {
    Error::new(Fault::Broker, format!("the demo's {who} lost the demo's broker: {fault}"))
}

/// Publishes what comes, from when the daemon holds its `filters` on, until nothing more comes and all is confirmed; then
/// stays connected until it is dropped.
pub(super) async fn play(
    port: u16,
    mut telegrams: mpsc::Receiver<Telegram>,
    pace: Option<f64>,
    played: Arc<Played>,
    (daemon, filters): (Arc<Status>, usize),
    (asked_on, sensors): (String, Sensors),
) -> Result<(), Error> {
    let (mut link, requests) = LinkV3::open(&options(port, "roundsman-demo-plant"));
    // Waveforms that answer a request go before what waits of the recording.
    let mut answers: VecDeque<Publication> = VecDeque::new();
    let (mut heard, mut held_since) = (0_u64, None::<Instant>);
    let mut events = Vec::new();
    let (mut connected, mut ended, mut in_flight) = (false, false, 0_u16);
    let mut listening = false;
    let mut next: Option<Telegram> = None;
    let mut began: Option<(EventTime, Instant)> = None;
    loop {
        let polled = {
            let mut poll = pin!(link.poll(&mut events));
            loop {
                let mut waiting_for_data = false;
                while connected && in_flight < WINDOW {
                    let Some(answer) = answers.pop_front() else { break };
                    if requests.try_publish(&answer).is_err() {
                        return Err(Error::new(Fault::Internal, "the player could not publish a waveform"));
                    }
                    in_flight += 1;
                    played.messages.fetch_add(1, Relaxed);
                    played.waveforms.fetch_add(1, Relaxed);
                }
                // A broker keeps nothing for a client it has never seen, and who waits for it to be worked on waits for ever.
                listening |= daemon.subscribed.get() >= filters as u64;
                while connected && listening && !ended && in_flight < WINDOW {
                    if next.is_none() {
                        match telegrams.try_recv() {
                            Ok(telegram) => next = Some(telegram),
                            Err(mpsc::error::TryRecvError::Empty) => waiting_for_data = true,
                            Err(mpsc::error::TryRecvError::Disconnected) => ended = true,
                        }
                    }
                    let behind = played.messages.load(Relaxed).saturating_sub(daemon.acknowledged.get());
                    let refused: u64 = REJECTIONS.iter().map(|reason| daemon.rejected(*reason)).sum();
                    // What was refused on the way may be counted twice: then it is a little further behind.
                    let worked_on = daemon.observed.get().saturating_add(refused);
                    let waiting = played.readings.load(Relaxed).saturating_sub(worked_on);
                    // A real plant answers within seconds. This one lives a day in a second: it stands still until it has.
                    let asked = played.asked.load(Relaxed) > heard;
                    held_since = if asked { held_since.or(Some(Instant::now())) } else { None };
                    let held = held_since.is_some_and(|since| since.elapsed() < LONGEST_HOLD);
                    let free = behind < AHEAD && waiting < READINGS_AHEAD && !held;
                    let Some(telegram) = next.take_if(|t| free && is_due(t.at, pace, &mut began)) else {
                        break;
                    };
                    let publication = Publication {
                        topic: telegram.topic,
                        payload: telegram.payload,
                        retain: false,
                        correlation: None,
                        about: About::default(),
                    };
                    match requests.try_publish(&publication) {
                        Ok(()) => {}
                        // The window is far smaller than the client's queue, so neither can happen.
                        Err(NotTaken::Full | NotTaken::Invalid) => {
                            return Err(Error::new(Fault::Internal, "the player could not publish"));
                        }
                    }
                    in_flight += 1;
                    played.clock.store(telegram.at.0, Relaxed);
                    played.messages.fetch_add(1, Relaxed);
                    played.readings.fetch_add(telegram.readings, Relaxed);
                }
                if ended && in_flight == 0 && answers.is_empty() {
                    played.done.store(true, Relaxed);
                }
                let nap = Duration::from_millis(if waiting_for_data { 1 } else { 5 });
                tokio::select! {
                    polled = &mut poll => break polled,
                    () = tokio::time::sleep(nap) => {}
                }
            }
        };
        polled.map_err(|fault| lost("player", &fault))?;
        for event in events.drain(..) {
            match event {
                LinkEvent::Connected { .. } => {
                    requests
                        .try_subscribe(&asked_on)
                        .map_err(|_| Error::new(Fault::Internal, format!("cannot subscribe to {asked_on}")))?;
                }
                // Nothing is sent before a request for waveforms can be heard.
                LinkEvent::Subscribed(Ok(_)) => connected = true,
                LinkEvent::Subscribed(Err(why)) => {
                    return Err(Error::new(Fault::Broker, format!("the demo's broker refuses {asked_on}: {why}")));
                }
                LinkEvent::Message(message) => {
                    let text = String::from_utf8_lossy(&message.payload);
                    let request = CaptureRequest::from_json(&text).map_err(|error| {
                        Error::new(Fault::Internal, format!("{} brought no request", message.topic)).because(error)
                    })?;
                    heard += 1;
                    answers.extend(sensors.answer(&request)?);
                }
                LinkEvent::Delivered(_) => in_flight = in_flight.saturating_sub(1),
                _ => {}
            }
        }
    }
}

fn is_due(at: EventTime, pace: Option<f64>, began: &mut Option<(EventTime, Instant)>) -> bool {
    let Some(pace) = pace else { return true };
    let &mut (first, start) = began.get_or_insert((at, Instant::now()));
    at.secs_since(first) <= start.elapsed().as_secs_f64() * pace
}

/// Subscribes to alerts and hands them on, each once. `ready` is told when the broker has granted it.
pub(super) async fn listen(
    port: u16,
    filter: String,
    alerts: mpsc::Sender<Alert>,
    ready: oneshot::Sender<()>,
) -> Result<(), Error> {
    let (mut link, requests) = LinkV3::open(&options(port, "roundsman-demo-screen"));
    let mut events = Vec::new();
    let mut ready = Some(ready);
    loop {
        link.poll(&mut events).await.map_err(|fault| lost("listener", &fault))?;
        for event in events.drain(..) {
            match event {
                LinkEvent::Connected { .. } => {
                    requests
                        .try_subscribe(&filter)
                        .map_err(|_| Error::new(Fault::Internal, format!("cannot subscribe to {filter}")))?;
                }
                LinkEvent::Subscribed(Ok(_)) => {
                    ready.take().map(|ready| ready.send(()));
                }
                LinkEvent::Subscribed(Err(why)) => {
                    return Err(Error::new(Fault::Broker, format!("the demo's broker refuses {filter}: {why}")));
                }
                LinkEvent::Message(message) => {
                    let text = String::from_utf8_lossy(&message.payload);
                    let alert = Alert::from_json(&text).map_err(|error| {
                        Error::new(Fault::Internal, format!("{} brought no alert", message.topic)).because(error)
                    })?;
                    // Full: the screen is slow; the broker keeps the rest. Closed: the demo ends.
                    if alerts.send(alert).await.is_err() {
                        return Ok(());
                    }
                }
                _ => {}
            }
        }
    }
}
