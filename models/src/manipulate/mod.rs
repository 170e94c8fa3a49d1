//! Data manipulation (ISO 13374 block 2): readings → rolling numbers and aligned snapshots.

pub mod waveform;
