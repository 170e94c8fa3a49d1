//! What the operating system says: our memory, the disk under the state directory, the size of our files.

use std::path::Path;

/// Looked up anew for every request; `None` where the system does not say.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Host {
    /// Resident memory, bytes.
    pub resident_bytes: Option<u64>,
    /// Free to us on the disk of the state directory, bytes.
    pub disk_free_bytes: Option<u64>,
    /// Size of that disk, bytes.
    pub disk_size_bytes: Option<u64>,
    /// Name and size of each file in the state directory, in the order of the names.
    pub files: Vec<(&'static str, u64)>,
}

/// Our files in the state directory. The `-wal` files are SQLite's: what is committed and not yet moved into its place.
const FILES: [&str; 4] = ["journal.db", "journal.db-wal", "state.db", "state.db-wal"];

impl Host {
    /// Looks.
    pub fn look(state_dir: &Path) -> Self {
        let disk = rustix::fs::statvfs(state_dir).ok();
        let size = |name: &'static str| Some((name, std::fs::metadata(state_dir.join(name)).ok()?.len()));
        Self {
            resident_bytes: std::fs::read_to_string("/proc/self/status").ok().as_deref().and_then(resident),
            disk_free_bytes: disk.as_ref().map(|disk| disk.f_bavail.saturating_mul(disk.f_frsize)),
            disk_size_bytes: disk.as_ref().map(|disk| disk.f_blocks.saturating_mul(disk.f_frsize)),
            files: FILES.into_iter().filter_map(size).collect(),
        }
    }
}

/// The line `VmRSS: 12345 kB` of `/proc/PID/status` (man 5 proc).
fn resident(status: &str) -> Option<u64> {
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kib: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
    kib.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn memory_disk_and_files_of_this_very_process() {
        let dir = tempfile::tempdir().expect("a temporary directory");
        std::fs::write(dir.path().join("state.db"), [0; 5000]).expect("writes");
        let host = Host::look(dir.path());
        assert!(host.resident_bytes.is_some_and(|bytes| bytes > 1 << 20), "{host:?}");
        assert!(host.disk_free_bytes <= host.disk_size_bytes && host.disk_size_bytes.is_some(), "{host:?}");
        assert_eq!(host.files, [("state.db", 5000)]);
        assert_eq!(resident("Name:\tx\nVmRSS:\t   12 kB\n"), Some(12 * 1024));
        assert_eq!(Host::look(Path::new("/no/such/folder")).disk_free_bytes, None);
    }
}
