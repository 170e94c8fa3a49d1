//! Life of one alarm: from "the condition has held long enough" to "the episode is over".
//!
//! One [`AlarmLife`] per asset and finding. Fed one [`Condition`] per snapshot and a person's commands, it
//! gives the transitions worth telling, each with the episode's ordinal and a revision that counts from 1.
//!
//! # Delays
//! Each severity is a switch of its own: on after the condition was at least that severe for `on_delay`, off
//! after it was less severe for `off_delay`. A delay is a number of consecutive snapshots *and* a time from the
//! first of them to the last; both must be reached. The highest switch that is on is the severity. So an
//! escalation waits for its own delay and for nothing else, and an easing waits for `off_delay`.
//! [`Condition::Unknown`] moves nothing: no delay runs on, none starts again.
//!
//! # Phases and what moves them
//! The states of ISA-18.2 / IEC 62682. "On" and "off" mean the switches above.
//!
//! | phase | what happens | phase after | said |
//! |---|---|---|---|
//! | normal | on | unacknowledged | `Raised`: a new episode |
//! | unacknowledged | acknowledge | acknowledged | `Acknowledged` |
//! | unacknowledged | off | returned, unacknowledged | `Returned` |
//! | acknowledged | off | normal | `Returned`, `Closed` |
//! | acknowledged | more severe than anyone has acknowledged in this episode | unacknowledged | `Escalated` |
//! | acknowledged | more severe, but not more than was acknowledged before | acknowledged | `Escalated` |
//! | unacknowledged | more severe | unacknowledged | `Escalated` |
//! | either active one | less severe | the same | `Eased` |
//! | returned, unacknowledged | acknowledge | normal | `Acknowledged`, `Closed` |
//! | returned, unacknowledged | on | unacknowledged | `Recurred`: the same episode |
//! | returned, unacknowledged | off for `auto_close_secs` | normal | `Closed` |
//! | any open one | [`AlarmLife::reset`] | normal | `Closed` |
//! | either active one | [`AlarmLife::data_stopped`] | the same | `Frozen`, once |
//! | any, frozen | any condition but unknown | the same | `Thawed`, then what the condition moves |
//! | either active one | [`AlarmLife::diagnosed`] | the same | `Diagnosed` |
//! | either active one | [`AlarmLife::joined`] | the same | `Joined` |
//! | unacknowledged | nothing was said of it for `remind_secs` | the same | `Reminded` |
//!
//! DIFFERENCE from the standard's diagram: no latched states (an alarm that must be reset by hand after its
//! condition has gone): a latch belongs to protection, which this is not. And an unacknowledged alarm that has
//! returned may close by itself, for plants where nobody acknowledges; `auto_close_secs: None` follows the
//! standard.
//!
//! # Holds
//! Shelved (by a person, until a time), suppressed by design (by logic: the machine is stopped or settling) and
//! out of service (maintenance) hold an alarm back. They are independent of each other and of the phase; the
//! state shown is the strongest: out of service, shelved, suppressed, else the phase. Under a hold
//!
//! - the switches keep following the condition, the phase stands still and nothing the condition does is said;
//! - a person's acknowledgement still counts and is said: a tripped machine's alarm can be acknowledged;
//! - with an episode open, `Shelved`, `Unshelved`, `TakenOutOfService` and `ReturnedToService` are said. The
//!   begin and end of suppression is not: it would be one message per stop of the machine;
//! - with no episode open nothing is said: the command's answer is enough.
//!
//! The first known condition after the last hold has ended catches up in one step: what was raised under the
//! hold and is still on is `Raised` then; an episode that has gone meanwhile is `Returned`; and so on.
//!
//! A stopped machine shows no vibration, and that is no cure: while it is stopped pass [`Condition::Unknown`]
//! with `suppressed`, so that a stop does not clear an alarm and the next start does not raise it again.
//!
//! Memory: about 200 bytes. Times are event times and must not go backwards; a step back counts as no time.
//! Source: ANSI/ISA-18.2 and IEC 62682 state model, from memory; words checked against OPC 10000-9, which
//! quotes both.
//!
//! Not for protection: delays here are longer than a trip may wait.

use crate::param::{ParamFault, positive, within};
use crate::reading::EventTime;
use serde::{Deserialize, Serialize};
use std::fmt;

