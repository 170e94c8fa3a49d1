//! The one plain sentence or three of an alert: what was seen, and what to check.
//!
//! One line of at most [`LONGEST`] characters, in documents with metric units in the signs people read (`°C`, `rpm`, `m/s²`);
//! for the people of a site in theirs ([`audience`](super::audience)). What was seen is said as a fact; what it may be is
//! said as a possibility, never as a diagnosis, and the site's procedures come first. When it gets too long, parts fall
//! off in a fixed order: how earlier forecasts held, forecast, state, source of the limit, onset, the check for a fault
//! that a waveform names; all of them have fields of their own.
//!
//! Names come from outside: control characters become spaces, long names are cut.

use super::audience::{Audience, Points};
use super::diagnosis::{Basis, Diagnosis, Explanation, Standing, Verdict};
use super::document::{
    Alert, Change, Condition, Contribution, Evidence, Finding, Forecast, LifeState, LimitSource, Measured, Neighbour,
    Relation, RemainingLife, Severity, Thresholds, Zone,
};
use crate::asset::spec::{AssetSpec, Detection, Quantity};
use crate::config::value::show_secs;
use crate::engine::Action;
use roundsman_models::EventTime;
use roundsman_models::assess::shaft_speed::SpeedSource;

/// Most characters of a message.
pub const LONGEST: usize = 300;
/// Most characters of a name inside it.
const LONGEST_NAME: usize = 40;
/// A threshold this much wider than the budget alone asks for is worth a sentence.
const WORTH_SAYING: f64 = 1.2;
/// Factor from which "3.2 times" says more than a difference.
const TELLING_FACTOR: f64 = 1.5;
/// Judged intervals from which it is worth saying how many held.
const TELLING_INTERVALS: u32 = 5;
/// Share from which a point is worth a word of advice beside the first.
const TELLING_SHARE: f64 = 0.15;

/// "Only in" is half of what was found; nothing else in a document tells it.
const ONLY_IN: &str = ", only in operating state ";

/// What a point measures, and how a vibration value was formed.
pub type Kind = (Quantity, Detection);

/// The message of an alert, as it is published. `spec` gives its points their quantities; `only_in_state`: the engine sees the
/// change in this operating state and has seen none in another since.
pub fn message(alert: &Alert, spec: &AssetSpec, only_in_state: bool) -> String {
    message_for(alert, &|name| spec.kind(name), only_in_state, Audience::of_documents())
}

/// What the engine saw of it when it was published: the change was in one operating state only.
pub(super) fn only_in_one_state(alert: &Alert) -> bool {
    alert.message.contains(ONLY_IN)
}

/// The message of an alert for somebody.
pub(super) fn message_for(
    alert: &Alert,
    kinds: &dyn Fn(&str) -> Option<Kind>,
    only_in_state: bool,
    audience: Audience<'_>,
) -> String {
    let scene = Scene { alert, kinds, lead: lead(alert), only_in_state, audience };
    let mut parts = Vec::new();
    match alert.change {
        Change::Raised
        | Change::Escalated
        | Change::Recurred
        | Change::Eased
        | Change::Thawed
        | Change::Joined
        | Change::Reminded => {
            scene.held_back(&mut parts);
            if scene.set_up(&mut parts) {
                return fit(parts);
            }
            scene.seen(&mut parts);
            scene.neighbours(&mut parts);
            parts.extend(scene.likely());
            scene.advise(&mut parts);
        }
        Change::Diagnosed => {
            parts.push(Part::may(4, format!("Looked into: {}.", scene.subject())));
            parts.extend(scene.likely());
            scene.advise(&mut parts);
        }
        Change::Returned => {
            parts.push(Part::must(format!("No longer seen: {}.", scene.subject())));
            if alert.state == LifeState::ReturnedUnacknowledged {
                parts.push(Part::must("Nobody has acknowledged it yet.".to_owned()));
            }
        }
        Change::Frozen => {
            parts.push(Part::must(format!("No data any more; the alert stands as it was: {}.", scene.subject())));
            parts.push(Part::must("Check sensor, cable and connection first.".to_owned()));
        }
        Change::Closed => {
            let worst = severity_word(alert.worst);
            parts.push(Part::must(format!("Episode over, its highest severity was {worst}: {}.", scene.subject())));
        }
        Change::Acknowledged
        | Change::Shelved
        | Change::Unshelved
        | Change::TakenOutOfService
        | Change::ReturnedToService => {
            let what = match alert.change {
                Change::Acknowledged => "Acknowledged",
                Change::Shelved => "Shelved",
                Change::Unshelved => "Shelving ended",
                Change::TakenOutOfService => "Taken out of service",
                _ => "Back in service",
            };
            let by = alert.by.as_deref().map_or(String::new(), |by| format!(" by {}", plain(by, LONGEST_NAME)));
            parts.push(Part::must(format!("{what}{by}: {}.", scene.subject())));
        }
    }
    fit(parts)
}

