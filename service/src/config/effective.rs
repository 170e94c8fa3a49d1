//! `check --effective`: every value in effect with where it came from.

use super::settings::ROWS;
use super::{Checked, Fault, Sources, layers, secret};
use config::{Value, ValueKind};
use std::collections::BTreeMap;
use std::fmt;
use toml::de::{DeTable, DeValue};

/// One value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InEffect {
    /// Path of the setting.
    pub path: String,
    /// The value as the file would spell it; dots in place of a secret.
    pub value: String,
    /// File and line, environment variable, `--set`, line of the tag list, or `default`.
    pub origin: String,
}

impl fmt::Display for InEffect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} = {}  # {}", self.path, self.value, self.origin)
    }
}

/// Everything that was set, in the order of the file, then the engine's settings that were not.
///
/// # Errors
/// Every fault of the configuration, as [`super::load`] tells them.
pub fn effective(sources: &Sources<'_>) -> Result<Vec<InEffect>, Vec<Fault>> {
    let checked: Checked = super::load(sources)?;
    let name = sources.file_name().unwrap_or_else(|| "configuration".into());
    // Read above; a file that changed since then shows without its lines.
    let text = sources.file.and_then(|path| std::fs::read_to_string(path).ok()).unwrap_or_default();
    let (map, _) = layers::merge(Some((&name, &text)), sources, &mut Vec::new());
    let lines = lines(&text);
    let mut found = Vec::new();
    let at = |path: &str| match lines.get(path) {
        Some(line) => format!("{name} line {line}"),
        None => name.clone(),
    };
    for (key, value) in &map {
        gather(super::table::join("", key), value, &at, &mut found);
    }
    let set = |path: &str| found.iter().any(|value: &InEffect| value.path == path);
    let defaults: Vec<InEffect> = ROWS
        .iter()
        .filter(|row| !set(&row.path()))
        .map(|row| InEffect {
            path: row.path(),
            value: row.value(&checked.settings).unwrap_or_else(|| "worked out by the engine".into()),
            origin: "default".into(),
        })
        .collect();
    found.extend(defaults);
    Ok(found)
}

fn gather(path: String, value: &Value, at: &dyn Fn(&str) -> String, found: &mut Vec<InEffect>) {
    if let ValueKind::Table(map) = &value.kind {
        for (key, value) in map {
            gather(super::table::join(&path, key), value, at, found);
        }
        return;
    }
    if let ValueKind::Array(items) = &value.kind
        && items.iter().any(|item| matches!(item.kind, ValueKind::Table(_)))
    {
        for (place, item) in items.iter().enumerate() {
            gather(format!("{path}[{}]", place + 1), item, at, found);
        }
        return;
    }
    let origin = match value.origin() {
        None => at(&path),
        // Written for many at once: the line of that place.
        Some(place) if place.starts_with("classes.") || place.starts_with("assets.") => {
            format!("{place}, {}", at(place))
        }
        // Not the value again, which may be a secret.
        Some(set) if set.starts_with("--set ") => set.split_once('=').map_or(set, |(key, _)| key).to_owned(),
        Some(origin) => origin.to_owned(),
    };
    let value = if secret::is_secret(&path) { "...".to_owned() } else { super::table::shown(value) };
    found.push(InEffect { path, value, origin });
}

/// Line of every value of a TOML text, by its path.
fn lines(text: &str) -> BTreeMap<String, usize> {
    let mut found = BTreeMap::new();
    if let Ok(table) = DeTable::parse(text) {
        walk("", table.get_ref(), text, &mut found);
    }
    found
}

fn walk(under: &str, table: &DeTable<'_>, text: &str, found: &mut BTreeMap<String, usize>) {
    for (key, value) in table {
        let path = super::table::join(under, key.get_ref());
        visit(path, key.span().start, value.get_ref(), text, found);
    }
}

fn visit(path: String, start: usize, value: &DeValue<'_>, text: &str, found: &mut BTreeMap<String, usize>) {
    match value {
        DeValue::Table(inner) => walk(&path, inner, text, found),
        DeValue::Array(items) if items.iter().any(|item| matches!(item.get_ref(), DeValue::Table(_))) => {
            for (place, item) in items.iter().enumerate() {
                visit(format!("{path}[{}]", place + 1), item.span().start, item.get_ref(), text, found);
            }
        }
        _ => {
            let line = 1 + text.bytes().take(start).filter(|byte| *byte == b'\n').count();
            found.insert(path, line);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_says_where_it_came_from() {
        let dir = tempfile::tempdir().expect("a folder");
        std::fs::write(dir.path().join("tags.csv"), "asset,rating\np3,3 kW\n").expect("a file");
        let file = dir.path().join("site.toml");
        let text = "[site]\nname = \"s\"\n\n[learn]\nrun_time = \"20 h\"\n[detect]\nfalse_warnings_per_year = 2\n\n\
                    [classes.pump]\nrated_speed = \"1480 rpm\"\n[assets.p1]\nclass = \"pump\"\n[asset_list]\nfile = \"tags.csv\"\n\
                    [[topics]]\npattern = \"a/{asset}/{point}\"\n";
        std::fs::write(&file, text).expect("a file");
        let set = ["alarm.raise_snapshots=4".to_owned()];
        let env = vec![
            ("ROUNDSMAN__LEARN__RUN_TIME".to_owned(), "30 h".to_owned()),
            ("ROUNDSMAN__BROKER__URL".to_owned(), "mqtt://localhost".to_owned()),
            ("ROUNDSMAN__BROKER__USERNAME".to_owned(), "u".to_owned()),
            ("ROUNDSMAN__BROKER__PASSWORD".to_owned(), "not to be seen".to_owned()),
        ];
        let sources = Sources { file: Some(&file), env, set: &set, ..Sources::default() };
        let found = effective(&sources).unwrap_or_else(|faults| panic!("{faults:?}"));
        let text = found.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
        let name = file.display();
        for line in [
            format!("site.name = \"s\"  # {name} line 2"),
            "learn.run_time = \"30 h\"  # environment variable ROUNDSMAN__LEARN__RUN_TIME".to_owned(),
            "alarm.raise_snapshots = \"4\"  # --set alarm.raise_snapshots".to_owned(),
            format!("assets.p1.rated_speed = \"1480 rpm\"  # classes.pump.rated_speed, {name} line 10"),
            format!("assets.p3.rating = \"3 kW\"  # {} line 2, column rating", dir.path().join("tags.csv").display()),
            format!("topics[1].pattern = \"a/{{asset}}/{{point}}\"  # {name} line 16"),
            "broker.password = ...  # environment variable ROUNDSMAN__BROKER__PASSWORD".to_owned(),
        ] {
            assert!(text.lines().any(|l| l == line), "{line}\nin\n{text}");
        }
        assert!(text.lines().any(|line| line.starts_with("screen.") && line.ends_with("# default")), "{text}");
        assert!(!text.contains("not to be seen"), "{text}");
    }
}
