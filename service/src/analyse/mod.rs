//! `roundsman analyse`: what is inside a waveform. The same computation that a capture of the daemon gets.

mod bearings;
mod index;
pub(crate) mod plot;
mod raster;
mod report;
mod table;

pub use bearings::read_bearings;
pub use index::{IndexRow, read_index};
pub use plot::plot;
pub(crate) use plot::{escape, number, ticks};
pub use raster::png;
pub use report::{Analyst, Known, Report, Word};
pub use table::Table;

use crate::acquire::waveform::{Capture, Encoding, FileOptions, read_file};
use crate::error::{Error, Fault};
use clap::Args;
use roundsman_models::assess::bearing::Bearing;
use roundsman_models::assess::likely_fault::{Axis, MachineFacts, Picture};
use roundsman_models::assess::rating_life::{RatingLife, RollingElement};
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// Arguments of `analyse`.
#[derive(Debug, Clone, Args)]
#[command(
    about = "Look inside waveforms: spectra, envelopes, likely fault",
    long_about = "Reads acceleration waveforms (WAV, CSV, raw samples, or stored waveform messages), looks for bearing \
defects by envelope analysis and for the usual faults by their lines, and prints what it found with the lines it found it \
by. With --out it also writes a JSON report and an SVG plot per waveform.\n\n\
With --index it does so for a whole folder: a CSV with one line per record (columns record, rpm, fs_hz, de_file or file, \
de_lsb_g or scale_g) beside the raw files, and writes DIR/diagnosis.csv with record, diagnosis (normal, outer, inner, ball \
or other) and confidence.\n\n\
Scores order findings; they are no probabilities. It advises people and is no protection system.",
    after_long_help = "Examples:\n  roundsman analyse pump.wav --scale 50 --speed 1480 --bearing 9,7.94,39.04\n  \
roundsman analyse de.i16 --rate 12000 --scale 0.000162 --speed 1772 --bearing bearing.json --out found\n  \
roundsman analyse h.wav v.wav a.wav --axis h,v,a --together --speed 1480 --reference h0.wav v0.wav a0.wav\n  \
roundsman analyse --index index.csv --bearing bearing.json --out found"
)]
pub struct AnalyseArgs {
    /// Waveforms; the end of the name says what they are: .wav, .csv, .json and .rwf (messages), else raw samples.
    #[arg(value_name = "FILE", required_unless_present = "index", conflicts_with = "index")]
    pub files: Vec<PathBuf>,
    /// CSV that lists the records of a folder.
    #[arg(long, value_name = "INDEX.csv", requires = "out")]
    pub index: Option<PathBuf>,
    /// Shaft speed, r/min; with --index used for every record. Corrected from the waveform where that is clear.
    #[arg(long, value_name = "RPM", value_parser = positive)]
    pub speed: Option<f64>,
    /// Bearings: a JSON file (geometry or multipliers, one bearing or several by name), or n,d,D[,angle] for elements,
    /// their diameter, pitch diameter and contact angle, or bpfo=..,bpfi=..,ftf=..,bsf_x2=.. as multiples of shaft speed.
    #[arg(long, value_name = "BEARING")]
    pub bearing: Option<String>,
    /// Which of several bearings the sensor sits on; `drive_end`, else the first, when left out.
    #[arg(long, value_name = "NAME", requires = "bearing")]
    pub at: Option<String>,
    /// Folder for reports, plots and diagnosis.csv; made when missing.
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Print the reports as JSON instead of tables.
    #[arg(long)]
    pub json: bool,
    /// Samples a second, for files that do not say it.
    #[arg(long, value_name = "HZ", value_parser = positive)]
    pub rate: Option<f64>,
    /// A sample is the stored number times this; for WAV the value at full scale.
    #[arg(long, value_name = "FACTOR", default_value_t = 1.0)]
    pub scale: f64,
    /// Unit of a sample after scaling.
    #[arg(long, value_name = "UNIT", default_value = "g")]
    pub unit: String,
    /// How raw samples are stored, little-endian.
    #[arg(long, value_enum, default_value_t = Encoding::I16)]
    pub encoding: Encoding,
    /// Channel of a WAV or column of a CSV (not counting its time), from 1.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub channel: usize,
    /// Direction of the sensor; several with commas between them, one per file in their order.
    #[arg(long, value_name = "AXIS,...", value_parser = parse_axis, value_delimiter = ',')]
    pub axis: Vec<Axis>,
    /// The files are directions of one place at one time: judged together.
    #[arg(long, requires = "files")]
    pub together: bool,
    /// Waveforms of the same sensors while all was well, in the order of the files: what changed since counts.
    #[arg(long, value_name = "FILE", num_args = 1.., conflicts_with = "index")]
    pub reference: Vec<PathBuf>,
    /// Load rating C and load P of the bearing in kN, and `roller` for one: shows the basic rating life of ISO 281.
    #[arg(long, value_name = "C,P[,roller]", requires = "bearing", value_parser = parse_rating)]
    pub rating: Option<RatingLife>,
    /// Draw plots as PNG too.
    #[arg(long, requires = "out")]
    pub png: bool,
    /// Blades or vanes.
    #[arg(long, value_name = "N")]
    pub blades: Option<u32>,
    /// Teeth of the gear on this shaft.
    #[arg(long, value_name = "N")]
    pub teeth: Option<u32>,
    /// Mains frequency of the motor, Hz.
    #[arg(long, value_name = "HZ", value_parser = positive)]
    pub mains: Option<f64>,
    /// Velocity from which vibration matters without a change, mm/s RMS; the default is the upper limit of zone B for
    /// machines of 15 to 300 kW on a rigid support (ISO 20816-3, from memory): take your machine's own.
    #[arg(long, value_name = "MM/S", default_value_t = 2.8, value_parser = positive)]
    pub matters_from: f64,
}

