//! Reading one table of the configuration, so that every fault in it is found and no key is overlooked.
//!
//! Not serde: its deserialisers stop at the first fault, and an engineer at a plant wants all of them. What serde's
//! `deny_unknown_fields` does is done in [`Table::done`], which also names the nearest key that is known.

use super::Fault;
use super::value::{Amount, parse_amount, parse_secs};
use config::{Map, Value, ValueKind};
use std::cell::RefCell;

/// Where the faults are gathered.
#[derive(Debug)]
pub(super) struct Faults {
    list: RefCell<Vec<Fault>>,
    file: Option<String>,
}

impl Faults {
    pub(super) fn new(file: Option<&str>, list: Vec<Fault>) -> Self {
        Self { list: RefCell::new(list), file: file.map(|name| format!("file {name}")) }
    }

    pub(super) fn push(&self, path: &str, rule: impl Into<String>, got: Option<String>, origin: Option<&str>) {
        let origin = match (origin, &got) {
            (Some(origin), _) => Some(origin.to_owned()),
            (None, Some(_)) => self.file.clone(),
            (None, None) => None,
        };
        self.list.borrow_mut().push(Fault { path: path.to_owned(), rule: rule.into(), got, origin });
    }

    /// Each fault once: one setting shared by several patterns is looked at once for each of them.
    pub(super) fn into_list(self) -> Vec<Fault> {
        let mut list: Vec<Fault> = Vec::new();
        // What is written once for many assets is told once, with where it stands.
        let shared = |fault: &Fault| {
            fault.origin.as_ref().is_some_and(|at| at.starts_with("classes.") || at.starts_with("assets."))
        };
        let same = |a: &Fault, b: &Fault| shared(a) && a.origin == b.origin && a.rule == b.rule && a.got == b.got;
        for fault in self.list.into_inner() {
            if !list.iter().any(|told| *told == fault || same(told, &fault)) {
                list.push(fault);
            }
        }
        list
    }
}

/// A table under its path.
#[derive(Debug)]
pub(super) struct Table<'v> {
    path: String,
    map: Option<&'v Map<String, Value>>,
    known: RefCell<Vec<String>>,
    faults: &'v Faults,
}

/// A value under its path.
#[derive(Debug, Clone)]
pub(super) struct Spot<'v> {
    pub(super) path: String,
    pub(super) value: &'v Value,
    faults: &'v Faults,
}

impl<'v> Table<'v> {
    pub(super) fn root(map: &'v Map<String, Value>, faults: &'v Faults) -> Self {
        Self { path: String::new(), map: Some(map), known: RefCell::default(), faults }
    }

    /// Whether it was written at all.
    pub(super) fn is_there(&self) -> bool {
        self.map.is_some()
    }

    pub(super) fn path_of(&self, key: &str) -> String {
        join(&self.path, key)
    }

