//! The machine's own watch, snapshot by snapshot: running or stopped, learning or learned, its operating state,
//! scores against the baseline, and what of it counts as evidence.

use super::Context;
use super::findings::Findings;
use super::forecast::Forecaster;
use super::layout::{LAG_SECS, LAGS, Layout};
use super::learning::{BLOCKS_PER_LEARNING, Collected, allowed};
use super::now::{Now, Passed};
use super::set_up::{LEAST_POINTS, SetUps};
use super::settings::Settings;
use super::spec::{AssetSpec, Detection, Quantity};
use super::statistics::Statistics;
use crate::advise::document::{SetUp, Zone};
use crate::engine::{Output, Score};
use roundsman_models::EventTime;
use roundsman_models::detect::alarm::{AlarmLife, Condition, Severity as Level};
use roundsman_models::detect::baseline::{STILL_SHARE, Still};
use roundsman_models::detect::drift::{self, Drift, DriftRule};
use roundsman_models::detect::learned::{LEAST_NEW_ROWS, Learned, Step};
use roundsman_models::detect::limits::{Crossed, Expected, LimitState, PointLimits, Source};
use roundsman_models::detect::operating_state::{Follow, Place};
use roundsman_models::detect::running::{RunSignal, Running};
use roundsman_models::detect::trend_test::TrendScratch;
use roundsman_models::detect::warm::Warmth;
use roundsman_models::detect::zones::Preset;
use roundsman_models::manipulate::align::SnapshotView;
use roundsman_models::manipulate::blocks::{Blocks, Closed};
use serde::{Deserialize, Serialize};

/// A gap longer than this many cadences is not counted as running.
const LONGEST_GAP: f64 = 2.5;
/// Cadences after a start or a transient in which nothing is scored, when not set.
const SETTLE_CADENCES: f64 = 3.0;
/// Shares of the advisory threshold at which a point's score leaves and rejoins the ordinary.
const ODD_FROM: f64 = 0.6;
const ODD_UNTIL: f64 = 0.4;
/// Cadences within which the running mean must confirm a crossed sum.
const CANDIDATE_LASTS: f64 = 48.0;
/// Snapshots for which evidence must have gone before the zone says so.
const ZONE_CLEARS: u32 = 4;
/// Share of the advisory threshold down to which a deviation keeps an advisory up.
const HOLDS_UNTIL: f64 = 0.6;
/// Cadences a step stands at least, so that the running mean has reached it before it is asked whether it has gone.
const STEP_LASTS: f64 = 12.0;
/// The condition is told anew at the first snapshot of every hour, so that a retained document is never older.
const HOUR_MICROS: i64 = 3_600_000_000;
/// Share of the learning time a state that turned up later is learned for.
const NEW_STATE_SHARE: f64 = 0.2;

/// What is known of one condition point beside its baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Watch {
    /// Which limits are passed.
    limits: LimitState,
    /// What the limits said last; kept, since a forecast and a command's alert ask for it before the next snapshot. Boxed, as
    /// are the two below: few points have one at a time, and all would keep the room for it.
    pub crossed: Option<Box<Crossed>>,
    /// A cumulative sum crossed: a step, if the running mean comes to say so too.
    candidate: Option<Box<Step>>,
    /// Snapshots in a row in which the running mean has said so.
    confirmed: u32,
    /// A step that still stands.
    pub step: Option<Step>,
    /// A drift that still stands.
    pub drift: Option<Box<Drift>>,
    /// The state in which a limit is reached first.
    pub leading: u16,
    /// What was expected of it there lately, kept unit; NaN until seen.
    pub normal: f64,
    /// When its smoothed score left the ordinary in one stretch that still lasts.
    pub odd_since: Option<EventTime>,
}

impl Watch {
    /// When the newest of what moves this point began; `None` when it only stands beyond a limit.
    pub(super) fn moving_since(&self) -> Option<EventTime> {
        let step = self.step.as_ref().map(|step| step.onset);
        let drift = self.drift.as_ref().map(|drift| drift.since);
        [step, drift, self.odd_since].into_iter().flatten().max()
    }
}

