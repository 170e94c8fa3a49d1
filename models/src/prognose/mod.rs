//! Prognostic assessment (ISO 13374 block 5): health over time → remaining life with an interval, or the reason there is none.
