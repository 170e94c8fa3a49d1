//! A file that is there whole or not at all.

use crate::error::Error;
use std::fs::{self, File};
use std::path::Path;

/// Lets `write` fill a file beside `path` and puts it in its place when that went well.
///
/// # Errors
/// It cannot be written; what was at `path` before is still there.
pub(crate) fn replace(path: &Path, write: impl FnOnce(&mut File) -> Result<(), Error>) -> Result<(), Error> {
    let dir = path.parent().filter(|dir| !dir.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let mut part = tempfile::Builder::new()
        .prefix(".part-")
        // The rights of an ordinary file: those of the umask.
        .permissions(fs::Permissions::from_mode(0o666))
        .tempfile_in(dir)
        .map_err(|source| Error::io("write into", dir, source))?;
    write(part.as_file_mut()).map_err(|error| error.at(&path.display().to_string()))?;
    part.as_file().sync_all().map_err(|source| Error::io("write", path, source))?;
    part.persist(path).map_err(|fault| Error::io("write", path, fault.error))?;
    Ok(())
}

use std::os::unix::fs::PermissionsExt;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::error::Fault;
    use std::io::Write;

    #[test]
    fn what_fails_leaves_the_old_file_and_nothing_beside_it() {
        let dir = tempfile::tempdir().expect("a folder");
        let path = dir.path().join("a.csv");
        replace(&path, |file| file.write_all(b"old").map_err(|e| Error::io("write", Path::new("a"), e)))
            .expect("works");
        let failed = replace(&path, |file| {
            file.write_all(b"new").map_err(|e| Error::io("write", Path::new("a"), e))?;
            Err(Error::new(Fault::Io, "the disk is full"))
        });
        assert!(failed.expect_err("it failed").to_string().contains("a.csv: the disk is full"));
        assert_eq!(fs::read_to_string(&path).expect("there"), "old");
        assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 1);
    }
}
