//! Advisory generation (ISO 13374 block 6): what is said, to whom it reads on its own.

pub mod document;
