//! From what waveforms of one place showed to a judgement: axes together, against the reference, in documents' form.

use super::{Reference, Seen};
use crate::advise::diagnosis::{Comparison, EvidenceLine, Explanation, Speed, Verdict};
use crate::advise::document::Measured;
use crate::asset::spec::{AssetSpec, MATTERS_FROM_MM_S};
use roundsman_models::EventTime;
use roundsman_models::assess::bearing::{BearingFindings, BearingVerdict, LineKind};
use roundsman_models::assess::likely_fault::{Answer, Axis, Case, Diagnosis, Fault, Picture, diagnose};
use roundsman_models::detect::zones::Preset;
use serde::{Deserialize, Serialize};

/// Waveforms of one place further apart than this are not one picture, s.
const TOGETHER_SECS: f64 = 900.0;
/// Nor are those whose speeds differ by more than this share.
const SAME_SPEED: f64 = 0.02;
/// Explanations that are told.
const MOST_EXPLANATIONS: usize = 4;
/// Lines of a family that are told.
const MOST_LINES: usize = 6;

/// What was made of one place.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Judged {
    /// Bearing or sensor.
    pub place: String,
    /// When its newest waveform came.
    pub at: EventTime,
    /// Operating state of it.
    pub state: Option<String>,
    /// The answer.
    pub answer: Verdict,
    /// Best first.
    pub explanations: Vec<Explanation>,
    /// The speed gone by.
    pub speed: Option<Speed>,
    /// Numbers of the waveforms.
    pub numbers: Vec<u64>,
    /// What they were compared with.
    pub compared: Vec<Comparison>,
}

impl Judged {
    /// How much there is to say: a name before a change without one before nothing, then by score.
    pub fn weight(&self) -> (u8, f64) {
        let rank = match self.answer {
            Verdict::Likely => 2,
            Verdict::UnknownChange => 1,
            Verdict::Nothing | Verdict::NotLooked => 0,
        };
        (rank, self.explanations.first().map_or(0.0, |e| e.confidence))
    }

    /// The fault it names.
    pub fn named(&self) -> Option<Fault> {
        self.explanations.first().filter(|_| self.answer == Verdict::Likely).map(|e| e.fault)
    }
}

/// Waveforms of one place that make one picture: the newest, and those that fit it, one per direction.
pub(super) fn group<'s>(place: &str, seen: &'s [Seen]) -> Vec<&'s Seen> {
    let mut here: Vec<&Seen> = seen.iter().filter(|s| s.place == place && s.taken.running).collect();
    here.sort_by_key(|s| std::cmp::Reverse(s.number));
    let Some(newest) = here.first().copied() else { return Vec::new() };
    let mut group: Vec<&Seen> = Vec::new();
    for one in here {
        let near = newest.at.secs_since(one.at).abs() <= TOGETHER_SECS && one.taken.state == newest.taken.state;
        let alike = match (newest.looked.speed, one.looked.speed) {
            (Some(a), Some(b)) => (b.rpm / a.rpm - 1.0).abs() <= SAME_SPEED,
            _ => false,
        };
        let other = group.iter().all(|s| direction(s) != direction(one));
        if std::ptr::eq(one, newest) || (near && alike && other) {
            group.push(one);
        }
    }
    group
}

/// A sensor whose direction nobody tells is taken as radial, as most are.
pub(super) fn direction(seen: &Seen) -> Axis {
    seen.looked.axis.unwrap_or(Axis::Vertical)
}

