//! `roundsman run`: the checked configuration → the daemon's parts.

use crate::acquire::AssetId;
use crate::acquire::mqtt::reader::Reconfigured;
use crate::acquire::mqtt::{BrokerSettings, Clock, Credentials, Version};
use crate::acquire::plant::Plant;
use crate::acquire::sparkplug::host::HostSettings;
use crate::advise::publish::Documents;
use crate::advise::published::Published;
use crate::advise::topics::Topics;
use crate::app::{self, AppError, Ended, MailSettings, Parts, RunSettings};
use crate::config::{Checked, Protocol};
use crate::engine::{Engine, Event, Output};
use crate::error::{Error, Fault};
use crate::historian;
use crate::intake::Machine;
use crate::keep::AuditLimits;
use crate::status::Status;
use crate::vitals::Census;
use crate::web::passwords::Passwords;
use crate::web::sessions::Sessions;
use crate::web::{self, Shown};
use crate::{reload, service_manager};
use std::future::Future;
use std::sync::Arc;
use std::sync::atomic::Ordering::Relaxed;
use std::time::Duration;
use tokio::sync::{Semaphore, mpsc, watch};

impl Machine for Engine {
    fn step(&mut self, event: &Event, out: &mut Vec<Output>) {
        Engine::step(self, event, out);
    }

    fn save(&self) -> Vec<(AssetId, String, Vec<u8>)> {
        match Engine::save(self) {
            Ok(states) => states,
            Err(error) => {
                tracing::error!("the assets' states could not be put into bytes, the last saved ones stand: {error}");
                Vec::new()
            }
        }
    }

    fn restore(&mut self, asset: AssetId, _name: &str, saved: &[u8]) -> Result<(), String> {
        Engine::restore(self, asset, saved).map_err(|error| error.to_string())
    }

    fn release(&mut self, asset: AssetId) -> Option<Vec<u8>> {
        let released = Engine::release(self, asset)?;
        match postcard::to_stdvec(released.state()) {
            Ok(state) => Some(state),
            Err(error) => {
                tracing::error!(
                    "{}: its state could not be put into bytes, it learns anew: {error}",
                    released.spec().name
                );
                None
            }
        }
    }

    fn census(&self) -> Census {
        let mut census = Census::default();
        for asset in self.assets() {
            match asset.state().is_learning() {
                true => census.learning += 1,
                false => census.monitored += 1,
            }
        }
        census
    }
}

/// The daemon's settings from the configuration's.
pub fn settings(config: &Checked, topics: &Topics) -> Result<RunSettings, AppError> {
    let Some(broker) = &config.broker else {
        return Err(AppError::Settings(vec!["broker: the file has no [broker] table; `run` needs one".into()]));
    };
    let mut filters = crate::acquire::topics::filters(&config.topics);
    filters.extend(config.commands.iter().map(|permission| permission.filter(topics)));
    let broker = BrokerSettings {
        host: broker.host.clone(),
        port: broker.port,
        version: match broker.protocol {
            Protocol::V3 => Version::V3,
            Protocol::V5 => Version::V5,
        },
        client_id: broker.client_id.clone(),
        credentials: broker.username.clone().map(|user| Credentials {
            user,
            password: broker.password.as_ref().map_or_else(String::new, |p| p.reveal().into()),
        }),
        tls: broker.tls.clone(),
        filters,
        keep_alive_secs: broker.keep_alive_secs,
        session_expiry_secs: broker.session_expiry_secs,
        receive_maximum: broker.receive_maximum,
        max_packet_bytes: broker.max_packet_bytes,
        may_be_silent: config.sparkplug.listens(),
        clock: if broker.stream_clock { Clock::Stream } else { Clock::Wall },
        ..BrokerSettings::default()
    };
    Ok(RunSettings {
        broker,
        state_dir: config.state.dir.clone(),
        snapshot_every: config.state.snapshot_every,
        journal_keep: Duration::from_secs_f64(config.journal.keep_days * 86_400.0),
        journal_max_bytes: config.journal.max_size_mib << 20,
        stop_within: Duration::from_secs_f64(config.service.stop_within_secs),
        recorded: config.recorded.clone(),
        mail: config.mail.clone().map(|mail| {
            Arc::new(MailSettings {
                mail,
                site: config.site.name.clone(),
                zone: config.site.zone.clone().unwrap_or(jiff::tz::TimeZone::UTC),
                units: config.site.units,
                attach: Some(attach(config)),
            })
        }),
        past_cases: config.keep_histories_in.clone(),
        edge_node: config.sparkplug.publish.clone(),
        sparkplug: config
            .sparkplug
            .listens()
            .then(|| HostSettings { filters: config.sparkplug.filters(), host_id: config.sparkplug.host_id.clone() }),
        audit_limits: AuditLimits::new(config.audit.keep_days, config.audit.max_rows),
        historian: config.historian.clone().map(|to| historian::Settings::new(to, &config.site.name)),
        ..RunSettings::default()
    })
}

