//! Waveforms of one asset: those on their way, the newest of each sensor, the last good reference of each operating
//! state, what was made of them, and the requests for more.
//!
//! A waveform that comes is numbered and looked at (`look.rs`) away from here. At the first whole minute of the stream at
//! least [`LEAD_SECS`] later the outcome is taken: so the place of every result in the asset's stream follows from the
//! stream alone, and the daemon, a replay and a recovery say the same. Everything here is bounded: waveforms on their way,
//! sensors, references, alerts.

mod judge;
mod look;
mod request;

pub use judge::Judged;
pub use look::{Look, Looked, Unread, Waveform};
pub use request::{Asking, Request};

use super::Context;
use super::machine::Machine;
use super::spec::AssetSpec;
use crate::acquire::Rejection;
use crate::advise::diagnosis::{Basis, Capture, Diagnosis, LikelyFault, Rating, Reason, Verdict, advice};
use crate::advise::document::{self, Finding, Zone};
use crate::advise::wording;
use crate::engine::Output;
use roundsman_models::EventTime;
use roundsman_models::assess::likely_fault::{Axis, AxisSpectrum};
use roundsman_models::assess::shaft_speed::ShaftSpeed;
use roundsman_models::detect::alarm::{AlarmLife, Phase, Severity};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// How long the looking has at least before its outcome is waited for, s of the stream. A look takes some 20 ms.
const LEAD_SECS: f64 = 20.0;
/// Waveforms on their way at most; more in one minute are refused and counted.
const MOST_WAITING: usize = 24;
/// Sensors whose newest waveform is kept.
const MOST_POINTS: usize = 12;
/// References kept: three directions of eight states at one place, or fewer states at more places.
const MOST_REFERENCES: usize = 24;
/// Alerts whose waveforms are kept.
const MOST_ALERTS: usize = 4;
/// Judgements further back than this are not told beside a newer one, s.
const SAME_LOOK_SECS: f64 = 3600.0;
/// A reference older than this is asked for again, s.
const REFERENCE_LASTS_SECS: f64 = 7.0 * 86_400.0;
/// A reference may move this far from the first one in its state, so that slow wear does not become the measure.
const REFERENCE_MAY_GROW: f64 = 1.5;
/// A waveform this much older than an alert still speaks for it, s.
const SPEAKS_FOR_SECS: f64 = 86_400.0;

/// What the machine was doing when a waveform came.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Taken {
    /// Operating state.
    pub state: Option<String>,
    /// Whether it ran.
    pub running: bool,
    /// Nothing is said against it: fit to be a reference.
    pub good: bool,
    /// Episode of the machine's alert that was open.
    pub episode: Option<u64>,
}

/// A waveform on its way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Waiting {
    number: u64,
    at: EventTime,
    taken: Taken,
    look: Look,
}

/// The newest waveform of a sensor.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Seen {
    number: u64,
    at: EventTime,
    place: String,
    taken: Taken,
    looked: Looked,
}

/// The last good waveform of one direction, place and operating state.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    number: u64,
    at: EventTime,
    state: String,
    place: String,
    shaft_hz: f64,
    spectrum: AxisSpectrum,
    /// Levels of the first one: velocity, noise.
    first: (f64, f64),
}

/// A waveform kept for an alert.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct OfAlert {
    episode: u64,
    sensor: String,
    number: u64,
}

/// Everything about waveforms that must survive a restart.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Captures {
    last_number: u64,
    waiting: Vec<Waiting>,
    seen: Vec<Seen>,
    references: Vec<Reference>,
    of_alerts: Vec<OfAlert>,
    judged: Vec<Judged>,
    likely: Option<Box<LikelyFault>>,
    asking: Asking,
}

/// What is known of the machine while waveforms are dealt with.
#[derive(Clone, Copy)]
pub struct Scene<'a> {
    /// The asset.
    pub context: &'a Context<'a>,
    /// The machine.
    pub machine: &'a Machine,
    /// Life of the machine's alert.
    pub life: &'a AlarmLife,
}

