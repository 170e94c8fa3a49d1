//! Many alike machines in few lines, written out before anything is checked: classes, numbered names, a tag list.
//!
//! From weak to strong: `[classes.pump]` for every asset of class `pump`; `[assets."pump-{001..500}"]` for each of the
//! names; a row of the tag list; the asset's own table. What is written out is what is checked and recorded, so the
//! rest of the program knows nothing of it. Each value keeps where it was written as its origin.

use super::Fault;
use super::tag_list;
use config::{Map, Value, ValueKind};
use std::path::Path;

/// Most names of one numbered name: a mistyped end must not fill the memory.
const MOST_NAMES: u64 = 20_000;

/// Writes out what stands for many assets. `file`: whose folder a tag list is looked for in.
pub(super) fn expand(map: &mut Map<String, Value>, file: Option<&Path>, faults: &mut Vec<Fault>) {
    let classes = take_table(map, "classes", faults);
    let listed = match map.shift_remove("asset_list") {
        Some(list) => tag_list::read(&list, file, faults),
        None => Map::new(),
    };
    let has_range = |map: &Map<String, Value>| {
        map.get("assets").and_then(table).is_some_and(|assets| assets.keys().any(|name| name.contains("..")))
    };
    if classes.is_none() && listed.is_empty() && !has_range(map) {
        return;
    }
    let own = match map.get_mut("assets").map(|value| &mut value.kind) {
        Some(ValueKind::Table(assets)) => std::mem::take(assets),
        // What is no table is told of where assets are read.
        Some(_) => return,
        None => Map::new(),
    };
    let mut assets: Map<String, Value> = Map::new();
    let mut singles: Map<String, Value> = Map::new();
    for (name, value) in own {
        match names(&name) {
            Some(Ok(names)) => {
                let value = with_origin(value, &path("assets", &name));
                for single in names {
                    put(&mut assets, &single, &value);
                }
            }
            Some(Err(rule)) => faults.push(Fault { path: path("assets", &name), rule, got: None, origin: None }),
            None => drop(singles.insert(name, value)),
        }
    }
    for (name, value) in listed.iter().chain(&singles) {
        put(&mut assets, name, value);
    }
    if let Some(classes) = classes {
        let told = |(name, value): (String, Value)| {
            let at = path("classes", &name);
            (name, with_origin(value, &at))
        };
        let classes: Map<String, Value> = classes.into_iter().map(told).collect();
        for value in assets.values_mut() {
            let class = table(value).and_then(|asset| asset.get("class")).map(ToString::to_string);
            if let Some(of_class) = class.and_then(|class| classes.get(&class)) {
                let own = std::mem::replace(value, empty());
                *value = merged(of_class.clone(), own);
            }
        }
    }
    map.insert("assets".to_owned(), Value::new(None, ValueKind::Table(assets)));
}

fn empty() -> Value {
    Value::new(None, ValueKind::Table(Map::new()))
}

fn table(value: &Value) -> Option<&Map<String, Value>> {
    match &value.kind {
        ValueKind::Table(map) => Some(map),
        _ => None,
    }
}

fn take_table(map: &mut Map<String, Value>, key: &str, faults: &mut Vec<Fault>) -> Option<Map<String, Value>> {
    match map.shift_remove(key)?.kind {
        ValueKind::Table(inner) => Some(inner),
        _ => {
            faults.push(Fault { path: key.to_owned(), rule: "must be a table".into(), got: None, origin: None });
            None
        }
    }
}

fn put(assets: &mut Map<String, Value>, name: &str, value: &Value) {
    let before = assets.get_mut(name).map_or_else(empty, |before| std::mem::replace(before, empty()));
    assets.insert(name.to_owned(), merged(before, value.clone()));
}

/// The tables of both, the later the stronger; anything but tables is replaced whole.
pub(super) fn merged(weak: Value, strong: Value) -> Value {
    if table(&weak).is_none() || table(&strong).is_none() {
        return strong;
    }
    let (ValueKind::Table(mut into), ValueKind::Table(from)) = (weak.kind, strong.kind) else { return empty() };
    for (key, value) in from {
        let value = match into.get_mut(&key) {
            Some(before) => merged(std::mem::replace(before, empty()), value),
            None => value,
        };
        into.insert(key, value);
    }
    Value::new(None, ValueKind::Table(into))
}

/// Every value below with its path as origin.
fn with_origin(value: Value, at: &str) -> Value {
    let kind = match value.kind {
        ValueKind::Table(map) => ValueKind::Table(
            map.into_iter()
                .map(|(key, value)| {
                    let at = path(at, &key);
                    (key, with_origin(value, &at))
                })
                .collect(),
        ),
        ValueKind::Array(items) => ValueKind::Array(items.into_iter().map(|item| with_origin(item, at)).collect()),
        other => other,
    };
    Value::new(Some(&at.to_owned()), kind)
}

