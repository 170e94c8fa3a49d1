//! Sorting more than memory should hold: fixed-size records in sorted runs on disk, merged at the end.
//!
//! Stable: records with the same key come out in the order they went in. Nothing touches the disk while all records
//! fit in one run. The run files have no name, so a process that is killed leaves nothing behind.

use std::cmp::Reverse;
use std::collections::BinaryHeap;
use std::fs::File;
use std::io::{self, BufReader, BufWriter, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

/// Most bytes a record may take on disk.
const MOST_BYTES: usize = 64;

/// A record of fixed size.
pub trait Record: Copy {
    /// What it is sorted by.
    type Key: Ord + Copy;
    /// Bytes on disk, at most 64.
    const BYTES: usize;
    /// What it is sorted by.
    fn key(&self) -> Self::Key;
    /// Fills all of `out`, which has [`Record::BYTES`].
    fn encode(&self, out: &mut [u8]);
    /// The inverse of [`Record::encode`].
    fn decode(bytes: &[u8]) -> Self;
}

/// Takes records in any order.
#[derive(Debug)]
pub struct Spill<R> {
    buffer: Vec<R>,
    run_records: usize,
    runs: Vec<File>,
    dir: PathBuf,
    len: u64,
}

impl<R: Record> Spill<R> {
    /// Runs of `run_records` records, in files in `dir`.
    pub fn new(dir: PathBuf, run_records: usize) -> Self {
        Self { buffer: Vec::new(), run_records: run_records.max(1), runs: Vec::new(), dir, len: 0 }
    }

    /// Adds a record.
    ///
    /// # Errors
    /// A full run could not be written.
    #[inline]
    pub fn push(&mut self, record: R) -> io::Result<()> {
        self.buffer.push(record);
        self.len += 1;
        if self.buffer.len() >= self.run_records { self.write_run() } else { Ok(()) }
    }

    /// Records taken so far.
    pub fn len(&self) -> u64 {
        self.len
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    #[cold]
    fn write_run(&mut self) -> io::Result<()> {
        self.buffer.sort_by_key(R::key);
        let mut out = BufWriter::with_capacity(1 << 18, tempfile::tempfile_in(&self.dir)?);
        let mut bytes = [0; MOST_BYTES];
        for record in &self.buffer {
            record.encode(&mut bytes[..R::BYTES]);
            out.write_all(&bytes[..R::BYTES])?;
        }
        let mut file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
        file.seek(SeekFrom::Start(0))?;
        self.runs.push(file);
        self.buffer.clear();
        Ok(())
    }

    /// Everything in order: this one's records, then, among equal keys, those of `others`.
    ///
    /// # Errors
    /// A run could not be read.
    pub fn merge(spills: Vec<Self>) -> io::Result<Merged<R>> {
        let mut merged = Merged { sources: Vec::new(), heap: BinaryHeap::new() };
        for mut spill in spills {
            spill.buffer.sort_by_key(R::key);
            for file in spill.runs {
                merged.add(Source::Disk(BufReader::with_capacity(1 << 16, file)))?;
            }
            merged.add(Source::Memory(spill.buffer.into_iter()))?;
        }
        Ok(merged)
    }
}

#[derive(Debug)]
enum Source<R> {
    Disk(BufReader<File>),
    Memory(std::vec::IntoIter<R>),
}

impl<R: Record> Source<R> {
    fn next(&mut self) -> io::Result<Option<R>> {
        match self {
            Self::Memory(records) => Ok(records.next()),
            Self::Disk(file) => {
                let mut bytes = [0; MOST_BYTES];
                match file.read_exact(&mut bytes[..R::BYTES]) {
                    Ok(()) => Ok(Some(R::decode(&bytes[..R::BYTES]))),
                    Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(None),
                    Err(error) => Err(error),
                }
            }
        }
    }
}

/// The records in order.
#[derive(Debug)]
pub struct Merged<R: Record> {
    sources: Vec<(Source<R>, R)>,
    heap: BinaryHeap<Reverse<(R::Key, usize)>>,
}

impl<R: Record> Merged<R> {
    fn add(&mut self, mut source: Source<R>) -> io::Result<()> {
        if let Some(head) = source.next()? {
            self.heap.push(Reverse((head.key(), self.sources.len())));
            self.sources.push((source, head));
        }
        Ok(())
    }

    /// The next record.
    ///
    /// # Errors
    /// A run could not be read.
    pub fn next_record(&mut self) -> io::Result<Option<R>> {
        let Some(mut top) = self.heap.peek_mut() else { return Ok(None) };
        let Reverse((_, place)) = *top;
        let Some((source, head)) = self.sources.get_mut(place) else { return Ok(None) };
        let record = *head;
        match source.next()? {
            Some(next) => {
                *head = next;
                *top = Reverse((next.key(), place));
            }
            None => {
                std::collections::binary_heap::PeekMut::pop(top);
            }
        }
        Ok(Some(record))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Clone, Copy, PartialEq, Debug)]
    struct Pair(i64, u32);

    impl Record for Pair {
        type Key = i64;
        const BYTES: usize = 12;
        fn key(&self) -> i64 {
            self.0
        }
        fn encode(&self, out: &mut [u8]) {
            out[..8].copy_from_slice(&self.0.to_le_bytes());
            out[8..].copy_from_slice(&self.1.to_le_bytes());
        }
        fn decode(bytes: &[u8]) -> Self {
            let (key, rest) = bytes.split_at(8);
            Self(i64::from_le_bytes(key.try_into().unwrap()), u32::from_le_bytes(rest.try_into().unwrap()))
        }
    }

    proptest::proptest! {
        #[test]
        fn as_a_stable_sort_in_memory(keys in proptest::collection::vec(-3i64..4, 0..60), run in 1usize..20, cut in 0usize..60) {
            let mut spills = vec![Spill::new(std::env::temp_dir(), run), Spill::new(std::env::temp_dir(), run)];
            let pairs: Vec<Pair> = keys.iter().zip(0..).map(|(&key, place)| Pair(key, place)).collect();
            for (place, &pair) in pairs.iter().enumerate() {
                spills[usize::from(place >= cut)].push(pair).unwrap();
            }
            let mut want = pairs;
            want.sort_by_key(Pair::key);
            let mut merged = Spill::merge(spills).unwrap();
            let mut got = Vec::new();
            while let Some(pair) = merged.next_record().unwrap() {
                got.push(pair);
            }
            proptest::prop_assert_eq!(got, want);
        }
    }
}
