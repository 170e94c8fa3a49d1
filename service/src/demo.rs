//! `roundsman demo`: a simulated plant, a broker and the daemon in one process.
//!
//! ```text
//! recording ─ player ─┐                        ┌─ daemon (as `run` starts it) ─┐
//!                     └─ MQTT, broker inside ──┤                               │
//!                        screen ─ listener ────┴────────── alerts ─────────────┘
//! ```
//!
//! Nothing is short-circuited: what is printed went through the broker, the journal, the engine, the outbox and the
//! broker again. Only remaining-life statements are taken at their source; `demo/tap.rs` says why. The demo ends with exit
//! code 0 whatever the verdict is; a code above 0 means that it could not be played.

mod table;
mod truth;
mod verdict;

pub use truth::{About, Machine, Outage, Planted, Reaches};
pub use verdict::{Judged, Said, Verdict, judge};

#[cfg(feature = "demo-broker")]
mod broker;
#[cfg(feature = "demo-broker")]
mod data;
#[cfg(feature = "demo-broker")]
mod links;
#[cfg(feature = "demo-broker")]
mod page;
#[cfg(feature = "demo-broker")]
mod play;
#[cfg(feature = "demo-broker")]
mod screen;
#[cfg(feature = "demo-broker")]
mod tap;

#[cfg(feature = "demo-broker")]
pub use play::{Outcome, play};

use crate::cli::DemoArgs;
use crate::error::Error;

/// Plays the simulated plant and prints what is found.
///
/// # Errors
/// Whatever keeps it from ending by itself.
#[cfg(feature = "demo-broker")]
pub fn run(args: &DemoArgs) -> Result<(), Error> {
    let outcome = play(args)?;
    println_or_gone(&outcome.to_string());
    Ok(())
}

/// Says that it cannot.
///
/// # Errors
/// Always: this build has no broker inside.
#[cfg(not(feature = "demo-broker"))]
pub fn run(_args: &DemoArgs) -> Result<(), Error> {
    let message = "this build has no broker inside and cannot play the demo: build it with the feature `demo-broker`";
    Err(Error::new(crate::error::Fault::Usage, message))
}

/// A reader that has gone (`roundsman demo | head`) is no fault of anybody's.
#[cfg(feature = "demo-broker")]
fn println_or_gone(text: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stdout(), "{text}");
}