fn path(under: &str, key: &str) -> String {
    super::table::join(under, key)
}

/// `pump-{001..500}` → the names, with as many digits as the first number; `None`: an ordinary name.
fn names(name: &str) -> Option<Result<Vec<String>, String>> {
    let (before, rest) = name.split_once('{')?;
    let (range, after) = rest.split_once('}')?;
    let (first, last) = range.split_once("..")?;
    let number = |text: &str| text.bytes().all(|b| b.is_ascii_digit()).then(|| text.parse::<u64>().ok()).flatten();
    let (Some(low), Some(high)) = (number(first), number(last)) else {
        return Some(Err("must count from a whole number to another, as in pump-{001..500}".into()));
    };
    if low > high || high - low >= MOST_NAMES {
        return Some(Err(format!("must count upwards and name at most {MOST_NAMES}")));
    }
    if after.contains('{') {
        return Some(Err("must count in one place only".into()));
    }
    let digits = first.len();
    Some(Ok((low..=high).map(|n| format!("{before}{n:0digits$}{after}")).collect()))
}

#[cfg(test)]
mod tests {
    use super::super::{Checked, Sources, from_text};

    fn checked(text: &str) -> Checked {
        from_text(Some(text), &Sources::default()).unwrap_or_else(|faults| panic!("{faults:?}"))
    }

    fn faults(text: &str) -> Vec<String> {
        from_text(Some(text), &Sources::default()).expect_err(text).iter().map(ToString::to_string).collect()
    }

    #[test]
    fn five_hundred_alike_pumps_are_five_lines() {
        let config = checked(
            r#"
            [assets."pump-{001..500}"]
            class = "pump"
            rating = "15 kW"
            [assets."pump-{001..500}".points.vib_de]
            warning_high = 4.5
            "#,
        );
        assert_eq!(config.assets.len(), 500);
        for (plan, name) in [(&config.assets[0], "pump-001"), (&config.assets[499], "pump-500")] {
            assert_eq!((plan.spec.name.as_str(), plan.spec.rating_kw), (name, Some(15.0)));
            assert_eq!(plan.points[0].spec.limits.warning_high, Some(4.5));
        }
    }

    #[test]
    fn what_is_nearer_to_the_asset_is_stronger() {
        let config = checked(
            r#"
            [classes.pump]
            rating = "1 kW"
            rated_speed = "1480 rpm"
            area = "north"
            points.vib = { unit = "mm/s", warning_high = 4.5, alarm_high = 7.1 }
            [assets."p{8..9}"]
            class = "pump"
            rating = "2 kW"
            [assets.p9]
            area = "south"
            points.vib = { warning_high = 3 }
            [assets.fan]
            class = "fan"
            "#,
        );
        let spec = |name: &str| config.assets.iter().find(|plan| plan.spec.name == name).expect(name);
        let (p8, p9) = (spec("p8"), spec("p9"));
        assert_eq!(
            (p8.spec.rating_kw, p8.spec.rated_speed_rpm, p8.spec.area.as_deref()),
            (Some(2.0), Some(1480.0), Some("north"))
        );
        assert_eq!(p9.spec.area.as_deref(), Some("south"));
        assert_eq!(p9.points[0].spec.limits.warning_high, Some(3.0));
        assert_eq!(p9.points[0].spec.limits.alarm_high, Some(7.1));
        assert_eq!(spec("fan").spec.rating_kw, None);
    }

    #[test]
    fn a_fault_of_a_class_is_told_once_and_where_it_stands() {
        let got = faults("[classes.pump]\nraiting = 3\nrating = \"-1 kW\"\n[assets.\"p{1..50}\"]\nclass = \"pump\"\n");
        assert_eq!(got.len(), 2, "{got:?}");
        assert!(
            got.iter().any(|f| f.contains("did you mean `rating`") && f.contains("classes.pump.raiting")),
            "{got:?}"
        );
        assert!(got.iter().any(|f| f.contains("must be above 0") && f.contains("classes.pump.rating")), "{got:?}");
    }

    #[test]
    fn numbers_that_cannot_be_counted_are_told() {
        for (name, word) in [
            ("p{1..x}", "whole number"),
            ("p{5..1}", "upwards"),
            ("p{1..999999}", "at most"),
            ("p{1..2}{1..2}", "one place"),
        ] {
            let got = faults(&format!("[assets.\"{name}\"]\n"));
            assert!(got.len() == 1 && got[0].contains(word), "{name}: {got:?}");
        }
        assert_eq!(checked("[assets.\"p{x}\"]\n").assets.len(), 1, "braces alone are a name");
    }
}
