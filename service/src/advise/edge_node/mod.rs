//! Ourselves as a Sparkplug B edge node: each asset is a device, so SCADA and historians take our word like any sensor's.
//!
//! [`board`] holds the newest word on every asset as the documents give it, [`metrics`] turns it into metrics,
//! [`speak`] is the connection. Off unless `[sparkplug.publish]` names group and node. What is said here is a state and not
//! a log: between two readings of the board only the newest word counts, nothing waits for it, and alerts in full go the
//! way of the outbox as ever.

pub mod board;
mod metrics;
pub mod speak;
#[cfg(test)]
mod tests;

pub use board::{Board, Tapped};
pub use speak::EdgeNode;
