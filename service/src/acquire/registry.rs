//! Names → ids. Holds what every asset is; pure, without input or output.
//!
//! The repeat path (a point seen before, with the unit seen before) is two hash look-ups and allocates nothing.
//! Ids are places in the registry and are never reused; points are only ever appended.
//!
//! Names are trimmed, at most [`MAX_NAME_BYTES`] long and tell capitals from small letters. An asset's name is one
//! topic level, so `/`, `+`, `#` and control characters are refused. It is unique on the site: the same name under
//! another area is another machine, and is refused rather than mixed in ([`Rejection::BadName`]).

use super::units::{Conversion, Unit, kept};
use super::{AssetId, Rejection, guess};
use crate::asset::settings::Settings;
use crate::asset::spec::{AssetSpec, Detection, OwnLimits, PointSpec, VibrationSpec};
use crate::config::{Checked, Limits};
use roundsman_models::detect::zones::Mounting;
use std::collections::HashMap;
use std::sync::Arc;

/// Longest name of an asset, an area or a point.
pub const MAX_NAME_BYTES: usize = 128;

/// How many spellings of a unit are remembered per point; more are worked out again each time.
const MAX_SPELLINGS: usize = 4;

/// Where a value belongs and how it is converted: kept = value × `scale` + `offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesRef {
    /// The asset.
    pub asset: AssetId,
    /// Index into the asset's points.
    pub point: u16,
    /// Factor into the kept unit.
    pub scale: f64,
    /// Added after it.
    pub offset: f64,
    /// Something was defined or changed by this call: see [`Registry::take_defined`].
    pub fresh: bool,
}

impl SeriesRef {
    /// The value in the point's kept unit.
    pub fn convert(&self, value: f64) -> f64 {
        value * self.scale + self.offset
    }
}

/// A configured point and what is open about it until its first reading.
#[derive(Debug, Clone, PartialEq)]
pub struct PointPlan {
    /// As far as the configuration says; the rest guessed from the name.
    pub spec: PointSpec,
    /// How a reading that brings no unit is converted; `None` refuses such readings.
    pub bare: Option<Conversion>,
    /// Unit and quantity were not configured: the first reading decides.
    pub open: bool,
    /// The role was configured, not guessed.
    pub role_given: bool,
    /// The range was configured, not guessed.
    pub range_given: bool,
}

/// A configured asset.
#[derive(Debug, Clone, PartialEq)]
pub struct AssetPlan {
    /// Everything but the points.
    pub spec: AssetSpec,
    /// Its points, in the order of the file.
    pub points: Vec<PointPlan>,
    /// Site settings with the asset's own on top.
    pub settings: Arc<Settings>,
    /// How it stands; with class and rating `check` offers a zone preset by it. Never applied unasked.
    pub mounting: Option<Mounting>,
}

/// All assets of the site, configured and found.
#[derive(Debug)]
pub struct Registry {
    entries: Vec<Entry>,
    by_name: HashMap<Box<str>, u32>,
    site: Arc<Settings>,
    limits: Limits,
    defined: Vec<AssetId>,
}

#[derive(Debug)]
struct Entry {
    spec: Arc<AssetSpec>,
    settings: Arc<Settings>,
    by_point: HashMap<Box<str>, u16>,
    intake: Vec<Intake>,
    has_vibration: bool,
    /// Is in `defined`.
    pending: bool,
}

/// How the values of one point are taken in.
#[derive(Debug, Clone)]
struct Intake {
    bare: Option<Conversion>,
    open: bool,
    role_given: bool,
    range_given: bool,
    /// Stands in the configuration.
    planned: bool,
    /// Whether a unit was ever settled; a point without one takes readings without one only.
    spellings: Vec<(Box<str>, Option<Conversion>)>,
}

