//! `[asset_list]`: assets from a CSV file, such as a tag list exported from the maintenance system.
//!
//! The first line names the columns. A column is a setting of the asset by its path (`class`, `rating`,
//! `points.vib_de.alarm_high`), and `asset` its name; `columns` gives other headings their meaning and leaves out what it
//! does not name. An empty cell says nothing.

use super::Fault;
use super::expand::merged;
use config::{Map, Value, ValueKind};
use std::path::Path;

/// A tag list is some thousand lines.
const LARGEST_BYTES: u64 = 64 << 20;

/// The assets of the list, by name, in its order.
pub(super) fn read(list: &Value, config_file: Option<&Path>, faults: &mut Vec<Fault>) -> Map<String, Value> {
    let mut fault = |path: &str, rule: String| {
        faults.push(Fault { path: path.to_owned(), rule, got: None, origin: None });
    };
    let ValueKind::Table(settings) = &list.kind else {
        fault("asset_list", "must be a table with `file`, and `columns` where the headings are not settings".into());
        return Map::new();
    };
    for key in settings.keys().filter(|key| !["file", "columns", "separator"].contains(&key.as_str())) {
        fault(&format!("asset_list.{key}"), "is not a setting; here are `file`, `columns`, `separator`".into());
    }
    let text = |key: &str| match settings.get(key).map(|value| &value.kind) {
        Some(ValueKind::String(text)) => Ok(Some(text.as_str())),
        Some(_) => Err("must be text in quotes".to_owned()),
        None => Ok(None),
    };
    let separator = match text("separator") {
        Ok(None) => b',',
        Ok(Some(one)) if one.len() == 1 && one.is_ascii() => one.as_bytes().first().copied().unwrap_or(b','),
        _ => {
            fault("asset_list.separator", "must be one character, \",\" or \";\" as a rule".into());
            b','
        }
    };
    let name = match text("file") {
        Ok(Some(name)) => name,
        Ok(None) => {
            fault("asset_list.file", "is needed: the CSV file with the assets".into());
            return Map::new();
        }
        Err(rule) => {
            fault("asset_list.file", rule);
            return Map::new();
        }
    };
    // Beside the configuration, wherever the service was started.
    let folder = config_file.and_then(Path::parent).unwrap_or(Path::new(""));
    let path = folder.join(name);
    let content = std::fs::metadata(&path).and_then(|meta| match meta.len() {
        n if n > LARGEST_BYTES => Err(std::io::Error::other(format!("{n} bytes are too many"))),
        _ => std::fs::read_to_string(&path),
    });
    let content = match content {
        Ok(content) => content,
        Err(error) => {
            fault("asset_list.file", format!("must be a file that can be read: {}: {error}", path.display()));
            return Map::new();
        }
    };
    let columns = match settings.get("columns").map(|value| &value.kind) {
        None => None,
        Some(ValueKind::Table(columns)) => Some(columns),
        Some(_) => {
            fault("asset_list.columns", "must be a table of headings and settings".into());
            None
        }
    };
    let (assets, found) = rows(&content, &path, separator, columns);
    faults.extend(found);
    assets
}

fn rows(
    content: &str,
    file: &Path,
    separator: u8,
    columns: Option<&Map<String, Value>>,
) -> (Map<String, Value>, Vec<Fault>) {
    let mut faults = Vec::new();
    let mut fault = |line: u64, rule: String| {
        let path = format!("{} line {line}", file.display());
        faults.push(Fault { path, rule, got: None, origin: None });
    };
    // Spreadsheets put a mark of the byte order before the first heading.
    let content = content.strip_prefix('\u{feff}').unwrap_or(content);
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(separator)
        .trim(csv::Trim::All)
        .comment(Some(b'#'))
        .from_reader(content.as_bytes());
    let headings: Vec<String> = match reader.headers() {
        Ok(headings) => headings.iter().map(str::to_owned).collect(),
        Err(error) => {
            fault(1, format!("must name the columns: {error}"));
            return (Map::new(), faults);
        }
    };
    let meaning = |heading: &String| match columns {
        None => Some(heading.clone()),
        Some(columns) => columns.get(heading).map(ToString::to_string),
    };
    let meanings: Vec<Option<String>> = headings.iter().map(meaning).collect();
    if let Some(missing) =
        columns.into_iter().flatten().map(|(heading, _)| heading).find(|heading| !headings.contains(heading))
    {
        fault(1, format!("must have the column `{missing}` that asset_list.columns names"));
    }
    if !meanings.iter().any(|meaning| meaning.as_deref() == Some("asset")) {
        fault(1, "must have a column `asset` with the machines' names (or asset_list.columns, as in { \"Tag\" = \"asset\" })".into());
        return (Map::new(), faults);
    }
    let mut assets: Map<String, Value> = Map::new();
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                fault(line, format!("must have as many cells as there are columns: {error}"));
                continue;
            }
        };
        let line = record.position().map_or(0, csv::Position::line);
        let mut name = None;
        let mut row = Value::new(None, ValueKind::Table(Map::new()));
        for ((cell, meaning), heading) in record.iter().zip(&meanings).zip(&headings) {
            match meaning.as_deref() {
                Some("asset") => name = Some(cell.to_owned()).filter(|name| !name.is_empty()),
                Some(path) if !cell.is_empty() => {
                    let origin = format!("{} line {line}, column {heading}", file.display());
                    row = merged(row, at(path, Value::new(Some(&origin), ValueKind::String(cell.to_owned()))));
                }
                _ => {}
            }
        }
        let Some(name) = name else {
            fault(line, "must name its asset".into());
            continue;
        };
        // The first stays, so that its own faults are told too.
        if assets.contains_key(&name) {
            fault(line, format!("must name each asset once, `{name}` stands in it twice"));
            continue;
        }
        assets.insert(name, row);
    }
    (assets, faults)
}