/// The message of a condition document.
pub fn condition_message(condition: &Condition) -> String {
    condition_for(condition, Audience::of_documents())
}

/// The message of a condition for somebody.
pub(super) fn condition_for(condition: &Condition, audience: Audience<'_>) -> String {
    let state =
        condition.operating_state.as_deref().map_or(String::new(), |s| format!(" in {}", plain(s, LONGEST_NAME)));
    let open = condition.open_alerts.len();
    let mut parts = vec![Part::must(match condition.zone {
        Zone::Learning => format!("Learning what is normal: {} % done.", share(condition.learned)),
        Zone::Stopped => "Not running.".to_owned(),
        Zone::Settling => format!("Just started or changed{state}; not judged until it has settled."),
        Zone::Normal => format!("Running{state} as learned."),
        Zone::Advisory => format!("Running{state} with a change worth planning for; nothing to do now."),
        Zone::Warning => format!("Running{state} past a warning limit."),
        Zone::Alarm => format!("Running{state} past an alarm limit."),
    })];
    if open > 0 {
        let noun = if open == 1 { "alert is" } else { "alerts are" };
        parts.push(Part::must(format!("{open} {noun} open.")));
    }
    if let Some(work) = &condition.maintenance {
        let standing = work.held_back.iter().filter(|w| w.gone.is_none() && w.alert.is_none()).count();
        let reason = plain(&work.reason, LONGEST_NAME);
        if work.open {
            let count = work.held_back.len();
            let until = audience.minute(work.to);
            parts.push(Part::must(format!("Maintenance until {until} ({reason}): {count} findings are held back.")));
        } else if standing > 0 {
            parts.push(Part::must(format!("Maintenance ({reason}) is over, {standing} of its findings still stand.")));
        }
    }
    if let Some(alert) = &condition.told_by {
        parts.push(Part::must(format!("What stands here is told by {}.", plain(alert, 120))));
    }
    if let Some((first, _)) = condition.sensor_faults.first() {
        let more = match condition.sensor_faults.len() - 1 {
            0 => String::new(),
            n => format!(" and {n} more"),
        };
        parts.push(Part::must(format!("Sensor at fault: {}{more}.", plain(first, LONGEST_NAME))));
    }
    fit(parts)
}

/// What the thresholds of a machine rest on.
pub fn thresholds_message(t: &Thresholds) -> String {
    let warnings = if t.false_warnings_per_year == 1.0 { "false warning" } else { "false warnings" };
    let mut said = format!(
        "For {} {warnings} a year of running an advisory starts at a deviation of {:.1}; learned from {} rows.",
        t.false_warnings_per_year, t.deviation, t.rows
    );
    if t.widened >= WORTH_SAYING {
        said += &format!(
            " The spread of at least one point rests on about {:.0} independent rows, too few for that budget: its \
             threshold is {:.1} times as wide.",
            t.independent_rows, t.widened
        );
    }
    said
}

/// A UCUM code as people write the unit; what has no other sign stays.
pub fn unit_sign(ucum: &str) -> &str {
    match ucum {
        "Cel" => "°C",
        "[degF]" => "°F",
        "/min" => "rpm",
        "m/s2" => "m/s²",
        "m3/h" => "m³/h",
        "m3/s" => "m³/s",
        "um" => "µm",
        "deg" => "°",
        "Ohm" => "Ω",
        other => other,
    }
}