/// Everything about the machine that must survive a restart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Machine {
    layout: Layout,
    running: Option<Running>,
    run_secs: f64,
    last_at: Option<EventTime>,
    set_ups: SetUps,
    unsettled_until: EventTime,
    /// Drivers now and lagged, `LAGS` × drivers; NaN until first seen.
    drivers: Vec<f64>,
    /// How warm it is from running, by lag, and how warm it must be for its thermal points to be judged.
    warmth: [Warmth; LAG_SECS.len()],
    warm_enough: [f64; LAG_SECS.len()],
    /// What is being learned from; nothing once it is learned.
    collected: Option<Box<Collected>>,
    learned: Option<Learned>,
    /// Rows of a state not known, and when it was entered.
    novel: Option<Box<(EventTime, Collected)>>,
    follow: Follow,
    place: Place,
    blocks: Blocks,
    watches: Vec<Watch>,
    statistics: Vec<Statistics>,
    forecaster: Forecaster,
    /// Evidence after persistence: what the zone shows and the alarm life is fed with.
    persistence: AlarmLife,
    zone: Zone,
}

impl Machine {
    /// Nothing known yet.
    pub fn new(settings: &Settings) -> Self {
        let layout = Layout::default();
        Self {
            running: None,
            run_secs: 0.0,
            last_at: None,
            set_ups: SetUps::default(),
            unsettled_until: EventTime(i64::MIN),
            drivers: Vec::new(),
            warmth: LAG_SECS.map(Warmth::new),
            warm_enough: [0.0; LAG_SECS.len()],
            collected: Some(Box::new(Collected::new(&layout, false))),
            learned: None,
            novel: None,
            follow: Follow::default(),
            place: Place::Unknown,
            blocks: Blocks::new(0, block_secs(settings)),
            watches: Vec::new(),
            statistics: Vec::new(),
            forecaster: Forecaster::default(),
            persistence: AlarmLife::new(super::findings::delays(settings.alarm.raise_snapshots, ZONE_CLEARS)),
            zone: Zone::Learning,
            layout,
        }
    }

    /// Whether its parts are of one machine: as many of each as its layout says. A stored one of which this is not so is
    /// damaged, and would be indexed out of its bounds.
    pub fn is_whole(&self) -> bool {
        let (points, drivers) = (self.layout.conditions.len(), self.layout.drivers.len());
        self.layout.operating <= drivers
            && self.drivers.len() == LAGS * drivers
            && self.watches.len() == points
            && self.statistics.len() == points
    }

    /// Takes a definition with more points. What is learned stays as it is; points that came later are watched by
    /// fixed limits until the asset is learned anew.
    pub fn define(&mut self, spec: &AssetSpec, settings: &Settings) {
        if let Some(learned) = &mut self.learned {
            // Settings may have changed since it was learned.
            let allowed = allowed(settings, learned.allowed().cadence_secs);
            if allowed != *learned.allowed() {
                learned.allow(allowed);
            }
            return;
        }
        let layout = Layout::of(spec);
        if layout != self.layout {
            self.layout = layout;
            self.start_learning(spec, settings);
        }
    }

    fn start_learning(&mut self, spec: &AssetSpec, settings: &Settings) {
        let signal = self.layout.run.map(|(_, s)| s);
        let rated = match signal {
            Some(RunSignal::Speed) => spec.rated_speed_rpm,
            _ => None,
        };
        self.running = signal.map(|s| Running::new(s, rated));
        self.collected = Some(Box::new(Collected::new(&self.layout, self.states_are_given(spec))));
        self.drivers = vec![f64::NAN; LAGS * self.layout.drivers.len()];
        self.blocks = Blocks::new(self.layout.conditions.len(), block_secs(settings));
        let deadband = settings.alarm.deadband;
        let limits = LimitState::new(deadband).or_else(|_| LimitState::new(0.0));
        self.watches = match limits {
            Ok(limits) => {
                let fresh = Watch {
                    limits,
                    crossed: None,
                    candidate: None,
                    confirmed: 0,
                    step: None,
                    drift: None,
                    leading: 0,
                    normal: f64::NAN,
                    odd_since: None,
                };
                vec![fresh; self.layout.conditions.len()]
            }
            Err(_) => Vec::new(),
        };
        self.statistics.resize_with(self.layout.conditions.len(), || Statistics::new(settings));
        self.follow.reset();
        self.set_ups.forget();
        self.novel = None;
        self.learned = None;
        self.forecaster.restart();
    }

    /// Forgets baselines and states: the machine was changed, what is normal is learned again.
    pub fn relearn(&mut self, spec: &AssetSpec, settings: &Settings) {
        self.layout = Layout::of(spec);
        let running = self.running.take();
        self.start_learning(spec, settings);
        // What running looks like has not changed.
        if running.is_some() {
            self.running = running;
        }
        self.zone = Zone::Learning;
    }

    /// Whether it ran at the last snapshot.
    pub fn is_running(&self) -> bool {
        self.running.as_ref().is_none_or(Running::is_on)
    }