/// How urgent, in rising order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Severity {
    /// Worth planning for; nothing to do now.
    Advisory,
    /// A warning limit is passed.
    Warning,
    /// An alarm limit is passed.
    Alarm,
}

impl Severity {
    /// All, in rising order.
    pub const ALL: [Severity; 3] = [Severity::Advisory, Severity::Warning, Severity::Alarm];
}

/// What one snapshot says of the condition.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Condition {
    /// It is there, this severe.
    Present(Severity),
    /// It is not there.
    Absent,
    /// Nobody can tell: no data, a stopped machine, an operating state without a baseline.
    Unknown,
}

/// How long something must hold: both the count and the time must be reached.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Delay {
    /// Consecutive snapshots, at least 1; 1 is at once.
    pub snapshots: u32,
    /// Seconds from the first of them to the last; 0 leaves it to the count.
    pub secs: f64,
}

/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `on_delay` | 3, 0 | snapshots, s | 1 to 1,000,000 and 0 to 366 days |
/// | `off_delay` | 12, 0 | snapshots, s | 1 to 1,000,000 and 0 to 366 days |
/// | `auto_close_secs` | 604,800 (7 days) | s | above 0, or none: wait for a person |
/// | `longest_shelf_secs` | 2,592,000 (30 days) | s | above 0 |
/// | `remind_secs` | none | s | above 0, or none: say it once |
///
/// The defaults are our choice. Starting points in use for delays by quantity (from memory): flow and pressure
/// 15 s, level and temperature 60 s, on and off alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AlarmParams {
    /// Before a severity is raised.
    pub on_delay: Delay,
    /// Before a severity is cleared.
    pub off_delay: Delay,
    /// How long an unacknowledged alarm that has returned waits before it closes by itself.
    pub auto_close_secs: Option<f64>,
    /// The longest time a person may shelve for.
    pub longest_shelf_secs: f64,
    /// How long nobody acknowledges an active alarm before it is said again.
    pub remind_secs: Option<f64>,
}

impl Default for AlarmParams {
    fn default() -> Self {
        Self {
            on_delay: Delay { snapshots: 3, secs: 0.0 },
            off_delay: Delay { snapshots: 12, secs: 0.0 },
            auto_close_secs: Some(7.0 * 86_400.0),
            longest_shelf_secs: 30.0 * 86_400.0,
            remind_secs: None,
        }
    }
}

/// Only [`AlarmParams::check`] makes one; reading a stored one checks again.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "AlarmParams", into = "AlarmParams")]
pub struct CheckedAlarm(AlarmParams);

impl AlarmParams {
    /// All faults at once.
    pub fn check(self) -> Result<CheckedAlarm, Vec<ParamFault>> {
        const MAX_SNAPSHOTS: f64 = 1e6;
        const MAX_SECS: f64 = 366.0 * 86_400.0;
        let faults: Vec<_> = [
            within("on_delay.snapshots", f64::from(self.on_delay.snapshots), 1.0, MAX_SNAPSHOTS),
            within("on_delay.secs", self.on_delay.secs, 0.0, MAX_SECS),
            within("off_delay.snapshots", f64::from(self.off_delay.snapshots), 1.0, MAX_SNAPSHOTS),
            within("off_delay.secs", self.off_delay.secs, 0.0, MAX_SECS),
            self.auto_close_secs.and_then(|secs| positive("auto_close_secs", secs)),
            positive("longest_shelf_secs", self.longest_shelf_secs),
            self.remind_secs.and_then(|secs| positive("remind_secs", secs)),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(CheckedAlarm(self)) } else { Err(faults) }
    }
}

impl From<CheckedAlarm> for AlarmParams {
    fn from(checked: CheckedAlarm) -> Self {
        checked.0
    }
}

impl TryFrom<AlarmParams> for CheckedAlarm {
    type Error = String;

    fn try_from(params: AlarmParams) -> Result<Self, String> {
        params.check().map_err(|faults| faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    }
}

/// Where an episode is in its life, holds aside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Phase {
    /// Nothing open.
    Normal,
    /// Active, nobody has said they know.
    Unacknowledged,
    /// Active and known.
    Acknowledged,
    /// Gone before anybody said they know.
    ReturnedUnacknowledged,
}

