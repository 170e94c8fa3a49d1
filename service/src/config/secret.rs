//! Passwords and tokens: where they may come from, and a type that is never printed.
//!
//! From a file that only its owner and group can read, or from the environment. Never from the configuration file or
//! the command line, which are copied, backed up and shown in process lists.

use super::table::{Spot, Table};
use config::ValueKind;
use std::fmt;
use std::hint::black_box;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

/// Longest secret read from a file; more is a wrong file.
const LONGEST_BYTES: u64 = 64 * 1024;

/// A password or token. Neither `Debug` nor anything else shows it.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Wraps it.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// For the one place that needs it. Not for logs, errors or documents.
    pub fn reveal(&self) -> &str {
        &self.0
    }

    /// Whether `given` is the same, in a time that does not tell how much of it is.
    pub fn matches(&self, given: &str) -> bool {
        let (ours, theirs) = (self.0.as_bytes(), given.as_bytes());
        let differ = ours.iter().zip(theirs).fold(0, |differ, (a, b)| black_box(differ | (a ^ b)));
        ours.len() == theirs.len() && differ == 0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("***")
    }
}

/// Whether the value of a setting is not to be shown, by its path: what is a secret, and what sounds like one.
pub(super) fn is_secret(path: &str) -> bool {
    let key = path.rsplit('.').next().unwrap_or(path);
    !key.ends_with("_file") && ["password", "token", "secret"].iter().any(|word| key.contains(word))
}

/// Reads `KEY` (environment only) or `KEY_file`.
pub(super) fn read_secret(table: &Table<'_>, key: &str) -> Option<Secret> {
    let file_key = format!("{key}_file");
    let (direct, file) = (table.get(key), table.get(&file_key));
    if let Some(spot) = &direct
        && !from_environment(spot)
    {
        let variable = spot.path.to_uppercase().replace('.', "__");
        spot.fault_without_value(format!(
            "must not be in a file or on the command line, where others can read it: set the environment variable \
             {}{variable}, or name a file in {file_key}",
            super::ENV_PREFIX
        ));
        return None;
    }
    match (direct, file) {
        (Some(_), Some(file)) => {
            file.fault(format!("must not be set beside {}", table.path_of(key)));
            None
        }
        (Some(spot), None) => match &spot.value.kind {
            ValueKind::String(text) => some(text, |rule| spot.fault_without_value(rule)),
            // `ROUNDSMAN__BROKER__PASSWORD="[1]"`: what looks like a table or an array is read as one.
            _ => {
                spot.fault_without_value("must be plain text");
                None
            }
        },
        (None, Some(spot)) => {
            let path = Path::new(spot.text()?);
            match read_private(path) {
                Ok(text) => some(text.trim_end_matches(['\r', '\n']), |rule| spot.fault(rule)),
                Err(rule) => {
                    spot.fault(rule);
                    None
                }
            }
        }
        (None, None) => None,
    }
}

fn some(text: &str, fault: impl FnOnce(&'static str)) -> Option<Secret> {
    if text.is_empty() {
        fault("must not be empty");
        return None;
    }
    if text.contains(['\r', '\n', '\0']) {
        fault("must be one line");
        return None;
    }
    Some(Secret::new(text))
}

fn from_environment(spot: &Spot<'_>) -> bool {
    spot.value.origin().is_some_and(|origin| origin.starts_with("environment"))
}

/// The text of a file that holds a secret.
///
/// # Errors
/// Readable after the setting's name: it cannot be read, everybody can read or change it, or it is no short text.
pub fn read_private(path: &Path) -> Result<String, String> {
    let unreadable = |error| format!("must be a file that can be read: {error}");
    let about = std::fs::metadata(path).map_err(unreadable)?;
    if !about.is_file() {
        return Err("must be a file that can be read: it is none".into());
    }
    let mode = about.permissions().mode();
    if mode & 0o027 != 0 {
        return Err(format!(
            "must be private to its owner (and readable by its group at most), but its mode is {:04o}: run chmod 0600 \
             on it, or 0640",
            mode & 0o7777
        ));
    }
    if about.len() > LONGEST_BYTES {
        return Err(format!("must be at most {LONGEST_BYTES} bytes long; this is some other file"));
    }
    std::fs::read_to_string(path).map_err(unreadable)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_compared_but_not_shown() {
        let secret = Secret::new("hunter2");
        assert_eq!(format!("{secret:?} {:?}", Some(&secret)), "*** Some(***)");
        assert!(secret.matches("hunter2"));
        for other in ["", "hunter", "hunter3", "hunter22", "Hunter2"] {
            assert!(!secret.matches(other), "{other}");
        }
    }

    #[test]
    fn a_file_others_can_read_or_change_is_refused_with_what_to_do() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("secret");
        std::fs::write(&path, "hunter2\n").expect("written");
        for (mode, good) in
            [(0o600, true), (0o400, true), (0o640, true), (0o644, false), (0o660, false), (0o602, false)]
        {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).expect("ours");
            let read = read_private(&path);
            assert_eq!(read.is_ok(), good, "{mode:o}: {read:?}");
            if let Err(rule) = read {
                assert!(rule.contains(&format!("{mode:04o}")) && rule.contains("chmod 0600"), "{rule}");
            }
        }
        assert!(read_private(dir.path()).expect_err("a folder").contains("it is none"));
        assert!(read_private(&dir.path().join("none")).expect_err("nothing").contains("No such file"));
    }
}
