//! `[[groups]]`: machines on one line, header, shaft or drive.

use super::maintenance::words;
use super::table::{Spot, Table};
use crate::acquire::registry::{is_asset_name, is_point_name};
use crate::asset::groups::{Group, Groups};

/// Findings this far apart are of the same time, when not set: a few snapshots at the usual five minutes, since machines of
/// one cause are not found by the same snapshot. Ours.
const WITHIN_SECS: f64 = 3600.0;

pub(super) fn read_groups(spot: Option<Spot<'_>>) -> Groups {
    let mut list: Vec<Group> = Vec::new();
    for item in spot.and_then(|spot| spot.items()).unwrap_or_default() {
        let Some(table) = item.table() else { continue };
        if let Some(group) = read_group(table, &list) {
            list.push(group);
        }
    }
    Groups::new(list)
}

fn read_group(table: Table<'_>, before: &[Group]) -> Option<Group> {
    let word = |key: &str| {
        let spot = table.get(key)?;
        let text = spot.text()?;
        if is_point_name(text) {
            return Some(text.to_owned());
        }
        spot.fault("must be a word of 1 to 128 bytes without control characters");
        None
    };
    let name = word("name");
    match (&name, table.get("name")) {
        (Some(name), Some(spot)) if before.iter().any(|group| group.name == *name) => {
            spot.fault("must be another name: a group above has it");
        }
        (_, None) => table.fault("name", "is needed"),
        _ => {}
    }
    let kind = word("kind").unwrap_or_else(|| "group".into());
    let parent = word("parent");
    if let (Some(name), Some(spot)) = (&parent, table.get("parent"))
        && !is_asset_name(name)
    {
        spot.fault(super::check::NAME_RULE);
    }
    let members = match table.get("members") {
        Some(spot) => {
            let members = words(&spot);
            if let Some(bad) = members.iter().find(|name| !is_asset_name(name)) {
                spot.fault(format!("must be names of assets; {bad:?} cannot be one"));
            }
            if parent.as_ref().is_some_and(|parent| members.contains(parent)) {
                spot.fault("must not name the parent, which is in the group by itself");
            }
            if members.len() + usize::from(parent.is_some()) < 2 {
                spot.fault("must be two machines or more, or one with a `parent`");
            }
            members
        }
        None => {
            table.fault("members", "is needed: names of assets");
            Vec::new()
        }
    };
    let within_secs = match table.get("within").and_then(|spot| Some((spot.secs()?, spot))) {
        Some((secs, _)) if secs > 0.0 && secs <= 7.0 * 86_400.0 => secs,
        Some((_, spot)) => {
            spot.fault("must be above 0 s and at most 7 d");
            WITHIN_SECS
        }
        None => WITHIN_SECS,
    };
    let one_alert = table.get("one_alert").and_then(|spot| spot.truth()).unwrap_or(parent.is_some());
    table.done();
    Some(Group { name: name?, kind, parent, members, within_secs, one_alert })
}