impl Scene<'_> {
    fn active_episode(&self) -> Option<u64> {
        let active = matches!(self.life.phase(), Phase::Unacknowledged | Phase::Acknowledged);
        active.then(|| self.life.episode())
    }

    fn alert_id(&self, episode: u64) -> String {
        document::alert_id(self.context.site, &self.context.spec.name, &Finding::Machine, episode)
    }

    fn taken(&self) -> Taken {
        let running = self.machine.is_running();
        let state = self.machine.state_name(self.context.spec);
        Taken {
            good: running && state.is_some() && self.machine.zone() == Zone::Normal && !self.life.is_open(),
            state,
            running,
            episode: self.active_episode(),
        }
    }
}

impl Captures {
    /// Whether no waveform ever came and none is to be asked for: so it is with most assets, minute by minute.
    pub fn is_idle(&self, spec: &AssetSpec) -> bool {
        self.last_number == 0 && self.asking.last().is_none() && spec.vibration.sensors.is_empty()
    }

    /// What the newest waveforms say of the machine.
    pub fn likely(&self) -> Option<&LikelyFault> {
        self.likely.as_deref()
    }

    /// The same as far as it speaks for an alert raised at `raised_at`.
    pub fn speaks_for(&self, raised_at: EventTime) -> Option<&LikelyFault> {
        self.likely.as_deref().filter(|likely| {
            let since = likely.at.secs_since(raised_at);
            // That nothing was found before it began says nothing of what began.
            if likely.answer == Verdict::Nothing { since >= 0.0 } else { since >= -SPEAKS_FOR_SECS }
        })
    }

    /// The machine is learned anew: what was normal is not known any more.
    pub fn forget(&mut self) {
        self.references.clear();
        self.judged.clear();
        self.likely = None;
    }

    /// A waveform came. `told`: the speed as far as the asset's readings or its plate say.
    pub fn arrived(
        &mut self,
        at: EventTime,
        waveform: &Arc<Waveform>,
        told: Option<ShaftSpeed>,
        scene: &Scene<'_>,
        out: &mut Vec<Output>,
    ) {
        let Context { id, spec, .. } = scene.context;
        if self.waiting.len() >= MOST_WAITING {
            out.push(Output::Rejected(*id, Rejection::TooMany));
            return;
        }
        self.last_number += 1;
        let number = self.last_number;
        let look = Look::new(waveform.clone(), told, Arc::clone(spec));
        out.push(Output::Waveform(
            *id,
            Box::new(Stored { number, at, waveform: waveform.clone(), look: look.clone() }),
        ));
        self.waiting.push(Waiting { number, at, taken: scene.taken(), look });
    }

    /// The stream's clock passed `at`: outcomes that are due are taken, requests are made or run out. `true` when there
    /// is a new judgement.
    pub fn tick(&mut self, at: EventTime, scene: &Scene<'_>, out: &mut Vec<Output>) -> bool {
        // Of most assets no waveform ever comes.
        let settled = !self.waiting.is_empty() && self.settle(at, LEAD_SECS, scene, out);
        let ran_out = self.asking.run_out(at);
        let asked = self.ask(at, scene, out);
        if settled || ran_out || asked {
            self.say(at, scene, out);
        }
        settled
    }

    /// The stream is at its end: nothing is waited for any longer.
    pub fn end(&mut self, at: EventTime, scene: &Scene<'_>, out: &mut Vec<Output>) -> bool {
        let settled = !self.waiting.is_empty() && self.settle(at, f64::NEG_INFINITY, scene, out);
        if settled {
            self.say(at, scene, out);
        }
        settled
    }