/// A value for people: three significant digits (whole numbers from 1000 on), no exponent where it can be avoided.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return "no value".to_owned();
    }
    let size = value.abs();
    if size != 0.0 && !(1e-3..1e7).contains(&size) {
        return format!("{value:.2e}");
    }
    // Rounded first, so that 9.996 counts as 10.0 and not as a number with two more digits.
    let rounded: f64 = format!("{value:.2e}").parse().unwrap_or(value);
    let decimals = if rounded == 0.0 { 0 } else { (2 - rounded.abs().log10().floor() as i32).clamp(0, 6) as usize };
    if size >= 1000.0 {
        return format!("{value:.0}");
    }
    let text = format!("{rounded:.decimals$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// A time for people: `2031-03-04 06:15Z`.
pub fn minute(at: EventTime) -> String {
    Audience::of_documents().minute(at)
}

/// A severity in one word.
pub fn severity_word(severity: Severity) -> &'static str {
    match severity {
        Severity::Advisory => "advisory",
        Severity::Warning => "warning",
        Severity::Alarm => "alarm",
    }
}

/// Text from outside on one line: control characters (terminal codes, line breaks, changes of reading direction)
/// become spaces, and what is longer than `longest` characters is cut.
pub fn plain(text: &str, longest: usize) -> String {
    let hostile = |c: char| {
        c.is_control() || matches!(c, '\u{200e}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let mut line: String = text.chars().take(longest).map(|c| if hostile(c) { ' ' } else { c }).collect();
    if text.chars().nth(longest).is_some() {
        line.pop();
        line.push('…');
    }
    line
}

/// What a command on alerts did. `done`: per finding it was carried out on, the id of its open alert.
pub fn done(action: &Action, asset: &str, done: &[Option<String>]) -> String {
    let open: Vec<&str> = done.iter().flatten().map(String::as_str).collect();
    let asset = plain(asset, LONGEST_NAME);
    let all = || match (done, open.as_slice()) {
        // One finding by its id: the machine as a whole is not meant.
        ([Some(id)], _) => id.clone(),
        (_, []) => format!("{asset}, with no alert open"),
        (_, open) => format!("{asset}, with {} open: {}", open.len(), open.join(", ")),
    };
    match action {
        Action::Acknowledge { .. } => match open.as_slice() {
            [] => format!("{asset}: acknowledged and closed"),
            open => format!("acknowledged: {}", open.join(", ")),
        },
        Action::Shelve { secs, .. } => format!("shelved for {}: {}", show_secs(*secs), all()),
        Action::Unshelve { .. } => format!("no longer shelved: {}", all()),
        Action::OutOfService => format!("out of service until told otherwise, evaluated and silent: {}", all()),
        Action::ReturnToService => format!("back in service: {}", all()),
        Action::Relearn | Action::Capture | Action::SetLimit { .. } | Action::Finding { .. } => {
            format!("done: {}", all())
        }
    }
}

/// The contribution the message is about: what is past a limit before what is not, then the largest share.
fn lead(alert: &Alert) -> Option<&Contribution> {
    let past_limit = |c: &&Contribution| c.evidence == Evidence::Limit;
    let largest = |a: &&Contribution, b: &&Contribution| a.share.total_cmp(&b.share);
    alert.contributions.iter().filter(past_limit).max_by(largest).or_else(|| alert.contributions.iter().max_by(largest))
}

struct Scene<'a> {
    alert: &'a Alert,
    kinds: &'a dyn Fn(&str) -> Option<Kind>,
    lead: Option<&'a Contribution>,
    only_in_state: bool,
    audience: Audience<'a>,
}

impl Scene<'_> {
    fn quantity(&self, name: &str) -> Quantity {
        (self.kinds)(name).map_or(Quantity::Other, |(quantity, _)| quantity)
    }

    /// A value with its unit.
    fn measured(&self, m: &Measured) -> String {
        measured(m, self.audience)
    }

    /// What the alert is about, without numbers.
    fn subject(&self) -> String {
        match (&self.alert.finding, self.lead) {
            (Finding::Sensor(point), _) => format!("sensor {}", plain(point, LONGEST_NAME)),
            (Finding::Silence, _) => format!("silence of {}", plain(&self.alert.asset, LONGEST_NAME)),
            (Finding::Machine, Some(lead)) => self.in_words(&lead.point),
            (Finding::Machine, None) => format!("{} unlike what was learned", plain(&self.alert.asset, LONGEST_NAME)),
        }
    }

    /// A point in words: `vibration velocity (rms) at de-vib`.
    fn in_words(&self, name: &str) -> String {
        let what = match self.quantity(name) {
            Quantity::VibrationVelocity => "vibration velocity",
            Quantity::VibrationAcceleration => "vibration acceleration",
            Quantity::VibrationDisplacement => "vibration displacement",
            Quantity::Temperature => "temperature",
            Quantity::Speed => "speed",
            Quantity::Current => "current",
            Quantity::Voltage => "voltage",
            Quantity::Power => "power",
            Quantity::Pressure => "pressure",
            Quantity::Flow => "flow",
            Quantity::Load => "load",
            Quantity::State => "state",
            Quantity::Other => "value",
        };
        let formed = match (self.kinds)(name).map_or(Detection::Unstated, |(_, detection)| detection) {
            Detection::Rms => " (rms)",
            Detection::Peak => " (peak)",
            Detection::PeakToPeak => " (peak to peak)",
            Detection::Unstated => "",
        };
        format!("{what}{formed} at {}", plain(name, LONGEST_NAME))
    }

    /// Why it comes only now.
    fn held_back(&self, parts: &mut Vec<Part>) {
        let Some(held) = &self.alert.held_back else { return };
        let reason = plain(&held.reason, LONGEST_NAME);
        let since = self.audience.minute(held.since);
        parts.push(Part::must(format!("Held back since {since} by maintenance ({reason}), and still there.")));
    }

    /// What looks like another set-up is said as one, and as nothing else.
    fn set_up(&self, parts: &mut Vec<Part>) -> bool {
        let Some(set_up) = &self.alert.set_up else { return false };
        let (points, factor, since) = (set_up.points, number(set_up.factor), self.audience.minute(set_up.since));
        let limit = self.alert.contributions.iter().find(|c| c.evidence == Evidence::Limit);
        // A limit that somebody set is passed whatever the reason.
        if limit.and_then(|c| c.limit.as_ref()).is_some_and(|limit| limit.source != "baseline") {
            return false;
        }
        let machines = set_up.machines.len() + 1;
        let of = if machines > 1 { format!(" of {machines} machines") } else { String::new() };
        parts.push(Part::must(format!(
            "All {points} points{of} came back from a pause at about {factor} times what is expected, since {since}: this \
             looks like a changed set-up, not like a fault of one machine."
        )));
        parts.push(Part::must("Check what was changed; if it is meant, relearn.".to_owned()));
        true
    }

    /// Who else departed at the same time, a parent first, since it may be the cause.
    fn neighbours(&self, parts: &mut Vec<Part>) {
        let mut others: Vec<&Neighbour> = self.alert.neighbours.iter().collect();
        let Some(first) = others.first() else { return };
        let group = plain(&first.group, LONGEST_NAME);
        others.sort_by_key(|other| other.relation != Relation::Parent);
        let parent = others.first().filter(|other| other.relation == Relation::Parent);
        let names: Vec<String> = others.iter().take(3).map(|other| plain(&other.asset, LONGEST_NAME)).collect();
        let more =
            if others.len() > names.len() { format!(" and {} more", others.len() - names.len()) } else { "".into() };
        parts.push(Part::may(1, format!("At the same time on {group}: {}{more}.", names.join(", "))));
        if let Some(parent) = parent {
            parts.push(Part::may(3, format!("Look at {} first.", plain(&parent.asset, LONGEST_NAME))));
        }
    }

    /// What was seen, as parts of one sentence.
    fn seen(&self, parts: &mut Vec<Part>) {
        let news = match self.alert.change {
            Change::Escalated => "Worse: ",
            Change::Eased => "Milder: ",
            Change::Recurred => "Back again: ",
            Change::Thawed => "Data are back, the alert goes on: ",
            Change::Joined => "Others too: ",
            Change::Reminded => "Not acknowledged yet: ",
            _ => "",
        };
        let onset = self.lead.and_then(|l| l.onset).or(self.alert.onset);
        let since = onset.map(|onset| Part::may(2, format!(" since about {}", self.ago(onset))));
        let Some(lead) = self.lead else {
            let text = match &self.alert.finding {
                Finding::Silence => format!("No data from {}", plain(&self.alert.asset, LONGEST_NAME)),
                _ => self.subject(),
            };
            parts.push(Part::must(format!("{news}{}", if news.is_empty() { capital(&text) } else { text })));
            parts.extend(since);
            parts.push(Part::must(".".to_owned()));
            return;
        };
        let subject = self.in_words(&lead.point);
        let observed = self.measured(&lead.observed);
        let name = plain(&lead.point, LONGEST_NAME);
        let asset = plain(&self.alert.asset, LONGEST_NAME);
        let (text, compare) = match lead.evidence {
            Evidence::Limit => (format!("{subject} is {observed}"), true),
            Evidence::Step => (format!("{subject} changed suddenly to {observed}"), true),
            Evidence::Drift => (format!("{subject} is slowly {}: {observed}", self.course(lead)), true),
            Evidence::Pattern => {
                (format!("points no longer move together as learned, most of it {subject}: {observed}"), true)
            }
            Evidence::NewState => ("running in a way never seen before".to_owned(), false),
            Evidence::Stuck => (format!("sensor {name} has shown exactly {observed}"), false),
            Evidence::OutOfRange => (format!("sensor {name} reads {observed}, outside what it can measure"), false),
            Evidence::Silent if self.alert.finding == Finding::Silence => (format!("no data from {asset}"), false),
            Evidence::NeverSeen if self.alert.finding == Finding::Silence => {
                (format!("{asset} is configured and has never sent anything"), false)
            }
            Evidence::Silent => (format!("no data from sensor {name}"), false),
            Evidence::NeverSeen => (format!("sensor {name} is configured and has never sent a value"), false),
        };
        parts.push(Part::must(format!("{news}{}", if news.is_empty() { capital(&text) } else { text })));
        if compare {
            if let Some(expected) = &lead.expected {
                parts.extend(self.comparison(lead, expected).map(Part::must));
            }
            if let Some(limit) = &lead.limit {
                self.limit(lead, limit, parts);
            }
        }
        if lead.evidence != Evidence::NeverSeen {
            parts.extend(since);
        }
        if let Some(state) = self.alert.operating_state.as_deref().filter(|_| compare) {
            let name = plain(state, LONGEST_NAME);
            // "Only in" is half of the finding and stays.
            parts.push(match self.only_in_state {
                true => Part::must(format!("{ONLY_IN}{name}")),
                false => Part::may(4, format!(", in operating state {name}")),
            });
        }
        parts.push(Part::must(".".to_owned()));
        if let Some(forecast) = self.alert.remaining_life.as_ref().and_then(|life| life.forecasts.first()) {
            parts.extend(forecast_words(forecast).map(|text| Part::may(5, text)));
            parts.extend(self.alert.remaining_life.as_ref().and_then(record_words).map(|text| Part::may(6, text)));
        }
    }

    /// An onset is an estimate: the minute says nothing once it is days ago.
    fn ago(&self, onset: EventTime) -> String {
        let text = self.audience.minute(onset);
        if self.alert.at.hours_since(onset) < 48.0 { text } else { text.split(' ').take(1).collect() }
    }

    fn course(&self, c: &Contribution) -> &'static str {
        match direction(c) {
            Some(d) if d > 0.0 => "rising",
            Some(d) if d < 0.0 => "falling",
            _ => "changing",
        }
    }

    /// `, 3.2 times the 2.3 mm/s expected` or `, 12 °C above the 61 °C expected`.
    fn comparison(&self, lead: &Contribution, expected: &Measured) -> Option<String> {
        let (seen, wanted) = (lead.observed.value, expected.value);
        let apart = seen - wanted;
        if !apart.is_finite() || apart == 0.0 {
            return None;
        }
        let factor = seen / wanted;
        // A factor means nothing on a scale whose zero is arbitrary.
        let has_zero = !matches!(self.quantity(&lead.point), Quantity::Temperature | Quantity::State | Quantity::Other);
        if has_zero && wanted > 0.0 && factor > 0.0 && !(1.0 / TELLING_FACTOR..TELLING_FACTOR).contains(&factor) {
            return Some(format!(", {} times the {} expected", number(factor), self.measured(expected)));
        }
        let side = if apart > 0.0 { "above" } else { "below" };
        let apart = difference(apart.abs(), &expected.unit, self.audience);
        Some(format!(", {apart} {side} the {} expected", self.measured(expected)))
    }

    fn limit(&self, lead: &Contribution, limit: &LimitSource, parts: &mut Vec<Part>) {
        let value = limit.limit.value;
        let expected = lead.expected.as_ref().map(|e| e.value);
        // The side the limit is on, from what is expected where that is known.
        let high = expected.map_or(lead.observed.value >= value, |e| value >= e);
        let past = if high { lead.observed.value > value } else { lead.observed.value < value };
        let place = match (past, high) {
            (true, true) => "above",
            (true, false) => "below",
            (false, _) => "near",
        };
        parts.push(Part::must(format!(", {place} the limit of {}", self.measured(&limit.limit))));
        let source = match limit.source.as_str() {
            "baseline" => " learned from it".to_owned(),
            "own" => " set by the site".to_owned(),
            preset => format!(" ({})", plain(preset, 60)),
        };
        parts.push(Part::may(3, source));
    }

    /// What to check, and whose word counts. Beside a named fault, whose checks have a field of their own, the check may
    /// fall off; the site's procedures never do.
    fn advise(&self, parts: &mut Vec<Part>) {
        let text = match (&self.alert.finding, self.lead.map(|l| l.evidence)) {
            (Finding::Silence, Some(Evidence::NeverSeen)) => "Check its topics and name in the configuration.",
            (Finding::Silence, _) => {
                "Check network, gateway and power of the measuring device; the machine may be fine."
            }
            (Finding::Sensor(_), Some(Evidence::OutOfRange)) => {
                "May be a broken sensor or cable, or a wrong unit: check it; the machine may be fine."
            }
            (Finding::Sensor(_), Some(Evidence::NeverSeen)) => "Check its topic and name in the configuration.",
            (Finding::Sensor(_), _) => "Check sensor, cable and transmitter; the machine may be fine.",
            (Finding::Machine, Some(Evidence::NewState)) => {
                "Only fixed limits act until it is learned: check that it is meant to run like this."
            }
            (Finding::Machine, _) => self.machine_advice(),
        };
        // The advice is ours; what may be done to a running machine is the site's to say.
        let text = format!("{}.", text.trim_end_matches('.'));
        let named = self.alert.likely_fault.as_ref().is_some_and(|likely| likely.named().is_some());
        parts.push(if named { Part::may(1, text) } else { Part::must(text) });
        parts.push(Part::must("Follow site procedures.".to_owned()));
    }

    /// What a waveform says of it; readings alone name nothing, and their advice says where to look.
    fn likely(&self) -> Option<Part> {
        let likely = self.alert.likely_fault.as_ref().filter(|l| l.basis == Basis::Waveform)?;
        Some(Part::must(format!("{}.", likely_words(likely.answer, likely.place.as_deref(), likely.named())?)))
    }

    fn machine_advice(&self) -> &str {
        let by_waveform = self.alert.likely_fault.as_ref().filter(|l| l.named().is_some());
        if let Some(check) = by_waveform.and_then(|l| l.checks.first()) {
            return check;
        }
        let rises = |wanted: fn(Quantity) -> bool| self.moves(wanted, 1.0);
        let falls = |wanted: fn(Quantity) -> bool| self.moves(wanted, -1.0);
        let vibration = |q| {
            matches!(q, Quantity::VibrationVelocity | Quantity::VibrationAcceleration | Quantity::VibrationDisplacement)
        };
        let temperature = |q| q == Quantity::Temperature;
        let process = |q| matches!(q, Quantity::Pressure | Quantity::Flow);
        let electric = |q| matches!(q, Quantity::Current | Quantity::Power | Quantity::Voltage);
        let drive = |q| matches!(q, Quantity::Speed | Quantity::Load);
        let lead_quantity = self.lead.map_or(Quantity::Other, |l| self.quantity(&l.point));
        let sudden = self.lead.is_some_and(|l| l.evidence == Evidence::Step);
        if rises(vibration) {
            return if self.only_in_state {
                "May come from the process, a resonance or recent work: compare with the other states before opening anything."
            } else if rises(temperature) {
                "With the temperature up too it may be a bearing or its lubrication: check both, soon."
            } else if sudden {
                "May be imbalance, looseness or the coupling: check for lost or stuck material, bolts and coupling."
            } else if lead_quantity == Quantity::VibrationAcceleration {
                "May be early bearing or gear wear or poor lubrication: check lubrication, listen, take a spectrum."
            } else {
                "May be imbalance, alignment or bearing wear: check fastening and lubrication, take a spectrum."
            };
        }
        if rises(temperature) {
            return "Without more vibration it may be lubrication or cooling: check oil or grease, cooling and surroundings.";
        }
        if falls(vibration) {
            return "Less than normal may be a loose sensor or a lost load: check sensor mounting and process.";
        }
        if falls(temperature) {
            return "May be the sensor's seat, more cooling or less load: check sensor and process.";
        }
        let either = |wanted: fn(Quantity) -> bool| rises(wanted) || falls(wanted);
        if either(process) {
            return "May be a valve, a filter, the suction side or a leak: check the process side first.";
        }
        if either(electric) {
            return "May be load, friction or supply: check process, coupling and supply.";
        }
        if either(drive) {
            return "Check set points and drive: is it meant to run like this?";
        }
        "Compare with the process and with recent work on the machine."
    }

    /// Whether a point of a wanted quantity takes a telling part in this direction.
    fn moves(&self, wanted: fn(Quantity) -> bool, sign: f64) -> bool {
        let leads = |c: &Contribution| self.lead.is_some_and(|lead| std::ptr::eq(lead, c));
        self.alert.contributions.iter().any(|c| {
            (c.share >= TELLING_SHARE || leads(c) || c.evidence == Evidence::Limit)
                && wanted(self.quantity(&c.point))
                && direction(c).is_some_and(|d| d * sign > 0.0)
        })
    }
}

