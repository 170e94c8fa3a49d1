//! Under work.