/// Makes the report that goes with a mail, from what is on the disk by then.
fn attach(config: &Checked) -> crate::mail::Attach {
    let (dir, asked) = (config.state.dir.clone(), crate::report::asked(Some(config), "roundsman, for a mail"));
    Arc::new(move |asset, paper, by| {
        let reader = crate::keep::read::Reader::open(&dir).map_err(|error| error.to_string())?;
        let mut asked = crate::report::Asked { now: app::wall_clock(), ..asked.clone() };
        if let Some(by) = by {
            by.clone_into(&mut asked.by);
        }
        crate::report::make(&reader, asset, paper, &asked).map_err(|error| error.to_string())
    })
}

/// Where this site publishes.
pub fn topics(config: &Checked) -> Result<Topics, AppError> {
    let topics = Topics::new(&config.publish.template(), &config.site.name).and_then(|topics| {
        match &config.publish.capture_topic {
            Some(template) => topics.with_captures_to(template, &config.site.name),
            None => Ok(topics),
        }
    });
    topics.map_err(|fault| AppError::Settings(vec![format!("publish.prefix: {} in {:?}", fault.rule, fault.topic)]))
}

/// Runs the daemon on this configuration until `stop` is ready. `status` is shared with whoever wants to look.
pub async fn daemon(
    config: &Checked,
    settings: RunSettings,
    status: Arc<Status>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError> {
    let documents = published(config, &settings)?;
    daemon_with(config, settings, documents, status, stop).await
}

fn published(config: &Checked, settings: &RunSettings) -> Result<Arc<dyn Documents>, AppError> {
    let now = settings.now;
    let cloud_events = config.publish.cloud_events;
    Ok(Arc::new(Published { topics: topics(config)?, site: config.site.name.clone(), now, since: now(), cloud_events }))
}

/// The same with somebody else's wording, who so hears everything that is published.
pub async fn daemon_with(
    config: &Checked,
    settings: RunSettings,
    documents: Arc<dyn Documents>,
    status: Arc<Status>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError> {
    let (_never, changes) = mpsc::channel(1);
    reconfigurable(config, settings, documents, status, changes, stop).await
}

async fn reconfigurable(
    config: &Checked,
    settings: RunSettings,
    documents: Arc<dyn Documents>,
    status: Arc<Status>,
    changes: mpsc::Receiver<Reconfigured>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError> {
    let site = config.site.name.clone();
    let parts =
        Parts { edge: Plant::new(config, topics(config)?), machine: |_| Engine::new(&site, true), documents, status };
    app::run_with_changes(settings, parts, changes, stop).await
}

/// `roundsman run`: until the service manager or a terminal says stop. `load` reads the configuration again.
///
/// # Errors
/// Settings that cannot work, a state directory that cannot be used, or a part that failed.
pub fn run(config: &Checked, load: impl Fn() -> Result<Checked, Error>) -> Result<(), Error> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| Error::new(Fault::Internal, "cannot start the runtime").because(error))?;
    runtime.block_on(async {
        let settings = settings(config, &topics(config)?)?;
        let no_signals = |error| Error::new(Fault::Internal, "cannot watch for signals").because(error);
        let stop = app::stop_signal().map_err(no_signals)?;
        let status = Arc::new(Status::default());
        let (quit, web_stop) = watch::channel(false);
        let web = listen(config, &settings, &status).await?;
        let web = web.map(|(listener, shown)| tokio::spawn(web::serve(listener, shown, web_stop)));
        let looks = tokio::spawn(service_manager::look_after(status.clone()));
        let documents = published(config, &settings)?;
        let (changes_in, changes) = mpsc::channel(1);
        let stopping = status.clone();
        let stop = async move {
            stop.await;
            stopping.vitals.stopping.store(true, Relaxed);
            service_manager::stopping();
        };
        let ended = tokio::select! {
            ended = reconfigurable(config, settings, documents, status, changes, stop) => ended.map_err(Error::from),
            never = reload::listen(config, load, changes_in) => match never {
                Ok(never) => match never {},
                Err(error) => Err(no_signals(error)),
            },
        };
        quit.send_replace(true);
        if let Some(web) = web {
            let _ = web.await;
        }
        looks.abort();
        ended.map(drop)
    })
}

/// Opens the HTTP listener, when one is wanted.
async fn listen(
    config: &Checked,
    settings: &RunSettings,
    status: &Arc<Status>,
) -> Result<Option<(tokio::net::TcpListener, Arc<Shown>)>, Error> {
    let Some(address) = config.http.listen else { return Ok(None) };
    let listener = match web::bind(address).await {
        Ok(listener) => listener,
        // Nobody chose this port, so nobody's plant shall stand still for it.
        Err(error) if !config.fingerprints.contains_key("http.listen") => {
            tracing::warn!(%address, %error, "no health page and no metrics: set http.listen to another address, or to \"off\"");
            return Ok(None);
        }
        Err(error) => {
            let what = format!("http.listen: cannot listen on {address}; set another address, or \"off\"");
            return Err(Error::new(Fault::Config, what).because(error));
        }
    };
    let address = listener.local_addr().unwrap_or(address);
    tracing::info!(%address, "health page and metrics: /healthz /readyz /metrics");
    Ok(Some((listener, Arc::new(shown(config, settings, status)))))
}

/// What the listener's routes look at.
pub fn shown(config: &Checked, settings: &RunSettings, status: &Arc<Status>) -> Shown {
    Shown {
        status: status.clone(),
        site: config.site.name.clone(),
        zone: config.site.zone.clone().unwrap_or(jiff::tz::TimeZone::UTC),
        units: config.site.units,
        simulated: false,
        state_dir: settings.state_dir.clone(),
        since: (settings.now)(),
        now: settings.now,
        http: config.http.clone(),
        page: config.page.clone(),
        sessions: Sessions::default(),
        passwords: Passwords::default(),
        // Whoever reaches the listener may look, where nobody is named who may; what is not on this machine has a token
        // or a proxy that asks.
        open: config.page.users.is_empty() && config.http.token.is_none(),
        by_stream: config.broker.as_ref().is_some_and(|broker| broker.stream_clock),
        streams: Arc::new(Semaphore::new(web::STREAMS)),
        mail_to: config.mail.as_ref().map(crate::config::mail::Mail::everybody).unwrap_or_default(),
        downloads: Arc::new(Semaphore::new(web::DOWNLOADS)),
    }
}

impl From<AppError> for Error {
    fn from(error: AppError) -> Self {
        let fault = match &error {
            AppError::Settings(_) => Fault::Config,
            AppError::Keep(_) | AppError::Thread(_) => Fault::Io,
            AppError::Part(_) => Fault::Internal,
        };
        Error::new(fault, error.to_string())
    }
}
