//! The textbook signs of each fault, as rules over a [`Picture`].

use super::advice::Fault;
use super::evidence::{Answer, Diagnosis, Evidence, Hypothesis, Scoring};
use super::picture::{Axis, AxisSpectrum, Line, MachineFacts, Picture};
use crate::assess::bearing::{Bearing, BearingFindings, BearingVerdict};

/// From this score up a hypothesis is named.
const NAMED: f64 = 0.6;
/// What is left of a hypothesis whose lines did not change when something else did.
const OLD_LINES: f64 = 0.5;
/// A level counts as changed from this factor up (6 dB).
const CHANGED: f64 = 2.0;

/// Everything a diagnosis rests on.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// What is seen now.
    pub now: &'a Picture,
    /// The last good capture in the same way of running.
    pub reference: Option<&'a Picture>,
    /// What is known of the machine.
    pub facts: &'a MachineFacts,
    /// Velocity, mm/s RMS, from which vibration matters without a change; see the zones of ISO 20816.
    pub matters_from_mm_s: f64,
    /// Findings of envelope analysis with the bearings they speak of.
    pub bearings: Option<(&'a BearingFindings, &'a [Bearing])>,
}

/// Scores every hypothesis.
pub fn diagnose(case: &Case<'_>) -> Diagnosis {
    let look = Look::new(case);
    let matters = look.matters();
    let mut hypotheses: Vec<Hypothesis> = Vec::new();
    if matters {
        let rules: [fn(&Look<'_>) -> Option<Hypothesis>; 12] = [
            imbalance,
            bent_shaft,
            parallel_misalignment,
            angular_misalignment,
            looseness,
            blade_pass,
            cavitation_or_turbulence,
            gear_mesh,
            belt,
            electrical,
            oil_whirl,
            resonance,
        ];
        hypotheses.extend(rules.iter().filter_map(|rule| rule(&look)));
        hypotheses.iter_mut().for_each(|h| look.discount_old_lines(h));
    }
    // Bearing defects show in the envelope long before the velocity matters.
    hypotheses.extend(case.bearings.and_then(|(findings, bearings)| bearing(findings, bearings)));
    hypotheses.retain(|h| h.confidence > 0.2);
    hypotheses.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let answer = match hypotheses.first() {
        Some(best) if best.confidence >= NAMED => Answer::Likely(best.fault),
        Some(best) if best.fault == Fault::IrregularImpacts => Answer::UnknownChange,
        _ if matters || look.unknown_rate() => Answer::UnknownChange,
        _ => Answer::Nothing,
    };
    Diagnosis { answer, hypotheses }
}

/// The lines every rule asks for, found once.
struct Look<'a> {
    case: &'a Case<'a>,
    hz: f64,
    /// Radial lines at 1× to 10×.
    radial: Vec<Option<(Axis, Line)>>,
    /// Axial lines at 1× to 3×.
    axial: Vec<Option<(Axis, Line)>>,
    /// Highest radial velocity as a peak, so that it compares with lines.
    radial_peak: f64,
}

impl<'a> Look<'a> {
    fn new(case: &'a Case<'a>) -> Self {
        let now = case.now;
        let hz = now.shaft_hz;
        let axial = now.axis(Axis::Axial);
        let radial_rms =
            now.axes.iter().filter(|a| a.axis.is_radial()).map(|a| a.velocity_rms_mm_s).fold(0.0, f64::max);
        Self {
            case,
            hz,
            radial: (1..=10).map(|k| now.radial(f64::from(k) * hz)).collect(),
            axial: (1..=3).map(|k| Some((Axis::Axial, axial?.line(f64::from(k) * hz, hz)?))).collect(),
            radial_peak: radial_rms * std::f64::consts::SQRT_2,
        }
    }

    fn radial(&self, order: usize) -> Option<(Axis, Line)> {
        self.radial.get(order.checked_sub(1)?).copied().flatten().filter(|l| l.1.stands_out())
    }

    fn axial(&self, order: usize) -> Option<(Axis, Line)> {
        self.axial.get(order.checked_sub(1)?).copied().flatten().filter(|l| l.1.stands_out())
    }

    fn has_axial(&self) -> bool {
        self.case.now.axis(Axis::Axial).is_some()
    }

    /// A line of any axis that stands out.
    fn any(&self, hz: f64) -> Option<(Axis, Line)> {
        self.case.now.any(hz).filter(|l| l.1.stands_out())
    }

