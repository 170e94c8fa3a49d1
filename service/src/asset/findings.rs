//! What is said of an asset: one alarm life for the machine, one for its silence, one per sensor; each transition
//! becomes one alert document that reads on its own.

use super::Context;
use super::evidence::{Grounds, by_readings, of_sensor, thresholds_of};
use super::holds::{Holds, Said};
use super::machine::Machine;
use super::neighbours::Which;
use super::now::Now;
use super::sensor::{Fault, Sensor};
use super::settings::Settings;
use super::spec::Quantity;
use crate::advise::diagnosis::{Basis, Verdict};
use crate::advise::document::{self, Alert, Condition as Statement, Evidence, Finding, Severity};
use crate::advise::{forms, wording};
use crate::engine::{Action, Command, Done, Output};
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::Fault as LikelyPart;
use roundsman_models::detect::alarm::{
    AlarmLife, AlarmParams, CheckedAlarm, Condition, Delay, LifeState, Transition, Transitions,
};
use roundsman_models::detect::limits::{BaselineRule, CheckedBaselineRule};
use serde::{Deserialize, Serialize};

/// Alarm lives of one asset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Findings {
    machine: AlarmLife,
    silence: AlarmLife,
    /// None where there is nothing to remember, as with most: a life at its start, under the same delays as `silence`.
    sensors: Vec<Option<Box<AlarmLife>>>,
    faults: Vec<Option<Fault>>,
    /// The likely fault that was last told, with its episode, and how often a new one was in that episode.
    told: Option<(u64, Verdict, Option<LikelyPart>)>,
    told_times: u32,
    /// Planned work, and alerts of neighbours that speak for what is found here.
    holds: Holds,
    /// Since when the machine's finding, and its silence, stand, told or not.
    since: [Option<EventTime>; 2],
    /// When the condition of the machine's newest episode was last there.
    seen: Option<EventTime>,
    /// What the machine's open alert stands on, as its last snapshot had it.
    grounds: Option<Box<Grounds>>,
    /// Which neighbours its alerts, of the machine and of its silence, have been told to speak for.
    gathered: [Gathered; 2],
    /// Something was said since the last condition document: the next snapshot gives a new one.
    condition_due: bool,
}

/// How many machines an episode's alert has been told to speak for, and when more are to be told.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
struct Gathered {
    episode: u64,
    told: u32,
    due: Option<EventTime>,
}

/// Neighbours are waited for so long before an alert says that it speaks for them, seconds: they are not found by the same
/// snapshot, and one document says all of them.
const GATHER_SECS: f64 = 600.0;