impl Registry {
    /// Registers the configured assets, in the order of the file. All of them are in the first
    /// [`take_defined`](Self::take_defined).
    pub fn new(config: &Checked) -> Self {
        let mut registry = Self {
            entries: Vec::new(),
            by_name: HashMap::new(),
            site: Arc::clone(&config.settings),
            limits: config.limits.clone(),
            defined: Vec::new(),
        };
        for plan in &config.assets {
            registry.add_planned(plan);
        }
        registry
    }

    /// Finds or registers the series of a value. `unit`: as it came with the value; `None` when it brought none.
    ///
    /// # Errors
    /// [`Rejection::BadName`], [`Rejection::TooMany`], [`Rejection::BadUnit`]. A refused call registers nothing.
    pub fn resolve(
        &mut self,
        asset: &str,
        area: Option<&str>,
        point: &str,
        unit: Option<&str>,
    ) -> Result<SeriesRef, Rejection> {
        let (asset, point) = (asset.trim(), point.trim());
        let unit = unit.map(str::trim).filter(|u| !u.is_empty());
        let area = area.map(str::trim).filter(|a| !a.is_empty());
        let index = match self.by_name.get(asset) {
            Some(&index) => index,
            None => self.add_found(asset, area, point, unit)?,
        };
        let id = AssetId(index);
        let entry = self.entries.get_mut(index as usize).ok_or(Rejection::BadName)?;
        let mut changed = entry.settle_area(area)?;
        let place = match entry.by_point.get(point) {
            Some(&place) => place,
            None => {
                changed = true;
                entry.add_found(point, unit, &self.limits)?
            }
        };
        let (conversion, refined) = entry.conversion(place, unit)?;
        let fresh = changed || refined || entry.pending;
        if fresh {
            self.announce(id);
        }
        Ok(SeriesRef { asset: id, point: place, scale: conversion.scale, offset: conversion.offset, fresh })
    }

    /// Takes what a sender says of a point's range, in the unit it says with it. A point of the configuration keeps what
    /// stands there, and what was guessed for it where nothing does.
    pub fn set_range(&mut self, series: &SeriesRef, low: f64, high: f64) {
        let (a, b) = (series.convert(low), series.convert(high));
        let range = (a.min(b), a.max(b));
        let Some(entry) = self.entries.get_mut(series.asset.0 as usize) else { return };
        let place = usize::from(series.point);
        let found = entry.intake.get(place).is_some_and(|intake| !intake.planned);
        let differs = entry.spec.points.get(place).is_some_and(|point| point.range != range);
        if found && differs && range.0 < range.1 {
            if let Some(point) = Arc::make_mut(&mut entry.spec).points.get_mut(place) {
                point.range = range;
            }
            self.announce(series.asset);
        }
    }

    /// Finds or registers the asset of a waveform; none of its points.
    ///
    /// # Errors
    /// As [`Registry::resolve`].
    pub fn resolve_asset(&mut self, asset: &str, area: Option<&str>) -> Result<(AssetId, bool), Rejection> {
        let asset = asset.trim();
        let area = area.map(str::trim).filter(|a| !a.is_empty());
        let index = match self.by_name.get(asset) {
            Some(&index) => index,
            None => self.add_found(asset, area, "waveform", None)?,
        };
        let id = AssetId(index);
        let entry = self.entries.get_mut(index as usize).ok_or(Rejection::BadName)?;
        let fresh = entry.settle_area(area)? || entry.pending;
        if fresh {
            self.announce(id);
        }
        Ok((id, fresh))
    }

    /// Assets defined or changed since the last call, in the order it happened: for each the caller sends a
    /// `Define` before the reading that caused it.
    pub fn take_defined(&mut self) -> Vec<AssetId> {
        for id in &self.defined {
            if let Some(entry) = self.entries.get_mut(id.0 as usize) {
                entry.pending = false;
            }
        }
        std::mem::take(&mut self.defined)
    }

