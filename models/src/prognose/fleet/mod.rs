//! Memory of the fleet: machines of one class that were followed to their end say how long the next one has.
//!
//! 1. [`case`]: one past machine as evenly spaced rows of levels, up to its end;
//! 2. `index`: many points → one wear index, the linear combination that told best how much life was left;
//! 3. [`similar`]: the stretch behind us against every stretch of every past case → the lives that followed them, weighted
//!    by likeness, and whether this machine is like any of them at all;
//! 4. [`growth`]: too few cases for that → at which level of the index they ended and how fast it grew, for the machine's
//!    own trend.
//!
//! Everything learned is calibrated by leaving each case out in turn. A class with fewer than [`FEWEST_CASES`] cases gets
//! nothing from here; one with fewer than [`FEWEST_SIMILAR`] only 4.

pub mod case;
pub mod growth;
mod index;
pub mod similar;

pub use case::{Case, CaseFault};
pub use growth::Growth;
pub use similar::{Fleet, FleetLife, NoFleet};

/// Fewer past cases than this say nothing: two ends do not make a distribution.
pub const FEWEST_CASES: usize = 3;
/// Fewer than this are not compared by likeness.
pub const FEWEST_SIMILAR: usize = 8;