/// What is shown: the strongest hold, else the phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum LifeState {
    /// Nothing open.
    Normal,
    /// Active, nobody has said they know.
    Unacknowledged,
    /// Active and known.
    Acknowledged,
    /// Gone before anybody said they know.
    ReturnedUnacknowledged,
    /// Held back by a person until a time.
    Shelved,
    /// Held back by logic.
    SuppressedByDesign,
    /// Held back by maintenance.
    OutOfService,
}

/// What happened to an episode.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(schemars::JsonSchema))]
#[serde(rename_all = "kebab-case")]
pub enum Change {
    /// The episode began.
    Raised,
    /// Severity went up.
    Escalated,
    /// Severity went down and the episode goes on.
    Eased,
    /// The condition has gone.
    Returned,
    /// The condition came back before anybody acknowledged: the same episode.
    Recurred,
    /// A person acknowledged.
    Acknowledged,
    /// A person shelved it.
    Shelved,
    /// Shelving ended.
    Unshelved,
    /// Taken out of service.
    TakenOutOfService,
    /// Back in service.
    ReturnedToService,
    /// Data stopped; the alarm stands as it was.
    Frozen,
    /// Data came back.
    Thawed,
    /// A closer look was taken and gave an answer; nothing else changed.
    Diagnosed,
    /// Other machines of its group departed at the same time and are told with it; nothing else changed.
    Joined,
    /// Nobody has acknowledged it for a time; nothing else changed.
    Reminded,
    /// The episode is over.
    Closed,
}

/// One thing worth telling about an episode.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Transition {
    /// What happened.
    pub change: Change,
    /// The episode's ordinal, from 1, never used twice by one [`AlarmLife`].
    pub episode: u64,
    /// Counts the transitions of the episode from 1.
    pub revision: u32,
    /// When.
    pub at: EventTime,
    /// State after it.
    pub state: LifeState,
    /// Severity after it; of a returned episode the last it had.
    pub severity: Severity,
    /// Highest severity of the episode so far.
    pub worst: Severity,
    /// When the episode was raised.
    pub raised_at: EventTime,
}

/// The transitions of one call, in order: none as a rule, never more than four.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Transitions([Option<Transition>; 4]);

impl Transitions {
    /// In order.
    pub fn iter(&self) -> impl Iterator<Item = &Transition> {
        self.0.iter().flatten()
    }

    /// `true` when nothing is worth telling.
    pub fn is_empty(&self) -> bool {
        self.0[0].is_none()
    }

    fn push(&mut self, transition: Transition) {
        // Four is the most a step can say: Unshelved, Thawed, Returned, Closed.
        let free = self.0.iter_mut().find(|slot| slot.is_none());
        debug_assert!(free.is_some(), "a call said more than four things");
        if let Some(slot) = free {
            *slot = Some(transition);
        }
    }
}

impl IntoIterator for Transitions {
    type Item = Transition;
    type IntoIter = std::iter::Flatten<std::array::IntoIter<Option<Transition>, 4>>;

    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter().flatten()
    }
}

/// Why a command was not carried out. Displays as a sentence for the person who gave it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Refused {
    /// Acknowledge: no episode is open.
    NothingOpen,
    /// Acknowledge: somebody did already.
    AlreadyAcknowledged,
    /// Shelve: the time is not a finite number of seconds above 0.
    NoShelfTime,
    /// Shelve: longer than the setting allows.
    TooLong {
        /// The setting.
        longest_secs: f64,
    },
    /// Unshelve: it is not shelved.
    NotShelved,
    /// Out of service: it is already.
    AlreadyOutOfService,
    /// Return to service: it is not out of service.
    NotOutOfService,
}

impl fmt::Display for Refused {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Refused::NothingOpen => f.write_str("nothing is open to acknowledge"),
            Refused::AlreadyAcknowledged => f.write_str("already acknowledged"),
            Refused::NoShelfTime => f.write_str("shelving needs a time above 0"),
            Refused::TooLong { longest_secs } => {
                write!(f, "shelving is limited to {} h", longest_secs / 3600.0)
            }
            Refused::NotShelved => f.write_str("not shelved"),
            Refused::AlreadyOutOfService => f.write_str("already out of service"),
            Refused::NotOutOfService => f.write_str("not out of service"),
        }
    }
}

