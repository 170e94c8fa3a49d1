//! `[[maintenance]]`: spans of time in which nothing is said of some assets, once or every week.

use super::check::read_zone;
use super::checked::Site;
use super::table::{Spot, Table};
use crate::acquire::registry::is_point_name;
use crate::asset::calendar::{When, Window};
use crate::asset::groups::Groups;
use jiff::Timestamp;
use jiff::civil::{DateTime, Time};
use jiff::tz::TimeZone;
use roundsman_models::EventTime;
use std::sync::Arc;

const DAYS: [(&str, usize); 7] = [("mon", 0), ("tue", 1), ("wed", 2), ("thu", 3), ("fri", 4), ("sat", 5), ("sun", 6)];

pub(super) fn read_maintenance(spot: Option<Spot<'_>>, site: &Site, groups: &Groups) -> Vec<Arc<Window>> {
    let items = spot.and_then(|spot| spot.items()).unwrap_or_default();
    items.iter().filter_map(|item| read_window(item.table()?, site, groups)).map(Arc::new).collect()
}

fn read_window(table: Table<'_>, site: &Site, groups: &Groups) -> Option<Window> {
    let mut assets = names(&table, "assets");
    let (areas, classes) = (names(&table, "areas"), names(&table, "classes"));
    if let Some(spot) = table.get("groups") {
        for name in words(&spot) {
            match groups.iter().find(|group| group.name == name) {
                Some(group) => assets.extend(group.all().cloned()),
                None => spot.fault(format!("must name [[groups]] of this file; {name:?} is none")),
            }
        }
    }
    if assets.is_empty() && areas.is_empty() && classes.is_empty() && table.get("groups").is_none() {
        table.fault("assets", "is needed, or areas, classes or groups; assets = [\"*\"] is the whole site");
    }
    let reason = said(&table, "reason", "what is done there");
    let by = said(&table, "by", "who answers for it");
    let zone = table.get("zone").map_or_else(|| site.zone.clone(), |spot| read_zone(&spot));
    let (from, to) = (needed(&table, "from"), needed(&table, "to"));
    let when = match table.get("days") {
        Some(days) => weekly(&table, &days, from, to, zone),
        None => once(from, to, zone.as_ref()),
    };
    table.done();
    Some(Window { assets, areas, classes, when: when?, reason: reason?, by: by? })
}

fn needed<'v>(table: &Table<'v>, key: &str) -> Option<Spot<'v>> {
    let spot = table.get(key);
    if spot.is_none() {
        table.fault(
            key,
            "is needed: a time such as \"2031-04-02 08:00\", or with `days` an hour of the day such as \"06:00\"",
        );
    }
    spot
}

fn once(from: Option<Spot<'_>>, to: Option<Spot<'_>>, zone: Option<&TimeZone>) -> Option<When> {
    let (from_spot, to_spot) = (from?, to?);
    let (from, to) = (moment(&from_spot, zone), moment(&to_spot, zone));
    let (from, to) = (from?, to?);
    if to <= from {
        to_spot.fault("must be after `from`");
        return None;
    }
    Some(When::Once { from, to })
}

/// A time with its offset, or one by the clocks of the zone.
fn moment(spot: &Spot<'_>, zone: Option<&TimeZone>) -> Option<EventTime> {
    let text = spot.text()?;
    if let Ok(stamp) = text.parse::<Timestamp>() {
        return Some(EventTime(stamp.as_microsecond()));
    }
    let Ok(local) = text.parse::<DateTime>() else {
        spot.fault("must be a time such as \"2031-04-02 08:00\" or \"2031-04-02T08:00:00+02:00\"");
        return None;
    };
    let Some(zone) = zone else {
        spot.fault(
            "must have an offset, or the table a `zone`, or the site: otherwise nobody knows whose eight o'clock it is",
        );
        return None;
    };
    match local.to_zoned(zone.clone()) {
        Ok(zoned) => Some(EventTime(zoned.timestamp().as_microsecond())),
        Err(error) => {
            spot.fault(format!("must be a time of that zone: {error}"));
            None
        }
    }
}

fn weekly(
    table: &Table<'_>,
    days: &Spot<'_>,
    from: Option<Spot<'_>>,
    to: Option<Spot<'_>>,
    zone: Option<TimeZone>,
) -> Option<When> {
    let mut on = [false; 7];
    for item in days.items()? {
        if let Some(day) = item.one_of(&DAYS)
            && let Some(slot) = on.get_mut(day)
        {
            *slot = true;
        }
    }
    if on == [false; 7] {
        days.fault("must name at least one day");
    }
    if zone.is_none() && table.get("zone").is_none() {
        table.fault("zone", "is needed here or in [site], for example \"Europe/Berlin\": hours are by its clocks");
    }
    let (from, to) = (hour(&from?), hour(&to?));
    Some(When::Weekly { days: on, from: from?, to: to?, zone: zone? })
}

fn hour(spot: &Spot<'_>) -> Option<Time> {
    let found = spot.text()?.parse::<Time>().ok();
    if found.is_none() {
        spot.fault("must be an hour of the day such as \"06:00\", since `days` is set");
    }
    found
}

fn said(table: &Table<'_>, key: &str, what: &str) -> Option<String> {
    let Some(spot) = table.get(key) else {
        table.fault(key, format!("is needed: {what}"));
        return None;
    };
    let text = spot.text()?;
    if is_point_name(text) {
        return Some(text.to_owned());
    }
    spot.fault("must be 1 to 128 bytes without control characters and spaces at its ends");
    None
}

fn names(table: &Table<'_>, key: &str) -> Vec<String> {
    table.get(key).map(|spot| words(&spot)).unwrap_or_default()
}

/// A list of names.
pub(super) fn words(spot: &Spot<'_>) -> Vec<String> {
    let mut names: Vec<String> = Vec::new();
    for item in spot.items().unwrap_or_default() {
        match item.text() {
            Some(name) if !is_point_name(name) => item.fault("must be a name of 1 to 128 bytes"),
            Some(name) if names.iter().any(|known| known == name) => item.fault("is named twice"),
            Some(name) => names.push(name.to_owned()),
            None => {}
        }
    }
    names
}