/// A life that has something to remember.
fn remembered(life: Box<AlarmLife>) -> Option<Box<AlarmLife>> {
    (*life != AlarmLife::new(life.params())).then_some(life)
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
            machine: AlarmLife::new(life(settings.alarm.clear_snapshots, settings)),
            silence: AlarmLife::new(life(1, settings)),
            sensors: Vec::new(),
            faults: Vec::new(),
            told: None,
            told_times: 0,
            holds: Holds::default(),
            since: [None; 2],
            seen: None,
            grounds: None,
            gathered: [Gathered::default(); 2],
            condition_due: false,
        }
    }

    /// Room for the sensors of `points` points, under these settings from now on.
    pub fn define(&mut self, points: usize, settings: &Settings) {
        let of_one = life(1, settings);
        self.machine.set_params(life(settings.alarm.clear_snapshots, settings));
        self.silence.set_params(of_one);
        for sensor in self.sensors.iter_mut().flatten() {
            sensor.set_params(of_one);
        }
        self.sensors.resize(points, None);
        self.faults.resize(points, None);
    }

    /// A sensor's life at its start.
    fn fresh(&self) -> AlarmLife {
        AlarmLife::new(self.silence.params())
    }

    /// Sensors with a life behind them, by the name of their point.
    fn lived<'a>(&'a self, context: &'a Context<'_>) -> impl Iterator<Item = (&'a str, &'a AlarmLife)> {
        let named = context.spec.points.iter().zip(&self.sensors);
        named.filter_map(|(point, life)| Some((point.name.as_str(), life.as_deref()?)))
    }

    /// Takes the machine's condition of one snapshot, after persistence, and as `seen` by that snapshot alone.
    #[expect(clippy::too_many_arguments, reason = "the machine's state, its newest snapshot and where to say it")]
    pub fn machine(
        &mut self,
        at: EventTime,
        condition: Condition,
        seen: Condition,
        suppressed: bool,
        machine: &Machine,
        now: &Now,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let (planned, begun) = self.holds.planned(at, context.windows);
        self.condition_due |= begun;
        let life = &self.machine;
        let set_up = machine.set_ups().shift().and_then(|_| machine.set_up(context));
        let alike = set_up.map(|set_up| set_up.machines).unwrap_or_default();
        let now_is = Said { which: Which::Machine, at, condition, alike: &alike };
        let covered = self.holds.covered(&now_is, life, context, &mut self.condition_due);
        let waits = self.holds.waits(life, seen);
        let held = planned || covered || waits;
        let said = self.machine.step(at, condition, suppressed || held);
        self.holds.stepped(&self.machine, held);
        self.condition_due |= self.holds.note(at, &Finding::Machine, &self.machine, planned);
        self.stand(Which::Machine, at);
        if self.machine.is_open() && matches!(seen, Condition::Present(_)) {
            self.seen = Some(at);
        }
        if !said.is_empty() {
            self.condition_due = true;
            self.say_machine(said, By::default(), machine, Some(now), context, out);
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
            self.say_machine(said, By::default(), machine, None, context, out);
        }
    }

    fn say_machine(
        &mut self,
        said: Transitions,
        by: By<'_>,
        machine: &Machine,
        now: Option<&Now>,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        if said.is_empty() {
            return;
        }
        if let Some(now) = now {
            self.grounds = Some(Box::new(Grounds::of(machine, now, context)));
        }
        let grounds = self.grounds.take().unwrap_or_default();
        let set_up = machine.set_up(context);
        for t in said {
            let mut alert = Alert {
                deviation: grounds.deviation,
                onset: grounds.onset,
                operating_state: machine.state_name(context.spec),
                confidence: grounds.confidence,
                contributions: grounds.contributions.clone(),
                remaining_life: machine.forecaster().statement().cloned(),
                likely_fault: context.likely.speaks_for(t.raised_at).cloned().or_else(|| {
                    by_readings(t.at, &grounds.contributions, grounds.only_in_state, context)
                        .filter(|_| set_up.is_none())
                }),
                set_up: set_up.clone(),
                ..blank(context, Finding::Machine, &t)
            };
            alert.by = by.by.map(str::to_owned);
            alert.note = by.note.map(str::to_owned);
            self.among(Which::Machine, &mut alert, context);
            alert.message = wording::message(&alert, context.spec, grounds.only_in_state);
            let likely = alert.likely_fault.as_ref().filter(|l| l.basis == Basis::Waveform);
            if self.told.is_some_and(|told| told.0 != t.episode) {
                (self.told, self.told_times) = (None, 0);
            }
            if let Some(likely) = likely {
                self.told = Some((t.episode, likely.answer, likely.named().map(|e| e.fault)));
            }
            out.push(Output::Alert(context.id, Box::new(alert)));
        }
        if self.machine.is_open() {
            self.grounds = Some(grounds);
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
        if !silent && !self.silence.is_open() && self.silence.active().is_none() {
            return;
        }
        let condition = if silent { Condition::Present(Severity::Warning) } else { Condition::Absent };
        let planned = self.planned(at, context);
        let life = &self.silence;
        let now_is = Said { which: Which::Silence, at, condition, alike: &[] };
        let covered = self.holds.covered(&now_is, life, context, &mut self.condition_due);
        let said = self.silence.step(at, condition, planned || covered);
        self.condition_due |= self.holds.note(at, &Finding::Silence, &self.silence, planned);
        self.stand(Which::Silence, at);
        self.say_silence(said, silent, ever_seen, context, out);
        if silent {
            let said = self.machine.data_stopped(at);
            self.condition_due |= !said.is_empty();
            self.say_machine(said, By::default(), machine, None, context, out);
        }
    }

    fn say_silence(
        &mut self,
        said: Transitions,
        silent: bool,
        ever_seen: bool,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        self.condition_due |= !said.is_empty();
        for t in said {
            let mut alert = blank(context, Finding::Silence, &t);
            alert.sensor_status = Some("failure".into());
            self.among(Which::Silence, &mut alert, context);
            if silent {
                // Of no point in particular.
                let evidence = if ever_seen { Evidence::Silent } else { Evidence::NeverSeen };
                alert.contributions = vec![of_sensor("", evidence, None, "")];
            }
            alert.message = wording::message(&alert, context.spec, false);
            out.push(Output::Alert(context.id, Box::new(alert)));
        }
    }

    /// Follows the calendar; whether it holds at `at`.
    pub fn planned(&mut self, at: EventTime, context: &Context<'_>) -> bool {
        let (planned, news) = self.holds.planned(at, context.windows);
        self.condition_due |= news;
        planned
    }

    /// Says, a little after the first of them, that an alert speaks for neighbours too.
    pub fn gathered(&mut self, at: EventTime, machine: &Machine, context: &Context<'_>, out: &mut Vec<Output>) {
        for (which, finding) in [(Which::Machine, Finding::Machine), (Which::Silence, Finding::Silence)] {
            let life = self.life(which);
            if !life.is_open() || life.active().is_none() || life.is_held() {
                continue;
            }
            let episode = life.episode();
            let id = document::alert_id(context.site, &context.spec.name, &finding, episode);
            let now = context.spoken_for(which, &id);
            let Some(known) = self.gathered.get_mut(which as usize) else { continue };
            if known.episode != episode {
                *known = Gathered { episode, ..Gathered::default() };
            }
            if now <= known.told {
                known.due = None;
                continue;
            }
            if at < *known.due.get_or_insert(at.plus_secs(GATHER_SECS)) {
                continue;
            }
            match which {
                Which::Machine => {
                    let said = self.machine.joined(at);
                    self.say_machine(said, By::default(), machine, None, context, out);
                }
                Which::Silence => {
                    let said = self.silence.joined(at);
                    self.say_silence(said, true, true, context, out);
                }
            }
        }
    }

    /// What else an alert of the machine or of its silence has to say of its neighbours and of planned work.
    fn among(&mut self, which: Which, alert: &mut Alert, context: &Context<'_>) {
        if matches!(alert.change, document::Change::Raised | document::Change::Recurred) {
            alert.held_back = self.holds.raised(&alert.finding, &alert.id);
        }
        let since = self.since.get(which as usize).copied().flatten().unwrap_or(alert.raised_at);
        alert.neighbours = context.same_time(which, since, &alert.id);
        let told = alert.neighbours.iter().filter(|n| n.alert.is_none()).count() as u32;
        let episode = self.life(which).episode();
        if let Some(known) = self.gathered.get_mut(which as usize) {
            let before = if known.episode == episode { known.told } else { 0 };
            *known = Gathered { episode, told: told.max(before), due: None };
        }
    }

    /// Keeps since when a finding stands.
    fn stand(&mut self, which: Which, at: EventTime) {
        let stands = self.life(which).active().is_some();
        if let Some(since) = self.since.get_mut(which as usize) {
            *since = if stands { since.or(Some(at)) } else { None };
        }
    }

    /// The life of one of them.
    pub fn life(&self, which: Which) -> &AlarmLife {
        match which {
            Which::Machine => &self.machine,
            Which::Silence => &self.silence,
        }
    }

    /// Since when a finding stands, told or not, and how severe it is.
    pub fn stands(&self, which: Which) -> Option<(EventTime, Severity)> {
        Some((self.since.get(which as usize).copied().flatten()?, self.life(which).active()?))
    }

    /// When what stands was told of the open alert, or told again of one that had returned.
    pub fn told_at(&self, which: Which) -> Option<EventTime> {
        let since = self.since.get(which as usize).copied().flatten()?;
        self.life(which).raised_at().map(|raised_at| raised_at.max(since))
    }

    /// The alert of a neighbour that speaks for a finding.
    pub fn told_by(&self, which: Which) -> Option<&str> {
        self.holds.told_by(which)
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
        let fresh = || Box::new(AlarmLife::new(self.silence.params()));
        let (Some(life), Some(known)) = (self.sensors.get_mut(point), self.faults.get_mut(point)) else { return };
        let idle = life.as_ref().is_none_or(|life| !life.is_open() && life.active().is_none());
        if fault.is_none() && known.is_none() && idle {
            return;
        }
        let (planned, begun) = self.holds.planned(at, context.windows);
        self.condition_due |= begun;
        let life = life.get_or_insert_with(fresh);
        let condition = match fault {
            _ if unknown => Condition::Unknown,
            Some(_) => Condition::Present(Severity::Advisory),
            None => Condition::Absent,
        };
        let said = life.step(at, condition, planned);
        let shown = fault.or(*known);
        self.condition_due |= !said.is_empty();
        if !unknown {
            self.condition_due |= *known != fault;
            *known = fault;
        }
        let Some(spec) = context.spec.points.get(point) else { return };
        if self.holds.work().is_some() {
            self.condition_due |= self.holds.note(at, &Finding::Sensor(spec.name.clone()), life, planned);
        }
        for t in said {
            let mut alert = blank(context, Finding::Sensor(spec.name.clone()), &t);
            if matches!(t.change, document::Change::Raised | document::Change::Recurred) {
                alert.held_back = self.holds.raised(&alert.finding, &alert.id);
            }
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

    /// Whether a new condition document is due; it is not any more after this.
    pub fn take_due(&mut self) -> bool {
        std::mem::take(&mut self.condition_due)
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
        // A replay writes no conditions.
        if !context.trends {
            return;
        }
        let mut open = Vec::new();
        let mut add = |finding: Finding, life: &AlarmLife| {
            if life.is_open() {
                open.push(document::alert_id(context.site, &context.spec.name, &finding, life.episode()));
            }
        };
        add(Finding::Machine, &self.machine);
        add(Finding::Silence, &self.silence);
        for (point, life) in self.lived(context) {
            add(Finding::Sensor(point.to_owned()), life);
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
            thresholds: machine.learned().map(thresholds_of),
            open_alerts: open,
            sensor_faults,
            points: super::points::points(machine, now, context),
            maintenance: self.holds.work().cloned(),
            told_by: self.told_by(Which::Machine).or(self.told_by(Which::Silence)).map(str::to_owned),
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
        self.condition_due = true;
        self.say_machine(said, by, machine, None, context, out);
    }

    /// Whether this asset ever gave the alert of this id.
    pub fn has_given(&self, alert: &str, context: &Context<'_>) -> bool {
        let Some(episode) = alert.rsplit('/').next().and_then(|ordinal| ordinal.parse().ok()) else { return false };
        let sensors = self.lived(context).map(|(point, life)| (Finding::Sensor(point.to_owned()), life));
        let mut lives =
            [(Finding::Machine, &self.machine), (Finding::Silence, &self.silence)].into_iter().chain(sensors);
        lives.any(|(finding, life)| {
            (1..=life.episode()).contains(&episode)
                && document::alert_id(context.site, &context.spec.name, &finding, episode) == alert
        })
    }

    /// When what the machine's alert of this id is about was last there; `None` of any but its newest episode, since then
    /// other things have happened to it.
    pub fn last_seen(&self, alert: &str, context: &Context<'_>) -> Option<EventTime> {
        let newest = document::alert_id(context.site, &context.spec.name, &Finding::Machine, self.machine.episode());
        self.seen.filter(|_| newest == alert)
    }

    /// Carries out a command on alarm lives: on the one named, else on all of the asset's that it fits.
    pub fn command(
        &mut self,
        at: EventTime,
        command: &Command,
        machine: &Machine,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) -> Result<Done, String> {
        let wanted = match &command.action {
            Action::Acknowledge { alert } | Action::Shelve { alert, .. } | Action::Unshelve { alert } => {
                alert.as_deref()
            }
            _ => None,
        };
        let fresh = self.fresh();
        let mut lives: Vec<(Finding, &mut AlarmLife)> =
            vec![(Finding::Machine, &mut self.machine), (Finding::Silence, &mut self.silence)];
        for (point, life) in context.spec.points.iter().zip(&mut self.sensors) {
            let life = life.get_or_insert_with(|| Box::new(fresh.clone()));
            lives.push((Finding::Sensor(point.name.clone()), life));
        }
        let (mut done, mut refused) = (Vec::new(), Vec::new());
        let (mut old, mut new) = (Vec::new(), Vec::new());
        let mut spoken = Vec::new();
        for (finding, life) in lives {
            let id = document::alert_id(context.site, &context.spec.name, &finding, life.episode());
            if wanted.is_some_and(|w| w != id) {
                continue;
            }
            let before = standing(life);
            let result = match &command.action {
                Action::Acknowledge { .. } => life.acknowledge(at),
                Action::Shelve { secs, .. } => life.shelve(at, *secs),
                Action::Unshelve { .. } => life.unshelve(at),
                Action::OutOfService => life.take_out_of_service(at),
                Action::ReturnToService => life.return_to_service(at),
                Action::Relearn | Action::Capture | Action::SetLimit { .. } | Action::Finding { .. } => continue,
            };
            match result {
                Ok(said) => {
                    old.push(format!("{id} {before}"));
                    new.push(format!("{id} {}", standing(life)));
                    done.push(life.is_open().then_some(id));
                    spoken.push((finding, said));
                }
                Err(why) => refused.push(why.to_string()),
            }
        }
        for life in &mut self.sensors {
            *life = life.take().and_then(remembered);
        }
        let by = By { by: Some(&command.by), note: command.note.as_deref() };
        self.condition_due |= spoken.iter().any(|(_, said): &(Finding, Transitions)| !said.is_empty());
        for (finding, said) in spoken {
            if finding == Finding::Machine {
                self.say_machine(said, by, machine, None, context, out);
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
            (false, ..) => Ok(Done {
                said: wording::done(&command.action, &context.spec.name, &done),
                old: Some(old.join(", ")),
                new: Some(new.join(", ")),
            }),
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

/// How an alert stands, for the audit of a command.
fn standing(life: &AlarmLife) -> String {
    let state = match life.state() {
        LifeState::Normal => "normal",
        LifeState::Unacknowledged => "unacknowledged",
        LifeState::Acknowledged => "acknowledged",
        LifeState::ReturnedUnacknowledged => "returned-unacknowledged",
        LifeState::Shelved => "shelved",
        LifeState::SuppressedByDesign => "suppressed-by-design",
        LifeState::OutOfService => "out-of-service",
    };
    match life.shelved_until() {
        Some(until) => format!("{state} (shelved until {})", forms::rfc3339(until)),
        None => state.to_owned(),
    }
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
        held_back: None,
        neighbours: Vec::new(),
        set_up: None,
        message: String::new(),
        by: None,
        note: None,
    }
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

/// A life that raises at once (the machine's persistence has been waited for already), clears after `off` snapshots
/// and closes as the settings say.
fn life(off: u32, settings: &Settings) -> CheckedAlarm {
    let auto_close = settings.alarm.auto_close_secs;
    checked(AlarmParams {
        auto_close_secs: (auto_close > 0.0).then_some(auto_close),
        longest_shelf_secs: settings.alarm.longest_shelf_secs,
        remind_secs: (settings.alarm.remind_secs > 0.0).then_some(settings.alarm.remind_secs),
        ..delays(1, off).into()
    })
}

/// Delays in snapshots, the rest as the alarm life has it.
pub fn delays(on: u32, off: u32) -> CheckedAlarm {
    let delay = |snapshots: u32| Delay { snapshots: snapshots.max(1), secs: 0.0 };
    checked(AlarmParams { on_delay: delay(on), off_delay: delay(off), ..AlarmParams::default() })
}

/// The configuration was checked with the same rules; if it was not, the defaults are better than no watch.
fn checked(params: AlarmParams) -> CheckedAlarm {
    match params.check().or_else(|_| AlarmParams::default().check()) {
        Ok(checked) => checked,
        Err(_) => unreachable!("the defaults are in range"),
    }
}

#[cfg(test)]
mod tests {
    use crate::acquire::registry::Registry;
    use crate::acquire::{AssetId, Observation, Quality};
    use crate::advise::document::Condition;
    use crate::config::{Sources, from_text};
    use crate::engine::{Action, Command, Engine, Event, Output};
    use roundsman_models::EventTime;

    const CONFIG: &str = "[align]\ncadence = '1 min'\n[alarm]\nlongest_shelf = '8 h'\n[screen]\nsilent = '5 min'\n\
        [assets.p.points.vib]\nunit = 'mm/s rms'\nrange = [0, 100]\n[assets.p.points.temp]\nunit = 'Cel'\n";

    struct Watched {
        engine: Engine,
        out: Vec<Output>,
    }

    impl Watched {
        fn new(config: &str) -> Self {
            let checked = from_text(Some(config), &Sources::default()).expect("a good configuration");
            let mut registry = Registry::new(&checked);
            let (mut engine, mut out) = (Engine::new("s", true), Vec::new());
            for id in registry.take_defined() {
                let (spec, settings) = (registry.spec(id).expect("defined"), registry.settings(id).expect("defined"));
                engine.step(&Event::Define(id, spec.clone(), settings.clone()), &mut out);
            }
            Self { engine, out }
        }

        fn minute(&mut self, minute: i64, vib: Option<f64>) {
            let at = EventTime(minute * 60_000_000);
            self.engine.step(&Event::Tick(at), &mut self.out);
            for (point, value) in [(0, vib), (1, Some(60.0 + (minute % 7) as f64))] {
                let Some(value) = value else { continue };
                let observation = Observation { asset: AssetId(0), point, at, value, quality: Quality::Good };
                self.engine.step(&Event::Observed(observation), &mut self.out);
            }
        }

        fn conditions(&mut self) -> Vec<Condition> {
            let out = std::mem::take(&mut self.out);
            out.into_iter().filter_map(|o| if let Output::Condition(_, c) = o { Some(*c) } else { None }).collect()
        }

        fn command(&mut self, minute: i64, action: Action) -> Result<String, String> {
            let command = Command { by: "A".into(), note: None, reply_to: None, action };
            self.engine.step(&Event::Command(AssetId(0), EventTime(minute * 60_000_000), command), &mut self.out);
            let answer =
                self.out.iter().rev().find_map(|o| if let Output::Answered(.., said) = o { Some(said) } else { None });
            answer.expect("an answer").clone().map(|done| done.said)
        }
    }

    #[test]
    fn a_sensor_fault_and_its_end_are_in_the_condition_though_the_zone_is_the_same() {
        let mut watched = Watched::new(CONFIG);
        (0..30).for_each(|minute| watched.minute(minute, Some(2.0 + 0.01 * (minute % 5) as f64)));
        let zone = watched.conditions().last().expect("a first condition").zone;
        (30..45).for_each(|minute| watched.minute(minute, Some(500.0)));
        let told = watched.conditions();
        let told = told.last().expect("the fault gives a new one");
        assert_eq!(told.zone, zone);
        assert_eq!(told.sensor_faults, [("vib".to_owned(), "out of specification".to_owned())]);
        assert_eq!(told.open_alerts, ["s/p/sensor:vib/1"]);
        (45..60).for_each(|minute| watched.minute(minute, Some(2.0 + 0.01 * (minute % 5) as f64)));
        let told = watched.conditions();
        assert!(told.last().expect("its end gives a new one").sensor_faults.is_empty());
    }

    #[test]
    fn silence_is_in_the_condition_at_once() {
        let mut watched = Watched::new(CONFIG);
        (0..30).for_each(|minute| watched.minute(minute, Some(2.0 + 0.01 * (minute % 5) as f64)));
        watched.conditions();
        for minute in 30..60 {
            watched.engine.step(&Event::Tick(EventTime(minute * 60_000_000)), &mut watched.out);
        }
        let told = watched.conditions();
        assert_eq!(told.last().expect("a condition without a snapshot").open_alerts, ["s/p/silence/1"]);
    }

    #[test]
    fn answers_read_well_and_name_open_alerts_only() {
        let mut watched = Watched::new(CONFIG);
        (0..30).for_each(|minute| watched.minute(minute, Some(2.0 + 0.01 * (minute % 5) as f64)));
        let out = watched.command(30, Action::OutOfService).expect("carried out");
        assert_eq!(out, "out of service until told otherwise, evaluated and silent: p, with no alert open");
        assert_eq!(watched.command(30, Action::OutOfService), Err("already out of service".into()));
        assert_eq!(
            watched.command(31, Action::ReturnToService).as_deref(),
            Ok("back in service: p, with no alert open")
        );
        (31..45).for_each(|minute| watched.minute(minute, Some(500.0)));
        let shelved = watched.command(45, Action::Shelve { alert: None, secs: 7200.0 }).expect("carried out");
        assert_eq!(shelved, "shelved for 2 h: p, with 1 open: s/p/sensor:vib/1");
        let known = watched.command(46, Action::Acknowledge { alert: None }).expect("carried out");
        assert_eq!(known, "acknowledged: s/p/sensor:vib/1");
    }

    #[test]
    fn the_longest_shelf_is_a_setting_and_so_is_closing_unacknowledged() {
        let mut watched = Watched::new(CONFIG);
        watched.minute(0, Some(2.0));
        let refused = watched.command(1, Action::Shelve { alert: None, secs: 9.0 * 3600.0 });
        assert_eq!(refused, Err("shelving is limited to 8 h".into()));
        for (auto_close, closes) in [("10 min", true), ("0 s", false)] {
            let mut watched =
                Watched::new(&CONFIG.replace("[alarm]", &format!("[alarm]\nauto_close = '{auto_close}'")));
            let sound = |minute: i64| Some(2.0 + 0.01 * (minute % 5) as f64);
            (0..30).for_each(|minute| watched.minute(minute, sound(minute)));
            (30..40).for_each(|minute| watched.minute(minute, Some(500.0)));
            (40..80).for_each(|minute| watched.minute(minute, sound(minute)));
            let open = watched.conditions().last().expect("conditions").open_alerts.clone();
            assert_eq!(open.is_empty(), closes, "{auto_close}: {open:?}");
        }
    }
}
