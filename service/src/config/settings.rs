//! The settings of the engine as rows of one table, from which they are read, checked, compared and documented.

use super::table::Table;
use super::value::show_secs;
use crate::asset::settings::Settings;

/// One setting of the engine.
pub struct Row {
    /// Table in the file.
    pub table: &'static str,
    /// Key in it.
    pub key: &'static str,
    /// How it is written.
    pub kind: Kind,
    /// Lowest and highest value, in seconds for times.
    pub range: Range,
    /// What an engineer notices when it is changed.
    pub notice: &'static str,
    get: fn(&Settings) -> Option<f64>,
    set: fn(&mut Settings, f64),
}

/// How a setting is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// A time with its unit.
    Time,
    /// A number, in this unit.
    Number(&'static str),
    /// A whole number of these.
    Whole(&'static str),
    /// `true` or `false`, 1 or 0 in the row.
    Switch,
}

/// A range of allowed values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Range {
    low: f64,
    low_is_in: bool,
    high: f64,
}

impl Range {
    const fn above(low: f64, high: f64) -> Self {
        Self { low, low_is_in: false, high }
    }

    const fn from(low: f64, high: f64) -> Self {
        Self { low, low_is_in: true, high }
    }

    /// Asked so that NaN fails.
    fn holds(&self, value: f64) -> bool {
        let above = if self.low_is_in { value >= self.low } else { value > self.low };
        value.is_finite() && above && value <= self.high
    }

    /// Readable after "must be".
    fn text(&self, kind: Kind) -> String {
        let show = |value| if kind == Kind::Time { show_secs(value) } else { format!("{value}") };
        let low = if self.low_is_in { "at least" } else { "above" };
        format!("{low} {} and at most {}", show(self.low), show(self.high))
    }
}

const DAY: f64 = 86_400.0;
const YEAR: f64 = 366.0 * DAY;

macro_rules! row {
    ($table:ident . $key:ident = $field:ident, $kind:expr, $range:expr, $notice:expr) => {
        Row {
            table: stringify!($table),
            key: stringify!($key),
            kind: $kind,
            range: $range,
            notice: $notice,
            get: |s| Some(s.$table.$field),
            set: |s, value| s.$table.$field = value,
        }
    };
    ($table:ident . $key:ident = whole $field:ident, $kind:expr, $range:expr, $notice:expr) => {
        Row {
            table: stringify!($table),
            key: stringify!($key),
            kind: $kind,
            range: $range,
            notice: $notice,
            get: |s| Some(f64::from(s.$table.$field)),
            set: |s, value| s.$table.$field = value as u32,
        }
    };
    ($table:ident . $key:ident = switch $field:ident, $kind:expr, $range:expr, $notice:expr) => {
        Row {
            table: stringify!($table),
            key: stringify!($key),
            kind: $kind,
            range: $range,
            notice: $notice,
            get: |s| Some(f64::from(u8::from(s.$table.$field))),
            set: |s, value| s.$table.$field = value != 0.0,
        }
    };
    ($table:ident . $key:ident = optional $field:ident, $kind:expr, $range:expr, $notice:expr) => {
        Row {
            table: stringify!($table),
            key: stringify!($key),
            kind: $kind,
            range: $range,
            notice: $notice,
            get: |s| s.$table.$field,
            set: |s, value| s.$table.$field = Some(value),
        }
    };
}

const SIGMAS: Kind = Kind::Number("baseline standard deviations");

