//! Prognostic assessment (ISO 13374 block 5): health over time → remaining life with an interval, or the reason there is none.
//!
//! The way of a forecast, in the spirit of ISO 13381-1 (extrapolate the descriptor to the limit, with a confidence,
//! again at every update, and say when it is not valid):
//!
//! 1. `points`: block means → at most 64 clean, pooled points;
//! 2. [`degradation`]: points → what linear, exponential and slowing wear say about the level and its rate at the last point,
//!    each with its weight (onset, growth rate, autocorrelation of the noise and wander all being uncertain);
//! 3. [`first_passage`]: level, rate and their uncertainty → distribution of the time at which a limit is reached;
//! 4. [`remaining`]: the mixture of those distributions → P10, P50, P90 in hours, or a [`NoForecast`];
//!    or, where nobody knows the limit, [`course`]: how far the level has come since when → the same;
//! 5. [`track_record`]: what earlier statements came to → how much wider the next ones must be.
//!
//! Beside that stands [`fleet`]: past machines of the same class, followed to their end.

pub mod course;
pub mod degradation;
pub mod first_passage;
pub mod fleet;
mod points;
pub mod remaining;
pub mod track_record;
mod whiten;

pub use degradation::{Degradation, DegradationModel, GrowthPrior};
pub use remaining::{
    CheckedRemaining, Correction, Known, LevelDoubt, Milestone, NoForecast, RemainingLife, RemainingParams, Side,
    Target, TargetForecast, TimeToLimit, forecast, forecast_knowing, unknown_failure,
};
pub use track_record::TrackRecord;
