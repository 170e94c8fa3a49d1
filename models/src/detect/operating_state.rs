//! Operating states of a running machine, learned from its operating variables (speed, load, current, power).
//!
//! Learning: each variable is put on its own scale (median and a robust spread with a floor, so that a fixed-speed
//! machine's speed does not split into states by its noise), then a Gaussian mixture is fitted and the number of
//! states chosen by BIC ([`super::mixture`]). Following: a snapshot belongs to the component most likely to have made
//! it; a change of state needs two snapshots in a row. A snapshot far from all components, in units of components no
//! narrower than a share of the learned range, is in no known state.
//!
//! State per asset: q ≤ 4 variables, k ≤ 6 components, under 1 KiB.

use super::autocorrelation;
use super::mixture::{Mixture, MixtureParams};
use crate::manipulate::robust;
use ndarray::Array2;
use serde::{Deserialize, Serialize};

/// At most this many operating variables form states; more would need more rows than a day gives.
pub const MAX_VARIABLES: usize = 4;

/// A snapshot farther than this from every component (Mahalanobis distance, components widened as in
/// [`StateMap::learn`]) is in no known state.
const NOVEL_DISTANCE: f64 = 5.0;

/// The narrowest a state may be, as a share of the variable's size: set-points move by a few per cent without
/// anybody calling it another way of running (common practice).
const LEAST_WIDTH: f64 = 0.03;

/// Scale of one operating variable.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Axis {
    center: f64,
    width: f64,
    low: f64,
    high: f64,
}

/// A variable whose successive values are correlated less than this jitters rather than being set: it forms no
/// states (ours; set-points of machines stand for many readings).
const LEAST_CORRELATION: f64 = 0.7;

/// The learned operating states of one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StateMap {
    axes: Vec<Axis>,
    /// The axes that form states.
    set: Vec<u8>,
    mixture: Option<Mixture>,
    /// States found after learning, by their centre on the axes' scale; their numbers follow the mixture's.
    added: Vec<Vec<f64>>,
}

/// Where a snapshot belongs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Place {
    /// A known state, numbered from 0.
    Known(u16),
    /// In no known state.
    Novel,
    /// An operating variable is missing: nothing can be said.
    Unknown,
}

