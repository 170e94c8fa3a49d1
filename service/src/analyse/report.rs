//! One waveform, analysed in full.

use crate::acquire::waveform::Capture;
use roundsman_models::assess::bearing::{
    Bearing, BearingAnalyser, BearingFindings, BearingParams, BearingPart, BearingVerdict,
};
use roundsman_models::assess::likely_fault::{
    Advice, Answer, Axis, AxisSpectrum, Case, Diagnosis, MachineFacts, Picture, diagnose,
};
use roundsman_models::assess::shaft_speed::ShaftSpeed;
use roundsman_models::manipulate::waveform::{
    AmplitudeSpectrum, MotionConverter, OverallBand, Overalls, Quality, QualityParams, Shape, Signal, SpectrumPlan,
    Unusable, Window,
};
use serde::Serialize;
use std::fmt;

/// What is known beside the samples.
#[derive(Debug, Clone, Copy)]
pub struct Known<'a> {
    /// Shaft speed, when anybody says.
    pub speed: Option<ShaftSpeed>,
    /// Bearings of the machine.
    pub bearings: &'a [Bearing],
    /// Direction of the sensor, when the capture does not say.
    pub axis: Option<Axis>,
    /// The machine.
    pub facts: MachineFacts,
    /// Velocity from which vibration matters without a change, mm/s RMS.
    pub matters_from_mm_s: f64,
    /// The last good capture, when there is one.
    pub reference: Option<&'a Picture>,
}

/// The bearing the sensor sits on, in one word.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Word {
    /// No fault found.
    Normal,
    /// Outer race.
    Outer,
    /// Inner race.
    Inner,
    /// Rolling element.
    Ball,
    /// Something else: another bearing, the cage, an unknown rate, another fault.
    Other,
    /// The waveform cannot be diagnosed.
    Unusable,
}

impl fmt::Display for Word {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Word::Normal => "normal",
            Word::Outer => "outer",
            Word::Inner => "inner",
            Word::Ball => "ball",
            Word::Other => "other",
            Word::Unusable => "unusable",
        })
    }
}

/// Everything that was found in one waveform.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Its name.
    pub record: String,
    /// In one word.
    pub word: Word,
    /// 0 to 1; a score, not a probability.
    pub confidence: f64,
    /// Samples a second.
    pub rate_hz: f64,
    /// Length, s.
    pub secs: f64,
    /// Whether it can be diagnosed.
    pub quality: Quality,
    /// Why not, in words.
    pub unusable: Option<String>,
    /// Shape of the acceleration, g.
    pub shape_g: Shape,
    /// Overall values.
    pub overalls: Overalls,
    /// The speed gone by, when there is one.
    pub speed: Option<ShaftSpeed>,
    /// Envelope analysis, when there are a speed and enough turns.
    pub bearing: Option<BearingFindings>,
    /// Likely fault from all of it, when there is a speed.
    pub likely: Option<Diagnosis>,
    /// Checks and cautions for the likely fault.
    pub advice: Option<Advice>,
    /// Rating life of each bearing for which load and rating are given, hours at this speed: context, no prediction.
    pub rating_life: Vec<(String, f64)>,
    /// Acceleration spectrum, g peak, for plotting.
    #[serde(skip)]
    pub spectrum: AmplitudeSpectrum,
}

/// Plans of one waveform length.
#[derive(Debug)]
struct Plans {
    len: usize,
    spectrum: SpectrumPlan,
    converter: MotionConverter,
    bearing: BearingAnalyser,
}

/// Analyses waveforms one after the other and keeps the plans of the last length.
#[derive(Debug, Default)]
pub struct Analyst {
    plans: Option<Plans>,
}

impl Analyst {
    fn plans(&mut self, len: usize) -> Option<&mut Plans> {
        if self.plans.as_ref().is_none_or(|p| p.len != len) {
            self.plans = Some(Plans {
                len,
                spectrum: SpectrumPlan::new(len, Window::Hann),
                converter: MotionConverter::new(len),
                // The defaults are checked by a test of the models; were they faulty, no bearing would be looked at.
                bearing: BearingAnalyser::new(len, BearingParams::default()).ok()?,
            });
        }
        self.plans.as_mut()
    }

    /// Everything that one waveform says.
    pub fn analyse(&mut self, record: &str, capture: &Capture, known: &Known<'_>) -> Report {
        let mut report = self.look(record, capture, known.speed, known.bearings);
        if let Some(picture) = report.picture(capture.axis.or(known.axis)) {
            report.judge(&picture, known);
        }
        report
    }

