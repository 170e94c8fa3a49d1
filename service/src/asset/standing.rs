//! Fits that still stand: a trend of weeks is not told anew every hour.
//!
//! A block adds one point to a series of dozens, and a fit tries some two thousand courses through all of them. So a fit
//! stands until its trend is older by [`OF_AGE`] or [`OF_LIFE`] of the soonest P10 has passed, whichever comes first; what
//! is stated in between is what was stated, less the time that went by. A trend of hours is fitted with every block: there
//! each one changes much. A fit ends at once where what is forecast changes: a limit set or passed, a step. Both shares are
//! our judgement: well within the intervals.

use super::machine::Watch;
use crate::advise::document::Forecast;
use roundsman_models::EventTime;
use roundsman_models::detect::alarm::Severity;
use roundsman_models::prognose::{DegradationModel, Side};
use serde::{Deserialize, Serialize};

/// Share of the trend's age, from its onset, by which it may grow.
const OF_AGE: f64 = 1.0 / 32.0;
/// Share of the time left, taken at P10, that may pass.
const OF_LIFE: f64 = 1.0 / 12.0;

/// What a fit and its times rest on, beside the levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Grounds {
    step: Option<EventTime>,
    crossed: Option<Severity>,
    /// Of each limit its side and, where a person or a standard gave it, its value. One of the baseline follows the season.
    limits: Vec<(Side, Option<f64>)>,
}

impl Grounds {
    pub(super) fn of(watch: &Watch, limits: Vec<(Side, Option<f64>)>) -> Self {
        let step = watch.step.map(|s| s.onset);
        Self { step, crossed: watch.crossed.as_ref().map(|c| c.severity), limits }
    }
}

/// A fit of one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Fit {
    place: u16,
    until: EventTime,
    /// When its times were last told.
    told: EventTime,
    model: DegradationModel,
    grounds: Grounds,
}

/// The fits of one asset that stand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Standing(Vec<Fit>);

impl Standing {
    /// A new fit, of a trend with this onset, whose soonest target has this P10.
    pub(super) fn begin(
        &mut self,
        place: usize,
        at: EventTime,
        (onset, p10_hours): (EventTime, f64),
        model: DegradationModel,
        grounds: Grounds,
    ) {
        let place = place as u16;
        let hours = (OF_AGE * at.hours_since(onset)).min(OF_LIFE * p10_hours);
        let until = at.plus_secs(3600.0 * hours.max(0.0));
        self.forget(place);
        self.0.push(Fit { place, until, told: at, model, grounds });
    }

    /// How long ago a fit's times were told, and its model, if it still stands on these grounds. Now they are told again. One
    /// that does not is over, also if its grounds come back: what it stated is gone by then.
    pub(super) fn tell(&mut self, place: usize, at: EventTime, grounds: &Grounds) -> Option<(f64, DegradationModel)> {
        let place = place as u16;
        let stands = |fit: &&mut Fit| fit.place == place && at < fit.until && fit.grounds == *grounds;
        let Some(fit) = self.0.iter_mut().find(stands) else {
            self.forget(place);
            return None;
        };
        let hours = at.hours_since(fit.told);
        fit.told = at;
        Some((hours, fit.model))
    }

    /// Nothing is stated of this point any more.
    pub(super) fn forget(&mut self, place: u16) {
        self.0.retain(|fit| fit.place != place);
    }

    /// Nor of any.
    pub(super) fn forget_all(&mut self) {
        self.0.clear();
    }
}

/// The same forecast `hours` later.
pub(super) fn later(forecast: &Forecast, hours: f64) -> Forecast {
    let less = |at: Option<f64>| at.map(|at| at - hours);
    let Forecast { p10_hours, p50_hours, p90_hours, .. } = *forecast;
    Forecast { p10_hours: less(p10_hours), p50_hours: less(p50_hours), p90_hours: less(p90_hours), ..forecast.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> EventTime {
        EventTime(0).plus_secs(3600.0 * hours)
    }

    fn grounds(own: Option<f64>) -> Grounds {
        Grounds { step: None, crossed: None, limits: vec![(Side::Upper, own)] }
    }

    /// 320 h of trend and a P10 of 60 h: five hours, by the life left.
    fn begun(at_hours: f64) -> Standing {
        let mut standing = Standing::default();
        standing.begin(3, at(at_hours), (at(0.0), 60.0), DegradationModel::Linear, grounds(Some(7.1)));
        standing
    }

    #[test]
    fn a_fit_stands_for_its_share_of_the_trends_age_or_of_the_life_left() {
        let mut standing = begun(320.0);
        let mut told = 0.0;
        for hour in 1..5 {
            let (ago, model) = standing.tell(3, at(320.0 + f64::from(hour)), &grounds(Some(7.1))).expect("stands");
            assert_eq!(model, DegradationModel::Linear);
            told += ago;
        }
        assert_eq!(told, 4.0);
        assert_eq!(standing.tell(3, at(325.0), &grounds(Some(7.1))), None);
        // Of 64 h a thirty-second part is two.
        let mut young = begun(64.0);
        assert!(young.tell(3, at(65.9), &grounds(Some(7.1))).is_some());
        assert_eq!(young.tell(3, at(66.0), &grounds(Some(7.1))), None);
    }

    #[test]
    fn it_ends_with_what_it_rests_on() {
        for other in [
            grounds(Some(7.0)),
            grounds(None),
            Grounds { step: Some(at(1.0)), ..grounds(Some(7.1)) },
            Grounds { crossed: Some(Severity::Warning), ..grounds(Some(7.1)) },
            Grounds { limits: Vec::new(), ..grounds(Some(7.1)) },
        ] {
            assert_eq!(begun(320.0).tell(3, at(321.0), &other), None);
        }
        assert_eq!(begun(320.0).tell(4, at(321.0), &grounds(Some(7.1))), None, "of another point");
        let mut over = begun(320.0);
        assert_eq!(over.tell(3, at(321.0), &grounds(None)), None);
        assert_eq!(over.tell(3, at(322.0), &grounds(Some(7.1))), None, "nor when its grounds come back");
        let mut standing = begun(320.0);
        standing.forget(3);
        assert_eq!(standing.tell(3, at(321.0), &grounds(Some(7.1))), None);
    }
}
