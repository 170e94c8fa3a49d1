//! `[sparkplug]`: listening as a host application, and `[sparkplug.publish]`: speaking as an edge node.

use super::table::{Spot, Table};
use crate::acquire::registry::is_asset_name;
use crate::acquire::sparkplug::{NAMESPACE, NodeKey};

/// `[sparkplug]`
#[derive(Debug, Clone, PartialEq)]
pub struct Sparkplug {
    /// Groups that are listened to; `+` is any. None: nothing is listened to.
    pub groups: Vec<String>,
    /// Our name as a host application. Without one we only read and say nothing of ourselves.
    pub host_id: Option<String>,
    /// Whether a node may be asked to say again what it has: needs the right to publish its NCMD.
    pub rebirth: bool,
    /// How long a message ahead of its turn waits for those before it, seconds.
    pub reorder_secs: f64,
    /// Asset's name, with `{group}`, `{node}` and `{device}`.
    pub asset: String,
    /// Whether a node's own metrics make an asset too.
    pub node_metrics: bool,
    /// Most nodes.
    pub max_nodes: usize,
    /// Most devices and metrics of all nodes together.
    pub max_metrics: usize,
    /// The edge node we are, when alerts and condition are published so.
    pub publish: Option<NodeKey>,
}

impl Default for Sparkplug {
    fn default() -> Self {
        Self {
            groups: Vec::new(),
            host_id: None,
            rebirth: false,
            reorder_secs: 2.0,
            asset: "{group}-{node}-{device}".into(),
            node_metrics: true,
            max_nodes: 1000,
            max_metrics: 50_000,
            publish: None,
        }
    }
}

impl Sparkplug {
    /// Whether anything is listened to.
    pub fn listens(&self) -> bool {
        !self.groups.is_empty()
    }

    /// Topic filters of the groups.
    pub fn filters(&self) -> Vec<String> {
        self.groups.iter().map(|group| format!("{NAMESPACE}/{group}/#")).collect()
    }

    /// An asset's name. `device` is empty for the node itself, whose name is what stands before `{device}`.
    pub fn asset_name(&self, key: &NodeKey, device: &str) -> String {
        let template = match (device, self.asset.split_once("{device}")) {
            ("", Some((before, _))) => before.trim_end_matches(['-', '_', '.', ' ']),
            _ => self.asset.as_str(),
        };
        let template = if template.is_empty() { "{node}" } else { template };
        template.replace("{group}", &key.group).replace("{node}", &key.node).replace("{device}", device)
    }
}

/// Reads and checks the table.
pub(super) fn read_sparkplug(table: Table<'_>) -> Sparkplug {
    let mut sparkplug = Sparkplug::default();
    if let Some(spot) = table.get("groups") {
        for group in spot.items().unwrap_or_default() {
            match group.text() {
                Some("+") => sparkplug.groups = vec!["+".into()],
                Some(name) if is_asset_name(name) => {
                    // Any of them takes in each of them, and a message must not come twice.
                    let known = sparkplug.groups.iter().any(|known| known == name || known == "+");
                    sparkplug.groups.extend((!known).then(|| name.to_owned()));
                }
                Some(_) => group.fault("must be a Sparkplug group: one level of a topic, or \"+\" for all"),
                None => {}
            }
        }
    }
    if let Some(spot) = table.get("host_id") {
        sparkplug.host_id = name(&spot);
        if !sparkplug.listens() {
            table.fault("groups", "is needed where there is a host_id: [\"+\"] listens to all groups");
        }
    }
    sparkplug.rebirth = table.get("rebirth").and_then(|spot| spot.truth()).unwrap_or(false);
    if let Some(spot) = table.get("reorder_timeout")
        && let Some(secs) = spot.secs()
    {
        if (0.1..=600.0).contains(&secs) {
            sparkplug.reorder_secs = secs;
        } else {
            spot.fault("must be at least 100 ms and at most 10 min");
        }
    }
    if let Some(spot) = table.get("asset")
        && let Some(template) = spot.text()
    {
        let rest = template.replace("{group}", "g").replace("{node}", "n").replace("{device}", "d");
        if !template.contains("{device}") {
            spot.fault("must have {device} in it: otherwise all devices of a node would be one machine");
        } else if !is_asset_name(&rest) || rest.contains(['{', '}']) {
            spot.fault("must be one level of a topic with {device}, and {node} and {group} where they are wanted");
        } else {
            sparkplug.asset = template.to_owned();
        }
    }
    sparkplug.node_metrics = table.get("node_metrics").and_then(|spot| spot.truth()).unwrap_or(true);
    if let Some(n) = table.get("max_nodes").and_then(|spot| spot.whole(1, 100_000)) {
        sparkplug.max_nodes = n as usize;
    }
    if let Some(n) = table.get("max_metrics").and_then(|spot| spot.whole(1, 10_000_000)) {
        sparkplug.max_metrics = n as usize;
    }
    let publish = table.table("publish");
    if publish.is_there() {
        let part = |key: &str, example: &str| match publish.get(key) {
            Some(spot) => name(&spot),
            None => {
                publish.fault(key, format!("is needed, for example {example:?}"));
                None
            }
        };
        if let (Some(group), Some(node)) = (part("group", "condition"), part("node", "roundsman")) {
            sparkplug.publish = Some(NodeKey { group, node });
        }
    }
    publish.done();
    table.done();
    sparkplug
}

fn name(spot: &Spot<'_>) -> Option<String> {
    let name = spot.text()?;
    if is_asset_name(name) {
        return Some(name.to_owned());
    }
    spot.fault(super::check::NAME_RULE);
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_of_assets() {
        let key = NodeKey { group: "north".into(), node: "gw-1".into() };
        let named = |asset: &str, device: &str| {
            Sparkplug { asset: asset.into(), ..Sparkplug::default() }.asset_name(&key, device)
        };
        assert_eq!(named("{group}-{node}-{device}", "pump-7"), "north-gw-1-pump-7");
        assert_eq!(named("{group}-{node}-{device}", ""), "north-gw-1");
        assert_eq!(named("{device}", "pump-7"), "pump-7");
        assert_eq!(named("{device}", ""), "gw-1");
    }
}
