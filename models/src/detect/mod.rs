//! State detection (ISO 13374 block 3): numbers → operating state, scores against its baseline, alarm state.

pub mod alarm;
pub mod arl;
pub mod autocorrelation;
pub mod baseline;
pub mod budget;
pub mod cusum;
mod day_cycle;
pub mod drift;
pub mod learned;
mod legendre;
pub mod limits;
mod mean_runs;
pub mod mixture;
#[cfg(test)]
mod noise;
pub mod operating_state;
pub mod pca;
pub mod regression;
pub mod running;
mod running_mean;
pub mod tail;
pub mod trend_test;
pub mod warm;
pub mod zones;