/// All settings of the engine, in the order of the file.
pub const ROWS: &[Row] = &[
    row!(
        learn.run_time = run_time_secs,
        Kind::Time,
        Range::above(0.0, YEAR),
        "Shorter: alerts sooner after the start, on a baseline that has seen less and so more of them false."
    ),
    row!(learn.min_snapshots = whole min_snapshots, Kind::Whole("snapshots"), Range::from(10.0, 1e6),
        "Holds learning up on slow sensors until this many snapshots are in."),
    row!(align.cadence = optional cadence_secs, Kind::Time, Range::above(0.0, DAY),
        "Set: one snapshot per this time. Left out: told from the first readings."),
    row!(
        align.hold_cadences = hold_cadences,
        Kind::Number("cadences"),
        Range::from(0.0, 1000.0),
        "Longer: slow points join more snapshots, with older values."
    ),
    row!(
        align.allowed_lateness = allowed_lateness_secs,
        Kind::Time,
        Range::from(0.0, DAY),
        "Longer: late readings still count, and every alert comes later by as much."
    ),
    row!(
        screen.max_future = max_future_secs,
        Kind::Time,
        Range::from(0.0, YEAR),
        "Shorter: readings of devices whose clock is ahead are refused and counted as `future`."
    ),
    row!(
        screen.max_past = max_past_secs,
        Kind::Time,
        Range::from(3600.0, 100.0 * YEAR),
        "Shorter: readings of devices whose clock is far behind are refused as `past`; so is what a gateway kept for longer."
    ),
    row!(
        screen.stuck_cadences = stuck_cadences,
        Kind::Number("cadences"),
        Range::from(2.0, 1e6),
        "Fewer: a frozen sensor is reported sooner, a coarse one wrongly."
    ),
    row!(screen.stuck = stuck_secs, Kind::Time, Range::from(0.0, YEAR), "The same as a time; both must have passed."),
    row!(
        screen.silent_cadences = silent_cadences,
        Kind::Number("cadences"),
        Range::from(2.0, 1e6),
        "Fewer: silence of a point or an asset is reported sooner."
    ),
    row!(screen.silent = silent_secs, Kind::Time, Range::from(0.0, YEAR), "The same as a time; both must have passed."),
    row!(
        detect.false_warnings_per_year = false_warnings_per_year,
        Kind::Number("false warnings per machine and year of running"),
        Range::from(0.001, 1000.0),
        "More: everything is found sooner, and a healthy machine cries wolf that often; alarms a tenth of it."
    ),
    row!(
        detect.advisory_sigmas = optional advisory_sigmas,
        SIGMAS,
        Range::above(0.0, 100.0),
        "Set: stands over the budget for advisories. Lower: sooner and more of them false."
    ),
    row!(
        detect.warning_sigmas = warning_sigmas,
        SIGMAS,
        Range::above(0.0, 100.0),
        "Lower: warnings sooner and more of them false."
    ),
    row!(
        detect.alarm_sigmas = alarm_sigmas,
        SIGMAS,
        Range::above(0.0, 1000.0),
        "Lower: alarms sooner; must be above `warning_sigmas`."
    ),
    row!(
        detect.least_change = least_change,
        Kind::Number("share of the reference value"),
        Range::from(0.0, 10.0),
        "Higher: very steady machines alarm on bigger changes only."
    ),
    row!(
        detect.step_slack_sigmas = step_slack_sigmas,
        SIGMAS,
        Range::above(0.0, 100.0),
        "Lower: smaller lasting steps are found, later."
    ),
    row!(
        detect.step_limit_sigmas = optional step_limit_sigmas,
        SIGMAS,
        Range::above(0.0, 1000.0),
        "Set: stands over the budget for steps. Lower: sooner and more of them false."
    ),
    row!(
        detect.drift_significance = optional drift_significance,
        Kind::Number("probability"),
        Range::above(0.0, 0.5),
        "Set: stands over the budget for drifts. Smaller: later and hardly ever falsely."
    ),
    row!(
        detect.drift_least_sigmas = drift_least_sigmas,
        SIGMAS,
        Range::from(0.0, 100.0),
        "Higher: a drift is reported only once it has become this large."
    ),
    row!(alarm.raise_snapshots = whole raise_snapshots, Kind::Whole("snapshots"), Range::from(1.0, 10_000.0),
        "More: short excursions raise nothing, real ones later."),
    row!(alarm.clear_snapshots = whole clear_snapshots, Kind::Whole("snapshots"), Range::from(1.0, 100_000.0),
        "More: an alert that comes and goes stays one episode."),
    row!(
        alarm.deadband = deadband,
        Kind::Number("share of the limit"),
        Range::from(0.0, 0.9),
        "Larger: a value near its limit does not chatter, and clears later."
    ),
    row!(alarm.settle = optional settle_secs, Kind::Time, Range::from(0.0, DAY),
        "Longer: start-ups and changes of load alarm less. Left out: three cadences."),
    row!(
        alarm.auto_close = auto_close_secs,
        Kind::Time,
        Range::from(0.0, YEAR),
        "Longer: an alert that has gone unacknowledged stays in the list. 0 s: until a person acknowledges it."
    ),
    row!(
        alarm.longest_shelf = longest_shelf_secs,
        Kind::Time,
        Range::above(0.0, YEAR),
        "Shorter: a `shelve` for longer than this is refused."
    ),
    row!(
        alarm.remind = remind_secs,
        Kind::Time,
        Range::from(0.0, YEAR),
        "Set: an active alert that nobody acknowledges is said again this often. 0 s: it is said once."
    ),
    row!(capture.requests = switch requests, Kind::Switch, Range::from(0.0, 1.0),
        "`false`: waveforms are asked for by command only."),
    row!(capture.advisories = switch advisories, Kind::Switch, Range::from(0.0, 1.0),
        "`true`: at an advisory too, so a slow fault is named weeks before its warning; else from a warning on."),
    row!(
        capture.min_interval = min_interval_secs,
        Kind::Time,
        Range::above(0.0, YEAR),
        "Shorter: an alert that is not answered is asked for again sooner."
    ),
    row!(
        capture.timeout = timeout_secs,
        Kind::Time,
        Range::above(0.0, DAY),
        "Longer: a slow measuring device's waveforms still count as the answer."
    ),
];

