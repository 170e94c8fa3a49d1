//! Topics we publish to and take commands from.
//!
//! A template names the folder of an asset; the default is `roundsman/{site}/{asset}`:
//!
//! | topic | what | retained |
//! |---|---|---|
//! | `…/{asset}/condition` | state of the asset | yes |
//! | `…/{asset}/alert` | every transition of an alert | no |
//! | `…/{asset}/remaining-life` | forecasts, or why there are none | yes |
//! | `…/{asset}/diagnosis` | what waveforms say | yes |
//! | `…/{asset}/capture-request` | waveforms are wanted, to whoever takes them | no |
//! | `…/{asset}/command`, `…/{asset}/command/{channel}` | commands, to us | never: a retained command would be given again at every start |
//! | `roundsman/{site}/service` | ourselves; the last will goes here | yes |
//!
//! The service topic is what stands before `{asset}`, and `service`. Names of sites and assets come from outside, so
//! what may not stand in a topic level (`+`, `#`, `/`, control characters, a leading `$`) becomes `_`, and so does an
//! empty name. Two names that differ in nothing else share a topic: the documents tell them apart.

use std::fmt::Write;

/// Default of the setting.
pub const DEFAULT_TEMPLATE: &str = "roundsman/{site}/{asset}";

/// A template or topic that cannot be used, with the rule it breaks.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{topic:?}: {rule}")]
pub struct TopicFault {
    /// What came.
    pub topic: String,
    /// Readable after the topic.
    pub rule: &'static str,
}

/// The parts of a topic that commands come on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct CommandTopic<'t> {
    /// The asset's level, the topic-safe form of its name: compare it with [`topic_safe`] of the assets you know.
    pub asset: &'t str,
    /// The level after `command`, when there is one.
    pub channel: Option<&'t str>,
}

/// Where everything goes. Only [`Topics::new`] makes one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Topics {
    /// Up to the asset's level, with its `/`.
    before: String,
    /// After the asset's level, with its `/`; empty as a rule.
    after: String,
    service: String,
    /// Where requests for waveforms go instead, with `{asset}` in it.
    capture: Option<String>,
}

impl Topics {
    /// Puts the site's name into the template and checks the rest of it.
    pub fn new(template: &str, site: &str) -> Result<Topics, TopicFault> {
        let fault = |rule| TopicFault { topic: template.to_owned(), rule };
        let levels: Vec<&str> = template.split('/').collect();
        if levels.contains(&"") {
            return Err(fault("no level may be empty, nor may a / stand at the beginning or end"));
        }
        let place =
            levels.iter().position(|level| *level == "{asset}").ok_or_else(|| fault("needs a level {asset}"))?;
        if place == 0 {
            return Err(fault("needs a level before {asset}"));
        }
        if template.starts_with('$') {
            return Err(fault("topics that begin with $ belong to the broker"));
        }
        if template.contains(|c: char| matches!(c, '+' | '#') || c.is_control()) {
            return Err(fault("wildcards and control characters may not stand in a topic to publish to"));
        }
        let rest = template.replacen("{asset}", "", 1).replace("{site}", "");
        if rest.contains(['{', '}']) {
            return Err(fault("knows {site} and one {asset} only"));
        }
        let folder = |levels: &[&str]| levels.join("/").replace("{site}", &topic_safe(site));
        let before = format!("{}/", folder(&levels[..place]));
        let after = match &levels[place + 1..] {
            [] => String::new(),
            levels => format!("/{}", folder(levels)),
        };
        let service = format!("{before}service");
        Ok(Topics { before, after, service, capture: None })
    }

    /// The folder of all assets, without a `/` at its end.
    pub fn folder(&self) -> &str {
        self.before.trim_end_matches('/')
    }

    /// State of an asset.
    pub fn condition(&self, asset: &str) -> String {
        self.of(asset, "condition")
    }

    /// Transitions of an asset's alerts.
    pub fn alert(&self, asset: &str) -> String {
        self.of(asset, "alert")
    }

    /// Forecasts of an asset.
    pub fn remaining_life(&self, asset: &str) -> String {
        self.of(asset, "remaining-life")
    }

    /// Diagnosis of an asset.
    pub fn diagnosis(&self, asset: &str) -> String {
        self.of(asset, "diagnosis")
    }

