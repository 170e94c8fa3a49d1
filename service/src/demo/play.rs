//! The demo from its first line to its verdict.

use super::broker;
use super::data::Data;
use super::links::{self, Played};
use super::page::Page;
use super::screen::Screen;
use super::tap::Tap;
use super::verdict::{Verdict, judge};
use crate::acquire::Rejection;
use crate::advise::document::Alert;
use crate::advise::forms;
use crate::advise::published::Published;
use crate::app;
use crate::cli::DemoArgs;
use crate::config::{Broker, Checked, Protocol};
use crate::error::{Error, Fault};
use crate::run;
use crate::status::Status;
use roundsman_models::EventTime;
use std::fmt;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot};

/// The clock on the screen moves so often.
const TICK: Duration = Duration::from_millis(100);
/// After the last reading the daemon gets this long to say what it has to say.
const LAST_WORDS: Duration = Duration::from_secs(30);

/// How the demo ended.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Planted against found.
    pub verdict: Verdict,
    /// Every transition that was heard, in order.
    pub alerts: Vec<Alert>,
    /// Readings published.
    pub readings: u64,
    /// Of those, readings the daemon did not use, by reason.
    pub refused: Vec<(Rejection, u64)>,
    /// Messages they and the waveforms were in.
    pub messages: u64,
    /// Waveforms the plant sent when it was asked.
    pub waveforms: u64,
    /// From the first reading to the last alert.
    pub took: Duration,
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.verdict)?;
        let secs = self.took.as_secs_f64();
        if self.waveforms > 0 {
            writeln!(f, "{} waveforms sent when the daemon asked for them.", self.waveforms)?;
        }
        write!(
            f,
            "{} readings in {} messages through the broker in {secs:.1} s ({:.0} a second), all simulated.",
            self.readings,
            self.messages,
            self.readings as f64 / secs.max(1e-3),
        )?;
        if !self.refused.is_empty() {
            let parts: Vec<String> =
                self.refused.iter().map(|(reason, n)| format!("{n} {}", forms::word(reason))).collect();
            write!(f, "\nNot used: {}.", parts.join(", "))?;
        }
        Ok(())
    }
}

/// Plays it.
///
/// # Errors
/// The data cannot be read, a port cannot be had, or a part of the demo failed.
pub fn play(args: &DemoArgs) -> Result<Outcome, Error> {
    let mut data = Data::open(args.data.as_deref())?;
    let port = broker::start(args.port)?;
    let state = tempfile::tempdir()
        .map_err(|error| Error::new(Fault::Io, "cannot make a temporary folder for the demo's state").because(error))?;
    data.config.broker = Some(Broker {
        host: "127.0.0.1".into(),
        port,
        protocol: Protocol::V3, // broker.rs says why
        client_id: "roundsman-demo".into(),
        username: None,
        password: None,
        tls: None,
        keep_alive_secs: 30,
        session_expiry_secs: 3600,
        receive_maximum: 100,
        max_packet_bytes: 256 * 1024,
        stream_clock: true,
    });
    // A folder the daemon makes itself, with the rights it wants.
    data.config.state.dir = state.path().join("state");
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| Error::new(Fault::Internal, "cannot start the runtime").because(error))?;
    let outcome = runtime.block_on(demo(data, port, args));
    // A blocking read of the recording must not hold up the way out.
    runtime.shutdown_timeout(Duration::from_secs(1));
    outcome
}

fn greet(screen: &Screen, config: &Checked, port: u16, page: &Page, days: f64) {
    let filter = format!("{}/#", config.publish.prefix);
    screen.say(&format!(
        "roundsman demo: {} simulated machines of the invented site {}, {days:.0} days\n\
         All data here are simulated. roundsman advises people; it is no machine-protection system.\n\n\
         The broker is at 127.0.0.1:{port} until the demo ends. To watch what is published, in another terminal:\n\
         \x20 mosquitto_sub -h 127.0.0.1 -p {port} -t '{filter}' -v\n\n\
         The page is at http://{}/ as long; to act there, sign in as {} with the password {}\n\n\
         ◆ advisory  ▲ warning  ■ alarm; hollow: the condition has gone. Ctrl-C stops.\n",
        config.assets.len(),
        config.site.name,
        page.address,
        page.name,
        page.password,
    ));
}