    /// A person asks.
    pub fn command(
        &mut self,
        at: EventTime,
        by: &str,
        scene: &Scene<'_>,
        out: &mut Vec<Output>,
    ) -> Result<String, String> {
        self.asking.command_is_due()?;
        let alert = scene.active_episode().map(|episode| (episode, scene.alert_id(episode)));
        let request = self.asking.ask(at, Reason::Command, alert, Some(by), scene.context);
        let said =
            format!("asked for waveforms: {}, until {}", request.id, crate::advise::forms::rfc3339(request.until));
        out.push(Output::CaptureRequest(scene.context.id, Box::new(request)));
        self.say(at, scene, out);
        Ok(said)
    }

    fn ask(&mut self, at: EventTime, scene: &Scene<'_>, out: &mut Vec<Output>) -> bool {
        let rule = &scene.context.settings.capture;
        let has_sensors = !self.seen.is_empty() || !scene.context.spec.vibration.sensors.is_empty();
        if !(rule.requests && has_sensors && scene.machine.is_running()) {
            return false;
        }
        let from = if rule.advisories { Severity::Advisory } else { Severity::Warning };
        let severity = scene.life.severity().filter(|s| *s >= from);
        let request =
            if let (Some(episode), Some(severity), false) = (scene.active_episode(), severity, scene.life.is_held()) {
                if !self.asking.alert_is_due(at, episode, severity, rule.min_interval_secs) {
                    return false;
                }
                self.asking.ask(at, Reason::Alert, Some((episode, scene.alert_id(episode))), None, scene.context)
            } else if scene.taken().good && self.wants_reference(at, scene) {
                if !self.asking.reference_is_due(at, rule.min_interval_secs) {
                    return false;
                }
                self.asking.ask(at, Reason::Reference, None, None, scene.context)
            } else {
                return false;
            };
        out.push(Output::CaptureRequest(scene.context.id, Box::new(request)));
        true
    }

    fn wants_reference(&self, at: EventTime, scene: &Scene<'_>) -> bool {
        let Some(state) = scene.machine.state_name(scene.context.spec) else { return false };
        let newest = self.references.iter().filter(|r| r.state == state).map(|r| r.at).max();
        newest.is_none_or(|newest| at.secs_since(newest) >= REFERENCE_LASTS_SECS)
    }

    /// Takes the outcomes that are due.
    fn settle(&mut self, at: EventTime, lead_secs: f64, scene: &Scene<'_>, out: &mut Vec<Output>) -> bool {
        let due = self.waiting.iter().take_while(|w| at.secs_since(w.at) >= lead_secs).count();
        if due == 0 {
            return false;
        }
        let context = scene.context;
        let mut places: Vec<String> = Vec::new();
        let mut upto = 0;
        for Waiting { number, at, taken, look } in self.waiting.drain(..due).collect::<Vec<_>>() {
            upto = number;
            match look.get() {
                Err(unread) => out.push(Output::WaveformRefused(context.id, Box::new(unread.clone()))),
                Ok(looked) => {
                    let place = context.spec.vibration.place(&looked.point).to_owned();
                    if !places.contains(&place) {
                        places.push(place.clone());
                    }
                    self.take(Seen { number, at, place, taken, looked: looked.clone() });
                }
            }
        }
        let mut news = false;
        for place in &places {
            news |= self.judge(place, scene);
        }
        self.settle_likely();
        out.push(Output::CapturesKept(context.id, Box::new(self.kept(upto))));
        news || !places.is_empty()
    }

