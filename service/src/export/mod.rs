//! `roundsman export`: what the state directory holds, as tables for other programs.
//!
//! Reads beside a running daemon and changes nothing. `state.db` is read in one transaction, so that its tables fit each
//! other; the readings are what the journal still holds, taken in through the same edge as in the daemon.

mod cells;
mod csv;
mod file;
mod parquet;
mod readings;
mod state;
mod waveforms;

pub use cells::{Cell, Column, Kind, Sheet};
pub(crate) use file::replace;
pub use waveforms::{Wav, wav};

use crate::config::{self, Checked, Sources};
use crate::error::{Error, Fault};
use crate::keep::KeepError;
use clap::Args;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use rusqlite::{Connection, OpenFlags};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Arguments of `export`.
#[derive(Debug, Clone, Args)]
#[command(
    about = "Write what is kept of an asset, or of all, as CSV or Parquet",
    long_about = "Reads a state directory, also while the daemon runs, and writes a file for each table: readings, trends, \
scores, alerts, waveforms (their list) and audit. Nothing in the state directory is changed.\n\n\
readings: every reading that the journal still holds and that was taken, in the unit the point is kept in. The journal is \
pruned once the snapshots cover it unless journal.keep_days says how long it stays.\n\n\
trends: rows of 5 minutes, 1 hour and 1 week with their mean, least and greatest and what was expected; `growing` marks \
those that were not full at the last snapshot.\n\n\
scores: rows of the same widths for each whole asset: the operating state it was in last (0: stopped or unknown), the worst zone, \
mean and greatest deviation, the furthest step and drift. Every single snapshot's are made again by \
`roundsman replay --out DIR state/journal.db`.\n\n\
waveforms: with --samples each kept waveform is written too, as WAV of 32-bit floats in m/s2 (not scaled to 1) into the folder \
`waveforms`; the list then names the file with its rate, length, unit, direction and shaft speed.\n\n\
Times are ISO 8601 with their offset, in site.zone where the configuration says one, else in UTC; in Parquet they are \
timestamps. CSV is UTF-8 with a byte order mark, comma and decimal point; text that a spreadsheet would take for a formula \
has an apostrophe before it.",
    after_long_help = "Examples:\n  roundsman export --config plant.toml pump-7 --format csv --out pump-7\n  \
roundsman export --config plant.toml --all --from 2026-11-01 --to 2026-12-01 --format parquet --out november\n  \
roundsman export --state /var/lib/roundsman --all --only alerts,audit --out shift\n  \
roundsman export --config plant.toml pump-7 --only waveforms --samples --out pump-7"
)]
pub struct ExportArgs {
    /// The asset.
    #[arg(value_name = "ASSET", required_unless_present = "all", conflicts_with = "all")]
    pub asset: Option<String>,
    /// Every asset.
    #[arg(long)]
    pub all: bool,
    /// The configuration file (TOML): names the state directory and the zone.
    #[arg(long, value_name = "FILE", required_unless_present = "state")]
    pub config: Option<PathBuf>,
    /// The state directory, when it is not the one of the configuration.
    #[arg(long, value_name = "DIR")]
    pub state: Option<PathBuf>,
    /// From this time on: 2026-11-01, 2026-11-01T06:00 or with an offset.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Up to this time, which is not part of it.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Zone of times that are given without an offset and of times in CSV (IANA name); default: site.zone, else UTC.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// Form of the files.
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Format,
    /// Only these tables.
    #[arg(long, value_enum, value_name = "TABLE,...", value_delimiter = ',')]
    pub only: Vec<Table>,
    /// Also the kept waveforms themselves, a WAV each; the list names them.
    #[arg(long)]
    pub samples: bool,
    /// Folder for the files; made when missing. Files of the same names are replaced.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Form of the files.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum Format {
    /// For spreadsheets.
    #[default]
    Csv,
    /// For databases and notebooks.
    Parquet,
}

impl Format {
    fn ending(self) -> &'static str {
        match self {
            Self::Csv => "csv",
            Self::Parquet => "parquet",
        }
    }
}

/// A table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub enum Table {
    /// Every reading of the journal.
    Readings,
    /// Rows of 5 minutes, 1 hour and 1 week.
    Trends,
    /// What the models made of each asset, in the same rows.
    Scores,
    /// Every transition of every alert.
    Alerts,
    /// The list of the stored waveforms.
    Waveforms,
    /// Commands: who did what and when.
    Audit,
}

impl Table {
    /// All, in the order they are written.
    pub const ALL: [Table; 6] =
        [Table::Trends, Table::Scores, Table::Alerts, Table::Waveforms, Table::Audit, Table::Readings];

    /// Its name, which is its file's.
    pub fn name(self) -> &'static str {
        match self {
            Self::Readings => "readings",
            Self::Trends => "trends",
            Self::Scores => "scores",
            Self::Alerts => "alerts",
            Self::Waveforms => "waveforms",
            Self::Audit => "audit",
        }
    }
}

/// What is asked for.
#[derive(Debug, Clone, Default)]
pub struct Wanted {
    /// One asset; `None`: all.
    pub asset: Option<String>,
    /// From this time on.
    pub from: Option<EventTime>,
    /// Up to before this time.
    pub to: Option<EventTime>,
}

