//! Which waveforms are kept, as what, and the waveforms themselves.

use super::Reader;
use crate::keep::KeepError;
use roundsman_models::EventTime;

/// One kept waveform.
#[derive(Debug, Clone, PartialEq)]
pub struct WaveformRow {
    /// Its number on the asset.
    pub number: u64,
    /// Stream time it came.
    pub at: EventTime,
    /// Point, when the topic said.
    pub point: Option<String>,
    /// What it is kept as (see `crate::asset::capture::Kept`); may be several.
    pub slots: Vec<String>,
    /// Size of the message, bytes.
    pub bytes: u64,
}

impl Reader {
    /// The waveforms of an asset, oldest first.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn waveforms(&self, asset: &str) -> Result<Vec<WaveformRow>, KeepError> {
        let sql = "SELECT number, at, point, length(payload) FROM waveforms WHERE asset = ?1 ORDER BY number";
        let mut found = self.all(sql, [asset], |row| {
            Ok(WaveformRow {
                number: row.get::<_, i64>(0)?.cast_unsigned(),
                at: EventTime(row.get(1)?),
                point: row.get(2)?,
                slots: Vec::new(),
                bytes: row.get::<_, i64>(3)?.cast_unsigned(),
            })
        })?;
        let sql = "SELECT number, slot FROM waveform_slots WHERE asset = ?1 ORDER BY slot";
        let slots =
            self.all(sql, [asset], |row| Ok((row.get::<_, i64>(0)?.cast_unsigned(), row.get::<_, String>(1)?)))?;
        for (number, slot) in slots {
            if let Some(row) = found.iter_mut().find(|row| row.number == number) {
                row.slots.push(slot);
            }
        }
        Ok(found)
    }

    /// The message of one waveform as it came: what `crate::acquire::waveform` reads.
    ///
    /// # Errors
    /// The file cannot be read.
    pub fn waveform(&self, asset: &str, number: u64) -> Result<Option<Vec<u8>>, KeepError> {
        let sql = "SELECT payload FROM waveforms WHERE asset = ?1 AND number = ?2";
        let found = self.all(sql, rusqlite::params![asset, number.cast_signed()], |row| row.get(0))?;
        Ok(found.into_iter().next())
    }
}