    /// What can be said before a judgement: levels, spectrum, envelopes.
    pub fn look(&mut self, record: &str, capture: &Capture, speed: Option<ShaftSpeed>, bearings: &[Bearing]) -> Report {
        let samples = &capture.samples_g;
        let shape = Shape::of(samples);
        let band = OverallBand::for_speed(speed.map_or(f64::INFINITY, |s| s.rpm));
        let mut report = Report {
            record: record.to_owned(),
            word: Word::Unusable,
            confidence: 0.0,
            rate_hz: capture.rate_hz,
            secs: samples.len() as f64 / capture.rate_hz,
            quality: Quality { unusable: None, clipped: 0, offset_sigmas: 0.0 },
            unusable: None,
            shape_g: shape,
            overalls: Overalls {
                band,
                acceleration_m_s2: Default::default(),
                velocity_mm_s: Default::default(),
                displacement_um: Default::default(),
            },
            speed,
            bearing: None,
            likely: None,
            advice: None,
            rating_life: Vec::new(),
            spectrum: AmplitudeSpectrum { step_hz: 1.0, amplitudes: Vec::new(), window: Window::Hann },
        };
        let signal = match Signal::new(samples, capture.rate_hz) {
            Ok(signal) => signal,
            Err(fault) => {
                report.unusable = Some(fault.to_string());
                return report;
            }
        };
        report.quality = Quality::of(&signal, &shape, &QualityParams::default());
        let Some(plans) = self.plans(samples.len()) else { return report };
        report.overalls = Overalls::of_g(&mut plans.converter, samples, capture.rate_hz, band);
        report.spectrum = plans.spectrum.amplitudes(samples, capture.rate_hz);
        if let Some(reason) = report.quality.unusable {
            report.unusable = Some(reason.to_string());
            return report;
        }
        let Some(told) = speed else {
            report.word = Word::Normal;
            report.unusable = Some("no shaft speed: levels and spectra only".to_owned());
            return report;
        };
        match plans.bearing.analyse(&signal, told, bearings) {
            Ok(findings) => {
                report.speed = Some(findings.speed);
                report.bearing = Some(findings);
            }
            Err(reason @ Unusable::TooShort { .. }) => report.unusable = Some(format!("envelopes: {reason}")),
            Err(reason) => {
                report.quality.unusable = Some(reason);
                report.unusable = Some(reason.to_string());
            }
        }
        report
    }
}

impl Report {
    /// The velocity spectrum of an axis on the scale of shaft orders; `None` without a speed.
    pub fn axis_spectrum(&self, axis: Axis) -> Option<AxisSpectrum> {
        let band = (self.overalls.band.low_hz, self.overalls.band.high_hz);
        Some(AxisSpectrum::from_acceleration_g(axis, &self.spectrum, self.speed?.hz(), band))
    }

    /// This waveform as a picture of one direction; `None` when it cannot be diagnosed.
    pub fn picture(&self, axis: Option<Axis>) -> Option<Picture> {
        if self.quality.unusable.is_some() || self.spectrum.amplitudes.is_empty() {
            return None;
        }
        // A sensor whose direction nobody tells is taken as radial, as most are.
        let spectrum = self.axis_spectrum(axis.unwrap_or(Axis::Vertical))?;
        Some(Picture { shaft_hz: self.speed?.hz(), axes: vec![spectrum] })
    }

    /// Judges by a picture, of this waveform alone or of several directions with it.
    pub fn judge(&mut self, now: &Picture, known: &Known<'_>) {
        let diagnosis = diagnose(&Case {
            now,
            reference: known.reference,
            facts: &known.facts,
            matters_from_mm_s: known.matters_from_mm_s,
            bearings: self.bearing.as_ref().map(|found| (found, known.bearings)),
        });
        (self.word, self.confidence) = in_a_word(self.bearing.as_ref(), known.bearings, &diagnosis);
        if let Answer::Likely(fault) = diagnosis.answer {
            self.advice = Some(fault.advice());
        } else if let Some(first) = diagnosis.hypotheses.first() {
            self.advice = Some(first.fault.advice());
        }
        self.likely = Some(diagnosis);
    }
}

/// The findings at the sensor's own bearing in one word.
fn in_a_word(found: Option<&BearingFindings>, bearings: &[Bearing], diagnosis: &Diagnosis) -> (Word, f64) {
    let quiet = |confidence: f64| match diagnosis.answer {
        Answer::Nothing => (Word::Normal, confidence),
        Answer::Likely(_) => (Word::Other, diagnosis.hypotheses.first().map_or(0.5, |h| h.confidence)),
        Answer::UnknownChange => (Word::Other, 0.5),
    };
    let Some(found) = found else { return quiet(0.5) };
    let here = |index: usize| bearings.get(index).is_some_and(|b| b.here);
    match found.verdict {
        BearingVerdict::Nothing => quiet(found.confidence),
        BearingVerdict::Defect { bearing, part } if here(bearing) => {
            let word = match part {
                BearingPart::Outer => Word::Outer,
                BearingPart::Inner => Word::Inner,
                BearingPart::Element => Word::Ball,
                // A cage-rate swing of irregular impacts is a rolling element passing the load zone.
                BearingPart::Cage if found.irregular.is_some() => Word::Ball,
                BearingPart::Cage => Word::Other,
            };
            (word, found.confidence)
        }
        BearingVerdict::Defect { .. } | BearingVerdict::UnknownRate => (Word::Other, found.confidence),
        BearingVerdict::IrregularImpacts => (Word::Ball, found.confidence),
    }
}