    /// Whether its baseline is still being learned.
    pub fn is_learning(&self) -> bool {
        self.learned.is_none()
    }

    /// Hours run since it was first seen.
    pub fn run_hours(&self) -> f64 {
        self.run_secs / 3600.0
    }

    /// Share of the learning done.
    pub fn learned_share(&self, settings: &Settings) -> f64 {
        if self.learned.is_some() {
            return 1.0;
        }
        let done = |c: &Collected| c.done(settings.learn.run_time_secs, u64::from(settings.learn.min_snapshots));
        self.collected.as_deref().map_or(0.0, done)
    }

    /// Zone at the last snapshot.
    pub fn zone(&self) -> Zone {
        self.zone
    }

    /// Layout the watch runs under.
    pub fn layout(&self) -> &Layout {
        &self.layout
    }

    /// Watches of the condition points, in the layout's order.
    pub fn watches(&self) -> &[Watch] {
        &self.watches
    }

    /// Rolling statistics of the condition points.
    pub fn statistics(&self) -> &[Statistics] {
        &self.statistics
    }

    /// Drivers of the last snapshot, unlagged ones first.
    pub fn drivers(&self) -> &[f64] {
        &self.drivers
    }

    /// Whether what stands out now shows in this operating state alone, with others visited since it began.
    pub fn only_in_state(&self, now: &Now) -> bool {
        let (Some(state), Some(learned)) = (now.state, &self.learned) else { return false };
        let lead = self.watches.iter().enumerate().find_map(|(i, w)| {
            let since = w.step.map(|s| s.onset).or(w.odd_since)?;
            Some((i, since))
        });
        lead.is_some_and(|(i, since)| learned.quiet_elsewhere(state, i, since))
    }

    /// Everything learned.
    pub fn learned(&self) -> Option<&Learned> {
        self.learned.as_ref()
    }

    /// Deviation from which on a snapshot is worth an advisory; infinite while nothing is learned.
    pub fn advisory_from(&self) -> f64 {
        self.learned.as_ref().map_or(f64::INFINITY, |l| l.thresholds().deviation)
    }

    /// Block means for forecasts.
    pub fn blocks(&self) -> &Blocks {
        &self.blocks
    }

    /// Baseline level of a condition point these days, kept unit; NaN without a baseline.
    pub fn normal(&self, point: usize) -> f64 {
        let Some(learned) = &self.learned else { return f64::NAN };
        let state = self.watches.get(point).map_or(0, |w| w.leading);
        super::forecast::normal_of(point, state, &self.watches, learned)
    }

    /// The last remaining-life statement.
    pub fn forecaster(&self) -> &Forecaster {
        &self.forecaster
    }

    fn states_are_given(&self, spec: &AssetSpec) -> bool {
        self.layout.state.is_some() || !spec.states.is_empty()
    }

    /// Number of the operating state as a controller or the configuration gives it.
    fn given_state(&self, snapshot: &SnapshotView<'_>, spec: &AssetSpec) -> Place {
        if let Some(point) = self.layout.state {
            let (value, _) = snapshot.get(point);
            return if value.is_finite() && (0.0..64.0).contains(&value) {
                Place::Known(value.round() as u16)
            } else {
                Place::Unknown
            };
        }
        let holds = |(name, low, high): &(String, f64, f64)| {
            spec.points
                .iter()
                .position(|p| p.name == *name)
                .map(|i| snapshot.get(i as u16).0)
                .is_some_and(|v| v >= *low && v <= *high)
        };
        spec.states.iter().position(|s| s.within.iter().all(holds)).map_or(Place::Unknown, |i| Place::Known(i as u16))
    }

    /// How it is run, as far as the name of its operating state goes.
    pub(super) fn run(&self) -> (bool, Place) {
        (self.zone == Zone::Stopped, self.place)
    }

    /// Name of an operating state, as documents give it.
    pub fn state_name(&self, spec: &AssetSpec) -> Option<String> {
        match (self.zone, self.place) {
            (Zone::Stopped, _) => Some("stopped".into()),
            (_, Place::Known(n)) => match spec.states.get(usize::from(n)) {
                Some(given) if self.layout.state.is_none() => Some(given.name.clone()),
                _ => Some(format!("{}", n + 1)),
            },
            (_, Place::Novel) => Some("new".into()),
            (_, Place::Unknown) => None,
        }
    }

