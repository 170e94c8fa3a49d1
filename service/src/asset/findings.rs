//! What is said of an asset: one alarm life for the machine, one for its silence, one per sensor; each transition
//! becomes one alert document that reads on its own.

use super::Context;
use super::machine::{Machine, Watch};
use super::now::Now;
use super::sensor::{Fault, Sensor};
use super::settings::Settings;
use super::spec::{Quantity, Role};
use crate::advise::diagnosis::{Basis, Explanation, LikelyFault, Verdict, advice};
use crate::advise::document::{
    self, Alert, Condition as Statement, Contribution, Evidence, Finding, LimitSource, Measured, Severity,
};
use crate::advise::wording;
use crate::engine::{Action, Command, Output};
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::{Fault as LikelyPart, ScalarSigns, from_scalars};
use roundsman_models::detect::alarm::{
    AlarmLife, AlarmParams, CheckedAlarm, Condition, Delay, Transition, Transitions,
};
use roundsman_models::detect::limits::{BaselineRule, CheckedBaselineRule, Limit, Source};
use roundsman_models::detect::tail;
use serde::{Deserialize, Serialize};

/// A point takes part in a pattern when this share of the deviation is its own.
const LEAST_SHARE: f64 = 0.15;

/// Alarm lives of one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    machine: AlarmLife,
    silence: AlarmLife,
    sensors: Vec<AlarmLife>,
    faults: Vec<Option<Fault>>,
    /// The likely fault that was last told, with its episode, and how often a new one was in that episode.
    told: Option<(u64, Verdict, Option<LikelyPart>)>,
    told_times: u32,
}

/// Diagnoses told in one episode beyond what its transitions carry.
const MOST_DIAGNOSES: u32 = 5;

/// Who made a transition, when a person did.
#[derive(Default, Clone, Copy)]
struct By<'a> {
    by: Option<&'a str>,
    note: Option<&'a str>,
}

impl Findings {
    /// Nothing open.
    pub fn new(settings: &Settings) -> Self {
        Self {
            machine: AlarmLife::new(delays(1, settings.alarm.clear_snapshots)),
            silence: AlarmLife::new(delays(1, 1)),
            sensors: Vec::new(),
            faults: Vec::new(),
            told: None,
            told_times: 0,
        }
    }

    /// Room for the sensors of `points` points.
    pub fn define(&mut self, points: usize, _settings: &Settings) {
        self.sensors.resize_with(points, || AlarmLife::new(delays(1, 1)));
        self.faults.resize(points, None);
    }

    /// Takes the machine's condition of one snapshot, after persistence.
    #[expect(clippy::too_many_arguments, reason = "the machine's state, its newest snapshot and where to say it")]
    pub fn machine(
        &mut self,
        at: EventTime,
        condition: Condition,
        suppressed: bool,
        machine: &Machine,
        now: &Now,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let said = self.machine.step(at, condition, suppressed);
        if !said.is_empty() {
            self.say_machine(said, By::default(), machine, now, context, out);
        }
    }

    /// Waveforms gave a new answer: told when it differs from what the open alert said last.
    pub fn diagnosed(&mut self, at: EventTime, machine: &Machine, context: &Context<'_>, out: &mut Vec<Output>) {
        let episode = self.machine.episode();
        if !self.machine.is_open() || self.told_times >= MOST_DIAGNOSES {
            return;
        }
        let Some(raised_at) = self.machine.raised_at() else { return };
        let Some(likely) = context.likely.speaks_for(raised_at) else { return };
        let news = (episode, likely.answer, likely.named().map(|e| e.fault));
        let worth = likely.answer != Verdict::Nothing || self.told.is_some_and(|t| t.0 == episode && t.2.is_some());
        if self.told == Some(news) || !worth {
            return;
        }
        let said = self.machine.diagnosed(at);
        if !said.is_empty() {
            self.told_times += 1;
            self.say_machine(said, By::default(), machine, &Now::default(), context, out);
        }
    }