    /// What an asset is. `None` for an id this registry never gave.
    pub fn spec(&self, id: AssetId) -> Option<&Arc<AssetSpec>> {
        self.entries.get(id.0 as usize).map(|e| &e.spec)
    }

    /// Its settings. `None` for an id this registry never gave.
    pub fn settings(&self, id: AssetId) -> Option<&Arc<Settings>> {
        self.entries.get(id.0 as usize).map(|e| &e.settings)
    }

    /// The id of a name, for commands.
    pub fn find(&self, asset: &str) -> Option<AssetId> {
        self.by_name.get(asset.trim()).map(|&index| AssetId(index))
    }

    /// All ids, in the order of registration.
    pub fn ids(&self) -> impl Iterator<Item = AssetId> + '_ {
        (0..self.entries.len() as u32).map(AssetId)
    }

    /// What every asset is, in the order of registration: what a stored state has to keep, and give to
    /// [`adopt`](Self::adopt) one by one after a restart.
    pub fn specs(&self) -> impl Iterator<Item = &Arc<AssetSpec>> + '_ {
        self.entries.iter().map(|e| &e.spec)
    }

    /// How many assets are registered.
    pub fn len(&self) -> usize {
        self.entries.len()
    }

    /// Whether none is.
    pub fn is_empty(&self) -> bool {
        self.entries.is_empty()
    }

    /// Takes over an asset as a stored state knows it, so that its points keep their places over a restart. To be
    /// called before the first reading. What the configuration says of a point stands; a point it no longer names
    /// keeps what was stored. Gives the asset's id now.
    ///
    /// # Errors
    /// [`Rejection::BadName`] for a name that could not be registered, [`Rejection::TooMany`] past the caps.
    pub fn adopt(&mut self, stored: &AssetSpec) -> Result<AssetId, Rejection> {
        let index = match self.by_name.get(stored.name.as_str()) {
            Some(&index) => index,
            None => self.add_found(&stored.name, stored.area.as_deref(), "stored", None)?,
        };
        let entry = self.entries.get_mut(index as usize).ok_or(Rejection::BadName)?;
        entry.adopt(stored, &self.limits)?;
        self.announce(AssetId(index));
        Ok(AssetId(index))
    }

    /// The same assets and points under another configuration: ids and places of points stay. What the configuration says
    /// of an asset or point stands; what it no longer names stays as it is. A cap below what is registered only keeps
    /// further ones out.
    pub fn reconfigured(&self, config: &Checked) -> Self {
        let mut next = Self {
            entries: Vec::new(),
            by_name: HashMap::new(),
            site: Arc::clone(&config.settings),
            limits: config.limits.clone(),
            defined: Vec::new(),
        };
        let uncapped = Limits { max_points_per_asset: usize::from(u16::MAX), ..config.limits.clone() };
        for old in &self.entries {
            match config.assets.iter().find(|plan| plan.spec.name == old.spec.name) {
                Some(plan) => next.add_planned(plan),
                None => {
                    let bare = AssetSpec {
                        class: None,
                        zones: None,
                        rating_kw: None,
                        rated_speed_rpm: None,
                        configured: false,
                        cadence_secs: None,
                        states: Vec::new(),
                        points: Vec::new(),
                        ..(*old.spec).clone()
                    };
                    let site = Arc::clone(&next.site);
                    next.push(Entry::new(bare, site));
                }
            }
            if let Some(entry) = next.entries.last_mut() {
                // Refused for nothing but the cap.
                let _ = entry.adopt(&old.spec, &uncapped);
            }
        }
        for plan in &config.assets {
            if !next.by_name.contains_key(plan.spec.name.as_str()) {
                next.add_planned(plan);
            }
        }
        next
    }

    fn announce(&mut self, id: AssetId) {
        if let Some(entry) = self.entries.get_mut(id.0 as usize).filter(|e| !e.pending) {
            entry.pending = true;
            self.defined.push(id);
        }
    }

    fn add_planned(&mut self, plan: &AssetPlan) {
        let mut entry = Entry::new(plan.spec.clone(), Arc::clone(&plan.settings));
        for point in &plan.points {
            entry.push(point.spec.clone(), Intake::planned(point));
        }
        entry.settle_roles();
        self.push(entry);
    }

    fn add_found(&mut self, name: &str, area: Option<&str>, point: &str, unit: Option<&str>) -> Result<u32, Rejection> {
        // All checked first, so that a reading that is going to be refused does not leave an asset behind.
        found_point(point, unit, false)?;
        if !is_asset_name(name) || !is_point_name(point) || area.is_some_and(|a| !is_point_name(a)) {
            return Err(Rejection::BadName);
        }
        if self.entries.len() >= self.limits.max_assets {
            return Err(Rejection::TooMany);
        }
        let spec = AssetSpec {
            name: name.to_owned(),
            area: area.map(str::to_owned),
            class: None,
            zones: None,
            rating_kw: None,
            rated_speed_rpm: None,
            configured: false,
            cadence_secs: None,
            states: Vec::new(),
            points: Vec::new(),
            vibration: VibrationSpec::default(),
        };
        let entry = Entry::new(spec, Arc::clone(&self.site));
        Ok(self.push(entry))
    }

    fn push(&mut self, entry: Entry) -> u32 {
        let index = self.entries.len() as u32;
        self.by_name.insert(entry.spec.name.as_str().into(), index);
        self.entries.push(entry);
        self.announce(AssetId(index));
        index
    }
}

