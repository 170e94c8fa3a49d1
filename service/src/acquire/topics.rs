//! Topics ↔ names: patterns with named levels.
//!
//! | in a pattern | fits | filter |
//! |---|---|---|
//! | `plant` | exactly that level | `plant` |
//! | `{area}` | one level, and names it | `+` |
//! | `{}` | one level, unnamed | `+` |
//! | `{rest...}` or `{...}` at the end | all further levels, at least one | `#` |
//!
//! The names `area`, `asset` and `point` are taken as they are, unless a template composes them from other levels:
//! `asset = "{line}-{unit}"`. Matching allocates nothing; only a composed name does.

use super::payload::Codec;
use std::borrow::Cow;

/// Most levels a pattern may have.
pub const MAX_LEVELS: usize = 24;

/// A topic pattern.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern {
    text: String,
    levels: Vec<Level>,
    names: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Level {
    Literal(String),
    /// Index into `names`.
    Named(usize),
    Any,
    /// Everything that is left; named or not.
    Rest(Option<usize>),
}

/// The levels a topic had under the names of a pattern.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Names<'t> {
    values: [&'t str; MAX_LEVELS],
}

impl Pattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// What is wrong, readable after the setting's path.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut pattern = Self { text: text.to_owned(), levels: Vec::new(), names: Vec::new() };
        if text.is_empty() {
            return Err("must not be empty".into());
        }
        let parts: Vec<&str> = text.split('/').collect();
        if parts.len() > MAX_LEVELS {
            return Err(format!("must have at most {MAX_LEVELS} levels"));
        }
        for (i, part) in parts.iter().enumerate() {
            let level = pattern.level(part)?;
            if matches!(level, Level::Rest(_)) && i + 1 != parts.len() {
                return Err(format!("`{part}` takes all further levels, so it must be the last"));
            }
            pattern.levels.push(level);
        }
        if matches!(pattern.levels.first(), Some(Level::Any | Level::Named(_) | Level::Rest(_))) && parts.len() == 1 {
            return Err("must begin with a level that is fixed or have more than one: it would read all topics".into());
        }
        Ok(pattern)
    }

    fn level(&mut self, part: &str) -> Result<Level, String> {
        let whole = part.strip_prefix('{').and_then(|p| p.strip_suffix('}')).filter(|p| !p.contains(['{', '}']));
        let Some(inner) = whole else {
            if part.contains(['+', '#']) {
                return Err(format!("`{part}`: write {{}} for one level and {{...}} for all further ones"));
            }
            if part.contains(['{', '}']) {
                return Err(format!(
                    "`{part}`: a name in braces must be a whole level; compose names with a template, \
                     asset = \"{{line}}-{{unit}}\""
                ));
            }
            return Ok(Level::Literal(part.to_owned()));
        };
        let (name, rest) = match inner.strip_suffix("...") {
            Some(name) => (name, true),
            None => (inner, false),
        };
        if name.is_empty() {
            return Ok(if rest { Level::Rest(None) } else { Level::Any });
        }
        if !name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') {
            return Err(format!("`{part}`: a level's name must be of letters, digits and _"));
        }
        if self.names.iter().any(|n| n == name) {
            return Err(format!("`{part}` must be there only once"));
        }
        self.names.push(name.to_owned());
        let slot = self.names.len() - 1;
        Ok(if rest { Level::Rest(Some(slot)) } else { Level::Named(slot) })
    }

    /// The pattern as written.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// The names of its levels.
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// The MQTT filter to subscribe to.
    pub fn filter(&self) -> String {
        let levels: Vec<&str> = self
            .levels
            .iter()
            .map(|level| match level {
                Level::Literal(text) => text.as_str(),
                Level::Named(_) | Level::Any => "+",
                Level::Rest(_) => "#",
            })
            .collect();
        levels.join("/")
    }

    /// The levels of a topic under their names; `None` when it does not fit.
    pub fn matches<'t>(&self, topic: &'t str) -> Option<Names<'t>> {
        let mut names = Names { values: [""; MAX_LEVELS] };
        let mut left = Some(topic);
        for level in &self.levels {
            let text = left?;
            if let Level::Rest(slot) = level {
                // `#` also fits its parent level; a topic that ends there has no name to give, so here it does not.
                if let Some(slot) = *slot {
                    *names.values.get_mut(slot)? = text;
                }
                return (!text.is_empty()).then_some(names);
            }
            let (part, after) = match text.split_once('/') {
                Some((part, after)) => (part, Some(after)),
                None => (text, None),
            };
            match level {
                Level::Literal(wanted) if wanted != part => return None,
                Level::Named(_) if part.is_empty() => return None,
                Level::Named(slot) => *names.values.get_mut(*slot)? = part,
                _ => {}
            }
            left = after;
        }
        left.is_none().then_some(names)
    }
}