    fn say_machine(
        &mut self,
        said: Transitions,
        by: By<'_>,
        machine: &Machine,
        now: &Now,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let contributions = contributions(machine, now, context);
        let only_in_state = machine.only_in_state(now);
        let deviation = now.state.map(|_| now.watched.scored.deviation).filter(|d| d.is_finite());
        let onset = contributions.iter().filter_map(|c| c.onset).chain(now.novel_since).min();
        let rows = now.state.and_then(|s| machine.learned()?.baseline(s)).map_or(0, |b| b.rows());
        let remaining_life = machine.forecaster().statement().cloned();
        for t in said {
            let mut alert = Alert {
                deviation,
                onset,
                operating_state: machine.state_name(context.spec),
                // No more certain than so many rows can make anybody.
                confidence: deviation.map(|d| (1.0 - tail::two_sided_p(d)).min(1.0 - 1.0 / f64::from(rows.max(2)))),
                contributions: contributions.clone(),
                remaining_life: remaining_life.clone(),
                likely_fault: context
                    .likely
                    .speaks_for(t.raised_at)
                    .cloned()
                    .or_else(|| by_readings(t.at, &contributions, only_in_state, context)),
                ..blank(context, Finding::Machine, &t)
            };
            alert.by = by.by.map(str::to_owned);
            alert.note = by.note.map(str::to_owned);
            alert.message = wording::message(&alert, context.spec, only_in_state);
            let likely = alert.likely_fault.as_ref().filter(|l| l.basis == Basis::Waveform);
            if self.told.is_some_and(|told| told.0 != t.episode) {
                (self.told, self.told_times) = (None, 0);
            }
            if let Some(likely) = likely {
                self.told = Some((t.episode, likely.answer, likely.named().map(|e| e.fault)));
            }
            out.push(Output::Alert(context.id, Box::new(alert)));
        }
    }

    /// Whether the whole asset is silent now.
    pub fn silence(
        &mut self,
        at: EventTime,
        silent: bool,
        ever_seen: bool,
        machine: &Machine,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        // An asset nobody configured exists only because it spoke: never seen is about configured ones.
        let silent = silent && (ever_seen || context.spec.configured);
        if !silent && !self.silence.is_open() {
            return;
        }
        let condition = if silent { Condition::Present(Severity::Warning) } else { Condition::Absent };
        let said = self.silence.step(at, condition, false);
        for t in said {
            let mut alert = blank(context, Finding::Silence, &t);
            alert.sensor_status = Some("failure".into());
            if silent {
                // Of no point in particular.
                let evidence = if ever_seen { Evidence::Silent } else { Evidence::NeverSeen };
                alert.contributions = vec![of_sensor("", evidence, None, "")];
            }
            alert.message = wording::message(&alert, context.spec, false);
            out.push(Output::Alert(context.id, Box::new(alert)));
        }
        if silent {
            let said = self.machine.data_stopped(at);
            self.say_machine(said, By::default(), machine, &Now::default(), context, out);
        }
    }

    /// Whether one sensor is at fault now. `unknown`: nobody can tell, the whole asset is silent.
    #[expect(clippy::too_many_arguments, reason = "a sensor, its machine and where to say it")]
    pub fn sensor(
        &mut self,
        at: EventTime,
        point: usize,
        fault: Option<Fault>,
        unknown: bool,
        sensor: &Sensor,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let (Some(life), Some(known)) = (self.sensors.get_mut(point), self.faults.get_mut(point)) else { return };
        if fault.is_none() && known.is_none() && !life.is_open() {
            return;
        }
        let condition = match fault {
            _ if unknown => Condition::Unknown,
            Some(_) => Condition::Present(Severity::Advisory),
            None => Condition::Absent,
        };
        let said = life.step(at, condition, false);
        let shown = fault.or(*known);
        if !unknown {
            *known = fault;
        }
        let Some(spec) = context.spec.points.get(point) else { return };
        for t in said {
            let mut alert = blank(context, Finding::Sensor(spec.name.clone()), &t);
            alert.sensor_status = Some(fault.map_or("normal", Fault::status).into());
            if let Some(f) = shown {
                let mut c = of_sensor(&spec.name, f.evidence(), sensor.last_value(), &spec.unit);
                c.onset = match f {
                    Fault::Stuck => sensor.same_since(),
                    _ => sensor.last_at(),
                };
                alert.onset = c.onset;
                alert.contributions = vec![c];
            }
            alert.message = wording::message(&alert, context.spec, false);
            out.push(Output::Alert(context.id, Box::new(alert)));
        }
    }