    /// One snapshot: the blocks manipulate, detect, assess and prognose for this asset, then its findings.
    pub(super) fn judge(
        &mut self,
        snapshot: &SnapshotView<'_>,
        context: &Context<'_>,
        findings: &mut Findings,
        now: &mut Now,
        out: &mut Vec<Output>,
    ) {
        let at = snapshot.at();
        let cadence = context.cadence_secs.unwrap_or(1.0);
        let gap = self.last_at.map_or(cadence, |before| at.secs_since(before)).max(0.0);
        let secs = gap.min(LONGEST_GAP * cadence);
        let hour = |t: EventTime| t.0.div_euclid(HOUR_MICROS);
        let hour_turned = self.last_at.is_none_or(|before| hour(before) != hour(at));
        self.last_at = Some(at);

        let p = self.layout.conditions.len();
        now.clear(p);
        now.hour_turned = hour_turned;
        now.values.extend(self.layout.conditions.iter().map(|i| snapshot.get(*i).0));
        let before = self.take_drivers(snapshot, gap, &mut now.passed);

        let ran = self.is_running();
        let runs = match (&mut self.running, self.layout.run) {
            (Some(r), Some((point, _))) => r.update(snapshot.get(point).0),
            _ => true,
        };
        let warmth = self.warmth.iter_mut().zip(&mut now.passed.warmth);
        warmth.for_each(|(warmth, share)| warmth.update_with(runs, gap, share));
        if runs && !ran || gap > super::silent_secs(&context.settings.screen, context.cadence_secs) {
            let sound = self.learned.is_some() && self.persistence.active().is_none();
            self.set_ups.resumed(at, sound, p);
        }
        if runs && !ran {
            self.unsettled_until = at.plus_secs(settle_secs(context.settings, cadence));
        }
        if !runs {
            self.follow.reset();
            self.place = Place::Unknown;
            self.finish(at, Zone::Stopped, now, context, findings, out);
            return;
        }
        self.run_secs += secs;
        for (s, v) in self.statistics.iter_mut().zip(&now.values) {
            s.update(at, *v, &mut now.passed.statistics);
        }

        let given = self.states_are_given(context.spec).then(|| self.given_state(snapshot, context.spec));
        if let Some(learned) = &self.learned {
            let q = self.layout.operating;
            if given.is_none() && learned.moved(&before[..q], &self.drivers[..q]) {
                self.unsettled_until =
                    self.unsettled_until.max(at.plus_secs(settle_secs(context.settings, cadence) - 0.5 * cadence));
            }
        }
        let settling = at < self.unsettled_until;

        if self.learned.is_none() {
            if !settling {
                self.learn(at, secs, &now.values, given, context);
            }
            let zone = if settling { Zone::Settling } else { Zone::Learning };
            self.check_limits(now, context);
            self.finish(at, zone, now, context, findings, out);
            return;
        }
        let place = given.unwrap_or_else(|| self.learned.as_ref().map_or(Place::Unknown, |l| l.place(&self.drivers)));
        self.place = self.follow.update(place);
        if settling {
            self.finish(at, Zone::Settling, now, context, findings, out);
            return;
        }
        match self.place {
            Place::Known(state) if self.learned.as_ref().is_some_and(|l| usize::from(state) < l.states()) => {
                self.novel = None;
                self.score(state, at, secs, now, context, out);
                self.follow_set_up(now);
            }
            Place::Unknown => {}
            Place::Known(_) | Place::Novel => self.learn_novel(at, secs, context, now),
        }
        self.check_limits(now, context);
        self.finish(at, Zone::Normal, now, context, findings, out);
    }

    fn follow_set_up(&mut self, now: &Now) {
        if self.set_ups.is_idle() {
            return;
        }
        let log = |value: f64, expected: f64| {
            if value > 0.0 && expected > 0.0 { (value / expected).ln() } else { f64::NAN }
        };
        let of = |i: usize| {
            let expected = now.watched.scored.expected[i];
            (i, log(now.values.get(i).copied().unwrap_or(f64::NAN), expected))
        };
        let places = (0..self.layout.conditions.len()).filter(|i| self.layout.thermal.get(*i) == Some(&false));
        let logs: Vec<(usize, f64)> = places.map(of).collect();
        self.set_ups.update(&logs);
    }

    /// What of a change of set-up is seen.
    pub fn set_ups(&self) -> &SetUps {
        &self.set_ups
    }