/// A value under a path of tables.
fn at(path: &str, value: Value) -> Value {
    path.rsplit('.').fold(value, |value, key| {
        Value::new(None, ValueKind::Table(std::iter::once((key.to_owned(), value)).collect()))
    })
}

#[cfg(test)]
mod tests {
    use super::super::{Checked, Fault, Sources, load};

    fn loaded(toml: &str, csv: &str) -> Result<Checked, Vec<Fault>> {
        let dir = tempfile::tempdir().expect("a folder");
        std::fs::write(dir.path().join("tags.csv"), csv).expect("a file");
        let file = dir.path().join("roundsman.toml");
        std::fs::write(&file, toml).expect("a file");
        load(&Sources { file: Some(&file), ..Sources::default() })
    }

    #[test]
    fn headings_are_settings_and_the_file_and_the_class_complete_them() {
        let config = loaded(
            "[asset_list]\nfile = \"tags.csv\"\n[classes.pump]\nrated_speed = \"1480 rpm\"\n[assets.p2]\nrating = \"9 kW\"\n",
            "\u{feff}asset,area,class,rating,points.vib.alarm_high\np1,north,pump,15 kW,7.1\np2,south,pump,,\n",
        )
        .unwrap_or_else(|faults| panic!("{faults:?}"));
        let [p1, p2] = &config.assets[..] else { panic!("{} assets", config.assets.len()) };
        assert_eq!((p1.spec.rating_kw, p1.spec.rated_speed_rpm), (Some(15.0), Some(1480.0)));
        assert_eq!(p1.points[0].spec.limits.alarm_high, Some(7.1));
        assert_eq!((p2.spec.rating_kw, p2.spec.area.as_deref(), p2.points.len()), (Some(9.0), Some("south"), 0));
    }

    #[test]
    fn other_headings_are_given_a_meaning_or_left_out() {
        let config = loaded(
            "[asset_list]\nfile = \"tags.csv\"\nseparator = \";\"\ncolumns = { \"Tag No.\" = \"asset\", \"Duty\" = \"rating\" }\n",
            "Tag No.;Description;Duty\nP-1;\"lift; old\";15 kW\n",
        )
        .unwrap_or_else(|faults| panic!("{faults:?}"));
        assert_eq!((config.assets[0].spec.name.as_str(), config.assets[0].spec.rating_kw), ("P-1", Some(15.0)));
    }

    #[test]
    fn every_fault_names_its_line() {
        let faults =
            loaded("[asset_list]\nfile = \"tags.csv\"\n", "asset,rating,zone\np1,15 bar,x\n,3 kW,\np1,1 kW,\n")
                .expect_err("faults")
                .iter()
                .map(ToString::to_string)
                .collect::<Vec<_>>()
                .join("\n");
        for part in
            ["line 2, column rating", "line 2, column zone", "line 3: must name", "line 4: must name each asset once"]
        {
            assert!(faults.contains(part), "{part} in {faults}");
        }
        let gone = loaded("[asset_list]\nfile = \"none.csv\"\n", "").expect_err("no file");
        assert!(gone[0].to_string().contains("none.csv"), "{gone:?}");
        let bare = loaded("[asset_list]\nfile = \"tags.csv\"\n", "name\nx\n").expect_err("no column");
        assert!(bare[0].rule.contains("column `asset`"), "{bare:?}");
    }
}
