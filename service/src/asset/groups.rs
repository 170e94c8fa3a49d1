//! Machines that belong together: on one line, header, shaft or drive.
//!
//! The engine of an asset must have all machines of its groups, so machines that are tied together by groups, over however
//! many, have one home.

use std::collections::BTreeMap;
use std::sync::Arc;

/// One group as configured.
#[derive(Debug, Clone, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// What ties them together, in the plant's words: line, header, drive train ...
    pub kind: String,
    /// The machine that drives or feeds the others.
    pub parent: Option<String>,
    /// The machines, the parent not among them.
    pub members: Vec<String>,
    /// Findings no further apart than this are of the same time, seconds.
    pub within_secs: f64,
    /// Whether findings of the same time are told by one alert.
    pub one_alert: bool,
}

/// All groups of the site.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Groups {
    list: Vec<Arc<Group>>,
    /// By machine, the first by name of all that are tied to it.
    homes: BTreeMap<String, String>,
}

impl Group {
    /// Parent and members.
    pub fn all(&self) -> impl Iterator<Item = &String> {
        self.parent.iter().chain(&self.members)
    }
}

impl Groups {
    /// In the order of the file.
    pub fn new(list: Vec<Group>) -> Self {
        let mut homes: BTreeMap<String, String> = BTreeMap::new();
        for group in &list {
            let tied = |homes: &BTreeMap<String, String>, name: &String| homes.get(name).unwrap_or(name).clone();
            let Some(first) = group.all().map(|name| tied(&homes, name)).min() else { continue };
            let before: Vec<String> = group.all().map(|name| tied(&homes, name)).collect();
            for home in homes.values_mut().filter(|home| before.contains(home)) {
                home.clone_from(&first);
            }
            for name in group.all() {
                homes.insert(name.clone(), first.clone());
            }
        }
        Self { list: list.into_iter().map(Arc::new).collect(), homes }
    }

    /// The groups an asset is in.
    pub fn of<'a>(&'a self, asset: &'a str) -> impl Iterator<Item = &'a Arc<Group>> {
        // Most assets are in none.
        let grouped = self.homes.contains_key(asset);
        self.list.iter().filter(move |group| grouped && group.all().any(|name| name == asset))
    }

    /// In the order of the file.
    pub fn iter(&self) -> impl Iterator<Item = &Arc<Group>> {
        self.list.iter()
    }

    /// What to spread assets over engines by: the same for all that are tied together.
    pub fn home<'a>(&'a self, asset: &'a str) -> &'a str {
        self.homes.get(asset).map_or(asset, String::as_str)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn group(parent: Option<&str>, members: &[&str]) -> Group {
        Group {
            name: "g".into(),
            kind: "line".into(),
            parent: parent.map(str::to_owned),
            members: members.iter().map(|&name| name.to_owned()).collect(),
            within_secs: 3600.0,
            one_alert: true,
        }
    }

    #[test]
    fn what_is_tied_together_over_several_groups_has_one_home() {
        let groups = Groups::new(vec![
            group(None, &["d", "e"]),
            group(Some("z"), &["y"]),
            group(None, &["f", "g"]),
            group(None, &["e", "y"]),
        ]);
        for name in ["d", "e", "y", "z"] {
            assert_eq!(groups.home(name), "d", "{name}");
        }
        for name in ["f", "g"] {
            assert_eq!(groups.home(name), "f", "{name}");
        }
        assert_eq!(groups.home("alone"), "alone");
        assert_eq!(groups.of("y").count(), 2);
        assert_eq!(groups.of("alone").count(), 0);
    }
}