    fn take(&mut self, seen: Seen) {
        let point = seen.looked.point.clone();
        let sensor = match seen.looked.axis {
            Some(axis) => format!("{point}/{}", axis.words()),
            None => point.clone(),
        };
        let asked = seen.looked.request.as_deref().and_then(|id| self.asking.answered(id, seen.at));
        if let Some(episode) = asked.or(seen.taken.episode)
            && !self.of_alerts.iter().any(|o| o.episode == episode && o.sensor == sensor)
        {
            self.of_alerts.push(OfAlert { episode, sensor, number: seen.number });
            let mut episodes: Vec<u64> = self.of_alerts.iter().map(|o| o.episode).collect();
            episodes.sort_unstable();
            episodes.dedup();
            if let Some(oldest) = episodes.len().checked_sub(MOST_ALERTS).and_then(|drop| episodes.get(drop)).copied() {
                self.of_alerts.retain(|o| o.episode >= oldest);
            }
            if self.of_alerts.len() > MOST_ALERTS * MOST_POINTS {
                self.of_alerts.remove(0);
            }
        }
        self.seen.retain(|s| s.looked.point != point || s.looked.axis != seen.looked.axis);
        if self.seen.len() >= MOST_POINTS {
            // In the order of their numbers: the first is the oldest.
            self.seen.remove(0);
        }
        self.seen.push(seen);
    }

    fn judge(&mut self, place: &str, scene: &Scene<'_>) -> bool {
        let group = judge::group(place, &self.seen);
        let Some(judged) = judge::judge(place, &group, &self.references, scene.context.spec) else { return false };
        let good: Vec<Seen> = if judged.answer == Verdict::Nothing && group.iter().all(|s| s.taken.good) {
            group.into_iter().cloned().collect()
        } else {
            Vec::new()
        };
        for seen in good {
            self.refer_to(seen);
        }
        self.judged.retain(|j| j.place != place);
        if self.judged.len() >= MOST_POINTS {
            self.judged.remove(0);
        }
        self.judged.push(judged);
        true
    }

    /// Makes a good waveform the reference of its direction, place and state.
    fn refer_to(&mut self, seen: Seen) {
        let (Some(spectrum), Some(speed), Some(state)) = (seen.looked.spectrum, seen.looked.speed, seen.taken.state)
        else {
            return;
        };
        let levels = (spectrum.velocity_rms_mm_s, spectrum.noise_high_m_s2);
        let mut fresh = Reference {
            number: seen.number,
            at: seen.at,
            state,
            place: seen.place,
            shaft_hz: speed.hz(),
            spectrum,
            first: levels,
        };
        let same =
            |r: &Reference| r.state == fresh.state && r.place == fresh.place && r.spectrum.axis == fresh.spectrum.axis;
        if let Some(known) = self.references.iter().position(same) {
            let Some(old) = self.references.get(known) else { return };
            let within = levels.0 <= REFERENCE_MAY_GROW * old.first.0 && levels.1 <= REFERENCE_MAY_GROW * old.first.1;
            if !within {
                return;
            }
            fresh.first = old.first;
            self.references.remove(known);
        }
        if self.references.len() >= MOST_REFERENCES {
            self.references.remove(0);
        }
        self.references.push(fresh);
        self.asking.reference_taken();
    }

    /// The judgement that is told: the weightiest of the last look.
    fn best(&self) -> Option<&Judged> {
        let newest = self.judged.iter().map(|j| j.at).max()?;
        let of_it = self.judged.iter().filter(|j| newest.secs_since(j.at) <= SAME_LOOK_SECS);
        of_it.max_by(|a, b| {
            let ((ra, ca), (rb, cb)) = (a.weight(), b.weight());
            ra.cmp(&rb).then(ca.total_cmp(&cb)).then(a.at.cmp(&b.at))
        })
    }

    fn settle_likely(&mut self) {
        self.likely = self.best().map(|best| {
            let (checks, caution) = advice(best.explanations.first().map(|e| e.fault));
            Box::new(LikelyFault {
                answer: best.answer,
                basis: Basis::Waveform,
                at: best.at,
                place: Some(best.place.clone()),
                explanations: best.explanations.iter().take(3).cloned().collect(),
                checks,
                caution,
            })
        });
    }

