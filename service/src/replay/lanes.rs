//! A stretch of events played asset after asset instead of minute after minute.
//!
//! In a recording every minute visits every asset, and the states of a plant do not fit into the processor's cache: each
//! visit would fetch its asset from memory anew. Assets that are not grouped do not see each other, so each can as well
//! have all its events of a stretch at once, in their order. What is said of one asset is then in its order, and of
//! several in none: the results are sorted before they are written.

use super::feed::Step;
use crate::acquire::{AssetId, Observation};
use crate::asset::settings::Settings;
use crate::asset::spec::AssetSpec;
use crate::engine::{Engine, Event, Output};
use roundsman_models::EventTime;
use std::collections::HashMap;
use std::io;

/// A stretch with fewer readings than this for each lane is played as it came.
const WORTH_SORTING: usize = 4;

/// The assets of one engine, those of a group together.
#[derive(Default)]
pub(super) struct Lanes {
    /// By id of the asset.
    lane_of: Vec<Option<u32>>,
    lanes: Vec<Vec<AssetId>>,
    by_home: HashMap<String, u32>,
    /// Places of the stretch's readings, lane after lane, and where each lane's end.
    order: Vec<u32>,
    ends: Vec<usize>,
}

/// Readings, and ticks with the number of readings before each.
#[derive(Clone, Copy)]
pub(super) struct Stretch<'a> {
    pub(super) observations: &'a [Observation],
    /// Number of the first of them, as the ticks count.
    pub(super) first: u32,
    pub(super) ticks: &'a [(u32, EventTime)],
}

impl Lanes {
    /// An asset is defined, perhaps in another group than before.
    pub(super) fn define(&mut self, id: AssetId, spec: &AssetSpec, settings: &Settings) {
        self.release(id);
        let home = settings.groups.home(&spec.name);
        let next = self.lanes.len() as u32;
        let lane = *self.by_home.entry(home.to_owned()).or_insert(next);
        if lane == next {
            self.lanes.push(Vec::new());
        }
        let place = id.0 as usize;
        if self.lane_of.len() <= place {
            self.lane_of.resize(place + 1, None);
        }
        if let (Some(of), Some(members)) = (self.lane_of.get_mut(place), self.lanes.get_mut(lane as usize)) {
            *of = Some(lane);
            // In the order the engine ticks them.
            members.insert(members.partition_point(|other| other.0 < id.0), id);
        }
    }

    /// An asset is another engine's.
    pub(super) fn release(&mut self, id: AssetId) {
        let lane = self.lane_of.get_mut(id.0 as usize).and_then(Option::take);
        if let Some(members) = lane.and_then(|lane| self.lanes.get_mut(lane as usize)) {
            members.retain(|other| *other != id);
        }
    }

    /// Plays a stretch; what is said goes to `take`.
    pub(super) fn play<S: Step>(
        &mut self,
        engine: &mut S,
        stretch: Stretch<'_>,
        out: &mut Vec<Output>,
        take: &mut impl FnMut(&mut Vec<Output>) -> io::Result<()>,
    ) -> io::Result<()> {
        if stretch.observations.len() >= WORTH_SORTING * self.lanes.len()
            && let Some(engine) = engine.apart()
        {
            return self.asset_by_asset(engine, stretch, out, take);
        }
        let mut ticks = stretch.ticks.iter().peekable();
        for (place, &observation) in (stretch.first..).zip(stretch.observations) {
            while let Some((_, at)) = ticks.next_if(|(before, _)| *before <= place) {
                engine.step(&Event::Tick(*at), out);
            }
            engine.step(&Event::Observed(observation), out);
            if !out.is_empty() {
                take(out)?;
            }
        }
        for (_, at) in ticks {
            engine.step(&Event::Tick(*at), out);
        }
        take(out)
    }

