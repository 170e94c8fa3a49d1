//! One past machine, from when it was watched until its end.

use crate::param::{ParamFault, positive};
use serde::{Deserialize, Serialize};
use std::fmt;

/// Most rows of a case; longer ones are given with longer steps.
pub const MOST_ROWS: usize = 512;

/// Rows of levels at even steps, the last one at the end of life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
pub struct Case {
    /// Which machine, for the reader.
    pub name: String,
    /// Time between rows, hours.
    pub step_hours: f64,
    /// Its age at the end, hours since it was new or overhauled; `None`: nobody knows.
    pub end_age_hours: Option<f64>,
    /// What was normal for each point when it was healthy, in the points' units; NaN where nobody knows.
    #[serde(with = "rows_or_nothing")]
    #[cfg_attr(feature = "schema", schemars(with = "Vec<Option<f64>>"))]
    pub normal: Vec<f64>,
    /// Row after row, one level per point; NaN where there was none.
    #[serde(with = "rows_or_nothing")]
    #[cfg_attr(feature = "schema", schemars(with = "Vec<Option<f64>>"))]
    pub levels: Vec<f64>,
}

/// Why a case cannot be learned from.
#[derive(Debug, Clone, PartialEq)]
pub enum CaseFault {
    /// A number is out of range.
    Param(ParamFault),
    /// Levels are not whole rows of as many points as `normal` has, or there are too few or too many rows.
    Shape {
        /// Points.
        points: usize,
        /// Levels given.
        levels: usize,
    },
}

impl fmt::Display for CaseFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Param(fault) => fault.fmt(f),
            Self::Shape { points, levels } => {
                write!(f, "levels: must be 12 to {MOST_ROWS} rows of {points} points, got {levels} values")
            }
        }
    }
}

impl Case {
    /// Points in a row.
    pub fn points(&self) -> usize {
        self.normal.len()
    }

    /// Rows.
    pub fn rows(&self) -> usize {
        self.levels.len() / self.normal.len().max(1)
    }

    /// The first thing wrong with it.
    pub fn check(&self) -> Result<(), CaseFault> {
        let age = self.end_age_hours.and_then(|age| positive("end_age_hours", age));
        let numbers = [positive("step_hours", self.step_hours), age];
        if let Some(fault) = numbers.into_iter().flatten().next() {
            return Err(CaseFault::Param(fault));
        }
        let (points, levels) = (self.points(), self.levels.len());
        let whole = points > 0 && levels.is_multiple_of(points) && (12..=MOST_ROWS).contains(&self.rows());
        if whole { Ok(()) } else { Err(CaseFault::Shape { points, levels }) }
    }
}

/// JSON has no NaN: a level that is not there is `null`.
mod rows_or_nothing {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(levels: &[f64], to: S) -> Result<S::Ok, S::Error> {
        let some: Vec<Option<f64>> = levels.iter().map(|v| v.is_finite().then_some(*v)).collect();
        some.serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<f64>, D::Error> {
        let some: Vec<Option<f64>> = Vec::deserialize(from)?;
        Ok(some.into_iter().map(|v| v.unwrap_or(f64::NAN)).collect())
    }
}
