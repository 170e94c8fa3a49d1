//! Planned work: spans of time in which an asset is evaluated as always and nothing is said of it.
//!
//! A pure function of the configuration and an event time, so a replay and a recovery see the same windows. Hours of the
//! week are of a time zone: "06:00" stays six in the morning when the clocks change.

use super::spec::AssetSpec;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan, Zoned};
use roundsman_models::EventTime;

/// Names every asset.
pub const EVERY: &str = "*";

/// One line of the maintenance calendar.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// Names of assets; [`EVERY`] for all.
    pub assets: Vec<String>,
    /// Names of areas.
    pub areas: Vec<String>,
    /// Names of classes.
    pub classes: Vec<String>,
    /// When.
    pub when: When,
    /// What is done there.
    pub reason: String,
    /// Who answers for it.
    pub by: String,
}

/// When a window is open.
#[derive(Debug, Clone, PartialEq)]
pub enum When {
    /// Once.
    Once {
        /// Begin.
        from: EventTime,
        /// End, not itself in it.
        to: EventTime,
    },
    /// On days of the week.
    Weekly {
        /// Which, Monday first.
        days: [bool; 7],
        /// Begin, by the zone's clocks.
        from: Time,
        /// End; not after the begin: on the next day.
        to: Time,
        /// The zone.
        zone: TimeZone,
    },
}

impl Window {
    /// Whether it is about this asset.
    pub fn covers(&self, spec: &AssetSpec) -> bool {
        let named = |names: &[String], name: Option<&str>| name.is_some_and(|name| names.iter().any(|n| n == name));
        self.assets.iter().any(|name| name == EVERY || *name == spec.name)
            || named(&self.areas, spec.area.as_deref())
            || named(&self.classes, spec.class.as_deref())
    }

    /// Begin and end of the window that `at` lies in.
    pub fn span(&self, at: EventTime) -> Option<(EventTime, EventTime)> {
        match &self.when {
            When::Once { from, to } => (*from <= at && at < *to).then_some((*from, *to)),
            When::Weekly { days, from, to, zone } => {
                let local = Timestamp::from_microsecond(at.0).ok()?.to_zoned(zone.clone());
                // One that began yesterday may still be open.
                [0, 1].into_iter().find_map(|ago| occurrence(&local, ago, days, *from, *to, zone, at))
            }
        }
    }
}

/// The window that begins so many days before the day of `local`, when `at` lies in it.
fn occurrence(
    local: &Zoned,
    days_ago: i64,
    days: &[bool; 7],
    from: Time,
    to: Time,
    zone: &TimeZone,
    at: EventTime,
) -> Option<(EventTime, EventTime)> {
    let begins = local.date().checked_sub(days_ago.days()).ok()?;
    let day = usize::try_from(begins.weekday().to_monday_zero_offset()).ok()?;
    if !days.get(day).copied().unwrap_or(false) {
        return None;
    }
    let ends = if to > from { begins } else { begins.tomorrow().ok()? };
    // A time that the clocks skip is the one as long after the jump; of one that comes twice it is the first.
    let instant = |day: jiff::civil::Date, time: Time| {
        let zoned = day.to_datetime(time).to_zoned(zone.clone()).ok()?;
        Some(EventTime(zoned.timestamp().as_microsecond()))
    };
    let (from, to) = (instant(begins, from)?, instant(ends, to)?);
    (from <= at && at < to).then_some((from, to))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::forms::parse_rfc3339;

    fn at(text: &str) -> EventTime {
        parse_rfc3339(text).expect("a time")
    }

    fn weekly(day: usize, from: &str, to: &str) -> Window {
        let mut days = [false; 7];
        days[day] = true;
        let time = |text: &str| text.parse().expect("a time of day");
        let zone = TimeZone::get("Europe/Berlin").expect("the zone is known; on Debian it is in the package tzdata");
        let when = When::Weekly { days, from: time(from), to: time(to), zone };
        Window { assets: vec![EVERY.into()], areas: vec![], classes: vec![], when, reason: "r".into(), by: "b".into() }
    }

    /// Source: EU directive 2000/84/EC: summer time begins on the last Sunday of March, in 2031 on the 30th.
    #[test]
    fn hours_of_the_week_follow_the_clocks_of_the_zone() {
        // Mondays; 2031-03-24 is one, before the change, 2031-03-31 after it.
        let window = weekly(0, "06:00", "10:00");
        for (inside, moment) in [
            (false, "2031-03-24T04:59:59Z"),
            (true, "2031-03-24T05:00:00Z"),
            (true, "2031-03-24T08:59:59Z"),
            (false, "2031-03-24T09:00:00Z"),
            (true, "2031-03-31T04:00:00Z"),
            (false, "2031-03-31T08:00:00Z"),
            (false, "2031-04-01T05:00:00Z"),
        ] {
            assert_eq!(window.span(at(moment)).is_some(), inside, "{moment}");
        }
    }

    #[test]
    fn a_night_belongs_to_the_day_it_begins_on() {
        // Fridays from ten in the evening; 2031-05-02 is one.
        let window = weekly(4, "22:00", "06:00");
        let night = (at("2031-05-02T20:00:00Z"), at("2031-05-03T04:00:00Z"));
        assert_eq!(window.span(at("2031-05-02T21:00:00Z")), Some(night));
        assert_eq!(window.span(at("2031-05-03T03:00:00Z")), Some(night));
        assert_eq!(window.span(at("2031-05-02T03:00:00Z")), None);
        assert_eq!(window.span(EventTime(i64::MAX)), None, "a time beyond all calendars is in none");
    }
}
