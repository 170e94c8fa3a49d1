//! `roundsman report`: two pages about one machine for the person who will turn the wrench.
//!
//! Drawn by krilla, with the charts of the page as vectors and text as text. Everything on it is read from `state.db`, also
//! while the daemon runs; nothing is worked out on paper that the service has not said.

mod canvas;
mod facts;
mod first;
mod second;
mod sheet;
mod words;

pub use facts::Asked;

use crate::advise::local_time::local;
use crate::advise::wording::plain;
use crate::config::mail::Paper;
use crate::config::{self, Checked, Sources};
use crate::error::{Error, Fault};
use crate::keep::read::Reader;
use canvas::{Canvas, letters};
use clap::Args;
use facts::Facts;
use krilla::Document;
use krilla::metadata::{DateTime, Metadata};
use krilla::page::PageSettings;
use sheet::Sheet;
use std::path::PathBuf;

/// Arguments of `report`.
#[derive(Debug, Clone, Args)]
#[command(
    about = "Make a two-page PDF about one machine, for whoever goes to it",
    long_about = "Reads the state directory, also while the daemon runs, and writes two pages: what the machine is, what was seen and \
since when, limits with their source, trend with band and forecast, likely fault and what to check, spectra and waveforms \
where there are any, remaining life with its interval, earlier alerts, and room to write down what was found.\n\n\
It is advice, and no machine-protection system stands behind it. Lock-out procedures of the site go before it.",
    after_long_help = "Examples:\n  roundsman report --config plant.toml pump-7 --out pump-7.pdf\n  \
roundsman report --state /var/lib/roundsman/state pump-7 --paper letter --by 'A. Fitter' --out pump-7.pdf"
)]
pub struct ReportArgs {
    /// The asset.
    #[arg(value_name = "ASSET")]
    pub asset: String,
    /// The configuration file (TOML): names the state directory, the site, its zone and units.
    #[arg(long, value_name = "FILE", required_unless_present = "state")]
    pub config: Option<PathBuf>,
    /// The state directory, when it is not the one of the configuration.
    #[arg(long, value_name = "DIR")]
    pub state: Option<PathBuf>,
    /// The file.
    #[arg(long, value_name = "FILE.pdf")]
    pub out: PathBuf,
    /// Size of the paper.
    #[arg(long, value_enum, default_value_t, value_name = "PAPER")]
    pub paper: Paper,
    /// Who makes it; it stands at the foot of the pages.
    #[arg(long, value_name = "NAME")]
    pub by: Option<String>,
    /// Zone of the times (IANA name); default: site.zone, else UTC.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
}

/// Makes the report and writes the file.
///
/// # Errors
/// No such state directory or asset, or the file cannot be written.
pub fn run(args: &ReportArgs) -> Result<(), Error> {
    let config = match &args.config {
        Some(path) => {
            let sources = Sources {
                file: Some(path),
                env: config::environment(),
                zones: config::zone_names(),
                ..Sources::default()
            };
            Some(config::load(&sources).map_err(|faults| Error::config(&faults))?)
        }
        None => None,
    };
    let dir = match (&args.state, &config) {
        (Some(dir), _) => dir.clone(),
        (None, Some(config)) => config.state.dir.clone(),
        (None, None) => return Err(Error::new(Fault::Usage, "needs --config FILE or --state DIR")),
    };
    let reader = Reader::open(&dir).map_err(|error| Error::new(Fault::Io, error.to_string()))?;
    let mut asked = asked(config.as_ref(), args.by.as_deref().unwrap_or("the command line"));
    asked.zone = crate::export::zone(args.zone.as_deref(), config.as_ref())?;
    if config.is_none()
        && let Ok(Some(condition)) = reader.condition(&args.asset)
    {
        asked.site = condition.site;
    }
    let pdf = make(&reader, &args.asset, args.paper, &asked)?;
    crate::export::replace(&args.out, |file| {
        std::io::Write::write_all(file, &pdf).map_err(|source| Error::io("write", &args.out, source))
    })
}

/// What a report is made with under a configuration, now.
pub fn asked(config: Option<&Checked>, by: &str) -> Asked {
    Asked {
        site: config.map_or_else(|| "not named".to_owned(), |config| config.site.name.clone()),
        by: by.to_owned(),
        now: crate::app::wall_clock(),
        zone: config.and_then(|config| config.site.zone.clone()).unwrap_or(jiff::tz::TimeZone::UTC),
        units: config.map(|config| config.site.units).unwrap_or_default(),
    }
}

/// Width and height, points.
fn size(paper: Paper) -> (f32, f32) {
    match paper {
        Paper::A4 => (595.28, 841.89),
        Paper::Letter => (612.0, 792.0),
    }
}

/// The report as the bytes of a PDF. Takes some tens of milliseconds of a processor, and more with waveforms: call it where
/// that holds up nobody.
///
/// # Errors
/// `state.db` cannot be read or knows no such asset, or a fault of ours.
pub fn make(reader: &Reader, asset: &str, paper: Paper, asked: &Asked) -> Result<Vec<u8>, Error> {
    let facts = Facts::gather(reader, asset, asked)?;
    let letters = letters()?;
    let (width, height) = size(paper);
    let broken = || Error::new(Fault::Internal, "the report cannot be put together");
    let by = plain(&asked.by, 80);
    let made = format!(
        "Made by {by} with roundsman {}, {}; data up to {}. Advice, no protection system.",
        env!("CARGO_PKG_VERSION"),
        local(asked.now, &asked.zone),
        local(facts.as_of, &asked.zone),
    );
    let mut document = Document::new();
    document.set_metadata(metadata(&facts, asked));
    for number in [1, 2] {
        let mut page = document.start_page_with(PageSettings::from_wh(width, height).ok_or_else(broken)?);
        let mut surface = page.surface();
        let canvas = Canvas { surface: &mut surface, letters };
        let mut sheet = Sheet::new(canvas, (width, height));
        match number {
            1 => first::write(&mut sheet, &facts, reader, asked)?,
            _ => second::write(&mut sheet, &facts, reader, asked)?,
        }
        sheet.foot(&made, number);
        surface.finish();
        page.finish();
    }
    document
        .finish()
        .map_err(|error| Error::new(Fault::Internal, format!("the report cannot be put together: {error:?}")))
}

fn metadata(facts: &Facts, asked: &Asked) -> Metadata {
    let title =
        format!("Machine report: {}, {}", plain(&facts.asset.name, words::NAME), plain(&asked.site, words::NAME));
    let mut metadata = Metadata::new()
        .title(title)
        .language("en".into())
        .creator(concat!("roundsman ", env!("CARGO_PKG_VERSION")).into())
        .authors(vec![plain(&asked.by, 80)]);
    if let Ok(now) = jiff::Timestamp::from_microsecond(asked.now.0) {
        let now = now.to_zoned(jiff::tz::TimeZone::UTC);
        let part = |part: i8| u8::try_from(part).unwrap_or(0);
        let date = DateTime::new(u16::try_from(now.year()).unwrap_or(0))
            .month(part(now.month()))
            .day(part(now.day()))
            .hour(part(now.hour()))
            .minute(part(now.minute()))
            .second(part(now.second()));
        metadata = metadata.creation_date(date);
    }
    metadata
}
