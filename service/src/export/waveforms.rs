//! The list of the kept waveforms, and the waveforms themselves as WAV: 32-bit floats in m/s², not scaled to ±1, so that a
//! program that reads WAV has the acceleration as it was measured. WAV counts samples in whole hertz; the exact rate stands in
//! the list.

use super::Wanted;
use super::cells::{Cell, Column, Kind, column};
use super::state::{Put, cell, unreadable};
use crate::acquire::mqtt::backoff::fnv1a;
use crate::acquire::waveform::{Capture, Limits, decode};
use crate::error::{Error, Fault};
use crate::mail::file_name;
use roundsman_models::manipulate::waveform::integrate::STANDARD_GRAVITY;
use rusqlite::{Connection, params};
use std::io::Cursor;

/// Unit of the samples, as the list names it (UCUM).
const UNIT: &str = "m/s2";

pub(super) const COLUMNS: &[Column] = &[
    column("time", Kind::Time),
    column("asset", Kind::Text),
    column("number", Kind::Whole),
    column("point", Kind::Text),
    column("bytes", Kind::Whole),
    column("kept_as", Kind::Text),
    column("axis", Kind::Text),
    column("began", Kind::Time),
    column("rate_hz", Kind::Real),
    column("samples", Kind::Whole),
    column("unit", Kind::Text),
    column("rpm", Kind::Real),
    column("file", Kind::Text),
    column("fault", Kind::Text),
];

/// A waveform as a file.
#[derive(Debug)]
pub struct Wav {
    /// Name of the file: of letters, digits, `-`, `_` and `.` only, and another for each waveform.
    pub name: String,
    /// The file.
    pub bytes: Vec<u8>,
    /// What is known of it.
    pub capture: Capture,
}

/// Takes each waveform as a file.
pub(super) type Take<'t> = &'t mut dyn FnMut(&Wav) -> Result<(), Error>;

/// Puts the rows that are wanted, in the order of asset and number. `take`: where the waveforms go; without it only what the
/// list of the state knows is told, and no waveform is read.
pub(super) fn write(
    state: &Connection,
    wanted: &Wanted,
    mut take: Option<Take<'_>>,
    put: Put<'_>,
) -> Result<(), Error> {
    let payload = if take.is_some() { "payload" } else { "NULL" };
    let sql = format!(
        "SELECT at, asset, number, point, length(payload),
             (SELECT group_concat(slot, ' ') FROM waveform_slots AS kept
              WHERE kept.asset = waveforms.asset AND kept.number = waveforms.number), {payload}
         FROM waveforms WHERE (?1 IS NULL OR asset = ?1) AND at >= ?2 AND at < ?3 ORDER BY asset, number"
    );
    let from = wanted.from.map_or(i64::MIN, |at| at.0);
    let to = wanted.to.map_or(i64::MAX, |at| at.0);
    let mut statement = state.prepare(&sql).map_err(unreadable)?;
    let mut rows = statement.query(params![wanted.asset, from, to]).map_err(unreadable)?;
    while let Some(row) = rows.next().map_err(unreadable)? {
        let mut cells = (0..6).map(|at| cell(row, at)).collect::<Result<Vec<_>, _>>()?;
        if let Some(Cell::Whole(at)) = cells.first().copied() {
            cells.splice(..1, [Cell::Time(at)]);
        }
        let made = match (&mut take, row.get_ref(6).map_err(unreadable)?.as_bytes()) {
            (Some(take), Ok(payload)) => {
                let asset: String = row.get(1).map_err(unreadable)?;
                let number: i64 = row.get(2).map_err(unreadable)?;
                let made = wav(&asset, number.cast_unsigned(), payload);
                if let Ok(wav) = &made {
                    take(wav)?;
                }
                Some(made)
            }
            _ => None,
        };
        let axis = made.as_ref().and_then(|made| made.as_ref().ok()?.capture.axis).map(axis_word);
        match &made {
            Some(Ok(wav)) => cells.extend([
                Cell::text(axis.as_deref()),
                Cell::time(wav.capture.start.map(|at| at.0)),
                Cell::Real(wav.capture.rate_hz),
                Cell::Whole(i64::try_from(wav.capture.samples_g.len()).unwrap_or(i64::MAX)),
                Cell::Text(UNIT),
                wav.capture.rpm.map_or(Cell::Nothing, Cell::Real),
                Cell::Text(&wav.name),
                Cell::Nothing,
            ]),
            Some(Err(why)) => cells.extend([Cell::Nothing; 7].into_iter().chain([Cell::Text(why)])),
            None => cells.extend([Cell::Nothing; 8]),
        }
        put(&cells)?;
    }
    Ok(())
}

