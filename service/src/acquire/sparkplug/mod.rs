//! Sparkplug B 3.0 (ISO/IEC 20237), the side of a host application: births say what there is, data say what it reads.
//!
//! [`payload`] is the wire form, [`nodes`] what is known of every edge node and the pure step from one message to values,
//! [`host`] the connection. Nodes belong to the edge of the stream ([`crate::acquire::plant`]) and are saved with it, so a
//! recovery and a replay read every alias as it was read live. What is said to the nodes (the wish for a rebirth, the
//! host's own state) is an effect of the live daemon and never made again.
//!
//! Source: Sparkplug specification 3.0.0, chapters 4 to 6 (topics, payloads, operational behaviour).

pub mod host;
mod metric;
pub mod nodes;
pub mod payload;
#[cfg(test)]
mod tests;

pub use metric::datatype;

use crate::acquire::registry::MAX_NAME_BYTES;
use serde::{Deserialize, Serialize};

/// First level of every topic.
pub const NAMESPACE: &str = "spBv1.0";

/// An edge node: its group and its own name.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct NodeKey {
    /// Group.
    pub group: String,
    /// Node.
    pub node: String,
}

impl std::fmt::Display for NodeKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}/{}", self.group, self.node)
    }
}

/// Kinds of message that concern a host.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Kind {
    /// NBIRTH, DBIRTH.
    Birth,
    /// NDATA, DDATA.
    Data,
    /// NDEATH, DDEATH.
    Death,
    /// NCMD, DCMD: from a host to a node, not to us.
    Command,
}

/// A topic taken apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Address<'t> {
    /// Group.
    pub group: &'t str,
    /// Kind.
    pub kind: Kind,
    /// Node.
    pub node: &'t str,
    /// Device; `None` for the node itself.
    pub device: Option<&'t str>,
}

/// Whether a topic is one of Sparkplug's at all.
pub fn is_sparkplug(topic: &str) -> bool {
    topic.strip_prefix(NAMESPACE).is_some_and(|rest| rest.starts_with('/'))
}

/// Takes a topic apart. `Ok(None)`: the state of a host.
///
/// # Errors
/// No topic of the standard.
pub fn address(topic: &str) -> Result<Option<Address<'_>>, String> {
    let wrong = || "no topic of Sparkplug B: spBv1.0/GROUP/TYPE/NODE or spBv1.0/GROUP/TYPE/NODE/DEVICE".to_owned();
    let levels: Vec<&str> = topic.splitn(6, '/').collect();
    let (group, kind, node, device) = match levels.as_slice() {
        [NAMESPACE, "STATE", _] => return Ok(None),
        [NAMESPACE, group, kind, node] => (*group, *kind, *node, None),
        [NAMESPACE, group, kind, node, device] => (*group, *kind, *node, Some(*device)),
        _ => return Err(wrong()),
    };
    let kind = match (kind, device) {
        ("NBIRTH", None) | ("DBIRTH", Some(_)) => Kind::Birth,
        ("NDATA", None) | ("DDATA", Some(_)) => Kind::Data,
        ("NDEATH", None) | ("DDEATH", Some(_)) => Kind::Death,
        ("NCMD", None) | ("DCMD", Some(_)) => Kind::Command,
        _ => return Err(wrong()),
    };
    let names = [Some(group), Some(node), device];
    if names.into_iter().flatten().any(|name| name.is_empty() || name.len() > MAX_NAME_BYTES) {
        return Err(format!("a name in the topic is empty or longer than {MAX_NAME_BYTES} bytes"));
    }
    Ok(Some(Address { group, kind, node, device }))
}
