//! From spectra to the likely fault: hypotheses scored by evidence, each with what supports and what contradicts it.
//!
//! Input: velocity spectra of up to three axes on the scale of shaft orders ([`Picture`]), what is known of the machine
//! ([`MachineFacts`]), the same axes at the last good capture when there is one, and the findings of envelope analysis.
//!
//! A hypothesis is a list of textbook signs with weights. Signs that cannot be judged (no axial sensor, number of blades
//! not known) leave the sum; the rest give a score from 0 to 1. One is named from 0.6 up, and only when the vibration
//! matters at all: it changed against the reference, or it is above a level that the caller states. Otherwise the answer
//! is that nothing was found, or that there is a change that nobody here can name.
//!
//! Scores order hypotheses; they are no probabilities. Different faults look alike at one bearing (imbalance, bent shaft
//! and resonance share 1×), so every answer comes with checks that tell them apart.
//! Source of the signs: common practice, as in vibration textbooks and ISO 13373-3 (from memory).

mod advice;
mod evidence;
mod picture;
mod rules;
mod scalars;

pub use advice::{Advice, Fault};
pub use evidence::{Answer, Diagnosis, Evidence, Hypothesis};
pub use picture::{Axis, AxisSpectrum, Line, MachineFacts, Picture};
pub use rules::{Case, diagnose};
pub use scalars::{ScalarSigns, from_scalars};