impl StateMap {
    /// Learns the states from rows of operating variables (n × q, finite; rows with a missing value left out by the
    /// caller). No variable or hardly any rows give one state that contains everything.
    pub fn learn(rows: &[Vec<f64>], max_states: u32) -> Self {
        let q = rows.first().map_or(0, |r| r.len().min(MAX_VARIABLES));
        if q == 0 || rows.len() < 20 {
            return Self { axes: Vec::new(), set: Vec::new(), mixture: None, added: Vec::new() };
        }
        let mut scratch = Vec::with_capacity(rows.len());
        let axes: Vec<Axis> = (0..q)
            .map(|j| {
                let column: Vec<f64> = rows.iter().map(|r| r[j]).collect();
                let (center, scale) = robust::location_scale(&column, &mut scratch).unwrap_or((0.0, 0.0));
                let (low, high) =
                    column.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(*v), h.max(*v)));
                let size = center.abs().max(high.abs()).max(low.abs());
                let width = scale.max(LEAST_WIDTH * size).max(f64::MIN_POSITIVE);
                Axis { center, width, low, high }
            })
            .collect();
        let set: Vec<u8> = (0..q)
            .filter(|j| {
                let column: Vec<f64> = rows.iter().map(|r| r[*j]).collect();
                autocorrelation::first_autocorrelation(&column).is_some_and(|r| r >= LEAST_CORRELATION)
            })
            .map(|j| j as u8)
            .collect();
        if set.is_empty() {
            return Self { axes, set, mixture: None, added: Vec::new() };
        }
        let mut table = Array2::<f64>::zeros((rows.len(), set.len()));
        for (i, row) in rows.iter().enumerate() {
            for (column, j) in set.iter().enumerate() {
                let axis = &axes[usize::from(*j)];
                table[(i, column)] = (row[usize::from(*j)] - axis.center) / axis.width;
            }
        }
        let mixture = MixtureParams { most_components: max_states, ..MixtureParams::default() }
            .check()
            .ok()
            .and_then(|p| Mixture::fit(table.view(), p).ok());
        Self { axes, set, mixture, added: Vec::new() }
    }

    /// Number of known states, at least 1.
    pub fn len(&self) -> usize {
        self.mixture.as_ref().map_or(1, |m| m.len()) + self.added.len()
    }

    /// Never: there is always one state.
    pub fn is_empty(&self) -> bool {
        false
    }

    /// Where a snapshot's operating variables belong.
    pub fn place(&self, x: &[f64]) -> Place {
        let mut z = [0.0; MAX_VARIABLES];
        let q = self.axes.len();
        if q == 0 {
            return Place::Known(0);
        }
        for ((z, axis), x) in z.iter_mut().zip(&self.axes).zip(x) {
            if !x.is_finite() {
                return Place::Unknown;
            }
            *z = (x - axis.center) / axis.width;
        }
        let z = &z[..q];
        let own = self.mixture.as_ref().map_or(1, |m| m.len());
        // A state added later lies, by its making, away from the mixture: nearest wins.
        for (i, center) in self.added.iter().enumerate() {
            let d2: f64 = center.iter().zip(z).map(|(c, z)| (c - z) * (c - z)).sum();
            if d2 < NOVEL_DISTANCE * NOVEL_DISTANCE {
                return Place::Known((own + i) as u16);
            }
        }
        let inside = self.axes.iter().zip(x).all(|(a, x)| {
            let slack = NOVEL_DISTANCE * LEAST_WIDTH * a.low.abs().max(a.high.abs());
            *x >= a.low - slack && *x <= a.high + slack
        });
        match &self.mixture {
            None => {
                if inside {
                    Place::Known(0)
                } else {
                    Place::Novel
                }
            }
            Some(m) => {
                let mut set = [0.0; MAX_VARIABLES];
                for (s, j) in set.iter_mut().zip(&self.set) {
                    *s = z[usize::from(*j)];
                }
                let Some(hit) = m.assign(&set[..self.set.len()]) else { return Place::Unknown };
                // Between two states of a learned range a set-point may rest anywhere; beyond the range, or far from
                // every component, it is new.
                if inside && hit.mahalanobis2 < 4.0 * NOVEL_DISTANCE * NOVEL_DISTANCE
                    || hit.mahalanobis2 < NOVEL_DISTANCE * NOVEL_DISTANCE
                {
                    Place::Known(hit.component as u16)
                } else {
                    Place::Novel
                }
            }
        }
    }

    /// Makes a state of the rows seen while in no known state; returns its number.
    pub fn add(&mut self, rows: &[Vec<f64>]) -> u16 {
        let number = self.len() as u16;
        let mut scratch = Vec::with_capacity(rows.len());
        let center = (0..self.axes.len())
            .map(|j| {
                let column: Vec<f64> = rows.iter().filter_map(|r| r.get(j).copied()).collect();
                let at = robust::location_scale(&column, &mut scratch).map_or(0.0, |s| s.0);
                (at - self.axes[j].center) / self.axes[j].width
            })
            .collect();
        self.added.push(center);
        number
    }

    /// Whether the operating variables moved from `before` to `now` by more than `share` of their learned range:
    /// a transient, in which condition points are in between.
    pub fn moved(&self, before: &[f64], now: &[f64], share: f64) -> bool {
        self.set.iter().map(|j| usize::from(*j)).any(|j| {
            let (Some(a), Some(b), Some(n)) = (self.axes.get(j), before.get(j), now.get(j)) else { return false };
            let least = 4.0 * LEAST_WIDTH * a.low.abs().max(a.high.abs());
            (n - b).abs() > (share * (a.high - a.low)).max(least)
        })
    }
}

/// Follows the state of one asset: a change needs two snapshots in a row.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Follow {
    current: Option<Place>,
    candidate: Option<Place>,
}

impl Follow {
    /// Takes the newest place, returns the one that holds.
    pub fn update(&mut self, place: Place) -> Place {
        let current = match self.current {
            None => place,
            Some(current) if place == current || place == Place::Unknown => {
                self.candidate = None;
                current
            }
            Some(_) if self.candidate == Some(place) => place,
            Some(current) => {
                self.candidate = Some(place);
                current
            }
        };
        if Some(current) != self.current {
            self.candidate = None;
            self.current = Some(current);
        }
        current
    }

    /// Forgets the state, as at a stop.
    pub fn reset(&mut self) {
        *self = Self::default();
    }
}