    /// The numbers that stay, each under what it is kept for.
    fn kept(&self, upto: u64) -> Kept {
        let axis = |axis: Option<Axis>| axis.map_or("", Axis::words);
        let newest = self.seen.iter().map(|s| (format!("newest/{}/{}", s.looked.point, axis(s.looked.axis)), s.number));
        let references = self
            .references
            .iter()
            .map(|r| (format!("reference/{}/{}/{}", r.state, r.place, r.spectrum.axis.words()), r.number));
        let alerts = self.of_alerts.iter().map(|o| (format!("alert/{}/{}", o.episode, o.sensor), o.number));
        Kept { upto, slots: newest.chain(references).chain(alerts).collect() }
    }

    /// The diagnosis document as of now.
    fn say(&self, at: EventTime, scene: &Scene<'_>, out: &mut Vec<Output>) {
        let context = scene.context;
        let best = self.best();
        let (checks, caution) = advice(best.and_then(|b| b.explanations.first()).map(|e| e.fault));
        let rpm = best.and_then(|b| b.speed.as_ref()).map(|s| s.rpm).or(context.spec.rated_speed_rpm);
        let rating_life = context.spec.vibration.bearings.iter().filter_map(|bearing| {
            let l10_hours = bearing.rating?.hours(rpm?).ok()?;
            Some(Rating { bearing: bearing.name.clone(), l10_hours })
        });
        let told = |s: &&Seen| best.is_some_and(|b| b.numbers.contains(&s.number));
        let mut captures: Vec<&Seen> = self.seen.iter().filter(told).collect();
        if captures.is_empty() {
            captures = self.seen.iter().rev().take(1).collect();
        }
        let mut document = Diagnosis {
            site: context.site.to_owned(),
            asset: context.spec.name.clone(),
            at,
            answer: best.map_or(Verdict::NotLooked, |b| b.answer),
            place: best.map(|b| b.place.clone()),
            operating_state: best.and_then(|b| b.state.clone()),
            explanations: best.map(|b| b.explanations.clone()).unwrap_or_default(),
            speed: best.and_then(|b| b.speed.clone()),
            captures: captures.into_iter().map(capture).collect(),
            compared: best.map(|b| b.compared.clone()).unwrap_or_default(),
            rating_life: rating_life.collect(),
            request: self.asking.state(),
            alert: scene.life.is_open().then(|| scene.alert_id(scene.life.episode())),
            checks,
            caution,
            message: String::new(),
        };
        document.message = wording::diagnosis_message(&document);
        out.push(Output::Diagnosis(context.id, Box::new(document)));
    }
}

fn capture(seen: &Seen) -> Capture {
    let Seen { number, at, taken, looked, .. } = seen;
    Capture {
        number: *number,
        point: looked.point.clone(),
        axis: looked.axis,
        at: looked.start.unwrap_or(*at),
        request: looked.request.clone(),
        operating_state: taken.state.clone(),
        secs: looked.secs,
        rate_hz: looked.rate_hz,
        velocity_rms: Some(looked.velocity_rms),
        acceleration_rms: Some(looked.acceleration_rms),
        acceleration_peak: Some(looked.acceleration_peak),
        kurtosis: Some(looked.kurtosis),
        not_diagnosed: match (&looked.not_diagnosed, taken.running) {
            (Some(why), _) => Some(why.clone()),
            (None, false) => Some("the machine was not running".into()),
            (None, true) => None,
        },
    }
}

/// A waveform as it came, to be kept, with its look, to be taken ahead.
#[derive(Debug, Clone)]
pub struct Stored {
    /// Its number on the asset.
    pub number: u64,
    /// Stream time it came.
    pub at: EventTime,
    /// The message.
    pub waveform: Arc<Waveform>,
    /// Its look.
    pub look: Look,
}

/// Which waveforms of an asset are kept: all others up to a number may go.
#[derive(Debug, Clone, PartialEq)]
pub struct Kept {
    /// Later ones are still on their way.
    pub upto: u64,
    /// What each is kept as, and its number.
    pub slots: Vec<(String, u64)>,
}
