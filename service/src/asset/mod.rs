//! All we know of one asset.

pub mod settings;
pub mod spec;