/// A name composed from the levels of a topic: `{line}-{unit}`, `{asset}`, or a fixed word.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Template {
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
enum Piece {
    Text(String),
    Slot(usize),
}

impl Template {
    /// Reads a template over the names of a pattern.
    ///
    /// # Errors
    /// What is wrong, readable after the setting's path.
    pub fn parse(text: &str, pattern: &Pattern) -> Result<Self, String> {
        if text.trim().is_empty() {
            return Err("must not be empty".into());
        }
        let mut pieces = Vec::new();
        let mut left = text;
        while let Some(open) = left.find('{') {
            let (before, from) = left.split_at(open);
            let close = from.find('}').ok_or_else(|| "a { must be closed".to_owned())?;
            let (name, after) = (from.get(1..close).unwrap_or(""), from.get(close + 1..).unwrap_or(""));
            let slot = pattern.names.iter().position(|n| n == name).ok_or_else(|| {
                format!("`{{{name}}}` must be a level of the pattern, which has {}", list(&pattern.names))
            })?;
            if !before.is_empty() {
                pieces.push(Piece::Text(before.to_owned()));
            }
            pieces.push(Piece::Slot(slot));
            left = after;
        }
        if left.contains('}') {
            return Err("a } must have its {".into());
        }
        if !left.is_empty() {
            pieces.push(Piece::Text(left.to_owned()));
        }
        Ok(Self { pieces })
    }

    /// Whether any fixed part of it has one of these characters.
    pub fn text_contains(&self, any: &[char]) -> bool {
        self.pieces.iter().any(|p| matches!(p, Piece::Text(text) if text.contains(any)))
    }

    /// The name for one topic.
    pub fn name<'a>(&'a self, names: &Names<'a>) -> Cow<'a, str> {
        let piece = |piece: &'a Piece| match piece {
            Piece::Text(text) => text.as_str(),
            Piece::Slot(slot) => names.values.get(*slot).copied().unwrap_or(""),
        };
        match self.pieces.as_slice() {
            [one] => Cow::Borrowed(piece(one)),
            many => Cow::Owned(many.iter().map(piece).collect()),
        }
    }
}

fn list(names: &[String]) -> String {
    if names.is_empty() {
        return "none with a name".into();
    }
    names.iter().map(|n| format!("{{{n}}}")).collect::<Vec<_>>().join(", ")
}

/// One `[[topics]]` pattern with what its names and its payload mean.
#[derive(Debug, Clone)]
pub struct Mapping {
    /// The pattern.
    pub pattern: Pattern,
    /// The area, when the topic or the file says.
    pub area: Option<Template>,
    /// The asset; `None` when the payload says.
    pub asset: Option<Template>,
    /// The point; `None` when the payload says.
    pub point: Option<Template>,
    /// How payloads are read.
    pub codec: Codec,
}

/// What a topic says of the values under it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TopicNames<'a> {
    /// Area.
    pub area: Option<Cow<'a, str>>,
    /// Asset.
    pub asset: Option<Cow<'a, str>>,
    /// Point.
    pub point: Option<Cow<'a, str>>,
}

impl Mapping {
    /// The names a topic gives; `None` when it does not fit the pattern.
    pub fn names<'a>(&'a self, topic: &'a str) -> Option<TopicNames<'a>> {
        let names = self.pattern.matches(topic)?;
        let name = |template: &'a Option<Template>| template.as_ref().map(|t| t.name(&names));
        Some(TopicNames { area: name(&self.area), asset: name(&self.asset), point: name(&self.point) })
    }
}

/// The first mapping a topic fits, with the names it gives.
pub fn find<'a>(mappings: &'a [Mapping], topic: &'a str) -> Option<(&'a Mapping, TopicNames<'a>)> {
    mappings.iter().find_map(|mapping| Some((mapping, mapping.names(topic)?)))
}

