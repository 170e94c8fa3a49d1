//! Mail about alerts: one per episode and escalation to each who is to be told, and a digest each morning.
//!
//! ```text
//! keeper ─ mail_waiting (in the transaction that keeps the alert) ─┬─ sender ─┬─ SMTP server
//! page ─ desk ─ keeper ─ mail_reports ─────────────────────────────┘          └─ keeper: told, done
//! ```
//!
//! The sender is a task of its own that nobody waits for: a server that is down, slow or full holds up mail, and nothing else.
//! What was told is written down after the server has taken it, so that a crash between the two sends a mail twice rather than
//! never; both bear the same Message-ID.

pub mod desk;
mod digest;
pub mod due;
mod letter;
mod reports;
mod sender;
mod transport;

pub(crate) use letter::file_name;
pub use sender::{Attach, Sender};
