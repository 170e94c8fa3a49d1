//! Hypotheses and the evidence for and against them.

use super::advice::Fault;
use super::picture::{Axis, Line};
use serde::{Deserialize, Serialize};

/// One sign, seen or missed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// In words.
    pub text: String,
    /// Where it was seen.
    pub axis: Option<Axis>,
    /// The line it is about.
    pub line: Option<Line>,
}

/// One explanation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Hypothesis {
    /// Of what.
    pub fault: Fault,
    /// 0 to 1; a score, not a probability.
    pub confidence: f64,
    /// What speaks for it.
    pub support: Vec<Evidence>,
    /// What speaks against it.
    pub against: Vec<Evidence>,
}

/// What it amounts to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The vibration neither changed nor is high.
    Nothing,
    /// The first hypothesis is strong enough.
    Likely(Fault),
    /// It changed, or it is high, and no hypothesis is strong enough.
    UnknownChange,
}

/// The answer with all hypotheses that have anything for them, best first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Diagnosis {
    /// What it amounts to.
    pub answer: Answer,
    /// Best first.
    pub hypotheses: Vec<Hypothesis>,
}

/// Adds up the signs of one hypothesis.
#[derive(Debug)]
pub(super) struct Scoring {
    fault: Fault,
    possible: f64,
    reached: f64,
    support: Vec<Evidence>,
    against: Vec<Evidence>,
}

impl Scoring {
    pub(super) fn of(fault: Fault) -> Self {
        Self { fault, possible: 0.0, reached: 0.0, support: Vec::new(), against: Vec::new() }
    }

    /// A sign of some weight: seen, missed, or (`None`) not to be judged.
    pub(super) fn sign(
        &mut self,
        weight: f64,
        seen: Option<bool>,
        text: impl Into<String>,
        line: Option<(Axis, Line)>,
    ) {
        let Some(seen) = seen else { return };
        self.possible += weight;
        let evidence = Evidence { text: text.into(), axis: line.map(|l| l.0), line: line.map(|l| l.1) };
        if seen {
            self.reached += weight;
            self.support.push(evidence);
        } else {
            self.against.push(Evidence { text: format!("not seen: {}", evidence.text), ..evidence });
        }
    }

    /// Something that speaks against it and takes weight away.
    pub(super) fn contradiction(
        &mut self,
        weight: f64,
        seen: bool,
        text: impl Into<String>,
        line: Option<(Axis, Line)>,
    ) {
        if seen {
            self.reached -= weight;
            self.against.push(Evidence { text: text.into(), axis: line.map(|l| l.0), line: line.map(|l| l.1) });
        }
    }

    /// The hypothesis, when its first and decisive sign was seen.
    pub(super) fn finish(self, decisive: bool) -> Option<Hypothesis> {
        if !(decisive && self.possible > 0.0) {
            return None;
        }
        let confidence = (self.reached / self.possible).clamp(0.0, 1.0);
        Some(Hypothesis { fault: self.fault, confidence, support: self.support, against: self.against })
    }
}