    /// The change of set-up this machine stands under, by its own points or by those of its group that came back with it.
    pub fn set_up(&self, context: &Context<'_>) -> Option<SetUp> {
        let shift = self.set_ups.shift()?;
        let (mut points, mut machines) = (shift.points, Vec::new());
        for (near, other) in context.neighbours() {
            let theirs = other.machine().set_ups.shift();
            let same = |t: &&super::set_up::Shift| {
                t.is_like(shift) && t.since.secs_since(shift.since).abs() <= near.group.within_secs
            };
            if let Some(theirs) = theirs.filter(same)
                && !machines.contains(&other.spec().name)
            {
                points += theirs.points;
                machines.push(other.spec().name.clone());
            }
        }
        // Vibration alone rises at all points of one machine when it was left loose, too.
        let alone = shift.points >= LEAST_POINTS && self.compared_kinds(context) >= 2;
        let enough = alone || points >= LEAST_POINTS && !machines.is_empty();
        enough.then(|| SetUp { factor: shift.log_factor.exp(), points, since: shift.since, machines })
    }

    /// How many kinds of points have a factor: all that shakes is one kind.
    fn compared_kinds(&self, context: &Context<'_>) -> usize {
        let compared = self.layout.conditions.iter().zip(&self.layout.thermal).filter(|(_, thermal)| !**thermal);
        let mut kinds: Vec<Quantity> = Vec::new();
        for (point, _) in compared {
            let kind = match context.spec.points.get(usize::from(*point)).map(|p| p.quantity) {
                Some(Quantity::VibrationAcceleration | Quantity::VibrationDisplacement) => Quantity::VibrationVelocity,
                Some(other) => other,
                None => continue,
            };
            if !kinds.contains(&kind) {
                kinds.push(kind);
            }
        }
        kinds.len()
    }

    /// Whether machines of its group came back with it and cannot say yet whether they stand at the same factor.
    fn awaits_others(&self, context: &Context<'_>) -> bool {
        let Some(shift) = self.set_ups.shift() else { return false };
        context.neighbours().any(|(near, other)| {
            let since = other.machine().set_ups.undecided();
            since.is_some_and(|since| since.secs_since(shift.since).abs() <= near.group.within_secs)
        })
    }

    /// Moves the drivers and their lags on; returns the unlagged ones of before.
    fn take_drivers(&mut self, snapshot: &SnapshotView<'_>, gap_secs: f64, passed: &mut Passed) -> [f64; 8] {
        let q = self.layout.drivers.len();
        let mut before = [f64::NAN; 8];
        let mut shares = [0.0; LAG_SECS.len()];
        for ((share, tau), passed) in shares.iter_mut().zip(LAG_SECS).zip(&mut passed.drivers) {
            *share = passed.of(-gap_secs / tau, |x| 1.0 - x.exp());
        }
        for (j, point) in self.layout.drivers.iter().enumerate() {
            let (value, _) = snapshot.get(*point);
            before[j] = self.drivers[j];
            self.drivers[j] = value;
            if !value.is_finite() {
                continue;
            }
            for (lag, share) in shares.iter().enumerate() {
                let held = &mut self.drivers[(lag + 1) * q + j];
                *held = if held.is_finite() { *held + share * (value - *held) } else { value };
            }
        }
        before
    }

    fn row(&self, values: &[f64]) -> Vec<f32> {
        values.iter().chain(&self.drivers).map(|v| *v as f32).collect()
    }

    fn learn(&mut self, at: EventTime, secs: f64, values: &[f64], given: Option<Place>, context: &Context<'_>) {
        let given = match given {
            Some(Place::Known(n)) => n,
            Some(_) => return,
            None => 0,
        };
        let row = self.row(values);
        let warmth = &self.warmth;
        let layout = &self.layout;
        let collected = self.collected.get_or_insert_with(|| Box::new(Collected::new(layout, false)));
        collected.push(at, secs, &row, given);
        collected.push_warmth(warmth);
        let settings = context.settings;
        if collected.done(settings.learn.run_time_secs, u64::from(settings.learn.min_snapshots)) < 1.0 {
            return;
        }
        let stopped_below = self.running.as_ref().map_or(0.0, Running::stopped_below);
        let cadence = context.cadence_secs.unwrap_or(1.0);
        self.learned = collected.fit(context.spec, layout, settings, cadence, stopped_below);
        self.warm_enough = collected.warm_enough();
        // What was collected is in the baseline now; where there is none, it is collected anew.
        self.collected = None;
    }