    /// The condition document as of now.
    pub fn condition_changed(
        &self,
        at: EventTime,
        machine: &Machine,
        now: &Now,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let mut open = Vec::new();
        let mut add = |finding: Finding, life: &AlarmLife| {
            if life.is_open() {
                open.push(document::alert_id(context.site, &context.spec.name, &finding, life.episode()));
            }
        };
        add(Finding::Machine, &self.machine);
        add(Finding::Silence, &self.silence);
        for (point, life) in context.spec.points.iter().zip(&self.sensors) {
            add(Finding::Sensor(point.name.clone()), life);
        }
        let sensor_faults = context
            .spec
            .points
            .iter()
            .zip(&self.faults)
            .filter_map(|(p, f)| f.map(|f| (p.name.clone(), f.status().to_owned())))
            .collect();
        let mut condition = Statement {
            site: context.site.to_owned(),
            asset: context.spec.name.clone(),
            at,
            zone: machine.zone(),
            operating_state: machine.state_name(context.spec),
            run_hours: machine.run_hours(),
            learned: machine.learned_share(context.settings),
            deviation: now.state.map(|_| now.watched.scored.deviation).filter(|d| d.is_finite()),
            open_alerts: open,
            sensor_faults,
            points: super::points::points(machine, now, context),
            message: String::new(),
        };
        condition.message = wording::condition_message(&condition);
        out.push(Output::Condition(context.id, Box::new(condition)));
    }

    /// The machine's baseline was forgotten on command: its episode has lost its ground.
    pub fn forget_machine(
        &mut self,
        at: EventTime,
        command: &Command,
        machine: &Machine,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let said = self.machine.reset(at);
        let by = By { by: Some(&command.by), note: command.note.as_deref() };
        self.say_machine(said, by, machine, &Now::default(), context, out);
    }

    /// Carries out a command on alarm lives: on the one named, else on all of the asset's that it fits.
    pub fn command(
        &mut self,
        at: EventTime,
        command: &Command,
        machine: &Machine,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) -> Result<String, String> {
        let wanted = match &command.action {
            Action::Acknowledge { alert } | Action::Shelve { alert, .. } | Action::Unshelve { alert } => {
                alert.as_deref()
            }
            _ => None,
        };
        let mut lives: Vec<(Finding, &mut AlarmLife)> =
            vec![(Finding::Machine, &mut self.machine), (Finding::Silence, &mut self.silence)];
        for (point, life) in context.spec.points.iter().zip(&mut self.sensors) {
            lives.push((Finding::Sensor(point.name.clone()), life));
        }
        let (mut done, mut refused) = (Vec::new(), Vec::new());
        let mut spoken = Vec::new();
        for (finding, life) in lives {
            let id = document::alert_id(context.site, &context.spec.name, &finding, life.episode());
            if wanted.is_some_and(|w| w != id) {
                continue;
            }
            let result = match &command.action {
                Action::Acknowledge { .. } => life.acknowledge(at),
                Action::Shelve { secs, .. } => life.shelve(at, *secs),
                Action::Unshelve { .. } => life.unshelve(at),
                Action::OutOfService => life.take_out_of_service(at),
                Action::ReturnToService => life.return_to_service(at),
                Action::Relearn | Action::Capture | Action::SetLimit { .. } => continue,
            };
            match result {
                Ok(said) => {
                    done.push(id);
                    spoken.push((finding, said));
                }
                Err(why) => refused.push(why.to_string()),
            }
        }
        let by = By { by: Some(&command.by), note: command.note.as_deref() };
        for (finding, said) in spoken {
            if finding == Finding::Machine {
                self.say_machine(said, by, machine, &Now::default(), context, out);
                continue;
            }
            for t in said {
                let mut alert = blank(context, finding.clone(), &t);
                alert.by = by.by.map(str::to_owned);
                alert.note = by.note.map(str::to_owned);
                alert.message = wording::message(&alert, context.spec, false);
                out.push(Output::Alert(context.id, Box::new(alert)));
            }
        }
        match (done.is_empty(), wanted, refused.first()) {
            (false, ..) => Ok(done.join(", ")),
            (true, Some(w), None) => Err(format!("no alert {w:?} on this asset")),
            (true, _, Some(why)) => Err(why.clone()),
            (true, None, None) => Err("nothing to do".into()),
        }
    }

