//! Data manipulation (ISO 13374 block 2): readings → rolling numbers and aligned snapshots.
//!
//! What every state here does with a value it cannot use, see [`usable()`]: nothing, and it says so.

pub mod align;
pub mod blocks;
pub mod cadence;
pub mod ewma;
pub mod moments;
pub mod quantiles;
pub mod rate;
pub mod remembered;
pub mod robust;
pub mod thin;
pub mod usable;
pub mod waveform;
pub mod window;

pub use align::{AlignParams, Aligner, CheckedAlign, Freshness, Repeats, SnapshotView, Verdict};
pub use ewma::{CheckedEwma, Ewma, EwmaParams};
pub use moments::Moments;
pub use quantiles::QuantileSketch;
pub use rate::{CheckedRate, RateOfChange, RateParams};
pub use thin::{CheckedThin, ThinParams, ThinnedRows};
pub use usable::usable;
pub use window::{Centre, CheckedWindow, RollingMedian, WindowParams};
