//! All we know of one asset, and its step from one event to the next.

pub mod calendar;
pub mod capture;
pub mod evidence;
pub mod findings;
pub mod forecast;
pub mod groups;
pub mod history;
pub mod holds;
pub mod layout;
pub mod learning;
pub mod machine;
pub mod neighbours;
pub mod now;
mod points;
pub mod sensor;
pub mod set_up;
pub mod settings;
mod shown;
pub mod spec;
pub mod statistics;

use crate::acquire::{AssetId, Observation, Quality, Rejection};
use crate::advise::document::{Finding, History, alert_id};
use crate::engine::Verdict::Confirmed;
use crate::engine::{Action, Command, Done, LimitName, Output};
use calendar::Window;
use capture::{Captures, Scene, Waveform};
use findings::Findings;
use machine::Machine;
use neighbours::{Around, Near, Which};
use now::Now;
use roundsman_models::EventTime;
use roundsman_models::assess::shaft_speed::{ShaftSpeed, SpeedSource};
use roundsman_models::manipulate::align::{AlignParams, Aligner, Repeats, Verdict};
use sensor::Sensor;
use serde::{Deserialize, Serialize};
use settings::Settings;
use spec::{AssetSpec, OwnLimits, Quantity};
use std::sync::Arc;

/// A reading of the speed older than this says nothing of a waveform, s.
const SPEED_LASTS_SECS: f64 = 900.0;

/// The state of one asset: what a snapshot file keeps.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct State {
    aligner: Aligner,
    sensors: Vec<Sensor>,
    machine: Machine,
    findings: Findings,
    captures: Captures,
    /// Limits set by command, by point; they stand over the configured ones. Boxed, since most points never have any.
    own_limits: Vec<Option<Box<OwnLimits>>>,
    /// First event the asset saw.
    watched_since: Option<EventTime>,
    /// Latest event time of any of its readings.
    latest: Option<EventTime>,
    /// The last time the whole asset was silent: its last reading before, the first after.
    was_silent: Option<(EventTime, EventTime)>,
    /// Earliest time at which a tick has anything to do.
    next_check: EventTime,
}

impl State {
    /// Whether its baseline is still being learned.
    pub fn is_learning(&self) -> bool {
        self.machine.is_learning()
    }
}

/// One asset: its definition and its state.
#[derive(Debug, Clone)]
pub struct Asset {
    definition: Definition,
    state: State,
}

/// What an asset is told to be.
#[derive(Debug, Clone)]
struct Definition {
    id: AssetId,
    site: Arc<str>,
    spec: Arc<AssetSpec>,
    settings: Arc<Settings>,
    /// Planned work on it.
    windows: Vec<Arc<Window>>,
    /// Machines of its groups that are defined.
    near: Vec<Near>,
}

impl Definition {
    /// Apart from the state's other parts, which change while it is lent.
    fn context<'a>(
        &'a self,
        own_limits: &'a [Option<Box<OwnLimits>>],
        captures: &'a Captures,
        aligner: &Aligner,
        trends: bool,
        around: Around<'a>,
    ) -> Context<'a> {
        Context {
            id: self.id,
            site: &self.site,
            spec: &self.spec,
            settings: &self.settings,
            own_limits,
            likely: captures,
            cadence_secs: aligner.cadence_secs(),
            trends,
            windows: &self.windows,
            near: &self.near,
            around,
        }
    }
}

/// What an asset needs besides its state to say something.
pub struct Context<'a> {
    /// The asset.
    pub id: AssetId,
    /// Name of the site.
    pub site: &'a str,
    /// Its definition.
    pub spec: &'a Arc<AssetSpec>,
    /// Its settings.
    pub settings: &'a Settings,
    /// Limits set by command.
    pub own_limits: &'a [Option<Box<OwnLimits>>],
    /// What waveforms say of it.
    pub likely: &'a Captures,
    /// Cadence, seconds, once known.
    pub cadence_secs: Option<f64>,
    /// Whether trend samples, operating states and conditions are wanted.
    pub trends: bool,
    /// Planned work on the asset.
    pub windows: &'a [Arc<Window>],
    /// Machines of its groups.
    pub near: &'a [Near],
    /// The assets they are among.
    pub around: Around<'a>,
}

