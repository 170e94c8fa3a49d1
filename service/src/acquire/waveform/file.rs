//! Waveform files: WAV, CSV, raw samples, and messages stored in files.

use super::{Capture, Encoding, Limits, WaveformFault, checked_samples, decode, to_g};
use std::path::Path;

/// What a file does not say of itself.
#[derive(Debug, Clone, PartialEq)]
pub struct FileOptions {
    /// Samples a second, for raw samples and CSV without a time column.
    pub rate_hz: Option<f64>,
    /// A sample is the stored number times this, in `unit`; for WAV the value at full scale.
    pub scale: f64,
    /// Unit after scaling.
    pub unit: String,
    /// How raw samples are stored.
    pub encoding: Encoding,
    /// Channel of a WAV or column of a CSV, from 1; in a CSV without its time column.
    pub channel: usize,
}

impl Default for FileOptions {
    fn default() -> Self {
        Self { rate_hz: None, scale: 1.0, unit: "g".to_owned(), encoding: Encoding::I16, channel: 1 }
    }
}

/// Files over this size are refused before they are read: 256 MiB.
const LARGEST: u64 = 256 << 20;

/// Reads a file by the end of its name: `.wav`, `.csv` or `.txt`, `.json` and `.rwf` (messages), anything else raw.
///
/// # Errors
/// What cannot be read, or what the file and the options leave open.
pub fn read_file(path: &Path, options: &FileOptions) -> Result<Capture, WaveformFault> {
    let io = |error: std::io::Error| WaveformFault::new("file", error.to_string());
    let size = std::fs::metadata(path).map_err(io)?.len();
    if size > LARGEST {
        return Err(WaveformFault::new("file", format!("{size} bytes, and at most {LARGEST} are read")));
    }
    let bytes = std::fs::read(path).map_err(io)?;
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or_default().to_ascii_lowercase();
    read_bytes(&bytes, &ending, options)
}

/// As [`read_file`], from memory; `ending` is that of its name, in small letters.
///
/// # Errors
/// As [`read_file`].
pub fn read_bytes(bytes: &[u8], ending: &str, options: &FileOptions) -> Result<Capture, WaveformFault> {
    let factor = options.scale * to_g(&options.unit)?;
    if !(factor.is_finite() && factor != 0.0) {
        return Err(WaveformFault::new("scale", format!("must be finite and not 0, got {}", options.scale)));
    }
    let (rate_hz, samples_g) = match ending {
        "json" | "rwf" => return decode(bytes, &Limits { bytes: bytes.len(), samples: usize::MAX }),
        "wav" => wav(bytes, factor, options)?,
        "csv" | "txt" => csv(bytes, factor, options)?,
        _ => (rate(options)?, options.encoding.read(bytes, factor)?),
    };
    checked_samples(rate_hz, &samples_g)?;
    Ok(Capture { asset: None, point: None, axis: None, start: None, rate_hz, rpm: None, request: None, samples_g })
}

fn rate(options: &FileOptions) -> Result<f64, WaveformFault> {
    options.rate_hz.ok_or_else(|| WaveformFault::new("rate_hz", "the file does not say it: give --rate"))
}

fn wav(bytes: &[u8], factor: f64, options: &FileOptions) -> Result<(f64, Vec<f64>), WaveformFault> {
    let unreadable = |error: hound::Error| WaveformFault::new("file", format!("not a readable WAV: {error}"));
    let mut reader = hound::WavReader::new(bytes).map_err(unreadable)?;
    let spec = reader.spec();
    let channels = usize::from(spec.channels);
    if !(1..=channels).contains(&options.channel) {
        return Err(WaveformFault::new("channel", format!("{} of {channels}", options.channel)));
    }
    let skip = options.channel - 1;
    let samples: Result<Vec<f64>, hound::Error> = match spec.sample_format {
        hound::SampleFormat::Float => {
            reader.samples::<f32>().skip(skip).step_by(channels).map(|x| Ok(factor * f64::from(x?))).collect()
        }
        hound::SampleFormat::Int => {
            let full = (1_i64 << (spec.bits_per_sample.clamp(1, 32) - 1)) as f64;
            reader.samples::<i32>().skip(skip).step_by(channels).map(|x| Ok(factor * f64::from(x?) / full)).collect()
        }
    };
    Ok((f64::from(spec.sample_rate), samples.map_err(unreadable)?))
}

