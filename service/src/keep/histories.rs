//! Past cases as files: one JSON document per machine that came to its end, in one folder.

use crate::advise::document::{Document, History};
use crate::error::Error;
use std::io::Write;
use std::path::Path;

/// Ending of the files' names.
const ENDING: &str = ".history.json";

/// Writes one file per history, named after asset and end, so that a machine's ends stand beside each other. Gives how
/// many.
///
/// # Errors
/// A file could not be written.
pub fn write<'a>(dir: &Path, histories: impl Iterator<Item = &'a History>) -> Result<usize, Error> {
    std::fs::create_dir_all(dir).map_err(|source| Error::io("make", dir, source))?;
    let mut count = 0;
    for history in histories {
        let path = dir.join(file_name(history));
        std::fs::write(&path, history.to_json() + "\n").map_err(|source| Error::io("write", &path, source))?;
        count += 1;
    }
    Ok(count)
}

/// Keeps one history in the folder: whole under its name or not at all, and the same again when it is kept again.
///
/// # Errors
/// It could not be written.
pub fn keep(dir: &Path, history: &History) -> Result<std::path::PathBuf, Error> {
    std::fs::create_dir_all(dir).map_err(|source| Error::io("make", dir, source))?;
    let path = dir.join(file_name(history));
    let aside = path.with_extension("part");
    let written = std::fs::File::create(&aside).and_then(|mut file| {
        file.write_all((history.to_json() + "\n").as_bytes())?;
        file.sync_all()
    });
    written.map_err(|source| Error::io("write", &aside, source))?;
    std::fs::rename(&aside, &path).map_err(|source| Error::io("write", &path, source))?;
    Ok(path)
}

/// After asset and end.
fn file_name(history: &History) -> String {
    // An asset's name is a topic level: it may hold anything but a slash.
    let safe = |c: char| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '_' };
    let asset: String = history.asset.chars().map(safe).collect();
    let ended = super::iso(history.ended_at).replace([':', ' '], "-");
    format!("{asset}.{ended}{ENDING}")
}

/// All histories of a folder, by the names of their files.
///
/// # Errors
/// The folder or the first file that cannot be read, and why.
pub fn read(dir: &Path) -> Result<Vec<History>, String> {
    read_texts(dir)?
        .iter()
        .map(|(path, text)| parse(text).map_err(|why| format!("{}: {why}", path.display())))
        .collect()
}

/// The texts of a folder's histories with where they stand, by the names of their files.
///
/// # Errors
/// The folder or the first file that cannot be read, and why.
pub fn read_texts(dir: &Path) -> Result<Vec<(std::path::PathBuf, String)>, String> {
    let listed = std::fs::read_dir(dir).map_err(|error| format!("{}: {error}", dir.display()))?;
    let mut paths = Vec::new();
    for entry in listed {
        let path = entry.map_err(|error| format!("{}: {error}", dir.display()))?.path();
        if path.file_name().is_some_and(|name| name.to_string_lossy().ends_with(ENDING)) {
            paths.push(path);
        }
    }
    paths.sort();
    let text = |path: std::path::PathBuf| match std::fs::read_to_string(&path) {
        Ok(text) => Ok((path, text)),
        Err(error) => Err(format!("{}: {error}", path.display())),
    };
    paths.into_iter().map(text).collect()
}

/// A history as its file has it.
///
/// # Errors
/// It is none.
pub fn parse(text: &str) -> Result<History, String> {
    let history = History::from_json(text).map_err(|error| error.to_string())?;
    history.case.check().map_err(|fault| format!("case: {fault}"))?;
    if history.points.len() != history.case.points() {
        return Err(format!(
            "points: must be {} names, one per column, got {}",
            history.case.points(),
            history.points.len()
        ));
    }
    Ok(history)
}

#[cfg(test)]
mod tests {
    use super::*;
    use roundsman_models::EventTime;
    use roundsman_models::prognose::fleet::Case;

    fn history() -> History {
        let mut levels: Vec<f64> = (0..40).map(f64::from).collect();
        levels[7] = f64::NAN;
        History {
            site: "north".into(),
            asset: "pump 7".into(),
            class: Some("pump".into()),
            ended_at: EventTime(1_930_000_000_000_000),
            points: vec!["de".into(), "nde".into()],
            units: vec!["mm/s".into(), "mm/s".into()],
            case: Case { name: "pump 7".into(), step_hours: 1.0, end_age_hours: None, normal: vec![1.0, 2.0], levels },
        }
    }

    #[test]
    fn what_is_written_is_read_again_and_what_is_no_history_is_named() {
        let dir = tempfile::tempdir().expect("a folder");
        assert_eq!(write(dir.path(), std::iter::once(&history())).expect("written"), 1);
        std::fs::write(dir.path().join("notes.txt"), "not ours").expect("written");
        let read_again = read(dir.path()).expect("ours");
        assert_eq!(read_again.len(), 1);
        assert!(read_again[0].case.levels[7].is_nan());
        assert_eq!(read_again[0].case.levels[8..], history().case.levels[8..]);
        assert_eq!(read_again[0].points, history().points);

        let mut odd = history();
        odd.points.pop();
        odd.asset = "pump/8".into();
        assert_eq!(write(dir.path(), std::iter::once(&odd)).expect("written"), 1);
        let why = read(dir.path()).expect_err("a column without a name");
        assert!(why.contains("pump_8") && why.contains("must be 2 names"), "{why}");
        assert!(read(&dir.path().join("nowhere")).is_err());
    }
}
