//! The task that sends: one row at a time, one address at a time, each written down before the next.

use super::digest;
use super::due::{Place, address, is_held_back, rank, recipients};
use super::letter::{self, Frame};
use super::transport::{Outcome, Transport};
use crate::acquire::mqtt::backoff::Backoff;
use crate::advise::audience::Audience;
use crate::advise::document::{Alert, Severity};
use crate::config::mail::{Mail, Paper};
use crate::config::people::Units;
use crate::keep::Order;
use crate::keep::mail::{
    MailDone, Told, WaitingMail, read_digest_day, read_episodes, read_newest, read_plate, read_told, read_waiting,
    waiting_count,
};
use crate::keep::plate::Plate;
use crate::status::Status;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use lettre::message::Mailbox;
use roundsman_models::EventTime;
use rusqlite::Connection;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{Notify, mpsc, oneshot, watch};

/// Makes the report of an asset that is attached: on this paper, by the person named.
pub type Attach = Arc<dyn Fn(&str, Paper, Option<&str>) -> Result<Vec<u8>, String> + Send + Sync>;

/// Waits after failures in a row: from some seconds, so that a server that restarts is met soon, to some minutes.
const FIRST_WAIT: Duration = Duration::from_secs(4);
const LONGEST_WAIT: Duration = Duration::from_secs(300);
/// Nothing may be due for longer than this without a look: clocks are set, machines sleep.
const LOOK_EVERY: Duration = Duration::from_secs(300);
/// The same trouble is logged again only after this time.
const REPEAT_TROUBLE_LOG: Duration = Duration::from_secs(600);
/// A day and a little: what ended since the digest before.
const DIGEST_SPAN_MICROS: i64 = 25 * 3600 * 1_000_000;

/// Everything the sender needs.
pub struct Sender {
    /// Settings.
    pub mail: Mail,
    /// Site name.
    pub site: String,
    /// The site's zone.
    pub zone: TimeZone,
    /// Units of the values people read.
    pub units: Units,
    /// Reads what waits and whom was told.
    pub store: Arc<Mutex<Connection>>,
    /// Told when something waits.
    pub changed: Arc<Notify>,
    /// To the keeper, which alone writes. Full: the sender waits.
    pub orders: mpsc::Sender<Order>,
    /// Recovery is over.
    pub recovered: watch::Receiver<bool>,
    /// Makes the report.
    pub attach: Option<Attach>,
    /// Counters.
    pub status: Arc<Status>,
    /// Our clock.
    pub now: fn() -> EventTime,
}

/// Why a round ends early.
pub(super) enum Stop {
    /// The server does not take mail now.
    Trouble(String),
    /// The daemon ends.
    Gone,
}

pub(super) struct Running {
    pub(super) sender: Sender,
    pub(super) transport: Transport,
}

impl Sender {
    /// Sends until the keeper is gone.
    pub async fn run(self) {
        let transport = match Transport::new(&self.mail) {
            Ok(transport) => transport,
            Err(why) => {
                tracing::error!("mail: no mail is sent, since TLS cannot be set up: {why}");
                return;
            }
        };
        let mut recovered = self.recovered.clone();
        if recovered.wait_for(|recovered| *recovered).await.is_err() {
            return;
        }
        let mut backoff = Backoff::new(FIRST_WAIT, LONGEST_WAIT, &self.mail.server);
        let changed = self.changed.clone();
        let mut running = Running { sender: self, transport };
        let mut trouble: Option<(String, Instant)> = None;
        if running.begin_digests().await.is_err() {
            return;
        }
        loop {
            match running.round().await {
                Ok(next) => {
                    if trouble.take().is_some() {
                        tracing::warn!(server = running.sender.mail.server, "mail is taken again");
                        backoff = Backoff::new(FIRST_WAIT, LONGEST_WAIT, &running.sender.mail.server);
                    }
                    tokio::select! {
                        () = changed.notified() => {}
                        () = tokio::time::sleep(next) => {}
                    }
                }
                Err(Stop::Gone) => return,
                Err(Stop::Trouble(why)) => {
                    running.sender.status.mail_failures.up();
                    let pause = backoff.failed(None);
                    let told = trouble.as_ref().is_some_and(|(w, at)| *w == why && at.elapsed() < REPEAT_TROUBLE_LOG);
                    if !told {
                        tracing::error!(
                            server = running.sender.mail.server,
                            "mail is not taken: {why}. It is tried again; what waits is kept"
                        );
                        trouble = Some((why, Instant::now()));
                    }
                    // What comes meanwhile waits too: a server in trouble is not helped by more knocking.
                    tokio::time::sleep(pause).await;
                }
            }
        }
    }
}

