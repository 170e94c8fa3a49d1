//! File, environment and `--set` as layers of the `config` crate, each value with where it came from.
//!
//! The crate's own environment source folds names to small letters and forgets which variable a value came from;
//! this one finds `pump-7` for `PUMP_7` where the file has it, and remembers.

use super::expand::expand;
use super::recorded::NAME;
use super::{Fault, Sources};
use config::{Config, File, FileFormat, Map, Source, Value, ValueKind};

/// Variables that begin with this are settings: `ROUNDSMAN__LEARN__RUN_TIME=400s`.
pub const ENV_PREFIX: &str = "ROUNDSMAN__";

/// One layer over the file: values by path, each with its origin.
#[derive(Debug, Clone, Default)]
struct Layer(Map<String, Value>);

impl Source for Layer {
    fn clone_into_box(&self) -> Box<dyn Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<Map<String, Value>, config::ConfigError> {
        Ok(self.0.clone())
    }
}

impl Layer {
    fn put(&mut self, path: &[String], origin: &str, text: &str) {
        let Some((last, tables)) = path.split_last() else { return };
        let mut map = &mut self.0;
        for key in tables {
            let entry = map.entry(key.clone()).or_insert_with(empty_table);
            if !matches!(entry.kind, ValueKind::Table(_)) {
                *entry = empty_table();
            }
            let ValueKind::Table(inner) = &mut entry.kind else { return };
            map = inner;
        }
        map.insert(last.clone(), value(text, origin));
    }
}

fn empty_table() -> Value {
    Value::new(None, ValueKind::Table(Map::new()))
}

/// Text stays text (`400s`, a password of digits); what looks like TOML's arrays, tables or quotes is read as such.
fn value(text: &str, origin: &str) -> Value {
    let origin = origin.to_owned();
    if text.trim_start().starts_with(['[', '{', '"']) {
        let parsed = Config::builder().add_source(File::from_str(&format!("v = {text}"), FileFormat::Toml)).build();
        if let Ok(found) = parsed.and_then(|config| config.get::<Value>("v")) {
            return with_origin(found, &origin);
        }
    }
    Value::new(Some(&origin), ValueKind::String(text.to_owned()))
}

fn with_origin(value: Value, origin: &String) -> Value {
    let kind = match value.kind {
        ValueKind::Array(items) => ValueKind::Array(items.into_iter().map(|v| with_origin(v, origin)).collect()),
        ValueKind::Table(map) => {
            ValueKind::Table(map.into_iter().map(|(key, v)| (key, with_origin(v, origin))).collect())
        }
        other => other,
    };
    Value::new(Some(origin), kind)
}