impl Wanted {
    pub(crate) fn takes(&self, at: EventTime) -> bool {
        self.from.is_none_or(|from| at >= from) && self.to.is_none_or(|to| at < to)
    }
}

/// Exports, and says to `say` what was written.
///
/// # Errors
/// No such state directory or asset, a time or zone that cannot be read, a file that cannot be read or written.
pub fn run(args: &ExportArgs, say: &mut dyn Write) -> Result<(), Error> {
    let config = match &args.config {
        Some(path) => Some(load(path)?),
        None => None,
    };
    let dir = match (&args.state, &config) {
        (Some(dir), _) => dir.clone(),
        (None, Some(config)) => config.state.dir.clone(),
        (None, None) => return Err(Error::new(Fault::Usage, "needs --config FILE or --state DIR")),
    };
    let zone = zone(args.zone.as_deref(), config.as_ref())?;
    let time = |name: &str, text: &Option<String>| {
        text.as_ref().map(|text| read_time(text, &zone).map_err(|e| e.at(&format!("{name} {text}")))).transpose()
    };
    let wanted = Wanted { asset: args.asset.clone(), from: time("--from", &args.from)?, to: time("--to", &args.to)? };
    if let (Some(from), Some(to)) = (wanted.from, wanted.to)
        && from >= to
    {
        return Err(Error::new(Fault::Usage, "--from must be before --to"));
    }
    let mut state = open(&dir)?;
    check_asset(&state, &dir, wanted.asset.as_deref())?;
    let wants = |table: &Table| args.only.is_empty() || args.only.contains(table);
    if args.samples && !wants(&Table::Waveforms) {
        return Err(Error::new(Fault::Usage, "--samples needs the table waveforms: add it to --only"));
    }
    std::fs::create_dir_all(&args.out).map_err(|source| Error::io("make the folder", &args.out, source))?;
    let folder = args.out.join("waveforms");
    if args.samples {
        std::fs::create_dir_all(&folder).map_err(|source| Error::io("make the folder", &folder, source))?;
    }
    let mut samples = 0_u64;
    let bar = bar();
    // One transaction: the tables are of one moment.
    let state = state.transaction().map_err(|source| failed(&dir, source))?;
    for table in Table::ALL.iter().filter(|table| wants(table)) {
        let path = args.out.join(format!("{}.{}", table.name(), args.format.ending()));
        let mut notes = Vec::new();
        let mut counted = 0;
        bar.set_message(table.name());
        file::replace(&path, |file| {
            let columns = match table {
                Table::Readings => readings::COLUMNS,
                _ => state::columns(*table),
            };
            let mut sheet: Box<dyn Sheet> = match args.format {
                Format::Csv => Box::new(csv::CsvSheet::new(file, columns, zone.clone())?),
                Format::Parquet => Box::new(parquet::ParquetSheet::new(file, columns)?),
            };
            let mut put = |row: &[Cell<'_>]| {
                counted += 1;
                if counted % 10_000 == 0 {
                    bar.tick();
                }
                sheet.row(row)
            };
            match table {
                Table::Readings => readings::write(&dir, config.as_ref(), &wanted, &bar, &mut notes, &mut put)?,
                Table::Waveforms if args.samples => {
                    let mut take = |wav: &Wav| {
                        samples += 1;
                        waveforms::into_folder(&folder, wav)
                    };
                    waveforms::write(&state, &wanted, Some(&mut take), &mut put)
                        .map_err(|fault| fault.at(&dir.display().to_string()))?;
                    notes.push(format!("{samples} of them as WAV in {}", folder.display()));
                }
                _ => state::write(&state, *table, &wanted, &mut put)
                    .map_err(|fault| fault.at(&dir.display().to_string()))?,
            }
            sheet.finish()
        })?;
        bar.suspend(|| {
            let rows = if counted == 1 { "row" } else { "rows" };
            writeln!(say, "{}: {counted} {rows}", path.display())?;
            notes.iter().try_for_each(|note| writeln!(say, "  {note}"))
        })
        .or_else(|error| match error.kind() {
            // A reader that has gone is no fault of anybody's.
            std::io::ErrorKind::BrokenPipe => Ok(()),
            _ => Err(Error::new(Fault::Io, "cannot write to the standard output").because(error)),
        })?;
    }
    bar.finish_and_clear();
    Ok(())
}

