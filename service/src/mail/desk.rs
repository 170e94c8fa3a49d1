//! Where the page hands in reports that are to be mailed. It waits until the wish is on the disk, and for no mail server.

use crate::keep::Order;
use crate::keep::report_mail::ReportAsked;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;
use tokio::sync::{mpsc, oneshot};

/// Wishes under way to the disk; more are sent back.
const ROOM: usize = 8;
/// Whoever hands one in waits so long.
const PATIENCE: Duration = Duration::from_secs(10);

/// A wish, answered when it is on the disk.
type Wish = (ReportAsked, oneshot::Sender<()>);

/// What became of a wish.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Taken {
    /// It is on the disk and will be sent.
    Kept,
    /// The disk has not said so yet.
    UnderWay,
    /// Nothing will come of it.
    Not(&'static str),
}

/// The desk.
pub struct Desk {
    into: mpsc::Sender<Wish>,
    /// Until the daemon takes it.
    out: Mutex<Option<mpsc::Receiver<Wish>>>,
}

impl Default for Desk {
    fn default() -> Self {
        let (into, out) = mpsc::channel(ROOM);
        Self { into, out: Mutex::new(Some(out)) }
    }
}

impl std::fmt::Debug for Desk {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Desk")
    }
}

/// The end wishes come out of.
#[derive(Debug)]
pub struct Behind(Option<mpsc::Receiver<Wish>>);

impl Desk {
    /// The end they come out of; of use to one daemon only.
    pub fn behind(&self) -> Behind {
        // A panic while it was held cannot leave it half taken.
        Behind(self.out.lock().unwrap_or_else(PoisonError::into_inner).take())
    }

    /// Hands one in.
    pub async fn give(&self, asked: ReportAsked) -> Taken {
        const STOPPING: &str = "the service is stopping";
        let (done, kept) = oneshot::channel();
        match self.into.try_send((asked, done)) {
            Ok(()) => {}
            Err(mpsc::error::TrySendError::Full(_)) => return Taken::Not("too many are handed in at once"),
            Err(mpsc::error::TrySendError::Closed(_)) => return Taken::Not(STOPPING),
        }
        match tokio::time::timeout(PATIENCE, kept).await {
            Ok(Ok(())) => Taken::Kept,
            Ok(Err(_)) => Taken::Not(STOPPING),
            Err(_) => Taken::UnderWay,
        }
    }
}

impl Behind {
    /// Passes them on to the keeper until it is gone.
    pub async fn pass_on(self, orders: mpsc::Sender<Order>) {
        let Some(mut out) = self.0 else { return };
        while let Some((asked, done)) = out.recv().await {
            if orders.send(Order::MailReport(asked, done)).await.is_err() {
                return;
            }
        }
    }
}
