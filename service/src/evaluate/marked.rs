//! Labels that stand in the recording itself: a column that is 1 while something is wrong.
//!
//! The column is read as the replay reads any point, so every format and every way of naming assets is understood.
//! Its rows, not the snapshots, are what is judged: a row the replay gave no score is still a row.

use super::labels::{About, Label};
use crate::acquire::recording::{self, Progress, ReadOptions};
use crate::error::{Error, Fault};
use roundsman_models::EventTime;
use roundsman_models::evaluate::Truth;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// Rows of a recording: when, and whether something was wrong.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Marked {
    /// By asset, by time.
    pub rows: BTreeMap<String, Vec<(EventTime, bool)>>,
}

impl Marked {
    /// Reads the column `name` of all recordings.
    ///
    /// # Errors
    /// A recording cannot be read, has no such column, or holds another value than 0 and 1 in it.
    pub fn read(recordings: &[PathBuf], name: &str, options: &ReadOptions) -> Result<Self, Error> {
        let mut marked = Self::default();
        for path in recordings {
            let at = |what: String| Error::new(Fault::Data, format!("{}: {what}", path.display()));
            let mut recording = recording::open(path, options, recordings.len(), &|| None, &Progress::default())?;
            let mut batch = Vec::new();
            let mut found = false;
            loop {
                // The last batch may hold readings, too.
                let more = recording.next_batch(&mut batch)?;
                let series = recording.series();
                for raw in &batch {
                    let Some(names) = series.get(raw.series as usize).filter(|names| names.point == name) else {
                        continue;
                    };
                    found = true;
                    let wrong = match raw.value {
                        0.0 => false,
                        1.0 => true,
                        other => return Err(at(format!("the column {name} must hold 0 and 1, got {other}"))),
                    };
                    match marked.rows.get_mut(&names.asset) {
                        Some(rows) => rows.push((raw.at, wrong)),
                        None => drop(marked.rows.insert(names.asset.clone(), vec![(raw.at, wrong)])),
                    }
                }
                if !more {
                    break;
                }
            }
            if !found {
                return Err(at(format!("has no column {name}")));
            }
        }
        for rows in marked.rows.values_mut() {
            rows.sort_by_key(|(at, _)| *at);
        }
        Ok(marked)
    }

    /// Each stretch of rows in which something was wrong, as a label of kind `kind`.
    pub fn labels(&self, kind: &str) -> Vec<Label> {
        let mut labels = Vec::new();
        for (asset, rows) in &self.rows {
            for stretch in rows.chunk_by(|a, b| a.1 == b.1) {
                if let (Some(&(from, true)), Some(&(to, _))) = (stretch.first(), stretch.last()) {
                    labels.push(Label {
                        asset: asset.clone(),
                        span: Truth { from, to },
                        kind: kind.to_owned(),
                        about: About::Any,
                        point: None,
                        life_ends: None,
                        target: "alarm".to_owned(),
                    });
                }
            }
        }
        labels
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stretches_of_ones_become_labels() {
        let folder = tempfile::tempdir().expect("a folder");
        let path = folder.path().join("loop-3.csv");
        let write = |text: &str| std::fs::write(&path, text).expect("it is written");
        write(
            "time,flow,bad\n2031-03-01 00:00:00,5,0\n2031-03-01 00:00:01,5,1\n2031-03-01 00:00:02,,1\n\
               2031-03-01 00:00:03,5,0\n2031-03-01 00:00:04,5,1\n",
        );
        let read = || Marked::read(std::slice::from_ref(&path), "bad", &ReadOptions::default());
        let marked = read().expect("it is read");
        assert_eq!(marked.rows["loop-3"].len(), 5);
        let labels = marked.labels("bad");
        let spans: Vec<f64> = labels.iter().map(|label| label.span.to.secs_since(label.span.from)).collect();
        assert_eq!(spans, [1.0, 0.0]);
        write("time,flow,bad\n2031-03-01 00:00:00,5,0.5\n");
        assert!(read().expect_err("a half").to_string().contains("must hold 0 and 1, got 0.5"));
        write("time,flow\n2031-03-01 00:00:00,5\n");
        assert!(read().expect_err("none").to_string().contains("has no column bad"));
    }
}