    /// Episode state of the machine's alert.
    pub fn machine_life(&self) -> &AlarmLife {
        &self.machine
    }
}

/// Points that take part in what is said of the machine, the most telling first.
fn contributions(machine: &Machine, now: &Now, context: &Context<'_>) -> Vec<Contribution> {
    let scored = &now.watched.scored;
    let odd = now.state.is_some() && scored.deviation >= context.settings.detect.advisory_sigmas;
    let mut list: Vec<(u8, Contribution)> = Vec::new();
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
            list.push((1, c));
        }
    }
    list.sort_by(|a, b| b.0.cmp(&a.0).then(b.1.share.total_cmp(&a.1.share)));
    list.into_iter().map(|(_, c)| c).collect()
}

/// What readings alone say where no waveform speaks: which kinds of them rose and which did not.
fn by_readings(
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

/// An alert with nothing but its identity and its transition.
fn blank(context: &Context<'_>, finding: Finding, t: &Transition) -> Alert {
    Alert {
        id: document::alert_id(context.site, &context.spec.name, &finding, t.episode),
        revision: t.revision,
        site: context.site.to_owned(),
        asset: context.spec.name.clone(),
        finding,
        change: t.change,
        state: t.state,
        severity: t.severity,
        worst: t.worst,
        sensor_status: None,
        at: t.at,
        raised_at: t.raised_at,
        onset: None,
        operating_state: None,
        deviation: None,
        confidence: None,
        contributions: Vec::new(),
        remaining_life: None,
        likely_fault: None,
        message: String::new(),
        by: None,
        note: None,
    }
}

/// A sensor's part in an alert about it.
fn of_sensor(point: &str, evidence: Evidence, value: Option<f64>, unit: &str) -> Contribution {
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
    let began = watch.step.map(|s| s.onset).or(watch.drift.map(|d| d.since)).or(watch.odd_since);
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

/// A limit with where it came from.
pub fn limit_source(limit: &Limit, unit: &str, context: &Context<'_>) -> LimitSource {
    let source = match limit.source {
        Source::Baseline => "baseline".to_owned(),
        Source::Own => "own".to_owned(),
        Source::Zones => context.spec.zones.clone().unwrap_or_else(|| "zones".into()),
    };
    LimitSource { limit: measured(limit.value, unit), source }
}

/// How far baseline limits lie from what is expected at least, by quantity: for vibration a warning needs half as much
/// again and an alarm, by the ratio of the two sigmas, 83 % (common practice: twice the level is an alarm).
pub fn rule_of(settings: &Settings, quantity: Quantity) -> CheckedBaselineRule {
    let floor = match quantity {
        Quantity::VibrationVelocity | Quantity::VibrationAcceleration | Quantity::VibrationDisplacement => {
            2.5 * settings.detect.least_change
        }
        _ => settings.detect.least_change,
    };
    let rule = BaselineRule {
        warning_sigmas: settings.detect.warning_sigmas,
        alarm_sigmas: settings.detect.alarm_sigmas,
        least_change: floor,
    };
    match rule.check().or_else(|_| BaselineRule::default().check()) {
        Ok(checked) => checked,
        Err(_) => unreachable!("the defaults are in range"),
    }
}

/// Delays in snapshots, the rest as the alarm life has it.
pub fn delays(on: u32, off: u32) -> CheckedAlarm {
    let delay = |snapshots: u32| Delay { snapshots: snapshots.max(1), secs: 0.0 };
    let params = AlarmParams { on_delay: delay(on), off_delay: delay(off), ..AlarmParams::default() };
    match params.check().or_else(|_| AlarmParams::default().check()) {
        Ok(checked) => checked,
        Err(_) => unreachable!("the defaults are in range"),
    }
}