impl Entry {
    fn new(spec: AssetSpec, settings: Arc<Settings>) -> Self {
        Self {
            spec: Arc::new(spec),
            settings,
            by_point: HashMap::new(),
            intake: Vec::new(),
            has_vibration: false,
            pending: false,
        }
    }

    fn push(&mut self, point: PointSpec, intake: Intake) -> u16 {
        let place = self.intake.len() as u16;
        self.by_point.insert(point.name.as_str().into(), place);
        self.intake.push(intake);
        Arc::make_mut(&mut self.spec).points.push(point);
        place
    }

    /// `true` when the area was not known before.
    fn settle_area(&mut self, area: Option<&str>) -> Result<bool, Rejection> {
        match (self.spec.area.as_deref(), area) {
            (_, None) => Ok(false),
            (Some(known), Some(came)) if known == came => Ok(false),
            (Some(_), Some(_)) => Err(Rejection::BadName),
            (None, Some(came)) if is_point_name(came) => {
                Arc::make_mut(&mut self.spec).area = Some(came.to_owned());
                Ok(true)
            }
            (None, Some(_)) => Err(Rejection::BadName),
        }
    }

    fn add_found(&mut self, name: &str, unit: Option<&str>, limits: &Limits) -> Result<u16, Rejection> {
        if !is_point_name(name) {
            return Err(Rejection::BadName);
        }
        if self.intake.len() >= limits.max_points_per_asset {
            return Err(Rejection::TooMany);
        }
        let point = found_point(name, unit, self.has_vibration)?;
        let intake = Intake {
            // A sender that once said its unit has to go on saying it; one that never did is taken as it comes.
            bare: unit.is_none().then_some(Conversion::NONE),
            open: false,
            role_given: false,
            range_given: false,
            planned: false,
            spellings: Vec::new(),
        };
        let place = self.push(point, intake);
        self.settle_roles();
        Ok(place)
    }

