//! The readings of the journal: the daemon's own entries through the daemon's own edge, so that names, units and what is
//! refused are the same. What people call a reading's value is the one in the unit the point is kept in.

use super::Wanted;
use super::cells::{Cell, Column, Kind, column};
use crate::acquire::Quality;
use crate::acquire::mqtt::{Entry, Message};
use crate::acquire::plant::Plant;
use crate::asset::spec::AssetSpec;
use crate::config::{self, Checked};
use crate::engine::Event;
use crate::error::{Error, Fault};
use crate::intake::{Edge, Routed};
use crate::keep::{Journal, KeepError};
use indicatif::ProgressBar;
use std::path::Path;
use std::sync::Arc;

/// As `roundsman replay` reads a long table.
pub(super) const COLUMNS: &[Column] = &[
    column("time", Kind::Time),
    column("asset", Kind::Text),
    column("point", Kind::Text),
    column("value", Kind::Real),
    column("unit", Kind::Text),
    column("quality", Kind::Text),
];

fn failed(error: KeepError) -> Error {
    Error::new(Fault::Data, error.to_string())
}

/// Puts every reading that is wanted. What is worth knowing of the journal goes to `notes`.
pub(super) fn write(
    dir: &Path,
    config: Option<&Checked>,
    wanted: &Wanted,
    bar: &ProgressBar,
    notes: &mut Vec<String>,
    put: &mut dyn FnMut(&[Cell<'_>]) -> Result<(), Error>,
) -> Result<(), Error> {
    let path = dir.join("journal.db");
    let journal = Journal::open_recording(&path).map_err(failed)?;
    let Some(first) = journal.first().map_err(failed)? else {
        notes.push("the journal is empty".into());
        return Ok(());
    };
    let head = journal.head().map_err(failed)?;
    if first > 1 {
        notes
            .push("the journal no longer goes back to its begin: journal.keep_days says how long readings stay".into());
    }
    // The configuration that held then, as it is recorded; today's only where none was.
    let recorded = journal.configuration_at(first - 1).map_err(failed)?;
    let then = match &recorded {
        Some(recorded) => config::from_recorded(recorded, &[])
            .map_err(|faults| Error::config(&faults).at(&path.display().to_string()))?,
        None => config.cloned().ok_or_else(|| {
            Error::new(Fault::Data, format!("{}: no configuration was recorded in it; give --config", path.display()))
        })?,
    };
    let mut edge = Plant::new(&then, crate::run::topics(&then)?);
    let mut specs: Vec<Option<Arc<AssetSpec>>> = Vec::new();
    let mut routed = Routed::default();
    if let Err(why) = edge.restore(None, &mut routed.events) {
        notes.push(why);
    }
    let mut position = first - 1;
    bar.set_length(head - position);
    let (mut damaged, mut old_configurations) = (0, 0);
    loop {
        let entries = match journal.after(position, head) {
            Ok(Some((at, entries))) => {
                position = at;
                entries
            }
            Ok(None) => break,
            Err(KeepError::Row { position: at, .. }) => {
                damaged += 1;
                position = at;
                continue;
            }
            Err(error) => return Err(failed(error)),
        };
        bar.set_position((position + 1).saturating_sub(first));
        for entry in &entries {
            match entry {
                // Refused in the daemon before they get here; what the page asked for is no reading.
                Entry::Message(Message { retain: true, .. } | Message { cut: true, .. })
                | Entry::Asked(_)
                | Entry::Hole(_) => {}
                Entry::Message(message) => edge.message(message, &mut routed),
                Entry::Idle(micros) => edge.idle(*micros, &mut routed),
                Entry::Configured(recorded) => {
                    old_configurations += u32::from(edge.configure(recorded, &mut routed.events).is_err());
                }
            }
            routed.rejected.clear();
            routed.held_back.clear();
            (routed.refused, routed.reply_to) = (None, None);
            for event in routed.events.drain(..) {
                match event {
                    Event::Define(id, spec, _) => {
                        let place = id.0 as usize;
                        if specs.len() <= place {
                            specs.resize(place + 1, None);
                        }
                        if let Some(known) = specs.get_mut(place) {
                            *known = Some(spec);
                        }
                    }
                    Event::Observed(seen) if wanted.takes(seen.at) => {
                        let Some(Some(spec)) = specs.get(seen.asset.0 as usize) else { continue };
                        if wanted.asset.as_ref().is_some_and(|asset| *asset != spec.name) {
                            continue;
                        }
                        let Some(point) = spec.points.get(usize::from(seen.point)) else { continue };
                        let quality = if seen.quality == Quality::Good { "good" } else { "bad" };
                        put(&[
                            Cell::Time(seen.at.0),
                            Cell::Text(&spec.name),
                            Cell::Text(&point.name),
                            Cell::Real(seen.value),
                            Cell::text(Some(point.unit.as_str()).filter(|unit| !unit.is_empty())),
                            Cell::Text(quality),
                        ])?;
                    }
                    _ => {}
                }
            }
        }
    }
    if damaged > 0 {
        notes.push(format!("{damaged} rows of the journal are damaged and left out"));
    }
    if old_configurations > 0 {
        notes
            .push(format!("{old_configurations} recorded configurations cannot be used any more and were passed over"));
    }
    Ok(())
}
