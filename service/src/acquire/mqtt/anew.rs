//! Opening a connection anew after it failed.

use super::backoff::Backoff;
use super::link::LinkFault;
use super::settings::BrokerSettings;
use std::time::Instant;
use tokio::sync::watch;

/// For a connection without a session, which is opened anew after each failure: says the failure, once while it stays the
/// same, and waits.
pub struct Anew {
    who: &'static str,
    lost: &'static str,
    backoff: Backoff,
    last: Option<LinkFault>,
}

impl Anew {
    /// `who`: what the log calls it; `lost`: what its absence costs, behind the rest of the line.
    pub fn new(who: &'static str, lost: &'static str, broker: &BrokerSettings, client_id: &str) -> Self {
        Self { who, lost, backoff: Backoff::new(broker.backoff_first, broker.backoff_most, client_id), last: None }
    }

    /// After a failure of a connection that was up since `connected`; `false` when told to stop meanwhile.
    pub async fn wait(
        &mut self,
        fault: LinkFault,
        connected: Option<Instant>,
        stop: &mut watch::Receiver<bool>,
    ) -> bool {
        let pause = self.backoff.failed(connected.map(|since| since.elapsed()));
        if self.last.as_ref() != Some(&fault) {
            tracing::warn!("{}: {fault}; next try in {pause:.1?}{}", self.who, self.lost);
            self.last = Some(fault);
        }
        tokio::select! {
            () = tokio::time::sleep(pause) => true,
            // A stop signal that nobody can give any more counts as given.
            _ = stop.wait_for(|stop| *stop) => false,
        }
    }
}