impl Context<'_> {
    /// The operator's limits of a point: by command if set so, else as configured.
    pub fn own(&self, point: u16) -> OwnLimits {
        let i = usize::from(point);
        let configured = || self.spec.points.get(i).map(|p| p.limits).unwrap_or_default();
        self.own_limits.get(i).and_then(|own| own.as_deref()).copied().unwrap_or_else(configured)
    }
}

impl Asset {
    /// A new asset without readings.
    pub fn new(id: AssetId, site: Arc<str>, spec: Arc<AssetSpec>, settings: Arc<Settings>) -> Self {
        let params = AlignParams {
            cadence_secs: spec.cadence_secs.or(settings.align.cadence_secs),
            hold_cadences: settings.align.hold_cadences,
            allowed_lateness_secs: settings.align.allowed_lateness_secs,
        };
        // The configuration was checked with the same rules; if it was not, the defaults are better than no watch.
        let checked = params.check().or_else(|_| AlignParams::default().check());
        let aligner = match checked {
            Ok(c) => Aligner::new(c),
            Err(_) => unreachable!("the defaults are in range"),
        };
        let state = State {
            aligner,
            sensors: Vec::new(),
            machine: Machine::new(&settings),
            findings: Findings::new(&settings),
            captures: Captures::default(),
            own_limits: Vec::new(),
            watched_since: None,
            latest: None,
            was_silent: None,
            next_check: EventTime(i64::MIN),
        };
        let (windows, near) = (windows(&spec, &settings), Vec::new());
        let mut asset = Self { definition: Definition { id, site, spec, settings, windows, near }, state };
        asset.grow();
        asset
    }

    /// Takes a new definition; points are only ever appended.
    pub fn define(&mut self, spec: Arc<AssetSpec>, settings: Arc<Settings>) {
        self.definition.windows = windows(&spec, &settings);
        self.definition.spec = spec;
        self.definition.settings = settings;
        self.grow();
    }

    fn grow(&mut self) {
        let n = self.definition.spec.points.len();
        self.state.aligner.ensure_points(n as u16);
        for (i, p) in self.definition.spec.points.iter().enumerate() {
            if p.quantity == Quantity::State {
                self.state.aligner.set_repeats(i as u16, Repeats::Last);
            }
        }
        self.state.sensors.resize(n, Sensor::default());
        self.state.own_limits.resize(n, None);
        self.state.machine.define(&self.definition.spec, &self.definition.settings);
        self.state.findings.define(n, &self.definition.settings);
    }

    /// Its id.
    pub fn id(&self) -> AssetId {
        self.definition.id
    }

    /// Its definition.
    pub fn spec(&self) -> &Arc<AssetSpec> {
        &self.definition.spec
    }

    /// The machines of its groups, from now on.
    pub fn relate(&mut self, near: Vec<Near>) {
        self.definition.near = near;
    }

    /// Its settings.
    pub fn settings(&self) -> &Arc<Settings> {
        &self.definition.settings
    }

    /// Its watch.
    pub fn machine(&self) -> &Machine {
        &self.state.machine
    }

    /// What is said of it.
    pub fn findings(&self) -> &Findings {
        &self.state.findings
    }

    /// Id of the open alert, or of the last one.
    pub fn alert_id(&self, which: Which) -> String {
        let finding = match which {
            Which::Machine => Finding::Machine,
            Which::Silence => Finding::Silence,
        };
        let Definition { site, spec, .. } = &self.definition;
        alert_id(site, &spec.name, &finding, self.state.findings.life(which).episode())
    }

    /// Its state, to be stored.
    pub fn state(&self) -> &State {
        &self.state
    }

    /// Takes a stored state back; `false`, and nothing is changed, when its parts do not fit together.
    pub fn restore(&mut self, state: State) -> bool {
        let whole = state.machine.is_whole();
        if whole {
            self.state = state;
            self.grow();
        }
        whole
    }

