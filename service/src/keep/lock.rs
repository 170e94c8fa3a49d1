//! One process at a time keeps a state directory.

use super::KeepError;
use std::fs::{File, OpenOptions, TryLockError};
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

/// Holds the directory until it is dropped.
pub(super) struct Lock(File);

impl Lock {
    /// Takes `dir`.
    ///
    /// # Errors
    /// Another process has it, or the file cannot be made.
    pub(super) fn take(dir: &Path) -> Result<Self, KeepError> {
        let path = dir.join("lock");
        let file = OpenOptions::new().write(true).create(true).truncate(true).mode(0o600).open(&path);
        let file = match file {
            Ok(file) => file,
            Err(source) => return Err(KeepError::Path { path, source }),
        };
        match file.try_lock() {
            Ok(()) => Ok(Self(file)),
            Err(TryLockError::WouldBlock) => Err(KeepError::Locked { path }),
            Err(TryLockError::Error(source)) => Err(KeepError::Path { path, source }),
        }
    }
}

impl Drop for Lock {
    /// Closing would not do while a child of ours, between its fork and its start, has the file open as well.
    fn drop(&mut self) {
        let _ = self.0.unlock();
    }
}