/// One column of numbers, or several; a column named `time`, `t` or `seconds` gives the rate.
fn csv(bytes: &[u8], factor: f64, options: &FileOptions) -> Result<(f64, Vec<f64>), WaveformFault> {
    let delimiter = if bytes.iter().take(4096).any(|b| *b == b';') { b';' } else { b',' };
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).delimiter(delimiter).flexible(true).from_reader(bytes);
    let mut time_column = None;
    let mut times: Vec<f64> = Vec::new();
    let mut samples = Vec::new();
    for (line, record) in reader.records().enumerate() {
        let record = record.map_err(|error| WaveformFault::new("file", format!("not a readable CSV: {error}")))?;
        if line == 0 && record.iter().any(|cell| cell.trim().parse::<f64>().is_err()) {
            let is_time = |name: &str| {
                let name = name.trim().to_ascii_lowercase();
                ["time", "t", "seconds", "time_s", "time [s]"].contains(&name.as_str())
            };
            time_column = record.iter().position(is_time);
            continue;
        }
        let column = (0..record.len()).filter(|c| Some(*c) != time_column).nth(options.channel.saturating_sub(1));
        let number = |column: Option<usize>| column.and_then(|c| record.get(c)?.trim().parse::<f64>().ok());
        let Some(value) = number(column) else {
            return Err(WaveformFault::new("samples", format!("line {}: no number in that column", line + 1)));
        };
        samples.push(factor * value);
        if let Some(time) = number(time_column) {
            times.push(time);
        }
    }
    let rate_hz = match (options.rate_hz, times.first(), times.last()) {
        (Some(rate), _, _) => rate,
        (None, Some(first), Some(last)) if times.len() == samples.len() && last > first => {
            let step = (last - first) / (times.len() - 1) as f64;
            // A hole in the time column would shift every frequency behind it.
            let even = times.windows(2).all(|w| matches!(w, [a, b] if ((b - a) / step - 1.0).abs() < 0.5));
            if !even {
                return Err(WaveformFault::new("time", "the samples are not evenly spaced"));
            }
            1.0 / step
        }
        _ => rate(options)?,
    };
    Ok((rate_hz, samples))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(name: &str, content: &[u8]) -> (tempfile::TempDir, std::path::PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join(name);
        std::fs::write(&path, content).unwrap();
        (dir, path)
    }

    fn wave(n: usize) -> f64 {
        (n as f64 * 0.3).sin()
    }

    #[test]
    fn wav_of_two_channels() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.wav");
        let spec = hound::WavSpec {
            channels: 2,
            sample_rate: 8000,
            bits_per_sample: 16,
            sample_format: hound::SampleFormat::Int,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        for n in 0..200 {
            writer.write_sample(0_i16).unwrap();
            writer.write_sample((16384.0 * wave(n)).round() as i16).unwrap();
        }
        writer.finalize().unwrap();
        let options = FileOptions { scale: 20.0, channel: 2, ..FileOptions::default() };
        let capture = read_file(&path, &options).unwrap();
        assert_eq!((capture.rate_hz, capture.samples_g.len()), (8000.0, 200));
        assert!((capture.samples_g[5] - 10.0 * wave(5)).abs() < 1e-3);
        let third = FileOptions { channel: 3, ..FileOptions::default() };
        assert_eq!(read_file(&path, &third).err().map(|f| f.part), Some("channel"));
    }

    #[test]
    fn csv_with_and_without_time() {
        let rows: String = (0..100).map(|n| format!("{},{}\n", n as f64 / 500.0, wave(n))).collect();
        let (_dir, path) = write("a.csv", format!("time,acc\n{rows}").as_bytes());
        let capture = read_file(&path, &FileOptions { unit: "m/s2".into(), ..FileOptions::default() }).unwrap();
        assert!((capture.rate_hz - 500.0).abs() < 1e-9);
        assert!((capture.samples_g[7] - wave(7) / 9.80665).abs() < 1e-12);
        let bare: String = (0..100).map(|n| format!("{}\n", wave(n))).collect();
        let (_dir, path) = write("b.csv", bare.as_bytes());
        assert_eq!(read_file(&path, &FileOptions::default()).err().map(|f| f.part), Some("rate_hz"));
        let rated = FileOptions { rate_hz: Some(1000.0), ..FileOptions::default() };
        assert_eq!(read_file(&path, &rated).map(|c| c.samples_g.len()), Ok(100));
        let (_dir, path) = write("c.csv", b"time,acc\n0,1\n0.1,x\n");
        assert_eq!(read_file(&path, &FileOptions::default()).err().map(|f| f.part), Some("samples"));
    }

    #[test]
    fn raw_samples_need_a_rate_and_a_whole_number() {
        let bytes: Vec<u8> = (0..100).flat_map(|n| ((n * 7) as i16).to_le_bytes()).collect();
        let (_dir, path) = write("a.i16", &bytes);
        assert_eq!(read_file(&path, &FileOptions::default()).err().map(|f| f.part), Some("rate_hz"));
        let rated = FileOptions { rate_hz: Some(1000.0), scale: 0.5, ..FileOptions::default() };
        assert_eq!(read_file(&path, &rated).map(|c| c.samples_g[2]), Ok(7.0));
        let (_dir, path) = write("b.i16", &bytes[..199]);
        assert_eq!(read_file(&path, &rated).err().map(|f| f.part), Some("data"));
    }
}
