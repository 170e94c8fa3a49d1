//! `roundsman run`: the checked configuration → the daemon's parts.

use crate::acquire::AssetId;
use crate::acquire::mqtt::{BrokerSettings, Clock, Credentials, Version};
use crate::acquire::plant::Plant;
use crate::advise::publish::Documents;
use crate::advise::published::Published;
use crate::advise::topics::Topics;
use crate::app::{self, AppError, Ended, Parts, RunSettings};
use crate::config::{Checked, Protocol};
use crate::engine::{Engine, Event, Output};
use crate::error::{Error, Fault};
use crate::intake::Machine;
use crate::status::Status;
use std::future::Future;
use std::sync::Arc;

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
}

/// The daemon's settings from the configuration's.
pub fn settings(config: &Checked, topics: &Topics) -> Result<RunSettings, AppError> {
    let Some(broker) = &config.broker else {
        return Err(AppError::Settings(vec!["broker: the file has no [broker] table; `run` needs one".into()]));
    };
    let mut filters = crate::acquire::topics::filters(&config.topics);
    if config.publish.commands {
        filters.push(topics.command_filter());
    }
    let broker = BrokerSettings {
        host: broker.host.clone(),
        port: broker.port,
        version: match broker.protocol {
            Protocol::V3 => Version::V3,
            Protocol::V5 => Version::V5,
        },
        client_id: broker.client_id.clone(),
        credentials: broker
            .username
            .clone()
            .map(|user| Credentials { user, password: broker.password.clone().unwrap_or_default() }),
        filters,
        keep_alive_secs: broker.keep_alive_secs,
        session_expiry_secs: broker.session_expiry_secs,
        receive_maximum: broker.receive_maximum,
        max_packet_bytes: broker.max_packet_bytes,
        clock: if broker.stream_clock { Clock::Stream } else { Clock::Wall },
        ..BrokerSettings::default()
    };
    Ok(RunSettings { broker, state_dir: config.state.dir.clone(), ..RunSettings::default() })
}

/// Where this site publishes.
pub fn topics(config: &Checked) -> Result<Topics, AppError> {
    let template = format!("{}/{{site}}/{{asset}}", config.publish.prefix);
    let topics = Topics::new(&template, &config.site.name).and_then(|topics| match &config.publish.capture_topic {
        Some(template) => topics.with_captures_to(template, &config.site.name),
        None => Ok(topics),
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
    let now = settings.now;
    let documents = Published { topics: topics(config)?, site: config.site.name.clone(), now, since: now() };
    daemon_with(config, settings, Arc::new(documents), status, stop).await
}

/// The same with somebody else's wording, who so hears everything that is published.
pub async fn daemon_with(
    config: &Checked,
    settings: RunSettings,
    documents: Arc<dyn Documents>,
    status: Arc<Status>,
    stop: impl Future<Output = ()>,
) -> Result<Ended, AppError> {
    let site = config.site.name.clone();
    let parts =
        Parts { edge: Plant::new(config, topics(config)?), machine: |_| Engine::new(&site, true), documents, status };
    app::run(settings, parts, stop).await
}

/// `roundsman run`: until the service manager or a terminal says stop.
///
/// # Errors
/// Settings that cannot work, a state directory that cannot be used, or a part that failed.
pub fn run(config: &Checked) -> Result<(), Error> {
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| Error::new(Fault::Internal, "cannot start the runtime").because(error))?;
    runtime.block_on(async {
        let settings = settings(config, &topics(config)?)?;
        let stop = app::stop_signal()
            .map_err(|error| Error::new(Fault::Internal, "cannot watch for signals").because(error))?;
        daemon(config, settings, Arc::new(Status::default()), stop).await?;
        Ok(())
    })
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