    /// The conversion for a unit as it came, and whether the point's definition was completed by it.
    fn conversion(&mut self, place: u16, unit: Option<&str>) -> Result<(Conversion, bool), Rejection> {
        let intake = self.intake.get_mut(place as usize).ok_or(Rejection::BadUnit)?;
        let Some(text) = unit else {
            let refined = std::mem::replace(&mut intake.open, false);
            return Ok((intake.bare.ok_or(Rejection::BadUnit)?, refined));
        };
        if let Some((_, known)) = intake.spellings.iter().find(|(spelling, _)| &**spelling == text) {
            return Ok((known.ok_or(Rejection::BadUnit)?, false));
        }
        let parsed = Unit::parse(text);
        let mut refined = false;
        if let (true, Some(unit)) = (intake.open, &parsed) {
            self.complete(place, unit);
            refined = true;
        }
        let Some(point) = self.spec.points.get(place as usize) else { return Err(Rejection::BadUnit) };
        let conversion = parsed.and_then(|unit| fit(point, &unit));
        if let Some(intake) = self.intake.get_mut(place as usize).filter(|i| i.spellings.len() < MAX_SPELLINGS) {
            intake.spellings.push((text.into(), conversion));
        }
        Ok((conversion.ok_or(Rejection::BadUnit)?, refined))
    }

    /// A configured point whose unit was left open takes it from its first reading. Its limits and range were
    /// written as plain numbers, so they are in that unit.
    fn complete(&mut self, place: u16, unit: &Unit) {
        let Some(intake) = self.intake.get_mut(place as usize) else { return };
        intake.open = false;
        intake.bare = None;
        let range_given = intake.range_given;
        let Some(point) = Arc::make_mut(&mut self.spec).points.get_mut(place as usize) else { return };
        let stated = point.detection;
        let mut found = guess::point(&point.name, Some(unit), self.has_vibration);
        if stated != Detection::Unstated && unit.detection == Detection::Unstated {
            found.detection = stated;
        }
        let into = fit(&found, unit).unwrap_or(Conversion::NONE);
        let convert = |limit: Option<f64>| limit.map(|value| into.apply(value));
        found.limits = OwnLimits {
            warning_high: convert(point.limits.warning_high),
            alarm_high: convert(point.limits.alarm_high),
            warning_low: convert(point.limits.warning_low),
            alarm_low: convert(point.limits.alarm_low),
        };
        if range_given {
            found.range = (into.apply(point.range.0), into.apply(point.range.1));
        }
        found.role = point.role;
        found.stuck_after_secs = point.stuck_after_secs;
        *point = found;
        self.settle_roles();
    }

    /// Roles nobody configured depend on whether the asset has a vibration point, so they are settled again when
    /// one turns up. The order in which points arrive must not decide.
    fn settle_roles(&mut self) {
        self.has_vibration = self.spec.points.iter().any(|p| guess::is_vibration(p.quantity));
        let has_vibration = self.has_vibration;
        let wanted: Vec<_> = self
            .spec
            .points
            .iter()
            .zip(&self.intake)
            .map(|(point, intake)| {
                if intake.role_given {
                    return point.role;
                }
                guess::role(point.quantity, guess::guess(&point.name, None).surroundings, has_vibration)
            })
            .collect();
        if self.spec.points.iter().map(|p| p.role).ne(wanted.iter().copied()) {
            for (point, role) in Arc::make_mut(&mut self.spec).points.iter_mut().zip(wanted) {
                point.role = role;
            }
        }
    }