    /// Sends requests for waveforms elsewhere: a template with a level or a part `{asset}`, and `{site}` where it is wanted.
    pub fn with_captures_to(mut self, template: &str, site: &str) -> Result<Topics, TopicFault> {
        let fault = |rule| TopicFault { topic: template.to_owned(), rule };
        if !template.contains("{asset}") {
            return Err(fault("needs {asset}"));
        }
        let template = template.replace("{site}", &topic_safe(site));
        let example = template.replace("{asset}", "a");
        if example.contains(['{', '}']) {
            return Err(fault("knows {site} and {asset} only"));
        }
        publishable(&example).map_err(|f| fault(f.rule))?;
        self.capture = Some(template);
        Ok(self)
    }

    /// Requests for waveforms of an asset.
    pub fn capture_request(&self, asset: &str) -> String {
        match &self.capture {
            Some(template) => template.replace("{asset}", &topic_safe(asset)),
            None => self.of(asset, "capture-request"),
        }
    }

    /// Commands for an asset.
    pub fn command(&self, asset: &str) -> String {
        self.of(asset, "command")
    }

    /// Ourselves.
    pub fn service(&self) -> &str {
        &self.service
    }

    /// The filter that takes in commands: of one asset (its level) or all, on one channel or the one without a name.
    pub fn command_filter(&self, asset: Option<&str>, channel: Option<&str>) -> String {
        let channel = channel.map(|channel| format!("/{channel}")).unwrap_or_default();
        format!("{}{}{}/command{channel}", self.before, asset.unwrap_or("+"), self.after)
    }

    /// The parts of a command topic, `None` when it is none of ours.
    pub fn command_topic<'t>(&self, topic: &'t str) -> Option<CommandTopic<'t>> {
        let (asset, rest) = topic.strip_prefix(&self.before)?.split_once('/')?;
        let rest = match self.after.strip_prefix('/') {
            Some(after) => rest.strip_prefix(after)?.strip_prefix('/')?,
            None => rest,
        };
        let channel = match rest.strip_prefix("command")? {
            "" => None,
            channel => Some(channel.strip_prefix('/').filter(|level| !level.is_empty() && !level.contains('/'))?),
        };
        (!asset.is_empty()).then_some(CommandTopic { asset, channel })
    }

    /// Whether a topic is one of those we publish on or take commands on.
    pub fn is_ours(&self, topic: &str) -> bool {
        topic.starts_with(&self.before)
    }

    fn of(&self, asset: &str, what: &str) -> String {
        let mut topic = String::with_capacity(self.before.len() + asset.len() + self.after.len() + what.len() + 1);
        // Writing to a String cannot fail.
        let _ = write!(topic, "{}{}{}/{what}", self.before, topic_safe(asset), self.after);
        topic
    }
}

/// A name as one level of a topic.
pub fn topic_safe(name: &str) -> String {
    if name.is_empty() {
        return "_".to_owned();
    }
    let safe = |(place, c): (usize, char)| match c {
        '+' | '#' | '/' => '_',
        '$' if place == 0 => '_',
        c if c.is_control() => '_',
        c => c,
    };
    name.chars().enumerate().map(safe).collect()
}

