//! What single numbers say where there is no waveform: kinds of change, not parts.

use super::advice::Fault;
use super::evidence::{Answer, Diagnosis, Evidence, Hypothesis};
use serde::{Deserialize, Serialize};

/// Which of the machine's numbers left their usual range; `None` for what is not measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct ScalarSigns {
    /// Temperature of bearing or housing.
    pub temperature: Option<bool>,
    /// Velocity, broadband.
    pub velocity: Option<bool>,
    /// Acceleration or an envelope level, broadband.
    pub acceleration: Option<bool>,
    /// Whether the load explains it: it changed together with the load, as the learned states say.
    pub load_explains: Option<bool>,
}

/// At most 0.5: numbers without a spectrum name a direction to look in.
const CEILING: f64 = 0.5;

/// The direction to look in.
pub fn from_scalars(signs: &ScalarSigns) -> Diagnosis {
    let up = |sign: Option<bool>| sign == Some(true);
    let quiet = |sign: Option<bool>| sign == Some(false);
    let mut hypotheses = Vec::new();
    let mut add = |fault, confidence: f64, support: &str, against: Option<&str>| {
        let evidence = |text: &str| Evidence { text: text.to_owned(), axis: None, line: None };
        hypotheses.push(Hypothesis {
            fault,
            confidence: confidence.min(CEILING),
            support: vec![evidence(support)],
            against: against.map(evidence).into_iter().collect(),
        });
    };
    let load = up(signs.load_explains).then_some("the load changed with it");
    let damping = if load.is_some() { 0.5 } else { 1.0 };
    if up(signs.temperature) && quiet(signs.velocity) && !up(signs.acceleration) {
        add(Fault::CoolingOrLoad, 0.5, "temperature left its range, vibration did not", None);
        add(
            Fault::Lubrication,
            0.3 * damping,
            "temperature without vibration: too much or wrong grease is one cause",
            load,
        );
    }
    if up(signs.acceleration) && quiet(signs.velocity) {
        let (early, grease) = if up(signs.temperature) { (0.5, 0.4) } else { (0.4, 0.4) };
        add(
            Fault::Lubrication,
            grease * damping,
            "acceleration rose, velocity did not: friction at high frequency",
            load,
        );
        add(
            Fault::IrregularImpacts,
            early * damping,
            "acceleration rose, velocity did not: an early bearing defect looks like this; a waveform decides",
            load,
        );
    }
    if up(signs.velocity) && quiet(signs.acceleration) {
        add(
            Fault::Imbalance,
            0.3 * damping,
            "velocity rose, acceleration did not: low frequencies, as of imbalance, misalignment or looseness",
            load,
        );
    }
    hypotheses.sort_by(|a, b| b.confidence.total_cmp(&a.confidence));
    let any = [signs.temperature, signs.velocity, signs.acceleration].into_iter().any(up);
    // Without a spectrum nothing is named; the hypotheses say where to look.
    Diagnosis { answer: if any { Answer::UnknownChange } else { Answer::Nothing }, hypotheses }
}
