//! `roundsman check`: what a configuration amounts to, and what the topics heard map to.

mod listen;
mod mapping;
mod outlets;
mod propose;
mod summary;

pub use listen::{Heard, Listened, hear, listen};
pub use mapping::{MappingTable, Seen, mapping_table};
pub use propose::{Place, Proposal, propose};
pub use summary::Summary;

use crate::cli::CheckArgs;
use crate::config::effective::InEffect;
use crate::config::{self, Checked};
use crate::error::{Error, Fault};
use std::io::Write;
use std::path::Path;
use std::time::Duration;

/// Loads the configuration as `run` does; with `--broker` alone one that holds nothing else.
///
/// # Errors
/// Every fault of it, in one error.
pub fn load(args: &CheckArgs) -> Result<Checked, Error> {
    let mut set = args.set.clone();
    // Before the others, which are stronger.
    set.splice(0..0, args.broker.iter().map(|url| format!("broker.url={url}")));
    let sources = config::Sources {
        file: args.config.as_deref(),
        env: config::environment(),
        set: &set,
        zones: config::zone_names(),
        needs_broker: true,
    };
    // What a configuration must have and nobody needs who only listens.
    const BARE: &str = "[site]\nname = \"site\"\n[[topics]]\npattern = \"{asset}/{point}\"\n";
    match args.config {
        Some(_) => config::load(&sources),
        None => config::from_text(Some(BARE), &sources),
    }
    .map_err(|faults| Error::config(&faults))
}

/// Every value in effect with its origin.
///
/// # Errors
/// Every fault of the configuration, in one error.
pub fn effective(args: &CheckArgs) -> Result<Vec<InEffect>, Error> {
    let sources = config::Sources {
        file: args.config.as_deref(),
        env: config::environment(),
        set: &args.set,
        zones: config::zone_names(),
        needs_broker: true,
    };
    config::effective::effective(&sources).map_err(|faults| Error::config(&faults))
}

/// Listens for `time` to everything the account may read, or to `--filter`, and proposes a configuration.
///
/// # Errors
/// The broker cannot be reached, or nothing usable came.
pub fn proposal(args: &CheckArgs, time: Duration) -> Result<Proposal, Error> {
    let said = |set: &String| set.trim_start().starts_with("broker.protocol");
    match proposal_from(&load(args)?, args, time) {
        // A broker of MQTT 3.1.1 ends the connection of a client that speaks 5, as a rule without a word.
        Err(error) if error.fault() == Fault::Broker && args.config.is_none() && !args.set.iter().any(said) => {
            let mut older = args.clone();
            older.set.push("broker.protocol=3".to_owned());
            proposal_from(&load(&older)?, &older, time).map_err(|_| error)
        }
        other => other,
    }
}

fn proposal_from(config: &Checked, args: &CheckArgs, time: Duration) -> Result<Proposal, Error> {
    let Some(broker) = &config.broker else { return Err(Error::new(Fault::Config, "broker.url: is needed")) };
    let everything = ["#".to_owned()];
    let filters = if args.filter.is_empty() { &everything[..] } else { &args.filter };
    let heard = hear(config, filters, time)?;
    if let Some((filter, why)) = heard.refused.first() {
        return Err(Error::new(Fault::Broker, format!("the broker refuses {filter}: {why}; look at its access rules")));
    }
    let place = Place::of(broker, &config.publish.prefix);
    propose(&heard.seen, &place, heard.time.as_secs_f64()).map_err(|faults| Error::config(&faults))
}

/// Writes a proposal, never over a file that is there: somebody may have edited it.
///
/// # Errors
/// It is there, or cannot be written.
pub fn write_new(path: &Path, text: &str) -> Result<(), Error> {
    std::fs::File::create_new(path).and_then(|mut file| file.write_all(text.as_bytes())).map_err(|error| {
        let hint =
            if error.kind() == std::io::ErrorKind::AlreadyExists { "; name another, or take it away" } else { "" };
        Error::new(Fault::Io, format!("cannot write {}{hint}", path.display())).because(error)
    })
}