    /// Whether a line grew by 6 dB against the reference; `None` without one.
    fn grew(&self, line: Option<(Axis, Line)>) -> Option<bool> {
        let reference = self.case.reference?;
        let (axis, line) = line?;
        // At the same order: the speed may differ a little.
        let before = reference.axis(axis)?.line(line.order * reference.shaft_hz, reference.shaft_hz)?;
        Some(line.amplitude_mm_s >= CHANGED * before.amplitude_mm_s)
    }

    /// Part of the radial energy that a line holds.
    fn share(&self, line: Option<(Axis, Line)>) -> f64 {
        let amplitude = amplitude(line);
        if self.radial_peak > 0.0 { (amplitude / self.radial_peak).powi(2).min(1.0) } else { 0.0 }
    }

    /// Same axis now and in the reference.
    fn pairs(&self) -> impl Iterator<Item = (&AxisSpectrum, &AxisSpectrum)> {
        let reference = self.case.reference;
        self.case.now.axes.iter().filter_map(move |now| Some((now, reference?.axis(now.axis)?)))
    }

    /// High, or changed in level, in a line or in its noise.
    fn matters(&self) -> bool {
        if self.case.now.velocity_rms_mm_s() >= self.case.matters_from_mm_s {
            return true;
        }
        self.pairs().any(|(now, before)| {
            now.velocity_rms_mm_s >= 1.5 * before.velocity_rms_mm_s
                || now.noise_high_m_s2 >= CHANGED * before.noise_high_m_s2
                || now.noise_low_mm_s >= CHANGED * before.noise_low_mm_s
        })
    }

    /// Where only a change makes the vibration matter, lines that stood there before do not explain it, however much they
    /// look like a fault: every machine has some 1× and 2×.
    fn discount_old_lines(&self, hypothesis: &mut Hypothesis) {
        let by_level = self.case.now.velocity_rms_mm_s() >= self.case.matters_from_mm_s;
        let lines: Vec<(Axis, Line)> = hypothesis.support.iter().filter_map(|e| Some((e.axis?, e.line?))).collect();
        let grown: Vec<bool> = lines.iter().filter_map(|line| self.grew(Some(*line))).collect();
        if by_level || grown.is_empty() || grown.contains(&true) {
            return;
        }
        hypothesis.confidence *= OLD_LINES;
        let text = "its lines stood as high in the reference: they do not explain the change".to_owned();
        hypothesis.against.push(Evidence { text, axis: None, line: None });
    }

    fn unknown_rate(&self) -> bool {
        self.case.bearings.is_some_and(|(findings, _)| findings.verdict == BearingVerdict::UnknownRate)
    }
}

fn amplitude(line: Option<(Axis, Line)>) -> f64 {
    line.map_or(0.0, |l| l.1.amplitude_mm_s)
}

fn imbalance(look: &Look<'_>) -> Option<Hypothesis> {
    let one = look.radial(1);
    let a1 = amplitude(one);
    let mut score = Scoring::of(Fault::Imbalance);
    let dominant = look.share(one) >= 0.7;
    score.sign(0.5, Some(dominant), "1× holds most of the radial vibration", one);
    let harmonics = amplitude(look.radial(2)).max(amplitude(look.radial(3)));
    score.sign(0.2, Some(harmonics < 0.3 * a1), "harmonics of 1× are small", look.radial(2));
    let axial = look.has_axial().then(|| amplitude(look.axial(1)) < 0.4 * a1);
    score.sign(0.2, axial, "little axial vibration at 1×", look.axial(1));
    let ratio = direction_ratio(look);
    score.sign(0.1, ratio.map(|r| r < 3.0), "horizontal and vertical are of a size", None);
    if let Some(grew) = look.grew(one) {
        score.sign(0.2, Some(grew), "1× grew against the reference", one);
    }
    score.contradiction(
        0.4,
        ratio.is_some_and(|r| r >= 5.0),
        "one direction only: rather a resonance or a weak support",
        one,
    );
    score.finish(dominant)
}

/// Higher over lower of the radial directions at 1×.
fn direction_ratio(look: &Look<'_>) -> Option<f64> {
    let at = |axis| Some(look.case.now.axis(axis)?.line(look.hz, look.hz)?.amplitude_mm_s);
    let (h, v) = (at(Axis::Horizontal)?, at(Axis::Vertical)?);
    let low = h.min(v);
    (low > 0.0).then(|| h.max(v) / low)
}

