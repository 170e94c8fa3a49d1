//! A configuration in effect, for a person to read.

use super::outlets;
use crate::acquire::registry::AssetPlan;
use crate::acquire::topics::filters;
use crate::advise::forms::rfc3339;
use crate::advise::topics::Topics;
use crate::asset::calendar::{EVERY, When};
use crate::asset::settings::Settings;
use crate::asset::spec::{Detection, PointSpec, Quantity, Role};
use crate::config::settings::differences;
use crate::config::value::show_secs;
use crate::config::{Checked, Protocol};
use roundsman_models::detect::zones::{MachineKind, suggest};
use std::fmt;

/// Prints assets, points, topic filters and the settings that differ from their defaults.
pub struct Summary<'a>(pub &'a Checked);

impl fmt::Display for Summary<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let config = self.0;
        writeln!(f, "site       {}", config.site.name)?;
        if let Some(broker) = &config.broker {
            let version = if broker.protocol == Protocol::V5 { "5" } else { "3.1.1" };
            let tls = if broker.tls.is_some() { " over TLS" } else { "" };
            writeln!(
                f,
                "broker     {}:{}, MQTT {version}{tls}, client id {}",
                broker.host, broker.port, broker.client_id
            )?;
        }
        writeln!(f, "publishes  {}/{}/...", config.publish.prefix, config.site.name)?;
        writeln!(f, "state      {}", config.state.dir.display())?;
        match (config.http.listen, &config.http.token) {
            (None, _) => writeln!(f, "http       off"),
            (Some(listen), Some(_)) => writeln!(f, "http       {listen}, with a token"),
            (Some(listen), None) => writeln!(f, "http       {listen}"),
        }?;
        outlets::write(f, config)?;
        writeln!(f, "\ncommands")?;
        let topics = Topics::new(&config.publish.template(), &config.site.name).ok();
        for permission in &config.commands {
            let filter = topics.as_ref().map(|topics| permission.filter(topics)).unwrap_or_default();
            let actions: Vec<&str> = permission.actions.iter().map(|action| action.name()).collect();
            writeln!(f, "  {filter}: {}", actions.join(", "))?;
        }
        if config.commands.is_empty() {
            writeln!(f, "  none are taken")?;
        }
        writeln!(f, "\ntopic filters")?;
        for filter in filters(&config.topics) {
            let patterns: Vec<&str> =
                config.topics.iter().filter(|m| m.pattern.filter() == filter).map(|m| m.pattern.text()).collect();
            writeln!(f, "  {filter}  (from {})", patterns.join(", "))?;
        }
        if config.topics.is_empty() {
            writeln!(f, "  none")?;
        }
        writeln!(f, "\nsettings that differ from their defaults")?;
        let changed = differences(&config.settings, &Settings::default());
        for (path, value, default) in &changed {
            writeln!(f, "  {path} = {value}  (default {default})")?;
        }
        if changed.is_empty() {
            writeln!(f, "  none")?;
        }
        write_plans(f, config)?;
        match config.assets.len() {
            0 => writeln!(f, "\nassets: none configured; each is registered from its topic and learned with defaults"),
            n => writeln!(
                f,
                "\nassets: {n} configured, others are registered from their topics (at most {})",
                config.limits.max_assets
            ),
        }?;
        for asset in &config.assets {
            write_asset(f, asset, &config.settings)?;
        }
        Ok(())
    }
}

/// Groups and the maintenance calendar, as the engine has them.
fn write_plans(f: &mut fmt::Formatter<'_>, config: &Checked) -> fmt::Result {
    let unknown = |name: &str| {
        let known = name == EVERY || config.assets.iter().any(|plan| plan.spec.name == name);
        if known { "" } else { " (not in this file)" }
    };
    let listed = |names: &mut dyn Iterator<Item = &String>| {
        names.map(|name| format!("{name}{}", unknown(name))).collect::<Vec<_>>().join(", ")
    };
    match config.settings.groups.iter().count() {
        0 => writeln!(f, "\ngroups: none")?,
        n => writeln!(f, "\ngroups: {n}")?,
    }
    for group in config.settings.groups.iter() {
        let parent = group.parent.as_ref().map_or(String::new(), |p| format!(", driven by {p}{}", unknown(p)));
        let told = if group.one_alert { "one alert for what is" } else { "each its own alert, naming what is" };
        let within = show_secs(group.within_secs);
        writeln!(
            f,
            "  {} ({}): {}{parent}; {told} within {within}",
            group.name,
            group.kind,
            listed(&mut group.members.iter())
        )?;
    }
    match config.settings.calendar.len() {
        0 => writeln!(f, "\nmaintenance windows: none")?,
        n => writeln!(f, "\nmaintenance windows: {n}")?,
    }
    for window in config.settings.calendar.iter() {
        let when = match &window.when {
            When::Once { from, to } => format!("{} to {}", rfc3339(*from), rfc3339(*to)),
            When::Weekly { days, from, to, zone } => {
                let names = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];
                let on: Vec<&str> = names.iter().zip(days).filter(|(_, on)| **on).map(|(name, _)| *name).collect();
                format!("{} {from} to {to}, {}", on.join(" "), zone.iana_name().unwrap_or("a zone without a name"))
            }
        };
        let of =
            [("areas", &window.areas), ("classes", &window.classes)].into_iter().filter(|(_, names)| !names.is_empty());
        let mut of: Vec<String> = of.map(|(what, names)| format!("{what} {}", names.join(", "))).collect();
        if !window.assets.is_empty() {
            of.push(listed(&mut window.assets.iter()));
        }
        writeln!(f, "  {when}: {} ({}, {})", of.join("; "), window.reason, window.by)?;
    }
    Ok(())
}

