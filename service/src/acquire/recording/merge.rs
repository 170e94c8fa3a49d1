//! Several recordings played as one stream: by time, and at the same time in the order the files were given.
//!
//! Within a file the order of the file is kept whatever its times say: a reading that comes late in the file comes late
//! in the stream.

use super::{Faults, Names, Raw, Recording, RecordingError};
use roundsman_models::EventTime;
use std::cmp::Reverse;
use std::collections::BinaryHeap;

struct Source {
    recording: Box<dyn Recording>,
    batch: Vec<Raw>,
    next: usize,
    more: bool,
}

impl Source {
    /// The time of the next reading, loading batches as needed; `None` at the end.
    fn head(&mut self) -> Result<Option<EventTime>, RecordingError> {
        loop {
            if let Some(raw) = self.batch.get(self.next) {
                return Ok(Some(raw.at));
            }
            if !self.more {
                return Ok(None);
            }
            self.next = 0;
            self.more = self.recording.next_batch(&mut self.batch)?;
        }
    }
}

/// A stretch of one recording that comes next.
#[derive(Debug)]
pub struct Run<'a> {
    /// Place of the recording among those given.
    pub recording: usize,
    /// Its readings, never empty.
    pub readings: &'a [Raw],
    /// The recording's series, all that `readings` name.
    pub series: &'a [Names],
}

/// The merged stream.
pub struct Merge {
    sources: Vec<Source>,
    heap: BinaryHeap<Reverse<(EventTime, usize)>>,
    /// The source whose next reading is not known yet, because its batch is still lent out. All at the start.
    unknown: Vec<usize>,
}

impl Merge {
    /// Merges recordings.
    pub fn new(recordings: Vec<Box<dyn Recording>>) -> Self {
        let source = |recording| Source { recording, batch: Vec::new(), next: 0, more: true };
        let unknown = (0..recordings.len()).collect();
        Self { sources: recordings.into_iter().map(source).collect(), heap: BinaryHeap::new(), unknown }
    }

    /// The longest stretch of one recording that comes before everything of the others; `None` at the end. With one
    /// recording this is a whole batch, without a copy.
    ///
    /// # Errors
    /// As [`Recording::next_batch`].
    pub fn next_run(&mut self) -> Result<Option<Run<'_>>, RecordingError> {
        while let Some(place) = self.unknown.pop() {
            self.queue(place)?;
        }
        let Some(Reverse((_, place))) = self.heap.pop() else { return Ok(None) };
        let other = self.heap.peek().map(|&Reverse(head)| head);
        // Queued only when its next reading is known, which may load a batch: not before this one is given back.
        self.unknown.push(place);
        let Some(source) = self.sources.get_mut(place) else { return Ok(None) };
        let rest = source.batch.get(source.next..).unwrap_or_default();
        let length = match other {
            None => rest.len(),
            Some(other) => rest.iter().take_while(|raw| (raw.at, place) < other).count(),
        };
        source.next += length;
        let readings = rest.get(..length).unwrap_or_default();
        Ok(Some(Run { recording: place, readings, series: source.recording.series() }))
    }

    fn queue(&mut self, place: usize) -> Result<(), RecordingError> {
        if let Some(source) = self.sources.get_mut(place)
            && let Some(at) = source.head()?
        {
            self.heap.push(Reverse((at, place)));
        }
        Ok(())
    }

    /// What each recording did not yield.
    pub fn faults(&self) -> impl Iterator<Item = &Faults> {
        self.sources.iter().map(|source| source.recording.faults())
    }
}
