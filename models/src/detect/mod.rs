//! State detection (ISO 13374 block 3): numbers → operating state, scores against its baseline, alarm state.