impl std::error::Error for Refused {}

/// One severity's switch with its pending run.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
struct Switch {
    on: bool,
    /// Consecutive known snapshots that contradict `on`.
    run: u32,
    /// Known time from the first of them to the last.
    run_micros: i64,
}

impl Switch {
    fn follow(&mut self, wanted: bool, known_micros: i64, params: &AlarmParams) {
        if wanted == self.on {
            (self.run, self.run_micros) = (0, 0);
            return;
        }
        if self.run > 0 {
            self.run_micros = self.run_micros.saturating_add(known_micros);
        }
        self.run = self.run.saturating_add(1);
        let delay = if wanted { params.on_delay } else { params.off_delay };
        if self.run >= delay.snapshots && self.run_micros as f64 * 1e-6 >= delay.secs {
            *self = Self { on: wanted, run: 0, run_micros: 0 };
        }
    }
}

/// The life of one alarm. See the module page for the table it follows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlarmLife {
    params: CheckedAlarm,
    /// One per severity, in rising order.
    switches: [Switch; 3],
    /// Time of the last step when its condition was known.
    last_known: Option<EventTime>,
    phase: Phase,
    episode: u64,
    revision: u32,
    severity: Severity,
    worst: Severity,
    /// Highest severity somebody acknowledged in this episode.
    acknowledged: Option<Severity>,
    raised_at: EventTime,
    returned_at: EventTime,
    /// Latest transition.
    said_at: EventTime,
    frozen: bool,
    shelved_until: Option<EventTime>,
    suppressed: bool,
    out_of_service: bool,
}

impl AlarmLife {
    /// Normal, in service, no episode yet.
    pub fn new(params: CheckedAlarm) -> Self {
        Self {
            params,
            switches: [Switch::default(); 3],
            last_known: None,
            phase: Phase::Normal,
            episode: 0,
            revision: 0,
            severity: Severity::Advisory,
            worst: Severity::Advisory,
            acknowledged: None,
            raised_at: EventTime::default(),
            returned_at: EventTime::default(),
            said_at: EventTime::default(),
            frozen: false,
            shelved_until: None,
            suppressed: false,
            out_of_service: false,
        }
    }

    /// The parameters it goes on under.
    pub fn params(&self) -> CheckedAlarm {
        self.params
    }

    /// Goes on under other parameters; what has run up so far counts under them.
    pub fn set_params(&mut self, params: CheckedAlarm) {
        self.params = params;
    }

    /// Takes one snapshot's word, or a tick's [`Condition::Unknown`]. `suppressed`: logic holds the alarm back.
    pub fn step(&mut self, at: EventTime, condition: Condition, suppressed: bool) -> Transitions {
        let mut said = Transitions::default();
        self.suppressed = suppressed;
        if self.shelved_until.is_some_and(|until| at >= until) {
            self.shelved_until = None;
            self.say_if_open(&mut said, Change::Unshelved, at);
        }
        let seen = match condition {
            Condition::Present(severity) => Some(severity),
            Condition::Absent => None,
            Condition::Unknown => {
                self.last_known = None;
                return said;
            }
        };
        let known_micros = self.last_known.map_or(0, |before| at.0.saturating_sub(before.0).max(0));
        self.last_known = Some(at);
        for (switch, level) in self.switches.iter_mut().zip(Severity::ALL) {
            switch.follow(seen.is_some_and(|severity| severity >= level), known_micros, &self.params.0);
        }
        if self.frozen {
            self.frozen = false;
            self.say_if_open(&mut said, Change::Thawed, at);
        }
        if !self.is_held() {
            self.move_phase(at, &mut said);
            let waited = |secs: f64| at.secs_since(self.said_at) >= secs;
            if self.phase == Phase::Unacknowledged && said.is_empty() && self.params.0.remind_secs.is_some_and(waited) {
                self.say(&mut said, Change::Reminded, at);
            }
        }
        said
    }