/// Merges the layers: file (with what stands for many assets written out), then environment, then `--set`, the later the stronger. Values of the file have no origin.
/// Gives what came of it, and the file alone.
pub(super) fn merge(
    file: Option<(&str, &str)>,
    sources: &Sources<'_>,
    faults: &mut Vec<Fault>,
) -> (Map<String, Value>, Map<String, Value>) {
    let mut base = Map::new();
    if let Some((name, text)) = file {
        match File::from_str(text, FileFormat::Toml).collect() {
            // What a tag list said is text, numbers too, and was recorded as text: it is read as generously again.
            Ok(map) if name == NAME => {
                let origin = NAME.to_owned();
                base = map.into_iter().map(|(key, value)| (key, with_origin(value, &origin))).collect();
            }
            Ok(map) => base = map,
            Err(error) => faults.push(Fault {
                path: name.to_owned(),
                rule: format!("must be TOML: {}", without_source(&error.to_string())),
                got: None,
                origin: None,
            }),
        }
    }
    expand(&mut base, sources.file, faults);
    let mut from_env = Layer::default();
    let mut variables: Vec<(String, String)> =
        sources.env.iter().filter(|(name, _)| name.starts_with(ENV_PREFIX)).cloned().collect();
    // The environment has no order of its own; two variables that name one setting must not race.
    variables.sort();
    for (variable, text) in variables {
        let origin = format!("environment variable {variable}");
        let keys: Vec<&str> = variable.get(ENV_PREFIX.len()..).unwrap_or("").split("__").collect();
        if keys.iter().any(|key| key.is_empty()) {
            faults.push(Fault {
                path: variable.clone(),
                rule: format!("must name a setting, as in {ENV_PREFIX}LEARN__RUN_TIME"),
                got: None,
                origin: None,
            });
            continue;
        }
        from_env.put(&fold(&keys, &base), &origin, &text);
    }
    let mut from_line = Layer::default();
    for assignment in sources.set {
        match split_assignment(assignment) {
            Some((path, text)) => from_line.put(&path, &format!("--set {assignment}"), text),
            None => faults.push(Fault {
                // Without what may be a secret behind it.
                path: format!("--set {}", assignment.split_once('=').map_or(assignment.as_str(), |(key, _)| key)),
                rule: "must be KEY=VALUE, for example learn.run_time=400s".into(),
                got: None,
                origin: None,
            }),
        }
    }
    let merged = Config::builder().add_source(Layer(base.clone())).add_source(from_env).add_source(from_line).build();
    let merged = match merged.map(|config| config.cache.kind) {
        Ok(ValueKind::Table(map)) => map,
        Ok(_) => Map::new(),
        Err(error) => {
            faults.push(Fault {
                path: "configuration".into(),
                rule: format!("must merge: {}", one_line(&error.to_string())),
                got: None,
                origin: None,
            });
            Map::new()
        }
    };
    (merged, base)
}

/// Finds each key of a variable in the file regardless of capitals and of `-` against `_`; a new one is taken in
/// small letters.
fn fold(keys: &[&str], base: &Map<String, Value>) -> Vec<String> {
    let plain = |key: &str| key.to_lowercase().replace('-', "_");
    let mut here = Some(base);
    keys.iter()
        .map(|key| {
            let found = here.and_then(|map| map.iter().find(|(known, _)| plain(known) == plain(key)));
            here = found.and_then(|(_, value)| match &value.kind {
                ValueKind::Table(map) => Some(map),
                _ => None,
            });
            found.map_or_else(|| key.to_lowercase(), |(known, _)| known.clone())
        })
        .collect()
}

/// `a.b."c.d"=value` → path and value.
fn split_assignment(text: &str) -> Option<(Vec<String>, &str)> {
    let mut path = Vec::new();
    let mut key = String::new();
    let mut quoted = false;
    for (i, c) in text.char_indices() {
        match c {
            '"' => quoted = !quoted,
            '.' if !quoted => path.push(std::mem::take(&mut key)),
            '=' if !quoted => {
                path.push(key.trim().to_owned());
                let value = text.get(i + 1..)?;
                return path.iter().all(|key| !key.is_empty()).then_some((path, value.trim()));
            }
            c => key.push(c),
        }
    }
    None
}

/// A parser's message without the lines of the file it shows: line and column say where, and what stands there may be
/// a password.
fn without_source(text: &str) -> String {
    let is_source =
        |line: &&str| line.trim_start().trim_start_matches(|c: char| c.is_ascii_digit()).trim_start().starts_with('|');
    one_line(&text.lines().filter(|line| !is_source(line)).collect::<Vec<_>>().join("\n"))
}

fn one_line(text: &str) -> String {
    text.lines().map(str::trim).filter(|line| !line.is_empty()).collect::<Vec<_>>().join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_assignment_is_cut_at_its_first_free_equals_sign() {
        let cut = |text| split_assignment(text).map(|(path, value)| (path.join("|"), value));
        assert_eq!(cut("learn.run_time=400s"), Some(("learn|run_time".into(), "400s")));
        assert_eq!(cut("a.\"b.c=d\".e= x=y "), Some(("a|b.c=d|e".into(), "x=y")));
        for bad in ["learn.run_time", "=1", "a..b=1", ""] {
            assert_eq!(cut(bad), None, "{bad}");
        }
    }
}