fn bent_shaft(look: &Look<'_>) -> Option<Hypothesis> {
    let (axial, radial) = (look.axial(1), look.radial(1));
    let mut score = Scoring::of(Fault::BentShaft);
    let strong = axial.is_some() && amplitude(axial) >= 0.5 * amplitude(radial);
    score.sign(0.5, Some(strong), "axial 1× at least half as high as radial", axial);
    score.sign(
        0.3,
        Some(amplitude(look.axial(2)) < 0.5 * amplitude(axial)),
        "axial 2× is lower than axial 1×",
        look.axial(2),
    );
    score.sign(0.2, Some(amplitude(look.radial(2)) < 0.5 * amplitude(radial)), "1× leads the radial lines too", radial);
    score.contradiction(
        0.3,
        amplitude(look.radial(2)) >= amplitude(radial),
        "radial 2× leads: rather misalignment",
        look.radial(2),
    );
    score.finish(strong)
}

fn parallel_misalignment(look: &Look<'_>) -> Option<Hypothesis> {
    let (one, two, three) = (look.radial(1), look.radial(2), look.radial(3));
    let mut score = Scoring::of(Fault::ParallelMisalignment);
    let strong = two.is_some() && amplitude(two) >= 0.5 * amplitude(one);
    score.sign(0.5, Some(strong), "radial 2× at least half as high as 1×", two);
    score.sign(0.2, Some(amplitude(three) < amplitude(two)), "3× is lower than 2×", three);
    let axial = look.has_axial().then(|| amplitude(look.axial(1)).max(amplitude(look.axial(2))) < 0.5 * amplitude(two));
    score.sign(0.2, axial, "little axial vibration", look.axial(1));
    score.sign(0.1, Some(high_harmonics(look) < 3), "few harmonics above 3×", None);
    score.contradiction(0.3, high_harmonics(look) >= 4, "many harmonics: rather looseness", look.radial(5));
    mains_near(look, &mut score, two);
    score.finish(strong)
}

/// Twice the mains frequency lies at 2× of a two-pole motor; a short record cannot tell them apart.
fn mains_near(look: &Look<'_>, score: &mut Scoring, two: Option<(Axis, Line)>) {
    let (Some(mains), Some((_, line))) = (look.case.facts.mains_hz, two) else { return };
    let step = look.case.now.axes.first().map_or(0.0, AxisSpectrum::step_hz);
    let near = (line.hz - 2.0 * mains).abs() <= 2.5 * step;
    score.contradiction(0.2, near, "not to be told from twice the mains frequency in so short a record", two);
}

fn angular_misalignment(look: &Look<'_>) -> Option<Hypothesis> {
    let (a1, a2, a3) = (look.axial(1), look.axial(2), look.axial(3));
    let mut score = Scoring::of(Fault::AngularMisalignment);
    let radial = amplitude(look.radial(1)).max(amplitude(look.radial(2)));
    let top = amplitude(a1).max(amplitude(a2));
    let strong = top > 0.0 && top >= 0.5 * radial;
    score.sign(0.5, Some(strong), "axial vibration at 1× or 2× at least half as high as radial", a1.or(a2));
    score.sign(
        0.4,
        Some(amplitude(a2) >= 0.5 * amplitude(a1) && a2.is_some()),
        "axial 2× at least half as high as axial 1×",
        a2,
    );
    score.sign(0.1, Some(a3.is_some()), "axial 3× stands out", a3);
    score.finish(strong)
}

/// Radial harmonics from 4× to 10× that stand out and hold more than a tenth of 1×.
fn high_harmonics(look: &Look<'_>) -> usize {
    let one = amplitude(look.radial(1));
    (4..=10).filter(|k| amplitude(look.radial(*k)) > 0.1 * one).count()
}

fn looseness(look: &Look<'_>) -> Option<Hypothesis> {
    let mut score = Scoring::of(Fault::Looseness);
    let many = high_harmonics(look);
    let strong = many >= 4;
    let highest = (4..=10).rev().find_map(|k| look.radial(k));
    score.sign(0.6, Some(strong), format!("{many} of the harmonics 4× to 10× stand out"), highest);
    let halves: Vec<_> = [0.5, 1.5, 2.5].into_iter().filter_map(|order| look.any(order * look.hz)).collect();
    score.sign(0.2, Some(!halves.is_empty()), "half orders (0.5×, 1.5×, 2.5×)", halves.first().copied());
    let decays = amplitude(look.radial(3)) >= 0.2 * amplitude(look.radial(1));
    score.sign(0.2, Some(decays), "the harmonics hardly fall off", look.radial(3));
    score.finish(strong)
}