fn positive(text: &str) -> Result<f64, String> {
    let value: f64 = text.parse().map_err(|_| "must be a number".to_owned())?;
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err("must be finite and above 0".into()) }
}

fn parse_rating(text: &str) -> Result<RatingLife, String> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let (numbers, element) = match parts.as_slice() {
        [c, p] => ([c, p], RollingElement::Ball),
        [c, p, kind] if *kind == "ball" => ([c, p], RollingElement::Ball),
        [c, p, kind] if *kind == "roller" => ([c, p], RollingElement::Roller),
        _ => return Err("must be C,P or C,P,roller".into()),
    };
    let [rating_kn, load_kn] = numbers.map(|number| positive(number));
    Ok(RatingLife { element, rating_kn: rating_kn?, load_kn: load_kn? })
}

fn parse_axis(text: &str) -> Result<Axis, String> {
    match text.to_ascii_lowercase().as_str() {
        "h" | "horizontal" => Ok(Axis::Horizontal),
        "v" | "vertical" => Ok(Axis::Vertical),
        "a" | "axial" => Ok(Axis::Axial),
        _ => Err("must be horizontal, vertical or axial".into()),
    }
}

/// Does what the arguments ask for; the tables go to `out`.
///
/// # Errors
/// A file that cannot be read as what it is said to be, a bearing that cannot be, a folder that cannot be written.
pub fn run(args: &AnalyseArgs, out: &mut dyn std::io::Write) -> Result<(), Error> {
    let bearings = match &args.bearing {
        Some(text) => read_bearings(text, args.at.as_deref())?,
        None => Vec::new(),
    };
    if let Some(dir) = &args.out {
        std::fs::create_dir_all(dir).map_err(|error| Error::io("make", dir, error))?;
    }
    match &args.index {
        Some(index) => whole_folder(args, index, &bearings, out),
        None => single_files(args, &bearings, out),
    }
}

fn known<'a>(args: &AnalyseArgs, bearings: &'a [Bearing], speed: Option<ShaftSpeed>) -> Known<'a> {
    Known {
        speed,
        bearings,
        axis: args.axis.first().copied(),
        facts: MachineFacts {
            blades: args.blades,
            gear_teeth: args.teeth,
            mains_hz: args.mains,
            ..MachineFacts::default()
        },
        matters_from_mm_s: args.matters_from,
        reference: None,
    }
}

