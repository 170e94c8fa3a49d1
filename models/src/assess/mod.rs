//! Health assessment (ISO 13374 block 4): zones and scores → one rating of the asset.

pub mod health;