    fn learn_novel(&mut self, at: EventTime, secs: f64, context: &Context<'_>, now: &mut Now) {
        let row = self.row(&now.values);
        let layout = &self.layout;
        let (since, collected) = &mut **self.novel.get_or_insert_with(|| Box::new((at, Collected::new(layout, false))));
        collected.push(at, secs, &row, 0);
        now.novel_since = Some(*since);
        let enough = NEW_STATE_SHARE * context.settings.learn.run_time_secs;
        if collected.done(enough, LEAST_NEW_ROWS as u64) >= 1.0 {
            if let (Some(learned), Some(novel)) = (&mut self.learned, self.novel.take()) {
                novel.1.add_to(learned, layout);
            }
            self.follow.reset();
        }
    }

    fn score(
        &mut self,
        state: u16,
        at: EventTime,
        secs: f64,
        now: &mut Now,
        context: &Context<'_>,
        out: &mut Vec<Output>,
    ) {
        let Some(learned) = &mut self.learned else { return };
        // Of a machine still colder than it was learned nothing is known that its thermal points could be held against.
        let cold = |i: usize| {
            let lag = learned.baseline(state).and_then(|b| b.point(i)).map_or(0, |m| m.lag().max(1) - 1);
            self.layout.thermal.get(i) == Some(&true)
                && self.warmth.get(lag).zip(self.warm_enough.get(lag)).is_some_and(|(w, enough)| w.now() < *enough)
        };
        now.judged.extend(now.values.iter().enumerate().map(|(i, v)| if cold(i) { f64::NAN } else { *v }));
        let (odd, mean) = (learned.thresholds().deviation, learned.thresholds().running_mean);
        let still = Still { from: odd * if self.persistence.active().is_some() { ODD_UNTIL } else { STILL_SHARE } };
        learned.watch(state, at, &now.judged, &self.drivers, still, &mut now.watched);
        for (i, judged) in now.judged.iter().enumerate().filter(|(i, _)| now.values[*i].is_finite()) {
            if judged.is_nan() {
                now.watched.scored.expected[i] = f64::NAN;
            }
        }
        now.state = Some(state);
        let closed = self.blocks.push(at, secs, &now.watched.scored.residual[..now.values.len()]);
        for (i, step) in &now.watched.stepped {
            let Some(w) = self.watches.get_mut(*i) else { continue };
            // Crossed again by the same change: it began when it began.
            let same = |k: &Step| k.state == state && k.sigmas.signum() == step.sigmas.signum();
            match w.candidate.as_mut().filter(|k| same(k)) {
                Some(known) if step.sigmas.abs() > known.sigmas.abs() => known.sigmas = step.sigmas,
                Some(_) => {}
                None => (w.candidate, w.confirmed) = (Some(Box::new(*step)), 0),
            }
        }
        let share = now.passed.learning.of(-secs / context.settings.learn.run_time_secs, |x| 1.0 - x.exp());
        for (i, w) in self.watches.iter_mut().enumerate() {
            let score = now.watched.scored.smoothed[i];
            let expected = now.watched.scored.expected[i];
            if state == w.leading && expected.is_finite() {
                w.normal = if w.normal.is_finite() { w.normal + share * (expected - w.normal) } else { expected };
            }
            if score.abs() >= ODD_FROM * odd {
                w.odd_since.get_or_insert(at);
            } else if score.abs() < ODD_UNTIL * odd {
                w.odd_since = None;
            }
            // The running mean carries every doubt about the baseline; the sum only says how it came about.
            if let Some(candidate) = w.candidate.as_deref().copied().filter(|c| c.state == state) {
                // As far and as long as it takes to raise an alert: a step must not be an easier way to one.
                let said = score * candidate.sigmas.signum() >= mean && now.watched.scored.telling[i];
                w.confirmed = if said { w.confirmed.saturating_add(1) } else { 0 };
                if w.confirmed >= context.settings.alarm.raise_snapshots {
                    w.step.get_or_insert(candidate);
                } else if w.step.is_none() && at.secs_since(candidate.onset) > CANDIDATE_LASTS * secs {
                    w.candidate = None;
                }
            }
            if let Some(step) = w.step.filter(|s| s.state == state) {
                let back = score * step.sigmas.signum() < ODD_UNTIL * odd;
                if back && at.secs_since(step.onset) > STEP_LASTS * secs {
                    w.step = None;
                    w.candidate = None;
                }
            }
        }
        if closed == Closed::Coarse {
            self.look_for_drift(state, context);
            self.look_for_leading_states();
        }
        if closed != Closed::Nothing {
            self.forecaster.renew(
                at,
                state,
                learned_of(&self.learned),
                &self.blocks,
                &self.watches,
                &self.layout,
                context,
                out,
            );
        }
    }