impl Running {
    /// Runs `read` on the connection, off the threads that must not wait for a disk.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        read: impl FnOnce(&Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, Stop> {
        let store = self.sender.store.clone();
        let done =
            tokio::task::spawn_blocking(move || read(&store.lock().unwrap_or_else(PoisonError::into_inner))).await;
        match done {
            Ok(Ok(found)) => Ok(found),
            Ok(Err(error)) => Err(Stop::Trouble(format!("state.db cannot be read: {error}"))),
            Err(_) => Err(Stop::Gone),
        }
    }

    /// Returns when it is on the disk.
    pub(super) async fn write(&self, done: MailDone) -> Result<(), Stop> {
        let (answer, written) = oneshot::channel();
        self.sender.orders.send(Order::Mailed(done, answer)).await.map_err(|_| Stop::Gone)?;
        written.await.map_err(|_| Stop::Gone)
    }

    fn now(&self) -> Timestamp {
        Timestamp::from_microsecond((self.sender.now)().0).unwrap_or(Timestamp::UNIX_EPOCH)
    }

    /// Sends all that is due; gives the time to the next.
    async fn round(&mut self) -> Result<Duration, Stop> {
        let mut next = self.now() + LOOK_EVERY;
        let mut after = 0;
        loop {
            let page = self.read(move |store| read_waiting(store, after, 1)).await?;
            let Some(waiting) = page.into_iter().next() else { break };
            after = waiting.number;
            if let Some(held) = self.row(waiting).await? {
                next = next.min(held);
            }
        }
        self.reports().await?;
        let waiting = self.read(waiting_count).await?;
        self.sender.status.mail_waiting.set(waiting);
        if let Some(at) = self.digests().await? {
            next = next.min(at);
        }
        let wait = next.duration_since(self.now());
        Ok(Duration::try_from(wait).unwrap_or_default().max(Duration::from_millis(100)))
    }

    /// Tells of one transition; gives the earliest time somebody is held back to.
    async fn row(&mut self, waiting: WaitingMail) -> Result<Option<Timestamp>, Stop> {
        let number = waiting.number;
        let gone = |done: MailDone| MailDone { done: vec![number], ..done };
        let Some(alert) = waiting.alert else {
            tracing::warn!("mail: an alert that waited cannot be read any more, nobody is told of it");
            self.write(gone(MailDone::default())).await?;
            return Ok(None);
        };
        let (id, raised) = (alert.id.clone(), alert.raised_at.0);
        // As it stands now, which may be better, worse or over.
        let newest = self.read(move |store| read_newest(store, &id, raised)).await?.unwrap_or(alert);
        if is_held_back(newest.state) {
            // It waits again when that ends.
            self.write(gone(MailDone::default())).await?;
            return Ok(None);
        }
        let plate = self.plate(&newest.asset).await?;
        let place = Place::from(&plate);
        let severity = newest.worst;
        let people = recipients(&self.sender.mail.rules, &place, severity, self.now(), &self.sender.zone);
        let mut held = None;
        let mut pdf: Option<Option<Vec<u8>>> = None;
        for due in people {
            let to = address(&due.to);
            let (id, reader) = (newest.id.clone(), to.clone());
            let told = self.read(move |store| read_told(store, &id, raised, &reader)).await?;
            if told.is_some_and(|told| told >= rank(severity)) {
                continue;
            }
            if let Some(until) = due.not_before {
                held = Some(held.map_or(until, |known: Timestamp| known.min(until)));
                continue;
            }
            if pdf.is_none() {
                pdf = Some(self.report(&newest.asset).await);
            }
            self.tell(&newest, severity, &plate, &due.to, pdf.clone().flatten()).await?;
            let told = Told {
                id: newest.id.clone(),
                raised,
                address: to,
                severity: rank(severity),
                at: (self.sender.now)().0,
            };
            self.write(MailDone { told: vec![told], ..MailDone::default() }).await?;
        }
        if held.is_none() {
            self.write(gone(MailDone::default())).await?;
        }
        Ok(held)
    }

    /// What is known of it; an area or class that is not fits no rule that asks for one.
    async fn plate(&self, asset: &str) -> Result<Plate, Stop> {
        let name = asset.to_owned();
        self.read(move |store| read_plate(store, &name)).await
    }

    /// A report that cannot be made holds up no mail.
    async fn report(&self, asset: &str) -> Option<Vec<u8>> {
        self.sender.attach.as_ref()?;
        let paper = self.sender.mail.report?;
        match self.made(asset, paper, None).await {
            Ok(pdf) => Some(pdf),
            Err(why) => {
                tracing::warn!(asset, "mail: goes without its report: {why}");
                None
            }
        }
    }

    /// The report as a PDF, or why there is none. `by`: who asked for it.
    pub(super) async fn made(&self, asset: &str, paper: Paper, by: Option<&str>) -> Result<Vec<u8>, String> {
        let Some(attach) = self.sender.attach.clone() else { return Err("nothing here makes reports".into()) };
        let (name, by) = (asset.to_owned(), by.map(str::to_owned));
        match tokio::task::spawn_blocking(move || attach(&name, paper, by.as_deref())).await {
            Ok(made) => made,
            Err(error) => {
                tracing::error!(asset, %error, "a report could not be made; this is a fault of roundsman");
                Err(error.to_string())
            }
        }
    }

    async fn tell(
        &self,
        alert: &Alert,
        severity: Severity,
        plate: &Plate,
        to: &Mailbox,
        pdf: Option<Vec<u8>>,
    ) -> Result<(), Stop> {
        let frame = self.frame(to);
        let thread = format!("{} {} {}", alert.id, alert.raised_at.0, address(to));
        let key = format!("{thread} {}", rank(severity));
        let text = letter::text(alert, severity, plate, &frame);
        let pdf = pdf.map(|pdf| (format!("report-{}.pdf", letter::file_name(&alert.asset)), pdf));
        let subject = letter::subject(alert, severity, plate, &frame);
        self.send(&frame, subject, text, (&key, &thread), pdf).await
    }

    pub(super) fn frame<'a>(&'a self, to: &'a Mailbox) -> Frame<'a> {
        let Sender { mail, site, zone, units, .. } = &self.sender;
        Frame { from: &mail.from, to, site, audience: Audience { units: *units, zone }, page: mail.page.as_deref() }
    }

    /// Hands it over. What the server will never take counts as told, so that it holds up nothing else.
    async fn send(
        &self,
        frame: &Frame<'_>,
        subject: String,
        text: String,
        (key, thread): (&str, &str),
        pdf: Option<(String, Vec<u8>)>,
    ) -> Result<(), Stop> {
        let attached = pdf.is_some();
        let build = |pdf| letter::message(frame, subject.clone(), text.clone(), key, thread, pdf);
        let never = |why: &str| {
            self.sender.status.mail_refused.up();
            tracing::error!(to = %frame.to.email, "mail: {why}. It is not tried again; the alert stands in the alerts table");
        };
        let message = match build(pdf) {
            Ok(message) => message,
            Err(error) => {
                never(&error.to_string());
                return Ok(());
            }
        };
        let mut outcome = self.transport.send(message).await;
        if let (Outcome::TooLarge(why), true) = (&outcome, attached) {
            tracing::warn!(to = %frame.to.email, "mail: too large for the server, goes without its report: {why}");
            if let Ok(message) = build(None) {
                outcome = self.transport.send(message).await;
            }
        }
        match outcome {
            Outcome::Taken => self.sender.status.mail_sent.up(),
            Outcome::Refused(why) | Outcome::TooLarge(why) => never(&format!("the server refuses it: {why}")),
            Outcome::Later(why) => return Err(Stop::Trouble(why)),
        }
        Ok(())
    }

    /// Whoever is to get digests, each once.
    fn readers(&self) -> Vec<Mailbox> {
        let mut readers: Vec<Mailbox> = Vec::new();
        for person in self.sender.mail.rules.iter().filter(|rule| rule.digest).flat_map(|rule| &rule.people) {
            if !readers.iter().any(|known| address(known) == address(person)) {
                readers.push(person.clone());
            }
        }
        readers
    }

    /// A reader who is new gets the first one when its hour comes, and not at the start of the daemon.
    async fn begin_digests(&self) -> Result<(), Stop> {
        let Some(at) = self.sender.mail.digest_at else { return Ok(()) };
        let Some(day) = digest::day_due(at, self.now(), &self.sender.zone) else { return Ok(()) };
        for reader in self.readers() {
            let reader = address(&reader);
            let asked = reader.clone();
            match self.read(move |store| read_digest_day(store, &asked)).await {
                Ok(None) => {
                    self.write(MailDone { digests: vec![(reader, day.to_string())], ..MailDone::default() }).await?;
                }
                Ok(Some(_)) | Err(Stop::Trouble(_)) => {}
                Err(Stop::Gone) => return Err(Stop::Gone),
            }
        }
        Ok(())
    }

    /// Sends the digests that are due; gives the time of the next.
    async fn digests(&self) -> Result<Option<Timestamp>, Stop> {
        let Some(at) = self.sender.mail.digest_at else { return Ok(None) };
        let now = self.now();
        let Some(day) = digest::day_due(at, now, &self.sender.zone).map(|day| day.to_string()) else { return Ok(None) };
        let mut episodes: Option<Vec<Alert>> = None;
        let mut plates: HashMap<String, Plate> = HashMap::new();
        for reader in self.readers() {
            let name = address(&reader);
            let asked = name.clone();
            // The days sort as their text does.
            if self.read(move |store| read_digest_day(store, &asked)).await?.is_some_and(|last| last >= day) {
                continue;
            }
            if episodes.is_none() {
                let since = now.as_microsecond() - DIGEST_SPAN_MICROS;
                let found = self.read(move |store| read_episodes(store, since, digest::MOST as u32)).await?;
                for alert in &found {
                    if !plates.contains_key(&alert.asset) {
                        plates.insert(alert.asset.clone(), self.plate(&alert.asset).await?);
                    }
                }
                episodes = Some(found);
            }
            let all = episodes.as_deref().unwrap_or_default();
            let place = |asset: &str| plates.get(asset).map(Place::from).unwrap_or_default();
            let theirs = digest::of_reader(all, &self.sender.mail.rules, &name, &place);
            let frame = self.frame(&reader);
            let text = digest::text(&theirs, &plates, (self.sender.now)(), &frame);
            let (key, thread) = (format!("digest {day} {name}"), format!("digest {name}"));
            self.send(&frame, digest::subject(&theirs, &frame), text, (&key, &thread), None).await?;
            self.write(MailDone { digests: vec![(name, day.clone())], ..MailDone::default() }).await?;
        }
        Ok(digest::next(at, now, &self.sender.zone))
    }
}
