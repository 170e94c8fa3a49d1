//! What speaks for an alert: the points that take part, with what was expected of them and the limit they passed; what
//! readings alone say of the cause; what the thresholds rest on.

use super::Context;
use super::machine::{Machine, Watch};
use super::now::Now;
use super::spec::{Quantity, Role};
use crate::advise::diagnosis::{Basis, Explanation, LikelyFault, Verdict, advice};
use crate::advise::document::{Contribution, Evidence, LimitSource, Measured, Thresholds};
use crate::advise::wording;
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::{ScalarSigns, from_scalars};
use roundsman_models::detect::learned::Learned;
use roundsman_models::detect::limits::{Limit, Source};
use roundsman_models::detect::tail;
use serde::{Deserialize, Serialize};

/// A point takes part in a pattern when this share of the deviation is its own.
const LEAST_SHARE: f64 = 0.15;

/// What spoke for the machine's finding at a snapshot. An alert between snapshots (a command, a silence, a neighbour that
/// joins) stands on what the last one before it stood on.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Grounds {
    /// Points that take part, the most telling first.
    pub contributions: Vec<Contribution>,
    /// Deviation of the whole machine, where it could be scored.
    pub deviation: Option<f64>,
    /// One minus the chance of it on a healthy machine.
    pub confidence: Option<f64>,
    /// When the earliest of it began.
    pub onset: Option<EventTime>,
    /// Whether only one of several operating states shows it.
    pub only_in_state: bool,
}

impl Grounds {
    /// Of this snapshot.
    pub(super) fn of(machine: &Machine, now: &Now, context: &Context<'_>) -> Self {
        let contributions = contributions(machine, now, context);
        let deviation = now.state.map(|_| now.watched.scored.deviation).filter(|d| d.is_finite());
        let rows = now.state.and_then(|s| machine.learned()?.baseline(s)).map_or(0, |b| b.rows());
        // No more certain than so many rows can make anybody.
        let most = 1.0 - 1.0 / f64::from(rows.max(2));
        Self {
            deviation,
            confidence: deviation.map(|d| (1.0 - tail::two_sided_p(d)).min(most)),
            onset: contributions.iter().filter_map(|c| c.onset).chain(now.novel_since).min(),
            only_in_state: machine.only_in_state(now),
            contributions,
        }
    }
}

fn contributions(machine: &Machine, now: &Now, context: &Context<'_>) -> Vec<Contribution> {
    let scored = &now.watched.scored;
    let odd = now.state.is_some() && scored.deviation >= machine.advisory_from();
    let mut list: Vec<(u8, bool, Contribution)> = Vec::new();
    for (i, (point, watch)) in machine.layout().conditions.iter().zip(machine.watches()).enumerate() {
        let share = now.state.map_or(0.0, |_| scored.share.get(i).copied().unwrap_or(0.0));
        let Some((rank, evidence, onset)) = evidence_of(watch, odd && share >= LEAST_SHARE) else { continue };
        let Some(spec) = context.spec.points.get(usize::from(*point)) else { continue };
        let expected = now.state.and_then(|s| machine.expected(i, s, scored.expected[i]));
        let sigmas = now.state.map(|_| scored.z[i]).filter(|z| z.is_finite());
        let newest = now.values.get(i).copied().filter(|v| v.is_finite());
        // A limit is passed by a value; anything slower is told by the running mean.
        let mean = now.state.and_then(|s| machine.running_mean(i, s, scored.expected[i]));
        let observed = if evidence == Evidence::Limit { newest } else { mean.or(newest) };
        list.push((
            rank,
            // A change that matters is told before one that is only odd.
            scored.telling.get(i).copied().unwrap_or(false),
            Contribution {
                point: spec.name.clone(),
                evidence,
                observed: measured(observed.unwrap_or(f64::NAN), &spec.unit),
                expected: expected.map(|e| measured(e.location, &spec.unit)),
                band: expected.map(|e| 3.0 * e.scale),
                sigmas,
                share,
                limit: watch.crossed.map(|c| limit_source(&c.limit, &spec.unit, context)),
                onset,
            },
        ));
    }
    if now.novel_since.is_some() {
        // What is new is how the machine is run: its operating variables are what was seen.
        for (point, value) in machine.layout().drivers.iter().take(machine.layout().operating).zip(machine.drivers()) {
            let Some(spec) = context.spec.points.get(usize::from(*point)) else { continue };
            let mut c = of_sensor(&spec.name, Evidence::NewState, Some(*value), &spec.unit);
            c.onset = now.novel_since;
            list.push((1, true, c));
        }
    }
    list.sort_by(|a, b| (b.0, b.1).cmp(&(a.0, a.1)).then(b.2.share.total_cmp(&a.2.share)));
    list.into_iter().map(|(_, _, c)| c).collect()
}