    fn asset_by_asset(
        &mut self,
        engine: &mut Engine,
        stretch: Stretch<'_>,
        out: &mut Vec<Output>,
        take: &mut impl FnMut(&mut Vec<Output>) -> io::Result<()>,
    ) -> io::Result<()> {
        self.sort(stretch.observations);
        let mut from = 0;
        for (members, &end) in self.lanes.iter().zip(&self.ends) {
            let mut ticks = stretch.ticks;
            for &place in self.order.get(from..end).unwrap_or(&[]) {
                let Some(observation) = stretch.observations.get(place as usize) else { continue };
                if ticks.first().is_some_and(|(before, _)| *before <= stretch.first + place) {
                    let now = ticks.partition_point(|(before, _)| *before <= stretch.first + place);
                    let (past, to_come) = ticks.split_at(now);
                    pass(engine, members, past, out);
                    ticks = to_come;
                }
                engine.observe(observation, out);
                if !out.is_empty() {
                    take(out)?;
                }
            }
            pass(engine, members, ticks, out);
            take(out)?;
            from = end;
        }
        Ok(())
    }

    /// Puts the readings' places in order by lane, each lane's in the order they came (a counting sort).
    fn sort(&mut self, observations: &[Observation]) {
        let Self { lane_of, lanes, order, ends, .. } = self;
        let lane = |o: &Observation| Some(lane_of.get(o.asset.0 as usize).copied()?? as usize);
        ends.clear();
        ends.resize(lanes.len(), 0);
        // Of an asset that was never defined nothing can be said.
        for lane in observations.iter().filter_map(lane) {
            ends[lane] += 1;
        }
        let mut from = 0;
        for end in ends.iter_mut() {
            from += std::mem::replace(end, from);
        }
        order.clear();
        order.resize(from, 0);
        for (place, observation) in (0..).zip(observations) {
            if let Some(end) = lane(observation).and_then(|lane| ends.get_mut(lane)) {
                order[*end] = place;
                *end += 1;
            }
        }
    }
}

/// Lets the time of these ticks pass for one lane. Most have nothing to do for any of its assets.
fn pass(engine: &mut Engine, members: &[AssetId], mut ticks: &[(u32, EventTime)], out: &mut Vec<Output>) {
    loop {
        let Some(due) = members.iter().map(|id| engine.due(*id)).min() else { return };
        // The stream's time never goes back.
        let idle = ticks.partition_point(|(_, at)| *at < due);
        let Some(((_, at), to_come)) = ticks.get(idle..).and_then(<[_]>::split_first) else { return };
        members.iter().for_each(|id| engine.tick(*id, *at, out));
        ticks = to_come;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Sources, from_text};
    use std::sync::Arc;

    /// Readings of three assets in turn, the third grouped with the first.
    #[test]
    fn readings_of_a_group_stay_in_their_order() {
        let config = "[[groups]]\nname = 'line'\nmembers = ['a', 'c']\n[assets.a]\n[assets.b]\n[assets.c]\n";
        let checked = from_text(Some(config), &Sources::default()).expect("a good configuration");
        let mut registry = crate::acquire::registry::Registry::new(&checked);
        let mut lanes = Lanes::default();
        for id in registry.take_defined() {
            let (spec, settings) = (registry.spec(id).map(Arc::clone), registry.settings(id).map(Arc::clone));
            lanes.define(id, &spec.expect("defined"), &settings.expect("defined"));
        }
        assert_eq!(lanes.lanes, [vec![AssetId(0), AssetId(2)], vec![AssetId(1)]]);
        let observation = |n: u32| Observation {
            asset: AssetId(n % 4),
            point: 0,
            at: EventTime(i64::from(n)),
            value: 1.0,
            quality: crate::acquire::Quality::Good,
        };
        let observations: Vec<Observation> = (0..12).map(observation).collect();
        lanes.sort(&observations);
        // The fourth asset is nobody's.
        assert_eq!(lanes.order, [0, 2, 4, 6, 8, 10, 1, 5, 9]);
        assert_eq!(lanes.ends, [6, 9]);
        lanes.release(AssetId(0));
        lanes.sort(&observations);
        assert_eq!(lanes.order, [2, 6, 10, 1, 5, 9]);
    }
}