fn single_files(args: &AnalyseArgs, bearings: &[Bearing], out: &mut dyn std::io::Write) -> Result<(), Error> {
    let options = FileOptions {
        rate_hz: args.rate,
        scale: args.scale,
        unit: args.unit.clone(),
        encoding: args.encoding,
        channel: args.channel,
    };
    let axis_of = |place: usize| match args.axis.as_slice() {
        [one] => Ok(Some(*one)),
        [] => Ok(None),
        many => many.get(place).copied().map(Some).ok_or_else(|| {
            let message = format!("--axis has {} directions for {} files", many.len(), args.files.len());
            Error::new(Fault::Usage, message)
        }),
    };
    let mut analyst = Analyst::default();
    let mut looks = |files: &[PathBuf]| {
        let look = |(place, file): (usize, &PathBuf)| {
            let at = |error: crate::acquire::waveform::WaveformFault| {
                Error::new(Fault::Data, error.to_string()).at(&file.display().to_string())
            };
            let mut capture = read_file(file, &options).map_err(at)?;
            capture.axis = capture.axis.or(axis_of(place)?);
            let told = match (args.speed, capture.rpm) {
                (Some(rpm), _) => Some(ShaftSpeed::new(rpm, SpeedSource::Given)),
                (None, Some(rpm)) => Some(ShaftSpeed::new(rpm, SpeedSource::Message)),
                (None, None) => None,
            };
            let name = file.file_stem().and_then(|s| s.to_str()).unwrap_or("waveform").to_owned();
            let report = analyst.look(&name, &capture, told, bearings);
            Ok((capture, report))
        };
        files.iter().enumerate().map(look).collect::<Result<Vec<_>, Error>>()
    };
    let before = looks(&args.reference)?;
    let now = looks(&args.files)?;
    let pictures = |looks: &[(Capture, Report)]| -> Vec<Option<Picture>> {
        let alone = looks.iter().map(|(capture, report)| report.picture(capture.axis));
        if !args.together {
            return alone.collect();
        }
        let mut together: Option<Picture> = None;
        for picture in alone.flatten() {
            match &mut together {
                // A direction given twice is one too many: the first stands.
                Some(all) => {
                    let fresh = picture.axes.into_iter().filter(|a| all.axis(a.axis).is_none()).collect::<Vec<_>>();
                    all.axes.extend(fresh);
                }
                None => together = Some(picture),
            }
        }
        looks.iter().map(|_| together.clone()).collect()
    };
    let references = pictures(&before);
    let mut reports = Vec::new();
    for ((place, (capture, mut report)), picture) in now.iter().cloned().enumerate().zip(pictures(&now)) {
        // With one picture for all, the first reference is as good as any.
        let reference = references.get(place).or(references.first().filter(|_| args.together)).and_then(Option::as_ref);
        let known = Known { reference, ..known(args, bearings, report.speed) };
        if let Some(picture) = picture {
            report.judge(&picture, &known);
        }
        if let (Some(rating), Some(speed)) = (args.rating, report.speed) {
            let here = bearings.iter().filter(|b| b.here).map(|b| b.name.clone());
            report.rating_life = here.filter_map(|name| Some((name, rating.hours(speed.rpm).ok()?))).collect();
        }
        if let Some(dir) = &args.out {
            store(dir, &report, &capture, bearings, args.png)?;
        }
        if !args.json {
            said(write!(out, "{}", Table(&report, bearings)))?;
        }
        reports.push(report);
    }
    if args.json {
        said(writeln!(out, "{}", serde_json::to_string_pretty(&reports).map_err(ours)?))?;
    }
    Ok(())
}

fn whole_folder(
    args: &AnalyseArgs,
    index: &Path,
    bearings: &[Bearing],
    out: &mut dyn std::io::Write,
) -> Result<(), Error> {
    let rows = read_index(index)?;
    let dir = args.out.as_deref().unwrap_or(Path::new("."));
    let mut analyst = Analyst::default();
    let mut csv = String::from("record,diagnosis,confidence\n");
    let mut reports = Vec::new();
    if !args.json {
        said(writeln!(out, "{}", table::HEAD))?;
    }
    for row in &rows {
        let capture = row.read(index).map_err(|e| Error::new(Fault::Data, e.to_string()).at(&row.record))?;
        let rpm = args.speed.or(row.rpm);
        let speed = rpm.map(|rpm| ShaftSpeed::new(rpm, SpeedSource::Given));
        let report = analyst.analyse(&row.record, &capture, &known(args, bearings, speed));
        // Writing to a String cannot fail.
        let _ = writeln!(csv, "{},{},{:.2}", row.record, report.word, report.confidence);
        store(dir, &report, &capture, bearings, args.png)?;
        if !args.json {
            said(writeln!(out, "{}", table::row(&report, bearings)))?;
        }
        reports.push(report);
    }
    if args.json {
        said(writeln!(out, "{}", serde_json::to_string_pretty(&reports).map_err(ours)?))?;
    }
    write_file(&dir.join("diagnosis.csv"), csv.as_bytes())
}

/// Report and plot of one waveform; what the name may not hold in a file name becomes `_`.
fn store(dir: &Path, report: &Report, capture: &Capture, bearings: &[Bearing], as_png: bool) -> Result<(), Error> {
    let safe = |c: char| if c.is_ascii_alphanumeric() || "-_.".contains(c) { c } else { '_' };
    let name: String = report.record.chars().map(safe).collect();
    // One line: most of it are the lines of the envelope's spectrum.
    let json = serde_json::to_string(report).map_err(ours)?;
    write_file(&dir.join(format!("{name}.json")), json.as_bytes())?;
    let svg = plot(report, capture, bearings);
    write_file(&dir.join(format!("{name}.svg")), svg.as_bytes())?;
    if as_png {
        write_file(&dir.join(format!("{name}.png")), &png(&svg)?)?;
    }
    Ok(())
}

fn write_file(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let mut file = std::fs::File::create(path).map_err(|error| Error::io("write", path, error))?;
    file.write_all(bytes).map_err(|error| Error::io("write", path, error))
}

fn ours(error: serde_json::Error) -> Error {
    Error::new(Fault::Internal, "the report cannot be written as JSON").because(error)
}

/// A reader that has gone is no fault of anybody's.
fn said(result: std::io::Result<()>) -> Result<(), Error> {
    match result {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            Err(Error::new(Fault::Io, "cannot write to the standard output").because(error))
        }
        _ => Ok(()),
    }
}
