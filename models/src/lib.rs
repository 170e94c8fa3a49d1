//! Pure numerics of roundsman: no clock, file, network, thread or printing.
//!
//! The modules are the processing blocks of ISO 13374 in the order data passes them:
//! [`manipulate`] → [`detect`] → [`assess`] → [`prognose`]; [`evaluate`] judges them afterwards. Every
//! state here is small plain data that
//! serialises; the same states fed the same readings give the same results to the last bit.
//!
//! Units: times are [`EventTime`] (microseconds since 1970-01-01 UTC), durations are seconds unless a name
//! says otherwise, scores are in standard deviations of the baseline.

pub mod assess;
pub mod detect;
pub mod evaluate;
pub mod manipulate;
pub mod param;
pub mod prognose;
pub mod reading;

pub use param::ParamFault;
pub use reading::{EventTime, Reading};
