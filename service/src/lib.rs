//! The service around the models, its modules in the order data passes them.

pub mod acquire;
pub mod advise;
pub mod asset;
pub mod engine;