/// One of the tables of `state.db` as CSV into `out`; the readings, which are not in that file, have no rows here.
///
/// # Errors
/// `state.db` cannot be read, or `out` takes no more.
pub fn write_csv(dir: &Path, table: Table, wanted: &Wanted, zone: &TimeZone, out: &mut dyn Write) -> Result<(), Error> {
    let state = open(dir)?;
    let mut sheet: Box<dyn Sheet + '_> = Box::new(csv::CsvSheet::new(out, state::columns(table), zone.clone())?);
    let mut put = |row: &[Cell<'_>]| sheet.row(row);
    match table {
        // Of one machine: few enough that its list can say all of them.
        Table::Waveforms => waveforms::write(&state, wanted, Some(&mut |_| Ok(())), &mut put)?,
        _ => state::write(&state, table, wanted, &mut put)?,
    }
    sheet.finish()
}

fn load(path: &Path) -> Result<Checked, Error> {
    let sources =
        Sources { file: Some(path), env: config::environment(), zones: config::zone_names(), ..Sources::default() };
    config::load(&sources).map_err(|faults| Error::config(&faults))
}

pub(crate) fn zone(named: Option<&str>, config: Option<&Checked>) -> Result<TimeZone, Error> {
    match named {
        Some(name) => TimeZone::get(name).map_err(|error| {
            Error::new(Fault::Usage, format!("--zone {name}: not a zone's IANA name, for example Europe/Berlin"))
                .because(error)
        }),
        None => Ok(config.and_then(|config| config.site.zone.clone()).unwrap_or(TimeZone::UTC)),
    }
}

/// With an offset as it is, else in the zone.
fn read_time(text: &str, zone: &TimeZone) -> Result<EventTime, Error> {
    if let Ok(stamp) = text.parse::<jiff::Timestamp>() {
        return Ok(EventTime(stamp.as_microsecond()));
    }
    let want = "must be a date, or a date with a time, or both with an offset: 2026-11-01, 2026-11-01T06:00, 2026-11-01T06:00:00Z";
    let civil: jiff::civil::DateTime = text.parse().map_err(|error| Error::new(Fault::Usage, want).because(error))?;
    let zoned = zone.to_zoned(civil).map_err(|error| Error::new(Fault::Usage, want).because(error))?;
    Ok(EventTime(zoned.timestamp().as_microsecond()))
}

/// Opens `state.db` for reading only; a mistyped folder does not become a state directory.
fn open(dir: &Path) -> Result<Connection, Error> {
    let path = dir.join("state.db");
    let fault = |source| failed(dir, source);
    if !path.is_file() {
        return Err(Error::new(
            Fault::Io,
            format!(
                "{}: there is no state.db in it; name the folder that [state] dir of the daemon says",
                dir.display()
            ),
        ));
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(&path, flags).map_err(fault)?;
    connection.busy_timeout(std::time::Duration::from_secs(5)).map_err(fault)?;
    let found: String = connection
        .query_row("SELECT value FROM meta WHERE key = 'schema'", [], |row| row.get(0))
        .unwrap_or_else(|_| "unknown".into());
    let known = crate::keep::store::SCHEMA;
    if found != known.to_string() {
        return Err(Error::new(Fault::Data, KeepError::Version { path, found, known }.to_string()));
    }
    Ok(connection)
}

fn failed(dir: &Path, source: rusqlite::Error) -> Error {
    Error::new(Fault::Io, KeepError::of(&dir.join("state.db"), source).to_string())
}

fn check_asset(state: &Connection, dir: &Path, asset: Option<&str>) -> Result<(), Error> {
    let Some(asset) = asset else { return Ok(()) };
    let names = state
        .prepare("SELECT name FROM assets ORDER BY name")
        .and_then(|mut all| all.query_map([], |row| row.get(0))?.collect::<Result<Vec<String>, _>>())
        .map_err(|source| failed(dir, source))?;
    if names.iter().any(|name| name == asset) {
        return Ok(());
    }
    let near = config::nearest(asset, names.iter().map(String::as_str));
    let hint = match (near, names.is_empty()) {
        (Some(near), _) => format!("; did you mean {near:?}?"),
        (None, true) => "; no asset is known there yet".into(),
        (None, false) => format!("; {} are known there, {:?} is one", names.len(), names.first().map_or("", |n| n)),
    };
    Err(Error::new(Fault::Usage, format!("{}: no asset {asset:?} is known{hint}", dir.display())))
}

fn bar() -> ProgressBar {
    let target = match std::io::stderr().is_terminal() {
        true => ProgressDrawTarget::stderr(),
        false => ProgressDrawTarget::hidden(),
    };
    let style = ProgressStyle::with_template("{spinner} {msg} {bar:30} {percent} %, {eta} left")
        .unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::with_draw_target(None, target).with_style(style)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the offset of Berlin in November 2026 is +01:00 (IANA time zone database).
    #[test]
    fn times_without_an_offset_are_in_the_zone() {
        let berlin = TimeZone::get("Europe/Berlin").expect("tzdata");
        let micros = |text: &str| read_time(text, &berlin).expect(text).0 / 1_000_000;
        assert_eq!(micros("2026-11-01T00:00:00Z"), 1_793_491_200, "date -u -d 2026-11-01 +%s");
        for same in ["2026-11-01", "2026-11-01T00:00", "2026-11-01T00:00:00+01:00", "2026-10-31T23:00:00Z"] {
            assert_eq!(micros(same), 1_793_491_200 - 3600, "{same}");
        }
        for bad in ["", "yesterday", "2026-13-01", "01.11.2026"] {
            let text = read_time(bad, &berlin).expect_err(bad).to_string();
            assert!(text.contains("2026-11-01"), "{text}");
        }
    }
}
