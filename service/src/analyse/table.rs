//! Reports as text.

use super::report::{Report, Word};
use roundsman_models::assess::bearing::{Bearing, BearingPart, Family, LineKind};
use roundsman_models::assess::likely_fault::Answer;
use roundsman_models::assess::shaft_speed::SpeedSource;
use std::fmt;

/// Head of the table of a folder.
pub(super) const HEAD: &str =
    "record    diagnosis  score  speed r/min  from      kurtosis  mm/s RMS  strongest family of envelope lines";

/// One line of the table of a folder.
pub(super) fn row(report: &Report, bearings: &[Bearing]) -> String {
    let (rpm, source) = report.speed.map_or((f64::NAN, "-"), |s| (s.rpm, source_word(s.source)));
    let family = report.bearing.as_ref().and_then(|found| found.named().or(found.families.first()));
    let family = match (&report.unusable, family) {
        (Some(why), None) => why.clone(),
        (_, Some(family)) => describe(family, bearings),
        (None, None) => String::new(),
    };
    format!(
        "{:<9} {:<9}  {:>5.2}  {:>11.0}  {:<8}  {:>8.2}  {:>8.2}  {family}",
        report.record,
        report.word,
        report.confidence,
        rpm,
        source,
        report.shape_g.kurtosis,
        report.overalls.velocity_mm_s.rms
    )
}

fn source_word(source: SpeedSource) -> &'static str {
    match source {
        SpeedSource::Message => "message",
        SpeedSource::Point => "point",
        SpeedSource::Given => "given",
        SpeedSource::Rating => "rating",
        SpeedSource::Waveform => "waveform",
    }
}

fn describe(family: &Family, bearings: &[Bearing]) -> String {
    let part = family.part.map_or("unknown rate", BearingPart::words);
    let place = family.bearing.and_then(|b| bearings.get(b)).map_or("", |b| b.name.as_str());
    format!(
        "{place} {part} {:.3}×, {:+.1} %, depth {:.2}, by chance {}",
        family.order,
        100.0 * family.slip,
        family.depth,
        by_chance(family.log10_p)
    )
    .trim_start()
    .to_owned()
}

/// How often noise does as well. Beyond some point the number only says that it is not noise.
fn by_chance(log10_p: f64) -> String {
    if log10_p < -100.0 {
        "under 1 in 10^100".to_owned()
    } else if log10_p > -0.5 {
        "often".to_owned()
    } else {
        format!("1 in 10^{:.0}", -log10_p)
    }
}

/// A report as a person reads it.
#[derive(Debug)]
pub struct Table<'a>(pub &'a Report, pub &'a [Bearing]);

impl fmt::Display for Table<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Table(report, bearings) = self;
        writeln!(f, "{}: {} (score {:.2})", report.record, report.word, report.confidence)?;
        writeln!(f, "  {:.2} s at {:.0} Hz", report.secs, report.rate_hz)?;
        if let Some(why) = &report.unusable {
            writeln!(f, "  {}{why}", if report.word == Word::Unusable { "not diagnosed: " } else { "" })?;
        }
        let (v, a, d) =
            (report.overalls.velocity_mm_s, report.overalls.acceleration_m_s2, report.overalls.displacement_um);
        let band = report.overalls.band;
        writeln!(f, "  level                      RMS      peak   peak-to-peak")?;
        writeln!(
            f,
            "  velocity mm/s        {:>9.3} {:>9.3} {:>14.3}   {:.0} to {:.0} Hz",
            v.rms, v.peak, v.peak_to_peak, band.low_hz, band.high_hz
        )?;
        writeln!(f, "  acceleration m/s²    {:>9.3} {:>9.3} {:>14.3}   all", a.rms, a.peak, a.peak_to_peak)?;
        writeln!(
            f,
            "  displacement µm      {:>9.3} {:>9.3} {:>14.3}   {:.0} to {:.0} Hz",
            d.rms, d.peak, d.peak_to_peak, band.low_hz, band.high_hz
        )?;
        writeln!(
            f,
            "  crest factor {:.2}, kurtosis {:.2} (3 for noise)",
            report.shape_g.crest_factor, report.shape_g.kurtosis
        )?;
        if let Some(speed) = report.speed {
            let sure = if speed.source == SpeedSource::Waveform {
                format!(", confidence {:.2}", speed.confidence)
            } else {
                format!(", ± {:.1} %, not confirmed by the waveform", 100.0 * speed.uncertainty)
            };
            writeln!(
                f,
                "  shaft speed {:.1} r/min ({:.3} Hz) from {}{sure}",
                speed.rpm,
                speed.hz(),
                source_word(speed.source)
            )?;
        }
        if let Some(found) = &report.bearing {
            for family in found.families.iter().take(4).chain(&found.unknown) {
                writeln!(f, "  envelope: {}", describe(family, bearings))?;
            }
            if let Some(family) = found.named().or(found.families.first()) {
                writeln!(f, "  lines in the envelope of {:.0} to {:.0} Hz", family.low_hz, family.high_hz)?;
                writeln!(f, "    line            order        Hz     depth     floor      dB")?;
                for line in &family.lines {
                    let kind = match line.kind {
                        LineKind::Harmonic(k) => format!("{k} ×"),
                        LineKind::Sideband(k, side) => {
                            format!("{k} × {} side", if side < 0 { "lower" } else { "upper" })
                        }
                    };
                    writeln!(
                        f,
                        "    {kind:<13} {:>7.3} {:>9.2} {:>9.4} {:>9.4} {:>7.1}",
                        line.order, line.hz, line.amplitude, line.floor, line.db
                    )?;
                }
            }
        }
        if let Some(likely) = &report.likely {
            let answer = match likely.answer {
                Answer::Nothing => "nothing that matters was found".to_owned(),
                Answer::UnknownChange => "something that none of the known patterns explains well".to_owned(),
                Answer::Likely(fault) => format!("likely: {}", fault.words()),
            };
            writeln!(f, "  {answer}")?;
            for hypothesis in likely.hypotheses.iter().take(3) {
                writeln!(f, "  - {} (score {:.2})", hypothesis.fault.words(), hypothesis.confidence)?;
                for (mark, list) in [("+", &hypothesis.support), ("-", &hypothesis.against)] {
                    for evidence in list {
                        write!(f, "    {mark} {}", evidence.text)?;
                        if let Some(line) = evidence.line {
                            write!(
                                f,
                                " ({:.2}×, {:.1} Hz, {:.2} mm/s peak, {:.0} dB above the floor)",
                                line.order, line.hz, line.amplitude_mm_s, line.db
                            )?;
                        }
                        writeln!(f)?;
                    }
                }
            }
        }
        for (bearing, hours) in &report.rating_life {
            writeln!(
                f,
                "  basic rating life of {bearing} at this speed: L10h {hours:.0} h (ISO 281: nine in ten of such bearings \
                 reach it; no forecast for this one)"
            )?;
        }
        if let Some(advice) = report.advice {
            writeln!(f, "  usual checks:")?;
            for check in advice.checks {
                writeln!(f, "    · {check}")?;
            }
            writeln!(f, "  {}", advice.caution)?;
        }
        Ok(())
    }
}