fn axis_word(axis: roundsman_models::assess::likely_fault::Axis) -> String {
    serde_json::to_value(axis).ok().and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
}

/// A kept message as a file, or why it is none.
pub fn wav(asset: &str, number: u64, payload: &[u8]) -> Result<Wav, String> {
    let capture = decode(payload, &Limits::default()).map_err(|fault| fault.to_string())?;
    let rate = capture.rate_hz.round();
    if !(1.0..=f64::from(u32::MAX)).contains(&rate) {
        return Err(format!("WAV counts whole hertz and knows no rate of {} Hz", capture.rate_hz));
    }
    let mut bytes = Vec::with_capacity(64 + 4 * capture.samples_g.len());
    let spec = hound::WavSpec {
        channels: 1,
        // In range, and whole.
        sample_rate: rate as u32,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let failed = |error: hound::Error| format!("cannot be written as WAV: {error}");
    let mut writer = hound::WavWriter::new(Cursor::new(&mut bytes), spec).map_err(failed)?;
    for g in &capture.samples_g {
        // What a sensor measures has far fewer digits than these.
        writer.write_sample((g * STANDARD_GRAVITY) as f32).map_err(failed)?;
    }
    writer.finalize().map_err(failed)?;
    Ok(Wav { name: name(asset, number), bytes, capture })
}

/// Two assets whose names differ only in what a file's name does not take must not share one.
fn name(asset: &str, number: u64) -> String {
    let safe = file_name(asset);
    let told_apart = if safe == asset { String::new() } else { format!("-{:08x}", fnv1a(asset.as_bytes()) as u32) };
    format!("waveform-{safe}{told_apart}-{number}.wav")
}

/// Where they go beside the list.
pub(super) fn into_folder(dir: &std::path::Path, wav: &Wav) -> Result<(), Error> {
    let path = dir.join(&wav.name);
    super::file::replace(&path, |file| {
        std::io::Write::write_all(file, &wav.bytes)
            .map_err(|source| Error::new(Fault::Io, "cannot write").because(source))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::acquire::waveform::encode;

    fn capture() -> Capture {
        let samples_g = (0..480).map(|n| (f64::from(n) * 0.1).sin()).collect();
        let axis = Some(roundsman_models::assess::likely_fault::Axis::Vertical);
        let (asset, point) = (Some("pump-7".to_owned()), Some("de-acc".to_owned()));
        Capture { asset, point, axis, start: None, rate_hz: 4800.4, rpm: Some(1480.0), request: None, samples_g }
    }

    #[test]
    fn a_waveform_comes_back_from_its_file_in_metres_per_second_squared() {
        let made = wav("pump-7", 12, &encode(&capture())).expect("a file");
        assert_eq!(made.name, "waveform-pump-7-12.wav");
        let mut read = hound::WavReader::new(made.bytes.as_slice()).expect("a WAV");
        let spec = read.spec();
        assert_eq!((spec.channels, spec.sample_rate, spec.bits_per_sample), (1, 4800, 32));
        let samples: Vec<f32> = read.samples().collect::<Result<_, _>>().expect("samples");
        assert_eq!(samples.len(), 480);
        for (got, g) in samples.iter().zip(capture().samples_g) {
            // 1 g = 9.80665 m/s² by definition; a message carries 32-bit floats.
            assert!((f64::from(*got) - 9.80665 * g).abs() < 1e-5, "{got} {g}");
        }
        assert!(wav("pump-7", 1, b"{}").expect_err("no waveform").contains("rate_hz"));
    }

    #[test]
    fn names_are_safe_and_differ() {
        assert_eq!(name("pump-7", 3), "waveform-pump-7-3.wav");
        let (space, slash) = (name("pump 7", 3), name("pump/7", 3));
        assert!(space != slash && space != name("pump-7", 3), "{space} {slash}");
        for name in [space, slash, name("../../etc/passwd", 1)] {
            assert!(
                name.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c)) && !name.contains(".."),
                "{name}"
            );
        }
    }
}
