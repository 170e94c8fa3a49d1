//! What a document says, said again to the people of a site: in their units and by their clock.
//!
//! A published sentence is the same everywhere: metric, times in UTC. Where people read it (page, charts, report, mail) it is
//! composed once more from the document's values, so that it says the same as the numbers and times beside it. Text is never
//! searched for numbers: what a document does not carry as a value stays as it was published.

use super::document::{Alert, Condition};
use super::wording::{Kind, condition_for, message_for, number, only_in_one_state};
use crate::asset::spec::AssetSpec;
use crate::config::people::Units;
use crate::engine::Action;
use crate::keep::plate::Plate;
use crate::keep::read::AuditRow;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use roundsman_models::EventTime;

/// Who reads.
#[derive(Debug, Clone, Copy)]
pub struct Audience<'a> {
    /// Units of the values.
    pub units: Units,
    /// Zone of the times.
    pub zone: &'a TimeZone,
}

/// A `TimeZone` has work to do when it goes, so it cannot be borrowed in place.
static UTC: TimeZone = TimeZone::UTC;

impl Audience<'static> {
    /// Whoever reads a document as it is published.
    pub const fn of_documents() -> Self {
        Self { units: Units::Metric, zone: &UTC }
    }
}

impl Audience<'_> {
    fn is_of_documents(self) -> bool {
        self.units == Units::Metric && *self.zone == UTC
    }

    /// A time to the minute, with its zone: `2031-03-04 06:15Z`, `2031-03-04 07:15+01:00`.
    pub fn minute(self, at: EventTime) -> String {
        let nearest = if at.0 < 0 { Timestamp::MIN } else { Timestamp::MAX };
        let stamp = Timestamp::from_microsecond(at.0).unwrap_or(nearest);
        if *self.zone == UTC {
            return stamp.strftime("%Y-%m-%d %H:%MZ").to_string();
        }
        stamp.to_zoned(self.zone.clone()).strftime("%Y-%m-%d %H:%M%:z").to_string()
    }

    /// The sentence of an alert. `points`: where the kinds of its points are known from; without one it stays as published.
    pub fn alert(self, alert: &Alert, points: Option<&dyn Points>) -> String {
        let Some(points) = points.filter(|_| !self.is_of_documents()) else { return alert.message.clone() };
        message_for(alert, &|name| points.kind(name), only_in_one_state(alert), self)
    }

    /// The sentence of a condition.
    pub fn condition(self, condition: &Condition) -> String {
        if self.is_of_documents() { condition.message.clone() } else { condition_for(condition, self) }
    }

    /// What became of a command, what held before it and what holds since. A limit's values are told in the units of the site.
    pub fn deed(self, row: &AuditRow) -> (String, Option<String>, Option<String>) {
        let said = || (row.answer.clone(), row.old.clone(), row.new.clone());
        if self.units == Units::Metric || !row.accepted {
            return said();
        }
        let Ok(Action::SetLimit { point, .. }) = serde_json::from_str::<Action>(&row.action) else { return said() };
        let (Some(old), Some(new)) = (&row.old, &row.new) else { return said() };
        let (Some(old), Some(new)) = (self.kept(old), self.kept(new)) else { return said() };
        (format!("{point}: limit changed from {old} to {new}"), Some(old), Some(new))
    }

    /// A value as the audit keeps it: `none`, or a number, a space and a UCUM code.
    fn kept(self, text: &str) -> Option<String> {
        if text == "none" {
            return Some(text.to_owned());
        }
        let (value, code) = text.split_once(' ')?;
        let unit = self.units.shown(code);
        Some(format!("{} {}", number(unit.value(value.parse().ok()?)), unit.sign).trim_end().to_owned())
    }
}

/// Where it is known what an asset's points measure.
pub trait Points {
    /// Of a point by its name.
    fn kind(&self, name: &str) -> Option<Kind>;
}

impl Points for AssetSpec {
    fn kind(&self, name: &str) -> Option<Kind> {
        self.points.iter().find(|point| point.name == name).map(|point| (point.quantity, point.detection))
    }
}

impl Points for Plate {
    fn kind(&self, name: &str) -> Option<Kind> {
        self.points.iter().find(|point| point.name == name).map(|point| (point.quantity, point.detection))
    }
}

/// A plate as far as it was filled in: one of before knows nothing of its points.
pub fn of_plate(plate: &Plate) -> Option<&dyn Points> {
    (!plate.points.is_empty()).then_some(plate)
}

/// A specification where there is one.
pub fn of_spec(spec: Option<&AssetSpec>) -> Option<&dyn Points> {
    spec.map(|spec| spec as &dyn Points)
}

#[cfg(test)]
#[path = "audience_tests.rs"]
mod tests;
