//! `[[commands]]`: on which topics commands are taken, and which.

use super::table::Spot;
use crate::advise::command::ActionName;
use crate::advise::permission::Permission;
use crate::advise::topics::Topics;
use config::ValueKind;

/// Reads the array; nothing is permitted without it.
pub(super) fn read_commands(found: Option<Spot<'_>>, topics: Option<&Topics>) -> Vec<Permission> {
    let mut permissions: Vec<Permission> = Vec::new();
    for spot in found.and_then(|spot| spot.items()).unwrap_or_default() {
        let Some(table) = spot.table() else { continue };
        let actions = match table.get("actions") {
            Some(spot) => read_actions(&spot),
            None => {
                table.fault("actions", format!("is needed: \"all\", or a list of {}", names()));
                Vec::new()
            }
        };
        match table.get("topic") {
            None => table.fault("topic", "is needed, for example \"roundsman/SITE/+/command\""),
            Some(spot) => {
                // Without prefix and site, which are faults already, no topic can be judged.
                if let (Some(filter), Some(topics)) = (spot.text(), topics) {
                    match Permission::new(filter, topics, actions) {
                        Err(rule) => spot.fault(rule),
                        Ok(new) => match permissions.iter().position(|earlier| earlier.overlaps(&new)) {
                            Some(earlier) => spot.fault(format!(
                                "must not take in topics that commands[{}].topic takes in too: nobody could say which of \
                                 the two holds",
                                earlier + 1
                            )),
                            None => permissions.push(new),
                        },
                    }
                }
            }
        }
        table.done();
    }
    permissions
}

fn names() -> String {
    ActionName::ALL.map(|action| format!("\"{}\"", action.name())).join(", ")
}

fn read_actions(spot: &Spot<'_>) -> Vec<ActionName> {
    if matches!(&spot.value.kind, ValueKind::String(text) if text == "all") {
        return ActionName::ALL.to_vec();
    }
    if !matches!(spot.value.kind, ValueKind::Array(_)) {
        spot.fault(format!("must be \"all\", or a list of {}", names()));
        return Vec::new();
    }
    let choices = ActionName::ALL.map(|action| (action.name(), action));
    let actions: Vec<ActionName> =
        spot.items().unwrap_or_default().iter().filter_map(|item| item.one_of(&choices)).collect();
    if actions.is_empty() && matches!(&spot.value.kind, ValueKind::Array(items) if items.is_empty()) {
        spot.fault("must name an action; leave the whole [[commands]] table out to allow none");
    }
    actions
}
