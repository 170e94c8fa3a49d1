//! The health of one sensor, apart from the machine's: stuck, out of range, silent. Status words of NAMUR NE 107.

use super::settings::Screen;
use super::spec::{PointSpec, Quantity, Role};
use roundsman_models::EventTime;
use serde::{Deserialize, Serialize};

use crate::acquire::Rejection;
use crate::advise::document::Evidence;

/// What is wrong with a sensor, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Fault {
    /// Configured and never seen.
    NeverSeen,
    /// Was seen and stopped.
    Silent,
    /// Outside its physical range.
    OutOfRange,
    /// Bit-identical too long.
    Stuck,
}

impl Fault {
    /// Status word of NAMUR NE 107.
    pub fn status(self) -> &'static str {
        match self {
            Fault::NeverSeen | Fault::Silent | Fault::Stuck => "failure",
            Fault::OutOfRange => "out of specification",
        }
    }

    /// The evidence named in an alert.
    pub fn evidence(self) -> Evidence {
        match self {
            Fault::NeverSeen => Evidence::NeverSeen,
            Fault::Silent => Evidence::Silent,
            Fault::OutOfRange => Evidence::OutOfRange,
            Fault::Stuck => Evidence::Stuck,
        }
    }
}

/// Readings out of range in a row before the sensor, rather than a reading, is at fault.
const OUT_IN_A_ROW: u16 = 3;
/// A sensor is stuck only when it stands this many times longer than it ever did while its baseline was learned.
const STUCK_OVER_LEARNED: f64 = 4.0;

/// Watches one sensor. About 56 bytes.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    last: Option<(EventTime, u64)>,
    same_since: Option<EventTime>,
    longest_same_secs: f64,
    out_in_a_row: u16,
    stuck: bool,
}

impl Sensor {
    #[expect(clippy::too_many_arguments, reason = "a reading, its point and what is known of the machine now")]
    /// Judges a reading before anything else sees it. `running`: only a running machine's vibration must move.
    pub fn screen(
        &mut self,
        at: EventTime,
        value: f64,
        spec: &PointSpec,
        rule: &Screen,
        cadence_secs: Option<f64>,
        running: bool,
        learning: bool,
    ) -> Result<(), Rejection> {
        if !value.is_finite() {
            return Err(Rejection::NotFinite);
        }
        if value < spec.range.0 || value > spec.range.1 {
            self.out_in_a_row = self.out_in_a_row.saturating_add(1);
            self.seen(at, value);
            return Err(Rejection::OutOfRange);
        }
        self.out_in_a_row = 0;
        let same = self.last.is_some_and(|(_, bits)| bits == value.to_bits());
        self.seen(at, value);
        if !same {
            self.same_since = Some(at);
            self.stuck = false;
            return Ok(());
        }
        // Set values may stand for ever; a stopped machine's readings rest.
        if !can_stick(spec) {
            self.same_since = Some(at);
            return Ok(());
        }
        if !running {
            // A stop does not free a sensor that was stuck before it.
            if self.stuck {
                return Err(Rejection::Stuck);
            }
            self.same_since = Some(at);
            return Ok(());
        }
        let stood = self.same_since.map_or(0.0, |since| at.secs_since(since));
        let limit = spec.stuck_after_secs.or_else(|| {
            cadence_secs.map(|c| {
                (rule.stuck_cadences * c).max(rule.stuck_secs).max(STUCK_OVER_LEARNED * self.longest_same_secs)
            })
        });
        self.stuck = limit.is_some_and(|l| stood > l);
        if self.stuck {
            return Err(Rejection::Stuck);
        }
        if learning {
            self.longest_same_secs = self.longest_same_secs.max(stood);
        }
        Ok(())
    }

    fn seen(&mut self, at: EventTime, value: f64) {
        if self.last.is_none_or(|(before, _)| before <= at) {
            self.last = Some((at, value.to_bits()));
        }
    }

    /// When it last said anything.
    pub fn last_at(&self) -> Option<EventTime> {
        self.last.map(|(at, _)| at)
    }

    /// What it said last.
    pub fn last_value(&self) -> Option<f64> {
        self.last.map(|(_, bits)| f64::from_bits(bits))
    }

    /// Since when it has said the same.
    pub fn same_since(&self) -> Option<EventTime> {
        self.same_since
    }

    /// What is wrong with it at `now`, given when it is to be called silent. `was_silent`: last reading of the whole asset
    /// before it fell silent, and first after. A point that spoke until then is missed from the asset's return on: a
    /// gateway that comes back need not bring all points with its first message.
    pub fn fault(
        &self,
        now: EventTime,
        silent_after_secs: f64,
        watched_since: EventTime,
        was_silent: Option<(EventTime, EventTime)>,
        configured: bool,
    ) -> Option<Fault> {
        let missed_since = |last: EventTime| match was_silent {
            Some((before, back)) if before.secs_since(last) <= silent_after_secs && last < back => back,
            _ => last,
        };
        match self.last {
            None => (configured && now.secs_since(watched_since) > silent_after_secs).then_some(Fault::NeverSeen),
            Some((at, _)) if now.secs_since(missed_since(at)) > silent_after_secs => Some(Fault::Silent),
            Some(_) if self.out_in_a_row >= OUT_IN_A_ROW => Some(Fault::OutOfRange),
            Some(_) => self.stuck.then_some(Fault::Stuck),
        }
    }
}

/// Set-points, switches and counters stand still by nature; a controlled speed may too.
fn can_stick(spec: &PointSpec) -> bool {
    spec.role == Role::Condition
        && !matches!(spec.quantity, Quantity::State | Quantity::Speed | Quantity::Load | Quantity::Other)
}