/// Judges a group. `None` when nothing of it can be judged.
pub(super) fn judge(place: &str, group: &[&Seen], references: &[Reference], spec: &AssetSpec) -> Option<Judged> {
    let newest = group.first()?;
    let usable: Vec<&&Seen> = group.iter().filter(|s| s.looked.spectrum.is_some()).collect();
    let speed = usable.first()?.looked.speed?;
    let axes = usable.iter().filter_map(|s| s.looked.spectrum.clone()).collect();
    let now = Picture { shaft_hz: speed.hz(), axes };
    let state = newest.taken.state.as_deref();
    let known: Vec<&Reference> = references.iter().filter(|r| r.place == place && Some(&*r.state) == state).collect();
    let reference = known
        .first()
        .map(|first| Picture { shaft_hz: first.shaft_hz, axes: known.iter().map(|r| r.spectrum.clone()).collect() });
    // The sensor that heard most of the bearing speaks for the place.
    let heard = usable
        .iter()
        .filter_map(|s| Some((s.looked.findings.as_ref()?, &s.looked.bearings)))
        .max_by(|a, b| sureness(a.0).total_cmp(&sureness(b.0)));
    let zones = spec.zones.as_deref().and_then(Preset::by_name).map(|zones| zones.boundaries().bc);
    let diagnosis = diagnose(&Case {
        now: &now,
        reference: reference.as_ref(),
        facts: &spec.vibration.facts,
        matters_from_mm_s: spec.vibration.matters_from_mm_s.or(zones).unwrap_or(MATTERS_FROM_MM_S),
        bearings: heard.map(|(findings, bearings)| (findings, bearings.as_slice())),
    });
    let compared = usable.iter().filter_map(|s| {
        let spectrum = s.looked.spectrum.as_ref()?;
        let before = known.iter().find(|r| r.spectrum.axis == spectrum.axis)?;
        Some(Comparison {
            axis: spectrum.axis,
            reference_at: before.at,
            velocity_before: before.spectrum.velocity_rms_mm_s,
            velocity_now: spectrum.velocity_rms_mm_s,
            noise_ratio: Some(spectrum.noise_high_m_s2 / before.spectrum.noise_high_m_s2).filter(|r| r.is_finite()),
        })
    });
    Some(Judged {
        place: place.to_owned(),
        at: newest.at,
        state: newest.taken.state.clone(),
        answer: diagnosis.answer.into(),
        explanations: explanations(&diagnosis, heard.map(|(findings, _)| findings)),
        speed: Some(speed.into()),
        numbers: group.iter().map(|s| s.number).collect(),
        compared: compared.collect(),
    })
}

/// A verdict of its own before none, then by score.
fn sureness(findings: &BearingFindings) -> f64 {
    let rank = match findings.verdict {
        BearingVerdict::Defect { .. } => 3.0,
        BearingVerdict::UnknownRate => 2.0,
        BearingVerdict::IrregularImpacts => 1.0,
        BearingVerdict::Nothing => return 0.0,
    };
    rank + findings.confidence
}

fn explanations(diagnosis: &Diagnosis, findings: Option<&BearingFindings>) -> Vec<Explanation> {
    let mut all: Vec<Explanation> = diagnosis.hypotheses.iter().take(MOST_EXPLANATIONS).map(Explanation::of).collect();
    for explanation in &mut all {
        let bearing = matches!(
            explanation.fault,
            Fault::BearingOuter | Fault::BearingInner | Fault::BearingElement | Fault::BearingCage
        );
        if bearing && let Some(findings) = findings {
            explanation.support.extend(family_lines(findings));
        }
    }
    if diagnosis.answer == Answer::Nothing {
        // What is not enough to matter would only be read as a finding.
        all.clear();
    }
    all
}

/// The lines in the spectrum of the envelope that a bearing's name rests on.
fn family_lines(findings: &BearingFindings) -> Vec<EvidenceLine> {
    let Some(family) = findings.named() else { return Vec::new() };
    let depth = |value| Some(Measured { value, unit: "1".to_owned() });
    let line = |line: &roundsman_models::assess::bearing::EvidenceLine| EvidenceLine {
        text: match line.kind {
            LineKind::Harmonic(k) => {
                format!("{k} × its rate in the envelope of {:.0} to {:.0} Hz", family.low_hz, family.high_hz)
            }
            LineKind::Sideband(k, side) => {
                format!("{} sideband of {k} × its rate", if side < 0 { "lower" } else { "upper" })
            }
        },
        axis: None,
        order: Some(line.order),
        hz: Some(line.hz),
        amplitude: depth(line.amplitude),
        floor: depth(line.floor),
        db: Some(line.db),
    };
    family.lines.iter().filter(|l| l.db > 0.0).take(MOST_LINES).map(line).collect()
}