    fn adopt(&mut self, stored: &AssetSpec, limits: &Limits) -> Result<(), Rejection> {
        if stored.points.len() > limits.max_points_per_asset {
            return Err(Rejection::TooMany);
        }
        let mut now: Vec<Option<(PointSpec, Intake)>> =
            self.spec.points.iter().cloned().zip(self.intake.iter().cloned()).map(Some).collect();
        let mut points = Vec::with_capacity(stored.points.len());
        for old in &stored.points {
            let configured = self.by_point.get(old.name.as_str()).and_then(|&p| now.get_mut(p as usize)?.take());
            points.push(match configured {
                // A point left open was completed by a reading before the restart.
                Some((spec, intake)) if intake.open => (
                    PointSpec { role: if intake.role_given { spec.role } else { old.role }, ..old.clone() },
                    Intake { open: false, bare: old.unit.is_empty().then_some(Conversion::NONE), ..intake },
                ),
                Some(both) => both,
                None => (
                    old.clone(),
                    Intake {
                        bare: old.unit.is_empty().then_some(Conversion::NONE),
                        open: false,
                        role_given: false,
                        range_given: false,
                        planned: false,
                        spellings: Vec::new(),
                    },
                ),
            });
        }
        points.extend(now.into_iter().flatten());
        if points.len() > limits.max_points_per_asset {
            return Err(Rejection::TooMany);
        }
        let spec = Arc::make_mut(&mut self.spec);
        spec.points.clear();
        if spec.area.is_none() {
            spec.area.clone_from(&stored.area);
        }
        self.by_point.clear();
        self.intake.clear();
        for (point, intake) in points {
            self.push(point, intake);
        }
        self.settle_roles();
        Ok(())
    }
}

impl Intake {
    fn planned(plan: &PointPlan) -> Self {
        Self {
            bare: plan.bare,
            open: plan.open,
            role_given: plan.role_given,
            range_given: plan.range_given,
            planned: true,
            spellings: Vec::new(),
        }
    }
}

/// A point nobody configured, as its name and the unit of its first reading tell.
fn found_point(name: &str, unit: Option<&str>, has_vibration: bool) -> Result<PointSpec, Rejection> {
    let unit = match unit {
        None => None,
        Some(text) => Some(Unit::parse(text).ok_or(Rejection::BadUnit)?),
    };
    let point = guess::point(name, unit.as_ref(), has_vibration);
    // A first reading that could not be converted must not leave its point behind.
    match unit {
        Some(unit) if fit(&point, &unit).is_none() => Err(Rejection::BadUnit),
        _ => Ok(point),
    }
}

/// How a value in `unit` becomes one of `point`; `None` when it does not fit.
fn fit(point: &PointSpec, unit: &Unit) -> Option<Conversion> {
    // How a value was formed is part of what is measured: r.m.s. into a peak point would be a silent factor of 1.4.
    if unit.detection != Detection::Unstated && unit.detection != point.detection {
        return None;
    }
    match kept(point.quantity) {
        Some((code, _)) if code == point.unit => unit.to_quantity(point.quantity),
        _ => unit.to_unit(&Unit::parse(&point.unit)?),
    }
}

/// Whether a name can be an asset's: one topic level.
pub fn is_asset_name(name: &str) -> bool {
    is_point_name(name) && !name.contains(['/', '+', '#'])
}

