//! Documents that wait to be sorted: an index in memory, the texts on disk beyond a few megabytes.

use crate::acquire::AssetId;
use roundsman_models::EventTime;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

/// Bytes of text held in memory.
const HELD: usize = 8 << 20;

/// Where a document is, and where it belongs.
#[derive(Debug, Clone)]
pub(super) struct Entry {
    pub(super) at: EventTime,
    pub(super) asset: AssetId,
    pub(super) id: Box<str>,
    pub(super) revision: u32,
    from: u64,
    length: usize,
}

/// One worker's documents.
#[derive(Debug)]
pub(super) struct Documents {
    entries: Vec<Entry>,
    text: Vec<u8>,
    file: Option<File>,
    in_file: u64,
    dir: PathBuf,
}

impl Documents {
    pub(super) fn new(dir: PathBuf) -> Self {
        Self { entries: Vec::new(), text: Vec::new(), file: None, in_file: 0, dir }
    }

    pub(super) fn push(
        &mut self,
        at: EventTime,
        asset: AssetId,
        id: &str,
        revision: u32,
        document: &str,
    ) -> io::Result<()> {
        let from = self.in_file + self.text.len() as u64;
        self.text.extend_from_slice(document.as_bytes());
        self.entries.push(Entry { at, asset, id: id.into(), revision, from, length: document.len() });
        if self.text.len() < HELD {
            return Ok(());
        }
        let file = match &mut self.file {
            Some(file) => file,
            none => none.insert(tempfile::tempfile_in(&self.dir)?),
        };
        file.write_all(&self.text)?;
        self.in_file += self.text.len() as u64;
        self.text.clear();
        Ok(())
    }

    pub(super) fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Appends the text of an entry to `out`.
    pub(super) fn read(&mut self, entry: &Entry, out: &mut Vec<u8>) -> io::Result<()> {
        if let Some(from) = entry.from.checked_sub(self.in_file) {
            let from = from as usize;
            out.extend_from_slice(self.text.get(from..from + entry.length).unwrap_or_default());
        } else if let Some(file) = &mut self.file {
            file.seek(SeekFrom::Start(entry.from))?;
            file.take(entry.length as u64).read_to_end(out)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_come_back_from_memory_and_disk() {
        let mut documents = Documents::new(std::env::temp_dir());
        let text = |n: u32| format!("{n}:{}", "x".repeat(1000 + n as usize % 100));
        for n in 0..20_000 {
            documents.push(EventTime(0), AssetId(0), "", n, &text(n)).unwrap();
        }
        assert!(documents.in_file > 0 && !documents.text.is_empty());
        for entry in documents.entries().to_vec().iter().rev().step_by(997) {
            let mut out = Vec::new();
            documents.read(entry, &mut out).unwrap();
            assert_eq!(String::from_utf8(out).unwrap(), text(entry.revision));
        }
    }
}