    fn look_for_leading_states(&mut self) {
        let Some(learned) = &self.learned else { return };
        for (i, w) in self.watches.iter_mut().enumerate() {
            let falls = self.blocks.recent_mean(i, 6).is_some_and(|r| r < 0.0);
            let leading = learned.leading_state(i, falls).unwrap_or(w.leading);
            if leading != w.leading {
                (w.leading, w.normal) = (leading, f64::NAN);
            }
        }
    }

    fn look_for_drift(&mut self, state: u16, context: &Context<'_>) {
        let Some(learned) = learned_of(&self.learned) else { return };
        let Some(baseline) = learned.baseline(state) else { return };
        let significance = learned.thresholds().drift_significance;
        let mut series = Vec::new();
        let mut scratch = TrendScratch::default();
        for (i, w) in self.watches.iter_mut().enumerate() {
            let Some(model) = baseline.point(i) else { continue };
            let rule = DriftRule {
                significance,
                least: (context.settings.detect.drift_least_sigmas * model.scale * model.inflation.min(2.0))
                    .max(model.least_drift),
            };
            // Cheap first: a point that has not moved has not drifted.
            let moved = self.blocks.recent_mean(i, 12).is_some_and(|m| m.abs() >= 0.7 * rule.least);
            if !moved {
                w.drift = None;
                continue;
            }
            // A step is no slope: behind a standing one the trend is looked for anew.
            let since = w.step.map_or(EventTime(i64::MIN), |s| s.onset);
            self.blocks.coarse(i, since, &mut series);
            match drift::find(&series, &rule, &mut scratch) {
                Some(found) => {
                    let since = w.drift.as_ref().map_or(found.since, |d| d.since.min(found.since));
                    w.drift = Some(Box::new(Drift { since, ..found }));
                }
                // A drift that levelled off is still a machine away from its baseline.
                None if w.drift.is_some() => {}
                None => {}
            }
        }
    }

    fn check_limits(&mut self, now: &Now, context: &Context<'_>) {
        for (i, value) in now.values.iter().enumerate().take(self.watches.len()) {
            let limits = self.limits(i, now, context);
            let w = &mut self.watches[i];
            match (&mut w.crossed, w.limits.update(*value, &limits)) {
                (Some(kept), Some(crossed)) => **kept = crossed,
                (kept, crossed) => *kept = crossed.map(Box::new),
            }
        }
    }

    /// Limits of a condition point as of this snapshot.
    pub fn limits(&self, i: usize, now: &Now, context: &Context<'_>) -> PointLimits {
        let point = self.layout.conditions.get(i).copied().unwrap_or(u16::MAX);
        let expected = now.state.and_then(|s| self.expected(i, s, now.watched.scored.expected[i]));
        limits_of(point, expected, context)
    }

    /// Expected location and the scale limits are measured in.
    pub fn expected(&self, i: usize, state: u16, location: f64) -> Option<Expected> {
        let model = self.learned.as_ref()?.baseline(state)?.point(i)?;
        // A point without a steady level wanders by itself: its limits lie twice as far.
        let wander: f64 = if model.steady { 1.0 } else { 2.0 };
        location.is_finite().then_some(Expected { location, scale: model.scale * wander.max(model.limits_widened) })
    }

    /// Running mean of a point, brought to the operating variables of now.
    pub fn running_mean(&self, i: usize, state: u16, expected: f64) -> Option<f64> {
        let learned = self.learned.as_ref()?;
        let mean = expected + learned.smoothed(state, i)? * learned.baseline(state)?.point(i)?.scale;
        mean.is_finite().then_some(mean)
    }