/// Whether a name can be a point's or an area's.
pub fn is_point_name(name: &str) -> bool {
    !name.is_empty() && name.len() <= MAX_NAME_BYTES && name.trim() == name && !name.chars().any(char::is_control)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::asset::spec::Role;
    use crate::config::{Sources, from_text};

    fn registry(toml: &str) -> Registry {
        Registry::new(&from_text(Some(toml), &Sources::default()).unwrap_or_else(|faults| panic!("{faults:?}")))
    }

    fn roles(registry: &Registry, id: AssetId) -> Vec<(String, Role)> {
        registry.spec(id).unwrap().points.iter().map(|p| (p.name.clone(), p.role)).collect()
    }

    #[test]
    fn an_asset_nobody_configured_is_registered_from_its_names() {
        let mut registry = registry("");
        let first = registry.resolve(" pump-7 ", Some("north"), "vib_de", Some("in/s")).unwrap();
        assert!(first.fresh);
        assert!((first.convert(1.0) - 25.4).abs() < 1e-12);
        assert_eq!(registry.take_defined(), [first.asset]);
        let again = registry.resolve("pump-7", Some("north"), "vib_de", Some("in/s")).unwrap();
        assert_eq!(again, SeriesRef { fresh: false, ..first });
        assert_eq!(registry.take_defined(), []);
        let spec = registry.spec(first.asset).unwrap();
        assert_eq!((spec.area.as_deref(), spec.configured), (Some("north"), false));
        assert_eq!(spec.points.first().map(|p| p.unit.as_str()), Some("mm/s"));
        // Another spelling of another unit of the same kind is converted; a unit of another kind is not.
        assert_eq!(registry.resolve("pump-7", None, "vib_de", Some("mm/s")).unwrap().scale, 1.0);
        assert_eq!(registry.resolve("pump-7", None, "vib_de", Some("bar")), Err(Rejection::BadUnit));
        assert_eq!(registry.resolve("pump-7", None, "vib_de", Some("furlong")), Err(Rejection::BadUnit));
        assert_eq!(registry.resolve("pump-7", None, "vib_de", None), Err(Rejection::BadUnit));
    }

    #[test]
    fn a_sender_without_units_is_taken_as_it_comes() {
        let mut registry = registry("");
        let series = registry.resolve("rig", None, "Accelerometer1RMS", None).unwrap();
        assert_eq!((series.scale, series.offset), (1.0, 0.0));
        assert_eq!(registry.resolve("rig", None, "Accelerometer1RMS", Some("g")), Err(Rejection::BadUnit));
    }

    #[test]
    fn how_a_value_was_formed_is_never_mixed() {
        let mut registry = registry("");
        registry.resolve("p", None, "vib", Some("mm/s rms")).unwrap();
        assert!(registry.resolve("p", None, "vib", Some("mm/s")).is_ok());
        assert_eq!(registry.resolve("p", None, "vib", Some("mm/s pk")), Err(Rejection::BadUnit));
    }

    #[test]
    fn the_order_of_arrival_does_not_decide_the_roles() {
        let names = ["current", "vib", "speed", "temp", "ambient_temp"];
        let mut forward = registry("");
        let mut backward = registry("");
        for name in names {
            forward.resolve("p", None, name, None).unwrap();
        }
        for name in names.iter().rev() {
            backward.resolve("p", None, name, None).unwrap();
        }
        let (mut a, mut b) = (roles(&forward, AssetId(0)), roles(&backward, AssetId(0)));
        a.sort_by(|x, y| x.0.cmp(&y.0));
        b.sort_by(|x, y| x.0.cmp(&y.0));
        assert_eq!(a, b);
        assert!(a.contains(&("current".into(), Role::Operating)));
        // The change of an older point's role is announced with the point that caused it.
        let mut late = registry("");
        late.resolve("p", None, "current", None).unwrap();
        late.take_defined();
        assert!(late.resolve("p", None, "vib", None).unwrap().fresh);
        assert_eq!(late.take_defined(), [AssetId(0)]);
    }

    #[test]
    fn caps_hold_and_refuse() {
        let mut registry = registry("[limits]\nmax_assets = 2\nmax_points_per_asset = 3");
        for point in ["a", "b", "c"] {
            registry.resolve("one", None, point, None).unwrap();
        }
        assert_eq!(registry.resolve("one", None, "d", None), Err(Rejection::TooMany));
        registry.resolve("two", None, "a", None).unwrap();
        assert_eq!(registry.resolve("three", None, "a", None), Err(Rejection::TooMany));
        assert_eq!(registry.len(), 2);
    }

    #[test]
    fn names_that_cannot_be_names_register_nothing() {
        let mut registry = registry("");
        let long = "x".repeat(MAX_NAME_BYTES + 1);
        for (asset, point) in [("", "a"), ("a/b", "a"), ("a+", "a"), ("#", "a"), ("a\nb", "a"), ("a", ""), ("a", &long)]
        {
            assert_eq!(registry.resolve(asset, None, point, None), Err(Rejection::BadName), "{asset:?} {point:?}");
        }
        assert_eq!(registry.resolve("a", None, "b", Some("furlong")), Err(Rejection::BadUnit));
        assert!(registry.is_empty());
        // Capitals tell names apart.
        registry.resolve("Pump", None, "a", None).unwrap();
        registry.resolve("pump", None, "a", None).unwrap();
        assert_eq!(registry.len(), 2);
    }

    #[test]
    fn the_same_name_in_another_area_is_another_machine() {
        let mut registry = registry("");
        registry.resolve("fan", Some("north"), "vib", None).unwrap();
        assert_eq!(registry.resolve("fan", Some("south"), "vib", None), Err(Rejection::BadName));
        assert!(registry.resolve("fan", None, "vib", None).is_ok());
    }

    #[test]
    fn a_configured_point_converts_from_the_unit_the_file_gives_it() {
        let mut registry = registry(
            "[assets.p.points.vib]\nunit = \"in/s rms\"\nalarm_high = 0.3\n[assets.p.points.t]\nalarm_high = 180",
        );
        let defined = registry.take_defined();
        let spec = Arc::clone(registry.spec(defined[0]).unwrap());
        let vib = &spec.points[0];
        assert_eq!((vib.unit.as_str(), vib.detection), ("mm/s", Detection::Rms));
        assert!((vib.limits.alarm_high.unwrap() - 7.62).abs() < 1e-12);
        let bare = registry.resolve("p", None, "vib", None).unwrap();
        assert!((bare.convert(0.3) - 7.62).abs() < 1e-12);
        assert!(!bare.fresh);
        // A point left open takes the unit of its first reading, and its limits were in that unit.
        let open = registry.resolve("p", None, "t", Some("degF")).unwrap();
        assert!(open.fresh);
        let t = &registry.spec(open.asset).unwrap().points[1];
        assert_eq!(t.unit, "Cel");
        assert!((t.limits.alarm_high.unwrap() - (180.0 - 32.0) / 1.8).abs() < 1e-9);
    }

    #[test]
    fn points_keep_their_places_over_a_restart() {
        let mut before = registry("");
        for (asset, point, unit) in
            [("b", "vib", Some("mm/s")), ("a", "temp", Some("Cel")), ("b", "current", Some("A")), ("a", "x", None)]
        {
            before.resolve(asset, None, point, unit).unwrap();
        }
        let stored: Vec<AssetSpec> = before.specs().map(|spec| AssetSpec::clone(spec)).collect();
        let mut after = registry("");
        for spec in &stored {
            after.adopt(spec).unwrap();
        }
        // Arrives in another order now, and lands in the same places.
        for (asset, point, unit) in
            [("a", "x", None), ("b", "current", Some("A")), ("a", "temp", Some("Cel")), ("b", "vib", Some("mm/s"))]
        {
            let (was, is) = (before.resolve(asset, None, point, unit), after.resolve(asset, None, point, unit));
            assert_eq!(is.map(|s| (s.asset, s.point, s.scale)), was.map(|s| (s.asset, s.point, s.scale)));
        }
        assert_eq!(after.specs().collect::<Vec<_>>(), before.specs().collect::<Vec<_>>());
    }

    #[test]
    fn a_restart_under_a_changed_file_appends_and_takes_the_file_at_its_word() {
        let mut before = registry("");
        before.resolve("p", None, "vib", Some("mm/s")).unwrap();
        before.resolve("p", None, "temp", Some("Cel")).unwrap();
        let stored = AssetSpec::clone(before.spec(AssetId(0)).unwrap());
        let mut after = registry(
            "[assets.p.points.flow]\nunit = \"m3/h\"\n[assets.p.points.temp]\nunit = \"Cel\"\nalarm_high = 90",
        );
        let id = after.adopt(&stored).unwrap();
        let points = &after.spec(id).unwrap().points;
        let names: Vec<&str> = points.iter().map(|p| p.name.as_str()).collect();
        assert_eq!(names, ["vib", "temp", "flow"]);
        assert_eq!(points[1].limits.alarm_high, Some(90.0));
    }
}