/// `Waveform at drive-end: likely bearing defect, outer race, 3.58 × shaft speed`.
fn likely_words(answer: Verdict, place: Option<&str>, named: Option<&Explanation>) -> Option<String> {
    let at = place.map_or(String::new(), |place| format!(" at {}", plain(place, LONGEST_NAME)));
    Some(match (answer, named) {
        (Verdict::Likely, Some(fault)) => {
            // The line that stands highest says what an analyst would look at first.
            let lines = fault.support.iter().filter(|line| line.order.is_some() && line.db.is_some());
            let line = lines.max_by(|a, b| a.db.unwrap_or(0.0).total_cmp(&b.db.unwrap_or(0.0)));
            let line = line.map_or(String::new(), |line| {
                let (order, db) = (line.order.unwrap_or(f64::NAN), line.db.unwrap_or(f64::NAN));
                format!(" ({} × shaft speed, {db:.0} dB above the noise)", number(order))
            });
            format!("Waveform{at}: likely {}{line}", fault.name)
        }
        (Verdict::UnknownChange, _) => format!("Waveform{at}: a change that no known pattern explains"),
        (Verdict::Nothing, _) => format!("Waveform{at}: nothing that matters was found"),
        _ => return None,
    })
}

/// The message of a diagnosis document.
pub fn diagnosis_message(diagnosis: &Diagnosis) -> String {
    let named = diagnosis.explanations.first();
    let mut parts = Vec::new();
    match likely_words(diagnosis.answer, diagnosis.place.as_deref(), named) {
        Some(words) => parts.push(Part::must(format!("{words}."))),
        None => parts.push(Part::must("No waveform has been looked at yet.".to_owned())),
    }
    if let Some(speed) = &diagnosis.speed {
        let source = match speed.source {
            SpeedSource::Message => "sent with it",
            SpeedSource::Point => "by the speed point",
            SpeedSource::Given => "as given",
            SpeedSource::Rating => "by the plate",
            SpeedSource::Waveform => "read from the waveform",
        };
        parts.push(Part::may(2, format!("Shaft speed {} rpm, {source}.", number(speed.rpm))));
    }
    if let Some(asked) = &diagnosis.request {
        let text = match asked.state {
            Standing::Waiting => Some("More waveforms are asked for."),
            Standing::TimedOut => Some("The last request for waveforms was not answered."),
            Standing::Answered => None,
        };
        parts.extend(text.map(|text| Part::may(1, text.to_owned())));
    }
    if let Some(check) = diagnosis.checks.first().filter(|_| diagnosis.answer == Verdict::Likely) {
        parts.push(Part::must(format!("{check}.")));
    }
    if !matches!(diagnosis.answer, Verdict::Nothing | Verdict::NotLooked) {
        parts.push(Part::must("Follow site procedures.".to_owned()));
    }
    fit(parts)
}