    /// Settles the zone and lets the findings speak.
    fn finish(
        &mut self,
        at: EventTime,
        zone: Zone,
        now: &Now,
        context: &Context<'_>,
        findings: &mut Findings,
        out: &mut Vec<Output>,
    ) {
        let condition = self.condition(zone, now, context);
        let suppressed = matches!(zone, Zone::Stopped | Zone::Settling);
        let before = self.zone;
        let _ = self.persistence.step(at, condition, suppressed);
        let persistent = match (condition, self.persistence.active()) {
            (Condition::Unknown, _) => Condition::Unknown,
            (_, Some(level)) => Condition::Present(level),
            (_, None) => Condition::Absent,
        };
        self.zone = match (zone, self.persistence.active()) {
            (Zone::Normal | Zone::Learning, Some(Level::Alarm)) => Zone::Alarm,
            (Zone::Normal | Zone::Learning, Some(Level::Warning)) => Zone::Warning,
            (Zone::Normal, Some(Level::Advisory)) => Zone::Advisory,
            (zone, _) => zone,
        };
        findings.machine(at, persistent, condition, suppressed, self, now, context, out);
        if findings.take_due() || self.zone != before || now.hour_turned {
            findings.condition_changed(at, self, now, context, out);
        }
        let drift = self.watches.iter().enumerate().filter_map(|(i, w)| {
            let scale = now.state.and_then(|s| self.learned.as_ref()?.baseline(s)?.point(i).map(|m| m.scale))?;
            w.drift.as_ref().map(|d| d.change / scale)
        });
        out.push(Output::Scored(
            context.id,
            Score {
                at,
                operating_state: match (zone, self.place) {
                    (Zone::Stopped, _) | (_, Place::Unknown | Place::Novel) => 0,
                    (_, Place::Known(n)) => n + 1,
                },
                deviation: now.watched.scored.deviation,
                zone: self.zone,
                step: now.watched.step_share,
                drift: drift.fold(0.0, |a: f64, b| if b.abs() > a.abs() { b } else { a }),
            },
        ));
    }

    /// What this snapshot says of the machine.
    fn condition(&self, zone: Zone, now: &Now, context: &Context<'_>) -> Condition {
        if matches!(zone, Zone::Stopped | Zone::Settling) {
            return Condition::Unknown;
        }
        // Learned limits are those of another set-up.
        let set_up = self.set_ups.shift().is_some() && self.set_up(context).is_some();
        let severity = |c: &Crossed| match c.limit.source {
            Source::Baseline if set_up => Level::Advisory,
            _ => c.severity,
        };
        let by_limit = self.watches.iter().filter_map(|w| w.crossed.as_deref().map(severity)).max();
        let set_limit =
            self.watches.iter().any(|w| w.crossed.as_ref().is_some_and(|c| c.limit.source != Source::Baseline));
        if !set_up && !set_limit && self.persistence.active().is_none() && self.awaits_others(context) {
            return Condition::Unknown;
        }
        if zone == Zone::Learning {
            return by_limit.map_or(Condition::Absent, Condition::Present);
        }
        if now.state.is_none() && now.novel_since.is_none() {
            return by_limit.map_or(Condition::Unknown, Condition::Present);
        }
        let holding = self.persistence.active().is_some();
        let threshold = self.advisory_from() * if holding { HOLDS_UNTIL } else { 1.0 };
        let odd = now.watched.scored.deviation >= threshold && now.watched.scored.matters
            || now.novel_since.is_some()
            || self.watches.iter().any(|w| w.step.is_some() || w.drift.is_some());
        match by_limit.max(odd.then_some(Level::Advisory)) {
            Some(level) => Condition::Present(level),
            None => Condition::Absent,
        }
    }
}

fn learned_of(learned: &Option<Learned>) -> Option<&Learned> {
    learned.as_ref()
}

/// Limits of a point from its baseline, its zones and the operator.
pub fn limits_of(point: u16, expected: Option<Expected>, context: &Context<'_>) -> PointLimits {
    let own = context.own(point);
    let spec = context.spec.points.get(usize::from(point));
    let zones = spec
        .filter(|p| p.quantity == Quantity::VibrationVelocity && p.detection == Detection::Rms && p.unit == "mm/s")
        .and(context.spec.zones.as_deref())
        .and_then(Preset::by_name);
    let quantity = spec.map_or(Quantity::Other, |p| p.quantity);
    let rule = super::findings::rule_of(context.settings, quantity);
    let mut limits = PointLimits::compose(&rule, expected, zones.as_ref(), &own);
    // A bearing colder than expected harms nothing, and why it is so is mostly the weather or the process: a sudden
    // fall is seen by the running mean, a limit below is the operator's to set. Nor is a limit one that no working sensor
    // can pass: a vibration below 0 is the sensor's fault and never comes as far as this.
    let lowest = match quantity {
        Quantity::Temperature => f64::INFINITY,
        _ => spec.map_or(f64::NEG_INFINITY, |p| p.range.0),
    };
    for limit in [&mut limits.warning_low, &mut limits.alarm_low] {
        *limit = limit.filter(|l| l.source == Source::Own || l.value > lowest);
    }
    limits
}

fn block_secs(settings: &Settings) -> f64 {
    settings.learn.run_time_secs / BLOCKS_PER_LEARNING
}

fn settle_secs(settings: &Settings, cadence: f64) -> f64 {
    settings.alarm.settle_secs.unwrap_or(SETTLE_CADENCES * cadence)
}