fn blade_pass(look: &Look<'_>) -> Option<Hypothesis> {
    let blades = f64::from(look.case.facts.blades?);
    let pass = look.any(blades * look.hz);
    let mut score = Scoring::of(Fault::BladePass);
    let strong = pass.is_some() && (look.share(pass) >= 0.3 || amplitude(pass) >= amplitude(look.radial(1)));
    score.sign(0.7, Some(strong), format!("a strong line at {blades} × shaft speed, the blades passing"), pass);
    if let Some(grew) = look.grew(pass) {
        score.sign(0.3, Some(grew), "it grew against the reference", pass);
    }
    score.contradiction(0.3, high_harmonics(look) >= 5, "it is one of many harmonics", pass);
    score.finish(strong)
}

fn cavitation_or_turbulence(look: &Look<'_>) -> Option<Hypothesis> {
    if look.case.facts.moves_fluid == Some(false) {
        return None;
    }
    let rise = look
        .pairs()
        .map(|(now, before)| {
            let high = now.noise_high_m_s2 / before.noise_high_m_s2.max(f64::MIN_POSITIVE);
            let low = now.noise_low_mm_s / before.noise_low_mm_s.max(f64::MIN_POSITIVE);
            (high, low)
        })
        .fold((0.0_f64, 0.0_f64), |m, x| (m.0.max(x.0), m.1.max(x.1)));
    let broad = rise.0 >= CHANGED || rise.1 >= CHANGED;
    let mut score = Scoring::of(Fault::CavitationOrTurbulence);
    score.sign(
        0.6,
        Some(broad),
        format!("the noise between the lines rose: {:.1} times above 10×, {:.1} times below", rise.0, rise.1),
        None,
    );
    let lines_grew = (1..=3).any(|k| look.grew(look.radial(k)) == Some(true));
    score.sign(0.25, Some(!lines_grew), "the lines of the shaft did not grow with it", None);
    score.sign(0.15, look.case.facts.moves_fluid, "the machine moves a liquid or a gas", None);
    // Bubbles and eddies keep no rate: impacts that do make the same noise between the lines, and explain it.
    let regular = look.case.bearings.is_some_and(|(findings, _)| {
        matches!(findings.verdict, BearingVerdict::Defect { .. } | BearingVerdict::UnknownRate)
    });
    score.contradiction(0.5, regular, "impacts at a regular rate explain the noise", None);
    score.finish(broad)
}

fn gear_mesh(look: &Look<'_>) -> Option<Hypothesis> {
    let teeth = f64::from(look.case.facts.gear_teeth?);
    let mesh_hz = teeth * look.hz;
    let mesh = look.any(mesh_hz);
    let sides: Vec<_> = [-2.0, -1.0, 1.0, 2.0].into_iter().filter_map(|k| look.any(mesh_hz + k * look.hz)).collect();
    let mut score = Scoring::of(Fault::GearMesh);
    let strong = mesh.is_some() && (look.share(mesh) >= 0.1 || sides.len() >= 2);
    score.sign(0.5, Some(strong), format!("a line at {teeth} × shaft speed, the teeth meeting"), mesh);
    score.sign(0.4, Some(sides.len() >= 2), "sidebands at shaft speed around it", sides.first().copied());
    if let Some(grew) = look.grew(mesh) {
        score.sign(
            0.2,
            Some(grew || sides.iter().any(|s| look.grew(Some(*s)) == Some(true))),
            "they grew against the reference",
            mesh,
        );
    }
    score.finish(strong)
}

fn belt(look: &Look<'_>) -> Option<Hypothesis> {
    let belt_hz = look.case.facts.belt_hz.filter(|hz| hz.is_finite() && *hz > 0.0)?;
    let step = look.case.now.axes.first()?.step_hz();
    // A belt's harmonic on a harmonic of the shaft says nothing.
    let apart = |hz: f64| {
        let order = hz / look.hz;
        (order - order.round()).abs() * look.hz > 2.5 * step
    };
    let lines: Vec<_> =
        (1..=4).map(|k| f64::from(k) * belt_hz).filter(|hz| apart(*hz)).filter_map(|hz| look.any(hz)).collect();
    let mut score = Scoring::of(Fault::Belt);
    let strong = lines.len() >= 2;
    score.sign(
        0.5,
        Some(strong),
        format!("{} harmonics of the belt's revolutions", lines.len()),
        lines.first().copied(),
    );
    let highest = lines.iter().copied().max_by(|a, b| a.1.amplitude_mm_s.total_cmp(&b.1.amplitude_mm_s));
    score.sign(0.4, Some(look.share(highest) >= 0.1), "they hold a good part of the vibration", highest);
    score.finish(strong)
}