/// Above (1) or below (−1) what is expected; from the limit when nothing is expected.
fn direction(c: &Contribution) -> Option<f64> {
    let from = c.expected.as_ref().map(|e| e.value).or(c.limit.as_ref().map(|l| l.limit.value))?;
    let apart = c.observed.value - from;
    (apart.is_finite() && apart != 0.0).then(|| apart.signum())
}

/// How well earlier intervals held, once there are enough of them to tell.
fn record_words(life: &RemainingLife) -> Option<String> {
    let (judged, held) = (life.past_intervals, life.past_intervals_held);
    (judged >= TELLING_INTERVALS).then(|| format!(" Its earlier intervals held in {held} of {judged} cases."))
}

fn forecast_words(forecast: &Forecast) -> Option<String> {
    let target = match forecast.target.as_str() {
        "zone-d" => "zone D",
        "warning" => "the warning limit",
        "alarm" => "the alarm limit",
        "failure" => "the level at which such machines failed",
        _ => "the limit",
    };
    let usable = |hours: Option<f64>| hours.filter(|h| h.is_finite() && *h >= 0.0);
    let early = usable(forecast.p10_hours)?;
    // Hours up to three days, days from there on; one unit for both ends.
    let (per, unit) =
        if early.max(usable(forecast.p90_hours).unwrap_or(0.0)) > 72.0 { (24.0, "days") } else { (1.0, "h") };
    let show = |hours: f64| number((hours / per * 10.0).round() / 10.0);
    Some(match usable(forecast.p90_hours) {
        Some(late) => format!(" If it goes on, {target} is reached in {} to {} {unit}.", show(early), show(late)),
        None => format!(" If it goes on, {target} is reached in {} {unit} at the earliest.", show(early)),
    })
}