    fn move_phase(&mut self, at: EventTime, said: &mut Transitions) {
        match (self.phase, self.active()) {
            (Phase::Normal, None) => {}
            (Phase::Normal, Some(severity)) => {
                self.episode += 1;
                self.revision = 0;
                (self.severity, self.worst) = (severity, severity);
                self.acknowledged = None;
                self.raised_at = at;
                self.phase = Phase::Unacknowledged;
                self.say(said, Change::Raised, at);
            }
            (Phase::Unacknowledged | Phase::Acknowledged, Some(severity)) => {
                if severity == self.severity {
                    return;
                }
                let change = if severity > self.severity { Change::Escalated } else { Change::Eased };
                self.severity = severity;
                self.worst = self.worst.max(severity);
                if self.acknowledged.is_none_or(|known| severity > known) {
                    self.phase = Phase::Unacknowledged;
                }
                self.say(said, change, at);
            }
            (Phase::Unacknowledged, None) => {
                self.phase = Phase::ReturnedUnacknowledged;
                self.returned_at = at;
                self.say(said, Change::Returned, at);
            }
            (Phase::Acknowledged, None) => {
                self.phase = Phase::Normal;
                self.say(said, Change::Returned, at);
                self.say(said, Change::Closed, at);
            }
            (Phase::ReturnedUnacknowledged, Some(severity)) => {
                self.phase = Phase::Unacknowledged;
                self.severity = severity;
                self.worst = self.worst.max(severity);
                self.say(said, Change::Recurred, at);
            }
            (Phase::ReturnedUnacknowledged, None) => {
                if self.params.0.auto_close_secs.is_some_and(|secs| at.secs_since(self.returned_at) >= secs) {
                    self.phase = Phase::Normal;
                    self.say(said, Change::Closed, at);
                }
            }
        }
    }

    /// Data have stopped for good enough a while to say so. Call it on every tick while they are away: it is
    /// said once, and only of an active episode nothing holds back.
    pub fn data_stopped(&mut self, at: EventTime) -> Transitions {
        let mut said = Transitions::default();
        let active = matches!(self.phase, Phase::Unacknowledged | Phase::Acknowledged);
        if active && !self.frozen && !self.is_held() {
            self.frozen = true;
            self.say(&mut said, Change::Frozen, at);
        }
        self.last_known = None;
        said
    }

    /// A closer look (a waveform) has an answer. Said of an active episode that nothing holds back; moves nothing.
    pub fn diagnosed(&mut self, at: EventTime) -> Transitions {
        let mut said = Transitions::default();
        let active = matches!(self.phase, Phase::Unacknowledged | Phase::Acknowledged);
        if active && !self.is_held() {
            self.say(&mut said, Change::Diagnosed, at);
        }
        said
    }

    /// Others departed at the same time and are told with it. Said of an active episode that nothing holds back.
    pub fn joined(&mut self, at: EventTime) -> Transitions {
        let mut said = Transitions::default();
        let active = matches!(self.phase, Phase::Unacknowledged | Phase::Acknowledged);
        if active && !self.is_held() {
            self.say(&mut said, Change::Joined, at);
        }
        said
    }

    /// A person knows. Allowed under a hold.
    pub fn acknowledge(&mut self, at: EventTime) -> Result<Transitions, Refused> {
        let mut said = Transitions::default();
        match self.phase {
            Phase::Normal => return Err(Refused::NothingOpen),
            Phase::Acknowledged => return Err(Refused::AlreadyAcknowledged),
            Phase::Unacknowledged => {
                self.phase = Phase::Acknowledged;
                self.acknowledged = self.acknowledged.max(Some(self.severity));
                self.say(&mut said, Change::Acknowledged, at);
            }
            Phase::ReturnedUnacknowledged => {
                self.phase = Phase::Normal;
                self.say(&mut said, Change::Acknowledged, at);
                self.say(&mut said, Change::Closed, at);
            }
        }
        Ok(said)
    }

    /// Holds back for `secs` from now; shelving again sets the time anew. Allowed with nothing open.
    pub fn shelve(&mut self, at: EventTime, secs: f64) -> Result<Transitions, Refused> {
        if !(secs.is_finite() && secs > 0.0) {
            return Err(Refused::NoShelfTime);
        }
        let longest_secs = self.params.0.longest_shelf_secs;
        if secs > longest_secs {
            return Err(Refused::TooLong { longest_secs });
        }
        self.shelved_until = Some(at.plus_secs(secs));
        Ok(self.said_if_open(Change::Shelved, at))
    }