/// The filters to subscribe to, each once, in the order of the patterns.
pub fn filters(mappings: &[Mapping]) -> Vec<String> {
    let mut filters: Vec<String> = Vec::new();
    for filter in mappings.iter().map(|mapping| mapping.pattern.filter()) {
        if !filters.contains(&filter) {
            filters.push(filter);
        }
    }
    filters
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(pattern: &str, topic: &str) -> Option<Vec<(String, String)>> {
        let pattern = Pattern::parse(pattern).unwrap();
        let found = pattern.matches(topic)?;
        Some(pattern.names.iter().cloned().zip(found.values.iter().map(|v| (*v).to_owned())).collect())
    }

    fn pairs(pairs: &[(&str, &str)]) -> Option<Vec<(String, String)>> {
        Some(pairs.iter().map(|(a, b)| ((*a).to_owned(), (*b).to_owned())).collect())
    }

    #[test]
    fn named_levels_are_found_and_filtered() {
        let pattern = "plant/{area}/{asset}/{point}";
        assert_eq!(Pattern::parse(pattern).unwrap().filter(), "plant/+/+/+");
        assert_eq!(
            names(pattern, "plant/north/pump-7/vib_de"),
            pairs(&[("area", "north"), ("asset", "pump-7"), ("point", "vib_de")])
        );
        for other in
            ["plant/north/pump-7", "plant/north/pump-7/vib/de", "Plant/north/pump-7/vib", "plant/north//vib", ""]
        {
            assert_eq!(names(pattern, other), None, "{other}");
        }
    }

    #[test]
    fn anonymous_and_remaining_levels() {
        assert_eq!(Pattern::parse("a/{}/{rest...}").unwrap().filter(), "a/+/#");
        assert_eq!(names("a/{}/{asset}/{...}", "a/x/pump/b/c"), pairs(&[("asset", "pump")]));
        assert_eq!(names("a/{asset}/{point...}", "a/p/b/c"), pairs(&[("asset", "p"), ("point", "b/c")]));
        assert_eq!(names("a/{asset}/{...}", "a/p"), None);
        // A leading slash makes an empty first level, as MQTT has it.
        assert_eq!(names("/a/{asset}", "/a/p"), pairs(&[("asset", "p")]));
    }

    #[test]
    fn bad_patterns_say_what_is_wrong() {
        for (pattern, part) in [
            ("", "empty"),
            ("plant/+/x", "{}"),
            ("plant/#", "{...}"),
            ("plant/{a}-{b}", "whole level"),
            ("plant/{a}/{a}", "only once"),
            ("plant/{...}/x", "last"),
            ("plant/{a b}", "letters"),
            ("{...}", "all topics"),
        ] {
            let fault = Pattern::parse(pattern).unwrap_err();
            assert!(fault.contains(part), "{pattern}: {fault}");
        }
    }

    #[test]
    fn templates_compose_names() {
        let pattern = Pattern::parse("p/{line}/{unit}/{point}").unwrap();
        let names = pattern.matches("p/L1/fan/vib").unwrap();
        let name = |text: &str| Template::parse(text, &pattern).map(|t| t.name(&names).into_owned());
        assert_eq!(name("{line}-{unit}").as_deref(), Ok("L1-fan"));
        assert_eq!(name("fixed").as_deref(), Ok("fixed"));
        assert_eq!(name("{point}").as_deref(), Ok("vib"));
        for bad in ["{pump}", "{line", "line}", ""] {
            assert!(name(bad).is_err(), "{bad}");
        }
        let plain = Template::parse("{point}", &pattern).unwrap();
        assert!(matches!(plain.name(&names), Cow::Borrowed("vib")), "a plain name must not allocate");
    }

    /// Whether a topic fits a filter, by the text of MQTT 5, section 4.7, written down apart from the code above.
    fn fits_filter(filter: &str, topic: &str) -> bool {
        let (filter, topic): (Vec<_>, Vec<_>) = (filter.split('/').collect(), topic.split('/').collect());
        match filter.iter().position(|level| *level == "#") {
            Some(cut) => topic.len() >= cut && fits_filter(&filter[..cut].join("/"), &topic[..cut].join("/")),
            None => filter.len() == topic.len() && filter.iter().zip(&topic).all(|(f, t)| *f == "+" || f == t),
        }
    }

    proptest::proptest! {
        #[test]
        fn what_a_pattern_matches_its_filter_brings(
            pattern in "(a|b|\\{x\\}|\\{\\})(/(a|b|\\{y\\}|\\{\\})){0,3}(/\\{\\.\\.\\.\\})?",
            topic in "[ab]{0,2}(/[ab]{0,2}){0,5}",
        ) {
            if let Ok(pattern) = Pattern::parse(&pattern) && pattern.matches(&topic).is_some() {
                proptest::prop_assert!(fits_filter(&pattern.filter(), &topic), "{} {topic}", pattern.filter());
            }
        }
    }
}