fn electrical(look: &Look<'_>) -> Option<Hypothesis> {
    let hz = 2.0 * look.case.facts.mains_hz.filter(|hz| hz.is_finite() && *hz > 0.0)?;
    let line = look.any(hz);
    let step = look.case.now.axes.first()?.step_hz();
    let order = hz / look.hz;
    let resolved = (order - order.round()).abs() * look.hz > 2.5 * step;
    let mut score = Scoring::of(Fault::Electrical);
    let strong = line.is_some() && (look.share(line) >= 0.2 || amplitude(line) >= 0.5 * amplitude(look.radial(1)));
    score.sign(0.6, Some(strong), format!("a strong line at {hz} Hz, twice the mains frequency"), line);
    score.sign(0.4, Some(resolved), "it is no multiple of shaft speed", line);
    score.finish(strong)
}

fn oil_whirl(look: &Look<'_>) -> Option<Hypothesis> {
    if look.case.facts.sleeve_bearings == Some(false) {
        return None;
    }
    let now = look.case.now;
    let line = now
        .axes
        .iter()
        .filter(|a| a.axis.is_radial())
        .filter_map(|a| Some((a.axis, a.strongest(0.40 * look.hz, 0.48 * look.hz, look.hz)?)))
        .max_by(|a, b| a.1.amplitude_mm_s.total_cmp(&b.1.amplitude_mm_s))
        .filter(|l| l.1.stands_out());
    let mut score = Scoring::of(Fault::OilWhirl);
    let strong = line.is_some() && amplitude(line) >= 0.3 * amplitude(look.radial(1));
    score.sign(0.6, Some(strong), "a strong radial line between 0.40× and 0.48×", line);
    score.sign(0.3, look.case.facts.sleeve_bearings, "the machine runs in sleeve bearings", None);
    let half = look.any(0.5 * look.hz);
    score.sign(0.1, Some(half.is_none()), "it is not the half order of looseness", half);
    score.finish(strong)
}

fn resonance(look: &Look<'_>) -> Option<Hypothesis> {
    let one = look.radial(1);
    let ratio = direction_ratio(look)?;
    let mut score = Scoring::of(Fault::Resonance);
    let strong = one.is_some() && ratio >= 5.0;
    score.sign(
        0.5,
        Some(strong),
        format!("1× is {ratio:.1} times higher in one radial direction than in the other"),
        one,
    );
    score.sign(0.2, Some(look.share(one) >= 0.6), "1× holds most of the vibration", one);
    // Near a natural frequency a small change of speed changes 1× a lot.
    let sensitive = look.case.reference.and_then(|before| {
        let moved = (look.hz / before.shaft_hz - 1.0).abs();
        let grew = look.grew(one)?;
        (moved > 0.01 && moved < 0.15).then_some(grew)
    });
    score.sign(0.4, sensitive, "1× changed by 6 dB with a small change of speed", one);
    score.finish(strong)
}

fn bearing(findings: &BearingFindings, bearings: &[Bearing]) -> Option<Hypothesis> {
    let plain = |text: String| Evidence { text, axis: None, line: None };
    match findings.verdict {
        BearingVerdict::Defect { bearing, part } => {
            let family = findings.named()?;
            let name = bearings.get(bearing).map_or("bearing", |b| b.name.as_str());
            let mut support = vec![plain(format!(
                "{name}: {} lines at {:.3} × shaft speed ({:+.1} % from the computed frequency), depth {:.2}; by chance under \
                 1 in 10^{:.0}",
                part.words(),
                family.order,
                100.0 * family.slip,
                family.depth,
                (-family.log10_p).clamp(0.0, 100.0)
            ))];
            let mut against = Vec::new();
            if part.sideband_orders(&bearings.get(bearing)?.orders).is_some() {
                let seen = family.sidebands_log10_p < -3.0;
                let text =
                    format!("sidebands that belong to the part (by chance 1 in 10^{:.0})", -family.sidebands_log10_p);
                if seen { support.push(plain(text)) } else { against.push(plain(format!("hardly any {text}"))) }
            }
            Some(Hypothesis { fault: part.into(), confidence: findings.confidence, support, against })
        }
        BearingVerdict::IrregularImpacts => {
            let irregular = findings.irregular?;
            Some(Hypothesis {
                fault: Fault::IrregularImpacts,
                confidence: findings.confidence,
                support: vec![plain(format!(
                    "impacts from {:.0} to {:.0} Hz, spectral kurtosis {:.1} in at least three eighths of the record",
                    irregular.low_hz, irregular.high_hz, irregular.kurtosis
                ))],
                against: vec![plain("no regular rate".to_owned())],
            })
        }
        BearingVerdict::Nothing | BearingVerdict::UnknownRate => None,
    }
}
