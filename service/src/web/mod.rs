//! The HTTP listener: health and metrics for programs, the page for people.
//!
//! A route reads [`Status`], which the daemon's parts write with atomics and short locks of plain values; no route
//! touches the live state or waits for an engine. What a person does goes into the journal like every command, and from
//! there its usual way.
//!
//! | path | answers |
//! |---|---|
//! | `/healthz` | what is wrong, in sentences (JSON). 200 while it does its work, also degraded: a restart mends nothing then. 503 when a part hangs |
//! | `/readyz` | the same document. 200 once the journal is applied, the topics are subscribed and the disk takes data, else 503 |
//! | `/metrics` | Prometheus text format 0.0.4 |
//! | `/`, `/live` | all machines, most urgent first; the same live |
//! | `/machines/{asset}`, `…/trend.svg` … | what is going on with one machine: see [`machine`] |
//! | `/machines/{asset}/report.pdf`, `…/trends.csv` … | what can be taken along from there |
//! | `/machines/{asset}/act` | what can be done about one machine, and who did what |
//! | `/machines/{asset}/send` | mails its report to somebody of `[mail]` |
//! | `/watch` | whether the watch itself is all right |
//! | `/sign-in`, `/sign-out` | who comes in: see [`entrance`] |
//! | `/fixed/…` | style and script |

mod act;
pub mod entrance;
pub mod files;
mod first;
pub mod frame;
pub mod health;
pub mod host;
pub mod limited;
mod live;
mod machine;
pub mod metrics;
pub mod origin;
pub mod passwords;
mod probes;
pub mod reply;
mod send;
pub mod sessions;
mod sign_in;
pub mod urgency;
mod watch;
pub mod words;

use crate::advise::audience::Audience;
use crate::config::http::Http;
use crate::config::people::{Page, Units};
use crate::status::Status;
use axum::Router;
use axum::extract::connect_info::Connected;
use axum::extract::{DefaultBodyLimit, State};
use axum::http::StatusCode;
use axum::middleware;
use axum::response::Response;
use axum::routing::{get, post};
use axum::serve::IncomingStream;
use lettre::message::Mailbox;
pub use live::STREAMS;
pub use machine::DOWNLOADS;
use passwords::Passwords;
use roundsman_models::EventTime;
use sessions::Sessions;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use tokio::sync::Semaphore;
use tower_http::compression::CompressionLayer;

/// What the routes look at.
pub struct Shown {
    /// Counters and states.
    pub status: Arc<Status>,
    /// Site name.
    pub site: String,
    /// Zone of the times people read.
    pub zone: jiff::tz::TimeZone,
    /// Units of the values people read.
    pub units: Units,
    /// The data are made up, and the page says so.
    pub simulated: bool,
    /// Where the two databases lie.
    pub state_dir: PathBuf,
    /// When we started.
    pub since: EventTime,
    /// Our clock.
    pub now: fn() -> EventTime,
    /// Who is let in.
    pub http: Http,
    /// Who may sign in.
    pub page: Page,
    /// Who is signed in.
    pub sessions: Sessions,
    /// Verifies passwords.
    pub passwords: Passwords,
    /// Pages are shown to people who have not said who they are.
    pub open: bool,
    /// Time is the readings' alone, as in a recording that is played.
    pub by_stream: bool,
    /// Places for pages that are live.
    pub streams: Arc<Semaphore>,
    /// Whom a report can be mailed to; nobody without `[mail]`.
    pub mail_to: Vec<Mailbox>,
    /// Places for reports and tables that are being made.
    pub downloads: Arc<Semaphore>,
}

impl Shown {
    /// Who reads the pages.
    pub fn audience(&self) -> Audience<'_> {
        Audience { units: self.units, zone: &self.zone }
    }

    /// The time ages are counted to: the plant's, where only its readings move it; else ours.
    pub fn stream_now(&self) -> Option<EventTime> {
        if self.by_stream { self.status.vitals.stream_time.get() } else { Some((self.now)()) }
    }
}

/// Connections at a time. More wait: whoever opens them without end costs neither memory nor file descriptors that the
/// daemon's own files need.
const CONNECTIONS: usize = 64;

/// A form is a few lines; more is a mistake or an attack.
const LARGEST_BODY: usize = 16 * 1024;

/// All routes.
pub fn routes(shown: Arc<Shown>) -> Router {
    let pages = Router::new()
        .route("/", get(first::first))
        .route("/live", get(live::live))
        .merge(machine::routes())
        .route("/machines/{asset}/act", get(act::page).post(act::act))
        .route("/machines/{asset}/send", post(send::send))
        .route("/watch", get(watch::watch))
        .route("/sign-out", post(sign_in::sign_out))
        // Behind the door as well: a stranger does not learn what there is.
        .fallback(nowhere)
        .layer(middleware::from_fn_with_state(shown.clone(), entrance::let_in));
    let door = Router::new()
        .route("/sign-in", get(sign_in::form).post(sign_in::sign_in))
        .route("/fixed/{name}", get(files::serve));
    Router::new()
        .merge(pages)
        .merge(door)
        .layer(CompressionLayer::new())
        .layer(middleware::from_fn(entrance::headers))
        .merge(probes::routes(&shown))
        .layer(DefaultBodyLimit::max(LARGEST_BODY))
        .layer(middleware::from_fn_with_state(shown.clone(), entrance::meant_for_us))
        .with_state(shown)
}

async fn nowhere(State(shown): State<Arc<Shown>>) -> Response {
    reply::refused(&shown, StatusCode::NOT_FOUND, "There is no such page.")
}

/// The address a connection comes from.
#[derive(Debug, Clone, Copy)]
pub struct Peer(pub SocketAddr);

impl Connected<IncomingStream<'_, limited::Limited>> for Peer {
    fn connect_info(stream: IncomingStream<'_, limited::Limited>) -> Self {
        Self(*stream.remote_addr())
    }
}

/// Opens the listener. Apart from [`serve`], so that an address that cannot be had is said before anything starts.
///
/// # Errors
/// The address is in use or not ours.
pub async fn bind(listen: SocketAddr) -> std::io::Result<tokio::net::TcpListener> {
    tokio::net::TcpListener::bind(listen).await
}

/// Serves until `stop` turns true.
pub async fn serve(listener: tokio::net::TcpListener, shown: Arc<Shown>, mut stop: tokio::sync::watch::Receiver<bool>) {
    let listener = limited::Limited::new(listener, CONNECTIONS);
    let stopped = async move {
        // A sender that is gone has stopped as well.
        let _ = stop.wait_for(|stop| *stop).await;
    };
    let app = routes(shown).into_make_service_with_connect_info::<Peer>();
    tokio::select! {
        // Its accept loop waits and goes on after an error; it never ends by itself.
        result = axum::serve(listener, app).into_future() => {
            if let Err(error) = result {
                tracing::warn!(%error, "the HTTP listener ended");
            }
        }
        // Nobody waits for a reader that is slow.
        () = stopped => {}
    }
}