fn measured(m: &Measured, audience: Audience<'_>) -> String {
    let unit = audience.units.shown(&m.unit);
    with_sign(if unit.is_kept() { m.value } else { unit.value(m.value) }, &unit.sign)
}

/// How far two values are apart: on a scale whose zero lies elsewhere that is no value.
fn difference(apart: f64, unit: &str, audience: Audience<'_>) -> String {
    let unit = audience.units.shown(unit);
    with_sign(unit.difference(apart), &unit.sign)
}

fn with_sign(value: f64, sign: &str) -> String {
    if !value.is_finite() {
        return "no value".to_owned();
    }
    let sign = plain(sign, 16);
    if sign.is_empty() { number(value) } else { format!("{} {sign}", number(value)) }
}

fn share(value: f64) -> u8 {
    // `as` takes NaN to 0.
    (value * 100.0).clamp(0.0, 100.0) as u8
}

fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |first| first.to_uppercase().chain(chars).collect())
}

/// A piece of a message and how soon it may be dropped: the highest goes first, 0 stays.
struct Part {
    drop: u8,
    text: String,
}

impl Part {
    fn must(text: String) -> Self {
        Self { drop: 0, text }
    }

    fn may(drop: u8, text: String) -> Self {
        Self { drop, text }
    }
}

/// Joins, after dropping what does not fit; cuts as the very last means.
fn fit(mut parts: Vec<Part>) -> String {
    loop {
        let text = join(&parts);
        if text.chars().count() <= LONGEST {
            return text;
        }
        match parts.iter().map(|p| p.drop).max() {
            Some(most) if most > 0 => parts.retain(|p| p.drop < most),
            _ => return plain(&text, LONGEST),
        }
    }
}

fn join(parts: &[Part]) -> String {
    let mut line = String::new();
    for part in parts {
        // Sentences are separated by a space, the pieces of one bring their own.
        if line.ends_with('.') && !part.text.starts_with([' ', '.']) {
            line.push(' ');
        }
        line.push_str(&part.text);
    }
    line
}

#[cfg(test)]
#[path = "wording_tests.rs"]
pub(crate) mod tests;