    /// The value of a key; the key is known from here on.
    pub(super) fn get(&self, key: &str) -> Option<Spot<'v>> {
        let mut known = self.known.borrow_mut();
        // Asked for more than once, it is still one of the keys that a fault lists.
        if !known.iter().any(|k| k == key) {
            known.push(key.to_owned());
        }
        let value = self.map?.get(key)?;
        Some(Spot { path: self.path_of(key), value, faults: self.faults })
    }

    /// The table of a key; an empty one when it is not there.
    pub(super) fn table(&self, key: &str) -> Table<'v> {
        let path = self.path_of(key);
        let map = self.get(key).and_then(|spot| spot.map());
        Table { path, map, known: RefCell::default(), faults: self.faults }
    }

    /// A table that is not there, under a key that is known already.
    pub(super) fn nothing(&self, key: &str) -> Table<'v> {
        Table { path: self.path_of(key), map: None, known: RefCell::default(), faults: self.faults }
    }

    /// All keys of a table whose keys are names.
    pub(super) fn entries(&self) -> Vec<(&'v str, Spot<'v>)> {
        let entry = |(key, value): (&'v String, &'v Value)| {
            (key.as_str(), Spot { path: self.path_of(key), value, faults: self.faults })
        };
        self.map.map(|map| map.iter().map(entry).collect()).unwrap_or_default()
    }

    pub(super) fn fault(&self, key: &str, rule: impl Into<String>) {
        self.faults.push(&self.path_of(key), rule, None, None);
    }

    /// How many faults were found up to here, in whatever table.
    pub(super) fn faults_so_far(&self) -> usize {
        self.faults.list.borrow().len()
    }

    /// Every key that was not asked for is a fault.
    pub(super) fn done(self) {
        let known = self.known.borrow();
        for (key, spot) in self.entries() {
            if known.iter().any(|k| k == key) {
                continue;
            }
            spot.fault_without_value(match nearest(key, known.iter().map(String::as_str)) {
                Some(near) => format!("is not a setting; did you mean `{near}`?"),
                None => format!("is not a setting; here are {}", listed(known.iter().map(String::as_str))),
            });
        }
    }
}

impl<'v> Spot<'v> {
    pub(super) fn fault(&self, rule: impl Into<String>) {
        self.faults.push(&self.path, rule, Some(shown(self.value)), self.value.origin());
    }

    /// For secrets, and for unknown keys, where the value says nothing.
    pub(super) fn fault_without_value(&self, rule: impl Into<String>) {
        // `--set broker.password=...` must not bring the value back in by the name of its origin.
        let named = |origin: &str| match origin.split_once('=') {
            Some((key, _)) if origin.starts_with("--set ") => format!("{key}=..."),
            _ => origin.to_owned(),
        };
        let origin = first_origin(self.value).map(named).or_else(|| self.faults.file.clone());
        self.faults.push(&self.path, rule, None, origin.as_deref());
    }

    fn wants<T>(&self, found: Option<T>, rule: &str) -> Option<T> {
        if found.is_none() {
            self.fault(rule);
        }
        found
    }