fn write_asset(f: &mut fmt::Formatter<'_>, asset: &AssetPlan, site: &Settings) -> fmt::Result {
    let spec = &asset.spec;
    let facts: Vec<String> = [
        spec.class.clone(),
        spec.area.as_ref().map(|area| format!("in {area}")),
        spec.rating_kw.map(|kw| format!("{kw} kW")),
        spec.rated_speed_rpm.map(|rpm| format!("{rpm} /min")),
        spec.zones.as_ref().map(|zones| format!("zones {zones}")),
    ]
    .into_iter()
    .flatten()
    .collect();
    writeln!(f, "\n  {}  {}", spec.name, facts.join(", "))?;
    for (path, value, other) in differences(&asset.settings, site) {
        writeln!(f, "    {path} = {value}  (site {other})")?;
    }
    if let (None, Some(offer)) = (&spec.zones, offered_zones(asset)) {
        writeln!(f, "    no severity zones; `zones = \"{offer}\"` would fit the plate data")?;
    }
    for state in &spec.states {
        let ranges: Vec<String> =
            state.within.iter().map(|(point, low, high)| format!("{point} {low} to {high}")).collect();
        writeln!(f, "    state {}: {}", state.name, ranges.join(", "))?;
    }
    for bearing in &spec.vibration.bearings {
        let o = &bearing.orders;
        writeln!(
            f,
            "    bearing {}: outer race {:.3}, inner race {:.3}, rolling element {:.3}, cage {:.3} × shaft speed",
            bearing.name, o.bpfo, o.bpfi, o.element_strike, o.ftf
        )?;
    }
    for sensor in &spec.vibration.sensors {
        let axis = sensor.axis.map_or("direction by its messages", |axis| axis.words());
        let place = sensor.bearing.as_ref().map_or(String::new(), |bearing| format!(" at {bearing}"));
        writeln!(f, "    waveforms of {}: {axis}{place}", sensor.point)?;
    }
    for plan in &asset.points {
        write_point(f, &plan.spec, plan.open)?;
    }
    Ok(())
}

/// The preset that fits the plate data, for a person to decide on.
fn offered_zones(asset: &AssetPlan) -> Option<&'static str> {
    let kind = match asset.spec.class.as_deref()? {
        "pump" => MachineKind::PumpCategory2,
        _ => MachineKind::Other,
    };
    suggest(kind, asset.spec.rating_kw?, asset.mounting?)
}

fn write_point(f: &mut fmt::Formatter<'_>, point: &PointSpec, open: bool) -> fmt::Result {
    let unit = if open { "unit of its first reading".to_owned() } else { show_unit(point) };
    write!(f, "    {:<24} {}, {unit}, {}", point.name, show_quantity(point), show_role(point.role))?;
    let limits = [
        ("alarm below", point.limits.alarm_low),
        ("warning below", point.limits.warning_low),
        ("warning above", point.limits.warning_high),
        ("alarm above", point.limits.alarm_high),
    ];
    for (name, limit) in limits {
        if let Some(limit) = limit {
            write!(f, ", {name} {limit}")?;
        }
    }
    writeln!(f)
}

/// `mm/s r.m.s.`
pub(super) fn show_unit(point: &PointSpec) -> String {
    let formed = match point.detection {
        Detection::Rms => " r.m.s.",
        Detection::Peak => " peak",
        Detection::PeakToPeak => " peak to peak",
        Detection::Unstated => "",
    };
    let unit = if point.unit.is_empty() { "no unit" } else { &point.unit };
    format!("{unit}{formed}")
}

pub(super) fn show_quantity(point: &PointSpec) -> String {
    quantity_word(point.quantity)
}

/// The word of the file, which serde spells.
pub(super) fn quantity_word(quantity: Quantity) -> String {
    serde_json::to_value(quantity).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default()
}

pub(super) fn show_role(role: Role) -> &'static str {
    match role {
        Role::Condition => "condition",
        Role::Operating => "operating",
        Role::Ambient => "ambient",
        Role::State => "state",
    }
}
