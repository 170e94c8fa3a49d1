//! Learning: rows of a running machine are collected until there are enough, then a baseline is fitted.

use super::layout::{LAG_SECS, LAGS, Layout};
use super::settings::Settings;
use super::spec::AssetSpec;
use roundsman_models::EventTime;
use roundsman_models::detect::budget::BudgetParams;
use roundsman_models::detect::learned::{Allowed, Learned, Rows, Shape};
use roundsman_models::detect::warm::{Warmth, Warmths};
use roundsman_models::manipulate::blocks::FINE_PER_COARSE;
use roundsman_models::manipulate::thin::{CheckedThin, ThinParams, ThinnedRows};
use serde::{Deserialize, Serialize};

/// Rows kept of a learning period whatever the sample rate.
const MOST_ROWS: usize = 1024;
/// The running means cover this share of the learning period: 50 min of 25 h.
const SMOOTHED_SHARE: f64 = 1.0 / 30.0;

/// Fine blocks of the drift test in a learning period: an hour of 25 h.
pub const BLOCKS_PER_LEARNING: f64 = 25.0;
/// The followed levels cover this share of it: half a day of running.
const FOLLOWED_SHARE: f64 = 0.5;
/// And at least this many snapshots, many times a running mean.
const LEAST_FOLLOWED: f64 = 60.0;

/// Rows being collected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Collected {
    rows: ThinnedRows,
    /// Operating state of each row where a controller or the configuration gives it; thinned alike.
    given: Option<ThinnedRows>,
    run_secs: f64,
    /// How warm the machine was, by lag.
    warmths: [Warmths; LAG_SECS.len()],
}

impl Collected {
    /// Empty, for rows of this layout.
    pub fn new(layout: &Layout, given: bool) -> Self {
        Self {
            rows: ThinnedRows::new(thin(layout.row_width().max(1))),
            given: given.then(|| ThinnedRows::new(thin(1))),
            run_secs: 0.0,
            warmths: Default::default(),
        }
    }

    /// Counts how warm the machine is at the row just pushed.
    pub fn push_warmth(&mut self, warmth: &[Warmth; LAG_SECS.len()]) {
        self.warmths.iter_mut().zip(warmth).for_each(|(counted, now)| counted.push(now.now()));
    }

    /// The warmth from which on thermal points are judged, by lag.
    pub fn warm_enough(&self) -> [f64; LAG_SECS.len()] {
        std::array::from_fn(|lag| self.warmths[lag].enough())
    }

    /// Adds a row that stands for `secs` of running.
    pub fn push(&mut self, at: EventTime, secs: f64, row: &[f32], given: u16) {
        self.run_secs += secs;
        self.rows.push(at, row);
        if let Some(states) = &mut self.given {
            states.push(at, &[f32::from(given)]);
        }
    }

    /// Share of the learning done, 0 to 1.
    pub fn done(&self, run_secs: f64, least_rows: u64) -> f64 {
        (self.run_secs / run_secs).min(self.rows.pushed() as f64 / least_rows.max(1) as f64).min(1.0)
    }

    /// Run time collected, seconds.
    pub fn run_secs(&self) -> f64 {
        self.run_secs
    }

    fn table(&self, keep: impl Fn(&[f32]) -> bool) -> Table {
        let mut times = Vec::with_capacity(self.rows.len());
        let mut cells = Vec::with_capacity(self.rows.len() * self.rows.columns());
        let mut given = self.given.as_ref().map(|_| Vec::with_capacity(self.rows.len()));
        let mut states = self.given.as_ref().map(|g| g.rows());
        for (at, row) in self.rows.rows() {
            let state = states.as_mut().and_then(|s| s.next()).map_or(0, |(_, s)| s[0] as u16);
            if !keep(row) {
                continue;
            }
            times.push(at);
            cells.extend_from_slice(row);
            if let Some(g) = &mut given {
                g.push(state);
            }
        }
        Table { cells, times, given }
    }

    /// Fits everything from what was collected. Rows in which the run signal was below `stopped_below` (known only now
    /// that the machine was seen at speed) are left out.
    pub fn fit(
        &self,
        spec: &AssetSpec,
        layout: &Layout,
        settings: &Settings,
        cadence_secs: f64,
        stopped_below: f64,
    ) -> Option<Learned> {
        let run_column = layout.run.and_then(|(i, _)| {
            let among = |list: &[u16]| list.iter().position(|p| *p == i);
            among(&layout.drivers).map(|j| layout.conditions.len() + j).or_else(|| among(&layout.conditions))
        });
        let table = self.table(|row| {
            run_column.and_then(|c| row.get(c)).is_none_or(|v| !v.is_finite() || f64::from(v.abs()) > stopped_below)
        });
        let shape = Shape {
            traits: layout.traits(spec, settings.detect.least_change),
            drivers: layout.drivers.len(),
            state_drivers: layout.operating,
            lags: LAGS,
            weight: weight(settings, cadence_secs),
            follow: follow(settings, cadence_secs),
        };
        let allowed = allowed(settings, cadence_secs);
        Some(Learned::learn(shape, rows_of(&table, layout), table.given.as_deref(), allowed))
    }

    /// Adds what was collected outside all known states as a state of its own.
    pub fn add_to(&self, learned: &mut Learned, layout: &Layout) -> Option<u16> {
        let table = self.table(|_| true);
        learned.add_state(rows_of(&table, layout))
    }
}

/// Rows to learn from: their cells, when they were, and the operating state of each where it is given.
struct Table {
    cells: Vec<f32>,
    times: Vec<EventTime>,
    given: Option<Vec<u16>>,
}

fn rows_of<'a>(table: &'a Table, layout: &Layout) -> Rows<'a> {
    Rows {
        table: &table.cells,
        times: &table.times,
        points: layout.conditions.len(),
        drivers: layout.drivers.len(),
        state_drivers: layout.operating,
        lags: LAGS,
    }
}

/// What the settings allow the detectors.
pub fn allowed(settings: &Settings, cadence_secs: f64) -> Allowed {
    let detect = &settings.detect;
    Allowed {
        budget: BudgetParams { warnings_per_year: detect.false_warnings_per_year },
        cadence_secs,
        persistence: settings.alarm.raise_snapshots,
        step_slack: detect.step_slack_sigmas,
        block_secs: f64::from(FINE_PER_COARSE) * settings.learn.run_time_secs / BLOCKS_PER_LEARNING,
        warning_sigmas: detect.warning_sigmas,
        alarm_sigmas: detect.alarm_sigmas,
        deviation: detect.advisory_sigmas,
        step_limit: detect.step_limit_sigmas,
        drift_significance: detect.drift_significance,
    }
}

/// Weight of one snapshot in the running means.
fn weight(settings: &Settings, cadence_secs: f64) -> f64 {
    // At least a few snapshots: a mean of one follows every spike.
    let span = (SMOOTHED_SHARE * settings.learn.run_time_secs / cadence_secs.max(1e-6)).clamp(4.0, 1000.0);
    1.0 - (-1.0 / span).exp()
}

/// Weight of one snapshot in the followed levels.
fn follow(settings: &Settings, cadence_secs: f64) -> f64 {
    let span = (FOLLOWED_SHARE * settings.learn.run_time_secs / cadence_secs.max(1e-6)).max(LEAST_FOLLOWED);
    1.0 - (-1.0 / span).exp()
}

fn thin(columns: usize) -> CheckedThin {
    match (ThinParams { capacity: MOST_ROWS, columns }).check() {
        Ok(checked) => checked,
        // Both are constants or a sum of lengths made at least 1.
        Err(_) => unreachable!("a row has at least one column"),
    }
}