    fn map(&self) -> Option<&'v Map<String, Value>> {
        let found = match &self.value.kind {
            ValueKind::Table(map) => Some(map),
            _ => None,
        };
        self.wants(found, "must be a table")
    }

    pub(super) fn is_table(&self) -> bool {
        matches!(self.value.kind, ValueKind::Table(_))
    }

    pub(super) fn table(&self) -> Option<Table<'v>> {
        Some(Table { path: self.path.clone(), map: Some(self.map()?), known: RefCell::default(), faults: self.faults })
    }

    pub(super) fn items(&self) -> Option<Vec<Spot<'v>>> {
        let ValueKind::Array(items) = &self.value.kind else {
            self.fault("must be an array");
            return None;
        };
        let item = |(i, value): (usize, &'v Value)| Spot {
            path: format!("{}[{}]", self.path, i + 1),
            value,
            faults: self.faults,
        };
        Some(items.iter().enumerate().map(item).collect())
    }

    /// What came from the environment or the command line is text whatever was meant.
    fn is_from_text(&self) -> Option<&'v str> {
        match &self.value.kind {
            ValueKind::String(text) if self.value.origin().is_some() => Some(text.trim()),
            _ => None,
        }
    }

    pub(super) fn text(&self) -> Option<&'v str> {
        let found = match &self.value.kind {
            ValueKind::String(text) => Some(text.as_str()),
            _ => None,
        };
        self.wants(found, "must be text in quotes")
    }

    pub(super) fn truth(&self) -> Option<bool> {
        let found = match (&self.value.kind, self.is_from_text()) {
            (ValueKind::Boolean(truth), _) => Some(*truth),
            (_, Some("true")) => Some(true),
            (_, Some("false")) => Some(false),
            _ => None,
        };
        self.wants(found, "must be true or false")
    }

    fn raw_number(&self) -> Option<f64> {
        match (&self.value.kind, self.is_from_text()) {
            (ValueKind::I64(number), _) => Some(*number as f64),
            (ValueKind::Float(number), _) => Some(*number),
            (_, Some(text)) => text.parse().ok(),
            _ => None,
        }
    }

    pub(super) fn number(&self) -> Option<f64> {
        self.wants(self.raw_number(), "must be a number")
    }

    /// A whole number in a range.
    pub(super) fn whole(&self, low: u64, high: u64) -> Option<u64> {
        let found = self.raw_number().filter(|n| n.fract() == 0.0 && *n >= low as f64 && *n <= high as f64);
        self.wants(found.map(|n| n as u64), &format!("must be a whole number between {low} and {high}"))
    }

    /// A time span, seconds.
    pub(super) fn secs(&self) -> Option<f64> {
        let read = match &self.value.kind {
            ValueKind::String(text) => parse_secs(text),
            _ => parse_secs(""),
        };
        match read {
            Ok(secs) => Some(secs),
            Err(rule) => {
                self.fault(rule);
                None
            }
        }
    }

    /// A number that may carry a unit.
    pub(super) fn amount(&self) -> Option<Amount> {
        let read = match (&self.value.kind, self.raw_number()) {
            (_, Some(value)) if value.is_finite() => Ok(Amount { value, unit: None }),
            (ValueKind::String(text), _) => parse_amount(text),
            _ => Err("must be a finite number, or text with a number and its unit".into()),
        };
        match read {
            Ok(amount) => Some(amount),
            Err(rule) => {
                self.fault(rule);
                None
            }
        }
    }

    /// One of a few words.
    pub(super) fn one_of<T: Copy>(&self, choices: &[(&str, T)]) -> Option<T> {
        let word = match &self.value.kind {
            ValueKind::String(text) => text.clone(),
            ValueKind::I64(number) => number.to_string(),
            _ => String::new(),
        };
        if let Some(&(_, choice)) = choices.iter().find(|(name, _)| *name == word) {
            return Some(choice);
        }
        let names = || choices.iter().map(|(name, _)| *name);
        let hint = nearest(&word, names()).map(|near| format!("; did you mean `{near}`?")).unwrap_or_default();
        self.fault(format!("must be one of {}{hint}", listed(names())));
        None
    }
}

/// `path.key`, the key in quotes where TOML needs them.
pub(super) fn join(path: &str, key: &str) -> String {
    let bare = !key.is_empty() && key.chars().all(|c| c.is_ascii_alphanumeric() || c == '_' || c == '-');
    let key = if bare { key.to_owned() } else { format!("{key:?}") };
    if path.is_empty() { key } else { format!("{path}.{key}") }
}

/// The candidate a typing mistake away.
pub(crate) fn nearest<'c>(word: &str, candidates: impl Iterator<Item = &'c str>) -> Option<&'c str> {
    candidates
        .map(|candidate| (strsim::jaro_winkler(word, candidate), candidate))
        .filter(|(likeness, _)| *likeness > 0.8)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, candidate)| candidate)
}

pub(super) fn listed<'c>(names: impl Iterator<Item = &'c str>) -> String {
    names.map(|name| format!("`{name}`")).collect::<Vec<_>>().join(", ")
}

pub(super) fn shown(value: &Value) -> String {
    match &value.kind {
        ValueKind::String(text) => format!("{text:?}"),
        ValueKind::Array(items) => format!("[{}]", items.iter().map(shown).collect::<Vec<_>>().join(", ")),
        ValueKind::Table(_) => "a table".into(),
        ValueKind::Nil => "nothing".into(),
        other => other.to_string(),
    }
}

fn first_origin(value: &Value) -> Option<&str> {
    match &value.kind {
        ValueKind::Table(map) => map.values().find_map(first_origin),
        ValueKind::Array(items) => items.iter().find_map(first_origin),
        _ => value.origin(),
    }
}
