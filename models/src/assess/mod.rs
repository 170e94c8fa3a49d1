//! Health assessment (ISO 13374 block 4): zones and scores → one rating of the asset; spectra → likely fault.

pub mod bearing;
pub mod health;
pub mod likely_fault;
pub mod rating_life;
pub mod shaft_speed;
