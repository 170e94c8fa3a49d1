//! Who may command what: by topic, since a topic is what the broker's access rules can hold somebody to.
//!
//! MQTT does not tell a subscriber who published, and the name in a command is what its sender wrote. So rights hang
//! on topics: `…/{asset}/command`, or one level more, `…/{asset}/command/engineer`, which we call a channel. The
//! broker lets an account publish on a channel or not; the configuration says what may be done there.

use super::command::ActionName;
use super::topics::{CommandTopic, Topics, topic_safe};

/// What may be done on one topic filter.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Permission {
    /// One asset, as its level of the topic; all when absent.
    pub asset: Option<String>,
    /// The level after `command`.
    pub channel: Option<String>,
    /// What may be asked for there.
    pub actions: Vec<ActionName>,
}

impl Permission {
    /// Reads a topic filter: `…/+/command`, `…/pump-7/command`, and the same with one further level.
    ///
    /// # Errors
    /// The rule it breaks.
    pub fn new(filter: &str, topics: &Topics, actions: Vec<ActionName>) -> Result<Self, String> {
        let rule = || {
            format!(
                "must be {all}, or with the name of one asset instead of +, and may have one further level that names a \
                 channel ({all}/engineer)",
                all = topics.command_filter(None, None)
            )
        };
        let CommandTopic { asset, channel } = topics.command_topic(filter).ok_or_else(rule)?;
        let wild = |level: &str| level.contains(['+', '#']);
        if channel.is_some_and(wild) || (asset != "+" && (wild(asset) || topic_safe(asset) != asset)) {
            return Err(rule());
        }
        let asset = (asset != "+").then(|| asset.to_owned());
        Ok(Self { asset, channel: channel.map(str::to_owned), actions })
    }

    /// What to subscribe to.
    pub fn filter(&self, topics: &Topics) -> String {
        topics.command_filter(self.asset.as_deref(), self.channel.as_deref())
    }

    /// Whether some topic falls under both: then nobody could say which of them holds.
    pub fn overlaps(&self, other: &Self) -> bool {
        self.channel == other.channel && (self.asset.is_none() || other.asset.is_none() || self.asset == other.asset)
    }
}

/// Whether `action` may be asked for on this topic.
///
/// # Errors
/// Why not, as the answer to whoever asked.
pub fn permitted(permissions: &[Permission], topic: CommandTopic<'_>, action: ActionName) -> Result<(), String> {
    let covers = |permission: &&Permission| {
        permission.channel.as_deref() == topic.channel
            && permission.asset.as_deref().is_none_or(|asset| asset == topic.asset)
    };
    let Some(permission) = permissions.iter().find(covers) else {
        return Err("no commands are taken on this topic: [[commands]] in the configuration allows them".into());
    };
    if permission.actions.contains(&action) {
        return Ok(());
    }
    let allowed: Vec<&str> = permission.actions.iter().map(|action| action.name()).collect();
    Err(format!("`{}` is not allowed on this topic, only {}", action.name(), allowed.join(", ")))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::topics::DEFAULT_TEMPLATE;

    fn topics() -> Topics {
        Topics::new(DEFAULT_TEMPLATE, "north").expect("our own default")
    }

    fn rule(filter: &str, actions: &[ActionName]) -> Permission {
        Permission::new(filter, &topics(), actions.to_vec()).expect(filter)
    }

    fn asked(rules: &[Permission], topic: &str, action: ActionName) -> Result<(), String> {
        let topics = topics();
        permitted(rules, topics.command_topic(topic).expect("a command topic"), action)
    }

    #[test]
    fn filters_go_to_and_fro_and_others_are_refused() {
        for filter in [
            "roundsman/north/+/command",
            "roundsman/north/pump-7/command",
            "roundsman/north/+/command/engineer",
            "roundsman/north/pump-7/command/engineer",
        ] {
            assert_eq!(rule(filter, &[]).filter(&topics()), filter);
        }
        for bad in [
            "",
            "#",
            "roundsman/#",
            "roundsman/south/+/command",
            "roundsman/north/command",
            "roundsman/north/#/command",
            "roundsman/north/pump+/command",
            "roundsman/north/+/command/+",
            "roundsman/north/+/command/#",
            "roundsman/north/+/command/",
            "roundsman/north/+/command/a/b",
            "roundsman/north/+/commands",
            "plant/+/+/command",
        ] {
            let fault = Permission::new(bad, &topics(), Vec::new()).expect_err(bad);
            assert!(fault.contains("roundsman/north/+/command"), "{fault}");
        }
    }

    #[test]
    fn nothing_is_permitted_until_something_is() {
        let refused = asked(&[], "roundsman/north/p/command", ActionName::Acknowledge).expect_err("off by default");
        assert!(refused.contains("[[commands]]"), "{refused}");
    }

    #[test]
    fn a_channel_has_its_own_actions_and_an_asset_its_own_rule() {
        use ActionName::{Acknowledge, Relearn, SetLimit};
        let rules = [
            rule("roundsman/north/+/command", &[Acknowledge]),
            rule("roundsman/north/+/command/engineer", &[Relearn, SetLimit]),
            rule("roundsman/north/mill/command/owner", &[Relearn]),
        ];
        assert_eq!(asked(&rules, "roundsman/north/p/command", Acknowledge), Ok(()));
        assert_eq!(asked(&rules, "roundsman/north/p/command/engineer", SetLimit), Ok(()));
        assert_eq!(asked(&rules, "roundsman/north/mill/command/owner", Relearn), Ok(()));
        let refused = asked(&rules, "roundsman/north/p/command", Relearn).expect_err("not there");
        assert_eq!(refused, "`relearn` is not allowed on this topic, only acknowledge");
        assert!(asked(&rules, "roundsman/north/p/command/owner", Relearn).is_err(), "another asset");
        assert!(asked(&rules, "roundsman/north/p/command/other", Acknowledge).is_err(), "no such channel");
        assert!(asked(&rules, "roundsman/north/p/command/engineer", Acknowledge).is_err());
    }

    #[test]
    fn rules_that_could_both_hold_are_seen() {
        let all = rule("roundsman/north/+/command", &[]);
        let one = rule("roundsman/north/pump-7/command", &[]);
        let other = rule("roundsman/north/fan-2/command", &[]);
        let channel = rule("roundsman/north/+/command/engineer", &[]);
        assert!(all.overlaps(&one) && one.overlaps(&all) && all.overlaps(&all));
        assert!(!one.overlaps(&other) && !all.overlaps(&channel));
    }
}