/// The tables the rows are in.
pub(super) const TABLES: [&str; 6] = ["learn", "align", "screen", "detect", "alarm", "capture"];

impl Row {
    /// `learn.run_time`.
    pub fn path(&self) -> String {
        format!("{}.{}", self.table, self.key)
    }

    /// Its value in a set of settings, as it is written in the file; `None`: worked out by the engine.
    pub fn value(&self, settings: &Settings) -> Option<String> {
        (self.get)(settings).map(|value| self.show(value))
    }

    /// Its range, readable after "must be".
    pub fn range_text(&self) -> String {
        if self.kind == Kind::Switch {
            return "true or false".to_owned();
        }
        self.range.text(self.kind)
    }

    fn show(&self, value: f64) -> String {
        match self.kind {
            Kind::Time => show_secs(value),
            Kind::Number(_) | Kind::Whole(_) => value.to_string(),
            Kind::Switch => (value != 0.0).to_string(),
        }
    }
}

/// Reads the engine's tables under `parent` over `base`.
pub(super) fn read(parent: &Table<'_>, base: &Settings) -> Settings {
    let mut settings = base.clone();
    for name in TABLES {
        let table = parent.table(name);
        for row in ROWS.iter().filter(|row| row.table == name) {
            let Some(spot) = table.get(row.key) else { continue };
            let value = match row.kind {
                Kind::Time => spot.secs(),
                Kind::Number(_) | Kind::Whole(_) => spot.number(),
                Kind::Switch => spot.truth().map(|on| f64::from(u8::from(on))),
            };
            let Some(value) = value else { continue };
            let whole = !matches!(row.kind, Kind::Whole(_)) || value.fract() == 0.0;
            if row.range.holds(value) && whole {
                (row.set)(&mut settings, value);
            } else {
                let what = if matches!(row.kind, Kind::Whole(_)) { "whole, " } else { "" };
                spot.fault(format!("must be {what}{}", row.range_text()));
            }
        }
        if name == "detect" && settings.detect.alarm_sigmas <= settings.detect.warning_sigmas {
            let warning = settings.detect.warning_sigmas;
            // Whichever of the two was written is to blame; the other is a default.
            match table.get("alarm_sigmas") {
                Some(spot) => spot.fault(format!("must be above warning_sigmas {warning}")),
                None => {
                    if let Some(spot) = table.get("warning_sigmas") {
                        spot.fault(format!("must be below alarm_sigmas {}", settings.detect.alarm_sigmas));
                    }
                }
            }
        }
        table.done();
    }
    settings
}

/// Settings that differ between two sets: path, value, the other's value.
pub fn differences(settings: &Settings, from: &Settings) -> Vec<(String, String, String)> {
    const WORKED_OUT: &str = "worked out";
    ROWS.iter()
        .filter(|row| (row.get)(settings) != (row.get)(from))
        .map(|row| {
            let show = |s| row.value(s).unwrap_or_else(|| WORKED_OUT.to_owned());
            (row.path(), show(settings), show(from))
        })
        .collect()
}

/// The engine's settings as a Markdown table, as the README shows it.
pub fn markdown() -> String {
    let defaults = Settings::default();
    let mut text = String::from("| setting | default | unit | range | what you will notice |\n|---|---|---|---|---|\n");
    for row in ROWS {
        let unit = match row.kind {
            Kind::Time => "time",
            Kind::Number(unit) | Kind::Whole(unit) => unit,
            Kind::Switch => "switch",
        };
        let default = row.value(&defaults).unwrap_or_else(|| "worked out".into());
        text += &format!("| `{}` | {default} | {unit} | {} | {} |\n", row.path(), row.range_text(), row.notice);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_default_is_in_its_own_range() {
        let defaults = Settings::default();
        for row in ROWS {
            if let Some(value) = (row.get)(&defaults) {
                assert!(row.range.holds(value), "{}: {value} is not {}", row.path(), row.range_text());
            }
            assert!(!row.range.holds(f64::NAN), "{}", row.path());
        }
        assert!(ROWS.iter().all(|row| TABLES.contains(&row.table)));
    }

    #[test]
    fn the_table_has_a_line_for_every_setting() {
        assert_eq!(markdown().lines().count(), ROWS.len() + 2);
        assert!(
            markdown().contains("| `learn.run_time` | 25 h | time | above 0 s and at most 366 d |"),
            "{}",
            markdown()
        );
    }

    #[test]
    fn a_row_reads_and_writes_the_same_field() {
        for row in ROWS {
            let mut settings = Settings::default();
            let before = (row.get)(&settings).unwrap_or(0.0);
            let value = if row.kind == Kind::Switch { 1.0 - before } else { 77.0 };
            (row.set)(&mut settings, value);
            assert_eq!((row.get)(&settings), Some(value), "{}", row.path());
            assert_eq!(differences(&settings, &Settings::default()).len(), 1, "{}", row.path());
        }
    }
}