    /// Takes one reading.
    pub fn observe(&mut self, o: &Observation, trends: bool, around: Around<'_>, now: &mut Now, out: &mut Vec<Output>) {
        let Self { definition, state } = self;
        let Definition { id, spec, settings, .. } = &*definition;
        let i = usize::from(o.point);
        let (Some(point), Some(sensor)) = (spec.points.get(i), state.sensors.get_mut(i)) else { return };
        state.watched_since.get_or_insert(o.at);
        if o.quality == Quality::Bad {
            out.push(Output::Rejected(*id, Rejection::BadQuality));
            return;
        }
        let cadence_secs = state.aligner.cadence_secs();
        let judged = sensor.screen(
            o.at,
            o.value,
            point,
            &settings.screen,
            cadence_secs,
            state.machine.is_running(),
            state.machine.is_learning(),
        );
        if let Err(why) = judged {
            out.push(Output::Rejected(*id, why));
            return;
        }
        if let Some(before) = state.latest.filter(|l| o.at.secs_since(*l) > silent_secs(&settings.screen, cadence_secs))
        {
            state.was_silent = Some((before, o.at));
        }
        if state.latest.is_none_or(|l| l < o.at) {
            state.latest = Some(o.at);
        }
        let context = definition.context(&state.own_limits, &state.captures, &state.aligner, trends, around);
        let (machine, findings) = (&mut state.machine, &mut state.findings);
        let verdict = state.aligner.push(o.point, o.at, o.value, &mut |snapshot| {
            machine.snapshot(&snapshot, &context, findings, now, out);
        });
        match verdict {
            Verdict::Taken => {}
            Verdict::Duplicate => out.push(Output::Rejected(*id, Rejection::Duplicate)),
            Verdict::Late => out.push(Output::Rejected(*id, Rejection::Late)),
            Verdict::Unusable => out.push(Output::Rejected(*id, Rejection::NotFinite)),
        }
    }

    /// When its open window closes, if one is open.
    #[inline]
    pub fn closes_at(&self) -> Option<EventTime> {
        self.state.aligner.next_close_at()
    }

    /// Earliest time at which a tick has anything to do.
    pub fn due(&self) -> EventTime {
        let State { aligner, captures, next_check, .. } = &self.state;
        // What neighbours have to tell is waited for by the minute.
        if !captures.is_idle(&self.definition.spec) || !self.definition.near.is_empty() {
            return EventTime(i64::MIN);
        }
        aligner.next_close_at().map_or(*next_check, |closes| closes.min(*next_check))
    }

    /// The stream's clock passed `at`: windows may close, silence is noticed.
    pub fn tick(&mut self, at: EventTime, trends: bool, around: Around<'_>, now: &mut Now, out: &mut Vec<Output>) {
        self.watch(at, trends, around, now, out);
        if !self.definition.near.is_empty() {
            let Self { definition, state } = self;
            let context = definition.context(&state.own_limits, &state.captures, &state.aligner, trends, around);
            state.findings.gathered(at, &state.machine, &context, out);
        }
        if !self.state.captures.is_idle(&self.definition.spec) {
            self.captures(out, |captures, scene, out| captures.tick(at, scene, out), at, around);
        }
    }

    fn watch(&mut self, at: EventTime, trends: bool, around: Around<'_>, now: &mut Now, out: &mut Vec<Output>) {
        let close = self.state.aligner.next_close_at();
        if close.is_none_or(|c| at < c) && at < self.state.next_check {
            return;
        }
        let Self { definition, state } = self;
        let Definition { spec, settings, .. } = &*definition;
        let context = definition.context(&state.own_limits, &state.captures, &state.aligner, trends, around);
        let (machine, findings) = (&mut state.machine, &mut state.findings);
        state.aligner.tick(at, &mut |snapshot| machine.snapshot(&snapshot, &context, findings, now, out));
        if at < state.next_check {
            return;
        }
        let since = *state.watched_since.get_or_insert(at);
        let silent = silent_secs(&settings.screen, context.cadence_secs);
        findings.planned(at, &context);
        let silence = state.latest.map_or(at.secs_since(since) > silent, |l| at.secs_since(l) > silent);
        findings.silence(at, silence, state.latest.is_some(), machine, &context, out);
        for (i, sensor) in state.sensors.iter().enumerate() {
            // Of a silent asset's sensors nothing is said one by one.
            let fault = if silence { None } else { sensor.fault(at, silent, since, state.was_silent, spec.configured) };
            findings.sensor(at, i, fault, silence, sensor, &context, out);
        }
        // No snapshot will come to say it.
        if silence && findings.take_due() {
            findings.condition_changed(at, machine, &Now::default(), &context, out);
        }
        state.next_check = at.plus_secs((0.5 * context.cadence_secs.unwrap_or(0.0)).clamp(1.0, 3600.0));
    }