    /// Ends shelving before its time.
    pub fn unshelve(&mut self, at: EventTime) -> Result<Transitions, Refused> {
        if self.shelved_until.take().is_none() {
            return Err(Refused::NotShelved);
        }
        Ok(self.said_if_open(Change::Unshelved, at))
    }

    /// Maintenance begins.
    pub fn take_out_of_service(&mut self, at: EventTime) -> Result<Transitions, Refused> {
        if self.out_of_service {
            return Err(Refused::AlreadyOutOfService);
        }
        self.out_of_service = true;
        Ok(self.said_if_open(Change::TakenOutOfService, at))
    }

    /// Maintenance is over.
    pub fn return_to_service(&mut self, at: EventTime) -> Result<Transitions, Refused> {
        if !self.out_of_service {
            return Err(Refused::NotOutOfService);
        }
        self.out_of_service = false;
        Ok(self.said_if_open(Change::ReturnedToService, at))
    }

    /// The ground for the finding is gone (its baseline was forgotten, its sensor removed): an open episode
    /// closes, pending delays start again, holds stay.
    pub fn reset(&mut self, at: EventTime) -> Transitions {
        let mut said = Transitions::default();
        self.switches = [Switch::default(); 3];
        self.last_known = None;
        self.frozen = false;
        if self.is_open() {
            self.phase = Phase::Normal;
            self.say(&mut said, Change::Closed, at);
        }
        said
    }

    /// Severity after the delays, whatever holds it back; `None` when the condition is off.
    pub fn active(&self) -> Option<Severity> {
        self.switches.iter().zip(Severity::ALL).rev().find(|(switch, _)| switch.on).map(|(_, severity)| severity)
    }

    /// Phase of the episode, holds aside.
    pub fn phase(&self) -> Phase {
        self.phase
    }

    /// What to show: the strongest hold, else the phase.
    pub fn state(&self) -> LifeState {
        if self.out_of_service {
            return LifeState::OutOfService;
        }
        if self.shelved_until.is_some() {
            return LifeState::Shelved;
        }
        if self.suppressed {
            return LifeState::SuppressedByDesign;
        }
        match self.phase {
            Phase::Normal => LifeState::Normal,
            Phase::Unacknowledged => LifeState::Unacknowledged,
            Phase::Acknowledged => LifeState::Acknowledged,
            Phase::ReturnedUnacknowledged => LifeState::ReturnedUnacknowledged,
        }
    }

    /// `true` from raised to closed.
    pub fn is_open(&self) -> bool {
        self.phase != Phase::Normal
    }

    /// `true` while anything holds it back.
    pub fn is_held(&self) -> bool {
        self.out_of_service || self.suppressed || self.shelved_until.is_some()
    }

    /// `true` after [`AlarmLife::data_stopped`] until a condition is known again.
    pub fn is_frozen(&self) -> bool {
        self.frozen
    }

    /// When shelving ends by itself.
    pub fn shelved_until(&self) -> Option<EventTime> {
        self.shelved_until
    }

    /// Ordinal of the open episode, or of the last one; 0 before the first.
    pub fn episode(&self) -> u64 {
        self.episode
    }

    /// When the open episode was raised; `None` when nothing is open.
    pub fn raised_at(&self) -> Option<EventTime> {
        self.is_open().then_some(self.raised_at)
    }

    /// Severity as last said of the open episode; `None` when nothing is open.
    pub fn severity(&self) -> Option<Severity> {
        self.is_open().then_some(self.severity)
    }

    fn said_if_open(&mut self, change: Change, at: EventTime) -> Transitions {
        let mut said = Transitions::default();
        self.say_if_open(&mut said, change, at);
        said
    }

    fn say_if_open(&mut self, said: &mut Transitions, change: Change, at: EventTime) {
        if self.is_open() {
            self.say(said, change, at);
        }
    }

    fn say(&mut self, said: &mut Transitions, change: Change, at: EventTime) {
        self.revision = self.revision.saturating_add(1);
        self.said_at = at;
        if self.phase == Phase::Normal {
            // Closed: whatever was frozen is over as well.
            self.frozen = false;
        }
        said.push(Transition {
            change,
            episode: self.episode,
            revision: self.revision,
            at,
            state: self.state(),
            severity: self.severity,
            worst: self.worst,
            raised_at: self.raised_at,
        });
    }
}
