//! Ourselves as a Sparkplug B edge node: each asset is a device, so SCADA and historians take our word like any sensor's.
//!
//! The [board](crate::board) has the newest word on every asset, [`metrics`] turns it into metrics, [`speak`] is the
//! connection, [`backlog`] is what it says later when nobody could hear it. Off unless `[sparkplug.publish]` names group and
//! node. Between two readings of the board only the newest word counts, nothing waits for it, and alerts in full go the way
//! of the outbox as ever.

mod backlog;
mod catching_up;
mod metrics;
pub mod speak;
#[cfg(test)]
mod tests;

pub use speak::EdgeNode;