    /// Lets the waveforms have their turn, and the machine's alert say what they gave.
    fn captures(
        &mut self,
        out: &mut Vec<Output>,
        turn: impl FnOnce(&mut Captures, &Scene<'_>, &mut Vec<Output>) -> bool,
        at: EventTime,
        around: Around<'_>,
    ) {
        let Self { definition, state } = self;
        // Taken out, since what they gave is lent to the alerts of the same state.
        let mut captures = std::mem::take(&mut state.captures);
        let nothing = Captures::default();
        let context = definition.context(&state.own_limits, &nothing, &state.aligner, false, around);
        let scene = Scene { context: &context, machine: &state.machine, life: state.findings.machine_life() };
        let news = turn(&mut captures, &scene, out);
        state.captures = captures;
        if news {
            let context = definition.context(&state.own_limits, &state.captures, &state.aligner, false, around);
            state.findings.diagnosed(at, &state.machine, &context, out);
        }
    }

    /// Takes a waveform in.
    pub fn waveform(&mut self, at: EventTime, waveform: &Arc<Waveform>, around: Around<'_>, out: &mut Vec<Output>) {
        let told = self.told_speed(at);
        self.state.watched_since.get_or_insert(at);
        self.captures(
            out,
            |captures, scene, out| {
                captures.arrived(at, waveform, told, scene, out);
                false
            },
            at,
            around,
        );
    }

    /// The speed as far as the readings or the plate say.
    fn told_speed(&self, at: EventTime) -> Option<ShaftSpeed> {
        let points = &self.definition.spec.points;
        let read =
            points.iter().zip(&self.state.sensors).filter(|(p, _)| p.quantity == Quantity::Speed).find_map(|(_, s)| {
                let fresh = at.secs_since(s.last_at()?).abs() <= SPEED_LASTS_SECS;
                // A shaft that hardly turns is no speed to look for lines by.
                s.last_value().filter(|rpm| fresh && rpm.is_finite() && *rpm >= 1.0)
            });
        let rated = || self.definition.spec.rated_speed_rpm.filter(|rpm| rpm.is_finite() && *rpm > 0.0);
        match read {
            Some(rpm) => Some(ShaftSpeed::new(rpm, SpeedSource::Point)),
            None => rated().map(|rpm| ShaftSpeed::new(rpm, SpeedSource::Rating)),
        }
    }

    /// The stream is at its end: what is open is closed.
    pub fn end(&mut self, at: EventTime, trends: bool, around: Around<'_>, now: &mut Now, out: &mut Vec<Output>) {
        self.tick(at, trends, around, now, out);
        let Self { definition, state } = self;
        let context = definition.context(&state.own_limits, &state.captures, &state.aligner, trends, around);
        let (machine, findings) = (&mut state.machine, &mut state.findings);
        state.aligner.flush(&mut |snapshot| machine.snapshot(&snapshot, &context, findings, now, out));
        self.captures(out, |captures, scene, out| captures.end(at, scene, out), at, around);
    }

    /// Its life so far, as a past case that has ended; `None` while there is too little of it.
    pub fn history(&self) -> Option<History> {
        let Self { definition, state } = self;
        let around = Around(&[]);
        let context = definition.context(&state.own_limits, &state.captures, &state.aligner, false, around);
        history::of_asset(&state.machine, None, &context)
    }

    /// Carries out a person's command.
    pub fn command(&mut self, at: EventTime, command: &Command, around: Around<'_>, out: &mut Vec<Output>) {
        let answer = self.carry_out(at, command, around, out);
        out.push(Output::Answered(self.definition.id, at, command.clone(), answer));
    }

    fn carry_out(
        &mut self,
        at: EventTime,
        command: &Command,
        around: Around<'_>,
        out: &mut Vec<Output>,
    ) -> Result<Done, String> {
        let Self { definition, state } = self;
        let Definition { id, spec, settings, .. } = &*definition;
        match &command.action {
            Action::Capture => {
                let mut answer = Ok(String::new());
                self.captures(
                    out,
                    |captures, scene, out| {
                        answer = captures.command(at, &command.by, scene, out);
                        false
                    },
                    at,
                    around,
                );
                answer.map(|said| Done { said, old: None, new: None })
            }
            Action::Relearn => {
                state.captures.forget();
                let old = if state.machine.is_learning() { "learning" } else { "learned" };
                state.machine.relearn(spec, settings);
                let context = definition.context(&state.own_limits, &state.captures, &state.aligner, false, around);
                state.findings.forget_machine(at, command, &state.machine, &context, out);
                Ok(Done {
                    said: "the baseline is forgotten and learned again from now on".into(),
                    old: Some(old.into()),
                    new: Some("learning".into()),
                })
            }
            Action::SetLimit { point, limit, value } => {
                let i = spec
                    .points
                    .iter()
                    .position(|p| p.name == *point)
                    .ok_or_else(|| format!("{} has no point {point:?}", spec.name))?;
                let before = state.own_limits[i].as_deref().copied().unwrap_or(spec.points[i].limits);
                let mut limits = before;
                let slot = match limit {
                    LimitName::WarningHigh => &mut limits.warning_high,
                    LimitName::AlarmHigh => &mut limits.alarm_high,
                    LimitName::WarningLow => &mut limits.warning_low,
                    LimitName::AlarmLow => &mut limits.alarm_low,
                };
                let old = std::mem::replace(slot, *value);
                limits
                    .check()
                    .map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))?;
                state.own_limits[i] = Some(Box::new(limits));
                let show =
                    |v: Option<f64>| v.map_or_else(|| "none".to_owned(), |v| format!("{v} {}", spec.points[i].unit));
                let (old, new) = (show(old), show(*value));
                let said = format!("{point}: limit changed from {old} to {new}");
                Ok(Done { said, old: Some(old), new: Some(new) })
            }
            Action::Finding { alert, verdict, .. } => {
                let context = definition.context(&state.own_limits, &state.captures, &state.aligner, false, around);
                if !state.findings.has_given(alert, &context) {
                    return Err(format!("{} never gave the alert {alert:?}", spec.name));
                }
                // The life that led there is a past case for the others of its class.
                let ended = state.findings.last_seen(alert, &context).filter(|_| *verdict == Confirmed);
                if let Some(until) = ended
                    && let Some(history) = history::of_asset(&state.machine, Some(until), &context)
                {
                    out.push(Output::Ended(*id, Box::new(history)));
                }
                Ok(Done { said: format!("the finding on {alert} is kept"), old: None, new: None })
            }
            Action::Acknowledge { .. }
            | Action::Shelve { .. }
            | Action::Unshelve { .. }
            | Action::OutOfService
            | Action::ReturnToService => {
                let context = definition.context(&state.own_limits, &state.captures, &state.aligner, false, around);
                state.findings.command(at, command, &state.machine, &context, out)
            }
        }
    }
}

fn windows(spec: &AssetSpec, settings: &Settings) -> Vec<Arc<Window>> {
    settings.calendar.iter().filter(|window| window.covers(spec)).cloned().collect()
}

/// From when on nothing heard is silence, seconds. Without a cadence nobody can tell what is slow: the setting alone.
fn silent_secs(screen: &settings::Screen, cadence_secs: Option<f64>) -> f64 {
    (screen.silent_cadences * cadence_secs.unwrap_or(0.0)).max(screen.silent_secs)
}
