//! The page of the demo: the daemon's own, with one visitor who may act and a password made for this time only.

use crate::app::RunSettings;
use crate::config::Checked;
use crate::config::http::DEFAULT_PORT;
use crate::config::people::{Role, User};
use crate::config::secret::Secret;
use crate::error::{Error, Fault};
use crate::run;
use crate::status::Status;
use crate::web::{self, passwords, sessions};
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinHandle;

/// Open, and nothing served yet.
pub(super) struct Page {
    listener: TcpListener,
    /// Where it is.
    pub(super) address: SocketAddr,
    /// Who may act.
    pub(super) name: &'static str,
    /// Their password.
    pub(super) password: String,
    visitor: User,
}

impl Page {
    /// Opens it. People look without signing in, as on any machine of one's own where nobody says else.
    pub(super) async fn open(config: &mut Checked, port: Option<u16>) -> Result<Self, Error> {
        let at = |port| web::bind(SocketAddr::from((Ipv4Addr::LOCALHOST, port)));
        let listener = match port {
            Some(port) => at(port).await,
            None => match at(DEFAULT_PORT).await {
                Ok(listener) => Ok(listener),
                Err(_) => at(0).await,
            },
        };
        let listener = listener.map_err(|error| {
            let wanted = port.map_or("a free port".to_owned(), |port| format!("port {port}"));
            Error::new(Fault::Io, format!("the demo's page cannot have {wanted} of 127.0.0.1")).because(error)
        })?;
        let random = |error| Error::new(Fault::Internal, "the system gives no random numbers").because(error);
        let password = sessions::random_name::<8>().map_err(random)?;
        let hash = passwords::hash(&password).map_err(|why| Error::new(Fault::Internal, why))?;
        let name = "visitor";
        let visitor = User { name: name.into(), role: Role::Act, hash: Secret::new(hash) };
        let address = listener.local_addr().map_err(|error| Error::new(Fault::Io, "no address").because(error))?;
        config.http.listen = Some(address);
        config.http.token = None;
        Ok(Self { listener, address, name, password, visitor })
    }

    /// Serves it until the task is ended.
    pub(super) fn serve(self, config: &Checked, settings: &RunSettings, status: &Arc<Status>) -> JoinHandle<()> {
        let mut shown = run::shown(config, settings, status);
        shown.simulated = true;
        shown.page.users = vec![self.visitor];
        shown.open = true;
        tokio::spawn(async move {
            let (_stop, stopped) = watch::channel(false);
            web::serve(self.listener, Arc::new(shown), stopped).await;
        })
    }
}
