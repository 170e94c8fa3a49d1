//! The configuration: file, environment and `--set` in layers → checked, every fault at once.

mod assets;
mod check;
mod checked;
mod commands;
pub mod effective;
mod expand;
pub mod exposure;
mod groups;
pub mod historian;
pub mod http;
mod layers;
pub mod mail;
mod maintenance;
pub mod people;
mod recorded;
pub mod secret;
pub mod settings;
mod sparkplug;
mod table;
mod tag_list;
mod tls;
mod topics;
pub mod value;
mod vibration;

pub use crate::acquire::mqtt::settings::Clock;
pub use checked::{Audit, Broker, Checked, Journal, Limits, Protocol, Publish, Service, Site, State};
pub use layers::ENV_PREFIX;
pub use recorded::from_recorded;
pub(crate) use recorded::under_clock;
pub use sparkplug::Sparkplug;
pub(crate) use table::nearest;

use crate::acquire::mqtt::backoff::fnv1a;
use roundsman_models::detect::zones::Preset;
use std::path::Path;
use std::sync::Arc;

/// Where a configuration comes from, weakest first.
#[derive(Debug, Clone, Default)]
pub struct Sources<'a> {
    /// The file.
    pub file: Option<&'a Path>,
    /// Environment variables; those that begin with [`ENV_PREFIX`] are settings. See [`environment`].
    pub env: Vec<(String, String)>,
    /// `--set KEY=VALUE`.
    pub set: &'a [String],
    /// Names of the severity-zone presets there are; `None` takes any name.
    pub zones: Option<Vec<&'static str>>,
    /// Whether `[site] name`, `[broker]` and `[[topics]]` must be there: for `run` and `check`, not for `replay`.
    pub needs_broker: bool,
}

impl Sources<'_> {
    fn file_name(&self) -> Option<String> {
        self.file.map(|path| path.display().to_string())
    }
}

/// Names of the severity-zone presets there are, for [`Sources::zones`].
pub fn zone_names() -> Option<Vec<&'static str>> {
    Some(Preset::names().collect())
}

/// The process's environment, without what is not text.
pub fn environment() -> Vec<(String, String)> {
    std::env::vars_os().filter_map(|(k, v)| Some((k.into_string().ok()?, v.into_string().ok()?))).collect()
}

/// Reads the file, puts the layers over it and checks everything.
///
/// # Errors
/// Every fault there is, never only the first.
pub fn load(sources: &Sources<'_>) -> Result<Checked, Vec<Fault>> {
    let Some(path) = sources.file else { return from_text(None, sources) };
    match std::fs::read_to_string(path) {
        Ok(text) => from_text(Some(&text), sources),
        Err(error) => Err(vec![Fault {
            path: path.display().to_string(),
            rule: format!("must be a file that can be read: {error}"),
            got: None,
            origin: None,
        }]),
    }
}

/// The same from a text instead of the file; `sources.file` only names it.
///
/// # Errors
/// Every fault there is.
pub fn from_text(text: Option<&str>, sources: &Sources<'_>) -> Result<Checked, Vec<Fault>> {
    from_layers(text, sources, Beside::default())
}

/// What a recorded configuration says beside its layers.
#[derive(Default)]
struct Beside<'a> {
    /// Texts of past cases that stand for those of `history.dir`.
    histories: Option<&'a [String]>,
    /// The recorded clock, where the layers have no `[broker]` to say it.
    clock: Option<Clock>,
}

fn from_layers(text: Option<&str>, sources: &Sources<'_>, beside: Beside<'_>) -> Result<Checked, Vec<Fault>> {
    let name = sources.file_name().unwrap_or_else(|| "configuration".into());
    let mut faults = Vec::new();
    let (map, file) = layers::merge(text.map(|text| (name.as_str(), text)), sources, &mut faults);
    if faults.iter().any(|fault| fault.path == name) {
        // The file is not TOML: whatever else would be said of it would be wrong.
        return Err(faults);
    }
    let mut checked = check::check(&map, sources, beside.histories, faults)?;
    checked.recorded_clock = beside.clock;
    checked.recorded = Some(recorded::record(&file, sources, checked.history_texts.as_deref(), checked.clock()).into());
    let mut fingerprints = recorded::fingerprints(&map);
    if let Some(texts) = &checked.history_texts {
        fingerprints.insert("history.cases".into(), fnv1a(texts.concat().as_bytes()));
    }
    checked.fingerprints = Arc::new(fingerprints);
    Ok(checked)
}

/// A fault of the configuration: where, what rule, what came, and from where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// Path of the setting, `assets.pump-7.points.vib_de.alarm_high`.
    pub path: String,
    /// The rule, `must be above warning_high 4.5`.
    pub rule: String,
    /// The value as it came; `None` when it is missing or secret.
    pub got: Option<String>,
    /// File, environment variable or `--set` it came from.
    pub origin: Option<String>,
}

impl std::fmt::Display for Fault {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}: {}", self.path, self.rule)?;
        if let Some(got) = &self.got {
            write!(f, ", got {got}")?;
        }
        if let Some(origin) = &self.origin {
            write!(f, " ({origin})")?;
        }
        Ok(())
    }
}