/// What readings alone say where no waveform speaks: which kinds of them rose and which did not.
pub(super) fn by_readings(
    at: EventTime,
    contributions: &[Contribution],
    only_in_state: bool,
    context: &Context<'_>,
) -> Option<LikelyFault> {
    let rose = |c: &Contribution| c.expected.as_ref().is_none_or(|e| c.observed.value > e.value);
    // Not measured: nothing to say. Measured: whether a point of the kind takes part and rose.
    let sign = |kind: Quantity| {
        let points = &context.spec.points;
        let of_kind = |c: &&Contribution| {
            points.iter().any(|p| p.name == c.point && p.quantity == kind && p.role == Role::Condition)
        };
        let measured = points.iter().any(|p| p.quantity == kind && p.role == Role::Condition);
        measured.then(|| contributions.iter().filter(of_kind).any(rose))
    };
    let new_state = contributions.iter().any(|c| c.evidence == Evidence::NewState);
    let signs = ScalarSigns {
        temperature: sign(Quantity::Temperature),
        velocity: sign(Quantity::VibrationVelocity),
        acceleration: sign(Quantity::VibrationAcceleration),
        load_explains: Some(new_state || only_in_state),
    };
    let diagnosis = from_scalars(&signs);
    let explanations: Vec<Explanation> = diagnosis.hypotheses.iter().take(3).map(Explanation::of).collect();
    let answer = Verdict::from(diagnosis.answer);
    let (checks, caution) = advice(explanations.first().map(|e| e.fault));
    let likely = LikelyFault { answer, basis: Basis::Readings, at, place: None, explanations, checks, caution };
    (answer != Verdict::Nothing).then_some(likely)
}

fn measured(value: f64, unit: &str) -> Measured {
    Measured { value, unit: unit.to_owned() }
}

/// A sensor's part in an alert about it.
pub(super) fn of_sensor(point: &str, evidence: Evidence, value: Option<f64>, unit: &str) -> Contribution {
    Contribution {
        point: point.to_owned(),
        evidence,
        observed: measured(value.unwrap_or(f64::NAN), unit),
        expected: None,
        band: None,
        sigmas: None,
        share: 0.0,
        limit: None,
        onset: None,
    }
}

/// What makes a point take part, the strongest ground first, with when it began.
fn evidence_of(watch: &Watch, in_pattern: bool) -> Option<(u8, Evidence, Option<EventTime>)> {
    let began = watch.step.map(|s| s.onset).or(watch.drift.as_ref().map(|d| d.since)).or(watch.odd_since);
    if watch.crossed.is_some() {
        return Some((4, Evidence::Limit, began));
    }
    if watch.step.is_some() {
        return Some((3, Evidence::Step, began));
    }
    if watch.drift.is_some() {
        return Some((2, Evidence::Drift, began));
    }
    in_pattern.then_some((1, Evidence::Pattern, began))
}

pub(super) fn thresholds_of(learned: &Learned) -> Thresholds {
    let (found, basis) = (learned.thresholds(), learned.basis());
    let mut said = Thresholds {
        false_warnings_per_year: learned.allowed().budget.warnings_per_year,
        deviation: found.deviation,
        step_limit: found.step_limit,
        drift_significance: found.drift_significance,
        rows: basis.rows,
        independent_rows: basis.independent_rows,
        widened: basis.widened,
        message: String::new(),
    };
    said.message = wording::thresholds_message(&said);
    said
}

/// A limit with where it came from.
pub(super) fn limit_source(limit: &Limit, unit: &str, context: &Context<'_>) -> LimitSource {
    let source = match limit.source {
        Source::Baseline => "baseline".to_owned(),
        Source::Own => "own".to_owned(),
        Source::Zones => context.spec.zones.clone().unwrap_or_else(|| "zones".into()),
    };
    LimitSource { limit: measured(limit.value, unit), source }
}
