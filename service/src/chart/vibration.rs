//! One kept waveform in the forms a person looks at: waveform, spectrum and spectrum of the envelope, as acceleration,
//! velocity or displacement. The numbers are those of `analyse`, so that page, report and diagnosis agree.

use super::units::Units;
use crate::acquire::waveform::{self, Capture, Limits};
use crate::analyse::{Analyst, Report};
use roundsman_models::assess::bearing::{Bearing, LineKind};
use roundsman_models::assess::likely_fault::Axis;
use roundsman_models::assess::shaft_speed::ShaftSpeed;
use roundsman_models::manipulate::waveform::integrate::STANDARD_GRAVITY;
use roundsman_models::manipulate::waveform::{Motion, MotionConverter};

/// A waveform that was looked into.
#[derive(Debug, Clone)]
pub struct Vibration {
    /// As it was measured.
    pub capture: Capture,
    /// What was found in it.
    pub report: Report,
}

/// A line to mark: where, what it is, and how high above the noise.
#[derive(Debug, Clone, PartialEq)]
pub struct Named {
    /// Frequency, Hz.
    pub hz: f64,
    /// What it is.
    pub label: String,
    /// Whether it is a side band, which is marked without its name.
    pub aside: bool,
}

impl Vibration {
    /// Reads a message and looks into it. `told`: the speed when the message says none.
    ///
    /// # Errors
    /// It is no waveform: why, in words.
    pub fn of(payload: &[u8], told: Option<ShaftSpeed>, bearings: &[Bearing]) -> Result<Self, String> {
        let capture = waveform::decode(payload, &Limits::default()).map_err(|fault| fault.to_string())?;
        let said =
            capture.rpm.map(|rpm| ShaftSpeed::new(rpm, roundsman_models::assess::shaft_speed::SpeedSource::Message));
        let report = Analyst::default().look("waveform", &capture, said.or(told), bearings);
        Ok(Self { capture, report })
    }

    /// Direction of the sensor, when the message says.
    pub fn axis(&self) -> Option<Axis> {
        self.capture.axis
    }

    /// Speed gone by, Hz.
    pub fn shaft_hz(&self) -> Option<f64> {
        self.report.speed.map(|speed| speed.hz())
    }

    /// The kept unit of a kind of motion (UCUM).
    pub fn unit(motion: Motion) -> &'static str {
        match motion {
            Motion::Acceleration => "m/s2",
            Motion::Velocity => "mm/s",
            Motion::Displacement => "um",
        }
    }

    /// Peak amplitudes from 0 Hz up, in the unit shown, and the distance of their lines, Hz. What lies below the band of the
    /// overall value is left out of integrals: there they would only show the division by the frequency.
    pub fn spectrum(&self, motion: Motion, units: Units) -> (Vec<f64>, f64) {
        let shown = units.shown(Self::unit(motion));
        let (step_hz, low_hz) = (self.report.spectrum.step_hz, self.report.overalls.band.low_hz);
        let amplitude = |(k, g): (usize, &f64)| {
            let hz = k as f64 * step_hz;
            let omega = std::f64::consts::TAU * hz;
            let m_s2 = g * STANDARD_GRAVITY;
            let kept = match motion {
                Motion::Acceleration => m_s2,
                _ if hz < low_hz || omega <= 0.0 => 0.0,
                Motion::Velocity => 1e3 * m_s2 / omega,
                Motion::Displacement => 1e6 * m_s2 / (omega * omega),
            };
            shown.difference(kept)
        };
        (self.report.spectrum.amplitudes.iter().enumerate().map(amplitude).collect(), step_hz)
    }

    /// Samples in the unit shown.
    pub fn waveform(&self, motion: Motion, units: Units) -> Vec<f64> {
        let shown = units.shown(Self::unit(motion));
        let m_s2: Vec<f64> = self.capture.samples_g.iter().map(|g| g * STANDARD_GRAVITY).collect();
        let scale = match motion {
            Motion::Acceleration => return m_s2.into_iter().map(|x| shown.difference(x)).collect(),
            Motion::Velocity => 1e3,
            Motion::Displacement => 1e6,
        };
        let band = self.report.overalls.band;
        let high_hz = band.high_hz.min(0.5 * self.capture.rate_hz);
        let mut converter = MotionConverter::new(m_s2.len());
        let turned =
            converter.convert(&m_s2, self.capture.rate_hz, (Motion::Acceleration, motion), (band.low_hz, high_hz));
        turned.iter().map(|x| shown.difference(scale * x)).collect()
    }

    /// Modulation depth from 0 Hz up, the depth noise alone shows, and the distance of the lines, Hz; `None` when there is no
    /// envelope (no speed, too short, not usable).
    pub fn envelope(&self) -> Option<(&[f64], &[f64], f64)> {
        let envelope = &self.report.bearing.as_ref()?.envelope;
        (!envelope.depth.is_empty()).then_some((&envelope.depth, &envelope.floor, envelope.step_hz))
    }

    /// The lines of the envelope's spectrum that tell a defect: those of the family named, or of the strongest one.
    pub fn envelope_lines(&self, bearings: &[Bearing]) -> Vec<Named> {
        let Some(found) = &self.report.bearing else { return Vec::new() };
        // Below a chance of one in a million.
        let Some(family) = found.named().or(found.families.first().filter(|f| f.log10_p < -6.0)) else {
            return Vec::new();
        };
        let part = family.part.map_or("unknown rate", |part| part.words());
        let place = family.bearing.and_then(|b| bearings.get(b)).map_or("", |b| b.name.as_str());
        let named = |line: &roundsman_models::assess::bearing::EvidenceLine| match line.kind {
            LineKind::Harmonic(1) => {
                Named { hz: line.hz, label: format!("{part} {place}").trim().to_owned(), aside: false }
            }
            LineKind::Harmonic(k) => Named { hz: line.hz, label: format!("{k}×"), aside: false },
            LineKind::Sideband(..) => Named { hz: line.hz, label: String::new(), aside: true },
        };
        family.lines.iter().map(named).collect()
    }
}
