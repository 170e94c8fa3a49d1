//! `roundsman check`: what a configuration amounts to, and what the topics heard map to.

mod listen;
mod mapping;
mod summary;

pub use listen::{Heard, listen};
pub use mapping::{MappingTable, Seen, mapping_table};
pub use summary::Summary;

use crate::cli::CheckArgs;
use crate::config::{self, Checked};
use crate::error::Error;

/// Loads the configuration as `run` does.
///
/// # Errors
/// Every fault of it, in one error.
pub fn load(args: &CheckArgs) -> Result<Checked, Error> {
    let sources = config::Sources {
        file: Some(&args.config),
        env: config::environment(),
        set: &args.set,
        zones: config::zone_names(),
        needs_broker: true,
    };
    config::load(&sources).map_err(|faults| Error::config(&faults))
}