async fn demo(mut data: Data, port: u16, args: &DemoArgs) -> Result<Outcome, Error> {
    let about = data.about.clone();
    let until = args.days.map_or(about.end, |days| about.start.plus_secs(f64::from(days) * 86_400.0).min(about.end));
    let share = until.secs_since(about.start) / about.end.secs_since(about.start).max(1.0);
    let mut screen = Screen::new((about.readings as f64 * share) as u64);
    let page = Page::open(&mut data.config, args.page_port).await?;
    greet(&screen, &data.config, port, &page, until.secs_since(about.start) / 86_400.0);

    let topics = run::topics(&data.config)?;
    let settings = run::settings(&data.config, &topics)?;
    let (status, played) = (Arc::new(Status::default()), Arc::new(Played::default()));
    let tap = Arc::new(Tap::new(
        Published {
            topics,
            site: data.config.site.name.clone(),
            now: settings.now,
            since: (settings.now)(),
            cloud_events: false,
        },
        played.clone(),
    ));
    let page = page.serve(&data.config, &settings, &status);
    let interrupted =
        app::stop_signal().map_err(|error| Error::new(Fault::Internal, "cannot watch for signals").because(error))?;

    // Subscribed before anything is published.
    let (alerts_in, mut alerts_out) = mpsc::channel(256);
    let (ready, is_ready) = oneshot::channel();
    let filter = format!("{}/+/+/alert", data.config.publish.prefix);
    let listener = tokio::spawn(links::listen(port, filter, alerts_in, ready));
    if is_ready.await.is_err() {
        return Err(ended("listener", listener.await));
    }

    let config = data.config.clone();
    let asked_on = format!("{}/{}/+/capture-request", config.publish.prefix, config.site.name);
    let sensors = data.sensors()?;
    // The recording is read ahead by a few sampling rounds; the reader waits when the player does.
    let (telegrams_in, telegrams) = mpsc::channel(512);
    let recording = tokio::task::spawn_blocking(move || {
        data.telegrams(until, |telegram| telegrams_in.blocking_send(telegram).is_ok())
    });
    let filters = settings.broker.filters.len();
    let (stop, stopped) = oneshot::channel::<()>();
    let (daemon_status, documents) = (status.clone(), tap.clone());
    let mut daemon = tokio::spawn(async move {
        let stopped = async {
            // A dropped sender is a stop as well.
            let _ = stopped.await;
        };
        run::daemon_with(&config, settings, documents, daemon_status, stopped).await
    });
    let (began, mut alerts) = (Instant::now(), Vec::new());

    let daemon_is = (status.clone(), filters);
    let mut player =
        tokio::spawn(links::play(port, telegrams, args.pace, played.clone(), daemon_is, (asked_on, sensors)));
    let mut interrupted = pin!(interrupted);
    let mut tick = tokio::time::interval(TICK);
    let mut complete = true;
    while !is_through(&played, &status) {
        tokio::select! {
            () = &mut interrupted => {
                complete = false;
                break;
            }
            Some(alert) = alerts_out.recv() => hear(alert, &screen, &mut alerts),
            end = &mut player => return Err(ended("player", end)),
            end = &mut daemon => return Err(daemon_ended(end)),
            _ = tick.tick() => screen.tick(&played),
        }
    }
    if args.stay && complete {
        screen.say("All is played. The page stays until Ctrl-C; then comes what was planted against what was found.");
        loop {
            tokio::select! {
                () = &mut interrupted => break,
                Some(alert) = alerts_out.recv() => hear(alert, &screen, &mut alerts),
                end = &mut daemon => return Err(daemon_ended(end)),
            }
        }
    }
    // The daemon stops as `run` does: it finishes what it has taken and empties its outbox. Alerts come meanwhile.
    drop(stop);
    let mut deadline = pin!(tokio::time::sleep(LAST_WORDS));
    let left = loop {
        tokio::select! {
            end = &mut daemon => match end {
                Ok(Ok(end)) => break end.left,
                other => return Err(daemon_ended(other)),
            },
            Some(alert) = alerts_out.recv() => hear(alert, &screen, &mut alerts),
            () = &mut deadline => return Err(Error::new(Fault::Internal, "the daemon did not stop in time")),
        }
    };
    // What the daemon has sent is with the broker; the listener's copy may be a moment behind.
    let want = status.alerts.get();
    while (alerts.len() as u64) < want {
        match tokio::time::timeout(Duration::from_secs(5), alerts_out.recv()).await {
            Ok(Some(alert)) => hear(alert, &screen, &mut alerts),
            Ok(None) | Err(_) => break,
        }
    }
    let took = began.elapsed();
    screen.tick(&played);
    screen.close();
    player.abort();
    listener.abort();
    page.abort();
    if complete {
        match recording.await {
            Ok(read) => read?,
            Err(_) => return Err(Error::new(Fault::Internal, "reading the recording failed")),
        }
        if !left.is_empty() || (alerts.len() as u64) < want {
            let message = format!("{} of {want} alerts came back from the broker; {}", alerts.len(), left.join("; "));
            return Err(Error::new(Fault::Internal, message));
        }
    }
    let until = if complete { until } else { EventTime(played.clock.load(Relaxed)) };
    Ok(Outcome {
        verdict: judge(&about, &alerts, &tap.said(), until),
        alerts,
        readings: played.readings.load(Relaxed),
        refused: status.counters().rejected.into_iter().collect(),
        messages: played.messages.load(Relaxed),
        waveforms: played.waveforms.load(Relaxed),
        took,
    })
}

fn hear(alert: Alert, screen: &Screen, alerts: &mut Vec<Alert>) {
    screen.alert(&alert);
    alerts.push(alert);
}

/// Everything is sent, durable, worked on as far as can be seen from here, and said.
fn is_through(played: &Played, daemon: &Status) -> bool {
    played.done.load(Relaxed) && daemon.acknowledged.get() >= played.messages.load(Relaxed) && daemon.outbox.get() == 0
}

type Joined<T> = Result<T, tokio::task::JoinError>;

fn ended(part: &str, end: Joined<Result<(), Error>>) -> Error {
    match end {
        Ok(Err(error)) => error,
        Ok(Ok(())) => Error::new(Fault::Internal, format!("the demo's {part} ended too early")),
        Err(failed) => Error::new(Fault::Internal, format!("the demo's {part} failed")).because(failed),
    }
}

fn daemon_ended(end: Joined<Result<app::Ended, app::AppError>>) -> Error {
    match end {
        Ok(Err(error)) => error.into(),
        Ok(Ok(_)) => Error::new(Fault::Internal, "the daemon ended too early"),
        Err(failed) => Error::new(Fault::Internal, "the daemon failed").because(failed),
    }
}