/// Whether somebody else's topic, a reply topic, can be published to.
pub fn publishable(topic: &str) -> Result<(), TopicFault> {
    let fault = |rule| Err(TopicFault { topic: topic.chars().take(100).collect(), rule });
    match topic {
        "" => fault("must not be empty"),
        t if t.len() > usize::from(u16::MAX) => fault("must not be longer than 65535 bytes"),
        t if t.starts_with('$') => fault("topics that begin with $ belong to the broker"),
        t if t.contains(|c: char| matches!(c, '+' | '#') || c.is_control()) => {
            fault("wildcards and control characters may not stand in a topic to publish to")
        }
        _ => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parts<'t>(topics: &Topics, topic: &'t str) -> Option<(&'t str, Option<&'t str>)> {
        topics.command_topic(topic).map(|topic| (topic.asset, topic.channel))
    }

    #[test]
    fn the_default_template_gives_the_documented_topics() {
        let topics = Topics::new(DEFAULT_TEMPLATE, "north").expect("our own default");
        assert_eq!(topics.condition("pump-7"), "roundsman/north/pump-7/condition");
        assert_eq!(topics.alert("pump-7"), "roundsman/north/pump-7/alert");
        assert_eq!(topics.remaining_life("pump-7"), "roundsman/north/pump-7/remaining-life");
        assert_eq!(topics.command("pump-7"), "roundsman/north/pump-7/command");
        assert_eq!(topics.service(), "roundsman/north/service");
        assert_eq!(topics.command_filter(None, None), "roundsman/north/+/command");
    }

    #[test]
    fn levels_after_the_asset_and_the_site_inside_a_level_work() {
        let topics = Topics::new("plant/s-{site}/{asset}/advice", "a/b").expect("allowed");
        assert_eq!(topics.alert("x"), "plant/s-a_b/x/advice/alert");
        assert_eq!(topics.command_filter(None, Some("c")), "plant/s-a_b/+/advice/command/c");
        assert_eq!(parts(&topics, "plant/s-a_b/x/advice/command"), Some(("x", None)));
        assert_eq!(parts(&topics, "plant/s-a_b/x/advice/command/c"), Some(("x", Some("c"))));
        assert_eq!(parts(&topics, "plant/s-a_b/x/advices/command"), None);
        assert_eq!(topics.service(), "plant/s-a_b/service");
    }

    #[test]
    fn a_command_topic_leads_back_to_its_asset_and_others_to_none() {
        let topics = Topics::new(DEFAULT_TEMPLATE, "north").expect("our own default");
        for name in ["pump-7", "pump 7", "mill #2/a", "$x", ""] {
            let topic = topics.command(name);
            assert_eq!(parts(&topics, &topic), Some((topic_safe(name).as_str(), None)), "{name:?}");
            assert!(topics.is_ours(&topic));
        }
        for other in [
            "roundsman/north/command",
            "roundsman/north//command",
            "roundsman/north/a/b/command",
            "roundsman/north/a/commands",
            "roundsman/south/a/command",
            "roundsman/north/a/command/",
            "roundsman/north/a/command/b/c",
        ] {
            assert_eq!(parts(&topics, other), None, "{other}");
        }
        assert_eq!(parts(&topics, "roundsman/north/a/command/b"), Some(("a", Some("b"))));
        assert!(!topics.is_ours("roundsman/south/a/command"));
    }

    #[test]
    fn requests_for_waveforms_may_go_elsewhere() {
        let topics = Topics::new(DEFAULT_TEMPLATE, "north").expect("our own default");
        assert_eq!(topics.capture_request("p"), "roundsman/north/p/capture-request");
        let elsewhere = topics.clone().with_captures_to("plant/{site}/cmd/{asset}", "north").expect("allowed");
        assert_eq!(elsewhere.capture_request("a/b"), "plant/north/cmd/a_b");
        for (template, word) in [("plant/x", "{asset}"), ("p/{asset}/{x}", "knows"), ("p/+/{asset}", "wildcards")] {
            let fault = topics.clone().with_captures_to(template, "north").expect_err(template).to_string();
            assert!(fault.contains(word), "{fault}");
        }
    }

    #[test]
    fn names_are_made_safe_for_one_level() {
        for (name, safe) in [("a+b#c/d", "a_b_c_d"), ("x\0y\n", "x_y_"), ("$SYS", "_SYS"), ("a$", "a$"), ("", "_")] {
            assert_eq!(topic_safe(name), safe);
        }
    }

    #[test]
    fn bad_templates_are_refused_with_the_rule() {
        for (template, word) in [
            ("", "empty"),
            ("/a/{asset}", "beginning"),
            ("a/{asset}/", "end"),
            ("a//{asset}", "empty"),
            ("roundsman/{site}", "needs a level {asset}"),
            ("roundsman/x-{asset}", "needs a level {asset}"),
            ("{asset}", "before"),
            ("$a/{asset}", "broker"),
            ("a/+/{asset}", "wildcards"),
            ("a/{area}/{asset}", "knows"),
            ("a/{asset}/{asset}", "knows"),
        ] {
            let fault = Topics::new(template, "s").expect_err(template).to_string();
            assert!(fault.contains(word), "{fault}");
        }
    }

    #[test]
    fn reply_topics_are_checked() {
        assert!(publishable("site/panel-3/answers").is_ok());
        for bad in ["", "$SYS/x", "a/+/b", "a/#", "a\0b", &"x".repeat(65_536)] {
            assert!(publishable(bad).is_err());
        }
    }
}
